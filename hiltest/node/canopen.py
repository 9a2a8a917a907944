"""The CANopen driver: the verbs of a node as SDO transfers, NMT commands and process data (CiA 301).

Objects are found through the description's roles and the node's EDS; steppers without roles are axes of CiA 402
(axis k at +0x800 * k, in file order). The host's heartbeat runs in the link and the node is told to watch it
(0x1016). There is no thread: every wait goes through the link.
"""

from __future__ import annotations

import difflib
import math
from collections import Counter, deque
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TypeVar

from hiltest.canbus.frame import Frame
from hiltest.canbus.opening import QueueFull
from hiltest.clock import NS_PER_S
from hiltest.description.models import (
    Bus,
    Description,
    Fan,
    Heater,
    Lamp,
    Load,
    Node,
    Role,
    Sensor,
    Stepper,
    Switch,
)
from hiltest.errors import (
    BenchLost,
    DescriptionError,
    NoAnswer,
    NodeFault,
    NotOffered,
    Problem,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node.drive import AXIS_OFFSET, DISABLE_VOLTAGE, Axis, AxisPlaces
from hiltest.node.hostlife import OPERATIONAL, host_life
from hiltest.node.objects import Dictionary, Place, load_dictionary
from hiltest.node.sdo import LinkedNetwork, LinkedNode, SdoChannel
from hiltest.node.search import search
from hiltest.node.telemetry import STATES, Emergency, ProcessData, decode_emergency, read_process_data
from hiltest.node.verbs import (
    BusCounters,
    Identity,
    NodeStatus,
    Presence,
    Reading,
    ReadingKind,
    StepperDriver,
)

NMT_START, NMT_PRE_OPERATIONAL, NMT_RESET = 0x01, 0x80, 0x81
HEARTBEATS_WAITED = 4
EMERGENCIES_KEPT = 1000

RESET_CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")
DRIVER_FLAGS = (
    "open_load_a",
    "open_load_b",
    "short",
    "over_temperature_warning",
    "over_temperature",
    "reset",
    "not_reachable",
)
"""Meaning of the bits of the role 'flags', from bit 0 on. A role 'flag_<name>' may place one elsewhere."""

_AXIS_ROLES = {
    "control": 0x6040,
    "status": 0x6041,
    "mode": 0x6060,
    "mode_shown": 0x6061,
    "target": 0x607A,
    "speed": 0x6081,
    "position": 0x6064,
    "acceleration": 0x6083,
}
_AXIS_OPTIONAL = ("mode_shown", "acceleration")

# What a role is called as a reading. Other roles are not reported unasked.
_READINGS: dict[tuple[str, str], ReadingKind] = {
    ("node", "supply_v"): "supply_v",
    ("sensor", "temperature_c"): "temperature_c",
    ("heater", "output"): "heater_output",
    ("fan", "duty"): "fan_duty",
    ("fan", "tach_hz"): "tach_hz",
    ("stepper", "position"): "position",
    ("switch", "state"): "switch",
}

L = TypeVar("L", bound=Load)


class CanopenDriver:
    """One CANopen node. Implements `hiltest.node.verbs.NodeDriver`.

    `folder` is where the description lies; its `eds` is relative to it.

    Raises:
        DescriptionError: the EDS or a role can't be used; every problem in one go.
        UsageError: there is no such node, or it has no node id.
    """

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        self._link = link
        self._node = _pick(description.node, node, "node")
        self.name = self._node.name
        if self._node.node_id is None:
            raise UsageError(f"node {self.name!r} is a CANopen node without node_id; give it 1..127")
        self._id = self._node.node_id
        self._bus: Bus = _pick(description.bus, self._node.bus or "", "bus")
        eds = None if self._node.eds is None else (folder or Path()) / self._node.eds
        self._dictionary = load_dictionary(eds, self._id, f"node[{self.name}].eds")
        self._loads: dict[tuple[str, str], Load] = {
            (_kind(load), load.name): load for load in description.loads if load.node == self.name
        }
        self._known_loads = {(_kind(load), load.name): load.node for load in description.loads}
        self._places = _Resolver(self._node, self._loads, self._dictionary).places()

        network = LinkedNetwork(link)
        self._remote = _remote_node(link, self._id, self._dictionary, f"node[{self.name}].eds")
        network.add_node(self._remote)
        self._network = network
        self._channel = SdoChannel(self.name, self._remote.sdo_channels[0], self._mark, self._seen_since)
        self._life = host_life(link, self._bus.host_id, self._bus.host_heartbeat_s)
        self._axes = {name: self._axis(name) for name in self._names("stepper") if self._has_axis(name)}

        self._listeners: list[Callable[[Reading], None]] = []
        self._process_data: dict[int, ProcessData] | None = None
        self._reported: dict[tuple[int, int], list[tuple[tuple[str, str, str], Place]]] = {}
        for key, place in self._places.items():
            self._reported.setdefault((place.index, place.sub), []).append((key, place))
        self._detach: Callable[[], None] | None = None
        self._frames: Counter[str] = Counter()
        self._state: int | None = None
        self._heartbeats_ns: list[int] | None = None
        self._boots = 0
        self._ready = False
        self._outputs: dict[tuple[int, int], int] = {}
        self._off_frames = self._frames_to_switch_off()
        self.emergencies: deque[Emergency] = deque(maxlen=EMERGENCIES_KEPT)
        self.start_problem: NodeFault | None = None
        self.host_watch_refused: Refused | None = None

    # --- attaching ----------------------------------------------------------------------------------

    @property
    def offers(self) -> frozenset[str]:
        verbs = {"identify", "restart", "watch_heartbeat", "go_silent", "resume", "search", "stop_all"}
        verbs |= {
            verb
            for verb, roles in _NODE_VERBS.items()
            if all(("node", self.name, role) in self._places for role in roles)
        }
        for kind, name in self._loads:
            verbs |= {
                f"{verb}[{name}]"
                for verb, roles in _LOAD_VERBS.get(kind, {}).items()
                if all((kind, name, role) in self._places for role in roles)
            }
            if kind == "lamp" and any(key[:2] == (kind, name) for key in self._places):
                verbs.add(f"set_lamp[{name}]")
        for name in self._axes:
            verbs |= {f"{verb}[{name}]" for verb in ("enable_driver", "move", "read_position")}
        return frozenset(verbs)

    @property
    def unanswered(self) -> int:
        """Requests that stayed without an answer so far."""
        return self._channel.unanswered

    def start(self) -> None:
        """Attach to the link, listen for the node, start the host's heartbeat, command every output off, then
        make the node ready.

        Ready means: it is the expected product, watches the host's heartbeat (0x1016) and is operational. A node
        that does not get there is no error here (the check that looks for it must run); `start_problem` says
        why, and the verbs that need a ready node try again. May be called again: it then only makes the node
        ready, if it is not.
        """
        if self._detach is None:
            self._detach = self._link.listen(self._on_frame)
            # Listen before speaking: a node that is still booting acknowledges nothing, and a frame that
            # nobody acknowledges is repeated without end.
            listen_s = self._node.boot_max_s + 2 * self._node.heartbeat_s
            self._link.wait_for(lambda: self._frames.total() > 0, listen_s)
            self._life.join()
            self.stop_all()
        try:
            self._make_ready()
        except NodeFault as error:
            self.start_problem = error

    def stop(self) -> None:
        """Detach from the link and end the host's heartbeat, if no other driver needs it."""
        if self._detach is not None:
            self._detach()
            self._detach = None
            self._life.leave()

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        self._listeners.append(listener)

        def remove() -> None:
            if listener in self._listeners:
                self._listeners.remove(listener)

        return remove

    def _make_ready(self) -> None:
        if self._ready:
            return
        self._check_product()
        self._life.resume()
        self._set_host_watch()
        if self._process_data is None:
            found = read_process_data(self._channel, self._dictionary)
            self._process_data = {pdo.can_id: pdo for pdo in found}
        self._state = None
        self._command(NMT_START)
        within_s = HEARTBEATS_WAITED * self._node.heartbeat_s
        mark = self._mark()
        if not self._link.wait_for(lambda: self._state == OPERATIONAL, within_s):
            raise NoAnswer(
                self.name, "NMT start with an operational heartbeat", within_s, self._seen_since(mark)
            )
        self._ready = True
        self.start_problem = None

    def _check_product(self) -> None:
        expected = self._node.product_code
        if expected is None:
            return
        data = self._channel.read_bytes(0x1018, 2, "a read of its product code (0x1018:2)")
        found = int.from_bytes(data, "little")
        if found != expected:
            raise Refused(
                self.name,
                "to be made operational",
                f"its product code is 0x{found:08X}, the description says 0x{expected:08X}; a board that is "
                "not the expected one is left alone",
            )

    def _set_host_watch(self) -> None:
        if self._dictionary.file and not self._dictionary.has(0x1016):
            return
        # Well above the host's period, so that a busy host is not taken for dead; well below the allowed time.
        watch_s = max(2 * self._bus.host_heartbeat_s, 0.6 * self._node.host_silence_max_s)
        entry = self._bus.host_id << 16 | min(0xFFFF, round(watch_s * 1000))
        try:
            self._channel.write_bytes(
                0x1016,
                1,
                entry.to_bytes(4, "little"),
                f"to watch the host (write of 0x{entry:08X} to 0x1016:1)",
            )
        except Refused as error:
            # The check of the host's silence will say what this means; it is no reason to know less.
            self.host_watch_refused = error

    # --- the node itself ----------------------------------------------------------------------------

    def search(self, within_s: float) -> Mapping[int, Presence]:
        return search(self._link, within_s)

    def identify(self) -> Identity:
        numbers = [
            int.from_bytes(
                self._channel.read_bytes(0x1018, sub, f"a read of its {what} (0x1018:{sub})"), "little"
            )
            for sub, what in ((1, "vendor id"), (2, "product code"), (3, "revision"), (4, "serial number"))
        ]
        texts = [
            self._optional_text(index, what)
            for index, what in ((0x1008, "name"), (0x1009, "hardware version"), (0x100A, "firmware version"))
        ]
        return Identity(numbers[0], numbers[1], numbers[2], numbers[3], texts[0], texts[1], texts[2])

    def _optional_text(self, index: int, what: str) -> str:
        try:
            data = self._channel.read_bytes(index, 0, f"a read of its {what} (0x{index:04X})")
        except Refused:
            return ""
        return data.decode("ascii", errors="replace").rstrip("\0 ")

    def read_status(self) -> NodeStatus:
        uptime_s = self._read("node", self.name, "uptime_s", "read_status")
        cause = int(self._read("node", self.name, "reset_cause", "read_status"))
        return NodeStatus(uptime_s, RESET_CAUSES[cause] if 0 <= cause < len(RESET_CAUSES) else "unknown")

    def read_bus_counters(self) -> BusCounters:
        roles = ("transmit_errors", "receive_errors", "bus_errors")
        counts = [int(self._read("node", self.name, role, "read_bus_counters")) for role in roles]
        return BusCounters(*counts)

    def restart(self, within_s: float) -> float:
        """Reset the node (NMT 0x81); return seconds from the command to its boot-up message.

        The node is not made ready again before a verb needs it.
        """
        mark, boots, started_s = self._mark(), self._boots, self._link.now_s
        self._forget_outputs()
        self._command(NMT_RESET)
        booted_s = self._link.wait_for(lambda: self._link.now_s if self._boots > boots else None, within_s)
        if booted_s is None:
            raise NoAnswer(self.name, "a reset with its boot-up message", within_s, self._seen_since(mark))
        return booted_s - started_s

    def watch_heartbeat(self, for_s: float) -> list[float]:
        seen: list[int] = []
        self._heartbeats_ns = seen
        try:
            self._link.run_for(for_s)
        finally:
            self._heartbeats_ns = None
        return [t_ns / NS_PER_S for t_ns in seen]

    def go_silent(self) -> None:
        self._life.fall_silent()

    def resume(self) -> None:
        self._life.resume()

    def read_supply_v(self) -> float:
        return self._read("node", self.name, "supply_v", "read_supply_v")

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node itself send `frames` frames, one every `interval_s`; returns at once."""
        interval, count = self._burst_place(2), self._burst_place(1)
        self._make_ready()
        self._channel.write(interval, round(interval_s * 1e6), "interval of the burst in us")
        self._channel.write(count, frames, "frames of the burst")

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent."""
        return int(self._channel.read(self._burst_place(3), "frames sent in the burst"))

    def _burst_place(self, sub: int) -> Place:
        place = self._places.get(("node", self.name, "burst"))
        found = None if place is None else self._dictionary.standard(place.index, sub)
        if found is None:
            raise NotOffered(self.name, "send_burst (role 'burst', a record with count, interval and sent)")
        return found

    # --- sensors and heaters --------------------------------------------------------------------------

    def read_temperature_c(self, sensor: str) -> float:
        """Temperature in degC.

        Raises:
            Refused: the node says that it has no valid value (smallest number of a signed type, or NaN).
        """
        place = self._place("sensor", sensor, "temperature_c", "read_temperature_c")
        raw = self._channel.read_raw(place, f"temperature of {sensor!r}")
        if place.is_no_value(raw):
            self._report("temperature_c", sensor, math.nan, asked=True)
            raise Refused(
                self.name,
                f"the temperature of {sensor!r} ({place})",
                f"it reads {raw:g}, which stands for no valid value: sensor open, shorted or not fitted",
            )
        value = place.value_of(raw)
        self._report("temperature_c", sensor, value, asked=True)
        return value

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        place = self._place("heater", heater, "setpoint_c", "set_heater_c")
        if setpoint_c > 0:
            self._make_ready()
        self._channel.write(place, setpoint_c, f"setpoint of {heater!r} in degC")

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        duty_place = self._place("heater", heater, "duty", "pulse_heater")
        time_place = self._place("heater", heater, "pulse_s", "pulse_heater")
        _check_fraction(duty, "duty")
        if seconds < 0 or not math.isfinite(seconds):
            raise UsageError(f"seconds={seconds!r} must be a finite time of 0 s or more")
        if duty > 0:
            self._make_ready()
        # The time first: the node must know when to end before it begins.
        self._channel.write(time_place, seconds, f"pulse time of {heater!r} in s")
        self._channel.write(duty_place, duty, f"duty of {heater!r}")

    def read_heater_output(self, heater: str) -> float:
        return self._read("heater", heater, "output", "read_heater_output")

    # --- fans -------------------------------------------------------------------------------------------

    def set_fan(self, fan: str, duty: float) -> None:
        place = self._place("fan", fan, "duty", "set_fan")
        _check_fraction(duty, "duty")
        if duty > 0:
            self._make_ready()
        self._channel.write(place, duty, f"duty of {fan!r}")
        self._report("fan_duty", fan, duty, asked=True)

    def read_tach_hz(self, fan: str) -> float:
        return self._read("fan", fan, "tach_hz", "read_tach_hz")

    # --- steppers ---------------------------------------------------------------------------------------

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        current = self._place("stepper", stepper, "current_a", "configure_driver")
        steps = self._place("stepper", stepper, "microsteps", "configure_driver")
        self._channel.write(current, run_current_a, f"run current of {stepper!r} in A")
        self._channel.write(steps, microsteps, f"microsteps of {stepper!r}")

    def read_driver(self, stepper: str) -> StepperDriver:
        def read(role: str) -> float | None:
            place = self._places.get(("stepper", stepper, role))
            return None if place is None else self._channel.read(place, f"{role} of {stepper!r}")

        current_a = self._read("stepper", stepper, "current_a", "read_driver")
        microsteps = self._read("stepper", stepper, "microsteps", "read_driver")
        flags = self._driver_flags(stepper)
        version, writes, hold_a = read("version"), read("writes"), read("hold_current_a")
        # A driver chip that is not there reads as all zeros or all ones.
        answers = version is None or int(version) not in (0x00, 0xFF)
        return StepperDriver(
            reachable=answers and "not_reachable" not in flags,
            current_a=current_a,
            hold_current_a=math.nan if hold_a is None else hold_a,
            microsteps=int(microsteps),
            flags=flags,
            writes=None if writes is None else int(writes),
        )

    def _driver_flags(self, stepper: str) -> frozenset[str]:
        found = set()
        if ("stepper", stepper, "flags") in self._places:
            word = int(self._read("stepper", stepper, "flags", "read_driver"))
            found |= {name for bit, name in enumerate(DRIVER_FLAGS) if word >> bit & 1}
        for (kind, load, role), place in self._places.items():
            if (kind, load) == ("stepper", stepper) and role.startswith("flag_"):
                name = role.removeprefix("flag_")
                found.discard(name)
                if self._channel.read_raw(place, f"{role} of {stepper!r}"):
                    found.add(name)
        return frozenset(found)

    def enable_driver(self, stepper: str, on: bool) -> None:
        axis = self._axis_of(stepper, "enable_driver")
        if on:
            self._make_ready()
            axis.enable()
        else:
            axis.disable()

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move of CiA 402 profile position mode. Speed in motor turns per second, above 0.

        Raises:
            Refused: the drive is not enabled or went into fault.
            NoAnswer: it does not say that it is there within `within_s` or, if that comes first, within twice
                the time that travel and ramps take, plus 1 s.
        """
        axis = self._axis_of(stepper, "move")
        if not (speed_rev_s > 0 and math.isfinite(speed_rev_s)):
            raise UsageError(f"speed_rev_s={speed_rev_s!r} must be more than 0 turns per second")
        if microsteps == 0:
            return
        self._make_ready()
        load = self._loads["stepper", stepper]
        assert isinstance(load, Stepper)
        speed = speed_rev_s * load.steps_per_rev * load.microsteps
        axis.move(microsteps, speed, within_s)

    def read_position(self, stepper: str) -> int:
        position = self._axis_of(stepper, "read_position").position()
        self._report("position", stepper, position, asked=True)
        return position

    # --- switches and lamps -------------------------------------------------------------------------------

    def read_switch(self, switch: str) -> bool:
        place = self._place("switch", switch, "state", "read_switch")
        value = self._switch_value(switch, self._channel.read_raw(place, f"state of {switch!r}"))
        self._report("switch", switch, value, asked=True)
        return bool(value)

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        load = self._load("lamp", lamp)
        assert isinstance(load, Lamp)
        if colour is not None and colour not in load.colours:
            raise UsageError(
                f"colour={colour!r}: lamp {lamp!r} has {', '.join(load.colours)}, or None for off"
            )
        places = {
            name: self._place("lamp", lamp, name, "set_lamp")
            for name in load.colours
            if self._has(load, name)
        }
        if not places or (colour is not None and colour not in places):
            raise NotOffered(self.name, f"set_lamp[{lamp}] (role {colour or load.colours[0]!r})")
        if colour is not None:
            self._make_ready()
        # Outputs share bytes: change the bits of this lamp in our copy, then write each byte once.
        words: dict[tuple[int, int], Place] = {}
        for name, place in places.items():
            at, bit = (place.index, place.sub), place.bit or 0
            word = self._outputs.get(at, 0)
            self._outputs[at] = word | 1 << bit if name == colour else word & ~(1 << bit)
            words[at] = place
        for at, place in words.items():
            self._channel.write_raw(place, self._outputs[at], f"outputs with lamp {lamp!r}")

    # --- off ------------------------------------------------------------------------------------------

    def stop_all(self) -> None:
        """Command every output off and the node pre-operational, each twice, waiting for no answer.

        Never raises anything but BenchLost. Falls silent, so that the node's own watch on the host acts, when
        the frames can't be handed to the adapter.
        """
        self._forget_outputs()
        sent = 0
        for frame in self._off_frames * 2:
            try:
                sent += self._send_now(frame)
            except BenchLost as error:
                self._life.fall_silent()
                raise BenchLost(
                    f"{error} Node {self.name!r} could not be commanded off: its own watch on the host's heartbeat "
                    "is what remains"
                ) from error
        if not sent:
            self._life.fall_silent()

    def _send_now(self, frame: Frame) -> bool:
        for _ in range(2):
            try:
                self._link.send(frame)
            except QueueFull:
                self._link.port.flush()  # what waits there is older than this
            except BenchLost:
                raise
            except Exception:  # a listener of sent frames must not keep an output on
                return True
            else:
                return True
        return False

    def _forget_outputs(self) -> None:
        self._ready = False
        self._outputs.clear()

    def _frames_to_switch_off(self) -> list[Frame]:
        commands = self._off_commands()
        frames = [
            Frame(0x600 + self._id, _download(place, place.encode_raw(raw, "off"))) for place, raw in commands
        ]
        return [*frames, Frame(0x000, bytes([NMT_PRE_OPERATIONAL, self._id]))]

    def _off_commands(self) -> list[tuple[Place, int]]:
        all_off = self._places.get(("node", self.name, "all_off"))
        if all_off is not None:
            return [(all_off, 1)]
        commands: list[tuple[Place, int]] = []
        for (kind, _, role), place in self._places.items():
            if (kind, role) in (("heater", "setpoint_c"), ("heater", "duty"), ("fan", "duty")):
                commands.append((place, round(-place.offset / place.scale)))
            elif kind == "lamp":
                commands.append((place, 0))
            elif (kind, role) == ("stepper", "control"):
                commands.append((place, DISABLE_VOLTAGE))
        return list({(place.index, place.sub): (place, raw) for place, raw in commands}.values())

    def _command(self, command: int) -> None:
        try:
            self._link.send(Frame(0x000, bytes([command, self._id])))
        except QueueFull as error:
            raise NoAnswer(self.name, f"NMT command 0x{command:02X}", 0.0, str(error)) from error

    # --- what arrives -----------------------------------------------------------------------------------

    def _on_frame(self, frame: Frame) -> None:
        if frame.error or frame.remote or not frame.is_rx:
            return
        can_id = frame.can_id
        if self._process_data is not None and can_id in self._process_data:
            self._frames["process data"] += 1
            self._on_process_data(self._process_data[can_id], frame)
        elif frame.extended:
            return
        elif can_id == 0x580 + self._id:
            self._frames["SDO answers"] += 1
            # Straight to `notify`: the library's own listener would turn what a test raises into a log line.
            self._network.notify(can_id, bytearray(frame.data), frame.t_ns / NS_PER_S)
        elif can_id == 0x700 + self._id and frame.data:
            self._on_heartbeat(frame)
        elif can_id == 0x080 + self._id:
            self._on_emergency(frame)

    def _on_heartbeat(self, frame: Frame) -> None:
        state = frame.data[0] & 0x7F  # bit 7 is the toggle of node guarding
        self._state = state
        if state == 0:
            self._frames["boot-ups"] += 1
            self._boots += 1
            self._forget_outputs()
            self._report("boot", self.name, 0.0, t_ns=frame.t_ns)
            return
        self._frames[f"heartbeats ({STATES.get(state, hex(state))})"] += 1
        if state != OPERATIONAL:
            self._forget_outputs()
        if self._heartbeats_ns is not None:
            self._heartbeats_ns.append(frame.t_ns)
        self._report("heartbeat", self.name, state, t_ns=frame.t_ns)

    def _on_emergency(self, frame: Frame) -> None:
        emergency = decode_emergency(frame.data, frame.t_ns)
        if emergency is None:
            return
        self._frames[f"emergency {emergency}"] += 1
        self.emergencies.append(emergency)
        self._report("emergency", self.name, emergency.code, t_ns=frame.t_ns)

    def _on_process_data(self, pdo: ProcessData, frame: Frame) -> None:
        for field, raw in pdo.decode(frame.data):
            for (kind, name, role), place in self._reported.get((field.index, field.sub), ()):
                reading = _READINGS.get((kind, role))
                if reading is not None:
                    self._report(reading, name, self._reported_value(kind, name, place, raw), t_ns=frame.t_ns)

    def _reported_value(self, kind: str, name: str, place: Place, raw: float) -> float:
        if kind == "sensor" and place.is_no_value(raw):
            return math.nan
        if place.bit is not None:
            raw = int(raw) >> place.bit & 1
        return self._switch_value(name, raw) if kind == "switch" else place.value_of(raw)

    def _switch_value(self, name: str, raw: float) -> float:
        load = self._loads["switch", name]
        assert isinstance(load, Switch)
        return float(bool(raw) == load.active_high)

    def _report(
        self, kind: ReadingKind, name: str, value: float, t_ns: int | None = None, asked: bool = False
    ) -> None:
        reading = Reading(kind, name, value, self._link.now_ns if t_ns is None else t_ns, asked)
        for listener in tuple(self._listeners):
            listener(reading)

    def _mark(self) -> tuple[Counter[str], int, int]:
        return Counter(self._frames), self._link.frames_seen, self._link.error_frames_seen

    def _seen_since(self, mark: tuple[Counter[str], int, int]) -> str:
        """What came since `mark`, in words, for `NoAnswer`."""
        before, frames, errors = mark
        parts = [f"{count} {what}" for what, count in (self._frames - before).items()]
        error_frames = self._link.error_frames_seen - errors
        others = self._link.frames_seen - frames - error_frames - (self._frames - before).total()
        if error_frames:
            parts.append(f"{error_frames} error frames")
        if others > 0:
            parts.append(f"{others} other frames")
        return ", ".join(parts) or "nothing"

    # --- places -----------------------------------------------------------------------------------------

    def _names(self, kind: str) -> list[str]:
        return [name for of_kind, name in self._loads if of_kind == kind]

    def _has(self, load: Load, role: str) -> bool:
        return (_kind(load), load.name, role) in self._places

    def _load(self, kind: str, name: str) -> Load:
        load = self._loads.get((kind, name))
        if load is not None:
            return load
        if (kind, name) in self._known_loads:
            raise UsageError(
                f"{kind} {name!r} hangs on node {self._known_loads[kind, name]!r}, not {self.name!r}"
            )
        near = difflib.get_close_matches(name, self._names(kind), n=1)
        hint = f"; did you mean {near[0]!r}?" if near else ""
        raise UsageError(f"the description has no {kind} {name!r}{hint}")

    def _place(self, kind: str, name: str, role: str, verb: str) -> Place:
        if kind != "node":
            self._load(kind, name)
        place = self._places.get((kind, name, role))
        if place is None:
            shown = verb if kind == "node" else f"{verb}[{name}]"
            raise NotOffered(self.name, f"{shown} (no role {role!r} in the description)")
        return place

    def _read(self, kind: str, name: str, role: str, verb: str) -> float:
        place = self._place(kind, name, role, verb)
        value = self._channel.read(place, role if kind == "node" else f"{role} of {name!r}")
        reading = _READINGS.get((kind, role))
        if reading is not None:
            self._report(reading, name, value, asked=True)
        return value

    def _has_axis(self, stepper: str) -> bool:
        return all(
            ("stepper", stepper, role) in self._places for role in _AXIS_ROLES if role not in _AXIS_OPTIONAL
        )

    def _axis(self, stepper: str) -> Axis:
        found = {role: self._places.get(("stepper", stepper, role)) for role in _AXIS_ROLES}
        return Axis(self.name, stepper, self._link, self._channel, AxisPlaces(**found))  # type: ignore[arg-type]

    def _axis_of(self, stepper: str, verb: str) -> Axis:
        self._load("stepper", stepper)
        axis = self._axes.get(stepper)
        if axis is None:
            raise NotOffered(self.name, f"{verb}[{stepper}] (objects 0x6040.. of CiA 402 or roles for them)")
        return axis


_NODE_VERBS: dict[str, tuple[str, ...]] = {
    "read_status": ("uptime_s", "reset_cause"),
    "read_bus_counters": ("transmit_errors", "receive_errors", "bus_errors"),
    "read_supply_v": ("supply_v",),
    "send_burst": ("burst",),
}
_LOAD_VERBS: dict[str, dict[str, tuple[str, ...]]] = {
    "sensor": {"read_temperature_c": ("temperature_c",)},
    "heater": {
        "set_heater_c": ("setpoint_c",),
        "pulse_heater": ("duty", "pulse_s"),
        "read_heater_output": ("output",),
    },
    "fan": {"set_fan": ("duty",), "read_tach_hz": ("tach_hz",)},
    "stepper": {
        "configure_driver": ("current_a", "microsteps"),
        "read_driver": ("current_a", "microsteps"),
    },
    "switch": {"read_switch": ("state",)},
}


class _Resolver:
    """Finds the place of every role of a node and its loads, and every role that has none."""

    def __init__(self, node: Node, loads: Mapping[tuple[str, str], Load], dictionary: Dictionary) -> None:
        self._node = node
        self._loads = loads
        self._dictionary = dictionary
        self._problems: list[Problem] = []
        self._found: dict[tuple[str, str, str], Place] = {}

    def places(self) -> dict[tuple[str, str, str], Place]:
        for role, at in self._node.roles.items():
            self._add("node", self._node.name, role, at)
        axis = 0
        for (kind, name), load in self._loads.items():
            for role, at in load.roles.items():
                self._add(kind, name, role, at)
            if kind == "stepper":
                self._add_axis(name, axis)
                axis += 1
        if self._problems:
            raise DescriptionError(self._problems)
        return self._found

    def _add(self, kind: str, name: str, role: str, at: Role) -> None:
        key = (kind, name, role)
        try:
            text = f"{at.at}:1" if role == "burst" and ":" not in at.at else at.at
            self._found[key] = self._dictionary.place(text, at.scale, at.offset)
        except LookupError as error:
            expected = "index[:sub][.bit] or a parameter name of the EDS"
            file = f"node[{self._node.name}], {self._dictionary.file or 'no eds'}"
            self._problems.append(
                Problem(file, f"{kind}[{name}].roles.{role}", repr(at.at), expected, None, _sentence(error))
            )

    def _add_axis(self, name: str, axis: int) -> None:
        for role, index in _AXIS_ROLES.items():
            key = ("stepper", name, role)
            if key not in self._found:
                place = self._dictionary.standard(index + AXIS_OFFSET * axis, like=index)
                if place is not None:
                    self._found[key] = place


def _remote_node(link: Link, node_id: int, dictionary: Dictionary, key: str) -> LinkedNode:
    try:
        return LinkedNode(link, node_id, dictionary.objects)
    except (KeyError, TypeError, AttributeError) as error:  # it looks at the PDO objects on the way
        file = dictionary.file or "no eds"
        found = f"PDO objects (0x1400 to 0x1BFF) that don't belong together: {error}"
        raise DescriptionError([Problem(file, key, found, "records as in CiA 301")]) from error


def _sentence(error: LookupError) -> str:
    text = str(error.args[0]) if error.args else str(error)
    return text[:1].upper() + text[1:]


def _kind(load: Load) -> str:
    for model in (Sensor, Heater, Fan, Stepper, Switch, Lamp):
        if isinstance(load, model):
            return model.__name__.lower()
    raise UsageError(f"{type(load).__name__} is a kind of load that the CANopen driver does not know")


N = TypeVar("N", Node, Bus)


def _pick(parts: Iterable[N], name: str, kind: str) -> N:
    known = {part.name: part for part in parts}
    if name in known:
        return known[name]
    near = difflib.get_close_matches(name, known, n=1)
    hint = f"; did you mean {near[0]!r}?" if near else f"; it has {', '.join(known)}"
    raise UsageError(f"the description has no {kind} {name!r}{hint}")


def _check_fraction(value: float, name: str) -> None:
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"{name}={value!r} must be 0..1 (a fraction, not percent)")


def _download(place: Place, data: bytes) -> bytes:
    """An expedited SDO download request (CiA 301), for commands that wait for no answer."""
    command = 0x23 | (4 - len(data)) << 2
    return bytes([command]) + place.index.to_bytes(2, "little") + bytes([place.sub]) + data.ljust(4, b"\0")
