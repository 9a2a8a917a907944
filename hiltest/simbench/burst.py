"""Frames on demand: the object by which the node itself loads the bus (object 0x2002).

Pattern 0 carries the frame's number twice, plain and scrambled, so that a receiver can check both; patterns
1 and 2 are hard on the line (many stuff bits, few edges).
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from hiltest.canbus.frame import Frame
from hiltest.simbench.controller import Controller
from hiltest.simbench.events import EventQueue, Repeating
from hiltest.simbench.objects import Dictionary, Value

INDEX = 0x2002
AHEAD = 4
SCRAMBLE = 2_654_435_761


def burst_data(number: int, pattern: int) -> bytes:
    """The 8 bytes of frame `number` (from 0)."""
    if pattern == 1:
        return bytes([number & 0xFF]) + b"\x0f" * 7
    if pattern == 2:
        return bytes([number & 0xFF]) + b"\x3c" * 7
    return struct.pack("<II", number & 0xFFFF_FFFF, number * SCRAMBLE & 0xFFFF_FFFF)


class Burst:
    """Sends what object 0x2002 asks for."""

    def __init__(self, queue: EventQueue, controller: Controller, dictionary: Dictionary) -> None:
        self._queue, self._controller, self._objects = queue, controller, dictionary
        self._timer: Repeating | None = None
        self._deaf: Callable[[], None] | None = None
        self._first, self._count, self._pattern = 0, 1, 0
        self._wanted = self._queued = 0
        self.sent = 0
        self.skipped = 0
        dictionary.serve(INDEX, 3, read=lambda: self.sent)

    def start(self, frames: Value) -> None:
        """Begin a burst of so many frames; 0 only stops."""
        self.stop()
        self._wanted = int(frames) if isinstance(frames, int) else 0
        self._queued = self.sent = 0
        if not self._wanted:
            return
        self._first = self._objects.number(INDEX, 4)
        self._pattern = self._objects.number(INDEX, 5)
        self._count = max(1, self._objects.number(INDEX, 6))
        self._deaf = self._controller.on_sent(self._went_out)
        interval_us = self._objects.number(INDEX, 2)
        if interval_us:
            self._timer = self._queue.every(interval_us * 1000, self._next)
        else:
            for _ in range(min(AHEAD, self._wanted)):
                self._next()

    def stop(self) -> None:
        """End it; what waits in the controller still goes out."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._deaf is not None:
            self._deaf()
            self._deaf = None

    def _next(self) -> None:
        if self._queued >= self._wanted:
            if self._timer is not None:
                self._timer.cancel()
                self._timer = None
            return
        number = self._queued
        frame = Frame(self._first + number % self._count, burst_data(number, self._pattern))
        if self._controller.send(frame):
            self._queued += 1
        else:
            self.skipped += 1

    def _went_out(self, frame: Frame) -> None:
        if not self._first <= frame.can_id < self._first + self._count:
            return
        self.sent += 1
        if self.sent >= self._wanted:
            self.stop()
        elif self._timer is None:
            self._next()


class CountedBurst:
    """The burst of a board without an object dictionary: frames that carry their number and its complement."""

    def __init__(self, queue: EventQueue, controller: Controller, can_id: int) -> None:
        self._queue, self._controller, self._can_id = queue, controller, can_id
        self._timer: Repeating | None = None
        self._left = 0
        self.sent = 0

    def start(self, frames: int, interval_us: int) -> None:
        """Begin a burst of so many frames; 0 only stops."""
        self.stop()
        self._left, self.sent = frames, 0
        if frames and interval_us > 0:
            self._timer = self._queue.every(interval_us * 1000, self._next)

    def stop(self) -> None:
        """End it; what waits in the controller still goes out."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _next(self) -> None:
        if not self._left:
            self.stop()
        elif self._controller.send(
            Frame(self._can_id, struct.pack("<II", self.sent, ~self.sent & 0xFFFF_FFFF))
        ):
            self._left -= 1
            self.sent += 1
