"""What the tests of the simulated world share: the glue head's bench, and a bare host on its bus."""

from __future__ import annotations

import struct
from functools import cache
from pathlib import Path
from typing import Any

from hiltest.canbus.frame import Frame
from hiltest.description.loading import load_description, load_text
from hiltest.description.models import Description
from hiltest.simbench.bench import ADAPTER_TAP, Bench
from hiltest.simbench.controller import Controller, Timing

FIXTURES = Path(__file__).resolve().parents[2] / "fixtures"

STARTED = "01"
TWO_HEATERS = """
[fixture]
name = "two zones"
[supply]
voltage_v = 24.0
current_limit_a = 8.0
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 500_000
length_m = 3.0
[harness]
length_m = 2.0
power_awg = 18
[node]
name = "head"
node_id = 5
eds = "glue_head.eds"
[[sensor]]
name = "left"
r25_ohm = 100_000.0
beta_k = 3950.0
pull_up_ohm = 4_700.0
roles.temperature_c = { at = "0x7130:1", scale = 0.1 }
[[sensor]]
name = "right"
r25_ohm = 100_000.0
beta_k = 3950.0
pull_up_ohm = 4_700.0
roles.temperature_c = { at = "0x7130:2", scale = 0.1 }
[[heater]]
name = "left"
sensor = "left"
power_w = 40.0
heat_capacity_j_k = 20.0
loss_w_k = 0.12
ceiling_c = 210.0
roles.setpoint_c = { at = "0x2100:1", scale = 0.1 }
[[heater]]
name = "right"
sensor = "right"
power_w = 40.0
heat_capacity_j_k = 20.0
loss_w_k = 0.12
ceiling_c = 210.0
roles.setpoint_c = { at = "0x2100:2", scale = 0.1 }
[[stepper]]
name = "one"
rated_current_a = 1.0
run_current_a = 0.7
[[stepper]]
name = "two"
rated_current_a = 1.0
run_current_a = 0.7
"""


@cache
def glue_head() -> Description:
    """The glue head's description."""
    return load_description(FIXTURES / "glue_head.toml").description


@cache
def two_heaters() -> Description:
    """A node with two of each thing that can be swapped."""
    return load_text(TWO_HEATERS, FIXTURES).description


@cache
def with_encoder() -> Description:
    """The glue head, with an encoder of 2000 counts a turn on its pump."""
    text = (FIXTURES / "glue_head.toml").read_text(encoding="utf-8")
    text = text.replace(
        'home_switch = "pump_home"', 'encoder_counts_per_rev = 2000\nhome_switch = "pump_home"', 1
    )
    return load_text(text, FIXTURES).description


class Host:
    """A controller on the bus that sends frames and keeps what it hears. No protocol of ours in it."""

    def __init__(self, bench: Bench, *, heartbeat: bool = True, listen_only: bool = False) -> None:
        self.bench = bench
        bus = bench.description.bus[0]
        self.controller = Controller(
            bench.wires[bus.name], ADAPTER_TAP, Timing(bus.bit_rate_bps, bus.sample_point_percent / 100.0)
        )
        self.controller.listen_only = listen_only
        self.heard: list[Frame] = []
        self.errors: list[Any] = []
        self.alive = heartbeat
        self.controller.on_frame(self.heard.append)
        self.controller.on_error(self.errors.append)
        bench.queue.every(100_000_000, self._beat, 800_000_000)

    def _beat(self) -> None:
        if self.alive:
            self.controller.send(Frame(0x77F, b"\x05"))

    def send(self, can_id: int, data: bytes | str) -> None:
        """Send a frame; data as bytes or hexadecimal."""
        self.controller.send(Frame(can_id, bytes.fromhex(data) if isinstance(data, str) else data))

    def nmt(self, command: int, node: int = 5) -> None:
        """An NMT command, and a moment for it."""
        self.send(0x000, bytes([command, node]))
        self.bench.run_for(0.002)

    def of(self, can_id: int) -> list[Frame]:
        """What was heard under one identifier."""
        return [frame for frame in self.heard if frame.can_id == can_id]

    def sdo(self, request: bytes | str, node: int = 5) -> bytes:
        """One SDO request and its answer; empty if none came within 50 ms."""
        before = len(self.of(0x580 + node))
        self.send(
            0x600 + node, request if isinstance(request, bytes) else bytes.fromhex(request).ljust(8, b"\0")
        )
        for _ in range(50):
            self.bench.run_for(0.001)
            answers = self.of(0x580 + node)
            if len(answers) > before:
                return answers[-1].data
        return b""

    def read(self, index: int, sub: int = 0, node: int = 5) -> int:
        """Value of an expedited read, unsigned; -1 for an abort or no answer."""
        answer = self.sdo(struct.pack("<BHB4x", 0x40, index, sub), node)
        if not answer or answer[0] & 0xE0 != 0x40:
            return -1
        return int.from_bytes(answer[4 : 8 - (answer[0] >> 2 & 3)], "little")

    def read_signed(self, index: int, sub: int = 0, node: int = 5) -> int:
        """Value of an expedited read, signed."""
        answer = self.sdo(struct.pack("<BHB4x", 0x40, index, sub), node)
        return int.from_bytes(answer[4 : 8 - (answer[0] >> 2 & 3)], "little", signed=True)

    def write(self, index: int, sub: int, value: int, size: int, node: int = 5) -> int:
        """Expedited write; 0 when confirmed, else the abort code (-1: no answer)."""
        head = struct.pack("<BHB", 0x23 | (4 - size) << 2, index, sub)
        answer = self.sdo(head + value.to_bytes(size, "little", signed=value < 0).ljust(4, b"\0"), node)
        if not answer:
            return -1
        return 0 if answer[0] == 0x60 else int.from_bytes(answer[4:], "little")

    def start(self) -> Host:
        """Wait for the node's boot-up and bring it to operational."""
        self.bench.run_for(1.0)
        self.nmt(0x01)
        return self


def bench(
    *faults: str, seed: int = 1, tolerances: bool = True, description: Description | None = None
) -> Bench:
    """The glue head's bench (or another) with these faults."""
    return Bench(description or glue_head(), folder=FIXTURES, seed=seed, faults=faults, tolerances=tolerances)


def running(
    *faults: str, seed: int = 1, tolerances: bool = True, description: Description | None = None
) -> tuple[Bench, Host]:
    """A bench with a host whose node is operational."""
    made = bench(*faults, seed=seed, tolerances=tolerances, description=description)
    return made, Host(made).start()


def configure_axis(host: Host, base: int = 0) -> None:
    """Set the driver and enable operation, as CiA 402 says."""
    driver = 0x2300 + (0x10 if base else 0)
    host.write(driver, 1, 700, 2)
    host.write(driver, 3, 16, 2)
    for word in (0x06, 0x07, 0x0F):
        host.write(0x6040 + base, 0, word, 2)


def move(host: Host, microsteps: int, seconds: float, base: int = 0) -> None:
    """A relative move, and time for it."""
    host.write(0x607A + base, 0, microsteps, 4)
    host.write(0x6040 + base, 0, 0x5F, 2)
    host.write(0x6040 + base, 0, 0x4F, 2)
    host.bench.run_for(seconds)
