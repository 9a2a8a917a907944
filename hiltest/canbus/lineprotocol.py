"""The ASCII protocol of serial-line CAN adapters, in both directions.

Every command and every answer is one line that ends with a carriage return; an adapter refuses a command
with a single BEL (0x07). The commands are those of the LAWICEL protocol; state lines (`sa057033`) and error
lines (`e2ab`) are the extension that the Linux driver drivers/net/can/slcan/slcan-core.c defines.

Two decoders read the same lines: `LineParser` one by one, `decode_block` in bulk with numpy. A test holds
them equal.
"""

from __future__ import annotations

import re
import string
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from hiltest.canbus.batch import FRAME_DTYPE, Rows
from hiltest.canbus.frame import (
    CONTROLLER_ACTIVE,
    CONTROLLER_RX_OVERFLOW,
    CONTROLLER_RX_PASSIVE,
    CONTROLLER_RX_WARNING,
    CONTROLLER_TX_OVERFLOW,
    CONTROLLER_TX_PASSIVE,
    CONTROLLER_TX_WARNING,
    ERR_ACK,
    ERR_BUS_ERROR,
    ERR_BUS_OFF,
    ERR_CONTROLLER,
    ERR_COUNTERS,
    ERR_PROTOCOL,
    EXTENDED_ID_MAX,
    FLAG_EXTENDED,
    FLAG_REMOTE,
    LOCATION_ACK,
    LOCATION_CRC_SEQUENCE,
    PROTOCOL_BIT,
    PROTOCOL_BIT0,
    PROTOCOL_BIT1,
    PROTOCOL_FORM,
    PROTOCOL_STUFF,
    STANDARD_ID_MAX,
    Frame,
)
from hiltest.errors import UsageError

CR = b"\r"
BEL = b"\a"

BITRATE_COMMANDS = {
    10_000: "S0",
    20_000: "S1",
    50_000: "S2",
    100_000: "S3",
    125_000: "S4",
    250_000: "S5",
    500_000: "S6",
    800_000: "S7",
    1_000_000: "S8",
}
"""S7 is 800 kbit/s, as in the LAWICEL list and in the Linux driver. python-can 4.6 lists 750 kbit/s for it
and an S9 for 83.3 kbit/s, which neither has."""

STAMP_WRAP_MS = 60_000
"""Time stamps count milliseconds from 0 to 0xEA5F (59,999)."""

LONGEST_LINE = 64
"""Characters; the longest frame line has 30. Whatever is longer is garbage."""

_NS_PER_MS = 1_000_000
_HEX = string.hexdigits


class StateReport(NamedTuple):
    """A state line: `state` is active, warning, passive or off; the counters as the adapter sent them."""

    state: str
    rx_errors: int
    tx_errors: int


class LineErrors(NamedTuple):
    """An error line. `letters`: a acknowledge, b bit0, B bit1, c CRC, f form, o receive overrun,
    O transmit overrun, s stuff."""

    letters: str


class Reply(NamedTuple):
    """An answer to a command: "" is done, BEL is refused, z and Z a frame taken, else `V1013` and so on."""

    text: str

    @property
    def is_refusal(self) -> bool:
        return self.text == "\a"


Event = Frame | StateReport | LineErrors | Reply


# --- to the adapter ---------------------------------------------------------------------------------


def encode_frame(frame: Frame) -> bytes:
    """The line that makes an adapter send `frame`, with its carriage return.

    Raises:
        UsageError: the protocol has no line for it (CAN FD, error frames), or no bus could carry it.
    """
    if frame.fd or frame.error:
        kind = "a CAN FD frame" if frame.fd else "an error frame"
        raise UsageError(f"{frame!r} is {kind}; the serial-line protocol sends classic frames only")
    frame.check()
    letter = "r" if frame.remote else "t"
    head = f"{letter.upper()}{frame.can_id:08X}" if frame.extended else f"{letter}{frame.can_id:03X}"
    return f"{head}{frame.dlc}{frame.data.hex().upper()}\r".encode("ascii")


def bitrate_command(bitrate: int) -> str:
    """The command for one of the nine bit rates that the protocol names.

    Raises:
        UsageError: another bit rate; the text lists the nine.
    """
    try:
        return BITRATE_COMMANDS[bitrate]
    except KeyError:
        known = ", ".join(f"{rate:,}" for rate in BITRATE_COMMANDS)
        raise UsageError(
            f"bitrate={bitrate!r} has no command in the serial-line protocol, which names {known} bit/s. "
            "For another one give timing=can.BitTiming(f_clock=8_000_000, ...): it is sent as register values"
        ) from None


def register_command(btr0: int, btr1: int) -> str:
    """The command that sets the bit timing registers of an SJA1000 at 16 MHz.

    Raises:
        UsageError: a value is outside 0..255.
    """
    for name, value in (("btr0", btr0), ("btr1", btr1)):
        if not 0 <= value <= 0xFF:
            raise UsageError(f"{name}={value!r} must be 0..255")
    return f"s{btr0:02X}{btr1:02X}"


# --- from the adapter, one line ---------------------------------------------------------------------

_FRAME_KINDS = {
    # letter: digits of the identifier, extended, remote, largest identifier
    "t": (3, False, False, STANDARD_ID_MAX),
    "T": (8, True, False, EXTENDED_ID_MAX),
    "r": (3, False, True, STANDARD_ID_MAX),
    "R": (8, True, True, EXTENDED_ID_MAX),
}
_STATES = {"a": "active", "w": "warning", "p": "passive", "b": "off"}
_STATE_LINE = re.compile(r"s([awpb])([0-9]{3})([0-9]{3})", re.ASCII)
_ERROR_LINE = re.compile(r"e([1-9])([abBcfoOs]+)", re.ASCII)
_REPLY_LINE = re.compile(r"[zZ]?|[VvN][0-9A-Za-z._-]*|F[0-9A-Fa-f]{2}", re.ASCII)


def parse_frame(text: str, t_ns: int = 0) -> tuple[Frame, int] | None:
    """The frame of a line without its carriage return, and its stamp in ms (-1: none).

    None if the line is malformed.
    """
    digits, extended, remote, limit = _FRAME_KINDS[text[0]]
    # int() and bytes.fromhex() would let signs, blanks and underscores pass.
    if text[1:].strip(_HEX) or len(text) < digits + 2:
        return None
    length = ord(text[digits + 1]) - 0x30
    can_id = int(text[1 : digits + 1], 16)
    if length > 8 or can_id > limit:
        return None
    start = digits + 2
    end = start if remote else start + 2 * length
    stamp_digits = len(text) - end
    if stamp_digits == 0:
        stamp_ms = -1
    elif stamp_digits == 4:
        stamp_ms = int(text[end:], 16)
    else:
        return None
    data = bytes.fromhex(text[start:end])
    frame = Frame(can_id, data, extended, remote, t_ns=t_ns, remote_dlc=length if remote else 0)
    return frame, stamp_ms


def parse_other(text: str) -> StateReport | LineErrors | Reply | None:
    """What a line that is no frame says, without its carriage return. None if it is malformed."""
    if match := _STATE_LINE.fullmatch(text):
        return StateReport(_STATES[match[1]], int(match[2]), int(match[3]))
    if match := _ERROR_LINE.fullmatch(text):
        return LineErrors(match[2]) if len(match[2]) == int(match[1]) else None
    return Reply(text) if _REPLY_LINE.fullmatch(text) else None


class BlockSplitter:
    """Cuts what was read into whole lines and keeps the rest for the next read.

    Line feeds are dropped: some adapters send them behind the carriage return.
    """

    def __init__(self) -> None:
        self._rest = b""

    def take(self, data: bytes) -> bytes:
        """All whole lines so far, each with its terminator (carriage return or BEL)."""
        data = self._rest + data if self._rest else data
        if b"\n" in data:
            data = data.replace(b"\n", b"")
        cut = max(data.rfind(CR), data.rfind(BEL)) + 1
        # The rest is cut one past the limit: it stays recognisable as too long, and bounded.
        self._rest = data[cut : cut + LONGEST_LINE + 1]
        return data[:cut]

    def reset(self) -> None:
        """Forget a line that was begun."""
        self._rest = b""


class StampUnwrapper:
    """Turns time stamps that wrap every 60 s into nanoseconds of the host's time scale.

    The first stamp is laid on the host's time; from there on the adapter's clock counts. How often it
    wrapped during a silence is taken from the host's time. A stamp above 59,999 breaks the protocol: its
    frame gets the host's time and `out_of_range` counts it.
    """

    def __init__(self) -> None:
        self.out_of_range = 0
        self._anchor_ns: int | None = None
        self._last_ms = 0
        self._elapsed_ms = 0
        self._host_ns = 0

    def one(self, stamp_ms: int, host_ns: int) -> int:
        """The time of one frame with `stamp_ms` (-1: without), read at `host_ns`."""
        return int(self.many(np.array([stamp_ms], np.int64), host_ns)[0])

    def many(self, stamps_ms: npt.NDArray[np.integer], host_ns: int) -> npt.NDArray[np.int64]:
        """The times of frames that were read together at `host_ns`; same shape as `stamps_ms`."""
        times = np.full(len(stamps_ms), host_ns, np.int64)
        usable = (stamps_ms >= 0) & (stamps_ms < STAMP_WRAP_MS)
        self.out_of_range += int(np.count_nonzero(stamps_ms >= STAMP_WRAP_MS))
        stamps = stamps_ms[usable].astype(np.int64)
        if not len(stamps):
            return times
        if self._anchor_ns is None:
            self._anchor_ns, self._host_ns, self._last_ms = host_ns, host_ns, int(stamps[0])
        steps = np.diff(stamps, prepend=self._last_ms)
        # Frames of one read lie close together: the nearest turn is right, in both directions.
        steps -= STAMP_WRAP_MS * np.rint(steps / STAMP_WRAP_MS).astype(np.int64)
        silence_ms = (host_ns - self._host_ns) / _NS_PER_MS
        steps[0] += STAMP_WRAP_MS * round((silence_ms - int(steps[0])) / STAMP_WRAP_MS)
        elapsed = self._elapsed_ms + np.cumsum(steps)
        times[usable] = self._anchor_ns + elapsed * _NS_PER_MS
        self._elapsed_ms, self._last_ms, self._host_ns = int(elapsed[-1]), int(stamps[-1]), host_ns
        return times


class LineParser:
    """Reads blocks of any size and returns what they say, in order.

    `malformed` counts lines that say nothing, `last_malformed` holds the latest of them. With
    `use_stamps` frames get the adapter's time stamps, otherwise the time given to `feed`.
    """

    def __init__(self, use_stamps: bool = False) -> None:
        self.malformed = 0
        self.last_malformed = ""
        self.stamps = StampUnwrapper() if use_stamps else None
        self._splitter = BlockSplitter()

    def feed(self, data: bytes, t_ns: int = 0) -> list[Event]:
        """The events of all lines that `data` completes. `t_ns` is the host's time of the read."""
        return self.parse(self._splitter.take(data), t_ns)

    def parse(self, block: bytes, t_ns: int = 0) -> list[Event]:
        """The events of a block of whole lines, as `BlockSplitter.take` returns it."""
        events: list[Event] = []
        # BEL ends a line as well; kept on it, so that a refusal can be told from an answer.
        for text in block.decode("latin-1").replace("\a", "\a\r").split("\r")[:-1]:
            if text.endswith("\a"):
                if len(text) > 1:
                    self.count_malformed(text[:-1])
                events.append(Reply("\a"))
            elif (event := self._parse_line(text, t_ns)) is not None:
                events.append(event)
            else:
                self.count_malformed(text)
        return events

    def reset(self) -> None:
        """Forget a line that was begun."""
        self._splitter.reset()

    def count_malformed(self, text: str) -> None:
        """Count a line that says nothing."""
        self.malformed += 1
        self.last_malformed = text[:LONGEST_LINE]

    def _parse_line(self, text: str, t_ns: int) -> Event | None:
        if text[:1] not in _FRAME_KINDS or not text:
            return parse_other(text)
        parsed = parse_frame(text, t_ns)
        if parsed is None:
            return None
        frame, stamp_ms = parsed
        if self.stamps is not None and stamp_ms >= 0:
            return frame.at(self.stamps.one(stamp_ms, t_ns))
        return frame


# --- from the adapter, in bulk ----------------------------------------------------------------------


class DecodedBlock(NamedTuple):
    """What a block of lines says. `order` and the numbers in `others` are line numbers in the block."""

    rows: Rows
    """The frames, in order of their lines; `t_ns` is 0."""
    order: npt.NDArray[np.intp]
    stamps_ms: npt.NDArray[np.int64]
    """One for each row; -1 for none."""
    others: list[tuple[int, Event]]
    """State and error lines, and answers other than the ones counted below."""
    done: int
    """Empty lines: a command done."""
    taken: int
    """z and Z lines: a frame taken for sending."""
    refused: int
    """BELs."""
    malformed: list[str]


_HEX_VALUE = np.full(256, 0xFF, np.uint8)
for _digit in _HEX:
    _HEX_VALUE[ord(_digit)] = int(_digit, 16)

_HEX_DIGIT = np.zeros(256, bool)
_HEX_DIGIT[[ord(digit) for digit in _HEX]] = True


def decode_block(block: bytes) -> DecodedBlock:
    """Decode a block of whole lines, as `BlockSplitter.take` returns it."""
    # Padded: a short last line is then read past its end, and refused, without a look at the length.
    padded = np.frombuffer(block + b"\0" * LONGEST_LINE, np.uint8)
    text = padded[: len(block)]
    ends = np.flatnonzero((text == CR[0]) | (text == BEL[0]))
    starts = np.empty_like(ends)
    starts[:1] = 0
    starts[1:] = ends[:-1] + 1
    lengths = ends - starts
    first = padded[starts]
    is_bel = text[ends] == BEL[0]
    is_empty = (lengths == 0) & ~is_bel
    is_taken = (lengths == 1) & ~is_bel & ((first == ord("z")) | (first == ord("Z")))
    left = ~is_empty & ~is_taken & ~(is_bel & (lengths == 0))
    parts = []
    for letter in _FRAME_KINDS:
        lines = np.flatnonzero((first == ord(letter)) & (lengths > 0) & ~is_bel)
        if len(lines):
            rows, stamps, good = _decode_frames(padded, starts[lines], lengths[lines], letter)
            parts.append((lines[good], rows, stamps))
            left[lines[good]] = False
    rows, order, stamps = _in_line_order(parts)
    others, malformed = _read_others(block, starts, ends, is_bel, np.flatnonzero(left).tolist())
    return DecodedBlock(
        rows,
        order,
        stamps,
        others,
        done=int(np.count_nonzero(is_empty)),
        taken=int(np.count_nonzero(is_taken)),
        refused=int(np.count_nonzero(is_bel)),
        malformed=malformed,
    )


_Part = tuple[npt.NDArray[np.intp], Rows, npt.NDArray[np.int64]]


def _in_line_order(parts: list[_Part]) -> tuple[Rows, npt.NDArray[np.intp], npt.NDArray[np.int64]]:
    if not parts:
        return np.zeros(0, FRAME_DTYPE), np.zeros(0, np.intp), np.zeros(0, np.int64)
    if len(parts) == 1:
        order, rows, stamps = parts[0]
        return rows, order, stamps
    order = np.concatenate([part[0] for part in parts])
    sequence = np.argsort(order)
    rows = np.concatenate([part[1] for part in parts])[sequence]
    return rows, order[sequence], np.concatenate([part[2] for part in parts])[sequence]


def _read_others(
    block: bytes,
    starts: npt.NDArray[np.intp],
    ends: npt.NDArray[np.intp],
    is_bel: npt.NDArray[np.bool_],
    lines: list[int],
) -> tuple[list[tuple[int, Event]], list[str]]:
    others: list[tuple[int, Event]] = []
    malformed = []
    for line in lines:
        text = block[starts[line] : ends[line]].decode("latin-1")
        # A frame line left over here has failed the bulk decoder already.
        event = None if is_bel[line] or text[0] in _FRAME_KINDS else parse_other(text)
        if event is None:
            malformed.append(text[:LONGEST_LINE])
        else:
            others.append((line, event))
    return others, malformed


def _decode_frames(
    padded: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.intp],
    lengths: npt.NDArray[np.intp],
    letter: str,
) -> tuple[Rows, npt.NDArray[np.int64], npt.NDArray[np.bool_]]:
    """Rows and stamps of the good ones among lines that begin with `letter`, and which are good."""
    digits, extended, remote, limit = _FRAME_KINDS[letter]
    head = digits + 1
    width = int(min(lengths.max(), LONGEST_LINE))
    if width < head + 1:
        none = np.zeros(len(starts), bool)
        return np.zeros(0, FRAME_DTYPE), np.zeros(0, np.int64), none
    # Column 0 is the first character behind the letter.
    characters = padded[starts[:, None] + np.arange(1, width)]
    values = _HEX_VALUE[characters]
    dlc = values[:, digits].astype(np.int64)
    ends = head + 1 + dlc * (0 if remote else 2)
    inside = np.arange(1, width) < lengths[:, None]
    good = (
        ((values <= 0xF) | ~inside).all(axis=1)
        & (dlc <= 8)
        & (lengths <= LONGEST_LINE)
        & ((lengths == ends) | (lengths == ends + 4))
    )
    if not good.all():
        values, dlc, ends, lengths = values[good], dlc[good], ends[good], lengths[good]
    can_id = _number(values, 0, digits)
    small = can_id <= limit
    if not small.all():
        values, dlc, ends, lengths, can_id = (a[small] for a in (values, dlc, ends, lengths, can_id))
        good[np.flatnonzero(good)[~small]] = False
    rows = np.zeros(len(values), FRAME_DTYPE)
    rows["can_id"] = can_id
    rows["flags"] = (FLAG_EXTENDED if extended else 0) | (FLAG_REMOTE if remote else 0)
    rows["length"] = dlc
    if not remote:
        _fill_data(rows, values, head, dlc)
    return rows, _stamps(values, lengths, ends), good


def _fill_data(rows: Rows, values: npt.NDArray[np.uint8], column: int, dlc: npt.NDArray[np.int64]) -> None:
    count = min(8, (values.shape[1] - column) // 2)
    if count <= 0:
        return
    pairs = values[:, column : column + 2 * count]
    data = pairs[:, 0::2] << 4 | pairs[:, 1::2]
    data[np.arange(count) >= dlc[:, None]] = 0
    rows["data"][:, :count] = data


def _stamps(
    values: npt.NDArray[np.uint8], lengths: npt.NDArray[np.intp], ends: npt.NDArray[np.int64]
) -> npt.NDArray[np.int64]:
    stamps = np.full(len(values), -1, np.int64)
    stamped = np.flatnonzero(lengths > ends)
    if len(stamped):
        # Behind the letter the stamp begins one column earlier than in the line.
        columns = ends[stamped, None] - 1 + np.arange(4)
        stamps[stamped] = _number(values[stamped[:, None], columns], 0, 4)
    return stamps


def _number(values: npt.NDArray[np.uint8], column: int, digits: int) -> npt.NDArray[np.int64]:
    number = np.zeros(len(values), np.int64)
    for index in range(column, column + digits):
        number = number << 4 | values[:, index]
    return number


# --- as error frames --------------------------------------------------------------------------------


def state_frame(report: StateReport, t_ns: int = 0) -> Frame:
    """The error frame of a change of state, laid out as in linux/can/error.h.

    As the kernel does, the counter that is larger names the side; both if they are equal. A counter
    above 255 is shown as 255: the frame has one byte for it.
    """
    data = bytearray(8)
    error_class = ERR_COUNTERS | (ERR_BUS_OFF if report.state == "off" else ERR_CONTROLLER)
    tx, rx = report.tx_errors, report.rx_errors
    if report.state == "active":
        data[1] = CONTROLLER_ACTIVE
    elif report.state != "off":
        warning = report.state == "warning"
        if tx >= rx:
            data[1] |= CONTROLLER_TX_WARNING if warning else CONTROLLER_TX_PASSIVE
        if rx >= tx:
            data[1] |= CONTROLLER_RX_WARNING if warning else CONTROLLER_RX_PASSIVE
    data[6], data[7] = min(tx, 255), min(rx, 255)
    return Frame(error_class, bytes(data), error=True, t_ns=t_ns)


_PROTOCOL_BITS = {
    "b": PROTOCOL_BIT0,
    "B": PROTOCOL_BIT1,
    "c": PROTOCOL_BIT,
    "f": PROTOCOL_FORM,
    "s": PROTOCOL_STUFF,
}


def error_frame(errors: LineErrors, t_ns: int = 0) -> Frame:
    """The error frame of an error line, laid out as in linux/can/error.h.

    Bits as the Linux driver sets them, but for one thing: overruns alone (`e1o`) are no error on the
    bus, and are not marked as one.
    """
    data = bytearray(8)
    error_class = 0
    for letter in errors.letters:
        if letter in "oO":
            error_class |= ERR_CONTROLLER
            data[1] |= CONTROLLER_RX_OVERFLOW if letter == "o" else CONTROLLER_TX_OVERFLOW
            continue
        error_class |= ERR_PROTOCOL | ERR_BUS_ERROR
        if letter == "a":
            error_class |= ERR_ACK
            data[3] = LOCATION_ACK
        else:
            data[2] |= _PROTOCOL_BITS[letter]
            if letter == "c":
                data[3] = LOCATION_CRC_SEQUENCE
    return Frame(error_class, bytes(data), error=True, t_ns=t_ns)
