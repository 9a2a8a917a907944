"""The bits of a frame as they stand on the wire, and a receiver that reads them.

`frame_bits` says which bits a transmitter sends and where each field lies, so that a disturbance can
be put at a bit. `decode_bits` is a receiver: it removes stuff bits, checks form, CRC and stuff count
(ISO 11898-1:2015) and says at which bit it would have seen the error.

A bit is 0 (dominant) or 1 (recessive). A stuff bit belongs to the field of the bit before it; the
stuff bits of fixed place in a CAN FD frame stand before the four bits that they belong to.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import NamedTuple

from hiltest.canbus._tables import CRC15, CRC17, CRC17_POLYNOMIAL, CRC21, CRC21_POLYNOMIAL
from hiltest.canbus.frame import FD_LENGTHS, Frame
from hiltest.errors import UsageError

_RUN = re.compile("0{5}|1{5}")
_RAW_RUN = re.compile(b"\x00{5}|\x01{5}")
_TO_BITS = bytes(byte & 1 for byte in range(256))  # ASCII "0" and "1" to 0 and 1
_TO_TEXT = b"01" + bytes(254)
_COMPLEMENT = {"0": "1", "1": "0"}

_GRAY_WITH_PARITY = tuple((gray := count ^ count >> 1) << 1 | gray.bit_count() & 1 for count in range(8))
"""Stuff bits modulo 8, Gray coded, and an even parity bit (ISO 11898-1:2015)."""

_STANDARD_LAYOUT = (("sof", 1), ("id", 11), ("rtr", 1), ("ide", 1), ("r0", 1), ("dlc", 4))
_EXTENDED_LAYOUT = (
    ("sof", 1),
    ("id", 11),
    ("srr", 1),
    ("ide", 1),
    ("id_extension", 18),
    ("rtr", 1),
    ("r1", 1),
    ("r0", 1),
    ("dlc", 4),
)
_FD_CONTROL = (("fdf", 1), ("res", 1), ("brs", 1), ("esi", 1), ("dlc", 4))
_FD_STANDARD_LAYOUT = (("sof", 1), ("id", 11), ("rrs", 1), ("ide", 1), *_FD_CONTROL)
_FD_EXTENDED_LAYOUT = (*_EXTENDED_LAYOUT[:5], ("rrs", 1), *_FD_CONTROL)
_TAIL_LAYOUT = (("crc_delimiter", 1), ("ack", 1), ("ack_delimiter", 1), ("eof", 7))

EOF_BITS = 7


class Field(NamedTuple):
    """A field of a frame on the wire: bits `start` up to, not including, `end`."""

    name: str
    start: int
    end: int


class BitString:
    """The bits of one frame. `bits[i]` is 0 or 1; index 0 is the start of frame.

    `stuff_positions` holds the index of every stuff bit. `fast_start` and `fast_end` bound the bits that
    count at the data bit rate (both 0 without a bit rate switch).
    """

    __slots__ = ("_fields", "bits", "fast_end", "fast_start", "frame", "stuff_marks", "stuff_positions")

    def __init__(
        self, frame: Frame, bits: bytes, stuff_marks: tuple[int, ...], fixed: tuple[int, ...]
    ) -> None:
        self.frame = frame
        self.bits = bits
        self.stuff_marks = stuff_marks
        self.stuff_positions = (*(mark + i for i, mark in enumerate(stuff_marks)), *fixed)
        self._fields: tuple[Field, ...] | None = None
        self.fast_start = self.fast_end = 0
        if frame.bitrate_switch:
            self.fast_start = self.field("brs").start + 1
            self.fast_end = self.field("crc_delimiter").end

    def __len__(self) -> int:
        return len(self.bits)

    def __getitem__(self, index: int) -> int:
        return self.bits[index]

    @property
    def fields(self) -> tuple[Field, ...]:
        """Every field in order, in positions of `bits`."""
        if self._fields is None:
            self._fields = tuple(self._make_fields())
        return self._fields

    def field(self, name: str) -> Field:
        """The field of this name.

        Raises:
            UsageError: this frame has no such field; lists those it has.
        """
        for field in self.fields:
            if field.name == name:
                return field
        names = ", ".join(field.name for field in self.fields)
        raise UsageError(f"{self.frame!r} has no field {name!r}; it has {names}")

    def field_at(self, index: int) -> str:
        """The name of the field that bit `index` belongs to."""
        for name, start, end in self.fields:
            if start <= index < end:
                return name
        raise UsageError(f"bit {index} lies outside the {len(self.bits)} bits of {self.frame!r}")

    @property
    def arbitration_end(self) -> int:
        """Index of the first bit after arbitration: a bit sent recessive and seen dominant before it is a
        lost arbitration and no error.
        """
        names = ("rrs", "rtr") if self.frame.fd else ("rtr",)
        return next(field.end for field in self.fields if field.name in names)

    def _make_fields(self) -> list[Field]:
        frame, marks = self.frame, self.stuff_marks
        layout = [*_layout(frame)]
        if frame.data:
            layout.append(("data", 8 * len(frame.data)))
        if not frame.fd:
            layout.append(("crc", 15))
        fields, plain, start = [], 0, 0
        for name, width in layout:
            plain += width
            end = plain + bisect_right(marks, plain)
            fields.append(Field(name, start, end))
            start = end
        tail = (("stuff_count", 5), ("crc", _fd_crc_bits(frame)), *_TAIL_LAYOUT) if frame.fd else _TAIL_LAYOUT
        for name, width in tail:
            fields.append(Field(name, start, start + width))
            start += width
        return fields


def _layout(frame: Frame) -> tuple[tuple[str, int], ...]:
    if frame.fd:
        return _FD_EXTENDED_LAYOUT if frame.extended else _FD_STANDARD_LAYOUT
    return _EXTENDED_LAYOUT if frame.extended else _STANDARD_LAYOUT


def _fd_crc_bits(frame: Frame) -> int:
    """CRC sequence with its fixed stuff bits (without stuff count)."""
    return 22 if len(frame.data) <= 16 else 27


def frame_bits(frame: Frame, acknowledged: bool = False) -> BitString:
    """The bits of a frame from start of frame to end of frame, as its transmitter sends them.

    With `acknowledged` the acknowledge slot is dominant: what is on the wire when somebody listens.

    Raises:
        UsageError: an error frame, or a frame no bus could carry.
    """
    frame.check()
    if frame.error:
        raise UsageError(f"{frame!r} is a report of the adapter; it has no bits of its own")
    if frame.fd:
        stream = fd_stream(frame, acknowledged)
        return BitString(frame, stream.text.encode().translate(_TO_BITS), stream.stuff_marks, stream.fixed)
    plain = _classic_header_text(frame)
    if frame.data:
        plain += f"{int.from_bytes(frame.data, 'big'):0{8 * len(frame.data)}b}"
    plain += f"{_crc15_of_text(plain):015b}"
    marks = _stuff_marks(plain)
    text = _insert(plain, marks) + ("1011111111" if acknowledged else "1111111111")
    return BitString(frame, text.encode().translate(_TO_BITS), marks, ())


def _classic_header_text(frame: Frame) -> str:
    can_id = frame.can_id
    if frame.extended:
        return f"0{can_id >> 18:011b}11{can_id & 0x3FFFF:018b}{frame.remote:b}00{frame.dlc:04b}"
    return f"0{can_id:011b}{frame.remote:b}00{frame.dlc:04b}"


def _fd_header_text(frame: Frame) -> str:
    can_id = frame.can_id
    control = f"10{frame.bitrate_switch:b}{frame.error_state:b}{frame.dlc:04b}"
    if frame.extended:
        return f"0{can_id >> 18:011b}11{can_id & 0x3FFFF:018b}0{control}"
    return f"0{can_id:011b}00{control}"


def _stuff_marks(plain: str) -> tuple[int, ...]:
    """Counts of plain bits after which a stuff bit follows."""
    marks = []
    search = _RUN.search
    found = search(plain)
    while found is not None:
        end = found.end()
        value = plain[end - 1]
        marks.append(end)
        # A stuff bit is the first of the next run: four more of its value make a stuff bit again.
        while plain.startswith("1111" if value == "0" else "0000", end):
            value = _COMPLEMENT[value]
            end += 4
            marks.append(end)
        found = search(plain, end)
    return tuple(marks)


def _insert(plain: str, marks: Sequence[int]) -> str:
    if not marks:
        return plain
    pieces, start = [], 0
    for mark in marks:
        pieces.append(plain[start:mark])
        pieces.append(_COMPLEMENT[plain[mark - 1]])
        start = mark
    pieces.append(plain[start:])
    return "".join(pieces)


def _crc15_of_text(plain: str) -> int:
    register = 0
    # The register starts at 0, so zeros in front, to fill whole bytes, change nothing.
    for byte in int(plain, 2).to_bytes((len(plain) + 7) // 8, "big"):
        register = CRC15[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
    return register


# --- CAN FD -----------------------------------------------------------------------------------------


class FdStream(NamedTuple):
    """A CAN FD frame as text of "0" and "1", with what was counted on the way."""

    text: str
    stuff_marks: tuple[int, ...]
    fixed: tuple[int, ...]
    crc: int
    fast_bits: int


def fd_stream(frame: Frame, acknowledged: bool = False) -> FdStream:
    """Encode a CAN FD frame (ISO 11898-1:2015). The frame must have passed `check()`."""
    plain = _fd_header_text(frame)
    if frame.data:
        plain += f"{int.from_bytes(frame.data, 'big'):0{8 * len(frame.data)}b}"
    # The fixed stuff bit that follows takes the place of a dynamic one after the last data bit.
    marks = tuple(mark for mark in _stuff_marks(plain) if mark < len(plain))
    text = _insert(plain, marks)
    stuff_count = f"{_GRAY_WITH_PARITY[len(marks) & 7]:04b}"
    width = 17 if len(frame.data) <= 16 else 21
    register = _fd_crc_of_text(text + stuff_count, width)
    region_end = len(text)
    field, fixed = _with_fixed_stuff_bits(text[-1], f"{stuff_count}{register:0{width}b}")
    text += field + ("1011111111" if acknowledged else "1111111111")
    fast_bits = 0
    if frame.bitrate_switch:
        brs = 35 if frame.extended else 16
        fast_bits = region_end + len(field) + 1 - (brs + bisect_right(marks, brs) + 1)
    return FdStream(text, marks, tuple(region_end + i for i in fixed), register, fast_bits)


def _with_fixed_stuff_bits(before: str, bits: str) -> tuple[str, tuple[int, ...]]:
    pieces: list[str] = []
    fixed: list[int] = []
    for start in range(0, len(bits), 4):
        fixed.append(start + len(fixed))
        pieces += [_COMPLEMENT[before], bits[start : start + 4]]
        before = pieces[-1][-1]
    return "".join(pieces), tuple(fixed)


def _fd_crc_of_text(text: str, width: int) -> int:
    """CRC-17 or CRC-21 with the start value of ISO 11898-1:2015 (a one in the top bit)."""
    table, polynomial = (CRC17, CRC17_POLYNOMIAL) if width == 17 else (CRC21, CRC21_POLYNOMIAL)
    mask, shift = (1 << width) - 1, width - 8
    register = 1 << (width - 1)
    whole = len(text) & ~7
    for byte in int(text[:whole], 2).to_bytes(whole >> 3, "big"):
        register = table[register >> shift ^ byte] ^ (register << 8 & mask)
    for bit in text[whole:]:
        feedback = register >> (width - 1) ^ (bit == "1")
        register = register << 1 & mask
        if feedback:
            register ^= polynomial
    return register


# --- the receiver -----------------------------------------------------------------------------------


class Decoded(NamedTuple):
    """What a receiver makes of a row of bits.

    `frame` is None if there was an error. `error` is then one of: stuff, form, crc, incomplete (the bits
    ended before the frame), no-start (the first bit is recessive). `at` is the index of the bit whose
    sample makes the error known; the receiver's error flag starts at the next bit. (A CRC error is
    signalled after the acknowledge delimiter.) Without error `at` is the index of the last bit.
    `crc_ok` says whether this receiver acknowledges; `acknowledged` whether the slot was dominant.
    `overload`: the last bit of the end of frame was dominant, which a receiver takes for the start of an
    overload frame.
    """

    frame: Frame | None
    error: str | None
    at: int
    crc_ok: bool = False
    acknowledged: bool = False
    overload: bool = False


def decode_bits(bits: Sequence[int], fd_enabled: bool = True) -> Decoded:
    """Read a frame as a receiver does. `bits` are 0 or 1 from the start of frame on.

    Recessive or dominant reserved bits and substitute remote requests are both taken. With
    `fd_enabled` False the receiver knows classic frames only: it takes FDF for a reserved bit and runs
    into an error later, as old controllers do. Bits behind the end of frame are ignored.
    """
    raw = bits if isinstance(bits, bytes) else bytes(bits)
    if not raw:
        return Decoded(None, "incomplete", 0)
    if raw[0]:
        return Decoded(None, "no-start", 0)
    plain, marks, violation = _destuff(raw)
    header = _read_header(plain, fd_enabled)
    if header is None:
        return _cut_short(raw, violation)
    if header.bad_res_at is not None:
        return Decoded(None, "form", _raw_index(header.bad_res_at, marks))
    region = header.width + 8 * header.data_bytes + (0 if header.fd else 15)
    if len(plain) < region:
        return _cut_short(raw, violation)
    return (_read_fd if header.fd else _read_classic)(raw, plain, marks, violation, header, region)


class _Header(NamedTuple):
    can_id: int
    extended: bool
    remote: bool
    fd: bool
    bitrate_switch: bool
    error_state: bool
    dlc: int
    width: int
    data_bytes: int
    bad_res_at: int | None = None


def _destuff(raw: bytes) -> tuple[bytes, list[int], int | None]:
    """(plain bits, counts of plain bits before each stuff bit, index of the sixth equal bit if any)."""
    pieces: list[bytes] = []
    marks: list[int] = []
    start = 0
    found = _RAW_RUN.search(raw)
    while found is not None:
        end = found.end()
        pieces.append(raw[start:end])
        start = end + 1
        if end == len(raw):
            break
        if raw[end] == raw[end - 1]:
            return b"".join(pieces), marks, end
        marks.append(end - len(marks))
        # The search goes on at the stuff bit: it counts as the first of the next run.
        found = _RAW_RUN.search(raw, end)
    pieces.append(raw[start:])
    return b"".join(pieces), marks, None


def _raw_index(plain_index: int, marks: Sequence[int]) -> int:
    return plain_index + bisect_right(marks, plain_index)


def _cut_short(raw: bytes, violation: int | None) -> Decoded:
    if violation is None:
        return Decoded(None, "incomplete", len(raw))
    return Decoded(None, "stuff", violation)


def _number(plain: bytes, start: int, end: int) -> int:
    value = 0
    for bit in plain[start:end]:
        value = value << 1 | bit
    return value


def _read_header(plain: bytes, fd_enabled: bool) -> _Header | None:
    """The header if it is complete, else None."""
    if len(plain) < 15:
        return None
    extended = bool(plain[13])
    # Where RTR or RRS stands; r1, r0 (or IDE, FDF) follow.
    rtr_at = 32 if extended else 12
    fdf_at = 33 if extended else 14
    if len(plain) <= fdf_at:
        return None
    fd = fd_enabled and bool(plain[fdf_at])
    dlc_at = fdf_at + (4 if fd else 2 if extended else 1)
    if fd and len(plain) > fdf_at + 1 and plain[fdf_at + 1]:
        return _Header(0, extended, False, True, False, False, 0, 0, 0, bad_res_at=fdf_at + 1)
    width = dlc_at + 4
    if len(plain) < width:
        return None
    can_id = _number(plain, 1, 12)
    if extended:
        can_id = can_id << 18 | _number(plain, 14, 32)
    dlc = _number(plain, dlc_at, width)
    remote = not fd and bool(plain[rtr_at])
    data_bytes = FD_LENGTHS[dlc] if fd else 0 if remote else min(dlc, 8)
    brs = fd and bool(plain[fdf_at + 2])
    esi = fd and bool(plain[fdf_at + 3])
    return _Header(can_id, extended, remote, fd, brs, esi, dlc, width, data_bytes)


def _read_classic(
    raw: bytes, plain: bytes, marks: list[int], violation: int | None, header: _Header, region: int
) -> Decoded:
    end = region + bisect_left(marks, region)
    if violation == end:
        return Decoded(None, "stuff", end)
    # A run that ends with the last CRC bit is still followed by a stuff bit.
    end += region in marks
    crc_ok = _crc15_of_plain(plain[: region - 15]) == _number(plain, region - 15, region)
    return _read_tail(raw, plain, header, end, crc_ok)


def _crc15_of_plain(plain: bytes) -> int:
    register = 0
    for byte in _packed(plain):
        register = CRC15[register >> 7 ^ byte] ^ (register << 8 & 0x7FFF)
    return register


def _packed(plain: bytes) -> bytes:
    """The bits as whole bytes, zeros in front."""
    return int(plain.translate(_TO_TEXT), 2).to_bytes((len(plain) + 7) // 8, "big")


def _read_fd(
    raw: bytes, plain: bytes, marks: list[int], violation: int | None, header: _Header, region: int
) -> Decoded:
    stuff_bits = bisect_left(marks, region)
    at = end = region + stuff_bits
    width = 17 if header.data_bytes <= 16 else 21
    field = b""
    while len(field) < 4 + width:
        if at >= len(raw):
            return Decoded(None, "incomplete", len(raw))
        if raw[at] == raw[at - 1]:
            return Decoded(None, "form", at)  # ISO 16845, test 7.2.8: a wrong fixed stuff bit
        size = min(4, 4 + width - len(field))
        field += raw[at + 1 : at + 1 + size]
        at += 1 + size
    text = raw[:end].translate(_TO_TEXT).decode() + field[:4].translate(_TO_TEXT).decode()
    crc_ok = (
        len(field) == 4 + width
        and _number(field, 0, 4) == _GRAY_WITH_PARITY[stuff_bits & 7]
        and _number(field, 4, 4 + width) == _fd_crc_of_text(text, width)
    )
    return _read_tail(raw, plain, header, at, crc_ok)


def _read_tail(raw: bytes, plain: bytes, header: _Header, end: int, crc_ok: bool) -> Decoded:
    """CRC delimiter, acknowledge field and end of frame, from index `end` on."""
    tail = raw[end : end + 3 + EOF_BITS]
    if tail[:1] == b"\0":
        return Decoded(None, "form", end, crc_ok)
    if len(tail) < 3:
        return Decoded(None, "incomplete", len(raw), crc_ok)
    acknowledged = not tail[1]
    if not crc_ok:
        return Decoded(None, "crc", end + 2, False, acknowledged)
    # The last bit of the end of frame is no concern of a receiver: dominant there is an overload.
    wrong = tail.find(b"\0", 2, 3 + EOF_BITS - 1)
    if wrong >= 0:
        return Decoded(None, "form", end + wrong, True, acknowledged)
    if len(tail) < 3 + EOF_BITS:
        return Decoded(None, "incomplete", len(raw), True, acknowledged)
    return Decoded(_frame_of(plain, header), None, end + 2 + EOF_BITS, True, acknowledged, not tail[-1])


def _frame_of(plain: bytes, header: _Header) -> Frame:
    size = header.data_bytes
    data = _packed(plain[header.width : header.width + 8 * size]) if size else b""
    return Frame(
        header.can_id,
        data,
        header.extended,
        header.remote,
        fd=header.fd,
        bitrate_switch=header.bitrate_switch,
        remote_dlc=header.dlc if header.remote else 0,
        error_state=header.error_state,
    )
