"""Sensors, divider and error budget: behaviour, edges, properties."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics.thermistor import (
    Divider,
    NtcBeta,
    Platinum,
    SteinhartHart,
    ntc_reading_budget,
    platinum_reading_budget,
)

HOTEND = NtcBeta(100e3, 3950.0)
PRINTED = SteinhartHart(1.129148e-3, 2.34125e-4, 8.76741e-8)
PULL_UP = Divider(4700.0)


@given(st.floats(1e2, 1e6), st.floats(2000.0, 5000.0), st.floats(-55.0, 300.0))
@settings(deadline=None)
def test_beta_model_inverts_itself(r25: float, beta: float, temperature_c: float) -> None:
    """Resistance of a temperature gives the temperature back."""
    part = NtcBeta(r25, beta)
    assert part.temperature_c(part.resistance_ohm(temperature_c)) == pytest.approx(temperature_c, abs=1e-8)


@given(st.floats(-60.0, 200.0))
@settings(deadline=None)
def test_steinhart_hart_inverts_itself(temperature_c: float) -> None:
    """Resistance of a temperature gives the temperature back, to a nanokelvin."""
    assert PRINTED.temperature_c(PRINTED.resistance_ohm(temperature_c)) == pytest.approx(
        temperature_c, abs=1e-9
    )


@given(st.floats(-200.0, 850.0), st.sampled_from([100.0, 500.0, 1000.0]))
@settings(deadline=None)
def test_platinum_inverts_itself_over_its_whole_range(temperature_c: float, r0: float) -> None:
    """Both branches of the curve and the joint at 0 °C come back."""
    sensor = Platinum(r0)
    assert sensor.temperature_c(sensor.resistance_ohm(temperature_c)) == pytest.approx(
        temperature_c, abs=1e-8
    )


@pytest.mark.parametrize("sensor", [HOTEND, PRINTED, Platinum(100.0)], ids=["beta", "S-H", "platinum"])
def test_arrays_of_any_shape_equal_the_numbers(sensor: NtcBeta) -> None:
    """The array path answers as the fast path does, shape kept."""
    temperatures = np.array([[-40.0, 0.0, 25.0], [60.0, 100.0, 150.0]])
    ohms = sensor.resistance_ohm(temperatures)
    assert ohms.shape == (2, 3)
    assert ohms[1, 0] == sensor.resistance_ohm(60.0)
    assert sensor.temperature_c(ohms) == pytest.approx(temperatures, abs=1e-8)


def test_slope_of_a_part_agrees_with_its_closed_form() -> None:
    """dR/dT by difference is R times the relative sensitivity."""
    expected = HOTEND.resistance_ohm(60.0) * HOTEND.sensitivity_per_k(60.0)
    assert HOTEND.ohm_per_k(60.0) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf, -273.15, -300.0])
def test_impossible_temperatures_are_refused(bad: float) -> None:
    """NaN, infinity and anything at or below absolute zero have no resistance."""
    for sensor in (HOTEND, PRINTED, Platinum(100.0)):
        with pytest.raises(UsageError, match="temperature_c="):
            sensor.resistance_ohm(bad)


@pytest.mark.parametrize("bad", [math.nan, math.inf, 0.0, -5.0])
def test_impossible_resistances_are_refused(bad: float) -> None:
    """NaN, infinity, zero and negative resistances are no temperature."""
    for sensor in (HOTEND, PRINTED, Platinum(100.0)):
        with pytest.raises(UsageError, match="resistance_ohm="):
            sensor.temperature_c(bad)


def test_a_resistance_past_the_end_of_the_model_is_refused() -> None:
    """A short so hard that 1/T would be negative is not turned into a temperature."""
    with pytest.raises(UsageError, match="open or shorted"):
        HOTEND.temperature_c(0.01)
    with pytest.raises(UsageError, match="-200 and 850"):
        Platinum(100.0).temperature_c(400.0)


def test_a_temperature_too_cold_to_write_down_is_refused() -> None:
    """Near absolute zero the exponential overflows; that is an error, not infinity."""
    with pytest.raises(UsageError, match="read at"):
        HOTEND.resistance_ohm(-272.0)


@pytest.mark.parametrize(
    ("make", "name"),
    [
        (lambda: NtcBeta(0.0, 3950.0), "r25_ohm=0.0"),
        (lambda: NtcBeta(1e5, math.nan), "beta_k=nan"),
        (lambda: NtcBeta(1e5, 3950.0, -300.0), "reference_c=-300.0"),
        (lambda: SteinhartHart(1e-3, -2e-4, 1e-7), "b=-0.0002"),
        (lambda: Platinum(-100.0), "r0_ohm=-100.0"),
        (lambda: Divider(0.0), "pull_up_ohm=0.0"),
        (lambda: Divider(4700.0, adc_bits=40), "adc_bits=40"),
        (lambda: Divider(4700.0, reference_v=math.inf), "reference_v=inf"),
        (lambda: Divider(4700.0, short_below=0.999), "short_below=0.999"),
        (lambda: NtcBeta("100k", 3950.0), "r25_ohm='100k'"),
    ],
)
def test_impossible_parts_are_refused_by_name_and_value(make: object, name: str) -> None:
    """The message starts with the argument and what was given."""
    with pytest.raises(UsageError) as caught:
        make()
    assert str(caught.value).startswith(name)
    assert "expected" in str(caught.value)


def test_beta_from_two_points_returns_the_part() -> None:
    """Two points of a part give its constants back, in either order."""
    points = [(25.0, HOTEND.resistance_ohm(25.0)), (100.0, HOTEND.resistance_ohm(100.0))]
    for first, second in (points, points[::-1]):
        part = NtcBeta.from_points(first, second)
        assert (part.r25_ohm, part.beta_k) == pytest.approx((100e3, 3950.0), rel=1e-9)


@pytest.mark.parametrize("second", [(25.0, 50e3), (100.0, 120e3)])
def test_points_of_no_thermistor_are_refused(second: tuple[float, float]) -> None:
    """Equal temperatures, or a resistance that rises, are no NTC."""
    with pytest.raises(UsageError, match="lower resistance"):
        NtcBeta.from_points((25.0, 100e3), second)


def test_steinhart_hart_goes_through_its_three_points() -> None:
    """A fit in any order of points reproduces them."""
    points = [(85.0, 1070.0), (0.0, 32650.0), (25.0, 10000.0)]
    fit = SteinhartHart.from_points(points)
    for temperature_c, ohm in points:
        assert fit.temperature_c(ohm) == pytest.approx(temperature_c, abs=1e-9)


@pytest.mark.parametrize(
    "points",
    [
        [(0.0, 32650.0), (25.0, 10000.0)],
        [(0.0, 32650.0), (25.0, 10000.0), (25.0, 10000.0)],
        [(0.0, 32650.0), (25.0, 10000.0), (85.0, 20000.0)],
    ],
)
def test_points_that_fix_no_curve_are_refused(points: list[tuple[float, float]]) -> None:
    """Two points, a double one, or a rising resistance."""
    with pytest.raises(UsageError, match="points="):
        SteinhartHart.from_points(points)


@given(st.floats(30.0, 2e6))
@settings(deadline=None)
def test_divider_gives_the_resistance_back(ohm: float) -> None:
    """Counts of a connected sensor invert exactly."""
    assert PULL_UP.resistance_ohm(PULL_UP.counts(ohm)) == pytest.approx(ohm, rel=1e-9)


def test_open_and_shorted_sensors_are_faults_and_not_temperatures() -> None:
    """Full scale is open, zero is short, and neither is decoded."""
    assert PULL_UP.ratio(math.inf) == 1.0
    assert PULL_UP.code(math.inf) == 4095
    assert PULL_UP.code(0.0) == 0
    assert PULL_UP.status(4095) == "open"
    assert PULL_UP.status(0) == "short"
    assert PULL_UP.status(PULL_UP.code(HOTEND.resistance_ohm(25.0))) == "ok"
    for counts in (4095, 0):
        with pytest.raises(UsageError, match="status"):
            PULL_UP.resistance_ohm(counts)


@pytest.mark.parametrize("temperature_c", [-25.0, 0.0, 25.0, 250.0, 380.0])
def test_default_thresholds_leave_room_for_a_common_thermistor(temperature_c: float) -> None:
    """100 kohm on 4.7 kohm reads "ok" from −25 to 380 °C."""
    assert PULL_UP.status(PULL_UP.code(HOTEND.resistance_ohm(temperature_c))) == "ok"


@given(st.floats(0.0, 1e7), st.floats(-1e4, 1e4))
@settings(deadline=None)
def test_converter_codes_stay_in_range_whatever_the_noise(ohm: float, noise: float) -> None:
    """A code is a whole number from 0 to full scale."""
    code = PULL_UP.code(ohm, noise)
    assert isinstance(code, int)
    assert 0 <= code <= PULL_UP.full_scale


def test_a_converter_rounds_to_the_nearest_code() -> None:
    """4095 times a half is 2047.5: up at the half, and noise moves it by whole codes."""
    half = Divider(10e3)
    assert half.code(10e3) == 2048
    assert half.code(10e3, -0.1) == 2047
    assert half.code(10e3, 1.9) == 2049


def test_readings_out_of_the_converter_s_range_are_refused() -> None:
    """More counts than bits allow is a wrong setting, not an open sensor."""
    with pytest.raises(UsageError, match="adc_bits"):
        PULL_UP.status(4096)
    with pytest.raises(UsageError, match="resistance_ohm=nan"):
        PULL_UP.counts(math.nan)
    with pytest.raises(UsageError, match="noise_counts=nan"):
        PULL_UP.code(100.0, math.nan)


def test_voltage_is_the_ratio_of_the_reference() -> None:
    """Half of 3.3 V with equal resistors."""
    assert Divider(10e3).voltage_v(10e3) == pytest.approx(1.65)


@pytest.mark.parametrize(
    ("temperature_c", "worst_k"), [(25.0, 0.45), (100.0, 1.65), (150.0, 2.69), (200.0, 3.93), (240.0, 5.07)]
)
def test_one_percent_parts_are_worth_what_was_worked_by_hand(temperature_c: float, worst_k: float) -> None:
    """Worst case without converter error: 1 % each of r25, beta and pull-up, propagated by hand."""
    budget = ntc_reading_budget(HOTEND, PULL_UP, temperature_c, adc_error_counts=0.0)
    assert budget.worst_case_k == pytest.approx(worst_k, abs=0.02)


def test_beta_costs_nothing_at_its_reference_and_most_when_hot() -> None:
    """Why a check at room temperature can't prove the curve."""
    assert ntc_reading_budget(HOTEND, PULL_UP, 25.0).contributions_k["beta"] == pytest.approx(0.0, abs=1e-9)
    hot = ntc_reading_budget(HOTEND, PULL_UP, 200.0).contributions_k
    assert max(hot, key=hot.__getitem__) == "beta"


@given(
    st.floats(0.0, 0.05),
    st.floats(0.0, 0.05),
    st.floats(0.0, 0.05),
    st.floats(0.0, 8.0),
    st.floats(0.0, 220.0),
)
@settings(deadline=None, max_examples=50)
def test_root_sum_square_never_exceeds_the_worst_case(
    r25: float, beta: float, pull_up: float, counts: float, temperature_c: float
) -> None:
    """And both are at least the largest contribution."""
    budget = ntc_reading_budget(
        HOTEND,
        PULL_UP,
        temperature_c,
        r25_tolerance=r25,
        beta_tolerance=beta,
        pull_up_tolerance=pull_up,
        adc_error_counts=counts,
    )
    largest = max(budget.contributions_k.values())
    assert largest - 1e-12 <= budget.root_sum_square_k <= budget.worst_case_k + 1e-12


@given(
    st.floats(-1.0, 1.0),
    st.floats(-1.0, 1.0),
    st.floats(-1.0, 1.0),
    st.sampled_from([0.0, 25.0, 60.0, 200.0]),
)
@settings(deadline=None, max_examples=60)
def test_no_part_within_tolerance_errs_more_than_the_worst_case(
    r25: float, beta: float, pull_up: float, temperature_c: float
) -> None:
    """The budget bounds every board it describes (5 % room for curvature)."""
    part = NtcBeta(100e3 * (1 + 0.01 * r25), 3950.0 * (1 + 0.01 * beta))
    board = Divider(4700.0 * (1 + 0.01 * pull_up))
    shown_c = HOTEND.temperature_c(PULL_UP.resistance_ohm(board.counts(part.resistance_ohm(temperature_c))))
    budget = ntc_reading_budget(HOTEND, PULL_UP, temperature_c, adc_error_counts=0.0)
    assert abs(shown_c - temperature_c) <= 1.05 * budget.worst_case_k + 1e-9


def test_two_wire_platinum_pays_for_its_leads() -> None:
    """1 ohm of lead on a Pt100 costs 2.6 K, on a Pt1000 a tenth."""
    budget = platinum_reading_budget(Platinum(100.0), Divider(1000.0, adc_bits=16), 50.0, lead_ohm=1.0)
    assert budget.contributions_k["leads"] == pytest.approx(2.6, abs=0.05)
    assert budget.contributions_k["element"] == pytest.approx(0.55)
    thousand = platinum_reading_budget(Platinum(1000.0), Divider(4700.0, adc_bits=16), 50.0, lead_ohm=1.0)
    assert thousand.contributions_k["leads"] == pytest.approx(0.26, abs=0.005)


def test_tolerances_given_in_percent_are_refused() -> None:
    """1 meant as 1 % would be 100 %."""
    with pytest.raises(UsageError, match=r"r25_tolerance=1\.0.*0\.01 is 1 %"):
        ntc_reading_budget(HOTEND, PULL_UP, 25.0, r25_tolerance=1.0)


def test_unknown_tolerance_class_is_refused() -> None:
    """The classes are named in the message."""
    with pytest.raises(UsageError, match="'AA', 'A', 'B'"):
        Platinum(100.0).tolerance_k(0.0, "C")
