"""The everyday faults, and those that pass simple tests and fail later: each rejects the unit.

One seed each, and only until the first check fails, which settles the verdict; benches/detection.py runs many. What is a
matter of the wire alone stands in test_bus_faults.py.
"""

from __future__ import annotations

import pytest

from hiltest.campaign.boards import BoardOrder, run_board
from hiltest.campaign.tiers import TIER_2, TIER_3, Row

from . import variants

SEED = 11
ON_THE_WIRE = {
    "adapter_keeps_old_frames",
    "adapter_listens_only",
    "bus_at_another_rate",
    "can_breaks_with_motion",
    "can_h_l_short",
    "can_l_to_ground",
    "can_swapped",
    "can_unplugged",
    "ground_offset_under_load",
    "no_terminator",
    "noise_with_loads",
    "one_terminator",
    "oscillator_off",
    "wrong_bit_rate",
}
ROWS = [row for row in (*TIER_2, *TIER_3) if row.fault not in ON_THE_WIRE]


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_the_unit_is_rejected_and_nothing_is_left_on(row: Row) -> None:
    """By one check at least, on a board that is otherwise healthy."""
    found = run_board(BoardOrder(variants.of_row(row), SEED, (row.fault,)), until_failed=True)
    assert found.verdict == "rejected", f"{row.title}: {found.verdict}, {found.reason}"
    assert not found.harm.left_on


def test_what_is_left_to_the_bus_faults_is_a_fault_of_a_tier() -> None:
    """No name here is out of date."""
    assert {row.fault for row in (*TIER_2, *TIER_3)} >= ON_THE_WIRE
