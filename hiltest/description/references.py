"""Names: each once in its kind, and every name that one section gives of another exists."""

from __future__ import annotations

import re

from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import Bus, Console, Fixture, Heater, Load, Node, Sensor, Stepper, Switch
from hiltest.description.parts import LOADS, Parts

SIMULATED = "hiltest"
"""The interface and URL scheme of the simulated bench."""

_CHECK = re.compile(r"[a-z][a-z0-9_]*\.[a-z][a-z0-9_]*(?:\[([a-z][a-z0-9_]*)\])?")


def bus_name(parts: Parts, node: Node) -> str | None:
    """The name of the bus that a node is on, None when it can't be told."""
    return node.bus or parts.only("bus")


def check_names(parts: Parts) -> None:
    """No two of a kind share a name; no two buses share an adapter; no two consoles share a port."""
    for kind in ("bus", "node", *LOADS):
        first: dict[str, Path] = {}
        for name, path in parts.names(kind):
            if name in first:
                line = parts.source.locator.line(parts.source.in_text(first[name]))
                parts.error(
                    (*path, "name"),
                    found_text(name),
                    f"a name that no other {kind} has",
                    f"The {kind} in line {line} has it.",
                )
            first.setdefault(name, path)
    adapters: dict[tuple[str, str], str] = {}
    for path, bus in parts.all(Bus):
        if bus.interface == SIMULATED:
            continue  # one channel, the description, has every bus of the simulated bench
        other = adapters.setdefault((bus.interface, bus.channel), bus.name)
        if other != bus.name:
            parts.error(
                (*path, "channel"), found_text(bus.channel), "an adapter of its own", f"Bus {other!r} has it."
            )
    ports: set[str] = set()
    for path, console in parts.all(Console):
        if console.port in ports and not console.port.startswith(f"{SIMULATED}:"):
            parts.error((*path, "port"), found_text(console.port), "a port of its own")
        ports.add(console.port)


# Which key of which kind names what, and whether it may be left out although there are several.
_REFERENCES = (
    ("node", "bus", "bus", False),
    ("console", "node", "node", False),
    *((kind, "node", "node", False) for kind in LOADS),
    ("heater", "sensor", "sensor", True),
    ("fan", "cools", "heater", True),
    ("stepper", "home_switch", "switch", True),
    ("stepper", "end_switch", "switch", True),
    ("stepper", "motor_sensor", "sensor", True),
)


def check_references(parts: Parts) -> None:
    """Every reference leads somewhere, also in sections that are otherwise wrong."""
    for kind, key, target, optional in _REFERENCES:
        for path, item in parts.raw(kind):
            if isinstance(item, dict):
                _refer(parts, (*path, key), item.get(key), target, optional)
    for path, heater in parts.all(Heater):
        _same_node(parts, path, heater, "sensor", Sensor, "which closes the loop")
    for path, stepper in parts.all(Stepper):
        for key in ("home_switch", "end_switch"):
            _same_node(parts, path, stepper, key, Switch, "which moves the axis")
        _same_node(parts, path, stepper, "motor_sensor", Sensor, "which moves the axis")
        if stepper.home_switch is not None and stepper.home_switch == stepper.end_switch:
            parts.error(
                (*path, "end_switch"),
                found_text(stepper.end_switch),
                "another switch than home_switch",
                "Leave it out if there is none at the high end.",
            )
    for path, fixture in parts.all(Fixture):
        for number, name in enumerate(fixture.may_be_missing):
            _check_check_name(parts, (*path, "may_be_missing", number), name)


def _refer(parts: Parts, path: Path, name: object, kind: str, optional: bool) -> None:
    known = parts.known(kind)
    if name is None:
        if not optional and len(parts.raw(kind)) > 1:
            parts.error(
                path,
                "nothing",
                f"the name of a {kind}, because there are {len(parts.raw(kind))}",
                f"Known: {', '.join(known)}.",
            )
    elif isinstance(name, str) and name not in known:
        parts.error(path, found_text(name), f"the name of a {kind}", did_you_mean(name, known, kind))


def _same_node(
    parts: Parts, path: Path, load: Heater | Stepper, key: str, kind: type[Sensor | Switch], why: str
) -> None:
    """The node itself must read what its loop or its axis goes by."""
    name = getattr(load, key)
    other = next((part for _, part in parts.all(kind) if part.name == name), None)
    if other is None:
        return
    own_node, other_node = _node_name(parts, load), _node_name(parts, other)
    if own_node is not None and other_node is not None and own_node != other_node:
        word = kind.__name__.lower()
        parts.error(
            (*path, key),
            found_text(name),
            f"a {word} on node {own_node!r}, {why}",
            f"That {word} hangs on node {other_node!r}.",
        )


def _node_name(parts: Parts, load: Load) -> str | None:
    return load.node or parts.only("node")


def _check_check_name(parts: Parts, path: Path, name: str) -> None:
    match = _CHECK.fullmatch(name)
    if match is None:
        parts.error(path, found_text(name), "the name of a check, like 'fan.tach' or 'fan.tach[nozzle]'")
        return
    target = match.group(1)
    known = [known for kind in ("bus", "node", *LOADS) for known in parts.known(kind)]
    if target is not None and target not in known:
        parts.error(
            path,
            found_text(name),
            "a check of something in this file",
            did_you_mean(target, sorted(set(known)), "name"),
        )
