"""Letting simulated time run, for one at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from hiltest.errors import BenchError
from hiltest.simbench.events import EventQueue


@contextmanager
def pumping(queue: EventQueue) -> Iterator[None]:
    """Time runs: nothing that runs in it may let time run again.

    Raises:
        BenchError: it runs already.
    """
    if queue.pumping:
        raise BenchError(
            "waiting inside something that the simulated bench just called (a listener, or the callback of a "
            "cyclic task): on hardware this would hang. Return first, then wait"
        )
    queue.pumping = True
    try:
        yield
    finally:
        queue.pumping = False


class Earliest(Sequence[tuple[int, object]]):
    """Several queues of what is on its way, each in order of time, as one: its first is the earliest of theirs."""

    def __init__(self, queues: Sequence[Sequence[tuple[int, object]]]) -> None:
        self._queues = queues

    def __len__(self) -> int:
        return sum(len(queue) for queue in self._queues)

    def __getitem__(self, index: int) -> tuple[int, object]:  # type: ignore[override]
        """The earliest; nothing else is asked for."""
        return min((queue[index] for queue in self._queues if queue), key=lambda each: each[0])
