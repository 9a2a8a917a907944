"""The two probes of a meter: where they may be put, and what is between them.

Places: `bus.NAME.h` and `bus.NAME.l` at the last plug of the line, `supply` and `ground` of the power pair,
`heater.NAME.1`, `.2` and `.block` (the metal it sits in), `sensor.NAME.1` and `.2`, `stepper.NAME.a1` to `.b2`. The parts of a board are measured at
their plugs, pulled out of the board; a plug is named after the socket that it was found in.

An ohmmeter sends a small current and divides the voltage by it, so a voltage that is there already spoils its
reading. Source: Ohm's law.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from hiltest.errors import UsageError
from hiltest.physics.line import Conductor
from hiltest.physics.line import Place as LinePlace
from hiltest.simbench.fault_places import chip, heater_switch, sensor_input
from hiltest.simbench.tolerance import Draws

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.wire import Wire

TEST_CURRENT_A = 1e-3
OVERLOAD_OHM = 40e6
SHORTED_COIL_OHM = 0.1
RAILS = ("supply", "ground")
TWO_ENDS = ("1", "2")
BLOCK = "block"
WINDING = ("a1", "a2", "b1", "b2")


class Place(NamedTuple):
    """A place for a probe: what kind of part, its name, which contact of it."""

    kind: str
    name: str
    contact: str

    def __str__(self) -> str:
        return ".".join(part for part in self if part)


class Probes:
    """The probes of one meter, with its errors: 0.2 % of the reading (one sigma) and the leads."""

    def __init__(self, bench: Bench, stream: str = "meter") -> None:
        self._bench = bench
        draws = Draws(bench.rng(f"draws/{stream}"), bench.tolerances)
        self._gain = draws.factor(0.002)
        self._leads_ohm = draws.uniform(0.02, 0.15)
        self.places: tuple[Place, Place] | None = None

    def put(self, one: str, other: str) -> None:
        """Put the probes on two places.

        Raises:
            UsageError: there is no such place on this bench.
        """
        self.places = self._place(one), self._place(other)

    def lift(self) -> None:
        """Take them off."""
        self.places = None

    def known(self) -> list[str]:
        """Every place of this bench."""
        described = self._bench.description
        found = [Place("bus", bus.name, contact) for bus in described.bus for contact in ("h", "l")]
        found += [Place(rail, "", "") for rail in RAILS]
        found += [
            Place("heater", heater.name, end) for heater in described.heater for end in (*TWO_ENDS, BLOCK)
        ]
        found += [Place("sensor", sensor.name, end) for sensor in described.sensor for end in TWO_ENDS]
        found += [Place("stepper", each.name, end) for each in described.stepper for end in WINDING]
        return [str(place) for place in found]

    def _place(self, text: str) -> Place:
        if text not in self.known():
            raise UsageError(f"probe on {text!r}: no such place; this bench has {', '.join(self.known())}")
        kind, _, rest = text.partition(".")
        name, _, contact = rest.rpartition(".")
        return Place(kind, name, contact)

    def read_ohm(self) -> float:
        """What the meter shows for a resistance; `math.inf` when nothing is between the probes."""
        if self.places is None:
            return math.inf
        true_ohm = self._resistance_ohm(*self.places) + abs(self._volts(*self.places)) / TEST_CURRENT_A
        shown_ohm = true_ohm * self._gain + self._leads_ohm
        return shown_ohm if shown_ohm <= OVERLOAD_OHM else math.inf

    def read_v(self) -> float:
        """What the meter shows for a direct voltage, first probe against second."""
        return self._volts(*self.places) * self._gain if self.places is not None else 0.0

    # --- what is between the probes -----------------------------------------------------------------

    def _resistance_ohm(self, one: Place, other: Place) -> float:
        if one == other:
            return 0.0
        if _is_wired(one) and _is_wired(other):
            return self._wired_ohm(one, other)
        if (one.kind, one.name) != (other.kind, other.name):
            return math.inf  # plugs that are pulled out touch nothing else
        if one.kind == "heater":
            element = heater_switch(self._bench, one.name).element
            if element is None:
                return math.inf
            return element.to_block_ohm if BLOCK in (one.contact, other.contact) else element.ohm
        if one.kind == "sensor":
            part = sensor_input(self._bench, one.name).element
            return math.inf if part is None else part.ohm()
        return self._winding_ohm(one.name, {one.contact, other.contact})

    def _winding_ohm(self, stepper: str, contacts: set[str]) -> float:
        motor = chip(self._bench, stepper).motor
        if motor is None:
            return math.inf
        a, b = {"a1", "a2"}, {"b1", "b2"}
        if motor.pairs_crossed:
            a, b = {"a1", "b2"}, {"b1", "a2"}
        if contacts == a:
            if motor.coil_a_open:
                return math.inf
            return SHORTED_COIL_OHM if motor.shorted else motor.ohm_a
        if contacts == b:
            return math.inf if motor.coil_b_open else motor.ohm_b
        return math.inf

    def _wired_ohm(self, one: Place, other: Place) -> float:
        rail_ohm = self._rail_ohm()
        if one.kind in RAILS and other.kind in RAILS:
            return rail_ohm
        wire = self._wire(one, other)
        if wire is None or wire.line is None:
            return math.inf
        line = replace(wire.line, supply_to_ground_ohm=rail_ohm)
        return line.resistance_ohm(_on_line(one), _on_line(other), line.end_m)

    def _wire(self, one: Place, other: Place) -> Wire | None:
        """The wire that both places belong to; two lines have nothing in common but the ground."""
        names = {place.name for place in (one, other) if place.kind == "bus"}
        return self._bench.wires[names.pop()] if len(names) == 1 else None

    def _rail_ohm(self) -> float:
        """Plus to minus of the power pair, with every board plugged in and nothing powered."""
        siemens = sum(board.rail_siemens() for board in self._bench.boards.values())
        return 1.0 / siemens if siemens > 0.0 else math.inf

    def _volts(self, one: Place, other: Place) -> float:
        if not (_is_wired(one) and _is_wired(other)):
            return 0.0
        return self._potential_v(one) - self._potential_v(other)

    def _potential_v(self, place: Place) -> float:
        supply = self._bench.supply
        if not supply.is_on or place.kind == "ground":
            return 0.0
        if place.kind == "supply":
            return supply.terminal_v
        line = self._bench.wires[place.name].line
        if line is None:
            return 0.0
        high, low = line.probe_v(line.end_m)
        return high if place.contact == "h" else low


def _is_wired(place: Place) -> bool:
    return place.kind == "bus" or place.kind in RAILS


def _on_line(place: Place) -> LinePlace:
    if place.kind == "bus":
        conductor: Conductor = "H" if place.contact == "h" else "L"
        return conductor
    return "SUPPLY" if place.kind == "supply" else "GND"
