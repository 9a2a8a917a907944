"""What to look at first: the same answer for the terminal, run.json and the report."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from hiltest.evidence.model import INTERRUPTED, CheckResult, Measurement, RunRecord
from hiltest.evidence.text import sentence

UNJUDGED = ("not run", "not offered", "not observable")


@dataclass(frozen=True, slots=True)
class Finding:
    """One check that went wrong: what was measured outside its limits, and the likely causes in order."""

    check: CheckResult
    outside: tuple[Measurement, ...]

    @property
    def words(self) -> str:
        """What the check itself says is wrong; empty when it says no more than what was measured."""
        reason = self.check.reason
        if not self.outside:
            return reason or f"the check ended with the outcome '{self.check.outcome}'"
        measured = sentence(self.outside[0])
        return "" if reason.startswith(measured) else reason.partition(f" [{measured}")[0]

    @property
    def sentence(self) -> str:
        """What is wrong, in one sentence: the check's own words, else the first value outside its limits."""
        return self.words or sentence(self.outside[0])

    @property
    def line(self) -> str:
        """All of it in one line: the check's words with the first value outside its limits, or the value alone."""
        beside = self.beside
        return f"{self.sentence} ({beside[0]})" if self.words and beside else self.sentence

    @property
    def beside(self) -> list[str]:
        """What was measured outside its limits and is not told by `sentence`; no bare yes or no beside words.

        A note that the check's own words hold is not said a second time.
        """
        told = [m for m in self.outside if not self.words or m.low is not None or m.high is not None]
        lines = [sentence(replace(m, note="") if m.note and m.note in self.words else m) for m in told]
        return [line for line in lines if line != self.sentence]


def findings(record: RunRecord) -> list[Finding]:
    """Return what went wrong, in the order in which to look at it.

    A failed check comes before one that could not be carried out, and an earlier check before a later one:
    the catalogue runs by risk and by dependence, so the first failure is the nearest to the cause. One that somebody
    interrupted is no find.
    """
    wrong = [c for c in record.checks if c.outcome == "failed"]
    wrong += [c for c in record.checks if c.outcome == "error" and not c.reason.startswith(INTERRUPTED)]
    return [Finding(check, tuple(m for m in check.measurements if m.verdict == "failed")) for check in wrong]


def look_first(record: RunRecord) -> list[str]:
    """Return lines that say where to look, most likely first; empty when nothing went wrong."""
    found = findings(record)
    if not found:
        return []
    first = found[0]
    return [f"{first.check.name}: {first.line}", *first.check.look_first]


def unjudged(record: RunRecord) -> list[CheckResult]:
    """Return the checks that gave no verdict about the node, in the order of the run."""
    return [c for c in record.checks if c.outcome in UNJUDGED]


@dataclass(frozen=True, slots=True)
class Waiting:
    """Checks that were not run, or could not see, for one and the same cause."""

    why: str
    checks: tuple[CheckResult, ...]


def waiting(record: RunRecord) -> list[Waiting]:
    """Return the checks that gave no verdict, together where one cause kept them back, in the order of the run."""
    groups: dict[tuple[str, ...], list[CheckResult]] = {}
    for check in unjudged(record):
        key = (check.outcome, *(check.stopped_by or (check.reason,)))
        groups.setdefault(key, []).append(check)
    outcomes = {check.name: check.outcome for check in record.checks}
    return [Waiting(_why(group[0], outcomes), tuple(group)) for group in groups.values()]


def _why(check: CheckResult, outcomes: Mapping[str, str]) -> str:
    if not check.stopped_by:
        return f"{check.outcome}: {check.reason}" if check.reason else check.outcome
    gates = " and ".join(f"{gate} {gate_words(outcomes.get(gate))}" for gate in check.stopped_by)
    return f"{check.outcome}, because {gates}"


def gate_words(outcome: str | None) -> str:
    """Say how a gate ended that did not let a check through; None means that it is not in the run."""
    words = {"not run": "was not run", "not offered": "is not offered", "error": "ended in an error"}
    if outcome == "not observable":
        return "could not see anything"
    return "was not run" if outcome is None else words.get(outcome, outcome)
