"""The console doors: a pseudo-terminal in real time, and a pyserial URL in simulated time."""

import threading
from pathlib import Path

import pytest
import serial

from hiltest.clock import wall_s
from hiltest.errors import NothingScheduled, UsageError
from hiltest.simbench.bench import close_all_benches, open_bench
from hiltest.simbench.doors.console import ConsoleDoor
from hiltest.simbench.doors.protocol_hiltest import split_url
from hiltest.simbench.doors.serve import Server
from hiltest.simbench.events import EventQueue

FIXTURE = Path(__file__).resolve().parents[2] / "fixtures" / "glue_head.toml"
URL = f"hiltest://{FIXTURE}"


@pytest.fixture
def handlers(monkeypatch):
    """pyserial finds our URLs; every bench is closed afterwards."""
    packages = [*serial.protocol_handler_packages, "hiltest.simbench.doors"]
    monkeypatch.setattr(serial, "protocol_handler_packages", packages)
    yield
    close_all_benches()


@pytest.fixture
def port(handlers):
    with serial.serial_for_url(URL, timeout=1.0) as opened:
        yield opened


def test_pyserial_opens_the_console_by_its_url(port):
    """The boot banner arrives as the node boots, in bench time; waiting costs none of ours."""
    started = wall_s()

    banner = port.read_until(b"> ")

    assert b"GH-1" in banner
    assert b"1.4.0" in banner
    assert wall_s() - started < 5.0


def test_a_command_is_answered_and_the_prompt_comes_back(port):
    """Write, then read up to the prompt."""
    port.read_until(b"> ")
    assert port.write(b"version\n") == 8

    answer = port.read_until(b"> ")

    assert answer.startswith(b"version\r\n")
    assert b"firmware 1.4.0" in answer


def test_a_timeout_is_bench_time_and_returns_what_there_is(port):
    """Nothing more comes: the clock stands a timeout later, and the read is empty."""
    port.read_until(b"> ")
    bench = port._hold.bench
    port.reset_input_buffer()
    start_s = bench.now_s

    assert port.read(10) == b""
    assert bench.now_s == pytest.approx(start_s + 1.0)
    assert port.in_waiting == 0


def test_reading_part_of_what_waits_leaves_the_rest(port):
    """`in_waiting` counts down; `readline` ends with its line."""
    port.read_until(b"> ")
    port.write(b"help\n")
    first = port.read(2)
    assert first == b"he"
    assert port.readline() == b"lp\r\n"
    port.timeout = 0.2
    assert port.read(1000)


def test_the_console_shares_the_bench_of_the_bus(handlers):
    """One channel, one bench, one time."""
    with open_bench(FIXTURE) as bench, serial.serial_for_url(URL, timeout=0.1) as port:
        assert port._hold.bench is bench


def test_a_port_that_is_closed_says_so(port):
    """As pyserial does; closing twice is harmless."""
    port.close()
    port.close()

    with pytest.raises(serial.SerialException):
        port.read(1)


def test_waiting_for_ever_on_a_console_that_can_not_print_raises():
    """timeout=None with nothing scheduled would hang on hardware."""
    with pytest.raises(NothingScheduled):
        EventQueue().run_while(lambda: True, None)


@pytest.mark.parametrize(
    ("url", "expected"),
    [
        ("hiltest://a/b.toml", ("a/b.toml", None)),
        ("hiltest:///abs/b.toml?node=head", ("/abs/b.toml", "head")),
        ("hiltest://with%20space.toml", ("with space.toml", None)),
    ],
)
def test_urls_name_a_description_and_a_node(url, expected):
    """Relative and absolute paths, an optional node."""
    assert split_url(url) == expected


def test_a_url_of_another_kind_is_refused():
    """It says what was expected."""
    with pytest.raises(UsageError, match="hiltest://PATH"):
        split_url("loop://")


class Echo:
    """A console that answers in capitals."""

    def __init__(self):
        self.out = bytearray(b"ready> ")

    @property
    def waiting(self):
        return len(self.out)

    def read(self, most=1 << 16):
        data = bytes(self.out[:most])
        del self.out[:most]
        return data

    def write(self, data):
        self.out += data.upper()

    def discard(self):
        self.out.clear()


def test_the_pseudo_terminal_carries_bytes_both_ways_in_real_time():
    """A stock serial client on the other end; it may leave and come back."""

    class Bench:
        queue = EventQueue()

    door = ConsoleDoor(Echo())
    server = Server(Bench(), [door])
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        answers = []
        for text in (b"abc", b"\x00\xff\r\n"):
            with serial.Serial(door.path, 115_200, timeout=2.0) as client:
                client.write(text)
                answers.append(client.read_until(text.upper()))
    finally:
        server.stop()
        thread.join()
        server.close()

    assert answers[0].endswith(b"ABC")
    assert answers[1].endswith(b"\x00\xff\r\n")
