"""A text log that never fills a disk: its beginning is kept, and its end; what lies between is left out and counted.

A run that goes wrong in a storm of frames writes hundreds of kilobytes a second. How it began and how it ended tells
what happened.
"""

from __future__ import annotations

import io
from pathlib import Path

FIRST_BYTES = 64 << 20
LAST_BYTES = 16 << 20
"""Of the end at least so much is kept, and at most twice as much."""


class BoundedLog:
    """An open log of lines in ASCII, at most `first_bytes` and twice `last_bytes` long, looked at each flush.

    `write` is that of the file itself, so that a line costs no more than without a bound. The file is a whole log at
    every moment; one whose process is killed lacks no more than the last line, which says what was left out.
    """

    def __init__(self, path: Path, first_bytes: int = FIRST_BYTES, last_bytes: int = LAST_BYTES) -> None:
        self._raw = path.open("w+b")
        self._file = io.TextIOWrapper(self._raw, encoding="ascii", newline="\n")
        self._first, self._last = first_bytes, last_bytes
        self._cut_at = 0
        self._from = self._to = ""
        self.write = self._file.write
        self.left_out = 0
        """Lines that were left out."""

    def flush(self) -> None:
        """Hand what was written to the file system, and leave the middle out where it has become too long."""
        self._file.flush()
        if self._raw.tell() > self._first + 2 * self._last:
            self._leave_out()

    def close(self) -> None:
        """Say at the end what was left out, and close. A second call does nothing."""
        if self._file.closed:
            return
        self.flush()
        if self.left_out:
            self.write(
                f"# {self.left_out} lines between {self._from} and {self._to} were left out: of a log this long the first "
                f"{self._first} bytes are kept and at least the last {self._last}\n"
            )
        self._file.close()

    def _leave_out(self) -> None:
        """Cut out what lies between the beginning and the last `last_bytes`, at the ends of lines."""
        raw = self._raw
        size = raw.tell()
        cut = self._cut_at or self._end_of_line(self._first)
        self._cut_at = cut
        tail = self._end_of_line(size - self._last)
        raw.seek(cut)
        dropped = raw.read(tail - cut)
        kept = raw.read(size - tail)
        self.left_out += dropped.count(b"\n")
        self._from = self._from or _stamp(dropped)
        self._to = _stamp(dropped[dropped.rstrip(b"\n").rfind(b"\n") + 1 :])
        raw.seek(cut)
        raw.truncate()
        raw.write(kept)
        raw.flush()

    def _end_of_line(self, near: int) -> int:
        """Where the first line begins that does so at `near` or behind it."""
        raw = self._raw
        raw.seek(max(0, near - 1))
        raw.readline()
        return raw.tell()


def _stamp(line: bytes) -> str:
    return line[: line.find(b" ")].decode("ascii", errors="replace")
