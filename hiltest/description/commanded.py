"""Which roles the host commands, and which of them are outputs. Of all other roles it is the node that tells.

Drivers without a profile of their own (signals, frames, console) and the checks of a description both go by this.
"""

from __future__ import annotations

COMMANDED: dict[str, frozenset[str]] = {
    "node": frozenset({"all_off", "burst", "burst_interval_s", "restart"}),
    "heater": frozenset({"setpoint_c", "duty", "pulse_s", "ceiling_c"}),
    "fan": frozenset({"duty"}),
    "stepper": frozenset(
        {
            "current_a", "hold_current_a", "microsteps", "enable", "target", "distance", "start", "speed",
            "acceleration",
        }
    ),
}  # fmt: skip
"""Commanded roles by the kind of their owner. Every colour of a lamp is one, too."""

OUTPUTS = {"heater": ("setpoint_c", "duty"), "fan": ("duty",), "stepper": ("enable",)}
"""Commanded roles that are outputs: off means that they rest."""


def is_commanded(kind: str, role: str) -> bool:
    """True if the host commands this role."""
    return kind == "lamp" or role in COMMANDED.get(kind, ())


def is_told(kind: str, role: str) -> bool:
    """True if a console node is told this role by a line of its own."""
    return is_commanded(kind, role) or (kind, role) == ("node", "hang")


def is_output(kind: str, role: str) -> bool:
    """True if commanding this role can put power on something."""
    return kind == "lamp" or role in OUTPUTS.get(kind, ())
