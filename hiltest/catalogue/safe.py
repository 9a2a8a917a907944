"""Powered: drills that take something away while outputs are on. The output is observed, not the message."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._loads import has_motors_alone
from hiltest.catalogue.cold import QUESTION_S, WITH_OPERATOR, with_operator
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Description, Heater, Node, Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiSupply

_ON_BUS = ("bus.enumerate[{node}]", "bus.quiet[{bus}]", "bus.observer[{bus}]")
_BOUNDED = (
    "Fans at part speed; every heater that passed its first pulse gets one more, of no more energy, which the node "
    "itself ends."
)
_OBSERVED = (
    "Looked at: what the node says of its outputs by itself and when asked, before anything is commanded; the "
    "tachometers; the temperature, which must rise no more than so short a time on can cause; and with a [bench_supply] "
    "its current, of which what was on must be missing."
)
_HAZARD = "If it does not, a heater stays on with nobody in control. The energy is limited: {}"
_ONE_PULSE = "one pulse as short as the very first."
_NOT_ASKED = (
    "What a node says of its output may not be what its gate does, so the block's temperature is looked at, which must "
    "rise no more than noise, and with a [bench_supply] its current."
)
_AT_REST = (
    "no block 0.6 K hotter than before, less 0.3 of what a warm one must have lost; no more than 0.05 A more at a "
    "[bench_supply]",
    "chosen for hiltest",
)
_FALLS = (
    "the block falls by 0.6 K within the time that this takes at 0.3 of the rate of an unheated one, after the lag of "
    "its sensor, and rises by no more than the heat that was under way",
    "Newton's law of cooling, from the temperature before, the room and the stated loss and heat capacity; the share "
    "as in heat.low_setpoint",
)
_CURRENT_GONE = (
    "with a [bench_supply]: no more than 0.3 of the heater's current is left",
    "chosen for hiltest",
)
_LYING = (
    "the trip clears the output that the node reports, and not the timer or latch that drives the gate; or the power "
    "stage conducts on when it is hot"
)
_SILENCE = ("nothing comes on by itself for limits.drill_silence_s, 10 s", "chosen for hiltest")

_SHOWN = ("fan.tach[{fan}]", "heat.pulse[{heater}]")
"""A drill switches on what has passed these, and can see nothing else drop."""

_OUTPUTS = "the node has a heater, a fan or a stepper: one without has nothing to drop"
_SHOWS = (
    "the node has a heater, or a fan that tells its speed; one with motors and none of these is drilled in safe.move_ends, "
    "with a move under way"
)


def _has_outputs(description: Description, node: Node) -> bool:
    loads = (*description.heater, *description.fan, *description.stepper)
    return any(load.node == node.name for load in loads)


def _shows_outputs(description: Description, node: Node) -> bool:
    """Not where motors alone can show what a drill does. A node with nothing to show at all has its drills "not observable"."""
    has_motor = any(stepper.node == node.name for stepper in description.stepper)
    has_outputs = _has_outputs(description, node)
    return has_outputs and not (has_motor and has_motors_alone(description, node))


def _may_hang(description: Description, node: Node) -> bool:
    return "hang" in node.roles or _has_outputs(description, node)


def _window_s(description: Description, node: Node) -> float:
    silence_s = 1.5 * description.limits.drill_silence_s
    return 120.0 + 10 * node.host_silence_max_s + 4 * node.boot_max_s + silence_s


def _hung_window_s(description: Description, node: Node) -> float:
    silence_s = 1.5 * description.limits.drill_silence_s
    return 120.0 + QUESTION_S + 4 * (node.watchdog_max_s + node.boot_max_s) + silence_s


def _hands_window_s(description: Description, node: Node) -> float:
    return 3 * QUESTION_S + 4 * node.boot_max_s + 1.5 * description.limits.drill_silence_s


def _move_window_s(description: Description, stepper: Stepper) -> float:
    """Each limit as often as a move waits for it, twice; small moves of few microsteps are looked at for longer."""
    node = next(each for each in description.node if each.name == stepper.node)
    limits_s = 10 * node.host_silence_max_s + 4 * node.stop_max_s + 8 * node.boot_max_s
    return 240.0 + 2 * limits_s + 1.5 * description.limits.drill_silence_s


@check(
    "safe.host_silence",
    per="node",
    order=412,
    gates=_ON_BUS,
    verbs=("go_silent", "resume"),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=_SHOWN,
    window_in=_window_s,
    page=Page(
        purpose="When the host falls silent, the node switches every output off by itself, in time.",
        hazard=_HAZARD.format(_ONE_PULSE),
        method=f"{_BOUNDED} Then the host sends nothing for node.host_silence_max_s plus half a second. {_OBSERVED} It comes "
        "before the first closed loop: no setpoint is given to a node that has not shown this.",
        limits=(
            (
                "all outputs off within node.host_silence_max_s, 1 s",
                "0.1 s to 1 s is common practice, no source",
            ),
            (
                "CANopen: the node's heartbeat consumer acts",
                "CiA 301 object 0x1016; behaviour after it 0x1029",
            ),
        ),
        causes=_causes.SILENCE,
    ),
)
def test_host_silence(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Silence, then look at the outputs."""
    from hiltest.catalogue import _safe

    _safe.host_silence(link, node, target, measure, bench_supply)


@check(
    "safe.foreign_traffic",
    per="node",
    order=413,
    gates=(*_ON_BUS, "safe.host_silence[{node}]"),
    verbs=("go_silent", "resume"),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=_SHOWN,
    window_in=_window_s,
    page=Page(
        purpose="Traffic of others does not count as the host's sign of life.",
        hazard=_HAZARD.format(_ONE_PULSE),
        method=f"{_BOUNDED} Then the host's own heartbeat stops while frames under identifiers that nobody uses go on, a "
        f"hundred a second. {_OBSERVED}",
        limits=(
            (
                "all outputs off within node.host_silence_max_s, 1 s",
                "0.1 s to 1 s is common practice, no source",
            ),
        ),
        causes=("the watch is fed by every frame instead of the host's own heartbeat",),
    ),
)
def test_foreign_traffic(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """The host is silent, the bus is not."""
    from hiltest.catalogue import _safe

    _safe.host_silence(link, node, target, measure, bench_supply, busy=True)


@check(
    "safe.bus_cut",
    per="node",
    order=414,
    gates=(*_ON_BUS, "safe.host_silence[{node}]"),
    verbs=("go_silent", "resume"),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=_SHOWN,
    window_in=_window_s,
    page=Page(
        purpose="With the bus cut the node switches every output off by itself, and comes back when the bus does.",
        hazard=_HAZARD.format(_ONE_PULSE)
        + " A node that does not come back can't be commanded off: hand on the supply's switch.",
        method=f"{_BOUNDED} Then the adapter leaves the bus by being opened at another bit rate: nobody acknowledges the node, "
        f"its controller goes error-passive as with a cut cable. Then it comes back. Bus-off, which a short causes, is another "
        f"matter: see bus.recovery. {_OBSERVED} Where another "
        "node on the bus acknowledges, the node under test does not go error-passive: pull its plug by hand once. A node "
        "that is commanded over a console loses that, too: the host is silent there meanwhile.",
        limits=(
            (
                "all outputs off within node.host_silence_max_s, 1 s",
                "0.1 s to 1 s is common practice, no source",
            ),
            (
                "heard again within 3 s",
                "recovery takes 128 times 11 bits (ISO 11898-1) plus the firmware's pause",
            ),
        ),
        causes=(
            "the watch on the host rests while the node's controller is in trouble",
            "no recovery from bus-off in the firmware",
        ),
    ),
)
def test_bus_cut(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Nobody acknowledges, nothing arrives."""
    from hiltest.catalogue import _safe

    _safe.bus_cut(link, node, target, measure, bench_supply)


@check(
    "safe.stop",
    per="node",
    order=415,
    gates=(*_ON_BUS, "safe.host_silence[{node}]"),
    verbs=("stop_all",),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=_SHOWN,
    window_in=_window_s,
    page=Page(
        purpose="The stop command drops every output, and nothing comes back when it is over.",
        hazard=_HAZARD.format(_ONE_PULSE) + " A stop command over CAN is not an emergency stop.",
        method=f"{_BOUNDED} Then the stop command goes out once, and nothing is commanded any more. {_OBSERVED}",
        limits=(
            ("all outputs off within node.stop_max_s, 0.5 s", "common practice, no source"),
            _SILENCE,
        ),
        causes=(
            "the firmware does not act on the command, or only on part of the outputs",
            "a task of the firmware sets its output again",
        ),
    ),
)
def test_stop(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Off by command, and off it stays."""
    from hiltest.catalogue import _safe

    _safe.stop_command(link, node, target, measure, bench_supply)


@check(
    "safe.reset",
    per="node",
    order=416,
    gates=(*_ON_BUS, "safe.host_silence[{node}]"),
    verbs=("restart",),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=(*_SHOWN, "safe.bus_cut[{node}]"),
    window_in=_window_s,
    page=Page(
        purpose="After a reset every output is off, whatever was commanded before, until it is commanded anew.",
        hazard=_HAZARD.format(
            "a setpoint for about a second; what comes on by itself is switched off at once."
        ),
        method="Fans at part speed, and where safe.bus_cut has passed the low setpoint for a second; then the node is reset. "
        "Nothing is commanded for "
        f"limits.drill_silence_s. {_OBSERVED}",
        limits=(
            _SILENCE,
            (
                "boot time up to node.boot_max_s, 1.5 s",
                "from reset to the boot-up message; common practice, no source",
            ),
        ),
        causes=(
            "setpoints are stored and taken up again",
            _causes.GATE_FLOATS,
        ),
    ),
)
def test_reset(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Reset while warm."""
    from hiltest.catalogue import _safe

    _safe.reset(link, node, target, measure, bench_supply)


@check(
    "safe.old_commands",
    per="node",
    order=417,
    gates=(*_ON_BUS, "safe.reset[{node}]"),
    verbs=("send_stale", "restart", "go_silent"),
    when=_shows_outputs,
    only_where=_SHOWS,
    builds_on=_SHOWN,
    window_in=_window_s,
    page=Page(
        purpose="Commands that waited, or that come after a pause, move and heat nothing: the node must be started anew.",
        hazard=_HAZARD.format("what comes on is seen within half a second and switched off."),
        method="While the node restarts, duties and setpoints are handed to the adapter, where nobody acknowledges them; they "
        "arrive when the node is back. Then the host pauses until the node's watch has acted, sends them for half a "
        "second without a sign of life, gives signs of life again, and sends them once more without starting the node. Outputs, "
        f"tachometers and blocks are watched. {_NOT_ASKED}",
        limits=(
            (
                "nothing comes on for a half, a quarter and a half of limits.drill_silence_s, 10 s: 5 s, 2.5 s and 5 s",
                "chosen for hiltest",
            ),
            _AT_REST,
        ),
        causes=_causes.OLD,
    ),
)
def test_old_commands(
    target: Node, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Stale commands do nothing."""
    from hiltest.catalogue import _safe

    _safe.old_commands(link, node, target, measure, bench_supply)


@check(
    "safe.firmware_hung",
    per="node",
    order=418,
    gates=(*_ON_BUS, "safe.host_silence[{node}]", "safe.reset[{node}]"),
    verbs=("hang",),
    when=_may_hang,
    only_where="the node has a heater, a fan or a stepper, or the role hang",
    builds_on=_SHOWN,
    window_in=_hung_window_s,
    page=Page(
        purpose="When the program hangs with outputs on, the watchdog resets the node, and every output is off after it.",
        hazard="A program that hangs without a watchdog can't be stopped over the bus. So no more is on than may stay on for "
        "ever: fans at part speed, and, where the power can be taken away, each heater at a duty that even with four "
        "times its power never warms the block above its low setpoint. If the node does not come back: CUT THE SUPPLY.",
        method="The node is told to hang (role hang: an object that makes its program stand still), and listened to until "
        "its boot-up message. A node that has no such object is 'not offered': try it once with a build that has. "
        "Looked at afterwards, before anything is commanded: the outputs, the tachometers, the current of a "
        "[bench_supply], and that nothing comes on by itself. Where nothing may be on, the reset by the watchdog alone is "
        "looked at; what a reset does to outputs is safe.reset's.",
        limits=(
            (
                "boots again within node.watchdog_max_s, 1 s, and node.boot_max_s, 1.5 s",
                "hardware watchdogs are set to 0.1 s to 1 s; common practice, no source",
            ),
            ("it says that its watchdog reset it, where it tells a cause", "exact"),
            _SILENCE,
        ),
        causes=(
            "the watchdog is not enabled, or its time is too long",
            "the watchdog is fed by a timer interrupt, which goes on while the program stands still",
        ),
    ),
)
def test_firmware_hung(
    target: Node,
    link: Link,
    node: GuardedNode,
    power: Power,
    bench_supply: ScpiSupply | None,
    measure: Measure,
) -> None:
    """Only the watchdog can help."""
    from hiltest.catalogue import _hung

    _hung.firmware_hung(link, node, target, measure, power, bench_supply)


@check(
    "safe.over_ceiling",
    per="heater",
    order=425,
    gates=(*_ON_BUS, "heat.low_setpoint[{load}]"),
    verbs=("set_heater_c[{load}]", "read_heater_output[{load}]"),
    window_s=60.0,
    page=Page(
        purpose="The node itself refuses a setpoint above the ceiling, whoever asks.",
        hazard="A limit that only the host holds is no limit when the host is wrong. The setpoint is taken back at once.",
        method="The node is asked for heater.ceiling_c plus 10 K, past the guard's own ceiling, and told 0 in the same breath. "
        f"{_NOT_ASKED}",
        limits=(
            ("refused", "exact"),
            ("output off 0.1 s afterwards", "the time of one answer; chosen for hiltest"),
            (
                "the block rises by no more than 0.6 K until heat would have reached its sensor; no more than 0.05 A more at a "
                "[bench_supply]",
                "chosen for hiltest",
            ),
        ),
        causes=(
            "no ceiling in the firmware, or a higher one than described",
            "the node clips in silence",
            "it refuses, and its output is switched on all the same",
        ),
    ),
)
def test_over_ceiling(
    target: Heater, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """Too much is refused."""
    from hiltest.catalogue import _trip

    _trip.over_ceiling(link, node, target, measure, bench_supply)


@check(
    "safe.over_temperature",
    per="heater",
    order=426,
    goes_far=True,
    gates=(*_ON_BUS, "heat.low_setpoint[{load}]"),
    verbs=("set_heater_c[{load}]", "read_heater_output[{load}]", "set_heater_ceiling_c[{load}]"),
    window_s=lambda heater: 150.0 + 2 * heater.window_s,
    page=Page(
        purpose="Above its ceiling the node switches the heater off by itself and keeps it off.",
        hazard="The block is at its low setpoint, no hotter. One that heats on after the trip ends the run: every output is "
        "commanded off, and a [bench_supply] is switched off.",
        method="The node's own ceiling (role ceiling_c) is read, where the node lets it be read. With the block warm and the "
        "output on it is set 5 K below the block, then back to what was read (else to the lowest ceiling_c of the "
        "description, which the verdict then says), and read again. What the node says of its output is watched, and what it does: the current of a "
        "[bench_supply], and the block, until it has fallen.",
        limits=(
            (
                "the node's own ceiling no more than 0.5 K above heater.ceiling_c, nor below heater.low_setpoint_c, and "
                "within 0.5 K of what it was when it is put back",
                "rounding of a node that counts whole degrees; chosen for hiltest",
            ),
            ("off within 1 s", "common practice, no source"),
            _CURRENT_GONE,
            _FALLS,
            ("stays off for 3 s afterwards", "latched"),
        ),
        causes=(
            "the limit is only held by the host",
            "the ceiling in the firmware is not the described one, or the role ceiling_c has a wrong scale or place",
            _causes.TRIP_CLEARS,
            _LYING,
        ),
    ),
)
def test_over_temperature(
    target: Heater, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """The node trips by itself, and stays tripped."""
    from hiltest.catalogue import _trip

    _trip.over_temperature(link, node, target, measure, bench_supply)


@check(
    "safe.move_ends",
    per="stepper",
    order=515,
    gates=(
        *_ON_BUS,
        "motion.direction[{load}]",
        "safe.host_silence[{node}]",
        "safe.stop[{node}]",
        "safe.reset[{node}]",
        "safe.old_commands[{node}]",
    ),
    verbs=(
        "go_silent",
        "resume",
        "stop_all",
        "restart",
        "enable_driver[{load}]",
        "move[{load}]",
        "read_position[{load}]",
    ),
    window_in=_move_window_s,
    page=Page(
        purpose="A move that is under way ends when the host falls silent, by the stop command, with a reset of the node and "
        "with the bus cut; the motor is let go, and no old move is carried out.",
        hazard="Pinch points. A node that does not let go ends its move by itself: it is no longer than "
        "stepper.small_move_rev. An axis that its motor holds up may fall when the motor is let go: support it.",
        method="Before any long move. The driver is enabled and a small move started, so slow that it takes four times as long "
        "as the node has to end it, and at least a second more than that time. While it is under way the host falls silent. Then, where the driver can, old moves (a "
        "twentieth of the small move each) are sent without a sign of life, and once more when the host is back. Then the "
        "move goes on the same way, and the stop command is sent. The step counter is read at the end of the time allowed "
        "and a little later, the encoder too where there is one, and the current of a [bench_supply]; then a move of one "
        "microstep is asked for without enabling the driver, and must not be carried out. The axis goes back to where it "
        "began, which its home switch must confirm. Then the same again: the node is reset during the move, and once "
        "the axis stands old moves are sent (then its driver is told current and microsteps anew), and, where safe.bus_cut has passed, the adapter leaves the bus during the next. A node "
        "that has neither a heater nor a fan has no other drills, so here it is also looked that nothing moves by itself for "
        "limits.drill_silence_s after the reset, and a host falls silent while frames of others go on. This second half is left "
        "out, and that is said, once a check has failed that holds long moves back. Where the driver can't send old moves the "
        "verdict says that none was tried; for a node with motors alone, which no other drill sends any, the check is then "
        "'not observable'.",
        limits=(
            (
                "no step more after node.host_silence_max_s, 1 s, after node.stop_max_s, 0.5 s, and after a boot, node.boot_max_s, 1.5 s",
                "0.1 s to 1 s is common practice, no source",
            ),
            ("no step by an old move", "exact"),
            ("no move without a new enable", "the motor has no current"),
            _CURRENT_GONE,
        ),
        causes=(
            "what drops heaters and fans leaves the motion's own task alone",
            "the watch on the host ends with the move's end, or only refuses new moves",
            "the firmware enables a motor before it was started, or a command carries neither age nor sequence",
        ),
    ),
)
def test_move_ends(
    target: Stepper, link: Link, node: GuardedNode, bench_supply: ScpiSupply | None, measure: Measure
) -> None:
    """A small move under way, and nobody there."""
    from hiltest.catalogue import _moving

    _moving.move_ends(link, node, target, measure, bench_supply)


@check(
    "safe.sensor_lost",
    per="heater",
    order=610,
    goes_far=True,
    gates=(*_ON_BUS, "heat.low_setpoint[{load}]"),
    verbs=("set_heater_c[{load}]", "read_heater_output[{load}]", "read_temperature_c[{sensor}]"),
    window_s=lambda heater: 2 * QUESTION_S + 90.0 + 2 * heater.window_s,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="A heater whose sensor is lost while it is on goes off at once, and stays off when the sensor is back.",
        hazard="A node that takes an open sensor for a cold one heats with full power. It is switched off after 3 s at most.",
        method="Once the block is within 5 K of the low setpoint and the output is on, the operator pulls the sensor's plug, "
        "and puts it back when asked, each within 20 s. What the node says of its output is watched, and what it does: the current of a "
        "[bench_supply], or the supply at the node, which a heater at full power pulls down; and, once the sensor is back, the "
        "block, until it has fallen.",
        limits=(
            ("off within 1 s", "common practice, no source"),
            _CURRENT_GONE,
            (
                "the supply at the node no lower than before the heater was on, by 0.1 V or 0.5 %",
                "ripple and a small fan; chosen for hiltest",
            ),
            _FALLS,
            ("stays off for 4 s at least once the sensor is back", "latched"),
        ),
        causes=("no range check in the firmware", "the fault is not latched", _LYING),
    ),
)
def test_sensor_lost(
    target: Heater,
    link: Link,
    node: GuardedNode,
    operator: Operator,
    bench_supply: ScpiSupply | None,
    measure: Measure,
) -> None:
    """No sensor, no heat."""
    from hiltest.catalogue import _hands

    _hands.sensor_lost(link, node, target, measure, operator, bench_supply)


def _can_switch_power(description: Description, node: Node) -> bool:
    can_switch = description.fixture.operator or bool(description.bench_supply)
    return can_switch and _has_outputs(description, node)


@check(
    "safe.power_return",
    per="node",
    order=620,
    gates=(*_ON_BUS, "safe.old_commands[{node}]"),
    verbs=("send_stale", "go_silent", "resume"),
    window_in=_hands_window_s,
    when=_can_switch_power,
    only_where=f"{_OUTPUTS}, and somebody or a [bench_supply] can switch its power",
    builds_on=_SHOWN,
    page=Page(
        purpose="When the power returns while a host goes on commanding, nothing moves or heats until the node is started.",
        hazard="Adapter and driver keep frames through the dead time and blast them out when somebody acknowledges again: "
        "machines have snapped to old positions. What comes on is seen within half a second and switched off. An old "
        "move is a twentieth of the small move.",
        method="The power goes off, by the bench supply or by hand, and the node must be silent for 3 s (three of its heartbeats, "
        "if that is longer); for 5 s before, its capacitors may keep it alive. Then duties, setpoints and, for an axis that "
        "has passed safe.move_ends, moves are sent twenty times a second, and the power comes back. The node must say that it "
        "booted, or an uptime no longer than the time since. Where it talks on without its power, or shows neither, the "
        "supply was not seen to go away, and the check is not observable. Then nothing is commanded for "
        f"limits.drill_silence_s. {_NOT_ASKED}",
        limits=(
            (
                "answers within three times node.boot_max_s, 1.5 s, and 2 s after the power is said to be on",
                "chosen for hiltest",
            ),
            _SILENCE,
            _AT_REST,
            (
                "the step counter begins at 0 or where it was, to one full step, and the home switch is as before",
                "a counter may start anew or be stored; chosen for hiltest",
            ),
        ),
        causes=(
            "setpoints are stored and taken up again when the power comes",
            "commands that arrive during the boot are taken before the node was started, or carry neither age nor sequence",
            "the output's pin floats while the processor boots",
        ),
    ),
)
def test_power_return(
    target: Node,
    link: Link,
    node: GuardedNode,
    power: Power,
    operator: Operator,
    bench_supply: ScpiSupply | None,
    measure: Measure,
) -> None:
    """Power returns under a stream of commands."""
    from hiltest.catalogue import _hands

    _hands.power_return(link, node, target, measure, power, operator, bench_supply)


def _has_emergency_stop(description: Description, node: Node) -> bool:
    return description.fixture.operator and node.emergency_stop


@check(
    "safe.emergency_stop",
    per="node",
    order=419,
    gates=(*_ON_BUS, "safe.reset[{node}]"),
    verbs=("go_silent", "resume"),
    window_in=_hands_window_s,
    when=_has_emergency_stop,
    only_where="node.emergency_stop = true and fixture.operator = true",
    builds_on=_SHOWN,
    page=Page(
        purpose="The emergency stop takes the power off the outputs without any software, and letting it go starts nothing.",
        hazard="A stop that only sends a message protects nobody. Stop category 0 or 1 of IEC 60204-1; its reset must not start "
        "the machine.",
        method="It comes before the first closed loop and before any long move. Fans that have passed their own checks run (where none "
        "can, nothing does, and the verdict says so), and the operator presses the emergency stop. The host is alive until "
        "then, or a sound node would stop its fans by itself; it falls silent once the power is seen to go. The rail at the node must be read below 5 V for 0.5 s, or the node be "
        "silent for 3 s (three of its heartbeats, if that is longer). A lost answer, one that is refused or a request that "
        "never went out is neither. A silence may be the bus's: it counts once the node has said after the release that it "
        "booted, or an uptime no longer than the time since; a node that tells neither is shown by its silence alone, as the "
        "verdict says. A node that goes on talking and whose rail can't be read shows nothing: not observable. How long a stop "
        "waits before the rail begins to fall can't be told from the time a person needs: time a delayed stop (category 1) by "
        "hand. When it is let go nothing is commanded for limits.drill_silence_s.",
        limits=(
            (
                "the rail begins to fall, or the node falls silent, while it is watched: 20 s from the answer",
                "the time a person needs",
            ),
            (
                "no more than 2 s from the first dip (5 % below the rail's value before) to below 5 V or the node's last word; "
                "not timed where the node says nothing of its rail",
                "common practice, no source",
            ),
            _SILENCE,
            _AT_REST,
        ),
        causes=_causes.ESTOP,
    ),
)
def test_emergency_stop(
    target: Node,
    link: Link,
    node: GuardedNode,
    operator: Operator,
    bench_supply: ScpiSupply | None,
    measure: Measure,
) -> None:
    """Press it, see the rail fall, let it go, see nothing happen."""
    from hiltest.catalogue import _hands

    _hands.emergency_stop(link, node, target, measure, operator, bench_supply)
