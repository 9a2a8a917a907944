"""What a console node tells on the bus: its heartbeat, and values that stand in messages. Nothing is sent here."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from hiltest.clock import NS_PER_S
from hiltest.description.models import Description, Node
from hiltest.description.senders import senders_on
from hiltest.errors import NoAnswer
from hiltest.link import Link
from hiltest.node._codec import Codec
from hiltest.node._feedback import Feedback, rule_of
from hiltest.node._signalroles import Spot
from hiltest.node._signalsearch import search
from hiltest.node.verbs import Presence

BREAK_PERIODS = 1.5
"""A heartbeat that is this much late tells that a node which was told to restart does."""


class BusSide:
    """Listens to one console node. `on_beat` is told the bench time (ns) of each heartbeat, and whether it is the
    first of a new life: the first one after a break that `expect_restart` announced. `folder` is where the description lies.
    """

    def __init__(
        self,
        link: Link,
        description: Description,
        node: Node,
        codec: Codec,
        spots: list[Spot],
        on_beat: Callable[[int, bool], None],
        folder: Path,
    ) -> None:
        self._folder = folder
        self._link, self._description, self._node, self._codec = link, description, node, codec
        self._on_beat = on_beat
        rules = {message.name: message for message in node.message}
        names = dict.fromkeys(spot.message for spot in spots)
        if node.heartbeat is not None:
            names[node.heartbeat] = None
        self.feedback = Feedback(
            link, codec, (rule_of(rules, name) for name in names), node.stale_periods, self._on_values
        )
        self._beat_ns: int | None = None
        self._beats_ns: list[int] | None = None
        self._restart_ns: int | None = None
        self._detach: Callable[[], None] | None = None

    @property
    def has_heartbeat(self) -> bool:
        return self._node.heartbeat is not None

    def start(self) -> None:
        """Listen."""
        if self._detach is None:
            self._detach = self._link.listen(self.feedback.take)

    def stop(self) -> None:
        """Listen no more."""
        if self._detach is not None:
            self._detach()
            self._detach = None

    def expect_restart(self, is_expected: bool) -> None:
        """The node was told to restart: a break in its heartbeats is its end, the next one its new life."""
        self._restart_ns = self._link.now_ns if is_expected else None
        if is_expected:
            self.feedback.forget()
            if self._beat_ns is None:
                self._beat_ns = self._restart_ns  # none was heard yet: the break counts from here

    def _on_values(self, message: str, _: Mapping[str, float], t_ns: int) -> None:
        if message != self._node.heartbeat:
            return
        before, self._beat_ns = self._beat_ns, t_ns
        late_s = 0.0 if before is None else (t_ns - before) / NS_PER_S
        is_new = self._restart_ns is not None and late_s > BREAK_PERIODS * self._node.heartbeat_s
        if is_new:
            self._restart_ns = None
        if self._beats_ns is not None:
            self._beats_ns.append(t_ns)
        self._on_beat(t_ns, is_new)

    def watch_heartbeat(self, for_s: float) -> list[float]:
        """Bench times (s) of the heartbeats during the next `for_s` seconds."""
        seen: list[int] = []
        self._beats_ns = seen
        try:
            self._link.run_for(for_s)
        finally:
            self._beats_ns = None
        return [t_ns / NS_PER_S for t_ns in seen]

    def search(self, within_s: float, serial: Spot | None) -> Mapping[int, Presence]:
        """Who speaks on the bus, by listening alone; see `SignalDriver.search`."""
        heartbeat = self.feedback.sources[self._node.heartbeat or ""]
        senders = senders_on(self._description, self._node.bus or "", self._folder)
        return search(self._link, self._node, heartbeat, serial, self._codec, senders, within_s)

    def read(self, spot: Spot, what: str) -> float:
        """The value of a signal, fresh, waited for if need be.

        Raises:
            NoAnswer: it did not come in time.
        """
        source = self.feedback.sources[spot.message]
        within_s = source.stale_s(spot) or self._node.stale_periods * self._node.heartbeat_s

        def fresh() -> float | None:
            found = self.feedback.latest(spot)
            if found is None or (self._link.now_ns - found[1]) / NS_PER_S > within_s:
                return None
            return found[0]

        mark = self.feedback.mark()
        value = self._link.wait_for(fresh, within_s)
        if value is None:
            seen = self.feedback.seen_since(mark)
            raise NoAnswer(self._node.name, f"{what} ({spot} on the bus)", within_s, seen)
        return value
