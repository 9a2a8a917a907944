"""What must hold between the sections of a description: names meet, files exist, numbers are possible.

An error is what no bench can be, or what would make a check fail on a healthy node. What is unusual, or
unwise, is a warning. Rules that only a full calculation can judge are left to the paper checks of the catalogue.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

from hiltest.description import consoles, files, layouts, references, roles
from hiltest.description.currents import currents_a
from hiltest.description.dbc import CLASSIC_BYTES_MAX
from hiltest.description.locating import Path
from hiltest.description.models import (
    Bus,
    Fan,
    Harness,
    Heater,
    Limits,
    Node,
    Sensor,
    Simulation,
    Stepper,
    Supply,
)
from hiltest.description.parts import Parts
from hiltest.description.schema import unit_of
from hiltest.physics.copper import borne_a

DELAY_NS_PER_M = 5.0
"""One way, twisted pair. Source: ISO 11898-2 cable figures as quoted in NI and Kuhnke manuals."""

# Longest bus by bit rate. Source: CiA 301 table of bit rates as printed in the Motortech MIC5 manual,
# p. 50; below 50 kbit/s the West KS 800 manual, p. 44.
LENGTH_TABLE_M = {
    1_000_000: 25.0,
    800_000: 50.0,
    500_000: 100.0,
    250_000: 250.0,
    125_000: 500.0,
    50_000: 1000.0,
    20_000: 2500.0,
    10_000: 5000.0,
}

# Longest single stub by bit rate. Source: CiA 303-1 as printed in the Motortech MIC5 manual, p. 50.
STUB_TABLE_M = {
    1_000_000: 1.5,
    800_000: 2.5,
    500_000: 5.5,
    250_000: 11.0,
    125_000: 22.0,
    50_000: 55.0,
}

# Two resistors at the limits 100 and 130 ohm of ISO 11898-2, as quoted in the NI sbRIO manual, table 10.
TERMINATION_OHM = (50.0, 65.0)


def cross_check(parts: Parts) -> None:
    """Note every error and warning between the sections of `parts`."""
    for check in CHECKS:
        check(parts)


def _by_rate(table: dict[int, float], bit_rate_bps: int) -> float | None:
    """The entry of the next standard rate at or above, the careful side; None above the table."""
    rates = [rate for rate in table if rate >= bit_rate_bps]
    return table[min(rates)] if rates else None


def check_line(parts: Parts) -> None:
    """Length, stubs and terminators against the bit rate."""
    for path, bus in parts.all(Bus):
        rate = f"{bus.bit_rate_bps} bit/s"
        round_trip_ns = 2 * DELAY_NS_PER_M * bus.length_m
        sample_ns = bus.sample_point_percent / 100 / bus.bit_rate_bps * 1e9
        longest = _by_rate(LENGTH_TABLE_M, bus.bit_rate_bps)
        if round_trip_ns >= sample_ns:
            possible_m = sample_ns / (2 * DELAY_NS_PER_M)
            parts.error(
                (*path, "length_m"),
                f"{bus.length_m:g} m",
                f"less than {possible_m:.0f} m at {rate} sampled at {bus.sample_point_percent:g} %",
                "An acknowledgement from the far end comes after the sample point: lower the bit rate.",
            )
        elif longest is not None and bus.length_m > longest:
            parts.warn(
                (*path, "length_m"),
                f"{bus.length_m:g} m",
                f"at most {longest:g} m at {rate} (CiA 301 table)",
                "Run the load test long enough, or lower the bit rate.",
            )
        stub = _by_rate(STUB_TABLE_M, bus.bit_rate_bps)
        if stub is not None and bus.stub_m > stub:
            parts.warn((*path, "stub_m"), f"{bus.stub_m:g} m", f"at most {stub:g} m at {rate} (CiA 303-1)")


def check_terminators(parts: Parts) -> None:
    """The parallel value of all terminators."""
    low, high = TERMINATION_OHM
    for path, bus in parts.all(Bus):
        key = (*path, "terminators_ohm")
        expected = f"{low:g} to {high:g} ohm between H and L (120 ohm at each end)"
        if not bus.terminators_ohm:
            parts.warn(key, "no terminator", expected, "Say in terminators_ohm what is fitted.")
            continue
        together = 1 / sum(1 / ohm for ohm in bus.terminators_ohm)
        if together > high:
            hint = "One is missing." if len(bus.terminators_ohm) == 1 else "One has too high a value."
        else:
            hint = "One too many is fitted: look into the adapter and the nodes."
        if not low <= together <= high:
            parts.warn(key, f"{together:.1f} ohm together", expected, hint)


def check_bit_rate(parts: Parts) -> None:
    """Bit rate and clock of the adapter."""
    for path, bus in parts.all(Bus):
        clock = bus.adapter_clock_hz
        # A bit has at least 8 time quanta. Source: ISO 11898-1, programmable range 8 to 25 or more.
        if clock is not None and clock < 8 * bus.bit_rate_bps:
            parts.error(
                (*path, "adapter_clock_hz"),
                f"{clock} Hz",
                f"at least {8 * bus.bit_rate_bps} Hz for {bus.bit_rate_bps} bit/s (8 time quanta a bit)",
            )
        canopen = any(
            node.protocol == "canopen" and references.bus_name(parts, node) == bus.name
            for _, node in parts.all(Node)
        )
        if canopen and bus.bit_rate_bps not in LENGTH_TABLE_M:
            rates = ", ".join(str(rate) for rate in sorted(LENGTH_TABLE_M))
            parts.warn(
                (*path, "bit_rate_bps"),
                bus.bit_rate_bps,
                f"a bit rate of CiA 301 ({rates}) for CANopen nodes",
            )


def check_traffic(parts: Parts) -> None:
    """Planned messages: names and identifiers once, identifiers short enough, deadlines possible."""
    for path, bus in parts.all(Bus):
        seen: dict[tuple[str, object], str] = {}
        for number, message in enumerate(bus.traffic):
            at = (*path, "traffic", number)
            frame_id = (message.can_id, message.extended)
            for key, value in (("name", message.name), ("can_id", frame_id)):
                if (key, value) in seen:
                    shown = message.name if key == "name" else f"0x{message.can_id:X}"
                    other = seen[key, value]
                    parts.error((*at, key), shown, "one that no other message has", f"{other!r} has it too.")
                seen.setdefault((key, value), message.name)
            if message.can_id > 0x7FF and not message.extended:
                parts.error(
                    (*at, "can_id"), f"0x{message.can_id:X}", "at most 0x7FF", "Or add `extended = true`."
                )
            deadline_s = message.deadline_s or message.period_s
            if message.jitter_s >= deadline_s:
                parts.error(
                    (*at, "jitter_s"), f"{message.jitter_s:g} s", f"less than the deadline, {deadline_s:g} s"
                )
        if bus.load_test.pattern == "planned" and not (bus.traffic or bus.traffic_database):
            parts.error(
                (*path, "load_test", "pattern"),
                '"planned"',
                "another pattern, as no traffic is planned",
                "Add [[bus.traffic]] entries or a traffic_database.",
            )
        listed = parts.databases.get(bus.traffic_database or "", {})
        if bus.load_test.pattern == "planned" and listed and not bus.traffic:
            timed = [each for each in listed.values() if each.cycle_ms]
            if not any(each.length_bytes <= CLASSIC_BYTES_MAX for each in timed):
                why = "are CAN FD" if timed else "have no cycle time (attribute GenMsgCycleTime)"
                parts.error(
                    (*path, "load_test", "pattern"),
                    f'"planned", and all messages of {bus.traffic_database!r} that could be sent {why}',
                    "another pattern, or planned messages of up to 8 bytes with a period",
                    "Add [[bus.traffic]] entries, or cycle times to the database.",
                )


def check_load_test(parts: Parts) -> None:
    """Even a load test without one error shows only so much."""
    for path, bus in parts.all(Bus):
        test = bus.load_test
        bits = bus.bit_rate_bps * test.duration_s * test.utilisation_percent / 100
        # Zero failures in n trials: the exact bound is 1 - (1 - confidence)^(1/n).
        bound = 1 - (1 - test.confidence) ** (1 / bits) if bits >= 1 else 1.0
        if bound > test.bit_error_probability_max:
            need_s = test.duration_s * bound / test.bit_error_probability_max
            parts.warn(
                (*path, "load_test", "duration_s"),
                f"{test.duration_s:g} s, which shows {bound:.1e} at best",
                f"{need_s:.0f} s or more to show {test.bit_error_probability_max:g} at {test.confidence:g}",
                "As it stands the load test can't pass.",
            )


def check_supply(parts: Parts) -> None:
    """Source and fuse carry every load at once; the wire carries what fuse or source lets through."""
    supply, harness = parts.one(Supply), parts.one(Harness)
    if supply is None:
        return
    nodes = [node.name for _, node in parts.all(Node)]
    boards = ["board"] if len(nodes) == 1 else [f"board {name}" for name in nodes]
    currents = currents_a((load for _, load in parts.loads()), supply.voltage_v, boards)
    total = sum(currents.values())
    named = " + ".join(f"{name} {amps:.2f} A" for name, amps in currents.items())
    key: str
    for key, value in (("current_limit_a", supply.current_limit_a), ("fuse_a", supply.fuse_a)):
        if value is not None and total >= value:
            parts.error(
                ("supply", key), f"{value:g} A", f"more than {total:.2f} A, all loads on", f"{named}."
            )
    if harness is None:
        return
    key = "current_limit_a" if supply.fuse_a is None else "fuse_a"
    let_through = min(supply.current_limit_a, supply.fuse_a or supply.current_limit_a)
    carries = borne_a(harness.power_awg)
    if let_through > carries:
        parts.warn(
            ("supply", key),
            f"{let_through:g} A",
            f"at most {carries:g} A, what {harness.power_awg} AWG carries in free air",
            "A short circuit would heat the wire: fit a smaller fuse or thicker wire.",
        )
    elif supply.fuse_a is None and total > carries:
        parts.warn(("harness", "power_awg"), harness.power_awg, f"a wire that carries {total:.2f} A")


def check_nodes(parts: Parts) -> None:
    """Node ids, what each protocol needs, and signs of life that a healthy node can keep."""
    buses = {bus.name: (path, bus) for path, bus in parts.all(Bus)}
    taken: dict[tuple[str, int], str] = {}
    limits = parts.one(Limits)
    for path, node in parts.all(Node):
        _check_protocol(parts, path, node)
        name = references.bus_name(parts, node)
        if node.node_id is not None and name is not None:
            other = taken.setdefault((name, node.node_id), node.name)
            if other != node.name:
                parts.error(
                    (*path, "node_id"),
                    node.node_id,
                    "one of its own",
                    f"Node {other!r} on the same bus has it.",
                )
        if limits is not None and limits.guard_silence_s <= node.heartbeat_s:
            parts.error(
                ("limits", "guard_silence_s"),
                f"{limits.guard_silence_s:g} s",
                f"more than the heartbeat of node {node.name!r}, {node.heartbeat_s:g} s",
                "The guard would trip on a healthy node.",
            )
        if name in buses:
            _check_host(parts, buses[name][0], buses[name][1], path, node)


def _check_host(parts: Parts, bus_path: Path, bus: Bus, path: Path, node: Node) -> None:
    if node.node_id == bus.host_id:
        parts.error(
            (*path, "node_id"),
            node.node_id,
            "another id than hiltest's own",
            f"Or set {parts.source.key(bus_path)}.host_id.",
        )
    if bus.host_heartbeat_s >= node.host_silence_max_s:
        parts.error(
            (*path, "host_silence_max_s"),
            f"{node.host_silence_max_s:g} s",
            f"more than the host's heartbeat period, {bus.host_heartbeat_s:g} s",
            "The node would switch off between two heartbeats of a living host.",
        )


_NEEDS = {
    "canopen": ("node_id", "eds"),
    "signals": ("database", "heartbeat"),
    "frames": ("heartbeat",),
    "console": (),
    "own": ("driver",),
}


def _check_protocol(parts: Parts, path: Path, node: Node) -> None:
    for key in _NEEDS[node.protocol]:
        if getattr(node, key) is None:
            parts.error(
                (*path, key),
                "nothing",
                f"a value, because the protocol is {node.protocol!r}",
                f"Add `{key} = ...` to node {node.name!r}.",
            )
    if node.driver is not None and node.protocol != "own":
        parts.error(
            (*path, "driver"),
            f'"{node.driver}"',
            "no driver class for this protocol",
            'Or set protocol = "own".',
        )
    if node.protocol == "console":
        consoles = [item for _, item in parts.raw("console") if isinstance(item, dict)]
        if not any(item.get("node", parts.only("node")) == node.name for item in consoles):
            parts.error(
                (*path, "protocol"),
                '"console"',
                "a [console] section for this node",
                "Add one with its port.",
            )


def check_limits(parts: Parts) -> None:
    """The room."""
    limits, simulation = parts.one(Limits), parts.one(Simulation)
    if limits is None:
        return
    low, high = limits.ambient_low_c, limits.ambient_high_c
    if low >= high:
        key = "ambient_low_c" if "ambient_low_c" in limits.model_fields_set else "ambient_high_c"
        parts.error(("limits", key), f"{low:g} degC to {high:g} degC", "ambient_low_c below ambient_high_c")
    elif simulation is not None and not low <= simulation.ambient_c <= high:
        parts.warn(
            ("simulation", "ambient_c"),
            f"{simulation.ambient_c:g} degC",
            f"{low:g} to {high:g} degC, the room in which a run may start",
        )


def check_simulated_adapter(parts: Parts) -> None:
    """CAN FD frames need the flag."""
    simulation = parts.one(Simulation)
    if simulation is None or simulation.adapter.fd:
        return
    for key in ("sends_fd", "data_bit_rate_bps"):
        value = getattr(simulation.adapter, key)
        if value:
            found = "true" if value is True else f"{value}"
            parts.error(
                ("simulation", "adapter", key), found, "fd = true beside it: only then are CAN FD frames sent"
            )


_SENSOR_NEEDS = {"ntc": ("r25_ohm", "beta_k", "pull_up_ohm"), "platinum": ("r0_ohm",), "other": ()}
_SENSOR_OWN = {"ntc": ("r25_ohm", "beta_k"), "platinum": ("r0_ohm",), "other": ()}


def check_sensors(parts: Parts) -> None:
    """Each kind of sensor has its own values, and none of another kind's."""
    for path, sensor in parts.all(Sensor):
        needs = _SENSOR_NEEDS[sensor.kind]
        for key in needs:
            if getattr(sensor, key) is None:
                parts.error(
                    (*path, key),
                    "nothing",
                    f"a value, because the kind is {sensor.kind!r}",
                    f"Add `{key} = ...` to sensor {sensor.name!r}.",
                )
        for kind, keys in _SENSOR_OWN.items():
            for key in keys:
                if kind != sensor.kind and getattr(sensor, key) is not None:
                    parts.error(
                        (*path, key),
                        f"{getattr(sensor, key):g}",
                        f"no such key for kind {sensor.kind!r}",
                        f"It belongs to {kind!r}.",
                    )


def check_ceilings(parts: Parts) -> None:
    """A sensor's own ceiling leaves room for what is asked of its heater or its motor, in the warmest room."""
    limits = parts.one(Limits)
    if limits is None:
        return
    needed_c = {
        heater.sensor: (
            heater.low_setpoint_c + heater.overshoot_max_k,
            f"the low setpoint of heater {heater.name!r} and its overshoot",
        )
        for _, heater in parts.all(Heater)
    }
    for _, motor in parts.all(Stepper):
        if motor.motor_sensor is not None:
            warm_c = limits.ambient_high_c + motor.warm_rise_max_k
            needed_c[motor.motor_sensor] = (warm_c, f"the warmest room and warm_rise_max_k of {motor.name!r}")
    for path, sensor in parts.all(Sensor):
        at_c, what = needed_c.get(sensor.name, (limits.ambient_high_c, "the warmest room"))
        if sensor.ceiling_c is not None and sensor.ceiling_c <= at_c:
            parts.error(
                (*path, "ceiling_c"),
                f"{sensor.ceiling_c:g} degC",
                f"more than {at_c:g} degC: {what}",
                "The guard would trip on a healthy unit.",
            )


def check_heaters(parts: Parts) -> None:
    """Setpoint, ceiling and first pulse, by the lumped block C·dT/dt = P − G·(T − room)."""
    limits = parts.one(Limits)
    for path, heater in parts.all(Heater):
        _check_pulse(parts, path, heater, limits)
        if (
            heater.steady_band_k > heater.overshoot_max_k + 1e-9
            and "steady_band_k" in heater.model_fields_set
        ):
            parts.warn(
                (*path, "steady_band_k"),
                f"{heater.steady_band_k:g} K",
                f"at most overshoot_max_k, {heater.overshoot_max_k:g} K",
            )
        if limits is not None:
            _check_setpoint(parts, path, heater, limits)
            _check_window(parts, path, heater, limits)


def _shown(heater: Heater, key: str) -> str:
    """The value of a key with its unit; "(default)" behind one that the file does not hold."""
    default = "" if key in heater.model_fields_set else " (default)"
    return f"{getattr(heater, key):g} {unit_of(key)}{default}"


def _named(heater: Heater, *keys: str) -> str:
    """Keys with their values: the ones that a rule also depends on."""
    *first, last = (f"{key}, {_shown(heater, key)}" for key in keys)
    return f"{'; '.join(first)}; and {last}" if first else last


def _check_setpoint(parts: Parts, path: Path, heater: Heater, limits: Limits) -> None:
    setpoint, ceiling, margin = heater.low_setpoint_c, heater.ceiling_c, limits.guard_margin_k
    highest = setpoint + heater.overshoot_max_k + margin
    key, found = (*path, "low_setpoint_c"), _shown(heater, "low_setpoint_c")
    if setpoint >= ceiling:
        parts.error(
            key, found, f"below ceiling_c, {_shown(heater, 'ceiling_c')}", "Lower it, or correct ceiling_c."
        )
    elif highest >= ceiling:
        parts.error(
            key,
            found,
            f"at most {ceiling - heater.overshoot_max_k - margin:g} degC",
            f"With overshoot {heater.overshoot_max_k:g} K and guard margin {margin:g} K "
            f"it would reach ceiling_c, {_shown(heater, 'ceiling_c')}.",
        )
    if setpoint <= limits.ambient_high_c:
        parts.error(
            key,
            found,
            f"above the warmest room, {limits.ambient_high_c:g} degC",
            "Otherwise there is nothing to heat.",
        )
    if heater.overshoot_max_k >= margin:
        parts.error(
            (*path, "overshoot_max_k"),
            _shown(heater, "overshoot_max_k"),
            f"less than limits.guard_margin_k, {margin:g} K",
            "The guard would trip before the check could judge.",
        )


def _check_pulse(parts: Parts, path: Path, heater: Heater, limits: Limits | None) -> None:
    worst_k = 4 * heater.power_w * heater.pulse_s / heater.heat_capacity_j_k
    key, found = (*path, "pulse_s"), _shown(heater, "pulse_s")
    if worst_k > heater.pulse_rise_max_k:
        safe_s = heater.pulse_rise_max_k * heater.heat_capacity_j_k / (4 * heater.power_w)
        parts.error(
            key,
            f"{found}, which could heat the block by {worst_k:.0f} K",
            f"at most {safe_s:.2g} s",
            "An element of four times the power (4 * power_w * pulse_s / heat_capacity_j_k) must stay below "
            f"pulse_rise_max_k, {_shown(heater, 'pulse_rise_max_k')}. Set pulse_s, or correct "
            f"{_named(heater, 'power_w', 'heat_capacity_j_k')}.",
        )
    elif limits is not None and limits.ambient_high_c + worst_k >= heater.ceiling_c:
        parts.error(
            key,
            found,
            f"a pulse that can't reach ceiling_c, {_shown(heater, 'ceiling_c')}",
            f"At worst (4 * power_w * pulse_s / heat_capacity_j_k) it heats the block by {worst_k:.0f} K, from "
            f"limits.ambient_high_c on. Set pulse_s, or correct {_named(heater, 'power_w', 'heat_capacity_j_k')}.",
        )
    if heater.pulse_watch_s < heater.pulse_s:
        parts.error(
            (*path, "pulse_watch_s"),
            _shown(heater, "pulse_watch_s"),
            f"at least pulse_s, {_shown(heater, 'pulse_s')}",
        )


def _check_window(parts: Parts, path: Path, heater: Heater, limits: Limits) -> None:
    """Can an exact element get there in time at all, from the coldest room?"""
    rise_k = heater.low_setpoint_c - limits.ambient_low_c
    final_k = heater.power_w / heater.loss_w_k
    if rise_k <= 0:
        return
    if final_k <= rise_k:
        parts.error(
            (*path, "power_w"),
            _shown(heater, "power_w"),
            f"more than {heater.loss_w_k * rise_k:.1f} W, what is lost at {heater.low_setpoint_c:g} degC",
            f"The low setpoint can't be reached. Correct {_named(heater, 'power_w', 'loss_w_k', 'low_setpoint_c')}.",
        )
        return
    need_s = _rise_s(heater, rise_k / final_k)
    if need_s > heater.window_s:
        parts.error(
            (*path, "window_s"),
            _shown(heater, "window_s"),
            f"more than {need_s:.0f} s",
            f"That is what power_w needs from limits.ambient_low_c to low_setpoint_c, {rise_k:g} K. Set window_s, or "
            f"correct {_named(heater, 'power_w', 'heat_capacity_j_k', 'loss_w_k')}.",
        )


def _rise_s(heater: Heater, share: float) -> float:
    """Time in seconds to this share of the final rise. Source: step response of a first-order system."""
    return -heater.heat_capacity_j_k / heater.loss_w_k * math.log1p(-share)


def check_fans(parts: Parts) -> None:
    """Duties and voltage."""
    supply = parts.one(Supply)
    for path, fan in parts.all(Fan):
        key = (*path, "duties")
        if 0.0 in fan.duties:
            parts.error(key, fan.duties, "duties above 0", "Stopping is tested by itself.")
        if len(set(fan.duties)) != len(fan.duties):
            parts.error(key, fan.duties, "each duty once")
        low = [duty for duty in fan.duties if 0 < duty < fan.start_duty]
        if low:
            parts.warn(
                key, low, f"duties of start_duty ({fan.start_duty:g}) or more", "The fan may stand still."
            )
        if fan.start_duty == 0.0:
            parts.error((*path, "start_duty"), "0.0", "a duty above 0")
        if supply is not None and fan.voltage_v is not None and fan.voltage_v > supply.voltage_v * 1.2:
            parts.warn(
                (*path, "voltage_v"), f"{fan.voltage_v:g} V", f"at most the supply's {supply.voltage_v:g} V"
            )


def check_steppers(parts: Parts) -> None:
    """Currents that the motor stands and the supply can drive; moves that tell something."""
    supply = parts.one(Supply)
    for path, motor in parts.all(Stepper):
        if motor.run_current_a > motor.rated_current_a:
            parts.error(
                (*path, "run_current_a"),
                f"{motor.run_current_a:g} A",
                f"at most rated_current_a, {motor.rated_current_a:g} A",
                "A motor above its rating overheats.",
            )
        peak_v = 2**0.5 * motor.run_current_a * motor.phase_ohm
        if supply is not None and peak_v >= supply.voltage_v:
            parts.error(
                (*path, "phase_ohm"),
                f"{motor.phase_ohm:g} ohm, which needs {peak_v:.1f} V at the crest of {motor.run_current_a:g} A",
                f"less than the supply's {supply.voltage_v:g} V",
            )
        if motor.small_move_rev >= motor.long_move_rev:
            parts.error(
                (*path, "small_move_rev"),
                f"{motor.small_move_rev:g} rev",
                f"less than long_move_rev, {motor.long_move_rev:g} rev",
            )
        if motor.home_switch is not None and motor.home_release_rev >= motor.small_move_rev:
            parts.warn(
                (*path, "home_release_rev"),
                f"{motor.home_release_rev:g} rev",
                f"less than small_move_rev, {motor.small_move_rev:g} rev",
                "The first move would end before the home switch lets go.",
            )


CHECKS: Iterable[Callable[[Parts], None]] = (
    references.check_names,
    references.check_references,
    files.check_files,
    layouts.check_messages,
    consoles.check_consoles,
    check_line,
    check_terminators,
    check_bit_rate,
    check_traffic,
    check_load_test,
    check_supply,
    check_nodes,
    check_limits,
    check_simulated_adapter,
    check_sensors,
    check_ceilings,
    check_heaters,
    check_fans,
    check_steppers,
    roles.check_roles,
)
