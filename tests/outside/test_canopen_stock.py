"""The simulated node against the stock `canopen` package in real time: RemoteNode, and the LSS master.

Peer: `canopen` (MIT, version 2.4) with its own threads, over python-can's own `slcan` interface and a serial line to
`hiltest bench`, which is another process. Nothing of hiltest runs in this one. Formats that the package implements:
CiA 301 (SDO expedited, segmented and block, NMT, heartbeat, emergency, PDO mapping) and CiA 305 (LSS).
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import canopen
import pytest

FIXTURES = Path(__file__).parents[2] / "fixtures"


@contextlib.contextmanager
def bench(*faults: str) -> Iterator[canopen.Network]:
    """A bench in another process, and a stock network on its serial adapter."""
    words = [word for fault in faults for word in ("--fault", fault)]
    command = [sys.executable, "-m", "hiltest.cli", "bench", str(FIXTURES / "glue_head.toml"), *words]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stdin=subprocess.DEVNULL, text=True)
    assert process.stdout is not None
    network = canopen.Network()
    network.NOTIFIER_CYCLE = 0.05
    try:
        places = {}
        for line in process.stdout:
            if line.strip() == "ready":
                break
            name, _, place = line.strip().partition(": ")
            places[name] = place
        network.connect(
            interface="slcan",
            channel=places["adapter"],
            bitrate=1_000_000,
            sleep_after_open=0,
            ignore_config=True,
        )
        yield network
    finally:
        with contextlib.suppress(Exception):
            network.disconnect()
        process.terminate()
        process.wait(20)
        process.stdout.close()


@pytest.mark.timeout(120)
def test_the_stock_remote_node_works_with_the_simulated_node() -> None:
    """Identity, names by segments and by blocks, NMT, heartbeat, the node's own PDO mapping, an emergency."""
    with bench() as network:
        node = network.add_node(5, str(FIXTURES / "glue_head.eds"))
        node.sdo.RESPONSE_TIMEOUT = 5.0
        node.nmt.wait_for_heartbeat(timeout=30)
        assert node.sdo[0x1018][2].raw == 0x0047_4C31
        assert node.sdo[0x100A].raw == "1.4.0"  # five bytes: by segments
        with node.sdo[0x100A].open("rb", block_transfer=True) as stream:
            assert stream.read() == b"1.4.0"
        node.tpdo.read()
        assert [entry.index for entry in node.tpdo[1].map][:2] == [0x7130, 0x7130]

        node.nmt.state = "OPERATIONAL"
        assert node.tpdo[1].wait_for_reception(timeout=20) is not None
        assert 150 <= node.tpdo[1].map[0].raw <= 300  # a room, in tenths of a degree
        node.nmt.wait_for_heartbeat(timeout=20)
        assert node.nmt.state == "OPERATIONAL"

        node.sdo[0x6411][2].raw = 500
        with pytest.raises(canopen.SdoAbortedError) as refused:
            node.sdo[0x2100][1].raw = 32_000
        assert refused.value.code >> 16 == 0x0609

        # The node shall watch a host that never speaks again: it switches off and says so.
        node.sdo[0x1016][1].raw = 127 << 16 | 200
        network.send_message(0x77F, b"\x05")
        lost = node.emcy.wait(0x8130, timeout=20)
        assert lost is not None
        assert lost.register & 0x10, "communication error"


@pytest.mark.timeout(180)
def test_the_stock_lss_master_numbers_the_simulated_node() -> None:
    """It finds the node by fast scan, gives it id 42, and its RemoteNode then reads the node."""
    with bench("unconfigured_node") as network:
        network.lss.RESPONSE_TIMEOUT = (
            0.12  # 64 bits or so stay without an answer; a late one makes another scan
        )
        deadline = time.monotonic() + 60
        found, numbers = network.lss.fast_scan()
        while not found and time.monotonic() < deadline:  # it is still booting
            found, numbers = network.lss.fast_scan()
        assert found
        assert numbers[:3] == [0, 0x0047_4C31, 0x0001_0002]

        network.lss.RESPONSE_TIMEOUT = 5.0
        assert network.lss.inquire_node_id() == 0xFF
        network.lss.configure_node_id(42)
        network.lss.store_configuration()
        node = network.add_node(42, str(FIXTURES / "glue_head.eds"))
        node.sdo.RESPONSE_TIMEOUT = 5.0
        network.lss.send_switch_state_global(network.lss.WAITING_STATE)
        node.nmt.wait_for_heartbeat(timeout=30)
        assert node.sdo[0x1018][4].raw == numbers[3]
