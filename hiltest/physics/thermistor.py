"""Thermistors and platinum resistors, the divider and converter that read them, and what a reading is worth.

Sensors share two methods: `resistance_ohm(temperature_c)` and `temperature_c(resistance_ohm)`. Both
take a number (fast, plain math) or an array (any shape), and refuse what the model can't answer.

A divider here is the usual one: pull-up to the converter's reference, sensor to ground. An open
sensor reads full scale and a shorted one zero: both are faults, never temperatures.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, Protocol, overload

import numpy as np

from hiltest.physics._arguments import (
    INF,
    FloatArray,
    finite,
    inside,
    not_negative,
    numbers,
    one_of,
    positive,
    refuse,
    whole,
)

ZERO_CELSIUS_K: Final = 273.15

ReadingStatus = Literal["ok", "open", "short"]

_ABSOLUTE = "above -273.15, the absolute zero"
_BEYOND = "a resistance that this curve reaches"
_CHECK_PART = "check the part's constants, or that the sensor is not open or shorted"


class ResistiveSensor(Protocol):
    """What `Divider` and the budgets need of a sensor."""

    def resistance_of(self, temperature_c: float) -> float:
        """Resistance in ohm at one temperature in degrees Celsius."""

    def temperature_of(self, resistance_ohm: float) -> float:
        """Temperature in degrees Celsius at one resistance in ohm."""


class _Curve:
    """Dispatch of numbers and arrays, shared by the three sensors."""

    __slots__ = ()

    def resistance_of(self, temperature_c: float) -> float:
        """Resistance in ohm at one temperature in degrees Celsius. Raises UsageError as `resistance_ohm`."""
        raise NotImplementedError

    def temperature_of(self, resistance_ohm: float) -> float:
        """Temperature in degrees Celsius at one resistance. Raises UsageError as `temperature_c`."""
        raise NotImplementedError

    @overload
    def resistance_ohm(self, temperature_c: float) -> float: ...
    @overload
    def resistance_ohm(self, temperature_c: FloatArray) -> FloatArray: ...
    def resistance_ohm(self, temperature_c: float | FloatArray) -> float | FloatArray:
        """Resistance in ohm at `temperature_c` (a number, or an array of any shape).

        Raises UsageError below absolute zero, outside the curve's range, and for NaN or infinity.
        """
        if isinstance(temperature_c, (float, int)):
            return self.resistance_of(temperature_c)
        return _each(self.resistance_of, "temperature_c", temperature_c)

    @overload
    def temperature_c(self, resistance_ohm: float) -> float: ...
    @overload
    def temperature_c(self, resistance_ohm: FloatArray) -> FloatArray: ...
    def temperature_c(self, resistance_ohm: float | FloatArray) -> float | FloatArray:
        """Temperature in degrees Celsius at `resistance_ohm` (a number, or an array of any shape).

        Raises UsageError for a resistance the curve does not reach, and for NaN or infinity.
        """
        if isinstance(resistance_ohm, (float, int)):
            return self.temperature_of(resistance_ohm)
        return _each(self.temperature_of, "resistance_ohm", resistance_ohm)

    def ohm_per_k(self, temperature_c: float) -> float:
        """Slope dR/dT in ohm per kelvin at `temperature_c`, by central difference over 2 mK.

        Raises UsageError as `resistance_ohm` does.
        """
        step = 1e-3
        rise = self.resistance_of(temperature_c + step) - self.resistance_of(temperature_c - step)
        return rise / (2.0 * step)


def _each(function: Callable[[float], float], name: str, values: FloatArray) -> FloatArray:
    array = numbers(name, values)
    return np.fromiter(map(function, array.ravel().tolist()), np.float64, array.size).reshape(array.shape)


@dataclass(frozen=True, slots=True)
class NtcBeta(_Curve):
    """A thermistor by its beta value: R = r25 · exp(beta · (1/T − 1/T25)), T in kelvin.

    `r25_ohm` is the resistance at `reference_c` (25 °C unless the maker says otherwise), `beta_k` in
    kelvin. Good to about 1 K within 50 K of the reference; further off the part's own curve or
    `SteinhartHart` is better. Raises UsageError for values that are not positive and finite.

    Source: the common two-parameter model, as in EPCOS / Siemens Matsushita, "Standardized R/T
    characteristics" and every maker's application notes.
    """

    r25_ohm: float
    beta_k: float
    reference_c: float = 25.0

    def __post_init__(self) -> None:
        positive("r25_ohm", self.r25_ohm)
        positive("beta_k", self.beta_k)
        inside("reference_c", self.reference_c, -ZERO_CELSIUS_K, INF)

    def resistance_of(self, temperature_c: float) -> float:
        """Resistance in ohm at one temperature. Raises UsageError as `resistance_ohm`."""
        kelvin = temperature_c + ZERO_CELSIUS_K
        if not 0.0 < kelvin < INF:
            raise refuse("temperature_c", temperature_c, _ABSOLUTE)
        exponent = self.beta_k * (1.0 / kelvin - 1.0 / (self.reference_c + ZERO_CELSIUS_K))
        if exponent > 600.0:  # e^600 ohm: beyond what a double and any meter can hold
            raise refuse("temperature_c", temperature_c, "a temperature this sensor can be read at")
        return self.r25_ohm * math.exp(exponent)

    def temperature_of(self, resistance_ohm: float) -> float:
        """Temperature at one resistance. Raises UsageError as `temperature_c`."""
        if not 0.0 < resistance_ohm < INF:
            raise refuse("resistance_ohm", resistance_ohm, "a finite resistance above 0", _CHECK_PART)
        inverse = 1.0 / (self.reference_c + ZERO_CELSIUS_K)
        inverse += math.log(resistance_ohm / self.r25_ohm) / self.beta_k
        if inverse <= 0.0:
            raise refuse("resistance_ohm", resistance_ohm, _BEYOND, _CHECK_PART)
        return 1.0 / inverse - ZERO_CELSIUS_K

    def sensitivity_per_k(self, temperature_c: float) -> float:
        """Relative slope (dR/dT)/R = −beta/T² as a fraction per kelvin; −0.0444 is −4.44 %/K.

        Raises UsageError below absolute zero. Source: derivative of the beta model.
        """
        kelvin = inside("temperature_c", temperature_c, -ZERO_CELSIUS_K, INF) + ZERO_CELSIUS_K
        return -self.beta_k / (kelvin * kelvin)

    @classmethod
    def from_points(cls, first: tuple[float, float], second: tuple[float, float]) -> NtcBeta:
        """The beta model through two points (temperature in °C, resistance in ohm), e.g. B25/85.

        Raises UsageError if the points are equal in temperature or do not fall with temperature.
        Source: the definition of the B value, B = ln(R1/R2) / (1/T1 − 1/T2).
        """
        (t1, r1), (t2, r2) = first, second
        inside("temperature_c", t1, -ZERO_CELSIUS_K, INF)
        inside("temperature_c", t2, -ZERO_CELSIUS_K, INF)
        log_ratio = math.log(positive("resistance_ohm", r1) / positive("resistance_ohm", r2))
        span = 1.0 / (t1 + ZERO_CELSIUS_K) - 1.0 / (t2 + ZERO_CELSIUS_K)
        if span == 0.0 or log_ratio / span <= 0.0:
            raise refuse("points", (first, second), "two temperatures, the hotter with the lower resistance")
        beta = log_ratio / span
        at_25 = r1 * math.exp(beta * (1.0 / 298.15 - 1.0 / (t1 + ZERO_CELSIUS_K)))
        return cls(at_25, beta)


@dataclass(frozen=True, slots=True)
class SteinhartHart(_Curve):
    """A thermistor by three coefficients: 1/T = a + b·ln R + c·(ln R)³, T in kelvin, R in ohm.

    Good to about 0.01 K over 100 K between the points it was fitted to. Raises UsageError unless b is
    positive and all are finite.

    Source: J. S. Steinhart and S. R. Hart, "Calibration curves for thermistors", Deep-Sea Research 15
    (1968) 497-503.
    """

    a: float
    b: float
    c: float

    def __post_init__(self) -> None:
        finite("a", self.a)
        positive("b", self.b, "check the order of the coefficients a, b, c")
        finite("c", self.c)

    def temperature_of(self, resistance_ohm: float) -> float:
        """Temperature at one resistance. Raises UsageError as `temperature_c`."""
        if not 0.0 < resistance_ohm < INF:
            raise refuse("resistance_ohm", resistance_ohm, "a finite resistance above 0", _CHECK_PART)
        log_r = math.log(resistance_ohm)
        inverse = self.a + log_r * (self.b + self.c * log_r * log_r)
        if inverse <= 0.0:
            raise refuse("resistance_ohm", resistance_ohm, _BEYOND, _CHECK_PART)
        return 1.0 / inverse - ZERO_CELSIUS_K

    def resistance_of(self, temperature_c: float) -> float:
        """Resistance at one temperature. Raises UsageError as `resistance_ohm`."""
        kelvin = temperature_c + ZERO_CELSIUS_K
        if not 0.0 < kelvin < INF:
            raise refuse("temperature_c", temperature_c, _ABSOLUTE)
        wanted = 1.0 / kelvin - self.a
        # With c >= 0 Newton from the line b·L closes in from one side, so it can't run away.
        log_r = wanted / self.b
        for _ in range(60):
            square = self.c * log_r * log_r
            slope = self.b + 3.0 * square
            if slope <= 0.0 or abs(log_r) > 600.0:
                break
            step = (log_r * (self.b + square) - wanted) / slope
            log_r -= step
            if abs(step) <= 1e-14 * (1.0 + abs(log_r)):
                return math.exp(log_r)
        raise refuse("temperature_c", temperature_c, "a temperature this curve can be read at", _CHECK_PART)

    @classmethod
    def from_points(cls, points: Sequence[tuple[float, float]]) -> SteinhartHart:
        """The curve through exactly three points (temperature in °C, resistance in ohm).

        Raises UsageError unless there are three distinct points whose resistance falls with
        temperature. Source: Steinhart and Hart 1968; solution by divided differences.
        """
        if len(points) != 3:
            raise refuse("points", points, "exactly three points", "choose a cold, a middle and a hot one")
        for temperature_c, resistance_ohm in points:
            inside("temperature_c", temperature_c, -ZERO_CELSIUS_K, INF)
            positive("resistance_ohm", resistance_ohm)
        (t1, r1), (t2, r2), (t3, r3) = sorted(points)
        if not (t1 < t2 < t3 and r1 > r2 > r3):
            raise refuse("points", points, "three temperatures, each hotter one with a lower resistance")
        l1, l2, l3 = math.log(r1), math.log(r2), math.log(r3)
        y1, y2, y3 = (1.0 / (t + ZERO_CELSIUS_K) for t in (t1, t2, t3))
        slope2, slope3 = (y2 - y1) / (l2 - l1), (y3 - y1) / (l3 - l1)
        c = (slope3 - slope2) / ((l3 - l2) * (l1 + l2 + l3))
        b = slope2 - c * (l1 * l1 + l1 * l2 + l2 * l2)
        return cls(y1 - l1 * (b + c * l1 * l1), b, c)


PLATINUM_A: Final = 3.9083e-3
PLATINUM_B: Final = -5.775e-7
PLATINUM_C: Final = -4.183e-12

PlatinumGrade = Literal["AA", "A", "B"]

_GRADES: Final = {"AA": (0.1, 0.0017), "A": (0.15, 0.002), "B": (0.3, 0.005)}


@dataclass(frozen=True, slots=True)
class Platinum(_Curve):
    """A platinum resistor by IEC 60751, valid from −200 to 850 °C. `r0_ohm` is the value at 0 °C.

    R = r0·(1 + A t + B t²), and below 0 °C the further term C·(t − 100)·t³, with A = 3.9083e-3,
    B = −5.775e-7, C = −4.183e-12 (Callendar-Van Dusen). Pt100 is `Platinum(100.0)`, Pt1000
    `Platinum(1000.0)`. Raises UsageError unless r0 is positive and finite.

    Source: IEC 60751:2008.
    """

    r0_ohm: float = 100.0

    def __post_init__(self) -> None:
        positive("r0_ohm", self.r0_ohm)

    def resistance_of(self, temperature_c: float) -> float:
        """Resistance at one temperature, −200 to 850 °C. Raises UsageError as `resistance_ohm`."""
        t = temperature_c
        if not -200.0 <= t <= 850.0:
            raise refuse("temperature_c", t, "-200 to 850, the range of IEC 60751")
        ratio = 1.0 + t * (PLATINUM_A + PLATINUM_B * t)
        if t < 0.0:
            ratio += PLATINUM_C * (t - 100.0) * t * t * t
        return self.r0_ohm * ratio

    def temperature_of(self, resistance_ohm: float) -> float:
        """Temperature at one resistance. Raises UsageError as `temperature_c`.

        Closed form above 0 °C; below, Newton on the fourth-order polynomial to 1e-10 K.
        """
        ratio = resistance_ohm / self.r0_ohm
        # The ratios at −200 and 850 °C, with a little room for rounding at the very ends.
        if not 0.18520079 <= ratio <= 3.90481127:
            raise refuse(
                "resistance_ohm", resistance_ohm, "a resistance between -200 and 850 °C", _CHECK_PART
            )
        root = PLATINUM_A * PLATINUM_A - 4.0 * PLATINUM_B * (1.0 - ratio)
        t = (math.sqrt(root) - PLATINUM_A) / (2.0 * PLATINUM_B)
        if ratio >= 1.0:
            return min(t, 850.0)
        for _ in range(20):
            cube = t * t * t
            error = 1.0 + t * (PLATINUM_A + PLATINUM_B * t) + PLATINUM_C * (t - 100.0) * cube - ratio
            slope = PLATINUM_A + 2.0 * PLATINUM_B * t + PLATINUM_C * (4.0 * t - 300.0) * t * t
            step = error / slope
            t -= step
            if abs(step) < 1e-10:
                break
        return max(t, -200.0)

    def tolerance_k(self, temperature_c: float, grade: PlatinumGrade = "B") -> float:
        """Permitted error ± in kelvin of tolerance class `grade` at `temperature_c`.

        AA 0.1 + 0.0017|t|, A 0.15 + 0.002|t|, B 0.3 + 0.005|t|. The standard limits each class to a
        range that depends on how the element is made; the part's data sheet says which holds.
        Raises UsageError for another class or a temperature outside −200 to 850 °C.
        Source: IEC 60751:2008 (A and B seen in secondary sheets; AA from memory).
        """
        if not -200.0 <= temperature_c <= 850.0:
            raise refuse("temperature_c", temperature_c, "-200 to 850, the range of IEC 60751")
        fixed, slope = _GRADES[one_of("grade", grade, tuple(_GRADES))]
        return fixed + slope * abs(temperature_c)


@dataclass(frozen=True, slots=True)
class Divider:
    """Pull-up to the reference, sensor to ground, read by a converter of `adc_bits` on that reference.

    Full scale is 2**adc_bits − 1 counts. A ratio (0..1 of the reference) at or above `open_above` is
    an open sensor, at or below `short_below` a shorted one; the defaults (common practice, no source)
    leave a 100 kohm thermistor on 4.7 kohm room from −30 to 390 °C.
    Raises UsageError for a pull-up or reference that is not positive, bits outside 4 to 24, or
    thresholds out of order.

    Source: voltage divider (Ohm's law).
    """

    pull_up_ohm: float
    adc_bits: int = 12
    reference_v: float = 3.3
    open_above: float = 0.998
    short_below: float = 0.005

    def __post_init__(self) -> None:
        positive("pull_up_ohm", self.pull_up_ohm)
        whole("adc_bits", self.adc_bits, 4, 24)
        positive("reference_v", self.reference_v)
        inside("open_above", self.open_above, 0.0, 1.0)
        inside("short_below", self.short_below, 0.0, self.open_above)

    @property
    def full_scale(self) -> int:
        """Largest code of the converter, 2**adc_bits − 1."""
        return (1 << self.adc_bits) - 1

    def ratio(self, resistance_ohm: float) -> float:
        """Voltage at the converter as a fraction of the reference, R/(R + pull-up).

        `math.inf` is allowed here and only here: it is an open sensor and gives 1.0.
        Raises UsageError for NaN or a negative resistance.
        """
        if not resistance_ohm >= 0.0:
            raise refuse("resistance_ohm", resistance_ohm, "0 or more (math.inf for an open sensor)")
        if resistance_ohm == INF:
            return 1.0
        return resistance_ohm / (resistance_ohm + self.pull_up_ohm)

    def voltage_v(self, resistance_ohm: float) -> float:
        """Voltage at the converter's pin. Raises UsageError as `ratio`."""
        return self.reference_v * self.ratio(resistance_ohm)

    def counts(self, resistance_ohm: float) -> float:
        """Ideal converter reading, not yet rounded, 0 to full scale. Raises UsageError as `ratio`."""
        return self.full_scale * self.ratio(resistance_ohm)

    def code(self, resistance_ohm: float, noise_counts: float = 0.0) -> int:
        """What a converter with `noise_counts` of momentary error returns: rounded and clipped.

        Raises UsageError as `ratio`, and for noise that is not finite.
        """
        if not -INF < noise_counts < INF:
            raise refuse("noise_counts", noise_counts, "a finite number")
        reading = math.floor(self.counts(resistance_ohm) + noise_counts + 0.5)
        return max(0, min(self.full_scale, reading))

    def status(self, counts: float) -> ReadingStatus:
        """ "ok", "open" or "short" for a reading in counts. Raises UsageError outside 0 to full scale."""
        full = self.full_scale
        if not 0.0 <= counts <= full:
            raise refuse("counts", counts, f"0 to {full}", "check adc_bits")
        ratio = counts / full
        if ratio >= self.open_above:
            return "open"
        return "short" if ratio <= self.short_below else "ok"

    def resistance_ohm(self, counts: float) -> float:
        """Sensor resistance in ohm from a reading in counts.

        Raises UsageError for a reading that means open or short (ask `status` first) or lies
        outside 0 to full scale.
        """
        status = self.status(counts)
        if status != "ok":
            raise refuse(
                "counts", counts, f"a reading of a connected sensor, not {status}", "ask status() first"
            )
        return self.pull_up_ohm * counts / (self.full_scale - counts)

    def kelvin_per_lsb(self, sensor: ResistiveSensor, temperature_c: float) -> float:
        """Size of one count in kelvin at `temperature_c`, always positive.

        Raises UsageError as the sensor does. Source: chain rule, dR/dcounts = (R + Rp)²/(Rp·full scale).
        """
        step = 1e-3
        high = self.counts(sensor.resistance_of(temperature_c + step))
        low = self.counts(sensor.resistance_of(temperature_c - step))
        return 2.0 * step / abs(high - low)


@dataclass(frozen=True, slots=True)
class ReadingBudget:
    """Error of one temperature reading in kelvin: each contribution, their sum and their root sum square.

    Each contribution is the larger of the two signs. `worst_case_k` adds them (all tolerances at
    their limit the bad way), `root_sum_square_k` supposes them independent.
    """

    temperature_c: float
    contributions_k: dict[str, float]

    @property
    def worst_case_k(self) -> float:
        """Sum of the contributions in kelvin."""
        return sum(self.contributions_k.values())

    @property
    def root_sum_square_k(self) -> float:
        """Root of the sum of squares of the contributions in kelvin."""
        return math.sqrt(sum(value * value for value in self.contributions_k.values()))


def ntc_reading_budget(
    sensor: NtcBeta,
    divider: Divider,
    temperature_c: float,
    *,
    r25_tolerance: float = 0.01,
    beta_tolerance: float = 0.01,
    pull_up_tolerance: float = 0.01,
    adc_error_counts: float = 2.0,
) -> ReadingBudget:
    """What a thermistor reading is worth at `temperature_c`: tolerances are fractions (0.01 is 1 %).

    The real part deviates, the firmware decodes with nominal values; each tolerance is moved alone
    to both its limits. Contribution names: "r25", "beta", "pull_up", "adc".
    Raises UsageError for tolerances outside 0 to 0.5 or a temperature at which the divider reads
    open or short. Source: Gauss's propagation by finite difference; defaults common practice.
    """
    for name, value in (
        ("r25_tolerance", r25_tolerance),
        ("beta_tolerance", beta_tolerance),
        ("pull_up_tolerance", pull_up_tolerance),
    ):
        _tolerance(name, value)
    at = temperature_c

    def read(r25: float = 1.0, beta: float = 1.0, pull_up: float = 1.0) -> float:
        part = NtcBeta(sensor.r25_ohm * r25, sensor.beta_k * beta, sensor.reference_c)
        return _decoded_c(sensor, divider, part.resistance_of(at), pull_up)

    return ReadingBudget(
        at,
        {
            "r25": max(abs(read(r25=1.0 + s * r25_tolerance) - at) for s in (1, -1)),
            "beta": max(abs(read(beta=1.0 + s * beta_tolerance) - at) for s in (1, -1)),
            "pull_up": max(abs(read(pull_up=1.0 + s * pull_up_tolerance) - at) for s in (1, -1)),
            "adc": _adc_error_k(sensor, divider, at, adc_error_counts),
        },
    )


def platinum_reading_budget(
    sensor: Platinum,
    divider: Divider,
    temperature_c: float,
    *,
    grade: PlatinumGrade = "B",
    pull_up_tolerance: float = 0.001,
    lead_ohm: float = 0.0,
    adc_error_counts: float = 2.0,
) -> ReadingBudget:
    """What a two-wire platinum reading is worth at `temperature_c`.

    Contribution names: "element" (tolerance class), "pull_up", "leads" (`lead_ohm` of both leads
    together, not corrected), "adc". Raises UsageError as `ntc_reading_budget`.
    Source: IEC 60751 for the element, divider arithmetic for the rest.
    """
    _tolerance("pull_up_tolerance", pull_up_tolerance)
    not_negative("lead_ohm", lead_ohm)
    ohm = sensor.resistance_of(temperature_c)
    moved = (_decoded_c(sensor, divider, ohm, 1.0 + s * pull_up_tolerance) for s in (1, -1))
    return ReadingBudget(
        temperature_c,
        {
            "element": sensor.tolerance_k(temperature_c, grade),
            "pull_up": max(abs(value - temperature_c) for value in moved),
            "leads": sensor.temperature_of(ohm + lead_ohm) - sensor.temperature_of(ohm),
            "adc": _adc_error_k(sensor, divider, temperature_c, adc_error_counts),
        },
    )


def _tolerance(name: str, value: float) -> None:
    if not 0.0 <= value <= 0.5:
        raise refuse(name, value, "a fraction from 0 to 0.5", "0.01 is 1 %")


def _decoded_c(sensor: ResistiveSensor, divider: Divider, ohm: float, pull_up_factor: float) -> float:
    """Temperature the firmware shows when the pull-up is off by a factor and it doesn't know."""
    ratio = ohm / (ohm + divider.pull_up_ohm * pull_up_factor)
    return sensor.temperature_of(divider.resistance_ohm(divider.full_scale * ratio))


def _adc_error_k(sensor: ResistiveSensor, divider: Divider, temperature_c: float, counts: float) -> float:
    not_negative("adc_error_counts", counts)
    ideal = divider.counts(sensor.resistance_of(temperature_c))
    readings = (min(max(ideal + s * counts, 0.0), divider.full_scale) for s in (1, -1))
    return max(
        abs(sensor.temperature_of(divider.resistance_ohm(reading)) - temperature_c) for reading in readings
    )
