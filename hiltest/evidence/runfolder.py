"""The run folder: made once, never overwritten, and readable again even if the run was killed.

run.json             verdict, checks and measurements
measurements.jsonl   the journal: everything in the order in which it happened, with the curves
description.json     the fixture description as it was read, so the report can be drawn again
junit.xml            for continuous integration
report.html          for people
"""

from __future__ import annotations

import datetime
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hiltest.errors import UsageError
from hiltest.evidence.codec import measurement_from_dict, page_of, record_from_dict, record_to_dict
from hiltest.evidence.journal import JOURNAL_NAME, read_lines
from hiltest.evidence.junit import junit_xml
from hiltest.evidence.model import WHOLE_RUN, CheckResult, Curve, RunRecord
from hiltest.evidence.report import render
from hiltest.evidence.text import file_name

if TYPE_CHECKING:
    from hiltest.description.models import Description

RUN_NAME = "run.json"
DESCRIPTION_NAME = "description.json"
JUNIT_NAME = "junit.xml"
REPORT_NAME = "report.html"

ENDED_FROM_OUTSIDE = "the run was ended from outside"
_STAMP = "%Y-%m-%d_%H%M%S"


def make_run_folder(out_dir: Path, unit: str, stamp: datetime.datetime) -> Path:
    """Make a new folder for one run below `out_dir` and return it. An existing one is never used again.

    `unit` may be any text; only letters, digits, dot, dash and underscore reach the file system.

    Raises:
        UsageError: the folder can't be made.
    """
    base = f"{stamp.strftime(_STAMP)}_{file_name(unit)}"
    try:
        out_dir.mkdir(parents=True, exist_ok=True)
        for attempt in range(1, 10_000):
            folder = out_dir / (base if attempt == 1 else f"{base}_{attempt}")
            try:
                folder.mkdir()
            except FileExistsError:
                continue
            return folder
    except OSError as error:
        raise UsageError(
            f"{out_dir}: a run folder can't be made here ({error.strerror}); give --out a writable folder"
        ) from error
    raise UsageError(f"{out_dir}: there are too many folders named {base}; give --out another folder")


def keep_description(folder: Path, description: Description) -> None:
    """Keep the fixture description in the run folder, for a report that is drawn later."""
    _write_whole(folder / DESCRIPTION_NAME, description.model_dump_json(indent=2) + "\n")


def read_description(folder: Path) -> Description | None:
    """Return the fixture description kept in a run folder, or None if there is none.

    Raises:
        UsageError: the file is there and can't be used.
    """
    path = folder / DESCRIPTION_NAME
    if not path.exists():
        return None
    from pydantic import ValidationError

    from hiltest.description.models import Description

    try:
        return Description.model_validate_json(path.read_bytes())
    except (OSError, ValidationError) as error:
        raise UsageError(f"{path}: the kept description can't be used: {error}") from error


def write_run(record: RunRecord, folder: Path, description: Description | None = None) -> None:
    """Write run.json, junit.xml and report.html, each as a whole or not at all.

    `description` is kept in the folder; without it, the one that was kept before is drawn in the report.
    Curves are not written here: the journal holds them.
    """
    if description is None:
        description = read_description(folder)
    else:
        keep_description(folder, description)
    _write_whole(folder / RUN_NAME, page_of(record_to_dict(record)))
    _write_whole(folder / JUNIT_NAME, junit_xml(record))
    _write_whole(folder / REPORT_NAME, render(record, description))


def draw_again(folder: Path) -> Path:
    """Draw the report of a run folder again, also of a run that was killed, and return the report's path.

    Nothing else in the folder is changed.

    Raises:
        UsageError: this is no run folder, or it can't be written to.
    """
    record, report = read_run(folder), folder / REPORT_NAME
    _write_whole(report, render(record, read_description(folder)))
    return report


def read_run(folder: Path) -> RunRecord:
    """Return the record of a run folder, also of a run that was killed.

    Without run.json the journal alone is read: what was measured is all there, a check that was under way has
    the outcome 'error', one that was planned and not begun 'not run', and the verdict is 'incomplete'.

    Raises:
        UsageError: this is no run folder, or one of its files is damaged.
    """
    folder = Path(folder)
    journal = folder / JOURNAL_NAME
    lines = list(read_lines(journal)) if journal.exists() else []
    path = folder / RUN_NAME
    if path.exists():
        record = _read_run_json(path)
        _add_curves(record, lines)
        return record
    if not lines or lines[0]["kind"] != "run":
        raise UsageError(
            f"{folder}: found neither {RUN_NAME} nor a journal that begins with a run, expected a run folder "
            "of hiltest. Give the folder that `hiltest accept` printed at its end"
        )
    return _from_journal(folder, lines)


def _read_run_json(path: Path) -> RunRecord:
    try:
        return record_from_dict(json.loads(path.read_bytes()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise UsageError(
            f"{path}: the file can't be used ({type(error).__name__}: {error}); it was changed or damaged "
            f"after the run. Move it away, and the run is read from {JOURNAL_NAME} alone"
        ) from error


def _from_journal(folder: Path, lines: list[dict[str, Any]]) -> RunRecord:
    """Build the record from the journal's lines, as far as they go."""
    try:
        return _replay(folder, lines)
    except (KeyError, TypeError, ValueError) as error:
        raise UsageError(
            f"{folder / JOURNAL_NAME}: a line lacks what it needs ({type(error).__name__}: {error})"
        ) from error


def _replay(folder: Path, lines: list[dict[str, Any]]) -> RunRecord:
    head = lines[0]
    record = RunRecord(
        unit=head["unit"],
        description=head["description"],
        fixture=head["fixture"],
        versions=dict(head["versions"]),
        seed=head["seed"],
        simulated=head["simulated"],
        faults=list(head["faults"]),
        verdict="incomplete",
        verdict_reason=ENDED_FROM_OUTSIDE,
        date=_date_of(folder),
    )
    checks: dict[str, CheckResult] = {}
    under_way: set[str] = set()
    for line in lines[1:]:
        _take(record, checks, under_way, line)
    for name in under_way:
        checks[name].reason = f"{ENDED_FROM_OUTSIDE} while this check was under way"
        checks[name].ended_s = record.bench_s
    for name in head.get("planned", []):
        if name not in checks:
            checks[name] = CheckResult(name, "not run", f"{ENDED_FROM_OUTSIDE} before its turn came")
    record.checks = list(checks.values())
    _add_curves(record, lines)
    return record


def _take(
    record: RunRecord, checks: dict[str, CheckResult], under_way: set[str], line: dict[str, Any]
) -> None:
    """Add one line of the journal to the record."""
    kind = line["kind"]
    if kind != "verdict" and isinstance(at_s := line.get("t_s"), float | int) and "x_name" not in line:
        record.bench_s = max(record.bench_s, float(at_s))
    if kind == "check":
        checks[line["name"]] = CheckResult(line["name"], "error", started_s=float(line["t_s"]))
        under_way.add(line["name"])
    elif kind == "measurement":
        _open(checks, line["check"]).measurements.append(measurement_from_dict(line["check"], line))
    elif kind == "note":
        _open(checks, line["check"]).notes.append(line["text"])
    elif kind == "result":
        check = _open(checks, line["name"])
        check.outcome, check.reason = line["outcome"], line["reason"]
        check.look_first = list(line["look_first"])
        check.stopped_by, check.limits = list(line.get("stopped_by", [])), list(line.get("limits", []))
        check.started_s, check.ended_s = float(line["started_s"]), float(line["ended_s"])
        under_way.discard(line["name"])
    elif kind == "verdict":
        record.verdict, record.verdict_reason = line["verdict"], line["reason"]
        record.bench_s = float(line["bench_s"])
        record.bus_statistics = line["bus_statistics"]


def _open(checks: dict[str, CheckResult], name: str) -> CheckResult:
    """Return the check that a line belongs to; one without a start line was judged without being run."""
    return checks.setdefault(name, CheckResult(name, "error"))


def _add_curves(record: RunRecord, lines: list[dict[str, Any]]) -> None:
    """Give each check the curves that the journal holds for it."""
    curves: dict[tuple[str, str], Curve] = {}
    for line in lines:
        if line["kind"] not in ("sample", "line"):
            continue
        key = (line["check"], line["curve"])
        curve = curves.setdefault(key, Curve(*key, line["unit"]))
        if line["kind"] == "sample":
            curve.t_s.append(float(line["t_s"]))
            curve.values.append(float(line["value"]))
            curve.x_name, curve.x_unit = line.get("x_name", curve.x_name), line.get("x_unit", curve.x_unit)
        elif line["axis"] == "time":
            curve.marks[line["name"]] = line["value"]
        else:
            curve.lines[line["name"]] = line["value"]
    for check in record.checks:
        check.curves = [curve for (name, _), curve in curves.items() if name == check.name]
    record.bus_curves = {bus: curve for (name, bus), curve in curves.items() if name == WHOLE_RUN}


def _date_of(folder: Path) -> str:
    """Return when the run began, from the folder's name; the journal itself holds no wall-clock time."""
    try:
        stamp = datetime.datetime.strptime(folder.resolve().name[:17], _STAMP)  # noqa: DTZ007 (local time)
    except ValueError:
        return ""
    return stamp.isoformat(sep=" ")


def _write_whole(path: Path, text: str) -> None:
    """Write a file so that nobody ever sees half of it.

    Raises:
        UsageError: it can't be written.
    """
    beside = path.with_name(f".{path.name}.part")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        beside.replace(path)
    except OSError as error:
        raise UsageError(f"{path}: the file can't be written ({error.strerror})") from error
