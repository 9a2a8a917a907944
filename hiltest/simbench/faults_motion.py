"""Faults of steppers, their drivers, switches and lamps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.simbench.fault_places import axis, board_of, chip, contact, encoder, motor, switch_input
from hiltest.simbench.fault_registry import fault

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.loads.lamp import Lamp

MOTION, SWITCH, LAMP = "motion", "switch", "lamp"


# --- motors and mechanics -----------------------------------------------------------------------------


@fault(MOTION, "one coil's wires are swapped: the motor turns the other way", "stepper")
def stepper_reversed(bench: Bench, target: str, _: float) -> None:
    motor(bench, target).direction = -1


@fault(MOTION, "one coil is open (0: A, 1: B)", "stepper", unit="coil", default=0.0, low=0.0, high=1.0)
def coil_open(bench: Bench, target: str, value: float) -> None:
    if value < 0.5:
        motor(bench, target).coil_a_open = True
    else:
        motor(bench, target).coil_b_open = True


@fault(MOTION, "one wire of each coil is exchanged with the other coil's", "stepper")
def coils_crossed(bench: Bench, target: str, _: float) -> None:
    motor(bench, target).pairs_crossed = True


@fault(MOTION, "a coil is shorted", "stepper")
def coil_shorted(bench: Bench, target: str, _: float) -> None:
    motor(bench, target).shorted = True


@fault(
    MOTION,
    "the mechanism is too stiff: the motor loses steps",
    "stepper",
    unit="share of holding torque",
    default=0.62,
    low=0.0,
    high=100.0,
)
def lost_steps(bench: Bench, target: str, value: float) -> None:
    motor(bench, target).mechanism.load = value


@fault(MOTION, "the mechanism is blocked", "stepper")
def stepper_blocked(bench: Bench, target: str, _: float) -> None:
    motor(bench, target).mechanism.blocked = True


@fault(
    MOTION,
    "play between motor and mechanism",
    "stepper",
    unit="motor turns",
    default=0.08,
    low=0.0,
    high=10.0,
)
def backlash(bench: Bench, target: str, value: float) -> None:
    motor(bench, target).mechanism.backlash_rev = value


@fault(MOTION, "the plugs of two motors are exchanged", "stepper", pairs=True)
def motors_swapped(bench: Bench, target: str, _: float) -> None:
    one, other = (chip(bench, name) for name in target.split("+"))
    one.motor, other.motor = other.motor, one.motor


@fault(
    MOTION,
    "the axis falls when its motor has no current",
    "stepper",
    unit="motor turns/s",
    default=1.0,
    low=0.0,
    high=100.0,
)
def axis_drops(bench: Bench, target: str, value: float) -> None:
    driver, falling = chip(bench, target), motor(bench, target)
    mechanism = falling.mechanism
    step = value * mechanism.steps_per_rev * 0.02

    def fall() -> None:
        lowest = mechanism.low_stop_rev * mechanism.steps_per_rev
        if not driver.energised() and falling.rotor_steps > lowest:
            falling.rotor_steps = max(lowest, falling.rotor_steps - step)
            mechanism.reach(falling.rotor_steps / mechanism.steps_per_rev)

    bench.queue.every(20_000_000, fall)


@fault(
    MOTION,
    "the coupling between motor and mechanism slips on the way out",
    "stepper",
    unit="share of the way",
    default=0.02,
    low=0.0,
    high=1.0,
)
def coupling_slips(bench: Bench, target: str, value: float) -> None:
    motor(bench, target).mechanism.coupling_slip = value


# --- encoders -----------------------------------------------------------------------------------------


@fault(MOTION, "the encoder's two channels are exchanged: it counts the other way", "stepper")
def encoder_reversed(bench: Bench, target: str, _: float) -> None:
    encoder(bench, target).direction = -1


@fault(MOTION, "the encoder's plug is out, or one of its channels is open: it counts nothing", "stepper")
def encoder_open(bench: Bench, target: str, _: float) -> None:
    encoder(bench, target).is_open = True


@fault(
    MOTION,
    "the encoder's hub slips on the shaft on the way out",
    "stepper",
    unit="share of the way",
    default=0.02,
    low=0.0,
    high=1.0,
)
def encoder_slips(bench: Bench, target: str, value: float) -> None:
    encoder(bench, target).slip = value


@fault(
    MOTION,
    "an encoder with another number of lines is fitted",
    "stepper",
    unit="times the counts",
    default=0.5,
    low=0.01,
    high=100.0,
)
def encoder_wrong_lines(bench: Bench, target: str, value: float) -> None:
    encoder(bench, target).counts_per_rev *= value


# --- drivers ------------------------------------------------------------------------------------------


@fault(MOTION, "the driver does not get what is written to it: it keeps its power-on settings", "stepper")
def driver_current_unset(bench: Bench, target: str, _: float) -> None:
    chip(bench, target).deaf = True


@fault(MOTION, "the driver's serial line is dead", "stepper")
def driver_unreachable(bench: Bench, target: str, _: float) -> None:
    chip(bench, target).mute = True


@fault(
    MOTION,
    "a wrong sense resistor at the driver",
    "stepper",
    unit="times the current",
    default=0.25,
    low=0.01,
    high=10.0,
)
def driver_current_wrong(bench: Bench, target: str, value: float) -> None:
    chip(bench, target).current_scale = value


@fault(
    MOTION,
    "the driver takes its microsteps from its pins and not from its setting",
    "stepper",
    unit="microsteps",
    default=8.0,
    low=1.0,
    high=256.0,
)
def wrong_microsteps(bench: Bench, target: str, value: float) -> None:
    chip(bench, target).pin_microsteps = round(value)


@fault(MOTION, "the driver loses its settings when the motor starts", "stepper")
def driver_forgets(bench: Bench, target: str, _: float) -> None:
    driver, watched = chip(bench, target), axis(bench, target)
    state = {"moving": False}

    def look() -> None:
        if watched.moving and not state["moving"]:
            enabled = driver.enabled
            driver.power_up()
            driver.enabled = enabled
        state["moving"] = watched.moving

    bench.supply.on_settled.append(look)


@fault(MOTION, "the driver's enable line is inverted", "stepper")
def driver_enable_inverted(bench: Bench, target: str, _: float) -> None:
    chip(bench, target).enable_inverted = True


@fault(MOTION, "the driver is not cooled", "stepper", unit="K/W", default=600.0, low=1.0, high=1e5)
def driver_hot(bench: Bench, target: str, value: float) -> None:
    chip(bench, target).k_per_w = value


# --- switches -----------------------------------------------------------------------------------------


@fault(SWITCH, "the switch's lever is stuck", "switch")
def switch_stuck(bench: Bench, target: str, _: float) -> None:
    contact(bench, target).blocked = True


@fault(SWITCH, "the switch's wire is open", "switch")
def switch_wire_open(bench: Bench, target: str, _: float) -> None:
    contact(bench, target).wire_open = True


@fault(SWITCH, "the switch's contact is welded or its wires touch", "switch")
def switch_welded(bench: Bench, target: str, _: float) -> None:
    contact(bench, target).stuck_closed = True


@fault(
    SWITCH, "the switch never triggers: open wire or welded contact, whichever hides on its type", "switch"
)
def switch_never_triggers(bench: Bench, target: str, _: float) -> None:
    part = contact(bench, target)
    if part.closes_when_actuated:
        part.wire_open = True
    else:
        part.stuck_closed = True


@fault(SWITCH, "the firmware takes the switch the wrong way round", "switch")
def switch_inverted(bench: Bench, target: str, _: float) -> None:
    switch_input(bench, target).inverted = True


@fault(SWITCH, "the switch bounces for long", "switch", unit="ms", default=400.0, low=0.0, high=1e4)
def switch_bounces(bench: Bench, target: str, value: float) -> None:
    contact(bench, target).bounce_ns = round(value * 1e6)


@fault(
    SWITCH,
    "the running motor triggers the switch's wire",
    "switch",
    unit="share of readings",
    default=0.3,
    low=0.0,
    high=1.0,
)
def switch_crosstalk(bench: Bench, target: str, value: float) -> None:
    switch_input(bench, target).crosstalk = value


@fault(SWITCH, "the input's pull-up is missing", "switch")
def switch_floating(bench: Bench, target: str, _: float) -> None:
    switch_input(bench, target).pull_up_missing = True


@fault(SWITCH, "the plugs of two switches are exchanged", "switch", pairs=True)
def switches_swapped(bench: Bench, target: str, _: float) -> None:
    one, other = (switch_input(bench, name) for name in target.split("+"))
    one.contact, other.contact = other.contact, one.contact


# --- lamps --------------------------------------------------------------------------------------------


def _lamp(bench: Bench, name: str) -> Lamp:
    return next(lamp for lamp in board_of(bench, "lamp", name).lamps if lamp.name == name)


@fault(LAMP, "the lamp stays dark", "lamp")
def lamp_dead(bench: Bench, target: str, _: float) -> None:
    lamp = _lamp(bench, target)
    lamp.dead = set(lamp.colours)


@fault(
    LAMP, "one colour of the lamp stays dark", "lamp", unit="colour, from 1", default=1.0, low=1.0, high=8.0
)
def lamp_colour_dead(bench: Bench, target: str, value: float) -> None:
    lamp = _lamp(bench, target)
    lamp.dead.add(lamp.colours[min(round(value), len(lamp.colours)) - 1])


@fault(LAMP, "the lamp's colours are wired in another order", "lamp")
def lamp_colours_swapped(bench: Bench, target: str, _: float) -> None:
    lamp = _lamp(bench, target)
    lamp.wired = [*lamp.wired[1:], lamp.wired[0]]
