"""report.html"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.evidence.model import RunRecord

if TYPE_CHECKING:
    from hiltest.description.models import Description


def render(record: RunRecord, description: Description | None) -> str:
    return "<!doctype html>"
