"""The firmware of a board whose loads are commanded by lines of text alone; on the bus it only tells that it lives.

Commands are words and numbers with one space between. Outputs follow only while the host says `alive`: without it
everything goes off in time, and stays off until it is commanded anew. `Habits` are decisions that a test of safety must
find out; a healthy firmware has the defaults.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.simbench.boardprogram import CAUSE_COMMAND, OVER_VOLTAGE_SHARE, BoardProgram, Habits
from hiltest.simbench.burst import CountedBurst
from hiltest.simbench.drive import NEW_SETPOINT, RELATIVE, Axis
from hiltest.simbench.events import Event, Repeating
from hiltest.simbench.heater_control import PERIOD_S, HeaterChannel
from hiltest.simbench.loads.stepper import VERSION

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

ALIVE_ID, BURST_ID = 0x2A5, 0x7E8
ALIVE_NS, LOG_NS = 100_000_000, 1_000_000_000
HOST_WATCH_SHARE = 0.6
"""It is made so that its outputs are off well before what the description allows, node.host_silence_max_s."""

RESET_DELAY_NS = 20_000_000
VENDOR, PRODUCT, REVISION = 0, 0x474C43, 0x10002
VERSION_TEXT = "1.4.0"
COMMANDS = frozenset(
    [
        "help",
        "version",
        "status",
        "can",
        "alive",
        "off",
        "reset",
        "hang",
        "burst",
        "temp",
        "heater",
        "set",
        "pulse",
        "ceiling",
        "fan",
        "tach",
        "axis",
        "driver",
        "current",
        "microsteps",
        "move",
        "inputs",
        "lamp",
    ]
)
"""First words of the lines that it knows: a description that sends these is one that this firmware speaks."""

LAMPS_MAX = 1
CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")
HEATER_STATES = ("off", "on", "sensor fault", "over ceiling", "host lost")


class CommandError(Exception):
    """A command that the firmware does not carry out; the text is what it says."""


class ConsoleFirmware(BoardProgram):
    """The program of one board. It lives from power-up to power-down."""

    def __init__(self, board: Board, habits: Habits) -> None:
        super().__init__(board, habits)
        self._host_timeout_ns = round(HOST_WATCH_SHARE * board.node.host_silence_max_s * 1e9)
        self._tasks: list[Repeating] = []
        self._beat: Repeating | None = None
        self._host_timer: Event | None = None
        self._host_heard_ns: int | None = None
        self._host_lost = False
        self._armed = False  # by `off`, after each start and after each silence of the host
        self._count = 0
        self._waits_to_be_sent = False
        self._deaf = board.controller.on_sent(self._went_out)
        self._over_voltage = False
        self._burst = CountedBurst(self.queue, board.controller, BURST_ID)
        self._commands: dict[str, Callable[[list[str]], str]] = {
            "help": self._help, "version": self._version, "status": self._status, "can": self._can,
            "alive": self._alive, "off": self._off, "reset": self._reset, "burst": self._send_burst,
            "temp": self._temp, "heater": self._heater, "set": self._set, "pulse": self._pulse,
            "ceiling": self._ceiling, "fan": self._fan, "tach": self._tach, "axis": self._axis,
            "driver": self._driver, "current": self._current, "microsteps": self._microsteps, "move": self._move,
            "inputs": self._inputs, "lamp": self._lamp, "hang": self._hang,
        }  # fmt: skip

    # --- life ---------------------------------------------------------------------------------------

    def boot(self, cause: int) -> None:
        """The application starts: it measures, tells on the bus that it lives, and holds every output off."""
        self.begin(cause, armed_axes=True)
        if self.habits.resumes(cause):
            self._host_heard_ns = self.queue.now_ns
            self._armed = True
            self.board.resume_setpoints()
        control_ns = round(PERIOD_S * 1e9)
        self._tasks.append(self.queue.every(control_ns, self._control, self._rng.randrange(1, control_ns)))
        self._control()
        self._tasks.append(self.queue.every(LOG_NS, self._log, self._rng.randrange(1, LOG_NS)))
        factor = (1.0 - self.board.controller.timing.drift_ppm * 1e-6) * self.habits.heartbeat_factor
        period_ns = max(1, round(ALIVE_NS * factor))
        self._beat = self.queue.every(period_ns, self._send_alive, self._rng.randrange(1, period_ns))

    def shut_down(self) -> None:
        """Power is gone or a reset begins: nothing of it acts any more."""
        for task in (*self._tasks, self._beat, self._host_timer):
            if task is not None:
                task.cancel()
        self._deaf()
        self._burst.stop()

    def hang(self) -> None:
        """The program stands still; a timer interrupt may go on sending the heartbeat."""
        for task in (*self._tasks, self._host_timer):
            if task is not None:
                task.cancel()
        if not self.habits.heartbeat_from_timer and self._beat is not None:
            self._beat.cancel()
        self._burst.stop()
        self.stand_still()

    def all_off(self, motors: bool = True) -> None:
        """Every output off (unless this firmware has a habit of not obeying)."""
        if self.habits.obeys_all_off:
            self.board.all_off(motors)

    # --- the bus ------------------------------------------------------------------------------------

    def receive(self, frame: Frame) -> None:
        """A frame came from the controller. Nothing on the bus means anything to this firmware."""
        if self.habits.any_traffic_feeds_watch and self._host_heard_ns is not None and not frame.remote:
            self._host_heard_ns = self.queue.now_ns

    def _send_alive(self) -> None:
        if self.habits.heartbeat_jitter_s:
            self.queue.after(
                round(self._rng.random() * self.habits.heartbeat_jitter_s * 1e9), self._send_alive_now
            )
        else:
            self._send_alive_now()

    def _send_alive_now(self) -> None:
        if self.board.firmware is not self or self._loses():
            return
        if self._waits_to_be_sent:
            self.board.controller.flush()  # what could not be sent is replaced by what is true now
        self._waits_to_be_sent = True
        supply_mv = min(0xFFFF, self.board.measure_supply_mv())
        flags = self._host_lost | (not self.board.all_is_off()) << 1
        data = struct.pack("<BBHI", self._count, flags, supply_mv, self.board.serial_number)
        self._count = self._count + 1 & 0xFF
        self.board.controller.send(Frame(ALIVE_ID, data))

    def _loses(self) -> bool:
        return bool(self.habits.loses_frames) and self._rng.random() < self.habits.loses_frames

    def _went_out(self, frame: Frame) -> None:
        if frame.can_id == ALIVE_ID:
            self._waits_to_be_sent = False

    def end_sending(self) -> None:
        """End what it sends by the burst."""
        self._burst.stop()

    # --- measuring and watching -----------------------------------------------------------------------

    def _control(self) -> None:
        """The task that runs ten times a second: read, watch, control."""
        board = self.board
        board.begin_changes()
        for sensor in board.sensors:
            sensor.sample()
        for heater in board.heaters:
            sensor_lost, too_hot = heater.watch()
            if sensor_lost or too_hot:
                board.log(f"heater {heater.number} off: {'sensor fault' if sensor_lost else 'over ceiling'}")
            heater.control()
        if self.habits.fans_follow_heat:
            board.follow_heat()
        too_high = board.rail_v > OVER_VOLTAGE_SHARE * board.nominal_v
        if too_high and not self._over_voltage:
            board.log("every output off: over-voltage")
            self.all_off()
        self._over_voltage = too_high
        board.end_changes()

    def _log(self) -> None:
        sensors = " ".join(
            f"{number}={self._celsius(number)}" for number in range(1, len(self.board.sensors) + 1)
        )
        self.board.log(f"supply {self.board.measure_supply_mv() / 1000:.2f} V temps {sensors}")

    def _celsius(self, number: int) -> str:
        sensor = self.board.sensors[number - 1]
        return "open" if sensor.celsius is None else f"{sensor.raw / 10:.1f}"

    def _look_at_host(self) -> None:
        """Looks when the host's sign of life would be overdue, and again when the next would be."""
        self._host_timer = None
        heard_ns = self._host_heard_ns
        if heard_ns is None:
            return
        due_ns = heard_ns + round(self._host_timeout_ns * self.habits.host_watch_factor)
        in_trouble = self._waits_to_be_sent or self.board.controller.state in ("passive", "off")
        rests = self.habits.watch_needs_working_bus and in_trouble
        if due_ns > self.queue.now_ns or rests:
            again_ns = max(due_ns, self.queue.now_ns + self._host_timeout_ns // 2)
            self._host_timer = self.queue.at(again_ns, self._look_at_host)
            return
        self._host_heard_ns = None
        if self.habits.watches_host:
            self._host_lost = True
            self._armed = False
            for heater in self.board.heaters:
                if heater.output > 0.0 or heater.setpoint_dc:
                    heater.host_lost = True
            self.all_off(self.habits.silence_stops_motors)
            self.board.log("every output off: the host is silent")

    # --- the console ----------------------------------------------------------------------------------

    def answer(self, line: str) -> str:
        """What the firmware says to one line; empty for nothing."""
        name, *words = line.split()
        command = self._commands.get(name)
        if command is None:
            return f"error unknown command {name!r}, try help"
        try:
            return command(words)
        except CommandError as error:
            return f"error {error}"
        except (ValueError, IndexError, OverflowError):
            return f"error {name}: a word is missing or is no number"

    def _energise(self) -> None:
        """Refuse what would energise where outputs may not follow."""
        if self._over_voltage:
            raise CommandError("over-voltage")
        if self._host_heard_ns is None and self.habits.outputs_need_operational:
            raise CommandError("the host is silent, say alive")
        if not self._armed and self.habits.outputs_need_operational:
            raise CommandError("nothing is released since the start or the host's silence, say off")

    def _help(self, _: list[str]) -> str:
        return " ".join(self._commands)

    def _version(self, _: list[str]) -> str:
        board = self.board
        product = board.identity_override.get(2, PRODUCT)
        firmware = self.habits.version or VERSION_TEXT
        return (
            f"GH-1C hardware B firmware {firmware} vendor 0x{VENDOR:X} product 0x{product:X} "
            f"revision 0x{REVISION:X} serial {board.serial_number}"
        )

    def banner(self) -> str:
        """What it prints when it starts."""
        return f"{self._version([])}\r\nstarted, cause {CAUSES[self.reset_cause]}"

    def _status(self, _: list[str]) -> str:
        host = "lost" if self._host_lost else "silent" if self._host_heard_ns is None else "alive"
        return (
            f"status host {host} cause {CAUSES[self.reset_cause]} "
            f"supply {self.board.measure_supply_mv() / 1000:.3f} V"
        )

    def _can(self, _: list[str]) -> str:
        controller = self.board.controller
        counters = controller.counters
        return f"can tx {counters.tx} rx {counters.rx} errors {self.errors_seen} {controller.state}"

    def _alive(self, _: list[str]) -> str:
        self._host_heard_ns = self.queue.now_ns
        self._host_lost = False
        if self._host_timer is None:
            self._host_timer = self.queue.after(self._host_timeout_ns, self._look_at_host)
        return "ok"

    def _off(self, _: list[str]) -> str:
        for heater in self.board.heaters:
            heater.acknowledge()
        self._armed = True
        self.all_off()
        return "ok off"

    def _reset(self, _: list[str]) -> str:
        self.queue.after(RESET_DELAY_NS, self._reset_now)
        return "ok resetting"

    def _reset_now(self) -> None:
        if self.board.firmware is self:
            self.board.reset(CAUSE_COMMAND)

    def _hang(self, words: list[str]) -> str:
        if words != ["now"]:
            raise CommandError("hang: say hang now")
        self.queue.after(RESET_DELAY_NS, self._hang_now)
        return "ok hanging"

    def _hang_now(self) -> None:
        if self.board.firmware is self:
            self.hang()

    def _send_burst(self, words: list[str]) -> str:
        if words:
            frames, interval_us = int(words[0]), int(words[1])
            self._burst.start(frames, interval_us)
            return f"burst of {frames}"
        return f"burst sent {self._burst.sent}"

    # --- sensors and heaters --------------------------------------------------------------------------

    def _temp(self, words: list[str]) -> str:
        number = _number_of(words, len(self.board.sensors))
        celsius = self._celsius(number)
        return f"temp {number} {celsius}" + ("" if celsius == "open" else " C")

    def _heater_of(self, words: list[str]) -> HeaterChannel:
        return self.board.heaters[_number_of(words, len(self.board.heaters)) - 1]

    def _heater(self, words: list[str]) -> str:
        heater = self._heater_of(words)
        state = 2 if heater.sensor_latched else 3 if heater.ceiling_latched else 4 if heater.host_lost else 0
        state = state or int(heater.setpoint_dc > 0 or heater.pulsing)
        return (
            f"heater {heater.number} output {heater.output:.3f} set {heater.setpoint_dc / 10:.1f} "
            f"ceiling {heater.ceiling_dc / 10:.1f} {HEATER_STATES[state]}"
        )

    def _set(self, words: list[str]) -> str:
        heater, setpoint_dc = self._heater_of(words), round(float(words[1]) * 10)
        if setpoint_dc:
            self._energise()
            if heater.watches_ceiling and not 0 < setpoint_dc <= heater.ceiling_dc:
                raise CommandError(f"heater {heater.number}: the ceiling is {heater.ceiling_dc / 10:.1f}")
            if heater.latched:
                raise CommandError(f"heater {heater.number} has tripped, say set {heater.number} 0")
        heater.set_setpoint(setpoint_dc)
        return f"heater {heater.number} set to {heater.setpoint_dc / 10:.1f}"

    def _pulse(self, words: list[str]) -> str:
        heater, duty, milliseconds = self._heater_of(words), float(words[1]), round(float(words[2]) * 1000)
        if not 0.0 <= duty <= 1.0 or not 0 <= milliseconds <= 60_000:
            raise CommandError("pulse: duty 0 to 1, seconds 0 to 60")
        heater.off()
        if duty and milliseconds:
            self._energise()
            if heater.latched:
                raise CommandError(f"heater {heater.number} has tripped, say set {heater.number} 0")
            self._start_pulse(heater, duty, milliseconds)
        return f"heater {heater.number} pulse at {duty:.3f} for {milliseconds / 1000:.3f} s"

    def _start_pulse(self, heater: HeaterChannel, duty: float, milliseconds: int) -> None:
        heater.host_lost = False
        heater.pulsing = True
        heater.set_output(duty)
        number = heater.pulse_number = heater.pulse_number + 1

        def end() -> None:
            if heater.pulsing and heater.pulse_number == number and not self.hung:
                heater.off()

        self.queue.after(milliseconds * 1_000_000, end)

    def _ceiling(self, words: list[str]) -> str:
        heater, ceiling_dc = self._heater_of(words), round(float(words[1]) * 10)
        if not 0 < ceiling_dc <= heater.built_ceiling_dc:
            raise CommandError(
                f"heater {heater.number}: the ceiling is at most {heater.built_ceiling_dc / 10:.1f}"
            )
        heater.ceiling_dc = ceiling_dc
        return f"heater {heater.number} ceiling at {ceiling_dc / 10:.1f}"

    # --- fans, inputs, lamps --------------------------------------------------------------------------

    def _fan(self, words: list[str]) -> str:
        number = _number_of(words, len(self.board.fans))
        duty = float(words[1])
        if not 0.0 <= duty <= 1.0:
            raise CommandError("fan: duty 0 to 1")
        if duty:
            self._energise()
        self.board.command_fan(number - 1, duty)
        return f"fan {number} at {duty:.3f}"

    def _tach(self, words: list[str]) -> str:
        number = _number_of(words, len(self.board.fans))
        return f"tach {number} {self.board.tach_hz(number - 1):.1f} Hz"

    def _inputs(self, _: list[str]) -> str:
        bits = self.board.input_bits()
        return "inputs " + " ".join(str(bits >> number & 1) for number in range(len(self.board.inputs)))

    def _lamp(self, words: list[str]) -> str:
        lamp = self.board.lamps[0]
        if words[0] == "off":
            self.board.set_lamps(0)
        elif words[0] in lamp.colours:
            self._energise()
            self.board.set_lamps(1 << list(lamp.colours).index(words[0]))
        else:
            raise CommandError(f"lamp: off, {', '.join(lamp.colours)}")
        return f"lamp is {words[0]}"

    # --- the axis ---------------------------------------------------------------------------------------

    def _axis_of(self, words: list[str]) -> tuple[int, Axis]:
        number = _number_of(words, len(self.board.axes))
        return number, self.board.axes[number - 1]

    def _axis(self, words: list[str]) -> str:
        number, axis = self._axis_of(words)
        if words[1:] == ["on"]:
            if self.habits.moves_need_start:
                self._energise()
            if axis.state == "fault":
                axis.set_controlword(0x80)
            for word in (0x06, 0x07, 0x0F):
                axis.set_controlword(word)
        elif words[1:] == ["off"]:
            axis.off()
        elif words[1:]:
            raise CommandError("axis: on, off, or nothing to ask")
        power = "on" if axis.state == "operation enabled" else "fault" if axis.state == "fault" else "off"
        return f"axis {number} {power} {'moving' if axis.moving else 'standing'} at {axis.position}"

    def _move(self, words: list[str]) -> str:
        number, axis = self._axis_of(words)
        distance, speed = int(words[1]), int(words[2])
        if axis.state != "operation enabled":
            raise CommandError(f"axis {number} is off")
        if axis.moving or not distance or not 0 < speed <= 100_000:
            raise CommandError(f"axis {number}: it moves, or the move is none")
        axis.speed_object, axis.acceleration_object, axis.target_object = speed, 10 * speed, distance
        axis.set_controlword(0x0F | RELATIVE | NEW_SETPOINT)
        axis.set_controlword(0x0F | RELATIVE)
        return f"axis {number} moves by {distance}"

    def _driver(self, words: list[str]) -> str:
        number, axis = self._axis_of(words)
        chip = axis.chip
        if not chip.answers:
            return (
                f"driver {number} run 0 hold 0 microsteps 0 flags 0x{chip.flags():02X} writes 0 version 0x00"
            )
        settings = chip.settings
        return (
            f"driver {number} run {settings.run_ma} hold {settings.hold_ma} microsteps {settings.microsteps} "
            f"flags 0x{chip.flags():02X} writes {chip.writes} version 0x{VERSION:02X}"
        )

    def _current(self, words: list[str]) -> str:
        number, axis = self._axis_of(words)
        axis.chip.write("run_ma", int(words[1]))
        return f"driver {number} run current {int(words[1])}"

    def _microsteps(self, words: list[str]) -> str:
        number, axis = self._axis_of(words)
        microsteps = int(words[1])
        if microsteps.bit_count() != 1 or not 0 < microsteps <= 256:
            raise CommandError("microsteps: 1, 2, 4 .. 256")
        axis.chip.write("microsteps", microsteps)
        return f"driver {number} microsteps {microsteps}"


def _number_of(words: list[str], count: int) -> int:
    """The channel that the first word names, 1..count."""
    number = int(words[0])
    if not 1 <= number <= count:
        raise CommandError(f"there is no number {number}, only 1 to {count}")
    return number
