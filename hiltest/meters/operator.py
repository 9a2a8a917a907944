"""Questions to the person at the bench: yes or no, a choice, a number with its unit, a text.

A person thinks while the link's loop runs, so heartbeats and the guard go on. Answers may come from a file, keyed
by question; with neither file nor terminal a question is not observable. "skip" skips the step.

A bench may bring somebody along who acts and answers by himself (the simulated bench does). He does what every
question asks for; what he says counts only where no file speaks for him.
"""

from __future__ import annotations

import difflib
import json
import math
import os
import re
import select
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal, Protocol, TypeVar, overload

from hiltest.clock import SimulatedClock
from hiltest.errors import NotObservable, StepSkipped, UsageError
from hiltest.link import Link

T = TypeVar("T")
Kind = Literal["yes_no", "choice", "number", "text"]

POLL_S = 0.05
THINK_S = 600.0
LOOK_EVERY_S = 0.5
LINE_MAX = 1000
TRIES = 3
"""How often somebody who answers by himself may say something that can't be used."""

_YES = {"y", "yes", "j", "ja", "true", "1"}
_NO = {"n", "no", "nein", "false", "0"}
_OPEN = {"ol", "o.l", "o.l.", "open", "inf", "overload"}

_PREFIXES = {
    "p": 1e-12,
    "n": 1e-9,
    "u": 1e-6,
    "µ": 1e-6,
    "μ": 1e-6,
    "m": 1e-3,
    "": 1.0,
    "k": 1e3,
    "K": 1e3,
    "M": 1e6,
    "meg": 1e6,
    "Meg": 1e6,
    "G": 1e9,
}
_BASES = {
    "ohm": ("ohm", "ohms", "Ohm", "Ohms", "OHM", "Ω", "\u2126", "R"),
    "V": ("V", "v", "volt", "volts", "VDC", "Vdc"),
    "A": ("A", "a", "amp", "amps", "ADC"),
    "W": ("W", "w", "watt", "watts"),
    "Hz": ("Hz", "hz", "HZ"),
    "s": ("s", "sec", "seconds"),
    "m": ("m",),
    "F": ("F",),
    "H": ("H",),
}
_UNPREFIXED = {
    "degC": ("degC", "°C", "℃", "C", "c", "deg C"),
    "K": ("K",),
    "rpm": ("rpm", "RPM", "1/min"),
    "%": ("%", "percent"),
}
LEAST_OHM = -0.3
"""A meter that was nulled with its leads may read a short as a hair below zero, and no less."""
_LEAST = {"ohm": LEAST_OHM, "degC": -273.15}
ANSWERS_BYTES_MAX = 200_000
_NUMBER = re.compile(r"([+-]?(?:\d+[.,]?\d*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*(.*)")
_CODED = re.compile(r"(\d+)([RrkKM])(\d+)")
"""Marking codes of IEC 60062, where the letter stands for the decimal point: 4k7, 0R22."""


class Terminal(Protocol):
    """Where a person reads and types."""

    def write(self, text: str) -> None: ...

    def read_line(self) -> str | None:
        """A whole line without its end, or None if none is there yet; never waits. EOFError at the end."""
        ...


class Person(Protocol):
    """Somebody at the bench who acts and answers by himself. A bus object that has one calls it `person`."""

    def think_s(self, question_id: str) -> float:
        """Bench time in s until the answer comes."""
        ...

    def answer(self, question_id: str, choices: Sequence[str], unit: str) -> str | None:
        """Do what the question asks for and say what was seen; None when the question is not understood."""
        ...


class Tty:
    """A terminal by its file descriptors, read without blocking."""

    def __init__(self, fd_in: int, fd_out: int) -> None:
        self._fd_in = fd_in
        self._fd_out = fd_out
        self._typed = b""

    def write(self, text: str) -> None:
        os.write(self._fd_out, text.encode())

    def read_line(self) -> str | None:
        line = self._take()
        if line is not None:
            return line
        ready, _, _ = select.select([self._fd_in], [], [], 0)
        if not ready:
            return None
        try:
            data = os.read(self._fd_in, 4096)
        except OSError as error:
            raise EOFError(str(error)) from error
        if not data:
            raise EOFError("the terminal was closed")
        self._typed = (self._typed + data)[-LINE_MAX:]
        return self._take()

    def _take(self) -> str | None:
        if b"\n" not in self._typed:
            return None
        line, _, self._typed = self._typed.partition(b"\n")
        return line.decode("utf-8", errors="replace").rstrip("\r")


def controlling_terminal() -> Tty | None:
    """The terminal that the program was started from, also when its output is captured; None without one."""
    try:
        fd = os.open("/dev/tty", os.O_RDWR | os.O_NOCTTY)
    except OSError:
        return None
    return Tty(fd, fd)


@dataclass(frozen=True, slots=True)
class _Asked:
    """One question on its way. `shown` ends with what may be answered."""

    question_id: str
    shown: str
    show: str
    choices: tuple[str, ...]
    unit: str


class Operator:
    """Asks questions. Every answer is kept in `records` as (bench time in s, id, question, answer).

    Args:
        link: where it waits.
        answers: a TOML or JSON file, or a mapping: question id -> answer, or a list of answers for a question
            that is asked more than once. "skip" skips.
        terminal: where a person sits; by default the controlling terminal, in real time only, because on a
            simulated bench time would run away from a person who thinks.
        think_s: how long a person may think about one question.
        person: somebody at the bench who acts and answers by himself.
        around: entered while a person at the terminal is asked: what keeps a live display off the screen.

    Raises:
        UsageError: the file can't be used.
    """

    def __init__(
        self,
        link: Link,
        answers: Path | Mapping[str, Any] | None = None,
        terminal: Terminal | None = None,
        think_s: float = THINK_S,
        person: Person | None = None,
        around: Callable[[], AbstractContextManager[None]] = nullcontext,
    ) -> None:
        self._link = link
        self._is_scripted = answers is not None
        self._person = person
        self._around = around
        self._source = str(answers) if isinstance(answers, Path) else "the answers"
        self._answers = {key: _as_list(value) for key, value in read_answers(answers).items()}
        self._terminal = terminal
        self._is_simulated = isinstance(link.clock, SimulatedClock)
        self._think_s = think_s
        self._look: Callable[[], None] | None = None
        self.records: list[tuple[float, str, str, str]] = []

    # --- asking ---------------------------------------------------------------------------------------

    @overload
    def ask(
        self, question_id: str, question: str, kind: Literal["yes_no"] = "yes_no", *, show: str = ...
    ) -> bool: ...
    @overload
    def ask(
        self,
        question_id: str,
        question: str,
        kind: Literal["choice"],
        *,
        choices: Sequence[str],
        show: str = ...,
    ) -> str: ...
    @overload
    def ask(
        self, question_id: str, question: str, kind: Literal["number"], *, unit: str, show: str = ...
    ) -> float: ...
    @overload
    def ask(self, question_id: str, question: str, kind: Literal["text"], *, show: str = ...) -> str: ...
    def ask(
        self,
        question_id: str,
        question: str,
        kind: Kind = "yes_no",
        *,
        choices: Sequence[str] = (),
        unit: str = "",
        show: str = "",
    ) -> bool | float | str:
        """Ask one question; nonsense is asked again. `show` is put before it: a caution, a small picture.

        Numbers come back in `unit` and may be typed with decimal comma, prefix and unit: '59,8 ohm', '0.06 k',
        '12 kΩ', '4k7'. 'OL' or 'open' is an infinite resistance.

        Raises:
            StepSkipped: the answer was "skip".
            NotObservable: there is nobody to ask, or no answer came in time.
            UsageError: an answer from the file does not fit the question.
        """
        if kind == "choice" and not choices:
            raise UsageError(f"question {question_id!r}: a choice needs choices")
        wanted, read = _reader(kind, choices, unit)
        asked = _Asked(question_id, f"{question} [{wanted}] ", show, tuple(choices), unit)
        return self._ask(asked, read)

    @contextmanager
    def watching(self, look: Callable[[], None]) -> Iterator[None]:
        """While a person thinks or acts inside this block, call `look` every LOOK_EVERY_S; unlike a listener it may wait."""
        before, self._look = self._look, look
        try:
            yield
        finally:
            self._look = before

    def tell(self, text: str) -> None:
        """Show something to the person, if there is one."""
        terminal = self._find_terminal()
        if terminal is not None:
            with self._around():
                terminal.write(f"{text}\n")

    def _ask(self, asked: _Asked, read: Callable[[str], T]) -> T:
        said = self._from_person(asked) if self._person is not None else None
        if asked.question_id in self._answers:
            return self._from_file(asked, read)
        if said is not None and not self._is_scripted:
            return self._from_bench(asked, said, read)
        terminal = self._find_terminal()
        if terminal is None:
            raise NotObservable(
                f"question {asked.question_id!r} ({asked.shown.rpartition(' [')[0]}) has nobody to answer it",
                f"a person at a terminal, or an answer under {asked.question_id!r} in the answers file",
            )
        with self._around():
            return self._from_terminal(asked, read, terminal)

    def _from_file(self, asked: _Asked, read: Callable[[str], T]) -> T:
        answers, complaint = self._answers[asked.question_id], "no answer is left"
        while answers:
            # The last answer stays, for a question that is asked by every unit of a lot.
            text = answers.pop(0) if len(answers) > 1 else answers[0]
            try:
                return self._accept(asked, text, read)
            except ValueError as error:
                complaint = str(error)
                if len(answers) == 1 and answers[0] == text:
                    break
        raise UsageError(f"{self._source}: the answer to {asked.question_id!r} can't be used: {complaint}")

    def _from_person(self, asked: _Asked) -> str | None:
        """Give him his time, let him act, hear what he says."""
        assert self._person is not None
        self._pass_time(self._person.think_s(asked.question_id), lambda: False)
        return self._person.answer(asked.question_id, asked.choices, asked.unit)

    def _from_bench(self, asked: _Asked, said: str | None, read: Callable[[str], T]) -> T:
        complaint = ""
        for _ in range(TRIES):
            if said is None:
                break
            try:
                return self._accept(asked, said, read)
            except ValueError as error:
                complaint = f": {error}"
                said = self._from_person(asked)
        raise NotObservable(f"question {asked.question_id!r} got no answer that can be used{complaint}")

    def _from_terminal(self, asked: _Asked, read: Callable[[str], T], terminal: Terminal) -> T:
        typed: list[str | None] = []
        remove = self._link.add_source(lambda: _poll(terminal, typed), POLL_S)
        terminal.write(f"{asked.show}\n{asked.shown}" if asked.show else asked.shown)
        started_s = self._link.now_s
        try:
            while True:
                left_s = max(0.0, started_s + self._think_s - self._link.now_s)
                if not self._pass_time(left_s, lambda: bool(typed)):
                    raise NotObservable(
                        f"question {asked.question_id!r} was not answered in {self._think_s:g} s"
                    )
                text = typed.pop(0)
                if text is None:
                    raise NotObservable(
                        f"the terminal was closed before question {asked.question_id!r} was answered"
                    )
                try:
                    return self._accept(asked, text, read)
                except ValueError as error:
                    terminal.write(f"{error}\n{asked.shown}")
        finally:
            remove()

    def _pass_time(self, seconds: float, is_there: Callable[[], bool]) -> bool:
        """Wait until something is there, looking now and then if there is something to look at; False after `seconds`."""
        end_s = self._link.now_s + seconds
        while self._look is not None and end_s - self._link.now_s > LOOK_EVERY_S:
            if self._link.wait_for(is_there, LOOK_EVERY_S):
                return True
            self._look()
        return bool(self._link.wait_for(is_there, max(0.0, end_s - self._link.now_s)))

    def _accept(self, asked: _Asked, text: str, read: Callable[[str], T]) -> T:
        question = asked.shown.strip()
        if text.strip().lower() == "skip":
            self.records.append((self._link.now_s, asked.question_id, question, "skip"))
            raise StepSkipped(f"question {asked.question_id!r} was skipped by the person at the bench")
        value = read(text.strip())
        self.records.append((self._link.now_s, asked.question_id, question, text.strip()))
        return value

    def _find_terminal(self) -> Terminal | None:
        if self._is_simulated:
            return None
        if self._terminal is None:
            self._terminal = controlling_terminal()
        return self._terminal


def _reader(kind: Kind, choices: Sequence[str], unit: str) -> tuple[str, Callable[[str], bool | float | str]]:
    """What may be answered, in words, and what reads an answer."""
    if kind == "yes_no":
        return "y/n/skip", _yes_no
    if kind == "choice":
        return f"{'/'.join(choices)}/skip", lambda text: _choice(text, choices)
    if kind == "number":
        return f"{unit or 'number'}, or skip", lambda text: parse_quantity(text, unit)
    return "text, or skip", _some_text


def parse_quantity(text: str, unit: str) -> float:
    """A number as a person types or a meter shows it, in `unit`.

    Raises:
        ValueError: says what was not understood and what is.
    """
    cleaned = text.strip().replace("\u2212", "-")
    base, asked_factor = _split_unit(unit)
    if base == "ohm" and cleaned.lower() in _OPEN:
        return math.inf
    coded = _CODED.fullmatch(cleaned)
    if coded and base == "ohm":
        letter = "" if coded[2] in "Rr" else coded[2]
        return float(f"{coded[1]}.{coded[3]}") * _PREFIXES[letter] / asked_factor
    match = _NUMBER.fullmatch(cleaned)
    if match is None:
        raise ValueError(f"{text!r} is not a number; type it like '59.8 {unit}'")
    number, tail = match[1], match[2].strip()
    if re.fullmatch(r"[+-]?[1-9]\d{0,2},\d{3}", number):
        raise ValueError(f"{number!r} may mean thousands or a decimal comma; type it with a point or without")
    value = float(number.replace(",", "."))
    if tail:
        value *= _factor(tail, unit, base) / asked_factor
    least = _LEAST.get(base, -math.inf) / asked_factor
    if value < least:
        raise ValueError(f"{text!r} can't be: nothing reads less than {least:g} {unit}")
    return value


def _factor(tail: str, unit: str, base: str) -> float:
    """How many base units the typed unit or prefix is."""
    if base in _UNPREFIXED or not base:
        if tail == unit or tail in _UNPREFIXED.get(base, ()):
            return 1.0
        raise ValueError(f"{tail!r} is not the unit asked for; give the number in {unit or 'plain figures'}")
    for name in sorted(_BASES[base], key=len, reverse=True):
        if tail.endswith(name) and tail[: -len(name)].strip() in _PREFIXES:
            return _PREFIXES[tail[: -len(name)].strip()]
    if tail in _PREFIXES:
        return _PREFIXES[tail]
    raise ValueError(f"{tail!r} is not a unit of what was asked; type it like '59.8 {unit}' or '0.06 k'")


def _split_unit(unit: str) -> tuple[str, float]:
    """Base unit and factor: 'mV' -> ('V', 0.001). Units that are not known stand for themselves."""
    if unit in _BASES or unit in _UNPREFIXED:
        return unit, 1.0
    if unit in ("Ω", "\u2126"):
        return "ohm", 1.0
    if unit[:1] in _PREFIXES and unit[1:] in _BASES:
        return unit[1:], _PREFIXES[unit[:1]]
    return "", 1.0


def _yes_no(text: str) -> bool:
    if text.lower() in _YES:
        return True
    if text.lower() in _NO:
        return False
    raise ValueError(f"{text!r} is neither yes nor no; type y, n or skip")


def _choice(text: str, choices: Sequence[str]) -> str:
    fitting = [choice for choice in choices if choice.lower() == text.lower()]
    fitting = fitting or [choice for choice in choices if text and choice.lower().startswith(text.lower())]
    if len(fitting) == 1:
        return fitting[0]
    near = difflib.get_close_matches(text, choices, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else ""
    raise ValueError(f"{text!r} is none of {', '.join(choices)}{hint}")


def _some_text(text: str) -> str:
    if not text:
        raise ValueError("type something, or skip")
    return text


def _poll(terminal: Terminal, typed: list[str | None]) -> None:
    try:
        line = terminal.read_line()
    except EOFError:
        typed.append(None)
        return
    if line is not None:
        typed.append(line)


def _as_list(value: Any) -> list[str]:
    values = value if isinstance(value, list) else [value]
    return [("yes" if each else "no") if isinstance(each, bool) else str(each) for each in values]


def read_answers(answers: Path | Mapping[str, Any] | None) -> Mapping[str, Any]:
    """What an answers file says: question id -> answer or list of answers.

    Raises:
        UsageError: the file can't be used.
    """
    if answers is None or isinstance(answers, Mapping):
        return answers or {}
    try:
        with answers.open("rb") as file:
            raw = file.read(ANSWERS_BYTES_MAX + 1)
        if len(raw) > ANSWERS_BYTES_MAX:
            raise UsageError(
                f"answers file {answers}: has more than {ANSWERS_BYTES_MAX} bytes; is it the right one?"
            )
        text = raw.decode("utf-8")
        content = json.loads(text) if answers.suffix.lower() == ".json" else tomllib.loads(text)
    except OSError as error:
        raise UsageError(f"answers file {answers}: can't be read ({error.strerror})") from error
    except (ValueError, RecursionError) as error:  # both readers' errors, and bytes that are not UTF-8
        raise UsageError(
            f"answers file {answers}: is neither TOML nor JSON as its name says: {str(error)[:200]!r}"
        ) from error
    if not isinstance(content, dict):
        raise UsageError(
            f"answers file {answers}: must hold question id -> answer, found {type(content).__name__}"
        )
    if any(isinstance(value, dict) for value in content.values()):
        raise UsageError(
            f"answers file {answers}: question ids with dots or brackets must be quoted: \"cold.coil[pump]\" = '3.2 ohm'"
        )
    return content
