"""The drill of a program that hangs: nobody on the bus can switch anything off. Private to the catalogue."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.catalogue._safe import Live, say_motors_left_out
from hiltest.catalogue._sense import read_or_nan
from hiltest.errors import NodeFault, Unjudged

if TYPE_CHECKING:
    from hiltest.description.models import Heater, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiSupply

WORST_ELEMENT = 4.0
"""Times the stated power, as at twice the voltage."""
DUTY_MIN, DUTY_MAX = 0.005, 0.1
ANSWER_S = 0.5


def firmware_hung(
    link: Link,
    node: GuardedNode,
    part: Node,
    measure: Measure,
    power: Power,
    supply: ScpiSupply | None,
) -> None:
    """Hang the node with a little on, and wait for its watchdog."""
    within_s = part.watchdog_max_s + part.boot_max_s
    say_motors_left_out(part, measure)
    live = Live(link, node, part, measure, supply=supply)
    live.start_fans()
    _start_embers(live, within_s, can_cut=supply is not None or measure.description.fixture.operator)
    boots: list[int] = []
    remove = node.on_reading(lambda reading: boots.append(reading.t_ns) if reading.kind == "boot" else None)
    live.take_away()
    try:
        node.hang(min(within_s + ANSWER_S + 2.0, 30.0))
        link.wait_for(lambda: bool(boots), within_s + ANSWER_S)
    finally:
        remove()
    after_s = boots[0] / 1e9 - live.taken_s if boots else math.nan
    measure(
        "boots again after it was made to hang",
        after_s,
        "s",
        high=within_s,
        limit="watchdog_max_s",
        note=f"watchdog_max_s {part.watchdog_max_s:g} s and boot_max_s {part.boot_max_s:g} s together",
    )
    if not boots:
        _did_not_come_back(node, measure, power)
    live.judge_outputs(within_s, "watchdog_max_s", "the program hung")
    live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    if "read_status" in node.offers:
        measure.equal("reset cause", node.read_status().reset_cause, "watchdog")
    live.judge_fans_at_rest()
    live.say_what_was_left_out()


def _start_embers(live: Live, within_s: float, can_cut: bool) -> None:
    """Every heater that may, at a duty that may stay on for ever."""
    heaters = [each for each in live.measure.description.heater if each.node == live.part.name]
    for heater in heaters:
        duty = ember_duty(heater, read_or_nan(live.node, heater.sensor))
        if not can_cut:
            live.closed.append(
                f"heater {heater.name}: nobody takes part who could take the power away if the node does not come back"
            )
        elif not duty >= DUTY_MIN:
            live.closed.append(
                f"heater {heater.name}: its block is too warm, or a duty so small can't be set"
            )
        else:
            live.try_heater(heater, partial(live.node.pulse_heater, heater.name, duty, within_s + 2.0))
    if live.heaters or live.fans:
        live.confirm()
    else:
        live.measure.note(
            "nothing was on meanwhile: this shows that the watchdog resets the node; that a reset drops its outputs is for "
            "safe.reset to show, and for safe.move_ends of a motor"
        )


def ember_duty(heater: Heater, now_c: float) -> float:
    """Duty (0..1) at which a block stays below its low setpoint for ever, even with four times the stated power.

    Heat balance at rest: duty * power = loss * (T - T_room), with the block as warm as the room or warmer.
    """
    allowed_w = heater.loss_w_k * (heater.low_setpoint_c - now_c)
    return min(DUTY_MAX, allowed_w / (WORST_ELEMENT * heater.power_w))


def _did_not_come_back(node: GuardedNode, measure: Measure, power: Power) -> None:
    """Either it did not hang at all, or it hangs for good: then only the power's switch helps."""
    try:
        uptime_s = node.read_status().uptime_s
    except NodeFault:
        pass
    else:
        measure.not_observable(
            f"the node took the command to hang and answers on, up for {uptime_s:.1f} s",
            "a build whose role hang does what it says",
        )
    cut = cautions.SUPPLY_OFF_NOW
    if power.supply is not None or measure.description.fixture.operator:
        try:
            power.off()
        except Unjudged as error:
            measure.note(f"nobody took the power away: {error}")
        else:
            node.has_no_power()
            cut = "the power was switched off"
    measure.stop_run(
        f"the program hangs and no watchdog resets the node; nothing on the bus can switch its outputs off: {cut}"
    )
