"""A quick glue head for tests in real time."""

from __future__ import annotations

from pathlib import Path

import pytest

from .rig import quick_text, slower_heartbeat


@pytest.fixture
def quick(glue_head: Path) -> Path:
    """A copy of the glue head that is tested in a minute; for the bench, and made real by `on_real_ports`."""
    glue_head.write_text(quick_text(glue_head.read_text()))
    objects = glue_head.with_suffix(".eds")
    objects.write_text(slower_heartbeat(objects.read_text()))
    return glue_head
