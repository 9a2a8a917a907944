"""The whole way on a real CAN stack: simulated bench, serial door, the kernel's slcan driver, can0, accept."""

from __future__ import annotations

import contextlib
import fcntl
import importlib.util
import json
import os
import re
import shlex
import shutil
import struct
import subprocess
import sys
import tempfile
import termios
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import NamedTuple

import can
import pytest

from hiltest.canbus import hostloss
from hiltest.canbus.netlink import InterfaceSettings, bring_up, read_facts
from hiltest.canbus.preflight import RIGHTS_COMMAND
from hiltest.canbus.stamps import KERNEL

N_SLCAN = 17  # linux/tty.h
# linux/can/error.h: classes, and what stands in data[1] and data[2]
CAN_ERR_CRTL, CAN_ERR_PROT, CAN_ERR_BUSOFF, CAN_ERR_BUSERROR, CAN_ERR_CNT = 0x04, 0x08, 0x40, 0x80, 0x200
CAN_ERR_CRTL_TX_WARNING, CAN_ERR_CRTL_TX_PASSIVE = 0x08, 0x20
CAN_ERR_PROT_BIT0 = 0x08
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


def shell(command: str) -> None:
    """Run a command line, which has to succeed."""
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr}"


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


READS = "+dac_read_search"
NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups")
NO_RIGHT = (*NOBODY, f"--inh-caps={READS}", f"--ambient-caps={READS}")
"""An ordinary account, by setpriv(1), that may read the checkout wherever it lies."""


def accept(
    file: Path, places: Places, runs: Path, *checks: str, by: tuple[str, ...] = (), limit_s: float = 100.0
) -> tuple[int, dict[str, str], str]:
    """Run accept over SocketCAN: exit code, outcome of each check, everything that was said. No checks: all of them."""
    text = rig.with_values(file.read_text(), "[bus]", {"channel": f'"{places.interface}"'})
    text = rig.with_values(text, "[console]", {"port": f'"{places.console}"'})
    real = file.with_name("real.toml")
    real.write_text(text)
    only = [word for check in checks for word in ("--only", check)]
    command = [*by, *HILTEST, "accept", str(real), "--out", str(runs), *only]
    environment = {**os.environ, **({"TMPDIR": str(file.parent)} if by else {})}
    try:
        done = subprocess.run(
            command, env=environment, capture_output=True, text=True, check=False, timeout=limit_s
        )
    except subprocess.TimeoutExpired as late:
        heard = b"".join(part for part in (late.stdout, late.stderr) if isinstance(part, bytes))
        pytest.fail(f"accept did not end within {limit_s:g} s: {heard.decode(errors='replace')}")
    said = done.stdout + done.stderr
    records = list(runs.glob("*/run.json"))
    assert len(records) == 1, said
    record = json.loads(records[0].read_text())
    return done.returncode, {check["name"]: check["outcome"] for check in record["checks"]}, said


@pytest.mark.timeout(450)
def test_a_healthy_bench_is_accepted_over_the_kernel_s_can0(tmp_path: Path) -> None:
    """The whole catalogue of the small head through SocketCAN: accepted, exit code 0, and the interface sound afterwards."""
    file = quick(tmp_path)
    with can_interface(file) as places:
        code, outcomes, said = accept(file, places, tmp_path / "runs", limit_s=400.0)
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
    record = json.loads(next(tmp_path.glob("runs/*/run.json")).read_text())
    latency = next(check for check in record["checks"] if check["name"] == "bus.latency[head]")
    (source,) = [each["value"] for each in latency["measurements"] if each["name"] == "stamp source"]
    assert source == KERNEL
    assert facts.state == "active"


def heard_by(ears: can.BusABC) -> list[can.Message]:
    """All that waits in this socket; that its interface was down meanwhile is told once, before the rest."""
    heard: list[can.Message] = []
    for _ in range(100):
        with contextlib.suppress(can.CanOperationError):
            while (message := ears.recv(0.0)) is not None:
                heard.append(message)
            break
    return heard


@pytest.mark.timeout(120)
def test_a_broken_line_shows_as_the_kernels_own_errors(tmp_path: Path) -> None:
    """H and L touch: accept rejects, and the kernel itself tells the kinds of errors and that its controller is in trouble."""
    file = quick(tmp_path)
    with (
        can_interface(file, "can_h_l_short") as places,
        can.Bus(interface="socketcan", channel=places.interface, ignore_config=True) as ears,
    ):
        hostloss.give_room(ears.socket)
        code, outcomes, said = accept(file, places, tmp_path / "runs", "bus.enumerate")
        heard = [message for message in heard_by(ears) if message.is_error_frame]

    assert code == 1, said
    assert "failed" in outcomes.values()
    assert "passed" not in {outcomes["bus.enumerate[head]"]}
    assert "H and L touch each other" in said
    kinds = {(message.arbitration_id & ~CAN_ERR_CNT, bytes(message.data[1:3])) for message in heard}
    told = {
        (CAN_ERR_CRTL, bytes([CAN_ERR_CRTL_TX_WARNING, 0])),
        (CAN_ERR_CRTL, bytes([CAN_ERR_CRTL_TX_PASSIVE, 0])),
        (CAN_ERR_BUSOFF, bytes(2)),
    }
    # Newer kernels pass over error lines of four characters or fewer.
    bit0 = {(CAN_ERR_PROT | CAN_ERR_BUSERROR, bytes([0, CAN_ERR_PROT_BIT0]))}
    assert kinds in (told | bit0, told)
    assert bit0 <= kinds or os.uname().release >= "6.6"
    warned = [message.data[6] for message in heard if message.data[1] == CAN_ERR_CRTL_TX_WARNING]
    assert warned[0] == 96, "ISO 11898-1: twelve failed frames of eight counts each"


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Places]:
    """One healthy bench for the short runs."""
    with can_interface(quick(tmp_path_factory.mktemp("healthy"))) as places:
        yield places


@pytest.fixture
def ready(healthy: Places) -> Places:
    """The interface of that bench, up at its bit rate."""
    bring_up(healthy.interface, InterfaceSettings(bitrate=1_000_000, queue_length=200))
    return healthy


@pytest.mark.timeout(180)
def test_an_interface_at_another_bit_rate_is_refused_with_the_command_that_mends_it(
    tmp_path: Path, ready: Places
) -> None:
    """The preflight speaks before anything is sent."""
    # Down, for up it would disturb this bench, which the next test needs.
    shell(f"ip link set {ready.interface} down && ip link set {ready.interface} type can bitrate 500000")
    code, _, said = accept(quick(tmp_path), ready, tmp_path / "runs", "bus.quiet")

    assert code == 3
    assert "1000000" in said
    assert "ip link set" in said


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder in which everybody may write; in memory, for what is made on the machine's own files belongs to root."""
    folder = Path(tempfile.mkdtemp(dir="/dev/shm"))
    folder.chmod(0o777)
    yield folder
    shutil.rmtree(folder)


@pytest.mark.timeout(240)
def test_without_the_right_to_set_the_interface_the_run_says_so_and_how_to_get_it(
    open_folder: Path, ready: Places
) -> None:
    """An ordinary account: told before the first frame, bus.observer not observable, and the interface as it was; the
    printed command gives the right.
    """
    name, file = ready.interface, quick(open_folder)
    shell(
        f"ip link set {name} down && ip link set {name} txqueuelen 37 up type can bitrate 1000000 sample-point 0.75"
    )
    code, outcomes, said = accept(file, ready, open_folder / "runs", "bus.observer", by=NO_RIGHT)

    assert code == 4, said
    assert (outcomes["bus.enumerate[head]"], outcomes["bus.observer[can]"]) == ("passed", "not observable"), (
        said
    )
    assert RIGHTS_COMMAND in said
    record = json.loads(next(open_folder.glob("runs/*/run.json")).read_text())
    notes = next(check["notes"] for check in record["checks"] if check["name"] == "bus.quiet[can]")
    assert any(f"this account may not set {name}" in note and RIGHTS_COMMAND in note for note in notes), notes
    assert any("queues 37 frames" in note for note in notes), notes
    right = [f"{word},{READS}" for word in shlex.split(RIGHTS_COMMAND) if word.endswith("=+net_admin")]
    before = read_facts(name)
    code, outcomes, said = accept(file, ready, open_folder / "more", "bus.observer", by=(*NOBODY, *right))
    after = read_facts(name)

    assert outcomes["bus.observer[can]"] == "passed", said
    assert (after.queue_length, after.sample_point, after.bitrate) == (37, 0.75, 1_000_000)
    assert replace(after, counters=before.counters, restart_offered=None) == replace(
        before, restart_offered=None
    )


@pytest.mark.timeout(180)
def test_a_description_is_drafted_through_the_kernel(tmp_path: Path, ready: Places) -> None:
    """Over can0: bit rate by listening only, the node's identity by asking, blanks that accept refuses by line."""
    out = tmp_path / "drafted" / "head.toml"
    name = ready.interface
    before = read_facts(name)
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
    assert "good frames were heard at it, without taking part" in text, text
    after = read_facts(name)
    assert replace(after, counters=before.counters, restart_offered=None) == replace(
        before, restart_offered=None
    )
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
