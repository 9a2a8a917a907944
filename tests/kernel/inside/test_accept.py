"""The whole way on a real CAN stack: simulated bench, serial door, the kernel's slcan driver, can0, accept."""

from __future__ import annotations

import contextlib
import fcntl
import importlib.util
import json
import os
import re
import struct
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType
from typing import NamedTuple

import pytest

from hiltest.canbus.netlink import InterfaceSettings, bring_up, read_facts

N_SLCAN = 17  # linux/tty.h
REPOSITORY = Path(__file__).resolve().parents[3]
FIXTURES = REPOSITORY / "fixtures"
HILTEST = (sys.executable, "-m", "hiltest.cli")


def _rig() -> ModuleType:
    """What the tests of real processes share; loaded by its place, for tests are no installed package."""
    spec = importlib.util.spec_from_file_location("rig", REPOSITORY / "tests" / "process" / "rig.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["rig"] = module
    spec.loader.exec_module(module)
    return module


rig = _rig()


def interfaces() -> set[str]:
    """Names of the network interfaces."""
    return {path.name for path in Path("/sys/class/net").iterdir()}


LEFT_OUT = ("[[heater", "[heater", "[[stepper", "[stepper", "[[switch", "[[lamp", "[[bus.traffic")
"""Sections of the glue head that take minutes of real time, or a person. What is left is a node with its console, two
sensors and a fan, which has everything that the bus checks and the drills of a node need.
"""


def quick(folder: Path) -> Path:
    """The glue head made small and quick, with a load that this slow kernel can make, and limits that forgive its pauses."""
    text = rig.quick_text((FIXTURES / "glue_head.toml").read_text())
    text = "".join(
        part for part in re.split(r"^(?=\[)", text, flags=re.MULTILINE) if not part.startswith(LEFT_OUT)
    )
    text = rig.with_values(text, "[[fan]]", {"duties": "[1.0]"})
    text = rig.with_values(text, "[bus.load_test]", {"utilisation_percent": "4.0"})
    silence = {"host_silence_max_s": "4.0", "emergency_stop": "false", "boot_max_s": "3.0"}
    text = rig.with_values(text, "[node]", {**silence, "heartbeat_tolerance_percent": "30.0"})
    file = folder / "glue_head.toml"
    file.write_text(text)
    (folder / "glue_head.eds").write_text(rig.slower_heartbeat((FIXTURES / "glue_head.eds").read_text()))
    return file


class Places(NamedTuple):
    """Where the bench is: the kernel's interface, and the console's pseudo-terminal."""

    interface: str
    console: str


@contextlib.contextmanager
def can_interface(file: Path, *faults: str) -> Iterator[Places]:
    """A simulated bench whose adapter the kernel made an interface of, up at 1 Mbit/s, and its console."""
    arguments = [word for fault in faults for word in ("--fault", fault)]
    bench = subprocess.Popen(
        [*HILTEST, "bench", str(file), *arguments],
        stdout=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        text=True,
    )
    assert bench.stdout is not None
    places = {}
    for line in bench.stdout:
        if line.strip() == "ready":
            break
        name, _, place = line.strip().partition(": ")
        places[name] = place
    before = interfaces()
    line = os.open(places["adapter"], os.O_RDWR | os.O_NOCTTY)
    try:
        tty.setraw(line)
        fcntl.ioctl(line, termios.TIOCSETD, struct.pack("i", N_SLCAN))
        (name,) = interfaces() - before
        bring_up(name, InterfaceSettings(bitrate=1_000_000, queue_length=200))
        yield Places(name, places["console"])
    finally:
        os.close(line)
        bench.terminate()
        bench.wait(20)
        bench.stdout.close()


def accept(file: Path, places: Places, runs: Path, *checks: str) -> tuple[int, dict[str, str], str]:
    """Run accept over SocketCAN: exit code, outcome of each check, everything that was said. No checks: all of them."""
    text = rig.with_values(file.read_text(), "[bus]", {"channel": f'"{places.interface}"'})
    text = rig.with_values(text, "[console]", {"port": f'"{places.console}"'})
    real = file.with_name("real.toml")
    real.write_text(text)
    only = [word for check in checks for word in ("--only", check)]
    done = subprocess.run(
        [*HILTEST, "accept", str(real), "--out", str(runs), *only],
        capture_output=True,
        text=True,
        check=False,
    )
    said = done.stdout + done.stderr
    (folder,) = runs.iterdir()
    record = json.loads((folder / "run.json").read_text())
    return done.returncode, {check["name"]: check["outcome"] for check in record["checks"]}, said


@pytest.mark.timeout(400)
def test_a_healthy_bench_is_accepted_over_the_kernel_s_can0(tmp_path: Path) -> None:
    """The whole catalogue of the small head through SocketCAN: accepted, exit code 0, and the interface sound afterwards."""
    file = quick(tmp_path)
    with can_interface(file) as places:
        code, outcomes, said = accept(file, places, tmp_path / "runs")
        facts = read_facts(places.interface)

    assert code == 0, said
    assert "verdict: accepted" in said
    assert set(outcomes.values()) == {"passed"}, outcomes
    wanted = {
        "bus.quiet[can]",
        "bus.enumerate[head]",
        "bus.observer[can]",
        "bus.load[can]",
        "bus.latency[head]",
    }
    wanted |= {
        "bus.heartbeat[head]",
        "fan.tach[electronics]",
        "safe.host_silence[head]",
        "safe.bus_cut[head]",
    }
    assert wanted <= set(outcomes)
    assert facts.state == "active"


@pytest.mark.timeout(120)
def test_a_broken_line_shows_as_the_kernels_own_errors(tmp_path: Path) -> None:
    """H and L touch: accept rejects, and the kernel itself says that its controller is in trouble."""
    file = quick(tmp_path)
    with can_interface(file, "can_h_l_short") as places:
        code, outcomes, said = accept(file, places, tmp_path / "runs", "bus.enumerate")
        state = read_facts(places.interface).state

    assert code == 1, said
    assert "failed" in outcomes.values()
    assert "passed" not in {outcomes["bus.enumerate[head]"]}
    assert state in ("warning", "passive", "off", "bus-off"), state


@pytest.mark.timeout(180)
def test_an_interface_at_another_bit_rate_is_refused_with_the_command_that_mends_it(tmp_path: Path) -> None:
    """The preflight speaks before anything is sent."""
    file = quick(tmp_path)
    with can_interface(file) as places:
        bring_up(places.interface, InterfaceSettings(bitrate=500_000))
        code, _, said = accept(file, places, tmp_path / "runs", "bus.quiet")

    assert code == 3
    assert "1000000" in said
    assert "ip link set" in said


@pytest.mark.timeout(180)
def test_a_description_is_drafted_through_the_kernel(tmp_path: Path) -> None:
    """Over can0: bit rate from the kernel, the node's identity by asking, blanks that accept refuses by line."""
    file = quick(tmp_path)
    out = tmp_path / "drafted" / "head.toml"
    with can_interface(file) as places:
        name = places.interface
        command = [*HILTEST, "draft", "--interface", "socketcan", "--channel", name]
        done = subprocess.run(
            [*command, "--files", str(REPOSITORY / "fixtures"), "--out", str(out)],
            capture_output=True,
            text=True,
            check=False,
        )
    assert done.returncode == 0, done.stdout + done.stderr
    text = out.read_text()
    assert "bit_rate_bps = 1000000" in text
    assert f"{name} is set to it in the kernel" in text
    assert 'interface = "socketcan"' in text
    assert "product_code = 0x00474C31" in text
    assert 'eds = "glue_head.eds"' in text

    refused = subprocess.run(
        [*HILTEST, "accept", str(out), "--out", str(tmp_path / "runs")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert refused.returncode == 2
    line = next(n for n, each in enumerate(text.splitlines(), 1) if each.startswith("voltage_v"))
    assert f"head.toml:{line}: supply.voltage_v" in refused.stderr
