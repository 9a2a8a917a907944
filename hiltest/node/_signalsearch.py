"""Who is on a bus with a node that speaks in signals: by listening, and by asking where it only tells when asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from hiltest.canbus.frame import Frame
from hiltest.description.models import Description, Node
from hiltest.link import Link
from hiltest.node._codec import Codec
from hiltest.node._feedback import Source
from hiltest.node._signalroles import Spot
from hiltest.node.verbs import Identity, Presence

ASKED_TIMES = 3

CanId = tuple[int, bool]

STRANGER = 1 << 30
"""Added to the identifier of a sender that nothing explains, where it could be taken for a node id."""


def known_ids(description: Description, node: Node, codec: Codec) -> set[CanId] | None:
    """Identifiers that may be on the node's bus; None if that can't be told, for others speak there too."""
    if any(other is not node and other.bus == node.bus for other in description.node):
        return None
    known = {(info.can_id, info.extended) for info in codec.messages.values()}
    bus = next((bus for bus in description.bus if bus.name == node.bus), None)
    if bus is not None:
        known |= {(message.can_id, message.extended) for message in bus.traffic}
    return known


def search(
    link: Link,
    node: Node,
    heartbeat: Source,
    serial: Spot | None,
    codec: Codec,
    known: set[CanId] | None,
    within_s: float,
    ask: Callable[[], None] | None = None,
) -> dict[int, Presence]:
    """Listen for `within_s` seconds. See `SignalDriver.search`.

    `ask` sends the question for the serial number, where a node tells it only then. It is asked when somebody has been
    heard, and more than once: each of two boards may lose one.
    """
    seen: Counter[CanId] = Counter()
    serials: dict[int, None] = {}
    serial_info = None if serial is None else codec.messages[serial.message]

    def take(frame: Frame) -> None:
        if frame.error or frame.remote or not frame.is_rx:
            return
        key = (frame.can_id, frame.extended)
        seen[key] += 1
        if (
            serial is not None
            and serial_info is not None
            and key == (serial_info.can_id, serial_info.extended)
        ):
            values = codec.decode(serial.message, frame.data) or {}
            if serial.signal.name in values:
                serials[round(serial.value_of(values[serial.signal.name]))] = None

    started_s = link.now_s
    remove = link.listen(take)
    try:
        if ask is None:
            link.run_for(within_s)
        else:
            _ask_meanwhile(link, within_s, ask, seen)
    finally:
        remove()
    beats = seen[heartbeat.info.can_id, heartbeat.info.extended]
    found: dict[int, Presence] = {}
    if beats:
        expected = (link.now_s - started_s) / node.heartbeat_s
        senders = max(1, round(beats / expected)) if expected >= 2 else 1
        first = next(iter(serials), 0)
        identity = None if serial is None else Identity(0, 0, 0, first)
        found[node.node_id or 0] = Presence(node.node_id or 0, senders, identity, tuple(serials), beats)
    for can_id, extended in sorted(seen):
        if known is not None and (can_id, extended) not in known:
            number = can_id + (STRANGER if can_id < 128 else 0)
            found.setdefault(number, Presence(number, 1, heartbeats=seen[can_id, extended]))
    return found


def _ask_meanwhile(link: Link, within_s: float, ask: Callable[[], None], seen: Counter[CanId]) -> None:
    for _ in range(ASKED_TIMES):
        link.run_for(within_s / (ASKED_TIMES + 1))
        if seen:
            ask()
    link.run_for(within_s / (ASKED_TIMES + 1))
