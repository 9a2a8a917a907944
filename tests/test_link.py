"""The loop: what is due when, who gets which frame, what a wait returns, and what is refused."""

from __future__ import annotations

import heapq
import itertools
import os
import pty
import socket
import time
import tty
from collections.abc import Iterator

import can
import pytest

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.canbus.opening import BusPort, open_port
from hiltest.clock import SimulatedClock
from hiltest.description.models import Bus
from hiltest.errors import BenchError, BenchLost, UsageError
from hiltest.link import Link

MS = 1_000_000


class SimulatedPort:
    """A bus in simulated time: frames arrive when they are said to."""

    name, bit_rate_bps, bus = "can", 1_000_000, None

    def __init__(self, *arrivals: tuple[int, Frame]) -> None:
        self.clock = SimulatedClock()
        self.sent: list[tuple[int, Frame]] = []
        self.lost = False
        self._number = itertools.count()
        self._arrivals: list[tuple[int, int, Frame]] = []
        for t_ns, frame in arrivals:
            self.arrive(t_ns, frame)

    def arrive(self, t_ns: int, frame: Frame) -> None:
        heapq.heappush(self._arrivals, (t_ns, next(self._number), frame.at(t_ns, frame.is_rx)))

    def send(self, frame: Frame) -> None:
        if self.lost:
            raise BenchLost("unplugged")
        self.sent.append((self.clock.now_ns, frame))

    def recv(self, timeout_s: float) -> Frame | None:
        if self.lost:
            raise BenchLost("unplugged")
        deadline_ns = self.clock.now_ns + round(timeout_s * 1e9)
        if self._arrivals and self._arrivals[0][0] <= deadline_ns:
            t_ns, _, frame = heapq.heappop(self._arrivals)
            self.clock.advance_to(max(t_ns, self.clock.now_ns))
            return frame
        self.clock.advance_to(deadline_ns)
        return None

    def flush(self) -> None: ...
    def close(self) -> None: ...
    def reopen(self, bit_rate_bps: int) -> None:
        self.bit_rate_bps = bit_rate_bps

    def state(self) -> str:
        return "active"

    def counters(self) -> None:
        return None


def frame(number: int, **more: bool) -> Frame:
    return Frame(number, bytes([number & 0xFF]), **more)


# --- time ------------------------------------------------------------------------------------------------


def test_run_for_takes_exactly_its_time() -> None:
    """Ten thousand waits of 0.1 s end at 1000 s to the nanosecond."""
    link = Link(SimulatedPort())
    for _ in range(10_000):
        link.run_for(0.1)
    assert link.now_ns == 1000 * 1_000_000_000


def test_every_keeps_a_fixed_grid() -> None:
    """A timer fires at once and then every period, without drift."""
    link, seen = Link(SimulatedPort()), []
    link.every(0.1, lambda: seen.append(link.now_ns))
    link.run_for(0.35)
    assert seen == [0, 100 * MS, 200 * MS, 300 * MS]


def test_equal_times_run_in_the_order_asked_for() -> None:
    """What is due at the same time is first in, first out, also after rearming."""
    link, seen = Link(SimulatedPort()), []
    for name in "abc":
        link.every(0.1, lambda name=name: seen.append(name), first_after_s=0.1)
    link.after(0.2, lambda: seen.append("once"))
    link.run_for(0.25)
    assert "".join(seen) == "abconceabc"


def test_a_cancelled_timer_does_not_run() -> None:
    """Cancelling works from anywhere, also from the timer that is due just before."""
    link, seen = Link(SimulatedPort()), []
    second = link.after(0.2, lambda: seen.append("second"))
    link.after(0.1, second.cancel)
    link.run_for(1.0)
    assert seen == []


def test_missed_grid_points_are_left_out() -> None:
    """When nobody waited for a while, a heartbeat is sent once, not in a burst."""
    port = SimulatedPort()
    link, seen = Link(port), []
    link.every(0.1, lambda: seen.append(link.now_ns))
    port.clock.advance_to(1050 * MS)
    link.run_for(0.1)
    assert seen == [1050 * MS, 1100 * MS]


def test_a_timer_that_raises_once_goes_on() -> None:
    """An exception of a timer reaches the waiter, and the timer is still there for the next wait."""
    link, seen = Link(SimulatedPort()), []

    def action() -> None:
        seen.append(link.now_ns)
        if len(seen) == 1:
            raise ValueError("first")

    link.every(0.1, action, first_after_s=0.1)
    with pytest.raises(ValueError, match="first"):
        link.run_for(1.0)
    link.run_for(0.1)
    assert seen == [100 * MS, 200 * MS]


def test_a_frame_comes_before_what_is_due_later() -> None:
    """Frames and timers are served in the order of their times."""
    port = SimulatedPort((50 * MS, frame(1)), (150 * MS, frame(2)))
    link, seen = Link(port), []
    link.listen(lambda got: seen.append(got.can_id))
    link.after(0.1, lambda: seen.append("due"))
    link.run_for(0.2)
    assert seen == [1, "due", 2]


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1.0])
def test_impossible_times_are_refused(bad: float) -> None:
    """NaN, infinity and negative times are refused wherever a time is taken."""
    link = Link(SimulatedPort())
    for call in (
        lambda: link.run_for(bad),
        lambda: link.wait_for(lambda: True, bad),
        lambda: link.after(bad, lambda: None),
        lambda: link.every(bad, lambda: None),
    ):
        with pytest.raises(UsageError, match="must be"):
            call()
    with pytest.raises(UsageError, match="period_s"):
        link.every(0.0, lambda: None)


# --- waiting ----------------------------------------------------------------------------------------------


def test_a_condition_that_holds_already_takes_no_time() -> None:
    """An answer that came just before the call is not missed."""
    link = Link(SimulatedPort())
    assert link.wait_for(lambda: "here", 1.0) == "here"
    assert link.now_ns == 0


def test_wait_for_returns_what_the_condition_found() -> None:
    """The wait ends at the frame that made the condition hold, and zero counts as found."""
    port = SimulatedPort((5 * MS, frame(1)), (7 * MS, frame(2)))
    link, seen = Link(port), []
    link.listen(lambda got: seen.append(got.can_id))
    assert link.wait_for(lambda: 0 if 2 in seen else None, 1.0) == 0
    assert link.now_ns == 7 * MS


def test_wait_for_gives_none_when_time_is_up() -> None:
    """A condition that stays None or False ends the wait at its limit."""
    link = Link(SimulatedPort())
    assert link.wait_for(lambda: False, 0.25) is None
    assert link.now_ns == 250 * MS


def test_a_wait_ends_though_its_condition_is_slower_than_a_timer() -> None:
    """Something is due again whenever it was looked at: the time is up all the same, and what was due before it ran."""
    port = SimulatedPort()
    link = Link(port)
    runs: list[float] = []
    link.every(0.005, lambda: runs.append(link.now_s))
    looks = itertools.count(1)

    def slow() -> None:
        assert next(looks) < 200, "it goes on without end"
        port.clock.advance_to(port.clock.now_ns + 20 * MS)

    assert link.wait_for(slow, 0.5) is None
    assert 0.5 <= link.now_s < 0.55
    assert len(runs) >= 20
    link.run_for(0.1)
    assert runs[-1] >= link.now_s - 0.006


def test_a_frame_at_the_very_end_counts() -> None:
    """A frame that arrives exactly when time is up is still looked at."""
    port = SimulatedPort((100 * MS, frame(1)))
    link, seen = Link(port), []
    link.listen(seen.append)
    assert link.wait_for(lambda: bool(seen), 0.1)


def test_frames_that_wait_are_read_before_giving_up() -> None:
    """With no time left, what had arrived already is taken."""
    port = SimulatedPort(*((0, frame(number)) for number in range(5)))
    link, seen = Link(port), []
    link.listen(seen.append)
    assert link.wait_for(lambda: len(seen) == 5, 0.0)


@pytest.mark.parametrize("place", ["listener", "timer", "condition"])
def test_waiting_inside_a_wait_is_refused(place: str) -> None:
    """On hardware a wait inside a callback would hang; here it is an error that says what to do."""
    port = SimulatedPort((MS, frame(1)))
    link = Link(port)
    if place == "listener":
        link.listen(lambda _: link.run_for(0.1))
    if place == "timer":
        link.after(0.0, lambda: link.run_for(0.1))
    condition = (lambda: link.run_for(0.1)) if place == "condition" else (lambda: None)
    with pytest.raises(BenchError, match="already waiting"):
        link.wait_for(condition, 1.0)
    assert link.can_wait
    link.run_for(0.0)


def test_a_clock_that_stands_still_is_found() -> None:
    """A simulated bus whose reads return nothing and take no time ends in an error, not in a hang."""

    class StuckPort(SimulatedPort):
        def recv(self, timeout_s: float) -> Frame | None:
            return None

    with pytest.raises(BenchError, match="stands still"):
        Link(StuckPort()).run_for(1.0)


# --- listeners ----------------------------------------------------------------------------------------------


def test_listeners_get_the_frames_they_asked_for() -> None:
    """Ids select by number and format; a listener without ids gets everything, error frames too."""
    error = Frame(0x20, bytes(8), error=True)
    port = SimulatedPort(
        (1, frame(0x20)), (2, frame(0x20, extended=True)), (3, frame(0x12345, extended=True)), (4, error)
    )
    link, everything, standard, extended = Link(port), [], [], []
    link.listen(everything.append)
    link.listen(standard.append, ids={0x20})
    link.listen(extended.append, ids={0x12345})
    link.run_for(0.01)
    assert [len(everything), len(standard), len(extended)] == [4, 1, 1]
    assert not standard[0].extended
    assert (link.frames_seen, link.error_frames_seen) == (4, 1)


def test_a_removed_listener_hears_no_more() -> None:
    """What `listen` returns takes the listener off, also twice."""
    port = SimulatedPort((1 * MS, frame(1)), (20 * MS, frame(1)))
    link, seen = Link(port), []
    remove = link.listen(seen.append, ids={1})
    link.run_for(0.01)
    remove()
    remove()
    link.run_for(0.1)
    assert len(seen) == 1


def test_an_assertion_in_a_listener_reaches_the_waiter() -> None:
    """What a listener raises is raised by the wait, after the other listeners had the frame too."""
    port = SimulatedPort((MS, frame(1)))
    link, log = Link(port), []

    def angry(_: Frame) -> None:
        raise AssertionError("unexpected frame")

    link.listen(angry)
    link.listen(log.append)
    with pytest.raises(AssertionError, match="unexpected frame"):
        link.run_for(1.0)
    assert len(log) == 1


def test_sent_frames_are_told_with_their_time() -> None:
    """A log of sent frames gets each with bench time and direction."""
    link, log = Link(SimulatedPort()), []
    remove = link.listen_sent(log.append)
    link.run_for(0.001)
    link.send(frame(5))
    remove()
    link.send(frame(6))
    assert [(each.can_id, each.t_ns, each.is_rx) for each in log] == [(5, MS, False)]


def test_frames_sent_together_are_told_together_or_one_by_one() -> None:
    """A listener of many gets them as they were given and the time; another gets each, stamped."""
    link, one_by_one, together = Link(SimulatedPort()), [], []
    link.listen_sent(one_by_one.append)
    remove = link.listen_sent(one_by_one.append, lambda frames, t_ns: together.append((list(frames), t_ns)))
    link.run_for(0.001)
    assert link.send_many([frame(5), frame(6)]) == 2
    remove()
    assert link.send_many([frame(7)]) == 1
    assert [(each.can_id, each.t_ns, each.is_rx) for each in one_by_one] == [
        (number, MS, False) for number in (5, 6, 7)
    ]
    assert together == [([frame(5), frame(6)], MS)]


def test_a_full_queue_takes_the_first_of_many() -> None:
    """What was taken is told, the rest is not, and the number says so."""

    class Full(SimulatedPort):
        def send(self, sent: Frame) -> None:
            if sent.can_id > 6:
                raise QueueFull("full")

    link, told = Link(Full()), []
    link.listen_sent(told.append)
    assert link.send_many([frame(5), frame(6), frame(7), frame(8)]) == 2
    assert [each.can_id for each in told] == [5, 6]


def test_a_lost_bus_ends_the_wait() -> None:
    """An adapter that goes away in the middle of a wait raises BenchLost from that wait."""
    port = SimulatedPort()
    link = Link(port)

    def unplug() -> None:
        port.lost = True

    link.after(0.5, unplug)
    with pytest.raises(BenchLost):
        link.run_for(10.0)
    assert link.now_s == 0.5


def test_a_closed_link_says_so() -> None:
    """Waiting on a closed link is an error; closing twice is not."""
    link = Link(SimulatedPort())
    link.close()
    link.close()
    with pytest.raises(BenchError, match="closed"):
        link.run_for(0.1)


def test_the_loop_is_fast() -> None:
    """At least 50 000 frames a second go through a trivial port to one listener (best of five tries)."""

    class FloodPort(SimulatedPort):
        flood = frame(0x123)

        def recv(self, timeout_s: float) -> Frame | None:
            return self.flood

    class Enough(Exception):
        pass

    best = 0.0
    for _ in range(5):
        link, count = Link(FloodPort()), itertools.count()

        def take(_: Frame, count: Iterator[int] = count) -> None:
            if next(count) == 20_000:
                raise Enough

        link.listen(take)
        start = time.perf_counter()
        with pytest.raises(Enough):
            link.run_for(1.0)
        best = max(best, 20_000 / (time.perf_counter() - start))
    assert best >= 50_000


# --- real time, python-can ----------------------------------------------------------------------------------


def virtual(channel: str, **options: object) -> BusPort:
    bus = Bus(interface="virtual", channel=channel, bit_rate_bps=500_000, length_m=1.0, options=options)
    return open_port(bus)


@pytest.fixture
def pair() -> Iterator[tuple[Link, can.BusABC]]:
    """A link and another bus on the same virtual wire."""
    link = Link(virtual("hiltest-link-test"))
    other = can.Bus(interface="virtual", channel="hiltest-link-test", ignore_config=True)
    yield link, other
    other.shutdown()
    link.close()


def test_frames_pass_both_ways_over_python_can(pair: tuple[Link, can.BusABC]) -> None:
    """In real time the link sends and receives over any python-can bus, with bench time on each frame."""
    link, other = pair
    seen: list[Frame] = []
    link.listen(seen.append, ids={0x123})
    other.send(can.Message(arbitration_id=0x123, data=b"\1\2", is_extended_id=False))
    assert link.wait_for(lambda: bool(seen), 1.0)
    assert seen[0].data == b"\1\2"
    assert 0 <= seen[0].t_ns <= link.now_ns
    link.send(Frame(0x7FF, b"\xff"))
    back = other.recv(1.0)
    assert back is not None
    assert (back.arbitration_id, bytes(back.data)) == (0x7FF, b"\xff")


def test_error_frames_are_kept(pair: tuple[Link, can.BusABC]) -> None:
    """An error frame of the adapter is delivered and counted."""
    link, other = pair
    other.send(can.Message(arbitration_id=0x80, data=bytes(8), is_error_frame=True, is_extended_id=False))
    link.run_for(0.05)
    assert link.error_frames_seen == 1


def test_time_goes_on_by_itself_in_real_time(pair: tuple[Link, can.BusABC]) -> None:
    """A wait of 50 ms takes 50 ms and runs what is due meanwhile."""
    link, _ = pair
    beats = []
    link.every(0.01, lambda: beats.append(link.now_s))
    start_s = link.now_s
    link.run_for(0.05)
    assert 0.05 <= link.now_s - start_s < 0.5
    assert len(beats) >= 3


def test_an_unknown_interface_names_the_nearest() -> None:
    """A misspelt adapter family is the file's fault, and the message offers the right one."""
    with pytest.raises(UsageError, match="did you mean 'socketcan'"):
        open_port(Bus(interface="socketcn", channel="can0", bit_rate_bps=500_000, length_m=1.0))


def test_a_missing_adapter_is_not_opened() -> None:
    """A device that is not there is a bench that could not be opened, with what to look at."""
    bus = Bus(interface="slcan", channel="/dev/no-such-adapter", bit_rate_bps=500_000, length_m=1.0)
    with pytest.raises(BenchError, match="plugged in"):
        open_port(bus)


class DeafBus(can.BusABC):
    """A python-can bus that fails as it is told."""

    def __init__(self, error: Exception) -> None:
        super().__init__(channel="deaf")
        self.error = error

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        raise self.error

    def recv(self, timeout: float | None = None) -> can.Message | None:
        raise self.error


def port_over(error: Exception) -> BusPort:
    bus = DeafBus(error)
    return BusPort("can", bus, 500_000, lambda _: bus)


@pytest.mark.parametrize("error", [can.CanOperationError("read failed"), OSError(5, "Input/output error")])
def test_errors_of_the_adapter_mean_that_it_is_lost(error: Exception) -> None:
    """Whatever the adapter's library raises while reading or sending becomes BenchLost with what to do."""
    port = port_over(error)
    with pytest.raises(BenchLost, match="cut the supply"):
        port.recv(0.1)
    with pytest.raises(BenchLost) as lost:
        port.send(frame(1))
    assert "its plug" in lost.value.look_first[0]
    port.close()
    with pytest.raises(BenchLost, match="was closed"):
        port.recv(0.1)


@pytest.mark.parametrize(
    "error",
    [can.CanOperationError("Transmit buffer full"), can.CanOperationError("Failed to transmit", 105)],
)
def test_a_full_queue_is_not_a_lost_bench(error: Exception) -> None:
    """The adapter is there. One that does not tell its state leaves open why; that nobody acknowledges comes first."""
    port = port_over(error)
    with pytest.raises(BenchError, match=r"transmit queue of the adapter .* is full") as caught:
        port.send(frame(1))
    assert "nobody acknowledges" in caught.value.look_first[0]
    assert not isinstance(caught.value, BenchLost)
    port.close()


def test_an_unplugged_serial_adapter_is_lost_at_once() -> None:
    """python-can's slcan adapter on a pseudo-terminal: frames come, then the cable goes, then BenchLost."""
    board, adapter = pty.openpty()
    tty.setraw(board)
    tty.setraw(adapter)
    bus = Bus(interface="slcan", channel=os.ttyname(adapter), bit_rate_bps=500_000, length_m=1.0)
    link, seen = Link(open_port(bus)), []
    link.listen(seen.append)
    os.write(board, b"t1232AABB\r")
    assert link.wait_for(lambda: bool(seen), 2.0)
    assert (seen[0].can_id, seen[0].data) == (0x123, b"\xaa\xbb")

    def unplug() -> None:
        os.close(board)
        os.close(adapter)

    link.after(0.1, unplug)
    with pytest.raises(BenchLost, match="reading bus 'can'"):
        link.run_for(5.0)
    assert link.now_s < 4.0
    with pytest.raises(BenchLost):
        link.send(frame(1))
    link.close()


# --- several buses ----------------------------------------------------------------------------------------


def _pair() -> tuple[SimulatedPort, SimulatedPort, Link, Link]:
    """Two simulated buses with one clock, and their links in one loop."""
    one, other = SimulatedPort(), SimulatedPort()
    other.name, other.clock = "rear", one.clock
    first = Link(one)
    return one, other, first, Link(other, beside=first)


def test_a_wait_on_one_bus_serves_the_others() -> None:
    """Frames reach the listeners of their own bus, and timers of every link run, whichever of them waits."""
    one, other, first, second = _pair()
    seen: list[tuple[str, int]] = []
    first.listen(lambda frame: seen.append(("front", frame.can_id)))
    second.listen(lambda frame: seen.append(("rear", frame.can_id)))
    second.every(0.01, lambda: second.send(Frame(0x77F, b"\5")))
    for number in range(3):
        one.arrive((5 + 10 * number) * MS, Frame(0x100 + number, b""))
        other.arrive((6 + 10 * number) * MS, Frame(0x200 + number, b""))
    first.run_for(0.04)
    assert [can_id for name, can_id in seen if name == "front"] == [0x100, 0x101, 0x102]
    assert [can_id for name, can_id in seen if name == "rear"] == [0x200, 0x201, 0x202]
    assert (first.frames_seen, second.frames_seen) == (3, 3)
    assert [can_id for _, frame in other.sent for can_id in [frame.can_id]] == [0x77F] * 5
    assert not one.sent


def test_a_wait_inside_a_listener_of_the_other_bus_is_refused() -> None:
    """The loop is one: a listener of either bus may not wait on the other."""
    one, _, first, second = _pair()
    first.listen(lambda _frame: second.run_for(0.1))
    one.arrive(MS, Frame(0x100, b""))
    with pytest.raises(BenchError, match="inside a listener"):
        second.run_for(0.01)


def test_closing_one_bus_leaves_the_other_and_takes_its_timers_along() -> None:
    """What the closed link had asked for does not run any more; the other waits on."""
    _, other, first, second = _pair()
    ran: list[str] = []
    first.every(0.01, lambda: ran.append("first"))
    second.every(0.01, lambda: ran.append("second"))
    first.close()
    other.arrive(5 * MS, Frame(0x200, b""))
    second.run_for(0.02)
    assert ran == ["second"] * 3
    assert second.frames_seen == 1


def test_buses_with_clocks_of_their_own_are_refused() -> None:
    """Frames that are stamped in two times can't be put in order."""
    first = Link(SimulatedPort())
    with pytest.raises(UsageError, match="share one clock"):
        Link(SimulatedPort(), beside=first)


class DescriptorBus(can.BusABC):
    """A bus over a pair of sockets: one byte is one frame."""

    def __init__(self) -> None:
        super().__init__("test")
        self.far, self.near = socket.socketpair()
        self.near.setblocking(False)

    def fileno(self) -> int:
        return self.near.fileno()

    def recv(self, timeout: float | None = None) -> can.Message | None:
        assert timeout == 0.0, "a bus that can be waited for together must not be waited for alone"
        try:
            return can.Message(arbitration_id=self.near.recv(1)[0], is_extended_id=False)
        except BlockingIOError:
            return None

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        del msg, timeout


def test_real_buses_are_waited_for_together() -> None:
    """Neither bus makes the other late: whichever has a frame first wakes the wait, and stamps are in one time."""
    buses = DescriptorBus(), DescriptorBus()
    ports = [BusPort("front", buses[0], 500_000, lambda rate: buses[0])]
    ports.append(BusPort("rear", buses[1], 500_000, lambda rate: buses[1], clock=ports[0].clock))
    first = Link(ports[0])
    second = Link(ports[1], beside=first)
    came: list[tuple[str, int]] = []
    first.listen(lambda frame: came.append(("front", frame.can_id)))
    second.listen(lambda frame: came.append(("rear", frame.can_id)))
    first.after(0.02, lambda: buses[1].far.send(b"\x22"))
    second.after(0.04, lambda: buses[0].far.send(b"\x11"))
    assert first.wait_for(lambda: len(came) == 2, 5.0)
    assert came == [("rear", 0x22), ("front", 0x11)]
    for bus in buses:
        bus.near.close(), bus.far.close(), bus.shutdown()


def test_buses_without_a_descriptor_are_asked_in_turns() -> None:
    """python-can's virtual buses have none: frames of both arrive all the same."""
    names = [f"hiltest-{os.getpid()}-{number}" for number in range(2)]
    far = [can.Bus(interface="virtual", channel=name, ignore_config=True) for name in names]
    near = [can.Bus(interface="virtual", channel=name, ignore_config=True) for name in names]
    first = Link(BusPort("front", near[0], 500_000, lambda rate: near[0]))
    second = Link(BusPort("rear", near[1], 500_000, lambda rate: near[1], clock=first.clock), beside=first)
    for number, bus in enumerate(far):
        bus.send(can.Message(arbitration_id=0x100 + number, is_extended_id=False))
    assert first.wait_for(lambda: first.frames_seen == second.frames_seen == 1, 5.0)
    for bus in (*near, *far):
        bus.shutdown()
