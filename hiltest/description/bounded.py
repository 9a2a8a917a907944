"""The text of an EDS or DBC file, looked at before a library reads it.

The libraries believe every number in a file: a signal of 400 000 000 bits is built bit by bit, a default of
1e99999999 is multiplied out, a line of 200 000 spaces is tried at every place where it could be parted. So a
file that asks for more than any bus or node can have is refused first, in words. Every reader of these files
takes its text from here.

Nothing is judged here but size, and heads of sections that readers part in different ways: whether a file is right is
the library's to say.
"""

from __future__ import annotations

import re
from collections import deque
from pathlib import Path

EDS_BYTES_MAX = 4_000_000
DBC_BYTES_MAX = 4_000_000

LINE_MAX = 2_000
"""Characters of a line of an EDS file; CiA 306 allows 255."""
BLANKS_MAX = 100
"""Blanks in a row within a line of an EDS file: the time to part a line grows with their square."""

MESSAGE_BYTES_MAX = 2_048
"""Longest message of a DBC file; 64 on CAN FD, 1785 over the transport protocol of SAE J1939-21."""
RANGE_MAX = 65_536
"""Values of one range of a multiplexer."""
RANGES_MAX = 1_000_000
"""Values of all ranges of multiplexers in a file."""

TEXT_MAX = 1 << 18
"""Characters from quote to quote in a DBC file: to find the end of a text takes memory for each of them."""
EXPONENT_DIGITS_MAX = 3

_BLANKS = re.compile(rf"[^\S\n]{{{BLANKS_MAX + 1},}}(?=[^\s])")
_TWO_HEADS = re.compile(r"\s*\[[^\[\]]*(?:\[|\].*\])")
"""A head with further brackets behind its first."""
# The words of a DBC file, told apart in the order in which its grammar needs it.
_WORD = re.compile(
    r"""
      (?P<skip>[ \r\n\t]+ | //.*?\n)
    | (?P<number>[-+]?\d+\.?\d*(?:[eE][+-]?(?P<exponent>\d+))?)
    | (?P<name>[A-Za-z0-9_]+)
    | (?P<text>"(?:\\"|[^"])*?")
    | (?P<mark>.)
    """,
    re.VERBOSE | re.DOTALL,
)


def eds_text(file: Path) -> str:
    """Read an EDS or DCF file (CiA 306); every line ends with a newline.

    Makers write the code page of their office; names may hold a degree sign, so it is read as Latin-1.

    Raises:
        OSError: it can't be read.
        ValueError: it is too large, or a line is none that such a file has. Says which.
    """
    text = _read(file, EDS_BYTES_MAX, "latin-1")
    for number, line in enumerate(text.split("\n"), 1):
        if len(line) > LINE_MAX:
            raise ValueError(
                f"line {number} has {len(line)} characters, at most {LINE_MAX} are read (CiA 306: 255)"
            )
        if len(line) > BLANKS_MAX and _BLANKS.search(line):
            raise ValueError(f"line {number} holds more than {BLANKS_MAX} blanks in a row")
        if _TWO_HEADS.match(line):
            raise ValueError(f"line {number} is no head of one section: {line.strip()[:60]!r}")
    return text


def dbc_text(file: Path) -> str:
    """Read a DBC file, as Windows-1252, which its tools write.

    Raises:
        OSError: it can't be read.
        ValueError: it is too large, or asks for what no bus has. Says what.
    """
    text = _read(file, DBC_BYTES_MAX, "cp1252")
    longest = max(map(len, text.replace('\\"', "..").split('"')))
    if longest > TEXT_MAX:
        raise ValueError(f"{longest} characters without a closing quote, at most {TEXT_MAX} are read")
    found = _excess(text)
    if found is not None:
        at, what = found
        raise ValueError(f"line {text.count(chr(10), 0, at) + 1}: {what}")
    return text


def _excess(text: str) -> tuple[int, str] | None:
    """Where a DBC file first asks for too much, and for what."""
    last: deque[str] = deque(maxlen=5)
    is_range, values = False, 0
    for match in _WORD.finditer(text):
        if match.lastgroup == "skip":
            continue
        word = match[0]
        last.append(word)
        if word == "@" and len(last) > 3 and last[-3] == "|":
            start, bits = last[-4], last[-2]
            if _above(start, 8 * MESSAGE_BYTES_MAX) or _above(bits, 8 * MESSAGE_BYTES_MAX):
                most = 8 * MESSAGE_BYTES_MAX
                return (
                    match.start(),
                    f"a signal of {_cut(bits)} bits at bit {_cut(start)}, at most {most} are read",
                )
        elif match["exponent"] is not None and len(match["exponent"]) > EXPONENT_DIGITS_MAX:
            return match.start(), f"{_cut(word)} is no number that a signal can have"
        elif match["number"] is None:
            is_range = word == "SG_MUL_VAL_" or (is_range and word != ";")
        elif len(last) == 5 and last[0] == "BO_" and last[3] == ":" and _above(word, MESSAGE_BYTES_MAX):
            most = MESSAGE_BYTES_MAX
            return match.start(), f"a message of {_cut(word)} bytes, at most {most} are read"
        elif is_range and word.startswith("-"):
            width = _width(last[-2], word)
            values += width
            if width > RANGE_MAX or values > RANGES_MAX:
                return match.start(), (
                    f"a multiplexer with the values {_cut(last[-2] + word)}, at most {RANGE_MAX} a range and "
                    f"{RANGES_MAX} in all are read"
                )
    return None


def _width(first: str, last: str) -> int:
    """How many values a range like 3 -7 holds; too many for one that is not worked out."""
    if _above(first, 1 << 32) or _above(last[1:], 1 << 32):
        return RANGE_MAX + 1
    try:
        return max(0, int(last[1:]) - int(first) + 1)
    except ValueError:
        return 0  # no whole numbers: the library says so


def one_line(error: object, longest: int = 200) -> str:
    """What a library says about a file, fit to be shown: one line, no control character, not too long."""
    words = " ".join(str(error).split())
    plain = "".join(c if c.isprintable() else f"[U+{ord(c):04X}]" for c in words[:longest])
    return plain + ("..." if len(words) > longest else "") or type(error).__name__


def _read(file: Path, bytes_max: int, encoding: str) -> str:
    with file.open("rb") as stream:
        content = stream.read(bytes_max + 1)
    if len(content) > bytes_max:
        raise ValueError(f"it has more than {bytes_max} bytes")
    text = content.decode(encoding, errors="replace")
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _above(number: str, most: int) -> bool:
    """Whether a number is larger than `most`; one of a million digits is not worked out for it."""
    digits = number.lstrip("+-").lstrip("0").partition(".")[0]
    return len(digits) > len(str(most)) or (digits.isdecimal() and int(digits) > most)


def _cut(text: str) -> str:
    text = " ".join(text.split())
    return text if len(text) <= 40 else text[:37] + "..."
