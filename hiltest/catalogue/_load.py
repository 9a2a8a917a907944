"""How the load tests load a bus, and what they count. Private to the catalogue."""

from __future__ import annotations

import contextlib
import random
from bisect import bisect_left
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate
from typing import TYPE_CHECKING

from hiltest.canbus.accounting import SequenceCheck
from hiltest.canbus.frame import Frame
from hiltest.canbus.frames import best_case_bits, length_bits, stuff_bit_count, worst_case_bits
from hiltest.canbus.fullqueue import QueueFull
from hiltest.canbus.hostloss import HostLoss
from hiltest.canbus.opening import TellsLosses
from hiltest.catalogue import _bus, _causes
from hiltest.errors import NodeFault, NotOffered, UsageError
from hiltest.physics.statistics import Sprt, error_rate_upper_bound

if TYPE_CHECKING:
    from pathlib import Path

    from hiltest.description.models import Bus, Description
    from hiltest.description.models import LoadTest as LoadSettings
    from hiltest.guard import GuardedNode
    from hiltest.link import Link, Timer
    from hiltest.measure import Measure

POOL = 256
"""Different frames of a pattern. Their lengths are computed once, whoever counts them."""
KEPT_LENGTHS = 1 << 13
"""Different frames of nodes whose lengths are kept."""
RUN = 8
"""Frames of a kind in a row where kinds are varied."""
HARD_BYTE = 0x3C
"""00111100: behind a data length code of 8 the stuffing falls into step with it, and from then on every five
bits are alike: a stuff bit in every five, one edge to synchronise on in every ten."""

ENOUGH_LOAD = 0.9
CALM_SENT, CALM_RECEIVED = 256, 64
"""Each good frame takes one from its counter, and a first one received takes a passive receiver below 128 (ISO 11898-1): after
so many without an error both counters are below 96, whatever was before.
"""
TICK_S = 0.005
STUCK_S = 0.25
"""A full transmit queue that takes nothing for this long is no pacing: nobody acknowledges."""
CURVE_EVERY_S = 0.25
POLL_EVERY_S = 0.05
NODE_SHARE = 0.1
"""Share of the load that each node is asked to send by itself."""
DRAIN_S = 0.1
ARRIVE_S = 0.02
BURST_MODULUS, HARD_BURST_MODULUS = 1 << 32, 1 << 8
LEAST_BITS = best_case_bits(0)
Arrivals = list[tuple[int, int]]
"""Time stamp and number of each numbered frame of a node, in the order of arrival."""

ON_THE_BUS = (
    "with errors on the bus: a frame that is disturbed in its last bit is sent again, though others have it already "
    "(ISO 11898-1)"
)
IN_THE_HOST = "by the adapter or its driver: the copies lie closer together than the frame lasts on the wire, which carried it once"
BY_THE_NODE = "by the node: the bus had no error, and both copies were on the wire"
BY_EITHER = (
    "by the node or by the adapter: the time stamps are too coarse to say whether both were on the wire"
)
_HARD = ("varied", "longest_stuffing", "sparse_edges")

_POLLS = ("read_supply_v", "read_status", "read_bus_counters")
_SENT_BY_NODES = (0x080, 0x180, 0x280, 0x380, 0x480, 0x580)
"""CiA 301: emergency, process data and answers of a node. No node acts on those of an id that nobody has."""


# --- what is sent -----------------------------------------------------------------------------------


def free_ids(
    description: Description, bus: Bus, folder: Path, around: bool = False
) -> list[tuple[int, bool]]:
    """(identifier, extended) that nobody on `bus` acts on, by falling priority.

    CANopen leaves 0x781 to 0x7DF free (CiA 301; LSS has 0x7E4 and 0x7E5). With `around`, identifiers beside the
    nodes' own are taken too: what nodes would send whose ids nobody has, and 29-bit identifiers with the same
    leading bits. Planned messages and those of the nodes are left out. Commands (network management, synchronisation, time, process data
    and requests to nodes, heartbeats) are never among them.
    """
    taken = {(message.can_id, message.extended) for message in bus.traffic}
    found = [(can_id, False) for can_id in _bus.load_ids(description, bus.name, folder)]
    nodes = {part.node_id for part in description.node if part.bus == bus.name}
    if around and _knows_neighbours(description, bus):
        own = {node_id for node_id in nodes if node_id is not None}
        beside = {node_id + step for node_id in own for step in (-2, -1, 1, 2)} - own - {bus.host_id}
        for node_id in sorted(each for each in beside if 1 <= each <= 127):
            found += [(service + node_id, False) for service in _SENT_BY_NODES]
            # A filter that cuts the identifier short, at either end, must not take it for a command.
            found += [((service + node_id) << 18 | _bus.LOAD_IDS[0], True) for service in _SENT_BY_NODES]
    return sorted(
        set(found) - taken, key=lambda each: (each[0] >> 18 if each[1] else each[0], each[1], each[0])
    )


def _knows_neighbours(description: Description, bus: Bus) -> bool:
    """Only CANopen says what lies beside a node's identifiers. Beside the messages of another protocol there may be commands
    that the description does not list.
    """
    return all(part.protocol == "canopen" for part in description.node if part.bus == bus.name)


def pattern_frames(measure: Measure, bus: Bus, seed: int = 2) -> list[Frame]:
    """The frames of the load test's pattern, to be sent in turn."""
    pattern = bus.load_test.pattern
    source = random.Random(seed)
    ids = free_ids(measure.description, bus, measure.folder, around=pattern == "mixed_ids")
    if pattern == "mixed_ids" and not _knows_neighbours(measure.description, bus):
        measure.note(
            "pattern mixed_ids: not every node of this bus speaks CANopen, and what lies beside another protocol's "
            f"identifiers may be a command, so only {_bus.LOAD_IDS[0]:#x} to {_bus.LOAD_IDS[-1]:#x} were sent, as with random"
        )
    if pattern == "planned":
        return planned_frames(bus, measure.folder, ids, source)
    if pattern in ("longest_stuffing", "sparse_edges"):
        return hard_frames(ids, source, longest=pattern == "longest_stuffing")
    if pattern == "varied":
        return varied_frames(ids, source)
    return random_frames(ids, source)


def varied_frames(ids: Sequence[tuple[int, bool]], source: random.Random) -> list[Frame]:
    """Half of them random, half hard, eight of a kind in turn: a clock that is off needs a run to fall out of step."""
    kinds = (
        random_frames(ids, source),
        hard_frames(ids, source, longest=False),
        random_frames(ids, source),
        hard_frames(ids, source, longest=True),
    )
    runs = POOL // (RUN * len(kinds))
    return [
        kind[at % len(kind)]
        for run in range(runs)
        for kind in kinds
        for at in range(run * RUN, (run + 1) * RUN)
    ]


def random_frames(ids: Sequence[tuple[int, bool]], source: random.Random) -> list[Frame]:
    """Random data, mostly of full length."""
    frames = []
    for _ in range(POOL):
        can_id, extended = source.choice(ids)
        frames.append(Frame(can_id, source.randbytes(source.choice((8, 8, 8, 4, 2, 0))), extended))
    return frames


def hard_frames(ids: Sequence[tuple[int, bool]], source: random.Random, *, longest: bool) -> list[Frame]:
    """Full frames of `HARD_BYTE`: in the data one edge from recessive to dominant in ten bits, the fewest that
    stuffing allows. For `longest` those identifiers are kept that give the most stuff bits.
    """
    frames = [Frame(can_id, bytes([HARD_BYTE]) * 8, extended) for can_id, extended in ids]
    if longest:
        frames.sort(key=stuff_bit_count, reverse=True)
        del frames[max(1, len(frames) // 8) :]
    source.shuffle(frames)
    return frames


def planned_frames(
    bus: Bus, folder: Path, ids: Sequence[tuple[int, bool]], source: random.Random
) -> list[Frame]:
    """The planned messages in their shares and lengths, random data, under identifiers that nobody acts on.

    A planned message may be a command, so none is sent as it is. The order of priority is kept.

    Raises:
        UsageError: nothing is planned that a classic bus carries at a known period.
    """
    from hiltest.canbus.response import by_priority
    from hiltest.catalogue._traffic import planned

    messages = by_priority(planned(bus, folder)[0])
    if not messages:
        raise UsageError(
            f"bus {bus.name!r}: load_test.pattern is 'planned', and no classic message with a period is planned; add "
            "[[bus.traffic]] entries or cycle times to traffic_database, or take another pattern"
        )
    free = ids[: len(messages)] if len(ids) >= len(messages) else [ids[0]] * len(messages)
    due = [source.random() * message.period_s for message in messages]
    frames = []
    for _ in range(POOL):
        number = min(range(len(messages)), key=due.__getitem__)
        due[number] += messages[number].period_s
        frames.append(Frame(free[number][0], source.randbytes(messages[number].data_length), free[number][1]))
    return frames


# --- what is counted ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Losses:
    """Frames that did not arrive, by where they were lost."""

    on_bus: int = 0
    in_host: int = 0
    in_node: int = 0
    unknown: int = 0
    unsent: int = 0
    """Handed to an adapter that gives back what it has sent, and never given back."""
    not_told_apart: int = 0
    """In the node, or by an adapter of which nobody knows whether it sends again what was disturbed."""

    @property
    def total(self) -> int:
        return self.on_bus + self.in_host + self.in_node + self.unknown + self.unsent + self.not_told_apart

    def __str__(self) -> str:
        places: tuple[tuple[str, int], ...] = (
            ("on the bus", self.on_bus),
            ("in the host or adapter", self.in_host),
            (
                "in the node: the bus had no error, and neither host nor adapter tells of a dropped frame",
                self.in_node,
            ),
            (
                "in the node or in the adapter, or in this machine: neither errors nor dropped frames are told",
                self.unknown,
            ),
            (
                "in the adapter: handed to it and never sent, it repeats nothing (one-shot mode) or has given up",
                self.unsent,
            ),
            (
                "in the node or in the adapter, which was not shown to send again what is disturbed (one-shot mode drops it)",
                self.not_told_apart,
            ),
        )
        return "; ".join(f"{count} {place}" for place, count in places if count)


@dataclass(slots=True)
class Repeats:
    """Numbered frames that came twice or out of order, and who did it."""

    twice: int = 0
    out_of_order: int = 0
    one_identifier: bool = True
    """Each node numbers frames of one identifier; of several the one of higher priority goes first."""
    by: dict[str, int] = field(default_factory=dict)

    def __str__(self) -> str:
        return "; ".join(f"{count} {who}" for who, count in self.by.items())


@dataclass(slots=True)
class LoadResult:
    """What a load test counted."""

    host_frames: int = 0
    host_bits: int = 0
    node_frames: int = 0
    node_bits: int = 0
    seconds: float = 0.0
    utilisation: float = 0.0
    errors: int = 0
    kinds: str = ""
    losses: Losses = field(default_factory=Losses)
    repeats: Repeats | None = None
    """None where no node numbers its frames."""
    bound: float = 1.0
    queue_full: int = 0
    stuck: QueueFull | None = None
    stopped: str = ""
    came_back: int = 0
    """Frames of the host that the adapter handed over as received."""
    state: str = "unknown"
    """The adapter's, at the end."""

    @property
    def bits(self) -> int:
        return self.host_bits + self.node_bits


class Load:
    """Frames that go out by themselves while somebody else waits in the link.

    Paced by the clock to `utilisation` (0..1), what the nodes send counted in. A full transmit queue only slows
    it; when the queue takes nothing for `STUCK_S`, `stuck` is set and nothing more is sent.
    """

    def __init__(self, link: Link, frames: Sequence[Frame], bit_rate_bps: int, utilisation: float) -> None:
        self._link = link
        self._count, self._frames = len(frames), [*frames, *frames]  # so that a batch may go over its end
        # Bits of all frames before each, and of all.
        self._ends = list(accumulate([length_bits(frame) for frame in frames] * 2, initial=0))
        self._handing_over = False
        self._wanted_bps = bit_rate_bps * utilisation
        self._tick_bits = bit_rate_bps * TICK_S  # what the bus carries in a tick: the queue does not grow
        self._next = 0
        self._timer: Timer | None = None
        self._own = frozenset((frame.can_id, frame.extended) for frame in frames)
        self._removes: tuple[Callable[[], None], ...] = ()
        self._start_s = self._taken_s = link.now_s
        self.host_frames = self.host_bits = self.node_frames = self.node_bits = 0
        self.queue_full = 0
        self.handed = self.echoed = self.came_back = 0
        """Own frames: given to the adapter, given back by it as sent, and given back as if another had sent them."""
        self.stuck: QueueFull | None = None
        self._lengths: dict[tuple[object, ...], int] = {}
        self._numbered: Mapping[int, Arrivals] = {}
        self._last = Frame(0, b"")
        self._least_ns = round(LEAST_BITS / bit_rate_bps * 1e9)
        self.crowded = 0
        """Different frames whose stamps lie closer together than any frame lasts: such stamps were not taken at the wire."""

    def start(self, numbered: Mapping[int, Arrivals] | None = None) -> None:
        """Begin. `numbered` takes stamps and numbers of frames by identifier, in the order of arrival."""
        self._numbered = numbered or {}
        self._removes = (
            self._link.listen(self._received),
            self._link.listen_sent(self._sent, self._sent_many),
        )
        self._start_s = self._taken_s = self._link.now_s
        self._timer = self._link.every(TICK_S, self._tick)

    def stop(self) -> float:
        """End it; returns how long it lasted, in s."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        return self._link.now_s - self._start_s

    def detach(self) -> None:
        """Count no more."""
        self.stop()
        for remove in self._removes:
            remove()

    @property
    def unsent(self) -> int:
        """Frames that an adapter which gives back what it has sent was given and has not given back."""
        return max(0, self.handed - self.echoed) if self.echoed else 0

    @property
    def bits(self) -> int:
        """Bits of all frames so far."""
        return self.host_bits + self.node_bits

    def _tick(self) -> None:
        now_s = self._link.now_s
        # By the clock and not by the tick: on a busy host a tick takes longer than it should.
        owed = self._wanted_bps * (now_s - self._start_s + TICK_S) - self.host_bits - self.node_bits
        owed = min(owed, self._tick_bits)
        batch = self._batch(owed) if owed > 0 and not self.stuck else ()
        self._handing_over = True
        try:
            sent = self._link.send_many(batch)
        finally:
            self._handing_over = False
        is_full = sent < len(batch)
        self.queue_full += is_full
        self.host_frames += sent
        self.handed += sent
        self.host_bits += self._ends[self._next + sent] - self._ends[self._next]
        self._next = (self._next + sent) % self._count
        if sent or not is_full:
            self._taken_s = now_s
        elif now_s - self._taken_s > STUCK_S:
            self.stuck = QueueFull(self._link.port.name, self._link.port.state())

    def _batch(self, bits: float) -> Sequence[Frame]:
        """The next frames, so many that they have `bits` bits; no more than the whole pattern."""
        first = self._next
        last = bisect_left(self._ends, self._ends[first] + bits, first + 1, first + self._count)
        return self._frames[first:last]

    def _sent_many(self, frames: Sequence[Frame], _: int) -> None:
        if not self._handing_over:
            for frame in frames:
                self._sent(frame)

    def _sent(self, frame: Frame) -> None:
        """What the host sends beside: its heartbeat, its reads."""
        if (frame.can_id, frame.extended) not in self._own:
            self.host_bits += length_bits(frame)
            self.host_frames += 1

    def _data_bits(self, frame: Frame) -> int:
        """The length of a classic data frame; what a node sends mostly comes again."""
        content = frame[:3]
        bits = self._lengths.get(content)
        if bits is None:
            if len(self._lengths) >= KEPT_LENGTHS:
                self._lengths.clear()
            bits = self._lengths[content] = length_bits(frame)
        return bits

    def _received(self, frame: Frame) -> None:
        if frame.error:
            return
        if (frame.can_id, frame.extended) in self._own:
            if frame.is_rx:
                self.came_back += 1
            else:
                self.echoed += 1
            return
        if not frame.is_rx:
            return
        self.node_bits += length_bits(frame) if frame.remote or frame.fd else self._data_bits(frame)
        self.node_frames += 1
        last, self._last = self._last, frame
        if frame.t_ns - last.t_ns < self._least_ns and (frame.can_id, frame.data) != (last.can_id, last.data):
            self.crowded += 1
        if frame.can_id in self._numbered and len(frame.data) >= 4 and not frame.extended:
            self._numbered[frame.can_id].append((frame.t_ns, int.from_bytes(frame.data[:4], "little")))


# --- the test -------------------------------------------------------------------------------------------


class LoadTest:
    """One load test on a bus: `begin`, then let time pass with `run` (or any other way), then `end`."""

    def __init__(self, link: Link, bus: Bus, nodes: Sequence[GuardedNode], measure: Measure) -> None:
        self.link, self.bus, self.nodes, self.measure = link, bus, nodes, measure
        test = bus.load_test
        share = test.utilisation_percent / 100
        self.load = Load(link, pattern_frames(measure, bus), bus.bit_rate_bps, share)
        self.errors = _bus.Errors()
        self.stopped = ""
        self._curve = measure.curve("bus utilisation", "%", target=test.utilisation_percent)
        self._offers = {node.name: node.offers for node in nodes}
        self._numbers: dict[str, Arrivals] = {}
        """By node, the frames of its burst in the order of arrival."""
        self._identifiers = 1
        self._modulus: dict[str, int] = {}
        self._sprt = Sprt(
            test.bit_error_probability_max / 10,
            test.bit_error_probability_max,
            1 - test.confidence,
            1 - test.confidence,
        )

    def begin(self, for_s: float) -> None:
        """Remember the counters, ask the nodes for their bursts, start to send."""
        self._before = _bus.counts(self.nodes)
        self._unanswered = {node.name: node.unanswered for node in self.nodes}
        self._host_loss = host_loss(self.link)
        self._remove = self.link.listen(self._error)
        self.load.start(self._ask_for_bursts(for_s))
        self._watch = self.link.every(CURVE_EVERY_S, self._point, CURVE_EVERY_S)
        self._start_s = self.link.now_s

    def _error(self, frame: Frame) -> None:
        if frame.error:
            self.errors.add(frame)

    def _point(self) -> None:
        elapsed_s = self.link.now_s - self._start_s
        self._curve.add(100 * self.load.bits / (elapsed_s * self.bus.bit_rate_bps))

    def _ask_for_bursts(self, for_s: float) -> dict[int, Arrivals]:
        """Make every node send too, where it can; returns where the numbers of its frames go, by identifier.

        With a hard pattern the nodes' data are hard too: a node's clock that is off by one sign is seen in what it
        receives, by the other sign in what it sends.
        """
        share = self.bus.load_test.utilisation_percent / 100 * NODE_SHARE
        per_s = max(10.0, share * self.bus.bit_rate_bps / worst_case_bits(8) / max(1, len(self.nodes)))
        count, numbered = max(1, int(per_s * for_s)), dict[int, Arrivals]()
        for node in self.nodes:
            if "send_burst" not in self._offers[node.name]:
                continue
            ids = node.burst_ids()
            self._modulus[node.name] = BURST_MODULUS
            if ids and self.bus.load_test.pattern in _HARD and self._send_hard(node, count, 1 / per_s):
                self._modulus[node.name] = HARD_BURST_MODULUS
            else:
                node.send_burst(count, 1 / per_s)
            if ids:
                numbers = self._numbers[node.name] = []
                numbered |= dict.fromkeys(ids, numbers)
                self._identifiers = max(self._identifiers, len(ids))
        return numbered

    def _send_hard(self, node: GuardedNode, count: int, interval_s: float) -> bool:
        try:
            node.send_hard_burst(count, interval_s)
        except NotOffered:
            return False
        return True

    def run(self, for_s: float) -> None:
        """Let time pass, ask the nodes something now and then; a sequential test may end earlier."""
        end_s = self.link.now_s + for_s
        # Less than a microsecond is no time: a wait rounded to 0 ns would stand still for ever.
        while end_s - self.link.now_s > 1e-6 and not self.load.stuck and not self._is_certain():
            self.poll()
            self.link.run_for(min(POLL_EVERY_S, max(0.0, end_s - self.link.now_s)))

    def poll(self) -> None:
        """One read from every node: what is lost on the way shows as a request without an answer. Nodes with
        synchronous process data are made to send that too.
        """
        for node in self.nodes:
            offers = self._offers[node.name]
            if "synchronise" in offers:
                node.synchronise()
            verb = next((verb for verb in _POLLS if verb in offers), None)
            if verb is not None:
                with contextlib.suppress(NodeFault):
                    getattr(node, verb)()

    def _is_certain(self) -> bool:
        test = self.bus.load_test
        if not test.sequential:
            return False
        bits, seconds = self.load.bits, self.link.now_s - self._start_s
        if self.errors.count == 0:
            shown = error_rate_upper_bound(0, max(bits, 1), test.confidence)
            if shown <= test.bit_error_probability_max:
                self.stopped = f"no error in {bits} bits shows the bound: stopped after {seconds:.2f} s"
        elif self._sprt.decide(min(self.errors.count, bits), bits) == "reject":
            self.stopped = (
                f"{self.errors.count} errors in {bits} bits are too many: stopped after {seconds:.2f} s"
            )
        return bool(self.stopped)

    def end(self) -> LoadResult:
        """Stop sending, let everything arrive, and count."""
        load, test = self.load, self.bus.load_test
        seconds = load.stop()
        self._watch.cancel()
        on_time = load.bits
        self.link.run_for(DRAIN_S)
        self._let_echoes_arrive()
        sent = self._burst_counts()
        load.detach()
        self._remove()
        after = _bus.counts(self.nodes)
        seen = sum(after.get(name, count) - count for name, count in self._before.items())
        errors, bits = max(self.errors.count, seen), max(load.bits, 1)
        return LoadResult(
            host_frames=load.host_frames,
            host_bits=load.host_bits,
            node_frames=load.node_frames,
            node_bits=load.node_bits,
            seconds=seconds,
            utilisation=on_time / (seconds * self.bus.bit_rate_bps) if seconds > 0 else 0.0,
            errors=errors,
            kinds=who_told(self.errors, seen),
            losses=self._losses(errors, sent),
            repeats=self._repeats(errors, sent) if self._numbers else None,
            bound=error_rate_upper_bound(min(errors, bits), bits, test.confidence),
            queue_full=load.queue_full,
            stuck=load.stuck,
            stopped=self.stopped,
            came_back=load.came_back,
            state=self.link.port.state(),
        )

    def _let_echoes_arrive(self) -> None:
        """A long queue on a slow bus is still being sent. Ends when all is there, or nothing more comes."""
        before = -1
        while self.load.unsent and self.load.echoed > before:
            before = self.load.echoed
            self.link.wait_for(lambda: not self.load.unsent, STUCK_S)

    def _burst_counts(self) -> dict[str, int]:
        """Frames that each node says it had sent a moment ago; what was on its way has arrived since."""
        sent: dict[str, int] = {}
        for node in self.nodes:
            if node.name in self._numbers:
                with contextlib.suppress(NodeFault):
                    sent[node.name] = node.read_burst()
        self.link.run_for(ARRIVE_S)
        return sent

    def _lost_in_host(self) -> int:
        """By the counters of kernel and driver; an overrun that an error frame tells as well counts once."""
        now, before = host_loss(self.link), self._host_loss
        overruns = max(now.overruns - before.overruns, self.errors.overflows)
        return max(0, now.dropped - before.dropped) + overruns

    def _losses(self, errors: int, sent: dict[str, int]) -> Losses:
        """Lost frames by place: first what host and adapter say, then by whether the bus had errors, else in the node."""
        losses, host_tells = Losses(in_host=self._lost_in_host()), self._host_tells()
        if not losses.in_host and not self.load.stuck:
            # An echo that the host dropped is no frame that was not sent, and only a host that counts knows which it was.
            losses.unsent, losses.unknown = (self.load.unsent, 0) if host_tells else (0, self.load.unsent)
        missing = 0
        for name, arrivals in self._numbers.items():
            check = SequenceCheck(self._modulus[name])
            for _, number in arrivals:
                check.add(number % check.modulus)
            missing += max(check.lost, sent.get(name, 0) - len(arrivals))
        unanswered = sum(node.unanswered - self._unanswered[node.name] for node in self.nodes)
        missing += unanswered
        if losses.in_host:
            # An overrun is told without a number, and what was dropped may have been answers: without an error on the
            # bus all that is missing is taken for dropped here.
            if errors:
                losses.on_bus = max(0, missing - losses.in_host)
            else:
                losses.in_host = max(losses.in_host, missing)
        elif errors:
            losses.on_bus = missing
        elif not host_tells:
            losses.unknown += missing
        elif losses.unsent:
            losses.unsent += unanswered  # a read that was not sent has no answer
            losses.in_node = missing - unanswered
        elif self.measure.memory.get(_bus.sends_again_key(self.bus.name)):
            losses.in_node = missing
        else:
            losses.in_node, losses.not_told_apart = missing - unanswered, unanswered
        return losses

    def _host_tells(self) -> bool:
        """Would this machine say if it dropped a frame? The kernel counts; an adapter that tells errors tells overruns."""
        port, seen_by = self.link.port, self.measure.memory.get(_bus.observers_key(self.bus.name), ())
        return _bus.ADAPTER in seen_by or (isinstance(port, TellsLosses) and port.counts_losses)

    def _repeats(self, errors: int, sent: dict[str, int]) -> Repeats:
        """Frames that came twice or out of order. A sender repeats no frame that was taken without an error, so copies
        come from the node's program, or from the way between the wire and this program.
        """
        repeats = Repeats(one_identifier=self._identifiers == 1)
        lasts_ns = best_case_bits(8) / self.bus.bit_rate_bps * 1e9
        for name, arrivals in self._numbers.items():
            check, before = SequenceCheck(self._modulus[name]), dict[int, int]()
            apart: list[int] = []
            for t_ns, number in arrivals:
                known = check.duplicated
                check.add(number % check.modulus)
                if check.duplicated > known and number in before:
                    apart.append(t_ns - before[number])
                before[number] = t_ns
            repeats.out_of_order += check.reordered
            if not check.duplicated:
                continue
            repeats.twice += check.duplicated
            if errors:
                who = ON_THE_BUS
            elif self.load.crowded:
                who = BY_THE_NODE if sent.get(name, 0) >= len(arrivals) else BY_EITHER
            else:
                who = IN_THE_HOST if all(each_ns < lasts_ns for each_ns in apart) else BY_THE_NODE
            repeats.by[who] = repeats.by.get(who, 0) + check.duplicated
        return repeats


def who_told(errors: _bus.Errors, by_nodes: int) -> str:
    """Errors in words: of which kind, and who counted how many where adapter and nodes did not see the same."""
    kinds = errors.kinds
    if kinds and errors.count < by_nodes:
        kinds = f"the adapter told {errors.count} ({kinds})"
    return ", ".join(filter(None, [kinds, f"nodes counted {by_nodes}" if by_nodes else ""]))


def host_loss(link: Link) -> HostLoss:
    """What kernel and adapter say they dropped because nobody read in time; zeros where they don't say."""
    return link.port.host_loss() if isinstance(link.port, TellsLosses) else HostLoss()


def judge(measure: Measure, bus: Bus, result: LoadResult, observers: Iterable[str]) -> None:
    """The counted things against their limits, those of utilisation and bound left out."""
    if result.stuck:
        measure(
            "frames sent by the host",
            result.host_frames,
            "frames",
            note=f"queue full {result.queue_full} times",
        )
        measure("errors", result.errors, "errors", high=0, note=result.kinds)
        measure.look_first(*result.stuck.look_first)
        measure.fail(f"nothing went out for {STUCK_S:g} s: {result.stuck}")
    full = f"the queue was full {result.queue_full} times, which only slowed it" if result.queue_full else ""
    measure("frames sent by the host", result.host_frames, "frames", low=1, note=full)
    measure("bits sent by the host", result.host_bits, "bits")
    measure("frames sent by the nodes", result.node_frames, "frames")
    measure("bits sent by the nodes", result.node_bits, "bits")
    measure("bits on the bus", result.bits, "bits", low=1)
    seen = f"observed by {', '.join(observers)}"
    measure("errors", result.errors, "errors", high=0, note="; ".join(filter(None, [result.kinds, seen])))
    measure("frames lost", result.losses.total, "frames", high=0, note=str(result.losses))
    if result.losses.unsent or result.losses.not_told_apart:
        measure.look_first(_causes.ONE_SHOT)
    if result.came_back:
        label = "own frames that came back as if another had sent them"
        measure(label, result.came_back, "frames", high=0, note="or another device repeats what it hears")
        measure.look_first(_causes.SELF_TEST)
    if result.repeats is not None:
        _judge_repeats(measure, result.repeats)
    if result.stopped:
        measure.note(f"sequential test: {result.stopped}")


def judge_state(measure: Measure, result: LoadResult) -> None:
    """Of the first load test, before which the adapter was opened anew: a state of before is none of now."""
    calm = not result.errors and result.host_frames >= CALM_SENT and result.node_frames >= CALM_RECEIVED
    if calm and result.state not in ("active", "unknown"):
        text = (
            f"it says {result.state!r} behind all these frames without an error: it met errors that it did not report, or that "
            "state is over. It says nothing of this board, and its word on errors nothing of any"
        )
        measure.require("the adapter's state agrees with what it sent and received", False, text)
        measure.look_first(_causes.STATE_STALE)


def note_utilisation(measure: Measure, test: LoadSettings, result: LoadResult) -> None:
    """How far the bus was loaded; green only where that is near what was asked for."""
    enough_percent, is_enough = ENOUGH_LOAD * test.utilisation_percent, _is_enough(test, result)
    measure(
        "utilisation achieved",
        100 * result.utilisation,
        "%",
        low=enough_percent if is_enough else None,
        limit="load_test.utilisation_percent",
        note="" if is_enough else f"this host and adapter did not get to {enough_percent:g} %",
        form="course",
    )


def require_utilisation(measure: Measure, test: LoadSettings, result: LoadResult) -> None:
    """Not observable where the bus was hardly loaded and nothing else was found."""
    if not _is_enough(test, result) and not measure.failed:
        measure.not_observable(
            f"the bus was loaded to {100 * result.utilisation:.2g} % only, {test.utilisation_percent:g} % were asked for: "
            "the host or its adapter is too slow, which says nothing about the node",
            "a faster adapter (SocketCAN), a calmer host, or a lower bus.load_test.utilisation_percent",
        )


def _is_enough(test: LoadSettings, result: LoadResult) -> bool:
    return result.utilisation >= ENOUGH_LOAD * test.utilisation_percent / 100


def _judge_repeats(measure: Measure, repeats: Repeats) -> None:
    measure("frames that came twice", repeats.twice, "frames", high=0, note=str(repeats))
    why = "a node with several transmit buffers, or a queue on the way, that does not keep the order"
    measure(
        "frames out of order",
        repeats.out_of_order,
        "frames",
        high=0 if repeats.one_identifier else None,
        note=why if repeats.out_of_order else "",
    )
    if repeats.out_of_order and repeats.one_identifier:
        measure.look_first(*_causes.OUT_OF_ORDER)
