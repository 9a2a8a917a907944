"""Steppers: behaviour, edges, properties."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import motion

OPEN = math.inf
SOUND = {
    ("1", "2"): 1.6,
    ("3", "4"): 1.62,
    ("1", "3"): OPEN,
    ("1", "4"): OPEN,
    ("2", "3"): OPEN,
    ("2", "4"): OPEN,
}
powers = st.sampled_from([1, 2, 4, 8, 16, 32, 64, 128, 256])


@given(powers, powers, st.floats(0.94, 1.06), st.booleans())
@settings(deadline=None)
def test_a_wrong_microstep_setting_is_named(host: int, driver: int, off: float, backwards: bool) -> None:
    """Travel is commanded times host over driver, and the power of two is found through some slop."""
    travel = 10.0 * host / driver * off * (-1 if backwards else 1)
    result = motion.travel_ratio(10.0, travel)
    assert result.microstep_factor == host / driver
    assert result.reversed is backwards


@pytest.mark.parametrize("measured", [13.0, 15.0, 7.0, 0.0, 10.0 * 1024])
def test_other_ratios_are_not_blamed_on_microsteps(measured: float) -> None:
    """A wrong lead, no motion, or something absurd has no power of two."""
    assert motion.travel_ratio(10.0, measured).microstep_factor is None


def test_a_stuck_axis_is_not_called_reversed() -> None:
    """No motion has no direction."""
    assert motion.travel_ratio(10.0, 0.0) == motion.TravelRatio(0.0, False, None)
    assert motion.travel_ratio(-10.0, -10.0) == motion.TravelRatio(1.0, False, 1.0)


@pytest.mark.parametrize("wires", list(itertools.permutations("1234")))
def test_coils_are_found_whatever_the_order_of_wires(wires: tuple[str, ...]) -> None:
    """Two pairs and no problems, under any numbering and either way round."""
    a, b, c, d = wires
    measured = {(a, b): 1.6, (d, c): 1.62, (a, c): OPEN, (d, a): OPEN, (b, c): OPEN, (b, d): OPEN}
    result = motion.coil_pairs(measured)
    assert {frozenset(pair) for pair in result.pairs} == {frozenset((a, b)), frozenset((c, d))}
    assert result.problems == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({("1", "2"): OPEN}, "1 connects to no other wire"),
        ({("1", "2"): 0.01}, "1-2 is shorted"),
        ({("1", "3"): 3.0, ("1", "4"): 4.0, ("2", "3"): 4.0, ("2", "4"): 3.5}, "the coils touch"),
        ({("3", "4"): OPEN, ("1", "3"): 3.2, ("2", "3"): 1.6}, "2 connects to 2 other wires"),
        ({("3", "4"): 0.8}, "the coils differ"),
    ],
    ids=["open coil", "shorted coil", "coils touching", "centre tap", "shorted turns"],
)
def test_broken_motors_are_described(change: dict[tuple[str, str], float], words: str) -> None:
    """Each fault of a winding has its own sentence."""
    assert words in " / ".join(motion.coil_pairs({**SOUND, **change}).problems)


def test_coils_on_crossed_pins_are_still_found() -> None:
    """The pairs tell which wires belong together when the plug mixes them."""
    crossed = {("A+", "B+"): 1.6, ("A-", "B-"): 1.6} | dict.fromkeys(
        [("A+", "A-"), ("A+", "B-"), ("A-", "B+"), ("B+", "B-")], OPEN
    )
    result = motion.coil_pairs(crossed)
    assert result.problems == ()
    assert {frozenset(pair) for pair in result.pairs} == {frozenset(("A+", "B+")), frozenset(("A-", "B-"))}


@given(st.floats(0.1, 100.0), st.floats(-40.0, 60.0), st.floats(0.0, 120.0))
@settings(deadline=None)
def test_winding_temperature_inverts_copper_s_line(cold_ohm: float, cold_c: float, rise_k: float) -> None:
    """Resistance warmed along the line gives the temperature back."""
    hot_ohm = cold_ohm * (234.5 + cold_c + rise_k) / (234.5 + cold_c)
    assert motion.winding_temperature_c(hot_ohm, cold_ohm, cold_c) == pytest.approx(cold_c + rise_k, abs=1e-9)


@given(st.integers(-20, 20), powers, st.floats(-0.4, 0.4))
@settings(deadline=None)
def test_lost_cycles_are_counted_through_a_loose_switch(cycles: int, microsteps: int, slop: float) -> None:
    """Whole cycles of four full steps, the rest told apart."""
    error = (4 * cycles + slop) * microsteps
    result = motion.lost_steps(error, microsteps)
    assert result.cycles == cycles
    assert result.rest_full_steps == pytest.approx(slop, abs=1e-9)
    assert result.clean is (cycles != 0)


def test_an_error_that_is_no_cycle_is_not_called_lost_steps() -> None:
    """Two full steps are backlash, a switch, or the edge of something worse."""
    assert not motion.lost_steps(1.6 * 16, 16).clean


@given(st.floats(0.5, 50.0), powers, st.floats(0.1, 30.0))
@settings(deadline=None)
def test_a_belt_is_a_screw_with_the_pulley_s_circumference(
    pitch: float, microsteps: int, gear: float
) -> None:
    """The two formulas meet."""
    belt = motion.belt_steps_per_mm(pitch, 20, microsteps=microsteps, gear=gear)
    assert belt == pytest.approx(motion.screw_steps_per_mm(20 * pitch, microsteps=microsteps, gear=gear))


def test_no_turning_field_has_no_sense() -> None:
    """A current that stays put turns nothing."""
    assert motion.rotation_sense([1.0, 1.0, 1.0], [0.0, 0.0, 0.0]) == 0


@pytest.mark.parametrize(
    ("call", "name"),
    [
        (lambda: motion.full_steps_per_revolution(1.7), "step_angle_deg=1.7"),
        (lambda: motion.full_steps_per_revolution(math.nan), "step_angle_deg=nan"),
        (lambda: motion.microsteps_per_revolution(200, 10), "microsteps=10"),
        (lambda: motion.microsteps_per_revolution(200, 512), "microsteps=512"),
        (lambda: motion.screw_steps_per_mm(0.0), "lead_mm=0.0"),
        (lambda: motion.belt_steps_per_mm(2.0, 20, gear=-1.0), "gear=-1.0"),
        (lambda: motion.step_rate_hz(-1.0, 80.0), "speed_mm_per_s=-1.0"),
        (lambda: motion.travel_ratio(0.0, 1.0), "commanded=0.0"),
        (lambda: motion.travel_ratio(1.0, math.nan), "measured=nan"),
        (lambda: motion.coil_pairs({("1", "2"): 1.6}), "resistances_ohm="),
        (lambda: motion.coil_pairs({**SOUND, ("2", "1"): 1.6}), "resistances_ohm="),
        (lambda: motion.coil_pairs({**SOUND, ("1", "2"): -1.0}), "resistances_ohm=-1.0"),
        (lambda: motion.coil_pairs({**SOUND, ("1", "2"): math.nan}), "resistances_ohm=nan"),
        (lambda: motion.winding_temperature_c(0.0, 1.6), "resistance_ohm=0.0"),
        (lambda: motion.lost_steps(math.inf, 16), "error_microsteps=inf"),
        (lambda: motion.rotation_sense([1.0], [1.0]), "phase_b="),
        (lambda: motion.resonance_hz(50, 0.4, 0.0), "inertia_kg_m2=0.0"),
        (lambda: motion.holding_power_w(0.0, 1.6), "phase_current_a=0.0"),
    ],
)
def test_bad_arguments_are_named(call: object, name: str) -> None:
    """Argument and value stand first."""
    with pytest.raises(UsageError) as caught:
        call()
    assert str(caught.value).startswith(name)
