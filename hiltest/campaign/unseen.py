"""Faults that no check sees on a whole board, each with the physical reason and what to do by hand.

Told by `hiltest faults`, below the faults of the simulated bench. A fault that a check comes to see is struck out here:
tests run those of `BUS` and expect that nothing fails.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Unseen:
    """A fault that no check sees on a whole board, why physics does not show it, and what to do by hand."""

    fault: str
    reason: str
    by_hand: str


BOARD: tuple[Unseen, ...] = (
    Unseen(
        "sensor_reads_low, sensor_wrong_beta, without an operator",
        "at room temperature every curve through R25 is right, and a pulse shows the slope only to the tolerance of the "
        "heater's power and the block's heat capacity",
        "once per board, or per kind of sensor and firmware: an independent thermometer on the warm block "
        "(heat.second_point with [fixture] operator = true)",
    ),
    Unseen(
        "emergency_stop_dead, without an operator",
        "nothing on the bus tells a stop that removes power from one that only sends a message",
        "press it while a fan runs, once with the host alive and once with it off: the rail must fall below 5 V; let it go: nothing "
        "may start",
    ),
    Unseen(
        "switch_never_triggers on a normally open switch, without an operator",
        "an open wire of a normally open contact looks like a switch that nobody presses",
        "press every switch by name before anything moves towards it, and wire limit switches normally closed",
    ),
    Unseen(
        "one_terminator, can_l_to_ground, without an operator",
        "on a short bus one resistor is enough, and a transceiver still tells the lines apart with one of them on ground: "
        "no frame is lost",
        "an ohmmeter with the power off: 60 ohm from CAN-H to CAN-L, kiloohms from each to ground (cold.pair, cold.lines)",
    ),
    Unseen(
        "no_watchdog, on a node that can't be made to hang (safe.firmware_hung not offered)",
        "a node that never hangs shows no difference; there is no way to make such a build hang from outside",
        "with a test build that hangs on command: run a fan, hang the node, see the output drop (safe.firmware_hung)",
    ),
    Unseen(
        "fans_swapped, with two fans of one kind",
        "command and tachometer change places together, so every reading is right",
        "look which fan turns, or describe which block each one cools (fan.cools)",
    ),
    Unseen(
        "fan_open, fan_stalled, fan_inverted, fan_stuck_on, of a fan without a tachometer, without an operator",
        "the node switches its output and reads nothing back, and a fan's current is lost beside the board's own",
        "look that it stands still with nothing commanded, turns when it is commanded on, and stops (fan.by_eye with [fixture] "
        "operator = true)",
    ),
    Unseen(
        "sensor_frozen, on a sensor that no heater warms",
        "a quiet sensor at rest and a converter that hangs read the same",
        "warm it by hand and see its reading move",
    ),
    Unseen(
        "heater_on_while_booting, of less than 0.6 K in one boot",
        "safe.old_commands looks at a resting block after a boot, and takes up to 0.6 K for noise and drift; 5 s later the sensor "
        "shows three quarters of it. A block of 20 J/K stays below with 40 W in a boot of 0.5 s, 20 J. In safe.reset the heater was "
        "on before, which covers more",
        "a current probe on the supply while the node is reset and while it stays in its boot loader",
    ),
    Unseen(
        "no thermal cut-off, or one of a wrong rating",
        "a closed contact in series with the heater is only its resistance",
        "power off, block cold: find it on the block, in series with the element, and read its rating: above heater.ceiling_c, below "
        "what the block, its wires and what it carries stand. With its wire taken off, an ohmmeter across the heater's plug must "
        "read open. Where there is none fit one before anything heats: a switch that fails closed has no other protection",
    ),
    Unseen(
        "an element up to a third too strong or a quarter too weak, without an operator",
        "heat.pulse takes 0.72 to 1.35 of the expected rise: supply, sensor, contact, and the power and heat capacity that were "
        "stated spread a sound board over 0.88 to 1.15 already, and a block's mass is seldom known to better than that",
        "power off, an ohmmeter across the element: the square of the supply's voltage over its power (14.4 ohm for 40 W at 24 V), "
        "within heater.power_tolerance_percent (cold.heater)",
    ),
    Unseen(
        "outputs that stay on while the node is bus-off",
        "with nobody there to acknowledge, a controller goes error-passive and never bus-off (ISO 11898-1), which is as far as "
        "safe.bus_cut takes it; bus.recovery takes it further, with every output off",
        "after safe.bus_cut has passed, guards on, nobody in the machine, a hand on the supply's switch: run a fan at half speed "
        "and nothing else, touch CAN-H to CAN-L for twice node.host_silence_max_s; the fan must run down meanwhile, and stay off when the short is gone",
    ),
    Unseen(
        "a safe state that is none: a fan that stops over a hot block, and heat that goes on into what it kept cool",
        "the drills want every output off, fans with them, and no check makes a block hotter than its low setpoint",
        "at the working temperature, with guards on and somebody beside it: take the host away and watch block, wires and plastic "
        "for a minute with a thermometer of its own. Where one gets hotter than it may, let the firmware run the fan on "
        "(fan.follows_above_c)",
    ),
    Unseen(
        "backlash of less than stepper.play_max_steps, or past the home switch",
        "one home switch shows the play between motor and switch only, mixed with the switch's own hysteresis",
        "push and pull the axis by hand; approach one point from both sides with a dial gauge",
    ),
    Unseen(
        "fan mounted backwards, duct open",
        "speed and current are right",
        "feel the air, or describe which block the fan cools (fan.cools): heat.cooling_fan compares the cooling",
    ),
    Unseen(
        "stop command ignored while the node is busy, or sent with a low priority",
        "safe.stop is drilled on a quiet bus with fans and one pulse on. To see this one the node must be kept busy by a long "
        "move on a full bus, and if it then ignores the stop nothing but the supply's switch ends the move",
        "guards on, hand on the supply's switch: load the bus (bus.load_test), start a long slow move, send the stop; it must "
        "act within node.stop_max_s. Look that its identifier is the lowest of all",
    ),
    Unseen(
        "a move that goes on after an emergency stop; an old move obeyed that the driver can't send",
        "safe.move_ends has a small move under way when the host falls silent, the stop command comes, the node is reset and the "
        "bus is cut, and sends old moves where the driver can; the other drills have no motor on, and the result of each says so",
        "after safe.move_ends has passed, with the axis free and a hand on the supply's switch: start a slow small move, press the "
        "emergency stop; the axis must stand at once, and stay where it is when the stop is let go",
    ),
    Unseen(
        "driver_hot, without a sensor on the motor",
        "a driver warns at about 120 degC, and one without cooling needs a minute of running at its current to get there; the "
        "moves of a whole run take some ten seconds",
        "let the axis go to and fro for ten minutes, then read the driver's flags and feel its copper; or put a sensor on the "
        "motor (stepper.motor_sensor): motion.warm then runs it for stepper.warm_s and reads the flags",
    ),
    Unseen(
        "sensor_series_resistance, up to 3 kohm",
        "2 kohm are 2 % of a thermistor of 100 kohm in the room and 6 % at 50 degC: 0.4 K and 1.4 K too low, within every limit. "
        "At 200 degC the part has 0.7 kohm left: it reads 136 degC with 2 kohm in series, 156 degC with 1 kohm, 196 degC with "
        "50 ohm (beta formula, B 3950 K)",
        "an ohmmeter from the sensor's plug through each wire to its bead: below 1 ohm; an independent thermometer at the working "
        "temperature, not only at the low setpoint. A thermal cut-off of its own protects whatever the sensor says",
    ),
    Unseen(
        "heater_leaks, without an operator",
        "a leak from the element to its block takes microamperes, and no message tells them from nothing",
        "an ohmmeter with the power off, from the element to bare metal: over 1 Mohm (cold.heater)",
    ),
    Unseen(
        "outputs_on_after_power_return, without an operator or a [bench_supply]",
        "only a power that goes and comes back starts it, and no message takes the power away",
        "press the emergency stop while a heater is on, let it go, wait 10 s: nothing may start (safe.emergency_stop, "
        "safe.power_return)",
    ),
    Unseen(
        "supply_reading_wrong beside a supply that is wrong by as much the other way (supply_high=1.12), without a [bench_supply]",
        "the node is the only one that measures: 23.7 V may stand for 27 V, a quarter more power than at 24 V. The heater's pulse "
        "shows power only to its own tolerance and that of the block's heat capacity",
        "a voltmeter at the node's terminals, at rest: it shows what the node reads, to 3 %. Or a [bench_supply]: sense.supply "
        "compares both",
    ),
)
"""Faults of a board and its loads."""

HOST: tuple[Unseen, ...] = (
    Unseen(
        "adapter_one_shot, beside nodes that send by themselves (signals, frames)",
        "what such an adapter drops, for it met an error or a frame of higher priority, nobody misses there: no request of the "
        "host waits for an answer. Beside a CANopen node answers are missing (bus.load, bus.latency), and an adapter that gives "
        "back what it sent is found in bus.load",
        "read the adapter's mode in its own program; a kernel's interface is looked at before it is opened",
    ),
    Unseen(
        "a receive filter left in the kernel: not on the simulated bench",
        "a filter belongs to one socket (Linux, networking/can.rst, raw protocol sockets), hiltest opens its own without one, and "
        "bus.options takes no list of filters. One left in the adapter itself can be put in: adapter_filter_left",
        "nothing; where frames are missing, `cat /proc/net/can/rcvlist_all` shows who listens without a filter",
    ),
    Unseen(
        "the CAN interface is down, or without a bit rate: not on the simulated bench",
        "the simulated adapter is opened by the bench itself, and no interface of a kernel stands before it",
        "nothing: on hardware hiltest looks at the interface before it opens it, ends with 'could not be opened' and gives the "
        "command (`ip link set can0 up type can bitrate ...`); see `hiltest manual linux`",
    ),
    Unseen(
        "adapter_keeps_old_frames, of nodes that send by themselves (signals, frames)",
        "an old message looks like a new one. No check judges them: what was left over comes out in the first listening, before "
        "anything is asked. Answers of a CANopen node, which nobody asked for yet, show in bus.quiet",
        "take the adapter out and put it back before the run; the time stamps in bus.log begin with the run",
    ),
)
"""Faults of the host's side."""

BUS: tuple[Unseen, ...] = (
    Unseen(
        "long_stub=6",
        "the wave in a branch of 6 m is gone 120 ns after the edge, and a bit at 1 Mbit/s is read after 750 ns",
        "measure the branch, state bus.stub_m: desk.line judges it by the guideline, which keeps a margin for many",
    ),
    Unseen(
        "pair_untwisted",
        "at 20 mm from the load wires even a straight pair of 2.4 m picks up 0.03 V, and a receiver needs 0.5 V",
        "look at the pair, state bus.twists_per_m and load_wires_distance_m: desk.line reckons the pulse; with the loads' wires in the "
        "same bundle it shows in bus.with_loads",
    ),
    Unseen(
        "pair_beside_load_wires",
        "a pair of 40 twists per metre picks up 0.01 V in one bundle with the loads' wires, and a receiver needs 0.5 V",
        "lead the pair apart from motor and heater wires; it holds as long as the twist does",
    ),
    Unseen(
        "can_contact_resistance",
        "40 ohm in one lead take 0.4 V of 2 V: still a clear dominant level at rest and at this temperature",
        "power off, resistance of each wire from end to end: below 1 ohm",
    ),
    Unseen(
        "sample_point_off",
        "on a short line both halves of a bit show the same level, so that any point reads it right",
        "read the node's bit timing out of its firmware and state sample_point_percent of the node: desk.timing judges it",
    ),
    Unseen(
        "jump_width_small",
        "0.4 % make 4 % of a bit in the ten bits between two edges, and one quantum of 5 % still takes that back",
        "read the node's jump width; warm the node and repeat bus.load",
    ),
    Unseen(
        "adapter_restarts",
        "on a sound bus nobody goes bus-off, so there is nothing to come back from; with a short it is found as the short",
        "read the interface's automatic restart (`ip -details link show can0`) and its count of restarts after the run",
    ),
    Unseen(
        "data_bit_rate_off",
        "classic frames have no data phase: it shows as soon as the host sends CAN FD frames that switch their bit rate",
        "read the node's data bit timing out of its firmware before CAN FD is switched on",
    ),
    Unseen(
        "settings_not_stored",
        "the settings are right until the supply is switched off",
        "set a value, switch the supply off and on, read it back",
    ),
    Unseen(
        "terminator_not_at_end=6",
        "the open end behind the resistor answers 120 ns after the edge, and a bit at 1 Mbit/s is read after 750 ns; the "
        "ohmmeter reads 60 ohm wherever along the line the resistors sit",
        "follow the line to both ends: the resistor sits in the last plug. State bus.tail_m for what goes on behind it: "
        "desk.line judges it as a stub",
    ),
)
"""Faults of wires and timing: what they do to a bit is over before it is read."""

UNSEEN: tuple[Unseen, ...] = (*BOARD, *HOST, *BUS)
