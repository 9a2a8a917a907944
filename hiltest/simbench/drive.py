"""One axis as the firmware sees it: the CiA 402 state machine, profile position moves, step pulses.

Statusword values are those of CiA 402 as the `canopen` package's profiles/p402.py decodes them; the
mode-specific bits (new set-point, relative, acknowledge) and the objects of the profile are from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from hiltest.simbench.events import EventQueue, Repeating
from hiltest.simbench.loads.stepper import FLAG_SHORT, DriverChip

TICK_NS = 2_000_000

DISABLED, READY, SWITCHED_ON, ENABLED, QUICK_STOP, FAULT = (
    "switch-on disabled",
    "ready",
    "switched on",
    "operation enabled",
    "quick stop",
    "fault",
)
_WORDS = {DISABLED: 0x40, READY: 0x21, SWITCHED_ON: 0x23, ENABLED: 0x27, QUICK_STOP: 0x07, FAULT: 0x08}

NEW_SETPOINT, AT_ONCE, RELATIVE, FAULT_RESET, HALT = 0x10, 0x20, 0x40, 0x80, 0x100
VOLTAGE, REMOTE, REACHED, ACKNOWLEDGE = 0x10, 0x200, 0x400, 0x1000


class AxisHost(Protocol):
    """What an axis needs of its board."""

    queue: EventQueue

    def motor_changed(self) -> None: ...

    def rail_present(self) -> bool: ...


@dataclass(frozen=True, slots=True)
class Profile:
    """A move with constant acceleration up, constant speed, constant acceleration down."""

    start: int
    distance: int
    speed: float
    acceleration: float
    start_ns: int

    @property
    def _ramp_s(self) -> float:
        return min(self.speed / self.acceleration, math.sqrt(abs(self.distance) / self.acceleration))

    @property
    def peak(self) -> float:
        """Highest speed that this move reaches, in microsteps/s."""
        return self._ramp_s * self.acceleration

    @property
    def duration_s(self) -> float:
        """From start to standstill."""
        if self.distance == 0:
            return 0.0
        return self._ramp_s + abs(self.distance) / self.peak

    def at(self, now_ns: int) -> tuple[int, float]:
        """Position in microsteps and speed (0 or more) at a time."""
        t, ramp, total = (now_ns - self.start_ns) * 1e-9, self._ramp_s, self.duration_s
        if t >= total:
            return self.start + self.distance, 0.0
        if t < ramp:
            way, speed = 0.5 * self.acceleration * t * t, self.acceleration * t
        elif t > total - ramp:
            left = total - t
            way, speed = abs(self.distance) - 0.5 * self.acceleration * left * left, self.acceleration * left
        else:
            way, speed = self.peak * (t - 0.5 * ramp), self.peak
        return self.start + int(math.copysign(math.floor(way + 1e-6), self.distance)), speed


class Axis:
    """One axis. Positions in microsteps as the firmware counts them: the pulses it gave."""

    def __init__(self, host: AxisHost, chip: DriverChip, steps_per_rev: int, *, speed: int) -> None:
        self._host = host
        self.chip = chip
        self.steps_per_rev = steps_per_rev
        self.state = DISABLED
        self.operational = False
        self.has_own_chip = False
        self.position = 0
        self.target = 0
        self.target_object = 0
        self.speed_object = speed
        self.acceleration_object = 10 * speed
        self.speed_now = 0.0
        self._control = 0
        self._acknowledged = False
        self._profile: Profile | None = None
        self._waiting: list[tuple[int, bool]] = []
        self._ticker: Repeating | None = None

    # --- what the bus sees ------------------------------------------------------------------------

    @property
    def statusword(self) -> int:
        """Object 0x6041."""
        word = _WORDS[self.state] | REMOTE | VOLTAGE * self._host.rail_present()
        if self._profile is None and self.state == ENABLED:
            word |= REACHED
        return word | ACKNOWLEDGE * self._acknowledged

    @property
    def controlword(self) -> int:
        """Object 0x6040, as last written."""
        return self._control

    @property
    def moving(self) -> bool:
        """True while step pulses go out."""
        return self._profile is not None

    @property
    def velocity(self) -> int:
        """Signed speed of the pulses in microsteps/s."""
        profile = self._profile
        return 0 if profile is None else round(math.copysign(self.speed_now, profile.distance))

    def set_controlword(self, word: int) -> None:
        """Take a controlword: state transitions first, then set-point handshake and halt."""
        before, self._control = self._control, word
        if word & FAULT_RESET and not before & FAULT_RESET and self.state == FAULT:
            self._enter(DISABLED)
        elif self.state not in (FAULT, QUICK_STOP):
            self._transition(word)
        elif self.state == QUICK_STOP and not word & 0x02:
            self._enter(DISABLED)
        if self.state != ENABLED:
            return
        if word & HALT and self._profile is not None:
            self._brake()
        if word & NEW_SETPOINT and not before & NEW_SETPOINT:
            self._new_setpoint(word)
        if not word & NEW_SETPOINT:
            self._acknowledged = False

    def _transition(self, word: int) -> None:
        if not word & 0x02:
            self._enter(DISABLED)
        elif not word & 0x04:
            if self.state == ENABLED:
                self._enter(QUICK_STOP)
            else:
                self._enter(DISABLED)
        elif not word & 0x01:
            self._enter(READY)
        elif self.state != DISABLED:
            wanted = ENABLED if word & 0x08 and self.operational else SWITCHED_ON
            self._enter(wanted)

    def _enter(self, state: str) -> None:
        if state == self.state:
            return
        self.state = state
        if state == QUICK_STOP:
            self._brake()
        elif state != ENABLED:
            self._stop_pulses()
        if state != ENABLED:
            self._acknowledged = False
            self._waiting.clear()
        self.chip.enabled = state in (ENABLED, QUICK_STOP)
        self._host.motor_changed()

    def off(self) -> None:
        """No current, no pulses, whatever was going on."""
        self._control = 0
        if self.state != FAULT:
            self._enter(DISABLED)
        else:
            self._stop_pulses()
            self.chip.enabled = False
            self._host.motor_changed()

    def fault(self) -> None:
        """The driver failed: no current until the fault is reset."""
        self._enter(FAULT)

    # --- moves ------------------------------------------------------------------------------------

    def _new_setpoint(self, word: int) -> None:
        self._acknowledged = True
        order = (self.target_object, bool(word & RELATIVE))
        if self._profile is None:
            self._start(*order)
        elif word & AT_ONCE:
            self._brake()
            self._waiting = [order]
        else:
            self._waiting.append(order)

    def _start(self, target: int, relative: bool) -> None:
        self.target = self.target + target if relative else target
        distance = self.target - self.position
        if distance == 0:
            return
        self._profile = Profile(
            self.position,
            distance,
            float(max(1, self.speed_object)),
            float(max(1, self.acceleration_object)),
            self._host.queue.now_ns,
        )
        self.chip.set_moving(True)
        self._host.motor_changed()
        if self._ticker is None:
            self._ticker = self._host.queue.every(TICK_NS, self._tick)

    def _brake(self) -> None:
        """Come to a stand with the move's own acceleration."""
        profile = self._profile
        if profile is None:
            return
        self._tick()
        if self._profile is None:
            return
        sign = 1 if profile.distance > 0 else -1
        way = round(self.speed_now**2 / (2.0 * profile.acceleration))
        self.target = self.position + sign * way
        if way == 0:
            self._finish()
            return
        # The second half of a move that would just reach this speed.
        ramp_ns = round(self.speed_now / profile.acceleration * 1e9)
        self._profile = Profile(
            self.position - sign * way,
            sign * 2 * way,
            self.speed_now,
            profile.acceleration,
            self._host.queue.now_ns - ramp_ns,
        )

    def _tick(self) -> None:
        profile = self._profile
        if profile is None:
            self._stop_ticker()
            return
        position, self.speed_now = profile.at(self._host.queue.now_ns)
        pulses, self.position = position - self.position, position
        if pulses:
            self.chip.step(pulses, self.speed_now / (self.chip.microsteps * self.steps_per_rev))
            if self.chip.flags() & FLAG_SHORT:
                self.fault()
                return
        if position == profile.start + profile.distance:
            self._finish()

    def _finish(self) -> None:
        self._profile = None
        self.speed_now = 0.0
        if self.state == QUICK_STOP:
            self._enter(DISABLED)
        elif self._waiting:
            self._start(*self._waiting.pop(0))
        if self._profile is None:
            self._stop_pulses()

    def _stop_pulses(self) -> None:
        if self._profile is not None:
            self.target = self.position
        self._profile = None
        self.speed_now = 0.0
        self._stop_ticker()
        self.chip.set_moving(False)
        self._host.motor_changed()

    def _stop_ticker(self) -> None:
        if self._ticker is not None:
            self._ticker.cancel()
            self._ticker = None

    def reset(self, powered: bool = False) -> None:
        """The firmware starts anew: counters at 0, objects at their defaults come from elsewhere.

        `powered`: the processor alone is reset, which a motion chip of its own does not notice.
        """
        if powered and self.has_own_chip:
            self.operational = False
            return
        self._stop_pulses()
        self._control = 0
        self.operational = False
        self.state = DISABLED
        self.chip.enabled = False
        self.position = self.target = 0
        self._acknowledged = False
        self._waiting.clear()
