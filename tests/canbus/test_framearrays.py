from __future__ import annotations

import numpy as np
import pytest

from hiltest.canbus import frames
from hiltest.canbus.batch import FD_FRAME_DTYPE, to_rows
from hiltest.canbus.frame import FLAG_BITRATE_SWITCH, FLAG_EXTENDED, FLAG_FD, FLAG_REMOTE, Frame
from hiltest.canbus.framearrays import crcs, durations_ns, frame_lengths, lengths_bits
from hiltest.errors import UsageError

from .traffic import mixed


def columns(some: list[Frame]) -> tuple[np.ndarray, ...]:
    rows = to_rows(some, FD_FRAME_DTYPE)
    return rows["can_id"], rows["flags"], rows["length"], rows["data"]


@pytest.fixture(scope="module")
def many() -> list[Frame]:
    """Every kind and length, errors among them, more than one block of the commonest."""
    return mixed(30_000, seed=2, errors=True)


def test_arrays_give_what_single_frames_give(many: list[Frame]) -> None:
    """Length, stuff bits, fast bits and CRC of each of 30,000 mixed frames."""
    found = frame_lengths(*columns(many))

    for index, frame in enumerate(many):
        row = tuple(int(column[index]) for column in found)
        if frame.error:
            assert row == (0, 0, 0, 0)
        else:
            assert row == (*frames.frame_length(frame), frames.crc(frame)), frame


def test_lengths_and_crcs_alone_give_the_same(many: list[Frame]) -> None:
    """The shorter calls are shorter and no different."""
    found = frame_lengths(*columns(many))
    gaps = np.array([0 if frame.error else 3 for frame in many])

    assert np.array_equal(lengths_bits(*columns(many)), found.bits + gaps)
    assert np.array_equal(lengths_bits(*columns(many), intermission=False), found.bits)
    assert np.array_equal(crcs(*columns(many)), found.crc)


def test_durations_give_what_single_frames_give(many: list[Frame]) -> None:
    """At a pair of rates, and at a rate that divides no second."""
    plain = [frame for frame in many if not frame.error]
    slow = [frame for frame in plain if not frame.bitrate_switch]

    at_two = durations_ns(*columns(plain), 500_000, 2_000_000).tolist()
    at_one = durations_ns(*columns(slow), 83_333).tolist()

    assert at_two == [frames.duration_ns(frame, 500_000, 2_000_000) for frame in plain]
    assert at_one == [frames.duration_ns(frame, 83_333) for frame in slow]


def test_blocks_larger_than_the_scratch_agree() -> None:
    """A hundred thousand frames of one kind pass in several blocks; the seams do not show."""
    rng = np.random.default_rng(3)
    n = 100_000
    ids = rng.integers(0, 2048, n, dtype=np.uint32)
    data = rng.integers(0, 256, (n, 8), dtype=np.uint8)
    flags, lengths = np.zeros(n, np.uint8), np.full(n, 8, np.uint8)

    whole = lengths_bits(ids, flags, lengths, data)

    for at in (0, 32_767, 32_768, 65_536, n - 1):
        one = Frame(int(ids[at]), data[at].tobytes())
        assert whole[at] == frames.length_bits(one)
    parts = [lengths_bits(*(c[i : i + 999] for c in (ids, flags, lengths, data))) for i in range(0, n, 999)]
    assert np.array_equal(whole, np.concatenate(parts))


def test_no_frames_have_no_lengths() -> None:
    """An empty batch is a batch."""
    assert len(lengths_bits(*columns([]))) == 0


@pytest.mark.parametrize(
    ("can_id", "flags", "length", "words"),
    [
        (0x800, 0, 8, "row 2.*FLAG_EXTENDED"),
        (1 << 29, FLAG_EXTENDED, 8, "row 2.*0x1FFFFFFF"),
        (1, 0, 9, "0..8 bytes"),
        (1, FLAG_FD, 9, "12, 16"),
        (1, FLAG_FD | FLAG_REMOTE, 8, "no remote"),
    ],
)
def test_a_row_no_bus_could_carry_is_named(can_id: int, flags: int, length: int, words: str) -> None:
    """The message says which row, or what is wrong with all like it."""
    rows = to_rows([Frame(1), Frame(2), Frame(3)], FD_FRAME_DTYPE)
    rows["can_id"][2], rows["flags"][2], rows["length"][2] = can_id, flags, length

    with pytest.raises(UsageError, match=words):
        lengths_bits(rows["can_id"], rows["flags"], rows["length"], rows["data"])


def test_a_bit_rate_switch_needs_its_rate() -> None:
    """Nothing is assumed about the data bit rate."""
    some = columns([Frame(1, b"", fd=True, bitrate_switch=True)])
    assert some[1][0] & FLAG_BITRATE_SWITCH

    with pytest.raises(UsageError, match="data_bitrate"):
        durations_ns(*some, 500_000)
