"""LSS from the master's side (CiA 305): find nodes that were never given a node id, and give them one.

Command specifiers and the layout of the fast scan frame are those published in device manuals and in the
`canopen` package (see tests/outside). That a slave in its configuration state stays out of the next fast scan, so
that several are found one after the other, is from memory of CiA 305.

Nothing here moves or heats: LSS only changes which node id a node has.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link

MASTER_ID, SLAVE_ID = 0x7E5, 0x7E4
SWITCH_GLOBAL, SWITCH_VENDOR, SWITCHED = 0x04, 0x40, 0x44
SET_NODE_ID, STORE = 0x11, 0x17
WHO_HAS_NO_ID, NO_ID_HERE = 0x4C, 0x50
FAST_SCAN, IDENTIFIED = 0x51, 0x4F
OPENER_BIT = 0x80
WAITING, CONFIGURATION = 0, 1

FRAME_BITS = 135
ANSWER_S = 0.04
MORE_ANSWERS_S = 0.01
"""After an answer: several slaves answer one question, each in its own time."""
ANSWER_MAX_S = 0.5
"""Some slaves write to a slow memory before they answer a store command."""
NODES_MAX = 127

_STORE_ERRORS = {1: "it can't store its settings", 2: "its settings memory can't be written"}
_ID_ERRORS = {1: "the node id is out of its range"}


@dataclass(frozen=True, slots=True)
class LssIdentity:
    """The four numbers that no two nodes share: 0x1018 sub-index 1 to 4."""

    vendor_id: int
    product_code: int
    revision: int
    serial_number: int

    def __str__(self) -> str:
        return (
            f"vendor 0x{self.vendor_id:08X}, product 0x{self.product_code:08X}, "
            f"revision 0x{self.revision:08X}, serial number {self.serial_number}"
        )

    @property
    def numbers(self) -> tuple[int, int, int, int]:
        return self.vendor_id, self.product_code, self.revision, self.serial_number


class LssMaster:
    """The only LSS master on a bus; use it as a context manager, it listens while it is open.

    `answer_s` is how long a slave may take before its silence means no.
    """

    def __init__(self, link: Link, answer_s: float = ANSWER_S) -> None:
        self._link = link
        self._answer_s = max(answer_s, 4 * FRAME_BITS / link.port.bit_rate_bps)
        self._answers: deque[bytes] = deque()
        self._remove: Callable[[], None] = lambda: None

    def __enter__(self) -> LssMaster:
        self._remove = self._link.listen(self._take, {SLAVE_ID})
        return self

    def __exit__(self, *_: object) -> None:
        self._remove()

    # --- questions: change nothing ------------------------------------------------------------------

    def anybody_without_id(self) -> bool:
        """Does a node on the bus have no node id? One question, which changes nothing."""
        return self._ask(bytes([WHO_HAS_NO_ID]), self._answer_s, NO_ID_HERE) is not None

    def fast_scan(self) -> list[LssIdentity]:
        """Find every node without a node id; afterwards all of them wait as before.

        A scan takes 133 frames for each node (CiA 305 fast scan), and a bit that nobody answers takes `answer_s`:
        up to about 5 s for a node. An answer that came too late would make a wrong bit; the last confirmation then
        fails, and the scan is made once more with four times the patience.

        Raises:
            BenchLost: the adapter went away.
        """
        found: list[LssIdentity] = []
        try:
            self._switch_all(WAITING)
            for _ in range(NODES_MAX):
                identity = self._scan_one(self._answer_s) or self._scan_patiently()
                if identity is None or identity in found:
                    break
                found.append(identity)
        finally:
            self._switch_all(WAITING)
        return found

    def _scan_patiently(self) -> LssIdentity | None:
        self._link.run_for(4 * self._answer_s)  # late answers to what was asked before shall not count
        return self._scan_one(4 * self._answer_s)

    def _scan_one(self, answer_s: float) -> LssIdentity | None:
        """The lowest identity of those that wait without a node id; that node is in configuration then."""
        if not self._scan(0, OPENER_BIT, 0, 0, answer_s):
            return None
        numbers = []
        for part in range(4):
            number = 0
            for bit in range(31, -1, -1):
                if not self._scan(number, bit, part, part, answer_s):
                    number |= 1 << bit
            # The confirmation of a number names the next; the last leads back to the first.
            if not self._scan(number, 0, part, (part + 1) % 4, answer_s):
                return None
            numbers.append(number)
        return LssIdentity(*numbers)

    def _scan(self, number: int, bit: int, part: int, following: int, answer_s: float) -> bool:
        request = struct.pack("<BIBBB", FAST_SCAN, number, bit, part, following)
        return self._ask(request, answer_s, IDENTIFIED) is not None

    # --- orders -------------------------------------------------------------------------------------

    def number(self, identity: LssIdentity, node_id: int, node: str) -> None:
        """Give the node of this identity a node id and let it store it. `node` is its name for messages.

        A node that had none takes the new one at once and sends its boot-up message.

        Raises:
            NoAnswer: no node of that identity, or it did not confirm.
            Refused: it does not take this id, or can't store it; then it has no id, as before.
        """
        try:
            self._switch_all(WAITING)
            self._select(identity, node)
            self._order(SET_NODE_ID, node_id, node, f"node id {node_id} by LSS", _ID_ERRORS)
            try:
                self._order(STORE, 0, node, "to store its node id (LSS)", _STORE_ERRORS)
            except (NoAnswer, Refused):
                self._ask(bytes([SET_NODE_ID, 0xFF]), ANSWER_MAX_S, SET_NODE_ID)
                raise
        finally:
            self._switch_all(WAITING)

    def _select(self, identity: LssIdentity, node: str) -> None:
        *firsts, last = identity.numbers
        for part, number in enumerate(firsts):
            self._send(struct.pack("<BI", SWITCH_VENDOR + part, number))
        answer = self._ask(struct.pack("<BI", SWITCH_VENDOR + 3, last), ANSWER_MAX_S, SWITCHED)
        if answer is None:
            raise NoAnswer(node, f"LSS with {identity}", ANSWER_MAX_S)

    def _order(self, command: int, value: int, node: str, asked: str, errors: dict[int, str]) -> None:
        answer = self._ask(bytes([command, value]), ANSWER_MAX_S, command)
        if answer is None:
            raise NoAnswer(node, asked, ANSWER_MAX_S)
        if answer[1]:
            why = errors.get(answer[1], f"LSS error {answer[1]}, maker's code {answer[2]}")
            raise Refused(node, asked, why, answer[1])

    # --- frames -------------------------------------------------------------------------------------

    def _switch_all(self, state: int) -> None:
        self._send(bytes([SWITCH_GLOBAL, state]))
        self._link.run_for(self._answer_s)

    def _take(self, frame: Frame) -> None:
        if frame.is_rx and not frame.remote and len(frame.data) == 8:
            self._answers.append(frame.data)

    def _send(self, request: bytes) -> None:
        try:
            self._link.send(Frame(MASTER_ID, request.ljust(8, b"\0")))
        except QueueFull:
            return  # nobody acknowledges: nobody answers either, which the caller sees

    def _ask(self, request: bytes, within_s: float, wanted: int) -> bytes | None:
        self._answers.clear()
        self._send(request)

        def answer() -> bytes | None:
            while self._answers:
                data = self._answers.popleft()
                if data[0] == wanted:
                    return data
            return None

        found = self._link.wait_for(answer, within_s)
        if found is not None:
            self._link.run_for(MORE_ANSWERS_S)
        return found
