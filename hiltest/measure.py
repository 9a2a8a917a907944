"""`measure`: what a check uses to say what it found. Each value is in the journal before the call returns.

A failed measurement does not stop the check; `fail` does. A check passes when it ran to its end and no
measurement failed. A value that is NaN fails every limit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn, Protocol

from hiltest.errors import NotObservable, UsageError
from hiltest.evidence.model import Curve, Form, LimitSource, Measurement, MeasurementVerdict, Value
from hiltest.evidence.text import hex_text, sentence

if TYPE_CHECKING:
    from hiltest.clock import Clock
    from hiltest.description.loading import Loaded
    from hiltest.description.models import Description, Limits


Pair = tuple[float | None, float | None]
"""Low and high limit of a value, in its unit."""


QUALIFIED = "the verdict is qualified by"
"""Where `Measure.memory` keeps what `Measure.qualify` was told."""
QUALIFIED_UNLESS_REJECTED = "the verdict of a unit that is not rejected is qualified by"
"""The same, of `Measure.qualify_unless_rejected`."""


LEFT_OUT = "loads left out of a check"
"""Where `Measure.memory` keeps what `Measure.leave_out` was told: by load the checks, and why."""


MEAN_AT_REST = "mean at rest"
"""What sense.ambient calls the temperature that it judges."""


class CheckFailed(AssertionError):
    """A check ended with a failed measurement, or with `measure.fail`."""


class RunStopped(CheckFailed):
    """A check found something so wrong that nothing more may be done with this unit: see `measure.stop_run`."""


class Recorder(Protocol):
    """Who keeps what is measured."""

    def measurement(self, measurement: Measurement) -> None: ...
    def sample(self, curve: Curve, t_s: float, value: float) -> None: ...
    def mark(self, curve: Curve, name: str, t_s: float) -> None: ...
    def note(self, check: str, text: str) -> None: ...
    def caution(self, check: str, text: str) -> None: ...


class CurveRecorder:
    """A curve that grows while a check runs; each point is kept at once."""

    def __init__(self, curve: Curve, clock: Clock, recorder: Recorder) -> None:
        self.curve = curve
        self._clock = clock
        self._recorder = recorder

    def add(self, value: float, t_s: float | None = None) -> None:
        """Add `value` at bench time `t_s` (default: now)."""
        at_s = self._clock.now_s if t_s is None else t_s
        self.curve.t_s.append(at_s)
        self.curve.values.append(value)
        self._recorder.sample(self.curve, at_s, value)

    def mark(self, name: str, t_s: float | None = None) -> None:
        """Mark the moment `t_s` (default: now) in the curve, such as the end of a window."""
        at_s = self._clock.now_s if t_s is None else t_s
        self.curve.marks[name] = at_s
        self._recorder.mark(self.curve, name, at_s)


class Measure:
    """Records the measurements of one check.

    `memory` is shared by all checks of a run: what one learnt and another needs. `has_passed` tells whether
    a check has passed in this run.
    """

    def __init__(
        self,
        check: str,
        part: str,
        loaded: Loaded,
        clock: Clock,
        recorder: Recorder,
        memory: dict[str, Any] | None = None,
        has_passed: Callable[[str], bool] = lambda _name: False,
    ) -> None:
        self.check = check
        self.measurements: list[Measurement] = []
        self.curves: list[Curve] = []
        self.notes: list[str] = []
        self.causes: list[str] = []
        self.memory: dict[str, Any] = {} if memory is None else memory
        self.has_passed = has_passed
        self.further_limits: Callable[[str, str], Sequence[Pair]] = lambda _name, _unit: ()
        """Limits that hold beside those of a call, from its name and unit."""
        self._part = part
        self._loaded = loaded
        self._clock = clock
        self._recorder = recorder

    @property
    def description(self) -> Description:
        """The fixture description of this run."""
        return self._loaded.description

    @property
    def folder(self) -> Path:
        """The folder of the description; files that it names are in there."""
        return self._loaded.path.parent

    @property
    def limits(self) -> Limits:
        """Its section [limits]."""
        return self._loaded.description.limits

    @property
    def failed(self) -> list[Measurement]:
        """The measurements that failed so far."""
        return [each for each in self.measurements if each.verdict == "failed"]

    def __call__(
        self,
        name: str,
        value: Value,
        unit: str = "",
        *,
        low: float | None = None,
        high: float | None = None,
        limit: str | None = None,
        note: str = "",
        form: Form = "",
        uncertainty: float | None = None,
        is_in_limits: bool = False,
    ) -> Measurement:
        """Record a value against its limits.

        Args:
            name: what was measured, in words.
            value: what was found; a number where there are limits.
            unit: of value and limits.
            low: smallest good value, or None.
            high: largest good value, or None.
            limit: field of the description that the limit comes from ("window_s" of the part under test,
                or "limits.ambient_low_c"), so that the report can say whether the file set it.
            note: a few words beside the value.
            form: "hex" for a number that names something, "course" for an amount that the check's own course
                gives; the records hold either as a plain number.
            uncertainty: by how much the value may be off, in `unit`: expanded (k = 2), or the most that it can be. It is
                shown with the value and takes nothing off the limits; nearer to a limit than that is said in the note.
            is_in_limits: the limits were widened by the uncertainty already.

        Raises:
            UsageError: a limit beside a text, or an uncertainty that is no finite number of 0 or more.
        """
        source = self._source(limit, low, high)
        if not isinstance(value, str):
            pairs = [(low, high), *self.further_limits(name, unit)]
            low = max((each for each, _ in pairs if each is not None), default=None)
            high = min((each for _, each in pairs if each is not None), default=None)
            if (low, high) != pairs[0]:
                source = "hook"
        verdict = self._judge(name, value, low, high)
        if uncertainty is not None:
            doubt = "" if is_in_limits else self._doubt(name, value, uncertainty, low, high)
            note = "; ".join(text for text in (note, doubt) if text)
        return self._keep(name, value, unit, low, high, verdict, source, note, form, uncertainty)

    def equal(
        self, name: str, got: Value, want: Value | None, note: str = "", form: Form = ""
    ) -> Measurement:
        """Record a value that must equal `want`; None means that the description does not say."""
        if want is None:
            return self._keep(name, got, "", None, None, "noted", "none", note, form)
        verdict: MeasurementVerdict = "passed" if got == want else "failed"
        wanted = hex_text(want) if form == "hex" and isinstance(want, int) else want
        text = note if got == want else f"expected {wanted}{'; ' + note if note else ''}"
        return self._keep(name, got, "", None, None, verdict, "file", text, form)

    def require(self, name: str, holds: bool, note: str = "") -> Measurement:
        """Record a yes-or-no finding that must be yes."""
        verdict: MeasurementVerdict = "passed" if holds else "failed"
        return self._keep(name, "yes" if holds else "no", "", None, None, verdict, self._own_source(), note)

    def curve(self, name: str, unit: str, **lines: float) -> CurveRecorder:
        """Start a curve; `lines` are drawn beside it."""
        shown = {label.replace("_", " "): value for label, value in lines.items()}
        curve = Curve(self.check, name, unit, lines=shown)
        self.curves.append(curve)
        return CurveRecorder(curve, self._clock, self._recorder)

    def note(self, text: str) -> None:
        """Keep a sentence with the check."""
        self.notes.append(text)
        self._recorder.note(self.check, text)

    def caution(self, text: str, qualifies: bool = False) -> None:
        """Keep a sentence with the check, and show it at once to whoever watches: what a hand at the bench must know.

        `qualifies`: keep it with the verdict, too.
        """
        self.notes.append(text)
        self._recorder.caution(self.check, text)
        if qualifies:
            self._keep_with_verdict(text)

    def qualify(self, text: str) -> None:
        """Keep a sentence with the verdict of the whole run: what its reader must know, however the checks ended."""
        self.note(text)
        self._keep_with_verdict(text)

    def qualify_unless_rejected(self, text: str) -> None:
        """The same, for what matters only to whoever may trust the unit: not of a rejected one, nor of a run cut short."""
        self.note(text)
        self._keep_with_verdict(text, QUALIFIED_UNLESS_REJECTED)

    def _keep_with_verdict(self, text: str, key: str = QUALIFIED) -> None:
        said: list[str] = self.memory.setdefault(key, [])
        if text not in said:
            said.append(text)

    def leave_out(self, what: str, note: str) -> None:
        """Keep with the check, and with the verdict, what had no part in it: `what` is "LOAD: why", `note` is for the check."""
        self.note(note)
        load, _, why = what.partition(": ")
        left_out: dict[str, dict[str, str]] = self.memory.setdefault(LEFT_OUT, {})
        left_out.setdefault(load, {}).setdefault(self.check, why)

    @property
    def left_out(self) -> dict[str, str]:
        """The loads that had no part in this check, and why each."""
        found: dict[str, dict[str, str]] = self.memory.get(LEFT_OUT, {})
        return {load: checks[self.check] for load, checks in found.items() if self.check in checks}

    def look_first(self, *causes: str) -> None:
        """Say where to look if this check does not pass, the likeliest first, by what was measured.

        Takes the place of the list on the check's page, which stands in a fixed order.
        """
        self.causes = list(causes)

    def fail(self, text: str) -> NoReturn:
        """End the check as failed."""
        raise CheckFailed(text)

    def stop_run(self, text: str) -> NoReturn:
        """End the check as failed, and the run with it: no other check is run on this unit."""
        raise RunStopped(text)

    def not_observable(self, why: str, need: str = "") -> NoReturn:
        """End the check without a verdict about the node; the run is incomplete."""
        raise NotObservable(why, need)

    def conclude(self) -> None:
        """Raise CheckFailed when a measurement failed. The plugin calls this after the check."""
        if self.failed:
            raise CheckFailed("; ".join(sentence(each) for each in self.failed))

    def _judge(self, name: str, value: Value, low: float | None, high: float | None) -> MeasurementVerdict:
        if low is None and high is None:
            return "noted"
        if isinstance(value, str):
            raise UsageError(f"measure({name!r}, {value!r}) has limits, so the value must be a number")
        if math.isnan(value):
            return "failed"
        inside = (low is None or value >= low) and (high is None or value <= high)
        return "passed" if inside else "failed"

    def _doubt(
        self, name: str, value: Value, uncertainty: float, low: float | None, high: float | None
    ) -> str:
        """Say so where guarded acceptance would leave the verdict open: the value is nearer to a limit than it may be off."""
        if isinstance(value, str | bool) or not (math.isfinite(uncertainty) and uncertainty >= 0.0):
            raise UsageError(
                f"measure({name!r}, {value!r}) with uncertainty={uncertainty!r}: it must be a finite number of 0 or more, "
                "beside a number"
            )
        limits = [limit for limit in (low, high) if limit is not None]
        is_near = any(abs(value - limit) < uncertainty for limit in limits)
        return "nearer to a limit than it may be off" if is_near else ""

    def _source(self, limit: str | None, low: float | None, high: float | None) -> LimitSource:
        if low is None and high is None:
            return "none"
        if limit is None:
            return "test" if self._own_source() == "test" else "computed"
        whole_file = limit.split(".", 1)[0] in ("limits", "supply", "harness")
        return self._loaded.source_of(limit if whole_file else f"{self._part}.{limit}")

    def _own_source(self) -> LimitSource:
        """What a check demands by itself is the catalogue's; what a test of the user's own demands is the test's."""
        return "test" if "::" in self.check else "default"

    def _keep(
        self,
        name: str,
        value: Value,
        unit: str,
        low: float | None,
        high: float | None,
        verdict: MeasurementVerdict,
        source: LimitSource,
        note: str,
        form: Form = "",
        uncertainty: float | None = None,
    ) -> Measurement:
        now_s = self._clock.now_s
        kept = Measurement(
            self.check, name, value, unit, low, high, verdict, now_s, source, note, form, uncertainty
        )
        self.measurements.append(kept)
        self._recorder.measurement(kept)
        return kept
