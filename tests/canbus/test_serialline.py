"""The python-can interface for serial-line adapters, against an adapter double on a pseudo-terminal."""

from __future__ import annotations

import os
import pty
import random
import select
import threading
import time
import tty
from collections.abc import Iterator

import can
import numpy as np
import pytest

from hiltest.canbus import lineprotocol as lp
from hiltest.canbus import serialline
from hiltest.canbus.batch import FRAME_DTYPE, to_frames, to_rows
from hiltest.canbus.frame import Frame, describe_error
from hiltest.canbus.serialline import SerialLineBus
from hiltest.errors import UsageError

ANSWERS = {"V": b"V1013\r", "N": b"NA1B2\r", "F": b"F00\r"}


class AdapterDouble:
    """The adapter's end of a pseudo-terminal: answers commands, says what it is told to say.

    `refused` are commands it answers with BEL; with `answers=False` it is mute.
    """

    def __init__(self, refused: tuple[str, ...] = (), answers: bool = True) -> None:
        self._master, slave = pty.openpty()
        tty.setraw(self._master)
        self.path = os.ttyname(slave)
        os.close(slave)
        # Kept open, as a plugged-in adapter keeps its port: else the pair hangs up before we open it.
        self._keeper = os.open(self.path, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._keeper)
        self.lines: list[str] = []
        self.answers = dict(ANSWERS)
        self._refused, self._is_answering = refused, answers
        self._splitter = lp.BlockSplitter()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def say(self, text: bytes) -> None:
        os.write(self._master, text)

    def unplug(self) -> None:
        self._stop.set()
        self._thread.join()
        for fd in (self._master, self._keeper):
            if fd >= 0:
                os.close(fd)
        self._master = self._keeper = -1

    def wait_for_line(self, text: str, times: int = 1) -> None:
        limit = time.monotonic() + 2
        while self.lines.count(text) < times:
            assert time.monotonic() < limit, f"{text!r} never came; lines: {self.lines}"
            time.sleep(0.002)

    def _serve(self) -> None:
        while not self._stop.is_set():
            if not select.select([self._master], [], [], 0.01)[0]:
                continue
            for text in self._splitter.take(os.read(self._master, 4096)).decode().split("\r")[:-1]:
                self.lines.append(text)
                if self._is_answering:
                    self._answer(text)

    def _answer(self, text: str) -> None:
        if text in self._refused or not text:
            os.write(self._master, b"\a")
        elif text[0] in "tTrR":
            os.write(self._master, b"z\r" if text[0].islower() else b"Z\r")
        else:
            os.write(self._master, self.answers.get(text, b"\r"))


@pytest.fixture(autouse=True)
def no_port_is_known(monkeypatch: pytest.MonkeyPatch) -> None:
    """The kernel gives the same name to the next test's pseudo-terminal."""
    monkeypatch.setattr(serialline, "_QUIET_PORTS", {})


@pytest.fixture
def adapter() -> Iterator[AdapterDouble]:
    double = AdapterDouble()
    yield double
    double.unplug()


@pytest.fixture
def bus(adapter: AdapterDouble) -> Iterator[SerialLineBus]:
    with SerialLineBus(adapter.path, bitrate=1_000_000) as bus:
        yield bus


def rows_of(bus: SerialLineBus, count: int, limit_s: float = 2.0) -> np.ndarray:
    """Batches until `count` rows are there."""
    parts, deadline = [np.zeros(0, FRAME_DTYPE)], time.monotonic() + limit_s
    while sum(map(len, parts)) < count and time.monotonic() < deadline:
        parts.append(bus.recv_batch(0.05))
    return np.concatenate(parts)


def send_many(bus: SerialLineBus, message: can.Message) -> None:
    for _ in range(100_000):
        bus.send(message, timeout=0.05)


# --- the codec --------------------------------------------------------------------------------------

CHARACTERS = b"0123456789abcdefABCDEFtTrRsezVF\r\a\n xG+_-\0\xff"


def random_line(source: random.Random) -> bytes:
    """A frame line, a report, or one of these with a character lost, added or changed."""
    kind = source.random()
    if kind < 0.5:
        extended, remote, length = source.random() < 0.3, source.random() < 0.2, source.randint(0, 8)
        frame = Frame(
            source.getrandbits(29 if extended else 11),
            b"" if remote else source.randbytes(length),
            extended,
            remote,
            remote_dlc=length if remote else 0,
        )
        stamp = b"%04X" % source.randrange(0x10000) if source.random() < 0.3 else b""
        return lp.encode_frame(frame)[:-1] + stamp + b"\r"
    if kind < 0.6:
        reports = [
            b"\r",
            b"z\r",
            b"Z\r",
            b"\a",
            b"V1013\r",
            b"sa057033\r",
            b"sb256256\r",
            b"e1a\r",
            b"e3bcO\r",
        ]
        return source.choice(reports)
    line = bytearray(random_line(source))
    for _ in range(source.randint(1, 2)):
        at = source.randrange(len(line) + 1)
        if source.random() < 0.3:
            del line[at : at + 1]
        else:
            line[at : at + source.randint(0, 1)] = bytes([source.choice(CHARACTERS)])
    return bytes(line)


@pytest.mark.parametrize("seed", range(50))
def test_both_decoders_read_the_same(seed: int) -> None:
    """Line by line and in bulk, whatever comes over the line is understood, or refused, alike."""
    source = random.Random(seed)
    stream = b"".join(random_line(source) for _ in range(60))
    block = lp.BlockSplitter().take(stream)
    parser = lp.LineParser()

    events = parser.parse(block)
    bulk = lp.decode_block(block)

    assert to_frames(bulk.rows) == [event for event in events if isinstance(event, Frame)]
    assert len(bulk.malformed) == parser.malformed
    assert bulk.refused == events.count(lp.Reply("\a"))
    assert bulk.done == events.count(lp.Reply(""))
    assert bulk.taken == events.count(lp.Reply("z")) + events.count(lp.Reply("Z"))
    counted = [lp.Reply(text) for text in ("", "\a", "z", "Z")]
    assert [event for _, event in bulk.others] == [
        event for event in events if not isinstance(event, Frame) and event not in counted
    ]


@pytest.mark.parametrize("seed", range(20))
def test_lines_split_anywhere_lose_nothing(seed: int) -> None:
    """The same bytes in pieces of one to nine say the same as in one piece."""
    source = random.Random(seed)
    stream = b"".join(random_line(source) for _ in range(100)) + b"\r"
    whole, pieces = lp.LineParser(), lp.LineParser()
    expected = whole.feed(stream)

    events, at = [], 0
    while at < len(stream):
        step = source.randint(1, 9)
        events += pieces.feed(stream[at : at + step])
        at += step

    assert events == expected
    assert pieces.malformed == whole.malformed


@pytest.mark.parametrize("extended", [False, True])
@pytest.mark.parametrize("length", range(9))
def test_what_was_encoded_is_read_back(extended: bool, length: int) -> None:
    """Data and remote frames of every length come back as they went, alone or in bulk."""
    can_id = 0x1ABC_DEF0 if extended else 0x7FF
    frames = [
        Frame(can_id, bytes(range(0xF8, 0xF8 + length)), extended),
        Frame(can_id, extended=extended, remote=True, remote_dlc=length),
    ]
    stream = b"".join(map(lp.encode_frame, frames))

    assert lp.LineParser().feed(stream) == frames
    assert sorted(to_frames(lp.decode_block(stream).rows)) == sorted(frames)


def test_an_endless_line_is_bounded_and_counted_once() -> None:
    """A megabyte without a carriage return takes no memory, and the next line is read again."""
    splitter, parser = lp.BlockSplitter(), lp.LineParser()
    for _ in range(1000):
        assert splitter.take(b"x" * 1000) == b""
    assert len(splitter._rest) <= lp.LONGEST_LINE + 1

    events = parser.parse(splitter.take(b"\rt1230\r"))

    assert events == [Frame(0x123)]
    assert parser.malformed == 1


@pytest.mark.parametrize("frame", [Frame(0x123, fd=True), Frame(0x20, bytes(8), error=True), Frame(0x800)])
def test_frames_without_a_line_are_refused(frame: Frame) -> None:
    """CAN FD, error frames and identifiers out of range have no line."""
    with pytest.raises(UsageError, match="0x"):
        lp.encode_frame(frame)


@pytest.mark.parametrize("bitrate", [750_000, 83_300, 0, 1_000_001])
def test_bit_rates_without_a_command_are_refused(bitrate: int) -> None:
    """A rate that the protocol does not name is never sent as a neighbour of it."""
    with pytest.raises(UsageError, match="800,000"):
        lp.bitrate_command(bitrate)


def test_stamps_go_on_over_their_wrap_and_over_long_silence() -> None:
    """Milliseconds modulo a minute become a time that only grows, also after minutes without a frame."""
    second = 1_000_000_000
    unwrapper = lp.StampUnwrapper()
    start = unwrapper.one(59_900, 100 * second)

    after_wrap = unwrapper.many(np.array([59_950, 59_999, 0, 50, 49]), 100 * second + 200_000_000)
    after_silence = unwrapper.one(70, 100 * second + 605 * second)

    assert start == 100 * second
    assert ((after_wrap - start) // 1_000_000).tolist() == [50, 99, 100, 150, 149]
    # 605 s later by the host: ten whole minutes and a clock that runs 4.83 s behind it.
    assert after_silence - start == (10 * 60_000 + 170) * 1_000_000


def test_a_stamp_that_breaks_the_protocol_is_counted() -> None:
    """A stamp of 60,000 ms and more gives the host's time, and is counted."""
    parser = lp.LineParser(use_stamps=True)

    frames = parser.feed(b"t1230EA60\rt1230\r", t_ns=77)

    assert [frame.t_ns for frame in frames if isinstance(frame, Frame)] == [77, 77]
    assert parser.stamps is not None
    assert parser.stamps.out_of_range == 1


# --- the bus: opening -------------------------------------------------------------------------------


def test_can_bus_opens_it_by_name(adapter: AdapterDouble) -> None:
    """Any python-can program gets it by interface="hiltest-serial"."""
    with can.Bus(interface="hiltest-serial", channel=adapter.path, bitrate=500_000) as bus:
        assert isinstance(bus, SerialLineBus)


def test_opening_sets_the_rate_before_the_channel_opens(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Close, bit rate, open, in this order; closing again at the end."""
    assert [line for line in adapter.lines if line] == ["C", "S8", "O"]

    bus.shutdown()
    bus.shutdown()

    adapter.wait_for_line("C", times=2)
    assert [line for line in adapter.lines if line] == ["C", "S8", "O", "C"]


def test_register_values_and_listen_only_and_stamps(adapter: AdapterDouble) -> None:
    """BitTiming goes out as registers, listen-only as L, time stamps as Z1."""
    timing = can.BitTiming(f_clock=8_000_000, brp=1, tseg1=5, tseg2=2, sjw=1)
    with SerialLineBus(adapter.path, timing=timing, listen_only=True, timestamps=True) as bus:
        assert [line for line in adapter.lines if line] == ["C", "s0014", "Z1", "L"]
        assert bus.stamp_source.startswith("hardware stamp")
        with pytest.raises(can.CanOperationError, match="listen_only"):
            bus.send(can.Message())


@pytest.mark.parametrize(
    ("command", "purpose"), [("S8", "bit rate"), ("O", "opening"), ("Z1", "time stamps")]
)
def test_a_refused_setting_is_an_error(command: str, purpose: str) -> None:
    """BEL to a setting ends the opening and names what was refused; there is no quiet way round."""
    double = AdapterDouble(refused=(command,))
    try:
        with pytest.raises(can.CanInitializationError, match=f"refused the command {command} .{purpose}"):
            SerialLineBus(double.path, bitrate=1_000_000, timestamps=True)
    finally:
        double.unplug()


class LateAnswer(AdapterDouble):
    """An answer to a program before us comes with the first answer to us, after the line was drained."""

    def __init__(self, refused: tuple[str, ...], pause_s: float) -> None:
        self._late, self._pause_s = b"\r", pause_s
        super().__init__(refused)

    def _answer(self, text: str) -> None:
        if text and self._late:
            os.write(self._master, self._late)
            self._late = b""
            time.sleep(self._pause_s)
        super()._answer(text)
        if self._pause_s:
            time.sleep(self._pause_s)


@pytest.mark.parametrize("pause_s", [0.0, 0.05])
def test_a_late_answer_to_a_program_before_is_not_taken_for_ours(pause_s: float) -> None:
    """An adapter refuses to close what is closed; taken for the next answer, that is a refused bit rate."""
    double = LateAnswer(("C",), pause_s)
    try:
        with SerialLineBus(double.path, bitrate=1_000_000) as bus:
            assert [line for line in double.lines if line][-3:] == ["C", "S8", "O"]
            assert bus.counters.refused == 0
    finally:
        double.unplug()


@pytest.mark.parametrize("pause_s", [0.0, 0.05])
def test_a_late_answer_does_not_hide_a_refused_bit_rate(pause_s: float) -> None:
    """Every answer belongs to the command before; it is still the bit rate that was refused."""
    double = LateAnswer(("S8",), pause_s)
    try:
        with pytest.raises(can.CanInitializationError, match=r"refused the command S8 .bit rate"):
            SerialLineBus(double.path, bitrate=1_000_000)
    finally:
        double.unplug()


def test_a_rate_that_an_adapter_lacks_costs_no_second_once_the_line_is_ours() -> None:
    """Our own close was answered, so nothing late is on its way: a drill tries rates while something is on."""
    double = AdapterDouble(refused=("S0",))
    try:
        SerialLineBus(double.path, bitrate=1_000_000).shutdown()
        before = time.monotonic()
        with pytest.raises(can.CanInitializationError, match="refused the command S0"):
            SerialLineBus(double.path, bitrate=10_000)
        assert time.monotonic() - before < 0.9, "a line that is not known to be quiet is listened to for 1 s"
        assert double.lines.count("S0") == 1
        SerialLineBus(double.path, bitrate=1_000_000).shutdown()
        time.sleep(1.1)  # long enough for another program
        with pytest.raises(can.CanInitializationError, match="refused the command S0"):
            SerialLineBus(double.path, bitrate=10_000)
        assert double.lines.count("S0") == 3
    finally:
        double.unplug()


class TwiceTold(AdapterDouble):
    """Every answer comes twice, as from a firmware that ends a line twice."""

    def _answer(self, text: str) -> None:
        os.write(self._master, b"\r\r" if text else b"\a")


def test_an_adapter_that_answers_twice_is_opened_all_the_same() -> None:
    """Asked again on a quiet line, more answers than questions are its way."""
    double = TwiceTold()
    try:
        with SerialLineBus(double.path, bitrate=1_000_000) as bus:
            assert [line for line in double.lines if line] == ["C", "S8", "O"] * 2
            assert bus.recv(0) is None
    finally:
        double.unplug()


def test_a_mute_port_is_an_error_unless_allowed() -> None:
    """No answer at all: probably no adapter. One that never answers needs require_answers=False."""
    double = AdapterDouble(answers=False)
    try:
        with pytest.raises(can.CanInitializationError, match=r"answers no command.*require_answers=False"):
            SerialLineBus(double.path, bitrate=1_000_000, command_timeout_s=0.05)
        with SerialLineBus(double.path, 1_000_000, command_timeout_s=0.05, require_answers=False) as bus:
            assert bus.recv(0) is None
    finally:
        double.unplug()


def test_frames_of_before_the_opening_are_forgotten(adapter: AdapterDouble) -> None:
    """What the port still held from an earlier run is not taken for this one's."""
    adapter.say(b"t1112AABB\rt1112")
    with SerialLineBus(adapter.path, bitrate=1_000_000) as bus:
        adapter.say(b"t2220\r")

        rows = rows_of(bus, 1)

    assert rows["can_id"].tolist() == [0x222]
    assert bus.counters.malformed == 0


def test_opening_says_why_it_failed(tmp_path: object) -> None:
    """A missing port, a file, a missing bit rate: each is told in words."""
    with pytest.raises(can.CanInitializationError, match="no port '/dev/hiltest-none'"):
        SerialLineBus("/dev/hiltest-none", bitrate=1_000_000)
    with pytest.raises(can.CanInitializationError, match="no serial port"):
        SerialLineBus(__file__, bitrate=1_000_000)
    with pytest.raises(UsageError, match="bit rate is missing"):
        SerialLineBus("/dev/null")


# --- the bus: frames --------------------------------------------------------------------------------


def test_messages_arrive_one_by_one_with_time_of_now(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Standard, extended and remote frames become messages, stamped with Unix time."""
    adapter.say(b"t1232DEAD\rT1ABCDEF01FF\rr4563\r")

    first, second, third = (bus.recv(1.0) for _ in range(3))

    assert first is not None
    assert second is not None
    assert third is not None
    assert (first.arbitration_id, bytes(first.data), first.is_extended_id) == (0x123, b"\xde\xad", False)
    assert (second.arbitration_id, second.is_extended_id) == (0x1ABCDEF0, True)
    assert (third.arbitration_id, third.is_remote_frame, third.dlc) == (0x456, True, 3)
    assert abs(first.timestamp - time.time()) < 5
    assert bus.recv(0) is None


def test_recv_keeps_to_its_time(bus: SerialLineBus) -> None:
    """A silent bus gives None after the timeout, not earlier and hardly later."""
    start = time.monotonic()

    assert bus.recv(0.1) is None

    assert 0.099 <= time.monotonic() - start < 0.5


def test_frames_that_are_filtered_out_do_not_stretch_the_timeout(adapter: AdapterDouble) -> None:
    """The deadline holds for the call as a whole, whatever goes by."""
    with SerialLineBus(
        adapter.path, bitrate=1_000_000, can_filters=[{"can_id": 0x200, "can_mask": 0x7FF}]
    ) as bus:
        adapter.say(b"t1000\rt2000\rt3000\r")
        message = bus.recv(1.0)
        adapter.say(b"t1000\rt2000\rt3000\r")
        rows = rows_of(bus, 1)
        start = time.monotonic()
        nothing = bus.recv(0.05)

    assert message is not None
    assert message.arbitration_id == 0x200
    assert rows["can_id"].tolist() == [0x200]
    assert nothing is None
    assert time.monotonic() - start < 0.5


def test_send_writes_one_line_and_counts_the_answer(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """A message goes out as its line; z is counted as taken, and is no message."""
    bus.send(can.Message(arbitration_id=0x123, data=b"\x01\xff", is_extended_id=False))
    bus.send(can.Message(arbitration_id=0x123, is_remote_frame=True, dlc=4, is_extended_id=True))

    adapter.wait_for_line("R000001234")

    assert adapter.lines[-2:] == ["t123201FF", "R000001234"]
    assert bus.recv(0.1) is None
    assert (bus.counters.frames_sent, bus.counters.taken) == (2, 2)


def test_a_refused_frame_is_counted(bus: SerialLineBus, adapter: AdapterDouble) -> None:
    """BEL while frames are sent: the adapter had no room. The count says so."""
    adapter.say(b"\a\a")

    assert bus.recv(0.05) is None
    assert bus.counters.refused == 2


def test_a_port_that_takes_nothing_times_out_and_never_cuts_a_line(adapter: AdapterDouble) -> None:
    """With the port full, send raises in time; what was begun is ended before the next line."""
    with SerialLineBus(adapter.path, bitrate=1_000_000) as bus:
        adapter._stop.set()  # the adapter stops reading
        adapter._thread.join()
        message = can.Message(arbitration_id=0x123, data=bytes(range(8)), is_extended_id=False)
        start = time.monotonic()
        with pytest.raises(can.CanTimeoutError, match="does not read"):
            send_many(bus, message)
        assert time.monotonic() - start < 5

        received = b""
        while select.select([adapter._master], [], [], 0.1)[0]:
            received += os.read(adapter._master, 65536)
        bus.send(message, timeout=1.0)
        received += os.read(adapter._master, 65536)

    assert set(received.split(b"\r")) == {b"t12380001020304050607", b""}


def test_messages_that_the_line_can_not_carry_are_refused(bus: SerialLineBus) -> None:
    """CAN FD and error frames raise python-can's own error."""
    with pytest.raises(can.CanOperationError, match="classic frames only"):
        bus.send(can.Message(is_fd=True, data=bytes(12)))


def test_garbage_is_counted_and_does_not_hide_frames(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Lines that say nothing are counted, the frames between them are read."""
    adapter.say(b"t12\r\xff\xfe\rt1230\rt9999\rtFFF0\r\nt1240\r\n")

    rows = rows_of(bus, 2)

    assert rows["can_id"].tolist() == [0x123, 0x124]
    assert bus.counters.malformed == 4
    assert bus.last_malformed == "tFFF0"


def test_no_frame_of_a_long_burst_is_lost(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """20,000 numbered frames come whole and in order, mixed over both ways of receiving."""
    count = 20_000
    text = b"".join(b"t1234%08X\r" % number for number in range(count))
    writer = threading.Thread(
        target=lambda: [adapter.say(text[i : i + 1300]) for i in range(0, len(text), 1300)]
    )
    writer.start()

    numbers: list[int] = []
    while len(numbers) < count:
        message = bus.recv(2.0)
        assert message is not None
        numbers.append(int.from_bytes(message.data, "big"))
        rows = bus.recv_batch(0.0)
        numbers += rows["data"][:, :4].copy().view(">u4").ravel().tolist()
    writer.join()

    assert numbers == list(range(count))
    assert bus.counters.frames_received == count


def test_adapter_stamps_carry_the_spacing(adapter: AdapterDouble) -> None:
    """With time stamps the distance of two frames is the adapter's, over its wrap too."""
    with SerialLineBus(adapter.path, bitrate=1_000_000, timestamps=True) as bus:
        adapter.say(b"t1230EA50\rt12300005\r")
        rows = rows_of(bus, 2)
        adapter.say(b"t1230000F\r")
        message = bus.recv(1.0)

    assert np.diff(rows["t_ns"]).tolist() == [21_000_000]
    assert message is not None
    assert message.timestamp - rows["t_ns"][1] / 1e9 == pytest.approx(0.010, abs=1e-6)


def test_select_sees_what_was_read_ahead(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """fileno() is readable as long as a message can be had, though the port itself is empty."""
    fd = bus.fileno()
    assert select.select([fd], [], [], 0)[0] == []
    adapter.say(b"t1000\rt2000\rt3000\r")

    seen = []
    while select.select([fd], [], [], 0.2)[0]:
        message = bus.recv(0)
        assert message is not None
        seen.append(message.arbitration_id)

    assert seen == [0x100, 0x200, 0x300]


# --- the bus: states and errors ---------------------------------------------------------------------


def test_state_lines_set_state_and_counters(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Unknown until told; a change of state is an error frame with the counters, a repetition is none."""
    assert (bus.bus_state, bus.error_counters) == ("unknown", None)
    adapter.say(b"sa001000\rsw100097\rsw101097\rsp020130\rsb000256\rsa000000\r")

    frames = to_frames(rows_of(bus, 4))

    assert [describe_error(frame).state for frame in frames] == ["warning", "passive", "bus-off", "active"]
    assert (describe_error(frames[1]).tx_errors, describe_error(frames[1]).rx_errors) == (130, 20)
    assert bus.bus_state == "active"
    assert bus.error_counters == (0, 0)
    assert bus.counters.state_reports == 6


def test_python_can_sees_the_state_as_well(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Passive and off show in python-can's own property, as far as it has names."""
    states = []
    for line in (b"sw100000\r", b"sp000130\r", b"sb000256\r"):
        adapter.say(line)
        message = bus.recv(1.0)
        assert message is not None
        assert message.is_error_frame
        states.append((bus.bus_state, bus.state))

    assert states == [
        ("warning", can.BusState.ACTIVE),
        ("passive", can.BusState.PASSIVE),
        ("off", can.BusState.ERROR),
    ]


def test_error_lines_stay_in_their_place_between_frames(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """A batch holds error reports as rows, in the order of the line; recv gives error messages."""
    adapter.say(b"t1000\re1a\rt2000\re2ab\re3bcO\rt3000\r")
    frames = to_frames(rows_of(bus, 6))
    adapter.say(b"e1s\r")
    message = bus.recv(1.0)

    assert [frame.error for frame in frames] == [False, True, False, True, True, False]
    kinds = [describe_error(frame).kinds for frame in frames if frame.error]
    assert kinds == [("ack",), ("bit0", "ack"), ("bit0", "crc", "tx-overflow")]
    assert message is not None
    assert message.is_error_frame
    assert bus.counters.error_reports == 4


def test_queries_are_answered_between_frames(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """Version, serial number and status come back, and frames that arrive meanwhile are kept."""
    adapter.answers |= {"V": b"t1000\rV1013\r", "F": b"t2000\rF24\r"}

    assert bus.version() == "1013"
    assert bus.serial_number() == "A1B2"
    status = bus.query_status()

    assert status is not None
    assert (status.error_warning, status.error_passive, status.bus_error) == (True, True, False)
    assert bus.bus_state == "passive"
    assert rows_of(bus, 2)["can_id"].tolist() == [0x100, 0x200]


def test_a_query_that_is_refused_gives_none(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """An adapter without a serial number refuses N: there is none, and no error."""
    adapter.answers["N"] = b"\a"

    assert bus.serial_number() is None


@pytest.mark.parametrize("way", ["recv", "recv_batch", "send"])
def test_unplugging_is_told_in_words(way: str) -> None:
    """After the frames that were read, a lost adapter raises an error that says what to do."""
    double = AdapterDouble()
    bus = SerialLineBus(double.path, bitrate=1_000_000)
    double.unplug()
    call = {
        "recv": lambda: bus.recv(1.0),
        "recv_batch": lambda: bus.recv_batch(0.0),
        "send": lambda: bus.send(can.Message()),
    }[way]

    for _ in range(2):
        with pytest.raises(can.CanOperationError, match=r"went away.*open the bus anew"):
            call()
    bus.shutdown()
    with pytest.raises(can.CanOperationError, match=r"was shut down|went away"):
        call()


def test_flushing_output_leaves_the_line_usable(adapter: AdapterDouble, bus: SerialLineBus) -> None:
    """After flush_tx_buffer the next frame starts a line of its own."""
    bus.flush_tx_buffer()
    bus.send(can.Message(arbitration_id=0x321, is_extended_id=False))

    adapter.wait_for_line("t3210")


def test_rows_and_frames_are_the_same_thing() -> None:
    """An array made of frames gives the same frames back, with time and direction."""
    frames = [
        Frame(0x123, b"\x01\x02", t_ns=5, is_rx=False),
        Frame(0x1ABCDEF0, extended=True, remote=True, remote_dlc=3),
        Frame(0x20, bytes(range(8)), error=True),
    ]

    back = to_frames(to_rows(frames))

    assert back == frames
    assert [(frame.t_ns, frame.is_rx) for frame in back] == [(5, False), (0, True), (0, True)]
