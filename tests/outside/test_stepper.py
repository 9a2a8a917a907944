"""Stepper arithmetic against published statements and worked values."""

from __future__ import annotations

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
