"""Two buses behind two adapters of different kinds, in real time: one loop hears both, and neither makes the other late."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from .rig import bench_process, slower_heartbeat

BOARDS = """
[fixture]
name = "two boards"
[supply]
voltage_v = 24.0
current_limit_a = 4.0
[harness]
length_m = 1.0
power_awg = 20
"""
BOARD = """
[[bus]]
name = "{bus}"
{adapter}
bit_rate_bps = 500_000
length_m = 1.0
[[node]]
name = "{bus}_board"
bus = "{bus}"
node_id = 5
eds = "glue_head.eds"
heartbeat_s = 0.2
roles.all_off = "0x2010"
[[sensor]]
name = "{bus}"
node = "{bus}_board"
r25_ohm = 10_000.0
beta_k = 3435.0
pull_up_ohm = 10_000.0
roles.temperature_c = {{ at = "0x7130:1", scale = 0.1 }}
"""

OWN = """
import pytest

def test_both(nodes, link, bench_clock):
    for name in ("front", "rear"):
        assert 10 < nodes[f"{name}_board"].read_temperature_c(name) < 40
    beats = []
    for node in nodes.values():
        node.on_reading(lambda reading: beats.append((reading.name, reading.t_ns)) if reading.kind == "heartbeat" else None)
    link.run_for(4.0)
    for name in ("front_board", "rear_board"):
        times = [t_ns for node, t_ns in beats if node == name]
        assert len(times) >= 10, (name, len(times))
        assert (times[-1] - times[0]) / 1e9 / (len(times) - 1) == pytest.approx(0.2, rel=0.2)
    assert beats[-1][1] <= bench_clock.now_ns

@pytest.mark.hil_node("rear_board")
def test_one(node, can_bus):
    heard = [can_bus.recv(timeout=2.0) for _ in range(3)]
    assert all(message is not None and message.channel == "rear" for message in heard)
"""


def test_one_loop_reads_two_real_adapters(tmp_path: Path, fixtures_dir: Path) -> None:
    """python-can's slcan on one, hiltest's own serial-line bus on the other, both in one select."""
    (tmp_path / "glue_head.eds").write_text(slower_heartbeat((fixtures_dir / "glue_head.eds").read_text()))
    (tmp_path / "test_own.py").write_text(OWN)
    places = {
        "front": 'interface = "socketcan"\nchannel = "a"',
        "rear": 'interface = "socketcan"\nchannel = "b"',
    }
    text = BOARDS + "".join(BOARD.format(bus=bus, adapter=adapter) for bus, adapter in places.items())
    (tmp_path / "bench.toml").write_text(text)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    with bench_process(tmp_path / "bench.toml") as bench:
        assert {"adapter front", "adapter rear"} <= set(bench.places)
        front = f'interface = "slcan"\nchannel = "{bench.places["adapter front"]}"\noptions.sleep_after_open = 0.0'
        rear = f'interface = "hiltest-serial"\nchannel = "{bench.places["adapter rear"]}"'
        real = BOARDS + BOARD.format(bus="front", adapter=front) + BOARD.format(bus="rear", adapter=rear)
        (tmp_path / "real.toml").write_text(real)
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", "--hil=real.toml", "test_own.py"],
            cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=200, check=False,
        )  # fmt: skip
    assert done.returncode == pytest.ExitCode.OK, done.stdout + done.stderr
