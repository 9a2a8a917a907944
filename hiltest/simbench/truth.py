"""What really happens on the simulated bench: for scoring tests against harm, never for the tests themselves.

The catalogue can't reach this; tests of hiltest read it to know what a verdict should have been.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board
    from hiltest.simbench.loads.fan import FanMotor
    from hiltest.simbench.loads.heater import Block
    from hiltest.simbench.loads.lamp import Lamp
    from hiltest.simbench.loads.stepper import Motor


class OutputChange(NamedTuple):
    """An output that went on or off. `output` is 'kind:name', with the board's name if there are several."""

    t_s: float
    output: str
    on: bool


class Truth:
    """The hidden truth of one bench. Names are those of the fixture description."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def _boards(self) -> list[Board]:
        return list(self._bench.boards.values())

    def block(self, heater: str, board: str | None = None) -> Block:
        """The block of a heater, brought up to the present."""
        for candidate in self._boards():
            if board in (None, candidate.name) and heater in candidate.blocks:
                block = candidate.blocks[heater]
                block.catch_up()
                return block
        raise UsageError(f"heater={heater!r} is not on this bench; it has {self._known('blocks')}")

    def _known(self, what: str) -> str:
        return ", ".join(repr(name) for board in self._boards() for name in getattr(board, what)) or "none"

    def heater_w(self, heater: str) -> float:
        """Electrical power in a heater's element at this moment."""
        return self.block(heater).watts

    def energy_j(self, heater: str) -> float:
        """Electrical energy that a heater took since the start of the bench."""
        return self.block(heater).total_energy_j()

    def block_c(self, heater: str) -> float:
        """True temperature of a heater's block."""
        return self.block(heater).block_c

    def highest_block_c(self) -> float:
        """The highest temperature that any block has had."""
        blocks = [self.block(name, board.name) for board in self._boards() for name in board.blocks]
        return max((block.highest_c for block in blocks), default=self._bench.ambient_c)

    def highest_element_c(self) -> float:
        """The highest temperature that any heating element has had."""
        blocks = [self.block(name, board.name) for board in self._boards() for name in board.blocks]
        return max((block.highest_element_c for block in blocks), default=self._bench.ambient_c)

    def motor(self, stepper: str) -> Motor:
        """The motor of a stepper."""
        for board in self._boards():
            for chip in board.chips:
                if chip.motor is not None and chip.motor.name == stepper:
                    return chip.motor
        raise UsageError(f"stepper={stepper!r} is not on this bench")

    def position_rev(self, stepper: str) -> float:
        """Where the mechanism really stands, in motor turns from its parked position."""
        return self.motor(stepper).mechanism.position_rev

    def travel_rev(self, stepper: str) -> float:
        """All the way that the mechanism has gone, in motor turns."""
        return self.motor(stepper).mechanism.travelled_rev

    def stop_hits(self, stepper: str) -> int:
        """How often the mechanism was driven into a hard stop, counted in lost cycles."""
        return self.motor(stepper).mechanism.stop_hits

    def fan(self, fan: str) -> FanMotor:
        """A fan."""
        for board in self._boards():
            for channel in board.fans:
                if channel.motor is not None and channel.motor.name == fan:
                    return channel.motor
        raise UsageError(f"fan={fan!r} is not on this bench")

    def lamp(self, lamp: str) -> Lamp:
        """A lamp; `shows()` is what a person sees."""
        for board in self._boards():
            for candidate in board.lamps:
                if candidate.name == lamp:
                    return candidate
        raise UsageError(f"lamp={lamp!r} is not on this bench")

    def outputs_on(self) -> frozenset[str]:
        """Outputs in which current flows now: 'heater:reservoir', 'fan:nozzle', 'motor:pump', 'lamp:status'."""
        return frozenset(self._label(board, name) for board in self._boards() for name in board.outputs_on())

    def changes(self) -> list[OutputChange]:
        """Every change of an output since the start of the bench, in order of time."""
        found = [
            OutputChange(change.t_ns / 1e9, self._label(board, change.output), change.on)
            for board in self._boards()
            for change in board.changes
        ]
        return sorted(found, key=lambda change: change.t_s)

    def last_off_s(self, output: str) -> float | None:
        """When an output last went off; None if it never did."""
        times = [change.t_s for change in self.changes() if change.output == output and not change.on]
        return times[-1] if times else None

    def _label(self, board: Board, name: str) -> str:
        return (
            name
            if board.name == board.node.name and len(self._bench.description.node) == 1
            else (f"{board.name}/{name}")
        )
