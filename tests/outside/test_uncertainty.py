"""Reading budgets and verdicts with uncertainty against the metrology guides, by sums of their own.

The sensor, the divider and the decoding are written anew here, so that only numbers meet those of the library.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from scipy.stats import norm

from hiltest.physics import statistics
from hiltest.physics.thermistor import Divider, NtcBeta, Platinum, ntc_reading_budget, platinum_reading_budget

R25_OHM, BETA_K, PULL_UP_OHM, FULL_SCALE = 100e3, 3950.0, 4700.0, 4095.0
T0_K, T25_K = 273.15, 298.15
SENSOR, DIVIDER = NtcBeta(R25_OHM, BETA_K), Divider(PULL_UP_OHM)

PT_A, PT_B = 3.9083e-3, -5.775e-7
"""IEC 60751:2008, above 0 °C."""


def shown_c(at_c: float, r25: float, beta: float, pull_up: float, counts: float) -> float:
    """What a firmware with nominal values shows of a part and a board that are off by these factors and counts."""
    ohm = R25_OHM * r25 * math.exp(BETA_K * beta * (1 / (at_c + T0_K) - 1 / T25_K))
    read = FULL_SCALE * ohm / (ohm + PULL_UP_OHM * pull_up) + counts
    decoded_ohm = PULL_UP_OHM * read / (FULL_SCALE - read)
    return 1 / (1 / T25_K + math.log(decoded_ohm / R25_OHM) / BETA_K) - T0_K


def slopes(at_c: float) -> dict[str, float]:
    """Sensitivity coefficients by central differences: kelvin per unit of each factor, and per count."""
    step = {"r25": 1e-6, "beta": 1e-6, "pull_up": 1e-6, "adc": 1e-3}
    at = dict.fromkeys(("r25", "beta", "pull_up"), 1.0) | {"adc": 0.0}

    def moved(name: str, by: float) -> float:
        return shown_c(at_c, *(value + by * (key == name) for key, value in at.items()))

    return {name: (moved(name, h) - moved(name, -h)) / (2 * h) for name, h in step.items()}


@pytest.mark.parametrize("at_c", [0.0, 25.0, 60.0, 200.0])
def test_an_ntc_budget_is_the_law_of_propagation(at_c: float) -> None:
    """JCGM 100:2008, 5.1: each contribution is the sensitivity coefficient (5.1.4, numerically) times what is off."""
    off = {"r25": 1e-4, "beta": 1e-4, "pull_up": 1e-4, "adc": 0.01}
    budget = ntc_reading_budget(
        SENSOR,
        DIVIDER,
        at_c,
        r25_tolerance=off["r25"],
        beta_tolerance=off["beta"],
        pull_up_tolerance=off["pull_up"],
        adc_error_counts=off["adc"],
    )
    expected = {name: abs(slope) * off[name] for name, slope in slopes(at_c).items()}
    assert budget.contributions_k == pytest.approx(expected, rel=2e-3, abs=1e-9)
    squares = sum(each * each for each in expected.values())
    assert budget.root_sum_square_k == pytest.approx(math.sqrt(squares), rel=2e-3)  # equation (10)


def test_an_ntc_budget_by_the_derivative_of_the_beta_model() -> None:
    """dT/T = T/B · dR/R, by hand: 1 % of R25 is 0.225 K at 25 °C, and 2 counts of 4095 there are 0.26 K.

    The kelvin per count is that of the divider table worked for 4.7 kohm: 0.128 K at 25 °C, 0.117 K at 200 °C.
    """
    cool, hot = (ntc_reading_budget(SENSOR, DIVIDER, at_c).contributions_k for at_c in (25.0, 200.0))
    assert cool["r25"] == pytest.approx(T25_K**2 / BETA_K * 0.01, rel=0.01)
    assert cool["beta"] == pytest.approx(0.0, abs=1e-9)
    hot_k = 473.15
    assert hot["beta"] == pytest.approx(hot_k**2 * (1 / T25_K - 1 / hot_k) * 0.01, rel=0.03)
    assert cool["adc"] == pytest.approx(2 * 0.128, rel=0.03)
    assert hot["adc"] == pytest.approx(2 * 0.117, rel=0.03)


@pytest.mark.parametrize("at_c", [25.0, 200.0])
def test_an_ntc_budget_spreads_as_many_drawn_boards_do(at_c: float) -> None:
    """JCGM 101:2008 (Monte Carlo) with limits as rectangles, u = a/sqrt(3) (JCGM 100:2008, 4.3.7); fixed seed."""
    rng = np.random.default_rng(106)
    r25, beta, pull_up = (1.0 + 0.01 * rng.uniform(-1.0, 1.0, 40_000) for _ in range(3))
    counts = 2.0 * rng.uniform(-1.0, 1.0, 40_000)
    ohm = R25_OHM * r25 * np.exp(BETA_K * beta * (1 / (at_c + T0_K) - 1 / T25_K))
    read = FULL_SCALE * ohm / (ohm + PULL_UP_OHM * pull_up) + counts
    drawn_c = 1 / (1 / T25_K + np.log(PULL_UP_OHM * read / (FULL_SCALE - read) / R25_OHM) / BETA_K) - T0_K

    budget = ntc_reading_budget(SENSOR, DIVIDER, at_c)
    assert budget.root_sum_square_k / math.sqrt(3.0) == pytest.approx(float(drawn_c.std()), rel=0.03)
    corners = [
        abs(shown_c(at_c, 1 + a / 100, 1 + b / 100, 1 + c / 100, 2 * d) - at_c)
        for a, b, c, d in itertools.product((-1, 1), repeat=4)
    ]
    assert budget.worst_case_k == pytest.approx(max(corners), rel=0.05)


def platinum_c(ohm: float, r0_ohm: float) -> float:
    """IEC 60751 above 0 °C, by the root of its square equation."""
    return (-PT_A + math.sqrt(PT_A**2 - 4 * PT_B * (1 - ohm / r0_ohm))) / (2 * PT_B)


@pytest.mark.parametrize(("at_c", "class_b_k"), [(50.0, 0.55), (100.0, 0.80), (200.0, 1.30)])
def test_a_platinum_budget_is_the_law_of_propagation(at_c: float, class_b_k: float) -> None:
    """Class B as printed with IEC 60751; the rest by JCGM 100:2008, 5.1, moved by hand through the divider."""
    pull_up_ohm, full = 1000.0, 65_535.0
    ohm = 100.0 * (1 + PT_A * at_c + PT_B * at_c**2)

    def decoded_c(of_ohm: float, pull_up: float = 1.0, counts: float = 0.0) -> float:
        read = full * of_ohm / (of_ohm + pull_up_ohm * pull_up) + counts
        return platinum_c(pull_up_ohm * read / (full - read), 100.0)

    budget = platinum_reading_budget(Platinum(100.0), Divider(pull_up_ohm, adc_bits=16), at_c, lead_ohm=0.5)
    expected = {
        "element": class_b_k,
        "pull_up": max(abs(decoded_c(ohm, 1 + off) - at_c) for off in (1e-3, -1e-3)),
        "leads": decoded_c(ohm + 0.5) - at_c,
        "adc": max(abs(decoded_c(ohm, 1.0, off) - at_c) for off in (2.0, -2.0)),
    }
    assert budget.contributions_k == pytest.approx(expected, rel=1e-6)
    assert budget.root_sum_square_k == pytest.approx(math.hypot(*expected.values()), rel=1e-6)
    assert budget.worst_case_k == pytest.approx(math.fsum(expected.values()), rel=1e-6)


def test_an_ohm_in_the_leads_of_a_pt100_is_two_and_a_half_kelvin() -> None:
    """IEC 60751: 0.39083 ohm per kelvin at 0 °C for a Pt100, so that 1 ohm is 2.56 K."""
    budget = platinum_reading_budget(Platinum(100.0), Divider(1000.0, adc_bits=16), 0.0, lead_ohm=1.0)
    assert budget.contributions_k["leads"] == pytest.approx(1 / 0.39083, rel=2e-3)


@pytest.mark.parametrize(
    ("value", "uncertainty", "low", "high", "probability"),
    [(-5.47, 0.05, None, -5.40, 0.92), (509.7, 8.6, 490.0, None, 0.99)],
    ids=["breakdown of a diode", "burst of a container"],
)
def test_conformance_probability_of_two_worked_parts(
    value: float, uncertainty: float, low: float | None, high: float | None, probability: float
) -> None:
    """The examples to JCGM 106:2012, 7.4 (from memory): one limit above, one below."""
    found = statistics.conformance_probability(value, uncertainty, low, high)
    assert found == pytest.approx(probability, abs=0.005)


@pytest.mark.parametrize("value", np.linspace(0.4, 5.6, 27))
def test_conformance_probability_is_that_of_scipy(value: float) -> None:
    """JCGM 106:2012, equation (7) for a normal error (from memory): the share of the curve between the limits."""
    expected = norm.cdf(5.0, value, 0.3) - norm.cdf(1.0, value, 0.3)
    assert statistics.conformance_probability(value, 0.3, 1.0, 5.0) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("value", np.arange(8.005, 12.0, 0.05))
def test_verdicts_with_a_guard_band_are_probabilities(value: float) -> None:
    """JCGM 106:2012, 8.3.2 and 8.3.3 (from memory) with w = U = 2u: accepted from 97.7 % on, rejected below 2.3 %.

    The guard band as the distance of tolerance limit and acceptance limit: ILAC-G8:09/2019, 4.1. Reference for the
    probability: scipy.stats.norm, one limit of 10 with u = 0.5.
    """
    within = float(norm.cdf(10.0, value, 0.5))
    sure = float(norm.cdf(2.0))
    guarded = "conforms" if within >= sure else "does not conform" if within <= 1.0 - sure else "undecided"

    assert statistics.conformity(value, 1.0, high=10.0) == guarded
    assert statistics.conformity(-value, 1.0, low=-10.0) == guarded
    simple = "conforms" if within >= 0.5 else "does not conform"
    assert statistics.conformity(value, 1.0, high=10.0, rule="simple acceptance") == simple
    lenient = "conforms" if within > 1.0 - sure else "does not conform"
    assert statistics.conformity(value, 1.0, high=10.0, rule="guarded rejection") == lenient
