"""Frames that reached this machine and were dropped in it: what the Linux kernel says about them.

Three places can drop a frame that was on the bus without an error: the adapter's own buffer (drivers count it as an
overrun and most tell it by an error frame), the driver (no memory for the frame), and the socket of a program that
reads too slowly. Each has a counter of its own, which only ever grows.
"""

from __future__ import annotations

import contextlib
import struct
from pathlib import Path
from typing import Any, NamedTuple

_SOL_SOCKET, _SO_MEMINFO = 1, 55  # asm-generic/socket.h
_MEMINFO_WORDS, _MEMINFO_DROPS = 9, 8  # linux/sock_diag.h: SK_MEMINFO_VARS, SK_MEMINFO_DROPS
_SO_RCVBUF, _SO_RCVBUFFORCE = 8, 33
INTERFACES = Path("/sys/class/net")

ROOM_BYTES = 4 << 20
"""Room for received frames that is asked for: half a second of a full 1 Mbit/s bus at about 800 bytes a frame."""


class HostLoss(NamedTuple):
    """Frames that this machine lost since its counters began.

    `dropped`: by the kernel, because the program read too slowly or memory ran out. `overruns`: by the adapter or
    its driver, because the kernel took them too slowly; most drivers tell these by an error frame, too.
    """

    dropped: int = 0
    overruns: int = 0


def of_socket(opened: Any) -> int:
    """Frames that the kernel dropped because this socket was full; 0 where the kernel can't be asked."""
    with contextlib.suppress(OSError, AttributeError, struct.error):
        info = opened.getsockopt(_SOL_SOCKET, _SO_MEMINFO, 4 * _MEMINFO_WORDS)
        return int(struct.unpack_from(f"={_MEMINFO_WORDS}I", info)[_MEMINFO_DROPS])
    return 0


def of_interface(name: str, folder: Path = INTERFACES) -> HostLoss:
    """What driver and adapter dropped (Documentation/ABI/testing/sysfs-class-net-statistics); zeros if unknown."""

    def count(counter: str) -> int:
        try:
            return int((folder / name / "statistics" / counter).read_text())
        except (OSError, ValueError):
            return 0

    return HostLoss(count("rx_dropped"), count("rx_over_errors") + count("rx_missed_errors"))


def give_room(opened: Any, room_bytes: int = ROOM_BYTES) -> None:
    """Ask for room for received frames; from others than root the kernel gives less, which is no error."""
    for option in (_SO_RCVBUFFORCE, _SO_RCVBUF):
        with contextlib.suppress(OSError, AttributeError):
            opened.setsockopt(_SOL_SOCKET, option, room_bytes)
            return
