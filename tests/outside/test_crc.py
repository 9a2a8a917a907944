"""CRCs against catalogue values and crccheck."""

from __future__ import annotations

import random

import pytest
from crccheck.crc import Crc, Crc15Can, Crc17CanFd, Crc21CanFd

from hiltest.canbus import _reference
from hiltest.canbus._tables import (
    CRC15_POLYNOMIAL,
    CRC17_POLYNOMIAL,
    CRC21_POLYNOMIAL,
    crc_table,
)
from hiltest.canbus.bitstream import frame_bits
from hiltest.canbus.frame import FD_LENGTHS, Frame
from hiltest.canbus.frames import crc

CATALOGUE = (
    (15, CRC15_POLYNOMIAL, 0x059E, Crc15Can),
    (17, CRC17_POLYNOMIAL, 0x04F03, Crc17CanFd),
    (21, CRC21_POLYNOMIAL, 0x0ED841, Crc21CanFd),
)


def by_table(data: bytes, width: int, polynomial: int) -> int:
    table, register = crc_table(polynomial, width), 0
    for byte in data:
        register = table[register >> (width - 8) ^ byte] ^ (register << 8 & (1 << width) - 1)
    return register


@pytest.mark.parametrize(("width", "polynomial", "check", "theirs"), CATALOGUE)
def test_catalogue_check_words(width: int, polynomial: int, check: int, theirs: type) -> None:
    """CRC of "123456789" with start value 0: CRC catalogue as shipped by crccheck."""
    text = b"123456789"
    bits = _reference.number_bits(int.from_bytes(text, "big"), 72)

    assert by_table(text, width, polynomial) == check
    assert _reference.crc_of_bits(bits, width, polynomial) == check
    assert theirs.calc(text) == check


def test_generators_with_their_top_term() -> None:
    """CAN in Automation, "CRC in CAN frames", and Vector's e-learning page 369: 0xC599, 0x3685B, 0x302899.
    (The term list of the 17 bit polynomial on the former page lacks x^3; the hexadecimal value has it.)
    """
    assert 1 << 15 | CRC15_POLYNOMIAL == 0xC599
    assert 1 << 17 | CRC17_POLYNOMIAL == 0x3685B
    assert 1 << 21 | CRC21_POLYNOMIAL == 0x302899


def test_classic_frames_have_the_crc_of_crccheck() -> None:
    """Start of frame to the last data bit, zeros in front to whole bytes: the start value is 0."""
    rng = random.Random(1)
    for _ in range(500):
        extended = rng.random() < 0.5
        frame = Frame(rng.getrandbits(29 if extended else 11), rng.randbytes(rng.randrange(9)), extended)
        bits = _reference.header_bits(frame)
        number = int("".join(map(str, bits)), 2)

        assert crc(frame) == Crc15Can.calc(number.to_bytes((len(bits) + 7) // 8, "big"))


def test_the_crc_over_fields_and_crc_is_zero() -> None:
    """The residue of a remainder, by crccheck."""
    frame = Frame(0x123, bytes(range(8)))
    bits = _reference.header_bits(frame) + _reference.number_bits(crc(frame), 15)
    number = int("".join(map(str, bits)), 2)

    assert Crc15Can.calc(number.to_bytes((len(bits) + 7) // 8, "big")) == 0


def wound_back(register: int, steps: int, width: int, polynomial: int) -> int:
    """The register from which `steps` zero bits lead to this one: zeros in front then change nothing."""
    for _ in range(steps):
        if register & 1:
            register = (register ^ polynomial) >> 1 | 1 << (width - 1)
        else:
            register >>= 1
    return register


@pytest.mark.parametrize("size", FD_LENGTHS)
@pytest.mark.parametrize("extended", [False, True])
def test_can_fd_frames_have_the_crc_of_crccheck(size: int, extended: bool) -> None:
    """ISO 11898-1:2015 (start value with the top bit set: from memory, and as public frame generators have
    it): stuffed bits and stuff count, without fixed stuff bits; 17 bit up to 16 bytes, 21 above (Microchip,
    "ISO vs. Non-ISO CRC").
    """
    rng = random.Random(size)
    width = 17 if size <= 16 else 21
    polynomial = CRC17_POLYNOMIAL if width == 17 else CRC21_POLYNOMIAL
    for _ in range(20):
        frame = Frame(rng.getrandbits(29 if extended else 11), rng.randbytes(size), extended, fd=True)
        bits = frame_bits(frame)
        count = bits.field("stuff_count")
        covered = [*bits.bits[: count.start], *bits.bits[count.start + 1 : count.end]]
        start = wound_back(1 << (width - 1), -len(covered) % 8, width, polynomial)
        data = int("".join(map(str, covered)), 2).to_bytes((len(covered) + 7) // 8, "big")

        theirs = Crc(width, polynomial, start, False, False, 0).process(data).final()

        assert crc(frame) == theirs
