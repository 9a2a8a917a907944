"""The host's CAN adapter on the simulated bench: a controller, and what its firmware and driver make of it.

Adapters differ most in what they tell: some report every error, some none; some echo own frames, some not;
they delay, quantise time stamps, drop frames when the host is slow. All of that is `AdapterPolicy`, so that
a test of the harness meets the adapters that people have.
"""

from __future__ import annotations

import errno
import math
from collections import deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, fields, replace
from itertools import islice
from random import Random
from typing import TYPE_CHECKING, ClassVar, Literal, Protocol

from hiltest.canbus.frame import Frame
from hiltest.clock import to_ns
from hiltest.errors import BenchLost, UsageError
from hiltest.simbench.controller import BusError, Controller, State, Timing
from hiltest.simbench.errorframes import (
    bus_error_frame,
    overflow_frame,
    restarted_frame,
    state_frame,
)
from hiltest.simbench.events import EventQueue
from hiltest.simbench.wire import Wire

if TYPE_CHECKING:
    from hiltest.description.models import SimulatedAdapter

TAP = "adapter"
Stamps = Literal["hardware", "software"]
Overrun = Literal["drops_new", "drops_old"]
FROM_GOOD_TO_BAD: tuple[State, ...] = ("active", "warning", "passive", "off")


class Host(Protocol):
    """What the adapter needs of its bench."""

    @property
    def queue(self) -> EventQueue: ...

    def rng(self, name: str) -> Random:
        """The random stream of that name."""
        ...


class BusSettings(Protocol):
    """What it needs to know of its bus; `description.models.Bus` is one."""

    @property
    def name(self) -> str: ...
    @property
    def bit_rate_bps(self) -> int: ...
    @property
    def sample_point_percent(self) -> float: ...


@dataclass
class AdapterPolicy:
    """What an adapter is like.

    `reports_errors`: bus errors and states come as error frames; without, the host sees nothing of them.
    `error_reports_per_s`: at most so many bus errors are told (None: all; 0: states alone, as SocketCAN without `berr-reporting on`). `echo`: own frames come back
    when they were sent. `queue_frames`: frames that wait for the bus before the adapter refuses more.
    `receive_frames`: frames that wait for the host before some are lost; `overrun` says which, and with
    `tells_overrun` an overflow is reported (if `reports_errors`). `latency_s` between the wire and the program, each way, plus `jitter_s` on
    average. `stamps`: "hardware" stamps are taken at the wire, "software" ones when the host gets the frame;
    `stamp_step_s` rounds them down. `stamp_offset_s` is a wrong zero. `restart_s`: after bus-off the driver
    restarts the controller by itself after this time (None: never). `sends_fd` turns the host's data frames into CAN
    FD frames, with a bit rate switch if the controller has a data phase. `swaps`: share of received frames that the
    host gets before the one that came first. Without `tells_recovery` each worse state is told and none that is better, so that
    the worst one stays.
    """

    reports_errors: bool = True
    error_reports_per_s: float | None = None
    echo: bool = False
    queue_frames: int = 64
    receive_frames: int = 8192
    overrun: Overrun = "drops_new"
    tells_overrun: bool = True
    latency_s: float = 0.0005
    jitter_s: float = 0.0
    stamps: Stamps = "hardware"
    stamp_step_s: float = 0.0
    stamp_offset_s: float = 0.0
    sends_fd: bool = False
    restart_s: float | None = None
    tells_recovery: bool = True
    swaps: float = 0.0

    def __setattr__(self, name: str, value: object) -> None:
        """Keep what each frame needs ready: this class is changed seldom and read often."""
        object.__setattr__(self, name, value)
        if "swaps" in self.__dict__:  # all fields are there
            latency_ns = to_ns(self.latency_s, "latency_s")
            stamped_at_wire = self.stamps == "hardware" and not (self.stamp_step_s or self.stamp_offset_s)
            plain = stamped_at_wire and not (self.jitter_s or self.swaps)
            self.__dict__.update(latency_ns=latency_ns, plain=plain)

    if TYPE_CHECKING:
        latency_ns: ClassVar[int]
        plain: ClassVar[bool]


class QueueFull(Exception):
    """The adapter takes no more frames. `error_code` is ENOBUFS, 105 on Linux, as a driver says it."""

    error_code = errno.ENOBUFS

    def __init__(self, waiting: int) -> None:
        super().__init__(
            f"transmit queue full: {waiting} frames wait for the bus (error {errno.ENOBUFS}, no buffer space). "
            "Either nobody acknowledges, or frames are sent faster than the bus carries them"
        )


class NoFdFrames(Exception):
    """A CAN FD frame for an adapter whose FD flag is off. `error_code` is EINVAL, 22 on Linux, as the kernel says it."""

    error_code = errno.EINVAL

    def __init__(self, frame: Frame) -> None:
        super().__init__(
            f"{frame!r} refused (error {errno.EINVAL}, invalid argument): the adapter's FD flag is off. Send a classic "
            "frame, or set fd = true in [simulation.adapter]"
        )


class Adapter:
    """The host's end of one bus.

    `send` and `take` are the host's side, both without waiting. A frame that was received lies ready from
    `next_ready_ns` on. `on_ready` is called when something may have come nearer, for doors that wait.
    """

    def __init__(
        self, host: Host, bus: BusSettings, wire: Wire, policy: AdapterPolicy | None = None, *, tap: str = TAP
    ) -> None:
        self.name, self.wire = bus.name, wire
        self.policy = policy or policy_of(host)
        self._host = host
        self._queue, self._clock = host.queue, host.queue.clock
        self._rng = host.rng(f"adapter/{bus.name}")
        timing = Timing(bus.bit_rate_bps, bus.sample_point_percent / 100.0)
        wanted = _described(host)
        self.controller = Controller(
            wire,
            tap,
            timing,
            queue_frames=1 << 30,
            fd=wanted is not None and wanted.fd,
            data_timing=timing.in_data_phase(None if wanted is None else wanted.data_bit_rate_bps),
        )
        if wanted is not None and wanted.self_acknowledging:
            self.controller.self_acknowledging = True
        self.controller.on_frame(self._received)
        self.controller.on_sent(self._sent)
        self.controller.on_dropped(self._dropped)
        self.controller.on_state(self._state_changed)
        self.controller.on_error(self._error)
        self.controller.told_from = self._next_report_ns
        self._rx: deque[tuple[int, Frame]] = deque()
        self._in_flight = 0
        self._last_tx_ns = self._last_rx_ns = self._last_report_ns = 0
        self._epoch = 0
        self._connected = True
        self._told: State = "active"
        self._calls: tuple[Callable[[], object], ...] = ()
        self.lost_in_host = 0
        """Frames that were received and thrown away because the host was too slow."""
        self.restarts = 0

    def __repr__(self) -> str:
        plugged = "" if self._connected else ", unplugged"
        return f"<Adapter on {self.name!r}: {self.state}{plugged}>"

    # --- the host's side: sending ------------------------------------------------------------------

    def send(self, frame: Frame) -> None:
        """Hand a frame to the adapter.

        Raises:
            QueueFull: as many frames as the adapter takes wait already.
            NoFdFrames: a CAN FD frame, and the FD flag is off.
            BenchLost: the adapter is unplugged.
        """
        self._check_there()
        if frame.fd and not self.controller.fd:
            raise NoFdFrames(frame)
        if self._in_flight >= self.policy.queue_frames:
            raise QueueFull(self._in_flight)
        self._in_flight += 1
        self._queue.call_at(self._tx_ready_ns(), self._to_controller, (self._epoch, (frame,)))

    def send_many(self, frames: Iterable[Frame]) -> int:
        """Hand frames over until the adapter takes no more. Returns how many it took.

        Raises:
            NoFdFrames: one is a CAN FD frame, and the FD flag is off; none is taken then.
            BenchLost: the adapter is unplugged.
        """
        self._check_there()
        batch = list(islice(frames, max(0, self.policy.queue_frames - self._in_flight)))
        if not self.controller.fd:
            for frame in batch:
                if frame[5]:
                    raise NoFdFrames(frame)
        self._in_flight += len(batch)
        if batch:
            self._queue.call_at(self._tx_ready_ns(), self._to_controller, (self._epoch, batch))
        return len(batch)

    @property
    def waiting_to_send(self) -> int:
        """Frames that were handed over and are not on the bus yet."""
        return self._in_flight

    def flush(self) -> None:
        """Forget the frames that wait to be sent."""
        self._epoch += 1
        self.controller.flush()
        self._in_flight = self.controller.waiting

    def _tx_ready_ns(self) -> int:
        ready = self._clock._now_ns + self.policy.latency_ns + self._jitter_ns()
        self._last_tx_ns = ready = max(ready, self._last_tx_ns)
        return ready

    def _jitter_ns(self) -> int:
        jitter = self.policy.jitter_s
        return int(self._rng.expovariate(1.0 / jitter) * 1e9) if jitter > 0.0 else 0

    def _to_controller(self, batch: tuple[int, Sequence[Frame]]) -> None:
        epoch, frames = batch
        if epoch != self._epoch:
            return  # flushed or unplugged on the way
        if self.policy.sends_fd:
            frames = [self._as_fd(frame) for frame in frames]
        # What is not taken (bus-off, listen-only) is thrown away, as a driver does.
        self._in_flight -= len(frames) - self.controller.send_many(frames)

    def _as_fd(self, frame: Frame) -> Frame:
        """The same data in CAN FD format, which has no remote frames."""
        if frame.remote:
            return frame
        return frame._replace(fd=True, bitrate_switch=self.controller.data_timing is not None)

    # --- the host's side: receiving ----------------------------------------------------------------

    @property
    def next_ready_ns(self) -> int | None:
        """When the next received frame lies ready for the host; None if none is on its way."""
        return self._rx[0][0] if self._rx else None

    @property
    def received(self) -> Sequence[tuple[int, Frame]]:
        """What is on its way to the host or lies ready, as (when it is ready, frame), in order of time."""
        return self._rx

    def take(self) -> Frame | None:
        """The next frame that lies ready, error frames included, or None.

        Raises:
            BenchLost: the adapter is unplugged and everything it had delivered was read.
        """
        if self._rx and self._rx[0][0] <= self._clock._now_ns:
            return self._rx.popleft()[1]
        self._check_there()
        return None

    def take_many(self, most: int = 1 << 30) -> list[Frame]:
        """All frames that lie ready, up to `most`."""
        rx, now = self._rx, self._clock._now_ns
        taken: list[Frame] = []
        while rx and rx[0][0] <= now and len(taken) < most:
            taken.append(rx.popleft()[1])
        if not taken:
            self._check_there()
        return taken

    @property
    def waiting_to_read(self) -> int:
        """Frames for the host, ready or nearly so."""
        return len(self._rx)

    def discard_received(self) -> None:
        """Throw away what waits for the host."""
        self._rx.clear()

    def on_ready(self, call: Callable[[], object]) -> Callable[[], None]:
        """Tell `call` whenever a frame was put behind the others. Returns what ends it."""
        self._calls = (*self._calls, call)

        def stop() -> None:
            self._calls = tuple(other for other in self._calls if other is not call)

        return stop

    def _received(self, frame: Frame) -> None:
        policy, rx = self.policy, self._rx
        now = self._clock._now_ns
        if len(rx) >= policy.receive_frames and not self._overrun():
            return
        ready = now + policy.latency_ns
        if not policy.plain:
            ready += self._jitter_ns()
            if ready < self._last_rx_ns:
                ready = self._last_rx_ns  # later frames never overtake
            self._last_rx_ns = ready
            frame = frame.at(self._stamp_ns(now, ready), frame.is_rx)
            if policy.swaps and rx and self._rng.random() < policy.swaps:
                rx[-1], frame = (rx[-1][0], frame), rx[-1][1]
        elif ready < self._last_rx_ns:
            ready = self._last_rx_ns
        rx.append((ready, frame))
        for call in self._calls:
            call()

    def _stamp_ns(self, wire_ns: int, ready_ns: int) -> int:
        policy = self.policy
        stamp = ready_ns if policy.stamps == "software" else wire_ns
        if policy.stamp_step_s:
            step = max(1, to_ns(policy.stamp_step_s))
            stamp -= stamp % step
        return stamp + round(policy.stamp_offset_s * 1e9)

    def _overrun(self) -> bool:
        """The queue is full: lose a frame. True if that made room for the one that comes."""
        policy, rx = self.policy, self._rx
        tells = policy.reports_errors and policy.tells_overrun
        if policy.overrun == "drops_old":
            self.lost_in_host += not rx.popleft()[1].error
            # The first place tells that frames are missing before it.
            if tells and rx and not rx[0][1].error:
                rx[0] = (rx[0][0], overflow_frame().at(self._clock._now_ns))
                self.lost_in_host += 1
            return True
        self.lost_in_host += 1
        if tells and not rx[-1][1].error:
            # The last place of the queue tells that frames are missing behind it.
            rx[-1] = (rx[-1][0], overflow_frame().at(self._clock._now_ns))
            self.lost_in_host += 1
        return False

    def _report(self, frame: Frame) -> None:
        if self.policy.reports_errors and self._connected:
            self._received(frame.at(self._clock._now_ns))

    # --- what the controller tells -----------------------------------------------------------------

    def _sent(self, frame: Frame) -> None:
        self._in_flight -= 1
        if self.policy.echo:
            self._received(frame.at(self._clock._now_ns, False))

    def _dropped(self, _: Frame) -> None:
        self._in_flight -= 1

    def _error(self, error: BusError) -> None:
        told_from_ns = self._next_report_ns()
        if told_from_ns is None or error.t_ns < told_from_ns:
            return
        self._last_report_ns = error.t_ns
        self._report(bus_error_frame(error))

    def _next_report_ns(self) -> int | None:
        """From when on an error is told again; None for never."""
        limit = self.policy.error_reports_per_s
        if not self.policy.reports_errors or (limit is not None and limit <= 0):
            return None
        return 0 if limit is None else self._last_report_ns + math.ceil(1e9 / limit)

    def _state_changed(self, state: State) -> None:
        counters = self.controller.counters
        if self.policy.tells_recovery or self._worse(state) != self._told:
            self._told = state
            self._report(state_frame(state, counters.tx, counters.rx))
        if state == "off":
            self.flush()  # as Linux drivers do: nothing of before is sent after a restart
            if self.policy.restart_s is not None:
                self._queue.after(to_ns(self.policy.restart_s), self._restart, self._epoch)

    def _worse(self, state: State) -> State:
        """That one, or the one that was told last: the worse of them."""
        return max(state, self._told, key=FROM_GOOD_TO_BAD.index)

    def _restart(self, epoch: int) -> None:
        if epoch == self._epoch and self.restart():
            self.restarts += 1

    # --- the host's side: mode and state -----------------------------------------------------------

    @property
    def state(self) -> State:
        """The controller's state, as far as the adapter tells it; "active" if it hides it."""
        if not self.policy.reports_errors:
            return "active"
        state = self.controller.state
        return state if self.policy.tells_recovery else self._worse(state)

    @property
    def counters(self) -> tuple[int, int] | None:
        """Transmit and receive error counter; None if the adapter does not tell them."""
        if not self.policy.reports_errors or self.policy.error_reports_per_s == 0:
            return None  # who tells states alone has the counters in those messages, and nowhere else
        return self.controller.counters.tx, self.controller.counters.rx

    def restart(self) -> bool:
        """Let the controller come back from bus-off. False if it is not off."""
        if not self.controller.restart():
            return False
        self._report(restarted_frame())
        return True

    def change_bit_rate(self, bit_rate_bps: float, sample_point: float | None = None) -> None:
        """Close and open the channel at another bit rate. The controller starts anew."""
        timing = self.controller.timing
        point = timing.sample_point if sample_point is None else sample_point
        self.flush()
        self.controller.timing = replace(timing, bit_rate_bps=bit_rate_bps, sample_point=point)

    def open_channel(self, *, listen_only: bool = False) -> None:
        """Bring the controller on the bus."""
        self._check_there()
        self.controller.listen_only = listen_only
        self.controller.set_power(True)

    def close_channel(self) -> None:
        """Take the controller off the bus: it neither hears nor acknowledges."""
        self.flush()
        self.controller.set_power(False)

    def unplug(self) -> None:
        """The adapter is pulled out of the host: its controller is without power, every call fails."""
        self._connected = False
        self.close_channel()
        for call in self._calls:
            call()

    def plug_in(self) -> None:
        """Put it back. A door that lost it must be opened again."""
        self._connected, self._told = True, "active"
        self.controller.set_power(True)

    @property
    def connected(self) -> bool:
        """Is it plugged in?"""
        return self._connected

    def _check_there(self) -> None:
        if not self._connected:
            raise BenchLost("the adapter is gone: no such device")


def policy_of(host: Host) -> AdapterPolicy:
    """The adapter that the description's [simulation.adapter] asks for; the default one without."""
    wanted = _described(host)
    if wanted is None:
        return AdapterPolicy()
    described = {each.name for each in fields(AdapterPolicy)} & type(wanted).model_fields.keys()
    return AdapterPolicy(**{name: getattr(wanted, name) for name in described})


def _described(host: Host) -> SimulatedAdapter | None:
    """The section [simulation.adapter] of the bench's description, if the host is such a bench."""
    description = getattr(host, "description", None)
    return None if description is None else description.simulation.adapter


def check_channel_rate(bit_rate_bps: float) -> float:
    """The bit rate itself, if a controller can have it. Raises UsageError else."""
    if not 1_000 <= bit_rate_bps <= 1_000_000:
        raise UsageError(f"bitrate={bit_rate_bps!r}: classic CAN runs at 1,000 to 1,000,000 bit/s")
    return bit_rate_bps
