"""Heating, cooling and identification against worked values, NIST data sets and scipy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate, optimize

from hiltest.physics import thermal
from hiltest.physics.fitting import fit_curve

# NIST StRD nonlinear regression, Misra1a and BoxBOD: both y = b1·(1 − exp(−b2·x)), the step response
# of a first-order block. Data, start values and certified values from the NIST files (US government,
# public domain).
MISRA1A_X = [77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0]
MISRA1A_Y = [10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78]
BOXBOD_X = [1.0, 2.0, 3.0, 5.0, 7.0, 10.0]
BOXBOD_Y = [109.0, 149.0, 149.0, 191.0, 213.0, 224.0]


def rise(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return b[0] * -np.expm1(-b[1] * x)


def rise_slopes(b: np.ndarray, x: np.ndarray) -> np.ndarray:
    return np.column_stack([-np.expm1(-b[1] * x), b[0] * x * np.exp(-b[1] * x)])


@pytest.mark.parametrize(
    ("x", "y", "start", "parameters", "errors", "squares"),
    [
        (
            MISRA1A_X,
            MISRA1A_Y,
            (250.0, 0.0005),
            (2.3894212918e02, 5.5015643181e-04),
            (2.7070075241, 7.2668688436e-06),
            1.2455138894e-01,
        ),
        (
            MISRA1A_X,
            MISRA1A_Y,
            (500.0, 0.0001),
            (2.3894212918e02, 5.5015643181e-04),
            (2.7070075241, 7.2668688436e-06),
            1.2455138894e-01,
        ),
        (
            BOXBOD_X,
            BOXBOD_Y,
            (100.0, 0.75),
            (2.1380940889e02, 5.4723748542e-01),
            (1.2354515176e01, 1.0455993237e-01),
            1.1680088766e03,
        ),
    ],
    ids=["Misra1a start 2", "Misra1a start 1", "BoxBOD start 2"],
)
def test_nist_certified_fits_come_out(
    x: list[float],
    y: list[float],
    start: tuple[float, float],
    parameters: tuple[float, float],
    errors: tuple[float, float],
    squares: float,
) -> None:
    """NIST StRD, nonlinear regression, Misra1a (lower difficulty) and BoxBOD (higher difficulty)."""
    fit = fit_curve(rise, rise_slopes, x, y, start)
    assert fit.parameters == pytest.approx(parameters, rel=1e-6)
    assert fit.standard_errors == pytest.approx(errors, rel=1e-6)
    assert fit.residual_sum_of_squares == pytest.approx(squares, rel=1e-9)


def test_boxbod_from_the_far_start_is_refused_rather_than_answered_wrongly() -> None:
    """NIST StRD BoxBOD, start 1 (1, 1): a plain search ends on a plateau; that must not pass as a fit."""
    with pytest.raises(thermal.NoFit, match="no effect"):
        fit_curve(rise, rise_slopes, BOXBOD_X, BOXBOD_Y, (1.0, 1.0))


def test_a_noisy_step_is_identified_like_scipy_does_it() -> None:
    """scipy.optimize.curve_fit on the same record: same parameters, same standard errors."""
    rng = np.random.default_rng(7)
    t = np.arange(0.0, 150.0, 0.5)
    y = 25.0 + 50.0 * thermal.step_fraction(t, 40.0, 6.0) + rng.normal(0.0, 0.15, t.size)

    def model(t: np.ndarray, start: float, span: float, tau: float, dead: float) -> np.ndarray:
        return start + span * -np.expm1(-np.maximum(t - dead, 0.0) / tau)

    expected, covariance = optimize.curve_fit(model, t, y, p0=(25.0, 50.0, 40.0, 6.2), ftol=1e-12, xtol=1e-12)
    fit = thermal.fit_step(t, y)
    found = (fit.start_c, fit.rise_k, fit.tau_s, fit.dead_time_s)
    assert found == pytest.approx(expected, rel=1e-4)
    errors = (fit.rise_error_k, fit.tau_error_s, fit.dead_time_error_s)
    assert errors == pytest.approx(np.sqrt(np.diag(covariance))[1:], rel=1e-2)


def test_a_noisy_decay_is_identified_like_scipy_does_it() -> None:
    """scipy.optimize.curve_fit on the same cooling record."""
    rng = np.random.default_rng(8)
    t = np.arange(0.0, 120.0, 1.0)
    y = 25.0 + 70.0 * np.exp(-t / 40.0) + rng.normal(0.0, 0.1, t.size)
    expected, covariance = optimize.curve_fit(
        lambda t, ambient, span, tau: ambient + span * np.exp(-t / tau), t, y, p0=(20.0, 60.0, 50.0)
    )
    fit = thermal.fit_cooling(t, y)
    assert (fit.ambient_c, fit.rise_k, fit.tau_s) == pytest.approx(expected, rel=1e-5)
    errors = (fit.ambient_error_k, fit.rise_error_k, fit.tau_error_s)
    assert errors == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-4)


@pytest.mark.parametrize(
    ("taus", "percent"), [(1, 63.2121), (2, 86.4665), (3, 95.0213), (4, 98.1684), (5, 99.3262)]
)
def test_step_response_at_whole_time_constants(taus: int, percent: float) -> None:
    """First-order step response (any textbook): 63.2 % after one time constant, and so on."""
    assert 100.0 * thermal.step_fraction(taus * 40.0, 40.0) == pytest.approx(percent, abs=1e-4)
    assert 100.0 * thermal.step_fraction(taus * 40.0 + 6.0, 40.0, 6.0) == pytest.approx(percent, abs=1e-4)


@pytest.mark.parametrize(
    ("fraction", "taus"),
    [
        (0.283, 0.33268),
        (0.353, 0.43541),
        (0.5, 0.69315),
        (0.632, 0.99967),
        (0.853, 1.91732),
        (0.9, 2.30259),
        (0.95, 2.99573),
        (0.98, 3.91202),
    ],
)
def test_time_to_a_fraction_of_a_step(fraction: float, taus: float) -> None:
    """Logarithm of the first-order step response (any textbook)."""
    assert thermal.step_time_s(fraction, 1.0) == pytest.approx(taus, abs=1e-5)


def test_two_point_method_is_exact_on_a_first_order_plant() -> None:
    """C. L. Smith, Digital Computer Process Control, 1972 (from memory): tau 40 s, dead time 6 s."""
    result = thermal.two_point(6.0 + 40.0 / 3.0, 46.0)
    assert (result.tau_s, result.dead_time_s) == pytest.approx((40.0, 6.0), abs=1e-9)


def test_two_point_method_on_six_equal_lags() -> None:
    """A public course solution for 1/(s + 1)^6: t28 4.4187, t63 6.504 give tau 3.1280, dead time 3.3761."""
    result = thermal.two_point(4.4187, 6.504)
    assert (result.tau_s, result.dead_time_s) == pytest.approx((3.1280, 3.3761), abs=1e-4)


@pytest.mark.parametrize(("time_s", "temperature_c"), [(40, 50.7516), (80, 34.4735), (120, 28.4851)])
def test_newton_cooling_worked_values(time_s: float, temperature_c: float) -> None:
    """Newton's law of cooling: ambient 25 °C, start 95 °C, tau 40 s."""
    assert thermal.cooling_c(time_s, 25.0, 95.0, 40.0) == pytest.approx(temperature_c, abs=1e-4)


def test_cooling_time_worked_value() -> None:
    """Newton's law of cooling: from 95 to 60 °C at ambient 25 °C takes 40·ln 2 s."""
    assert thermal.cooling_time_s(95.0, 60.0, 25.0, 40.0) == pytest.approx(27.7259, abs=1e-4)


@pytest.mark.parametrize(
    ("mass_kg", "specific", "rise_k", "energy_j", "time_s", "slope"),
    [(0.050, 897.0, 75.0, 3363.75, 84.094, 0.89186), (0.020, 385.0, 175.0, 1347.5, 33.69, 5.195)],
    ids=["aluminium", "copper"],
)
def test_energy_balance_of_a_block(
    mass_kg: float, specific: float, rise_k: float, energy_j: float, time_s: float, slope: float
) -> None:
    """Specific heats from the CRC Handbook (from memory): aluminium 897, copper 385 J/(kg K); 40 W."""
    capacity = mass_kg * specific
    assert thermal.heat_j(mass_kg, specific, rise_k) == pytest.approx(energy_j, rel=1e-9)
    assert thermal.time_to_rise_s(rise_k, 40.0, capacity) == pytest.approx(time_s, rel=1e-4)
    assert 40.0 / capacity == pytest.approx(slope, rel=1e-4)
    assert thermal.power_from_slope_w(slope, capacity) == pytest.approx(40.0, rel=1e-4)


def test_steady_state_with_loss() -> None:
    """Heat balance: 40 W through 5 K/W ends 200 K above ambient, with tau 224.25 s for 44.85 J/K."""
    assert thermal.steady_rise_k(40.0, 0.2) == pytest.approx(200.0, rel=1e-12)
    to_63_percent_s = thermal.time_to_rise_s(200.0 * (1.0 - math.exp(-1.0)), 40.0, 44.85, 0.2)
    assert to_63_percent_s == pytest.approx(224.25, rel=1e-9)


def integrated_peak(
    power_w: float, pulse_s: float, capacity: float, loss: float, lag_s: float, bead_capacity: float = 0.0
) -> tuple[float, float]:
    """Time and height of the sensor's peak by scipy.integrate.solve_ivp: a block that heats a bead, and the room.

    With a capacity of its own the bead takes its heat from the block; without, it only lags.
    """
    bead_loss = bead_capacity / lag_s

    def slope(t: float, rise: np.ndarray) -> list[float]:
        flow = power_w * (t < pulse_s) - loss * rise[0] - bead_loss * (rise[0] - rise[1])
        return [flow / capacity, (rise[0] - rise[1]) / lag_s]

    def at_peak(_t: float, rise: np.ndarray) -> float:
        return float(rise[0] - rise[1])

    at_peak.direction = -1.0  # type: ignore[attr-defined]
    ends = {"method": "LSODA", "rtol": 1e-10, "atol": 1e-12}
    on = integrate.solve_ivp(slope, (0.0, pulse_s * (1 - 1e-15)), [0.0, 0.0], **ends)
    after = (pulse_s, pulse_s + 40.0 * lag_s)
    off = integrate.solve_ivp(slope, after, on.y[:, -1], events=at_peak, **ends)
    return float(off.t_events[0][0]), float(off.y_events[0][0][1])


@pytest.mark.parametrize(
    ("power_w", "pulse_s", "capacity", "loss", "lag_s"),
    [(40.0, 4.0, 20.0, 0.12, 3.0), (15.0, 30.0, 60.0, 0.5, 9.0), (40.0, 1.0, 20.0, 2.0, 9.5), (8.0, 60.0, 10.0, 1.0, 1.0)],
    ids=["cartridge", "pad", "near equal lags", "long pulse"],
)  # fmt: skip
def test_the_peak_after_a_pulse_is_that_of_the_integrated_balance(
    power_w: float, pulse_s: float, capacity: float, loss: float, lag_s: float
) -> None:
    """Heat balance of a block with a lagging sensor, integrated by scipy.integrate.solve_ivp (LSODA)."""
    at_s, peak_k = integrated_peak(power_w, pulse_s, capacity, loss, lag_s)

    assert thermal.peak_time_s(pulse_s, capacity, loss, lag_s) == pytest.approx(at_s, rel=1e-5)
    assert thermal.peak_rise_k(power_w, pulse_s, capacity, loss, lag_s) == pytest.approx(peak_k, rel=1e-7)
    assert thermal.power_from_peak_w(peak_k, pulse_s, capacity, loss, lag_s) == pytest.approx(
        power_w, rel=1e-7
    )


def test_a_bead_with_a_hundredth_of_the_block_s_capacity_changes_the_peak_by_a_hundredth() -> None:
    """Two coupled masses by scipy.integrate.solve_ivp: what the model leaves out costs the bead's own share."""
    _, peak_k = integrated_peak(40.0, 4.0, 20.0, 0.12, 3.0, bead_capacity=0.2)
    found = thermal.peak_rise_k(40.0, 4.0, 20.0, 0.12, 3.0)

    assert peak_k < found < 1.012 * peak_k
    assert thermal.power_from_peak_w(peak_k, 4.0, 20.0, 0.12, 3.0) == pytest.approx(40.0 / 1.01, rel=2e-3)


@pytest.mark.parametrize("loss", [0.0, 0.3])
def test_a_safe_pulse_ends_at_its_rise_when_nothing_is_lost(loss: float) -> None:
    """Q = C·dT (definition of heat capacity); 4 = (24 V / 12 V)², an element for half the voltage by Joule's law.

    20 J/K that may gain 16 K bear 320 J, which is 2 s of 160 W. Integrated by scipy.integrate.solve_ivp.
    """
    pulse = thermal.safe_pulse(16.0, 20.0, 40.0, power_factor=(24.0 / 12.0) ** 2)
    assert (pulse.energy_j, pulse.duration_s) == pytest.approx((80.0, 2.0), rel=1e-12)

    balance = integrate.solve_ivp(
        lambda _t, rise: (160.0 - loss * rise) / 20.0, (0.0, pulse.duration_s), [0.0], rtol=1e-10
    )
    rise_k = float(balance.y[0, -1])
    assert rise_k == pytest.approx(16.0, rel=1e-9) if loss == 0.0 else 15.0 < rise_k < 16.0


@pytest.mark.parametrize(
    ("contact", "metal", "limit_c"),
    [
        ("held", True, 43.0),
        ("held", False, 43.0),
        ("held briefly", True, 55.0),
        ("held briefly", False, 65.0),
        ("touched", True, 65.0),
        ("touched", False, 85.0),
    ],
)
def test_touch_temperatures(contact: thermal.Contact, metal: bool, limit_c: float) -> None:
    """ECMA-287, touch temperature table (as summarised at b.plas.ml)."""
    assert thermal.touch_limit_c(contact, metal=metal) == limit_c
