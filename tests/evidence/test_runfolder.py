"""Run folders are new, safe, and readable again, killed or not."""

from __future__ import annotations

import dataclasses
import datetime
import json
import math
from pathlib import Path

import pytest

from hiltest.clock import SimulatedClock
from hiltest.errors import UsageError
from hiltest.evidence.codec import record_to_dict
from hiltest.evidence.journal import JOURNAL_NAME, Journal
from hiltest.evidence.model import WHOLE_RUN, RunRecord
from hiltest.evidence.runfolder import draw_again, make_run_folder, read_description, read_run, write_run

from .records import accepted, description, hostile, incomplete, rejected
from .test_journal import write_all

STAMP = datetime.datetime(2026, 3, 4, 10, 11, 12, tzinfo=datetime.UTC)


@pytest.mark.parametrize(
    ("unit", "name"),
    [
        ("GH-0007", "2026-03-04_101112_GH-0007"),
        ("../../etc/passwd", "2026-03-04_101112_etc-passwd"),
        ("", "2026-03-04_101112_unit"),
        ("a b\x00\n\x1b[2J/\\:*?", "2026-03-04_101112_a-b-2J"),
        ("ünit №7", "2026-03-04_101112_nit-7"),
        ("x" * 500, "2026-03-04_101112_" + "x" * 60),
    ],
)
def test_a_folder_name_is_safe_whatever_the_unit_is_called(tmp_path: Path, unit: str, name: str) -> None:
    """A unit's name can't leave the folder, and only plain characters reach the file system."""
    folder = make_run_folder(tmp_path / "runs", unit, STAMP)

    assert folder == tmp_path / "runs" / name
    assert folder.is_dir()


def test_a_folder_is_never_used_twice(tmp_path: Path) -> None:
    """Two runs of one unit in one second have two folders."""
    folders = [make_run_folder(tmp_path, "GH-0007", STAMP) for _ in range(3)]

    assert [f.name[18:] for f in folders] == ["GH-0007", "GH-0007_2", "GH-0007_3"]


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    """A file where the folder should be is an error that names it and the option to give."""
    (tmp_path / "runs").write_text("in the way")

    with pytest.raises(UsageError, match=r"runs: a run folder can't be made here .* --out"):
        make_run_folder(tmp_path / "runs", "u", STAMP)


def test_run_json_has_the_promised_keys(tmp_path: Path) -> None:
    """The keys that other programs rely on are all there, and the file is strict JSON."""
    record = rejected()
    record.checks[0].measurements.append(
        dataclasses.replace(record.checks[0].measurements[0], value=math.nan, high=math.inf)
    )
    write_run(record, tmp_path, description())

    data = json.loads((tmp_path / "run.json").read_text(), parse_constant=pytest.fail)
    wanted = {"verdict", "unit", "description", "versions", "seed", "bench_s", "wall_s", "checks"}
    assert wanted <= data.keys()
    for check in data["checks"]:
        assert {"name", "outcome", "reason", "measurements"} <= check.keys()
        for m in check["measurements"]:
            assert {"name", "value", "unit", "low", "high", "verdict"} <= m.keys()
    assert data["verdict"] == "rejected"
    assert data["look_first"][0] == (
        "fan.tach[electronics]: no tach pulse was seen at any duty "
        "(speed at 100 %: 0 rpm, allowed: 5\u202f100 to 6\u202f900 rpm)"
    )
    assert data["checks"][0]["measurements"][-1]["value"] == "nan"
    assert data["checks"][0]["measurements"][-1]["high"] is None


@pytest.mark.parametrize("make", [accepted, rejected, incomplete, hostile])
def test_a_complete_run_reads_back_as_it_was(tmp_path: Path, make: object) -> None:
    """Record, curves and description survive the folder."""
    assert callable(make)
    record: RunRecord = make()
    with Journal(tmp_path, SimulatedClock()) as journal:
        journal.run(record)
        for check in record.checks:
            for curve in check.curves:
                journal.curve(curve)
    write_run(record, tmp_path, description())

    again = read_run(tmp_path)
    assert again.checks[0].measurements == record.checks[0].measurements
    assert record_to_dict(again) == record_to_dict(record)
    drawn = [curve for check in again.checks for curve in check.curves]
    for curve, original in zip(drawn, [c for check in record.checks for c in check.curves], strict=True):
        assert curve.values == pytest.approx(original.values, rel=1e-11)
        assert curve.t_s == pytest.approx(original.t_s, rel=1e-11)
        assert curve.lines == pytest.approx(original.lines, rel=1e-11)
        assert curve.marks == pytest.approx(original.marks, rel=1e-11)
        assert (curve.check, curve.name, curve.unit) == (original.check, original.name, original.unit)
        assert (curve.x_name, curve.x_unit) == (original.x_name, original.x_unit)
    assert read_description(tmp_path) == description()


def test_a_killed_run_is_read_from_its_journal(tmp_path: Path) -> None:
    """What was measured is all there; what was under way, and what was not begun, says so."""
    write_all(tmp_path / "whole")
    lines = (tmp_path / "whole" / JOURNAL_NAME).read_bytes().splitlines(keepends=True)
    at = next(i for i, line in enumerate(lines) if b'"check"' in line and b"low_setpoint" in line[:60])
    folder = tmp_path / "2026-03-04_101112_GH-0007"
    folder.mkdir()
    (folder / JOURNAL_NAME).write_bytes(b"".join(lines[: at + 120]) + b'{"kind":"meas')

    record = read_run(folder)
    assert (record.verdict, record.verdict_reason) == ("incomplete", "the run was ended from outside")
    assert record.date == "2026-03-04 10:11:12"
    by_name = {c.name: c for c in record.checks}
    assert by_name["heat.pulse[reservoir]"].outcome == "passed"
    killed = by_name["heat.low_setpoint[reservoir]"]
    assert killed.outcome == "error"
    assert killed.reason == "the run was ended from outside while this check was under way"
    assert [m.value for m in killed.measurements] == [21.7, 1.94, 0.71]
    assert len(killed.curves[0].values) > 100
    assert killed.curves[0].lines["setpoint"] == 50.0
    assert record.bench_s == killed.ended_s == 177.0
    later = by_name["motion.direction[pump]"]
    assert (later.outcome, later.measurements) == ("not run", [])
    assert later.reason == "the run was ended from outside before its turn came"
    assert list(by_name) == [c.name for c in accepted().checks]


def test_a_report_is_drawn_again_without_touching_the_evidence(tmp_path: Path) -> None:
    """Drawing again gives the same page, with curves and wiring, and changes no other file."""
    folder = tmp_path / "run"
    write_all(folder)
    write_run(read_run(folder), folder, description())
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    (folder / "report.html").unlink()

    assert draw_again(folder) == folder / "report.html"
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert b'class="trace"' in before["report.html"]
    assert b"Wiring of the fixture" in before["report.html"]


def test_the_report_of_a_killed_run_can_be_drawn(tmp_path: Path) -> None:
    """A killed run has no report until somebody asks; then it says incomplete, and why."""
    write_all(tmp_path / "run")
    journal = tmp_path / "run" / JOURNAL_NAME
    journal.write_bytes(b"".join(journal.read_bytes().splitlines(keepends=True)[:40]))
    page = draw_again(tmp_path / "run").read_text()

    assert "INCOMPLETE" in page
    assert "the run was ended from outside" in page
    assert "outputs may still be on" in page


def test_a_run_killed_after_its_verdict_keeps_it(tmp_path: Path) -> None:
    """A journal that ends with a verdict is a whole run, even if run.json was never written."""
    write_all(tmp_path / "run")

    assert read_run(tmp_path / "run").verdict == "accepted"


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("nothing.txt", "", "found neither run.json nor a journal"),
        (JOURNAL_NAME, '{"kind":"check","name":"a","t_s":0}\n', "found neither run.json nor a journal"),
        (JOURNAL_NAME, '{"kind":"run"}\n', "a line lacks what it needs"),
        ("run.json", "{}", "run.json: the file can't be used"),
        ("run.json", "[", "run.json: the file can't be used"),
    ],
)
def test_a_folder_that_is_no_run_is_refused(tmp_path: Path, name: str, content: str, message: str) -> None:
    """The error says what was found and what was expected."""
    (tmp_path / name).write_text(content)

    with pytest.raises(UsageError, match=message):
        read_run(tmp_path)


def test_no_half_file_is_left(tmp_path: Path) -> None:
    """The folder holds whole files only."""
    write_run(accepted(), tmp_path, description())

    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["description.json", "junit.xml", "report.html", "run.json"]


def test_how_busy_a_bus_was_over_the_whole_run_is_read_again_and_drawn(tmp_path: Path) -> None:
    """A curve that belongs to no check: it is in the journal, beside those of the checks."""
    record, clock = accepted(), SimulatedClock()
    record.bus_statistics = {"can": {"frames": 12}}
    with Journal(tmp_path, clock) as journal:
        journal.run(record, [])
        for t_s, percent in ((1.0, 3.5), (2.0, 70.25)):
            journal.sample(WHOLE_RUN, "can", "%", t_s, percent)
    write_run(record, tmp_path, description())

    curve = read_run(tmp_path).bus_curves["can"]
    assert (curve.t_s, curve.values, curve.unit) == ([1.0, 2.0], [3.5, 70.25], "%")
    again = draw_again(tmp_path).read_text(encoding="utf-8")
    assert "highest 70.25" in again.split("Bus can during the whole run")[1]
