"""In which order to look, by what was measured. Private to the catalogue.

The page of a check lists every cause in a fixed order. Where the measurement tells them apart, the check puts
first what fits and leaves out what the measurement contradicts; the physics that tells stands beside each order.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

Causes = tuple[str, ...]

ONE_OHM = 1.0
NEAR = 1.25
"""Readings within this factor of each other may be of one part: element, meter and leads together."""


def _near(one: float, other: float) -> bool:
    return other / NEAR < one < other * NEAR


def first(causes: Iterable[str], of: Causes) -> Causes:
    """`causes` before the rest of `of`."""
    chosen = tuple(dict.fromkeys(causes))
    return (*chosen, *(cause for cause in of if cause not in chosen))


# --- cold.pair --------------------------------------------------------------------------------------------

PAIR_ONE = "about 120 ohm: one terminator is missing or switched off, or a wire is open before it"
PAIR_MORE = "about 40 ohm or 30 ohm: a third or fourth terminator inside a node or the adapter"
PAIR_NONE = "kiloohms: no terminator at all, or the plug not seated"
PAIR_SHORT = "under 5 ohm: CAN-H touches CAN-L: halve the cable to find it"
PAIR_ODD = "anything else: a terminator of a wrong value, water or flux between the wires"
PAIR = (PAIR_ONE, PAIR_MORE, PAIR_NONE, PAIR_SHORT, PAIR_ODD)


def pair(ohm: float) -> Causes:
    """Equal resistors side by side: n of 120 ohm read 120/n; what is left without any are the nodes' kiloohms."""
    if ohm < 5.0:
        return (PAIR_SHORT,)
    if ohm >= 1000.0:
        return (PAIR_NONE,)
    if _near(ohm, 120.0):
        return (PAIR_ONE, PAIR_ODD)
    if _near(ohm, 40.0) or _near(ohm, 30.0):
        return (PAIR_MORE, PAIR_ODD)
    return (PAIR_ODD, PAIR_MORE if ohm < 60.0 else PAIR_ONE)


# --- cold.supply ------------------------------------------------------------------------------------------

SUPPLY_HEATER = "the resistance of a heater: its switch failed closed, or its wire touches ground"
SUPPLY_SHORT = "under 5 ohm: solder bridge, damaged input, plug with a bent contact"
SUPPLY_CHARGES = "still rising: capacitors charge; wait"
SUPPLY = (SUPPLY_HEATER, SUPPLY_SHORT, SUPPLY_CHARGES)


def supply(ohm: float, heaters_ohm: Sequence[float]) -> Causes:
    """An element past its switch reads its own resistance, V²/P; a short next to nothing; a capacitor more and more."""
    if any(_near(ohm, each) for each in heaters_ohm):
        return (SUPPLY_HEATER,)
    return (SUPPLY_SHORT,) if ohm < 5.0 else (SUPPLY_CHARGES, SUPPLY_SHORT)


# --- cold.heater ------------------------------------------------------------------------------------------

HEATER_OPEN = "open: element burnt out, its wire broken, or a thermal cut-off in series that has opened"
HEATER_SHORT = "shorted: leads touch at the element: do not power it"
HEATER_QUARTER = "a quarter: an element for half the voltage, four times the power: do not power it"
HEATER_HALF = "half: an element of twice the power, or a second one beside it"
HEATER_DOUBLE = "double: an element of half the power, or one of two elements side by side is open"
HEATER_FOUR = "four times: an element for twice the voltage"
HEATER_EXCHANGED = "another heater's value: two heaters' plugs exchanged"
HEATER_JOINT = "another value: an element of another power, or a bad joint: measure at the element itself"
HEATER_LEAKS = "it touches the metal of its block: a shell that is cracked or damp, or a wire pinched at the block. Dry or replace it"
HEATER = (
    HEATER_OPEN,
    HEATER_SHORT,
    HEATER_QUARTER,
    HEATER_HALF,
    HEATER_DOUBLE,
    HEATER_FOUR,
    HEATER_EXCHANGED,
    HEATER_JOINT,
    HEATER_LEAKS,
)
_BY_RATIO = ((0.25, HEATER_QUARTER), (0.5, HEATER_HALF), (2.0, HEATER_DOUBLE), (4.0, HEATER_FOUR))


def heater(ohm: float, nominal_ohm: float, others_ohm: Sequence[float] = ()) -> Causes:
    """Ohm's law, R = V²/P: an element's resistance goes with the square of its voltage and down with its power.

    `others_ohm` are the nominal resistances of the other heaters: a plug that is exchanged brings their value.
    """
    if math.isinf(ohm):
        return (HEATER_OPEN,)
    if ohm < ONE_OHM < nominal_ohm / 3.0:
        return (HEATER_SHORT,)
    exchanged = [HEATER_EXCHANGED] if any(_near(ohm, each) for each in others_ohm) else []
    apart, nearest = min((abs(math.log(ohm / nominal_ohm / ratio)), cause) for ratio, cause in _BY_RATIO)
    fits = apart < math.log(1.4)  # halfway between two of these ratios
    return (*exchanged, *([nearest, HEATER_JOINT] if fits else [HEATER_JOINT, nearest]))


# --- cold.sensor ------------------------------------------------------------------------------------------

SENSOR_OPEN = "open: wire, plug, bead"
SENSOR_SHORT = "shorted: wires touch in the plug or at the bead"
SENSOR_EXCHANGED = "another sensor's value: two plugs exchanged"
SENSOR_DECADE = "ten times or a tenth, or another factor: a part of another nominal value or type"
SENSOR_WARM = "a machine that was just in use, or a cold store: let it rest for 30 minutes"
SENSOR_LEAK = "too little, though sound alone: moisture or flux across it: dry, clean, measure at the bead"
SENSOR = (SENSOR_OPEN, SENSOR_SHORT, SENSOR_EXCHANGED, SENSOR_DECADE, SENSOR_WARM, SENSOR_LEAK)


def sensor(ratio: float, fits_another: bool, shown_c: float) -> Causes:
    """`ratio` of the reading to the middle of a room's range; `shown_c` what it would be by the sensor's own curve.

    An open or shorted wire is beyond what any temperature does to the part (hundreds of times for a thermistor). A
    part that is sound but not at rest reads a temperature that a machine can have; a wrong one need not.
    """
    if ratio > 1000.0:
        return (SENSOR_OPEN,)
    if ratio < 0.005:
        return (SENSOR_SHORT,)
    exchanged = (SENSOR_EXCHANGED,) if fits_another else ()
    leak = (SENSOR_LEAK,) if ratio < 1.0 else ()  # a second path in parallel only ever takes away
    warm = -10.0 < shown_c < 70.0
    return (*exchanged, *((SENSOR_WARM, *leak, SENSOR_DECADE) if warm else (SENSOR_DECADE, *leak)))


# --- bus.quiet --------------------------------------------------------------------------------------------

ONE_SHOT = "the adapter was left in one-shot mode: it drops what meets an error or a frame of higher priority; switch that off"
SELF_TEST = (
    "the adapter was left in self-test or loopback mode: it takes its own frames for received ones, and what it sends counts as "
    "sent with nobody there; switch that off"
)
STATE_STALE = (
    "the adapter's firmware does not tell that a state is over: take its interface down and up, or the adapter out and back in; "
    "update its firmware"
)
OUT_OF_ORDER = (
    "the adapter, its driver or a hub on the way does not keep the order of what it reads: another adapter, another port, "
    "new firmware; all times and orders of this one are doubtful",
    "a node with several transmit buffers that sends the lowest first: its firmware must send frames of one identifier from "
    "one buffer",
)
"""The wire can't do it: a bus carries one frame after the other (ISO 11898-1)."""
QUIET_OLD = (
    "frames of an earlier session left in the adapter: take it out and put it back, then run again; what is old tells "
    "nothing of this board"
)
QUIET_CLIENT = "another program or controller that asks this node: end it, two masters can't test one board"

# --- sense.supply -----------------------------------------------------------------------------------------

RAIL_NONE = (
    "no voltage where the outputs are fed, though the node talks: emergency stop pressed, plug or fuse of the power pair; its "
    "logic is fed over another plug"
)
RAIL_SET = "wrong supply or setting"
RAIL_WIRE = "thin or long power pair, a loose contact"
RAIL_SCALE = "the node's reading has a wrong scale: compare once with a meter"
RAIL = (RAIL_NONE, RAIL_SET, RAIL_WIRE, RAIL_SCALE)


def rail(share: float) -> Causes:
    """`share` of the nominal voltage that the node reads at rest, where wires drop next to nothing."""
    return (RAIL_NONE, RAIL_SCALE) if share < 0.1 else (RAIL_SET, RAIL_SCALE, RAIL_WIRE)


# --- sense.ambient ---------------------------------------------------------------------------------------

AMBIENT_STUCK = "rises by itself: the heater's switch failed closed. Switch the supply off at once"
AMBIENT_INVERTED = (
    "rises by itself: the heater's driver stage is inverted, off is full on (gate driver, pull-up, polarity in the firmware). "
    "Switch the supply off at once"
)
AMBIENT_COMMANDED = "rises by itself: the firmware heats from power-on, by a setpoint or duty that it kept. Switch the supply off at once"
AMBIENT_OPEN = "reads far below the room or no value: wire or plug open, or its wire touches the supply"
AMBIENT_SHORT = "reads hundreds of degrees, or no value: wires shorted"
AMBIENT_TYPE = (
    "tens of degrees off: another sensor type, pull-up or table than in the firmware, the scale of its role, or two plugs "
    "exchanged"
)
AMBIENT_EXCHANGED = (
    "the ohmmeter read another sensor's value at this plug (cold.sensor): two sensors' plugs exchanged"
)
AMBIENT_LEAK = "a few degrees off: moisture across it, resistance in its plug"
AMBIENT_LOOSE = "noisy, or now and then no value: a loose contact"
AMBIENT_WARM = "warm because the machine was just in use: let it rest for 30 minutes"
AMBIENT = (
    AMBIENT_STUCK,
    AMBIENT_INVERTED,
    AMBIENT_COMMANDED,
    AMBIENT_OPEN,
    AMBIENT_SHORT,
    AMBIENT_TYPE,
    AMBIENT_EXCHANGED,
    AMBIENT_LEAK,
    AMBIENT_LOOSE,
    AMBIENT_WARM,
)


def rises_by_itself(open_when_cold: bool) -> Causes:
    """Kelvins within seconds, in a block with nothing commanded: its element has current; no wire of a sensor does that.

    `open_when_cold`: with the power off cold.supply read no element past its switch, so the switch was not closed for good.
    """
    if open_when_cold:
        return (AMBIENT_INVERTED, AMBIENT_COMMANDED, AMBIENT_STUCK)
    return (AMBIENT_STUCK, AMBIENT_INVERTED, AMBIENT_COMMANDED)


def exchanged_key(sensor: str) -> str:
    """Under which key cold.sensor leaves whether the ohmmeter read what another sensor has in the room."""
    return f"another sensor's value at {sensor}"


def ambient(
    mean_c: float,
    room_c: tuple[float, float],
    is_noisy: bool,
    missing_share: float,
    exchanged: bool = False,
) -> Causes:
    """By what a sensor reads at rest; `missing_share` of its readings had no value. Heat by itself ends the run first.

    With a pull-up, an open wire reads the end of the scale that is cold for a thermistor and a short the hot one; many
    nodes call either end no value. A contact that opens now and then is neither. `exchanged`: with the power off the
    ohmmeter read what another sensor has, so the wire was whole.
    """
    if exchanged:
        return (AMBIENT_EXCHANGED, AMBIENT_TYPE)
    if missing_share == 1.0:
        return (AMBIENT_OPEN, AMBIENT_SHORT)
    if missing_share > 0.0 or is_noisy:
        return (AMBIENT_LOOSE, AMBIENT_TYPE)
    if mean_c < room_c[0] - 30.0:
        return (AMBIENT_OPEN, AMBIENT_TYPE)
    if mean_c > 150.0:
        return (AMBIENT_SHORT, AMBIENT_TYPE)
    if mean_c > room_c[1] + 35.0 or mean_c < room_c[0]:
        return (AMBIENT_TYPE, AMBIENT_LEAK)
    return (AMBIENT_WARM, AMBIENT_LEAK, AMBIENT_TYPE)


# --- cold.coils -------------------------------------------------------------------------------------------

COILS_CROSSED = (
    "other pairs than a1-a2 and b1-b2: two wires exchanged in the plug; it would buzz and not turn"
)
COILS_OPEN = "one pair open: coil or wire broken"
COILS_SHORTED = "one coil reads less than the other: shorted turns: never connect it to a driver"
COILS_JOINT = "one coil reads more than the other: a bad joint or crimp"
COILS_OTHER = (
    "both coils read the same, and not what is described: another motor, or two motors' plugs exchanged"
)
COILS = (COILS_CROSSED, COILS_OPEN, COILS_SHORTED, COILS_JOINT, COILS_OTHER)
ALIKE = 0.8


def coils(read: Mapping[tuple[str, str], float], low_ohm: float, high_ohm: float, open_ohm: float) -> Causes:
    """Two coils that nothing joins: each wire has one partner, at the winding's resistance, and three opens.

    A broken coil leaves two wires with no partner. Wires exchanged leave two whole coils, between other wires.
    Shorted turns take copper out of the loop, a bad joint adds to it: one coil differs. Another motor differs in both.
    """
    joined = [pair for pair, ohm in read.items() if ohm < open_ohm]
    if len(joined) == 2 and {*joined} != {("a1", "a2"), ("b1", "b2")}:
        return (COILS_CROSSED,)
    one, other = read["a1", "a2"], read["b1", "b2"]
    if max(one, other) >= open_ohm:
        return (COILS_OPEN,) if len(joined) <= 1 else (COILS_OPEN, COILS_CROSSED)
    if min(one, other) > ALIKE * max(one, other):
        return (COILS_OTHER, COILS_SHORTED if max(one, other) < low_ohm else COILS_JOINT)
    if min(one, other) < low_ohm:
        return (COILS_SHORTED, COILS_OTHER)
    return (COILS_JOINT, COILS_OTHER) if max(one, other) > high_ohm else COILS


# --- heat.pulse -------------------------------------------------------------------------------------------

PULSE_OPEN = "flat, and the supply does not dip: heater open, plug out"
PULSE_ASKED = (
    "flat, no dip, and an element that measures right: the pulse was shorter or weaker than asked: look at the scale of the roles "
    "duty and pulse_s"
)
PULSE_EXCHANGED = "flat, but another sensor rises: plugs of two heaters or two sensors exchanged; warm one sensor by hand to tell"
PULSE_OUT = "flat, but the supply dips: heat comes that no sensor sees. Stop, let it cool, then look whether sensor and heater sit in their bores"
PULSE_WEAK = "half of the rise in time: element of another power, one of two elements open"
PULSE_SEAT = "half of the rise, late or from an element that measures right: sensor half out of its bore"
PULSE_LATE = "the whole rise, late: element loose in its bore, paste missing"
PULSE_STRONG = "far too much: element for a lower voltage. Do not power it again"
PULSE_SPILL = "the whole rise, and another sensor's too: that sensor sits in this block, or heat reaches it"
PULSE = (
    PULSE_OPEN,
    PULSE_ASKED,
    PULSE_EXCHANGED,
    PULSE_OUT,
    PULSE_WEAK,
    PULSE_SEAT,
    PULSE_LATE,
    PULSE_STRONG,
    PULSE_SPILL,
)
FLAT_SHARE = 0.25
DIPS_V = 0.05


def pulse(
    share: float,
    limits: tuple[float, float],
    is_late: bool,
    dip_v: float,
    another_rose: bool,
    element_measured: bool,
) -> Causes:
    """`share` of the expected rise; `dip_v` is NaN where nobody reads the supply.

    Energy goes where the element is: if another sensor rose, there. Current makes the supply dip by its wires'
    resistance, so a heater without current does not dip, and heat that came and was not seen did. The rise goes with
    the power, and its moment with the contact: half the power is half the rise at the usual time, a bad contact
    makes it small and late. An element that read right with the power off (V²/P) is not the weak one, and hardly open:
    what was asked for may not be what the node understood.
    """
    if share < FLAT_SHARE:
        asked = (PULSE_ASKED,) if element_measured else ()
        if another_rose:
            return (PULSE_EXCHANGED,)
        if math.isnan(dip_v):
            return (PULSE_OUT, *asked, PULSE_OPEN)  # the dangerous one first
        return (PULSE_OUT,) if dip_v > DIPS_V else (*asked, PULSE_OPEN)
    if share < limits[0]:
        if is_late:
            return (PULSE_SEAT, PULSE_LATE, PULSE_WEAK)
        return (PULSE_SEAT, PULSE_WEAK) if element_measured else (PULSE_WEAK, PULSE_SEAT)
    if share > limits[1]:
        return (PULSE_STRONG,)
    if is_late:
        return (PULSE_LATE, PULSE_SEAT)
    return (PULSE_SPILL, PULSE_EXCHANGED) if another_rose else PULSE


# --- heat.low_setpoint ------------------------------------------------------------------------------------

LOOP_SLOW = "too slow: weak element, low supply, thin power pair, a fan that blows on the block"
LOOP_DIPS = "the supply dips: power pair too thin or too long, a bad contact or fuse holder in it, a supply too weak for the load"
LOOP_SWINGS = "overshoot or swinging: sensor loosely seated, loop constants for another block"
LOOP_RESTLESS = "never steady: loose sensor contact"
LOOP_SCALE = (
    "more power than the duty tells: wrong scale of the output in the firmware, as per cent for per mille"
)
LOOP_STUCK = "does not cool: output stuck on"
LOOP = (LOOP_SLOW, LOOP_DIPS, LOOP_SWINGS, LOOP_RESTLESS, LOOP_SCALE, LOOP_STUCK)

# --- lamp.colours -----------------------------------------------------------------------------------------

LAMP_ORDER = "colours exchanged: their order is set or wired wrongly; there is no standard order"
LAMP_DARK = "dark: plug out, a dead element, no supply at the lamp"
LAMP_SEVERAL = "several at once: wires that touch, or another type of lamp than described"
LAMP = (LAMP_ORDER, LAMP_DARK, LAMP_SEVERAL)


def lamp(dark: Iterable[bool]) -> Causes:
    """`dark` says for each colour that was asked for whether none was seen: colours in another order are lit."""
    return first((LAMP_DARK,), LAMP) if any(dark) else LAMP


# --- fan.tach ---------------------------------------------------------------------------------------------

FAN_OPEN = "no speed and no current: supply wire or plug open, polarity reversed"
FAN_TACH = "no speed but it turns: tach wire open, or no pull-up"
FAN_BLOCKED = "no speed, current in bursts, does not turn: blocked rotor; clear it with the power off"
FAN_EXCHANGED = "another fan answers, or it has another fan's speed: plugs exchanged"
FAN_STUCK = "turns with nothing commanded: switch shorted, or duty inverted"
FAN_PULSES = "speed off by a clean ratio: wrong pulses per turn in the description, or noise is counted too"
FAN_CONTROL = "same speed at every duty: control wire open"
FAN_SCATTER = "the reading scatters: the firmware times single pulses, whose lengths differ, or counts noise"
FAN_LOW = "does not start at the low duty, and runs at full: too low a duty for this fan, dry bearing"
FAN_SLOW = "slow at every duty, or slow to reach it: dust, bearing, low supply, another type of fan"
FAN = (
    FAN_OPEN,
    FAN_TACH,
    FAN_BLOCKED,
    FAN_EXCHANGED,
    FAN_STUCK,
    FAN_PULSES,
    FAN_CONTROL,
    FAN_LOW,
    FAN_SLOW,
    FAN_SCATTER,
)
NO_CURRENT = 0.3

# --- fan.by_eye -------------------------------------------------------------------------------------------

EYE_OPEN = "stands still at full duty: plug out, a wire of it open, no supply at its output"
EYE_REVERSED = (
    "stands still at full duty, plug and supply are right: its wires reversed; a fan with electronics inside does not turn "
    "backwards, it stands"
)
EYE_BLOCKED = "jerks, or stands still: rotor stuck or blocked; clear it with the power off"
EYE_EXCHANGED = "another fan turns instead: plugs exchanged"
EYE_INVERTED = (
    "turns with nothing commanded and stands still at full duty: output inverted, in firmware or circuit"
)
EYE_SHORTED = (
    "turns whatever is commanded: its output conducts by itself (switch shorted), the fan hangs on the supply, or the control "
    "wire of one with four is open"
)
EYE_STAYS = (
    "does not stop any more: its switch stays on once it was used, or the node does not obey a duty of 0"
)
EYE_LOW = "turns at full duty and not at its start duty: start_duty too low for this fan, dry bearing"
BY_EYE = (
    EYE_OPEN,
    EYE_REVERSED,
    EYE_BLOCKED,
    EYE_EXCHANGED,
    EYE_INVERTED,
    EYE_SHORTED,
    EYE_STAYS,
    EYE_LOW,
)


def fan_by_eye(
    *, moved_at_rest: bool, turns_at_full: bool, jerks: bool, another_turned: bool, stopped: bool
) -> Causes:
    """What somebody saw of a fan: before, at full duty, and after it was commanded off."""
    if moved_at_rest:
        return first((EYE_SHORTED if turns_at_full or jerks else EYE_INVERTED,), (EYE_INVERTED, EYE_SHORTED))
    if another_turned:
        return (EYE_EXCHANGED, EYE_OPEN, EYE_REVERSED)
    if not turns_at_full:
        return (EYE_BLOCKED, EYE_OPEN) if jerks else (EYE_OPEN, EYE_REVERSED, EYE_BLOCKED)
    return (EYE_LOW, EYE_BLOCKED) if stopped else (EYE_STAYS, EYE_SHORTED)


def fan_without_speed(
    amps: Sequence[float], rated_a: float, another_turns: bool, turned_at_rest: bool
) -> Causes:
    """`amps` are what the supply gave more than at rest, while full duty was commanded; empty where nobody reads it.

    A motor that turns takes its rated current all the time. One that is blocked tries again and again: it takes
    several times that, and nothing in between. An open wire takes none. Where no current is read, looking tells.
    """
    if another_turns:
        return (FAN_EXCHANGED,)
    if turned_at_rest:
        return (FAN_STUCK,)
    if not amps:
        return (FAN_TACH, FAN_BLOCKED, FAN_OPEN)
    share = [each / rated_a for each in amps]
    if max(share) < NO_CURRENT:
        return (FAN_OPEN,)
    return (FAN_BLOCKED,) if min(share) < NO_CURRENT else (FAN_TACH,)


def fan(
    *,
    turned_at_rest: bool,
    off_by_ratio: bool,
    is_slow: bool,
    is_flat: bool,
    another_turned: bool,
    started_low: bool,
    is_steady: bool = True,
) -> Causes:
    """For a fan whose tachometer answers. `is_flat`: at every duty it runs as fast as at full; `is_steady`: it had come to
    hold one speed at full duty, without which a ratio means nothing.

    Pulses per turn are whole numbers, so a wrong one shows as a ratio of small whole numbers. A 4-wire fan whose
    control wire is open runs at full speed at every duty (Intel 4-Wire PWM specification rev 1.3): pulled up inside.
    """
    found = [
        (FAN_EXCHANGED, another_turned),
        (FAN_STUCK, turned_at_rest),
        (FAN_CONTROL, is_flat and not turned_at_rest),
        (FAN_SLOW, not is_steady),
        (FAN_PULSES, off_by_ratio),
        (FAN_LOW, not started_low),
        (FAN_SLOW, is_steady and is_slow and not off_by_ratio),
    ]
    fits = tuple(cause for cause, holds in found if holds)
    return fits or (FAN_SLOW, FAN_PULSES)


# --- motion.direction -------------------------------------------------------------------------------------

MOVE_REVERSED = (
    "it moves, the wrong way, off or against its lower stop: DIRECTION REVERSED; exchange the two wires of one coil "
    "or change the setting"
)
MOVE_COIL = (
    "buzzes and does not turn: one coil open or coil pairs crossed; with the power off each coil reads the motor's "
    "phase resistance"
)
MOVE_NOT = "does not turn at all: driver not enabled, current not set, axis blocked (transport lock)"
MOVE_STEPS = "released at half or double the distance: microsteps other than described"
MOVE_GEAR = "released at another distance: gear, lead or play other than described, or parked elsewhere"
MOVE_SWITCH = "the switch never changes: stuck, wire open or shorted, or its polarity inverted"
MOVE_PARKED = "the axis does not stand on its home switch: park it there by hand, with the power off"
MOVE_ENCODER = (
    "the axis moves right and the encoder does not count so: its channels exchanged (the other way), plug or channel "
    "open (nothing), another number of lines (a constant share)"
)
MOVE = (MOVE_REVERSED, MOVE_COIL, MOVE_NOT, MOVE_STEPS, MOVE_GEAR, MOVE_SWITCH, MOVE_PARKED, MOVE_ENCODER)

RETURN_COUPLING = (
    "step counter and encoder show the same difference: the coupling, belt or gear behind the motor slips"
)
SWITCH_WITH_MOTOR = "a switch changes while the motor runs: its wire lies beside the motor's, its pull-up is weak, or its plug shakes loose"
RETURN_ENCODER = "only the encoder is off: its hub is loose on the shaft"

STEPS_CURRENT = "run current too low, or speed too high for the load"
STEPS_FRICTION = "friction, transport lock, belt or coupling loose"
STEPS_COIL = "one coil with a loose contact"
STEPS_DIP = "supply dips when the motor starts"


def steps_lost(beside_loads: bool = False) -> Causes:
    """For an axis that came back short; `beside_loads`: it lost none by itself, with nothing else on."""
    if beside_loads:
        return (STEPS_DIP, STEPS_CURRENT, STEPS_COIL)
    return (STEPS_FRICTION, STEPS_CURRENT, STEPS_COIL, STEPS_DIP)


def moved_wrong(
    *,
    let_go_on_return: bool,
    open_load: bool,
    coils_measured: bool,
    switch_pressed: bool,
    encoded_share: float,
) -> Causes:
    """For an axis whose home switch did not let go on the way up.

    A reversed motor either leaves the switch on the way back, or is held by its lower stop on the way up and then
    comes back to where it was: with an encoder the sign tells, without one it looks like an axis that stands still.
    A driver sees a coil without current as an open load. Coils that read right with the power off are neither open
    nor crossed; a switch that was pressed by hand in this run works.
    """
    if let_go_on_return or encoded_share < -0.1:
        return (MOVE_REVERSED,)
    if open_load:
        return (MOVE_COIL, MOVE_REVERSED)
    moved = encoded_share > 0.5
    causes = [] if moved else [MOVE_REVERSED, MOVE_NOT]
    if not moved and not coils_measured:
        causes.insert(1, MOVE_COIL)
    causes.insert(0 if moved else len(causes), MOVE_SWITCH)
    if switch_pressed and not moved:
        causes.remove(MOVE_SWITCH)
    return tuple(causes)


def moved_otherwise(factor: float | None) -> Causes:
    """`factor` by which the driver's microsteps differ, where the distance says so.

    Microsteps come in powers of two; a gear or a lead hardly ever differs by one.
    """
    return (MOVE_GEAR, MOVE_STEPS) if factor in (None, 1.0) else (MOVE_STEPS, MOVE_GEAR)


# --- bus.enumerate ----------------------------------------------------------------------------------------

BOARD_POWER = "no power at the node: plug, fuse, polarity (does it draw current, is its lamp on?)"
BOARD_OPEN = (
    "one or both CAN wires open at the node, or its plug not seated: power off, plug mated, each wire from end to end: H from "
    "the adapter's plug to the node's own pin on its board, then L the same, a few ohm at most; H to L may read 60 ohm all the same"
)
BOARD_CROSSED = (
    "CAN-H and CAN-L exchanged at the node: 60 ohm, normal current, and nothing but acknowledge errors"
)
BOARD_RATE = (
    "another bit rate in the node or the adapter: stuff and form errors beside the acknowledge errors"
)
BOARD_SHORT = (
    "H and L shorted to each other, to ground or to supply: the adapter goes bus-off within milliseconds"
)
BOARD_TWINS = "duplicate id: two boards were set alike; number them one at a time"
BOARD_WRONG = "the wrong board: compare its label with the description"
BOARD_FIRMWARE = "another firmware than described: update it, or correct the description"
BOARD_RESTARTS = "the node restarts by itself, or boots slowly: look at its supply while it boots"
BOARD_BEAT = "the heartbeat's period is set otherwise in the node"
BOARD_STRANGER = "a board that the description does not list is on the bus: unplug it, or describe it"
BOARD_ECHO = (
    "that id is the one under which hiltest itself speaks (bus.host_id): the adapter hands the host its own frames as if another "
    "had sent them. It was left in self-test or loopback: close what set it so, and open it anew"
)
BOARD_BUSY = "the node is alive and busy: its program hangs or answers late; switch its supply off and on"
BOARD = (
    BOARD_POWER,
    BOARD_OPEN,
    BOARD_CROSSED,
    BOARD_RATE,
    BOARD_SHORT,
    BOARD_TWINS,
    BOARD_WRONG,
    BOARD_FIRMWARE,
    BOARD_RESTARTS,
    BOARD_BEAT,
    BOARD_STRANGER,
    BOARD_ECHO,
    BOARD_BUSY,
)


def board(failed: Iterable[str], *, hears_itself: bool = False) -> Causes:
    """For a node that answers, by the names of the measurements that failed.

    `hears_itself`: the one node too many has the host's own id, under which no board may speak (CiA 301).
    """
    by_name = {
        "answers": BOARD_TWINS,
        "serial numbers": BOARD_TWINS,
        "nodes not in the description": BOARD_ECHO if hears_itself else BOARD_STRANGER,
        "vendor id": BOARD_WRONG,
        "product code": BOARD_WRONG,
        "revision": BOARD_WRONG,
        "firmware": BOARD_FIRMWARE,
        "boot time": BOARD_RESTARTS,
        "heartbeats": BOARD_RESTARTS,
        "heartbeat period, mean": BOARD_BEAT,
        "heartbeat gap, longest": BOARD_RESTARTS,
    }
    return tuple(dict.fromkeys(by_name[name] for name in failed if name in by_name))


# --- switch.by_hand ---------------------------------------------------------------------------------------

SWITCH_INVERTED = (
    "reads pressed where it is free and the other way round: contact type or polarity set wrongly"
)
SWITCH_DEAD = (
    "never changes: wire open (normally open contact) or shorted (normally closed), lever stuck, plug out"
)
SWITCH_EXCHANGED = (
    "another switch changes instead, of this board or of another: the plugs of the two are exchanged"
)
SWITCH_TOGETHER = "another switch changes with it: their wires touch, or one lever moves both"
SWITCH_FLOATS = "changes by itself: pull-up missing, wire loose"
SWITCH_RESTLESS = "restless for long: worn contact, no debouncing"
SWITCH = (
    SWITCH_INVERTED,
    SWITCH_DEAD,
    SWITCH_EXCHANGED,
    SWITCH_TOGETHER,
    SWITCH_FLOATS,
    SWITCH_RESTLESS,
)


def switch(*, floats: bool, follows: bool, reads_right: bool, others_moved: bool) -> Causes:
    """By what a hand on one lever changed.

    A contact moves its own input and no other. One that moves another's input is plugged in there, and what then
    stands at its own input is the other's contact at rest, so what that reads tells nothing of its polarity.
    """
    if floats:
        return (SWITCH_FLOATS,)
    if not follows:
        return (SWITCH_EXCHANGED, SWITCH_DEAD) if others_moved else (SWITCH_DEAD,)
    found = ((SWITCH_TOGETHER, others_moved), (SWITCH_INVERTED, not reads_right))
    return tuple(cause for cause, holds in found if holds) or (SWITCH_RESTLESS,)


# --- safe.over_temperature --------------------------------------------------------------------------------

TRIP_CLEARS = "the trip clears by itself, so a loose sensor heats on blindly"

# --- safe.old_commands ------------------------------------------------------------------------------------

GATE_FLOATS = "the output's pin floats while the processor boots"
OLD_STARTS = (
    "the firmware starts by itself and takes commands before it was started (CiA 301: outputs follow only in the "
    "state operational)"
)
OLD_NO_AGE = "commands carry neither age nor sequence, and the node has no arm sequence"
OLD = (OLD_STARTS, OLD_NO_AGE, GATE_FLOATS)


def warm_after_boot() -> Causes:
    """A block got warmer over a boot, and nothing is on any more: what acts on a command stays on."""
    return first((GATE_FLOATS,), OLD)


# --- safe.emergency_stop ----------------------------------------------------------------------------------

ESTOP_INPUT = "it is wired to an input and not to the power"
ESTOP_BRIDGED = "a contact welded, a bridge left in from commissioning"
ESTOP_SETPOINTS = "the firmware goes on with the setpoints that it had when the power comes back"
ESTOP_LATCH = "no latch: letting go switches on"
ESTOP_SLOW = (
    "capacitors behind its contact hold the rail up, or a motor or a second supply feeds back into it"
)
ESTOP = (ESTOP_INPUT, ESTOP_BRIDGED, ESTOP_SLOW, ESTOP_SETPOINTS, ESTOP_LATCH)


def emergency_stop(power_went: bool) -> Causes:
    """A stop that took the power away is wired right: what comes on when it is let go is the firmware's, or the latch's."""
    return (ESTOP_SETPOINTS, ESTOP_LATCH) if power_went else (ESTOP_INPUT, ESTOP_BRIDGED)


# --- safe.host_silence ------------------------------------------------------------------------------------

SILENCE_UNSEEN = "no host watch in the firmware, or its time is zero or too long"
SILENCE_TOLD = "the watch only sends a message and leaves the outputs"
SILENCE_NOT_OFF = "the firmware does not carry out its own all-off, neither by the watch nor by command (safe.stop was not run)"
SILENCE = (SILENCE_UNSEEN, SILENCE_TOLD, SILENCE_NOT_OFF)


def host_silence(told: bool) -> Causes:
    """A node that reports that its host is gone has a watch, and it came in time to be heard."""
    return (SILENCE_TOLD, SILENCE_NOT_OFF) if told else SILENCE
