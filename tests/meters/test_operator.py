"""Questions to the person at the bench: from a file, from a terminal, from nobody."""

from __future__ import annotations

import math
import os
import pty
import tty
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pytest

from hiltest.errors import NotObservable, StepSkipped, UsageError
from hiltest.meters.operator import Operator, Tty, parse_quantity

from .links import real_link, simulated_link


class Person:
    """Types prepared lines, one per question."""

    def __init__(self, *lines: str | None) -> None:
        self.lines = list(lines)
        self.shown = ""

    def write(self, text: str) -> None:
        self.shown += text

    def read_line(self) -> str | None:
        if not self.lines:
            return None
        line = self.lines.pop(0)
        if line is None:
            raise EOFError
        return line


# --- numbers -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("59,8 ohm", "ohm", 59.8),
        ("0.06 k", "ohm", 60.0),
        ("12 kΩ", "ohm", 12_000.0),
        ("12kohm", "ohm", 12_000.0),
        ("12 K", "ohm", 12_000.0),
        ("4k7", "ohm", 4_700.0),
        ("0R22", "ohm", 0.22),
        ("4k7", "kohm", 4.7),
        ("1M", "ohm", 1e6),
        ("2.2 Meg", "ohm", 2.2e6),
        ("100 \u2126", "ohm", 100.0),
        ("60", "ohm", 60.0),
        ("12 k", "kohm", 12.0),
        ("12", "kohm", 12.0),
        ("14400 ohm", "kohm", 14.4),
        ("24.1", "V", 24.1),
        ("24,1V", "V", 24.1),
        ("350 mV", "V", 0.35),
        ("0.35 V", "mV", 350.0),
        ("-5 mA", "A", -0.005),
        ("\u22125 °C", "degC", -5.0),
        ("23.5 C", "degC", 23.5),
        ("3000 rpm", "rpm", 3000.0),
        ("1e3", "ohm", 1000.0),
        ("0,500", "A", 0.5),
        (".5 A", "A", 0.5),
        ("7", "", 7.0),
    ],
)
def test_numbers_as_people_type_them(text: str, unit: str, value: float) -> None:
    """Decimal comma, prefixes, units and marking codes (IEC 60062) give the number in the unit asked for."""
    assert parse_quantity(text, unit) == pytest.approx(value)


@pytest.mark.parametrize("text", ["OL", "open", "O.L", "inf"])
def test_an_open_circuit_is_an_infinite_resistance(text: str) -> None:
    """What a meter shows for an open circuit is taken for one; for a voltage it is nonsense."""
    assert math.isinf(parse_quantity(text, "ohm"))
    with pytest.raises(ValueError, match="not a number"):
        parse_quantity(text, "V")


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("", "ohm"),
        ("about 60", "ohm"),
        ("60 V", "ohm"),
        ("5 k", "degC"),
        ("1,000", "ohm"),
        ("12,345", "ohm"),
        ("1 000", "ohm"),
        ("1.2.3", "V"),
        ("--5", "V"),
        ("5 xV", "V"),
    ],
)
def test_nonsense_and_ambiguity_are_not_guessed(text: str, unit: str) -> None:
    """A wrong unit, or a comma that may mean thousands, is asked again."""
    with pytest.raises(ValueError, match=r"is not|may mean"):
        parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("text", "unit"), [("-14.5", "ohm"), ("-1 k", "ohm"), ("-500", "degC"), ("-0.4", "Ω"), ("-0.001", "kohm")]
)
def test_what_nothing_can_read_is_asked_again(text: str, unit: str) -> None:
    """A resistance below what a meter nulled with its leads may show, a temperature below absolute zero."""
    with pytest.raises(ValueError, match="can't be"):
        parse_quantity(text, unit)


@pytest.mark.parametrize(
    ("text", "unit", "value"), [("-0.02 ohm", "ohm", -0.02), ("-40", "degC", -40.0), ("-5 V", "V", -5.0)]
)
def test_less_than_nothing_is_taken_where_it_may_be(text: str, unit: str, value: float) -> None:
    """A short on a nulled meter, frost, a voltage the other way round."""
    assert parse_quantity(text, unit) == value


# --- a person --------------------------------------------------------------------------------------------------


def test_a_person_is_asked_again_after_nonsense() -> None:
    """The complaint and the question are shown again until the answer fits."""
    person = Person("maybe", "60 V", "59,8 ohm")
    operator = Operator(real_link(), terminal=person)
    assert operator.ask("cold.pair", "Resistance across the pair?", "number", unit="ohm") == pytest.approx(
        59.8
    )
    assert person.shown.count("Resistance across the pair? [ohm, or skip]") == 3
    assert "'maybe' is not a number" in person.shown
    assert [record[1:] for record in operator.records] == [
        ("cold.pair", "Resistance across the pair? [ohm, or skip]", "59,8 ohm")
    ]


@pytest.mark.parametrize(("typed", "answer"), [("y", True), ("YES", True), ("n", False), ("No", False)])
def test_yes_and_no(typed: str, answer: bool) -> None:
    """Yes and no in the usual spellings."""
    assert Operator(real_link(), terminal=Person(typed)).ask("lamp", "Is it green?") is answer


def test_a_choice_may_be_abbreviated() -> None:
    """An unmistakable beginning is enough; a mistaken one is asked again."""
    person = Person("b", "bl")
    choices = ["black", "blue", "brown"]
    operator = Operator(real_link(), terminal=person)
    assert (
        operator.ask("colour", "Which colour?", "choice", choices=["red", "green", *choices[1:2]]) == "blue"
    )
    person.lines = ["b", "brwn", "brown"]
    assert operator.ask("colour", "Which colour?", "choice", choices=choices) == "brown"
    assert "did you mean 'brown'" in person.shown


def test_skip_skips() -> None:
    """The word skip ends the step without a verdict."""
    with pytest.raises(StepSkipped, match="'lamp'"):
        Operator(real_link(), terminal=Person("SKIP")).ask("lamp", "Is it green?")


def test_heartbeats_go_on_while_a_person_thinks() -> None:
    """Timers of the link run until the answer comes."""
    link = real_link()
    person = Person()
    beats: list[float] = []
    link.every(0.02, lambda: beats.append(link.now_s))
    link.after(0.3, lambda: person.lines.append("y"))
    assert Operator(link, terminal=person).ask("lamp", "Is it green?") is True
    assert len(beats) >= 10


def test_no_answer_in_time_is_not_observable() -> None:
    """A person who went away does not hang the run, nor does a terminal that was closed."""
    with pytest.raises(NotObservable, match=r"not answered in 0\.2 s"):
        Operator(real_link(), terminal=Person(), think_s=0.2).ask("lamp", "Is it green?")
    with pytest.raises(NotObservable, match="closed"):
        Operator(real_link(), terminal=Person(None)).ask("lamp", "Is it green?")


def test_a_real_terminal_is_read_line_by_line() -> None:
    """Typed pieces become lines without blocking; the end of the terminal is an end."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    terminal = Tty(slave, slave)
    assert terminal.read_line() is None
    os.write(master, b"59,8 ")
    assert terminal.read_line() is None
    os.write(master, "\u03a9\r\nyes\n".encode())
    lines: list[str | None] = []
    link = real_link()
    assert link.wait_for(lambda: lines.append(terminal.read_line()) or len([x for x in lines if x]) == 2, 2.0)
    assert [line for line in lines if line] == ["59,8 Ω", "yes"]
    terminal.write("next?\n")
    assert os.read(master, 100) == b"next?\n"
    os.close(master)
    with pytest.raises(EOFError):
        terminal.read_line()
    os.close(slave)


# --- a file ------------------------------------------------------------------------------------------------------


ANSWERS: list[tuple[str, str]] = [
    (
        "a.toml",
        '"cold.pair" = "59,8 ohm"\nlamp = true\ncolour = "green"\nnote = ["first", "second"]\nage = 12\n',
    ),
    (
        "a.json",
        '{"cold.pair": "59.8", "lamp": true, "colour": "green", "note": ["first", "second"], "age": 12}',
    ),
]


@pytest.mark.parametrize(("name", "content"), ANSWERS)
def test_answers_come_from_a_file(tmp_path: Path, name: str, content: str) -> None:
    """TOML and JSON will do; a list answers a question that is asked more than once, the last one stays."""
    path = tmp_path / name
    path.write_text(content)
    operator = Operator(real_link(), path, terminal=Person())
    assert operator.ask("cold.pair", "Resistance?", "number", unit="ohm") == pytest.approx(59.8)
    assert operator.ask("lamp", "Is it green?") is True
    assert operator.ask("colour", "Which?", "choice", choices=["red", "green"]) == "green"
    assert [operator.ask("note", "Note?", "text") for _ in range(3)] == ["first", "second", "second"]
    assert operator.ask("age", "Age?", "number", unit="s") == 12.0


def test_nonsense_in_a_file_ends_the_question() -> None:
    """An answer that does not fit is the file's fault, told with the question; a list gives the next a try."""
    operator = Operator(real_link(), {"pair": ["much", "60"], "other": ["much", "more"], "lamp": "perhaps"})
    assert operator.ask("pair", "Resistance?", "number", unit="ohm") == 60.0
    for question in ("other", "lamp"):
        with pytest.raises(UsageError, match=f"answer to '{question}'"):
            operator.ask(question, "Resistance?", "number", unit="ohm")


def test_skip_in_a_file_skips() -> None:
    """A script may skip a step as a person may."""
    with pytest.raises(StepSkipped):
        Operator(real_link(), {"lamp": "skip"}).ask("lamp", "Is it green?")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("a.toml", "lamp = "),
        ("a.json", "[1, 2]"),
        ("a.json", "{"),
        ("a.toml", 'cold.pair = "60"'),
        ("a.toml", b"\xff\xfe"),
        ("none.toml", None),
    ],
)
def test_files_that_can_not_be_used(tmp_path: Path, name: str, content: str | bytes | None) -> None:
    """Whatever is wrong with the answers file, the error is one type and names the file."""
    path = tmp_path / name
    if content is not None:
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(UsageError, match=name):
        Operator(real_link(), path)


# --- somebody who comes with the bench ---------------------------------------------------------------------------


class Helper:
    """Acts and answers by himself, after three seconds."""

    def __init__(self, *says: str | None) -> None:
        self.says = list(says)
        self.heard: list[tuple[str, tuple[str, ...], str]] = []

    def think_s(self, question_id: str) -> float:
        return 3.0

    def answer(self, question_id: str, choices: Sequence[str], unit: str) -> str | None:
        self.heard.append((question_id, tuple(choices), unit))
        return self.says.pop(0)


def test_the_person_at_a_simulated_bench_is_asked() -> None:
    """He hears the id, the choices and the unit, takes his time, and his answer is read like anybody's."""
    link, helper = simulated_link(), Helper("59,8 ohm", "green")
    operator = Operator(link, person=helper)
    assert operator.ask("cold.pair", "Resistance?", "number", unit="ohm") == pytest.approx(59.8)
    assert operator.ask("lamp", "Colour?", "choice", choices=["red", "green"]) == "green"
    assert helper.heard == [("cold.pair", (), "ohm"), ("lamp", ("red", "green"), "")]
    assert link.now_s == pytest.approx(6.0)
    assert [record[3] for record in operator.records] == ["59,8 ohm", "green"]


def test_somebody_may_look_while_a_person_thinks() -> None:
    """Twice a second, with the right to wait; not before the question, not after it, and the answer is the same."""
    link = simulated_link()
    operator, looks = Operator(link, person=Helper("y", "y")), []

    def look() -> None:
        looks.append(link.now_s)
        link.run_for(0.1)

    with operator.watching(look):
        assert operator.ask("lamp", "Is it green?")
    assert len(looks) == 5
    assert link.now_s == pytest.approx(3.0)
    assert operator.ask("lamp", "Is it green?")
    assert len(looks) == 5


def test_heartbeats_go_on_while_the_person_at_a_simulated_bench_thinks() -> None:
    """Timers of the link run in simulated time too."""
    link = simulated_link()
    beats: list[float] = []
    link.every(0.1, lambda: beats.append(link.now_s))
    Operator(link, person=Helper("y")).ask("lamp", "Is it green?")
    assert len(beats) >= 29


def test_a_script_speaks_for_the_person_and_he_still_acts() -> None:
    """With a file, what he says is not heard, but what he does is done; what the file leaves out is not observable."""
    helper = Helper("no", "no")
    operator = Operator(simulated_link(), {"lamp": True}, person=helper)
    assert operator.ask("lamp", "Is it green?") is True
    with pytest.raises(NotObservable, match="answers file"):
        operator.ask("other", "Is it blue?")
    assert [heard[0] for heard in helper.heard] == ["lamp", "other"]


def test_a_person_who_does_not_understand_is_nobody() -> None:
    """A question that he does not know, or only nonsense for an answer, is not observable and never a yes."""
    with pytest.raises(NotObservable, match="'lamp'"):
        Operator(simulated_link(), person=Helper(None)).ask("lamp", "Is it green?")
    helper = Helper("perhaps", "maybe", "well", "hm")
    with pytest.raises(NotObservable, match="neither yes nor no"):
        Operator(simulated_link(), person=helper).ask("lamp", "Is it green?")
    assert len(helper.heard) <= 4


def test_a_live_display_stays_off_the_screen_while_somebody_types() -> None:
    """What is entered around a question is left before the answer is used, also when the answer is skip."""
    steps: list[str] = []

    @contextmanager
    def paused() -> Iterator[None]:
        steps.append("paused")
        try:
            yield
        finally:
            steps.append("on again")

    person = Person("y", "skip")
    operator = Operator(real_link(), terminal=person, around=paused)
    assert operator.ask("lamp", "Is it green?", show="LOOK") is True
    assert person.shown.startswith("LOOK\nIs it green?")
    with pytest.raises(StepSkipped):
        operator.ask("lamp", "Is it green?")
    assert steps == ["paused", "on again"] * 2
    assert Operator(real_link(), {"lamp": True}, around=paused).ask("lamp", "Is it green?")
    assert len(steps) == 4


# --- nobody --------------------------------------------------------------------------------------------------------


def test_on_a_simulated_bench_nobody_is_asked() -> None:
    """In simulated time a person has no time: only a file can answer, and no terminal is opened."""
    link = simulated_link()
    with pytest.raises(NotObservable, match="answers file"):
        Operator(link, terminal=Person("y")).ask("lamp", "Is it green?")
    assert Operator(link, {"lamp": True}).ask("lamp", "Is it green?") is True
    assert link.now_s == 0.0


def test_without_a_terminal_nobody_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    """A program that was started without a terminal says what would help."""
    no_terminal: Callable[[], None] = lambda: None  # noqa: E731
    monkeypatch.setattr("hiltest.meters.operator.controlling_terminal", no_terminal)
    with pytest.raises(NotObservable, match="'lamp' in the answers file"):
        Operator(real_link()).ask("lamp", "Is it green?")


def test_a_choice_needs_choices() -> None:
    """A choice among nothing is the caller's mistake."""
    with pytest.raises(UsageError, match="needs choices"):
        Operator(real_link(), terminal=Person("a")).ask("colour", "Which?", "choice", choices=[])
