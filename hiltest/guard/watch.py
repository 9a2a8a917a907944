"""Limits, gates and all-off: what the guard does by itself, by what the nodes say."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from hiltest.clock import NS_PER_S
from hiltest.description.models import Description, Heater, Load, Stepper
from hiltest.errors import (
    BenchLost,
    GateClosed,
    GuardTripped,
    HiltestError,
    NodeFault,
    UsageError,
)
from hiltest.guard.ceilings import HOT_BY_ITSELF, ceilings
from hiltest.guard.gates import (
    BRIEF_S,
    DRILL_GATES,
    GATES,
    HELD_BACK_BY,
    KIND_OF_VERB,
    NODE_GATES,
    SMALL_MOVES_OUT,
)
from hiltest.guard.ways import Way
from hiltest.link import Link
from hiltest.node.verbs import (
    NodeDriver,
    Reading,
    StopsEach,
)

ELEMENT_FACTOR = 4.0
"""Worst element that a pulse is reckoned with: four times the stated power, as at twice the voltage."""

RISE_WINDOW_S = 8.0
RISE_SPAN_MIN_S = 1.0
NOISE_FACTOR = 4.0 * math.sqrt(2.0)
"""Standard deviations of one reading that are not taken for a rise: the difference of two readings has the noise of both."""

PULSE_TAIL_S = 10.0
"""A pulse counts as on for this long after its end: the heat under way still has to show."""

TEMPERATURE_SILENCE_S = 5.0
"""A heater may not be on for longer than this without a temperature (or five times guard_silence_s)."""

EXCUSED_MAX_S = 30.0
"""For no longer than this may a drill ask the guard to bear a silence that it causes itself."""

SETTLE_S = 0.05
VERIFY_AGAIN_S, VERIFY_EVERY_S = 2.0, 0.2
"""So long, and until a second after a pulse has ended by itself, a heater is asked again that could not be seen to be off."""
ON_THRESHOLD = 0.001


@dataclass(slots=True)
class _Hot:
    """A heater that is on. `limit_c` is None until a first temperature says where it starts. `brief_until_s` ends a
    setpoint that may only stand as long as a pulse."""

    heater: Heater
    rise_k: float
    setpoint_c: float | None
    until_s: float | None
    since_ns: int
    limit_c: float | None = None
    brief_until_s: float = math.inf
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
        self._ceilings = ceilings(description)
        self._noise_k = {sensor.name: sensor.noise_max_k for sensor in description.sensor}
        self._drivers: list[NodeDriver] = []
        self._passed: set[str] = set()
        self._failed: dict[str, None] = {}
        self._on: dict[tuple[str, str], float | None] = {}
        self._hot: dict[str, _Hot] = {}
        self._ways: dict[str, Way] = {each.name: Way() for each in description.stepper}
        self._used_since_off = self._ever_used = False
        self._last_c: dict[str, tuple[int, float]] = {}
        self._base_c: dict[str, float] = {}
        self._heard_ns: dict[str, int] = {}
        self._silent: set[str] = set()
        self._excused_ns: dict[str, int] = {}
        self._out: set[str] = set()
        """Sensors that a drill took away: what they read between no values is their open input, not the block."""
        self._tripped: tuple[str, float, tuple[str, ...]] | None = None
        self._is_acknowledged = True
        self._in_emergency = False
        self._ends_s: dict[str, float] = {}
        self._doubted: dict[str, str] = {}
        self.seen_late: list[str] = []
        """In words: the heaters that were seen to be off only when they were asked again; whoever tells of them empties it."""
        self.not_commanded: tuple[str, ...] = ()
        """In words: the nodes that the last all-off did not reach, and why."""
        self.released_because: str | None = None
        self.records: list[tuple[float, str]] = []

    # --- gates --------------------------------------------------------------------------------------

    def passed(self, check_name: str) -> None:
        """Open the gate of a check that has passed."""
        self._passed.add(check_name)
        self._failed.pop(check_name, None)

    def failed(self, check_name: str) -> None:
        """Hold back what goes far, if a check of the catalogue has failed that says so: see HELD_BACK_BY."""
        self._passed.discard(check_name)
        if check_name.partition(".")[0] in HELD_BACK_BY and self._exists(check_name):
            self._failed[check_name] = None

    @property
    def held_back_by(self) -> tuple[str, ...]:
        """Failed checks after which nothing is moved or heated far: see HELD_BACK_BY. Empty where all gates are released."""
        return tuple(self._failed) if self.released_because is None else ()

    def has_passed(self, check_name: str) -> bool:
        return check_name in self._passed

    def release(self, reason: str) -> None:
        """Open every gate, for tests of one's own. The reason is recorded. Limits and all-off stay."""
        if not reason.strip():
            raise UsageError("the gates are released only for a stated reason; it goes into the report")
        self.released_because = reason
        self._record(f"every gate was released: {reason}")

    def permit(self, verb: str, load: str, *, travel_rev: float = 0.0) -> None:
        """Let `verb` energise `load`, or refuse. `travel_rev` is a move in motor turns, with its sign.

        Raises:
            GuardTripped: a limit was passed and nobody has reset the guard since.
            GateClosed: a check that must come before has not passed in this run.
            UsageError: the description has no such load.
        """
        if self._tripped is not None:
            raise GuardTripped(*self._tripped)
        self._clear_doubts()
        gates = self._gates(verb, load, travel_rev)
        missing = [gate for gate in gates if gate not in self._passed]
        if self._is_long(verb, load, travel_rev):
            missing += [failed for failed in self.held_back_by if failed not in missing]
        if missing and self.released_because is None:
            raise GateClosed(verb + self._adds_up(verb, load, travel_rev), load, missing)

    def _adds_up(self, verb: str, name: str, travel_rev: float) -> str:
        """In words, where it is the moves before that make a move long."""
        if not self._is_long(verb, name, travel_rev):
            return ""
        out_rev = self.way(name).reach_rev(travel_rev)
        if abs(travel_rev) >= abs(out_rev):
            return ""
        return f" (with those before it {out_rev:+.2f} turns from where it began)"

    def _is_long(self, verb: str, name: str, travel_rev: float) -> bool:
        if verb != "move":
            return False
        load = self.load("stepper", name)
        assert isinstance(load, Stepper)
        if abs(travel_rev) > load.small_move_rev * 1.001:
            return True
        return self.way(name).leads_out(travel_rev, SMALL_MOVES_OUT * load.small_move_rev * 1.001)

    def way(self, stepper: str) -> Way:
        """How far this axis may be from where it began."""
        self.load("stepper", stepper)
        return self._ways[stepper]

    def axes_of(self, node: str) -> tuple[str, ...]:
        """Names of the steppers of a node."""
        return tuple(each.name for each in self._description.stepper if each.node == node)

    def permit_node(self, verb: str, node: str) -> None:
        """As `permit`, for a verb that is for a whole node."""
        if self._tripped is not None:
            raise GuardTripped(*self._tripped)
        self._clear_doubts()
        names = {"node": node, "bus": self._bus_of.get(node, "")}
        gates = (gate.format(**names) for gate in NODE_GATES[verb])
        missing = [gate for gate in gates if self._exists(gate) and gate not in self._passed]
        if missing and self.released_because is None:
            raise GateClosed(verb, node, missing)

    def _gates(self, verb: str, name: str, travel_rev: float) -> list[str]:
        kind = KIND_OF_VERB[verb]
        load = self.load(kind, name)
        if self._is_long(verb, name, travel_rev):
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

    @property
    def too_hot(self) -> str:
        """In words: a sensor whose last reading lies above its ceiling; empty where none does."""
        for sensor, (_, value_c) in self._last_c.items():
            ceiling = self._ceilings.get(sensor)
            if ceiling is not None and value_c > ceiling.at_c:
                return f"sensor {sensor!r} reads {value_c:.1f} degC, its ceiling is {ceiling.at_c:g} degC"
        return ""

    def note_on(self, kind: str, name: str, until_s: float | None = None) -> None:
        """A command that energises a load is about to be sent."""
        load = self.load(kind, name)
        if not self._on:
            self._base_c.clear()
        self._on[kind, name] = until_s
        self._used_since_off = self._ever_used = True
        self._heard_ns[load.node or ""] = self._link.now_ns

    def note_off(self, kind: str, name: str) -> None:
        """A command that takes a load's power away was sent."""
        self._on.pop((kind, name), None)
        if kind == "heater":
            self._hot.pop(name, None)

    def note_setpoint(self, name: str, setpoint_c: float) -> None:
        """A heater is about to get a closed-loop setpoint above 0."""
        self.note_on("heater", name)
        self._ends_s[name] = self._link.now_s
        margin_k = self._limits.guard_margin_k
        heater, before = self._heater(name), self._hot.get(name)
        hot = self._hot[name] = _Hot(heater, margin_k, setpoint_c, None, self._link.now_ns)
        if self.held_back_by:
            hot.brief_until_s = self._link.now_s + max(heater.pulse_s, BRIEF_S)
        if before is not None:  # one that is given again stands on
            hot.brief_until_s = min(hot.brief_until_s, before.brief_until_s)

    def note_pulse(self, name: str, seconds: float) -> None:
        """A heater is about to get an open-loop pulse."""
        heater = self._heater(name)
        until_s = self._link.now_s + seconds + PULSE_TAIL_S
        self.note_on("heater", name, until_s)
        self._ends_s[name] = self._link.now_s + seconds
        self._hot[name] = _Hot(heater, heater.pulse_rise_max_k, None, until_s, self._link.now_ns)

    def note_node_off(self, node: str) -> None:
        """Everything on a node is off, because it is being reset on purpose."""
        for kind, name in [key for key in self._on if self._loads[key].node == node]:
            self.note_off(kind, name)

    def note_stopped(self, node: str) -> None:
        """The stop command was sent: no move is under way on this node."""
        for stepper in self.axes_of(node):
            self._ways[stepper].ended = True

    def note_maybe_on(self, heaters: Iterable[str] = ()) -> None:
        """Commands that no sound node follows are about to be sent; the next `all_off` verifies what they did."""
        self._used_since_off = self._ever_used = True
        for name in heaters:
            self._ends_s[name] = self._link.now_s

    def note_no_power(self, node: str) -> None:
        """The node's power was taken away on purpose: everything on it is off, and no heater of it is in doubt."""
        self.note_node_off(node)
        for heater in self._description.heater:
            if heater.node == node:
                self._ends_s.pop(heater.name, None)
                self._doubted.pop(heater.name, None)

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
            if self._is_excused(sensor):
                self._out.add(sensor)
                return
            for heater in heaters:
                if heater.name in self._hot:
                    self._trip(f"sensor {sensor!r} has no valid value while heater {heater.name!r} is on")
            return
        self._last_c[sensor] = (t_ns, value_c)
        ceiling = self._ceilings.get(sensor)
        # Before anything was on, a sensor of no heater that reads hot is a wrong sensor: its own check says so, and better.
        if ceiling is not None and value_c > ceiling.at_c and (heaters or self._ever_used):
            is_heated = bool(self._hot) or any(kind == "stepper" for kind, _ in self._on)
            look_first = () if is_heated else HOT_BY_ITSELF
            self._trip(f"sensor {sensor!r} reads {value_c:.1f} degC, above {ceiling.whose}", look_first)
        for heater in heaters:
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
        if hot.heater.sensor in self._out:
            hot.recent.clear()
            if self._is_excused(hot.heater.sensor):
                return
            self._out.discard(hot.heater.sensor)
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
        allowed_k += NOISE_FACTOR * self._noise_k.get(heater.sensor, 0.5)
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
        self._look_at_brief()
        silent = dict(self._silences())
        for key, reason in silent.items():
            if key in self._silent:
                self._silent.clear()
                self._trip(reason)
        self._silent = set(silent)

    def _look_at_brief(self) -> None:
        """After a failed check the loop is not closed for longer than a pulse."""
        for name, hot in list(self._hot.items()):
            if self._link.now_s > hot.brief_until_s:
                self._trip(
                    f"heater {name!r} had a setpoint for longer than a pulse ({max(hot.heater.pulse_s, BRIEF_S):g} s), "
                    f"after {', '.join(self.held_back_by)} failed"
                )

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

    def _trip(self, reason: str, look_first: tuple[str, ...] = ()) -> None:
        if self._tripped is None:
            self._tripped = (reason, self._link.now_s, look_first)
            self._is_acknowledged = False
            self._record(f"tripped: {reason}")
            lost = self._command_off()
            if lost is not None:
                self._tripped = (f"{reason}; then {lost}", *self._tripped[1:])
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

    @property
    def has_energised(self) -> bool:
        """Was something switched on since the last `all_off`?"""
        return self._used_since_off

    def all_off(self, reason: str) -> tuple[str, ...]:
        """Command every output off on every node, then read back what can be read.

        Returns, in words, what was not commanded (see `not_commanded`), then what could not be verified. Reads back only
        when something was energised since the last time and the caller may wait (not inside a listener).

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
        self._used_since_off = used and bool(self.not_commanded)
        return self.not_commanded + (self._verify_off() if used and self._link.can_wait else ())

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
            is_off = not self.not_commanded
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
        missed: list[str] = []
        for driver in self._drivers:
            why = ""
            try:
                if driver.stop_all() is False:
                    why = "the adapter did not take every command"
                else:
                    self.note_stopped(driver.name)
            except BenchLost as error:
                lost = error
                missed.append(f"node {driver.name!r}: {error}")
            except Exception as error:  # one node's driver must not keep the next node's outputs on
                why = f"its driver's stop_all failed: {error!r}"
            if why:
                missed.append(f"node {driver.name!r}: {why}")
                self._record(f"NOT COMMANDED OFF, cut the supply: {missed[-1]}")
        self.not_commanded = tuple(missed)
        self._forget_what_is_on()
        return lost

    def _verify_off(self) -> tuple[str, ...]:
        self._link.run_for(SETTLE_S)
        for each in self._drivers:
            if isinstance(each, StopsEach):
                each.stop_each()  # a fan or motor whose node does not obey its all-off shows in no output that is read
        unverified: list[str] = []
        for heater in self._description.heater:
            driver = next((each for each in self._drivers if each.name == heater.node), None)
            if driver is None or f"read_heater_output[{heater.name}]" not in driver.offers:
                unverified.append(f"heater {heater.name!r}: its node does not say what it applies")
                continue
            start_s = self._link.now_s
            why = self._why_not_verified(driver, heater.name)
            if why and heater.name in self._ends_s:
                self._doubted[heater.name] = why
                why = self._ask_until_seen(driver, heater.name, why, start_s)
            if why:
                unverified.append(f"heater {heater.name!r}: {why}")
        for text in unverified:
            self._record(f"off was commanded but not verified: {text}")
        return tuple(unverified)

    def _why_not_verified(self, driver: NodeDriver, heater: str) -> str:
        """Ask once whether it is off: why nobody can say, empty where it is. Raises NodeFault where it is on."""
        try:
            output = self._output_after_all_off(driver, heater)
        except NodeFault as error:
            return str(error)
        if output > ON_THRESHOLD:
            self._cut_the_power()
            advice = (
                "The bench supply was switched off" if self.power_was_cut else "SWITCH THE SUPPLY OFF NOW"
            )
            raise NodeFault(
                f"heater {heater!r} is still on ({100 * output:.1f} %) after every output was commanded off. {advice}"
            )
        self._ends_s.pop(heater, None)
        self._doubted.pop(heater, None)
        return ""

    def _ask_until_seen(self, driver: NodeDriver, heater: str, why: str, start_s: float) -> str:
        """Command it off and ask again for VERIFY_AGAIN_S, or until a second after its pulse; why nobody can say, in the end."""
        end_s = max(start_s + VERIFY_AGAIN_S, self._ends_s[heater] + 1.0)
        first = why
        while why and self._link.now_s < end_s:
            self._link.run_for(VERIFY_EVERY_S)
            driver.stop_all()
            why = self._why_not_verified(driver, heater)
        if not why:
            text = (
                f"heater {heater!r} was commanded off and could not be seen to be off for "
                f"{self._link.now_s - start_s:.1f} s: {first}"
            )
            self._record(f"off was commanded but not verified at first: {text}")
            self.seen_late.append(text)
        return why

    @property
    def doubted(self) -> str:
        """In words: the heaters that were on, were commanded off, and that nobody could see to be off; empty for none."""
        return "; ".join(
            f"heater {name!r} was commanded off and nobody could see that it is: {why}"
            for name, why in self._doubted.items()
        )

    def _clear_doubts(self) -> None:
        """Before anything is energised, see that what could not be verified is off now.

        Raises:
            GuardTripped: it still can't be seen.
        """
        for name in list(self._doubted) if self._link.can_wait else ():
            driver = next(each for each in self._drivers if each.name == self._heater(name).node)
            self._doubted[name] = self._why_not_verified(driver, name)
            if not self._doubted[name]:
                del self._doubted[name]
        if self._doubted:
            raise GuardTripped(
                f"{self.doubted}. Cut the supply: nothing more is switched on", self._link.now_s
            )

    def _output_after_all_off(self, driver: NodeDriver, heater: str) -> float:
        output = driver.read_heater_output(heater)
        if output > ON_THRESHOLD:
            driver.stop_all()
            self._link.run_for(4 * SETTLE_S)
            output = driver.read_heater_output(heater)
        return output

    def _record(self, text: str) -> None:
        self.records.append((self._link.now_s, text))


def _quietly(action: Callable[[], None]) -> None:
    try:
        action()
    except HiltestError:
        return
