"""The LSS slave of a simulated node (CiA 305): switch, configure, store, inquire, identify, fast scan.

Command specifiers are those of CiA 305 as published in device manuals. That only nodes without a node id
take part in the fast scan, and the rule by which a slave answers it, are from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass, field

MASTER_ID = 0x7E5
SLAVE_ID = 0x7E4
UNCONFIGURED = 0xFF

SWITCH_GLOBAL, SWITCH_VENDOR, SWITCH_SERIAL, SWITCHED = 0x04, 0x40, 0x43, 0x44
SET_NODE_ID, SET_BIT_TIMING, ACTIVATE_BIT_TIMING, STORE = 0x11, 0x13, 0x15, 0x17
IDENTIFY_FIRST, IDENTIFY_LAST, IDENTIFY_UNCONFIGURED = 0x46, 0x4B, 0x4C
IDENTIFIED, IDENTIFIED_UNCONFIGURED, FAST_SCAN = 0x4F, 0x50, 0x51
INQUIRE_VENDOR, INQUIRE_SERIAL, INQUIRE_NODE_ID = 0x5A, 0x5D, 0x5E

BIT_RATES = {0: 1_000_000, 1: 800_000, 2: 500_000, 3: 250_000, 4: 125_000, 6: 50_000, 7: 20_000, 8: 10_000}


@dataclass(slots=True)
class LssSlave:
    """One slave. `identity` is vendor, product, revision, serial; `node_id` the one in force (0xFF: none).

    `store` keeps (node id, bit rate or None) over power cycles and says if that worked; `configured` is
    told when the master leaves the configuration state with a new node id.
    """

    identity: tuple[int, int, int, int]
    node_id: int
    store: Callable[[int, int | None], bool]
    configured: Callable[[int], None]
    pending_id: int = 0
    pending_bps: int | None = None
    configuring: bool = False
    scan_place: int = 0
    _selected: list[int] = field(default_factory=list)
    _range: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.pending_id = self.node_id

    def handle(self, request: bytes) -> bytes | None:
        """The answer to one master frame, or None."""
        if len(request) != 8:
            return None
        command = request[0]
        value: int = struct.unpack_from("<I", request, 1)[0]
        if command == SWITCH_GLOBAL:
            self._switch(request[1] == 1)
            return None
        if SWITCH_VENDOR <= command <= SWITCH_SERIAL:
            return self._select(command - SWITCH_VENDOR, value)
        if IDENTIFY_FIRST <= command <= IDENTIFY_LAST:
            return self._identify(command - IDENTIFY_FIRST, value)
        if command == IDENTIFY_UNCONFIGURED:
            unset = self.node_id == UNCONFIGURED
            return _answer(IDENTIFIED_UNCONFIGURED) if unset else None
        if command == FAST_SCAN:
            return self._scan(value, request[5], request[6], request[7])
        return self._configure(command, request) if self.configuring else None

    def _switch(self, on: bool) -> None:
        if self.configuring and not on and self.pending_id != self.node_id:
            self.configured(self.pending_id)
        self.configuring = on

    def _select(self, part: int, value: int) -> bytes | None:
        if part == 0:
            self._selected = []
        self._selected.append(value)
        if part == 3 and tuple(self._selected) == self.identity:
            self.configuring = True
            return _answer(SWITCHED)
        return None

    def _identify(self, part: int, value: int) -> bytes | None:
        """vendor, product, revision low, revision high, serial low, serial high."""
        if part == 0:
            self._range = []
        self._range.append(value)
        if part != 5 or len(self._range) != 6:
            return None
        vendor, product, revision, serial = self.identity
        first, second, *bounds = self._range
        fits = (first, second) == (vendor, product)
        fits = fits and bounds[0] <= revision <= bounds[1] and bounds[2] <= serial <= bounds[3]
        return _answer(IDENTIFIED) if fits else None

    def _scan(self, number: int, bit: int, part: int, following: int) -> bytes | None:
        if self.node_id != UNCONFIGURED or self.configuring:
            return None
        if bit == 0x80:
            self.scan_place = 0
            return _answer(IDENTIFIED)
        if part != self.scan_place or part > 3 or bit > 31:
            return None
        mask = 0xFFFF_FFFF << bit & 0xFFFF_FFFF
        if (self.identity[part] ^ number) & mask:
            return None
        if bit == 0:
            self.scan_place = following
            # The last part points back to the first: the whole identity was met.
            self.configuring = following < part
        return _answer(IDENTIFIED)

    def _configure(self, command: int, request: bytes) -> bytes | None:
        if command == SET_NODE_ID:
            fits = 1 <= request[1] <= 127 or request[1] == UNCONFIGURED
            if fits:
                self.pending_id = request[1]
            return _answer(command, not fits)
        if command == SET_BIT_TIMING:
            fits = request[1] == 0 and request[2] in BIT_RATES
            if fits:
                self.pending_bps = BIT_RATES[request[2]]
            return _answer(command, not fits)
        if command == STORE:
            return _answer(command, 0 if self.store(self.pending_id, self.pending_bps) else 2)
        if INQUIRE_VENDOR <= command <= INQUIRE_SERIAL:
            return struct.pack("<BI3x", command, self.identity[command - INQUIRE_VENDOR])
        if command == INQUIRE_NODE_ID:
            return _answer(command, self.node_id)
        return None


def _answer(command: int, first: int = 0) -> bytes:
    return bytes([command, first]) + bytes(6)
