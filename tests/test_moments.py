"""A run that ends at any moment: killed, interrupted, unplugged. benches/guard_moments.py does the same many times.

Nothing that the test's own process does is in the way: the run goes on in a process of its own, in simulated time, and
is forked at each moment.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

INSIDE = Path(__file__).with_name("moments_inside.py")
STATED_S = 1.0
"""host_silence_max_s of the glue head: how long after the host fell silent every output is off."""
SWITCHED_OFF_S = 0.1
"""An interrupted host commands off itself: a few frames, and the node's own time to act."""


def moments(
    file: Path, out: Path, count: int, seed: int, over: str, *faults: str, timeout_s: float = 280.0
) -> dict[str, Any]:
    """What became of `count` random moments of one run."""
    words = [
        sys.executable,
        "-W",
        "ignore",
        str(INSIDE),
        str(file),
        str(out),
        str(count),
        str(seed),
        over,
        *faults,
    ]
    done = subprocess.run(words, capture_output=True, text=True, timeout=timeout_s, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    found: dict[str, Any] = json.loads(done.stdout.splitlines()[-1])
    return found


def test_whenever_a_run_ends_outputs_are_off_in_time_and_nothing_measured_is_lost(
    glue_head: Path, tmp_path: Path
) -> None:
    """Twelve moments at which something was on; the run that was not disturbed is accepted all the same."""
    found = moments(glue_head, tmp_path, 12, 11, "on")
    assert found["verdict"] == "accepted"
    assert len(found["moments"]) == 12
    assert {each["kind"] for each in found["moments"]} == {"killed", "interrupted", "unplugged"}
    for each in found["moments"]:
        assert each["on_before"], each
        assert each["on_after"] == [], each
        assert each["late_s"] <= (SWITCHED_OFF_S if each["kind"] == "interrupted" else STATED_S), each
        assert each["kept"] >= each["measured"] > 0, each
        assert each["is_whole"], each
        assert each["verdict"] == "incomplete", each


def test_a_node_without_a_watch_is_caught_by_the_same_look(glue_head: Path, tmp_path: Path) -> None:
    """A fan of a node that does not watch its host turns on and on: this test can fail."""
    found = moments(glue_head, tmp_path, 4, 5, "on", "host_watch_missing")
    killed = [each for each in found["moments"] if each["kind"] == "killed"]
    assert killed
    assert any(each["on_after"] for each in killed)
