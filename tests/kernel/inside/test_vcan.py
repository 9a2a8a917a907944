"""Virtual interfaces: python-can's socketcan, and our batch receiver beside it."""

from __future__ import annotations

import contextlib
import io
import socket
import struct
import subprocess
import threading
import time
from types import SimpleNamespace

import can
import numpy as np
import pytest

from hiltest.canbus.batch import FD_FRAME_DTYPE, to_frames
from hiltest.canbus.frame import FLAG_ERROR, FLAG_TX, from_message
from hiltest.canbus.opening import open_port
from hiltest.canbus.socketcan import BatchSocket
from hiltest.canbus.stamps import KERNEL
from hiltest.docs import page
from hiltest.errors import BenchLost, BenchNotOpened, UsageError

NO_ACKNOWLEDGE = struct.pack("=IB3x8s", 0x200000A8, 8, bytes.fromhex("0000001900000000"))
"""linux/can/error.h: classes protocol, acknowledge and bus error, at the acknowledge slot."""


def shell(command: str) -> None:
    subprocess.run(command, shell=True, check=True)


def raw_socket(channel: str) -> socket.socket:
    sender = socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
    sender.bind((channel,))
    return sender


def read_until_lost(batch: BatchSocket) -> None:
    for _ in range(10):
        batch.recv_batch(1.0)


def numbered(count: int) -> list[bytes]:
    return [struct.pack("=IB3x8s", 0x123, 8, struct.pack("=Q", number)) for number in range(count)]


def test_round_trip_through_python_can(vcan: str) -> None:
    """A message and its answer go through two socketcan buses of python-can."""
    with (
        can.Bus(interface="socketcan", channel=vcan) as ours,
        can.Bus(interface="socketcan", channel=vcan) as node,
    ):
        ours.send(can.Message(arbitration_id=0x601, data=[0x40], is_extended_id=False))
        request = node.recv(1.0)
        node.send(can.Message(arbitration_id=0x581, data=[0x43], is_extended_id=False))
        answer = ours.recv(1.0)

    assert request is not None
    assert answer is not None
    assert (request.arbitration_id, answer.arbitration_id, bytes(answer.data)) == (0x601, 0x581, b"\x43")


def test_batch_holds_what_python_can_reads(vcan: str) -> None:
    """Standard, extended, remote, error and empty frames: the same as python-can's, stamps included."""
    frames = [
        struct.pack("=IB3x8s", 0x123, 3, b"abc"),
        struct.pack("=IB3x8s", 0x9ABCDEF0, 8, b"01234567"),
        struct.pack("=IB3x8s", 0x40000456, 5, b""),
        struct.pack("=IB3x8s", 0x200000A8, 8, bytes.fromhex("0000001900000000")),
        struct.pack("=IB3x8s", 0x7FF, 0, b""),
    ]
    with (
        can.Bus(interface="socketcan", channel=vcan) as bus,
        BatchSocket(vcan) as batch,
        raw_socket(vcan) as sender,
    ):
        for frame in frames:
            sender.send(frame)
        rows = batch.recv_batch(1.0)
        messages = [bus.recv(1.0) for _ in frames]

    assert len(rows) == len(frames)
    for row, message in zip(to_frames(rows), messages, strict=True):
        assert message is not None
        assert row == from_message(message)
        assert row.t_ns / 1e9 == pytest.approx(message.timestamp, abs=1e-6)
    assert (rows["flags"] & FLAG_TX).all(), "a program of this machine sent them"


def test_can_fd_frames_keep_their_marks(vcan: str) -> None:
    """With fd=True frames of up to 64 bytes come, marked FD and bit rate switch; classic ones stay classic."""
    shell(f"ip link set {vcan} down && ip link set {vcan} mtu 72 up")
    sent = can.Message(
        arbitration_id=0x123, is_fd=True, bitrate_switch=True, data=range(48), is_extended_id=False
    )
    with can.Bus(interface="socketcan", channel=vcan, fd=True) as bus, BatchSocket(vcan, fd=True) as batch:
        bus.send(sent)
        bus.send(can.Message(arbitration_id=0x124, data=[1, 2], is_extended_id=False))
        rows = batch.recv_batch(1.0)
        while len(rows) < 2:
            rows = np.concatenate([rows, batch.recv_batch(1.0)])

    assert rows.dtype == FD_FRAME_DTYPE
    first, second = to_frames(rows)
    assert (first.fd, first.bitrate_switch, first.data) == (True, True, bytes(range(48)))
    assert (second.fd, second.data) == (False, b"\x01\x02")


def test_stamps_are_the_kernel_s_and_in_order(vcan: str) -> None:
    """A frame that waited 0.3 s bears the time at which it came, not the time of reading."""
    with BatchSocket(vcan) as batch, raw_socket(vcan) as sender:
        before = time.time_ns()
        sender.send(numbered(1)[0])
        after = time.time_ns()
        time.sleep(0.3)
        sender.send(numbered(1)[0])
        rows = batch.recv_batch(1.0)

    assert before <= rows["t_ns"][0] <= after
    assert rows["t_ns"][1] - rows["t_ns"][0] >= 300_000_000
    assert batch.stamp_source == KERNEL


def test_wanted_hardware_stamps_that_are_not_there_are_told(vcan: str) -> None:
    """A virtual interface has no clock of its own: stamps are the kernel's, and stamp_source says so."""
    with BatchSocket(vcan, hardware_stamps=True) as batch, raw_socket(vcan) as sender:
        now = time.time_ns()
        sender.send(numbered(1)[0])
        rows = batch.recv_batch(1.0)

    assert abs(int(rows["t_ns"][0]) - now) < 1_000_000_000
    assert batch.stamp_source == KERNEL


def test_dropped_frames_are_counted_exactly(vcan: str) -> None:
    """With a small buffer and nobody reading, what is missing is what the kernel says it dropped."""
    count = 3000
    with BatchSocket(vcan, receive_buffer_bytes=20_000) as batch, raw_socket(vcan) as sender:
        assert batch.drops == 0
        for frame in numbered(count):
            sender.send(frame)
        received = 0
        while len(rows := batch.recv_batch(0.05)):
            received += len(rows)

        assert 0 < received < count
        assert received + batch.drops == count


def test_nothing_is_lost_with_room_enough(vcan: str) -> None:
    """More frames than one call takes come whole and in order."""
    count = 2000
    with BatchSocket(vcan, receive_buffer_bytes=4_000_000) as batch, raw_socket(vcan) as sender:
        for frame in numbered(count):
            sender.send(frame)
        parts = []
        while sum(map(len, parts)) < count:
            rows = batch.recv_batch(1.0)
            assert len(rows)
            parts.append(rows)

    numbers = np.concatenate(parts)["data"].copy().view(np.uint64).ravel()
    assert numbers.tolist() == list(range(count))
    assert not (np.concatenate(parts)["flags"] & FLAG_ERROR).any()


def test_a_silent_bus_gives_an_empty_array_in_time(vcan: str) -> None:
    """The timeout holds; 0 does not wait."""
    with BatchSocket(vcan) as batch:
        start = time.monotonic()
        assert len(batch.recv_batch(0.0)) == 0
        assert time.monotonic() - start < 0.05
        assert len(batch.recv_batch(0.2)) == 0
        assert 0.19 <= time.monotonic() - start < 1.0


def test_an_interface_that_goes_down_raises(vcan: str) -> None:
    """The loss is told in words, and never as silence."""
    with BatchSocket(vcan) as batch, raw_socket(vcan) as sender:
        sender.send(numbered(1)[0])
        shell(f"ip link set {vcan} down")
        with pytest.raises(BenchLost, match=f"{vcan} is down"):
            read_until_lost(batch)
        shell(f"ip link set {vcan} up")


def test_wrong_use_is_told(vcan: str) -> None:
    """No such interface, and a socket that was closed: each in words."""
    with pytest.raises(BenchNotOpened, match="can9 can't be opened: No such device"):
        BatchSocket("can9")
    batch = BatchSocket(vcan)
    batch.close()
    batch.close()
    with pytest.raises(UsageError, match="was closed"):
        batch.recv_batch()


def test_a_port_over_python_can_counts_what_the_kernel_dropped(vcan: str) -> None:
    """The program reads too late: what is missing is what the port says the kernel dropped, and nothing is unknown."""
    port = open_port(
        SimpleNamespace(name="can", interface="socketcan", channel=vcan, bit_rate_bps=1_000_000, options={})
    )
    try:
        port.bus.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        before = port.host_loss()
        with can.Bus(interface="socketcan", channel=vcan, ignore_config=True) as sender:
            for number in range(200):
                sender.send(can.Message(arbitration_id=0x123, data=[number], is_extended_id=False))
        read = 0
        while port.recv(0.0) is not None:
            read += 1
        assert 0 < read < 200
        assert port.host_loss().dropped - before.dropped == 200 - read
    finally:
        port.close()


def test_the_manual_s_accounting_counts_every_frame(vcan: str) -> None:
    """The python block of adapters.md, as it stands there: frames, an error frame, nothing dropped, and whose stamps."""
    text = page("adapters").partition("## Accounting for every frame")[2]
    code = text.partition("```python\n")[2].partition("```")[0].replace('"can0"', f'"{vcan}"')
    said = io.StringIO()
    with raw_socket(vcan) as sender, contextlib.redirect_stdout(said):
        sending = threading.Timer(
            0.5, lambda: [sender.send(frame) for frame in (*numbered(500), NO_ACKNOWLEDGE)]
        )
        sending.start()
        exec(compile(code, "adapters.md", "exec"), {})
        sending.join()

    assert said.getvalue().startswith(f"500 frames, 1 errors, 0 not delivered, {KERNEL}\n")
    assert said.getvalue().endswith("1 identifiers\n")
