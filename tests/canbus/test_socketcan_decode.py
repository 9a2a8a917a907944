"""Decoding what the kernel hands over, from bytes: no kernel with CAN is needed."""

from __future__ import annotations

import socket
import struct

import numpy as np
import pytest

from hiltest.canbus.batch import FD_FRAME_DTYPE, FRAME_DTYPE, to_frames
from hiltest.canbus.frame import FLAG_BITRATE_SWITCH, FLAG_ERROR_STATE, FLAG_FD, Frame
from hiltest.canbus.socketcan import decode_control, decode_frames
from hiltest.errors import UsageError


def can_frame(can_id: int, data: bytes = b"", length: int | None = None) -> bytes:
    """struct can_frame of linux/can.h: 32-bit id, length, three bytes of padding, eight of data."""
    return struct.pack("=IB3x8s", can_id, len(data) if length is None else length, data)


def canfd_frame(can_id: int, data: bytes, flags: int) -> bytes:
    """struct canfd_frame of linux/can.h: 32-bit id, length, flags, two bytes of padding, 64 of data."""
    return struct.pack("=IBB2x64s", can_id, len(data), flags, data)


def control_message(kind: int, payload: bytes, level: int = socket.SOL_SOCKET) -> bytes:
    """One control message with its padding, as cmsg(3) lays it out on 64 bits."""
    head = struct.pack("=QII", 16 + len(payload), level, kind)
    return (head + payload).ljust(16 + (len(payload) + 7) // 8 * 8, b"\0")


def controls(*rows: bytes) -> tuple[np.ndarray, np.ndarray]:
    octets = np.zeros((len(rows), 128), np.uint8)
    for row, text in zip(octets, rows, strict=True):
        row[: len(text)] = np.frombuffer(text, np.uint8)
    return octets, np.array([len(row) for row in rows], np.uint64)


def test_all_kinds_of_classic_frames() -> None:
    """Flags of linux/can.h: EFF 0x80000000, RTR 0x40000000, ERR 0x20000000."""
    raw = b"".join(
        [
            can_frame(0x123, b"\xde\xad"),
            can_frame(0x92345678, bytes(range(8))),
            can_frame(0x40000456, length=5),
            can_frame(0xC0000456, length=8),
            can_frame(0x200000A8, bytes.fromhex("0000001900000000")),
            can_frame(0x7FF),
        ]
    )

    rows = decode_frames(raw, np.arange(6) * 10)

    assert rows.dtype == FRAME_DTYPE
    assert rows["t_ns"].tolist() == [0, 10, 20, 30, 40, 50]
    assert to_frames(rows) == [
        Frame(0x123, b"\xde\xad"),
        Frame(0x12345678, bytes(range(8)), extended=True),
        Frame(0x456, remote=True, remote_dlc=5),
        Frame(0x456, extended=True, remote=True, remote_dlc=8),
        Frame(0xA8, bytes.fromhex("0000001900000000"), error=True),
        Frame(0x7FF),
    ]


def test_bytes_behind_the_length_are_not_taken_over() -> None:
    """What lies in the buffer behind the data is no data; a length above 8 is none."""
    rows = decode_frames(can_frame(1, b"\xff" * 8, length=3) + can_frame(2, b"\xee" * 8, length=200))

    assert rows["data"].tolist() == [[255] * 3 + [0] * 5, [0xEE] * 8]
    assert rows["length"].tolist() == [3, 8]


def test_fd_frames_and_classic_ones_in_one_buffer() -> None:
    """The size that the kernel tells makes the kind: 72 bytes CAN FD, 16 classic. BRS is 1, ESI is 2."""
    fd = canfd_frame(0x92345678, bytes(range(64)), 0x01 | 0x02)
    classic = can_frame(0x55, b"\x01\x02").ljust(72, b"\xff")

    rows = decode_frames(fd + classic, 7, np.array([72, 16], np.uint32))

    assert rows.dtype == FD_FRAME_DTYPE
    first, second = to_frames(rows)
    assert first == Frame(
        0x12345678, bytes(range(64)), extended=True, fd=True, bitrate_switch=True, error_state=True
    )
    assert second == Frame(0x55, b"\x01\x02")
    marks = FLAG_FD | FLAG_BITRATE_SWITCH | FLAG_ERROR_STATE
    assert (rows["flags"] & marks).tolist() == [marks, 0]


def test_a_buffer_that_is_no_whole_frame_is_refused() -> None:
    """17 bytes are no frames; the message says what was expected."""
    with pytest.raises(UsageError, match="17 bytes are no whole number of frames of 16 bytes"):
        decode_frames(bytes(17))


def test_stamps_and_drops_from_control_messages() -> None:
    """SO_TIMESTAMPNS is 35, SO_TIMESTAMPING 37, SO_RXQ_OVFL 40; in any order, beside foreign ones."""
    stamp = struct.pack("=QQ", 1_700_000_000, 123_456_789)
    both = struct.pack("=6Q", 1_700_000_001, 5, 0, 0, 42, 6)
    drops = struct.pack("=I", 4_000_000_000)
    octets, lengths = controls(
        control_message(35, stamp) + control_message(40, drops),
        control_message(40, drops) + control_message(35, stamp),
        control_message(29, b"\x01" * 5) + control_message(35, stamp),
        control_message(37, both),
        b"",
        control_message(35, stamp, level=101),
    )

    control = decode_control(octets, lengths)

    ns = 1_700_000_000_123_456_789
    assert control.kernel_ns.tolist() == [ns, ns, ns, 1_700_000_001_000_000_005, 0, 0]
    assert control.hardware_ns.tolist() == [0, 0, 0, 42_000_000_006, 0, 0]
    assert control.drops.tolist() == [4_000_000_000, 4_000_000_000, -1, -1, -1, -1]


def test_old_control_data_of_an_earlier_call_is_not_read() -> None:
    """Only as many bytes count as the kernel wrote this time."""
    octets, lengths = controls(control_message(35, struct.pack("=QQ", 9, 9)))
    lengths[:] = 0

    assert decode_control(octets, lengths).kernel_ns.tolist() == [0]


def test_a_broken_length_ends() -> None:
    """A control message of length 0 does not make an endless loop."""
    octets, lengths = controls(bytes(64))

    assert decode_control(octets, lengths).kernel_ns.tolist() == [0]
