"""`hiltest bench`: the simulated bench in real time, for other programs, through all its doors.

One process, one loop, no thread: bench time follows the wall clock, and between two events the loop waits
in select() for what clients send.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import FrameType
from typing import Any, Protocol, TextIO

from hiltest.clock import NS_PER_S, Clock, RealClock
from hiltest.simbench.doors.console import ConsoleDoor
from hiltest.simbench.doors.scpi import ScpiDoor
from hiltest.simbench.doors.slcan import SlcanDoor
from hiltest.simbench.events import EventQueue

IDLE_S = 0.02
"""Longest wait in one turn: what closes or unplugs shows within this time."""
TURN_S = 0.0002
"""Shortest wait, so that a bench with thousands of events a second does not eat a processor."""
BEHIND_NS = NS_PER_S
"""If the machine is too slow by more than this, bench time gives up catching up."""
ERROR_LINES_PER_S = 100.0
"""Most errors told in a second. The firmware of a serial-line adapter tells them once in a turn of its loop; one
line for each of the thousands that a frame without an acknowledgement makes would bury every other frame."""


class Door(Protocol):
    """One way in for other programs. A door over TCP fits in as well: `fileno` is what select() watches."""

    name: str

    @property
    def path(self) -> str:
        """Where it is, as told to the user."""
        ...

    @property
    def due_ns(self) -> int | None:
        """When it wants its output served next, in bench time; None: after the bench's own events."""
        ...

    def fileno(self) -> int: ...
    def serve_input(self) -> None:
        """There is something to read."""
        ...

    def serve_output(self) -> None:
        """Bench time has moved."""
        ...

    def close(self) -> None: ...


class OutputWatch:
    """Tells each output that goes on or off, as it really is on the bench, whatever the node says of it.

    One line each: bench time in s, output, on or off, like `12.345 heater:reservoir on`.
    """

    def __init__(self, bench: Any, out: TextIO) -> None:
        self._bench = bench
        self._out = out
        self._told = 0

    def look(self) -> None:
        """Tell what has changed since the last look."""
        if sum(len(board.changes) for board in self._bench.boards.values()) == self._told:
            return
        changes = self._bench.truth.changes()
        for change in changes[self._told :]:
            self._out.write(f"{change.t_s:.3f} {change.output} {'on' if change.on else 'off'}\n")
        self._told = len(changes)
        self._out.flush()


class Server:
    """Paces a bench to a clock and serves its doors.

    `bench` needs `queue`. `each_turn` is called after each turn of the loop. `slipped_ns` says how far bench time has fallen behind for good because the machine
    was too slow.
    """

    def __init__(
        self,
        bench: Any,
        doors: Sequence[Door],
        clock: Clock | None = None,
        each_turn: Callable[[], None] = lambda: None,
    ) -> None:
        self._queue: EventQueue = bench.queue
        self.doors = tuple(doors)
        self._clock = clock or RealClock()
        self._offset_ns: int = self._queue.now_ns - self._clock.now_ns
        self._each_turn = each_turn
        self.slipped_ns = 0
        self._stopped = False
        self._wake_read, self._wake_write = os.pipe()
        os.set_blocking(self._wake_read, False)
        os.set_blocking(self._wake_write, False)

    def stop(self) -> None:
        """End `run` soon. May be called from a signal handler or another thread."""
        self._stopped = True
        with contextlib.suppress(OSError):
            os.write(self._wake_write, b"\0")

    def run(self, for_s: float | None = None) -> None:
        """Serve until `stop()`, or for `for_s` seconds, or until every door has closed."""
        end_ns = None if for_s is None else self._clock.now_ns + round(for_s * NS_PER_S)
        while not self._stopped and (end_ns is None or self._clock.now_ns < end_ns):
            self._turn()

    def close(self) -> None:
        """Close every door."""
        for door in self.doors:
            door.close()
        for fd in (self._wake_read, self._wake_write):
            with contextlib.suppress(OSError):
                os.close(fd)

    def _turn(self) -> None:
        watched = {self._wake_read: None} | {door.fileno(): door for door in self._open_doors()}
        readable, _, _ = select.select(list(watched), [], [], self._wait_s())
        self._catch_up()
        for fd in readable:
            door = watched[fd]
            if door is None:
                with contextlib.suppress(OSError):
                    os.read(fd, 64)
            else:
                door.serve_input()
        # What was just asked may be due now: an answer in the same turn costs no latency.
        self._queue.run_until(self._queue.now_ns)
        for door in self._open_doors():
            door.serve_output()
        self._each_turn()

    def _open_doors(self) -> list[Door]:
        return [door for door in self.doors if not getattr(getattr(door, "terminal", None), "closed", False)]

    def _wait_s(self) -> float:
        due = [self._queue.next_ns(), *(door.due_ns for door in self._open_doors())]
        first = min((when for when in due if when is not None), default=None)
        if first is None:
            return IDLE_S
        wait_s = (first - self._bench_ns()) / NS_PER_S
        return min(IDLE_S, max(TURN_S, wait_s))

    def _bench_ns(self) -> int:
        return self._clock.now_ns + self._offset_ns

    def _catch_up(self) -> None:
        """Let the bench run to where the wall clock is."""
        goal_ns = self._bench_ns()
        behind_ns = goal_ns - self._queue.now_ns
        if behind_ns > BEHIND_NS:
            # A suspended process or a bench too heavy for this machine: go on from here, a little later.
            lost_ns = behind_ns - BEHIND_NS // 10
            self.slipped_ns += lost_ns
            self._offset_ns -= lost_ns
            goal_ns -= lost_ns
        self._queue.run_until(max(goal_ns, self._queue.now_ns))


def doors_of(bench: Any) -> list[Door]:
    """Every door of a bench: adapters, consoles, and the two instruments.

    Where there are several adapters, the name of each ends with its bus: 'adapter front'; consoles with their node.
    """
    doors: list[Door] = []
    for number, bus in enumerate(bench.description.bus):
        adapter = bench.adapter(bus.name)
        if adapter.policy.error_reports_per_s is None:
            adapter.policy.error_reports_per_s = ERROR_LINES_PER_S
        door = SlcanDoor(adapter, serial=f"{(bench.seed + number) % 10_000:04d}")
        door.name = _named(door.name, bus.name, len(bench.description.bus))
        doors.append(door)
    for node, port in bench.consoles.items():
        console = ConsoleDoor(port)
        console.name = _named(console.name, node, len(bench.consoles))
        doors.append(console)
    doors += [ScpiDoor(name, instrument, bench.queue) for name, instrument in bench.instruments.items()]
    return doors


def _named(door: str, of: str, count: int) -> str:
    return door if count == 1 else f"{door} {of}"


def serve(
    description: str | Path,
    faults: Sequence[str] | None = None,
    seed: int | None = None,
    *,
    output: TextIO | None = None,
    for_s: float | None = None,
    show_outputs: bool = False,
    started: Callable[[Server], None] | None = None,
) -> int:
    """Open the simulated bench of a description with all its doors, and serve until told to end.

    Prints `name: place` for each door and then `ready`. SIGINT and SIGTERM end it. `for_s` ends it after that
    many seconds. With `show_outputs` a line follows for each output that goes on or off (`OutputWatch`). `started` is
    given the server, for programs that end it by themselves. Returns 0.

    Raises:
        DescriptionError: the description can't be used.
        UsageError: a fault isn't known.
    """
    from hiltest.simbench.bench import open_bench

    out = output or sys.stdout
    with open_bench(description, seed=seed, faults=faults or None) as bench:
        for node in bench.description.node:
            if node.eds is not None and node.node_id is not None:
                bench.read_eds(node, node.node_id)  # slow the first time, and kept: not while bench time runs
        watch = OutputWatch(bench, out).look if show_outputs else lambda: None
        server = Server(bench, doors_of(bench), each_turn=watch)
        try:
            with _ends_on_signals(server):
                for door in server.doors:
                    out.write(f"{door.name}: {door.path}\n")
                out.write("ready\n")
                out.flush()
                if started is not None:
                    started(server)
                server.run(for_s)
        finally:
            server.close()
    return 0


@contextlib.contextmanager
def _ends_on_signals(server: Server) -> Iterator[None]:
    """SIGINT and SIGTERM end the server, if this is the main thread (only there can they be caught)."""

    def end(_signal: int, _frame: FrameType | None) -> None:
        server.stop()

    try:
        before = {number: signal.signal(number, end) for number in (signal.SIGINT, signal.SIGTERM)}
    except ValueError:
        yield
        return
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
