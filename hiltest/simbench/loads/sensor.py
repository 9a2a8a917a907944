"""A temperature sensor, its wires, and the divider and converter that read it.

The bead feels a temperature; the real part turns it into a resistance by its own curve; wires, leaks and
loose contacts change that; the divider and the converter turn it into counts. What the firmware makes of
the counts is the firmware's business (see heater_control.py), because it only assumes a curve.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from typing import Protocol

from hiltest.physics.thermistor import NtcBeta, Platinum, ResistiveSensor
from hiltest.simbench.loads.lag import Clock, Lag
from hiltest.simbench.tolerance import Draws

SELF_HEATING_K = 0.1
OVERSAMPLING = 4


class Spot(Protocol):
    """A place whose temperature a sensor feels."""

    def now_c(self) -> float: ...


class BoardSpot:
    """A place on the board: the room plus what the board's own losses add, behind a lag."""

    def __init__(self, clock: Clock, draws: Draws, ambient_c: float) -> None:
        self.ambient_c = ambient_c
        self.k_per_w = 1.0 * draws.factor(0.1)
        self._rise_k = Lag(clock, draws.uniform(50.0, 70.0))

    def set_watts(self, watts: float) -> None:
        """Tell how much heat the board makes from now on."""
        target = watts * self.k_per_w
        if abs(target - self._rise_k.target) > 1e-3:
            self._rise_k.aim(target)

    def now_c(self) -> float:
        """Temperature at this moment in degC."""
        return self.ambient_c + self._rise_k.value()


class MotorSpot:
    """The case of a motor: the room plus what its copper loss adds, behind a lag (first order, Newton's law of cooling).

    Parts: 80 K at the rated current of both phases is the class limit of common motors (common practice, no source);
    a case of this size takes a quarter of an hour (the same).
    """

    def __init__(self, clock: Clock, draws: Draws, ambient_c: float, rated_w: float) -> None:
        self.ambient_c = ambient_c
        self.k_per_w = 70.0 / rated_w * draws.factor(0.05)
        self._rise_k = Lag(clock, 900.0 * draws.factor(0.05))

    def set_watts(self, watts: float) -> None:
        """Tell how much heat the coils make from now on."""
        self._rise_k.aim(watts * self.k_per_w)

    def now_c(self) -> float:
        """Temperature at this moment in degC."""
        return self.ambient_c + self._rise_k.value()


class SensorElement:
    """The part at the end of two wires. `curve` is the real one, with the part's tolerances."""

    def __init__(self, name: str, curve: ResistiveSensor, spot: Spot) -> None:
        self.name = name
        self.curve = curve
        self.spot = spot
        self.series_ohm = 0.0
        self.leak_ohm = math.inf
        self.is_open = False
        self.shorted_ohm: float | None = None
        self.loose_hz = 0.0

    def ohm(self, extra_k: float = 0.0) -> float:
        """Resistance seen at the plug, with wires and leaks."""
        if self.is_open:
            own = math.inf
        elif self.shorted_ohm is not None:
            own = self.shorted_ohm
        else:
            own = self.curve.resistance_of(_within(self.spot.now_c() + extra_k)) + self.series_ohm
        if math.isinf(self.leak_ohm):
            return own
        return self.leak_ohm if math.isinf(own) else own * self.leak_ohm / (own + self.leak_ohm)


def _within(temperature_c: float) -> float:
    """Keep the curve's argument where its formula holds; a real part is burnt or frozen beyond."""
    return min(max(temperature_c, -60.0), 800.0)


class SensorInput:
    """One analogue input of the board: pull-up, converter, and the element that is plugged in.

    `disturbance` is the share of a full switching current that runs at this moment; it adds noise
    through the shared ground.
    """

    def __init__(
        self, element: SensorElement | None, rng: random.Random, draws: Draws, pull_up_ohm: float, bits: int
    ) -> None:
        self.element = element
        self.pull_up_ohm = pull_up_ohm * draws.factor(0.0033)
        self.full_scale = (1 << bits) - 1
        self.noise_counts = max(0.3, draws.normal(1.5, 0.3)) * 2 ** (bits - 12)
        self.switching_counts = draws.uniform(1.0, 3.0) * 2 ** (bits - 12)
        self.step_counts = 0.0
        self.offset_counts = 0.0
        self.frozen_code: float | None = None
        self.tied_to_supply = False
        self.disturbance: Callable[[], float] = lambda: 0.0
        self.vibration: Callable[[], float] = lambda: 0.0
        self._rng = rng

    def code(self) -> float:
        """Mean of OVERSAMPLING conversions, in counts from 0 to full scale."""
        if self.frozen_code is not None:
            return self.frozen_code
        share = self.disturbance()
        sigma = self.noise_counts
        if share > 0.0:
            sigma = math.hypot(sigma, self.switching_counts * share)
        level = self._level() + self.offset_counts + self.step_counts * share
        gauss, total = self._rng.gauss, 0
        for _ in range(OVERSAMPLING):
            sample = math.floor(level + gauss(0.0, sigma) + 0.5)
            total += min(max(sample, 0), self.full_scale)
        return total / OVERSAMPLING

    def _level(self) -> float:
        element = self.element
        if element is None or self.tied_to_supply:
            return self.full_scale
        ohm = element.ohm(SELF_HEATING_K)
        if math.isinf(ohm) or self._contact_lost(element):
            return self.full_scale
        return self.full_scale * ohm / (ohm + self.pull_up_ohm)

    def _contact_lost(self, element: SensorElement) -> bool:
        """A loose contact opens now and then, more often while things shake."""
        if element.loose_hz <= 0.0:
            return False
        chance = min(0.9, element.loose_hz * 0.1 * (1.0 + 4.0 * self.vibration()))
        return self._rng.random() < chance


def real_curve(
    kind: str, draws: Draws, *, r25_ohm: float | None, beta_k: float | None, r0_ohm: float | None
) -> ResistiveSensor:
    """The curve of a healthy part: 1 % parts, so 0.33 % standard deviation of R25 and of beta."""
    if kind == "platinum":
        return Platinum((r0_ohm or 1000.0) * draws.factor(0.0004))
    return NtcBeta((r25_ohm or 10_000.0) * draws.factor(0.0033), (beta_k or 3435.0) * draws.factor(0.0033))
