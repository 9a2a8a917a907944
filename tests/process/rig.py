"""A bench in one process and hiltest in another, for tests of what only real processes show.

The description is the glue head's, made quick: short windows, a small block, few duties. Every check stays.
"""

from __future__ import annotations

import contextlib
import json
import re
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from hiltest.clock import sleep_s, wall_s

HILTEST = (sys.executable, "-m", "hiltest.cli")
START_S = 60.0
WATCHED_S = 2.0
"""host_silence_max_s of the quick glue head: a busy test machine may stop a process for a second."""

QUICK: Mapping[str, Mapping[str, str]] = {
    "[fixture]": {"operator": "false"},
    "[bus.load_test]": {
        "utilisation_percent": "5.0",
        "duration_s": "1.5",
        "bit_error_probability_max": "1e-4",
    },
    "[node]": {
        "heartbeat_s": "0.2",
        "heartbeat_tolerance_percent": "25.0",
        "host_silence_max_s": str(WATCHED_S),
    },
    "[[heater]]": {
        "heat_capacity_j_k": "8.0",
        "idle_s": "2.0",
        "pulse_s": "1.0",
        "pulse_watch_s": "8.0",
        "steady_s": "2.0",
        "steady_band_k": "4.0",
    },
    "[[stepper]]": {"long_move_rev": "1.0"},
}
QUICK_FANS = {"duties": "[1.0, 0.5]"}
QUICK_LIMITS = {"quiet_s": "0.5", "guard_silence_s": "3.0"}


def with_values(text: str, header: str, values: Mapping[str, str]) -> str:
    """The TOML `text` with `values` set in every section under `header`; the section is made if it is not there."""
    if header not in text.splitlines() and not re.search(rf"^{re.escape(header)}", text, re.MULTILINE):
        text += f"\n{header}\n"
    out: list[str] = []
    inside = False
    for line in text.splitlines():
        if line.lstrip().startswith("["):
            inside = line.split("#")[0].strip() == header
            out.append(line)
            if inside:
                out += [f"{key} = {value}" for key, value in values.items()]
        elif not (inside and line.split("=")[0].strip() in values):
            out.append(line)
    return "\n".join(out) + "\n"


def quick_text(text: str) -> str:
    """The glue head's description with everything that takes time made short."""
    head, nozzle_fan, rest = re.split(
        r"^(\[\[fan\]\]\nname = \"nozzle\"\n(?:(?!\[).*\n)*)", text, flags=re.MULTILINE
    )
    assert nozzle_fan  # one fan is enough for its check
    text = head + rest
    for header, values in {**QUICK, "[[fan]]": QUICK_FANS, "[limits]": QUICK_LIMITS}.items():
        text = with_values(text, header, values)
    return text


def slower_heartbeat(eds: str) -> str:
    """The EDS file of a board whose heartbeat comes every 0.2 s, so that a busy test machine does not miss any."""
    slower, count = re.subn(r"(\[1017\][^\[]*DefaultValue=)\w+", r"\g<1>200", eds)
    assert count == 1
    return slower


def on_real_ports(quick: Path, places: Mapping[str, str]) -> Path:
    """A copy of a quick description whose bus is python-can's slcan and whose console is a serial port."""
    bus = {
        "interface": '"slcan"',
        "channel": f'"{places["adapter"]}"',
        "options": "{ sleep_after_open = 0.0 }",
    }
    text = with_values(quick.read_text(), "[bus]", bus)
    text = with_values(text, "[console]", {"port": f'"{places["console"]}"'})
    real = quick.with_name("real.toml")
    real.write_text(text)
    return real


class Process:
    """A program whose lines are read as they come, each with the time at which it came."""

    def __init__(self, *arguments: str | Path, cwd: Path) -> None:
        self._popen = subprocess.Popen(
            [*HILTEST, *map(str, arguments)],
            cwd=cwd,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )
        self.lines: list[tuple[float, str]] = []
        self.errors: list[str] = []
        self._readers = [
            threading.Thread(target=self._read_lines),
            threading.Thread(target=self._read_errors),
        ]
        for reader in self._readers:
            reader.start()

    def _read_lines(self) -> None:
        assert self._popen.stdout is not None
        for line in self._popen.stdout:
            self.lines.append((wall_s(), line.rstrip("\n")))

    def _read_errors(self) -> None:
        assert self._popen.stderr is not None
        self.errors += self._popen.stderr.readlines()

    @property
    def text(self) -> str:
        """All lines so far."""
        return "\n".join(line for _, line in list(self.lines))

    @property
    def error_text(self) -> str:
        """Standard error, once the process has ended."""
        return "".join(self.errors)

    def wait_for_line(self, wanted: str, within_s: float, after_s: float = 0.0) -> tuple[float, str]:
        """The first line from `after_s` on (wall time) in which `wanted` is found, and when it came."""

        def look() -> object:
            found = next(
                ((at, line) for at, line in list(self.lines) if at >= after_s and wanted in line), None
            )
            return found or self.has_ended

        found = wait_until(look, within_s)
        if not isinstance(found, tuple):
            self.end()
            said = f"{self.text}\n{self.error_text}"
            raise AssertionError(f"no line with {wanted!r} within {within_s} s; it said:\n{said}")
        return found

    @property
    def has_ended(self) -> bool:
        """Is it gone?"""
        return self._popen.poll() is not None

    def send_signal(self, number: int) -> None:
        self._popen.send_signal(number)

    def wait(self, within_s: float) -> int:
        """The exit code; the process is killed and the test fails when it takes longer."""
        try:
            code = self._popen.wait(within_s)
        except subprocess.TimeoutExpired:
            self.end()
            raise AssertionError(
                f"still running after {within_s} s; it said:\n{self.text}\n{self.error_text}"
            ) from None
        self.end()
        return code

    def end(self) -> None:
        """Kill what is left of it, and read to the end."""
        if self._popen.poll() is None:
            self._popen.kill()
        self._popen.wait()
        for reader in self._readers:
            reader.join()
        for stream in (self._popen.stdout, self._popen.stderr):
            assert stream is not None
            stream.close()


class BenchProcess(Process):
    """`hiltest bench` with its places, and what its outputs really do."""

    def __init__(self, description: Path, *more: str) -> None:
        super().__init__("bench", description, "--show-outputs", *more, cwd=description.parent)
        self.wait_for_line("ready", START_S)  # ends the process when it raises
        shown = [line.partition(": ") for _, line in self.lines if ": " in line]
        self.places = {name: place for name, _, place in shown}

    def is_on(self, output: str) -> bool:
        """Is it on at this moment, in truth?"""
        states = [line.rsplit(" ", 1)[1] for _, line in list(self.lines) if f" {output} " in line]
        return bool(states) and states[-1] == "on"

    def outputs_on(self) -> set[str]:
        """What is on at this moment, in truth."""
        named = [line.split(" ") for _, line in list(self.lines) if line.endswith((" on", " off"))]
        return {output for output, state in {row[1]: row[2] for row in named}.items() if state == "on"}


@contextlib.contextmanager
def bench_process(description: Path) -> Iterator[BenchProcess]:
    """A bench that ends with the test."""
    process = BenchProcess(description)
    try:
        yield process
    finally:
        process.end()


@contextlib.contextmanager
def hiltest(*arguments: str | Path, cwd: Path) -> Iterator[Process]:
    """The command in a process of its own, ended with the test."""
    process = Process(*arguments, cwd=cwd)
    try:
        yield process
    finally:
        process.end()


def wait_until(condition: Callable[[], object], within_s: float) -> object:
    """Look until `condition` gives something; None when time is up."""
    end_s = wall_s() + within_s
    while True:
        found = condition()
        if found:
            return found
        if wall_s() > end_s:
            return None
        sleep_s(0.01)


def only_run_folder(runs: Path) -> Path:
    """The one run folder in `runs`."""
    folders = list(runs.iterdir())
    assert len(folders) == 1, folders
    return folders[0]


def journal_lines(runs: Path) -> list[dict[str, Any]]:
    """What the journal of the only run holds by now; empty before there is one."""
    found = list(runs.glob("*/measurements.jsonl"))
    if not found:
        return []
    whole, _, _ = found[0].read_text().rpartition("\n")
    return [json.loads(line) for line in whole.splitlines()]


def wait_for_samples(run: Process, runs: Path, check: str, count: int, within_s: float) -> None:
    """Wait until `check` has kept `count` points of its curves, so that it is well under way."""

    def look() -> bool:
        lines = journal_lines(runs)
        return sum(each["kind"] == "sample" and each["check"] == check for each in lines) >= count

    assert wait_until(lambda: look() or run.has_ended, within_s), f"{check} did not start; {run.text}"
    assert not run.has_ended, f"it ended before {check}:\n{run.text}\n{run.error_text}"
