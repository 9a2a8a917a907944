"""The drill of a move that is under way when its host falls silent or stops, or its node or bus goes. Private to the catalogue.

No move is longer than stepper.small_move_rev, and each is so slow that it would still be going when the node must have
ended it: an axis that goes on ends at the end of its small move by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from hiltest.catalogue._loads import MUTE, has_motors_alone
from hiltest.catalogue._motion import SLOW_REV_S, Axis
from hiltest.catalogue._safe import (
    PULSE_OVER_LIMIT,
    STALE_EVERY_S,
    Live,
    Traffic,
    await_sign,
    judge_current,
    leave_bus,
)
from hiltest.errors import NoAnswer, Refused
from hiltest.node.verbs import OldMove

if TYPE_CHECKING:
    from collections.abc import Callable

    from hiltest.description.models import Node, Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply

UNDER_WAY_S = 0.3
LOOK_S = 0.3
"""Between the two looks that show that it stands, or as long as STEPS_SEEN take where they take longer."""
STEPS_SEEN = 2.0
STALE_FOR_S = 0.2
OLD_MOVES = 20
"""An old move is this part of the small move: however many are obeyed, little happens."""
SLACK_S = 0.25
"""How old a position may be that a node sends by itself, and how long its way to the host is on a busy machine."""
ANSWER_S = 0.5
BACK_S = 3.0


@dataclass(frozen=True, slots=True)
class UnderWay:
    """A slow move: its length and the counter in microsteps, where it began and at the last look, microsteps/s, and what the
    bench supply gives.
    """

    length: int
    began: int
    before: int
    speed: float
    on_a: float


class Moving:
    """One axis, moved slowly, with what was taken away meanwhile."""

    def __init__(
        self,
        link: Link,
        node: GuardedNode,
        stepper: Stepper,
        measure: Measure,
        supply: ScpiSupply | None,
    ) -> None:
        self.link, self.node, self.stepper, self.measure, self.supply = link, node, stepper, measure, supply
        self.axis = Axis(link, node, stepper, measure)
        self.rest_a = supply.read_a() if supply is not None else 0.0
        self.start = self.axis.position()
        self.was_home = self.axis.at_home() if stepper.home_switch is not None else None
        self.old_sent = 0
        self.small = round(stepper.small_move_rev * self.axis.per_rev)

    def judge_end(
        self, microsteps: int, limit_s: float, limit: str, what: str, take_away: Callable[[], None]
    ) -> None:
        """Move by `microsteps`, take something away while the move is under way, and see that it ends in time."""
        under_way = self._under_way(microsteps, limit_s, what)
        take_away()
        self.link.run_for(limit_s + SLACK_S)
        self._judge_stands(under_way, limit_s, limit, what)

    def judge_cut(self, part: Node, microsteps: int) -> None:
        """The adapter leaves the bus while the move is under way: nothing reaches the node, and nobody acknowledges it."""
        limit_s, what = part.host_silence_max_s, "the bus was cut"
        under_way = self._under_way(microsteps, limit_s, what)
        self.node.excuse(part.name, limit_s + BACK_S + 1.0)
        heard = leave_bus(self.link, self.node, self.measure, limit_s + SLACK_S)
        if heard:
            self.node.stop_all()
            self.measure.not_observable(
                f"{heard} frames of the node still arrived: this adapter can't leave the bus by being opened at another rate",
                "an adapter that can",
            )
        back_s = await_sign(self.link, self.node, BACK_S)
        self.measure("back on the bus after", back_s, "s", high=BACK_S)
        if math.isnan(back_s):
            self.measure.fail(
                "the node did not come back on the bus, so whether its motor stands is not known. CUT THE SUPPLY, then look at "
                "its recovery from bus-off"
            )
        self._judge_stands(under_way, limit_s, "node.host_silence_max_s", what)

    def judge_reset(self, part: Node, microsteps: int) -> None:
        """The node is reset while the move is under way, and once it stands old moves are sent, before anything of ours
        starts it anew. Its counter may begin anew: `start` is moved with it.
        """
        limit_s, what = part.boot_max_s, "the reset"
        under_way = self._under_way(microsteps, limit_s, what)
        self.node.go_silent()
        try:
            self.node.restart(within_s=3 * limit_s + 1.0)
        except NoAnswer as error:
            self.measure.fail(f"with a move under way the node did not come back from its reset: {error}")
        self.link.run_for(SLACK_S)
        now, before = self.axis.position(), under_way.before
        begins_anew = abs(now) < abs(now - before)
        if begins_anew:
            self.start -= before
        self._judge_stands(
            under_way, 0.0, "the reset itself ends it", what, counted_from=0 if begins_anew else before
        )
        if self.sends_old:
            stood = self.axis.position()
            self._send_old_for(STALE_FOR_S)
            self.link.run_for(LOOK_S)
            self._judge_moved_by_old(stood, "after the reset")
        self.node.resume()

    def _under_way(self, microsteps: int, limit_s: float, what: str) -> UnderWay:
        """Set off on a move of `microsteps` that would take `takes_s(limit_s)`."""
        measure, axis = self.measure, self.axis
        if abs(microsteps) < 2:
            self._end_unseen(f"{microsteps} microsteps of the small move are left for a move when {what}")
        self.node.enable_driver(self.stepper.name, True)
        speed = abs(microsteps) / takes_s(limit_s)
        start = axis.position()
        self._set_off(microsteps, speed / axis.per_rev)
        on_a = self.supply.read_a() if self.supply is not None else 0.0
        before = axis.position()
        measure(f"under way when {what}", abs(before - start), "microsteps", low=1, high=abs(microsteps) - 1)
        return UnderWay(abs(microsteps), start, before, speed, on_a)

    def _judge_stands(
        self, under_way: UnderWay, limit_s: float, limit: str, what: str, counted_from: int | None = None
    ) -> None:
        """By two looks: it went no further than it may within `limit_s`, and stands; the supply shows no current of it.

        A move that has come to its own end shows nothing of this, and is never read as one that was ended.
        """
        measure, axis = self.measure, self.axis
        first, encoder_first = axis.position(), axis.encoder_turns()
        self.link.run_for(max(LOOK_S, STEPS_SEEN / under_way.speed))
        last, encoder_last = axis.position(), axis.encoder_turns()
        went_on = abs(last - (under_way.before if counted_from is None else counted_from))
        measure(
            f"went on after {what} by",
            went_on,
            "microsteps",
            high=under_way.speed * (limit_s + SLACK_S) + 1,
            note=f"at most {limit_s:g} s long ({limit})",
        )
        measure(f"still going {limit_s:g} s after {what}", abs(last - first), "microsteps", high=0)
        if axis.has_encoder:
            moved = abs(encoder_last - encoder_first) * self.stepper.steps_per_rev
            measure(f"by its encoder, after {what}", moved, "full steps", high=1.0)
        judge_current(measure, self.supply, self.rest_a, under_way.on_a, what)
        self._end_if_failed(what)
        if abs(under_way.before - under_way.began) + went_on >= under_way.length:
            self._end_unseen(
                f"the move came to its own end before it was looked whether it stands after {what}"
            )

    def _end_unseen(self, why: str) -> None:
        """End the check without a verdict: there was no move that could have been seen to go on."""
        self.node.stop_all()
        self.measure.not_observable(
            f"{why}, so whether it ends a move can't be seen",
            "more microsteps in stepper.small_move_rev, or a shorter limit of the node",
        )

    def left(self) -> int:
        """Microsteps from here to the end of the small move."""
        return self.start + self.small - self.axis.position()

    def ready_again(self, after_reset: bool = False) -> None:
        """Start the node anew with every output off; after a reset its driver is told current and microsteps again."""
        self.node.stop_all()
        self.node.start()
        if not after_reset:
            return
        stepper = self.stepper
        self.node.configure_driver(stepper.name, stepper.run_current_a, stepper.microsteps)
        self.link.run_for(0.05)
        driver = self.node.read_driver(stepper.name)
        kept = driver.microsteps == stepper.microsteps and driver.current_a <= 1.07 * stepper.run_current_a
        self.measure.require(
            "driver took its settings again after the reset",
            driver.reachable and kept,
            "" if kept else f"{driver.current_a:.2f} A, {driver.microsteps} microsteps",
        )
        self._end_if_failed("the reset")

    def go_home(self) -> None:
        """Back to where it began, which its home switch must confirm."""
        self.node.enable_driver(self.stepper.name, True)
        self.axis.move(self.start - self.axis.position())
        if self.was_home is not None:
            self.measure.require(
                "home switch as before, back where it began", self.axis.at_home() is self.was_home
            )
        self._end_if_failed("the drill")

    def _set_off(self, microsteps: int, rev_s: float) -> None:
        """Start a move and come back while it is under way."""
        try:
            self.node.move(self.stepper.name, microsteps, rev_s, within_s=UNDER_WAY_S)
        except NoAnswer:
            return
        self.measure.fail("the slow move ended before anything could be taken away: its speed is not obeyed")

    def judge_off(self, what: str) -> None:
        """Without current no move is taken: one microstep, asked for without enabling the driver.

        It may start the node anew: nothing that is to be seen before that may come after it.
        """
        before = self.axis.position()
        try:
            self.node.move(self.stepper.name, 1, SLOW_REV_S, within_s=ANSWER_S)
        except (NoAnswer, Refused):
            taken = self.axis.position() != before
        else:
            taken = True
        self.measure.require(
            f"its motor has no current after {what}",
            not taken,
            "a move of one microstep was carried out without a new enable" if taken else "it takes no move",
        )
        self._end_if_failed(what)

    def judge_old_moves(self) -> None:
        """Old moves, with the host still silent and when it gives signs of life again: the node was not started anew."""
        if not self.sends_old:  # `say_no_old_moves` says so
            self.node.resume()
            return
        before = self.axis.position()
        self._send_old_for(STALE_FOR_S)
        self.link.run_for(LOOK_S)
        self.node.resume()
        self._send_old()
        self.link.run_for(LOOK_S)
        self._judge_moved_by_old(before, "with the host silent, then back")

    def say_no_old_moves(self, part: Node) -> None:
        """Where the driver can't send old moves, the verdict says that none was tried. A node with motors alone has no other
        drill that sends old commands, so the check ends without a verdict there.
        """
        if self.sends_old:
            return
        name, measure = self.stepper.name, self.measure
        why = "its driver can't send a move without waiting for the answer"
        if has_motors_alone(measure.description, part):
            measure.not_observable(
                f"whether node {part.name!r} carries out old moves of {name!r} was not tried: {why}; what else was tried is "
                "as it should be",
                "a driver that offers send_stale for this motor; over a console that is the role 'distance' beside 'enable', "
                "'target' does not do",
            )
        measure.qualify(f"whether old moves of {name!r} are carried out was not tried: {why}")

    def _judge_moved_by_old(self, stood: int, when: str) -> None:
        """No step from where it `stood`; `when` they were sent stands with it."""
        moved, step = abs(self.axis.position() - stood), _old_step(self.axis)
        note = f"{self.old_sent} sent, each of {step} microsteps, {when}"
        self.measure(f"moved by old moves {when}", moved, "microsteps", high=0, note=note)
        self.old_sent = 0
        self._end_if_failed("the old moves")

    @property
    def sends_old(self) -> bool:
        """Can this driver send a move without waiting for an answer?"""
        return f"send_stale[{self.stepper.name}]" in self.node.offers

    def _send_old_for(self, for_s: float) -> None:
        """Nothing is read meanwhile: over a console an answer to these is nobody's."""
        timer = self.link.every(STALE_EVERY_S, self._send_old)
        try:
            self.link.run_for(for_s)
        finally:
            timer.cancel()

    def _send_old(self) -> None:
        self.old_sent += 1
        self.node.send_stale({}, {}, {self.stepper.name: OldMove(_old_step(self.axis), SLOW_REV_S)})

    def _end_if_failed(self, what: str) -> None:
        if self.measure.failed:
            self.node.stop_all()
            self.measure.fail(
                f"a motor was not let go after {what}; every output was commanded off, and no long move is made on this node"
            )


def takes_s(limit_s: float) -> float:
    """How long a move takes by itself that must have ended within `limit_s`: it is under way first, and at the second of the
    two looks after the limit there is still as much of it left, in s.
    """
    return max(PULSE_OVER_LIMIT * limit_s, UNDER_WAY_S + limit_s + SLACK_S + 2 * LOOK_S)


class OldMoves:
    """The axes of a node to which old moves may be sent, and where they stood before.

    Others are said to have no part in the drill.
    """

    def __init__(self, link: Link, node: GuardedNode, part: Node, measure: Measure) -> None:
        self.measure = measure
        self.moves: dict[str, OldMove] = {}
        self._stood: list[tuple[Axis, int, bool | None]] = []
        for stepper in (each for each in measure.description.stepper if each.node == part.name):
            proven = measure.has_passed(f"safe.move_ends[{stepper.name}]")
            if not proven or f"send_stale[{stepper.name}]" not in node.offers:
                why = (
                    "its driver can't send one"
                    if proven
                    else f"safe.move_ends[{stepper.name}] has not passed"
                )
                measure(
                    f"motor {stepper.name}", "not part of this drill", note=f"no old move was sent: {why}"
                )
                continue
            axis = Axis(link, node, stepper, measure)
            at_home = axis.at_home() if stepper.home_switch is not None else None
            self.moves[stepper.name] = OldMove(_old_step(axis), SLOW_REV_S)
            self._stood.append((axis, axis.position(), at_home))

    def judge(self, what: str) -> None:
        """None of them has moved: counters begin at 0 or where they were, to one full step; home switches are as before."""
        for axis, before, at_home in self._stood:
            name, now = axis.stepper.name, axis.position()
            moved = min(abs(now), abs(now - before)) / axis.stepper.microsteps
            self.measure(
                f"motor {name} moved after {what}",
                moved,
                "full steps",
                high=1.0,
                note=f"counter {before}, then {now} microsteps",
            )
            if at_home is not None:
                self.measure.require(f"home switch of {name} as before", axis.at_home() is at_home)


def _old_step(axis: Axis) -> int:
    """Microsteps of an old move."""
    return max(1, round(axis.stepper.small_move_rev * axis.per_rev / OLD_MOVES))


def move_ends(
    link: Link, node: GuardedNode, stepper: Stepper, measure: Measure, supply: ScpiSupply | None
) -> None:
    """Out until the host is silent, old moves meanwhile, further out until the stop command, then home; and out once more
    until the node is reset, further out until the bus is cut, then home.
    """
    part = _node_of(stepper, measure)
    moving = Moving(link, node, stepper, measure, supply)
    moving.judge_end(
        moving.small,
        part.host_silence_max_s,
        "node.host_silence_max_s",
        "the host fell silent",
        node.go_silent,
    )
    moving.judge_old_moves()
    moving.judge_off("the host fell silent")
    moving.ready_again()
    moving.judge_end(moving.left(), part.stop_max_s, "node.stop_max_s", "the stop command", node.stop_all)
    moving.judge_off("the stop command")
    moving.go_home()
    if node.held_back_by:  # the unit is rejected, and no long move follows: no small one more than is needed
        measure(
            "a move under a reset, and with the bus cut",
            "not part of this drill",
            note=f"{', '.join(node.held_back_by)} failed before",
        )
    else:
        _node_and_bus(moving, part)
    node.enable_driver(stepper.name, False)
    moving.say_no_old_moves(part)
    if has_motors_alone(moving.measure.description, part):
        _say_mute_fans(part, moving.measure)


def _node_and_bus(moving: Moving, part: Node) -> None:
    """The same with the node reset, and with its bus cut. What drills of its other outputs show, a node with motors alone
    shows here.
    """
    node, measure, name = moving.node, moving.measure, moving.stepper.name
    moving.judge_reset(part, moving.left())
    if has_motors_alone(measure.description, part):
        live = Live(moving.link, node, part, measure, supply=moving.supply, counts_anew=False)
        live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    if not moving.sends_old:  # each old move asked for current and steps, and got none
        moving.judge_off("the reset")
    moving.ready_again(after_reset=True)
    if has_motors_alone(measure.description, part):
        _foreign_traffic(moving, part)
    elif not measure.has_passed(f"safe.bus_cut[{part.name}]"):
        measure.qualify(
            f"whether a move of {name!r} ends with the bus cut was not tried: safe.bus_cut[{part.name}] has not passed"
        )
        moving.go_home()
        return
    moving.judge_cut(part, moving.left())
    moving.judge_off("the bus was cut")
    moving.ready_again()
    moving.go_home()


def _foreign_traffic(moving: Moving, part: Node) -> None:
    """Traffic of others is no sign of life of the host."""
    traffic: list[Traffic] = []

    def take_away() -> None:
        moving.node.go_silent()
        traffic.append(Traffic(moving.link, part, moving.measure))

    what = "the host fell silent on a busy bus"
    try:
        moving.judge_end(moving.left(), part.host_silence_max_s, "node.host_silence_max_s", what, take_away)
    finally:
        for each in traffic:
            each.stop()
        moving.node.resume()
    moving.judge_off(what)
    moving.ready_again()


def _say_mute_fans(part: Node, measure: Measure) -> None:
    """Fans that tell no speed have no part in what motors alone show."""
    for fan in (each for each in measure.description.fan if each.node == part.name):
        line = f"fan {fan.name}: {MUTE}"
        measure.leave_out(line, f"not part of this drill: {line}")


def _node_of(stepper: Stepper, measure: Measure) -> Node:
    return next(each for each in measure.description.node if each.name == stepper.node)
