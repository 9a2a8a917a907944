"""Statistics for a verdict: bounds from counts, sequential tests, percentiles, capability, decision rules.

The bounds from counts live in `binomial` and are re-exported here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from hiltest.physics._arguments import (
    FloatArray,
    between,
    confidence_level,
    finite,
    inside,
    not_negative,
    one_of,
    positive,
    refuse,
    series,
    whole,
)
from hiltest.physics.binomial import (
    binomial_at_most,
    clopper_pearson,
    error_rate_lower_bound,
    error_rate_upper_bound,
    poisson_lower,
    poisson_upper,
    samples_for_zero_failures,
    zero_failure_upper_bound,
)

__all__ = [
    "Capability",
    "Conformity",
    "DecisionRule",
    "Percentile",
    "Sprt",
    "binomial_at_most",
    "capability",
    "clopper_pearson",
    "conformance_probability",
    "conformity",
    "drift_free_sigma",
    "error_rate_lower_bound",
    "error_rate_upper_bound",
    "percentile",
    "poisson_lower",
    "poisson_upper",
    "robust_sigma",
    "samples_for_zero_failures",
    "zero_failure_upper_bound",
]

SprtState = Literal["accept", "reject", "continue"]
DecisionRule = Literal["simple acceptance", "guarded acceptance", "guarded rejection"]
Conformity = Literal["conforms", "does not conform", "undecided"]

_MAD_TO_SIGMA: Final = 1.482602218505602  # 1 / normal quantile of 0.75


@dataclass(frozen=True, slots=True)
class Sprt:
    """Wald's sequential test of a failure probability, item by item.

    `p0` is good (accepted with probability 1 − alpha), `p1` is bad (accepted with probability beta).
    Stop as soon as `decide` says so; until then go on. Raises UsageError unless 0 < p0 < p1 < 1,
    alpha and beta are between 0 and 1 and alpha + beta is below 1.

    Source: A. Wald, Sequential Analysis (1947); lines as in the NIST/SEMATECH e-Handbook, section 6.2
    (from memory).
    """

    p0: float
    p1: float
    alpha: float = 0.05
    beta: float = 0.05

    def __post_init__(self) -> None:
        inside("p1", self.p1, 0.0, 1.0, "give a fraction, 0.01 for 1 %")
        inside("p0", self.p0, 0.0, self.p1, "the good probability must be below the bad one")
        inside("alpha", self.alpha, 0.0, 1.0)
        inside("beta", self.beta, 0.0, 1.0 - self.alpha, "alpha + beta must stay below 1")

    @property
    def _scale(self) -> float:
        return math.log(self.p1 / self.p0) + math.log1p(-self.p0) - math.log1p(-self.p1)

    @property
    def accept_height(self) -> float:
        """h1: the acceptance line is slope·n − h1."""
        return math.log((1.0 - self.alpha) / self.beta) / self._scale

    @property
    def reject_height(self) -> float:
        """h2: the rejection line is slope·n + h2."""
        return math.log((1.0 - self.beta) / self.alpha) / self._scale

    @property
    def slope(self) -> float:
        """s: slope of both lines, failures per trial."""
        return (math.log1p(-self.p0) - math.log1p(-self.p1)) / self._scale

    @property
    def fewest_to_accept(self) -> int:
        """Trials without one failure after which the test accepts."""
        return math.ceil(self.accept_height / self.slope)

    def decide(self, failures: int, trials: int) -> SprtState:
        """ "accept", "reject" or "continue" after `failures` in `trials`.

        Raises UsageError for counts below 0 or more failures than trials. Source as the class.
        """
        whole("trials", trials, 0)
        whole("failures", failures, 0, trials)
        middle = self.slope * trials
        if failures >= middle + self.reject_height:
            return "reject"
        return "accept" if failures <= middle - self.accept_height else "continue"


@dataclass(frozen=True, slots=True)
class Percentile:
    """A percentile of a sample with its interval by ranks.

    `low` or `high` is None where the sample is too small to bound that side. `confidence` is what the
    interval really has (ranks are whole numbers), at least what was asked if both sides exist.
    """

    fraction: float
    value: float
    low: float | None
    high: float | None
    confidence: float
    samples: int


def percentile(values: npt.ArrayLike, fraction: float, confidence: float = 0.95) -> Percentile:
    """Percentile `fraction` (0.99 for the 99th) of `values` (one dimension) with its interval by ranks.

    Nothing is supposed about the distribution. The value interpolates linearly between ranks; the
    interval takes order statistics such that the doubt on each side is at most (1 − confidence)/2.
    Raises UsageError for no values, NaN or infinity, or fractions outside 0..1.
    Source: binomial distribution of ranks; H. A. David, Order Statistics, section 2.5 (from memory).
    """
    inside("fraction", fraction, 0.0, 1.0, "give a fraction, 0.99 for the 99th percentile")
    doubt = (1.0 - confidence_level(confidence)) / 2.0
    ordered = np.sort(series("values", values))
    n = ordered.size
    value = float(np.quantile(ordered, fraction))
    low_rank = _rank_below(n, fraction, doubt)
    high_rank = n + 1 - _rank_below(n, 1.0 - fraction, doubt)
    missed = 0.0 if low_rank < 1 else binomial_at_most(low_rank - 1, n, fraction)
    missed += 0.0 if high_rank > n else 1.0 - binomial_at_most(high_rank - 1, n, fraction)
    return Percentile(
        fraction,
        value,
        None if low_rank < 1 else float(ordered[low_rank - 1]),
        None if high_rank > n else float(ordered[high_rank - 1]),
        1.0 - missed,
        n,
    )


def _rank_below(n: int, fraction: float, doubt: float) -> int:
    """Largest rank r (1-based) with P(X < r) <= doubt; 0 if there is none. X counts values below."""
    low, high = 0, n
    while low < high:
        middle = (low + high + 1) // 2
        if binomial_at_most(middle - 1, n, fraction) <= doubt:
            low = middle
        else:
            high = middle - 1
    return low


@dataclass(frozen=True, slots=True)
class Capability:
    """Spread and position of values against limits.

    `cp` is (high − low)/6 sigma and None with one limit, `cpk` the distance from the mean to the nearer
    limit over 3 sigma.
    """

    mean: float
    sigma: float
    samples: int
    cp: float | None
    cpk: float

    @property
    def off_centre(self) -> float | None:
        """k = 1 − Cpk/Cp, 0 when centred; None with one limit."""
        return None if self.cp is None else 1.0 - self.cpk / self.cp


def capability(values: npt.ArrayLike, low: float | None = None, high: float | None = None) -> Capability:
    """Cp and Cpk of `values` (one dimension, two or more that differ) against one or both limits.

    Sigma is the sample standard deviation (n − 1). Raises UsageError without a limit, for limits out
    of order, or for values that do not vary.
    Source: NIST/SEMATECH e-Handbook, section 6.1.6.
    """
    array = series("values", values, at_least=2)
    sigma = float(array.std(ddof=1))
    if sigma == 0.0:
        raise refuse(
            "values", f"<{array.size} equal values>", "values that vary", "a frozen reading is a fault"
        )
    return _capability(float(array.mean()), sigma, array.size, *_limits(low, high))


def _capability(mean: float, sigma: float, n: int, low: float | None, high: float | None) -> Capability:
    sides = []
    if low is not None:
        sides.append((mean - low) / (3.0 * sigma))
    if high is not None:
        sides.append((high - mean) / (3.0 * sigma))
    cp = None if low is None or high is None else (high - low) / (6.0 * sigma)
    return Capability(mean, sigma, n, cp, min(sides))


def _limits(low: float | None, high: float | None) -> tuple[float | None, float | None]:
    if low is None and high is None:
        raise refuse("low", low, "at least one of low and high", "give the limit that matters")
    if low is not None:
        finite("low", low)
    if high is not None:
        finite("high", high)
    if low is not None and high is not None and not low < high:
        raise refuse("low", low, f"below high={high:g}", "exchange the limits")
    return low, high


def conformity(
    value: float,
    expanded_uncertainty: float,
    low: float | None = None,
    high: float | None = None,
    rule: DecisionRule = "guarded acceptance",
) -> Conformity:
    """Verdict on one measured value against its limits under a stated decision rule.

    "simple acceptance": conforms if within the limits, uncertainty or not (the risk is shared).
    "guarded acceptance": conforms only if still within when the limits are drawn in by the expanded
    uncertainty U (the tester proves that it is good); past a limit by more than U it does not
    conform; between, "undecided". "guarded rejection": conforms unless past a limit by more than U.
    Raises UsageError without limits, for limits out of order, negative U, or guard bands that leave nothing.
    Source: JCGM 106:2012, sections 8.2 and 8.3 (guard band w = U); ISO 14253-1 for guarded acceptance
    as the tester's default (both from memory).
    """
    finite("value", value)
    guard = not_negative("expanded_uncertainty", expanded_uncertainty)
    one_of("rule", rule, ("simple acceptance", "guarded acceptance", "guarded rejection"))
    low, high = _limits(low, high)
    if rule == "simple acceptance":
        return "conforms" if _within(value, low, high, 0.0) else "does not conform"
    if rule == "guarded rejection":
        return "conforms" if _within(value, low, high, guard) else "does not conform"
    if low is not None and high is not None and 2.0 * guard > high - low:
        raise refuse(
            "expanded_uncertainty",
            guard,
            f"at most half the tolerance, {(high - low) / 2:g}",
            "measure better",
        )
    if _within(value, low, high, -guard):
        return "conforms"
    return "undecided" if _within(value, low, high, guard) else "does not conform"


def _within(value: float, low: float | None, high: float | None, widened: float) -> bool:
    return (low is None or value >= low - widened) and (high is None or value <= high + widened)


def conformance_probability(
    value: float, standard_uncertainty: float, low: float | None = None, high: float | None = None
) -> float:
    """Probability that the true value lies within the limits, for a normal error without prior knowledge.

    `standard_uncertainty` is one sigma (half of U at k = 2). Raises UsageError without limits, for
    limits out of order, or an uncertainty that is not positive.
    Source: JCGM 106:2012, section 7 (from memory).
    """
    finite("value", value)
    positive("standard_uncertainty", standard_uncertainty)
    low, high = _limits(low, high)
    truth = NormalDist(value, standard_uncertainty)
    above = 0.0 if low is None else truth.cdf(low)
    below = 1.0 if high is None else truth.cdf(high)
    return between("conformance", max(0.0, below - above), 0.0, 1.0)


def robust_sigma(values: npt.ArrayLike) -> float:
    """Standard deviation of normal noise by the median of absolute deviations, 1.4826·MAD.

    Up to half of the values may be wild. 0.0 if more than half are equal, as with a coarse converter;
    `drift_free_sigma` then still sees the noise. `values` is one-dimensional, two or more.
    Raises UsageError for fewer, NaN or infinity. Source: F. R. Hampel, JASA 69 (1974) 383-393.
    """
    array = series("values", values, at_least=2)
    return _MAD_TO_SIGMA * float(np.median(np.abs(array - np.median(array))))


def drift_free_sigma(values: npt.ArrayLike) -> float:
    """Standard deviation of the noise on a slowly moving signal, from neighbouring differences.

    Root mean square of x[i+1] − x[i], over sqrt 2: a slope of one sigma per sample adds a fifth to it, a
    slow drift nothing. Not robust against single jumps. `values` is one-dimensional, two or more, in
    order of time. Raises UsageError for fewer, NaN or infinity.
    Source: J. von Neumann et al., Annals of Mathematical Statistics 12 (1941) 153-162.
    """
    differences: FloatArray = np.diff(series("values", values, at_least=2))
    return math.sqrt(float(np.mean(differences * differences)) / 2.0)
