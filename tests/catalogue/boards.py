"""Runs the catalogue on simulated boards, for tests. No pytest inside: a run takes a few seconds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from hiltest.campaign.runner import run_catalogue
from hiltest.evidence.model import RunRecord
from hiltest.settings import Settings

from .files import FIXTURES, edited

ALONE = ("operator = true", "operator = false")


def accept(
    *faults: str,
    seed: int = 1,
    file: Path = FIXTURES / "glue_head.toml",
    out: Path | None = None,
    before_close: Callable[[Any], None] | None = None,
    operator: bool = True,
    answers: Path | None = None,
    only: tuple[str, ...] = (),
) -> RunRecord:
    """Run every check on one simulated board, or `only` some and their gates.

    Without `operator` the board gets past what a person would have found first: cold, switch and lamp checks do
    not belong to the catalogue then.
    """
    if not operator:
        file = without_operator(file)
    settings = Settings(file=file, simulate=True, seed=seed, faults=faults, out=out, answers=answers)
    return run_catalogue(settings, before_close, only)


def without_operator(file: Path) -> Path:
    """A copy of a description, with the files beside it, in which nobody takes part."""
    return edited(file, ALONE)


def outcomes(record: RunRecord) -> dict[str, str]:
    """Outcome of each check by name."""
    return {check.name: check.outcome for check in record.checks}
