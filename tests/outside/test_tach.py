"""Fan tachometers against Intel's 4-wire fan specification and worked values."""

from __future__ import annotations

import math
import statistics

import pytest

from hiltest.physics import tach


@pytest.mark.parametrize(
    ("frequency_hz", "rpm"), [(40.0, 1200), (50.0, 1500), (200 / 3, 2000), (100.0, 3000), (500 / 3, 5000)]
)
def test_two_pulses_a_turn_give_the_worked_speeds(frequency_hz: float, rpm: float) -> None:
    """Intel 4-wire fan specification 1.3, p. 9: two pulses per revolution, so rpm = 60·f/2."""
    assert tach.rpm_from_frequency(frequency_hz) == pytest.approx(rpm, rel=1e-12)


@pytest.mark.parametrize(("rpm", "period_s"), [(500, 0.060), (1500, 0.020), (3000, 0.010), (5000, 0.006)])
def test_pulse_periods_at_worked_speeds(rpm: float, period_s: float) -> None:
    """Intel 4-wire fan specification 1.3, p. 9: two pulses per revolution."""
    assert 1.0 / tach.tach_frequency_hz(rpm) == pytest.approx(period_s, rel=1e-12)


def test_counting_for_a_second_resolves_thirty_rpm() -> None:
    """Counter arithmetic with two pulses per revolution: ±1 count in 1 s is ±30 rpm."""
    assert tach.rpm_from_counts(100, 1.0) == tach.CountReading(3000.0, 30.0)


def test_timing_a_period_by_a_microsecond_clock_resolves_a_third_of_an_rpm() -> None:
    """Counter arithmetic: 1 us in 10 ms at 3000 rpm is 0.3 rpm."""
    assert tach.period_resolution_rpm(3000.0, 1e-6) == pytest.approx(0.3, rel=1e-12)


@pytest.mark.parametrize(
    ("frequency_hz", "accepted"), [(20e3, False), (21e3, True), (25e3, True), (28e3, True), (30e3, False)]
)
def test_pwm_frequency_window(frequency_hz: float, accepted: bool) -> None:
    """Intel 4-wire fan specification 1.3, p. 9: target 25 kHz, acceptable 21 to 28 kHz."""
    assert tach.pwm_accepted(frequency_hz) is accepted


def test_minimum_speed_must_be_thirty_percent_or_less() -> None:
    """Intel 4-wire fan specification 1.3, p. 13: minimum rpm is 30 % of maximum or less."""
    assert tach.minimum_speed_limit_rpm(3000.0) == pytest.approx(900.0)


def test_unequal_magnets_do_not_change_the_speed() -> None:
    """Two pulses per revolution (Intel, p. 9), worked by hand: 20 ms a turn are 3000 rpm, however they are shared.

    9 ms and 11 ms would read 3333 and 2727 rpm one by one; each is a tenth off its half of the turn.
    """
    found = tach.rpm_from_edges([0.000, 0.009, 0.020, 0.029, 0.040, 0.049])
    assert (found.rpm, found.revolutions) == (pytest.approx(3000.0, rel=1e-12), 2)
    assert found.spread_rpm == pytest.approx(0.0, abs=1e-9)
    assert found.unevenness == pytest.approx(0.1, rel=1e-9)


def test_a_fan_that_slows_down_reads_its_mean_speed() -> None:
    """Kinematics worked by hand: from 50 turns/s at -5 turns/s², turn n ends at t = 10 - sqrt(100 - 2n/5)."""
    ends_s = [10.0 - math.sqrt(100.0 - 2.0 * half / 2.0 / 5.0) for half in range(401)]
    turns_s = [later - earlier for earlier, later in zip(ends_s[:-2:2], ends_s[2::2], strict=True)]
    found = tach.rpm_from_edges(ends_s)

    assert found.revolutions == 200
    assert found.rpm == pytest.approx(60.0 * 200 / ends_s[-1], rel=1e-12)
    assert found.spread_rpm == pytest.approx(statistics.stdev(60.0 / each for each in turns_s), rel=1e-9)
    start_rpm, end_rpm = 60.0 * 50.0, 60.0 * (50.0 - 5.0 * ends_s[-1])
    assert found.rpm == pytest.approx((start_rpm + end_rpm) / 2.0, rel=1e-9)
