"""Real and simulated time."""

from __future__ import annotations

import pytest

from hiltest.clock import Clock, RealClock, SimulatedClock, sleep_s, to_ns
from hiltest.errors import UsageError


def test_seconds_become_whole_nanoseconds() -> None:
    """0.1 s, which no float holds exactly, is 100 000 000 ns, ten thousand times over."""
    assert sum(to_ns(0.1) for _ in range(10_000)) == 1000 * 1_000_000_000


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1e-9])
def test_impossible_times_are_refused_by_name(bad: float) -> None:
    """NaN, infinity and negative times are errors that name the argument as the caller spelled it."""
    with pytest.raises(UsageError, match="within_s="):
        to_ns(bad, "within_s")


def test_simulated_time_moves_only_when_told() -> None:
    """A simulated clock starts at zero and stands until its owner moves it."""
    clock = SimulatedClock()
    assert (clock.now_ns, clock.now_s) == (0, 0.0)
    clock.advance_to(1_500_000_000)
    assert clock.now_s == 1.5


def test_simulated_time_never_goes_back() -> None:
    """Moving a simulated clock backwards is an error and leaves it where it was."""
    clock = SimulatedClock()
    clock.advance_to(10)
    with pytest.raises(UsageError, match="can't go back"):
        clock.advance_to(9)
    clock.advance_to(10)
    assert clock.now_ns == 10


def test_real_time_starts_at_zero_and_runs() -> None:
    """Bench time on hardware counts from the start and does not depend on the date."""
    clock = RealClock()
    early = clock.now_ns
    sleep_s(0.01)
    assert 0 <= early < 1_000_000_000
    assert clock.now_ns - early >= 10_000_000


def test_both_are_clocks() -> None:
    """Both kinds satisfy the one interface."""
    assert isinstance(RealClock(), Clock)
    assert isinstance(SimulatedClock(), Clock)


def test_no_sleep_for_no_time() -> None:
    """Sleeping for nothing or less returns at once instead of raising."""
    sleep_s(0.0)
    sleep_s(-1.0)


def test_a_time_that_is_not_zero_is_at_least_a_nanosecond() -> None:
    """Waiting for a rounding error lets time pass, so that no loop stands still."""
    assert to_ns(1e-13) == 1
    assert to_ns(0.0) == 0
