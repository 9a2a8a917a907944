"""A broken device floods the bus with random frames at the full rate while checks run.

No check crashes, none passes that would not pass without the garbage, nothing stays on, and memory is bounded.
"""

from __future__ import annotations

import gc
import re
import sys
from dataclasses import dataclass
from pathlib import Path

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
REASON_MAX = 1_500
"""Characters: what a person reads to its end."""


@dataclass(frozen=True)
class Row:
    """A check under the storm, with a fault that it must still not pass."""

    check: str
    fault: str
    file: Path = GLUE_HEAD


TABLE = (
    Row("bus.enumerate[head]", "wrong_product"),
    Row("fan.tach[nozzle]", "fan_stalled[nozzle]"),
    Row("heat.pulse[reservoir]", "heater_open"),
    Row("motion.direction[pump]", "stepper_reversed"),
    Row("safe.host_silence[head]", "host_watch_missing"),
    # Nodes that speak in frames of their own and in signals: who is a stranger is told by the identifier.
    Row("bus.enumerate[bar]", "wrong_product", FIXTURES / "label_peel.toml"),
    Row("bus.enumerate[vent]", "wrong_product", FIXTURES / "vent_actuator.toml"),
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


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"{row.check} {row.fault}")
def test_a_check_in_the_middle_of_garbage_neither_crashes_nor_is_deceived(row: Row) -> None:
    """Its gates passed before the device broke; what it then says is a verdict or a clear error, in its window."""
    file = without_operator(row.file)
    settings = Settings(file=file, simulate=True, seed=1, faults=(STORM, row.fault), release=RELEASED)
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
    assert 10 < len(ended.reason) < REASON_MAX, len(ended.reason)
    assert all(len(each.note) < REASON_MAX for each in ended.measurements)
    assert took_s < bound.window_s + 30.0
    assert opened.link.frames_seen > 1_000, "there was no storm"
    assert adapter.waiting_to_read <= adapter.policy.receive_frames
    assert not on
    account = opened.accounts["can"]
    account.settle()
    assert len(account.ids) <= IDS_MAX
    assert account.frames > account.other_frames


def test_a_storm_leaves_nothing_behind(monkeypatch: pytest.MonkeyPatch) -> None:
    """What is kept of it is full after some thousand identifiers, and grows no more: told by the interpreter's count of
    memory blocks, of which one frame takes three. The simulated wire's own memory of lengths is kept small.
    """
    monkeypatch.setattr("hiltest.simbench.wire.KEPT_LENGTHS", 100)
    settings = Settings(file=without_operator(GLUE_HEAD), simulate=True, seed=1, faults=(STORM,))
    run = Run(settings, load(settings))
    blocks: list[int] = []
    frames: list[int] = []
    try:
        link = run.opened().link
        for for_s in (1.5, 1.0):
            link.run_for(for_s)
            gc.collect()
            blocks.append(sys.getallocatedblocks())
            frames.append(link.frames_seen)
    finally:
        run.close()
    came = frames[1] - frames[0]
    assert came > 5_000, "there was no storm"
    assert blocks[1] - blocks[0] < came / 2
