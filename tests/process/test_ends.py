"""How a run ends that does not end by itself: killed, interrupted, or with the bench gone. Real processes, real time."""

from __future__ import annotations

import json
import signal
from pathlib import Path

import pytest

from hiltest.clock import wall_s
from hiltest.evidence.runfolder import read_run

from .rig import (
    WATCHED_S,
    bench_process,
    hiltest,
    journal_lines,
    on_real_ports,
    only_run_folder,
    wait_for_samples,
    wait_until,
)

HEATING = "heat.low_setpoint[reservoir]"
TURNING = "fan.tach[electronics]"
HEATER, FAN = "heater:reservoir", "fan:electronics"
PRINTING_S = 0.5
"""From what happens on the bench until its line is read here, on a busy machine."""
FILES = ("run.json", "junit.xml", "report.html", "measurements.jsonl", "bus.log")


@pytest.mark.timeout(350)
def test_a_kill_in_the_middle_of_heating_loses_nothing_and_the_node_drops_its_heater(
    quick: Path, runs_dir: Path
) -> None:
    """SIGKILL leaves no time to tidy up: the journal is whole, and the node's own host watch ends the heating."""
    with bench_process(quick) as bench:
        real = on_real_ports(quick, bench.places)
        with hiltest("accept", real, "--out", runs_dir, "--only", HEATING, cwd=quick.parent) as run:
            wait_for_samples(run, runs_dir, HEATING, 5, 250)
            assert bench.is_on(HEATER)
            seen = journal_lines(runs_dir)
            killed_s = wall_s()
            run.send_signal(signal.SIGKILL)
            off_s, _ = bench.wait_for_line(f" {HEATER} off", WATCHED_S + 5.0, after_s=killed_s)
            assert run.wait(10) == -signal.SIGKILL
        assert not wait_until(lambda: bench.is_on(HEATER), 2.0), "it came back"
        assert bench.outputs_on() == set()
    folder = only_run_folder(runs_dir)
    lines = journal_lines(runs_dir)
    record = read_run(folder)

    assert off_s - killed_s <= WATCHED_S + PRINTING_S
    assert (folder / "measurements.jsonl").read_bytes().endswith(b"\n")
    assert lines[: len(seen)] == seen
    assert not (folder / "run.json").exists()
    assert record.verdict == "incomplete"
    heating = next(check for check in record.checks if check.name == HEATING)
    kept = [line for line in lines if line["kind"] == "sample" and line["check"] == HEATING]
    assert sum(len(curve.values) for curve in heating.curves) == len(kept) >= 5
    measured = sum(len(check.measurements) for check in record.checks)
    assert measured == sum(line["kind"] == "measurement" for line in lines) > 20


@pytest.mark.timeout(200)
def test_ctrl_c_in_the_middle_of_a_check_switches_off_at_once(quick: Path, runs_dir: Path) -> None:
    """The guard acts, not the node's watch: off well before that would, exit code 4, every file there."""
    with bench_process(quick) as bench:
        real = on_real_ports(quick, bench.places)
        with hiltest("accept", real, "--out", runs_dir, "--only", TURNING, cwd=quick.parent) as run:
            wait_for_samples(run, runs_dir, TURNING, 10, 120)
            assert bench.is_on(FAN)
            interrupted_s = wall_s()
            run.send_signal(signal.SIGINT)
            off_s, _ = bench.wait_for_line(f" {FAN} off", WATCHED_S, after_s=interrupted_s)
            code = run.wait(20)
        assert bench.outputs_on() == set()

    assert code == 4, run.text
    assert off_s - interrupted_s < WATCHED_S / 2
    assert_complete(only_run_folder(runs_dir), TURNING, "interrupted")


@pytest.mark.timeout(200)
@pytest.mark.parametrize(
    ("check", "samples"), [("bus.load[can]", 2), (TURNING, 10), ("heat.pulse[reservoir]", 5)]
)
def test_a_bench_that_goes_away_ends_the_run_with_a_clear_error(
    quick: Path, runs_dir: Path, check: str, samples: int
) -> None:
    """The adapter's port hangs up in the middle of a check: no hang, exit code 4, every file there, and it says so."""
    with bench_process(quick) as bench:
        real = on_real_ports(quick, bench.places)
        with hiltest("accept", real, "--out", runs_dir, "--only", check, cwd=quick.parent) as run:
            wait_for_samples(run, runs_dir, check, samples, 120)
            bench.send_signal(signal.SIGKILL)
            code = run.wait(20)

    assert (code, run.error_text) == (4, ""), run.text
    assert "its plug, cable, or a hub on the way" in run.text
    assert_complete(only_run_folder(runs_dir), check, "bus 'can'")


def assert_complete(folder: Path, check: str, says: str) -> None:
    """Every file is there, the verdict is 'incomplete', and `check` says why."""
    assert [name for name in FILES if not (folder / name).stat().st_size] == []
    record = json.loads((folder / "run.json").read_text())
    ended = next(each for each in record["checks"] if each["name"] == check)
    assert record["verdict"] == "incomplete"
    assert ended["outcome"] == "error"
    assert says in ended["reason"]
    assert read_run(folder).verdict == "incomplete"
