"""Powered: parts get hot. First a watch with the heater off, then one bounded pulse, then the closed loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Heater
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

_VERBS = ("read_temperature_c[{sensor}]", "read_heater_output[{load}]")
_BURN = "Hot block; an element that is stuck on, of the wrong voltage or out of its block can start a fire."


@check(
    "heat.idle",
    per="heater",
    order=400,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "sense.ambient[{sensor}]"),
    verbs=_VERBS,
    window_s=lambda heater: heater.idle_s + 15.0,
    page=Page(
        purpose="With the heater commanded off nothing heats.",
        hazard=f"{_BURN} Software can't stop a switch that failed closed: only removing the supply can.",
        method="The temperature is watched for heater.idle_s with the output at zero.",
        limits=(
            ("rise up to 1 K", "a heater stuck on rises by more than that in seconds; common practice"),
            ("output applied is zero", "the node's own report"),
        ),
        causes=(
            "the heater's switch failed closed, or a solder bridge: switch the supply off at once",
            "duty inverted: off is full on",
            "the block was still cooling or warming from before: let it rest",
        ),
    ),
)
def test_idle(target: Heater, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Zero command, no heat."""
    from hiltest.catalogue import _heat

    _heat.watch_idle(link, node, target, measure, target.idle_s)


@check(
    "heat.pulse",
    per="heater",
    order=410,
    gates=(
        "desk.power_pair[{node}]",
        "cold.heater[{load}]",
        "cold.sensor[{sensor}]",
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "sense.supply[{node}]",
        "sense.ambient[{sensor}]",
        "heat.idle[{load}]",
    ),
    verbs=(*_VERBS, "pulse_heater[{load}]"),
    window_s=lambda heater: 30.0 + heater.pulse_s + heater.pulse_watch_s,
    page=Page(
        purpose="A pulse of bounded energy shows that this heater heats this sensor, with the right power, before "
        "any loop is closed.",
        hazard=f"{_BURN} The pulse is short enough that even an element of four times the power stays within "
        "heater.pulse_rise_max_k.",
        method="Full duty for heater.pulse_s; the node itself ends it. The peak of the rise is judged, not a "
        "reading at a fixed time, because the lag of the sensor differs between good boards. The expected peak "
        "follows from power, heat capacity and loss, corrected for the measured supply. Every other sensor is "
        "watched too.",
        limits=(
            (
                "peak rise 0.72 to 1.35 of the expected one",
                "spread of healthy boards by simulation is 0.88 to 1.15; "
                "a second half of that for the description's heat capacity; chosen for hiltest",
            ),
            ("no other sensor rises by more than 40 % of this one", "chosen for hiltest"),
        ),
        causes=(
            "flat, and the supply does not dip: heater open, plug out",
            "flat, but another sensor rises: plugs of two heaters or two sensors exchanged",
            "flat, but the supply dips: SENSOR OR HEATER OUT OF THE BLOCK. Stop, let it cool, look",
            "half of the rise: element of another power, one of two elements open, sensor half out",
            "far too much: element for a lower voltage. Do not power it again",
        ),
    ),
)
def test_pulse(target: Heater, link: Link, node: GuardedNode, measure: Measure) -> None:
    """One bounded pulse before any loop is closed."""
    from hiltest.catalogue import _heat

    _heat.pulse(link, node, target, measure)


@check(
    "heat.low_setpoint",
    per="heater",
    order=420,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "sense.ambient[{sensor}]", "heat.pulse[{load}]"),
    verbs=(*_VERBS, "set_heater_c[{load}]"),
    window_s=lambda heater: 60.0 + heater.window_s + heater.steady_s,
    page=Page(
        purpose="The heater reaches its low setpoint within its window, does not overshoot, and holds it.",
        hazard=_BURN,
        method="The node's own loop is given the low setpoint. The curve is kept; time to reach is the first "
        "reading within the steady band; then the band is watched for heater.steady_s; then it is switched off "
        "and must cool.",
        limits=(
            ("reached within heater.window_s", "chosen for hiltest; set it from a good board"),
            ("overshoot up to heater.overshoot_max_k", "common practice, no source"),
            ("within heater.steady_band_k afterwards", "common practice, no source"),
            ("the supply dips no more than harness.drop_max_percent", "3 % to 5 % is common practice"),
        ),
        causes=(
            "too slow: weak element, low supply, thin power pair, a fan that blows on the block",
            "overshoot or swinging: sensor loosely seated, loop constants for another block",
            "never steady: loose sensor contact",
            "does not cool: output stuck on",
        ),
    ),
)
def test_low_setpoint(target: Heater, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Closed loop to the low setpoint."""
    from hiltest.catalogue import _heat

    _heat.low_setpoint(link, node, target, measure)
