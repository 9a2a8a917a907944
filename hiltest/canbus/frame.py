"""The frame that hiltest and the simulated bench pass around, and what an error frame says.

This module imports neither numpy nor python-can, so that loading it costs next to nothing.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from hiltest.errors import UsageError

if TYPE_CHECKING:
    import can

NS_PER_S = 1_000_000_000

STANDARD_ID_MAX = 0x7FF
EXTENDED_ID_MAX = 0x1FFF_FFFF

# One byte per frame in arrays (see framearrays.FrameArrays) and in the caches of this package.
FLAG_EXTENDED = 0x01
FLAG_REMOTE = 0x02
FLAG_ERROR = 0x04
FLAG_FD = 0x08
FLAG_BITRATE_SWITCH = 0x10
FLAG_ERROR_STATE = 0x20
FLAG_TX = 0x40
"""Set on a frame that this host sent (`is_rx` is False)."""

FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
"""Data bytes for each data length code of a CAN FD frame (ISO 11898-1)."""

_FD_DLC = {length: code for code, length in enumerate(FD_LENGTHS)}


class Frame(NamedTuple):
    """One frame as a host sees it. Immutable; cheap to make; nothing is checked until `check()`.

    Two frames are equal, and hash alike, if they carry the same content: time stamp and direction
    are left out. `t_ns` is bench time in nanoseconds at the end of the frame. An error frame has the
    error class of linux/can/error.h in `can_id` (without the flag 0x20000000) and 8 data bytes.
    A remote frame has no data; `remote_dlc` is the length it asks for.
    """

    can_id: int
    data: bytes = b""
    extended: bool = False
    remote: bool = False
    error: bool = False
    fd: bool = False
    bitrate_switch: bool = False
    t_ns: int = 0
    is_rx: bool = True
    remote_dlc: int = 0
    error_state: bool = False
    """The error state indicator (ESI) of a CAN FD frame: its sender is error passive."""

    @property
    def dlc(self) -> int:
        """The data length code, 0..15. For classic frames this is the number of bytes.

        Raises:
            UsageError: a CAN FD frame with a number of bytes that no code stands for.
        """
        if self.remote:
            return self.remote_dlc
        length = len(self.data)
        if length <= 8:
            return length
        try:
            return _FD_DLC[length]
        except KeyError:
            raise UsageError(
                f"{self!r} has {length} data bytes; CAN FD allows {', '.join(map(str, FD_LENGTHS))}: "
                "pad the data to the next of these"
            ) from None

    @property
    def flags(self) -> int:
        """The FLAG_ bits of this frame, as stored in arrays."""
        return (
            self.extended
            | self.remote << 1
            | self.error << 2
            | self.fd << 3
            | self.bitrate_switch << 4
            | self.error_state << 5
            | (not self.is_rx) << 6
        )

    def at(self, t_ns: int, is_rx: bool = True) -> Frame:
        """The same frame with another time stamp and direction."""
        return Frame(*self[:7], t_ns, is_rx, *self[9:])

    def check(self) -> Frame:
        """Return the frame itself if a bus could carry it.

        Raises:
            UsageError: says which field can't be, what it may be and what to do.
        """
        limit = EXTENDED_ID_MAX if self.extended or self.error else STANDARD_ID_MAX
        if not 0 <= self.can_id <= limit:
            kind = "extended" if self.extended else "standard"
            hint = "" if self.extended else "; set extended=True for a 29-bit identifier"
            raise UsageError(f"can_id=0x{self.can_id:X} is outside 0x0..0x{limit:X} of a {kind} frame{hint}")
        if self.fd and self.remote:
            raise UsageError(f"{self!r}: CAN FD has no remote frames; send it with fd=False")
        if self.bitrate_switch and not self.fd:
            raise UsageError(f"{self!r}: bitrate_switch needs fd=True")
        if self.remote and self.data:
            raise UsageError(f"{self!r}: a remote frame carries no data; put the length in remote_dlc")
        if not self.fd and (len(self.data) > 8 or not 0 <= self.remote_dlc <= 8):
            raise UsageError(f"{self!r}: a classic frame carries 0..8 bytes; split the data or set fd=True")
        if self.fd and len(self.data) not in FD_LENGTHS:
            _ = self.dlc  # raises, and says which lengths there are
        if self.error and len(self.data) != 8:
            raise UsageError(f"{self!r}: an error frame has 8 data bytes (linux/can/error.h)")
        return self

    def __eq__(self, other: object) -> bool:
        if other.__class__ is not Frame:
            return False  # NotImplemented would let the tuple compare itself
        return self[:7] == other[:7] and self[9:] == other[9:]

    def __ne__(self, other: object) -> bool:
        return not self.__eq__(other)

    def __hash__(self) -> int:
        return hash((self[:7], self[9:]))

    def __repr__(self) -> str:
        number = f"0x{self.can_id:08X}" if self.extended or self.error else f"0x{self.can_id:03X}"
        size = self.remote_dlc if self.remote else len(self.data)
        notes = "".join(
            text
            for text, on in (
                (" remote", self.remote),
                (" error", self.error),
                (" fd", self.fd),
                (" brs", self.bitrate_switch),
                (" esi", self.error_state),
            )
            if on
        )
        payload = f" {self.data.hex(' ').upper()}" if self.data else ""
        return f"{number} [{size}]{notes}{payload}"


def from_message(message: can.Message, epoch_s: float = 0.0) -> Frame:
    """The frame of a `can.Message`. `t_ns` is its time stamp less `epoch_s` (seconds)."""
    remote = message.is_remote_frame
    return Frame(
        message.arbitration_id,
        b"" if remote else bytes(message.data),
        message.is_extended_id and not message.is_error_frame,
        remote,
        message.is_error_frame,
        message.is_fd,
        message.bitrate_switch,
        round((message.timestamp - epoch_s) * NS_PER_S),
        message.is_rx,
        message.dlc if remote else 0,
        message.error_state_indicator,
    )


def to_message(frame: Frame, epoch_s: float = 0.0, channel: str | int | None = None) -> can.Message:
    """The `can.Message` of a frame. Its time stamp is `epoch_s` (seconds) plus the bench time."""
    from can import Message

    return Message(
        timestamp=epoch_s + frame.t_ns / NS_PER_S,
        arbitration_id=frame.can_id,
        is_extended_id=frame.extended,
        is_remote_frame=frame.remote,
        is_error_frame=frame.error,
        is_fd=frame.fd,
        bitrate_switch=frame.bitrate_switch,
        error_state_indicator=frame.error_state,
        is_rx=frame.is_rx,
        dlc=frame.remote_dlc if frame.remote else len(frame.data),
        data=None if frame.remote else frame.data,
        channel=channel,
    )


def arbitration_key(frame: Frame) -> int:
    """A number that sorts frames as the bus does: the smaller one wins.

    The bits sent during arbitration, most significant first (ISO 11898-1): 11 identifier bits,
    RTR or SRR, IDE, then 18 identifier bits and RTR. A standard frame so beats an extended one with
    the same 11 leading bits, and a data frame beats a remote frame of the same identifier.
    """
    can_id = frame.can_id
    if frame.extended:
        return (can_id >> 18) << 21 | 0x18_0000 | (can_id & 0x3_FFFF) << 1 | frame.remote
    return can_id << 21 | frame.remote << 20


# --- what an error frame says (linux/can/error.h) ---------------------------------------------------

ERR_TX_TIMEOUT = 0x001
ERR_LOST_ARBITRATION = 0x002
ERR_CONTROLLER = 0x004
ERR_PROTOCOL = 0x008
ERR_TRANSCEIVER = 0x010
ERR_ACK = 0x020
ERR_BUS_OFF = 0x040
ERR_BUS_ERROR = 0x080
ERR_RESTARTED = 0x100
ERR_COUNTERS = 0x200

CONTROLLER_RX_OVERFLOW = 0x01
CONTROLLER_TX_OVERFLOW = 0x02
CONTROLLER_RX_WARNING = 0x04
CONTROLLER_TX_WARNING = 0x08
CONTROLLER_RX_PASSIVE = 0x10
CONTROLLER_TX_PASSIVE = 0x20
CONTROLLER_ACTIVE = 0x40

PROTOCOL_BIT = 0x01
PROTOCOL_FORM = 0x02
PROTOCOL_STUFF = 0x04
PROTOCOL_BIT0 = 0x08
PROTOCOL_BIT1 = 0x10
PROTOCOL_OVERLOAD = 0x20
PROTOCOL_ACTIVE = 0x40
PROTOCOL_TX = 0x80

LOCATION_CRC_SEQUENCE = 0x08
LOCATION_ACK = 0x19

_PROTOCOL_KINDS = (
    (PROTOCOL_BIT, "bit"),
    (PROTOCOL_FORM, "form"),
    (PROTOCOL_STUFF, "stuff"),
    (PROTOCOL_BIT0, "bit0"),
    (PROTOCOL_BIT1, "bit1"),
    (PROTOCOL_OVERLOAD, "overload"),
)

LOCATIONS = {
    0x02: "identifier bits 28 to 21",
    0x03: "start of frame",
    0x04: "substitute remote request",
    0x05: "identifier extension bit",
    0x06: "identifier bits 20 to 18",
    0x07: "identifier bits 17 to 13",
    0x08: "CRC sequence",
    0x09: "reserved bit 0",
    0x0A: "data",
    0x0B: "data length code",
    0x0C: "remote request",
    0x0D: "reserved bit 1",
    0x0E: "identifier bits 4 to 0",
    0x0F: "identifier bits 12 to 5",
    0x12: "intermission",
    0x18: "CRC delimiter",
    0x19: "acknowledge slot",
    0x1A: "end of frame",
    0x1B: "acknowledge delimiter",
}
"""Where in the frame an error was seen: data[3] of an error frame."""

_CAN_H = {0x4: "CAN-H no wire", 0x5: "CAN-H short to battery", 0x6: "CAN-H short to supply"}
_CAN_H[0x7] = "CAN-H short to ground"
_CAN_L = {0x4: "CAN-L no wire", 0x5: "CAN-L short to battery", 0x6: "CAN-L short to supply"}
_CAN_L |= {0x7: "CAN-L short to ground", 0x8: "CAN-L short to CAN-H"}


class ErrorReport(NamedTuple):
    """An error frame in words.

    `kinds` holds what was seen, of: bit, bit0, bit1, stuff, form, crc, ack, overload, bus (an error of
    no stated kind), lost-arbitration, tx-timeout, rx-overflow, tx-overflow, transceiver, restarted.
    `state` is the controller state that the frame reports: active, warning, passive, bus-off or None.
    `tx_errors` and `rx_errors` are the controller's counters, None if the frame does not carry them.
    """

    kinds: tuple[str, ...]
    state: str | None
    location: str | None
    on_tx: bool
    tx_errors: int | None
    rx_errors: int | None
    transceiver: str | None
    lost_at_bit: int | None

    @property
    def is_bus_error(self) -> bool:
        """True if something went wrong on the wires (and not only in the host or the controller)."""
        return not BUS_ERROR_KINDS.isdisjoint(self.kinds)

    def __str__(self) -> str:
        words = [*self.kinds]
        if self.state:
            words.append(f"state {self.state}")
        if self.location:
            words.append(f"at {self.location}")
        if self.on_tx:
            words.append("while sending")
        if self.lost_at_bit is not None:
            words.append(f"bit {self.lost_at_bit}")
        if self.transceiver:
            words.append(self.transceiver)
        if self.tx_errors is not None:
            words.append(f"counters tx {self.tx_errors} rx {self.rx_errors}")
        return ", ".join(words) or "an error frame that says nothing"


BUS_ERROR_KINDS = frozenset({"bit", "bit0", "bit1", "stuff", "form", "crc", "ack", "bus"})
"""Kinds that stand for an error flag on the wires."""


def describe_error(frame: Frame) -> ErrorReport:
    """Decode the classes and data bytes of an error frame (linux/can/error.h).

    Raises:
        UsageError: `frame` is not an error frame.
    """
    if not frame.error:
        raise UsageError(f"{frame!r} is no error frame; ask its `error` field first")
    return _describe(frame.can_id, frame.data)


@lru_cache(maxsize=4096)  # a storm of errors says the same few things thousands of times
def _describe(error_class: int, data: bytes) -> ErrorReport:
    data = data.ljust(8, b"\0")
    transceiver = _transceiver_words(data[4]) if error_class & ERR_TRANSCEIVER else None
    counters = bool(error_class & ERR_COUNTERS) or (
        # Kernels before 6.0 filled data[6..7] in with a state report and had no flag to say so.
        bool(error_class & (ERR_CONTROLLER | ERR_BUS_ERROR)) and bool(data[6] or data[7])
    )
    in_protocol = error_class & ERR_PROTOCOL
    return ErrorReport(
        kinds=_kinds(error_class, data),
        state=_state(error_class, data[1]),
        location=LOCATIONS.get(data[3]) if in_protocol else None,
        on_tx=bool(in_protocol and data[2] & PROTOCOL_TX),
        tx_errors=data[6] if counters else None,
        rx_errors=data[7] if counters else None,
        transceiver=transceiver,
        lost_at_bit=data[0] if error_class & ERR_LOST_ARBITRATION and data[0] else None,
    )


def _kinds(error_class: int, data: bytes) -> tuple[str, ...]:
    kinds = []
    if error_class & ERR_PROTOCOL:
        kinds += [name for bit, name in _PROTOCOL_KINDS if data[2] & bit]
        if data[3] == LOCATION_CRC_SEQUENCE and not data[2] & PROTOCOL_TX:
            # The class has no bit for a CRC error: drivers say "bit" or nothing, and where.
            if "bit" in kinds:
                kinds.remove("bit")
                kinds.append("crc")
            elif not kinds:
                kinds.append("crc")
    if error_class & ERR_ACK or (error_class & ERR_PROTOCOL and not kinds and data[3] == LOCATION_ACK):
        kinds.append("ack")
    if error_class & (ERR_BUS_ERROR | ERR_PROTOCOL) and not kinds:
        kinds.append("bus")
    if error_class & ERR_LOST_ARBITRATION:
        kinds.append("lost-arbitration")
    if error_class & ERR_TX_TIMEOUT:
        kinds.append("tx-timeout")
    if error_class & ERR_CONTROLLER and data[1] & CONTROLLER_RX_OVERFLOW:
        kinds.append("rx-overflow")
    if error_class & ERR_CONTROLLER and data[1] & CONTROLLER_TX_OVERFLOW:
        kinds.append("tx-overflow")
    if error_class & ERR_TRANSCEIVER:
        kinds.append("transceiver")
    if error_class & ERR_RESTARTED:
        kinds.append("restarted")
    return tuple(kinds)


def _state(error_class: int, controller: int) -> str | None:
    if error_class & ERR_BUS_OFF:
        return "bus-off"
    if error_class & ERR_CONTROLLER:
        if controller & (CONTROLLER_RX_PASSIVE | CONTROLLER_TX_PASSIVE):
            return "passive"
        if controller & (CONTROLLER_RX_WARNING | CONTROLLER_TX_WARNING):
            return "warning"
        if controller & CONTROLLER_ACTIVE:
            return "active"
    return None


def _transceiver_words(code: int) -> str | None:
    words = [_CAN_H.get(code & 0x0F, ""), _CAN_L.get(code >> 4, "")]
    return ", ".join(word for word in words if word) or None
