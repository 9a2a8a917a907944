from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.canbus.frames import worst_case_bits
from hiltest.canbus.response import (
    ErrorModel,
    Options,
    PlannedMessage,
    analyse,
    by_priority,
    lowest_bitrate,
)
from hiltest.errors import UsageError

MS = 1e-3


def simulated(
    plan: list[PlannedMessage], bitrate: int, started: int | None, until_s: float
) -> dict[str, float]:
    """Slowest response of each message, all released together; the message of rank `started` one bit earlier.

    A plain simulation in bit times: the frame queued first in order of priority goes next.
    """
    ordered = by_priority(plan)
    periods = [round(m.period_s * bitrate) for m in ordered]
    queue: list[tuple[int, int]] = []  # (rank, released)
    slowest = dict.fromkeys((m.name for m in ordered), 0)
    due = [0] * len(ordered)
    now = 0
    if started is not None:
        now = ordered[started].bits - 1
        due[started] = periods[started] - 1
        slowest[ordered[started].name] = ordered[started].bits
    while now < until_s * bitrate:
        for rank, period in enumerate(periods):
            while due[rank] <= now:
                queue.append((rank, due[rank]))
                due[rank] += period
        if not queue:
            now = min(due)
            continue
        queue.sort()
        rank, released = queue.pop(0)
        now += ordered[rank].bits
        name = ordered[rank].name
        slowest[name] = max(slowest[name], now - released)
    return {name: bits / bitrate for name, bits in slowest.items()}


plans = st.lists(
    st.tuples(st.sampled_from((2, 4, 5, 8, 10, 20, 50)), st.integers(0, 8)), min_size=1, max_size=7
).map(lambda rows: [PlannedMessage(f"m{i}", i, ms * MS, size) for i, (ms, size) in enumerate(rows)])


@settings(max_examples=40)
@given(plans)
def test_no_simulated_response_is_above_the_bound(plan: list[PlannedMessage]) -> None:
    """All released together, on an idle bus or behind a frame of one of them just started."""
    found = analyse(plan, 125_000)
    for started in (None, *range(len(plan))):
        seen = simulated(plan, 125_000, started, until_s=0.2)
        for response in found.responses:
            if response.response_s is not None and found.utilisation < 1:
                assert seen[response.message.name] <= response.response_s + 1e-12


def test_the_lowest_priority_reaches_its_bound() -> None:
    """Released together with all others on an idle bus: nothing blocks it."""
    plan = [PlannedMessage(f"m{i}", i, 20 * MS) for i in range(5)]

    found = analyse(plan, 125_000)

    assert found.responses[-1].response_s == pytest.approx(5 * 135 / 125_000, abs=1e-12)
    assert simulated(plan, 125_000, None, 0.1)["m4"] == pytest.approx(5 * 135 / 125_000)


def test_utilisation_is_the_sum_of_its_messages() -> None:
    """Worst-case bits of each over its period."""
    plan = [PlannedMessage("a", 1, 10 * MS, 2), PlannedMessage("b", 0x1000, 20 * MS, 8, extended=True)]

    found = analyse(plan, 250_000)

    assert found.of("a").utilisation == pytest.approx(worst_case_bits(2) / 2500)
    assert found.of("b").utilisation == pytest.approx(worst_case_bits(8, True) / 5000)
    assert found.utilisation == pytest.approx(sum(r.utilisation for r in found.responses))


def test_jitter_adds_to_the_own_response_and_to_those_below() -> None:
    """Late queueing by itself, and an instance more in front of the others."""
    calm = [PlannedMessage("high", 1, 5 * MS), PlannedMessage("low", 2, 20 * MS)]
    late = [PlannedMessage("high", 1, 5 * MS, jitter_s=4.5 * MS), calm[1]]

    before, after = analyse(calm, 125_000), analyse(late, 125_000)

    gain = (after.of("high").response_s or 0) - (before.of("high").response_s or 0)
    assert gain == pytest.approx(4.5 * MS, abs=1e-9)
    assert (after.of("low").response_s or 0) == pytest.approx(
        (before.of("low").response_s or 0) + 135 / 125_000
    )


def test_a_deadline_at_the_response_holds_and_one_nanosecond_less_does_not() -> None:
    """The comparison is exact."""
    alone = PlannedMessage("only", 1, 10 * MS)
    exact = 135 / 125_000

    assert analyse([alone], 125_000).of("only").response_s == pytest.approx(exact)
    at = analyse([PlannedMessage("only", 1, 10 * MS, deadline_s=exact)], 125_000)
    under = analyse([PlannedMessage("only", 1, 10 * MS, deadline_s=exact - 1e-9)], 125_000)

    assert at.schedulable
    assert not under.schedulable
    assert [r.message.name for r in under.missed] == ["only"]
    assert "MISSED" in str(under.of("only"))
    assert "holds" in str(at.of("only"))


def test_the_end_of_frame_comes_three_bits_before_the_end_of_the_gap() -> None:
    """A receiver has the frame before the intermission is over."""
    plan = [PlannedMessage("a", 1, 10 * MS), PlannedMessage("b", 2, 10 * MS)]

    whole = analyse(plan, 500_000)
    frame = analyse(plan, 500_000, Options(to_end_of_frame=True))

    for one, other in zip(whole.responses, frame.responses, strict=True):
        assert (one.response_s or 0) - (other.response_s or 0) == pytest.approx(3 / 500_000)


def test_one_error_costs_a_frame_and_the_recovery() -> None:
    """A message alone with one error at most: 31 bits and its frame again."""
    plan = [PlannedMessage("only", 1, 100 * MS)]
    with_error = Options(errors=ErrorModel(interval_s=1.0))

    clean, disturbed = analyse(plan, 125_000), analyse(plan, 125_000, with_error)

    extra = (disturbed.of("only").response_s or 0) - (clean.of("only").response_s or 0)
    assert extra == pytest.approx((31 + 135) / 125_000)
    burst = analyse(plan, 125_000, Options(errors=ErrorModel(1.0, burst=4)))
    assert (burst.of("only").response_s or 0) == pytest.approx((135 + 5 * (31 + 135)) / 125_000)


def test_errors_without_pause_leave_no_bound() -> None:
    """One error in every frame's time: nothing gets through for certain."""
    plan = [PlannedMessage("only", 1, 100 * MS)]

    found = analyse(plan, 125_000, Options(errors=ErrorModel(interval_s=1 * MS)))

    assert found.of("only").response_s is None
    assert not found.schedulable


def test_important_messages_have_a_bound_on_an_overloaded_bus() -> None:
    """Only what lies below the overload is unschedulable."""
    plan = [
        PlannedMessage("stop", 1, 50 * MS, 1),
        *(PlannedMessage(f"m{i}", 9 + i, 3 * MS) for i in range(4)),
    ]

    found = analyse(plan, 125_000)

    assert found.utilisation > 1
    assert found.of("stop").holds
    assert found.of("m0").holds
    assert found.of("m1").response_s is not None
    assert [r.message.name for r in found.missed] == ["m1", "m2", "m3"]
    assert found.of("m2").response_s is None


def test_a_bus_asked_for_nearly_all_of_its_time_ends_in_time() -> None:
    """A busy period of millions of frames is given up and said so, in well under a second."""
    bits = 135 / 125_000
    plan = [
        PlannedMessage("a", 1, 2 * bits + 1e-9),
        PlannedMessage("b", 2, 2 * bits + 1e-9, jitter_s=0.0003),
        PlannedMessage("c", 3, 50.0),
    ]

    found = analyse(plan, 125_000)

    assert found.utilisation < 1.001
    assert not found.of("c").holds


def test_the_lowest_rate_that_holds_is_found() -> None:
    """The next lower one misses something; nothing holds a deadline below the frame's own time."""
    plan = [PlannedMessage(f"m{i}", i, 10 * MS) for i in range(5)]

    found = lowest_bitrate(plan)

    assert found is not None
    assert found.bitrate == 125_000
    assert not analyse(plan, 50_000).schedulable
    assert lowest_bitrate([PlannedMessage("a", 1, 1.0, deadline_s=1e-5)]) is None


def test_a_plan_of_nothing_holds() -> None:
    """No message misses its deadline."""
    found = analyse([], 125_000)

    assert found.schedulable
    assert found.utilisation == 0


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (
            [PlannedMessage("a", 1, 0.01), PlannedMessage("b", 1, 0.01)],
            "'a' and 'b' have the same identifier",
        ),
        ([PlannedMessage("a", 0x800, 0.01)], "extended=True"),
        ([PlannedMessage("a", 1, 0.01, 9)], "data_length=9"),
        ([PlannedMessage("a", 1, 0.0)], "'a': period_s must be above 0"),
        ([PlannedMessage("a", 1, math.nan)], "a: period_s=nan"),
        ([PlannedMessage("a", 1, 0.01, deadline_s=-1.0)], "a: deadline_s=-1.0"),
        ([PlannedMessage("a", 1, 0.01, jitter_s=-1.0)], "a: jitter_s=-1.0"),
    ],
)
def test_a_plan_that_cannot_be_is_refused(plan: list[PlannedMessage], words: str) -> None:
    """The message and the field are named."""
    with pytest.raises(UsageError, match=words):
        analyse(plan, 125_000)


def test_rates_and_options_that_cannot_be_are_refused() -> None:
    """As are error intervals of nothing, and names nobody planned."""
    plan = [PlannedMessage("a", 1, 0.01)]

    with pytest.raises(UsageError, match="bitrate=0"):
        analyse(plan, 0)
    with pytest.raises(UsageError, match="interval_s"):
        analyse(plan, 125_000, Options(errors=ErrorModel(0.0)))
    with pytest.raises(UsageError, match="least_blocking_bits"):
        analyse(plan, 125_000, Options(least_blocking_bits=-1))
    with pytest.raises(UsageError, match="known: a"):
        analyse(plan, 125_000).of("b")
