"""Drills that need a person's hands or a switched supply. Private to the catalogue."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING, NoReturn

from hiltest import cautions
from hiltest.catalogue import _causes
from hiltest.catalogue._moving import OLD_MOVES, OldMoves
from hiltest.catalogue._powerless import (
    ACT_WITHIN_S,
    FALL_MAX_S,
    RAIL_DOWN_V,
    CameOn,
    Fall,
    RailWatch,
    Return,
    hears_it,
    silent_s,
)
from hiltest.catalogue._safe import EVERY_S, STALE_EVERY_S, Live, proven_orders, say_motors_left_out
from hiltest.catalogue._sense import read_or_nan
from hiltest.catalogue._trip import OneHeater
from hiltest.errors import NoAnswer, Refused

if TYPE_CHECKING:
    from hiltest.description.models import Heater, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiSupply

LOST_BORNE_S = 3.0
BACK_S = 4.0
RUN_DOWN_S = 5.0
"""How long capacitors may keep a small board alive once its power is off; common practice, no source."""
EXCUSED_S = ACT_WITHIN_S + 9.0
LAST_READINGS, SCATTER_K = 10, 5.0
"""Readings before a sensor is lost, and how far below the highest of them one may be that still is the block's."""


def power_return(
    link: Link,
    node: GuardedNode,
    part: Node,
    measure: Measure,
    power: Power,
    operator: Operator,
    supply: ScpiSupply | None,
) -> None:
    """Take the power away and give it back while the host goes on commanding; nothing may move or heat."""
    standing = OldMoves(link, node, part, measure)
    duties, setpoints = proven_orders(part, measure, with_moves=bool(standing.moves))
    node.stop_all()
    live = Live(link, node, part, measure, supply=supply)
    live.note_rest()
    node.go_silent()  # nothing of ours waits in the adapter while the power is away, but what the drill puts there
    power.off()
    if hears_it(link, node, silent_s(part), RUN_DOWN_S + silent_s(part)):
        _power_stayed(node, part, measure, power)
    node.has_no_power()
    link.port.flush()
    sent = moves_sent = 0
    is_back = False

    def command() -> None:
        nonlocal sent, moves_sent
        # Relative moves add up: no more of them than make one small move, half before the node is back and half after.
        moves = standing.moves if sent < OLD_MOVES // 2 or is_back else {}
        node.send_stale(duties, setpoints, moves)
        sent, moves_sent = sent + 1, moves_sent + len(moves)

    within_s = 3 * part.boot_max_s + 2.0
    back = Return(link, node, part)
    timer = link.every(STALE_EVERY_S, command)
    looked = CameOn(link, node, part, measure)

    def look() -> None:
        """Whoever switches on and then reads the question again for a minute leaves the node with a host that commands."""
        looked.look()
        if looked.what or looked.heard_for_s > within_s:
            timer.cancel()

    try:
        with operator.watching(look):
            is_on = power.on()
        looked.judge("the power came back")
        if not is_on:
            measure.fail("the supply went into its current limit when the power came back")
        came_back_s = _await_answer(link, node, within_s)
        is_back = True
        link.run_for(OLD_MOVES // 2 * STALE_EVERY_S)
    finally:
        timer.cancel()
        looked.close()
        back.close()
        link.port.flush()
    measure(
        "commands sent while there was no power, and into the boot",
        sent * (len(duties) + len(setpoints)) + moves_sent,
        "",
    )
    measure("answers again after", came_back_s, "s", high=within_s)
    if math.isnan(came_back_s):
        measure.fail("the node did not answer after its power came back")
    live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    live.judge_rest("the power came back")
    standing.judge("the power came back")
    if "read_status" in node.offers:
        measure("reset cause", node.read_status().reset_cause)
    was_off, shown = back.proof()
    measure("without power meanwhile", "yes" if was_off else "not shown", note=shown)
    node.resume()
    if not was_off:
        measure.conclude()
        _not_seen_away(part, measure, shown)


def _power_stayed(node: GuardedNode, part: Node, measure: Measure, power: Power) -> NoReturn:
    """It talks on with its power said to be off: give the power back and say so."""
    node.stop_all()
    if not power.on():
        measure.fail("the supply went into its current limit when the power came back")
    node.resume()
    _not_seen_away(
        part, measure, f"it went on talking for {RUN_DOWN_S + silent_s(part):g} s with the power off"
    )


def _not_seen_away(part: Node, measure: Measure, why: str) -> NoReturn:
    measure.not_observable(
        f"the supply of node {part.name!r} was not seen to go away: {why}",
        "a switch that takes all power from the node (its logic may be fed apart, by a second supply or a debugger's or USB "
        "cable), measured at its plug with a voltmeter; and a boot-up message or the roles 'uptime_s' and 'reset_cause', by "
        "which a node shows that it was without power",
    )


def _await_answer(link: Link, node: GuardedNode, within_s: float) -> float:
    """Seconds until the node says something of itself again; NaN if it does not."""
    start_s = link.now_s
    heard: list[float] = []
    remove = node.on_reading(lambda reading: heard.append(link.now_s) if not reading.asked else None)
    try:
        found = link.wait_for(lambda: bool(heard), within_s)
    finally:
        remove()
    return link.now_s - start_s if found else math.nan


def emergency_stop(
    link: Link,
    node: GuardedNode,
    part: Node,
    measure: Measure,
    operator: Operator,
    supply: ScpiSupply | None,
) -> None:
    """Press it while fans run: the power of the outputs must go, and not come back by itself.

    The host is alive until then: without it a sound node stops its fans. From the fall on, and while the stop is let go, it
    is silent. The rail shows it, so it is pressed where no fan can run too: then it is said, with the verdict as well, that
    nothing was on.
    """
    say_motors_left_out(part, measure)
    live = Live(link, node, part, measure, supply=supply)
    live.note_rest()
    live.start_fans()
    if not live.fans:
        has_fan = any(fan.node == part.name for fan in measure.description.fan)
        why = "no fan could be run" if has_fan else "the node has no fan"
        measure("on when it was pressed", "nothing", note=why)
        measure.qualify(
            f"the emergency stop of {part.name!r} was pressed with nothing on ({why}): that the power goes was looked at, and not "
            "whether what was on starts again when it is let go"
        )
    measure("host when it was pressed", "alive", note="a sound node stops its fans without one")
    fall = _press_it(link, node, part, measure, operator, runs="Fans run" if live.fans else "Nothing runs")
    if fall.how == "unseen":
        _nobody_saw_it(node, part, measure, operator, fall.note)
    _judge_fall(node, measure, fall)
    node.has_no_power()
    link.port.flush()
    back, looked = Return(link, node, part), CameOn(link, node, part, measure)
    try:
        with operator.watching(looked.look):
            _let_it_go(part, operator, measure)
        looked.judge("the emergency stop was let go")
        came_back_s = _await_answer(link, node, 3 * part.boot_max_s + 2.0)
    finally:
        looked.close()
        back.close()
    if math.isnan(came_back_s):
        measure.fail("the node did not answer after the emergency stop was let go")
    node.resume()
    live.fan_hz.clear()
    was_off, shown = (True, fall.note) if fall.how == "rail" else back.proof()
    live.judge_silence(measure.limits.drill_silence_s, "limits.drill_silence_s")
    live.judge_rest("the emergency stop was let go")
    live.say_what_was_left_out()
    _say_whether_off(part, measure, was_off, shown)


def _press_it(
    link: Link, node: GuardedNode, part: Node, measure: Measure, operator: Operator, runs: str
) -> Fall:
    """Have it pressed and watch what becomes of the rail; the host is silent afterwards."""
    node.excuse(part.name, EXCUSED_S)
    watch = RailWatch(link, node, silent_s(part))
    try:
        if not operator.ask(
            f"safe.estop.press[{part.name}]",
            f"{runs}. Answer y, then press the emergency stop within {ACT_WITHIN_S:g} s and leave it pressed. Ready?",
            show=f"CAUTION: {cautions.EMERGENCY_STOP_PRESS}",
        ):
            node.stop_all()
            measure.not_observable("the emergency stop was not pressed")
        node.excuse(part.name, EXCUSED_S)  # whoever thinks for a minute uses up the one before
        fall = watch.await_fall()
    finally:
        watch.close()
    node.go_silent()
    return fall


def _judge_fall(node: GuardedNode, measure: Measure, fall: Fall) -> None:
    measure("the power of the outputs began to go, after the answer", fall.after_s, "s", note=fall.note)
    measure.look_first(*_causes.emergency_stop(fall.how != "stayed"))
    if fall.how == "stayed":
        node.stop_all()
        measure.fail(
            "the emergency stop was pressed and the outputs kept their power. Nobody works at this machine"
        )
    name = "the rail's fall, from its first dip on"
    if math.isnan(fall.fall_s):
        measure(name, "not timed", note="the node says nothing of its rail")
    else:
        until = f"below {RAIL_DOWN_V:g} V" if fall.how == "rail" else "the node's last word"
        if fall.fall_s > FALL_MAX_S:
            measure.look_first(_causes.ESTOP_SLOW)
        measure(name, fall.fall_s, "s", high=FALL_MAX_S, note=f"until {until}")


def _say_whether_off(part: Node, measure: Measure, was_off: bool | None, shown: str) -> None:
    """A silence alone may be the adapter's or the bus's: it passes only where the node has nothing that could tell."""
    measure("without power while it was pressed", "yes" if was_off else "not shown", note=shown)
    if was_off is None:
        measure.qualify(
            f"that the emergency stop takes the power from node {part.name!r} is shown by its silence alone: {shown}"
        )
    elif not was_off:
        measure.conclude()
        measure.not_observable(
            f"node {part.name!r} fell silent while the emergency stop was pressed, and nothing shows that it was without "
            f"power: {shown}",
            "a voltmeter at the outputs' supply, which must fall when the emergency stop is pressed; look at bus and adapter "
            "too, which may have been cut in the node's place",
        )


def _let_it_go(part: Node, operator: Operator, measure: Measure) -> None:
    if not operator.ask(
        f"safe.estop.release[{part.name}]",
        "Let the emergency stop go (turn or pull it), and nothing else. Done?",
        show=f"CAUTION: {cautions.EMERGENCY_STOP_RELEASE}",
    ):
        measure.not_observable("the emergency stop was not let go: the node has no power until it is")


def _nobody_saw_it(node: GuardedNode, part: Node, measure: Measure, operator: Operator, why: str) -> NoReturn:
    """The node went on talking and its rail could not be read: its logic is fed apart, or the stop has no effect."""
    node.stop_all()
    _let_it_go(part, operator, measure)
    node.resume()
    measure.not_observable(
        f"node {part.name!r} went on talking and {why}: its logic is fed apart or the emergency stop has no effect, and "
        "nobody could look which of the two",
        f"the role 'supply_v' of node {part.name!r}, answered; until then measure by hand, with a voltmeter at the outputs' "
        "supply, that it falls when the emergency stop is pressed",
    )


def sensor_lost(
    link: Link,
    node: GuardedNode,
    heater: Heater,
    measure: Measure,
    operator: Operator,
    supply: ScpiSupply | None,
) -> None:
    """Pull the sensor's plug while the loop is closed: off at once, and off it stays when the plug is back."""
    one = OneHeater(link, node, heater, measure, supply)
    one.warm_and_on()

    def keep_an_eye() -> None:
        """The guard must see a block whose loop is closed, also where the node tells its temperature only when asked."""
        read_or_nan(node, heater.sensor)

    with operator.watching(keep_an_eye):
        is_ready = operator.ask(
            f"safe.sensor.pull[{heater.sensor}]",
            f"The block is warm. Answer y first; then, and not before, pull the plug of sensor {heater.sensor!r}, within "
            f"{ACT_WITHIN_S:g} s. Ready?",
            show=f"CAUTION: {cautions.HOT_PLUG.format(about_c=heater.low_setpoint_c)}",
        )
    if not is_ready:
        measure.not_observable("the sensor was not pulled")
    node.excuse(heater.sensor, EXCUSED_S)
    lost_s = _await_no_value(link, one)
    if math.isnan(lost_s):
        one.off()
        measure.fail(
            f"sensor {heater.sensor!r} kept its value: the plug was not pulled, or an open wire is not noticed"
        )
    one.must_go_off()
    outputs = []
    for _ in range(round(LOST_BORNE_S / EVERY_S)):
        outputs.append(one.output())
        link.run_for(EVERY_S)
    if outputs[-1] > 0:
        node.stop_all()
    off_s = next((index * EVERY_S for index in range(len(outputs)) if not any(outputs[index:])), math.nan)
    measure(
        "output off after the sensor was lost",
        off_s,
        "s",
        high=1.0,
        note="" if off_s == off_s else "stayed on",
    )
    if math.isnan(off_s):
        measure.fail("the heater stayed on without a sensor; every output was commanded off")
    one.judge_current("the sensor was lost")
    one.judge_dip("the sensor was lost")
    _put_it_back(link, node, heater, measure, operator)
    link.run_for(1.0)
    one.judge_fall("the sensor was lost", BACK_S)
    one.off()
    measure(
        "output once the sensor is back",
        100 * one.highest_output,
        "%",
        high=0.0,
        note="the loss must be latched",
    )


def _put_it_back(link: Link, node: GuardedNode, heater: Heater, measure: Measure, operator: Operator) -> None:
    """A loop that stands closed without a sensor is borne for as long as a plug takes, and no longer."""
    node.excuse(heater.sensor, EXCUSED_S)
    late: list[float] = []

    def give_up() -> None:
        late.append(link.now_s)
        node.stop_all()

    timer = link.after(ACT_WITHIN_S, give_up)
    try:
        is_back = operator.ask(
            f"safe.sensor.back[{heater.sensor}]",
            f"Put the plug of sensor {heater.sensor!r} back within {ACT_WITHIN_S:g} s. Done?",
            show=f"CAUTION: {cautions.HOT_PLUG_BACK}",
        )
    finally:
        timer.cancel()
    if not is_back:
        node.stop_all()
        measure.not_observable(f"the plug of sensor {heater.sensor!r} was not put back")
    if late:
        measure.not_observable(
            f"the plug of sensor {heater.sensor!r} was not back within {ACT_WITHIN_S:g} s, and every output was commanded off: "
            "whether the node would have stayed off by itself was not seen",
            f"the plug put back, and the answer given, within {ACT_WITHIN_S:g} s",
        )


def _await_no_value(link: Link, one: OneHeater) -> float:
    """Seconds until the sensor has no value any more; NaN if it keeps one.

    A wire that comes off, and an open input that picks up noise, may read anything before: the block was where those of
    the last readings say that are near to the highest.
    """
    start_s, latest = link.now_s, deque([one.base_c], maxlen=LAST_READINGS)
    while link.now_s - start_s < ACT_WITHIN_S:
        link.run_for(0.1)
        try:
            one.look()
        except (NoAnswer, Refused):
            near_c = [each_c for each_c in latest if each_c > max(latest) - SCATTER_K]
            one.base_c = sum(near_c) / len(near_c)
            return link.now_s - start_s
        latest.append(one.base_c)
    return math.nan
