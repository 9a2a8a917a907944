"""The journal keeps each line at once, and the same run gives the same bytes."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from hiltest.clock import SimulatedClock
from hiltest.errors import BenchError, UsageError
from hiltest.evidence.codec import plain_value
from hiltest.evidence.journal import JOURNAL_NAME, Journal, read_lines
from hiltest.evidence.model import CheckResult, Curve, Measurement

from .records import accepted


def write_all(folder: Path) -> bytes:
    """Journal a whole accepted run and return its bytes."""
    folder.mkdir()
    record = accepted()
    clock = SimulatedClock()
    with Journal(folder, clock) as journal:
        journal.run(record, [c.name for c in record.checks])
        for check in record.checks:
            clock.advance_to(round(check.started_s * 1e9))
            journal.check(check.name)
            for m in check.measurements:
                journal.measurement(m)
            for curve in check.curves:
                journal.curve(curve)
            for note in check.notes:
                journal.note(check.name, note)
            journal.result(check)
        journal.verdict(record.verdict, record.verdict_reason, record.bench_s)
    return (folder / JOURNAL_NAME).read_bytes()


def test_each_line_is_in_the_file_before_the_next_call(tmp_path: Path) -> None:
    """A line can be read by others as soon as the call that wrote it returns."""
    journal = Journal(tmp_path, SimulatedClock())
    journal.check("bus.quiet[can]")

    assert [line["name"] for line in read_lines(journal.path)] == ["bus.quiet[can]"]
    journal.close()


def test_two_equal_runs_give_the_same_bytes(tmp_path: Path) -> None:
    """Nothing in a line depends on the wall clock or on the run's place."""
    first = write_all(tmp_path / "a")

    assert first == write_all(tmp_path / "b")
    assert b"2026" not in first
    assert b"wall" not in first


def test_a_killed_process_loses_no_line(tmp_path: Path) -> None:
    """Every measurement that was written before SIGKILL is in the journal."""
    program = (
        "import sys; from pathlib import Path\n"
        "from hiltest.clock import SimulatedClock\n"
        "from hiltest.evidence.journal import Journal\n"
        "from hiltest.evidence.model import Measurement\n"
        "journal = Journal(Path(sys.argv[1]), SimulatedClock())\n"
        "for n in range(10**9):\n"
        "    journal.measurement(Measurement('heat.x[y]', 'n', n, '', None, None, 'noted', 0.0))\n"
        "    print(n, flush=True)\n"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", program, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    said = [int(process.stdout.readline()) for _ in range(50)]
    os.kill(process.pid, signal.SIGKILL)
    said += [int(n) for n in process.stdout.read().split()]
    process.stdout.close()
    process.wait()

    kept = [line["value"] for line in read_lines(tmp_path / JOURNAL_NAME)]
    assert kept[: len(said)] == said
    assert len(kept) <= len(said) + 1


def test_a_line_that_was_cut_off_is_left_out(tmp_path: Path) -> None:
    """Half a last line is no error: the run ended there."""
    path = tmp_path / JOURNAL_NAME
    path.write_bytes(b'{"kind":"check","name":"a","t_s":0.0}\n{"kind":"che')

    assert [line["name"] for line in read_lines(path)] == ["a"]


def test_a_damaged_line_is_named_by_file_and_number(tmp_path: Path) -> None:
    """A broken line in the middle is refused with its place."""
    path = tmp_path / JOURNAL_NAME
    path.write_bytes(b'{"kind":"check","name":"a","t_s":0.0}\nnot json\n{"kind":"note"}\n')

    with pytest.raises(UsageError, match=r"measurements\.jsonl:2: found b'not json'"):
        list(read_lines(path))


def test_a_journal_is_never_overwritten(tmp_path: Path) -> None:
    """A second journal in one folder is refused."""
    Journal(tmp_path, SimulatedClock()).close()

    with pytest.raises(UsageError, match="can't be made"):
        Journal(tmp_path, SimulatedClock())


def test_a_full_disk_stops_the_run(tmp_path: Path) -> None:
    """A line that can't be written is an error of the bench, not a silent loss."""
    journal = Journal(tmp_path, SimulatedClock())
    journal.close()
    with Path("/dev/full").open("wb", buffering=0) as full:
        journal._file = full
        with pytest.raises(BenchError, match="could not be written"):
            journal.check("a")


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (0.1 + 0.2, 0.3),
        (np.float32(1.5), 1.5),
        (np.int64(7), 7),
        (np.bool_(True), True),
        (math.nan, "nan"),
        (-math.inf, "-inf"),
        ("text", "text"),
    ],
)
def test_values_become_plain(value: object, expected: object) -> None:
    """Numbers of numpy become Python's, last bits are dropped, and what JSON can't hold becomes text."""
    plain = plain_value(value)

    assert plain == expected
    assert type(plain) is type(expected)


def test_a_limit_of_nan_is_refused(tmp_path: Path) -> None:
    """A limit that can't judge anything is an error that names check and measurement."""
    with (
        Journal(tmp_path, SimulatedClock()) as journal,
        pytest.raises(UsageError, match=r"a\.b\[c\]: x: a limit is NaN"),
    ):
        journal.measurement(Measurement("a.b[c]", "x", 1.0, "", math.nan, None, "passed", 0.0))


def test_lines_are_strict_ascii_json(tmp_path: Path) -> None:
    """Control characters and lone surrogates are escaped, and NaN does not occur."""
    with Journal(tmp_path, SimulatedClock()) as journal:
        journal.note("a", "x\x00\x1b\u2028\ud800\n")
        journal.sample("a", "c", "K", 0.0, math.nan)
        journal.curve(Curve("a", "c", "K", [0.0], [1.0], {"none": math.inf, "limit": 2.0}, {"end": 3.0}))
        journal.result(CheckResult("a", "passed"))

    raw = journal.path.read_bytes()
    assert raw.isascii()
    assert not any(byte < 0x20 and byte != 0x0A for byte in raw)
    lines = [json.loads(line, parse_constant=pytest.fail) for line in raw.splitlines()]
    assert [line["name"] for line in lines if line["kind"] == "line"] == ["limit", "end"]
