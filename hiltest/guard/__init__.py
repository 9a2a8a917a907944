"""The guard: limits, gates and all-off. It stands between whoever tests and whatever gets hot or moves.

It works by itself. Checks never ask it; it listens to what the nodes say, commands every output off when a limit
is passed, and raises `GuardTripped` in whoever is waiting, again and again, until outputs were commanded off.
What may be energised is decided where the verb is (`GuardedNode`), not by the order of checks.

It is no protection against fire. It depends on the host, the adapter, the wire and the node's firmware; what
remains without them is the node's own watch on the host, a thermal cut-off in series with the heater, and a
switch within reach. Local codes and licensed practice come first.
"""

from hiltest.guard.gates import BRIEF_S, DRILL_GATES, GATES, HELD_BACK_BY, NODE_GATES
from hiltest.guard.nodes import ABOVE_CEILING_MAX_K, GuardedNode
from hiltest.guard.watch import EXCUSED_MAX_S, Guard

__all__ = [
    "ABOVE_CEILING_MAX_K",
    "BRIEF_S",
    "DRILL_GATES",
    "EXCUSED_MAX_S",
    "GATES",
    "HELD_BACK_BY",
    "NODE_GATES",
    "Guard",
    "GuardedNode",
]
