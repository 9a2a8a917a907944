"""The sections of one description that are right in themselves, each with its place in the file.

Cross checks work on these, so that one wrong section does not hide what is wrong between the others.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any, TypeVar

from pydantic import ValidationError

from hiltest.description.dbc import ListedMessage
from hiltest.description.eds import Objects
from hiltest.description.locating import Path
from hiltest.description.messages import Source
from hiltest.description.models import (
    Bus,
    Console,
    Fan,
    Fixture,
    Harness,
    Heater,
    Lamp,
    Limits,
    Load,
    Node,
    Section,
    Sensor,
    Simulation,
    Stepper,
    Supply,
    Switch,
)
from hiltest.errors import Problem

S = TypeVar("S", bound=Section)

KINDS: dict[str, type[Section]] = {
    "fixture": Fixture,
    "supply": Supply,
    "bus": Bus,
    "harness": Harness,
    "node": Node,
    "console": Console,
    "sensor": Sensor,
    "heater": Heater,
    "fan": Fan,
    "stepper": Stepper,
    "switch": Switch,
    "lamp": Lamp,
    "limits": Limits,
    "simulation": Simulation,
}
DEFAULT_NAMES = {"bus": "can", "node": "node"}
SINGLE = ("fixture", "supply", "harness", "limits", "simulation")
LOADS = ("sensor", "heater", "fan", "stepper", "switch", "lamp")


@dataclass
class Parts:
    """What could be read, and what was found wrong so far. `objects` and `databases` hold what each EDS and DBC file lists."""

    source: Source
    folder: FilePath
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)
    objects: dict[str, Objects] = field(default_factory=dict)
    databases: dict[str, dict[str, ListedMessage]] = field(default_factory=dict)
    _found: dict[str, list[tuple[Path, Section]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for kind, model in KINDS.items():
            self._found[kind] = [
                (path, part) for path, item in self.raw(kind) if (part := _validated(model, item)) is not None
            ]

    def raw(self, kind: str) -> list[tuple[Path, Any]]:
        """Every entry of a kind as plain data, right or wrong, with its path."""
        value = self.source.data.get(kind)
        if kind in SINGLE:
            default: dict[str, Any] = {}
            optional = kind in ("limits", "simulation")
            return [((kind,), default if value is None and optional else value)]
        if isinstance(value, dict):
            return [((kind, 0), value)]
        return [((kind, n), item) for n, item in enumerate(value)] if isinstance(value, list) else []

    def all(self, model: type[S]) -> list[tuple[Path, S]]:
        """Every section of this type that is right in itself, with its path."""
        kind = next(kind for kind, known in KINDS.items() if known is model)
        return [(path, part) for path, part in self._found[kind] if isinstance(part, model)]

    def one(self, model: type[S]) -> S | None:
        """The only section of this type, None when it can't be used."""
        found = self.all(model)
        return found[0][1] if found else None

    def loads(self) -> list[tuple[Path, Load]]:
        """Every load that is right in itself."""
        return [(path, part) for kind in LOADS for path, part in self._found[kind] if isinstance(part, Load)]

    def names(self, kind: str) -> list[tuple[str, Path]]:
        """Every name of a kind in file order, also of sections that are otherwise wrong."""
        default = DEFAULT_NAMES.get(kind)
        entries = [
            (item.get("name", default), path) for path, item in self.raw(kind) if isinstance(item, dict)
        ]
        return [(name, path) for name, path in entries if isinstance(name, str)]

    def known(self, kind: str) -> list[str]:
        """The names of a kind."""
        return [name for name, _ in self.names(kind)]

    def only(self, kind: str) -> str | None:
        """The name of the only one of a kind, None when there are none or several."""
        known = self.known(kind)
        return known[0] if len(known) == 1 and len(self.raw(kind)) == 1 else None

    def node_of(self, load: Load | Console) -> Node | None:
        """The node that a load or console hangs on, None when it can't be told."""
        name = load.node or self.only("node")
        return next((node for _, node in self.all(Node) if node.name == name), None)

    def error(self, path: Path, found: object, expected: str, hint: str = "") -> None:
        """Note something that makes the description unusable."""
        self.problems.append(self.source.problem(path, str(found), expected, hint))

    def warn(self, path: Path, found: object, expected: str, hint: str = "") -> None:
        """Note something that a person should look at before the run."""
        self.warnings.append(self.source.problem(path, str(found), expected, hint))


def _validated(model: type[S], item: Any) -> S | None:
    try:
        return model.model_validate(item)
    except ValidationError:
        return None
