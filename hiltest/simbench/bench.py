"""The simulated bench: supply, wires, boards and an adapter, built from a fixture description.

One event queue, one seed. The same description, seed and faults give the same bytes. Programs reach it
through its doors; `truth` is for the tests of hiltest only.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING

from hiltest.clock import NS_PER_S, SimulatedClock
from hiltest.description.models import Bus, Description, Node
from hiltest.errors import UsageError
from hiltest.physics.copper import resistance_per_m_ohm
from hiltest.physics.line import LineNetwork, Tap, Terminator
from hiltest.physics.switching import TWISTS_PER_M
from hiltest.simbench.board import Board
from hiltest.simbench.console_shell import ConsolePort
from hiltest.simbench.controller import Controller, Timing
from hiltest.simbench.coupling import Coupling
from hiltest.simbench.events import EventQueue
from hiltest.simbench.faults import FaultOrder, apply_fault, parse_fault
from hiltest.simbench.hands import Hands
from hiltest.simbench.instrument import BenchMeter, FrontPanel, InstrumentSession, ScpiInstrument
from hiltest.simbench.objects import Entry, read_eds
from hiltest.simbench.person import Person
from hiltest.simbench.probe import Probes
from hiltest.simbench.programs import check_program
from hiltest.simbench.reception import TAIL, Cabling
from hiltest.simbench.supply import Supply
from hiltest.simbench.tolerance import Draws, Streams
from hiltest.simbench.truth import Truth
from hiltest.simbench.wire import Wire

if TYPE_CHECKING:
    from hiltest.simbench.adapter import Adapter

ADAPTER_TAP = "adapter"
NODE_QUEUE_FRAMES = 32
RAIL_STEP_V = 0.5


class Bench:
    """A bench that is open. Move its time with `advance` or `run_for`; close it with `close`.

    `folder` is where the description's files (EDS) are looked for. `seed`, `faults` and `tolerances`
    default to the description's section `[simulation]`.

    Raises:
        UsageError: a fault that isn't known, an EDS file that can't be read, or a node whose protocol the
            bench has no firmware for.
    """

    def __init__(
        self,
        description: Description,
        *,
        folder: Path | str = ".",
        seed: int | None = None,
        faults: Sequence[str | FaultOrder] | None = None,
        tolerances: bool | None = None,
    ) -> None:
        simulation = description.simulation
        self.description = description
        self.folder = Path(folder)
        self.seed = simulation.seed if seed is None else seed
        self.tolerances = simulation.tolerances if tolerances is None else tolerances
        self.ambient_c = simulation.ambient_c
        self.streams = Streams(self.seed)
        self.clock = SimulatedClock()
        self.queue = EventQueue(self.clock)
        self.supply = Supply(
            Draws(self.rng("supply"), self.tolerances),
            voltage_v=description.supply.voltage_v,
            current_limit_a=description.supply.current_limit_a,
        )
        self.wires = {bus.name: self._lay_wire(bus) for bus in description.bus}
        self._adapters: dict[str, Adapter] = {}
        self._for_adapters: dict[str, list[Callable[[Adapter], None]]] = {}
        self.boards: dict[str, Board] = {}
        for node in description.node:
            self.add_board(node, node.name)
        self.consoles = self._connect_consoles()
        self.supply.on_settled += [self._follow_rail, Coupling(self).follow]
        self.truth = Truth(self)
        self.hands = Hands(self)
        self.probes = Probes(self)
        self.person = Person(self, self.probes)
        serial = f"{self.seed % 10_000:04d}"
        self.instruments: dict[str, ScpiInstrument] = {
            "meter": BenchMeter(self.probes, serial),
            "supply": FrontPanel(self, serial),
        }
        self.faults: list[FaultOrder] = []
        for fault in simulation.faults if faults is None else faults:
            self.inject(fault)
        self.supply.settle()

    def __repr__(self) -> str:
        faults = ", ".join(str(order) for order in self.faults) or "none"
        return f"<Bench {self.description.fixture.name!r}: seed {self.seed}, faults {faults}>"

    # --- time -----------------------------------------------------------------------------------------

    @property
    def now_s(self) -> float:
        """Bench time in seconds."""
        return self.clock.now_s

    def advance(self, to_ns: int) -> None:
        """Let everything happen until bench time `to_ns`."""
        self.queue.run_until(to_ns)

    def run_for(self, seconds: float) -> None:
        """Let `seconds` of bench time pass."""
        self.advance(self.clock.now_ns + round(seconds * NS_PER_S))

    def rng(self, name: str) -> random.Random:
        """The random stream of that name."""
        return self.streams.get(name)

    # --- parts ----------------------------------------------------------------------------------------

    def adapter(self, bus: str | None = None) -> Adapter:
        """The host's adapter on a bus (default: the first)."""
        from hiltest.simbench.adapter import Adapter

        wire = self._wire_named(bus or self.description.bus[0].name)
        if wire.name not in self._adapters:
            described = next(b for b in self.description.bus if b.name == wire.name)
            adapter = self._adapters[wire.name] = Adapter(self, described, wire)
            for action in self._for_adapters.pop(wire.name, []):
                action(adapter)
        return self._adapters[wire.name]

    def with_adapter(self, bus: str, action: Callable[[Adapter], None]) -> None:
        """Do something to the adapter of a bus, now or as soon as it is there."""
        if bus in self._adapters:
            action(self._adapters[bus])
        else:
            self._for_adapters.setdefault(bus, []).append(action)

    def console(self, name: str | None = None) -> ConsolePort:
        """The serial console of a node (default: the first)."""
        if not self.consoles:
            raise UsageError("this bench has no console; add a section [console] to the description")
        if name is None:
            return next(iter(self.consoles.values()))
        if name not in self.consoles:
            raise UsageError(f"console={name!r} is not on this bench; it has {', '.join(self.consoles)}")
        return self.consoles[name]

    def instrument(self, name: str) -> InstrumentSession:
        """A connection to the bench's meter or supply."""
        if name not in self.instruments:
            raise UsageError(
                f"instrument={name!r} is not on this bench; it has {', '.join(self.instruments)}"
            )
        return InstrumentSession(self.instruments[name], self.queue)

    def wire_of(self, board: Board) -> Wire:
        """The wire that a board hangs on."""
        return board.controller.wire

    def _wire_named(self, name: str) -> Wire:
        if name not in self.wires:
            raise UsageError(f"bus={name!r} is not on this bench; it has {', '.join(self.wires)}")
        return self.wires[name]

    def add_board(self, node: Node, name: str, position_m: float | None = None) -> Board:
        """Build a board as `node` describes it and connect it to bus and supply."""
        check_program(self, node)
        wire = self._wire_named(node.bus or self.description.bus[0].name)
        bus = next(b for b in self.description.bus if b.name == wire.name)
        self._tap(wire, bus, name, position_m)
        simulation = self.description.simulation
        draws = Draws(self.rng(f"{name}/draws/can"), self.tolerances)
        timing = Timing(bus.bit_rate_bps, bus.sample_point_percent / 100.0, drift_ppm=draws.normal(0.0, 20.0))
        controller = Controller(
            wire,
            name,
            timing,
            queue_frames=NODE_QUEUE_FRAMES,
            threshold_v=draws.uniform(0.55, 0.85),
            loop_delay_ns=draws.normal(140.0, 20.0),
            powered=False,
            fd=simulation.nodes_take_fd,
            data_timing=timing.in_data_phase(simulation.adapter.data_bit_rate_bps),
        )
        board = Board(self, node, name, controller)
        self.boards[name] = board
        self.supply.consumers.append(board)
        return board

    def set_board_bit_rate(self, board: Board, bit_rate_bps: int) -> None:
        """Set a board's controller to another bit rate."""
        if board.controller.timing.bit_rate_bps != bit_rate_bps:
            board.controller.timing = replace(board.controller.timing, bit_rate_bps=bit_rate_bps)

    def read_eds(self, node: Node, node_id: int) -> tuple[Entry, ...]:
        """The objects of a node's EDS file."""
        if node.eds is None:
            raise UsageError(f"node {node.name!r}: the simulated bench needs its EDS file; give eds = ...")
        return read_eds(self.folder / node.eds, node_id)

    def _lay_wire(self, bus: Bus) -> Wire:
        draws = Draws(self.rng(f"draws/wire/{bus.name}"), self.tolerances)
        ohms = [ohm * draws.normal(1.0, 0.005) for ohm in bus.terminators_ohm]
        ends = [0.0, *[bus.length_m] * (len(ohms) - 1)][: len(ohms)]
        line = LineNetwork(
            taps=(Tap(ADAPTER_TAP, 0.0),),
            terminators=tuple(Terminator(at, ohm) for at, ohm in zip(ends, ohms, strict=True)),
            wire_ohm_per_m=resistance_per_m_ohm(bus.signal_awg) * draws.normal(1.0, 0.02),
            length_m=bus.length_m,
            supply_v=self.description.supply.voltage_v,
        )
        beside_m = min(bus.length_m, self.description.harness.length_m)
        cabling = Cabling(
            impedance_ohm=draws.normal(120.0, 4.0),
            delay_ns_per_m=draws.normal(5.0, 0.2),
            twists_per_m=TWISTS_PER_M if bus.twists_per_m is None else bus.twists_per_m,
            load_distance_m=bus.load_wires_distance_m,
            beside_m=beside_m if bus.load_wires_beside_m is None else bus.load_wires_beside_m,
        )
        return Wire(self.queue, self.rng(f"wire/{bus.name}"), name=bus.name, line=line, cabling=cabling)

    def _follow_rail(self) -> None:
        """A line that touches the rail feels its voltage: the supply's, or none when it is off."""
        rail_v = self.supply.terminal_v if self.supply.is_on else 0.0
        for wire in self.wires.values():
            line = wire.line
            if line is None or not any("SUPPLY" in (leak.one, leak.other) for leak in line.leaks):
                continue
            if abs(line.supply_v - rail_v) > RAIL_STEP_V:
                wire.change_line(lambda line: replace(line, supply_v=rail_v))

    def _tap(self, wire: Wire, bus: Bus, name: str, position_m: float | None) -> None:
        nodes = [n for n in self.description.node if (n.bus or bus.name) == bus.name]
        if position_m is None:
            # The described nodes share the line evenly, the last one at its end.
            place = next((k for k, node in enumerate(nodes, 1) if node.name == name), len(nodes))
            position_m = bus.length_m * place / max(1, len(nodes))
        wire.change_line(lambda line: replace(line, taps=(*line.taps, Tap(name, position_m))))
        if bus.tail_m > 0.0:
            wire.change_cabling(stub_m={**wire.cabling.stub_m, TAIL: bus.tail_m})
        if bus.stub_m > 0.0:
            stubs = {**wire.cabling.stub_m, name: bus.stub_m}
            wire.change_cabling(stub_m=stubs)

    def _connect_consoles(self) -> dict[str, ConsolePort]:
        found: dict[str, ConsolePort] = {}
        for console in self.description.console:
            node = console.node or self.description.node[0].name
            if node in self.boards:
                found[node] = ConsolePort(self.boards[node], prompt=console.prompt, baud=console.baud)
        return found

    # --- faults ---------------------------------------------------------------------------------------

    def inject(self, fault: str | FaultOrder) -> FaultOrder:
        """Let a fault happen, now or at its start time: `name[target]=value@start_s`.

        Raises:
            UsageError: no such fault or target, or a value that it can't have. Says the nearest known name.
        """
        order = parse_fault(fault) if isinstance(fault, str) else fault
        apply_fault(self, order)
        self.faults.append(order)
        return order


# --- benches that are open in this process ----------------------------------------------------------------


class _Open:
    """A bench and how many hold it."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.holders = 0


_OPEN: dict[str, _Open] = {}


def _key(channel: str | Path) -> str:
    return str(Path(channel).resolve())


class OpenBench:
    """A hold on an open bench; `close()` (or leaving the `with`) gives it back."""

    def __init__(self, channel: str, entry: _Open) -> None:
        self.channel, self.bench = channel, entry.bench
        self._entry: _Open | None = entry
        entry.holders += 1

    def close(self) -> None:
        """Give the hold back; the last one ends the bench. Closing twice does nothing."""
        entry, self._entry = self._entry, None
        if entry is None:
            return
        entry.holders -= 1
        if entry.holders == 0 and _OPEN.get(self.channel) is entry:
            del _OPEN[self.channel]

    def __enter__(self) -> Bench:
        return self.bench

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def open_bench(
    channel: str | Path,
    *,
    description: Description | None = None,
    folder: Path | str | None = None,
    seed: int | None = None,
    faults: Sequence[str | FaultOrder] | None = None,
    tolerances: bool | None = None,
) -> OpenBench:
    """Open the bench of a channel, which is the path of a fixture description, and hold it.

    `description` replaces the file's content (with `folder` for the files it names).

    Raises:
        UsageError: a bench of this channel is open already; join it, or close it first.
        DescriptionError: the file can't be used.
    """
    key = _key(channel)
    if key in _OPEN:
        raise UsageError(f"channel={str(channel)!r}: this bench is open already; join_bench() shares it")
    if description is None:
        from hiltest.description.loading import load_description

        loaded = load_description(channel)
        description, folder = loaded.description, loaded.path.parent
    bench = Bench(
        description,
        folder=Path(channel).resolve().parent if folder is None else folder,
        seed=seed,
        faults=faults,
        tolerances=tolerances,
    )
    entry = _OPEN[key] = _Open(bench)
    return OpenBench(key, entry)


def join_bench(
    channel: str | Path,
    *,
    seed: int | None = None,
    faults: Sequence[str] | None = None,
    tolerances: bool | None = None,
) -> OpenBench:
    """Hold the bench of a channel that is open, or open it.

    Raises:
        UsageError: it is open with another seed, other tolerances or without a fault that is asked for.
    """
    entry = _OPEN.get(_key(channel))
    if entry is None:
        return open_bench(channel, seed=seed, faults=faults, tolerances=tolerances)
    bench = entry.bench
    if seed not in (None, bench.seed) or tolerances not in (None, bench.tolerances):
        raise UsageError(
            f"channel={str(channel)!r} is open with seed={bench.seed}, tolerances={bench.tolerances}; "
            f"asked for seed={seed}, tolerances={tolerances}: close it first, or leave these out"
        )
    missing = [fault for fault in faults or () if parse_fault(fault) not in bench.faults]
    if missing:
        raise UsageError(f"channel={str(channel)!r} is open without {missing}; use bench.inject() for more")
    return OpenBench(_key(channel), entry)


def refuse_unusable(description: Description, folder: Path, faults: Sequence[str]) -> None:
    """Try `faults` on a bench that is made for nothing else, each at once, in the order of their times.

    Raises:
        UsageError: no such fault, or this bench has no part that it could hit.
    """
    bench = Bench(description, folder=folder, faults=())
    for order in sorted(map(parse_fault, faults), key=lambda each: each.start_s):
        try:
            bench.inject(replace(order, start_s=0.0))
        except UsageError as error:
            told = str(error)
            raise UsageError(told if told.startswith("fault") else f"fault {order}: {told}") from None


def close_all_benches() -> None:
    """Forget every open bench, whoever holds it: for the end of a process or of a test."""
    _OPEN.clear()
