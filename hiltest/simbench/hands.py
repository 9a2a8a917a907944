"""What a person at the bench can do: press a switch, pull a plug, warm a sensor, flip the supply."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hiltest.errors import UsageError
from hiltest.physics.line import LineNetwork
from hiltest.simbench.fault_places import sensor_input

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board
    from hiltest.simbench.loads.sensor import SensorElement


class Hands:
    """A person's hands on one bench."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._pulled: dict[str, SensorElement] = {}
        self.emergency_stop_works = True

    def press(self, switch: str, on: bool = True) -> None:
        """Press a switch by hand, or let it go."""
        for board in self._bench.boards.values():
            if switch in board.contacts:
                board.contacts[switch].move(on)
                return
        raise UsageError(f"switch={switch!r} is not on this bench")

    def unplug_can(self, board: str | None = None) -> None:
        """Pull the bus plug of a board (default: the first)."""
        self._set_plug(self._board(board), True)

    def plug_can(self, board: str | None = None) -> None:
        """Put it back."""
        self._set_plug(self._board(board), False)

    def unplug_power(self, board: str | None = None) -> None:
        """Pull the power plug of a board."""
        self._board(board).harness.plugged = False
        self._bench.supply.settle()

    def plug_power(self, board: str | None = None) -> None:
        """Put it back."""
        self._board(board).harness.plugged = True
        self._bench.supply.settle()

    def unplug_sensor(self, sensor: str, out: bool = True) -> None:
        """Pull the plug of a temperature sensor, or put it back."""
        channel = sensor_input(self._bench, sensor)
        if out and channel.element is not None:
            self._pulled[sensor], channel.element = channel.element, None
        elif not out and sensor in self._pulled:
            channel.element = self._pulled.pop(sensor)

    def press_emergency_stop(self, pressed: bool = True) -> None:
        """Press the emergency stop, or let it go. Its contact takes the supply off every board."""
        if self.emergency_stop_works:
            self.switch_supply(not pressed)

    def switch_supply(self, on: bool) -> None:
        """Flip the output switch of the supply."""
        self._bench.supply.switch_on(on)

    def _board(self, name: str | None) -> Board:
        boards = self._bench.boards
        if name is None:
            return next(iter(boards.values()))
        if name not in boards:
            raise UsageError(f"board={name!r} is not on this bench; it has {', '.join(boards)}")
        return boards[name]

    def _set_plug(self, board: Board, out: bool) -> None:
        def change(line: LineNetwork) -> LineNetwork:
            taps = tuple(
                replace(tap, open_h=out, open_l=out) if tap.name == board.controller.name else tap
                for tap in line.taps
            )
            return replace(line, taps=taps)

        self._bench.wire_of(board).change_line(change)
