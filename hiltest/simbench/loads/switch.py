"""A mechanical switch: contact type, bounce, wires, and the input that reads it."""

from __future__ import annotations

import random

from hiltest.simbench.loads.lag import Clock
from hiltest.simbench.tolerance import Draws


class Contact:
    """The switch itself. `closes_when_actuated` is True for a normally open contact."""

    def __init__(
        self, name: str, clock: Clock, rng: random.Random, draws: Draws, *, normally_open: bool
    ) -> None:
        self.name = name
        self._clock = clock
        self._rng = rng
        self.closes_when_actuated = normally_open
        self.actuated = False
        self.wire_open = False
        self.stuck_closed = False
        self.blocked = False
        self.bounce_ns = round(draws.log_normal(1.5e6, 0.5, 20e6))
        self._moved_ns = -(10**12)

    def move(self, actuated: bool) -> None:
        """Press or release it. A blocked lever does not follow."""
        if self.blocked or actuated == self.actuated:
            return
        self.actuated = actuated
        self._moved_ns = self._clock.now_ns

    def closed(self) -> bool:
        """True if current can flow at this moment."""
        if self.stuck_closed:
            return True
        if self.wire_open:
            return False
        if self._clock.now_ns - self._moved_ns < self.bounce_ns and self._rng.random() < 0.5:
            return self.actuated != self.closes_when_actuated
        return self.actuated == self.closes_when_actuated


class SwitchInput:
    """One input of the board: pull-up, and the contact to ground that is plugged in.

    `set_for_normally_open` says which contact type the firmware was set up for; `active_high` which raw bit it
    shows when it believes the switch is actuated.
    """

    def __init__(
        self, contact: Contact | None, rng: random.Random, *, set_for_normally_open: bool, active_high: bool
    ) -> None:
        self.contact = contact
        self.set_for_normally_open = set_for_normally_open
        self.active_high = active_high
        self.inverted = False
        self.pull_up_missing = False
        self.crosstalk = 0.0
        self._rng = rng

    def bit(self, motor_running: bool) -> int:
        """The raw bit as the firmware shows it."""
        closed = self.contact is not None and self.contact.closed()
        if not closed and self.pull_up_missing:
            # Nothing holds the open input: it follows its neighbours.
            closed = self._rng.random() < 0.5
        if motor_running and self.crosstalk > 0.0 and self._rng.random() < self.crosstalk:
            closed = not closed
        actuated = closed == self.set_for_normally_open
        return int(actuated == self.active_high) ^ self.inverted
