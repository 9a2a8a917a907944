"""Sensors at rest: a loose contact, a block that heats by itself, and what is shared between sensors."""

from __future__ import annotations

import math
import re
from types import SimpleNamespace
from typing import Any, cast
from unittest.mock import Mock

import pytest

from hiltest import cautions
from hiltest.campaign.boards import BoardOrder, run_board
from hiltest.catalogue import _first_power, _sense
from hiltest.catalogue._trip import OneHeater
from hiltest.description.loading import load_description
from hiltest.errors import NotObservable

from .boards import ALONE, accept
from .files import FIXTURES, edited

SUPPLY = '\n[bench_supply]\nport = "/dev/ttyUSB9"\n'
SENSE = ("sense.ambient[reservoir]", "sense.ambient[board]")


def sense(*faults: str, seed: int = 4) -> dict[str, Any]:
    record = accept(*faults, seed=seed, operator=False, only=SENSE)
    return {each.name: each for each in record.checks}


@pytest.mark.parametrize("seed", [1, 2, 3, 4, 5])
def test_a_loose_contact_is_seen_at_rest(seed: int) -> None:
    """One break a second on average: over 8 s a sound verdict would be luck."""
    found = sense("sensor_loose_contact[board]", seed=seed)["sense.ambient[board]"]
    assert found.outcome == "failed"
    assert "loose contact" in found.reason


def test_a_loose_contact_is_not_laid_to_the_other_sensor() -> None:
    """Gaps of one sensor leave the other's verdict alone."""
    assert sense("sensor_loose_contact[board]")["sense.ambient[reservoir]"].outcome == "passed"


def test_a_wrong_sensor_is_no_measure_for_the_other() -> None:
    """One that reads no room fails by itself; the one beside it that reads the room passes, and says that it had no other."""
    found = sense("sensor_wrong_nominal[board]")
    assert found["sense.ambient[board]"].outcome == "failed"
    other = found["sense.ambient[reservoir]"]
    assert other.outcome == "passed"
    assert any("none to compare with" in note for note in other.notes)
    assert not any("distance" in m.name for m in other.measurements)


@pytest.mark.parametrize(
    ("role", "factor", "at"),
    [("0x7130:1", "1.0", "bus.enumerate[head]"), ("0x7130:2", "0.5", "sense.ambient[board]")],
)
def test_a_sensor_above_its_ceiling_is_told_once(role: str, factor: str, at: str) -> None:
    """Whether the guard trips or would trip: one check fails, with where to look for heat and for a wrong sensor.

    The fans and the axis have no part in it: nothing is said of them, and nothing of them is green.
    """
    scales = ((f'"{role}", scale = 0.1', f'"{role}", scale = {factor}'), ALONE)
    file = edited(FIXTURES / "glue_head.toml", *scales)
    only = ("sense.ambient[board]", "fan.tach[nozzle]", "fan.tach[electronics]", "motion.driver_ready[pump]")
    record = accept(file=file, only=only)
    found = {each.name: each for each in record.checks}
    assert [name for name, each in found.items() if each.outcome == "failed"] == [at]
    assert record.verdict == "rejected"
    assert any("scale" in cause for cause in found[at].look_first)
    if at == "bus.enumerate[head]":
        assert "guard tripped" in found[at].reason
        assert "really hot" in found[at].look_first[0]
        assert not any("CAN" in cause for cause in found[at].look_first)
    for name in only[1:]:
        assert found[name].outcome == "not run"
        assert found[name].stopped_by == [at]
        assert "guard" in found[name].reason


def test_sensors_of_a_node_share_one_watch() -> None:
    """The second sensor's check takes no second watch."""
    found = sense()
    first, second = found[SENSE[0]], found[SENSE[1]]
    assert first.outcome == second.outcome == "passed"
    assert first.ended_s - first.started_s > 7.0
    assert second.ended_s - second.started_s < 1.0


def test_a_block_that_heats_by_itself_ends_the_run() -> None:
    """The reason tells to cut the supply, and what comes after says that the run was stopped."""
    record = accept("heater_stuck_on", seed=4, operator=False)
    found = {each.name: each for each in record.checks}
    assert "SWITCH THE SUPPLY OFF NOW" in found["sense.ambient[reservoir]"].reason
    later = found["fan.tach[nozzle]"]
    assert later.outcome == "not run"
    assert "sense.ambient[reservoir] stopped the run" in later.reason


def test_a_heater_that_leaks_a_little_is_found_by_the_longer_watch() -> None:
    """5 % of 40 W warm 20 J/K by about 3 K in half a minute: too little to end the run, too much to pass."""
    record = accept("heater_stuck_on=0.05", seed=4, operator=False, only=("heat.idle[reservoir]",))
    found = next(each for each in record.checks if each.name == "heat.idle[reservoir]")
    assert found.outcome == "failed"
    assert "rise with the heater off" in found.reason


def test_a_bench_supply_is_compared_and_cuts_the_power() -> None:
    """With one, the node's reading is checked against it, and a block that heats by itself is made to stop."""
    file = edited(FIXTURES / "glue_head.toml", ALONE, more=SUPPLY)
    found = run_board(BoardOrder(file, 4, ("heater_stuck_on[reservoir]",)))
    assert found.failed == ["sense.ambient[reservoir]"]
    assert "The bench supply was switched off" in found.reasons["sense.ambient[reservoir]"]
    assert found.harm.left_on == ()
    other = run_board(BoardOrder(file, 4, ("supply_reading_wrong=0.955",)))
    assert "bench supply's" in other.reasons["sense.supply[head]"]


@pytest.mark.parametrize("supply", ["", SUPPLY])
def test_without_a_second_meter_the_scale_of_the_supply_is_said_to_be_unproven(supply: str) -> None:
    """26.9 V that the node calls 24.0 V look right to the node alone: the verdict says so, and what a voltmeter must show."""
    file = edited(FIXTURES / "glue_head.toml", ALONE, more=supply)
    record = accept(
        "supply_high=1.12",
        "supply_reading_wrong[head]=0.893",
        file=file,
        seed=3,
        only=("sense.supply[head]",),
    )
    found = next(each for each in record.checks if each.name == "sense.supply[head]")
    assert found.outcome == ("failed" if supply else "passed")
    said = "the scale of the supply reading of node 'head' was not proven"
    assert (said in record.verdict_reason) == (not supply)
    if not supply:
        low_v, high_v = map(float, re.findall(r"([\d.]+) V", record.verdict_reason))
        assert 23.0 < low_v < high_v < 26.0 < 24.0 * 1.12


def test_a_reading_says_by_how_much_it_may_be_off() -> None:
    """1 % of R25 and of the pull-up 0.225 K each at 25 degC (T²/B), 2 counts 0.256 K; as rectangles with k = 2.

    By hand: 2/sqrt(3) · sqrt(0.225² + 0.225² + 0.256²) = 0.47 K. What is not described is not guessed.
    """
    sensor = load_description(FIXTURES / "glue_head.toml").description.sensor[0]
    assert _sense.reading_off_k(sensor, 25.0) == pytest.approx(0.47, abs=0.01)
    assert _sense.reading_off_k(sensor.model_copy(update={"pull_up_ohm": None}), 25.0) is None
    assert _sense.reading_off_k(sensor, -80.0) is None, "such a divider reads open"
    assert _sense.reading_off_k(sensor, math.nan) is None


@pytest.mark.parametrize(("scatter_k", "count"), [(0.0, 3), (0.1, 3), (0.29, 8), (0.5, 23), (1.0, 89)])
def test_a_mean_takes_as_many_readings_as_its_noise_asks_for(scatter_k: float, count: int) -> None:
    """Of two means of n readings the difference scatters by sd * sqrt(2 / n): four times that stays within 0.6 K."""
    memory = {"at rest head": (0.0, {"block": [20.0 - scatter_k, 20.0, 20.0 + scatter_k, math.nan]})}
    assert _sense.noise_k(memory, "head", "block") == pytest.approx(scatter_k)
    assert _sense.reads_needed(memory, "head", "block") == count
    assert 4.0 * scatter_k * math.sqrt(2.0 / count) <= 0.6
    assert _sense.too_noisy(memory, "head", "block") == ""
    link = SimpleNamespace(waited_s=0.0)
    link.run_for = lambda s: setattr(link, "waited_s", link.waited_s + s)
    values = iter([1.0, 2.0, 3.0] * 100)
    _sense.mean_of(cast("Any", link), lambda: next(values), count)
    assert link.waited_s == pytest.approx(0.1 * count if count > 3 else 0.0)


def test_a_sensor_that_is_too_noisy_for_a_drill_is_said_and_heats_nothing() -> None:
    """Its block could not show what an output does: not observable, before anything is on."""
    memory = {"at rest head": (0.0, {"block": [16.0, 20.0, 24.0]})}
    assert "scatters by 4.0 K" in _sense.too_noisy(memory, "head", "block")
    node, heater = Mock(), SimpleNamespace(name="oven", sensor="block", low_setpoint_c=60.0)
    node.name = "head"
    measure = Mock(memory=memory)
    measure.not_observable.side_effect = NotObservable("too noisy", "")
    with pytest.raises(NotObservable):
        OneHeater(Mock(), node, cast("Any", heater), measure, None)
    assert "scatters by 4.0 K" in measure.not_observable.call_args.args[0]
    assert [call for call in node.mock_calls if "set" in call[0] or "pulse" in call[0]] == []


@pytest.mark.parametrize(
    ("left_v", "says"), [(24.0, cautions.SUPPLY_OFF_NOW), (0.1, cautions.SUPPLY_WAS_SWITCHED_OFF)]
)
def test_a_supply_that_does_not_switch_off_at_first_power_is_said_first(left_v: float, says: str) -> None:
    """In the words by which the report puts its alarm above everything else."""
    measure, power = Mock(), Mock()
    measure.description = load_description(FIXTURES / "glue_head.toml").description
    measure.return_value.verdict = "failed"
    measure.stop_run.side_effect = StopIteration
    power.supply.read_a.return_value, power.supply.read_v.return_value = 3.0, left_v
    with pytest.raises(StopIteration):
        _first_power.judge_rest(power, Mock(), measure)
    power.cut.assert_called_once_with()
    assert says in measure.stop_run.call_args.args[0]
