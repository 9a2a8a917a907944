"""Letting simulated time run, for one at a time."""

from __future__ import annotations

from collections.abc import Sequence

from hiltest.errors import BenchError
from hiltest.simbench.events import EventQueue


class pumping:  # noqa: N801 - used like a function
    """With it time runs: nothing that runs in it may let time run again.

    Raises:
        BenchError: on entry, it runs already.
    """

    __slots__ = ("_queue",)

    def __init__(self, queue: EventQueue) -> None:
        self._queue = queue

    def __enter__(self) -> None:
        if self._queue.pumping:
            raise BenchError(
                "waiting inside something that the simulated bench just called (a listener, or the callback of a "
                "cyclic task): on hardware this would hang. Return first, then wait"
            )
        self._queue.pumping = True

    def __exit__(self, *_: object) -> None:
        self._queue.pumping = False


class Earliest(Sequence[tuple[int, object]]):
    """Several queues of what is on its way, each in order of time, as one: its first is the earliest of theirs."""

    def __init__(self, queues: Sequence[Sequence[tuple[int, object]]]) -> None:
        self._queues = queues

    def __len__(self) -> int:
        return sum(len(queue) for queue in self._queues)

    def __getitem__(self, index: int) -> tuple[int, object]:  # type: ignore[override]
        """The earliest; nothing else is asked for."""
        return min((queue[index] for queue in self._queues if queue), key=lambda each: each[0])
