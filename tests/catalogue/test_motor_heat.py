"""The motor's temperature, where a sensor on its case shows it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description

from .boards import ALONE, accept
from .files import FIXTURES, edited

WARM = "motion.warm[pump]"
ON_THE_MOTOR = (
    ('place = "on the board, beside the motor driver"', 'place = "on the case of the pump motor"'),
    ("phase_ohm = 3.2\n", 'phase_ohm = 3.2\nmotor_sensor = "board"\n'),
)


def description() -> Path:
    return edited(FIXTURES / "glue_head.toml", ALONE, *ON_THE_MOTOR)


def warm(*faults: str) -> Any:
    record = accept(*faults, seed=4, file=description(), only=(WARM,))
    return next(each for each in record.checks if each.name == WARM)


def test_a_motor_at_its_current_stays_within_its_rise() -> None:
    """I² R against 70 K at rated current, behind a quarter of an hour: first-order heating (Newton's law of cooling)."""
    check = warm()
    assert check.outcome == "passed", check.reason
    found = {each.name: each.value for each in check.measurements}
    # 0.7 A of 1 A: 0.49 of 70 K, after ran_s of 900 s; the mean current is lower between moves, parts vary by 5 %.
    expected_k = 0.49 * 70.0 * -math.expm1(-found["ran for"] / 900.0)
    assert found["rise of the motor's case"] == pytest.approx(expected_k, rel=0.3)


def test_a_wrong_sense_resistor_is_felt_at_the_motor_and_by_a_badly_cooled_driver() -> None:
    """The driver reads back what it was told; the case gets four times as warm, and the run is cut short."""
    check = warm("driver_current_wrong=2", "driver_hot=200")
    assert check.outcome == "failed"
    assert "rise of the motor's case" in check.reason
    # I² R of the chip, 1 W into 200 K/W: its warning comes after half a minute of running, which no other check gives it.
    flags = next(m for m in check.measurements if m.name == "driver flags after the moves")
    assert flags.verdict == "failed"
    assert "over_temperature" in flags.note
    assert next(m.value for m in check.measurements if m.name == "ran for") < 120.0


def test_without_a_sensor_on_the_motor_there_is_no_such_check() -> None:
    """What can't be seen is no part of the catalogue for that description."""
    every = {bound.name for bound in bind_all(load_description(FIXTURES / "glue_head.toml").description)}
    assert WARM not in every
    assert WARM in {bound.name for bound in bind_all(load_description(description()).description)}
