"""A stepper motor, its driver chip, and the mechanism that it moves.

Positions are in full steps of the rotor; 4 full steps are one electrical cycle, and a rotor that slips
falls back by whole cycles (Acarnley, "Stepping Motors", from memory). Torque is a share of the holding
torque at rated current. What a single coil or crossed pairs do is common practice, no source: the shaft
buzzes and may jump a cycle either way.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass

from hiltest.simbench.loads.lag import Clock, Lag
from hiltest.simbench.loads.switch import Contact
from hiltest.simbench.tolerance import Draws

CYCLE_STEPS = 4.0
DEFAULT_RUN_MA, DEFAULT_HOLD_MA, DEFAULT_MICROSTEPS = 300, 150, 8
VERSION = 0x21

SCATTER_STEPS = 0.1
"""Standard deviation of where a switch acts from one approach to the next, in full steps: a quarter of a step at most for
a sound lever on a sound axis (common practice, no source)."""
APART_STEPS = 2.0
"""So far from its switch the axis must have been for the next approach to be another one."""
CORNER_REV_S = 12.0
"""Speed at which the coils' inductance halves the torque at the nominal supply (common practice, no source)."""

FLAG_OPEN_A, FLAG_OPEN_B, FLAG_SHORT, FLAG_WARM, FLAG_HOT, FLAG_RESET, FLAG_UNREACHABLE = (
    1 << bit for bit in range(7)
)


class Mechanism:
    """What the motor moves: stops at both ends, home and end switch, friction. Positions in motor turns."""

    def __init__(
        self,
        draws: Draws,
        *,
        steps_per_rev: int,
        release_rev: float,
        travel_rev: float,
        home: Contact | None,
        end: Contact | None,
    ) -> None:
        self.steps_per_rev = steps_per_rev
        self._draws = draws
        self.release_rev = release_rev + draws.normal(0.0, 0.05) / steps_per_rev
        self.release_now_rev = self.release_rev
        self._left_home = False
        self.low_stop_rev = -draws.uniform(0.12, 0.18)
        self.high_stop_rev = travel_rev + 0.5
        self.end_rev = travel_rev
        self.home, self.end = home, end
        self.load = draws.normal(0.18, 0.01)
        self.backlash_rev = 0.0
        self.blocked = False
        self.coupling_slip = 0.0
        self._driven_rev = self._slipped_rev = 0.0
        self.position_rev = 0.0
        self.travelled_rev = 0.0
        self.stop_hits = 0
        self.on_moved: list[Callable[[], None]] = []
        self._set_switches()

    def required(self) -> float:
        """Torque share that moving takes here; friction varies along a turn."""
        return self.load * (1.0 + 0.2 * math.sin(2.0 * math.pi * self.position_rev))

    def reach(self, rotor_rev: float) -> None:
        """The rotor stands at `rotor_rev`: take slip and play, and set the switches."""
        if self.coupling_slip > 0.0:
            # It slips where it must push: on the way out. What is lost there does not come back on the way home.
            self._slipped_rev += self.coupling_slip * max(0.0, rotor_rev - self._driven_rev)
            # At a hard stop the coupling gives way, whatever it is.
            beyond_rev = min(0.0, rotor_rev - self._slipped_rev - self.low_stop_rev)
            beyond_rev += max(0.0, rotor_rev - self._slipped_rev - self.high_stop_rev)
            self._slipped_rev += beyond_rev
        self._driven_rev = rotor_rev
        rotor_rev -= self._slipped_rev
        half = 0.5 * self.backlash_rev
        moved = min(max(self.position_rev, rotor_rev - half), rotor_rev + half)
        self.travelled_rev += abs(moved - self.position_rev)
        self.position_rev = moved
        self._set_switches()
        for call in self.on_moved:
            call()

    def _set_switches(self) -> None:
        if self.home is not None:
            self._scatter_home()
            self.home.move(self.position_rev < self.release_now_rev)
        if self.end is not None:
            self.end.move(self.position_rev > self.end_rev)

    def _scatter_home(self) -> None:
        """The lever acts a little elsewhere at each approach; while the axis is near it that place stays."""
        apart = abs(self.position_rev - self.release_rev) * self.steps_per_rev > APART_STEPS
        if self._left_home and not apart:
            self.release_now_rev = (
                self.release_rev + self._draws.normal(0.0, SCATTER_STEPS) / self.steps_per_rev
            )
        self._left_home = apart


class Motor:
    """The motor. Faults set `direction`, `coil_a_open`, `coil_b_open`, `pairs_crossed`, `shorted`."""

    def __init__(
        self, name: str, rng: random.Random, draws: Draws, mechanism: Mechanism, *, rated_a: float, ohm: float
    ) -> None:
        self.name = name
        self.mechanism = mechanism
        self.rated_a = rated_a
        self.ohm_a = ohm * draws.factor(0.03)
        self.ohm_b = ohm * draws.factor(0.03)
        self.direction = 1
        self.coil_a_open = self.coil_b_open = False
        self.pairs_crossed = False
        self.shorted = False
        self.rotor_steps = 0.0
        self._rng = rng
        self._field_steps = 0.0
        self._slip = draws.uniform(0.0, 1.0)
        self.inductance_share = draws.factor(0.067)
        """Of the coils' nominal inductance; makers state +-20 % (common practice, no source)."""
        self._buzz = 0.0

    @property
    def turns(self) -> bool:
        """True if the field of the coils rotates."""
        return not (self.coil_a_open or self.coil_b_open or self.pairs_crossed or self.shorted)

    def follow(self, field_steps: float, current_a: float, speed_rev_s: float, rail_share: float) -> None:
        """The driver moved the field to `field_steps`, with `current_a` RMS in the coils."""
        delta = (field_steps - self._field_steps) * self.direction
        self._field_steps = field_steps
        if delta == 0.0 or current_a <= 0.0:
            return
        if not self.turns or self.mechanism.blocked:
            self._buzz_along(delta)
        else:
            self._slip += self._slip_share(current_a, speed_rev_s, rail_share) * abs(delta) / CYCLE_STEPS
            lost = math.floor(self._slip)
            self._slip -= lost
            self.rotor_steps += delta - math.copysign(CYCLE_STEPS * lost, delta)
        self._stay_between_stops()
        self.mechanism.reach(self.rotor_steps / self.mechanism.steps_per_rev)

    def _slip_share(self, current_a: float, speed_rev_s: float, rail_share: float) -> float:
        """Share of the electrical cycles that the rotor loses at this load."""
        # Current rises with voltage over inductance, so the corner speed goes with it.
        corner_rev_s = CORNER_REV_S * max(rail_share, 0.05) / self.inductance_share
        margin = current_a / self.rated_a / (1.0 + speed_rev_s / corner_rev_s) / self.mechanism.required()
        return 0.0 if margin >= 1.0 else min(1.0, 0.1 + 2.0 * (1.0 - margin))

    def _buzz_along(self, delta: float) -> None:
        self._buzz += abs(delta) / CYCLE_STEPS
        while self._buzz >= 1.0:
            self._buzz -= 1.0
            jump = self._rng.random()
            if self.pairs_crossed or self.mechanism.blocked or jump > 0.1:
                continue
            self.rotor_steps += CYCLE_STEPS if jump > 0.05 else -CYCLE_STEPS

    def _stay_between_stops(self) -> None:
        mechanism = self.mechanism
        low = mechanism.low_stop_rev * mechanism.steps_per_rev
        high = mechanism.high_stop_rev * mechanism.steps_per_rev
        while self.rotor_steps < low - 2.0:
            self.rotor_steps += CYCLE_STEPS
            mechanism.stop_hits += 1
        while self.rotor_steps > high + 2.0:
            self.rotor_steps -= CYCLE_STEPS
            mechanism.stop_hits += 1


class Encoder:
    """An incremental encoder on a motor's shaft, and the counter that counts its edges.

    Faults set `direction` (-1: its channels are exchanged), `counts_per_rev`, `is_open`, and `slip`: the share of each
    outward turn that its hub does not follow.
    """

    def __init__(self, motor: Motor, counts_per_rev: int) -> None:
        self._motor = motor
        self.counts_per_rev = float(counts_per_rev)
        self.direction = 1
        self.slip = 0.0
        self.is_open = False
        self._seen_rev = self._shaft_rev()
        self._turned_rev = 0.0
        motor.mechanism.on_moved.append(self._follow)

    def _shaft_rev(self) -> float:
        return self._motor.rotor_steps / self._motor.mechanism.steps_per_rev

    def _follow(self) -> None:
        moved_rev, self._seen_rev = self._shaft_rev() - self._seen_rev, self._shaft_rev()
        if not self.is_open:
            self._turned_rev += moved_rev * (1.0 - self.slip if moved_rev > 0.0 else 1.0)

    def counts(self) -> int:
        """What the counter shows."""
        return self.direction * math.floor(self._turned_rev * self.counts_per_rev)


@dataclass(slots=True)
class Settings:
    """The registers that the firmware writes into the driver chip."""

    run_ma: int = DEFAULT_RUN_MA
    hold_ma: int = DEFAULT_HOLD_MA
    microsteps: int = DEFAULT_MICROSTEPS


class DriverChip:
    """The driver chip: settings, write counter, flags, and the coils.

    `mute` cuts its serial line whole; `deaf` only what it should receive, so that reads still answer.
    `current_scale` is a wrong sense resistor.
    """

    def __init__(self, clock: Clock, motor: Motor | None) -> None:
        self.motor = motor
        self.settings = Settings()
        self.heat_k = Lag(clock, 30.0)
        self.k_per_w = 60.0
        self.mute = False
        self.deaf = False
        self.current_scale = 1.0
        self.pin_microsteps: int | None = None
        self.enabled = False
        self.enable_inverted = False
        self.was_reset = True
        self.writes = 0
        self.rail_share = 0.0
        self._field_steps = 0.0
        self._slow_changes = 0.0
        self._open_flags = 0
        self._moving = False

    def power_up(self) -> None:
        """The rail came: settings are back at their defaults and the reset flag is set."""
        self.settings = Settings()
        self.was_reset = True
        self.writes = 0
        self._open_flags = 0
        self.enabled = False
        self._moving = False

    @property
    def answers(self) -> bool:
        """True if reads over the serial line work."""
        return not self.mute and self.rail_share > 0.2

    def write(self, register: str, value: int) -> bool:
        """Write one setting; False when the chip can't be reached at all."""
        if not self.answers:
            return False
        if not self.deaf:
            setattr(self.settings, register, value)
            self.writes = (self.writes + 1) & 0xFF
            self.was_reset = False
        return True

    @property
    def microsteps(self) -> int:
        """Pulses per full step that the chip really makes."""
        return self.settings.microsteps if self.pin_microsteps is None else self.pin_microsteps

    def energised(self) -> bool:
        """True if current flows in the coils."""
        return self.rail_share > 0.2 and self.enabled != self.enable_inverted

    def current_a(self) -> float:
        """RMS current per phase at this moment."""
        if not self.energised():
            return 0.0
        milliamps = self.settings.run_ma if self._moving else self.settings.hold_ma
        return milliamps * 1e-3 * self.current_scale

    def loss_w(self) -> float:
        """Heat made in the chip itself."""
        current = self.current_a()
        return 0.5 * current * current

    def copper_w(self) -> float:
        """Heat made in the motor's coils: I² R of each (Joule)."""
        motor, current = self.motor, self.current_a()
        if motor is None:
            return 0.0
        ohms = (0.0 if motor.coil_a_open else motor.ohm_a) + (0.0 if motor.coil_b_open else motor.ohm_b)
        return current * current * ohms

    def watts(self) -> float:
        """Electrical power of coils and driver, taken from the rail."""
        motor, current = self.motor, self.current_a()
        if motor is None or current == 0.0:
            return 0.0
        phases = (0.0 if motor.coil_a_open else motor.ohm_a) + (0.0 if motor.coil_b_open else motor.ohm_b)
        return current * current * (phases + 0.5) + 0.2

    def set_moving(self, moving: bool) -> None:
        """Choose between run and hold current."""
        self._moving = moving

    def step(self, pulses: int, speed_rev_s: float) -> None:
        """Take `pulses` step pulses (signed) at a speed that is only used for torque and flags."""
        steps = pulses / self.microsteps
        self._field_steps += steps
        motor = self.motor
        if motor is None or not self.energised():
            return
        if motor.shorted:
            self.enabled = False
            return
        if speed_rev_s < 1.0:
            self._slow_changes += abs(steps) / 2.0
            if self._slow_changes >= 2.0:
                self._open_flags = self._seen_open()
        motor.follow(self._field_steps, self.current_a(), speed_rev_s, self.rail_share)

    def _seen_open(self) -> int:
        motor = self.motor
        if motor is None or motor.pairs_crossed:
            return FLAG_OPEN_A | FLAG_OPEN_B
        return FLAG_OPEN_A * motor.coil_a_open | FLAG_OPEN_B * motor.coil_b_open

    def flags(self) -> int:
        """The flags as the firmware reads them (bits of object 0x2300:4)."""
        if not self.answers:
            return FLAG_UNREACHABLE
        flags = self._open_flags | FLAG_RESET * self.was_reset
        if self.motor is not None and self.motor.shorted:
            flags |= FLAG_SHORT
        if self.heat_k.value() > 100.0:
            flags |= FLAG_WARM
        if self.heat_k.value() > 130.0:
            flags |= FLAG_HOT
        return flags
