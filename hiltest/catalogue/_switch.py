"""Watching switches while a hand presses them. Private to the catalogue."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.catalogue import _causes
from hiltest.errors import NodeFault

if TYPE_CHECKING:
    from hiltest.description.models import Switch
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator

PRESSED, FREE = "pressed", "free"
WITHIN_S = 20.0
IDLE_S = 1.0
EVERY_S, OTHERS_EVERY_S = 0.02, 0.1
FOLLOW_S = 0.0005
CALM_S = 0.1
RESTLESS_S = 2.0
TRIES = 2
INSTEAD_S = 5.0
"""So long after another switch changed the pressed one still may; a hand holds a lever for two seconds."""


@dataclass(slots=True)
class Seen:
    """What was seen in one step: did the switch come to `until`, when was it calm, and which others changed."""

    came: bool = False
    changes: int = 0
    settling_s: float = 0.0
    others: set[str] = field(default_factory=set)


@dataclass(frozen=True, slots=True)
class Other:
    """A switch that must not change; `told` names its node too where that is not the target's."""

    name: str
    node: GuardedNode
    told: str


class Watch:
    """Reads one switch often and the others now and then; `unread` names those whose node did not answer."""

    def __init__(self, link: Link, node: GuardedNode, target: str, others: list[Other]) -> None:
        self._link, self._node = link, node
        self._target = target
        self.unread: set[str] = set()
        self.state = node.read_switch(target)
        self._others = others
        self._at_rest = {other.name: self._read(other) for other in others}

    def idle(self, seconds: float) -> Seen:
        """Watch while nobody touches anything."""
        seen = Seen()
        end_s = self._link.now_s + seconds
        while self._link.now_s < end_s:
            self._look(seen)
            self._look_at_others(seen)
            self._link.run_for(EVERY_S)
        return seen

    def until(self, wanted: bool, within_s: float) -> Seen:
        """Watch until the switch has come to `wanted` and is calm, or time is up, or another changes instead."""
        seen = Seen()
        end_s = self._link.now_s + within_s
        others_s = self._link.now_s
        while self._link.now_s < end_s:
            if self._look(seen):
                self._follow(seen)
                seen.came = self.state is wanted
                if seen.came:
                    break
            if self._link.now_s >= others_s:
                before = len(seen.others)
                self._look_at_others(seen)
                others_s += OTHERS_EVERY_S
                if len(seen.others) > before == 0:
                    end_s = min(end_s, self._link.now_s + INSTEAD_S)
            self._link.run_for(EVERY_S)
        self._look_at_others(seen)
        return seen

    def _follow(self, seen: Seen) -> None:
        """Read every FOLLOW_S until nothing has changed for CALM_S. (A driver that answers from what the node
        sends by itself takes no time to read: waiting is ours.)
        """
        first_s = last_s = self._link.now_s
        while self._link.now_s - last_s < CALM_S and self._link.now_s - first_s < RESTLESS_S:
            if self._look(seen):
                last_s = self._link.now_s
            self._link.run_for(FOLLOW_S)
        seen.settling_s = max(seen.settling_s, last_s - first_s)

    def _look(self, seen: Seen) -> bool:
        """Read the switch; True if it changed."""
        before, self.state = self.state, self._node.read_switch(self._target)
        changed = self.state is not before
        seen.changes += changed
        return changed

    def _look_at_others(self, seen: Seen) -> None:
        for other in self._others:
            was, now = self._at_rest[other.name], self._read(other)
            if None not in (was, now) and now is not was:
                seen.others.add(other.told)

    def _read(self, other: Other) -> bool | None:
        """One of the others; None where its node does not answer, which says nothing of the switch under test."""
        if other.told in self.unread:
            return None
        try:
            return other.node.read_switch(other.name)
        except NodeFault:
            if other.node is self._node:
                raise
            self.unread.add(other.told)
            return None


def _others(node: GuardedNode, known: list[GuardedNode], target: Switch, measure: Measure) -> list[Other]:
    """Every other switch that can be read; what can't be is noted, since a plug may sit there."""
    by_name = {each.name: each for each in known} | {node.name: node}
    found, unseen = [], []
    for switch in (each for each in measure.description.switch if each.name != target.name):
        theirs = by_name.get(switch.node or "")
        told = switch.name if switch.node == target.node else f"{switch.name} (node {switch.node})"
        if theirs is None or f"read_switch[{switch.name}]" not in theirs.offers:
            unseen.append(told)
        else:
            found.append(Other(switch.name, theirs, told))
    if unseen:
        measure.note(f"not watched meanwhile, since its node can't be asked: {', '.join(unseen)}")
    return found


def by_hand(
    link: Link,
    node: GuardedNode,
    known: list[GuardedNode],
    target: Switch,
    operator: Operator,
    measure: Measure,
) -> None:
    """One switch at rest, pressed, and let go; meanwhile every switch of the `known` nodes is watched."""
    place = f" ({target.place})" if target.place else ""
    others = _others(node, known, target, measure)
    lever = operator.ask(
        f"switch.rest[{target.name}]",
        f"Look at switch {target.name!r}{place}. Is it free, or pressed by the machine?",
        "choice",
        choices=[FREE, PRESSED],
        show=f"CAUTION: {cautions.BY_GROUP['switch']}",
    )
    is_down = lever == PRESSED
    watch = Watch(link, node, target.name, others)
    rest = watch.idle(IDLE_S)
    at_rest = watch.state
    measure("changes while nobody touched it", rest.changes, "changes", high=0)
    if rest.changes:
        measure.look_first(*_causes.switch(floats=True, follows=False, reads_right=False, others_moved=False))
        measure.fail("the input floats: pull-up missing or the wire loose; nothing was pressed")
    there, back, was_moved = _press(link, watch, target, operator, place, is_down)
    if not was_moved:
        measure.not_observable(
            f"the lever of switch {target.name!r} was not moved, so the answers say",
            "somebody who moves it while it is watched",
        )
    moved = sorted(there.others | back.others | rest.others)
    if watch.unread:
        measure.note(f"did not answer meanwhile and so is not watched: {', '.join(sorted(watch.unread))}")
    measure.look_first(
        *_causes.switch(
            floats=False,
            follows=there.came,
            reads_right=at_rest is is_down,
            others_moved=bool(moved),
        )
    )
    measure.require(
        f"reads {lever} where the lever is {lever}",
        at_rest is is_down,
        "" if at_rest is is_down else f"reads {PRESSED if at_rest else FREE}: {_why(target, there.came)}",
    )
    measure.require("follows the hand", there.came, "" if there.came else _why_stuck(target, at_rest, moved))
    measure("other switches that changed", len(moved), "switches", high=0, note=", ".join(moved))
    if not there.came:
        return
    measure.require("comes back when the hand lets go", back.came)
    measure(
        "settling time",
        max(there.settling_s, back.settling_s),
        "s",
        high=target.settle_max_s,
        limit="settle_max_s",
        note=f"{there.changes} and {back.changes} changes seen",
    )


def _press(
    link: Link, watch: Watch, target: Switch, operator: Operator, place: str, is_down: bool
) -> tuple[Seen, Seen, bool]:
    """Ask for the press and watch it; once more if the person says that nothing was pressed. And whether it was."""
    act = (
        "free it for two seconds (turn the axis off it by hand, or lift its lever), then let it back"
        if is_down
        else "press it and hold it for two seconds, then let it go"
    )
    at_rest = watch.state
    there, back, was_moved = Seen(), Seen(), False
    for _ in range(TRIES):
        if not operator.ask(
            f"switch.press[{target.name}]",
            f"Answer y, then within {WITHIN_S:g} s: {act}. Switch {target.name!r}{place}. Ready?",
        ):
            continue
        there = watch.until(not at_rest, WITHIN_S)
        if there.came:
            back, was_moved = watch.until(at_rest, WITHIN_S), True
            break
        was_moved = bool(there.others) or operator.ask(
            f"switch.pressed[{target.name}]",
            f"No change was seen. Did you move the lever of {target.name!r}?",
        )
        if was_moved:
            break
    return there, back, was_moved


def _why(target: Switch, follows: bool) -> str:
    if follows:
        return "contact type or polarity other than described, or inverted in the firmware"
    return f"its wire or contact holds it there ({target.contact.replace('_', ' ')})"


def _why_stuck(target: Switch, at_rest: bool, moved: list[str]) -> str:
    if moved:
        return f"{', '.join(moved)} changed instead: plugs exchanged"
    stays = PRESSED if at_rest else FREE
    broken = (target.contact == "normally_closed") == at_rest
    cause = "wire open or plug out" if broken else "wires shorted or contact welded"
    return f"stays {stays}: lever stuck, or {cause}"
