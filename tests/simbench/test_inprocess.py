"""The in-process door: python-can's contract in simulated time, and what the bus offers beyond it."""

import queue as queue_module
import random
import threading
from itertools import pairwise
from pathlib import Path

import can
import canopen
import pytest
from canopen.sdo.client import SdoClient

from hiltest.canbus.frame import Frame
from hiltest.clock import wall_s
from hiltest.errors import BenchError, NothingScheduled, UsageError
from hiltest.simbench.adapter import Adapter, AdapterPolicy
from hiltest.simbench.bench import close_all_benches
from hiltest.simbench.controller import Controller, Timing
from hiltest.simbench.doors.inprocess import EPOCH_S, HiltestBus
from hiltest.simbench.events import EventQueue
from hiltest.simbench.wire import Wire

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "glue_head.toml"
EDS = FIXTURE.with_name("glue_head.eds")


class Settings:
    name, bit_rate_bps, sample_point_percent = "can", 500_000, 75.0


class SmallBench:
    """The least that the door needs: a queue and an adapter; one node that can talk."""

    def __init__(self, **policy):
        self.queue = EventQueue()
        self.clock = self.queue.clock
        self.wire = Wire(self.queue, self.rng("wire"))
        self._adapter = Adapter(self, Settings(), self.wire, AdapterPolicy(**policy))
        self.node = Controller(self.wire, "node", Timing(500_000))
        self.heard = []
        self.node.on_frame(self.heard.append)

    def rng(self, name):
        return random.Random(name)

    def adapter(self, name=None):
        return self._adapter


@pytest.fixture
def small():
    return SmallBench()


@pytest.fixture
def bus(small):
    bus = HiltestBus(small)
    yield bus
    bus.shutdown()


@pytest.fixture
def glue_head():
    """The whole bench, opened as any python-can program would."""
    bus = can.Bus(interface="hiltest", channel=str(FIXTURE), ignore_config=True, seed=3)
    yield bus
    bus.shutdown()
    close_all_benches()


def message(can_id=0x123, data=b"x", **options):
    return can.Message(arbitration_id=can_id, data=data, is_extended_id=False, **options)


# --- receiving ----------------------------------------------------------------------------------------


def test_recv_waits_in_bench_time_and_costs_no_wall_time(bus):
    """An hour without a frame passes at once, and the clock stands exactly an hour later."""
    start_s, started = bus.clock.now_s, wall_s()

    assert bus.recv(3600.0) is None

    assert bus.clock.now_s == start_s + 3600.0
    assert wall_s() - started < 1.0


def test_recv_returns_when_the_frame_is_there_and_stamps_it_with_a_fixed_epoch(bus, small):
    """2020-01-01T00:00:00Z plus bench time; the node's frame, not the end of the timeout."""
    small.queue.at(1_000_000_000, small.node.send, Frame(0x77, b"\x01\x02"))

    received = bus.recv(5.0)

    assert (received.arbitration_id, bytes(received.data)) == (0x77, b"\x01\x02")
    assert received.timestamp - EPOCH_S == pytest.approx(1.000128, abs=20e-6)
    assert 1.0 < bus.clock.now_s < 1.002
    assert received.is_rx


def test_frames_that_the_filter_skips_do_not_stretch_the_timeout(bus, small):
    """A filtered frame at 1 s, a wanted one at 2 s, a deadline that counts from the call."""
    small.queue.at(1_000_000_000, small.node.send, Frame(0x10))
    small.queue.at(2_000_000_000, small.node.send, Frame(0x20))
    bus.set_filters([{"can_id": 0x20, "can_mask": 0x7FF, "extended": False}])

    assert bus.recv(5.0).arbitration_id == 0x20
    assert bus.clock.now_s == pytest.approx(2.0, abs=0.01)
    assert bus.recv(1.0) is None
    assert bus.clock.now_s == pytest.approx(3.0, abs=0.01)


def test_recv_without_a_timeout_on_a_dead_bench_raises_instead_of_hanging(bus):
    """A real bus would wait for ever."""
    with pytest.raises(NothingScheduled, match="Give a timeout"):
        bus.recv(None)


def test_recv_from_another_thread_is_refused(bus):
    """A second thread would let time run by itself; the error says what to do instead."""
    caught = []

    def run():
        try:
            bus.recv(1.0)
        except can.CanOperationError as error:
            caught.append(str(error))

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()

    assert "another thread" in caught[0]
    assert bus.clock.now_ns == 0


def test_receiving_inside_a_listener_is_refused(bus, small):
    """What would hang on hardware does not succeed here."""
    caught = []

    def nested(_):
        with pytest.raises(BenchError) as info:
            bus.recv(0.1)
        caught.append(str(info.value))

    small.node.on_frame(nested)
    bus.send(message())
    bus.recv(0.01)

    assert "on hardware this would hang" in caught[0]


def test_iterating_ends_when_nothing_comes_for_a_second(bus, small):
    """`for message in bus` is bounded."""
    for second in (0.5, 1.0, 1.5):
        small.queue.at(int(second * 1e9), small.node.send, Frame(0x10))

    assert len(list(bus)) == 3


# --- sending ------------------------------------------------------------------------------------------


def test_send_keeps_its_own_copy_of_the_message(bus, small):
    """Callers go on editing the message they sent."""
    sent = message(data=bytearray(b"\x01"))
    bus.send(sent)
    sent.data[0] = 9
    bus.recv(0.01)

    assert small.heard == [Frame(0x123, b"\x01")]


def test_a_full_queue_raises_error_105_at_once_or_after_the_timeout():
    """With nobody on the bus the queue fills; waiting helps only if somebody acknowledges."""
    small = SmallBench(queue_frames=2)
    small.node.set_power(False)
    bus = HiltestBus(small)
    bus.send(message())
    bus.send(message())

    with pytest.raises(can.CanOperationError) as caught:
        bus.send(message())
    assert caught.value.error_code == 105
    start_s = bus.clock.now_s
    with pytest.raises(can.CanOperationError):
        bus.send(message(), timeout=0.25)
    assert bus.clock.now_s == start_s + 0.25

    small.node.set_power(True)
    bus.send(message(), timeout=0.25)
    assert bus.clock.now_s < start_s + 0.5


def test_own_frames_come_back_only_if_asked_for_and_marked_as_sent():
    """python-can's receive_own_messages."""
    bus = HiltestBus(SmallBench(), receive_own_messages=True)
    bus.send(message())

    echo = bus.recv(0.1)

    assert echo.arbitration_id == 0x123
    assert not echo.is_rx


def test_an_impossible_message_is_refused(bus):
    """A standard identifier above 0x7FF can't be sent."""
    with pytest.raises(can.CanOperationError, match="0x7FF"):
        bus.send(message(can_id=0x800))


# --- cyclic tasks -------------------------------------------------------------------------------------


def test_a_cyclic_task_sends_at_once_and_then_on_a_grid_of_bench_time(bus, small):
    """First frame now, next exactly a period later, no drift; stop ends it."""
    times = []
    small.node.on_frame(lambda frame: times.append(frame.t_ns))
    bus.recv(0.01)
    task = bus.send_periodic(message(), 0.1)
    bus.recv(1.05)
    task.stop()
    bus.recv(1.0)

    assert len(times) == 11
    assert {later - earlier for earlier, later in pairwise(times)} == {100_000_000}


def test_a_cyclic_task_can_be_modified_and_limited(bus, small):
    """canopen asks for modify_data; a duration ends the task by itself."""
    task = bus.send_periodic(message(data=b"\x01"), 0.1, duration=0.45)
    bus.recv(0.15)
    task.modify_data(message(data=b"\x02"))
    bus.recv(2.0)

    assert [frame.data[0] for frame in small.heard] == [1, 1, 2, 2, 2]


def test_the_callback_of_a_cyclic_task_changes_each_frame(bus, small):
    """Called with the message before each sending."""
    bus.send_periodic(
        message(data=b"\x00"), 0.1, modifier_callback=lambda m: m.data.__setitem__(0, m.data[0] + 1)
    )
    bus.recv(0.35)

    assert [frame.data[0] for frame in small.heard] == [1, 2, 3, 4]


# --- life of the bus ----------------------------------------------------------------------------------


def test_shutdown_twice_is_harmless_and_use_afterwards_is_refused(small):
    """Cyclic tasks end with the bus."""
    bus = HiltestBus(small)
    bus.send_periodic(message(), 0.1)
    bus.shutdown()
    bus.shutdown()
    small.queue.run_until(1_000_000_000)

    assert len(small.heard) <= 1
    for call in (lambda: bus.recv(0), lambda: bus.send(message()), lambda: bus.send_frame(Frame(1))):
        with pytest.raises(can.CanOperationError, match="shut down"):
            call()


def test_state_tells_passive_and_the_own_properties_tell_more(bus, small):
    """python-can knows no bus-off and no counters; the bus offers both."""
    assert bus.state is can.BusState.ACTIVE
    small.node.set_power(False)
    bus.send(message())
    bus.recv_many(0.1)

    assert bus.state is can.BusState.PASSIVE
    assert (bus.bus_state, bus.error_counters) == ("passive", (128, 0))


def test_setting_passive_means_listen_only_as_elsewhere_in_python_can(bus, small):
    """The adapter stops acknowledging."""
    bus.state = can.BusState.PASSIVE
    small.node.send(Frame(0x10))
    bus.recv(0.05)

    assert small.node.counters.tx > 0


def test_fileno_keeps_python_can_from_select(bus):
    """There is nothing to select on."""
    with pytest.raises(NotImplementedError):
        bus.fileno()


def test_an_unknown_option_is_refused(small):
    """A typo in the options is an error, not a silent default."""
    with pytest.raises(UsageError, match="bitrat"):
        HiltestBus(small, bitrat=500_000)


def test_unplugging_is_an_operation_error(bus, small):
    """As when a USB adapter is pulled."""
    small.adapter().unplug()

    with pytest.raises(can.CanOperationError, match="no such device"):
        bus.recv(0.1)


# --- the fast paths -----------------------------------------------------------------------------------


def test_frames_go_both_ways_without_messages(bus, small):
    """send_frame and recv_frame carry the project's own frames, with bench time in them."""
    small.node.on_frame(lambda frame: small.node.send(Frame(frame.can_id + 1, frame.data)))
    bus.send_frame(Frame(0x10, b"ping"))

    answer = bus.recv_frame(0.1)

    assert answer == Frame(0x11, b"ping")
    assert 0 < answer.t_ns < bus.clock.now_ns


def test_batches_account_for_every_frame(bus, small):
    """recv_many lets time pass and returns all that came; send_many takes what fits."""
    small.node.queue_frames = 2000
    for number in range(1000):
        small.node.send(Frame(number % 0x700, bytes([number & 0xFF])))
    assert bus.send_many(Frame(0x7FF) for _ in range(1000)) == 64

    received = []
    while frames := bus.recv_many(0.5, most=300):
        assert len(frames) <= 300
        received += frames

    assert len(received) == 1000
    assert len(small.heard) == 64


# --- the whole bench ----------------------------------------------------------------------------------


def test_python_can_opens_the_bench_of_a_description_by_its_entry_point(glue_head):
    """The node boots, says so, and goes on with its heartbeat."""
    boot = glue_head.recv(2.0)
    beats = [glue_head.recv(1.0) for _ in range(3)]

    assert (boot.arbitration_id, bytes(boot.data)) == (0x705, b"\x00")
    assert {(beat.arbitration_id, bytes(beat.data)) for beat in beats} == {(0x705, b"\x7f")}
    assert glue_head.clock is glue_head.bench.clock


def test_two_buses_of_one_channel_share_the_bench(glue_head):
    """The second joins; the bench lives until the last one closes."""
    other = can.Bus(interface="hiltest", channel=str(FIXTURE), ignore_config=True)

    assert other.bench is glue_head.bench
    other.shutdown()
    assert glue_head.recv(2.0) is not None


def test_equal_seeds_make_equal_records():
    """Two runs, frame by frame and stamp by stamp."""

    def run():
        bus = can.Bus(interface="hiltest", channel=str(FIXTURE), ignore_config=True, seed=11)
        frames = bus.recv_many(3.0)
        bus.shutdown()
        return [(frame, frame.t_ns) for frame in frames]

    assert run() == run()


class PumpedQueue(queue_module.Queue):
    """A queue whose `get` lets the bench run, for canopen's blocking reads."""

    def __init__(self, client):
        super().__init__()
        self._client = client

    def get(self, block=True, timeout=None):
        network = self._client.network
        bus = network.bus
        deadline_s = bus.clock.now_s + (timeout or 0.0)
        while self.empty() and bus.clock.now_s < deadline_s:
            received = bus.recv(deadline_s - bus.clock.now_s)
            if received is not None and not received.is_error_frame:
                network.notify(received.arbitration_id, received.data, received.timestamp)
        return super().get(block=False)


class PumpedSdoClient(SdoClient):
    """canopen's client with the queue above, whenever it makes a new one."""

    @property
    def responses(self):
        return self._pumped

    @responses.setter
    def responses(self, _):
        self._pumped = PumpedQueue(self)


class PumpedNode(canopen.RemoteNode):
    """canopen's node with the client above."""

    def add_sdo(self, rx_cobid, tx_cobid):
        client = PumpedSdoClient(rx_cobid, tx_cobid, self.object_dictionary)
        self.sdo_channels.append(client)
        return client


def test_the_stock_canopen_library_reads_a_node_in_simulated_time(glue_head):
    """A peer that knows nothing of hiltest: device name, identity and a write that is read back."""
    network = canopen.Network()
    network.bus = glue_head
    node = PumpedNode(5, str(EDS))
    network.add_node(node)
    glue_head.recv(2.0)
    started = glue_head.clock.now_s

    assert node.sdo[0x1008].raw == "GH-1"
    assert node.sdo[0x1018][2].raw == 0x0047_4C31
    node.sdo[0x1017].raw = 250
    assert node.sdo[0x1017].raw == 250
    assert 0.001 < glue_head.clock.now_s - started < 0.5
