"""The whole way on a real CAN stack: simulated bench, serial door, the kernel's slcan driver, can0, accept."""

from __future__ import annotations

import contextlib
import fcntl
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

import pytest

from hiltest.canbus.netlink import InterfaceSettings, bring_up, read_facts

N_SLCAN = 17  # linux/tty.h
REPOSITORY = Path(__file__).resolve().parents[3]
HILTEST = (sys.executable, "-m", "hiltest.cli")
BUS_CHECKS = ("bus.quiet", "bus.enumerate", "bus.observer", "bus.load")


def interfaces() -> set[str]:
    """Names of the network interfaces."""
    return {path.name for path in Path("/sys/class/net").iterdir()}


def quick(folder: Path) -> Path:
    """The glue head with a load that this slow kernel can make, and a watch that forgives its pauses."""
    for name in ("glue_head.toml", "glue_head.eds"):
        (folder / name).write_bytes((REPOSITORY / "fixtures" / name).read_bytes())
    file = folder / "glue_head.toml"
    text = file.read_text()
    text = re.sub(r"^utilisation_percent = .*$", "utilisation_percent = 4.0", text, flags=re.MULTILINE)
    text = re.sub(
        r"^duration_s = .*$", "duration_s = 2.0\nbit_error_probability_max = 1e-4", text, flags=re.MULTILINE
    )
    text = re.sub(r"^operator = true.*$", "operator = false", text, flags=re.MULTILINE)
    text = re.sub(
        r"^boot_max_s = .*$", "boot_max_s = 3.0\nheartbeat_tolerance_percent = 30.0", text, flags=re.MULTILINE
    )
    text = re.sub(r"^host_silence_max_s = .*$", "host_silence_max_s = 4.0", text, flags=re.MULTILINE)
    file.write_text(text)
    return file


@contextlib.contextmanager
def can_interface(file: Path, *faults: str) -> Iterator[str]:
    """The name of the interface that the kernel makes of a simulated bench's adapter, up at 1 Mbit/s."""
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
        yield name
    finally:
        os.close(line)
        bench.terminate()
        bench.wait(20)
        bench.stdout.close()


def accept(file: Path, interface: str, runs: Path, *checks: str) -> tuple[int, dict[str, str], str]:
    """Run accept over SocketCAN: exit code, outcome of each check, everything that was said."""
    text = re.sub(r'^channel = "can0"', f'channel = "{interface}"', file.read_text(), flags=re.MULTILINE)
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


@pytest.mark.timeout(180)
def test_the_bus_of_a_healthy_bench_passes_through_the_kernel(tmp_path: Path) -> None:
    """Quiet, enumerated, errors provably seen, loaded without one: over the kernel's can0."""
    file = quick(tmp_path)
    with can_interface(file) as name:
        code, outcomes, said = accept(file, name, tmp_path / "runs", "bus.load")
        state = read_facts(name).state

    wanted = {f"{check}[{'head' if check == 'bus.enumerate' else 'can'}]": "passed" for check in BUS_CHECKS}
    assert {check: outcomes.get(check) for check in wanted} == wanted, said
    assert code == 4, "a run of some checks only is never accepted"
    assert state == "active"


@pytest.mark.timeout(120)
def test_a_broken_line_shows_as_the_kernels_own_errors(tmp_path: Path) -> None:
    """H and L touch: accept rejects, and the kernel itself says that its controller is in trouble."""
    file = quick(tmp_path)
    with can_interface(file, "can_h_l_short") as name:
        code, outcomes, said = accept(file, name, tmp_path / "runs", "bus.enumerate")
        state = read_facts(name).state

    assert code == 1, said
    assert "failed" in outcomes.values()
    assert "passed" not in {outcomes["bus.enumerate[head]"]}
    assert state in ("warning", "passive", "off", "bus-off"), state


def test_an_interface_at_another_bit_rate_is_refused_with_the_command_that_mends_it(tmp_path: Path) -> None:
    """The preflight speaks before anything is sent."""
    file = quick(tmp_path)
    with can_interface(file) as name:
        bring_up(name, InterfaceSettings(bitrate=500_000))
        code, _, said = accept(file, name, tmp_path / "runs", "bus.quiet")

    assert code == 3
    assert "1000000" in said
    assert "ip link set" in said
