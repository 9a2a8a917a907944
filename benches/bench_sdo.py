"""A request and its answer in simulated time, against the `canopen` library over threads and python-can's virtual bus.

1. SDO-like: an expedited upload (CiA 301) asked and answered frame by frame. The host's request crosses the adapter and
   the simulated wire with its exact duration, a program on the node's controller decodes it, looks the object up and
   answers, and the answer comes back the same way, checked for index and value.
2. The harness' own read of a quantity of the glue head: its CANopen driver (the same library's SDO client, fed by the
   link) against the simulated node's firmware, with heartbeat, process data and heat flow going on beside.

The peer: the library's RemoteNode and LocalNode as they come, each with its reader thread.

    python benches/bench_sdo.py

Exit code 1 if a goal was missed.
"""

from __future__ import annotations

import struct
from pathlib import Path

import canopen
from _ratio import Way, compare, finish
from bench_wire import SmallBench

from hiltest.canbus.frame import Frame
from hiltest.canbus.opening import open_port
from hiltest.link import Link
from hiltest.node.opening import open_driver
from hiltest.session import load
from hiltest.settings import Settings
from hiltest.simbench.doors.inprocess import HiltestBus

GLUE_HEAD = Path(__file__).parents[1] / "fixtures" / "glue_head.toml"
CHANNEL = "hiltest-bench-sdo"
NODE, INDEX, SUB = 5, 0x6401, 1
REQUEST_ID, ANSWER_ID = 0x600 + NODE, 0x580 + NODE
UPLOAD, UPLOADED_FOUR_BYTES = 0x40, 0x43
OURS, WHOLE, PEER = 4_000, 1_000, 500


class Threads:
    """The library's client and server, each on a virtual bus of its own with a thread that reads it."""

    def __init__(self) -> None:
        self.networks = [canopen.Network(), canopen.Network()]
        for network in self.networks:
            network.NOTIFIER_CYCLE = 0.02
            network.connect(interface="virtual", channel=CHANNEL, ignore_config=True)
        self.server = canopen.LocalNode(NODE, str(GLUE_HEAD.with_suffix(".eds")))
        self.networks[0].add_node(self.server)
        self.server.sdo[INDEX][SUB].raw = 24_000
        self.client = self.networks[1].add_node(NODE, str(GLUE_HEAD.with_suffix(".eds")))

    def ask(self) -> None:
        for _ in range(PEER):
            self.client.sdo.upload(INDEX, SUB)

    def close(self) -> None:
        for network in self.networks:
            network.disconnect()


class Frames:
    """A host and a node's program on the simulated wire."""

    def __init__(self) -> None:
        self.bench = SmallBench()
        self.bus = HiltestBus(self.bench)
        self.objects = {(INDEX, SUB): 24_000}
        self.bench.node.on_frame(self._serve)

    def _serve(self, frame: Frame) -> None:
        if frame.can_id != REQUEST_ID:
            return
        command, index, sub = struct.unpack_from("<BHB", frame.data)
        assert command == UPLOAD
        answer = struct.pack("<BHBI", UPLOADED_FOUR_BYTES, index, sub, self.objects[index, sub])
        self.bench.node.send(Frame(ANSWER_ID, answer))

    def ask(self) -> None:
        bus, request = self.bus, struct.pack("<BHBI", UPLOAD, INDEX, SUB, 0)
        for _ in range(OURS):
            bus.send_frame(Frame(REQUEST_ID, request))
            frame = bus.recv_frame(0.3)
            assert frame is not None
            command, index, sub, value = struct.unpack("<BHBI", frame.data)
            assert (frame.can_id, command, index, sub, value) == (
                ANSWER_ID,
                UPLOADED_FOUR_BYTES,
                INDEX,
                SUB,
                24_000,
            )


class Whole:
    """The harness' driver on the simulated glue head."""

    def __init__(self) -> None:
        loaded = load(Settings(file=GLUE_HEAD, simulate=True, seed=1))
        self.link = Link(open_port(loaded.description.bus[0]))
        self.driver = open_driver(self.link, loaded, "head")
        self.driver.start()
        self.link.run_for(2.0)

    def ask(self) -> None:
        for _ in range(WHOLE):
            assert 20.0 < self.driver.read_supply_v() < 28.0

    def close(self) -> None:
        self.driver.stop()
        self.link.close()


threads, frames, whole = Threads(), Frames(), Whole()
try:
    peer = Way("canopen over threads", threads.ask, PEER)
    results = [
        compare("SDO-like request and answer", Way("simulated wire", frames.ask, OURS), peer, 5.0, turns=7),
        compare("read of a quantity", Way("driver on the glue head", whole.ask, WHOLE), peer, 1.0, turns=7),
    ]
finally:
    whole.close()
    frames.bus.shutdown()
    threads.close()
finish(results)
