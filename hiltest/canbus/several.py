"""Reading several buses as one: whoever waits must hear each of them, and none may make the others late.

On hardware the waits of all adapters are one wait on their file descriptors; an adapter that has none is asked in
turns. Buses of one simulated bench share its time and wait together. There is no thread.
"""

from __future__ import annotations

import select
from collections.abc import Sequence
from typing import Any

from hiltest.canbus.frame import Frame
from hiltest.canbus.opening import Port
from hiltest.errors import UsageError

TURN_S = 0.001
"""How long an adapter without a file descriptor is waited for before the others are asked again."""
LOOK_AGAIN_S = 0.02
"""Adapters are asked at least this often: what a driver has read from its device already wakes nobody."""


class Ports:
    """Several ports, read as one.

    Raises:
        UsageError: their clocks are not one and the same; frames of several times can't be put in order.
    """

    def __init__(self, ports: Sequence[Port]) -> None:
        self._ports = list(ports)
        self._first = 0
        clocks = {id(port.clock): port.name for port in ports}
        if len(clocks) > 1:
            names = ", ".join(repr(name) for name in clocks.values())
            raise UsageError(
                f"buses {names} have clocks of their own. Buses of one run share one clock: all of them are on one "
                "simulated bench, or none is"
            )

    def recv(self, timeout_s: float) -> tuple[Port, Frame] | None:
        """The next frame and the port it came by, or None after `timeout_s` (s) or a little less.

        Raises:
            BenchLost: one of the adapters is gone.
        """
        found = self._ask_all()
        if found is not None or timeout_s <= 0.0:
            return found
        return self._wait(timeout_s) or self._ask_all()

    def _ask_all(self) -> tuple[Port, Frame] | None:
        """Ask each once without waiting, beginning behind the one that had a frame last."""
        count = len(self._ports)
        for step in range(count):
            number = (self._first + step) % count
            frame = self._ports[number].recv(0.0)
            if frame is not None:
                self._first = (number + 1) % count
                return self._ports[number], frame
        return None

    def _wait(self, timeout_s: float) -> tuple[Port, Frame] | None:
        buses = [port.bus for port in self._ports]
        together = getattr(buses[0], "wait_with", None)
        if together is not None:
            together(buses[1:], timeout_s)
            return None
        descriptors = [_descriptor(bus) for bus in buses]
        known = [number for number in descriptors if number is not None]
        if len(known) == len(buses):
            select.select(known, (), (), min(timeout_s, LOOK_AGAIN_S))
            return None
        self._first = (self._first + 1) % len(self._ports)
        port = self._ports[self._first]
        frame = port.recv(min(timeout_s, TURN_S))
        return None if frame is None else (port, frame)


def _descriptor(bus: Any) -> int | None:
    """What can be waited for with others, or None where python-can or the adapter has nothing of the kind."""
    try:
        number = int(bus.fileno())
    except (NotImplementedError, AttributeError, OSError, ValueError, TypeError):
        return None
    return number if number >= 0 else None
