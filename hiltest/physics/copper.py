"""Copper wire: gauge, resistance, drop, heat, rule-of-thumb current, and fuse against wire.

Lengths are one way; a loop is there and back. Temperatures are those of the copper, not of the room.
The current limits here are rules of thumb for short bench and machine wiring. Building wiring,
bundles, high ambients and anything on mains follow the local code and a licensed person.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

from hiltest.physics._arguments import INF, not_negative, one_of, positive, refuse, whole

RESISTIVITY_OHM_M: Final = 1.0 / 58e6
"""Annealed copper at 20 °C, 100 % IACS: 1/58 ohm·mm²/m. Source: IEC 60028; NBS Handbook 100 (1966)."""

TEMPERATURE_COEFFICIENT_PER_K: Final = 0.00393
"""At 20 °C and constant mass. Source: IEC 60028 (from memory)."""

FuseStandard = Literal["UL 248-14", "IEC 60127"]
PulseShape = Literal["square", "triangle", "half sine", "exponential"]


def awg_diameter_m(awg: int) -> float:
    """Diameter in metres of a solid conductor of gauge `awg` (0 is 1/0, −1 is 2/0 … −3 is 4/0; to 40).

    d = 0.127 mm · 92^((36 − awg)/39). Raises UsageError outside −3 to 40.
    Source: ASTM B258 (No. 36 is 0.0050 in, No. 0000 is 0.4600 in, 39 equal ratios between).
    """
    return 0.127e-3 * math.pow(92.0, (36 - _gauge(awg)) / 39.0)


def awg_area_m2(awg: int) -> float:
    """Cross section in m² of a solid conductor of gauge `awg`. Raises UsageError outside −3 to 40.

    Source: circle of `awg_diameter_m`. Stranded wire of the same number has nearly the same metal.
    """
    diameter = awg_diameter_m(awg)
    return math.pi / 4.0 * diameter * diameter


@cache
def _ohm_per_m_at_20(awg: int) -> float:
    return RESISTIVITY_OHM_M / awg_area_m2(awg)


def resistance_per_m_ohm(awg: int, temperature_c: float = 20.0) -> float:
    """Resistance in ohm of one metre of one conductor at `temperature_c`.

    Solid wire; stranded adds 2 to 5 % (common practice, no source). Raises UsageError for a gauge
    outside −3 to 40 or a temperature outside −200 to 400 °C, where the straight line in temperature ends.
    Source: IEC 60028 resistivity and coefficient, ASTM B258 area.
    """
    if not -200.0 <= temperature_c <= 400.0:
        raise refuse("temperature_c", temperature_c, "-200 to 400, the temperature of the copper")
    return _ohm_per_m_at_20(awg) * (1.0 + TEMPERATURE_COEFFICIENT_PER_K * (temperature_c - 20.0))


def loop_resistance_ohm(
    awg: int, length_m: float, temperature_c: float = 20.0, contact_ohm: float = 0.0
) -> float:
    """Resistance in ohm of a pair of `length_m` (one way), there and back, plus all contacts together.

    Raises UsageError for a negative length or contact resistance, and as `resistance_per_m_ohm`.
    Source: Ohm's law.
    """
    not_negative("length_m", length_m)
    not_negative("contact_ohm", contact_ohm)
    return 2.0 * length_m * resistance_per_m_ohm(awg, temperature_c) + contact_ohm


def voltage_drop_v(
    awg: int, length_m: float, current_a: float, temperature_c: float = 20.0, contact_ohm: float = 0.0
) -> float:
    """Voltage in volt lost in a pair of `length_m` (one way) at `current_a`.

    Raises UsageError for a negative current, and as `loop_resistance_ohm`. Source: Ohm's law.
    """
    return not_negative("current_a", current_a) * loop_resistance_ohm(
        awg, length_m, temperature_c, contact_ohm
    )


def wire_loss_w(
    awg: int, length_m: float, current_a: float, temperature_c: float = 20.0, contact_ohm: float = 0.0
) -> float:
    """Heat in watt made in a pair of `length_m` (one way) at `current_a`.

    Raises UsageError as `voltage_drop_v`. Source: Joule's law.
    """
    return current_a * voltage_drop_v(awg, length_m, current_a, temperature_c, contact_ohm)


def load_voltage_v(supply_v: float, loop_ohm: float, load_ohm: float) -> float:
    """Voltage at a resistive load behind a loop of wire. Raises UsageError unless load_ohm is positive
    and the others are not negative. Source: voltage divider.
    """
    not_negative("supply_v", supply_v)
    not_negative("loop_ohm", loop_ohm)
    return supply_v * positive("load_ohm", load_ohm) / (load_ohm + loop_ohm)


def thinnest_awg(
    length_m: float, current_a: float, allowed_drop_v: float, temperature_c: float = 20.0
) -> int:
    """Largest even gauge number from 10 to 30 whose pair drops no more than `allowed_drop_v`.

    Only the drop is looked at; see `ampacity` for heat. Raises UsageError for values that are not
    positive, or if even 10 AWG drops too much. Source: Ohm's law.
    """
    positive("length_m", length_m)
    positive("current_a", current_a)
    positive("allowed_drop_v", allowed_drop_v)
    for awg in range(30, 8, -2):
        if voltage_drop_v(awg, length_m, current_a, temperature_c) <= allowed_drop_v:
            return awg
    raise refuse(
        "allowed_drop_v",
        allowed_drop_v,
        "a drop that 10 AWG can keep",
        "shorten the run or raise the supply voltage",
    )


@dataclass(frozen=True, slots=True)
class Ampacity:
    """Two rules of thumb for the current of one wire, in ampere.

    `chassis_a` for short single wires in free air, `transmission_a` for long runs and bundles
    (700 circular mils per ampere, very careful).
    """

    chassis_a: float
    transmission_a: float


# 18 to 30 even as printed in copies of the table; the others from memory. The second column is
# 700 circular mils per ampere throughout, which a test recomputes.
_AMPACITY: Final = {
    10: Ampacity(55.0, 15.0),
    12: Ampacity(41.0, 9.3),
    14: Ampacity(32.0, 5.9),
    16: Ampacity(22.0, 3.7),
    18: Ampacity(16.0, 2.3),
    20: Ampacity(11.0, 1.5),
    22: Ampacity(7.0, 0.92),
    24: Ampacity(3.5, 0.577),
    26: Ampacity(2.2, 0.361),
    28: Ampacity(1.4, 0.226),
    30: Ampacity(0.86, 0.142),
}


def ampacity(awg: int) -> Ampacity:
    """The two printed columns for an even gauge from 10 to 30. Raises UsageError for another gauge.

    Rules of thumb, not a code. Source: Handbook of Electronic Tables and Formulas, as copied in many
    wire tables (10 to 16 AWG from memory).
    """
    found = _AMPACITY.get(awg)
    if found is None:
        raise refuse(
            "awg", awg, "an even gauge from 10 to 30", "take the next thinner even gauge (higher number)"
        )
    return found


def borne_a(awg: int) -> float:
    """Current in ampere that a wire of any whole gauge from 0 to 30 bears in free air, on the safe side.

    An odd gauge counts as the next thinner even one, and what is thicker than 10 AWG as 10 AWG, where
    the printed columns begin. Raises UsageError for another gauge. Source: as `ampacity`.
    """
    if not 0 <= awg <= 30:
        raise refuse("awg", awg, "a gauge from 0 to 30", "the printed columns end there")
    return ampacity(max(10, awg + awg % 2)).chassis_a


def fuse_opens_within_s(rating_a: float, current_a: float) -> float:
    """Longest time in seconds that a UL 248-14 fuse of `rating_a` may carry `current_a`; `inf`: no promise.

    Carries 100 % for ever; opens within 1 h at 135 %; within 2 min at 200 % up to 30 A rating, 4 min
    from 35 to 60 A. Between 100 and 135 % nothing is promised. Raises UsageError for a rating outside
    0 to 60 A or a negative current.
    Source: UL 248-14 as quoted in the Littelfuse fuseology selection guide, p. 12.
    """
    if not 0.0 < rating_a <= 60.0:
        raise refuse("rating_a", rating_a, "more than 0 and at most 60", "UL 248-14 ends at 60 A")
    ratio = not_negative("current_a", current_a) / rating_a
    # Ratios such as 13.5/10 fall a hair below their decimal value.
    if ratio >= 2.0 - 1e-12:
        return 120.0 if rating_a <= 30.0 else 240.0
    return 3600.0 if ratio >= 1.35 - 1e-12 else INF


def smallest_fuse_a(load_a: float, standard: FuseStandard = "UL 248-14") -> float:
    """Least fuse rating in ampere that carries `load_a` continuously at room temperature.

    UL fuses are loaded to 75 % of the rating, IEC fuses to 100 %. Raises UsageError for a load that
    is not positive or another standard. Source: ibex.tech, "European vs American fuse standards".
    """
    one_of("standard", standard, ("UL 248-14", "IEC 60127"))
    return positive("load_a", load_a) / (0.75 if standard == "UL 248-14" else 1.0)


def short_circuit_a(awg: int, length_m: float, supply_v: float, supply_limit_a: float = INF) -> float:
    """Current in ampere of a dead short at the far end of a pair of `length_m` (one way), cold, contacts left out.

    Raises UsageError unless length, voltage and limit are positive, and as `loop_resistance_ohm`. Source: Ohm's law.
    """
    positive("supply_v", supply_v)
    if not supply_limit_a > 0.0:
        raise refuse("supply_limit_a", supply_limit_a, "above 0 (math.inf if the supply has no limit)")
    return min(supply_v / loop_resistance_ohm(awg, positive("length_m", length_m)), supply_limit_a)


@dataclass(frozen=True, slots=True)
class FuseCheck:
    """A fuse against its load, its wire and the short circuit at the far end.

    `opens_within_s` is what UL 248-14 promises at the far-end short circuit (inf: no promise).
    `problems` is empty if all is well.
    """

    carries_load: bool
    protects_wire: bool
    short_circuit_a: float
    opens_within_s: float
    problems: tuple[str, ...]


def fuse_check(
    rating_a: float,
    *,
    load_a: float,
    awg: int,
    length_m: float,
    supply_v: float,
    supply_limit_a: float = INF,
    standard: FuseStandard = "UL 248-14",
) -> FuseCheck:
    """Does a fuse carry its load, protect its wire, and open on a short at the end of the run?

    The wire is protected if the rating is not above its chassis column; the short circuit clears if
    it reaches 200 % of the rating. A supply that limits its current (`supply_limit_a`) may never blow
    the fuse. Raises UsageError as the functions it uses. Source: UL 248-14 for the fuse; the
    comparison with the chassis column is common practice, no source.
    """
    fault_a = short_circuit_a(awg, length_m, supply_v, supply_limit_a)
    opens_s = fuse_opens_within_s(rating_a, fault_a)
    needed_a, wire_a = smallest_fuse_a(load_a, standard), borne_a(awg)
    problems = []
    if rating_a < needed_a:
        problems.append(
            f"{rating_a:g} A is too small for {load_a:g} A continuously; take {needed_a:.3g} A or more"
        )
    if rating_a > wire_a:
        problems.append(
            f"{rating_a:g} A does not protect {awg} AWG ({wire_a:g} A); smaller fuse or thicker wire"
        )
    if fault_a < 2.0 * rating_a:
        problems.append(
            f"a short at the far end draws only {fault_a:.3g} A, under 200 % of {rating_a:g} A: "
            "the fuse may stay whole"
        )
    return FuseCheck(rating_a >= needed_a, rating_a <= wire_a, fault_a, opens_s, tuple(problems))


_SHAPE_FACTOR: Final = {"square": 1.0, "triangle": 1.0 / 3.0, "half sine": 0.5, "exponential": 0.5}
_PULSE_LIFE: Final = ((100_000, 0.22), (10_000, 0.29), (1_000, 0.38), (100, 0.48))


def pulse_i2t_a2s(peak_a: float, duration_s: float, shape: PulseShape = "square") -> float:
    """Heating effect in A²s of one current pulse; for "exponential" the duration is one time constant.

    Raises UsageError for negative values or another shape.
    Source: Littelfuse fuseology selection guide, p. 12 (1, 1/3, 1/2, 1/2).
    """
    one_of("shape", shape, tuple(_SHAPE_FACTOR))
    return _SHAPE_FACTOR[shape] * not_negative("peak_a", peak_a) ** 2 * not_negative("duration_s", duration_s)


def allowed_pulse_i2t_a2s(melting_i2t_a2s: float, pulses: int) -> float:
    """Largest A²s of each of `pulses` inrush pulses that a fuse of `melting_i2t_a2s` survives.

    22 % of the melting value for 100 000 pulses, 29 % for 10 000, 38 % for 1 000, 48 % for 100 and
    fewer; the next row up is used between. Raises UsageError for a melting value that is not positive
    or more than 100 000 pulses. Source: Littelfuse fuseology selection guide, p. 12.
    """
    whole("pulses", pulses, 1, 100_000)
    share = next(share for life, share in reversed(_PULSE_LIFE) if pulses <= life)
    return share * positive("melting_i2t_a2s", melting_i2t_a2s)


def _gauge(awg: int) -> int:
    return whole("awg", awg, -3, 40, "0 is 1/0, -1 is 2/0, -3 is 4/0")
