"""Motion: what half a distance means, how far an axis that goes the wrong way is moved, and what a reset driver shows."""

from __future__ import annotations

from typing import Any

import pytest

from hiltest.catalogue import _motion
from hiltest.description.loading import load_description
from hiltest.node.verbs import StepperDriver

from .boards import FIXTURES, accept

PUMP = load_description(FIXTURES / "glue_head.toml").description.stepper[0]
ONLY = ("motion.return[pump]",)


def run(*faults: str, seed: int = 4) -> tuple[dict[str, Any], float]:
    """Checks by name of a run of the motion checks, and how far the axis really went."""
    travel: list[float] = []

    def look(live: Any) -> None:
        travel.append(live.opened().link.port.bus.bench.truth.travel_rev("pump"))

    record = accept(*faults, seed=seed, operator=False, only=ONLY, before_close=look)
    return {check.name: check for check in record.checks}, travel[0]


def test_play_between_motor_and_switch_is_found() -> None:
    """Sixteen full steps of backlash: no step is lost, and the switch lets go and is met that far apart."""
    checks, _ = run("backlash")
    found = checks["motion.return[pump]"]
    assert found.outcome == "failed"
    assert "play and hysteresis at the home switch" in found.reason
    sound = run()[0]["motion.return[pump]"]
    play = next(m for m in sound.measurements if m.name.startswith("play"))
    assert 0.0 < play.value < 0.5 * PUMP.play_max_steps


@pytest.mark.parametrize(("microsteps", "factor"), [(8, "2 times"), (32, "0.5 times")])
def test_wrong_microsteps_are_named_before_a_longer_move(microsteps: int, factor: str) -> None:
    """The switch lets go at half or double the way; the small move is not finished, and the long one never begun."""
    checks, travel_rev = run(f"wrong_microsteps={microsteps}")
    found = checks["motion.direction[pump]"]
    assert found.outcome == "failed"
    assert factor in found.reason
    assert f"{microsteps} microsteps a step and not 16" in found.reason
    assert checks["motion.return[pump]"].outcome == "not run"
    assert travel_rev < 2 * PUMP.small_move_rev


def test_a_reversed_axis_goes_no_further_than_the_switch_should_need() -> None:
    """It is driven against its lower stop by less than the small move, and not pressed on."""
    checks, travel_rev = run("stepper_reversed")
    assert checks["motion.direction[pump]"].outcome == "failed"
    assert (
        travel_rev <= 2 * _motion.FIRST_REACH * PUMP.home_release_rev + 0.1
    )  # the stop throws it back a little


def test_a_driver_that_was_reset_by_its_own_move_is_found() -> None:
    """Its reset flag and its power-on settings are read again once it has moved."""
    kept: dict[str, Any] = {}

    class Kept:
        def __call__(self, name: str, value: float, *_: str, high: float, note: str) -> None:
            kept[name] = (value <= high, note)

        def require(self, name: str, holds: bool, note: str) -> None:
            kept[name] = (holds, note)

    reset = StepperDriver(True, 0.3, 0.15, 8, frozenset({"reset", "open_load_a"}))
    _motion._judge_driver(reset, PUMP, Kept())  # type: ignore[arg-type]
    assert kept["driver flags after the moves"] == (False, "reset")
    assert kept["driver kept its settings"] == (False, "0.30 A, 8 microsteps")


def test_a_driver_that_forgets_rejects_the_unit() -> None:
    """Whichever of the two moves it loses its settings in."""
    checks, _ = run("driver_forgets")
    assert "failed" in {checks["motion.direction[pump]"].outcome, checks["motion.return[pump]"].outcome}


def test_a_healthy_axis_comes_back_without_a_lost_step() -> None:
    """The page's limits hold on a healthy axis, with the play at the switch noted."""
    checks, _ = run()
    assert checks["motion.return[pump]"].outcome == "passed"
    names = {m.name: m for m in checks["motion.return[pump]"].measurements}
    assert names["play and hysteresis at the home switch"].verdict == "passed"
    assert names["steps lost over the trips"].value <= 1.0


@pytest.mark.parametrize(
    ("turns", "says"), [(0.1, ""), (0.05, "8 microsteps"), (0.2, "32 microsteps"), (0.28, "0.36 times")]
)
def test_a_distance_off_by_two_points_at_the_microsteps(turns: float, says: str) -> None:
    """Another factor points at mechanics or parking; a distance within the band says nothing."""
    hint = _motion._ratio_hint(turns, PUMP)
    assert says in hint
    assert bool(hint) == bool(says)
