"""Fan tachometers against Intel's 4-wire fan specification and worked values."""

from __future__ import annotations

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
