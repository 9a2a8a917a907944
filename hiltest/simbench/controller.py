"""A CAN controller with its transceiver: one station on the simulated wire.

It holds what survives from frame to frame (transmit queue, error counters, mode, power) and hands out what
the wire brings: frames, "sent", errors, changes of state. How bits become frames and errors is in `station`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from itertools import islice, takewhile
from typing import TYPE_CHECKING, Literal, NamedTuple

from hiltest.canbus.frame import Frame, arbitration_key
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.simbench.odds import Odds
    from hiltest.simbench.wire import Wire

State = Literal["active", "warning", "passive", "off"]
"""Error active, active with a counter of 96 or more, error passive, bus off (ISO 11898-1)."""

WARNING_LIMIT = 96
PASSIVE_LIMIT = 128
BUS_OFF_LIMIT = 256

LONGEST_CLASSIC_BITS = 160
"""Of a frame with 29-bit identifier and 8 bytes, stuffed as far as can be."""

RECOVERY_SEQUENCES = 128
"""Sequences of 11 recessive bits that a controller waits for after bus-off (ISO 11898-1)."""


@dataclass(frozen=True, slots=True)
class Timing:
    """How a controller cuts time into bits.

    `sample_point` is a fraction of the bit, `quanta` the time quanta of a bit, `jump_quanta` how far a
    resynchronisation may move the bit's end (None: half of phase segment 2, as current Linux drivers do),
    `drift_ppm` how much faster than nominal its clock runs. `data_phase`: it is that of the data phase of CAN FD
    frames, which may run faster. Raises UsageError for what no controller does.
    """

    bit_rate_bps: float
    sample_point: float = 0.75
    quanta: int = 20
    jump_quanta: int | None = None
    drift_ppm: float = 0.0
    data_phase: bool = False

    def __post_init__(self) -> None:
        if self.data_phase and not 1_000 <= self.bit_rate_bps <= 8_000_000:
            raise UsageError(
                f"bit_rate_bps={self.bit_rate_bps!r}: the data phase of CAN FD runs at 1 kbit/s to 8 Mbit/s"
            )
        if not self.data_phase and not 1_000 <= self.bit_rate_bps <= 1_000_000:
            raise UsageError(f"bit_rate_bps={self.bit_rate_bps!r}: classic CAN runs at 1 kbit/s to 1 Mbit/s")
        if not 0.3 < self.sample_point < 1.0:
            raise UsageError(f"sample_point={self.sample_point!r}: give a fraction of the bit, like 0.75")
        if not 4 <= self.quanta <= 400:
            raise UsageError(f"quanta={self.quanta!r}: a bit has 4 to 400 time quanta")
        if abs(self.drift_ppm) > 500_000:
            raise UsageError(
                f"drift_ppm={self.drift_ppm!r}: more than half off; set another bit rate instead"
            )

    def in_data_phase(self, bit_rate_bps: float | None) -> Timing | None:
        """The same clock and sample point behind a bit rate switch; None without one."""
        if bit_rate_bps is None:
            return None
        return replace(self, bit_rate_bps=bit_rate_bps, data_phase=True)

    @property
    def bit_ns(self) -> float:
        """Length of this controller's own bit in nanoseconds."""
        return 1e9 / (self.bit_rate_bps * (1.0 + self.drift_ppm * 1e-6))

    @property
    def phase2_quanta(self) -> int:
        """Quanta after the sample point."""
        return max(1, self.quanta - round(self.quanta * self.sample_point))

    @property
    def sample_ns(self) -> float:
        """From the start of the bit to the sample, in nanoseconds; on a whole quantum, as in hardware."""
        return self.bit_ns * (self.quanta - self.phase2_quanta) / self.quanta

    @property
    def quantum_ns(self) -> float:
        """One time quantum in nanoseconds."""
        return self.bit_ns / self.quanta

    @property
    def jump_ns(self) -> float:
        """Farthest resynchronisation in nanoseconds."""
        jump = max(1, self.phase2_quanta // 2) if self.jump_quanta is None else self.jump_quanta
        return self.quantum_ns * min(jump, self.phase2_quanta)


class BusError(NamedTuple):
    """An error that one controller detected: what, where in the frame, when, and its counters after it.

    `kind` is bit0 (sent dominant, saw recessive), bit1, stuff, form, crc or ack. `field` is the name of a field of the frame ("sof", "id", "data", "crc", "ack", "eof" …) or of what
    follows one ("error flag", "delimiter", "intermission"); `bit` counts from the start of frame, stuff
    bits included, -1 outside a frame.
    """

    kind: str
    field: str
    bit: int
    on_tx: bool
    t_ns: int
    tec: int
    rec: int


@dataclass(slots=True)
class Counters:
    """The error counters of a controller (ISO 11898-1, fault confinement): `tx` and `rx`.

    The simulated controller's own copy: `canbus.confinement` is what the harness judges by, and the two
    are held against each other in the tests.
    """

    tx: int = 0
    rx: int = 0

    @property
    def state(self) -> State:
        """What the counters say about the controller's part in the traffic."""
        high = self.tx if self.tx > self.rx else self.rx
        if high < WARNING_LIMIT:
            return "active"
        if self.tx >= BUS_OFF_LIMIT:
            return "off"
        return "passive" if high >= PASSIVE_LIMIT else "warning"

    @property
    def tec(self) -> int:
        """The transmit error counter, by its usual short name."""
        return self.tx

    @property
    def rec(self) -> int:
        """The receive error counter, by its usual short name."""
        return self.rx

    def clear(self) -> None:
        """Both counters 0."""
        self.tx = self.rx = 0


class Controller:
    """One CAN controller on a `Wire`. Powered on at construction; it needs 11 recessive bits to join.

    `queue_frames` is the depth of the transmit queue. With `by_priority` the queue is sorted by identifier,
    as with many mailboxes; without, first in, first out. `auto_restart` starts the recovery by itself
    after bus-off. `fd` tells whether it knows CAN FD frames: a classic controller destroys them. `data_timing` is that
    of the bits behind a bit rate switch (None: as the others).
    `self_acknowledging` takes a missing acknowledge for one and hands out its own frames (self-test mode).
    """

    def __init__(
        self,
        wire: Wire,
        name: str,
        timing: Timing,
        *,
        queue_frames: int = 64,
        by_priority: bool = False,
        auto_restart: bool = False,
        fd: bool = False,
        data_timing: Timing | None = None,
        threshold_v: float = 0.7,
        loop_delay_ns: float = 140.0,
        powered: bool = True,
    ) -> None:
        self.wire, self.name = wire, name
        self.queue_frames, self.by_priority = queue_frames, by_priority
        self.auto_restart = auto_restart
        self._fd, self._data_timing = fd, data_timing
        self.threshold_v, self.loop_delay_ns = threshold_v, loop_delay_ns
        self.counters = Counters()
        self._listen_only = self._one_shot = self._self_acknowledging = False
        self._filters: tuple[tuple[int, int, bool | None], ...] = ()
        self._queue: deque[Frame] = deque()
        self._frame_calls: tuple[Callable[[Frame], object], ...] = ()
        self._sent_calls: tuple[Callable[[Frame], object], ...] = ()
        self._state_calls: tuple[Callable[[State], object], ...] = ()
        self._error_calls: tuple[Callable[[BusError], object], ...] = ()
        self._dropped_calls: tuple[Callable[[Frame], object], ...] = ()
        self.told_from: Callable[[], int | None] | None = None
        """Asked by the wire where the one listener of errors passes many over: from when on it wants to be told of
        one, None for never. Without it, of each.
        """
        self._state: State = "active"
        self._powered = powered
        self._recovering = False
        # What the wire keeps here (see wire.py): whether its frames cross the wire without a doubt, who is told
        # of them, and when this controller is idle and may send.
        self._note_timing(timing)
        self._note_part()
        self._odds: Odds | None = None
        self._clean = False
        self._audience: tuple[Callable[[Frame], object], ...] = ()
        self._idle_ns = self._may_send_ns = 0
        self._integrating = True
        self._last_try: Frame | None = None
        self._number = wire.attach(self)

    def __repr__(self) -> str:
        power = "" if self._powered else ", no power"
        return f"<Controller {self.name!r} on {self.wire.name!r}: {self._state}{power}>"

    # --- what a program does with it ---------------------------------------------------------------

    def send(self, frame: Frame) -> bool:
        """Queue a frame. False if it was not taken: no power, bus-off, listen-only or a full queue."""
        queue = self._queue
        if len(queue) >= self.queue_frames or not self._can_send:
            return False
        if self.by_priority and queue:
            self._insert(frame)
        else:
            queue.append(frame)
        if queue[0] is frame:
            self.wire.contend(self)
        return True

    def send_many(self, frames: Iterable[Frame]) -> int:
        """Queue frames until no more are taken. Returns how many were."""
        if self.by_priority or not self._can_send:
            return sum(1 for _ in takewhile(self.send, frames))
        queue = self._queue
        was_empty, before = not queue, len(queue)
        queue.extend(islice(frames, max(0, self.queue_frames - before)))
        if was_empty and queue:
            self.wire.contend(self)
        return len(queue) - before

    def _insert(self, frame: Frame) -> None:
        """Behind all frames that win against it; a frame on the wire stays where it is."""
        key, place = arbitration_key(frame), len(self._queue)
        first = 1 if self.wire.is_sending(self) else 0
        while place > first and arbitration_key(self._queue[place - 1]) > key:
            place -= 1
        self._queue.insert(place, frame)

    def flush(self) -> int:
        """Forget all frames that wait. One that is on the wire is finished, but not tried again.

        Returns how many were forgotten at once.
        """
        on_wire = self._queue and self._state != "off" and self.wire.is_sending(self)
        keep = [self._queue[0]] if on_wire else []
        count = len(self._queue) - len(keep)
        self._queue = deque(keep)
        self._last_try = keep[0] if keep else None
        if not keep:
            self.wire.withdraw(self)
        return count

    @property
    def waiting(self) -> int:
        """Frames in the transmit queue, the one on the wire included."""
        return len(self._queue)

    @property
    def free_space(self) -> int:
        """Frames that the transmit queue still takes."""
        return self.queue_frames - len(self._queue)

    def restart(self) -> bool:
        """Begin the recovery from bus-off: 128 times 11 recessive bits. False if not in bus-off."""
        if self._state != "off" or not self._powered:
            return False
        if not self._recovering:
            self._recovering = True
            self.wire.recover(self)
        return True

    # --- who is told -------------------------------------------------------------------------------

    def on_frame(self, call: Callable[[Frame], object]) -> Callable[[], None]:
        """Tell `call` each frame received. Returns a function that ends it (so do the others)."""
        return self._listen("_frame_calls", call)

    def on_sent(self, call: Callable[[Frame], object]) -> Callable[[], None]:
        """Tell `call` each own frame, as it was queued, now that somebody has acknowledged it."""
        return self._listen("_sent_calls", call)

    def on_dropped(self, call: Callable[[Frame], object]) -> Callable[[], None]:
        """Tell `call` each own frame given up: one-shot mode, bus-off or power off."""
        return self._listen("_dropped_calls", call)

    def on_state(self, call: Callable[[State], object]) -> Callable[[], None]:
        """Tell `call` each new state."""
        return self._listen("_state_calls", call)

    def on_error(self, call: Callable[[BusError], object]) -> Callable[[], None]:
        """Tell `call` each error that this controller detects."""
        return self._listen("_error_calls", call)

    def next_told_ns(self) -> int | None:
        """From when on somebody wants to be told of an error: 0 for of each; None if nobody wants to."""
        calls = self._error_calls
        if self.told_from is not None and len(calls) == 1:
            return self.told_from()
        return 0 if calls else None

    def _listen(self, name: str, call: Callable[..., object]) -> Callable[[], None]:
        setattr(self, name, (*getattr(self, name), call))
        self.wire.changed()

        def stop() -> None:
            setattr(self, name, tuple(other for other in getattr(self, name) if other is not call))
            self.wire.changed()

        return stop

    # --- mode --------------------------------------------------------------------------------------

    @property
    def state(self) -> State:
        """Error state, as the controller's status register says."""
        return self._state

    @property
    def powered(self) -> bool:
        """Without power a controller neither drives nor hears; its transceiver still hangs on the line."""
        return self._powered

    def set_power(self, on: bool) -> None:
        """Switch the supply. Off: queue and counters are gone. On: the controller joins as after a reset."""
        if on != self._powered:
            self._restart_with(powered=on)

    def reset(self) -> None:
        """Start the controller anew: empty queue, counters 0, then wait for 11 recessive bits.

        A frame that it is just sending ends in the middle.
        """
        self._restart_with(powered=self._powered)

    def _restart_with(self, *, powered: bool, timing: Timing | None = None) -> None:
        frames = list(self._queue)

        def restart() -> None:
            self._powered = powered
            if timing is not None:
                self._note_timing(timing)
            self._queue.clear()
            self.counters.clear()
            self._recovering = False
            self._state = "active"
            self._note_part()

        was = self._state
        self.wire.silence(self, restart)
        if was != "active":
            for call in self._state_calls:
                call("active")
        for frame in frames:
            self._tell_dropped(frame)

    def hold_dominant(self, duration_ns: int) -> None:
        """A stuck output: the transceiver drives dominant for `duration_ns`, whatever the controller says.

        Transceivers with a time-out let go after 1.2 to 4 ms (TI, TCAN data sheets); that is the caller's
        part.
        """
        self.wire.hold(self, duration_ns)

    @property
    def timing(self) -> Timing:
        """Bit rate, sample point and so on. Setting it resets the controller."""
        return self._timing

    @timing.setter
    def timing(self, timing: Timing) -> None:
        self._restart_with(powered=self._powered, timing=timing)

    @property
    def fd(self) -> bool:
        """Does it know CAN FD frames?"""
        return self._fd

    @property
    def data_timing(self) -> Timing | None:
        """Timing of the bits behind the bit rate switch of a CAN FD frame; None: as the others."""
        return self._data_timing

    def take_fd(self, data_timing: Timing | None = None) -> None:
        """Be a CAN FD controller from now on, with this data phase. Resets the controller."""
        self._fd, self._data_timing = True, data_timing
        self.reset()

    @property
    def _data_phase(self) -> Timing:
        return self._data_timing or self._timing

    @property
    def listen_only(self) -> bool:
        """Hear without ever driving the line: no acknowledge, no error flag, counters stand still."""
        return self._listen_only

    @listen_only.setter
    def listen_only(self, on: bool) -> None:
        if on:
            self.flush()
        self._listen_only = on
        self._note_part()
        self.wire.changed()

    @property
    def one_shot(self) -> bool:
        """Try each frame once: a lost arbitration or an error gives it up."""
        return self._one_shot

    @one_shot.setter
    def one_shot(self, on: bool) -> None:
        self._one_shot = on
        self.wire.changed()

    @property
    def self_acknowledging(self) -> bool:
        """Self-test mode: a missing acknowledge counts as one, and own frames come back as received."""
        return self._self_acknowledging

    @self_acknowledging.setter
    def self_acknowledging(self, on: bool) -> None:
        self._self_acknowledging = on
        self.wire.changed()

    def set_filters(self, filters: Iterable[tuple[int, int, bool | None]]) -> None:
        """Take only frames with `can_id & mask == id & mask` for one of (id, mask, extended or None).

        No filters: everything. A filtered frame is acknowledged all the same, as in hardware.
        """
        self._filters = tuple((can_id & mask, mask, extended) for can_id, mask, extended in filters)
        self.wire.changed()

    # --- for the wire ------------------------------------------------------------------------------

    def _note_part(self) -> None:
        """Keep ready what is asked at every frame."""
        self._takes_part = self._powered and self._state != "off"
        self._can_send = self._takes_part and not self._listen_only

    def _note_timing(self, timing: Timing) -> None:
        self._timing, self._bit_ns = timing, timing.bit_ns
        self._intermission_ns = round(3 * timing.bit_ns)
        self._spans_ns = [int(bits * timing.bit_ns + 0.5) for bits in range(LONGEST_CLASSIC_BITS + 1)]

    def _receivers(self) -> tuple[Callable[[Frame], object], ...]:
        if self._filters and self._frame_calls:
            return (self._receive_filtered,)
        return self._frame_calls

    def _receive_filtered(self, frame: Frame) -> None:
        for wanted, mask, extended in self._filters:
            if frame.can_id & mask == wanted and extended in (None, frame.extended):
                break
        else:
            return
        for call in self._frame_calls:
            call(frame)

    def _refresh_state(self) -> None:
        state = self.counters.state
        if state != self._state:
            self._state = state
            self._note_part()
            for call in self._state_calls:
                call(state)

    def _tell_dropped(self, frame: Frame) -> None:
        for call in self._dropped_calls:
            call(frame)
