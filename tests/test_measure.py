"""What `measure` records, and how it judges."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hiltest.clock import SimulatedClock
from hiltest.description.loading import load_description
from hiltest.errors import NotObservable, UsageError
from hiltest.evidence.model import Curve, Measurement
from hiltest.measure import CheckFailed, Measure
from hiltest.physics.statistics import conformity
from hiltest.session import Run
from hiltest.settings import Settings

GLUE_HEAD = Path(__file__).parents[1] / "fixtures" / "glue_head.toml"


class Kept:
    def __init__(self) -> None:
        self.measurements: list[Measurement] = []
        self.samples: list[tuple[str, float, float]] = []
        self.notes: list[str] = []

    def measurement(self, measurement: Measurement) -> None:
        self.measurements.append(measurement)

    def sample(self, curve: Curve, t_s: float, value: float) -> None:
        self.samples.append((curve.name, t_s, value))

    def mark(self, curve: Curve, name: str, t_s: float) -> None:
        self.notes.append(f"{curve.name} {name} {t_s}")

    def note(self, check: str, text: str) -> None:
        self.notes.append(f"{check}: {text}")

    def caution(self, check: str, text: str) -> None:
        self.note(check, text)


@pytest.fixture
def kept() -> Kept:
    return Kept()


@pytest.fixture
def measure(kept: Kept) -> Measure:
    loaded = load_description(GLUE_HEAD)
    return Measure("heat.low_setpoint[reservoir]", "heater[reservoir]", loaded, SimulatedClock(), kept)


@pytest.mark.parametrize(
    ("value", "low", "high", "verdict"),
    [
        (1.0, 1.0, 2.0, "passed"),
        (2.0, 1.0, 2.0, "passed"),
        (2.0000001, 1.0, 2.0, "failed"),
        (0.999, 1.0, None, "failed"),
        (5.0, None, None, "noted"),
        (math.nan, None, 3.0, "failed"),
        (math.inf, None, 3.0, "failed"),
    ],
)
def test_limits_belong_to_the_good_side(
    measure: Measure, value: float, low: float | None, high: float | None, verdict: str
) -> None:
    """A value on its limit passes, one beyond it or no number at all fails."""
    assert verdict == measure("x", value, "V", low=low, high=high).verdict


def test_a_failed_value_fails_the_check_at_its_end(measure: Measure) -> None:
    """The check goes on measuring; its end raises with value, limits and unit."""
    measure("time to reach", 71.5, "s", high=60.0)
    measure("overshoot", 1.0, "K", high=6.0)
    with pytest.raises(CheckFailed, match=r"time to reach: 71.5 s, allowed: at most 60 s"):
        measure.conclude()


def test_each_value_is_kept_before_the_call_returns(measure: Measure, kept: Kept) -> None:
    """Nothing waits for the end of the check."""
    measure("x", 1.0)
    curve = measure.curve("temperature", "degC", setpoint=50.0)
    curve.add(21.0)
    measure.note("a word")
    assert [m.name for m in kept.measurements] == ["x"]
    assert kept.samples == [("temperature", 0.0, 21.0)]
    assert kept.notes == ["heat.low_setpoint[reservoir]: a word"]


def test_the_source_of_a_limit_is_the_file_or_the_default(measure: Measure) -> None:
    """`window_s` stands in the glue head's file, `overshoot_max_k` does not."""
    assert measure("a", 1.0, "s", high=60.0, limit="window_s").limit_source == "file"
    assert measure("b", 1.0, "K", high=6.0, limit="overshoot_max_k").limit_source == "default"
    assert measure("c", 1.0, "K", high=6.0, limit="limits.sensor_agreement_k").limit_source == "default"
    assert measure("d", 1.0, "K", high=6.0).limit_source == "computed"
    assert measure("e", 1.0, "K").limit_source == "none"


def test_text_can_not_have_limits(measure: Measure) -> None:
    """A limit on a text is a mistake in the check, not a verdict about the node."""
    with pytest.raises(UsageError, match="must be a number"):
        measure("firmware", "1.4.0", high=2.0)


def test_equal_says_what_was_expected(measure: Measure) -> None:
    """A wrong identity names both values; a value that the description leaves open is only noted."""
    assert measure.equal("firmware", "1.3.9", "1.4.0").note == "expected 1.4.0"
    assert measure.equal("firmware", "1.3.9", None).verdict == "noted"
    with pytest.raises(CheckFailed, match=r"firmware: 1.3.9; expected 1.4.0"):
        measure.conclude()


def test_not_observable_is_no_verdict(measure: Measure) -> None:
    """What can't be seen is neither passed nor failed."""
    with pytest.raises(NotObservable, match="to observe it: a camera"):
        measure.not_observable("nobody looked", "a camera")


@pytest.mark.parametrize("value", [0.9999, 1.0, 1.5, 2.0, 2.0001])
def test_a_value_is_judged_by_the_rule_that_the_report_states(measure: Measure, value: float) -> None:
    """Simple acceptance, JCGM 106:2012, 8.2 (from memory): limits included, nothing taken off for uncertainty."""
    conforms = conformity(value, 0.3, 1.0, 2.0, "simple acceptance") == "conforms"
    assert (measure("voltage", value, "V", low=1.0, high=2.0).verdict == "passed") is conforms


@pytest.mark.parametrize("value", [0.9, 1.0, 1.1, 1.15, 1.25, 1.6, 1.81, 1.95, 2.15, 2.25])
def test_a_value_nearer_to_a_limit_than_it_may_be_off_says_so(measure: Measure, value: float) -> None:
    """Just where guarded acceptance (JCGM 106:2012, 8.3, from memory) would leave it open; the verdict stays."""
    is_open = conformity(value, 0.2, 1.0, 2.0, "guarded acceptance") == "undecided"
    kept = measure("voltage", value, "V", low=1.0, high=2.0, note="at rest", uncertainty=0.2)

    assert (kept.note == "at rest; nearer to a limit than it may be off") is is_open
    assert kept.verdict == measure("voltage", value, "V", low=1.0, high=2.0).verdict
    assert measure("ohm", value, "ohm", low=1.0, uncertainty=0.2, is_in_limits=True).note == ""


@pytest.mark.parametrize("uncertainty", [-0.1, math.nan, math.inf])
def test_an_uncertainty_is_a_finite_amount(measure: Measure, uncertainty: float) -> None:
    """What is no amount is a mistake of the check."""
    with pytest.raises(UsageError, match="uncertainty="):
        measure("voltage", 1.5, "V", low=1.0, uncertainty=uncertainty)


def test_what_had_no_part_in_checks_stands_with_the_verdict(measure: Measure) -> None:
    """Once a load, with the first reason, however many checks ran without it."""
    run = Run(Settings(file=GLUE_HEAD), load_description(GLUE_HEAD))
    measure.memory = run.memory
    for check in ("safe.stop[head]", "safe.reset[head]"):
        measure.check = check
        measure.leave_out("fan nozzle: fan.tach has not passed", "not part of this drill: fan nozzle")

    assert run.verdict()[1].endswith(
        "; but safe.stop[head] and 1 more ran without fan nozzle: fan.tach has not passed"
    )
