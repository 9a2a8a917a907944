"""The CANopen driver: the verbs of a node as SDO transfers, NMT commands and process data (CiA 301).

Objects are found through the description's roles and the node's EDS; steppers without roles are axes of CiA 402
(axis k at +0x800 * k, in file order). The host's heartbeat runs in the link and the node is told to watch it
(0x1016). There is no thread: every wait goes through the link.
"""

from __future__ import annotations

import contextlib
import math
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from canopen.sdo.exceptions import SdoAbortedError

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.clock import NS_PER_S
from hiltest.description.models import DRIVER_FLAGS, HANG_KEY, Description, Stepper
from hiltest.description.senders import emergency_id
from hiltest.errors import (
    BenchLost,
    DescriptionError,
    NoAnswer,
    NodeFault,
    NotOffered,
    NotSent,
    Problem,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node._lamp import check_colour
from hiltest.node.configuration import configured, differences
from hiltest.node.drive import DISABLE_VOLTAGE, Axis
from hiltest.node.emergencies import Emergency
from hiltest.node.hostlife import host_life
from hiltest.node.incoming import READINGS, Incoming
from hiltest.node.objects import Dictionary, Place, load_dictionary
from hiltest.node.places import NodePlaces, pick
from hiltest.node.sdo import LinkedNetwork, LinkedNode, SdoChannel
from hiltest.node.sdoblock import BlockClient
from hiltest.node.search import search
from hiltest.node.telemetry import OPERATIONAL, read_process_data, transmission_types
from hiltest.node.verbs import BusCounters, Identity, NodeStatus, OldMove, Presence, Reading, StepperDriver

NMT_START, NMT_PRE_OPERATIONAL, NMT_RESET = 0x01, 0x80, 0x81
HEARTBEATS_WAITED = 4
SYNC_ID = 0x080
BURST_NUMBERED, BURST_FEW_EDGES = 0, 2
SYNCHRONOUS_MAX = 240
"""Transmission types up to this follow the synchronisation object (CiA 301)."""

BLOCK_FROM_BYTES = 128
UNKNOWN_COMMAND = 0x0504_0001
"""The abort code of a node that knows no block transfer."""

RESET_CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")


class CanopenDriver:
    """One CANopen node. Implements `hiltest.node.verbs.NodeDriver`.

    `folder` is where the description lies; its `eds` is relative to it.

    Raises:
        DescriptionError: the EDS or a role can't be used; every problem in one go.
        UsageError: there is no such node, or it has no node id.
    """

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        self._link = link
        self._node = pick(description.node, node, "node")
        self.name = self._node.name
        if self._node.node_id is None:
            raise UsageError(f"node {self.name!r} is a CANopen node without node_id; give it 1..127")
        self._id = self._node.node_id
        self._bus = pick(description.bus, self._node.bus or "", "bus")
        eds = None if self._node.eds is None else (folder or Path()) / self._node.eds
        self._dictionary = load_dictionary(eds, self._id, f"node[{self.name}].eds")
        self._places = NodePlaces(description, self._node, self._dictionary)
        self._is_synchronous = any(kind <= SYNCHRONOUS_MAX for kind in transmission_types(self._dictionary))
        self._settings = len(configured(self._dictionary))
        emergency = emergency_id(self._dictionary.default(0x1014), self._id)
        self._incoming = Incoming(link, self.name, self._id, self._places, self._forget_outputs, emergency)

        self._network = LinkedNetwork(link)
        remote = _remote_node(link, self._id, self._dictionary, f"node[{self.name}].eds")
        self._network.add_node(remote)
        incoming = self._incoming
        self._channel = SdoChannel(self.name, remote.sdo_channels[0], incoming.mark, incoming.seen_since)
        self._blocks = BlockClient(link, self.name, self._id, SdoAbortedError.CODES)
        self._life = host_life(link, self._bus.host_id, self._bus.host_heartbeat_s)
        self._axes = dict(self._find_axes())

        self._detach: Callable[[], None] | None = None
        self._ready = False
        self._outputs: dict[tuple[int, int], int] = {}
        self._off_frames = self._frames_to_switch_off()
        self.start_problem: NodeFault | None = None
        self.host_watch_refused: Refused | None = None

    def _find_axes(self) -> Iterator[tuple[str, Axis]]:
        for name in self._places.names("stepper"):
            places = self._places.axis(name)
            if places is not None:
                yield name, Axis(self.name, name, self._link, self._channel, places)

    # --- attaching ----------------------------------------------------------------------------------

    @property
    def offers(self) -> frozenset[str]:
        always = {"identify", "restart", "watch_heartbeat", "go_silent", "resume", "search", "stop_all"}
        always.add("send_stale")
        if self._is_synchronous:
            always.add("synchronise")
        if self._settings:
            always.add("compare_configuration")
        always |= {f"send_stale[{stepper}]" for stepper in self._axes}
        return self._places.offers | always

    @property
    def emergencies(self) -> deque[Emergency]:
        """The emergency messages heard so far, the newest thousand."""
        return self._incoming.emergencies

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
            self._link.wait_for(lambda: self._incoming.frames.total() > 0, listen_s)
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
        return self._incoming.on_reading(listener)

    def on_report(self, listener: Callable[[int, str], None]) -> Callable[[], None]:
        """Call `listener` with the bench time in ns and the words of each emergency message; returns what takes it
        off again.
        """

        def take(reading: Reading) -> None:
            if reading.kind == "emergency":
                listener(reading.t_ns, f"emergency {self._incoming.emergencies[-1]}")

        return self._incoming.on_reading(take)

    def _on_frame(self, frame: Frame) -> None:
        if frame.error or frame.remote or not frame.is_rx:
            return
        if frame.can_id == 0x580 + self._id and not frame.extended:
            self._incoming.frames["SDO answers"] += 1
            # Straight to `notify`: the library's own listener would turn what a test raises into a log line.
            self._network.notify(frame.can_id, bytearray(frame.data), frame.t_ns / NS_PER_S)
        else:
            self._incoming.take(frame)

    def _make_ready(self) -> None:
        if self._ready:
            return
        self._check_product()
        self._life.resume()
        self._set_host_watch()
        self._life.beat()  # the watch begins with the first one (CiA 301): before anything can be on
        if self._incoming.process_data is None:
            found = read_process_data(self._channel, self._dictionary)
            self._incoming.process_data = {pdo.key: pdo for pdo in found}
        self._incoming.state = None
        self._command(NMT_START)
        within_s = HEARTBEATS_WAITED * self._node.heartbeat_s
        mark = self._incoming.mark()
        if not self._link.wait_for(lambda: self._incoming.state == OPERATIONAL, within_s):
            raise NoAnswer(
                self.name,
                "NMT start with an operational heartbeat",
                within_s,
                self._incoming.seen_since(mark),
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

    def compare_configuration(self) -> tuple[int, list[str]]:
        """Read every object to which the DCF file gives a value; how many there are, and which differ, in words.

        Raises:
            NotOffered: there is no DCF file, or it sets nothing.
        """
        if not self._settings:
            raise NotOffered(self.name, "compare_configuration (a DCF file with ParameterValue)")
        return self._settings, list(differences(self._channel, self._dictionary))

    # --- objects by their index -----------------------------------------------------------------------

    def read_object(self, index: int, sub: int = 0, block: bool | None = None) -> bytes:
        """Read any object: expedited or in segments, or with `block` in blocks.

        By default objects of type DOMAIN come in blocks, and in segments where the node knows no blocks.

        Raises:
            Refused, NoAnswer: as the node answers. NodeFault: what came is not whole.
        """
        asked = f"a read of 0x{index:04X}:{sub}"
        by_default = block is None
        if by_default:
            block = self._dictionary.is_domain(index, sub)
        if block:
            try:
                return self._blocks.upload(index, sub)
            except Refused as refused:
                if not by_default or refused.code != UNKNOWN_COMMAND:
                    raise
        return self._channel.read_bytes(index, sub, asked)

    def write_object(self, index: int, sub: int, data: bytes, block: bool | None = None) -> None:
        """Write any object that no load hangs on. By default more than 128 bytes go in blocks, as in `read_object`.

        Raises:
            UsageError: a role of a heater, fan, stepper or lamp leads to it: its verb asks the guard first.
            Refused, NoAnswer, NodeFault: as `read_object`.
        """
        for (kind, name, role), place in self._places:
            if (place.index, place.sub) == (index, sub) and kind in ("heater", "fan", "stepper", "lamp"):
                raise UsageError(
                    f"0x{index:04X}:{sub} is {role} of {kind} {name!r}: use the verb for it, which asks the guard"
                )
        if len(data) > BLOCK_FROM_BYTES if block is None else block:
            try:
                self._blocks.download(index, sub, data)
            except Refused as refused:
                if block is not None or refused.code != UNKNOWN_COMMAND:
                    raise
            else:
                return
        self._channel.write_bytes(index, sub, data, f"a write of {len(data)} bytes to 0x{index:04X}:{sub}")

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
        mark, boots, started_s = self._incoming.mark(), self._incoming.boots, self._link.now_s
        self._forget_outputs()
        self._command(NMT_RESET)
        booted_s = self._link.wait_for(
            lambda: self._link.now_s if self._incoming.boots > boots else None, within_s
        )
        if booted_s is None:
            raise NoAnswer(
                self.name, "a reset with its boot-up message", within_s, self._incoming.seen_since(mark)
            )
        return booted_s - started_s

    def watch_heartbeat(self, for_s: float) -> list[float]:
        seen: list[int] = []
        self._incoming.heartbeats_ns = seen
        try:
            self._link.run_for(for_s)
        finally:
            self._incoming.heartbeats_ns = None
        return [t_ns / NS_PER_S for t_ns in seen]

    def go_silent(self) -> None:
        self._life.fall_silent()

    def resume(self) -> None:
        self._life.resume()

    def read_supply_v(self) -> float:
        return self._read("node", self.name, "supply_v", "read_supply_v")

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node itself send `frames` frames, one every `interval_s`; returns at once."""
        self._send_burst(frames, interval_s, None)

    def send_hard_burst(self, frames: int, interval_s: float) -> None:
        """Like `send_burst`, with few edges to synchronise on (sub-index 5, pattern 2)."""
        self._send_burst(frames, interval_s, BURST_FEW_EDGES)

    def _send_burst(self, frames: int, interval_s: float, pattern: int | None) -> None:
        interval, count = self._burst_place(2), self._burst_place(1)
        kind = None if self._dictionary.standard(count.index, 5) is None else self._burst_place(5)
        if kind is None and pattern is not None:
            raise NotOffered(self.name, "send_hard_burst (sub-index 5 of the burst record)")
        self._make_ready()
        if kind is not None:
            self._channel.write(kind, pattern or BURST_NUMBERED, "pattern of the burst")
        self._channel.write(interval, round(interval_s * 1e6), "interval of the burst in us")
        self._channel.write(count, frames, "frames of the burst")

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent."""
        return int(self._channel.read(self._burst_place(3), "frames sent in the burst"))

    def burst_ids(self) -> frozenset[int]:
        """Identifiers of the burst (sub-index 4 the first, 6 how many); none where the node does not say."""
        try:
            first = int(self._channel.read(self._burst_place(4), "first identifier of the burst"))
            count = int(self._channel.read(self._burst_place(6), "identifiers of the burst"))
        except (NotOffered, Refused):
            return frozenset()
        return frozenset(range(first, first + max(1, count)))

    def synchronise(self) -> None:
        """Send SYNC (CiA 301, 0x1005): nodes answer with their synchronous process data.

        Raises:
            NotOffered: by its EDS the node has none.
        """
        if not self._is_synchronous:
            raise NotOffered(self.name, "synchronise (a TPDO with transmission type 0 to 240)")
        try:
            self._link.send(Frame(SYNC_ID, b""))
        except QueueFull:
            return  # it will be given again

    def _burst_place(self, sub: int) -> Place:
        place = self._places.get("node", self.name, "burst")
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
        place = self._places.need("sensor", sensor, "temperature_c", "read_temperature_c")
        raw = self._channel.read_raw(place, f"temperature of {sensor!r}")
        if place.is_no_value(raw):
            self._incoming.report("temperature_c", sensor, math.nan, asked=True)
            raise Refused(
                self.name,
                f"the temperature of {sensor!r} ({place})",
                f"it reads {raw:g}, which stands for no valid value: sensor open, shorted or not fitted",
            )
        value = place.value_of(raw)
        self._incoming.report("temperature_c", sensor, value, asked=True)
        return value

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        place = self._places.need("heater", heater, "setpoint_c", "set_heater_c")
        if setpoint_c > 0:
            self._make_ready()
        self._channel.write(place, setpoint_c, f"setpoint of {heater!r} in degC")

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        duty_place = self._places.need("heater", heater, "duty", "pulse_heater")
        time_place = self._places.need("heater", heater, "pulse_s", "pulse_heater")
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

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset."""
        place = self._places.need("heater", heater, "ceiling_c", "set_heater_ceiling_c")
        self._channel.write(place, ceiling_c, f"ceiling of {heater!r} in degC")

    def read_heater_ceiling_c(self, heater: str) -> float:
        """The ceiling that the node itself holds now, in degC."""
        return self._read("heater", heater, "ceiling_c", "read_heater_ceiling_c")

    def send_stale(
        self,
        fans: Mapping[str, float],
        heaters_c: Mapping[str, float],
        moves: Mapping[str, OldMove] | None = None,
    ) -> None:
        """Send duties, setpoints and moves as SDO downloads into whatever state the node is in, and wait for nothing.

        Frames that the adapter does not take are left out, as a full queue does.
        """
        orders = [(self._places.need("fan", name, "duty", "send_stale"), duty) for name, duty in fans.items()]
        orders += [
            (self._places.need("heater", name, "setpoint_c", "send_stale"), setpoint_c)
            for name, setpoint_c in heaters_c.items()
        ]
        writes = [(place, place.encode(value, "stale command")) for place, value in orders]
        for stepper, move in (moves or {}).items():
            axis = self._axis_of(stepper, "send_stale")
            writes += axis.orders(move.microsteps, self._speed(stepper, move.speed_rev_s))
        for place, data in writes:
            with contextlib.suppress(QueueFull):
                self._link.send(Frame(0x600 + self._id, _download(place, data)))

    def hang(self) -> None:
        """Make the node's program stand still. What it answers, if it still does, is of no interest."""
        place = self._places.need("node", self.name, "hang", "hang")
        self._make_ready()
        with contextlib.suppress(NoAnswer):
            self._channel.write(place, HANG_KEY, "to hang on purpose")
        self._forget_outputs()

    # --- fans -------------------------------------------------------------------------------------------

    def set_fan(self, fan: str, duty: float) -> None:
        place = self._places.need("fan", fan, "duty", "set_fan")
        _check_fraction(duty, "duty")
        if duty > 0:
            self._make_ready()
        self._channel.write(place, duty, f"duty of {fan!r}")
        self._incoming.report("fan_duty", fan, duty, asked=True)

    def read_tach_hz(self, fan: str) -> float:
        return self._read("fan", fan, "tach_hz", "read_tach_hz")

    # --- steppers ---------------------------------------------------------------------------------------

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        current = self._places.need("stepper", stepper, "current_a", "configure_driver")
        steps = self._places.need("stepper", stepper, "microsteps", "configure_driver")
        self._channel.write(current, run_current_a, f"run current of {stepper!r} in A")
        self._channel.write(steps, microsteps, f"microsteps of {stepper!r}")

    def read_driver(self, stepper: str) -> StepperDriver:
        def read(role: str) -> float | None:
            place = self._places.get("stepper", stepper, role)
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
        if self._places.get("stepper", stepper, "flags") is not None:
            word = int(self._read("stepper", stepper, "flags", "read_driver"))
            found |= {name for bit, name in enumerate(DRIVER_FLAGS) if word >> bit & 1}
        for (kind, load, role), place in self._places:
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
        axis.move(microsteps, self._speed(stepper, speed_rev_s), within_s)

    def _speed(self, stepper: str, speed_rev_s: float) -> float:
        """Microsteps per second."""
        load = self._places.load("stepper", stepper)
        assert isinstance(load, Stepper)
        return speed_rev_s * load.steps_per_rev * load.microsteps

    def read_encoder(self, stepper: str) -> int:
        place = self._places.need("stepper", stepper, "encoder", "read_encoder")
        return int(self._channel.read(place, f"encoder of {stepper!r}"))

    def read_position(self, stepper: str) -> int:
        position = self._axis_of(stepper, "read_position").position()
        self._incoming.report("position", stepper, position, asked=True)
        return position

    # --- switches and lamps -------------------------------------------------------------------------------

    def read_switch(self, switch: str) -> bool:
        place = self._places.need("switch", switch, "state", "read_switch")
        value = self._incoming.switch_value(switch, self._channel.read_raw(place, f"state of {switch!r}"))
        self._incoming.report("switch", switch, value, asked=True)
        return bool(value)

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        load, places = self._places.lamp(lamp)
        check_colour(self.name, load, places, colour)
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

    def stop_all(self) -> bool:
        """Command every output off and the node pre-operational, each twice, waiting for no answer.

        Returns whether each command was handed to the adapter at least once. Never raises anything but BenchLost. Falls
        silent, so that the node's own watch on the host acts, when no frame can be handed to the adapter.
        """
        self._forget_outputs()
        sent: set[Frame] = set()
        for frame in self._off_frames * 2:
            try:
                if self._send_now(frame):
                    sent.add(frame)
            except BenchLost as error:
                self._life.fall_silent()
                raise BenchLost(
                    f"{error}. Node {self.name!r} could not be commanded off: its own watch on the host's heartbeat "
                    "is what remains"
                ) from error
        if not sent:
            self._life.fall_silent()
        return sent.issuperset(self._off_frames)

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

    def stop_each(self) -> None:
        """Command every output off by its own object, where `stop_all` is one command for all. Waits for nothing.

        Raises:
            BenchLost: the adapter is gone.
        """
        if self._places.get("node", self.name, "all_off") is not None:
            for frame in self._downloads(self._each_off()):
                self._send_now(frame)

    def _frames_to_switch_off(self) -> list[Frame]:
        all_off = self._places.get("node", self.name, "all_off")
        commands = [(all_off, 1)] if all_off is not None else self._each_off()
        return [*self._downloads(commands), Frame(0x000, bytes([NMT_PRE_OPERATIONAL, self._id]))]

    def _downloads(self, commands: list[tuple[Place, int]]) -> list[Frame]:
        return [
            Frame(0x600 + self._id, _download(place, place.encode_raw(raw, "off"))) for place, raw in commands
        ]

    def _each_off(self) -> list[tuple[Place, int]]:
        commands: list[tuple[Place, int]] = []
        for (kind, _, role), place in self._places:
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
            raise NotSent(self.name, f"NMT command 0x{command:02X}", error) from error

    def _read(self, kind: str, name: str, role: str, verb: str) -> float:
        place = self._places.need(kind, name, role, verb)
        value = self._channel.read(place, role if kind == "node" else f"{role} of {name!r}")
        reading = READINGS.get((kind, role))
        if reading is not None:
            self._incoming.report(reading, name, value, asked=True)
        return value

    def _axis_of(self, stepper: str, verb: str) -> Axis:
        self._places.load("stepper", stepper)
        axis = self._axes.get(stepper)
        if axis is None:
            raise NotOffered(self.name, f"{verb}[{stepper}] (objects 0x6040.. of CiA 402 or roles for them)")
        return axis


def _remote_node(link: Link, node_id: int, dictionary: Dictionary, key: str) -> LinkedNode:
    try:
        return LinkedNode(link, node_id, dictionary.objects)
    except (KeyError, TypeError, AttributeError) as error:  # it looks at the PDO objects on the way
        file = dictionary.file or "no eds"
        found = f"PDO objects (0x1400 to 0x1BFF) that don't belong together: {error}"
        raise DescriptionError([Problem(file, key, found, "records as in CiA 301")]) from error


def _check_fraction(value: float, name: str) -> None:
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"{name}={value!r} must be 0..1 (a fraction, not percent)")


def _download(place: Place, data: bytes) -> bytes:
    """An expedited SDO download request (CiA 301), for commands that wait for no answer."""
    command = 0x23 | (4 - len(data)) << 2
    return bytes([command]) + place.index.to_bytes(2, "little") + bytes([place.sub]) + data.ljust(4, b"\0")
