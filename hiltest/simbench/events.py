"""The event queue of the simulated bench: what happens next, in integer nanoseconds.

One thread. Events at the same time are served first in, first out. The queue is the only owner of the
bench's `SimulatedClock`: time moves when an event is served or when `run_until` reaches its deadline.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from itertools import count
from typing import Any

from hiltest.clock import SimulatedClock
from hiltest.errors import UsageError


class Event(list[Any]):
    """One scheduled call. Keep it to `cancel()` it.

    It is the heap's own entry [when_ns, number, function, arguments]: comparing two lists runs in C and
    stops at the number, which makes equal times first in, first out.
    """

    __slots__ = ()

    @property
    def when_ns(self) -> int:
        """When the call is due, in bench time."""
        when: int = self[0]
        return when

    @property
    def pending(self) -> bool:
        """True until the call was made or cancelled."""
        return self[2] is not None

    def cancel(self) -> None:
        """Never make the call. Cancelling twice, or after the call was made, does nothing."""
        self[2] = None
        self[3] = ()

    __hash__ = None  # type: ignore[assignment]


class Repeating:
    """A call made again and again on a fixed grid, so that no rounding adds up. See `EventQueue.every`."""

    __slots__ = ("_action", "_event", "_period_ns", "_queue")

    def __init__(
        self, queue: EventQueue, period_ns: int, action: Callable[[], object], first_ns: int
    ) -> None:
        self._queue, self._period_ns, self._action = queue, period_ns, action
        self._event: Event | None = queue.at(first_ns, self._run)

    @property
    def period_ns(self) -> int:
        """Time between two calls. A new value counts from the next call on."""
        return self._period_ns

    @period_ns.setter
    def period_ns(self, value: int) -> None:
        self._period_ns = _checked_period(value)

    def cancel(self) -> None:
        """Make no further call; allowed from within the call itself."""
        if self._event is not None:
            self._event.cancel()
            self._event = None

    def _run(self) -> None:
        event = self._event
        self._action()
        if event is self._event and event is not None:  # neither cancelled nor restarted by the action
            self._event = self._queue.at(event[0] + self._period_ns, self._run)


class EventQueue:
    """A heap of calls and the clock that follows them.

    >>> queue = EventQueue()
    >>> _ = queue.after(1_000, print, "one microsecond")
    >>> queue.run_until(5_000)
    one microsecond
    >>> queue.now_ns
    5000
    """

    __slots__ = ("_heap", "_number", "clock")

    def __init__(self, clock: SimulatedClock | None = None) -> None:
        self.clock = SimulatedClock() if clock is None else clock
        self._heap: list[Event] = []
        self._number = count().__next__

    @property
    def now_ns(self) -> int:
        """Bench time in nanoseconds."""
        return self.clock._now_ns

    def at(self, when_ns: int, call: Callable[..., object], *args: object) -> Event:
        """Schedule `call(*args)` at bench time `when_ns`.

        Raises:
            UsageError: `when_ns` is in the past.
        """
        if when_ns < self.clock._now_ns:
            raise UsageError(
                f"when_ns={when_ns} is before the bench's time of {self.clock._now_ns} ns; schedule it for later"
            )
        event = Event((when_ns, self._number(), call, args))
        heappush(self._heap, event)
        return event

    def after(self, delay_ns: int, call: Callable[..., object], *args: object) -> Event:
        """Schedule `call(*args)` when `delay_ns` have passed.

        Raises:
            UsageError: `delay_ns` is negative.
        """
        if delay_ns < 0:
            raise UsageError(f"delay_ns={delay_ns} must be 0 or more; time does not run backwards")
        event = Event((self.clock._now_ns + delay_ns, self._number(), call, args))
        heappush(self._heap, event)
        return event

    def every(
        self, period_ns: int, call: Callable[[], object], first_after_ns: int | None = None
    ) -> Repeating:
        """Call on a fixed grid: first after `first_after_ns` (default: one period), then each `period_ns`.

        Raises:
            UsageError: the period is not above 0.
        """
        first = _checked_period(period_ns) if first_after_ns is None else first_after_ns
        return Repeating(self, _checked_period(period_ns), call, self.now_ns + first)

    def next_ns(self) -> int | None:
        """When the next event is due; None if nothing is scheduled."""
        heap = self._heap
        while heap:
            first = heap[0]
            if first[2] is not None:
                when: int = first[0]
                return when
            heappop(heap)
        return None

    def step(self) -> bool:
        """Serve the next event. False if nothing is scheduled."""
        heap = self._heap
        while heap:
            event = heappop(heap)
            call = event[2]
            if call is not None:
                # The heap's order already keeps time from running backwards.
                self.clock._now_ns = event[0]
                event[2] = None
                call(*event[3])
                return True
        return False

    def run_until(self, deadline_ns: int) -> None:
        """Serve everything due up to and including `deadline_ns`, then stand at that time.

        Raises:
            UsageError: the deadline is in the past.
        """
        heap, clock = self._heap, self.clock
        while heap and heap[0][0] <= deadline_ns:
            event = heappop(heap)
            call = event[2]
            if call is not None:
                clock._now_ns = event[0]
                event[2] = None
                call(*event[3])
        clock.advance_to(deadline_ns)

    def __len__(self) -> int:
        return sum(1 for event in self._heap if event[2] is not None)


def _checked_period(period_ns: int) -> int:
    if period_ns <= 0:
        raise UsageError(f"period_ns={period_ns} must be above 0 ns")
    return period_ns
