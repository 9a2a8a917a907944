"""Powered: parts get hot. First a watch with the heater off, then one bounded pulse, then the closed loop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue._heat import IDLE_ABORT_K
from hiltest.catalogue._heatloop import DUTY_HIGH, DUTY_LOW
from hiltest.catalogue.cold import QUESTION_S, WITH_OPERATOR, with_operator
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Description, Fan, Heater
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiSupply


_VERBS = ("read_temperature_c[{sensor}]", "read_heater_output[{load}]")
_BURN = "Hot block; an element that is stuck on, of the wrong voltage or out of its block can start a fire."


@check(
    "heat.idle",
    per="heater",
    order=400,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "sense.ambient[{sensor}]"),
    verbs=_VERBS,
    window_s=lambda heater: heater.idle_s + 45.0,
    page=Page(
        purpose="With the heater commanded off nothing heats.",
        hazard=f"{_BURN} Software can't stop a switch that failed closed: only removing the supply can.",
        method="The temperature is watched for heater.idle_s with the output at zero. Where cold.heater has not passed, the "
        "plug was to stay out, so a calm block shows nothing: not observable. It is not watched again at the end: after the "
        "ride the fall in heat.low_setpoint shows an output that stays on with more than 0.7 of the block's loss at the low "
        "setpoint.",
        limits=(
            (
                "rise up to 1 K in heater.idle_s, 30 s",
                "a heater stuck on rises by more than that in seconds; common practice, which watches for a minute. In 30 s, of "
                "which the sensor's lag takes some, 1 K shows about 0.04 W for each J/K of the block: of 40 W on 20 J/K, 2 %. "
                "What is less needs a longer heater.idle_s",
            ),
            (
                f"the run ends at once above {IDLE_ABORT_K:g} K (four standard deviations more where the sensor is noisy), with the "
                "bench supply off if there is one",
                "chosen for hiltest",
            ),
            ("output applied is zero", "the node's own report"),
        ),
        causes=(
            "the heater's switch failed closed, or a solder bridge: switch the supply off at once",
            "duty inverted: off is full on",
            "the block was still cooling or warming from before: let it rest",
        ),
    ),
)
def test_idle(
    target: Heater,
    link: Link,
    node: GuardedNode,
    power: Power,
    bench_supply: ScpiSupply | None,
    measure: Measure,
) -> None:
    """Zero command, no heat."""
    from hiltest.catalogue import _heat

    _heat.watch_idle(link, node, target, measure, target.idle_s, bench_supply)
    if f"heater '{target.name}'" in power.leave_out and not measure.failed:
        measure.not_observable(
            f"cold.heater[{target.name}] has not passed, so its plug was to stay out: without it nothing heats, whatever "
            "its switch does",
            "a heater that measured right with the power off, and its plug in",
        )


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
        "bus.observer[{bus}]",
        "sense.supply[{node}]",
        "sense.ambient[{sensor}]",
        "heat.idle[{load}]",
    ),
    builds_on=("bus.enumerate[{any_node}]",),
    verbs=(*_VERBS, "pulse_heater[{load}]"),
    window_s=lambda heater: 30.0 + heater.pulse_s + heater.pulse_watch_s,
    page=Page(
        purpose="A pulse of bounded energy shows that this heater heats this sensor, with the right power, before "
        "any loop is closed.",
        hazard=f"{_BURN} The pulse is short enough that even an element of four times the power stays within "
        "heater.pulse_rise_max_k.",
        method="Full duty for heater.pulse_s; the node itself ends it. The peak of the rise is judged, not a "
        "reading at a fixed time, because the lag of the sensor differs between good boards. The expected peak "
        "follows from power, heat capacity and loss, corrected for the measured supply. When half of the peak was "
        "reached gives the sensor's lag: a weak element is in time, a sensor half out of its bore is late. Every "
        "other sensor of every node on every bus is watched too; the report holds the whole matrix.",
        limits=(
            (
                "peak rise 0.72 to 1.35 of the expected one",
                "spread of healthy boards by simulation is 0.88 to 1.15; "
                "a second half of that for the description's heat capacity; chosen for hiltest",
            ),
            (
                "lag of the sensor up to heater.sensor_lag_max_s",
                "2 s to 6 s when it sits well; chosen for hiltest",
            ),
            ("no other sensor rises by more than 40 % of this one", "chosen for hiltest"),
        ),
        causes=_causes.PULSE,
    ),
)
def test_pulse(
    target: Heater, link: Link, node: GuardedNode, known_nodes: list[GuardedNode], measure: Measure
) -> None:
    """One bounded pulse before any loop is closed."""
    from hiltest.catalogue import _heat

    _heat.pulse(link, node, target, measure, known_nodes)


@check(
    "heat.low_setpoint",
    per="heater",
    order=420,
    gates=(
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "sense.ambient[{sensor}]",
        "heat.pulse[{load}]",
        "safe.host_silence[{node}]",
        "safe.foreign_traffic[{node}]",
        "safe.bus_cut[{node}]",
        "safe.stop[{node}]",
        "safe.reset[{node}]",
        "safe.old_commands[{node}]",
    ),
    goes_far=True,
    verbs=(*_VERBS, "set_heater_c[{load}]"),
    window_s=lambda heater: 60.0 + heater.window_s + heater.steady_s,
    page=Page(
        purpose="The heater reaches its low setpoint within its window, does not overshoot, and holds it.",
        hazard=_BURN,
        method="The node's own loop is given the low setpoint. The curve is kept; time to reach is the first "
        "reading within the steady band; then the band is watched for heater.steady_s; then it is switched off "
        "and must cool. Heating power and time constant of the block are estimated, with their uncertainty. None of "
        "this shows that the sensor's table is right: see heat.second_point.",
        limits=(
            ("reached within heater.window_s", "chosen for hiltest; set it from a good board"),
            ("overshoot up to heater.overshoot_max_k", "common practice, no source"),
            ("within heater.steady_band_k afterwards", "common practice, no source"),
            (
                f"power while regulated over that of the pulse {DUTY_LOW:g} to {DUTY_HIGH:g}, and what 20 % "
                "of the loss leaves open",
                "heat balance; heat capacity and element are the same in both, so that they count nothing",
            ),
            ("falls by 0.3 of what an unheated block does", "chosen for hiltest"),
            ("the supply dips no more than harness.drop_max_percent", "3 % to 5 % is common practice"),
        ),
        causes=_causes.LOOP,
    ),
)
def test_low_setpoint(target: Heater, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Closed loop to the low setpoint."""
    from hiltest.catalogue import _heatloop

    _heatloop.low_setpoint(link, node, target, measure)


@check(
    "heat.second_point",
    per="heater",
    order=422,
    goes_far=True,
    gates=("bus.enumerate[{node}]", "bus.quiet[{bus}]", "bus.observer[{bus}]", "heat.low_setpoint[{load}]"),
    verbs=(*_VERBS, "set_heater_c[{load}]"),
    window_s=lambda heater: QUESTION_S + 60.0 + heater.window_s,
    when=with_operator,
    only_where=WITH_OPERATOR,
    page=Page(
        purpose="The sensor is right when hot too: its curve, table and pull-up are the ones the node believes in.",
        hazard=f"{_BURN} A wrong curve reads right in a cold room and hides tens of kelvin at working temperature. The "
        "thermometer is pressed against hot metal: gloves.",
        method="The block is held at its low setpoint. The operator presses an independent thermometer against it and types "
        "what it reads. Once per board, or once per kind of sensor and firmware.",
        limits=(
            (
                "distance up to heater.second_point_max_k",
                "error budget of 1 % thermistors, and 1 K for a contact thermometer; common practice",
            ),
            ("what it would mean at the ceiling is noted", "beta formula of thermistors"),
        ),
        causes=(
            "the thermometer reads less: no contact, no paste, draught",
            "the thermometer reads more: THE BLOCK IS HOTTER THAN SHOWN. Wrong B value or table in the firmware, a sensor "
            "of another kind, a wrong pull-up",
        ),
    ),
)
def test_second_point(
    target: Heater, link: Link, node: GuardedNode, operator: Operator, measure: Measure
) -> None:
    """An independent thermometer on the hot block."""
    from hiltest.catalogue import _heatloop

    _heatloop.second_point(link, node, target, operator, measure)


def _cools_own_node(description: Description, fan: Fan) -> bool:
    return any(heater.name == fan.cools and heater.node == fan.node for heater in description.heater)


@check(
    "heat.cooling_fan",
    per="fan",
    order=440,
    gates=(
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "fan.tach[{load}]",
        "heat.low_setpoint[{cools}]",
    ),
    goes_far=True,
    verbs=("set_fan[{load}]", "read_tach_hz[{load}]", "set_heater_c[{cools}]"),
    window_s=lambda fan: 1500.0,
    when=_cools_own_node,
    only_where="fan.cools names a heater of the fan's own node",
    page=Page(
        purpose="The fan blows on the block that it is meant for, and follows it where the node is to see to that.",
        hazard=f"{_BURN} A fan that turns the right way at the wrong place looks healthy to its tachometer.",
        method="The block is held at its low setpoint; a fan with follows_above_c must turn by itself by then. Then the "
        "heater is switched off and the rate of cooling is compared with the fan off and on.",
        limits=(
            ("cools faster by fan.cooling_gain_percent", "chosen for hiltest; set it from a good board"),
            ("with follows_above_c: at least a fifth of full speed, nothing commanded", "chosen for hiltest"),
        ),
        causes=(
            "no difference: fan mounted backwards, duct open, plugs of two fans of one kind exchanged",
            "does not follow: the firmware's setting, or the wrong output",
        ),
    ),
)
def test_cooling_fan(target: Fan, link: Link, node: GuardedNode, measure: Measure) -> None:
    """The same block, fan off and fan on."""
    from hiltest.catalogue import _heatloop

    heater = next(part for part in measure.description.heater if part.name == target.cools)
    _heatloop.cooling(link, node, target, heater, measure)
