"""Copper wire and fuses: behaviour, edges, properties."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import copper


@given(st.integers(-3, 39))
@settings(deadline=None)
def test_a_higher_number_is_a_thinner_wire(awg: int) -> None:
    """Area falls and resistance rises with the gauge number."""
    assert copper.awg_area_m2(awg) > copper.awg_area_m2(awg + 1)
    assert copper.resistance_per_m_ohm(awg) < copper.resistance_per_m_ohm(awg + 1)


@pytest.mark.parametrize("awg", [-4, 41, 20.5, math.nan, "20", math.inf])
def test_gauges_that_do_not_exist_are_refused(awg: object) -> None:
    """The message says the range and how the big sizes are written."""
    with pytest.raises(UsageError, match=r"awg=.*-3 to 40.*-3 is 4/0"):
        copper.awg_diameter_m(awg)


@pytest.mark.parametrize("temperature_c", [-201.0, 401.0, math.nan, math.inf])
def test_temperatures_off_the_straight_line_are_refused(temperature_c: float) -> None:
    """Copper's resistance is a straight line only so far."""
    with pytest.raises(UsageError, match="temperature_c="):
        copper.resistance_per_m_ohm(20, temperature_c)


def test_a_loop_is_there_and_back_with_its_contacts() -> None:
    """Twice the length, plus the contacts once."""
    one_way = copper.resistance_per_m_ohm(20) * 2.0
    assert copper.loop_resistance_ohm(20, 2.0, contact_ohm=0.02) == pytest.approx(2.0 * one_way + 0.02)


@given(st.integers(10, 30), st.floats(0.0, 50.0), st.floats(0.0, 20.0), st.floats(-40.0, 100.0))
@settings(deadline=None)
def test_loss_is_current_times_drop(
    awg: int, length_m: float, current_a: float, temperature_c: float
) -> None:
    """P = I·U for any run."""
    drop = copper.voltage_drop_v(awg, length_m, current_a, temperature_c)
    assert copper.wire_loss_w(awg, length_m, current_a, temperature_c) == pytest.approx(current_a * drop)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: copper.loop_resistance_ohm(20, -1.0), "length_m=-1.0"),
        (lambda: copper.loop_resistance_ohm(20, 1.0, contact_ohm=-0.1), "contact_ohm=-0.1"),
        (lambda: copper.voltage_drop_v(20, 1.0, math.nan), "current_a=nan"),
        (lambda: copper.load_voltage_v(24.0, 0.1, 0.0), "load_ohm=0.0"),
        (lambda: copper.smallest_fuse_a(0.0), "load_a=0.0"),
        (lambda: copper.smallest_fuse_a(1.0, "DIN"), "standard='DIN'"),
        (lambda: copper.fuse_opens_within_s(80.0, 160.0), "rating_a=80.0"),
        (lambda: copper.pulse_i2t_a2s(1.0, 1.0, "sawtooth"), "shape='sawtooth'"),
        (lambda: copper.allowed_pulse_i2t_a2s(1.0, 10**6), "pulses=1000000"),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)


def test_load_voltage_is_the_divider() -> None:
    """14.4 ohm behind 0.6 ohm on 24 V keeps 23.04 V."""
    assert copper.load_voltage_v(24.0, 0.6, 14.4) == pytest.approx(23.04)


def test_thinnest_wire_for_a_drop_keeps_it_and_the_next_does_not() -> None:
    """The answer is the thinnest even gauge within the drop."""
    awg = copper.thinnest_awg(2.0, 40.0 / 24.0, 0.24)
    assert awg == 20
    assert copper.voltage_drop_v(awg + 2, 2.0, 40.0 / 24.0) > 0.24
    with pytest.raises(UsageError, match="shorten the run"):
        copper.thinnest_awg(100.0, 20.0, 0.1)


@pytest.mark.parametrize("awg", [19, 9, 32])
def test_gauges_outside_the_printed_table_have_no_rule_of_thumb(awg: int) -> None:
    """Nothing is interpolated; the next thinner gauge is the advice."""
    with pytest.raises(UsageError, match="next thinner"):
        copper.ampacity(awg)


@pytest.mark.parametrize(
    ("awg", "as_awg"), [(0, 10), (9, 10), (10, 10), (11, 12), (19, 20), (20, 20), (29, 30)]
)
def test_a_gauge_between_two_of_the_table_bears_what_the_thinner_does(awg: int, as_awg: int) -> None:
    """On the safe side: never more than what is printed for a thinner wire."""
    assert copper.borne_a(awg) == copper.ampacity(as_awg).chassis_a


@pytest.mark.parametrize("awg", [-1, 31])
def test_no_current_is_invented_beyond_the_table(awg: int) -> None:
    """Thinner than the table, or one of the big sizes: refused with the range."""
    with pytest.raises(UsageError, match=r"awg=.*0 to 30"):
        copper.borne_a(awg)


def test_a_sound_fuse_has_no_problems() -> None:
    """5 A for 1.7 A on 20 AWG: carries, protects, opens within two minutes."""
    check = copper.fuse_check(5.0, load_a=40.0 / 24.0, awg=20, length_m=2.0, supply_v=24.0)
    assert (check.carries_load, check.protects_wire, check.problems) == (True, True, ())
    assert check.opens_within_s == 120.0


def test_a_fuse_too_small_too_big_or_never_blown_is_said_in_words() -> None:
    """Each way to be wrong has its own sentence."""
    small = copper.fuse_check(1.0, load_a=1.5, awg=20, length_m=2.0, supply_v=24.0)
    assert not small.carries_load
    assert "too small" in small.problems[0]
    big = copper.fuse_check(10.0, load_a=1.5, awg=28, length_m=0.5, supply_v=24.0)
    assert not big.protects_wire
    assert "28 AWG" in big.problems[0]
    limited = copper.fuse_check(5.0, load_a=1.5, awg=20, length_m=2.0, supply_v=24.0, supply_limit_a=3.0)
    assert limited.short_circuit_a == 3.0
    assert limited.opens_within_s == math.inf
    assert "may stay whole" in limited.problems[0]


def test_pulses_between_rows_take_the_careful_row() -> None:
    """101 pulses count as 1 000, one pulse as 100."""
    assert copper.allowed_pulse_i2t_a2s(1.0, 101) == 0.38
    assert copper.allowed_pulse_i2t_a2s(1.0, 1) == 0.48
