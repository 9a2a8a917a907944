"""Why does the node not answer: each branch of the questions, on the fault that belongs to it."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue import _bus, _why
from hiltest.description.loading import load_description
from hiltest.evidence.model import CheckResult

from .boards import FIXTURES, accept

ENUMERATE, QUIET = "bus.enumerate[head]", "bus.quiet[can]"


@dataclass(frozen=True)
class Row:
    """`first` stands in the likeliest cause, `steps` in what was found on the way, `also` among the causes."""

    fault: str
    fails: str
    first: str
    steps: str
    next: str = ""
    also: tuple[str, ...] = ()


# Faults that start at 2.05 s let the bus be quiet at first, which saves the time of a storm.
TABLE = (
    Row("no_node", ENUMERATE, "no power", "Nobody acknowledges", "lamp"),
    Row(
        "can_unplugged@2.05",
        ENUMERATE,
        "no power",
        "Nobody acknowledges",
        also=("CAN wires open", "exchanged"),
    ),
    Row("can_h_open@2.05", ENUMERATE, "no power", "Nobody acknowledges", also=("CAN wires open",)),
    Row("can_swapped", ENUMERATE, "exchanged", "bit0", "from end to end"),
    Row("can_h_l_short", ENUMERATE, "touch each other", "bus-off", "0 to 5 ohm"),
    Row("wrong_bit_rate", QUIET, "500,000 bit/s", "good frames at 500,000", "same bit rate"),
    Row("wrong_bit_rate=250000@2.05", ENUMERATE, "250,000 bit/s", "good frames at 250,000"),
    Row("no_terminator", QUIET, "no terminator", "no good frame at any", "over 1 kohm"),
    Row("stays_in_loader", ENUMERATE, "boot loader", "somebody acknowledges", "console"),
    Row("unconfigured_node", ENUMERATE, "never given a node id", "somebody acknowledges", "CiA 305"),
    Row("hangs_behind_heartbeat", ENUMERATE, "hangs", "Node 5 is alive"),
    Row("wrong_node_id", QUIET, "another node id: 9", "but under 9"),
)


def failed_check(fault: str, name: str, **options: Any) -> CheckResult:
    record = accept(fault, operator=False, only=(ENUMERATE,), **options)
    return next(check for check in record.checks if check.name == name)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_the_likeliest_cause_is_the_fault(row: Row) -> None:
    """The check fails, names the cause first, says what was found and what to measure next."""
    check = failed_check(row.fault, row.fails)
    assert check.outcome == "failed"
    told = next(note for note in check.notes if "Likely causes" in note)
    assert all(cause in told for cause in row.also)
    steps, causes = told.split("Likely causes, in the order in which to look:\n")
    first = causes.splitlines()[0]
    assert row.first in first, told
    assert row.steps in steps, told
    assert row.next in first.split("Next: ")[1], told
    assert row.first in check.reason
    assert check.ended_s - check.started_s < 12.0


def test_a_bus_that_is_alive_is_not_disturbed() -> None:
    """While a node that hangs keeps its heartbeat, the questions cause not one error frame."""
    truth: dict[str, int] = {}

    def look(run: Any) -> None:
        truth["errors"] = run.opened().link.port.bus.bench.wires["can"].error_frames

    check = failed_check("hangs_behind_heartbeat", ENUMERATE, before_close=look)
    assert check.outcome == "failed"
    assert truth["errors"] == 0


class _Port:
    """An adapter that can't listen without taking part."""

    def state(self) -> str:
        return "active"


class _Link:
    port = _Port()

    def reopen(self, bit_rate_bps: int) -> None:
        raise AssertionError("nothing is reopened where the adapter can't listen only")


def test_without_listen_only_no_other_bit_rate_is_tried() -> None:
    """An adapter that would disturb the bus by listening at a wrong rate is left alone, and that is said."""
    bus = load_description(FIXTURES / "glue_head.toml").description.bus[0]
    seen = _bus.Seen(2.0, 0, Counter(), 50, "stuff 50", [])
    diagnosis = _why.why_unheard(_Link(), bus, seen)  # type: ignore[arg-type]
    assert diagnosis.bit_rate_found_bps is None
    assert "can't listen without taking part" in diagnosis.text()
    assert "no terminator" in diagnosis.causes[0].what


def test_an_adapter_that_hides_errors_gives_no_false_comfort(tmp_path: Path) -> None:
    """Silence with an adapter that reports nothing is told as unknown, not as acknowledged."""
    for each in FIXTURES.glob("glue_head*"):
        shutil.copy(each, tmp_path)
    file = tmp_path / "glue_head.toml"
    text = file.read_text(encoding="utf-8") + "\n[simulation.adapter]\nreports_errors = false\n"
    file.write_text(text, encoding="utf-8")
    check = failed_check("no_node", ENUMERATE, file=file)
    assert check.outcome == "failed"
    assert "reports no errors" in check.notes[-1].splitlines()[3]
