"""What a fault of the simulated bench is, how it is written down, and how it is found by name.

A fault changes one physical cause: a wire, a part, a setting of the firmware. It never tells a check what to
say. Written as `name[target]=value@start_s`; target, value and start may be left out.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from hiltest.clock import NS_PER_S
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench

TargetKind = Literal["bus", "node", "heater", "sensor", "fan", "stepper", "switch", "lamp", "bench"]

Apply = Callable[["Bench", str, float], None]

_WRITTEN = re.compile(r"^(?P<name>\w+)(\[(?P<target>[^\]]*)\])?(=(?P<value>[^@]+))?(@(?P<start>.+))?$")


@dataclass(frozen=True, slots=True)
class Fault:
    """One kind of fault. `default` is the value when none is given; NaN if it takes none."""

    name: str
    group: str
    about: str
    target: TargetKind
    apply: Apply
    unit: str = ""
    default: float = math.nan
    low: float = -math.inf
    high: float = math.inf
    pairs: bool = False

    @property
    def takes_value(self) -> bool:
        """True if `=value` means something."""
        return not math.isnan(self.default)


@dataclass(frozen=True, slots=True)
class FaultOrder:
    """A fault as ordered: which, where, how much, from when on (bench time)."""

    name: str
    target: str | None = None
    value: float | None = None
    start_s: float = 0.0

    def __str__(self) -> str:
        text = self.name
        if self.target is not None:
            text += f"[{self.target}]"
        if self.value is not None:
            text += f"={self.value:g}"
        return text + (f"@{self.start_s:g}" if self.start_s else "")


FAULTS: dict[str, Fault] = {}
"""Every fault by name. Filled by the modules that `hiltest.simbench.faults` imports."""


def fault(
    group: str,
    about: str,
    target: TargetKind,
    *,
    unit: str = "",
    default: float = math.nan,
    low: float = -math.inf,
    high: float = math.inf,
    pairs: bool = False,
) -> Callable[[Apply], Apply]:
    """Register the decorated function as a fault of its own name.

    With `pairs` the target may be 'one+other': the two channels whose plugs are exchanged.
    """

    def register(apply: Apply) -> Apply:
        name = apply.__name__
        FAULTS[name] = Fault(name, group, about, target, apply, unit, default, low, high, pairs)
        return apply

    return register


def find_fault(name: str) -> Fault:
    """The fault of that name. Raises UsageError with the nearest known one."""
    found = FAULTS.get(name)
    if found is None:
        raise UsageError(f"fault {name!r} is not known; {_nearest(name, FAULTS)}")
    return found


def _nearest(word: str, known: Iterable[str]) -> str:
    names = sorted(known)
    close = difflib.get_close_matches(word, names, 3, 0.75) or difflib.get_close_matches(word, names, 1, 0.5)
    if close:
        return f"did you mean {' or '.join(map(repr, close))}? ({len(names)} known)"
    return (
        f"known: {', '.join(names)}" if len(names) <= 12 else f"`hiltest faults` lists the {len(names)} known"
    )


def parse_fault(text: str) -> FaultOrder:
    """Read `name[target]=value@start_s`.

    Raises:
        UsageError: it is not written so, the name is not known, or value or start are not usable numbers.
    """
    match = _WRITTEN.match(text.strip())
    if match is None:
        raise UsageError(
            f"fault {text!r}: write it as name[target]=value@start_s, like heater_weak[reservoir]=2@5"
        )
    kind = find_fault(match["name"])
    value = None
    if match["value"] is not None:
        if not kind.takes_value:
            raise UsageError(f"fault {text!r}: {kind.name} takes no value; leave out ={match['value']}")
        value = _number(text, "value", match["value"])
        if not kind.low <= value <= kind.high:
            raise UsageError(
                f"fault {text!r}: value={value:g} {kind.unit} must be {kind.low:g} to {kind.high:g}"
            )
    start_s = 0.0 if match["start"] is None else _number(text, "start_s", match["start"])
    if start_s < 0.0:
        raise UsageError(f"fault {text!r}: start_s={start_s:g} must be 0 or more")
    return FaultOrder(kind.name, match["target"] or None, value, start_s)


def _number(text: str, name: str, written: str) -> float:
    try:
        value = float(written)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise UsageError(f"fault {text!r}: {name}={written!r} is not a finite number")
    return value


def apply_fault(bench: Bench, order: FaultOrder) -> None:
    """Let a fault happen at its time, at once if that is now or past.

    Raises:
        UsageError: the bench has no such target.
    """
    kind = find_fault(order.name)
    target = _target(bench, kind, order)
    value = kind.default if order.value is None else order.value
    start_ns = round(order.start_s * NS_PER_S)
    if start_ns <= bench.clock.now_ns:
        _happen(bench, kind, target, value)
    else:
        bench.queue.at(start_ns, _happen, bench, kind, target, value)


def _happen(bench: Bench, kind: Fault, target: str, value: float) -> None:
    kind.apply(bench, target, value)
    bench.supply.settle()


def targets(bench: Bench, kind: TargetKind) -> list[str]:
    """Names on this bench that a fault of that kind can hit."""
    described = bench.description
    if kind == "bench":
        return [described.fixture.name]
    if kind == "bus":
        return [bus.name for bus in described.bus]
    if kind == "node":
        return [node.name for node in described.node]
    return [load.name for load in getattr(described, kind)]


def _target(bench: Bench, kind: Fault, order: FaultOrder) -> str:
    known = targets(bench, kind.target)
    if not known:
        raise UsageError(f"fault {order}: this bench has no {kind.target} that it could hit")
    if kind.pairs:
        return _pair(kind, order, known)
    if order.target is None:
        return known[0]
    if order.target not in known:
        raise UsageError(
            f"fault {order}: no {kind.target} {order.target!r} here; {_nearest(order.target, known)}"
        )
    return order.target


def _pair(kind: Fault, order: FaultOrder, known: list[str]) -> str:
    if len(known) < 2:
        raise UsageError(f"fault {order}: needs two of kind {kind.target}, this bench has {len(known)}")
    if order.target is None:
        return f"{known[0]}+{known[1]}"
    names = order.target.split("+")
    if len(names) == 1:
        names.append(next(name for name in known if name != names[0]))
    for name in names:
        if name not in known:
            raise UsageError(f"fault {order}: no {kind.target} {name!r} here; {_nearest(name, known)}")
    if len(names) != 2 or names[0] == names[1]:
        raise UsageError(f"fault {order}: give two different ones, like {kind.name}[{known[0]}+{known[1]}]")
    return "+".join(names)
