"""The first faults: each is wired into the simulation, and the check that a practitioner expects must fail.

One table holds fault, the check that must fail, and the checks that must not have run because they would have
energised something unsafe. The bench's hidden truth is asked what really happened.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hiltest.evidence.model import RunRecord
from hiltest.evidence.runfolder import read_run

from .boards import accept, outcomes

INSIDE = Path(__file__).parents[1] / "accept_inside.py"

HEAT = ("heat.pulse[reservoir]", "heat.low_setpoint[reservoir]")
LOOP = ("heat.low_setpoint[reservoir]",)
MOVE = ("motion.direction[pump]", "motion.return[pump]")
FANS = ("fan.tach[electronics]", "fan.tach[nozzle]")
EVERYTHING = (*FANS, *HEAT, *MOVE, "safe.host_silence[head]")
POWER = ("cold.power_on[can]", "bus.quiet[can]", *EVERYTHING)


@dataclass(frozen=True)
class Row:
    fault: str
    fails: str
    not_run: tuple[str, ...] = ()
    says: str = ""


TABLE = (
    Row("no_node", "bus.enumerate[head]", EVERYTHING, "Nobody acknowledges"),
    Row("wrong_bit_rate", "bus.quiet[can]", EVERYTHING, "error reports"),
    Row("duplicate_node_id", "bus.enumerate[head]", EVERYTHING, "2 boards"),
    Row("can_h_open", "bus.enumerate[head]", EVERYTHING),
    Row("can_l_open", "bus.enumerate[head]", EVERYTHING),
    Row("can_h_l_short", "cold.pair[can]", POWER, "shorted"),
    Row("noise_bursts", "bus.quiet[can]", EVERYTHING),
    Row("heater_open", "cold.heater[reservoir]", HEAT, "open"),
    Row("heater_weak", "cold.heater[reservoir]", HEAT, "too high"),
    Row("sensor_open[reservoir]", "cold.sensor[reservoir]", HEAT, "open"),
    Row("sensor_shorted[reservoir]", "cold.sensor[reservoir]", HEAT, "shorted"),
    Row("sensors_swapped", "cold.sensor[reservoir]", HEAT, "another sensor's plug"),
    Row("fan_stalled[electronics]", "fan.tach[electronics]", (), "no pulse"),
    Row("tach_open[nozzle]", "fan.tach[nozzle]", (), "no pulse"),
    Row("stepper_reversed", "motion.direction[pump]", ("motion.return[pump]",), "wrong way"),
    Row("coil_open", "cold.coils[pump]", MOVE, "a1 connects to no other wire"),
    Row("lost_steps", "motion.return[pump]", (), "steps lost"),
    Row("driver_current_unset", "motion.driver_ready[pump]", MOVE, "run current"),
    Row("switch_stuck[pump_home]", "switch.by_hand[pump_home]", MOVE[:1], "stays pressed"),
    Row("host_watch_missing", "safe.host_silence[head]"),
    Row("wire_thin", "heat.low_setpoint[reservoir]", (), "supply dip"),
)

BEHIND_THE_OPERATOR = (
    Row("can_h_l_short", "bus.enumerate[head]", EVERYTHING, "bus-off"),
    Row("heater_open", "heat.pulse[reservoir]", LOOP, "heater open"),
    Row("heater_weak", "heat.pulse[reservoir]", LOOP, "weak"),
    Row("sensor_open[reservoir]", "sense.ambient[reservoir]", HEAT),
    Row("coil_open", "motion.direction[pump]", ("motion.return[pump]",), "open_load_a"),
    Row("switch_stuck[pump_home]", "motion.direction[pump]", ("motion.return[pump]",)),
)
"""What the powered checks find where nobody measured, pressed or looked before."""


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_the_command_rejects_the_unit_and_nothing_unsafe_was_run(
    row: Row, glue_head: Path, runs_dir: Path
) -> None:
    """`hiltest accept` ends with 1 by the right check, and what would have been unsafe says which gate stopped it."""
    words = [glue_head, runs_dir, "", "nothing", "--fault", row.fault]
    done = subprocess.run(
        [sys.executable, str(INSIDE), *map(str, words)],
        capture_output=True,
        text=True,
        timeout=250,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, ""), done.stdout
    found = json.loads(done.stdout.splitlines()[-1])
    (folder,) = runs_dir.iterdir()

    assert found["code"] == 1
    _rejected_and_safe(row, read_run(folder), found["on"])


@pytest.mark.parametrize("row", BEHIND_THE_OPERATOR, ids=lambda row: row.fault)
def test_the_powered_checks_find_it_too(row: Row) -> None:
    """Where no operator takes part, the next check in line rejects the unit, and as safely."""
    on: set[str] = set()

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(2.0)
        on.update(bench.truth.outputs_on())

    record = accept(row.fault, before_close=look, operator=False)
    _rejected_and_safe(row, record, on)


def _rejected_and_safe(row: Row, record: RunRecord, on: Collection[str]) -> None:
    found = outcomes(record)
    check = next(each for each in record.checks if each.name == row.fails)
    assert record.verdict == "rejected"
    assert found[row.fails] == "failed", f"{row.fails}: {found[row.fails]}; {record.verdict_reason}"
    assert row.says in check.reason
    for name in row.not_run:
        stopped = next(each for each in record.checks if each.name == name)
        assert stopped.outcome == "not run", f"{name}: {stopped.outcome}"
        assert "gate" in stopped.reason
    assert not on, f"left on after the run: {on}"


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_board_is_accepted(seed: int) -> None:
    """Healthy boards differ by their tolerances and are accepted all the same, over more than five minutes."""
    record = accept(seed=seed)
    assert record.verdict == "accepted", record.verdict_reason
    assert record.bench_s >= 300.0
    assert all(check.measurements for check in record.checks)
