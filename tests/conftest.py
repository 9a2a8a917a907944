"""What all tests share: where the files are, and nothing of this machine in the way."""

from __future__ import annotations

import contextlib
import os
import shutil
from collections import Counter
from pathlib import Path
from typing import Any

import hypothesis
import pytest

import hiltest

ROOT = Path(__file__).resolve().parents[1]
WITH_PROCESSES = ("tests/process/", "tests/node/test_foreign_node.py")
MOSTLY_WAITING = (
    *WITH_PROCESSES,
    "tests/kernel/",
    "tests/meters/test_at_the_bench.py",
    "tests/browser/",
)
"""These run in real time: a worker that has them leaves its core to the others."""

LONGEST_WAIT = "tests/process/test_real_input.py"
"""Holds the test that waits for the whole catalogue in real time, which began with the first test of its folder."""


def pytest_configure() -> None:
    """Stop at once when CI asked for the installed package and another one would be tested.

    How long an example takes says something of the machine and nothing of hiltest.
    """
    hypothesis.settings.register_profile(
        "any machine", deadline=None, suppress_health_check=[hypothesis.HealthCheck.too_slow]
    )
    hypothesis.settings.load_profile("any machine")
    place = Path(hiltest.__file__ or "").resolve()
    if os.environ.get("HILTEST_EXPECT_INSTALLED") == "1" and "site-packages" not in place.parts:
        raise pytest.UsageError(f"hiltest comes from {place}, not from the installed wheel")


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """With -n: a file stays in one worker. Two workers have all the files that wait, so that the third computes."""
    from xdist.scheduler import LoadFileScheduling

    class TwoWait(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            if nodeid.startswith(WITH_PROCESSES):
                return "waiting for processes"
            if nodeid.startswith(MOSTLY_WAITING):
                return "waiting for a kernel, meters and a browser"
            return str(super()._split_scope(nodeid))

    config.option.loadscopereorder = False
    return TwoWait(config, log)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """With -n: a worker that computes gives way at once to what runs in real time, whatever the scheduler's slice.

    For good: an ordinary account may not take it back. Workers that wait do so first (`_turn`).
    """
    if hasattr(item.config, "workerinput") and not item.nodeid.startswith(MOSTLY_WAITING):
        with contextlib.suppress(AttributeError, OSError):  # another system than Linux, or not allowed here
            os.sched_setscheduler(0, os.SCHED_IDLE, os.sched_param(0))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """With -n: what waits comes first, then the largest files; one process keeps pytest's own order."""
    if not hasattr(config, "workerinput"):
        return
    size = Counter(_file(item) for item in items)
    items.sort(key=lambda item: (_turn(_file(item)), -size[_file(item)], _file(item)))


def _turn(file: str) -> int:
    """What runs beside others in real time begins first, and is waited for when there is nothing left to wait for."""
    if file == LONGEST_WAIT:
        return len(MOSTLY_WAITING)
    return next(
        (n for n, folder in enumerate(MOSTLY_WAITING) if file.startswith(folder)), 1 + len(MOSTLY_WAITING)
    )


def _file(item: pytest.Item) -> str:
    return item.nodeid.split("::", 1)[0]


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    """A python-can or pytest setting of whoever runs the tests changes no result."""
    for name in [name for name in os.environ if name.startswith("CAN_")]:
        monkeypatch.delenv(name)
    monkeypatch.delenv("PYTEST_ADDOPTS", raising=False)
    monkeypatch.setenv("COLUMNS", "120")


@pytest.fixture(scope="session")
def fixtures_dir() -> Path:
    """The folder of the scenarios: read only."""
    return ROOT / "fixtures"


@pytest.fixture
def glue_head(fixtures_dir: Path, tmp_path: Path) -> Path:
    """A copy of the glue head's description, with its EDS file, that a test may change."""
    for file in fixtures_dir.glob("glue_head*"):
        shutil.copy(file, tmp_path / file.name)
    return tmp_path / "glue_head.toml"


@pytest.fixture
def runs_dir(tmp_path: Path) -> Path:
    """An empty folder for run folders."""
    folder = tmp_path / "runs"
    folder.mkdir()
    return folder
