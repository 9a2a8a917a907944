"""Values, limits and foreign text as a person reads them, the same in the terminal and in the report."""

from __future__ import annotations

import math
import re
import unicodedata

from hiltest.evidence.model import Measurement, Outcome, Value, Verdict

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
"""Units of the records, which are ASCII, as people print them."""

_SPOKEN = re.compile(r"\bdegC\b|(?:(?<=\d)|(?<=\d ))([mkM]?)ohm\b|(?<=\d)%")

DECIMALS = {
    "%": 2, "A": 3, "Hz": 1, "K": 2, "V": 3, "W": 1, "degC": 1, "kbit/s": 1, "m": 2, "ms": 2, "ohm": 2, "rpm": 0, "s": 3
}  # fmt: skip
"""Decimals at which a reading of this unit ends on such a bench, unless it has fewer than two digits then
(common practice, no source)."""

COUNTED = {f"{one}s": one for one in (
    "answer", "bit", "board", "change", "command", "error", "fan", "flag", "frame", "full step", "gap", "id", "message",
    "microstep", "motor turn", "node", "observer", "read", "reading", "request", "restart", "turn", "write",
)} | {"switches": "switch", "quanta": "quantum"}  # fmt: skip
"""Units that are things one counts, and one of them."""

NO_VALUE = "no value"
OPEN = "open (no reading)"
"""What an ohmmeter shows that reads nothing."""

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


def number(value: float, digits: int = 4, unit: str = "") -> str:
    """Return a number with `digits` significant digits; whole numbers in full, very small ones as powers.

    Decimals beyond what its unit is read to on a bench are left out, down to two significant digits.
    """
    if not math.isfinite(value):
        return str(value)
    if value == int(value) and abs(value) < 1e12:
        return f"{int(value):,}".replace(",", _NARROW_SPACE)
    if (1e-4 if unit == "s" else 1e-3) <= abs(value) < 1e6:
        power = math.floor(math.log10(abs(value)))
        decimals = digits - 1 - power
        if digits <= 4 and unit in DECIMALS:
            decimals = min(decimals, max(DECIMALS[unit], 1 - power))
        text = f"{round(value, decimals):,.{max(0, decimals)}f}".replace(",", _NARROW_SPACE)
        return text.rstrip("0").rstrip(".") if "." in text else text
    mantissa, exponent = f"{value:.{digits - 1}e}".split("e")
    mantissa = mantissa.rstrip("0").rstrip(".") if "." in mantissa else mantissa
    return f"{mantissa}·10{str(int(exponent)).translate(_SUPERSCRIPTS)}"


def value_text(
    value: Value, unit: str = "", low: float | None = None, high: float | None = None, form: str = ""
) -> str:
    """Return a measured value with its unit.

    Enough digits are shown that a value beyond a limit never reads the same as the limit. A number in the form
    "hex" is one that names something, such as a product code.
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, str):
        if unit == "ohm" and value == "inf":  # as JSON holds it
            return OPEN
        if unit and value == "nan":
            return NO_VALUE
        return with_unit(clean(value), unit)
    if form == "hex" and value == int(value) >= 0:
        return hex_text(int(value))
    if unit == "ohm" and value == math.inf:
        return OPEN
    if math.isnan(value):
        return NO_VALUE
    digits = 4
    limits = [x for x in (low, high) if x is not None and x != value]
    while digits < 12 and any(number(value, digits, unit) == _limit(x, unit) for x in limits):
        digits += 1
    return with_unit(number(value, digits, unit), unit)


def hex_text(value: int) -> str:
    """Return an identity number as the trade writes it: eight hexadecimal digits."""
    return f"0x{value:08X}"


def unit_text(unit: str) -> str:
    """Return the unit as it is printed."""
    return UNIT_TEXTS.get(unit, clean(unit))


def with_unit(text: str, unit: str) -> str:
    """Join a number's text and its unit; one thing is no plural."""
    one = COUNTED.get(unit) if text == "1" else None
    return f"{text} {one or unit_text(unit)}" if unit else text


def _limit(limit: float, unit: str) -> str:
    """A limit: in full where somebody wrote it, at sensible figures where it was computed."""
    is_written = float(f"{limit:.5g}") == limit
    return number(limit, 6) if is_written else number(limit, 4, unit)


def limits_text(low: float | None, high: float | None, unit: str = "") -> str:
    """Return the allowed range in words."""
    if low is not None and high is not None:
        if low == high:
            return f"exactly {with_unit(_limit(low, unit), unit)}"
        low_text, high_text = _limit(low, unit), _limit(high, unit)
        if low_text == high_text:
            low_text, high_text = number(low, 9), number(high, 9)
        return with_unit(f"{low_text} to {high_text}", unit)
    if high == 0 and unit in COUNTED:
        return "none"
    if high is not None:
        return f"at most {with_unit(_limit(high, unit), unit)}"
    if low is not None:
        return f"at least {with_unit(_limit(low, unit), unit)}"
    return "no limit"


def measured_text(m: Measurement) -> str:
    """Return the value of a measurement with its unit, and by how much it may be off where that is known.

    An uncertainty has two significant digits at most (JCGM 100:2008, 7.2.6).
    """
    text = value_text(m.value, m.unit, m.low, m.high, m.form)
    if m.uncertainty is None:
        return text
    value = text.removesuffix(f" {unit_text(m.unit)}") if m.unit else text
    return with_unit(f"{value} ± {number(float(f'{m.uncertainty:.2g}'), 2, m.unit)}", m.unit)


def allowed_text(m: Measurement) -> str:
    """Return the limits of a measurement with their unit; empty where it has none."""
    return limits_text(m.low, m.high, m.unit) if m.low is not None or m.high is not None else ""


def sentence(m: Measurement) -> str:
    """Return one measurement against its limits in words."""
    allowed = allowed_text(m)
    parts = [f"{m.name}: {measured_text(m)}{f', allowed: {allowed}' if allowed else ''}"]
    return "; ".join([*parts, m.note] if m.note else parts)


def spoken(text: str) -> str:
    """Return a text of the records for a person to read: units as they are printed elsewhere."""
    plain = {"degC": "°C", "%": " %"}
    return _SPOKEN.sub(lambda found: plain.get(found.group()) or f"{found.group(1)}Ω", text)


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
