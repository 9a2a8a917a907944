"""A board that is commanded over its console alone: over two pseudo-terminals, in real time, in processes of their own."""

from __future__ import annotations

import signal
from pathlib import Path

import pytest

from hiltest.clock import wall_s
from hiltest.evidence.runfolder import read_run

from .rig import (
    QUICK_FANS,
    QUICK_LIMITS,
    WATCHED_S,
    bench_process,
    hiltest,
    on_real_ports,
    only_run_folder,
    wait_for_samples,
    wait_until,
    with_values,
)

TURNING, FAN = "fan.tach[electronics]", "fan:electronics"
PRINTING_S = 0.5
QUICK = {
    "[fixture]": {"operator": "false"},
    "[bus.load_test]": {
        "utilisation_percent": "5.0",
        "duration_s": "1.5",
        "bit_error_probability_max": "1e-4",
    },
    # A busy test machine may stop a process for a second.
    "[node]": {"heartbeat_tolerance_percent": "25.0", "host_silence_max_s": str(WATCHED_S)},
    "[console]": {"answer_s": "3.0"},
    "[[fan]]": QUICK_FANS,
    "[limits]": QUICK_LIMITS,
}


@pytest.fixture
def quick_console(fixtures_dir: Path, tmp_path: Path) -> Path:
    """The console-only glue head with short windows."""
    text = (fixtures_dir / "glue_head_console.toml").read_text(encoding="utf-8")
    for header, values in QUICK.items():
        text = with_values(text, header, values)
    file = tmp_path / "quick_console.toml"
    file.write_text(text, encoding="utf-8")
    return file


@pytest.mark.timeout(250)
def test_checks_pass_over_the_adapter_and_the_console(quick_console: Path, runs_dir: Path) -> None:
    """Who it is and a fan, with the gates of both; python-can's slcan on one terminal, lines on the other."""
    with bench_process(quick_console) as bench:
        real = on_real_ports(quick_console, bench.places)
        only = ("--only", "bus.enumerate[head]", "--only", TURNING)
        with hiltest("accept", real, "--out", runs_dir, *only, cwd=real.parent) as run:
            code = run.wait(200)
        assert not wait_until(lambda: bench.is_on(FAN), 0.5)
    record = read_run(only_run_folder(runs_dir))
    assert code == 4, run.text  # only some checks were asked for
    assert {check.outcome for check in record.checks} == {"passed"}, run.text
    identity = next(check for check in record.checks if check.name == "bus.enumerate[head]")
    assert {m.name: m.value for m in identity.measurements}["firmware"] == "1.4.0"


@pytest.mark.timeout(250)
def test_a_host_that_is_killed_is_silent_on_the_console(quick_console: Path, runs_dir: Path) -> None:
    """SIGKILL while a fan turns: no line comes any more, and the node's own watch ends it in time."""
    with bench_process(quick_console) as bench:
        real = on_real_ports(quick_console, bench.places)
        with hiltest("accept", real, "--out", runs_dir, "--only", TURNING, cwd=real.parent) as run:
            wait_for_samples(run, runs_dir, TURNING, 5, 200)
            assert bench.is_on(FAN)
            killed_s = wall_s()
            run.send_signal(signal.SIGKILL)
            off_s, _ = bench.wait_for_line(f" {FAN} off", WATCHED_S + 5.0, after_s=killed_s)
            run.wait(10)
        assert bench.outputs_on() == set()
    assert off_s - killed_s <= WATCHED_S + PRINTING_S
