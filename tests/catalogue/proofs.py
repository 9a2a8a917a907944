"""Which fault is tried against which check, read out of the tests of this folder without running any of them.

Three places count: a row of a parametrized test (a fault beside the check that must fail), a test function that names
both, directly or by a constant of its module, and a row of a fault alone for a test function that names the check.
"""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

from hiltest.catalogue.registry import checks
from hiltest.simbench.faults import FAULTS

CHECKS = frozenset(spec.name for spec in checks())
Proofs = dict[str, set[str]]


def plain(text: str) -> str:
    """A fault or a check without what it is tried on, how much and from when."""
    return text.split("@")[0].split("=")[0].split("[")[0]


def _named(value: Any, known: frozenset[str]) -> set[str]:
    """Names out of `known` in a text, in a row, or in a tuple of these."""
    if isinstance(value, str):
        return {plain(word) for word in value.split()} & known
    if isinstance(value, tuple | list):
        return {name for each in value for name in _named(each, known)}
    if dataclasses.is_dataclass(value):
        return {name for field in ("fault", "fails") for name in _named(getattr(value, field, ""), known)}
    return set()


def _is_text(value: Any) -> bool:
    """A text or a tuple of texts, and no table of rows."""
    return isinstance(value, str) or (
        isinstance(value, tuple) and all(isinstance(each, str) for each in value)
    )


def _rows(test: Any) -> list[Any]:
    marks = (mark for mark in getattr(test, "pytestmark", ()) if mark.name == "parametrize")
    return [row for mark in marks for row in mark.args[1]]


def _functions(module: ModuleType) -> Iterator[Any]:
    """Of each test function: its texts and the module's texts that it or a helper beside it names; of tables and of
    its parameters each row."""
    body = ast.parse(inspect.getsource(module)).body
    functions = {node.name: node for node in body if isinstance(node, ast.FunctionDef)}
    for name, function in functions.items():
        if not name.startswith("test_"):
            continue
        called = {part.id for part in ast.walk(function) if isinstance(part, ast.Name)}
        helpers = [functions[each] for each in called & functions.keys()]
        parts = [part for each in (function, *helpers) for part in ast.walk(each)]
        texts = [part.value for part in parts if isinstance(part, ast.Constant)]
        names = {part.id for part in parts if isinstance(part, ast.Name) and part.id.isupper()}
        values = [getattr(module, each, "") for each in names]
        texts += [value for value in values if _is_text(value)]
        yield texts
        yield from (row for value in values if isinstance(value, tuple) for row in value)
        for row in _rows(getattr(module, name)):
            yield row if _named(row, CHECKS) else [row, *texts]


def proofs() -> Proofs:
    """By the fault's name, the checks that some test tries it against."""
    faults, found = frozenset(FAULTS), Proofs()
    for path in sorted(Path(__file__).parent.glob("test_*.py")):
        module = importlib.import_module(f"{__package__}.{path.stem}")
        for named in _functions(module):
            against = _named(named, CHECKS)
            for fault in _named(named, faults):
                found.setdefault(fault, set()).update(against)
    return found
