"""Asking for resistances, and what they say. Private to the catalogue."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from itertools import combinations
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.catalogue import _causes
from hiltest.errors import BenchError
from hiltest.meters.operator import LEAST_OHM
from hiltest.physics.motion import coil_pairs
from hiltest.physics.thermistor import NtcBeta, Platinum, ResistiveSensor

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Heater, Limits, Sensor, Stepper
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiMeter

METER_SHARE, LEADS_OHM = 0.02, 0.3
"""What a hand-held ohmmeter and its leads may add (common practice, no source)."""

NOTHING_OHM, SHORT_OHM = 1000.0, 5.0
LOWEST_SHARE, HIGHEST_SHARE = 100.0 / 120.0, 130.0 / 120.0
"""A terminator may have 100 to 130 ohm, nominal 120 (ISO 11898-2, by way of makers' manuals)."""

BETWEEN_OHM = 20.0
"""Two lines that differ by less have not the terminators between them."""

WIRES = ("a1", "a2", "b1", "b2")


class Ohmmeter:
    """The bench's ohmmeter: read by SCPI where there is one, else asked of the operator. The power is off first."""

    def __init__(self, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure) -> None:
        self._operator = operator
        self._meter = meter
        self._measure = measure
        self._caution = f"CAUTION: {cautions.BY_GROUP['cold']}\n"
        power.off()
        if meter is not None:
            measure.note(f"read by {meter.identity}")

    def read(self, one: str, other: str, where: tuple[str, str], hint: str = "", show: str = "") -> float:
        """Resistance between two places in ohm, `math.inf` for open. `where` says in words where they are."""
        text = f"Power off. Probes on {where[0]} and {where[1]}{f' ({hint})' if hint else ''}."
        show, self._caution = self._caution + (show or picture(*where)), ""
        if self._meter is None:
            told = self._operator.ask(
                f"cold.ohm[{one}, {other}]", f"{text} Resistance?", "number", unit="ohm", show=show
            )
            return max(0.0, told)
        if not self._operator.ask(f"cold.probes[{one}, {other}]", f"{text} Are they there?", show=show):
            self._measure.not_observable(f"the probes were not put on {where[0]} and {where[1]}")
        ohm = self._meter.read_ohm()
        if ohm < LEAST_OHM:
            raise BenchError(
                f"the ohmmeter reads {ohm:g} ohm between {where[0]} and {where[1]}: there is voltage there, or its zero is off. "
                "Power off, capacitors empty, leads together: it must read 0 ohm"
            )
        return max(0.0, ohm)


def off_ohm(ohm: float) -> float | None:
    """How much a reading may be off by the meter and its leads, in ohm; None for an open reading."""
    return METER_SHARE * ohm + LEADS_OHM if math.isfinite(ohm) else None


def picture(one: str, other: str) -> str:
    """Where the two probes go, as a drawing in letters."""
    width = max(len(one), len(other))
    return (
        f"   {one:<{width}}  o-----+\n"
        f"   {'':<{width}}     .--+--.\n"
        f"   {'':<{width}}     | ohm |\n"
        f"   {'':<{width}}     '--+--'\n"
        f"   {other:<{width}}  o-----+"
    )


def motor_picture() -> str:
    """The four wires of a motor, as a drawing in letters."""
    return (
        "   motor plug, pulled out of the board\n"
        "      [a1]   [a2]   [b1]   [b2]\n"
        "        |      |      |      |\n"
        "        +-coil-+      +-coil-+\n"
        "   a1-a2 and b1-b2 read the winding, every other two wires read open"
    )


# --- the bus ------------------------------------------------------------------------------------------


def pair(meter: Ohmmeter, bus: Bus, measure: Measure) -> None:
    """CAN-H to CAN-L."""
    where = ("CAN-H", "CAN-L")
    measure.note(picture(*where))
    ohm = meter.read(
        f"bus.{bus.name}.h",
        f"bus.{bus.name}.l",
        where,
        "at the last plug of the line, everything plugged in",
    )
    if not bus.terminators_ohm:
        measure("across the pair", ohm, "ohm", low=SHORT_OHM, note="the description has no terminators")
        return
    nominal = 1.0 / sum(1.0 / each for each in bus.terminators_ohm)
    low, high = LOWEST_SHARE * nominal, HIGHEST_SHARE * nominal
    note = pair_hint(ohm, nominal, low, high)
    measure("across the pair", ohm, "ohm", low=low, high=high, note=note, uncertainty=off_ohm(ohm))
    measure.look_first(*_causes.pair(ohm))
    if low <= ohm <= high:
        measure.note(
            "This shows both terminators and the line between them. A node that only hangs on the line adds kiloohms: a "
            "wire that is open in its own plug is not seen here, but in bus.quiet and bus.enumerate"
        )


def pair_hint(ohm: float, nominal_ohm: float, low_ohm: float, high_ohm: float) -> str:
    """What a resistance across the pair says; empty when it is right."""
    if low_ohm <= ohm <= high_ohm:
        return ""
    if ohm < SHORT_OHM:
        return "CAN-H and CAN-L are shorted"
    if ohm >= NOTHING_OHM:
        return "no terminator is fitted, or both wires are open before them"
    # With n equal terminators of R0 the reading is R0/n.
    count = 120.0 / ohm
    if nominal_ohm < 100.0 and 100.0 <= ohm <= 130.0:
        return "one terminator is missing, or a wire is open before it"
    if round(count) in (3, 4, 5) and abs(count - round(count)) < 0.12:
        return f"{round(count)} terminators are fitted: look into adapter and nodes"
    return "a terminator of a wrong value, or a leak between the wires"


@contextlib.contextmanager
def kept_unplugged(power: Power, measure: Measure, part: str) -> Iterator[None]:
    """Around the measuring of a part: unless it was measured and is right, its plug stays out when the power comes."""
    is_right = False
    try:
        yield
        is_right = not measure.failed
    finally:
        if not is_right:
            power.leave_out.append(part)


def lines(meter: Ohmmeter, bus: Bus, measure: Measure) -> None:
    """Each line to ground and to the supply."""
    low = measure.limits.line_to_rail_min_ohm
    measure.note(picture("CAN-H, then CAN-L", "ground, then supply plus"))
    for rail, words in (("ground", "ground"), ("supply", "supply plus")):
        read = {
            line: meter.read(f"bus.{bus.name}.{contact}", rail, (line, words), "at the last plug of the line")
            for contact, line in (("h", "CAN-H"), ("l", "CAN-L"))
        }
        nearest = min(read, key=lambda line: read[line])
        for line, ohm in sorted(
            read.items(), key=lambda each: each[1]
        ):  # what touches before what only shows it
            further_ohm = ohm - read[nearest]  # 60 ohm across the pair lie between, 120 with one terminator
            note = f"by way of {nearest}" if further_ohm > BETWEEN_OHM else f"{line} touches {words}"
            measure(
                f"{line} to {words}",
                ohm,
                "ohm",
                low=low,
                limit="limits.line_to_rail_min_ohm",
                note=note if ohm < low else "",
            )


def supply(meter: Ohmmeter, measure: Measure) -> None:
    """Plus to minus of the power pair."""
    where = ("supply plus", "supply minus")
    measure.note(picture(*where))
    ohm = meter.read("supply", "ground", where, "power pair off the supply; wait until the reading stands")
    low = measure.limits.supply_to_ground_min_ohm
    note = ""
    if ohm < low:
        heaters = [h for h in measure.description.heater if _near(ohm, heater_ohm(measure, h))]
        note = (
            f"as much as heater {heaters[0].name!r}: its switch failed closed, do not power it"
            if heaters
            else "a short in the power pair or the board: do not power it"
        )
    measure.look_first(*_causes.supply(ohm, [heater_ohm(measure, h) for h in measure.description.heater]))
    measure(
        "supply plus to minus",
        ohm,
        "ohm",
        low=low,
        limit="limits.supply_to_ground_min_ohm",
        note=note,
    )


def _near(ohm: float, nominal_ohm: float) -> bool:
    return 0.8 * nominal_ohm < ohm < 1.25 * nominal_ohm


# --- loads --------------------------------------------------------------------------------------------


def heater_ohm(measure: Measure, heater: Heater) -> float:
    """Resistance of an element of the stated power at the nominal supply, V²/P."""
    return measure.description.supply.voltage_v**2 / heater.power_w


def heater(meter: Ohmmeter, target: Heater, measure: Measure) -> None:
    """The element against its power."""
    nominal, share = heater_ohm(measure, target), target.power_tolerance_percent / 100.0
    where = (f"heater {target.name} 1", f"heater {target.name} 2")
    measure.note(picture(*where))
    ohm = meter.read(
        f"heater.{target.name}.1", f"heater.{target.name}.2", where, "its plug pulled out of the board"
    )
    low = nominal / (1.0 + share) * (1.0 - METER_SHARE)
    high = nominal / (1.0 - share) * (1.0 + METER_SHARE) + LEADS_OHM
    note = "" if low <= ohm <= high else _heater_hint(ohm, nominal)
    others = [heater_ohm(measure, each) for each in measure.description.heater if each is not target]
    measure.look_first(*_causes.heater(ohm, nominal, others))
    measure(
        "element",
        ohm,
        "ohm",
        low=low,
        high=high,
        limit="power_tolerance_percent",
        note=note,
        uncertainty=off_ohm(ohm),
        is_in_limits=True,
    )
    if ohm > 0.0 and math.isfinite(ohm):
        watts = measure.description.supply.voltage_v**2 / ohm
        measure("power at the nominal supply", watts, "W", note=f"stated {target.power_w:g} W")
    _insulation(meter, target, measure)


def _insulation(meter: Ohmmeter, target: Heater, measure: Measure) -> None:
    """The element against the metal that it sits in."""
    where = (f"heater {target.name} 1", f"bare metal of the block of {target.name}")
    measure.note(picture(*where))
    ohm = meter.read(
        f"heater.{target.name}.1",
        f"heater.{target.name}.block",
        where,
        "its plug still out; hold no probe by its tip",
    )
    is_sound = ohm >= measure.limits.heater_insulation_min_ohm
    if not is_sound:
        measure.look_first(_causes.HEATER_LEAKS, *measure.causes)
    measure(
        "element to its block",
        ohm,
        "ohm",
        low=measure.limits.heater_insulation_min_ohm,
        limit="limits.heater_insulation_min_ohm",
        note="" if is_sound else "the element touches the metal, or is damp: do not power it",
    )


def _heater_hint(ohm: float, nominal: float) -> str:
    if math.isinf(ohm):
        return "open: element or its wire broken"
    if ohm < 1.0 and nominal > 3.0:
        return "shorted: do not power it"
    if _near(ohm, nominal / 4.0):
        return "a quarter: an element for half the voltage, four times the power; do not power it"
    if ohm < nominal:
        return "too low: an element of more power, or for a lower voltage"
    if _near(ohm, 4.0 * nominal):
        return "four times: an element for twice the voltage"
    return "too high: an element of less power, or a bad joint"


def curve_of(sensor: Sensor) -> ResistiveSensor | None:
    """The curve that the description gives a sensor, or None where it gives none."""
    if sensor.kind == "ntc" and sensor.r25_ohm and sensor.beta_k:
        return NtcBeta(sensor.r25_ohm, sensor.beta_k)
    if sensor.kind == "platinum" and sensor.r0_ohm:
        return Platinum(sensor.r0_ohm)
    return None


def sensor(meter: Ohmmeter, target: Sensor, measure: Measure) -> None:
    """The sensor's resistance as a temperature in the room."""
    curve, limits = curve_of(target), measure.limits
    assert curve is not None
    where = (f"sensor {target.name} 1", f"sensor {target.name} 2")
    measure.note(picture(*where))
    ohm = meter.read(
        f"sensor.{target.name}.1",
        f"sensor.{target.name}.2",
        where,
        "its plug pulled out of the board, the part at rest in the room",
    )
    ends = sorted(curve.resistance_of(t) for t in (limits.ambient_low_c, limits.ambient_high_c))
    low, high = ends[0] * (1.0 - METER_SHARE), ends[1] * (1.0 + METER_SHARE) + LEADS_OHM
    middle = math.sqrt(low * high)
    note = "" if low <= ohm <= high else _sensor_hint(ohm, middle)
    others = [curve_of(each) for each in measure.description.sensor if each is not target]
    fits_another = any(other is not None and _is_a_room(other, ohm, limits) for other in others)
    shown_c = curve.temperature_of(ohm) if 0.0 < ohm < math.inf else math.nan
    measure.memory[_causes.exchanged_key(target.name)] = bool(note) and fits_another
    measure.look_first(*_causes.sensor(ohm / middle, fits_another, shown_c))
    measure(
        "resistance",
        ohm,
        "ohm",
        low=low,
        high=high,
        limit="limits.ambient_low_c",
        note=note,
        uncertainty=off_ohm(ohm),
        is_in_limits=True,
    )
    if not note:
        measure("that is", curve.temperature_of(ohm), "degC")


def _is_a_room(curve: ResistiveSensor, ohm: float, limits: Limits) -> bool:
    """Is that what a sensor of this curve has in the room?"""
    ends = sorted(curve.resistance_of(t) for t in (limits.ambient_low_c, limits.ambient_high_c))
    return ends[0] <= ohm <= ends[1]


def _sensor_hint(ohm: float, middle_ohm: float) -> str:
    ratio = ohm / middle_ohm
    if math.isinf(ohm) or ratio > 1000.0:
        return "open: wire broken"
    if ratio < 0.005:
        return "shorted"
    return f"{ratio:.2g} times what this type has at room temperature: another type, or another sensor's plug"


def coils(meter: Ohmmeter, target: Stepper, measure: Measure) -> None:
    """Which wires of a motor are a pair, and each winding."""
    measure.note(motor_picture())
    read = {
        (one, other): meter.read(
            f"stepper.{target.name}.{one}",
            f"stepper.{target.name}.{other}",
            (f"{target.name} {one}", f"{target.name} {other}"),
            "its plug pulled out of the board",
            show=motor_picture(),
        )
        for one, other in combinations(WIRES, 2)
    }
    share = target.phase_tolerance_percent / 100.0 + METER_SHARE
    low, high = target.phase_ohm * (1.0 - share), target.phase_ohm * (1.0 + share) + LEADS_OHM
    for one, other in (("a1", "a2"), ("b1", "b2")):
        measure(
            f"coil {one}-{other}",
            read[one, other],
            "ohm",
            low=low,
            high=high,
            limit="phase_ohm",
            uncertainty=off_ohm(read[one, other]),
            is_in_limits=True,
        )
    open_ohm = max(1000.0, 20.0 * target.phase_ohm)
    measure.look_first(*_causes.coils(read, low, high, open_ohm))
    found = coil_pairs(read, open_above_ohm=open_ohm)
    pairs = " and ".join("-".join(each) for each in found.pairs) or "none"
    right = {frozenset(each) for each in found.pairs} == {frozenset(("a1", "a2")), frozenset(("b1", "b2"))}
    measure.require("the pairs are a1-a2 and b1-b2", right, f"found: {pairs}")
    measure("problems of the windings", len(found.problems), "", high=0, note="; ".join(found.problems))
