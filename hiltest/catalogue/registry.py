"""What the catalogue knows of its checks: names, order, gates, verbs, and the page of each.

This module imports no test module: `checks()` does, when somebody asks for the list.
"""

from __future__ import annotations

import difflib
import importlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Literal, TypeVar

from hiltest.errors import UsageError

Per = Literal["bus", "node", "sensor", "heater", "fan", "stepper", "switch", "lamp"]

# One module a group, in the order of risk: nothing is energised before what is less dangerous has passed.
GROUPS: dict[str, str] = {
    "desk": "no bench at all: what the description says, computed",
    "cold": "power off: resistances, measured by hand",
    "bus": "powered, outputs off: the wire and who is on it",
    "sense": "powered, outputs off: what the sensors say",
    "switch": "powered, outputs off: every switch pressed by hand",
    "lamp": "powered: every colour looked at",
    "fan": "powered: fans turn",
    "heat": "powered: parts get hot",
    "motion": "powered: parts move",
    "safe": "powered: drills that take something away",
}


def always(_description: Any, _part: Any) -> bool:
    """The check is for every part of its kind."""
    return True


@dataclass(frozen=True, slots=True)
class Page:
    """What `hiltest explain` prints of a check.

    `limits` are pairs of limit and its source; `causes` stand in the order in which to look.
    """

    purpose: str
    hazard: str
    method: str
    limits: tuple[tuple[str, str], ...]
    causes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CheckSpec:
    """One check of the catalogue, before it is bound to a load.

    `gates` and `verbs` are templates with {load}, {node}, {bus} and {sensor}; {home_switch} and {end_switch} in
    gates stand for those of a stepper, and the gate falls away where it has none; {cools} for a fan's heater. `when` says for which parts of
    a description the check belongs to the catalogue, and `only_where` the same in words; where it does not, nothing
    waits for it either. `may_not_see` are those of its gates that need not have passed where they were
    "not observable". `builds_on` are checks that are no gates, but what this check can see depends on what they
    showed: whoever takes it along gets them too. There {fan}, {heater} and {stepper} stand for each of its
    node or bus, and {any_node} for each node of the description. `goes_far`: it moves further than a small move or heats
    for longer than a pulse, so it is not run once a check has failed of those that `guard.HELD_BACK_BY` names.
    """

    name: str
    per: Per
    order: int
    gates: tuple[str, ...]
    verbs: tuple[str, ...]
    window_s: Callable[[Any, Any], float]
    page: Page
    function: str = ""
    module: str = ""
    when: Callable[[Any, Any], bool] = always
    may_not_see: tuple[str, ...] = ()
    only_where: str = ""
    builds_on: tuple[str, ...] = ()
    goes_far: bool = False

    @property
    def group(self) -> str:
        """The part of the name before the dot."""
        return self.name.split(".", 1)[0]


@dataclass(frozen=True, slots=True)
class BoundCheck:
    """A check for one load of one description."""

    spec: CheckSpec
    target: Any
    node: str
    bus: str
    gates: tuple[str, ...] = field(default=())
    verbs: tuple[str, ...] = field(default=())
    gates_may_not_see: tuple[str, ...] = field(default=())
    builds_on: tuple[str, ...] = field(default=())
    window_s: float = field(default=0.0)
    """Bench time in which this check must end."""

    @property
    def name(self) -> str:
        """group.name[load]"""
        return f"{self.spec.name}[{self.target.name}]"


_SPECS: dict[str, CheckSpec] = {}
F = TypeVar("F", bound=Callable[..., None])


def check(
    name: str,
    *,
    per: Per,
    order: int,
    page: Page,
    window_s: float | Callable[[Any], float] | None = None,
    window_in: Callable[[Any, Any], float] | None = None,
    gates: tuple[str, ...] = (),
    verbs: tuple[str, ...] = (),
    when: Callable[[Any, Any], bool] = always,
    may_not_see: tuple[str, ...] = (),
    only_where: str = "",
    builds_on: tuple[str, ...] = (),
    goes_far: bool = False,
) -> Callable[[F], F]:
    """Make a test function a check of the catalogue.

    Args:
        name: group.name; the group is one of GROUPS.
        per: for which kind of part of the description the check runs, once each.
        order: position in the run, by rising risk.
        window_s: bench seconds within which the check must end; a number or a function of the part.
        window_in: the same as a function of the description and the part, for a check that waits as long as another part
            or [limits] says.
        gates: checks that must have passed before, as templates.
        verbs: verbs of the node that the check needs, as templates.
        when: whether the check belongs to the catalogue for a description and one of its parts.
        may_not_see: those of the gates that let it run also where they could not see anything.
        only_where: `when` in words, for the check's page.
        builds_on: checks that are no gates, but without which it sees less, as templates; see CheckSpec.
        goes_far: it moves or heats further than a small move or a pulse; see CheckSpec.
    """

    def window(description: Any, part: Any) -> float:
        if window_in is not None:
            return window_in(description, part)
        if window_s is None:
            raise TypeError(f"{name}: neither window_s nor window_in says within which time it must end")
        return window_s(part) if callable(window_s) else float(window_s)

    def mark(function: F) -> F:
        spec = CheckSpec(
            name,
            per,
            order,
            gates,
            verbs,
            window,
            page,
            function.__name__,
            function.__module__,
            when,
            may_not_see,
            only_where,
            builds_on,
            goes_far,
        )
        _SPECS[name] = spec
        function.__hil_check__ = spec  # type: ignore[attr-defined]
        return function

    return mark


def checks() -> list[CheckSpec]:
    """Every check, in running order."""
    for group in GROUPS:
        importlib.import_module(f"hiltest.catalogue.{group}")
    return sorted(_SPECS.values(), key=lambda spec: spec.order)


def find(name: str) -> CheckSpec:
    """The check called `name`; a load in brackets is ignored.

    Raises:
        UsageError: there is none; the text names the nearest known one.
    """
    plain = name.split("[", 1)[0]
    known = {spec.name: spec for spec in checks()}
    if plain in known:
        return known[plain]
    if plain in GROUPS:
        part = name.removeprefix(plain)
        theirs = ", ".join(f"{spec.name}{part}" for spec in of_group(plain))
        raise UsageError(f"{name!r} is no check; {plain!r} is a group, of which there is: {theirs}")
    near = difflib.get_close_matches(plain.lower(), [*known, *GROUPS], n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise UsageError(f"unknown check {name!r}{hint} ({len(known)} known, see `hiltest checks`)")


def of_group(group: str) -> list[CheckSpec]:
    """Every check of a group, in running order; empty where there is no such group."""
    return [spec for spec in checks() if spec.group == group]


def parts(description: Any, per: Per) -> list[Any]:
    """The parts of a description for which a check of this kind runs."""
    found = getattr(description, per)
    return list(found)


def bind(spec: CheckSpec, description: Any) -> Iterator[BoundCheck]:
    """Bind a check to every part of `description` that it is for."""
    nodes = {node.name: node for node in description.node}
    for part in parts(description, spec.per):
        if not spec.when(description, part):
            continue
        if spec.per == "bus":
            names = {"load": part.name, "bus": part.name, "node": "", "sensor": ""}
        elif spec.per == "node":
            names = {"load": part.name, "bus": part.bus, "node": part.name, "sensor": ""}
        else:
            names = {
                "load": part.name,
                "node": part.node,
                "bus": nodes[part.node].bus,
                "sensor": getattr(part, "sensor", part.name),
                "home_switch": getattr(part, "home_switch", None) or "",
                "end_switch": getattr(part, "end_switch", None) or "",
                "motor_sensor": getattr(part, "motor_sensor", None) or "",
                "cools": getattr(part, "cools", None) or "",
            }
        on_bus = [node.name for node in nodes.values() if node.bus == names["bus"]]
        gates = tuple(gate for template in spec.gates for gate in _filled(template, names, on_bus))
        verbs = tuple(verb.format(**names) for verb in spec.verbs)
        unseen = tuple(gate for template in spec.may_not_see for gate in _filled(template, names, on_bus))
        of_nodes = [names["node"]] if names["node"] else on_bus
        built_on = tuple(
            name for template in spec.builds_on for name in _of_each(template, names, of_nodes, description)
        )
        window_s = spec.window_s(description, part)
        yield BoundCheck(spec, part, names["node"], names["bus"], gates, verbs, unseen, built_on, window_s)


def _of_each(template: str, names: dict[str, str], of_nodes: list[str], description: Any) -> list[str]:
    """A check that another builds on, for each load of these nodes, or each node there is, that it names."""
    for kind in ("fan", "heater", "stepper"):
        if f"{{{kind}}}" in template:
            loads = (each.name for each in getattr(description, kind) if each.node in of_nodes)
            return [template.format(**{**names, kind: load}) for load in loads]
    if "{any_node}" in template:
        return [template.format(**names, any_node=node.name) for node in description.node]
    return [template.format(**names)]


def _filled(template: str, names: dict[str, str], on_bus: list[str]) -> list[str]:
    """A gate with its names; one that names {node} in a check of a whole bus stands for every node on it."""
    if any(f"{{{switch}}}" in template and not names.get(switch) for switch in ("home_switch", "end_switch")):
        return []
    if "{node}" in template and not names["node"]:
        return [template.format(**{**names, "node": node}) for node in on_bus]
    return [template.format(**names)]


def bind_all(description: Any) -> list[BoundCheck]:
    """Every check for every part, in running order. What does not belong to the catalogue is no gate either."""
    absent = {
        f"{spec.name}[{part.name}]"
        for spec in checks()
        for part in parts(description, spec.per)
        if not spec.when(description, part)
    }
    every = [bound for spec in checks() for bound in bind(spec, description)]
    return [
        replace(bound, gates=tuple(gate for gate in bound.gates if gate not in absent)) for bound in every
    ]


def with_gates(wanted: list[BoundCheck], every: list[BoundCheck]) -> list[BoundCheck]:
    """`wanted`, and of each its gates and what it builds on, and so on, in running order."""
    by_name = {bound.name: bound for bound in every}
    chosen: set[str] = set()

    def take(bound: BoundCheck) -> None:
        if bound.name in chosen:
            return
        chosen.add(bound.name)
        for name in (*bound.gates, *bound.builds_on):
            if name in by_name:
                take(by_name[name])

    for bound in wanted:
        take(bound)
    return [bound for bound in every if bound.name in chosen]
