"""The drill of a move that is under way when its host falls silent, or stops. Private to the catalogue.

No move is longer than stepper.small_move_rev, and each is so slow that it would still be going when the node must have
ended it: an axis that goes on ends at the end of its small move by itself.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from hiltest.catalogue._motion import SLOW_REV_S, Axis
from hiltest.catalogue._safe import PULSE_OVER_LIMIT, STALE_EVERY_S, judge_current
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
"""Between the two looks that show that it stands."""
STALE_FOR_S = 0.2
OLD_MOVES = 20
"""An old move is this part of the small move: however many are obeyed, little happens."""
SLACK_S = 0.25
"""How old a position may be that a node sends by itself, and how long its way to the host is on a busy machine."""
ANSWER_S = 0.5


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

    def judge_end(
        self, microsteps: int, limit_s: float, limit: str, what: str, take_away: Callable[[], None]
    ) -> None:
        """Move by `microsteps`, take something away while the move is under way, and see that it ends in time."""
        measure, axis = self.measure, self.axis
        self.node.enable_driver(self.stepper.name, True)
        speed = abs(microsteps) / (PULSE_OVER_LIMIT * limit_s)
        start = axis.position()
        self._set_off(microsteps, speed / axis.per_rev)
        on_a = self.supply.read_a() if self.supply is not None else 0.0
        before = axis.position()
        measure(f"under way when {what}", abs(before - start), "microsteps", low=1, high=abs(microsteps) - 1)
        take_away()
        self.link.run_for(limit_s + SLACK_S)
        first, encoder_first = axis.position(), axis.encoder_turns()
        self.link.run_for(LOOK_S)
        last, encoder_last = axis.position(), axis.encoder_turns()
        measure(
            f"went on after {what} by",
            abs(last - before),
            "microsteps",
            high=speed * (limit_s + SLACK_S) + 1,
            note=f"at most {limit_s:g} s long ({limit})",
        )
        measure(f"still going {limit_s:g} s after {what}", abs(last - first), "microsteps", high=0)
        if axis.has_encoder:
            moved = abs(encoder_last - encoder_first) * self.stepper.steps_per_rev
            measure(f"by its encoder, after {what}", moved, "full steps", high=1.0)
        judge_current(measure, self.supply, self.rest_a, on_a, what)
        self._end_if_failed(what)

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
        name, measure = self.stepper.name, self.measure
        if f"send_stale[{name}]" not in self.node.offers:
            measure(
                f"old moves of {name}",
                "not part of this drill",
                note="its driver can't send a move without waiting for the answer",
            )
            self.node.resume()
            return
        step = _old_step(self.axis)
        send = partial(self.node.send_stale, {}, {}, {name: OldMove(step, SLOW_REV_S)})
        before, sent = self.axis.position(), 0

        def command() -> None:
            nonlocal sent
            send()
            sent += 1

        timer = self.link.every(STALE_EVERY_S, command)
        try:
            self.link.run_for(
                STALE_FOR_S
            )  # nothing is read meanwhile: over a console an answer to these is nobody's
        finally:
            timer.cancel()
        self.link.run_for(LOOK_S)
        self.node.resume()
        command()
        self.link.run_for(LOOK_S)
        measure("old moves sent", sent, "moves")
        moved = abs(self.axis.position() - before)
        measure("moved by old moves", moved, "microsteps", high=0, note=f"each of {step} microsteps")
        self._end_if_failed("the old moves")

    def _end_if_failed(self, what: str) -> None:
        if self.measure.failed:
            self.node.stop_all()
            self.measure.fail(
                f"a motor was not let go after {what}; every output was commanded off, and no long move is made on this node"
            )


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
    """Out until the host is silent, old moves meanwhile, further out until the stop command, then home."""
    part = _node_of(stepper, measure)
    moving = Moving(link, node, stepper, measure, supply)
    axis = moving.axis
    start = axis.position()
    was_home = axis.at_home() if stepper.home_switch is not None else None
    small = round(stepper.small_move_rev * axis.per_rev)
    moving.judge_end(
        small, part.host_silence_max_s, "node.host_silence_max_s", "the host fell silent", node.go_silent
    )
    moving.judge_old_moves()
    moving.judge_off("the host fell silent")
    node.stop_all()
    node.start()
    left = start + small - axis.position()
    moving.judge_end(left, part.stop_max_s, "node.stop_max_s", "the stop command", node.stop_all)
    moving.judge_off("the stop command")
    node.enable_driver(stepper.name, True)
    axis.move(start - axis.position())
    if was_home is not None:
        measure.require("home switch as before, back where it began", axis.at_home() is was_home)
    node.enable_driver(stepper.name, False)


def _node_of(stepper: Stepper, measure: Measure) -> Node:
    return next(each for each in measure.description.node if each.name == stepper.node)
