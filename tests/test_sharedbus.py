"""The link's bus as a python-can bus: what any python-can program may do with it, and what it may not."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from hiltest.canbus.opening import open_port
from hiltest.description.loading import load_description
from hiltest.link import Link
from hiltest.sharedbus import SharedBus

HEARTBEAT = 0x705


@pytest.fixture
def link(glue_head: Path) -> Iterator[Link]:
    """A link on the simulated glue head, whose node has booted."""
    bus = load_description(glue_head).description.bus[0]
    link = Link(open_port(bus, {"interface": "hiltest", "channel": str(glue_head)}))
    link.run_for(1.0)
    yield link
    link.close()


@pytest.fixture
def bus(link: Link) -> Iterator[SharedBus]:
    """The link's bus for a python-can program."""
    with SharedBus(link) as bus:
        yield bus


def message(can_id: int, data: bytes) -> can.Message:
    return can.Message(arbitration_id=can_id, data=data, is_extended_id=False)


def test_it_is_a_python_can_bus_that_reads_what_the_link_reads(link: Link, bus: SharedBus) -> None:
    """Frames come with the link's time, to the program and to the link's own listeners alike."""
    heard: list[int] = []
    link.listen(lambda frame: heard.append(frame.can_id))

    received = bus.recv(1.0)

    assert isinstance(bus, can.BusABC)
    assert received is not None
    assert received.arbitration_id == heard[0] == HEARTBEAT
    assert received.timestamp == pytest.approx(link.now_s, abs=0.01)


def test_a_request_is_answered(bus: SharedBus) -> None:
    """A read of 0x1018:2, the product code, by hand as any program would, with its answer of CiA 301."""
    bus.send(message(0x605, bytes.fromhex("4018100200000000")))

    answers = iter(lambda: bus.recv(1.0), None)
    answer = next(each for each in answers if each.arbitration_id == 0x585)

    assert bytes(answer.data) == bytes.fromhex("43181002314C4700")


def test_what_came_before_it_was_made_is_not_its(link: Link) -> None:
    """Nor is what comes after it was shut down."""
    link.run_for(0.35)
    bus = SharedBus(link)
    assert bus.recv(0.0) is None
    bus.shutdown()
    link.run_for(0.35)

    assert bus.recv(0.0) is None


def test_a_wait_takes_bench_time_and_ends_with_nothing(link: Link, bus: SharedBus) -> None:
    """Filters hold, as in python-can; the time limit is bench time."""
    bus.set_filters([{"can_id": 0x123, "can_mask": 0x7FF}])
    start_s = link.now_s

    assert bus.recv(0.5) is None
    assert link.now_s - start_s == pytest.approx(0.5, abs=1e-6)
    bus.set_filters([{"can_id": HEARTBEAT, "can_mask": 0x7FF}])
    assert bus.recv(0.5) is not None


def test_frames_wait_for_a_slow_program_but_not_without_end(
    link: Link, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are kept while the program does something else; the oldest go first when there are too many."""
    monkeypatch.setattr("hiltest.sharedbus.KEPT_FRAMES", 3)
    with SharedBus(link) as bus:
        link.run_for(1.0)
        kept = [bus.recv(0.0) for _ in range(4)]

    assert [each is not None for each in kept] == [True, True, True, False]
    assert kept[0] is not None
    assert kept[0].timestamp > link.now_s - 0.35


def test_two_programs_share_the_bus(link: Link, bus: SharedBus) -> None:
    """Neither takes a frame from the other."""
    with SharedBus(link) as other:
        first = bus.recv(0.5)
        second = other.recv(0.0)

    assert first is not None
    assert second is not None
    assert first.arbitration_id == second.arbitration_id


def test_cyclic_sending_is_refused_with_what_to_use(bus: SharedBus) -> None:
    """python-can would do it in a thread."""
    with pytest.raises(NotImplementedError, match=r"link\.every"):
        bus.send_periodic(message(0x123, b""), 0.1)


def test_shutting_down_leaves_the_adapter_open(link: Link) -> None:
    """It is the link's."""
    SharedBus(link).shutdown()

    with SharedBus(link) as again:
        assert again.recv(0.5) is not None
