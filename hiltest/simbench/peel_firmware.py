"""The firmware of the label peel bar: a node that speaks in frames of its own, with the messages of label_peel.toml.

Bytes are packed by hand from the layout in that file, highest byte first but for the tachometer; the file is not read for
it. Who the board is, what feeds it and how its motor driver is set, it tells only when asked.
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

SET_ID, MOVE_ID, ASK_ID, ORDER_ID = 0x320, 0x321, 0x322, 0x323
ALIVE_ID, BAR_ID, MOTION_ID, ANSWER_ID = 0x18FF2301, 0x330, 0x331, 0x332

ALIVE_NS, BAR_NS, MOTION_NS = 100_000_000, 100_000_000, 50_000_000
ANSWER_NS = 400_000
"""How long a sound program takes to come to a question."""

SUM_PREFIX, SET_MARK, ASK_MARK = 0x4C, 0x50, 0x3F
RESET_KEY = 0x5052
PRODUCT, REVISION = 0x4C50, 0x0003
VERSION_NUMBERS = (1, 0, 7)
MS_PER_TICK = 10
SUCTION_FULL, PULSE_FULL = 250, 200
TENTH_SECOND_NS = 100_000_000


def sealed(data: bytes) -> bytes:
    """These bytes and one more, which makes the sum of all and of the prefix 0."""
    return data + bytes([-(SUM_PREFIX + sum(data)) & 0xFF])


class PeelFirmware(MessageProgram):
    """The program of one label peel bar."""

    MESSAGES: ClassVar = {
        "Peel_Set": (SET_ID, 8),
        "Peel_Move": (MOVE_ID, 8),
        "Peel_Ask": (ASK_ID, 2),
        "Peel_Order": (ORDER_ID, 8),
        "Peel_Alive": (ALIVE_ID, 8),
        "Peel_Bar": (BAR_ID, 8),
        "Peel_Motion": (MOTION_ID, 7),
        "Peel_Answer": (ANSWER_ID, 8),
    }
    LOADS: ClassVar = {"sensor": 1, "heater": 1, "fan": 1, "stepper": 1, "switch": 1, "lamp": 1}
    BURST_ID = 0x7D0

    def __init__(self, board: Board, habits: Habits) -> None:
        super().__init__(board, habits)
        self._set_count: int | None = None
        self._move_number = 0

    # --- sending ------------------------------------------------------------------------------------

    def heartbeat(self) -> Cycle:
        return ALIVE_NS, lambda: self._send_or_repeat(ALIVE_ID, self._alive)

    def reports(self) -> tuple[Cycle, ...]:
        return (
            (BAR_NS, lambda: self._send_or_repeat(BAR_ID, self._bar)),
            (MOTION_NS, lambda: self._send_or_repeat(MOTION_ID, self._motion)),
        )

    def _alive(self) -> bytes:
        axis = self.board.axes[0]
        bits = (axis.state == "operation enabled", axis.moving, self.board.input_bits() & 1, self._host_lost)
        flags = sum(bool(bit) << place for place, bit in enumerate(bits, 4))
        ticks = self.uptime_ms // MS_PER_TICK & 0xFF_FFFF
        head = bytes([self._next_count(ALIVE_ID) | flags, self.reset_cause])
        return sealed(head + ticks.to_bytes(3, "big") + bytes([self._move_number, 0]))

    def _bar(self) -> bytes:
        raw, setpoint_dc = self.board.sensors[0].raw, self.board.heaters[0].setpoint_dc
        return struct.pack(">hh", raw, setpoint_dc) + struct.pack("<f", self.board.tach_hz(0))

    def _motion(self) -> bytes:
        output = round(self.board.heaters[0].output * PULSE_FULL)
        return sealed(struct.pack(">iBB", self.board.axes[0].position, output, self._next_count(MOTION_ID)))

    def _page(self, page: int) -> bytes | None:
        """What stands in an answer behind its page; None for a page that there is not."""
        board = self.board
        chip, counters = board.axes[0].chip, board.controller.counters
        if page == 1:
            return struct.pack(">IH", board.identity_override.get(2, PRODUCT), REVISION)
        if page == 2:
            return struct.pack(">IBBB", board.serial_number, *self.version_numbers(VERSION_NUMBERS))
        if page == 3:
            errors = min(self.errors_seen, 0xFF_FFFF).to_bytes(3, "big")
            supply_mv = min(0xFFFF, board.measure_supply_mv())
            return struct.pack(">HBB", supply_mv, min(counters.tx, 0xFF), min(counters.rx, 0xFF)) + errors
        if page == 4:
            settings = chip.settings
            set_to = (settings.run_ma, settings.hold_ma, settings.microsteps, chip.writes)
            return struct.pack(">HHHB", *set_to) if chip.answers else b""
        if page == 5:
            return struct.pack(">IBB", self._burst.sent, VERSION if chip.answers else 0, chip.flags() & 0xFF)
        return None

    # --- receiving ----------------------------------------------------------------------------------

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller."""
        if self.hung or frame.extended or frame.remote:
            return
        self._note_traffic()
        handlers: dict[int, Callable[[bytes], None]] = {
            SET_ID: self._on_set,
            MOVE_ID: self._on_move,
            ASK_ID: self._on_ask,
            ORDER_ID: self._on_order,
        }
        handler = handlers.get(frame.can_id)
        if handler is not None and len(frame.data) == (2 if frame.can_id == ASK_ID else 8):
            handler(frame.data)

    def _on_set(self, data: bytes) -> None:
        if data != sealed(data[:7]) or data[6] != SET_MARK or data[0] & 0x0F == self._set_count:
            return
        self._set_count = data[0] & 0x0F
        lamp, motor, all_off = data[0] >> 4 & 3, data[0] >> 6 & 1, data[0] >> 7
        suction, setpoint_dc, duty, tenths = struct.unpack_from(">BhBB", data, 1)
        may_energise = self._heard_host(
            bool(all_off or not (lamp or motor or suction or setpoint_dc or duty))
        )
        if all_off or not may_energise:
            self._rest(bool(motor) and not all_off)
            return
        board = self.board
        board.begin_changes()
        board.command_fan(0, min(suction, SUCTION_FULL) / SUCTION_FULL)
        self._command_heater(
            setpoint_dc, 1000 * min(duty, PULSE_FULL) // PULSE_FULL, tenths * TENTH_SECOND_NS
        )
        self._command_motor(board.axes[0], bool(motor))
        board.set_lamps(1 << lamp - 1 if lamp else 0)
        board.end_changes()

    def _on_move(self, data: bytes) -> None:
        if data != sealed(data[:7]) or data[6] == self._move_number:
            return
        distance, speed, number = struct.unpack_from(">iHB", data)
        axis = self.board.axes[0]
        if axis.state == "operation enabled" and not axis.moving and speed:
            self._move_number = number
            self._start_move(axis, distance, speed)

    def _on_ask(self, data: bytes) -> None:
        if data[0] == ASK_MARK:
            self.queue.after(ANSWER_NS + round(self.habits.answer_delay_s * 1e9), self._answer, data[1])

    def _answer(self, page: int) -> None:
        if self.hung or self.board.firmware is not self:
            return
        told = self._page(page)
        if told is not None:
            self._send(ANSWER_ID, (bytes([page]) + told).ljust(8, b"\0"))

    def _on_order(self, data: bytes) -> None:
        order, key = data[0], int.from_bytes(data[1:3], "big")
        if order == 1 and key == RESET_KEY:
            self._reset_soon()
        elif order == 2:
            run_ma, hold_ma, microsteps = struct.unpack_from(">HHH", data, 1)
            self._set_driver(run_ma, hold_ma, microsteps)
        elif order == 3:
            self._burst.start(int.from_bytes(data[4:8], "big"), int.from_bytes(data[1:4], "big"))
        elif order == 4:
            self._lower_ceiling(int.from_bytes(data[1:3], "big", signed=True))
