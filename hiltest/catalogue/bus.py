"""Powered, outputs off: the wire, who is on it, and whether it carries frames without errors."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.catalogue.registry import Page, check
from hiltest.errors import BenchNotOpened

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Description, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

_REST_MAX_PERCENT = 50.0
SILENT_BEATS = 3.0


@check(
    "bus.quiet",
    per="bus",
    order=100,
    gates=("cold.power_on[{bus}]",),
    window_s=lambda bus: 30.0,
    page=Page(
        purpose="The powered, idle bus carries no error frame and no stranger before anything is sent.",
        hazard="None: nothing is commanded. Never be the first to send on a bus that you do not know.",
        method="The host listens for limits.quiet_s and counts frames, senders and error reports. Where several nodes "
        "are described, the adapter takes no part until it has heard a good frame; with one node it does (that node "
        "needs its acknowledge) and steps back at the first error that comes before any good frame. Where only "
        "errors are heard it stays away, so that an adapter at a wrong bit rate does not destroy what others send.",
        limits=(
            (
                "no error report, and no state that errors lead to (warning, passive, bus-off)",
                "a healthy idle bus shows none in 100,000 frames; common practice, no source. Where the adapter has told "
                "nothing of itself, no report is no finding and is not judged: bus.observer shows whether it can",
            ),
            (
                "every sender is a node of the description or planned traffic; not told beside a node of which the "
                "description does not say what it sends (a driver of its own)",
                "chosen for hiltest",
            ),
            (
                "no CANopen request or answer since the bus was opened, for nothing was asked yet",
                "CiA 301: a node answers its client only",
            ),
            (
                f"somebody speaks: in silence of {SILENT_BEATS:g} described heartbeats nothing is judged",
                "who hears nothing sees no error either",
            ),
            (
                f"utilisation at rest up to {_REST_MAX_PERCENT:g} %",
                "one device that babbles fills the bus; chosen for hiltest",
            ),
        ),
        causes=(
            "another bit rate here than on the bus",
            "a terminator missing, or a wire loose: measure H to L with the power off (60 ohm)",
            "a third device on the bus that the description does not list",
            _causes.QUIET_OLD,
            _causes.QUIET_CLIENT,
            "a device that babbles: the note beside the utilisation says which identifier; unplug one by one",
        ),
    ),
)
def test_quiet(target: Bus, link: Link, measure: Measure) -> None:
    """Listen before the first word."""
    from hiltest.canbus.opening import Remarks
    from hiltest.catalogue import _bus, _contact, _why

    nodes = [part for part in measure.description.node if part.bus == target.name]
    beat_s = min((part.heartbeat_s for part in nodes), default=0.0)
    listen_s = max(measure.limits.quiet_s, SILENT_BEATS * beat_s)
    for remark in link.port.remarks if isinstance(link.port, Remarks) else ():
        measure.note(remark)
    contact = _contact.listen(link, listen_s, len(nodes))
    seen = contact.seen
    if contact.note:
        measure.note(contact.note)
    measure.memory[_bus.heard_key(target.name)] = seen.frames > 0
    measure("watched", seen.seconds, "s")
    measure("frames seen", seen.frames, "frames")
    _bus.judge_quiet(measure, link, seen)
    if seen.seconds > 0:
        busy_percent = 100 * seen.bits / (seen.seconds * target.bit_rate_bps)
        measure("utilisation at rest", busy_percent, "%", high=_REST_MAX_PERCENT, note=seen.busiest())
    measure("adapter state", link.port.state(), note="as the adapter says; unknown where it says nothing")
    strangers = _bus.judge_strangers(measure, seen, target.name)
    if any(node.protocol == "canopen" for node in nodes):
        unasked = _bus.unasked(link.heard_first, nodes)
        count, which = sum(unasked.values()), _bus.busiest(unasked)
        measure("requests and answers before hiltest asked", count, "frames", high=0, note=which)
        if unasked:
            measure.look_first(_causes.QUIET_OLD, _causes.QUIET_CLIENT)
    diagnosis = None
    if seen.is_troubled and not seen.frames:
        diagnosis = _why.why_unheard(link, target, seen)
    elif strangers:
        diagnosis = _why.why_strange(seen, [part for part in nodes if part.protocol == "canopen"])
    if diagnosis is not None:
        _why.tell(measure, diagnosis)
        measure.fail(diagnosis.short)
    if not seen.frames and beat_s and not measure.failed:
        measure.not_observable(
            f"nobody spoke for {seen.seconds:g} s, though a heartbeat is described every {beat_s:g} s: silence says "
            "nothing about errors, and bus.enumerate asks why",
            "a node that is powered, plugged in and alive",
        )


@check(
    "bus.enumerate",
    per="node",
    order=110,
    gates=("bus.quiet[{bus}]",),
    may_not_see=("bus.quiet[{bus}]",),
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
        causes=_causes.BOARD,
    ),
)
def test_enumerate(target: Node, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Only the expected nodes answer, and this one is right."""
    from hiltest.catalogue import _bus, _why
    from hiltest.description.senders import messages_of
    from hiltest.evidence.text import hex_text

    # A node without a node id is found under 0.
    expected = {part.node_id or 0 for part in measure.description.node if part.bus == target.bus}
    found = node.search(1.5)
    mine = found.get(target.node_id or 0)
    if mine is None or not mine.answers:
        measure("answers", 0, "boards", low=1, high=1)
        who = f"node {target.name!r}" if target.node_id is None else f"id {target.node_id}"
        bus = next(each for each in measure.description.bus if each.name == target.bus)
        was_heard = bool(measure.memory.get(_bus.heard_key(bus.name))) and len(expected) == 1
        diagnosis = _why.why_silent(
            link,
            bus,
            target,
            node,
            found,
            sorted(expected - {0}),
            own=messages_of(target, measure.folder),
            lone_and_heard=was_heard,
        )
        _why.tell(measure, diagnosis)
        shared = [number for number, other in found.items() if other.answers > 1]
        twins = "".join(f" Two boards answer under id {n}: one of them may be it, set alike." for n in shared)
        measure.fail(f"nothing answers as {who}.{twins} {diagnosis.short}")
    assert mine is not None
    measure("answers", mine.answers, "boards", low=1, high=1)
    measure(
        "serial numbers",
        len(mine.serial_numbers),
        low=0 if mine.identity is None else 1,  # a node that speaks in signals may have none
        high=1,
        note=_bus.some([hex_text(number) for number in mine.serial_numbers]),
    )
    others = sorted(set(found) - expected)
    measure(
        "nodes not in the description", len(others), "nodes", high=0, note=_bus.some(list(map(str, others)))
    )
    doubled = sorted(number for number, other in found.items() if other.answers > 1 and other is not mine)
    if len(expected) > 1:
        label = "other ids under which two boards answer"
        measure(label, len(doubled), "ids", high=0, note=_bus.some(list(map(str, doubled))))
    if not mine.serial_numbers and mine.identity is not None:
        measure.look_first(_causes.BOARD_BUSY, _causes.BOARD_RESTARTS)
        measure.fail(
            "it answers, but too late to say who it is while it is looked for: look at what keeps it busy"
        )
    if measure.failed:
        host_id = next(each for each in measure.description.bus if each.name == target.bus).host_id
        names = [each.name for each in measure.failed]
        measure.look_first(*_causes.board(names, hears_itself=others == [host_id]))
        measure.fail("the bus does not hold exactly the expected boards; nothing more was asked of it")
    identity = node.identify()
    for label, got, want in (
        ("vendor id", identity.vendor_id, target.vendor_id),
        ("product code", identity.product_code, target.product_code),
        ("revision", identity.revision, target.revision),
    ):
        measure.equal(label, got, want, form="hex")
    measure.equal("firmware", identity.firmware, target.firmware)
    measure("serial number", identity.serial_number, form="hex")
    boot_s = node.restart(within_s=3 * target.boot_max_s + 1.0)
    measure("boot time", boot_s, "s", high=target.boot_max_s, limit="boot_max_s")
    beats = node.watch_heartbeat(max(2.0, 20 * target.heartbeat_s))
    _bus.judge_heartbeat(measure, beats, target)
    measure.look_first(*_causes.board(each.name for each in measure.failed))


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
        "the checks that count errors are not observable. Whether the adapter was seen to send the disturbed frame again and "
        "again is noted: bus.load names the node for a lost frame only then.",
        limits=(("at least one observer", "an adapter that hides errors makes a load test worthless"),),
        causes=(
            "the adapter or its driver does not report errors: use another, or map the node's own counters "
            "(role bus_errors)",
            "this account may not set a SocketCAN interface to another bit rate: the reason says how to run with that right",
        ),
    ),
)
def test_observer(target: Bus, link: Link, nodes_on_bus: list[GuardedNode], measure: Measure) -> None:
    """Provoke one known error and see who reports it."""
    from hiltest.catalogue import _bus

    try:
        provoked = _bus.provoke_error(link, target, nodes_on_bus)
    except BenchNotOpened as error:
        measure.not_observable(
            f"no bus error could be provoked: {error}",
            _bus.need_of(error, "an adapter whose bit rate hiltest may change"),
        )
    seen_by = provoked.seen_by
    measure("observers of a provoked error", len(seen_by), "observers", note=", ".join(seen_by) or "nobody")
    _bus.remember_observers(measure, target.name, seen_by)
    if not seen_by:
        measure.not_observable(
            "nobody reported the provoked bus error",
            "an adapter that reports errors, or a node with the role bus_errors",
        )
    measure.memory[_bus.sends_again_key(target.name)] = provoked.sends_again
    measure("the adapter was seen to send again what was disturbed", "yes" if provoked.sends_again else "no")


@check(
    "bus.load",
    per="bus",
    order=130,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]", "bus.observer[{bus}]"),
    window_s=lambda bus: 30.0 + 2 * bus.load_test.duration_s,
    page=Page(
        purpose="The bus carries frames without errors at the chosen bit rate, with a stated confidence.",
        hazard="None while the outputs are off; never load a bus on which something else is moving.",
        method="Frames of the chosen pattern are sent with identifiers that nobody acts on, paced to the chosen "
        "utilisation; the nodes are made to send too, by bursts, answers to reads and synchronous process data where "
        "they offer them. The bits are counted exactly (stuffing and CRC computed), errors are counted by the "
        "observers that bus.observer proved. The host's own frames count when they are handed to the adapter. Patterns: random; varied (half random, half "
        "the following two); longest_stuffing and sparse_edges (0x3C bytes: behind "
        "stuffing one edge to synchronise on in ten bits, the fewest there can be); planned (shares and lengths of "
        "the planned traffic, but no identifier that a node acts on); mixed_ids (identifiers around the nodes' own, where all nodes speak CANopen). "
        "A full transmit queue only slows it. With load_test.sequential it ends as soon as the verdict is certain.",
        limits=(
            ("no error", "a healthy bus shows none"),
            (
                "no frame lost: in the host by its drop counter and the adapter's overruns, in an adapter that gives back what it "
                "sent by what it did not, on the bus by errors, else in "
                "the node: reads that nobody answered, and numbers of its burst that never came. The node is named only "
                "where bus.observer has shown that the adapter sends again what is disturbed",
                "a healthy bench loses none",
            ),
            ("no own frame back as a received one", "ISO 11898-1: a sender does not receive its own frame"),
            (
                "where no error was seen, the adapter does not call itself warned, passive or off",
                "ISO 11898-1: each good frame takes one from its error counter",
            ),
            (
                "no numbered frame twice or out of order: by whom, follows from errors and from the time between the copies",
                "a sender repeats no frame that was taken without an error (ISO 11898-1)",
            ),
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
    _load.judge_state(measure, result)
    _load.note_utilisation(measure, test, result)
    measure(
        f"error probability of a bit, upper bound at {test.confidence:.0%}",
        result.bound,
        "",
        high=test.bit_error_probability_max,
        limit="load_test.bit_error_probability_max",
        form="course",
    )
    _load.require_utilisation(measure, test, result)


@check(
    "bus.duplicate_id",
    per="node",
    order=115,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]"),
    verbs=("search", "identify", "watch_heartbeat"),
    window_s=lambda node: 40.0 + 20 * node.heartbeat_s,
    page=Page(
        purpose="No second board has come up under the node's id since it was enumerated.",
        hazard="Two boards under one id obey one command: two machines move.",
        method="A second look after the node's restart: answers to one request are counted, the serial number is read "
        "again and again, and heartbeats are counted over some seconds.",
        limits=(
            ("one answer, one serial number", "CiA 301: a node id is unique on a bus"),
            (
                "heartbeats up to 1.5 times the expected number",
                "two boards make twice as many; chosen for hiltest",
            ),
        ),
        causes=(
            "two boards were set alike: number them one at a time",
            "a spare board is still plugged in",
            "the heartbeat's period is set shorter than the description says",
        ),
    ),
)
def test_duplicate_id(target: Node, node: GuardedNode, measure: Measure) -> None:
    """One board under one id."""
    from hiltest.catalogue import _watch

    _watch.one_board(node, target, measure)


def _has_settings(_description: Description, node: Node) -> bool:
    return node.protocol == "canopen" and (node.eds or "").lower().endswith(".dcf")


@check(
    "bus.configuration",
    per="node",
    order=113,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]"),
    verbs=("compare_configuration",),
    window_s=120.0,
    when=_has_settings,
    only_where="node.eds is a DCF: it holds what the node must be set to",
    page=Page(
        purpose="The node is set up as its DCF file says. Belongs to the catalogue where eds names a DCF file.",
        hazard="None: objects are read. A board with another set-up may map process data or hold limits that nobody expects.",
        method="Every object to which the file gives a ParameterValue is read and compared; left out are the error register "
        "and history and the watch on the host (0x1016), which hiltest sets itself.",
        limits=(("no difference", "CiA 306: a DCF file describes one device as it is set up"),),
        causes=(
            "the settings were not stored on this board: download the DCF file and store it (0x1010)",
            "the file belongs to another board or revision",
            "somebody changed a setting: the list says which",
        ),
    ),
)
def test_configuration(target: Node, node: GuardedNode, measure: Measure) -> None:
    """The node holds the values of its DCF file."""
    compared, different = node.compare_configuration()
    measure("settings compared", compared, "objects", low=1)
    measure("settings that differ", len(different), "objects", high=0, note="; ".join(different[:10]))
    for each in different[10:]:
        measure.note(each)


@check(
    "bus.latency",
    per="node",
    order=140,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]"),
    verbs=("identify",),
    window_s=60.0,
    page=Page(
        purpose="The node answers in time, every time.",
        hazard="None. A node or adapter that is slow makes every later time limit worthless.",
        method="200 reads, one at a time: from the request (the adapter's echo of it where there is one, else the "
        "moment it was handed to the adapter) to the time stamp of the answer. Percentiles with their intervals by "
        "ranks. The measurement 'stamp source' says whose stamps they are: hardware, kernel, host or simulated.",
        limits=(
            ("every request answered", "a healthy bus loses none"),
            (
                "99th percentile up to node.answer_max_s",
                "USB adapters answer within 5 ms, rarely 30 ms; common practice, no source",
            ),
        ),
        causes=(
            "all answers late by the same: the node is busy with something else before it answers",
            "a long tail: USB hub, power saving, a busy host; compare with another adapter",
            "answers missing: the node drops them, or the bus has errors (see bus.load)",
        ),
    ),
)
def test_latency(target: Node, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Request to answer, in percentiles."""
    from hiltest.catalogue import _watch

    _watch.latency(link, node, target, measure)


@check(
    "bus.heartbeat",
    per="node",
    order=150,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]"),
    verbs=("watch_heartbeat",),
    window_s=60.0,
    page=Page(
        purpose="The node's sign of life is regular, without gaps, and the node does not restart.",
        hazard="A heartbeat with gaps stops the machine for nothing, or teaches people to set limits too wide.",
        method="40 heartbeats are watched: mean, standard deviation, gaps over 1.5 periods, boot-up messages, and "
        "whether anybody else has begun to speak.",
        limits=(
            ("mean within node.heartbeat_tolerance_percent of node.heartbeat_s", "chosen for hiltest"),
            ("standard deviation within the same share of the period", "common practice, no source"),
            ("no gap over 1.5 periods, no restart, no stranger", "a healthy bench shows none"),
        ),
        causes=(
            "period off: another setting in the node, or its clock is off",
            "uneven: the heartbeat is sent by a busy main loop; or the host's stamps are uneven (see bus.latency)",
            "gaps: frames lost in the node or on the bus",
            "restarts: watchdog or supply; the node's reset cause tells",
        ),
    ),
)
def test_heartbeat(target: Node, link: Link, node: GuardedNode, measure: Measure) -> None:
    """Period, jitter, gaps."""
    from hiltest.catalogue import _watch

    _watch.heartbeat(link, node, target, measure)


@check(
    "bus.with_loads",
    per="bus",
    order=590,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]", "bus.observer[{bus}]", "bus.load[{bus}]"),
    when=lambda description, bus: any(_runs_on(description, bus)),
    only_where="a node of the bus has a heater, a fan or a stepper",
    builds_on=("fan.tach[{fan}]", "heat.low_setpoint[{heater}]", "motion.return[{stepper}]"),
    window_s=lambda bus: 60.0 + 6 * bus.load_test.with_loads_s,
    page=Page(
        purpose="The bus carries frames without errors while heater, fans and motors run.",
        hazard="Parts move and get warm meanwhile: everything runs at a low level, the motor out and back, for about "
        "load_test.with_loads_s seconds.",
        method="What has passed its own checks is switched on (fans at part speed, heaters to their low setpoint, "
        "motors out and back at working speed) and the load test is repeated, shorter. Switching edges, ground that "
        "rises with current, and a strand that breaks in the bend show here and nowhere at rest.",
        limits=(
            ("no error, no frame lost", "a healthy bus shows none"),
            (
                "achieved utilisation at least 90 % of the chosen one, else not observable",
                "chosen for hiltest",
            ),
            (
                "the bound on the error probability is told, not judged",
                "the time is too short for the bound of bus.load",
            ),
            (
                "a heater or a motor ran, where the bus has one, else not observable",
                "fans alone show too little",
            ),
            ("no change of a switch that the moves can't reach", "exact"),
            ("an axis that came back is still clear of its home switch: no step was lost", "exact"),
        ),
        causes=(
            "the pair lies beside motor or heater wires, or is not twisted: separate them",
            "the ground rises with the current: thicker return, star ground, isolated adapter",
            "a strand breaks when the axis is far out: replace the moving cable, relieve it of strain",
            "the supply dips and the node restarts: see sense.supply",
            *_causes.steps_lost(beside_loads=True),
            _causes.SWITCH_WITH_MOTOR,
        ),
    ),
)
def test_with_loads(
    target: Bus,
    link: Link,
    nodes_on_bus: list[GuardedNode],
    known_nodes: list[GuardedNode],
    measure: Measure,
) -> None:
    """The load test again, with everything running."""
    from hiltest.catalogue import _bus, _load, _underload

    observers = _bus.observers(measure, target.name)
    result = _underload.test(link, target, nodes_on_bus, known_nodes, measure)
    _load.judge(measure, target, result, observers)
    _load.note_utilisation(measure, target.load_test, result)
    measure(f"error probability of a bit, upper bound at {target.load_test.confidence:.0%}", result.bound)
    _load.require_utilisation(measure, target.load_test, result)
    _underload.require_loads(measure, target)


def _runs_on(description: Description, bus: Bus) -> list[str]:
    """Names of what can run on the nodes of `bus`."""
    nodes = {node.name for node in description.node if node.bus == bus.name}
    loads = (*description.heater, *description.fan, *description.stepper)
    return [load.name for load in loads if load.node in nodes]


@check(
    "bus.recovery",
    per="bus",
    order=160,
    gates=("bus.quiet[{bus}]", "bus.enumerate[{node}]", "bus.observer[{bus}]", "bus.load[{bus}]"),
    when=lambda _description, bus: bool(bus.recovery_test),
    only_where="bus.recovery_test = true",
    window_s=120.0,
    page=Page(
        purpose="After bus-off everybody comes back by itself.",
        hazard="Every frame on the bus is destroyed for half a second (or two and a half heartbeats), on purpose: never with anything else on this "
        "bus. Outputs are off. It runs only with bus.recovery_test = true.",
        method="The adapter joins at another bit rate and sends, started anew before it gives up itself: every frame "
        "of a node then fails, and after 32 tries its controller is off. Back at the right bit rate, the time to each "
        "node's first sign of life is taken. That frames were destroyed must show: by a node's error count, by its report of "
        "a bus-off, or by errors at the adapter that a dead line does not make; else the check is not observable. That a node "
        "really was off can't be seen from outside where it does not report it; that it comes back, can.",
        limits=(
            (
                "first sign of life within 2 s, or three heartbeats where these are longer",
                "128 times 11 bits (ISO 11898-1) and the node's own back-off; chosen for hiltest",
            ),
            (
                "no error afterwards, as adapter and nodes count them, and answers",
                "a healthy bus shows none; not judged where neither can count",
            ),
        ),
        causes=(
            "the firmware does not restart its controller after bus-off",
            "the node restarted instead: look at its reset cause",
            "the adapter does not come back: its automatic restart is off (`ip link set can0 type can restart-ms 100`)",
        ),
    ),
)
def test_recovery(target: Bus, link: Link, nodes_on_bus: list[GuardedNode], measure: Measure) -> None:
    """Bus-off, and back."""
    from hiltest.catalogue import _margin

    _margin.recovery(link, target, nodes_on_bus, measure)


@check(
    "bus.margin",
    per="bus",
    order=170,
    gates=(
        "bus.quiet[{bus}]",
        "bus.enumerate[{node}]",
        "bus.observer[{bus}]",
        "bus.load[{bus}]",
        "bus.recovery[{bus}]",
    ),
    when=lambda _description, bus: bool(bus.margin_test),
    only_where="bus.margin_test = true",
    window_s=120.0,
    page=Page(
        purpose="How far the sample point may move before errors come: the room that heat and age will use up.",
        hazard="Errors on the bus on purpose, with all outputs off. It runs only with bus.margin_test = true.",
        method="The adapter samples each bit at 50 % to 90 % of it, in steps, and the bus is loaded at each for a "
        "moment with the frames that have the fewest edges. Errors per million bits are drawn over the sample point. "
        "It needs an adapter whose bit timing hiltest may set (bus.adapter_clock_hz).",
        limits=(
            ("no error at the nominal sample point", "a healthy bus shows none"),
            (
                "at least 10 % of the bit clean on either side, or up to the end of the range",
                "chosen for hiltest",
            ),
        ),
        causes=(
            "errors at early points: the line settles late: terminators, stubs, length",
            "errors at late points: clocks that differ; look at desk.timing",
            "no window at all: see bus.load",
        ),
    ),
)
def test_margin(target: Bus, link: Link, nodes_on_bus: list[GuardedNode], measure: Measure) -> None:
    """The clean window of the sample point."""
    from hiltest.catalogue import _margin

    _margin.margin(link, target, nodes_on_bus, measure)
