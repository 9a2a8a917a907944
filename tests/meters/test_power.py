"""Switching the bench's power: by a supply, or by asking."""

from __future__ import annotations

import pytest

from hiltest.errors import NotObservable
from hiltest.meters.operator import Operator
from hiltest.meters.power import Power

from .links import simulated_link


class Supply:
    """A supply with a load on it."""

    settle_s = 0.5

    def __init__(self, load_a: float = 0.05, left_v: float = 0.0) -> None:
        self.is_on, self._load_a, self._left_v = True, load_a, left_v
        self.switched: list[bool] = []

    def switch(self, on: bool) -> None:
        self.is_on = on
        self.switched.append(on)

    def cut(self) -> None:
        self.switch(False)

    def read_v(self) -> float:
        return 24.0 if self.is_on else self._left_v

    def read_a(self) -> float:
        return self._load_a if self.is_on else 0.0

    def read_limit_a(self) -> float:
        return 5.0


def test_a_supply_is_switched_and_nobody_is_asked() -> None:
    """Off and on again, each once, with time to settle."""
    link, supply = simulated_link(), Supply()
    power = Power(link, Operator(link), supply)
    power.off()
    power.off()
    assert power.is_on is False
    assert link.now_s == pytest.approx(0.5)
    assert power.on()
    assert power.on()
    assert supply.switched == [False, True]


def test_a_supply_in_its_limit_is_switched_off_again() -> None:
    """A short is not left under power while somebody reads about it."""
    link, supply = simulated_link(), Supply(load_a=4.95)
    power = Power(link, Operator(link), supply)
    power.off()
    assert not power.on()
    assert power.is_on is False
    assert supply.switched == [False, True, False]


def test_a_rail_that_stays_up_is_not_off() -> None:
    """A second source, or a relay that sticks: no resistance can be measured then."""
    link = simulated_link()
    power = Power(link, Operator(link), Supply(left_v=11.8))
    with pytest.raises(NotObservable, match=r"11\.8 V"):
        power.off()
    assert power.is_on is None


def test_without_a_supply_the_operator_is_asked_once() -> None:
    """One question for each change."""
    link = simulated_link()
    operator = Operator(link, {"power.off": True, "power.on": True})
    power = Power(link, operator, None)
    for _ in range(2):
        power.off()
    for _ in range(2):
        assert power.on()
    assert [record[1] for record in operator.records] == ["power.off", "power.on"]


def test_the_plug_of_a_part_that_measured_wrong_stays_out() -> None:
    """Whoever is asked to plug everything in again is told which plug not to."""
    link = simulated_link()
    operator = Operator(link, {"power.on": True})
    power = Power(link, operator, None)
    power.leave_out = ["heater 'reservoir'"]
    assert power.on()
    (record,) = operator.records
    assert "Leave the plug of heater 'reservoir' out, put every other plug back in" in str(record)


def test_an_operator_who_says_no_is_believed() -> None:
    """Power that is still on stops the step; power that did not stay on is off."""
    link = simulated_link()
    with pytest.raises(NotObservable, match="the power is on"):
        Power(link, Operator(link, {"power.off": False}), None).off()
    power = Power(link, Operator(link, {"power.off": True, "power.on": False}), None)
    power.off()
    assert not power.on()
    assert power.is_on is False


def test_a_cut_waits_for_nothing_and_is_kept_in_mind() -> None:
    """Off at once, no time passes, and the next `on` really switches on."""
    link, supply = simulated_link(), Supply()
    power = Power(link, Operator(link), supply)
    assert power.on()
    before_ns = link.now_ns
    power.cut()
    assert (link.now_ns, supply.is_on, power.is_on) == (before_ns, False, False)
    assert power.on()


def test_without_a_supply_there_is_nothing_to_cut() -> None:
    """And nobody is asked in the middle of an emergency."""
    link = simulated_link()
    Power(link, Operator(link), None).cut()
