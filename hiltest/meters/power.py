"""Switching the bench's power: by a supply that can be told to, or by asking the person at the bench.

Who switches keeps in mind whether the power is on, so that nobody is asked twice.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Protocol

from hiltest.errors import NotObservable
from hiltest.link import Link
from hiltest.meters.operator import Operator

OFF_BELOW_V = 1.0
IN_LIMIT_SHARE = 0.97
"""From this share of its current limit on a supply counts as being in it."""


class SwitchedSupply(Protocol):
    """What a bench supply must be able to do."""

    @property
    def settle_s(self) -> float: ...
    def switch(self, on: bool) -> None: ...
    def cut(self) -> None: ...
    def read_v(self) -> float: ...
    def read_a(self) -> float: ...
    def read_limit_a(self) -> float: ...


class Power:
    """The power of the bench. `is_on` is None until it was switched for the first time.

    Args:
        link: where it waits.
        operator: who is asked where there is no supply.
        supply: the supply that can be told to, if there is one.
    """

    def __init__(self, link: Link, operator: Operator, supply: SwitchedSupply | None) -> None:
        self._link = link
        self._operator = operator
        self.supply = supply
        self.is_on: bool | None = None
        self.may_be_on = False
        """Was it switched on, or was somebody asked to, with nobody to say since that it is off?"""
        self.leave_out: list[str] = []
        """Parts whose plugs stay out, in words: those that were not measured right with the power off."""
        self.came_on_a = math.nan
        """What the supply gave when it was switched on last, in A; NaN where nobody read it."""

    def how_it_came_on(self) -> str:
        """In words, who switched it on or was asked to; empty where it is off, or was not switched on here."""
        if not self.may_be_on:
            return ""
        return (
            "somebody was asked to switch the power on"
            if self.supply is None
            else "the bench supply was switched on"
        )

    def off(self) -> None:
        """Switch the power off and wait until it is; does nothing when it is off already.

        Raises:
            NotObservable: nobody could confirm it, or the supply still shows a voltage.
            StepSkipped: the person said "skip".
        """
        if self.is_on is False:
            return
        if self.supply is None:
            if not self._operator.ask(
                "power.off",
                "Switch the bench's power off and wait until the node's lamps are dark. Is it off?",
            ):
                raise NotObservable(
                    "the power is on, and with the power on no resistance can be measured",
                    "somebody who switches it off, or a [bench_supply] in the description",
                )
        else:
            self.supply.switch(False)
            self._link.run_for(self.supply.settle_s)
            left_v = self.supply.read_v()
            if left_v > OFF_BELOW_V:
                raise NotObservable(f"the bench supply was switched off and still shows {left_v:.1f} V")
        self.is_on = self.may_be_on = False

    def cut(self) -> None:
        """Switch the bench supply off at once, without waiting; does nothing where there is none."""
        if self.supply is not None:
            self.supply.cut()
            self.is_on = False

    def on(self) -> bool:
        """Switch the power on; False if the supply went into its current limit, and is off again for that.

        Raises:
            StepSkipped: the person said "skip".
            NotObservable: there is nobody to ask.
        """
        if self.is_on:
            return True
        self.may_be_on = True
        if self.supply is None:
            self.is_on = self._operator.ask(
                "power.on",
                f"{_plugs(self.leave_out)}, keep hands off, and switch the bench's power on. If the supply goes into its "
                "current limit, or anything smells, smokes or moves, switch it off again at once and say n. "
                "Is it on, and all is calm?",
            )
            return self.is_on
        self.supply.switch(True)
        self._link.run_for(self.supply.settle_s)
        self.came_on_a = self.supply.read_a()
        self.is_on = self.came_on_a < IN_LIMIT_SHARE * self.supply.read_limit_a()
        if not self.is_on:
            self.supply.switch(False)
            self.may_be_on = False
        return self.is_on


def _plugs(leave_out: Sequence[str]) -> str:
    if not leave_out:
        return "Put every plug back in"
    return f"Leave the plug of {', '.join(leave_out)} out, put every other plug back in"
