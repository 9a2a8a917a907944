"""The serial console: over a real pseudo-terminal in real time, and over the simulated bench's door."""

from __future__ import annotations

import os
import pty
import re
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from hiltest.canbus.frame import Frame
from hiltest.clock import RealClock, sleep_s
from hiltest.console import KEPT_BYTES_MAX, Line, SerialConsole
from hiltest.description.models import Console
from hiltest.errors import BenchLost, BenchNotOpened, NoAnswer, UsageError
from hiltest.link import Link

GLUE_HEAD = Path(__file__).parents[1] / "fixtures" / "glue_head.toml"


class SilentPort:
    """A bus in real time on which nothing ever comes."""

    name, bit_rate_bps, bus = "can", 1_000_000, None

    def __init__(self) -> None:
        self.clock = RealClock()

    def recv(self, timeout_s: float) -> Frame | None:
        sleep_s(timeout_s)
        return None

    def send(self, frame: Frame) -> None: ...
    def flush(self) -> None: ...
    def close(self) -> None: ...
    def reopen(self, bit_rate_bps: int) -> None: ...
    def state(self) -> str:
        return "active"

    def counters(self) -> None:
        return None


class Board:
    """The other end of a pseudo-terminal: what the node's program would be."""

    def __init__(self) -> None:
        self.fd, self._slave = pty.openpty()
        tty.setraw(self.fd)
        tty.setraw(self._slave)
        os.set_blocking(self.fd, False)
        self.path = os.ttyname(self._slave)
        self.link = Link(SilentPort())
        self.console = SerialConsole(self.link, self.settings())
        self.heard = b""
        self.answers: dict[bytes, list[bytes]] = {}
        self.link.every(0.005, self._listen)

    def settings(self) -> Console:
        return Console(port=self.path, node="head", version_command="version")

    def says(self, text: str | bytes, after_s: float = 0.0) -> None:
        data = text.encode() if isinstance(text, str) else text
        self.link.after(after_s, lambda: self._write(data))

    def _write(self, data: bytes) -> None:
        os.write(self.fd, data)

    def _listen(self) -> None:
        """Answer a known command, piece by piece."""
        try:
            self.heard += os.read(self.fd, 1000)
        except (BlockingIOError, OSError):
            return
        for command, pieces in self.answers.items():
            if self.heard.endswith(command + b"\n"):
                self.heard = b""
                for number, piece in enumerate(pieces):
                    self.says(piece, 0.03 * number)

    def unplug(self) -> None:
        os.close(self.fd)
        os.close(self._slave)

    def close(self) -> None:
        self.console.close()
        for fd in (self.fd, self._slave):
            try:
                os.close(fd)
            except OSError:
                continue


@pytest.fixture
def board() -> Iterator[Board]:
    made = Board()
    yield made
    made.close()


def texts(board: Board) -> list[str]:
    return [line.text for line in board.console.lines]


def test_lines_come_with_their_times(board: Board) -> None:
    """Lines end with CR, LF or both, also when a read cuts between the two; times are bench time."""
    board.says("one\r\ntwo\nthree\rfour\r")
    board.says("\nfive\n", 0.1)
    board.link.run_for(0.3)
    assert texts(board) == ["one", "two", "three", "four", "five"]
    times = [line.t_s for line in board.console.lines]
    assert times == sorted(times)
    assert times[-1] - times[0] >= 0.08


def test_a_command_gives_its_answer_without_echo(board: Board) -> None:
    """Echo and prompt are taken off; slow and split output is waited for."""
    board.answers[b"version"] = [b"vers", b"ion\r\nGH-1 1.", b"4.0\r\nserial 7\r", b"\n", b"> "]
    board.says("> ")
    assert board.console.command("version", 2.0) == ["GH-1 1.4.0", "serial 7"]
    assert board.console.read_version() == ["GH-1 1.4.0", "serial 7"]


def test_a_node_without_echo_answers_too(board: Board) -> None:
    """Without an echo the whole answer comes back, and a line like the prompt's start does not end it."""
    board.answers[b"sensors"] = [b"> ", b"23.5 C\r\n", b"> "]
    assert board.console.command("sensors", 2.0) == ["23.5 C"]


def test_a_command_with_nothing_to_say(board: Board) -> None:
    """Echo and prompt alone are an empty answer."""
    board.answers[b"off"] = [b"off\r\n> "]
    assert board.console.command("off", 2.0) == []


def test_log_lines_are_no_answers(board: Board) -> None:
    """Lines that come by themselves, with a time in brackets, are kept but not returned."""
    board.answers[b"version"] = [
        b"\r\n[12.345] heater: off\r\n> ",
        b"version\r\n",
        b"GH-1\r\n[12.400] bus: active\r\n",
        b"done\r\n> ",
    ]
    board.says("> ")
    assert board.console.command("version", 2.0) == ["GH-1", "done"]
    assert "[12.400] bus: active" in texts(board)


def test_a_command_without_prompt_says_what_was_seen(board: Board) -> None:
    """When no prompt comes back, the error holds the last lines."""
    board.answers[b"version"] = [b"version\r\npanic: stack\r\nhalf a li"]
    with pytest.raises(NoAnswer) as caught:
        board.console.command("version", 0.5)
    assert "'panic: stack'" in caught.value.seen
    assert "unfinished 'half a li'" in caught.value.seen
    assert caught.value.node == "head"


def test_a_command_is_one_line(board: Board) -> None:
    """Two lines in one command are refused before anything is sent."""
    with pytest.raises(UsageError, match="one line at a time"):
        board.console.command("off\nversion", 0.5)
    assert board.console.lines == ()


def test_expect_finds_a_line_that_came_before(board: Board) -> None:
    """A banner printed just before the call is found; what was passed over is not found twice."""
    board.says("boot 1.4.0\r\nready\r\n")
    board.link.run_for(0.1)
    match = board.console.expect(r"boot (\S+)", 0.5)
    assert match[1] == "1.4.0"
    assert board.console.expect("ready", 0.5)
    with pytest.raises(NoAnswer, match="ready"):
        board.console.expect("ready", 0.2)


def test_expect_waits_for_the_whole_line(board: Board) -> None:
    """A number that arrives digit by digit is not cut short."""
    for number, digit in enumerate("23.57"):
        board.says(digit, 0.04 * number)
    board.says("\r\n", 0.25)
    assert board.console.expect(r"(\d[\d.]*)", 2.0)[1] == "23.57"


def test_expect_takes_a_line_that_stays_unfinished(board: Board) -> None:
    """A question without an end of line counts when nothing follows."""
    board.says("login: ")
    assert board.console.expect("login: $", 1.0)


def test_a_bad_pattern_is_the_callers(board: Board) -> None:
    """A text that is no regular expression is refused at once."""
    with pytest.raises(UsageError, match="no regular expression"):
        board.console.expect("(", 1.0)
    with pytest.raises(UsageError, match="so many ways"):
        board.console.expect("(a|aa){200}b", 1.0)


def test_bytes_that_are_no_text_do_no_harm(board: Board) -> None:
    """Wrong encoding is replaced, escape sequences are taken off."""
    board.says(b"\xff\xfe\x1b[31mred\x1b[0m 23 \xb0C 23 \xc2\xb0C\r\n")
    board.link.run_for(0.1)
    assert texts(board) == ["\ufffd\ufffdred 23 \ufffdC 23 °C"]


def test_a_megabyte_without_end_of_line_is_bounded(board: Board) -> None:
    """Garbage is cut into lines, memory stays bounded, and the console works afterwards."""
    sent = 0

    def babble() -> None:
        nonlocal sent
        try:
            sent += os.write(board.fd, b"\x55" * 4000)
        except BlockingIOError:
            return

    timer = board.link.every(0.001, babble)
    assert board.link.wait_for(lambda: sent > 1_000_000, 30.0)
    timer.cancel()
    board.link.run_for(0.1)
    assert sum(len(line.text) for line in board.console.lines) <= KEPT_BYTES_MAX
    assert len(board.console.unfinished) < 9000
    assert all(line.is_cut for line in board.console.lines)
    board.says("\r\nback\r\n")
    assert board.console.expect("^back$", 2.0)


def test_old_lines_are_dropped_and_counted(board: Board) -> None:
    """The record keeps the newest two megabytes and counts what it let go, unread lines too."""
    for number in range(600):
        board.console._keep(Line(number, "x" * 4095))
    assert board.console.dropped_lines > 0
    assert board.console.lines[-1].t_ns == 599
    assert sum(len(line.text) + 1 for line in board.console.lines) <= KEPT_BYTES_MAX


def test_an_unplugged_console_is_lost(board: Board) -> None:
    """When the port goes away, the wait ends with BenchLost, and so does every later call."""
    board.link.after(0.1, board.unplug)
    with pytest.raises(BenchLost, match="reading console") as caught:
        board.console.expect("never", 5.0)
    assert "plug" in caught.value.look_first[0]
    assert board.link.now_s < 3.0
    with pytest.raises(BenchLost):
        board.console.command("version", 1.0)
    board.link.run_for(0.05)  # told once; the bus goes on


def test_everything_said_is_told_and_kept(board: Board) -> None:
    """Listeners and record get both ways, marked."""
    told: list[Line] = []
    remove = board.console.on_line(told.append)
    board.answers[b"off"] = [b"ok\r\n> "]
    board.console.command("off", 2.0)
    remove()
    assert [(line.text, line.sent) for line in told] == [("off", True), ("ok", False)]
    assert tuple(told) == board.console.lines


def test_waiting_for_the_console_keeps_heartbeats_going(board: Board) -> None:
    """Timers of the link run while a line is waited for."""
    beats: list[float] = []
    board.link.every(0.02, lambda: beats.append(board.link.now_s))
    with pytest.raises(NoAnswer):
        board.console.expect("never", 0.3)
    assert len(beats) >= 8


def long_line(board: Board, *pieces: str) -> None:
    """Pieces of one line that a pseudo-terminal takes at once each, said one behind the other."""
    for number, piece in enumerate(pieces):
        board.says(piece, 0.02 * number)


def test_what_lies_across_the_end_of_a_piece_is_found(board: Board) -> None:
    """A line of 9,000 characters comes in pieces; `^` is where the line began, and nothing is found twice."""
    long_line(board, "x" * 3000, "x" * 1093 + "temp " + "41.5 C" + "y" * 1896, "^y" * 1500 + " temp 9\n")
    assert board.console.expect(r"temp ([\d.]+) C", 2.0)[1] == "41.5"
    assert board.console.expect(r"temp (\d+)", 2.0)[1] == "9"
    long_line(board, "z" * 3000, "z" * 3000, "z" * 3000 + " end\n")
    with pytest.raises(NoAnswer):
        board.console.expect(r"^(?:y|z+ end)", 0.3)


def test_a_pattern_that_takes_long_on_a_long_line_does_not_stop_the_loop(board: Board) -> None:
    """The worst text for it, 4,000 characters: 13 s if all were searched. Its end is, once."""
    long_line(board, "ab" * 1000, "ab" * 1000)
    begun_s = board.link.now_s
    with pytest.raises(NoAnswer):
        board.console.expect("a.*b.*c", 0.5)
    assert board.link.now_s - begun_s < 5.0
    board.says("abc\n")
    assert board.console.expect("a.*b.*c", 2.0)[0].endswith("abc")


def test_a_port_that_is_not_there() -> None:
    """No such device is a bench that could not be opened; a text that is no port is the file's fault."""
    link = Link(SilentPort())
    with pytest.raises(BenchNotOpened, match="plugged in"):
        SerialConsole(link, Console(port="/dev/no-such-tty"))
    with pytest.raises(UsageError, match="pyserial URL"):
        SerialConsole(link, Console(port="nonsense://x"))


def test_without_a_version_command_it_says_so(board: Board) -> None:
    """Asking for the version without knowing how is a gap in the description."""
    console = SerialConsole(board.link, Console(port=board.path))
    with pytest.raises(UsageError, match="version_command"):
        console.read_version()
    console.close()
    console.close()
    with pytest.raises(BenchLost, match="was closed"):
        console.send_line("x")


def test_the_simulated_board_answers_through_its_door() -> None:
    """Over hiltest:// the same console talks to the simulated node, in simulated time."""
    from hiltest.canbus.opening import open_port
    from hiltest.description.loading import load_description

    description = load_description(GLUE_HEAD).description
    link = Link(open_port(description.bus[0], {"interface": "hiltest", "channel": str(GLUE_HEAD)}))
    console = SerialConsole(link, Console(port=f"hiltest://{GLUE_HEAD}", version_command="version"))
    try:
        assert console.expect(r"firmware (\S+)", 5.0)[1] == "1.4.0"
        (version,) = console.read_version()
        assert re.match(r"GH-1 hardware B firmware 1\.4\.0 serial \d+", version)
        assert link.now_s < 5.0
    finally:
        console.close()
        link.close()
