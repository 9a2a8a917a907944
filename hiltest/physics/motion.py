"""Steppers: steps and distances, step rates, torque between steps, coils by ohmmeter, heat, lost steps.

Motors move without warning and pinch; a bench move is small and slow until direction, switches and
current are proven.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from hiltest.physics._arguments import (
    between,
    finite,
    inside,
    not_negative,
    numbers,
    positive,
    refuse,
    whole,
)

FULL_STEPS_PER_CYCLE: Final = 4
"""Full steps of one electrical cycle of a two-phase motor: 90 electrical degrees each."""

COPPER_CONSTANT_C: Final = 234.5
"""−234.5 °C is where the straight line of copper's resistance meets zero (IEC 60034-1 uses 235)."""


def full_steps_per_revolution(step_angle_deg: float) -> int:
    """Full steps per turn of a motor: 200 for 1.8°, 400 for 0.9°.

    Raises UsageError for an angle that does not divide a turn. Source: definition.
    """
    steps = 360.0 / positive("step_angle_deg", step_angle_deg)
    if abs(steps - round(steps)) > 1e-6 * steps or round(steps) < 4:
        raise refuse(
            "step_angle_deg", step_angle_deg, "an angle that divides 360 degrees, such as 1.8 or 0.9"
        )
    return round(steps)


def microsteps_per_revolution(full_steps: int = 200, microsteps: int = 1) -> int:
    """Microsteps per motor turn. Raises UsageError for numbers below 1 or microsteps no power of
    two. Source: definition.
    """
    return whole("full_steps", full_steps, 4) * _power_of_two("microsteps", microsteps)


def screw_steps_per_mm(
    lead_mm: float, *, full_steps: int = 200, microsteps: int = 1, gear: float = 1.0
) -> float:
    """Microsteps per millimetre of a screw of `lead_mm` per turn; `gear` is motor turns per screw turn.

    Raises UsageError for values that are not positive. Source: kinematics.
    """
    per_turn = microsteps_per_revolution(full_steps, microsteps) * positive("gear", gear)
    return per_turn / positive("lead_mm", lead_mm)


def belt_steps_per_mm(
    pitch_mm: float, teeth: int, *, full_steps: int = 200, microsteps: int = 1, gear: float = 1.0
) -> float:
    """Microsteps per millimetre of a belt on a pulley; `gear` is motor turns per pulley turn.

    Raises UsageError for values that are not positive. Source: kinematics.
    """
    per_turn = microsteps_per_revolution(full_steps, microsteps) * positive("gear", gear)
    return per_turn / (positive("pitch_mm", pitch_mm) * whole("teeth", teeth, 1))


def degrees_per_step(*, full_steps: int = 200, microsteps: int = 1, gear: float = 1.0) -> float:
    """Degrees of the output per microstep; `gear` is motor turns per output turn.

    Raises UsageError for values that are not positive. Source: kinematics.
    """
    return 360.0 / (microsteps_per_revolution(full_steps, microsteps) * positive("gear", gear))


def step_rate_hz(speed_mm_per_s: float, steps_per_mm: float) -> float:
    """Microsteps per second at a speed. Raises UsageError for negative speed or steps not
    positive. Source: kinematics.
    """
    return not_negative("speed_mm_per_s", speed_mm_per_s) * positive("steps_per_mm", steps_per_mm)


def motor_rpm(step_rate: float, full_steps: int = 200, microsteps: int = 1) -> float:
    """Motor speed in rpm at `step_rate` microsteps per second. Raises UsageError for negative values.

    Source: kinematics.
    """
    rate = not_negative("step_rate", step_rate, "give it in microsteps per second")
    return 60.0 * rate / microsteps_per_revolution(full_steps, microsteps)


def torque_per_microstep(microsteps: int) -> float:
    """Fraction of the holding torque that one microstep of error can bring up: sin(90°/N).

    1 for full steps, 0.098 at 16. Raises UsageError unless N is a power of two from 1 to 256.
    Source: sine torque curve of a hybrid motor (from memory; the effect is named in Machine Design,
    "Microstepping myths and realities").
    """
    return math.sin(math.pi / 2.0 / _power_of_two("microsteps", microsteps))


@dataclass(frozen=True, slots=True)
class TravelRatio:
    """Measured travel against commanded travel.

    `ratio` is its size, `reversed` whether it went the wrong way, `microstep_factor` the power of two
    that explains it (1.0 is right, 2.0: the driver has half the microsteps that the host counts on),
    None if none does: then look at lead, pulley, gear or a slipping coupling.
    """

    ratio: float
    reversed: bool
    microstep_factor: float | None


def travel_ratio(commanded: float, measured: float, tolerance: float = 0.1) -> TravelRatio:
    """Compare a measured travel with the commanded one (same unit), and look for a wrong microstep setting.

    A factor counts if the ratio is within `tolerance` (fraction) of a power of two from 1/256 to 256.
    Raises UsageError for a command of 0, NaN, or a tolerance outside 0..0.3.
    Source: microstep settings are powers of two (common practice, no source).
    """
    between("tolerance", tolerance, 0.0, 0.3, "over 0.3 everything is near a power of two")
    if finite("commanded", commanded) == 0.0:
        raise refuse("commanded", commanded, "a move, not 0", "command a small move first")
    ratio = finite("measured", measured) / commanded
    size = abs(ratio)
    if size == 0.0:
        return TravelRatio(0.0, False, None)
    power = round(math.log2(size))
    factor = 2.0**power
    fits = abs(power) <= 8 and abs(size / factor - 1.0) <= tolerance
    return TravelRatio(size, ratio < 0.0, factor if fits else None)


@dataclass(frozen=True, slots=True)
class CoilPairs:
    """What six pairwise resistances of four motor wires say.

    `pairs` holds the coils found, each as two wire names in the order given; `problems` is empty for
    a sound two-phase motor.
    """

    pairs: tuple[tuple[str, str], ...]
    coil_ohm: tuple[float, ...]
    problems: tuple[str, ...]


def coil_pairs(
    resistances_ohm: Mapping[tuple[str, str], float],
    *,
    open_above_ohm: float = 1000.0,
    short_below_ohm: float = 0.2,
    imbalance: float = 0.2,
) -> CoilPairs:
    """Find the two coils of a four-wire motor from the resistance between each two of its wires.

    `resistances_ohm` maps all six pairs of the four wire names (either order) to ohm, `math.inf` for
    open. Above `open_above_ohm` counts as open, below `short_below_ohm` as a short; the coils may
    differ by `imbalance` (fraction of the larger). Disconnect the motor from its driver first.
    Raises UsageError unless there are exactly the six pairs of four wires, all 0 or more.
    Source: common practice, no source: two pairs read the winding, the four others open.
    """
    wires, ohms = _six_pairs(resistances_ohm)
    positive("open_above_ohm", open_above_ohm)
    inside("short_below_ohm", short_below_ohm, 0.0, open_above_ohm)
    joined = {pair: ohm for pair, ohm in ohms.items() if ohm < open_above_ohm}
    pairs = tuple(pair for pair, ohm in joined.items() if ohm >= short_below_ohm)
    problems = [
        f"{one}-{other} is shorted ({ohm:.3g} ohm)"
        for (one, other), ohm in joined.items()
        if ohm < short_below_ohm
    ]
    used = [wire for pair in joined for wire in pair]
    for wire in wires:
        if used.count(wire) == 0:
            problems.append(f"{wire} connects to no other wire: its coil or lead is open")
        elif used.count(wire) > 1:
            problems.append(
                f"{wire} connects to {used.count(wire)} other wires: the coils touch, or it is no 4-wire motor"
            )
    coil_ohm = tuple(joined[pair] for pair in pairs)
    if not problems and min(coil_ohm) < (1.0 - imbalance) * max(coil_ohm):
        problems.append(
            f"the coils differ: {coil_ohm[0]:.3g} and {coil_ohm[1]:.3g} ohm; one has shorted turns or a bad joint"
        )
    return CoilPairs(pairs, coil_ohm, tuple(problems))


def _six_pairs(
    resistances_ohm: Mapping[tuple[str, str], float],
) -> tuple[list[str], dict[tuple[str, str], float]]:
    wires = list(dict.fromkeys(wire for pair in resistances_ohm for wire in pair))
    distinct = {frozenset(pair) for pair in resistances_ohm}
    if len(wires) != 4 or len(resistances_ohm) != 6 or len(distinct) != 6 or min(map(len, distinct)) != 2:
        raise refuse(
            "resistances_ohm",
            list(resistances_ohm),
            "the six pairs of four wires",
            "measure each two wires once",
        )
    order = {wire: place for place, wire in enumerate(wires)}
    ohms = {}
    for (one, other), ohm in resistances_ohm.items():
        if not ohm >= 0.0:
            raise refuse(
                "resistances_ohm", ohm, "0 or more, math.inf for open", f"measure {one}-{other} again"
            )
        ohms[(one, other) if order[one] < order[other] else (other, one)] = float(ohm)
    return wires, ohms


def winding_temperature_c(resistance_ohm: float, cold_ohm: float, cold_c: float = 25.0) -> float:
    """Mean temperature in °C of a copper winding from its resistance: (234.5 + T2)/(234.5 + T1) = R2/R1.

    Raises UsageError for resistances that are not positive or a cold temperature below −234.5.
    Source: straight line of copper, IEC 60034-1 (which rounds the constant to 235).
    """
    inside("cold_c", cold_c, -COPPER_CONSTANT_C, 1000.0)
    ratio = positive("resistance_ohm", resistance_ohm) / positive("cold_ohm", cold_ohm)
    return ratio * (COPPER_CONSTANT_C + cold_c) - COPPER_CONSTANT_C


def holding_power_w(phase_current_a: float, phase_ohm: float, *, microstepping: bool = False) -> float:
    """Heat in watt of a two-phase motor at standstill.

    Full current in both phases: 2·I²·R. Microstepping with `phase_current_a` as the peak of sine and
    cosine: I²·R at any angle. Raises UsageError for values that are not positive. Source: Joule's law.
    """
    phase = positive("phase_current_a", phase_current_a) ** 2 * positive("phase_ohm", phase_ohm)
    return phase if microstepping else 2.0 * phase


@dataclass(frozen=True, slots=True)
class LostSteps:
    """Position error after a return, in full steps, read as lost electrical cycles.

    `cycles` is the nearest whole number of cycles of four full steps, `rest_full_steps` what they do not
    explain (backlash, switch repeatability); `clean` says that this rest is small and cycles are not 0.
    """

    full_steps: float
    cycles: int
    rest_full_steps: float
    clean: bool


def lost_steps(error_microsteps: float, microsteps: int, clean_within_full_steps: float = 0.5) -> LostSteps:
    """Read a position error as lost steps: a rotor that slips falls into place 4 full steps on, or a multiple.

    Raises UsageError for NaN, microsteps no power of two, or a rest limit outside 0..2.
    Source: torque repeats each electrical cycle (from memory).
    """
    between("clean_within_full_steps", clean_within_full_steps, 0.0, 2.0)
    full = finite("error_microsteps", error_microsteps) / _power_of_two("microsteps", microsteps)
    cycles = round(full / FULL_STEPS_PER_CYCLE)
    rest = full - cycles * FULL_STEPS_PER_CYCLE
    return LostSteps(full, cycles, rest, cycles != 0 and abs(rest) <= clean_within_full_steps)


def resonance_hz(rotor_teeth: int, holding_torque_nm: float, inertia_kg_m2: float) -> float:
    """Frequency in Hz at which a held rotor swings: sqrt(Nr·Th/J)/(2·pi).

    Step rates near it lose steps. Raises UsageError for values that are not positive.
    Source: linearised sine torque curve; P. Acarnley, Stepping Motors (from memory).
    """
    stiffness = whole("rotor_teeth", rotor_teeth, 1) * positive("holding_torque_nm", holding_torque_nm)
    return math.sqrt(stiffness / positive("inertia_kg_m2", inertia_kg_m2)) / (2.0 * math.pi)


def rotation_sense(phase_a: object, phase_b: object) -> int:
    """Sense of rotation of a two-phase field from the currents of one or more steps: 1, −1, or 0 if none.

    Both are one-dimensional, equally long, 2 or more samples in order of time: the currents in A and B.
    1 is the sequence A+, B+, A−, B−. Raises UsageError for bad samples.
    Source: sign of the area that (A, B) sweeps around the origin.
    """
    a, b = numbers("phase_a", phase_a), numbers("phase_b", phase_b)
    if a.ndim != 1 or a.shape != b.shape or a.size < 2:
        raise refuse(
            "phase_b", f"<shape {b.shape}>", f"as many samples as phase_a, shape {a.shape}, 2 or more"
        )
    swept = float((a[:-1] * b[1:] - a[1:] * b[:-1]).sum())
    return (swept > 0.0) - (swept < 0.0)


def _power_of_two(name: str, value: int) -> int:
    number = whole(name, value, 1, 256)
    if number & (number - 1):
        raise refuse(name, value, "a power of two from 1 to 256", "read it back from the driver")
    return number
