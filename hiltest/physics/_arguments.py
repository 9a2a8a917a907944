"""Argument checks shared by the formulas of this package (private).

Hot functions compare in place (`if not 0.0 < x < INF: raise refuse(...)`), because NaN fails every
comparison and so needs no test of its own; the others call `positive`, `finite` and friends.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
import numpy.typing as npt

from hiltest.errors import UsageError

INF = math.inf

FloatArray: TypeAlias = npt.NDArray[np.float64]

_UNITS = {
    "_ohm": "ohm",
    "_c": "degrees Celsius",
    "_k": "kelvin",
    "_v": "volt",
    "_a": "ampere",
    "_w": "watt",
    "_j": "joule",
    "_m": "metre",
    "_mm": "millimetre",
    "_s": "second",
    "_ns": "nanosecond",
    "_hz": "hertz",
    "_rpm": "revolutions per minute",
    "_pf": "picofarad",
    "_ohm_per_m": "ohm per metre",
    "_pf_per_m": "picofarad per metre",
    "_ns_per_m": "nanosecond per metre",
    "_j_per_k": "joule per kelvin",
    "_w_per_k": "watt per kelvin",
    "_k_per_w": "kelvin per watt",
    "_percent": "percent",
}


def refuse(name: str, value: object, expected: str, todo: str = "") -> UsageError:
    """The error for one bad argument: `name=value`, what is allowed, what to do."""
    return UsageError(f"{name}={value!r}: expected {expected}; {todo or _todo(name)}")


def _todo(name: str) -> str:
    endings = [ending for ending in _UNITS if name.endswith(ending)]
    if not endings:
        return "mend the argument"
    return f"give it in {_UNITS[max(endings, key=len)]}"


def finite(name: str, value: float, todo: str = "") -> float:
    """`value` as a float, if it is a finite number."""
    return _ranged(name, value, "a finite number", -INF < _number(name, value) < INF, todo)


def positive(name: str, value: float, todo: str = "") -> float:
    """`value` as a float, if it is finite and above 0."""
    return _ranged(name, value, "a finite number above 0", 0.0 < _number(name, value) < INF, todo)


def not_negative(name: str, value: float, todo: str = "") -> float:
    """`value` as a float, if it is finite and at least 0."""
    return _ranged(name, value, "a finite number, 0 or more", 0.0 <= _number(name, value) < INF, todo)


def between(name: str, value: float, low: float, high: float, todo: str = "") -> float:
    """`value` as a float, if low <= value <= high."""
    return _ranged(name, value, f"{low:g} to {high:g}", low <= _number(name, value) <= high, todo)


def inside(name: str, value: float, low: float, high: float, todo: str = "") -> float:
    """`value` as a float, if low < value < high."""
    fits = low < _number(name, value) < high
    return _ranged(name, value, f"more than {low:g} and less than {high:g}", fits, todo)


def confidence_level(value: float) -> float:
    """`value`, if it is a usable level of confidence: a fraction strictly between 0 and 1."""
    return inside("confidence", value, 0.0, 1.0, "give a fraction, 0.95 for 95 %")


def whole(name: str, value: int, low: int, high: int | None = None, todo: str = "") -> int:
    """`value` as an int, if it is a whole number from `low` to `high`."""
    allowed = f"a whole number, {low} or more" if high is None else f"a whole number from {low} to {high}"
    number = _number(name, value, allowed, todo)
    if not number.is_integer() or number < low or (high is not None and number > high):
        raise refuse(name, value, allowed, todo)
    return int(value)


def one_of(name: str, value: str, allowed: Sequence[str]) -> str:
    """`value`, if it is among the words `allowed`."""
    if value not in allowed:
        raise refuse(
            name, value, "one of " + ", ".join(repr(word) for word in allowed), "use one of these words"
        )
    return value


def series(name: str, values: object, at_least: int = 1) -> FloatArray:
    """`values` as a one-dimensional array of at least `at_least` finite numbers."""
    array = numbers(name, values)
    if array.ndim != 1 or array.size < at_least:
        raise refuse(name, f"<shape {array.shape}>", f"one dimension of {at_least} or more numbers")
    return array


def numbers(name: str, values: object) -> FloatArray:
    """`values` as an array of finite numbers of any shape."""
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError):
        raise refuse(name, values, "a number or an array of numbers") from None
    if not np.isfinite(array).all():
        raise refuse(name, values, "finite numbers only", "drop or repair the bad samples first")
    return array


def _number(name: str, value: object, allowed: str = "a number", todo: str = "") -> float:
    if not isinstance(value, (int, float, np.number)):
        raise refuse(name, value, allowed, todo)
    try:
        return float(value)
    except OverflowError:
        raise refuse(name, value, allowed, todo) from None


def _ranged(name: str, value: float, expected: str, fits: bool, todo: str) -> float:
    if not fits:
        raise refuse(name, value, expected, todo)
    return float(value)
