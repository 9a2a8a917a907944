"""Platinum resistors against IEC 60751 tables."""

from __future__ import annotations

import pytest

from hiltest.physics.thermistor import Platinum

# Temperature, ohm of a Pt100, class A and class B in kelvin. Table as printed at sensorsci.com
# (IEC 60751); its −160 °C row is a known misprint and left out. 850 °C from memory.
TABLE = [
    (-200, 18.52, 0.55, 1.30),
    (-100, 60.26, 0.35, 0.80),
    (-50, 80.31, 0.25, 0.55),
    (0, 100.00, 0.15, 0.30),
    (20, 107.79, 0.19, 0.40),
    (50, 119.40, 0.25, 0.55),
    (100, 138.51, 0.35, 0.80),
    (150, 157.33, 0.45, 1.05),
    (200, 175.86, 0.55, 1.30),
    (250, 194.10, 0.65, 1.55),
    (300, 212.05, 0.75, 1.80),
    (400, 247.09, 0.95, 2.30),
    (600, 313.71, 1.35, 3.30),
    (850, 390.48, 1.85, 4.55),
]


@pytest.mark.parametrize(("temperature_c", "ohm", "class_a_k", "class_b_k"), TABLE)
def test_pt100_table_of_iec_60751_comes_out(
    temperature_c: float, ohm: float, class_a_k: float, class_b_k: float
) -> None:
    """IEC 60751 table as printed at sensorsci.com, rounded to 0.01 ohm; Pt1000 is ten times."""
    sensor = Platinum(100.0)
    assert sensor.resistance_ohm(float(temperature_c)) == pytest.approx(ohm, abs=0.00501)
    assert Platinum(1000.0).resistance_ohm(float(temperature_c)) == pytest.approx(10 * ohm, abs=0.0501)
    assert sensor.tolerance_k(temperature_c, "A") == pytest.approx(class_a_k, abs=1e-9)
    assert sensor.tolerance_k(temperature_c, "B") == pytest.approx(class_b_k, abs=1e-9)


@pytest.mark.parametrize(
    ("ohm", "temperature_c"),
    [(107.79, 19.991), (119.40, 50.008), (138.51, 100.012), (157.33, 150.013), (175.86, 200.011)],
)
def test_printed_resistances_read_back_within_the_table_s_rounding(ohm: float, temperature_c: float) -> None:
    """The same table backwards; 0.005 ohm of rounding is up to 13 mK."""
    assert Platinum(100.0).temperature_c(ohm) == pytest.approx(temperature_c, abs=6e-4)


def test_alpha_is_the_standard_s() -> None:
    """IEC 60751: (R100 − R0)/(100·R0) = 0.003851, in full 0.00385055."""
    sensor = Platinum(100.0)
    alpha = (sensor.resistance_ohm(100.0) - sensor.resistance_ohm(0.0)) / (100.0 * sensor.resistance_ohm(0.0))
    assert alpha == pytest.approx(0.00385055, abs=1e-9)


def test_class_aa_is_a_third_of_class_b_near_zero() -> None:
    """IEC 60751: class AA is 0.1 + 0.0017|t| (from memory; formerly "1/3 DIN" of class B)."""
    sensor = Platinum(100.0)
    assert sensor.tolerance_k(0.0, "AA") == pytest.approx(sensor.tolerance_k(0.0, "B") / 3.0)
    assert sensor.tolerance_k(100.0, "AA") == pytest.approx(0.27)
