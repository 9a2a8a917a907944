"""Lines with placeholders, and patterns: what is written, what is refused, and that nothing takes for ever."""

from __future__ import annotations

import random
from collections.abc import Iterator
from typing import Any

import pytest

from hiltest.description.lines import Template, compiled, written
from hiltest.description.patterncost import tries


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


@pytest.mark.parametrize("pattern", [r"(a+)+", r"((a|b)*)*x", r"(.*)*", r"(a{1,99})+", r"(?=(a*)*)b"])
def test_a_pattern_that_can_take_for_ever_is_refused(pattern: str) -> None:
    """One unbounded repeat inside another."""
    with pytest.raises(ValueError, match="in so many ways"):
        compiled(pattern)


@pytest.mark.parametrize(
    "pattern",
    [
        r"(a|aa){200}b", r"(a|b|ab){40}c", r"a*a*a*a*b", r"(a?){50}b", r".*.*.*.*b", r"(?:a{1,15}){1,15}b",
        r"(\w+)\w+\w+\w+;", r".*a.*a.*a.*a.*a.*(\d)", r"(?:(a)|\w){40};", r"(?=(a|aa){30}b).",
    ],
)  # fmt: skip
def test_a_pattern_with_too_many_ways_to_fit_is_refused(pattern: str) -> None:
    """Where parts can share the same text in many ways, a line that nearly fits takes a power of them."""
    with pytest.raises(ValueError, match="so many ways"):
        compiled(pattern)


def test_the_count_of_steps_is_no_less_than_what_a_matcher_needs() -> None:
    """Random patterns without a limit on their cost, on short lines: as counted, or over sooner.

    Counted beside it by a matcher of the textbook kind that tries every way (from memory), which shares no code with it.
    """
    chance = random.Random(3)
    checked = 0
    for _ in range(1000):
        pattern, tree = _some_pattern(chance, 4)
        line = "".join(chance.choice("ab") for _ in range(7)) + "!"
        steps = [0]
        for _ in _ways(tree, line, 0, steps):
            if steps[0] > 20_000:
                break
        assert steps[0] <= 20 * tries(pattern + "#", len(line)) + 20, (pattern, line)
        checked += steps[0] > 30
    assert checked > 50


def _some_pattern(chance: random.Random, depth: int) -> tuple[str, Any]:
    kind = chance.randrange(6) if depth else 0
    if kind == 0:
        text = chance.choice("ab")
        return text, text
    if kind in (1, 2):
        parts = [_some_pattern(chance, depth - 1) for _ in range(2)]
        return "".join(text for text, _ in parts), ("then", [tree for _, tree in parts])
    if kind == 3:
        parts = [_some_pattern(chance, depth - 1) for _ in range(2)]
        return f"(?:{parts[0][0]}|{parts[1][0]})", ("or", [tree for _, tree in parts])
    text, tree = _some_pattern(chance, depth - 1)
    low, high = chance.choice([(0, 1), (0, 5), (1, 4), (2, 2)])
    return f"(?:{text}){{{low},{high}}}", ("repeat", low, high, tree)


def _ways(tree: Any, line: str, at: int, steps: list[int]) -> Iterator[int]:
    """Every end to which `tree` fits `line` from `at` on, by trying; `steps` counts characters looked at."""
    if isinstance(tree, str):
        steps[0] += 1
        if line[at : at + 1] == tree:
            yield at + 1
    elif tree[0] == "then":
        for end in _ways(tree[1][0], line, at, steps):
            yield from _ways(tree[1][1], line, end, steps)
    elif tree[0] == "or":
        for each in tree[1]:
            yield from _ways(each, line, at, steps)
    else:
        _, low, high, body = tree
        if high > 0:
            for end in _ways(body, line, at, steps):
                if end > at or low > 0:
                    yield from _ways(("repeat", max(0, low - 1), high - 1, body), line, end, steps)
        if low == 0:
            yield at


@pytest.mark.parametrize(
    "pattern",
    [
        r".*a.*b(\d+) .*",
        r".*temp.*value.*: (\d+)",
        r"(\d{1,3}\.){3}\d+",
        r"(open|-?[\d.]+)(?: C)?",
        r"(?i)err\b.*",
    ],
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
