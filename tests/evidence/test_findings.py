"""The sentence that says what is wrong, from what was measured and from the check's own words."""

from __future__ import annotations

import pytest

from hiltest.evidence.findings import Finding, waiting
from hiltest.evidence.model import CheckResult, Measurement, RunRecord, Value


def finding(reason: str, value: Value, low: float | None = None, note: str = "") -> Finding:
    """A check with one failed measurement."""
    m = Measurement("fan.tach[nozzle]", "speed", value, "", low, None, "failed", 1.0, "none", note)
    return Finding(CheckResult(m.check, "failed", reason, measurements=[m]), (m,))


@pytest.mark.parametrize(
    ("found", "line"),
    [
        (finding("speed: 0, allowed: at least 60", 0, 60.0), "speed: 0, allowed: at least 60"),
        (
            finding("no pulse [speed: 0, allowed: at least 60]", 0, 60.0),
            "no pulse (speed: 0, allowed: at least 60)",
        ),
        (
            finding("speed: 0, allowed: at least 60; tach wire?", 0, 60.0, "tach wire?"),
            "speed: 0, allowed: at least 60; tach wire?",
        ),
        (finding("speed: no", "no"), "speed: no"),
        (
            finding("speed: 1.3.0; expected 1.4.0", "1.3.0", note="expected 1.4.0"),
            "speed: 1.3.0; expected 1.4.0",
        ),
        (finding("it turns the wrong way [speed: no]", "no"), "it turns the wrong way"),
    ],
)
def test_the_check_speaks_first_and_what_was_measured_stands_beside_it(found: Finding, line: str) -> None:
    """A check that ended with words of its own is told by them; else value and limits speak for themselves."""
    assert found.line == line


def gated(name: str, outcome: str = "not run", *stopped_by: str, reason: str = "") -> CheckResult:
    return CheckResult(name, outcome, reason, stopped_by=list(stopped_by))  # type: ignore[arg-type]


def test_checks_that_one_cause_kept_back_stand_together() -> None:
    """Forty lines of one sentence tell nothing more than one; what failed by itself is named as the cause."""
    record = RunRecord("", "", "", {}, None, False)
    record.checks = [
        gated("a.a[x]", "failed"),
        gated("a.b[x]", "not run", "a.a[x]"),
        gated("a.c[x]", "not offered", reason="no such verb"),
        gated("a.d[x]", "not run", "a.a[x]"),
        gated("a.e[x]", "not run", reason="the bench was lost"),
        gated("a.f[x]", "not run", "a.c[x]"),
    ]
    told = [(group.why, [check.name for check in group.checks]) for group in waiting(record)]

    assert told == [
        ("not run, because a.a[x] failed", ["a.b[x]", "a.d[x]"]),
        ("not offered: no such verb", ["a.c[x]"]),
        ("not run: the bench was lost", ["a.e[x]"]),
        ("not run, because a.c[x] is not offered", ["a.f[x]"]),
    ]


def test_without_a_measurement_the_reason_is_the_sentence() -> None:
    """And a check that gives none is told by its outcome."""
    assert Finding(CheckResult("a.b[c]", "error", "unplugged"), ()).sentence == "unplugged"
    assert "'error'" in Finding(CheckResult("a.b[c]", "error"), ()).sentence
