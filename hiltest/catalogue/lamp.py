"""Powered: every colour of a lamp shown, and named by whoever looks at it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.cold import QUESTION_S, WITH_OPERATOR, with_operator
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Lamp
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator


@check(
    "lamp.colours",
    per="lamp",
    order=280,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]"),
    verbs=("set_lamp[{load}]",),
    window_s=lambda lamp: (len(lamp.colours) + 2) * QUESTION_S,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="Each colour of the lamp is the colour that was asked for, and none is dark.",
        hazard="A status lamp that shows green for red sends people to a hot or moving machine.",
        method="Each colour is shown alone, then none. The operator says what is lit, and is not told what was asked for.",
        limits=(("the colour that is seen is the colour that was asked for", "exact"),),
        causes=_causes.LAMP,
    ),
)
def test_colours(target: Lamp, link: Link, node: GuardedNode, operator: Operator, measure: Measure) -> None:
    """Every colour, and none."""
    from hiltest.catalogue import _lamp

    _lamp.colours(link, node, target, operator, measure)
