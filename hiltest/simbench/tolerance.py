"""How healthy boards differ: random draws by seed, and the random streams they come from.

Each part draws from its own stream, named after the part, so that adding one part never changes
another. With tolerances off every draw is its nominal value.
"""

from __future__ import annotations

import math
import random


class Streams:
    """Independent random streams by name, all fixed by one seed."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._streams: dict[str, random.Random] = {}

    def get(self, name: str) -> random.Random:
        """The stream of that name; the same object each time it is asked for."""
        stream = self._streams.get(name)
        if stream is None:
            # Seeding by text hashes it with SHA-512, so streams of near names are unrelated.
            stream = self._streams[name] = random.Random(f"hiltest/{self.seed}/{name}")
        return stream


class Draws:
    """Draws of one healthy part. Normal draws are cut at three standard deviations, as sorted parts are."""

    def __init__(self, rng: random.Random, on: bool = True) -> None:
        self._rng = rng
        self._on = on

    def normal(self, mean: float, deviation: float) -> float:
        """N(mean, deviation) within three deviations; `mean` when tolerances are off."""
        if not self._on:
            return mean
        while True:
            value = self._rng.gauss(0.0, 1.0)
            if abs(value) <= 3.0:
                return mean + deviation * value

    def factor(self, deviation: float) -> float:
        """A factor around 1 with the relative standard deviation `deviation`."""
        return self.normal(1.0, deviation)

    def skewed_factor(self, below: float, above: float) -> float:
        """A factor around 1 that lies up to `below` under it and up to `above` over it: two halves of normal
        distributions, each cut at its three deviations and chosen by its width, so that the density has no step at 1.
        """
        if not self._on:
            return 1.0
        reach = -below if self._rng.random() * (below + above) < below else above
        while True:
            value = abs(self._rng.gauss(0.0, 1.0))
            if value <= 3.0:
                return 1.0 + reach * value / 3.0

    def uniform(self, low: float, high: float) -> float:
        """Between `low` and `high`; the middle when tolerances are off."""
        return self._rng.uniform(low, high) if self._on else 0.5 * (low + high)

    def log_normal(self, median: float, sigma: float, most: float) -> float:
        """Median times exp(N(0, sigma)), at most `most`; `median` when tolerances are off."""
        if not self._on:
            return median
        return min(most, median * math.exp(sigma * self._rng.gauss(0.0, 1.0)))

    def whole(self, low: int, high: int) -> int:
        """A whole number from `low` to `high`; `low` when tolerances are off."""
        return self._rng.randint(low, high) if self._on else low
