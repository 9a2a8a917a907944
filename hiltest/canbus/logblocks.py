"""Blocks of a candump log turned into rows of numpy arrays; see `logfile` for the form of a line.

Lines that are laid out alike are read all at once: a window of bytes around the mark `)` of each line is
gathered, what must stand still is compared, and digits are joined in parallel. Lines of any other form
are read one by one with `logfile.parse_line`, which also words what is wrong with a bad one.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import BinaryIO, NamedTuple

import numpy as np

from hiltest.canbus.batch import FD_FRAME_DTYPE, FRAME_DTYPE, Rows
from hiltest.canbus.frame import FLAG_ERROR, FLAG_EXTENDED, FLAG_TX, NS_PER_S, Frame
from hiltest.canbus.framearrays import Array
from hiltest.canbus.logfile import ERROR_FLAG, parse_line
from hiltest.errors import UsageError


def widen(rows: Rows, dtype: np.dtype[np.void]) -> Rows:
    """The rows in a type that holds more data bytes."""
    if rows.dtype == dtype:
        return rows
    out = np.zeros(len(rows), dtype)
    for name in ("t_ns", "can_id", "flags", "length"):
        out[name] = rows[name]
    out["data"][:, : rows["data"].shape[1]] = rows["data"]
    return out


class _Form(NamedTuple):
    """How lines of one channel, one width of seconds and one kind of identifier are laid out."""

    paren: int
    """Offset of ')' from the start of the line."""
    channel: str
    wide: bool
    """Identifier of 8 digits, not 3."""

    @property
    def hash(self) -> int:
        """Offset of '#'."""
        return self.paren + 2 + len(self.channel) + 1 + (8 if self.wide else 3)


_USUAL = re.compile(
    rb"(?P<time>\(\d{1,10}\.\d{6}\)) (?P<channel>[!-~]{1,24}) (?P<id>[0-9A-Fa-f]{8}|[0-9A-Fa-f]{3})#"
    rb"(?:[0-9A-Fa-f]{2}){0,8}(?: [RT])?\r?"
)
_FORMS_MAX = 8  # in one block; what fits none of them is read line by line
_TRIES_MAX = 64
_PAD = 64  # windows around a line may reach out of the text by this much
_TIME_BYTES = 24  # in front of ')' in a window: three words


class BlockReader:
    """Turns blocks of text into rows. Lines of a usual form are read all at once, others one by one."""

    def __init__(self, path: str, channel: str | None, epoch_ns: int) -> None:
        self.path, self.epoch_ns = path, epoch_ns
        self.wanted = channel
        self.only = channel
        """The channel every line must have; without a choice, that of the first line."""
        self.line = 0
        """Lines in the blocks before."""
        self.forms: list[_Form] = []
        """Forms met so far, the latest first."""

    def blocks(self, file: BinaryIO, block_bytes: int) -> Iterator[Rows]:
        rest = b""
        while chunk := file.read(block_bytes):
            chunk = rest + chunk
            cut = chunk.rfind(b"\n") + 1
            rest = chunk[cut:]
            if cut:
                yield self._block(chunk[:cut])
        if rest.strip():
            yield self._block(rest + b"\n")

    def _block(self, text: bytes) -> Rows:
        buffer = np.frombuffer(bytes(_PAD) + text + bytes(_PAD), np.uint8)
        end = np.flatnonzero(buffer == 0x0A)
        start = np.concatenate(([_PAD], end[:-1] + 1))
        rows = np.zeros(len(end), FRAME_DTYPE)
        keep = np.ones(len(end), bool)
        left = self._read_forms(buffer, start, end, rows, keep)
        odd = [(index, *self._one(buffer[start[index] : end[index]], index)) for index in left]
        if any(frame is not None and frame.fd for _, _, frame in odd):
            rows = widen(rows, FD_FRAME_DTYPE)
        for index, t_ns, frame in odd:
            keep[index] = frame is not None
            if frame is not None:
                _put(rows[index], t_ns, frame)
        rows["t_ns"] -= self.epoch_ns
        self.line += len(end)
        return rows if keep.all() else rows[keep]

    def _read_forms(self, buffer: Array, start: Array, end: Array, rows: Rows, keep: Array) -> list[int]:
        """Read the lines of usual form; returns the indices of the lines left over."""
        left: Array | slice = slice(None)  # all of them, without a copy
        forms = list(self.forms)
        for _ in range(_FORMS_MAX):
            form = forms.pop(0) if forms else self._learn(buffer, start[left], end[left])
            if form is None:
                break
            fields, good = _read_form(buffer, start[left], end[left], form)
            if not good.any():
                continue
            mine = self._is_mine(form.channel)
            self._remember(form)
            if good.all():
                for name, values in fields.items():
                    rows[name][left] = values
                keep[left] = mine
                return []
            numbers = np.arange(len(end))[left]
            where = numbers[good]
            for name, values in fields.items():
                rows[name][where] = values[good]
            keep[where] = mine
            left = numbers[~good]
        found: list[int] = np.arange(len(end))[left].tolist()
        return found

    def _remember(self, form: _Form) -> None:
        if form in self.forms:
            self.forms.remove(form)
        self.forms = [form, *self.forms[: _FORMS_MAX - 2]]

    def _learn(self, buffer: Array, start: Array, end: Array) -> _Form | None:
        """The form of the first line that has one we do not know."""
        for first, last in zip(start[:_TRIES_MAX].tolist(), end[:_TRIES_MAX].tolist(), strict=True):
            found = _USUAL.fullmatch(bytes(buffer[first:last]))
            if found is not None:
                form = _Form(len(found["time"]) - 1, found["channel"].decode(), len(found["id"]) == 8)
                if form not in self.forms:
                    return form
        return None

    def _is_mine(self, channel: str) -> bool:
        """Whether lines of this channel are to be kept. Refuses a second channel if none was chosen."""
        if self.only is None:
            self.only = channel
        if channel == self.only:
            return True
        if self.wanted is None:
            raise UsageError(
                f"{self.path}: holds more than one channel: {self.only!r} and {channel!r}; "
                "choose one with channel=..., utilisation is that of one bus"
            )
        return False

    def _one(self, line: Array, index: int) -> tuple[int, Frame | None]:
        text = bytes(line).decode("ascii", "replace").strip()
        if not text or text.startswith("#"):  # a log that was bounded says so in its last line
            return 0, None
        try:
            t_ns, channel, frame = parse_line(text)
        except ValueError as problem:
            place = f"{self.path}:{self.line + index + 1}"
            raise UsageError(f"{place}: {problem}; found {text[:80]!r}") from None
        return (t_ns, frame) if self._is_mine(channel) else (0, None)


def _put(row: np.void, t_ns: int, frame: Frame) -> None:
    row["t_ns"], row["can_id"], row["flags"] = t_ns, frame.can_id, frame.flags
    row["length"] = frame.remote_dlc if frame.remote else len(frame.data)
    row["data"][: len(frame.data)] = np.frombuffer(frame.data, np.uint8)


def _windows(buffer: Array, start: Array, width: int) -> Array:
    """`width` bytes from each start, shape (n, width)."""
    # Items of one void type are gathered in one copy each; width times faster than an index matrix.
    items: Array = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, strides=(1,))
    window: Array = items[start].view(np.uint8).reshape(len(start), width)
    return window


def _read_form(buffer: Array, start: Array, end: Array, form: _Form) -> tuple[dict[str, Array], Array]:
    """The fields of these lines as if all were of this form, and which of them really are."""
    tables = _hex_tables()
    origin = start + (form.paren - _TIME_BYTES)
    mark = form.hash - form.paren + _TIME_BYTES  # where '#' stands in a window
    window = _windows(buffer, origin, (mark + 8) & ~7)
    good = _fits(window, form, mark)
    last, before = buffer[end - 1], buffer[end - 2]
    if (last == 0x0D).any():
        end = end - (last == 0x0D)
        last, before = buffer[end - 1], buffer[end - 2]
    sent = last == 0x54
    directed = (before == 0x20) & (sent | (last == 0x52))
    size = end - start - (form.hash + 1) - (directed << 1)
    good &= (size >= 0) & (size <= 16) & (size & 1 == 0)
    length = np.clip(size >> 1, 0, 8)
    # A line at the very end may be shorter than 16 digits: the padding holds the rest.
    text = _windows(buffer, start + (form.hash + 1), 16).view("<u2")
    data = tables.pairs.take(text)
    if int(length.min(initial=8)) < 8:
        data &= tables.masks[length]
    if data.max(initial=0) > 0xFF:
        good &= (data <= 0xFF).all(axis=1)
    number, digits_good = _read_ids(window, mark, form.wide)
    good &= digits_good
    t_ns, numeric = _read_times(window[:, :_TIME_BYTES].view("<u8"), form.paren - 8)
    good &= numeric
    error = number & ERROR_FLAG != 0
    flags = (directed & sent) * np.uint8(FLAG_TX)
    if form.wide:
        flags |= np.where(error, np.uint8(FLAG_ERROR), np.uint8(FLAG_EXTENDED))
        good &= (number & 0xC000_0000 == 0) & (~error | (length == 8))
    else:
        good &= number <= 0x7FF
    fields = {"t_ns": t_ns, "can_id": number & 0x1FFF_FFFF, "flags": flags, "length": length, "data": data}
    return fields, good


def _fits(window: Array, form: _Form, mark: int) -> Array:
    """Whether everything between '(' and '#' that does not vary stands where it should."""
    open_at = _TIME_BYTES - form.paren
    name = form.channel.encode()
    fixed = {open_at: 0x28, _TIME_BYTES - 7: 0x2E, _TIME_BYTES: 0x29, _TIME_BYTES + 1: 0x20, mark: 0x23}
    fixed |= {_TIME_BYTES + 2 + i: byte for i, byte in enumerate(name)}
    fixed[_TIME_BYTES + 2 + len(name)] = 0x20
    mask, value = np.zeros(window.shape[1], np.uint8), np.zeros(window.shape[1], np.uint8)
    for at, byte in fixed.items():
        mask[at], value[at] = 0xFF, byte
    wrong: Array = np.zeros(len(window), np.uint64)
    words = window.view("<u8")
    for column, (bits, wanted) in enumerate(zip(mask.view("<u8"), value.view("<u8"), strict=True)):
        if bits:
            wrong |= words[:, column] & bits ^ wanted
    fits: Array = wrong == 0
    return fits


def _read_ids(window: Array, mark: int, wide: bool) -> tuple[Array, Array]:
    """(identifier with its flags, all hex digits)."""
    pairs = _hex_tables().pairs
    if wide:
        quads = pairs.take(np.ascontiguousarray(window[:, mark - 8 : mark]).view("<u2")).astype(np.uint32)
        number = quads[:, 0] << 24 | quads[:, 1] << 16 | quads[:, 2] << 8 | quads[:, 3]
        return number, np.asarray((quads <= 0xFF).all(axis=1))
    low = pairs.take(window[:, mark - 2] | window[:, mark - 1].astype(np.uint16) << 8)
    high: Array = pairs.take(np.uint16(0x30) | window[:, mark - 3].astype(np.uint16) << 8)
    good: Array = (high | low) <= 0xFF
    return high.astype(np.uint32) << 8 | low, good


_ZEROS = 0x3030_3030_3030_3030


def _read_times(words: Array, digits: int) -> tuple[Array, Array]:
    """Nanoseconds of `seconds.micros` that end the three words of each row, and whether all are digits.

    `digits` is the number of digits of the seconds: the last stands in the third word in front of the
    point, eight more in the second word, the rest in the first.
    """
    ending = words[:, 2]
    micros, good = _eight_digits((ending & np.uint64(0xFFFF_FFFF_FFFF_0000)) | np.uint64(0x3030))
    whole = (ending & np.uint64(0xFF)).astype(np.int64) - 0x30
    good &= (whole >= 0) & (whole <= 9)
    if digits > 1:
        cut = np.uint64((1 << 64 - 8 * min(digits - 1, 8)) - 1)  # bytes in front of the number
        tens, good_tens = _eight_digits((words[:, 1] & ~cut) | (np.uint64(_ZEROS) & cut))
        good &= good_tens
        whole += tens * 10
    if digits == 10:
        top = (words[:, 0] >> np.uint64(56)).astype(np.int64) - 0x30
        good &= (top >= 0) & (top <= 9)
        whole += top * 1_000_000_000
    return whole * NS_PER_S + micros * 1000, good


def _eight_digits(word: Array) -> tuple[Array, Array]:
    """Eight ASCII digits in the bytes of a little-endian word, first digit low: (number, all digits).

    Neighbours are joined three times: digits to pairs, pairs to fours, fours to eights.
    """
    value = word ^ np.uint64(_ZEROS)
    high = np.uint64(0xF0F0_F0F0_F0F0_F0F0)
    good = ((value | (value + np.uint64(0x0606_0606_0606_0606))) & high) == 0
    value = value * np.uint64(10) + (value >> np.uint64(8))
    even = np.uint64(0x00FF_00FF_00FF_00FF)
    value = (value & even) * np.uint64(100) + (value >> np.uint64(16) & even)
    low = np.uint64(0xFFFF)
    value = (value & low) * np.uint64(10_000) + (value >> np.uint64(32) & low)
    return value.astype(np.int64), good


class _HexTables(NamedTuple):
    pairs: Array
    """Value of two hex digits by their two bytes (first low), uint16; 0x100 if they are none."""
    masks: Array
    """By number of data bytes: 0xFFFF for a pair that counts, 0 for one behind the data."""


@cache
def _hex_tables() -> _HexTables:
    nibble = np.full(256, 0x100, np.uint32)
    for digit in range(16):
        nibble[ord(f"{digit:X}")] = nibble[ord(f"{digit:x}")] = digit
    index = np.arange(1 << 16)
    first, second = nibble[index & 0xFF], nibble[index >> 8]
    pairs = np.where((first | second) & 0x100, 0x100, first << 4 | second).astype(np.uint16)
    masks = np.where(np.arange(8) < np.arange(9)[:, None], 0xFFFF, 0).astype(np.uint16)
    return _HexTables(pairs, masks)
