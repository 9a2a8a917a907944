"""The sentence that says what is wrong, from what was measured and from the check's own words."""

from __future__ import annotations

import pytest

from hiltest.evidence.findings import Finding
from hiltest.evidence.model import CheckResult, Measurement, Value


def finding(reason: str, value: Value, low: float | None = None, note: str = "") -> Finding:
    """A check with one failed measurement."""
    m = Measurement("fan.tach[nozzle]", "speed", value, "", low, None, "failed", 1.0, "none", note)
    return Finding(CheckResult(m.check, "failed", reason, measurements=[m]), (m,))


@pytest.mark.parametrize(
    ("found", "sentence"),
    [
        (finding("speed was 0, expected at least 60", 0, 60.0), "speed was 0, allowed at least 60"),
        (
            finding("no pulse [speed was 0, expected at least 60]", 0, 60.0),
            "speed was 0, allowed at least 60",
        ),
        (finding("", 0, 60.0, "tach wire?"), "speed was 0, allowed at least 60; tach wire?"),
        (finding("speed was no", "no"), "speed: no"),
        (
            finding("speed was 1.3.0 (expected 1.4.0)", "1.3.0", note="expected 1.4.0"),
            "speed: 1.3.0; expected 1.4.0",
        ),
        (finding("it turns the wrong way [speed was no]", "no"), "it turns the wrong way"),
    ],
)
def test_a_value_with_limits_speaks_for_itself_and_else_the_check_does(found: Finding, sentence: str) -> None:
    """Value and limits where there are some; where a thing was just not so, the words with which the check ended."""
    assert found.sentence == sentence


def test_without_a_measurement_the_reason_is_the_sentence() -> None:
    """And a check that gives none is told by its outcome."""
    assert Finding(CheckResult("a.b[c]", "error", "unplugged"), ()).sentence == "unplugged"
    assert "'error'" in Finding(CheckResult("a.b[c]", "error"), ()).sentence
