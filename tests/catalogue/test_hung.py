"""The drill of a program that hangs: only a watchdog helps, and no more is on than may stay on for ever."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pytest

from hiltest.catalogue._hung import WORST_ELEMENT, ember_duty
from hiltest.description.loading import load_description
from hiltest.simbench.person import Person

from . import variants
from .boards import ALONE, FIXTURES, accept
from .files import edited

HUNG = "safe.firmware_hung[head]"
READY = ("heat.pulse[reservoir]", "fan.tach[electronics]", "fan.tach[nozzle]")
RESERVOIR = load_description(FIXTURES / "glue_head.toml").description.heater[0]
SUPPLY = '\n[bench_supply]\nport = "/dev/ttyUSB9"\n'


def drill(*faults: str, **how: Any) -> tuple[Any, Any, set[str]]:
    """The check, the whole record, and what was on two seconds after the run. Nobody takes part.

    (A variant says so itself: `operator=True` only takes its file as it is.)
    """
    left_on: set[str] = set()

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(2.0)
        left_on.update(bench.truth.outputs_on())

    how = {"seed": 4, "operator": False, "only": (*READY, HUNG)} | how
    record = accept(*faults, before_close=look, **how)
    return next(each for each in record.checks if each.name == HUNG), record, left_on


def values(check: Any) -> dict[str, Any]:
    return {each.name: each.value for each in check.measurements}


def test_the_watchdog_of_a_sound_node_drops_its_outputs() -> None:
    """It boots again in time, says that its watchdog did it, and nothing comes on by itself."""
    check, _, left_on = drill()
    assert check.outcome == "passed", check.reason
    assert 0.5 <= values(check)["boots again after it was made to hang"] <= 2.0
    assert values(check)["reset cause"] == "watchdog"
    assert values(check)["fan nozzle speed after the program hung, share of before"] < 0.9
    assert not left_on


@pytest.mark.parametrize("said", ["no", "skip"])
def test_nobody_takes_the_power_away(said: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The run ends all the same, and says above all what must be done."""
    answer = Person.answer
    asked: list[str] = []

    def refuses(self: Person, asked_for: str, choices: Sequence[str], unit: str) -> str | None:
        asked.append(asked_for)
        if asked_for == "power.off" and asked.count("power.off") > 1:
            return said
        return answer(self, asked_for, choices, unit)

    monkeypatch.setattr(Person, "answer", refuses)
    file = edited(FIXTURES / "glue_head.toml", ("steady_s = 20.0", "steady_s = 5.0\nidle_s = 5.0"))
    check, record, _ = drill("no_watchdog", file=file, operator=True, only=(HUNG,))
    assert check.outcome == "failed"
    assert "SWITCH THE SUPPLY OFF NOW" in check.reason
    assert record.verdict == "rejected"


def test_without_somebody_at_the_power_no_heater_is_on() -> None:
    """A node that never comes back could not be switched off: fans only, and the check says what it left out."""
    check, _, left_on = drill("no_watchdog")
    assert check.outcome == "failed"
    assert "SWITCH THE SUPPLY OFF NOW" in check.reason
    assert "heater reservoir output before" not in values(check)
    assert left_on == {"fan:electronics", "fan:nozzle"}


def test_a_node_on_which_nothing_may_be_on_shows_its_watchdog_all_the_same() -> None:
    """No sound fan, and nobody at the power: the watchdog's reset is looked at, and the check says that nothing was on."""
    check, _, _ = drill("tach_open[electronics]", "tach_open[nozzle]")
    assert check.outcome == "passed", check.reason
    assert values(check)["reset cause"] == "watchdog"
    assert any("nothing was on meanwhile" in note for note in check.notes)


def test_a_bench_supply_ends_a_node_that_hangs_for_good() -> None:
    """With one the heater glows a little too, the power is taken away, and nothing is left on."""
    file = edited(variants.GLUE_HEAD, ALONE, more=SUPPLY)
    check, record, left_on = drill("no_watchdog", file=file, operator=True)
    assert check.outcome == "failed"
    assert "the power was switched off" in check.reason
    assert 0.5 < values(check)["heater reservoir output before"] < 5.0
    assert not left_on
    assert record.verdict == "rejected"


def test_the_supply_sees_what_the_node_does_not_say() -> None:
    """With a bench supply each drill asks for its current as well: what was on is missing from it."""
    file = edited(variants.GLUE_HEAD, ALONE, more=SUPPLY)
    names = ("safe.host_silence[head]", "safe.stop[head]", "safe.reset[head]", HUNG)
    _, record, _ = drill(file=file, operator=True, only=(*READY, *names))
    for name in names:
        check = next(each for each in record.checks if each.name == name)
        assert check.outcome == "passed", check.reason
        left = [m for m in check.measurements if m.name.startswith("current left after")]
        assert len(left) == 1, name
        assert left[0].value < left[0].high < 0.5


def test_a_node_that_can_not_be_made_to_hang_is_listed() -> None:
    """It is 'not offered', and without being named in may_be_missing the unit is not accepted."""
    file = edited(variants.GLUE_HEAD, ALONE, ('hang = "0x2011"', "#"))
    check, record, _ = drill(file=file, operator=True)
    assert check.outcome == "not offered"
    assert "hang" in check.reason
    assert HUNG in record.verdict_reason


@pytest.mark.parametrize("now_c", [15.0, 23.0, 40.0])
def test_an_ember_never_warms_the_block_above_its_low_setpoint(now_c: float) -> None:
    """Heat balance at rest, with four times the stated power: T = T_room + P / G (Newton's law of cooling)."""
    watts = WORST_ELEMENT * RESERVOIR.power_w * ember_duty(RESERVOIR, now_c)
    assert now_c + watts / RESERVOIR.loss_w_k <= RESERVOIR.low_setpoint_c + 1e-9
