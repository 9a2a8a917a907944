"""The serial-line door: the ASCII protocol byte by byte, then real clients on the pseudo-terminal in real time."""

import contextlib
import os
import random
import select
import signal
import subprocess
import sys
import threading
import tty
from pathlib import Path

import can
import canopen
import pytest

from hiltest.canbus.frame import Frame, describe_error
from hiltest.canbus.lineprotocol import LineParser
from hiltest.clock import sleep_s, wall_s
from hiltest.simbench.adapter import Adapter, AdapterPolicy
from hiltest.simbench.controller import BusError, Controller, Timing
from hiltest.simbench.doors.serve import Server
from hiltest.simbench.doors.slcan import SlcanDoor
from hiltest.simbench.errorframes import bus_error_frame, state_frame
from hiltest.simbench.events import EventQueue
from hiltest.simbench.wire import Wire

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "glue_head.toml"
MS = 1_000_000


class Settings:
    name, bit_rate_bps, sample_point_percent = "can", 125_000, 75.0


class SmallBench:
    """A bus of an adapter and one node at 500 kbit/s, behind the door."""

    def __init__(self, **options):
        self.queue = EventQueue()
        self.wire = Wire(self.queue, self.rng("wire"))
        self.adapter = Adapter(self, Settings(), self.wire, AdapterPolicy(latency_s=0.0001))
        self.node = Controller(self.wire, "node", Timing(500_000))
        self.heard = []
        self.node.on_frame(self.heard.append)
        self.door = SlcanDoor(self.adapter, serial="1234", **options)
        self.run(2 * MS)

    def rng(self, name):
        return random.Random(name)

    def run(self, ns):
        self.queue.run_until(self.queue.now_ns + ns)

    def type(self, text):
        """Send commands straight to the protocol, without the pseudo-terminal."""
        return self.door.line.feed(text.encode())

    def lines(self):
        return b"".join(self.door._report(frame) for frame in self.adapter.take_many())

    def open(self, rate=b"S6"):
        self.door.line.feed(rate + b"\rO\r")
        self.run(2 * MS)


@pytest.fixture
def small():
    bench = SmallBench()
    yield bench
    bench.door.close()


# --- the protocol -------------------------------------------------------------------------------------


def test_commands_are_answered_with_return_or_bell(small):
    """Bit rate only while closed, frames only while open, junk never."""
    assert small.type("\r\r") == b"\r\r"
    assert small.type("V\rv\rN\r") == b"V1013\rv13\rN1234\r"
    assert small.type("t12300\r") == b"\a"
    assert small.type("S6\rO\r") == b"\r\r"
    assert small.type("S4\rO\rZ1\r") == b"\a\a\a"
    assert small.type("C\rC\r") == b"\r\a"
    assert small.type("S9\rSx\r?\rQ1\r") == b"\a\a\a\a"
    assert small.type("M00000000\rmFFFFFFFF\rM0\r") == b"\r\r\a"


@pytest.mark.parametrize(
    ("command", "frame", "answer"),
    [
        ("t1002AA33", Frame(0x100, b"\xaa\x33"), b"z\r"),
        ("T12ABCDEF2AA55", Frame(0x12ABCDEF, b"\xaa\x55", extended=True), b"Z\r"),
        ("t1230", Frame(0x123), b"z\r"),
        ("t4563112233", Frame(0x456, b"\x11\x22\x33"), b"z\r"),
        ("r1230", Frame(0x123, remote=True), b"z\r"),
        ("R000001238", Frame(0x123, extended=True, remote=True, remote_dlc=8), b"Z\r"),
    ],
)
def test_frames_are_sent_as_the_published_examples_say(small, command, frame, answer):
    """Examples of the LAWICEL pages and of the comments in the Linux driver slcan-core.c."""
    small.open()

    assert small.type(command + "\r") == answer
    small.run(2 * MS)

    assert small.heard == [frame]


@pytest.mark.parametrize(
    "command", ["t10", "t8000", "t1239", "t1231", "t12311", "t1231GG", "T200000000", "r12311"]
)
def test_a_frame_that_is_none_is_refused(small, command):
    """Wrong length, identifier, digit or data length code."""
    small.open()

    assert small.type(command + "\r") == b"\a"


@pytest.mark.parametrize(
    ("frame", "line"),
    [
        (Frame(0x100, b"\xaa\x33"), b"t1002AA33"),
        (Frame(0x12ABCDEF, b"\xaa\x55", extended=True), b"T12ABCDEF2AA55"),
        (Frame(0x123, remote=True, remote_dlc=3), b"r1233"),
    ],
)
def test_received_frames_come_as_lines_with_a_stamp_if_wanted(frame, line):
    """Z1 appends milliseconds modulo 60,000 in four hex digits."""
    small = SmallBench()
    small.open()
    small.node.send(frame)
    small.run(2 * MS)
    assert small.lines() == line + b"\r"

    small.type("C\rZ1\rO\r")
    small.run(65_432 * MS - small.queue.now_ns)
    small.node.send(frame)
    small.run(2 * MS)
    assert small.lines() == line + b"1538\r"  # 65,432 ms
    small.door.close()


def test_the_bit_rate_that_a_client_sets_is_that_of_a_real_controller(small):
    """At the wrong rate the node's frames arrive as errors, and the node feels it."""
    small.open(b"S8")
    small.node.send(Frame(0x123, bytes(range(8))))
    small.run(20 * MS)

    assert b"t123" not in small.lines()
    assert small.node.counters.tx > 0


def test_register_values_set_bit_rate_and_sample_point(small):
    """s001C: SJA1000 at 16 MHz, BTR0 0x00 and BTR1 0x1C: 500 kbit/s, 16 quanta, sample at 14 of them."""
    assert small.type("s001C\r") == b"\r"

    timing = small.adapter.controller.timing
    assert timing.bit_rate_bps == 500_000
    assert (timing.quanta, timing.sample_point, timing.jump_quanta) == (16, 14 / 16, 1)


def test_listen_only_neither_sends_nor_acknowledges(small):
    """L opens the channel for ears only."""
    small.type("S6\rL\r")
    small.run(2 * MS)
    assert small.type("t1230\r") == b"\a"
    small.node.send(Frame(0x123))
    small.run(5 * MS)

    assert small.node.counters.tx > 0


def test_a_closed_channel_is_deaf_and_does_not_acknowledge(small):
    """Nobody is on the bus before O and after C."""
    small.node.send(Frame(0x123))
    small.run(50 * MS)
    assert small.node.counters.tx == 128
    small.open()
    assert small.node.counters.tx == 127

    small.type("C\r")
    small.node.send(Frame(0x124))
    small.run(5 * MS)
    assert small.lines() == b""


def test_missing_acknowledges_come_as_error_and_state_lines(small):
    """The Linux driver's extension: errors by letters, states with receive and transmit counter."""
    small.node.set_power(False)
    small.open()
    small.type("t1230\r")
    small.run(20 * MS)

    lines = small.lines().split(b"\r")
    assert lines[0] == b"e1a"
    assert b"sw000096" in lines
    assert b"sp000128" in lines


def test_reports_can_be_switched_off():
    """For clients that stumble over lines that they do not know."""
    small = SmallBench(reports=False)
    small.node.set_power(False)
    small.open()
    small.type("t1230\r")
    small.run(20 * MS)

    assert small.lines() == b""
    small.door.close()


def test_status_flags_tell_of_a_full_queue_and_errors_once(small):
    """F: bit 1 transmit queue full, 2 warning, 5 passive, 7 bus error; reading clears the error."""
    small.node.set_power(False)
    small.open()
    answers = small.type("t1230\r" * 65)
    assert answers == b"z\r" * 64 + b"\a"
    small.run(20 * MS)
    small.lines()

    assert small.type("F\r") == b"FA6\r"
    assert small.type("F\r") == b"F26\r"


@pytest.mark.parametrize(
    ("frame", "line"),
    [
        (state_frame("active", 33, 57), b"sa057033\r"),
        (state_frame("off", 256, 0), b"sb000256\r"),
        (bus_error_frame(BusError("ack", "ack", 5, True, 0, 8, 0)), b"e1a\r"),
        (bus_error_frame(BusError("bit0", "sof", 0, True, 0, 8, 0)), b"e1b\r"),
        (bus_error_frame(BusError("bit1", "data", 30, True, 0, 8, 0)), b"e1B\r"),
        (bus_error_frame(BusError("crc", "ack_delimiter", 90, False, 0, 0, 1)), b"e1c\r"),
    ],
)
def test_report_lines_are_those_of_the_linux_driver(small, frame, line):
    """`sa057033` is error active, receive 57, transmit 33 (comments of slcan-core.c). The project's own
    client, written apart, reads each line.
    """
    assert small.door.line.report(frame) == line

    events = LineParser().feed(line)
    assert len(list(events)) == 1


# --- the pseudo-terminal in real time -----------------------------------------------------------------


@contextlib.contextmanager
def served(bench):
    """Serve a small bench in another thread, so that the test can be the client."""
    server = Server(bench, [bench.door])
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield server
    finally:
        server.stop()
        thread.join()
        server.close()


def open_slcan(path, bitrate=500_000):
    return can.Bus(interface="slcan", channel=path, bitrate=bitrate, sleep_after_open=0.0, ignore_config=True)


def test_python_cans_slcan_talks_through_the_door(small):
    """Frames both ways, version and serial number, with python-can's own interface as the client."""

    def answer_0x200(frame):
        if frame.can_id == 0x200:
            small.node.send(Frame(0x201, frame.data))

    small.node.on_frame(answer_0x200)
    with served(small):
        bus = open_slcan(small.door.path)
        bus.send(can.Message(arbitration_id=0x123, data=b"\x01\x02", is_extended_id=False))
        bus.send(can.Message(arbitration_id=0x200, data=b"\x03", is_extended_id=False))
        answer = bus.recv(2.0)
        assert bus.get_version(1.0) == (10, 13)
        assert bus.get_serial_number(1.0) == "1234"
        bus.shutdown()

    assert (answer.arbitration_id, bytes(answer.data)) == (0x201, b"\x03")
    assert small.heard[0] == Frame(0x123, b"\x01\x02")


def test_python_cans_slcan_survives_state_and_error_lines(small):
    """It skips the lines of the Linux extension and goes on receiving frames afterwards."""
    small.node.set_power(False)
    with served(small):
        bus = open_slcan(small.door.path)
        bus.send(can.Message(arbitration_id=0x123, is_extended_id=False))
        deadline = wall_s() + 1.0
        while small.adapter.controller.counters.tx < 128 and wall_s() < deadline:
            assert bus.recv(0.02) is None
        small.node.set_power(True)
        small.queue.after(20 * MS, small.node.send, Frame(0x42))
        received = bus.recv(2.0)
        bus.shutdown()

    assert received.arbitration_id == 0x42


def test_a_client_may_close_and_another_may_open(small):
    """The port stays as long as the bench does."""
    with served(small):
        for number in range(3):
            bus = open_slcan(small.door.path)
            bus.send(can.Message(arbitration_id=0x100 + number, is_extended_id=False))
            deadline = wall_s() + 2.0
            while len(small.heard) <= number and wall_s() < deadline:
                sleep_s(0.005)
            bus.shutdown()

    assert [frame.can_id for frame in small.heard] == [0x100, 0x101, 0x102]


def test_unplugging_the_adapter_hangs_up(small):
    """The client gets an error, not silence."""
    with served(small):
        fd = os.open(small.door.path, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(fd)
        small.adapter.unplug()
        readable, _, _ = select.select([fd], [], [], 2.0)
        assert readable
        with contextlib.suppress(OSError):
            assert os.read(fd, 10) == b""
        with pytest.raises(OSError, match="Input/output"):
            os.write(fd, b"V\r")
        os.close(fd)


def test_bench_time_follows_the_wall_clock(small):
    """Half a second of one is half a second of the other."""
    start_ns = small.queue.now_ns
    with served(small):
        sleep_s(0.5)
        passed_s = (small.queue.now_ns - start_ns) / 1e9

    assert passed_s == pytest.approx(0.5, abs=0.1)


# --- the whole bench in another process ---------------------------------------------------------------


@contextlib.contextmanager
def bench_process():
    """`hiltest bench` as a process of its own; yields the places that it prints."""
    program = f"from hiltest.simbench.doors.serve import serve; raise SystemExit(serve({str(FIXTURE)!r}))"
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    places = {}
    try:
        for line in process.stdout:
            if line.strip() == "ready":
                break
            name, _, place = line.strip().partition(": ")
            places[name] = place
        yield process, places
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


def test_the_stock_canopen_library_reads_the_node_through_the_serial_door():
    """Nothing of hiltest in the client: python-can's slcan, canopen's RemoteNode, real time."""
    with bench_process() as (process, places):
        bus = open_slcan(places["adapter"], 1_000_000)
        network = canopen.Network()
        network.NOTIFIER_CYCLE = 0.05
        network.bus = bus
        network.connect()
        node = network.add_node(5, str(FIXTURE.with_name("glue_head.eds")))
        try:
            node.nmt.wait_for_heartbeat(5.0)
            assert node.sdo[0x1008].raw == "GH-1"
            assert node.sdo[0x1018][2].raw == 0x0047_4C31
            node.nmt.state = "OPERATIONAL"
            node.nmt.wait_for_heartbeat(2.0)
            assert node.nmt.state == "OPERATIONAL"
        finally:
            network.disconnect()
        process.send_signal(signal.SIGTERM)
        assert process.wait(10) == 0


def test_the_harnesss_own_error_reader_agrees_with_the_reports(small):
    """What the door says in letters is what the adapter said in bytes."""
    frame = bus_error_frame(BusError("stuff", "data", 30, False, 0, 0, 1))
    line = small.door.line.report(frame)

    assert line == b"e1s\r"
    assert describe_error(frame).kinds == ("stuff",)
