"""Bench time of stamps: adapters' clocks that run slow, are set back or begin anew, and a machine whose date is set."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

import can
import pytest

from hiltest.canbus import stampclock
from hiltest.canbus.opening import BusPort
from hiltest.canbus.stampclock import DRIFT, ON_THE_WAY_S, StampClock
from hiltest.clock import NS_PER_S, SimulatedClock


@dataclass
class Adapter:
    """An adapter whose clock shows `stamp(t)` at the true time t (s), read by a port on a bench whose time is ours."""

    stamp: Callable[[float], float]
    interface: str = "pcan"
    clock: SimulatedClock = field(default_factory=SimulatedClock)
    waiting: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        bus: Any = SimpleNamespace(recv=self.recv, send=None)
        self.port = BusPort("can", bus, 500_000, lambda *_: bus, clock=self.clock, interface=self.interface)

    def recv(self, timeout_s: float) -> can.Message | None:
        until_ns = self.clock.now_ns + round(timeout_s * NS_PER_S)
        if self.waiting and round(self.waiting[0] * NS_PER_S) <= until_ns:
            self.clock.advance_to(max(self.clock.now_ns, round(self.waiting[0] * NS_PER_S)))
            return can.Message(timestamp=self.stamp(self.waiting.pop(0)))
        self.clock.advance_to(until_ns)
        return None

    def read_at(self, now_s: float) -> list[float]:
        """Everything that waits at that time; by how much (s) each is told late, negative if early."""
        self.clock.advance_to(round(now_s * NS_PER_S))
        came_s, late_s = list(self.waiting), []
        for true_s in came_s:
            frame = self.port.recv(0.0)
            assert frame is not None
            late_s.append(frame.t_ns / NS_PER_S - true_s)
        assert self.port.recv(0.0) is None
        return late_s

    def prompt(self, true_s: float) -> float:
        """A frame of that time, waited for and read at once: by how much it is told late."""
        self.waiting.append(true_s)
        frame = self.port.recv(60.0)
        assert frame is not None
        return frame.t_ns / NS_PER_S - true_s


@pytest.mark.parametrize("ppm", [-100, -20, 0, 20, 100])
def test_a_clock_that_drifts_is_followed_for_hours(ppm: int) -> None:
    """100 ppm are 0.36 s an hour: a frame of this moment would be told as one of long ago."""
    adapter = Adapter(lambda t: 77.0 + t * (1 + ppm * 1e-6))
    late = [adapter.prompt(0.1 * n) for n in range(36_000)]
    assert max(map(abs, late)) <= 0.1 * DRIFT


@pytest.mark.parametrize("by_s", [0.06, 0.3, 0.45, 2.0, 3600.0])
def test_a_clock_that_is_set_back_makes_no_frame_old(by_s: float) -> None:
    """By less than what lies between two frames, or by more: whoever waits for a frame knows that none was there."""
    adapter = Adapter(lambda t: 5000.0 + t - (by_s if t > 30 else 0.0))
    before = [adapter.prompt(0.5 * n) for n in range(1, 61)]
    after = [adapter.prompt(30.0 + 0.5 * n) for n in range(1, 600)]
    assert max(map(abs, before)) <= 0.5 * DRIFT
    assert max(map(abs, after)) <= 0.5 * DRIFT


def test_a_clock_set_back_by_less_than_a_transfer_takes_is_found_by_drift() -> None:
    """It could lie in a buffer for so long: told early by that, and less and less."""
    by_s = 0.8 * ON_THE_WAY_S
    adapter = Adapter(lambda t: 5000.0 + t - (by_s if t > 30 else 0.0))
    late = [adapter.prompt(0.5 * n) for n in range(1, 400)]
    assert min(late) == pytest.approx(-by_s, abs=0.5 * DRIFT)
    assert max(map(abs, late[60 + round(2 * by_s / DRIFT) :])) <= 0.5 * DRIFT


def test_a_clock_that_is_set_forward_or_begins_at_nought_is_followed_at_once() -> None:
    for stamp in (
        lambda t: 9.0 + t + (3600.0 if t > 30 else 0.0),
        lambda t: t + 9.0 if t <= 30 else t - 29.9,
    ):
        adapter = Adapter(stamp)
        assert max(abs(adapter.prompt(0.5 * n)) for n in range(1, 200)) <= 0.5 * DRIFT


def test_frames_that_waited_keep_their_time() -> None:
    """A host that was busy for 4 s reads what came meanwhile: told as of when it came, not of when it was read."""
    adapter = Adapter(lambda t: 1e9 + t)
    for n in range(1, 100):
        adapter.prompt(0.01 * n)
    adapter.waiting += [1.0 + 0.01 * n for n in range(400)]
    late = adapter.read_at(5.0)
    assert len(late) == 400
    assert max(map(abs, late)) <= 4.1 * DRIFT


def test_stamps_of_an_unknown_zero_keep_their_distances() -> None:
    """And none lies in the future. A float of today's date resolves 0.24 us."""
    now = [1.000]
    clock = StampClock("pcan", lambda: round(now[0] * NS_PER_S))
    told_s = []
    for now[0], stamp_s in [(1.000, 1.7e9), (1.010, 1.7e9 + 0.010), (1.030, 1.7e9 + 0.015), (2.0, 1.6e9)]:
        told_s.append(clock.bench_ns(stamp_s) / NS_PER_S)
    assert told_s == pytest.approx([1.000, 1.010, 1.015, 2.0], abs=1e-6 + 0.02 * DRIFT)


def test_an_adapter_that_hands_frames_over_in_lots_of_16_ms_is_not_taken_for_one_set_back() -> None:
    """The least delayed of each lot holds the zero."""
    adapter = Adapter(lambda t: 3.0 + t * (1 - 100e-6))
    late = []
    for lot in range(1, 5000):
        adapter.waiting += [0.016 * lot + 0.002 * n for n in range(8)]
        late += adapter.read_at(0.016 * (lot + 1))
    assert max(map(abs, late[8:])) <= 0.002 + 0.016 * DRIFT + 1e-6


def test_after_an_hour_of_silence_the_first_frame_is_of_now() -> None:
    adapter = Adapter(lambda t: 3.0 + t * (1 - 100e-6))
    adapter.prompt(1.0)
    assert adapter.read_at(3600.0) == []
    assert abs(adapter.prompt(3600.5)) <= 1e-6


def test_stamps_taken_at_reading_are_of_now_whatever_the_date() -> None:
    """A serial-line adapter gives none, and python-can takes the machine's date: it may be set at any time."""
    dates = iter([1000.0, 600.0, 599.9, 5000.0])
    adapter = Adapter(lambda _: next(dates), interface="slcan")
    assert [adapter.prompt(0.1 * n) for n in range(1, 5)] == pytest.approx([0.0] * 4, abs=1e-9)


def test_kernel_stamps_are_compared_with_the_date_of_now(monkeypatch: pytest.MonkeyPatch) -> None:
    """A date that is set back or forward changes what is told of frames that waited meanwhile, and of no other."""
    offset_s = [1.7e9]
    adapter = Adapter(lambda t: offset_s[0] + t, interface="socketcan")
    monkeypatch.setattr(stampclock, "realtime_s", lambda: offset_s[0] + adapter.clock.now_ns / NS_PER_S)
    for n, step_s in enumerate([0.0, -0.4, 3600.0, -7200.0], start=1):
        offset_s[0] += step_s
        adapter.waiting.append(n - 0.25)
        assert adapter.read_at(float(n)) == pytest.approx([0.0], abs=1e-6)
    # Set forward by an hour while two frames wait: never before what was told already.
    before_s = 4.25
    assert adapter.prompt(before_s) == pytest.approx(0.0, abs=1e-6)
    stamps = iter([offset_s[0] + 4.5, offset_s[0] + 4.6])
    adapter.stamp = lambda _: next(stamps)
    adapter.waiting += [4.5, 4.6]
    offset_s[0] += 3600.0
    assert adapter.read_at(5.0) == pytest.approx([before_s - 4.5, before_s - 4.6], abs=1e-6)


def test_no_stamp_is_now_and_opening_anew_forgets() -> None:
    """python-can marks a missing stamp by 0."""
    now = [1.0]
    clock = StampClock("pcan", lambda: round(now[0] * NS_PER_S))
    assert clock.bench_ns(0.0) == NS_PER_S
    now[0] = 2.0
    assert clock.bench_ns(500.0) == 2 * NS_PER_S
    clock.begin_anew()
    now[0] = 3.0
    assert clock.bench_ns(499.99) == 3 * NS_PER_S
