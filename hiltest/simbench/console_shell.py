"""The serial console of a simulated node: boot banner, log lines, a prompt and a few commands.

Bytes leave at the pace of the line (ten bits a byte). What is sent to a board without power is lost, as is
what it was still sending when its power went.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.simbench.events import Event
from hiltest.simbench.firmware import Firmware

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

LINE_MAX = 120
CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")
STATES = {0x00: "initialising", 0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}

Command = Callable[[list[str]], str]


class ConsolePort:
    """One console. The host's side is `write`, `read`, `waiting`, `discard` and `on_output`."""

    def __init__(self, board: Board, *, prompt: str = "> ", baud: int = 115_200) -> None:
        self._board, self._prompt, self.baud = board, prompt, baud
        self._queue = board.queue
        self._out = bytearray()
        self._typed = bytearray()
        self._free_ns = 0
        self._events: list[Event] = []
        self._listeners: list[Callable[[], None]] = []
        self._commands: dict[str, tuple[str, Command]] = {
            "help": ("this list", self._help),
            "version": ("device, hardware, firmware, serial number", self._version),
            "status": ("state, uptime, reset cause, supply", self._status),
            "sensors": ("temperatures", self._sensors),
            "outputs": ("what is commanded", self._outputs),
            "off": ("every output off", self._off),
            "reset": ("restart the node", self._reset),
            "hang": ("stop the program (test builds only)", self._hang),
        }
        board.on_powered.append(self._powered)
        board.on_running.append(self._running)
        board.on_log.append(self.log)
        board.on_down.append(self._down)

    # --- the host's side ------------------------------------------------------------------------------

    @property
    def waiting(self) -> int:
        """Bytes that can be read now."""
        return len(self._out)

    def read(self, most: int = 1 << 16) -> bytes:
        """Take up to `most` bytes that the node has sent."""
        data = bytes(self._out[:most])
        del self._out[:most]
        return data

    def discard(self) -> None:
        """Throw away what waits to be read."""
        self._out.clear()

    def write(self, data: bytes) -> None:
        """Send bytes to the node."""
        if self._board.firmware is None or self._board.firmware.hung:
            return
        for byte in data:
            if byte in b"\r\n":
                self._enter()
            elif byte in b"\x08\x7f":
                del self._typed[-1:]
            elif len(self._typed) < LINE_MAX:
                self._typed.append(byte)

    def on_output(self, call: Callable[[], None]) -> Callable[[], None]:
        """Tell `call` when bytes can be read. Returns what ends it."""
        self._listeners.append(call)
        return lambda: self._listeners.remove(call)

    # --- the node's side ------------------------------------------------------------------------------

    def send(self, text: str) -> None:
        """Put text on the line; it arrives when its last byte has been sent."""
        data = text.encode()
        self._free_ns = max(self._free_ns, self._queue.now_ns) + len(data) * 10_000_000_000 // self.baud
        self._events = [event for event in self._events if event.pending]
        self._events.append(self._queue.at(self._free_ns, self._arrive, data))

    def _arrive(self, data: bytes) -> None:
        self._out += data
        for call in list(self._listeners):
            call()

    def log(self, text: str) -> None:
        """A line by the program itself, between what a person types."""
        if self._board.firmware is not None:
            self.send(f"\r\n[{self._board.firmware.uptime_ms / 1000:.3f}] {text}\r\n{self._prompt}")

    def _powered(self) -> None:
        self.send("\r\nloader\r\n")

    def _running(self) -> None:
        self._typed.clear()
        self.send(f"{self._version([])}\r\nreset cause: {self._cause()}\r\n{self._prompt}")

    def _down(self) -> None:
        for event in self._events:
            event.cancel()
        self._events.clear()
        self._free_ns = self._queue.now_ns
        self._typed.clear()

    def _enter(self) -> None:
        line = self._typed.decode("ascii", "replace").strip()
        self._typed.clear()
        self.send(f"{line}\r\n")
        if line:
            name, *rest = line.split()
            command = self._commands.get(name)
            answer = f"unknown command {name!r}, try help" if command is None else command[1](rest)
            if answer:
                self.send(answer + "\r\n")
        firmware = self._board.firmware
        if firmware is not None and not firmware.hung:
            self.send(self._prompt)

    # --- commands -------------------------------------------------------------------------------------

    def _help(self, _: list[str]) -> str:
        return "\r\n".join(f"{name:<9}{about}" for name, (about, _) in self._commands.items())

    def _text(self, index: int) -> str:
        firmware = self._board.firmware
        if not isinstance(firmware, Firmware):
            return ""
        return firmware.objects.peek(index, 0).decode("ascii", "replace")

    def _version(self, _: list[str]) -> str:
        board = self._board
        return (
            f"{self._text(0x1008)} hardware {self._text(0x1009)} firmware {self._text(0x100A)} "
            f"serial {board.serial_number}"
        )

    def _cause(self) -> str:
        firmware = self._board.firmware
        return CAUSES[0 if firmware is None else firmware.reset_cause]

    def _status(self, _: list[str]) -> str:
        firmware = self._board.firmware
        if firmware is None:
            return ""
        state = STATES.get(firmware.state, "?") if isinstance(firmware, Firmware) else "running"
        return (
            f"{state}, up {firmware.uptime_ms / 1000:.3f} s, reset by {self._cause()}, "
            f"supply {self._board.measure_supply_mv()} mV, bus {self._board.controller.state}"
        )

    def _sensors(self, _: list[str]) -> str:
        shown = []
        for number, sensor in enumerate(self._board.sensors, 1):
            value = "no value" if sensor.celsius is None else f"{sensor.raw / 10:.1f} C"
            shown.append(f"sensor {number}: {value}")
        return "\r\n".join(shown) or "none"

    def _outputs(self, _: list[str]) -> str:
        board = self._board
        shown = [f"heater {h.number}: {h.output * 100:.1f} %" for h in board.heaters]
        shown += [f"fan {n + 1}: {board.fan_command(n) * 100:.1f} %" for n in range(len(board.fans))]
        shown += [f"axis {n}: {axis.state}" for n, axis in enumerate(board.axes, 1)]
        return "\r\n".join(shown) or "none"

    def _off(self, _: list[str]) -> str:
        if self._board.firmware is not None:
            self._board.firmware.all_off()
        return "off"

    def _reset(self, _: list[str]) -> str:
        self._queue.after(20_000_000, self._board.reset, 4)
        return "resetting"

    def _hang(self, _: list[str]) -> str:
        if self._board.firmware is not None:
            self._queue.after(20_000_000, self._board.firmware.hang)
        return "hanging"
