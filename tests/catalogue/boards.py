"""Runs the catalogue on simulated boards, for tests. No pytest inside: a run takes a few seconds."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from hiltest.campaign.runner import run_catalogue
from hiltest.evidence.model import RunRecord
from hiltest.settings import Settings

FIXTURES = Path(__file__).parents[2] / "fixtures"


def accept(
    *faults: str,
    seed: int = 1,
    file: Path = FIXTURES / "glue_head.toml",
    out: Path | None = None,
    before_close: Callable[[Any], None] | None = None,
) -> RunRecord:
    """Run every check on one simulated board."""
    settings = Settings(file=file, simulate=True, seed=seed, faults=faults, out=out)
    return run_catalogue(settings, before_close)


def outcomes(record: RunRecord) -> dict[str, str]:
    """Outcome of each check by name."""
    return {check.name: check.outcome for check in record.checks}
