"""The faults that hurt somebody when they are missed: found, and nothing energised on the way beyond what is stated.

One seed each here; benches/detection.py runs many. The bench's hidden truth says what was really done: energy into
each heater, travel of each axis, the hottest block, what was left on.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import pytest

from hiltest.campaign.boards import BoardOrder, BoardResult, run_board
from hiltest.campaign.tiers import TIER_1, Row
from hiltest.campaign.unseen import UNSEEN
from hiltest.description.loading import load_description

from . import variants
from .bounds import exceeded, most_j

SEED = 7


@cache
def result(row: Row) -> BoardResult:
    faults = (row.fault,) if row.fault else ()
    return run_board(BoardOrder(variants.of_row(row), SEED, faults))


@pytest.mark.parametrize("row", TIER_1, ids=lambda row: row.name)
def test_no_board_with_a_dangerous_fault_is_accepted(row: Row) -> None:
    """Rejected; or, where the bench itself is blind, incomplete and never accepted."""
    found = result(row)
    expected = {"rejected"} if row.fault else {"rejected", "incomplete"}
    assert found.verdict in expected, f"{row.title}: {found.verdict}, {found.reason}"


@pytest.mark.parametrize("row", TIER_1, ids=lambda row: row.name)
def test_nothing_gets_more_than_its_row_states(row: Row) -> None:
    """By the bench's own account: energy of each heater, the hottest block, travel of each axis, what is left on."""
    assert exceeded(row, result(row)) == []


def test_a_bound_that_is_passed_is_told() -> None:
    """Each of the four by itself, so that an empty list says something."""
    row = next(row for row in TIER_1 if row.title == "element for half the voltage")
    found, description = result(row), load_description(variants.of_row(row)).description
    heater, stepper = description.heater[0], description.stepper[0]
    most = most_j(row, heater, description)
    assert row.small_moves is not None
    for more, says in (
        ({"energy_j": {heater.name: most + 1.0}}, "J of"),
        ({"highest_block_c": heater.low_setpoint_c + heater.overshoot_max_k + 0.1}, "a block reached"),
        ({"travel_rev": {stepper.name: (row.small_moves + 0.1) * stepper.small_move_rev}}, "turns"),
        ({"left_on": ("fan:nozzle",)}, "left on: fan:nozzle"),
    ):
        (told,) = exceeded(row, replace(found, harm=replace(found.harm, **more)))
        assert says in told


def test_what_gets_more_than_pulses_says_why() -> None:
    """Few rows, each with its physical reason; and each of them gets more than pulses alone would give."""
    more = [row for row in TIER_1 if row.rides or row.on_s]
    assert 0 < len(more) <= 8
    assert all(len(row.why) > 40 for row in more)
    assert not [row.title for row in TIER_1 if row.why and row not in more]
    for row in more:
        heater = load_description(variants.of_row(row)).description.heater[0]
        pulses_j = (row.pulses or 0.0) * heater.power_w * heater.pulse_s
        assert result(row).harm.energy_j[heater.name] > 1.1 * pulses_j, row.title


def test_a_heater_that_is_stuck_on_ends_the_run() -> None:
    """No software can switch it off, so nothing else is done: no fan, no motion, no heat."""
    row = next(row for row in TIER_1 if row.title == "heater stuck on")
    found = result(row)
    first = found.failed[0]
    names = list(found.outcomes)
    assert first == "sense.ambient[reservoir]"
    assert {found.outcomes[name] for name in names[names.index(first) + 1 :]} == {"not run"}


def test_without_an_operator_the_sensor_curve_is_said_to_be_unproven() -> None:
    """A wrong B value can't be seen without a thermometer, and the report doesn't pretend that it was."""
    from .boards import accept

    record = accept("sensor_wrong_beta[reservoir]", operator=False, seed=SEED)
    check = next(each for each in record.checks if each.name == "heat.low_setpoint[reservoir]")
    curve = next(m for m in check.measurements if m.name == "the sensor's curve above the room")
    assert (curve.value, curve.verdict) == ("not proven", "noted")
    assert "thermometer" in curve.note
    assert record.verdict != "rejected"
    assert "the curve of sensor 'reservoir' was not proven above the room" in record.verdict_reason


def test_what_no_check_can_see_says_why_and_what_to_do() -> None:
    """Each entry names a fault, a physical reason, and what a person does instead."""
    assert len({entry.fault for entry in UNSEEN}) == len(UNSEEN)
    for entry in UNSEEN:
        assert entry.fault
        assert all(len(text) > 20 for text in (entry.reason, entry.by_hand)), entry.fault
