"""The in-process door: a python-can bus on the simulated bench, in simulated time, without a thread.

`can.Bus(interface="hiltest", channel="glue_head.toml", ignore_config=True)` opens the bench of that fixture
description, or joins it if this process has it open. Receiving lets simulated time run to the next frame, so
waiting costs no time. Stamps are 2020-01-01T00:00:00Z plus bench time: equal runs make equal records.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final

import can
from can import typechecking

from hiltest.canbus.frame import Frame, from_message, to_message
from hiltest.clock import Clock, SimulatedClock, to_ns
from hiltest.errors import BenchLost, NothingScheduled, UsageError
from hiltest.simbench.adapter import Adapter, NoFdFrames, QueueFull
from hiltest.simbench.doors.cyclic import BenchCyclicTask
from hiltest.simbench.doors.pump import Earliest, pumping
from hiltest.simbench.events import EventQueue

EPOCH_S: Final = 1_577_836_800.0
"""2020-01-01T00:00:00Z in Unix time: bench time zero in every time stamp."""
SLICE_NS: Final = 1_000_000
"""How far time runs before batch receiving looks whether enough frames have come."""


class HiltestBus(can.BusABC):
    """The adapter of a simulated bench as python-can sees it.

    Args:
        channel: path of the fixture description, or an open bench (anything with `queue`, `clock` and
            `adapter(name)`), which the bus then does not end.
        bitrate: bit rate of the adapter in bit/s; default: what the description says.
        bus: name of the bus in the description; default: its first.
        seed, faults, tolerances: for the bench, if this bus opens it.
        receive_own_messages: also receive what was sent, marked as sent.
        listen_only: hear without acknowledging.

    Raises:
        UsageError: the description, a fault or a name can't be used.
    """

    def __init__(
        self,
        channel: Any = None,
        can_filters: typechecking.CanFilters | None = None,
        *,
        bitrate: int | None = None,
        bus: str | None = None,
        seed: int | None = None,
        faults: Sequence[str] | str | None = None,
        tolerances: bool | None = None,
        receive_own_messages: bool | None = None,
        listen_only: bool = False,
        **unknown: object,
    ) -> None:
        if unknown:
            names = ", ".join(sorted(unknown))
            raise UsageError(
                f"interface 'hiltest' has no option {names}; it takes bitrate, bus, seed, faults, tolerances, "
                "receive_own_messages, listen_only"
            )
        self._hold: Any = None
        if hasattr(channel, "queue"):
            self.bench: Any = channel
        else:
            from hiltest.simbench.bench import join_bench

            if channel is None:
                raise UsageError("channel=None: give the path of a fixture description")
            named = faults.split() if isinstance(faults, str) else faults
            self._hold = join_bench(str(channel), seed=seed, faults=named, tolerances=tolerances)
            self.bench = self._hold.bench
        self._owner = threading.get_ident()
        self._queue: EventQueue = self.bench.queue
        self._clock: SimulatedClock = self._queue.clock
        self.adapter: Adapter = self.bench.adapter(bus)
        if receive_own_messages is not None:
            self.adapter.policy.echo = receive_own_messages
        if bitrate is not None and bitrate != self.adapter.controller.timing.bit_rate_bps:
            self.adapter.change_bit_rate(bitrate)
        if listen_only:
            self.adapter.controller.listen_only = True
        self._tasks: list[BenchCyclicTask] = []
        fd = self.adapter.controller.fd
        self._can_protocol = can.CanProtocol.CAN_FD if fd else can.CanProtocol.CAN_20
        self.channel_info = f"hiltest simulated bench, bus {self.adapter.name!r} of {channel}"
        super().__init__(channel=channel, can_filters=can_filters)

    # --- python-can ---------------------------------------------------------------------------------

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Hand a copy of the message to the adapter.

        Args:
            msg: data or remote frame.
            timeout: seconds of bench time to wait for room in the adapter; None or 0: do not wait.

        Raises:
            can.CanOperationError: error 105, the adapter's queue is full; or the adapter is gone.
        """
        self._check("send")
        frame = from_message(msg, EPOCH_S)
        try:
            frame.check()
        except UsageError as error:
            raise can.CanOperationError(str(error)) from error
        deadline_ns = self._clock.now_ns + to_ns(timeout or 0.0, "timeout")
        self._wait_for_room(deadline_ns)
        self.send_frame(frame)

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The next message that passes the filters, or None when `timeout` seconds of bench time have passed.

        Raises:
            NothingScheduled: `timeout` is None and nothing on the bench can ever bring a frame.
            can.CanOperationError: the adapter is gone, or another thread than the owner calls.
        """
        self._check("recv")
        deadline_ns = self._deadline_ns(timeout)
        while True:
            frame = self._next_frame(deadline_ns)
            if frame is None:
                return None
            message = to_message(frame, EPOCH_S, self.adapter.name)
            if self._matches_filters(message):
                return message

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        frame = self._next_frame(self._deadline_ns(timeout))
        return (None if frame is None else to_message(frame, EPOCH_S, self.adapter.name)), False

    def _send_periodic_internal(
        self,
        msgs: Sequence[can.Message] | can.Message,
        period: float,
        duration: float | None = None,
        autostart: bool = True,
        modifier_callback: Callable[[can.Message], None] | None = None,
    ) -> BenchCyclicTask:
        task = BenchCyclicTask(self, msgs, period, duration, modifier_callback)
        self._tasks.append(task)
        if autostart:
            task.start()
        return task

    @property
    def state(self) -> can.BusState:
        """ACTIVE, PASSIVE or ERROR (bus-off). `bus_state` tells more."""
        state = self.adapter.state
        if state == "off":
            return can.BusState.ERROR
        return can.BusState.PASSIVE if state == "passive" else can.BusState.ACTIVE

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        if new_state is can.BusState.ERROR:
            raise UsageError("state=ERROR: a controller goes off by its errors only; set ACTIVE or PASSIVE")
        # In python-can PASSIVE stands for "listen without acknowledging".
        self.adapter.controller.listen_only = new_state is can.BusState.PASSIVE

    def flush_tx_buffer(self) -> None:
        """Forget what waits to be sent."""
        self._check("flush")
        self.adapter.flush()

    def shutdown(self) -> None:
        """Close the door; the last one ends the bench. Calling it twice does nothing."""
        if self._is_shutdown:
            return
        for task in self._tasks:
            task.stop()
        super().shutdown()
        if self._hold is not None:
            self._hold.close()

    def __iter__(self) -> Iterator[can.Message]:
        """Messages until the bench has nothing left to do, or one second of bench time brings none."""
        while (message := self.recv(1.0)) is not None:
            yield message

    @staticmethod
    def _detect_available_configs() -> list[can.typechecking.AutoDetectedConfig]:
        return []

    # --- fast paths: frames instead of messages -----------------------------------------------------

    @property
    def clock(self) -> Clock:
        """Simulated time."""
        return self._clock

    @property
    def person(self) -> Any:
        """Who acts and answers by himself at this bench; None where there is nobody."""
        return getattr(self.bench, "person", None)

    @property
    def bus_state(self) -> str:
        """active, warning, passive, off; "unknown" if the adapter hides errors."""
        return self.adapter.state if self.adapter.policy.reports_errors else "unknown"

    @property
    def error_counters(self) -> tuple[int, int] | None:
        """Transmit and receive error counter, if the adapter tells them."""
        return self.adapter.counters

    @property
    def stamp_source(self) -> str:
        """Where the time stamps come from, in words for a report."""
        if self.adapter.policy.stamps == "software":
            return "simulated (taken when the host gets the frame)"
        return "simulated (taken at the wire)"

    def change_bit_rate(self, bit_rate_bps: int) -> None:
        """Let the adapter join at another bit rate; bench time goes on."""
        self._check("change_bit_rate")
        self.adapter.change_bit_rate(bit_rate_bps)
        self.adapter.discard_received()

    def change_sample_point(self, sample_point: float) -> None:
        """Let the adapter join anew, sampling at this fraction of a bit; bench time goes on."""
        self._check("change_sample_point")
        self.adapter.change_bit_rate(self.adapter.controller.timing.bit_rate_bps, sample_point)
        self.adapter.discard_received()

    def recv_frame(self, timeout_s: float | None = None) -> Frame | None:
        """Like `recv`, without a `can.Message`. Filters apply."""
        self._check("recv")
        deadline_ns = self._deadline_ns(timeout_s)
        while True:
            frame = self._next_frame(deadline_ns)
            if frame is None or not self._filters or self._matches_filters(to_message(frame)):
                return frame

    def send_frame(self, frame: Frame) -> None:
        """Like `send`, without a `can.Message`, without waiting."""
        if self._is_shutdown:
            self._check("send")
        try:
            self.adapter.send(frame)
        except (QueueFull, NoFdFrames) as error:
            raise can.CanOperationError(str(error), error_code=error.error_code) from error
        except BenchLost as error:
            raise can.CanOperationError(str(error)) from error

    def send_many(self, frames: Iterable[Frame]) -> int:
        """Hand frames over until the adapter takes no more; returns how many it took."""
        self._check("send")
        try:
            return self.adapter.send_many(frames)
        except NoFdFrames as error:
            raise can.CanOperationError(str(error), error_code=error.error_code) from error
        except BenchLost as error:
            raise can.CanOperationError(str(error)) from error

    def recv_many(self, timeout_s: float, most: int = 4096) -> list[Frame]:
        """Let `timeout_s` of bench time pass, or less if `most` frames have come; returns them. Filters do
        not apply: this is for accounting.
        """
        self._check("recv")
        deadline_ns = self._deadline_ns(timeout_s)
        assert deadline_ns is not None
        queue, adapter = self._queue, self.adapter
        with pumping(queue):
            while queue.now_ns < deadline_ns and adapter.waiting_to_read < most:
                queue.run_until(min(deadline_ns, queue.now_ns + SLICE_NS))
        try:
            return adapter.take_many(most)
        except BenchLost as error:
            raise can.CanOperationError(str(error)) from error

    def wait_with(self, others: Sequence[HiltestBus], timeout_s: float) -> None:
        """Let time run until this bus or one of `others` has a frame for the host, `timeout_s` at most.

        Raises:
            UsageError: one of them is on another bench.
        """
        self._check("waiting")
        if any(other._queue is not self._queue for other in others):
            raise UsageError(
                "buses of several simulated benches can't wait together: each bench has its own time"
            )
        deadline_ns = self._clock.now_ns + to_ns(timeout_s, "timeout_s")
        waiting = Earliest([self.adapter.received, *(other.adapter.received for other in others)])
        with pumping(self._queue):
            self._queue.run_to_first(waiting, deadline_ns)

    # --- inside -------------------------------------------------------------------------------------

    def _check(self, doing: str) -> None:
        if self._is_shutdown:
            raise can.CanOperationError(f"{doing}: this bus was shut down; open it again")
        if threading.get_ident() != self._owner:
            raise can.CanOperationError(
                f"{doing} from another thread: the simulated bench runs in the thread that opened it, or time would "
                "run by itself. Instead of can.Notifier, call recv in a loop (or use hiltest's Link)"
            )

    def _deadline_ns(self, timeout: float | None) -> int | None:
        if timeout is None:
            return None
        return self._clock.now_ns + to_ns(max(0.0, timeout), "timeout")

    def _next_frame(self, deadline_ns: int | None) -> Frame | None:
        """Let time run to the next frame for the host, or to the deadline."""
        adapter = self.adapter
        try:
            frame = adapter.take()
            if frame is not None:
                return frame
            with pumping(self._queue):
                self._queue.run_to_first(adapter.received, deadline_ns)
                return adapter.take()
        except NothingScheduled as error:
            raise NothingScheduled(
                "recv without a timeout: nothing on the simulated bench can ever bring a frame; on a real bus this "
                "would wait for ever. Give a timeout"
            ) from error
        except BenchLost as error:
            raise can.CanOperationError(str(error)) from error

    def _wait_for_room(self, deadline_ns: int) -> None:
        adapter = self.adapter

        def is_full() -> bool:
            return adapter.waiting_to_send >= adapter.policy.queue_frames

        if is_full() and deadline_ns > self._clock.now_ns:
            with pumping(self._queue):
                self._queue.run_while(is_full, deadline_ns)
