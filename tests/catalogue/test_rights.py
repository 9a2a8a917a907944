"""An adapter that this account may not set to another bit rate: not observable, with what to type, and never an error."""

from __future__ import annotations

import pytest

from hiltest.canbus.preflight import RIGHTS_COMMAND
from hiltest.errors import NotPermitted
from hiltest.simbench.doors.inprocess import HiltestBus

from .boards import accept

OBSERVER, LOAD, CUT = "bus.observer[can]", "bus.load[can]", "safe.bus_cut[head]"


def test_without_the_right_to_set_the_adapter_nothing_is_called_an_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """bus.observer can't see, what it is a gate for is not run, and the reason holds the command."""

    def refuse(_bus: HiltestBus, bit_rate_bps: int) -> None:
        if bit_rate_bps != 1_000_000:
            raise NotPermitted("can0 can't be set from here: this account may not set it", RIGHTS_COMMAND)

    monkeypatch.setattr(HiltestBus, "change_bit_rate", refuse)
    record = accept(operator=False, only=(LOAD, CUT, "bus.latency[head]"))
    checks = {check.name: check for check in record.checks}
    outcomes = {name: check.outcome for name, check in checks.items()}
    assert outcomes[OBSERVER] == "not observable", outcomes
    assert outcomes[LOAD] == outcomes[CUT] == "not run"
    assert outcomes["bus.latency[head]"] == "passed", "the host speaks again after it"
    assert record.verdict == "incomplete"
    assert "this account may not set it" in checks[OBSERVER].reason
    assert RIGHTS_COMMAND in checks[OBSERVER].reason
