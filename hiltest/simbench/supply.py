"""The bench's supply and the wires to the boards: who gets which voltage at which current.

Heaters are resistances, everything else draws a current; source and wires are resistances in series, and
the source folds back at its current limit. Solved exactly each time a load changes. Sources: Ohm's and
Kirchhoff's laws; gauge to resistance in hiltest.physics.copper.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Protocol

from hiltest.physics.copper import loop_resistance_ohm
from hiltest.simbench.tolerance import Draws

_loop_ohm = cache(loop_resistance_ohm)


@dataclass(frozen=True, slots=True)
class Draw:
    """What one board takes: heaters as conductance while all are on, and by mean duty; the rest in ampere."""

    on_siemens: float
    mean_siemens: float
    amps: float


class Consumer(Protocol):
    """A board, as the supply sees it."""

    harness: Harness

    def draw(self) -> Draw: ...

    def feed(self, low_v: float, mean_v: float) -> None: ...


class Harness:
    """The power pair to one board: gauge, length, contacts, and whether it is whole.

    `return_ohm_more` is what the minus wire has beyond its gauge and length. `peak_a` is the current that flows now,
    while every heater conducts.
    """

    def __init__(self, draws: Draws, *, awg: int, length_m: float, contact_ohm: float) -> None:
        self.awg = awg
        self.length_m = length_m
        self.wire_factor = draws.normal(1.0, 0.017)
        self.contact_ohm = contact_ohm * draws.uniform(0.6, 1.2) if contact_ohm > 0 else 0.0
        self.return_ohm_more = 0.0
        self.plugged = True
        self.reversed = False
        self.peak_a = 0.0

    def ohm(self) -> float:
        """Resistance of the loop, plus and minus together."""
        return self._pair_ohm() + self.return_ohm_more

    def return_ohm(self) -> float:
        """Resistance of the minus wire, with its half of the contacts."""
        return 0.5 * self._pair_ohm() + self.return_ohm_more

    def _pair_ohm(self) -> float:
        return _loop_ohm(self.awg, self.length_m) * self.wire_factor + self.contact_ohm


class Supply:
    """The source. `switch_on`, `set_voltage` and `set_limit` are its front panel."""

    def __init__(self, draws: Draws, *, voltage_v: float, current_limit_a: float) -> None:
        self.nominal_v = voltage_v
        self.set_v = voltage_v * (1.002 + draws.normal(0.0, 0.00625))
        self.limit_a = current_limit_a
        self.inner_ohm = 0.1 / current_limit_a
        self.ripple_v = draws.uniform(0.05, 0.15)
        self.is_on = True
        self.terminal_v = self.set_v
        self.current_a = 0.0
        self.in_limit = False
        self.consumers: list[Consumer] = []
        self.on_settled: list[Callable[[], None]] = []
        self._settling = False
        self._again = False

    def switch_on(self, on: bool) -> None:
        """Switch the output."""
        self.is_on = on
        self.settle()

    def set_voltage(self, volts: float) -> None:
        """Set the open-circuit voltage."""
        self.set_v = volts
        self.settle()

    def set_limit(self, amps: float) -> None:
        """Set the current limit."""
        self.limit_a = amps
        self.settle()

    def settle(self) -> None:
        """Work out all voltages and tell the boards. A board that changes its load in answer runs it again."""
        if self._settling:
            self._again = True
            return
        self._settling = True
        try:
            for _ in range(20):
                self._again = False
                self._settle_once()
                if not self._again:
                    break
        finally:
            self._settling = False
        for call in self.on_settled:
            call()

    def _settle_once(self) -> None:
        fed = [board for board in self.consumers if self._reaches(board)]
        draws = [board.draw() for board in fed]
        ohms = [board.harness.ohm() for board in fed]
        low_terminal, _ = self._solve([(d.on_siemens, d.amps) for d in draws], ohms)
        mean_terminal, amps = self._solve([(d.mean_siemens, d.amps) for d in draws], ohms)
        self.terminal_v, self.current_a = mean_terminal, amps
        for board in self.consumers:
            if board not in fed:
                board.harness.peak_a = 0.0
                board.feed(0.0, 0.0)
        for board, draw, ohm in zip(fed, draws, ohms, strict=True):
            low_v = _at_board(low_terminal, draw.on_siemens, draw.amps, ohm)
            board.harness.peak_a = draw.on_siemens * low_v + draw.amps
            board.feed(low_v, _at_board(mean_terminal, draw.mean_siemens, draw.amps, ohm))

    def _reaches(self, board: Consumer) -> bool:
        return self.is_on and board.harness.plugged and not board.harness.reversed

    def _solve(self, loads: Sequence[tuple[float, float]], ohms: Sequence[float]) -> tuple[float, float]:
        """Terminal voltage and total current: each board takes slope·v + fixed, so the whole is linear."""
        slope = fixed = 0.0
        for (siemens, amps), ohm in zip(loads, ohms, strict=True):
            share = 1.0 / (1.0 + ohm * siemens)
            slope += siemens * share
            fixed += amps * share
        volts = (self.set_v - self.inner_ohm * fixed) / (1.0 + self.inner_ohm * slope) if self.is_on else 0.0
        current = slope * volts + fixed
        self.in_limit = current > self.limit_a
        if self.in_limit:
            volts = max(0.0, (self.limit_a - fixed) / slope) if slope > 0.0 else 0.0
            current = self.limit_a
        return volts, current


def _at_board(terminal_v: float, siemens: float, amps: float, ohm: float) -> float:
    return max(0.0, (terminal_v - ohm * amps) / (1.0 + ohm * siemens))
