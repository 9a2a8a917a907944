"""What to add to a description so that a node offers a verb that it does not offer yet."""

from __future__ import annotations

from collections.abc import Iterable

from hiltest.description.models import Description, Load, Node
from hiltest.node import _roletable, places

_BEAT = "describe a heartbeat of it on a bus (heartbeat of the node)"
_OTHERWISE: dict[str, dict[str, str]] = {
    "canopen": {"compare_configuration": "name a DCF file with ParameterValue as its eds"},
    "signals": {
        "go_silent": "give a message that the host sends a cycle time",
        "resume": "give a message that the host sends a cycle time",
        "send_stale": "give a message that the host sends a cycle time",
    },
    "console": {
        "search": _BEAT,
        "watch_heartbeat": _BEAT,
        "restart": "add roles.restart to the node, and boot to its [console]",
        "hang": "add roles.hang to the node, and boot to its [console]",
        "go_silent": "add alive to its [console]",
        "resume": "add alive to its [console]",
    },
}
_OTHERWISE["frames"] = _OTHERWISE["signals"]


def remedy(description: Description, node: Node, verbs: Iterable[str]) -> str:
    """What to add, in words, so that `node` offers these verbs ("hang", "pulse_heater[plate]").

    Empty where nothing in a description would do.
    """
    told = dict.fromkeys(_of_verb(description, node, *_split(verb)) for verb in verbs)
    return "; ".join(each for each in told if each)


def or_leave_out(description: Description, check: str) -> str:
    """How to be accepted without a check that is not offered; empty where the description lets it be missing."""
    allowed = description.fixture.may_be_missing
    if check in allowed or check.partition("[")[0] in allowed:
        return ""
    return f"if this node can't do that, add '{check}' to fixture.may_be_missing"


def _split(verb: str) -> tuple[str, str]:
    name, _, load = verb.partition("[")
    return name, load.removesuffix("]")


def _of_verb(description: Description, node: Node, verb: str, load: str) -> str:
    if node.protocol == "own":
        return f"define {verb} in its driver class"
    if known := _OTHERWISE.get(node.protocol, {}).get(verb):
        return known
    if verb == "set_lamp":
        return f"add a role for each of its colours to lamp {load!r}"
    if verb in ("move", "enable_driver", "read_position"):
        ways = "enable, position, and target or distance"
        if node.protocol == "canopen":
            ways = "control, status, mode, target, speed and position, or give its EDS the objects of CiA 402"
        return f"add to stepper {load!r} the roles {ways}"
    kind, roles = _needs(node, verb)
    owner = node if kind == "node" else _load(description, node, kind, load)
    if owner is None or not roles:
        return ""
    if verb == "read_tach_hz" and getattr(owner, "wires", 0) == 2:
        return "two wires carry no tachometer: with fixture.operator = true somebody looks at the fan instead (fan.by_eye)"
    missing = [role for role in roles if role not in owner.roles]
    if not missing:  # a message of the node in place of one of the host, or the other way round
        return f"let roles.{' and roles.'.join(roles)} of {kind} {owner.name!r} lead to what {verb} needs"
    return f"add {' and '.join(f'roles.{role}' for role in missing)} to {kind} {owner.name!r}"


def _needs(node: Node, verb: str) -> tuple[str, list[str]]:
    """Kind of part, and the roles that the verb needs of it."""
    of_node, of_loads = _roletable.NODE_VERBS, _roletable.LOAD_VERBS
    if node.protocol == "canopen":
        of_node, of_loads = places.NODE_VERBS, places.LOAD_VERBS
    for kind, verbs in {"node": of_node, **of_loads}.items():
        if verb in verbs:
            return kind, [role.lstrip("!?") for role in verbs[verb]]
    return "", []


def _load(description: Description, node: Node, kind: str, name: str) -> Load | None:
    found = (each for each in description.loads if each.node == node.name and each.name == name)
    return next((each for each in found if type(each).__name__.lower() == kind), None)
