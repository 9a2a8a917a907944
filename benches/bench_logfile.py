"""A candump log of a million frames, read and analysed: ours against python-can's reader alone."""

from __future__ import annotations

import random
import tempfile
from pathlib import Path

import can
from _ratio import Way, compare, finish

from hiltest.canbus.frame import Frame, to_message
from hiltest.canbus.logfile import LogWriter, analyse, read_log

FRAMES = 1_000_000
rng = random.Random(1)
# 40 identifiers as on a small machine, random payloads, 115 us apart: 1 Mbit/s at full load.
ids = [rng.getrandbits(11) for _ in range(40)]


def bus_frames() -> list[Frame]:
    return [Frame(rng.choice(ids), rng.randbytes(8), t_ns=index * 115_000) for index in range(FRAMES)]


with tempfile.TemporaryDirectory() as folder:
    path = Path(folder) / "bus.log"
    frames = bus_frames()
    with LogWriter(path) as writer:
        writer.write_all(frames)
    tenth = Path(folder) / "tenth.log"
    with LogWriter(tenth) as writer:
        writer.write_all(frames[: FRAMES // 10])

    def python_can() -> int:
        return sum(1 for _ in can.CanutilsLogReader(tenth))

    def ours() -> None:
        account = analyse(path, 1_000_000)
        assert account.frames == FRAMES
        assert len(account.ids) == len(set(ids))

    def our_writer() -> None:
        with LogWriter(Path(folder) / "ours.log") as log:
            log.write_all(frames[:50_000])

    messages = [to_message(frame) for frame in frames[:50_000]]

    def their_writer() -> None:
        log = can.CanutilsLogWriter(Path(folder) / "theirs.log")
        for message in messages:
            log(message)
        log.stop()

    peer = Way("python-can's reader", python_can, FRAMES // 10)
    results = [
        compare("log read and analysed", Way("analyse", ours, FRAMES), peer, 10),
        compare("log read", Way("read_log", lambda: read_log(path), FRAMES), peer, 10),
        compare(
            "log written",
            Way("LogWriter", our_writer, 50_000),
            Way("python-can's writer", their_writer, 50_000),
            0.7,
        ),
    ]
finish(results)
