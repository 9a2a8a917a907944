"""Steppers, switches and lamps of the simulated bench."""

from __future__ import annotations

import itertools
import random

import pytest

from hiltest.simbench.drive import Profile
from hiltest.simbench.loads.lamp import Lamp
from hiltest.simbench.loads.stepper import FLAG_OPEN_A, FLAG_OPEN_B, DriverChip, Mechanism, Motor
from hiltest.simbench.loads.switch import Contact, SwitchInput
from hiltest.simbench.tolerance import Draws


class Clock:
    """A clock that a test moves."""

    now_ns = 0

    def go(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)


def nominal() -> Draws:
    return Draws(random.Random(1), on=False)


def contact(clock: Clock, normally_open: bool = False) -> Contact:
    return Contact("c", clock, random.Random(1), nominal(), normally_open=normally_open)


def drive(clock: Clock | None = None) -> tuple[DriverChip, Motor, Contact]:
    """A driver chip, set and enabled, with a motor on a mechanism with a home switch."""
    clock = clock or Clock()
    home = contact(clock)
    mechanism = Mechanism(nominal(), steps_per_rev=200, release_rev=0.1, travel_rev=8.5, home=home, end=None)
    motor = Motor("m", random.Random(2), nominal(), mechanism, rated_a=1.0, ohm=3.0)
    chip = DriverChip(clock, motor)
    chip.rail_share = 1.0
    chip.power_up()
    for register, value in (("run_ma", 700), ("hold_ma", 300), ("microsteps", 16)):
        chip.write(register, value)
    chip.enabled = True
    chip.set_moving(True)
    return chip, motor, home


def turn(chip: DriverChip, microsteps: int, speed_rev_s: float = 2.0) -> None:
    """Pulses in portions, as the firmware gives them."""
    sign = 1 if microsteps > 0 else -1
    for _ in range(abs(microsteps) // 8):
        chip.step(8 * sign, speed_rev_s)


# --- motor --------------------------------------------------------------------------------------------


def test_pulses_turn_the_motor_by_microsteps() -> None:
    """16 microsteps and 200 steps: 3200 pulses are one turn."""
    chip, motor, _ = drive()
    turn(chip, 3200)
    assert motor.mechanism.position_rev == pytest.approx(1.0)
    turn(chip, -1600)
    assert motor.mechanism.position_rev == pytest.approx(0.5)


def test_default_microsteps_double_the_way() -> None:
    """A driver without its settings makes 8 microsteps: the same pulses go twice as far."""
    chip, motor, _ = drive()
    chip.settings.microsteps = 8
    turn(chip, 3200)
    assert motor.mechanism.position_rev == pytest.approx(2.0)


def test_a_reversed_motor_runs_into_the_low_stop() -> None:
    """It starts parked; away from the switch becomes into the stop, and whole cycles are lost."""
    chip, motor, home = drive()
    motor.direction = -1
    turn(chip, 1600)
    assert motor.mechanism.position_rev == pytest.approx(motor.mechanism.low_stop_rev, abs=0.02)
    assert motor.mechanism.stop_hits > 5
    assert home.actuated
    assert (motor.rotor_steps + 100) % 4 == pytest.approx(0.0, abs=1e-9)


def test_too_much_load_loses_whole_electrical_cycles() -> None:
    """The error is a multiple of 4 full steps, and grows with the way."""
    chip, motor, _ = drive()
    motor.mechanism.load = 0.62
    turn(chip, 16_000)
    error = 1000.0 - motor.rotor_steps
    assert error >= 8.0
    assert error % 4 == pytest.approx(0.0, abs=1e-6)


def test_too_little_current_loses_steps_and_enough_does_not() -> None:
    """At 0.15 A nothing follows, at the set 0.7 A every step does."""
    for run_ma, lost in ((150, True), (700, False)):
        chip, motor, _ = drive()
        chip.write("run_ma", run_ma)
        turn(chip, 8000)
        assert (motor.rotor_steps < 490.0) == lost


@pytest.mark.parametrize("fault", ["coil_a_open", "coil_b_open", "pairs_crossed"])
def test_without_two_phases_it_buzzes(fault: str) -> None:
    """No turn comes of a full turn of pulses, whatever the chance."""
    chip, motor, _ = drive()
    setattr(motor, fault, True)
    turn(chip, 3200)
    assert abs(motor.mechanism.position_rev) < 0.3


@pytest.mark.parametrize(
    ("fault", "flags"),
    [
        (None, 0),
        ("coil_a_open", FLAG_OPEN_A),
        ("coil_b_open", FLAG_OPEN_B),
        ("pairs_crossed", FLAG_OPEN_A | FLAG_OPEN_B),
    ],
)
def test_open_load_shows_in_slow_motion_only(fault: str | None, flags: int) -> None:
    """The flag needs some turns of the current below one turn per second; fast motion shows nothing."""
    chip, motor, _ = drive()
    if fault:
        setattr(motor, fault, True)
    turn(chip, 1600, speed_rev_s=3.0)
    assert chip.flags() == 0
    turn(chip, 1600, speed_rev_s=0.5)
    assert chip.flags() == flags


def test_a_shorted_coil_switches_the_driver_off() -> None:
    """No current and no way until it is enabled again."""
    chip, motor, _ = drive()
    motor.shorted = True
    turn(chip, 800)
    assert chip.current_a() == 0.0
    assert motor.rotor_steps == 0.0


def test_without_enable_there_is_no_current_and_no_way() -> None:
    """Pulses alone do nothing."""
    chip, motor, _ = drive()
    chip.enabled = False
    turn(chip, 800)
    assert (chip.current_a(), motor.rotor_steps) == (0.0, 0.0)


def test_the_chip_forgets_its_settings_with_its_supply() -> None:
    """Back to 300 mA and 8 microsteps, with the reset flag."""
    chip, _, _ = drive()
    assert chip.flags() == 0
    chip.power_up()
    assert (chip.settings.run_ma, chip.settings.microsteps, chip.flags()) == (300, 8, 0x20)


def test_a_deaf_chip_answers_and_keeps_its_defaults() -> None:
    """Writes don't arrive: values and counter stay; a mute one does not answer at all."""
    chip, _, _ = drive()
    chip.power_up()
    chip.deaf = True
    assert chip.write("run_ma", 700)
    assert (chip.settings.run_ma, chip.writes) == (300, 0)
    chip.mute = True
    assert not chip.write("run_ma", 700)
    assert chip.flags() == 0x40


def test_backlash_is_play_between_motor_and_mechanism() -> None:
    """Turning back takes up the play first."""
    chip, motor, _ = drive()
    motor.mechanism.backlash_rev = 0.1
    turn(chip, 1600)
    there = motor.mechanism.position_rev
    turn(chip, -160)
    assert motor.mechanism.position_rev == there == pytest.approx(0.45)


def test_the_home_switch_lets_go_beyond_its_release() -> None:
    """Pressed while parked, free from 0.1 turns on."""
    chip, _, home = drive()
    assert home.actuated
    turn(chip, 304)
    assert home.actuated
    turn(chip, 32)
    assert not home.actuated


# --- profile ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("distance", "duration_s", "peak"), [(6400, 2.1, 3200.0), (160, 0.141421, 2262.7), (-6400, 2.1, 3200.0)]
)
def test_a_profile_is_a_trapezoid_or_a_triangle(distance: int, duration_s: float, peak: float) -> None:
    """3200/s and 32000/s2: v/a + s/v, or 2 sqrt(s/a) when the speed is not reached."""
    profile = Profile(100, distance, 3200.0, 32_000.0, 0)
    assert profile.duration_s == pytest.approx(duration_s, rel=1e-4)
    assert profile.peak == pytest.approx(peak, rel=1e-4)
    positions = [profile.at(step * 1_000_000)[0] for step in range(2200)]
    assert positions[0] == 100
    assert positions[-1] == 100 + distance
    steps = [b - a for a, b in itertools.pairwise(positions)]
    assert all(step * distance >= 0 for step in steps)
    assert max(abs(step) for step in steps) <= peak / 1000 + 1


# --- switches and lamps -------------------------------------------------------------------------------


@pytest.mark.parametrize("normally_open", [True, False])
def test_both_contact_types_show_the_same_bit(normally_open: bool) -> None:
    """The firmware knows the type; 1 means actuated."""
    clock = Clock()
    part = contact(clock, normally_open)
    channel = SwitchInput(part, random.Random(1), set_for_normally_open=normally_open, active_high=True)
    seen = []
    for actuated in (False, True, False):
        part.move(actuated)
        clock.go(0.1)
        seen.append(channel.bit(False))
    assert seen == [0, 1, 0]


@pytest.mark.parametrize(
    ("normally_open", "fault", "idle", "pressed"),
    [
        (True, "wire_open", 0, 0),
        (False, "wire_open", 1, 1),
        (True, "stuck_closed", 1, 1),
        (False, "stuck_closed", 0, 0),
    ],
)
def test_an_open_wire_hides_on_one_type_and_a_weld_on_the_other(
    normally_open: bool, fault: str, idle: int, pressed: int
) -> None:
    """Normally open hides a broken wire, normally closed a welded contact: neither ever triggers."""
    clock = Clock()
    part = contact(clock, normally_open)
    setattr(part, fault, True)
    channel = SwitchInput(part, random.Random(1), set_for_normally_open=normally_open, active_high=True)
    clock.go(1.0)
    first = channel.bit(False)
    part.move(True)
    clock.go(1.0)
    assert (first, channel.bit(False)) == (idle, pressed)


def test_a_contact_bounces_and_settles() -> None:
    """Within its bounce time both states are seen, afterwards one."""
    clock = Clock()
    part = contact(clock)
    clock.go(1.0)
    part.move(True)
    early = set()
    for _ in range(12):
        clock.go(0.0001)
        early.add(part.closed())
    clock.go(0.1)
    late = {part.closed() for _ in range(20)}
    assert (early, late) == ({True, False}, {False})


def test_crosstalk_needs_a_running_motor() -> None:
    """At rest the input is steady."""
    clock = Clock()
    part = contact(clock)
    clock.go(1.0)
    channel = SwitchInput(part, random.Random(1), set_for_normally_open=False, active_high=True)
    channel.crosstalk = 0.3
    assert {channel.bit(False) for _ in range(50)} == {0}
    assert {channel.bit(True) for _ in range(50)} == {0, 1}


def test_a_lamp_shows_what_is_wired() -> None:
    """A permuted lamp shows another colour, a dead one none."""
    lamp = Lamp("status", ["red", "green", "blue"])
    lamp.bits = 0b001
    assert lamp.shows() == {"red"}
    lamp.wired = ["green", "blue", "red"]
    assert lamp.shows() == {"green"}
    lamp.dead = {"green"}
    assert lamp.shows() == frozenset()


# --- how healthy ones differ --------------------------------------------------------------------------


def approaches(draws: Draws, count: int) -> list[float]:
    """Where the home switch acts at each of some approaches from above, in full steps; every approach once."""
    home, found = contact(Clock()), []
    mechanism = Mechanism(draws, steps_per_rev=200, release_rev=0.1, travel_rev=8.5, home=home, end=None)
    for _ in range(count):
        changes = []
        for twentieth in range(800, 0, -1):
            was = home.actuated
            mechanism.reach(twentieth / 20 / 200)
            if home.actuated != was and not was:
                changes.append(twentieth / 20)
        assert len(changes) == 1, "the lever flickered"
        found += changes
    return found


def test_the_home_switch_acts_a_little_elsewhere_at_each_approach() -> None:
    """A quarter of a full step or so (common practice, no source); without tolerances always at one place."""
    found = approaches(Draws(random.Random(5)), 30)
    assert 0.1 < max(found) - min(found) <= 0.61
    assert len(set(approaches(nominal(), 3))) == 1


def test_more_inductance_costs_torque_at_speed_only() -> None:
    """Current rises with voltage over inductance: at the corner speed of a nominal coil half the torque is left."""
    lost: dict[tuple[float, float], float] = {}
    for inductance in (0.8, 1.2):
        for rev_s in (0.5, 13.0):
            chip, motor, _ = drive()
            motor.inductance_share, motor.mechanism.load = inductance, 0.33
            turn(chip, 16000, rev_s)
            lost[inductance, rev_s] = 5.0 - motor.mechanism.position_rev
    assert lost[0.8, 0.5] == lost[1.2, 0.5] == pytest.approx(0.0, abs=1e-9)
    assert lost[1.2, 13.0] > lost[0.8, 13.0]
