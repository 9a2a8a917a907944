"""Tails of the binomial and Poisson distributions that stay right for 10^12 trials, and the bounds from them.

The point probabilities use Loader's saddle-point form: the naive one subtracts logarithms of
factorials of 10^12, which leaves three digits. A tail is then a sum of positive terms falling away
from its largest, so nothing cancels. The binomial tail is the regularised incomplete beta function at
whole-number arguments; scipy is the reference in the tests and is not needed at run time.

Re-exported by `statistics`.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from hiltest.physics._arguments import confidence_level, inside, refuse, whole

_MOST_TRIALS: Final = 10**15
_HALF_LOG_TWO_PI: Final = 0.5 * math.log(2.0 * math.pi)


def zero_failure_upper_bound(trials: int, confidence: float = 0.95) -> float:
    """Upper bound of the failure probability after `trials` without one failure: 1 − (1 − c)^(1/n).

    Exact, one-sided, and accurate to the last digits for any number of trials (3/n at 95 % is its
    approximation). Raises UsageError for trials below 1 or confidence outside 0..1.
    Source: binomial distribution with no event; C. J. Clopper and E. S. Pearson, Biometrika 26 (1934).
    """
    whole("trials", trials, 1, _MOST_TRIALS)
    return -math.expm1(math.log1p(-confidence_level(confidence)) / trials)


def samples_for_zero_failures(failure_probability: float, confidence: float = 0.95) -> int:
    """Fewest trials that, without one failure, show the failure probability to be no more than given.

    299 for 1 % at 95 %. Raises UsageError unless both arguments are between 0 and 1.
    Source: `zero_failure_upper_bound` solved for n, ceil(ln(1 − c)/ln(1 − p)).
    """
    inside("failure_probability", failure_probability, 0.0, 1.0, "give a fraction, 0.01 for 1 %")
    exact = math.log1p(-confidence_level(confidence)) / math.log1p(-failure_probability)
    nearest = round(exact)
    # A quotient that is a whole number but for rounding (1 % and 0.99^k) must not be rounded up.
    if nearest >= 1 and abs(exact - nearest) <= 4e-16 * exact:
        return nearest
    return max(1, math.ceil(exact))


def error_rate_upper_bound(errors: int, trials: int, confidence: float = 0.95) -> float:
    """One-sided upper bound of an error probability after `errors` in `trials` (bits, frames, moves).

    Exact (Clopper-Pearson), relative error below 1e-9 up to 10^15 trials; 1.0 if all failed.
    Raises UsageError for errors outside 0..trials or confidence outside 0..1.
    Source: Clopper and Pearson, Biometrika 26 (1934) 404-413.
    """
    _check_counts(errors, trials)
    return _upper(errors, trials, 1.0 - confidence_level(confidence))


def error_rate_lower_bound(errors: int, trials: int, confidence: float = 0.95) -> float:
    """One-sided lower bound of an error probability after `errors` in `trials`; 0.0 without an error.

    Errors and source as `error_rate_upper_bound`.
    """
    _check_counts(errors, trials)
    return _lower(errors, trials, 1.0 - confidence_level(confidence))


def clopper_pearson(errors: int, trials: int, confidence: float = 0.95) -> tuple[float, float]:
    """Two-sided exact interval (low, high) of a probability after `errors` in `trials`.

    Half of the doubt lies on either side. Errors and source as `error_rate_upper_bound`.
    """
    _check_counts(errors, trials)
    doubt = (1.0 - confidence_level(confidence)) / 2.0
    return _lower(errors, trials, doubt), _upper(errors, trials, doubt)


def poisson_upper(errors: int, confidence: float = 0.95) -> float:
    """Upper bound of the expected number of events after `errors` were seen: 2.996 for none at 95 %.

    Divide by the number of bits sent for a bit error rate. Raises UsageError for errors outside
    0..10^15 or confidence outside 0..1.
    Source: half the chi-squared quantile with 2·(errors + 1) degrees of freedom; Garwood, Biometrika
    28 (1936) 437-442.
    """
    whole("errors", errors, 0, _MOST_TRIALS)
    doubt = 1.0 - confidence_level(confidence)
    if errors == 0:
        return -math.log(doubt)
    return _poisson_root(errors, doubt, upper=True)


def poisson_lower(errors: int, confidence: float = 0.95) -> float:
    """Lower bound of the expected number of events after `errors` were seen; 0.0 for none.

    Errors and source as `poisson_upper`.
    """
    whole("errors", errors, 0, _MOST_TRIALS)
    doubt = 1.0 - confidence_level(confidence)
    return 0.0 if errors == 0 else _poisson_root(errors, doubt, upper=False)


def binomial_at_most(events: int, trials: int, probability: float) -> float:
    """P(X <= events) of a binomial variable. Raises UsageError for arguments out of range.

    Source: C. Loader, "Fast and accurate computation of binomial probabilities" (2000), and summation.
    """
    _check_counts(events, trials)
    inside("probability", probability, 0.0, 1.0)
    if events == trials:
        return 1.0
    if events < trials * probability:
        return _tail_down(events, trials, probability)
    return 1.0 - _tail_up(events + 1, trials, probability)


def _check_counts(errors: int, trials: int) -> None:
    whole("trials", trials, 1, _MOST_TRIALS)
    if whole("errors", errors, 0) > trials:
        raise refuse(
            "errors", errors, f"at most the number of trials, {trials}", "check which count is which"
        )


def _upper(errors: int, trials: int, doubt: float) -> float:
    """p at which P(X <= errors) is `doubt`."""
    if errors == trials:
        return 1.0
    if errors == 0:
        return -math.expm1(math.log(doubt) / trials)
    if 2 * errors > trials:
        return 1.0 - _lower(trials - errors, trials, doubt)
    return _binomial_root(errors, trials, doubt, upper=True)


def _lower(errors: int, trials: int, doubt: float) -> float:
    """p at which P(X >= errors) is `doubt`."""
    if errors == 0:
        return 0.0
    if errors == trials:
        return math.exp(math.log(doubt) / trials)
    if 2 * errors > trials:
        return 1.0 - _upper(trials - errors, trials, doubt)
    return _binomial_root(errors, trials, doubt, upper=False)


def _binomial_root(errors: int, trials: int, doubt: float, *, upper: bool) -> float:
    rate = errors / trials
    spread = math.sqrt(rate * (1.0 - rate) / trials) + 1.0 / trials

    def tail(p: float) -> tuple[float, float]:
        """The tail at p, and its derivative to ln p."""
        point = _binomial_point(errors, trials, p)
        if upper:
            return binomial_at_most(errors, trials, p), -(trials - errors) * p / (1.0 - p) * point
        return _at_least(errors, trials, p), errors * point

    return _root_in_log(tail, math.log(doubt), start=rate + (spread if upper else -0.5 * spread), top=1.0)


def _poisson_root(errors: int, doubt: float, *, upper: bool) -> float:
    spread = math.sqrt(errors) + 1.0

    def tail(mean: float) -> tuple[float, float]:
        if upper:
            return _poisson_at_most(errors, mean), -mean * _poisson_point(errors, mean)
        return _poisson_at_least(errors, mean), mean * _poisson_point(errors - 1, mean)

    start = errors + (spread if upper else -0.5 * spread)
    return _root_in_log(tail, math.log(doubt), start=start, top=math.inf)


def _root_in_log(
    tail: Callable[[float], tuple[float, float]], goal: float, *, start: float, top: float
) -> float:
    """Newton on the logarithm of a monotone tail over ln x, kept inside what is already known.

    In these coordinates both tails are concave and nearly straight, so a handful of steps do. Far out
    a tail underflows to 0; there the interval is halved instead.
    """
    low, high = 0.0, top
    x = start if 0.0 < start < top else 0.5
    for _ in range(200):
        value, slope = tail(x)
        error = math.log(value) - goal if value > 0.0 else -math.inf
        if (error > 0.0) == (slope > 0.0):
            high = x
        else:
            low = x
        following = low
        if value > 0.0 and slope != 0.0:
            step = -error * value / slope
            if abs(step) <= 4e-15:
                return x + x * step
            following = x * math.exp(max(-5.0, min(5.0, step)))
        if not low < following < high:
            following = _middle(low, high)
        if high - low <= 4e-16 * low:
            return following
        x = following
    return x


def _middle(low: float, high: float) -> float:
    if high == math.inf:
        return 2.0 * low + 1.0
    return 0.5 * (low + high) if low > 0.0 else high * 1e-3


def _at_least(events: int, trials: int, p: float) -> float:
    if events > trials * p:
        return _tail_up(events, trials, p)
    return 1.0 - _tail_down(events - 1, trials, p)


def _tail_down(events: int, trials: int, p: float) -> float:
    """P(X <= events) by terms from `events` down; for events below the mean."""
    odds = (1.0 - p) / p
    return _binomial_point(events, trials, p) * _falling_sum(
        lambda step: (events - step) / (trials - events + 1.0 + step) * odds, events
    )


def _tail_up(events: int, trials: int, p: float) -> float:
    """P(X >= events) by terms from `events` up; for events above the mean."""
    odds = p / (1.0 - p)
    return _binomial_point(events, trials, p) * _falling_sum(
        lambda step: (trials - events - step) / (events + 1.0 + step) * odds, trials - events
    )


def _poisson_at_most(events: int, mean: float) -> float:
    if events < mean:
        return _poisson_point(events, mean) * _falling_sum(lambda step: (events - step) / mean, events)
    return 1.0 - _poisson_at_least(events + 1, mean)


def _poisson_at_least(events: int, mean: float) -> float:
    if events > mean:
        return _poisson_point(events, mean) * _falling_sum(
            lambda step: mean / (events + 1.0 + step), _MOST_TRIALS
        )
    return 1.0 - _poisson_at_most(events - 1, mean)


def _falling_sum(
    ratio: Callable[[np.ndarray[tuple[int], np.dtype[np.float64]]], object], terms: int
) -> float:
    """1 + r0 + r0·r1 + … with the ratios of neighbouring terms, all below 1, until nothing is added."""
    total, last, begin, size = 1.0, 1.0, 0, 64
    while begin < terms and last > 1e-18 * total:
        steps = np.arange(begin, min(begin + size, terms), dtype=np.float64)
        products = last * np.cumprod(np.asarray(ratio(steps)))
        total += float(products.sum())
        last = float(products[-1])
        begin += size
        size = min(size * 4, 1 << 20)
    return total


def _binomial_point(events: int, trials: int, p: float) -> float:
    """P(X = events), Loader's form."""
    rest, q = trials - events, 1.0 - p
    if events == 0:
        return math.exp(trials * math.log1p(-p))
    if rest == 0:
        return math.exp(trials * math.log(p))
    exponent = _stirling_error(trials) - _stirling_error(events) - _stirling_error(rest)
    exponent -= _deviance(events, trials * p) + _deviance(rest, trials * q)
    exponent += 0.5 * (math.log(trials) - math.log(events) - math.log(rest)) - _HALF_LOG_TWO_PI
    return math.exp(exponent)


def _poisson_point(events: int, mean: float) -> float:
    """P(X = events), Loader's form."""
    if events == 0:
        return math.exp(-mean)
    exponent = -_stirling_error(events) - _deviance(events, mean)
    return math.exp(exponent - 0.5 * math.log(events) - _HALF_LOG_TWO_PI)


def _stirling_error(n: int) -> float:
    """ln n! less Stirling's main part, n > 0."""
    if n < 16:
        return math.lgamma(n + 1.0) - (n + 0.5) * math.log(n) + n - _HALF_LOG_TWO_PI
    square = float(n) * n
    inner = 1.0 / 1260.0 - (1.0 / 1680.0 - 1.0 / 1188.0 / square) / square
    return (1.0 / 12.0 - (1.0 / 360.0 - inner / square) / square) / n


def _deviance(x: float, mean: float) -> float:
    """x·ln(x/mean) + mean − x, without cancellation where x is near the mean."""
    difference = x - mean
    if abs(difference) >= 0.1 * (x + mean):
        return x * math.log(x / mean) - difference
    v = difference / (x + mean)
    total, term, square, power = difference * v, 2.0 * x * v, v * v, 1
    while True:
        term *= square
        power += 2
        following = total + term / power
        if following == total:
            return following
        total = following
