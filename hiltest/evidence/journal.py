"""The journal of a run: one JSON object a line, handed to the operating system at once.

A run that is killed loses nothing that was written before. No line holds wall-clock time, so two runs with
one seed on the simulated bench give the same bytes. (A machine that loses its power may lose the last
seconds: the journal does not wait for the disk, because a heater would wait with it.)
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from hiltest.clock import Clock
from hiltest.errors import BenchError, UsageError
from hiltest.evidence.codec import line_of, measurement_to_dict, plain_limit, plain_value, result_head
from hiltest.evidence.model import CheckResult, Curve, Measurement, RunRecord, Value, Verdict

JOURNAL_NAME = "measurements.jsonl"


class Journal:
    """Append-only journal in a run folder. Times come from the bench's clock.

    Raises:
        UsageError: the folder already holds a journal, or can't be written to.
    """

    def __init__(self, folder: Path, clock: Clock) -> None:
        self.path = Path(folder) / JOURNAL_NAME
        self._clock = clock
        try:
            self._file = self.path.open("xb", buffering=0)
        except OSError as error:
            raise UsageError(
                f"{self.path}: the journal can't be made ({error.strerror}); "
                "give --out a new, writable folder"
            ) from error

    def __enter__(self) -> Journal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def run(self, record: RunRecord, planned: Sequence[str] = ()) -> None:
        """Write the head: who and what is tested, and which checks are planned, in order."""
        self._write(
            "run",
            unit=record.unit,
            description=record.description,
            fixture=record.fixture,
            versions=dict(record.versions),
            seed=record.seed,
            simulated=record.simulated,
            faults=list(record.faults),
            planned=list(planned),
        )

    def check(self, name: str) -> None:
        """Write that a check starts now."""
        self._write("check", name=name, t_s=self._now())

    def measurement(self, m: Measurement) -> None:
        """Write one measurement."""
        self._write("measurement", check=m.check, **measurement_to_dict(m))

    def sample(
        self,
        check: str,
        curve: str,
        unit: str,
        t_s: float,
        value: float,
        x_name: str = "time",
        x_unit: str = "s",
    ) -> None:
        """Write one point of a curve. `t_s` is bench time, or the quantity that `x_name` says."""
        axis = {} if (x_name, x_unit) == ("time", "s") else {"x_name": x_name, "x_unit": x_unit}
        self._write(
            "sample",
            check=check,
            curve=curve,
            unit=unit,
            t_s=plain_value(t_s),
            value=plain_value(value),
            **axis,
        )

    def line(self, check: str, curve: str, unit: str, name: str, value: float) -> None:
        """Write a level to draw beside a curve, such as a limit or a setpoint."""
        self._line("value", check, curve, unit, name, value)

    def mark(self, check: str, curve: str, unit: str, name: str, t_s: float) -> None:
        """Write a moment to draw in a curve, such as the end of a window."""
        self._line("time", check, curve, unit, name, t_s)

    def curve(self, curve: Curve) -> None:
        """Write a whole curve at once."""
        for name, value in curve.lines.items():
            self.line(curve.check, curve.name, curve.unit, name, value)
        for name, t_s in curve.marks.items():
            self.mark(curve.check, curve.name, curve.unit, name, t_s)
        for t_s, value in zip(curve.t_s, curve.values, strict=True):
            self.sample(curve.check, curve.name, curve.unit, t_s, value, curve.x_name, curve.x_unit)

    def note(self, check: str, text: str) -> None:
        """Write a sentence that belongs to a check."""
        self._write("note", check=check, text=text, t_s=self._now())

    def result(self, result: CheckResult) -> None:
        """Write how a check ended. Its measurements, notes and curves have their own lines."""
        self._write("result", **result_head(result))

    def verdict(
        self,
        verdict: Verdict,
        reason: str,
        bench_s: float,
        bus_statistics: Mapping[str, Mapping[str, Value]] | None = None,
    ) -> None:
        """Write the verdict: the last line of a run that came to its end."""
        counted = {
            bus: {name: plain_value(value) for name, value in numbers.items()}
            for bus, numbers in (bus_statistics or {}).items()
        }
        self._write(
            "verdict",
            verdict=verdict,
            reason=reason,
            bench_s=plain_value(bench_s),
            bus_statistics=counted,
        )

    def close(self) -> None:
        """Close the file. Closing twice is fine."""
        self._file.close()

    def _line(self, axis: str, check: str, curve: str, unit: str, name: str, value: float) -> None:
        at = plain_limit(value, f"{check}: {curve}: {name}")
        if at is not None:  # an infinite limit is none, and can't be drawn
            self._write("line", check=check, curve=curve, unit=unit, axis=axis, name=name, value=at)

    def _now(self) -> Value:
        return plain_value(self._clock.now_s)

    def _write(self, kind: str, **data: Any) -> None:
        left = memoryview(f"{line_of({'kind': kind, **data})}\n".encode("ascii"))
        try:
            while left:
                left = left[self._file.write(left) :]
        except OSError as error:
            raise BenchError(
                f"{self.path}: a line could not be written ({error.strerror}). The run stops, because what "
                "it measures from here on would be lost; free some space or choose another folder with --out"
            ) from error


def read_lines(path: Path) -> Iterator[dict[str, Any]]:
    """Yield the objects of a journal. A last line that was cut off by the end of the run is left out.

    Raises:
        UsageError: the file can't be read, or a line before the last is not an object with `kind`.
    """
    try:
        lines = path.read_bytes().split(b"\n")
    except OSError as error:
        raise UsageError(f"{path}: the journal can't be read ({error.strerror})") from error
    complete, _cut_off = lines[:-1], lines[-1]
    yield from _objects(path, complete)


def _objects(path: Path, lines: Iterable[bytes]) -> Iterator[dict[str, Any]]:
    for number, line in enumerate(lines, start=1):
        try:
            data = json.loads(line)
        except ValueError as error:
            raise UsageError(
                f"{path}:{number}: found {line[:60]!r}, expected one JSON object; the file was changed or "
                "damaged after the run. Take the run folder from a backup, or run again"
            ) from error
        if not isinstance(data, dict) or not isinstance(data.get("kind"), str):
            raise UsageError(f"{path}:{number}: found {line[:60]!r}, expected an object with the key 'kind'")
        yield data
