"""The firmware of the vent actuator: a node that speaks in signals, with the messages of vent_actuator.dbc.

Bytes are packed by hand from the layout in that file; no database is read for it.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from hiltest.canbus.frame import Frame
from hiltest.simbench.boardprogram import Habits
from hiltest.simbench.loads.stepper import VERSION
from hiltest.simbench.messageprogram import Cycle, MessageProgram

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

COMMAND_ID, MOVE_ID, SERVICE_ID = 0x110, 0x111, 0x112
STATUS_ID, HEAT_ID, MOTION_ID, INFO_ID = 0x210, 0x211, 0x212, 0x213

STATUS_NS, MOTION_NS, INFO_NS = 100_000_000, 50_000_000, 100_000_000
RESET_KEY = 0xA55A
PRODUCT, REVISION = 0x5641, 0x0102
VERSION_NUMBERS = (2, 1, 0)
MS_PER_TICK = 10
QUARTER_SECOND_NS = 250_000_000


def crc8_j1850(data: bytes) -> int:
    """CRC-8 of SAE J1850, bit by bit: polynomial 0x1D, all ones before and inverted after."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D) & 0xFF if crc & 0x80 else crc << 1
    return crc ^ 0xFF


def sealed(first_seven: bytes) -> bytes:
    """Seven bytes and their checksum."""
    return first_seven + bytes([crc8_j1850(first_seven)])


class VentFirmware(MessageProgram):
    """The program of one vent actuator."""

    MESSAGES: ClassVar = {
        "Vent_Command": (COMMAND_ID, 8),
        "Vent_Move": (MOVE_ID, 8),
        "Vent_Service": (SERVICE_ID, 8),
        "Vent_Status": (STATUS_ID, 8),
        "Vent_Heat": (HEAT_ID, 8),
        "Vent_Motion": (MOTION_ID, 8),
        "Vent_Info": (INFO_ID, 8),
    }
    LOADS: ClassVar = {"sensor": 1, "heater": 1, "fan": 1, "stepper": 1, "switch": 2, "lamp": 0}
    BURST_ID = 0x7E8

    def __init__(self, board: Board, habits: Habits) -> None:
        super().__init__(board, habits)
        self._command_count: int | None = None
        self._move_count: int | None = None
        self._page = 0

    # --- sending ------------------------------------------------------------------------------------

    def heartbeat(self) -> Cycle:
        return STATUS_NS, lambda: self._send_or_repeat(STATUS_ID, self._status)

    def reports(self) -> tuple[Cycle, ...]:
        return (
            (STATUS_NS, lambda: self._send_or_repeat(HEAT_ID, self._heat)),
            (MOTION_NS, lambda: self._send_or_repeat(MOTION_ID, self._motion)),
            (INFO_NS, lambda: self._send_or_repeat(INFO_ID, self._next_info)),
        )

    def _status(self) -> bytes:
        axis, inputs = self.board.axes[0], self.board.input_bits()
        enabled = axis.state == "operation enabled"
        first = self._next_count(STATUS_ID) | (inputs & 0x3) << 4 | enabled << 6 | axis.moving << 7
        second = self._heater_state() | self.reset_cause << 3
        ticks = self.uptime_ms // MS_PER_TICK & 0xFF_FFFF
        supply_mv = min(0xFFFF, self.board.measure_supply_mv())
        return sealed(struct.pack("<BBH", first, second, supply_mv) + ticks.to_bytes(3, "little"))

    def _heater_state(self) -> int:
        heater = self.board.heaters[0]
        if heater.sensor_latched:
            return 2
        if heater.ceiling_latched:
            return 3
        if self._host_lost:
            return 4
        return int(heater.output > 0.0)

    def _heat(self) -> bytes:
        board, heater = self.board, self.board.heaters[0]
        output = round(heater.output * 1000)
        tach = min(0xFFFF, round(board.tach_hz(0) * 10.0))
        return struct.pack(">hHhH", board.sensors[0].raw, output, heater.setpoint_dc, tach)

    def _motion(self) -> bytes:
        axis = self.board.axes[0]
        count = self._next_count(MOTION_ID)
        return sealed(struct.pack("<iBBx", axis.position, axis.chip.flags() & 0xFF, count))

    def _next_info(self) -> bytes:
        page, self._page = self._page, (self._page + 1) % 5
        return (bytes([page]) + self._info(page)).ljust(8, b"\0")

    def _info(self, page: int) -> bytes:
        board = self.board
        if page == 0:
            return struct.pack("<IH", board.identity_override.get(2, PRODUCT), REVISION)
        if page == 1:
            return struct.pack("<IBBB", board.serial_number, *self.version_numbers(VERSION_NUMBERS))
        if page == 2:
            chip = board.axes[0].chip
            if not chip.answers:
                return bytes(7)
            settings = chip.settings
            return struct.pack("<HHHB", settings.run_ma, settings.hold_ma, settings.microsteps, chip.writes)
        if page == 3:
            counters = board.controller.counters
            errors = min(self.errors_seen, 0xFF_FFFF).to_bytes(3, "little")
            return struct.pack("<HH", counters.tx, counters.rx) + errors
        return struct.pack("<IB", self._burst.sent, VERSION if board.axes[0].chip.answers else 0)

    # --- receiving ----------------------------------------------------------------------------------

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller."""
        if self.hung or frame.extended or frame.remote:
            return
        self._note_traffic()
        handlers: dict[int, Callable[[bytes], None]] = {
            COMMAND_ID: self._on_command,
            MOVE_ID: self._on_move,
            SERVICE_ID: self._on_service,
        }
        handler = handlers.get(frame.can_id)
        if handler is not None and len(frame.data) == 8:
            handler(frame.data)

    def _on_command(self, data: bytes) -> None:
        if data[7] != crc8_j1850(data[:7]) or data[0] >> 4 == self._command_count:
            return
        self._command_count = data[0] >> 4
        fan, (setpoint_dc, word) = data[1], struct.unpack_from("<hH", data, 2)
        all_off, motor = data[0] & 1, data[0] >> 1 & 1
        per_mille, quarters = word & 0x3FF, word >> 10
        may_energise = self._heard_host(bool(all_off or not (motor or fan or setpoint_dc or per_mille)))
        if all_off or not may_energise:
            self._rest(bool(motor) and not all_off)
            return
        board = self.board
        board.begin_changes()
        board.command_fan(0, min(fan, 200) / 200.0)
        self._command_heater(setpoint_dc, per_mille, quarters * QUARTER_SECOND_NS)
        self._command_motor(board.axes[0], bool(motor))
        board.end_changes()

    def _on_move(self, data: bytes) -> None:
        if data[7] != crc8_j1850(data[:7]) or data[6] & 0x0F == self._move_count:
            return
        self._move_count = data[6] & 0x0F
        target, speed = struct.unpack_from("<iH", data)
        axis = self.board.axes[0]
        if axis.state != "operation enabled" or target == axis.target or axis.moving or not speed:
            return
        self._start_move(axis, target - axis.position, speed)

    def _on_service(self, data: bytes) -> None:
        service, key = data[0], int.from_bytes(data[1:3], "little")
        if service == 1 and key == RESET_KEY:
            self._reset_soon()
        elif service == 2:
            run_ma, hold_ma, microsteps = struct.unpack_from("<HHH", data, 1)
            self._set_driver(run_ma, hold_ma, microsteps)
        elif service == 3:
            self._burst.start(int.from_bytes(data[4:8], "little"), int.from_bytes(data[1:4], "little"))
        elif service == 4:
            self._lower_ceiling(int.from_bytes(data[1:3], "little", signed=True))
