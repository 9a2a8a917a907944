"""No fault of the simulated bench is forgotten: a check is expected to find it and a test tries that, or it is listed."""

from __future__ import annotations

import pytest

from hiltest.campaign.unseen import UNSEEN
from hiltest.simbench.faults import FAULTS

from .boards import accept
from .every_fault import FOUND_BY, LISTED
from .proofs import CHECKS, plain, proofs

ONLY_ON_WHOLE_BOARDS = frozenset(
    {
        "axis_drops",
        "brown_out",
        "driver_current_wrong",
        "driver_enable_inverted",
        "fan_lazy",
        "heater_loose",
        "outputs_on_after_power_return",
        "power_contact_bad",
        "power_contact_heats",
        "sensor_frozen",
        "sensor_jumps_with_heater",
        "stepper_blocked",
        "supply_ripple",
        "supply_weak",
        "tach_counts_noise",
        "wire_long",
    }
)
"""No test tries these against the check of the table; benches/every_fault.py does."""


@pytest.mark.parametrize(
    ("fault", "fails"),
    [
        ("rail_missing", "sense.supply[head]"),
        ("supply_high", "sense.supply[head]"),
        ("supply_low", "sense.supply[head]"),
        ("heater_inverted", "sense.ambient[reservoir]"),
        ("sensor_noisy", "sense.ambient[reservoir]"),
        ("sensor_to_supply", "sense.ambient[reservoir]"),
        ("sensor_wrong_pull_up", "sense.ambient[reservoir]"),
        ("sensor_wrong_nominal[reservoir]=10", "sense.ambient[reservoir]"),
        ("sensor_series_resistance=50000", "sense.ambient[reservoir]"),
        ("heater_scale_wrong", "heat.low_setpoint[reservoir]"),
    ],
)
def test_the_check_of_the_table_finds_it(fault: str, fails: str) -> None:
    """What no other test tries, where it costs little."""
    record = accept(fault, only=(fails,), operator=False, seed=2)
    check = next(each for each in record.checks if each.name == fails)
    assert (record.verdict, check.outcome) == ("rejected", "failed"), check.reason


def test_no_fault_is_forgotten() -> None:
    """A new fault needs a line in every_fault.py: the check that finds it, or an entry in hiltest/campaign/unseen.py."""
    assert FOUND_BY.keys() | LISTED == FAULTS.keys()
    assert not FOUND_BY.keys() & LISTED
    assert set(FOUND_BY.values()) <= CHECKS


def test_what_no_check_finds_stands_in_the_list() -> None:
    """By its name, with reason and what to do by hand; told by `hiltest faults`."""
    listed = {plain(entry.fault.split(",")[0]) for entry in UNSEEN}
    assert listed >= LISTED


def test_a_test_tries_each_against_its_check() -> None:
    """Rows of the fault tables and whole test functions are the proof; nothing is run for it here."""
    tried = proofs()
    untried = {fault for fault, check in FOUND_BY.items() if check not in tried.get(fault, ())}
    assert untried <= ONLY_ON_WHOLE_BOARDS
