"""What a run leaves behind, as plain data. Everything else in this package writes or draws it.

`measurements.jsonl` holds one JSON object a line, each with `kind`: "run" (first line), "check" (a check
starts), "measurement", "sample" (a point of a curve), "line" (a limit or a moment to draw in a curve),
"note", "result" (a check ended), "verdict" (last).
No line holds wall-clock time, so two runs with one seed on the simulated bench give the same bytes.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from hiltest import cautions

Outcome = Literal["passed", "failed", "not run", "not offered", "not observable", "error"]
Verdict = Literal["accepted", "rejected", "incomplete"]
MeasurementVerdict = Literal["passed", "failed", "noted"]
LimitSource = Literal["file", "default", "computed", "hook", "test", "none"]
"""Where a limit comes from: the description; its default or the catalogue's own; computed from these by the check; a
hook; a test of the user's own; there is none."""
Form = Literal["", "hex", "course"]
"""How a value is to be read: as it stands; as a number that names something; as an amount that the course of the check
gives (how long it watched, how much it sent), whose room to its limit says nothing of the unit."""
Value = float | int | str | bool


@dataclass(frozen=True, slots=True)
class Measurement:
    """One measured value against its limits. `verdict` is 'noted' when there is no limit.

    `form` says how people write the value where that is not as a plain number: "hex" for one that names something.
    `uncertainty`, in `unit`, is by how much the value may be off, where that is known.
    """

    check: str
    name: str
    value: Value
    unit: str
    low: float | None
    high: float | None
    verdict: MeasurementVerdict
    t_s: float
    limit_source: LimitSource = "none"
    note: str = ""
    form: Form = ""
    uncertainty: float | None = None


INTERRUPTED = "interrupted"
"""How the reason of a check begins that somebody interrupted: nothing is wrong that one could look at."""
RUN_INTERRUPTED, RUN_LOST, RUN_ENDED = (
    "the run was interrupted",
    "the bench was lost",
    "the run ended before it",
)
"""Why checks were not run that a run had still before it when it was cut short."""
BUT = "; but "
"""Before each sentence behind the reason of a verdict that the verdict must be read with."""


@dataclass(slots=True)
class Curve:
    """Values over bench time, with lines to draw beside them (name -> value), such as limits.

    `marks` are moments (name -> x), such as the end of a window. A curve over something else than time says
    so in `x_name` and `x_unit`, and `t_s` then holds that quantity.
    """

    check: str
    name: str
    unit: str
    t_s: list[float] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    lines: dict[str, float] = field(default_factory=dict)
    marks: dict[str, float] = field(default_factory=dict)
    x_name: str = "time"
    x_unit: str = "s"


WHOLE_RUN = ""
"""What a curve of no single check has as its `check`: how busy a bus was; its `name` is then the bus."""


@dataclass(slots=True)
class CheckResult:
    """How one check ended. `reason` says why when it did not pass, and which gate stopped it.

    `stopped_by` names what a check waits for that was not run: the checks at the root of it, not those that were
    not run themselves. `limits` say what is good and by which source, as the page of the check does.
    """

    name: str
    outcome: Outcome
    reason: str = ""
    look_first: list[str] = field(default_factory=list)
    stopped_by: list[str] = field(default_factory=list)
    limits: list[str] = field(default_factory=list)
    measurements: list[Measurement] = field(default_factory=list)
    curves: list[Curve] = field(default_factory=list)
    started_s: float = 0.0
    ended_s: float = 0.0
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class NodeReport:
    """An error that a node reported by itself, like an emergency message: bench time, node, words.

    `check` is the check that ran then; empty between checks.
    """

    t_s: float
    node: str
    text: str
    check: str = ""


@dataclass(slots=True)
class RunRecord:
    """One execution for one unit.

    `reports` are what the nodes reported by themselves, in order of time; `reports_left_out` how many came after
    too many; `bus_log_left_out` how many lines of bus.log are not kept. `bus_statistics` holds for each bus what was
    counted during the whole run (name -> value), and `bus_curves` how busy each was over time; like the curves of
    checks they are in the journal only.
    """

    unit: str
    description: str
    fixture: str
    versions: dict[str, str]
    seed: int | None
    simulated: bool
    faults: list[str] = field(default_factory=list)
    checks: list[CheckResult] = field(default_factory=list)
    verdict: Verdict = "incomplete"
    verdict_reason: str = ""
    bench_s: float = 0.0
    wall_s: float = 0.0
    date: str = ""
    bus_statistics: dict[str, dict[str, Value]] = field(default_factory=dict)
    bus_curves: dict[str, Curve] = field(default_factory=dict)
    reports: list[NodeReport] = field(default_factory=list)
    reports_left_out: int = 0
    bus_log_left_out: int = 0

    @property
    def is_interrupted(self) -> bool:
        """Did somebody end it before its end?"""
        return any(
            (check.outcome == "error" and check.reason.startswith(INTERRUPTED))
            or (check.outcome == "not run" and check.reason == RUN_INTERRUPTED)
            for check in self.checks
        )

    @property
    def is_cut_short(self) -> bool:
        """Did it end before its end, whatever ended it? Then something may be on that nobody switched off."""
        gone = (RUN_LOST, RUN_ENDED)
        return self.is_interrupted or any(
            check.outcome == "not run" and check.reason in gone for check in self.checks
        )

    @property
    def not_let_go(self) -> list[str]:
        """Names of the failed checks by which this unit may keep something on that was commanded off."""
        return [
            check.name
            for check in self.checks
            if check.outcome == "failed" and check.name.startswith(("safe.", "heat.idle"))
        ]

    def found_conducting(self, words: str) -> list[str]:
        """Names of the checks that found what no command can switch off, with `words` on what became of the supply."""
        return [
            check.name
            for check in self.checks
            if check.outcome in ("failed", "error") and words in check.reason
        ]

    @property
    def take_power_off(self) -> str:
        """What to do about the power before all else, by what was found; empty where everything let go."""
        ways = (
            (cautions.CONDUCTS, self.found_conducting(cautions.SUPPLY_OFF_NOW)),
            (cautions.STAYS_OFF, self.found_conducting(cautions.SUPPLY_WAS_SWITCHED_OFF)),
            (cautions.NOT_LET_GO, self.not_let_go),
        )
        return next((text.format(checks=", ".join(names)) for text, names in ways if names), "")

    @property
    def is_of_own_tests(self) -> bool:
        """Did only tests of the user's own run, and no check of the catalogue? Those go by pytest's node ids."""
        return bool(self.checks) and all("::" in check.name for check in self.checks)
