"""A node with many loads: the same catalogue runs on it, finds a fault of the last of each kind, and grows linearly."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from hiltest.evidence.model import RunRecord
from tests import many_loads

from .boards import accept, outcomes

COUNTS = {"heaters": 3, "fans": 4, "steppers": 5, "switches": 10}


@pytest.fixture(scope="module")
def big(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """3 heaters, 4 fans, 5 steppers and 10 switches, and nobody who takes part."""
    return many_loads.write_description(
        many_loads.board_with(**COUNTS), tmp_path_factory.mktemp("many"), operator=False
    )


def test_a_healthy_node_with_many_loads_is_accepted(tmp_path: Path) -> None:
    """Each load is tested by every check of its kind: those of a person with an ohmmeter and a finger among them.

    The last axis has its objects at 0x8040, the last switch its bit in the second byte.
    """
    record = accept(file=many_loads.write_description(many_loads.board_with(**COUNTS), tmp_path))
    assert record.verdict == "accepted", record.verdict_reason
    tested = {name for name, outcome in outcomes(record).items() if outcome == "passed"}
    assert len(tested) == len(record.checks)
    for letter, count, checks in (
        ("h", 3, ("cold.heater", "heat.pulse", "heat.low_setpoint", "safe.over_temperature")),
        ("s", 3, ("cold.sensor", "sense.ambient")),
        ("f", 4, ("fan.tach",)),
        ("m", 5, ("cold.coils", "motion.driver_ready", "motion.direction", "motion.return")),
        ("w", 10, ("switch.by_hand",)),
    ):
        for number in range(1, count + 1):
            assert {f"{check}[{letter}{number}]" for check in checks} <= tested


@pytest.mark.parametrize(
    ("fault", "fails", "still"),
    [
        ("heaters_swapped[h2+h3]", "heat.pulse[h3]", "heat.pulse[h1]"),
        ("fan_stalled[f4]", "fan.tach[f4]", "fan.tach[f3]"),
        ("stepper_reversed[m5]", "motion.direction[m5]", "motion.direction[m4]"),
        ("switch_stuck[w5]", "motion.direction[m5]", "motion.direction[m4]"),
        ("motors_swapped[m4+m5]", "motion.direction[m5]", "motion.direction[m3]"),
    ],
)
def test_a_fault_of_the_last_of_its_kind_is_found(big: Path, fault: str, fails: str, still: str) -> None:
    """And the others of the kind pass."""
    found = outcomes(accept(fault, file=big, only=(fails, still)))
    assert (found[fails], found[still]) == ("failed", "passed")


@cache
def _run_of(count: int, folder: Path) -> RunRecord:
    board = many_loads.board_with(count, count, count, count)
    record = accept(file=many_loads.write_description(board, folder / str(count), operator=False))
    assert record.verdict == "accepted", record.verdict_reason
    return record


def test_what_a_run_costs_grows_linearly(tmp_path_factory: pytest.TempPathFactory) -> None:
    """From one of each to two costs as much for each as from two to three, in bench time: what somebody waits.

    It is exact in simulated time; processor time is measured by benches/bench_loads.py. Frames grow a little faster: a
    node with more to tell has more messages of process data (three at most), and sends them through the whole time. The
    fans differ, and a block that has waited for the others is heated again: more than that is no tolerance.
    """
    folder = tmp_path_factory.mktemp("growing")
    runs = [_run_of(count, folder) for count in (1, 2, 3)]
    assert _growth([run.bench_s for run in runs]) < 1.2
    assert _growth([float(run.bus_statistics["can"]["frames"]) for run in runs]) < 1.4


def _growth(costs: list[float]) -> float:
    """The second step over the first."""
    return (costs[2] - costs[1]) / (costs[1] - costs[0])
