"""The serial console of a simulated node: boot banner, log lines, a prompt and a few commands.

Bytes travel at the pace of the line (ten bits a byte). What is sent to a board without power is lost, as is
what it was still sending when its power went. A board whose firmware is commanded by lines answers them itself; on
others a few commands are for a person.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.simbench.console_firmware import ConsoleFirmware
from hiltest.simbench.events import Event, Repeating
from hiltest.simbench.firmware import Firmware

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

LINE_MAX = 120
BUFFERED_BYTES = 1 << 16
"""What a host keeps for a program that does not read; more is lost."""

NO_END = bytes(byte for byte in range(256) if byte not in b"\r\n")
CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")
STATES = {0x00: "initialising", 0x04: "stopped", 0x05: "operational", 0x7F: "pre-operational"}

ANSWER_NS = 1_000_000
"""How long a sound firmware takes for an answer."""

BABBLE_NS = 10_000_000

Command = Callable[[list[str]], str]


class Wires:
    """The two wires of a console, as faults leave them. `garbled` is the share of bytes that arrive as others."""

    def __init__(self) -> None:
        self.mute = False
        self.deaf = False
        self.touching = False
        self.garbled = 0.0
        self.babble: Repeating | None = None


class ConsolePort:
    """One console. The host's side is `write`, `read`, `waiting`, `discard` and `on_output`."""

    def __init__(self, board: Board, *, prompt: str = "> ", baud: int = 115_200) -> None:
        self._board, self._prompt, self.baud = board, prompt, baud
        self._queue = board.queue
        self._out = bytearray()
        self._typed = bytearray()
        self._free_ns = self._typed_free_ns = self._answer_free_ns = 0
        self.wires = Wires()
        self._rng = board.rng("console")
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
        """Send bytes to the node; they arrive when the last has been sent."""
        if self.wires.touching:
            self._arrive(data)
        if not self.wires.deaf:
            start_ns = max(self._typed_free_ns, self._queue.now_ns)
            self._typed_free_ns = start_ns + len(data) * 10_000_000_000 // self.baud
            self._queue.at(self._typed_free_ns, self._take, data)

    def _take(self, data: bytes) -> None:
        if self._board.firmware is None or self._board.firmware.hung:
            return
        for byte in self._garbled(data):
            if byte in b"\r\n":
                self._enter()
            elif byte in b"\x08\x7f":
                del self._typed[-1:]
            elif len(self._typed) < LINE_MAX:
                self._typed.append(byte)

    def _garbled(self, data: bytes) -> bytes:
        share = self.wires.garbled
        if not share:
            return data
        return bytes(self._rng.randrange(256) if self._rng.random() < share else byte for byte in data)

    def babble(self) -> None:
        """From now on the board prints what stands in its memory, as fast as the line goes, never ending a line."""

        def print_some() -> None:
            if self._board.logic_on:
                count = self.baud * BABBLE_NS // 10_000_000_000
                self._arrive(bytes(self._rng.choices(NO_END, k=count)))

        self.wires.babble = self._queue.every(BABBLE_NS, print_some)

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
        self._events.append(self._queue.at(self._free_ns, self._sent, data))

    def _sent(self, data: bytes) -> None:
        if not self.wires.mute:
            self._arrive(self._garbled(data))

    def _arrive(self, data: bytes) -> None:
        self._out += data[: max(0, BUFFERED_BYTES - len(self._out))]
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
        firmware = self._board.firmware
        if isinstance(firmware, ConsoleFirmware):
            self.send(f"{firmware.banner()}\r\n{self._prompt}")
        else:
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
        firmware = self._board.firmware
        if isinstance(firmware, ConsoleFirmware):
            delay_ns = ANSWER_NS + round(firmware.habits.answer_delay_s * 1e9)
            self._answer_free_ns = max(self._answer_free_ns, self._queue.now_ns) + delay_ns
            self._queue.at(self._answer_free_ns, self._answer, firmware, line)
            return
        if line:
            name, *rest = line.split()
            command = self._commands.get(name)
            self._say(f"unknown command {name!r}, try help" if command is None else command[1](rest))
        if firmware is not None and not firmware.hung:
            self.send(self._prompt)

    def _answer(self, firmware: ConsoleFirmware, line: str) -> None:
        """The program comes to the line that was typed, if it is still the same life of it."""
        if self._board.firmware is not firmware or firmware.hung:
            return
        self._say(firmware.answer(line) if line else "")
        if self._board.firmware is firmware:
            self.send(self._prompt)

    def _say(self, text: str) -> None:
        if text:
            self.send(text + "\r\n")

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
