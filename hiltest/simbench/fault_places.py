"""Finding the part that a fault hits, and editing the line around it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, TypeVar

from hiltest.errors import UsageError
from hiltest.physics.line import Leak, LineNetwork, Tap

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board
    from hiltest.simbench.drive import Axis
    from hiltest.simbench.heater_control import HeaterChannel, SensorReading
    from hiltest.simbench.loads.fan import FanChannel, FanMotor
    from hiltest.simbench.loads.heater import Element, HeaterSwitch
    from hiltest.simbench.loads.sensor import SensorElement, SensorInput
    from hiltest.simbench.loads.stepper import DriverChip, Encoder, Motor
    from hiltest.simbench.loads.switch import Contact, SwitchInput
    from hiltest.simbench.wire import Wire

T = TypeVar("T")


def present(part: T | None, what: str) -> T:
    """`part`, unless an earlier fault took it away or the bench never had it."""
    if part is None:
        raise UsageError(f"{what} is not there: an earlier fault took it away, or this bench has none")
    return part


def _place(bench: Bench, kind: str, name: str) -> tuple[Board, int]:
    """The described board of a load and the load's channel on it."""
    loads = getattr(bench.description, kind)
    load = next(load for load in loads if load.name == name)
    mine = [other.name for other in loads if other.node == load.node]
    return bench.boards[load.node], mine.index(name)


def heater_switch(bench: Bench, heater: str) -> HeaterSwitch:
    """The transistor of a heater's channel."""
    board, number = _place(bench, "heater", heater)
    return board.switches[number]


def element(bench: Bench, heater: str) -> Element:
    """The heating element in a heater's channel."""
    return present(heater_switch(bench, heater).element, f"element of heater {heater!r}")


def heater_channel(bench: Bench, heater: str) -> HeaterChannel:
    """The firmware's view of a heater."""
    board, number = _place(bench, "heater", heater)
    return board.heaters[number]


def sensor_input(bench: Bench, sensor: str) -> SensorInput:
    """The analogue input of a sensor."""
    board, number = _place(bench, "sensor", sensor)
    return board.sensor_inputs[number]


def sensor_reading(bench: Bench, sensor: str) -> SensorReading:
    """The firmware's view of a sensor."""
    board, number = _place(bench, "sensor", sensor)
    return board.sensors[number]


def sensor_element(bench: Bench, sensor: str) -> SensorElement:
    """The part at the end of a sensor's wires."""
    return present(sensor_input(bench, sensor).element, f"element of sensor {sensor!r}")


def fan_channel(bench: Bench, fan: str) -> FanChannel:
    """The output of a fan."""
    board, number = _place(bench, "fan", fan)
    return board.fans[number]


def fan_motor(bench: Bench, fan: str) -> FanMotor:
    """The fan itself."""
    return present(fan_channel(bench, fan).motor, f"fan {fan!r}")


def chip(bench: Bench, stepper: str) -> DriverChip:
    """The driver chip of a stepper."""
    board, number = _place(bench, "stepper", stepper)
    return board.chips[number]


def axis(bench: Bench, stepper: str) -> Axis:
    """The firmware's view of a stepper."""
    board, number = _place(bench, "stepper", stepper)
    return board.axes[number]


def motor(bench: Bench, stepper: str) -> Motor:
    """The motor of a stepper."""
    return present(chip(bench, stepper).motor, f"motor of stepper {stepper!r}")


def encoder(bench: Bench, stepper: str) -> Encoder:
    """The encoder of a stepper."""
    board, number = _place(bench, "stepper", stepper)
    return present(
        board.encoders[number],
        f"an encoder of stepper {stepper!r} (encoder_counts_per_rev in its description)",
    )


def switch_input(bench: Bench, switch: str) -> SwitchInput:
    """The input of a switch."""
    board, number = _place(bench, "switch", switch)
    return board.inputs[number]


def contact(bench: Bench, switch: str) -> Contact:
    """The contact of a switch."""
    return present(switch_input(bench, switch).contact, f"contact of switch {switch!r}")


def board_of(bench: Bench, kind: str, name: str) -> Board:
    """The board that a load hangs on."""
    return _place(bench, kind, name)[0]


def change_tap(bench: Bench, board: str, **changes: object) -> None:
    """`dataclasses.replace` on the tap of a board."""
    the_board = bench.boards[board]
    own = the_board.controller.name

    def change(line: LineNetwork) -> LineNetwork:
        taps = tuple(replace(tap, **changes) if tap.name == own else tap for tap in line.taps)  # type: ignore[arg-type]
        return replace(line, taps=taps)

    bench.wire_of(the_board).change_line(change)


def tap_of(line: LineNetwork, name: str) -> Tap:
    """The tap of that name."""
    return next(tap for tap in line.taps if tap.name == name)


def add_leak(wire: Wire, one: str, other: str, ohm: float) -> None:
    """An unwanted path in the middle of the line."""

    def change(line: LineNetwork) -> LineNetwork:
        leak = Leak(one, other, 0.5 * line.end_m, ohm)  # type: ignore[arg-type]
        return replace(line, leaks=(*line.leaks, leak))

    wire.change_line(change)


def edit_line(wire: Wire, change: Callable[[LineNetwork], LineNetwork]) -> None:
    """Change the line of a wire."""
    wire.change_line(change)
