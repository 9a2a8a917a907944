"""Exact arithmetic of one frame: length, stuff bits, CRC, duration; best and worst lengths.

Classic frames of 11 and 29 bit identifiers (data and remote) and CAN FD frames as in
ISO 11898-1:2015. For many frames at a time see `framearrays`; the bits themselves are in `bitstream`,
whose `frame_bits` and `decode_bits` are also offered here.

A length counts from the start of frame to the end of the end-of-frame field; with
`intermission=True`, the default, the 3 bits that must follow are counted too: that is what a frame
costs on a busy bus.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

from hiltest.canbus._tables import CRC15, START_STATE, STATE, STUFFING, Row, crc15_tables, stuffing_transition
from hiltest.canbus.bitstream import BitString, Decoded, decode_bits, fd_stream, frame_bits
from hiltest.canbus.frame import EXTENDED_ID_MAX, FD_LENGTHS, NS_PER_S, STANDARD_ID_MAX, Frame
from hiltest.errors import UsageError

__all__ = [
    "ERROR_FRAME_BITS_MAX",
    "ERROR_FRAME_BITS_MIN",
    "INTERMISSION_BITS",
    "BitString",
    "Decoded",
    "FrameLength",
    "best_case_bits",
    "crc",
    "decode_bits",
    "duration_ns",
    "frame_bits",
    "frame_length",
    "length_bits",
    "nominal_bits",
    "stuff_bit_count",
    "worst_case_bits",
]

INTERMISSION_BITS = 3
TAIL_BITS = 10
"""CRC delimiter 1, acknowledge slot 1, acknowledge delimiter 1, end of frame 7."""
ERROR_FRAME_BITS_MIN = 14
"""Error flag 6 and error delimiter 8."""
ERROR_FRAME_BITS_MAX = 20
"""Superposed error flags of up to 12 bits and error delimiter 8 (ISO 11898-1; from memory)."""

# Traffic that repeats is found here; more entries make traffic that does not repeat slower.
_CACHED_FRAMES = 1 << 9
_CACHED_HEADERS = 1 << 12

# _CRC_k[byte] is the CRC of a byte with k more bytes behind it.
_CRC_1, _CRC_2, _CRC_3, _CRC_4, _CRC_5, _CRC_6, _CRC_7 = crc15_tables(7)


class FrameLength(NamedTuple):
    """`bits` from start of frame to end of frame, without intermission; `stuff_bits` of them are dynamic
    stuff bits; `fast_bits` of them last one bit of the data bit rate (0 without bit rate switch).
    """

    bits: int
    stuff_bits: int
    fast_bits: int


def length_bits(frame: Frame, intermission: bool = True) -> int:
    """Bits that this frame takes on the wire, stuff bits counted.

    Raises:
        UsageError: an error frame (it has no length of its own), or a frame no bus could carry.
    """
    can_id, data, extended, remote, error, fd = frame[:6]
    plain = not (fd or error or remote)
    bits = _data_bits(can_id, data, extended) if plain else frame_length(frame).bits
    return bits + INTERMISSION_BITS if intermission else bits


def frame_length(frame: Frame) -> FrameLength:
    """The length of this frame, told apart by stuff bits and bit rate.

    Raises:
        UsageError: an error frame, or a frame no bus could carry.
    """
    if frame.error:
        raise UsageError(
            f"{frame!r} is a report of the adapter and has no length of its own; an error frame takes "
            f"{ERROR_FRAME_BITS_MIN} to {ERROR_FRAME_BITS_MAX} bits and cuts another frame short"
        )
    if frame.fd:
        if frame.remote or len(frame.data) not in FD_LENGTHS:
            frame.check()
        can_id, data, extended, _, _, _, switch = frame[:7]
        return _fd_length(can_id, data, extended, switch, frame.error_state)
    count, _ = _classic(frame)
    plain = (64 if frame.extended else 44) + 8 * len(frame.data)
    return FrameLength(plain + count, count, 0)


def stuff_bit_count(frame: Frame) -> int:
    """Dynamic stuff bits in this frame (those of fixed place in a CAN FD CRC field are not counted)."""
    return frame_length(frame).stuff_bits


def crc(frame: Frame) -> int:
    """The CRC sequence of this frame: 15 bits, or 17 or 21 bits for CAN FD."""
    if frame.error:
        raise UsageError(f"{frame!r} is an error frame; it has no CRC")
    if frame.fd:
        return fd_stream(frame.check()).crc
    return _classic(frame)[1]


def duration_ns(
    frame: Frame, bitrate: int, data_bitrate: int | None = None, intermission: bool = True
) -> int:
    """Nanoseconds that this frame takes at `bitrate` (bit/s), rounded to the nearest.

    With a bit rate switch, the bits after BRS up to and including the CRC delimiter count at
    `data_bitrate`: the switch happens at the sample point of BRS and back at that of the CRC delimiter,
    so these two last, together, one bit of either rate wherever the sample points lie.
    """
    if bitrate <= 0 or (data_bitrate is not None and data_bitrate <= 0):
        raise UsageError(f"bitrate={bitrate!r}, data_bitrate={data_bitrate!r} must be above 0 bit/s")
    if not frame.bitrate_switch:
        return _rounded(length_bits(frame, intermission) * NS_PER_S, bitrate)
    if data_bitrate is None:
        raise UsageError(f"{frame!r} switches the bit rate: give data_bitrate in bit/s")
    bits, _, fast = frame_length(frame)
    slow = bits - fast + INTERMISSION_BITS * intermission
    return _rounded((slow * data_bitrate + fast * bitrate) * NS_PER_S, bitrate * data_bitrate)


def _rounded(numerator: int, denominator: int) -> int:
    return (2 * numerator + denominator) // (2 * denominator)


# --- classic frames ---------------------------------------------------------------------------------


@lru_cache(_CACHED_FRAMES)
def _data_bits(can_id: int, data: bytes, extended: bool) -> int:
    """Bits of a classic data frame, without intermission."""
    size = len(data)
    count, row, register = _header(can_id, extended, size)
    if size == 8:  # the most frequent length, spelled out: a third faster than the loops below
        b0, b1, b2, b3, b4, b5, b6, b7 = data
        register = (
            _CRC_7[register >> 7 ^ b0]
            ^ _CRC_6[register << 1 & 0xFF ^ b1]
            ^ _CRC_5[b2]
            ^ _CRC_4[b3]
            ^ _CRC_3[b4]
            ^ _CRC_2[b5]
            ^ _CRC_1[b6]
            ^ CRC15[b7]
        )
        i0, row = row[b0]
        i1, row = row[b1]
        i2, row = row[b2]
        i3, row = row[b3]
        i4, row = row[b4]
        i5, row = row[b5]
        i6, row = row[b6]
        i7, row = row[b7]
        count += i0 + i1 + i2 + i3 + i4 + i5 + i6 + i7
    else:
        for byte in data:
            register = CRC15[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
            inserted, row = row[byte]
            count += inserted
    # The last of 16 bits is the complement of the last CRC bit: it can't complete a run.
    inserted, row = row[register >> 7]
    count += inserted + row[register << 1 & 0xFF | ~register & 1][0]
    return (64 if extended else 44) + 8 * size + count  # type: ignore[no-any-return]


def _classic(frame: Frame) -> tuple[int, int]:
    """(stuff bits, CRC) of a classic frame."""
    if frame.remote:
        frame.check()
    count, row, register = _header(frame.can_id, frame.extended, frame.dlc, frame.remote)
    for byte in frame.data:
        inserted, row = row[byte]
        count += inserted
        register = CRC15[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
    inserted, row = row[register >> 7]
    return count + inserted + row[register << 1 & 0xFF | ~register & 1][0], register


@lru_cache(_CACHED_HEADERS)
def _header(can_id: int, extended: bool, dlc: int, remote: bool = False) -> tuple[int, Row, int]:
    """(stuff bits, row of the stuffing table, CRC register) after the data length code."""
    limit = EXTENDED_ID_MAX if extended else STANDARD_ID_MAX
    if not (0 <= can_id <= limit and 0 <= dlc <= 8):
        Frame(can_id, bytes(0 if remote else dlc), extended, remote, remote_dlc=dlc).check()
    if extended:
        header = (can_id >> 18) << 27 | 3 << 25 | (can_id & 0x3_FFFF) << 7 | remote << 6 | dlc
        width, octets = 6, 4
    else:
        header = can_id << 7 | remote << 6 | dlc
        width, octets = 2, 2
    start = header >> 8 * octets
    count, state = stuffing_transition(START_STATE, start, width)
    row, register = STUFFING[state], CRC15[start]
    for byte in (header & ((1 << 8 * octets) - 1)).to_bytes(octets, "big"):
        inserted, row = row[byte]
        count += inserted
        register = CRC15[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
    return count, row, register


@lru_cache(_CACHED_FRAMES)
def _fd_length(can_id: int, data: bytes, extended: bool, switch: bool, error_state: bool) -> FrameLength:
    size = len(data)
    count, row, before_switch = _fd_header(can_id, extended, switch, error_state, size)
    for byte in data:
        inserted, row = row[byte]
        count += inserted
    # The fixed stuff bit takes the place of a dynamic one after the last bit, which the table counted
    # if its state does not end with that bit.
    last = data[-1] if data else 0
    count -= (last ^ row[STATE]) & 1
    bits = _fd_region_bits(size, extended) + _fd_crc_field_bits(size) + TAIL_BITS + count
    # Slow are the bits up to and including BRS and the 9 behind the CRC delimiter.
    fast = bits - (36 if extended else 17) - before_switch - 9 if switch else 0
    return FrameLength(bits, count, fast)


@lru_cache(_CACHED_HEADERS)
def _fd_header(
    can_id: int, extended: bool, switch: bool, error_state: bool, size: int
) -> tuple[int, Row, int]:
    """(stuff bits, row of the stuffing table, stuff bits in front of BRS) after the data length code."""
    if not 0 <= can_id <= (EXTENDED_ID_MAX if extended else STANDARD_ID_MAX):
        Frame(can_id, b"", extended, fd=True).check()
    control = switch << 5 | error_state << 4 | FD_LENGTHS.index(size)
    # Identifier to reserved bit, without start of frame; FDF is the recessive bit.
    if extended:
        front, width = ((can_id >> 18) << 20 | 3 << 18 | can_id & 0x3_FFFF) << 3 | 2, 34
    else:
        front, width = can_id << 4 | 2, 15
    before_switch, state = stuffing_transition(START_STATE, front, width)
    count, state = stuffing_transition(state, control, 6)
    return before_switch + count, STUFFING[state], before_switch


# --- lengths without knowing the content ------------------------------------------------------------


def nominal_bits(
    data_length: int,
    extended: bool = False,
    *,
    remote: bool = False,
    fd: bool = False,
    intermission: bool = True,
) -> int:
    """Bits of a frame with `data_length` bytes if it had no dynamic stuff bit.

    Classic with intermission: 47 + 8 n, or 67 + 8 n for 29 bit identifiers. `data_length` is the
    requested length for a remote frame, which carries none.
    """
    _check_length(data_length, remote, fd)
    tail = TAIL_BITS + INTERMISSION_BITS * intermission
    if fd:
        return _fd_region_bits(data_length, extended) + _fd_crc_field_bits(data_length) + tail
    return _classic_region_bits(data_length, extended, remote) + tail


def worst_case_bits(
    data_length: int,
    extended: bool = False,
    *,
    remote: bool = False,
    fd: bool = False,
    intermission: bool = True,
) -> int:
    """Most bits that a frame with `data_length` bytes can take.

    Classic: g + 8 n + 13 + floor((g + 8 n - 1) / 4) with g = 34, or 54 for 29 bit identifiers; that is
    55 + 10 n or 80 + 10 n (Davis, Burns, Bril, Lukkien, Real-Time Systems 35, 2007, formulas 1 to 3).
    In CAN FD no dynamic stuff bit follows the last data bit.
    """
    _check_length(data_length, remote, fd)
    if fd:
        stuff = (_fd_region_bits(data_length, extended) - 2) // 4
    else:
        stuff = (_classic_region_bits(data_length, extended, remote) - 1) // 4
    return nominal_bits(data_length, extended, remote=remote, fd=fd, intermission=intermission) + stuff


def best_case_bits(
    data_length: int, extended: bool = False, *, remote: bool = False, intermission: bool = True
) -> int:
    """Fewest bits that a classic frame with `data_length` bytes can take.

    The control field is dominant up to the first one in the data length code: with RTR of a data frame
    that run is 5 bits or longer for up to 3 bytes, which forces a stuff bit whatever the identifier.
    """
    _check_length(data_length, remote, fd=False)
    leading = 4 - data_length.bit_length()
    dominant_run = 2 + leading + (not remote)
    return nominal_bits(data_length, extended, remote=remote, intermission=intermission) + (dominant_run >= 5)


def _check_length(data_length: int, remote: bool, fd: bool) -> None:
    if fd and remote:
        raise UsageError("fd=True, remote=True: CAN FD has no remote frames")
    allowed = FD_LENGTHS if fd else tuple(range(9))
    if data_length not in allowed:
        raise UsageError(
            f"data_length={data_length!r} must be one of {', '.join(map(str, allowed))} "
            f"for a {'CAN FD' if fd else 'classic'} frame"
        )


def _classic_region_bits(data_length: int, extended: bool, remote: bool) -> int:
    """Bits subject to stuffing: start of frame to the end of the CRC sequence."""
    return (54 if extended else 34) + (0 if remote else 8 * data_length)


def _fd_region_bits(data_length: int, extended: bool) -> int:
    """Bits subject to dynamic stuffing: start of frame to the last data bit."""
    return (41 if extended else 22) + 8 * data_length


def _fd_crc_field_bits(data_length: int) -> int:
    """Stuff count 4, CRC 17 or 21, and the stuff bits of fixed place: 27 or 32."""
    return 27 if data_length <= 16 else 32
