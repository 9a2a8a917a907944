"""Blanks: what a drafted description leaves to a person. A file with blanks is refused, and every one is listed."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from hiltest.description.locating import Path
from hiltest.description.messages import Source
from hiltest.description.models import ROLES
from hiltest.description.schema import Schema, lookup, resolve, rule, unit_of
from hiltest.errors import Problem

BLANK = "<fill in>"
LISTED_MAX = 2000
"""More than any description has fields; a hostile file is not answered with a book."""


def blanks(source: Source) -> list[Problem]:
    """Every blank of a description, in file order, with its line and what belongs there."""
    found = [path for path, value in _values(source.data, ()) if value == BLANK][:LISTED_MAX]
    problems = [source.problem(path, f'the blank "{BLANK}"', _expected(path)) for path in found]
    return sorted(problems, key=lambda problem: problem.line or 0)


def _values(at: Any, path: Path) -> Iterator[tuple[Path, Any]]:
    if isinstance(at, dict):
        for key, value in at.items():
            yield from _values(value, (*path, key))
    elif isinstance(at, list):
        for number, value in enumerate(at):
            yield from _values(value, (*path, number))
    elif isinstance(at, str):
        yield path, at


def _expected(path: Path) -> str:
    """What the schema says of the place: kind of value, unit, meaning."""
    schema = lookup(path)
    if schema is None:
        return "a value, or the line taken out"
    words = rule(schema)
    told = {**resolve(schema), **schema}
    unit = told.get("unit")
    about = _about(told)
    if path[-3:-2] == ("roles",) and path[-1] == "scale":
        quantity = ROLES.get(str(path[0]), {}).get(str(path[-2]), "")
        about = f"value of one raw count of role {path[-2]}{f': {quantity}' if quantity else ''}"
        unit = unit_of(str(path[-2])) and f"{unit_of(str(path[-2]))} per count"
    return f"{words}{f', in {unit}' if unit else ''}{f' ({about})' if about else ''}"


def _about(schema: Schema) -> str:
    return str(schema.get("description", "")).strip()
