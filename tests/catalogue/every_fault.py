"""Every fault of the simulated bench: the check that is expected to find it, or that none does.

For the default value of each. One table, for the test (is any fault forgotten, does a test try each?) and for
benches/every_fault.py, which runs a whole board for each.
"""

from __future__ import annotations

from pathlib import Path

from .files import FIXTURES

FOUND_BY: dict[str, str] = {
    # adapter
    "adapter_clock_off": "bus.enumerate",
    "adapter_filter_left": "bus.enumerate",
    "adapter_hides_errors": "bus.observer",
    "adapter_in_self_test": "bus.enumerate",
    "adapter_keeps_old_frames": "bus.quiet",
    "adapter_listens_only": "bus.quiet",
    "adapter_loses_frames": "bus.load",
    "adapter_loses_frames_untold": "bus.load",
    "adapter_one_shot": "bus.latency",
    "adapter_reorders": "bus.load",
    "adapter_repeats": "bus.load",
    "adapter_sends_fd": "bus.enumerate",
    "adapter_slow": "bus.load",
    "adapter_small_queue": "bus.load",
    "adapter_state_stale": "bus.load",
    "adapter_stamps_coarse": "bus.heartbeat",
    "adapter_stamps_wrong": "bus.latency",
    "adapter_vanishes": "bus.quiet",
    # bit timing
    "bus_at_another_rate": "bus.quiet",
    "oscillator_off": "bus.load",
    "wrong_bit_rate": "bus.quiet",
    # bus traffic
    "babbling_device": "bus.quiet",
    "duplicate_node_id": "bus.enumerate",
    "foreign_sender": "bus.quiet",
    "frames_lost": "bus.latency",
    "garbage_storm": "bus.quiet",
    "stuck_dominant": "bus.quiet",
    # bus wiring
    "can_breaks_with_motion": "motion.return",
    "can_h_l_short": "cold.pair",
    "can_h_open": "bus.enumerate",
    "can_h_to_ground": "cold.lines",
    "can_h_to_supply": "cold.lines",
    "can_l_open": "bus.enumerate",
    "can_l_to_ground": "cold.lines",
    "can_l_to_supply": "cold.lines",
    "can_leak": "cold.pair",
    "can_swapped": "bus.enumerate",
    "can_unplugged": "bus.enumerate",
    "extra_terminators": "cold.pair",
    "ground_offset": "bus.quiet",
    "ground_offset_under_load": "heat.pulse",
    "long_cable": "bus.quiet",
    "long_stub": "bus.quiet",
    "no_terminator": "cold.pair",
    "noise_bursts": "bus.quiet",
    "noise_with_loads": "bus.with_loads",
    "one_terminator": "cold.pair",
    "star_wiring": "bus.quiet",
    "terminator_not_at_end": "bus.quiet",
    "wrong_terminator": "cold.pair",
    # console
    "console_babbles": "bus.enumerate",
    "console_crosstalk": "bus.enumerate",
    "console_deaf": "bus.enumerate",
    "console_garbled": "bus.enumerate",
    "console_loops": "bus.enumerate",
    "console_mute": "bus.enumerate",
    # fan
    "fan_control_open": "fan.tach",
    "fan_ignores_heater": "heat.cooling_fan",
    "fan_inverted": "fan.tach",
    "fan_lazy": "fan.tach",
    "fan_open": "fan.tach",
    "fan_slow": "fan.tach",
    "fan_stalled": "fan.tach",
    "fan_starts_late": "fan.tach",
    "fan_stuck_on": "fan.tach",
    "fans_swapped": "fan.tach",
    "tach_counts_noise": "fan.tach",
    "tach_open": "fan.tach",
    "tach_uneven": "fan.tach",
    "tach_wrong_pulses": "fan.tach",
    # heater
    "heater_inverted": "sense.ambient",
    "heater_leaks": "cold.heater",
    "heater_loose": "heat.low_setpoint",
    "heater_open": "cold.heater",
    "heater_out_of_block": "heat.pulse",
    "heater_scale_wrong": "heat.low_setpoint",
    "heater_shorted": "cold.heater",
    "heater_slow": "heat.pulse",
    "heater_stuck_on": "cold.supply",
    "heater_weak": "cold.heater",
    "heater_wrong_voltage": "cold.heater",
    "heaters_swapped": "heat.pulse",
    # lamp
    "lamp_colour_dead": "lamp.colours",
    "lamp_colours_swapped": "lamp.colours",
    "lamp_dead": "lamp.colours",
    # motion
    "axis_drops": "motion.direction",
    "backlash": "motion.return",
    "coil_open": "cold.coils",
    "coil_shorted": "cold.coils",
    "coils_crossed": "cold.coils",
    "coupling_slips": "motion.return",
    "driver_current_unset": "motion.driver_ready",
    "driver_current_wrong": "motion.return",
    "driver_enable_inverted": "motion.direction",
    "driver_forgets": "motion.return",
    "driver_hot": "motion.warm",
    "driver_unreachable": "motion.driver_ready",
    "encoder_open": "motion.direction",
    "encoder_reversed": "motion.direction",
    "encoder_slips": "motion.return",
    "encoder_wrong_lines": "motion.direction",
    "lost_steps": "motion.return",
    "motors_swapped": "motion.direction",
    "stepper_blocked": "motion.direction",
    "stepper_reversed": "motion.direction",
    "wrong_microsteps": "motion.direction",
    # node
    "crashes": "bus.latency",
    "frames_repeated": "bus.load",
    "hangs_behind_heartbeat": "bus.enumerate",
    "heartbeat_slow": "bus.enumerate",
    "heartbeat_uneven": "bus.heartbeat",
    "no_node": "bus.enumerate",
    "slow_answers": "bus.enumerate",
    "slow_boot": "bus.enumerate",
    "stays_bus_off": "bus.recovery",
    "stays_in_loader": "bus.enumerate",
    "unconfigured_node": "bus.enumerate",
    "wrong_firmware": "bus.enumerate",
    "wrong_node_id": "bus.quiet",
    "wrong_product": "bus.enumerate",
    # safety
    "acts_on_old_commands": "safe.old_commands",
    "all_off_ignored": "safe.host_silence",
    "ceiling_ignored": "safe.over_ceiling",
    "fault_not_latched": "safe.over_temperature",
    "host_watch_fed_by_any_traffic": "safe.foreign_traffic",
    "host_watch_missing": "safe.host_silence",
    "host_watch_slow": "safe.host_silence",
    "motion_chip_not_reset": "safe.move_ends",
    "motor_ignores_silence": "safe.move_ends",
    "no_reaction_to_cut_cable": "safe.bus_cut",
    "no_watchdog": "safe.firmware_hung",
    "old_moves_obeyed": "safe.move_ends",
    "outputs_on_after_power_return": "safe.power_return",
    "outputs_on_after_reset": "safe.reset",
    "sensor_loss_ignored": "safe.sensor_lost",
    "trip_leaves_gate_on": "safe.over_temperature",
    # sensor
    "sensor_detached": "heat.pulse",
    "sensor_frozen": "heat.pulse",
    "sensor_half_detached": "heat.pulse",
    "sensor_jumps_with_heater": "heat.pulse",
    "sensor_leak": "cold.sensor",
    "sensor_loose_contact": "sense.ambient",
    "sensor_noisy": "sense.ambient",
    "sensor_open": "cold.sensor",
    "sensor_reads_low": "heat.second_point",
    "sensor_shorted": "cold.sensor",
    "sensor_to_supply": "sense.ambient",
    "sensor_wrong_beta": "heat.second_point",
    "sensor_wrong_nominal": "cold.sensor",
    "sensor_wrong_pull_up": "sense.ambient",
    "sensors_swapped": "cold.sensor",
    # supply
    "brown_out": "heat.pulse",
    "emergency_stop_dead": "safe.emergency_stop",
    "power_contact_bad": "heat.low_setpoint",
    "power_contact_heats": "heat.low_setpoint",
    "power_reversed": "bus.enumerate",
    "rail_missing": "sense.supply",
    "supply_high": "sense.supply",
    "supply_low": "sense.supply",
    "supply_reading_wrong": "sense.supply",
    "supply_ripple": "heat.low_setpoint",
    "supply_shorted": "cold.supply",
    "supply_weak": "safe.host_silence",
    "wire_long": "heat.low_setpoint",
    "wire_thin": "heat.low_setpoint",
    # switch
    "switch_bounces": "switch.by_hand",
    "switch_crosstalk": "motion.return",
    "switch_floating": "switch.by_hand",
    "switch_inverted": "switch.by_hand",
    "switch_never_triggers": "switch.by_hand",
    "switch_stuck": "switch.by_hand",
    "switch_welded": "switch.by_hand",
    "switch_wire_open": "switch.by_hand",
    "switches_swapped": "switch.by_hand",
}
"""Fault to the check that fails, or the one that says that it can't see (bus.observer)."""

LISTED = frozenset(
    {
        "adapter_restarts",
        "can_contact_resistance",
        "data_bit_rate_off",
        "heater_on_while_booting",
        "jump_width_small",
        "pair_beside_load_wires",
        "pair_untwisted",
        "sample_point_off",
        "sensor_series_resistance",
        "settings_not_stored",
    }
)
"""No check finds these; hiltest.campaign.unseen says why and what to do by hand."""

NEEDS: dict[str, str] = {
    "adapter_hides_errors": "a node without counters of its own; with them the verdict says that the adapter was blind",
    "bus_at_another_rate": "a bench without a person: two devices that send at another bit rate are walked bit by bit while he measures",
    "driver_hot": "stepper.motor_sensor",
    "fan_ignores_heater": "fan.follows_above_c",
    "motors_swapped": "two steppers on one node",
    "stays_bus_off": "bus.recovery_test",
}
"""What a description must have, or must not, for the check to see it; no scenario is so."""


def bench_of(fault: str) -> Path:
    """The scenario that has the part which this fault hits."""
    if fault.startswith("console_"):
        return FIXTURES / "glue_head_console.toml"
    if fault.startswith("encoder_") or fault == "heaters_swapped":
        return FIXTURES / "sample_chiller.toml"
    return FIXTURES / "glue_head.toml"
