"""How the drills energise a little, take something away, and look at the outputs. Private to the catalogue.

What is on in a drill is bounded whatever the node does: heaters get one open-loop pulse of no more energy than the
very first pulse, which the node itself ends, or a setpoint for about a second. Three observers look: what the node
says of its outputs, by itself and asked; the tachometers; and the temperature, which believes nobody.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._bus import need_of
from hiltest.catalogue._fan import STOPPED_RPM
from hiltest.catalogue._heat import DEAD_TIME_S, IDLE_ABORT_K, PULSE_HIGH, expected_rise_k
from hiltest.catalogue._heatloop import FOLLOW_HYSTERESIS_K, expected_fall_k
from hiltest.catalogue._loads import MUTE
from hiltest.catalogue._sense import (
    NOISE_K,
    mean_of,
    read_or_nan,
    reads_needed,
    stop_if_it_heats,
    sure_rise_k,
    too_noisy,
)
from hiltest.errors import BenchNotOpened, GateClosed, NoAnswer, NotOffered

if TYPE_CHECKING:
    from hiltest.description.models import Fan, Heater, Node, Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply
    from hiltest.node.verbs import Reading

FAN_DUTY = 0.6
EVERY_S = 0.25
STALE_EVERY_S = 0.05
STALE_FOR_S = 0.5
PULSE_OVER_LIMIT = 4.0
"""A pulse lasts at least this many times the time limit, so that its end and the node's reaction are far apart."""
LAGS_WAITED = 2.0
"""After the dead time and so many lags of the sensor most of the heat (86 %) has reached it; lag of first order."""
STEADY_SHARE, STEADY_S = 0.04, 0.5
CURRENT_SEEN_A = 0.05
"""Less than this of everything that is on, and a bench supply's reading says nothing."""
CURRENT_LEFT_SHARE = 0.3
FALL_SHARE = 0.3
"""Of what an unheated block falls, as in heat.low_setpoint: loss and heat capacity are stated, not measured."""
FANS_EVERY, BLOCKS_EVERY, MOTORS_EVERY = 2, 4, 4
"""In a silence fans are looked at every second time, blocks every fourth: neither changes in EVERY_S. A motor that moves
has another count in the next look, however late."""
SETPOINT_ON_S = 1.0
WATCH_STARTS_S = 0.5
FAR_OFF_BPS = (10_000, 20_000, 50_000, 500_000, 1_000_000)
"""Bit rates at which the adapter may be off the bus, the best for a fast bus first."""


@dataclass(slots=True)
class Live:
    """What a drill has on, and what is seen of it."""

    link: Link
    node: GuardedNode
    part: Node
    measure: Measure
    heaters: list[Heater] = field(default_factory=list)
    fans: list[Fan] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)
    base_c: dict[str, float] = field(default_factory=dict)
    fan_hz: dict[str, float] = field(default_factory=dict)
    duty: dict[str, float] = field(default_factory=dict)
    pulse_s: float = 0.0
    on_s: float = 0.0
    taken_s: float = 0.0
    last_on_s: dict[str, float] = field(default_factory=dict)
    told: bool = False
    """Did the node report an error by itself?"""
    supply: ScpiSupply | None = None
    rest_a: float = math.nan
    on_a: float = math.nan
    rest_c: dict[str, float] = field(default_factory=dict)
    rest_s: float = math.nan
    counts_anew: bool = True
    """May a step counter have begun anew when the silence begins? Where a reset comes before this drill it may not."""
    stood: dict[str, int] = field(init=False, default_factory=dict)
    """Where each motor stood before the drill, in microsteps; from the first look on, where it stood then."""

    def __post_init__(self) -> None:
        for stepper in self._motors():
            self.stood[stepper.name] = self.node.read_position(stepper.name)

    # --- at rest --------------------------------------------------------------------------------------

    def note_rest(self) -> None:
        """With nothing on: what the bench supply gives, and how warm each block is that could be heated by itself."""
        if self.supply is not None:
            self.rest_a = self.supply.read_a()
        self.rest_s = self.link.now_s
        for heater in (each for each in self.measure.description.heater if each.node == self.part.name):
            offered = f"read_temperature_c[{heater.sensor}]" in self.node.offers
            if offered and (why := too_noisy(self.measure.memory, self.part.name, heater.sensor)):
                self.closed.append(f"block of heater {heater.name}: {why}")
                continue
            celsius = self._mean_c(heater) if offered else math.nan
            if math.isnan(celsius):
                self.closed.append(f"block of heater {heater.name}: its sensor gives no temperature")
            else:
                self.rest_c[heater.name] = celsius

    def judge_rest(self, what: str) -> None:
        """As at rest: no block got hotter than noise, and no more current flows, whatever the node says of its outputs."""
        if self.supply is not None:
            more_a = self.supply.read_a() - self.rest_a
            self.measure(f"more current after {what}, at the bench supply", more_a, "A", high=CURRENT_SEEN_A)
        for heater in (each for each in self.measure.description.heater if each.name in self.rest_c):
            self._judge_rise(heater, what)

    def _judge_rise(self, heater: Heater, what: str) -> None:
        rise = self._mean_c(heater) - self.rest_c[heater.name]
        self.measure(
            f"heater {heater.name} temperature rise after {what}",
            rise,
            "K",
            high=self._most_rise_k(heater),
            note="by the temperature, whatever the node says",
        )
        stop_if_it_heats(self.measure, heater.name, rise, IDLE_ABORT_K, self.supply)

    def _mean_c(self, heater: Heater) -> float:
        count = reads_needed(self.measure.memory, self.part.name, heater.sensor)
        return mean_of(self.link, lambda: read_or_nan(self.node, heater.sensor), count)

    def _most_rise_k(self, heater: Heater) -> float:
        """Noise; of a block that was warm, less what it must have lost since."""
        room_c = self.measure.memory.get(f"cold {heater.name}", math.nan)
        settled_s = self.link.now_s - self.rest_s - DEAD_TIME_S - LAGS_WAITED * heater.sensor_lag_s
        fall = expected_fall_k(heater, self.rest_c[heater.name], room_c, max(0.0, settled_s))
        return NOISE_K - FALL_SHARE * fall

    # --- on -------------------------------------------------------------------------------------------

    def start_fans(self) -> None:
        """Run every fan that has shown its tachometer, at part speed."""
        if self.supply is not None:
            self.rest_a = self.supply.read_a()
        for fan in (each for each in self.measure.description.fan if each.node == self.part.name):
            if not fan.tells_speed:
                self.closed.append(f"fan {fan.name}: {MUTE}")
                continue
            if not self.measure.has_passed(f"fan.tach[{fan.name}]"):
                self.closed.append(f"fan {fan.name}: fan.tach has not passed, so its drop could not be seen")
                continue
            try:
                self.node.set_fan(fan.name, max(FAN_DUTY, fan.start_duty))
                self.fans.append(fan)
            except (GateClosed, NotOffered) as error:
                self.closed.append(f"fan {fan.name}: {error}")
        self._await_speed()
        for fan in self.fans:
            self.fan_hz[fan.name] = self.node.read_tach_hz(fan.name)
            rpm = 60.0 * self.fan_hz[fan.name] / fan.pulses_per_rev
            self.measure(f"fan {fan.name} before", rpm, "rpm", low=STOPPED_RPM)

    def _await_speed(self) -> None:
        """Until no fan gets faster or slower any more, no longer than the slowest may take to speed up.

        Many boards start a fan at full duty: while it slows down to what was asked for, it would look switched off.
        """
        end_s = self.link.now_s + max((fan.spin_up_max_s for fan in self.fans), default=0.0)
        before: dict[str, float] = {}
        while self.link.now_s < end_s:
            self.link.run_for(STEADY_S)
            now = {fan.name: self.node.read_tach_hz(fan.name) for fan in self.fans}
            if all(now[name] > 0 and _is_steady(now[name], before.get(name, 0.0)) for name in now):
                break
            before = now

    def start_pulses(self, limit_s: float) -> None:
        """Give every heater that may have one a pulse much longer than `limit_s`, of no more energy than its first."""
        heaters = [each for each in self.measure.description.heater if each.node == self.part.name]
        self._read_bases(heaters)
        self.on_s = self.link.now_s
        for heater in heaters:
            seconds = max(heater.pulse_s, PULSE_OVER_LIMIT * limit_s)
            duty = min(1.0, heater.pulse_s / seconds)
            if self.try_heater(heater, partial(self.node.pulse_heater, heater.name, duty, seconds)):
                self.duty[heater.name] = duty
                self.pulse_s = max(self.pulse_s, seconds)
        self.confirm()

    def start_setpoints(self) -> None:
        """Close the loop of every heater that may, for a moment."""
        heaters = [each for each in self.measure.description.heater if each.node == self.part.name]
        self._read_bases(heaters)
        self.on_s = self.link.now_s
        for heater in heaters:
            if self.try_heater(heater, partial(self.node.set_heater_c, heater.name, heater.low_setpoint_c)):
                self.duty[heater.name] = 1.0
        self.link.run_for(SETPOINT_ON_S)
        self.confirm()

    def _read_bases(self, heaters: list[Heater]) -> None:
        rows: dict[str, list[float]] = {heater.name: [] for heater in heaters}
        for _ in range(5):
            for heater in heaters:
                rows[heater.name].append(read_or_nan(self.node, heater.sensor))
            self.link.run_for(0.1)
        self.base_c = {name: sum(values) / len(values) for name, values in rows.items()}

    def try_heater(self, heater: Heater, energise: Callable[[], None]) -> bool:
        """Energise a heater that may be; else keep why not."""
        if not self.measure.has_passed(f"heat.pulse[{heater.name}]"):
            self.closed.append(f"heater {heater.name}: heat.pulse has not passed")
            return False
        try:
            energise()
        except (GateClosed, NotOffered) as error:
            self.closed.append(f"heater {heater.name}: {error}")
            return False
        self.heaters.append(heater)
        return True

    def confirm(self) -> None:
        """An output that did not come on can't be seen to drop."""
        if not self.heaters and not self.fans:
            self.measure.not_observable("no output could be switched on: " + "; ".join(self.closed))
        self.link.run_for(0.15)
        for heater in self.heaters:
            output = 100 * self.node.read_heater_output(heater.name)
            self.measure(f"heater {heater.name} output before", output, "%", low=0.1)
        if self.measure.failed:
            self.measure.fail("an output did not come on, so its drop can't be seen")
        if self.supply is not None:
            self.on_a = self.supply.read_a()

    # --- what was taken away -------------------------------------------------------------------------------

    def take_away(self) -> None:
        """Now: from here on the time limit runs."""
        self.taken_s = self.link.now_s

    def see(self, reading: Reading) -> None:
        """Take in what the node says by itself of its outputs."""
        if reading.kind == "heater_output" and reading.value > 0 and not reading.asked:
            self.last_on_s[f"heater {reading.name}"] = reading.t_ns / 1e9
        elif reading.kind == "emergency" and reading.value:
            self.told = True

    # --- what is seen ----------------------------------------------------------------------------------------

    def judge_outputs(self, limit_s: float, limit: str, what: str) -> None:
        """Ask for the outputs before anything is commanded, and look at what the node said by itself."""
        self.judge_current(what)
        for heater in self.heaters:
            key = f"heater {heater.name}"
            output = self.node.read_heater_output(heater.name)
            self.measure(f"{key} output after {what}", 100 * output, "%", high=0.0)
            # One that is on now says nothing of when it went off.
            if key in self.last_on_s and output == 0:
                self.measure(
                    f"{key} seen on until",
                    self.last_on_s[key] - self.taken_s,
                    f"s after {what}",
                    high=limit_s,
                    limit=limit,
                )
        for fan in self.fans:
            share = self.node.read_tach_hz(fan.name) / self.fan_hz[fan.name]
            self.measure(f"fan {fan.name} speed after {what}, share of before", share, "", high=0.9)

    def judge_current(self, what: str) -> None:
        """The bench supply asks no node: what was on must be missing from its current."""
        judge_current(self.measure, self.supply, self.rest_a, self.on_a, what)

    def judge_silence(self, for_s: float, limit: str | None = None) -> None:
        """Command nothing for a while. An output that comes on by itself is commanded off at once, and fails."""
        start_s = self.link.now_s
        came_on = self._watch(for_s)
        self.measure(
            "nothing came on by itself for",
            self.link.now_s - start_s,
            "s",
            low=for_s - EVERY_S,
            limit=limit,
            note=came_on,
            form="course",
        )
        if came_on:
            self.measure.fail(f"{came_on}; every output was commanded off again")

    def _watch(self, for_s: float) -> str:
        start_s, lowest_hz, looks = self.link.now_s, dict(self.fan_hz), 0
        while self.link.now_s - start_s < for_s:
            self.link.run_for(EVERY_S)
            looks += 1
            found = self._what_heats(looks) or self._what_turns(looks, lowest_hz, self.link.now_s - start_s)
            found = found or self._what_moves(looks)
            if found:
                self.node.stop_all()
                return f"{found} {self.link.now_s - start_s:.1f} s into the silence"
        return ""

    def _what_heats(self, looks: int) -> str:
        for heater in self.measure.description.heater:
            if heater.node == self.part.name and f"read_heater_output[{heater.name}]" in self.node.offers:
                output = self.node.read_heater_output(heater.name)
                if output > 0:
                    return f"heater {heater.name!r} was on ({100 * output:.0f} %)"
            if heater.name in self.rest_c and looks % BLOCKS_EVERY == 0:
                rise = read_or_nan(self.node, heater.sensor) - self.rest_c[heater.name]
                if rise > sure_rise_k(self.measure.memory, self.part.name, heater.sensor, IDLE_ABORT_K):
                    self.node.stop_all()
                    self._judge_rise(heater, "nothing was commanded")
        return ""

    def _what_turns(self, looks: int, lowest_hz: dict[str, float], after_s: float) -> str:
        if looks % FANS_EVERY:
            return ""
        for fan in (each for each in self.measure.description.fan if each.node == self.part.name):
            if not self.measure.has_passed(f"fan.tach[{fan.name}]") or self._follows_now(fan):
                continue
            hz = self.node.read_tach_hz(fan.name)
            rpm = 60.0 * hz / fan.pulses_per_rev
            lowest = lowest_hz[fan.name] = min(hz, lowest_hz.get(fan.name, hz))
            speeds_up = hz > 1.2 * lowest and 60.0 * (hz - lowest) / fan.pulses_per_rev > 2 * STOPPED_RPM
            if speeds_up or (after_s > fan.stop_max_s and rpm > STOPPED_RPM):
                return f"fan {fan.name!r} turned ({rpm:.0f} rpm)"
        return ""

    def _what_moves(self, looks: int) -> str:
        """By the step counter, from where it stood before the drill. At the first look of a drill it may have begun anew, as a
        boot may make it, and differ by a full step, as a motor without current may; from then on it must stand still.
        """
        if looks % MOTORS_EVERY != 1:
            return ""
        for stepper in self._motors():
            now, before = self.node.read_position(stepper.name), self.stood[stepper.name]
            moved, most = abs(now - before), 0
            if self.counts_anew:
                moved, most = min(abs(now), moved), stepper.microsteps
            if moved > most:
                return f"motor {stepper.name!r} moved ({now - before:+d} microsteps)"
            self.stood[stepper.name] = now
        self.counts_anew = False
        return ""

    def _motors(self) -> list[Stepper]:
        """Those of the node that tell where they stand."""
        return [
            each
            for each in self.measure.description.stepper
            if each.node == self.part.name and f"read_position[{each.name}]" in self.node.offers
        ]

    def _follows_now(self, fan: Fan) -> bool:
        """A fan that must run while its block is hot may come on by itself then."""
        if fan.follows_above_c is None:
            return False
        heater = next((h for h in self.measure.description.heater if h.name == fan.cools), None)
        if heater is None:
            return False
        return read_or_nan(self.node, heater.sensor) > fan.follows_above_c - FOLLOW_HYSTERESIS_K

    def judge_heat(self, allowed_s: float) -> None:
        """The block must not have taken more heat than `allowed_s` of being on can give it."""
        lag_s = max((heater.sensor_lag_s for heater in self.heaters), default=0.0)
        self._look_on(self.on_s + allowed_s + DEAD_TIME_S + LAGS_WAITED * lag_s)
        for heater in self.heaters:
            now = [read_or_nan(self.node, heater.sensor) for _ in range(3)]
            rise = sum(now) / 3 - self.base_c[heater.name]
            share = self.duty[heater.name] * allowed_s / heater.pulse_s
            self.measure(
                f"heater {heater.name} temperature rise",
                rise,
                "K",
                high=PULSE_HIGH * expected_rise_k(heater) * share + NOISE_K,
                note=f"what {allowed_s:.1f} s on can cause at most",
            )

    def _look_on(self, until_s: float) -> None:
        """Let time pass with an eye on every temperature."""
        curves = {
            heater.name: self.measure.curve(
                f"{heater.name} temperature", "degC", before=self.base_c[heater.name]
            )
            for heater in self.heaters
        }
        while self.heaters and self.link.now_s < until_s:
            for heater in self.heaters:
                curves[heater.name].add(self.node.read_temperature_c(heater.sensor))
            self.link.run_for(2 * EVERY_S)

    def judge_fans_at_rest(self) -> None:
        """By now every fan has had its time to run down."""
        self.fans = [fan for fan in self.fans if not self._follows_now(fan)]
        longest_s = max((fan.stop_max_s for fan in self.fans), default=0.0)
        wait_s = self.taken_s + longest_s - self.link.now_s
        end_s = self.link.now_s + max(0.0, wait_s)
        while self.link.now_s < end_s and any(self._rpm(fan) > STOPPED_RPM for fan in self.fans):
            self.link.run_for(EVERY_S)
        for fan in self.fans:
            self.measure(f"fan {fan.name} in the end", self._rpm(fan), "rpm", high=STOPPED_RPM)

    def _rpm(self, fan: Fan) -> float:
        return 60.0 * self.node.read_tach_hz(fan.name) / fan.pulses_per_rev

    def say_what_was_left_out(self) -> None:
        """Loads that were not part of the drill, and why."""
        for line in self.closed:
            self.measure.leave_out(line, f"not part of this drill: {line}")


def _is_steady(now_hz: float, before_hz: float) -> bool:
    return abs(now_hz - before_hz) <= STEADY_SHARE * before_hz


def judge_current(
    measure: Measure, supply: ScpiSupply | None, rest_a: float, on_a: float, what: str
) -> float:
    """By the bench supply, which asks no node: what was on (`on_a` over `rest_a`) must be missing from its current.

    Returns the share of it that is left; NaN where it can't be judged.
    """
    if supply is None:
        return math.nan
    added_a = on_a - rest_a
    if not added_a >= CURRENT_SEEN_A:
        measure.note(
            f"the bench supply saw only {added_a:.3f} A more with everything on: not judged by current"
        )
        return math.nan
    measure("current of what was on, at the bench supply", added_a, "A")
    left = (supply.read_a() - rest_a) / added_a
    measure(
        f"current left after {what}, share of that",
        left,
        "",
        high=CURRENT_LEFT_SHARE,
        note="by the bench supply, whatever the node says",
    )
    return left


def say_motors_left_out(part: Node, measure: Measure) -> None:
    """Keep with the result that no motor ran: a drill that passes says nothing of a motor under way."""
    for stepper in (each for each in measure.description.stepper if each.node == part.name):
        measure(
            f"motor {stepper.name}",
            "not part of this drill",
            note="no motor ran meanwhile and no old move was sent: whether a move ends here is not shown (see safe.move_ends)",
        )


def start(
    link: Link, node: GuardedNode, part: Node, measure: Measure, limit_s: float, supply: ScpiSupply | None
) -> Live:
    """Fans at part speed and one pulse for every heater: what the short drills take something away from."""
    say_motors_left_out(part, measure)
    live = Live(link, node, part, measure, supply=supply)
    live.start_fans()
    live.start_pulses(limit_s)
    return live


def finish(live: Live, limit_s: float) -> None:
    """The observers that need time."""
    live.judge_heat(live.taken_s - live.on_s + limit_s + 0.3)
    live.judge_fans_at_rest()
    live.say_what_was_left_out()


def host_silence(
    link: Link,
    node: GuardedNode,
    part: Node,
    measure: Measure,
    supply: ScpiSupply | None,
    busy: bool = False,
) -> None:
    """Let the host fall silent with outputs on; with `busy` the bus is full of other traffic meanwhile."""
    limit_s = part.host_silence_max_s
    live = start(link, node, part, measure, limit_s, supply)
    remove = node.on_reading(live.see)
    node.go_silent()
    live.take_away()
    traffic = Traffic(link, part, measure) if busy else None
    try:
        link.run_for(limit_s + 0.5)
    finally:
        remove()
        if traffic is not None:
            traffic.stop()
        node.resume()
    if traffic is not None:
        measure("frames of others meanwhile", traffic.sent, "frames", low=1)
    live.judge_outputs(limit_s, "host_silence_max_s", "the host fell silent")
    if not busy:
        measure.look_first(*_causes.host_silence(live.told))
    finish(live, limit_s)


class Traffic:
    """Frames under identifiers that no node of the description knows, on a busy bus."""

    EVERY_S = 0.01

    def __init__(self, link: Link, part: Node, measure: Measure) -> None:
        from hiltest.catalogue._bus import load_ids

        self.sent = 0
        self._link, self._ids = link, load_ids(measure.description, part.bus or "", measure.folder)
        self._timer = link.every(self.EVERY_S, self._send)

    def _send(self) -> None:
        from hiltest.canbus.frame import Frame

        can_id = self._ids[self.sent % len(self._ids)]
        self._link.send(Frame(can_id, self.sent.to_bytes(8, "little")))
        self.sent += 1

    def stop(self) -> None:
        self._timer.cancel()


def bus_cut(link: Link, node: GuardedNode, part: Node, measure: Measure, supply: ScpiSupply | None) -> None:
    """Leave the bus, so that nobody acknowledges the node and nothing reaches it, as a cut cable does."""
    limit_s = part.host_silence_max_s
    live = start(link, node, part, measure, limit_s, supply)
    remove = node.on_reading(live.see)
    node.excuse(part.name, limit_s + 4.0)
    live.take_away()
    heard = leave_bus(link, node, measure, limit_s + 0.5)
    remove()
    if heard:
        node.stop_all()
        measure.not_observable(
            f"{heard} frames of the node still arrived: this adapter can't leave the bus by being opened at another rate",
            "an adapter that can; or by hand: hold the block warm, pull the node's bus plug for "
            f"{2 * limit_s:g} s, plug in and look that it has cooled and stays off",
        )
    back_s = await_sign(link, node, 3.0)
    measure("back on the bus after", back_s, "s", high=3.0)
    if math.isnan(back_s):
        measure.fail(
            "the node did not come back on the bus, so whether its outputs are off is not known. CUT THE SUPPLY, then "
            "look at its recovery from bus-off"
        )
    live.judge_outputs(limit_s, "host_silence_max_s", "the bus was cut")
    finish(live, limit_s)


def leave_bus(link: Link, node: GuardedNode, measure: Measure, for_s: float) -> int:
    """Be on the bus at another bit rate for a while; return how many sound frames were heard all the same."""
    bit_rate_bps = link.port.bit_rate_bps
    heard = 0

    def count(frame: object) -> None:
        nonlocal heard
        if not getattr(frame, "error", False) and getattr(frame, "is_rx", False):
            heard += 1

    node.go_silent()
    try:
        _reopen_far_off(link, measure)
        remove = link.listen(count)
        try:
            link.run_for(for_s)
        finally:
            remove()
    finally:
        link.reopen(bit_rate_bps)
        node.resume()
    return heard


def _reopen_far_off(link: Link, measure: Measure) -> None:
    """Open the adapter so much slower that it neither acknowledges nor, before the node gives up, hears a thing."""
    own_bps, refused, need = link.port.bit_rate_bps, "", "one whose bit rate can be set"
    for rate_bps in FAR_OFF_BPS if own_bps > 100_000 else reversed(FAR_OFF_BPS):
        try:
            link.reopen(rate_bps)
        except BenchNotOpened as error:
            refused, need = str(error), need_of(error, need)
        else:
            return
    measure.not_observable(f"the adapter can't leave the bus: {refused}", need)


def await_sign(link: Link, node: GuardedNode, within_s: float) -> float:
    """Seconds until the node is heard again; NaN if it is not."""
    start_s = link.now_s
    heard: list[float] = []
    remove = node.on_reading(lambda reading: heard.append(reading.t_ns / 1e9) if not reading.asked else None)
    try:
        found = link.wait_for(lambda: bool(heard), within_s)
    finally:
        remove()
    return link.now_s - start_s if found else math.nan


def stop_command(
    link: Link, node: GuardedNode, part: Node, measure: Measure, supply: ScpiSupply | None
) -> None:
    """The stop command drops every output, and nothing comes back by itself."""
    live = start(link, node, part, measure, part.stop_max_s, supply)
    remove = node.on_reading(live.see)
    live.take_away()
    node.stop_all()
    try:
        link.run_for(part.stop_max_s)
    finally:
        remove()
    live.judge_outputs(part.stop_max_s, "stop_max_s", "the stop command")
    live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    finish(live, part.stop_max_s)


def reset(link: Link, node: GuardedNode, part: Node, measure: Measure, supply: ScpiSupply | None) -> None:
    """A reset while heaters and fans are on: off, and off it stays."""
    say_motors_left_out(part, measure)
    live = Live(link, node, part, measure, supply=supply)
    live.start_fans()
    live.start_setpoints()
    on_s = link.now_s - live.on_s
    live.take_away()
    boot_s = node.restart(within_s=3 * part.boot_max_s + 1.0)
    measure("boot time", boot_s, "s", high=part.boot_max_s, limit="boot_max_s")
    live.judge_current("the reset")
    live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    if "read_status" in node.offers:
        status = node.read_status()
        elapsed_s = link.now_s - live.taken_s
        measure(
            "uptime",
            status.uptime_s,
            "s",
            high=elapsed_s + 0.5,
            note=f"cause: {status.reset_cause}",
            form="course",
        )
    live.judge_heat(on_s + 0.3)
    live.judge_fans_at_rest()
    live.say_what_was_left_out()


def old_commands(
    link: Link, node: GuardedNode, part: Node, measure: Measure, supply: ScpiSupply | None
) -> None:
    """Commands that wait in the adapter while the node restarts, and commands after a pause of the host."""
    say_motors_left_out(part, measure)
    live = Live(link, node, part, measure, supply=supply)
    duties, setpoints = proven_orders(part, measure)
    live.note_rest()
    queued = [link.after(delay_s, lambda: node.send_stale(duties, setpoints)) for delay_s in (0.02, 0.1)]
    try:
        node.restart(within_s=3 * part.boot_max_s + 1.0)
    except NoAnswer as error:
        measure.fail(f"after a reset with commands waiting: {error}")
    finally:
        for timer in queued:
            timer.cancel()
    measure("commands that waited while the node restarted", 2 * (len(duties) + len(setpoints)), "commands")
    live.judge_silence(0.5 * measure.limits.drill_silence_s)
    live.judge_rest("commands that waited")
    _say_if_the_boot_heated(measure)
    node.start()
    link.run_for(WATCH_STARTS_S)  # a watch on the host begins with the first sign of life that it hears
    node.go_silent()
    link.run_for(part.host_silence_max_s + 0.5)
    commands = 0

    def command() -> None:
        nonlocal commands
        node.send_stale(duties, setpoints)
        commands += len(duties) + len(setpoints)

    # A host that comes back may go on as if nothing had been, before it gives any sign of life, and once it does.
    again = link.every(STALE_EVERY_S, command)
    try:
        link.run_for(STALE_FOR_S)  # nothing is read meanwhile: over a console an answer to these is nobody's
    finally:
        again.cancel()
    live.judge_silence(0.25 * measure.limits.drill_silence_s)
    node.resume()
    command()
    measure("commands after a pause of the host", commands, "commands")
    live.judge_silence(0.5 * measure.limits.drill_silence_s)
    live.judge_rest("commands after a pause of the host")
    _say_if_the_boot_heated(measure)
    live.say_what_was_left_out()


def _say_if_the_boot_heated(measure: Measure) -> None:
    """Nothing is on and a block got warmer all the same: by the boot, for a command that is obeyed leaves its output on."""
    if measure.failed and all(each.unit == "K" for each in measure.failed):
        measure.look_first(*_causes.warm_after_boot())


def proven_orders(
    part: Node, measure: Measure, with_moves: bool = False
) -> tuple[dict[str, float], dict[str, float]]:
    """Duties of fans and setpoints of heaters (degC) that may be commanded: those that have passed their own checks.

    `with_moves`: moves are commanded beside them, so that there need be neither.
    """
    duties = {
        fan.name: max(FAN_DUTY, fan.start_duty)
        for fan in measure.description.fan
        if fan.node == part.name and measure.has_passed(f"fan.tach[{fan.name}]")
    }
    setpoints = {
        heater.name: heater.low_setpoint_c
        for heater in measure.description.heater
        if heater.node == part.name and measure.has_passed(f"heat.pulse[{heater.name}]")
    }
    if not duties and not setpoints and not with_moves:
        measure.not_observable(
            "no output has passed its own checks, so none could be seen to act on an old command"
        )
    return duties, setpoints
