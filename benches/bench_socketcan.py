"""Receiving from SocketCAN in batches against python-can's receive, in one kernel on one virtual interface.

Without a CAN interface at hand it boots the kernel of tests/kernel/uml.py, and measures inside. There a
system call costs some 25 us, so that only ratios mean something, and sender and receiver share one processor.

    python benches/bench_socketcan.py                 # 60 s at the full rate
    python benches/bench_socketcan.py --short         # 3 s
    python benches/bench_socketcan.py --channel vcan0 # on this machine's own kernel
"""

from __future__ import annotations

import argparse
import ctypes
import os
import socket
import struct
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import can
import numpy as np

from hiltest.canbus.socketcan import BatchSocket
from hiltest.clock import sleep_s, wall_s

REPOSITORY = Path(__file__).resolve().parents[1]
EMPTY_RATE = 21_276
FULL_S, SHORT_S = 60.0, 3.0
FILL, TURNS = 2_000, 7
ROOM_BYTES = 8_000_000
BURST = 64
PORTION = 256
SO_RCVBUFFORCE = 33


class Sender:
    """Numbered frames in bursts of `sendmmsg`: the sender must not be what is measured."""

    def __init__(self, channel: str, data_bytes: int) -> None:
        self._socket = socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW)
        self._socket.setsockopt(socket.SOL_CAN_RAW, socket.CAN_RAW_FILTER, b"")
        self._socket.bind((channel,))
        self._data_bytes = data_bytes
        self._frames = np.zeros((BURST, 4), np.uint32)
        self._frames[:, 1] = data_bytes
        vectors = np.zeros((BURST, 2), np.uint64)
        vectors[:, 0] = self._frames.ctypes.data + 16 * np.arange(BURST)
        vectors[:, 1] = 16
        # struct mmsghdr on 64 bits: name, namelen, iov, iovlen, control, controllen, flags, len
        self._headers = np.zeros((BURST, 8), np.uint64)
        self._headers[:, 2] = vectors.ctypes.data + 16 * np.arange(BURST)
        self._headers[:, 3] = 1
        self._vectors = vectors
        self._sendmmsg = ctypes.CDLL(None, use_errno=True).sendmmsg

    def send(self, first: int, count: int) -> None:
        """Send the frames `first` to `first` + `count` - 1; the number is the identifier, modulo 2048."""
        while count:
            size = min(count, BURST)
            self._frames[:size, 0] = (first + np.arange(size)) % 2048
            done = self._sendmmsg(self._socket.fileno(), ctypes.c_void_p(self._headers.ctypes.data), size, 0)
            if done < 0:
                raise OSError(ctypes.get_errno(), "sendmmsg")
            first, count = first + done, count - done


def ratio(channel: str, data_bytes: int) -> bool:
    """Both read the same frames, all of which wait already; only the reading is timed."""
    sender = Sender(channel, data_bytes)
    best = {"ours": 0.0, "peer": 0.0}
    with (
        BatchSocket(channel, receive_buffer_bytes=ROOM_BYTES) as ours,
        can.Bus(interface="socketcan", channel=channel) as peer,
    ):
        peer.socket.setsockopt(socket.SOL_SOCKET, SO_RCVBUFFORCE, ROOM_BYTES)
        for _ in range(TURNS):
            sender.send(0, FILL)
            best["ours"] = max(best["ours"], timed(lambda: read_batches(ours)))
            best["peer"] = max(best["peer"], timed(lambda: read_singly(peer)))
        assert ours.drops == 0
    times = best["ours"] / best["peer"]
    good = times >= 10
    print(
        f"SocketCAN, {data_bytes}-byte frames, recv_batch: ours {best['ours']:,.0f}/s, "
        f"peer python-can recv {best['peer']:,.0f}/s, ratio {times:.1f}, goal 10, {'ok' if good else 'MISSED'}",
        flush=True,
    )
    return good


def timed(read: Any) -> float:
    start = wall_s()
    read()
    return FILL / (wall_s() - start)


def read_batches(batch: BatchSocket) -> None:
    count = 0
    while count < FILL:
        count += len(batch.recv_batch(1.0))


def read_singly(bus: can.BusABC) -> None:
    for _ in range(FILL):
        assert bus.recv(1.0) is not None


def send_paced(channel: str, rate: float, seconds: float) -> None:
    """In a process of its own: `rate` frames/s, and a last one with an extended identifier."""
    sender = Sender(channel, 0)
    sleep_s(0.3)
    start, sent, total = wall_s(), 0, round(rate * seconds)
    while sent < total:
        # Behind, because the machine was busy elsewhere, it catches up in portions: a bus sends no bursts.
        due = min(total, int((wall_s() - start) * rate), sent + PORTION)
        sender.send(sent, due - sent)
        sent = due
        sleep_s(0.002)
    with socket.socket(socket.PF_CAN, socket.SOCK_RAW, socket.CAN_RAW) as last:
        last.bind((channel,))
        last.send(struct.pack("=IB3x8s", 0x80000000 | total, 0, b""))


def losses(channel: str, rate: float, seconds: float) -> bool:
    """Every frame of a full bus accounted for; what the kernel dropped would be counted."""
    with BatchSocket(channel) as batch:
        child = os.fork()
        if child == 0:
            send_paced(channel, rate, seconds)
            os._exit(0)
        used, start = time.process_time(), wall_s()
        count, in_order, total = 0, True, None
        while total is None and wall_s() - start < 3 * seconds + 20:
            rows = batch.recv_batch(1.0)
            numbers = rows["can_id"].astype(np.int64)
            if len(rows) and rows["flags"][-1] & 1:
                total, numbers = int(numbers[-1]), numbers[:-1]
            in_order &= bool((numbers == (count + np.arange(len(numbers))) % 2048).all())
            count += len(numbers)
            sleep_s(0.005)
        core = (time.process_time() - used) / (wall_s() - start)
        os.waitpid(child, 0)
        drops = batch.drops
    good = total == count and in_order and drops == 0
    print(
        f"SocketCAN, empty frames at {rate:,.0f}/s for {seconds:g} s: ours lost {(total or 0) - count} of "
        f"{total:,}, kernel drops {drops}, {core:.0%} of a core, goal 0, {'ok' if good else 'MISSED'}",
        flush=True,
    )
    return good


def drops_are_counted(channel: str) -> bool:
    """A reader that sleeps through a burst: what is missing is what `drops` says."""
    sender, total = Sender(channel, 8), 4_000
    with BatchSocket(channel, receive_buffer_bytes=50_000) as batch:
        sender.send(0, total)
        count = 0
        while len(rows := batch.recv_batch(0.2)):
            count += len(rows)
        drops = batch.drops
    good = drops > 0 and count + drops == total
    print(
        f"SocketCAN, a burst of {total:,} that nobody reads: received {count:,}, drops counted {drops:,}, "
        f"sum {count + drops:,}, goal {total:,}, {'ok' if good else 'MISSED'}",
        flush=True,
    )
    return good


def measure(channel: str, seconds: float) -> int:
    """All lines on an interface that is there; the exit code."""
    good = [
        ratio(channel, 8),
        ratio(channel, 0),
        losses(channel, EMPTY_RATE, seconds),
        drops_are_counted(channel),
    ]
    return 0 if all(good) else 1


def measure_in_own_kernel(seconds: float) -> int:
    """Boot a kernel and measure in it; the exit code, 3 if there is none to boot."""
    sys.path.insert(0, str(REPOSITORY / "tests" / "kernel"))
    import uml

    if reason := uml.missing():
        print(f"SocketCAN: not measured, {reason}")
        return 3
    code = (
        "import runpy, subprocess, sys\n"
        "subprocess.run('ip link add vbench type vcan && ip link set vbench up', shell=True, check=True)\n"
        f"sys.argv = ['bench', '--channel', 'vbench', '--seconds', '{seconds}']\n"
        f"runpy.run_path({str(Path(__file__).resolve())!r}, run_name='__main__')\n"
    )
    with tempfile.TemporaryDirectory() as folder, uml.Kernel(Path(folder), memory_mb=512) as kernel:
        result = kernel.run(code, limit_s=120 + 4 * seconds)
    print(result.text.rstrip().rpartition("\n")[0].rstrip())
    return int(result.code)


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0], allow_abbrev=False)
    parser.add_argument(
        "--seconds",
        type=float,
        default=FULL_S,
        help="for how long the full rate is held (default: %(default)g)",
    )
    parser.add_argument(
        "--short", action="store_const", dest="seconds", const=SHORT_S, help=f"{SHORT_S:g} s only"
    )
    parser.add_argument("--channel", help="measure on this interface instead of in a kernel of its own")
    options = parser.parse_args()
    if options.channel:
        return measure(options.channel, options.seconds)
    return measure_in_own_kernel(options.seconds)


if __name__ == "__main__":
    sys.exit(main())
