"""How bus.recovery and bus.margin take the bus to its limits, and back. Private to the catalogue."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Collection, Mapping, Sequence
from functools import partial
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.canbus.opening import Adjustable
from hiltest.catalogue import _bus, _load
from hiltest.errors import BenchNotOpened, NodeFault, UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Bus
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import Reading

DISTURB_S = 0.5
DISTURB_BEATS = 2.5
"""A node loses 8 counts a try and is off after 32 (ISO 11898-1): two heartbeats within this time are enough."""
DISTURB_TICK_S = 0.006
RECOVERY_MAX_S = 2.0
RECOVERY_BEATS = 3.0
"""A node speaks again with its next heartbeat: where three of them take longer than the limit, so long is waited."""
RECOVERY_BITS = 128 * 11
RECOVERED_FROM_BUS_OFF = 0x8140
"""Error code of an emergency message (CiA 301)."""
DESTROYED = frozenset({"bit", "bit0", "bit1", "stuff", "form", "crc"})
"""Kinds of errors that somebody else on the line causes. "ack" comes on a dead one too."""
RECOVERY_WATCH_S = 1.0

SAMPLE_POINTS_PERCENT = tuple(range(50, 95, 5))
MARGIN_EACH_S = 0.2
SETTLE_S = 0.25
MARGIN_MIN_PERCENT = 10.0


def recovery(link: Link, bus: Bus, nodes: Sequence[GuardedNode], measure: Measure) -> None:
    """Destroy everything on the bus for a while, then see who comes back by itself.

    Not observable where nothing shows that frames were destroyed: a sound node then shows nothing by being there.
    """
    beat_s = _slowest_beat_s(measure, bus)
    before = _bus.counts(nodes)
    for node in nodes:
        node.go_silent()
    link.run_for(0.05)
    with _bus.errors_of(link) as provoked:
        disturbed = _disturb(link, bus, measure, max(DISTURB_S, DISTURB_BEATS * beat_s))
    measure(
        "disturbed for", disturbed, "s", note="sent at another bit rate, to destroy every frame on the bus"
    )
    freed_s = link.now_s
    max_s = max(RECOVERY_MAX_S, RECOVERY_BEATS * beat_s)
    beats, told = _signs_of_life(link, nodes, max_s)
    least_s = RECOVERY_BITS / bus.bit_rate_bps
    for node in nodes:
        back_s = beats.get(node.name)
        measure(
            f"first sign of life of {node.name} afterwards",
            float("inf") if back_s is None else back_s - freed_s,
            "s",
            high=max_s,
            note=f"128 times 11 bits are {1000 * least_s:.1f} ms; its program and its heartbeat's period come on top",
        )
    if measure.failed:
        measure.fail("a node stays mute after bus-off: only switching its supply off and on brings it back")
    for node in nodes:
        node.resume()
    back = _bus.counts(nodes)
    shown = _shown_by(provoked, before, back, told)
    measure("that frames were destroyed is shown by", ", ".join(shown) or "nothing")
    _judge_after(link, bus, nodes, measure, back)
    for node in nodes:
        with contextlib.suppress(NodeFault):
            node.identify()
            measure.require(f"{node.name} answers again", True)
            continue
        measure.require(f"{node.name} answers again", False)
    measure("adapter state", link.port.state())
    if not shown and not measure.failed:
        measure.not_observable(
            "nobody shows that the frames on the bus were destroyed: no node's error count rose, none told of a bus-off, and "
            "the adapter met no error but unanswered frames. That the nodes are there says nothing then",
            "an adapter that really joins at another bit rate, or a node with the role bus_errors",
        )


def _slowest_beat_s(measure: Measure, bus: Bus) -> float:
    return max((part.heartbeat_s for part in measure.description.node if part.bus == bus.name), default=0.0)


def _shown_by(
    provoked: _bus.Errors, before: Mapping[str, int], back: Mapping[str, int], told: Collection[str]
) -> list[str]:
    """Who shows that frames were destroyed. Unanswered frames don't: an adapter alone on a dead line has them too."""
    shown = [f"the error count of {name}" for name in before if back.get(name, 0) > before[name]]
    shown += [f"the report of {name}: recovered from bus-off" for name in sorted(told)]
    destroyed = ", ".join(f"{kind} {n}" for kind, n in sorted(provoked.by_kind.items()) if kind in DESTROYED)
    return shown + ([f"errors at the adapter ({destroyed})"] if destroyed else [])


def _judge_after(
    link: Link, bus: Bus, nodes: Sequence[GuardedNode], measure: Measure, before: Mapping[str, int]
) -> None:
    """Errors once all are back, as the adapter and the nodes count them: whoever saw more. Not judged where none of them can."""
    with _bus.errors_of(link) as errors:
        link.run_for(RECOVERY_WATCH_S)
    after = _bus.counts(nodes)
    counted = {name: max(0, after[name] - before[name]) for name in before if name in after}
    seen = sum(counted.values())
    who = [_bus.ADAPTER] if _bus.ADAPTER in _bus.observers(measure, bus.name) else []
    who += [f"node {name}" for name in counted]
    count = max(errors.count, seen)
    kinds = [
        errors.kinds,
        f"nodes counted {seen}" if seen else "",
        f"observed by {', '.join(who) or 'nobody'}",
    ]
    measure(
        "errors once all are back",
        count,
        "errors",
        high=0 if who or count else None,
        note="; ".join(filter(None, kinds)),
    )
    if not who and not count and not measure.failed:
        measure.not_observable(
            "whether errors remain once all are back: the adapter reports none, and no node's count could be read",
            "an adapter that reports errors, or a node with the role bus_errors",
        )


def _signs_of_life(
    link: Link, nodes: Sequence[GuardedNode], within_s: float
) -> tuple[dict[str, float], set[str]]:
    """Bench time of the first heartbeat or boot-up of each node, as far as they come in time; and who told of a bus-off."""
    found, told = dict[str, float](), set[str]()

    def take(name: str, reading: Reading) -> None:
        if reading.kind in ("heartbeat", "boot"):
            found.setdefault(name, link.now_s)
        elif reading.kind == "emergency" and reading.value == RECOVERED_FROM_BUS_OFF:
            told.add(name)

    removes = [node.on_reading(partial(take, node.name)) for node in nodes]
    try:
        link.wait_for(lambda: len(found) == len(nodes), within_s)
    finally:
        for remove in removes:
            remove()
    return found, told


def _disturb(link: Link, bus: Bus, measure: Measure, for_s: float) -> float:
    """Send at another bit rate, starting the adapter anew before it gives up; returns for how long, in s."""
    odd = 500_000 if bus.bit_rate_bps != 500_000 else 250_000
    frame = Frame(_bus.LOAD_IDS[0], _bus.SPARSE_EDGES)
    start_s = link.now_s
    try:
        while link.now_s - start_s < for_s:
            link.reopen(odd)
            with contextlib.suppress(QueueFull):
                for _ in range(4):
                    link.send(frame)
            link.run_for(DISTURB_TICK_S)
    except BenchNotOpened as error:
        measure.not_observable(
            f"the adapter could not be opened at {odd:,} bit/s: {error}",
            _bus.need_of(error, "an adapter whose bit rate hiltest may change"),
        )
    finally:
        link.reopen(bus.bit_rate_bps)
    return link.now_s - start_s


def margin(link: Link, bus: Bus, nodes: Sequence[GuardedNode], measure: Measure) -> None:
    """Error rate over the adapter's sample point, and the width of the window without errors."""
    port = link.port
    if not isinstance(port, Adjustable):
        measure.not_observable("this port can't move the adapter's sample point", "another adapter")
    nominal = bus.sample_point_percent
    points = sorted({*SAMPLE_POINTS_PERCENT, nominal})
    recorder = measure.curve("errors over the sample point", "errors per million bits", none=0.0)
    recorder.curve.x_name, recorder.curve.x_unit = "sample point", "%"
    ids = _bus.load_ids(measure.description, bus.name, measure.folder)
    rates: dict[float, float] = {}
    tried: list[str] = []
    try:
        for percent in points:
            rate = _errors_at(link, bus, ids, nodes, percent)
            if rate is None:
                continue
            rates[percent] = rate
            recorder.add(rate, percent)
            tried.append(f"{percent:g} %: {rate:.0f}")
    finally:
        if rates:
            port.sample_at(nominal / 100)
            link.run_for(SETTLE_S)
    if not rates:
        measure.not_observable(
            "the adapter's sample point can't be moved",
            "an adapter that takes python-can's `timing`, and bus.adapter_clock_hz",
        )
    recorder.mark("nominal", nominal)
    measure("errors per million bits by sample point", "; ".join(tried))
    _judge_window(measure, rates, nominal)


def _errors_at(
    link: Link, bus: Bus, ids: Sequence[int], nodes: Sequence[GuardedNode], percent: float
) -> float | None:
    """Errors in a million bits with the adapter sampling there; None if it can't."""
    port = link.port
    assert isinstance(port, Adjustable)
    try:
        if not port.sample_at(percent / 100):
            return None
    except UsageError:
        return None  # its clock makes no such point
    link.run_for(SETTLE_S)
    before = _bus.counts(nodes)
    share = bus.load_test.utilisation_percent / 100
    frames = [Frame(can_id, _bus.SPARSE_EDGES) for can_id in ids[: _load.POOL]]
    load = _load.Load(link, frames, bus.bit_rate_bps, share)
    with _bus.errors_of(link) as errors:
        load.start()
        link.wait_for(lambda: errors.count >= _bus.ENOUGH_ERRORS or load.stuck is not None, MARGIN_EACH_S)
        load.detach()
    port.flush()
    link.run_for(SETTLE_S)
    after = _bus.counts(nodes)
    seen = sum(max(0, after.get(name, count) - count) for name, count in before.items())
    return 1e6 * max(errors.count, seen) / max(1, load.bits)


def _judge_window(measure: Measure, rates: dict[float, float], nominal: float) -> None:
    clean = [percent for percent, rate in sorted(rates.items()) if rate == 0]
    measure("errors per million bits at the nominal sample point", rates[nominal], "", high=0)
    if nominal not in clean:
        measure.fail("errors already at the nominal sample point: there is no window around it")
    order = sorted(rates)
    low = high = nominal
    for percent in reversed(order[: order.index(nominal)]):
        if percent not in clean:
            break
        low = percent
    for percent in order[order.index(nominal) + 1 :]:
        if percent not in clean:
            break
        high = percent
    measure("clean window", high - low, "%", note=f"{low:g} % to {high:g} % of the bit")
    steps = [b - a for a, b in itertools.pairwise(order)]
    note = f"to the next point with errors; points are up to {max(steps, default=0):g} % apart"
    for side, room in (("earlier", nominal - low), ("later", high - nominal)):
        at_edge = (low == order[0]) if side == "earlier" else (high == order[-1])
        measure(
            f"room towards {side} sampling",
            room,
            "%",
            low=None if at_edge else MARGIN_MIN_PERCENT,
            note="no errors up to the end of the range" if at_edge else note,
        )
