"""The scripts in benches/ can be started: they are run seldom, and what they name must still be there."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

BENCHES = Path(__file__).parents[1] / "benches"
TESTS = BENCHES.parent / "tests"
FROM = tuple(map(str, (BENCHES, BENCHES.parent, TESTS, TESTS / "kernel")))
"""Where the scripts import from when they are started."""
SCRIPTS = sorted(each.stem for each in BENCHES.glob("[!_]*.py"))


def load(name: str, monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """A script as a module; it is not started."""
    monkeypatch.setattr(sys, "path", [*FROM, *sys.path])
    spec = importlib.util.spec_from_file_location(f"benches_{name}", BENCHES / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, spec.name, module)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", SCRIPTS)
def test_what_a_script_names_of_other_modules_is_there(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Most scripts measure as soon as they are loaded, so they are read: each import, and each `module.name`."""
    monkeypatch.setattr(sys, "path", [*FROM, *sys.path])
    tree = ast.parse((BENCHES / f"{name}.py").read_text(encoding="utf-8"))
    assert ast.get_docstring(tree)
    modules: dict[str, Any] = {}
    for each in ast.walk(tree):
        if isinstance(each, ast.Import):
            for alias in each.names:
                whole = importlib.import_module(alias.name)
                modules[alias.asname or alias.name] = whole
        elif isinstance(each, ast.ImportFrom) and each.module and each.module != "__future__":
            for alias in each.names:
                held = importlib.import_module(each.module)
                if not hasattr(held, alias.name):
                    importlib.import_module(f"{each.module}.{alias.name}")
                modules[alias.asname or alias.name] = getattr(held, alias.name)
    for each in ast.walk(tree):
        if isinstance(each, ast.Attribute) and isinstance(each.value, ast.Name):
            module = modules.get(each.value.id)
            if isinstance(module, ModuleType):
                assert hasattr(module, each.attr), f"line {each.lineno}: {each.value.id}.{each.attr}"


def test_the_detection_of_bus_faults_judges_outcome_and_words(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """A row that is found counts, one whose check says nothing of the fault does not, and the list of the unseen is told."""
    script = load("detection_bus", monkeypatch)
    rows = script.bus_faults
    table = (
        rows.Row("", rows.LINE, "stub", rows.with_tests("stub_m = 6.0")),
        rows.Row("", rows.LINE, "of the moon", rows.with_tests("stub_m = 6.0")),
    )
    monkeypatch.setattr(rows, "TABLE", table)
    monkeypatch.setattr(script, "HEALTHY", (rows.LINE,))
    monkeypatch.setattr(sys, "argv", ["detection_bus.py", "--seeds", "1", "--processes", "1"])
    assert script.main() == 1
    told = capsys.readouterr().out
    assert "without a word of 'of the moon'" in told
    assert "1 of 3 boards not as expected" in told
    assert "no check: the settings are right until the supply is switched off" in told
