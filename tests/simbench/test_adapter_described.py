"""The adapter of [simulation.adapter]: each field of the description acts."""

from __future__ import annotations

from collections.abc import Callable

import can
import pytest

from hiltest.canbus.frame import Frame, describe_error
from hiltest.description.loading import load_text
from hiltest.errors import DescriptionError
from hiltest.simbench.adapter import Adapter, NoFdFrames, QueueFull
from hiltest.simbench.bench import Bench
from hiltest.simbench.doors.inprocess import HiltestBus

from .world import FIXTURES


def described(*fields: str, simulation: str = "", faults: tuple[str, ...] = ()) -> Bench:
    """The glue head's bench with these fields in [simulation.adapter]; node up and sending its heartbeat."""
    text = (FIXTURES / "glue_head.toml").read_text(encoding="utf-8")
    section = "\n".join(["[simulation.adapter]", *fields, "", "[simulation]", simulation])
    assert text.count("[simulation]") == 1
    made = Bench(
        load_text(text.replace("[simulation]", section), FIXTURES).description, folder=FIXTURES, faults=faults
    )
    made.adapter()
    made.run_for(1.0)
    made.adapter().discard_received()
    return made


def taken(made: Bench, seconds: float = 1.0) -> list[Frame]:
    """What the host gets in that time, reading every millisecond."""
    frames: list[Frame] = []
    for _ in range(round(seconds * 1000)):
        made.run_for(0.001)
        frames += made.adapter().take_many()
    return frames


def heartbeats(frames: list[Frame]) -> list[Frame]:
    return [frame for frame in frames if frame.can_id == 0x705 and not frame.error]


def kinds(frames: list[Frame]) -> set[str]:
    return {kind for frame in frames if frame.error for kind in describe_error(frame).kinds}


def send(made: Bench, frame: Frame = Frame(0x3C0, b"x")) -> Adapter:  # noqa: B008
    made.adapter().send(frame)
    return made.adapter()


def test_errors_are_reported_or_hidden() -> None:
    """Nobody acknowledges: told, or not."""
    for tells in (True, False):
        made = described(f"reports_errors = {str(tells).lower()}", faults=("no_node",))
        send(made)
        assert ("ack" in kinds(taken(made, 0.05))) is tells


def test_echo_or_none() -> None:
    """The own frame comes back, marked as sent."""
    for echo in (True, False):
        made = described(f"echo = {str(echo).lower()}")
        send(made)
        assert [frame.is_rx for frame in taken(made, 0.05) if frame.can_id == 0x3C0] == [False] * echo


def test_the_transmit_queue_has_its_depth() -> None:
    """The fourth frame is refused."""
    made = described("queue_frames = 3")
    for _ in range(3):
        send(made)
    with pytest.raises(QueueFull):
        send(made)


def arrivals_s(made: Bench) -> list[float]:
    """For each heartbeat of 2 s: from its stamp (taken at the wire) to the host, to the half millisecond."""
    found: list[float] = []
    for _ in range(4000):
        made.run_for(0.0005)
        found += [made.now_s - frame.t_ns * 1e-9 for frame in heartbeats(made.adapter().take_many())]
    return found


def test_latency_and_jitter_lie_between_the_wire_and_the_host() -> None:
    """A fixed time; with jitter, times that differ and are longer on average."""
    steady = arrivals_s(described("latency_s = 0.01"))
    assert min(steady) > 0.0099
    assert max(steady) < 0.0111
    spread = arrivals_s(described("latency_s = 0.01", "jitter_s = 0.01"))
    assert len(steady) == len(spread) == 20
    assert min(spread) > 0.0099
    assert max(spread) > 0.02
    assert sum(spread) / len(spread) == pytest.approx(0.02, rel=0.4)


@pytest.mark.parametrize(
    ("fields", "late_s", "step_ns"),
    [
        (("latency_s = 0.01",), 0.0, 1),
        (("latency_s = 0.01", 'stamps = "software"'), 0.01, 1),
        (("stamp_step_s = 0.001",), 0.0, 1_000_000),
        (("stamp_offset_s = 5.0",), 5.0, 1),
    ],
)
def test_time_stamps_have_their_quality(fields: tuple[str, ...], late_s: float, step_ns: int) -> None:
    """At the wire or late, fine or coarse, with a right or a wrong zero; the healthy adapter's are the reference."""
    reference, made = (heartbeats(taken(described(*each))) for each in ((), fields))
    assert len(made) == len(reference) == 10
    for right, frame in zip(reference, made, strict=True):
        assert frame.t_ns % step_ns == 0
        assert -1e-9 * step_ns <= (frame.t_ns - right.t_ns) * 1e-9 - late_s < 1e-6


@pytest.mark.parametrize(
    ("fields", "keeps", "tells"),
    [
        ((), "first", True),
        (("tells_overrun = false",), "first", False),
        (('overrun = "drops_old"',), "last", True),
        (('overrun = "drops_old"', "tells_overrun = false"), "last", False),
        (("reports_errors = false",), "first", False),
    ],
)
def test_a_slow_host_loses_frames_as_the_adapter_is(fields: tuple[str, ...], keeps: str, tells: bool) -> None:
    """A queue of 4 and 10 heartbeats: the old or the new ones are lost, and it is told or not."""
    made = described("receive_frames = 4", *fields)
    adapter = made.adapter()
    start_s, lost_before = made.now_s, adapter.lost_in_host
    made.run_for(1.0)
    frames = adapter.take_many()
    ages_s = [frame.t_ns * 1e-9 - start_s for frame in heartbeats(frames)]
    assert len(frames) == 4
    assert len(ages_s) == 4 - tells
    assert max(ages_s) < 0.5 if keeps == "first" else min(ages_s) > 0.5
    assert ("rx-overflow" in kinds(frames)) is tells
    assert adapter.lost_in_host - lost_before == 10 - len(ages_s)


def test_after_bus_off_it_comes_back_or_stays() -> None:
    """A short for 0.2 s; 0.1 s after each bus-off it tries again."""
    for fields, back in (((), False), (("restart_s = 0.1",), True)):
        made = described(*fields, faults=("can_h_l_short@1.5",))
        made.run_for(0.6)
        send(made)
        made.run_for(0.2)
        line = made.wires["can"].line
        assert line is not None
        made.wires["can"].line = type(line)(line.taps, line.terminators, length_m=line.length_m)
        made.run_for(0.5)
        adapter = made.adapter()
        assert (adapter.state == "active") is back
        assert (adapter.restarts > 0) is back


def test_self_acknowledging_hears_itself_with_nobody_there() -> None:
    """Every send succeeds, and the own frame comes back as received: the false pass that a check must not fall for."""
    made = described("self_acknowledging = true", faults=("no_node",))
    send(made)
    frames = taken(made, 0.05)
    assert [frame.is_rx for frame in frames if frame.can_id == 0x3C0] == [True]
    assert kinds(frames) == set()


def test_without_the_fd_flag_fd_frames_are_refused() -> None:
    """As the kernel does: invalid argument."""
    made = described()
    with pytest.raises(NoFdFrames, match="FD flag is off"):
        send(made, Frame(0x3C0, bytes(12), fd=True))
    with pytest.raises(NoFdFrames):
        made.adapter().send_many([Frame(0x3C0, bytes(12), fd=True)])
    with HiltestBus(made) as bus, pytest.raises(can.CanOperationError) as caught:
        bus.send(can.Message(arbitration_id=0x3C0, data=bytes(12), is_fd=True, is_extended_id=False))
    assert caught.value.error_code == 22


def test_with_the_fd_flag_a_classic_node_destroys_fd_frames_and_takes_the_others() -> None:
    """Form errors at the node; its REC and the adapter's TEC rise."""
    made = described("fd = true")
    node = made.boards["head"].controller
    errors: list[str] = []
    node.on_error(lambda error: errors.append(error.kind))
    send(made)
    made.run_for(0.05)
    assert errors == []
    adapter = send(made, Frame(0x3C0, b"x", fd=True))
    made.run_for(0.002)
    assert errors[0] == "form"
    counters = adapter.counters
    assert counters is not None
    assert counters[0] > 0


@pytest.mark.parametrize(
    ("fields", "simulation", "passes"),
    [
        ("sends_fd = true", "", False),
        ("sends_fd = true", "nodes_take_fd = true", True),
        ("sends_fd = true\ndata_bit_rate_bps = 2_000_000", "nodes_take_fd = true", True),
    ],
)
def test_a_host_with_fd_left_on_reaches_only_nodes_that_take_it(
    fields: str, simulation: str, passes: bool
) -> None:
    """An SDO request in CAN FD format: answered or destroyed. A bit rate switch holds the bus for a shorter time."""
    made = described("fd = true", fields, simulation=simulation)
    send(made, Frame(0x605, bytes.fromhex("4000100000000000")))
    frames = taken(made, 0.05)
    assert bool([frame for frame in frames if frame.can_id == 0x585 and not frame.error]) is passes
    assert ("bit1" in kinds(frames) or "bit0" in kinds(frames) or "stuff" in kinds(frames)) is not passes


def test_another_data_phase_at_the_node_breaks_switched_frames_only() -> None:
    """FD on both sides, half the rate behind the switch."""
    for fields, passes in (("", True), ("\ndata_bit_rate_bps = 2_000_000", False)):
        made = described("fd = true", f"sends_fd = true{fields}", simulation="nodes_take_fd = true")
        made.inject("data_bit_rate_off")
        made.run_for(0.2)
        send(made, Frame(0x605, bytes.fromhex("4000100000000000")))
        frames = taken(made, 0.05)
        assert bool([frame for frame in frames if frame.can_id == 0x585 and not frame.error]) is passes


@pytest.mark.parametrize("fields", ["sends_fd = true", "data_bit_rate_bps = 2_000_000"])
def test_fd_fields_without_the_flag_are_refused(fields: str) -> None:
    """The message names the flag."""
    with pytest.raises(DescriptionError, match="fd = true beside it"):
        described(fields)


@pytest.mark.parametrize(
    ("fault", "look"),
    [
        ("adapter_filter_left", lambda made: heartbeats(taken(made)) == []),
        ("adapter_filter_left=256", lambda made: taken(made, 0.3) == []),
        ("adapter_restarts", lambda made: made.adapter().policy.restart_s == 0.1),
        ("adapter_stamps_coarse", lambda made: {f.t_ns % 30_000_000 for f in heartbeats(taken(made))} == {0}),
        ("adapter_sends_fd", lambda made: made.adapter().controller.fd),
    ],
)
def test_faults_of_the_adapter_act_on_its_policy(fault: str, look: Callable[[Bench], bool]) -> None:
    """And the sound adapter shows none of it."""
    assert look(described(faults=(fault,)))
    assert not look(described())


def test_an_adapter_that_reorders_swaps_neighbours() -> None:
    """A burst comes complete, but not in order."""
    made = described(faults=("adapter_reorders=0.3",))
    head = made.boards["head"].controller
    for number in range(30):
        head.send(Frame(0x100, bytes([number])))
    numbers = [frame.data[0] for frame in taken(made, 0.02) if frame.can_id == 0x100]
    assert sorted(numbers) == list(range(30))
    assert numbers != sorted(numbers)
