"""The host's adapter: what it tells, when, and what it loses."""

import random

import pytest

from hiltest.canbus.frame import Frame, describe_error
from hiltest.errors import BenchLost
from hiltest.simbench.adapter import Adapter, AdapterPolicy, QueueFull
from hiltest.simbench.controller import BusError, Controller, Timing
from hiltest.simbench.errorframes import bus_error_frame, state_frame
from hiltest.simbench.events import EventQueue
from hiltest.simbench.wire import Wire

MS = 1_000_000


class Settings:
    name, bit_rate_bps, sample_point_percent = "can", 1_000_000, 75.0


class Host:
    """A queue and random streams: all that an adapter needs of a bench."""

    def __init__(self, **policy):
        self.queue = EventQueue()
        self.wire = Wire(self.queue, self.rng("wire"))
        self.adapter = Adapter(self, Settings(), self.wire, AdapterPolicy(**policy))
        self.node = Controller(self.wire, "node", Timing(1_000_000))
        self.heard = []
        self.node.on_frame(self.heard.append)
        self.run(1 * MS)

    def rng(self, name):
        return random.Random(name)

    def run(self, ns):
        self.queue.run_until(self.queue.now_ns + ns)

    def reports(self):
        return [describe_error(frame) for frame in self.adapter.take_many() if frame.error]


def test_frames_take_the_latency_each_way():
    """Half a millisecond to the wire, and a frame from the wire lies ready half a millisecond later."""
    host = Host(latency_s=0.0005)
    start = host.queue.now_ns
    host.adapter.send(Frame(0x10, b"x"))
    host.run(1 * MS)
    assert host.heard[0].t_ns - start == pytest.approx(500_000 + 56_000, abs=5_000)

    host.node.send(Frame(0x20, b"y"))
    host.run(100_000)
    assert host.adapter.take() is None
    on_wire = host.adapter.next_ready_ns - 500_000
    host.run(1 * MS)
    frame = host.adapter.take()

    assert frame == Frame(0x20, b"y")
    assert frame.t_ns == on_wire
    assert frame.is_rx


def test_a_full_queue_is_error_105_and_empties_by_itself_when_somebody_acknowledges():
    """What Linux calls "no buffer space"."""
    host = Host(queue_frames=3)
    for _ in range(3):
        host.adapter.send(Frame(0x10))
    with pytest.raises(QueueFull, match="105") as caught:
        host.adapter.send(Frame(0x10))
    assert caught.value.error_code == 105

    host.run(2 * MS)

    host.adapter.send(Frame(0x10))
    assert len(host.heard) == 3


def test_send_many_takes_what_there_is_room_for():
    """A batch call says how many it took."""
    host = Host(queue_frames=10)

    assert host.adapter.send_many(Frame(k) for k in range(100)) == 10
    host.run(5 * MS)
    assert [frame.can_id for frame in host.heard] == list(range(10))


def test_flush_forgets_what_waits():
    """Also what is still between the host and the controller."""
    host = Host()
    host.adapter.send_many([Frame(k) for k in range(5)])
    host.adapter.flush()
    host.run(5 * MS)

    assert host.heard == []
    assert host.adapter.waiting_to_send == 0


@pytest.mark.parametrize("echo", [False, True])
def test_echo_is_a_matter_of_the_adapter(echo):
    """With it, own frames come back marked as sent, when the bus has taken them."""
    host = Host(echo=echo)
    host.adapter.send(Frame(0x10, b"x"))
    host.run(5 * MS)

    echoes = host.adapter.take_many()
    assert echoes == ([Frame(0x10, b"x")] if echo else [])
    assert all(not frame.is_rx for frame in echoes)


def test_missing_acknowledges_are_reported_with_counters_and_states():
    """One known error, provoked by sending to nobody: it is what a blindness test looks for."""
    host = Host()
    host.node.set_power(False)
    host.adapter.send(Frame(0x10, b"x"))
    host.run(20 * MS)

    reports = host.reports()
    assert reports[0].kinds == ("ack",)
    assert (reports[0].tx_errors, reports[0].rx_errors, reports[0].on_tx) == (8, 0, True)
    assert [report.state for report in reports if report.state] == ["warning", "passive"]
    assert host.adapter.state == "passive"
    assert host.adapter.counters == (128, 0)


def test_an_adapter_that_hides_errors_tells_nothing_at_all():
    """Zero errors though nobody is there: why a blindness test is needed."""
    host = Host(reports_errors=False)
    host.node.set_power(False)
    host.adapter.send(Frame(0x10, b"x"))
    host.run(20 * MS)

    assert host.adapter.take_many() == []
    assert host.adapter.counters is None
    assert host.adapter.state == "active"


def test_a_rate_limit_lets_few_reports_through():
    """One firmware reports at most every 100 ms."""
    host = Host(error_reports_per_s=10)
    host.node.set_power(False)
    host.adapter.send(Frame(0x10, b"x"))
    host.run(1000 * MS)

    assert 9 <= sum("ack" in report.kinds for report in host.reports()) <= 11


def test_a_slow_host_loses_frames_and_is_told():
    """Behind the last frame that fitted an overflow stands in the queue."""
    host = Host(receive_frames=5)
    for k in range(10):
        host.node.send(Frame(k))
    host.run(10 * MS)

    taken = host.adapter.take_many()
    assert [frame.can_id for frame in taken[:4]] == [0, 1, 2, 3]
    assert describe_error(taken[4]).kinds == ("rx-overflow",)
    assert host.adapter.lost_in_host == 6


def test_stamps_can_be_coarse_and_late():
    """Software stamps hold the latency; a step quantises them."""
    host = Host(stamps="software", latency_s=0.0013, stamp_step_s=0.001)
    host.node.send(Frame(0x20))
    host.run(5 * MS)

    stamp = host.adapter.take().t_ns
    assert stamp % MS == 0
    assert stamp >= 2 * MS


def test_jitter_spreads_the_latency_but_keeps_the_order():
    """Later frames never overtake."""
    host = Host(jitter_s=0.002)
    for k in range(50):
        host.node.send(Frame(k))
    ready = []
    for _ in range(4000):
        host.run(10_000)
        ready += [(frame.can_id, host.queue.now_ns) for frame in host.adapter.take_many()]

    assert [can_id for can_id, _ in ready] == list(range(50))
    assert len({at for _, at in ready}) > 3


def test_bus_off_is_reported_and_restart_brings_it_back():
    """After bus-off frames are thrown away until somebody restarts; 1408 bits later it is active."""
    host = Host()
    host.adapter.controller.counters.tx = 255
    host.node.set_power(False)
    host.adapter.send(Frame(0x10))
    host.run(1 * MS)
    host.adapter.controller.counters.tx = 256
    host.adapter.controller._refresh_state()
    host.wire.went_off(host.adapter.controller)
    host.run(1 * MS)
    assert "bus-off" in [report.state for report in host.reports()]
    host.adapter.send(Frame(0x11))
    host.run(2 * MS)
    assert host.adapter.waiting_to_send == 0

    assert host.adapter.restart()
    host.run(5 * MS)

    assert "restarted" in host.reports()[0].kinds
    assert host.adapter.state == "active"


def test_a_driver_that_restarts_by_itself_does_so_after_its_time():
    """restart-ms of the Linux driver; each restart is counted."""
    host = Host(restart_s=0.1)
    host.adapter.controller.counters.tx = 256
    host.adapter.controller._refresh_state()
    host.wire.went_off(host.adapter.controller)

    host.run(99 * MS)
    assert host.adapter.state == "off"
    host.run(20 * MS)
    assert host.adapter.state == "active"
    assert host.adapter.restarts == 1


def test_unplugging_loses_the_adapter_but_not_what_it_had_delivered():
    """Every further call says that the device is gone."""
    host = Host()
    host.node.send(Frame(0x20))
    host.run(5 * MS)
    host.adapter.unplug()

    assert host.adapter.take() == Frame(0x20)
    for call in (host.adapter.take, lambda: host.adapter.send(Frame(1)), host.adapter.take_many):
        with pytest.raises(BenchLost, match="no such device"):
            call()
    host.node.send(Frame(0x21))
    host.run(50 * MS)
    assert host.node.counters.tx == 128


def test_a_wrong_bit_rate_of_the_adapter_disturbs_a_living_bus():
    """The host joins at the wrong rate: the nodes that talk count errors."""
    host = Host()
    other = Controller(host.wire, "other", Timing(1_000_000))
    host.adapter.change_bit_rate(500_000)
    host.run(2 * MS)
    host.node.send(Frame(0x20, bytes(range(8))))
    host.run(10 * MS)

    assert other.counters.rx + host.node.counters.tx + host.node.counters.rx > 0
    assert any(report.is_bus_error for report in host.reports())


@pytest.mark.parametrize(
    ("kind", "field", "on_tx", "error_class", "data2", "data3"),
    [
        ("ack", "ack", True, 0x2A8, 0x80, 0x19),
        ("stuff", "data", False, 0x288, 0x04, 0x0A),
        ("form", "eof", False, 0x288, 0x02, 0x1A),
        ("bit0", "sof", True, 0x288, 0x88, 0x03),
        ("bit1", "data", True, 0x288, 0x90, 0x0A),
        ("crc", "ack_delimiter", False, 0x288, 0x00, 0x08),
    ],
)
def test_error_frames_have_the_bytes_of_the_linux_header(kind, field, on_tx, error_class, data2, data3):
    """Classes and bytes as linux/can/error.h names them; the harness's own reader understands the kind."""
    frame = bus_error_frame(BusError(kind, field, 5, on_tx, 0, 16, 3))

    assert (frame.can_id, frame.data) == (error_class, bytes((0, 0, data2, data3, 0, 0, 16, 3)))
    report = describe_error(frame)
    assert report.kinds == (kind,)
    assert (report.tx_errors, report.rx_errors, report.on_tx) == (16, 3, on_tx)


@pytest.mark.parametrize(
    ("state", "tx", "rx", "error_class", "data1"),
    [
        ("warning", 96, 0, 0x204, 0x08),
        ("warning", 0, 96, 0x204, 0x04),
        ("passive", 128, 0, 0x204, 0x20),
        ("passive", 8, 128, 0x204, 0x10),
        ("active", 0, 0, 0x204, 0x40),
        ("off", 256, 0, 0x240, 0x00),
    ],
)
def test_state_frames_have_the_bytes_of_the_linux_header(state, tx, rx, error_class, data1):
    """Which counter crossed the limit is told by the bit."""
    frame = state_frame(state, tx, rx)

    assert (frame.can_id, frame.data[1]) == (error_class, data1)
    assert describe_error(frame).state == {"off": "bus-off"}.get(state, state)
