"""Bench time of an adapter's time stamps, whose clock is set anew, drifts and stands for hours.

What a machine stamps itself is known exactly: the kernel's stamp is on the clock that can be read beside it, and a stamp
taken when the program reads the frame is no better than now. An adapter's own clock has an unknown zero, and two facts
hold it: no frame is read before it was there, and none has waited since before a read found nothing waiting.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

from hiltest.canbus import stamps
from hiltest.clock import NS_PER_S, realtime_s

DRIFT: Final = 500e-6
"""How much slower than this machine's an adapter's clock may run. Crystals stay within 100 ppm, and a computer's clock
is slewed by 500 ppm at most (adjtimex(2), the bounds of `freq`); from memory."""

FALLS_BACK_S: Final = 0.05
"""A stamp this much (s) before the one before it: the clock was set anew. Frames come in the order of their stamps, but
for an adapter that stamps its own a little later."""

ON_THE_WAY_S: Final = 0.05
"""What may lie between a stamp and the moment a read finds the frame, s: an adapter's buffer and the USB transfer. A
transfer is held for 16 ms by a common serial chip; the rest is room for a busy machine. Common practice, no source."""


class StampClock:
    """Turns the time stamps (s) of one adapter family into bench time (ns); `now_ns` gives the bench's.

    Bench time of what is stamped by an adapter is late by at most what the least delayed frame of the last minutes
    waited. It never runs backwards, and is never later than now.
    """

    def __init__(self, interface: str, now_ns: Callable[[], int]) -> None:
        self._source, self._now_ns = stamps.source_of(interface), now_ns
        self._last_ns = 0
        self.begin_anew()

    def begin_anew(self) -> None:
        """The adapter was opened: nothing of what its clock said before holds."""
        self._zero_s: float | None = None
        self._looked_s = self._last_stamp_s = self._empty_s = -math.inf

    def nothing_waited(self, when_ns: int) -> None:
        """A read at that bench time found no frame."""
        self._empty_s = when_ns / NS_PER_S

    def bench_ns(self, stamp_s: float) -> int:
        """Bench time of a frame that was read just now and bears this stamp; 0 or less is none, as python-can has it."""
        now_ns = self._now_ns()
        if stamp_s <= 0 or self._source == stamps.HOST:
            return self._in_order(now_ns)
        if self._source == stamps.KERNEL:
            waited_s = max(0.0, realtime_s() - stamp_s)
            return self._in_order(now_ns - round(waited_s * NS_PER_S))
        waited_s = self._waited_s(stamp_s, now_ns / NS_PER_S)
        return self._in_order(now_ns - round(waited_s * NS_PER_S))

    def _waited_s(self, stamp_s: float, now_s: float) -> float:
        """How long ago the adapter stamped it, by the best known zero of the adapter's clock."""
        least_s = stamp_s - now_s
        latest_s = stamp_s - self._empty_s + ON_THE_WAY_S
        if self._zero_s is not None:
            self._zero_s = max(least_s, self._zero_s - DRIFT * (now_s - self._looked_s))
        # A zero by which it was there when nothing was, or by which frames fall back, is from before the clock was set.
        if self._zero_s is None or self._zero_s > latest_s or stamp_s < self._last_stamp_s - FALLS_BACK_S:
            self._zero_s = least_s
        self._looked_s, self._last_stamp_s = now_s, stamp_s
        return self._zero_s - least_s

    def _in_order(self, t_ns: int) -> int:
        self._last_ns = max(self._last_ns, t_ns)
        return self._last_ns
