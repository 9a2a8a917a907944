"""Real and simulated time behind one small interface. Nothing else in hiltest looks at the wall clock.

Time is integer nanoseconds inside and seconds (float) at the edge. Zero is the start of the bench.
"""

from __future__ import annotations

import datetime
import math
import time
from typing import Protocol, runtime_checkable

from hiltest.errors import UsageError

NS_PER_S = 1_000_000_000


def to_ns(seconds: float, name: str = "seconds") -> int:
    """Turn `seconds` into whole nanoseconds. More than 0 s is at least 1 ns: a loop that waits for what is left
    of its time, a rounding error, would stand still for ever.

    Raises:
        UsageError: `seconds` is NaN, infinite or negative; `name` is how the caller spelled it.
    """
    if not math.isfinite(seconds) or seconds < 0:
        raise UsageError(f"{name}={seconds!r} must be a finite time of 0 s or more")
    return max(1, round(seconds * NS_PER_S)) if seconds > 0 else 0


@runtime_checkable
class Clock(Protocol):
    """What has a time. `simulated` clocks are moved by the bench and never by waiting."""

    @property
    def now_ns(self) -> int:
        """Bench time in nanoseconds."""
        ...

    @property
    def now_s(self) -> float:
        """Bench time in seconds."""
        ...


class RealClock:
    """Bench time that follows the machine's monotonic clock, from 0 at construction."""

    def __init__(self) -> None:
        self._start_ns = time.monotonic_ns()

    @property
    def now_ns(self) -> int:
        return time.monotonic_ns() - self._start_ns

    @property
    def now_s(self) -> float:
        return self.now_ns / NS_PER_S


class SimulatedClock:
    """Bench time that only its owner (the event queue of the simulated bench) moves."""

    def __init__(self) -> None:
        self._now_ns = 0

    @property
    def now_ns(self) -> int:
        return self._now_ns

    @property
    def now_s(self) -> float:
        return self._now_ns / NS_PER_S

    def advance_to(self, when_ns: int) -> None:
        """Move to `when_ns`. Time never runs backwards."""
        if when_ns < self._now_ns:
            raise UsageError(f"simulated time can't go back from {self._now_ns} ns to {when_ns} ns")
        self._now_ns = when_ns


def sleep_s(seconds: float) -> None:
    """Sleep in real time. For the doors and the real link only; a check waits through the link."""
    if seconds > 0:
        time.sleep(seconds)


def wall_s() -> float:
    """Seconds of the machine's performance counter: for how long a run took, never for bench time."""
    return time.perf_counter()


def realtime_s() -> float:
    """Seconds since 1970 of the machine's own date, which is set and slewed: to compare with a stamp of its kernel only."""
    return time.time()


def today() -> datetime.datetime:
    """The date and time of the machine, with its zone: for the head of a report, never for bench time."""
    return datetime.datetime.now().astimezone()
