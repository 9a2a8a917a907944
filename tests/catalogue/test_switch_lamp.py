"""Switches pressed by hand and lamps looked at, before anything moves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description, load_text
from hiltest.evidence.model import CheckResult, RunRecord

from .boards import accept, outcomes
from .files import FIXTURES

HOME, LEVEL, LAMP = "switch.by_hand[pump_home]", "switch.by_hand[level]", "lamp.colours[status]"
GLUE_HEAD = FIXTURES / "glue_head.toml"


def check_of(record: RunRecord, name: str) -> CheckResult:
    return next(check for check in record.checks if check.name == name)


def run(*faults: str, **more: Any) -> tuple[RunRecord, dict[str, Any]]:
    """Switch and lamp checks with their gates, and what the bench saw meanwhile."""
    after: dict[str, Any] = {}

    def look(opened: Any) -> None:
        bench = opened.opened().link.port.bus.bench
        after["outputs"] = {change.output for change in bench.truth.changes() if change.on}
        after["travel_rev"] = bench.truth.travel_rev("pump")
        after["levers"] = {name: part.actuated for name, part in bench.boards["head"].contacts.items()}

    return accept(*faults, only=(HOME, LEVEL, LAMP), before_close=look, **more), after


@dataclass(frozen=True)
class Row:
    fault: str
    fails: tuple[str, ...]
    says: str


TABLE = (
    Row("switch_inverted[level]", (LEVEL,), "contact type or polarity"),
    Row("switch_inverted[pump_home]", (HOME,), "contact type or polarity"),
    Row("switch_stuck[level]", (LEVEL,), "stays free: lever stuck, or wire open"),
    Row("switch_stuck[pump_home]", (HOME,), "stays pressed: lever stuck"),
    Row("switch_never_triggers[level]", (LEVEL,), "wire open or plug out"),
    Row("switch_never_triggers[pump_home]", (HOME,), "wires shorted or contact welded"),
    Row("switch_wire_open[pump_home]", (HOME,), "wire open or plug out"),
    Row("switch_welded[level]", (LEVEL,), "reads pressed"),
    Row("switches_swapped", (HOME, LEVEL), "level changed instead: plugs exchanged"),
    Row("switch_bounces[level]", (LEVEL,), "settling time"),
    Row("lamp_colours_swapped", (LAMP,), "in another order"),
    Row("lamp_dead", (LAMP,), "the lamp stays dark"),
    Row("lamp_colour_dead=2", (LAMP,), "this colour stays dark"),
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_what_hand_and_eye_find(row: Row) -> None:
    """Exactly these checks fail, they say why, and nothing but the lamp was ever on."""
    record, after = run(row.fault)
    assert record.verdict == "rejected"
    assert tuple(name for name in (HOME, LEVEL, LAMP) if outcomes(record)[name] == "failed") == row.fails
    assert row.says in check_of(record, row.fails[0]).reason
    assert after["outputs"] <= {"lamp:status"}
    assert after["travel_rev"] == 0.0


def test_an_input_that_floats_is_not_pressed() -> None:
    """It changes while nobody touches it; that is enough to know."""
    record, _ = run("switch_floating[level]")
    assert outcomes(record)[LEVEL] == "failed"
    assert "floats" in check_of(record, LEVEL).reason


def test_a_healthy_board_follows_hand_and_eye() -> None:
    """All pass, every lever is back where it was, and the settling time is that of the contact."""
    record, after = run()
    assert {outcomes(record)[name] for name in (HOME, LEVEL, LAMP)} == {"passed"}
    assert after["levers"] == {"pump_home": True, "level": False}
    settling = next(m for m in check_of(record, LEVEL).measurements if m.name == "settling time")
    assert 0.0 <= float(settling.value) < 0.05
    assert after["outputs"] == {"lamp:status"}


@pytest.mark.parametrize("bounce_ms", [5.0, 30.0])
def test_a_bouncing_contact_within_its_limit_passes(bounce_ms: float) -> None:
    """Healthy contacts bounce for milliseconds."""
    record, _ = run(f"switch_bounces[level]={bounce_ms:g}")
    assert outcomes(record)[LEVEL] == "passed"


def test_the_axis_waits_for_the_switch_it_moves_towards() -> None:
    """motion.direction has the home switch for a gate; an axis with an end switch waits for that too."""
    bound = {each.name: each for each in bind_all(load_description(GLUE_HEAD).description)}
    assert HOME in bound["motion.direction[pump]"].gates
    assert LEVEL not in bound["motion.direction[pump]"].gates
    text = GLUE_HEAD.read_text().replace(
        'home_switch = "pump_home"', 'end_switch = "level"\nhome_switch = "pump_home"'
    )
    bound = {each.name: each for each in bind_all(load_text(text, FIXTURES).description)}
    assert {HOME, LEVEL} <= set(bound["motion.direction[pump]"].gates)


def test_an_axis_without_switches_waits_for_none() -> None:
    """A gate that names no switch falls away instead of staying closed for ever."""
    lines = [line for line in GLUE_HEAD.read_text().splitlines() if not line.startswith("home_switch")]
    bound = {each.name: each for each in bind_all(load_text("\n".join(lines), FIXTURES).description)}
    assert not any(gate.startswith("switch.") for gate in bound["motion.direction[pump]"].gates)


def test_a_switch_that_fails_keeps_the_axis_still() -> None:
    """Nothing moves towards a switch that never triggers."""
    truth: dict[str, float] = {}

    def look(opened: Any) -> None:
        truth["travel_rev"] = opened.opened().link.port.bus.bench.truth.travel_rev("pump")

    record = accept("switch_never_triggers", only=("motion.return[pump]",), before_close=look)
    assert outcomes(record)["motion.direction[pump]"] == "not run"
    assert f"{HOME} failed" in check_of(record, "motion.direction[pump]").reason
    assert truth["travel_rev"] == 0.0


@pytest.mark.parametrize(
    ("change", "name", "outcome"),
    [
        (('"switch.rest[level]" = "free"', '"switch.rest[level]" = "skip"'), LEVEL, "not observable"),
        (('"switch.press[level]" = true', ""), LEVEL, "not observable"),
        (('"switch.press[level]" = true', '"switch.press[level]" = false'), LEVEL, "not observable"),
        (('["red", "green", "blue", "none"]', '["red", "green", "green", "none"]'), LAMP, "failed"),
        (('["red", "green", "blue", "none"]', '["red", "green", "blue", "red"]'), LAMP, "failed"),
        (('["red", "green", "blue", "none"]', '["red", "skip"]'), LAMP, "not observable"),
    ],
)
def test_what_a_script_says_decides(tmp_path: Path, change: tuple[str, str], name: str, outcome: str) -> None:
    """A skipped step is not observable and the run not accepted; a wrong colour fails."""
    text = (FIXTURES / "glue_head.answers.toml").read_text()
    assert change[0] in text
    script = tmp_path / "answers.toml"
    script.write_text(text.replace(*change))
    record, _ = run(answers=script)
    assert outcomes(record)[name] == outcome
    assert record.verdict != "accepted"


def test_a_script_on_a_bench_where_a_switch_is_stuck() -> None:
    """The script claims that the lever was moved; the reading says otherwise, and that counts."""
    record, _ = run("switch_stuck[level]", answers=FIXTURES / "glue_head.answers.toml")
    assert outcomes(record)[LEVEL] == "failed"
    assert "lever stuck" in check_of(record, LEVEL).reason
