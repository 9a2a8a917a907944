from __future__ import annotations

import subprocess
import sys

import pytest
from hypothesis import given

from hiltest.canbus.frame import (
    Frame,
    arbitration_key,
    describe_error,
    from_message,
    to_message,
)
from hiltest.errors import UsageError

from .traffic import frames


def test_loading_the_frame_loads_neither_numpy_nor_python_can() -> None:
    """The plugin may import the frame without slowing a pytest run that never uses it."""
    code = "import sys, hiltest.canbus.frame; print({'numpy', 'can'} & set(sys.modules))"

    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert found.stdout.strip() == "set()"


def test_frames_are_equal_by_content() -> None:
    """Time stamp and direction do not count; everything that is on the wire does."""
    frame = Frame(0x181, b"\x01\x02")

    assert frame == frame.at(5, is_rx=False)
    assert hash(frame) == hash(frame.at(5, is_rx=False))
    assert frame != Frame(0x181, b"\x01\x03")
    assert frame != Frame(0x181, b"\x01\x02", extended=True)
    assert frame != Frame(0x181, b"\x01\x02", fd=True)
    assert Frame(1, remote=True, remote_dlc=2) != Frame(1, remote=True, remote_dlc=3)
    assert len({frame, frame.at(1), Frame(0x182)}) == 2


def test_a_frame_is_no_plain_tuple() -> None:
    """Comparing with a tuple of the same fields says no, both ways."""
    frame = Frame(1)

    assert frame != tuple(frame)
    assert not frame == tuple(frame)  # noqa: SIM201 - both operators are the subject


def test_a_frame_cannot_be_changed() -> None:
    """A frame handed to many listeners is the same for all."""
    with pytest.raises(AttributeError):
        Frame(1).can_id = 2  # type: ignore[misc]


@pytest.mark.parametrize(
    ("frame", "text"),
    [
        (Frame(0x181, b"\x01\x02"), "0x181 [2] 01 02"),
        (Frame(0x80, b""), "0x080 [0]"),
        (Frame(0x18DAF110, b"\xab", extended=True), "0x18DAF110 [1] AB"),
        (Frame(0x701, remote=True, remote_dlc=1), "0x701 [1] remote"),
        (Frame(0x12, b"\x00", fd=True, bitrate_switch=True), "0x012 [1] fd brs 00"),
    ],
)
def test_frames_print_as_people_write_them(frame: Frame, text: str) -> None:
    """Identifier with its digits, length, kind, bytes."""
    assert repr(frame) == text


@given(frames())
def test_a_message_and_back_is_the_same_frame(frame: Frame) -> None:
    """python-can's Message carries everything that a frame has."""
    stamped = frame.at(1_500_000, is_rx=False)

    back = from_message(to_message(stamped, epoch_s=1000.0), epoch_s=1000.0)

    assert back == stamped
    assert (back.t_ns, back.is_rx) == (1_500_000, False)


def test_an_error_message_keeps_its_class_and_bytes() -> None:
    """An error frame of SocketCAN passes through python-can unchanged."""
    frame = Frame(0xA8, bytes(range(8)), error=True)

    assert from_message(to_message(frame)) == frame
    assert to_message(frame).is_error_frame


@pytest.mark.parametrize(
    ("frame", "words"),
    [
        (Frame(0x800), "extended=True"),
        (Frame(0x2000_0000, extended=True), "0x1FFFFFFF"),
        (Frame(-1), "0x0..0x7FF"),
        (Frame(1, bytes(9)), "fd=True"),
        (Frame(1, bytes(9), fd=True), "pad the data"),
        (Frame(1, b"x", remote=True), "remote_dlc"),
        (Frame(1, remote=True, fd=True), "fd=False"),
        (Frame(1, bitrate_switch=True), "needs fd=True"),
        (Frame(0x80, b"", error=True), "8 data bytes"),
    ],
)
def test_what_no_bus_could_carry_is_refused_with_a_way_out(frame: Frame, words: str) -> None:
    """The message says what to do."""
    with pytest.raises(UsageError, match=words.replace(".", r"\.")):
        frame.check()


def test_arbitration_sorts_as_the_bus_does() -> None:
    """Data before remote, standard before extended of the same leading bits, then by number."""
    winners = [
        Frame(0x033),
        Frame(0x033, remote=True),
        Frame(0x00CC0001, extended=True),
        Frame(0x00CC0001, extended=True, remote=True),
        Frame(0x00CC0002, extended=True),
        Frame(0x034),
        Frame(0x7FF),
    ]

    shuffled = winners[3:] + winners[:3]
    assert sorted(shuffled, key=arbitration_key) == winners


def report(error_class: int, *data: int) -> Frame:
    return Frame(error_class, bytes(data).ljust(8, b"\0"), error=True)


@pytest.mark.parametrize(
    ("frame", "kinds"),
    [
        (report(0x20), ("ack",)),
        (report(0xA8, 0, 0, 0, 0x19), ("ack",)),
        (report(0x88, 0, 0, 0x04, 0x0A), ("stuff",)),
        (report(0x88, 0, 0, 0x02, 0x18), ("form",)),
        (report(0x88, 0, 0, 0x08), ("bit0",)),
        (report(0x88, 0, 0, 0x10), ("bit1",)),
        (report(0x88, 0, 0, 0x01, 0x0A), ("bit",)),
        (report(0x88, 0, 0, 0x01, 0x08), ("crc",)),
        (report(0x88, 0, 0, 0x00, 0x08), ("crc",)),
        (report(0x88, 0, 0, 0x81, 0x08), ("bit",)),
        (report(0x8C, 0, 0x02, 0x09, 0x08), ("bit0", "crc", "tx-overflow")),
        (report(0x88), ("bus",)),
        (report(0x04, 0, 0x01), ("rx-overflow",)),
        (report(0x100), ("restarted",)),
        (report(0x02, 5), ("lost-arbitration",)),
        (report(0x01), ("tx-timeout",)),
    ],
)
def test_error_classes_are_told_by_kind(frame: Frame, kinds: tuple[str, ...]) -> None:
    """linux/can/error.h in words; a CRC error has no bit of its own and is known by its place."""
    assert describe_error(frame).kinds == kinds


@pytest.mark.parametrize(
    ("frame", "state"),
    [
        (report(0x04, 0, 0x08), "warning"),
        (report(0x04, 0, 0x04), "warning"),
        (report(0x04, 0, 0x20), "passive"),
        (report(0x04, 0, 0x10), "passive"),
        (report(0x04, 0, 0x40), "active"),
        (report(0x40), "bus-off"),
        (report(0x20), None),
    ],
)
def test_error_frames_report_the_state(frame: Frame, state: str | None) -> None:
    """Warning, passive, active again and bus-off, for either counter."""
    assert describe_error(frame).state == state


def test_counters_are_read_only_where_the_frame_carries_them() -> None:
    """Zero is a count only if the frame says that it counts."""
    assert describe_error(report(0x204, 0, 8, 0, 0, 0, 0, 97, 3))[4:6] == (97, 3)
    assert describe_error(report(0x204))[4:6] == (0, 0)
    assert describe_error(report(0x04, 0, 8, 0, 0, 0, 0, 97, 3))[4:6] == (97, 3)
    assert describe_error(report(0x04, 0, 8))[4:6] == (None, None)


def test_only_errors_on_the_wires_are_bus_errors() -> None:
    """A full queue or a change of state is no disturbance of the bus."""
    assert describe_error(report(0x88, 0, 0, 4)).is_bus_error
    assert describe_error(report(0x20)).is_bus_error
    assert not describe_error(report(0x04, 0, 0x01)).is_bus_error
    assert not describe_error(report(0x40)).is_bus_error
    assert not describe_error(report(0x02, 3)).is_bus_error


def test_a_transceiver_fault_is_named_by_wire() -> None:
    """The wording leads to the wire at fault."""
    found = describe_error(report(0x10, 0, 0, 0, 0, 0x74))

    assert found.transceiver == "CAN-H no wire, CAN-L short to ground"
    assert "CAN-L short to ground" in str(found)


def test_a_data_frame_is_no_error_report() -> None:
    """Asking a data frame for its error is a mistake of the caller."""
    with pytest.raises(UsageError, match="no error frame"):
        describe_error(Frame(0x20))
