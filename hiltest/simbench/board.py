"""One simulated board: power, reset and boot, settings memory, inputs and outputs, and what is plugged in.

The firmware acts on the board; the board acts on the loads; the supply feeds it through its wires. Faults
change the board or a load, never the firmware's opinion of them.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from hiltest.description.models import Heater, Load, Node, Sensor
from hiltest.simbench.boardprogram import (
    CAUSE_BROWN_OUT,
    CAUSE_POWER,
    CAUSE_UNKNOWN,
    Habits,
)
from hiltest.simbench.controller import Controller
from hiltest.simbench.drive import Axis
from hiltest.simbench.events import Event
from hiltest.simbench.heater_control import Conversion, HeaterChannel, SensorReading, Tuning
from hiltest.simbench.loads.fan import FanChannel, FanMotor
from hiltest.simbench.loads.heater import Bead, Block, Element, HeaterSwitch
from hiltest.simbench.loads.lamp import Lamp
from hiltest.simbench.loads.sensor import BoardSpot, MotorSpot, SensorElement, SensorInput, Spot, real_curve
from hiltest.simbench.loads.stepper import DriverChip, Encoder, Mechanism, Motor
from hiltest.simbench.loads.switch import Contact, SwitchInput
from hiltest.simbench.objects import Dictionary, Entry
from hiltest.simbench.programs import Program, program_for
from hiltest.simbench.supply import Draw, Harness
from hiltest.simbench.tolerance import Draws

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench

Life = Literal["off", "loader", "starting", "running"]

IDLE_A = 0.05
BROWN_OUT_SHARE, POWER_GOOD_SHARE = 0.35, 0.45
POWER_GOOD_NS = 5_000_000
KICK_NS = 500_000_000
SETTLE_AGAIN_NS = (300_000_000, 1_000_000_000, 3_000_000_000)


@dataclass(slots=True)
class Memory:
    """What survives a power cycle: node id, bit rate, and (in an unsound firmware) setpoints."""

    node_id: int
    bit_rate_bps: int | None = None
    works: bool = True
    setpoints_dc: dict[int, int] = field(default_factory=dict)

    def store(self, node_id: int, bit_rate_bps: int | None) -> bool:
        """Keep what LSS configured. False if the memory is worn out."""
        if not self.works:
            return False
        self.node_id = node_id
        if bit_rate_bps is not None:
            self.bit_rate_bps = bit_rate_bps
        return True


@dataclass(slots=True)
class Change:
    """An output that went on or off: for scoring tests against what really happened."""

    t_ns: int
    output: str
    on: bool


class Board:
    """A board of the bench. `name` is unique on the bench; `node` describes what it was built as."""

    def __init__(self, bench: Bench, node: Node, name: str, controller: Controller) -> None:
        self.bench, self.node, self.name = bench, node, name
        self.queue = bench.queue
        self.controller = controller
        self.nominal_v = bench.description.supply.voltage_v
        draws = self._draws("board")
        description = bench.description.harness
        self.harness = Harness(
            self._draws("harness"),
            awg=description.power_awg,
            length_m=description.length_m,
            contact_ohm=description.contact_ohm,
        )
        self.habits = Habits()
        self.settings = Memory(node.node_id or 0xFF)
        self.serial_number = self._stream("serial").randrange(1, 1 << 24)
        self.identity_override: dict[int, int] = {}
        self.boot_s = max(0.2, draws.normal(0.4, 0.05))
        self.loader_s = 0.1
        self.stays_in_loader = False
        self.bulk_missing = False
        self.logic_fed_elsewhere = False
        self.input_ohm = self._draws("input").uniform(12e3, 40e3)
        self.short_ohm = math.inf
        self.ground_apart_v = 0.0
        self.supply_gain = draws.factor(0.007)
        self.rail_v = 0.0
        self.low_rail_v = 0.0
        self.life: Life = "off"
        self.firmware: Program | None = None
        self.lamp_bits = 0
        self.changes: list[Change] = []
        self.on_powered: list[Callable[[], None]] = []
        self.on_running: list[Callable[[], None]] = []
        self.on_log: list[Callable[[str], None]] = []
        self.on_down: list[Callable[[], None]] = []
        self.boots = 0
        self._cause = CAUSE_UNKNOWN
        self._boot_event: Event | None = None
        self._rng = self._stream("board-noise")
        self._tach_rng = self._stream("tach")
        self._deferred = 0
        self._dirty = False
        self._last_amps = 0.0
        self._outputs: dict[str, bool] = {}
        self._entries: dict[int, tuple[Entry, ...]] = {}
        if node.protocol not in ("signals", "frames", "console"):
            self.entries(self.settings.node_id)  # an EDS file that can't be read shows now, not at boot
        self._build_loads()
        controller.on_frame(self._frame)
        controller.on_error(self._bus_error)
        controller.on_state(self._bus_state)
        controller.set_power(False)

    def rng(self, name: str) -> random.Random:
        """A random stream of this board."""
        return self._stream(name)

    def _stream(self, name: str) -> random.Random:
        return self.bench.rng(f"{self.name}/{name}")

    def _draws(self, name: str) -> Draws:
        return Draws(self._stream(f"draws/{name}"), self.bench.tolerances)

    def _mine(self, loads: list[Load]) -> list[Load]:
        return [load for load in loads if load.node == self.node.name]

    # --- building -----------------------------------------------------------------------------------

    def _build_loads(self) -> None:
        description = self.bench.description
        ambient_c = description.simulation.ambient_c
        self.spot = BoardSpot(self.queue, self._draws("spot"), ambient_c)
        self.blocks: dict[str, Block] = {}
        self.switches: list[HeaterSwitch] = []
        heaters = [h for h in description.heater if h.node == self.node.name]
        for heater in heaters:
            self._build_heater(heater, ambient_c)
        self.motor_spots = {
            stepper.name: MotorSpot(
                self.queue,
                self._draws(f"motor/{stepper.name}"),
                ambient_c,
                2.0 * stepper.rated_current_a**2 * stepper.phase_ohm,
            )
            for stepper in description.stepper
            if stepper.node == self.node.name and stepper.motor_sensor is not None
        }
        self.sensor_inputs: list[SensorInput] = []
        self.sensors: list[SensorReading] = []
        self._sensor_names: list[str] = []
        for sensor in (s for s in description.sensor if s.node == self.node.name):
            self._build_sensor(sensor, heaters)
        self.heaters = [self._heater_channel(number, heater) for number, heater in enumerate(heaters)]
        self._build_fans()
        self._build_switches()
        self._build_axes()
        self.lamps = [
            Lamp(lamp.name, lamp.colours) for lamp in description.lamp if lamp.node == self.node.name
        ]
        self._outputs = dict.fromkeys(self._outputs_now(), False)

    def _build_heater(self, heater: Heater, ambient_c: float) -> None:
        draws = self._draws(f"heater/{heater.name}")
        block = Block(
            self.queue,
            draws,
            heat_capacity_j_k=heater.heat_capacity_j_k,
            loss_w_k=heater.loss_w_k,
            ambient_c=ambient_c,
        )
        self.blocks[heater.name] = block
        self.switches.append(
            HeaterSwitch(
                Element(heater.name, draws, power_w=heater.power_w, voltage_v=self.nominal_v, block=block)
            )
        )

    def _build_sensor(self, sensor: Sensor, heaters: list[Heater]) -> None:
        draws = self._draws(f"sensor/{sensor.name}")
        heated = next((h.name for h in heaters if h.sensor == sensor.name), None)
        spot: Spot = self.spot
        on_motor = (s.name for s in self.bench.description.stepper if s.motor_sensor == sensor.name)
        spot = self.motor_spots.get(next(on_motor, ""), spot)
        if heated is not None:
            spot = Bead(self.blocks[heated], max(1.5, draws.normal(3.0, 0.5)))
        kind = "platinum" if sensor.kind == "platinum" else "ntc"
        curve = real_curve(kind, draws, r25_ohm=sensor.r25_ohm, beta_k=sensor.beta_k, r0_ohm=sensor.r0_ohm)
        pull_up_ohm = sensor.pull_up_ohm or (1_000.0 if kind == "platinum" else 4_700.0)
        channel = SensorInput(
            SensorElement(sensor.name, curve, spot),
            self._stream(f"noise/{sensor.name}"),
            draws,
            pull_up_ohm,
            sensor.adc_bits,
        )
        channel.disturbance = self._switching_share
        channel.vibration = self._vibration
        nominal = (sensor.r0_ohm or 1_000.0) if kind == "platinum" else (sensor.r25_ohm or 10_000.0)
        assumed = Conversion(kind, nominal, sensor.beta_k or 3435.0, pull_up_ohm, (1 << sensor.adc_bits) - 1)
        self.sensor_inputs.append(channel)
        self._sensor_names.append(sensor.name)
        self.sensors.append(SensorReading(assumed, channel.code))

    def _heater_channel(self, number: int, heater: Heater) -> HeaterChannel:
        names = self._sensor_names
        reading = self.sensors[names.index(heater.sensor)] if heater.sensor in names else None

        def apply(duty: float) -> None:
            if self.switches[number].duty != duty:
                self.switches[number].duty = duty
                self.loads_changed()

        tuning = Tuning.for_block(heater.power_w, heater.heat_capacity_j_k, heater.loss_w_k)
        return HeaterChannel(number + 1, reading, tuning, heater.ceiling_c, apply)

    def _build_fans(self) -> None:
        self.fans: list[FanChannel] = []
        self._fan_names: list[str] = []
        self._fan_cools: list[str | None] = []
        self._follows: list[tuple[int, int, float]] = []
        self._following: set[int] = set()
        for fan in (f for f in self.bench.description.fan if f.node == self.node.name):
            motor = FanMotor(
                fan.name,
                self.queue,
                self._draws(f"fan/{fan.name}"),
                wires=fan.wires,
                full_speed_rpm=fan.full_speed_rpm,
                pulses_per_rev=fan.pulses_per_rev,
                voltage_v=fan.voltage_v or self.nominal_v,
                current_a=fan.current_a,
            )
            self.fans.append(FanChannel(motor))
            self._fan_names.append(fan.name)
            self._fan_cools.append(fan.cools)
            if fan.cools in self.blocks and fan.follows_above_c is not None:
                heater = list(self.blocks).index(fan.cools)
                self._follows.append((len(self.fans) - 1, heater, fan.follows_above_c))
        self._fan_commands = [0.0] * len(self.fans)
        self.fan_supply = [
            (fan.voltage_v or self.nominal_v) / self.nominal_v
            for fan in self.bench.description.fan
            if fan.node == self.node.name
        ]

    def _build_switches(self) -> None:
        self.inputs: list[SwitchInput] = []
        self.contacts: dict[str, Contact] = {}
        for switch in (s for s in self.bench.description.switch if s.node == self.node.name):
            open_type = switch.contact == "normally_open"
            rng = self._stream(f"switch/{switch.name}")
            draws = self._draws(f"switch/{switch.name}")
            contact = Contact(switch.name, self.queue, rng, draws, normally_open=open_type)
            self.contacts[switch.name] = contact
            self.inputs.append(
                SwitchInput(contact, rng, set_for_normally_open=open_type, active_high=switch.active_high)
            )

    def _build_axes(self) -> None:
        self.axes: list[Axis] = []
        self.chips: list[DriverChip] = []
        self.encoders: list[Encoder | None] = []
        for stepper in (s for s in self.bench.description.stepper if s.node == self.node.name):
            draws = self._draws(f"stepper/{stepper.name}")
            mechanism = Mechanism(
                draws,
                steps_per_rev=stepper.steps_per_rev,
                release_rev=stepper.home_release_rev,
                travel_rev=stepper.long_move_rev * 1.5 + 1.0,
                home=self.contacts.get(stepper.home_switch or ""),
                end=self.contacts.get(stepper.end_switch or ""),
            )
            motor = Motor(
                stepper.name,
                self._stream(f"stepper/{stepper.name}"),
                draws,
                mechanism,
                rated_a=stepper.rated_current_a,
                ohm=stepper.phase_ohm,
            )
            # A motor is chosen with reserve at the current that it shall run at.
            mechanism.load *= stepper.run_current_a / stepper.rated_current_a / 0.7
            chip = DriverChip(self.queue, motor)
            speed = round(stepper.speed_rev_s * stepper.steps_per_rev * stepper.microsteps)
            self.chips.append(chip)
            self.axes.append(Axis(self, chip, stepper.steps_per_rev, speed=speed))
            counts = stepper.encoder_counts_per_rev
            self.encoders.append(None if counts is None else Encoder(motor, counts))

    def entries(self, node_id: int) -> tuple[Entry, ...]:
        """The objects of this board's EDS under a node id."""
        if node_id not in self._entries:
            self._entries[node_id] = self.bench.read_eds(self.node, node_id)
        return self._entries[node_id]

    def identity(self, dictionary: Dictionary) -> tuple[int, int, int, int]:
        """Vendor, product, revision, serial."""
        parts = [self.identity_override.get(sub, dictionary.number(0x1018, sub)) for sub in (1, 2, 3)]
        return parts[0], parts[1], parts[2], self.serial_number

    # --- power and reset ----------------------------------------------------------------------------

    @property
    def logic_on(self) -> bool:
        """True while the processor has its voltage."""
        return self.life != "off"

    def rail_siemens(self) -> float:
        """What an ohmmeter finds from plus to minus at the plug, with the power off."""
        if not self.harness.plugged:
            return 0.0
        shorted = sum(switch.siemens() for switch in self.switches if switch.stuck_duty >= 1.0)
        return 1.0 / self.input_ohm + 1.0 / self.short_ohm + shorted

    def draw(self) -> Draw:
        """What the board takes from its wires now."""
        on = mean = 1.0 / self.short_ohm
        powered, booting = self.logic_on, self.life != "running"
        for switch in self.switches:
            share = switch.conducting(powered, booting)
            if share > 0.0:
                siemens = switch.siemens()
                on += siemens
                mean += share * siemens
        amps = IDLE_A if powered else 0.0
        amps += sum(fan.motor.current_now_a() for fan in self.fans if fan.motor is not None)
        rail = max(self.rail_v, 0.3 * self.nominal_v)
        amps += sum(chip.watts() for chip in self.chips) / rail
        amps += sum(lamp.current_now_a() for lamp in self.lamps)
        return Draw(on, mean, amps)

    def feed(self, low_v: float, mean_v: float) -> None:
        """The supply settled: `low_v` while every heater conducts, `mean_v` over a PWM period."""
        self.rail_v, self.low_rail_v = mean_v, low_v
        self._follow_power(low_v, mean_v)
        self._apply_rail(low_v, mean_v)
        self._note_outputs()

    def _follow_power(self, low_v: float, mean_v: float) -> None:
        if self.logic_fed_elsewhere:
            low_v = mean_v = self.nominal_v
        if self.life == "off":
            if low_v > POWER_GOOD_SHARE * self.nominal_v and self._boot_event is None:
                self._boot_event = self.queue.after(POWER_GOOD_NS, self._power_good)
            return
        if low_v < BROWN_OUT_SHARE * self.nominal_v or (self.bulk_missing and self._inrush()):
            self._power_down(CAUSE_POWER if mean_v < 1.0 else CAUSE_BROWN_OUT)

    def _inrush(self) -> bool:
        """Without its bulk capacitor the rail breaks down for a moment at each step of current."""
        draw = self.draw()
        amps = draw.on_siemens * self.low_rail_v + draw.amps
        step, self._last_amps = amps - self._last_amps, amps
        return step > 0.5

    def _power_good(self) -> None:
        self._boot_event = None
        if self.logic_fed_elsewhere or self.low_rail_v > POWER_GOOD_SHARE * self.nominal_v:
            cause = self._cause if self._cause != CAUSE_UNKNOWN else CAUSE_POWER
            self._start_up(cause)
            for call in self.on_powered:
                call()

    def _power_down(self, cause: int) -> None:
        self._cause = cause
        self._stop_firmware()
        self.life = "off"
        self._last_amps = 0.0
        self.controller.set_power(False)
        self.loads_changed()

    def _stop_firmware(self, powered: bool = False) -> None:
        if self._boot_event is not None:
            self._boot_event.cancel()
            self._boot_event = None
        firmware, self.firmware = self.firmware, None
        if firmware is not None:
            firmware.shut_down()
        for call in self.on_down:
            call()
        self._release_outputs(powered)

    def _release_outputs(self, powered: bool) -> None:
        """The processor is in reset: its pins let go of everything."""
        self.begin_changes()
        for heater in self.heaters:
            heater.forget()
        for fan in self.fans:
            fan.duty = 0.0
        self._fan_commands = [0.0] * len(self.fans)
        self.lamp_bits = 0
        for axis in self.axes:
            axis.reset(powered)
        self._dirty = True
        self._apply_lamps()
        self.end_changes()

    def reset(self, cause: int) -> None:
        """Restart the processor; the rail stays."""
        self._stop_firmware(powered=True)
        self.controller.set_power(False)
        self._start_up(cause)

    def _start_up(self, cause: int) -> None:
        self._cause = CAUSE_UNKNOWN
        self.life = "loader"
        self.boots += 1
        if self.stays_in_loader:
            # A loader that waits for a download listens on the bus, and so acknowledges.
            self.controller.set_power(True)
        else:
            self._boot_event = self.queue.after(round(self.boot_s * 1e9), self._run, cause)
        self.loads_changed()

    def _run(self, cause: int) -> None:
        self._boot_event = None
        if self.settings.bit_rate_bps is not None:
            self._change_bit_rate(self.settings.bit_rate_bps)
        self.controller.set_power(True)
        self.life = "running"
        self.firmware = program_for(self)
        self.firmware.boot(cause)
        for call in self.on_running:
            call()
        self.loads_changed()

    def _change_bit_rate(self, bit_rate_bps: int) -> None:
        self.bench.set_board_bit_rate(self, bit_rate_bps)

    def log(self, text: str) -> None:
        """A line on the console."""
        for call in self.on_log:
            call(text)

    # --- the bus --------------------------------------------------------------------------------------

    def _frame(self, frame: object) -> None:
        firmware = self.firmware
        if firmware is not None:
            firmware.receive(frame)  # type: ignore[arg-type]

    def _bus_error(self, _: object) -> None:
        if self.firmware is not None:
            self.firmware.bus_error()

    def _bus_state(self, state: str) -> None:
        if self.firmware is not None:
            self.firmware.bus_state(state)  # type: ignore[arg-type]

    # --- outputs ----------------------------------------------------------------------------------------

    def begin_changes(self) -> None:
        """Gather changes of loads, so that the supply is solved once for all of them."""
        self._deferred += 1

    def end_changes(self) -> None:
        """Solve the supply if something changed since `begin_changes`."""
        self._deferred -= 1
        if self._deferred == 0 and self._dirty:
            self._dirty = False
            self.bench.supply.settle()

    def loads_changed(self) -> None:
        """A load takes another current from now on."""
        self._dirty = True
        if self._deferred == 0:
            self._dirty = False
            self.bench.supply.settle()

    def motor_changed(self) -> None:
        """For the axes: coils were switched on or off."""
        self.loads_changed()

    def rail_present(self) -> bool:
        """For the axes: the power stage has its voltage."""
        return self.rail_v > 0.3 * self.nominal_v

    def all_off(self, motors: bool = True) -> None:
        """Every output off and every setpoint 0; without `motors` they go on with what they are at."""
        self.begin_changes()
        for heater in self.heaters:
            heater.off()
        for number in range(len(self.fans)):
            self.command_fan(number, 0.0)
        if motors:
            for axis in self.axes:
                axis.off()
        self.set_lamps(0)
        self.end_changes()

    def all_is_off(self) -> bool:
        """True if the firmware holds every output off."""
        return not (
            any(heater.output > 0.0 for heater in self.heaters)
            or any(self._fan_commands)
            or any(axis.chip.enabled for axis in self.axes)
            or self.lamp_bits
        )

    def resume_setpoints(self) -> None:
        """What an unsound firmware does after a reset: go on where it was."""
        for number, setpoint_dc in self.settings.setpoints_dc.items():
            self.heaters[number].set_setpoint(setpoint_dc)

    def remember_setpoints(self) -> None:
        """Keep the present setpoints in the settings memory (unsound firmware only)."""
        kept = {number: h.setpoint_dc for number, h in enumerate(self.heaters) if h.setpoint_dc > 0}
        if kept:
            self.settings.setpoints_dc = kept

    def fan_command(self, number: int) -> float:
        """Duty that was commanded, 0 for a fan that isn't there."""
        return self._fan_commands[number] if number < len(self.fans) else 0.0

    def command_fan(self, number: int, duty: float) -> None:
        """Set a fan's duty; from rest it gets a short kick at full duty, as small fans need."""
        if number >= len(self.fans):
            return
        before, self._fan_commands[number] = self._fan_commands[number], duty
        channel = self.fans[number]
        if before == 0.0 and 0.0 < duty < 1.0:
            channel.duty = 1.0
            self.queue.after(KICK_NS, self._end_kick, number)
        elif duty != before:
            channel.duty = duty
        if duty != before:
            self.loads_changed()
            for delay_ns in SETTLE_AGAIN_NS:
                self.queue.after(delay_ns, self.bench.supply.settle)

    def follow_heat(self) -> None:
        """Run the fans that must follow their heater, in whatever state the node is; stop them 2 K lower."""
        for fan, heater, above_c in self._follows:
            sensor = self.heaters[heater].sensor
            celsius = sensor.celsius if sensor is not None else None
            if celsius is None:
                continue
            if celsius > above_c:
                self._following.add(fan)
                self.command_fan(fan, 1.0)
            elif fan in self._following and celsius < above_c - 2.0:
                self._following.discard(fan)
                self.command_fan(fan, 0.0)

    def _end_kick(self, number: int) -> None:
        channel, duty = self.fans[number], self._fan_commands[number]
        if channel.duty != duty:
            channel.duty = duty
            self.loads_changed()

    def set_lamps(self, bits: int) -> None:
        """Set all lamp bits; the lamps take theirs in order."""
        if bits != self.lamp_bits:
            self.lamp_bits = bits
            self._apply_lamps()
            self.loads_changed()

    def _apply_lamps(self) -> None:
        bits = self.lamp_bits
        for lamp in self.lamps:
            lamp.bits = bits & (1 << len(lamp.colours)) - 1
            bits >>= len(lamp.colours)

    def _apply_rail(self, low_v: float, mean_v: float) -> None:
        powered, booting = self.logic_on, self.life != "running"
        loss_w = IDLE_A * mean_v if powered else 0.0
        for switch in self.switches:
            if switch.element is not None:
                share = switch.conducting(powered, booting)
                switch.element.block.set_watts(share * low_v * low_v * switch.siemens())
        for channel, supply_share, cools in zip(self.fans, self.fan_supply, self._fan_cools, strict=True):
            motor = channel.motor
            if motor is not None:
                motor.drive(mean_v * supply_share, channel.applied(powered))
                if cools is not None and cools in self.blocks:
                    self.blocks[cools].set_airflow(motor.airflow())
        for chip in self.chips:
            was, chip.rail_share = chip.rail_share, mean_v / self.nominal_v
            if was <= 0.2 < chip.rail_share:
                chip.power_up()
            loss_w += chip.loss_w()
            chip.heat_k.aim(chip.loss_w() * chip.k_per_w)
            if chip.motor is not None and chip.motor.name in self.motor_spots:
                self.motor_spots[chip.motor.name].set_watts(chip.copper_w())
        self.spot.set_watts(loss_w)

    # --- inputs -----------------------------------------------------------------------------------------

    def measure_supply_mv(self) -> int:
        """The rail as the node measures it: gain error, ripple, and counts of 10 mV."""
        noise_v = self._rng.gauss(0.0, 0.25 * self.bench.supply.ripple_v)
        return max(0, round((self.rail_v * self.supply_gain + noise_v) * 100.0) * 10)

    def tach_hz(self, number: int) -> float:
        """Tach of one fan as the firmware measures it, over the pulses that come in a while; below 2 Hz it says 0."""
        motor = self.fans[number].motor if number < len(self.fans) else None
        true_hz = motor.tach_hz() if motor is not None else 0.0
        if true_hz < 2.0:
            return 0.0
        error = 0.0 if motor is None else motor.timing_error()
        if error > 0.0:
            true_hz /= 1.0 + math.copysign(error, self._tach_rng.random() - 0.5)
        return true_hz * (1.0 + self._rng.gauss(0.0, 0.002))

    def input_bits(self) -> int:
        """Raw switch inputs, bit k for the k-th switch."""
        running = self._vibration() > 0.0
        bits = 0
        for number, channel in enumerate(self.inputs):
            bits |= channel.bit(running) << number
        return bits

    def encoder_counts(self, axis: Axis) -> int:
        """What the counter of an axis's encoder shows, 0 without one."""
        encoder = self.encoders[self.axes.index(axis)]
        return 0 if encoder is None else encoder.counts()

    def _switching_share(self) -> float:
        """How much heater current is being switched, 0..1. Asked with every reading of every sensor."""
        powered, booting = self.logic_on, self.life != "running"
        largest = 0.0
        for switch in self.switches:
            if switch.duty or switch.stuck_duty or switch.inverted or (booting and switch.boot_duty):
                share = switch.conducting(powered, booting)
                if share > largest and switch.siemens() > 0.0:
                    largest = share
        return largest

    def _vibration(self) -> float:
        return 1.0 if any(axis.moving for axis in self.axes) else 0.0

    # --- hidden truth -----------------------------------------------------------------------------------

    def _outputs_now(self) -> dict[str, bool]:
        powered, booting = self.logic_on, self.life != "running"
        now: dict[str, bool] = {}
        for switch in self.switches:
            if switch.element is not None:
                live = switch.conducting(powered, booting) > 0.0 and self.low_rail_v > 1.0
                now[f"heater:{switch.element.name}"] = live and switch.siemens() > 0.0
        for channel in self.fans:
            if channel.motor is not None:
                on = channel.applied(powered) > 0.0 and self.rail_v > 1.0
                now[f"fan:{channel.motor.name}"] = on
        for chip in self.chips:
            if chip.motor is not None:
                now[f"motor:{chip.motor.name}"] = chip.energised()
        for lamp in self.lamps:
            now[f"lamp:{lamp.name}"] = bool(lamp.bits) and self.rail_v > 1.0
        return now

    def outputs_on(self) -> frozenset[str]:
        """Outputs in which current flows at this moment, whatever the firmware thinks."""
        return frozenset(name for name, on in self._outputs_now().items() if on)

    def _note_outputs(self) -> None:
        for name, on in self._outputs_now().items():
            if on != self._outputs.get(name, False):
                self._outputs[name] = on
                self.changes.append(Change(self.queue.now_ns, name, on))
        if self.habits.resumes_setpoints or self.habits.resumes_after_power:
            self.remember_setpoints()
