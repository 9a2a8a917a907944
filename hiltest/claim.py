"""One run at a time on one bus: two would steal each other's frames and command against each other."""

from __future__ import annotations

import hashlib
import os
import socket
import sys

from hiltest.errors import BenchNotOpened


def place_of(interface: str, channel: str) -> str:
    """What two descriptions share when they name the same adapter; a serial port is one whatever speaks on it."""
    if channel.startswith("/"):
        return os.path.realpath(channel.partition("@")[0])  # python-can: '/dev/ttyUSB0@115200'
    return f"{interface}\0{channel}"


class Claim:
    """Holds a bus for this process until `release` or until the process ends, however it ends.

    A name in Linux's abstract socket namespace is the claim: no file is left behind, and it holds for every user of
    the machine. On other systems nothing is claimed.

    Args:
        name: what the description calls the bus.
        interface: python-can's name of the adapter family.
        channel: its channel; paths that lead to the same device are the same.

    Raises:
        BenchNotOpened: another run has this bus.
    """

    def __init__(self, name: str, interface: str, channel: str) -> None:
        self._socket: socket.socket | None = None
        if sys.platform != "linux":
            return
        digest = hashlib.sha256(place_of(interface, channel).encode()).hexdigest()[:32]
        claim = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        try:
            claim.bind(f"\0hiltest-bus-{digest}")
        except OSError as error:
            claim.close()
            raise BenchNotOpened(
                f"bus {name!r} ({interface!r} on {channel!r}) is in use by another run of hiltest on this machine. "
                "Two runs on one bus would command against each other: let the other one end, then run again"
            ) from error
        self._socket = claim

    def release(self) -> None:
        """Give the bus free. May be called twice."""
        if self._socket is not None:
            self._socket.close()
            self._socket = None
