"""A quantity that follows its target with a first-order lag, in closed form."""

from __future__ import annotations

import math
from typing import Protocol


class Clock(Protocol):
    """What knows the time of the bench."""

    @property
    def now_ns(self) -> int: ...


class Lag:
    """value(t) = target + (start - target) exp(-t / lag). Looking at it changes nothing."""

    def __init__(self, clock: Clock, lag_s: float, start: float = 0.0) -> None:
        self._clock = clock
        self.lag_s = lag_s
        self._start = self._target = start
        self._since_ns = clock.now_ns

    @property
    def target(self) -> float:
        """Where it is heading."""
        return self._target

    def aim(self, target: float) -> None:
        """Head for another target from now on."""
        if target != self._target:
            self._start = self.value()
            self._since_ns = self._clock.now_ns
            self._target = target

    def value(self) -> float:
        """The quantity at this moment."""
        left = math.exp(-(self._clock.now_ns - self._since_ns) * 1e-9 / self.lag_s)
        return self._target + (self._start - self._target) * left
