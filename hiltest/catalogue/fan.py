"""Powered: fans turn, and their tachometers or whoever looks at them say so."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._eye import EYE, TACH, is_for_eyes, questions
from hiltest.catalogue.cold import QUESTION_S
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Description, Fan
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.scpi import ScpiSupply


def _for_tach(description: Description, fan: Fan) -> bool:
    """Not for two wires that somebody looks at. One of three or four has a tachometer, so what is missing is its role."""
    return not (fan.wires == 2 and is_for_eyes(description, fan))


def _window_s(fan: Fan) -> float:
    return 20.0 + 2 * fan.spin_up_max_s + 3 * fan.stop_max_s + 6.0 * len(fan.duties)


@check(
    TACH,
    per="fan",
    order=300,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "bus.observer[{bus}]"),
    verbs=("set_fan[{load}]", "read_tach_hz[{load}]"),
    window_s=_window_s,
    when=_for_tach,
    only_where="the fan has more than two wires, or nobody takes part who could look at it (then fan.by_eye is there instead)",
    page=Page(
        purpose="The fan starts, follows its command at several duties, stops, and it is this fan that does.",
        hazard="Blades: the fan starts without warning.",
        method="Rest, also of the other fans; full duty from rest (time to 90 % of the speed it then holds); each "
        "duty of the description downwards; stop; start from rest at start_duty; the duties again, upwards; stop. "
        "Speed is 60 f / pulses_per_rev; the expected one is corrected for the measured supply, and where sense.supply "
        "has not passed, what fits the nominal one is good as well. The other fans of the "
        "node are watched meanwhile. Two fans of one kind whose whole plugs are exchanged look alike here: look "
        "which one turns.",
        limits=(
            ("full speed within fan.speed_tolerance_percent", "makers state 10 % to 15 %; common practice"),
            (
                "scatter of the reading at one speed up to fan.speed_scatter_max_percent",
                "edges of a turn are unequal, whole turns are not (physics.tach); chosen for hiltest",
            ),
            ("time to speed up to fan.spin_up_max_s", "common practice, no source"),
            ("time to stop up to fan.stop_max_s", "common practice, no source"),
            ("the same speed upwards and downwards, within 10 %", "chosen for hiltest"),
            (
                "speed rises with duty, by more than 3 % from one duty to the next; none above 105 % of full speed",
                "a duty that changes nothing is an open or inverted control wire; figures chosen for hiltest",
            ),
            ("at zero duty up to 60 rpm", "chosen for hiltest; it counts as standing"),
            (
                "from rest at fan.start_duty at least 60 rpm",
                "30 % unless the file says otherwise: common practice, no source; 60 rpm chosen for hiltest",
            ),
            (
                "no other fan of the node turns meanwhile that stood before",
                "common practice, no source; above 60 rpm it turns",
            ),
            ("pulses per turn", "Intel, 4-Wire PWM Controlled Fans Specification rev 1.3 (2005), p. 9: two"),
        ),
        causes=_causes.FAN,
    ),
)
def test_tach(
    target: Fan, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Duty in, speed out."""
    from hiltest.catalogue import _fan

    others = [part for part in measure.description.fan if part.node == target.node and part is not target]
    rig = _fan.Rig(link, node, target, others, measure, bench_supply)
    rig.rest()
    full_rpm = rig.spin_up()
    low, high = rig.band_at_full()
    if not rig.is_supply_right:
        measure.note(
            "sense.supply has not passed: a speed that fits the nominal supply is taken for good as well"
        )
    measure(
        "speed at full duty",
        full_rpm,
        "rpm",
        low=low,
        high=high,
        limit="speed_tolerance_percent",
        note=rig.ratio_hint(full_rpm) if rig.is_steady else _fan.NOT_STEADY,
    )
    if full_rpm <= 0:
        rig.why_no_speed()
        measure.fail("the tachometer shows no pulse at full duty; the other duties were not tried")
    rig.scatter(full_rpm)
    speeds = rig.sweep(full_rpm)
    rig.why_otherwise(speeds)
    measure.require("speed rises with duty", _fan.rises(speeds), _fan.as_text(speeds))
    rig.stop()
    rig.start_low()
    rig.why_otherwise(speeds)
    rig.back_up(speeds)
    measure(
        "other fans that turned meanwhile",
        len(rig.others_turned),
        "fans",
        high=0,
        note=", ".join(sorted(rig.others_turned)),
    )


@check(
    EYE,
    per="fan",
    order=305,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "bus.observer[{bus}]"),
    verbs=("set_fan[{load}]",),
    window_s=lambda fan: (
        60.0 + (questions(fan) + 1) * QUESTION_S + fan.spin_up_max_s * 2 + fan.stop_max_s * 3
    ),
    when=is_for_eyes,
    only_where="somebody takes part who can look (fixture.operator = true), the fan has a duty, and its node tells no speed of it: "
    "wires = 2, or no role tach_hz; with a driver of your own also where fixture.may_be_missing names its fan.tach",
    page=Page(
        purpose="A fan that tells no speed stands still while nothing is commanded, starts, and stops again.",
        hazard="Blades: the fan starts without warning, and runs at full duty until the question is answered. A fan that "
        "stands still looks the same as a good one to its node, and what it cools gets hot.",
        method="The operator, who is told to keep clear, says whether this fan stands still, turns or jerks: with nothing "
        "commanded; at full duty, fan.spin_up_max_s after it began; at start_duty from rest, where the description states "
        "it; and fan.stop_max_s after it was commanded off. Where it stands still at full duty, he is asked whether another fan "
        "turns instead. How fast it turns nobody measures, nor which way the air goes: hold a strip of paper near.",
        limits=(
            (
                "stands still before, turns at full duty and at start_duty, stands still after",
                "a person's eye",
            ),
            ("looked at fan.spin_up_max_s after it was commanded on", "common practice, no source"),
            ("looked at fan.stop_max_s after it was commanded off", "common practice, no source"),
        ),
        causes=_causes.BY_EYE,
    ),
)
def test_by_eye(target: Fan, link: Link, node: GuardedNode, operator: Operator, measure: Measure) -> None:
    """Still, turning, still."""
    from hiltest.catalogue import _eye

    _eye.look(link, node, target, operator, measure)
