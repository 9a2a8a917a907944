"""Every fault of bus, timing, traffic, identity and adapter on five boards, against the check that must find it."""

from __future__ import annotations

import pytest

from hiltest.campaign.unseen import BUS as UNSEEN
from hiltest.campaign.unseen import Unseen
from hiltest.simbench.faults import FAULTS

from .boards import accept
from .bus_faults import (
    DUPLICATE,
    ENUMERATE,
    HEARTBEAT,
    LATENCY,
    LOAD,
    QUIET,
    STATES_ONLY,
    TABLE,
    Row,
    run_row,
    run_unseen,
    says_it,
)

SEEDS = (1, 2, 3, 4, 5)
"""Each is another healthy board, with other tolerances, noise and phases, and the fault put into it."""
GROUPS = ("bus wiring", "bit timing", "bus traffic", "node", "adapter")


def plain(fault: str) -> str:
    return fault.split("@")[0].split("=")[0].split("[")[0]


TWO_BOARDS = (
    "adapter_",
    "ground_offset",
    "noise_with_loads",
    "can_h_open",
    "can_l_open",
    "can_breaks_with_motion",
    "oscillator_off",
    "long_stub",
    "star_wiring",
    "terminator_not_at_end",
)
"""What an adapter does wrong depends little on the board, and what loads do to the bus takes long to walk bit by bit."""


def seeds(row: Row) -> tuple[int, ...]:
    """What an adapter does not tell depends on no board at all."""
    if row.edit == STATES_ONLY:
        return SEEDS[:1]
    return SEEDS[:2] if row.fault.startswith(TWO_BOARDS) else SEEDS


CASES = [(row, seed) for row in TABLE for seed in seeds(row)]


@pytest.mark.parametrize(("row", "seed"), CASES, ids=str)
def test_the_expected_check_finds_it(row: Row, seed: int) -> None:
    """The check fails (or says that it can't see), and says something of the fault, on each of five boards."""
    record, check = run_row(row, seed)
    assert check.outcome == row.outcome, [(each.name, each.outcome, each.reason) for each in record.checks]
    assert says_it(row, check), [check.reason, *check.notes]
    wanted = "rejected" if row.outcome == "failed" else "incomplete"
    assert record.verdict == wanted
    if check.outcome == "failed":
        assert check.look_first


@pytest.mark.parametrize("unseen", UNSEEN, ids=lambda unseen: unseen.fault)
def test_what_no_check_sees_is_listed_with_its_reason(unseen: Unseen) -> None:
    """A fault of this list that a check does find belongs into the table instead."""
    record = run_unseen(unseen)
    assert [check.name for check in record.checks if check.outcome == "failed"] == []
    passed = {check.name for check in record.checks if check.outcome == "passed"}
    assert {ENUMERATE, LOAD} <= passed, "a bus that was not looked at hides nothing"
    assert len(unseen.reason) > 30
    assert len(unseen.by_hand) > 30


def test_every_fault_of_these_groups_is_in_the_table_or_in_the_list() -> None:
    """At least forty kinds are found; no fault of the groups is forgotten."""
    seen = {plain(fault) for row in TABLE for fault in row.fault.split()}
    unseen = {plain(each.fault) for each in UNSEEN}
    known = {name for name, fault in FAULTS.items() if fault.group in GROUPS}
    assert known <= seen | unseen
    assert sum(not name.startswith(TWO_BOARDS) for name in seen) >= 40
    assert all(row.says for row in TABLE)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_healthy_board_passes_all_of_it(seed: int) -> None:
    """No false alarm of the bus checks."""
    record = accept(seed=seed, operator=False, only=(QUIET, ENUMERATE, DUPLICATE, LOAD, LATENCY, HEARTBEAT))
    assert {check.outcome for check in record.checks if check.name.startswith("bus.")} <= {
        "passed",
        "not run",
    }
    assert sum(check.outcome == "passed" for check in record.checks) >= 7
