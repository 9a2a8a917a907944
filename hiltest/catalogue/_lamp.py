"""Showing colours and hearing what was seen. Private to the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes

if TYPE_CHECKING:
    from hiltest.description.models import Lamp
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator

SEVERAL, NONE = "several", "none"
LIT_AFTER_S = 0.1


def colours(link: Link, node: GuardedNode, target: Lamp, operator: Operator, measure: Measure) -> None:
    """Show each colour alone, then none."""
    seen: dict[str, str] = {}
    for colour in (*target.colours, None):
        node.set_lamp(target.name, colour)
        link.run_for(LIT_AFTER_S)
        asked = colour or NONE
        seen[asked] = operator.ask(
            f"lamp.shows[{target.name}]",
            f"Look at lamp {target.name!r}. What does it show now?",
            "choice",
            choices=[*target.colours, SEVERAL, NONE],
        )
    for asked, found in seen.items():
        measure.look_first(*_causes.lamp(seen[colour] == NONE for colour in target.colours))
        measure.equal(f"asked for {asked}", found, asked, _hint(asked, found, seen, target))


def _hint(asked: str, found: str, seen: dict[str, str], target: Lamp) -> str:
    if found == asked:
        return ""
    shown = [seen[colour] for colour in target.colours]
    if sorted(shown) == sorted(target.colours):
        return "all colours are there, in another order"
    if all(each == NONE for each in shown):
        return "the lamp stays dark: plug, supply, lamp"
    return "this colour stays dark" if found == NONE else ""
