"""A vent actuator in simulated time, made of cantools and crccheck alone: the peer of the signals driver."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cantools.database
import crccheck.crc

from hiltest.canbus.frame import Frame

from .doubles import EventPort

DBC = Path(__file__).parents[2] / "fixtures" / "vent_actuator.dbc"
SEALED = ("Vent_Command", "Vent_Move", "Vent_Status", "Vent_Motion")
BOOT_S = 0.4


def crc(data: bytes) -> int:
    """CRC-8/SAE-J1850 by the library crccheck."""
    return int(crccheck.crc.Crc8SaeJ1850.calc(data))


class CantoolsNode:
    """Sends every cyclic message of the node and decodes what the host sends.

    `values` are the reported signals by name, `heard` the decoded messages of the host with their times in s.
    `period_factor`, `frozen`, `broken` (names of messages) and `mute` make it faulty.
    """

    def __init__(self, port: EventPort, database: Any = None, node: str = "Vent", serial: int = 4711) -> None:
        self.port = port
        self.db = database or cantools.database.load_file(str(DBC))
        self.messages = [m for m in self.db.messages if node in m.senders and m.cycle_time]
        self.values: dict[str, float] = {
            signal.name: float(signal.offset) for message in self.messages for signal in message.signals
        }
        self.values |= {"SerialNumber": serial, "ProductCode": 0x5641, "Revision": 0x0102, "RunCurrent": 0.3}
        self.values |= {"FirmwareMajor": 2, "FirmwareMinor": 1, "Microsteps": 8, "DriverVersion": 0x21}
        self.values |= {"PadTemperature": 21.5, "SupplyVoltage": 12.1}
        self.heard: list[tuple[float, str, dict[str, float]]] = []
        self.raw: list[tuple[str, bytes]] = []
        self.mute = False
        self.frozen: set[str] = set()
        self.broken: set[str] = set()
        self.period_factor = 1.0
        self.on_heard: Callable[[str, dict[str, float]], None] = lambda name, values: None
        self._counts: dict[str, int] = {}
        self._pages: dict[str, int] = {}
        self._started_s = 0.0
        port.hearers.append(self._hear)
        for message in self.messages:
            self._cycle(message, 0.003 * len(self._counts))

    def boot(self) -> None:
        """Away for BOOT_S, then anew with uptime 0 and counters from 0."""
        self.mute = True

        def back() -> None:
            self.mute = False
            self._started_s = self.port.clock.now_s
            self._counts.clear()

        self.port.after(BOOT_S, back)

    def _cycle(self, message: Any, delay_s: float) -> None:
        def due() -> Frame | None:
            self._cycle(message, message.cycle_time / 1000 * self.period_factor)
            return None if self.mute else Frame(message.frame_id, self.encode(message))

        self.port.after(delay_s, due)

    def encode(self, message: Any) -> bytes:
        values = dict(self.values)
        values["Uptime"] = self.port.clock.now_s - self._started_s
        count = self._counts.get(message.name, 0)
        if message.name not in self.frozen:
            self._counts[message.name] = (count + 1) % 16
        values["Counter"] = count
        if message.is_multiplexed():
            pages = sorted(message.get_signal_by_name("Page").choices or range(5))
            number = self._pages[message.name] = self._pages.get(message.name, -1) + 1
            values["Page"] = pages[number % len(pages)]
        data = bytearray(message.encode(values, strict=False))
        if message.name in SEALED:
            data[7] = crc(bytes(data[:7])) ^ (0x55 if message.name in self.broken else 0)
        return bytes(data)

    def _hear(self, frame: Frame) -> None:
        with contextlib.suppress(KeyError):
            message = self.db.get_message_by_frame_id(frame.can_id)
            if message.name in SEALED:
                assert frame.data[7] == crc(frame.data[:7]), f"{message.name}: {frame.data.hex()}"
            values = message.decode(frame.data, decode_choices=False)
            self.heard.append((self.port.clock.now_s, message.name, values))
            self.raw.append((message.name, frame.data))
            self.on_heard(message.name, values)

    def of(self, name: str) -> list[dict[str, float]]:
        """What was heard of one message."""
        return [values for _, heard, values in self.heard if heard == name]

    def times_of(self, name: str) -> list[float]:
        return [at_s for at_s, heard, _ in self.heard if heard == name]
