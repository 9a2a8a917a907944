"""Doubles of a bus and of a node, in simulated time.

`ScriptedPort` holds a conversation byte by byte. `LibraryNode` is canopen's own LocalNode (its SDO server, not
ours) behind an event queue: answers come by event, never inside `send`.
"""

from __future__ import annotations

import heapq
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import canopen

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.clock import SimulatedClock
from hiltest.errors import BenchLost

FIXTURES = Path(__file__).parents[2] / "fixtures"
FRAME_S = 0.0002
HEARTBEAT_S = 0.1
BOOT_S = 0.3


class EventPort:
    """A bus in simulated time with events of its own. `sent` holds what the host sent."""

    name, bit_rate_bps, bus = "can", 1_000_000, None

    def __init__(self) -> None:
        self.clock = SimulatedClock()
        self.sent: list[Frame] = []
        self.hearers: list[Callable[[Frame], None]] = []
        self.is_lost = False
        self.is_full = False
        self.flushed = 0
        self._number = itertools.count()
        self._events: list[tuple[int, int, Callable[[], Frame | None]]] = []

    def after(self, delay_s: float, event: Callable[[], Frame | None]) -> None:
        due_ns = self.clock.now_ns + round(delay_s * 1e9)
        heapq.heappush(self._events, (due_ns, next(self._number), event))

    def arrive(self, can_id: int, data: bytes, delay_s: float = FRAME_S, **more: bool) -> None:
        """Let the host receive a frame after `delay_s`."""
        self.after(delay_s, lambda: Frame(can_id, bytes(data), **more))

    def send(self, frame: Frame) -> None:
        if self.is_lost:
            raise BenchLost("reading bus 'can' failed: unplugged.")
        if self.is_full:
            raise QueueFull("can", "passive")
        self.sent.append(frame.at(self.clock.now_ns, False))
        for hear in self.hearers:
            self.after(FRAME_S, lambda hear=hear: hear(frame))

    def recv(self, timeout_s: float) -> Frame | None:
        if self.is_lost:
            raise BenchLost("reading bus 'can' failed: unplugged.")
        deadline_ns = self.clock.now_ns + round(timeout_s * 1e9)
        while self._events and self._events[0][0] <= deadline_ns:
            due_ns, _, event = heapq.heappop(self._events)
            self.clock.advance_to(max(due_ns, self.clock.now_ns))
            frame = event()
            if frame is not None:
                return frame.at(self.clock.now_ns)
        self.clock.advance_to(deadline_ns)
        return None

    def flush(self) -> None:
        self.flushed += 1
        self.is_full = False

    def close(self) -> None: ...

    def reopen(self, bit_rate_bps: int) -> None:
        self.bit_rate_bps = bit_rate_bps

    def state(self) -> str:
        return "active"

    def counters(self) -> tuple[int, int] | None:
        return None

    def sent_to(self, can_id: int) -> list[bytes]:
        return [frame.data for frame in self.sent if frame.can_id == can_id]


class ScriptedPort(EventPort):
    """Plays one side of a conversation: ("tx", id, hex) is what the host must send next, ("rx", id, hex) the reply.

    Heartbeats of the host (0x77F) are not part of the conversation.
    """

    def __init__(self, *conversation: tuple[str, int, str]) -> None:
        super().__init__()
        self._script = list(conversation)

    def send(self, frame: Frame) -> None:
        super().send(frame)
        if frame.can_id == 0x77F:
            return
        assert self._script, f"the host sent {frame!r} after the conversation's end"
        way, can_id, data = self._script.pop(0)
        assert (way, can_id, bytes.fromhex(data)) == ("tx", frame.can_id, frame.data), (
            f"the host sent {frame!r}"
        )
        for number in itertools.count(1):
            if not self._script or self._script[0][0] == "tx":
                return
            _, can_id, data = self._script.pop(0)
            self.arrive(can_id, bytes.fromhex(data), number * FRAME_S)

    def assert_done(self) -> None:
        assert not self._script, f"never happened: {self._script}"


class _PortNetwork(canopen.Network):
    """The node's side: what it sends arrives at the host by event."""

    def __init__(self, port: EventPort, latency_s: float) -> None:
        super().__init__()
        self._port = port
        self.latency_s = latency_s

    def send_message(self, can_id: int, data: Any, remote: bool = False) -> None:
        self._port.arrive(can_id, bytes(data), self.latency_s)

    def send_periodic(self, *_: Any, **__: Any) -> Any:
        return _NoTask()  # heartbeats are sent by the double itself, on the simulated clock


class _NoTask:
    def stop(self) -> None: ...
    def update(self, data: bytes) -> None: ...


class LibraryNode:
    """A node: canopen's LocalNode with the EDS of the glue head, a CiA 402 axis, boot-up and heartbeat."""

    def __init__(
        self, port: EventPort, node_id: int = 5, serial: int = 0x1234, latency_s: float = FRAME_S
    ) -> None:
        self.port, self.id = port, node_id
        self.node = canopen.LocalNode(node_id, str(FIXTURES / "glue_head.eds"))
        self.network = _PortNetwork(port, latency_s)
        self.network.add_node(self.node)
        self.values: dict[tuple[int, int], int] = {(0x1018, 4): serial}
        self.writes: list[tuple[int, int, int]] = []
        self.refuse: dict[tuple[int, int], int] = {}
        self.state = 0x7F
        self.is_dead = False
        self.drive = 0x40
        self.move_s = 0.05
        self.commands: list[int] = []
        self._control = 0
        self._life = 0
        self.node.add_read_callback(self._on_read)
        self.node.add_write_callback(self._on_write)
        port.hearers.append(self._hear)
        self._beat(self._life)

    def _hear(self, frame: Frame) -> None:
        if self.is_dead:
            return
        if frame.can_id == 0 and frame.data[1] in (0, self.id):
            self._command(frame.data[0])
        if frame.can_id == 0x600 + self.id and self.state != 0x04:
            self.network.notify(frame.can_id, bytearray(frame.data), 0.0)

    def _command(self, command: int) -> None:
        self.commands.append(command)
        if command in (0x81, 0x82):
            self._life += 1
            self.state = 0x7F
            self.port.after(BOOT_S, self.boot)
        else:
            self.state = {0x01: 0x05, 0x02: 0x04, 0x80: 0x7F}[command]

    def boot(self) -> None:
        self.port.arrive(0x700 + self.id, b"\0")
        self._beat(self._life)

    def _beat(self, life: int) -> None:
        def beat() -> Frame | None:
            if life != self._life:
                return None
            self._beat(life)
            return None if self.is_dead else Frame(0x700 + self.id, bytes([self.state]))

        self.port.after(HEARTBEAT_S, beat)

    def _on_read(self, index: int, subindex: int, od: Any) -> int | None:
        if (index, subindex) == (0x6041, 0):
            return self.drive
        return self.values.get((index, subindex))

    def _on_write(self, index: int, subindex: int, od: Any, data: bytes) -> None:
        code = self.refuse.get((index, subindex))
        if code is not None:
            raise canopen.SdoAbortedError(code)
        value = od.decode_raw(data)
        self.writes.append((index, subindex, value))
        self.values[index, subindex] = value
        if index == 0x6060:
            self.values[0x6061, 0] = value
        if index == 0x6040:
            self._on_control(value)

    def _on_control(self, word: int) -> None:
        state, rising = self.drive & 0x6F, word & ~self._control
        self._control = word
        if state & 0x4F == 0x08:
            if rising & 0x80:
                self.drive = 0x40
            return
        if word & 0x0F == 0x00:
            self.drive = 0x40
        elif word & 0x07 == 0x06:
            self.drive = 0x21
        elif word & 0x0F == 0x07:
            self.drive = 0x23
        elif word & 0x0F == 0x0F and state in (0x23, 0x27):
            self.drive = 0x27 | self.drive & 0x1400
            if rising & 0x10:
                self.drive = 0x1027
                self.port.after(self.move_s, self._arrive)
            if not word & 0x10:
                self.drive &= ~0x1000

    def _arrive(self) -> None:
        position = self.values.get((0x6064, 0), 0) + self.values.get((0x607A, 0), 0)
        self.values[0x6064, 0] = position
        self.drive |= 0x400
