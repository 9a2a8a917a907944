"""A run over the serial-line door that ends at random moments. benches/guard_moments.py does it more often."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from .moments import live_through
from .rig import WATCHED_S

TURNING = "fan.tach[electronics]"
PRINTING_S = 1.0
"""From what happens on the bench until its line is read here, on a busy machine."""


@pytest.mark.timeout(350)
@pytest.mark.parametrize("kind", ["killed", "unplugged"])
def test_when_the_host_ends_outputs_are_off_in_time_and_the_journal_is_whole(
    quick: Path, tmp_path: Path, kind: str
) -> None:
    """Killed while a fan turns, at a reading drawn at random; or the adapter's port hung up while the bench goes on."""
    samples = random.Random(17).randrange(2, 40) if kind == "killed" else 0
    after_s = 0.0 if kind == "killed" else 30.0  # then the check may or may not have begun
    (found,) = live_through(quick, tmp_path / "moments", [(kind, after_s, samples)], (TURNING,))
    if kind == "killed":
        assert found.on_before == ["fan:electronics"]
    assert found.on_after == []
    assert found.late_s <= WATCHED_S + PRINTING_S
    assert found.lost_lines == 0
    assert found.measured_before > 0
    assert found.is_whole
    assert found.verdict != "accepted"
