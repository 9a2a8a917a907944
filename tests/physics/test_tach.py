"""Fan tachometers: behaviour, edges, properties."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import tach


def uneven_edges(rpm: float, turns: int, shares: tuple[float, ...]) -> list[float]:
    """Edges of a fan whose turn is divided in these shares."""
    marks = np.concatenate([[0.0], np.cumsum(shares)])[:-1]
    stamps = [(turn + mark) * 60.0 / rpm for turn in range(turns) for mark in marks]
    return [*stamps, turns * 60.0 / rpm]


@given(st.floats(60.0, 20_000.0), st.integers(1, 20), st.floats(0.3, 0.7))
@settings(deadline=None)
def test_unequal_magnets_do_not_change_the_speed(rpm: float, turns: int, share: float) -> None:
    """Whole turns only; the unevenness is reported."""
    reading = tach.rpm_from_edges(uneven_edges(rpm, turns, (share, 1.0 - share)))
    assert reading.rpm == pytest.approx(rpm, rel=1e-9)
    assert reading.revolutions == turns
    assert reading.unevenness == pytest.approx(abs(2.0 * share - 1.0), abs=1e-6)
    assert reading.spread_rpm == pytest.approx(0.0, abs=1e-4 * rpm)


def test_a_broken_last_turn_is_left_out() -> None:
    """Edges after the last whole turn don't count."""
    stamps = [*uneven_edges(1500.0, 3, (0.45, 0.55)), 0.13]
    assert tach.rpm_from_edges(stamps).rpm == pytest.approx(1500.0)


def test_spread_between_turns_shows_a_fan_that_speeds_up() -> None:
    """Standard deviation of the turns' speeds."""
    stamps = np.concatenate([[0.0], np.cumsum([0.020, 0.020, 0.015, 0.015, 0.010, 0.010])])
    reading = tach.rpm_from_edges(stamps)
    assert reading.spread_rpm == pytest.approx(np.std([1500.0, 2000.0, 3000.0], ddof=1))


@given(st.floats(0.0, 1000.0), st.integers(1, 6))
@settings(deadline=None)
def test_frequency_and_speed_invert_each_other(frequency_hz: float, pulses: int) -> None:
    """rpm to frequency and back."""
    rpm = tach.rpm_from_frequency(frequency_hz, pulses)
    assert tach.tach_frequency_hz(rpm, pulses) == pytest.approx(frequency_hz, abs=1e-9)


@given(st.floats(300.0, 10_000.0), st.floats(0.1, 5.0), st.floats(0.0, 1.0))
@settings(deadline=None)
def test_truth_lies_within_the_resolution_of_a_count(rpm: float, gate_s: float, phase: float) -> None:
    """Whatever the phase of the gate."""
    pulses = rpm * 2.0 / 60.0 * gate_s
    counts = math.floor(pulses + phase) - math.floor(phase)
    reading = tach.rpm_from_counts(counts, gate_s)
    assert abs(reading.rpm - rpm) <= reading.resolution_rpm * (1 + 1e-9)


@given(st.sampled_from(tach.CLEAN_RATIOS), st.floats(-0.05, 0.05))
@settings(deadline=None)
def test_every_clean_ratio_is_found_within_a_healthy_fan_s_scatter(ratio: Fraction, off: float) -> None:
    """Five percent off still names the right ratio."""
    assert tach.clean_ratio(3000.0 * float(ratio) * (1.0 + off), 3000.0) == ratio


@pytest.mark.parametrize("measured", [3000.0 * 1.22, 3000.0 * 0.8, 3000.0 * 2.4])
def test_a_ratio_that_is_not_clean_is_none(measured: float) -> None:
    """A slow bearing or a wrong supply is no pulse number."""
    assert tach.clean_ratio(measured, 3000.0) is None


def test_a_healthy_fan_is_ratio_one() -> None:
    """Ten percent fast or slow is still the right pulse number."""
    assert tach.clean_ratio(3290.0, 3000.0) == 1
    assert tach.clean_ratio(2710.0, 3000.0) == 1


@pytest.mark.parametrize(
    ("ratio", "pulses"),
    [(Fraction(1), 2), (Fraction(2), 4), (Fraction(1, 2), 1), (Fraction(3), 6), (Fraction(1, 3), None)],
)
def test_the_pulse_number_that_explains_a_ratio(ratio: Fraction, pulses: int | None) -> None:
    """None if it would not be whole."""
    assert tach.true_pulses_per_revolution(ratio, 2) == pulses


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: tach.rpm_from_frequency(-1.0), "frequency_hz=-1.0"),
        (lambda: tach.rpm_from_frequency(math.nan), "frequency_hz=nan"),
        (lambda: tach.rpm_from_frequency(10.0, 0), "pulses_per_revolution=0"),
        (lambda: tach.rpm_from_counts(-1, 1.0), "counts=-1"),
        (lambda: tach.rpm_from_counts(1, 0.0), "gate_s=0.0"),
        (lambda: tach.rpm_from_edges([0.0, 0.1]), "stamps_s="),
        (lambda: tach.rpm_from_edges([0.0, 0.2, 0.1]), "stamps_s="),
        (lambda: tach.clean_ratio(0.0, 3000.0), "measured_rpm=0.0"),
        (lambda: tach.clean_ratio(1.0, 3000.0, 0.5), "tolerance=0.5"),
        (lambda: tach.clean_ratio(1.0, 3000.0, candidates=()), "candidates="),
        (lambda: tach.true_pulses_per_revolution(Fraction(0)), "ratio="),
        (lambda: tach.minimum_speed_limit_rpm(0.0), "maximum_rpm=0.0"),
        (lambda: tach.pwm_accepted(-25e3), "frequency_hz=-25000.0"),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)
