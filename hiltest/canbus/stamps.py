"""Where the time stamps of received frames come from: who looked at which clock, and when.

Four kinds, the best first. A hardware stamp is taken by the adapter when the frame ends on the wire. A kernel stamp is
taken when the driver hands the frame to the kernel: behind the adapter's buffer and the USB transfer, before the
program's queue. A host stamp is taken when the program reads the frame, behind all queues. Simulated stamps are those of
the simulated bench.

Which families stamp how was read in python-can 4.6.1's own source; a test looks whether the installed one still does so.
"""

from __future__ import annotations

from typing import Final

HARDWARE: Final = "hardware stamp (the adapter's clock, when the frame ends on the wire)"
KERNEL: Final = "kernel stamp (when the driver hands the frame on, behind the adapter's buffer)"
HOST: Final = "host stamp (when the program reads the frame, behind every queue)"
UNKNOWN: Final = "unknown (this adapter's driver does not say which clock it reads)"

BY_HOST: Final = frozenset({"slcan", "iscan", "robotell", "neousys", "seeedstudio", "virtual"})
"""Families in which python-can reads this machine's clock when it has read the frame."""

BY_KERNEL: Final = frozenset({"socketcan", "udp_multicast"})
"""SO_TIMESTAMPNS: linux Documentation/networking/timestamping.rst."""

BY_ADAPTER: Final = frozenset(
    {
        "kvaser",
        "pcan",
        "ixxat",
        "vector",
        "gs_usb",
        "canalystii",
        "systec",
        "usb2can",
        "nican",
        "nixnet",
        "etas",
        "neovi",
    }
)
"""Families in which python-can passes on a time that adapter or maker's library gives with the frame."""


def source_of(interface: str) -> str:
    """Where the stamps of an adapter family of python-can come from, in words for a report."""
    if interface in BY_KERNEL:
        return KERNEL
    if interface in BY_HOST:
        return HOST
    return HARDWARE if interface in BY_ADAPTER else UNKNOWN
