"""Where the quantities of a CANopen node are: every role of the node and its loads, found once, all mistakes told.

Steppers without roles for it are axes of CiA 402, axis k at +0x800 * k in file order.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from functools import cached_property
from typing import TypeVar

from hiltest.description.models import (
    Bus,
    Description,
    Fan,
    Heater,
    Lamp,
    Load,
    Node,
    Role,
    Sensor,
    Stepper,
    Switch,
)
from hiltest.errors import DescriptionError, NotOffered, Problem, UsageError
from hiltest.node.drive import AXIS_OFFSET, AxisPlaces
from hiltest.node.objects import Dictionary, Place

Key = tuple[str, str, str]
"""(kind, name, role): ("heater", "reservoir", "setpoint_c"), ("node", "head", "supply_v")."""

AXIS_ROLES = {
    "control": 0x6040,
    "status": 0x6041,
    "mode": 0x6060,
    "mode_shown": 0x6061,
    "target": 0x607A,
    "speed": 0x6081,
    "position": 0x6064,
    "acceleration": 0x6083,
}
AXIS_OPTIONAL = ("mode_shown", "acceleration")

NODE_VERBS: dict[str, tuple[str, ...]] = {
    "read_status": ("uptime_s", "reset_cause"),
    "read_bus_counters": ("transmit_errors", "receive_errors", "bus_errors"),
    "read_supply_v": ("supply_v",),
    "send_burst": ("burst",),
    "hang": ("hang",),
}
LOAD_VERBS: dict[str, dict[str, tuple[str, ...]]] = {
    "sensor": {"read_temperature_c": ("temperature_c",)},
    "heater": {
        "set_heater_c": ("setpoint_c",),
        "pulse_heater": ("duty", "pulse_s"),
        "read_heater_output": ("output",),
        "set_heater_ceiling_c": ("ceiling_c",),
    },
    "fan": {"set_fan": ("duty",), "read_tach_hz": ("tach_hz",)},
    "stepper": {
        "configure_driver": ("current_a", "microsteps"),
        "read_driver": ("current_a", "microsteps"),
        "read_encoder": ("encoder",),
    },
    "switch": {"read_switch": ("state",)},
}


class NodePlaces:
    """The places of one node.

    Raises:
        DescriptionError: roles that lead nowhere, all of them in one go.
    """

    def __init__(self, description: Description, node: Node, dictionary: Dictionary) -> None:
        self._name = node.name
        self._loads: dict[tuple[str, str], Load] = {
            (kind_of(load), load.name): load for load in description.loads if load.node == node.name
        }
        self._nodes_of = {(kind_of(load), load.name): load.node for load in description.loads}
        self._found = _Resolver(node, self._loads, dictionary).places()

    def __iter__(self) -> Iterator[tuple[Key, Place]]:
        return iter(self._found.items())

    def get(self, kind: str, name: str, role: str) -> Place | None:
        return self._found.get((kind, name, role))

    def names(self, kind: str) -> list[str]:
        """Names of the node's loads of a kind, in file order."""
        return [name for of_kind, name in self._loads if of_kind == kind]

    def load(self, kind: str, name: str) -> Load:
        """The load of this kind and name.

        Raises:
            UsageError: the node has none; says whose it is, or which is near.
        """
        load = self._loads.get((kind, name))
        if load is not None:
            return load
        if (kind, name) in self._nodes_of:
            raise UsageError(
                f"{kind} {name!r} hangs on node {self._nodes_of[kind, name]!r}, not {self._name!r}"
            )
        near = difflib.get_close_matches(name, self.names(kind), n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"the description has no {kind} {name!r}{hint}")

    def need(self, kind: str, name: str, role: str, verb: str) -> Place:
        """The place that `verb` needs.

        Raises:
            UsageError: there is no such load.
            NotOffered: it has no such role.
        """
        if kind != "node":
            self.load(kind, name)
        place = self.get(kind, name, role)
        if place is None:
            shown = verb if kind == "node" else f"{verb}[{name}]"
            raise NotOffered(self._name, f"{shown} (no role {role!r} in the description)")
        return place

    def lamp(self, name: str) -> tuple[Lamp, dict[str, Place]]:
        """A lamp, and the places of its colours that have one."""
        load = self.load("lamp", name)
        assert isinstance(load, Lamp)
        found = {colour: self.get("lamp", name, colour) for colour in load.colours}
        return load, {colour: place for colour, place in found.items() if place is not None}

    def axis(self, stepper: str) -> AxisPlaces | None:
        """The objects of a stepper's axis, or None if one that it can't do without is missing."""
        found = {role: self.get("stepper", stepper, role) for role in AXIS_ROLES}
        if any(place is None for role, place in found.items() if role not in AXIS_OPTIONAL):
            return None
        return AxisPlaces(**found)  # type: ignore[arg-type]

    @cached_property
    def offers(self) -> frozenset[str]:
        """Verbs that the roles and the EDS allow, as 'verb' or 'verb[load]'. They are asked for after every check, for every
        heater, and don't change.
        """
        verbs = {
            verb
            for verb, roles in NODE_VERBS.items()
            if all(self.get("node", self._name, role) is not None for role in roles)
        }
        for kind, name in self._loads:
            verbs |= {
                f"{verb}[{name}]"
                for verb, roles in LOAD_VERBS.get(kind, {}).items()
                if all(self.get(kind, name, role) is not None for role in roles)
            }
        verbs |= {f"set_lamp[{name}]" for name in self.names("lamp") if self.lamp(name)[1]}
        for name in self.names("heater"):
            ceiling = self.get("heater", name, "ceiling_c")
            if ceiling is not None and ceiling.variable.access_type != "wo":
                verbs.add(f"read_heater_ceiling_c[{name}]")
        for name in self.names("stepper"):
            if self.axis(name) is not None:
                verbs |= {f"{verb}[{name}]" for verb in ("enable_driver", "move", "read_position")}
        return frozenset(verbs)


class _Resolver:
    """Finds the place of every role of a node and its loads, and every role that has none."""

    def __init__(self, node: Node, loads: Mapping[tuple[str, str], Load], dictionary: Dictionary) -> None:
        self._node = node
        self._loads = loads
        self._dictionary = dictionary
        self._problems: list[Problem] = []
        self._found: dict[Key, Place] = {}

    def places(self) -> dict[Key, Place]:
        for role, at in self._node.roles.items():
            self._add("node", self._node.name, role, at)
        axis = 0
        for (kind, name), load in self._loads.items():
            for role, at in load.roles.items():
                self._add(kind, name, role, at)
            if kind == "stepper":
                self._add_axis(name, axis)
                axis += 1
        if self._problems:
            raise DescriptionError(self._problems)
        return self._found

    def _add(self, kind: str, name: str, role: str, at: Role) -> None:
        key = (kind, name, role)
        try:
            text = f"{at.at}:1" if role == "burst" and ":" not in at.at else at.at
            self._found[key] = self._dictionary.place(text, at.scale, at.offset)
        except LookupError as error:
            expected = "index[:sub][.bit] or a parameter name of the EDS"
            file = f"node[{self._node.name}], {self._dictionary.file or 'no eds'}"
            self._problems.append(
                Problem(file, f"{kind}[{name}].roles.{role}", repr(at.at), expected, None, _sentence(error))
            )

    def _add_axis(self, name: str, axis: int) -> None:
        for role, index in AXIS_ROLES.items():
            key = ("stepper", name, role)
            if key not in self._found:
                place = self._dictionary.standard(index + AXIS_OFFSET * axis, like=index)
                if place is not None:
                    self._found[key] = place


def _sentence(error: LookupError) -> str:
    text = str(error.args[0]) if error.args else str(error)
    return text[:1].upper() + text[1:]


def kind_of(load: Load) -> str:
    """The section of a load, like 'heater'."""
    for model in (Sensor, Heater, Fan, Stepper, Switch, Lamp):
        if isinstance(load, model):
            return model.__name__.lower()
    raise UsageError(f"{type(load).__name__} is a kind of load that the CANopen driver does not know")


N = TypeVar("N", Node, Bus)


def pick(parts: Iterable[N], name: str, kind: str) -> N:
    """The part of this name. Raises UsageError with the near or known ones."""
    known = {part.name: part for part in parts}
    if name in known:
        return known[name]
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; it has {', '.join(known)}"
    raise UsageError(f"the description has no {kind} {name!r}{hint}")
