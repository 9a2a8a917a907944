"""Power off: what an ohmmeter finds before anything is powered, and what a script, a meter or nobody makes of it."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest.mock import Mock

import pytest

from hiltest.campaign.runner import run_one
from hiltest.catalogue import _first_power
from hiltest.catalogue._cold import motor_picture, pair_hint, picture
from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description
from hiltest.errors import UsageError
from hiltest.evidence.model import CheckResult, RunRecord
from hiltest.session import Run, load
from hiltest.settings import Settings

from . import variants
from .boards import accept, outcomes, without_operator
from .files import FIXTURES

GLUE_HEAD = FIXTURES / "glue_head.toml"
ANSWERS = FIXTURES / "glue_head.answers.toml"
COLD = (
    "cold.pair[can]",
    "cold.lines[can]",
    "cold.supply[head]",
    "cold.heater[reservoir]",
    "cold.sensor[reservoir]",
    "cold.sensor[board]",
    "cold.coils[pump]",
    "cold.power_on[can]",
)
IDLE = ("sense.ambient[reservoir]", "heat.idle[reservoir]")


def check_of(record: RunRecord, name: str) -> CheckResult:
    return next(check for check in record.checks if check.name == name)


def run_cold(*faults: str, **more: Any) -> tuple[RunRecord, dict[str, Any]]:
    """The cold checks alone, and what the bench was like afterwards."""
    after: dict[str, Any] = {}

    def look(run: Any) -> None:
        opened = run.opened()
        bench = opened.link.port.bus.bench
        after.update(supply=bench.supply.is_on, changes=bench.truth.changes(), spoken=opened.spoken)

    return accept(*faults, only=COLD, before_close=look, **more), after


# --- faults that never get power ------------------------------------------------------------------------


@dataclass(frozen=True)
class Row:
    fault: str
    fails: str
    says: str


UNPOWERED = (
    Row("one_terminator", "cold.pair[can]", "one terminator is missing"),
    Row("extra_terminators=3", "cold.pair[can]", "3 terminators are fitted"),
    Row("extra_terminators=4", "cold.pair[can]", "4 terminators are fitted"),
    Row("wrong_terminator", "cold.pair[can]", "wrong value, or a leak"),
    Row("wrong_terminator=1200", "cold.pair[can]", "one terminator is missing"),
    Row("can_h_l_short", "cold.pair[can]", "CAN-H and CAN-L are shorted"),
    Row("can_leak", "cold.pair[can]", "a leak between the wires"),
    Row("can_h_to_ground", "cold.lines[can]", "CAN-H touches ground"),
    Row("can_l_to_ground", "cold.lines[can]", "CAN-L touches ground"),
    Row("supply_shorted", "cold.supply[head]", "a short in the power pair"),
    Row("heater_stuck_on", "cold.supply[head]", "as much as heater 'reservoir': its switch failed closed"),
)
SLOW_UNPOWERED = (
    Row("no_terminator", "cold.pair[can]", "no terminator is fitted"),
    Row("can_h_to_supply", "cold.lines[can]", "CAN-H touches supply plus"),
    Row("can_l_to_supply", "cold.lines[can]", "CAN-L touches supply plus"),
)
"""The bus is in an error storm until the person has switched it off, which costs seconds to simulate."""

LOADS = (
    Row("heater_wrong_voltage", "cold.heater[reservoir]", "an element for half the voltage"),
    Row("heater_shorted", "cold.heater[reservoir]", "shorted: do not power it"),
    Row("heater_open", "cold.heater[reservoir]", "open"),
    Row("heater_weak=1.4", "cold.heater[reservoir]", "too high"),
    Row("heater_leaks", "cold.heater[reservoir]", "touches the metal"),
    Row("sensor_wrong_nominal", "cold.sensor[reservoir]", "another type"),
    Row("sensor_wrong_nominal[board]=10", "cold.sensor[board]", "another type"),
    Row("sensor_shorted[board]", "cold.sensor[board]", "shorted"),
    Row("sensor_leak[reservoir]=20000", "cold.sensor[reservoir]", "another type"),
    Row("coil_open", "cold.coils[pump]", "a1 connects to no other wire"),
    Row("coil_open=1", "cold.coils[pump]", "b1 connects to no other wire"),
    Row("coils_crossed", "cold.coils[pump]", "found: a1-b2 and a2-b1"),
    Row("coil_shorted", "cold.coils[pump]", "coil a1-a2: 0."),
)


@pytest.mark.parametrize("row", UNPOWERED + SLOW_UNPOWERED, ids=lambda row: row.fault)
def test_wiring_that_could_burn_gets_no_power(row: Row) -> None:
    """The check fails, the power stays off, and nothing was energised or sent on the bus by the host."""
    record, after = run_cold(row.fault)
    found = outcomes(record)
    assert found[row.fails] == "failed"
    assert row.says in check_of(record, row.fails).reason
    assert found["cold.power_on[can]"] == "not run"
    assert after["supply"] is False
    assert not after["spoken"]
    on = [change for change in after["changes"] if change.on and not change.output.startswith("heater")]
    assert on == []


@pytest.mark.parametrize("row", LOADS, ids=lambda row: row.fault)
def test_a_wrong_load_is_found_before_it_gets_current(row: Row) -> None:
    """The check of that load fails, and the checks that would energise it wait for it."""
    record, after = run_cold(row.fault)
    found = outcomes(record)
    assert [name for name in COLD if found[name] == "failed"] == [row.fails]
    assert row.says in check_of(record, row.fails).reason
    assert after["changes"] == []
    if row.fails.startswith(("cold.heater", "cold.coils")):
        said = " ".join(check_of(record, "cold.power_on[can]").notes)
        load = "heater 'reservoir'" if "heater" in row.fails else "motor 'pump'"
        assert f"leave the plug of {load} out" in said


@pytest.mark.parametrize(
    ("waits", "gate"),
    [
        ("bus.quiet[can]", "cold.power_on[can]"),
        ("heat.pulse[reservoir]", "cold.heater[reservoir]"),
        ("heat.pulse[reservoir]", "cold.sensor[reservoir]"),
        ("motion.driver_ready[pump]", "cold.coils[pump]"),
        ("cold.power_on[can]", "cold.supply[head]"),
    ],
)
def test_what_energises_waits_for_the_ohmmeter(waits: str, gate: str) -> None:
    """The gates are in the catalogue, not in the order of checks."""
    bound = {each.name: each for each in bind_all(load_description(GLUE_HEAD).description)}
    assert gate in bound[waits].gates


def test_a_fault_that_comes_later_is_not_seen_here() -> None:
    """A healthy board passes, is powered again, and every reading is in the record with its unit."""
    record, after = run_cold("heater_wrong_voltage@10000")
    assert {outcomes(record)[name] for name in COLD} == {"passed"}
    assert after["supply"] is True
    assert not after["spoken"]
    for name in COLD[:-1]:
        first = check_of(record, name).measurements[0]
        assert first.unit == "ohm"
        assert first.low is not None


@pytest.mark.parametrize("seed", range(40, 48))
def test_healthy_boards_pass_with_their_tolerances(seed: int) -> None:
    """Parts and meter vary by seed, within what the limits allow."""
    record, _ = run_cold(seed=seed)
    assert {outcomes(record)[name] for name in COLD} == {"passed"}


# --- scripts, meters, nobody ----------------------------------------------------------------------------


def test_a_script_may_speak_for_the_person() -> None:
    """The answers of the scenario pass a healthy board, also where they hold a comma, a prefix or a marking code."""
    record, after = run_cold(answers=ANSWERS)
    assert {outcomes(record)[name] for name in COLD} == {"passed"}
    element = check_of(record, "cold.heater[reservoir]").measurements[0]
    assert element.value == pytest.approx(14.5)
    assert after["supply"] is True


def test_a_script_that_lies_does_not_get_past_the_pulse() -> None:
    """The script says 14.5 ohm, the element has a quarter: the bounded pulse finds it, and the loop stays open."""
    record = accept("heater_wrong_voltage", answers=ANSWERS, only=("heat.low_setpoint[reservoir]",))
    found = outcomes(record)
    assert found["cold.heater[reservoir]"] == "passed"
    assert found["heat.pulse[reservoir]"] == "failed"
    assert found["heat.low_setpoint[reservoir]"] == "not run"


@pytest.mark.parametrize(
    ("line", "outcome"),
    [
        ('"cold.ohm[bus.can.h, bus.can.l]" = "skip"', "not observable"),
        ('"cold.ohm[bus.can.h, bus.can.l]" = "120 ohm"', "failed"),
        ('"cold.ohm[bus.can.h, bus.can.l]" = "about sixty"', "error"),
        ("", "not observable"),
    ],
)
def test_what_a_script_says_decides(tmp_path: Path, line: str, outcome: str) -> None:
    """Skip and silence are never green; a wrong value fails; nonsense is the script's own error."""
    script = tmp_path / "answers.toml"
    script.write_text(f'"power.off" = true\n{line}\n')
    record, after = run_cold(answers=script)
    assert outcomes(record)["cold.pair[can]"] == outcome
    assert outcomes(record)["cold.power_on[can]"] == "not run"
    assert record.verdict != "accepted"
    assert after["supply"] is False


def test_a_script_that_can_not_be_read_stops_the_run_before_it_starts(tmp_path: Path) -> None:
    """It is the file that is wrong, and no board is judged by it."""
    script = tmp_path / "answers.toml"
    script.write_text('"power.off" = yes')
    with pytest.raises(UsageError, match=r"answers\.toml"):
        run_cold(answers=script)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_script_of_the_scenario_passes_a_healthy_board(seed: int) -> None:
    """Every question of the whole catalogue is in it."""
    record = accept(seed=seed, answers=ANSWERS)
    assert record.verdict == "accepted", record.verdict_reason


def test_with_power_on_nothing_is_measured(tmp_path: Path) -> None:
    """An operator who can't switch the power off gets no ohmmeter reading judged."""
    script = tmp_path / "answers.toml"
    script.write_text('"power.off" = false\n"cold.ohm[bus.can.h, bus.can.l]" = "60 ohm"\n')
    record, _ = run_cold(answers=script)
    assert outcomes(record)["cold.pair[can]"] == "not observable"
    assert "power is on" in check_of(record, "cold.pair[can]").reason


def test_without_anybody_to_ask_the_command_ends_with_4(tmp_path: Path) -> None:
    """Nobody answers: the run is incomplete, and its exit code says so."""
    script = tmp_path / "nobody.toml"
    script.write_text("")
    command = [sys.executable, "-m", "hiltest.cli", "accept", str(GLUE_HEAD), "--simulate", "--json"]
    ended = subprocess.run(
        [*command, "--answers", str(script), "--out", str(tmp_path / "runs")],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert ended.returncode == 4, ended.stderr
    record = json.loads(ended.stdout)
    assert record["verdict"] == "incomplete"
    assert not any(
        check["outcome"] == "passed" and check["name"].startswith("bus") for check in record["checks"]
    )


def with_instruments(folder: Path) -> Path:
    """The glue head with a meter and a supply that speak SCPI."""
    for file in FIXTURES.glob("glue_head*"):
        (folder / file.name).write_bytes(file.read_bytes())
    path = folder / GLUE_HEAD.name
    text = path.read_text().replace(
        "# --- the bus",
        '[meter]\nport = "/dev/meter"\n[bench_supply]\nport = "/dev/supply"\n# --- the bus',
        1,
    )
    path.write_text(text)
    return path


def test_a_meter_is_read_and_a_supply_is_switched(tmp_path: Path) -> None:
    """With instruments nobody types a number; voltage and current are measured when the power comes on."""
    record, after = run_cold(file=with_instruments(tmp_path))
    assert {outcomes(record)[name] for name in COLD} == {"passed"}
    assert any("simulated bench meter" in note for note in check_of(record, "cold.pair[can]").notes)
    read = {m.name: m.value for m in check_of(record, "cold.power_on[can]").measurements}
    assert read["voltage at the supply"] == pytest.approx(24.0, rel=0.05)
    assert 0.0 < read["current with every output off"] < 0.5
    assert after["supply"] is True


def test_the_script_knows_the_questions_of_a_bench_with_a_meter(tmp_path: Path) -> None:
    """The glue head's answers file serves a bench with instruments too: each question about the probes is in it."""
    record, _ = run_cold(file=with_instruments(tmp_path), answers=ANSWERS)
    assert {outcomes(record)[name] for name in COLD} == {"passed"}


@pytest.mark.parametrize(
    ("fault", "fails"), [("one_terminator", "cold.pair[can]"), ("coils_crossed", "cold.coils[pump]")]
)
def test_a_meter_finds_what_a_person_finds(tmp_path: Path, fault: str, fails: str) -> None:
    """The same parts, the same network, another hand on the probes."""
    record, _ = run_cold(fault, file=with_instruments(tmp_path))
    assert outcomes(record)[fails] == "failed"


def test_a_supply_in_its_limit_ends_it(tmp_path: Path) -> None:
    """A short that only shows under power: the supply goes into its limit and is off again."""
    record, after = run_cold("supply_shorted=250", "supply_weak=0.09", file=with_instruments(tmp_path))
    assert outcomes(record)["cold.supply[head]"] == "passed"
    assert outcomes(record)["cold.power_on[can]"] == "failed"
    found = check_of(record, "cold.power_on[can]")
    assert "current limit" in found.reason
    (read_a,) = (m.value for m in found.measurements if m.name == "current when it came on")
    assert read_a > 0.05, "the supply was read before it was switched off"
    assert after["supply"] is False


REST = "current with every output off"


@pytest.mark.parametrize("fault", ["heater_stuck_on[reservoir]@{:.3f}", "heater_inverted[reservoir]"])
def test_a_heater_that_conducts_as_the_power_comes_is_switched_off_at_once(
    tmp_path: Path, fault: str
) -> None:
    """A switch that fails after the ohmmeter, or whose gate is inverted, which no ohmmeter shows: 40 W at 24 V are 1.67 A, where
    board, fans, lamp and standing motor may take 0.47 A, and half of the heater 0.83 A. The run ends with the supply off.
    """
    file = with_instruments(tmp_path)
    sound, _ = run_cold(file=file)
    (calm,) = (m for m in check_of(sound, "cold.power_on[can]").measurements if m.name == REST)
    assert calm.high == pytest.approx(0.47 + 0.83, abs=0.01)
    assert calm.limit_source == "computed"
    record, after = run_cold(fault.format(check_of(sound, "cold.coils[pump]").started_s), file=file)
    assert outcomes(record)["cold.supply[head]"] == "passed"
    found = check_of(record, "cold.power_on[can]")
    assert found.outcome == "failed"
    assert "The bench supply was switched off" in found.reason
    assert "a heater that is on by itself (reservoir)" in found.reason
    assert after["supply"] is False


def test_a_small_heater_beside_much_else_is_said_to_be_hidden(tmp_path: Path) -> None:
    """12 W beside a fan of 0.2 A, two boards and a motor: what it takes could be theirs, and that is no green. One that is stated
    is taken instead, and nothing is above what the source gives.
    """
    chiller = load_description(FIXTURES / "sample_chiller.toml").description
    assert [each.split()[0] for each in _first_power.rest(chiller).hidden] == ["lid"]
    stated = chiller.supply.model_copy(update={"rest_current_max_a": 0.3})
    assert _first_power.rest(chiller.model_copy(update={"supply": stated})).most_a == 0.3
    weak = chiller.supply.model_copy(update={"current_limit_a": 0.6})
    assert _first_power.rest(chiller.model_copy(update={"supply": weak})).most_a == 0.6


def test_a_heater_whose_plug_stays_out_is_not_seen_to_be_off() -> None:
    """Whoever watches is told to leave it out as the power comes; a calm block shows nothing of its switch then."""
    told: list[str] = []
    watcher: Any = Mock()
    watcher.on_caution = told.append
    settings = Settings(
        file=variants.quick_head(alone=False), simulate=True, seed=1, faults=("heater_wrong_voltage",)
    )
    run = Run(settings, load(settings), watcher)
    for bound in run.every:
        if bound.name in (*COLD, "bus.quiet[can]", "bus.enumerate[head]", *IDLE):
            run_one(run, bound)
    record = run.close()
    idle = check_of(record, "heat.idle[reservoir]")
    assert idle.outcome == "not observable"
    assert "its plug was to stay out" in idle.reason
    assert [text for text in told if "leave the plug of heater 'reservoir' out" in text]


def test_without_an_operator_none_of_it_belongs_to_the_catalogue() -> None:
    """A bench where nobody takes part is complete without these checks, and nothing waits for them."""
    without = load_description(without_operator(GLUE_HEAD)).description
    every = bind_all(without)
    gates = {gate for bound in every for gate in bound.gates}
    for group in ("cold.", "switch.", "lamp."):
        assert not any(bound.name.startswith(group) for bound in every)
        assert not any(gate.startswith(group) for gate in gates)


def test_a_sensor_without_a_curve_is_not_asked_for(tmp_path: Path) -> None:
    """Where the description gives no curve there is nothing to compare a resistance with."""
    for file in FIXTURES.glob("glue_head*"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    path = tmp_path / GLUE_HEAD.name
    text = (
        path.read_text()
        .replace("r25_ohm = 10_000.0\nbeta_k = 3435.0\n", "")
        .replace('name = "board"\nkind = "ntc"', 'name = "board"\nkind = "other"')
    )
    path.write_text(text)
    names = [bound.name for bound in bind_all(load_description(path).description)]
    assert "cold.sensor[reservoir]" in names
    assert "cold.sensor[board]" not in names


# --- the same run again, and what is written ----------------------------------------------------------------


def test_the_same_seed_reads_the_same_to_the_last_digit() -> None:
    """The person is part of the bench, and the bench is the same to the byte."""
    runs = [
        [(m.name, m.value, m.t_s) for check in run_cold(seed=5)[0].checks for m in check.measurements]
        for _ in range(2)
    ]
    assert runs[0] == runs[1]


@pytest.mark.parametrize(
    ("ohm", "says"),
    [
        (60.0, ""),
        (50.0, ""),
        (0.4, "shorted"),
        (118.0, "one terminator is missing"),
        (40.0, "3 terminators"),
        (30.2, "4 terminators"),
        (36.0, "leak"),
        (10.9, "wrong value"),
        (15e3, "no terminator"),
        (float("inf"), "no terminator"),
    ],
)
def test_what_a_resistance_across_the_pair_says(ohm: float, says: str) -> None:
    """Two resistors of 120 ohm are 60, one 120, three 40, four 30 (Ohm's law)."""
    hint = pair_hint(ohm, 60.0, 50.0, 65.0)
    assert says in hint
    assert bool(hint) is bool(says)


def test_pictures_show_where_the_probes_go() -> None:
    """Both places stand in the picture, in plain letters, and every line is short enough for a terminal."""
    drawn = picture("CAN-H", "supply plus")
    assert "CAN-H" in drawn
    assert "supply plus" in drawn
    for text in (drawn, motor_picture()):
        assert all(len(line) < 80 and line.isascii() for line in text.splitlines())
