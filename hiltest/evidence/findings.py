"""What to look at first: the same answer for the terminal, run.json and the report."""

from __future__ import annotations

from dataclasses import dataclass

from hiltest.evidence.model import CheckResult, Measurement, RunRecord
from hiltest.evidence.text import limits_text, value_text

UNJUDGED = ("not run", "not offered", "not observable")


@dataclass(frozen=True, slots=True)
class Finding:
    """One check that went wrong: what was measured outside its limits, and the likely causes in order."""

    check: CheckResult
    outside: tuple[Measurement, ...]

    @property
    def sentence(self) -> str:
        """What is wrong, in one sentence: the first value outside its limits, else the check's own words."""
        if not self.outside:
            return self.check.reason or f"the check ended with the outcome '{self.check.outcome}'"
        m = self.outside[0]
        value = value_text(m.value, m.unit, m.low, m.high)
        note = f"; {m.note}" if m.note else ""
        if m.low is not None or m.high is not None:
            return f"{m.name} was {value}, allowed {limits_text(m.low, m.high, m.unit)}{note}"
        words, _, _ = self.check.reason.partition(f" [{m.name} was ")
        if words and not words.startswith(f"{m.name} was "):
            return words
        return f"{m.name}: {value}{note}"


def findings(record: RunRecord) -> list[Finding]:
    """Return what went wrong, in the order in which to look at it.

    A failed check comes before one that could not be carried out, and an earlier check before a later one:
    the catalogue runs by risk and by dependence, so the first failure is the nearest to the cause.
    """
    wrong = [c for c in record.checks if c.outcome == "failed"]
    wrong += [c for c in record.checks if c.outcome == "error"]
    return [Finding(check, tuple(m for m in check.measurements if m.verdict == "failed")) for check in wrong]


def look_first(record: RunRecord) -> list[str]:
    """Return lines that say where to look, most likely first; empty when nothing went wrong."""
    found = findings(record)
    if not found:
        return []
    first = found[0]
    return [f"{first.check.name}: {first.sentence}", *first.check.look_first]


def unjudged(record: RunRecord) -> list[CheckResult]:
    """Return the checks that gave no verdict about the node, in the order of the run."""
    return [c for c in record.checks if c.outcome in UNJUDGED]
