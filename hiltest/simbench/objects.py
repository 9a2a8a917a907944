"""The object dictionary of a simulated CANopen node: entries from its EDS, values, and what serves them.

A value is either stored here or comes from a reader of the firmware; a write is checked for access, length
and range, then handed to a writer that may refuse it with an abort code. The EDS is read with the general
`canopen` package; everything that answers on the bus is our own.
"""

from __future__ import annotations

import io
import logging
import struct
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from hiltest.description.bounded import eds_text, one_line
from hiltest.errors import UsageError

# What the library would print on standard error about a file is no answer to a person.
logging.getLogger("canopen").addHandler(logging.NullHandler())

# SDO abort codes, CiA 301 (values as in canopen's sdo/constants.py).
TOGGLE = 0x0503_0000
TIMED_OUT = 0x0504_0000
BAD_COMMAND = 0x0504_0001
BAD_BLOCK_SIZE = 0x0504_0002
BAD_SEQUENCE = 0x0504_0003
BAD_CRC = 0x0504_0004
WRITE_ONLY = 0x0601_0001
READ_ONLY = 0x0601_0002
NO_OBJECT = 0x0602_0000
NOT_MAPPABLE = 0x0604_0041
PDO_TOO_LONG = 0x0604_0042
INCOMPATIBLE = 0x0604_0043
HARDWARE = 0x0606_0000
LENGTH = 0x0607_0010
TOO_LONG = 0x0607_0012
TOO_SHORT = 0x0607_0013
NO_SUBINDEX = 0x0609_0011
BAD_VALUE = 0x0609_0030
TOO_HIGH = 0x0609_0031
TOO_LOW = 0x0609_0032
GENERAL = 0x0800_0000
DEVICE_STATE = 0x0800_0022

# Data types, CiA 301: number -> (bytes, signed).
_INTEGERS = {
    0x01: (1, False),
    0x02: (1, True),
    0x03: (2, True),
    0x04: (4, True),
    0x05: (1, False),
    0x06: (2, False),
    0x07: (4, False),
    0x15: (8, True),
    0x1B: (8, False),
}
_REALS = {0x08: "<f", 0x11: "<d"}
VISIBLE_STRING = 0x09
OCTET_STRING = 0x0A
DOMAIN = 0x0F

Value = int | bytes


class SdoAbort(Exception):
    """The dictionary refuses; `code` is the SDO abort code that says why."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"abort 0x{code:08X}")


@dataclass(frozen=True, slots=True)
class Entry:
    """One object as the EDS declares it."""

    index: int
    sub: int
    name: str
    data_type: int
    access: str
    default: bytes
    mappable: bool
    low: int | None = None
    high: int | None = None

    @property
    def size(self) -> int | None:
        """Bytes of an integer, None for strings and domains."""
        known = _INTEGERS.get(self.data_type)
        return known[0] if known else None

    @property
    def readable(self) -> bool:
        return self.access != "wo"

    @property
    def writable(self) -> bool:
        return self.access in ("rw", "wo", "rww", "rwr")

    def pack(self, value: Value) -> bytes:
        """Bytes of a value as they go on the bus, little endian."""
        if isinstance(value, bytes):
            return value
        size, signed = _INTEGERS[self.data_type]
        bits = 8 * size
        low, high = (-(1 << bits - 1), (1 << bits - 1) - 1) if signed else (0, (1 << bits) - 1)
        return min(max(value, low), high).to_bytes(size, "little", signed=signed)

    def unpack(self, data: bytes) -> Value:
        """The value that bytes stand for."""
        known = _INTEGERS.get(self.data_type)
        return int.from_bytes(data, "little", signed=known[1]) if known else data


def _key(index: int, sub: int) -> int:
    return index << 8 | sub


class Dictionary:
    """The objects of one node. `read` and `write` are what SDO and PDO use; both raise `SdoAbort`."""

    def __init__(self, entries: tuple[Entry, ...]) -> None:
        self.entries = {_key(entry.index, entry.sub): entry for entry in entries}
        self._indexes = {entry.index for entry in entries}
        self._values: dict[int, bytes] = {}
        self._readers: dict[int, Callable[[], Value]] = {}
        self._writers: dict[int, Callable[[Value], None]] = {}
        self.version = 0
        """Grows with every stored value, so that what was worked out from values can be kept until then."""
        self.restore()

    def __contains__(self, place: tuple[int, int]) -> bool:
        return _key(*place) in self.entries

    def restore(self, first: int = 0, last: int = 0xFFFF) -> None:
        """Set stored values of indexes `first` to `last` back to their defaults."""
        for key, entry in self.entries.items():
            if first <= entry.index <= last:
                self._values[key] = entry.default
        self.version += 1

    def change_entries(self, entries: tuple[Entry, ...]) -> None:
        """Take the same objects with the defaults of another node id; communication objects take them at once."""
        self.entries = {_key(entry.index, entry.sub): entry for entry in entries}
        self.restore(0x1000, 0x1FFF)

    def entry(self, index: int, sub: int) -> Entry:
        """The entry at a place. Raises SdoAbort if there is none."""
        found = self.entries.get(_key(index, sub))
        if found is None:
            raise SdoAbort(NO_SUBINDEX if index in self._indexes else NO_OBJECT)
        return found

    def serve(
        self,
        index: int,
        sub: int,
        read: Callable[[], Value] | None = None,
        write: Callable[[Value], None] | None = None,
    ) -> None:
        """Let the firmware serve a place; does nothing if the EDS does not have it."""
        key = _key(index, sub)
        if key not in self.entries:
            return
        if read is not None:
            self._readers[key] = read
        if write is not None:
            self._writers[key] = write

    def peek(self, index: int, sub: int = 0) -> bytes:
        """Bytes of a place for the firmware itself, whatever its access."""
        key = _key(index, sub)
        reader = self._readers.get(key)
        entry = self.entries[key]
        return self._values[key] if reader is None else entry.pack(reader())

    def number(self, index: int, sub: int = 0) -> int:
        """Value of an integer place."""
        value = self.entries[_key(index, sub)].unpack(self.peek(index, sub))
        if isinstance(value, bytes):
            raise UsageError(f"object 0x{index:04X}:{sub} is no integer; use peek() for its bytes")
        return value

    def put(self, index: int, sub: int, value: Value) -> None:
        """Store a value from inside, without checks and without asking a writer."""
        self._values[_key(index, sub)] = self.entry(index, sub).pack(value)
        self.version += 1

    def read(self, index: int, sub: int) -> bytes:
        """Read as the bus may."""
        if not self.entry(index, sub).readable:
            raise SdoAbort(WRITE_ONLY)
        return self.peek(index, sub)

    def write(self, index: int, sub: int, data: bytes) -> None:
        """Write as the bus may."""
        entry = self.entry(index, sub)
        if not entry.writable:
            raise SdoAbort(READ_ONLY)
        if entry.size is not None and len(data) != entry.size:
            raise SdoAbort(TOO_LONG if len(data) > entry.size else TOO_SHORT)
        value = entry.unpack(data)
        if isinstance(value, int):
            if entry.high is not None and value > entry.high:
                raise SdoAbort(TOO_HIGH)
            if entry.low is not None and value < entry.low:
                raise SdoAbort(TOO_LOW)
        key = _key(index, sub)
        writer = self._writers.get(key)
        if writer is not None:
            writer(value)
        self._values[key] = data
        self.version += 1


def read_eds(path: Path, node_id: int) -> tuple[Entry, ...]:
    """The entries of an EDS or DCF file (CiA 306), with $NODEID filled in.

    Raises:
        UsageError: no file there, or it can't be read as an EDS.
    """
    try:
        stamp = path.stat().st_mtime_ns
    except OSError as problem:
        raise UsageError(
            f"eds={str(path)!r} can't be read: {problem.strerror}; give its right place"
        ) from None
    return _read_eds(str(path), stamp, node_id)


@lru_cache(maxsize=64)
def _read_eds(path: str, _stamp: int, node_id: int) -> tuple[Entry, ...]:
    from canopen.objectdictionary import ODVariable, import_od

    entries = []
    try:
        text = io.StringIO(eds_text(Path(path)))
        text.name = path
        for thing in import_od(text, node_id).values():
            variables = [thing] if isinstance(thing, ODVariable) else list(thing.values())
            entries += [_entry(variable) for variable in variables]
    except Exception as problem:
        raise UsageError(f"eds={path!r} is no readable EDS file (CiA 306): {one_line(problem)}") from problem
    return tuple(entries)


def _entry(variable: object) -> Entry:
    data_type = int(getattr(variable, "data_type", 0) or 0)
    default = getattr(variable, "default", None)
    entry = Entry(
        index=int(getattr(variable, "index", 0)),
        sub=int(getattr(variable, "subindex", 0)),
        name=str(getattr(variable, "name", "")),
        data_type=data_type,
        access=str(getattr(variable, "access_type", "rw")).lower(),
        default=b"",
        mappable=bool(getattr(variable, "pdo_mappable", False)),
        low=getattr(variable, "min", None),
        high=getattr(variable, "max", None),
    )
    is_integer = data_type in _INTEGERS
    packed = entry.pack(int(default or 0)) if is_integer else _packed_default(data_type, default)
    return Entry(
        entry.index,
        entry.sub,
        entry.name,
        data_type,
        entry.access,
        packed,
        entry.mappable,
        entry.low,
        entry.high,
    )


def _packed_default(data_type: int, default: object) -> bytes:
    """Bytes of a default that is no integer. A number under a type that holds none is no default."""
    if isinstance(default, str):
        return default.encode()
    if isinstance(default, bytes):
        return default
    if isinstance(default, int | float) and data_type in _REALS:
        return struct.pack(_REALS[data_type], default)
    return b""
