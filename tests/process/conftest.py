"""A quick glue head for tests in real time, and the one long run, which goes on beside the other tests."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from .rig import BenchProcess, Process, bench_process, hiltest, on_real_ports, quick_text, slower_heartbeat

NEEDS_THE_LONG_RUN = "long_run"


def make_quick(glue_head: Path) -> Path:
    """Make a copy of the glue head quick, in place."""
    glue_head.write_text(quick_text(glue_head.read_text()))
    objects = glue_head.with_suffix(".eds")
    objects.write_text(slower_heartbeat(objects.read_text()))
    return glue_head


@pytest.fixture
def quick(glue_head: Path) -> Path:
    """A copy of the glue head with short windows; for the bench, and made real by `on_real_ports`."""
    return make_quick(glue_head)


@dataclass
class LongRun:
    """The whole catalogue in real time: the bench, the run, and where its folder is made."""

    bench: BenchProcess
    run: Process
    runs: Path


@pytest.fixture(scope="session", autouse=True)
def long_run(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, fixtures_dir: Path
) -> Iterator[LongRun | None]:
    """Start the whole catalogue in real time with the first test of this folder, if a test waits for it.

    It takes minutes and next to no processor time: the other tests of this folder run meanwhile.
    """
    wanted = [each for each in request.session.items if NEEDS_THE_LONG_RUN in _asked_for(each)]
    if not wanted:
        yield None
        return
    folder = tmp_path_factory.mktemp("long_run")
    for file in fixtures_dir.glob("glue_head*"):
        shutil.copy(file, folder / file.name)
    quick, runs = make_quick(folder / "glue_head.toml"), folder / "runs"
    with bench_process(quick) as bench:
        real = on_real_ports(quick, bench.places)
        with hiltest("accept", real, "--out", runs, "--serial", "SN1", cwd=folder) as run:
            yield LongRun(bench, run, runs)


def _asked_for(item: pytest.Item) -> tuple[str, ...]:
    """The fixtures that a test names itself."""
    function = getattr(item, "function", None)
    return () if function is None else function.__code__.co_varnames[: function.__code__.co_argcount]
