"""What the loads of the bench do to its CAN lines: grounds shifted by return currents, pulses of what switches.

Asked each time the supply has settled, which is each time that a load changed; a line is touched only if what it feels
has changed. Sources: Ohm's law (`physics.line.ground_offset_v`) and `physics.switching`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hiltest.physics.line import ground_offset_v
from hiltest.physics.switching import (
    FAN_CONTROL_A,
    FAN_CONTROL_V,
    Switching,
    fan_switching,
    heater_switching,
    stepper_switching,
)

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board
    from hiltest.simbench.wire import Wire

GROUND_STEP_V: Final = 0.05
"""A ground moves in such steps, so that the same loads find the same line again; the receivers work over 9 V."""


class Coupling:
    """Keeps the lines of a bench up to date with its loads. The adapter's ground is the supply's minus terminal."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._grounds_v: dict[Board, float] = {}

    def follow(self) -> None:
        """The supply has settled: see which lines feel a change."""
        boards = self._bench.boards.values()
        for wire in self._bench.wires.values():
            if wire.line is not None:
                self._follow_on(wire, [board for board in boards if board.controller.wire is wire])

    def _follow_on(self, wire: Wire, boards: list[Board]) -> None:
        moved = {}
        supply_v = self._bench.supply.set_v
        switching: list[Switching] = []
        for board in boards:
            volts = board_ground_v(board)
            if abs(volts - self._grounds_v.get(board, 0.0)) > 0.75 * GROUND_STEP_V:
                stepped_v = GROUND_STEP_V * round(volts / GROUND_STEP_V)
                moved[board.controller.name] = self._grounds_v[board] = stepped_v
            switching += switching_of(board, supply_v)
        if moved or tuple(switching) != wire.cabling.switching:
            wire.surround(moved, tuple(switching))


def board_ground_v(board: Board) -> float:
    """A board's ground against the adapter's: the drop in its return wire, and what lies between the two grounds."""
    harness = board.harness
    return ground_offset_v(harness.peak_a, harness.return_ohm()) + board.ground_apart_v


def switching_of(board: Board, supply_v: float) -> list[Switching]:
    """The outputs of a board that switch now."""
    powered, booting = board.logic_on, board.life != "running"
    found = [
        heater_switching(supply_v, supply_v * switch.siemens())
        for switch in board.switches
        if 0.0 < switch.conducting(powered, booting) < 1.0 and switch.siemens() > 0.0
    ]
    for channel, share in zip(board.fans, board.fan_supply, strict=True):
        if channel.motor is not None and 0.0 < channel.applied(powered) < 1.0:
            control = channel.motor.wires >= 4
            step_v, step_a = (
                (FAN_CONTROL_V, FAN_CONTROL_A) if control else (supply_v * share, channel.motor.current_a)
            )
            found.append(fan_switching(step_v, step_a))
    found += [stepper_switching(supply_v) for chip in board.chips if chip.current_a() > 0.0]
    return found
