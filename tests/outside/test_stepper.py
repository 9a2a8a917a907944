"""Stepper arithmetic against published statements and worked values."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from hiltest.physics import motion


@pytest.mark.parametrize(("angle_deg", "steps"), [(1.8, 200), (0.9, 400), (7.5, 48)])
def test_full_steps_of_common_motors(angle_deg: float, steps: int) -> None:
    """Machine Design, "Microstepping myths and realities": 1.8° is 200 full steps per revolution."""
    assert motion.full_steps_per_revolution(angle_deg) == steps


def test_256_microsteps_make_51200_a_turn() -> None:
    """Machine Design, "Microstepping myths and realities": 51 200 microsteps per revolution."""
    assert motion.microsteps_per_revolution(200, 256) == 51_200
    assert motion.microsteps_per_revolution(200, 16) == 3_200


@pytest.mark.parametrize(("lead_mm", "per_mm"), [(8.0, 400.0), (2.0, 1600.0)])
def test_lead_screws(lead_mm: float, per_mm: float) -> None:
    """Kinematics worked by hand: 3200 microsteps a turn over the lead."""
    assert motion.screw_steps_per_mm(lead_mm, microsteps=16) == pytest.approx(per_mm, rel=1e-12)


@pytest.mark.parametrize(("teeth", "gear", "per_mm"), [(20, 1.0, 80.0), (16, 1.0, 100.0), (20, 3.0, 240.0)])
def test_belts_of_two_millimetre_pitch(teeth: int, gear: float, per_mm: float) -> None:
    """Kinematics worked by hand: 3200 microsteps a turn over pitch times teeth, times the gear."""
    assert motion.belt_steps_per_mm(2.0, teeth, microsteps=16, gear=gear) == pytest.approx(per_mm, rel=1e-12)


def test_geared_rotary_axis() -> None:
    """Kinematics worked by hand: 1.8° through 5.18:1 is 0.347490° a full step."""
    assert motion.degrees_per_step(gear=5.18) == pytest.approx(0.347490, abs=1e-6)


def test_step_rate_and_motor_speed() -> None:
    """Kinematics worked by hand: 100 mm/s on an 8 mm lead at 16 microsteps is 40 kHz and 750 rpm."""
    rate_hz = motion.step_rate_hz(100.0, motion.screw_steps_per_mm(8.0, microsteps=16))
    assert rate_hz == pytest.approx(40_000.0, rel=1e-12)
    assert motion.motor_rpm(rate_hz, microsteps=16) == pytest.approx(750.0, rel=1e-12)


@pytest.mark.parametrize(
    ("microsteps", "percent"),
    [
        (1, 100.0),
        (2, 70.711),
        (4, 38.268),
        (8, 19.509),
        (16, 9.802),
        (32, 4.907),
        (64, 2.454),
        (128, 1.227),
        (256, 0.614),
    ],
)
def test_torque_left_for_one_microstep(microsteps: int, percent: float) -> None:
    """sin(90°/N): formula from memory; the effect is named in Machine Design's article on microstepping."""
    assert 100.0 * motion.torque_per_microstep(microsteps) == pytest.approx(percent, abs=5e-4)


def test_four_full_steps_make_an_electrical_cycle() -> None:
    """McComb 2009: one full step is 90 electrical degrees; 50 cycles a turn for 200 steps."""
    assert 200 / motion.FULL_STEPS_PER_CYCLE == 50


def test_holding_heat() -> None:
    """Joule's law worked by hand: 1.5 A in both phases of 1.6 ohm; half of it with sine and cosine."""
    assert motion.holding_power_w(1.5, 1.6) == pytest.approx(7.2)
    assert motion.holding_power_w(1.5, 1.6, microstepping=True) == pytest.approx(3.6)


def test_winding_temperature_by_resistance() -> None:
    """Copper's 234.5 rule (constant from memory; IEC 60034-1 uses 235): 1.60 to 1.92 ohm is 76.9 °C."""
    assert motion.winding_temperature_c(1.92, 1.60, 25.0) == pytest.approx(76.9, abs=1e-9)


def test_resonance() -> None:
    """Linearised torque curve (Acarnley, from memory): 50 teeth, 0.4 N m, 54 g cm² swing at 306.29 Hz."""
    assert motion.resonance_hz(50, 0.4, 54e-7) == pytest.approx(306.29, abs=0.01)


@pytest.mark.parametrize(
    ("sign_a", "sign_b", "exchanged", "sense"),
    [(1, 1, False, 1), (-1, 1, False, -1), (1, -1, False, -1), (-1, -1, False, 1), (1, 1, True, -1)],
)
def test_reversing_exactly_one_coil_reverses_the_motor(
    sign_a: int, sign_b: int, exchanged: bool, sense: int
) -> None:
    """Provable on the phase sequence A+, B+, A−, B− (the rule itself is common practice, no source)."""
    a, b = [1.0, 0.0, -1.0, 0.0, 1.0], [0.0, 1.0, 0.0, -1.0, 0.0]
    first, second = [sign_a * x for x in a], [sign_b * x for x in b]
    if exchanged:
        first, second = second, first
    assert motion.rotation_sense(first, second) == sense


MOTOR = {("a1", "a2"): 1.6, ("b1", "b2"): 1.6}


def between_each_two(
    wires: tuple[str, ...], resistors: dict[tuple[str, str], float]
) -> dict[tuple[str, str], float]:
    """What an ohmmeter reads between each two wires of a network, by Kirchhoff's current law.

    The resistance between two places is that of the pseudo-inverse of the matrix of conductances (D. J. Klein and
    M. Randic, J. Math. Chem. 12 (1993) 81-95, from memory); with no way between them it is infinite.
    """
    conductance = np.zeros((len(wires), len(wires)))
    joined = {wire: {wire} for wire in wires}
    for (one, other), ohm in resistors.items():
        i, k = wires.index(one), wires.index(other)
        conductance[[i, k], [i, k]] += 1 / ohm
        conductance[[i, k], [k, i]] -= 1 / ohm
        together = joined[one] | joined[other]
        joined.update(dict.fromkeys(together, together))
    inverse = np.linalg.pinv(conductance)
    return {
        (one, other): float(inverse[i, i] + inverse[k, k] - 2 * inverse[i, k])
        if other in joined[one]
        else math.inf
        for (i, one), (k, other) in itertools.combinations(enumerate(wires), 2)
    }


@pytest.mark.parametrize(
    "wires", [("a1", "a2", "b1", "b2"), ("b2", "a1", "b1", "a2"), ("a2", "b1", "b2", "a1")]
)
def test_a_sound_motor_has_two_pairs_that_read_its_winding(wires: tuple[str, ...]) -> None:
    """Common practice, no source: two pairs read the winding, four read open. Readings by Kirchhoff's law."""
    found = motion.coil_pairs(between_each_two(wires, MOTOR))
    assert {frozenset(pair) for pair in found.pairs} == {frozenset(pair) for pair in MOTOR}
    assert found.coil_ohm == pytest.approx((1.6, 1.6), rel=1e-9)
    assert found.problems == ()


@pytest.mark.parametrize(
    ("resistors", "words"),
    [
        ({**MOTOR, ("a2", "b1"): 0.5}, "the coils touch"),
        ({("a1", "a2"): 1.6}, "b1 connects to no other wire"),
        ({**MOTOR, ("a1", "a2"): 0.05}, "a1-a2 is shorted"),
        ({("a1", "a2"): 0.8, ("b1", "b2"): 1.6}, "the coils differ"),
        ({("a1", "b2"): 1.6, ("a2", "b2"): 1.6, ("b1", "b2"): 1.6}, "no 4-wire motor"),
    ],
    ids=["touching", "open", "shorted", "half its turns", "star of three"],
)
def test_what_is_wrong_with_a_winding_is_told(resistors: dict[tuple[str, str], float], words: str) -> None:
    """Common practice, no source. Readings of each faulty network by Kirchhoff's law."""
    found = motion.coil_pairs(between_each_two(("a1", "a2", "b1", "b2"), resistors))
    assert words in " / ".join(found.problems)


@pytest.mark.parametrize("set_to", [1, 2, 4, 8, 16, 32, 64, 128, 256])
def test_a_wrong_microstep_setting_is_told_by_the_travel(set_to: int) -> None:
    """Common practice, no source; worked by hand: 3200 pulses of 16 a step are one turn, of 8 a step two."""
    turns = 3200 / (200 * set_to)
    found = motion.travel_ratio(1.0, -turns)
    assert found == motion.TravelRatio(turns, True, 16 / set_to)


@pytest.mark.parametrize(
    ("commanded_mm", "measured_mm", "factor"),
    [(10.0, 10.0 * 18 / 20, 1.0), (10.0, 19.0, 2.0), (10.0, 10.0 * 16 / 20, None), (10.0, 10.0 * 3.0, None), (90.0, 90.0 / 5.18, None)],
    ids=["a pulley of 18 teeth looks right", "half the microsteps and 5 % short", "of 16 does not", "a gear of 3:1", "of 5.18:1"],
)  # fmt: skip
def test_pulleys_and_gears_are_no_microstep_setting(
    commanded_mm: float, measured_mm: float, factor: float | None
) -> None:
    """Kinematics worked by hand; what is no power of two within 10 % has another cause."""
    assert motion.travel_ratio(commanded_mm, measured_mm).microstep_factor == factor


def test_lost_steps_come_in_electrical_cycles() -> None:
    """From memory: a rotor that slips falls into place four full steps on. Worked by hand at 16 microsteps."""
    assert motion.lost_steps(2 * 4 * 16 + 5, 16) == motion.LostSteps(8.3125, 2, 0.3125, True)
    assert motion.lost_steps(-2.0 * 16, 16).clean is False
