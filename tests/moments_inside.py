"""Ends one run of the whole catalogue at many random moments: killed, interrupted, or with the adapter unplugged.

    python moments_inside.py FILE OUT MOMENTS SEED all|on [FAULT ...]

Moments are drawn over the whole run ("all"), or only from the time in which an output is on ("on"), by a first run that
nothing disturbs. One run goes on to its end. At each moment the process forks: the child lives through the end that was drawn, on the
very bench that the run had come to, and says what became of outputs and journal; the parent goes on. A killed host
sends nothing more, while the bench goes on. The last line printed is JSON: one object a moment, and the verdict.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import signal
import sys
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from hiltest.campaign.runner import run_one
from hiltest.evidence.runfolder import read_run
from hiltest.session import Run, load
from hiltest.settings import Settings

KINDS = ("killed", "interrupted", "unplugged")
AFTERWARDS_S = 3.0
"""Longer than any time that the description states; on the way every change of an output is kept."""
FIRST_S = 1.0


@dataclass(slots=True)
class Found:
    """What became of one moment. `late_s`: the last time an output was on, from the moment on (0: nothing was on)."""

    t_s: float
    kind: str
    check: str
    on_before: list[str]
    late_s: float
    on_after: list[str]
    measured: int
    kept: int
    is_whole: bool
    verdict: str = ""


class Counter:
    """A watcher that counts what was told: the journal must hold as much."""

    def __init__(self) -> None:
        self.measured = 0
        self.check = ""

    def on_check_start(self, name: str, window_s: float | None) -> None:
        self.check = name

    def on_measurement(self, m: Any) -> None:
        self.measured += 1

    def on_sample(self, *_: Any) -> None:
        self.measured += 1

    def on_note(self, text: str) -> None: ...

    def on_caution(self, text: str) -> None: ...

    def on_result(self, result: Any) -> None: ...

    def tick(self) -> None: ...


class Moments:
    """Forks at each moment; in a child `ended` holds what happened there."""

    def __init__(self, run: Run, bench: Any, watcher: Counter) -> None:
        self.run, self.bench, self.watcher = run, bench, watcher
        self.found: list[Found] = []
        self.pipe = -1
        self.now: tuple[str, float, list[str], int] | None = None

    def plan(self, times_s: list[float], kinds: list[str]) -> None:
        for t_s, kind in zip(times_s, kinds, strict=True):
            self.bench.queue.at(round(t_s * 1e9), self._come, kind)

    def _come(self, kind: str) -> None:
        if self.now is not None:
            return  # a child lives through one moment only
        reading, writing = os.pipe()
        child = os.fork()
        if child:
            os.close(writing)
            with os.fdopen(reading) as answer:
                self.found.append(Found(**json.loads(answer.read())))
            os.waitpid(child, 0)
            return
        os.close(reading)
        self.pipe = writing
        before = sorted(self.bench.truth.outputs_on())
        self.now = (kind, self.bench.now_s, before, self.watcher.measured)
        _own_copy(self.run)
        if kind == "killed":
            self.tell()  # nothing of the host runs any more: no finally, no flush
        elif kind == "unplugged":
            self.bench.adapter().unplug()
        else:
            os.kill(os.getpid(), signal.SIGINT)

    def tell(self, verdict: str = "") -> None:
        """In a child: let the bench go on, look, and end the process."""
        assert self.now is not None
        kind, t_s, before, measured = self.now
        folder = self.run.folder
        assert folder is not None
        left_s = t_s + AFTERWARDS_S - self.bench.now_s
        self.bench.queue.run_until(self.bench.queue.now_ns + round(max(0.0, left_s) * 1e9))
        text = (folder / "measurements.jsonl").read_text()
        kinds = [json.loads(line)["kind"] for line in text.splitlines()]
        kept = sum(each in ("measurement", "sample") for each in kinds)
        record = read_run(folder)
        found = Found(
            t_s,
            kind,
            self.watcher.check,
            before,
            _last_on_s(self.bench, t_s, before),
            sorted(self.bench.truth.outputs_on()),
            measured,
            kept,
            text.endswith("\n"),
            verdict or record.verdict,
        )
        os.write(self.pipe, json.dumps(asdict(found)).encode())
        shutil.rmtree(folder)
        os._exit(0)


def _last_on_s(bench: Any, t_s: float, before: list[str]) -> float:
    """Until how long after `t_s` an output was on."""
    on, last = set(before), 0.0
    for change in bench.truth.changes():
        if change.t_s >= t_s:
            (on.add if change.on else on.discard)(change.output)
            last = change.t_s - t_s
    return bench.now_s - t_s if on else last


def _own_copy(run: Run) -> None:
    """Give this process files of its own: what the parent writes on must not be disturbed."""
    folder = run.folder
    assert folder is not None
    copy = folder.with_name(f"{folder.name}-{os.getpid()}")
    shutil.copytree(folder, copy)
    for entry in Path("/proc/self/fd").iterdir():
        with contextlib.suppress(OSError):
            place = entry.readlink()
            if place.parent == folder:
                own = os.open(copy / place.name, os.O_WRONLY | os.O_APPEND)
                os.dup2(own, int(entry.name))
                os.close(own)
    run.folder = copy


def run_once(
    file: Path, out: Path | None, seed: int, times_s: list[float], faults: tuple[str, ...] = ()
) -> dict[str, Any]:
    """One run, with a fork at each of `times_s`."""
    settings = Settings(file=file, simulate=True, seed=seed, out=out, faults=faults)
    watcher = Counter()
    run = Run(settings, load(settings), watcher)
    run.planned = list(run.every)
    run.start()
    bench = run.opened().link.port.bus.bench
    moments = Moments(run, bench, watcher)
    moments.plan(times_s, [KINDS[number % len(KINDS)] for number in range(len(times_s))])
    try:
        for bound in run.planned:
            run_one(run, bound)
            if run.lost:
                break
    except KeyboardInterrupt:
        run.ended = "interrupted"
    record = run.close()
    if moments.now is not None:
        moments.tell(record.verdict)
    changes = [(change.t_s, change.output, change.on) for change in bench.truth.changes()]
    return {
        "verdict": record.verdict,
        "bench_s": record.bench_s,
        "moments": [asdict(each) for each in moments.found],
        "changes": changes,
    }


def draw(whole: dict[str, Any], moments: int, seed: int, only_on: bool) -> list[float]:
    """Random moments of a run like `whole`; `only_on`: of the time in which an output is on."""
    spans = on_spans(whole["changes"]) if only_on else [(FIRST_S, whole["bench_s"] - FIRST_S)]
    source, times_s = random.Random(seed), []
    for _ in range(moments):
        place_s = source.uniform(0.0, sum(end - start for start, end in spans))
        for start, end in spans:
            if place_s <= end - start:
                times_s.append(start + place_s)
                break
            place_s -= end - start
    return sorted(times_s)


def on_spans(changes: list[tuple[float, str, bool]]) -> list[tuple[float, float]]:
    """When at least one output was on."""
    spans, on, since_s = [], set[str](), 0.0
    for t_s, output, is_on in changes:
        was = bool(on)
        (on.add if is_on else on.discard)(output)
        if on and not was:
            since_s = t_s
        elif was and not on:
            spans.append((since_s, t_s))
    return spans


def play(
    file: Path, out: Path, moments: int, seed: int, only_on: bool, faults: tuple[str, ...]
) -> dict[str, Any]:
    times_s = draw(run_once(file, None, seed, [], faults), moments, seed, only_on)
    found = run_once(file, out, seed, times_s, faults)
    del found["changes"]
    return found


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell's background job ignores it
    file, out, moments, seed, over, *faults = sys.argv[1:]
    found = play(Path(file), Path(out), int(moments), int(seed), over == "on", tuple(faults))
    sys.stdout.write(json.dumps(found) + "\n")
