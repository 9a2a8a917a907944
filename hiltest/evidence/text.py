"""Values, limits and foreign text as a person reads them, the same in the terminal and in the report."""

from __future__ import annotations

import math
import re
import unicodedata

from hiltest.evidence.model import Outcome, Value, Verdict

OUTCOME_SYMBOLS: dict[Outcome, str] = {
    "passed": "✓",
    "failed": "✗",
    "error": "!",
    "not run": "–",
    "not offered": "○",
    "not observable": "?",
}
VERDICT_SYMBOLS: dict[Verdict, str] = {"accepted": "✓", "rejected": "✗", "incomplete": "–"}

UNIT_TEXTS = {"degC": "°C", "deg_c": "°C", "celsius": "°C", "ohm": "Ω", "percent": "%", "bit/s": "bit/s"}

# control, format, surrogate, private use, not assigned; line and paragraph separator
_NOT_SHOWN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
_NARROW_SPACE = "\u202f"
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


def clean(text: object, *, keep_newlines: bool = False) -> str:
    """Make text that came from outside safe to show: no control character acts, each is shown instead.

    Control characters, and those that are invisible or turn the direction of writing, are shown by number,
    like [U+001B]; so an escape sequence can't move a terminal's cursor and no name can look like another.
    """
    return "".join(_shown(c, keep_newlines) for c in str(text))


def _shown(char: str, keep_newlines: bool) -> str:
    if char == "\n" and keep_newlines:
        return char
    if char == "\t":
        return " "
    if unicodedata.category(char) in _NOT_SHOWN:
        return f"[U+{ord(char):04X}]"
    return char


def number(value: float, digits: int = 4) -> str:
    """Return a number with `digits` significant digits; whole numbers in full, very small ones as powers."""
    if not math.isfinite(value):
        return str(value)
    if value == int(value) and abs(value) < 1e12:
        return f"{int(value):,}".replace(",", _NARROW_SPACE)
    if 1e-3 <= abs(value) < 1e6:
        decimals = max(0, digits - 1 - math.floor(math.log10(abs(value))))
        text = f"{value:,.{decimals}f}".replace(",", _NARROW_SPACE)
        return text.rstrip("0").rstrip(".") if "." in text else text
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
    return f"{mantissa}·10{str(int(exponent)).translate(_SUPERSCRIPTS)}"


def value_text(value: Value, unit: str = "", low: float | None = None, high: float | None = None) -> str:
    """Return a measured value with its unit.

    Enough digits are shown that a value beyond a limit never reads the same as the limit.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        return with_unit(clean(value), unit)
    digits = 4
    limits = [x for x in (low, high) if x is not None and x != value]
    while digits < 12 and any(number(value, digits) == number(x, digits) for x in limits):
        digits += 1
    return with_unit(number(value, digits), unit)


def unit_text(unit: str) -> str:
    """Return the unit as it is printed."""
    return UNIT_TEXTS.get(unit, clean(unit))


def with_unit(text: str, unit: str) -> str:
    """Join a number's text and its unit."""
    return f"{text} {unit_text(unit)}" if unit else text


def limits_text(low: float | None, high: float | None, unit: str = "") -> str:
    """Return the allowed range in words."""
    if low is not None and high is not None:
        if low == high:
            return f"exactly {with_unit(number(low, 6), unit)}"
        return with_unit(f"{number(low, 6)} to {number(high, 6)}", unit)
    if high is not None:
        return f"at most {with_unit(number(high, 6), unit)}"
    if low is not None:
        return f"at least {with_unit(number(low, 6), unit)}"
    return "no limit"


def seconds_text(seconds: float) -> str:
    """Return a duration, in seconds below two minutes and in minutes above."""
    if seconds < 120:
        return f"{number(round(seconds, 1))} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest:02d} s"


def file_name(text: str, fallback: str = "unit", longest: int = 60) -> str:
    """Return `text` as a part of a file name: letters, digits, dot, dash and underscore, nothing else."""
    name = re.sub(r"[^A-Za-z0-9._-]+", "-", text).strip("-._")[:longest].rstrip("-._")
    return name or fallback
