"""A fan that tells no speed: somebody looks at it, or the verdict says that nobody did.

The faults are those of the simulated bench; its hidden truth is asked what was left on.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description
from hiltest.evidence.model import CheckResult, RunRecord
from hiltest.simbench.person import Person

from .boards import accept, outcomes
from .files import FIXTURES, edited

VENT, GLUE_HEAD = FIXTURES / "vent_actuator.toml", FIXTURES / "glue_head.toml"
EYE, TACH = "fan.by_eye[box]", "fan.tach[box]"
NO_TACH = ('roles.tach_hz = "Vent_Heat.FanTach"', "")
START = ('name = "box"', 'name = "box"\nstart_duty = 0.8')
NEVER = "fan 'box' was never shown to run or to stop"


def two_wires(*edits: tuple[str, str]) -> Path:
    """The vent actuator with a fan of two wires, which has no tachometer."""
    return edited(VENT, NO_TACH, ("wires = 4", "wires = 2"), *edits)


def looked_at(*faults: str, file: Path | None = None, **more: Any) -> tuple[RunRecord, CheckResult, bool]:
    """The record, the check, and whether the fan's output is on by command at the end."""
    is_on: list[bool] = []

    def look(opened: Any) -> None:
        bench = opened.opened().link.port.bus.bench
        is_on.append(any(channel.duty > 0.0 for board in bench.boards.values() for channel in board.fans))

    record = accept(*faults, file=file or two_wires(START), only=(EYE,), before_close=look, **more)
    return record, next(check for check in record.checks if check.name == EYE), is_on[0]


@pytest.mark.parametrize(
    ("fault", "first", "says"),
    [
        ("fan_stuck_on", _causes.EYE_SHORTED, "with nothing commanded: turns"),
        ("fan_open", _causes.EYE_OPEN, "stood still with nothing commanded and stands still at full duty"),
        ("fan_inverted", _causes.EYE_INVERTED, "turned with nothing commanded and stands still at full duty"),
        ("fan_stalled", _causes.EYE_BLOCKED, "jerks at full duty"),
    ],
)
def test_the_eye_finds_it(fault: str, first: str, says: str) -> None:
    """Rejected, with the likeliest cause first; it is commanded off then."""
    record, check, is_on = looked_at(fault)
    assert (record.verdict, check.outcome) == ("rejected", "failed"), check.reason
    assert check.look_first[0] == first
    assert says in check.reason
    assert NEVER not in record.verdict_reason
    assert not is_on


def test_a_start_duty_at_which_it_does_not_start() -> None:
    """What is stated must hold: the board starts the fan at full, and 15 % of the voltage don't keep it turning."""
    _, check, is_on = looked_at(file=two_wires(('name = "box"', 'name = "box"\nstart_duty = 0.15')))
    assert check.outcome == "failed", check.reason
    assert "the fan from rest at 15% duty: still" in check.reason
    assert check.look_first[0] == _causes.EYE_LOW
    assert not is_on


def test_a_healthy_fan_passes() -> None:
    """Still, turns, turns at its start duty, still. Nothing need be let missing for such a fan."""
    record, check, is_on = looked_at()
    assert check.outcome == "passed", check.reason
    assert "not shown" not in record.verdict_reason
    assert NEVER not in record.verdict_reason
    assert [m.value for m in check.measurements] == ["still", "turns", "turns", "still"]
    assert not is_on
    _, check, _ = looked_at(file=two_wires())
    assert [m.value for m in check.measurements] == ["still", "turns", "still"]


@pytest.mark.parametrize("said", [["skip"], ["still", "skip"]], ids=len)
def test_whoever_skips_it_has_shown_nothing(monkeypatch: pytest.MonkeyPatch, said: list[str]) -> None:
    """Incomplete, the verdict says of which fan, and the fan is off, also where it was at full duty then."""
    answers = iter(said)
    monkeypatch.setattr(Person, "_look_at_fan", lambda *_: next(answers))
    record, check, is_on = looked_at()
    assert (record.verdict, check.outcome) == ("incomplete", "not observable"), check.reason
    assert NEVER in record.verdict_reason
    assert not is_on


def test_plugs_of_two_fans_exchanged_are_seen() -> None:
    """The one that was commanded stands still, and another turns."""
    found = edited(
        GLUE_HEAD,
        ('roles.tach_hz = { at = "0x6401:2", scale = 0.1 }', ""),
        ('roles.tach_hz = { at = "0x6401:3", scale = 0.1 }', ""),
        ("wires = 4 ", "wires = 2 "),
        ("wires = 4\n", "wires = 2\n"),
    )
    record = accept("fans_swapped", file=found, only=("fan.by_eye[nozzle]",))
    check = next(each for each in record.checks if each.name == "fan.by_eye[nozzle]")
    assert check.outcome == "failed", check.reason
    assert check.look_first[0] == _causes.EYE_EXCHANGED


def test_where_nobody_can_look_the_verdict_says_so() -> None:
    """The tachometer's check is not offered and may be missing: that nothing was seen stands with the verdict."""
    file = two_wires(("may_be_missing = [", f'may_be_missing = ["{TACH}", '))
    record = accept(file=file, operator=False, only=(TACH,))
    assert outcomes(record)[TACH] == "not offered"
    assert NEVER in record.verdict_reason
    assert "look by hand" in record.verdict_reason
    stuck = accept("fan_stuck_on", file=file, operator=False, only=(TACH,))
    assert [check.name for check in stuck.checks if check.outcome == "failed"] == [], "no check can find it"
    assert NEVER in stuck.verdict_reason
    check = next(
        each for each in accept(file=two_wires(), operator=False, only=(TACH,)).checks if each.name == TACH
    )
    assert "with fixture.operator = true somebody looks at the fan" in check.reason


def names(*edits: tuple[str, str]) -> set[str]:
    return {bound.name for bound in bind_all(load_description(edited(VENT, *edits)).description)} & {
        EYE,
        TACH,
    }


def test_which_of_the_two_checks_a_fan_gets() -> None:
    """A tachometer that is described stays asked for; one that is read needs no eye."""
    two = ("wires = 4", "wires = 2")
    alone = ("operator = true", "operator = false")
    assert names() == {TACH}
    assert names(NO_TACH, two) == {EYE}
    assert names(NO_TACH) == {EYE, TACH}  # three or four wires carry one: the role is missing
    assert names(NO_TACH, two, alone) == {TACH}
