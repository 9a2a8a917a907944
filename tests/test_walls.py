"""The walls of the house: who may import whom, and who may look at the clock or print."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

HOUSE = Path(__file__).resolve().parents[1] / "hiltest"

# What each part may import of hiltest beside itself. Parts that are not listed stand on top and may import all
# but those that nobody may.
BASE = {"errors", "clock"}
MAY_IMPORT = {
    "errors": set(),
    "clock": {"errors"},
    "physics": {"errors"},
    "canbus": BASE | {"physics"},
    "description": BASE | {"physics", "canbus"},
    "link": BASE | {"canbus"},
    "console": BASE | {"link", "description"},
    "meters": BASE | {"link", "physics"},
    "node": BASE | {"physics", "canbus", "description", "link", "console"},
    "guard": BASE | {"physics", "description", "link", "node"},
    "evidence": BASE | {"physics", "canbus", "description", "cautions"},
    "measure": BASE | {"description", "evidence", "physics"},
    "judging": BASE | {"measure", "evidence"},
    "books": BASE | {"evidence", "link"},
    "catalogue": BASE
    | {
        "physics", "canbus", "description", "link", "console", "meters", "node", "guard", "measure", "evidence",
        "cautions",
    },
    "simbench": BASE | {"physics", "canbus", "description"},
}  # fmt: skip

# Of these parts, the catalogue may import this alone: it speaks to a node by verbs and knows no driver.
CATALOGUE_SEES = {"hiltest.node": {"hiltest.node.verbs"}}

MAY_IMPORT_PLUGIN = {"accept"}

# The plugin may: the time limit of a test is wall time, as pytest-timeout keeps it.
STARTS_TIMER = "starts a timer"

CLOCK_READERS = {"now", "today", "utcnow"}


@cache
def _tree(file: Path) -> ast.Module:
    return ast.parse(file.read_text(encoding="utf-8"), str(file))


def _files() -> list[Path]:
    return sorted(HOUSE.rglob("*.py"))


def _place(file: Path) -> str:
    return file.relative_to(HOUSE.parent).as_posix()


def _part(module: str) -> str:
    names = module.split(".")
    return names[1] if len(names) > 1 else ""


def _part_of_file(file: Path) -> str:
    return file.relative_to(HOUSE).parts[0].removesuffix(".py")


def imports(tree: ast.AST) -> Iterator[tuple[int, str]]:
    """Every module that a file imports, at the top or inside a function, also through importlib."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, name.name) for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: write imports in full"
            module = node.module or ""
            for name in node.names:
                yield node.lineno, f"{module}.{name.name}" if module == "hiltest" else module
        elif isinstance(node, ast.Call) and _called(node) in ("import_module", "__import__"):
            names = [name.value for name in node.args[:1] if isinstance(name, ast.Constant)]
            yield from ((node.lineno, str(name)) for name in names)


def _called(call: ast.Call) -> str:
    function = call.func
    if isinstance(function, ast.Attribute):
        return function.attr
    return function.id if isinstance(function, ast.Name) else ""


def broken_walls(part: str, tree: ast.AST) -> list[str]:
    """What a file of this part imports and may not."""
    found = []
    for line, module in imports(tree):
        other = _part(module)
        if module.split(".")[0] != "hiltest" or other in (part, ""):
            continue
        allowed = MAY_IMPORT.get(part)
        wrong = allowed is not None and other not in allowed
        wrong = wrong or other == "cli" or (other == "plugin" and part not in MAY_IMPORT_PLUGIN)
        if part == "catalogue":
            package = f"hiltest.{other}"
            wrong = wrong or (package in CATALOGUE_SEES and module not in CATALOGUE_SEES[package])
        if wrong:
            found.append(f"line {line} imports {module}")
    return found


def wall_clock(tree: ast.AST) -> list[str]:
    """Where a file reads the time of the machine or sleeps."""
    found = [
        f"line {line} imports {module}"
        for line, module in imports(tree)
        if module.split(".")[0] in ("time", "sched", "asyncio", "timeit")
    ]
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in CLOCK_READERS and _is_date(node.value):
            found.append(f"line {node.lineno} reads the date")
        if isinstance(node, ast.Attribute) and node.attr == "Timer" and _is_name(node.value, "threading"):
            found.append(f"line {node.lineno} {STARTS_TIMER}")
    return found


def _is_name(node: ast.AST, name: str) -> bool:
    return isinstance(node, ast.Name) and node.id == name


def _is_date(node: ast.AST) -> bool:
    name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else ""
    return name in ("datetime", "date")


def test_imports_run_downward_only() -> None:
    """Each part imports only what lies below it, also where it imports late."""
    found = {
        f"{_place(file)}: {wall}"
        for file in _files()
        for wall in broken_walls(_part_of_file(file), _tree(file))
    }
    assert found == set()


def test_every_part_of_the_house_is_known_to_the_walls_or_stands_on_top() -> None:
    """A new part is put behind a wall on purpose, not forgotten."""
    on_top = {
        "__init__", "accept", "campaign", "cautions", "cli", "docs", "plugin", "progress", "session", "settings",
        "sharedbus", "claim", "testing", "preflight", "store", "desk",
        "numbering", "benches", "fixtures", "hookspecs", "spread", "draft",
    }  # fmt: skip
    parts = {_part_of_file(file) for file in _files()}
    assert parts - set(MAY_IMPORT) - on_top == set()
    assert set(MAY_IMPORT) <= parts


def test_the_catalogue_does_not_ask_which_bench_it_is_on() -> None:
    """It runs unchanged on hardware and in simulation, so no name in it speaks of simulation."""
    found = []
    for file in _files():
        if _part_of_file(file) != "catalogue":
            continue
        for node in ast.walk(_tree(file)):
            name = (
                node.attr
                if isinstance(node, ast.Attribute)
                else node.id
                if isinstance(node, ast.Name)
                else ""
            )
            if "simul" in name.lower():
                found.append(f"{_place(file)}:{getattr(node, 'lineno', 0)}: {name}")
    assert found == []


def test_only_clock_looks_at_the_wall_clock() -> None:
    """Everything else takes its time from a Clock, so it runs the same in simulated time."""
    found = [
        f"{_place(file)}: {reading}"
        for file in _files()
        if file != HOUSE / "clock.py"
        for reading in wall_clock(_tree(file))
        if file != HOUSE / "plugin.py" or not reading.endswith(STARTS_TIMER)
    ]
    assert found == []


def test_only_the_command_line_prints() -> None:
    """A library says things by returning or raising them."""
    found = [
        f"{_place(file)}:{node.lineno}"
        for file in _files()
        if file != HOUSE / "cli.py"
        for node in ast.walk(_tree(file))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert found == []


@pytest.mark.parametrize(
    ("part", "text"),
    [
        ("physics", "import hiltest.canbus.frame"),
        ("physics", "from hiltest import canbus"),
        ("canbus", "def f():\n    from hiltest.description.models import Bus"),
        ("catalogue", "from hiltest.node.canopen import CanopenDriver"),
        ("catalogue", "from hiltest.simbench.bench import Bench"),
        ("simbench", "import importlib\nimportlib.import_module('hiltest.guard')"),
        ("simbench", "if True:\n    import hiltest.node.verbs"),
        ("evidence", "from hiltest.plugin import RUN"),
        ("session", "import hiltest.cli"),
    ],
)
def test_a_breach_is_seen(part: str, text: str) -> None:
    """The test of the walls itself can fail."""
    assert len(broken_walls(part, ast.parse(text))) == 1


@pytest.mark.parametrize(
    ("part", "text"),
    [
        ("catalogue", "from hiltest.node.verbs import NodeDriver"),
        ("simbench", "from hiltest.canbus.frame import Frame"),
        ("session", "from hiltest.catalogue.registry import check"),
        ("canbus", "import can"),
    ],
)
def test_what_is_allowed_is_no_breach(part: str, text: str) -> None:
    """The test of the walls does not cry wolf."""
    assert broken_walls(part, ast.parse(text)) == []


@pytest.mark.parametrize(
    "text",
    [
        "import time",
        "from time import monotonic",
        "def f():\n    import time as t",
        "import datetime\ndatetime.datetime.now()",
        "from datetime import date\ndate.today()",
        "import threading\nthreading.Timer(1, f)",
    ],
)
def test_a_look_at_the_clock_is_seen(text: str) -> None:
    """However it is spelled."""
    assert len(wall_clock(ast.parse(text))) == 1


def test_a_clock_of_ours_may_be_read() -> None:
    """Bench time is for everybody."""
    assert wall_clock(ast.parse("import datetime\nclock.now_s\ndatetime.datetime(2026, 1, 1)")) == []
