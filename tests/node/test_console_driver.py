"""The console driver against a node that shares no code with it, byte by byte, over a real pseudo-terminal.

The node (`console_node.py`) is written with os, re and struct alone; the lines that it must hear stand here.
"""

from __future__ import annotations

import gc
import os
import random
import tracemalloc
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hiltest.canbus.frame import Frame
from hiltest.clock import RealClock, sleep_s
from hiltest.description.loading import load_text
from hiltest.errors import (
    BenchLost,
    BenchNotOpened,
    DescriptionError,
    NoAnswer,
    NotOffered,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node.console import ConsoleDriver
from hiltest.node.opening import open_driver
from hiltest.node.verbs import Identity, Reading

from .console_node import Kiln

BEAT_ID, BEAT_S = 0x18FF0077, 0.1
TEXT = r"""
[fixture]
name = "kiln"
[supply]
voltage_v = 24.0
current_limit_a = 5.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 500_000
length_m = 1.0
[node]
name = "kiln"
protocol = "console"
heartbeat = "Beat"
heartbeat_s = 0.1
boot_max_s = 0.3
host_silence_max_s = 1.0
[node.roles]
all_off = { send = "STOP", expect = '\+' }
restart = { send = "BYE" }
firmware = { send = "ID", expect = '\S+ fw ([\d.]+) sn \d+' }
serial_number = { send = "ID", expect = '.* sn (\d+)' }
supply_v = { at = "Beat.supply_cv", scale = 0.01 }
uptime_s = { expect = '#([\d.]+) .*' }
reset_cause = { send = "WHY?", expect = 'WHY (\S+)' }
[[node.message]]
name = "Beat"
can_id = 0x18FF0077
extended = true
length_bytes = 8
counter = "count"
field = [
    { name = "count", at_byte = 0, length_bits = 4 },
    { name = "supply_cv", at_byte = 2, length_bytes = 2, endian = "big" },
    { name = "serial", at_byte = 4, length_bytes = 4, endian = "big" },
]
[console]
port = "PORT"
prompt = "kiln$ "
line_end = "\r"
refusal = 'E\d\d .*'
unsolicited = '#.*'
boot = '#0\.0 hello'
answer_s = 0.6
stale_s = 0.5
alive = "?"
alive_s = 0.2
[[sensor]]
name = "a"
kind = "other"
roles.temperature_c = { send = "TA?", expect = 'TA=(-?[\d.]+|---)', invalid = ["---"] }
[[sensor]]
name = "b"
kind = "other"
roles.temperature_c = { send = "TB?", expect = 'TB=(-?[\d.]+|---)', invalid = ["---"] }
[[heater]]
name = "coil"
sensor = "a"
power_w = 40.0
heat_capacity_j_k = 20.0
ceiling_c = 120.0
[heater.roles]
setpoint_c = { send = "SET {value:d}", expect = 'SP:(\d+) dC', scale = 0.1 }
duty = { send = "PULSE {value:d}% {milliseconds:d}ms", expect = '\+', scale = 0.01 }
output = { send = "OUT?", expect = 'OUT (\d+) permille', scale = 0.001 }
[[fan]]
name = "blower"
full_speed_rpm = 3000.0
roles.duty = { send = "FAN {value:d}%", expect = '\+', scale = 0.01 }
roles.tach_hz = { send = "RPM?", expect = 'RPM=(0x[0-9A-F]+)', scale = 0.0333333333333 }
[[stepper]]
name = "damper"
rated_current_a = 1.0
run_current_a = 0.5
[stepper.roles]
enable = { send = "MOT ON", off = "MOT OFF", ask = "POS?", answer = 'POS -?\d+ (\S+) \S+', on = "ON" }
moving = { send = "POS?", expect = 'POS -?\d+ \S+ (\S+)', on = "RUN" }
position = { send = "POS?", expect = 'POS (-?\d+) .*' }
distance = { send = "GO {value:d} @{speed:d}", expect = '\+' }
current_a = { send = "I={value:d}", expect = '\+', ask = "DRV?", answer = 'I=(\d+) .*', scale = 0.001 }
microsteps = { send = "M={value:d}", expect = '\+', ask = "DRV?", answer = '.* M=(\d+)' }
[[switch]]
name = "door"
roles.state = { send = "DOOR?", expect = 'DOOR (\S+)', on = "CLOSED" }
[[lamp]]
name = "lamp"
colours = ["white"]
roles.white = { send = "LED {value:d}", expect = '\+' }
"""
NO_ECHO = {"[console]\n": "[console]\necho = false\n"}
NO_PROMPT = {'prompt = "kiln$ "\n': 'prompt = ""\n'}


class Bus:
    """A bus in real time on which nothing but the kiln's heartbeat ever comes."""

    name, bit_rate_bps, bus = "can", 500_000, None

    def __init__(self) -> None:
        self.clock = RealClock()
        self.kiln: Kiln | None = None
        self.sent: list[Frame] = []
        self.beats_from_s = 0.0
        self._due_s = 0.0

    def recv(self, timeout_s: float) -> Frame | None:
        assert self.kiln is not None
        end_s = self.clock.now_s + timeout_s
        while True:
            self.kiln.serve()
            now_s = self.clock.now_s
            if now_s >= max(self._due_s, self.beats_from_s):
                self._due_s = now_s + BEAT_S
                return Frame(BEAT_ID, self.kiln.beat(), True).at(self.clock.now_ns)
            if now_s >= end_s:
                return None
            sleep_s(min(0.002, end_s - now_s))

    def send(self, frame: Frame) -> None:
        self.sent.append(frame)

    def flush(self) -> None: ...
    def close(self) -> None: ...
    def reopen(self, bit_rate_bps: int) -> None: ...
    def state(self) -> str:
        return "active"

    def counters(self) -> None:
        return None


class Bench:
    """The kiln, its bus and the driver."""

    def __init__(self, changes: dict[str, str] | None = None, **kiln: Any) -> None:
        self.bus = Bus()
        self.kiln = self.bus.kiln = Kiln(lambda: self.bus.clock.now_s, **kiln)
        self.link = Link(self.bus)
        self.driver = ConsoleDriver(self.link, load_text(text(self.kiln.path, changes)).description, "kiln")
        self.readings: list[Reading] = []
        self.driver.on_reading(self.readings.append)

    def heard(self, call: Callable[[], Any]) -> list[bytes]:
        """The lines that reach the node because of `call`, without signs of life."""
        before = len(self.kiln.heard)
        call()
        return [line for line in self.kiln.heard[before:] if line != b"?"]

    def close(self) -> None:
        self.driver.stop()
        self.kiln.close()


def text(port: str, changes: dict[str, str] | None = None) -> str:
    changed = TEXT.replace("PORT", port)
    for old, new in (changes or {}).items():
        assert old in changed
        changed = changed.replace(old, new, 1)
    return changed


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    made.driver.start()
    made.link.run_for(0.05)  # the line that switched everything off has arrived
    yield made
    made.close()


def test_every_verb_sends_the_line_that_it_should(bench: Bench) -> None:
    """Scales, placeholders, percent and milliseconds: the bytes on the wire are those of the node's manual."""
    driver = bench.driver
    for call, lines in (
        (lambda: driver.set_fan("blower", 0.25), [b"FAN 25%"]),
        (lambda: driver.set_fan("blower", 0.0), [b"FAN 0%"]),
        (lambda: driver.set_heater_c("coil", 50.0), [b"SET 500"]),
        (lambda: driver.set_heater_c("coil", 0.0), [b"SET 0"]),
        (lambda: driver.pulse_heater("coil", 0.5, 4.0), [b"PULSE 50% 4000ms"]),
        (lambda: driver.pulse_heater("coil", 0.0, 4.0), [b"PULSE 0% 0ms"]),
        (lambda: driver.configure_driver("damper", 0.5, 16), [b"I=500", b"M=16"]),
        (lambda: driver.enable_driver("damper", True), [b"MOT ON", b"POS?"]),
        (lambda: driver.set_lamp("lamp", "white"), [b"LED 0", b"LED 1"]),
        (lambda: driver.set_lamp("lamp", None), [b"LED 0"]),
        (lambda: driver.read_temperature_c("a"), [b"TA?"]),
    ):
        heard = bench.heard(call)
        if lines == [b"TA?"]:  # the watch of the temperature may ask as well
            assert set(heard) == {b"TA?"}
        else:
            assert [line for line in heard if line != b"TA?"] == lines


def test_what_is_read_is_what_the_node_said(bench: Bench) -> None:
    """Decimal and hexadecimal numbers, words, values on the bus; each line is asked once for all its values."""
    driver, kiln = bench.driver, bench.kiln
    assert driver.read_temperature_c("a") == 23.5
    kiln.fan = 40
    assert driver.read_tach_hz("blower") == pytest.approx(40.0, abs=0.01)
    assert driver.read_heater_output("coil") == 0.0
    assert driver.read_switch("door") is True
    assert driver.read_supply_v() == 24.0
    kiln.settings = {b"I": 450, b"M": 32}
    found = None

    def read() -> None:
        nonlocal found
        found = driver.read_driver("damper")

    assert bench.heard(read) == [b"DRV?"]
    assert found is not None
    assert (found.current_a, found.microsteps) == (0.45, 32)
    assert driver.identify() == Identity(0, 0, 0, 77, firmware="2.0.1")
    kinds = {reading.kind for reading in bench.readings}
    assert {"temperature_c", "tach_hz", "heater_output", "switch", "supply_v", "heartbeat"} <= kinds


def test_a_move_ends_where_it_should(bench: Bench) -> None:
    """The line carries distance and speed; the end is the position that the node tells, once it rests."""
    bench.driver.enable_driver("damper", True)
    heard = bench.heard(lambda: bench.driver.move("damper", -1600, 2.0, 5.0))
    assert b"GO -1600 @6400" in heard
    assert bench.driver.read_position("damper") == -1600
    bench.driver.enable_driver("damper", False)
    with pytest.raises(Refused, match="no current"):
        bench.driver.move("damper", 1600, 2.0, 5.0)
    assert bench.kiln.goal == -1600


def test_nothing_is_sent_on_the_bus(bench: Bench) -> None:
    """It is only listened to."""
    bench.driver.read_temperature_c("a")
    assert bench.driver.search(0.5)[0].answers == 1
    assert 3 <= len(bench.driver.watch_heartbeat(0.5)) <= 6
    assert bench.bus.sent == []


def test_a_value_that_is_none_is_refused(bench: Bench) -> None:
    """Text that stands for no valid value is told as such, and the guard hears of it."""
    with pytest.raises(Refused, match="'---'"):
        bench.driver.read_temperature_c("b")
    assert bench.readings[-1].value != bench.readings[-1].value


def test_a_refusal_holds_the_line_and_the_nodes_own_words(bench: Bench) -> None:
    """What the node will not do, it says by a line that fits `refusal`."""
    with pytest.raises(Refused, match=r"'SET 1300'.*'E07 too hot'"):
        bench.driver.set_heater_c("coil", 130.0)
    assert bench.kiln.set == 0


def test_a_value_that_was_clipped_is_no_success(bench: Bench) -> None:
    """The number in the answer is what the node took; another than the one sent is refused."""
    bench.kiln.says[b"SET 500"] = b"SP:450 dC"
    with pytest.raises(Refused, match=r"'SET 500'.*450"):
        bench.driver.set_heater_c("coil", 50.0)


@pytest.mark.parametrize(
    ("changes", "kiln"),
    [
        (NO_ECHO, {"echo": False}),
        (NO_PROMPT, {"prompt": b""}),
        ({**NO_ECHO, **NO_PROMPT}, {"echo": False, "prompt": b""}),
    ],
    ids=["no echo", "no prompt", "neither"],
)
def test_consoles_without_echo_or_prompt(changes: dict[str, str], kiln: dict[str, Any]) -> None:
    """Then the answer ends with the prompt, or with the line that fits."""
    bench = Bench(changes, **kiln)
    bench.driver.start()
    assert bench.driver.read_temperature_c("a") == 23.5
    bench.driver.set_fan("blower", 0.3)
    assert bench.kiln.fan == 30
    with pytest.raises(Refused, match="E07"):
        bench.driver.set_heater_c("coil", 130.0)
    bench.close()


def test_log_lines_in_between_and_split_output_do_no_harm(bench: Bench) -> None:
    """Before the echo, between echo and answer, and everything three bytes at a time."""
    kiln = bench.kiln
    kiln.before, kiln.between, kiln.piece = b"\r\n#12.5 TA=99.0\r\nkiln$ ", b"#12.6 door\r\n", 3
    kiln.slow_s = 0.05
    assert bench.driver.read_temperature_c("a") == 23.5
    bench.driver.set_fan("blower", 0.5)
    assert kiln.fan == 50


def test_what_the_node_prints_by_itself_is_read_while_it_is_fresh(bench: Bench) -> None:
    """A role without a line to send takes the newest such line, and waits for one when it is too old."""
    bench.kiln.says[b"WHY?"] = b"WHY brown-out"
    bench.kiln.print(b"#7.25 all well\r\n", 0.1)
    status = bench.driver.read_status()
    assert (status.uptime_s, status.reset_cause) == (7.25, "brown-out")
    bench.link.run_for(0.7)
    with pytest.raises(NoAnswer, match=r"'#\(\[\\\\d\.\]\+\) \.\*'"):
        bench.driver.read_status()


def test_a_position_that_is_printed_by_itself_ends_a_move_too() -> None:
    """Nobody asks: the node tells where it stands, line after line."""
    changes = {
        "position = { send = \"POS?\", expect = 'POS (-?\\d+) .*' }": "position = { expect = '#[\\d.]+ at (-?\\d+)' }",
        'moving = { send = "POS?", expect = \'POS -?\\d+ \\S+ (\\S+)\', on = "RUN" }\n': "",
    }
    bench = Bench(changes)
    bench.driver.start()
    kiln = bench.kiln

    def tell() -> None:
        kiln.act(b"POS?")
        kiln.print(b"#3.0 at %d\r\n" % kiln.position)

    telling = bench.link.every(0.05, tell)
    bench.driver.enable_driver("damper", True)
    bench.driver.move("damper", 1600, 2.0, 5.0)
    assert kiln.position == 1600
    telling.cancel()
    bench.close()


def test_an_answer_that_does_not_fit_is_told_with_line_pattern_and_what_came(bench: Bench) -> None:
    """All three stand in the error, and nothing of it becomes a value."""
    for wrong in (b"TA=2#.5", b"TA=23.5 C", b" 23.5", b"TB=23.5", b"TA=\xff23.5"):
        bench.kiln.says[b"TA?"] = wrong
        with pytest.raises(NoAnswer) as caught:
            bench.driver.read_temperature_c("a")
        message = str(caught.value)
        assert "'TA?'" in message
        assert repr("TA=(-?[\\d.]+|---)") in message
        assert wrong.decode(errors="replace").strip() in message
    bench.kiln.says[b"TA?"] = b"TA=2.3.5"
    with pytest.raises(NoAnswer, match=r"with a number.*'2\.3\.5'"):
        bench.driver.read_temperature_c("a")
    assert not [each for each in bench.readings if each.kind == "temperature_c"]


def test_a_node_that_says_nothing_says_so(bench: Bench) -> None:
    """Mute: the error says what to look at; the line counts as unanswered."""
    bench.kiln.alive = False
    before = bench.driver.unanswered
    with pytest.raises(NoAnswer, match=r"'RPM\?' with its echo.*nothing\. Look at both wires"):
        bench.driver.read_tach_hz("blower")
    assert bench.driver.unanswered > before


def test_an_answer_that_comes_too_late_is_not_taken_for_the_next(bench: Bench) -> None:
    """Also without an echo: what comes after its time belongs to nothing."""
    made = Bench(NO_ECHO, echo=False)
    made.driver.start()
    made.kiln.slow_s = 0.8
    with pytest.raises(NoAnswer):
        made.driver.read_temperature_c("a")
    made.kiln.slow_s = 0.0
    made.kiln.says[b"TA?"] = b"TA=40.0"
    assert made.driver.read_temperature_c("a") == 40.0
    made.close()


def test_an_echo_is_never_an_answer() -> None:
    """With both wires touching every line comes back, and none is taken for an answer, whatever its pattern."""
    changes = {"'SP:(\\d+) dC', scale = 0.1": "'SET (\\d+)', scale = 0.1"}
    bench = Bench(changes)
    bench.driver.start()
    bench.kiln.act = lambda line: line  # type: ignore[method-assign]
    with pytest.raises(NoAnswer, match="came back twice"):
        bench.driver.set_heater_c("coil", 50.0)
    bench.kiln.prompt = b""
    bench.kiln.act = lambda line: b""  # type: ignore[method-assign]
    with pytest.raises(NoAnswer, match="'SET 500'"):
        bench.driver.set_heater_c("coil", 50.0)
    bench.close()


def test_an_echo_where_none_should_be_is_told() -> None:
    """`echo = false` and an echo all the same: two wires touch, or the description is wrong."""
    bench = Bench(NO_ECHO)
    bench.driver.start()
    with pytest.raises(NoAnswer, match="as an echo"):
        bench.driver.read_temperature_c("a")
    bench.close()


def test_signs_of_life_go_out_in_time_and_stop_when_told(bench: Bench) -> None:
    """Every 0.2 s, also while a person thinks; a silent host sends nothing at all, hot heater or not."""
    bench.driver.set_heater_c("coil", 50.0)
    before = len(bench.kiln.heard)
    bench.link.run_for(1.5)
    heard = bench.kiln.heard[before:]
    assert 5 <= heard.count(b"?") <= 9
    assert heard.count(b"TA?") >= 2, "a hot heater's sensor is looked at"
    bench.driver.go_silent()
    bench.link.run_for(0.1)
    before = len(bench.kiln.heard)
    bench.link.run_for(0.6)
    assert bench.kiln.heard[before:] == []
    bench.driver.resume()
    bench.link.run_for(0.3)
    assert b"?" in bench.kiln.heard[before:]


def test_all_off_goes_out_at_once_whatever_is_going_on(bench: Bench) -> None:
    """In the middle of an answer that does not come, the line for off is on the wire; who waited gets an error."""
    bench.kiln.slow_s = 10.0
    bench.driver.go_silent()
    bench.link.after(0.1, bench.driver.stop_all)
    started_s = bench.link.now_s
    with pytest.raises(NoAnswer, match="more urgent"):
        bench.driver.read_temperature_c("a")
    assert bench.link.now_s - started_s < 0.5
    bench.link.run_for(0.05)
    assert bench.kiln.heard[-2:] == [b"STOP", b"STOP"]


def test_without_all_off_every_output_gets_its_own_line() -> None:
    """Heater, pulse, fan, motor and lamp, each twice."""
    bench = Bench({"all_off = { send = \"STOP\", expect = '\\+' }\n": ""})
    bench.driver.start()
    bench.driver.go_silent()
    bench.link.run_for(0.2)
    heard = bench.heard(lambda: (bench.driver.stop_all(), bench.link.run_for(0.1)))
    assert heard == [b"SET 0", b"PULSE 0% 0ms", b"FAN 0%", b"MOT OFF", b"LED 0"] * 2
    bench.close()


def test_a_restart_is_a_break_in_the_heartbeats(bench: Bench) -> None:
    """From the line to the first heartbeat after the break; a node that just goes on did not restart."""
    bench.bus.beats_from_s = bench.bus.clock.now_s + 0.7
    took_s = bench.driver.restart(3.0)
    assert 0.5 < took_s < 1.5
    assert any(reading.kind == "boot" for reading in bench.readings)
    with pytest.raises(NoAnswer, match=r"'BYE' with a break"):
        bench.driver.restart(0.5)


def test_a_restart_by_itself_is_seen_on_the_console(bench: Bench) -> None:
    """The line of its boot, at any time; an answer that it cut short is none."""
    bench.kiln.print(b"\r\n#0.0 hello\r\nkiln$ ")
    bench.link.run_for(0.1)
    assert [reading.kind for reading in bench.readings].count("boot") == 1
    bench.kiln.between = b"#0.0 hello\r\n"
    with pytest.raises(NoAnswer, match="started anew"):
        bench.driver.read_temperature_c("a")


def test_a_megabyte_of_noise_without_an_end_of_line(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """No value, no crash, a short error, bounded memory; and when it is over the console works as before.

    Less is kept here than usual, so that the bound is reached.
    """
    monkeypatch.setattr("hiltest.console.KEPT_BYTES_MAX", 100_000)
    noise = random.Random(1)
    letters = bytes(byte for byte in range(256) if byte not in b"\r\n")
    sent = 0

    def babble() -> None:
        nonlocal sent
        try:
            sent += os.write(bench.kiln.fd, bytes(noise.choices(letters, k=4000)))
        except BlockingIOError:
            return

    timer = bench.link.every(0.002, babble)
    tracemalloc.start()
    while sent < 1_000_000:
        with pytest.raises(NoAnswer) as caught:
            bench.driver.read_temperature_c("a")
        assert len(str(caught.value)) < 1500
        assert "no text" in str(caught.value)
    timer.cancel()
    gc.collect()
    kept_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert bench.driver.console.dropped_lines > 100
    assert kept_bytes < 600_000, "a character that stands for one that is no text takes two bytes (PEP 393)"
    assert not [each for each in bench.readings if each.kind == "temperature_c"]
    bench.link.run_for(0.3)
    bench.kiln.print(b"\r\nkiln$ ")
    bench.link.run_for(0.2)
    assert bench.driver.read_temperature_c("a") == 23.5


def test_a_million_empty_lines_are_bounded_too(bench: Bench) -> None:
    """What an empty line costs in memory counts as well."""
    console = bench.driver.console
    for _ in range(60):
        os.write(bench.kiln.fd, b"\n" * 1000)
        bench.link.run_for(0.03)
    assert len(console.lines) <= 10_000
    assert bench.driver.read_temperature_c("a") == 23.5


def test_an_unplugged_console_is_lost_and_the_host_falls_silent(bench: Bench) -> None:
    """Every output can't be commanded off any more: the error says what remains."""
    bench.kiln.close()
    with pytest.raises(BenchLost):
        bench.link.run_for(0.3)
    with pytest.raises(BenchLost, match="its own watch on the host's signs of life is what remains"):
        bench.driver.stop_all()


def test_a_port_that_is_not_there() -> None:
    """The bench could not be opened."""
    with pytest.raises(BenchNotOpened, match="/dev/no-such"):
        ConsoleDriver(Link(Bus()), load_text(text("/dev/no-such")).description, "kiln")


# --- what is offered ------------------------------------------------------------------------------------


def offers(changes: dict[str, str]) -> frozenset[str]:
    bench = Bench(changes)
    try:
        return bench.driver.offers
    finally:
        bench.close()


def test_offers_follow_the_description(bench: Bench) -> None:
    """Every verb whose roles there are; what is missing is not offered, and the verb says what it lacks."""
    assert {
        "identify", "search", "watch_heartbeat", "restart", "go_silent", "resume", "stop_all", "read_status",
        "read_supply_v", "set_heater_c[coil]", "pulse_heater[coil]", "read_heater_output[coil]", "set_fan[blower]",
        "read_tach_hz[blower]", "configure_driver[damper]", "read_driver[damper]", "enable_driver[damper]",
        "move[damper]", "read_position[damper]", "read_switch[door]", "set_lamp[lamp]", "read_temperature_c[a]",
    } <= bench.driver.offers  # fmt: skip
    assert not {"read_bus_counters", "send_burst", "read_encoder[damper]"} & bench.driver.offers
    with pytest.raises(NotOffered, match="read_bus_counters"):
        bench.driver.read_bus_counters()
    with pytest.raises(UsageError, match="did you mean 'blower'"):
        bench.driver.set_fan("blowre", 0.1)


def test_without_a_sign_of_life_there_is_no_host_to_fall_silent() -> None:
    """No `alive`: the drill of the host's silence is not offered. No heartbeat: the bus can't be searched."""
    assert not {"go_silent", "resume"} & offers({'alive = "?"\nalive_s = 0.2\n': ""})
    without = offers({'heartbeat = "Beat"\n': ""})
    assert not {"search", "watch_heartbeat"} & without
    assert "restart" in without, "the line of its boot tells"
    assert "restart" not in offers({'heartbeat = "Beat"\n': "", "boot = '#0\\.0 hello'\n": ""})


def test_open_driver_makes_it() -> None:
    """By the protocol's name."""
    kiln = Kiln(lambda: 0.0)
    driver = open_driver(Link(Bus()), load_text(text(kiln.path)).description, "kiln")
    assert isinstance(driver, ConsoleDriver)
    kiln.close()


# --- what the description may say ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "key", "says"),
    [
        ("FAN {value:d}%", "FAN {vlaue:d}%", "fan[blower].roles.duty.send", "did you mean 'value'"),
        ("FAN {value:d}%", "FAN {value.__class__}%", "fan[blower].roles.duty.send", "placeholders like {value}"),
        ("FAN {value:d}%", "FAN {seconds}%", "fan[blower].roles.duty.send", "placeholder"),
        ("'SP:(\\d+) dC'", "'SP:(\\d+)( dC)'", "heater[coil].roles.setpoint_c.expect", "at most one group"),
        ("'OUT (\\d+) permille'", "'OUT (\\d+'", "heater[coil].roles.output.expect", "regular expression"),
        ("'OUT (\\d+) permille'", "'(O+)+ x'", "heater[coil].roles.output.expect", "in so many ways"),
        ("'OUT (\\d+) permille'", "'OUT'", "heater[coil].roles.output.expect", "with one group"),
        ('off = "MOT OFF", ', "", "stepper[damper].roles.enable.off", "because send has no {value}"),
        ('ask = "DRV?", answer = \'I=', "answer_ = 'I=", "stepper[damper].roles.current_a.answer_", "answer"),
        ('ask = "DRV?", answer = \'I=(\\d+) .*\'', 'ask = "DRV?"', "stepper[damper].roles.current_a.answer", "one group"),
        ('send = "OUT?", expect = \'OUT (\\d+) permille\'', 'send = "OUT?"', "heater[coil].roles.output.expect", "nothing"),
        ("alive_s = 0.2", "alive_s = 1.5", "console.alive_s", "less than host_silence_max_s"),
        ('alive = "?"', 'alive = "{value}"', "console.alive", "It has none"),
        ("refusal = 'E\\d\\d .*'", "refusal = '('", "console.refusal", "regular expression"),
        ('at = "Beat.supply_cv"', 'at = "Beat.suply_cv"', "node.roles.supply_v", "did you mean 'supply_cv'"),
        ('send = "FAN {value:d}%", expect = \'\\+\'', 'at = "Beat.count"', "fan[blower].roles.duty", "commands go over"),
        ('heartbeat = "Beat"', 'heartbeat = "Baet"', "node.heartbeat", "the name of a message"),
    ],
)  # fmt: skip
def test_what_can_never_work_is_found_at_the_desk(old: str, new: str, key: str, says: str) -> None:
    """The place, what was found and what is expected, before anything is opened."""
    with pytest.raises(DescriptionError) as caught:
        load_text(text("/dev/ttyUSB0", {old: new}))
    assert key in [problem.key for problem in caught.value.problems]
    assert says.lower() in str(caught.value).lower()


def test_lines_belong_to_consoles_alone() -> None:
    """On another protocol a line is a mistake, not ignored."""
    changed = text("/dev/ttyUSB0", {'protocol = "console"': 'protocol = "frames"'})
    with pytest.raises(DescriptionError, match="belong to the protocol 'console'"):
        load_text(changed.replace('{ send = "TA?"', '{ at = "Beat.count", send = "TA?"'))


def test_a_node_that_talks_all_the_time_is_spoken_to_all_the_same() -> None:
    """A line of its own every 30 ms leaves no quiet moment; signs of life go out, and values come."""
    bench = Bench()
    bench.driver.start()
    chatter = bench.link.every(0.03, lambda: bench.kiln.print(b"#9.0 busy\r\n"))
    bench.driver.stop_all()
    bench.link.run_for(1.5)
    assert bench.kiln.heard.count(b"?") >= 3
    assert bench.driver.read_temperature_c("a") == 23.5
    chatter.cancel()
    bench.close()


def test_a_storm_gets_no_sign_of_life() -> None:
    """A host that can't hear what the node says does not go on saying that it lives."""
    bench = Bench()
    bench.driver.start()
    bench.link.run_for(0.3)
    storm = bench.link.every(0.01, lambda: bench.kiln.print(b"\x00\xfe" * 40))
    bench.link.run_for(1.0)
    before = bench.kiln.heard.count(b"?")
    bench.link.run_for(1.0)
    assert bench.kiln.heard.count(b"?") == before
    storm.cancel()
    bench.close()
