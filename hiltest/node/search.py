"""Who is on a CANopen bus: listen first, then ask every id for its identity object, gently.

Formats as in CiA 301: heartbeat and boot-up under 0x700 + id, SDO request 0x600 + id, answer 0x580 + id, identity
object 0x1018. A read of an object changes nothing on a node.
"""

from __future__ import annotations

import math
import struct
from collections import Counter, defaultdict
from dataclasses import dataclass, field
from functools import partial

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.link import Link
from hiltest.node.verbs import Identity, Presence

LISTEN_SHARE = 0.25
ASK_SHARE = 0.35
FRAME_BITS = 135
"""Bits of a frame with 8 bytes at worst (standard identifier, every stuff bit, interframe space)."""
ANSWER_S = 0.03
SECOND_ANSWER_S = 0.005
SERIAL_READS = 5

_UPLOAD, _ABORT = 0x40, 0x80


@dataclass(slots=True)
class _Seen:
    """What came from one id. `asked` and `answered` count requests and answers by sub-index of 0x1018."""

    heartbeats: int = 0
    asked: Counter[int] = field(default_factory=Counter)
    answered: Counter[int] = field(default_factory=Counter)
    values: dict[int, list[int]] = field(default_factory=lambda: defaultdict(list))

    def answers_to_one(self) -> int:
        """Answers per request, rounded up: a slow answer to the request before is not a second board."""
        return max(
            (math.ceil(count / max(1, self.asked[sub])) for sub, count in self.answered.items()), default=0
        )


def _has_more(seen: _Seen, before: int) -> bool:
    return seen.answered.total() > before


class _Search:
    def __init__(self, link: Link, within_s: float) -> None:
        self._link = link
        self._deadline_s = link.now_s + within_s
        self._seen: dict[int, _Seen] = defaultdict(_Seen)
        self._asked: dict[int, Counter[int]] = defaultdict(Counter)

    def run(self, within_s: float) -> dict[int, Presence]:
        remove = self._link.listen(self._on_frame)
        try:
            self._link.run_for(within_s * LISTEN_SHARE)
            self._ask_everyone(within_s)
            for node_id in sorted(self._seen):
                self._ask_more(node_id)
        except QueueFull:
            # Nobody acknowledges: whoever was heard so far is the answer.
            pass
        finally:
            remove()
        return {node_id: self._presence(node_id) for node_id in sorted(self._seen)}

    def _ask_everyone(self, within_s: float) -> None:
        frame_s = FRAME_BITS / self._link.port.bit_rate_bps
        pace_s = max(2 * frame_s, within_s * ASK_SHARE / 127)
        for node_id in range(1, 128):
            self._ask(node_id, 1)
            self._link.run_for(pace_s)
        self._link.run_for(ANSWER_S)

    def _ask_more(self, node_id: int) -> None:
        seen = self._seen[node_id]
        if not seen.answered:
            return
        for sub in (2, 3, *([4] * SERIAL_READS)):
            # A host that was too busy to ask in time still asks each board who it is: the reads again may be left out.
            if self._link.now_s >= self._deadline_s and sub in self._asked[node_id]:
                return
            before = seen.answered.total()
            self._ask(node_id, sub)
            self._link.wait_for(partial(_has_more, seen, before), ANSWER_S)
            self._link.run_for(SECOND_ANSWER_S)

    def _ask(self, node_id: int, sub: int) -> None:
        self._asked[node_id][sub] += 1
        self._link.send(Frame(0x600 + node_id, struct.pack("<BHB4x", _UPLOAD, 0x1018, sub)))

    def _on_frame(self, frame: Frame) -> None:
        if frame.error or frame.remote or frame.extended or not frame.is_rx:
            return
        service, node_id = frame.can_id & 0x780, frame.can_id & 0x7F
        if node_id == 0:
            return
        if service == 0x700 and len(frame.data) == 1:
            self._seen[node_id].heartbeats += 1
        elif service == 0x580 and len(frame.data) >= 4:
            self._on_answer(node_id, frame.data)

    def _on_answer(self, node_id: int, data: bytes) -> None:
        command, index, sub = struct.unpack_from("<BHB", data)
        if index != 0x1018 or not self._asked[node_id][sub]:
            return  # an answer to somebody else, or to what was asked before the search
        seen = self._seen[node_id]
        seen.answered[sub] += 1
        if command & 0xE0 == _UPLOAD and len(data) == 8:
            seen.values[sub].append(int.from_bytes(data[4:8], "little"))

    def _presence(self, node_id: int) -> Presence:
        seen = self._seen[node_id]
        seen.asked = self._asked[node_id]
        first = {sub: values[0] for sub, values in seen.values.items() if values}
        identity = None
        if 1 in first:
            identity = Identity(first[1], first.get(2, 0), first.get(3, 0), first.get(4, 0))
        serials = tuple(dict.fromkeys(seen.values.get(4, [])))
        return Presence(node_id, seen.answers_to_one(), identity, serials, seen.heartbeats)


def search(link: Link, within_s: float) -> dict[int, Presence]:
    """Look for every node with an id 1..127; at most one request is on its way at a time per frame slot.

    Takes about `within_s` (1 s is right from 50 kbit/s up; asking never fills more than half of the bus, so
    slow buses take longer). Two boards under one id show as two answers to one request, as two serial
    numbers, or as heartbeats at twice the rate.

    Raises:
        BenchLost: the adapter went away.
    """
    return _Search(link, within_s).run(within_s)
