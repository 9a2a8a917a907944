"""A python-can interface for serial-line CAN adapters that keeps up with a full 1 Mbit/s bus.

`can.Bus(interface="hiltest-serial", channel="/dev/ttyACM0", bitrate=1_000_000)` opens it. It reads the port
in blocks and has no thread. Beside the contract of python-can it tells the controller's state and counters
where the adapter sends them, keeps error reports as error frames, counts what it could not read, and hands
out many frames at once as a numpy array (`recv_batch`).

The codec (`LineParser`, `decode_block`, `encode_frame`) stands in `lineprotocol.py`.
"""

from __future__ import annotations

import contextlib
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

import can
import numpy as np
from can.util import check_or_adjust_timing_clock

from hiltest.canbus import lineprotocol as lp
from hiltest.canbus.batch import FRAME_DTYPE, Rows, to_rows
from hiltest.canbus.frame import FLAG_EXTENDED, Frame, from_message
from hiltest.canbus.serialport import PortLost, ReadySignal, SerialPort
from hiltest.canbus.stamps import HARDWARE, HOST
from hiltest.clock import NS_PER_S, Clock, RealClock, to_ns, today
from hiltest.errors import UsageError

MAX_READS_PER_BATCH = 64
WRITE_LIMIT_S = 2.0
"""How long `send` without a timeout waits for room in the port. A port that takes nothing is a fault."""

_QUIET_S = 0.02
_DRAIN_LIMIT_S = 0.2
_CLOSING_S = 0.2
_LATE_ANSWER_S = 1.0
"""How late an answer may be. A busy host hands on what a port got up to 0.9 s late (measured)."""


_SINCE_IMPORT = RealClock()
_QUIET_PORTS: dict[str, int] = {}
"""Ports that this process closed and whose answer to that came, and when, in ns: nothing late is on its way there."""


class _Refused(can.CanInitializationError):
    """The adapter answered a setting with BEL."""


@dataclass(slots=True)
class LineCounters:
    """What went over the line since the bus was opened."""

    frames_received: int = 0
    frames_sent: int = 0
    taken: int = 0
    """z and Z answers: the adapter took a frame for sending (not: it was sent)."""
    refused: int = 0
    """BELs. While frames are sent: the adapter had no room for one."""
    malformed: int = 0
    """Lines that say nothing. Each may have been a frame."""
    error_reports: int = 0
    state_reports: int = 0


class StatusFlags(NamedTuple):
    """The adapter's answer to the command F."""

    rx_fifo_full: bool
    tx_fifo_full: bool
    error_warning: bool
    data_overrun: bool
    error_passive: bool
    arbitration_lost: bool
    bus_error: bool


class SerialLineBus(can.BusABC):
    """A CAN bus behind a serial-line adapter.

    Args:
        channel: path of the port, also with the port's speed behind an @ (`/dev/ttyUSB0@921600`).
        bitrate: bit/s, one of the nine that the protocol names.
        timing: register values instead of `bitrate`, for a clock of 8 MHz.
        listen_only: open without acknowledging anything and without sending.
        timestamps: ask the adapter for its time stamps (1 ms). Without, a frame bears the time at which the
            host read it.
        tty_baudrate: speed of the port; USB adapters ignore it.
        require_answers: take silence as a fault. An adapter that answers no command at all needs False.
        command_timeout_s: how long to wait for an answer.
        clock: where time comes from; the machine's by default.

    Raises:
        can.CanInitializationError: no port, no permission, no answer, or the adapter refused a setting.
        UsageError: an argument that can't be.
    """

    def __init__(
        self,
        channel: str,
        bitrate: int | None = None,
        *,
        timing: can.BitTiming | None = None,
        listen_only: bool = False,
        timestamps: bool = False,
        tty_baudrate: int = 115_200,
        require_answers: bool = True,
        command_timeout_s: float = 0.5,
        can_filters: can.typechecking.CanFilters | None = None,
        clock: Clock | None = None,
    ) -> None:
        setup = _timing_command(bitrate, timing)
        path, _, speed = str(channel).partition("@")
        self.listen_only = listen_only
        self.require_answers = require_answers
        self.counters = LineCounters()
        self.last_malformed = ""
        self._clock: Clock = clock or RealClock()
        # Stamps are Unix time, as in other interfaces, and yet never jump with the machine's clock.
        self._epoch_ns = round(today().timestamp() * NS_PER_S) - self._clock.now_ns
        self._command_ns = to_ns(command_timeout_s, "command_timeout_s")
        self._splitter = lp.BlockSplitter()
        self._parser = lp.LineParser(use_stamps=timestamps)
        self._queue: deque[Frame] = deque()
        self._replies: deque[str] = deque()
        closed_ns = _QUIET_PORTS.pop(path, None)
        # Whoever comes later may come after another program.
        self._is_known_quiet = closed_ns is not None and _SINCE_IMPORT.now_ns - closed_ns < NS_PER_S
        self._state = "unknown"
        self._error_counters: tuple[int, int] | None = None
        self._ready: ReadySignal | None = None
        self._unsent = b""
        self._send_lock = threading.Lock()
        self._is_closed = False
        self._port = SerialPort(path, int(speed) if speed else tty_baudrate)
        self.channel_info = f"serial-line CAN adapter on {path}"
        try:
            self._open_channel(setup)
            super().__init__(channel=channel, can_filters=can_filters)
        except BaseException:
            self._port.close()
            raise

    # --- what python-can asks for -------------------------------------------------------------------

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The next message that passes the filters; None after `timeout` seconds without one.

        Raises:
            can.CanOperationError: the adapter went away, or the bus was shut down.
        """
        deadline_ns: int | None = -1
        while True:
            while self._queue:
                message = _message(self._pop(), self._port.path)
                if self._filters is None or self._matches_filters(message):
                    return message
            if deadline_ns == -1:  # asked for late: while frames wait, no clock is looked at
                deadline_ns = self._deadline_ns(timeout)
            if not self._fill(deadline_ns):
                return None

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Hand one message to the adapter. Returning says nothing about the bus: only an answer does.

        Args:
            msg: a classic data or remote frame.
            timeout: seconds to wait for room in the port; None: 2 s.

        Raises:
            can.CanTimeoutError: the port took nothing within the time.
            can.CanOperationError: the adapter went away, or this message can't be sent.
        """
        self._refuse_after_shutdown()
        if self.listen_only:
            raise can.CanOperationError("the bus was opened with listen_only=True: it can't send")
        try:
            line = lp.encode_frame(from_message(msg))
        except UsageError as error:
            raise can.CanOperationError(str(error)) from error
        with self._send_lock:
            self._write(line, WRITE_LIMIT_S if timeout is None else timeout)
        self.counters.frames_sent += 1

    def fileno(self) -> int:
        """A descriptor that is readable while a message can be had without waiting.

        It is not the port's own: what was read in one block and not yet fetched counts as readable, too.
        """
        self._refuse_after_shutdown()
        if self._ready is None:
            self._ready = ReadySignal(self._port.fd)
            self._ready.set(bool(self._queue))
        return self._ready.fileno()

    def flush_tx_buffer(self) -> None:
        """Throw away what the port has not sent yet."""
        self._refuse_after_shutdown()
        with self._send_lock:
            self._port.discard_output()
            # A line may have been cut; a lone carriage return ends it.
            self._unsent = lp.CR

    def shutdown(self) -> None:
        """Close the channel and the port. A second call does nothing."""
        if self._is_closed:
            return
        super().shutdown()
        with contextlib.suppress(can.CanError):
            self._close_channel()
        self._is_closed = True
        if self._ready is not None:
            self._ready.close()
        self._port.close()

    @property
    def state(self) -> can.BusState:
        """python-can's view of `bus_state`, which says more: it has no name for warning and unknown."""
        if self._state == "off":
            return can.BusState.ERROR
        return can.BusState.PASSIVE if self._state == "passive" else can.BusState.ACTIVE

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        raise NotImplementedError("the serial-line protocol can't set the state; open with listen_only=True")

    @staticmethod
    def _detect_available_configs() -> list[can.typechecking.AutoDetectedConfig]:
        # Asking every serial port of a machine would reset boards and print on consoles.
        return []

    # --- what hiltest needs besides -----------------------------------------------------------------

    @property
    def bus_state(self) -> str:
        """active, warning, passive, off, or unknown while the adapter has not said."""
        return self._state

    @property
    def error_counters(self) -> tuple[int, int] | None:
        """Transmit and receive error counter, None while the adapter has not told them."""
        return self._error_counters

    @property
    def stamp_source(self) -> str:
        """Where the time stamps come from, in words for a report."""
        return f"{HARDWARE}, in steps of 1 ms" if self._parser.stamps is not None else HOST

    @property
    def port_fd(self) -> int:
        """The descriptor of the port itself."""
        return self._port.fd

    def recv_batch(self, timeout_s: float | None = 0.0) -> Rows:
        """All frames that are there, as an array of `FRAME_DTYPE`; error reports are among them.

        Waits at most `timeout_s` for the first one (None: without limit) and returns an empty array if none
        came. Filters apply.

        Raises:
            can.CanOperationError: the adapter went away, or the bus was shut down.
        """
        deadline_ns = self._deadline_ns(timeout_s)
        parts = []
        if self._queue:
            parts.append(to_rows(list(self._queue)))
            self._queue.clear()
            self._signal_ready()
        reads = 0
        while reads < MAX_READS_PER_BATCH:
            remaining_s = 0.0 if parts else self._remaining_s(deadline_ns)
            rows = self._read_rows(remaining_s, may_fail=not parts)
            if rows is not None:
                reads += 1
                if len(rows):
                    parts.append(rows)
            elif remaining_s == 0:
                break
        rows = np.concatenate(parts) if parts else np.zeros(0, FRAME_DTYPE)
        return rows if self.filters is None else rows[self._passing(rows)]

    def version(self) -> str | None:
        """The adapter's answer to V (hardware and firmware version), None if it gives none."""
        return self._query("V")

    def serial_number(self) -> str | None:
        """The adapter's answer to N, None if it gives none."""
        return self._query("N")

    def query_status(self) -> StatusFlags | None:
        """Ask for the adapter's status flags; None if it gives none. Updates `bus_state`.

        The flags can't say "off": a bus that was off stays so until a state line says otherwise.
        """
        answer = self._query("F")
        if answer is None:
            return None
        bits = int(answer, 16)
        # Bit 4 is unused.
        flags = StatusFlags(*(bool(bits >> bit & 1) for bit in (0, 1, 2, 3, 5, 6, 7)))
        if self._state != "off":
            self._state = "passive" if flags.error_passive else "warning" if flags.error_warning else "active"
        return flags

    # --- opening ------------------------------------------------------------------------------------

    def _open_channel(self, setup: str) -> None:
        # Ends a command that a program before us began, and throws away what it left unread.
        self._write(lp.CR * 3, timeout_s=0.5)
        self._drain()
        try:
            in_step = self._configure(setup) or self._is_known_quiet
        except _Refused:
            if self._is_known_quiet:
                raise
            in_step = False
        if not in_step:
            # Answers bear no name. One that a program before us did not wait for may come later than the
            # drain and be taken for ours, and every answer then belongs to the command before. So nothing
            # is known of any command, and all are given again on a line that has gone quiet.
            self._drain(quiet_s=_LATE_ANSWER_S, limit_s=2 * _LATE_ANSWER_S)
            self._configure(setup)

    def _configure(self, setup: str) -> bool:
        """Set up and open the channel; False if more was answered than asked: then no answer is known to be its command's."""
        # Refused if the channel was closed, which is as good.
        answered = self._command("C") is not None
        in_step = not self._has_surplus()
        self._forget()
        for command, purpose in (
            (setup, "bit rate"),
            ("Z1" if self._parser.stamps is not None else "", "time stamps"),
            ("L" if self.listen_only else "O", "opening the channel"),
        ):
            if command:
                answer = self._command(command)
                answered |= answer is not None
                in_step &= not self._has_surplus()
                self._judge(command, purpose, answer, answered)
        return in_step

    def _has_surplus(self) -> bool:
        self._read_events(0.0)
        return bool(self._replies)

    def _judge(self, command: str, purpose: str, answer: str | None, answered: bool) -> None:
        path = self._port.path
        if answer == "\a":
            raise _Refused(
                f"the adapter on {path} refused the command {command} ({purpose}): it does not offer this"
            )
        if answer is None and self.require_answers:
            silent = "answered before, but not" if answered else "answers no command, not even"
            raise can.CanInitializationError(
                f"{path} {silent} {command} ({purpose}). Is it a serial-line CAN adapter, is its supply on, "
                "is tty_baudrate right? For an adapter that never answers, give require_answers=False"
            )

    def _drain(self, quiet_s: float = _QUIET_S, limit_s: float = _DRAIN_LIMIT_S) -> None:
        limit_ns = self._clock.now_ns + to_ns(limit_s)
        with self._losing():
            while self._clock.now_ns < limit_ns and self._port.wait_readable(quiet_s):
                self._port.read()

    def _forget(self) -> None:
        """Nothing of what came before the channel was opened belongs to this run."""
        self._queue.clear()
        self._replies.clear()
        self._splitter.reset()
        self.counters = LineCounters()

    def _close_channel(self) -> None:
        """Tell the adapter to close, and wait a moment for its answer: who opens the port next must not take it for his."""
        self._command_ns = to_ns(_CLOSING_S)
        if self.require_answers and self._command("C") is not None:
            _QUIET_PORTS[self._port.path] = _SINCE_IMPORT.now_ns
        elif not self.require_answers:
            self._write(b"C\r", timeout_s=_CLOSING_S)

    # --- commands -----------------------------------------------------------------------------------

    def _command(self, command: str) -> str | None:
        """Send a command and return its answer: "" done, BEL refused, None nothing in time."""
        return self._ask(command, lambda text: text in ("", "\a"))

    def _query(self, letter: str) -> str | None:
        """Ask for something; the answer without its letter, None if there is none."""
        answer = self._ask(letter, lambda text: text == "\a" or text.startswith(letter))
        return None if answer is None or answer == "\a" else answer[len(letter) :]

    def _ask(self, command: str, is_answer: Callable[[str], bool]) -> str | None:
        self._refuse_after_shutdown()
        self._replies.clear()
        with self._send_lock:
            self._write(command.encode("ascii") + lp.CR, timeout_s=0.5)
        deadline_ns = self._clock.now_ns + self._command_ns
        while True:
            remaining_s = self._remaining_s(deadline_ns)
            self._read_events(remaining_s)
            while self._replies:
                text = self._replies.popleft()
                if is_answer(text):
                    return text
            if remaining_s == 0:
                return None

    # --- reading ------------------------------------------------------------------------------------

    def _refuse_after_shutdown(self) -> None:
        if self._is_closed:
            raise can.CanOperationError(f"{self.channel_info} was shut down")

    def _deadline_ns(self, timeout: float | None) -> int | None:
        self._refuse_after_shutdown()
        return None if timeout is None else self._clock.now_ns + to_ns(max(0.0, timeout), "timeout")

    def _remaining_s(self, deadline_ns: int | None) -> float | None:
        return None if deadline_ns is None else max(0, deadline_ns - self._clock.now_ns) / NS_PER_S

    def _pop(self) -> Frame:
        frame = self._queue.popleft()
        if self._ready is not None and not self._queue:
            self._ready.set(False)
        return frame

    def _signal_ready(self) -> None:
        if self._ready is not None:
            self._ready.set(bool(self._queue))

    def _fill(self, deadline_ns: int | None) -> bool:
        """Wait until the queue holds a frame; False at the deadline."""
        while not self._queue:
            remaining_s = self._remaining_s(deadline_ns)
            self._read_events(remaining_s)
            if not self._queue and remaining_s == 0:
                return False
        return True

    @contextlib.contextmanager
    def _losing(self) -> Iterator[None]:
        try:
            yield
        except PortLost as lost:
            self._state = "unknown"
            raise can.CanOperationError(
                f"the adapter on {self._port.path} went away ({lost}): unplugged, or without supply. "
                "Frames of the last moment may be lost. Plug it in and open the bus anew"
            ) from lost

    def _read_block(self, timeout_s: float | None) -> tuple[bytes, int]:
        """Whole lines of one read, and its time in Unix nanoseconds; empty if nothing came in time."""
        with self._losing():
            # Looking first saves a call for every block while the adapter is ahead of us.
            data = self._port.read()
            if not data and (timeout_s is None or timeout_s > 0) and self._port.wait_readable(timeout_s):
                data = self._port.read()
        return self._splitter.take(data) if data else b"", self._epoch_ns + self._clock.now_ns

    def _read_events(self, timeout_s: float | None) -> None:
        block, t_ns = self._read_block(timeout_s)
        if not block:
            return
        malformed = self._parser.malformed
        for event in self._parser.parse(block, t_ns):
            if isinstance(event, Frame):
                self._queue.append(event)
                self.counters.frames_received += 1
            else:
                self._handle(event, t_ns)
        if self._parser.malformed != malformed:
            self._count_malformed(self._parser.malformed - malformed, self._parser.last_malformed)
        self._signal_ready()

    def _handle(self, event: lp.Event, t_ns: int) -> None:
        """Take in what is no frame of the bus; what stands for an error frame goes to the queue."""
        if isinstance(event, lp.Reply):
            self.counters.taken += event.text in ("z", "Z")
            self.counters.refused += event.is_refusal
            self._replies.append(event.text)
        elif isinstance(event, lp.LineErrors):
            self.counters.error_reports += 1
            self._queue.append(lp.error_frame(event, t_ns))
        elif isinstance(event, lp.StateReport):
            self._take_state(event, t_ns)

    def _take_state(self, report: lp.StateReport, t_ns: int) -> None:
        self.counters.state_reports += 1
        self._error_counters = report.tx_errors, report.rx_errors
        before, self._state = self._state, report.state
        # As in the kernel, an error frame tells of a change; active is where a controller starts.
        if report.state != before and not (before == "unknown" and report.state == "active"):
            self._queue.append(lp.state_frame(report, t_ns))

    def _count_malformed(self, count: int, latest: str) -> None:
        self.counters.malformed += count
        self.last_malformed = latest

    def _read_rows(self, timeout_s: float | None, may_fail: bool) -> Rows | None:
        """The frames of one read; None if no line came in time.

        A loss of the adapter is told only if `may_fail`: what was read before goes to the caller first, and
        the next read meets the loss again.
        """
        try:
            block, t_ns = self._read_block(timeout_s)
        except can.CanOperationError:
            if may_fail:
                raise
            return None
        return self._decode(block, t_ns) if block else None

    def _decode(self, block: bytes, t_ns: int) -> Rows:
        decoded = lp.decode_block(block)
        rows = decoded.rows
        stamps = self._parser.stamps
        rows["t_ns"] = t_ns if stamps is None else stamps.many(decoded.stamps_ms, t_ns)
        self.counters.frames_received += len(rows)
        self.counters.taken += decoded.taken
        self.counters.refused += decoded.refused
        if decoded.malformed:
            self._count_malformed(len(decoded.malformed), decoded.malformed[-1])
        return self._with_reports(rows, decoded, t_ns) if decoded.others else rows

    def _with_reports(self, rows: Rows, decoded: lp.DecodedBlock, t_ns: int) -> Rows:
        """Put the error frames of state and error lines in their places between the frames."""
        lines: list[int] = []
        frames: list[Frame] = []
        for line, event in decoded.others:
            self._handle(event, t_ns)
            while self._queue:
                frames.append(self._queue.popleft())
                lines.append(line)
        self._replies.clear()
        return np.insert(rows, np.searchsorted(decoded.order, lines), to_rows(frames)) if frames else rows

    def _passing(self, rows: Rows) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
        keep = np.zeros(len(rows), bool)
        is_extended = (rows["flags"] & FLAG_EXTENDED) != 0
        for rule in self.filters or ():
            match = (rows["can_id"] & rule["can_mask"]) == (rule["can_id"] & rule["can_mask"])
            if "extended" in rule:
                match &= is_extended == rule["extended"]
            keep |= match
        return keep

    # --- writing ------------------------------------------------------------------------------------

    def _write(self, line: bytes, timeout_s: float) -> None:
        """Write a whole line within `timeout_s`. A line is never cut by a later one."""
        deadline_ns = self._clock.now_ns + to_ns(max(0.0, timeout_s), "timeout")
        behind = len(line)
        data = self._unsent + line
        with self._losing():
            while True:
                data = data[self._port.write(data) :]
                remaining_s = (deadline_ns - self._clock.now_ns) / NS_PER_S
                if not data or remaining_s <= 0:
                    break
                self._port.wait_writable(remaining_s)
        # A line of which nothing went out is dropped; one that was begun must be ended first.
        begun = len(data) < behind
        self._unsent = data if begun else data[: len(data) - behind]
        if data:
            what = "only a part of it; the rest goes out with the next" if begun else "nothing of it"
            raise can.CanTimeoutError(
                f"{self._port.path} took {what} within {timeout_s:g} s: the adapter does not read"
            )


def _message(frame: Frame, channel: str) -> can.Message:
    """As `frame.to_message`, at a third of its cost: this protocol has classic frames only."""
    return can.Message(
        frame.t_ns / NS_PER_S,
        frame.can_id,
        frame.extended,
        frame.remote,
        frame.error,
        channel,
        frame.remote_dlc if frame.remote else None,
        frame.data,
    )


def _timing_command(bitrate: int | None, timing: can.BitTiming | None) -> str:
    if timing is not None:
        if not isinstance(timing, can.BitTiming):
            raise UsageError("timing must be a can.BitTiming: the serial-line protocol knows no CAN FD")
        timing = check_or_adjust_timing_clock(timing, valid_clocks=[8_000_000])
        return lp.register_command(timing.btr0, timing.btr1)
    if bitrate is None:
        raise UsageError(
            'the bit rate is missing: can.Bus(interface="hiltest-serial", bitrate=1_000_000, ...)'
        )
    return lp.bitrate_command(bitrate)
