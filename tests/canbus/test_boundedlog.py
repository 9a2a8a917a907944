"""A log that is bounded: whole at both ends, counted in the middle, readable all the time."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from hiltest.campaign.runner import run_catalogue
from hiltest.canbus.boundedlog import BoundedLog
from hiltest.canbus.frame import Frame
from hiltest.canbus.logfile import LOG_EPOCH_S, LogWriter, read_log
from hiltest.settings import Settings

FIRST, LAST = 4000, 2000
PER_S = 20


def storm(path: Path, frames: int, close: bool = True) -> BoundedLog:
    file = BoundedLog(path, FIRST, LAST)
    log = LogWriter(file)
    for number in range(frames):
        log.write(Frame(0x100, number.to_bytes(4, "big")).at(number * 1_000_000_000 // PER_S))
    if close:
        file.close()
    return file


def numbers(path: Path) -> list[int]:
    rows = read_log(path, epoch_s=LOG_EPOCH_S)
    return [int.from_bytes(bytes(row["data"][:4]), "big") for row in rows]


def test_a_storm_leaves_its_beginning_and_its_end(tmp_path: Path) -> None:
    """Whole lines, in order, one gap; what is missing is counted, and the size is bounded."""
    path = tmp_path / "bus.log"
    file = storm(path, 5000)
    kept = numbers(path)
    gaps = [at for at in range(1, len(kept)) if kept[at] != kept[at - 1] + 1]
    one_second = PER_S * 50

    assert path.stat().st_size < FIRST + 2 * LAST + one_second + 300
    assert kept[0] == 0
    assert kept[-1] == 4999
    assert len(gaps) == 1
    assert file.left_out == 5000 - len(kept) > 4000
    last = path.read_text().splitlines()[-1]
    assert last.startswith(f"# {file.left_out} lines between (")
    assert f"first {FIRST} bytes are kept" in last


def test_what_fits_is_untouched(tmp_path: Path) -> None:
    """To the byte what a plain file holds."""
    with LogWriter(tmp_path / "plain.log") as plain:
        for number in range(50):
            plain.write(Frame(0x100, number.to_bytes(4, "big")).at(number * 1_000_000_000 // PER_S))
    assert storm(tmp_path / "bus.log", 50).left_out == 0
    assert (tmp_path / "bus.log").read_bytes() == (tmp_path / "plain.log").read_bytes()


def test_a_run_that_is_killed_leaves_a_log_that_can_be_read(tmp_path: Path) -> None:
    """Up to the last second, without the closing line."""
    path = tmp_path / "bus.log"
    file = storm(path, 5000, close=False)
    kept = numbers(path)
    assert kept[0] == 0
    assert kept[-1] >= 5000 - 2 * PER_S
    file.close()


def test_the_records_say_what_the_log_lacks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A run whose log was bounded counts it in run.json and in the report."""
    monkeypatch.setattr(BoundedLog.__init__, "__defaults__", (FIRST, LAST))
    file = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
    settings = Settings(file=file, simulate=True, out=tmp_path)
    record = run_catalogue(settings, only=("bus.heartbeat[head]",))
    (folder,) = tmp_path.iterdir()
    told = json.loads((folder / "run.json").read_text())["bus_log_left_out"]
    assert record.bus_log_left_out == told > 0
    assert f"# {told} lines" in (folder / "bus.log").read_text()
    assert f"{told} lines of its middle" in (folder / "report.html").read_text()
