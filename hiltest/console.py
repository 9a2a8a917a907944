"""A node's serial console: lines with time stamps, prompt, patterns and commands, all through the link.

The port is read without blocking, from the link's loop, so heartbeats and the guard go on while somebody waits
for a line. Any pyserial URL will do. Everything that was said either way is kept for the report, within bounds.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Protocol

from hiltest.clock import NS_PER_S
from hiltest.description.lines import LINE_CHARS_MAX, compiled
from hiltest.description.patterncost import tries
from hiltest.errors import BenchLost, BenchNotOpened, NoAnswer, UsageError
from hiltest.link import Link

POLL_S = 0.02
QUIET_S = 0.1
"""An unfinished line counts as all there is when nothing was added to it for this long."""

SHOWN_CHARS = 200
READ_BYTES_MAX = 65_536
LINE_BYTES_MAX = 4096
"""A longer line comes in pieces of so many bytes."""
SEARCH_STEPS_MAX = 2e9
"""Of a search, by the count of `description.patterncost`: up to 0.2 s on the worst text, measured; it is far too high for most."""
KEPT_BYTES_MAX = 2_000_000
LINE_COST_BYTES = 200
"""What a line takes in memory beside its text: a storm of empty lines must not grow without bounds either."""

UNSOLICITED = r"\s*[\[(]\s*\d[\d.:]*\s*[\])]"
"""Log lines that come by themselves start with a time in brackets (common practice, no source)."""

DOORS = "hiltest.simbench.doors"
_ESCAPES = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*[@-~]|[@-Z\\-_])")


class ConsoleSettings(Protocol):
    """What opening needs to know; `description.models.Console` is one."""

    @property
    def port(self) -> str: ...
    @property
    def baud(self) -> int: ...
    @property
    def prompt(self) -> str: ...
    @property
    def node(self) -> str | None: ...
    @property
    def version_command(self) -> str | None: ...


@dataclass(frozen=True, slots=True)
class Line:
    """One line, without its end. `t_ns` is bench time of its last byte. `is_cut`: it was too long."""

    t_ns: int
    text: str
    sent: bool = False
    is_cut: bool = False

    @property
    def t_s(self) -> float:
        return self.t_ns / NS_PER_S


class SerialConsole:
    """Reads and writes a serial console.

    Args:
        link: where it waits.
        settings: port, baud, prompt; a `Console` of the description.
        line_end: what ends a command.
        unsolicited: pattern at the start of lines that are no answer to a command.

    Raises:
        BenchNotOpened: there is no such port, or it may not be opened.
        UsageError: the port's text is no pyserial URL, or the baud rate is not possible.
    """

    def __init__(
        self, link: Link, settings: ConsoleSettings, line_end: str = "\n", unsolicited: str = UNSOLICITED
    ) -> None:
        self._link = link
        self._settings = settings
        self._name = settings.node or settings.port
        self._line_end = line_end
        self._unsolicited = _compiled(unsolicited)
        self._lines: deque[Line] = deque()
        self._kept_bytes = 0
        self._unread: deque[Line] = deque()
        self._partial = bytearray()
        self._partial_ns = 0
        self._after_return = False
        self._listeners: list[Callable[[Line], None]] = []
        self._lost: BenchLost | None = None
        self.dropped_lines = 0
        self._port = _open(settings)
        self._stop_polling = link.add_source(self._poll, POLL_S)

    # --- what was said ------------------------------------------------------------------------------

    @property
    def lines(self) -> tuple[Line, ...]:
        """Everything that is kept, both ways, oldest first. `dropped_lines` were more than was kept."""
        return tuple(self._lines)

    @property
    def unfinished(self) -> str:
        """What stands in the last line that has no end yet: often the prompt."""
        return _decode(self._partial)

    @property
    def heard_ns(self) -> int:
        """Bench time of the last bytes that came; 0 before the first."""
        return self._partial_ns

    def poll(self) -> None:
        """Take what has arrived, without waiting. The link does so by itself, fifty times a second.

        Raises:
            BenchLost: the port went away.
        """
        self._poll()

    def seen(self) -> str:
        """The last lines that came, in words, for errors. Long ones are cut."""
        last = [repr(line.text[:SHOWN_CHARS]) for line in self._lines if not line.sent][-3:]
        if self._partial:
            last.append(f"unfinished {self.unfinished[:SHOWN_CHARS]!r}")
        return ", ".join(last) or "nothing"

    def on_line(self, listener: Callable[[Line], None]) -> Callable[[], None]:
        """Call `listener` with each line, both ways; returns what takes it off again."""
        self._listeners.append(listener)

        def remove() -> None:
            if listener in self._listeners:
                self._listeners.remove(listener)

        return remove

    def forget(self) -> None:
        """Let `expect` begin after what has arrived so far. The record stays."""
        self._poll()
        self._unread.clear()
        self._partial.clear()

    # --- waiting ------------------------------------------------------------------------------------

    def expect(self, pattern: str | re.Pattern[str], within_s: float) -> re.Match[str]:
        """Wait for a line in which `pattern` is found; return the match.

        Looks at every line since the last `expect`, `command` or `forget`, so one that came just before the call is
        not missed. A line without an end counts when nothing is added to it for 0.1 s. A line of more than 4,096 bytes
        comes in pieces, and what lies across the end of one is found all the same. Of such a piece with the one before it
        the last 8,192 characters are searched; fewer, but never under the last 400, for a pattern with several open
        repeats like `a.*b.*c`, which takes long on a long line. `$` fits at the end of a piece as well.

        Raises:
            NoAnswer: no such line within `within_s`; `seen` holds the last lines.
            BenchLost: the port went away.
        """
        wanted = _compiled(pattern)
        self._check()
        search = _Search(wanted)
        found = self._link.wait_for(lambda: self._search(search), within_s)
        if found is None:
            raise NoAnswer(self._name, f"the console with {wanted.pattern!r}", within_s, self.seen())
        return found

    def command(self, line: str, within_s: float) -> list[str]:
        """Send `line`; return what the node says until its next prompt, without the echo and blank lines.

        Log lines that come by themselves are left out (they are in `lines`). The prompt must stand for 0.1 s.

        Raises:
            NoAnswer: no prompt within `within_s`; `seen` holds the last lines.
            BenchLost: the port went away.
            UsageError: `line` holds an end of line.
        """
        if "\n" in line or "\r" in line:
            raise UsageError(f"command {line!r}: one line at a time; end it where the line ends")
        self._check()
        self._link.wait_for(self._is_quiet, min(within_s, 5 * QUIET_S))
        self.forget()
        self._write(line)
        answer: list[str] = []
        if not self._link.wait_for(lambda: self._collect(line, answer), within_s):
            raise NoAnswer(self._name, f"the console command {line!r} with its prompt", within_s, self.seen())
        return answer

    def read_version(self, within_s: float = 2.0) -> list[str]:
        """Send the description's version_command; return the answer.

        Raises:
            UsageError: the description has none.
        """
        if self._settings.version_command is None:
            raise UsageError(
                "the description's [console] has no version_command; give the line that asks for it"
            )
        return self.command(self._settings.version_command, within_s)

    def send_line(self, line: str) -> None:
        """Send a line and wait for nothing."""
        self._check()
        self._write(line)

    def close(self) -> None:
        """Stop reading and close the port. May be called twice."""
        self._stop_polling()
        if self._lost is None:
            self._lost = BenchLost(f"console {self._settings.port!r} was closed; open it again")
        try:
            self._port.close()
        except OSError:
            return  # it is gone; there is nothing left to close

    # --- inside -------------------------------------------------------------------------------------

    def _search(self, search: _Search) -> re.Match[str] | None:
        while self._unread:
            line = self._unread.popleft()
            match = search.find(line.text)
            if match:
                return match
            search.pass_over(line)
        if self._partial and self._is_quiet() and search.is_new(self._partial_ns):
            match = search.find(self.unfinished)
            if match:
                self._partial.clear()
                return match
        return None

    def _collect(self, command: str, answer: list[str]) -> bool:
        """Move what has arrived into `answer`; True once the prompt stands alone after it."""
        while self._unread:
            text = self._unread.popleft().text.removeprefix(self._settings.prompt)
            is_echo = not answer and text.strip() == command.strip()
            # A log line in between leaves blank lines and cut-off prompts around it.
            if text.strip() and not is_echo and not self._unsolicited.match(text[:LINE_CHARS_MAX]):
                answer.append(text)
        prompt, unfinished = self._settings.prompt, self.unfinished
        if unfinished == prompt:
            return self._is_quiet()  # or it is the start of a line that is still coming
        if unfinished.endswith(prompt) and self._is_quiet():
            answer.append(unfinished.removesuffix(prompt))
            return True
        return False

    def _is_quiet(self) -> bool:
        return self._link.now_ns - self._partial_ns >= QUIET_S * NS_PER_S

    def _write(self, line: str) -> None:
        self._keep(Line(self._link.now_ns, line, sent=True))
        try:
            self._port.write((line + self._line_end).encode())
        except OSError as error:  # pyserial's errors are OSErrors
            raise self._went_away(error, "writing to") from error

    def _poll(self) -> None:
        self._check()
        try:
            waiting = min(READ_BYTES_MAX, max(1, self._port.in_waiting))
            data = self._port.read(waiting)
        # pyserial lets out TypeError and ValueError when the port vanishes between its own steps.
        except (OSError, TypeError, ValueError) as error:
            raise self._went_away(error, "reading") from error
        if data:
            self._partial_ns = self._link.now_ns
            for ended in self._split(bytes(data)):
                self._end_line(is_cut=not ended)

    def _split(self, data: bytes) -> Iterator[bool]:
        """Add `data` to the unfinished line; yield whenever a line is full (False) or ended (True)."""
        if self._after_return and data[:1] == b"\n":
            data = data[1:]
        self._after_return = data[-1:] == b"\r" if data else False
        pieces = re.split(rb"\r\n|\n|\r", data)
        for number, piece in enumerate(pieces):
            for start in range(0, len(piece), LINE_BYTES_MAX):
                self._partial += piece[start : start + LINE_BYTES_MAX]
                if len(self._partial) >= LINE_BYTES_MAX:
                    yield False
            if number < len(pieces) - 1:
                yield True

    def _end_line(self, is_cut: bool) -> None:
        line = Line(self._link.now_ns, _decode(self._partial), is_cut=is_cut)
        self._partial.clear()
        self._unread.append(line)
        self._keep(line)

    def _keep(self, line: Line) -> None:
        self._lines.append(line)
        self._kept_bytes += len(line.text) + LINE_COST_BYTES
        while self._kept_bytes > KEPT_BYTES_MAX and len(self._lines) > 1:
            oldest = self._lines.popleft()
            self._kept_bytes -= len(oldest.text) + LINE_COST_BYTES
            self.dropped_lines += 1
            if self._unread and self._unread[0] is oldest:
                self._unread.popleft()
        for listener in tuple(self._listeners):
            listener(line)

    def _check(self) -> None:
        if self._lost is not None:
            raise self._lost

    def _went_away(self, error: Exception, doing: str) -> BenchLost:
        self._stop_polling()
        self._lost = BenchLost(f"{doing} console {self._settings.port!r} failed: {error}")
        return self._lost


class _Search:
    """Looks for a pattern line by line, and in a line that comes in pieces across their ends."""

    def __init__(self, pattern: re.Pattern[str]) -> None:
        self._pattern = pattern
        self._chars_max = _search_chars(pattern.pattern)
        self._before = ""
        self._is_whole = True
        self._searched_ns: int | None = None

    def is_new(self, heard_ns: int) -> bool:
        """Was the unfinished line, to which bytes came last at `heard_ns`, not searched yet? It is counted as searched."""
        before, self._searched_ns = self._searched_ns, heard_ns
        return before != heard_ns

    def find(self, text: str) -> re.Match[str] | None:
        text = self._before + text
        # From the second character on `^` does not fit: this is not where the line began.
        first = max(0 if self._is_whole else 1, len(text) - self._chars_max)
        return self._pattern.search(text, first)

    def pass_over(self, line: Line) -> None:
        """Nothing was found in it; keep what the rest of it may go on from."""
        whole = self._before + line.text if line.is_cut else ""
        self._before = whole[-LINE_BYTES_MAX:]
        self._is_whole = (self._is_whole or not line.is_cut) and len(whole) == len(self._before)


@lru_cache(maxsize=64)
def _search_chars(pattern: str) -> int:
    """How many characters may be searched for the pattern in bounded time."""
    chars = 2 * LINE_BYTES_MAX
    try:
        while chars > LINE_CHARS_MAX and tries(pattern, chars, search=True) > SEARCH_STEPS_MAX:
            chars = max(LINE_CHARS_MAX, chars // 2)
    except (re.error, RecursionError, OverflowError):  # compiled by the caller with flags of its own
        return LINE_CHARS_MAX
    return chars


def _open(settings: ConsoleSettings) -> Any:
    import serial

    if DOORS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(DOORS)
    try:
        return serial.serial_for_url(settings.port, baudrate=settings.baud, timeout=0, write_timeout=1.0)
    except ValueError as error:
        raise UsageError(
            f"console port={settings.port!r}, baud={settings.baud}: {error}. Give a device like /dev/ttyUSB0 or a "
            "pyserial URL"
        ) from error
    except OSError as error:
        raise BenchNotOpened(
            f"console {settings.port!r} could not be opened: {error}. Is the adapter plugged in, the path right, and may "
            "you open it (group dialout)?"
        ) from error


def _decode(data: bytes | bytearray) -> str:
    return _ESCAPES.sub(b"", data).decode("utf-8", errors="replace")


def _compiled(pattern: str | re.Pattern[str]) -> re.Pattern[str]:
    """The pattern. Raises UsageError if it is none, or one that can hang the run on a line that does not fit."""
    if isinstance(pattern, re.Pattern):
        return pattern
    try:
        compiled(pattern)
        return re.compile(pattern)
    except ValueError as error:
        raise UsageError(
            f"{pattern!r} is no regular expression that a console can wait for: {error}"
        ) from error
