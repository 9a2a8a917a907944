"""Looking at a live bus: its bit rate, who speaks on it and how often, who answers and what they say of themselves.

The order is by what it can disturb: first listening without taking part, at each bit rate in turn where none was given;
then listening; then reads of objects, one at a time. A bus on which only errors are heard is not spoken on.
"""

from __future__ import annotations

import difflib
import inspect
import itertools
import statistics
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any

from hiltest.canbus.frame import Frame, describe_error
from hiltest.canbus.opening import Adjustable, open_port
from hiltest.clock import NS_PER_S
from hiltest.description.senders import Senders
from hiltest.draft.ask import NodeFound, ask_node
from hiltest.errors import BenchError, BenchNotOpened, HiltestError, NotPermitted, UsageError
from hiltest.link import Link
from hiltest.node.lss import LssIdentity, LssMaster
from hiltest.node.search import search

if TYPE_CHECKING:
    from hiltest.canbus.opening import BusPort
    from hiltest.canbus.preflight import InterfaceFacts
    from hiltest.draft import Order

SCAN_BPS = (1_000_000, 500_000, 250_000, 125_000, 800_000, 100_000, 50_000, 20_000, 10_000)
"""Bit rates of the trade, the usual ones first."""
QUICK_S, LONG_S = 0.35, 2.5
"""A heartbeat comes within the first on most buses, within the second on nearly all."""
ABSENT = ("missing", "kind")
"""Topics of the preflight: there is no such interface, or it is none for CAN."""
NO_RIGHT = (
    "this account may not set the interface (that takes CAP_NET_ADMIN: `hiltest manual linux`), so it can neither be opened "
    "without taking part nor be tried at other bit rates"
)
TAKES_PART = "can't be opened without taking part"
DRAIN_S = 0.05
"""What an adapter had still to tell of the bit rate before."""
ENOUGH_FRAMES, ENOUGH_ERRORS = 2, 300
LISTEN_S, SEARCH_S = 3.0, 1.5
SETTLE_S, SETTLES_MAX, SETTLED_FRAMES = 0.2, 20, 100
LISTEN_FRAMES = 5000
"""Enough to know who speaks; a frame that nobody acknowledges is repeated without end."""
REPEATED_S = 0.004
"""No node beats faster: what comes at shorter intervals is one frame, repeated because nobody acknowledges it."""
ERROR_STATES = ("warning", "passive")
STATES = {0x00: "boot-up", 0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}


@dataclass(slots=True)
class Sender:
    """What was heard under one identifier."""

    can_id: int
    extended: bool
    times_ns: list[int] = field(default_factory=list)
    lengths: set[int] = field(default_factory=set)
    last: bytes = b""

    @property
    def period_s(self) -> float | None:
        """Time between two frames, the median; None if fewer than three came."""
        if len(self.times_ns) < 3:
            return None
        return statistics.median(b - a for a, b in itertools.pairwise(self.times_ns)) / NS_PER_S


@dataclass(slots=True)
class Look:
    """What was seen."""

    bit_rate_bps: int
    rate_by: str
    listened_only: bool
    heard: dict[tuple[int, bool], Sender] = field(default_factory=dict)
    errors: Counter[str] = field(default_factory=Counter)
    nodes: list[NodeFound] = field(default_factory=list)
    without_id: list[LssIdentity] = field(default_factory=list)
    asked: bool = False

    def heartbeat_s(self, node_id: int) -> float | None:
        """Period of a node's heartbeat, as heard; None where none was, or only one frame again and again."""
        sender = self.heard.get((0x700 + node_id, False))
        period_s = None if sender is None else sender.period_s
        return None if period_s is None or period_s < REPEATED_S else period_s

    def strangers(self) -> list[Sender]:
        """Senders that no CANopen node explains, in order of identifier."""
        ids = frozenset(node.node_id for node in self.nodes)
        told = frozenset(key for node in self.nodes for key in (*node.process_data, *node.stated))
        senders = Senders(told, ids)
        return [sender for key, sender in sorted(self.heard.items()) if not senders.explain(*key)]

    def how_listened(self) -> str:
        """Whether the adapter took part meanwhile, and what was heard."""
        how = "without taking part" if self.listened_only else "taking part (it acknowledged what it heard)"
        return f"listened {how}: {len(self.heard)} identifiers, errors: {_counts(self.errors) or 'none'}"

    def lines(self) -> list[str]:
        """The same in words, a line each."""
        lines = [f"bit rate: {self.bit_rate_bps:,} bit/s ({self.rate_by})", self.how_listened()]
        lines += [f"node {node.text(self.heartbeat_s(node.node_id))}" for node in self.nodes]
        lines += [f"a board without a node id: {identity}" for identity in self.without_id]
        strangers = self.strangers()
        if strangers:
            lines.append(
                "not of a CANopen node: " + ", ".join(f"0x{each.can_id:X}" for each in strangers[:20])
            )
        if not self.asked:
            lines.append("nothing was sent, so nobody was asked who he is")
        return lines


def _counts(counted: Counter[str]) -> str:
    return ", ".join(f"{kind} {count}" for kind, count in sorted(counted.items()))


class _Ears:
    """Notes what comes while it is attached."""

    def __init__(self) -> None:
        self.heard: dict[tuple[int, bool], Sender] = {}
        self.errors: Counter[str] = Counter()
        self.frames = 0

    def take(self, frame: Frame) -> None:
        if frame.error:
            report = describe_error(frame)
            if report.is_bus_error:
                self.errors.update(report.kinds)
            elif report.state in ERROR_STATES:  # all that some drivers tell of errors
                self.errors[f"adapter error-{report.state}"] += 1
        elif frame.is_rx:
            self.frames += 1
            key = (frame.can_id, frame.extended)
            sender = self.heard.setdefault(key, Sender(*key))
            sender.times_ns.append(frame.t_ns)
            sender.lengths.add(len(frame.data))
            sender.last = frame.data

    def is_enough(self, frames: int) -> bool:
        return self.frames >= frames or self.errors.total() >= ENOUGH_ERRORS


def listen(link: Link, for_s: float, frames: int = 1 << 60) -> _Ears:
    """Listen for `for_s` seconds, less if so many frames come, or more errors than anybody needs."""
    ears = _Ears()
    remove = link.listen(ears.take)
    try:
        link.wait_for(partial(ears.is_enough, frames), for_s)
    finally:
        remove()
    return ears


@dataclass(frozen=True, slots=True)
class _Bus:
    """What opening needs to know."""

    name: str
    interface: str
    channel: str
    bit_rate_bps: int
    options: dict[str, Any]


def look(order: Order) -> Look:
    """Look at the bus of `order`.

    Raises:
        UsageError: the bit rate has to be given.
        BenchError: it can't be opened, nobody is heard at any bit rate, or only errors are.
    """
    start = _start(order)
    port, start = _opened(order, start)
    link = Link(port)
    try:
        quiet = start.quiet or port.listen_only(True)
        seen = Look(start.rate_bps, start.rate_by, quiet)
        if start.finds:
            seen.bit_rate_bps, seen.rate_by = _find_rate(link, start)
        return _look_at(link, port, order, seen)
    finally:
        link.close()


@dataclass(frozen=True, slots=True)
class _Start:
    """How the bus is opened. `rate_bps` is where it begins; it is looked for by listening if `finds`.

    `quiet`: not taking part from the first moment on. `fallback_by`: where that can't be, or nobody is heard, `rate_bps`
    counts all the same, and this says who set it; None where nobody did.
    """

    rate_bps: int
    rate_by: str
    quiet: bool
    finds: bool = False
    fallback_by: str | None = None


def _start(order: Order) -> _Start:
    given_bps = order.bit_rate_bps
    if given_bps is not None and not 10_000 <= given_bps <= 1_000_000:
        raise UsageError(f"bit rate {given_bps} bit/s: expected 10000 to 1000000")
    if order.interface == "socketcan":
        return _kernel_start(order.channel, given_bps, _kernel_facts(order.channel))
    quiet = can_open_quietly(order.interface)
    if given_bps is not None:
        by = "given" if quiet else f"given, and not listened for: interface {order.interface!r} {TAKES_PART}"
        return _Start(given_bps, by, quiet)
    if not quiet:
        raise UsageError(
            f"interface {order.interface!r} {TAKES_PART}, and at a wrong bit rate it would disturb the bus: give --bitrate"
        )
    return _Start(SCAN_BPS[0], "", quiet=True, finds=True)


def _kernel_start(channel: str, given_bps: int | None, facts: InterfaceFacts | None) -> _Start:
    """An interface of the kernel has a bit rate and a mode of its own; whoever may set it listens first all the same."""
    can_be_set = facts is not None and facts.exists and facts.kind == "can" and facts.settable is not False
    set_bps = facts.bitrate if facts is not None and facts.is_up else None
    if set_bps is not None and given_bps not in (None, set_bps):
        raise UsageError(
            f"{channel} is set to {set_bps} bit/s in the kernel, --bitrate says {given_bps}: leave it out, or set the "
            f"interface: `ip link set {channel} down && ip link set {channel} up type can bitrate {given_bps}`"
        )
    by_kernel = None if set_bps is None else f"{channel} is set to it in the kernel"
    if can_be_set:
        first_bps = given_bps or set_bps or SCAN_BPS[0]
        by = "given" if given_bps is not None else ""
        return _Start(first_bps, by, quiet=True, finds=given_bps is None, fallback_by=by_kernel)
    if by_kernel is not None and set_bps is not None:
        return _Start(set_bps, f"{by_kernel}, and not looked for: {NO_RIGHT}", quiet=False)
    if given_bps is None:
        raise _without_a_rate(channel)
    is_can = facts is not None and facts.exists and facts.kind == "can"
    return _Start(
        given_bps,
        f"given, and not listened for: {NO_RIGHT if is_can else f'{channel} {TAKES_PART}'}",
        quiet=False,
    )


def _opened(order: Order, start: _Start) -> tuple[BusPort, _Start]:
    """The port, and how it was opened: a driver of the kernel that can't listen only takes part, as it did before."""
    bus = _Bus("can", order.interface, order.channel, start.rate_bps, order.options)
    try:
        return open_port(bus, quiet=start.quiet), start
    except BenchNotOpened as error:
        if order.interface != "socketcan" or start.fallback_by is None:
            raise
        why = NO_RIGHT if isinstance(error, NotPermitted) else " ".join(str(error).split())
    by = f"{start.rate_by or start.fallback_by}, and not {'listened' if start.rate_by else 'looked'} for: {why}"
    return open_port(bus), _Start(start.rate_bps, by, quiet=False)


def can_open_quietly(interface: str) -> bool:
    """Can an adapter of this family be opened without taking part from the first moment on?

    Raises:
        UsageError: python-can has no such interface.
    """
    from can.interfaces import BACKENDS

    if interface not in BACKENDS:
        near = difflib.get_close_matches(interface, BACKENDS, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else "."
        known = ", ".join(sorted(BACKENDS))
        raise UsageError(
            f"interface {interface!r} is no adapter family of python-can{hint} It knows: {known}"
        )
    import importlib

    module, name = BACKENDS[interface]
    try:
        bus = getattr(importlib.import_module(module), name)
    except ImportError as error:
        raise BenchNotOpened(
            f"interface {interface!r} needs a driver that is not installed: {error}"
        ) from error
    return "listen_only" in inspect.signature(bus.__init__).parameters


def _without_a_rate(channel: str) -> HiltestError:
    """Why the kernel tells no bit rate of an interface, and what to do."""
    from hiltest.canbus.preflight import Wanted, check_host

    found = {each.topic: each.text for each in check_host("socketcan", channel, Wanted(SCAN_BPS[1]))}
    for topic in ABSENT:
        if topic in found:
            return BenchNotOpened(found[topic])
    if "virtual" in found:
        return UsageError(f"{found['virtual']} To look at what runs on it all the same, give a --bitrate")
    return BenchNotOpened(
        f"{channel} is there, and down or without a bit rate. {NO_RIGHT[0].upper()}{NO_RIGHT[1:]}; or as root, with the rate of "
        f"the bus from the board's manual: `ip link set {channel} up type can bitrate BPS`, then again without --bitrate"
    )


def _kernel_facts(channel: str) -> InterfaceFacts | None:
    """What the kernel says of its interface; None where it can't be asked."""
    import importlib.util

    if importlib.util.find_spec("pyroute2") is None:
        return None
    from hiltest.canbus.netlink import read_facts

    return read_facts(channel)


def _find_rate(link: Link, start: _Start) -> tuple[int, str]:
    """The bit rate at which good frames come; the adapter hears without taking part.

    Up to 3 s where a frame comes within a third of a second, else up to half a minute. Where nobody says anything, and
    somebody had set the adapter to a rate, that one.
    """
    errors: dict[int, int] = defaultdict(int)
    rates = (start.rate_bps, *(rate for rate in SCAN_BPS if rate != start.rate_bps))
    for each_s, frames in ((QUICK_S, ENOUGH_FRAMES), (LONG_S, 1)):
        for rate_bps in rates:
            try:
                ears = _listen_at(link, rate_bps, each_s, frames)
                if ears.frames >= frames:
                    # Once more: what waited in the adapter from the rate before shall not count for this one.
                    ears = _listen_at(link, rate_bps, LONG_S, 1)
                    if ears.frames:
                        return rate_bps, "good frames were heard at it, without taking part"
            except (BenchNotOpened, UsageError):
                continue  # the adapter does not make this rate
            errors[rate_bps] += ears.errors.total()
    told = ", ".join(f"{rate:,}: {count}" for rate, count in errors.items() if count)
    if start.fallback_by is not None and not told:
        link.reopen(start.rate_bps)
        return start.rate_bps, f"{start.fallback_by}; nobody was heard at any of {len(errors)} bit rates"
    what = f"only errors were heard (bit rate: errors; {told})" if told else "nobody speaks on this bus"
    raise BenchError(
        f"{what}, at any of {len(errors)} bit rates. A board without a node id says nothing by itself: if you know its bit "
        "rate give --bitrate, and it is asked. Else check: power, plug, 60 ohm from H to L with the power off"
    )


def _listen_at(link: Link, rate_bps: int, for_s: float, frames: int) -> _Ears:
    link.reopen(rate_bps)
    link.run_for(DRAIN_S)
    return listen(link, for_s, frames)


def _look_at(link: Link, port: BusPort, order: Order, seen: Look) -> Look:
    ears = listen(link, LISTEN_S, LISTEN_FRAMES)
    seen.heard, seen.errors = ears.heard, ears.errors
    if ears.errors and not ears.frames:
        raise BenchError(
            f"only errors are heard at {seen.bit_rate_bps:,} bit/s ({_counts(ears.errors)}), so nothing was sent: another "
            "bit rate, a missing terminator, or a loose wire"
        )
    if order.only_listen:
        seen.nodes = [NodeFound(node_id, state=state, was_asked=False) for node_id, state in _beating(seen)]
        return seen
    if seen.listened_only:
        _take_part(port)
        _settle(link)
        # Again, now that somebody acknowledges: a board that was alone could say one thing only.
        seen.heard = listen(link, LISTEN_S).heard
    _ask(link, seen)
    return seen


def _settle(link: Link) -> None:
    """Let what the adapter still holds pass: frames that were repeated while nobody acknowledged."""
    link.run_for(SETTLE_S)
    for _ in range(SETTLES_MAX):
        if listen(link, SETTLE_S).frames < SETTLED_FRAMES:
            return


def _take_part(port: BusPort) -> None:
    if not isinstance(port, Adjustable) or not port.listen_only(False):
        raise BenchError(
            "the adapter was opened listening only and can't be told to take part; use --listen-only"
        )


def _beating(seen: Look) -> list[tuple[int, str]]:
    """Node ids under which a heartbeat was heard, with the state that it told."""
    found = []
    for (can_id, extended), sender in sorted(seen.heard.items()):
        if not extended and 0x701 <= can_id <= 0x77F and sender.lengths == {1}:
            found.append((can_id - 0x700, STATES.get(sender.last[0] & 0x7F, "unknown")))
    return found


def _ask(link: Link, seen: Look) -> None:
    """Who answers; each is asked for what it is. Reads only."""
    seen.asked = True
    states = dict(_beating(seen))
    found = search(link, SEARCH_S)
    for node_id in sorted({*found, *states}):
        node = NodeFound(node_id, found.get(node_id), state=states.get(node_id, "no heartbeat"))
        ask_node(link, node)
        seen.nodes.append(node)
    with LssMaster(link) as master:
        if master.anybody_without_id():
            seen.without_id = master.fast_scan()
