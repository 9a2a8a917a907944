"""Fans: what runs down from an earlier test is no answer, and speeds are read once they hold."""

from __future__ import annotations

from typing import Any

import pytest

from .boards import ALONE, accept
from .files import FIXTURES, edited

BOTH = ("fan.tach[electronics]", "fan.tach[nozzle]")


def fans(*faults: str, seed: int = 4) -> dict[str, Any]:
    record = accept(*faults, seed=seed, operator=False, only=BOTH)
    return {each.name: each for each in record.checks}


@pytest.mark.parametrize("seed", [3, 4, 11, 17])
def test_a_fan_that_runs_down_is_not_taken_for_another(seed: int) -> None:
    """Seed 3 has a slow first fan, which still turns when the second one's test begins."""
    found = fans(seed=seed)
    assert [found[name].outcome for name in BOTH] == ["passed", "passed"]


def test_speeds_agree_whichever_way_they_are_reached() -> None:
    """Each duty is read downwards and upwards; a fan that is read on its way would differ."""
    found = fans()["fan.tach[nozzle]"]
    ratios = [m.value for m in found.measurements if "upwards over downwards" in m.name]
    assert len(ratios) == 2
    assert all(0.95 <= ratio <= 1.05 for ratio in ratios)


@pytest.mark.parametrize(
    ("fault", "fails", "says"),
    [
        ("fan_stuck_on[electronics]", "fan.tach[electronics]", "speed at zero duty"),
        ("fans_swapped", "fan.tach[electronics]", "speed at full duty"),
        ("fan_control_open[nozzle]", "fan.tach[nozzle]", "speed rises with duty"),
        ("fan_inverted[nozzle]", "fan.tach[nozzle]", "speed"),
        ("fan_starts_late[nozzle]=0.5", "fan.tach[nozzle]", "speed from rest"),
        ("tach_wrong_pulses[nozzle]", "fan.tach[nozzle]", "check pulses_per_rev"),
        ("tach_uneven[nozzle]", "fan.tach[nozzle]", "scatter of the speed's reading"),
        ("fan_slow[nozzle]", "fan.tach[nozzle]", "speed at full duty"),
    ],
)
def test_a_fan_that_is_wrong_says_in_what(fault: str, fails: str, says: str) -> None:
    """Each cause by the measurement that shows it."""
    found = fans(fault)[fails]
    assert found.outcome == "failed"
    assert says in found.reason


def test_a_wrong_supply_reading_drags_no_fan_down() -> None:
    """A scale ten times too large fails by itself; the fan, judged by the nominal supply too, passes and says so."""
    scale = ('"0x6401:1", scale = 0.001', '"0x6401:1", scale = 0.01')
    file = edited(FIXTURES / "glue_head.toml", scale, ALONE)
    found = {each.name: each for each in accept(file=file, only=("sense.supply[head]", BOTH[1])).checks}
    assert found["sense.supply[head]"].outcome == "failed"
    assert found[BOTH[1]].outcome == "passed"
    assert any("sense.supply has not passed" in note for note in found[BOTH[1]].notes)


def test_a_fan_that_never_stands_still_is_not_laid_to_the_other() -> None:
    """The one that is stuck on fails by itself; the other's test only notes that it turned before."""
    found = fans("fan_stuck_on[electronics]")
    assert found["fan.tach[nozzle]"].outcome == "passed"
    assert any("turned before" in note for note in found["fan.tach[nozzle]"].notes)
