"""Fan speed from a tachometer: from frequency, edges, counts; and what a wrong pulse number looks like."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

import numpy as np
import numpy.typing as npt

from hiltest.physics._arguments import between, not_negative, positive, refuse, series, whole

PWM_TARGET_HZ: Final = 25_000.0
PWM_ACCEPTED_HZ: Final = (21_000.0, 28_000.0)
"""Frequencies a 4-wire fan must accept. Source: Intel, 4-Wire PWM Controlled Fans Specification 1.3, p. 9."""

PULSES_PER_REVOLUTION: Final = 2
"""Usual tachometer. Source: Intel, 4-Wire PWM Controlled Fans Specification 1.3, p. 9."""


def rpm_from_frequency(frequency_hz: float, pulses_per_revolution: int = PULSES_PER_REVOLUTION) -> float:
    """Speed in rpm from the tachometer's frequency, 60·f/pulses.

    Raises UsageError for a negative frequency or fewer than 1 pulse. Source: definition.
    """
    if not 0.0 <= frequency_hz < math.inf:
        raise refuse("frequency_hz", frequency_hz, "a finite number, 0 or more")
    return 60.0 * frequency_hz / whole("pulses_per_revolution", pulses_per_revolution, 1)


def tach_frequency_hz(speed_rpm: float, pulses_per_revolution: int = PULSES_PER_REVOLUTION) -> float:
    """Tachometer frequency in Hz at a speed; inverse of `rpm_from_frequency`, same errors."""
    return (
        not_negative("speed_rpm", speed_rpm) * whole("pulses_per_revolution", pulses_per_revolution, 1) / 60.0
    )


@dataclass(frozen=True, slots=True)
class CountReading:
    """Speed from pulses counted in a gate: the truth lies within ± `resolution_rpm`."""

    rpm: float
    resolution_rpm: float


def rpm_from_counts(
    counts: int, gate_s: float, pulses_per_revolution: int = PULSES_PER_REVOLUTION
) -> CountReading:
    """Speed and its resolution from `counts` pulses in a gate: one count more or less is 60/(pulses·gate).

    Raises UsageError for negative counts or a gate that is not positive. Source: definition; the
    ±1 count of any counter with a free-running gate.
    """
    per_count = 60.0 / (whole("pulses_per_revolution", pulses_per_revolution, 1) * positive("gate_s", gate_s))
    return CountReading(whole("counts", counts, 0) * per_count, per_count)


def period_resolution_rpm(
    speed_rpm: float, clock_s: float, pulses_per_revolution: int = PULSES_PER_REVOLUTION
) -> float:
    """Resolution in rpm when one pulse period is timed with a clock of `clock_s`: n²·pulses·clock/60.

    Raises UsageError for values that are not positive. Source: derivative of 60/(pulses·period).
    """
    pulses = whole("pulses_per_revolution", pulses_per_revolution, 1)
    return positive("speed_rpm", speed_rpm) ** 2 * pulses * positive("clock_s", clock_s) / 60.0


@dataclass(frozen=True, slots=True)
class EdgeReading:
    """Speed from time-stamped edges.

    `rpm` over all whole revolutions, `revolutions` how many, `spread_rpm` the standard deviation
    between revolutions (0 with one), `unevenness` the largest deviation of one edge interval from
    an equal share of its turn, as a fraction: about 0.05 in a healthy fan.
    """

    rpm: float
    revolutions: int
    spread_rpm: float
    unevenness: float


def rpm_from_edges(stamps_s: npt.ArrayLike, edges_per_revolution: int = PULSES_PER_REVOLUTION) -> EdgeReading:
    """Speed from the times of edges (one dimension, ascending), of which a turn has `edges_per_revolution`.

    Count rising edges only, or both (then twice the pulses). Magnets are not equally spaced, so only
    whole turns are used: the time between edges of the same magnet. Raises UsageError for fewer edges
    than one turn needs (edges + 1), or times that do not ascend. Source: definition.
    """
    edges = whole("edges_per_revolution", edges_per_revolution, 1)
    stamps = series("stamps_s", stamps_s, at_least=edges + 1)
    intervals = np.diff(stamps)
    if not (intervals > 0.0).all():
        raise refuse("stamps_s", "<not ascending>", "times that ascend", "sort the stamps and drop doubles")
    turns = (stamps.size - 1) // edges
    marks = stamps[: turns * edges + 1 : edges]
    turn_s = np.diff(marks)
    shares = intervals[: turns * edges].reshape(turns, edges) / turn_s[:, None] * edges
    speeds = 60.0 / turn_s
    return EdgeReading(
        60.0 * turns / float(marks[-1] - marks[0]),
        turns,
        float(speeds.std(ddof=1)) if turns > 1 else 0.0,
        float(np.abs(shares - 1.0).max()),
    )


CLEAN_RATIOS: Final = (
    Fraction(1),
    Fraction(2),
    Fraction(1, 2),
    Fraction(3),
    Fraction(1, 3),
    Fraction(3, 2),
    Fraction(2, 3),
    Fraction(4),
    Fraction(1, 4),
    Fraction(6),
    Fraction(1, 6),
)
"""Ratios that fans of 1, 2, 3, 4 and 6 pulses per turn give against each other (common practice, no source)."""


def clean_ratio(
    measured_rpm: float,
    nominal_rpm: float,
    tolerance: float = 0.12,
    candidates: Sequence[Fraction] = CLEAN_RATIOS,
) -> Fraction | None:
    """The simple ratio that `measured_rpm`/`nominal_rpm` is, or None if it is none of them.

    Fans differ by some percent, so the nearest candidate (by logarithm) within `tolerance` (a fraction
    of it) is taken; of two equally near the simpler one. 1 says the pulse number is right; 2 that the
    fan gives twice the pulses; None that something else is wrong (bearing, supply, noise).
    Raises UsageError for speeds that are not positive or a tolerance outside 0..0.2.
    Source: common practice, no source.
    """
    between("tolerance", tolerance, 0.0, 0.2, "over 0.2 the ratios run into each other")
    ratio = positive("measured_rpm", measured_rpm) / positive("nominal_rpm", nominal_rpm)
    if not candidates or min(candidates) <= 0:
        raise refuse("candidates", candidates, "at least one ratio, all above 0")
    simple_first = sorted(candidates, key=lambda c: c.numerator + c.denominator)
    nearest = min(simple_first, key=lambda c: abs(math.log(ratio / c)))
    return nearest if abs(ratio / float(nearest) - 1.0) <= tolerance else None


def true_pulses_per_revolution(ratio: Fraction, assumed: int = PULSES_PER_REVOLUTION) -> int | None:
    """Pulse number that explains a clean `ratio` of speeds when `assumed` was set; None if not whole.

    Raises UsageError for a ratio that is not positive or fewer than 1 pulse. Source: definition.
    """
    if ratio <= 0:
        raise refuse("ratio", ratio, "a fraction above 0")
    pulses = ratio * whole("assumed", assumed, 1)
    return int(pulses) if pulses.denominator == 1 else None


def pwm_accepted(frequency_hz: float) -> bool:
    """Does a 4-wire fan have to accept this PWM frequency in Hz (21 to 28 kHz)? Raises UsageError if not positive.

    Source: Intel, 4-Wire PWM Controlled Fans Specification 1.3, p. 9.
    """
    low, high = PWM_ACCEPTED_HZ
    return low <= positive("frequency_hz", frequency_hz) <= high


def minimum_speed_limit_rpm(maximum_rpm: float) -> float:
    """Highest speed in rpm that a fan's minimum may be: 30 % of its maximum. Raises UsageError if not positive.

    Source: Intel, 4-Wire PWM Controlled Fans Specification 1.3, p. 13.
    """
    return 0.3 * positive("maximum_rpm", maximum_rpm)
