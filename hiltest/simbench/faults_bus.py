"""Faults of the bus: wiring, terminators, noise, bit timing, foreign senders."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import partial
from random import Random
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.physics.line import LineNetwork, Tap, Terminator
from hiltest.simbench.controller import Controller
from hiltest.simbench.fault_places import add_leak, change_tap, edit_line
from hiltest.simbench.fault_registry import fault
from hiltest.simbench.reception import TAIL

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board

WIRING, TIMING, TRAFFIC = "bus wiring", "bit timing", "bus traffic"


# --- wiring -------------------------------------------------------------------------------------------


@fault(WIRING, "CAN-H is open at the node's plug", "node")
def can_h_open(bench: Bench, target: str, _: float) -> None:
    change_tap(bench, target, open_h=True)


@fault(WIRING, "CAN-L is open at the node's plug", "node")
def can_l_open(bench: Bench, target: str, _: float) -> None:
    change_tap(bench, target, open_l=True)


@fault(WIRING, "the node's bus plug is out", "node")
def can_unplugged(bench: Bench, target: str, _: float) -> None:
    change_tap(bench, target, open_h=True, open_l=True)


@fault(WIRING, "CAN-H and CAN-L are crossed at the node's plug", "node")
def can_swapped(bench: Bench, target: str, _: float) -> None:
    change_tap(bench, target, swapped=True)


@fault(WIRING, "CAN-H touches CAN-L in the cable", "bus", unit="ohm", default=0.5, low=0.0, high=1e6)
def can_h_l_short(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "H", "L", value)


@fault(WIRING, "CAN-H touches ground", "bus", unit="ohm", default=0.5, low=0.0, high=1e6)
def can_h_to_ground(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "H", "GND", value)


@fault(WIRING, "CAN-L touches ground", "bus", unit="ohm", default=0.5, low=0.0, high=1e6)
def can_l_to_ground(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "L", "GND", value)


@fault(WIRING, "CAN-H touches the supply", "bus", unit="ohm", default=0.5, low=0.0, high=1e6)
def can_h_to_supply(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "H", "SUPPLY", value)


@fault(WIRING, "CAN-L touches the supply", "bus", unit="ohm", default=0.5, low=0.0, high=1e6)
def can_l_to_supply(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "L", "SUPPLY", value)


@fault(
    WIRING, "a leak across the pair, as by water or flux", "bus", unit="ohm", default=100.0, low=1.0, high=1e6
)
def can_leak(bench: Bench, target: str, value: float) -> None:
    add_leak(bench.wires[target], "H", "L", value)


def _set_terminators(bench: Bench, bus: str, ohms: list[float]) -> None:
    def change(line: LineNetwork) -> LineNetwork:
        places = [0.0, *[line.end_m] * (len(ohms) - 1)][: len(ohms)]
        made = tuple(Terminator(at, ohm) for at, ohm in zip(places, ohms, strict=True))
        return replace(line, terminators=made)

    edit_line(bench.wires[bus], change)


@fault(WIRING, "no terminating resistor is fitted", "bus")
def no_terminator(bench: Bench, target: str, _: float) -> None:
    _set_terminators(bench, target, [])


@fault(WIRING, "the far terminating resistor is missing", "bus")
def one_terminator(bench: Bench, target: str, _: float) -> None:
    _set_terminators(bench, target, [120.0])


@fault(
    WIRING, "terminating resistors too many", "bus", unit="resistors in all", default=4.0, low=3.0, high=8.0
)
def extra_terminators(bench: Bench, target: str, value: float) -> None:
    _set_terminators(bench, target, [120.0] * round(value))


@fault(WIRING, "the far terminator has a wrong value", "bus", unit="ohm", default=12.0, low=1.0, high=1e5)
def wrong_terminator(bench: Bench, target: str, value: float) -> None:
    _set_terminators(bench, target, [120.0, value])


@fault(WIRING, "the node hangs on a long branch", "node", unit="m", default=40.0, low=0.1, high=100.0)
def long_stub(bench: Bench, target: str, value: float) -> None:
    """The wave that the node's release of the line leaves in its branch comes back with a third of the swing after one
    round trip (10 ns/m) and is gone after two: bits are misread where these last until the sample. At 1 Mbit/s and
    75 % that is from 31 m on: (750 ns - 140 ns of the transceivers) / 20 ns/m. A branch of 2 m breaks the guideline,
    which keeps a margin for many of them, and misreads nothing: such a one is for desk.line.
    """
    wire = bench.wire_of(bench.boards[target])
    wire.change_cabling(stub_m={**wire.cabling.stub_m, target: value})


@fault(
    WIRING, "the line goes on behind its last terminator", "bus", unit="m", default=40.0, low=0.1, high=100.0
)
def terminator_not_at_end(bench: Bench, target: str, value: float) -> None:
    """An open end behind the resistor: a branch of that length, which acts as `long_stub` says."""
    wire = bench.wires[target]
    wire.change_cabling(stub_m={**wire.cabling.stub_m, TAIL: value})


@fault(WIRING, "all branches meet in one point", "bus", unit="arms", default=10.0, low=4.0, high=20.0)
def star_wiring(bench: Bench, target: str, value: float) -> None:
    wire = bench.wires[target]
    stubs = {board.name: 20.0 for board in bench.boards.values() if bench.wire_of(board) is wire}
    wire.change_cabling(arms=round(value), stub_m=stubs)


@fault(WIRING, "the cable is too long for the bit rate", "bus", unit="m", default=120.0, low=1.0, high=5000.0)
def long_cable(bench: Bench, target: str, value: float) -> None:
    def change(line: LineNetwork) -> LineNetwork:
        factor = value / line.end_m
        taps = tuple(replace(tap, position_m=min(value, tap.position_m * factor)) for tap in line.taps)
        ends = tuple(replace(end, position_m=min(value, end.position_m * factor)) for end in line.terminators)
        return replace(line, taps=taps, terminators=ends, length_m=value)

    edit_line(bench.wires[target], change)


@fault(
    WIRING, "a corroded contact in the node's bus plug", "node", unit="ohm", default=40.0, low=0.0, high=1e5
)
def can_contact_resistance(bench: Bench, target: str, value: float) -> None:
    change_tap(bench, target, lead_ohm=value)


@fault(WIRING, "bursts of noise on the pair", "bus", unit="bursts/s", default=20.0, low=0.0, high=1e5)
def noise_bursts(bench: Bench, target: str, value: float) -> None:
    bench.wires[target].set_noise(value, 20e-6, 5.0)


@fault(
    WIRING,
    "the pair, its twist undone, is bundled with motor and heater wires",
    "node",
    unit="mm",
    default=2.7,
    low=1.6,
    high=1000.0,
)
def noise_with_loads(bench: Bench, target: str, value: float) -> None:
    """`value` from the pair to the wires beside it, centre to centre: 2.7 mm is insulation on insulation."""
    bench.wire_of(bench.boards[target]).change_cabling(twists_per_m=0.0, load_distance_m=value * 1e-3)


@fault(WIRING, "the pair of the bus is not twisted", "bus")
def pair_untwisted(bench: Bench, target: str, _: float) -> None:
    bench.wires[target].change_cabling(twists_per_m=0.0)


@fault(
    WIRING,
    "the pair, twisted as described, lies in one bundle with motor and heater wires",
    "bus",
    unit="mm",
    default=2.7,
    low=1.6,
    high=1000.0,
)
def pair_beside_load_wires(bench: Bench, target: str, value: float) -> None:
    bench.wires[target].change_cabling(load_distance_m=value * 1e-3)


@fault(
    WIRING,
    "no wire joins the node's ground to the adapter's, their supplies' leakage drives them apart",
    "node",
    unit="V",
    default=9.0,
    low=-60.0,
    high=60.0,
)
def ground_offset(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].ground_apart_v = value


@fault(
    WIRING,
    "the node's return wire is thin and corroded, its ground rises with the supply current",
    "node",
    unit="ohm",
    default=6.0,
    low=0.0,
    high=100.0,
)
def ground_offset_under_load(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].harness.return_ohm_more = value


@fault(
    WIRING,
    "a strand breaks while the axis is beyond a place",
    "stepper",
    unit="motor turns",
    default=2.0,
    low=0.0,
    high=1000.0,
)
def can_breaks_with_motion(bench: Bench, target: str, value: float) -> None:
    from hiltest.simbench.fault_places import board_of, motor

    board, mechanism = board_of(bench, "stepper", target), motor(bench, target).mechanism
    state = {"open": False}

    def look() -> None:
        beyond = mechanism.position_rev > value
        if beyond != state["open"]:
            state["open"] = beyond
            change_tap(bench, board.name, open_h=beyond)

    mechanism.on_moved.append(look)


# --- bit timing ---------------------------------------------------------------------------------------


def _retime(board: Board, **changes: float) -> None:
    controller = board.controller
    controller.timing = replace(controller.timing, **changes)  # type: ignore[arg-type]


@fault(TIMING, "the node runs at another bit rate", "node", unit="bit/s", default=0.0, low=0.0, high=1e6)
def wrong_bit_rate(bench: Bench, target: str, value: float) -> None:
    """Without a value: half of the bus's rate, or 500 kbit/s on a slow bus."""
    board = bench.boards[target]
    rate = board.controller.timing.bit_rate_bps
    _retime(board, bit_rate_bps=value or (rate / 2 if rate > 125_000 else 500_000))


@fault(
    TIMING,
    "the node samples at another point of the bit",
    "node",
    unit="%",
    default=50.0,
    low=31.0,
    high=99.0,
)
def sample_point_off(bench: Bench, target: str, value: float) -> None:
    _retime(bench.boards[target], sample_point=value / 100.0)


@fault(TIMING, "the node's clock is off", "node", unit="%", default=1.5, low=-40.0, high=40.0)
def oscillator_off(bench: Bench, target: str, value: float) -> None:
    _retime(bench.boards[target], drift_ppm=value * 1e4)


@fault(
    TIMING,
    "the node may resynchronise by one quantum only, and its clock is off",
    "node",
    unit="%",
    default=1.0,
    low=-5.0,
    high=5.0,
)
def jump_width_small(bench: Bench, target: str, value: float) -> None:
    _retime(bench.boards[target], jump_quanta=1, drift_ppm=value * 1e4)


@fault(
    TIMING,
    "the node's data phase of CAN FD frames has another bit rate",
    "node",
    unit="bit/s",
    default=0.0,
    low=0.0,
    high=8e6,
)
def data_bit_rate_off(bench: Bench, target: str, value: float) -> None:
    """Without a value: half of the adapter's. Nothing is to be seen of it until a frame switches its bit rate."""
    controller = bench.boards[target].controller
    phase = controller.data_timing or controller.timing
    controller.take_fd(controller.timing.in_data_phase(value or phase.bit_rate_bps / 2))


@fault(
    TIMING,
    "the adapter is plugged into a running machine whose bus has another bit rate",
    "bus",
    unit="bit/s",
    default=0.0,
    low=0.0,
    high=1e6,
)
def bus_at_another_rate(bench: Bench, target: str, value: float) -> None:
    """The nodes and two more devices, which talk, run at it. Without a value: half of the described rate, or 500 kbit/s."""
    described = next(bus for bus in bench.description.bus if bus.name == target).bit_rate_bps
    rate = value or (described / 2 if described > 125_000 else 500_000.0)
    for board in bench.boards.values():
        if bench.wire_of(board) is bench.wires[target]:
            _retime(board, bit_rate_bps=rate)
    for can_id, every_ms in ((0x1A1, 10), (0x2B2, 4)):
        talker = _stranger(bench, target, "talker")
        talker.timing = replace(talker.timing, bit_rate_bps=rate)
        frame = Frame(can_id, bytes(range(8)))
        bench.queue.every(every_ms * 1_000_000, partial(talker.send, frame))


# --- traffic ------------------------------------------------------------------------------------------


def _stranger(bench: Bench, bus: str, name: str) -> Controller:
    """One more controller at the near end of the line."""
    wire = bench.wires[bus]
    count = sum(station.name.startswith(name) for station in wire.stations)
    own = f"{name}_{count + 1}"
    edit_line(wire, lambda line: replace(line, taps=(*line.taps, Tap(own, 0.0))))
    described = next(b for b in bench.description.bus if b.name == bus)
    return Controller(wire, own, replace(wire.stations[0].timing, bit_rate_bps=described.bit_rate_bps))


@fault(
    TRAFFIC,
    "a forgotten device on the bus sends and acknowledges",
    "bus",
    unit="frames/s",
    default=20.0,
    low=0.1,
    high=1e4,
)
def foreign_sender(bench: Bench, target: str, value: float) -> None:
    controller = _stranger(bench, target, "stranger")
    frame = Frame(0x3C5, bytes(8))
    bench.queue.every(round(1e9 / value), lambda: controller.send(frame))


@fault(TRAFFIC, "a device floods the bus with one valid frame", "bus")
def babbling_device(bench: Bench, target: str, _: float) -> None:
    controller = _stranger(bench, target, "babbler")
    frame = Frame(0x010, b"\xff" * 8)
    controller.on_sent(lambda _: controller.send(frame))
    bench.queue.after(1_000_000, lambda: [controller.send(frame) for _ in range(2)])


@fault(TRAFFIC, "a broken device sends random frames without a pause", "bus")
def garbage_storm(bench: Bench, target: str, _: float) -> None:
    controller = _stranger(bench, target, "garbler")
    rng = bench.rng(f"{controller.name}/{target}")

    def next_one(_: object) -> None:
        controller.send(_garbage(rng))

    controller.on_sent(next_one)
    bench.queue.after(1_000_000, lambda: [controller.send(_garbage(rng)) for _ in range(2)])


def _garbage(rng: Random) -> Frame:
    """Any classic frame: identifier of 11 or 29 bits, data or remote, 0 to 8 bytes."""
    extended = rng.random() < 0.5
    can_id = rng.getrandbits(29 if extended else 11)
    length = rng.randrange(9)
    if rng.random() < 0.1:
        return Frame(can_id, b"", extended, True, remote_dlc=length)
    return Frame(can_id, rng.randbytes(length), extended)


@fault(
    TRAFFIC,
    "a transceiver holds the bus dominant, let go by its time-out again and again",
    "node",
    unit="ms",
    default=2.0,
    low=0.1,
    high=1000.0,
)
def stuck_dominant(bench: Bench, target: str, value: float) -> None:
    controller = bench.boards[target].controller
    hold_ns = round(value * 1e6)
    bench.queue.every(25_000_000, lambda: controller.hold_dominant(hold_ns), 0)


@fault(TRAFFIC, "a second board answers under the same node id", "node")
def duplicate_node_id(bench: Bench, target: str, _: float) -> None:
    described = bench.boards[target].node
    name = f"{described.name}_2"
    while name in bench.boards:
        name += "_2"
    line = bench.wire_of(bench.boards[target]).line
    bench.add_board(described, name, None if line is None else 0.7 * line.end_m)


@fault(
    TRAFFIC,
    "the node's frames are lost now and then in its own program",
    "node",
    unit="share",
    default=0.05,
    low=0.0,
    high=1.0,
)
def frames_lost(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].habits.loses_frames = value if math.isfinite(value) else 0.0
