"""A run over the serial-line door that ends at random moments. benches/guard_moments.py does it more often."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from .moments import Ended, live_through
from .rig import WATCHED_S

TURNING = "fan.tach[electronics]"
PRINTING_S = 1.0
"""From what happens on the bench until its line is read here, on a busy machine."""


UNPLUGGED_AT_S = (16.0, 26.0, 21.0)
"""Of the bench's time. The fan turns 7 to 14 and 16 to 22 s after the run has opened the bus, which is some 2 to 14 s
after the bench was ready, as fast as the machine is: one of the three falls into it."""


@pytest.mark.timeout(350)
@pytest.mark.parametrize("kind", ["killed", "unplugged"])
def test_when_the_host_ends_outputs_are_off_in_time_and_the_journal_is_whole(
    quick: Path, tmp_path: Path, kind: str
) -> None:
    """While a fan turns: killed at a reading drawn at random, or the adapter's port hung up while the bench goes on."""
    tries = (
        [(kind, 0.0, random.Random(17).randrange(2, 40))]
        if kind == "killed"
        else [(kind, after_s, 0) for after_s in UNPLUGGED_AT_S]
    )
    for number, moment in enumerate(tries):
        (found,) = live_through(quick, tmp_path / f"moment-{number}", [moment], (TURNING,))
        _safe_and_whole(found)
        if found.on_before:
            break
    assert found.on_before == ["fan:electronics"]


def _safe_and_whole(found: Ended) -> None:
    assert found.on_after == []
    assert found.late_s <= WATCHED_S + PRINTING_S
    assert found.lost_lines == 0
    assert found.measured_before > 0
    assert found.is_whole
    assert found.verdict != "accepted"
