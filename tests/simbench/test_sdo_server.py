"""The object dictionary and the SDO server, where published bytes don't reach (see tests/outside for those)."""

from __future__ import annotations

import struct
from pathlib import Path

import pytest

from hiltest.errors import UsageError
from hiltest.simbench.objects import Dictionary, Entry, SdoAbort, Value, read_eds
from hiltest.simbench.sdo_server import SdoServer

I16, U8, U32, STRING = 0x03, 0x05, 0x07, 0x09


def entry(
    index: int,
    sub: int,
    data_type: int,
    default: bytes,
    access: str = "rw",
    low: int | None = None,
    high: int | None = None,
) -> Entry:
    return Entry(index, sub, "name", data_type, access, default, False, low, high)


def dictionary() -> Dictionary:
    return Dictionary(
        (
            entry(0x2000, 0, U8, b"\x02", "ro"),
            entry(0x2000, 1, I16, b"\x00\x00", low=-10, high=10),
            entry(0x2000, 2, U32, bytes(4)),
            entry(0x2001, 0, STRING, b"0123456789"),
        )
    )


@pytest.mark.parametrize(
    ("place", "data", "code"),
    [
        ((0x2000, 1), struct.pack("<h", 11), 0x0609_0031),
        ((0x2000, 1), struct.pack("<h", -11), 0x0609_0032),
        ((0x2000, 1), b"\x00", 0x0607_0013),
        ((0x2000, 1), bytes(4), 0x0607_0012),
        ((0x2000, 0), b"\x01", 0x0601_0002),
        ((0x2000, 7), b"\x01", 0x0609_0011),
        ((0x3000, 0), b"\x01", 0x0602_0000),
    ],
)
def test_a_write_that_does_not_fit_is_refused_and_changes_nothing(
    place: tuple[int, int], data: bytes, code: int
) -> None:
    """Limits, length, access, existence: each with its own abort code."""
    objects = dictionary()
    before = objects.version
    with pytest.raises(SdoAbort) as refused:
        objects.write(*place, data)
    assert refused.value.code == code
    assert objects.version == before


def test_readers_and_writers_serve_a_place() -> None:
    """A reader's value is packed by type; a writer that refuses keeps the old value."""
    objects = dictionary()
    taken: list[Value] = []

    def write(value: Value) -> None:
        if value == 5:
            raise SdoAbort(0x0800_0022)
        taken.append(value)

    objects.serve(0x2000, 1, read=lambda: -3, write=write)
    assert objects.read(0x2000, 1) == b"\xfd\xff"
    objects.write(0x2000, 1, struct.pack("<h", -7))
    with pytest.raises(SdoAbort):
        objects.write(0x2000, 1, struct.pack("<h", 5))
    assert taken == [-7]


def test_values_beyond_a_type_are_clamped_not_wrapped() -> None:
    """A counter that runs over its object stays at the end."""
    objects = dictionary()
    objects.serve(0x2000, 2, read=lambda: 1 << 40)
    assert objects.number(0x2000, 2) == 0xFFFF_FFFF


def test_restore_brings_defaults_back_in_a_range() -> None:
    """And leaves what lies outside it."""
    objects = dictionary()
    objects.write(0x2000, 2, bytes([1, 0, 0, 0]))
    objects.restore(0x2001, 0x2001)
    assert objects.number(0x2000, 2) == 1
    objects.restore()
    assert objects.number(0x2000, 2) == 0


def test_a_new_request_ends_the_transfer_before_it() -> None:
    """A client that starts anew is served; the old one's segments are refused."""
    sdo = SdoServer(dictionary())
    assert sdo.handle(b"\x40\x01\x20\x00" + bytes(4))[0][0] == 0x41
    assert sdo.handle(b"\x40\x00\x20\x02" + bytes(4))[0][0] == 0x43
    assert sdo.handle(b"\x60" + bytes(7))[0][0] == 0x80


def test_an_abort_of_the_client_is_taken_without_a_word() -> None:
    """And ends the transfer."""
    sdo = SdoServer(dictionary())
    sdo.handle(b"\x40\x01\x20\x00" + bytes(4))
    assert sdo.handle(b"\x80\x01\x20\x00" + bytes(4)) == []
    assert sdo.handle(b"\x60" + bytes(7))[0][0] == 0x80


def test_a_frame_of_another_length_is_no_request() -> None:
    """CiA 301: SDO frames have 8 bytes."""
    assert SdoServer(dictionary()).handle(b"\x40\x00\x20\x00") == []


@pytest.mark.parametrize(("stated", "code"), [(9, 0x0607_0013), (5, 0x0607_0012)])
def test_a_segmented_write_must_bring_what_it_stated(stated: int, code: int) -> None:
    """More or fewer bytes than announced: refused, nothing stored."""
    objects = dictionary()
    sdo = SdoServer(objects)
    sdo.handle(b"\x21\x01\x20\x00" + struct.pack("<I", stated))
    answer = sdo.handle(b"\x01abcdefg")[0]
    assert struct.unpack_from("<I", answer, 4)[0] == code
    assert objects.peek(0x2001) == b"0123456789"


def test_a_lost_block_segment_is_sent_again() -> None:
    """The client acknowledges only the first of two segments; the second comes once more."""
    sdo = SdoServer(dictionary())
    sdo.handle(b"\xa4\x01\x20\x00\x7f" + bytes(3))
    first = sdo.handle(b"\xa3" + bytes(7))
    assert [frame[0] for frame in first] == [1, 0x82]
    again = sdo.handle(bytes([0xA2, 1, 0x7F]) + bytes(5))
    assert [frame[1:4] for frame in again] == [b"789"]
    end = sdo.handle(bytes([0xA2, 1, 0x7F]) + bytes(5))
    assert end[0][0] == 0xC1 | 4 << 2


def test_a_missing_block_segment_is_not_acknowledged() -> None:
    """Segments 1 and 3 arrive: the answer says 1, and the client must begin again behind it."""
    objects = dictionary()
    sdo = SdoServer(objects)
    sdo.handle(b"\xc2\x01\x20\x00" + struct.pack("<I", 14))
    sdo.handle(b"\x01abcdefg")
    answer = sdo.handle(b"\x83opqrstu")[0]
    assert answer[:2] == b"\xa2\x01"
    assert sdo.handle(b"\x81hijklmn")[0][:2] == b"\xa2\x01"
    assert sdo.handle(b"\xc1" + bytes(7))[0] == b"\xa1" + bytes(7)
    assert objects.peek(0x2001) == b"abcdefghijklmn"


def test_an_eds_that_is_none_is_refused(tmp_path: Path) -> None:
    """The error names the file."""
    path = tmp_path / "broken.eds"
    path.write_text("no sections here")
    with pytest.raises(UsageError, match=r"broken\.eds"):
        read_eds(path, 5)
    with pytest.raises(UsageError, match=r"missing\.eds"):
        read_eds(tmp_path / "missing.eds", 5)
