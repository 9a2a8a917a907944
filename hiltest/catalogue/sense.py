"""Powered, outputs off: what the sensors say before anything is heated."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import Page, check
from hiltest.measure import MEAN_AT_REST

if TYPE_CHECKING:
    from hiltest.description.models import Node, Sensor
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply

_WATCH_S = 8.0
_EVERY_S = 0.1
_SHARE_LOW, _SHARE_HIGH = 0.97, 1.02


@check(
    "sense.supply",
    per="node",
    order=113,
    gates=("bus.enumerate[{node}]",),
    verbs=("read_supply_v",),
    window_s=15.0,
    page=Page(
        purpose="The supply at the board is right before any output is switched on.",
        hazard="Over-voltage heats harder than planned: power grows with the square of the voltage.",
        method="The node's own supply reading is averaged at rest. Without a [bench_supply] nothing measures beside it: a "
        "supply set too high and a reading that is too low by as much look right. The verdict says so then, with what a "
        "voltmeter at the node's terminals must show.",
        limits=(
            ("nominal voltage +- supply.tolerance_percent", "common practice, no source"),
            (
                "with a [bench_supply]: the node reads 0.97 to 1.02 of what the supply shows",
                "1 % divider and reference, and little drop at rest; common practice. Without one not tested: the verdict says so",
            ),
        ),
        causes=_causes.RAIL,
    ),
)
def test_supply(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """The rail is within its window at rest."""
    values = []
    for _ in range(10):
        values.append(node.read_supply_v())
        link.run_for(0.05)
    supply = measure.description.supply
    window_v = supply.voltage_v * supply.tolerance_percent / 100
    mean_v = sum(values) / len(values)
    measure.look_first(*_causes.rail(mean_v / supply.voltage_v))
    if bench_supply is not None:
        share = mean_v / bench_supply.read_v()
        measure("the node's reading over the bench supply's", share, "", low=_SHARE_LOW, high=_SHARE_HIGH)
    else:
        measure.qualify_unless_rejected(
            f"the scale of the supply reading of node {target.name!r} was not proven, for no [bench_supply] measures beside it: "
            f"by hand, a voltmeter at the node's terminals must show {mean_v / _SHARE_HIGH:.1f} V to {mean_v / _SHARE_LOW:.1f} V at rest"
        )
    measure(
        "supply at rest",
        mean_v,
        "V",
        low=supply.voltage_v - window_v,
        high=supply.voltage_v + window_v,
        limit="supply.tolerance_percent",
    )


@check(
    "sense.ambient",
    per="sensor",
    order=114,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]"),
    verbs=("read_temperature_c[{load}]",),
    window_s=_WATCH_S + 20.0,
    page=Page(
        purpose="At rest each sensor reads the room, is alive, is quiet, and agrees with the others.",
        hazard="A sensor that lies here would let a heater run blind: its heater is not switched on.",
        method=f"Every sensor of the node is read every {_EVERY_S:g} s for {_WATCH_S:g} s: mean, standard deviation, "
        "readings without a value, and distance from the median of those other sensors that read a room. A right reading here proves "
        "nothing about the sensor's curve when hot: see heat.second_point.",
        limits=(
            ("mean between limits.ambient_low_c and limits.ambient_high_c", "common practice, no source"),
            (
                "a heater's sensor rises by up to 2 K meanwhile; else the run ends at once",
                "chosen for hiltest",
            ),
            (
                "no reading without a value",
                "a loose contact opens now and then, a sound one never does; common practice, no source",
            ),
            (
                "standard deviation up to sensor.noise_max_k",
                "1 to 3 counts of a 12-bit converter are 0.1 K to 0.4 K; default 1 K: common practice, no source",
            ),
            (
                "distance from the others up to limits.sensor_agreement_k",
                "error budget of 1 % thermistors; common practice, no source",
            ),
        ),
        causes=_causes.AMBIENT,
    ),
)
def test_ambient(
    target: Sensor, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Each sensor reads the room."""
    from hiltest.catalogue import _sense

    names = [part.name for part in measure.description.sensor if part.node == target.node]
    rows = _sense.watch_at_rest(link, node, names, measure.memory, _WATCH_S, _EVERY_S)
    values = rows[target.name]
    rise = _sense.rise_k(values)
    for heater in measure.description.heater:
        if heater.sensor == target.name:
            measure("rise meanwhile, nothing commanded", rise, "K", high=_sense.HEATS_BY_ITSELF_K)
            cold = measure.has_passed(f"cold.supply[{target.node}]")
            measure.look_first(*_causes.rises_by_itself(open_when_cold=cold))
            _sense.stop_if_it_heats(measure, heater.name, rise, _sense.HEATS_BY_ITSELF_K, bench_supply)
    missing = sum(math.isnan(value) for value in values)
    mean, deviation = _sense.mean_and_deviation(values)
    limits = measure.description.limits
    room_c = (limits.ambient_low_c, limits.ambient_high_c)
    exchanged = bool(measure.memory.get(_causes.exchanged_key(target.name)))
    noisy = deviation > target.noise_max_k
    measure.look_first(*_causes.ambient(mean, room_c, noisy, missing / len(values), exchanged))
    measure("readings", len(values), "readings")
    measure("readings without a value", missing, "readings", high=0)
    if 0 < missing < len(values):
        measure.fail(
            f"sensor {target.name!r} had no value in {missing} of {len(values)} readings: loose contact in its plug or wire"
        )
    measure(
        MEAN_AT_REST,
        mean,
        "degC",
        low=limits.ambient_low_c,
        high=limits.ambient_high_c,
        limit="limits.ambient_low_c",
        uncertainty=_sense.reading_off_k(target, mean),
    )
    measure("standard deviation", deviation, "K", high=target.noise_max_k, limit="noise_max_k")
    if deviation == 0.0:
        measure.note(
            "every reading was the same: fine for a quiet, coarse converter, and what a converter that hangs looks like. "
            "A heater's sensor is shown to be alive by heat.pulse; warm another one by hand and look"
        )
    means = [_sense.mean_and_deviation(rows[name])[0] for name in names if name != target.name]
    # One that reads no room is wrong by itself, and no measure for this one.
    others = [value for value in means if room_c[0] <= value <= room_c[1]]
    if others:
        distance = abs(mean - _sense.median(others))
        measure(
            "distance from the other sensors",
            distance,
            "K",
            high=limits.sensor_agreement_k,
            limit="limits.sensor_agreement_k",
        )
    elif means:
        measure.note("no other sensor of this node reads a room, so there is none to compare with")
