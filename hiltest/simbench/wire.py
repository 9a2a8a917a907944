"""The CAN bus of the simulated bench: who sends next, how long it takes, who receives what.

Two ways lead across the wire. Where nothing can go wrong (every station in step, the line sound, somebody
there to acknowledge, one winner of the arbitration) a frame is one event at its exact end, which is fast.
Everything else is walked bit by bit (`walk`): missing acknowledges, doubled identifiers, broken lines,
odd bit rates, noise. A walk in which chance played no part is kept and looked up the next time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from random import Random
from typing import TYPE_CHECKING, Any

from hiltest.canbus.frame import Frame, arbitration_key
from hiltest.canbus.frames import duration_ns, frame_bits, length_bits
from hiltest.errors import UsageError
from hiltest.physics.line import LineNetwork
from hiltest.physics.switching import Switching
from hiltest.simbench.crossing import FAR_NS, Crossing, Setting
from hiltest.simbench.events import Event, EventQueue
from hiltest.simbench.noise import NoiseSource
from hiltest.simbench.odds import DOUBTFUL, in_step, odds_of
from hiltest.simbench.reception import Cabling, Reception
from hiltest.simbench.recovery import Recovery
from hiltest.simbench.walk import Change, Forced, Start

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller

KEPT_LENGTHS = 1 << 16
KEPT_RECEPTIONS = 64
NO_KEY = 1 << 40
_Known = tuple[int, int, tuple[object, ...], int, bool]
"""Of a frame: bits without intermission, arbitration key, its fields before its stamp, and the two behind its direction."""
_new: Any = tuple.__new__
INTEGRATION_BITS, INTERMISSION_BITS, SUSPEND_BITS = 11, 3, 8
PHASES = 20
"""Parts of a bit to which the phase of a station that is still busy is rounded, so that the same situation
is found again: about one time quantum, the step in which real controllers see edges.
"""


class Wire:
    """One bus. Controllers attach themselves.

    `line` is the copper (None: every receiver reads every driver), `cabling` how its edges settle. `rng` decides what
    chance decides.

    For the truth: `frames` that reached somebody, `error_frames`, and `busy_ns`, the time that frames and
    error frames took with their intermissions.
    """

    def __init__(
        self,
        queue: EventQueue,
        rng: Random,
        *,
        name: str = "can",
        line: LineNetwork | None = None,
        cabling: Cabling | None = None,
    ) -> None:
        self.queue, self.rng, self.name = queue, rng, name
        self.frames = self._error_frames = self._busy_ns = 0
        self._clock, self._call_at, self._landing = queue.clock, queue.call_at, self._land
        self._may_pass = queue.pass_to
        self._line, self._cabling = line, cabling or Cabling()
        self._stations: list[Controller] = []
        self._ready: list[Controller] = []
        # Of every station: the arbitration key of the frame it wants to send, or NO_KEY.
        self._keys: list[int] = []
        # Of classic data frames, by identifier, data and format.
        self._lengths: dict[tuple[object, ...], _Known] = {}
        self._noise = NoiseSource(Random(rng.getrandbits(64)))
        self._recovery = Recovery(self)
        self._crossing = Crossing(self)
        self._reception: Reception | None = None
        # Of the surroundings that come again and again as loads go on and off; cleared when the copper changes.
        self._receptions: dict[object, Reception] = {}
        self._dirty = True
        self._restless = self.doubtful = self._one_shots = self._walks_only = self._calm = False
        self.slowest_bit_ns = 1000.0
        self._glitches: list[tuple[int, float]] = []
        self._wounded: list[Controller] = []
        # The wire is free from here on; all stations are idle and allowed to send from here on.
        self._free_ns = self._all_idle_ns = 0
        # What is on the wire, or will be: the fast flight of one sender, or a crossing (a walk).
        self._flight: object = None
        self._sof_ns = FAR_NS
        self._sender: Controller | None = None
        self._hold = False

    def __repr__(self) -> str:
        names = ", ".join(station.name for station in self._stations)
        return f"<Wire {self.name!r}: {names or 'no stations'}>"

    @property
    def error_frames(self) -> int:
        """Error frames so far."""
        self._crossing.catch_up()
        return self._error_frames

    @property
    def busy_ns(self) -> int:
        """How long the wire was not idle so far, each frame with its intermission."""
        self._crossing.catch_up()
        return self._busy_ns

    # --- the copper ---------------------------------------------------------------------------------

    @property
    def line(self) -> LineNetwork | None:
        """The copper as it is now. Its taps carry the names of the controllers."""
        return self._line

    @line.setter
    def line(self, line: LineNetwork | None) -> None:
        self._receptions.clear()
        self.interrupt(lambda: setattr(self, "_line", line))

    def change_line(self, change: Callable[[LineNetwork], LineNetwork]) -> None:
        """Put a changed line in place of the present one, also in the middle of a frame.

        Raises:
            UsageError: this wire has no line.
        """
        if self._line is None:
            raise UsageError(f"wire {self.name!r} has no line to change; build it with line=LineNetwork(...)")
        self.line = change(self._line)

    @property
    def cabling(self) -> Cabling:
        """How edges settle: stubs, capacitance, noise at all times."""
        return self._cabling

    @cabling.setter
    def cabling(self, cabling: Cabling) -> None:
        self._receptions.clear()
        self.interrupt(lambda: setattr(self, "_cabling", cabling))

    def change_cabling(self, **changes: object) -> None:
        """`dataclasses.replace` on the cabling: `change_cabling(noise_v=0.2)`."""
        self.cabling = replace(self._cabling, **changes)  # type: ignore[arg-type]

    def surround(self, grounds_v: Mapping[str, float], switching: tuple[Switching, ...]) -> None:
        """The loads changed: the grounds of some taps, by name, and the outputs that switch near the pair.

        A frame on its fast way feels it only if a bit of it could be read otherwise from now on.
        """

        def change() -> None:
            line = self._line
            if line is not None and grounds_v:
                taps = [replace(t, ground_v=grounds_v.get(t.name, t.ground_v)) for t in line.taps]
                self._line = replace(line, taps=tuple(taps))
            self._cabling = replace(self._cabling, switching=switching)

        if self._hold or not self.occupied or not self._surely_lands():
            self.interrupt(change)
            return
        was_line, was_cabling = self._line, self._cabling
        change()
        self.changed()
        self._survey()
        if not self._surely_lands():
            self._line, self._cabling = was_line, was_cabling
            self._survey()
            self.interrupt(change)

    def _surely_lands(self) -> bool:
        """Is a frame on its fast way of which nobody can misread a bit?"""
        return self._sender is not None and self._sender._clean

    @property
    def noise(self) -> NoiseSource:
        """Bursts of noise: set `wire.noise.set(rate_per_s=..., length_s=..., noise_v=...)`."""
        return self._noise

    def set_noise(self, rate_per_s: float, length_s: float, noise_v: float = 5.0) -> None:
        """Let bursts hit the line at random, `rate_per_s` on average, each `length_s` long.

        `noise_v` is the standard deviation on the differential level; far above 1 V a bit in a burst is
        a coin's toss. Raises UsageError for negative values.
        """

        def change() -> None:
            self._noise.set(rate_per_s, length_s, noise_v, self.queue.now_ns)

        self.interrupt(change)

    @property
    def reception(self) -> Reception:
        """What every station reads for every set of drivers, on the line as it is now."""
        if self._dirty or self._reception is None:
            self._survey()
        assert self._reception is not None
        return self._reception

    @property
    def stations(self) -> tuple[Controller, ...]:
        """All controllers, in the order in which they were attached."""
        return tuple(self._stations)

    # --- for controllers ----------------------------------------------------------------------------

    def attach(self, controller: Controller) -> int:
        """Take a new controller. It joins after 11 recessive bits. Returns its number."""
        if any(other.name == controller.name for other in self._stations):
            raise UsageError(
                f"wire {self.name!r} has a controller {controller.name!r} already; give another name"
            )
        self._stations.append(controller)
        self._receptions.clear()
        self._keys.append(NO_KEY)
        self._join(controller)
        self.changed()
        return len(self._stations) - 1

    def contend(self, controller: Controller) -> None:
        """A controller's first waiting frame is new."""
        if self._sender is None:
            self._crossing.catch_up()
        frame = controller._queue[0]
        key = frame[0] << 21 if not (frame[2] or frame[3]) else arbitration_key(frame)
        number = controller._number
        if self._keys[number] == NO_KEY:
            self._ready.append(controller)
        self._keys[number] = key
        if self._hold:
            return
        if self._flight is None:
            self._arrange()
        elif self._clock._now_ns <= self._sof_ns:
            self._plan_anew()

    def withdraw(self, controller: Controller) -> None:
        """A controller has nothing to send any more."""
        self._crossing.catch_up()
        if controller not in self._ready:
            return
        self._leave(controller)
        if not self._hold and self._flight is not None and self._clock._now_ns <= self._sof_ns:
            self._plan_anew()

    def _leave(self, controller: Controller) -> None:
        if self._keys[controller._number] != NO_KEY:
            self._keys[controller._number] = NO_KEY
            self._ready.remove(controller)

    def is_sending(self, controller: Controller) -> bool:
        """Is the first frame of this controller on the wire, so that it can't be taken back?"""
        if not self.occupied:
            return False
        return self._sender is controller or (self._sender is None and self._crossing.carries(controller))

    def changed(self) -> None:
        """Something about the stations changed that frames of the future depend on."""
        self._crossing.catch_up()
        self._dirty, self._calm = True, False
        self._crossing.forget()

    def interrupt(self, change: Callable[[], None], silenced: tuple[int, ...] = ()) -> None:
        """Make a change to the line or the stations now; a frame that is on the wire feels it.

        `silenced` are the numbers of stations that fall silent with it.
        """
        self._crossing.catch_up()
        on_wire = self.occupied and not self._hold
        setting = None
        if on_wire:
            setting = self._crossing.setting or self._setting_of_flight()
        change()
        self.changed()
        if setting is not None:
            self._take_back()
            self._sender = None
            now = self._clock._now_ns - setting.sof_ns
            self._crossing.replay(setting.with_change(Change(now, self.reception, silenced)))
        elif not self._hold:
            self._plan_anew()

    def silence(self, controller: Controller, change: Callable[[], None]) -> None:
        """A controller loses power or is reset."""
        self._crossing.catch_up()
        self._leave(controller)
        self._recovery.drop(controller)

        def change_and_join() -> None:
            change()
            self._join(controller)

        self.interrupt(change_and_join, (controller._number,))

    def hold(self, controller: Controller, duration_ns: int) -> None:
        """Drive dominant for a while, whatever the controller wants; begins at the next free moment."""
        self._crossing.catch_up()
        self._crossing.hold(controller, duration_ns)
        if self._flight is None or self._clock._now_ns <= self._sof_ns:
            self.interrupt(lambda: None)

    def recover(self, controller: Controller) -> None:
        """Begin to count recessive sequences for a controller in bus-off."""
        self._crossing.catch_up()
        self._recovery.begin(controller)

    def _take_back(self) -> None:
        """Cancel what is in the queue for the wire."""
        if isinstance(self._flight, Event):
            self._flight.cancel()
        self._flight = None

    def _plan_anew(self) -> None:
        """Nothing is on the wire yet: decide again."""
        self._take_back()
        self._crossing.abandon()
        self._arrange()

    # --- deciding what comes next -------------------------------------------------------------------

    def _join(self, controller: Controller) -> None:
        wait = math.ceil(INTEGRATION_BITS * controller._bit_ns)
        controller._integrating = True
        controller._idle_ns = controller._may_send_ns = max(self._clock._now_ns, self._free_ns) + wait
        self._all_idle_ns = max(self._all_idle_ns, controller._idle_ns)

    def _survey(self) -> None:
        """Work out anew what depends on the line and on who takes part."""
        self._dirty = False
        self._reception = reception = self._reception_now()
        present = [station for station in self._stations if station._takes_part]
        for sender in present:
            others = [station for station in present if station is not sender]
            calls = [call for station in others for call in station._receivers()]
            if sender.self_acknowledging:
                calls += sender._receivers()
            sender._audience = tuple(calls)
            sender._odds = odds_of(sender, others, reception)
            sender._clean = sender._odds.clean
        self._one_shots = any(station._one_shot for station in present)
        self.slowest_bit_ns = max((station._bit_ns for station in self._stations), default=1000.0)
        silent = reception.dominant(0)
        # Who may take an idle line for dominant, and how often per bit.
        self._glitches = [(s._number, silent[s._number]) for s in present if silent[s._number] > 0.0]
        self._restless = any(chance > DOUBTFUL for _, chance in self._glitches)
        self.doubtful = bool(self._glitches) or any(
            s._odds is not None and not s._odds.clean for s in present
        )
        self._note_counters()

    def _reception_now(self) -> Reception:
        """Of the copper, its surroundings and the powered stations as they are; kept for the next time."""
        grounds = None if self._line is None else tuple([tap.ground_v for tap in self._line.taps])
        key = grounds, self._cabling.switching, tuple([station.powered for station in self._stations])
        found = self._receptions.get(key)
        if found is None:
            if len(self._receptions) >= KEPT_RECEPTIONS:
                self._receptions.clear()
            found = self._receptions[key] = Reception(self._stations, self._line, self._cabling)
        return found

    def _note_counters(self) -> None:
        self._wounded = [s for s in self._stations if s._takes_part and (s.counters.tx or s.counters.rx)]
        self._calm = False

    def _look_around(self) -> None:
        """Work out whether anything is amiss; as long as nothing is, nobody needs to look again."""
        if self._dirty:
            self._survey()
        self._walks_only = self._restless or self._crossing.holding
        self._calm = not (self._walks_only or self._wounded or self._recovery.waiting)

    def disquiet(self) -> None:
        """Something is amiss: counters are not 0, an output is stuck, a station recovers."""
        self._calm = False

    def _arrange(self) -> None:
        """Decide who sends next and put the end of its frame into the queue."""
        if not self._calm:
            self._look_around()
        ready = self._ready
        now = self._clock._now_ns
        sof = self._free_ns if self._free_ns > now else now
        if not ready or sof < self._all_idle_ns or self._walks_only:
            self._arrange_carefully(sof)
            return
        if len(ready) == 1:
            sender = ready[0]
        else:
            keys = self._keys
            lowest = min(keys)
            sender = self._stations[keys.index(lowest)]
            if keys.count(lowest) > 1 or self._one_shots:
                self._begin_walk(sof, ready)
                return
        if sender._clean:
            # The usual case, without a further call.
            head = sender._queue[0]
            known = None if head[3] or head[4] or head[5] else self._lengths.get(head[:3])
            if known is not None:
                end = sof + sender._spans_ns[known[0]]
                if end < self._noise.next_ns:
                    self._sof_ns, self._sender = sof, sender
                    self._flight = flight = (sender, known)
                    self._call_at(end, self._landing, flight)
                    return
        self._fly(sender, sof, ready)

    def _arrange_carefully(self, sof: int) -> None:
        """Nobody wants to send, or some station is not idle yet."""
        self._flight, self._sender, self._sof_ns = None, None, FAR_NS
        able = [station for station in self._ready if station._can_send]
        if self._walks_only:
            self._begin_walk(sof, [station for station in able if station._may_send_ns <= sof])
        elif not able:
            self._wait_for_noise(sof)
        else:
            sof = max(sof, min(station._may_send_ns for station in able))
            contenders = [station for station in able if station._may_send_ns <= sof]
            if any(s._takes_part and s._idle_ns > sof + s._bit_ns / 4 for s in self._stations):
                self._begin_walk(sof, contenders)
                return
            keys = [self._keys[station._number] for station in contenders]
            if keys.count(min(keys)) > 1 or self._one_shots:
                self._begin_walk(sof, contenders)
                return
            self._fly(contenders[keys.index(min(keys))], sof, contenders)

    def _fly(self, sender: Controller, sof: int, contenders: list[Controller]) -> None:
        """The fast way, if this frame may take it."""
        frame = sender._queue[0]
        odds = sender._odds
        assert odds is not None
        known = self._known(frame)
        end = sof + int(known[0] * sender._bit_ns + 0.5)
        if frame[5]:
            span, fine = self._fd_span(sender, frame)
            if not fine or (frame[6] and not odds.clean):
                self._begin_walk(sof, contenders)
                return
            end = sof + span
        if odds.walk or end >= self._noise.next_ns:
            self._begin_walk(sof, contenders)
            return
        forced: Forced | None = None
        if not odds.clean:
            forced = odds.first_misread(frame_bits(frame, acknowledged=True), sender._bit_ns, self.rng)
            if forced is not None:
                self._begin_walk(sof, contenders, forced)
                return
        self._sof_ns, self._sender = sof, sender
        self._flight = flight = (sender, known)
        self._call_at(end, self._landing, flight)

    def _begin_walk(self, sof: int, contenders: list[Controller], forced: Forced | None = None) -> None:
        """At the start of frame, unless something changes until then."""
        self._sof_ns, self._sender = sof, None
        self._flight = self.queue.at(sof, self._crossing.begin, list(contenders), forced)

    def _known(self, frame: Frame) -> _Known:
        """What depends on the content alone; kept for classic data frames."""
        plain = not (
            frame[3] or frame[4] or frame[5]
        )  # a remote frame's length and a CAN FD frame's flags say more
        known = self._lengths.get(frame[:3]) if plain else None
        if known is None:
            known = length_bits(frame, False), arbitration_key(frame), frame[:7], frame[9], frame[10]
            if plain:
                if len(self._lengths) >= KEPT_LENGTHS:
                    self._lengths.clear()
                self._lengths[frame[:3]] = known
        return known

    def _fd_span(self, sender: Controller, frame: Frame) -> tuple[int, bool]:
        """Length of a CAN FD frame in ns, and whether every station takes such frames and keeps its data phase."""
        present = [station for station in self._stations if station._takes_part]
        fine = all(station._fd for station in present)
        rate, data_rate = sender._timing.bit_rate_bps, sender._data_phase.bit_rate_bps
        if frame.bitrate_switch:
            fine = fine and all(in_step(sender._data_phase, station._data_phase) for station in present)
        span = duration_ns(frame, round(rate), round(data_rate), intermission=False)
        return span, fine

    # --- the fast way -------------------------------------------------------------------------------

    def _land(self, flight: tuple[Controller, _Known]) -> None:
        """The end of a frame that took the fast way.

        Frames that follow it land here too, each at its time, for as long as the queue would serve nothing before them.
        """
        if flight is not self._flight:
            return  # taken back
        sender, landing = flight
        keys, lengths, may_pass, now = self._keys, self._lengths, self._may_pass, self._clock._now_ns
        while True:
            _, _, before_stamp, dlc, error_state = landing
            queue = sender._queue
            frame = queue.popleft()
            self._free_ns = free = now + sender._intermission_ns
            self.frames += 1
            self._busy_ns += free - self._sof_ns
            head: Frame | None = None
            known: _Known | None = None
            if queue:
                head = queue[0]
                known = None if head[3] or head[4] or head[5] else lengths.get(head[:3])
                keys[sender._number] = arbitration_key(head) if known is None else known[1]
            else:
                self._leave(sender)
            self._flight = None
            self._hold = True
            try:
                if not self._calm:
                    self._note_good_frame(sender)
                # As frame.at(now), without the call.
                arrived = _new(Frame, before_stamp + (now, True, dlc, error_state))  # noqa: RUF005 - half the time
                for call in sender._audience:
                    call(arrived)
                for call in sender._sent_calls:
                    call(frame)
            except BaseException:
                self._hold = False
                self._arrange()
                raise
            self._hold = False
            # What `_arrange` decides in the usual case, without a further call.
            ready = self._ready
            if not self._calm or not ready or free < self._all_idle_ns:
                break
            winner = ready[0]
            if len(ready) == 2:
                other = ready[1]
                ahead = keys[winner._number] - keys[other._number]
                if ahead == 0 or self._one_shots:
                    break
                if ahead > 0:
                    winner = other
            elif len(ready) > 2:
                lowest = min(keys)
                winner = self._stations[keys.index(lowest)]
                if keys.count(lowest) > 1 or self._one_shots:
                    break
            if winner is not sender or winner._queue[0] is not head or known is None:
                sender, head = winner, winner._queue[0]
                if head[3] or head[4] or head[5]:
                    break
                known = lengths.get(head[:3]) or self._known(head)
            landing = known
            if not sender._clean:
                break
            end = free + sender._spans_ns[landing[0]]
            if end >= self._noise.next_ns:
                break
            self._sof_ns, self._sender = free, sender
            if not may_pass(end):
                self._flight = flight = (sender, landing)
                self._call_at(end, self._landing, flight)
                return
            now = end
        self._arrange()

    def _note_good_frame(self, sender: Controller) -> None:
        """What a good frame changes where something was amiss before."""
        if self._recovery.waiting:
            self._recovery.frame(self._sof_ns, self._free_ns)
        if self._dirty:
            self._survey()
        if self._wounded:
            self._count_good_frame(sender)

    def _count_good_frame(self, sender: Controller) -> None:
        """Error counters after a frame that went well."""
        for station in self._wounded:
            counters = station.counters
            if station is sender:
                suspended = counters.tx >= 128 or counters.rx >= 128
                counters.tx = max(0, counters.tx - 1)
                if suspended and (counters.tx >= 128 or counters.rx >= 128):
                    self._suspend(station)
            elif not station.listen_only:
                counters.rx = 127 if counters.rx > 127 else max(0, counters.rx - 1)
            station._refresh_state()
        self._note_counters()

    def _suspend(self, station: Controller) -> None:
        """An error passive sender lets 8 more bits pass before it sends again."""
        station._may_send_ns = self._free_ns + int(SUSPEND_BITS * station._bit_ns + 0.5)
        self._all_idle_ns = max(self._all_idle_ns, station._may_send_ns)

    def _setting_of_flight(self) -> Setting:
        """The flight under way, as a walk: for when something happens to it."""
        assert self._sender is not None
        sender, sof = self._sender, self._sof_ns
        contenders = [sender]  # the others have lost the arbitration or were not there yet
        return self._crossing.make_setting(sof, contenders)

    # --- noise while nobody sends -------------------------------------------------------------------

    def _wait_for_noise(self, sof: int) -> None:
        """A burst, or one misread bit, may make an idle station see a start of frame."""
        next_ns, forced = max(sof, self._noise.next_ns), None
        for number, chance in self._glitches:
            bits = self.rng.expovariate(-math.log1p(-chance))
            glitch_ns = sof + int(bits * self._stations[number]._bit_ns)
            if glitch_ns < next_ns:
                next_ns, forced = glitch_ns, Forced(number, 0.0)
        if next_ns < FAR_NS:
            self._sof_ns = next_ns
            self._flight = self.queue.at(next_ns, self._crossing.begin, [], forced)

    # --- for the crossing and the recovery -----------------------------------------------------------

    @property
    def occupied(self) -> bool:
        """Is a frame, an error frame or a burst of noise on the wire?"""
        self._crossing.catch_up()
        return self._flight is not None and self._sof_ns < self._clock._now_ns

    def freed(self, now_ns: int) -> None:
        """A walk is over; the wire is free."""
        self._free_ns, self._flight, self._sof_ns = now_ns, None, FAR_NS
        for station in [s for s in self._ready if s._last_try is not None]:
            self._give_up(station)
        present = [station for station in self._stations if station._takes_part]
        waits = (time for station in present for time in (station._idle_ns, station._may_send_ns))
        self._all_idle_ns = max(waits, default=now_ns)
        self._note_counters()

    def _give_up(self, station: Controller) -> None:
        """A frame that was flushed while it was on the wire is not tried again."""
        frame, station._last_try = station._last_try, None
        if frame is station._queue[0]:
            self._crossing.drop_first(station)

    def rejoin_all(self) -> None:
        """The line was senseless for a while: everybody waits for 11 recessive bits."""
        for station in self._stations:
            if station._takes_part:
                self._join(station)

    def went_off(self, controller: Controller) -> None:
        """A controller has gone bus-off."""
        self._leave(controller)
        self.changed()
        if controller.auto_restart:
            controller.restart()

    def readmit(self, controller: Controller) -> None:
        """A controller has seen enough recessive bits after bus-off."""
        now = self._clock._now_ns
        controller.counters.clear()
        controller._recovering = False
        controller._idle_ns = controller._may_send_ns = now
        controller._integrating = False
        self.changed()
        controller._refresh_state()
        if controller._queue:
            self.contend(controller)

    def start_of(self, station: Controller, sof: int, sends: bool) -> Start:
        """How a station stands at a start of frame."""
        counters, wait_ns = station.counters, 0.0
        if station._idle_ns > sof:
            part_ns = station._bit_ns / PHASES
            wait_ns = round((station._idle_ns - sof) / part_ns) * part_ns
        return Start(
            station._timing,
            counters.tx,
            counters.rx,
            station._queue[0] if sends else None,
            wait_ns,
            station._integrating,
            station._listen_only,
            station._self_acknowledging,
            station._one_shot,
            not station._takes_part,
            self._crossing.holds_ns(station, sof) if self._crossing.holding else 0.0,
            station._fd,
            station._data_timing,
        )
