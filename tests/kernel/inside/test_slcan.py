"""can0 made by the kernel's slcan driver from a serial line: bring-up, frames, errors, bus-off."""

from __future__ import annotations

import os
import subprocess
from types import SimpleNamespace
from typing import Any

import can
import pytest

from hiltest.canbus.batch import to_frames
from hiltest.canbus.frame import Frame, describe_error
from hiltest.canbus.lineprotocol import LineErrors, StateReport, error_frame, state_frame
from hiltest.canbus.netlink import (
    InterfaceSettings,
    bring_up,
    read_facts,
    restart,
    set_queue,
    take_down,
)
from hiltest.canbus.opening import ListensOnly, open_port
from hiltest.canbus.preflight import Wanted, check_host, check_interface
from hiltest.canbus.socketcan import BatchSocket
from hiltest.errors import BenchError, BenchNotOpened, UsageError

SETTINGS = InterfaceSettings(bitrate=1_000_000, queue_length=150)
WANTED = Wanted(bitrate=1_000_000)


def receive(batch: BatchSocket, count: int) -> list[Frame]:
    frames: list[Frame] = []
    for _ in range(count):
        frames += to_frames(batch.recv_batch(1.0))
        if len(frames) >= count:
            break
    return frames


def shell(command: str) -> None:
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stderr}"


def test_bring_up_sets_rate_queue_and_state(adapter: Any) -> None:
    """The adapter is told the rate and to open; the kernel's facts are what was asked for."""
    before = read_facts(adapter.name)
    facts = bring_up(adapter.name, SETTINGS)

    assert (before.is_up, before.bitrate, before.state) == (False, None, "stopped")
    assert (facts.kind, facts.is_up, facts.bitrate, facts.state) == ("can", True, 1_000_000, "active")
    assert (facts.queue_length, facts.queue, facts.listen_only) == (150, "pfifo_fast", False)
    assert facts.bitrates[0] == 10_000
    assert facts.sample_point is None
    assert adapter.lines == ["C", "S8", "O"]

    take_down(adapter.name)

    adapter.wait_for("C")
    assert not read_facts(adapter.name).is_up


def test_listen_only_is_set_and_taken_back(adapter: Any) -> None:
    """Listen-only opens with L; brought up anew without it, with O."""
    listening = bring_up(adapter.name, InterfaceSettings(bitrate=500_000, listen_only=True))
    assert adapter.lines[-2:] == ["S6", "L"]
    normal = bring_up(adapter.name, InterfaceSettings(bitrate=500_000))

    assert (listening.listen_only, normal.listen_only) == (True, False)
    assert adapter.lines[-3:] == ["C", "S6", "O"] or adapter.lines[-2:] == ["S6", "O"]


def test_a_port_over_socketcan_listens_only_and_takes_part_again(adapter: Any) -> None:
    """The kernel's interface is brought up anew for it: L, then O; in between the port refuses to send."""
    bring_up(adapter.name, SETTINGS)
    settings = SimpleNamespace(
        name="can", interface="socketcan", channel=adapter.name, bit_rate_bps=1_000_000, options={}
    )
    port = open_port(settings)
    try:
        assert port.listen_only(True)
        assert adapter.lines[-1] == "L"
        adapter.say(b"t12320102\r")
        heard = port.recv(1.0)
        assert heard is not None
        assert heard.can_id == 0x123
        with pytest.raises(ListensOnly):
            port.send(Frame(0x123, b"\1"))
        port.reopen(500_000)
        assert adapter.lines[-2:] == ["S6", "L"]
        port.reopen(1_000_000)
        assert port.listen_only(False)
        port.send(Frame(0x123, b"\1"))
        adapter.wait_for("t123101")
    finally:
        port.close()


def test_frames_go_both_ways(adapter: Any) -> None:
    """python-can's socketcan sends through the driver and receives from it."""
    bring_up(adapter.name, SETTINGS)
    with can.Bus(interface="socketcan", channel=adapter.name) as bus:
        bus.send(can.Message(arbitration_id=0x123, data=[1, 2], is_extended_id=False))
        adapter.wait_for("t12320102")
        adapter.say(b"T1ABCDEF02AA55\r")
        message = bus.recv(1.0)

    assert message is not None
    assert (message.arbitration_id, bytes(message.data)) == (0x1ABCDEF0, b"\xaa\x55")


def test_error_lines_become_the_error_frames_we_make_of_them(adapter: Any) -> None:
    """The kernel's error frames and those of our own serial-line interface have the same bits."""
    bring_up(adapter.name, SETTINGS)
    letters = ["ab", "bcO", "s", "f", "B"]
    with BatchSocket(adapter.name) as batch:
        for text in letters:
            adapter.say(f"e{len(text)}{text}\r".encode())
        frames = receive(batch, len(letters))

    # Some kernels pass over lines of four characters or fewer: those of one or two letters.
    long_ones = [error_frame(LineErrors(text)) for text in letters if len(text) > 2]
    all_ones = [error_frame(LineErrors(text)) for text in letters]
    assert frames in (all_ones, long_ones)
    assert len(frames) == 5 or os.uname().release >= "6.6"


def test_states_up_to_bus_off_show_as_frames_and_facts(adapter: Any) -> None:
    """Warning, passive, bus-off: error frames with our bits, and the interface's state and counters."""
    bring_up(adapter.name, SETTINGS)
    reports = [("warning", 100, 97), ("passive", 97, 130), ("off", 0, 256)]
    states = []
    with BatchSocket(adapter.name) as batch:
        for (state, rx, tx), letter in zip(reports, "wpb", strict=True):
            adapter.say(f"s{letter}{rx:03d}{tx:03d}\r".encode())
            (frame,) = receive(batch, 1)
            if state != "off":  # the kernel gives no counters with bus-off
                assert frame == state_frame(StateReport(state, rx, tx))
            assert describe_error(frame).state == {"off": "bus-off"}.get(state, state)
            states.append(read_facts(adapter.name).state)

    counters = read_facts(adapter.name).counters
    assert states == ["warning", "passive", "off"]
    assert (counters.error_warnings, counters.error_passives, counters.bus_offs) == (1, 1, 1)


def test_a_driver_without_a_restart_is_known(adapter: Any) -> None:
    """The slcan driver has no restart after bus-off: facts, preflight and the error all say so."""
    assert read_facts(adapter.name).restart_offered is None, "down, it can't be seen"
    bring_up(adapter.name, SETTINGS)

    assert read_facts(adapter.name).restart_offered is False
    (finding,) = check_host("socketcan", adapter.name, Wanted(bitrate=1_000_000, restart_ms=100))
    assert (finding.topic, finding.command) == ("restart", "")
    with pytest.raises(BenchError, match="does not offer restart-ms 100"):
        bring_up(adapter.name, InterfaceSettings(bitrate=1_000_000, restart_ms=100))
    with pytest.raises(BenchError, match="does not offer a restart after bus-off"):
        restart(adapter.name)


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (
            InterfaceSettings(bitrate=750_000),
            "can't do the bit rate 750,000 .the driver offers 10,000, 20,000",
        ),
        (InterfaceSettings(bitrate=1_000_000, one_shot=True), "does not offer one-shot mode"),
        (InterfaceSettings(bitrate=1_000_000, queue="none_such", queue_length=10), "none_such"),
    ],
)
def test_settings_that_the_driver_lacks_are_named(
    adapter: Any, settings: InterfaceSettings, message: str
) -> None:
    """Each error names the setting, and what there is instead where the driver tells."""
    if settings.queue == "none_such":
        bring_up(adapter.name, SETTINGS)
        with pytest.raises(BenchError, match=message):
            set_queue(adapter.name, "none_such")
    else:
        with pytest.raises(BenchError, match=message):
            bring_up(adapter.name, settings)


def test_without_permission_the_command_for_root_is_given(adapter: Any) -> None:
    """An ordinary account may read, not change; the error holds what root would type."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setuid(65534)
        text = f"{read_facts(adapter.name).restart_offered} "
        try:
            bring_up(adapter.name, SETTINGS)
        except BenchNotOpened as error:
            text += str(error)
        os.write(writing, text.encode())
        os._exit(0)
    os.waitpid(child, 0)
    os.close(writing)
    text = os.read(reading, 4096).decode()

    assert text.startswith("None ")
    assert f"no permission for taking it down. Run once as root: ip link set {adapter.name} down" in text
    assert text.endswith(f"ip link set {adapter.name} up txqueuelen 150 type can bitrate 1000000")
    shell(text.partition("as root: ")[2])
    assert read_facts(adapter.name).bitrate == 1_000_000
    assert not check_host("socketcan", adapter.name, WANTED)


@pytest.mark.parametrize(
    ("disorder", "topic"),
    [
        ("ip link set {} down", "down"),
        ("ip link set {0} down && ip link set {0} up type can bitrate 500000", "bitrate"),
        ("ip link set {0} down && ip link set {0} up type can listen-only on", "listen-only"),
        ("ip link set {} txqueuelen 10", "queue-length"),
        ("tc qdisc replace dev {} root fq_codel", "queue"),
    ],
)
def test_preflight_finds_a_wrong_setting_and_its_command_mends_it(
    adapter: Any, disorder: str, topic: str
) -> None:
    """A healthy interface has no finding; a disordered one has this one; its command, run, removes it."""
    bring_up(adapter.name, SETTINGS)
    assert check_host("socketcan", adapter.name, WANTED) == []
    shell(disorder.format(adapter.name))

    (finding,) = check_host("socketcan", adapter.name, WANTED)
    assert finding.topic == topic
    shell(finding.command)

    assert check_host("socketcan", adapter.name, WANTED) == []


def test_preflight_mends_bus_off_and_a_rate_never_set(adapter: Any) -> None:
    """From "never brought up" to ready by the printed command, and back to ready after bus-off."""
    findings = check_host("socketcan", adapter.name, WANTED)
    assert [finding.topic for finding in findings] == ["bitrate", "queue-length"]
    for finding in findings:
        shell(finding.command)
    assert check_host("socketcan", adapter.name, WANTED) == []
    with BatchSocket(adapter.name) as batch:
        adapter.say(b"sb000256\r")
        receive(batch, 1)

    (finding,) = check_host("socketcan", adapter.name, WANTED)
    assert finding.topic == "bus-off"
    shell(finding.command)

    assert check_host("socketcan", adapter.name, WANTED) == []


def test_an_interface_that_is_not_there_is_told_with_the_ones_that_are(adapter: Any) -> None:
    """A wrong name, and an interface that is none for CAN."""
    for name, topic in (("can7", "missing"), ("lo", "kind")):
        (finding,) = check_host("socketcan", name, WANTED)
        assert finding.topic == topic
        assert adapter.name in finding.text
        with pytest.raises(BenchNotOpened, match=adapter.name):
            bring_up(name, SETTINGS)


def test_a_virtual_interface_is_pointed_out(vcan: str) -> None:
    """vcan has no wires: preflight warns, and a bit rate for it is refused."""
    findings = check_interface(read_facts(vcan), WANTED)

    assert findings[0].topic == "virtual"
    assert read_facts(vcan).is_virtual
    with pytest.raises(UsageError, match="virtual interface"):
        bring_up(vcan, SETTINGS)
    assert bring_up(vcan, InterfaceSettings(bitrate=None)).is_up
