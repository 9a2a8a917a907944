"""The live display tells the same as the report, starts no thread, and lets nothing from outside act."""

from __future__ import annotations

import fcntl
import io
import os
import re
import struct
import subprocess
import sys
import termios
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest import cautions
from hiltest.evidence.model import CheckResult, RunRecord
from hiltest.evidence.report import render
from hiltest.evidence.text import spoken
from hiltest.progress import Progress

from .records import accepted, description, hostile, incomplete, rejected

RECORDS = [accepted, rejected, incomplete, hostile]


def play(progress: Progress, record: RunRecord, folder: Path | None = Path("runs/x")) -> None:
    """Report a whole run to `progress`."""
    for check in record.checks:
        if check.outcome in ("passed", "failed", "error"):
            progress.on_check_start(check.name, 60.0)
            for curve in check.curves:
                for t_s, value in zip(curve.t_s, curve.values, strict=True):
                    progress.on_sample(check.name, curve.name, t_s, value, curve.unit, curve.lines)
            for m in check.measurements:
                progress.on_measurement(m)
            progress.on_note("a note")
        progress.on_result(check)
    progress.finish(record, folder)


def plain(record: RunRecord) -> list[str]:
    """What is written when the output is no terminal."""
    stream = io.StringIO()
    play(Progress(description(), stream), record)
    return stream.getvalue().splitlines()


class Terminal:
    """A pseudo-terminal of 80 columns, and what was written to it."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setenv("TERM", "xterm-256color")
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setenv("LINES", "60")
        monkeypatch.delenv("NO_COLOR", raising=False)
        self.host, self.side = os.openpty()
        self.stream = open(self.side, "w", encoding="utf-8")  # noqa: PTH123, SIM115
        self._raw = bytearray()
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                part = os.read(self.host, 65536)
            except OSError:
                return
            if not part:
                return
            self._raw += part

    def close(self) -> str:
        """Return everything that was written."""
        self.stream.close()
        self._reader.join(10)
        os.close(self.host)
        return self._raw.decode()


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal to write to."""
    return Terminal(monkeypatch)


def test_plain_output_is_one_line_a_check_then_verdict_and_report() -> None:
    """Other programs read `name: outcome`, and at the end verdict, where to look and the report."""
    record = rejected()
    lines = [line for line in plain(record) if not line.startswith("caution: ")]

    assert len([line for line in lines if line.split(":")[0] in {c.name for c in record.checks}]) == 15
    assert lines[0] == "bus.enumerate[head]: passed"
    assert lines[6].startswith(
        "fan.tach[electronics]: failed (no tach pulse was seen at any duty (speed at 100 %: 0 rpm, allowed: 5"
    )
    assert lines[13] == (
        "motion.return[pump]: not run (gate closed: fan.tach[electronics] has not passed in this run)"
    )
    assert (
        lines[15]
        == "verdict: rejected (on the simulated bench: 1 of 15 checks failed: fan.tach[electronics])"
    )
    assert lines[16].startswith("look first: fan.tach[electronics]: no tach pulse was seen")
    assert lines[-1] == "report: runs/x/report.html"


def test_cautions_come_before_the_first_check_of_their_group() -> None:
    """What can hurt is said before it happens, once a group; a group whose prompts say it is left to them."""
    stream = io.StringIO()
    progress = Progress(None, stream)
    for name in (
        "desk.line[can]",
        "cold.coils[pump]",
        "fan.tach[a]",
        "fan.tach[b]",
        "heat.idle[r]",
        "fan.spin[a]",
        "safe.stop[n]",
    ):
        progress.on_check_start(name, 1.0)
        progress.on_result(CheckResult(name, "passed"))
    progress.close()

    assert stream.getvalue().splitlines() == [
        "desk.line[can]: passed",
        f"caution: {cautions.GENERAL}",
        "cold.coils[pump]: passed",
        f"caution: {cautions.BY_GROUP['fan']}",
        "fan.tach[a]: passed",
        "fan.tach[b]: passed",
        f"caution: {spoken(cautions.BY_GROUP['heat'])}",
        "heat.idle[r]: passed",
        "fan.spin[a]: passed",
        f"caution: {cautions.BY_GROUP['safe']}",
        "safe.stop[n]: passed",
    ]


@pytest.mark.parametrize(
    ("check", "told"),
    [("safe.host_silence[head]", True), ("heat.idle[reservoir]", True), ("fan.tach[nozzle]", False)],
)
def test_a_unit_that_does_not_let_go_ends_with_the_power_to_be_switched_off(
    check: str, told: bool, terminal: Terminal
) -> None:
    """First of all, before the verdict, in plain output; in the closing panel; and at the head of the report."""
    record = accepted()
    record.verdict = "rejected"
    next(each for each in record.checks if each.name == check).outcome = "failed"
    says = f"Switch the supply off now, and see for yourself that everything stands still and cools: this unit failed {check}"

    lines = plain(record)
    progress = Progress(None, terminal.stream)
    progress.finish(record, None)
    shown = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]|[│╭╮╰╯─]", "", terminal.close())

    last = [line for line in lines if line.startswith(("caution: Switch", "verdict: "))]
    assert [line.startswith(f"caution: {says}") for line in last] == ([True, False] if told else [False])
    assert (says in " ".join(shown.split())) is told
    assert (says in render(record, description())) is told


def test_what_no_command_can_switch_off_is_said_before_the_verdict() -> None:
    """By a check of any group: what counts is what it found."""
    record = accepted()
    record.verdict = "rejected"
    found = record.checks[0]
    found.outcome, found.reason = "failed", f"it got hotter. {cautions.SUPPLY_OFF_NOW}: no software stops it"
    told = [line for line in plain(record) if line.startswith(("caution: SWITCH", "verdict: "))]
    assert told[0].startswith(f"caution: {cautions.SUPPLY_OFF_NOW}: {found.name} found")


def test_the_terminal_shows_a_caution_above_the_running_check(terminal: Terminal) -> None:
    """It stays on the screen, whole, above the results; the live part of the check comes after it."""
    progress = Progress(None, terminal.stream)
    progress.on_check_start("motion.direction[pump]", 10.0)
    progress.on_result(CheckResult("motion.direction[pump]", "passed"))
    progress.on_check_start("motion.return[pump]", 10.0)
    progress.close()
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.close())

    told = " ".join(text.split("▸")[0].split())
    assert told.startswith(f"▲ caution {cautions.GENERAL}")
    assert told.endswith(f"▲ caution {cautions.BY_GROUP['motion']}")
    assert text.count("▲ caution") == 2


@pytest.mark.parametrize("make", RECORDS)
def test_plain_output_holds_no_escape_and_one_line_for_each_thing(make: Callable[[], RunRecord]) -> None:
    """No text from outside makes a second line, a bell or a colour."""
    record = make()
    lines = plain(record)

    assert not re.search("[\x00-\x1f\x7f\u202e\ud800]", "".join(lines))
    assert len([line for line in lines if not line.startswith("caution: ")]) < 15 + 10
    assert len(lines) < 15 + 10 + 1 + len(cautions.BY_GROUP)


def test_plain_output_loads_no_terminal_library() -> None:
    """Without a terminal rich is not imported."""
    program = (
        "import sys; from hiltest.progress import Progress; from hiltest.evidence.model import CheckResult\n"
        "p = Progress(); p.on_result(CheckResult('bus.quiet[can]', 'passed')); p.close()\n"
        "sys.exit('rich' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert done.stdout == "bus.quiet[can]: passed\n"


def test_what_is_shown_gets_past_a_captured_output() -> None:
    """The display still reaches its place when somebody redirects the file descriptor after it started."""
    program = (
        "import os; from hiltest.progress import Progress; from hiltest.evidence.model import CheckResult\n"
        "p = Progress(); os.dup2(os.open(os.devnull, os.O_WRONLY), 1); print('swallowed', flush=True)\n"
        "p.on_result(CheckResult('bus.quiet[can]', 'passed')); p.close()\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert done.stdout == "bus.quiet[can]: passed\n"


def test_the_terminal_shows_results_table_and_verdict(terminal: Terminal) -> None:
    """Every check with its outcome, every measurement with its limits, the verdict and where to look first."""
    play(Progress(description(), terminal.stream), rejected())
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.close())

    for words in (
        "✗ failed          fan.tach[electronics]",
        "– not run         1 check not run: gate closed: fan.tach[electronics] has not",
        "no tach pulse was seen at any duty",
        "at most 60 s",
        "✗ REJECTED",
        "no hardware was tested",
        "1. the tach wire (yellow) is not in its plug",
        "1 check not run: gate closed",
        "runs/x/report.html",
    ):
        assert words in text
    assert max(len(line) for line in re.split(r"[\r\n]+", text)) <= 80


def test_a_caution_for_hands_is_a_line_of_its_own_where_output_is_plain() -> None:
    """A note is for the report; what a hand must know now is said at once."""
    stream = io.StringIO()
    progress = Progress(None, stream)
    progress.on_note("a note")
    progress.on_caution("leave the plug out")
    assert stream.getvalue() == "caution: leave the plug out\n"
    progress.close()


def test_the_live_part_shows_value_limits_and_time_so_far(terminal: Terminal) -> None:
    """While a check runs, its newest values stand with their limits; its window is no estimate and is not called time left."""
    progress = Progress(None, terminal.stream)
    progress.plan(48)
    progress.on_result(CheckResult("bus.quiet[can]", "passed"))
    progress.on_check_start("heat.low_setpoint[reservoir]", 4800.0)
    progress.on_sample("heat.low_setpoint[reservoir]", "temperature", 100.0, 23.0, "degC", {"setpoint": 50.0})
    progress.on_sample(
        "heat.low_setpoint[reservoir]", "temperature", 118.0, 43.21, "degC", {"setpoint": 50.0}
    )
    progress.on_measurement(accepted().checks[10].measurements[0])
    progress.on_note("waiting")
    progress._display._drawn_s = float("-inf")  # type: ignore[attr-defined]
    progress.on_sample(
        "heat.low_setpoint[reservoir]", "temperature", 118.0, 43.21, "degC", {"setpoint": 50.0}
    )
    progress.close()
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.close())

    assert "43.21 °C  (setpoint 50)" in text
    assert "time to reach 21.7 s  at most 60 s  passed" in text
    assert "2 of 48, for 118 s, at most 80 min 00 s" in text
    assert "left" not in text
    assert "waiting" in text


def test_the_display_is_as_wide_as_its_own_terminal(
    terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While checks run, the program's own streams are captured and say nothing of a width; 60 columns stay 60."""
    monkeypatch.delenv("COLUMNS")
    monkeypatch.delenv("LINES")
    fcntl.ioctl(terminal.side, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 60, 0, 0))
    play(Progress(description(), terminal.stream), rejected())
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.close())

    assert max(len(line) for line in re.split(r"[\r\n]+", text)) == 60


def test_hostile_text_does_not_act_on_the_terminal(terminal: Terminal) -> None:
    """No escape sequence, title change or bell from outside reaches the terminal."""
    play(Progress(None, terminal.stream), hostile())
    raw = terminal.close()

    assert "\x1b[2J" not in raw
    assert "\x1b]" not in raw
    assert "\x07" not in raw
    assert "\u202e" not in raw
    assert "[U+001B][2J" in raw


def test_square_brackets_are_no_markup(terminal: Terminal) -> None:
    """A name like `fan.tach[red]` is shown as it is."""
    progress = Progress(None, terminal.stream)
    record = accepted()
    record.checks[0].name = "fan.tach[red]"
    record.unit = "[bold]7[/bold]"
    play(progress, record)
    raw = terminal.close()

    assert "fan.tach[red]" in raw
    assert "[bold]7[/bold]" in raw


def test_no_thread_is_started_and_the_cursor_comes_back(terminal: Terminal) -> None:
    """The display draws when it is told something, and leaves the terminal as it was."""
    before = threading.active_count()
    progress = Progress(None, terminal.stream)
    progress.on_check_start("a.b[c]", 1.0)
    during = threading.active_count()
    progress.close()
    progress.close()
    raw = terminal.close()

    assert during == before
    assert raw.rfind("\x1b[?25h") > raw.rfind("\x1b[?25l")


def test_reporting_costs_little(terminal: Terminal) -> None:
    """20 000 samples cost well under a second of processor time: it is drawn ten times a second at most."""
    progress = Progress(None, terminal.stream)
    progress.on_check_start("a.b[c]", 1.0)
    start_s = time.process_time()
    for n in range(20_000):
        progress.on_sample("a.b[c]", "x", n / 100, float(n), "K", {"limit": 5.0})
    took_s = time.process_time() - start_s
    progress.close()
    terminal.close()

    assert took_s < 1.5


def test_a_person_can_be_asked_while_the_display_pauses(terminal: Terminal) -> None:
    """While paused nothing is drawn though values come in; afterwards the live part is back."""
    progress = Progress(None, terminal.stream)
    progress.on_check_start("a.b[c]", 1.0)
    with progress.paused():
        os.write(terminal.side, b"<question>")
        time.sleep(0.2)
        progress.on_sample("a.b[c]", "x", 1.0, 2.0, "K")
        progress.tick()
        os.write(terminal.side, b"<answer>")
    progress.close()
    raw = terminal.close()

    assert "<question><answer>" in raw
    assert "▸ " in raw.split("<answer>")[1]


def test_checks_that_were_not_run_stand_together_at_the_end(terminal: Terminal) -> None:
    """By what stopped them, with their names, and in no row of their own."""
    record = rejected()
    names = [check.name for check in record.checks[8:]]
    for check in record.checks[8:]:
        check.outcome, check.reason, check.measurements = "not run", "gate: x", []
        check.stopped_by = [record.checks[6].name]
    play(Progress(stream=terminal.stream), record)
    text = re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", terminal.close())

    assert text.count("– not run") == 1
    assert f"{len(names)} checks not run, because fan.tach[electronics] failed" in text
    assert text.index("fan.tach[electronics] failed") < min(text.index(name) for name in names)


def test_a_unit_without_a_name_is_told_how_to_get_one() -> None:
    """The option is said where somebody will look for the unit in its records; one with a name hears nothing."""
    record = accepted()
    assert not [line for line in plain(record) if "--serial" in line]
    record.unit = "unnamed"
    assert [line for line in plain(record) if "add --serial SN" in line]


def test_what_the_verdict_says_already_is_not_said_twice() -> None:
    """A bench that could not be opened is the verdict's reason; there is nothing to look at first beside it."""
    record = incomplete()
    record.checks = [CheckResult("bus.quiet[can]", "error", "no adapter\nat all")]
    record.verdict_reason = "the bench could not be opened: no adapter\nat all"

    lines = plain(record)

    assert "verdict: incomplete (the bench could not be opened: no adapter at all)" in lines
    assert not [line for line in lines if line.startswith("look first")]
