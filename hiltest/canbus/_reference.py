"""Frames bit by bit, as slow and as plain as the standard reads.

Nothing in hiltest runs this: the tests hold every fast path against it, and the benches measure
against it. Sources: ISO 11898-1:2015 as told in Bosch, CAN with Flexible Data-Rate 1.0 (2012),
chapters 3 and 5; CAN in Automation, "CRC in CAN frames"; start values and stuff count of the ISO
form as used by public frame generators.
"""

from __future__ import annotations

from hiltest.canbus.frame import Frame

TAIL = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1]


def number_bits(value: int, width: int) -> list[int]:
    """`value` as `width` bits, most significant first."""
    return [value >> shift & 1 for shift in range(width - 1, -1, -1)]


def header_bits(frame: Frame) -> list[int]:
    """Start of frame to the end of the data field, without stuff bits."""
    bits = [0]
    if frame.extended:
        bits += number_bits(frame.can_id >> 18, 11)
        bits += [1, 1]
        bits += number_bits(frame.can_id & 0x3FFFF, 18)
        bits += [int(frame.remote)]
    else:
        bits += number_bits(frame.can_id, 11)
        bits += [int(frame.remote), 0]
    if frame.fd:
        bits += [1, 0, int(frame.bitrate_switch), int(frame.error_state)]
    elif frame.extended:
        bits += [0, 0]
    else:
        bits += [0]
    bits += number_bits(frame.dlc, 4)
    for byte in frame.data:
        bits += number_bits(byte, 8)
    return bits


def crc_of_bits(bits: list[int], width: int, polynomial: int, start: int = 0) -> int:
    """The CRC by shift register (Bosch, CAN FD 1.0, 3.2.1)."""
    register, mask = start, (1 << width) - 1
    for bit in bits:
        feedback = bit ^ register >> (width - 1)
        register = register << 1 & mask
        if feedback:
            register ^= polynomial
    return register


def stuffed(bits: list[int]) -> list[int]:
    """The bits with a complement after every five equal ones, the inserted bits counted."""
    out: list[int] = []
    last, run = -1, 0
    for bit in bits:
        out.append(bit)
        run = run + 1 if bit == last else 1
        last = bit
        if run == 5:
            last = 1 - bit
            out.append(last)
            run = 1
    return out


def classic_bits(frame: Frame) -> list[int]:
    """All bits of a classic frame."""
    bits = header_bits(frame)
    bits += number_bits(crc_of_bits(bits, 15, 0x4599), 15)
    return stuffed(bits) + TAIL


def fd_bits(frame: Frame) -> list[int]:
    """All bits of a CAN FD frame."""
    bits = header_bits(frame)
    out = [*stuffed(bits[:-1]), bits[-1]]  # no dynamic stuff bit after the last data bit
    count = (len(out) - len(bits)) % 8
    gray = number_bits(count ^ count >> 1, 3)
    stuff_count = [*gray, sum(gray) % 2]
    if len(frame.data) <= 16:
        crc = number_bits(crc_of_bits(out + stuff_count, 17, 0x1685B, 1 << 16), 17)
    else:
        crc = number_bits(crc_of_bits(out + stuff_count, 21, 0x102899, 1 << 20), 21)
    for index, bit in enumerate(stuff_count + crc):
        if index % 4 == 0:
            out.append(1 - out[-1])
        out.append(bit)
    return out + TAIL


def frame_bits(frame: Frame) -> list[int]:
    """All bits of a frame, start of frame to end of frame, nobody acknowledging."""
    return fd_bits(frame) if frame.fd else classic_bits(frame)


def length_bits(frame: Frame) -> int:
    """Bits on the wire with the 3 bits of intermission."""
    return len(frame_bits(frame)) + 3
