"""`hiltest accept` on the simulated bench: accepted, the same bytes twice, and safe however it ends."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from hiltest import cautions
from hiltest.errors import BenchLost
from hiltest.evidence.runfolder import read_run

INSIDE = Path(__file__).with_name("accept_inside.py")
FILES = ("run.json", "junit.xml", "report.html", "measurements.jsonl", "bus.log")
CONFIRMED = "every output was commanded off, and no heater says that it is on; fans and motors are not asked"
HEATING = "heat.low_setpoint[reservoir]"


def accept(
    file: Path, runs: Path, check: str = "", action: str = "nothing", *more: str
) -> tuple[dict[str, Any], str]:
    """Run accept in a process of its own; return what really happened there, and what it printed."""
    words = [sys.executable, str(INSIDE), str(file), str(runs), check, action, *more]
    done = subprocess.run(words, capture_output=True, text=True, timeout=250, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    *printed, last = done.stdout.splitlines()
    assert done.stderr == ""
    return json.loads(last), "\n".join(printed)


def only_folder(runs: Path) -> Path:
    (folder,) = runs.iterdir()
    return folder


def test_the_glue_head_is_accepted_and_a_second_run_gives_the_same_bytes(
    glue_head: Path, tmp_path: Path
) -> None:
    """Every check passes over minutes of bench time, no thread is started, and one seed is one run to the byte."""
    runs = [tmp_path / "first", tmp_path / "second"]
    found = [accept(glue_head, folder)[0] for folder in runs]
    first, second = (only_folder(folder) for folder in runs)
    record = read_run(first)

    assert [each["code"] for each in found] == [0, 0]
    assert [each["threads"] for each in found] == [[], []]
    assert record.verdict == "accepted"
    assert record.bench_s >= 120.0
    assert {check.outcome for check in record.checks} == {"passed"}
    for name in ("measurements.jsonl", "bus.log"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
        assert (first / name).stat().st_size > 10_000


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_in_the_middle_of_heating_switches_off_at_once(
    glue_head: Path, runs_dir: Path, name: str
) -> None:
    """The heater is off within milliseconds of bench time, the exit code is 4, every file is there."""
    found, printed = accept(glue_head, runs_dir, HEATING, name, "--only", HEATING)
    folder = only_folder(runs_dir)
    record = read_run(folder)
    heating = next(check for check in record.checks if check.name == HEATING)

    assert found["code"] == 4
    assert found["on"] == []
    off_s = [t_s for t_s, output, on in found["changes"] if output == "heater:reservoir" and not on]
    assert off_s[0] - found["acted_s"][0] < 0.05
    assert [file for file in FILES if not (folder / file).stat().st_size] == []
    assert (heating.outcome, record.verdict) == ("error", "incomplete")
    assert "interrupted" in heating.reason
    assert record.verdict_reason == f"the run was interrupted: {CONFIRMED}"
    assert heating.curves
    assert (
        f"caution: {cautions.CUT_SHORT}\nverdict: incomplete (on the simulated bench: the run was interrupted: {CONFIRMED})"
        in printed
    )
    assert "look first" not in printed, "nothing is wrong that one could look at"


@pytest.mark.parametrize(
    "check",
    [
        "bus.quiet[can]",
        "bus.enumerate[head]",
        "bus.load[can]",
        "sense.ambient[board]",
        "fan.tach[nozzle]",
        "heat.pulse[reservoir]",
        "motion.direction[pump]",
        "safe.host_silence[head]",
    ],
)
def test_an_adapter_that_is_pulled_out_in_the_middle_ends_the_run(
    glue_head: Path, runs_dir: Path, check: str
) -> None:
    """The check ends in a clear error, what would come after is not run, exit code 4, every file is there."""
    found, printed = accept(glue_head, runs_dir, check, "unplug", "--only", check)
    folder = only_folder(runs_dir)
    record = read_run(folder)
    ended = {each.name: each for each in record.checks}[check]

    assert found["code"] == 4, printed
    assert len(found["acted_s"]) == 1
    assert ended.outcome == "error"
    assert "no such device" in ended.reason
    assert ended.look_first == list(BenchLost.look_first), "causes of another matter"
    assert f"look first: {BenchLost.look_first[0]}" in printed
    assert record.verdict == "incomplete"
    assert record.verdict_reason.startswith("the bench was lost: ")
    assert [file for file in FILES if not (folder / file).stat().st_size] == []
    assert found["on"] == [], "the node's own watch on the host did not drop it"
