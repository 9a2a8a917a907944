"""Lines with placeholders, and patterns: what is written, what is refused, and that nothing takes for ever."""

from __future__ import annotations

import random

import pytest

from hiltest.description.lines import Template, compiled, written


@pytest.mark.parametrize(
    ("text", "values", "line"),
    [
        ("set 1 {value:.1f}", {"value": 50.0}, "set 1 50.0"),
        ("fan {value:d}%", {"value": 24.6}, "fan 25%"),
        ("move {value} {speed:06d}", {"value": -1600.0, "speed": 6400.0}, "move -1600 006400"),
        ("w {value:04X}", {"value": 255.0}, "w 00FF"),
        ("duty {value}", {"value": 0.0625}, "duty 0.0625"),
        ("duty {value:.3}", {"value": 0.5}, "duty 0.500"),
        ('{{"fan": {value}}}', {"value": 1.0}, '{"fan": 1}'),
        ("axis {value}", {"value": "on"}, "axis on"),
        ("{value}", {"value": 12345678.0}, "12345678"),
    ],
)
def test_a_line_is_filled_as_it_says(text: str, values: dict[str, float | str], line: str) -> None:
    """Decimals, whole numbers, zeros in front, hexadecimal, texts, braces; never an exponent."""
    assert Template(text).fill(values) == line


@pytest.mark.parametrize(
    "text",
    ["{value.__class__}", "{value[0]}", "{value!r}", "{value:>9}", "{value:{x}}", "{}", "{0}", "}", "{", "a\nb", " ", "\x07"],
)  # fmt: skip
def test_what_is_no_placeholder_is_refused(text: str) -> None:
    """A template reaches no attribute, no item and no other format."""
    with pytest.raises(ValueError, match=r"placeholders like|a number's form|one line"):
        Template(text)


def test_no_number_can_be_sent_that_is_none() -> None:
    """NaN and infinity never stand in a line."""
    for value in (float("nan"), float("inf")):
        with pytest.raises(ValueError, match="no number that can be sent"):
            written(value)


@pytest.mark.parametrize(
    "pattern", [r"(a+)+", r"((a|b)*)*x", r"(?:\d+,)*", r"(.*)*", r"(a{1,99})+", r"(?=(a*)*)b"]
)
def test_a_pattern_that_can_take_for_ever_is_refused(pattern: str) -> None:
    """One unbounded repeat inside another."""
    with pytest.raises(ValueError, match="repeat inside a repeat"):
        compiled(pattern)


@pytest.mark.parametrize(
    "pattern", [r".*a.*b.*(\d+)", r"(\d{1,3}\.){3}\d+", r"(open|-?[\d.]+)(?: C)?", r"(?i)err\b.*"]
)
def test_patterns_as_people_write_them_are_taken(pattern: str) -> None:
    """Repeats side by side, and short counted ones inside others."""
    assert compiled(pattern).pattern == pattern


@pytest.mark.parametrize("pattern", ["(", "[[a]", "*", "(?P<a", "a" * 3 + ")", "[a&&b]"])
def test_what_is_no_clear_pattern_is_refused(pattern: str) -> None:
    """With Python's own words, also where Python only warns."""
    with pytest.raises(ValueError, match="Python says"):
        compiled(pattern)


@pytest.mark.timeout(60)
def test_nonsense_is_refused_or_harmless() -> None:
    """4,000 random patterns on a line that fits none: each is an error, or over at once."""
    chance = random.Random(1)
    taken = 0
    for _ in range(4000):
        pattern = "".join(chance.choice("(){}[]*+?|\\.dws^$a1:,") for _ in range(chance.randrange(1, 30)))
        try:
            found = compiled(pattern)
        except ValueError:
            continue
        taken += 1
        found.fullmatch("a1" * 200)
    assert taken > 300
