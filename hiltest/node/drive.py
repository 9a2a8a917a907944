"""One axis of a CiA 402 drive in profile position mode, with relative moves.

Status words and commands as in CiA 402: the state decode and the commands are those published for drives of
this profile (see tests/outside); bits 10 (target reached) and 12 (set-point acknowledged) of the status word
and bits 4 (new set-point) and 6 (relative) of the control word are from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node.objects import Place
from hiltest.node.sdo import SdoChannel

AXIS_OFFSET = 0x800
PROFILE_POSITION = 1
POLL_S = 0.01
SLOWEST_POLL_S = 0.05
"""While a motor travels: a drive in fault is noticed so soon, and a long way is not asked for thousands of times."""
POLLS_A_MOVE = 40
STEP_S = 1.0
"""Time allowed for one step of the state machine, and for the acknowledge of a set-point."""

SHUTDOWN, SWITCH_ON, ENABLE, DISABLE_VOLTAGE, FAULT_RESET = 0x06, 0x07, 0x0F, 0x00, 0x80
NEW_SET_POINT, RELATIVE = 0x10, 0x40
TARGET_REACHED, ACKNOWLEDGED = 1 << 10, 1 << 12

_STATES = (
    (0x4F, 0x00, "not ready to switch on"),
    (0x4F, 0x40, "switch on disabled"),
    (0x6F, 0x21, "ready to switch on"),
    (0x6F, 0x23, "switched on"),
    (0x6F, 0x27, "operation enabled"),
    (0x6F, 0x07, "quick stop active"),
    (0x4F, 0x0F, "fault reaction active"),
    (0x4F, 0x08, "fault"),
)

_TOWARDS_ENABLED = {
    "switch on disabled": SHUTDOWN,
    "ready to switch on": SWITCH_ON,
    "switched on": ENABLE,
    "quick stop active": DISABLE_VOLTAGE,
}


def drive_state(status: int) -> str:
    """The state that a status word (0x6041) stands for."""
    for mask, value, name in _STATES:
        if status & mask == value:
            return name
    return f"no state of CiA 402 (status word 0x{status:04X})"


@dataclass(frozen=True, slots=True)
class AxisPlaces:
    """Where the objects of one axis are. `mode_shown` and `acceleration` may be missing."""

    control: Place
    status: Place
    mode: Place
    mode_shown: Place | None
    target: Place
    speed: Place
    position: Place
    acceleration: Place | None


class Axis:
    """Enables, moves and reads one axis. Positions are microsteps, speeds microsteps per second."""

    def __init__(self, node: str, name: str, link: Link, channel: SdoChannel, places: AxisPlaces) -> None:
        self._node = node
        self._name = name
        self._link = link
        self._channel = channel
        self._places = places

    def status(self) -> int:
        return int(self._channel.read_raw(self._places.status, f"{self._name} status word"))

    def position(self) -> int:
        return round(self._channel.read(self._places.position, f"{self._name} position"))

    def enable(self) -> None:
        """Bring the drive to "operation enabled" in profile position mode. A fault is reset once.

        Raises:
            Refused: it stays in fault.
            NoAnswer: it does not get there within the time of a step.
        """
        self._set_mode()
        was_reset = False
        deadline_s = self._link.now_s + STEP_S
        while (state := drive_state(status := self.status())) != "operation enabled":
            if state == "fault":
                if was_reset:
                    raise Refused(
                        self._node, f"{self._name} enabled", f"drive stays in fault, status 0x{status:04X}"
                    )
                self._control(DISABLE_VOLTAGE)  # the reset bit acts on its rising edge
                self._control(FAULT_RESET)
                was_reset = True
            elif state in _TOWARDS_ENABLED:
                self._control(_TOWARDS_ENABLED[state])
            self._check_time(deadline_s, "operation enabled", state, status)
            self._link.run_for(POLL_S)

    def disable(self) -> None:
        """Take the current off the motor."""
        self._control(DISABLE_VOLTAGE)
        self._await(lambda status: drive_state(status) != "operation enabled", "voltage disabled", STEP_S)

    def move(self, microsteps: int, speed: float, within_s: float) -> None:
        """Move by `microsteps` at `speed` microsteps per second; return when the drive says it is there.

        The wait ends at `within_s`, or earlier when twice the time of the travel and its ramps (plus 1 s)
        has passed.

        Raises:
            Refused: the drive is not enabled, or left that state while moving.
            NoAnswer: set-point not acknowledged, or target not reached in time.
        """
        status = self.status()
        if drive_state(status) != "operation enabled":
            raise Refused(self._node, f"a move of {self._name}", f"drive is in state: {drive_state(status)}")
        limit_s = min(within_s, self._time_limit_s(microsteps, speed))
        started_s = self._link.now_s
        self._channel.write(self._places.speed, speed, f"{self._name} speed")
        self._channel.write(self._places.target, microsteps, f"{self._name} target")
        self._control(ENABLE | RELATIVE)
        self._control(ENABLE | RELATIVE | NEW_SET_POINT)
        self._await(lambda word: bool(word & ACKNOWLEDGED), "set-point acknowledged", STEP_S)
        self._control(ENABLE | RELATIVE)
        self._await(lambda word: not word & ACKNOWLEDGED, "end of the acknowledge", STEP_S)
        left_s = max(0.0, started_s + limit_s - self._link.now_s)
        self._await(
            lambda word: bool(word & TARGET_REACHED),
            f"target reached after {microsteps:+d} microsteps",
            left_s,
            min(max(abs(microsteps) / speed / POLLS_A_MOVE, POLL_S), SLOWEST_POLL_S),
        )

    def orders(self, microsteps: int, speed: float) -> list[tuple[Place, bytes]]:
        """What puts current on the motor and moves it, for who writes it one after the other and waits for nothing."""
        places, what = self._places, f"old move of {self._name}"
        words = [(places.mode, PROFILE_POSITION)]
        words += [(places.control, word) for word in (SHUTDOWN, SWITCH_ON, ENABLE)]
        go = [(places.control, ENABLE | RELATIVE | NEW_SET_POINT), (places.control, ENABLE | RELATIVE)]
        values = [(places.speed, speed), (places.target, float(microsteps))]
        return [
            *((place, place.encode_raw(word, what)) for place, word in words),
            *((place, place.encode(value, what)) for place, value in values),
            *((place, place.encode_raw(word, what)) for place, word in go),
        ]

    def _time_limit_s(self, microsteps: int, speed: float) -> float:
        ramp_s = 0.0
        if self._places.acceleration is not None:
            acceleration = self._channel.read(self._places.acceleration, f"{self._name} acceleration")
            ramp_s = speed / acceleration if acceleration > 0 else 0.0
        return 1.0 + 2.0 * (abs(microsteps) / speed + 2.0 * ramp_s)

    def _set_mode(self) -> None:
        self._channel.write_raw(self._places.mode, PROFILE_POSITION, f"{self._name} mode")
        if self._places.mode_shown is None:
            return
        shown = self._channel.read_raw(self._places.mode_shown, f"{self._name} mode shown")
        if shown != PROFILE_POSITION:
            raise Refused(
                self._node,
                f"profile position mode (1) of {self._name}",
                f"mode shown stays {shown:g}",
            )

    def _control(self, word: int) -> None:
        self._channel.write_raw(self._places.control, word, f"{self._name} control word")

    def _await(
        self, is_there: Callable[[int], bool], what: str, within_s: float, poll_s: float = POLL_S
    ) -> None:
        started_s = self._link.now_s
        deadline_s = started_s + within_s
        while not is_there(status := self.status()):
            state = drive_state(status)
            if state in ("fault", "fault reaction active"):
                raise Refused(self._node, what, f"{self._name}: drive went into fault, status 0x{status:04X}")
            self._check_time(deadline_s, what, state, status, within_s)
            self._link.run_for(poll_s)

    def _check_time(
        self, deadline_s: float, what: str, state: str, status: int, allowed_s: float = STEP_S
    ) -> None:
        if self._link.now_s >= deadline_s:
            seen = f"status word 0x{status:04X} ({state}), position {self.position()}"
            raise NoAnswer(self._node, f"{self._name}: {what}", allowed_s, seen)
