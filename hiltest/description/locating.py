"""Where things stand in a TOML text: the line of every key, and how deep the brackets go.

`tomllib` reads values but forgets lines. This scanner keeps the lines and forgets the values; it never
judges the text (that is `tomllib`'s work) and it never recurses, so that it can look at a text first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

Path = tuple[str | int, ...]

DEPTH_MAX = 16

_TEXT = r"""
      (?P<text>"{3}(?:\\.|[^\\])*?"{3,5} | '{3}.*?'{3,5} | "(?:\\.|[^"\\\n])*" | '[^'\n]*')
"""
_TOKEN = re.compile(
    rf"""
      (?P<skip>[ \t\r]+|\#[^\n]*)
    | (?P<newline>\n)
    | {_TEXT}
    | (?P<mark>[\[\]{{}}=,.])
    | (?P<bare>[^\s\[\]{{}}=,."'\#]+)
    | (?P<open>.)
    """,
    re.VERBOSE | re.DOTALL,
)
# The same texts and comments, and everything between the brackets in one piece: several times as quick.
_BRACKETS = re.compile(
    rf"""
      (?P<between>[^\[\]{{}}."'\#]+)
    | (?P<mark>[\[\]{{}}.])
    | {_TEXT}
    | (?P<comment>\#[^\n]*)
    | (?P<open>.)
    """,
    re.VERBOSE | re.DOTALL,
)
_STEPS = {"[": 1, "{": 1, "]": -1, "}": -1}


class Token(NamedTuple):
    """A piece of TOML text: `kind` is 'newline', 'text', 'mark' or 'bare'."""

    kind: str
    text: str
    line: int


@dataclass(frozen=True, slots=True)
class TooDeep:
    """Where brackets or dotted keys first go deeper than allowed."""

    line: int
    depth: int


def tokens(text: str) -> Iterator[Token]:
    """Yield the tokens of a TOML text. Ends early at a string that is never closed."""
    line = 1
    for match in _TOKEN.finditer(text):
        kind = match.lastgroup or "open"
        if kind == "open":
            return
        if kind != "skip":
            yield Token(kind, match.group(), line)
        if kind in ("newline", "text"):
            line += match.group().count("\n")


def too_deep(text: str, depth_max: int = DEPTH_MAX) -> TooDeep | None:
    """Say where a text nests brackets, or dots in a key, deeper than `depth_max`; None when it does not.

    `tomllib` recurses once a bracket, so this has to be known before it reads the text.
    """
    depth = dots = 0
    for match in _BRACKETS.finditer(text):
        kind, found = match.lastgroup, match.group()
        if kind == "open":
            return None
        if kind == "between":
            if "=" in found or "," in found or "\n" in found:
                dots = 0
        elif kind == "mark":
            depth = max(0, depth + _STEPS.get(found, 0))
            dots = dots + 1 if found == "." else 0
            if depth > depth_max or dots > depth_max:
                return TooDeep(text.count("\n", 0, match.start()) + 1, max(depth, dots))
    return None


def unclosed(text: str) -> int | None:
    """Return the line of a quote that is never closed, None when there is none."""
    for match in _BRACKETS.finditer(text):
        if match.lastgroup == "open":
            return text.count("\n", 0, match.start()) + 1
    return None


class Locator:
    """The line of every table, key and array element of a TOML text that `tomllib` accepts."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {}
        self._counts: dict[Path, int] = {}
        self._tokens = list(tokens(text))
        self._at = 0
        self._table: Path = ()
        while self._at < len(self._tokens):
            self._statement()

    def line(self, path: Path) -> int | None:
        """Return the line of `path`, or of the nearest table around it; None for the whole file."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return None

    def has(self, path: Path) -> bool:
        """Whether the text itself holds `path`."""
        return path in self._lines

    def _peek(self, ahead: int = 0) -> Token | None:
        at = self._at + ahead
        return self._tokens[at] if at < len(self._tokens) else None

    def _is(self, mark: str, ahead: int = 0) -> bool:
        token = self._peek(ahead)
        return token is not None and token.kind == "mark" and token.text == mark

    def _note(self, path: Path, line: int) -> None:
        self._lines.setdefault(path, line)

    def _statement(self) -> None:
        token = self._tokens[self._at]
        if self._is("["):
            self._header(many=self._is("[", 1))
        elif token.kind in ("bare", "text"):
            self._pair(self._table)
        else:
            self._at += 1

    def _header(self, many: bool) -> None:
        self._at += 2 if many else 1
        line = self._tokens[self._at - 1].line
        parts = self._key()
        self._at += 2 if many else 1
        path: Path = ()
        for number, part in enumerate(parts, 1):
            path = (*path, part)
            self._note(path, line)
            if many and number == len(parts):
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
                self._note(path, line)
        self._table = path

    def _key(self) -> list[str]:
        parts: list[str] = []
        while (token := self._peek()) is not None and token.kind in ("bare", "text"):
            self._at += 1
            parts.append(_plain(token))
            if not self._is("."):
                break
            self._at += 1
        return parts

    def _pair(self, table: Path) -> None:
        line = self._tokens[self._at].line
        path = table
        for part in self._key():
            path = (*path, part)
            self._note(path, line)
        if self._is("="):
            self._at += 1
            self._value(path)

    def _value(self, path: Path) -> None:
        if self._is("["):
            self._array(path)
        elif self._is("{"):
            self._inline_table(path)
        else:
            while (token := self._peek()) is not None:
                if token.kind == "newline" or (token.kind == "mark" and token.text in ",]}"):
                    return
                self._at += 1

    def _array(self, path: Path) -> None:
        self._at += 1
        number = 0
        while (token := self._peek()) is not None and not self._is("]"):
            if token.kind == "newline" or self._is(","):
                self._at += 1
                continue
            self._note((*path, number), token.line)
            self._value((*path, number))
            number += 1
        self._at += 1

    def _inline_table(self, path: Path) -> None:
        self._at += 1
        while (token := self._peek()) is not None and not self._is("}"):
            if token.kind in ("bare", "text"):
                self._pair(path)
            else:
                self._at += 1
        self._at += 1


def _plain(token: Token) -> str:
    """The key that a token spells. Escapes in quoted keys stay as written: no key of ours has any."""
    return token.text[1:-1] if token.kind == "text" else token.text
