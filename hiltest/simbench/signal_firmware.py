"""The firmware of the vent actuator: a node that speaks in signals, with the messages of vent_actuator.dbc.

Bytes are packed by hand from the layout in that file; no database is read for it. Cyclic commands are the host's
sign of life: without a valid one for 0.5 s everything goes off, and stays off until a command has come in which
every output rests. `Habits` are decisions that a test of safety must find out; a healthy firmware has the defaults.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.simbench.boardprogram import CAUSE_COMMAND, OVER_VOLTAGE_SHARE, BoardProgram, Habits
from hiltest.simbench.burst import CountedBurst
from hiltest.simbench.drive import NEW_SETPOINT, RELATIVE, Axis
from hiltest.simbench.events import Repeating
from hiltest.simbench.heater_control import PERIOD_S, HeaterChannel
from hiltest.simbench.loads.stepper import VERSION

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

COMMAND_ID, MOVE_ID, SERVICE_ID = 0x110, 0x111, 0x112
STATUS_ID, HEAT_ID, MOTION_ID, INFO_ID = 0x210, 0x211, 0x212, 0x213
MESSAGES = {
    "Vent_Command": (COMMAND_ID, 8),
    "Vent_Move": (MOVE_ID, 8),
    "Vent_Service": (SERVICE_ID, 8),
    "Vent_Status": (STATUS_ID, 8),
    "Vent_Heat": (HEAT_ID, 8),
    "Vent_Motion": (MOTION_ID, 8),
    "Vent_Info": (INFO_ID, 8),
}
"""Identifier and length of each message: a database that lists these is one that this firmware speaks."""

LOADS = {"sensor": 1, "heater": 1, "fan": 1, "stepper": 1, "switch": 2, "lamp": 0}
"""What hangs on the actuator."""

HOST_TIMEOUT_NS = 500_000_000
STATUS_NS, MOTION_NS, INFO_NS = 100_000_000, 50_000_000, 100_000_000
RESET_KEY = 0xA55A
RESET_DELAY_NS = 5_000_000
ID_BURST = 0x7E8
PRODUCT, REVISION = 0x5641, 0x0102
VERSION_NUMBERS = (2, 1, 0)
MS_PER_TICK = 10


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


class VentFirmware(BoardProgram):
    """The program of one vent actuator. It lives from power-up to power-down."""

    def __init__(self, board: Board, habits: Habits) -> None:
        super().__init__(board, habits)
        self._tasks: list[Repeating] = []
        self._clocked: list[Repeating] = []
        self._armed = False
        self._host_heard_ns: int | None = None
        self._host_lost = False
        self._command_count: int | None = None
        self._move_count: int | None = None
        self._pulse_word = 0
        self._setpoint_dc = 0
        self._counts = {STATUS_ID: 0, MOTION_ID: 0}
        self._page = 0
        self._last: dict[int, bytes] = {}
        self._mailboxes: dict[int, bytes] = {}
        self._deaf = board.controller.on_sent(self._went_out)
        self._speed = 0
        self._burst = CountedBurst(self.queue, board.controller, ID_BURST)
        self._over_voltage = False

    # --- life ---------------------------------------------------------------------------------------

    def boot(self, cause: int) -> None:
        """The application starts: it measures and reports, every output off."""
        self.reset_cause = cause
        self._started_ns = self.queue.now_ns
        for axis in self.board.axes:
            axis.operational = True
        if self.habits.resumes_setpoints:
            self._armed = True
            self.board.resume_setpoints()
            self._setpoint_dc = self.board.heaters[0].setpoint_dc
        # Each task runs at a phase of its own on each board.
        control_ns = round(PERIOD_S * 1e9)
        self._tasks.append(self.queue.every(control_ns, self._control, self._rng.randrange(1, control_ns)))
        self._control()
        factor = (1.0 - self.board.controller.timing.drift_ppm * 1e-6) * self.habits.heartbeat_factor
        for period_ns, send in (
            (round(STATUS_NS * factor), self._send_status),
            (STATUS_NS, self._send_heat),
            (MOTION_NS, self._send_motion),
            (INFO_NS, self._send_info),
        ):
            self._clocked.append(self.queue.every(period_ns, send, self._rng.randrange(1, period_ns)))

    def shut_down(self) -> None:
        """Power is gone or a reset begins: nothing of it acts any more."""
        for task in (*self._tasks, *self._clocked):
            task.cancel()
        self._deaf()
        self._burst.stop()

    def hang(self) -> None:
        """The program stands still; a timer interrupt may go on sending what stood in the buffers."""
        for task in self._tasks:
            task.cancel()
        if not self.habits.heartbeat_from_timer:
            for task in self._clocked:
                task.cancel()
        self._burst.stop()
        self.stand_still()

    def all_off(self) -> None:
        """Every output off (unless this firmware has a habit of not obeying)."""
        self._setpoint_dc = 0
        if self.habits.obeys_all_off:
            self.board.all_off()

    # --- sending ------------------------------------------------------------------------------------

    def _send(self, can_id: int, data: bytes) -> None:
        if self.habits.loses_frames and self._rng.random() < self.habits.loses_frames:
            return
        self._last[can_id] = data
        is_waiting = can_id in self._mailboxes
        self._mailboxes[can_id] = data
        if is_waiting:
            # A mailbox holds one frame: what could not be sent is replaced by what is true now.
            self.board.controller.flush()
            for waiting_id, waiting in self._mailboxes.items():
                self.board.controller.send(Frame(waiting_id, waiting))
        else:
            self.board.controller.send(Frame(can_id, data))

    def _went_out(self, frame: Frame) -> None:
        self._mailboxes.pop(frame.can_id, None)

    def _next_count(self, can_id: int) -> int:
        count = self._counts[can_id]
        self._counts[can_id] = (count + 1) & 0x0F
        return count

    def _send_status(self) -> None:
        if self.habits.heartbeat_jitter_s:
            jitter_ns = round(self._rng.random() * self.habits.heartbeat_jitter_s * 1e9)
            self.queue.after(jitter_ns, self._send_status_now)
        else:
            self._send_status_now()

    def _send_status_now(self) -> None:
        if self.board.firmware is not self:
            return
        if self.hung:
            self._repeat(STATUS_ID)
            return
        axis, inputs = self.board.axes[0], self.board.input_bits()
        enabled = axis.state == "operation enabled"
        first = self._next_count(STATUS_ID) | (inputs & 0x3) << 4 | enabled << 6 | axis.moving << 7
        second = self._heater_state() | self.reset_cause << 3
        ticks = self.uptime_ms // MS_PER_TICK & 0xFF_FFFF
        supply_mv = min(0xFFFF, self.board.measure_supply_mv())
        data = struct.pack("<BBH", first, second, supply_mv) + ticks.to_bytes(3, "little")
        self._send(STATUS_ID, sealed(data))

    def _heater_state(self) -> int:
        heater = self.board.heaters[0]
        if heater.sensor_latched:
            return 2
        if heater.ceiling_latched:
            return 3
        if self._host_lost:
            return 4
        return int(heater.output > 0.0)

    def _send_heat(self) -> None:
        if self.hung:
            self._repeat(HEAT_ID)
            return
        board, heater = self.board, self.board.heaters[0]
        output = round(heater.output * 1000)
        tach = min(0xFFFF, round(board.tach_hz(0) * 10.0))
        self._send(HEAT_ID, struct.pack(">hHhH", board.sensors[0].raw, output, heater.setpoint_dc, tach))

    def _send_motion(self) -> None:
        if self.hung:
            self._repeat(MOTION_ID)
            return
        axis = self.board.axes[0]
        count = self._next_count(MOTION_ID)
        self._send(MOTION_ID, sealed(struct.pack("<iBBx", axis.position, axis.chip.flags() & 0xFF, count)))

    def _send_info(self) -> None:
        if self.hung:
            self._repeat(INFO_ID)
            return
        page, self._page = self._page, (self._page + 1) % 5
        self._send(INFO_ID, (bytes([page]) + self._info(page)).ljust(8, b"\0"))

    def _info(self, page: int) -> bytes:
        board = self.board
        if page == 0:
            return struct.pack("<IH", board.identity_override.get(2, PRODUCT), REVISION)
        if page == 1:
            return struct.pack("<IBBB", board.serial_number, *self._version())
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

    def _version(self) -> tuple[int, int, int]:
        if self.habits.version is None:
            return VERSION_NUMBERS
        major, minor, patch = (int(part) for part in self.habits.version.split("."))
        return major, minor, patch

    def _repeat(self, can_id: int) -> None:
        """The interrupt sends the buffer again; nobody has filled it anew."""
        data = self._last.get(can_id)
        if data is not None:
            self.board.controller.send(Frame(can_id, data))

    # --- receiving ----------------------------------------------------------------------------------

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller."""
        if self.hung or frame.extended or frame.remote:
            return
        if self.habits.any_traffic_feeds_watch and self._host_heard_ns is not None:
            self._host_heard_ns = self.queue.now_ns
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
        self._host_heard_ns = self.queue.now_ns
        fan, (setpoint_dc, word) = data[1], struct.unpack_from("<hH", data, 2)
        all_off, motor = data[0] & 1, data[0] >> 1 & 1
        if all_off or not (motor or fan or setpoint_dc or word & 0x3FF):
            self._armed = True
            self._host_lost = False
        may_energise = self._armed or not self.habits.outputs_need_operational
        if all_off or not may_energise or self._over_voltage:
            self._rest()
            return
        board = self.board
        board.begin_changes()
        board.command_fan(0, min(fan, 200) / 200.0)
        self._command_heater(board.heaters[0], setpoint_dc, word)
        self._command_motor(board.axes[0], bool(motor))
        board.end_changes()

    def _rest(self) -> None:
        """What a command with every output at rest does."""
        self._pulse_word = 0
        heater = self.board.heaters[0]
        if self._setpoint_dc or heater.latched:
            self._setpoint_dc = 0
        heater.acknowledge()
        self.all_off()

    def _command_heater(self, heater: HeaterChannel, setpoint_dc: int, word: int) -> None:
        duty, before = word & 0x3FF, self._pulse_word & 0x3FF
        self._pulse_word = word
        if duty and not before:
            self._setpoint_dc = 0
            self._pulse(heater, duty, word >> 10)
        elif setpoint_dc != self._setpoint_dc and not duty:
            self._setpoint_dc = setpoint_dc
            is_allowed = setpoint_dc >= 0 and (setpoint_dc <= heater.ceiling_dc or not heater.watches_ceiling)
            heater.set_setpoint(setpoint_dc if is_allowed and not heater.latched else 0)
        elif not duty and before and not setpoint_dc:
            heater.off()

    def _pulse(self, heater: HeaterChannel, per_mille: int, quarters: int) -> None:
        if heater.latched or quarters == 0:
            return
        heater.off()
        heater.pulsing = True
        heater.set_output(per_mille / 1000.0)
        number = heater.pulse_number = heater.pulse_number + 1

        def end() -> None:
            if heater.pulsing and heater.pulse_number == number and not self.hung:
                heater.off()

        self.queue.after(quarters * 250_000_000, end)

    def _command_motor(self, axis: Axis, on: bool) -> None:
        if not on:
            if axis.state != "switch-on disabled":
                axis.off()
        elif axis.state == "fault":
            axis.set_controlword(0x80)
        elif axis.state != "operation enabled":
            for word in (0x06, 0x07, 0x0F):
                axis.set_controlword(word)

    def _on_move(self, data: bytes) -> None:
        if data[7] != crc8_j1850(data[:7]) or data[6] & 0x0F == self._move_count:
            return
        self._move_count = data[6] & 0x0F
        target, speed = struct.unpack_from("<iH", data)
        axis = self.board.axes[0]
        if axis.state != "operation enabled" or target == axis.target or axis.moving or not speed:
            return
        axis.speed_object, axis.acceleration_object = speed, 10 * speed
        axis.target_object = target - axis.position
        axis.set_controlword(0x0F | RELATIVE | NEW_SETPOINT)
        axis.set_controlword(0x0F | RELATIVE)

    def _on_service(self, data: bytes) -> None:
        service, key = data[0], int.from_bytes(data[1:3], "little")
        if service == 1 and key == RESET_KEY:
            self.queue.after(RESET_DELAY_NS, self._reset)
        elif service == 2:
            run_ma, hold_ma, microsteps = struct.unpack_from("<HHH", data, 1)
            self._set_driver(run_ma, hold_ma, microsteps)
        elif service == 3:
            self._burst.start(int.from_bytes(data[4:8], "little"), int.from_bytes(data[1:4], "little"))
        elif service == 4:
            heater, (ceiling_dc,) = self.board.heaters[0], struct.unpack_from("<h", data, 1)
            if 0 < ceiling_dc <= heater.built_ceiling_dc:
                heater.ceiling_dc = ceiling_dc

    def _reset(self) -> None:
        if self.board.firmware is self:
            self.board.reset(CAUSE_COMMAND)

    def _set_driver(self, run_ma: int, hold_ma: int, microsteps: int) -> None:
        chip = self.board.axes[0].chip
        chip.write("run_ma", run_ma)
        chip.write("hold_ma", hold_ma)
        if microsteps.bit_count() == 1:
            chip.write("microsteps", microsteps)

    # --- measuring and watching -----------------------------------------------------------------------

    def _control(self) -> None:
        """The task that runs ten times a second: watch the host, read, watch, control."""
        board = self.board
        board.begin_changes()
        self._watch_host()
        for sensor in board.sensors:
            sensor.sample()
        for heater in board.heaters:
            heater.watch()
            heater.control()
        self._over_voltage = board.rail_v > OVER_VOLTAGE_SHARE * board.nominal_v
        if self._over_voltage:
            self.all_off()
        board.end_changes()

    def _watch_host(self) -> None:
        heard_ns = self._host_heard_ns
        if heard_ns is None or not self.habits.watches_host:
            return
        if self.habits.watch_needs_working_bus and self.board.controller.state in ("passive", "off"):
            return
        if self.queue.now_ns - heard_ns > HOST_TIMEOUT_NS * self.habits.host_watch_factor:
            self._host_heard_ns = None
            self._armed = False
            self._host_lost = True
            self._pulse_word = 0
            self.all_off()

    # --- the bus's own troubles -----------------------------------------------------------------------

    def end_sending(self) -> None:
        """End what it sends by the burst."""
        self._burst.stop()
