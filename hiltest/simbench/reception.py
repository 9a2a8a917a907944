"""What each receiver on the wire reads while given stations drive: the line's levels as probabilities.

The levels come from `physics.line`; how an edge settles (capacitance of cable and nodes, reflections
of stubs and open ends) from the estimates in `physics.edges`, what switching loads add from `physics.switching`.
A `Reception` is made anew for each state of the line and keeps what it has worked out, so that asking again costs a
look-up.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, NamedTuple

from hiltest.errors import UsageError
from hiltest.physics.line import (
    COMMON_MODE_V,
    DELAY_NS_PER_M,
    LineNetwork,
    Tap,
    Wave,
    end_wave,
    line_capacitance_f,
    ringing_s,
    stub_wave,
)
from hiltest.physics.switching import (
    TWISTS_PER_M,
    Pulses,
    Switching,
    pulsed_misread_probability,
    pulses_in_pair,
)

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller

SENSELESS = 0.5
"""Outside the range that ISO 11898-2 asks for, a receiver's output means nothing."""
CERTAIN = 1e-12
"""A probability nearer to 0 or 1 than this is taken for 0 or 1: one bit in 11 days at 1 Mbit/s."""
RECESSIVE_BELOW_V, DOMINANT_ABOVE_V = 0.5, 0.9
"""ISO 11898-2: a receiver surely reads recessive below the one and dominant above the other. Where a wave runs on the
line, what lies between is taken for the wrong level half of the time.
"""
KEPT_CHANCES = 1 << 14


TAIL = "behind a terminator"
"""Among the branches: a piece of line that goes on behind a terminator and ends open."""


@dataclass(frozen=True, slots=True)
class Cabling:
    """What the edges on the line depend on, beside its resistances.

    `stub_m` is the branch of each tap (by name; `TAIL`: the line behind a terminator), `arms` how many lines meet where a stub leaves (3, or
    more for a star), `rise_ns` the edge of the drivers, `noise_v` the standard deviation of the noise on
    the differential level at all times. `switching` are the outputs that switch now, whose wires run `beside_m` along
    the pair at `load_distance_m`; the pair's own `twists_per_m` keep most of it out.
    """

    stub_m: Mapping[str, float] = field(default_factory=dict)
    arms: int = 3
    cable_pf_per_m: float = 50.0
    node_pf: float = 60.0
    impedance_ohm: float = 120.0
    rise_ns: float = 50.0
    delay_ns_per_m: float = DELAY_NS_PER_M
    noise_v: float = 0.0
    twists_per_m: float = TWISTS_PER_M
    load_distance_m: float = 0.02
    beside_m: float = 0.0
    switching: tuple[Switching, ...] = ()

    def pulses(self) -> tuple[Pulses, ...]:
        """What the outputs that switch now are in the pair; so short a pulse sees the line's impedance to both sides."""
        return tuple(
            pulses_in_pair(
                source,
                beside_m=self.beside_m,
                distance_m=self.load_distance_m,
                twists_per_m=self.twists_per_m,
                line_ohm=0.5 * self.impedance_ohm,
            )
            for source in self.switching
        )


class Ringing(NamedTuple):
    """A wave that starts at `start` (a fraction of the swing) and keeps `decay` of itself each round trip."""

    start: float
    decay: float
    round_trip_ns: float

    @classmethod
    def of(cls, wave: Wave) -> Ringing:
        """The same, with its round trip in ns."""
        return cls(wave.start, wave.decay, wave.round_trip_s * 1e9)

    def left(self, since_ns: float) -> float:
        """The fraction of the swing that is left `since_ns` after the edge."""
        if self.round_trip_ns <= 0.0:
            return 0.0
        return self.start * self.decay ** math.floor(since_ns / self.round_trip_ns)

    @property
    def gone_ns(self) -> float:
        """After this time less than a thousandth is left."""
        return max(self.round_trip_ns, ringing_s(self.round_trip_ns, self.decay, self.start, 0.001))


class Reception:
    """Probabilities that a station reads dominant, for each set of driving stations.

    Stations are numbered as in `stations`; a set of drivers is a bit mask of these numbers. Without a
    line (None) every receiver reads every driver, at once after its own transceiver.
    """

    def __init__(self, stations: Sequence[Controller], line: LineNetwork | None, cabling: Cabling) -> None:
        self._stations = tuple(stations)
        self._cabling = cabling
        self._line = None if line is None else _with_power(line, stations)
        self._steady: dict[int, tuple[float, ...]] = {}
        self._noisy: dict[tuple[int, float], tuple[float, ...]] = {}
        self._levels: dict[int, tuple[float, ...]] = {}
        self._after: dict[tuple[int, int, int, int], float] = {}
        self._ringing: tuple[Ringing, ...] = ()
        self._tau_ns: tuple[float, ...] = tuple(0.0 for _ in stations)
        self.pulses: tuple[Pulses, ...] = ()
        """What the loads that switch now are in the pair."""
        if self._line is not None:
            self._ringing = tuple(_ringing(self._line, cabling))
            self._tau_ns = _time_constants_ns(self._line, cabling, self._stations)
            self.pulses = cabling.pulses()
        self.delays_ns = self._delays()
        longest = max((ring.round_trip_ns for ring in self._ringing), default=0.0)
        self.slow_edges = longest > 0.0 or max(self._tau_ns, default=0.0) > 1.0
        """False if every edge may be taken as settled at once."""
        slowest = max((ring.gone_ns for ring in self._ringing), default=0.0)
        self._settled_ns = max(slowest, 25.0 * max(self._tau_ns, default=0.0))
        farthest = max((delay for row in self.delays_ns for delay in row), default=0.0)
        self.calm_ns = farthest + (self._settled_ns if self.slow_edges else 0.0)
        """So long after the last change of a driver the edge has arrived and settled everywhere."""

    def dominant(self, drivers: int) -> tuple[float, ...]:
        """For each station, the probability of reading dominant once the line has settled."""
        found = self._steady.get(drivers)
        if found is None:
            found = self._steady[drivers] = self._probabilities(drivers, self._cabling.noise_v)
        return found

    def dominant_in_noise(self, drivers: int, noise_v: float) -> tuple[float, ...]:
        """The same during a burst of noise with this standard deviation."""
        key = (drivers, noise_v)
        found = self._noisy.get(key)
        if found is None:
            sigma = math.hypot(noise_v, self._cabling.noise_v)
            found = self._noisy[key] = self._probabilities(drivers, sigma)
        return found

    def dominant_after(self, station: int, drivers: int, before: int, since_ns: float) -> float:
        """Probability that `station` reads dominant `since_ns` after the drivers changed, to the nanosecond."""
        if not 0.0 <= since_ns <= self._settled_ns:  # infinite where nobody has driven the line yet
            return self.dominant(drivers)[station]
        key = (station, drivers, before, int(since_ns))
        found = self._after.get(key)
        if found is None:
            if len(self._after) >= KEPT_CHANCES:
                self._after.clear()
            found = self._after[key] = self._dominant_after(*key)
        return found

    def _dominant_after(self, station: int, drivers: int, before: int, since_ns: int) -> float:
        line = self._line
        settled = self.dominant(drivers)[station]
        if line is None or drivers == before:
            return settled
        if settled == SENSELESS and not self._works(station, drivers):
            return settled
        now_v, was_v = self._level_v(station, drivers), self._level_v(station, before)
        swing = now_v - was_v
        # A driver pulls the line up by itself; down it goes only by the resistors.
        tail = math.exp(-since_ns / self._tau_ns[station]) if swing < 0.0 < self._tau_ns[station] else 0.0
        level = now_v - swing * tail
        amplitude = abs(swing) * max((ring.left(since_ns) for ring in self._ringing), default=0.0)
        if amplitude < 0.01:
            return self._reads(station, level, self._cabling.noise_v)
        promised_v = RECESSIVE_BELOW_V if swing < 0.0 else DOMINANT_ABOVE_V
        noise_v = self._cabling.noise_v
        low, high = (self._reads(station, level + s * amplitude, noise_v, promised_v) for s in (-1.0, 1.0))
        return 0.5 * (low + high)

    def _level_v(self, station: int, drivers: int) -> float:
        found = self._levels.get(drivers)
        if found is None:
            assert self._line is not None
            levels = self._line.differential_v(self._names(drivers))
            found = self._levels[drivers] = tuple(levels[each.name] for each in self._stations)
        return found[station]

    def _works(self, station: int, drivers: int) -> bool:
        """Are the station's pins where its receiver has to work?"""
        assert self._line is not None
        return all(
            map(_in_common_mode, self._line.levels_v(self._names(drivers))[self._stations[station].name])
        )

    def _names(self, drivers: int) -> frozenset[str]:
        return frozenset(s.name for number, s in enumerate(self._stations) if drivers >> number & 1)

    def _probabilities(self, drivers: int, noise_v: float) -> tuple[float, ...]:
        if self._line is None:
            return self._without_line(drivers, noise_v)
        levels = self._line.levels_v(self._names(drivers))
        found = []
        for number, station in enumerate(self._stations):
            high, low = levels[station.name]
            if not station.powered:
                found.append(0.0)
            elif not (_in_common_mode(high) and _in_common_mode(low)):
                found.append(SENSELESS)
            else:
                found.append(self._reads(number, high - low, noise_v))
        return tuple(found)

    def _without_line(self, drivers: int, noise_v: float) -> tuple[float, ...]:
        level = 2.0 if drivers else 0.0
        return tuple(
            self._reads(number, level, noise_v) if station.powered else 0.0
            for number, station in enumerate(self._stations)
        )

    def _reads(self, station: int, level_v: float, noise_v: float, threshold_v: float | None = None) -> float:
        """Probability that this receiver takes a level for dominant: by its own threshold, or by another."""
        threshold = self._stations[station].threshold_v if threshold_v is None else threshold_v
        chance = pulsed_misread_probability(
            level_v, noise_v, self.pulses, dominant=False, threshold_v=threshold
        )
        return 0.0 if chance < CERTAIN else 1.0 if chance > 1.0 - CERTAIN else chance

    def _delays(self) -> tuple[tuple[float, ...], ...]:
        """[driver][receiver]: from the controller's output to the other controller's input, in ns."""
        place = {tap.name: tap.position_m for tap in self._line.taps} if self._line is not None else {}
        stub = self._cabling.stub_m

        def delay(driver: Controller, receiver: Controller) -> float:
            way = abs(place.get(driver.name, 0.0) - place.get(receiver.name, 0.0))
            if driver is not receiver:
                way += stub.get(driver.name, 0.0) + stub.get(receiver.name, 0.0)
            loop = 0.5 * (driver.loop_delay_ns + receiver.loop_delay_ns)
            return loop + way * self._cabling.delay_ns_per_m

        return tuple(tuple(delay(d, r) for r in self._stations) for d in self._stations)


def _with_power(line: LineNetwork, stations: Sequence[Controller]) -> LineNetwork:
    """The line with the supply of its transceivers as it is now."""
    taps = {tap.name: tap for tap in line.taps}
    for station in stations:
        if station.name not in taps:
            known = ", ".join(taps) or "none"
            raise UsageError(f"controller {station.name!r} has no tap on the line; its taps are: {known}")
        tap = taps[station.name]
        if tap.powered != station.powered:
            taps[station.name] = replace(tap, powered=station.powered)
    return replace(line, taps=tuple(taps.values()))


def _in_common_mode(volts: float) -> bool:
    return COMMON_MODE_V[0] <= volts <= COMMON_MODE_V[1]


def _time_constants_ns(
    line: LineNetwork, cabling: Cabling, stations: Sequence[Controller]
) -> tuple[float, ...]:
    """Resistance across the pair times what it has to empty, as each station sees it."""
    stubs = sum(cabling.stub_m.values())
    capacitance = line_capacitance_f(
        line.end_m + stubs, len(line.taps), cabling.cable_pf_per_m, cabling.node_pf
    )
    taps = {tap.name: tap for tap in line.taps}
    shared = _capped(line.resistance_ohm("H", "L", 0.0)) * capacitance * 1e9

    def tau(tap: Tap) -> float:
        if not (tap.open_h or tap.open_l):
            return shared
        own = tap.differential_ohm if tap.terminator_ohm is None else tap.terminator_ohm
        return own * cabling.node_pf * 1e-3

    return tuple(tau(taps[station.name]) for station in stations)


def _capped(resistance_ohm: float) -> float:
    return min(resistance_ohm, 1e7)


def _ringing(line: LineNetwork, cabling: Cabling) -> list[Ringing]:
    """The waves on this line: one for each stub that matters, one between the two ends."""
    rise_s, ns_per_m = cabling.rise_ns * 1e-9, cabling.delay_ns_per_m
    found = []
    for length_m in cabling.stub_m.values():
        wave = stub_wave(length_m, arms=cabling.arms, rise_s=rise_s, ns_per_m=ns_per_m)
        if wave.start * wave.decay > 0.05:
            found.append(Ringing.of(wave))
    near_ohm, far_ohm = (_end_ohm(line, at) for at in (0.0, line.end_m))
    impedance_ohm = cabling.impedance_ohm
    from_both = [
        end_wave(line.end_m, one, other, impedance_ohm=impedance_ohm, rise_s=rise_s, ns_per_m=ns_per_m)
        for one, other in ((near_ohm, far_ohm), (far_ohm, near_ohm))
    ]
    wave = max(from_both, key=lambda each: each.start)
    # With both ends open the line is a lump that empties through its resistances: see the time constants.
    if wave.start > 0.05 and wave.decay < 0.95:
        found.append(Ringing.of(wave))
    return found


def _end_ohm(line: LineNetwork, end_m: float) -> float:
    """What one end is closed with: the resistors within a twentieth of the line from it."""
    reach = 0.05 * line.end_m
    conductance = sum(1.0 / t.ohm for t in line.terminators if abs(t.position_m - end_m) <= reach)
    conductance += sum(
        1.0 / tap.terminator_ohm
        for tap in line.taps
        if tap.terminator_ohm is not None
        and abs(tap.position_m - end_m) <= reach
        and not (tap.open_h or tap.open_l)
    )
    return 1.0 / conductance if conductance else math.inf
