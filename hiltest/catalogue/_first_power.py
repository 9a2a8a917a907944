"""Power on with nothing commanded: what the bench may take then, and the power off again where it takes more."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.description.currents import currents_a
from hiltest.description.models import Heater
from hiltest.meters.power import OFF_BELOW_V

if TYPE_CHECKING:
    from hiltest.description.models import Description
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.power import Power

NOTHING_A = 0.002
"""A board that runs takes more (common practice, no source). It is no limit: a board may rest."""
REST = "current with every output off"
REST_FIELD = "supply.rest_current_max_a"


@dataclass(frozen=True, slots=True)
class Rest:
    """`most_a`: the highest current with nothing commanded, in A; `field` where the description or the supply sets it;
    `shown`: how it comes about; `hidden`: heaters that could be on within it, with their currents.
    """

    most_a: float
    field: str | None
    shown: str
    hidden: tuple[str, ...]


def rest(description: Description) -> Rest:
    """What all boards may take with nothing commanded: fans, lamps and motors as they may be after the power came, no heater.

    Half the current of the smallest heater stands above that for what the boards take more; ohm's law.
    """
    supply = description.supply
    boards = [f"board {node.name}" for node in description.node]
    heaters = {each.name: each.power_w / supply.voltage_v for each in description.heater}
    others = currents_a(
        (load for load in description.loads if not isinstance(load, Heater)), supply.voltage_v, boards
    )
    most_a = supply.current_limit_a
    field: str | None = "supply.current_limit_a"
    shown = ""
    if supply.rest_current_max_a is not None:
        if supply.rest_current_max_a < most_a:
            most_a, field = supply.rest_current_max_a, REST_FIELD
    elif heaters:
        smallest = min(heaters, key=heaters.__getitem__)
        reckoned_a = sum(others.values()) + heaters[smallest] / 2
        shown = (
            f"limit: boards, fans, lamps and standing motors {sum(others.values()):.2f} A, and half of heater {smallest!r} "
            f"{heaters[smallest] / 2:.2f} A"
        )
        if reckoned_a < most_a:
            most_a, field = reckoned_a, None
    hidden = tuple(f"{name} ({amps:.2f} A)" for name, amps in heaters.items() if amps <= most_a)
    return Rest(most_a, field, shown, hidden)


def judge_rest(power: Power, link: Link, measure: Measure) -> None:
    """Read the current with nothing commanded; above what may be, switch the supply off and end the run."""
    assert power.supply is not None
    may, rest_a = rest(measure.description), power.supply.read_a()
    nothing = (
        "next to nothing: no board takes power. Look at plug, fuse and polarity" if rest_a < NOTHING_A else ""
    )
    found = measure(
        REST,
        rest_a,
        "A",
        high=may.most_a,
        limit=may.field,
        note="; ".join(text for text in (nothing, may.shown) if text),
    )
    if found.verdict == "failed":
        power.cut()
        link.run_for(power.supply.settle_s)
        left_v = power.supply.read_v()
        done = f"{cautions.SUPPLY_OFF_NOW}: the bench supply was told to switch off and shows {left_v:.1f} V"
        if left_v <= OFF_BELOW_V:
            power.may_be_on = False
            done = cautions.SUPPLY_WAS_SWITCHED_OFF
        near = [
            each.name
            for each in measure.description.heater
            if rest_a >= 0.8 * each.power_w / measure.description.supply.voltage_v
        ]
        measure.stop_run(
            f"{rest_a:.2f} A flow with nothing commanded, at most {may.most_a:.2f} A may. {done}. "
            + (
                f"It is enough for a heater that is on by itself ({', '.join(near)}): keep hands off its "
                "block, and look at its switch with the power off. "
                if near
                else ""
            )
            + f"If the boards themselves take more than 0.1 A each, measure it with every heater's plug out and state {REST_FIELD}"
        )
    if may.hidden:
        measure.note(
            f"a heater that is on by itself could hide in this current: {', '.join(may.hidden)}. Not tested here: "
            f"sense.ambient and heat.idle watch its block. What the bench takes at rest, measured and stated as {REST_FIELD}, "
            "leaves less room"
        )
