"""Where the quantities of a node that speaks in signals are: what is commanded where, and reported where."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from hiltest.description.models import Description, Lamp, Load, Node, Role
from hiltest.errors import DescriptionError, NotOffered, Problem, UsageError
from hiltest.node._codec import Codec, SignalInfo

Key = tuple[str, str, str]
"""(kind, name, role): ("heater", "pad", "setpoint_c"), ("node", "vent", "supply_v")."""

# Roles whose `at` the host sends. Of all others it is the node that sends `at`.
COMMANDED: dict[str, frozenset[str]] = {
    "node": frozenset({"all_off", "burst", "burst_interval_s", "restart"}),
    "heater": frozenset({"setpoint_c", "duty", "pulse_s", "ceiling_c"}),
    "fan": frozenset({"duty"}),
    "stepper": frozenset(
        {
            "current_a", "hold_current_a", "microsteps", "enable", "target", "distance", "start", "speed",
            "acceleration",
        }
    ),
}  # fmt: skip

# Commanded roles that are outputs: off means that they rest.
OUTPUTS = {"heater": ("setpoint_c", "duty"), "fan": ("duty",), "stepper": ("enable",)}

# What each verb needs: roles that are commanded ("!"), and roles that are reported ("?").
NODE_VERBS: dict[str, tuple[str, ...]] = {
    "read_status": ("?uptime_s", "?reset_cause"),
    "read_bus_counters": ("?transmit_errors", "?receive_errors", "?bus_errors"),
    "read_supply_v": ("?supply_v",),
    "send_burst": ("!burst", "!burst_interval_s"),
    "read_burst": ("?burst",),
    "restart": ("!restart",),
}
LOAD_VERBS: dict[str, dict[str, tuple[str, ...]]] = {
    "sensor": {"read_temperature_c": ("?temperature_c",)},
    "heater": {
        "set_heater_c": ("!setpoint_c",),
        "pulse_heater": ("!duty", "!pulse_s"),
        "read_heater_output": ("?output",),
        "set_heater_ceiling_c": ("!ceiling_c",),
    },
    "fan": {"set_fan": ("!duty",), "read_tach_hz": ("?tach_hz",)},
    "stepper": {
        "configure_driver": ("!current_a", "!microsteps"),
        "read_driver": ("?current_a", "?microsteps"),
        "enable_driver": ("!enable",),
        "read_position": ("?position",),
        "read_encoder": ("?encoder",),
    },
    "switch": {"read_switch": ("?state",)},
}


@dataclass(frozen=True, slots=True)
class Spot:
    """A signal of a message, and how its value becomes that of a role. `on` and `invalid` are signal values."""

    message: str
    signal: SignalInfo
    scale: float
    offset: float
    on: float
    invalid: tuple[float, ...] = ()

    def __str__(self) -> str:
        return f"{self.message}.{self.signal.name}"

    def value_of(self, signal_value: float) -> float:
        """The role's value."""
        return signal_value * self.scale + self.offset

    def signal_value(self, value: float, what: str) -> float:
        """The signal's value for a role's value. Raises UsageError when the signal can't carry it."""
        return self.signal.check((value - self.offset) / self.scale, what)

    def is_on(self, signal_value: float) -> bool:
        return self.signal.same(signal_value, self.on)

    def is_invalid(self, signal_value: float) -> bool:
        """True if this value stands for none."""
        return any(self.signal.same(signal_value, each) for each in self.invalid)


class SignalRoles:
    """The spots of one node's roles.

    Raises:
        DescriptionError: roles that lead nowhere, all of them in one go.
    """

    def __init__(self, description: Description, node: Node, codec: Codec) -> None:
        self._name = node.name
        self._codec = codec
        self._loads = {(_kind(load), load.name): load for load in description.loads if load.node == node.name}
        self._node_of = {(_kind(load), load.name): load.node for load in description.loads}
        self._problems: list[Problem] = []
        self.commands: dict[Key, Spot] = {}
        self.reports: dict[Key, Spot] = {}
        for role, at in node.roles.items():
            self._add("node", node.name, role, at)
        for (kind, name), load in self._loads.items():
            for role, at in load.roles.items():
                self._add(kind, name, role, at)
        if self._problems:
            raise DescriptionError(self._problems)

    def _add(self, kind: str, name: str, role: str, at: Role) -> None:
        key = (kind, name, role)
        is_commanded = kind == "lamp" or role in COMMANDED.get(kind, ())
        where = f"{kind}[{name}].roles.{role}"
        if is_commanded and at.at != at.feedback:
            self._put(self.commands, key, at, at.at, where)
        feedback = at.feedback if is_commanded else at.at
        if feedback is not None:
            self._put(self.reports, key, at, feedback, where)

    def _put(self, spots: dict[Key, Spot], key: Key, role: Role, at: str, where: str) -> None:
        message, _, signal = at.partition(".")
        info = self._codec.messages.get(message)
        if info is None or signal not in info.signals:
            known = [
                f"{name}.{each}" for name, other in self._codec.messages.items() for each in other.signals
            ]
            near = difflib.get_close_matches(at, known, n=1)
            hint = f"Did you mean {near[0]!r}?" if near else ""
            self._problems.append(
                Problem(f"node[{self._name}]", where, repr(at), "a signal of a classic message", None, hint)
            )
            return
        found = info.signals[signal]
        try:
            on = _number(found, role.on)
            invalid = tuple(_number(found, each) for each in role.invalid)
        except LookupError as error:
            names = ", ".join(found.names) or "no names"
            self._problems.append(
                Problem(f"node[{self._name}]", where, repr(error.args[0]), f"a name of {at}: {names}", None)
            )
            return
        spots[key] = Spot(message, found, role.scale, role.offset, on, invalid)

    # --- looking up ---------------------------------------------------------------------------------

    def names(self, kind: str) -> list[str]:
        """Names of the node's loads of a kind, in file order."""
        return [name for of_kind, name in self._loads if of_kind == kind]

    def load(self, kind: str, name: str) -> Load:
        """The load of this kind and name. Raises UsageError if the node has none."""
        load = self._loads.get((kind, name))
        if load is not None:
            return load
        if (kind, name) in self._node_of:
            owner = self._node_of[kind, name]
            raise UsageError(f"{kind} {name!r} hangs on node {owner!r}, not {self._name!r}")
        near = difflib.get_close_matches(name, self.names(kind), n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"the description has no {kind} {name!r}{hint}")

    def command(self, kind: str, name: str, role: str, verb: str) -> Spot:
        """Where `role` is commanded. Raises NotOffered if it isn't, UsageError if there is no such load."""
        return self._need(self.commands, kind, name, role, verb)

    def report(self, kind: str, name: str, role: str, verb: str) -> Spot:
        """Where `role` is reported. Raises NotOffered if it isn't, UsageError if there is no such load."""
        return self._need(self.reports, kind, name, role, verb)

    def _need(self, spots: Mapping[Key, Spot], kind: str, name: str, role: str, verb: str) -> Spot:
        if kind != "node":
            self.load(kind, name)
        spot = spots.get((kind, name, role))
        if spot is None:
            shown = verb if kind == "node" else f"{verb}[{name}]"
            missing = f"role {role!r}" if spots is self.commands else f"role or feedback {role!r}"
            raise NotOffered(self._name, f"{shown} (no {missing} in the description)")
        return spot

    def lamp(self, name: str) -> tuple[Lamp, dict[str, Spot]]:
        """A lamp, and where its colours are commanded."""
        load = self.load("lamp", name)
        assert isinstance(load, Lamp)
        found = {colour: self.commands.get(("lamp", name, colour)) for colour in load.colours}
        return load, {colour: spot for colour, spot in found.items() if spot is not None}

    def outputs(self) -> Iterator[Spot]:
        """Every place in which an output is commanded."""
        for (kind, _, role), spot in self.commands.items():
            if kind == "lamp" or role in OUTPUTS.get(kind, ()):
                yield spot

    def messages(self, spots: Iterable[Spot]) -> list[str]:
        """Names of the messages of these spots, each once, in order."""
        return list(dict.fromkeys(spot.message for spot in spots))

    def offers(self) -> set[str]:
        """Verbs that the roles allow, as 'verb' or 'verb[load]'."""
        verbs = {verb for verb, needs in NODE_VERBS.items() if self._has("node", self._name, needs)}
        for kind, name in self._loads:
            of_kind = LOAD_VERBS.get(kind, {})
            verbs |= {f"{verb}[{name}]" for verb, needs in of_kind.items() if self._has(kind, name, needs)}
        verbs |= {f"set_lamp[{name}]" for name in self.names("lamp") if self.lamp(name)[1]}
        for name in self.names("stepper"):
            if any(self._has("stepper", name, (way, "?position")) for way in ("!target", "!distance")):
                verbs.add(f"move[{name}]")
        return verbs

    def _has(self, kind: str, name: str, needs: Iterable[str]) -> bool:
        tables = {"!": self.commands, "?": self.reports}
        return all((kind, name, need[1:]) in tables[need[0]] for need in needs)


def _kind(load: Load) -> str:
    return type(load).__name__.lower()


def _number(signal: SignalInfo, value: float | str) -> float:
    if isinstance(value, str):
        if value not in signal.names:
            raise LookupError(value)
        return signal.names[value]
    return float(value)
