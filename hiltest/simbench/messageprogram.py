"""What the programs of boards have in common that speak in messages: cyclic reports, cyclic commands, a watch on the host.

Who speaks by cyclic messages is commanded by them, and a valid one is the host's sign of life: without one everything
goes off, and stays off until a command has come in which every output rests. `Habits` are decisions that a test of
safety must find out; a healthy firmware has the defaults. The bytes are packed and read by the program of each board.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from hiltest.canbus.frame import Frame
from hiltest.simbench.boardprogram import CAUSE_COMMAND, OVER_VOLTAGE_SHARE, BoardProgram, Habits
from hiltest.simbench.burst import CountedBurst
from hiltest.simbench.drive import NEW_SETPOINT, RELATIVE, Axis
from hiltest.simbench.events import Repeating
from hiltest.simbench.heater_control import PERIOD_S, HeaterChannel

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

HOST_TIMEOUT_NS = 500_000_000
RESET_DELAY_NS = 5_000_000
STANDARD_ID_MAX = 0x7FF

Cycle = tuple[int, Callable[[], None]]
"""A period in nanoseconds, and what is sent that often."""


class MessageProgram(BoardProgram):
    """The program of one board that speaks in messages. It lives from power-up to power-down."""

    MESSAGES: ClassVar[dict[str, tuple[int, int]]]
    """Identifier and length of each message: a node that is described with these speaks what this firmware speaks."""
    LOADS: ClassVar[dict[str, int]]
    """How many loads of each kind hang on the board."""
    BURST_ID: ClassVar[int]

    def __init__(self, board: Board, habits: Habits) -> None:
        super().__init__(board, habits)
        self._tasks: list[Repeating] = []
        self._clocked: list[Repeating] = []
        self._armed = False
        self._host_heard_ns: int | None = None
        self._host_lost = False
        self._pulse_duty = 0
        self._setpoint_dc = 0
        self._counts: dict[int, int] = {}
        self._last: dict[int, bytes] = {}
        self._mailboxes: dict[int, bytes] = {}
        self._deaf = board.controller.on_sent(self._went_out)
        self._burst = CountedBurst(self.queue, board.controller, self.BURST_ID)
        self._over_voltage = False

    # --- what the program of each board says ----------------------------------------------------------

    def heartbeat(self) -> Cycle:
        """The message that is the board's sign of life."""
        raise NotImplementedError

    def reports(self) -> tuple[Cycle, ...]:
        """The other cyclic messages."""
        raise NotImplementedError

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller."""
        raise NotImplementedError

    # --- life ---------------------------------------------------------------------------------------

    def boot(self, cause: int) -> None:
        """The application starts: it measures and reports, every output off."""
        self.begin(cause, armed_axes=True)
        if self.habits.resumes(cause):
            self._armed = True
            self.board.resume_setpoints()
            self._setpoint_dc = self.board.heaters[0].setpoint_dc
        # Each task runs at a phase of its own on each board.
        control_ns = round(PERIOD_S * 1e9)
        self._tasks.append(self.queue.every(control_ns, self._control, self._rng.randrange(1, control_ns)))
        self._control()
        factor = (1.0 - self.board.controller.timing.drift_ppm * 1e-6) * self.habits.heartbeat_factor
        beat_ns, beat = self.heartbeat()
        for period_ns, send in ((round(beat_ns * factor), self._jittered(beat)), *self.reports()):
            self._clocked.append(self.queue.every(period_ns, send, self._rng.randrange(1, period_ns)))

    def _jittered(self, send: Callable[[], None]) -> Callable[[], None]:
        """The heartbeat waits for what else the program is at."""

        def send_now() -> None:
            if self.board.firmware is self:
                send()

        def send_soon() -> None:
            if self.habits.heartbeat_jitter_s:
                jitter_ns = round(self._rng.random() * self.habits.heartbeat_jitter_s * 1e9)
                self.queue.after(jitter_ns, send_now)
            else:
                send_now()

        return send_soon

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

    def all_off(self, motors: bool = True) -> None:
        """Every output off (unless this firmware has a habit of not obeying)."""
        self._setpoint_dc = 0
        if self.habits.obeys_all_off:
            self.board.all_off(motors)

    def _reset_soon(self) -> None:
        self.queue.after(RESET_DELAY_NS, self._reset)

    def _reset(self) -> None:
        if self.board.firmware is self:
            self.board.reset(CAUSE_COMMAND)

    def end_sending(self) -> None:
        """End what it sends by the burst."""
        self._burst.stop()

    def version_numbers(self, built: tuple[int, int, int]) -> tuple[int, int, int]:
        """The version that it reports: as built, unless another build was flashed."""
        if self.habits.version is None:
            return built
        major, minor, patch = (int(part) for part in self.habits.version.split("."))
        return major, minor, patch

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
                self.board.controller.send(_frame(waiting_id, waiting))
        else:
            self.board.controller.send(_frame(can_id, data))

    def _went_out(self, frame: Frame) -> None:
        self._mailboxes.pop(frame.can_id, None)

    def _next_count(self, can_id: int) -> int:
        """A counter of four bits in this message."""
        count = self._counts.get(can_id, 0)
        self._counts[can_id] = (count + 1) & 0x0F
        return count

    def _send_or_repeat(self, can_id: int, data: Callable[[], bytes]) -> None:
        """Send `data`; of a program that hangs an interrupt sends the buffer again that nobody has filled anew."""
        if not self.hung:
            self._send(can_id, data())
        elif can_id in self._last:
            self.board.controller.send(_frame(can_id, self._last[can_id]))

    # --- obeying --------------------------------------------------------------------------------------

    def _heard_host(self, is_rest: bool) -> bool:
        """A valid command came, with every output at rest or not; returns whether it may energise."""
        self._host_heard_ns = self.queue.now_ns
        if is_rest:
            self._armed = True
            self._host_lost = False
        may_energise = self._armed or not self.habits.outputs_need_operational
        return may_energise and not self._over_voltage

    def _note_traffic(self) -> None:
        """Any frame came."""
        if self.habits.any_traffic_feeds_watch and self._host_heard_ns is not None:
            self._host_heard_ns = self.queue.now_ns

    def _rest(self, motor: bool = False) -> None:
        """What a command with every output at rest does, and one that comes before the start: `motor` is what it says."""
        self._pulse_duty = 0
        heater = self.board.heaters[0]
        if self._setpoint_dc or heater.latched:
            self._setpoint_dc = 0
        heater.acknowledge()
        self.all_off()
        if motor and not self.habits.moves_need_start:
            self._command_motor(self.board.axes[0], True)

    def _command_heater(self, setpoint_dc: int, pulse_per_mille: int, pulse_ns: int) -> None:
        """Setpoint in tenths of a degree, or a pulse, which begins when its duty leaves 0 and ends by itself."""
        heater = self.board.heaters[0]
        before, self._pulse_duty = self._pulse_duty, pulse_per_mille
        if pulse_per_mille and not before:
            self._setpoint_dc = 0
            self._pulse(heater, pulse_per_mille, pulse_ns)
        elif setpoint_dc != self._setpoint_dc and not pulse_per_mille:
            self._setpoint_dc = setpoint_dc
            is_allowed = setpoint_dc >= 0 and (setpoint_dc <= heater.ceiling_dc or not heater.watches_ceiling)
            heater.set_setpoint(setpoint_dc if is_allowed and not heater.latched else 0)
        elif not pulse_per_mille and before and not setpoint_dc:
            heater.off()

    def _pulse(self, heater: HeaterChannel, per_mille: int, pulse_ns: int) -> None:
        if heater.latched or pulse_ns == 0:
            return
        heater.off()
        heater.pulsing = True
        heater.set_output(per_mille / 1000.0)
        number = heater.pulse_number = heater.pulse_number + 1

        def end() -> None:
            if heater.pulsing and heater.pulse_number == number and not self.hung:
                heater.off()

        self.queue.after(pulse_ns, end)

    def _command_motor(self, axis: Axis, on: bool) -> None:
        if not on:
            if axis.state != "switch-on disabled":
                axis.off()
        elif axis.state == "fault":
            axis.set_controlword(0x80)
        elif axis.state != "operation enabled":
            for word in (0x06, 0x07, 0x0F):
                axis.set_controlword(word)

    def _start_move(self, axis: Axis, distance: int, speed: int) -> None:
        """Go by `distance` microsteps at `speed` microsteps per second."""
        axis.speed_object, axis.acceleration_object = speed, 10 * speed
        axis.target_object = distance
        axis.set_controlword(0x0F | RELATIVE | NEW_SETPOINT)
        axis.set_controlword(0x0F | RELATIVE)

    def _set_driver(self, run_ma: int, hold_ma: int, microsteps: int) -> None:
        chip = self.board.axes[0].chip
        chip.write("run_ma", run_ma)
        chip.write("hold_ma", hold_ma)
        if microsteps.bit_count() == 1:
            chip.write("microsteps", microsteps)

    def _lower_ceiling(self, ceiling_dc: int) -> None:
        heater = self.board.heaters[0]
        if 0 < ceiling_dc <= heater.built_ceiling_dc:
            heater.ceiling_dc = ceiling_dc

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
            self._pulse_duty = 0
            self.all_off(self.habits.silence_stops_motors)


def _frame(can_id: int, data: bytes) -> Frame:
    return Frame(can_id, data, extended=can_id > STANDARD_ID_MAX)
