"""What the load test sends and counts."""

from __future__ import annotations

import itertools
import random
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hiltest.canbus.frame import Frame
from hiltest.canbus.frames import frame_bits, length_bits, stuff_bit_count
from hiltest.catalogue import _load
from hiltest.description.loading import Loaded, load_description, load_text
from hiltest.evidence.model import CheckResult
from hiltest.simbench.firmware import Firmware

from .boards import FIXTURES, accept, without_operator
from .files import edited as edited_file
from .paper import GLUE_HEAD, Nobody

LOAD = "bus.load[can]"
STUFF_BITS_MAX = 24
"""Of a standard frame with 8 bytes: floor((34 + 64 - 1) / 4), Davis et al. 2007."""


@pytest.fixture(scope="module")
def loaded() -> Loaded:
    return load_description(FIXTURES / "glue_head.toml")


@pytest.fixture
def ids(loaded: Loaded) -> list[tuple[int, bool]]:
    return _load.free_ids(loaded.description, loaded.description.bus[0], FIXTURES)


def frames_of(pattern: str) -> list[Frame]:
    from hiltest.clock import SimulatedClock
    from hiltest.measure import Measure

    text = GLUE_HEAD.replace('pattern = "varied"', f'pattern = "{pattern}"')
    made = load_text(text, FIXTURES)
    measure = Measure(LOAD, "bus[can]", made, SimulatedClock(), Nobody())
    return _load.pattern_frames(measure, made.description.bus[0])


def edge_gaps(frame: Frame) -> list[int]:
    """Bits between edges from recessive to dominant, from the data field on, up to the end of the CRC."""
    bits = frame_bits(frame)
    levels = bits.bits[: len(bits.bits) - 10]
    edges = [at for at, (a, b) in enumerate(itertools.pairwise(levels), 1) if a == 1 and b == 0]
    start, end = 30, len(levels) - 20  # identifier and CRC differ from frame to frame
    return [b - a for a, b in itertools.pairwise(edges) if start <= a and b <= end]


def test_sparse_edges_are_as_sparse_as_stuffing_allows(ids: list[tuple[int, bool]]) -> None:
    """Five recessive and five dominant bits: an edge to synchronise on in every ten bits, and never later."""
    for frame in frames_of("sparse_edges"):
        assert set(edge_gaps(frame)) == {10}


def test_all_other_data_have_more_edges() -> None:
    """Zeros alone give an edge in six bits, random data in about four."""
    assert set(edge_gaps(Frame(0x7A0, bytes(8)))) == {6}
    gaps = [gap for frame in frames_of("random") if frame.dlc == 8 for gap in edge_gaps(frame)]
    assert 3.5 < sum(gaps) / len(gaps) < 5.0


@pytest.mark.parametrize(
    "name", ["glue_head", "glue_head_console", "label_peel", "sample_chiller", "vent_actuator"]
)
def test_the_shipped_descriptions_load_the_bus_with_what_is_hard_on_clocks(name: str) -> None:
    """Random data alone let a node whose clock is 1.5 % off pass at 125 and 500 kbit/s; runs of few edges did not."""
    buses = load_description(FIXTURES / f"{name}.toml").description.bus
    assert all(bus.load_test.pattern in _load._HARD for bus in buses)


def test_longest_stuffing_beats_every_random_frame() -> None:
    """At least 19 stuff bits of the 24 that no frame can exceed; 20,000 random frames have fewer."""
    source = random.Random(7)
    most_random = max(
        stuff_bit_count(Frame(source.choice(range(0x781, 0x7E0)), source.randbytes(8))) for _ in range(20_000)
    )
    counts = {stuff_bit_count(frame) for frame in frames_of("longest_stuffing")}
    assert most_random < min(counts)
    assert max(counts) <= STUFF_BITS_MAX


def test_nothing_that_commands_is_ever_sent() -> None:
    """No network management, synchronisation, time, process data to a node, request, heartbeat or layer setting."""
    for pattern in ("varied", "random", "longest_stuffing", "sparse_edges", "planned", "mixed_ids"):
        for frame in frames_of(pattern):
            low = frame.can_id & 0x7FF if frame.extended else frame.can_id
            for can_id in {low, frame.can_id >> 18 if frame.extended else low}:
                service, node_id = can_id & 0x780, can_id & 0x7F
                assert can_id not in (0x000, 0x080, 0x100, 0x7E4, 0x7E5), (pattern, frame)
                assert service not in (0x200, 0x300, 0x400, 0x500, 0x600), (pattern, frame)
                assert not (service == 0x700 and node_id), (pattern, frame)
                assert service == 0x780 or node_id not in (5, 127), (pattern, frame)


def test_mixed_identifiers_lie_on_both_sides_of_the_nodes_own() -> None:
    """Some win against every frame of the node and some lose; 29-bit ones are among them."""
    frames = frames_of("mixed_ids")
    standard = {frame.can_id for frame in frames if not frame.extended}
    for own in (0x085, 0x185, 0x285, 0x385, 0x585):
        assert any(own - 3 < can_id < own for can_id in standard), hex(own)
        assert any(own < can_id < own + 3 for can_id in standard), hex(own)
    assert any(frame.extended for frame in frames)


def test_where_another_protocol_runs_mixed_identifiers_are_not_around_its_own() -> None:
    """Beside its messages there may be commands that nobody described: none is sent, and the check says so."""
    from hiltest.clock import SimulatedClock
    from hiltest.measure import Measure

    text = (FIXTURES / "label_peel.toml").read_text(encoding="utf-8")
    made = load_text(re.sub(r'pattern = "\w+"', 'pattern = "mixed_ids"', text), FIXTURES)
    bus = made.description.bus[0]
    assert bus.load_test.pattern == "mixed_ids"
    measure = Measure(LOAD, "bus[can]", made, SimulatedClock(), Nobody())
    assert {frame.can_id for frame in _load.pattern_frames(measure, bus)} <= set(range(0x781, 0x7E0))
    assert "not every node of this bus speaks CANopen" in measure.notes[0]


def test_planned_traffic_keeps_lengths_and_shares() -> None:
    """Of the glue head's messages those every 10 ms come ten times as often as those every 100 ms."""
    frames = frames_of("planned")
    count = {size: sum(frame.dlc == size for frame in frames) for size in (0, 1, 6, 7, 8)}
    assert count[0] > 5 * count[7]
    assert count[8] > count[0]
    assert len({frame.can_id for frame in frames}) == 10


def edited(tmp_path: Path, *pairs: tuple[str, str], more: str = "") -> Path:
    """A glue head without an operator, with texts replaced."""
    source = without_operator(FIXTURES / "glue_head.toml")
    for each in source.parent.glob("glue_head*"):
        shutil.copy(each, tmp_path)
    file = tmp_path / "glue_head.toml"
    text = file.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    file.write_text(text + more, encoding="utf-8")
    return file


def load_check(file: Path, *faults: str, before_close: Callable[[Any], None] | None = None) -> CheckResult:
    record = accept(*faults, file=file, only=(LOAD,), before_close=before_close)
    return next(check for check in record.checks if check.name == LOAD)


def found(check: CheckResult, name: str) -> Any:
    return next(each for each in check.measurements if each.name == name)


SHORT = ("duration_s = 4.0", "duration_s = 1.0\nbit_error_probability_max = 1e-5")


def test_what_is_counted_is_what_was_on_the_wire(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Bits and frames are the wire's own, but for the read of the burst's count at the very end."""
    truth: dict[str, list[int]] = {"busy_ns": [], "frames": []}

    def noting(real: Callable[..., Any]) -> Callable[..., Any]:
        def call(self: _load.Load, *arguments: Any) -> Any:
            wire = self._link.port.bus.bench.wires["can"]
            truth["busy_ns"].append(wire.busy_ns)
            truth["frames"].append(wire.frames)
            return real(self, *arguments)

        return call

    monkeypatch.setattr(_load.Load, "start", noting(_load.Load.start))
    monkeypatch.setattr(_load.Load, "detach", noting(_load.Load.detach))
    check = load_check(edited(tmp_path, SHORT))
    assert check.outcome == "passed"
    sent, back = found(check, "frames sent by the host").value, found(check, "frames sent by the nodes").value
    assert sent > 3000
    assert back > 300
    start, end = 0, -1
    assert abs(sent + back - (truth["frames"][end] - truth["frames"][start])) <= 1
    bits = found(check, "bits on the bus").value
    assert bits * 1000 == pytest.approx(truth["busy_ns"][end] - truth["busy_ns"][start], abs=135_000)
    assert found(check, "utilisation achieved").value == pytest.approx(50.0, abs=1.0)


def test_a_full_queue_is_paced(tmp_path: Path) -> None:
    """An adapter that takes 24 frames at a time slows the test down; it is no error."""
    small = edited(
        tmp_path,
        ("utilisation_percent = 50.0", "utilisation_percent = 60.0"),
        SHORT,
        more="\n[simulation.adapter]\nqueue_frames = 24\n",
    )
    check = load_check(small)
    assert found(check, "errors").verdict == "passed"
    assert "queue was full" in found(check, "frames sent by the host").note


def test_a_queue_that_does_not_drain_fails(tmp_path: Path) -> None:
    """The node loses its power in the middle: nobody acknowledges, the test stops at once and says so."""
    check = load_check(edited(tmp_path), "no_node@8")
    assert check.outcome == "failed"
    assert "nobody acknowledges" in check.reason
    assert check.ended_s - check.started_s < 4.0


def test_a_sequential_test_stops_when_the_bound_is_shown(tmp_path: Path) -> None:
    """ln(1/0.05) / 1e-5 = 299,573 bits without an error are enough (zero-failure bound): 0.6 s of 4."""
    file = edited(
        tmp_path,
        ('pattern = "varied"', 'sequential = true\nbit_error_probability_max = 1e-5\npattern = "varied"'),
    )
    check = load_check(file)
    assert check.outcome == "passed"
    assert 299_572 <= found(check, "bits on the bus").value < 360_000
    assert any("shows the bound" in note for note in check.notes)


def test_a_sequential_test_stops_when_it_can_only_fail(tmp_path: Path) -> None:
    """With noise from the start of the test on the verdict is certain long before its end."""
    file = edited(tmp_path, ('pattern = "varied"', 'sequential = true\npattern = "varied"'))
    check = load_check(file, "noise_bursts=200@6.3")
    assert check.outcome == "failed"
    assert any("too many" in note for note in check.notes)
    assert check.ended_s - check.started_s < 2.0


def test_frames_lost_in_the_node_are_told_from_the_others(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program that drops its answers: requests without one, on a bus without an error, with a host that dropped nothing."""
    real = Firmware._send

    def forgetful(self: Firmware, can_id: int, data: bytes) -> None:
        if self.queue.now_ns < 6_500_000_000 or can_id != 0x585 or self._rng.random() > 0.1:
            real(self, can_id, data)

    monkeypatch.setattr(Firmware, "_send", forgetful)
    check = load_check(edited(tmp_path))
    lost = found(check, "frames lost")
    assert check.outcome == "failed"
    assert "in the node" in lost.note
    assert lost.value >= 1
    assert "in the host" not in lost.note


def test_frames_lost_in_the_host_are_told_from_the_others(tmp_path: Path) -> None:
    """An adapter that keeps few frames for a host that reads late overruns, and says so: all that is missing is missing there."""
    more = "\n[simulation.adapter]\nlatency_s = 0.01\n"
    check = load_check(edited(tmp_path, SHORT, more=more), "adapter_loses_frames=2@6.5")
    lost = found(check, "frames lost")
    assert check.outcome == "failed"
    assert lost.value > 0
    assert "in the host or adapter" in lost.note
    assert "in the node" not in lost.note
    assert "on the bus" not in lost.note
    assert found(check, "errors").value == 0


def test_numbers_that_are_missing_on_a_clean_bus_were_lost_in_the_node(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frames of the burst that the node's driver forgets: no error, nothing dropped by the host, so it is the node's."""
    from hiltest.simbench.controller import Controller

    real = Controller.send
    counted = {"burst": 0, "dropped": 0}

    def forgetful(self: Controller, frame: Frame) -> bool:
        if frame.can_id == 0x485:
            counted["burst"] += 1
            if counted["burst"] % 100 == 0:
                counted["dropped"] += 1
                return True
        return real(self, frame)

    monkeypatch.setattr(Controller, "send", forgetful)
    check = load_check(edited(tmp_path, SHORT))
    lost = found(check, "frames lost")
    assert check.outcome == "failed"
    assert lost.value == counted["dropped"] > 1
    assert f"{lost.value} in the node: the bus had no error" in lost.note


def test_where_the_adapter_tells_nothing_the_node_is_not_blamed_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An adapter that hides errors and drops frames: what is missing may have been lost in it, and that is said."""
    from hiltest.simbench.adapter import Adapter

    real = Adapter._received
    counted = {"burst": 0, "dropped": 0}

    def leaky(self: Adapter, frame: Frame) -> None:
        if frame.can_id == 0x485 and not frame.error:
            counted["burst"] += 1
            if counted["burst"] % 100 == 0:
                counted["dropped"] += 1
                return
        real(self, frame)

    monkeypatch.setattr(Adapter, "_received", leaky)
    more = "\n[simulation.adapter]\nreports_errors = false\n"
    check = load_check(edited(tmp_path, SHORT, more=more))
    lost = found(check, "frames lost")
    assert check.outcome == "failed"
    assert lost.value == counted["dropped"] > 1
    assert "in the node or in the adapter" in lost.note


@pytest.mark.parametrize("fault", ["", "adapter_one_shot@6.5"])
def test_what_the_adapter_never_sent_is_counted_apart(tmp_path: Path, fault: str) -> None:
    """It gives back what it has sent: of a sound one all comes back, one in one-shot mode drops what loses arbitration."""
    file = edited(tmp_path, SHORT, more="\n[simulation.adapter]\necho = true\n")
    check = load_check(file, *filter(None, [fault]))
    lost = found(check, "frames lost")
    assert check.outcome == ("failed" if fault else "passed"), check.reason
    assert (lost.value > 10) == bool(fault)
    assert ("in the adapter: handed to it and never sent" in lost.note) == bool(fault)
    assert "in the node" not in lost.note


@pytest.mark.parametrize(
    ("sends_again", "words", "not_words"),
    [
        (True, "3 in the node: ", "adapter,"),
        (False, "2 in the node or in the adapter, which was not shown", "3 in"),
    ],
)
def test_a_read_without_an_answer_is_the_nodes_only_where_the_adapter_sends_again(
    loaded: Loaded, sends_again: bool, words: str, not_words: str
) -> None:
    """One-shot mode drops a request that meets another frame; what the node numbered and never came is the node's anyway."""
    from types import SimpleNamespace as Made

    test = _load.LoadTest.__new__(_load.LoadTest)
    test.bus = loaded.description.bus[0]
    test.load = _load.Load.__new__(_load.Load)
    test.load.handed = test.load.echoed = 0
    test.load.stuck = None
    test._numbers, test._modulus = {"head": [(0, 0), (1_000_000, 2)]}, {"head": 256}
    test.nodes, test._unanswered = [Made(name="head", unanswered=5)], {"head": 3}  # type: ignore[list-item]
    test._lost_in_host = lambda: 0  # type: ignore[method-assign]
    test._host_tells = lambda: True  # type: ignore[method-assign]
    memory = {"sends again on can": sends_again}
    test.measure = Made(memory=memory)  # type: ignore[assignment]
    told = str(test._losses(0, {}))
    assert words in told
    assert not_words not in told

    test.load.handed, test.load.echoed = 100, 93
    assert test._losses(2, {}).unsent == 7
    test._host_tells = lambda: False  # type: ignore[method-assign]
    for errors, lost in ((0, 10), (2, 7)):
        losses = test._losses(errors, {})
        assert (losses.unsent, losses.unknown) == (0, lost), (
            "an echo may have been dropped in a host that tells nothing"
        )


def test_an_adapter_that_hears_itself_is_found_beside_a_node_that_speaks_in_messages() -> None:
    """No request of its own shows it there: the load test's frames come back, and don't count as the node's."""
    file = edited_file(
        without_operator(FIXTURES / "label_peel.toml"), ("duration_s = 7.0", "duration_s = 0.5")
    )
    record = accept("adapter_in_self_test", file=file, only=(LOAD,))
    check = next(each for each in record.checks if each.name == LOAD)
    assert check.outcome == "failed"
    back = found(check, "own frames that came back as if another had sent them").value
    assert 500 < back <= found(check, "frames sent by the host").value
    assert found(check, "frames sent by the nodes").value < 300
    assert "self-test" in check.look_first[0]


def test_an_adapter_that_hides_errors_is_told_with_the_verdict() -> None:
    """Whatever the verdict is: the reader of a clean run must know who looked for errors."""
    record = accept("adapter_hides_errors", operator=False, only=("bus.observer[can]",))
    assert (
        "but bus errors were not observable on the adapter of bus 'can', only node head"
        in record.verdict_reason
    )
    assert "not observable" not in accept(operator=False, only=("bus.observer[can]",)).verdict_reason


@pytest.mark.parametrize(
    ("errors", "crowded", "node_sent", "apart_ns", "who"),
    [
        (0, 0, 3, 150_000, _load.BY_THE_NODE),
        (0, 0, 3, 90_000, _load.IN_THE_HOST),
        (0, 2, 3, 0, _load.BY_EITHER),
        (0, 2, 4, 0, _load.BY_THE_NODE),
        (5, 0, 3, 150_000, _load.ON_THE_BUS),
    ],
)
def test_who_sent_a_frame_twice_follows_from_the_wire(
    errors: int, crowded: int, node_sent: int, apart_ns: int, who: str
) -> None:
    """A frame of 8 bytes takes 111 us at least at 1 Mbit/s (ISO 11898-1, unstuffed with intermission); copies that are
    nearer were not both on the wire. Stamps of different frames that crowd together prove nothing; then the node's count does.
    """
    test = _load.LoadTest.__new__(_load.LoadTest)
    test.bus = load_description(FIXTURES / "glue_head.toml").description.bus[0]
    test.load = _load.Load.__new__(_load.Load)
    test.load.crowded = crowded
    test._identifiers, test._modulus = 1, {"head": 256}
    test._numbers = {"head": [(0, 0), (1_000_000, 1), (1_000_000 + apart_ns, 1), (9_000_000, 2)]}
    repeats = test._repeats(errors, {"head": node_sent})
    assert (repeats.twice, repeats.out_of_order, repeats.by) == (1, 0, {who: 1})


def test_lengths_are_those_of_the_wire(ids: list[tuple[int, bool]]) -> None:
    """What the load reckons with is what `length_bits` says of each frame, intermission included."""
    frames = _load.varied_frames(ids, random.Random(1))
    assert len(frames) == _load.POOL
    hard = [frame for frame in frames if frame.data == b"\x3c" * 8]
    assert len(hard) == _load.POOL // 2
    assert {length_bits(frame) for frame in hard} <= set(range(111, 136))


def test_nodes_with_synchronous_process_data_are_made_to_send_it(tmp_path: Path) -> None:
    """With the first TPDO of type 1 (after every SYNC) the node's temperatures come with each poll."""
    file = edited(tmp_path, SHORT)
    eds = tmp_path / "glue_head.eds"
    head, section, rest = eds.read_text(encoding="utf-8").partition("[1800sub2]")
    assert "DefaultValue=0xFF" in rest
    eds.write_text(head + section + rest.replace("DefaultValue=0xFF", "DefaultValue=1", 1), encoding="utf-8")
    seen: list[int] = []

    def look(run: Any) -> None:
        account = run.opened().accounts["can"]
        account.settle()
        seen.append(account.ids[0x185, False].frames)
        assert "synchronise" in run.opened().nodes["head"].offers

    assert load_check(file, before_close=look).outcome == "passed"
    assert seen[0] >= 1.0 / _load.POLL_EVERY_S - 2
