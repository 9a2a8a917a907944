"""How the motion checks move an axis. Private to the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.errors import NoAnswer

if TYPE_CHECKING:
    from hiltest.description.models import Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

SLOW_REV_S = 0.5
RELEASE_LOW, RELEASE_HIGH = 0.3, 2.5
TRIPS = 2


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
    if stepper.home_switch is None:
        measure.not_observable(
            f"stepper {stepper.name!r} has neither an encoder nor a home switch to see its direction by",
            "home_switch or encoder_counts_per_rev in the description",
        )
    if not axis.at_home():
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
    start = axis.position()
    try:
        released = axis.creep(step, small, until=False)
        out = axis.position() - start
        done = abs(out)
        if released is not None:
            axis.move(small - released)
            done = small
        top = axis.position() - start
        flags = node.read_driver(stepper.name).flags
        axis.move(-done)
        back = axis.position() - start
        home_again = axis.at_home()
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    _judge_direction(axis, released, done, top, back, home_again, flags)


def _judge_direction(
    axis: Axis, released: int | None, done: int, top: int, back: int, home_again: bool, flags: frozenset[str]
) -> None:
    measure, stepper = axis.measure, axis.stepper
    measure("counted on the way out", top, "microsteps", low=done, high=done)
    measure("counted after the return", back, "microsteps", low=0, high=0)
    open_load = sorted(flags & {"open_load_a", "open_load_b"})
    measure("open-load flags at slow motion", len(open_load), "flags", high=0, note=", ".join(open_load))
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
    )
    measure.require("switch met again on the way back", home_again)


def out_and_back(link: Link, node: GuardedNode, stepper: Stepper, measure: Measure) -> None:
    """Compare where the home switch is met before and after long moves at working speed."""
    axis = Axis(link, node, stepper, measure)
    _parked(axis)
    full_step = stepper.microsteps
    reach = round(2 * RELEASE_HIGH * stepper.home_release_rev * axis.per_rev)
    node.enable_driver(stepper.name, True)
    try:
        before = _meet(axis, full_step, reach)
        if before is None:
            measure.fail("the home switch was not met again by a slow approach, before any long move")
        assert before is not None
        long = round(stepper.long_move_rev * axis.per_rev)
        clear = round(1.5 * stepper.home_release_rev * axis.per_rev)
        for _ in range(TRIPS):
            axis.move(clear)
            axis.move(long, stepper.speed_rev_s)
            axis.position()
            axis.move(-long, stepper.speed_rev_s)
            axis.position()
            axis.move(-clear)
        after = _meet(axis, full_step, reach)
    except NoAnswer as error:
        measure.fail(f"the move did not end: {error}")
    if after is None:
        measure.fail(
            f"after {TRIPS} trips of {stepper.long_move_rev:g} turns the home switch was not found within "
            f"{reach / axis.per_rev:.2f} turns: many steps were lost"
        )
    assert after is not None
    error_steps = (after - before) / full_step
    measure(
        "steps lost over the trips",
        abs(error_steps),
        "full steps",
        high=stepper.return_error_max_steps,
        limit="return_error_max_steps",
        note=f"home switch met at {before}, then at {after} microsteps",
    )


def _meet(axis: Axis, step: int, reach: int) -> int | None:
    """Leave the switch upwards, come down on it slowly; return the count at which it is met."""
    if axis.creep(step, reach, until=False) is None:
        return None
    axis.move(3 * step)
    if axis.creep(-step, 2 * reach, until=True) is None:
        return None
    return axis.position()
