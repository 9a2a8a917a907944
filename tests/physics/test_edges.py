"""Edges on the line: settling, ringing, noise. Behaviour, edges, properties."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import line


def test_an_unterminated_line_settles_later_than_a_bit() -> None:
    """15 to 30 kohm against 100 to 300 pF takes microseconds; 60 ohm takes nanoseconds."""
    capacitance_f = line.line_capacitance_f(2.0, 2)
    assert capacitance_f == pytest.approx(220e-12)
    assert line.recessive_settling_s(60.0, capacitance_f) < 50e-9
    assert 2e-6 < line.recessive_settling_s(15e3, capacitance_f, start_v=3.7) < 12e-6
    assert line.recessive_settling_s(math.inf, capacitance_f) == math.inf


def test_an_edge_falls_by_the_logarithm_of_its_levels() -> None:
    """From 2 V to 0.5 V takes ln 4 time constants."""
    assert line.recessive_settling_s(60.0, 1e-9) == pytest.approx(60e-9 * math.log(4.0))


def test_an_edge_that_starts_settled_takes_no_time() -> None:
    """Below the goal at once, or nothing to discharge."""
    assert line.recessive_settling_s(60.0, 1e-9, start_v=0.4) == 0.0
    assert line.recessive_settling_s(60.0, 0.0) == 0.0


def test_sample_margin_turns_negative_where_the_sample_comes_too_early() -> None:
    """875 ns of a 1 Mbit/s bit against 600 and 900 ns of settling."""
    assert line.sample_margin_s(1e6, 0.875, 600e-9) == pytest.approx(275e-9)
    assert line.sample_margin_s(1e6, 0.875, 900e-9) < 0.0
    assert line.sample_margin_s(1e6, 0.875, math.inf) == -math.inf


def test_longer_stubs_ring_longer_and_a_short_one_hides_in_the_edge() -> None:
    """0.3 m does nothing, 6 m rings on."""
    rise_s = 50e-9
    assert line.stub_ringing_s(0.0, rise_s=rise_s) == pytest.approx(rise_s)
    assert line.stub_ringing_s(0.3, rise_s=rise_s) == pytest.approx(rise_s)
    assert line.stub_ringing_s(6.0, rise_s=rise_s) > line.stub_ringing_s(2.0, rise_s=rise_s) > rise_s


def test_a_star_rings_longer_than_a_stub() -> None:
    """Ten arms keep 80 % of the wave each time, three arms a third."""
    rise_s = 50e-9
    star_s = line.stub_ringing_s(3.0, arms=10, rise_s=rise_s) - rise_s
    stub_s = line.stub_ringing_s(3.0, arms=3, rise_s=rise_s) - rise_s
    assert star_s > 3.0 * stub_s > 0.0


def test_ends_that_match_do_not_ring_and_two_open_ends_never_stop() -> None:
    """One good terminator swallows the wave."""
    assert line.end_ringing_s(10.0, 120.0, 120.0) == 0.0
    assert line.end_ringing_s(10.0, 120.0, math.inf) == pytest.approx(100e-9)
    assert line.end_ringing_s(10.0, math.inf, math.inf) == math.inf


@given(st.floats(1e-9, 1e-6), st.floats(0.01, 0.99), st.floats(0.5, 5.0), st.floats(0.01, 0.4))
@settings(deadline=None)
def test_ringing_ends_with_the_first_round_trip_below_the_goal(
    round_trip_s: float, decay: float, amplitude_v: float, settled_v: float
) -> None:
    """After the stated time the wave is below, one trip earlier it was not."""
    trips = round(line.ringing_s(round_trip_s, decay, amplitude_v, settled_v) / round_trip_s)
    assert amplitude_v * decay**trips <= settled_v * (1 + 1e-6)
    assert amplitude_v * decay ** (trips - 1) > settled_v * (1 - 1e-6)


BUNDLE = {
    "edge_v_per_s": 24.0 / 100e-9,
    "edge_a_per_s": 2.0 / 1e-6,
    "shared_length_m": 2.0,
    "distance_m": 5e-3,
}


def test_twist_and_distance_quiet_the_pair() -> None:
    """Why the signal pair is twisted and kept from the motor's wires."""
    straight = line.coupled_noise_v(**BUNDLE, twists_per_m=0.0)
    twisted = line.coupled_noise_v(**BUNDLE, twists_per_m=40.0)
    apart = line.coupled_noise_v(**{**BUNDLE, "distance_m": 50e-3}, twists_per_m=0.0)
    assert straight > 10.0 * twisted
    assert straight > 10.0 * apart


@given(
    st.floats(0.0, 1e9),
    st.floats(0.0, 1e8),
    st.floats(0.0, 20.0),
    st.floats(2e-3, 1.0),
    st.floats(0.0, 100.0),
)
@settings(deadline=None)
def test_coupled_noise_is_finite_and_grows_with_the_edge(
    edge_v_per_s: float, edge_a_per_s: float, length_m: float, distance_m: float, twists_per_m: float
) -> None:
    """Never negative, linear in the edge."""
    shape = {"shared_length_m": length_m, "distance_m": distance_m, "twists_per_m": twists_per_m}
    one = line.coupled_noise_v(edge_v_per_s=edge_v_per_s, edge_a_per_s=edge_a_per_s, **shape)
    two = line.coupled_noise_v(edge_v_per_s=2 * edge_v_per_s, edge_a_per_s=-2 * edge_a_per_s, **shape)
    assert 0.0 <= one < math.inf
    assert two == pytest.approx(2.0 * one, abs=1e-300)


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: line.propagation_delay_s(-1.0), "length_m=-1.0"),
        (lambda: line.arbitration_delay_s(1.0, math.nan), "loop_delay_s=nan"),
        (lambda: line.sample_margin_s(1e6, 87.5, 0.0), "sample_point=87.5"),
        (lambda: line.sample_margin_s(1e6, 0.8, math.nan), "settled_after_s=nan"),
        (lambda: line.line_capacitance_f(1.0, -1), "nodes=-1"),
        (lambda: line.recessive_settling_s(0.0, 1e-9), "resistance_ohm=0.0"),
        (lambda: line.reflection_coefficient(-1.0), "load_ohm=-1.0"),
        (lambda: line.junction_reflection(1), "arms=1"),
        (lambda: line.ringing_s(1e-9, 1.5, 1.0, 0.1), "decay=1.5"),
        (lambda: line.pair_impedance_ohm(0.5e-3, 0.6e-3, 2.3), "spacing_m=0.0005"),
        (lambda: line.delay_ns_per_m(0.5), "permittivity=0.5"),
        (
            lambda: line.coupled_noise_v(**{**BUNDLE, "distance_m": 1e-3}, twists_per_m=0.0),
            "distance_m=0.001",
        ),
        (lambda: line.ground_offset_v(1.0, -1.0), "return_ohm=-1.0"),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)
