"""Who is on a bus with a node that speaks in signals: by listening, and by asking where it only tells when asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

from hiltest.canbus.accounting import IDS_MAX
from hiltest.canbus.frame import Frame
from hiltest.description.models import Node
from hiltest.description.senders import CanId, Senders
from hiltest.link import Link
from hiltest.node._codec import Codec
from hiltest.node._feedback import Source
from hiltest.node._signalroles import Spot
from hiltest.node.verbs import Identity, Presence

ASKED_TIMES = 3
SERIALS_MAX = 100
"""Serial numbers that are kept: one is right, two are two boards, and more tell nothing more."""

STRANGER = 1 << 30
"""Added to the identifier of a sender that nothing explains, where it could be taken for a node id."""


def search(
    link: Link,
    node: Node,
    heartbeat: Source,
    serial: Spot | None,
    codec: Codec,
    senders: Senders,
    within_s: float,
    ask: Callable[[], None] | None = None,
) -> dict[int, Presence]:
    """Listen for `within_s` seconds. See `SignalDriver.search`.

    Of the senders that `senders` does not explain the first IDS_MAX are found; none where it is untold who is one.

    `ask` sends the question for the serial number, where a node tells it only then. It is asked when somebody has been
    heard, and more than once: each of two boards may lose one.
    """
    beat = (heartbeat.info.can_id, heartbeat.info.extended)
    seen: Counter[CanId] = Counter({beat: 0})  # there is always room for it
    serials: dict[int, None] = {}
    serial_info = None if serial is None else codec.messages[serial.message]

    def take(frame: Frame) -> None:
        if frame.error or frame.remote or not frame.is_rx:
            return
        key = (frame.can_id, frame.extended)
        if len(seen) < IDS_MAX or key in seen:
            seen[key] += 1
        if (
            serial is not None
            and serial_info is not None
            and key == (serial_info.can_id, serial_info.extended)
        ):
            values = codec.decode(serial.message, frame.data) or {}
            if serial.signal.name in values and len(serials) < SERIALS_MAX:
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
    beats = seen[beat]
    found: dict[int, Presence] = {}
    if beats:
        expected = (link.now_s - started_s) / node.heartbeat_s
        boards = max(1, round(beats / expected)) if expected >= 2 else 1
        first = next(iter(serials), 0)
        identity = None if serial is None else Identity(0, 0, 0, first)
        found[node.node_id or 0] = Presence(node.node_id or 0, boards, identity, tuple(serials), beats)
    for can_id, extended in sorted(seen):
        if not senders.untold and not senders.explain(can_id, extended):
            number = can_id + (STRANGER if can_id < 128 else 0)
            found.setdefault(number, Presence(number, 1, heartbeats=seen[can_id, extended]))
    return found


def _ask_meanwhile(link: Link, within_s: float, ask: Callable[[], None], seen: Counter[CanId]) -> None:
    for _ in range(ASKED_TIMES):
        link.run_for(within_s / (ASKED_TIMES + 1))
        if seen.total():
            ask()
    link.run_for(within_s / (ASKED_TIMES + 1))
