"""The roles of one node as a table: what is commanded where, what is reported where, and which verbs that allows.

What a place is (a signal, a line of text) is for the driver to say; this knows only that it is there.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from typing import Generic, TypeVar

from hiltest.description.commanded import is_output
from hiltest.description.models import Description, Lamp, Load, Node
from hiltest.errors import NotOffered, UsageError

Key = tuple[str, str, str]
"""(kind, name, role): ("heater", "pad", "setpoint_c"), ("node", "vent", "supply_v")."""

P = TypeVar("P")

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
        "read_heater_ceiling_c": ("?ceiling_c",),
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


class RoleTable(Generic[P]):
    """The places of one node's roles. `commands` and `reports` are filled by whoever knows the protocol."""

    def __init__(self, description: Description, node: Node) -> None:
        self._name = node.name
        self._loads = {(_kind(load), load.name): load for load in description.loads if load.node == node.name}
        self._node_of = {(_kind(load), load.name): load.node for load in description.loads}
        self.commands: dict[Key, P] = {}
        self.reports: dict[Key, P] = {}

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

    def command(self, kind: str, name: str, role: str, verb: str) -> P:
        """Where `role` is commanded. Raises NotOffered if it isn't, UsageError if there is no such load."""
        return self._need(self.commands, kind, name, role, verb)

    def report(self, kind: str, name: str, role: str, verb: str) -> P:
        """Where `role` is reported. Raises NotOffered if it isn't, UsageError if there is no such load."""
        return self._need(self.reports, kind, name, role, verb)

    def _need(self, places: Mapping[Key, P], kind: str, name: str, role: str, verb: str) -> P:
        if kind != "node":
            self.load(kind, name)
        place = places.get((kind, name, role))
        if place is None:
            shown = verb if kind == "node" else f"{verb}[{name}]"
            missing = f"role {role!r}" if places is self.commands else f"role or feedback {role!r}"
            raise NotOffered(self._name, f"{shown} (no {missing} in the description)")
        return place

    def lamp(self, name: str) -> tuple[Lamp, dict[str, P]]:
        """A lamp, and where its colours are commanded."""
        load = self.load("lamp", name)
        assert isinstance(load, Lamp)
        found = {colour: self.commands.get(("lamp", name, colour)) for colour in load.colours}
        return load, {colour: place for colour, place in found.items() if place is not None}

    def outputs(self) -> Iterator[P]:
        """Every place in which an output is commanded."""
        for (kind, _, role), place in self.commands.items():
            if is_output(kind, role):
                yield place

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
