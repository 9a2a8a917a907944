"""The two-wire CAN line: as a network of resistors, and (in `edges`) as a line that carries edges.

`LineNetwork` is the pair H and L along its length with everything that hangs on it: taps (nodes with
their transceivers), terminators, cuts and leaks. It answers what a receiver sees, what a voltmeter
sees and what an ohmmeter sees. It is solved by nodal analysis: conductances between nodes, a few nodes
held at a known voltage. Results are kept per set of driving taps, so asking again costs a look-up.

A driver is not a plain resistor: it can only push current out of H and pull current into L (there is a
diode in each leg), and it limits its current. So a line shorted to a 24 V supply does not cook the
model, and a line held down is held down for the same reason as in copper.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from types import MappingProxyType
from typing import Final, Literal

import numpy as np

from hiltest.physics._arguments import INF, between, finite, not_negative, one_of, positive, refuse
from hiltest.physics.edges import (
    DELAY_NS_PER_M,
    Wave,
    arbitration_delay_s,
    coupled_noise_v,
    delay_ns_per_m,
    end_ringing_s,
    end_wave,
    junction_reflection,
    line_capacitance_f,
    longest_stub_m,
    longest_stub_strict_m,
    pair_impedance_ohm,
    propagation_delay_s,
    recessive_settling_s,
    reflection_coefficient,
    ringing_s,
    sample_margin_s,
    stub_ringing_s,
    stub_wave,
    twist_lengthening,
    twisted_impedance_ohm,
)

__all__ = [
    "COMMON_MODE_V",
    "DELAY_NS_PER_M",
    "DOMINANT_ABOVE_V",
    "RECESSIVE_BELOW_V",
    "Conductor",
    "Cut",
    "Leak",
    "LineNetwork",
    "Place",
    "Tap",
    "Terminator",
    "Wave",
    "arbitration_delay_s",
    "common_mode_ok",
    "coupled_noise_v",
    "delay_ns_per_m",
    "end_ringing_s",
    "end_wave",
    "ground_offset_v",
    "junction_reflection",
    "line_capacitance_f",
    "longest_stub_m",
    "longest_stub_strict_m",
    "misread_probability",
    "pair_impedance_ohm",
    "propagation_delay_s",
    "recessive_settling_s",
    "reflection_coefficient",
    "ringing_s",
    "sample_margin_s",
    "stub_ringing_s",
    "stub_wave",
    "twist_lengthening",
    "twisted_impedance_ohm",
]

Conductor = Literal["H", "L"]
Place = Literal["H", "L", "GND", "SUPPLY"]

DOMINANT_ABOVE_V: Final = 0.9
"""A receiver must read a differential voltage above this as dominant. Source: ISO 11898-2."""

RECESSIVE_BELOW_V: Final = 0.5
"""A receiver must read a differential voltage below this as recessive. Source: ISO 11898-2."""

COMMON_MODE_V: Final = (-2.0, 7.0)
"""Line voltages to the receiver's own ground in which it must work. Source: ISO 11898-2."""


@dataclass(frozen=True, slots=True)
class Tap:
    """One node on the line: where, how connected, and its transceiver.

    `lead_ohm` is the resistance of each wire from the line to the transceiver (stub and contacts).
    `swapped` exchanges H and L at its plug; `open_h`, `open_l` are broken wires at the plug, named
    after the node's own pins. `terminator_ohm` is a resistor inside the node, behind the plug.
    Driver: H is pulled to supply_v − drop_v, L to drop_v, each through `driver_ohm`, limited to
    `limit_a`. Receiver: `differential_ohm` between the pins, half of it from each pin to `bias_v`.
    `ground_v` is the node's ground against the line's ground. With `powered` False the bias floats
    and `leak_ohm` from each pin to ground is all that is left besides the differential resistance.

    Defaults give 2.0 V at 60 ohm and 2.6 V at 120 ohm, the usual figures of a 5 V transceiver
    (common practice, no source). Raises UsageError for values that are not physical.
    """

    name: str
    position_m: float = 0.0
    swapped: bool = False
    open_h: bool = False
    open_l: bool = False
    lead_ohm: float = 0.01
    terminator_ohm: float | None = None
    powered: bool = True
    supply_v: float = 5.0
    drop_v: float = 0.643
    driver_ohm: float = 25.714
    limit_a: float = 0.1
    differential_ohm: float = 30e3
    bias_v: float = 2.5
    ground_v: float = 0.0
    leak_ohm: float = 20e6

    def __post_init__(self) -> None:
        not_negative("position_m", self.position_m)
        not_negative("lead_ohm", self.lead_ohm)
        if self.terminator_ohm is not None:
            positive("terminator_ohm", self.terminator_ohm)
        positive("supply_v", self.supply_v)
        between("drop_v", self.drop_v, 0.0, self.supply_v / 2.0)
        for name in ("driver_ohm", "limit_a", "differential_ohm", "leak_ohm"):
            positive(name, getattr(self, name))
        finite("bias_v", self.bias_v)
        finite("ground_v", self.ground_v)


@dataclass(frozen=True, slots=True)
class Terminator:
    """A resistor across the pair at a place on the line. Raises UsageError unless `ohm` is positive."""

    position_m: float
    ohm: float = 120.0

    def __post_init__(self) -> None:
        not_negative("position_m", self.position_m)
        positive("ohm", self.ohm)


@dataclass(frozen=True, slots=True)
class Cut:
    """One conductor of the line is broken just beyond `position_m` (what sits there is on the near side).

    Raises UsageError for another conductor than "H" or "L".
    """

    conductor: Conductor
    position_m: float

    def __post_init__(self) -> None:
        one_of("conductor", self.conductor, ("H", "L"))
        not_negative("position_m", self.position_m)


@dataclass(frozen=True, slots=True)
class Leak:
    """An unwanted path of `ohm` between two of "H", "L", "GND", "SUPPLY" at `position_m`; 0 is a dead short.

    Raises UsageError for a path between equal places or not touching the pair.
    """

    one: Place
    other: Place
    position_m: float = 0.0
    ohm: float = 0.0

    def __post_init__(self) -> None:
        for name in ("one", "other"):
            one_of(name, getattr(self, name), ("H", "L", "GND", "SUPPLY"))
        if self.one == self.other or {self.one, self.other} == {"GND", "SUPPLY"}:
            raise refuse("other", self.other, f"another place than {self.one!r}, one of the two on the pair")
        not_negative("position_m", self.position_m)
        not_negative("ohm", self.ohm)


@dataclass(frozen=True)
class LineNetwork:
    """The pair with everything on it. Immutable: `dataclasses.replace` makes the line after a change.

    `length_m` (default: the farthest thing on it), `wire_ohm_per_m` of each conductor (default 0.070,
    the figure of ISO 11898-2), `supply_v` of the rail that a leak may touch, `supply_to_ground_ohm`
    what an ohmmeter finds across the unpowered rail. The rail is stiff; shorted dead to ground through
    the pair it counts as 0 V (which nodes still have power then, the caller says with `Tap.powered`).
    Raises UsageError for two taps of one name, things beyond the end, or values that are not physical.

    Source: nodal analysis (Kirchhoff); transceiver as described in `Tap`.
    """

    taps: tuple[Tap, ...]
    terminators: tuple[Terminator, ...] = ()
    cuts: tuple[Cut, ...] = ()
    leaks: tuple[Leak, ...] = ()
    wire_ohm_per_m: float = 0.070
    length_m: float | None = None
    supply_v: float = 24.0
    supply_to_ground_ohm: float = INF
    _levels: dict[frozenset[str], Mapping[str, tuple[float, float]]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )
    _differential: dict[frozenset[str], Mapping[str, float]] = field(
        default_factory=dict, init=False, repr=False, compare=False
    )

    def __post_init__(self) -> None:
        for name in ("taps", "terminators", "cuts", "leaks"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        not_negative("wire_ohm_per_m", self.wire_ohm_per_m)
        not_negative("supply_v", self.supply_v)
        if not self.supply_to_ground_ohm > 0.0:
            raise refuse("supply_to_ground_ohm", self.supply_to_ground_ohm, "above 0 (math.inf for open)")
        names = [tap.name for tap in self.taps]
        if len(set(names)) != len(names):
            raise refuse("taps", names, "a different name for each tap", "rename the double one")
        self._check_places()

    def _things(self) -> tuple[Tap | Terminator | Leak, ...]:
        """What has a connection to the pair at its position."""
        return (*self.taps, *self.terminators, *self.leaks)

    def _check_places(self) -> None:
        if self.length_m is None:
            return
        not_negative("length_m", self.length_m)
        placed: tuple[Tap | Terminator | Leak | Cut, ...] = (*self._things(), *self.cuts)
        for thing in placed:
            if thing.position_m > self.length_m:
                raise refuse(
                    "position_m", thing.position_m, f"at most the length, {self.length_m:g}", repr(thing)
                )

    @property
    def end_m(self) -> float:
        """Length of the line in metres: as given, or up to the farthest thing on it."""
        if self.length_m is not None:
            return self.length_m
        placed: tuple[Tap | Terminator | Leak | Cut, ...] = (*self._things(), *self.cuts)
        return max((thing.position_m for thing in placed), default=0.0)

    def levels_v(self, driving: Iterable[str] = frozenset()) -> Mapping[str, tuple[float, float]]:
        """Voltages (h, l) in volt at each tap's own pins, against that tap's own ground.

        `driving` names the taps that send a dominant bit; none is a recessive line. The order of pins
        is the node's own: a swapped tap sees L of the line on its pin H. A pin that hangs on nothing
        powered reads 0.0. Raises UsageError for a name that is not a tap's. Source: nodal analysis.
        """
        key = driving if isinstance(driving, frozenset) else frozenset(driving)
        found = self._levels.get(key)
        if found is None:
            found = self._levels[key] = MappingProxyType(self._solve_levels(key))
        return found

    def differential_v(self, driving: Iterable[str] = frozenset()) -> Mapping[str, float]:
        """Differential voltage V(H) − V(L) in volt at each tap's own pins.

        Errors and source as `levels_v`.
        """
        key = driving if isinstance(driving, frozenset) else frozenset(driving)
        found = self._differential.get(key)
        if found is None:
            levels = self.levels_v(key)
            found = MappingProxyType({name: high - low for name, (high, low) in levels.items()})
            self._differential[key] = found
        return found

    def probe_v(self, position_m: float, driving: Iterable[str] = frozenset()) -> tuple[float, float]:
        """What a voltmeter to ground reads on conductors H and L of the line at `position_m`, in volt.

        Raises UsageError beyond the end of the line or for an unknown tap. Source: nodal analysis.
        """
        self._check_probe(position_m)
        circuit, drivers = self._circuit(frozenset(driving), powered=True, probe_m=position_m)
        volts = _settle(circuit, drivers)
        return volts.get(circuit.at(("H", position_m)), 0.0), volts.get(circuit.at(("L", position_m)), 0.0)

    def resistance_ohm(
        self, one: Place = "H", other: Place = "L", position_m: float = 0.0, *, without: Iterable[str] = ()
    ) -> float:
        """What an ohmmeter reads between two places at `position_m`, power off; `math.inf` if open.

        `without` names taps that are unplugged. Raises UsageError for equal places, a position beyond
        the end, or an unknown tap. Source: one ampere forced through the network, nodal analysis.
        """
        for name, place in (("one", one), ("other", other)):
            one_of(name, place, ("H", "L", "GND", "SUPPLY"))
        if one == other:
            raise refuse("other", other, f"another place than {one!r}")
        self._check_probe(position_m)
        circuit, _ = self._circuit(frozenset(), powered=False, probe_m=position_m, without=frozenset(without))
        nodes = [(place, position_m) if place in ("H", "L") else (place, 0.0) for place in (one, other)]
        return circuit.resistance_ohm(circuit.at(nodes[0]), circuit.at(nodes[1]))

    def _check_probe(self, position_m: float) -> None:
        between("position_m", position_m, 0.0, self.end_m, f"the line is {self.end_m:g} m long")

    def _check_names(self, names: frozenset[str]) -> None:
        unknown = names - {tap.name for tap in self.taps}
        if unknown:
            known = ", ".join(tap.name for tap in self.taps)
            raise refuse("driving", sorted(unknown), f"names of taps of this line: {known}")

    def _solve_levels(self, driving: frozenset[str]) -> dict[str, tuple[float, float]]:
        circuit, drivers = self._circuit(driving, powered=True)
        volts = _settle(circuit, drivers)
        levels = {}
        for tap in self.taps:
            high = volts.get(circuit.at(("pin H " + tap.name, 0.0)), tap.ground_v)
            low = volts.get(circuit.at(("pin L " + tap.name, 0.0)), tap.ground_v)
            levels[tap.name] = (high - tap.ground_v, low - tap.ground_v)
        return levels

    def _circuit(
        self,
        driving: frozenset[str],
        *,
        powered: bool,
        probe_m: float | None = None,
        without: frozenset[str] = frozenset(),
    ) -> tuple[_Circuit, list[_Leg]]:
        self._check_names(driving | without)
        circuit = _Circuit()
        circuit.resistor(("SUPPLY", 0.0), ("GND", 0.0), self.supply_to_ground_ohm)
        self._lay_wire(circuit, probe_m)
        for terminator in self.terminators:
            circuit.resistor(("H", terminator.position_m), ("L", terminator.position_m), terminator.ohm)
        for leak in self.leaks:
            ends = [(p, leak.position_m) if p in ("H", "L") else (p, 0.0) for p in (leak.one, leak.other)]
            circuit.resistor(ends[0], ends[1], leak.ohm)
        legs: list[_Leg] = []
        for tap in self.taps:
            if tap.name not in without:
                legs += _hang(circuit, tap, powered=powered and tap.powered, drives=tap.name in driving)
        if powered:
            # In this order: a rail shorted dead to ground collapses onto it.
            circuit.hold(("SUPPLY", 0.0), self.supply_v)
            circuit.hold(("GND", 0.0), 0.0)
        return circuit, legs

    def _lay_wire(self, circuit: _Circuit, probe_m: float | None) -> None:
        places = {0.0, self.end_m, *(thing.position_m for thing in self._things())}
        if probe_m is not None:
            places.add(probe_m)
        for start, stop in pairwise(sorted(places)):
            cut = {c.conductor for c in self.cuts if start <= c.position_m < stop}
            for conductor in ("H", "L"):
                if conductor not in cut:
                    ohm = self.wire_ohm_per_m * (stop - start)
                    circuit.resistor((conductor, start), (conductor, stop), ohm)


_Node = tuple[str, float]


@dataclass(slots=True)
class _Leg:
    """One half of a driver: pushes current from `rail_v` into `pin` (sign 1) or pulls it (sign −1)."""

    pin: _Node
    rail_v: float
    ohm: float
    limit_a: float
    sign: float
    state: Literal["on", "off", "limiting"] = "on"

    def wanted(self, pin_v: float) -> Literal["on", "off", "limiting"]:
        current = self.sign * (self.rail_v - pin_v) / self.ohm
        if current <= 0.0:
            return "off"
        return "limiting" if current > self.limit_a else "on"


def _hang(circuit: _Circuit, tap: Tap, *, powered: bool, drives: bool) -> list[_Leg]:
    """Connect one tap; returns the legs of its driver if it sends a dominant bit."""
    pins = ("pin H " + tap.name, 0.0), ("pin L " + tap.name, 0.0)
    lines: tuple[Conductor, Conductor] = ("L", "H") if tap.swapped else ("H", "L")
    for pin, line, broken in zip(pins, lines, (tap.open_h, tap.open_l), strict=True):
        circuit.add(pin)
        if not broken:
            circuit.resistor(pin, (line, tap.position_m), tap.lead_ohm)
    if tap.terminator_ohm is not None:
        circuit.resistor(pins[0], pins[1], tap.terminator_ohm)
    bias = ("bias " + tap.name, 0.0)
    for pin in pins:
        circuit.resistor(pin, bias, tap.differential_ohm / 2.0)
        if not powered:
            circuit.resistor(pin, ("GND", 0.0), tap.leak_ohm)
    if not powered:
        return []
    circuit.hold(bias, tap.bias_v + tap.ground_v)
    if not drives:
        return []
    top, bottom = tap.ground_v + tap.supply_v - tap.drop_v, tap.ground_v + tap.drop_v
    return [
        _Leg(pins[0], top, tap.driver_ohm, tap.limit_a, 1.0),
        _Leg(pins[1], bottom, tap.driver_ohm, tap.limit_a, -1.0),
    ]


class _Circuit:
    """Resistors between named nodes, some nodes held at a voltage. Nodes joined by 0 ohm become one."""

    def __init__(self) -> None:
        self._parent: dict[_Node, _Node] = {}
        self._resistors: list[tuple[_Node, _Node, float]] = []
        self._held: dict[_Node, float] = {}

    def add(self, node: _Node) -> None:
        self._parent.setdefault(node, node)

    def at(self, node: _Node) -> _Node:
        """The representative of a node, following what 0 ohm has joined."""
        self.add(node)
        while self._parent[node] != node:
            node = self._parent[node]
        return node

    def resistor(self, one: _Node, other: _Node, ohm: float) -> None:
        if ohm == INF:
            self.add(one)
            self.add(other)
        elif ohm == 0.0:
            self._parent[self.at(one)] = self.at(other)
        else:
            self._resistors.append((one, other, ohm))

    def hold(self, node: _Node, volts: float) -> None:
        self._held[node] = volts

    def solve(self, legs: Iterable[_Leg] = ()) -> dict[_Node, float]:
        """Voltage of every node that has a path to a held one."""
        held = {self.at(node): volts for node, volts in self._held.items()}
        injected: dict[_Node, float] = {}
        resistors = self._joined()
        for number, leg in enumerate(legs):
            if leg.state == "on":
                rail = ("rail", float(number))
                held[rail] = leg.rail_v
                resistors.append((rail, self.at(leg.pin), leg.ohm))
            elif leg.state == "limiting":
                pin = self.at(leg.pin)
                injected[pin] = injected.get(pin, 0.0) + leg.sign * leg.limit_a
        return _potentials(resistors, held, injected)

    def resistance_ohm(self, one: _Node, other: _Node) -> float:
        if one == other:
            return 0.0
        return _potentials(self._joined(), {other: 0.0}, {one: 1.0}).get(one, INF)

    def _joined(self) -> list[tuple[_Node, _Node, float]]:
        joined = ((self.at(one), self.at(other), ohm) for one, other, ohm in self._resistors)
        return [(one, other, ohm) for one, other, ohm in joined if one != other]


def _potentials(
    resistors: list[tuple[_Node, _Node, float]], held: dict[_Node, float], injected: dict[_Node, float]
) -> dict[_Node, float]:
    """Nodal analysis of the part that has a path to a held node; the rest is left out, not guessed."""
    free = _reached(resistors, held)
    index = {node: row for row, node in enumerate(free)}
    matrix = np.zeros((len(free), len(free)))
    current = np.zeros(len(free))
    for one, other, ohm in resistors:
        conductance = 1.0 / ohm
        for here, there in ((one, other), (other, one)):
            row = index.get(here)
            if row is None:
                continue
            matrix[row, row] += conductance
            if there in index:
                matrix[row, index[there]] -= conductance
            else:
                current[row] += conductance * held[there]
    for node, amperes in injected.items():
        if node in index:
            current[index[node]] += amperes
    solved = np.linalg.solve(matrix, current).tolist() if free else []
    return {**held, **dict(zip(free, solved, strict=True))}


def _reached(resistors: list[tuple[_Node, _Node, float]], held: dict[_Node, float]) -> list[_Node]:
    """Free nodes connected to a held node, in a fixed order."""
    neighbours: dict[_Node, list[_Node]] = {}
    for one, other, _ in resistors:
        neighbours.setdefault(one, []).append(other)
        neighbours.setdefault(other, []).append(one)
    seen, waiting = dict.fromkeys(held), list(held)
    while waiting:
        for node in neighbours.get(waiting.pop(), ()):
            if node not in seen:
                seen[node] = None
                waiting.append(node)
    return [node for node in seen if node not in held]


def _settle(circuit: _Circuit, legs: list[_Leg]) -> dict[_Node, float]:
    """Solve with each driver leg on, off (its diode blocks) or limiting, until all legs agree.

    All wrong legs move at once at first; one at a time later, which can't chase its own tail.
    """
    for attempt in range(20 + 8 * len(legs)):
        volts = circuit.solve(legs)
        wrong = [leg for leg in legs if leg.wanted(volts.get(circuit.at(leg.pin), 0.0)) != leg.state]
        if not wrong:
            return volts
        for leg in wrong if attempt < 10 else wrong[:1]:
            leg.state = leg.wanted(volts.get(circuit.at(leg.pin), 0.0))
    raise ArithmeticError("the drivers of this line find no common state; please report the line's repr")


def misread_probability(
    level_v: float, noise_sigma_v: float, *, dominant: bool, threshold_v: float = 0.7
) -> float:
    """Probability that a receiver takes a bit for the other kind, for Gaussian noise on the level.

    `level_v` is the differential voltage without noise, `noise_sigma_v` its standard deviation,
    `dominant` what was sent, `threshold_v` where this receiver switches: the standard lets it lie
    anywhere from 0.5 to 0.9 V. Without noise the answer is 0 or 1, and 0.5 exactly on the threshold.
    Raises UsageError for a threshold outside 0.5 to 0.9, negative noise, NaN or infinity.
    Source: Gaussian tail; thresholds ISO 11898-2.
    """
    if not -INF < level_v < INF:
        raise refuse("level_v", level_v, "a finite number")
    if not 0.0 <= noise_sigma_v < INF:
        raise refuse("noise_sigma_v", noise_sigma_v, "a finite number, 0 or more")
    if not RECESSIVE_BELOW_V <= threshold_v <= DOMINANT_ABOVE_V:
        raise refuse("threshold_v", threshold_v, "0.5 to 0.9, where a receiver may switch")
    margin = level_v - threshold_v if dominant else threshold_v - level_v
    if noise_sigma_v == 0.0:
        return 0.5 if margin == 0.0 else float(margin < 0.0)
    return 0.5 * math.erfc(margin / (noise_sigma_v * math.sqrt(2.0)))


def common_mode_ok(high_v: float, low_v: float, ground_offset_v: float = 0.0) -> bool:
    """Do both line voltages stay within −2 to +7 V of the receiver's ground?

    `ground_offset_v` is the receiver's ground minus the ground the voltages were measured to.
    Raises UsageError for NaN or infinity. Source: ISO 11898-2.
    """
    finite("ground_offset_v", ground_offset_v)
    bottom, top = COMMON_MODE_V
    pins = (finite("high_v", high_v) - ground_offset_v, finite("low_v", low_v) - ground_offset_v)
    return all(bottom <= volts <= top for volts in pins)


def ground_offset_v(return_current_a: float, return_ohm: float) -> float:
    """Shift in volt of a node's ground by its own return current through its ground wire.

    Raises UsageError for a negative resistance, NaN or infinity. Source: Ohm's law.
    """
    return finite("return_current_a", return_current_a) * not_negative("return_ohm", return_ohm)
