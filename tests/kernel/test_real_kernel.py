"""hiltest on the CAN stack of a real Linux kernel that runs as a process (see uml.py).

Each test of the folder inside/ is one test here, and has the same name.
"""

from __future__ import annotations

import ast
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest
import uml

INSIDE = Path(__file__).with_name("inside")
ACCEPT = "test_accept.py"
ACCEPT_LIMIT_S, OTHERS_LIMIT_S = 500.0, 200.0
"""Three times what they take; the whole catalogue takes its two minutes of real time on any machine."""

# The first of them waits for the boot and for every test inside.
pytestmark = pytest.mark.timeout(ACCEPT_LIMIT_S + OTHERS_LIMIT_S + 100)


def inside_tests() -> list[str]:
    """The ids of all tests in inside/, as pytest spells them."""
    return [
        f"{path.relative_to(uml.REPOSITORY)}::{node.name}"
        for path in sorted(INSIDE.glob("test_*.py"))
        for node in ast.parse(path.read_text()).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]


@pytest.fixture(scope="session")
def verdicts(
    kernel: Any, request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> dict[str, str]:
    """What became of each test of inside/ that this session selected: "" passed, else why not.

    The tests of a file run in one go, in the file's order: starting pytest takes the kernel longer than most of the tests.
    The file with whole runs comes first, and its longest run first in it, while no other bench is at work in the kernel.
    """
    chosen = [
        item.callspec.params["test"]
        for item in request.session.items
        if isinstance(item, pytest.Function) and getattr(item, "originalname", "") == "test_inside_the_kernel"
    ]
    folder = tmp_path_factory.mktemp("inside")
    verdicts: dict[str, str] = {}
    for file, limit_s in ((ACCEPT, ACCEPT_LIMIT_S), ("", OTHERS_LIMIT_S)):
        tests = [test for test in chosen if (ACCEPT in test) == bool(file)]
        if tests:
            verdicts |= _verdicts_of(kernel, tests, folder / f"junit{file}.xml", limit_s)
    return verdicts


def _verdicts_of(kernel: Any, tests: list[str], report: Path, limit_s: float) -> dict[str, str]:
    """What became of these tests, run in one go."""
    result = kernel.pytest("-q", "--timeout=60", f"--junitxml={report}", *tests, limit_s=limit_s)
    if not report.exists():
        why = f"the tests inside the kernel did not end: {result.text}\n{kernel.console()}"
        return {test.rpartition("::")[2]: why for test in tests}
    verdicts: dict[str, str] = {}
    for case in ElementTree.parse(report).getroot().iter("testcase"):
        # All cases of a parametrised test are one test here.
        name = case.get("name", "").partition("[")[0]
        verdicts[name] = verdicts.get(name, "") + "".join(_complaints(case))
    return verdicts


def _complaints(case: ElementTree.Element) -> list[str]:
    return [
        f"{case.get('name')}: {part.tag}: {part.get('message')}\n{part.text}\n"
        for part in case
        if part.tag != "properties"
    ]


@pytest.mark.parametrize("test", inside_tests(), ids=lambda test: test.partition("inside/")[2])
def test_inside_the_kernel(verdicts: dict[str, str], test: str) -> None:
    """The test passes in the kernel: it ran, and it was not skipped."""
    name = test.rpartition("::")[2]

    assert name in verdicts, "it did not run"
    assert verdicts[name] == ""


def test_code_runs_in_the_kernel_and_its_exit_code_comes_out(kernel: Any) -> None:
    """What the code prints and how it ends both reach the caller."""
    result = kernel.run("import platform, sys; print(platform.release()); sys.exit(3)")

    assert result.code == 3
    assert result.text.splitlines()[-1] == "exit code 3"
    assert "-" not in result.text.splitlines()[0], "this is the machine's own kernel"


def test_a_failing_test_in_the_kernel_is_seen(kernel: Any, tmp_path: Path) -> None:
    """A red test inside is red outside: the harness does not swallow it."""
    (tmp_path / "test_red.py").write_text("def test_red():\n    assert 1 == 2\n")

    result = kernel.pytest("-q", "--rootdir", str(tmp_path), str(tmp_path / "test_red.py"))

    assert result.code == 1
    assert "1 failed" in result.text


def test_a_job_that_hangs_is_ended(kernel: Any) -> None:
    """A job is killed at its limit, and the kernel takes the next one."""
    start = time.monotonic()
    result = kernel.run("while True: pass", limit_s=1.0)

    assert result.code == -9
    assert time.monotonic() - start < 20
    assert kernel.run("print('alive')").text.startswith("alive")


def test_a_missing_kernel_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the package the reason says what to install."""
    monkeypatch.setattr(uml, "LINUX", "linux.none")

    assert "apt install user-mode-linux" in uml.missing()


@pytest.mark.parametrize(("required", "outcome"), [("", "1 skipped"), ("1", "1 error")])
def test_without_a_kernel_tests_skip_or_fail_as_asked(tmp_path: Path, required: str, outcome: str) -> None:
    """Skipped with the reason, and failed where the environment says that a kernel must be there."""
    one = f"{Path(__file__).relative_to(uml.REPOSITORY)}::test_code_runs_in_the_kernel_and_its_exit_code_comes_out"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", one],
        cwd=uml.REPOSITORY,
        env={**os.environ, "PATH": str(tmp_path), uml.REQUIRE: required},
        capture_output=True,
        text=True,
        check=False,
    )

    assert outcome in done.stdout
    assert "apt install user-mode-linux" in done.stdout
