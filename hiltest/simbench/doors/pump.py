"""Letting simulated time run, for one at a time."""

from __future__ import annotations

from collections.abc import Iterator
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
