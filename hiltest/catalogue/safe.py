"""Powered: drills that take something away while outputs are on. The output is observed, not the message."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure


@check(
    "safe.host_silence",
    per="node",
    order=600,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]"),
    verbs=("go_silent", "resume"),
    window_s=lambda node: 90.0 + 2 * node.host_silence_max_s,
    page=Page(
        purpose="When the host falls silent, the node switches every output off by itself, in time.",
        hazard="If it does not, a crashed host leaves a heater on with nobody in control. The energy is limited: "
        "low setpoint, fans at part speed, for a few seconds.",
        method="Everything that passed its own checks is switched on at a low level. Then the host sends nothing "
        "for node.host_silence_max_s plus half a second. Afterwards the outputs are read before anything is "
        "commanded: applied heater output, tachometers, temperature. What the node sent by itself meanwhile gives "
        "the time at which each output dropped.",
        limits=(
            ("all outputs off within node.host_silence_max_s", "0.1 s to 1 s is common practice, no source"),
            (
                "CANopen: the node's heartbeat consumer acts",
                "CiA 301 object 0x1016; behaviour after it 0x1029",
            ),
        ),
        causes=(
            "no host watch in the firmware, or its time is zero",
            "the watch is fed by any traffic instead of the host's own heartbeat",
            "the watch only sends a message and leaves the outputs",
        ),
    ),
)
def test_host_silence(target: Node, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Silence, then look at the outputs."""
    from hiltest.catalogue import _safe

    _safe.host_silence(link, node, target, measure)
