"""Bursts of noise on a line: when they come, how long they last, how strong they are."""

from __future__ import annotations

from collections import deque
from random import Random
from typing import Final

from hiltest.clock import to_ns
from hiltest.errors import UsageError
from hiltest.simbench.walk import Noise

FAR_NS: Final = 1 << 62
"""Later than any bench runs."""


class NoiseSource:
    """Bursts at random times (a Poisson process), each of the same length and strength.

    `next_ns` is when the next burst starts, or the present one has started.
    """

    def __init__(self, rng: Random) -> None:
        self._rng = rng
        self._rate_per_s = 0.0
        self._length_ns, self._noise_v = 0, 0.0
        self._bursts: deque[int] = deque()
        self.next_ns = FAR_NS

    def set(self, rate_per_s: float, length_s: float, noise_v: float, now_ns: int) -> None:
        """Begin with bursts from now on; a rate of 0 ends them. Raises UsageError for negative values."""
        if rate_per_s < 0 or noise_v < 0:
            raise UsageError(f"rate_per_s={rate_per_s!r}, noise_v={noise_v!r} must be 0 or more")
        self._rate_per_s, self._length_ns, self._noise_v = rate_per_s, to_ns(length_s, "length_s"), noise_v
        self._bursts.clear()
        self._extend(now_ns)
        self._note()

    def window(self, from_ns: int, to_ns: int) -> list[Noise]:
        """The bursts in a stretch of time, counted from its start."""
        while self._bursts and self._bursts[-1] < to_ns:
            self._extend(self._bursts[-1] + self._length_ns)
        length = self._length_ns
        return [
            Noise(float(start - from_ns), float(start + length - from_ns), self._noise_v)
            for start in self._bursts
            if start + length > from_ns and start < to_ns
        ]

    def pass_by(self, now_ns: int) -> None:
        """Forget the bursts that are over."""
        while self._bursts and self._bursts[0] + self._length_ns <= now_ns:
            last = self._bursts.popleft()
            if not self._bursts:
                self._extend(last + self._length_ns)
        self._note()

    def _extend(self, from_ns: int) -> None:
        if self._rate_per_s > 0.0 and self._length_ns > 0 and self._noise_v > 0.0:
            self._bursts.append(from_ns + 1 + int(self._rng.expovariate(self._rate_per_s) * 1e9))

    def _note(self) -> None:
        self.next_ns = self._bursts[0] if self._bursts else FAR_NS
