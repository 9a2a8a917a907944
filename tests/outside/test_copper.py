"""Copper wire against published tables and standards."""

from __future__ import annotations

import math

import pytest

from hiltest.physics import copper

# Printed columns of a copy of the powerstream wire table, which names the Handbook of Electronic
# Tables and Formulas: AWG, ohm per km at 20 °C, chassis A, transmission A.
PRINTED = [
    (18, 20.9428, 16.0, 2.3),
    (20, 33.292, 11.0, 1.5),
    (22, 52.9392, 7.0, 0.92),
    (24, 84.1976, 3.5, 0.577),
    (26, 133.8568, 2.2, 0.361),
    (28, 212.872, 1.4, 0.226),
    (30, 338.496, 0.86, 0.142),
]


@pytest.mark.parametrize(("awg", "inches"), [(36, 0.0050), (-3, 0.4600)])
def test_the_two_gauges_that_define_awg_come_out_exactly(awg: int, inches: float) -> None:
    """ASTM B258: No. 36 is 0.0050 in and No. 0000 is 0.4600 in."""
    assert copper.awg_diameter_m(awg) == pytest.approx(inches * 25.4e-3, rel=1e-12)


def test_each_gauge_is_thinner_by_the_39th_root_of_92() -> None:
    """ASTM B258: 39 equal ratios between No. 0000 and No. 36."""
    assert copper.awg_diameter_m(20) / copper.awg_diameter_m(21) == pytest.approx(1.1229322, abs=1e-7)


def test_resistivity_is_that_of_the_international_standard() -> None:
    """IEC 60028 and NBS Handbook 100 (1966): 1/58 ohm mm²/m at 20 °C."""
    assert pytest.approx(0.017241, abs=5e-7) == copper.RESISTIVITY_OHM_M * 1e6


@pytest.mark.parametrize(("awg", "ohm_per_km", "chassis_a", "transmission_a"), PRINTED)
def test_resistance_agrees_with_a_printed_wire_table(
    awg: int, ohm_per_km: float, chassis_a: float, transmission_a: float
) -> None:
    """Powerstream wire table (rounds ohm per 1000 ft, hence 0.2 %)."""
    assert copper.resistance_per_m_ohm(awg) * 1e3 == pytest.approx(ohm_per_km, rel=2e-3)
    assert copper.ampacity(awg) == copper.Ampacity(chassis_a, transmission_a)


@pytest.mark.parametrize("awg", range(10, 32, 2))
def test_transmission_column_is_700_circular_mils_per_ampere(awg: int) -> None:
    """UCAR/EOL copy of the wire table: the transmission column is 700 circular mils per ampere (rounded)."""
    mils = copper.awg_diameter_m(awg) / 25.4e-6
    assert copper.ampacity(awg).transmission_a == pytest.approx(mils * mils / 700.0, rel=0.03)


@pytest.mark.parametrize(
    ("awg", "length_m", "current_a", "loop_ohm", "drop_v", "loss_w"),
    [
        (20, 2.0, 40.0 / 24.0, 0.13324, 0.2221, 0.370),
        (22, 2.0, 40.0 / 24.0, 0.21185, 0.3531, 0.588),
        (18, 3.0, 5.0, 0.12569, 0.6284, 3.142),
        (24, 5.0, 1.0, 0.84215, 0.8422, 0.8422),
    ],
)
def test_voltage_drop_of_four_worked_runs(
    awg: int, length_m: float, current_a: float, loop_ohm: float, drop_v: float, loss_w: float
) -> None:
    """Worked by hand from ASTM B258 and IEC 60028."""
    assert copper.loop_resistance_ohm(awg, length_m) == pytest.approx(loop_ohm, rel=1e-3)
    assert copper.voltage_drop_v(awg, length_m, current_a) == pytest.approx(drop_v, rel=1e-3)
    assert copper.wire_loss_w(awg, length_m, current_a) == pytest.approx(loss_w, rel=2e-3)


def test_warm_copper_resists_more_by_the_standard_coefficient() -> None:
    """IEC 60028: 0.00393 per kelvin at 20 °C (from memory); 20 AWG at 60 °C is 38.55 mohm/m."""
    assert copper.resistance_per_m_ohm(20, 60.0) * 1e3 == pytest.approx(38.55, rel=1e-3)


def test_copper_gains_about_28_percent_at_90_degrees() -> None:
    """IEC 60028 as summarised at tnlab.org: about +28 % at 90 °C."""
    gain = copper.resistance_per_m_ohm(24, 90.0) / copper.resistance_per_m_ohm(24) - 1.0
    assert gain == pytest.approx(0.28, abs=0.01)


@pytest.mark.parametrize(
    ("rating_a", "ratio", "limit_s"),
    [
        (5.0, 1.0, math.inf),
        (5.0, 1.34, math.inf),
        (5.0, 1.35, 3600.0),
        (5.0, 2.0, 120.0),
        (30.0, 2.0, 120.0),
        (35.0, 2.0, 240.0),
        (60.0, 2.5, 240.0),
    ],
)
def test_fuse_opening_times_are_those_of_ul_248_14(rating_a: float, ratio: float, limit_s: float) -> None:
    """UL 248-14 as quoted in the Littelfuse fuseology selection guide, p. 12."""
    assert copper.fuse_opens_within_s(rating_a, rating_a * ratio) == limit_s


def test_a_ul_fuse_is_loaded_to_three_quarters_and_an_iec_fuse_fully() -> None:
    """ibex.tech, European vs American fuse standards."""
    assert copper.smallest_fuse_a(3.0) == pytest.approx(4.0)
    assert copper.smallest_fuse_a(3.0, "IEC 60127") == pytest.approx(3.0)


@pytest.mark.parametrize(("pulses", "share"), [(100_000, 0.22), (10_000, 0.29), (1_000, 0.38), (100, 0.48)])
def test_pulse_duty_of_a_fuse_follows_the_guide(pulses: int, share: float) -> None:
    """Littelfuse fuseology selection guide, p. 12."""
    assert copper.allowed_pulse_i2t_a2s(10.0, pulses) == pytest.approx(10.0 * share)


@pytest.mark.parametrize(
    ("shape", "factor"), [("square", 1.0), ("triangle", 1 / 3), ("half sine", 0.5), ("exponential", 0.5)]
)
def test_pulse_shapes_have_the_guide_s_factors(shape: copper.PulseShape, factor: float) -> None:
    """Littelfuse fuseology selection guide, p. 12; for the half sine also by numerical integration."""
    assert copper.pulse_i2t_a2s(10.0, 0.01, shape) == pytest.approx(100.0 * 0.01 * factor)


@pytest.mark.parametrize(
    ("limit_a", "opens_s", "words"),
    [
        (math.inf, 120.0, ""),
        (10.0, 120.0, ""),
        (9.9, 3600.0, "under 200 %"),
        (6.75, 3600.0, "under 200 %"),
        (6.7, math.inf, "under 200 %"),
    ],
)
def test_a_fuse_opens_as_the_standard_promises(limit_a: float, opens_s: float, words: str) -> None:
    """UL 248-14 (Littelfuse fuseology guide, p. 12): 200 % within 2 min up to 30 A, 135 % within an hour.

    24 V over 2 m of 20 AWG, both ways: 33.292 ohm/km as printed in the wire table make 180 A, unless the supply limits.
    """
    found = copper.fuse_check(5.0, load_a=1.5, awg=20, length_m=2.0, supply_v=24.0, supply_limit_a=limit_a)
    assert found.short_circuit_a == pytest.approx(min(24.0 / (2 * 2.0 * 33.292e-3), limit_a), rel=2e-3)
    assert found.opens_within_s == opens_s
    assert words in " / ".join(found.problems)
    assert bool(found.problems) is bool(words)


@pytest.mark.parametrize(
    ("rating_a", "load_a", "awg", "standard", "carries", "protects"),
    [
        (5.0, 3.75, 20, "UL 248-14", True, True),
        (5.0, 3.76, 20, "UL 248-14", False, True),
        (5.0, 5.0, 20, "IEC 60127", True, True),
        (11.0, 1.0, 20, "UL 248-14", True, True),
        (15.0, 1.0, 20, "UL 248-14", True, False),
        (2.5, 1.0, 26, "UL 248-14", True, False),
    ],
)
def test_a_fuse_carries_its_load_and_protects_its_wire(
    rating_a: float, load_a: float, awg: int, standard: copper.FuseStandard, carries: bool, protects: bool
) -> None:
    """75 % for UL fuses, 100 % for IEC fuses (ibex.tech); chassis column of the wire table: 11 A for 20 AWG, 2.2 for 26.

    That the chassis column is the limit for a fuse is common practice, no source.
    """
    found = copper.fuse_check(
        rating_a, load_a=load_a, awg=awg, length_m=1.0, supply_v=24.0, standard=standard
    )
    assert (found.carries_load, found.protects_wire) == (carries, protects)
    assert bool(found.problems) is not (carries and protects)
