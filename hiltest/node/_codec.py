"""What a node that speaks in signals needs of a codec: messages by name, values in, bytes out, and back.

Two implementations: a DBC file (`_dbc.py`) and layouts in the description (`frames.py`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from hiltest.errors import UsageError


@dataclass(frozen=True, slots=True)
class SignalInfo:
    """One signal. Values are its own physical ones.

    `step` is the value of one count (0 for floating point), `rest` what stands there when nothing is commanded,
    `names` the value table.
    `selector` is the multiplexing signal and the counts of it at which this one is there.
    """

    name: str
    step: float
    rest: float
    low: float
    high: float
    names: Mapping[str, float] = field(default_factory=dict)
    selector: tuple[str, frozenset[int]] | None = None

    def same(self, one: float, other: float) -> bool:
        """True if the two values are one count."""
        return abs(one - other) <= (0.499 * abs(self.step) or 1e-6 * max(1.0, abs(one)))

    def name_of(self, value: float) -> str | None:
        """The value table's name for a value."""
        return next((name for name, known in self.names.items() if self.same(known, value)), None)

    def check(self, value: float, what: str) -> float:
        """`value`, if the signal can carry it.

        Raises:
            UsageError: it can't; says what it can.
        """
        slack = 0.5 * abs(self.step)
        if not self.low - slack <= value <= self.high + slack:
            raise UsageError(
                f"{what}: {value:g} does not fit signal {self.name!r}, which carries {self.low:g} to {self.high:g}"
            )
        return min(max(value, self.low), self.high)


@dataclass(frozen=True, slots=True)
class MessageInfo:
    """One message. `period_s` is None for what is sent on demand, or when it is not known."""

    name: str
    can_id: int
    extended: bool
    length_bytes: int
    signals: Mapping[str, SignalInfo]
    period_s: float | None = None

    @property
    def pages(self) -> int:
        """How many different pages its multiplexed signals make; 1 without any."""
        counts: set[int] = set()
        for signal in self.signals.values():
            if signal.selector is not None:
                counts |= signal.selector[1]
        return max(1, len(counts))


class Codec(Protocol):
    """Messages by name, and the way between values and bytes."""

    messages: Mapping[str, MessageInfo]

    def encode(self, message: str, values: Mapping[str, float]) -> bytes:
        """Bytes of a message. `values` holds every signal that its selectors make present; more does no harm."""
        ...

    def decode(self, message: str, data: bytes) -> dict[str, float] | None:
        """Values of the signals that are present; None if these bytes are not that message."""
        ...

    def bits_of(self, message: str, signal: str) -> list[int]:
        """The bits that a signal takes, as 8 * byte + bit."""
        ...


def present(info: MessageInfo, values: Mapping[str, float]) -> Iterator[SignalInfo]:
    """The signals of a message that are there with these values of its selectors."""

    def is_there(signal: SignalInfo) -> bool:
        if signal.selector is None:
            return True
        name, counts = signal.selector
        return is_there(info.signals[name]) and name in values and round(values[name]) in counts

    return filter(is_there, info.signals.values())
