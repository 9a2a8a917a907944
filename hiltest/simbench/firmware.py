"""The CANopen firmware of a simulated node, written from CiA 301: the independent second implementation.

NMT, heartbeat of node and host, emergencies, SYNC, and the objects that lead to the board's outputs and
inputs. `Habits` are decisions of the firmware that a test of safety must find out; a healthy one has the
defaults. Emergency codes: see the message dictionary, which says which of them are from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.simbench import lss_slave, objects
from hiltest.simbench.boardprogram import (
    BUS_OFF_PAUSE_NS,
    CAUSE_COMMAND,
    OVER_VOLTAGE_SHARE,
    BoardProgram,
    Habits,
)
from hiltest.simbench.burst import Burst
from hiltest.simbench.events import Event, Repeating
from hiltest.simbench.firmware_objects import serve_objects
from hiltest.simbench.heater_control import PERIOD_S
from hiltest.simbench.lss_slave import LssSlave
from hiltest.simbench.objects import Dictionary
from hiltest.simbench.pdos import ReceivePdo, TransmitPdo, pack_emergency
from hiltest.simbench.sdo_server import SdoServer

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

INITIALISING, STOPPED, OPERATIONAL, PRE_OPERATIONAL = 0x00, 0x04, 0x05, 0x7F
NMT_START, NMT_STOP, NMT_PRE_OPERATIONAL, NMT_RESET_NODE, NMT_RESET_COMMUNICATION = (
    0x01, 0x02, 0x80, 0x81, 0x82,
)  # fmt: skip
NMT_ID, HEARTBEAT_ID, SDO_REQUEST_ID, SDO_ANSWER_ID = 0x000, 0x700, 0x600, 0x580

EMERGENCY_OVER_VOLTAGE, EMERGENCY_TOO_HOT, EMERGENCY_SENSOR = 0x3110, 0x4210, 0x5030
EMERGENCY_DRIVER, EMERGENCY_HOST_LOST, EMERGENCY_BUS_OFF = 0x7121, 0x8130, 0x8140
GENERIC_BIT, VOLTAGE_BIT, TEMPERATURE_BIT, COMMUNICATION_BIT, PROFILE_BIT = 0x01, 0x04, 0x08, 0x10, 0x20

RESET_COMMUNICATION_NS = 5_000_000


class Firmware(BoardProgram):
    """The program of one board. It lives from power-up to power-down; `reset` starts it anew."""

    def __init__(self, board: Board, entries: tuple[objects.Entry, ...], habits: Habits) -> None:
        super().__init__(board, habits)
        self.objects = Dictionary(entries)
        self.sdo = SdoServer(self.objects)
        self.node_id = board.settings.node_id
        self.state = INITIALISING
        self.error_register = 0
        self._heartbeat: Repeating | None = None
        self._host_timer: Event | None = None
        self._host_heard_ns: int | None = None
        self._host_period_ns = 0
        self._answer_free_ns = 0
        self._served: dict[int, Callable[[bytes], None]] = {}
        self._served_version = -1
        self._measuring: Repeating | None = None
        self._over_voltage = False
        self._driver_bad: set[int] = set()
        self._sensors_bad: set[int] = set()
        self.burst = Burst(self.queue, board.controller, self.objects)
        serve_objects(self)
        self.objects.serve(0x1017, 0, write=lambda _: self._after_write(self._start_heartbeat))
        self.objects.serve(0x1016, 1, write=lambda _: self._forget_host())
        self.objects.serve(0x1003, 0, write=self._clear_history)
        self.receive_pdos = [
            ReceivePdo(self.objects, 0, lambda code: self.emergency(code, COMMUNICATION_BIT))
        ]
        self.transmit_pdos = [
            TransmitPdo(self.queue, self.objects, number, self._send) for number in range(3)
        ]
        self.lss = LssSlave(
            board.identity(self.objects), self.node_id, self._store_lss, self._node_id_configured
        )

    # --- life ---------------------------------------------------------------------------------------

    def boot(self, cause: int) -> None:
        """The application starts: say so on the bus and wait for orders in pre-operational."""
        self.begin(cause, armed_axes=not self.habits.moves_need_start)
        # The measuring task runs at a phase of its own on each board.
        period_ns = round(PERIOD_S * 1e9)
        self._measuring = self.queue.every(period_ns, self._measure, self._rng.randrange(1, period_ns))
        self._measure()
        if self.node_id != lss_slave.UNCONFIGURED:
            self._join()

    def shut_down(self) -> None:
        """Power is gone or a reset begins: nothing of it acts any more."""
        self.state = INITIALISING
        for timer in (self._heartbeat, self._measuring, self._host_timer):
            if timer is not None:
                timer.cancel()
        self._heartbeat = self._measuring = self._host_timer = None
        for pdo in self.transmit_pdos:
            pdo.stop()
        self.burst.stop()

    def _join(self) -> None:
        """Boot-up message, then pre-operational (or further, if the firmware is made so)."""
        if self.habits.sends_boot_up:
            self._send(HEARTBEAT_ID + self.node_id, bytes([INITIALISING]))
        self.state = PRE_OPERATIONAL
        self._start_heartbeat()
        if self.habits.starts_by_itself or self.habits.resumes(self.reset_cause):
            self._start()
        if self.habits.resumes(self.reset_cause):
            self.board.resume_setpoints()

    def hang(self) -> None:
        """The program stands still; outputs stay as they are until a watchdog notices."""
        if self._measuring is not None:
            self._measuring.cancel()
        if self._host_timer is not None:
            self._host_timer.cancel()
        if not self.habits.heartbeat_from_timer and self._heartbeat is not None:
            self._heartbeat.cancel()
        for pdo in self.transmit_pdos:
            pdo.stop()
        self.stand_still()

    # --- sending ------------------------------------------------------------------------------------

    def _send(self, can_id: int, data: bytes) -> None:
        if self.habits.loses_frames and self._rng.random() < self.habits.loses_frames:
            return
        self.board.controller.send(Frame(can_id, data))

    def emergency(self, code: int, register: int, detail: int = 0) -> None:
        """Report an error: history, error register, frame."""
        self.error_register |= register | GENERIC_BIT
        count = min(8, self.objects.number(0x1003, 0) + 1)
        for sub in range(count, 1, -1):
            self.objects.put(0x1003, sub, self.objects.number(0x1003, sub - 1))
        self.objects.put(0x1003, 1, code)
        self.objects.put(0x1003, 0, count)
        self._send_emergency(code, bytes([detail]))
        self.board.log(f"emergency 0x{code:04X} detail {detail}")

    def healed(self, register: int) -> None:
        """The last error of a kind is gone."""
        self.error_register &= ~register
        if self.error_register == GENERIC_BIT:
            self.error_register = 0
        self._send_emergency(0, b"")

    def _send_emergency(self, code: int, detail: bytes) -> None:
        place = self.objects.number(0x1014)
        if self.state in (PRE_OPERATIONAL, OPERATIONAL) and not place & 0x8000_0000:
            self._send(place & 0x7FF, pack_emergency(code, self.error_register, detail))

    def _clear_history(self, value: objects.Value) -> None:
        if value != 0:
            raise objects.SdoAbort(objects.TOO_HIGH)

    # --- receiving ----------------------------------------------------------------------------------

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller."""
        if self.hung or frame.extended or frame.remote:
            return
        if self._host_heard_ns is not None and self.habits.any_traffic_feeds_watch:
            self._host_heard_ns = self.queue.now_ns
        if self._served_version != self.objects.version:
            self._serve_identifiers()
        handler = self._served.get(frame.can_id)
        if handler is not None:
            handler(frame.data)

    def _serve_identifiers(self) -> None:
        """Work out anew which identifiers mean something to this node."""
        number = self.objects.number
        served: dict[int, Callable[[bytes], None]] = {}
        for pdo in self.receive_pdos:
            if pdo.valid:
                served[pdo.can_id] = partial(self._receive_pdo, pdo)
        served[number(0x1005) & 0x7FF] = self._receive_sync
        served[HEARTBEAT_ID + (number(0x1016, 1) >> 16 & 0x7F)] = self._hear_host
        served[SDO_REQUEST_ID + self.node_id] = self._answer_sdo
        served[lss_slave.MASTER_ID] = self._answer_lss
        served[NMT_ID] = self._receive_nmt
        self._served, self._served_version = served, self.objects.version

    def _receive_nmt(self, data: bytes) -> None:
        if len(data) == 2 and data[1] in (0, self.node_id):
            self.command(data[0])

    def _receive_sync(self, _: bytes) -> None:
        if self.state == OPERATIONAL:
            for received in self.receive_pdos:
                received.sync()
            for transmitted in self.transmit_pdos:
                transmitted.sync()

    def _receive_pdo(self, pdo: ReceivePdo, data: bytes) -> None:
        if self.state == OPERATIONAL:
            pdo.receive(data)

    def _answer_sdo(self, request: bytes) -> None:
        if self.state not in (PRE_OPERATIONAL, OPERATIONAL):
            return
        now = self.queue.now_ns
        delay_s = 1e-4 + self._rng.expovariate(1.0 / 1.5e-4) + self.habits.answer_delay_s
        self._answer_free_ns = max(self._answer_free_ns, now) + round(delay_s * 1e9)
        self.queue.at(self._answer_free_ns, self._serve_sdo, request)

    def _serve_sdo(self, request: bytes) -> None:
        if self.hung or self.state not in (PRE_OPERATIONAL, OPERATIONAL):
            return
        for answer in self.sdo.handle(request):
            self._send(SDO_ANSWER_ID + self.node_id, answer)

    def _answer_lss(self, request: bytes) -> None:
        answer = self.lss.handle(request)
        if answer is not None:
            delay_s = 1e-4 + self._rng.expovariate(1.0 / 1.5e-4)
            self.queue.after(round(delay_s * 1e9), self._send, lss_slave.SLAVE_ID, answer)

    def _store_lss(self, node_id: int, bit_rate_bps: int | None) -> bool:
        return self.board.settings.store(node_id, bit_rate_bps)

    def _node_id_configured(self, node_id: int) -> None:
        """The master left the configuration state. A node without an id takes the new one at once."""
        if self.node_id == lss_slave.UNCONFIGURED:
            self._take_node_id(node_id)
            self._join()

    def _take_node_id(self, node_id: int) -> None:
        self.node_id = self.lss.node_id = node_id
        self._served_version = -1
        self.objects.change_entries(self.board.entries(node_id))
        for pdo in (*self.receive_pdos, *self.transmit_pdos):
            pdo.load()

    # --- NMT ----------------------------------------------------------------------------------------

    def command(self, command: int) -> None:
        """An NMT command for this node."""
        if self.state == INITIALISING and command not in (NMT_RESET_NODE, NMT_RESET_COMMUNICATION):
            return
        if command == NMT_START:
            self._start()
        elif command == NMT_STOP:
            self._leave(STOPPED)
        elif command == NMT_PRE_OPERATIONAL:
            self._leave(PRE_OPERATIONAL)
        elif command == NMT_RESET_NODE:
            self.board.reset(CAUSE_COMMAND)
        elif command == NMT_RESET_COMMUNICATION:
            self._reset_communication()

    def _start(self) -> None:
        if self.state == OPERATIONAL:
            return
        self.state = OPERATIONAL
        for axis in self.board.axes:
            axis.operational = True
        for pdo in self.transmit_pdos:
            pdo.start()

    def _leave(self, state: int, motors: bool = True) -> None:
        self.state = state
        for axis in self.board.axes:
            axis.operational = not self.habits.moves_need_start
        for pdo in self.transmit_pdos:
            pdo.stop()
        self.burst.stop()
        self.all_off(motors)

    def all_off(self, motors: bool = True) -> None:
        """Every output off, every setpoint 0 (unless this firmware has a habit of not obeying)."""
        if self.habits.obeys_all_off:
            self.board.all_off(motors)

    def _reset_communication(self) -> None:
        """Communication objects back to their defaults, a new node id taken, then join again."""
        self._leave(INITIALISING)
        self._forget_host()
        if self._heartbeat is not None:
            self._heartbeat.cancel()
            self._heartbeat = None
        self.sdo.reset()
        self._take_node_id(self.lss.pending_id)
        if self.node_id != lss_slave.UNCONFIGURED:
            self.queue.after(RESET_COMMUNICATION_NS, self._rejoin)

    def _rejoin(self) -> None:
        if self.board.firmware is self and self.state == INITIALISING:
            self._join()

    # --- heartbeats ---------------------------------------------------------------------------------

    def _after_write(self, action: Callable[[], None]) -> None:
        """Act when the value that is being written is in place."""
        self.queue.after(0, action)

    def _start_heartbeat(self) -> None:
        if self._heartbeat is not None:
            self._heartbeat.cancel()
            self._heartbeat = None
        period_ms = self.objects.number(0x1017)
        if period_ms and self.state != INITIALISING and not self.hung:
            drift = 1.0 - self.board.controller.timing.drift_ppm * 1e-6
            period_ns = max(1, round(period_ms * 1e6 * drift * self.habits.heartbeat_factor))
            self._heartbeat = self.queue.every(period_ns, self._beat)

    def _beat(self) -> None:
        jitter_ns = round(self._rng.random() * self.habits.heartbeat_jitter_s * 1e9)
        self.queue.after(jitter_ns, self._send_heartbeat)

    def _send_heartbeat(self) -> None:
        if self.state != INITIALISING:
            self._send(HEARTBEAT_ID + self.node_id, bytes([self.state]))

    def _hear_host(self, _: bytes) -> None:
        period_ms = self.objects.number(0x1016, 1) & 0xFFFF
        if not period_ms:
            return
        self._host_period_ns = round(period_ms * 1e6 * self.habits.host_watch_factor)
        self._host_heard_ns = self.queue.now_ns
        if self._host_timer is None:
            self._host_timer = self.queue.after(self._host_period_ns, self._check_host)

    def _check_host(self) -> None:
        """Looks once a period whether the host was heard meanwhile, and again when it would be due."""
        self._host_timer = None
        heard_ns = self._host_heard_ns
        if heard_ns is None:
            return
        due_ns = heard_ns + self._host_period_ns
        if due_ns > self.queue.now_ns:
            self._host_timer = self.queue.at(due_ns, self._check_host)
            return
        if self.habits.watch_needs_working_bus and self.board.controller.state in ("passive", "off"):
            self._host_timer = self.queue.after(self._host_period_ns, self._check_host)
            return
        self._host_heard_ns = None
        if self.habits.watches_host:
            self.host_lost()

    def _forget_host(self) -> None:
        if self._host_timer is not None:
            self._host_timer.cancel()
        self._host_timer = None
        self._host_heard_ns = None

    def host_lost(self) -> None:
        """The host fell silent: everything off, report it, back to pre-operational."""
        for heater in self.board.heaters:
            if heater.output > 0.0 or heater.setpoint_dc:
                heater.host_lost = True
        if self.state == OPERATIONAL:
            self._leave(PRE_OPERATIONAL, self.habits.silence_stops_motors)
        else:
            self.all_off(self.habits.silence_stops_motors)
        self.emergency(EMERGENCY_HOST_LOST, COMMUNICATION_BIT)

    # --- the bus's own troubles -----------------------------------------------------------------------

    def end_sending(self) -> None:
        """End what it sends by the burst."""
        self.burst.stop()

    def is_back_on_the_bus(self) -> None:
        """Say so, a while later."""
        self.queue.after(BUS_OFF_PAUSE_NS, self._report_bus_off)

    def _report_bus_off(self) -> None:
        if self.board.firmware is self and self.board.controller.state != "off":
            self.emergency(EMERGENCY_BUS_OFF, COMMUNICATION_BIT)

    # --- measuring and watching -----------------------------------------------------------------------

    def _measure(self) -> None:
        """The task that runs ten times a second: read, watch, control."""
        board = self.board
        board.begin_changes()
        for number, sensor in enumerate(board.sensors, 1):
            sensor.sample()
            self._watch_sensor(number, sensor.failed)
        for heater in board.heaters:
            _, too_hot = heater.watch()
            if too_hot:
                self.emergency(EMERGENCY_TOO_HOT, TEMPERATURE_BIT, heater.number)
            heater.control()
        for number, axis in enumerate(board.axes, 1):
            if axis.state == "fault" and number not in self._driver_bad:
                self._driver_bad.add(number)
                self.emergency(EMERGENCY_DRIVER, PROFILE_BIT, number)
            elif axis.state != "fault":
                self._driver_bad.discard(number)
        self._watch_supply()
        if self.habits.fans_follow_heat:
            board.follow_heat()
        board.end_changes()

    def _watch_sensor(self, number: int, failed: bool) -> None:
        if failed and number not in self._sensors_bad:
            self._sensors_bad.add(number)
            self.emergency(EMERGENCY_SENSOR, TEMPERATURE_BIT, number)
        elif not failed and number in self._sensors_bad:
            self._sensors_bad.discard(number)
            if not self._sensors_bad:
                self.healed(TEMPERATURE_BIT)

    def _watch_supply(self) -> None:
        too_high = self.board.rail_v > OVER_VOLTAGE_SHARE * self.board.nominal_v
        if too_high and not self._over_voltage:
            self.emergency(EMERGENCY_OVER_VOLTAGE, VOLTAGE_BIT)
            self.all_off()
        elif self._over_voltage and not too_high:
            self.healed(VOLTAGE_BIT)
        self._over_voltage = too_high

    def may_energise(self) -> bool:
        """True if outputs may follow commands now."""
        if self._over_voltage:
            return False
        return self.state == OPERATIONAL or not self.habits.outputs_need_operational
