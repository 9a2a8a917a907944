"""The scale of a role among the causes of a failed check."""

from __future__ import annotations

import pytest

from hiltest.catalogue.scales import ROLES, with_scale
from hiltest.description.loading import load_description
from hiltest.description.models import ROLES as KNOWN
from hiltest.errors import Refused
from hiltest.evidence.model import Measurement

from .files import FIXTURES

PHYSICAL = ["dust", "tach wire open"]


def speed(rpm: float) -> Measurement:
    return Measurement("fan.tach[nozzle]", "speed at 100 %", rpm, "rpm", 7650.0, 10350.0, "failed", 1.0)


@pytest.mark.parametrize(
    ("rpm", "place"), [(4500.0, -1), (20000.0, -1), (90.0, 0), (900.0, 0), (90000.0, 0), (9e6, 0)]
)
def test_it_comes_last_and_first_where_the_reading_is_off_by_a_power_of_ten(rpm: float, place: int) -> None:
    """A fan that stands or runs at half its speed is no matter of scale in the first place."""
    description = load_description(FIXTURES / "glue_head.toml").description
    told = with_scale(description, "fan.tach[nozzle]", PHYSICAL, [speed(rpm)])
    assert told[place].startswith("the scale of the role tach_hz of fan 'nozzle'")
    assert [each for each in told if each in PHYSICAL] == PHYSICAL
    assert with_scale(description, "fan.tach[nozzle]", PHYSICAL, [speed(0.0)]) == PHYSICAL


def test_a_value_that_the_node_refuses_points_at_the_scale() -> None:
    """By the abort codes of CiA 301 for values out of range; another refusal does not."""
    description = load_description(FIXTURES / "glue_head.toml").description
    for code, place in ((0x06090031, 0), (0x08000022, -1)):
        error = Refused("head", "setpoint", "it says so", code)
        told = with_scale(description, "heat.low_setpoint[reservoir]", PHYSICAL, [], error)
        assert "setpoint_c of heater 'reservoir'" in told[place]
    error = Refused("head", "setpoint", "it says so", 0x06090031)
    assert with_scale(description, "safe.reset[head]", PHYSICAL, [], error)[1:] == PHYSICAL


def test_every_role_that_is_named_is_one() -> None:
    """Kind and role as a description spells them."""
    for roles in ROLES.values():
        assert all(role in KNOWN[kind] for kind, role in (each.split(".") for each in roles))
