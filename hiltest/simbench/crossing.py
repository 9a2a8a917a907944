"""Walks on the wire in bench time: runs them, keeps those that chance had no part in, tells the controllers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from random import Random
from typing import TYPE_CHECKING, NamedTuple

from hiltest.canbus.frame import Frame, arbitration_key
from hiltest.simbench.controller import BusError
from hiltest.simbench.noise import FAR_NS
from hiltest.simbench.reception import Reception
from hiltest.simbench.station import Happening
from hiltest.simbench.storm import ERROR_FRAME_BITS, Storm, error_frames, is_steady
from hiltest.simbench.walk import Change, Forced, Noise, Rest, Start, Walk

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller
    from hiltest.simbench.wire import Wire

__all__ = ["FAR_NS", "Crossing", "Setting"]

CHUNK_BITS = 400
"""A walk is run this far at a time."""
HOPELESS_CHUNKS = 8
"""After this many chunks without a free wire, time may be skipped if nobody can change anything."""
SKIP_NS, SKIP_MAX_NS = 10_000_000, 100_000_000
KEPT_OUTCOMES = 1 << 12


@dataclass(frozen=True, slots=True)
class Setting:
    """All that a walk depends on."""

    sof_ns: int
    starts: tuple[Start, ...]
    reception: Reception
    seed: int
    noise: tuple[Noise, ...] = ()
    forced: Forced | None = None
    changes: tuple[Change, ...] = ()
    at_least_ns: float = 0.0

    def with_change(self, change: Change) -> Setting:
        """The same walk with one more change on its way."""
        return replace(self, changes=(*self.changes, change))

    def walk(self) -> Walk:
        """A fresh walk."""
        return Walk(
            self.starts,
            self.reception,
            Random(self.seed),
            noise=self.noise,
            forced=self.forced,
            changes=self.changes,
            at_least_ns=self.at_least_ns,
        )


class Outcome(NamedTuple):
    """What came of a walk."""

    happenings: Sequence[tuple[float, int, Happening]]
    free_ns: float
    rests: Sequence[Rest]


class Crossing:
    """The walk that is under way on a wire, if any."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self._setting: Setting | None = None
        self._storm: Storm | None = None
        self._last: tuple[object, int, int] = (None, 0, 0)  # key, start of frame and period of the last walk
        self._walk: Walk | None = None
        self._script: Sequence[tuple[float, int, Happening]] = ()
        self._told = 0
        self._outcome: Outcome | None = None
        self._kept: dict[object, Outcome] = {}
        self._chunks = 0
        self._skip_ns = SKIP_NS
        self._last_error_ns = -FAR_NS
        self._holds: dict[Controller, int] = {}

    @property
    def setting(self) -> Setting | None:
        """What the walk under way was started with."""
        if self._storm is not None:
            self.catch_up()
            return replace(self._storm.setting, sof_ns=self._storm.sof_ns)
        return self._setting

    # --- stuck outputs -----------------------------------------------------------------------------

    @property
    def holding(self) -> bool:
        """Is some output stuck dominant now?"""
        return bool(self._holds)

    def hold(self, controller: Controller, duration_ns: int) -> None:
        """Keep an output dominant from now on."""
        self._holds[controller] = self._wire.queue.now_ns + duration_ns
        self._wire.disquiet()

    def holds_ns(self, controller: Controller, sof_ns: int) -> float:
        """How much longer a station's output is stuck."""
        return float(max(0, self._holds.get(controller, 0) - sof_ns))

    # --- starting ----------------------------------------------------------------------------------

    def forget(self) -> None:
        """The stations or the line changed: what was worked out holds no more."""
        self._kept.clear()

    def abandon(self) -> None:
        """What was planned is taken back before it has begun."""
        self._storm = self._setting = self._outcome = self._walk = None

    def carries(self, controller: Controller) -> bool:
        """Does this controller have a frame in the walk under way?"""
        setting = self.setting
        return setting is not None and setting.starts[controller._number].sends is not None

    def begin(self, contenders: list[Controller], forced: Forced | None) -> None:
        """The start of frame of these controllers (none: a burst of noise meets an idle wire)."""
        able = [station for station in contenders if station._queue and station._can_send]
        self._run(self.make_setting(self._wire.queue.now_ns, able, forced))

    def make_setting(
        self, sof_ns: int, contenders: Sequence[Controller], forced: Forced | None = None
    ) -> Setting:
        """How the walk starts."""
        wire = self._wire
        starts = tuple([wire.start_of(station, sof_ns, station in contenders) for station in wire.stations])
        slowest = wire.slowest_bit_ns
        noise: Sequence[Noise] = ()
        if wire.noise.next_ns < FAR_NS:
            noise = wire.noise.window(sof_ns, sof_ns + round(4 * CHUNK_BITS * slowest))
        at_least = 0.0 if contenders else 2.5 * slowest
        if noise and noise[0].start_ns <= 0.0 and not contenders:
            at_least += noise[0].end_ns
        seed = wire.rng.getrandbits(64) if noise or forced or wire.doubtful else 0
        return Setting(sof_ns, starts, wire.reception, seed, tuple(noise), forced, at_least_ns=at_least)

    def replay(self, setting: Setting) -> None:
        """Run the walk under way again, now with a change in the middle; what was told stays told."""
        told = self._told if self._setting is not None and self._storm is None else 0
        self._run(setting, told)

    def _run(self, setting: Setting, told: int = 0) -> None:
        self._setting, self._told, self._chunks, self._walk = setting, told, 0, None
        self._storm = None
        key = None if setting.noise or setting.forced or setting.changes else _key(setting)
        outcome = self._kept.get(key) if key is not None else None
        if outcome is None:
            walk = setting.walk()
            # A replay has to catch up with the present first.
            behind = self._wire.queue.now_ns - setting.sof_ns
            finished = walk.run(behind + self._chunk_ns())
            if not finished:
                self._walk, self._outcome = walk, None
                self._script = walk.happenings
                self._next()
                return
            outcome = Outcome(walk.happenings, walk.free_ns, walk.rests())
            if key is not None and not walk.random_used and _small_steps(walk.happenings):
                if len(self._kept) >= KEPT_OUTCOMES:
                    self._kept.clear()
                self._kept[key] = outcome
        self._outcome, self._script = outcome, outcome.happenings
        if not self._begin_storm(key, setting, outcome):
            self._next()

    # --- the same again and again -------------------------------------------------------------------

    def _begin_storm(self, key: object, setting: Setting, outcome: Outcome) -> bool:
        """The third try in a row that is like the one before starts the short way of doing it."""
        last_key, last_sof, last_period = self._last
        period = setting.sof_ns - last_sof
        self._last = (key, setting.sof_ns, period)
        if key is None or key != last_key or period != last_period or self._kept.get(key) is not outcome:
            return False  # not the same again, or by chance only
        stations = self._wire.stations
        if not is_steady(outcome.happenings, stations):
            return False
        senders = list(self._wire._ready)  # some may be a little late each time, and so no contenders
        if not any(start.sends for start in setting.starts):
            return False
        heads = [sender._queue[0] for sender in senders]
        errors = error_frames(outcome.happenings, self._wire.slowest_bit_ns)
        told = [
            (int(when + 0.5), number, happening)
            for when, number, happening in outcome.happenings
            if happening.what == "error" and stations[number]._error_calls
        ]
        storm = Storm(setting, outcome, period, setting.sof_ns, senders, heads, errors, told)
        if not self._may_storm(storm):
            return False
        self._storm = storm
        self._next_try(storm)
        return True

    def _may_storm(self, storm: Storm) -> bool:
        wire = self._wire
        return not (
            wire._dirty
            or wire._recovery.waiting
            or self._holds
            or wire.noise.next_ns <= wire.queue.now_ns + storm.period_ns
        ) and storm.goes_on(wire._ready)

    def _next_try(self, storm: Storm) -> None:
        """Go on, without a stop, to the end of the last try before something else happens."""
        wire = self._wire
        upcoming_ns = wire.queue.upcoming_ns()
        until_ns = wire.noise.next_ns - 1 if upcoming_ns is None else min(upcoming_ns, wire.noise.next_ns - 1)
        tries, to_tell = storm.tries_until(until_ns), storm.tries_to_tell(wire.stations)
        self._go_for(storm, tries if to_tell is None else min(tries, to_tell))

    def _go_for(self, storm: Storm, tries: int) -> None:
        wire = self._wire
        storm.tries = tries
        wire._sof_ns = storm.sof_ns
        wire._flight = flight = (storm,)
        wire.queue.call_at(storm.sof_ns + tries * storm.period_ns, self._try_again, flight)

    def catch_up(self) -> None:
        """Before anything is changed or asked: count the tries that are over, and stop after the present one."""
        storm = self._storm
        if storm is None or storm.tries == 1:
            return
        self._count(storm, (self._wire.queue.now_ns - storm.sof_ns) // storm.period_ns)
        self._go_for(storm, 1)

    def _count(self, storm: Storm, tries: int) -> None:
        wire = self._wire
        wire._error_frames += tries * storm.errors_each
        wire._busy_ns += tries * int(storm.outcome.free_ns + 0.5)
        storm.sof_ns += tries * storm.period_ns
        wire._sof_ns = storm.sof_ns

    def _try_again(self, flight: tuple[Storm]) -> None:
        """Tries are over (the errors of the last are told now, with their own time); the next one starts."""
        wire, storm = self._wire, flight[0]
        if wire._flight is not flight:
            return
        tries, storm.tries = storm.tries, 1
        self._count(storm, tries)
        now, sof = storm.sof_ns, storm.sof_ns - storm.period_ns
        for after_ns, number, happening in storm.told:
            self._tell_listeners(wire.stations[number], happening, sof + after_ns)
        if wire._flight is not flight:
            return  # a listener changed something
        if self._may_storm(storm):
            self._next_try(storm)
            return
        for station, start in zip(wire.stations, storm.setting.starts, strict=False):
            station._idle_ns = station._may_send_ns = now + round(start.wait_ns)
        self.abandon()
        self._last = (None, 0, 0)
        wire.freed(now)
        wire._arrange()

    def _chunk_ns(self) -> float:
        return CHUNK_BITS * self._wire.slowest_bit_ns

    # --- telling -----------------------------------------------------------------------------------

    def _next(self) -> None:
        """Put what comes next into the queue."""
        wire, setting = self._wire, self._setting
        assert setting is not None
        if self._told < len(self._script):
            when, call = self._script[self._told][0], self._tell
        elif self._outcome is not None:
            when, call = self._outcome.free_ns, self._finish
        else:
            assert self._walk is not None
            when, call = self._walk.now_ns, self._go_on
        when_ns = max(setting.sof_ns + int(when + 0.5), wire.queue.now_ns)
        wire._flight = wire.queue.at(when_ns, call)

    def _tell(self) -> None:
        """Tell the controllers all that happens at this time."""
        setting, script = self._setting, self._script
        when = script[self._told][0]
        while self._told < len(script) and script[self._told][0] == when:
            _, number, happening = script[self._told]
            self._told += 1
            self._tell_one(self._wire.stations[number], happening)
            if self._setting is not setting:
                return  # a listener changed the line or the stations: a new run is planned already
        self._next()

    def _tell_one(self, station: Controller, happening: Happening) -> None:
        what = happening.what
        if what == "received":
            _good(station, 0)
            assert happening.frame is not None
            frame = happening.frame.at(self._wire.queue.now_ns)
            for call in station._receivers():
                call(frame)
        elif what == "sent":
            self._tell_sent(station)
        elif what == "dropped":
            self.drop_first(station)
        elif what in ("error", "count"):
            self._tell_error(station, happening)

    def _tell_sent(self, station: Controller) -> None:
        wire = self._wire
        frame = self._take(station)
        if frame is None:
            return
        wire.frames += 1
        _good(station, 1)
        now = wire.queue.now_ns
        if station.self_acknowledging:
            for call in station._receivers():
                call(frame.at(now))
        for call in station._sent_calls:
            call(frame)

    def drop_first(self, station: Controller) -> None:
        """Give up a station's first frame."""
        frame = self._take(station)
        if frame is not None:
            station._tell_dropped(frame)

    def _take(self, station: Controller) -> Frame | None:
        queue = station._queue
        if not queue:
            return None  # reset meanwhile
        frame = queue.popleft()
        if queue:
            self._wire._keys[station._number] = arbitration_key(queue[0])
        else:
            self._wire._leave(station)
        return frame

    def _tell_error(self, station: Controller, happening: Happening) -> None:
        wire, now = self._wire, self._wire.queue.now_ns
        counters = station.counters
        counters.tx += happening.tec
        counters.rx = min(counters.rx + happening.rec, 255)
        if happening.what == "error":
            if now - self._last_error_ns > ERROR_FRAME_BITS * station._bit_ns:
                wire._error_frames += 1
            self._last_error_ns = now
            if station._error_calls:
                self._tell_listeners(station, happening, now)
        was = station.state
        station._refresh_state()
        if station.state == "off" and was != "off":
            wire.went_off(station)

    def _tell_listeners(self, station: Controller, happening: Happening, t_ns: int) -> None:
        counters = station.counters
        error = BusError(
            happening.kind, happening.field, happening.bit, happening.on_tx, t_ns, counters.tx, counters.rx
        )
        for call in station._error_calls:
            call(error)

    # --- ending ------------------------------------------------------------------------------------

    def _go_on(self) -> None:
        """A walk that is longer than a chunk."""
        walk, setting = self._walk, self._setting
        assert walk is not None
        assert setting is not None
        self._chunks += 1
        self._wire._recovery.disturbed(setting.sof_ns)
        if self._chunks >= HOPELESS_CHUNKS and self._hopeless():
            self._skip()
            return
        if walk.run(walk.now_ns + self._chunk_ns()):
            self._outcome = Outcome(walk.happenings, walk.free_ns, walk.rests())
        self._next()

    def _hopeless(self) -> bool:
        """Nobody drives the line by its own will: error passive, off, or only listening."""
        now = self._wire.queue.now_ns
        if any(until > now for until in self._holds.values()):
            return False
        return all(
            not station._takes_part or station.listen_only or station.state == "passive"
            for station in self._wire.stations
        )

    def _skip(self) -> None:
        """The line is stuck or senseless and no station can change that: look again after a while."""
        self._setting = self._walk = None
        wire = self._wire
        wire._flight = wire.queue.after(self._skip_ns, self._look_again)
        wire._sof_ns = FAR_NS  # whatever changes meanwhile is looked at afresh
        wire._free_ns = wire.queue.now_ns
        wire.rejoin_all()
        self._skip_ns = min(2 * self._skip_ns, SKIP_MAX_NS)

    def _look_again(self) -> None:
        self._wire.freed(self._wire.queue.now_ns)
        self._wire.rejoin_all()
        self._wire._arrange()

    def _finish(self) -> None:
        wire, setting, outcome = self._wire, self._setting, self._outcome
        assert setting is not None
        assert outcome is not None
        now = wire.queue.now_ns
        for station, rest, start in zip(wire.stations, outcome.rests, setting.starts, strict=False):
            if start.off or not station._takes_part or station._idle_ns > now:
                continue  # was not part of it, or was reset on the way
            idle_ns = setting.sof_ns + int(rest.idle_ns + 0.5)
            station._idle_ns = now if idle_ns - now < station._bit_ns / 2 else idle_ns
            may_send_ns = setting.sof_ns + int(rest.may_send_ns + 0.5)
            station._may_send_ns = now if may_send_ns - now < station._bit_ns / 2 else may_send_ns
            station._integrating = rest.integrating
        self._holds = {station: until for station, until in self._holds.items() if until > now}
        sof, self._setting, self._walk, self._outcome, self._script = setting.sof_ns, None, None, None, ()
        self._told = 0
        self._skip_ns = SKIP_NS
        wire.noise.pass_by(now)
        wire._busy_ns += now - sof
        wire._recovery.frame(sof, now)
        wire.freed(now)
        wire._arrange()


def _good(station: Controller, sent: int) -> None:
    """Counters after a good frame."""
    counters = station.counters
    if sent:
        counters.tx = max(0, counters.tx - 1)
    elif not station.listen_only:
        counters.rx = 127 if counters.rx > 127 else max(0, counters.rx - 1)
    station._refresh_state()


def _key(setting: Setting) -> object:
    """Equal for walks that end alike. The line and the modes are not in it: see `Crossing.forget`."""
    return (
        setting.at_least_ns,
        *[
            (
                _bucket(tec),
                _bucket(rec),
                None if sends is None else (sends[:7], sends.remote_dlc, sends.error_state),
                wait_ns,
                integrating,
                off,
                holds_ns,
            )
            for _, tec, rec, sends, wait_ns, integrating, _, _, _, off, holds_ns, _, _ in setting.starts
        ],
    )


def _bucket(count: int) -> int:
    """Counters that no single walk can carry over a limit count as equal."""
    if count < 64:
        return 0
    return 160 if 128 < count < 192 else count


def _small_steps(happenings: Sequence[tuple[float, int, Happening]]) -> bool:
    """Is the sum of the steps of every station small enough for `_bucket`?"""
    sums: dict[int, int] = {}
    for _, number, happening in happenings:
        sums[number] = sums.get(number, 0) + happening.tec + happening.rec
    return max(sums.values(), default=0) < 64
