"""Opening a CAN bus: any python-can adapter behind one small port that speaks frames and bench time.

python-can is imported only when a port is opened.
"""

from __future__ import annotations

import contextlib
import difflib
import errno
import inspect
from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from hiltest.canbus import hostloss, stamps
from hiltest.canbus.frame import ERR_RESTARTED, Frame, describe_error, from_message, to_message
from hiltest.canbus.fullqueue import QueueFull
from hiltest.canbus.kernelinterface import KernelInterface
from hiltest.canbus.preflight import Wanted
from hiltest.canbus.stampclock import StampClock
from hiltest.clock import NS_PER_S, Clock, RealClock, to_ns
from hiltest.errors import BenchError, BenchLost, BenchNotOpened, HiltestError, UsageError

if TYPE_CHECKING:
    import can

BLOCKED_NS = NS_PER_S // 200
"""A read that took longer than this waited for its frame; one that finds a frame is back within microseconds."""


class ListensOnly(BenchError):
    """The adapter only listens, because good frames run at another bit rate than the described one."""


class BusSettings(Protocol):
    """What opening needs to know of a bus; `description.models.Bus` is one."""

    @property
    def name(self) -> str: ...
    @property
    def interface(self) -> str: ...
    @property
    def channel(self) -> str: ...
    @property
    def bit_rate_bps(self) -> int: ...
    @property
    def options(self) -> Mapping[str, Any]: ...


class Port(Protocol):
    """What the link needs of a bus."""

    @property
    def name(self) -> str: ...
    @property
    def bit_rate_bps(self) -> int: ...
    @property
    def bus(self) -> Any:
        """The python-can bus behind the port."""
        ...

    @property
    def clock(self) -> Clock: ...

    def send(self, frame: Frame) -> None:
        """Hand a frame to the adapter.

        Raises:
            QueueFull: the adapter takes no more.
            BenchLost: the adapter is gone.
        """
        ...

    def recv(self, timeout_s: float) -> Frame | None:
        """The next frame, error frames included, or None after `timeout_s`.

        Raises:
            BenchLost: the adapter is gone.
        """
        ...

    def flush(self) -> None:
        """Throw away what waits to be sent, where the adapter can do that."""
        ...

    def reopen(self, bit_rate_bps: int) -> None: ...

    def close(self) -> None: ...

    def state(self) -> str:
        """'active', 'warning', 'passive', 'off' or 'unknown'."""
        ...

    def counters(self) -> tuple[int, int] | None:
        """Transmit and receive error counter, if the adapter tells them."""
        ...


@runtime_checkable
class Adjustable(Protocol):
    """A port whose adapter may be told how to take part; each says whether its adapter could."""

    def listen_only(self, on: bool) -> bool:
        """Hear without acknowledging or disturbing anything; False if the adapter can't."""
        ...

    def sample_at(self, fraction: float) -> bool:
        """Sample each bit at this fraction of it; False if the adapter can't."""
        ...


@runtime_checkable
class TellsLosses(Protocol):
    """A port that knows what this machine lost of what was on the bus."""

    def host_loss(self) -> hostloss.HostLoss:
        """Frames lost on this side of the bus since some time in the past; compare two readings."""
        ...

    @property
    def counts_losses(self) -> bool:
        """Does anybody behind it count at all? Without, `host_loss` is zero whatever was lost."""
        ...


@runtime_checkable
class TellsStamps(Protocol):
    """A port that knows where the time stamps of its frames come from."""

    @property
    def stamp_source(self) -> str:
        """Hardware, kernel, host or simulated stamp, in words for a report; see `stamps`."""
        ...


@runtime_checkable
class Remarks(Protocol):
    """A port whose host side was looked at before it was opened."""

    @property
    def remarks(self) -> Sequence[str]:
        """What was found there that does not forbid a run and may mislead it, each with what mends it."""
        ...


COUNTS_CHANNELS = frozenset({"neousys"})
"""Families of python-can that take a channel as a number alone."""


def send_each(send: Callable[[Frame], None], frames: Sequence[Frame]) -> int:
    """Send one after the other until the adapter takes no more; returns how many it took."""
    for count, frame in enumerate(frames):
        try:
            send(frame)
        except QueueFull:
            return count
    return len(frames)


class BusPort:
    """A port over a python-can bus.

    A bus may offer `recv_frame(timeout_s)`, `send_frame(frame)`, `send_many(frames)`, `bus_state`, `error_counters`,
    `change_bit_rate(bit_rate_bps)`, `change_sample_point(fraction)` and `clock`; they are used when they are there.
    It may tell `stamp_source`; without, that follows from the `interface` it was opened by.
    `open_again(bit_rate_bps, **options)` opens the bus anew. It takes the options of the bus's class and
    `more_options`; the bus was opened with `opened_with` of those. `clock_hz` is the clock of the adapter's controller,
    if known. `clock` is the bench time that several buses share; a bus that brings its own goes by that.
    """

    def __init__(
        self,
        name: str,
        bus: can.BusABC,
        bit_rate_bps: int,
        open_again: Callable[..., can.BusABC],
        clock_hz: int | None = None,
        clock: Clock | None = None,
        more_options: frozenset[str] = frozenset(),
        interface: str = "",
        opened_with: Mapping[str, Any] = MappingProxyType({}),
    ) -> None:
        self.name = name
        self._interface, self._unstamped = interface, 0
        self.bit_rate_bps = bit_rate_bps
        self._open_again = open_again
        self._clock_hz = clock_hz
        self._more_options = more_options
        self._extra: dict[str, Any] = dict(opened_with)
        self.remarks: Sequence[str] = ()
        self.at_close: Callable[[], None] = lambda: None
        own_clock = getattr(bus, "clock", None)
        self.clock: Clock = own_clock if isinstance(own_clock, Clock) else clock or RealClock()
        self._closed, self._listens_only = False, bool(opened_with.get("listen_only"))
        self._stamps = StampClock(interface, lambda: self.clock.now_ns)
        self._reported_state: str | None = None
        self._reported_counters: tuple[int, int] | None = None
        self._use(bus)

    def _use(self, bus: can.BusABC) -> None:
        self.bus = bus
        self._recv: Callable[[float], Frame | None] = getattr(bus, "recv_frame", self._recv_message)
        self._send: Callable[[Frame], None] = getattr(bus, "send_frame", self._send_message)
        self._send_many: Callable[[Sequence[Frame]], int] | None = getattr(bus, "send_many", None)

    def send(self, frame: Frame) -> None:
        self._check_open()
        if self._listens_only:
            raise ListensOnly(
                f"bus {self.name!r}: nothing is sent, for the adapter only listens. Good frames run here at another bit "
                "rate than the described one, or none do: whatever is sent would destroy them"
            )
        try:
            self._send(frame)
        except HiltestError:
            raise
        except Exception as error:
            if _is_queue_full(error):
                raise QueueFull(self.name, self.state()) from error
            raise self._lost(error, "sending") from error

    def send_many(self, frames: Sequence[Frame]) -> int:
        """Hand over as many of these as the adapter takes; returns how many it took.

        Raises:
            BenchLost: the adapter is gone.
        """
        if self._send_many is None or self._listens_only:
            return send_each(self.send, frames)
        self._check_open()
        try:
            return self._send_many(frames)
        except HiltestError:
            raise
        except Exception as error:
            raise self._lost(error, "sending") from error

    def recv(self, timeout_s: float) -> Frame | None:
        self._check_open()
        try:
            frame = self._recv(timeout_s)
        except HiltestError:
            raise
        except Exception as error:
            raise self._lost(error, "reading") from error
        if frame is not None and frame.error:
            self._learn(frame)
        return frame

    def flush(self) -> None:
        flush = getattr(self.bus, "flush_tx_buffer", None)
        if flush is None:
            return
        try:
            flush()
        except NotImplementedError:
            return
        except HiltestError:
            raise
        except Exception as error:
            raise self._lost(error, "emptying the transmit queue of") from error

    def reopen(self, bit_rate_bps: int) -> None:
        """Open the bus again at another bit rate; bench time goes on.

        Raises:
            BenchNotOpened: the adapter can't be set to it (NotPermitted: not by this account), and is open as before; or
                it did not come back.
        """
        change = getattr(self.bus, "change_bit_rate", None)
        if change is not None:
            change(bit_rate_bps)
        else:
            before = dict(self._extra)
            self._shut_down()
            self._extra.pop("timing", None)  # it was made for the other bit rate
            try:
                self._use(self._open_again(bit_rate_bps, **self._extra))
            except BenchError:
                self._extra = before
                self._use(self._open_again(self.bit_rate_bps, **before))
                raise
        self.bit_rate_bps = bit_rate_bps
        self._closed = False
        self._stamps.begin_anew()
        self._reported_state = self._reported_counters = None

    def listen_only(self, on: bool) -> bool:
        """Hear without acknowledging or disturbing anything, or take part again.

        By python-can's bus state, else by opening the bus again with the option `listen_only`. False if the
        adapter has neither; nothing was changed then.

        Raises:
            BenchNotOpened: the adapter did not come back.
        """
        import can

        self._check_open()
        try:
            self.bus.state = can.BusState.PASSIVE if on else can.BusState.ACTIVE
        except (NotImplementedError, AttributeError):
            if not self._open_with("listen_only", on):
                return False
        self._listens_only = on
        return True

    def sample_at(self, fraction: float) -> bool:
        """Sample each bit at this fraction (0..1) of it, as near as the adapter's clock allows.

        By the bus's own `change_sample_point`, else by opening the bus again with python-can's `timing`, which
        needs the adapter's clock. False if neither can be done; nothing was changed then.

        Raises:
            UsageError: the clock makes no such timing.
            BenchNotOpened: the adapter did not come back.
        """
        self._check_open()
        change = getattr(self.bus, "change_sample_point", None)
        if change is not None:
            change(fraction)
            return True
        if self._clock_hz is None:
            return False
        from hiltest.canbus.timing import produce

        return self._open_with("timing", produce(self._clock_hz, self.bit_rate_bps, fraction).timing.as_can())

    def _open_with(self, option: str, value: Any) -> bool:
        """Open the bus again with one more option, if it takes one of that name; False, as before, if it can't."""
        if option not in self._more_options | set(inspect.signature(type(self.bus).__init__).parameters):
            return False
        before = dict(self._extra)
        self._shut_down()
        self._extra[option] = value
        try:
            self._use(self._open_again(self.bit_rate_bps, **self._extra))
        except BenchError:
            self._extra = before
            self._use(self._open_again(self.bit_rate_bps, **self._extra))
        self._stamps.begin_anew()
        self._reported_state = self._reported_counters = None
        return bool(self._extra.get(option) == value)

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            self._shut_down()
            self.at_close()

    def state(self) -> str:
        own = getattr(self.bus, "bus_state", None)
        if isinstance(own, str):
            return own
        if self._reported_state is not None:
            return self._reported_state
        return _state_of(self.bus)

    def counters(self) -> tuple[int, int] | None:
        own = getattr(self.bus, "error_counters", None)
        if own is not None:
            return int(own[0]), int(own[1])
        return self._reported_counters

    def host_loss(self) -> hostloss.HostLoss:
        """What the bus itself, the kernel's socket behind it and its interface say that they dropped; 0 where none does."""
        own = getattr(self.bus, "drops", 0)
        dropped = own if isinstance(own, int) else 0
        opened = getattr(self.bus, "socket", None)
        if opened is None:
            return hostloss.HostLoss(dropped)
        behind = hostloss.of_interface(str(getattr(self.bus, "channel", "")))
        return hostloss.HostLoss(dropped + hostloss.of_socket(opened) + behind.dropped, behind.overruns)

    @property
    def stamp_source(self) -> str:
        """Where the time stamps of the frames so far come from: a frame that came without one bears the host's."""
        own = getattr(self.bus, "stamp_source", None)
        if isinstance(own, str):
            return own
        return stamps.HOST if self._unstamped else stamps.source_of(self._interface)

    @property
    def counts_losses(self) -> bool:
        """A kernel's socket, or a bus that counts by itself; an adapter may still tell its overruns by error frames."""
        return getattr(self.bus, "socket", None) is not None or isinstance(
            getattr(self.bus, "drops", None), int
        )

    def _check_open(self) -> None:
        if self._closed:
            raise BenchLost(f"bus {self.name!r} was closed; open it again")

    def _shut_down(self) -> None:
        try:
            self.bus.shutdown()
        except HiltestError:
            raise
        except Exception:
            # The adapter is already gone; there is nothing left to close.
            self._reported_state = None

    def _lost(self, error: Exception, doing: str) -> BenchLost:
        return BenchLost(
            f"{doing} bus {self.name!r} failed: {error or type(error).__name__}. "
            "Outputs now depend on the node's own watch on the host: cut the supply if anything is on"
        )

    def _learn(self, frame: Frame) -> None:
        report = describe_error(frame)
        if report.state is not None:
            self._reported_state = "off" if report.state == "bus-off" else report.state
        elif frame.can_id & ERR_RESTARTED:
            self._reported_state = "active"
        if report.tx_errors is not None and report.rx_errors is not None:
            self._reported_counters = (report.tx_errors, report.rx_errors)

    def _send_message(self, frame: Frame) -> None:
        self.bus.send(to_message(frame))

    def _recv_message(self, timeout_s: float) -> Frame | None:
        asked_ns = self.clock.now_ns
        message = self.bus.recv(timeout_s)
        if message is None:
            # At the end of the wait, and not when this process went on after it.
            self._stamps.nothing_waited(min(asked_ns + to_ns(max(0.0, timeout_s)), self.clock.now_ns))
            return None
        if (now_ns := self.clock.now_ns) - asked_ns > BLOCKED_NS:
            self._stamps.nothing_waited(now_ns)
        self._unstamped += message.timestamp <= 0  # python-can: 0.0 means that there is no stamp
        return from_message(message).at(self._stamps.bench_ns(message.timestamp), message.is_rx)


def open_port(
    bus: BusSettings,
    overrides: Mapping[str, Any] | None = None,
    clock: Clock | None = None,
    quiet: bool = False,
) -> BusPort:
    """Open the bus that a description names; with `quiet` listening only, until the port is told to take part.

    An interface of the kernel is set so, whatever it was set to, and put back at the end. Of the other families those
    can be opened so whose class takes an option `listen_only`.

    `overrides` replace `interface`, `channel` and `bit_rate_bps`; everything else in it goes to
    python-can's Bus as it is. With another interface the options of the description are left out, for
    they belong to the adapter that is not used. `clock` is the bench time of the buses that are open already. No
    configuration file and no environment variable
    of python-can is read.

    Raises:
        UsageError: python-can has no such interface, or it does not take these options.
        BenchNotOpened: the adapter could not be opened.
    """
    extra = dict(overrides or {})
    interface = str(extra.pop("interface", bus.interface))
    channel = extra.pop("channel", bus.channel)
    bit_rate_bps = int(extra.pop("bit_rate_bps", bus.bit_rate_bps))
    options = {**(bus.options if interface == bus.interface else {}), **extra}
    quietly = {"listen_only": True} if quiet else {}

    kernel = KernelInterface(bus.name, str(channel), bit_rate_bps) if interface == "socketcan" else None

    def open_at(rate_bps: int, **more: Any) -> can.BusABC:
        if kernel is not None:
            kernel.set(rate_bps, more.pop("listen_only", False))
        return _open_bus(bus.name, interface, channel, rate_bps, {**options, **more})

    clock_hz = getattr(bus, "adapter_clock_hz", None)
    if kernel is None:
        opened = open_at(bit_rate_bps, **quietly)
        return BusPort(
            bus.name, opened, bit_rate_bps, open_at, clock_hz, clock, interface=interface, opened_with=quietly
        )
    kernel.look(_wanted(bus, bit_rate_bps), will_set=quiet)
    by_kernel = frozenset({"listen_only"})
    try:
        opened = open_at(bit_rate_bps, **quietly)
    except HiltestError:
        with contextlib.suppress(HiltestError):
            kernel.put_back()
        raise
    port = BusPort(
        bus.name, opened, bit_rate_bps, open_at, clock_hz, clock, by_kernel, interface, opened_with=quietly
    )
    port.remarks, port.at_close = tuple(map(str, kernel.findings)), kernel.put_back
    return port


def _wanted(bus: BusSettings, bit_rate_bps: int) -> Wanted:
    """What a run needs of an interface of the kernel, as far as the description says it."""
    percent = getattr(bus, "sample_point_percent", None)
    return Wanted(
        bit_rate_bps,
        None if percent is None else percent / 100,
        comes_back=True,
        settable=True,
        queue_length=100,
    )


def channel_for(interface: str, channel: Any) -> Any:
    """The channel as the family's class takes it: one hands it to its C library as it comes, which wants a number."""
    is_number = isinstance(channel, str) and channel.isascii() and channel.isdigit()
    return int(channel) if interface in COUNTS_CHANNELS and is_number else channel


def _open_bus(
    name: str, interface: str, channel: Any, bit_rate_bps: int, options: Mapping[str, Any]
) -> can.BusABC:
    import can

    known = sorted(can.VALID_INTERFACES)
    if interface not in known:
        near = difflib.get_close_matches(interface, known, n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise UsageError(
            f"bus {name!r}: interface = {interface!r} is no adapter family of python-can{hint} "
            f"It knows: {', '.join(known)}"
        )
    try:
        opened = can.Bus(
            interface=interface,
            channel=channel_for(interface, channel),
            ignore_config=True,
            bitrate=bit_rate_bps,
            **options,
        )
        if interface == "socketcan":
            hostloss.give_room(getattr(opened, "socket", None))
        return opened
    except HiltestError:
        raise
    except (TypeError, ValueError) as error:
        raise UsageError(
            f"bus {name!r}: interface {interface!r} does not take this channel, bit rate or option: {error}. "
            f"Given: channel={channel!r}, bitrate={bit_rate_bps}, options={dict(options)!r}"
        ) from error
    except Exception as error:
        raise BenchNotOpened(
            f"bus {name!r} could not be opened as {interface!r} on {channel!r}: "
            f"{error or type(error).__name__}. {_opening_hint(interface, channel, bit_rate_bps)}"
        ) from error


def _opening_hint(interface: str, channel: Any, bit_rate_bps: int) -> str:
    if interface == "socketcan":
        return (
            f"Is it there and up? `ip link set {channel} up type can bitrate {bit_rate_bps}` "
            "(needs administrator rights) brings it up"
        )
    if interface in ("slcan", "hiltest-serial", "serial"):
        return "Is the adapter plugged in, the path right, and may you open it (group dialout)?"
    return "Is the adapter plugged in, its driver installed, and no other program using it?"


def _is_queue_full(error: Exception) -> bool:
    code = getattr(error, "error_code", None) or getattr(error, "errno", None)
    if code in (errno.ENOBUFS, errno.EAGAIN):
        return True
    text = str(error).lower()
    return "buffer full" in text or "queue full" in text or "queue is full" in text


def _state_of(bus: can.BusABC) -> str:
    import can

    if type(bus).state is can.BusABC.state:  # the base class says "active" without looking
        return "unknown"
    try:
        state = bus.state
    except Exception:  # adapters answer this in many ways; the state is a nicety
        return "unknown"
    if getattr(type(bus).state, "fset", None) is not None and state is not can.BusState.ERROR:
        return "unknown"  # what can be set is the mode: the class gives back what was set, and looks at no controller
    return {can.BusState.ACTIVE: "active", can.BusState.PASSIVE: "passive"}.get(state, "off")
