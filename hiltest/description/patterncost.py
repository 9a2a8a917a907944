"""How long a regular expression may take on the worst line: an upper bound, from the pattern alone.

Python's matcher tries one way after the other. This counts the ways: a repeat can end in as many places as the line has
characters, unless what follows it can stand in fewer. Ways of parts that follow each other multiply, and a repeat of a
part that fits in several ways has a power of them. The count is never too low; where it can't tell, it takes the most.
Source: how backtracking matchers work (Friedl, Mastering Regular Expressions, 2006, chapter 6; from memory); the count is
ours.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Iterator, Sequence
from re import _parser as _pattern_parser  # type: ignore[attr-defined]
from typing import Any

ENOUGH = 1e30
"""Counts stop here: it is far too much in any case."""

_SHOWN = 256
_OTHERS = "\u0660\u3000\u0416\u2192"
"""Of all other characters, one of each kind that a category can tell: a digit, a space, a letter, none of these."""

ALL = frozenset({*range(_SHOWN), *map(ord, _OTHERS)})
"""The characters told apart."""

_CHARACTERS = ("LITERAL", "NOT_LITERAL", "IN", "ANY", "CATEGORY", "RANGE")
_REPEATS = ("MAX_REPEAT", "MIN_REPEAT", "POSSESSIVE_REPEAT")
_LOOKS = ("ASSERT", "ASSERT_NOT")

Items = Sequence[tuple[Any, Any]]


def tries(pattern: str, line_chars: int, search: bool = False) -> float:
    """At most so many steps for `fullmatch` (or `search`) on a line of `line_chars` characters.

    Raises:
        re.error: it is no regular expression.
    """
    tree = _pattern_parser.parse(pattern)
    count = _Count(
        line_chars, bool(re.compile(pattern).flags & re.IGNORECASE) or "(?i" in pattern or "i:" in pattern
    )
    steps, _ = count.sequence(list(tree), ALL if search else frozenset(), ends=not search)
    return min(ENOUGH, steps * (line_chars if search else 1))


class _Count:
    """Counts for lines of one length. `folded`: upper and lower case are the same somewhere in the pattern."""

    def __init__(self, line_chars: int, folded: bool) -> None:
        self._n = line_chars
        self._folded = folded

    def sequence(self, items: Items, after: frozenset[int], ends: bool = False) -> tuple[float, float]:
        """Steps, and ways in which it fits from one place on. `after` is what may follow; `ends`: only the end may."""
        steps, others, product = 1.0, 1.0, 1.0
        open_ends = 0
        texts: list[tuple[int, ...]] = []
        items = list(_flat(items))
        for number, item in enumerate(items):
            rest = items[number + 1 :]
            own_steps, own_ways = self._item(item, rest, after, ends and not rest)
            ways = min(ENOUGH, product * others, self._in_order(open_ends) * others)
            steps = min(ENOUGH, steps + ways * own_steps)
            if str(item[0]) not in _REPEATS or own_ways > self._n + 1.0:
                others = min(ENOUGH, others * own_ways)
            elif own_ways > 1.0:
                open_ends, product = open_ends + 1, product * own_ways
                texts.append(_text(rest))
                product = min(product, self._share(texts))
        return steps, min(ENOUGH, product * others, self._in_order(open_ends) * others)

    def _in_order(self, ends: int) -> float:
        """In how many ways so many repeats can end one after the other: n + 1 places, with repetition."""
        return float(math.comb(self._n + ends, ends))

    def _share(self, texts: list[tuple[int, ...]]) -> float:
        """In how many ways plain texts can be chosen that have no character in common: they share the line.

        No product of their numbers is larger than where each kind takes an equal part of it.
        """
        alike = itertools.combinations(texts, 2)
        if (
            self._folded
            or not all(texts)
            or any(_overlap(*each) for each in alike)
            or any(map(_period, texts))
        ):
            return ENOUGH
        part = self._n / len(texts)
        return math.prod(max(1.0, part / len(text)) for text in texts)

    def _item(
        self, item: tuple[Any, Any], rest: Items, after: frozenset[int], last: bool
    ) -> tuple[float, float]:
        kind, arguments = str(item[0]), item[1]
        follows = self._follows(rest, after)
        if kind in _REPEATS:
            return self._repeat(arguments, rest, follows, last)
        if kind == "BRANCH":
            counted = [self.sequence(list(each), follows) for each in arguments[1]]
            each_way = [each for _, each in counted]
            apart = self._are_apart([list(each) for each in arguments[1]])
            return sum(steps for steps, _ in counted), max(each_way) if apart else sum(each_way)
        if kind in _LOOKS:
            return self.sequence(list(arguments[1]), ALL)[0], 1.0
        steps, ways = 1.0, 1.0
        for sub in _subpatterns(arguments):
            own_steps, own_ways = self.sequence(list(sub), follows, last)
            steps, ways = (
                steps + own_steps,
                ways * (1.0 + own_ways if kind == "GROUPREF_EXISTS" else own_ways),
            )
        return steps, ways

    def _repeat(
        self, arguments: Any, rest: Items, follows: frozenset[int], last: bool
    ) -> tuple[float, float]:
        low, high, body = int(arguments[0]), int(arguments[1]), list(arguments[2])
        first, _ = self._first(body)
        steps, ways = self.sequence(body, follows | first)
        width = max(1, arguments[2].getwidth()[0])
        most = min(high, max(low, self._n // width))
        if ways > 1.0:
            powers = _power(ways, most)
            return min(ENOUGH, steps * powers), powers
        ends = most - low + 1.0
        if last or not first & follows:
            return steps * most + ends, 1.0  # it may end in one place only
        return steps * most + ends, min(ends, self._places(rest))

    def _places(self, rest: Items) -> float:
        """In how many places of a line the plain text can stand that follows; all of them if there is none."""
        text = _text(rest)
        if not text or self._folded:
            return self._n + 1.0
        period = _period(text) or len(text)
        return max(1.0, (self._n - len(text)) // period + 1.0)

    # --- what a part may begin with -------------------------------------------------------------------

    def _follows(self, rest: Items, after: frozenset[int]) -> frozenset[int]:
        first, is_empty = self._first(rest)
        return first | after if is_empty else first

    def _are_apart(self, ways: list[Items]) -> bool:
        """True if no two of the alternatives can begin alike."""
        firsts = [self._first(way) for way in ways]
        apart = all(not one & other for (one, _), (other, _) in itertools.combinations(firsts, 2))
        return apart and not any(is_empty for _, is_empty in firsts)

    def _first(self, items: Items) -> tuple[frozenset[int], bool]:
        """Characters that it may begin with, and whether it may be empty."""
        found: frozenset[int] = frozenset()
        for kind, arguments in items:
            first, is_empty = self._first_of(str(kind), arguments)
            found |= first
            if not is_empty:
                return found, False
        return found, True

    def _first_of(self, kind: str, arguments: Any) -> tuple[frozenset[int], bool]:
        if kind in _CHARACTERS:
            return (ALL if self._folded else _characters(kind, arguments)), False
        if kind in _REPEATS:
            first, is_empty = self._first(list(arguments[2]))
            return first, is_empty or int(arguments[0]) == 0
        if kind == "BRANCH":
            firsts = [self._first(list(each)) for each in arguments[1]]
            return frozenset().union(*(first for first, _ in firsts)), any(empty for _, empty in firsts)
        if kind in ("SUBPATTERN", "ATOMIC_GROUP"):
            subs = list(_subpatterns(arguments))
            return self._first(list(subs[0]))
        if kind == "AT" or kind in _LOOKS:
            return frozenset(), True
        return ALL, True


def _text(items: Items) -> tuple[int, ...]:
    """The plain text with which these begin."""
    return tuple(
        arguments for _, arguments in itertools.takewhile(lambda item: str(item[0]) == "LITERAL", items)
    )


def _period(text: tuple[int, ...]) -> int:
    """After how many characters the text can stand again, over itself; 0 if it can't."""
    return next((step for step in range(1, len(text)) if text[step:] == text[: len(text) - step]), 0)


def _overlap(one: tuple[int, ...], other: tuple[int, ...]) -> bool:
    """True if the two can have characters of a line in common."""
    shifts = range(1 - len(other), len(one))
    return any(
        all(one[shift + at] == code for at, code in enumerate(other) if 0 <= shift + at < len(one))
        for shift in shifts
    )


def _flat(items: Items) -> Iterator[tuple[Any, Any]]:
    """The items, those of groups among them: a group changes nothing of what follows what."""
    for kind, arguments in items:
        if str(kind) == "SUBPATTERN":
            yield from _flat(list(arguments[-1]))
        else:
            yield kind, arguments


def _power(ways: float, most: int) -> float:
    """`ways` to the power `most`, and all lower powers."""
    total, power = 1.0, 1.0
    for _ in range(most):
        power *= ways
        total += power
        if total > ENOUGH:
            return ENOUGH
    return total


def _characters(kind: str, arguments: Any) -> frozenset[int]:
    """The characters that one part of the parsed pattern fits."""
    if kind == "ANY":
        return ALL
    if kind == "LITERAL":
        return frozenset({arguments if arguments < _SHOWN else _kind_of(arguments)})
    if kind == "NOT_LITERAL":
        return ALL - {arguments} if arguments < _SHOWN else ALL
    if kind == "RANGE":
        low, high = arguments
        return frozenset(range(low, min(high, _SHOWN - 1) + 1)) | (_OTHER if high >= _SHOWN else frozenset())
    if kind == "CATEGORY":
        return _CATEGORIES.get(str(arguments), ALL)
    negated = any(str(each) == "NEGATE" for each, _ in arguments)
    found = [_characters(str(each), of) for each, of in arguments if str(each) != "NEGATE"]
    union = frozenset().union(*found)
    # A class that names some of the others leaves others of them out, and lets some in.
    return (ALL - union) | _OTHER if negated else union


_OTHER = frozenset(map(ord, _OTHERS))


def _kind_of(code: int) -> int:
    """The character that stands for this one."""
    kind = next(
        number for number, escape in enumerate((r"\d", r"\s", r"\w", "")) if re.match(escape, chr(code))
    )
    return ord(_OTHERS[kind])


def _category(escape: str) -> frozenset[int]:
    fits = re.compile(escape)
    return frozenset(each for each in ALL if fits.match(chr(each)))


_CATEGORIES = {
    "CATEGORY_DIGIT": _category(r"\d"),
    "CATEGORY_NOT_DIGIT": _category(r"\D"),
    "CATEGORY_SPACE": _category(r"\s"),
    "CATEGORY_NOT_SPACE": _category(r"\S"),
    "CATEGORY_WORD": _category(r"\w"),
    "CATEGORY_NOT_WORD": _category(r"\W"),
}


def _subpatterns(arguments: Any) -> Iterator[Any]:
    if isinstance(arguments, _pattern_parser.SubPattern):
        yield arguments
    elif isinstance(arguments, list | tuple):
        for each in arguments:
            yield from _subpatterns(each)
