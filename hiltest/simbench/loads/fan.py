"""A fan: start voltage, inertia, current, tachometer. Advanced in closed form, so looks are free.

Speed follows a first-order lag towards what supply and duty ask for. Sources: two pulses per turn and a
control input that means full speed when open are of the Intel 4-Wire PWM Controlled Fans Specification
(rev 1.3, 2005); start voltage, spin-up times and how alike the pulses of a turn are (within 5 %) are common practice,
no source.
"""

from __future__ import annotations

import math

from hiltest.simbench.loads.lag import Clock
from hiltest.simbench.tolerance import Draws

STALL_CYCLE_S = 4.0
STALL_TRY_S = 0.8
UNEVENNESS_MAX = 0.05
TACH_GATE_S = 0.1
"""How long a firmware counts pulses for one reading of the speed (common practice, no source)."""


class FanMotor:
    """The fan itself. Faults set `stalled`, `tach_open`, `supply_open`, `control_open`, `drag`."""

    def __init__(
        self,
        name: str,
        clock: Clock,
        draws: Draws,
        *,
        wires: int,
        full_speed_rpm: float,
        pulses_per_rev: int,
        voltage_v: float,
        current_a: float,
    ) -> None:
        self.name = name
        self._clock = clock
        self.wires = wires
        self.full_speed_rpm = full_speed_rpm * draws.factor(0.035)
        self.pulses_per_rev = float(pulses_per_rev)
        self.voltage_v = voltage_v
        self.current_a = current_a * draws.factor(0.05)
        self.start_current_factor = draws.uniform(1.5, 4.0)
        self.start_share = max(0.35, draws.normal(0.54, 0.05))
        self.hold_share = 0.5 * self.start_share
        # A 4-wire fan starts its own motor at any duty above this; a switched one needs the start voltage.
        self.start_duty = 0.2 * draws.factor(0.1)
        self.up_s = draws.normal(1.5, 0.4) / 3.0
        self.down_s = self.up_s * draws.uniform(1.3, 2.0)
        self.stalled = False
        self.tach_open = False
        self.tach_factor = 1.0
        self.times_one_pulse = False
        """Does the firmware time one pulse at a time, and not all that come in TACH_GATE_S?"""
        self.supply_open = False
        self.control_open = False
        self.drag = 0.0
        self._rail_v = 0.0
        self._duty = 0.0
        self._speed = 0.0
        self._target = 0.0
        self._since_ns = clock.now_ns
        self.pulse_unevenness = abs(draws.normal(0.0, UNEVENNESS_MAX / 3.0))
        """By which share every other pulse of a turn is longer than their mean: the magnet's poles are not alike."""

    def drive(self, rail_v: float, duty: float) -> None:
        """Feed the fan: `rail_v` at its supply (0 unpowered), `duty` 0..1 at its control."""
        if abs(rail_v - self._rail_v) < 0.02 and duty == self._duty:
            return
        self._rail_v, self._duty = rail_v, duty
        self.settle()

    def settle(self) -> None:
        """Aim for the speed that the present conditions ask for (call it after changing one)."""
        self._speed = self.speed()
        self._since_ns = self._clock.now_ns
        self._target = self._wanted(self._speed)

    def _wanted(self, speed: float) -> float:
        if self.stalled or self.supply_open:
            return 0.0
        volts = self._rail_v / self.voltage_v
        duty = 1.0 if self.control_open else self._duty
        if self.wires < 4:
            volts *= duty
            enough = self.hold_share if speed > 0.1 else self.start_share
            return 0.0 if volts < enough else max(0.0, volts * (1.0 - self.drag))
        if duty <= 0.0 or volts < (self.hold_share if speed > 0.1 else self.start_share):
            return 0.0
        if duty < (0.5 if speed > 0.05 else 1.0) * self.start_duty:
            return 0.0
        return max(0.0, volts * (0.1 + 0.9 * duty) * (1.0 - self.drag))

    def speed(self) -> float:
        """Speed as a share of full speed at nominal voltage."""
        elapsed_s = (self._clock.now_ns - self._since_ns) * 1e-9
        lag = self.up_s if self._target > self._speed else self.down_s
        value = self._target + (self._speed - self._target) * math.exp(-elapsed_s / lag)
        return 0.0 if self._target == 0.0 and value < 0.02 else value

    def rpm(self) -> float:
        """True speed in revolutions per minute."""
        return self.full_speed_rpm * self.speed()

    def jerks(self) -> bool:
        """Does it try again and again to start and is held, as one can see?"""
        return self._trying() and not self.supply_open

    def airflow(self) -> float:
        """Air that it moves once settled, as a share of full."""
        return self._target

    def tach_hz(self) -> float:
        """Edges of one kind per second on the tach wire, 0 when it is open, missing, or the fan stands."""
        if self.tach_open or self.wires == 2:
            return 0.0
        if self.wires == 3 and self._duty * self._rail_v < 0.3 * self.voltage_v:
            return 0.0
        return self.rpm() / 60.0 * self.pulses_per_rev * self.tach_factor

    def timing_error(self) -> float:
        """By which share a reading of the tachometer may be off, either way: pulses that make no whole number of turns
        hold one long or short pulse more than their share.
        """
        pulses = 1 if self.times_one_pulse else max(1, round(self.tach_hz() * TACH_GATE_S))
        is_whole = self.pulses_per_rev > 0.0 and pulses % self.pulses_per_rev == 0.0
        return 0.0 if is_whole else self.pulse_unevenness / pulses

    def current_now_a(self) -> float:
        """Supply current. A blocked rotor draws it in tries, as fans with a restart circuit do."""
        if self.supply_open or (self._target == 0.0 and not self._trying()):
            return 0.0
        running = self.current_a * (self._rail_v / self.voltage_v)
        if self.stalled:
            phase_s = self._clock.now_ns * 1e-9 % STALL_CYCLE_S
            return running * self.start_current_factor if phase_s < STALL_TRY_S else 0.0
        gap = max(0.0, self._target - self.speed())
        return running * (self._target + (self.start_current_factor - 1.0) * gap)

    def _trying(self) -> bool:
        return self.stalled and self._rail_v > 0.0 and (self._duty > 0.0 or self.control_open)


class FanChannel:
    """One fan output of the board: what is plugged in, and what its wiring does to the command."""

    def __init__(self, motor: FanMotor | None) -> None:
        self.motor = motor
        self.duty = 0.0
        self.inverted = False
        self.stuck_duty = 0.0

    def applied(self, powered: bool) -> float:
        """Duty that reaches the fan."""
        duty = self.duty if powered else 0.0
        if self.inverted and powered:
            duty = 1.0 - duty
        return max(duty, self.stuck_duty)
