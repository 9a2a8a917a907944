"""What a CANopen node says unasked: process data (TPDO) and the state in heartbeats.

Formats as in CiA 301. A TPDO mapping entry is index << 16 | sub-index << 8 | length in bits; the fields follow
each other from the lowest bit of the first byte on.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from canopen.objectdictionary import datatypes

from hiltest.description.senders import CanId
from hiltest.errors import Refused
from hiltest.node.objects import Dictionary
from hiltest.node.sdo import SdoChannel

TPDO_COMMUNICATION = 0x1800
TPDO_MAPPING = 0x1A00
TPDO_COUNT, PREDEFINED_TPDOS = 512, 4
INVALID_BIT = 1 << 31
EXTENDED_BIT = 1 << 29

OPERATIONAL = 0x05
STATES = {0x00: "boot-up", 0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}
"""NMT states as a heartbeat carries them (CiA 301)."""


@dataclass(frozen=True, slots=True)
class Field:
    """One number in a process data object."""

    index: int
    sub: int
    first_bit: int
    size_bits: int
    is_signed: bool = False
    is_float: bool = False

    def raw(self, payload: int) -> float:
        """The number in `payload`, the whole data read as one little-endian number."""
        number = (payload >> self.first_bit) & ((1 << self.size_bits) - 1)
        if self.is_float and self.size_bits in (32, 64):
            code = "<f" if self.size_bits == 32 else "<d"
            return float(struct.unpack(code, number.to_bytes(self.size_bits // 8, "little"))[0])
        if self.is_signed and number >> (self.size_bits - 1):
            return number - (1 << self.size_bits)
        return number


@dataclass(frozen=True, slots=True)
class ProcessData:
    """A TPDO: its identifier, what is where in it, and whether the identifier has 29 bits."""

    can_id: int
    fields: tuple[Field, ...]
    extended: bool = False

    @property
    def key(self) -> CanId:
        """The identifier with its format."""
        return self.can_id, self.extended

    def decode(self, data: bytes) -> Iterator[tuple[Field, float]]:
        """Each field that lies wholly in `data`, with its raw number."""
        payload, bits = int.from_bytes(data, "little"), len(data) * 8
        for field in self.fields:
            if field.first_bit + field.size_bits <= bits:
                yield field, field.raw(payload)


def read_process_data(channel: SdoChannel, dictionary: Dictionary) -> list[ProcessData]:
    """Read from the node which TPDOs it has and what is mapped into them.

    Where the node refuses to tell, the EDS's defaults are taken.

    Raises:
        NoAnswer: the node does not answer.
    """
    found = []
    for number in range(TPDO_COUNT):
        communication, mapping = TPDO_COMMUNICATION + number, TPDO_MAPPING + number
        if dictionary.file and not (dictionary.has(communication) and dictionary.has(mapping)):
            continue
        reader = _Reader(channel, dictionary)
        cob_id = reader.number(communication, 1)
        if cob_id is None and not dictionary.file and number >= PREDEFINED_TPDOS:
            break  # without a file the first that is missing is the end
        if cob_id is None or cob_id & INVALID_BIT:
            continue
        count = min(reader.number(mapping, 0) or 0, 64)
        entries = [reader.number(mapping, sub) for sub in range(1, count + 1)]
        extended = bool(cob_id & EXTENDED_BIT)
        can_id = cob_id & (0x1FFFFFFF if extended else 0x7FF)
        fields = tuple(_fields((entry for entry in entries if entry is not None), dictionary))
        found.append(ProcessData(can_id, fields, extended))
    return found


def transmission_types(dictionary: Dictionary) -> list[int]:
    """Transmission type (CiA 301, 0x1800:2 and on) of each TPDO that the EDS gives one; none without an EDS."""
    if not dictionary.file:
        return []
    found = []
    for number in range(TPDO_COUNT):
        default = dictionary.default(TPDO_COMMUNICATION + number, 2)
        if default is not None:
            found.append(default)
    return found


class _Reader:
    def __init__(self, channel: SdoChannel, dictionary: Dictionary) -> None:
        self._channel = channel
        self._dictionary = dictionary

    def number(self, index: int, sub: int) -> int | None:
        try:
            data = self._channel.read_bytes(index, sub, f"a read of 0x{index:04X}:{sub} (process data)")
            return int.from_bytes(data, "little")
        except Refused:
            variable = self._dictionary.objects.get_variable(index, sub)
            default = None if variable is None else variable.value or variable.default
            return default if isinstance(default, int) else None


def _fields(entries: Iterable[int], dictionary: Dictionary) -> Iterator[Field]:
    at_bit = 0
    for entry in entries:
        index, sub, size_bits = entry >> 16, entry >> 8 & 0xFF, entry & 0xFF
        variable = dictionary.objects.get_variable(index, sub)
        kind = None if variable is None else variable.data_type
        yield Field(
            index,
            sub,
            at_bit,
            size_bits,
            is_signed=kind in datatypes.SIGNED_TYPES,
            is_float=kind in datatypes.FLOAT_TYPES,
        )
        at_bit += size_bits
