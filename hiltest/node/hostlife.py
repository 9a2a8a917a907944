"""The host's sign of life on a CANopen bus: a heartbeat (CiA 301) that the nodes watch.

One host has one heartbeat on a bus, however many drivers there are; they share it here.
"""

from __future__ import annotations

from weakref import WeakKeyDictionary

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.link import Link, Timer
from hiltest.node.telemetry import OPERATIONAL


class HostLife:
    """A heartbeat under `host_id` every `period_s`, while at least one driver wants it."""

    def __init__(self, link: Link, host_id: int, period_s: float) -> None:
        self._link = link
        self._frame = Frame(0x700 + host_id, bytes([OPERATIONAL]))
        self._period_s = period_s
        self._timer: Timer | None = None
        self._users = 0
        self.missed = 0

    @property
    def is_silent(self) -> bool:
        return self._timer is None

    def join(self) -> None:
        self._users += 1
        self.resume()

    def leave(self) -> None:
        self._users = max(0, self._users - 1)
        if self._users == 0:
            self.fall_silent()

    def resume(self) -> None:
        if self._timer is None:
            self._timer = self._link.every(self._period_s, self.beat)

    def fall_silent(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def beat(self) -> None:
        """Send one heartbeat now."""
        try:
            self._link.send(self._frame)
        except QueueFull:
            # Nobody acknowledges, so nobody hears us: the nodes' watch sees to their outputs.
            self.missed += 1


_lives: WeakKeyDictionary[Link, dict[int, HostLife]] = WeakKeyDictionary()


def host_life(link: Link, host_id: int, period_s: float) -> HostLife:
    """The one heartbeat of `host_id` on this link; the first caller's period holds."""
    lives = _lives.setdefault(link, {})
    if host_id not in lives:
        lives[host_id] = HostLife(link, host_id, period_s)
    return lives[host_id]
