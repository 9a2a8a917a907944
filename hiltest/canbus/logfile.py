"""Bus logs in candump text form: written frame by frame, read in blocks of numpy arrays.

One line a frame: `(seconds.microseconds) channel ID#DATA R`, R received or T sent; the last field may be
missing. ID has 3 hex digits, 8 for a 29 bit identifier. `ID#R` or `ID#R8` is a remote frame, `ID##1DATA` a
CAN FD frame with a digit of flags (1 bit rate switch, 2 error state indicator), `200000A8#...` an error
frame (linux/can/error.h with the flag 0x20000000). Form as in the manual page candump(1) of can-utils.

python-can's reader takes an error frame for one only if its class has the bit 0x80 (bus error); others
it reads as frames of a 29 bit identifier. The class is written as it is all the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, BinaryIO, NamedTuple, TextIO

from hiltest.canbus.frame import FD_LENGTHS, FLAG_ERROR, FLAG_EXTENDED, FLAG_TX, NS_PER_S, Frame
from hiltest.errors import UsageError

if TYPE_CHECKING:
    import numpy as np

    from hiltest.canbus.accounting import BusAccount
    from hiltest.canbus.batch import Rows
    from hiltest.canbus.framearrays import Array

LOG_EPOCH_S = 1_577_836_800
"""Bench time zero in a log: 2020-01-01T00:00:00Z, so that equal runs give equal files."""

_ERROR_FLAG = 0x2000_0000
_BLOCK_BYTES = 1 << 19
_BATCH_ROWS = 1 << 17
_FLUSH_EVERY_NS = NS_PER_S


class LogWriter:
    """Writes frames to a candump text log.

    `target` is a path (overwritten) or an open text file (left open on close). Bench time `t_ns` is
    written as `epoch_s` plus the time, to the microsecond. Lines reach the file system at the latest when
    a frame comes that is a second of bench time younger, at `flush()` and at `close()`; none is dropped.

    Raises:
        UsageError: a channel name with white space or none at all; writing to a closed log.
    """

    def __init__(
        self, target: str | Path | TextIO, channel: str = "can0", epoch_s: int = LOG_EPOCH_S
    ) -> None:
        if not channel or channel.split() != [channel]:
            raise UsageError(
                f"channel={channel!r} can't stand in a log line: it must be one word, such as 'can0'"
            )
        self._channel = channel
        self._epoch_us = epoch_s * 1_000_000
        self._owned = isinstance(target, (str, Path))
        file = _open(target) if isinstance(target, (str, Path)) else target
        self._file: TextIO | None = file
        self._write = file.write
        self._flush_ns = _FLUSH_EVERY_NS
        self.frames = 0
        """Lines written."""

    def write(self, frame: Frame) -> None:
        """Append one frame."""
        can_id, data, extended, remote, error, fd, _, t_ns, is_rx = frame[:9]
        micros = self._epoch_us + (t_ns + 500) // 1000
        text = data.hex().upper()
        if remote or error or fd:
            can_id, text = _special(frame, text)
        name = f"{can_id:08X}" if extended or error else f"{can_id:03X}"
        end = "R" if is_rx else "T"
        self._write(f"({micros // 1_000_000}.{micros % 1_000_000:06d}) {self._channel} {name}#{text} {end}\n")
        self.frames += 1
        if t_ns >= self._flush_ns:
            self.flush()
            self._flush_ns = t_ns + _FLUSH_EVERY_NS

    def write_all(self, frames: Iterable[Frame]) -> None:
        """Append many frames."""
        for frame in frames:
            self.write(frame)

    def flush(self) -> None:
        """Hand everything written so far to the file system."""
        if self._file is not None:
            self._file.flush()

    def close(self) -> None:
        """Flush and close. A second call does nothing."""
        if self._file is None:
            return
        self._file.flush()
        if self._owned:
            self._file.close()
        self._file = None
        self._write = _closed

    def __enter__(self) -> LogWriter:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _special(frame: Frame, text: str) -> tuple[int, str]:
    """(number, text behind '#') of a remote, error or CAN FD frame."""
    if frame.error:
        return frame.can_id | _ERROR_FLAG, text
    if frame.remote:
        return frame.can_id, f"R{frame.remote_dlc or ''}"
    return frame.can_id, f"#{frame.bitrate_switch | frame.error_state << 1:X}{text}"


def _closed(line: str) -> int:
    raise UsageError(f"{line.strip()!r} came after the log was closed; close it after the last listener")


def _open(path: str | Path) -> TextIO:
    return Path(path).open("w", encoding="ascii", newline="\n", buffering=1 << 16)


# --- one line ---------------------------------------------------------------------------------------

_LINE = re.compile(
    r"\((?P<seconds>\d+)(?:\.(?P<fraction>\d{1,9}))?\)\s+(?P<channel>\S+)\s+"
    r"(?P<id>[0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#(?P<body>\S*)(?:\s+(?P<direction>[RT]))?\s*"
)
_BODY = re.compile(
    r"(?P<remote>[Rr](?P<dlc>[0-8])?)|#(?P<flags>[0-9A-Fa-f])(?P<fd>[0-9A-Fa-f]*)|(?P<data>[0-9A-Fa-f]*)"
)


def parse_line(line: str) -> tuple[int, str, Frame]:
    """One log line: (Unix time in nanoseconds, channel, frame). The frame's `t_ns` is that time too.

    Raises:
        ValueError: says what is wrong with the line.
    """
    found = _LINE.fullmatch(line)
    if found is None:
        raise ValueError("expected (seconds.microseconds) channel ID#DATA, ID of 3 or 8 hex digits")
    body = _BODY.fullmatch(found["body"])
    if body is None:
        raise ValueError(
            f"found {found['body']!r} after '#', expected hex digits, R or #FLAGS and hex digits"
        )
    text = body["fd"] if body["flags"] else body["data"] or ""
    if len(text) % 2:
        raise ValueError(f"found {len(text)} hex digits of data, expected an even number")
    data = bytes.fromhex(text)
    number, fd = int(found["id"], 16), body["flags"] is not None
    wide = len(found["id"]) == 8
    error = wide and bool(number & _ERROR_FLAG)
    if number & 0xC000_0000 or (not wide and number > 0x7FF):
        raise ValueError(f"found identifier {found['id']}, expected up to 7FF, or 8 digits up to 1FFFFFFF")
    if len(data) not in FD_LENGTHS if fd else len(data) > 8:
        raise ValueError(f"found {len(data)} data bytes, more than such a frame can carry or an odd length")
    if error and len(data) != 8:
        raise ValueError(f"found an error frame with {len(data)} data bytes, expected 8")
    t_ns = int(found["seconds"]) * NS_PER_S + int((found["fraction"] or "0").ljust(9, "0"))
    flags = int(body["flags"], 16) if fd else 0
    frame = Frame(
        number & 0x1FFF_FFFF,
        data,
        wide and not error,
        body["remote"] is not None,
        error,
        fd,
        bool(flags & 1),
        t_ns,
        found["direction"] != "T",
        int(body["dlc"] or 0),
        bool(flags & 2),
    )
    return t_ns, found["channel"], frame


# --- blocks -----------------------------------------------------------------------------------------


def read_log(path: str | Path, channel: str | None = None, epoch_s: int = 0) -> Rows:
    """The whole log as rows (see `batch`); `t_ns` is Unix time less `epoch_s`, in nanoseconds.

    With `channel` only its lines are taken; without, the log must be of one channel.

    Raises:
        UsageError: the file can't be read, a line can't be understood (file and line are named), or the
            log holds more than one channel and none was chosen.
    """
    import numpy as np

    from hiltest.canbus.batch import FRAME_DTYPE

    blocks = list(iter_log(path, channel, epoch_s))
    if not blocks:
        return np.zeros(0, FRAME_DTYPE)
    wide = max((block.dtype for block in blocks), key=lambda dtype: dtype.itemsize)
    return np.concatenate([_widen(block, wide) for block in blocks])


def _widen(rows: Rows, dtype: np.dtype[np.void]) -> Rows:
    import numpy as np

    if rows.dtype == dtype:
        return rows
    out = np.zeros(len(rows), dtype)
    for name in ("t_ns", "can_id", "flags", "length"):
        out[name] = rows[name]
    out["data"][:, : rows["data"].shape[1]] = rows["data"]
    return out


def iter_log(
    path: str | Path, channel: str | None = None, epoch_s: int = 0, block_bytes: int = _BLOCK_BYTES
) -> Iterator[Rows]:
    """The log in blocks of rows, some thousand lines each; arguments and errors as `read_log`."""
    reader = _BlockReader(str(path), channel, epoch_s * NS_PER_S)
    try:
        with Path(path).open("rb") as file:
            yield from (rows for rows in reader.blocks(file, block_bytes) if len(rows))
    except OSError as problem:
        raise UsageError(
            f"{path}: can't be read: {problem.strerror}; give the path of a bus log"
        ) from problem


def analyse(
    path: str | Path,
    bitrate: int,
    data_bitrate: int | None = None,
    channel: str | None = None,
    epoch_s: int = 0,
    window_s: float = 1.0,
) -> BusAccount:
    """Read a log and add it up: utilisation, gaps per identifier, errors by kind.

    Raises:
        UsageError: as `read_log` and `BusAccount`.
    """
    import numpy as np

    from hiltest.canbus.accounting import BusAccount

    account = BusAccount(bitrate, data_bitrate, window_s)
    held: list[Rows] = []
    for rows in iter_log(path, channel, epoch_s):
        # An account takes a batch by identifier: many small batches of many identifiers are dear.
        if held and (rows.dtype != held[0].dtype or sum(map(len, held)) >= _BATCH_ROWS):
            account.add_rows(np.concatenate(held))
            held = []
        held.append(rows)
    if held:
        account.add_rows(np.concatenate(held))
    return account


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


class _BlockReader:
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
        import numpy as np

        from hiltest.canbus.batch import FD_FRAME_DTYPE, FRAME_DTYPE

        buffer = np.frombuffer(bytes(_PAD) + text + bytes(_PAD), np.uint8)
        end = np.flatnonzero(buffer == 0x0A)
        start = np.concatenate(([_PAD], end[:-1] + 1))
        rows = np.zeros(len(end), FRAME_DTYPE)
        keep = np.ones(len(end), bool)
        left = self._read_forms(buffer, start, end, rows, keep)
        odd = [(index, *self._one(buffer[start[index] : end[index]], index)) for index in left]
        if any(frame is not None and frame.fd for _, _, frame in odd):
            rows = _widen(rows, FD_FRAME_DTYPE)
        for index, t_ns, frame in odd:
            keep[index] = frame is not None
            if frame is not None:
                _put(rows[index], t_ns, frame)
        rows["t_ns"] -= self.epoch_ns
        self.line += len(end)
        return rows if keep.all() else rows[keep]

    def _read_forms(self, buffer: Array, start: Array, end: Array, rows: Rows, keep: Array) -> list[int]:
        """Read the lines of usual form; returns the indices of the lines left over."""
        import numpy as np

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
        if not text:
            return 0, None
        try:
            t_ns, channel, frame = parse_line(text)
        except ValueError as problem:
            place = f"{self.path}:{self.line + index + 1}"
            raise UsageError(f"{place}: {problem}; found {text[:80]!r}") from None
        return (t_ns, frame) if self._is_mine(channel) else (0, None)


def _put(row: np.void, t_ns: int, frame: Frame) -> None:
    import numpy as np

    row["t_ns"], row["can_id"], row["flags"] = t_ns, frame.can_id, frame.flags
    row["length"] = frame.remote_dlc if frame.remote else len(frame.data)
    row["data"][: len(frame.data)] = np.frombuffer(frame.data, np.uint8)


def _windows(buffer: Array, start: Array, width: int) -> Array:
    """`width` bytes from each start, shape (n, width)."""
    import numpy as np

    # Items of one void type are gathered in one copy each; width times faster than an index matrix.
    items: Array = np.ndarray((len(buffer) - width + 1,), f"V{width}", buffer, strides=(1,))
    window: Array = items[start].view(np.uint8).reshape(len(start), width)
    return window


def _read_form(buffer: Array, start: Array, end: Array, form: _Form) -> tuple[dict[str, Array], Array]:
    """The fields of these lines as if all were of this form, and which of them really are."""
    import numpy as np

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
    error = number & _ERROR_FLAG != 0
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
    import numpy as np

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
    import numpy as np

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
    import numpy as np

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
    import numpy as np

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


_tables: list[_HexTables] = []


def _hex_tables() -> _HexTables:
    import numpy as np

    if not _tables:
        nibble = np.full(256, 0x100, np.uint32)
        for digit in range(16):
            nibble[ord(f"{digit:X}")] = nibble[ord(f"{digit:x}")] = digit
        index = np.arange(1 << 16)
        first, second = nibble[index & 0xFF], nibble[index >> 8]
        pairs = np.where((first | second) & 0x100, 0x100, first << 4 | second).astype(np.uint16)
        masks = np.where(np.arange(8) < np.arange(9)[:, None], 0xFFFF, 0).astype(np.uint16)
        _tables.append(_HexTables(pairs, masks))
    return _tables[0]
