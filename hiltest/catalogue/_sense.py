"""Small arithmetic that the checks share. Private to the catalogue."""

from __future__ import annotations

import contextlib
import math
import statistics
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from hiltest import cautions
from hiltest.errors import NodeFault, UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Sensor
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply


NOISE_K = 0.6
"""What a block may seem to get hotter by its sensor's noise."""
FEWEST_READS, MOST_READS, READ_EVERY_S, SURE = 3, 100, 0.1, 4.0
"""Readings for one mean: so many that SURE standard deviations of the difference of two means stay within NOISE_K. The most
serve a standard deviation of 1.06 K, above sensor.noise_max_k."""
FRESH_S = 20.0
"""A watch of sensors at rest serves the next sensor's check for this long."""


def read_all(
    link: Link, node: GuardedNode, names: Sequence[str], readings: int, every_s: float
) -> dict[str, list[float]]:
    """Read all `names` `readings` times, `every_s` apart.

    A value that the node can't give (open or shorted sensor) is NaN, so that one bad sensor does not hide
    the others.
    """
    rows: dict[str, list[float]] = {name: [] for name in names}
    for _ in range(readings):
        for name in names:
            rows[name].append(read_or_nan(node, name))
        link.run_for(every_s)
    return rows


def watch_at_rest(
    link: Link, node: GuardedNode, names: Sequence[str], memory: dict[str, Any], for_s: float, every_s: float
) -> dict[str, list[float]]:
    """Readings of every sensor of a node at rest, watched once for all of them.

    A loose contact shows in seconds and not in one look, so the watch is long; sensors share it, as long as it
    is fresh.
    """
    key = _at_rest_key(node.name)
    kept = memory.get(key)
    if kept is None or link.now_s - kept[0] > FRESH_S or any(name not in kept[1] for name in names):
        rows = read_all(link, node, names, max(2, round(for_s / every_s)), every_s)
        kept = memory[key] = (link.now_s, rows)
    found: dict[str, list[float]] = kept[1]
    return found


def _at_rest_key(node: str) -> str:
    return f"at rest {node}"


def noise_k(memory: dict[str, Any], node: str, sensor: str) -> float:
    """Standard deviation of the readings that `watch_at_rest` took last, K; 0 where it took none."""
    _, rows = memory.get(_at_rest_key(node), (0.0, {}))
    values = [value for value in rows.get(sensor, ()) if not math.isnan(value)]
    return statistics.stdev(values) if len(values) > 1 else 0.0


def reads_needed(memory: dict[str, Any], node: str, sensor: str) -> int:
    """Readings for a mean that shows NOISE_K despite the sensor's noise; above MOST_READS it can't be shown."""
    return max(FEWEST_READS, math.ceil(2.0 * (SURE * noise_k(memory, node, sensor) / NOISE_K) ** 2))


def sure_rise_k(memory: dict[str, Any], node: str, sensor: str, at_least_k: float) -> float:
    """What one reading must be above a mean, in K, to show that the block is `at_least_k` hotter: noise is not heat."""
    is_noisy = reads_needed(memory, node, sensor) > FEWEST_READS
    return at_least_k + (SURE * noise_k(memory, node, sensor) if is_noisy else 0.0)


def reads_for(memory: dict[str, Any], node: str, sensor: str, within_k: float) -> int:
    """Readings for a mean of which SURE standard deviations stay within `within_k`; 1 for a quiet sensor."""
    return max(1, math.ceil((SURE * noise_k(memory, node, sensor) / within_k) ** 2))


def running_means(values: Sequence[float], count: int) -> list[float]:
    """Mean of each `count` readings in a row; of all where there are fewer."""
    if len(values) <= count:
        return [sum(values) / len(values)]
    return [sum(values[at : at + count]) / count for at in range(len(values) - count + 1)]


def too_noisy(memory: dict[str, Any], node: str, sensor: str) -> str:
    """Why NOISE_K can't be seen with this sensor; empty where it can."""
    if reads_needed(memory, node, sensor) <= MOST_READS:
        return ""
    scatter_k = noise_k(memory, node, sensor)
    return f"its sensor scatters by {scatter_k:.1f} K (standard deviation), too much to see {NOISE_K:g} K"


def mean_of(link: Link, read: Callable[[], float], count: int) -> float:
    """Mean of `count` readings; more than the fewest are spread, for a node may measure seldom."""
    total = 0.0
    for _ in range(count):
        total += read()
        if count > FEWEST_READS:
            link.run_for(READ_EVERY_S)
    return total / count


def read_or_nan(node: GuardedNode, sensor: str) -> float:
    """One temperature, or NaN where the node has no valid value."""
    try:
        return node.read_temperature_c(sensor)
    except NodeFault:
        return math.nan


def mean_and_deviation(values: Sequence[float]) -> tuple[float, float]:
    """Mean and sample standard deviation; NaN if any value is."""
    if any(math.isnan(value) for value in values):
        return math.nan, math.nan
    return statistics.fmean(values), statistics.stdev(values)


def reading_off_k(sensor: Sensor, at_c: float) -> float | None:
    """How much a sensor's reading may be off by its parts, expanded (k = 2), in K; None where they are not described.

    The limits of the parts (1 % thermistor and pull-up, or platinum of class B on a pull-up of 0.1 %, and two counts of
    the converter) as rectangles: u = a/sqrt(3). Source: JCGM 100:2008, 4.3.7 and 5.1; the limits are common practice.
    """
    from hiltest.physics.thermistor import (
        Divider,
        NtcBeta,
        Platinum,
        ntc_reading_budget,
        platinum_reading_budget,
    )

    if sensor.pull_up_ohm is None or math.isnan(at_c):
        return None
    divider = Divider(sensor.pull_up_ohm, sensor.adc_bits)
    with contextlib.suppress(UsageError):  # at that temperature such a divider reads open or shorted
        if sensor.kind == "ntc" and sensor.r25_ohm and sensor.beta_k:
            budget = ntc_reading_budget(NtcBeta(sensor.r25_ohm, sensor.beta_k), divider, at_c)
            return 2.0 / math.sqrt(3.0) * budget.root_sum_square_k
        if sensor.kind == "platinum" and sensor.r0_ohm:
            budget = platinum_reading_budget(Platinum(sensor.r0_ohm), divider, at_c)
            return 2.0 / math.sqrt(3.0) * budget.root_sum_square_k
    return None


def median(values: Sequence[float]) -> float:
    """Median of the values that are numbers; NaN when there is none."""
    numbers = [value for value in values if not math.isnan(value)]
    return statistics.median(numbers) if numbers else math.nan


HEATS_BY_ITSELF_K = 2.0


def rise_k(values: Sequence[float]) -> float:
    """How much higher the last quarter of readings is than the first; NaN without values."""
    quarter = max(1, len(values) // 4)
    first = [value for value in values[:quarter] if not math.isnan(value)]
    last = [value for value in values[-quarter:] if not math.isnan(value)]
    return statistics.fmean(last) - statistics.fmean(first) if first and last else math.nan


def stop_if_it_heats(
    measure: Measure, heater: str, rise: float, at_most_k: float, supply: ScpiSupply | None
) -> None:
    """End the run at once when a block gets hotter with nothing commanded, and take the power away if that is possible."""
    if not rise > at_most_k:
        return
    if supply is not None:
        supply.switch(False)
        done = cautions.SUPPLY_WAS_SWITCHED_OFF
    else:
        done = cautions.SUPPLY_OFF_NOW
    measure.stop_run(
        f"the block of heater {heater!r} got {rise:.1f} K hotter with nothing commanded. {done}: no software can stop a "
        "switch that conducts by itself"
    )
