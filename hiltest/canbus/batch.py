"""Many frames as one numpy array: what the batch receivers return.

One row a frame. `t_ns` is Unix time in nanoseconds, `can_id` the identifier without flags (of an error
frame: the error class of linux/can/error.h), `flags` the FLAG_ bits of `frame.py`, `length` the number of
data bytes (of a remote frame: the length it asks for), `data` zero behind `length`.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import repeat
from operator import not_
from typing import Any

import numpy as np
import numpy.typing as npt

from hiltest.canbus.frame import (
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_ERROR_STATE,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
    FLAG_TX,
    Frame,
)
from hiltest.errors import UsageError

Rows = npt.NDArray[np.void]
"""A structured array of `FRAME_DTYPE` or `FD_FRAME_DTYPE`."""


def _dtype(data_bytes: int) -> np.dtype[np.void]:
    fields: list[Any] = [
        ("t_ns", np.int64),
        ("can_id", np.uint32),
        ("flags", np.uint8),
        ("length", np.uint8),
        ("data", np.uint8, (data_bytes,)),
    ]
    return np.dtype(fields, align=True)


FRAME_DTYPE = _dtype(8)
"""24 bytes a frame, classic frames only."""

FD_FRAME_DTYPE = _dtype(64)
"""80 bytes a frame, classic and CAN FD frames."""


def to_rows(frames: Sequence[Frame], dtype: np.dtype[np.void] = FRAME_DTYPE) -> Rows:
    """The frames as an array of shape (len(frames),) and type `dtype`.

    Raises:
        UsageError: a frame with more data bytes than a row of this type holds.
    """
    rows = np.zeros(len(frames), dtype)
    if not len(frames):
        return rows
    ids, datas, *flags, stamps, is_rx, remote_dlcs, error_states = zip(*frames, strict=True)
    width = dtype["data"].shape[0]
    lengths = np.fromiter(map(len, datas), np.int64, len(frames))
    if int(lengths.max()) > width:
        longest = frames[int(lengths.argmax())]
        raise UsageError(f"{longest!r} has {len(longest.data)} data bytes; a row of this type holds {width}")
    rows["t_ns"], rows["can_id"] = stamps, ids
    bits = (*flags, error_states, tuple(map(not_, is_rx)))
    rows["flags"] = sum(np.array(column, np.uint8) << place for place, column in enumerate(bits))
    rows["length"] = np.where(rows["flags"] & FLAG_REMOTE, remote_dlcs, lengths)
    padded = b"".join(map(bytes.ljust, datas, repeat(width), repeat(b"\0")))
    rows["data"] = np.frombuffer(padded, np.uint8).reshape(-1, width)
    return rows


class KnownRows:
    """Rows of frames that come again and again as the same objects, worked out once for each object.

    Keeps up to `most` of them alive.
    """

    def __init__(self, most: int = 1 << 14) -> None:
        self._most = most
        self._forget()

    def _forget(self) -> None:
        self._frames: list[Frame] = []  # kept alive: an object's id is its own for as long as it lives
        self._place: dict[int, int] = {}
        self._rows: Rows = np.zeros(0, FD_FRAME_DTYPE)

    def rows(self, frames: Sequence[Frame]) -> Rows:
        """The frames as an array of shape (len(frames),) and type `FD_FRAME_DTYPE`.

        Raises:
            UsageError: a frame with more than 64 data bytes.
        """
        places: list[Any] = list(map(self._place.get, map(id, frames)))
        if None in places:
            self._learn(frames)
            places = list(map(self._place.get, map(id, frames)))
        return self._rows[places]

    def _learn(self, frames: Sequence[Frame]) -> None:
        new = list({id(frame): frame for frame in frames if id(frame) not in self._place}.values())
        if len(new) + len(self._frames) > self._most:
            self._forget()
            new = list({id(frame): frame for frame in frames}.values())
        rows = to_rows(new, FD_FRAME_DTYPE)
        self._place.update(
            zip(map(id, new), range(len(self._frames), len(self._frames) + len(new)), strict=True)
        )
        self._frames += new
        self._rows = np.concatenate([self._rows, rows])


def to_frames(rows: Rows) -> list[Frame]:
    """The rows as `Frame` objects, in the same order."""
    frames = []
    for t_ns, can_id, flags, length, data in zip(
        rows["t_ns"].tolist(),
        rows["can_id"].tolist(),
        rows["flags"].tolist(),
        rows["length"].tolist(),
        rows["data"],
        strict=True,
    ):
        remote = bool(flags & FLAG_REMOTE)
        frames.append(
            Frame(
                can_id,
                b"" if remote else data[:length].tobytes(),
                bool(flags & FLAG_EXTENDED),
                remote,
                bool(flags & FLAG_ERROR),
                bool(flags & FLAG_FD),
                bool(flags & FLAG_BITRATE_SWITCH),
                t_ns,
                not flags & FLAG_TX,
                length if remote else 0,
                bool(flags & FLAG_ERROR_STATE),
            )
        )
    return frames
