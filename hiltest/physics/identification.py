"""Heating and cooling curves identified from a record: two-point method, least squares, straight line.

Each result carries its uncertainty where the method gives one. Re-exported by `thermal`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from hiltest.physics._arguments import INF, FloatArray, finite, not_negative, refuse, series
from hiltest.physics.fitting import Fit, NoFit, fit_curve

FRACTION_THIRD: Final = -math.expm1(-1.0 / 3.0)
"""1 − e^(−1/3) = 0.28347: reached a third of tau after the dead time."""

FRACTION_ONE: Final = -math.expm1(-1.0)
"""1 − 1/e = 0.63212: reached one tau after the dead time."""


@dataclass(frozen=True, slots=True)
class TwoPoint:
    """Time constant and dead time in seconds by the two-point method."""

    tau_s: float
    dead_time_s: float


def two_point(third_s: float, one_s: float) -> TwoPoint:
    """Time constant and dead time from when a step response reached 28.347 % and 63.212 %.

    tau = 1.5·(t63 − t28), dead time = t63 − tau, with the exact fractions 1 − e^(−1/3) and 1 − 1/e
    (rounded ones give a bias). A negative dead time says that the curve is not first order.
    Raises UsageError unless 0 <= third_s < one_s.
    Source: C. L. Smith, Digital Computer Process Control (1972) (from memory).
    """
    not_negative("third_s", third_s)
    if not third_s < one_s < INF:
        raise refuse("one_s", one_s, f"later than third_s={third_s:g}", "the curve must rise between them")
    tau_s = 1.5 * (one_s - third_s)
    return TwoPoint(tau_s, one_s - tau_s)


def two_point_from_curve(time_s: npt.ArrayLike, temperature_c: npt.ArrayLike, final_c: float) -> TwoPoint:
    """`two_point` on a recorded step from the first sample's temperature towards `final_c`.

    Both arrays are one-dimensional and equally long, time ascending from the step. Raises UsageError
    if the record does not reach 63.2 % of the step. Source as `two_point`.
    """
    first_c = float(series("temperature_c", temperature_c)[0])
    start_s = float(series("time_s", time_s)[0])
    span = finite("final_c", final_c) - first_c
    crossings = [
        crossing_s(time_s, temperature_c, first_c + fraction * span) - start_s
        for fraction in (FRACTION_THIRD, FRACTION_ONE)
    ]
    return two_point(crossings[0], crossings[1])


def crossing_s(time_s: npt.ArrayLike, temperature_c: npt.ArrayLike, level_c: float) -> float:
    """First time in seconds at which a recorded curve reaches `level_c`, interpolated between samples.

    Works upwards and downwards from the first sample. Raises UsageError if it never does. Source: straight line
    between neighbours.
    """
    times, values = _curve(time_s, temperature_c, at_least=2)
    above = values >= finite("level_c", level_c)
    if values[0] > level_c:
        above = values <= level_c
    if not above.any():
        raise refuse(
            "level_c", level_c, f"a level the curve reaches (it ends at {values[-1]:g})", "record longer"
        )
    index = int(np.argmax(above))
    if index == 0:
        return float(times[0])
    step = (level_c - values[index - 1]) / (values[index] - values[index - 1])
    return float(times[index - 1] + step * (times[index] - times[index - 1]))


@dataclass(frozen=True, slots=True)
class StepFit:
    """A step response fitted by least squares, each value with its standard error.

    y = start + rise·(1 − exp(−(t − dead time)/tau)). The errors suppose independent noise.
    """

    start_c: float
    rise_k: float
    tau_s: float
    dead_time_s: float
    rise_error_k: float
    tau_error_s: float
    dead_time_error_s: float
    residual_k: float

    @property
    def final_c(self) -> float:
        """Temperature in °C that the curve tends to."""
        return self.start_c + self.rise_k

    @property
    def initial_slope_k_per_s(self) -> float:
        """Slope right after the dead time, rise/tau; better known than either when the record is short."""
        return self.rise_k / self.tau_s


def fit_step(time_s: npt.ArrayLike, temperature_c: npt.ArrayLike) -> StepFit:
    """Identify first order with dead time from a recorded step, by least squares.

    Both arrays are one-dimensional, equally long (8 samples or more), time ascending from the step.
    The start temperature is fitted too, so a few samples before the rise help. Several dead times
    are tried as starts, because the kink there makes the sum of squares uneven. A dead time that can't
    be told from 0 is 0, with the larger of one sampling interval and noise/slope as its error.
    Raises UsageError for too few or bad samples, NoFit if the record does not determine the curve.
    Source: least squares (`fitting.fit_curve`).
    """
    times, values = _curve(time_s, temperature_c, at_least=8)
    since = times - times[0]
    best: Fit | None = None
    for start in _step_starts(since, values):
        try:
            fit = fit_curve(_step_model, _step_jacobian, since, values, start)
        except NoFit:
            continue
        sensible = fit.parameters[2] > 0.0 and 0.0 <= fit.parameters[3] < since[-1]
        if sensible and (best is None or fit.residual_sum_of_squares < best.residual_sum_of_squares):
            best = fit
    if best is None:
        return _fit_without_dead_time(since, values)
    (start_c, rise_k, tau_s, dead_s), (_, rise_e, tau_e, dead_e) = best.parameters, best.standard_errors
    return StepFit(start_c, rise_k, tau_s, dead_s, rise_e, tau_e, dead_e, best.residual_sd)


def _fit_without_dead_time(since: FloatArray, values: FloatArray) -> StepFit:
    """Where no dead time can be told from 0. Its error: one interval, or the noise over the slope."""
    first, span_k, tau_s, _ = _step_starts(since, values)[0]
    fit = fit_curve(_prompt_model, _prompt_jacobian, since, values, (first, span_k, tau_s))
    (start_c, rise_k, tau_s), (_, rise_e, tau_e) = fit.parameters, fit.standard_errors
    if tau_s <= 0.0 or rise_k == 0.0:
        raise NoFit("this record is no first-order step, or too short of one; record until it bends over")
    dead_e = max(float(since[1]), fit.residual_sd * tau_s / abs(rise_k))
    return StepFit(start_c, rise_k, tau_s, 0.0, rise_e, tau_e, dead_e, fit.residual_sd)


def _prompt_model(parameters: FloatArray, since: FloatArray) -> FloatArray:
    return _step_model(np.append(parameters, 0.0), since)


def _prompt_jacobian(parameters: FloatArray, since: FloatArray) -> FloatArray:
    return _step_jacobian(np.append(parameters, 0.0), since)[:, :3]


def _step_starts(since: FloatArray, values: FloatArray) -> list[list[float]]:
    first, span_k, span_s = float(values[0]), float(values[-1] - values[0]), float(since[-1])
    if span_k == 0.0:
        raise NoFit("the record starts and ends at one temperature; there is no step in it")
    half_s = crossing_s(since, values, first + 0.5 * span_k)
    return [
        [first, span_k * factor, max(half_s, span_s / 100.0), dead]
        for factor in (1.0, 1.6)
        for dead in (0.0, 0.15 * half_s, 0.5 * half_s, 0.9 * half_s)
    ]


def _step_model(parameters: FloatArray, since: FloatArray) -> FloatArray:
    start, rise, tau, dead = parameters
    model: FloatArray = start + rise * _arrived(since, tau, dead)
    return model


def _step_jacobian(parameters: FloatArray, since: FloatArray) -> FloatArray:
    _, rise, tau, dead = parameters
    arrived = _arrived(since, tau, dead)
    left = np.where(since > dead, 1.0 - arrived, 0.0)
    by_tau = -rise * left * (since - dead) / (tau * tau)
    return np.column_stack([np.ones_like(since), arrived, by_tau, -rise * left / tau])


def _arrived(since: FloatArray, tau: float, dead: float) -> FloatArray:
    if tau <= 0.0:  # the search may look there; such a curve fits nothing
        return np.full_like(since, 1e6)
    arrived: FloatArray = -np.expm1(-np.maximum(since - dead, 0.0) / tau)
    return arrived


@dataclass(frozen=True, slots=True)
class CoolingFit:
    """A decay fitted by least squares: y = ambient + rise·exp(−t/tau), with standard errors.

    `ambient_error_k` is 0 if the ambient was given.
    """

    ambient_c: float
    rise_k: float
    tau_s: float
    ambient_error_k: float
    rise_error_k: float
    tau_error_s: float
    residual_k: float


def fit_cooling(
    time_s: npt.ArrayLike, temperature_c: npt.ArrayLike, ambient_c: float | None = None
) -> CoolingFit:
    """Cooling constant from a recorded decay; `ambient_c` is fitted unless given.

    Both arrays are one-dimensional, equally long (6 samples or more), time ascending; begin after the
    peak. A record shorter than one tau needs the ambient given. Raises UsageError for too few or bad
    samples, NoFit if the record does not determine the curve. Source: least squares, Newton's law.
    """
    times, values = _curve(time_s, temperature_c, at_least=6)
    since = times - times[0]
    span_s = float(since[-1])
    if ambient_c is not None:
        fixed = finite("ambient_c", ambient_c)
        if (values[0] - fixed) * (values[-1] - fixed) <= 0.0:
            raise refuse(
                "ambient_c", fixed, "a temperature the record has not reached", "cut the record there"
            )
        start = [
            float(values[0] - fixed),
            span_s / max(math.log((values[0] - fixed) / (values[-1] - fixed)), 0.01),
        ]
        fit = fit_curve(_decay_model, _decay_jacobian, since, values - fixed, start)
        (rise_k, tau_s), (rise_e, tau_e) = fit.parameters, fit.standard_errors
        result = CoolingFit(fixed, rise_k, tau_s, 0.0, rise_e, tau_e, fit.residual_sd)
    else:
        drop = float(values[0] - values[-1])
        if drop == 0.0:
            raise NoFit("the record starts and ends at one temperature; there is no decay in it")
        start = [float(values[-1]) - 0.2 * drop, 1.2 * drop, span_s / 2.0]
        fit = fit_curve(_cooling_model, _cooling_jacobian, since, values, start)
        (ambient, rise_k, tau_s), (ambient_e, rise_e, tau_e) = fit.parameters, fit.standard_errors
        result = CoolingFit(ambient, rise_k, tau_s, ambient_e, rise_e, tau_e, fit.residual_sd)
    if not result.tau_s > 0.0:
        raise NoFit("the record bends away from any rest temperature; begin it after the peak")
    return result


def _decay_model(parameters: FloatArray, since: FloatArray) -> FloatArray:
    rise, tau = parameters
    decay: FloatArray = rise * (1.0 - _arrived(since, tau, 0.0))
    return decay


def _decay_jacobian(parameters: FloatArray, since: FloatArray) -> FloatArray:
    rise, tau = parameters
    left = 1.0 - _arrived(since, tau, 0.0)
    return np.column_stack([left, rise * left * since / (tau * tau)])


def _cooling_model(parameters: FloatArray, since: FloatArray) -> FloatArray:
    model: FloatArray = parameters[0] + _decay_model(parameters[1:], since)
    return model


def _cooling_jacobian(parameters: FloatArray, since: FloatArray) -> FloatArray:
    return np.column_stack([np.ones_like(since), _decay_jacobian(parameters[1:], since)])


def initial_slope_k_per_s(time_s: npt.ArrayLike, temperature_c: npt.ArrayLike) -> tuple[float, float]:
    """Slope of a record in K/s and its standard error, by a straight line (3 samples or more).

    Arrays as in `fit_step`, cut to the straight part. Raises UsageError for too few or bad samples.
    Source: linear least squares.
    """
    times, values = _curve(time_s, temperature_c, at_least=3)
    centred = times - times.mean()
    spread = float(centred @ centred)
    slope = float(centred @ values) / spread
    residual = values - values.mean() - slope * centred
    return slope, math.sqrt(float(residual @ residual) / (times.size - 2) / spread)


def _curve(time_s: npt.ArrayLike, values: npt.ArrayLike, at_least: int) -> tuple[FloatArray, FloatArray]:
    times, samples = series("time_s", time_s, at_least), series("temperature_c", values, at_least)
    if times.size != samples.size:
        raise refuse("temperature_c", f"<{samples.size} samples>", f"{times.size} samples, as many as time_s")
    if not (np.diff(times) > 0.0).all():
        raise refuse("time_s", "<not ascending>", "times that ascend", "sort the samples and drop doubles")
    return times, samples
