"""Which checks must have passed before a verb may energise. Tables; `Guard` goes by them."""

from __future__ import annotations

_ON_THE_BUS = (
    "cold.power_on[{bus}]",
    "bus.quiet[{bus}]",
    "bus.enumerate[{node}]",
    "bus.observer[{bus}]",
)
"""Measured before it was powered, quiet, the right boards, and somebody who really sees a bus error."""

_HEATED = (*_ON_THE_BUS, "cold.heater[{load}]", "cold.sensor[{sensor}]", "sense.supply[{node}]")
_MOVED = (
    *_ON_THE_BUS,
    "cold.coils[{load}]",
    "switch.by_hand[{home_switch}]",
    "switch.by_hand[{end_switch}]",
    "motion.driver_ready[{load}]",
)
_OBEYS = (
    "safe.host_silence[{node}]",
    "safe.foreign_traffic[{node}]",
    "safe.bus_cut[{node}]",
    "safe.stop[{node}]",
    "safe.reset[{node}]",
    "safe.old_commands[{node}]",
    "safe.emergency_stop[{node}]",
)
"""The node lets go when it should, does nothing by itself, and the emergency stop that it is said to have takes its power:
before an axis goes further than a small move."""

GATES: dict[str, tuple[str, ...]] = {
    "set_lamp": ("cold.power_on[{bus}]", "bus.enumerate[{node}]"),
    "set_fan": _ON_THE_BUS,
    "pulse_heater": (*_HEATED, "sense.ambient[{sensor}]", "heat.idle[{load}]"),
    "set_heater_c": (
        *_HEATED,
        "sense.ambient[{sensor}]",
        "heat.pulse[{load}]",
        "safe.host_silence[{node}]",
        "safe.bus_cut[{node}]",
    ),
    "enable_driver": _MOVED,
    "move": _MOVED,
    "long move": (*_MOVED, "motion.direction[{load}]", *_OBEYS, "safe.move_ends[{load}]"),
}
"""Checks that must have passed before a verb may energise. A long move is longer than small_move_rev, and besides these
no check may have failed that holds it back: see HELD_BACK_BY.

A check that the catalogue does not have for a description (nobody takes part who could measure with the power off,
the axis has no switch) is no gate there.
"""

HELD_BACK_BY = ("cold", "sense", "switch", "heat", "motion", "safe")
"""Once a check of one of these groups has failed, whatever part it was for, nothing goes far any more with this unit.

No move is longer than small_move_rev, and a setpoint stands no longer than the pulse, heater.pulse_s. Small moves and
pulses go on: they are bounded whatever is wrong, and an independent fault still shows in them. What shows only in a
long move or a warm block waits for the next run. The groups are those that say something of what burns, crushes or
stops: a fan that stands still, a dark lamp, a slow bus hold nothing back (what a node does without the bus is drilled
by safe.*, and each verb has its own gates on the bus).
"""

SMALL_MOVES_OUT = 2.0
"""Small moves add up: what leads further than so many of them from where the axis began counts as a long move. (A drill
ends its moves before their time, and comes back by commands alone.)
"""

BRIEF_S = 3.0
"""So long a setpoint may stand all the same where heater.pulse_s is shorter: a drill closes the loop for a second."""

DRILL_GATES: dict[str, tuple[str, ...]] = {
    "ask_above_ceiling": (*GATES["set_heater_c"], "heat.low_setpoint[{load}]"),
}
"""The same for verbs that only drills use."""

NODE_GATES: dict[str, tuple[str, ...]] = {"hang": (*_ON_THE_BUS, "safe.host_silence[{node}]")}
"""The same for verbs that are for a whole node."""

KIND_OF_VERB = {
    "set_fan": "fan",
    "set_lamp": "lamp",
    "pulse_heater": "heater",
    "set_heater_c": "heater",
    "ask_above_ceiling": "heater",
    "enable_driver": "stepper",
    "move": "stepper",
}
"""On what kind of load each verb acts."""
