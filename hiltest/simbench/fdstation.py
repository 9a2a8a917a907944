"""How a controller that knows CAN FD reads such a frame, one bit at a time (ISO 11898-1:2015).

A `FdReader` takes over from `station.Station` at the recessive FDF bit and hands back at the CRC delimiter. The
dominant bit that a protocol exception asks for is not here: a recessive reserved bit is a form error.
"""

from __future__ import annotations

from hiltest.canbus.bitstream import frame_bits
from hiltest.canbus.frame import FD_LENGTHS, Frame

STANDARD_FDF_AT, EXTENDED_FDF_AT = 15, 34
_BEHIND_FDF = 7
"""res, BRS, ESI and the four bits of the data length."""


class FdReader:
    """Reads the bits behind FDF. `take` gives "" to go on, "stuff" or "form" for an error, "end" at the CRC delimiter.

    `fast` tells whether the next bits run at the data bit rate. At the end `crc_ok` says whether CRC and stuff count
    were right, and `frame` what was read.
    """

    def __init__(self, plain: list[int], last: int, run: int) -> None:
        self.extended = len(plain) == EXTENDED_FDF_AT
        self.fast = self.crc_ok = False
        self.frame: Frame | None = None
        self._plain, self._last, self._run = plain, last, run
        self._raw = _stuffed(plain)
        self._header = len(plain) + _BEHIND_FDF
        self._region = self._fixed_left = self._fixed_done = 0

    @property
    def in_crc(self) -> bool:
        """Are the bits to come those of stuff count and CRC?"""
        return self._fixed_left > 0

    def take(self, level: int) -> str:
        """The next bit of the frame, stuff bits included."""
        return self._take_fixed(level) if self._fixed_left else self._take_dynamic(level)

    def _take_dynamic(self, level: int) -> str:
        self._raw.append(level)
        if self._run == 5:
            if level == self._last:
                return "stuff"
            self._last, self._run = level, 1
            return ""
        self._run = self._run + 1 if level == self._last else 1
        self._last = level
        plain = self._plain
        plain.append(level)
        behind_fdf = len(plain) - (self._header - _BEHIND_FDF)
        if behind_fdf == 1 and level:
            return "form"
        if behind_fdf == 2:
            self.fast = bool(level)
        if len(plain) == self._header:
            self._region = self._header + 8 * FD_LENGTHS[_number(plain[-4:])]
        if len(plain) == self._region:
            data_bytes = FD_LENGTHS[_number(plain[self._header - 4 : self._header])]
            # Stuff count and CRC, with a fixed stuff bit before each four of their bits.
            self._fixed_left = 27 if data_bytes <= 16 else 32
        return ""

    def _take_fixed(self, level: int) -> str:
        if self._fixed_done % 5 == 0 and level == self._raw[-1]:
            return "form"
        self._raw.append(level)
        self._fixed_done += 1
        if self._fixed_done < self._fixed_left:
            return ""
        self.frame = self._read()
        sent = frame_bits(self.frame).bits
        self.crc_ok = list(sent[: len(self._raw)]) == self._raw
        return "end"

    def _read(self) -> Frame:
        plain, header = self._plain, self._header
        can_id = _number(plain[1:12])
        if self.extended:
            can_id = can_id << 18 | _number(plain[14:32])
        payload = plain[header : self._region]
        data = _number(payload).to_bytes(len(payload) // 8, "big") if payload else b""
        switch, error_state = bool(plain[header - 6]), bool(plain[header - 5])
        return Frame(can_id, data, self.extended, fd=True, bitrate_switch=switch, error_state=error_state)


def _number(bits: list[int]) -> int:
    value = 0
    for bit in bits:
        value = value << 1 | bit
    return value


def _stuffed(plain: list[int]) -> list[int]:
    """With the stuff bits that stood on the wire so far; one that is due comes with the next bit."""
    raw: list[int] = []
    last, run = -1, 0
    for bit in plain:
        if run == 5:
            last, run = 1 - last, 1
            raw.append(last)
        raw.append(bit)
        last, run = bit, run + 1 if bit == last else 1
    return raw
