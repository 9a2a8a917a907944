"""The arithmetic of the desk checks. Private to the catalogue."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from hiltest.description.currents import currents_a
from hiltest.physics import copper, edges, switching

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Node
    from hiltest.measure import Measure

WARM_C = 60.0
HEATER_AWG, STRONG_HEATER_AWG, STRONG_HEATER_W = 20, 18, 60.0
"""Gauges of the trade for heads with a standard and a high-flow heater (common practice, no source)."""

LENGTH_TABLE_M = (
    (1_000_000, 25.0),
    (800_000, 50.0),
    (500_000, 100.0),
    (250_000, 250.0),
    (125_000, 500.0),
    (50_000, 1000.0),
    (20_000, 2500.0),
    (10_000, 5000.0),
)
"""Bit rate and longest bus, guideline of CiA 301 as makers' manuals print it."""
EDGE_S = 50e-9
SIGNAL_AWG = 24
TWISTS_PER_M = 40.0


RECESSIVE_SURELY_V = 0.5
"""A receiver surely reads recessive below this (ISO 11898-2)."""
ESTIMATE_FACTOR = 3.0
"""How far `edges.coupled_noise_v` may be off."""

OPENS_SURELY = 2.0
"""From this multiple of its rating on a fuse opens within minutes (UL 248-14); from 1.35 on only within an hour."""

SHOWN_LOADS = 12


def load_current_a(measure: Measure, node: Node) -> dict[str, float]:
    """Current of every load of `node` at the nominal supply, in A."""
    description = measure.description
    of_node = (load for load in description.loads if load.node == node.name)
    return currents_a(of_node, description.supply.voltage_v)


def _told(currents: Mapping[str, float]) -> str:
    """Every load with its current, the largest first; of many the small ones together."""
    by_size = sorted(currents.items(), key=lambda each: -each[1])
    shown = by_size if len(by_size) <= SHOWN_LOADS else by_size[: SHOWN_LOADS - 1]
    told = [f"{name} {amps:.2f} A" for name, amps in shown]
    if left := by_size[len(shown) :]:
        told.append(f"{len(left)} more together {sum(amps for _, amps in left):.2f} A")
    return ", ".join(told)


def power_pair(measure: Measure, node: Node) -> None:
    """Current, drop and fuse of the power pair."""
    harness, supply = measure.description.harness, measure.description.supply
    currents = load_current_a(measure, node)
    total_a = sum(currents.values())
    measure(
        "current with every load on",
        total_a,
        "A",
        high=supply.current_limit_a,
        limit="supply.current_limit_a",
        note=_told(currents),
    )
    for at_c in (20.0, WARM_C):
        loop_ohm = copper.loop_resistance_ohm(harness.power_awg, harness.length_m, at_c, harness.contact_ohm)
        drop_percent = 100 * loop_ohm * total_a / supply.voltage_v
        measure(
            f"drop of the power pair at {at_c:g} degC",
            drop_percent,
            "%",
            high=harness.drop_max_percent,
            limit="harness.drop_max_percent",
            note=f"loop {1000 * loop_ohm:.0f} mohm, {loop_ohm * total_a:.2f} V",
        )
    measure(
        "current against the wire's chassis rating",
        total_a,
        "A",
        high=copper.borne_a(harness.power_awg),
        note=f"{harness.power_awg} AWG",
    )
    _rule_of_the_trade(measure, node, total_a)
    _protection(measure, total_a)


def _protection(measure: Measure, total_a: float) -> None:
    """What ends a short in the power pair, and that it ends before the wire gets hot."""
    harness, supply = measure.description.harness, measure.description.supply
    wire_a = copper.borne_a(harness.power_awg)
    if supply.fuse_a is None:
        measure.note(
            "no fuse is declared in the power pair: a short has only the supply's current limit to stop it"
        )
        held_a = copper.short_circuit_a(
            harness.power_awg, harness.length_m, supply.voltage_v, supply.current_limit_a
        )
        _lasting(measure, supply.current_limit_a, held_a, total_a, "no fuse ends it")
        return
    fuse = copper.fuse_check(
        supply.fuse_a,
        load_a=total_a,
        awg=harness.power_awg,
        length_m=harness.length_m,
        supply_v=supply.voltage_v,
        supply_limit_a=supply.current_limit_a,
    )
    carries, protects = (
        "; ".join(each for each in fuse.problems if words in each)
        for words in ("too small", "does not protect")
    )
    measure.require(
        "fuse carries the load", fuse.carries_load, carries or f"{supply.fuse_a:g} A against {total_a:.2f} A"
    )
    measure.require(
        "fuse protects the wire",
        fuse.protects_wire,
        protects or f"{supply.fuse_a:g} A against the {wire_a:g} A that the wire bears",
    )
    surely_a = OPENS_SURELY * supply.fuse_a
    opens = fuse.short_circuit_a >= surely_a
    ended = "the fuse opens" if opens else "the fuse may stay whole"
    measure("current of a short at the far end", fuse.short_circuit_a, "A", note=ended)
    if not opens:
        # A short nearer to the supply draws more, up to where the fuse surely opens.
        most_a = min(supply.current_limit_a, surely_a)
        why = f"below {OPENS_SURELY:g} times its rating the fuse of {supply.fuse_a:g} A may stay whole for an hour or for ever"
        _lasting(measure, most_a, fuse.short_circuit_a, total_a, why)


def _lasting(measure: Measure, most_a: float, far_end_a: float, total_a: float, why: str) -> None:
    """Judge the highest current that a short somewhere along the pair can draw without an end, and say what to change."""
    harness = measure.description.harness
    wire_a = copper.borne_a(harness.power_awg)
    note = f"{why}; {harness.power_awg} AWG bears {wire_a:g} A"
    if most_a > wire_a:
        least_a = copper.smallest_fuse_a(total_a)
        fitting_a = max(min(wire_a, far_end_a / OPENS_SURELY), wire_a / OPENS_SURELY)
        fuse = f"a fuse of {least_a:.3g} A to {fitting_a:.3g} A, or " if least_a <= fitting_a else ""
        limit = f"the supply's limit set to {wire_a:g} A or less, or " if total_a < wire_a else ""
        note += f". A short would overheat the wire. Change: {fuse}{limit}thicker wire"
    measure("current of a short that may last", most_a, "A", high=wire_a, note=note)


def _rule_of_the_trade(measure: Measure, node: Node, total_a: float) -> None:
    """Compare the gauge with what the trade takes for such heads, and say which of the two binds."""
    harness, supply = measure.description.harness, measure.description.supply
    strongest_w = max((h.power_w for h in measure.description.heater if h.node == node.name), default=0.0)
    if strongest_w == 0.0:
        return
    rule_awg = STRONG_HEATER_AWG if strongest_w >= STRONG_HEATER_W else HEATER_AWG
    allowed_ohm = harness.drop_max_percent / 100 * supply.voltage_v / total_a - harness.contact_ohm
    computed = next(
        (
            awg
            for awg in range(30, -1, -1)
            if copper.loop_resistance_ohm(awg, harness.length_m, WARM_C) <= allowed_ohm
        ),
        None,
    )
    shown = "no gauge in the table" if computed is None else f"{computed} AWG"
    binding = "the computed drop" if computed is None or rule_awg > computed else "the rule of the trade"
    measure(
        "gauge of the power pair",
        harness.power_awg,
        "AWG",
        note=f"trade: {rule_awg} AWG for {strongest_w:g} W; drop alone: {shown}; {binding} binds",
    )


def line(measure: Measure, bus: Bus) -> None:
    """Terminators, length, stub and twist."""
    conductance = sum(1 / ohm for ohm in bus.terminators_ohm if ohm > 0)
    measure(
        "terminators in parallel",
        1 / conductance if conductance else float("inf"),
        "ohm",
        low=50.0,
        high=65.0,
        note=" ‖ ".join(f"{ohm:g}" for ohm in bus.terminators_ohm) or "none",
    )
    longest_m = max(length for rate, length in LENGTH_TABLE_M if rate >= bus.bit_rate_bps)
    measure(
        "bus length",
        bus.length_m,
        "m",
        high=longest_m,
        note="guideline of CiA 301; desk.timing says what this bus's transceivers and sample point allow",
    )
    measure(
        "longest stub", bus.stub_m, "m", high=edges.longest_stub_m(EDGE_S) * _slower_edge(bus.bit_rate_bps)
    )
    measure(
        "longest tail behind a terminator",
        bus.tail_m,
        "m",
        high=edges.longest_stub_m(EDGE_S) * _slower_edge(bus.bit_rate_bps),
        note="an open end reflects as a stub of its length does; a resistor belongs at the end of the line",
    )
    loop_ohm = 2 * bus.length_m * copper.resistance_per_m_ohm(bus.signal_awg)
    measure(
        "resistance of the pair, there and back",
        loop_ohm,
        "ohm",
        note=f"{bus.signal_awg} AWG; trade: {SIGNAL_AWG} AWG (common practice, no source)",
    )
    if bus.twists_per_m is not None:
        measure(
            "twist of the pair", bus.twists_per_m, "1/m", note=f"about {TWISTS_PER_M:g} is common practice"
        )
    _coupled_noise(measure, bus)


def _switching_loads(measure: Measure, bus: Bus) -> dict[str, switching.Switching]:
    """What switches on the nodes of `bus`, by name."""
    description = measure.description
    volts = description.supply.voltage_v
    nodes = {node.name for node in description.node if node.bus == bus.name}
    heaters = (each for each in description.heater if each.node in nodes)
    found = {
        f"heater {each.name}": switching.heater_switching(volts, each.power_w / volts) for each in heaters
    }
    for fan in (each for each in description.fan if each.node in nodes):
        step_v, step_a = (
            (switching.FAN_CONTROL_V, switching.FAN_CONTROL_A) if fan.wires >= 4 else (volts, fan.current_a)
        )
        found[f"fan {fan.name}"] = switching.fan_switching(step_v, step_a)
    steppers = (each for each in description.stepper if each.node in nodes)
    found |= {f"stepper {each.name}": switching.stepper_switching(volts) for each in steppers}
    return found


def _coupled_noise(measure: Measure, bus: Bus) -> None:
    """The highest pulse that the edge of one load makes in the pair. Judged where the description says how the wires lie,
    and failed only where it is too high even if the estimate is as far too high as it may be.
    """
    loads = _switching_loads(measure, bus)
    if not loads:
        return
    stated = bus.twists_per_m is not None and "load_wires_distance_m" in bus.model_fields_set
    beside_m, twists = bus.load_wires_beside_m, bus.twists_per_m
    if beside_m is None:
        beside_m = min(bus.length_m, measure.description.harness.length_m)
    if twists is None:
        twists = TWISTS_PER_M
    peaks_v = {
        name: switching.pulses_in_pair(
            load, beside_m=beside_m, distance_m=bus.load_wires_distance_m, twists_per_m=twists
        ).peak_v
        for name, load in loads.items()
    }
    worst = max(peaks_v, key=peaks_v.__getitem__)
    lie = f"{beside_m:g} m beside, {1000 * bus.load_wires_distance_m:g} mm apart, {twists:g} twists per metre"
    note = f"by {worst}; {lie}; an estimate right to a factor of {ESTIMATE_FACTOR:g}"
    if not stated:
        note += ", not judged: state load_wires_distance_m and twists_per_m as they are"
    elif RECESSIVE_SURELY_V / ESTIMATE_FACTOR < peaks_v[worst] <= RECESSIVE_SURELY_V * ESTIMATE_FACTOR:
        note += (
            f", so it may disturb (a receiver may read it from {RECESSIVE_SURELY_V:g} V on): bus.with_loads shows it. "
            "Keep the wires apart"
        )
    measure(
        "pulse that a load's edge makes in the pair",
        peaks_v[worst],
        "V",
        high=RECESSIVE_SURELY_V * ESTIMATE_FACTOR if stated else None,
        note=note,
    )


def _slower_edge(bit_rate_bps: int) -> float:
    """How much longer a stub may be at lower bit rates: the guideline's single-stub column is proportional."""
    return max(1.0, 1_000_000 / bit_rate_bps)
