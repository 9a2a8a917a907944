"""The adapter is pulled out of the host in the middle of every check that speaks to the bench."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hiltest.campaign.runner import run_one
from hiltest.catalogue.registry import BoundCheck
from hiltest.evidence.model import CheckResult
from hiltest.session import Run, load
from hiltest.settings import Settings

GLUE_HEAD = Path(__file__).resolve().parents[1] / "fixtures" / "glue_head.toml"
WITHOUT_BUS = ("desk", "cold")
AFTER_S = 0.1
WATCH_S = 3.0
"""More than the node's own watch on its host needs."""
RELEASED = "a test of what a lost adapter does"


def new_run() -> Run:
    settings = Settings(file=GLUE_HEAD, simulate=True, seed=1, release=RELEASED)
    return Run(settings, load(settings))


NAMES = [bound.name for bound in new_run().every if bound.spec.group not in WITHOUT_BUS]


@pytest.mark.parametrize("name", NAMES)
def test_a_check_whose_adapter_is_pulled_out_ends_in_a_clear_error(name: str) -> None:
    """No hang and no verdict about the unit; what comes next is not run; the node drops what was on."""
    run = new_run()
    bound, following = _with_the_next(run, name)
    bench = run.opened().link.port.bus.bench  # type: ignore[attr-defined]
    bench.run_for(2.0)  # booted
    for gate in run.every:
        run.results[gate.name] = CheckResult(gate.name, "passed")
    run.memory["observers of can"] = ["the adapter"]  # what bus.observer would have left
    bench.queue.after(round(AFTER_S * 1e9), bench.adapter().unplug)
    try:
        run_one(run, bound)
        run_one(run, following)
        bench.run_for(WATCH_S)
        on = bench.truth.outputs_on()
    finally:
        record = run.close()
    ended: Any = {check.name: check for check in record.checks}

    assert ended[name].outcome == "error", ended[name].reason
    assert "no such device" in ended[name].reason
    assert ended[following.name].outcome == "not run"
    assert "the bench was lost" in ended[following.name].reason
    assert record.verdict == "incomplete"
    assert not on


def _with_the_next(run: Run, name: str) -> tuple[BoundCheck, BoundCheck]:
    names = [bound.name for bound in run.every]
    at = names.index(name)
    return run.every[at], run.every[(at + 1) % len(names)]
