"""What the host sends to a node that speaks in signals: command messages with counters and checksums, in time.

A cyclic command message is also the host's sign of life: a node that no longer hears it must switch off.
"""

from __future__ import annotations

from collections.abc import Iterable

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.description.models import Message
from hiltest.link import Link, Timer
from hiltest.node._checksum import checksum
from hiltest.node._codec import Codec
from hiltest.node._signalroles import Spot

Page = tuple[tuple[str, float], ...]
"""Values of the selectors that make a page of a multiplexed message; empty for a plain one."""


def checksum_byte(codec: Codec, message: str, signal: str) -> int | None:
    """The byte in which a checksum stands; None if the signal is not one whole byte."""
    bits = sorted(codec.bits_of(message, signal))
    return bits[0] // 8 if len(bits) == 8 and bits[0] % 8 == 0 and bits[7] == bits[0] + 7 else None


def checksum_of(rule: Message, data: bytes, at_byte: int) -> int:
    """The checksum that belongs at `at_byte` of `data`."""
    others = data[:at_byte] + data[at_byte + 1 :]
    return checksum(rule.checksum_kind, bytes(rule.checksum_prefix) + others)


class CommandMessage:
    """One message of the host: the values that stand in it, and its counter."""

    def __init__(self, codec: Codec, rule: Message, spots: Iterable[Spot]) -> None:
        self._codec = codec
        self.rule = rule
        self.info = codec.messages[rule.name]
        self.period_s = rule.period_s or self.info.period_s
        self.values = {name: signal.rest for name, signal in self.info.signals.items()}
        self._pages = list(dict.fromkeys(self._page_of(spot) for spot in spots)) or [()]
        self._next_page = 0
        self._count = 0
        self._checksum_byte = (
            None if rule.checksum is None else checksum_byte(codec, rule.name, rule.checksum)
        )

    def _page_of(self, spot: Spot) -> Page:
        """The selector values at which the spot's signal is there, outermost first."""
        signal, page = spot.signal, []
        while signal.selector is not None:
            name, counts = signal.selector
            page.append((name, float(min(counts))))
            signal = self.info.signals[name]
        return tuple(reversed(page))

    def frame(self, spot: Spot | None = None) -> Frame:
        """The next frame: the page of `spot`, or the page whose turn it is."""
        if spot is None:
            page = self._pages[self._next_page]
            self._next_page = (self._next_page + 1) % len(self._pages)
        else:
            page = self._page_of(spot)
        values = self.values | dict(page)
        if self.rule.counter is not None:
            counter = self.info.signals[self.rule.counter]
            values[counter.name] = float(self._count)
            self._count = 0 if self._count >= round(counter.high) else self._count + 1
        data = bytearray(self._codec.encode(self.rule.name, values))
        at = self._checksum_byte
        if at is not None:
            data[at] = checksum_of(self.rule, bytes(data), at)
        return Frame(self.info.can_id, bytes(data), extended=self.info.extended)

    def pages(self) -> list[Frame]:
        """One frame of each page that is used."""
        return [self.frame() for _ in self._pages]


class Outgoing:
    """Every command message of a node. `missed` counts cyclic frames that the adapter did not take."""

    def __init__(self, link: Link, codec: Codec, rules: Iterable[Message], spots: Iterable[Spot]) -> None:
        self._link = link
        spots = list(spots)
        self.messages = {
            rule.name: CommandMessage(codec, rule, [s for s in spots if s.message == rule.name])
            for rule in rules
        }
        self._timers: list[Timer] = []
        self.missed = 0

    @property
    def is_cyclic(self) -> bool:
        """True if there is anything that the host sends by itself."""
        return any(message.period_s for message in self.messages.values())

    @property
    def is_silent(self) -> bool:
        return not self._timers

    def resume(self) -> None:
        """Send the cyclic messages from now on."""
        if self._timers:
            return
        for message in self.messages.values():
            if message.period_s:
                self._timers.append(self._link.every(message.period_s, lambda m=message: self._cycle(m)))  # type: ignore[misc]

    def fall_silent(self) -> None:
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()

    def _cycle(self, message: CommandMessage) -> None:
        try:
            self._link.send(message.frame())
        except QueueFull:
            # Nobody acknowledges, so nobody hears us: the node's watch sees to its outputs.
            self.missed += 1

    def put(self, spot: Spot, signal_value: float) -> None:
        """Let this value stand in every frame from the next one on."""
        self.messages[spot.message].values[spot.signal.name] = signal_value

    def get(self, spot: Spot) -> float:
        return self.messages[spot.message].values[spot.signal.name]

    def rest(self, spot: Spot) -> None:
        """Let the signal rest."""
        self.put(spot, spot.signal.rest)

    def send(self, spots: Iterable[Spot]) -> None:
        """Send now what was put into these spots, each frame once.

        Raises:
            QueueFull, BenchLost: as `Link.send`.
        """
        sent: set[tuple[str, tuple[str, frozenset[int]] | None]] = set()
        for spot in spots:
            key = (spot.message, spot.signal.selector)
            if key not in sent:
                sent.add(key)
                self._link.send(self.messages[spot.message].frame(spot))
