"""Ends runs in real time at moments: the host killed or interrupted, or the adapter's port hung up. Real processes.

The bench goes on in its own process and prints what its outputs really do. benches/guard_moments.py does this many
times; test_moments.py a few.
"""

from __future__ import annotations

import contextlib
import shutil
import signal
from dataclasses import dataclass, field
from pathlib import Path

from hiltest.clock import sleep_s, wall_s
from hiltest.evidence.runfolder import read_run

from .rig import (
    START_S,
    WATCHED_S,
    BenchProcess,
    Process,
    hiltest,
    journal_lines,
    on_real_ports,
    only_run_folder,
    wait_for_samples,
    wait_until,
)

KINDS = ("killed", "interrupted", "unplugged")
SIGNALS = {"killed": signal.SIGKILL, "interrupted": signal.SIGINT}
ENDS_S = 30.0
COMES_BACK_S = 2.0


@dataclass
class Ended:
    """What became of a run that ended at a moment. `late_s`: until its last output was off, by the printed lines."""

    kind: str
    after_s: float
    on_before: list[str] = field(default_factory=list)
    late_s: float = 0.0
    on_after: list[str] = field(default_factory=list)
    measured_before: int = 0
    lost_lines: int = 0
    is_whole: bool = False
    verdict: str = ""
    said: str = ""


class Moment:
    """One bench, one run, one end. Both begin at once; `end` waits for the moment and looks.

    The moment comes `after_s` seconds after the bench was ready, but not before `check` has kept `samples` points.
    """

    def __init__(
        self, quick: Path, kind: str, after_s: float, only: tuple[str, ...] = (), samples: int = 0
    ) -> None:
        self.found = Ended(kind, after_s)
        self._only, self._samples = only, samples
        self._folder = quick.parent
        self._runs = self._folder / "runs"
        self._stack = contextlib.ExitStack()
        # The bench's own clock says when the adapter vanishes; the run begins a few seconds after the bench.
        unplug = ["--fault", f"adapter_vanishes@{after_s:.3f}"] if kind == "unplugged" else []
        self._bench = BenchProcess(quick, *unplug)
        self._ready_s = wall_s()
        self._stack.callback(self._bench.end)
        real = on_real_ports(quick, self._bench.places)
        self._run: Process = self._stack.enter_context(
            hiltest("accept", real, "--out", self._runs, *self._words(), cwd=self._folder)
        )

    def _words(self) -> list[str]:
        return [word for name in self._only for word in ("--only", name)]

    def close(self) -> None:
        """End what is left."""
        self._stack.close()

    def end(self) -> Ended:
        """Let the moment come and say what became of outputs and journal."""
        try:
            self._live_through()
        finally:
            self.close()
        return self.found

    def _live_through(self) -> None:
        found = self.found
        assert wait_until(lambda: journal_lines(self._runs), START_S), self._run.text
        if self._samples:
            wait_for_samples(self._run, self._runs, self._only[-1], self._samples, 200)
        sleep_s(max(0.0, self._ready_s + found.after_s - wall_s()))
        before = journal_lines(self._runs)
        if found.kind == "unplugged":
            # The bench's clock falls behind on a machine that is too busy: the moment may come late.
            self._run.wait(ENDS_S + 2.0 * found.after_s)
            wait_until(lambda: not self._bench.outputs_on(), WATCHED_S + COMES_BACK_S)
            changes = [(float(each[0]), *each[1:]) for each in self._changes()]
            found.on_before = sorted(_on([each for each in changes if each[0] < found.after_s]))
            later = [each[0] - found.after_s for each in changes if each[0] >= found.after_s]
        else:
            found.on_before = sorted(self._bench.outputs_on())
            then_s = wall_s()
            self._run.send_signal(SIGNALS[found.kind])
            self._run.wait(ENDS_S)
            wait_until(lambda: not self._bench.outputs_on(), WATCHED_S + COMES_BACK_S)
            shown = [at for at, line in list(self._bench.lines) if line.endswith((" on", " off"))]
            later = [at - then_s for at in shown if at >= then_s]
        found.late_s = max(later, default=0.0)
        wait_until(self._bench.outputs_on, COMES_BACK_S)
        found.on_after = sorted(self._bench.outputs_on())
        self._look_at_records(before)

    def _changes(self) -> list[list[str]]:
        return [line.split(" ") for _, line in list(self._bench.lines) if line.endswith((" on", " off"))]

    def _look_at_records(self, before: list[dict[str, object]]) -> None:
        found = self.found
        after = journal_lines(self._runs)
        folder = only_run_folder(self._runs)
        found.measured_before = sum(each["kind"] in ("measurement", "sample") for each in before)
        found.lost_lines = sum(one != other for one, other in zip(before, after, strict=False))
        found.lost_lines += max(0, len(before) - len(after))
        found.is_whole = (folder / "measurements.jsonl").read_bytes().endswith(b"\n")
        found.verdict = read_run(folder).verdict
        found.said = self._run.text[-300:]


def _on(changes: list[tuple[float, str, str]]) -> set[str]:
    return {output for output, state in {each[1]: each[2] for each in changes}.items() if state == "on"}


def copy_of(quick: Path, folder: Path) -> Path:
    """The quick description with its files, in a folder of its own."""
    folder.mkdir(parents=True)
    for file in quick.parent.glob(f"{quick.stem}*"):
        shutil.copy(file, folder / file.name)
    return folder / quick.name


def live_through(
    quick: Path,
    folder: Path,
    planned: list[tuple[str, float, int]],
    only: tuple[str, ...] = (),
) -> list[Ended]:
    """Several runs side by side, each with a bench of its own: (kind, seconds, samples) as `Moment` takes them."""
    moments: list[Moment] = []
    try:
        for number, (kind, after_s, samples) in enumerate(planned):
            copy = copy_of(quick, folder / str(number))
            moments.append(Moment(copy, kind, after_s, only, samples))
        return [moment.end() for moment in sorted(moments, key=lambda each: each.found.after_s)]
    finally:
        for moment in moments:
            moment.close()
