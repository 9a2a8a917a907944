"""What every driver asks before it commands a lamp."""

from __future__ import annotations

from collections.abc import Container
from typing import TYPE_CHECKING

from hiltest.errors import NotOffered, UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Lamp


def check_colour(node: str, lamp: Lamp, offered: Container[str], colour: str | None) -> None:
    """Is `colour` (None: off) one that the lamp has, and one that the node can be told? `offered`: those that it can.

    Raises:
        UsageError: the lamp has no such colour.
        NotOffered: no role leads to it.
    """
    if colour is not None and colour not in lamp.colours:
        raise UsageError(
            f"colour={colour!r}: lamp {lamp.name!r} has {', '.join(lamp.colours)}, or None for off"
        )
    wanted = lamp.colours if colour is None else (colour,)
    if not any(each in offered for each in wanted):
        raise NotOffered(node, f"set_lamp[{lamp.name}] (role {wanted[0]!r})")
