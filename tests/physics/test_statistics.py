"""Statistics for a verdict: behaviour, edges, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import statistics
from hiltest.physics.statistics import Sprt

confidences = st.sampled_from([0.5, 0.9, 0.95, 0.99, 0.999])


@given(st.floats(1e-9, 0.9), confidences)
@settings(deadline=None)
def test_the_fewest_samples_are_enough_and_one_less_is_not(p: float, confidence: float) -> None:
    """The two zero-failure functions are each other's inverse."""
    n = statistics.samples_for_zero_failures(p, confidence)
    assert statistics.zero_failure_upper_bound(n, confidence) <= p * (1 + 1e-9)
    if n > 1:
        assert statistics.zero_failure_upper_bound(n - 1, confidence) > p * (1 - 1e-9)


def test_a_whole_number_of_samples_is_not_rounded_up() -> None:
    """0.5 at 75 % needs exactly two, and 0.5 at 50 % one."""
    assert statistics.samples_for_zero_failures(0.5, 0.75) == 2
    assert statistics.samples_for_zero_failures(0.5, 0.5) == 1
    assert statistics.samples_for_zero_failures(0.99, 0.5) == 1


@given(st.integers(1, 10**12), st.data(), confidences)
@settings(deadline=None, max_examples=60)
def test_exact_interval_holds_the_observed_rate(n: int, data: st.DataObject, confidence: float) -> None:
    """low <= k/n <= high, mirrored when failures and successes change places."""
    k = data.draw(st.integers(0, min(n, 10**6)))
    low, high = statistics.clopper_pearson(k, n, confidence)
    assert 0.0 <= low <= k / n * (1 + 1e-9)
    assert k / n * (1 - 1e-9) <= high <= 1.0
    mirrored = statistics.clopper_pearson(n - k, n, confidence)
    assert mirrored == pytest.approx((1.0 - high, 1.0 - low), abs=1e-9)


@given(st.integers(0, 40), st.integers(41, 10**9), confidences)
@settings(deadline=None, max_examples=60)
def test_one_more_error_never_lowers_the_bound(k: int, n: int, confidence: float) -> None:
    """More errors, or less confidence wanted, move the bound the right way."""
    bound = statistics.error_rate_upper_bound(k, n, confidence)
    assert statistics.error_rate_upper_bound(k + 1, n, confidence) > bound
    assert statistics.error_rate_upper_bound(k, 2 * n, confidence) < bound


def test_many_bits_approach_the_poisson_bound() -> None:
    """n·p of the exact bound tends to the Poisson bound from below."""
    for errors in (0, 1, 5):
        exact = statistics.error_rate_upper_bound(errors, 10**12, 0.95) * 1e12
        assert exact == pytest.approx(statistics.poisson_upper(errors, 0.95), rel=1e-10)


def test_all_failed_or_none_failed_are_the_ends() -> None:
    """No upper bound below 1 if everything failed, no lower above 0 if nothing did."""
    assert statistics.error_rate_upper_bound(7, 7) == 1.0
    assert statistics.error_rate_lower_bound(0, 7) == 0.0
    assert statistics.poisson_lower(0) == 0.0


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: statistics.zero_failure_upper_bound(0), "trials=0"),
        (lambda: statistics.zero_failure_upper_bound(10, 95.0), "confidence=95.0"),
        (lambda: statistics.zero_failure_upper_bound(10, math.nan), "confidence=nan"),
        (lambda: statistics.samples_for_zero_failures(0.0), "failure_probability=0.0"),
        (lambda: statistics.error_rate_upper_bound(11, 10), "errors=11"),
        (lambda: statistics.error_rate_upper_bound(-1, 10), "errors=-1"),
        (lambda: statistics.error_rate_upper_bound(1.5, 10), "errors=1.5"),
        (lambda: statistics.poisson_upper(-1), "errors=-1"),
        (lambda: Sprt(0.1, 0.1), "p0=0.1"),
        (lambda: Sprt(0.01, 0.1, 0.6, 0.5), "beta=0.5"),
        (lambda: Sprt(0.01, 0.1).decide(2, 1), "failures=2"),
        (lambda: statistics.percentile([], 0.5), "values="),
        (lambda: statistics.percentile([1.0], 50), "fraction=50"),
        (lambda: statistics.percentile([1.0, math.nan], 0.5), "values="),
        (lambda: statistics.capability([1.0, 1.0], low=0.0), "values="),
        (lambda: statistics.capability([1.0, 2.0]), "low=None"),
        (lambda: statistics.capability([1.0, 2.0], 3.0, 1.0), "low=3.0"),
        (lambda: statistics.conformity(1.0, -0.1, 0.0, 2.0), "expanded_uncertainty=-0.1"),
        (lambda: statistics.conformity(1.0, 1.5, 0.0, 2.0), "expanded_uncertainty=1.5"),
        (lambda: statistics.conformity(1.0, 0.1, 0.0, 2.0, "generous"), "rule='generous'"),
        (lambda: statistics.robust_sigma([1.0]), "values="),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)


def test_sequential_test_errs_as_seldom_as_it_says() -> None:
    """Simulated good and bad boards: wrong verdicts stay near alpha and beta."""
    test = Sprt(0.01, 0.10, 0.05, 0.10)
    rng = np.random.default_rng(11)

    def verdict(p: float) -> str:
        failures = 0
        for n in range(1, 5000):
            failures += bool(rng.random() < p)
            if (state := test.decide(failures, n)) != "continue":
                return state
        raise AssertionError("no verdict in 5000 items")

    rejected_good = sum(verdict(0.01) == "reject" for _ in range(600)) / 600
    accepted_bad = sum(verdict(0.10) == "accept" for _ in range(600)) / 600
    assert rejected_good <= 0.05 + 0.03
    assert accepted_bad <= 0.10 + 0.04


def test_sequential_test_stops_early_on_a_row_of_failures() -> None:
    """Two failures at the start are enough, one is not."""
    test = Sprt(0.01, 0.10, 0.05, 0.10)
    assert test.decide(1, 1) == "continue"
    assert test.decide(2, 2) == "reject"


def test_sequential_test_keeps_its_figures_for_tiny_rates() -> None:
    """1e-9 against 1e-8: logarithms of 1 − p don't vanish."""
    test = Sprt(1e-9, 1e-8)
    assert test.slope == pytest.approx(9e-9 / math.log(10.0), rel=1e-6)


def test_percentile_interval_covers_the_truth_as_often_as_it_says() -> None:
    """Of 400 samples of a known distribution the 90th percentile lies inside in at least 93 %."""
    rng = np.random.default_rng(5)
    truth = -math.log(0.1)
    inside = 0
    for _ in range(400):
        result = statistics.percentile(rng.exponential(size=120), 0.9, 0.95)
        assert result.low is not None
        assert result.high is not None
        assert result.confidence >= 0.95
        inside += result.low <= truth <= result.high
    assert inside / 400 >= 0.93


def test_too_few_samples_leave_a_side_of_the_percentile_open() -> None:
    """The 99.9th percentile of 100 values has no upper bound, and says so by None."""
    result = statistics.percentile(np.arange(100.0), 0.999)
    assert result.high is None
    assert result.low is not None
    assert result.value == pytest.approx(98.901)


def test_capability_with_one_limit_has_no_cp() -> None:
    """Cpk looks at the side that exists."""
    result = statistics.capability([9.0, 10.0, 11.0], high=13.0)
    assert result.cp is None
    assert result.off_centre is None
    assert result.cpk == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("value", "simple", "acceptance", "rejection"),
    [
        (5.0, "conforms", "conforms", "conforms"),
        (9.8, "conforms", "undecided", "conforms"),
        (10.2, "does not conform", "undecided", "conforms"),
        (10.6, "does not conform", "does not conform", "does not conform"),
        (-0.6, "does not conform", "does not conform", "does not conform"),
        (0.5, "conforms", "conforms", "conforms"),
    ],
)
def test_decision_rules_differ_only_near_the_limits(
    value: float, simple: str, acceptance: str, rejection: str
) -> None:
    """Limits 0 and 10, U = 0.5, each rule by name."""
    rules = {"simple acceptance": simple, "guarded acceptance": acceptance, "guarded rejection": rejection}
    for rule, expected in rules.items():
        assert statistics.conformity(value, 0.5, 0.0, 10.0, rule) == expected


def test_on_a_limit_half_of_the_truth_conforms() -> None:
    """A value on a single limit is a coin toss."""
    assert statistics.conformance_probability(10.0, 0.3, high=10.0) == pytest.approx(0.5)


def test_wild_values_do_not_move_the_robust_sigma() -> None:
    """A tenth of spikes doubles nothing."""
    values = np.random.default_rng(2).normal(20.0, 0.5, 1000)
    values[::10] += 300.0
    assert statistics.robust_sigma(values) == pytest.approx(0.5, rel=0.25)


def test_drift_does_not_count_as_noise() -> None:
    """A cooling block with 0.1 K of noise: the drift of 30 K is not seen."""
    t = np.arange(600.0)
    values = 25.0 + 30.0 * np.exp(-t / 150.0) + np.random.default_rng(4).normal(0.0, 0.1, t.size)
    assert statistics.drift_free_sigma(values) == pytest.approx(0.1, rel=0.2)
    assert values.std() > 5.0


def test_a_frozen_reading_has_no_noise_at_all() -> None:
    """Exactly zero, which a check can tell from a quiet sensor."""
    assert statistics.drift_free_sigma([21.5] * 50) == 0.0
    assert statistics.robust_sigma([21.5] * 50) == 0.0
