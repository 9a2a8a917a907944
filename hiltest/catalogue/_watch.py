"""How bus.latency, bus.heartbeat and bus.duplicate_id watch a node. Private to the catalogue."""

from __future__ import annotations

import itertools
import statistics
from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.canbus import stamps
from hiltest.canbus.opening import TellsStamps
from hiltest.catalogue import _bus
from hiltest.clock import NS_PER_S
from hiltest.errors import NoAnswer, NotOffered
from hiltest.evidence.text import hex_text
from hiltest.physics.statistics import percentile

if TYPE_CHECKING:
    from hiltest.canbus.frame import Frame
    from hiltest.description.models import Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import Reading

REQUESTS = 200
REQUEST_EVERY_S = 0.007
UNANSWERED_ENOUGH = 5
BEATS = 40
WATCH_MIN_S, WATCH_MAX_S = 3.0, 30.0
GAP_PERIODS = 1.5
IDENTITY_READS = 5
SEARCH_S = 1.0
_REQUESTS = ("read_supply_v", "read_status", "read_bus_counters", "identify")


class _Stopwatch:
    """From a request to its answer: by the adapter's echo of the request where it gives one."""

    def __init__(self, link: Link) -> None:
        self._link = link
        self._sent_ns: int | None = None
        self._echo_ns: int | None = None
        self._answer_ns = 0
        self.asked = 0
        self.echoed = 0
        self._remove = (link.listen(self._received), link.listen_sent(self._sent))

    def close(self) -> None:
        for remove in self._remove:
            remove()

    def _sent(self, frame: Frame) -> None:
        if self._sent_ns is None:
            self._sent_ns = frame.t_ns

    def _received(self, frame: Frame) -> None:
        if frame.error:
            return
        if frame.is_rx:
            self._answer_ns = frame.t_ns
        elif self._echo_ns is None:
            self._echo_ns = frame.t_ns

    def time(self, ask: Callable[[], object]) -> float:
        """Seconds from the first frame that `ask` sends to the last one that it gets."""
        self._sent_ns = self._echo_ns = None
        ask()
        self.asked += self._sent_ns is not None
        start_ns = self._sent_ns if self._echo_ns is None else self._echo_ns
        self.echoed += self._echo_ns is not None
        return (self._answer_ns - (self._answer_ns if start_ns is None else start_ns)) / NS_PER_S


def latency(link: Link, node: GuardedNode, part: Node, measure: Measure) -> None:
    """Percentiles of the time from a request to its answer."""
    verb = next(each for each in _REQUESTS if each in node.offers)
    watch = _Stopwatch(link)
    times: list[float] = []
    unanswered = 0
    try:
        while len(times) + unanswered < REQUESTS and unanswered < UNANSWERED_ENOUGH:
            try:
                times.append(watch.time(getattr(node, verb)))
            except NoAnswer:
                unanswered += 1
            link.run_for(REQUEST_EVERY_S)
    finally:
        watch.close()
    measure(
        "requests without an answer", unanswered, "requests", high=0, note=f"of {len(times) + unanswered}"
    )
    if not times:
        measure.fail(f"not one answer to {verb}")
    if 2 * watch.asked < len(times):
        raise NotOffered(
            part.name, f"a request on the bus whose answer could be timed: {verb} sends none there"
        )
    measure("stamp source", link.port.stamp_source if isinstance(link.port, TellsStamps) else stamps.UNKNOWN)
    start = "the adapter's echo of the request" if watch.echoed else "handing the request to the adapter"
    measure.note(
        f"{verb}: from {start} to the answer's time stamp, put on the host's clock; host and adapter are "
        + ("left out" if watch.echoed else "in it")
    )
    for fraction, high in ((0.5, None), (0.95, None), (0.99, part.answer_max_s)):
        found = percentile(times, fraction)
        low_ms, high_ms = (_ms(each) for each in (found.low, found.high))
        measure(
            f"answer, {fraction:.0%} within",
            found.value,
            "s",
            high=high,
            limit=None if high is None else "answer_max_s",
            note=f"{low_ms} to {high_ms} at {found.confidence:.0%} confidence, {found.samples} answers",
        )
    measure("answer, the slowest", max(times), "s")


def _ms(value_s: float | None) -> str:
    return "open" if value_s is None else f"{1000 * value_s:.2f} ms"


def heartbeat(link: Link, node: GuardedNode, part: Node, measure: Measure) -> None:
    """Period, jitter and gaps over many heartbeats, and whether the node restarts meanwhile."""
    boots: list[float] = []

    def take(reading: Reading) -> None:
        if reading.kind == "boot":
            boots.append(reading.t_ns / NS_PER_S)

    remove = node.on_reading(take)
    watch_s = min(max(WATCH_MIN_S, BEATS * part.heartbeat_s), WATCH_MAX_S)
    start_s = link.now_s
    try:
        with _bus.watching(link) as seen:
            beats = node.watch_heartbeat(watch_s)
    finally:
        remove()
    _bus.judge_strangers(measure, seen, part.bus or "")
    measure("restarts meanwhile", len(boots), "restarts", high=0, note=_cause(node) if boots else "")
    edges = [start_s, *beats, link.now_s]
    gaps = [b - a for a, b in itertools.pairwise(beats)]
    if len(gaps) < 3:
        measure("heartbeats", len(beats), "frames", low=4, note=f"in {watch_s:g} s")
        return
    period_s, share = part.heartbeat_s, part.heartbeat_tolerance_percent / 100
    curve = measure.curve("heartbeat gap", "s", period=period_s, missed=GAP_PERIODS * period_s)
    for at_s, gap_s in zip(beats[1:], gaps, strict=True):
        curve.add(gap_s, at_s)
    measure(
        "period, mean",
        statistics.fmean(gaps),
        "s",
        low=period_s * (1 - share),
        high=period_s * (1 + share),
        limit="heartbeat_tolerance_percent",
        note=f"{len(beats)} heartbeats in {watch_s:g} s",
    )
    measure(
        "jitter (standard deviation)",
        statistics.stdev(gaps),
        "s",
        high=period_s * share,
        limit="heartbeat_tolerance_percent",
    )
    missed = sum(b - a > GAP_PERIODS * period_s for a, b in itertools.pairwise(edges))
    longest_s = max(b - a for a, b in itertools.pairwise(edges))
    measure(
        "gaps", missed, "gaps", high=0, note=f"over {GAP_PERIODS:g} periods; the longest {longest_s:.3f} s"
    )


def _cause(node: GuardedNode) -> str:
    if "read_status" not in node.offers:
        return ""
    return f"cause as the node says: {node.read_status().reset_cause}"


def one_board(node: GuardedNode, part: Node, measure: Measure) -> None:
    """Is there one board only under this id? By answers, serial numbers and heartbeats."""
    found = node.search(SEARCH_S).get(part.node_id or 0)
    if found is None:
        measure("answers to one request", 0, "answers", low=1, high=1)
        measure.fail("the node answered when it was enumerated and does not any more")
    assert found is not None
    measure("answers to one request", found.answers, "answers", low=1, high=1)
    serials = set(found.serial_numbers)
    if found.answers > 1 or len(serials) > 1:
        told = ", ".join(map(hex_text, sorted(serials)))
        measure("serial numbers", len(serials), high=1, note=told)
        measure.fail("a second board answers under this id; unplug one of them")
    for _ in range(IDENTITY_READS):
        serials.add(node.identify().serial_number)
    told = ", ".join(map(hex_text, sorted(serials)))
    measure("serial numbers", len(serials), high=1, note=told)
    watch_s = min(max(1.0, 20 * part.heartbeat_s), WATCH_MAX_S)
    beats = node.watch_heartbeat(watch_s)
    measure(
        "heartbeats over expected",
        len(beats) * part.heartbeat_s / watch_s,
        "",
        high=1.5,
        note="two boards make twice as many",
    )
