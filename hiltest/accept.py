"""`hiltest accept`: the catalogue under pytest, with a live display in place of pytest's own output.

`hiltest desk` runs the paper checks of the same catalogue, without pytest and without a bench.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hiltest.errors import HiltestError, UsageError
from hiltest.settings import Settings

if TYPE_CHECKING:
    from hiltest.evidence.model import RunRecord
    from hiltest.progress import Progress
    from hiltest.session import Run

ACCEPTED, REJECTED, WRONG_USE, NO_BENCH, INCOMPLETE = 0, 1, 2, 3, 4
BY_VERDICT = {"accepted": ACCEPTED, "rejected": REJECTED, "incomplete": INCOMPLETE}
CATALOGUE = Path(__file__).parent / "catalogue"


class _Quiet:
    """Gives pytest the run, and keeps its own words to itself: they are shown only when something went wrong."""

    def __init__(self, run: Run) -> None:
        self.text = io.StringIO()
        self.record: RunRecord | None = None
        self._run = run

    @pytest.hookimpl(trylast=True)
    def pytest_configure(self, config: pytest.Config) -> None:
        from _pytest.terminal import TerminalReporter

        from hiltest.benches import BENCHES, Bench, Benches

        config.stash[BENCHES] = Benches([Bench("bench", self._run.settings, self._run)])
        old = config.pluginmanager.getplugin("terminalreporter")
        if old is not None:
            config.pluginmanager.unregister(old)
            config.pluginmanager.register(TerminalReporter(config, self.text), "terminalreporter")

    @pytest.hookimpl(trylast=True)
    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        from hiltest.benches import BENCHES

        self.record = session.config.stash[BENCHES][0].record


def accept(settings: Settings, as_json: bool = False) -> int:
    """Run the catalogue for one unit and return the exit code.

    Raises:
        UsageError: the description or a setting can't be used.
    """
    run, watcher = _run_for(settings, as_json)
    run.planned = run.chosen()
    if watcher is not None:
        watcher.plan(len(run.planned))
    run.start()  # a place where nothing can be kept is told before anything is energised
    quiet = _Quiet(run)
    with _clean_environment(), _terminated_like_interrupted():
        status = pytest.main(_arguments(), plugins=[quiet])
    record = quiet.record
    if record is None or not record.checks:
        raise HiltestError(
            f"the catalogue could not be run (pytest ended with {status!r}):\n{quiet.text.getvalue()[-4000:]}"
        )
    if watcher is None:
        _print_json(record)
    else:
        watcher.finish(record, run.folder)
    if record.verdict != "rejected":
        if run.unusable:
            raise UsageError(run.unusable)
        if run.not_opened:
            return NO_BENCH
    return BY_VERDICT[record.verdict]


def _run_for(settings: Settings, as_json: bool) -> tuple[Run, Progress | None]:
    """A run, and the display that follows it unless JSON was asked for."""
    from hiltest.progress import Progress
    from hiltest.session import Run, load

    loaded = load(settings)
    watcher = None if as_json else Progress(loaded)
    return Run(settings, loaded, watcher), watcher


def desk(file: Path, as_json: bool = False) -> int:
    """Run the checks that need no bench and return the exit code: 0 all passed, 1 one did not.

    Raises:
        UsageError: the description can't be used.
    """
    from hiltest.campaign.runner import run_one

    run, watcher = _run_for(Settings(file=file), as_json)
    run.planned = [bound for bound in run.every if bound.spec.group == "desk"]
    for bound in run.planned:
        run_one(run, bound)
    record = run.close()
    if watcher is None:
        _print_json(record)
    else:
        watcher.show(record)
    return REJECTED if run.open_ends() else ACCEPTED


def _print_json(record: RunRecord) -> None:
    from hiltest.evidence.codec import page_of, record_to_dict

    try:
        sys.stdout.write(page_of(record_to_dict(record)))
        sys.stdout.flush()
    except BrokenPipeError:
        # Whoever read has seen enough; the verdict and its exit code stand. Python would complain once more at its end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _arguments() -> list[str]:
    return [
        "--pyargs",
        "hiltest.catalogue",
        "-c",
        os.devnull,
        f"--rootdir={CATALOGUE.parent}",
        "--noconftest",
        "--assert=plain",  # rewriting the whole package would cost seconds on the first run
        "-p",
        "hiltest.plugin",
        "-p",
        "pytest_timeout",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:unraisableexception",  # collects all garbage twice; Python itself tells what was raised
    ]


@contextlib.contextmanager
def _clean_environment() -> Iterator[None]:
    """Keep the user's own pytest settings and plugins out of an acceptance run."""
    names = ("PYTEST_ADDOPTS", "PYTEST_PLUGINS", "PYTEST_DISABLE_PLUGIN_AUTOLOAD")
    kept = {name: os.environ.pop(name) for name in names if name in os.environ}
    os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"] = "1"
    try:
        yield
    finally:
        del os.environ["PYTEST_DISABLE_PLUGIN_AUTOLOAD"]
        os.environ.update(kept)


@contextlib.contextmanager
def _terminated_like_interrupted() -> Iterator[None]:
    """SIGTERM and SIGHUP end the run as Ctrl-C does: outputs off, records complete."""

    def interrupt(_number: int, _frame: Any) -> None:
        raise KeyboardInterrupt

    old = {number: signal.signal(number, interrupt) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in old.items():
            signal.signal(number, handler)
