"""The guard: limits, gates and all-off. It stands between whoever tests and whatever gets hot or moves.

It works by itself. Checks never ask it; it listens to what the nodes say, commands every output off when a limit
is passed, and raises `GuardTripped` in whoever is waiting, again and again, until outputs were commanded off.
What may be energised is decided where the verb is (`GuardedNode`), not by the order of checks.

It is no protection against fire. It depends on the host, the adapter, the wire and the node's firmware; what
remains without them is the node's own watch on the host, a thermal cut-off in series with the heater, and a
switch within reach. Local codes and licensed practice come first.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import partial

from hiltest.clock import NS_PER_S
from hiltest.description.models import Description, Heater, Load, Stepper
from hiltest.errors import (
    BenchLost,
    GateClosed,
    GuardTripped,
    HiltestError,
    NodeFault,
    NotOffered,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node.verbs import (
    BusCounters,
    Configured,
    Drills,
    Hangs,
    HasEncoder,
    Identity,
    NodeDriver,
    NodeStatus,
    NumbersItsBurst,
    Presence,
    Reading,
    StepperDriver,
    Synchronises,
)

_ON_THE_BUS = (
    "cold.power_on[{bus}]",
    "bus.quiet[{bus}]",
    "bus.enumerate[{node}]",
    "bus.observer[{bus}]",
)
"""Measured before it was powered, quiet, the right boards, and somebody who really sees a bus error."""

_HEATED = (*_ON_THE_BUS, "cold.heater[{load}]", "cold.sensor[{sensor}]", "sense.supply[{node}]")
_MOVED = (
    *_ON_THE_BUS,
    "cold.coils[{load}]",
    "switch.by_hand[{home_switch}]",
    "switch.by_hand[{end_switch}]",
    "motion.driver_ready[{load}]",
)
GATES: dict[str, tuple[str, ...]] = {
    "set_lamp": ("cold.power_on[{bus}]", "bus.enumerate[{node}]"),
    "set_fan": _ON_THE_BUS,
    "pulse_heater": (*_HEATED, "sense.ambient[{sensor}]", "heat.idle[{load}]"),
    "set_heater_c": (
        *_HEATED,
        "sense.ambient[{sensor}]",
        "heat.pulse[{load}]",
        "safe.host_silence[{node}]",
    ),
    "enable_driver": _MOVED,
    "move": _MOVED,
    "long move": (*_MOVED, "motion.direction[{load}]"),
}
"""Checks that must have passed before a verb may energise. A long move is longer than small_move_rev.

A check that the catalogue does not have for a description (nobody takes part who could measure with the power off,
the axis has no switch) is no gate there.
"""

DRILL_GATES: dict[str, tuple[str, ...]] = {
    "ask_above_ceiling": (*GATES["set_heater_c"], "heat.low_setpoint[{load}]"),
}
"""The same for verbs that only drills use."""

NODE_GATES: dict[str, tuple[str, ...]] = {"hang": (*_ON_THE_BUS, "safe.host_silence[{node}]")}
"""The same for verbs that are for a whole node."""

ELEMENT_FACTOR = 4.0
"""Worst element that a pulse is reckoned with: four times the stated power, as at twice the voltage."""

RISE_WINDOW_S = 8.0
RISE_SPAN_MIN_S = 1.0
NOISE_FACTOR = 4.0
"""Standard deviations of sensor noise that are not taken for a rise."""

PULSE_TAIL_S = 10.0
"""A pulse counts as on for this long after its end: the heat under way still has to show."""

TEMPERATURE_SILENCE_S = 5.0
"""A heater may not be on for longer than this without a temperature (or five times guard_silence_s)."""

EXCUSED_MAX_S = 30.0
"""For no longer than this may a drill ask the guard to bear a silence that it causes itself."""

ABOVE_CEILING_MAX_K = 20.0
"""How far above its ceiling a drill may ask a heater to go; the node is expected to refuse."""

SETTLE_S = 0.05
ON_THRESHOLD = 0.001


@dataclass(slots=True)
class _Hot:
    """A heater that is on. `limit_c` is None until a first temperature says where it starts."""

    heater: Heater
    rise_k: float
    setpoint_c: float | None
    until_s: float | None
    since_ns: int
    limit_c: float | None = None
    recent: deque[tuple[int, float]] = field(default_factory=deque)


class Guard:
    """Watches nodes, holds the gates, and switches everything off.

    `records` holds (bench time in s, text) of what it did, for the report. `exists` tells whether the catalogue has
    a check for this description; without it every gate is asked for. `cut_power`, where somebody sets it, takes
    the bench's power away at once and must not wait; it is called when a limit was passed, and when a heater stays on
    that was commanded off.
    """

    def __init__(
        self, link: Link, description: Description, exists: Callable[[str], bool] = lambda _check: True
    ) -> None:
        self._link = link
        self._description = description
        self._exists = exists
        self.cut_power: Callable[[], None] | None = None
        self.power_was_cut = False
        self._limits = description.limits
        self._loads: dict[tuple[str, str], Load] = {
            (type(load).__name__.lower(), load.name): load for load in description.loads
        }
        self._bus_of = {node.name: node.bus or "" for node in description.node}
        self._noise_k = {sensor.name: sensor.noise_max_k for sensor in description.sensor}
        self._drivers: list[NodeDriver] = []
        self._passed: set[str] = set()
        self._on: dict[tuple[str, str], float | None] = {}
        self._hot: dict[str, _Hot] = {}
        self._used_since_off = False
        self._last_c: dict[str, tuple[int, float]] = {}
        self._base_c: dict[str, float] = {}
        self._heard_ns: dict[str, int] = {}
        self._silent: set[str] = set()
        self._excused_ns: dict[str, int] = {}
        self._tripped: tuple[str, float] | None = None
        self._is_acknowledged = True
        self._in_emergency = False
        self._not_commanded: list[str] = []
        self.released_because: str | None = None
        self.records: list[tuple[float, str]] = []

    # --- gates --------------------------------------------------------------------------------------

    def passed(self, check_name: str) -> None:
        """Open the gate of a check that has passed."""
        self._passed.add(check_name)

    def has_passed(self, check_name: str) -> bool:
        return check_name in self._passed

    def release(self, reason: str) -> None:
        """Open every gate, for tests of one's own. The reason is recorded. Limits and all-off stay."""
        if not reason.strip():
            raise UsageError("the gates are released only for a stated reason; it goes into the report")
        self.released_because = reason
        self._record(f"every gate was released: {reason}")

    def permit(self, verb: str, load: str, *, travel_rev: float = 0.0) -> None:
        """Let `verb` energise `load`, or refuse. `travel_rev` is the length of a move in motor turns.

        Raises:
            GuardTripped: a limit was passed and nobody has reset the guard since.
            GateClosed: a check that must come before has not passed in this run.
            UsageError: the description has no such load.
        """
        if self._tripped is not None:
            raise GuardTripped(*self._tripped)
        gates = self._gates(verb, load, travel_rev)
        missing = [gate for gate in gates if gate not in self._passed]
        if missing and self.released_because is None:
            raise GateClosed(verb, load, missing)

    def permit_node(self, verb: str, node: str) -> None:
        """As `permit`, for a verb that is for a whole node."""
        if self._tripped is not None:
            raise GuardTripped(*self._tripped)
        names = {"node": node, "bus": self._bus_of.get(node, "")}
        gates = (gate.format(**names) for gate in NODE_GATES[verb])
        missing = [gate for gate in gates if self._exists(gate) and gate not in self._passed]
        if missing and self.released_because is None:
            raise GateClosed(verb, node, missing)

    def _gates(self, verb: str, name: str, travel_rev: float) -> list[str]:
        kind = _KIND_OF_VERB[verb]
        load = self.load(kind, name)
        if isinstance(load, Stepper) and verb == "move" and travel_rev > load.small_move_rev * 1.001:
            verb = "long move"
        node = load.node or ""
        names = {
            "node": node,
            "bus": self._bus_of.get(node, ""),
            "load": name,
            "sensor": load.sensor if isinstance(load, Heater) else "",
            "home_switch": (load.home_switch or "") if isinstance(load, Stepper) else "",
            "end_switch": (load.end_switch or "") if isinstance(load, Stepper) else "",
        }
        gates = (gate.format(**names) for gate in (GATES | DRILL_GATES)[verb])
        return [gate for gate in gates if not gate.endswith("[]") and self._exists(gate)]

    def load(self, kind: str, name: str) -> Load:
        """The load of this kind and name. Raises UsageError with the known ones."""
        load = self._loads.get((kind, name))
        if load is None:
            known = ", ".join(each for of_kind, each in self._loads if of_kind == kind) or "none"
            raise UsageError(f"the description has no {kind} {name!r}; it has: {known}")
        return load

    # --- what may be asked of a heater ------------------------------------------------------------------

    def check_setpoint(self, heater: str, setpoint_c: float) -> None:
        """Refuse a setpoint above the heater's ceiling before it reaches the wire.

        Raises:
            UsageError: it is the call that is wrong, whatever the node would do with it.
        """
        load = self._heater(heater)
        if not math.isfinite(setpoint_c):
            raise UsageError(
                f"setpoint_c={setpoint_c!r} of heater {heater!r} must be a temperature; 0 is off"
            )
        if setpoint_c > load.ceiling_c:
            raise UsageError(
                f"setpoint_c={setpoint_c:g} of heater {heater!r} is above its ceiling_c={load.ceiling_c:g}; "
                "it was not sent. Ask for less, or correct the ceiling in the description"
            )

    def check_pulse(self, heater: str, duty: float, seconds: float) -> None:
        """Refuse a pulse that could do harm if the element were stronger than stated.

        The rise at worst is duty * seconds * 4 * power / heat capacity, all of the heat staying in the block.

        Raises:
            UsageError: it is more than pulse_rise_max_k, or the duty is not 0..1.
        """
        load = self._heater(heater)
        if not (0.0 <= duty <= 1.0 and seconds >= 0.0 and math.isfinite(seconds)):
            raise UsageError(
                f"pulse of heater {heater!r}: duty={duty!r} must be 0..1, seconds={seconds!r} finite"
            )
        rise_k = duty * seconds * ELEMENT_FACTOR * load.power_w / load.heat_capacity_j_k
        if rise_k > load.pulse_rise_max_k:
            longest_s = (
                load.pulse_rise_max_k * load.heat_capacity_j_k / (ELEMENT_FACTOR * load.power_w * duty)
            )
            raise UsageError(
                f"a pulse of {seconds:g} s at duty {duty:g} could heat the block of {heater!r} by {rise_k:.1f} K if the "
                f"element had four times its power; pulse_rise_max_k allows {load.pulse_rise_max_k:g} K. "
                f"It was not sent. At this duty {longest_s:.2f} s are allowed"
            )

    def _heater(self, name: str) -> Heater:
        load = self.load("heater", name)
        assert isinstance(load, Heater)
        return load

    # --- what is on -------------------------------------------------------------------------------------

    @property
    def energised(self) -> frozenset[str]:
        """Loads that are on as far as the guard knows, as 'heater[reservoir]'."""
        now_s = self._link.now_s
        return frozenset(
            f"{kind}[{name}]"
            for (kind, name), until_s in self._on.items()
            if until_s is None or until_s > now_s
        )

    @property
    def tripped(self) -> str | None:
        """Why the guard forced everything off, until `reset`."""
        return None if self._tripped is None else self._tripped[0]

    def note_on(self, kind: str, name: str, until_s: float | None = None) -> None:
        """A command that energises a load is about to be sent."""
        load = self.load(kind, name)
        if not self._on:
            self._base_c.clear()
        self._on[kind, name] = until_s
        self._used_since_off = True
        self._heard_ns[load.node or ""] = self._link.now_ns

    def note_off(self, kind: str, name: str) -> None:
        """A command that takes a load's power away was sent."""
        self._on.pop((kind, name), None)
        if kind == "heater":
            self._hot.pop(name, None)

    def note_setpoint(self, name: str, setpoint_c: float) -> None:
        """A heater is about to get a closed-loop setpoint above 0."""
        self.note_on("heater", name)
        margin_k = self._limits.guard_margin_k
        self._hot[name] = _Hot(self._heater(name), margin_k, setpoint_c, None, self._link.now_ns)

    def note_pulse(self, name: str, seconds: float) -> None:
        """A heater is about to get an open-loop pulse."""
        heater = self._heater(name)
        until_s = self._link.now_s + seconds + PULSE_TAIL_S
        self.note_on("heater", name, until_s)
        self._hot[name] = _Hot(heater, heater.pulse_rise_max_k, None, until_s, self._link.now_ns)

    def note_node_off(self, node: str) -> None:
        """Everything on a node is off, because it is being reset on purpose."""
        for kind, name in [key for key in self._on if self._loads[key].node == node]:
            self.note_off(kind, name)

    def note_maybe_on(self) -> None:
        """Commands that no sound node follows are about to be sent; the next `all_off` verifies what they did."""
        self._used_since_off = True

    def excuse(self, name: str, seconds: float) -> None:
        """Bear, for a drill, that node or sensor `name` is silent for `seconds` from now on.

        Everything else is watched as before, and the silence counts again afterwards.

        Raises:
            UsageError: it is longer than a drill may last.
        """
        if not 0.0 < seconds <= EXCUSED_MAX_S:
            raise UsageError(
                f"seconds={seconds!r}: a drill may silence {name!r} for up to {EXCUSED_MAX_S:g} s, not longer"
            )
        self._excused_ns[name] = self._link.now_ns + round(seconds * NS_PER_S)
        self._record(f"silence of {name!r} is borne for {seconds:g} s, for a drill")

    def _is_excused(self, name: str) -> bool:
        return self._excused_ns.get(name, 0) > self._link.now_ns

    # --- watching ---------------------------------------------------------------------------------------

    def watch(self, driver: NodeDriver) -> Callable[[], None]:
        """Listen to a node's readings from now on; returns what ends that."""
        if not self._drivers:
            self._link.every(self._limits.guard_silence_s / 4, self._look)
        self._drivers.append(driver)
        return driver.on_reading(lambda reading: self._on_reading(driver.name, reading))

    def _on_reading(self, node: str, reading: Reading) -> None:
        self._heard_ns[node] = self._link.now_ns
        if reading.kind == "temperature_c":
            self._on_temperature(reading.name, reading.value, reading.t_ns)
        elif reading.kind == "boot" and (on := self._on_of(node)):
            self._trip(f"node {node!r} restarted by itself while {', '.join(on)} was on")

    def _on_of(self, node: str) -> list[str]:
        now_s = self._link.now_s
        return [
            f"{kind}[{name}]"
            for (kind, name), until_s in self._on.items()
            if self._loads[kind, name].node == node and (until_s is None or until_s > now_s)
        ]

    def _on_temperature(self, sensor: str, value_c: float, t_ns: int) -> None:
        heaters = [heater for heater in self._description.heater if heater.sensor == sensor]
        if math.isnan(value_c):
            for heater in heaters:
                if heater.name in self._hot and not self._is_excused(sensor):
                    self._trip(f"sensor {sensor!r} has no valid value while heater {heater.name!r} is on")
            return
        self._last_c[sensor] = (t_ns, value_c)
        for heater in heaters:
            if value_c > heater.ceiling_c:
                self._trip(
                    f"sensor {sensor!r} reads {value_c:.1f} degC, above the ceiling of heater {heater.name!r} "
                    f"({heater.ceiling_c:g} degC)"
                )
            hot = self._hot.get(heater.name)
            if hot is not None:
                self._check_own_limit(hot, value_c)
                self._check_rise(hot, value_c, t_ns)
            else:
                self._check_neighbour(sensor, heater, value_c)

    def _check_own_limit(self, hot: _Hot, value_c: float) -> None:
        if hot.limit_c is None:
            # A block that was hotter before is let cool towards its new setpoint.
            start_c = value_c if hot.setpoint_c is None else max(value_c, hot.setpoint_c)
            hot.limit_c = start_c + hot.rise_k
        elif value_c > hot.limit_c:
            goal = "its pulse" if hot.setpoint_c is None else f"its setpoint {hot.setpoint_c:g} degC"
            self._trip(
                f"heater {hot.heater.name!r}: sensor {hot.heater.sensor!r} reads {value_c:.1f} degC, "
                f"{goal} allows {hot.limit_c:.1f} degC"
            )

    def _check_rise(self, hot: _Hot, value_c: float, t_ns: int) -> None:
        """Faster than the stated heater can: a stronger element, a sensor that is lost, a wrong block."""
        if hot.until_s is not None and t_ns / NS_PER_S > hot.until_s:
            return
        hot.recent.append((t_ns, value_c))
        while t_ns - hot.recent[0][0] > RISE_WINDOW_S * NS_PER_S:
            hot.recent.popleft()
        long_enough = [then for then in hot.recent if t_ns - then[0] >= RISE_SPAN_MIN_S * NS_PER_S]
        if long_enough:
            # The longest span tells a strong element from noise, the shortest catches a sensor that jumps.
            for then_ns, then_c in (long_enough[0], long_enough[-1]):
                self._check_span(hot.heater, value_c - then_c, (t_ns - then_ns) / NS_PER_S)

    def _check_span(self, heater: Heater, rise_k: float, span_s: float) -> None:
        caused_k = heater.power_w / heater.heat_capacity_j_k * span_s
        allowed_k = self._limits.guard_rise_factor * caused_k
        allowed_k += NOISE_FACTOR * self._noise_k.get(heater.sensor, 1.0)
        if rise_k > allowed_k:
            self._trip(
                f"heater {heater.name!r}: sensor {heater.sensor!r} rose by {rise_k:.1f} K in {span_s:.2f} s, the "
                f"stated heater can cause {caused_k:.1f} K and {allowed_k:.1f} K were allowed"
            )

    def _check_neighbour(self, sensor: str, heater: Heater, value_c: float) -> None:
        """The block of a heater that is off must not get hotter than what the heaters that are on may cause."""
        others = list(self._hot.values())  # of every node: plugs of two boards are exchanged as easily
        if not others:
            self._base_c.pop(sensor, None)
            return
        base_c = self._base_c.setdefault(sensor, value_c)
        limit_c = max(max(base_c, hot.setpoint_c or base_c) + hot.rise_k for hot in others)
        if value_c > limit_c:
            names = ", ".join(repr(hot.heater.name) for hot in others)
            self._trip(
                f"heater {heater.name!r} is off, but its sensor {sensor!r} reads {value_c:.1f} degC (allowed "
                f"{limit_c:.1f}) while {names} is on: heaters or sensors may be swapped"
            )

    def _look(self) -> None:
        """Run every quarter of guard_silence_s. Twice silent in a row trips: what arrived in between was read."""
        if self._tripped is not None and not self._is_acknowledged:
            raise GuardTripped(*self._tripped)
        silent = dict(self._silences())
        for key, reason in silent.items():
            if key in self._silent:
                self._silent.clear()
                self._trip(reason)
        self._silent = set(silent)

    def _silences(self) -> list[tuple[str, str]]:
        now_ns, found = self._link.now_ns, []
        allowed_s = self._limits.guard_silence_s
        for node in {driver.name for driver in self._drivers}:
            heard_ns = max(self._heard_ns.get(node, now_ns), self._excused_ns.get(node, 0))
            quiet_s = (now_ns - heard_ns) / NS_PER_S
            if quiet_s > allowed_s and (on := self._on_of(node)):
                text = f"no sign of node {node!r} for {quiet_s:.2f} s while {', '.join(on)} was on"
                found.append((f"node {node}", text))
        blind_s = max(TEMPERATURE_SILENCE_S, 5 * allowed_s)
        for name, hot in self._hot.items():
            if hot.until_s is not None and now_ns / NS_PER_S > hot.until_s:
                continue
            sensor = hot.heater.sensor
            last_ns = max(
                hot.since_ns, self._last_c.get(sensor, (0, 0.0))[0], self._excused_ns.get(sensor, 0)
            )
            if (now_ns - last_ns) / NS_PER_S > blind_s:
                text = f"no temperature from sensor {hot.heater.sensor!r} for {blind_s:g} s while heater {name!r} was on"
                found.append((f"sensor {hot.heater.sensor}", text))
        return found

    # --- off ------------------------------------------------------------------------------------------------

    def _trip(self, reason: str) -> None:
        if self._tripped is None:
            self._tripped = (reason, self._link.now_s)
            self._is_acknowledged = False
            self._record(f"tripped: {reason}")
            lost = self._command_off()
            if lost is not None:
                self._tripped = (f"{reason}; then {lost}", self._tripped[1])
            self._cut_the_power()
        if not self._is_acknowledged:
            raise GuardTripped(*self._tripped)

    def _cut_the_power(self) -> None:
        """A command may have been lost, or a switch may have failed closed: what has a bench supply needs no luck."""
        if self.cut_power is None or self.power_was_cut:
            return
        try:
            self.cut_power()
        except HiltestError as error:
            self._record(f"THE BENCH SUPPLY COULD NOT BE SWITCHED OFF, cut it by hand: {error}")
        else:
            self.power_was_cut = True
            self._record("the bench supply was switched off")

    def all_off(self, reason: str) -> tuple[str, ...]:
        """Command every output off on every node, then read back what can be read.

        Returns what could not be verified, in words. Reads back only when something was energised since the
        last time and the caller may wait (not inside a listener).

        Raises:
            NodeFault: a node says that a heater is still on. Cut the supply.
            BenchLost: the adapter is gone; what remains is the nodes' own watch on the host.
        """
        self._is_acknowledged = True
        used, self._used_since_off = self._used_since_off, False
        self._forget_what_is_on()
        if used:
            self._record(f"all off: {reason}")
        lost = self._command_off()
        if lost is not None:
            raise lost
        return self._verify_off() if used and self._link.can_wait else ()

    def emergency_off(self) -> bool:
        """Command every output off from wherever the program is; True if every command went out.

        For signal handlers and time-outs: never raises, waits for nothing, may be called again and from inside
        itself. The host falls silent afterwards, so that the nodes' own watch acts too.
        """
        if self._in_emergency:
            return False
        self._in_emergency = True
        try:
            self._forget_what_is_on()
            self._command_off()
            is_off = not self._not_commanded
            for driver in self._drivers:
                _quietly(driver.go_silent)
            return is_off
        except Exception:  # there is nobody to tell, and nothing may keep the caller from ending
            return False
        finally:
            self._in_emergency = False

    def reset(self) -> str | None:
        """Allow energising again after a trip, between checks; return the reason of the trip."""
        reason = self.tripped
        self._tripped, self._is_acknowledged = None, True
        self._silent.clear()
        return reason

    def _forget_what_is_on(self) -> None:
        self._on.clear()
        self._hot.clear()

    def _command_off(self) -> BenchLost | None:
        lost: BenchLost | None = None
        self._not_commanded = []
        for driver in self._drivers:
            try:
                driver.stop_all()
            except BenchLost as error:
                lost = error
                self._not_commanded.append(driver.name)
            except Exception as error:  # one node's driver must not keep the next node's outputs on
                self._not_commanded.append(driver.name)
                self._record(f"stop_all of {driver.name!r} failed: {error!r}")
        self._forget_what_is_on()
        return lost

    def _verify_off(self) -> tuple[str, ...]:
        self._link.run_for(SETTLE_S)
        unverified: list[str] = []
        for heater in self._description.heater:
            driver = next((each for each in self._drivers if each.name == heater.node), None)
            if driver is None or f"read_heater_output[{heater.name}]" not in driver.offers:
                unverified.append(f"heater {heater.name!r}: its node does not say what it applies")
                continue
            try:
                output = self._output_after_all_off(driver, heater.name)
            except NodeFault as error:
                unverified.append(f"heater {heater.name!r}: {error}")
                continue
            if output > ON_THRESHOLD:
                self._cut_the_power()
                advice = "The bench supply was switched off" if self.power_was_cut else "Cut the supply now"
                raise NodeFault(
                    f"heater {heater.name!r} is still on ({100 * output:.1f} %) after every output was commanded off. "
                    f"{advice}"
                )
        for text in unverified:
            self._record(f"off was commanded but not verified: {text}")
        return tuple(unverified)

    def _output_after_all_off(self, driver: NodeDriver, heater: str) -> float:
        output = driver.read_heater_output(heater)
        if output > ON_THRESHOLD:
            driver.stop_all()
            self._link.run_for(4 * SETTLE_S)
            output = driver.read_heater_output(heater)
        return output

    def _record(self, text: str) -> None:
        self.records.append((self._link.now_s, text))


_KIND_OF_VERB = {
    "set_fan": "fan",
    "set_lamp": "lamp",
    "pulse_heater": "heater",
    "set_heater_c": "heater",
    "ask_above_ceiling": "heater",
    "enable_driver": "stepper",
    "move": "stepper",
}


def _quietly(action: Callable[[], None]) -> None:
    try:
        action()
    except HiltestError:
        return


class GuardedNode:
    """A node's verbs behind the guard: the same as `verbs.NodeDriver`, but nothing energises unasked.

    Verbs that energise raise, besides what the driver raises, `GateClosed` or `GuardTripped`, and `UsageError` for
    a setpoint above the ceiling or a pulse that is too long. Switching off is always allowed.
    """

    def __init__(self, driver: NodeDriver, guard: Guard) -> None:
        self._driver = driver
        self._guard = guard
        self.name = driver.name

    @property
    def driver(self) -> NodeDriver:
        """The driver without the guard. Whoever energises through it has no protection."""
        return self._driver

    @property
    def offers(self) -> frozenset[str]:
        """Verbs this node has, as 'verb' or 'verb[load]'."""
        return self._driver.offers

    @property
    def unanswered(self) -> int:
        """Requests that stayed without an answer so far."""
        return self._driver.unanswered

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        """Closed loop towards `setpoint_c`. 0 switches the heater off."""
        self._guard.check_setpoint(heater, setpoint_c)
        if setpoint_c > 0:
            self._guard.permit("set_heater_c", heater)
            # Before it is sent: a command whose answer is lost may still have been carried out.
            self._guard.note_setpoint(heater, setpoint_c)
            self._driver.set_heater_c(heater, setpoint_c)
        else:
            self._driver.set_heater_c(heater, setpoint_c)
            self._guard.note_off("heater", heater)

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        """Open loop at `duty` (0..1); the node itself ends it after `seconds`."""
        self._guard.check_pulse(heater, duty, seconds)
        if duty > 0 and seconds > 0:
            self._guard.permit("pulse_heater", heater)
            self._guard.note_pulse(heater, seconds)
            self._driver.pulse_heater(heater, duty, seconds)
        else:
            self._driver.pulse_heater(heater, duty, seconds)
            self._guard.note_off("heater", heater)

    def set_fan(self, fan: str, duty: float) -> None:
        """Run a fan at `duty` (0..1); 0 switches it off."""
        self._switch("set_fan", "fan", fan, duty > 0, partial(self._driver.set_fan, fan, duty))

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        """Show one colour of the lamp, or none."""
        is_on = colour is not None
        self._switch("set_lamp", "lamp", lamp, is_on, partial(self._driver.set_lamp, lamp, colour))

    def enable_driver(self, stepper: str, on: bool) -> None:
        """Put current on the motor, or take it off."""
        send = partial(self._driver.enable_driver, stepper, on)
        self._switch("enable_driver", "stepper", stepper, on, send)

    def _switch(self, verb: str, kind: str, name: str, on: bool, send: Callable[[], None]) -> None:
        if on:
            self._guard.permit(verb, name)
            self._guard.note_on(kind, name)
            send()
        else:
            send()
            self._guard.note_off(kind, name)

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move; returns when the node says it is done. Raises NoAnswer when it does not."""
        load = self._guard.load("stepper", stepper)
        assert isinstance(load, Stepper)
        travel_rev = abs(microsteps) / (load.steps_per_rev * load.microsteps)
        self._guard.permit("move", stepper, travel_rev=travel_rev)
        self._guard.note_on("stepper", stepper)
        self._driver.move(stepper, microsteps, speed_rev_s, within_s)

    def restart(self, within_s: float) -> float:
        """Reset the node; return seconds from the command to its first sign of life. All outputs end off."""
        self._guard.note_node_off(self.name)
        return self._driver.restart(within_s)

    # --- for drills: what a careless, late or dead host would do --------------------------------------

    def ask_above_ceiling(self, heater: str, above_k: float = 10.0) -> bool:
        """Ask the node for a setpoint above the heater's ceiling; True if the node took it.

        The only setpoint that passes the guard's own ceiling. It is taken back at once, whatever the node answered,
        and it needs a heater that has shown its pulse and its closed loop.

        Raises:
            UsageError: `above_k` is not 0 to 20 K.
        """
        load = self._guard.load("heater", heater)
        assert isinstance(load, Heater)
        if not 0.0 < above_k <= ABOVE_CEILING_MAX_K:
            raise UsageError(f"above_k={above_k!r} must be more than 0 and up to {ABOVE_CEILING_MAX_K:g} K")
        self._guard.permit("ask_above_ceiling", heater)
        self._guard.note_setpoint(heater, load.ceiling_c)
        try:
            self._driver.set_heater_c(heater, load.ceiling_c + above_k)
        except Refused:
            return False
        finally:
            self._driver.set_heater_c(heater, 0.0)
            self._guard.note_off("heater", heater)
        return True

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset; never above the described one.

        Raises:
            UsageError: it is above the heater's ceiling.
            NotOffered: the node has no such setting.
        """
        load = self._guard.load("heater", heater)
        assert isinstance(load, Heater)
        if not ceiling_c <= load.ceiling_c:
            raise UsageError(
                f"ceiling_c={ceiling_c!r}: the ceiling of heater {heater!r} is {load.ceiling_c:g}"
            )
        self._drills("set_heater_ceiling_c").set_heater_ceiling_c(heater, ceiling_c)

    def send_stale(self, fans: Mapping[str, float], heaters_c: Mapping[str, float]) -> None:
        """Send commands as a host that missed the node's reset: a sound node does not follow them.

        Never waits, so a timer may call it while the node is down; what nobody acknowledges stays in the adapter's
        queue. The same gates as for fans and setpoints hold. The guard does not count these loads as on, so whoever
        sends watches the outputs and calls `stop_all` when one comes on.

        Raises:
            NotOffered: the driver can't do this.
        """
        drills = self._drills("send_stale")
        for fan in fans:
            self._guard.permit("set_fan", fan)
        for heater, setpoint_c in heaters_c.items():
            self._guard.check_setpoint(heater, setpoint_c)
            self._guard.permit("set_heater_c", heater)
        self._guard.note_maybe_on()
        drills.send_stale(fans, heaters_c)

    def hang(self, seconds: float) -> None:
        """Let the node's program stand still; the guard bears its silence and its restart for `seconds`.

        Nothing on the bus can switch its outputs off meanwhile: whoever calls this has put on no more than may stay on
        for ever.

        Raises:
            GateClosed: the node has not shown that it drops its outputs when the host falls silent.
            NotOffered: the node can't do this.
        """
        if not isinstance(self._driver, Hangs) or "hang" not in self.offers:
            raise NotOffered(self.name, "hang")
        self._guard.permit_node("hang", self.name)
        self._guard.excuse(self.name, seconds)
        self._guard.note_node_off(self.name)
        self._guard.note_maybe_on()
        self._driver.hang()

    def excuse(self, name: str, seconds: float) -> None:
        """Let the guard bear that this node, or the sensor `name`, is silent for a drill; see `Guard.excuse`."""
        self._guard.excuse(name, seconds)

    def has_no_power(self) -> None:
        """Tell the guard that the node's power was taken away on purpose, so that its loads are off and it may boot."""
        self._guard.note_node_off(self.name)

    def _drills(self, verb: str) -> Drills:
        if not isinstance(self._driver, Drills):
            raise NotOffered(self.name, verb)
        return self._driver

    # Nothing below energises.

    def read_encoder(self, stepper: str) -> int:
        """The counter of a stepper's encoder. Raises NotOffered where the node has none."""
        if not isinstance(self._driver, HasEncoder):
            raise NotOffered(self.name, f"read_encoder[{stepper}]")
        return self._driver.read_encoder(stepper)

    def start(self) -> None:
        """Attach to the link, start the host's sign of life, leave every output off."""
        self._driver.start()

    def stop(self) -> None:
        """Detach from the link."""
        self._driver.stop()

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._driver.on_reading(listener)

    def search(self, within_s: float) -> Mapping[int, Presence]:
        """Look for every node of this protocol on the bus, disturbing none."""
        return self._driver.search(within_s)

    def identify(self) -> Identity:
        """Who the node says it is."""
        return self._driver.identify()

    def read_status(self) -> NodeStatus:
        """Time since reset, and its cause."""
        return self._driver.read_status()

    def read_bus_counters(self) -> BusCounters:
        """The node's own CAN error counters."""
        return self._driver.read_bus_counters()

    def watch_heartbeat(self, for_s: float) -> list[float]:
        """Bench times (s) of the node's heartbeats during the next `for_s` seconds."""
        return self._driver.watch_heartbeat(for_s)

    def go_silent(self) -> None:
        """Stop everything the host sends by itself, as if it had died."""
        self._driver.go_silent()

    def resume(self) -> None:
        """Start the host's sign of life again. Commands nothing."""
        self._driver.resume()

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node send `frames` frames, one every `interval_s`; returns at once."""
        self._driver.send_burst(frames, interval_s)

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent so far."""
        return self._driver.read_burst()

    def burst_ids(self) -> frozenset[int]:
        """Identifiers of the frames of a burst, if the node numbers them; else none."""
        return self._driver.burst_ids() if isinstance(self._driver, NumbersItsBurst) else frozenset()

    def send_hard_burst(self, frames: int, interval_s: float) -> None:
        """A burst with few edges to synchronise on. Raises NotOffered where the node has no such data."""
        if not isinstance(self._driver, NumbersItsBurst):
            raise NotOffered(self.name, "send_hard_burst")
        self._driver.send_hard_burst(frames, interval_s)

    def synchronise(self) -> None:
        """Make the nodes send what they send on a common signal. Raises NotOffered where there is none."""
        if not isinstance(self._driver, Synchronises):
            raise NotOffered(self.name, "synchronise")
        self._driver.synchronise()

    def compare_configuration(self) -> tuple[int, list[str]]:
        """How many settings are known, and each that differs. Raises NotOffered where none is known."""
        if not isinstance(self._driver, Configured):
            raise NotOffered(self.name, "compare_configuration")
        return self._driver.compare_configuration()

    def read_supply_v(self) -> float:
        """Supply voltage at the node."""
        return self._driver.read_supply_v()

    def read_temperature_c(self, sensor: str) -> float:
        """Temperature in degC; raises Refused when the node has no valid value."""
        return self._driver.read_temperature_c(sensor)

    def read_heater_output(self, heater: str) -> float:
        """Duty (0..1) that the node applies at this moment."""
        return self._driver.read_heater_output(heater)

    def read_tach_hz(self, fan: str) -> float:
        """Tach pulses per second."""
        return self._driver.read_tach_hz(fan)

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        """Set run current (A RMS per phase) and microsteps of the stepper driver."""
        self._driver.configure_driver(stepper, run_current_a, microsteps)

    def read_driver(self, stepper: str) -> StepperDriver:
        """What the stepper driver reports."""
        return self._driver.read_driver(stepper)

    def read_position(self, stepper: str) -> int:
        """The node's step counter, in microsteps."""
        return self._driver.read_position(stepper)

    def read_switch(self, switch: str) -> bool:
        """True when the switch is actuated."""
        return self._driver.read_switch(switch)

    def stop_all(self) -> None:
        """Command every output off by the quickest way. Never waits for an answer."""
        self._driver.stop_all()
        self._guard.note_node_off(self.name)
