"""How the heat checks look at a block that is off, and at one bounded pulse. Private to the catalogue."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes, _sense
from hiltest.errors import NotOffered

if TYPE_CHECKING:
    from hiltest.description.models import Heater
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply

    Readers = dict[str, GuardedNode]

EVERY_S = 0.2
OTHERS_EVERY_S, OTHERS_READS = 1.0, 4
"""How often the other sensors are read, and of how many readings a mean is taken."""
IDLE_EVERY_S = 0.5
IDLE_RISE_K, IDLE_ABORT_K, IDLE_READS = 1.0, 3.0, 10
PULSE_LOW, PULSE_HIGH = 0.72, 1.35
LATE_FACTOR = 1.5
"""Of heater.sensor_lag_s: a sensor that answers later than that sits badly (three times the spread of good ones is 1.5)."""
FLAT_SHARE = _causes.FLAT_SHARE
OTHER_SHARE = 0.4
DEAD_TIME_S = 1.5
"""Element, contact and dead time together, of a block that is well built (common practice, no source)."""


def watch_idle(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, for_s: float, supply: ScpiSupply | None
) -> None:
    """Watch a heater that is commanded off, and end at once when it is seen to heat."""
    curve = measure.curve(f"{heater.name} temperature", "degC", ceiling=heater.ceiling_c)
    place = measure.memory, node.name, heater.sensor
    abort_k = _sense.sure_rise_k(*place, IDLE_ABORT_K)

    def mean_c() -> float:
        count = max(IDLE_READS, _sense.reads_needed(*place))
        return _sense.mean_of(link, lambda: node.read_temperature_c(heater.sensor), count)

    start_c = mean_c()
    measure.memory[f"cold {heater.name}"] = start_c
    end_s = link.now_s + for_s
    while link.now_s < end_s:
        reading = node.read_temperature_c(heater.sensor)
        curve.add(reading)
        if reading - start_c > abort_k:
            measure("rise with the heater off", reading - start_c, "K", high=IDLE_RISE_K)
            _sense.stop_if_it_heats(measure, heater.name, reading - start_c, IDLE_ABORT_K, supply)
        link.run_for(IDLE_EVERY_S)
    measure("rise with the heater off", mean_c() - start_c, "K", high=IDLE_RISE_K)
    measure("output applied", 100 * node.read_heater_output(heater.name), "%", high=0.0)


@dataclass(slots=True)
class Pulse:
    """What one pulse did: rises by sensor in K, the own sensor's curve, and the supply before and meanwhile."""

    heater: Heater
    rises_k: dict[str, float]
    t_s: list[float] = field(default_factory=list)
    own_k: list[float] = field(default_factory=list)
    rest_v: float = math.nan
    loaded_v: float = math.nan
    rated_v: float = math.nan

    @property
    def peak_k(self) -> float:
        """Peak rise of the heater's own sensor: the highest mean of five readings."""
        return self.rises_k[self.heater.sensor]

    @property
    def dip_v(self) -> float:
        """How far the supply fell meanwhile; NaN where the node has no reading."""
        return self.rest_v - self.loaded_v

    @property
    def expected_k(self) -> float:
        """Peak rise of a good heater at the measured supply: power goes with the square of the voltage."""
        volts = self.rated_v if math.isnan(self.loaded_v) else self.loaded_v
        return expected_rise_k(self.heater) * (volts / self.rated_v) ** 2

    @property
    def share(self) -> float:
        """Peak rise over the expected one."""
        return self.peak_k / self.expected_k

    @property
    def power_w(self) -> float:
        """Heating power at the measured supply, by the peak and the stated heat capacity."""
        return self.peak_k / expected_rise_k(self.heater) * self.heater.power_w

    def others(self) -> list[tuple[str, float]]:
        """Other sensors and their rises, the largest first."""
        found = [(name, rise) for name, rise in self.rises_k.items() if name != self.heater.sensor]
        return sorted(found, key=lambda each: -each[1])

    def lag_s(self) -> float:
        """Lag of the sensor by when half of the peak was reached; NaN where there was no peak.

        Solves the model of block and sensor (two lags in a row) for the sensor's lag, with DEAD_TIME_S before it.
        """
        at_s = _when(self.t_s, self.own_k, 0.5 * self.peak_k)
        if math.isnan(at_s):
            return math.nan
        low, high = 0.05, 120.0
        while high - low > 0.01:
            middle = 0.5 * (low + high)
            if _half_time_s(self.heater, middle) + DEAD_TIME_S < at_s:
                low = middle
            else:
                high = middle
        return 0.5 * (low + high)


def pulse_power_key(heater: Heater) -> str:
    """Under which key `pulse` leaves the heater's power in W for the loop's check."""
    return f"power in the pulse {heater.name}"


def pulse(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, nodes: Sequence[GuardedNode]
) -> None:
    """Give one bounded pulse, watch every sensor of every node, and judge the peaks."""
    readers = _readers(nodes, measure)
    unwatched = [part.name for part in measure.description.sensor if part.name not in readers]
    if unwatched:
        measure.note(
            f"not watched meanwhile: {', '.join(unwatched)} (the node was not enumerated in this run, or gives no "
            "temperature): a heater that is wired to a block there would look open"
        )
    result = _give(link, node, heater, measure, readers)
    measure.memory[pulse_power_key(heater)] = result.power_w
    measure.look_first(*_likely(result, heater, _measured(measure, heater)))
    _judge_own(result, heater, measure)
    _judge_others(result, heater, measure)
    _judge_flat(result, heater, measure)


def _readers(nodes: Sequence[GuardedNode], measure: Measure) -> Readers:
    """Which node reads which sensor."""
    by_name = {node.name: node for node in nodes}
    found = {}
    for part in measure.description.sensor:
        reader = by_name.get(part.node or "")
        if reader is not None and f"read_temperature_c[{part.name}]" in reader.offers:
            found[part.name] = reader
    return found


def _give(link: Link, node: GuardedNode, heater: Heater, measure: Measure, readers: Readers) -> Pulse:
    before = _averages(link, readers)
    result = Pulse(heater, dict.fromkeys(before, 0.0), rated_v=measure.description.supply.voltage_v)
    result.rest_v = supply_v(node)
    curve = measure.curve(f"{heater.name} temperature", "degC", start=before[heater.sensor])
    supply = measure.curve("supply", "V", nominal=result.rated_v)
    node.pulse_heater(heater.name, 1.0, heater.pulse_s)
    loaded_v: list[float] = []
    others_k: dict[str, deque[float]] = {}
    start_s = others_s = link.now_s
    end_s = start_s + heater.pulse_s + heater.pulse_watch_s
    while link.now_s < end_s and not _has_turned(result, link.now_s - start_s):
        link.run_for(EVERY_S)
        at_s = link.now_s - start_s
        if at_s < heater.pulse_s + 1.0:
            volts = supply_v(node)
            supply.add(volts)
            if EVERY_S < at_s < heater.pulse_s:
                loaded_v.append(volts)
        reading = node.read_temperature_c(heater.sensor)
        curve.add(reading)
        result.t_s.append(at_s)
        result.own_k.append(reading - before[heater.sensor])
        _keep_peak(result, heater.sensor, _mean_of(result.own_k[-5:]))
        if link.now_s >= others_s:
            others_s += OTHERS_EVERY_S
            for name in before:
                if name != heater.sensor:
                    latest = others_k.setdefault(name, deque(maxlen=OTHERS_READS))
                    latest.append(_sense.read_or_nan(readers[name], name) - before[name])
                    if len(latest) == OTHERS_READS:
                        _keep_peak(result, name, _mean_of(latest))
    result.loaded_v = _mean_of(loaded_v)
    return result


def _keep_peak(result: Pulse, name: str, rise_k: float) -> None:
    if rise_k > result.rises_k[name]:
        result.rises_k[name] = rise_k


def _has_turned(result: Pulse, after_s: float) -> bool:
    """True when the peak is past and two seconds in a row were lower: nothing is learnt by waiting on."""
    heater = result.heater
    if after_s < heater.pulse_s + 4 * heater.sensor_lag_s or result.peak_k < 0.5 * result.expected_k:
        return False
    latest, before = _mean_of(result.own_k[-10:]), _mean_of(result.own_k[-20:-10])
    return latest < before - 0.1 and latest < result.peak_k - 0.2


def _measured(measure: Measure, heater: Heater) -> bool:
    """Was the element measured in this run, and right?"""
    return measure.has_passed(f"cold.heater[{heater.name}]")


def _likely(result: Pulse, heater: Heater, element_measured: bool) -> tuple[str, ...]:
    """Where to look if this pulse is not good, by what it did."""
    share = result.share
    lag_s = result.lag_s() if share >= FLAT_SHARE else math.nan
    late_s = LATE_FACTOR * heater.sensor_lag_s if share < PULSE_LOW else heater.sensor_lag_max_s
    most_k = max((rise for _, rise in result.others()), default=0.0)
    spill = 0.3 * result.expected_k if share < FLAT_SHARE else _others_max_k(result)
    limits = (PULSE_LOW, PULSE_HIGH)
    return _causes.pulse(share, limits, lag_s > late_s, result.dip_v, most_k > spill, element_measured)


def _others_max_k(result: Pulse) -> float:
    return max(1.0, OTHER_SHARE * result.expected_k)


def _judge_own(result: Pulse, heater: Heater, measure: Measure) -> None:
    expected, lag_s = result.expected_k, result.lag_s()
    if not math.isnan(result.dip_v):
        measure("supply dip during the pulse", result.dip_v, "V")
    measure("expected rise", expected, "K", note="from power, heat capacity and loss, at the measured supply")
    hint = _hint(result, lag_s, _measured(measure, heater))
    measure("peak rise", result.peak_k, "K", low=PULSE_LOW * expected, high=PULSE_HIGH * expected, note=hint)
    measure("rise over expected", result.share, "", low=PULSE_LOW, high=PULSE_HIGH)
    if result.share >= FLAT_SHARE:
        measure(
            "lag of the sensor",
            lag_s,
            "s",
            high=heater.sensor_lag_max_s,
            limit="sensor_lag_max_s",
            note=f"by when half of the peak was reached, with {DEAD_TIME_S:g} s before it",
        )


def _judge_others(result: Pulse, heater: Heater, measure: Measure) -> None:
    """The row of this heater in the matrix of heaters and sensors."""
    matrix: dict[str, dict[str, float]] = measure.memory.setdefault("rise by heater and sensor", {})
    matrix[heater.name] = dict(result.rises_k)
    others = result.others()
    for name, rise in others[:1]:
        measure(f"rise of {name} meanwhile", rise, "K", high=_others_max_k(result))
    if len(matrix) == len(measure.description.heater) and len(matrix) > 1:
        rows = "; ".join(
            f"{name}: " + ", ".join(f"{sensor} {rise:+.1f} K" for sensor, rise in row.items())
            for name, row in matrix.items()
        )
        measure.note(f"what each heater's pulse did to each sensor: {rows}")


def _judge_flat(result: Pulse, heater: Heater, measure: Measure) -> None:
    if result.share >= FLAT_SHARE:
        return
    moved = [name for name, rise in result.others()[:1] if rise > 0.3 * result.expected_k]
    why = (
        f"sensor {moved[0]!r} rose instead: plugs of two heaters or two sensors exchanged (warm one sensor by hand "
        "to tell which)"
        if moved
        else _hint(result, math.nan, _measured(measure, heater))
    )
    told = (
        f"a pulse of {heater.pulse_s:g} s was asked for and the heater's own sensor rose by {result.peak_k:.2f} K where "
        f"{result.expected_k:.1f} K were expected; {why}"
    )
    if not moved and result.dip_v > _causes.DIPS_V:  # it is hot, and nobody knows where
        measure.stop_run(told)
    measure.fail(told)


def _hint(result: Pulse, lag_s: float, element_measured: bool = False) -> str:
    """What a wrong rise points at. A weak element answers in time, a sensor half out of its bore answers late."""
    share, dip_v = result.share, result.dip_v
    if share < FLAT_SHARE:
        if math.isnan(dip_v):
            return "no supply reading: measure the heater and look at its sensor"
        if dip_v > _causes.DIPS_V:
            return "the supply dips, so the heater draws current: SENSOR OR HEATER OUT OF THE BLOCK"
        if element_measured:
            return (
                "the supply does not dip, and the element measured right with the power off: look at the scale of the roles duty "
                "and pulse_s, then at its plug"
            )
        return "the supply does not dip: heater open or its plug out"
    if share < PULSE_LOW:
        if lag_s > LATE_FACTOR * result.heater.sensor_lag_s:
            return f"weak and late (lag {lag_s:.1f} s): look at the seat of the sensor first, then measure the element"
        if element_measured:
            return f"weak (lag {lag_s:.1f} s), and the element measured right: look at the seat of the sensor first"
        return (
            f"weak and in time (lag {lag_s:.1f} s): measure the element first, then look at the sensor's seat"
        )
    if share > PULSE_HIGH:
        return (
            "too much heat: element for another voltage or power; do not power it again before it is measured"
        )
    return ""


def expected_rise_k(heater: Heater) -> float:
    """Peak rise of the sensor after the pulse at nominal voltage, in K.

    Source: block and sensor as two lags in a row (hiltest.physics.thermal); the band around it allows for a
    sensor lag other than stated.
    """
    from hiltest.physics.thermal import peak_rise_k

    return peak_rise_k(
        heater.power_w, heater.pulse_s, heater.heat_capacity_j_k, heater.loss_w_k, heater.sensor_lag_s
    )


def _half_time_s(heater: Heater, lag_s: float) -> float:
    """When a sensor of this lag shows half of its peak, without dead time.

    On the way up the block's loss hardly counts, so the block is a ramp of pulse_s that then holds:
    rise(t) = (t - lag (1 - exp(-t/lag))) / pulse_s during the pulse, and an exponential approach after it.
    """
    pulse_s = heater.pulse_s

    def rise(t: float) -> float:
        ramp = (t - lag_s * -math.expm1(-t / lag_s)) / pulse_s
        if t <= pulse_s:
            return ramp
        after = t - pulse_s
        return ramp - (after - lag_s * -math.expm1(-after / lag_s)) / pulse_s

    low, high = 0.0, pulse_s + 10 * lag_s
    while high - low > 1e-3:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if rise(middle) < 0.5 else (low, middle)
    return 0.5 * (low + high)


def _when(t_s: Sequence[float], values: Sequence[float], level: float) -> float:
    """When a noisy curve first reached a level: the mean of three readings, taken at their middle one."""
    for index in range(1, len(values) - 1):
        if _mean_of(values[index - 1 : index + 2]) >= level:
            return t_s[index]
    return math.nan


def _averages(link: Link, readers: Readers) -> dict[str, float]:
    """Mean of ten readings of each sensor; sensors without a value are left out."""
    rows: dict[str, list[float]] = {name: [] for name in readers}
    for _ in range(10):
        for name, node in readers.items():
            rows[name].append(_sense.read_or_nan(node, name))
        link.run_for(0.1)
    means = {name: _sense.mean_and_deviation(values)[0] for name, values in rows.items()}
    return {name: value for name, value in means.items() if not math.isnan(value)}


def _mean_of(values: Sequence[float] | deque[float]) -> float:
    return sum(values) / len(values) if values else math.nan


def supply_v(node: GuardedNode) -> float:
    """The supply reading, or NaN where the node has none."""
    try:
        return node.read_supply_v()
    except NotOffered:
        return math.nan
