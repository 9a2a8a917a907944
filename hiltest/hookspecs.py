"""Hooks that a conftest.py or a plugin of one's own may implement, beside pytest's.

They work under plain pytest. `hiltest accept` reads no conftest.py: what it says rests on the description alone.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from hiltest.description.models import Description
    from hiltest.evidence.model import RunRecord


@pytest.hookspec(firstresult=True)
def pytest_hil_skip(check: str, target: Any, description: Description) -> str | None:
    """Say why a check of the catalogue is not to be run on this bench, or None.

    Its outcome is then "not run" with this reason; what it is a gate for is not run either, and the verdict is
    incomplete.

    Args:
        check: its name, like "fan.tach[nozzle]".
        target: the part of the description that it is about.
        description: the fixture description.
    """


@pytest.hookspec
def pytest_hil_limits(check: str, name: str, unit: str) -> tuple[float | None, float | None] | None:
    """Give further limits (low, high) to a measurement, in its unit; None for neither.

    They hold beside those of the catalogue: of two lows the higher counts, of two highs the lower. A limit can
    so be made tighter, never wider.

    Args:
        check: the check or test that measures, like "heat.low_setpoint[reservoir]" or a test's node id.
        name: what is measured, as it stands in the report.
        unit: of value and limits.
    """


@pytest.hookspec
def pytest_hil_verdict(bench: str, record: RunRecord, folder: Path | None) -> None:
    """Take notice of how the run on a bench ended: outputs are off and the records are written.

    Args:
        bench: its name in this session.
        record: everything that was found.
        folder: the run folder, or None without --hil-out.
    """
