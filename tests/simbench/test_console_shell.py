"""The serial console of the simulated node."""

from __future__ import annotations

import pytest

from hiltest.errors import UsageError
from hiltest.simbench.bench import Bench
from hiltest.simbench.console_shell import ConsolePort

from .world import Host, bench, running, two_heaters


def ask(made: Bench, line: str) -> str:
    """Send a line and return what comes back within 0.1 s."""
    console = made.console()
    console.discard()
    console.write(line.encode() + b"\r")
    made.run_for(0.1)
    return console.read().decode()


def test_the_banner_comes_after_boot_with_version_and_reset_cause() -> None:
    """Loader line, device line, cause, prompt."""
    made = bench()
    made.run_for(1.0)
    text = made.console().read().decode()
    assert text.startswith("\r\nloader\r\n")
    assert f"GH-1 hardware B firmware 1.4.0 serial {made.boards['head'].serial_number}\r\n" in text
    assert text.endswith("reset cause: power\r\n> ")


@pytest.mark.parametrize(
    ("line", "holds"),
    [
        ("version", "firmware 1.4.0"),
        ("status", "operational, up"),
        ("sensors", "sensor 1: 2"),
        ("outputs", "heater 1: 0.0 %"),
        ("help", "version"),
        ("versoin", "unknown command 'versoin'"),
    ],
)
def test_commands_answer_and_the_prompt_comes_back(line: str, holds: str) -> None:
    """What was typed is echoed first."""
    made, _ = running()
    text = ask(made, line)
    assert text.startswith(f"{line}\r\n")
    assert holds in text
    assert text.endswith("\r\n> ")


def test_an_old_firmware_says_so() -> None:
    """The version on the console is the one on the bus."""
    made, _ = running("wrong_firmware")
    assert "firmware 1.3.2" in ask(made, "version")


def test_log_lines_tell_emergencies() -> None:
    """With the uptime in seconds."""
    made, _ = running()
    made.console().discard()
    made.inject("sensor_open[board]")
    made.run_for(0.5)
    text = made.console().read().decode()
    assert "emergency 0x5030 detail 2" in text
    assert text.startswith("\r\n[")


def test_reset_restarts_and_says_why() -> None:
    """Banner again, cause command."""
    made, _ = running()
    ask(made, "reset")
    made.run_for(1.0)
    assert "reset cause: command" in made.console().read().decode()


def test_off_switches_every_output_off() -> None:
    """As 0x2010 does."""
    made, host = running()
    host.write(0x6411, 1, 1000, 2)
    ask(made, "off")
    assert made.truth.outputs_on() == frozenset()


def test_bytes_arrive_at_the_pace_of_the_line() -> None:
    """A slow line takes its time: 10 bits a byte."""
    made, _ = running()
    console = made.console()
    console.discard()
    console.baud = 1200
    console.write(b"version\r")
    made.run_for(0.3)
    early = console.waiting
    made.run_for(1.0)
    assert early < 20 < console.waiting


def test_a_board_without_power_neither_hears_nor_says_anything() -> None:
    """Also what it was about to say is lost."""
    made, _ = running()
    console = made.console()
    console.discard()
    console.baud = 300
    console.write(b"help\r")
    made.hands.switch_supply(False)
    made.run_for(5.0)
    assert console.waiting == 0
    console.write(b"version\r")
    made.hands.switch_supply(True)
    made.run_for(5.0)
    assert b"version\r\n" not in console.read()


def test_backspace_edits_and_long_lines_are_cut() -> None:
    """As a person types."""
    made, _ = running()
    assert "firmware" in ask(made, "vers\x08\x08\x08ersion")
    assert len(ask(made, "x" * 500)) < 400


def test_listeners_are_told_of_output_until_they_leave() -> None:
    """For doors that wait."""
    made, _ = running()
    console: ConsolePort = made.console()
    told: list[int] = []
    leave = console.on_output(lambda: told.append(console.waiting))
    ask(made, "version")
    count = len(told)
    assert count > 0
    leave()
    ask(made, "version")
    assert len(told) == count


def test_a_bench_without_a_console_says_so() -> None:
    """And one that has others names them."""
    with pytest.raises(UsageError, match=r"\[console\]"):
        bench(description=two_heaters()).console()
    with pytest.raises(UsageError, match="head"):
        bench().console("haed")
    assert Host(bench()).heard == []
