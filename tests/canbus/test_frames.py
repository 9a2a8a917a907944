from __future__ import annotations

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.canbus import _reference, frames
from hiltest.canbus.frame import FD_LENGTHS, Frame
from hiltest.canbus.frames import decode_bits, frame_bits
from hiltest.errors import UsageError

from .traffic import data_frames, fd_frames, mixed, remote_frames
from .traffic import frames as any_frames


@given(any_frames())
def test_length_and_bits_agree_with_the_bit_by_bit_reference(frame: Frame) -> None:
    """Every fast path gives what the plain reading of the standard gives."""
    bits = _reference.frame_bits(frame)

    assert list(frame_bits(frame).bits) == bits
    assert frames.length_bits(frame) == len(bits) + 3
    assert frames.length_bits(frame, intermission=False) == len(bits)
    assert frames.frame_length(frame).bits == len(bits)


def test_a_long_row_of_frames_agrees_with_the_reference() -> None:
    """Twenty thousand frames of every kind, the heavily stuffing ones among them."""
    for frame in mixed(20_000):
        assert frames.length_bits(frame) == _reference.length_bits(frame)


@given(data_frames() | remote_frames())
def test_crc_is_the_remainder_of_the_reference(frame: Frame) -> None:
    """The CRC by tables is that of the shift register."""
    assert frames.crc(frame) == _reference.crc_of_bits(_reference.header_bits(frame), 15, 0x4599)


@given(any_frames())
def test_fields_cover_the_frame_without_a_hole(frame: Frame) -> None:
    """Each bit of the frame lies in exactly one field, in order."""
    bits = frame_bits(frame)

    assert bits.fields[0] == ("sof", 0, 1)
    assert all(left.end == right.start for left, right in zip(bits.fields, bits.fields[1:], strict=False))
    assert bits.fields[-1].name == "eof"
    assert bits.fields[-1].end == len(bits)


@given(any_frames())
def test_fields_hold_what_their_names_say(frame: Frame) -> None:
    """Without its stuff bits a field holds its value."""
    bits = frame_bits(frame)
    stuff = set(bits.stuff_positions)

    def value(name: str) -> int:
        field = bits.field(name)
        plain = [bits[i] for i in range(field.start, field.end) if i not in stuff]
        return int("".join(map(str, plain)), 2)

    can_id = value("id")
    if frame.extended:
        can_id = can_id << 18 | value("id_extension")
    assert can_id == frame.can_id
    assert value("dlc") == frame.dlc
    assert value("crc") == frames.crc(frame)
    if frame.data:
        assert value("data") == int.from_bytes(frame.data, "big")
    for name in ("crc_delimiter", "ack", "ack_delimiter"):
        assert value(name) == 1
    assert value("eof") == 0x7F


def test_fields_are_found_by_name_and_by_bit() -> None:
    """A disturbance can be put at a field, and a bit can be named."""
    bits = frame_bits(Frame(0x123, b"\x55"))

    assert bits.field("dlc").end == bits.field("data").start
    assert bits.field_at(0) == "sof"
    assert bits.field_at(len(bits) - 1) == "eof"
    with pytest.raises(UsageError, match=r"id_extension.*it has sof, id"):
        bits.field("id_extension")
    with pytest.raises(UsageError, match="outside"):
        bits.field_at(len(bits))


def test_arbitration_ends_behind_the_remote_bit() -> None:
    """A stuff bit behind it still belongs to the field."""
    assert frame_bits(Frame(0x555)).arbitration_end == 13
    assert frame_bits(Frame(0x000)).arbitration_end == 13 + 2
    assert frame_bits(Frame(0x15555555, extended=True)).arbitration_end == 33
    assert frame_bits(Frame(0x555, fd=True)).arbitration_end == 13


def test_the_acknowledge_slot_is_dominant_on_request() -> None:
    """A transmitter sends it recessive; on the wire somebody answers."""
    sent, seen = frame_bits(Frame(1)), frame_bits(Frame(1), acknowledged=True)

    assert sent[sent.field("ack").start] == 1
    assert seen[seen.field("ack").start] == 0
    assert decode_bits(seen.bits).acknowledged
    assert not decode_bits(sent.bits).acknowledged


@given(any_frames(), st.booleans())
def test_a_receiver_reads_what_was_sent(frame: Frame, acknowledged: bool) -> None:
    """Encoding and decoding are inverse."""
    found = decode_bits(frame_bits(frame, acknowledged).bits)

    assert (found.frame, found.error, found.acknowledged) == (frame, None, acknowledged)
    assert found.at == len(frame_bits(frame)) - 1


def test_a_receiver_takes_any_sequence_of_bits() -> None:
    """Lists and tuples of 0 and 1 are as good as bytes; what follows the frame is ignored."""
    bits = [*frame_bits(Frame(0x123, b"\x01")).bits, 1, 1, 1, 0, 0]

    assert decode_bits(bits).frame == Frame(0x123, b"\x01")
    assert decode_bits(tuple(bits)).frame == Frame(0x123, b"\x01")


@given(any_frames(), st.data())
def test_every_single_wrong_bit_is_noticed(frame: Frame, data: st.DataObject) -> None:
    """One flipped bit is an error at that bit or later, save where a receiver does not care."""
    bits = frame_bits(frame)
    at = data.draw(st.integers(1, len(bits) - 1))
    seen = bytearray(bits.bits)
    seen[at] ^= 1

    found = decode_bits(bytes(seen))

    if bits.field_at(at) == "ack":
        assert found.frame == frame
    elif at == len(bits) - 1:
        assert (found.frame, found.overload) == (frame, True)
    else:
        assert found.frame is None
        assert found.error in {"stuff", "form", "crc", "incomplete"}
        assert found.at >= at or found.error == "incomplete"


def flipped(frame: Frame, field: str, offset: int = 0) -> tuple[bytes, int]:
    bits = frame_bits(frame, acknowledged=True)
    at = bits.field(field).start + offset
    seen = bytearray(bits.bits)
    seen[at] ^= 1
    return bytes(seen), at


@pytest.mark.parametrize("frame", [Frame(0x123, b"\x55\x33"), Frame(0x123, b"\x55\x33", fd=True)])
@pytest.mark.parametrize(
    ("field", "offset"), [("crc_delimiter", 0), ("ack_delimiter", 0), ("eof", 0), ("eof", 5)]
)
def test_a_dominant_bit_in_a_recessive_field_is_a_form_error(frame: Frame, field: str, offset: int) -> None:
    """It is seen at that very bit."""
    seen, at = flipped(frame, field, offset)

    assert decode_bits(seen)[:3] == (None, "form", at)


def test_a_wrong_crc_bit_is_signalled_behind_the_acknowledge_delimiter() -> None:
    """The receiver does not acknowledge, and its flag comes after the delimiter."""
    frame = Frame(0x555, b"\xaa\x55")
    seen, _ = flipped(frame, "crc", 7)

    found = decode_bits(seen)

    assert (found.error, found.at) == ("crc", frame_bits(frame).field("ack_delimiter").start)
    assert not found.crc_ok


def test_a_stuff_error_is_seen_at_the_sixth_equal_bit() -> None:
    """Bosch, CAN FD 1.0, 6.1."""
    bits = bytearray(frame_bits(Frame(0x000)).bits)
    assert bits[:6] == b"\0\0\0\0\0\1"
    bits[5] = 0

    assert decode_bits(bytes(bits))[:3] == (None, "stuff", 5)


def test_a_missing_stuff_bit_after_the_crc_is_a_stuff_error() -> None:
    """A run that ends with the CRC is followed by a stuff bit, too."""
    frame = next(
        frame
        for frame in (Frame(can_id) for can_id in range(0x800))
        if max(frame_bits(frame).stuff_positions, default=0) == frame_bits(frame).field("crc").end - 1
    )
    bits = frame_bits(frame)
    seen = bytearray(bits.bits)
    at = bits.field("crc").end - 1
    seen[at] ^= 1

    assert decode_bits(bits.bits).frame == frame
    assert decode_bits(bytes(seen))[:3] == (None, "stuff", at)


@given(fd_frames(), st.data())
def test_a_wrong_fixed_stuff_bit_is_a_form_error(frame: Frame, data: st.DataObject) -> None:
    """ISO 16845, test 7.2.8 (as a public compliance suite describes it)."""
    bits = frame_bits(frame)
    region_end = bits.field("stuff_count").start
    at = data.draw(st.sampled_from([i for i in bits.stuff_positions if i >= region_end]))
    seen = bytearray(bits.bits)
    seen[at] ^= 1

    assert decode_bits(bytes(seen))[:3] == (None, "form", at)


def test_a_wrong_stuff_count_is_a_crc_error() -> None:
    """The receiver counts for itself."""
    frame = Frame(0x123, b"\x55", fd=True)
    bits = frame_bits(frame)
    start = bits.field("stuff_count").start
    seen = bytearray(bits.bits)
    # Two neighbours change places: parity stays, the count does not.
    group = list(range(start + 1, start + 5))
    pair = next((a, b) for a in group for b in group if seen[a] != seen[b])
    for i in pair:
        seen[i] ^= 1
    if 4 in (pair[0] - start, pair[1] - start):  # the bit behind a fixed stuff bit decides it
        seen[start + 5] ^= 1

    assert decode_bits(bytes(seen)).error == "crc"


@pytest.mark.parametrize("extended", [False, True])
def test_an_old_receiver_runs_into_an_error_on_a_can_fd_frame(extended: bool) -> None:
    """It takes FDF for a reserved bit and reads on, until something does not fit."""
    rng = random.Random(4)
    for _ in range(200):
        frame = Frame(rng.getrandbits(11), rng.randbytes(8), extended, fd=True)

        found = decode_bits(frame_bits(frame).bits, fd_enabled=False)

        assert found.frame is None
        assert found.error in {"stuff", "form", "crc"}


def test_a_recessive_reserved_bit_behind_fdf_is_a_form_error() -> None:
    """It would announce a protocol this receiver does not know."""
    seen, at = flipped(Frame(0x123, b"\x55", fd=True), "res")

    assert decode_bits(seen)[:3] == (None, "form", at)


@pytest.mark.parametrize(
    ("bits", "error"), [(b"", "incomplete"), (b"\x01\x01", "no-start"), (b"\0\1\0", "incomplete")]
)
def test_bits_that_are_no_frame_are_told_apart(bits: bytes, error: str) -> None:
    """A frame begins with a dominant bit and ends with its end of frame."""
    assert decode_bits(bits).error == error


def test_a_frame_cut_anywhere_is_incomplete() -> None:
    """The receiver asks for more bits instead of guessing."""
    for frame in (Frame(0x000, b"\0\0"), Frame(0x123, b"\1", fd=True), Frame(0x1ABCDEF, extended=True)):
        bits = frame_bits(frame).bits
        for cut in range(1, len(bits)):
            assert decode_bits(bits[:cut])[:3] == (None, "incomplete", cut)


@given(fd_frames())
def test_fast_bits_reach_from_brs_to_the_crc_delimiter(frame: Frame) -> None:
    """Only frames that switch have any, and the count agrees with the places."""
    bits, length = frame_bits(frame), frames.frame_length(frame)

    assert length.fast_bits == bits.fast_end - bits.fast_start
    assert bool(length.fast_bits) == frame.bitrate_switch
    if frame.bitrate_switch:
        assert bits.fast_start == bits.field("brs").start + 1
        assert bits.fast_end == bits.field("crc_delimiter").end


def test_durations_follow_from_bits_and_rates() -> None:
    """111 bits at 1 Mbit/s; a switched frame counts its fast bits at the other rate."""
    frame = Frame(0x555, b"\xaa" * 8)  # one stuff bit
    assert frames.duration_ns(frame, 1_000_000) == 112_000
    assert frames.duration_ns(frame, 1_000_000, intermission=False) == 109_000
    assert frames.duration_ns(frame, 83_333) == round(112 / 83_333 * 1e9)

    switched = Frame(0x123, bytes(range(16)), fd=True, bitrate_switch=True)
    bits, _, fast = frames.frame_length(switched)
    expected = (bits - fast + 3) * 1000 + fast * 250
    assert frames.duration_ns(switched, 1_000_000, 4_000_000) == expected
    with pytest.raises(UsageError, match="data_bitrate"):
        frames.duration_ns(switched, 1_000_000)
    with pytest.raises(UsageError, match="bitrate=0"):
        frames.duration_ns(frame, 0)


@given(data_frames() | remote_frames())
def test_every_frame_lies_between_best_and_worst_case(frame: Frame) -> None:
    """Whatever its content."""
    n, extended, remote = frame.dlc, frame.extended, frame.remote

    length = frames.length_bits(frame)

    assert frames.best_case_bits(n, extended, remote=remote) <= length
    assert length <= frames.worst_case_bits(n, extended, remote=remote)


@given(fd_frames())
def test_can_fd_frames_lie_between_their_bounds(frame: Frame) -> None:
    """No dynamic stuff bit at the end of the data field."""
    n, extended = len(frame.data), frame.extended

    length = frames.length_bits(frame)

    assert frames.nominal_bits(n, extended, fd=True) <= length
    assert length <= frames.worst_case_bits(n, extended, fd=True)


@pytest.mark.parametrize("remote", [False, True])
@pytest.mark.parametrize("size", range(9))
def test_the_best_case_is_reached(size: int, remote: bool) -> None:
    """The bound is exact: some frame of this size is as short as it says."""
    rng = random.Random(size)
    bound = frames.best_case_bits(size, remote=remote)
    for can_id in [*range(0x800)] * (1 if remote or not size else 20):
        data = b"" if remote else rng.randbytes(size)
        frame = Frame(can_id, data, remote=remote, remote_dlc=size if remote else 0)
        if frames.length_bits(frame) == bound:
            return
    pytest.fail(f"no frame with {size} bytes takes {bound} bits")


@pytest.mark.parametrize(
    "call",
    [
        lambda: frames.length_bits(Frame(0x800, b"")),
        lambda: frames.length_bits(Frame(0x1, bytes(9))),
        lambda: frames.length_bits(Frame(0x1, bytes(9), fd=True)),
        lambda: frames.length_bits(Frame(0x800, fd=True)),
        lambda: frames.length_bits(Frame(0x1, b"\0", remote=True)),
        lambda: frames.length_bits(Frame(0x88, bytes(8), error=True)),
        lambda: frames.crc(Frame(0x88, bytes(8), error=True)),
        lambda: frame_bits(Frame(0x88, bytes(8), error=True)),
        lambda: frame_bits(Frame(0x800)),
        lambda: frames.worst_case_bits(9),
        lambda: frames.worst_case_bits(9, fd=True),
        lambda: frames.nominal_bits(8, remote=True, fd=True),
    ],
)
def test_what_has_no_length_is_refused(call: object) -> None:
    """Nothing is measured that no bus could carry."""
    with pytest.raises(UsageError):
        call()  # type: ignore[operator]


def test_every_can_fd_length_has_a_code() -> None:
    """Sixteen codes, 0 to 64 bytes."""
    assert [Frame(1, bytes(n), fd=True).dlc for n in FD_LENGTHS] == list(range(16))
