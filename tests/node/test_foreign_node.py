"""A node in a process that shares no code with hiltest is accepted in real time, and rejected when its motor is reversed."""

from __future__ import annotations

import ast
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from hiltest.campaign.runner import run_catalogue
from hiltest.evidence.model import RunRecord
from hiltest.settings import Settings

NODE = Path(__file__).with_name("foreign_node.py")
SILENT_S = 0.2
"""What the node sends every 20 ms is stale after twenty periods, 0.4 s; half of that is the machine's fault alone."""

GATE_DBC = """VERSION ""
BU_: Host Gate
BO_ 256 Gate_Command: 8 Host
 SG_ AllOff : 0|1@1+ (1,0) [0|1] "" Gate
 SG_ Motor : 1|1@1+ (1,0) [0|1] "" Gate
 SG_ Count : 8|8@1+ (1,0) [0|255] "" Gate
 SG_ Fan : 16|8@1+ (1,0) [0|100] "%" Gate
 SG_ Sum : 56|8@1+ (1,0) [0|255] "" Gate
BO_ 257 Gate_Move: 6 Host
 SG_ Target : 0|32@1- (1,0) [-100000|100000] "" Gate
 SG_ Speed : 32|16@1+ (1,0) [0|65535] "" Gate
BO_ 258 Gate_Set: 4 Host
 SG_ Current : 0|16@1+ (0.001,0) [0|10] "A" Gate
 SG_ Microsteps : 16|16@1+ (1,0) [0|256] "" Gate
BO_ 259 Gate_Reset: 1 Host
 SG_ Key : 0|8@1+ (1,0) [0|255] "" Gate
BO_ 512 Gate_State: 8 Gate
 SG_ Alive : 0|4@1+ (1,0) [0|15] "" Host
 SG_ Home : 4|1@1+ (1,0) [0|1] "" Host
 SG_ Enabled : 5|1@1+ (1,0) [0|1] "" Host
 SG_ Moving : 6|1@1+ (1,0) [0|1] "" Host
 SG_ Supply : 8|16@1+ (0.001,0) [0|65] "V" Host
 SG_ Uptime : 24|16@1+ (0.1,0) [0|6553.5] "s" Host
 SG_ Errors : 40|16@1+ (1,0) [0|65535] "" Host
 SG_ ErrorsOut : 56|8@1+ (1,0) [0|255] "" Host
BO_ 513 Gate_Motion: 8 Gate
 SG_ Position : 0|32@1- (1,0) [-100000|100000] "" Host
 SG_ Tach : 32|16@1+ (0.1,0) [0|6553.5] "Hz" Host
 SG_ Flags : 48|8@1+ (1,0) [0|255] "" Host
 SG_ ErrorsIn : 56|8@1+ (1,0) [0|255] "" Host
BO_ 514 Gate_Info: 8 Gate
 SG_ Serial : 7|32@0+ (1,0) [0|4294967295] "" Host
 SG_ CurrentSet : 39|16@0+ (0.001,0) [0|65] "A" Host
 SG_ MicrostepsSet : 55|16@0+ (1,0) [0|65535] "" Host
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 256 100;
BA_ "GenMsgCycleTime" BO_ 257 100;
BA_ "GenMsgCycleTime" BO_ 512 200;
BA_ "GenMsgCycleTime" BO_ 513 20;
BA_ "GenMsgCycleTime" BO_ 514 200;
VAL_ 259 Key 165 "Now" ;
"""

GATE = """
[fixture]
name = "hopper gate"
may_be_missing = ["bus.latency", "safe.firmware_hung"]
[supply]
voltage_v = 24.0
current_limit_a = 2.0
fuse_a = 2.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "slcan"
channel = "{channel}"
options = {{ sleep_after_open = 0.0 }}
bit_rate_bps = 125_000
length_m = 5.0
[bus.load_test]
utilisation_percent = 5.0
duration_s = 1.0
with_loads_s = 0.5
bit_error_probability_max = 1e-3
[limits]
quiet_s = 0.5
guard_silence_s = 3.0
drill_silence_s = 1.0
[node]
name = "gate"
protocol = "signals"
database = "gate.dbc"
heartbeat = "Gate_State"
heartbeat_s = 0.2
heartbeat_tolerance_percent = 25.0
host_silence_max_s = 1.6
stale_periods = 20.0  # a busy test machine may stop a process for a while
message = [
    {{ name = "Gate_Command", counter = "Count", checksum = "Sum" }},
    {{ name = "Gate_State", counter = "Alive" }},
]
[node.roles]
supply_v = "Gate_State.Supply"
uptime_s = "Gate_State.Uptime"
bus_errors = "Gate_State.Errors"
transmit_errors = "Gate_State.ErrorsOut"
receive_errors = "Gate_Motion.ErrorsIn"
serial_number = "Gate_Info.Serial"
all_off = "Gate_Command.AllOff"
restart = {{ at = "Gate_Reset.Key", on = "Now" }}
[[fan]]
name = "dust"
full_speed_rpm = 3000.0
duties = [1.0]
roles.duty = {{ at = "Gate_Command.Fan", scale = 0.01 }}
roles.tach_hz = "Gate_Motion.Tach"
[[stepper]]
name = "slide"
rated_current_a = 1.0
run_current_a = 0.7
speed_rev_s = 5.0
long_move_rev = 0.5
home_switch = "shut"
[stepper.roles]
current_a = {{ at = "Gate_Set.Current", feedback = "Gate_Info.CurrentSet" }}
microsteps = {{ at = "Gate_Set.Microsteps", feedback = "Gate_Info.MicrostepsSet" }}
flags = "Gate_Motion.Flags"
enable = {{ at = "Gate_Command.Motor", feedback = "Gate_State.Enabled" }}
target = "Gate_Move.Target"
speed = "Gate_Move.Speed"
position = "Gate_Motion.Position"
moving = "Gate_State.Moving"
[[switch]]
name = "shut"
roles.state = "Gate_State.Home"
"""


@dataclass
class Held:
    """How long the machine held up the node's process or this one at most, in s; known when both have ended."""

    longest_s: float = 0.0

    @contextmanager
    def watch(self) -> Iterator[None]:
        """Look around in this process, as the node does in its own."""
        over = threading.Event()

        def look() -> None:
            last = time.monotonic()
            while not over.wait(0.01):
                now = time.monotonic()
                self.longest_s, last = max(self.longest_s, now - last), now

        thread = threading.Thread(target=look, daemon=True)
        thread.start()
        try:
            yield
        finally:
            over.set()
            thread.join()


@contextmanager
def gate(folder: Path, *faults: str, held: Held | None = None) -> Iterator[Path]:
    """The node's process; gives the description of a bench with it."""
    (folder / "gate.dbc").write_text(GATE_DBC)
    command = [sys.executable, str(NODE), str(folder / "gate.dbc"), "125000", *faults]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdin is not None
        channel = process.stdout.readline().strip()
        assert channel.startswith("socket://"), "the node did not start"
        description = folder / "gate.toml"
        description.write_text(GATE.format(channel=channel))
        try:
            yield description
        finally:
            process.stdin.write("end\n")
            process.stdin.close()
            said = process.stdout.read().split()
            process.wait(10)
            if held is not None and said:
                held.longest_s = max(held.longest_s, float(said[-1]))


def run(folder: Path, *faults: str, only: tuple[str, ...] = (), held: Held | None = None) -> RunRecord:
    held = held or Held()
    with gate(folder, *faults, held=held) as description, held.watch():
        return run_catalogue(Settings(file=description), None, only)


def test_the_node_shares_no_code_with_hiltest() -> None:
    """It imports the standard library, python-can and cantools; no line of it is ours to agree with."""
    tree = ast.parse(NODE.read_text())
    names = {
        (name.name if isinstance(node, ast.Import) else node.module or "").partition(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in node.names
    }
    assert names - set(sys.stdlib_module_names) == {"can", "cantools"}


def test_a_foreign_node_is_accepted_in_real_time(tmp_path: Path) -> None:
    """From a short description with a DBC file, behind python-can's own serial-line interface.

    In real time a process that this machine holds up is a node, or a host, that fell silent. Both measure it: a run in
    which one was held up for as long as that shows nothing, and two of them are no result.
    """
    found = []
    for turn in ("first", "second"):
        (folder := tmp_path / turn).mkdir()
        record = run(folder, held=(held := Held()))
        found += [
            f"{turn}: {check.name}: {check.reason}"
            for check in record.checks
            if check.outcome in ("failed", "error")
        ]
        if record.verdict == "accepted" or held.longest_s < SILENT_S:
            break
    assert not record.simulated
    if record.verdict != "accepted" and held.longest_s >= SILENT_S:
        pytest.skip(f"this machine held node or host up for {held.longest_s:.1f} s in the last of two runs")
    assert record.verdict == "accepted", "\n".join(
        [*found, f"node or host was held up for {held.longest_s:.3f} s"]
    )


def test_with_its_motor_reversed_it_is_rejected(tmp_path: Path) -> None:
    """The switch stays actuated while the counter counts: nothing longer is moved."""
    record = run(tmp_path, "reversed", only=("motion.return[slide]",))
    found = {check.name: check for check in record.checks}
    assert record.verdict == "rejected"
    assert found["motion.direction[slide]"].outcome == "failed"
    assert "wrong way" in found["motion.direction[slide]"].reason
    assert found["motion.return[slide]"].outcome == "not run"
