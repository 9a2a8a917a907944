"""Fans of the simulated bench."""

from __future__ import annotations

import math
import random

import pytest

from hiltest.simbench.loads.fan import FanChannel, FanMotor
from hiltest.simbench.tolerance import Draws


class Clock:
    """A clock that a test moves."""

    now_ns = 0

    def go(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)


def fan(clock: Clock, wires: int = 4) -> FanMotor:
    return FanMotor(
        "f",
        clock,
        Draws(random.Random(1), on=False),
        wires=wires,
        full_speed_rpm=6000.0,
        pulses_per_rev=2,
        voltage_v=24.0,
        current_a=0.12,
    )


def test_full_duty_gives_full_speed_and_two_pulses_a_turn() -> None:
    """6000 rpm are 200 Hz on the tach (2 pulses per turn: Intel 4-wire fan specification)."""
    clock = Clock()
    made = fan(clock)
    made.drive(24.0, 1.0)
    clock.go(10.0)
    assert made.rpm() == pytest.approx(6000.0, rel=1e-3)
    assert made.tach_hz() == pytest.approx(200.0, rel=1e-3)


def test_it_needs_time_to_spin_up_and_to_stop() -> None:
    """A lag of 0.5 s nominal up: 63 % after one; longer down; then it stands."""
    clock = Clock()
    made = fan(clock)
    made.drive(24.0, 1.0)
    clock.go(0.5)
    assert made.speed() == pytest.approx(1.0 - math.exp(-1.0), rel=1e-6)
    clock.go(9.5)
    made.drive(24.0, 0.0)
    clock.go(0.5)
    assert made.speed() > 0.5
    clock.go(7.0)
    assert made.tach_hz() == 0.0


def test_speed_follows_the_voltage() -> None:
    """At 80 % of the voltage about 80 % of the speed."""
    clock = Clock()
    made = fan(clock)
    made.drive(19.2, 1.0)
    clock.go(10.0)
    assert made.rpm() == pytest.approx(4800.0, rel=1e-3)


def test_a_low_duty_does_not_start_it_but_keeps_it_running() -> None:
    """At 15 % it stays at rest; once running it holds."""
    clock = Clock()
    made = fan(clock)
    made.drive(24.0, 0.15)
    clock.go(5.0)
    assert made.rpm() == 0.0
    made.drive(24.0, 1.0)
    clock.go(5.0)
    made.drive(24.0, 0.15)
    clock.go(10.0)
    assert 500.0 < made.rpm() < 2000.0


def test_a_switched_fan_needs_its_start_voltage() -> None:
    """Three wires: the duty cuts the supply, so 0.4 of it is not enough to start (0.54 is needed)."""
    clock = Clock()
    made = fan(clock, wires=3)
    made.drive(24.0, 0.4)
    clock.go(5.0)
    assert made.rpm() == 0.0
    made.drive(24.0, 0.6)
    clock.go(5.0)
    assert made.rpm() == pytest.approx(3600.0, rel=0.01)


def test_two_wires_have_no_tach() -> None:
    """It turns, and says nothing."""
    clock = Clock()
    made = fan(clock, wires=2)
    made.drive(24.0, 1.0)
    clock.go(5.0)
    assert made.rpm() > 5900.0
    assert made.tach_hz() == 0.0


@pytest.mark.parametrize(
    ("name", "turns", "tach", "current"),
    [("stalled", False, False, True), ("supply_open", False, False, False), ("tach_open", True, False, True)],
)
def test_the_ways_to_read_zero_differ_in_speed_and_current(
    name: str, turns: bool, tach: bool, current: bool
) -> None:
    """Blocked: current in tries; open: none; tach wire open: it turns and takes its current."""
    clock = Clock()
    made = fan(clock)
    setattr(made, name, True)
    made.drive(24.0, 1.0)
    taken = []
    for _ in range(100):
        clock.go(0.1)
        taken.append(made.current_now_a())
    assert (made.rpm() > 0.0, made.tach_hz() > 0.0, max(taken) > 0.0) == (turns, tach, current)
    if name == "stalled":
        assert min(taken) == 0.0


def test_an_open_control_wire_means_full_speed() -> None:
    """The control input is pulled up inside the fan (Intel 4-wire fan specification)."""
    clock = Clock()
    made = fan(clock)
    made.control_open = True
    made.drive(24.0, 0.3)
    clock.go(5.0)
    assert made.rpm() == pytest.approx(6000.0, rel=1e-3)


def test_starting_takes_more_current_than_running() -> None:
    """1.5 to 4 times the running current, and 0.12 A once it runs."""
    clock = Clock()
    made = fan(clock)
    made.drive(24.0, 1.0)
    first = made.current_now_a()
    clock.go(10.0)
    assert made.current_now_a() == pytest.approx(0.12, rel=1e-3)
    assert 1.5 <= first / 0.12 <= 4.0


def test_the_pulses_of_a_healthy_fan_are_a_little_unequal() -> None:
    """The quarters of a turn are equal within about 5 % (common practice, no source); no two fans are alike."""
    found = [
        FanMotor(
            "f",
            Clock(),
            Draws(random.Random(seed)),
            wires=4,
            full_speed_rpm=6000.0,
            pulses_per_rev=2,
            voltage_v=24.0,
            current_a=0.12,
        ).pulse_unevenness
        for seed in range(300)
    ]
    assert 0.03 < max(found) <= 0.05
    assert sum(share > 0.01 for share in found) > 100
    assert fan(Clock()).pulse_unevenness == 0.0


@pytest.mark.parametrize(
    ("full_rpm", "one_pulse", "error"),
    [(6000.0, False, 0.0), (6300.0, False, 0.04 / 21), (900.0, False, 0.04 / 3), (6000.0, True, 0.04)],
)
def test_a_reading_is_off_where_it_does_not_hold_whole_turns(
    full_rpm: float, one_pulse: bool, error: float
) -> None:
    """Two pulses a turn, 0.1 s of them: an even number is right, an odd one holds one long or short pulse too many."""
    clock = Clock()
    made = fan(clock)
    made.full_speed_rpm, made.pulse_unevenness, made.times_one_pulse = full_rpm, 0.04, one_pulse
    made.drive(24.0, 1.0)
    clock.go(20.0)
    assert made.timing_error() == pytest.approx(error)


@pytest.mark.parametrize(
    ("changes", "duty", "applied"),
    [({}, 0.4, 0.4), ({"inverted": True}, 0.4, 0.6), ({"stuck_duty": 1.0}, 0.0, 1.0)],
)
def test_what_reaches_the_fan(changes: dict[str, object], duty: float, applied: float) -> None:
    """The wiring of an output turns the command into what is applied."""
    channel = FanChannel(None)
    channel.duty = duty
    for name, value in changes.items():
        setattr(channel, name, value)
    assert channel.applied(powered=True) == pytest.approx(applied)
