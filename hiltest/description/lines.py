"""Lines of text with placeholders, and patterns for lines: what a console node's roles are written in.

A template is no format string of Python: a placeholder is a name and, if need be, how the number is written, like
{value} or {value:.1f}. Nothing in it can reach an attribute or run anything.
"""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Mapping

from hiltest.description.patterncost import tries

LINE_CHARS_MAX = 400
"""Longer lines fit no pattern: what a node says in answer is short, and a pattern's time grows with the line."""

TRIES_MAX = 2e8
"""Steps that a pattern may take on the worst line: some tenths of a second. Only ill will makes such lines."""

PLACEHOLDERS: dict[tuple[str, str], tuple[str, ...]] = {
    ("heater", "duty"): ("seconds", "milliseconds"),
    ("node", "burst"): ("interval_s", "interval_us"),
    ("stepper", "target"): ("speed", "speed_rev_s"),
    ("stepper", "distance"): ("speed", "speed_rev_s"),
}
"""Placeholders beside {value}, by kind and role. speed is in microsteps per second."""

_PLACEHOLDER = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
_SPEC = re.compile(r"0?\d{0,2}(?:\.(\d))?([dfxX]?)")


class Template:
    """A line to send.

    Raises:
        ValueError: it is no line, or holds what is no placeholder; says what.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        if not text.strip() or not text.isprintable():
            raise ValueError("one line of characters that can be printed, and not empty")
        self._parts: list[tuple[str, str, str]] = []
        at = 0
        for match in _PLACEHOLDER.finditer(text):
            self._parts.append((text[at : match.start()], "", ""))
            self._parts.append(self._read(match))
            at = match.end()
        self._parts.append((text[at:], "", ""))

    def _read(self, match: re.Match[str]) -> tuple[str, str, str]:
        found = match[0]
        if found in ("{{", "}}"):
            return found[0], "", ""
        name, _, spec = (match[1] or "").partition(":")
        if match[1] is None or not name.isidentifier():
            raise ValueError(f"placeholders like {{value}}, not {found!r}; a brace itself is written twice")
        if not _SPEC.fullmatch(spec):
            raise ValueError(
                f"{{{name}}} or a number's form like {{{name}:.1f}} or {{{name}:d}}, not {found!r}"
            )
        return "", name, spec

    @property
    def names(self) -> list[str]:
        """Names of its placeholders, each once, in order."""
        return list(dict.fromkeys(name for _, name, _ in self._parts if name))

    def fill(self, values: Mapping[str, float | str]) -> str:
        """The line with values in it. Numbers are written as the placeholder says, texts as they are."""
        return "".join(text if not name else written(values[name], spec) for text, name, spec in self._parts)

    def written(self, name: str, value: float) -> str:
        """`value` as the line holds it where it holds placeholder `name`."""
        spec = next(spec for _, each, spec in self._parts if each == name)
        return written(value, spec)


def written(value: float | str, spec: str = "") -> str:
    """A number as `spec` writes it; without one as short as it can be, and never with an exponent."""
    if isinstance(value, str):
        return value
    if not math.isfinite(value):
        raise ValueError(f"{value!r} is no number that can be sent")
    match = _SPEC.fullmatch(spec)
    assert match is not None
    if match[2] in ("d", "x", "X"):
        return format(round(value), spec)
    if match[2] or match[1]:
        return format(value, spec if match[2] else spec + "f")
    if float(value).is_integer():
        return format(int(value), spec)
    return format(value, f"{spec}.6f").rstrip("0")


def compiled(pattern: str) -> re.Pattern[str]:
    """The regular expression.

    Raises:
        ValueError: it is none, or one that can take for ever on a line that does not fit; says which.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("error")  # what Python will read otherwise one day is no clear pattern
        try:
            found = re.compile(pattern)
            steps = tries(pattern, LINE_CHARS_MAX)
        except (re.error, RecursionError, OverflowError, Warning) as error:
            raise ValueError(f"Python says: {error}.") from error
    if steps > TRIES_MAX:
        raise ValueError(
            "Its parts can fit the same text in so many ways that a line that does not fit can take for ever, like "
            "(a+)+, (a|aa){40}b or a*a*a*a*b. Let each repeat end at a text of its own, like `\\S+ `, or repeat less."
        )
    return found
