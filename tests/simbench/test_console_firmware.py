"""The firmware that is commanded by lines: what it says, what it does, and what it will not do. Bytes stand here."""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest

from hiltest.description.loading import load_description
from hiltest.simbench.bench import Bench

HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head_console.toml"


class Person:
    """Somebody at the console of a board that has started."""

    def __init__(self, *faults: str) -> None:
        self.bench = Bench(load_description(HEAD).description, folder=HEAD.parent, faults=faults)
        self.console = self.bench.console()
        self.frames: list[tuple[int, bytes]] = []
        adapter = self.bench.adapter().controller
        adapter.on_frame(lambda frame: self.frames.append((frame.can_id, bytes(frame.data))))
        self.bench.run_for(1.0)

    def ask(self, line: str, wait_s: float = 0.05) -> str:
        """The answer to one line, without echo and prompt."""
        self.console.discard()
        self.console.write(line.encode() + b"\r")
        self.bench.run_for(wait_s)
        said = self.console.read().decode()
        assert said.startswith(f"{line}\r\n"), said
        return (
            re.sub(r"\r\n\[[\d.]+\] .*\r\n> ", "", said)
            .removeprefix(f"{line}\r\n")
            .removesuffix("> ")
            .strip()
        )

    def release(self) -> None:
        """Say that somebody is there, and release the outputs."""
        assert self.ask("alive") == "ok"
        assert self.ask("off") == "ok off"

    def live(self, seconds: float) -> None:
        """Say alive for a while, so that what was commanded stays on."""
        for _ in range(round(seconds / 0.2)):
            assert self.ask("alive", 0.2) == "ok"


def test_what_it_says_when_it_starts() -> None:
    """Loader, who it is, cause, prompt."""
    person = Person()
    text = person.console.read().decode()
    assert text.startswith(
        "\r\nloader\r\nGH-1C hardware B firmware 1.4.0 vendor 0x0 product 0x474C43 revision 0x10002 "
    )
    assert "\r\nstarted, cause power\r\n> " in text


@pytest.mark.parametrize(
    ("line", "pattern"),
    [
        ("status", r"status host silent cause power supply 2[34]\.\d{3} V"),
        ("can", r"can tx 0 rx 0 errors 0 active"),
        ("temp 1", r"temp 1 2\d\.\d C"),
        ("heater 1", r"heater 1 output 0\.000 set 0\.0 ceiling 210\.0 off"),
        ("tach 2", r"tach 2 0\.0 Hz"),
        ("axis 1", r"axis 1 off standing at 0"),
        ("driver 1", r"driver 1 run 300 hold 150 microsteps 8 flags 0x20 writes 0 version 0x21"),
        ("inputs", r"inputs 1 0"),
        ("temp 3", r"error there is no number 3, only 1 to 2"),
        ("temp", r"error temp: a word is missing or is no number"),
        ("set 1 nan", r"error set: a word is missing or is no number"),
        ("set 1 1e999", r"error set: a word is missing or is no number"),
        ("tmep 1", r"error unknown command 'tmep', try help"),
        ("hang", r"error hang: say hang now"),
    ],
)  # fmt: skip
def test_what_it_answers(line: str, pattern: str) -> None:
    """One line for each."""
    assert re.fullmatch(pattern, Person().ask(line))


@pytest.mark.parametrize("line", ["set 1 50", "pulse 1 1 1", "fan 1 0.5", "axis 1 on", "lamp red"])
def test_nothing_comes_on_before_the_host_has_said_that_it_lives(line: str) -> None:
    """And what is off may be switched off at any time."""
    person = Person()
    assert person.ask(line) == "error the host is silent, say alive"
    assert person.ask("fan 1 0") == "fan 1 at 0.000"
    assert person.bench.truth.outputs_on() == frozenset()


def test_without_a_sign_of_life_everything_goes_off_and_stays_off() -> None:
    """0.6 s after the last one; the next one switches nothing on."""
    person = Person()
    person.release()
    for line in ("fan 1 0.5", "set 1 50", "lamp green"):
        assert "error" not in person.ask(line, 0.01)
    person.bench.run_for(0.12)  # the loop of the heater runs ten times a second
    assert len(person.bench.truth.outputs_on()) == 3
    person.bench.run_for(0.3)
    assert len(person.bench.truth.outputs_on()) == 3
    person.bench.run_for(0.4)
    assert person.bench.truth.outputs_on() == frozenset()
    assert "every output off: the host is silent" in person.console.read().decode()
    assert person.ask("heater 1").endswith("host lost")
    person.live(1.0)
    assert person.bench.truth.outputs_on() == frozenset()


@pytest.mark.parametrize(("fault", "acts"), [("", False), ("acts_on_old_commands", True)])
@pytest.mark.parametrize("line", ["fan 1 0.5", "set 1 50", "axis 1 on", "lamp green"])
def test_nothing_is_released_after_a_start_or_a_silence(line: str, fault: str, acts: bool) -> None:
    """`alive` alone releases nothing: a line that comes late, or comes again, moves and heats nothing. `off` does."""
    person = Person(*filter(None, [fault]))
    for _ in range(2):
        person.ask("alive")
        said = person.ask(line)
        assert ("nothing is released" in said) is not acts, said
        person.ask("alive")
        person.ask("off")
        assert "nothing is released" not in person.ask(line)
        person.bench.run_for(2.0)  # nobody says alive


def test_other_lines_are_no_sign_of_life() -> None:
    """A program that only asks may be one that nobody watches."""
    person = Person()
    person.release()
    assert "error" not in person.ask("fan 1 0.5")
    for _ in range(20):
        person.ask("temp 1")
    assert person.bench.truth.outputs_on() == frozenset()


def test_it_ends_a_pulse_by_itself() -> None:
    """After the stated time, not before."""
    person = Person()
    person.release()
    assert person.ask("pulse 1 0.5 1.0", 0.1) == "heater 1 pulse at 0.500 for 1.000 s"
    person.live(0.8)
    assert "heater:reservoir" in person.bench.truth.outputs_on()
    person.live(0.4)
    assert person.bench.truth.outputs_on() == frozenset()


def test_it_holds_its_ceiling() -> None:
    """By refusal, and by switching off when it is passed."""
    person = Person()
    person.release()
    assert person.ask("set 1 210.1") == "error heater 1: the ceiling is 210.0"
    assert person.ask("ceiling 1 211") == "error heater 1: the ceiling is at most 210.0"
    assert person.ask("set 1 60") == "heater 1 set to 60.0"
    person.live(8.0)
    assert person.ask("ceiling 1 25") == "heater 1 ceiling at 25.0"
    person.bench.run_for(0.2)
    assert person.bench.truth.outputs_on() == frozenset()
    assert person.ask("heater 1").endswith("over ceiling")
    assert person.ask("set 1 20") == "error heater 1 has tripped, say set 1 0"


def test_what_it_tells_on_the_bus() -> None:
    """Identifier 0x2A5, eight bytes, ten times a second: counter, flags, supply in mV, serial number."""
    person = Person()
    person.frames.clear()
    person.bench.run_for(1.0)
    assert 9 <= len(person.frames) <= 11
    assert {can_id for can_id, _ in person.frames} == {0x2A5}
    counts = [data[0] for _, data in person.frames]
    assert counts == [(counts[0] + number) % 256 for number in range(len(counts))]
    for _, data in person.frames:
        _, flags, supply_mv, serial = struct.unpack("<BBHI", data)
        assert flags == 0
        assert 23_000 < supply_mv < 25_000
        assert serial == person.bench.boards["head"].serial_number
    person.release()
    person.ask("lamp red", 0.2)
    assert person.frames[-1][1][1] == 2


def test_frames_on_demand() -> None:
    """Under 0x7E8, numbered twice, plain and inverted; nothing else on the bus is obeyed."""
    person = Person()
    assert person.ask("burst 5 1000") == "burst of 5"
    assert person.ask("burst") == "burst sent 5"
    sent = [data for can_id, data in person.frames if can_id == 0x7E8]
    assert sent == [struct.pack("<II", number, 0xFFFFFFFF - number) for number in range(5)]


def test_a_reset_and_a_hang_come_back_with_their_cause() -> None:
    """By command, and by the watchdog."""
    for line, answer, cause in (("reset", "ok resetting", "command"), ("hang now", "ok hanging", "watchdog")):
        person = Person()
        assert person.ask(line, 0.015) == answer
        person.bench.run_for(2.0)
        assert person.ask("status").startswith(f"status host silent cause {cause}")


def test_a_move_goes_its_way_and_needs_current() -> None:
    """The counter is in microsteps of the settings."""
    person = Person()
    person.release()
    assert person.ask("move 1 800 1600") == "error axis 1 is off"
    assert person.ask("axis 1 on") == "axis 1 on standing at 0"
    assert person.ask("move 1 800 1600") == "axis 1 moves by 800"
    assert person.ask("move 1 800 1600").startswith("error axis 1")
    person.live(1.0)
    assert person.ask("axis 1") == "axis 1 on standing at 800"


# --- the wires ---------------------------------------------------------------------------------------------


def test_bytes_take_their_time() -> None:
    """Ten bits a byte at 115,200 baud, both ways, and a millisecond of the program."""
    person = Person()
    person.console.discard()
    start_ns = person.bench.queue.now_ns
    came: list[int] = []
    person.console.on_output(lambda: came.append(person.bench.queue.now_ns - start_ns))
    person.console.write(b"tach 2\r")
    person.bench.run_for(0.02)
    assert came[0] == pytest.approx((7 + 8) * 10 / 115_200 * 1e9, rel=1e-3)
    # The echo leaves while the program thinks.
    assert came[-1] == pytest.approx((7 + 15 + 2) * 10 / 115_200 * 1e9 + 1e6, rel=1e-3)


def test_touching_wires_and_noise_do_what_they_do() -> None:
    """A loop gives back what was sent and nothing else; noise changes a share of the bytes, both ways."""
    person = Person("console_loops")
    person.console.discard()
    person.console.write(b"temp 1\r")
    person.bench.run_for(0.1)
    assert person.console.read() == b"temp 1\r"
    noisy = Person("console_garbled=0.5")
    noisy.console.discard()
    noisy.console.write(b"version\r" * 20)
    noisy.bench.run_for(0.5)
    assert b"version\r\n" not in noisy.console.read()


def test_a_runaway_program_fills_the_line_and_no_more() -> None:
    """As fast as the line goes, without an end of line; a host that does not read loses what is more than 64 KiB."""
    person = Person("console_babbles")
    person.console.discard()
    person.bench.run_for(1.0)
    assert person.console.waiting == pytest.approx(11_520, rel=0.05)
    person.bench.run_for(20.0)
    assert person.console.waiting == 1 << 16
