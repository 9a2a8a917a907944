"""The bench as a device: another process meets it as an adapter and a console, in real time."""

from __future__ import annotations

import json
from pathlib import Path

import can
import canopen
import pytest
import serial

from .conftest import LongRun
from .rig import bench_process, only_run_folder


def test_an_independent_client_reads_the_node_through_the_serial_door(quick: Path) -> None:
    """Nothing of hiltest in the client: python-can and the stock canopen library see who the node is."""
    with bench_process(quick) as bench:
        bus = can.Bus(
            interface="slcan",
            channel=bench.places["adapter"],
            bitrate=1_000_000,
            sleep_after_open=0.0,
            ignore_config=True,
        )
        network = canopen.Network(bus=bus)
        network.NOTIFIER_CYCLE = 0.05
        network.connect()
        node = network.add_node(5, str(quick.with_name("glue_head.eds")))
        try:
            node.nmt.wait_for_heartbeat(10.0)
            name = node.sdo[0x1008].raw
            product = node.sdo[0x1018][2].raw
            board_c = node.sdo[0x7130][2].raw / 10
        finally:
            network.disconnect()

    assert (name, product) == ("GH-1", 0x0047_4C31)
    assert 15.0 < board_c < 35.0


def test_the_console_answers_on_its_pseudo_terminal(quick: Path) -> None:
    """pyserial alone: a command is echoed, answered, and the prompt comes back."""
    with (
        bench_process(quick) as bench,
        serial.Serial(bench.places["console"], 115_200, timeout=10.0) as console,
    ):
        console.write(b"\n")
        console.read_until(b"> ")
        console.write(b"version\n")
        answer = console.read_until(b"> ").decode()

    assert answer.startswith("version")
    assert "1.4.0" in answer


@pytest.mark.timeout(700)
def test_a_node_behind_a_serial_adapter_is_accepted_in_real_time(long_run: LongRun) -> None:
    """python-can's own slcan on one pseudo-terminal, the console on another: every check of the catalogue passes."""
    try:
        code = long_run.run.wait(600)
        left_on = long_run.bench.outputs_on()
    finally:
        long_run.bench.end()  # it would take a quarter of a core to the end of the session
    assert (code, long_run.run.error_text) == (0, ""), long_run.run.text

    record = json.loads((only_run_folder(long_run.runs) / "run.json").read_text())
    observers = [m for c in record["checks"] if c["name"] == "bus.observer[can]" for m in c["measurements"]]
    assert record["verdict"] == "accepted"
    assert record["simulated"] is False
    assert {check["outcome"] for check in record["checks"]} == {"passed"}
    assert len(record["checks"]) > 15
    assert "node head" in observers[0]["note"], (
        "slcan reports no errors: the node's own count is the observer"
    )
    assert left_on == set()
