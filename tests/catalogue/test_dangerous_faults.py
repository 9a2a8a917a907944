"""The faults that hurt somebody when they are missed: found, and nothing energised on the way beyond what is stated.

One seed each here; benches/detection.py runs many. The bench's hidden truth says what was really done: energy into
each heater, travel of each axis, the hottest block, what was left on.
"""

from __future__ import annotations

from functools import cache

import pytest

from hiltest.campaign.boards import BoardOrder, BoardResult, run_board
from hiltest.campaign.tiers import TIER_1, Row
from hiltest.campaign.unseen import UNSEEN
from hiltest.description.loading import load_description
from hiltest.description.models import Heater

from . import variants

SEED = 7
OVER = 1.3
"""Of the stated power: element, and the supply's tolerance squared."""
IDLE_J = 1.0


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
def test_no_heater_gets_more_than_its_row_states(row: Row) -> None:
    """Energy by the bench's own account, heater by heater: pulses, and the ride where the row says why; no row without."""
    found = result(row)
    description = load_description(variants.of_row(row)).description
    heaters = description.heater
    assert row.pulses is not None
    for heater in heaters:
        full_s = row.pulses * row.strength * heater.pulse_s + row.on_s
        ride_j = row.rides * _ride_j(heater, description.simulation.ambient_c)
        most = OVER * heater.power_w * full_s + ride_j + IDLE_J
        assert found.harm.energy_j[heater.name] <= most, f"{row.title}: heater {heater.name}"
    if row.title != "heater stuck on":
        hottest = max(heater.low_setpoint_c + heater.overshoot_max_k for heater in heaters)
        assert found.harm.highest_block_c <= hottest, row.title


def _ride_j(heater: Heater, room_c: float) -> float:
    """Energy that brings a block from the room to its low setpoint, overshoot and all, and holds it there for as long as
    the check lets it. Heat balance: C (T - T_room) + G (T - T_room) t.
    """
    above_k = heater.low_setpoint_c + heater.overshoot_max_k - room_c
    return above_k * (heater.heat_capacity_j_k + heater.loss_w_k * (heater.window_s + heater.steady_s))


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


@pytest.mark.parametrize("row", TIER_1, ids=lambda row: row.name)
def test_no_axis_goes_further_than_small_moves(row: Row) -> None:
    """Travel of the mechanism, by the bench's own account; no row without a bound."""
    found = result(row)
    assert row.small_moves is not None
    for stepper in load_description(variants.of_row(row)).description.stepper:
        assert found.harm.travel_rev[stepper.name] <= row.small_moves * stepper.small_move_rev + 1e-9


@pytest.mark.parametrize("row", TIER_1, ids=lambda row: row.name)
def test_nothing_is_left_on(row: Row) -> None:
    """After the run every output is off that can be switched off."""
    left_on = set(result(row).harm.left_on)
    if row.title == "heater stuck on":
        left_on -= {"heater:reservoir"}  # only the supply's switch can take it away
    if row.fault == "no_watchdog":
        left_on -= {
            "fan:electronics",
            "fan:nozzle",
        }  # the same; no heater is on where nobody can cut the power
    assert not left_on


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
