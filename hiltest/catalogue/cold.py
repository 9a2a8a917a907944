"""Power off: resistances, read from a meter, before anything is powered for the first time."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Description, Heater, Node, Sensor, Stepper
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiMeter

QUESTION_S = 600.0
_METHOD = (
    "The power is switched off first: by the bench supply, or the operator confirms it. The operator puts the "
    "probes of an ohmmeter where the picture shows and types the reading with its unit; with a [meter] it is read."
)
_METER = "the meter and its leads may add 2 % and 0.3 ohm; common practice, no source"


WITH_OPERATOR = "somebody takes part who can measure, press and look: fixture.operator = true"


def with_operator(description: Description, _part: Any) -> bool:
    """Does somebody take part who can measure, press and look?"""
    return description.fixture.operator


def _with_curve(description: Description, sensor: Sensor) -> bool:
    from hiltest.catalogue import _cold

    return description.fixture.operator and _cold.curve_of(sensor) is not None


@check(
    "cold.pair",
    per="bus",
    order=41,
    window_s=2 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="The pair is terminated at both ends and not shorted, before it is powered.",
        hazard="None: the power is off.",
        method=f"{_METHOD} CAN-H to CAN-L, with everything plugged in: the terminators in parallel.",
        limits=(
            (
                "from 100/120 to 130/120 of bus.terminators_ohm in parallel: 50 ohm to 65 ohm for two of 120 ohm",
                "ISO 11898-2 by way of makers' manuals: a terminator has 100 ohm to 130 ohm",
            ),
        ),
        causes=_causes.PAIR,
    ),
)
def test_pair(
    target: Bus, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """Sixty ohm across the pair."""
    from hiltest.catalogue import _cold

    _cold.pair(_cold.Ohmmeter(operator, power, meter, measure), target, measure)


@check(
    "cold.lines",
    per="bus",
    order=42,
    window_s=4 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="Neither line touches ground or the supply.",
        hazard="A line that touches the supply burns terminators and transceivers when it is powered. CAN-L on ground "
        "still works on a quiet desk, and fails in the machine.",
        method=f"{_METHOD} CAN-H and CAN-L, each to ground and to the plus of the supply.",
        limits=(
            (
                "at least limits.line_to_rail_min_ohm",
                "unpowered transceivers leave tens of kiloohms; common practice, no source",
            ),
        ),
        causes=(
            "chafed or pinched wire, or a wire in the wrong hole of a plug",
            "about 60 ohm more than the other line: it is the other line that touches",
            "a transceiver that was destroyed by an earlier short: unplug nodes one at a time",
        ),
    ),
)
def test_lines(
    target: Bus, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """Each line to ground and to the supply."""
    from hiltest.catalogue import _cold

    _cold.lines(_cold.Ohmmeter(operator, power, meter, measure), target, measure)


@check(
    "cold.supply",
    per="node",
    order=44,
    window_s=2 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="The power pair is not shorted, and no heater hangs on it past its switch.",
        hazard="A short takes all that the supply can give. A heater whose switch failed closed heats as soon as there is "
        "power, and no software can stop it.",
        method=f"{_METHOD} Plus to minus of the power pair, taken off the supply. Capacitors let the reading rise: wait.",
        limits=(
            (
                "at least limits.supply_to_ground_min_ohm",
                "a board's inputs leave kiloohms; common practice, no source",
            ),
        ),
        causes=_causes.SUPPLY,
    ),
)
def test_supply(
    target: Node, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """Plus to minus."""
    from hiltest.catalogue import _cold

    del target  # one power pair feeds them all; the check stands once for each node that hangs on it
    _cold.supply(_cold.Ohmmeter(operator, power, meter, measure), measure)


@check(
    "cold.heater",
    per="heater",
    order=50,
    window_s=2 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="The element is the one that the description states, and touches no metal, before it gets its first watt.",
        hazard="An element for half the voltage takes four times the power, and seems to heat nicely fast. One that leaks to "
        "its block shorts a switch, disturbs the sensor, and on mains it is a shock: this test at a meter's few volts does "
        "not stand for the insulation test that local codes ask for there.",
        method=f"{_METHOD} Across the element, plug pulled; then from the element to the bare metal of its block.",
        limits=(
            (
                "V²/P within heater.power_tolerance_percent of the power",
                "Ohm's law; tolerance of cartridge heaters: trade value, common practice",
            ),
            ("to the block at least limits.heater_insulation_min_ohm, 1 Mohm", "common practice, no source"),
            ("widened by the meter", _METER),
        ),
        causes=_causes.HEATER,
    ),
)
def test_heater(
    target: Heater, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """V squared over P."""
    from hiltest.catalogue import _cold

    with _cold.kept_unplugged(power, measure, f"heater '{target.name}'"):
        _cold.heater(_cold.Ohmmeter(operator, power, meter, measure), target, measure)


@check(
    "cold.sensor",
    per="sensor",
    order=60,
    window_s=2 * QUESTION_S,
    when=_with_curve,
    only_where=f"{WITH_OPERATOR}; and the sensor has a curve of resistance",
    page=Page(
        purpose="The sensor is of the type that the firmware takes it for: at rest it has the resistance of the room.",
        hazard="A sensor of another type can read 100 K low when it is hot. This check does not see a wrong B value, which "
        "is right at room temperature: only a second, hot point against an independent thermometer does.",
        method=f"{_METHOD} Across the sensor, plug pulled, part at rest in the room.",
        limits=(
            (
                "resistance of a room between limits.ambient_low_c and limits.ambient_high_c",
                "the sensor's curve: B formula, or IEC 60751",
            ),
            ("widened by the meter", _METER),
        ),
        causes=_causes.SENSOR,
    ),
)
def test_sensor(
    target: Sensor, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """The room's temperature, in ohm."""
    from hiltest.catalogue import _cold

    _cold.sensor(_cold.Ohmmeter(operator, power, meter, measure), target, measure)


@check(
    "cold.coils",
    per="stepper",
    order=70,
    window_s=8 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="The motor's two coils are whole, alike, and on the right pins.",
        hazard="A shorted coil can destroy the driver. Never plug or unplug a motor under power.",
        method=f"{_METHOD} All six pairs of the four wires, plug pulled: two read the winding, four read open.",
        limits=(
            (
                "each coil within stepper.phase_tolerance_percent of stepper.phase_ohm",
                "makers state 10 %; common practice, no source",
            ),
            ("a1-a2 and b1-b2 are the pairs, the other four read open", "common practice, no source"),
            ("widened by the meter", _METER),
        ),
        causes=_causes.COILS,
    ),
)
def test_coils(
    target: Stepper, operator: Operator, power: Power, meter: ScpiMeter | None, measure: Measure
) -> None:
    """Six readings of four wires."""
    from hiltest.catalogue import _cold

    with _cold.kept_unplugged(power, measure, f"motor '{target.name}'"):
        _cold.coils(_cold.Ohmmeter(operator, power, meter, measure), target, measure)


@check(
    "cold.power_on",
    per="bus",
    order=95,
    gates=("cold.pair[{bus}]", "cold.lines[{bus}]", "cold.supply[{node}]"),
    window_s=lambda bus: 2 * QUESTION_S + 30.0,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="With wiring that measured right, the power comes on and stays calm.",
        hazard="First power: keep hands off, have the supply's switch in reach, set its current limit.",
        method="The bench supply is switched on and read, or the operator switches it on and looks at its current limit. "
        "At the limit it is switched off again at once. Nothing is commanded; the nodes get time to boot. With a [bench_supply] "
        "voltage and current are read then; above the limit the supply is switched off and the run ends.",
        limits=(
            ("the supply stays out of its current limit", "Ohm's law; common practice"),
            ("voltage within supply.tolerance_percent, where it can be read", "common practice, no source"),
            (
                "current with nothing commanded, where it can be read, up to supply.rest_current_max_a; where that is not stated, up "
                "to all boards (0.1 A each), fans, lamps and standing motors, and half of the smallest heater",
                "Ohm's law and the description; 0.1 A and the half: common practice, no source. Without a heater: "
                "supply.current_limit_a",
            ),
        ),
        causes=(
            "in its limit: a short that only shows under voltage, a reversed or damaged board",
            "no voltage: fuse, output of the supply not switched on",
            "more current than may be with nothing commanded: a heater's switch failed closed or its gate is inverted, or its wire "
            "touches ground; or the boards take more than 0.1 A each: measure with the heaters' plugs out",
        ),
    ),
)
def test_power_on(target: Bus, link: Link, power: Power, measure: Measure) -> None:
    """Power on, nothing commanded."""
    from hiltest.catalogue import _first_power

    boots_s = [node.boot_max_s for node in measure.description.node if node.bus == target.name]
    if power.leave_out:
        wrong = ", ".join(power.leave_out)
        if power.is_on:
            measure.note(f"not measured right with the power off, so the plug stays out: {wrong}")
        elif power.supply is None:
            measure.caution(
                f"leave the plug of {wrong} out when the power comes: not measured right with the power off"
            )
        else:
            measure.not_observable(
                f"a supply that is switched by itself waits for nobody who leaves out the plug of {wrong}",
                "these parts measured right with the power off",
            )
    stays = power.on()
    if power.supply is not None and not stays:
        measure("current when it came on", power.came_on_a, "A", note="in the supply's limit")
    measure.require("stays out of the current limit", stays, "" if stays else "switched off again")
    if not stays:
        measure.fail("the power did not stay on: look for what takes the current before the next try")
    link.run_for(max(boots_s, default=0.0) + 0.5)
    if power.supply is None:
        measure.note("voltage and current were not read: the description has no [bench_supply]")
        return
    supply = measure.description.supply
    window_v = supply.voltage_v * supply.tolerance_percent / 100
    measure(
        "voltage at the supply",
        power.supply.read_v(),
        "V",
        low=supply.voltage_v - window_v,
        high=supply.voltage_v + window_v,
        limit="supply.tolerance_percent",
    )
    _first_power.judge_rest(power, link, measure)
