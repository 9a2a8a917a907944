"""The sentence that says what is wrong, from what was measured and from the check's own words."""

from __future__ import annotations

import math

import pytest

from hiltest.evidence.codec import measurement_from_dict, measurement_to_dict
from hiltest.evidence.findings import Finding, waiting
from hiltest.evidence.model import CheckResult, Measurement, RunRecord, Value
from hiltest.evidence.text import allowed_text, measured_text, spoken


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
        (
            finding(
                "stands still; tach wire? [speed: 0, allowed: at least 60; tach wire?]", 0, 60.0, "tach wire?"
            ),
            "stands still; tach wire? (speed: 0, allowed: at least 60)",
        ),
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


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("60 ohm at 20 degC, 1 kohm, 156 mohm", "60 Ω at 20 °C, 1 kΩ, 156 mΩ"),
        ("an ohmmeter | ohm |, in ohm, 95% of it", "an ohmmeter | ohm |, in ohm, 95 % of it"),
    ],
)
def test_units_in_sentences_are_printed_as_units_beside_numbers(text: str, shown: str) -> None:
    """The records stay ASCII; a picture in letters and a word that is no unit stay as they are."""
    assert spoken(text) == shown


@pytest.mark.parametrize(
    ("value", "unit", "low", "high", "shown", "allowed"),
    [
        (math.inf, "ohm", 12.829123, 16.62, "open (no reading)", "12.83 to 16.62 Ω"),
        (5.9741923, "K", 5.138251, 9.634234, "5.97 K", "5.14 to 9.63 K"),
        (0, "boards", 1, 1, "0 boards", "exactly 1 board"),
        (2, "errors", None, 0, "2 errors", "none"),
        (6100.4, "rpm", 5068.12, 6856.88, "6\u202f100 rpm", "5\u202f068 to 6\u202f857 rpm"),
        (25.204, "V", None, 25.2, "25.204 V", "at most 25.2 V"),
        (0.000273, "s", None, 0.001, "0.00027 s", "at most 0.001 s"),
    ],
)
def test_figures_are_as_fine_as_what_reads_them(
    value: float, unit: str, low: float | None, high: float | None, shown: str, allowed: str
) -> None:
    """And finer where it takes that to see on which side of the limit a value is."""
    m = Measurement("a.b[c]", "x", value, unit, low, high, "failed", 0.0)
    assert (measured_text(m), allowed_text(m)) == (shown, allowed)


def test_a_number_that_names_something_is_hexadecimal_for_people_only() -> None:
    """The records hold it as the plain number that it is."""
    m = Measurement("bus.enumerate[x]", "product code", 0x474C31, "", None, None, "noted", 0.0, form="hex")
    assert measured_text(m) == "0x00474C31"
    assert measurement_to_dict(m)["value"] == 4672561
    assert measurement_from_dict(m.check, measurement_to_dict(m)) == m
