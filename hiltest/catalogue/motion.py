"""Powered: parts move. The driver is set before anything is energised, and the first move is small."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Description, Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

_PINCH = "Pinch points: the axis may move at once and the wrong way."


@check(
    "motion.driver_ready",
    per="stepper",
    order=500,
    gates=(
        "cold.coils[{load}]",
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "sense.supply[{node}]",
    ),
    verbs=("configure_driver[{load}]", "read_driver[{load}]"),
    window_s=15.0,
    page=Page(
        purpose="The stepper driver is reachable, and its current and microsteps are what they should be, before "
        "the motor is energised.",
        hazard="A driver on its power-on settings can burn the motor or move the wrong distance.",
        method="Run current and microsteps are written, then read back from the driver; its flags are read.",
        limits=(
            (
                "run current within 7 % of stepper.run_current_a",
                "a driver sets current in 32 steps; common practice",
            ),
            ("run current up to stepper.rated_current_a", "the motor's rating"),
            ("microsteps as described", "the description"),
            ("no fault flag", "the driver's own report"),
        ),
        causes=(
            "not reachable: motor supply missing, wrong address, serial wire of the driver open",
            "settings do not stay: driver reset by a dip of the supply",
            "current off by a constant factor: wrong sense resistor in the firmware's settings",
        ),
    ),
)
def test_driver_ready(target: Stepper, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Written, read back, and right."""
    before = node.read_driver(target.name)
    measure.require("driver reachable", before.reachable)
    if not before.reachable:
        measure.fail("the stepper driver does not answer; nothing was energised")
    node.configure_driver(target.name, target.run_current_a, target.microsteps)
    link.run_for(0.05)
    after = node.read_driver(target.name)
    top = min(1.07 * target.run_current_a, target.rated_current_a)
    measure(
        "run current read back",
        after.current_a,
        "A",
        low=0.93 * target.run_current_a,
        high=top,
        limit="run_current_a",
    )
    measure(
        "microsteps read back",
        after.microsteps,
        "",
        low=target.microsteps,
        high=target.microsteps,
        limit="microsteps",
    )
    if before.writes is not None and after.writes is not None:
        measure("writes that the driver counted", (after.writes - before.writes) % 256, "writes", low=1)
    faults = sorted(after.flags - {"reset", "open_load_a", "open_load_b"})
    measure("fault flags", len(faults), "flags", high=0, note=", ".join(faults))
    measure.require(
        "settings kept",
        "reset" not in after.flags,
        "the driver reports a reset after the write" if "reset" in after.flags else "",
    )


@check(
    "motion.direction",
    per="stepper",
    order=510,
    gates=(
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "switch.by_hand[{home_switch}]",
        "switch.by_hand[{end_switch}]",
        "motion.driver_ready[{load}]",
    ),
    verbs=("move[{load}]", "read_position[{load}]", "enable_driver[{load}]"),
    window_s=lambda stepper: 60.0 + 40 * stepper.small_move_rev / stepper.speed_rev_s,
    page=Page(
        purpose="A small counted move goes the right way, by the right amount, and comes back.",
        hazard=f"{_PINCH} The move is no longer than stepper.small_move_rev, even when it goes wrong.",
        method="The axis stands on its home switch. It is moved up in small steps until the switch lets go, no further "
        "than the switch should need, then to the end of the small move, then back; the switch must be met again. "
        "The step counter must count the commanded steps with the right sign. With an encoder its count is compared "
        "too; without a home switch it is what tells the direction. The counter of the firmware alone proves "
        "nothing: a reversed motor counts just as well.",
        limits=(
            (
                "switch released after 0.65 to 1.6 times stepper.home_release_rev",
                "parking tolerance, narrower than a factor of two; chosen for hiltest",
            ),
            ("step counter equals the command", "exact"),
            ("encoder within 10 % of the step counter, same sign", "chosen for hiltest"),
            ("switch met again on the way back", "exact"),
        ),
        causes=_causes.MOVE,
    ),
)
def test_direction(target: Stepper, link: Link, node: GuardedNode, measure: Measure) -> None:
    """A counted move: sign, count, return."""
    from hiltest.catalogue import _motion

    look = _motion.direction if target.home_switch is not None else _motion.by_encoder
    look(link, node, target, measure)


@check(
    "motion.return",
    per="stepper",
    order=520,
    gates=(
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "motion.direction[{load}]",
        "safe.host_silence[{node}]",
        "safe.foreign_traffic[{node}]",
        "safe.bus_cut[{node}]",
        "safe.stop[{node}]",
        "safe.reset[{node}]",
        "safe.old_commands[{node}]",
        "safe.emergency_stop[{node}]",
        "safe.move_ends[{load}]",
    ),
    goes_far=True,
    verbs=("move[{load}]", "read_position[{load}]", "enable_driver[{load}]"),
    window_s=lambda stepper: 120.0 + 12 * stepper.long_move_rev / stepper.speed_rev_s,
    page=Page(
        purpose="At working speed no step is lost.",
        hazard=f"{_PINCH} Where nobody takes part there is no switch.by_hand: the long moves go towards an end switch that nobody "
        "has proven, and one that never triggers stops nothing. Before that press it by hand, see that the axis is free for more "
        "than stepper.long_move_rev, guards on, a hand on the supply's switch.",
        method="The step count at which the home switch is met is taken before and after moves of "
        "stepper.long_move_rev: twice out at stepper.speed_rev_s and back at half of it, once the other way round, for what is "
        "lost at one speed both ways cancels; with an encoder its count is taken there too, which "
        "tells lost steps from a coupling that slips. Without a home switch the encoder alone is asked. The "
        "driver's flags and settings are read again. What the nodes say of their switches by themselves is watched meanwhile: "
        "none may change that the move can't reach. Switches at the ends of this axis that no hand has proven are named, with "
        "the verdict too: the axis itself shows its home switch in motion.direction, and nothing shows an end switch.",
        limits=(
            (
                "difference up to stepper.return_error_max_steps full steps",
                "step errors do not add up; common practice",
            ),
            (
                "play up to stepper.play_max_steps full steps between letting go upwards and being met downwards",
                "chosen for hiltest; set it from a good machine",
            ),
            ("the encoder at the home switch: the same", "as above"),
            ("no change of a switch that the move can't reach", "exact"),
            ("driver flags clear and settings kept after the moves", "the driver's own report"),
        ),
        causes=(
            _causes.RETURN_COUPLING,
            _causes.RETURN_ENCODER,
            _causes.STEPS_FRICTION,
            "play: grub screw of the coupling, belt tension, worn nut; push and pull the axis by hand",
            _causes.STEPS_CURRENT,
            _causes.STEPS_COIL,
            _causes.STEPS_DIP,
            _causes.SWITCH_WITH_MOTOR,
        ),
    ),
)
def test_return(
    target: Stepper, link: Link, node: GuardedNode, known_nodes: list[GuardedNode], measure: Measure
) -> None:
    """Out and back at working speed."""
    from hiltest.catalogue import _endswitches, _motion

    _endswitches.say_unproven(target, measure)
    watch = _endswitches.Watch(target, known_nodes, measure)
    look = _motion.out_and_back if target.home_switch is not None else _motion.long_by_encoder
    try:
        look(link, node, target, measure, watch)
    finally:
        watch.end()


def _has_motor_sensor(_description: Description, stepper: Stepper) -> bool:
    return stepper.motor_sensor is not None


@check(
    "motion.warm",
    per="stepper",
    order=530,
    gates=(
        "bus.enumerate[{node}]",
        "bus.quiet[{bus}]",
        "bus.observer[{bus}]",
        "sense.ambient[{motor_sensor}]",
        "motion.return[{load}]",
    ),
    goes_far=True,
    verbs=("move[{load}]", "enable_driver[{load}]", "read_temperature_c[{motor_sensor}]"),
    window_s=lambda stepper: 60.0 + 2 * stepper.warm_s,
    when=_has_motor_sensor,
    only_where="stepper.motor_sensor names the sensor on the motor",
    page=Page(
        purpose="The motor gets no warmer than one that has the current it was set to.",
        hazard=f"{_PINCH} The case of a motor gets hot enough to burn in a quarter of an hour.",
        method="Where the description names a sensor on the motor's case: the axis goes out and back at working speed for "
        "stepper.warm_s, and the sensor is read after each way. Above the limit no further move is made: the axis stays where it "
        "is. Nor is one when the home switch is met where the axis should be clear of it. The driver only reports what it was told; a wrong sense resistor shows here. "
        "Switches are watched as in motion.return.",
        limits=(
            (
                "rise up to stepper.warm_rise_max_k in stepper.warm_s",
                "80 K at rated current and a quarter of an hour: up to 10 K in two minutes; common practice",
            ),
            ("no flag of the driver afterwards: its own warning of heat", "the driver's own report"),
            ("no change of a switch that the move can't reach", "exact"),
        ),
        causes=(
            "wrong sense resistor at the driver, or a wrong scale in the firmware: twice the current, four times the heat",
            "hold current as high as run current, motor of another rating",
            "a driver that gets hot: no copper or heat sink under it, no air",
            "the sensor sits on something else that gets warm",
            *_causes.steps_lost(),
            _causes.SWITCH_WITH_MOTOR,
        ),
    ),
)
def test_warm(
    target: Stepper, link: Link, node: GuardedNode, known_nodes: list[GuardedNode], measure: Measure
) -> None:
    """Out and back, and a hand on the motor."""
    from hiltest.catalogue import _endswitches, _motion

    watch = _endswitches.Watch(target, known_nodes, measure)
    try:
        _motion.warm(link, node, target, measure, watch)
    finally:
        watch.end()
