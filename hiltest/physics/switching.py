"""What loads that are switched do to a CAN pair beside their wires: how high, how often, how many bits misread.

`coupled_noise_v` says how high one edge stands in the pair. Here is what makes the edges (heater, fan and stepper
outputs), for which share of time a pulse of theirs stands in the pair, and with what probability a receiver that
samples at such a moment takes the bit for the other kind.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final, NamedTuple

from hiltest.physics._arguments import not_negative, positive
from hiltest.physics.edges import coupled_noise_v
from hiltest.physics.line import misread_probability

TWISTS_PER_M: Final = 40.0
"""Of a signal pair for which nothing is stated. Common practice, no source."""

PULSE_SPREAD: Final = 0.25
"""Standard deviation of a pulse's height as a share of its mean: the wires' lay in the bundle and the steepness of
the edges vary. Common practice, no source.
"""

HEATER_EDGE_S: Final = 200e-9
HEATER_PWM_HZ: Final = 10.0
"""A power transistor that switches a heater slowly, for it is warm for seconds. Common practice, no source."""

STEPPER_EDGE_S: Final = 50e-9
STEPPER_CHOPPER_HZ: Final = 30e3
"""A chopping driver holds the current of each of its two phases, also at rest. Common practice, no source."""

FAN_EDGE_S: Final = 100e-9
FAN_PWM_HZ: Final = 25e3
"""Target frequency of the control input. Source: Intel, 4-Wire PWM Controlled Fans Specification rev 1.3 (2005);
the edge is common practice, no source.
"""

FAN_CONTROL_V: Final = 5.0
FAN_CONTROL_A: Final = 0.005
"""The control wire of a fan with four wires. Source: as above: pulled up to at most 5.25 V, at most 5 mA."""


class Switching(NamedTuple):
    """One output that switches: steps of `step_v` and `step_a` that take `edge_s`, `edges_per_s` of them."""

    step_v: float
    step_a: float
    edge_s: float
    edges_per_s: float


class Pulses(NamedTuple):
    """What one output's edges are in the pair: mean height of a pulse, and the share of time in which one stands."""

    peak_v: float
    share: float


def heater_switching(supply_v: float, current_a: float) -> Switching:
    """A heater between off and on, in pulses: the current steps with the voltage, for it is a resistor.

    Raises UsageError for negative values. Source: two edges a period; constants above.
    """
    step_v, step_a = not_negative("supply_v", supply_v), not_negative("current_a", current_a)
    return Switching(step_v, step_a, HEATER_EDGE_S, 2.0 * HEATER_PWM_HZ)


def stepper_switching(supply_v: float) -> Switching:
    """The two phases of a stepper under current: the voltage steps, the coils keep the current from stepping.

    Raises UsageError for a negative voltage. Source: two edges a period and phase; constants above.
    """
    return Switching(not_negative("supply_v", supply_v), 0.0, STEPPER_EDGE_S, 4.0 * STEPPER_CHOPPER_HZ)


def fan_switching(step_v: float, current_a: float) -> Switching:
    """A fan between standstill and full speed: its supply is switched, or its control wire (then give that one's).

    Raises UsageError for negative values. Source: two edges a period; constants above.
    """
    step_v, step_a = not_negative("step_v", step_v), not_negative("current_a", current_a)
    return Switching(step_v, step_a, FAN_EDGE_S, 2.0 * FAN_PWM_HZ)


def pulses_in_pair(
    source: Switching, *, beside_m: float, distance_m: float, twists_per_m: float, line_ohm: float = 60.0
) -> Pulses:
    """What the edges of `source` are in a pair `distance_m` away (centre to centre) over `beside_m`.

    A pulse stands as long as its edge. `line_ohm` is the resistance across the pair. Raises UsageError for values
    that are not physical. Source: `coupled_noise_v`, an estimate right to a factor of three at best.
    """
    edge_s = positive("edge_s", source.edge_s)
    peak_v = coupled_noise_v(
        edge_v_per_s=source.step_v / edge_s,
        edge_a_per_s=source.step_a / edge_s,
        shared_length_m=beside_m,
        distance_m=distance_m,
        twists_per_m=twists_per_m,
        line_ohm=line_ohm,
    )
    return Pulses(peak_v, min(1.0, source.edges_per_s * edge_s))


def pulsed_misread_probability(
    level_v: float,
    noise_sigma_v: float,
    pulses: Iterable[Pulses],
    *,
    dominant: bool,
    threshold_v: float = 0.7,
) -> float:
    """Probability that a receiver takes a bit for the other kind, with pulses in the pair beside the steady noise.

    The sample falls into a pulse with the probability of its share of time, for nothing binds the bits to the load's
    edges; it stands up or down with equal odds and is of Gaussian height (`PULSE_SPREAD`). Pulses of two outputs at
    once are left out. The other arguments, errors and source as `misread_probability`.
    """
    chance = misread_probability(level_v, noise_sigma_v, dominant=dominant, threshold_v=threshold_v)
    found = chance
    for peak_v, share in pulses:
        sigma_v = math.hypot(noise_sigma_v, PULSE_SPREAD * peak_v)
        up, down = (
            misread_probability(level_v + sign * peak_v, sigma_v, dominant=dominant, threshold_v=threshold_v)
            for sign in (1.0, -1.0)
        )
        found += share * (0.5 * (up + down) - chance)
    return min(1.0, max(0.0, found))
