"""A heating element, the switch that feeds it, and the block it heats.

The block is lumped heat: element -> (dead time, contact) -> block -> loss to the room, with the
temperature sensors that sit in the block behind a contact and a lag. It advances on a fixed grid, so a
look at it never changes what it does.
"""

from __future__ import annotations

import math
from collections import deque

from hiltest.simbench.loads.lag import Clock
from hiltest.simbench.tolerance import Draws

GRID_NS = 20_000_000
LARGE_W = 100.0
"""Above it makers state the power of an element skewed, +5 % and -10 %; up to it +-10 % (common practice, no source)."""
_STEP_S = GRID_NS / 1e9


class Bead:
    """The spot where a sensor feels a block's temperature: behind a contact and a lag.

    `coupling` is the share of the block's rise that reaches the bead at rest: 1 is seated well, 0.1 hangs
    beside the block. A looser bead also answers later.
    """

    def __init__(self, block: Block, lag_s: float) -> None:
        self._block = block
        self.temperature_c = block.block_c
        self.coupling = 1.0
        self.lag_s = lag_s
        block.beads.append(self)

    def loosen(self, coupling: float) -> None:
        """Pull the bead out of its seat to `coupling`; at 0.1 the lag is about three times longer."""
        self._block.catch_up()
        self.lag_s *= math.sqrt(max(self.coupling, 0.01) / max(coupling, 0.01))
        self.coupling = coupling

    def now_c(self) -> float:
        """Temperature of the bead in degC."""
        self._block.catch_up()
        return self.temperature_c


class Block:
    """The heated block of one heater, with its element and beads. Temperatures in degC, power in W.

    Source of the model: lumped heat balance C dT/dt = P - G (T - ambient) with a dead time (the usual
    first-order plant of process control).
    """

    def __init__(
        self,
        clock: Clock,
        draws: Draws,
        *,
        heat_capacity_j_k: float,
        loss_w_k: float,
        ambient_c: float,
    ) -> None:
        self._clock = clock
        total_j_k = heat_capacity_j_k * draws.factor(0.02)
        self.element_j_k = 0.1 * total_j_k
        self.block_j_k = total_j_k - self.element_j_k
        self.loss_w_k = loss_w_k * draws.factor(0.07)
        # Alone in the air a small element loses far less than it takes in, so it glows.
        self.element_loss_w_k = 0.05 * loss_w_k
        self.contact_w_k = self.element_j_k / 0.5
        self.ambient_c = ambient_c
        self.airflow = 0.0
        self.element_c = ambient_c
        self.block_c = ambient_c
        self.highest_c = ambient_c
        self.highest_element_c = ambient_c
        self.beads: list[Bead] = []
        self.energy_j = 0.0
        self._watts = 0.0
        self._state_ns = clock.now_ns
        self._since_ns = clock.now_ns
        self._part_j = 0.0
        self._pipe: deque[float] = deque()
        self.set_dead_time_s(draws.uniform(0.5, 1.5))

    def set_dead_time_s(self, seconds: float) -> None:
        """How long heat takes from the element's wire to where it is felt."""
        steps = max(1, round(seconds / _STEP_S))
        while len(self._pipe) > steps:
            self._pipe[1] += self._pipe.popleft()
        self._pipe.extendleft([0.0] * (steps - len(self._pipe)))

    def set_contact(self, factor: float) -> None:
        """Change how well the element touches the block: 1 as built, 0.03 lies beside it."""
        self.catch_up()
        self.contact_w_k = self.element_j_k / 0.5 * factor

    def set_airflow(self, share: float) -> None:
        """Set the airflow of the fans that reach this block; 1 loses heat half as fast again."""
        if share != self.airflow:
            self.catch_up()
            self.airflow = share

    @property
    def watts(self) -> float:
        """Electrical power into the element at this moment."""
        return self._watts

    def set_watts(self, watts: float) -> None:
        """Feed the element with `watts` from now on."""
        if watts == self._watts:
            return
        self.catch_up()
        now = self._clock.now_ns
        self.energy_j += self._watts * (now - self._since_ns) * 1e-9
        self._part_j += self._watts * (now - max(self._since_ns, self._state_ns)) * 1e-9
        self._since_ns = now
        self._watts = watts

    def total_energy_j(self) -> float:
        """Electrical energy since the start of the bench, in joules."""
        return self.energy_j + self._watts * (self._clock.now_ns - self._since_ns) * 1e-9

    def catch_up(self) -> None:
        """Bring the block to the last point of its grid before now."""
        steps = (self._clock.now_ns - self._state_ns) // GRID_NS
        if steps <= 0:
            return
        if self._at_rest():
            self._state_ns += steps * GRID_NS
            return
        self._run(steps)

    def _at_rest(self) -> bool:
        ambient = self.ambient_c
        return (
            self._watts == 0.0
            and self._part_j == 0.0
            and abs(self.block_c - ambient) < 1e-6
            and abs(self.element_c - ambient) < 1e-6
            and all(abs(bead.temperature_c - ambient) < 1e-6 for bead in self.beads)
            and not any(self._pipe)
        )

    def _run(self, steps: int) -> None:
        pipe, ambient = self._pipe, self.ambient_c
        element, block = self.element_c, self.block_c
        per_element, per_block = 1.0 / self.element_j_k, 1.0 / self.block_j_k
        contact = self.contact_w_k * _STEP_S
        element_loss = self.element_loss_w_k * _STEP_S
        loss = self.loss_w_k * (1.0 + 0.5 * self.airflow) * _STEP_S
        beads = [(bead, 1.0 - math.exp(-_STEP_S / bead.lag_s), bead.coupling) for bead in self.beads]
        highest, highest_element = self.highest_c, self.highest_element_c
        joules, watts = self._first_step_j(), self._watts
        for _ in range(steps):
            pipe.append(joules)
            flow = contact * (element - block)
            element += (pipe.popleft() - flow - element_loss * (element - ambient)) * per_element
            before = block
            block += (flow - loss * (block - ambient)) * per_block
            middle = 0.5 * (before + block) - ambient
            for bead, share, coupling in beads:
                bead.temperature_c += share * (ambient + coupling * middle - bead.temperature_c)
            if block > highest:
                highest = block
            if element > highest_element:
                highest_element = element
            joules = watts * _STEP_S
        self.element_c, self.block_c = element, block
        self.highest_c, self.highest_element_c = highest, highest_element
        self._state_ns += steps * GRID_NS

    def _first_step_j(self) -> float:
        """Energy of the grid step in which the power last changed; books what ran since."""
        end_ns = self._state_ns + GRID_NS
        if self._since_ns <= self._state_ns:
            return self._watts * _STEP_S
        spent = self._watts * (end_ns - self._since_ns) * 1e-9
        joules = self._part_j + spent
        self._part_j = 0.0
        self.energy_j += spent
        self._since_ns = end_ns
        return joules


class Element:
    """A heating element: a resistance, in thermal contact with a block. An open one is `math.inf` ohm."""

    def __init__(self, name: str, draws: Draws, *, power_w: float, voltage_v: float, block: Block) -> None:
        self.name = name
        self.block = block
        nominal_ohm = voltage_v * voltage_v / power_w
        if power_w > LARGE_W:
            self.ohm = nominal_ohm / draws.skewed_factor(0.10, 0.05)
        else:
            self.ohm = nominal_ohm * draws.factor(0.033)
        self.to_block_ohm = math.inf
        """Between the element and the metal of its block, in ohm."""


class HeaterSwitch:
    """The transistor of one heater channel on the board, with the element that is plugged into it.

    `duty` is what the firmware commands; `stuck_duty` what a damaged transistor lets through at least,
    and `inverted` a driver stage of the wrong polarity.
    """

    def __init__(self, element: Element | None) -> None:
        self.element = element
        self.duty = 0.0
        self.stuck_duty = 0.0
        self.boot_duty = 0.0
        self.inverted = False
        self.scale = 1.0

    def conducting(self, powered: bool, booting: bool) -> float:
        """Share of time (0..1) in which current flows, with the board's logic `powered` or not."""
        commanded = 0.0
        if powered:
            commanded = self.boot_duty if booting else min(1.0, self.duty * self.scale)
            if self.inverted and not booting:
                commanded = 1.0 - commanded
        return max(commanded, self.stuck_duty)

    def siemens(self) -> float:
        """Conductance of what is plugged in."""
        if self.element is None or math.isinf(self.element.ohm):
            return 0.0
        return 1.0 / self.element.ohm
