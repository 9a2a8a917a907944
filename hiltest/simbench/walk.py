"""The wire bit by bit: every station with its own clock, from a start of frame until the wire is free again.

A `Walk` is run where arithmetic alone can't tell what happens: nobody acknowledges, two stations send the
same identifier, the line is broken, bit rates differ, noise hits. Each station starts its bits by its own
clock, samples what the line shows at that moment with the delays between stations, and resynchronises
(ISO 11898-1: hard synchronisation at a start of frame, else by at most the jump width, edges seen on whole
time quanta). Times are nanoseconds from the start of the walk.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from heapq import heappop, heappush
from random import Random
from typing import NamedTuple

from hiltest.canbus.bitstream import frame_bits
from hiltest.canbus.frame import Frame
from hiltest.simbench.controller import Timing
from hiltest.simbench.reception import Reception
from hiltest.simbench.station import DOMINANT, RECESSIVE, Happening, Station

_SAMPLE, _BIT_END, _EDGE = 0, 1, 2


class Start(NamedTuple):
    """How one station stands when the walk begins.

    `sends` is the frame it starts to send at once. `wait_ns` is how long it is still away from idle (0:
    idle), `integrating` if it waits for 11 recessive bits. `off`: neither drives nor hears. `holds_ns`: a
    stuck output drives dominant for this long, whatever the station wants.
    """

    timing: Timing
    tec: int = 0
    rec: int = 0
    sends: Frame | None = None
    wait_ns: float = 0.0
    integrating: bool = False
    listen_only: bool = False
    self_ack: bool = False
    one_shot: bool = False
    off: bool = False
    holds_ns: float = 0.0
    fd: bool = False
    data_timing: Timing | None = None


class Rest(NamedTuple):
    """How one station stands at the end: when it is idle, whether it was integrating, when it may send."""

    idle_ns: float
    integrating: bool
    may_send_ns: float


class Noise(NamedTuple):
    """A burst of noise: from, to, and its standard deviation on the differential level in volt."""

    start_ns: float
    end_ns: float
    noise_v: float


class Change(NamedTuple):
    """Something that happens while bits are on the wire: another line, stations that fall silent."""

    at_ns: float
    reception: Reception
    silenced: tuple[int, ...] = ()


class Forced(NamedTuple):
    """The first misread bit, drawn beforehand: this station's first sample at or after `at_ns` is wrong."""

    station: int
    at_ns: float


class Walk:
    """One stretch of bit-by-bit simulation. `happenings` is filled in the order of time.

    `random_used` tells whether chance decided anything; if not, the same start always ends the same.
    """

    def __init__(
        self,
        starts: Sequence[Start],
        reception: Reception,
        rng: Random,
        *,
        noise: Sequence[Noise] = (),
        forced: Forced | None = None,
        changes: Sequence[Change] = (),
        at_least_ns: float = 0.0,
    ) -> None:
        self.happenings: list[tuple[float, int, Happening]] = []
        self.random_used = False
        self.free_ns = math.inf
        """When the wire is free for the next frame; infinite while it is not."""
        self.now_ns = 0.0
        self._reception, self._rng = reception, rng
        self._noise, self._forced = noise, forced
        self._changes, self._at_least_ns = list(changes), at_least_ns
        self._heap: list[tuple[float, int, int, int]] = []
        self._pushed = 0
        self._drivers_changed_ns, self._drivers_before, self._drivers = -math.inf, 0, 0
        self._calm_ns = reception.calm_ns
        self._legs = [_Leg(self, number, start) for number, start in enumerate(starts)]
        for leg in self._legs:
            leg.begin()

    @property
    def finished(self) -> bool:
        """True once the wire is free."""
        return self.free_ns != math.inf

    def run(self, until_ns: float) -> bool:
        """Go on until the wire is free or `until_ns` is reached. True if it is free."""
        heap, legs = self._heap, self._legs
        while heap and not self.finished:
            if self._changes and heap[0][0] > self._changes[0].at_ns:
                self._apply(self._changes.pop(0))
            if heap[0][0] > until_ns:
                self.now_ns = until_ns
                return False
            self.now_ns, _, kind, number = heappop(heap)
            leg = legs[number]
            if kind == _SAMPLE:
                leg.sample(self.now_ns)
            elif kind == _BIT_END:
                leg.end_bit(self.now_ns)
            else:
                leg.edge(self.now_ns)
        if not heap and not self.finished:  # nobody takes part any more
            self.free_ns = self.now_ns
        return self.finished

    def _apply(self, change: Change) -> None:
        self._reception = change.reception
        self._calm_ns = change.reception.calm_ns
        for number in change.silenced:
            self._legs[number].silence(change.at_ns)

    def rests(self) -> list[Rest]:
        """How every station stands once the wire is free."""
        return [leg.rest() for leg in self._legs]

    def counters(self, number: int) -> tuple[int, int]:
        """(transmit, receive) error counter of a station as the walk has left them."""
        station = self._legs[number].station
        return station.tec, station.rec

    def push(self, when_ns: float, kind: int, number: int) -> None:
        """Schedule a sample, the end of a bit, or an edge for station `number`."""
        self._pushed += 1
        heappush(self._heap, (when_ns, self._pushed, kind, number))

    def read(self, receiver: int, when_ns: float) -> int:
        """The level that a receiver samples at this moment."""
        if self._noise or when_ns - self._drivers_changed_ns <= self._calm_ns:
            chance = self._chance(receiver, self._drivers_seen_by(receiver, when_ns), when_ns)
        else:  # every edge has arrived everywhere and has settled
            chance = self._reception.dominant(self._drivers)[receiver]
        if self._forced is not None and (forced := self._forced_level(receiver, when_ns, chance)) is not None:
            return forced
        if chance <= 0.0:
            return RECESSIVE
        if chance >= 1.0:
            return DOMINANT
        self.random_used = True
        return DOMINANT if self._rng.random() < chance else RECESSIVE

    def _forced_level(self, receiver: int, when_ns: float, chance: float) -> int | None:
        """Until the misread bit that was drawn beforehand everything is read right."""
        assert self._forced is not None
        right = DOMINANT if chance >= 0.5 else RECESSIVE
        if when_ns <= self._forced.at_ns:
            return right
        if receiver != self._forced.station:
            return None
        self._forced = None
        return RECESSIVE if right == DOMINANT else DOMINANT

    def _chance(self, receiver: int, drivers: int, when_ns: float) -> float:
        for burst in self._noise:
            if burst.start_ns <= when_ns < burst.end_ns:
                return self._reception.dominant_in_noise(drivers, burst.noise_v)[receiver]
        if self._reception.slow_edges and drivers == self._drivers:
            since = when_ns - self._drivers_changed_ns - self._reception.delays_ns[receiver][receiver]
            return self._reception.dominant_after(receiver, drivers, self._drivers_before, since)
        return self._reception.dominant(drivers)[receiver]

    def _drivers_seen_by(self, receiver: int, when_ns: float) -> int:
        drivers, delays = 0, self._reception.delays_ns
        for leg in self._legs:
            level = leg.out if when_ns >= leg.changed_ns + delays[leg.number][receiver] else leg.out_before
            if level == DOMINANT:
                drivers |= 1 << leg.number
        return drivers

    def changed(self, driver: _Leg, when_ns: float) -> None:
        """An output changed: tell every station that sees the line turn dominant by it."""
        before = self._drivers
        self._drivers = after = before ^ (1 << driver.number)
        self._drivers_changed_ns, self._drivers_before = when_ns, before
        if driver.out == RECESSIVE:
            return
        was, now = self._reception.dominant(before), self._reception.dominant(after)
        delays = self._reception.delays_ns[driver.number]
        for leg in self._legs:
            if leg is not driver and was[leg.number] < 0.5 <= now[leg.number]:
                self.push(when_ns + delays[leg.number], _EDGE, leg.number)

    def may_end(self, leg: _Leg) -> bool:
        """Is nobody but this idle station busy? Else the wire can't become free at the end of its bit."""
        for other in self._legs:
            if other is not leg and (other.out == DOMINANT or not other.station.resting):
                return False
        return True

    def idle(self, leg: _Leg, when_ns: float) -> None:
        """A station has become idle: if nobody keeps the wire, it is free from here on."""
        if when_ns < self._at_least_ns:
            return
        if any(other.out == DOMINANT or not other.station.resting for other in self._legs):
            return
        if self._drivers_seen_by(leg.number, when_ns) == 0:
            self.free_ns = when_ns


class _Leg:
    """One station and its clock.

    A bit whose successor goes on with the same output needs no event at its end: its successor is begun lazily, by
    its own sample or by an edge that comes after its start. `_goes_on` says that the present bit is such a one.
    """

    def __init__(self, walk: Walk, number: int, start: Start) -> None:
        self.number, self._walk, self._start = number, walk, start
        self._fast = False
        self._keep_time(start.timing)
        self.station = station = Station(self._tell, tec=start.tec, rec=start.rec)
        station.listen_only, station.self_ack = start.listen_only, start.self_ack
        station.one_shot, station.fd = start.one_shot, start.fd
        self.out = self.out_before = RECESSIVE
        self.changed_ns = -math.inf
        self._held_until_ns = start.holds_ns
        self._begin_ns = self._sample_at_ns = self._end_ns = 0.0
        self._sampled = self._synced = self._goes_on = False
        self._seen = RECESSIVE

    def _keep_time(self, timing: Timing) -> None:
        self._bit_ns, self._sample_ns = timing.bit_ns, timing.sample_ns
        self._jump_ns, self._quantum_ns = timing.jump_ns, timing.quantum_ns

    def _switch_rate(self, when_ns: float) -> None:
        """At the sample of BRS and of the CRC delimiter, or with an error: the rest of the bit is at the other rate."""
        self._fast = self.station.fast
        start = self._start
        self._keep_time(start.data_timing or start.timing if self._fast else start.timing)
        self._end_ns = when_ns + self._bit_ns - self._sample_ns

    def begin(self) -> None:
        start, station = self._start, self.station
        first_ns = 0.0
        if start.off:
            station.start_off()
        elif start.sends is not None:
            station.bits = frame_bits(start.sends)
            station.start_sending()
        elif start.wait_ns > 0.0:
            first_ns, bits = self._whole_bits(start.wait_ns)
            if bits:
                station.start_waiting(bits, integrating=start.integrating)
        self._begin_bit(first_ns)
        if start.holds_ns > 0.0:
            self._set_out(0.0)

    def _whole_bits(self, wait_ns: float) -> tuple[float, int]:
        """Where the next own bit starts, and how many bits it is then from idle. Less than half a bit
        from idle its last bit was sampled already: it is idle.
        """
        bits = math.floor(wait_ns / self._bit_ns)
        rest = wait_ns - bits * self._bit_ns
        if rest > 0.999 * self._bit_ns:
            return 0.0, bits + 1
        return (0.0 if bits == 0 and rest < 0.5 * self._bit_ns else rest), bits

    def _tell(self, happening: Happening) -> None:
        self._walk.happenings.append((self._walk.now_ns, self.number, happening))

    def _begin_bit(self, when_ns: float) -> None:
        self._begin_ns = when_ns
        self._sample_at_ns = when_ns + self._sample_ns
        self._end_ns = when_ns + self._bit_ns
        self._sampled = self._goes_on = False
        if self.station.state == "off" and when_ns >= self._held_until_ns:
            return  # deaf: nothing to do until the walk is over
        self._walk.push(self._sample_at_ns, _SAMPLE, self.number)
        self._set_out(when_ns)

    def _set_out(self, when_ns: float) -> None:
        out = DOMINANT if when_ns < self._held_until_ns else self.station.next_out
        if out != self.out:
            self.out_before, self.out, self.changed_ns = self.out, out, when_ns
            self._walk.changed(self, when_ns)

    def sample(self, when_ns: float) -> None:
        if self._goes_on and when_ns == self._end_ns + self._sample_ns:
            self._step()
        elif self._sampled or when_ns != self._sample_at_ns:
            return  # moved by a resynchronisation
        self._sampled, self._synced = True, False
        self._seen = self._walk.read(self.number, when_ns)
        station = self.station
        station.on_bit(self._seen)
        if station.fast != self._fast:
            self._switch_rate(when_ns)
        if station.next_out != self.out or self._held_until_ns > 0.0 or self._must_end():
            self._walk.push(self._end_ns, _BIT_END, self.number)
        else:
            self._goes_on = True
            self._walk.push(self._end_ns + self._sample_ns, _SAMPLE, self.number)

    def _must_end(self) -> bool:
        """Can something happen at the end of this bit though the output stays as it is?"""
        state = self.station.state
        if state == "idle":
            return self.station.bits is not None or self._walk.may_end(self)
        return state == "off"

    def _step(self) -> None:
        """Begin the bit that goes on where the last one ended."""
        self._begin_ns = begin_ns = self._end_ns
        self._sample_at_ns = begin_ns + self._sample_ns
        self._end_ns = begin_ns + self._bit_ns
        self._sampled = self._goes_on = False

    def end_bit(self, when_ns: float) -> None:
        if not self._sampled or when_ns != self._end_ns:
            return
        station = self.station
        if station.state == "idle":
            self._walk.idle(self, when_ns)
            if self._walk.finished:
                return
            if station.bits is not None:
                station.start_sending()
        self._begin_bit(when_ns)
        if station.state == "off":
            self._set_out(when_ns)

    def edge(self, when_ns: float) -> None:
        """The line turned from recessive to dominant, as this station sees it."""
        station = self.station
        if self._seen == DOMINANT or self._synced or station.state == "off":
            return
        if self._goes_on and when_ns >= self._end_ns:
            self._step()
        since = math.ceil((when_ns - self._begin_ns) / self._quantum_ns - 1e-6) * self._quantum_ns
        if since < 0.0:
            return  # before its first own bit of this walk
        self._synced = True
        if station.hard_sync:
            self._begin_bit(self._begin_ns + since)
        elif self._sampled:
            self._shorten(max(when_ns, self._begin_ns + since))
        elif self.out == RECESSIVE and since > 0.0:
            moved = min(since, self._jump_ns)
            self._sample_at_ns += moved
            self._end_ns += moved
            self._walk.push(self._sample_at_ns, _SAMPLE, self.number)

    def _shorten(self, seen_ns: float) -> None:
        if self._end_ns <= seen_ns:
            return
        self._end_ns = max(seen_ns, self._end_ns - self._jump_ns)
        self._goes_on = False
        self._walk.push(self._end_ns, _BIT_END, self.number)

    def silence(self, when_ns: float) -> None:
        """The station loses its power or is reset: recessive from now on, and deaf."""
        self.station.start_off()
        self.station.bits = None
        self.station.next_out = RECESSIVE
        self._held_until_ns = 0.0
        self._set_out(when_ns)

    def rest(self) -> Rest:
        station = self.station
        if station.state == "off":
            return Rest(self._walk.free_ns, False, self._walk.free_ns)
        # A bit that was not sampled yet is one of those to wait for.
        base = self._end_ns if self._sampled else self._begin_ns
        idle_ns = base + station.bits_to_idle * self._bit_ns
        may_send_ns = idle_ns + station.suspend_left * self._bit_ns
        return Rest(max(idle_ns, self._walk.free_ns), station.state == "integrating", may_send_ns)
