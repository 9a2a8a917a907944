"""From what pydantic or tomllib says to what a person can act on: where, found, expected, what to do."""

from __future__ import annotations

import difflib
import json
import math
import re
import tomllib
from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from pydantic_core import ErrorDetails

from hiltest.description.bounded import one_line
from hiltest.description.locating import Locator, Path, unclosed
from hiltest.description.schema import keys_at, lookup, rule
from hiltest.errors import Problem

SHOWN_MAX = 50
_REPORTED_MAX = 200


@dataclass
class Source:
    """A description as it was read: file name for messages, text, and the plain data with overrides in it.

    `overridden` holds the paths whose values came from the caller and not from the text.
    """

    file: str
    text: str
    data: dict[str, Any]
    overridden: frozenset[Path] = frozenset()

    @cached_property
    def locator(self) -> Locator:
        """The lines of the text; made only when something has to be said."""
        return Locator(self.text)

    def in_text(self, path: Path) -> Path:
        """The path as the file spells it: a single [bus] stands there without a position."""
        if len(path) > 1 and isinstance(path[1], int) and isinstance(self.data.get(str(path[0])), dict):
            return (path[0], *path[2:])
        return path

    def value(self, path: Path) -> Any:
        """The plain value at `path`, None when there is none."""
        at: Any = self.data
        for step in self.in_text(path):
            inside = isinstance(at, list) and isinstance(step, int) and 0 <= step < len(at)
            if not inside and not (isinstance(at, dict) and step in at):
                return None
            at = at[step]
        return at

    def key(self, path: Path) -> str:
        """Name a path as people do: 'heater[reservoir].low_setpoint_c', 'bus.options.bitrate'."""
        shown = ""
        at: Any = self.data
        for step in self.in_text(path):
            if isinstance(step, int):
                at = at[step] if isinstance(at, list) and step < len(at) else None
                name = at.get("name") if isinstance(at, dict) else None
                shown += f"[{name}]" if _is_plain_name(name) else f"[{step + 1}]"
            else:
                at = at.get(step) if isinstance(at, dict) else None
                part = step if re.fullmatch(r"[A-Za-z0-9_-]{1,60}", step) else found_text(step)
                shown += f".{part}" if shown else part
        return shown or "the file"

    def problem(self, path: Path, found: str, expected: str, hint: str = "") -> Problem:
        """Build the problem of one path, with its line."""
        given = self.in_text(path)
        if given in self.overridden:
            found, line = f"{found} (given beside the file)", None
        else:
            line = self.locator.line(given)
        return Problem(self.file, self.key(path), found, expected, line, hint)


def _is_plain_name(name: object) -> bool:
    return isinstance(name, str) and re.fullmatch(r"[A-Za-z0-9_-]{1,40}", name) is not None


def found_text(value: object) -> str:
    """Show a value as TOML spells it, short and with no control characters."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return (
            f"a list of {len(value)} values"
            if len(value) != 1
            else f"a list of 1 value ({found_text(value[0])})"
        )
    if isinstance(value, str):
        return json.dumps(value if len(value) <= 60 else value[:57] + "...")
    if isinstance(value, float) and not math.isfinite(value):
        return {True: "nan"}.get(math.isnan(value), "inf" if value > 0 else "-inf")
    text = str(value)
    return text if len(text) <= 40 else text[:37] + "..."


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like `word`, None when none is alike."""
    choices = sorted(known)
    lower = word.lower().replace("-", "_")
    for choice in choices:
        # `voltage` for `voltage_v`: the unit was left out, the commonest slip of all.
        if len(lower) > 2 and choice.startswith(lower + "_"):
            return choice
    found = difflib.get_close_matches(lower, choices, n=1, cutoff=0.6)
    return found[0] if found else None


def did_you_mean(word: str, known: Sequence[str], what: str) -> str:
    """A hint with the nearest known word, or with all of them."""
    close = nearest(word[:80], known)
    if close is not None:
        return f"Did you mean {close!r}?"
    if not known:
        return f"There is no {what} in this file."
    # A name of the file may be refused itself, and hold what no terminal should get.
    listed = ", ".join(map(one_line, sorted(known)[:12])) + (", ..." if len(known) > 12 else "")
    plural = what + ("es" if what.endswith(("s", "ch")) else "s")
    return f"Known {plural}: {listed}."


def from_pydantic(source: Source, errors: Sequence[ErrorDetails]) -> list[Problem]:
    """Translate pydantic's errors, dropping those that only repeat another."""
    errors = errors[:_REPORTED_MAX]
    meant: set[Path] = set()
    problems: dict[Path, Problem] = {}
    missing = {tuple(error["loc"]) for error in errors if error["type"] == "missing"}
    for error in errors:
        if error["type"] == "extra_forbidden":
            path = tuple(error["loc"])
            problem, target = _unknown_key(source, path, missing)
            problems[path] = problem
            if target is not None:
                meant.add(target)
    for error in errors:
        path = _real_path(source, tuple(error["loc"]), error["type"])
        if path in problems or (error["type"] == "missing" and path in meant):
            continue
        problems[path] = _translate(source, path, error)
    return list(problems.values())


def _real_path(source: Source, path: Path, kind: str) -> Path:
    """Cut what pydantic adds for the branches of a union: the data has no such key."""
    if kind == "missing":
        return path
    while path and source.value(path) is None:
        path = path[:-1]
    return path


def _unknown_key(source: Source, path: Path, missing: Set[Path]) -> tuple[Problem, Path | None]:
    """The problem, and the key that was meant. `missing`: required keys that the file lacks."""
    *table, key = path
    parent = tuple(table)
    name = str(key)
    known = keys_at(parent)
    begun = name[:80].lower().replace("-", "_") + "_"
    needed = [str(each[-1]) for each in missing if each[:-1] == parent and str(each[-1]).startswith(begun)]
    close = min(needed, default=None) or nearest(name[:80], known)
    where = source.key(parent) if parent else "the file"
    if close is not None:
        hint = f"Did you mean {close!r}?"
    elif elsewhere := _other_home(name, parent):
        hint = f"It belongs in {elsewhere}."
    else:
        hint = "Known keys: " + ", ".join(known) + "."
    problem = source.problem(path, "an unknown key", f"a key that {where} has", hint)
    return problem, None if close is None else (*parent, close)


def _other_home(name: str, parent: Path) -> str | None:
    """The section that has this key, when exactly one has."""
    homes = [section for section in keys_at(()) if name in _fields_of(section) and (section,) != parent[:1]]
    return f"[{homes[0]}]" if len(homes) == 1 else None


def _fields_of(section: str) -> list[str]:
    return keys_at((section,)) or keys_at((section, 0))


def _translate(source: Source, path: Path, error: ErrorDetails) -> Problem:
    kind = error["type"]
    schema = lookup(path)
    about = "" if schema is None else _about(path, schema)
    if kind == "missing":
        key = str(path[-1])
        expected = f"{_rule(path)}{about}"
        return source.problem(path, "nothing", expected, f"Add {_example(key, path, source)}.")
    value = source.value(path)
    hint = ""
    if kind == "string_type" and isinstance(value, (int, float)) and not isinstance(value, bool):
        hint = f'Write it in quotes: "{found_text(value)}".'
    elif isinstance(value, str) and schema is not None and rule(schema).startswith(("a number", "a whole")):
        hint = "Write the bare number, without quotes and without the unit."
    elif "enum" in (schema or {}) and isinstance(value, str):
        close = nearest(value[:80], [str(v) for v in (schema or {})["enum"]])
        hint = f"Did you mean {close!r}?" if close else ""
    elif isinstance(value, dict) and _wants_list(schema):
        hint = f"Write [[{path[-1]}]], with two brackets, for each of them."
    return source.problem(path, found_text(value), f"{_rule(path)}{about}", hint)


def _wants_list(schema: Mapping[str, Any] | None) -> bool:
    return schema is not None and schema.get("type") == "array" and "$ref" in schema["items"]


def _rule(path: Path) -> str:
    schema = lookup(path)
    return "another value" if schema is None else rule(schema)


def _about(path: Path, schema: Mapping[str, Any]) -> str:
    """The unit and the field's own words, in brackets."""
    parts = [str(schema[key]) for key in ("unit", "description") if schema.get(key)]
    return f" ({'; '.join(parts)})" if parts else ""


def _example(key: str, path: Path, source: Source) -> str:
    table = "[" + ".".join(str(step) for step in path[:-1] if isinstance(step, str)) + "]"
    if any(isinstance(step, int) for step in source.in_text(path)[-2:-1]):
        table = f"[{table}]"  # one of several
    schema = lookup(path)
    if schema is not None and (schema.get("$ref") or ("anyOf" in schema and len(path) == 1)):
        return f"a section [{key}]"
    return f"`{key} = ...` to {table}" if len(path) > 1 else f"`{key} = ...`"


_COMMA = re.compile(r"=\s*([-+]?\d+),(\d+)\s*(#.*)?$")
"""A number with a decimal comma."""
_POSITION = re.compile(r"\(at line (\d+), column (\d+)\)")


def from_toml(file: str, text: str, error: ValueError) -> Problem:
    """Translate what tomllib says about a text that is not TOML."""
    said = str(error)
    place = _POSITION.search(said)
    line = int(place.group(1)) if place else None
    if line is None and "end of document" in said:
        line = unclosed(text) or text.count("\n") + 1
    reason = _POSITION.sub("", said).replace("(at end of document)", "at the end of the file").strip()
    if not isinstance(error, tomllib.TOMLDecodeError):
        reason = "a number or a date that can't be read"
    rows = text.splitlines()
    row = rows[line - 1].strip() if line is not None and 0 < line <= len(rows) else ""
    found = found_text(row) if row else "the end of the file"
    hint = f"The reader says: {reason}."
    if comma := _COMMA.search(row):
        hint = f"A number has a point and no comma: write {comma.group(1)}.{comma.group(2)}"
    return Problem(file, "the file", found, "TOML (https://toml.io, version 1.0)", line, hint)
