"""Host checks over made-up facts: each wrong setting is found, named and given its command."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from hiltest.canbus.preflight import (
    InterfaceFacts,
    PortFacts,
    Wanted,
    check_host,
    check_interface,
    check_port,
    read_port_facts,
    render,
)

READY = InterfaceFacts(
    "can0",
    bitrate=500_000,
    sample_point=0.875,
    clock_hz=80_000_000,
    restart_ms=100,
    restart_offered=True,
    queue_length=100,
    queue="pfifo_fast",
    bus_error_reports=True,
    state="active",
)
WANTED = Wanted(bitrate=500_000, sample_point=0.875, restart_ms=100)


def test_a_ready_interface_has_no_finding() -> None:
    """Nothing wrong, nothing said."""
    assert check_interface(READY, WANTED) == []
    assert render([]) == "the host is ready"


TYPE = "ip link set can0 down && ip link set can0 up type can "


@pytest.mark.parametrize(
    ("change", "topic", "level", "command"),
    [
        ({"is_up": False}, "down", "error", "ip link set can0 up"),
        ({"bitrate": 250_000}, "bitrate", "error", TYPE + "bitrate 500000 sample-point 0.875"),
        ({"bitrate": None}, "bitrate", "error", TYPE + "bitrate 500000 sample-point 0.875"),
        ({"sample_point": 0.75}, "sample-point", "warning", TYPE + "bitrate 500000 sample-point 0.875"),
        ({"sample_point": None}, "sample-point", "unknown", ""),
        ({"listen_only": True}, "listen-only", "error", TYPE + "listen-only off"),
        ({"loopback": True}, "loopback", "error", TYPE + "loopback off"),
        ({"presume_ack": True}, "presume-ack", "error", TYPE + "presume-ack off"),
        ({"one_shot": True}, "one-shot", "error", TYPE + "one-shot off"),
        ({"fd": True}, "fd", "warning", TYPE + "fd off"),
        ({"bus_error_reports": False}, "error-reports", "warning", TYPE + "berr-reporting on"),
        ({"restart_ms": 0}, "restart", "warning", TYPE + "restart-ms 100"),
        ({"restart_ms": 5}, "restart", "warning", TYPE + "restart-ms 100"),
        ({"restart_ms": None}, "restart", "unknown", ""),
        ({"restart_ms": 0, "restart_offered": False}, "restart", "warning", ""),
        ({"queue_length": 10}, "queue-length", "warning", "ip link set can0 txqueuelen 100"),
        ({"queue": "fq_codel"}, "queue", "error", "tc qdisc replace dev can0 root pfifo_fast"),
        ({"queue": None}, "queue", "unknown", ""),
        ({"state": "off"}, "bus-off", "error", "ip link set can0 down && ip link set can0 up"),
        ({"state": "passive"}, "state", "warning", ""),
        ({"state": "warning"}, "state", "warning", ""),
    ],
)
def test_each_wrong_setting_is_found_alone(
    change: dict[str, object], topic: str, level: str, command: str
) -> None:
    """One setting wrong: exactly this finding, with the command that mends it."""
    (finding,) = check_interface(replace(READY, **change), WANTED)

    assert (finding.topic, finding.level, finding.command) == (topic, level, command)
    assert "can0" in finding.text
    assert command in str(finding)


@pytest.mark.parametrize(
    "change",
    [
        {"sample_point": 0.88},
        {"queue": "noqueue"},
        {"queue": "pfifo"},
        {"queue_length": 1000},
        {"bus_error_reports": None},
        {"state": None},
        {"error_counters": (0, 0)},
    ],
)
def test_harmless_differences_are_passed_over(change: dict[str, object]) -> None:
    """What a run can live with is not reported."""
    assert check_interface(replace(READY, **change), WANTED) == []


def test_the_worst_comes_first() -> None:
    """Errors before warnings before what can't be seen."""
    facts = replace(READY, sample_point=None, queue_length=10, loopback=True)

    assert [f.level for f in check_interface(facts, WANTED)] == ["error", "warning", "unknown"]


def test_a_rate_the_clock_can_not_make_is_told_in_ppm() -> None:
    """1,024,096 instead of 1,000,000 bit/s is 24,096 ppm off: the clock does not divide."""
    facts = replace(READY, bitrate=1_024_096)

    (finding,) = check_interface(facts, replace(WANTED, bitrate=1_000_000))

    assert "+24,096 ppm" in finding.text


def test_a_listener_may_listen() -> None:
    """Who wants listen-only gets no finding for it."""
    assert check_interface(replace(READY, listen_only=True), replace(WANTED, listen_only=True)) == []


def test_restart_that_is_not_wanted_is_found() -> None:
    """A run that wants to see bus-off asks for restart-ms 0."""
    (finding,) = check_interface(READY, replace(WANTED, restart_ms=0))

    assert finding.command == TYPE + "restart-ms 0"
    assert "standing fault" in finding.text


def test_what_the_run_does_not_ask_for_is_not_checked() -> None:
    """Without a wanted sample point and restart time neither is judged."""
    facts = replace(READY, sample_point=0.5, restart_ms=7)

    assert check_interface(facts, Wanted(bitrate=500_000)) == []


def test_missing_and_foreign_interfaces() -> None:
    """No such interface, or none for CAN: the ones that are there are named."""
    missing = InterfaceFacts("can1", exists=False, kind="", is_up=False, neighbours=("can0",))
    foreign = InterfaceFacts("eth0", kind="", neighbours=())

    (first,) = check_interface(missing, WANTED)
    (second,) = check_interface(foreign, WANTED)

    assert "no interface 'can1'. CAN interfaces here: can0." in first.text
    assert "not one for CAN" in second.text
    (nothing,) = check_interface(replace(missing, neighbours=()), WANTED)
    assert "plugged in" in nothing.text


def test_a_virtual_interface_is_no_bus() -> None:
    """vcan needs no bit rate, and proves nothing."""
    facts = InterfaceFacts("vcan0", kind="vcan", queue_length=1000, queue="noqueue")

    (finding,) = check_interface(facts, WANTED)

    assert finding.topic == "virtual"


# --- serial ports -----------------------------------------------------------------------------------

PORT = PortFacts("/dev/ttyACM0", group="dialout", in_group=True)


def test_a_port_that_may_be_opened_is_ready() -> None:
    """Permission is what counts, whatever the group."""
    assert check_port(PORT) == []
    assert check_port(replace(PORT, in_group=False)) == []


def test_no_permission_names_the_group_to_join() -> None:
    """The group of the port, and how to join it."""
    (finding,) = check_port(replace(PORT, may_open=False, in_group=False))

    assert finding.command == 'usermod -aG dialout "$USER"'
    assert "log out and in again" in finding.text


def test_a_member_who_has_not_logged_in_again_is_told_so() -> None:
    """Already in the group: joining again would not help."""
    (finding,) = check_port(replace(PORT, may_open=False))

    assert finding.command == ""
    assert "log out and in again" in finding.text


def test_a_port_of_root_alone_needs_a_rule() -> None:
    """Nobody is told to join the group root."""
    (finding,) = check_port(replace(PORT, may_open=False, group="root"))

    assert "udev" in finding.text
    assert finding.command == ""


def test_a_missing_port_names_the_ones_that_are_there() -> None:
    """A wrong path: the ports of the machine are listed."""
    missing = PortFacts("/dev/ttyACM1", exists=False, neighbours=("/dev/ttyACM0",))

    (finding,) = check_port(missing)

    assert "Serial ports here: /dev/ttyACM0." in finding.text


def test_real_paths_are_looked_at(tmp_path: Path) -> None:
    """A pseudo-terminal is a port, a file is none, nothing is nothing."""
    master, slave = pty.openpty()
    path = os.ttyname(slave)
    (tmp_path / "file").touch()
    wanted = Wanted(bitrate=500_000)

    assert check_host("slcan", f"{path}@115200", wanted) == []
    assert [f.topic for f in check_host("hiltest-serial", str(tmp_path / "file"), wanted)] == ["kind"]
    assert [f.topic for f in check_host("slcan", str(tmp_path / "none"), wanted)] == ["missing"]
    assert read_port_facts(path).is_port
    os.close(master)
    os.close(slave)


def test_other_interfaces_are_said_to_be_unknown() -> None:
    """What can't be looked at is never called ready."""
    (finding,) = check_host("pcan", "PCAN_USBBUS1", WANTED)

    assert finding.level == "unknown"


def test_looking_costs_no_heavy_import() -> None:
    """The module is light: preflight comes before anything is opened."""
    code = "import sys, hiltest.canbus.preflight; print({'can', 'numpy', 'pyroute2'} & set(sys.modules))"

    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "set()"
