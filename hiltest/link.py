"""The one loop: owns the bus, the clock and the listeners. Everything that waits, waits here.

On hardware a wait takes real time; on the simulated bench the same call lets simulated time run to the
next event. The link does not know which: reading the bus with a time limit does both. There is no thread.

A bench with several buses has one link for each, and they share the loop: a wait on any of them reads all buses,
gives each frame to the listeners of its own link, and runs what is due for all.

Time is integer nanoseconds inside and seconds (float) at the edge. What is due at the same time runs in
the order in which it was asked for.
"""

from __future__ import annotations

import heapq
import itertools
from collections import Counter
from collections.abc import Callable, Iterator, Sequence, Set
from contextlib import contextmanager
from typing import Literal, TypeVar

from hiltest.canbus.frame import STANDARD_ID_MAX, Frame
from hiltest.canbus.opening import Port, send_each
from hiltest.canbus.several import Ports
from hiltest.clock import NS_PER_S, Clock, SimulatedClock, to_ns
from hiltest.errors import BenchError, UsageError

T = TypeVar("T")
FrameListener = Callable[[Frame], None]
ManyListener = Callable[[Sequence[Frame], int], None]

LATE_FRAMES = 10_000
"""Frames that are still taken when a wait has run out: what had arrived in time but was not read yet."""

STUCK_TURNS = 1000
"""Empty reads in a row during which simulated time may stand still before the link gives up."""


class Timer:
    """Something that is due. `cancel()` may be called at any time, also twice."""

    __slots__ = ("_action", "_link", "_period_ns", "cancelled", "due_ns")

    def __init__(self, link: Link, due_ns: int, action: Callable[[], None], period_ns: int | None) -> None:
        self._link = link
        self.due_ns = due_ns
        self.cancelled = False
        self._action = action
        self._period_ns = period_ns

    def cancel(self) -> None:
        self.cancelled = True

    def _next_due_ns(self, now_ns: int) -> int | None:
        """The next point of the fixed grid after `now_ns`. Points that were missed are not made up for."""
        if self._period_ns is None:
            return None
        periods = max(1, (now_ns - self.due_ns) // self._period_ns + 1)
        return self.due_ns + periods * self._period_ns


class _Loop:
    """What links share that wait together: the clock, what is due, and who waits at this moment."""

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.sequence = itertools.count()
        self.due: list[tuple[int, int, Timer]] = []
        self.busy = ""
        self.links: list[Link] = []
        self._ports: Ports | None = None

    def add(self, link: Link) -> None:
        self._use([*self.links, link])

    def remove(self, link: Link) -> None:
        for timer in (timer for _, _, timer in self.due if timer._link is link):
            timer.cancel()
        self._use([each for each in self.links if each is not link])
        if not self.links:
            self.due.clear()

    def _use(self, links: list[Link]) -> None:
        self._ports = Ports([each.port for each in links]) if len(links) > 1 else None
        self.links = links

    def take(self, timeout_s: float) -> tuple[Link, Frame] | None:
        """The next frame of any of the buses, and the link it belongs to."""
        if self._ports is None:
            link = self.links[0]
            alone = link.port.recv(timeout_s)
            return None if alone is None else (link, alone)
        found = self._ports.recv(timeout_s)
        if found is None:
            return None
        port, frame = found
        return next(link for link in self.links if link.port is port), frame


class Link:
    """Waits on one bus, hands its frames to listeners and runs what is due.

    `beside` is the link of another bus of this bench: the two then share one loop, and a wait on either serves both.

    Raises:
        UsageError: the two buses have clocks of their own.
    """

    def __init__(self, port: Port, beside: Link | None = None) -> None:
        self._port = port
        self._clock = port.clock
        self._loop: _Loop = _Loop(port.clock) if beside is None else beside._loop
        self._loop.add(self)
        self._listeners: list[tuple[FrameListener, frozenset[int] | None]] = []
        self._for_all: tuple[FrameListener, ...] = ()
        self._for_id: dict[int, tuple[FrameListener, ...]] = {}
        self._sent_listeners: tuple[tuple[FrameListener, ManyListener | None], ...] = ()
        self._closed = False
        self.frames_seen = 0
        self.error_frames_seen = 0
        self.heard_first: Counter[int] = Counter()
        """Standard identifiers that were heard before the first frame was sent, and how often each."""
        self._note_until_sent()

    def _note_until_sent(self) -> None:
        def note(frame: Frame) -> None:
            if frame.is_rx and not frame.error and not frame.extended:
                self.heard_first[frame.can_id] += 1

        def sent(_: Frame) -> None:
            stop_hearing()
            stop_sending()

        stop_hearing, stop_sending = self.listen(note), self.listen_sent(sent)

    # --- what it is -------------------------------------------------------------------------------

    @property
    def port(self) -> Port:
        return self._port

    @property
    def clock(self) -> Clock:
        return self._clock

    @property
    def now_ns(self) -> int:
        """Bench time in nanoseconds."""
        return self._clock.now_ns

    @property
    def now_s(self) -> float:
        """Bench time in seconds."""
        return self._clock.now_ns / NS_PER_S

    @property
    def can_wait(self) -> bool:
        """False inside a listener, a timer, a source or a condition."""
        return not self._loop.busy

    # --- frames -----------------------------------------------------------------------------------

    def send(self, frame: Frame) -> None:
        """Hand `frame` to the adapter and tell the listeners of `listen_sent`.

        Raises:
            QueueFull: the adapter takes no more.
            BenchLost: the adapter is gone.
        """
        self._port.send(frame)
        if self._sent_listeners:
            stamped = frame.at(self._clock.now_ns, False)
            for listener, _ in self._sent_listeners:
                listener(stamped)

    def send_many(self, frames: Sequence[Frame]) -> int:
        """Hand over as many of these as the adapter takes, and tell the listeners of `listen_sent`.

        Returns how many it took: fewer than were given if its queue is full.

        Raises:
            BenchLost: the adapter is gone.
        """
        send_many = getattr(self._port, "send_many", None)
        count: int = send_each(self._port.send, frames) if send_many is None else send_many(frames)
        if self._sent_listeners and count:
            self._tell_sent(frames if count == len(frames) else frames[:count])
        return count

    def _tell_sent(self, frames: Sequence[Frame]) -> None:
        now_ns, stamped = self._clock.now_ns, list[Frame]()
        for listener, many in self._sent_listeners:
            if many is not None:
                many(frames, now_ns)
                continue
            stamped = stamped or [frame.at(now_ns, False) for frame in frames]
            for frame in stamped:
                listener(frame)

    def listen(self, listener: FrameListener, ids: Set[int] | None = None) -> Callable[[], None]:
        """Call `listener` with each frame that is read; returns what takes it off again.

        Without `ids` every frame comes, error frames, remote frames and the adapter's echo of own frames
        (`is_rx` False) included. With `ids` only frames with these identifiers come: numbers up to 0x7FF mean
        standard frames, larger ones extended frames. What a listener raises reaches whoever waits.
        """
        entry = (listener, None if ids is None else frozenset(ids))
        self._listeners.append(entry)
        self._sort_listeners()

        def remove() -> None:
            if entry in self._listeners:
                self._listeners.remove(entry)
                self._sort_listeners()

        return remove

    def listen_sent(self, listener: FrameListener, many: ManyListener | None = None) -> Callable[[], None]:
        """Call `listener` with each frame handed to the adapter, stamped with the time of handing over.

        With `many`, frames that are handed over together go to it instead, as they were given, with that time in ns.
        """
        entry = (listener, many)
        self._sent_listeners += (entry,)

        def remove() -> None:
            self._sent_listeners = tuple(kept for kept in self._sent_listeners if kept is not entry)

        return remove

    def _sort_listeners(self) -> None:
        ids = set[int]().union(*(wanted for _, wanted in self._listeners if wanted is not None))
        self._for_all = tuple(listener for listener, wanted in self._listeners if wanted is None)
        self._for_id = {
            number: tuple(
                listener for listener, wanted in self._listeners if wanted is None or number in wanted
            )
            for number in ids
        }

    # --- timers -----------------------------------------------------------------------------------

    def every(self, period_s: float, action: Callable[[], None], first_after_s: float = 0.0) -> Timer:
        """Run `action` on a fixed grid of `period_s` (more than 0) from `first_after_s` on.

        Points of the grid that pass while nobody waits are left out, not made up for.
        """
        period_ns = to_ns(period_s, "period_s")
        if period_ns == 0:
            raise UsageError(f"period_s={period_s!r} must be more than 0 s")
        return self._arm(to_ns(first_after_s, "first_after_s"), action, period_ns)

    def after(self, delay_s: float, action: Callable[[], None]) -> Timer:
        """Run `action` once, `delay_s` from now."""
        return self._arm(to_ns(delay_s, "delay_s"), action, None)

    def add_source(self, poll: Callable[[], None], period_s: float) -> Callable[[], None]:
        """Call `poll` every `period_s` while somebody waits: for what can only be asked, like a serial port.

        Returns what takes it off again.
        """
        return self.every(period_s, poll).cancel

    def _arm(self, delay_ns: int, action: Callable[[], None], period_ns: int | None) -> Timer:
        loop = self._loop
        timer = Timer(self, self._clock.now_ns + delay_ns, action, period_ns)
        heapq.heappush(loop.due, (timer.due_ns, next(loop.sequence), timer))
        return timer

    # --- waiting ----------------------------------------------------------------------------------

    def wait_for(self, condition: Callable[[], T | Literal[False] | None], within_s: float) -> T | None:
        """Wait until `condition` returns something other than None and False, and return that.

        The condition is looked at before the first wait, after every frame and when time is up. Returns None
        when `within_s` has passed. The condition only looks: it must not wait.

        Raises:
            BenchError: called from a listener, a timer, a source or a condition.
            BenchLost: the adapter went away.
        """
        deadline_ns = self._clock.now_ns + to_ns(within_s, "within_s")
        self._refuse_nested("wait_for")
        self._loop.busy = "a condition"
        try:
            return self._wait(condition, deadline_ns)
        finally:
            self._loop.busy = ""

    def run_for(self, seconds: float) -> None:
        """Let bench time pass, deliver what arrives and run what is due. Raises as `wait_for` does."""
        deadline_ns = self._clock.now_ns + to_ns(seconds, "seconds")
        self._refuse_nested("run_for")
        self._loop.busy = "a condition"
        try:
            self._wait(_never, deadline_ns)
        finally:
            self._loop.busy = ""

    def _refuse_nested(self, verb: str) -> None:
        if self._closed:
            raise BenchError(f"{verb} on a link that was closed; open the bench again")
        if self._loop.busy:
            raise BenchError(
                f"{verb} was called from inside {self._loop.busy} while the link is already waiting; on hardware "
                "this would hang. Note what arrived, return, and wait in the caller: "
                "`while not done: value = node.read_...(); link.run_for(0.1)`"
            )

    def _wait(self, condition: Callable[[], T | Literal[False] | None], deadline_ns: int) -> T | None:
        loop, clock, idle_turns = self._loop, self._clock, 0
        due = loop.due
        while True:
            result = condition()
            if result is not None and result is not False:
                return result
            now_ns = clock.now_ns
            # What falls due after the deadline can wait: a condition slower than a timer would never come to its end.
            if due and due[0][0] <= min(now_ns, deadline_ns):
                self._run_due(now_ns)
                continue
            if now_ns >= deadline_ns:
                return self._take_late_frames(condition)
            wake_ns = min(deadline_ns, due[0][0]) if due else deadline_ns
            came = loop.take((wake_ns - now_ns) / NS_PER_S)
            if came is not None:
                idle_turns = 0
                came[0]._deliver(came[1])
            elif clock.now_ns == now_ns and isinstance(clock, SimulatedClock):
                idle_turns += 1
                if idle_turns > STUCK_TURNS:
                    raise BenchError(
                        f"simulated time stands still at {now_ns / NS_PER_S:.6f} s: reading the bus with a "
                        "limit returned nothing and did not let time pass. The bus must advance its clock"
                    )

    def _take_late_frames(self, condition: Callable[[], T | Literal[False] | None]) -> T | None:
        for _ in range(LATE_FRAMES):
            came = self._loop.take(0.0)
            if came is None:
                return None
            came[0]._deliver(came[1])
            result = condition()
            if result is not None and result is not False:
                return result
        return None

    def _run_due(self, now_ns: int) -> None:
        """Run one thing that is due; the caller looks at its condition before the next."""
        loop = self._loop
        timer = heapq.heappop(loop.due)[2]
        if timer.cancelled:
            return
        # Armed again before it runs, so that a timer that raises once is not lost.
        following_ns = timer._next_due_ns(now_ns)
        if following_ns is not None:
            timer.due_ns = following_ns
            heapq.heappush(loop.due, (following_ns, next(loop.sequence), timer))
        with self._inside("a timer or a source"):
            timer._action()

    def _deliver(self, frame: Frame) -> None:
        self.frames_seen += 1
        if frame.error:
            self.error_frames_seen += 1
            listeners = self._for_all
        elif frame.extended and frame.can_id <= STANDARD_ID_MAX:
            listeners = self._for_all
        else:
            listeners = self._for_id.get(frame.can_id, self._for_all)
        if not listeners:
            return
        loop = self._loop
        outer, loop.busy = loop.busy, "a listener"
        raised: BaseException | None = None
        for listener in listeners:
            try:
                listener(frame)
            except BaseException as error:
                # The others still get the frame: a bus log must hold the frame that made a check fail.
                if raised is None:
                    raised = error
                else:
                    raised.add_note(f"another listener also raised {error!r}")
        loop.busy = outer
        if raised is not None:
            raise raised

    @contextmanager
    def _inside(self, place: str) -> Iterator[None]:
        outer, self._loop.busy = self._loop.busy, place
        try:
            yield
        finally:
            self._loop.busy = outer

    # --- the bus itself ---------------------------------------------------------------------------

    def reopen(self, bit_rate_bps: int) -> None:
        """Close the bus and open it again at another bit rate. Listeners and timers stay; time goes on.

        Raises:
            BenchNotOpened: the adapter did not come back.
        """
        self._port.reopen(bit_rate_bps)

    def close(self) -> None:
        """Drop listeners and timers and close the bus; other buses of the loop stay. May be called twice."""
        self._closed = True
        self._loop.remove(self)
        self._listeners.clear()
        self._sort_listeners()
        self._port.close()


def _never() -> None:
    return None
