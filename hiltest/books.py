"""Who keeps what is measured in a run: the journal, and whoever watches."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from hiltest.evidence.journal import Journal
    from hiltest.evidence.model import CheckResult, Curve, Measurement
    from hiltest.link import Link


class Watcher(Protocol):
    """Who is told what goes on: the live display of the command line."""

    def on_check_start(self, name: str, window_s: float | None) -> None: ...
    def on_measurement(self, m: Measurement) -> None: ...
    def on_sample(
        self, check: str, curve: str, t_s: float, value: float, unit: str, lines: Mapping[str, float]
    ) -> None: ...
    def on_note(self, text: str) -> None: ...
    def on_caution(self, text: str) -> None: ...
    def on_result(self, result: CheckResult) -> None: ...
    def tick(self) -> None: ...


@dataclass(slots=True)
class Books:
    """Keeps what is measured: in the journal, on the live display, and for the verdict."""

    journal: Journal | None
    watcher: Watcher | None

    def measurement(self, measurement: Measurement) -> None:
        if self.journal is not None:
            self.journal.measurement(measurement)
        if self.watcher is not None:
            self.watcher.on_measurement(measurement)

    def sample(self, curve: Curve, t_s: float, value: float) -> None:
        if self.journal is not None:
            if len(curve.t_s) == 1:
                for name, level in curve.lines.items():
                    self.journal.line(curve.check, curve.name, curve.unit, name, level)
            self.journal.sample(curve.check, curve.name, curve.unit, t_s, value, curve.x_name, curve.x_unit)
        if self.watcher is not None:
            self.watcher.on_sample(curve.check, curve.name, t_s, value, curve.unit, curve.lines)

    def mark(self, curve: Curve, name: str, t_s: float) -> None:
        if self.journal is not None:
            self.journal.mark(curve.check, curve.name, curve.unit, name, t_s)

    def note(self, check: str, text: str) -> None:
        if self.journal is not None:
            self.journal.note(check, text)
        if self.watcher is not None and "\n" not in text:  # a picture is for the report
            self.watcher.on_note(text)

    def caution(self, check: str, text: str) -> None:
        if self.journal is not None:
            self.journal.note(check, text)
        if self.watcher is not None:
            self.watcher.on_caution(text)


class BenchClock:
    """The bench's clock once the bench is open, and zero before: what is computed at the desk takes no time."""

    def __init__(self) -> None:
        self.link: Link | None = None

    @property
    def now_ns(self) -> int:
        return 0 if self.link is None else self.link.now_ns

    @property
    def now_s(self) -> float:
        return 0.0 if self.link is None else self.link.now_s
