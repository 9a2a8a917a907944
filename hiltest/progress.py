"""What `hiltest accept` shows while it runs: live on a terminal, one plain line a check everywhere else.

On a terminal the finished checks scroll by, and below them stands what runs now: the latest values, the latest
measurement with its limits, which check of how many it is and how long it has run. No thread is started; the display is drawn anew
when something is reported, at most ten times a second.
"""

from __future__ import annotations

import atexit
import io
import os
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TextIO

from hiltest import cautions
from hiltest.clock import wall_s
from hiltest.evidence.findings import Waiting, findings, look_first, waiting
from hiltest.evidence.model import CheckResult, Measurement, RunRecord
from hiltest.evidence.text import (
    OUTCOME_SYMBOLS,
    VERDICT_SYMBOLS,
    allowed_text,
    clean,
    measured_text,
    number,
    seconds_text,
    spoken,
    with_unit,
)

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.table import Table
    from rich.text import Text

REDRAW_EVERY_S = 0.1
SHOWN_CURVES = 3
WIDEST = 100  # columns; a wider table is harder to read across
OUTCOME_WIDTH = 17
VERDICT_WIDTH = 8
HEADS = ("measurement", "value", "allowed", "verdict")
REPORT = "report.html"
UNNAMED = "unnamed"

OUTCOME_STYLES = {
    "passed": "green",
    "failed": "bold red",
    "error": "bold red",
    "not run": "yellow",
    "not offered": "yellow",
    "not observable": "yellow",
    "noted": "dim",
}
VERDICT_BORDERS = {"accepted": "green", "rejected": "red", "incomplete": "yellow"}
VERDICT_STYLES = {"accepted": "bold green", "rejected": "bold white on red", "incomplete": "bold yellow"}


class Display(Protocol):
    """What is told how a run goes."""

    def on_cautions(self, texts: Sequence[str]) -> None: ...
    def on_check_start(self, name: str, window_s: float | None) -> None: ...
    def on_measurement(self, m: Measurement) -> None: ...
    def on_sample(
        self, curve: str, t_s: float, value: float, unit: str, lines: Mapping[str, float]
    ) -> None: ...
    def on_note(self, text: str) -> None: ...
    def on_result(self, result: CheckResult) -> None: ...
    def finish(self, record: RunRecord, folder: Path | None) -> None: ...
    def show(self, record: RunRecord) -> None: ...
    def stop(self) -> None: ...
    def tick(self) -> None: ...
    def hold(self, held: bool) -> None: ...


class Progress:
    """Shows how a run goes, on a terminal live and elsewhere as plain lines.

    Args:
        about: what is tested, for the first line; anything whose `description.fixture.name` says it, or None.
        stream: where to write; default: standard output. A stream with a file descriptor is duplicated, so
            what is shown gets through while pytest captures the output of the checks.
    """

    def __init__(self, about: Any = None, stream: TextIO | None = None) -> None:
        self._gone = False
        self._stream, self._own = _duplicate(sys.stdout if stream is None else stream)
        terminal = self._stream.isatty() and os.environ.get("TERM", "") not in ("", "dumb")
        self._display: Display = _Live(self._stream, _title(about)) if terminal else _Plain(self._stream)
        self._check = ""
        self._cautioned: set[str] = set()
        atexit.register(self.close)

    def plan(self, checks: int) -> None:
        """So many checks will be reported, run or not."""
        if isinstance(self._display, _Live):
            self._display.planned = checks

    def _tell(self, what: Callable[[Display], None]) -> None:
        """Show something. A closed terminal or pipe ends the display; the run and its records go on without it."""
        if self._gone:
            return
        try:
            what(self._display)
        except OSError:
            self._gone = True

    def on_check_start(self, name: str, window_s: float | None = None) -> None:
        """A check starts; `window_s` is the bench time it may take, if it has a limit.

        Before the first check at the bench the caution that holds for all is shown, and before the first check of a group
        that can hurt somebody its own.
        """
        self._check = name
        if texts := cautions.before(name, self._cautioned):
            self._tell(lambda display: display.on_cautions(texts))
        self._tell(lambda display: display.on_check_start(name, window_s))

    def on_measurement(self, m: Measurement) -> None:
        """A value was measured and judged."""
        self._tell(lambda display: display.on_measurement(m))

    def on_sample(
        self,
        check: str,
        curve: str,
        t_s: float,
        value: float,
        unit: str = "",
        lines: Mapping[str, float] | None = None,
    ) -> None:
        """A point of a curve came. `unit` and `lines` (name -> limit) are shown beside it when given."""
        if check == self._check:
            self._tell(lambda display: display.on_sample(curve, t_s, value, unit, lines or {}))

    def on_note(self, text: str) -> None:
        """A sentence for the person who watches."""
        self._tell(lambda display: display.on_note(text))

    def on_caution(self, text: str) -> None:
        """What a hand at the bench must know now; it stays on the screen."""
        self._tell(lambda display: display.on_cautions([text]))

    def on_result(self, result: CheckResult) -> None:
        """A check ended, or was not run."""
        self._tell(lambda display: display.on_result(result))

    def finish(self, record: RunRecord, folder: Path | None) -> None:
        """The run is over: show every measurement, the verdict, where to look first, and where the report is."""
        self._tell(lambda display: display.stop())
        self._tell(lambda display: display.finish(record, folder))
        self.close()

    def show(self, record: RunRecord) -> None:
        """Show every measurement and nothing more: of checks that lead to no verdict about a unit."""
        self._tell(lambda display: display.stop())
        self._tell(lambda display: display.show(record))
        self.close()

    def tick(self) -> None:
        """Draw anew if it is time to: for a loop that waits on hardware with nothing to report."""
        self._tell(lambda display: display.tick())

    @contextmanager
    def paused(self) -> Iterator[None]:
        """Keep the live part off the screen while a person is asked something, whatever is reported."""
        self._tell(lambda display: display.hold(True))
        try:
            yield
        finally:
            self._tell(lambda display: display.hold(False))

    def close(self) -> None:
        """Give the terminal back as it was. Closing twice is fine."""
        atexit.unregister(self.close)
        if self._stream.closed:
            return
        self._tell(lambda display: display.stop())
        with suppress(OSError):  # nobody reads any more
            self._stream.flush()
        if self._own:
            with suppress(OSError):
                self._stream.close()


def _duplicate(stream: TextIO) -> tuple[TextIO, bool]:
    """Return a stream of our own to the same place, or `stream` itself if it has no file descriptor."""
    stream.flush()
    try:
        place = os.dup(stream.fileno())
    except (OSError, io.UnsupportedOperation):
        return stream, False
    return open(place, "w", encoding=stream.encoding, errors="backslashreplace"), True  # noqa: PTH123


def _title(about: Any) -> str:
    fixture = getattr(getattr(about, "description", about), "fixture", None)
    return clean(getattr(fixture, "name", "") or "")


def _reason(result: CheckResult) -> str:
    """Why a check did not pass, or without what it did, in one line."""
    record = RunRecord("", "", "", {}, None, False, checks=[result])
    found = findings(record)
    return _one_line(found[0].line if found else result.reason)


def _one_line(text: str) -> str:
    return clean(spoken(" ".join(text.split("\n"))))


def _look_first(record: RunRecord) -> tuple[str, list[str]]:
    """What to look at first, empty where the verdict says it already; and the likely causes."""
    lines = [_one_line(line) for line in look_first(record)]
    if not lines:
        return "", []
    is_told = lines[0].partition(": ")[2] in _one_line(record.verdict_reason)
    return "" if is_told else lines[0], lines[1:]


def _switch_off(record: RunRecord) -> str:
    """What to do about the power before anything is touched; empty where the run came to its end and all let go."""
    if record.take_power_off:
        return _one_line(record.take_power_off)
    return cautions.CUT_SHORT if record.is_cut_short else ""


def _how_to_name(record: RunRecord) -> str:
    """Say how records get a serial number; empty where they have one."""
    if record.unit != UNNAMED or record.is_of_own_tests:
        return ""
    return "this unit has no name in its records; to give it one, add --serial SN"


class _Plain:
    """One line a check, as `name: outcome`, for files and other programs."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def on_cautions(self, texts: Sequence[str]) -> None:
        for text in texts:
            self._say(f"caution: {_one_line(text)}")

    def on_check_start(self, name: str, window_s: float | None) -> None:
        pass

    def on_measurement(self, m: Measurement) -> None:
        pass

    def on_sample(self, curve: str, t_s: float, value: float, unit: str, lines: Mapping[str, float]) -> None:
        pass

    def on_note(self, text: str) -> None:
        pass

    def on_result(self, result: CheckResult) -> None:
        reason = _reason(result)
        self._say(f"{clean(result.name)}: {result.outcome}{f' ({reason})' if reason else ''}")

    def show(self, record: RunRecord) -> None:
        for check in record.checks:
            for m in check.measurements:
                allowed = allowed_text(m)
                limited = f", allowed {allowed}" if allowed else ""
                name = clean(spoken(m.name))
                note = f" ({_one_line(m.note)})" if m.note else ""
                self._say(f"{clean(check.name)}: {name}: {measured_text(m)}{limited}: {m.verdict}{note}")

    def finish(self, record: RunRecord, folder: Path | None) -> None:
        if switch_off := _switch_off(record):
            self._say(f"caution: {switch_off}")
        bench = "on the simulated bench" if record.simulated else ""
        told = ": ".join(filter(None, [bench, _one_line(record.verdict_reason)]))
        self._say(f"verdict: {record.verdict}{f' ({told})' if told else ''}")
        found, causes = _look_first(record)
        for line in [found, *causes] if found else causes:
            self._say(f"look first: {line}")
        if hint := _how_to_name(record):
            self._say(f"note: {hint}")
        if folder is not None:
            self._say(f"report: {folder / REPORT}")

    def stop(self) -> None:
        self._stream.flush()

    def tick(self) -> None:
        pass

    def hold(self, held: bool) -> None:
        pass

    def _say(self, text: str) -> None:
        self._stream.write(f"{text}\n")
        self._stream.flush()


class _Live:
    """The display of a terminal."""

    def __init__(self, stream: TextIO, title: str) -> None:
        from rich.live import Live

        self._console = _console(stream)
        self._live_type = Live
        self.planned = 0
        self._ended = 0
        self._live: Live | None = None
        self._drawn_s = float("-inf")
        self._held = False
        self._check = ""
        self._window_s: float | None = None
        self._last_t_s: float | None = None
        self._start_t_s: float | None = None
        self._start_wall_s = 0.0
        self._measured: Measurement | None = None
        self._note = ""
        self._values: dict[str, str] = {}
        if title:
            self._console.print(_text((title, "bold")))

    def on_cautions(self, texts: Sequence[str]) -> None:
        self.stop()
        for text in texts:
            self._console.print(_caution_row(text))

    def on_check_start(self, name: str, window_s: float | None) -> None:
        self._check, self._window_s = name, window_s
        self._start_t_s, self._start_wall_s = self._last_t_s, wall_s()
        self._measured, self._note, self._values = None, "", {}
        self._draw(now=True)

    def on_measurement(self, m: Measurement) -> None:
        self._measured = m
        self._advance(m.t_s)
        self._draw()

    def on_sample(self, curve: str, t_s: float, value: float, unit: str, lines: Mapping[str, float]) -> None:
        self._advance(t_s)
        against = ", ".join(f"{clean(name)} {number(at)}" for name, at in lines.items())
        self._values.pop(curve, None)  # the newest stands last
        self._values[curve] = with_unit(number(value), unit) + (f"  ({against})" if against else "")
        self._draw()

    def on_note(self, text: str) -> None:
        self._note = clean(spoken(text))
        self._draw()

    def on_result(self, result: CheckResult) -> None:
        self._advance(result.ended_s)
        self._ended += 1
        self.stop()
        if result.outcome == "not run":  # told together at the end, by what stopped them
            self._check = ""
            return
        took = result.ended_s - result.started_s
        ran = result.outcome in ("passed", "failed", "error")
        self._console.print(_result_row(result, seconds_text(took) if ran and took > 0 else ""))
        self._check = ""

    def show(self, record: RunRecord) -> None:
        self._console.print()
        self._console.print(_measurements(record, min(self._console.width, WIDEST), every_note=True))

    def finish(self, record: RunRecord, folder: Path | None) -> None:
        for group in waiting(record):
            if group.checks[0].outcome == "not run":
                self._console.print(_waiting_row(group))
        self._console.print()
        if any(check.measurements for check in record.checks):
            self._console.print(_measurements(record, min(self._console.width, WIDEST)))
        self._console.print(_closing(record, min(self._console.width, WIDEST)))
        if folder is not None:  # outside of the frame, in one piece: to be copied
            self._console.print(
                _text(("Report: ", "bold"), (clean(folder / REPORT), "")), soft_wrap=True, overflow="ignore"
            )
        if hint := _how_to_name(record):
            self._console.print(_text((f"{hint[0].upper()}{hint[1:]}", "dim")))

    def stop(self) -> None:
        """Take the live part off the screen."""
        if self._live is not None:
            self._live.stop()
            self._live = None

    def tick(self) -> None:
        self._draw()

    def hold(self, held: bool) -> None:
        self._held = held
        if held:
            self.stop()
        else:
            self._draw(now=True)

    def _advance(self, t_s: float) -> None:
        self._last_t_s = t_s
        if self._start_t_s is None:
            self._start_t_s = t_s

    def _draw(self, now: bool = False) -> None:
        if self._held or not self._check or (not now and wall_s() - self._drawn_s < REDRAW_EVERY_S):
            return
        self._drawn_s = wall_s()
        if self._live is None:
            self._live = self._live_type(
                console=self._console,
                auto_refresh=False,
                transient=True,
                redirect_stdout=False,
                redirect_stderr=False,
            )
            self._live.start()
        self._live.update(self._now(), refresh=True)

    def _now(self) -> RenderableType:
        """What runs now, in a few lines."""
        lines = [_text(("▸ ", "bold cyan"), (clean(self._check), "bold"), (f"   {self._so_far()}", "dim"))]
        for curve, value in list(self._values.items())[-SHOWN_CURVES:]:
            lines.append(_text((f"  {clean(curve)} ", ""), (value, "bold")))
        if (m := self._measured) is not None:
            lines.append(
                _text(
                    (f"  {clean(spoken(m.name))} ", ""),
                    (measured_text(m), "bold"),
                    (f"  {allowed_text(m) or 'no limit'}  ", "dim"),
                    (m.verdict, OUTCOME_STYLES[m.verdict]),
                )
            )
        if self._note:
            lines.append(_text((f"  {self._note}", "italic")))
        for line in lines:
            line.truncate(self._console.width - 1, overflow="ellipsis")
        return _text().join(_with_breaks(lines))

    def _so_far(self) -> str:
        """Which check of how many, and how long it has run: by bench time or, while nothing is reported, by the wall.

        The window is the time after which a check is given up, and says nothing of how long it will take.
        """
        bench_s = 0.0
        if self._last_t_s is not None and self._start_t_s is not None:
            bench_s = self._last_t_s - self._start_t_s
        took = f"for {seconds_text(round(max(bench_s, wall_s() - self._start_wall_s)))}"
        if self._window_s is not None:
            took += f", at most {seconds_text(self._window_s)}"
        place = f"{self._ended + 1} of {self.planned}, " if self._ended < self.planned else ""
        return place + took


def _console(stream: TextIO) -> Console:
    """A console as wide and high as the terminal behind `stream`, also while the program's own output is captured."""
    from rich.console import Console, ConsoleDimensions

    class OfStream(Console):
        @property  # type: ignore[misc]  # nobody sets it: it is the terminal's
        def size(self) -> ConsoleDimensions:
            if "COLUMNS" not in os.environ:  # rich itself looks at standard input, output and error only
                with suppress(OSError, io.UnsupportedOperation):
                    columns, lines = os.get_terminal_size(stream.fileno())
                    if columns and lines:
                        return ConsoleDimensions(columns, lines)
            return super().size

    return OfStream(file=stream, highlight=False, markup=False, emoji=False)


def _text(*parts: tuple[str, str]) -> Text:
    """Return text with styles; nothing in it is read as markup."""
    from rich.text import Text

    text = Text()
    for words, style in parts:
        text.append(words, style or None)
    return text


def _with_breaks(lines: list[Text]) -> list[Text]:
    broken = [part for line in lines for part in (line, _text(("\n", "")))]
    return broken[:-1]


def _outcome(outcome: str, width: int = 0) -> tuple[str, str]:
    sign = next((sign for known, sign in OUTCOME_SYMBOLS.items() if known == outcome), "")
    return f"{sign} {outcome}".strip().ljust(width), OUTCOME_STYLES[outcome]


def _caution_row(text: str) -> Table:
    """A caution, in the columns of the finished checks."""
    from rich.table import Table

    row = Table.grid(padding=(0, 1), expand=True)
    row.add_column(width=OUTCOME_WIDTH, no_wrap=True)
    row.add_column(ratio=1, overflow="fold")
    row.add_row(_text(("▲ caution", "bold yellow")), _text((_one_line(text), "yellow")))
    return row


def _result_row(result: CheckResult, took: str) -> Table:
    """One finished check: outcome, name, how long it took; below it why, if it did not pass."""
    from rich.table import Table

    row = Table.grid(padding=(0, 1), expand=True)
    row.add_column(width=OUTCOME_WIDTH, no_wrap=True)
    row.add_column(ratio=1, overflow="fold")
    row.add_column(justify="right", no_wrap=True)
    row.add_row(_text(_outcome(result.outcome)), _text((clean(result.name), "")), _text((took, "dim")))
    if reason := _reason(result):
        row.add_row("", _text((reason, "dim" if result.outcome.startswith("not") else "")), "")
    return row


def _waiting_row(group: Waiting) -> Table:
    """Checks that one and the same thing kept back."""
    from rich.table import Table

    row = Table.grid(padding=(0, 1), expand=True)
    row.add_column(width=OUTCOME_WIDTH, no_wrap=True)
    row.add_column(ratio=1, overflow="fold")
    names = ", ".join(clean(check.name) for check in group.checks)
    row.add_row(_text(_outcome("not run")), _text((_counted(group), "")))
    row.add_row("", _text((names, "dim")))
    return row


def _counted(group: Waiting) -> str:
    many = f"{len(group.checks)} checks" if len(group.checks) > 1 else "1 check"
    return f"{many} {_one_line(group.why)}"


def _measurements(record: RunRecord, width: int, every_note: bool = False) -> RenderableType:
    """Every measurement against its limits, check by check, with the words beside what failed, or beside all."""
    from rich.console import Group
    from rich.padding import Padding

    parts: list[RenderableType] = [_columns(width, *((head, "dim") for head in HEADS))]
    for check in record.checks:
        if check.measurements:
            parts.append(_text((clean(check.name), "bold")))
        for m in check.measurements:
            style = "bold red" if m.verdict == "failed" else ""
            name, value = (f"  {clean(spoken(m.name))}", style), (measured_text(m), style)
            parts.append(_columns(width, name, value, (allowed_text(m), "dim"), _outcome(m.verdict)))
            if m.note and (every_note or m.verdict == "failed"):
                parts.append(Padding(_text((_one_line(m.note), "dim")), (0, 0, 0, 4)))
    return Group(*parts)


def _columns(width: int, *cells: tuple[str, str]) -> Table:
    """One row of the measurements: a name or a note of its own line needs no column, so each row is a table."""
    from rich.padding import Padding
    from rich.table import Table

    row = Table.grid(padding=(0, 2, 0, 0))
    free = max(30, width - VERDICT_WIDTH - 3 * 2)
    allowed = value = free * 7 // 24
    row.add_column(width=free - value - allowed, overflow="fold")
    row.add_column(width=value, justify="right", overflow="fold")
    row.add_column(width=allowed, overflow="fold")
    row.add_column(width=VERDICT_WIDTH, no_wrap=True)
    name, *others = cells
    indent = len(name[0]) - len(name[0].lstrip())
    first = Padding(_text((name[0].lstrip(), name[1])), (0, 0, 0, indent))
    row.add_row(first, *(_text(cell) for cell in others))
    return row


def _closing(record: RunRecord, width: int) -> RenderableType:
    """The verdict, where to look first, and what was not judged."""
    from rich.console import Group
    from rich.panel import Panel

    sign = VERDICT_SYMBOLS[record.verdict]
    head = [
        (f" {sign} {record.verdict.upper()} ", VERDICT_STYLES[record.verdict]),
        (f"  {clean(record.unit)}", "bold"),
    ]
    if record.simulated:
        head.append(("  simulated bench, no hardware was tested", "dim"))
    lines: list[RenderableType] = [_text(*head)]
    if record.verdict_reason:
        lines.append(_text((_one_line(record.verdict_reason), "")))
    if switch_off := _switch_off(record):
        lines += [_text(), _text((switch_off, "bold red"))]
    found, causes = _look_first(record)
    if found:
        finding = findings(record)[0]
        lines += [_text(), _text(("Look first at ", "bold"), (clean(finding.check.name), "bold"))]
        lines += [_indented("", _one_line(text)) for text in (finding.sentence, *finding.beside[:2])]
    elif causes:
        lines += [_text(), _text(("Look first at", "bold"))]
    lines += [_indented(f"{place}.", cause) for place, cause in enumerate(causes, 1)]
    if groups := waiting(record):
        lines.append(_text())
        lines += [_text((_counted(group), "yellow")) for group in groups]
    return Panel(Group(*lines), border_style=VERDICT_BORDERS[record.verdict], width=width)


def _indented(sign: str, text: str) -> Table:
    """A paragraph whose lines all begin at one place, behind a sign or a number."""
    from rich.table import Table

    row = Table.grid(padding=(0, 1, 0, 0))
    row.add_column(width=4, justify="right", no_wrap=True)
    row.add_column(overflow="fold")
    row.add_row(_text((sign, "")), _text((text, "")))
    return row
