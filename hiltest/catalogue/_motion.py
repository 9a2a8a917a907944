"""How the motion checks move an axis. Private to the catalogue."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._sense import NOISE_K, sure_rise_k
from hiltest.errors import NoAnswer

if TYPE_CHECKING:
    from hiltest.catalogue._endswitches import Watch
    from hiltest.description.models import Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import StepperDriver

SLOW_REV_S = 0.5
RELEASE_LOW, RELEASE_HIGH = 0.65, 1.6
"""Share of home_release_rev within which the switch must let go. Parking by hand may be that far off; half or double
the distance, the mark of wrong microsteps, lies outside."""
FIRST_REACH = 2.2
"""Of home_release_rev is gone at most until the switch lets go: far enough to see half the way for each step."""
MEET_REACH = 5.0
TRIPS = ((1.0, 0.5), (1.0, 0.5), (0.5, 1.0))
"""Shares of the working speed, out and back. What friction costs on the way out it costs on the way back, too: at one speed
both ways the two cancel. Most motors that lose steps at the working speed lose none at half of it.
"""


class Axis:
    """One axis that stands near its home switch, moved in counted steps."""

    def __init__(self, link: Link, node: GuardedNode, stepper: Stepper, measure: Measure) -> None:
        self.link, self.node, self.stepper, self.measure = link, node, stepper, measure
        self.per_rev = stepper.steps_per_rev * stepper.microsteps
        self.curve = measure.curve(f"{stepper.name} position", "motor turns")

    def at_home(self) -> bool:
        """Is the home switch actuated?"""
        assert self.stepper.home_switch is not None
        return self.node.read_switch(self.stepper.home_switch)

    def position(self) -> int:
        """The node's step counter; kept on the curve."""
        counted = self.node.read_position(self.stepper.name)
        self.curve.add(counted / self.per_rev)
        return counted

    @property
    def has_encoder(self) -> bool:
        """Is there an encoder that the node can be asked for?"""
        offered = f"read_encoder[{self.stepper.name}]" in self.node.offers
        return offered and self.stepper.encoder_counts_per_rev is not None

    def encoder_turns(self) -> float:
        """Turns of the motor's shaft by its encoder; NaN without one."""
        if not self.has_encoder:
            return math.nan
        assert self.stepper.encoder_counts_per_rev is not None
        return self.node.read_encoder(self.stepper.name) / self.stepper.encoder_counts_per_rev

    def move(self, microsteps: int, rev_s: float = SLOW_REV_S) -> None:
        """Move and wait for the end of the move."""
        if microsteps == 0:
            return
        turns = abs(microsteps) / self.per_rev
        self.node.move(self.stepper.name, microsteps, rev_s, within_s=2.0 + 3.0 * turns / rev_s)

    def creep(self, step: int, limit: int, until: bool) -> int | None:
        """Move by `step` until the home switch reads `until`; return how far, or None within `limit`."""
        moved = 0
        while abs(moved) < abs(limit):
            if self.at_home() is until:
                return moved
            self.move(step)
            moved += step
        return moved if self.at_home() is until else None


def _parked(axis: Axis) -> None:
    stepper, measure = axis.stepper, axis.measure
    if not axis.at_home():
        measure.look_first(_causes.MOVE_PARKED, _causes.MOVE_SWITCH)
        measure.fail(
            f"the axis does not stand on its home switch {stepper.home_switch!r}. Power off, park it there by hand "
            "and run again; if it does stand there, the switch or its wire is open or its polarity is inverted. "
            "Nothing was moved."
        )


def direction(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure) -> None:
    """Small counted move off the home switch and back."""
    axis = Axis(link, node, stepper, measure)
    _parked(axis)
    small = round(stepper.small_move_rev * axis.per_rev)
    step = max(1, round(min(stepper.small_move_rev / 25, stepper.home_release_rev / 5) * axis.per_rev))
    node.enable_driver(stepper.name, True)
    start, encoder_start = axis.position(), axis.encoder_turns()
    try:
        # No further than the switch should need: an axis that goes the wrong way is not pressed on.
        first = min(small, round(FIRST_REACH * stepper.home_release_rev * axis.per_rev))
        released = axis.creep(step, first, until=False)
        done = abs(axis.position() - start)
        if released is not None and _is_near(released / axis.per_rev, stepper):
            axis.move(small - released)
            done = small
        top, encoded = axis.position() - start, axis.encoder_turns()
        flags = node.read_driver(stepper.name).flags
        axis.move(-done)
        back = axis.position() - start
        home_again = axis.at_home()
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    moved_right = released is not None and _is_near(released / axis.per_rev, stepper) and home_again
    _judge_encoder(axis, top / axis.per_rev, encoded - encoder_start, moved_right)
    share = (encoded - encoder_start) * axis.per_rev / top if top else math.nan
    _judge_direction(axis, released, done, top, back, home_again, flags, share)


def by_encoder(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure) -> None:
    """Small counted move of an axis without a home switch: its encoder says which way it went."""
    axis = Axis(link, node, stepper, measure)
    if not axis.has_encoder:
        measure.not_observable(
            f"stepper {stepper.name!r} has neither an encoder nor a home switch to see its direction by",
            "home_switch, or encoder_counts_per_rev and a role 'encoder', in the description",
        )
    small = round(stepper.small_move_rev * axis.per_rev)
    step = max(1, small // 10)
    node.enable_driver(stepper.name, True)
    start, encoder_start = axis.position(), axis.encoder_turns()
    try:
        axis.move(step)
        first = axis.encoder_turns() - encoder_start
        if first > 0.5 * step / axis.per_rev:
            axis.move(small - step)
        top, encoded = axis.position() - start, axis.encoder_turns()
        flags = node.read_driver(stepper.name).flags
        axis.move(-top)
        back, encoder_back = axis.position() - start, axis.encoder_turns()
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    share = (encoded - encoder_start) * axis.per_rev / top if top else math.nan
    measure.look_first(*_by_encoder(share, bool(flags & {"open_load_a", "open_load_b"})))
    measure("counted on the way out", top, "microsteps")
    measure("counted after the return", back, "microsteps", low=0, high=0)
    open_load = sorted(flags & {"open_load_a", "open_load_b"})
    measure("open-load flags at slow motion", len(open_load), "flags", high=0, note=", ".join(open_load))
    _judge_encoder(axis, top / axis.per_rev, encoded - encoder_start)
    measure(
        "encoder after the return",
        (encoder_back - encoder_start) * stepper.steps_per_rev,
        "full steps",
        low=-stepper.return_error_max_steps,
        high=stepper.return_error_max_steps,
        limit="return_error_max_steps",
    )


def _by_encoder(share: float, open_load: bool) -> tuple[str, ...]:
    """Where to look if encoder and step counter differ."""
    if open_load:
        return (_causes.MOVE_COIL, _causes.MOVE_NOT)
    if share < -0.1:
        return (_causes.MOVE_REVERSED, _causes.MOVE_ENCODER)
    if not share > 0.1:
        return (_causes.MOVE_NOT, _causes.MOVE_COIL)
    return (_causes.MOVE_STEPS, _causes.MOVE_GEAR)


def _judge_encoder(
    axis: Axis, counted_rev: float, encoded_rev: float, moved_right: bool | None = None
) -> None:
    """The encoder sits on the motor's shaft; the step counter only counts pulses.

    `moved_right` says what the home switch says of the move; None where there is none to ask.
    """
    if not axis.has_encoder:
        return
    share = encoded_rev / counted_rev if counted_rev else math.nan
    note = f"{encoded_rev:.4f} of {counted_rev:.4f} motor turns"
    hint = _encoder_hint(axis.stepper, counted_rev, encoded_rev, moved_right)
    axis.measure("encoder over step counter", share, "", low=0.9, high=1.1, note=note + hint)


def _encoder_hint(stepper: Stepper, counted_rev: float, encoded_rev: float, moved_right: bool | None) -> str:
    """What a count that is off points at. With a home switch that was met where it should be, the axis moved right and
    the encoder is to be looked at; without one, nobody can tell which of the two it is."""
    from hiltest.physics.motion import travel_ratio

    if not counted_rev or 0.9 <= encoded_rev / counted_rev <= 1.1:
        return ""
    if abs(encoded_rev) < 0.02 * abs(counted_rev):
        if moved_right:
            return "; the axis moved, THE ENCODER COUNTS NOTHING: its plug, its supply, a channel open, its hub loose"
        return "; nothing was counted: the motor did not turn, or the encoder is not connected"
    found = travel_ratio(counted_rev, encoded_rev, tolerance=0.15)
    if found.reversed:
        if moved_right:
            return "; the axis moved the right way, THE ENCODER COUNTS THE OTHER WAY: exchange its channels A and B"
        which = "" if moved_right is False else ", or the channels A and B of the encoder"
        return f"; DIRECTION REVERSED: exchange the two wires of one coil or change the setting{which}"
    if moved_right:
        return (
            "; the axis left its switch where it should: another number of lines than encoder_counts_per_rev, the encoder's "
            "hub slips on the shaft, or steps were lost further on"
        )
    factor = found.microstep_factor
    if factor is not None and factor != 1.0:
        return f"; the driver makes {stepper.microsteps / factor:g} microsteps a step"
    return ""


def long_by_encoder(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure, watch: Watch) -> None:
    """Long moves of an axis without a home switch: the encoder must come back to where it was."""
    axis = Axis(link, node, stepper, measure)
    long = round(stepper.long_move_rev * axis.per_rev)
    node.enable_driver(stepper.name, True)
    start = axis.encoder_turns()
    try:
        for speeds in TRIPS:
            for way, share in zip((long, -long), speeds, strict=True):
                with watch.moving(way):
                    axis.move(way, share * stepper.speed_rev_s)
                axis.position()
        lost = axis.encoder_turns() - start
        driver = node.read_driver(stepper.name)
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    _judge_driver(driver, stepper, measure)
    measure(
        "steps lost over the trips",
        abs(lost) * stepper.steps_per_rev,
        "full steps",
        high=stepper.return_error_max_steps,
        limit="return_error_max_steps",
        note="by the encoder",
    )
    watch.judge()


def _judge_direction(
    axis: Axis,
    released: int | None,
    done: int,
    top: int,
    back: int,
    home_again: bool,
    flags: frozenset[str],
    encoded_share: float,
) -> None:
    measure, stepper = axis.measure, axis.stepper
    measure("counted on the way out", top, "microsteps", low=done, high=done)
    measure("counted after the return", back, "microsteps", low=0, high=0)
    open_load = sorted(flags & {"open_load_a", "open_load_b"})
    measure("open-load flags at slow motion", len(open_load), "flags", high=0, note=", ".join(open_load))
    measure.look_first(*_likely(axis, released, home_again, bool(open_load), encoded_share))
    if released is None and not home_again:
        measure.require("moves the right way", False, "the switch let go on the way back")
        measure.fail(
            f"direction reversed: {stepper.home_switch!r} stayed actuated on the way up and let go on the way down"
        )
    if released is None:
        hint = f"; the driver reports {', '.join(open_load)}" if open_load else ""
        measure.require("moves the right way", False, "the home switch never let go")
        measure.fail(
            f"the home switch {stepper.home_switch!r} stayed actuated through the whole small move: the axis "
            f"does not move, it moves the wrong way against its lower stop, or the switch is stuck{hint}"
        )
    turns = released / axis.per_rev
    measure.require("moves the right way", True)
    measure(
        "switch let go after",
        turns,
        "motor turns",
        low=RELEASE_LOW * stepper.home_release_rev,
        high=RELEASE_HIGH * stepper.home_release_rev,
        limit="home_release_rev",
        note=_ratio_hint(turns, stepper),
    )
    measure.require("switch met again on the way back", home_again)


def _likely(
    axis: Axis, released: int | None, home_again: bool, open_load: bool, encoded_share: float
) -> tuple[str, ...]:
    """Where to look if the axis did not move as it should, by what was seen of it."""
    stepper, passed = axis.stepper, axis.measure.has_passed
    if released is None:
        return _causes.moved_wrong(
            let_go_on_return=not home_again,
            open_load=open_load,
            coils_measured=passed(f"cold.coils[{stepper.name}]"),
            switch_pressed=passed(f"switch.by_hand[{stepper.home_switch}]"),
            encoded_share=encoded_share,
        )
    if open_load:
        return (_causes.MOVE_COIL, *_causes.moved_otherwise(None))
    near = home_again and _is_near(released / axis.per_rev, stepper)
    if axis.has_encoder and near and not 0.9 <= encoded_share <= 1.1:
        return (_causes.MOVE_ENCODER, _causes.MOVE_GEAR)
    return _causes.moved_otherwise(_factor(released / axis.per_rev, stepper))


def _factor(found_rev: float, stepper: Stepper) -> float | None:
    """By which power of two the microsteps differ, if that is what a distance says."""
    from hiltest.physics.motion import travel_ratio

    if found_rev <= 0:
        return None
    return travel_ratio(found_rev, stepper.home_release_rev, tolerance=0.25).microstep_factor


def _is_near(released_rev: float, stepper: Stepper) -> bool:
    """Did the home switch let go about where it should? If not, nothing longer is moved."""
    return RELEASE_LOW <= released_rev / stepper.home_release_rev <= RELEASE_HIGH


def _ratio_hint(found_rev: float, stepper: Stepper) -> str:
    """A distance that is off by a power of two points at the microsteps, any other at mechanics or parking."""
    from hiltest.physics.motion import travel_ratio

    if _is_near(found_rev, stepper) or found_rev <= 0:
        return ""
    # Commanded turns until the same point is reached: twice the steps mean half the way for each.
    found = travel_ratio(found_rev, stepper.home_release_rev, tolerance=0.25)
    factor = found.microstep_factor
    if factor is None or factor == 1.0:
        return f"{found.ratio:.2f} times the way that was commanded: gear, lead, play, or parked elsewhere"
    return (
        f"about {factor:g} times the way that was commanded: the driver makes {stepper.microsteps / factor:g} microsteps "
        f"a step and not {stepper.microsteps}, or the gear is another"
    )


def out_and_back(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure, watch: Watch) -> None:
    """Compare where the home switch is met before and after long moves at working speed."""
    axis = Axis(link, node, stepper, measure)
    _parked(axis)
    full_step = stepper.microsteps
    reach = round(MEET_REACH * stepper.home_release_rev * axis.per_rev)
    node.enable_driver(stepper.name, True)
    try:
        before = _meet(axis, full_step, reach)
        if before is None:
            measure.fail("the home switch was not met again by a slow approach, before any long move")
        assert before is not None
        long = round(stepper.long_move_rev * axis.per_rev)
        clear = clear_of_home(stepper)
        for speeds in TRIPS:
            axis.move(clear)
            for way, share in zip((long, -long), speeds, strict=True):
                with watch.moving(way):
                    axis.move(way, share * stepper.speed_rev_s)
                axis.position()
            if axis.at_home():
                break  # met where it should still be clear of it: no trip more, and not a step further in
            axis.move(-clear)
        after = _meet(axis, full_step, reach)
        driver = node.read_driver(stepper.name)
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    _judge_driver(driver, stepper, measure)
    watch.judge()
    if after is None:
        measure.fail(
            f"after {len(TRIPS)} trips of {stepper.long_move_rev:g} turns the home switch was not found within "
            f"{reach / axis.per_rev:.2f} turns: many steps were lost"
        )
    assert after is not None
    measure(
        "play and hysteresis at the home switch",
        (after.left - after.met) / full_step,
        "full steps",
        high=stepper.play_max_steps,
        limit="play_max_steps",
        note="between letting go upwards and being met downwards",
    )
    _judge_return(before, after, stepper, measure)


def _judge_return(before: Met, after: Met, stepper: Stepper, measure: Measure) -> None:
    """Where the home switch was met before and after the trips, by the step counter and by the encoder.

    Lost steps shift the counter alone, a slipping hub of the encoder shifts the encoder alone; both are shifted when
    something slips between the motor's shaft and the axis.
    """
    limit = stepper.return_error_max_steps
    counted = (after.met - before.met) / stepper.microsteps
    encoded = (after.encoded_rev - before.encoded_rev) * stepper.steps_per_rev
    has_encoder = not math.isnan(encoded)
    shaft = has_encoder and abs(counted) > limit and abs(encoded) > limit
    note = f"home switch met at {before.met}, then at {after.met} microsteps"
    if has_encoder and (shaft or abs(encoded) > limit):
        measure.look_first(_causes.RETURN_COUPLING if shaft else _causes.RETURN_ENCODER)
    if shaft:
        note += (
            "; the encoder on the motor's shaft agrees with the step counter: NO STEP WAS LOST, the coupling, belt or gear "
            "behind the motor slips"
        )
    measure(
        "steps lost over the trips",
        abs(counted),
        "full steps",
        high=limit,
        limit="return_error_max_steps",
        note=note,
    )
    if has_encoder:
        slips = "; the step counter is right: the encoder's hub slips on the shaft, or it loses counts"
        measure(
            "encoder at the home switch, before and after the trips",
            abs(encoded),
            "full steps",
            high=limit,
            limit="return_error_max_steps",
            note=f"{before.encoded_rev:.4f}, then {after.encoded_rev:.4f} motor turns"
            + (slips if abs(encoded) > limit and not shaft else ""),
        )


def clear_of_home(stepper: Stepper) -> int:
    """Microsteps from the home switch to where it has surely let go; 0 for an axis without one."""
    if stepper.home_switch is None:
        return 0
    return round(1.5 * stepper.home_release_rev * stepper.steps_per_rev * stepper.microsteps)


def warm(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure, watch: Watch) -> None:
    """Out and back for a while, with an eye on the sensor on the motor, and on the switches."""
    assert stepper.motor_sensor is not None
    axis = Axis(link, node, stepper, measure)
    curve = measure.curve(f"{stepper.name} motor temperature", "degC")
    long = round(stepper.long_move_rev * axis.per_rev)
    start_c = _mean_c(link, node, stepper.motor_sensor)
    at_most_k = sure_rise_k(measure.memory, node.name, stepper.motor_sensor, stepper.warm_rise_max_k)
    node.enable_driver(stepper.name, True)
    start_s, rise_k = link.now_s, 0.0
    clear, stands = clear_of_home(stepper), 0
    try:
        axis.move(clear)
        stands += clear
        while link.now_s - start_s < stepper.warm_s and rise_k <= at_most_k:
            for way in (long, -long):
                with watch.moving(way):
                    axis.move(way, stepper.speed_rev_s)
                stands += way
                reading = node.read_temperature_c(stepper.motor_sensor)
                curve.add(reading)
                rise_k = reading - start_c
                if rise_k > at_most_k:
                    break
            if clear and stands == clear and axis.at_home():
                measure.look_first(*_causes.steps_lost())
                measure.fail(
                    f"steps were lost: after {link.now_s - start_s:.0f} s out and back {stepper.home_switch!r} was met "
                    f"{clear / axis.per_rev:g} turns too early. Nothing was moved further"
                )
        if rise_k > at_most_k:
            measure.note(
                f"too warm: nothing was moved further, and the axis stands {stands / axis.per_rev:g} motor turns from where it "
                "began. Let the motor cool, then with the power off bring it back by hand"
            )
        else:
            axis.move(-clear)
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    ran_s = link.now_s - start_s
    driver = node.read_driver(stepper.name)
    mean_k = _mean_c(link, node, stepper.motor_sensor) - start_c
    rise_k = max(rise_k, mean_k) if rise_k > at_most_k else mean_k
    node.enable_driver(stepper.name, False)
    measure("ran for", ran_s, "s")
    _judge_driver(driver, stepper, measure)
    watch.judge()
    measure("rise of the motor's case", rise_k, "K", high=stepper.warm_rise_max_k, limit="warm_rise_max_k")
    if rise_k < NOISE_K and not measure.failed:
        measure.not_observable(
            f"sensor {stepper.motor_sensor!r} did not see the motor of {stepper.name!r} get warm ({rise_k:.1f} K in {ran_s:.0f} s)",
            "its sensor on the motor's case, pressed on, and a warm_s long enough for some kelvin",
        )


def _mean_c(link: Link, node: GuardedNode, sensor: str) -> float:
    readings = []
    for _ in range(10):
        readings.append(node.read_temperature_c(sensor))
        link.run_for(0.1)
    return sum(readings) / len(readings)


def _judge_driver(driver: StepperDriver, stepper: Stepper, measure: Measure) -> None:
    """A driver that a dip of the supply has reset runs on with its own settings."""
    faults = sorted(driver.flags - {"open_load_a", "open_load_b"})
    measure("driver flags after the moves", len(faults), "flags", high=0, note=", ".join(faults))
    kept = driver.microsteps == stepper.microsteps and driver.current_a <= 1.07 * stepper.run_current_a
    measure.require(
        "driver kept its settings",
        driver.reachable and kept,
        "" if kept else f"{driver.current_a:.2f} A, {driver.microsteps} microsteps",
    )


@dataclass(frozen=True, slots=True)
class Met:
    """Step counts at which the home switch let go upwards and was met again downwards.

    `encoded_rev`: turns by the encoder where it was met; NaN without one.
    """

    left: int
    met: int
    encoded_rev: float


def _meet(axis: Axis, step: int, reach: int) -> Met | None:
    """Leave the switch upwards, come down on it slowly."""
    if axis.creep(step, reach, until=False) is None:
        return None
    left = axis.position()
    axis.move(3 * step)
    if axis.creep(-step, 2 * reach, until=True) is None:
        return None
    return Met(left, axis.position(), axis.encoder_turns())
