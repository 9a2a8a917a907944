"""Many frames at a time: exact lengths, stuff bits and CRCs over numpy arrays.

Every function takes the columns of `batch.Rows`, n frames: `ids` uint32 (n,), identifiers without flags;
`flags` uint8 (n,), the FLAG_ bits of `frame`; `lengths` uint8 (n,), data bytes, or the length that a remote
frame asks for; `data` uint8 (n, 8) or (n, 64). The stuffing machine of `_tables` runs over 16 bits at a
time and over all frames in parallel. A call costs some tens of microseconds whatever it holds: below about
30 frames `frames.length_bits` is faster.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from hiltest.canbus._tables import (
    CRC15,
    CRC15_POLYNOMIAL,
    CRC17_POLYNOMIAL,
    CRC21_POLYNOMIAL,
    STATES,
    stuffing_transition,
)
from hiltest.canbus.frame import (
    FD_LENGTHS,
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_ERROR_STATE,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
)
from hiltest.errors import UsageError

Array = npt.NDArray[Any]

_BLOCK = 1 << 15
"""Frames handled at a time: the scratch arrays then stay in the cache of a processor."""


class ArrayLengths(NamedTuple):
    """Per frame: `bits` from start of frame to end of frame (int32), dynamic `stuff_bits` (int32),
    `fast_bits` at the data bit rate (int32), `crc` (uint32). Rows of error frames are 0.
    """

    bits: Array
    stuff_bits: Array
    fast_bits: Array
    crc: Array


def lengths_bits(
    ids: Array, flags: Array, lengths: Array, data: Array, *, intermission: bool = True
) -> Array:
    """Bits on the wire of each frame, int32 (n,); the 3 bits of intermission counted.

    Error frames count 0: they are reports and have no length of their own.

    Raises:
        UsageError: a row that no bus could carry; says which.
    """
    out = np.empty(len(ids), np.int32)
    gap = 3 if intermission else 0
    for kind, rows, columns in _groups(ids, flags, lengths, data):
        if kind.error:
            out[rows] = 0
        elif kind.fd:
            out[rows] = _fd(kind, *columns).bits + gap
        else:
            out[rows] = _classic_stuff(kind, *columns)[0].astype(np.int32) + (kind.plain_bits + gap)
    return out


def frame_lengths(ids: Array, flags: Array, lengths: Array, data: Array) -> ArrayLengths:
    """Lengths without intermission, stuff bits, bits at the data bit rate and CRC of each frame.

    Raises:
        UsageError: a row that no bus could carry; says which.
    """
    total = len(ids)
    bits, stuff_bits, fast_bits = (np.zeros(total, np.int32) for _ in range(3))
    out = ArrayLengths(bits, stuff_bits, fast_bits, np.zeros(total, np.uint32))
    for kind, rows, columns in _groups(ids, flags, lengths, data):
        if kind.error:
            continue
        if kind.fd:
            part = _fd(kind, *columns)
        else:
            stuff, crc = _classic_stuff(kind, *columns)
            stuff = stuff.astype(np.int32)
            part = ArrayLengths(stuff + kind.plain_bits, stuff, np.zeros_like(stuff), crc >> 1)
        for column, values in zip(out, part, strict=True):
            column[rows] = values
    return out


def crcs(ids: Array, flags: Array, lengths: Array, data: Array) -> Array:
    """The CRC sequence of each frame, uint32 (n,); 15, 17 or 21 bits by its kind."""
    return frame_lengths(ids, flags, lengths, data).crc


def durations_ns(
    ids: Array,
    flags: Array,
    lengths: Array,
    data: Array,
    bitrate: int,
    data_bitrate: int | None = None,
    *,
    intermission: bool = True,
) -> Array:
    """Nanoseconds on the wire of each frame, int64 (n,), rounded to the nearest; see frames.duration_ns.

    Raises:
        UsageError: a frame switches the bit rate and `data_bitrate` is missing.
    """
    if not np.any(flags & FLAG_BITRATE_SWITCH):
        bits = lengths_bits(ids, flags, lengths, data, intermission=intermission).astype(np.int64)
        return (2 * bits * 1_000_000_000 + bitrate) // (2 * bitrate)
    if data_bitrate is None:
        raise UsageError("some frames switch the bit rate: give data_bitrate in bit/s")
    found = frame_lengths(ids, flags, lengths, data)
    gap = np.where(flags & FLAG_ERROR, 0, 3 if intermission else 0)
    slow = (found.bits - found.fast_bits + gap).astype(np.float64)
    return np.rint((slow / bitrate + found.fast_bits / data_bitrate) * 1e9).astype(np.int64)


# --- groups of one kind and length ------------------------------------------------------------------


class _Kind(NamedTuple):
    extended: bool
    remote: bool
    error: bool
    fd: bool
    length: int

    @property
    def data_bytes(self) -> int:
        return 0 if self.remote else self.length

    @property
    def plain_bits(self) -> int:
        """Bits of a classic frame without stuff bits and intermission."""
        return (64 if self.extended else 44) + 8 * self.data_bytes


def _groups(
    ids: Array, flags: Array, lengths: Array, data: Array
) -> Iterator[tuple[_Kind, Array | slice, tuple[Array, Array, Array]]]:
    """Blocks of rows of one kind: (kind, which rows, (ids, flags, data))."""
    key = (flags & (FLAG_EXTENDED | FLAG_REMOTE | FLAG_ERROR | FLAG_FD)).astype(np.uint16) << 8 | lengths
    if not len(key):
        return
    if (key == key[0]).all():
        runs: list[tuple[int, Array | None, int, int]] = [(int(key[0]), None, 0, len(key))]
    else:
        order = np.argsort(key, kind="stable")  # radix sort
        values, starts = np.unique(key[order], return_index=True)
        ends = [*starts[1:].tolist(), len(key)]
        runs = [
            (value, order, start, end)
            for value, start, end in zip(values.tolist(), starts.tolist(), ends, strict=True)
        ]
    for value, order_or_none, start, end in runs:
        kind = _kind(value)
        for first in range(start, end, _BLOCK):
            span = slice(first, min(first + _BLOCK, end))
            rows = span if order_or_none is None else order_or_none[span]
            _check_ids(kind, ids[rows], rows)
            yield kind, rows, (ids[rows], flags[rows], data[rows])


def _kind(key: int) -> _Kind:
    flags, length = key >> 8, key & 0xFF
    kind = _Kind(
        bool(flags & FLAG_EXTENDED),
        bool(flags & FLAG_REMOTE),
        bool(flags & FLAG_ERROR),
        bool(flags & FLAG_FD),
        length,
    )
    if kind.error:
        return kind
    if kind.fd and (kind.remote or length not in FD_LENGTHS):
        raise UsageError(
            f"a CAN FD frame with {length} data bytes{' and the remote flag' if kind.remote else ''} "
            f"can't be: CAN FD carries {', '.join(map(str, FD_LENGTHS))} bytes and has no remote frames"
        )
    if not kind.fd and length > 8:
        raise UsageError(f"a classic frame with length {length} can't be: it carries 0..8 bytes")
    return kind


def _check_ids(kind: _Kind, ids: Array, rows: Array | slice) -> None:
    limit = 0x1FFF_FFFF if kind.extended or kind.error else 0x7FF
    if int(ids.max()) > limit:
        bad = int(np.argmax(ids > limit))
        row = rows.start + bad if isinstance(rows, slice) else int(rows[bad])
        raise UsageError(
            f"row {row}: identifier 0x{int(ids[bad]):X} is above 0x{limit:X} of a "
            f"{'29' if kind.extended else '11'} bit frame; mask the flags off and set FLAG_EXTENDED"
        )


# --- classic frames ---------------------------------------------------------------------------------
#
# A step is state << 3 | stuff bits in one byte, so that the tables stay small: what a processor keeps
# near is worth more than fewer operations. Words of two bytes are taken in the byte order of the
# machine's memory (first byte low), tables are permuted to match. The CRC register is kept shifted left
# by one and its bytes swapped, so that a word is added by one xor.

_COUNT = np.uint8(7)
_STATE = np.uint8(0x38)


def _swap(values: Array) -> Array:
    return (values & 0xFF) << 8 | values >> 8


@cache
def _bytes_table() -> Array:
    """Steps of one byte: index state << 8 | byte, uint8."""
    steps = [stuffing_transition(state, byte, 8) for state in range(STATES) for byte in range(256)]
    return np.array([state << 3 | count for count, state in steps], np.uint8)


@cache
def _words_table() -> Array:
    """Steps of two bytes: index state << 16 | second byte << 8 | first byte, uint8."""
    steps = _bytes_table().reshape(STATES, 256)
    first = steps[:, :, None]
    second = steps[first >> 3, np.arange(256)[None, None, :]]
    both = second + (first & _COUNT)  # [state, first byte, second byte]
    return np.ascontiguousarray(both.transpose(0, 2, 1)).reshape(-1)


@cache
def _words_crc() -> Array:
    """The swapped CRC register by the xor of itself and a word, uint16."""
    register: Array = np.arange(1 << 16, dtype=np.uint32)
    for _ in range(16):
        register = np.where(register & 0x8000, register << 1 ^ CRC15_POLYNOMIAL << 1, register << 1) & 0xFFFF
    index = _swap(np.arange(1 << 16, dtype=np.uint32))
    return _swap(register)[index].astype(np.uint16)


@cache
def _bytes_crc() -> Array:
    return np.array(CRC15, np.uint32)


@cache
def _last_crc_bits() -> Array:
    """Stuff bits in the last 7 bits of the CRC: index state << 8 | these bits << 1, uint8."""
    byte = np.arange(256)
    # The last of 8 bits is the complement of the last CRC bit: it can't complete a run.
    tail = byte & 0xFE | byte >> 1 & 1 ^ 1
    return np.ascontiguousarray(_bytes_table().reshape(STATES, 256)[:, tail] & _COUNT).reshape(-1)


@cache
def _standard_headers() -> tuple[Array, Array, Array]:
    """(step, stuff bits, swapped CRC) by (remote << 4 | length code) << 11 | identifier.

    In this order the entries of one kind and length lie together.
    """
    index = np.arange(1 << 16, dtype=np.uint32)
    header = (index & 0x7FF) << 7 | (index >> 15) << 6 | index >> 11 & 15
    first, crc = _first_bits(2)
    return _feed([_swap(header & 0xFFFF)], first[header >> 16], crc[header >> 16])


@cache
def _first_bits(width: int) -> tuple[Array, Array]:
    """(step, swapped CRC) by the `width` bits that follow the start of frame."""
    steps = [stuffing_transition(0, value, width) for value in range(1 << width)]
    values = np.array([CRC15[value] for value in range(1 << width)], np.uint32)
    return np.array([state << 3 | count for count, state in steps], np.uint8), _swap(values << 1).astype(
        np.uint16
    )


def _feed(words: Iterable[Array], step: Array, crc: Array) -> tuple[Array, Array, Array]:
    """Run both machines over words of two bytes: (last step, stuff bits of all steps, swapped CRC)."""
    steps, crc_steps = _words_table(), _words_crc()
    count = step & _COUNT
    crc = crc.copy()
    index = np.empty(len(step), np.intp)
    for word in words:
        np.bitwise_and(step, _STATE, out=index)
        np.left_shift(index, 13, out=index)
        np.bitwise_or(index, word, out=index)
        step = steps.take(index, mode="clip")
        count += step & _COUNT
        np.bitwise_xor(crc, word, out=index)
        crc_steps.take(index, mode="clip", out=crc)
    return step, count, crc


def _classic_stuff(kind: _Kind, ids: Array, flags: Array, data: Array) -> tuple[Array, Array]:
    """(stuff bits uint8, CRC << 1 uint16) of classic frames of one kind."""
    remote_bit = np.uint32(kind.remote)
    if kind.extended:
        first, first_crc = _first_bits(6)
        middle = (ids >> 18 & 31) << 11 | 3 << 9 | ids >> 9 & 0x1FF
        last = (ids & 0x1FF) << 7 | remote_bit << 6 | kind.length
        step, count, crc = _feed([_swap(middle), _swap(last)], first[ids >> 23], first_crc[ids >> 23])
    else:
        index = ids.astype(np.intp)
        index |= (kind.remote << 4 | kind.length) << 11
        step, count, crc = (column.take(index, mode="clip") for column in _standard_headers())
    size = kind.data_bytes
    if size >= 2:
        words = np.ascontiguousarray(data[:, : size & ~1]).view("<u2")
        step, more, crc = _feed(np.ascontiguousarray(words.T), step & _STATE, crc)
        count += more
    if size & 1:
        byte = data[:, size - 1].astype(np.uint32)
        step = _next_byte(step, byte)
        count += step & _COUNT
        register = _swap(crc).astype(np.uint32) >> 1
        register = _bytes_crc()[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
        crc = _swap(register << 1).astype(np.uint16)
    step = _next_byte(step, crc & 0xFF)  # the upper byte of the register
    count += step & _COUNT
    count += _last_crc_bits().take(_byte_index(step, crc >> 8), mode="clip")
    return count, _swap(crc)


def _byte_index(step: Array, byte: Array) -> Array:
    index = np.empty(len(step), np.intp)
    np.bitwise_and(step, _STATE, out=index)
    np.left_shift(index, 5, out=index)
    return np.bitwise_or(index, byte, out=index)


def _next_byte(step: Array, byte: Array) -> Array:
    return _bytes_table().take(_byte_index(step, byte), mode="clip")


# --- CAN FD -----------------------------------------------------------------------------------------


@cache
def _fd_bytes_table() -> tuple[Array, Array, Array]:
    """By state << 8 | byte: (step, the byte with its stuff bits, how many bits that is)."""
    texts, sizes = [], []
    for state in range(STATES):
        for byte in range(256):
            value, size, at = 0, 0, state
            for shift in range(7, -1, -1):
                bit = byte >> shift & 1
                value, size = value << 1 | bit, size + 1
                inserted, at = stuffing_transition(at, bit, 1)
                if inserted:
                    value, size = value << 1 | bit ^ 1, size + 1
            texts.append(value)
            sizes.append(size)
    return _bytes_table(), np.array(texts, np.uint32), np.array(sizes, np.uint32)


@cache
def _crc_of_chunks(width: int, polynomial: int) -> Array:
    """CRC of a chunk of up to 10 bits, by chunk."""
    register: Array = np.arange(1 << 10, dtype=np.uint32) << (width - 10)
    for _ in range(10):
        register = np.where(register >> (width - 1) & 1, register << 1 ^ polynomial, register << 1)
        register &= np.uint32((1 << width) - 1)
    return register.astype(np.uint32)


class _FdWalk:
    """The stuffing machine and the CRC over the stuffed bits of CAN FD frames of one kind."""

    def __init__(self, count: int, width: int, polynomial: int) -> None:
        self.width, self.mask = width, np.uint32((1 << width) - 1)
        self.chunks = _crc_of_chunks(width, polynomial)
        self.state = np.zeros(count, np.uint32)
        self.stuff = np.zeros(count, np.uint32)
        # Start value 1000...0 and the dominant start of frame.
        self.crc = np.full(count, polynomial, np.uint32)

    def add_chunk(self, bits: Array, size: Array) -> None:
        """Take `size` bits (1..10) of each row into the CRC."""
        top = self.crc >> (self.width - size) ^ bits
        # A table of 10 bits serves shorter chunks as well: zeros in front add nothing.
        self.crc = (self.crc << size & self.mask) ^ self.chunks[top]

    def add_bit(self, bit: Array, may_stuff: bool = True) -> None:
        same = bit == self.state & 1
        run = np.where(same, (self.state >> 1) + 2, np.uint32(1)).astype(np.uint32)
        one = np.uint32(1)
        full = (run == 5) & may_stuff
        size = np.where(full, np.uint32(2), one).astype(np.uint32)
        self.add_chunk(np.where(full, bit << 1 | bit ^ 1, bit).astype(np.uint32), size)
        self.stuff += full
        self.state = np.where(full, bit ^ 1, (run - 1) << 1 | bit).astype(np.uint32)

    def add_byte(self, byte: Array) -> None:
        steps, texts, sizes = _fd_bytes_table()
        index = self.state << 8 | byte
        step = steps[index]
        self.add_chunk(texts[index], sizes[index])
        self.stuff += step & _COUNT
        self.state = (step >> 3).astype(np.uint32)


def _fd(kind: _Kind, ids: Array, flags: Array, data: Array) -> ArrayLengths:
    narrow = kind.length <= 16
    width, polynomial = (17, CRC17_POLYNOMIAL) if narrow else (21, CRC21_POLYNOMIAL)
    ids = ids.astype(np.uint32)
    walk = _FdWalk(len(ids), width, polynomial)
    brs = (flags & FLAG_BITRATE_SWITCH != 0).astype(np.uint32)
    esi = (flags & FLAG_ERROR_STATE != 0).astype(np.uint32)
    zero, one = np.zeros_like(ids), np.ones_like(ids)
    if kind.extended:
        header = [ids >> shift & 1 for shift in range(28, 17, -1)] + [one, one]
        header += [ids >> shift & 1 for shift in range(17, -1, -1)] + [zero]
    else:
        header = [ids >> shift & 1 for shift in range(10, -1, -1)] + [zero, zero]
    for bit in [*header, one, zero]:
        walk.add_bit(bit)
    stuff_before_brs = walk.stuff.copy()
    code = FD_LENGTHS.index(kind.length)
    control = [brs, esi, *(one * np.uint32(code >> shift & 1) for shift in range(3, -1, -1))]
    body = np.ascontiguousarray(data[:, : kind.length].T).astype(np.uint32)
    for position, bit in enumerate(control):
        walk.add_bit(bit, may_stuff=bool(kind.length) or position < len(control) - 1)
    for byte in body[:-1]:
        walk.add_byte(byte)
    if kind.length:
        for shift in range(7, -1, -1):  # no dynamic stuff bit after the last data bit
            walk.add_bit(body[-1] >> shift & 1, may_stuff=shift > 0)
    count = walk.stuff & 7
    gray = count ^ count >> 1
    parity = gray ^ gray >> 1 ^ gray >> 2
    walk.add_chunk(gray << 1 | parity & 1, np.full_like(count, 4))
    stuff = walk.stuff.astype(np.int32)
    region = (41 if kind.extended else 22) + 8 * kind.length
    bits = stuff + (region + (27 if narrow else 32) + 10)
    # Everything behind BRS up to the CRC delimiter: all but what stands before, BRS, and 9 bits after.
    slow = (36 if kind.extended else 17) + stuff_before_brs.astype(np.int32) + 9
    fast = np.where(brs == 1, bits - slow, 0).astype(np.int32)
    return ArrayLengths(bits, stuff, fast, walk.crc)
