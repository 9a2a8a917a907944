"""The scanner that knows lines and depth."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.description.locating import DEPTH_MAX, Locator, Path, too_deep

TEXT = '''# [not.a.table]
top = "x # no comment [ { \\" ="
many = [
  1.5, # one
  [2, 3],
  { a = 1, b.c = "}" },
]
[one]
"quoted key" = \'\'\'
[not a header]
\'\'\'
last = 1979-05-27T07:32:00Z
[[two]]
[two.sub]
x.y.z = true
[[two]]
long = """
a ""
"""
after = { inner = [ { deep = 1 } ] }
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("many", 0), 4),
        (("many", 1, 1), 5),
        (("many", 2, "b", "c"), 6),
        (("one",), 8),
        (("one", "quoted key"), 9),
        (("one", "last"), 12),
        (("two", 0), 13),
        (("two", 0, "sub", "x", "y", "z"), 15),
        (("two", 1), 16),
        (("two", 1, "after", "inner", 0, "deep"), 20),
    ],
)
def test_every_way_of_writing_a_key_has_its_line(path: Path, line: int) -> None:
    """Tables, arrays of tables, dotted keys, inline tables and texts over several lines are located."""
    locator = Locator(TEXT)
    assert locator.has(path)
    assert locator.line(path) == line


def test_a_missing_key_has_the_line_of_its_table() -> None:
    """What is not in the text is pointed at where it belongs."""
    locator = Locator(TEXT)
    assert locator.line(("two", 1, "missing", "more")) == 16
    assert not locator.has(("two", 1, "missing"))
    assert locator.line(("missing",)) is None


def _paths(value: Any, path: Path = ()) -> list[Path]:
    if isinstance(value, dict):
        return [path, *(p for key, part in value.items() for p in _paths(part, (*path, key)))]
    if isinstance(value, list):
        return [path, *(p for number, part in enumerate(value) for p in _paths(part, (*path, number)))]
    return [path]


def test_every_key_that_tomllib_reads_has_a_line() -> None:
    """tomllib and the scanner agree on what is in the text."""
    paths = [path for path in _paths(tomllib.loads(TEXT)) if path]
    assert len(paths) > 20
    assert [path for path in paths if not Locator(TEXT).has(path)] == []


_KEYS = st.text("abcdefgh_-09", min_size=1, max_size=6)
_SCALARS = st.one_of(
    st.integers(-(2**40), 2**40).map(str),
    st.booleans().map(lambda value: "true" if value else "false"),
    st.floats(-1e6, 1e6).map(repr),
    st.text("ab #[]{}=,.'", max_size=8).map(lambda value: f'"{value}"'),
    st.text('ab #[]{}=,."\n', max_size=8).map(lambda value: f"'''x{value}x'''"),
)
_VALUES = st.recursive(
    _SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda parts: "[" + ",\n ".join(parts) + "]"),
        st.dictionaries(_KEYS, inner, max_size=3).map(
            lambda parts: "{ " + ", ".join(f"{key} = {value}" for key, value in parts.items()) + " }"
        ),
    ),
    max_leaves=6,
)


@given(st.lists(st.dictionaries(_KEYS, _VALUES, max_size=4), max_size=4))
def test_any_text_is_located_as_tomllib_reads_it(tables: list[dict[str, str]]) -> None:
    """Whatever the values hold, each key's line is the line on which it stands."""
    rows = []
    expected: dict[Path, int] = {}
    for number, table in enumerate(tables):
        rows.append("[[t]]")
        for key, value in table.items():
            expected["t", number, key] = "\n".join(rows).count("\n") + 2
            rows.append(f"{key} = {value}")
    text = "\n".join(rows) + "\n"
    data = tomllib.loads(text)
    locator = Locator(text)
    assert {path: locator.line(path) for path in expected} == expected
    assert [path for path in _paths(data) if path and not locator.has(path)] == []


def test_brackets_in_texts_and_comments_are_not_nesting() -> None:
    """Only what tomllib would recurse into counts."""
    assert too_deep('a = "' + "[" * 100 + '" # ' + "{" * 100) is None
    assert too_deep("a = '''" + "[\n" * 100 + "'''") is None


@pytest.mark.parametrize("opening", ["[", "{a=", "[{a="])
def test_nesting_up_to_the_limit_is_read_and_beyond_it_is_not(opening: str) -> None:
    """The limit is where it says, and the line is told."""
    brackets = opening.count("[") + opening.count("{")
    least = DEPTH_MAX // brackets
    assert too_deep("x = \n" + opening * least) is None
    deep = too_deep("x = \n" + opening * (least + 1))
    assert deep is not None
    assert deep.line == 2
    assert deep.depth == DEPTH_MAX + 1


def test_dots_without_end_are_too_deep_too() -> None:
    """A dotted key nests tables as brackets do."""
    assert too_deep("a" + ".a" * DEPTH_MAX + " = 1") is None
    assert too_deep("a" + ".a" * (DEPTH_MAX + 1) + " = 1") is not None
