"""A broken device floods the bus with random frames at the full rate while checks run.

No check crashes, none passes that would not pass without the garbage, nothing stays on, and memory is bounded.
"""

from __future__ import annotations

import re
import resource
from dataclasses import dataclass

import pytest

from hiltest.campaign.runner import run_one
from hiltest.canbus.accounting import IDS_MAX
from hiltest.evidence.model import CheckResult
from hiltest.session import Run, load
from hiltest.settings import Settings

from .boards import FIXTURES, accept, outcomes, without_operator

GLUE_HEAD = FIXTURES / "glue_head.toml"
STORM = "garbage_storm"
RELEASED = "a test of what garbage on the bus does"
CRASH = re.compile(r"\b(?!HiltestError)[A-Z]\w*(?:Error|Exception)\b: ")
OUTCOMES = {"failed", "error", "not observable"}
MEMORY_MAX_KB = 200_000


@dataclass(frozen=True)
class Row:
    """A check under the storm, with a fault that it must still not pass."""

    check: str
    fault: str


TABLE = (
    Row("bus.enumerate[head]", "wrong_product"),
    Row("fan.tach[nozzle]", "fan_stalled[nozzle]"),
    Row("heat.pulse[reservoir]", "heater_open"),
    Row("motion.direction[pump]", "stepper_reversed"),
    Row("safe.host_silence[head]", "host_watch_missing"),
)


def test_garbage_from_the_start_is_found_before_anything_is_energised() -> None:
    """The quiet bus is not quiet: rejected, and everything else says that its gate is closed."""
    record = accept(STORM, operator=False)
    found = outcomes(record)

    assert record.verdict == "rejected"
    assert found["bus.quiet[can]"] == "failed"
    assert {found[name] for name in found if name.startswith(("heat.", "fan.", "motion.", "safe."))} == {
        "not run"
    }
    assert not [check for check in record.checks if CRASH.search(check.reason)]


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_a_check_in_the_middle_of_garbage_neither_crashes_nor_is_deceived(row: Row) -> None:
    """Its gates passed before the device broke; what it then says is a verdict or a clear error, in its window."""
    file = without_operator(GLUE_HEAD)
    settings = Settings(file=file, simulate=True, seed=1, faults=(STORM, row.fault), release=RELEASED)
    before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    run = Run(settings, load(settings))
    bound = next(each for each in run.every if each.name == row.check)
    run.planned = [bound]
    opened = run.opened()
    bench = opened.link.port.bus.bench
    adapter = bench.adapter()
    for gate in run.every:
        run.results[gate.name] = CheckResult(gate.name, "passed")
    try:
        run_one(run, bound)
        ended = run.results[row.check]
        took_s = bench.now_s
        opened.link.run_for(2.0)
        on = bench.truth.outputs_on()
    finally:
        run.close()

    assert ended.outcome in OUTCOMES
    assert not CRASH.search(ended.reason), ended.reason
    assert len(ended.reason) > 10
    assert took_s < bound.window_s + 30.0
    assert opened.link.frames_seen > 1_000, "there was no storm"
    assert adapter.waiting_to_read <= adapter.policy.receive_frames
    assert not on
    account = opened.accounts["can"]
    account.settle()
    assert len(account.ids) <= IDS_MAX
    assert account.frames > account.other_frames
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb < MEMORY_MAX_KB
