"""Which faults the catalogue must find, by how dangerous it is to miss them.

Tier 1 hurts somebody or burns something when it is missed: it must be found on every board, and nothing may be
energised on the way beyond bounded pulses and the small move (`guard.HELD_BACK_BY`); a row that gets more says why it
can't be found sooner. Tier 2 are the everyday faults of a first
power-up, tier 3 those that pass simple tests and fail later.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Bench = Literal["one heater", "two heaters", "blind adapter"]


@dataclass(frozen=True, slots=True)
class Row:
    """One fault. `fault` is written as the simulated bench takes it; empty where the bench itself is the fault.

    `pulses` bounds the energy into each heater, in pulses of heater.pulse_s at the stated power; `strength` is how many
    times the stated power the fitted element makes. `rides` to the low setpoint and `on_s` seconds at full power come on
    top, and then `why` is the physical reason. `small_moves` bounds the travel of each axis in steps of small_move_rev.
    `alone` is False where only a person can find it. A row of tier 1 has every bound.
    """

    title: str
    fault: str
    tier: Literal[1, 2, 3]
    bench: Bench = "one heater"
    pulses: float | None = None
    strength: float = 1.0
    small_moves: float | None = None
    alone: bool = True
    rides: int = 0
    on_s: float = 0.0
    why: str = ""

    @property
    def name(self) -> str:
        """Fault and bench, for a table."""
        other = "" if self.bench == "one heater" else f" ({self.bench})"
        return f"{self.fault or 'none'}{other}"


_CURVE = (
    "at room temperature every curve through that point reads right; only a warm block and a thermometer show the "
    "difference, so it is warmed once, to the low setpoint"
)
_AXIS = "it shows in the first small moves and in nothing that is heated, and heat comes before motion"
_TRIP = "that the node lets go above its ceiling shows only on a block that is warm and on: its own ceiling is lowered below it"
_STUCK = "no command takes it away, only the supply's switch: on from the power's coming until sense.ambient tells it"

TIER_1: tuple[Row, ...] = (
    Row("sensor detached from its block", "sensor_detached[reservoir]", 1, pulses=1, small_moves=3),
    Row("heater stuck on", "heater_stuck_on[reservoir]", 1, pulses=0, small_moves=0, on_s=20.0, why=_STUCK),
    Row("plugs of a heater's and another sensor exchanged", "sensors_swapped", 1, pulses=1, small_moves=3),
    Row(
        "plugs of two heaters' sensors exchanged",
        "sensors_swapped[left+right]",
        1,
        "two heaters",
        pulses=1,
        small_moves=0,
    ),
    Row(
        "plugs of two heaters exchanged",
        "heaters_swapped[left+right]",
        1,
        "two heaters",
        pulses=1,
        small_moves=0,
    ),
    Row(
        "element for half the voltage",
        "heater_wrong_voltage[reservoir]",
        1,
        pulses=1,
        strength=4.0,
        small_moves=3,
    ),
    Row(
        "table reads low when hot",
        "sensor_reads_low[reservoir]",
        1,
        pulses=2,
        small_moves=3,
        alone=False,
        rides=1,
        why=_CURVE,
    ),
    Row(
        "thermistor of another B value",
        "sensor_wrong_beta[reservoir]",
        1,
        pulses=2,
        small_moves=3,
        alone=False,
        rides=1,
        why=_CURVE,
    ),
    Row(
        "sensor of a tenth of the nominal value: reads high",
        "sensor_wrong_nominal[reservoir]",
        1,
        pulses=0,
        small_moves=3,
    ),
    Row(
        "sensor of ten times the nominal value: reads low",
        "sensor_wrong_nominal[reservoir]=10",
        1,
        pulses=0,
        small_moves=3,
    ),
    Row("wrong pull-up: reads low", "sensor_wrong_pull_up[reservoir]", 1, pulses=0, small_moves=3),
    Row("host vanishes, no watch", "host_watch_missing", 1, pulses=2, small_moves=3),
    Row("host vanishes, watch too slow", "host_watch_slow", 1, pulses=2, small_moves=3),
    Row("watch fed by any traffic", "host_watch_fed_by_any_traffic", 1, pulses=3, small_moves=3),
    Row("outputs on after the cable was cut", "no_reaction_to_cut_cable", 1, pulses=4, small_moves=3),
    Row("outputs on after a reset", "outputs_on_after_reset", 1, pulses=3, small_moves=3),
    Row("stop command ignored", "all_off_ignored", 1, pulses=3, small_moves=3),
    Row("emergency stop without effect", "emergency_stop_dead", 1, pulses=3, small_moves=3, alone=False),
    Row("acts on old commands", "acts_on_old_commands", 1, pulses=4, small_moves=3),
    Row("no watchdog", "no_watchdog", 1, pulses=3, small_moves=0),
    Row(
        "a trip clears the report, not the gate",
        "trip_leaves_gate_on[reservoir]",
        1,
        pulses=2,
        small_moves=0,
        rides=1,
        why=_TRIP,
    ),
    Row(
        "host vanishes, the motor goes on",
        "motor_ignores_silence",
        1,
        pulses=2,
        small_moves=3,
        rides=1,
        why=_AXIS,
    ),
    Row(
        "an old move is carried out, without a start",
        "old_moves_obeyed",
        1,
        pulses=2,
        small_moves=3,
        rides=1,
        why=_AXIS,
    ),
    Row(
        "switch that never triggers",
        "switch_never_triggers[pump_home]",
        1,
        pulses=2,
        small_moves=0,
        rides=1,
        why=_AXIS,
    ),
    Row(
        "switch with an open wire, normally open",
        "switch_never_triggers[level]",
        1,
        pulses=3,
        small_moves=3,
        alone=False,
    ),
    Row("direction reversed", "stepper_reversed[pump]", 1, pulses=2, small_moves=3, rides=1, why=_AXIS),
    Row("two boards under one id", "duplicate_node_id", 1, pulses=0, small_moves=0),
    Row("adapter in self-test hears itself", "adapter_in_self_test", 1, pulses=0, small_moves=0),
    Row("adapter that hides errors", "", 1, "blind adapter", pulses=0, small_moves=0),
)

TIER_2: tuple[Row, ...] = (
    Row("no terminator", "no_terminator", 2),
    Row("one terminator", "one_terminator", 2, alone=False),
    Row("CAN-H and CAN-L exchanged", "can_swapped", 2),
    Row("node absent", "no_node", 2),
    Row("CAN-H to CAN-L short", "can_h_l_short", 2),
    Row("bit rates differ", "wrong_bit_rate", 2),
    Row("bus plug out", "can_unplugged", 2),
    Row("adapter left listening only", "adapter_listens_only", 2),
    Row("adapter with too small a queue", "adapter_small_queue", 2),
    Row("sensor open", "sensor_open[reservoir]", 2),
    Row("heater open", "heater_open[reservoir]", 2),
    Row("fan stalled", "fan_stalled[electronics]", 2),
    Row("fan without supply", "fan_open[nozzle]", 2),
    Row("tach open", "tach_open[nozzle]", 2),
    Row("coil pairs crossed", "coils_crossed[pump]", 2),
    Row("driver not reachable", "driver_unreachable[pump]", 2),
    Row("switch inverted", "switch_inverted[pump_home]", 2),
    Row("host at the wrong bit rate on a running bus", "bus_at_another_rate", 2),
)

TIER_3: tuple[Row, ...] = (
    Row("CAN-L to ground", "can_l_to_ground", 3, alone=False),
    Row("noise from motor wires", "noise_with_loads", 3),
    Row("broken strand with motion", "can_breaks_with_motion", 3),
    Row("clock of the node is off", "oscillator_off", 3),
    Row("ground offset under load", "ground_offset_under_load", 3),
    Row("thin power pair", "wire_thin", 3),
    Row("brown-out loop", "brown_out", 3),
    Row("stays in its boot loader", "stays_in_loader", 3),
    Row("loose sensor contact", "sensor_loose_contact[reservoir]", 3),
    Row("frames of an earlier session left in the adapter", "adapter_keeps_old_frames", 3),
)
