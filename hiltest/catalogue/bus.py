"""Powered, outputs off: the wire, who is on it, and whether it carries frames without errors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

ENOUGH_LOAD = 0.9
_WIRING = (
    "no power at the node: plug, fuse, polarity (does it draw current, is its lamp on?)",
    "both CAN wires open or the plug not seated: with the power off, H to L must read about 60 ohm at its plug",
    "CAN-H and CAN-L exchanged at the node: 60 ohm, normal current, and nothing but acknowledge errors",
    "another bit rate in the node or the adapter: stuff and form errors beside the acknowledge errors",
    "H and L shorted to each other, to ground or to supply: the adapter goes bus-off within milliseconds",
)


@check(
    "bus.quiet",
    per="bus",
    order=100,
    gates=("cold.power_on[{bus}]",),
    window_s=lambda bus: 30.0,
    page=Page(
        purpose="The powered, idle bus carries no error frame and no stranger before anything is sent.",
        hazard="None: nothing is commanded. Never be the first to send on a bus that you do not know.",
        method="The host listens for limits.quiet_s and counts frames, senders and error reports.",
        limits=(
            (
                "no error report",
                "a healthy idle bus shows none in 100,000 frames; common practice, no source",
            ),
            ("every sender is a node of the description", "chosen for hiltest"),
        ),
        causes=(
            "another bit rate here than on the bus",
            "a terminator missing, or a wire loose: measure H to L with the power off (60 ohm)",
            "a third device on the bus that the description does not list",
        ),
    ),
)
def test_quiet(target: Bus, link: Link, measure: Measure) -> None:
    """Listen before the first word."""
    from hiltest.catalogue import _bus, _why

    seen = _bus.listen(link, measure.limits.quiet_s)
    measure("watched", seen.seconds, "s")
    measure("frames seen", seen.frames, "frames")
    measure("error reports", seen.errors, "errors", high=0, note=seen.kinds)
    measure("adapter state", link.port.state(), note="as the adapter says; unknown where it says nothing")
    strangers = seen.strangers(measure.description, target.name)
    measure("senders not in the description", len(strangers), "ids", high=0, note=", ".join(strangers))
    diagnosis = None
    if seen.errors and not seen.frames:
        diagnosis = _why.why_unheard(link, target, seen)
    elif strangers:
        nodes = [part for part in measure.description.node if part.bus == target.name]
        diagnosis = _why.why_strange(seen, nodes)
    if diagnosis is not None:
        _why.tell(measure, diagnosis)
        measure.fail(diagnosis.short)


@check(
    "bus.enumerate",
    per="node",
    order=110,
    gates=("bus.quiet[{bus}]",),
    verbs=("search", "identify", "restart", "watch_heartbeat"),
    window_s=lambda node: 40.0 + 3 * node.boot_max_s,
    page=Page(
        purpose="Exactly the expected nodes are on the bus, and each is who it should be, boots in time and "
        "keeps its heartbeat.",
        hazard="Two boards under one id would both obey one command. Outputs stay off in this check.",
        method="Every node id is asked for its identity, replies are counted (two replies to one request are "
        "two boards), the node is reset and its boot-up message timed, then its heartbeats are timed.",
        limits=(
            ("one reply per request, one serial number", "CiA 301: a node id is unique on a bus"),
            ("vendor, product, revision, firmware as described", "the description"),
            ("boot time up to node.boot_max_s", "0.1 s to 1 s is common practice, no source"),
            ("mean heartbeat period within node.heartbeat_tolerance_percent", "chosen for hiltest"),
        ),
        causes=(
            *_WIRING,
            "duplicate id: two boards were set alike; number them one at a time",
            "the wrong board, or old firmware",
            "the node restarts by itself: look at its supply while it boots",
        ),
    ),
)
def test_enumerate(target: Node, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Only the expected nodes answer, and this one is right."""
    from hiltest.catalogue import _bus, _why

    # A node without a node id is found under 0.
    expected = {part.node_id or 0 for part in measure.description.node if part.bus == target.bus}
    found = node.search(1.5)
    mine = found.get(target.node_id or 0)
    if mine is None or not mine.answers:
        measure("answers", 0, "boards", low=1, high=1)
        who = f"node {target.name!r}" if target.node_id is None else f"id {target.node_id}"
        bus = next(each for each in measure.description.bus if each.name == target.bus)
        diagnosis = _why.why_silent(link, bus, target, node, found, sorted(expected - {0}))
        _why.tell(measure, diagnosis)
        measure.fail(f"nothing answers as {who}. {diagnosis.short}")
    assert mine is not None
    measure("answers", mine.answers, "boards", low=1, high=1)
    measure(
        "serial numbers",
        len(mine.serial_numbers),
        "numbers",
        low=0 if mine.identity is None else 1,  # a node that speaks in signals may have none
        high=1,
        note=", ".join(str(number) for number in mine.serial_numbers),
    )
    others = sorted(set(found) - expected)
    measure("nodes not in the description", len(others), "nodes", high=0, note=", ".join(map(str, others)))
    if measure.failed:
        measure.fail("the bus does not hold exactly the expected boards; nothing more was asked of it")
    identity = node.identify()
    for label, got, want in (
        ("vendor id", identity.vendor_id, target.vendor_id),
        ("product code", identity.product_code, target.product_code),
        ("revision", identity.revision, target.revision),
        ("firmware", identity.firmware, target.firmware),
    ):
        measure.equal(label, got, want)
    measure("serial number", identity.serial_number)
    boot_s = node.restart(within_s=3 * target.boot_max_s + 1.0)
    measure("boot time", boot_s, "s", high=target.boot_max_s, limit="boot_max_s")
    beats = node.watch_heartbeat(max(2.0, 20 * target.heartbeat_s))
    _bus.judge_heartbeat(measure, beats, target)


@check(
    "bus.observer",
    per="bus",
    order=120,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]"),
    window_s=30.0,
    page=Page(
        purpose="Somebody on this bench really sees a bus error when there is one.",
        hazard="One deliberate error on the bus, with all outputs off.",
        method="The adapter is opened at another bit rate for one frame. Either the adapter must report an "
        "error or a node's own error count must rise. If nobody saw it, 'zero errors' means nothing here, and "
        "the checks that count errors are not observable.",
        limits=(("at least one observer", "an adapter that hides errors makes a load test worthless"),),
        causes=(
            "the adapter or its driver does not report errors: use another, or map the node's own counters "
            "(role bus_errors)",
        ),
    ),
)
def test_observer(target: Bus, link: Link, nodes_on_bus: list[GuardedNode], measure: Measure) -> None:
    """Provoke one known error and see who reports it."""
    from hiltest.catalogue import _bus

    seen_by = _bus.provoke_error(link, target, nodes_on_bus)
    measure("observers of a provoked error", len(seen_by), "observers", note=", ".join(seen_by) or "nobody")
    _bus.remember_observers(measure, target.name, seen_by)
    if not seen_by:
        measure.not_observable(
            "nobody reported the provoked bus error",
            "an adapter that reports errors, or a node with the role bus_errors",
        )


@check(
    "bus.load",
    per="bus",
    order=130,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]", "bus.observer[{bus}]"),
    window_s=lambda bus: 30.0 + 2 * bus.load_test.duration_s,
    page=Page(
        purpose="The bus carries frames without errors at the chosen bit rate, with a stated confidence.",
        hazard="None while the outputs are off; never load a bus on which something else is moving.",
        method="Frames of the chosen pattern are sent with identifiers that nobody uses, paced to the chosen "
        "utilisation; the nodes are made to send too. The bits are counted exactly (stuffing and CRC computed), "
        "errors are counted by the observers that bus.observer proved.",
        limits=(
            ("no error", "a healthy bus shows none"),
            (
                "upper bound of the error probability of a bit up to bus.load_test.bit_error_probability_max",
                "exact zero-failure bound 1-(1-C)^(1/n)",
            ),
            (
                "achieved utilisation at least 90 % of the chosen one, else not observable",
                "chosen for hiltest",
            ),
        ),
        causes=(
            "a terminator missing or one too many: H to L must read about 60 ohm with the power off",
            "one of the two wires open or loose at a plug",
            "untwisted pair, or bundled with motor or heater wires",
            "stub too long, cable too long for the bit rate, sample points that differ",
            "a clock that is off: errors grow with frame length and temperature",
        ),
    ),
)
def test_load(target: Bus, link: Link, nodes_on_bus: list[GuardedNode], measure: Measure) -> None:
    """Send much, and count every bit and every error."""
    from hiltest.catalogue import _bus, _load

    observers = _bus.observers(measure, target.name)
    test = target.load_test
    running = _load.LoadTest(link, target, nodes_on_bus, measure)
    running.begin(test.duration_s)
    running.run(test.duration_s)
    result = running.end()
    _load.judge(measure, target, result, observers)
    enough_percent = ENOUGH_LOAD * test.utilisation_percent
    reached_percent = 100 * result.utilisation
    is_enough = reached_percent >= enough_percent
    measure(
        "utilisation achieved",
        reached_percent,
        "%",
        low=enough_percent if is_enough else None,
        limit="load_test.utilisation_percent",
        note="" if is_enough else f"this host and adapter did not get to {enough_percent:g} %",
    )
    measure(
        f"error probability of a bit, upper bound at {test.confidence:.0%}",
        result.bound,
        "",
        high=test.bit_error_probability_max,
        limit="load_test.bit_error_probability_max",
    )
    if not is_enough and not measure.failed:
        measure.not_observable(
            f"the bus was loaded to {reached_percent:.2g} % only, {test.utilisation_percent:g} % were asked for: "
            "the host or its adapter is too slow, which says nothing about the node",
            "a faster adapter (SocketCAN), a calmer host, or a lower bus.load_test.utilisation_percent",
        )
