"""The CANopen driver against a peer that is not ours: canopen's LocalNode in real time.

Peer: the `canopen` library (MIT, version 2.4), LocalNode with its own SDO server, NMT slave, heartbeat and
emergency producer, in its own thread, over python-can's `virtual` interface. Formats it implements: CiA 301.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import can
import canopen
import pytest

from hiltest.canbus.opening import open_port
from hiltest.description.loading import load_description
from hiltest.errors import NoAnswer, Refused, UsageError
from hiltest.link import Link
from hiltest.node.canopen import CanopenDriver
from hiltest.node.opening import open_driver
from hiltest.node.verbs import NodeDriver, Reading

CHANNEL = "hiltest-canopen-peer"
GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"


class Peer:
    """The library's node number 5 on the virtual wire, with its threads."""

    def __init__(self) -> None:
        self._reset: threading.Timer | None = None
        self.network = canopen.Network()
        self.network.NOTIFIER_CYCLE = 0.02
        self.network.connect(interface="virtual", channel=CHANNEL, ignore_config=True)
        self.node = canopen.LocalNode(5, str(GLUE_HEAD.with_suffix(".eds")))
        self.network.add_node(self.node)
        self.network.subscribe(0, self._on_nmt)
        self.node.sdo[0x1017].raw = 100
        self.boot()

    def boot(self) -> None:
        self.node.nmt.state = "INITIALISING"
        self.node.nmt.state = "PRE-OPERATIONAL"
        self.node.nmt.start_heartbeat(100)

    def _on_nmt(self, can_id: int, data: bytearray, timestamp: float) -> None:
        if data[0] == 0x81 and data[1] in (0, 5):
            self._reset = threading.Timer(0.15, self.boot)
            self._reset.start()

    def raw(self, index: int, sub: int = 0) -> Any:
        return self.node.object_dictionary.get_variable(index, sub).decode_raw(self.node.get_data(index, sub))

    def close(self) -> None:
        if self._reset is not None:
            self._reset.join()
        self.node.nmt.stop_heartbeat()
        self.network.disconnect()


class Bench:
    def __init__(self) -> None:
        self.peer = Peer()
        self.loaded = load_description(GLUE_HEAD, {"bus.interface": "virtual", "bus.channel": CHANNEL})
        self.link = Link(open_port(self.loaded.description.bus[0]))
        self.driver: NodeDriver = open_driver(self.link, self.loaded, "head")
        self.readings: list[Reading] = []
        self.driver.on_reading(self.readings.append)

    def again(self) -> NodeDriver:
        """Another driver of the same node, as a new run would make it."""
        self.driver.stop()
        return open_driver(self.link, self.loaded, "head")

    def close(self) -> None:
        self.driver.stop()
        self.link.close()
        self.peer.close()


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.close()


@pytest.fixture
def started(bench: Bench) -> Bench:
    bench.driver.start()
    return bench


def test_start_configures_the_peer(started: Bench) -> None:
    """The peer ends operational, with the host's heartbeat in its consumer list and all-off written."""
    assert started.peer.node.nmt.state == "OPERATIONAL"
    assert started.peer.raw(0x1016, 1) >> 16 == 127
    assert started.peer.raw(0x2010) == 1


def test_the_peer_is_identified(started: Bench) -> None:
    """Numbers come by expedited, names by segmented transfers (those longer than four characters)."""
    identity = started.driver.identify()
    eds = started.peer.node.object_dictionary
    assert identity.product_code == eds[0x1018][2].default
    assert identity.revision == eds[0x1018][3].default
    assert (identity.name, identity.firmware) == (eds[0x1008].default, eds[0x100A].default)
    assert len(identity.firmware) > 4


def test_values_pass_both_ways(started: Bench) -> None:
    """What the driver writes the library decodes, and the other way round, sign included."""
    started.driver.set_heater_c("reservoir", 50.0)
    started.driver.set_fan("nozzle", 0.25)
    assert started.peer.raw(0x2100, 1) == 500
    assert started.peer.raw(0x6411, 2) == 250
    started.peer.node.sdo[0x7130][1].raw = -123
    assert started.driver.read_temperature_c("reservoir") == pytest.approx(-12.3)


def test_the_peers_aborts_are_refusals(started: Bench) -> None:
    """An abort that the library's server raises arrives with its code."""

    def refuse(index: int, subindex: int, od: Any, data: bytes) -> None:
        if index == 0x2100:
            raise canopen.SdoAbortedError(0x06090031)

    started.peer.node.add_write_callback(refuse)
    with pytest.raises(Refused, match="too high") as caught:
        started.driver.set_heater_c("reservoir", 200.0)
    assert caught.value.code == 0x06090031


def test_heartbeats_of_the_peer_are_timed(started: Bench) -> None:
    """The library's 100 ms heartbeat is seen at 100 ms, as well as a loaded machine keeps it."""
    times = started.driver.watch_heartbeat(1.05)
    assert 8 <= len(times) <= 12
    assert (times[-1] - times[0]) / (len(times) - 1) == pytest.approx(0.1, rel=0.15)


def test_an_emergency_of_the_peer_is_decoded(started: Bench) -> None:
    """Code and register of the library's emergency producer come out as a reading."""
    started.peer.node.emcy.send(0x5030, 0x08, b"\1\2")
    assert started.link.wait_for(
        lambda: next((each for each in started.readings if each.kind == "emergency"), None), 1.0
    )
    (emergency,) = started.driver.emergencies  # type: ignore[attr-defined]
    assert (emergency.code, emergency.register, emergency.data[:2]) == (0x5030, 0x08, b"\1\2")


def test_a_reset_of_the_peer_is_timed(started: Bench) -> None:
    """From the NMT reset to the library's boot-up message."""
    assert started.driver.restart(2.0) == pytest.approx(0.15, abs=0.1)


def test_the_peer_is_found(started: Bench) -> None:
    """The search finds the one node with one answer to each request."""
    found = started.driver.search(1.0)
    assert list(found) == [5]
    assert found[5].answers == 1


def test_all_off_reaches_the_peer(started: Bench) -> None:
    """All-off and pre-operational, without waiting for an answer."""
    started.driver.set_fan("nozzle", 0.5)
    started.peer.node.sdo[0x2010].raw = 0
    started.driver.stop_all()
    started.link.run_for(0.1)
    assert started.peer.raw(0x2010) == 1
    assert started.peer.node.nmt.state == "PRE-OPERATIONAL"


def test_long_objects_pass_in_segments(started: Bench) -> None:
    """The library's server sends and takes 300 bytes; it knows no blocks and says so (0x05040001), so segments follow."""
    text = bytes(range(65, 91)) * 12
    driver = started.driver
    assert isinstance(driver, CanopenDriver)
    started.peer.node.object_dictionary[0x1008].access_type = "rw"
    driver.write_object(0x1008, 0, text)
    assert started.peer.node.get_data(0x1008, 0) == text
    assert driver.read_object(0x1008) == text
    with pytest.raises(Refused) as refused:
        driver.read_object(0x1008, block=True)
    assert refused.value.code == 0x0504_0001


def test_objects_of_loads_are_left_to_their_verbs(started: Bench) -> None:
    """What may energise goes through the guard, or not at all."""
    driver = started.driver
    assert isinstance(driver, CanopenDriver)
    for index, sub in ((0x2100, 1), (0x6411, 2), (0x6040, 0), (0x6200, 1)):
        with pytest.raises(UsageError, match="asks the guard"):
            driver.write_object(index, sub, b"\0\0")


def test_the_nodes_own_mapping_counts_and_not_the_files(started: Bench) -> None:
    """The peer maps its process data another way than the EDS says: the driver reads that and decodes by it."""
    peer = started.peer.node
    started.driver.restart(3.0)
    peer.sdo[0x1A00][0].raw = 0
    peer.sdo[0x1A00][1].raw = 0x6401_0110  # the supply first, which the EDS has third
    peer.sdo[0x1A00][2].raw = 0x7130_0210
    peer.sdo[0x1A00][0].raw = 2
    peer.sdo[0x1800][1].raw = 0x199  # and under another identifier
    fresh = started.again()
    fresh.start()
    seen: list[Reading] = []
    fresh.on_reading(seen.append)
    started.peer.network.send_message(0x199, (24_100).to_bytes(2, "little") + (231).to_bytes(2, "little"))
    started.link.wait_for(
        lambda: len([each for each in seen if not each.asked and each.kind != "heartbeat"]) >= 2, 2.0
    )
    told = {(each.kind, each.name): each.value for each in seen if each.kind in ("supply_v", "temperature_c")}
    assert told == {("supply_v", "head"): 24.1, ("temperature_c", "board"): pytest.approx(23.1)}
    fresh.stop()


def test_a_peer_that_went_away_does_not_answer(started: Bench) -> None:
    """Silence ends in NoAnswer after the SDO time limit, in real time too."""
    started.peer.network.unsubscribe(0x605)
    before_s = started.link.now_s
    with pytest.raises(NoAnswer, match="heartbeats"):
        started.driver.read_supply_v()
    assert 0.3 <= started.link.now_s - before_s < 1.0


def test_the_driver_starts_no_thread(bench: Bench) -> None:
    """Everything on our side runs in the caller's thread."""
    before = set(threading.enumerate())
    bench.driver.start()
    bench.driver.identify()
    bench.link.run_for(0.2)
    new = [thread.name for thread in set(threading.enumerate()) - before]
    assert not [name for name in new if "notifier" in name.lower() or "hiltest" in name.lower()]
    assert isinstance(bench.link.port.bus, can.BusABC)
    assert len(new) <= 1  # the peer's own heartbeat task is started anew on a change of state
