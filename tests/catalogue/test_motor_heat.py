"""The motor's temperature, where a sensor on its case shows it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description
from hiltest.errors import GuardTripped
from hiltest.session import Run, load
from hiltest.settings import Settings

from .boards import ALONE, accept
from .files import FIXTURES, edited

WARM = "motion.warm[pump]"
ON_THE_MOTOR = (
    ('place = "on the board, beside the motor driver"', 'place = "on the case of the pump motor"'),
    ("phase_ohm = 3.2\n", 'phase_ohm = 3.2\nmotor_sensor = "board"\n'),
)


def description(*more: tuple[str, str]) -> Path:
    return edited(FIXTURES / "glue_head.toml", ALONE, *ON_THE_MOTOR, *more)


def warm(*faults: str) -> Any:
    record = accept(*faults, seed=4, file=description(), only=(WARM,))
    return next(each for each in record.checks if each.name == WARM)


def test_a_motor_at_its_current_stays_within_its_rise() -> None:
    """I² R against 70 K at rated current, behind a quarter of an hour: first-order heating (Newton's law of cooling)."""
    check = warm()
    assert check.outcome == "passed", check.reason
    found = {each.name: each.value for each in check.measurements}
    assert found["changes of switches that the moves can't reach"] == 0
    # 0.7 A of 1 A: 0.49 of 70 K, after ran_s of 900 s; the mean current is lower between moves, parts vary by 5 %.
    expected_k = 0.49 * 70.0 * -math.expm1(-found["ran for"] / 900.0)
    assert found["rise of the motor's case"] == pytest.approx(expected_k, rel=0.3)


def test_a_wrong_sense_resistor_is_felt_at_the_motor_and_by_a_badly_cooled_driver() -> None:
    """The driver reads back what it was told; the case gets four times as warm, and the run is cut short."""
    check = warm("driver_current_wrong=2", "driver_hot=140")
    assert check.outcome == "failed"
    assert "rise of the motor's case" in check.reason
    # I² R of the chip, 1 W into 140 K/W: its warning comes after more running than any other check gives it.
    flags = next(m for m in check.measurements if m.name == "driver flags after the moves")
    assert flags.verdict == "failed"
    assert "over_temperature" in flags.note
    assert next(m.value for m in check.measurements if m.name == "ran for") < 120.0


def test_a_sensor_that_does_not_see_the_motor_shows_nothing() -> None:
    """Its reading stands still: that is no motor that stays cool."""
    check = warm("sensor_frozen[board]")
    assert check.outcome == "not observable"
    assert "did not see the motor of 'pump' get warm" in check.reason


def test_a_motor_above_its_ceiling_trips_the_guard() -> None:
    """Five times the current heat its case while it moves: at its sensor's ceiling all goes off, and the reason is told."""
    file = description(('place = "on the case', 'ceiling_c = 48.0\nplace = "on the case'))
    order = Settings(file=file, simulate=True, seed=2, faults=("driver_current_wrong=5",), release="a test")
    run = Run(order, load(order))
    run.planned = list(run.every)
    bench: Any = run.opened().link.port.bus.bench  # type: ignore[attr-defined]
    try:
        run.begin("test.of_mine", "stepper[pump]", 600.0)
        node = run.node("head")
        node.configure_driver("pump", 0.7, 16)
        node.enable_driver("pump", True)

        def back_and_forth() -> None:
            for turn in range(12):
                node.move("pump", 16_000 if turn % 2 == 0 else -16_000, 1.0, within_s=20.0)

        with pytest.raises(
            GuardTripped, match=r"'board' reads 48\.\d degC, above its own ceiling_c"
        ) as caught:
            back_and_forth()
        result = run.conclude(caught.value)
        assert "above its own ceiling_c (48 degC)" in result.reason
        assert not bench.truth.outputs_on()
        at_c = bench.boards["head"].motor_spots["pump"].now_c()
        assert 47.0 < at_c < 50.0
        bench.run_for(5.0)
        assert bench.boards["head"].motor_spots["pump"].now_c() < at_c + 0.5, "its heat ended with the trip"
    finally:
        run.close()


def test_without_a_sensor_on_the_motor_there_is_no_such_check() -> None:
    """What can't be seen is no part of the catalogue for that description."""
    every = {bound.name for bound in bind_all(load_description(FIXTURES / "glue_head.toml").description)}
    assert WARM not in every
    assert WARM in {bound.name for bound in bind_all(load_description(description()).description)}
