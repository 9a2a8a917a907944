"""Tables of faults of one board: the check that must find each, and what must not have been run then."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .boards import accept, outcomes


@dataclass(frozen=True)
class Row:
    """A fault, the check that must fail and what it must say, and checks that must not have been run.

    `beside` are checks to be run as well, `operator` a person who takes part.
    """

    fault: str
    fails: str
    not_run: tuple[str, ...] = ()
    says: str = ""
    beside: tuple[str, ...] = ()
    operator: bool = False


def judge(row: Row, file: Path, whole: bool = False) -> None:
    """Run what the row names, or the whole catalogue: rejected by the right check, nothing unsafe run, nothing left on."""
    truth: dict[str, Any] = {}

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(2.0)
        truth["on"] = bench.truth.outputs_on()

    only = () if whole else (row.fails, *row.not_run, *row.beside)
    record = accept(row.fault, file=file, before_close=look, only=only)
    found = outcomes(record)
    check = next(each for each in record.checks if each.name == row.fails)
    assert record.verdict == "rejected", record.verdict_reason
    assert check.outcome == "failed", f"{row.fails}: {check.outcome}; {record.verdict_reason}"
    assert row.says in check.reason
    for name in row.not_run:
        assert found[name] in ("not run", "not observable"), f"{name}: {found[name]}"
    assert not truth["on"], f"left on after the run: {truth['on']}"
