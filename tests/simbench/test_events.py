"""The event queue: order, cancelling, fixed grids, and time that nothing but the queue moves."""

import pytest

from hiltest.clock import SimulatedClock
from hiltest.errors import NothingScheduled, UsageError
from hiltest.simbench.events import EventQueue


def test_events_at_the_same_time_are_served_first_in_first_out():
    """Ties keep the order in which they were scheduled, whichever way they were."""
    queue = EventQueue()
    seen = []
    queue.at(10, seen.append, "at")
    queue.call_at(10, seen.append, "call_at")
    queue.after(10, seen.append, "after")
    queue.call_after(10, seen.append, "call_after")
    queue.at(9, seen.append, "earlier")

    queue.run_until(10)

    assert seen == ["earlier", "at", "call_at", "after", "call_after"]


def test_time_stands_at_the_event_while_it_is_served_and_at_the_deadline_afterwards():
    """What runs sees its own time; run_until ends at its deadline even if nothing was due there."""
    clock = SimulatedClock()
    queue = EventQueue(clock)
    seen = []
    queue.after(3, lambda: seen.append(queue.now_ns))

    queue.run_until(7)

    assert seen == [3]
    assert clock.now_ns == 7


def test_a_cancelled_event_is_never_served_and_is_not_the_next_one():
    """Cancelling takes the call out, also for who asks what comes next; twice is harmless."""
    queue = EventQueue()
    seen = []
    event = queue.after(5, seen.append, "no")
    queue.after(8, seen.append, "yes")
    assert event.pending

    event.cancel()
    event.cancel()

    assert not event.pending
    assert queue.next_ns() == 8
    assert len(queue) == 1
    queue.run_until(10)
    assert seen == ["yes"]


def test_an_event_may_cancel_another_one_that_is_due_at_the_same_time():
    """Order counts: the first of two at one time can take back the second."""
    queue = EventQueue()
    seen = []
    queue.at(5, lambda: second.cancel())
    second = queue.at(5, seen.append, "second")

    queue.run_until(5)

    assert seen == []


def test_a_repeating_call_keeps_its_grid_and_may_end_itself():
    """Calls come on multiples of the period from the first one on, without drift."""
    queue = EventQueue()
    seen = []

    def tick() -> None:
        seen.append(queue.now_ns)
        if len(seen) == 3:
            repeating.cancel()

    repeating = queue.every(10, tick, first_after_ns=0)
    queue.run_until(100)

    assert seen == [0, 10, 20]
    assert queue.next_ns() is None


def test_a_new_period_counts_from_the_next_call_on():
    """The call that is already planned keeps its time."""
    queue = EventQueue()
    seen = []
    repeating = queue.every(10, lambda: seen.append(queue.now_ns))
    queue.run_until(10)
    repeating.period_ns = 5

    queue.run_until(30)

    assert seen == [10, 20, 25, 30]


def test_step_serves_one_event_and_says_whether_there_was_one():
    """One at a time, for doors that look between events."""
    queue = EventQueue()
    queue.after(4, lambda: None)

    assert queue.step()
    assert queue.now_ns == 4
    assert not queue.step()


def test_run_while_stops_at_the_event_that_ends_the_condition():
    """Time stands where the condition failed, not at the deadline."""
    queue = EventQueue()
    seen = []
    queue.every(10, lambda: seen.append(queue.now_ns))

    queue.run_while(lambda: len(seen) < 2, 1000)

    assert queue.now_ns == 20


def test_run_while_without_a_deadline_raises_when_nothing_is_left():
    """What would wait for ever says so."""
    queue = EventQueue()
    queue.after(1, lambda: None)

    with pytest.raises(NothingScheduled, match="Give a time limit"):
        queue.run_while(lambda: True, None)


@pytest.mark.parametrize(
    "misuse",
    [
        lambda queue: queue.at(3, print),
        lambda queue: queue.call_at(3, print, None),
        lambda queue: queue.after(-1, print),
        lambda queue: queue.call_after(-1, print, None),
        lambda queue: queue.run_until(3),
        lambda queue: queue.every(0, print),
    ],
)
def test_the_past_and_a_period_of_nothing_are_refused(misuse):
    """Time never runs backwards, and a period must let time pass."""
    queue = EventQueue()
    queue.run_until(5)

    with pytest.raises(UsageError):
        misuse(queue)


def test_time_runs_to_the_first_thing_that_waits() -> None:
    """Events are served until what they brought is due; a deadline before it ends the wait there."""
    queue, waiting = EventQueue(), []
    queue.at(10, lambda: waiting.append((25, "frame")))
    queue.at(30, lambda: waiting.append((30, "too far")))
    queue.run_to_first(waiting, 20)
    assert queue.now_ns == 20
    queue.run_to_first(waiting, 100)
    assert (queue.now_ns, waiting) == (25, [(25, "frame")])
    with pytest.raises(NothingScheduled):
        EventQueue().run_to_first([], None)


@pytest.mark.parametrize(
    ("serve", "passes"),
    [
        (lambda queue: queue.run_until(100), [True, True, False, False, False]),
        (lambda queue: queue.run_to_first([], 100), [True, True, False, False, False]),
        (lambda queue: queue.run_to_first([(60, "a")], 100), [True, False, False, False, False]),
        (lambda queue: queue.run_while(lambda: True, 100), [False] * 5),
        (lambda queue: queue.step(), [False] * 5),
    ],
    ids=["until", "to first", "to first that waits", "while", "step"],
)
def test_an_event_passes_time_only_where_nothing_would_be_served_in_between(serve, passes) -> None:
    """Up to the goal, before the next event and not with it; not at all for one who looks around after each event."""
    queue = EventQueue()
    queue.call_at(90, lambda _: None, None)
    told: list[bool] = []
    stands: list[int] = []

    def event(_: object) -> None:
        for when_ns in (50, 70, 90, 95, 101):
            told.append(queue.pass_to(when_ns))
            stands.append(queue.now_ns)

    queue.call_at(10, event, None)
    serve(queue)

    assert told == passes
    moved = [when_ns for when_ns, passed in zip((50, 70), told, strict=False) if passed]
    assert sorted(set(stands)) == sorted({*moved, *([] if told[0] else [10])})


def test_an_event_sees_what_came_to_wait_while_it_passed_time() -> None:
    """What it brings itself for who waits is the next goal."""
    queue, waiting, told = EventQueue(), [], []

    def event(_: object) -> None:
        told.append(queue.pass_to(20))
        waiting.append((30, "brought"))
        told.append(queue.pass_to(30))
        told.append(queue.pass_to(31))

    queue.call_at(10, event, None)
    queue.run_to_first(waiting, 100)

    assert told == [True, True, False]
    assert queue.now_ns == 30
