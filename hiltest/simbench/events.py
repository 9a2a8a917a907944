"""The event queue of the simulated bench: what happens next, in integer nanoseconds.

One thread. Events at the same time are served first in, first out. The queue is the only owner of the
bench's `SimulatedClock`: time moves when an event is served or when `run_until` reaches its deadline.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from heapq import heappop, heappush
from itertools import count
from typing import Any, NoReturn

from hiltest.clock import SimulatedClock
from hiltest.errors import NothingScheduled, UsageError

_NO_FURTHER, _FOR_EVER = -1, 1 << 62


class Event:
    """One scheduled call. Keep it to `cancel()` it."""

    __slots__ = ("_args", "_call", "when_ns")

    def __init__(self, when_ns: int, call: Callable[..., object], args: tuple[object, ...]) -> None:
        self.when_ns = when_ns
        """When the call is due, in bench time."""
        self._call: Callable[..., object] | None = call
        self._args = args

    @property
    def pending(self) -> bool:
        """True until the call was made or cancelled."""
        return self._call is not None

    def cancel(self) -> None:
        """Never make the call. Cancelling twice, or after the call was made, does nothing."""
        self._call = None

    def __call__(self, _: object) -> None:
        call, self._call = self._call, None
        if call is not None:
            call(*self._args)


class Repeating:
    """A call made again and again on a fixed grid, so that no rounding adds up. See `EventQueue.every`."""

    __slots__ = ("_action", "_due_ns", "_heap", "_number", "_period_ns")

    def __init__(
        self, queue: EventQueue, period_ns: int, action: Callable[[], object], first_ns: int
    ) -> None:
        self._heap, self._number = queue._heap, queue._number
        self._period_ns = period_ns
        self._action: Callable[[], object] | None = action
        self._due_ns = first_ns
        queue.call_at(first_ns, self, None)

    @property
    def period_ns(self) -> int:
        """Time between two calls. A new value counts from the next call on."""
        return self._period_ns

    @period_ns.setter
    def period_ns(self, value: int) -> None:
        self._period_ns = _checked_period(value)

    @property
    def pending(self) -> bool:
        """True until it was cancelled."""
        return self._action is not None

    def cancel(self) -> None:
        """Make no further call; allowed from within the call itself."""
        self._action = None

    def __call__(self, _: object) -> None:
        if self._action is None:
            return
        self._action()
        if self._action is not None:  # not cancelled by the action itself
            self._due_ns = due = self._due_ns + self._period_ns
            heappush(self._heap, (due, self._number(), self, None))


class EventQueue:
    """A heap of calls and the clock that follows them.

    >>> queue = EventQueue()
    >>> _ = queue.after(1_000, print, "one microsecond")
    >>> queue.run_until(5_000)
    one microsecond
    >>> queue.now_ns
    5000
    """

    __slots__ = ("_goal_ns", "_heap", "_number", "_waiting", "clock", "pumping")

    def __init__(self, clock: SimulatedClock | None = None) -> None:
        self.clock = SimulatedClock() if clock is None else clock
        # (when, number, call, argument): the number makes equal times first in, first out.
        self._heap: list[tuple[int, int, Any, object]] = []
        self.pumping = False
        """Set by whoever lets time run, so that nothing that runs in it lets time run again."""
        self._number = count().__next__
        # How far whoever serves now goes on, whatever an event does: see `pass_to`.
        self._goal_ns = _NO_FURTHER
        self._waiting: Sequence[tuple[int, object]] = ()

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
            self._refuse(when_ns)
        event = Event(when_ns, call, args)
        heappush(self._heap, (when_ns, self._number(), event, None))
        return event

    def after(self, delay_ns: int, call: Callable[..., object], *args: object) -> Event:
        """Schedule `call(*args)` when `delay_ns` have passed.

        Raises:
            UsageError: `delay_ns` is negative.
        """
        return self.at(self.clock._now_ns + delay_ns, call, *args)

    def call_at(self, when_ns: int, call: Callable[[Any], object], argument: object) -> None:
        """Schedule `call(argument)` for good: no handle to cancel it, which makes it twice as fast as `at`."""
        if when_ns < self.clock._now_ns:
            self._refuse(when_ns)
        heappush(self._heap, (when_ns, self._number(), call, argument))

    def call_after(self, delay_ns: int, call: Callable[[Any], object], argument: object) -> None:
        """Schedule `call(argument)` for good when `delay_ns` have passed."""
        when_ns = self.clock._now_ns + delay_ns
        if delay_ns < 0:
            self._refuse(when_ns)
        heappush(self._heap, (when_ns, self._number(), call, argument))

    def _refuse(self, when_ns: int) -> NoReturn:
        raise UsageError(
            f"when_ns={when_ns} is before the bench's time of {self.clock._now_ns} ns; schedule it for later"
        )

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
        self._drop_cancelled()
        return self._heap[0][0] if self._heap else None

    def upcoming_ns(self) -> int | None:
        """When the next entry is due, be it cancelled or not; None if there is none."""
        return self._heap[0][0] if self._heap else None

    def step(self) -> bool:
        """Serve the next event. False if nothing is scheduled."""
        self._drop_cancelled()
        if not self._heap:
            return False
        self._goal_ns = _NO_FURTHER
        # The heap's order already keeps time from running backwards.
        self.clock._now_ns, _, call, argument = heappop(self._heap)
        call(argument)
        return True

    def pass_to(self, when_ns: int) -> bool:
        """For the event that is served now: stand at `when_ns` if the queue would serve nothing before it or with it.

        False if it would, or if it looks around after each event; time has not moved then. As scheduling a call for
        `when_ns` and returning, but for the way through the heap.
        """
        heap = self._heap
        if when_ns > self._goal_ns or (heap and heap[0][0] <= when_ns):
            return False
        waiting = self._waiting
        if waiting and waiting[0][0] < when_ns:
            return False
        self.clock._now_ns = when_ns
        return True

    def run_until(self, deadline_ns: int) -> None:
        """Serve everything due up to and including `deadline_ns`, then stand at that time.

        Raises:
            UsageError: the deadline is in the past.
        """
        heap, clock, pop = self._heap, self.clock, heappop
        self._goal_ns, self._waiting = deadline_ns, ()
        while heap:
            when_ns, _, call, argument = entry = pop(heap)
            if when_ns > deadline_ns:
                heappush(heap, entry)  # once a call; looking before each pop costs more
                break
            clock._now_ns = when_ns
            call(argument)
        clock.advance_to(deadline_ns)

    def run_while(self, condition: Callable[[], object], deadline_ns: int | None) -> None:
        """Serve what is due up to `deadline_ns` for as long as `condition()` is true after each event.

        Stands at the deadline afterwards if the condition held all the time, else where it failed.

        Raises:
            NothingScheduled: there is no deadline, and nothing is left that could end the condition.
        """
        heap, clock, pop = self._heap, self.clock, heappop
        self._goal_ns = _NO_FURTHER
        while heap and (deadline_ns is None or heap[0][0] <= deadline_ns):
            clock._now_ns, _, call, argument = pop(heap)
            call(argument)
            if not condition():
                return
        if deadline_ns is None:
            raise NothingScheduled(
                "waiting without a time limit: nothing on the simulated bench can ever end this; on hardware it "
                "would hang. Give a time limit"
            )
        clock.advance_to(deadline_ns)

    def run_to_first(self, waiting: Sequence[tuple[int, object]], deadline_ns: int | None) -> None:
        """Serve what is due until the first of `waiting` is due or the deadline has come, and stand there.

        `waiting` holds (when_ns, anything) in order of time and may grow while events are served.

        Raises:
            NothingScheduled: nothing waits, there is no deadline, and nothing is left that could bring anything.
        """
        heap, clock, pop = self._heap, self.clock, heappop
        self._goal_ns, self._waiting = _FOR_EVER if deadline_ns is None else deadline_ns, waiting
        while True:
            goal_ns = deadline_ns
            if waiting and (goal_ns is None or waiting[0][0] < goal_ns):
                goal_ns = waiting[0][0]
            if not heap or (goal_ns is not None and heap[0][0] > goal_ns):
                break
            clock._now_ns, _, call, argument = pop(heap)
            call(argument)
        if goal_ns is None:
            raise NothingScheduled(
                "waiting without a time limit: nothing on the simulated bench can ever end this; on hardware it "
                "would hang. Give a time limit"
            )
        if goal_ns > clock._now_ns:
            clock._now_ns = goal_ns

    def _drop_cancelled(self) -> None:
        heap = self._heap
        while heap:
            call = heap[0][2]
            if not isinstance(call, (Event, Repeating)) or call.pending:
                return
            heappop(heap)

    def __len__(self) -> int:
        """Events that are still to be served."""
        return sum(1 for _, _, call, _ in self._heap if getattr(call, "pending", True))


def _checked_period(period_ns: int) -> int:
    if period_ns <= 0:
        raise UsageError(f"period_ns={period_ns} must be above 0 ns")
    return period_ns
