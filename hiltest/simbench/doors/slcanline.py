"""A serial-line CAN adapter's side of the ASCII protocol: commands in, answers and frames out. No I/O here.

The commands are those of the LAWICEL protocol; every line ends with a carriage return, every refusal is a
single BEL. `s` and `e` lines report states and errors as the Linux driver drivers/net/can/slcan/slcan-core.c
reads them. Written for the simulated adapter alone; the harness's client side is `canbus.lineprotocol`.
"""

from __future__ import annotations

import string
from collections.abc import Callable
from typing import Final, Protocol

from hiltest.canbus.frame import Frame
from hiltest.simbench.controller import Timing

CR, BEL = b"\r", b"\a"

BIT_RATES: Final = (10_000, 20_000, 50_000, 100_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""S0 to S8."""

HARDWARE_VERSION, SOFTWARE_VERSION = "10", "13"
LONGEST_COMMAND = 64
STAMP_WRAP_MS = 60_000

_REGISTER_CLOCK_HZ = 8_000_000
"""The registers are those of an SJA1000 at 16 MHz, which divides its clock by two."""

# Status flags, answer to F.
RX_FULL, TX_FULL, WARNING, OVERRUN, PASSIVE, BUS_ERROR = 0x01, 0x02, 0x04, 0x08, 0x20, 0x80

_CLASS_CONTROLLER, _CLASS_PROTOCOL, _CLASS_ACK, _CLASS_BUS_OFF = 0x004, 0x008, 0x020, 0x040
_RX_OVERFLOW = 0x01
_KINDS = ((0x08, "b"), (0x10, "B"), (0x02, "f"), (0x04, "s"))
_IN_CRC = 0x08


class Channel(Protocol):
    """What the protocol drives: the adapter's controller."""

    def set_timing(self, timing: Timing) -> None: ...
    def open_channel(self, *, listen_only: bool) -> None: ...
    def close_channel(self) -> None: ...
    def send(self, frame: Frame) -> bool: ...
    def flags(self) -> int: ...
    @property
    def serial(self) -> str: ...


class SlcanLine:
    """The protocol's state: open or closed, time stamps on or off, a line that is half read.

    `reports` lets state and error lines out. `answers_sends`: each frame taken is answered with z or Z, else
    with a bare carriage return.
    """

    def __init__(self, channel: Channel, *, reports: bool = True, answers_sends: bool = True) -> None:
        self._channel = channel
        self.reports, self.answers_sends = reports, answers_sends
        self.is_open = self.listen_only = self.stamps = False
        self.refused = 0
        """Commands answered with BEL."""
        self._line = bytearray()
        commands: dict[str, Callable[[str], bytes | None]] = {
            "S": self._standard_rate,
            "s": self._registers,
            "O": lambda rest: self._open(rest, listen_only=False),
            "L": lambda rest: self._open(rest, listen_only=True),
            "C": self._close,
            "t": lambda rest: self._send(rest, extended=False, remote=False),
            "T": lambda rest: self._send(rest, extended=True, remote=False),
            "r": lambda rest: self._send(rest, extended=False, remote=True),
            "R": lambda rest: self._send(rest, extended=True, remote=True),
            "F": self._flags,
            "V": lambda rest: None if rest else f"V{HARDWARE_VERSION}{SOFTWARE_VERSION}".encode(),
            "v": lambda rest: None if rest else f"v{SOFTWARE_VERSION}".encode(),
            "N": lambda rest: None if rest else f"N{self._channel.serial}".encode(),
            "Z": self._time_stamps,
            "M": self._acceptance,
            "m": self._acceptance,
        }
        self._commands = commands

    def feed(self, data: bytes) -> bytes:
        """Take bytes from the host; returns the answers."""
        out = bytearray()
        for byte in data:
            if byte == 0x0D:
                out += self._answer(bytes(self._line))
                self._line.clear()
            elif byte != 0x0A and len(self._line) <= LONGEST_COMMAND:
                self._line.append(byte)
        return bytes(out)

    def report(self, frame: Frame) -> bytes:
        """The line for a frame that the adapter received, or for an error frame; empty if it tells nothing."""
        if frame.error:
            return self._report_error(frame) if self.reports else b""
        if frame.fd or not self.is_open:
            return b""
        letter = "r" if frame.remote else "t"
        head = f"{letter.upper()}{frame.can_id:08X}" if frame.extended else f"{letter}{frame.can_id:03X}"
        stamp = f"{frame.t_ns // 1_000_000 % STAMP_WRAP_MS:04X}" if self.stamps else ""
        return f"{head}{frame.dlc}{frame.data.hex().upper()}{stamp}\r".encode()

    # --- commands -----------------------------------------------------------------------------------

    def _answer(self, line: bytes) -> bytes:
        if not line:
            return CR
        text = line.decode("ascii", "replace")
        command = self._commands.get(text[0])
        answer = command(text[1:]) if command is not None else None
        if answer is None:
            self.refused += 1
            return BEL
        return answer + CR

    def _standard_rate(self, rest: str) -> bytes | None:
        if self.is_open or len(rest) != 1 or rest not in "012345678":
            return None
        self._channel.set_timing(Timing(BIT_RATES[int(rest)]))
        return b""

    def _registers(self, rest: str) -> bytes | None:
        if self.is_open or len(rest) != 4 or not _is_hex(rest):
            return None
        btr0, btr1 = int(rest[:2], 16), int(rest[2:], 16)
        before, after = (btr1 & 0x0F) + 1, (btr1 >> 4 & 0x07) + 1
        quanta = 1 + before + after
        rate = _REGISTER_CLOCK_HZ / ((btr0 & 0x3F) + 1) / quanta
        if not 1_000 <= rate <= 1_000_000 or quanta < 4:
            return None
        self._channel.set_timing(Timing(rate, (1 + before) / quanta, quanta, (btr0 >> 6) + 1))
        return b""

    def _open(self, rest: str, *, listen_only: bool) -> bytes | None:
        if self.is_open or rest:
            return None
        self.is_open, self.listen_only = True, listen_only
        self._channel.open_channel(listen_only=listen_only)
        return b""

    def _close(self, rest: str) -> bytes | None:
        if not self.is_open or rest:
            return None
        self.is_open = False
        self._channel.close_channel()
        return b""

    def _send(self, rest: str, *, extended: bool, remote: bool) -> bytes | None:
        frame = _frame(rest, extended=extended, remote=remote)
        if frame is None or not self.is_open or self.listen_only or not self._channel.send(frame):
            return None
        if not self.answers_sends:
            return b""
        return b"Z" if extended else b"z"

    def _flags(self, rest: str) -> bytes | None:
        return None if rest or not self.is_open else f"F{self._channel.flags():02X}".encode()

    def _time_stamps(self, rest: str) -> bytes | None:
        if self.is_open or rest not in ("0", "1"):
            return None
        self.stamps = rest == "1"
        return b""

    def _acceptance(self, rest: str) -> bytes | None:
        """Acceptance code and mask: taken, but without effect, as in adapters without hardware filters."""
        return b"" if not self.is_open and len(rest) == 8 and _is_hex(rest) else None

    # --- reports ------------------------------------------------------------------------------------

    def _report_error(self, frame: Frame) -> bytes:
        error_class, data = frame.can_id, frame.data
        out = ""
        if error_class & _CLASS_BUS_OFF:
            out = _state_line("b", 256, data[7])
        elif error_class & _CLASS_CONTROLLER and data[1] & ~_RX_OVERFLOW:
            letter = "p" if data[1] & 0x30 else "w" if data[1] & 0x0C else "a"
            out = _state_line(letter, data[6], data[7])
        letters = _error_letters(error_class, data)
        if letters:
            out += f"e{len(letters)}{letters}\r"
        return out.encode()


def _state_line(letter: str, tx: int, rx: int) -> str:
    return f"s{letter}{rx:03d}{tx:03d}\r"


def _error_letters(error_class: int, data: bytes) -> str:
    letters = "o" if error_class & _CLASS_CONTROLLER and data[1] & _RX_OVERFLOW else ""
    if error_class & _CLASS_ACK:
        letters += "a"
    if error_class & _CLASS_PROTOCOL:
        kinds = "".join(letter for bit, letter in _KINDS if data[2] & bit)
        if not kinds and data[3] == _IN_CRC:
            kinds = "c"
        letters += kinds
    return letters


def _frame(text: str, *, extended: bool, remote: bool) -> Frame | None:
    """The frame that a t, T, r or R command names; None if the text is none."""
    width = 8 if extended else 3
    if len(text) <= width or not _is_hex(text):
        return None
    can_id, dlc = int(text[:width], 16), int(text[width], 16)
    payload = text[width + 1 :]
    if can_id > (0x1FFF_FFFF if extended else 0x7FF) or dlc > 8:
        return None
    if len(payload) != (0 if remote else 2 * dlc):
        return None
    data = bytes.fromhex(payload)
    return Frame(can_id, data, extended, remote, remote_dlc=dlc if remote else 0)


def _is_hex(text: str) -> bool:
    return all(letter in string.hexdigits for letter in text)
