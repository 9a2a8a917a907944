"""How the heat checks heat. Private to the catalogue."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.catalogue import _sense
from hiltest.errors import NotOffered

if TYPE_CHECKING:
    from hiltest.description.models import Heater
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

EVERY_S = 0.2
SENSOR_LAG_S = 3.0
PULSE_LOW, PULSE_HIGH = 0.72, 1.35
FLAT_SHARE = 0.25


def watch_idle(link: Link, node: GuardedNode, heater: Heater, measure: Measure, for_s: float) -> None:
    """Watch a heater that is commanded off."""
    curve = measure.curve(f"{heater.name} temperature", "degC", ceiling=heater.ceiling_c)
    start_c = _mean(lambda: node.read_temperature_c(heater.sensor), link)
    end_s = link.now_s + for_s
    while link.now_s < end_s:
        curve.add(node.read_temperature_c(heater.sensor))
        link.run_for(EVERY_S * 2)
    end_c = _mean(lambda: node.read_temperature_c(heater.sensor), link)
    measure("rise with the heater off", end_c - start_c, "K", high=1.0)
    measure("output applied", 100 * node.read_heater_output(heater.name), "%", high=0.0)


def pulse(link: Link, node: GuardedNode, heater: Heater, measure: Measure) -> None:
    """Give one bounded pulse and judge the peaks of all sensors."""
    names = [part.name for part in measure.description.sensor if part.node == heater.node]
    before = {name: value for name, value in _averages(link, node, names).items() if not math.isnan(value)}
    rest_v = _supply(node)
    rated_v = measure.description.supply.voltage_v
    curve = measure.curve(f"{heater.name} temperature", "degC", start=before[heater.sensor])
    supply = measure.curve("supply", "V", nominal=rated_v)
    node.pulse_heater(heater.name, 1.0, heater.pulse_s)
    peaks = dict.fromkeys(before, 0.0)
    loaded_v: list[float] = []
    recent: list[float] = []
    start_s = link.now_s
    end_s = start_s + heater.pulse_s + heater.pulse_watch_s
    while link.now_s < end_s:
        link.run_for(EVERY_S)
        volts = _supply(node)
        supply.add(volts)
        if EVERY_S < link.now_s - start_s < heater.pulse_s:
            loaded_v.append(volts)
        for name in before:
            reading = node.read_temperature_c(name)
            if name == heater.sensor:
                curve.add(reading)
                recent = [*recent[-4:], reading]
                reading = sum(recent) / len(recent)
            peaks[name] = max(peaks[name], reading - before[name])
        if recent and _has_turned(
            recent, before[heater.sensor] + peaks[heater.sensor], link.now_s - start_s, heater
        ):
            break
    _judge_pulse(heater, measure, peaks, rest_v, loaded_v, rated_v)


def _has_turned(recent: list[float], peak_c: float, after_s: float, heater: Heater) -> bool:
    """True when the peak is clearly past: nothing is learnt by waiting on."""
    past = after_s > heater.pulse_s + 4 * SENSOR_LAG_S
    return past and len(recent) == 5 and sum(recent) / 5 < peak_c - 0.5


def _judge_pulse(
    heater: Heater,
    measure: Measure,
    peaks: dict[str, float],
    rest_v: float,
    loaded_v: list[float],
    rated_v: float,
) -> None:
    under_load_v = sum(loaded_v) / len(loaded_v) if loaded_v else math.nan
    measured = under_load_v if not math.isnan(under_load_v) else rated_v
    expected = expected_rise_k(heater) * (measured / rated_v) ** 2
    rise = peaks[heater.sensor]
    dip = rest_v - under_load_v
    if not math.isnan(dip):
        measure("supply dip during the pulse", dip, "V")
    other = max((name for name in peaks if name != heater.sensor), key=lambda name: peaks[name], default=None)
    if other is not None:
        measure(f"rise of {other} meanwhile", peaks[other], "K", high=max(1.0, 0.4 * expected))
    share = rise / expected
    measure("expected rise", expected, "K", note="from power, heat capacity and loss, at the measured supply")
    measure(
        "peak rise", rise, "K", low=PULSE_LOW * expected, high=PULSE_HIGH * expected, note=_hint(share, dip)
    )
    measure("rise over expected", share, "", low=PULSE_LOW, high=PULSE_HIGH)
    if share < FLAT_SHARE:
        moved = other is not None and peaks[other] > 0.3 * expected
        measure.fail(
            f"the heater was on for {heater.pulse_s:g} s and its own sensor rose by {rise:.2f} K where "
            f"{expected:.1f} K were expected; "
            + (f"sensor {other!r} rose instead: plugs exchanged" if moved else _hint(share, dip))
        )


def _hint(share: float, dip_v: float) -> str:
    if share < FLAT_SHARE:
        if math.isnan(dip_v):
            return "no supply reading: measure the heater and look at its sensor"
        return (
            "the supply dips, so the heater draws current: sensor or heater out of the block"
            if dip_v > 0.05
            else "the supply does not dip: heater open or its plug out"
        )
    if share < PULSE_LOW:
        return "weak: measure the element, then look at the seat of the sensor"
    if share > PULSE_HIGH:
        return (
            "too much heat: element for another voltage or power; do not power it again before it is measured"
        )
    return ""


def expected_rise_k(heater: Heater) -> float:
    """Peak rise of the sensor after the pulse, in K.

    The sensor's lag in the block is SENSOR_LAG_S, a trade value for a well-seated bead (common practice, no
    source); the band around the expected rise allows for others.
    """
    from hiltest.physics.thermal import peak_rise_k

    return peak_rise_k(
        heater.power_w, heater.pulse_s, heater.heat_capacity_j_k, heater.loss_w_k, SENSOR_LAG_S
    )


def low_setpoint(link: Link, node: GuardedNode, heater: Heater, measure: Measure) -> None:
    """Close the loop, judge the way up, the hold and the way down."""
    goal = heater.low_setpoint_c
    band = heater.steady_band_k
    curve = measure.curve(
        f"{heater.name} temperature",
        "degC",
        setpoint=goal,
        upper=goal + heater.overshoot_max_k,
        lower_band=goal - band,
    )
    rest_v = _supply(node)
    node.set_heater_c(heater.name, goal)
    start_s = link.now_s
    reached_s: float | None = None
    hottest, lowest_v = -math.inf, rest_v
    settled: list[float] = []
    deadline_s = start_s + heater.window_s
    while link.now_s < deadline_s:
        link.run_for(EVERY_S)
        reading = node.read_temperature_c(heater.sensor)
        curve.add(reading)
        hottest, lowest_v = max(hottest, reading), min(lowest_v, _supply(node))
        if reached_s is None and reading >= goal - band:
            reached_s = link.now_s - start_s
            deadline_s = link.now_s + 0.5 * heater.window_s
        if reached_s is not None and _in_band(settled, reading, goal, band):
            break
    measure(
        "time to reach",
        math.nan if reached_s is None else reached_s,
        "s",
        high=heater.window_s,
        limit="window_s",
        note="" if reached_s is not None else f"hottest reading {hottest:.1f} degC",
    )
    if reached_s is None:
        measure.fail(f"{goal:g} degC was not reached within {heater.window_s:g} s")
    hold: list[float] = []
    end_s = link.now_s + heater.steady_s
    while link.now_s < end_s:
        link.run_for(EVERY_S)
        hold.append(node.read_temperature_c(heater.sensor))
        curve.add(hold[-1])
        hottest = max(hottest, hold[-1])
    measure("overshoot", hottest - goal, "K", high=heater.overshoot_max_k, limit="overshoot_max_k")
    measure(
        "largest distance from the setpoint once settled",
        max(abs(value - goal) for value in hold),
        "K",
        high=band,
        limit="steady_band_k",
    )
    if not math.isnan(rest_v):
        measure(
            "supply dip, share of nominal",
            100 * (rest_v - lowest_v) / measure.description.supply.voltage_v,
            "%",
            high=measure.description.harness.drop_max_percent,
            limit="harness.drop_max_percent",
        )
    _cool(link, node, heater, measure, curve.add)


def _in_band(settled: list[float], reading: float, goal: float, band: float) -> bool:
    """True once five seconds of readings in a row lie in the band."""
    if abs(reading - goal) > band:
        settled.clear()
        return False
    settled.append(reading)
    return len(settled) * EVERY_S >= 5.0


def _cool(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, keep: Callable[[float], None]
) -> None:
    node.set_heater_c(heater.name, 0.0)
    before = node.read_temperature_c(heater.sensor)
    end_s = link.now_s + 20.0
    while link.now_s < end_s:
        link.run_for(EVERY_S)
        keep(node.read_temperature_c(heater.sensor))
    after = node.read_temperature_c(heater.sensor)
    measure("fall in 20 s after switching off", before - after, "K", low=0.5)


def _averages(link: Link, node: GuardedNode, names: list[str]) -> dict[str, float]:
    rows = _sense.read_all(link, node, names, 10, 0.1)
    return {name: _sense.mean_and_deviation(values)[0] for name, values in rows.items()}


def _mean(read: Callable[[], float], link: Link) -> float:
    values = []
    for _ in range(10):
        values.append(read())
        link.run_for(0.1)
    return sum(values) / len(values)


def _supply(node: GuardedNode) -> float:
    """The supply reading, or NaN where the node has none."""
    try:
        return node.read_supply_v()
    except NotOffered:
        return math.nan
