"""What a node can do, as typed verbs with units. Drivers speak one protocol each; checks know only this.

A driver offers the verbs that its protocol and the description's roles allow; `offers` lists them as
"verb" or "verb[load]". A verb that is not offered raises `NotOffered`. A verb that got no answer raises
`NoAnswer`; one that the node declined raises `Refused`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

ReadingKind = Literal[
    "temperature_c",
    "heater_output",
    "fan_duty",
    "tach_hz",
    "supply_v",
    "position",
    "switch",
    "heartbeat",
    "boot",
    "emergency",
]


@dataclass(frozen=True, slots=True)
class Reading:
    """One value that came from the node, asked for or not. `t_ns` is bench time of its arrival."""

    kind: ReadingKind
    name: str
    value: float
    t_ns: int
    asked: bool = True


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the node says it is."""

    vendor_id: int
    product_code: int
    revision: int
    serial_number: int
    name: str = ""
    hardware: str = ""
    firmware: str = ""


@dataclass(frozen=True, slots=True)
class Presence:
    """Something that was seen under one node id while the bus was searched.

    `answers` counts the replies to one request: two mean two boards under one id. `serial_numbers` holds
    every different serial number that was read.
    """

    node_id: int
    answers: int
    identity: Identity | None = None
    serial_numbers: tuple[int, ...] = ()
    heartbeats: int = 0


@dataclass(frozen=True, slots=True)
class StepperDriver:
    """What the stepper driver reports. Currents are RMS per phase."""

    reachable: bool
    current_a: float
    hold_current_a: float
    microsteps: int
    flags: frozenset[str]
    writes: int | None = None


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """Time since reset, and why it was reset ('power', 'brown-out', 'watchdog', 'command', 'unknown')."""

    uptime_s: float
    reset_cause: str


@dataclass(frozen=True, slots=True)
class BusCounters:
    """The node's own CAN error counters and the number of errors that its controller has seen."""

    transmit_errors: int
    receive_errors: int
    errors: int


@dataclass(frozen=True, slots=True)
class OldMove:
    """A relative move in microsteps at motor turns per second, as a command that is too old orders it."""

    microsteps: int
    speed_rev_s: float


class NodeDriver(Protocol):
    """The verbs of one node. All waits go through the link; none is longer than its stated time."""

    name: str

    @property
    def offers(self) -> frozenset[str]:
        """Verbs this node has, as 'verb' or 'verb[load]'."""
        ...

    @property
    def unanswered(self) -> int:
        """Requests that stayed without an answer so far."""
        ...

    def start(self) -> None:
        """Attach to the link, start the host's sign of life, leave every output off."""
        ...

    def stop(self) -> None:
        """Detach from the link. Outputs are the guard's business and are off by then."""
        ...

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        ...

    def search(self, within_s: float) -> Mapping[int, Presence]:
        """Look for every node of this protocol on the bus, disturbing none."""
        ...

    def identify(self) -> Identity: ...

    def read_status(self) -> NodeStatus: ...

    def read_bus_counters(self) -> BusCounters: ...

    def restart(self, within_s: float) -> float:
        """Reset the node; return seconds from the command to its first sign of life. All outputs end off."""
        ...

    def watch_heartbeat(self, for_s: float) -> list[float]:
        """Return the bench times (s) of the node's heartbeats during the next `for_s` seconds."""
        ...

    def go_silent(self) -> None:
        """Stop everything the host sends by itself (heartbeats, cyclic commands), as if it had died."""
        ...

    def resume(self) -> None:
        """Start the host's sign of life again. Commands nothing."""
        ...

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node itself send `frames` frames, one every `interval_s`; returns at once."""
        ...

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent so far."""
        ...

    def read_supply_v(self) -> float: ...

    def read_temperature_c(self, sensor: str) -> float: ...

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        """Closed loop towards `setpoint_c`. 0 switches the heater off."""
        ...

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        """Open loop at `duty` (0..1); the node itself ends it after `seconds`."""
        ...

    def read_heater_output(self, heater: str) -> float:
        """Duty (0..1) that the node applies at this moment."""
        ...

    def set_fan(self, fan: str, duty: float) -> None: ...

    def read_tach_hz(self, fan: str) -> float:
        """Tach pulses per second."""
        ...

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None: ...

    def read_driver(self, stepper: str) -> StepperDriver: ...

    def enable_driver(self, stepper: str, on: bool) -> None: ...

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move; returns when the node says it is done. Raises NoAnswer when it does not."""
        ...

    def read_position(self, stepper: str) -> int:
        """The node's step counter, in microsteps."""
        ...

    def read_switch(self, switch: str) -> bool:
        """True when the switch is actuated."""
        ...

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        """Show one colour of the lamp, or none."""
        ...

    def stop_all(self) -> bool | None:
        """Command every output off by the quickest way the protocol has. Never waits for an answer.

        False where not every command could be handed to the adapter, which nobody may take for off.
        """
        ...


@runtime_checkable
class StopsEach(Protocol):
    """A driver whose `stop_all` is one command that the node itself must carry out on every output."""

    def stop_each(self) -> None:
        """Command every output off by its own command, for a node that does not do as it is told by one for all. Never
        waits for an answer, never raises anything but BenchLost.
        """
        ...


@runtime_checkable
class NumbersItsBurst(Protocol):
    """A driver whose node numbers the frames of its burst, from 0.

    The number stands in the first four bytes, lowest first; in a hard burst in the first byte alone.
    """

    def burst_ids(self) -> frozenset[int]:
        """Identifiers (11 bits) under which the next burst is sent."""
        ...

    def send_hard_burst(self, frames: int, interval_s: float) -> None:
        """Like `send_burst`, with data that leave few edges to synchronise on."""
        ...


@runtime_checkable
class Synchronises(Protocol):
    """A driver that can make the nodes of its bus send what they send on a common signal."""

    def synchronise(self) -> None:
        """Give the signal once. Commands nothing else; never waits."""
        ...


@runtime_checkable
class HasEncoder(Protocol):
    """A driver whose node can be asked for a stepper's encoder; offered as 'read_encoder[stepper]'."""

    def read_encoder(self, stepper: str) -> int:
        """The encoder's counter."""
        ...


@runtime_checkable
class Configured(Protocol):
    """A driver that knows how its node must be set up; offered as 'compare_configuration'."""

    def compare_configuration(self) -> tuple[int, list[str]]:
        """Read every setting that is known; return how many there are, and each that differs in words."""
        ...


@runtime_checkable
class Reports(Protocol):
    """A driver whose node reports errors by itself, such as emergency messages (CiA 301)."""

    def on_report(self, listener: Callable[[int, str], None]) -> Callable[[], None]:
        """Call `listener` with the bench time in ns and the report in words; returns what takes it off again."""
        ...


@runtime_checkable
class Hangs(Protocol):
    """A driver whose node can be made to hang on purpose; offered as 'hang'."""

    def hang(self) -> None:
        """Let the node's program stand still, outputs as they are. Only its watchdog or its power help."""
        ...


@runtime_checkable
class ReadsCeiling(Protocol):
    """A driver that can read the ceiling which a node itself holds; offered as 'read_heater_ceiling_c[heater]'."""

    def read_heater_ceiling_c(self, heater: str) -> float:
        """The ceiling that the node holds now, in degC."""
        ...


@runtime_checkable
class Drills(Protocol):
    """What only drills ask of a driver: to misbehave as a careless host would. See `GuardedNode` for the limits.

    Offered as 'send_stale' and 'set_heater_ceiling_c[heater]'; 'send_stale[stepper]' where it can send old moves too.
    """

    def send_stale(
        self,
        fans: Mapping[str, float],
        heaters_c: Mapping[str, float],
        moves: Mapping[str, OldMove] | None = None,
    ) -> None:
        """Send commands as a host that missed the node's reset: not made ready before, no answer waited for.

        Fans by duty (0..1), heaters by setpoint in degC, steppers by what puts current on the motor and then moves it.
        What nobody acknowledges stays in the adapter's queue.
        """
        ...

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset."""
        ...
