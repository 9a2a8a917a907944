"""A trip of the guard on a bench with a supply: the power is gone, and nothing more is done with the unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hiltest.campaign.runner import run_one
from hiltest.errors import GuardTripped
from hiltest.session import Run, load
from hiltest.settings import Settings
from hiltest.simbench.boardprogram import CAUSE_WATCHDOG

SUPPLY = '\n[bench_supply]\nport = "/dev/ttyUSB9"\n'


def live_run(file: Path) -> tuple[Run, Any]:
    settings = Settings(file=file, simulate=True, seed=2, release="a test of the guard")
    run = Run(settings, load(settings))
    run.planned = list(run.every)
    return run, run.opened().link.port.bus.bench  # type: ignore[attr-defined]


def trip(run: Run, bench: Any) -> Any:
    """Heat, let the node restart by itself, and end the check as the runner does."""
    run.begin("test.of_mine", "heater[reservoir]", 60.0)
    node = run.node("head")
    node.set_heater_c("reservoir", 50.0)
    run.opened().link.run_for(1.0)
    assert "heater:reservoir" in bench.truth.outputs_on()
    bench.boards["head"].reset(CAUSE_WATCHDOG)
    with pytest.raises(GuardTripped, match="restarted by itself") as caught:
        run.opened().link.run_for(5.0)
    return run.conclude(caught.value)


def test_a_trip_takes_the_power_away_and_ends_the_run(glue_head: Path) -> None:
    """The rail is down, the result says so, and the next check says which one stopped the run."""
    glue_head.write_text(glue_head.read_text() + SUPPLY)
    run, bench = live_run(glue_head)
    try:
        result = trip(run, bench)
        assert result.outcome == "failed"
        assert any("was switched off by the guard and shows 0.0 V" in note for note in result.notes), (
            result.notes
        )
        assert bench.boards["head"].rail_v < 1.0
        assert not bench.truth.outputs_on()
        bound = next(each for each in run.every if each.name == "sense.supply[head]")
        run_one(run, bound)
        assert run.results[bound.name].outcome == "not run"
        assert "test.of_mine stopped the run" in run.results[bound.name].reason
    finally:
        run.close()


def test_without_a_supply_the_outputs_are_commanded_off(glue_head: Path) -> None:
    """The run goes on: the node obeyed."""
    run, bench = live_run(glue_head)
    try:
        result = trip(run, bench)
        assert result.outcome == "failed"
        assert not bench.truth.outputs_on()
        assert bench.boards["head"].rail_v > 20.0
        assert not run.stopped_by
    finally:
        run.close()
