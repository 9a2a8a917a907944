"""Runs `hiltest accept --simulate` in this process with a hand on the simulated bench, and says what really happened.

    python accept_inside.py FILE OUT CHECK ACTION [more words for accept]

ACTION happens a little after CHECK began: a signal by its name, "unplug", or "nothing". The last line printed is JSON:
exit code, when the action was (bench time), every change of an output since, what is on at the end, threads started.
A `--fault` among the words is in the bench from the start.
"""

from __future__ import annotations

import _thread
import itertools
import json
import os
import signal
import sys
import threading
from typing import Any

import hiltest.progress
from hiltest.cli import main
from hiltest.simbench.bench import Bench, open_bench

DELAY_S = 0.35
AFTER_S = 1.5
"""Longer than the node's own watch on the host: what it would drop is dropped."""
SEED = 1

started_threads: list[str] = []


def note_threads() -> None:
    """Note each thread that is started, by whom ever."""
    start = _thread.start_new_thread

    def noted(function: Any, *arguments: Any, **options: Any) -> int:
        started_threads.append(repr(function))
        return start(function, *arguments, **options)

    _thread.start_new_thread = noted
    threading._start_new_thread = noted  # type: ignore[attr-defined]
    if joinable := getattr(threading, "_start_joinable_thread", None):  # from Python 3.13 on

        def noted_joinable(function: Any, *arguments: Any, **options: Any) -> Any:
            started_threads.append(repr(function))
            return joinable(function, *arguments, **options)

        threading._start_joinable_thread = noted_joinable  # type: ignore[attr-defined]


def act_in(check: str, action: str, bench: Bench, acted: list[float]) -> None:
    """Let the action happen DELAY_S of bench time after `check` began."""

    def act() -> None:
        acted.append(bench.now_s)
        if action == "unplug":
            bench.adapter().unplug()
        else:
            os.kill(os.getpid(), getattr(signal, action))

    class Watching(hiltest.progress.Progress):
        def on_check_start(self, name: str, window_s: float | None = None) -> None:
            super().on_check_start(name, window_s)
            if name == check:
                bench.queue.after(round(DELAY_S * 1e9), act)

    if action != "nothing":
        hiltest.progress.Progress = Watching  # type: ignore[misc]


def run(file: str, out: str, check: str, action: str, more: list[str]) -> dict[str, Any]:
    acted: list[float] = []
    faults = [word for flag, word in itertools.pairwise(more) if flag == "--fault"]
    with open_bench(file, seed=SEED, faults=faults) as bench:
        act_in(check, action, bench, acted)
        code = main(["accept", file, "--simulate", "--seed", str(SEED), "--out", out, *more])
        bench.run_for(AFTER_S)
        return {
            "code": code,
            "acted_s": acted,
            "changes": [change for change in bench.truth.changes() if acted and change.t_s >= acted[0]],
            "on": sorted(bench.truth.outputs_on()),
            "threads": started_threads,
            "bench_s": bench.now_s,
        }


if __name__ == "__main__":
    note_threads()
    file, out, check, action, *more = sys.argv[1:]
    found = run(file, out, check, action, more)
    sys.stdout.write(json.dumps(found) + "\n")
