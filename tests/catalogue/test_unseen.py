"""Faults of a board that the list says no check sees: each is put into a board, and the checks nearest to it pass."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from hiltest.campaign.unseen import BOARD
from hiltest.catalogue import _causes

from . import variants
from .boards import ALONE, accept
from .files import FIXTURES, edited

AMBIENT, PULSE, LOAD = "sense.ambient[reservoir]", "heat.pulse[reservoir]", "bus.load[can]"
RESET, OLD, DIRECTION = "safe.reset[head]", "safe.old_commands[head]", "motion.direction[pump]"


@dataclass(frozen=True)
class Nearest:
    """Faults that one board bears at once and that touch different parts of it, and the checks that come nearest to them.

    `edit` replaces texts of the description. Nobody takes part.
    """

    faults: str
    checks: tuple[str, ...]
    edit: tuple[tuple[str, str], ...] = ()

    def __str__(self) -> str:
        return self.faults


TABLE = (
    Nearest("sensor_reads_low heater_leaks", (PULSE,)),
    Nearest("sensor_wrong_beta", (PULSE,)),
    Nearest("sensor_series_resistance=2000", (PULSE,)),
    Nearest("heater_wrong_voltage=1.2", (PULSE,)),
    Nearest(
        "heater_on_while_booting emergency_stop_dead outputs_on_after_power_return no_watchdog",
        (PULSE, RESET, OLD),
        (('hang = "0x2011"', "#"),),
    ),
    Nearest(
        "one_terminator sensor_frozen[board] fans_swapped switch_never_triggers[level] driver_hot",
        (LOAD, "sense.ambient[board]", "fan.tach[electronics]", "fan.tach[nozzle]", DIRECTION),
        (("full_speed_rpm = 9000.0", "full_speed_rpm = 6000.0"),),
    ),
    Nearest("can_l_to_ground backlash=0.01", (LOAD, DIRECTION)),
    Nearest("supply_high=1.12 supply_reading_wrong=0.893", ("sense.supply[head]",)),
)
ELSEWHERE = ("fan_open, fan_stalled, fan_inverted, fan_stuck_on, of a fan without a tachometer",)
"""Rows that need a description of their own: tried in test_fan_by_eye.py."""
IN_OTHER_WORDS = {"an element up to a third too strong": "heater_wrong_voltage"}
WITHOUT_A_FAULT = (
    "outputs that stay on while the node is bus-off",
    "a safe state that is none",
    "no thermal cut-off",
    "fan mounted backwards",
    "stop command ignored while the node is busy",
    "a move that goes on after an emergency stop",
)
"""Rows that the simulated bench has no fault for: the reason alone stands for them."""


@pytest.mark.parametrize("near", TABLE, ids=str)
def test_the_checks_nearest_to_it_pass(near: Nearest) -> None:
    """A fault of the list that one of them does find belongs into the tables of what is found."""
    file = edited(FIXTURES / "glue_head.toml", ALONE, *near.edit)
    record = accept(*near.faults.split(), file=file, only=near.checks)
    assert [(check.name, check.reason) for check in record.checks if check.outcome == "failed"] == []
    assert set(near.checks) <= {check.name for check in record.checks if check.outcome == "passed"}


def test_every_row_is_tried_or_has_no_fault_on_the_simulated_bench() -> None:
    """Each with its reason, and what to do by hand."""
    tried = {fault.split("=")[0].split("[")[0] for near in TABLE for fault in near.faults.split()}
    for row in BOARD:
        known = any(fault in row.fault for fault in tried) or row.fault.startswith(
            (*WITHOUT_A_FAULT, *ELSEWHERE)
        )
        other = [fault for words, fault in IN_OTHER_WORDS.items() if row.fault.startswith(words)]
        assert known or set(other) & tried, row.fault
        assert row.reason
        assert len(row.by_hand) > 30


def test_a_gate_that_floats_for_a_long_boot_is_named_by_the_check_that_sees_it() -> None:
    """Above the bound that the list states it shows in a block that nothing was commanded for."""
    record = accept(
        "heater_on_while_booting", "slow_boot=0.9", seed=4, file=variants.quick_head(), only=(OLD,)
    )
    found = next(check for check in record.checks if check.name == OLD)
    assert (record.verdict, found.outcome) == ("rejected", "failed"), found.reason
    assert "reservoir temperature rise" in found.reason
    assert found.look_first[0] == _causes.GATE_FLOATS
