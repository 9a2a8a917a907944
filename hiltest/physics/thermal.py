"""Heat in a block: first order with dead time, forwards and from a recorded curve; energy and cooling.

Temperatures end in `_c`, differences and rises in `_k`. `capacity_j_per_k` is the heat capacity of
all that warms together, `loss_w_per_k` what leaks to the surroundings per kelvin above them;
tau = capacity / loss.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal, overload

import numpy as np
import numpy.typing as npt

from hiltest.physics._arguments import (
    INF,
    FloatArray,
    finite,
    not_negative,
    numbers,
    one_of,
    positive,
    refuse,
    series,
)
from hiltest.physics.fitting import NoFit
from hiltest.physics.identification import (
    CoolingFit,
    StepFit,
    TwoPoint,
    crossing_s,
    fit_cooling,
    fit_step,
    initial_slope_k_per_s,
    two_point,
    two_point_from_curve,
)

__all__ = [
    "CoolingFit",
    "NoFit",
    "Pulse",
    "StepFit",
    "TwoPoint",
    "cooling_c",
    "cooling_time_s",
    "crossing_s",
    "first_order",
    "fit_cooling",
    "fit_step",
    "heat_j",
    "initial_slope_k_per_s",
    "peak_rise_k",
    "peak_time_s",
    "power_from_peak_w",
    "power_from_slope_w",
    "safe_pulse",
    "simulate",
    "steady_rise_k",
    "step_fraction",
    "step_time_s",
    "time_to_rise_s",
    "touch_limit_c",
    "two_point",
    "two_point_from_curve",
]


def first_order(value: float, target: float, elapsed_s: float, tau_s: float) -> float:
    """Where a first-order lag stands `elapsed_s` after it stood at `value`, with constant `target`.

    Exact for any step size. tau 0 follows at once. Raises UsageError for negative times or NaN.
    Source: exponential solution of tau·y' + y = target.
    """
    if not (0.0 <= elapsed_s < INF and 0.0 <= tau_s < INF):
        raise refuse(
            "elapsed_s, tau_s", (elapsed_s, tau_s), "finite numbers, 0 or more", "give them in second"
        )
    if tau_s == 0.0:
        return target
    return target + (value - target) * math.exp(-elapsed_s / tau_s)


@overload
def step_fraction(time_s: float, tau_s: float, dead_time_s: float = 0.0) -> float: ...
@overload
def step_fraction(time_s: FloatArray, tau_s: float, dead_time_s: float = 0.0) -> FloatArray: ...
def step_fraction(time_s: float | FloatArray, tau_s: float, dead_time_s: float = 0.0) -> float | FloatArray:
    """Fraction (0..1) of a step that has arrived after `time_s` (a number, or an array of any shape).

    1 − exp(−(t − dead time)/tau), 0 before the dead time is over. Raises UsageError for a tau that is
    not positive, a negative dead time, NaN or infinity. Source: first-order step response.
    """
    positive("tau_s", tau_s)
    not_negative("dead_time_s", dead_time_s)
    if isinstance(time_s, (float, int)):
        since = finite("time_s", time_s) - dead_time_s
        return -math.expm1(-since / tau_s) if since > 0.0 else 0.0
    fractions: FloatArray = -np.expm1(-np.maximum(numbers("time_s", time_s) - dead_time_s, 0.0) / tau_s)
    return fractions


def step_time_s(fraction: float, tau_s: float, dead_time_s: float = 0.0) -> float:
    """Time in seconds at which `fraction` (0 up to below 1) of a step has arrived.

    Raises UsageError for a fraction outside that, and as `step_fraction`. Source: its inverse.
    """
    if not 0.0 <= fraction < 1.0:
        raise refuse("fraction", fraction, "0 or more and below 1", "the whole step is never reached")
    return not_negative("dead_time_s", dead_time_s) - positive("tau_s", tau_s) * math.log1p(-fraction)


def simulate(
    power_w: npt.ArrayLike,
    period_s: float,
    *,
    gain_k_per_w: float,
    tau_s: float,
    dead_time_s: float = 0.0,
    ambient_c: float = 25.0,
    start_c: float | None = None,
) -> FloatArray:
    """Temperatures in °C of a first-order block with dead time at the ends of n equal periods, shape (n,).

    `power_w` (one dimension) holds the power during each period. A dead time that is not a whole
    number of periods splits a period exactly; before the record the power was 0.
    Raises UsageError for values that are not physical. Source: exact solution, piecewise constant input.
    """
    power = series("power_w", power_w)
    positive("period_s", period_s)
    positive("tau_s", tau_s)
    finite("gain_k_per_w", gain_k_per_w)
    finite("ambient_c", ambient_c)
    late, rest = divmod(not_negative("dead_time_s", dead_time_s) / period_s, 1.0)
    shifted = np.concatenate([np.zeros(int(late) + 1), power])
    targets = gain_k_per_w * shifted
    old_share, new_share = rest * period_s, (1.0 - rest) * period_s
    rise = 0.0 if start_c is None else finite("start_c", start_c) - ambient_c
    rises = np.empty(power.size)
    for index in range(power.size):
        rise = first_order(rise, float(targets[index]), old_share, tau_s)
        rise = first_order(rise, float(targets[index + 1]), new_share, tau_s)
        rises[index] = rise
    return ambient_c + rises


def cooling_c(time_s: float, ambient_c: float, start_c: float, tau_s: float) -> float:
    """Temperature in °C after `time_s` of cooling (or warming) towards `ambient_c`.

    Raises UsageError for a negative time or tau that is not positive. Source: Newton's law of cooling.
    """
    return first_order(
        finite("start_c", start_c), finite("ambient_c", ambient_c), time_s, positive("tau_s", tau_s)
    )


def cooling_time_s(start_c: float, end_c: float, ambient_c: float, tau_s: float) -> float:
    """Seconds to go from `start_c` to `end_c` by itself: tau·ln((start − ambient)/(end − ambient)).

    Raises UsageError if `end_c` is not between start and ambient. Source: Newton's law of cooling.
    """
    positive("tau_s", tau_s)
    above, left = (
        finite("start_c", start_c) - finite("ambient_c", ambient_c),
        finite("end_c", end_c) - ambient_c,
    )
    if above == 0.0 or left == 0.0 or not 0.0 < left / above <= 1.0:
        raise refuse(
            "end_c", end_c, f"between ambient_c={ambient_c:g} and start_c={start_c:g}", "it never gets there"
        )
    return tau_s * math.log(above / left)


def heat_j(mass_kg: float, specific_j_per_kg_k: float, rise_k: float) -> float:
    """Energy in joule to warm a mass, m·c·dT. Raises UsageError for mass or heat that is not positive.

    Source: definition of specific heat (aluminium 897, copper 385 J/kg K).
    """
    return (
        positive("mass_kg", mass_kg)
        * positive("specific_j_per_kg_k", specific_j_per_kg_k)
        * finite("rise_k", rise_k)
    )


def steady_rise_k(power_w: float, loss_w_per_k: float) -> float:
    """Rise in kelvin above ambient at which loss equals power. Raises UsageError unless loss is
    positive. Source: heat balance.
    """
    return finite("power_w", power_w) / positive("loss_w_per_k", loss_w_per_k)


def time_to_rise_s(
    rise_k: float,
    power_w: float,
    capacity_j_per_k: float,
    loss_w_per_k: float = 0.0,
    dead_time_s: float = 0.0,
) -> float:
    """Seconds at constant power until the block is `rise_k` above ambient; `math.inf` if it never is.

    Raises UsageError for values that are not physical. Source: heat balance C·T' = P − k·T.
    """
    not_negative("rise_k", rise_k)
    positive("power_w", power_w)
    positive("capacity_j_per_k", capacity_j_per_k)
    dead_s = not_negative("dead_time_s", dead_time_s)
    share = rise_k * not_negative("loss_w_per_k", loss_w_per_k) / power_w
    if share >= 1.0:
        return INF
    # ln(1 − share)/share tends to −1 for a loss that hardly counts.
    bend = -math.log1p(-share) / share if share > 1e-300 else 1.0
    return dead_s + bend * rise_k * capacity_j_per_k / power_w


@dataclass(frozen=True, slots=True)
class Pulse:
    """One bounded heat pulse: nominal energy in joule and duration in seconds at nominal full power."""

    energy_j: float
    duration_s: float


def safe_pulse(
    max_rise_k: float, least_capacity_j_per_k: float, nominal_power_w: float, power_factor: float = 4.0
) -> Pulse:
    """Largest full-power pulse whose block can't gain more than `max_rise_k`, whatever element is fitted.

    Energy = least capacity · max rise / power factor. `power_factor` is how many times the nominal
    power the wrong element may make: 4 for one of half the voltage. Nothing is lost meanwhile in this
    sum, so the truth is lower. An element loose in air has far less capacity than its block; no pulse
    length makes that safe, so somebody watches the first one, with a way to cut the supply.
    Raises UsageError unless all are positive and the factor is at least 1. Source: heat balance.
    """
    positive("max_rise_k", max_rise_k)
    positive("least_capacity_j_per_k", least_capacity_j_per_k)
    positive("nominal_power_w", nominal_power_w)
    if not 1.0 <= power_factor < INF:
        raise refuse("power_factor", power_factor, "1 or more", "4 covers an element of half the voltage")
    energy_j = least_capacity_j_per_k * max_rise_k / power_factor
    return Pulse(energy_j, energy_j / nominal_power_w)


def peak_time_s(pulse_s: float, capacity_j_per_k: float, loss_w_per_k: float, sensor_tau_s: float) -> float:
    """Seconds from the start of a heat pulse until the sensor shows its highest value.

    Block (capacity, loss) and sensor (lag) are two first-order lags in a row. Add the dead time, if
    any. Raises UsageError for values that are not positive (sensor lag may be 0).
    Source: zero of the derivative of two cascaded lags.
    """
    positive("pulse_s", pulse_s)
    slow = positive("capacity_j_per_k", capacity_j_per_k) / positive("loss_w_per_k", loss_w_per_k)
    fast = not_negative("sensor_tau_s", sensor_tau_s)
    if fast == 0.0:
        return pulse_s
    if abs(slow - fast) < 1e-6 * slow:
        fast = slow * (1.0 - 1e-6)  # equal lags: the limit, to six digits
    rates = 1.0 / fast - 1.0 / slow
    # ln(e^a − 1) written so that a pulse of many sensor lags does not overflow.
    quick, lazy = pulse_s / fast, pulse_s / slow
    return (quick + _log1mexp(quick) - lazy - _log1mexp(lazy)) / rates


def peak_rise_k(
    power_w: float, pulse_s: float, capacity_j_per_k: float, loss_w_per_k: float, sensor_tau_s: float
) -> float:
    """Highest rise in kelvin that the sensor shows after a pulse of `power_w` for `pulse_s`.

    Model, source and errors as `peak_time_s`. The peak says how much heat arrived; a reading at a fixed time
    says mostly how slow the sensor is.
    """
    at_s = peak_time_s(pulse_s, capacity_j_per_k, loss_w_per_k, sensor_tau_s)
    slow = capacity_j_per_k / loss_w_per_k
    full_k = finite("power_w", power_w) / loss_w_per_k
    return full_k * (_two_lags(at_s, slow, sensor_tau_s) - _two_lags(at_s - pulse_s, slow, sensor_tau_s))


def power_from_peak_w(
    peak_k: float, pulse_s: float, capacity_j_per_k: float, loss_w_per_k: float, sensor_tau_s: float
) -> float:
    """Heating power in watt from the sensor's peak rise after a pulse; inverse of `peak_rise_k`,
    same errors.
    """
    per_watt = peak_rise_k(1.0, pulse_s, capacity_j_per_k, loss_w_per_k, sensor_tau_s)
    return finite("peak_k", peak_k) / per_watt


def power_from_slope_w(
    slope_k_per_s: float, capacity_j_per_k: float, rise_k: float = 0.0, loss_w_per_k: float = 0.0
) -> float:
    """Heating power in watt from a slope at `rise_k` above ambient: C·dT/dt + k·rise.

    Take the slope after dead time and sensor lag are over. Raises UsageError for a capacity that is not
    positive. Source: heat balance.
    """
    heating = positive("capacity_j_per_k", capacity_j_per_k) * finite("slope_k_per_s", slope_k_per_s)
    return heating + not_negative("loss_w_per_k", loss_w_per_k) * finite("rise_k", rise_k)


def _log1mexp(a: float) -> float:
    """ln(1 − e^(−a)) for a > 0."""
    return math.log(-math.expm1(-a))


def _two_lags(at_s: float, slow: float, fast: float) -> float:
    if at_s <= 0.0:
        return 0.0
    if fast == 0.0:
        return -math.expm1(-at_s / slow)
    if abs(slow - fast) < 1e-6 * slow:
        return 1.0 - (1.0 + at_s / slow) * math.exp(-at_s / slow)
    return 1.0 - (slow * math.exp(-at_s / slow) - fast * math.exp(-at_s / fast)) / (slow - fast)


Contact = Literal["held", "held briefly", "touched"]

_TOUCH_LIMIT_C: Final = {"held": (43.0, 43.0), "held briefly": (55.0, 65.0), "touched": (65.0, 85.0)}


def touch_limit_c(contact: Contact, *, metal: bool) -> float:
    """Highest surface temperature in °C that people may touch, bare metal or not.

    "held" is up to 8 h, "held briefly" under 10 s, "touched" under 1 s. A figure for cautions and
    warnings, not a licence: local rules and the product's own standard come first.
    Raises UsageError for another contact. Source: ECMA-287, touch temperature table (secondary copy).
    """
    one_of("contact", contact, tuple(_TOUCH_LIMIT_C))
    return _TOUCH_LIMIT_C[contact][0 if metal else 1]
