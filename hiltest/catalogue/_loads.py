"""What the loads of a node can show by themselves."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hiltest.description.models import Description, Node

MUTE = "it tells no speed, so whether it stops could not be seen"
"""Of a fan that has no part in a drill."""


def has_motors_alone(description: Description, node: Node) -> bool:
    """Has this node neither a heater nor a fan that tells its speed, so that only its motors show what a drill does?"""
    telling = (*description.heater, *(fan for fan in description.fan if fan.tells_speed))
    return not any(load.node == node.name for load in telling)
