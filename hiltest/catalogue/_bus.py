"""How the bus checks listen, load and provoke. Private to the catalogue."""

from __future__ import annotations

import contextlib
import itertools
import statistics
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.canbus.accounting import IDS_MAX
from hiltest.canbus.frame import CONTROLLER_TX_PASSIVE, CONTROLLER_TX_WARNING, Frame, describe_error
from hiltest.canbus.frames import length_bits
from hiltest.description.dbc import read_messages
from hiltest.description.senders import CanId, Senders, senders_on
from hiltest.errors import BenchError, BenchNotOpened, NodeFault, NotOffered, NotPermitted, UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Description, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

# Identifiers that CANopen leaves free (CiA 301 predefines up to 0x77F, CiA 305 uses 0x7E4 and 0x7E5).
LOAD_IDS = tuple(each for each in range(0x781, 0x7E0))
DISTURB_S = (0.02, 0.1, 0.3)
"""How long the adapter stays at the odd bit rate, from attempt to attempt."""
SENT_AGAIN_TEC = 96
"""Transmit error counter that one frame leads to only by being sent again and again: 12 tries of 8 (ISO 11898-1), 8 ms at the
odd bit rate.
"""
SPARSE_EDGES = bytes([0x3C]) * 8


ADAPTER = "the adapter"
"""Among those who were shown to see bus errors; the others are nodes."""
ENOUGH_ERRORS = 1000
SHOWN_MAX = 8


def load_ids(description: Description, bus: str, folder: Path) -> list[int]:
    """Those of `LOAD_IDS` that no message of a node on `bus` has: nobody acts on them, nobody else sends them.

    Raises:
        UsageError: the nodes' messages take all of them.
    """
    taken: set[int] = set()
    for node in description.node:
        if node.bus != bus:
            continue
        taken |= {message.can_id for message in node.message if message.can_id and not message.extended}
        if node.protocol == "signals" and node.database is not None:
            listed = read_messages(folder / node.database).values()
            taken |= {message.can_id for message in listed if not message.extended}
    free = [can_id for can_id in LOAD_IDS if can_id not in taken]
    if not free:
        raise UsageError(
            f"bus {bus!r}: the messages of its nodes take every identifier from 0x{LOAD_IDS[0]:X} to "
            f"0x{LOAD_IDS[-1]:X}, and hiltest needs one of them for its own traffic; leave one free"
        )
    return free


TROUBLED = ("warning", "passive", "bus-off")
"""States that a controller enters by its error counters only (ISO 11898-1: 96, 128, 256)."""


def trouble(states: Sequence[str]) -> str:
    """Those of `TROUBLED` that were told, in words; empty if none was.

    An adapter without reports of single errors (SocketCAN without `berr-reporting on`) tells errors by these alone.
    """
    return ", ".join(state for state in TROUBLED if state in states)


@dataclass(slots=True)
class Errors:
    """Errors reported by the adapter while watched, by kind. `overflows`: it said that it dropped what it had received,
    which is no error of the bus.
    """

    count: int = 0
    overflows: int = 0
    by_kind: Counter[str] = field(default_factory=Counter)
    states: list[str] = field(default_factory=list)
    tec: int | None = None
    """Highest transmit error counter that was told."""
    troubled_on_tx: bool = False
    """A state was told that only the transmit error counter leads to."""

    def add(self, frame: Frame) -> None:
        """Take one error frame apart."""
        report = describe_error(frame)
        if report.is_bus_error:
            self.count += 1
            self.by_kind.update(report.kinds)
        if report.tx_errors is not None:
            self.tec = max(report.tx_errors, self.tec or 0)
        if "rx-overflow" in report.kinds:
            self.overflows += 1
        if report.state is not None:
            self.states.append(report.state)
            by_sending = CONTROLLER_TX_WARNING | CONTROLLER_TX_PASSIVE
            self.troubled_on_tx |= report.state == "bus-off" or bool(
                frame.data[1:2] and frame.data[1] & by_sending
            )

    @property
    def trouble(self) -> str:
        """The worse states that the adapter told, in words."""
        return trouble(self.states)

    @property
    def kinds(self) -> str:
        """Kinds and counts in words."""
        return ", ".join(f"{kind} {count}" for kind, count in sorted(self.by_kind.items()))


@contextlib.contextmanager
def errors_of(link: Link) -> Iterator[Errors]:
    """Count the error reports that come while this lasts."""
    errors = Errors()

    def take(frame: Frame) -> None:
        if frame.error:
            errors.add(frame)

    remove = link.listen(take)
    try:
        yield errors
    finally:
        remove()


@dataclass(slots=True)
class Seen:
    """What was heard on the bus. `ids`: how often, by identifier and whether it has 29 bits, of the first IDS_MAX."""

    seconds: float
    frames: int
    ids: Counter[CanId]
    errors: int
    kinds: str
    states: list[str]
    bits: int = 0

    @property
    def is_troubled(self) -> bool:
        """Errors were told, one by one or by the state that they led to."""
        return self.errors > 0 or bool(trouble(self.states))

    @property
    def told_by_state(self) -> bool:
        """Errors, no good frame, and none of them told singly: the state alone says so."""
        return not self.errors and not self.frames and bool(trouble(self.states))

    @classmethod
    def nothing(cls) -> Seen:
        """Nothing yet."""
        return cls(0.0, 0, Counter(), 0, "", [])

    def and_then(self, later: Seen) -> Seen:
        """Both, one after the other."""
        return Seen(
            self.seconds + later.seconds,
            self.frames + later.frames,
            self.ids + later.ids,
            self.errors + later.errors,
            _kinds_of_both(self.kinds, later.kinds),
            [*self.states, *later.states],
            self.bits + later.bits,
        )

    def without_errors(self) -> Seen:
        """The frames alone."""
        return Seen(self.seconds, self.frames, self.ids, 0, "", [], self.bits)

    def strangers(self, senders: Senders) -> list[str]:
        """Identifiers that the description does not explain, as words, the busiest first."""
        odd = [key for key in self.ids if not senders.explain(*key)]
        odd.sort(key=lambda key: (-self.ids[key], key))
        return [f"{id_text(key)} ({self.ids[key]} frame{'s' if self.ids[key] > 1 else ''})" for key in odd]

    def busiest(self) -> str:
        """The identifier that came most often, in words."""
        return busiest(self.ids)


def _kinds_of_both(*told: str) -> str:
    """Kinds and counts in words, as `Errors.kinds` gives them, each kind once."""
    counts: Counter[str] = Counter()
    for part in filter(None, ", ".join(filter(None, told)).split(", ")):
        kind, _, count = part.rpartition(" ")
        counts[kind] += int(count)
    return ", ".join(f"{kind} {count}" for kind, count in sorted(counts.items()))


def busiest(ids: Counter[CanId]) -> str:
    """The identifier that came most often, in words; empty where none came."""
    if not ids:
        return ""
    key, count = ids.most_common(1)[0]
    return f"most often {id_text(key)}, {count} times"


def unasked(heard_first: Counter[int], nodes: Sequence[Node]) -> Counter[CanId]:
    """Of what was heard before the first frame was sent: requests to CANopen nodes and their answers (SDO, CiA 301)."""
    ids = {
        base + node.node_id
        for node in nodes
        if node.protocol == "canopen" and node.node_id
        for base in (0x580, 0x600)
    }
    return Counter({(can_id, False): count for can_id, count in heard_first.items() if can_id in ids})


def id_text(key: CanId) -> str:
    """An identifier in words: one of 29 bits says so."""
    can_id, extended = key
    return f"0x{can_id:X}" + (" of 29 bits" if extended else "")


def judge_strangers(measure: Measure, seen: Seen, bus: str) -> list[str]:
    """Measure how many senders nothing explains, and return them in words; where that can't be told say so, judge nothing."""
    senders = senders_on(measure.description, bus, measure.folder)
    if senders.untold:
        measure.note(f"senders not in the description: not told, because {senders.untold}")
        return []
    strangers = seen.strangers(senders)
    more = f"; no more than {IDS_MAX} identifiers are told apart" if len(seen.ids) >= IDS_MAX else ""
    note = some(strangers) + more
    measure("senders not in the description", len(strangers), "ids", high=0, note=note)
    return strangers


def some(names: Sequence[str], most: int = SHOWN_MAX) -> str:
    """The first of many names, and how many more there are: a sentence that a person can read to its end."""
    left = len(names) - most
    return ", ".join(names[:most]) + (f" and {left} more" if left > 0 else "")


@contextlib.contextmanager
def watching(link: Link) -> Iterator[Seen]:
    """Note what others send while this lasts."""
    seen, errors, start_s = Seen.nothing(), Errors(), link.now_s

    def take(frame: Frame) -> None:
        if frame.error:
            errors.add(frame)
            seen.errors, seen.kinds, seen.states = errors.count, errors.kinds, errors.states
        elif frame.is_rx:
            key = (frame.can_id, frame.extended)
            if len(seen.ids) < IDS_MAX or key in seen.ids:
                seen.ids[key] += 1
            seen.frames += 1
            seen.bits += length_bits(frame)

    remove = link.listen(take)
    try:
        yield seen
    finally:
        remove()
        seen.seconds = link.now_s - start_s


def judge_quiet(measure: Measure, link: Link, seen: Seen) -> None:
    """Error reports and states while nothing was sent. Of an adapter that has told nothing at all of itself, zero is no
    finding.
    """
    tells = seen.errors > 0 or bool(seen.states) or link.port.state() != "unknown"
    blind = "not judged: this adapter tells nothing of errors so far; bus.observer shows whether it can"
    measure(
        "error reports", seen.errors, "errors", high=0 if tells else None, note=seen.kinds if tells else blind
    )
    if told := trouble(seen.states):
        measure.require("the adapter met no errors by its own state", False, f"it told: {told}")


def judge_heartbeat(measure: Measure, beats_s: Sequence[float], node: Node) -> None:
    """Mean period, longest gap and jitter of the heartbeats."""
    gaps = [b - a for a, b in itertools.pairwise(beats_s)]
    if len(gaps) < 2:
        measure("heartbeats", len(beats_s), "frames", low=3)
        return
    tolerance = node.heartbeat_tolerance_percent / 100
    measure(
        "heartbeat period, mean",
        statistics.fmean(gaps),
        "s",
        low=node.heartbeat_s * (1 - tolerance),
        high=node.heartbeat_s * (1 + tolerance),
        limit="heartbeat_tolerance_percent",
    )
    measure("heartbeat gap, longest", max(gaps), "s", high=2 * node.heartbeat_s)


def counts(nodes: Sequence[GuardedNode]) -> dict[str, int]:
    """Each node's own count of bus errors, where it has one."""
    counts = {}
    for node in nodes:
        with contextlib.suppress(NotOffered, NodeFault):
            counts[node.name] = node.read_bus_counters().errors
    return counts


@dataclass(slots=True)
class Provoked:
    """What a bus error on purpose has shown: who reports it, and whether the adapter sent the disturbed frame again and again.
    That it did not can't be shown so: nodes that hear another bit rate may hold the bus with overload frames, and the frame waits.
    """

    seen_by: list[str] = field(default_factory=list)
    sends_again: bool = False


def provoke_error(link: Link, bus: Bus, nodes: Sequence[GuardedNode]) -> Provoked:
    """Disturb the bus once, on purpose, and see who reports it. Longer, when nobody did.

    A serial adapter on a busy host may close its channel again before the odd frame was on the wire.

    Raises:
        BenchNotOpened: the adapter can't be set to another bit rate; it is at its own.
    """
    provoked = Provoked()
    for dwell_s in DISTURB_S:
        provoked.seen_by, errors = _disturb(link, bus, nodes, dwell_s)
        provoked.sends_again |= errors.troubled_on_tx or (errors.tec or 0) >= SENT_AGAIN_TEC
        if provoked.seen_by:
            break
    return provoked


def _disturb(link: Link, bus: Bus, nodes: Sequence[GuardedNode], dwell_s: float) -> tuple[list[str], Errors]:
    before = counts(nodes)
    odd = 500_000 if bus.bit_rate_bps != 500_000 else 250_000
    for node in nodes:
        node.go_silent()
    try:
        with errors_of(link) as errors:
            try:
                link.reopen(odd)
                with contextlib.suppress(BenchError):
                    link.send(Frame(LOAD_IDS[0], SPARSE_EDGES))
                link.run_for(dwell_s)
            finally:
                link.reopen(bus.bit_rate_bps)
        link.run_for(0.3)
    finally:
        for node in nodes:
            node.resume()
    link.run_for(0.3)
    after = counts(nodes)
    seen_by = [ADAPTER] if errors.count else []
    seen_by += [f"node {name}" for name in before if after.get(name, before[name]) > before[name]]
    return seen_by, errors


def need_of(error: BenchNotOpened, otherwise: str) -> str:
    """What it takes where an adapter could not be set: a right that this account lacks, or another adapter."""
    return error.command if isinstance(error, NotPermitted) and error.command else otherwise


def remember_observers(measure: Measure, bus: str, seen_by: list[str]) -> None:
    """Keep who can see errors, for the checks that count them; an adapter that can't is told with the verdict."""
    measure.memory[observers_key(bus)] = seen_by
    if ADAPTER not in seen_by:
        who = f"only {' and '.join(seen_by)} counts them" if seen_by else "and no node counts them either"
        measure.qualify(f"bus errors were not observable on the adapter of bus {bus!r}, {who}")


def observers_key(bus: str) -> str:
    """Under which name the run remembers who can see errors on `bus`."""
    return f"observers of {bus}"


def sends_again_key(bus: str) -> str:
    """Under which name the run remembers whether the adapter of `bus` was shown to send again what was disturbed."""
    return f"sends again on {bus}"


def heard_key(bus: str) -> str:
    """Under which name the run remembers whether good frames were heard on `bus` before anything was sent."""
    return f"heard on {bus}"


def observers(measure: Measure, bus: str) -> list[str]:
    """Who can see errors on `bus`. Not observable when nobody can."""
    seen_by: list[str] = measure.memory.get(observers_key(bus), [])
    if not seen_by:
        measure.not_observable("nobody on this bench was shown to see bus errors", "run bus.observer")
    return seen_by
