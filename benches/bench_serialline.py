"""Receiving from a serial-line adapter: ours against python-can's slcan on pseudo-terminals of one make.

The adapter is a process of its own. For the ratio it is always ahead; for the losses it keeps to a rate and
has, as small adapters do, room for 64 frames that the port did not take: what does not fit is lost. Frames
are numbered, so that each that is missing is known.

    python benches/bench_serialline.py          # 60 s a rate
    python benches/bench_serialline.py --short  # 3 s a rate
"""

from __future__ import annotations

import argparse
import json
import os
import select
import subprocess
import sys
import time
import tty
from contextlib import suppress

import can
import numpy as np
from can.interfaces.slcan import slcanBus

from hiltest.canbus.serialline import SerialLineBus
from hiltest.clock import sleep_s, wall_s

FIFO_FRAMES = 64
ROUND = 2048  # numbers repeat after this many frames: as many as there are standard identifiers
EIGHT_BYTE_RATE = 9_009
EMPTY_RATE = 21_276
FULL_S, SHORT_S = 60.0, 3.0
OURS_FRAMES, PEER_FRAMES, TURNS = 100_000, 1_500, 3


# --- the adapter ------------------------------------------------------------------------------------


def frame_lines(data_bytes: int) -> list[bytes]:
    """One line for each number of a round: the number is the identifier."""
    data = bytes(range(0xA0, 0xA0 + data_bytes)).hex().upper()
    return [f"t{number:03X}{data_bytes}{data}\r".encode() for number in range(ROUND)]


def adapter(master: int, data_bytes: int, rate: float, seconds: float) -> None:
    """Answer commands until the channel is open, then send; rate 0: as fast as the port takes it."""
    wait_until_open(master)
    lines = frame_lines(data_bytes)
    if rate == 0:
        block = b"".join(lines)
        while True:
            os.write(master, block)
    os.set_blocking(master, False)
    sent, lost = paced(master, lines, rate, seconds)
    print(json.dumps({"sent": sent, "lost_in_adapter": lost}), flush=True)
    os.set_blocking(master, True)
    with suppress(OSError):  # until the other side goes; leaving first would look like an unplugged adapter
        while os.read(master, 100):
            pass


def wait_until_open(master: int) -> None:
    text = b""
    while not text.endswith(b"O\r"):
        text += (new := os.read(master, 100))
        os.write(master, b"\r" * new.count(b"\r"))
    sleep_s(0.2)


def paced(master: int, lines: list[bytes], rate: float, seconds: float) -> tuple[int, int]:
    start, produced, lost = wall_s(), 0, 0
    waiting: list[bytes] = []
    rest = b""
    total = round(rate * seconds)
    while produced < total or waiting or rest:
        due = min(total, int((wall_s() - start) * rate))
        # In small portions: that this process was kept from running is not the reader's fault.
        for number in range(produced, min(due, produced + FIFO_FRAMES // 2)):
            if len(waiting) < FIFO_FRAMES:
                waiting.append(lines[number % ROUND])
            else:
                lost += 1
            produced = number + 1
        data = rest + b"".join(waiting)
        taken = 0
        with suppress(BlockingIOError):
            taken = os.write(master, data) if data else 0
        rest, waiting = unsent(rest, waiting, taken)
        if produced >= due:
            sleep_s(0.0005)
    return produced, lost


def unsent(rest: bytes, waiting: list[bytes], taken: int) -> tuple[bytes, list[bytes]]:
    """What is left of a line that was begun, and of the lines behind it."""
    if taken < len(rest):
        return rest[taken:], waiting
    taken -= len(rest)
    for index, line in enumerate(waiting):
        if taken < len(line):
            return (line[taken:], waiting[index + 1 :]) if taken else (b"", waiting[index:])
        taken -= len(line)
    return b"", []


class Adapter:
    """The adapter's process and the path of its port."""

    def __init__(self, data_bytes: int, rate: float = 0, seconds: float = 0) -> None:
        master, slave = os.openpty()
        tty.setraw(slave)
        self.path = os.ttyname(slave)
        self._slave = slave
        order = [str(value) for value in (master, data_bytes, rate, seconds)]
        self._process = subprocess.Popen(
            [sys.executable, __file__, "--adapter", *order],
            pass_fds=[master],
            stdout=subprocess.PIPE,
            text=True,
        )
        os.close(master)

    def outcome(self) -> dict[str, int]:
        """Frames that it should have sent, and those among them that it had no room for."""
        assert self._process.stdout is not None
        return dict(json.loads(self._process.stdout.readline()))

    @property
    def is_done(self) -> bool:
        assert self._process.stdout is not None
        return bool(select.select([self._process.stdout], [], [], 0)[0])

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        os.close(self._slave)


# --- measuring --------------------------------------------------------------------------------------


def batch_rate(bus: SerialLineBus) -> float:
    start, count = wall_s(), 0
    while count < OURS_FRAMES:
        count += len(bus.recv_batch(1.0))
    return count / (wall_s() - start)


def single_rate(bus: can.BusABC, frames: int) -> float:
    start = wall_s()
    for _ in range(frames):
        assert bus.recv(2.0) is not None
    return frames / (wall_s() - start)


def compare(data_bytes: int) -> bool:
    """Both receivers in turns, each from an adapter that is always ahead."""
    ours_adapter, peer_adapter = Adapter(data_bytes), Adapter(data_bytes)
    ours = SerialLineBus(ours_adapter.path, bitrate=1_000_000, command_timeout_s=5.0)
    peer = slcanBus(peer_adapter.path, bitrate=1_000_000, sleep_after_open=0)
    batches, singles, peers = [], [], []
    for _ in range(TURNS):
        batches.append(batch_rate(ours))
        peers.append(single_rate(peer, PEER_FRAMES))
        singles.append(single_rate(ours, OURS_FRAMES // 4))
    for adapter in (ours_adapter, peer_adapter):
        adapter.close()
    with suppress(can.CanError, OSError):
        ours.shutdown()
    with suppress(Exception):  # the peer's port is gone
        peer.shutdown()
    what = f"serial line, {data_bytes}-byte frames"
    good = ratio_line(f"{what}, recv_batch", max(batches), max(peers), 20)
    # One message object a frame has its price; no goal was set for it.
    ratio_line(f"{what}, recv", max(singles), max(peers), None)
    return good


def ratio_line(name: str, ours: float, peer: float, goal: float | None) -> bool:
    good = goal is None or ours / peer >= goal
    aim = "no goal" if goal is None else f"goal {goal:g}"
    print(
        f"{name}: ours {ours:,.0f}/s, peer python-can slcan {peer:,.0f}/s, ratio {ours / peer:.1f}, ", end=""
    )
    print(f"{aim}, {'ok' if good else 'MISSED'}", flush=True)
    return good


def lost_by_ours(data_bytes: int, rate: float, seconds: float) -> tuple[int, int, float]:
    """Frames lost, frames sent, and the part of a core that receiving took."""
    adapter = Adapter(data_bytes, rate, seconds)
    missing = count = 0
    expected = 0
    with SerialLineBus(adapter.path, bitrate=1_000_000, command_timeout_s=5.0) as bus:
        used, start = time.process_time(), wall_s()
        while True:
            rows = bus.recv_batch(0.01)
            if len(rows):
                numbers = rows["can_id"].astype(np.int64)
                missing += int(((numbers - expected_numbers(expected, len(rows))) % ROUND != 0).any())
                expected = int(numbers[-1]) + 1
                count += len(rows)
            elif adapter.is_done:
                break
            sleep_s(0.005)  # a monitor looks now and then; it does not spin
        core = (time.process_time() - used) / (wall_s() - start)
        assert bus.counters.malformed == 0
    outcome = adapter.outcome()
    adapter.close()
    lost = outcome["sent"] - count
    assert (lost == 0) == (missing == 0), f"{lost} frames lost, {missing} gaps"
    return lost, outcome["sent"], core


def expected_numbers(first: int, count: int) -> np.ndarray:
    return np.arange(first, first + count)


def lost_by_peer(data_bytes: int, rate: float, seconds: float) -> tuple[int, int]:
    adapter = Adapter(data_bytes, rate, seconds)
    bus = slcanBus(adapter.path, bitrate=1_000_000, sleep_after_open=0)
    count = 0
    while True:
        if bus.recv(0.2) is not None:
            count += 1
        elif adapter.is_done:
            break
    outcome = adapter.outcome()
    bus.shutdown()
    adapter.close()
    return outcome["sent"] - count, outcome["sent"]


def losses(data_bytes: int, rate: float, seconds: float) -> bool:
    lost, sent, core = lost_by_ours(data_bytes, rate, seconds)
    peer_lost, peer_sent = lost_by_peer(data_bytes, rate, min(seconds, SHORT_S))
    print(
        f"serial line, {data_bytes}-byte frames at {rate:,.0f}/s for {seconds:g} s: ours lost {lost} of {sent:,} "
        f"({core:.0%} of a core), peer python-can slcan lost {peer_lost / peer_sent:.0%} of {peer_sent:,}, "
        f"goal 0, {'ok' if lost == 0 else 'MISSED'}",
        flush=True,
    )
    return lost == 0


def main() -> int:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0], allow_abbrev=False)
    parser.add_argument(
        "--seconds", type=float, default=FULL_S, help="for how long each rate is held (default: %(default)g)"
    )
    parser.add_argument(
        "--short", action="store_const", dest="seconds", const=SHORT_S, help=f"{SHORT_S:g} s only"
    )
    parser.add_argument("--adapter", nargs=4, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.adapter:
        master, data_bytes, rate, seconds = options.adapter
        adapter(int(master), int(data_bytes), float(rate), float(seconds))
        return 0
    good = [
        compare(8),
        compare(0),
        losses(8, EIGHT_BYTE_RATE, options.seconds),
        losses(0, EMPTY_RATE, options.seconds),
    ]
    return 0 if all(good) else 1


if __name__ == "__main__":
    sys.exit(main())
