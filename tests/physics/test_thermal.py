"""Heat in a block: behaviour, edges, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import thermal
from hiltest.physics.fitting import fit_curve


@given(st.floats(-50.0, 300.0), st.floats(-50.0, 300.0), st.floats(0.01, 100.0), st.floats(0.1, 500.0))
@settings(deadline=None)
def test_two_half_steps_of_a_lag_are_one_whole_step(
    value: float, target: float, elapsed: float, tau: float
) -> None:
    """Exact for any step size, so the pace of a simulation does not change its answer."""
    half = thermal.first_order(thermal.first_order(value, target, elapsed / 2, tau), target, elapsed / 2, tau)
    assert thermal.first_order(value, target, elapsed, tau) == pytest.approx(half, abs=1e-9)


def test_a_lag_of_nothing_follows_at_once() -> None:
    """tau 0 is a wire."""
    assert thermal.first_order(20.0, 80.0, 0.0, 0.0) == 80.0


def test_nothing_arrives_before_the_dead_time() -> None:
    """Zero up to its end, as numbers and as an array."""
    assert thermal.step_fraction(5.9, 40.0, 6.0) == 0.0
    arrived = thermal.step_fraction(np.array([[0.0, 6.0], [46.0, 1e6]]), 40.0, 6.0)
    assert arrived.shape == (2, 2)
    assert arrived.ravel() == pytest.approx([0.0, 0.0, 1 - math.exp(-1), 1.0])


@given(st.floats(0.0, 0.999), st.floats(0.1, 500.0), st.floats(0.0, 60.0))
@settings(deadline=None)
def test_time_to_a_fraction_inverts_the_step(fraction: float, tau: float, dead: float) -> None:
    """Fraction of the time of a fraction."""
    time_s = thermal.step_time_s(fraction, tau, dead)
    assert thermal.step_fraction(time_s, tau, dead) == pytest.approx(fraction, abs=1e-9)


@given(st.floats(0.5, 60.0), st.floats(0.0, 20.0), st.sampled_from([0.1, 0.5, 1.0]))
@settings(deadline=None, max_examples=50)
def test_simulated_step_is_the_formula_at_any_dead_time(tau: float, dead: float, period: float) -> None:
    """A dead time between two samples is split exactly."""
    curve = thermal.simulate(
        np.full(80, 40.0), period, gain_k_per_w=5.0, tau_s=tau, dead_time_s=dead, ambient_c=20.0
    )
    times = period * np.arange(1, 81)
    assert curve == pytest.approx(20.0 + 200.0 * thermal.step_fraction(times, tau, dead), abs=1e-8)


def test_simulation_without_power_cools_to_ambient() -> None:
    """From a warm start along the exponential."""
    curve = thermal.simulate(np.zeros(40), 1.0, gain_k_per_w=5.0, tau_s=40.0, ambient_c=25.0, start_c=95.0)
    assert curve[-1] == pytest.approx(thermal.cooling_c(40.0, 25.0, 95.0, 40.0))


@given(st.floats(5.0, 80.0), st.floats(0.0, 15.0), st.floats(5.0, 150.0), st.integers(0, 10_000))
@settings(deadline=None, max_examples=25)
def test_identified_step_is_the_one_that_was_made(tau: float, dead: float, rise: float, seed: int) -> None:
    """With noise each value lies within six of its own standard errors (and a little)."""
    t = np.arange(0.0, dead + 4.0 * tau, 0.01 * tau)
    noise = np.random.default_rng(seed).normal(0.0, 0.1, t.size)
    fit = thermal.fit_step(t, 25.0 + rise * thermal.step_fraction(t, tau, dead) + noise)
    assert fit.tau_s == pytest.approx(tau, abs=6 * fit.tau_error_s + 1e-6)
    assert fit.rise_k == pytest.approx(rise, abs=6 * fit.rise_error_k + 1e-6)
    # Before the first sample there is no information about a dead time near zero.
    assert fit.dead_time_s == pytest.approx(dead, abs=6 * fit.dead_time_error_s + 0.01 * tau)
    assert fit.residual_k == pytest.approx(0.1, rel=0.25)


def test_a_step_without_dead_time_is_identified_and_says_how_well() -> None:
    """No dead time to be told from 0: the error is one interval or noise over slope, whichever is larger."""
    t = np.arange(0.0, 20.0, 0.05)
    noise = np.random.default_rng(8).normal(0.0, 0.1, t.size)
    fit = thermal.fit_step(t, 25.0 + 5.0 * thermal.step_fraction(t, 5.0) + noise)
    assert fit.dead_time_s == 0.0
    assert fit.tau_s == pytest.approx(5.0, abs=4 * fit.tau_error_s)
    assert fit.dead_time_error_s == pytest.approx(0.1, rel=0.25)  # 0.1 K over 1 K/s


def test_identified_errors_are_what_repeated_runs_scatter() -> None:
    """The stated standard error of tau is the standard deviation over 60 noisy runs."""
    t = np.arange(0.0, 160.0, 0.5)
    clean = 25.0 + 50.0 * thermal.step_fraction(t, 40.0, 6.0)
    fits = [
        thermal.fit_step(t, clean + np.random.default_rng(seed).normal(0.0, 0.2, t.size))
        for seed in range(60)
    ]
    scatter = np.std([fit.tau_s for fit in fits], ddof=1)
    assert np.median([fit.tau_error_s for fit in fits]) == pytest.approx(scatter, rel=0.35)


def test_a_record_with_nothing_in_it_is_no_fit() -> None:
    """A flat line, or noise around one, is refused or told by its errors."""
    t = np.arange(60.0)
    with pytest.raises(thermal.NoFit):
        thermal.fit_step(t, np.full(60, 25.0))
    with pytest.raises(thermal.NoFit):
        thermal.fit_cooling(t, np.full(60, 25.0))


def test_a_straight_climb_does_not_reveal_its_time_constant() -> None:
    """Too short a record: refused, or an error as large as the value."""
    t = np.arange(0.0, 20.0, 0.5)
    y = 25.0 + 0.9 * t + np.random.default_rng(1).normal(0.0, 0.05, t.size)
    try:
        fit = thermal.fit_step(t, y)
    except thermal.NoFit:
        return
    assert fit.tau_error_s > 0.3 * fit.tau_s


def test_cooling_curve_that_grows_is_no_cooling() -> None:
    """It bends away from any rest temperature."""
    t = np.arange(60.0)
    with pytest.raises(thermal.NoFit):
        thermal.fit_cooling(t, 25.0 + np.exp(t / 30.0))


def test_cooling_with_a_known_ambient_needs_less_record() -> None:
    """A quarter of a time constant is enough then; an ambient the record crossed is refused."""
    t = np.arange(0.0, 40.0, 0.5)
    y = 25.0 + 30.0 * np.exp(-t / 160.0) + np.random.default_rng(3).normal(0.0, 0.05, t.size)
    fit = thermal.fit_cooling(t, y, ambient_c=25.0)
    assert fit.tau_s == pytest.approx(160.0, rel=0.02)
    assert fit.ambient_error_k == 0.0
    with pytest.raises(UsageError, match="ambient_c="):
        thermal.fit_cooling(t, y, ambient_c=50.0)


def test_two_point_method_reads_a_record() -> None:
    """Interpolated crossings give the plant back."""
    t = np.arange(0.0, 300.0, 1.0)
    y = 25.0 + 50.0 * thermal.step_fraction(t, 40.0, 6.0)
    result = thermal.two_point_from_curve(t, y, 75.0)
    assert (result.tau_s, result.dead_time_s) == pytest.approx((40.0, 6.0), abs=0.02)
    with pytest.raises(UsageError, match="record longer"):
        thermal.two_point_from_curve(t, y, 200.0)


def test_crossings_work_downwards_too() -> None:
    """A cooling record crosses its levels from above; the first sample may already be there."""
    t, y = np.array([0.0, 1.0, 2.0]), np.array([90.0, 70.0, 50.0])
    assert thermal.crossing_s(t, y, 60.0) == pytest.approx(1.5)
    assert thermal.crossing_s(t, y, 90.0) == 0.0


@given(st.floats(1.0, 120.0), st.floats(5.0, 60.0), st.just(0.0) | st.floats(1e-6, 1.0))
@settings(deadline=None)
def test_time_to_a_rise_agrees_with_the_heat_balance(power: float, capacity: float, loss: float) -> None:
    """Integrating C·T' = P − k·T for that time gives the rise."""
    rise = 10.0
    time_s = thermal.time_to_rise_s(rise, power, capacity, loss)
    if loss * rise >= power:
        assert time_s == math.inf
    elif loss > 0.0:
        assert power / loss * -math.expm1(-time_s * loss / capacity) == pytest.approx(rise, rel=1e-6)
    else:
        assert power * time_s / capacity == pytest.approx(rise)


def test_a_loss_too_small_to_count_does_not_upset_the_balance() -> None:
    """A denormal loss is no loss, not an infinite time."""
    assert thermal.time_to_rise_s(10.0, 1.0, 5.0, 1e-310) == pytest.approx(50.0)


def test_dead_time_adds_to_the_time_to_a_rise() -> None:
    """Nothing happens first."""
    assert thermal.time_to_rise_s(10.0, 40.0, 20.0, dead_time_s=1.5) == pytest.approx(6.5)


@given(
    st.floats(1.0, 40.0),
    st.floats(5.0, 60.0),
    st.floats(5.0, 100.0),
    st.floats(1.0, 6.0),
    st.floats(0.0, 1.0),
)
@settings(deadline=None)
def test_a_safe_pulse_never_exceeds_its_rise(
    max_rise: float, capacity: float, power: float, factor: float, share: float
) -> None:
    """Whatever the element makes up to the factor, on a block at least that heavy, without any loss."""
    pulse = thermal.safe_pulse(max_rise, capacity, power, factor)
    actual_w = power * (share * factor)
    assert actual_w * pulse.duration_s / capacity <= max_rise * (1 + 1e-12)
    assert pulse.energy_j == pytest.approx(power * pulse.duration_s)


def test_two_seconds_of_forty_watts_are_a_bounded_pulse() -> None:
    """20 J/K, 16 K allowed, wrong element of four times the power: 80 J in 2 s."""
    pulse = thermal.safe_pulse(16.0, 20.0, 40.0)
    assert (pulse.energy_j, pulse.duration_s) == pytest.approx((80.0, 2.0))


def _sensor_curve(power: float, pulse_s: float, capacity: float, loss: float, lag: float) -> np.ndarray:
    """Block and sensor integrated in small steps, apart from the closed form."""
    period, block, sensor, shown = 0.005, 0.0, 0.0, []
    for index in range(int(80.0 / period)):
        heating = power if index * period < pulse_s else 0.0
        block = thermal.first_order(block, heating / loss, period, capacity / loss)
        sensor = thermal.first_order(sensor, block, period, lag)
        shown.append(sensor)
    return np.array(shown)


@pytest.mark.parametrize("lag", [0.5, 3.0, 10.0])
@pytest.mark.parametrize("pulse_s", [2.0, 10.0])
def test_peak_after_a_pulse_agrees_with_small_steps(pulse_s: float, lag: float) -> None:
    """Height and time of the peak, for a block of 20 J/K that loses 0.12 W/K."""
    curve = _sensor_curve(40.0, pulse_s, 20.0, 0.12, lag)
    assert thermal.peak_rise_k(40.0, pulse_s, 20.0, 0.12, lag) == pytest.approx(curve.max(), rel=2e-3)
    at_s = 0.005 * (1 + int(curve.argmax()))
    assert thermal.peak_time_s(pulse_s, 20.0, 0.12, lag) == pytest.approx(at_s, abs=0.15)


def test_peak_with_no_lag_or_with_equal_lags_is_continuous() -> None:
    """The special cases meet the general one."""
    none = thermal.peak_rise_k(40.0, 10.0, 20.0, 2.0, 0.0)
    assert none == pytest.approx(thermal.peak_rise_k(40.0, 10.0, 20.0, 2.0, 1e-6), rel=1e-5)
    equal = thermal.peak_rise_k(40.0, 10.0, 20.0, 2.0, 10.0)
    assert equal == pytest.approx(thermal.peak_rise_k(40.0, 10.0, 20.0, 2.0, 10.01), rel=1e-3)


def test_a_pulse_of_many_lags_does_not_overflow() -> None:
    """An hour of heating with a quick sensor ends at steady state."""
    assert thermal.peak_rise_k(40.0, 36_000.0, 20.0, 0.12, 0.5) == pytest.approx(40.0 / 0.12, rel=1e-6)


@given(st.floats(1.0, 200.0), st.floats(1.0, 20.0), st.floats(0.5, 8.0))
@settings(deadline=None)
def test_power_from_a_peak_is_the_power_that_made_it(power: float, pulse_s: float, lag: float) -> None:
    """Inverse of the peak rise."""
    peak = thermal.peak_rise_k(power, pulse_s, 20.0, 0.12, lag)
    assert thermal.power_from_peak_w(peak, pulse_s, 20.0, 0.12, lag) == pytest.approx(power, rel=1e-9)


def test_slope_of_a_climb_and_its_error() -> None:
    """Straight line by least squares; power follows with the loss at that rise."""
    t = np.arange(0.0, 10.0, 0.1)
    y = 30.0 + 1.8 * t + np.random.default_rng(9).normal(0.0, 0.05, t.size)
    slope, error = thermal.initial_slope_k_per_s(t, y)
    assert slope == pytest.approx(1.8, abs=5 * error)
    assert error == pytest.approx(0.05 / math.sqrt(np.sum((t - t.mean()) ** 2)), rel=0.3)
    assert thermal.power_from_slope_w(1.8, 20.0, 33.0, 0.12) == pytest.approx(39.96)


def test_fit_refuses_samples_that_leave_a_parameter_open() -> None:
    """Two parameters that only act as a sum can't be told apart."""

    def model(b: np.ndarray, x: np.ndarray) -> np.ndarray:
        return (b[0] + b[1]) * x

    def slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
        return np.column_stack([x, x])

    with pytest.raises(thermal.NoFit, match="apart"):
        fit_curve(model, slopes, [1.0, 2.0, 3.0], [2.0, 4.1, 6.0], (1.0, 0.5))


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: thermal.first_order(0.0, 1.0, -1.0, 1.0), "elapsed_s, tau_s"),
        (lambda: thermal.step_fraction(1.0, 0.0), "tau_s=0.0"),
        (lambda: thermal.step_fraction(math.nan, 1.0), "time_s=nan"),
        (lambda: thermal.step_time_s(1.0, 40.0), "fraction=1.0"),
        (lambda: thermal.simulate([], 1.0, gain_k_per_w=1.0, tau_s=1.0), "power_w="),
        (lambda: thermal.two_point(10.0, 9.0), "one_s=9.0"),
        (lambda: thermal.fit_step([0.0, 1.0], [0.0, 1.0]), "time_s="),
        (lambda: thermal.fit_step(np.zeros(20), np.arange(20.0)), "time_s="),
        (lambda: thermal.fit_step(np.arange(20.0), np.arange(19.0)), "temperature_c="),
        (lambda: thermal.cooling_time_s(95.0, 20.0, 25.0, 40.0), "end_c=20.0"),
        (lambda: thermal.cooling_time_s(25.0, 25.0, 25.0, 40.0), "end_c=25.0"),
        (lambda: thermal.heat_j(0.0, 897.0, 1.0), "mass_kg=0.0"),
        (lambda: thermal.time_to_rise_s(1.0, 0.0, 1.0), "power_w=0.0"),
        (lambda: thermal.safe_pulse(10.0, 20.0, 40.0, 0.5), "power_factor=0.5"),
        (lambda: thermal.peak_rise_k(1.0, 1.0, 1.0, 0.0, 1.0), "loss_w_per_k=0.0"),
        (lambda: thermal.touch_limit_c("kissed", metal=True), "contact='kissed'"),
        (lambda: fit_curve(lambda b, x: x, lambda b, x: x, [1.0], [1.0, 2.0], (1.0,)), "y="),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)
