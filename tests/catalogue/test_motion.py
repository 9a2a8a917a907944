"""Motion: what half a distance means, how far an axis that goes the wrong way is moved, and what a reset driver shows."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import Any

import pytest

from hiltest.catalogue import _causes, _endswitches, _motion, _underload
from hiltest.description.loading import load_description
from hiltest.evidence.model import RunRecord
from hiltest.node.verbs import Reading, StepperDriver

from .boards import FIXTURES, accept

PUMP = load_description(FIXTURES / "glue_head.toml").description.stepper[0]
ONLY = ("motion.return[pump]",)
UNREACHED = "changes of switches that the moves can't reach"


def run(*faults: str, seed: int = 4) -> tuple[dict[str, Any], float]:
    """Checks by name of a run of the motion checks, and how far the axis really went."""
    travel: list[float] = []

    def look(live: Any) -> None:
        travel.append(live.opened().link.port.bus.bench.truth.travel_rev("pump"))

    record = accept(*faults, seed=seed, operator=False, only=ONLY, before_close=look)
    return {check.name: check for check in record.checks}, travel[0]


@cache
def sound_run() -> RunRecord:
    return accept(seed=4, operator=False, only=ONLY)


def test_play_between_motor_and_switch_is_found() -> None:
    """Sixteen full steps of backlash: no step is lost, and the switch lets go and is met that far apart."""
    checks, _ = run("backlash")
    found = checks["motion.return[pump]"]
    assert found.outcome == "failed"
    assert "play and hysteresis at the home switch" in found.reason
    sound = next(check for check in sound_run().checks if check.name == "motion.return[pump]")
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
    """The page's limits hold on a healthy axis; the switch that no hand has pressed is named, with the verdict too."""
    record = sound_run()
    checks = {check.name: check for check in record.checks}
    assert checks["motion.return[pump]"].outcome == "passed"
    names = {m.name: m for m in checks["motion.return[pump]"].measurements}
    assert names["play and hysteresis at the home switch"].verdict == "passed"
    assert names["steps lost over the trips"].value <= 1.0
    assert names[UNREACHED].value == 0
    assert "switches not watched while the motor ran" not in names
    unproven = names["switches not proven by hand"]
    assert (unproven.verdict, unproven.value) == ("noted", "pump_home (seen by small moves only)")
    assert "not proven by hand: pump_home" in record.verdict_reason


def test_a_switch_that_changes_with_the_motor_is_found() -> None:
    """Its wire lies beside the motor's: it reads right at rest, and flickers while the axis is far away from it."""
    checks, _ = run("switch_crosstalk[pump_home]", seed=3)
    found = checks["motion.return[pump]"]
    assert found.outcome == "failed"
    assert UNREACHED in found.reason
    assert "pump_home" in found.reason
    assert found.look_first[0] == _causes.SWITCH_WITH_MOTOR


class _Kept:
    """Takes in what is measured, and nothing else."""

    description = SimpleNamespace(switch=[SimpleNamespace(name=each) for each in ("near", "far", "lid")])

    def __init__(self) -> None:
        self.found: dict[str, Any] = {}
        self.qualified: list[str] = []

    def __call__(self, what: str, value: Any, *_: str, note: str, high: float | None = None) -> None:
        self.found[what] = value

    def look_first(self, *_: str) -> None: ...

    def qualify(self, text: str) -> None:
        self.qualified.append(text)


class _Node:
    """A node that tells its switches by itself."""

    name = "head"

    offers = frozenset({"read_switch[near]", "read_switch[far]", "read_switch[lid]"})

    def read_switch(self, name: str) -> bool:
        return name == "near"

    def on_reading(self, listener: Any) -> Any:
        self.tell = lambda name, value: listener(Reading("switch", name, value, 0, asked=False))
        return lambda: None


@pytest.mark.parametrize(
    ("way", "name", "values", "changes"),
    [
        (1, "near", (0, 1, 0, 1), 2),  # left behind: it lets go, and nothing actuates it any more
        (1, "near", (0, 0, 0), 0),
        (1, "far", (0, 1, 0), 0),  # it may be reached
        (-1, "far", (0, 1, 0, 1), 2),
        (-1, "near", (0, 1), 0),
        (1, "lid", (1, 0), 2),  # no part of this axis
        (-1, "lid", (0, 0), 0),
    ],
)
def test_a_move_lets_go_what_it_leaves_and_changes_nothing_else(
    way: int, name: str, values: tuple[int, ...], changes: int
) -> None:
    """What the switch ahead does is no finding: the axis may reach it."""
    measure: Any = _Kept()
    node: Any = _Node()
    axis = PUMP.model_copy(update={"home_switch": "near", "end_switch": "far"})
    watch = _endswitches.Watch(axis, [node], measure)
    with watch.moving(way):
        for value in values:
            node.tell(name, float(value))
    node.tell(name, float(not values[-1]))
    watch.judge()
    assert measure.found[UNREACHED] == changes
    unseen = ", ".join(each for each in ("near", "far", "lid") if each != name)
    assert measure.found["switches not watched while the motor ran"] == unseen
    assert unseen in measure.qualified[0]


def test_switches_are_watched_while_the_bus_is_loaded_too() -> None:
    """An axis that runs beside the load test begins clear of its home switch and ends where it began; a lid that flickers is
    counted."""

    class Moves(_Node):
        def __init__(self) -> None:
            self.went: list[int] = []

        def move(self, _axis: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
            self.tell("near", float(self.went == []))
            self.tell("lid", float(len(self.went) % 2))
            self.went.append(microsteps)

    measure: Any = _Kept()
    node: Any = Moves()
    axis = PUMP.model_copy(update={"home_switch": "near", "end_switch": "far", "node": "head"})
    link: Any = None
    running = _underload.Running(link, [node], measure)
    running.steppers = [axis]
    running.watch_switches([node])
    running.work(2.0, lambda: None)
    running.watches[0].judge(of_axis=True)
    assert node.went[0] == round(1.5 * PUMP.home_release_rev * PUMP.steps_per_rev * PUMP.microsteps)
    assert (sum(node.went), len(node.went)) == (0, 4)
    assert measure.found["changes of switches that the moves of pump can't reach"] == 2


@pytest.mark.parametrize(
    ("turns", "says"), [(0.1, ""), (0.05, "8 microsteps"), (0.2, "32 microsteps"), (0.28, "0.36 times")]
)
def test_a_distance_off_by_two_points_at_the_microsteps(turns: float, says: str) -> None:
    """Another factor points at mechanics or parking; a distance within the band says nothing."""
    hint = _motion._ratio_hint(turns, PUMP)
    assert says in hint
    assert bool(hint) == bool(says)
