"""Why does the node not answer? The order of questions by which the possible causes are split.

Listen first, without taking part where the adapter can, until a good frame says that the bit rate is right; send one
frame only where nobody was heard; look at what kinds of errors came and whether the adapter went bus-off; where nothing
but errors is heard, listen at the other bit rates without taking part. Every step is bounded in time. A bus on which good
frames run is asked nothing more than who is there. Private to the catalogue.

What each fault does to a lone sender follows from ISO 11898-1: nobody acknowledges: pure acknowledge errors, the
counter stops at 128, never bus-off; a line that can't be made dominant: bit errors and bus-off within
milliseconds; another bit rate, a missing terminator, one wire open: stuff and form errors.
"""

from __future__ import annotations

import contextlib
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.canbus.opening import Adjustable
from hiltest.catalogue import _bus
from hiltest.errors import BenchError

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Node
    from hiltest.description.senders import CanId
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import Presence

LISTEN_S = 1.0
SETTLE_S = 0.02
ANSWER_S = 0.05
TRIES_BITS = 20 * 200
"""A lone sender is error passive after 16 tries of a frame of up to 135 bits, error flag and pause behind each (ISO 11898-1)."""
ENOUGH_REFUSALS = 8
"""Errors of one frame after which it is taken back: one or two would be chance, and 32 may end in bus-off (ISO 11898-1)."""
UNACKNOWLEDGED = 96
"""Error counter from which something failed again and again: the warning limit (ISO 11898-1)."""
SCAN_BPS = (1_000_000, 500_000, 250_000, 125_000, 800_000, 100_000, 50_000, 20_000, 10_000)
"""Bit rates of the trade, the usual ones first."""
SCAN_EACH_S = 0.25
"""Long enough for the next heartbeat of most nodes; one that nobody acknowledges is repeated at once, and goes on so."""
ENOUGH_FRAMES = 2
ENOUGH_ERRORS = 100
"""Reports at one bit rate, without a good frame, after which the next is tried: far more than the 16 tries make
that a lone sender needs until its frames are heard whole.
"""

_LSS_MASTER, _LSS_SLAVE = 0x7E5, 0x7E4
_LSS_WHO_HAS_NO_ID, _LSS_I = 0x4C, 0x50


@dataclass(frozen=True, slots=True)
class Cause:
    """One thing that it may be, and what to do to know."""

    what: str
    next: str

    def __str__(self) -> str:
        return f"{self.what}. Next: {self.next}"


@dataclass(slots=True)
class Diagnosis:
    """What was found on the way, and the causes that are left, the likeliest first."""

    steps: list[str] = field(default_factory=list)
    causes: list[Cause] = field(default_factory=list)
    bit_rate_found_bps: int | None = None
    equal: int = 1
    """So many of the first causes look the same from the bus."""

    def text(self) -> str:
        """Steps and causes, numbered."""
        lines = [*self.steps, "Likely causes, in the order in which to look:"]
        return "\n".join([*lines, *(f"{n}. {cause}" for n, cause in enumerate(self.causes, 1))])

    @property
    def short(self) -> str:
        """What was found last and the likeliest cause, for the reason of the check."""
        first = ", or ".join(cause.what for cause in self.causes[: self.equal]) or "no cause was found"
        return f"{' '.join(self.steps[-2:])} Likely: {first}".strip()


@dataclass(slots=True)
class _Heard:
    """What came within one step."""

    ids: Counter[CanId] = field(default_factory=Counter)
    errors: _bus.Errors = field(default_factory=_bus.Errors)
    answered: bool = False
    echoed: bool = False
    """A frame of the host came back from the adapter, which has sent it."""

    def take(self, frame: Frame) -> None:
        if frame.error:
            self.errors.add(frame)
        elif frame.is_rx:
            key = (frame.can_id, frame.extended)
            self.ids[key] += 1
            self.answered |= key == (_LSS_SLAVE, False) and frame.data[:1] == bytes([_LSS_I])
        else:
            self.echoed = True

    @property
    def frames(self) -> int:
        return self.ids.total()

    @property
    def is_troubled(self) -> bool:
        """Errors were told, one by one or by the state that they led to."""
        return self.errors.count > 0 or bool(self.errors.trouble)


@contextlib.contextmanager
def _hear(link: Link) -> Iterator[_Heard]:
    heard = _Heard()
    remove = link.listen(heard.take)
    try:
        yield heard
    finally:
        remove()


# --- causes -------------------------------------------------------------------------------------------

_NO_POWER = Cause(
    "the node has no power: plug, fuse, polarity",
    "look at its lamp and at the supply's current: none means no power",
)
_OPEN = Cause(
    "one or both CAN wires open at the node, or its plug not seated",
    "power off, plug mated: H from the adapter's plug to the node's own pin on its board, then L the same: a few ohm "
    "at most; H to L (cold.pair) may read 60 ohm all the same",
)
_SWAPPED = Cause(
    "CAN-H and CAN-L exchanged at the node",
    "power off, each wire from end to end: H must meet H; 60 ohm and normal current say nothing here",
)
_DEAD = Cause(
    "the node's transceiver is dead or asleep, or its controller has gone bus-off and stays there",
    "switch its supply off and on again; measure H and L to ground at rest: 2.5 V each",
)
_WRONG_RATE = Cause(
    "node and adapter have different bit rates",
    "compare bus.bit_rate_bps with the node's setting; let the adapter listen at the other rates",
)
_NO_TERMINATOR = Cause(
    "no terminator", "power off, H to L: over 1 kohm means that none is fitted, 60 ohm is right"
)
_FILTER = Cause(
    "the adapter keeps the node's frames to itself: a receive filter that another program left in it",
    "pull the adapter out and put it back, or listen with the program that came with it",
)
_CLOCK = Cause(
    "the clock of the node, or that of the adapter, is far off (wrong crystal or clock setting)",
    "measure the shortest pulse of the node's frames with an oscilloscope: one bit; then another adapter",
)
_SHORT = Cause("H and L touch each other", "power off, H to L: 0 to 5 ohm; halve the cable to find the place")
_SHORT_OUT = Cause(
    "a CAN line touches ground or supply",
    "power off, each line to ground and to supply: below 1 kohm is a touch",
)
_STUCK = Cause(
    "a transceiver holds the bus dominant", "unplug the nodes one by one; measure H 3.5 V and L 1.5 V at rest"
)
_LOADER = Cause(
    "the node stays in its boot loader",
    "look at its console; flash it again, and switch it on with the bus silent",
)
_HANGS = Cause(
    "its application hangs while a timer sends the heartbeat",
    "switch its supply off and on; if it comes back, find what it hung at",
)
_LOST_ON_THE_WAY = Cause("its answers are lost on the way", "run bus.load and look at its errors")
_OTHER_BEAT = Cause(
    "the message that is described as its sign of life (node.heartbeat) is not sent, or has another identifier",
    "compare node.heartbeat with the identifiers that were heard",
)
_OTHER_DEVICE = Cause(
    "another device acknowledges, and the node is off or on another plug",
    "switch the node off: if frames are still acknowledged, somebody else does it",
)
_SENDS_FD = Cause(
    "the node does not take the CAN FD frames that the adapter sends: it was left in that mode, or their second bit rate is another",
    "switch CAN FD off in the adapter (`ip -details link show can0` tells it), or compare data bit rates; then another adapter",
)
_HOST_CLOCK = Cause(
    "the node does not take what the adapter sends: the adapter's clock or its sample point is off",
    "another adapter; desk.timing with adapter_clock_hz of this one; an oscilloscope on its shortest pulse: one bit",
)
_NO_ID = Cause(
    "the node was never given a node id (it answered the question who has none)",
    "`hiltest number FILE` gives it the id of the description by LSS (CiA 305) and lets it store it",
)
_CAN_NOT_SEE = Cause(
    "unknown: the adapter reports no errors, so nobody knows whether anybody acknowledges",
    "power, plug, bit rate, 60 ohm from H to L with the power off; then an adapter that reports errors",
)


# --- the questions --------------------------------------------------------------------------------------


def why_silent(
    link: Link,
    bus: Bus,
    node: Node,
    guarded: GuardedNode,
    found: Mapping[int, Presence] | None = None,
    known_ids: Sequence[int] = (),
    *,
    own: frozenset[CanId] = frozenset(),
    lone_and_heard: bool = False,
) -> Diagnosis:
    """Go through the questions for a node that does not answer.

    `found` is what a search has shown, `known_ids` the ids of the nodes described, `own` the identifiers of the messages
    that are described of this one. `lone_and_heard`: one node is
    described, and good frames were heard at this bit rate before: it needs the adapter's acknowledge, else it would
    repeat its frame for ever. The host falls silent and what waits in the adapter is thrown away, so that nothing old is
    repeated meanwhile; afterwards the host stays silent.
    """
    diagnosis = Diagnosis()
    guarded.go_silent()
    link.port.flush()
    with contextlib.suppress(BenchError):
        link.reopen(bus.bit_rate_bps)  # counters and bus-off of before are gone
    link.run_for(SETTLE_S)  # what the adapter had still to tell of before
    heard = _listen(link, diagnosis, max(LISTEN_S, 3 * node.heartbeat_s), lone_and_heard)
    if heard.frames:
        _who_is_it(diagnosis, heard, node, found or {}, known_ids, own)
        if _HANGS in diagnosis.causes:
            _is_the_host_heard(link, bus, node, diagnosis, own)
        if _LOADER in diagnosis.causes and node.protocol == "canopen":
            _who_has_no_id(link, diagnosis)
    elif heard.is_troubled:
        _only_errors(link, bus, diagnosis, heard.errors.states)
    else:
        _one_frame(link, bus, node, diagnosis, own)
    return diagnosis


def why_unheard(link: Link, bus: Bus, seen: _bus.Seen) -> Diagnosis:
    """The same for a bus on which only errors were heard and nothing was sent yet; nothing is sent here either."""
    diagnosis = Diagnosis(
        [
            f"Listened {seen.seconds:.3g} s without sending: no good frame, {_told(seen.errors, seen.kinds, seen.states)}."
        ]
    )
    _only_errors(link, bus, diagnosis, seen.states, has_spoken=False)
    return diagnosis


def why_strange(seen: _bus.Seen, nodes: Sequence[Node]) -> Diagnosis | None:
    """For a bus on which strangers are heard and a described node is not; None if every node is heard."""
    senders = {can_id & 0x7F for can_id, extended in seen.ids if can_id >= 0x80 and not extended}
    missing = [node for node in nodes if node.node_id and node.node_id not in senders]
    if not missing:
        return None
    heard = _Heard(ids=seen.ids)
    diagnosis = Diagnosis([f"Listened {seen.seconds:.3g} s without sending: {seen.frames} good frames."])
    _who_is_it(diagnosis, heard, missing[0], {}, [node.node_id or 0 for node in nodes])
    return diagnosis


def _listen(link: Link, diagnosis: Diagnosis, for_s: float, lone_and_heard: bool) -> _Heard:
    """Listen without sending; without taking part, where the adapter can, until a good frame shows that it may.

    Afterwards the adapter takes part, but where only errors were heard.
    """
    port, how = link.port, "without taking part"
    apart = not lone_and_heard and isinstance(port, Adjustable) and port.listen_only(True)
    if lone_and_heard:
        how = "without sending, acknowledging the one node that was heard before"
    elif not apart:
        how = "without sending; this adapter can't listen without taking part, so it acknowledged, and at a wrong bit rate disturbed"
    start_s = link.now_s
    with _hear(link) as heard:
        if apart:
            # An adapter that tells no single errors counts none meanwhile, and is found out when it takes part.
            link.wait_for(lambda: heard.frames or heard.errors.count >= ENOUGH_ERRORS, for_s)
            if heard.frames or not heard.errors.count:
                _take_part(link)
        left_s = max(0.0, start_s + for_s - link.now_s)
        link.wait_for(lambda: heard.errors.count >= ENOUGH_ERRORS and not heard.frames, left_s)
    _note_state(link, heard)  # told once, and that may have been before the listening began
    errors = _told(heard.errors.count, heard.errors.kinds, heard.errors.states)
    listened_s = link.now_s - start_s
    diagnosis.steps.append(f"Listened {listened_s:.3g} s {how}: {heard.frames} good frames, {errors}.")
    return heard


def _note_state(link: Link, heard: _Heard) -> None:
    """Add the adapter's present state to those that it told."""
    heard.errors.states.append({"off": "bus-off"}.get(link.port.state(), link.port.state()))


def _told(count: int, kinds: str, states: Sequence[str]) -> str:
    """Errors in words."""
    by_state = _bus.trouble(states)
    if not count:
        return f"errors by the adapter's state alone ({by_state})" if by_state else "no errors told"
    return f"{count} error report{'s' if count > 1 else ''} ({kinds})"


def _take_part(link: Link) -> None:
    if isinstance(link.port, Adjustable):
        link.port.listen_only(False)


def _who_is_it(
    diagnosis: Diagnosis,
    heard: _Heard,
    node: Node,
    found: Mapping[int, Presence],
    known_ids: Sequence[int],
    own_ids: frozenset[CanId] = frozenset(),
) -> None:
    """Somebody is alive at this bit rate. `own_ids`: of the node's messages; while the host is silent they are its own."""
    own = node.node_id or 0
    messages = sorted(own_ids & heard.ids.keys())
    beats = {can_id & 0x7F for can_id, extended in heard.ids if can_id & ~0x7F == 0x700 and not extended}
    others = sorted({each for each in (*beats, *found) if each and each != own and each not in known_ids})
    if own and own in beats:
        diagnosis.steps.append(f"Node {own} is alive: its heartbeat runs, its answers do not come.")
        diagnosis.causes = [_HANGS, _LOST_ON_THE_WAY]
    elif messages:
        ids = ", ".join(map(_bus.id_text, messages[:6]))
        diagnosis.steps.append(
            f"Node {node.name!r} is alive: its messages run ({ids}) while the host is silent."
        )
        diagnosis.causes = [_HANGS, _OTHER_BEAT, _LOST_ON_THE_WAY]
    elif others:
        told = ", ".join(map(str, others))
        diagnosis.steps.append(f"Under id {own} nobody is there, but under {told}.")
        diagnosis.causes = [
            Cause(
                f"the node has another node id: {told}",
                "compare its switches or its stored id with node_id of the description",
            ),
            Cause("another board is plugged in", "compare its serial number with its label"),
        ]
    else:
        ids = ", ".join(_bus.id_text(key) for key in sorted(heard.ids)[:6])
        diagnosis.steps.append(f"Frames run ({ids}), none of them from the node.")
        diagnosis.causes = [_LOADER, _NO_POWER, _OTHER_DEVICE]


def _who_has_no_id(link: Link, diagnosis: Diagnosis) -> None:
    """Others run on this bus, the node does not: ask once who has no node id, which changes nothing (CiA 305)."""
    with _hear(link) as heard:
        with contextlib.suppress(QueueFull):
            link.send(Frame(_LSS_MASTER, bytes([_LSS_WHO_HAS_NO_ID]) + bytes(7)))
        link.run_for(ANSWER_S)
    if heard.answered:
        diagnosis.steps.append("Asked who has no node id: one answers.")
        diagnosis.causes.insert(0, _NO_ID)


def _only_errors(
    link: Link, bus: Bus, diagnosis: Diagnosis, states: Sequence[str], *, has_spoken: bool = True
) -> None:
    """Somebody is there and can't be understood: at another bit rate, or over a bad line."""
    if link.port.state() == "off" or "bus-off" in states:
        _line_held(diagnosis)
        if has_spoken:
            _take_part(link)
        return
    rate = find_bit_rate(link, bus, diagnosis, rejoin=has_spoken)
    if rate is not None:
        diagnosis.bit_rate_found_bps = rate
        diagnosis.causes = [
            Cause(
                f"the node runs at {rate:,} bit/s, the adapter at {bus.bit_rate_bps:,}",
                "set both to the same bit rate",
            )
        ]
    else:
        diagnosis.causes = [_NO_TERMINATOR, _OPEN, _WRONG_RATE, _CLOCK, _SHORT_OUT, _FILTER]


def _one_frame(link: Link, bus: Bus, node: Node, diagnosis: Diagnosis, own: frozenset[CanId]) -> None:
    """Nobody speaks: send one frame that nobody acts on, and see who acknowledges."""
    frame = _harmless(node, own)
    with _hear(link) as heard:
        with contextlib.suppress(QueueFull):
            link.send(frame)
        link.run_for(max(ANSWER_S, TRIES_BITS / bus.bit_rate_bps))
        _note_state(link, heard)
    counters = link.port.counters()
    went_off = "bus-off" in heard.errors.states
    link.port.flush()
    with contextlib.suppress(BenchError):
        link.reopen(bus.bit_rate_bps)
    kinds = set(heard.errors.by_kind) - {"bus"}
    told = f"errors of kind {heard.errors.kinds}" if kinds else "no error"
    if went_off:
        diagnosis.steps.append(f"One frame sent: {told}, and the adapter went bus-off.")
        _line_held(diagnosis)
    elif kinds and kinds <= {"ack"}:
        diagnosis.steps.append("One frame sent: Nobody acknowledges it; the adapter tells of no other error.")
        diagnosis.causes, diagnosis.equal = [_NO_POWER, _OPEN, _SWAPPED, _DEAD], 2
    elif kinds:
        diagnosis.steps.append(f"One frame sent: {told}.")
        _mixed(link, bus, diagnosis, kinds)
    elif heard.is_troubled or (counters is not None and max(counters) >= UNACKNOWLEDGED):
        diagnosis.steps.append(
            f"One frame sent: the adapter tells no single errors, but {_by_state(heard.errors, counters)}: nobody "
            "acknowledges, or the bit rate is another."
        )
        _nobody_or_another_rate(link, bus, diagnosis)
    elif heard.echoed or heard.frames or counters is not None:
        diagnosis.steps.append("One frame sent: somebody acknowledges.")
        diagnosis.causes = [_NO_ID] if heard.answered else [_LOADER, _OTHER_DEVICE, _HANGS]
    else:
        diagnosis.steps.append(
            "One frame sent: not known whether anybody acknowledges, the adapter says nothing."
        )
        diagnosis.causes = [_CAN_NOT_SEE, _NO_POWER, _OPEN, _WRONG_RATE, _LOADER]


def _harmless(node: Node, own: frozenset[CanId]) -> Frame:
    """A frame that nobody acts on. The question who has no id is a frame like any other, and changes nothing (CiA 305)."""
    data = bytes([_LSS_WHO_HAS_NO_ID]) + bytes(7)
    if node.protocol == "canopen":
        return Frame(_LSS_MASTER, data)
    return Frame(_free_id(own), data)


def _free_id(own: frozenset[CanId]) -> int:
    return next((can_id for can_id in _bus.LOAD_IDS if (can_id, False) not in own), _bus.LOAD_IDS[0])


def _is_the_host_heard(link: Link, bus: Bus, node: Node, diagnosis: Diagnosis, own: frozenset[CanId]) -> None:
    """The node's frames come, its answers don't: send one frame and see whether it gets through.

    A node that takes what is sent makes no error of it, whatever its program does. One that takes no frame of the host,
    and is heard itself, reads the host's bits in another way than its own. Two more frames tell how: a remote frame has no
    CAN FD format (ISO 11898-1) and goes out as a classic one; data with an edge at every bit lets a receiver follow a clock
    that is off.
    """
    told = _refused(link, bus, _harmless(node, own))
    if not told:
        return
    diagnosis.steps.append(f"One frame sent: it does not get through, {told}.")
    free = _free_id(own)
    remote = not _refused(link, bus, Frame(free, b"", remote=True))
    dense = not _refused(link, bus, Frame(free, bytes([0x55]) * 8))
    if dense:
        diagnosis.steps.append(
            "One with an edge at every bit does: the node can follow these bits, not longer ones."
        )
    elif remote:
        diagnosis.steps.append(
            "A remote frame does, which has no CAN FD format; data with an edge at every bit does not."
        )
    else:
        diagnosis.steps.append("Nor does a remote frame, or data with an edge at every bit.")
    first = [_SENDS_FD, _HOST_CLOCK] if remote and not dense else [_HOST_CLOCK]
    diagnosis.causes = [*first, *diagnosis.causes]


def _refused(link: Link, bus: Bus, frame: Frame) -> str:
    """Send it once; what the adapter tells of it where it does not get through, else "". It is taken back then."""
    within_s = max(ANSWER_S, TRIES_BITS / bus.bit_rate_bps)
    with _hear(link) as heard:
        with contextlib.suppress(QueueFull):
            link.send(frame)
        link.wait_for(lambda: heard.errors.count >= ENOUGH_REFUSALS or bool(heard.errors.trouble), within_s)
    if heard.errors.count < ENOUGH_REFUSALS and not heard.errors.trouble:
        return ""
    link.port.flush()
    with contextlib.suppress(BenchError):
        link.reopen(bus.bit_rate_bps)  # it would be repeated for ever
    link.run_for(SETTLE_S)
    return _told(heard.errors.count, heard.errors.kinds, heard.errors.states)


def _by_state(errors: _bus.Errors, counters: tuple[int, int] | None) -> str:
    """What state and counters of the adapter say, in words."""
    state = f"its state went to {errors.trouble}" if errors.trouble else ""
    stand = "its error counters stand at {} (transmit) and {} (receive)"
    counter = "" if counters is None else stand.format(*counters)
    return " and ".join(filter(None, [state, counter])) or "it reports bus errors"


def _nobody_or_another_rate(link: Link, bus: Bus, diagnosis: Diagnosis) -> None:
    """State or counter tell that one frame failed again and again, not why."""
    rate = find_bit_rate(link, bus, diagnosis)
    if rate is not None:
        diagnosis.bit_rate_found_bps = rate
        diagnosis.causes = [
            Cause(f"the node runs at {rate:,} bit/s", "set both to the same bit rate"),
        ]
    else:
        diagnosis.causes = [_NO_POWER, _OPEN, _SWAPPED, _DEAD, _WRONG_RATE]


def _mixed(link: Link, bus: Bus, diagnosis: Diagnosis, kinds: set[str]) -> None:
    """Errors of several kinds when one frame was sent."""
    rate = find_bit_rate(link, bus, diagnosis)
    if rate is not None:
        diagnosis.bit_rate_found_bps = rate
        diagnosis.causes = [
            Cause(f"the node runs at {rate:,} bit/s", "set both to the same bit rate"),
        ]
    elif kinds <= {"ack", "bit0"}:
        diagnosis.causes = [_SWAPPED, _OPEN, _SHORT_OUT]
    else:
        diagnosis.causes = [_NO_TERMINATOR, _OPEN, _WRONG_RATE, _SWAPPED, _CLOCK]


def _line_held(diagnosis: Diagnosis) -> None:
    diagnosis.steps.append("The adapter went bus-off: the line can't be driven.")
    diagnosis.causes = [_SHORT, _SHORT_OUT, _STUCK]


def find_bit_rate(link: Link, bus: Bus, diagnosis: Diagnosis, *, rejoin: bool = True) -> int | None:
    """Listen at other bit rates without taking part; the rate at which good frames come, or None.

    A sender that nobody acknowledges becomes error passive after 16 tries and then disturbs its own frames no
    more (ISO 11898-1), so that a listener hears them whole. Takes up to about 3 s; the adapter is back at its own
    rate afterwards. It takes part there again only with `rejoin`, and if no other rate was found: where good frames
    run at another one, an adapter that took part would destroy them, so it goes on listening only.
    """
    port = link.port
    if not isinstance(port, Adjustable) or not port.listen_only(True):
        diagnosis.steps.append(
            "This adapter can't listen without taking part, so other bit rates were not tried."
        )
        return None
    found = None
    try:
        for rate in (each for each in SCAN_BPS if each != bus.bit_rate_bps):
            try:
                link.reopen(rate)
            except BenchError:
                continue  # the adapter does not make this rate
            with _hear(link) as heard:
                link.wait_for(partial(_is_enough, heard), SCAN_EACH_S)
            if heard.frames >= ENOUGH_FRAMES:
                found = rate
                break
    finally:
        link.reopen(bus.bit_rate_bps)
        if rejoin and found is None:
            port.listen_only(False)
    tried = "Listened at the other bit rates without taking part: "
    diagnosis.steps.append(tried + (f"good frames at {found:,} bit/s." if found else "no good frame at any."))
    return found


def _is_enough(heard: _Heard) -> bool:
    return heard.frames >= ENOUGH_FRAMES or heard.errors.count >= ENOUGH_ERRORS


def tell(measure: Measure, diagnosis: Diagnosis) -> None:
    """Put what was found into the record."""
    if diagnosis.bit_rate_found_bps is not None:
        measure("bit rate found by listening", diagnosis.bit_rate_found_bps / 1000, "kbit/s")
    measure.note(diagnosis.text())
    measure.look_first(*map(str, diagnosis.causes))
