"""Acceptance statistics against published tables, handbooks and scipy."""

from __future__ import annotations

import math
from decimal import Decimal, getcontext

import numpy as np
import pytest
from scipy import stats

from hiltest.physics import statistics


@pytest.mark.parametrize(
    ("trials", "bound"),
    [
        (10, 0.258866),
        (20, 0.139108),
        (29, 0.098145),
        (30, 0.095034),
        (59, 0.049508),
        (60, 0.048703),
        (100, 0.029513),
        (300, 0.009936),
        (1000, 0.002991),
    ],
)
def test_zero_failure_bound_and_the_rule_of_three(trials: int, bound: float) -> None:
    """Exact bound 1 − 0.05^(1/n); the "rule of three" 3/n lies just above it."""
    exact = statistics.zero_failure_upper_bound(trials, 0.95)
    assert exact == pytest.approx(bound, abs=1e-6)
    assert exact < 3.0 / trials


@pytest.mark.parametrize(
    ("p", "confidence", "n"),
    [
        (0.10, 0.90, 22),
        (0.10, 0.95, 29),
        (0.05, 0.95, 59),
        (0.01, 0.95, 299),
        (0.01, 0.90, 230),
        (0.001, 0.95, 2995),
    ],
)
def test_fewest_samples_without_a_failure(p: float, confidence: float, n: int) -> None:
    """The success-run table of reliability texts, ceil(ln(1 − c)/ln(1 − p)): 59, 299, 2995 at 95 %."""
    assert statistics.samples_for_zero_failures(p, confidence) == n


@pytest.mark.parametrize(
    ("errors", "bits"),
    [(0, 2.996), (1, 4.744), (2, 6.296), (3, 7.754), (4, 9.154), (5, 10.51), (6, 11.84)],
)
def test_bits_to_show_a_bit_error_rate(errors: int, bits: float) -> None:
    """Agilent J-BERT N4903B user guide, p. 247, table 25 (times 1e12 bits for 1e-12 at 95 %)."""
    digits = 2 if bits > 10 else 3
    assert statistics.poisson_upper(errors, 0.95) == pytest.approx(bits, abs=0.5001 * 10.0**-digits)


@pytest.mark.parametrize(
    ("errors", "bits"),
    [(1, 0.05129), (2, 0.3554), (3, 0.81769), (4, 1.366), (5, 1.970), (6, 2.613), (7, 3.285)],
)
def test_bits_after_which_errors_prove_a_line_bad(errors: int, bits: float) -> None:
    """Agilent J-BERT N4903B user guide, p. 247, table 25. For 3 errors it prints 0.8117, a slip for 0.8177."""
    assert statistics.poisson_lower(errors, 0.95) == pytest.approx(bits, rel=3e-4)


def test_hours_to_show_one_error_in_a_thousand_million_bits() -> None:
    """J-BERT table 25 scaled: 2.9957e9 bits at 1 Mbit/s are 0.83215 h."""
    hours = statistics.poisson_upper(0, 0.95) / 1e-9 / 1e6 / 3600.0
    assert hours == pytest.approx(0.83215, abs=1e-5)
    # A million million bits without an error: the binomial bound is the Poisson bound.
    assert statistics.zero_failure_upper_bound(10**12, 0.95) == pytest.approx(2.995732273554e-12, rel=1e-11)


@pytest.mark.parametrize(
    ("errors", "trials", "confidence", "low", "high"),
    [
        (4, 20, 0.90, 0.071354, 0.401028),
        (0, 10, 0.95, 0.0, 0.308497),
        (1, 10, 0.95, 0.0025286, 0.4450161),
        (5, 50, 0.95, 0.0332751, 0.2181354),
        (10, 100, 0.95, 0.0490047, 0.1762226),
    ],
)
def test_exact_intervals_agree_with_the_handbook_and_scipy(
    errors: int, trials: int, confidence: float, low: float, high: float
) -> None:
    """NIST/SEMATECH e-Handbook 7.2.4.1 (4 of 20 at 90 %, from memory) and scipy's exact interval."""
    interval = statistics.clopper_pearson(errors, trials, confidence)
    assert interval == pytest.approx((low, high), abs=1e-6)
    reference = stats.binomtest(errors, trials).proportion_ci(confidence, method="exact")
    assert interval == pytest.approx((reference.low, reference.high), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("trials", [1, 2, 3, 17, 100, 1001, 100_000])
@pytest.mark.parametrize("confidence", [0.05, 0.5, 0.9, 0.95, 0.999, 1.0 - 1e-9])
def test_bounds_agree_with_beta_quantiles(trials: int, confidence: float) -> None:
    """scipy.stats.beta quantiles, for counts from none to all."""
    for errors in sorted({0, 1, 2, 5, trials // 3, trials // 2, trials - 1, trials}):
        if not 0 <= errors <= trials:
            continue
        upper = stats.beta.isf(1.0 - confidence, errors + 1, trials - errors) if errors < trials else 1.0
        lower = stats.beta.ppf(1.0 - confidence, errors, trials - errors + 1) if errors else 0.0
        assert statistics.error_rate_upper_bound(errors, trials, confidence) == pytest.approx(upper, rel=1e-9)
        assert statistics.error_rate_lower_bound(errors, trials, confidence) == pytest.approx(lower, rel=1e-9)


@pytest.mark.parametrize("trials", [10**6, 10**9, 10**12])
@pytest.mark.parametrize("errors", [1, 3, 20])
def test_bounds_for_a_million_million_bits_solve_their_defining_equation(errors: int, trials: int) -> None:
    """Clopper and Pearson 1934: P(X <= k) = 1 − c at the bound, checked in 60-digit decimal arithmetic.

    scipy's beta quantile is itself off by some 1e-9 here, so the definition is the reference.
    """
    getcontext().prec = 60
    p = Decimal(statistics.error_rate_upper_bound(errors, trials, 0.95))
    tail = Decimal(0)
    for k in range(errors + 1):
        tail += math.comb(trials, k) * p**k * ((trials - k) * (1 - p).ln()).exp()
    # The tail falls by about (np − k) percent for each percent of p, so 1e-10 in it is 1e-10 in p.
    assert float(tail) == pytest.approx(0.05, rel=1e-9)


@pytest.mark.parametrize(("errors", "trials"), [(1000, 10**9), (10**6, 10**12), (10**5, 10**6)])
def test_bounds_for_many_errors_solve_their_defining_equation(errors: int, trials: int) -> None:
    """scipy.stats.binom and poisson tails at the bounds: 1 − c on either side."""
    upper = statistics.error_rate_upper_bound(errors, trials, 0.95)
    lower = statistics.error_rate_lower_bound(errors, trials, 0.95)
    assert stats.binom.cdf(errors, trials, upper) == pytest.approx(0.05, rel=1e-6)
    assert stats.binom.sf(errors - 1, trials, lower) == pytest.approx(0.05, rel=1e-6)


@pytest.mark.parametrize("errors", [0, 1, 2, 7, 50, 1000, 10**6])
@pytest.mark.parametrize("confidence", [0.05, 0.5, 0.95, 0.999])
def test_poisson_bounds_agree_with_chi_squared_quantiles(errors: int, confidence: float) -> None:
    """scipy.stats.chi2: half the quantile with 2·(k + 1) degrees of freedom (Garwood 1936)."""
    upper = stats.chi2.isf(1.0 - confidence, 2 * (errors + 1)) / 2.0
    lower = stats.chi2.ppf(1.0 - confidence, 2 * errors) / 2.0 if errors else 0.0
    assert statistics.poisson_upper(errors, confidence) == pytest.approx(upper, rel=1e-9)
    assert statistics.poisson_lower(errors, confidence) == pytest.approx(lower, rel=1e-9)


@pytest.mark.parametrize(
    ("p0", "p1", "alpha", "beta", "h1", "h2", "slope", "fewest"),
    [
        (0.01, 0.10, 0.05, 0.10, 0.9389, 1.2054, 0.03975, 24),
        (0.01, 0.06, 0.05, 0.10, 1.2211, 1.5678, 0.02811, 44),
        (0.02, 0.08, 0.05, 0.05, 2.0314, 2.0314, 0.04359, 47),
        (0.001, 0.01, 0.05, 0.05, 1.2737, 1.2737, 0.00391, 326),
    ],
)
def test_sequential_test_lines(
    p0: float, p1: float, alpha: float, beta: float, h1: float, h2: float, slope: float, fewest: int
) -> None:
    """Wald 1947; NIST/SEMATECH e-Handbook 6.2 prints 0.939, 1.205, 0.0397; Montgomery 1.22, 1.57, 0.028.

    Both printed sets from memory.
    """
    test = statistics.Sprt(p0, p1, alpha, beta)
    assert test.accept_height == pytest.approx(h1, abs=6e-5)
    assert test.reject_height == pytest.approx(h2, abs=6e-5)
    assert test.slope == pytest.approx(slope, abs=6e-6)
    assert test.fewest_to_accept == fewest
    assert test.decide(0, fewest) == "accept"
    assert test.decide(0, fewest - 1) == "continue"


def test_capability_of_the_handbook_s_process() -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, sigma 2 give Cp 1.0 and Cpk 0.6667."""
    half = math.sqrt(2.0)  # the pair 16 ± √2 has mean 16 and sample sigma 2
    result = statistics.capability([16.0 - half, 16.0 + half], low=8.0, high=20.0)
    assert result.mean == pytest.approx(16.0)
    assert result.sigma == pytest.approx(2.0)
    assert result.cp == pytest.approx(1.0)
    assert result.cpk == pytest.approx(2.0 / 3.0)
    assert result.off_centre == pytest.approx(1.0 / 3.0)


@pytest.mark.parametrize(
    ("cp", "rejects", "rel"),
    [(1.00, 0.0027, 0.01), (1.33, 64e-6, 0.06), (1.66, 0.6e-6, 0.06), (2.0, 2e-9, 0.02)],
)
def test_rejects_at_a_capability(cp: float, rejects: float, rel: float) -> None:
    """NIST/SEMATECH e-Handbook 6.1.6: 0.27 %, 64 ppm, 0.6 ppm, 2 ppb for a centred process."""
    inside = statistics.conformance_probability(0.0, 1.0, -3.0 * cp, 3.0 * cp)
    assert 1.0 - inside == pytest.approx(rejects, rel=rel)


def test_conformance_probability_is_the_normal_one() -> None:
    """scipy.stats.norm; JCGM 106:2012 section 7 (from memory)."""
    expected = stats.norm.cdf(10.0, 9.7, 0.2) - stats.norm.cdf(9.0, 9.7, 0.2)
    assert statistics.conformance_probability(9.7, 0.2, 9.0, 10.0) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("fraction", [0.1, 0.5, 0.95])
@pytest.mark.parametrize("n", [40, 200, 1000])
def test_percentile_interval_by_ranks_agrees_with_scipy(fraction: float, n: int) -> None:
    """scipy.stats.quantile_test inverts the same binomial test (its interval is the exact two-sided one)."""
    values = np.random.default_rng(n).gamma(2.0, 1.0, n)
    mine = statistics.percentile(values, fraction, 0.95)
    theirs = stats.quantile_test(values, p=fraction).confidence_interval(0.95)
    assert mine.low == (None if math.isnan(theirs.low) else pytest.approx(theirs.low, rel=1e-12))
    assert mine.high == (None if math.isnan(theirs.high) else pytest.approx(theirs.high, rel=1e-12))


def test_binomial_tail_agrees_with_scipy() -> None:
    """scipy.stats.binom.cdf over a wide range."""
    for n, k, p in [(10, 3, 0.2), (1000, 10, 0.02), (10**6, 5, 1e-5), (10**9, 3, 2e-9), (50, 49, 0.9)]:
        assert statistics.binomial_at_most(k, n, p) == pytest.approx(stats.binom.cdf(k, n, p), rel=1e-10)


def test_robust_sigma_agrees_with_scipy() -> None:
    """scipy.stats.median_abs_deviation with scale="normal"."""
    values = np.random.default_rng(3).normal(0.0, 1.0, 501)
    expected = stats.median_abs_deviation(values, scale="normal")
    assert statistics.robust_sigma(values) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(("centre", "tolerance"), [(1.2, 1e-13), (1_000_000.2, 1e-9), (10_000_000.2, 1e-8)])
def test_spread_of_numbers_with_many_equal_leading_digits(centre: float, tolerance: float) -> None:
    """NIST StRD NumAcc2, 3, 4 (from memory): 1001 values alternating ±0.1 have sigma 0.1."""
    values = [centre] + [centre - 0.1 if i % 2 == 0 else centre + 0.1 for i in range(1000)]
    result = statistics.capability(values, low=centre - 1.0)
    assert result.mean == pytest.approx(centre, rel=1e-14)
    assert result.sigma == pytest.approx(0.1, abs=tolerance)
