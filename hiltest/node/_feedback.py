"""What arrives from a node that speaks in signals: checked, decoded, kept with its time, and counted.

A frame with a wrong checksum, or with a counter that stands still, says nothing: it is counted and dropped, so that
what it carries grows old.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping

from hiltest.canbus.frame import Frame
from hiltest.clock import NS_PER_S
from hiltest.description.models import Message
from hiltest.link import Link
from hiltest.node._codec import Codec, MessageInfo
from hiltest.node._outgoing import checksum_byte, checksum_of
from hiltest.node._signalroles import Spot

Mark = tuple["Counter[str]", int, int]
Taken = Callable[[str, dict[str, float], int], None]
"""Called with message, values of its signals, and bench time in ns."""


STALE_MIN_S = 0.1
"""Nothing younger than this is called stale: a host that is busy with something else reads late."""


class Source:
    """One message of the node: its last frame's counter and time, and how many were lost in between."""

    def __init__(self, codec: Codec, rule: Message, stale_periods: float) -> None:
        self.rule = rule
        self.info: MessageInfo = codec.messages[rule.name]
        self.period_s = rule.period_s or self.info.period_s
        self._stale_s = None if self.period_s is None else max(STALE_MIN_S, self.period_s * stale_periods)
        self._checksum_byte = (
            None if rule.checksum is None else checksum_byte(codec, rule.name, rule.checksum)
        )
        self._codec = codec
        self._count: int | None = None
        self._last_ns = 0
        self.lost = 0

    def stale_s(self, spot: Spot) -> float | None:
        """Age from which a value of this message is no answer; None if it may have any age."""
        if self._stale_s is None or spot.signal.selector is None:
            return self._stale_s
        return self._stale_s * self.info.pages

    def read(self, data: bytes, t_ns: int) -> tuple[dict[str, float] | None, str]:
        """Values of a frame and what to count it as; no values if it says nothing or is another message."""
        name = self.rule.name
        at = self._checksum_byte
        if at is not None and at < len(data) and data[at] != checksum_of(self.rule, data, at):
            return None, f"{name} with a wrong checksum"
        values = self._codec.decode(name, data)
        if values is None:
            return None, ""
        if self.rule.counter is not None and self.rule.counter in values:
            count, before = round(values[self.rule.counter]), self._count
            if count == before:
                return None, f"{name} with a counter that stands still"
            self._note_lost(count, before, t_ns)
            self._count = count
        self._last_ns = t_ns
        return values, name

    def _note_lost(self, count: int, before: int | None, t_ns: int) -> None:
        """Frames that the counter has left out, unless the node was away for longer: then it began anew."""
        away_s = (t_ns - self._last_ns) / NS_PER_S
        if before is None or self._stale_s is None or away_s > self._stale_s:
            return
        assert self.rule.counter is not None
        turns = round(self.info.signals[self.rule.counter].high) + 1
        self.lost += (count - before - 1) % turns


class Feedback:
    """Takes every frame of the node that the driver needs to know."""

    def __init__(
        self, link: Link, codec: Codec, rules: Iterable[Message], stale_periods: float, on_values: Taken
    ) -> None:
        self._link = link
        self._on_values = on_values
        self.sources = {rule.name: Source(codec, rule, stale_periods) for rule in rules}
        self._by_id: dict[tuple[int, bool], list[Source]] = {}
        for source in self.sources.values():
            key = (source.info.can_id, source.info.extended)
            self._by_id.setdefault(key, []).append(source)
        self._values: dict[tuple[str, str], tuple[float, int]] = {}
        self.frames: Counter[str] = Counter()

    @property
    def lost(self) -> int:
        """Frames that the counters of the node's messages say were sent and never came."""
        return sum(source.lost for source in self.sources.values())

    def take(self, frame: Frame) -> None:
        """Take a frame of any identifier; frames of others are passed over."""
        if frame.error or frame.remote or not frame.is_rx:
            return
        for source in self._by_id.get((frame.can_id, frame.extended), ()):
            values, counted = source.read(frame.data, frame.t_ns)
            if counted:
                self.frames[counted] += 1
            if values is None:
                continue
            name = source.rule.name
            for signal, value in values.items():
                self._values[name, signal] = (value, frame.t_ns)
            self._on_values(name, values, frame.t_ns)
            return

    def latest(self, spot: Spot) -> tuple[float, int] | None:
        """The last value of a signal and the bench time (ns) at which it came."""
        return self._values.get((spot.message, spot.signal.name))

    def forget(self) -> None:
        """What came so far is no answer any more: the node begins anew."""
        self._values.clear()

    def mark(self) -> Mark:
        """What was counted so far, for `seen_since`."""
        return Counter(self.frames), self._link.frames_seen, self._link.error_frames_seen

    def seen_since(self, mark: Mark) -> str:
        """What came since `mark`, in words, for `NoAnswer`."""
        before, frames, errors = mark
        own = self.frames - before
        parts = [f"{count} {what}" for what, count in own.items()]
        error_frames = self._link.error_frames_seen - errors
        others = self._link.frames_seen - frames - error_frames - own.total()
        if error_frames:
            parts.append(f"{error_frames} error frames")
        if others > 0:
            parts.append(f"{others} other frames")
        return ", ".join(parts) or "nothing"


def rule_of(rules: Mapping[str, Message], name: str) -> Message:
    """What the description says of a message; nothing special where it says nothing."""
    return rules.get(name) or Message(name=name)
