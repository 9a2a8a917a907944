"""Exact length of frames: ours against bit-by-bit Python and against a byte-table loop, same frames."""

from __future__ import annotations

import random

import numpy as np
from _ratio import Way, compare, finish

from hiltest.canbus import _reference, frames
from hiltest.canbus.batch import to_rows
from hiltest.canbus.frame import FD_LENGTHS, Frame
from hiltest.canbus.framearrays import lengths_bits

BATCH = 100_000
SLOW = 500
rng = random.Random(1)
some = [Frame(rng.getrandbits(11), rng.randbytes(8)) for _ in range(BATCH)]
rows = to_rows(some)
columns = tuple(np.ascontiguousarray(rows[name]) for name in ("can_id", "flags", "length", "data"))
fd = [Frame(rng.getrandbits(11), rng.randbytes(rng.choice(FD_LENGTHS)), fd=True) for _ in range(SLOW)]
few = some[:50]


def bit_by_bit() -> None:
    for frame in some[:SLOW]:
        _reference.length_bits(frame)


def table_loop() -> None:
    """The scalar path without its memory of frames seen: a plain loop over byte tables."""
    bits = frames._data_bits.__wrapped__
    for can_id, data, extended, *_ in some[:5_000]:
        bits(can_id, data, extended)


def one_at_a_time() -> None:
    frames._data_bits.cache_clear()
    length = frames.length_bits
    for frame in some[:5_000]:
        length(frame)


def repeating() -> None:
    length = frames.length_bits
    for _ in range(400):
        for frame in few:
            length(frame)


def fd_bit_by_bit() -> None:
    for frame in fd[:200]:
        _reference.length_bits(frame)


def fd_one_at_a_time() -> None:
    frames._fd_length.cache_clear()
    for frame in fd:
        frames.length_bits(frame)


assert lengths_bits(*columns)[:SLOW].tolist() == [_reference.length_bits(frame) for frame in some[:SLOW]]

reference = Way("bit by bit", bit_by_bit, SLOW)
arrays = Way("arrays of 100,000", lambda: lengths_bits(*columns), BATCH)
finish(
    [
        compare("random 8-byte frames", arrays, reference, 500, turns=25),
        compare("random 8-byte frames", arrays, Way("byte-table loop", table_loop, 5_000), 30, turns=25),
        compare("random 8-byte frames", Way("one at a time", one_at_a_time, 5_000), reference, 10, turns=40),
        compare("repeating 8-byte frames", Way("one at a time", repeating, 20_000), reference, 30),
        compare(
            "random CAN FD frames",
            Way("one at a time", fd_one_at_a_time, SLOW),
            Way("bit by bit", fd_bit_by_bit, 200),
            10,
        ),
    ]
)
