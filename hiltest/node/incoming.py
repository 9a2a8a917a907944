"""What arrives from a CANopen node, turned into readings, counted, and told to who listens."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Callable

from hiltest.canbus.frame import Frame
from hiltest.description.models import Switch
from hiltest.description.senders import CanId, emergency_id
from hiltest.link import Link
from hiltest.node._listeners import Listeners
from hiltest.node.emergencies import Emergency, decode_emergency, meaning
from hiltest.node.objects import Place
from hiltest.node.places import Key, NodePlaces
from hiltest.node.telemetry import OPERATIONAL, STATES, ProcessData
from hiltest.node.verbs import Reading, ReadingKind

EMERGENCIES_KEPT = 1000
KINDS_MAX = 64
"""Kinds of frames that are counted apart: the count is copied with every question that is asked."""
SHOWN_MAX = 8
"""Kinds of frames that a message lists, the most frequent first."""

# What a role is called as a reading. Other roles are not reported.
READINGS: dict[tuple[str, str], ReadingKind] = {
    ("node", "supply_v"): "supply_v",
    ("sensor", "temperature_c"): "temperature_c",
    ("heater", "output"): "heater_output",
    ("fan", "duty"): "fan_duty",
    ("fan", "tach_hz"): "tach_hz",
    ("stepper", "position"): "position",
    ("switch", "state"): "switch",
}

Mark = tuple["Counter[str]", int, int]


class Incoming:
    """Takes a node's frames, other than SDO answers.

    `state` is the last NMT state heard, `boots` counts boot-up messages, `heartbeats_ns` the times of heartbeats
    while it is a list. `emergency` is the identifier of emergency messages, by default 0x80 + node id. `on_outputs_lost` is called when the node says that it is not operational.
    """

    def __init__(
        self,
        link: Link,
        name: str,
        node_id: int,
        places: NodePlaces,
        on_outputs_lost: Callable[[], None],
        emergency: CanId | None = None,
    ) -> None:
        self._link = link
        self._name = name
        self._id = node_id
        self._emergency = emergency or emergency_id(None, node_id)
        self._places = places
        self._on_outputs_lost = on_outputs_lost
        self._listeners: Listeners[[Reading]] = Listeners()
        self._reported: dict[tuple[int, int], list[tuple[Key, Place]]] = {}
        for key, place in places:
            self._reported.setdefault((place.index, place.sub), []).append((key, place))
        self.process_data: dict[CanId, ProcessData] | None = None
        self.frames: Counter[str] = Counter()
        """How many of each kind came; emergencies by their error code, those of the first KINDS_MAX kinds."""
        self.state: int | None = None
        self.heartbeats_ns: list[int] | None = None
        self.boots = 0
        self.emergencies: deque[Emergency] = deque(maxlen=EMERGENCIES_KEPT)

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._listeners.add(listener)

    def take(self, frame: Frame) -> None:
        """Take a frame of any identifier; frames of others and broken ones are passed over."""
        key = (frame.can_id, frame.extended)
        if self.process_data is not None and key in self.process_data:
            self.frames["process data"] += 1
            self._on_process_data(self.process_data[key], frame)
        elif key == self._emergency:
            self._on_emergency(frame)
        elif key == (0x700 + self._id, False) and frame.data:
            self._on_heartbeat(frame)

    def _on_heartbeat(self, frame: Frame) -> None:
        state = frame.data[0] & 0x7F  # bit 7 is the toggle of node guarding
        self.state = state
        if state == 0:
            self.frames["boot-ups"] += 1
            self.boots += 1
            self._on_outputs_lost()
            self.report("boot", self._name, 0.0, t_ns=frame.t_ns)
            return
        self.frames[f"heartbeats ({STATES.get(state, hex(state))})"] += 1
        if state != OPERATIONAL:
            self._on_outputs_lost()
        if self.heartbeats_ns is not None:
            self.heartbeats_ns.append(frame.t_ns)
        self.report("heartbeat", self._name, state, t_ns=frame.t_ns)

    def _on_emergency(self, frame: Frame) -> None:
        emergency = decode_emergency(frame.data, frame.t_ns)
        if emergency is None:
            return
        kind = f"emergency 0x{emergency.code:04X} ({meaning(emergency.code)})"
        is_new = kind not in self.frames and len(self.frames) >= KINDS_MAX
        self.frames["emergencies of other codes" if is_new else kind] += 1
        self.emergencies.append(emergency)
        self.report("emergency", self._name, emergency.code, t_ns=frame.t_ns)

    def _on_process_data(self, pdo: ProcessData, frame: Frame) -> None:
        for field, raw in pdo.decode(frame.data):
            for (kind, name, role), place in self._reported.get((field.index, field.sub), ()):
                reading = READINGS.get((kind, role))
                if reading is not None:
                    self.report(reading, name, self._reported_value(kind, name, place, raw), t_ns=frame.t_ns)

    def _reported_value(self, kind: str, name: str, place: Place, raw: float) -> float:
        if kind == "sensor" and place.is_no_value(raw):
            return math.nan
        if place.bit is not None:
            raw = int(raw) >> place.bit & 1
        return self.switch_value(name, raw) if kind == "switch" else place.value_of(raw)

    def switch_value(self, name: str, raw: float) -> float:
        """1.0 if a switch with this raw bit is actuated, else 0.0."""
        load = self._places.load("switch", name)
        assert isinstance(load, Switch)
        return float(bool(raw) == load.active_high)

    def report(
        self, kind: ReadingKind, name: str, value: float, t_ns: int | None = None, asked: bool = False
    ) -> None:
        """Tell a reading to who listens. `t_ns`: bench time, by default now."""
        reading = Reading(kind, name, value, self._link.now_ns if t_ns is None else t_ns, asked)
        self._listeners(reading)

    def mark(self) -> Mark:
        """What was counted so far, for `seen_since`."""
        return Counter(self.frames), self._link.frames_seen, self._link.error_frames_seen

    def seen_since(self, mark: Mark) -> str:
        """What came since `mark`, in words, for `NoAnswer`."""
        before, frames, errors = mark
        since = self.frames - before
        parts = [f"{count} {what}" for what, count in since.most_common(SHOWN_MAX)]
        if len(since) > SHOWN_MAX:
            rest = since.total() - sum(count for _, count in since.most_common(SHOWN_MAX))
            parts.append(f"{rest} of {len(since) - SHOWN_MAX} more kinds")
        error_frames = self._link.error_frames_seen - errors
        others = self._link.frames_seen - frames - error_frames - since.total()
        if error_frames:
            parts.append(f"{error_frames} error frames")
        if others > 0:
            parts.append(f"{others} other frames")
        return ", ".join(parts) or "nothing"
