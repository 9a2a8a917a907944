"""Thermistors, divider and converter against published tables and worked examples."""

from __future__ import annotations

import math

import pytest

from hiltest.physics.thermistor import Divider, NtcBeta, SteinhartHart

# 10K3MCD1 bead in the Campbell Scientific 109SS manual, table C-1: °C, ohm.
CAMPBELL = [(-40, 336103.2), (-20, 97006.9), (-10, 55303.9), (-5, 42316.7), (0, 32650.9), (1, 31030.8)]
# The coefficients widely printed for such 10 kohm parts.
PRINTED = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)


def test_the_epcos_worked_example_comes_out() -> None:
    """EPCOS / Siemens Matsushita, Standardized R/T characteristics: curve 1006, 4.7 kohm, 7 °C.

    R5 = 2.2739 · 4.7 kohm and alpha5 = 4.4 %/K give R7 = 9.7932 kohm.
    """
    at_5_ohm, alpha_per_k, kelvin_5 = 2.2739 * 4700.0, 0.044, 278.15
    assert at_5_ohm == pytest.approx(10687.3, rel=1e-4)
    # alpha/100·T² is the local beta: the beta model through R5 must give the printed R7.
    part = NtcBeta(at_5_ohm, alpha_per_k * kelvin_5**2, reference_c=5.0)
    assert part.resistance_ohm(7.0) == pytest.approx(9793.2, rel=1e-4)
    assert part.sensitivity_per_k(5.0) == pytest.approx(-alpha_per_k, rel=1e-12)


@pytest.mark.parametrize(("temperature_c", "ohm"), CAMPBELL)
def test_printed_coefficients_reproduce_a_printed_table(temperature_c: float, ohm: float) -> None:
    """Campbell Scientific 109SS manual, appendix C, table C-1 (10K3MCD1 bead)."""
    assert PRINTED.temperature_c(ohm) == pytest.approx(temperature_c, abs=1e-3)
    assert PRINTED.resistance_ohm(float(temperature_c)) == pytest.approx(ohm, rel=1e-4)


def test_three_points_of_the_table_give_back_the_printed_coefficients() -> None:
    """Campbell Scientific 109SS manual, table C-1: the fit returns the published coefficients."""
    fit = SteinhartHart.from_points([(-40.0, 336103.2), (0.0, 32650.9), (25.0, 10000.0)])
    assert fit.a == pytest.approx(1.129148e-3, rel=1e-5)
    assert fit.b == pytest.approx(2.34125e-4, rel=1e-5)
    assert fit.c == pytest.approx(8.76741e-8, rel=1e-5)


def test_b_value_of_a_vishay_curve_is_the_printed_one() -> None:
    """Vishay data sheet curve with B25/85 = 3977 K: resistance-from-temperature form (from memory)."""

    def curve_ohm(temperature_c: float) -> float:
        t = temperature_c + 273.15
        return 10e3 * math.exp(-14.6337 + 4791.842 / t - 115334.0 / t**2 - 3.730535e6 / t**3)

    part = NtcBeta.from_points((25.0, curve_ohm(25.0)), (85.0, curve_ohm(85.0)))
    assert part.beta_k == pytest.approx(3977.0, abs=0.5)
    assert part.r25_ohm == pytest.approx(10e3, rel=1e-4)


@pytest.mark.parametrize(
    ("part", "temperature_c", "ohm"),
    [
        (NtcBeta(100e3, 3950), -20.0, 1053846.9),
        (NtcBeta(100e3, 3950), 0.0, 336206.0),
        (NtcBeta(100e3, 3950), 50.0, 35881.8),
        (NtcBeta(100e3, 3950), 60.0, 24861.7),
        (NtcBeta(100e3, 3950), 85.0, 10866.7),
        (NtcBeta(100e3, 3950), 100.0, 6975.20),
        (NtcBeta(100e3, 3950), 150.0, 1996.82),
        (NtcBeta(100e3, 3950), 200.0, 744.61),
        (NtcBeta(100e3, 3950), 250.0, 335.28),
        (NtcBeta(10e3, 3435), 0.0, 28704.29),
        (NtcBeta(10e3, 3435), 50.0, 4101.19),
        (NtcBeta(10e3, 3435), 85.0, 1451.35),
        (NtcBeta(10e3, 3435), 100.0, 987.04),
        (NtcBeta(10e3, 3380), 0.0, 28223.73),
        (NtcBeta(10e3, 3380), 50.0, 4160.14),
        (NtcBeta(10e3, 3380), 85.0, 1496.90),
    ],
)
def test_beta_model_points_worked_independently(part: NtcBeta, temperature_c: float, ohm: float) -> None:
    """The beta formula with 273.15 K, computed apart from this library."""
    assert part.resistance_ohm(temperature_c) == pytest.approx(ohm, rel=2e-5)
    assert part.temperature_c(ohm) == pytest.approx(temperature_c, abs=2e-3)


def test_a_beta_part_read_by_steinhart_hart_has_no_cubic_term() -> None:
    """With three beta points the cubic term vanishes and b is 1/beta (algebra)."""
    part = NtcBeta(10e3, 3950)
    fit = SteinhartHart.from_points([(t, part.resistance_ohm(t)) for t in (0.0, 25.0, 85.0)])
    assert abs(fit.c) < 1e-12
    assert fit.b == pytest.approx(1.0 / 3950.0, rel=1e-8)
    assert fit.a == pytest.approx(1.02228469e-3, rel=1e-8)


@pytest.mark.parametrize(
    ("part", "pull_up_ohm", "temperature_c", "ratio", "counts", "kelvin_per_lsb"),
    [
        (NtcBeta(100e3, 3950), 4700.0, 0.0, 0.98621, 4038.54, 0.339),
        (NtcBeta(100e3, 3950), 4700.0, 25.0, 0.95511, 3911.17, 0.128),
        (NtcBeta(100e3, 3950), 4700.0, 100.0, 0.59744, 2446.51, 0.036),
        (NtcBeta(100e3, 3950), 4700.0, 200.0, 0.13676, 560.04, 0.117),
        (NtcBeta(100e3, 3950), 4700.0, 250.0, 0.06659, 272.67, 0.272),
        (NtcBeta(10e3, 3950), 10e3, 0.0, 0.77075, 3156.22, 0.026),
        (NtcBeta(10e3, 3950), 10e3, 25.0, 0.50000, 2047.50, 0.022),
        (NtcBeta(10e3, 3950), 10e3, 100.0, 0.06520, 267.01, 0.142),
    ],
)
def test_divider_and_converter_points_worked_independently(
    part: NtcBeta,
    pull_up_ohm: float,
    temperature_c: float,
    ratio: float,
    counts: float,
    kelvin_per_lsb: float,
) -> None:
    """Ohm's law and a 12-bit converter with full scale 4095, computed apart from this library."""
    divider = Divider(pull_up_ohm)
    ohm = part.resistance_ohm(temperature_c)
    assert divider.ratio(ohm) == pytest.approx(ratio, rel=1e-4)
    assert divider.counts(ohm) == pytest.approx(counts, rel=1e-4)
    assert divider.kelvin_per_lsb(part, temperature_c) == pytest.approx(kelvin_per_lsb, abs=1e-3)
