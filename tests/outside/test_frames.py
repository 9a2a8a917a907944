"""Frames on the wire against published frames, formulas and the Linux kernel's length table."""

from __future__ import annotations

import pytest

from hiltest.canbus import frames
from hiltest.canbus.batch import to_rows
from hiltest.canbus.frame import Frame
from hiltest.canbus.framearrays import frame_lengths
from hiltest.canbus.frames import decode_bits, frame_bits

# (frame, CRC-15, stuff bits, stuffed bits up to the CRC or their number, bits without intermission).
# The first row is published: Wikipedia, "CAN bus", figure "CAN-bus-frame-with-stuff-bit-and-correct-CRC".
# The others were computed three ways (shift register, long division, crccheck) outside this project.
WORKED = [
    (Frame(0x014, b"\x01"), 0x7753, 3, "000001001010000010001000001001111011101010011", 55),
    (
        Frame(0x123, bytes.fromhex("1122334455667788")), 0x4237, 1,
        "000100100011000100000101000100100010001100110100010001010101011001100111011110001000100001000110111",
        109,
    ),
    (Frame(0x000), 0x0000, 6, "0000010000010000010000010000010000010000", 50),
    (Frame(0x7FF), 0x272F, 3, "0111110111110100000100010011100101111", 47),
    (Frame(0x000, bytes(8)), 0x145B, 16, 114, 124),
    (Frame(0x555, b"\xaa" * 8), 0x7DCE, 1, 99, 109),
    (Frame(0x078, b"\x3c" * 8), 0x1921, 20, 118, 128),
    (Frame(0x701, b"\x00"), 0x5058, 4, "0111000001001000001010000010001010000011011000", 56),
    (
        Frame(0x000, b"\x01\x00"), 0x6197, 5, "0000010000010000010010000010001000001000110000110010111", 65,
    ),
    (Frame(0x7E5, bytes.fromhex("5100000000800000")), 0x697F, 12, 110, 120),
    (Frame(0x701, remote=True, remote_dlc=1), 0x79E0, 4, "01110000010011000001111101001111000001", 48),
    (
        Frame(0x12345678, bytes.fromhex("DEADBEEF"), True), 0x331B, 2,
        "0100100011011100010101100111100000100100110111101010110110111110011101111011001100011011", 98,
    ),
    (Frame(0x18DAF110, bytes.fromhex("0210010000000000"), True), 0x146B, 12, 130, 140),
]  # fmt: skip


@pytest.mark.parametrize(("frame", "crc", "stuff", "stuffed", "bits"), WORKED, ids=lambda v: str(v)[:40])
def test_worked_frames(frame: Frame, crc: int, stuff: int, stuffed: str | int, bits: int) -> None:
    """CRC, stuff bits, the string on the wire and its length."""
    wire = frame_bits(frame)
    region = "".join(map(str, wire.bits[: wire.field("crc").end]))

    assert frames.crc(frame) == crc
    assert frames.stuff_bit_count(frame) == stuff
    assert (region if isinstance(stuffed, str) else len(region)) == stuffed
    assert frames.length_bits(frame, intermission=False) == bits
    assert frames.length_bits(frame) == bits + 3
    assert decode_bits(wire.bits).frame == frame


def test_worked_frames_as_arrays() -> None:
    """The same rows through the array path."""
    rows = to_rows([row[0] for row in WORKED])

    found = frame_lengths(rows["can_id"], rows["flags"], rows["length"], rows["data"])

    assert found.crc.tolist() == [row[1] for row in WORKED]
    assert found.stuff_bits.tolist() == [row[2] for row in WORKED]
    assert found.bits.tolist() == [row[4] for row in WORKED]


def test_the_published_frame_in_full() -> None:
    """Wikipedia's figure: CRC and delimiter 1110111010100111, acknowledged, end of frame."""
    wire = frame_bits(Frame(0x014, b"\x01"), acknowledged=True)

    line = "".join(map(str, wire.bits))

    assert line == "000001001010000010001000001001111011101010011" + "1" + "01" + "1111111"
    crc = wire.field("crc")
    assert line[crc.start : crc.end + 1] == "1110111010100111"


def test_a_homework_string_is_read_with_its_stuff_bits_removed() -> None:
    """A public homework page decodes 000001001001000001110100000101111100111110001 without removing stuff
    bits. With them removed it starts with identifier 0x012, data frame, length code 6 and 81 F7.
    """
    text = "000001001001000001110100000101111100111110001"
    same_start = frame_bits(Frame(0x012, bytes.fromhex("81F700000000")))
    second_byte_end = 19 + 16 + 4  # header, two bytes, four stuff bits

    assert decode_bits(list(map(int, text))).error == "incomplete"
    assert "".join(map(str, same_start.bits[:second_byte_end])) == text[:second_byte_end]


@pytest.mark.parametrize("n", range(9))
def test_length_formulas(n: int) -> None:
    """Davis et al. 2007, formulas 1 to 3, as quoted in can-utils canframelen.h: g + 8n + 13 +
    floor((g + 8n - 1) / 4), g = 34 or 54; nominal 47 + 8n and 67 + 8n.
    """
    assert frames.worst_case_bits(n) == 34 + 8 * n + 13 + (34 + 8 * n - 1) // 4 == 55 + 10 * n
    assert frames.worst_case_bits(n, True) == 54 + 8 * n + 13 + (54 + 8 * n - 1) // 4 == 80 + 10 * n
    assert frames.nominal_bits(n) == 47 + 8 * n
    assert frames.nominal_bits(n, True) == 67 + 8 * n


@pytest.mark.parametrize(
    ("bitrate", "standard_us", "extended_us"),
    [(1_000_000, 135, 160), (500_000, 270, 320), (250_000, 540, 640), (125_000, 1080, 1280)],
)
def test_longest_frames_in_microseconds(bitrate: int, standard_us: int, extended_us: int) -> None:
    """A public lecture post, "CAN bandwidth and worst-case delay calculation" (2026), for 11 bit
    identifiers; 29 bit by the same formula.
    """
    assert frames.worst_case_bits(8) * 1e6 / bitrate == standard_us
    assert frames.worst_case_bits(8, True) * 1e6 / bitrate == extended_us


@pytest.mark.parametrize(
    ("n", "extended", "most", "least"),
    [
        (0, False, 21276.6, 18181.8),
        (8, False, 9009.0, 7407.4),
        (0, True, 14925.4, 12500.0),
        (8, True, 7633.6, 6250.0),
    ],
)
def test_frame_rates_at_1_mbit(n: int, extended: bool, most: float, least: float) -> None:
    """From the formulas above: unstuffed and worst-case frames a second."""
    assert 1e6 / frames.nominal_bits(n, extended) == pytest.approx(most, rel=1e-5)
    assert 1e6 / frames.worst_case_bits(n, extended) == pytest.approx(least, rel=1e-5)


def test_heavy_stuffing_stays_below_its_bound() -> None:
    """24 stuff bits are the bound of an 8-byte frame; 0x078 with 3C bytes comes to 20."""
    assert frames.worst_case_bits(8) - frames.nominal_bits(8) == 24
    assert frames.stuff_bit_count(Frame(0x078, b"\x3c" * 8)) == 20


def test_stuff_bits_count_themselves() -> None:
    """Bosch CAN FD 1.0, chapter 5: the inserted bit is the first of the next run."""
    wire = frame_bits(Frame(0x078))

    assert "".join(map(str, wire.bits[:12])) == "000001111100"
    assert wire.stuff_positions[:2] == (5, 10)


@pytest.mark.parametrize(
    ("extended", "size", "header", "crc_field"),
    [(False, 8, 22, 28), (False, 16, 22, 28), (False, 20, 22, 33), (True, 8, 41, 28), (True, 64, 41, 33)],
)
def test_can_fd_lengths_are_those_of_the_kernel(
    extended: bool, size: int, header: int, crc_field: int
) -> None:
    """Linux include/linux/can/length.h: headers of 22 and 41 bits, CRC fields of 28 and 33 with their fixed
    stuff bits and delimiter, 9 bits of footer, 3 of intermission.
    """
    assert frames.nominal_bits(size, extended, fd=True) == header + 8 * size + crc_field + 9 + 3


@pytest.mark.parametrize(
    ("count", "bits"),
    [(0, "0000"), (1, "0011"), (2, "0110"), (3, "0101"), (4, "1100"), (5, "1111"), (6, "1010"), (7, "1001")],
)
def test_stuff_counts_are_gray_coded_with_parity(count: int, bits: str) -> None:
    """ISO 11898-1:2015 as CAN in Automation tells it: modulo 8, Gray code, even parity."""
    # Each zero byte adds one or two stuff bits to a payload that has none.
    payloads = [bytes(zeros) + b"\x55" * (16 - zeros) for zeros in range(17)]
    frame = next(
        frame
        for frame in (Frame(i, payload, fd=True) for i in range(0, 0x800, 37) for payload in payloads)
        if frames.stuff_bit_count(frame) % 8 == count
    )
    wire = frame_bits(frame)
    field = wire.field("stuff_count")

    assert "".join(map(str, wire.bits[field.start + 1 : field.end])) == bits


def test_no_dynamic_stuff_bit_before_the_fixed_one() -> None:
    """ISO 11898-1:2015: a run of five at the end of the data is ended by the fixed stuff bit alone (as in
    public frame generators and controllers).
    """
    wire = frame_bits(Frame(0x555, b"\xaa\x5f", fd=True))  # ends with exactly five ones
    end = wire.field("data").end

    assert wire.bits[end - 5 : end + 1] == b"\1\1\1\1\1\0"
    assert wire.field("stuff_count").start == end
    assert max(wire.stuff_marks) < 22 + 16
    assert decode_bits(wire.bits).error is None


def test_fixed_stuff_bits_come_every_fifth_bit() -> None:
    """Bosch CAN FD 1.0, chapter 5: before the field and after each fourth bit, the inverse of the bit
    before.
    """
    wire = frame_bits(Frame(0x2AA, bytes(range(20)), fd=True))
    start, end = wire.field("stuff_count").start, wire.field("crc").end

    assert [i for i in wire.stuff_positions if i >= start] == list(range(start, end, 5))
    assert all(wire.bits[i] != wire.bits[i - 1] for i in range(start, end, 5))
