"""Two buses in one description: one loop reads both, checks are bound to their bus, and loads are paired across them.

The machine is the sample chiller with each board on a bus of its own, at another bit rate, under the same node id.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from hiltest.description.loading import load_description
from hiltest.errors import DescriptionError
from hiltest.evidence.model import RunRecord

from .boards import accept, outcomes
from .chiller import on_two_buses


def _reason(record: RunRecord, name: str) -> str:
    return next(check.reason for check in record.checks if check.name == name)


def test_a_healthy_machine_on_two_buses_is_accepted(tmp_path: Path) -> None:
    """Every bus has its own checks and statistics, and the log of frames says which bus each came by."""
    record = accept(file=on_two_buses(), out=tmp_path)
    assert record.verdict == "accepted", record.verdict_reason
    bound = outcomes(record)
    for check in ("desk.line", "bus.quiet", "bus.observer", "bus.load", "bus.with_loads"):
        assert bound[f"{check}[front]"] == bound[f"{check}[rear]"] == "passed"
    statistics = record.bus_statistics
    assert set(statistics) == {"front", "rear"}
    (log,) = tmp_path.glob("*/bus.log")
    lines = [line.split() for line in log.read_text().splitlines()]
    frames = [line for line in lines if not re.match(r"2\w{7}#", line[2])]  # error reports are no frames
    counts = {name: sum(line[1] == name for line in frames) for name in statistics}
    assert counts == {name: counted["frames"] for name, counted in statistics.items()}
    # Both boards are node 16: without the channel nobody could tell whose heartbeat a line is.
    assert {line[1] for line in lines if line[2].startswith("710#")} == {"front", "rear"}
    stamps = [float(line[0].strip("()")) for line in lines if line[3] == "R"]
    late = max(max(stamps[:n]) - stamp for n, stamp in enumerate(stamps[:5000]) if n)
    assert late < 0.01, "frames of one bus waited while the other was read"


def test_a_fault_of_one_bus_stops_that_bus_alone() -> None:
    """A board without power on the rear bus: its bus fails, and the chamber is tested all the same."""
    only = ("heat.pulse[fins]", "heat.pulse[lid]", "motion.direction[ring]", "bus.load[front]")
    record = accept("no_node[carousel]", file=on_two_buses(), only=only)
    found = outcomes(record)
    assert record.verdict == "rejected"
    assert found["bus.enumerate[carousel]"] == "failed"
    assert found["heat.pulse[lid]"] == found["motion.direction[ring]"] == "not run"
    assert (
        found["bus.enumerate[chamber]"] == found["bus.load[front]"] == found["heat.pulse[fins]"] == "passed"
    )
    pulse = next(check for check in record.checks if check.name == "heat.pulse[fins]")
    assert any("not watched meanwhile: lid" in note for note in pulse.notes)


def test_a_bus_with_another_bit_rate_than_described_is_named() -> None:
    """Each bus is opened at its own rate; the board at a wrong one makes its own bus fail before anything is sent."""
    record = accept(
        "wrong_bit_rate[carousel]", file=on_two_buses(), only=("bus.quiet[rear]", "bus.quiet[front]")
    )
    found = outcomes(record)
    assert (found["bus.quiet[front]"], found["bus.quiet[rear]"]) == ("passed", "failed")


def test_a_heater_wired_to_the_block_of_a_node_on_the_other_bus_is_found() -> None:
    """The pulse of one heater warms a sensor that another bus reads: the matrix of heaters and sensors is whole."""
    only = ("heat.pulse[fins]", "bus.enumerate[carousel]")
    record = accept("heaters_swapped[fins+lid]", file=on_two_buses(), only=only)
    assert outcomes(record)["heat.pulse[fins]"] == "failed"
    assert "sensor 'lid' rose instead" in _reason(record, "heat.pulse[fins]")


def test_all_off_reaches_the_nodes_of_every_bus() -> None:
    """Both boards' outputs are on; one word of the guard switches all of them off."""
    seen: dict[str, Any] = {}

    def look(run: Any) -> None:
        opened = run.opened()
        truth = opened.link.port.bus.bench.truth
        opened.guard.release("a test of all-off")
        opened.guard.reset()
        run.node("chamber").set_fan("chamber", 0.5)
        run.node("carousel").set_heater_c("lid", 40.0)
        run.node("carousel").set_lamp("status", "red")
        opened.links["rear"].run_for(1.0)
        seen["before"] = truth.outputs_on()
        opened.guard.all_off("a test")
        opened.links["front"].run_for(0.3)
        seen["after"] = truth.outputs_on()

    accept(file=on_two_buses(), only=("bus.enumerate[chamber]", "bus.enumerate[carousel]"), before_close=look)
    assert {"chamber/fan:chamber", "carousel/heater:lid", "carousel/lamp:status"} <= seen["before"]
    assert not seen["after"]


def test_the_description_on_two_buses_says_which_bus_a_node_is_on() -> None:
    """With several buses a node without `bus` is an error that says so."""
    file = on_two_buses()
    broken = file.with_name("no_bus.toml")
    broken.write_text(re.sub(r'bus = "rear"\n', "", file.read_text()))
    with pytest.raises(DescriptionError, match="the name of a bus, because there are 2"):
        load_description(broken)
