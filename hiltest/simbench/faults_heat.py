"""Faults of heaters, temperature sensors and fans."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hiltest.physics.thermistor import NtcBeta, Platinum
from hiltest.simbench.fault_places import (
    board_of,
    element,
    fan_channel,
    fan_motor,
    heater_switch,
    sensor_element,
    sensor_input,
    sensor_reading,
)
from hiltest.simbench.fault_registry import fault
from hiltest.simbench.loads.heater import Bead

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.loads.fan import FanMotor

HEATER, SENSOR, FAN = "heater", "sensor", "fan"


# --- heaters ------------------------------------------------------------------------------------------


@fault(HEATER, "the element or its wire is open", "heater")
def heater_open(bench: Bench, target: str, _: float) -> None:
    element(bench, target).ohm = math.inf


@fault(HEATER, "the heater's leads are shorted", "heater", unit="ohm", default=0.2, low=0.001, high=10.0)
def heater_shorted(bench: Bench, target: str, value: float) -> None:
    element(bench, target).ohm = value


@fault(
    HEATER,
    "an element with too much resistance: half the power by default",
    "heater",
    unit="times the resistance",
    default=2.0,
    low=1.0,
    high=100.0,
)
def heater_weak(bench: Bench, target: str, value: float) -> None:
    element(bench, target).ohm *= value


@fault(
    HEATER,
    "an element for half the voltage: four times the power",
    "heater",
    unit="times the power",
    default=4.0,
    low=1.0,
    high=20.0,
)
def heater_wrong_voltage(bench: Bench, target: str, value: float) -> None:
    element(bench, target).ohm /= value


@fault(
    HEATER,
    "the heater's transistor is shorted: it conducts whenever there is supply",
    "heater",
    unit="share",
    default=1.0,
    low=0.0,
    high=1.0,
)
def heater_stuck_on(bench: Bench, target: str, value: float) -> None:
    heater_switch(bench, target).stuck_duty = value


@fault(
    HEATER,
    "the element leaks to the metal of its block: moisture, or a damaged shell",
    "heater",
    unit="ohm",
    default=2e5,
    low=0.0,
    high=1e9,
)
def heater_leaks(bench: Bench, target: str, value: float) -> None:
    element(bench, target).to_block_ohm = value


@fault(HEATER, "the heater's driver stage is inverted", "heater")
def heater_inverted(bench: Bench, target: str, _: float) -> None:
    heater_switch(bench, target).inverted = True


@fault(
    HEATER,
    "the heater's duty is applied too large",
    "heater",
    unit="times",
    default=10.0,
    low=1.0,
    high=1000.0,
)
def heater_scale_wrong(bench: Bench, target: str, value: float) -> None:
    heater_switch(bench, target).scale = value


@fault(
    HEATER,
    "the element touches its block badly",
    "heater",
    unit="share of the contact",
    default=0.1,
    low=0.001,
    high=1.0,
)
def heater_loose(bench: Bench, target: str, value: float) -> None:
    element(bench, target).block.set_contact(value)


@fault(
    HEATER,
    "the element hangs beside its block",
    "heater",
    unit="share of the contact",
    default=0.003,
    low=0.0,
    high=1.0,
)
def heater_out_of_block(bench: Bench, target: str, value: float) -> None:
    element(bench, target).block.set_contact(value)


@fault(
    HEATER,
    "heat takes long from the element to the block",
    "heater",
    unit="s",
    default=8.0,
    low=0.02,
    high=600.0,
)
def heater_slow(bench: Bench, target: str, value: float) -> None:
    element(bench, target).block.catch_up()
    element(bench, target).block.set_dead_time_s(value)


@fault(HEATER, "the plugs of two heaters are exchanged", "heater", pairs=True)
def heaters_swapped(bench: Bench, target: str, _: float) -> None:
    one, other = (heater_switch(bench, name) for name in target.split("+"))
    one.element, other.element = other.element, one.element


# --- sensors ------------------------------------------------------------------------------------------


@fault(SENSOR, "the sensor's wire is open", "sensor")
def sensor_open(bench: Bench, target: str, _: float) -> None:
    sensor_element(bench, target).is_open = True


@fault(SENSOR, "the sensor's wires are shorted", "sensor", unit="ohm", default=0.5, low=0.0, high=1000.0)
def sensor_shorted(bench: Bench, target: str, value: float) -> None:
    sensor_element(bench, target).shorted_ohm = value


@fault(SENSOR, "the plugs of two sensors are exchanged", "sensor", pairs=True)
def sensors_swapped(bench: Bench, target: str, _: float) -> None:
    one, other = (sensor_input(bench, name) for name in target.split("+"))
    one.element, other.element = other.element, one.element


def _loosen(bench: Bench, sensor: str, coupling: float) -> None:
    spot = sensor_element(bench, sensor).spot
    if isinstance(spot, Bead):
        spot.loosen(coupling)


@fault(
    SENSOR,
    "the sensor hangs beside the block it should measure",
    "sensor",
    unit="share of the rise",
    default=0.1,
    low=0.001,
    high=1.0,
)
def sensor_detached(bench: Bench, target: str, value: float) -> None:
    _loosen(bench, target, value)


@fault(
    SENSOR,
    "the sensor is half out of its bore",
    "sensor",
    unit="share of the rise",
    default=0.5,
    low=0.001,
    high=1.0,
)
def sensor_half_detached(bench: Bench, target: str, value: float) -> None:
    _loosen(bench, target, value)


@fault(
    SENSOR,
    "a thermistor of another B value is fitted",
    "sensor",
    unit="K",
    default=3435.0,
    low=500.0,
    high=8000.0,
)
def sensor_wrong_beta(bench: Bench, target: str, value: float) -> None:
    part = sensor_element(bench, target)
    if isinstance(part.curve, NtcBeta):
        part.curve = NtcBeta(part.curve.r25_ohm, value)


@fault(
    SENSOR,
    "a sensor of another nominal resistance is fitted",
    "sensor",
    unit="times the resistance",
    default=0.1,
    low=0.001,
    high=1000.0,
)
def sensor_wrong_nominal(bench: Bench, target: str, value: float) -> None:
    part = sensor_element(bench, target)
    if isinstance(part.curve, NtcBeta):
        part.curve = NtcBeta(part.curve.r25_ohm * value, part.curve.beta_k)
    elif isinstance(part.curve, Platinum):
        part.curve = Platinum(part.curve.r0_ohm * value)


@fault(
    SENSOR,
    "a pull-up of another value is fitted: below 1 the sensor reads low",
    "sensor",
    unit="times the resistance",
    default=2.2 / 4.7,
    low=0.01,
    high=100.0,
)
def sensor_wrong_pull_up(bench: Bench, target: str, value: float) -> None:
    sensor_input(bench, target).pull_up_ohm *= value


@fault(
    SENSOR,
    "the firmware's table reads low when hot, right at room temperature",
    "sensor",
    unit="K",
    default=4600.0,
    low=500.0,
    high=8000.0,
)
def sensor_reads_low(bench: Bench, target: str, value: float) -> None:
    """The B value in the firmware's table; above the part's own the display falls behind."""
    sensor_reading(bench, target).conversion.beta_k = value


@fault(
    SENSOR, "a loose contact in the sensor's plug", "sensor", unit="breaks/s", default=1.0, low=0.0, high=10.0
)
def sensor_loose_contact(bench: Bench, target: str, value: float) -> None:
    sensor_element(bench, target).loose_hz = value


@fault(SENSOR, "resistance in series with the sensor", "sensor", unit="ohm", default=50.0, low=0.0, high=1e6)
def sensor_series_resistance(bench: Bench, target: str, value: float) -> None:
    sensor_element(bench, target).series_ohm = value


@fault(SENSOR, "moisture across the sensor", "sensor", unit="ohm", default=1e5, low=1.0, high=1e9)
def sensor_leak(bench: Bench, target: str, value: float) -> None:
    sensor_element(bench, target).leak_ohm = value


@fault(SENSOR, "the converter hangs: always the same value", "sensor")
def sensor_frozen(bench: Bench, target: str, _: float) -> None:
    channel = sensor_input(bench, target)
    channel.frozen_code = channel.code()


@fault(SENSOR, "noise on the sensor's wires", "sensor", unit="counts", default=60.0, low=0.0, high=4000.0)
def sensor_noisy(bench: Bench, target: str, value: float) -> None:
    sensor_input(bench, target).noise_counts = value


@fault(
    SENSOR,
    "the reading jumps while a heater conducts",
    "sensor",
    unit="counts",
    default=-120.0,
    low=-4000.0,
    high=4000.0,
)
def sensor_jumps_with_heater(bench: Bench, target: str, value: float) -> None:
    sensor_input(bench, target).step_counts = value


@fault(SENSOR, "the sensor's wire touches the supply", "sensor")
def sensor_to_supply(bench: Bench, target: str, _: float) -> None:
    sensor_input(bench, target).tied_to_supply = True


# --- fans ---------------------------------------------------------------------------------------------


def _changed(motor: FanMotor) -> None:
    motor.settle()


@fault(FAN, "the firmware does not run fans by itself when a block is hot", "node")
def fan_ignores_heater(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.fans_follow_heat = False


@fault(FAN, "something blocks the fan's blades", "fan")
def fan_stalled(bench: Bench, target: str, _: float) -> None:
    motor = fan_motor(bench, target)
    motor.stalled = True
    _changed(motor)


@fault(FAN, "the fan's supply wire is open", "fan")
def fan_open(bench: Bench, target: str, _: float) -> None:
    motor = fan_motor(bench, target)
    motor.supply_open = True
    _changed(motor)


@fault(FAN, "the tachometer's wire is open", "fan")
def tach_open(bench: Bench, target: str, _: float) -> None:
    fan_motor(bench, target).tach_open = True


@fault(FAN, "the control wire is open: a 4-wire fan runs at full speed", "fan")
def fan_control_open(bench: Bench, target: str, _: float) -> None:
    motor = fan_motor(bench, target)
    motor.control_open = True
    _changed(motor)


@fault(FAN, "the fan's output is inverted", "fan")
def fan_inverted(bench: Bench, target: str, _: float) -> None:
    fan_channel(bench, target).inverted = True


@fault(FAN, "the fan's switch is shorted: it can't be switched off", "fan")
def fan_stuck_on(bench: Bench, target: str, _: float) -> None:
    fan_channel(bench, target).stuck_duty = 1.0


@fault(FAN, "the plugs of two fans are exchanged", "fan", pairs=True)
def fans_swapped(bench: Bench, target: str, _: float) -> None:
    names = target.split("+")
    one, other = (fan_channel(bench, name) for name in names)
    one.motor, other.motor = other.motor, one.motor
    for name in names:
        board_of(bench, "fan", name).loads_changed()


@fault(FAN, "the fan does not start at low duty", "fan", unit="duty", default=0.6, low=0.0, high=1.0)
def fan_starts_late(bench: Bench, target: str, value: float) -> None:
    motor = fan_motor(bench, target)
    motor.start_duty = 2.0 * value
    _changed(motor)


@fault(FAN, "a dry bearing slows the fan", "fan", unit="share of the speed", default=0.4, low=0.0, high=1.0)
def fan_slow(bench: Bench, target: str, value: float) -> None:
    motor = fan_motor(bench, target)
    motor.drag = value
    _changed(motor)


@fault(FAN, "the fan needs long to reach its speed", "fan", unit="s", default=15.0, low=0.1, high=600.0)
def fan_lazy(bench: Bench, target: str, value: float) -> None:
    fan_motor(bench, target).up_s = value / 3.0


@fault(
    FAN,
    "a fan with another number of pulses per turn",
    "fan",
    unit="pulses/turn",
    default=4.0,
    low=1.0,
    high=12.0,
)
def tach_wrong_pulses(bench: Bench, target: str, value: float) -> None:
    fan_motor(bench, target).pulses_per_rev = value


@fault(
    FAN,
    "the fan's pulses are of unequal length, and the firmware times one at a time",
    "fan",
    unit="share of a pulse",
    default=0.12,
    low=0.0,
    high=0.9,
)
def tach_uneven(bench: Bench, target: str, value: float) -> None:
    motor = fan_motor(bench, target)
    motor.pulse_unevenness, motor.times_one_pulse = value, True


@fault(
    FAN, "noise on the tachometer's wire is counted too", "fan", unit="times", default=1.6, low=1.0, high=10.0
)
def tach_counts_noise(bench: Bench, target: str, value: float) -> None:
    fan_motor(bench, target).tach_factor = value
