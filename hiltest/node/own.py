"""The base of a driver of one's own: attaching, listeners, the host's sign of life, and "not offered" for the rest.

A subclass defines the verbs that its node has, with the names, arguments and units of `verbs.NodeDriver`; what it
defines it offers. It is registered in the entry point group `hiltest.drivers` and named in the description with
`protocol = "own"` and `driver = "..."`. `hiltest.testing.DriverTests` checks it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import NoReturn, TypeVar

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.clock import NS_PER_S
from hiltest.description.models import Description, Load, Role
from hiltest.errors import NoAnswer, NotOffered, NotSent, Refused, UsageError
from hiltest.link import Link, Timer
from hiltest.node._listeners import Listeners
from hiltest.node.places import kind_of, pick
from hiltest.node.verbs import (
    BusCounters,
    Identity,
    NodeStatus,
    Presence,
    Reading,
    ReadingKind,
    StepperDriver,
)

SEARCH_S = 1.0

T = TypeVar("T")

NODE_VERBS = (
    "search",
    "identify",
    "read_status",
    "read_bus_counters",
    "send_burst",
    "read_burst",
    "read_supply_v",
    "stop_all",
)
LOAD_VERBS = {
    "read_temperature_c": "sensor",
    "set_heater_c": "heater",
    "pulse_heater": "heater",
    "read_heater_output": "heater",
    "set_fan": "fan",
    "read_tach_hz": "fan",
    "configure_driver": "stepper",
    "read_driver": "stepper",
    "enable_driver": "stepper",
    "move": "stepper",
    "read_position": "stepper",
    "read_switch": "switch",
    "set_lamp": "lamp",
}
"""Verbs about a load, with the kind of load."""

_LOAD_READINGS: dict[ReadingKind, str] = {
    "temperature_c": "sensor",
    "heater_output": "heater",
    "fan_duty": "fan",
    "tach_hz": "fan",
    "position": "stepper",
    "switch": "switch",
}


class OwnDriver:
    """A driver without verbs. Subclass it and define those that the node has.

    Besides verbs a subclass may define `heard`, `say_alive` with `alive_s`, and `reset`. It must define `stop_all`,
    which commands every output off by the quickest way and never waits.

    Args:
        link: the loop. Every wait goes through it; `ask` does.
        description: the fixture description.
        node: the name of the node in it.
        folder: where the description lies.
    """

    alive_s = 0.1
    """Period of `say_alive`."""

    has_heartbeat = False
    """True when `heard` tells a "heartbeat" for each sign of life of the node."""

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        self.link = link
        self.description = description
        self.node = pick(description.node, node, "node")
        self.name = self.node.name
        self.folder = folder or Path()
        self._listeners: Listeners[[Reading]] = Listeners()
        self._detach: Callable[[], None] | None = None
        self._alive: Timer | None = None
        self._boots = 0
        self._beats_ns: list[int] = []
        self._unanswered = 0
        self._has_heard = False
        self._is_saying_alive = False
        self._sent_ns = -1
        self._told: dict[tuple[ReadingKind, str], Reading] = {}

    # --- what a subclass may define -----------------------------------------------------------------

    def heard(self, frame: Frame) -> None:
        """Take a frame that was received: no error frame, no remote frame, no echo. Must not wait; may `tell`."""

    def say_alive(self) -> None:
        """Send the host's sign of life, once."""

    def reset(self) -> None:
        """Command the node to reset. `heard` tells its "boot"."""

    def stop_all(self) -> bool | None:
        """Command every output off by the quickest way that the protocol has. Never waits for an answer.

        Raise, or return False, where a command could not be handed to the adapter; nothing need be returned otherwise.
        """
        raise UsageError(
            f"driver {type(self).__name__} of node {self.name!r} has no stop_all: nothing may be driven without"
        )

    # --- what helps it ------------------------------------------------------------------------------

    def send(self, can_id: int, data: bytes, extended: bool = False) -> None:
        """Send a frame.

        Raises:
            QueueFull: the adapter takes no more.
            BenchLost: the adapter is gone.
        """
        if not self._is_saying_alive:
            self._sent_ns = self.link.now_ns
        self.link.send(Frame(can_id, data, extended=extended))

    def ask(
        self, can_id: int, data: bytes, answer: Callable[[Frame], T | None], what: str, within_s: float = 0.3
    ) -> T:
        """Send a request and wait for the frame of which `answer` makes something; what it raises is raised here.

        Args:
            can_id: identifier of the request (11 bits).
            data: its bytes.
            answer: looks at each frame that comes; None means that it is not the one.
            what: the request in words, for the error.
            within_s: how long to wait.

        Raises:
            NoAnswer: no such frame came, or nobody took the request.
        """
        found: list[T] = []
        seen: dict[int, int] = {}
        problem: list[Exception] = []

        def look(frame: Frame) -> None:
            if frame.error or frame.remote or not frame.is_rx or found or problem:
                return
            seen[frame.can_id] = seen.get(frame.can_id, 0) + 1
            try:
                made = answer(frame)
            except Exception as error:
                problem.append(error)
                return
            if made is not None:
                found.append(made)

        remove = self.link.listen(look)
        try:
            self.send(can_id, data)
            self.link.wait_for(lambda: bool(found or problem), within_s)
        except QueueFull as full:
            self._unanswered += 1
            raise NotSent(self.name, what, full) from full
        finally:
            remove()
        if problem:
            raise problem[0]
        if not found:
            raise self._no_answer(what, within_s, seen)
        return found[0]

    def _no_answer(self, what: str, within_s: float, seen: Mapping[int, int]) -> NoAnswer:
        self._unanswered += 1
        shown = ", ".join(f"0x{number:X} ({count})" for number, count in sorted(seen.items())[:5])
        return NoAnswer(self.name, what, within_s, shown or "nothing")

    def tell(self, kind: ReadingKind, name: str, value: float, asked: bool = False) -> float:
        """Pass on what the node reported, to the guard and the checks; returns the value."""
        if kind == "boot":
            self._boots += 1
        if kind == "heartbeat":
            self._beats_ns.append(self.link.now_ns)
        reading = Reading(kind, name, float(value), self.link.now_ns, asked)
        self._told[kind, name] = reading
        self._listeners(reading)
        return float(value)

    def fresh(self, kind: ReadingKind, name: str, age_s: float = 0.5, within_s: float = 1.0) -> float:
        """The last value of this kind that `heard` told, if it is from after the last command and no older than
        `age_s`; else the next one, within `within_s`.

        Raises:
            UsageError: the node has no such load.
            NoAnswer: none was told in time.
            Refused: what was told is not a number: no valid value.
        """
        if kind in _LOAD_READINGS:
            self.load(_LOAD_READINGS[kind], name)
        after_ns = max(self._sent_ns, self.link.now_ns - round(age_s * NS_PER_S))

        def found() -> Reading | None:
            reading = self._told.get((kind, name))
            return reading if reading is not None and reading.t_ns > after_ns else None

        reading = self.link.wait_for(found, within_s)
        if reading is None:
            raise self._no_answer(f"{kind} of {name!r}", within_s, {})
        if math.isnan(reading.value):
            raise Refused(self.name, f"{kind} of {name!r}", "it has no valid value")
        return reading.value

    def load(self, kind: str, name: str) -> Load:
        """The load of this kind and name on this node.

        Raises:
            UsageError: there is none; says which there are.
        """
        mine = {each.name: each for each in self.loads(kind)}
        if name not in mine:
            raise UsageError(
                f"node {self.name!r} has no {kind} {name!r}; it has: {', '.join(mine) or 'none'}"
            )
        return mine[name]

    def loads(self, kind: str) -> list[Load]:
        """The node's loads of a kind, in file order."""
        return [load for load in self.description.loads if load.node == self.name and kind_of(load) == kind]

    def role(self, kind: str, name: str, role: str) -> Role:
        """Where the description says that a quantity of a load is.

        Raises:
            UsageError: there is no such load.
            NotOffered: it has no such role.
        """
        found = self.load(kind, name).roles.get(role)
        if found is None:
            raise NotOffered(self.name, f"role {role!r} of {kind} {name!r}")
        return found

    # --- the same for all drivers -------------------------------------------------------------------

    @property
    def offers(self) -> frozenset[str]:
        """The verbs that the class defines, as 'verb' or 'verb[load]'."""
        mine = {verb for verb in NODE_VERBS if self._defines(verb)}
        mine |= {
            f"{verb}[{load.name}]"
            for verb, kind in LOAD_VERBS.items()
            if self._defines(verb)
            for load in self.loads(kind)
        }
        if self._defines("reset") or self._defines("restart"):
            mine.add("restart")
        if self._defines("say_alive"):
            mine |= {"go_silent", "resume"}
        if self._defines("search"):
            mine.add("identify")
        if self.has_heartbeat:
            mine.add("watch_heartbeat")
        return frozenset(mine)

    def _defines(self, verb: str) -> bool:
        return getattr(type(self), verb) is not getattr(OwnDriver, verb)

    @property
    def unanswered(self) -> int:
        """Requests that stayed without an answer so far."""
        return self._unanswered

    def start(self) -> None:
        """Attach to the link, listen for the node, command every output off, start the host's sign of life.

        May be called again. The node is waited for as long as it may take to boot: while it boots it acknowledges
        nothing, and a frame that nobody acknowledges is repeated without end.
        """
        if self._detach is None:
            self._detach = self.link.listen(self._take)
            self.link.wait_for(lambda: self._has_heard, self.node.boot_max_s + 2 * self.node.heartbeat_s)
            self.stop_all()
            self.resume()

    def stop(self) -> None:
        """Detach from the link and end the host's sign of life. May be called again."""
        if self._detach is not None:
            self._detach()
            self._detach = None
        self.go_silent()

    def _take(self, frame: Frame) -> None:
        if not frame.error and not frame.remote and frame.is_rx:
            self._has_heard = True
            self.heard(frame)

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._listeners.add(listener)

    def go_silent(self) -> None:
        """Stop the host's sign of life, as if the host had died."""
        if self._alive is not None:
            self._alive.cancel()
            self._alive = None

    def resume(self) -> None:
        """Start the host's sign of life again. Commands nothing."""
        if self._alive is None and self._defines("say_alive"):
            self._alive = self.link.every(self.alive_s, self._say_alive, first_after_s=self.alive_s)
            self._say_alive()  # at once: the next command may need it

    def _say_alive(self) -> None:
        self._is_saying_alive = True
        try:
            self.say_alive()
        except QueueFull:
            return  # nobody acknowledges, so nobody hears: the node's own watch sees to its outputs
        finally:
            self._is_saying_alive = False

    def restart(self, within_s: float) -> float:
        """Reset the node; return seconds from the command to the "boot" that `heard` tells."""
        if not self._defines("reset"):
            raise NotOffered(self.name, "restart")
        before, started_s = self._boots, self.link.now_s
        self.reset()
        if not self.link.wait_for(lambda: self._boots > before, within_s):
            raise self._no_answer("a reset with its sign of life", within_s, {})
        return self.link.now_s - started_s

    def watch_heartbeat(self, for_s: float) -> list[float]:
        """Bench times (s) of the "heartbeat"s told during the next `for_s` seconds."""
        if not self.has_heartbeat:
            raise NotOffered(self.name, "watch_heartbeat")
        self._beats_ns.clear()
        self.link.run_for(for_s)
        return [t_ns / NS_PER_S for t_ns in self._beats_ns]

    def identify(self) -> Identity:
        """Who the node is, as its own `search` finds it under the node id of the description.

        Raises:
            NoAnswer: it is not found.
            NotOffered: the class has no search, or one that tells no identity.
        """
        if not self._defines("search"):
            raise NotOffered(self.name, "identify")
        found = self.search(SEARCH_S).get(self.node.node_id or 0)
        if found is None:
            raise self._no_answer("who it is", SEARCH_S, {})
        if found.identity is None:
            raise NotOffered(self.name, "identify")
        return found.identity

    # --- not offered, unless the subclass defines it --------------------------------------------------

    def _not_offered(self, verb: str, load: str = "") -> NoReturn:
        if load:
            self.load(LOAD_VERBS[verb], load)
        raise NotOffered(self.name, f"{verb}[{load}]" if load else verb)

    def search(self, within_s: float) -> Mapping[int, Presence]:
        self._not_offered("search")

    def read_status(self) -> NodeStatus:
        self._not_offered("read_status")

    def read_bus_counters(self) -> BusCounters:
        self._not_offered("read_bus_counters")

    def send_burst(self, frames: int, interval_s: float) -> None:
        self._not_offered("send_burst")

    def read_burst(self) -> int:
        self._not_offered("read_burst")

    def read_supply_v(self) -> float:
        self._not_offered("read_supply_v")

    def read_temperature_c(self, sensor: str) -> float:
        self._not_offered("read_temperature_c", sensor)

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        self._not_offered("set_heater_c", heater)

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        self._not_offered("pulse_heater", heater)

    def read_heater_output(self, heater: str) -> float:
        self._not_offered("read_heater_output", heater)

    def set_fan(self, fan: str, duty: float) -> None:
        self._not_offered("set_fan", fan)

    def read_tach_hz(self, fan: str) -> float:
        self._not_offered("read_tach_hz", fan)

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        self._not_offered("configure_driver", stepper)

    def read_driver(self, stepper: str) -> StepperDriver:
        self._not_offered("read_driver", stepper)

    def enable_driver(self, stepper: str, on: bool) -> None:
        self._not_offered("enable_driver", stepper)

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        self._not_offered("move", stepper)

    def read_position(self, stepper: str) -> int:
        self._not_offered("read_position", stepper)

    def read_switch(self, switch: str) -> bool:
        self._not_offered("read_switch", switch)

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        self._not_offered("set_lamp", lamp)
