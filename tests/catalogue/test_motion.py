"""Motion: what half a distance means, how far an axis that goes the wrong way is moved, and what a reset driver shows."""

from __future__ import annotations

from functools import cache
from types import SimpleNamespace
from typing import Any

import pytest

from hiltest.catalogue import _causes, _endswitches, _motion, _underload
from hiltest.clock import SimulatedClock
from hiltest.description.loading import load_description, load_text
from hiltest.evidence.model import RunRecord
from hiltest.measure import CheckFailed, Measure
from hiltest.node.verbs import Reading, StepperDriver

from .boards import FIXTURES, accept
from .paper import Nobody

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

        def read_switch(self, name: str) -> bool:
            return name == "near" and not self.went

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


class _Slips:
    """A node that moves, and meets its home switch after so many moves; its motor gets warmer with each."""

    name = "head"
    offers = frozenset({"read_switch[pump_home]"})

    def __init__(self, *, home_after: int = 99, warmer_k: float = 0.0) -> None:
        self.home_after, self.warmer_k = home_after, warmer_k
        self.went: list[int] = []

    def move(self, _axis: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        self.went.append(microsteps)

    def read_switch(self, _name: str) -> bool:
        return len(self.went) >= self.home_after

    def read_temperature_c(self, _sensor: str) -> float:
        return 25.0 + self.warmer_k * len(self.went)

    def read_driver(self, _stepper: str) -> StepperDriver:
        return StepperDriver(True, PUMP.run_current_a, 0.15, PUMP.microsteps, frozenset())

    def enable_driver(self, _stepper: str, _on: bool) -> None: ...

    def on_reading(self, _listener: Any) -> Any:
        return lambda: None


class _Time:
    now_s = 0.0

    def run_for(self, seconds: float) -> None:
        self.now_s += seconds


CLEAR, LONG = (
    round(turns * PUMP.steps_per_rev * PUMP.microsteps)
    for turns in (1.5 * PUMP.home_release_rev, PUMP.long_move_rev)
)


def _measuring(check: str) -> Measure:
    made = load_text((FIXTURES / "glue_head.toml").read_text(), FIXTURES)
    return Measure(check, "stepper[pump]", made, SimulatedClock(), Nobody())


def test_an_axis_that_lost_steps_beside_the_loads_is_moved_no_further() -> None:
    """Out and back, and the home switch is met where it should be clear: failed, and the last way home is not made."""
    measure, node, link = _measuring("bus.with_loads[can]"), _Slips(home_after=3), _Time()
    running = _underload.Running(link, [], measure)  # type: ignore[arg-type]
    running.nodes, running.steppers = {"head": node}, [PUMP]  # type: ignore[dict-item]
    running.watch_switches([])
    running.work(1.0, lambda: None)
    running.judge_steps()
    assert len(node.went) == 3
    assert sum(node.went) == CLEAR
    with pytest.raises(CheckFailed, match="steps were lost beside the loads: 'pump_home' was met"):
        measure.conclude()
    assert measure.causes[0] == _causes.STEPS_DIP


def _warm(node: _Slips) -> Measure:
    measure, link = _measuring("motion.warm[pump]"), _Time()
    axis = PUMP.model_copy(update={"motor_sensor": "board"})
    watch = _endswitches.Watch(axis, [], measure)
    try:
        _motion.warm(link, node, axis, measure, watch)  # type: ignore[arg-type]
        measure.conclude()
    except CheckFailed as failed:
        measure.note(str(failed))
        return measure
    raise AssertionError("it passed")


def test_a_motor_too_warm_is_stopped_where_it_is() -> None:
    """Above the limit after the first way out: neither back nor home, and it is said where the axis stands."""
    node = _Slips(warmer_k=PUMP.warm_rise_max_k)
    measure = _warm(node)
    assert node.went == [CLEAR, LONG]
    assert f"stands {(CLEAR + LONG) / PUMP.steps_per_rev / PUMP.microsteps:g} motor turns" in measure.notes[0]
    assert "rise of the motor's case" in measure.notes[-1]
    assert measure.causes == []


def test_steps_lost_while_it_warms_up_are_no_matter_of_heat() -> None:
    """The home switch is met too early: the causes told are those of lost steps."""
    node = _Slips(home_after=3)
    measure = _warm(node)
    assert node.went == [CLEAR, LONG, -LONG]
    assert "steps were lost" in measure.notes[-1]
    assert measure.causes == list(_causes.steps_lost())


@pytest.mark.parametrize(
    ("turns", "says"), [(0.1, ""), (0.05, "8 microsteps"), (0.2, "32 microsteps"), (0.28, "0.36 times")]
)
def test_a_distance_off_by_two_points_at_the_microsteps(turns: float, says: str) -> None:
    """Another factor points at mechanics or parking; a distance within the band says nothing."""
    hint = _motion._ratio_hint(turns, PUMP)
    assert says in hint
    assert bool(hint) == bool(says)
