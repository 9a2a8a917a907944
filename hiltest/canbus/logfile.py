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
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Protocol, TextIO

from hiltest.canbus.frame import FD_LENGTHS, NS_PER_S, Frame
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.canbus.accounting import BusAccount
    from hiltest.canbus.batch import Rows

LOG_EPOCH_S = 1_577_836_800
"""Bench time zero in a log: 2020-01-01T00:00:00Z, so that equal runs give equal files."""

ERROR_FLAG = 0x2000_0000
_BLOCK_BYTES = 1 << 19
_BATCH_ROWS = 1 << 17
_FLUSH_EVERY_NS = NS_PER_S


class Lines(Protocol):
    """What takes the lines of a log: a text file, or one of `boundedlog`."""

    @property
    def write(self) -> Callable[[str], object]: ...
    def flush(self) -> None: ...
    def close(self) -> None: ...


class LogWriter:
    """Writes frames to a candump text log.

    `target` is a path (overwritten) or an open text file (left open on close). Bench time `t_ns` is
    written as `epoch_s` plus the time, to the microsecond. Lines reach the file system at the latest when
    a frame comes that is a second of bench time younger, at `flush()` and at `close()`; none is dropped.

    Raises:
        UsageError: a channel name with white space or none at all; writing to a closed log.
    """

    def __init__(self, target: str | Path | Lines, channel: str = "can0", epoch_s: int = LOG_EPOCH_S) -> None:
        if not channel or channel.split() != [channel]:
            raise UsageError(
                f"channel={channel!r} can't stand in a log line: it must be one word, such as 'can0'"
            )
        self._channel = channel
        self._epoch_us = epoch_s * 1_000_000
        self._owned = isinstance(target, (str, Path))
        file: Lines = _open(target) if isinstance(target, (str, Path)) else target
        self._file: Lines | None = file
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
        return frame.can_id | ERROR_FLAG, text
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
    error = wide and bool(number & ERROR_FLAG)
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
    from hiltest.canbus.logblocks import widen

    blocks = list(iter_log(path, channel, epoch_s))
    if not blocks:
        return np.zeros(0, FRAME_DTYPE)
    wide = max((block.dtype for block in blocks), key=lambda dtype: dtype.itemsize)
    return np.concatenate([widen(block, wide) for block in blocks])


def iter_log(
    path: str | Path, channel: str | None = None, epoch_s: int = 0, block_bytes: int = _BLOCK_BYTES
) -> Iterator[Rows]:
    """The log in blocks of rows, some thousand lines each; arguments and errors as `read_log`."""
    from hiltest.canbus.logblocks import BlockReader

    reader = BlockReader(str(path), channel, epoch_s * NS_PER_S)
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
