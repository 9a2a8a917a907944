"""Powered, outputs off: every switch pressed by hand, by name, before anything moves towards it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.cold import QUESTION_S, WITH_OPERATOR, with_operator
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Switch
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator


@check(
    "switch.by_hand",
    per="switch",
    order=260,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]"),
    verbs=("read_switch[{load}]",),
    window_s=6 * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    builds_on=("bus.enumerate[{any_node}]",),
    page=Page(
        purpose="Each switch does what its name says: it follows the hand, the right way round, alone, and calms down.",
        hazard="An axis that is driven towards a switch that never triggers runs into its stop. The state at rest of such a "
        "switch looks healthy. The motor is not energised while hands are in the machine.",
        method="The operator says whether the lever is free or pressed by the machine, then presses it (or frees it) for two "
        "seconds. Meanwhile this switch is read as fast as its node answers, and beside it all others of every node that "
        "was enumerated.",
        limits=(
            ("at rest, pressed and let go it reads what the lever shows", "exact"),
            ("no change while nobody touches it; no other switch changes", "exact"),
            (
                "calm within switch.settle_max_s",
                "contacts bounce for 1.6 ms on average, 6.2 ms at worst; common practice",
            ),
        ),
        causes=_causes.SWITCH,
    ),
)
def test_by_hand(
    target: Switch,
    link: Link,
    node: GuardedNode,
    known_nodes: list[GuardedNode],
    operator: Operator,
    measure: Measure,
) -> None:
    """At rest, pressed, let go."""
    from hiltest.catalogue import _switch

    _switch.by_hand(link, node, known_nodes, target, operator, measure)
