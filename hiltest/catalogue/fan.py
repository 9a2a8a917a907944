"""Powered: fans turn, and their tachometers say so."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Fan
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply


def _window_s(fan: Fan) -> float:
    return 20.0 + 2 * fan.spin_up_max_s + 3 * fan.stop_max_s + 6.0 * len(fan.duties)


@check(
    "fan.tach",
    per="fan",
    order=300,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "bus.observer[{bus}]"),
    verbs=("set_fan[{load}]", "read_tach_hz[{load}]"),
    window_s=_window_s,
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
        note=_fan.ratio_hint(full_rpm, target),
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
