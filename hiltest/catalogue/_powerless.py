"""Was a node really without power: seen as it goes, and proven once it is back. Private to the catalogue.

One lost answer proves nothing: frames get lost most easily while somebody presses a button or flips a switch. So a rail
counts as down when it was read as down for a while, and a node as silent when its silence lasts; and a silence, which may
be the adapter's or the bus's, is proven by what only a node that had no power says afterwards.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import median
from typing import TYPE_CHECKING, Literal

from hiltest.errors import GuardTripped, NodeFault, NotOffered, Refused

if TYPE_CHECKING:
    from hiltest.description.models import Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import Reading

ACT_WITHIN_S = 20.0
RAIL_DOWN_V = 5.0
DIP_SHARE = 0.95
"""A rail below this share of its resting value has begun to fall; loads that run steadily don't make so much."""
LOOK_EVERY_S = 0.1
DOWN_FOR_S = 0.5
"""A rail is down once it was read as down for so long: one reading may be wrong."""
FALL_MAX_S = 2.0
"""From the first dip to below RAIL_DOWN_V: what the capacitors of a small board take. Common practice, no source."""
SILENT_S = 3.0
"""A node that says something by itself and then nothing for so long is silent; heartbeats come faster."""
LOST_MIN = 3
"""So many answers in a row must be lost, too, where the node is asked for its rail."""
REST_LOOKS = 5
UPTIME_TOLERANCE_S = 0.5
UPTIME_TRIES = 3


def silent_s(part: Node) -> float:
    """How long a silence must last to be one, in s."""
    return max(SILENT_S, 3 * part.heartbeat_s)


@dataclass(frozen=True, slots=True)
class Fall:
    """What became of a rail: read as down, the node silent, still up, or nobody could see it.

    `after_s` is the first sign of it (the first dip, or the node's last word), from when `await_fall` began; `fall_s` the
    time from the first dip until it was down or the node silent, NaN where it can't be told.
    """

    how: Literal["rail", "silence", "stayed", "unseen"]
    after_s: float = math.nan
    fall_s: float = math.nan
    note: str = ""


class RailWatch:
    """Watches a node's rail, and whether the node says anything at all. Made before it may fall; `close` ends it."""

    def __init__(self, link: Link, node: GuardedNode, silent_s: float) -> None:
        self._link, self._node, self._silent_s = link, node, silent_s
        self._sign_s = -math.inf
        self._seen_s = math.nan
        self._dip_s = self._down_s = math.nan
        self._lost = 0
        self._why = "says nothing of the voltage of its outputs"
        self.close = node.on_reading(self._hear)
        volts = [self._read() for _ in range(REST_LOOKS)]
        good = [each for each in volts if not math.isnan(each)]
        self.rest_v = median(good) if good else math.nan
        """The rail before; NaN where the node does not say it."""

    def _hear(self, reading: Reading) -> None:
        if not reading.asked:
            self._sign_s = self._link.now_s

    def _read(self) -> float:
        """The rail in V; NaN where it was not told. Every answer is a sign of life, a refusal too."""
        try:
            volts = self._node.read_supply_v()
        except NotOffered:
            return math.nan
        except GuardTripped:
            raise
        except Refused:
            self._lost, self._why = 0, "refused to say the voltage of its outputs"
            self._sign_s = self._link.now_s
            return math.nan
        except NodeFault:
            self._lost, self._why = self._lost + 1, "did not answer for the voltage of its outputs"
            return math.nan
        self._lost, self._sign_s = 0, self._link.now_s
        return volts

    @property
    def _has_spoken(self) -> bool:
        return self._sign_s > -math.inf

    @property
    def _can_judge(self) -> bool:
        return self.rest_v * DIP_SHARE > RAIL_DOWN_V

    def await_fall(self) -> Fall:
        """Wait for the rail to go, for ACT_WITHIN_S and for as long as a fall or a silence that has begun may take.

        Raises:
            GuardTripped: the guard forced every output off meanwhile; that says nothing of the rail.
        """
        start_s, asks = self._link.now_s, "read_supply_v" in self._node.offers
        soon_s = self._silent_s / 6
        last_s = start_s + ACT_WITHIN_S + soon_s
        at_most_s = last_s + self._silent_s + ACT_WITHIN_S
        while (now_s := self._link.now_s) < at_most_s:
            quiet_s = now_s - max(start_s, self._sign_s) if self._has_spoken else 0.0
            if now_s >= last_s and math.isnan(self._dip_s) and not quiet_s > soon_s:
                break
            if quiet_s > self._silent_s and (self._lost >= LOST_MIN or not asks):
                return self._silence(start_s)
            self._link.run_for(LOOK_EVERY_S)
            self._take(self._read())
            if self._link.now_s - self._down_s >= DOWN_FOR_S:
                return self._rail(start_s)
        if self._can_judge and self._link.now_s - self._seen_s < self._silent_s:
            return Fall("stayed", note="the rail stayed up")
        if not math.isnan(self.rest_v) and not self._can_judge:
            return Fall("unseen", note=f"said {self.rest_v:.1f} V for its outputs before it was pressed")
        return Fall("unseen", note=self._why)

    def _take(self, volts: float) -> None:
        if math.isnan(volts) or not self._can_judge:
            return
        now_s = self._seen_s = self._link.now_s
        if volts >= DIP_SHARE * self.rest_v:
            self._dip_s = math.nan
        elif math.isnan(self._dip_s):
            self._dip_s = now_s
        if volts >= RAIL_DOWN_V:
            self._down_s = math.nan
        elif math.isnan(self._down_s):
            self._down_s = now_s

    def _rail(self, start_s: float) -> Fall:
        note = f"the rail fell from {self.rest_v:.1f} V to below {RAIL_DOWN_V:g} V and stayed there"
        return Fall("rail", self._dip_s - start_s, self._down_s - self._dip_s, note)

    def _silence(self, start_s: float) -> Fall:
        note = f"the node fell silent, for {self._link.now_s - max(self._sign_s, start_s):.1f} s"
        if not self._can_judge:
            return Fall("silence", max(0.0, self._sign_s - start_s), note=note)
        fall_s = 0.0 if math.isnan(self._dip_s) else max(0.0, self._sign_s - self._dip_s)
        return Fall("silence", max(0.0, self._sign_s - fall_s - start_s), fall_s, note)


class Return:
    """Listens, from when it is made, for what shows that a node was without power until then. `close` ends it."""

    def __init__(self, link: Link, node: GuardedNode, part: Node) -> None:
        self._link, self._node, self._part = link, node, part
        self._since_s = link.now_s
        self._has_booted = False
        self.close = node.on_reading(self._hear)

    def _hear(self, reading: Reading) -> None:
        self._has_booted = self._has_booted or reading.kind == "boot"

    def proof(self) -> tuple[bool | None, str]:
        """Did the node start since this was made, and what shows it; None where it offers nothing that could."""
        if self._has_booted:
            return True, "it said that it has booted"
        if "read_status" in self._node.offers:
            return self._by_uptime()
        if self._part.protocol == "canopen":
            return False, "no boot-up message was heard, which CiA 301 demands"
        return None, "the node tells neither that it boots nor how long it is up"

    def _by_uptime(self) -> tuple[bool, str]:
        why = ""
        for _ in range(UPTIME_TRIES):
            try:
                up_s = self._node.read_status().uptime_s
            except GuardTripped:
                raise
            except NodeFault as error:
                why = f"how long it is up could not be read ({error})"
                continue
            most_s = self._link.now_s - self._since_s + UPTIME_TOLERANCE_S
            text = f"it is up for {up_s:.1f} s, of {most_s:.1f} s at most if it had no power before"
            return up_s <= most_s, text
        return False, why


def hears_it(link: Link, node: GuardedNode, quiet_s: float, within_s: float) -> bool:
    """Does the node go on saying something by itself, so that it was never silent for `quiet_s` within `within_s`?"""
    start_s = sign_s = link.now_s

    def hear(reading: Reading) -> None:
        nonlocal sign_s
        if not reading.asked:
            sign_s = link.now_s

    remove = node.on_reading(hear)
    try:
        while link.now_s - start_s < within_s:
            link.run_for(LOOK_EVERY_S)
            if link.now_s - sign_s >= quiet_s:
                return False
    finally:
        remove()
    return True


class CameOn:
    """Sees, while a person thinks, whether a heater came on by itself once the node talks again, and switches it off.

    `what` is what came on, in words; `heard_for_s` is how long the node has been talking, 0.0 while it is silent.
    """

    def __init__(self, link: Link, node: GuardedNode, part: Node, measure: Measure) -> None:
        self.what = ""
        self._link, self._node, self._measure = link, node, measure
        self._heard_s = math.nan
        self._heaters = [
            each.name
            for each in measure.description.heater
            if each.node == part.name and f"read_heater_output[{each.name}]" in node.offers
        ]
        self.close = node.on_reading(self._see)

    @property
    def heard_for_s(self) -> float:
        return 0.0 if math.isnan(self._heard_s) else self._link.now_s - self._heard_s

    def _see(self, reading: Reading) -> None:
        if math.isnan(self._heard_s) and not reading.asked:
            self._heard_s = self._link.now_s

    def look(self) -> None:
        """Ask a node that talks for its outputs; command all off where one is on."""
        if self.what or math.isnan(self._heard_s):
            return
        for heater in self._heaters:
            try:
                output = self._node.read_heater_output(heater)
            except NodeFault:  # it boots, or goes away again: it is asked at the next look
                return
            if output > 0:
                self._node.stop_all()
                self.what = f"heater {heater!r} came on by itself ({100 * output:.0f} %)"
                return

    def judge(self, what: str) -> None:
        """Fail for what was seen."""
        if self.what:
            self._measure.fail(f"{self.what} when {what}; every output was commanded off")
