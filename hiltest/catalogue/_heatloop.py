"""How the heat checks close the loop, hold, compare and cool. Private to the catalogue."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._heat import EVERY_S, pulse_power_key, supply_v
from hiltest.catalogue._sense import mean_of, read_or_nan, reads_for, reads_needed, running_means

if TYPE_CHECKING:
    from hiltest.description.models import Fan, Heater, Sensor
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import CurveRecorder, Measure
    from hiltest.meters.operator import Operator

COOL_S = 20.0
COOL_SETTLE_S = 6.0
IN_BAND_S = 5.0
BAND_NOISE = 0.25
"""Of the band may go to noise."""
FOLLOW_HYSTERESIS_K = 4.0
"""So far below follows_above_c a node may keep its fan running."""
CAPACITY_UNCERTAIN, LOSS_UNCERTAIN = 0.05, 0.2
"""How far heat capacity and loss of a good block may be from the stated ones (common practice, no source)."""
DUTY_LOW, DUTY_HIGH = 0.6, 1.2
"""Power while regulated over power in the full pulse, beyond what the loss leaves open: one element, one supply, one heat
capacity, so that only duty and loss can differ. Below 1 there is more room: what a block passes on to its frame on the
long way counts as missing power (chosen for hiltest)."""


@dataclass(slots=True)
class Ride:
    """One closed-loop ride: what was read on the way."""

    t_s: list[float] = field(default_factory=list)
    reading_c: list[float] = field(default_factory=list)
    duty: list[float] = field(default_factory=list)
    lowest_v: float = math.inf

    def take(self, link: Link, node: GuardedNode, heater: Heater, curve: CurveRecorder) -> float:
        """Wait one step, then read temperature, output and supply."""
        link.run_for(EVERY_S)
        reading = node.read_temperature_c(heater.sensor)
        curve.add(reading)
        self.t_s.append(link.now_s)
        self.reading_c.append(reading)
        self.duty.append(node.read_heater_output(heater.name))
        volts = supply_v(node)
        if not math.isnan(volts):
            self.lowest_v = min(self.lowest_v, volts)
        return reading


def low_setpoint(link: Link, node: GuardedNode, heater: Heater, measure: Measure) -> None:
    """Close the loop, judge the way up, the hold and the way down."""
    goal, band = heater.low_setpoint_c, heater.steady_band_k
    curve = measure.curve(
        f"{heater.name} temperature",
        "degC",
        setpoint=goal,
        upper=goal + heater.overshoot_max_k,
        lower_band=goal - band,
    )
    rest_v, ride = supply_v(node), Ride()
    start_c = node.read_temperature_c(heater.sensor)
    node.set_heater_c(heater.name, goal)
    _climb(link, node, heater, measure, curve, ride)
    hold = [ride.take(link, node, heater, curve) for _ in range(round(heater.steady_s / EVERY_S))]
    count = _reads(measure, heater)
    hottest = max(running_means(ride.reading_c, count))
    measure("overshoot", hottest - goal, "K", high=heater.overshoot_max_k, limit="overshoot_max_k")
    measure(
        "largest distance from the setpoint once settled",
        max(abs(value - goal) for value in running_means(hold, count)),
        "K",
        high=band,
        limit="steady_band_k",
        note="" if count == 1 else f"of means of {count} readings, for the sensor is noisy",
    )
    if not math.isnan(rest_v):
        nominal_v = measure.description.supply.voltage_v
        before = len(measure.failed)
        dip = measure(
            "supply dip, share of nominal",
            100 * (rest_v - ride.lowest_v) / nominal_v,
            "%",
            high=measure.description.harness.drop_max_percent,
            limit="harness.drop_max_percent",
        )
        if dip.verdict == "failed" and not before:
            measure.look_first(*_causes.first((_causes.LOOP_DIPS,), _causes.LOOP))
    _estimate_power(ride, heater, measure, start_c)
    _cool(link, node, heater, measure, curve)
    _say_what_is_not_proven(heater, measure)


def _reads(measure: Measure, heater: Heater) -> int:
    """Of so many readings a mean is compared with the band, so that noise leaves three quarters of it for the loop."""
    node = heater.node or ""
    return reads_for(measure.memory, node, heater.sensor, BAND_NOISE * heater.steady_band_k)


def _climb(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, curve: CurveRecorder, ride: Ride
) -> None:
    """Wait until the band is reached and held for IN_BAND_S."""
    goal, band = heater.low_setpoint_c, heater.steady_band_k
    start_s = link.now_s
    deadline_s = start_s + heater.window_s
    reached_s: float | None = None
    in_band, count = 0, _reads(measure, heater)
    while link.now_s < deadline_s:
        ride.take(link, node, heater, curve)
        latest = ride.reading_c[-count:]
        reading = sum(latest) / len(latest)
        if reached_s is None and reading >= goal - band:
            reached_s = link.now_s - start_s
            deadline_s = link.now_s + 0.5 * heater.window_s
        in_band = in_band + 1 if abs(reading - goal) <= band else 0
        if reached_s is not None and in_band * EVERY_S >= IN_BAND_S:
            break
    hottest = max(running_means(ride.reading_c, count))
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


def _estimate_power(ride: Ride, heater: Heater, measure: Measure, start_c: float) -> None:
    """Heating power from the whole ride, by what stayed in the block and what was lost.

    P = (C (T_end - T_start) + G integral(T - T_room) dt) / integral(duty) dt; source: heat balance. At the end the
    block is steady, so the sensor's lag does not count. The room is taken as the temperature before heating.
    """
    steps = [(b - a, 0.5 * (x + y)) for a, b, x, y in _pairs(ride.t_s, ride.duty)]
    on_s = sum(dt * duty for dt, duty in steps)
    room_c = measure.memory.get(f"cold {heater.name}", start_c)
    above_ks = sum(dt * (mean - room_c) for dt, mean in _spans(ride.t_s, ride.reading_c))
    end_c = sum(ride.reading_c[-10:]) / len(ride.reading_c[-10:])
    stored_j = heater.heat_capacity_j_k * (end_c - start_c)
    lost_j = heater.loss_w_k * above_ks
    if on_s <= 0.0 or stored_j <= 0.0:
        measure.note("the power could not be estimated: the heater was hardly on")
        return
    power_w = (stored_j + lost_j) / on_s
    spread_w = math.hypot(CAPACITY_UNCERTAIN * stored_j, LOSS_UNCERTAIN * lost_j) / on_s
    measure(
        "heating power, estimated",
        power_w,
        "W",
        note=f"stated {heater.power_w:g} W at nominal supply; heat capacity is taken to 5 %, loss to 20 %",
        uncertainty=spread_w,
    )
    _judge_duty(power_w, LOSS_UNCERTAIN * lost_j / (stored_j + lost_j), heater, measure)


def _judge_duty(power_w: float, open_share: float, heater: Heater, measure: Measure) -> None:
    """A duty that is applied larger or smaller than it is told shows while the loop regulates; a full pulse hides it."""
    pulse_w = measure.memory.get(pulse_power_key(heater), math.nan)
    if not pulse_w > 0.0:
        return
    share = power_w / pulse_w
    note = f"{power_w:.1f} W for the duty that was told, {pulse_w:.1f} W fully on"
    if share > DUTY_HIGH + open_share:
        note += "; MORE IS APPLIED THAN THE NODE TELLS: a wrong scale of its output"
    measure(
        "regulated power over that of the pulse",
        share,
        "",
        low=DUTY_LOW - open_share,
        high=DUTY_HIGH + open_share,
        note=note,
    )


def _pairs(t_s: Sequence[float], values: Sequence[float]) -> list[tuple[float, float, float, float]]:
    return list(zip(t_s, t_s[1:], values, values[1:], strict=False))


def _spans(t_s: Sequence[float], values: Sequence[float]) -> list[tuple[float, float]]:
    return [(b - a, 0.5 * (x + y)) for a, b, x, y in _pairs(t_s, values)]


def _cool(link: Link, node: GuardedNode, heater: Heater, measure: Measure, curve: CurveRecorder) -> None:
    """Off: it must cool as a block does whose heater is off."""
    place = measure.memory, node.name, heater.sensor
    before = mean_of(link, lambda: node.read_temperature_c(heater.sensor), reads_needed(*place))
    node.set_heater_c(heater.name, 0.0)
    room_c = measure.memory.get(f"cold {heater.name}", math.nan)
    t_s, values = fall(link, node, heater, COOL_S, curve)
    after = sum(values[-5:]) / 5
    expected = expected_fall_k(heater, before, room_c, COOL_S - COOL_SETTLE_S)
    measure(
        "fall after switching off",
        before - after,
        "K",
        low=0.3 * expected if expected > 0 else 0.5,
        note=f"in {COOL_S:g} s; an unheated block falls by about {expected:.1f} K",
    )
    _estimate_loss(t_s, values, heater, measure, room_c)


def fall(
    link: Link, node: GuardedNode, heater: Heater, for_s: float, curve: CurveRecorder | None = None
) -> tuple[list[float], list[float]]:
    """Readings of a block for a while, as times and temperatures."""
    t_s: list[float] = []
    values: list[float] = []
    end_s = link.now_s + for_s
    while link.now_s < end_s:
        link.run_for(2 * EVERY_S)
        t_s.append(link.now_s)
        values.append(node.read_temperature_c(heater.sensor))
        if curve is not None:
            curve.add(values[-1])
    return t_s, values


def expected_fall_k(heater: Heater, now_c: float, room_c: float, after_s: float) -> float:
    """How far a block that is not heated falls in `after_s`; 0 where the room is not known. Newton's law."""
    if math.isnan(room_c) or now_c <= room_c:
        return 0.0
    return (now_c - room_c) * -math.expm1(-after_s * heater.loss_w_k / heater.heat_capacity_j_k)


def _estimate_loss(
    t_s: Sequence[float], values: Sequence[float], heater: Heater, measure: Measure, room_c: float
) -> None:
    """Time constant of the block from its cooling, past the heat that was still under way."""
    from hiltest.errors import UsageError
    from hiltest.physics.thermal import NoFit, fit_cooling

    late = [index for index, t in enumerate(t_s) if t - t_s[0] >= COOL_SETTLE_S]
    try:
        fit = fit_cooling([t_s[i] for i in late], [values[i] for i in late], ambient_c=room_c)
    except (NoFit, UsageError) as error:
        measure.note(f"the time constant could not be estimated from the cooling: {error}")
        return
    stated_s = heater.heat_capacity_j_k / heater.loss_w_k
    measure(
        "time constant of the block, estimated",
        fit.tau_s,
        "s",
        note=f"stated {stated_s:.0f} s",
        uncertainty=2 * fit.tau_error_s if math.isfinite(fit.tau_error_s) else None,
    )


def _say_what_is_not_proven(heater: Heater, measure: Measure) -> None:
    """The board reads its sensor by a table; nothing so far shows that it is the right one."""
    proven = measure.description.fixture.operator
    if not proven:
        measure.qualify_unless_rejected(
            f"the curve of sensor {heater.sensor!r} was not proven above the room: by hand, an independent thermometer on the hot "
            f"block of heater {heater.name!r} must show what the node reads"
        )
    measure(
        "the sensor's curve above the room",
        "see heat.second_point" if proven else "not proven",
        note=""
        if proven
        else f"a wrong table or B value shows {heater.low_setpoint_c:g} degC and is hotter. Once per board: an independent "
        "thermometer on the hot block. [fixture] operator = true asks for it",
    )


# --- a second point -------------------------------------------------------------------------------------


def second_point(link: Link, node: GuardedNode, heater: Heater, operator: Operator, measure: Measure) -> None:
    """Compare the sensor with an independent thermometer on the block at its low setpoint."""
    curve = measure.curve(f"{heater.name} temperature", "degC", setpoint=heater.low_setpoint_c)
    node.set_heater_c(heater.name, heater.low_setpoint_c)
    _wait_until_steady(link, node, heater, measure, curve)
    with operator.watching(lambda: curve.add(read_or_nan(node, heater.sensor))):
        told_c = operator.ask(
            f"heat.thermometer[{heater.name}]",
            f"CAUTION: hot, about {heater.low_setpoint_c:g} degC or more. Press an independent thermometer against the block of "
            f"heater {heater.name!r}, beside its sensor, wait until it is steady. What does it read?",
            "number",
            unit="degC",
        )
    _, values = fall(link, node, heater, 2.0, curve)
    node.set_heater_c(heater.name, 0.0)
    shown_c = sum(values) / len(values)
    measure("sensor reads", shown_c, "degC")
    measure("thermometer reads", told_c, "degC")
    measure(
        "distance of the sensor from the thermometer",
        abs(shown_c - told_c),
        "K",
        high=heater.second_point_max_k,
        limit="second_point_max_k",
        note="hotter than shown" if told_c > shown_c else "",
    )
    _extrapolate(heater, measure, shown_c, told_c)


def _wait_until_steady(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, curve: CurveRecorder
) -> None:
    end_s = link.now_s + heater.window_s
    steady, latest = 0, deque[float](maxlen=_reads(measure, heater))
    while link.now_s < end_s:
        link.run_for(2 * EVERY_S)
        latest.append(node.read_temperature_c(heater.sensor))
        curve.add(latest[-1])
        reading = sum(latest) / len(latest)
        steady = steady + 1 if abs(reading - heater.low_setpoint_c) <= heater.steady_band_k else 0
        if steady * 2 * EVERY_S >= 2 * IN_BAND_S:
            return
    measure.fail(f"{heater.low_setpoint_c:g} degC was not held, so there is no point to compare at")


def _extrapolate(heater: Heater, measure: Measure, shown_c: float, told_c: float) -> None:
    """What the distance would mean at the ceiling, if all of it came from a wrong B value.

    1/T = 1/T25 + ln(R/R25)/B, so (1/T - 1/T25) scales with the ratio of the two B values; source: beta formula.
    """
    sensor = next(part for part in measure.description.sensor if part.name == heater.sensor)
    if not _is_beta(sensor) or abs(told_c - 25.0) < 5.0 or abs(shown_c - 25.0) < 5.0:
        return
    ratio = _inverse(told_c) / _inverse(shown_c)
    true_c = 1.0 / (1.0 / 298.15 + ratio * _inverse(heater.ceiling_c)) - 273.15
    measure(
        f"true temperature when {heater.ceiling_c:g} degC are shown",
        true_c,
        "degC",
        note="if the whole distance came from the B value; the thermometer's own error counts here too",
    )


def _is_beta(sensor: Sensor) -> bool:
    return sensor.kind == "ntc" and sensor.beta_k is not None


def _inverse(celsius: float) -> float:
    return 1.0 / (celsius + 273.15) - 1.0 / 298.15


# --- a fan that cools a block -----------------------------------------------------------------------------


def cooling(link: Link, node: GuardedNode, fan: Fan, heater: Heater, measure: Measure) -> None:
    """Compare how fast a hot block cools with its fan off and on."""
    curve = measure.curve(f"{heater.name} temperature", "degC")
    room_c = measure.memory.get(f"cold {heater.name}", math.nan)
    node.set_heater_c(heater.name, heater.low_setpoint_c)
    _wait_until_steady(link, node, heater, measure, curve)
    if fan.follows_above_c is not None:
        _judge_follows(link, node, fan, heater, measure)
    node.set_heater_c(heater.name, 0.0)
    node.set_fan(fan.name, 0.0)
    _wait_until_free(link, node, fan, heater, measure, curve)
    fall(link, node, heater, 2 * COOL_SETTLE_S, curve)
    still = _rate(*fall(link, node, heater, COOL_S, curve), room_c)
    node.set_fan(fan.name, 1.0)
    fall(link, node, heater, COOL_SETTLE_S, curve)
    blown = _rate(*fall(link, node, heater, COOL_S, curve), room_c)
    node.set_fan(fan.name, 0.0)
    measure("cooling, fan off", still, "per ks")
    measure("cooling, fan on", blown, "per ks")
    measure(
        "the block cools faster with the fan by",
        100 * (blown / still - 1) if still > 0 else math.nan,
        "%",
        low=fan.cooling_gain_percent,
        limit="cooling_gain_percent",
    )


def _wait_until_free(
    link: Link, node: GuardedNode, fan: Fan, heater: Heater, measure: Measure, curve: CurveRecorder
) -> None:
    """Until the node lets go of a fan that follows its heater, it can't be seen to stand still."""
    if fan.follows_above_c is None:
        return
    end_s = link.now_s + 600.0
    while node.read_temperature_c(heater.sensor) > fan.follows_above_c - FOLLOW_HYSTERESIS_K:
        fall(link, node, heater, 2.0, curve)
        if link.now_s > end_s:
            measure.fail(f"the block did not cool below {fan.follows_above_c:g} degC in 600 s")
    link.run_for(fan.stop_max_s)


def _rate(t_s: Sequence[float], values: Sequence[float], room_c: float) -> float:
    """Loss over heat capacity in 1/1000 s: slope over rise, so that a cooler block counts the same."""
    from hiltest.physics.thermal import initial_slope_k_per_s

    slope, _ = initial_slope_k_per_s(t_s, values)
    above = sum(values) / len(values) - room_c
    return -1000 * slope / above if above > 0 else math.nan


def _judge_follows(link: Link, node: GuardedNode, fan: Fan, heater: Heater, measure: Measure) -> None:
    assert fan.follows_above_c is not None
    if heater.low_setpoint_c <= fan.follows_above_c:
        measure.not_observable(
            f"fan {fan.name!r} follows above {fan.follows_above_c:g} degC, the block is only heated to "
            f"{heater.low_setpoint_c:g} degC",
            "a low_setpoint_c above follows_above_c",
        )
    link.run_for(fan.spin_up_max_s)
    rpm = 60.0 * node.read_tach_hz(fan.name) / fan.pulses_per_rev
    measure("speed with nothing commanded, block hot", rpm, "rpm", low=0.2 * fan.full_speed_rpm)
