"""The CAN line as something that carries edges: delay, settling, reflections, ringing, coupled noise.

These are single-number estimates for a bench, not a field simulation: good for "does this stub matter
at 1 Mbit/s", not for signing off a layout. Where a formula is an engineering estimate it says so.
Re-exported by `line`.
"""

from __future__ import annotations

import math
from typing import Final, NamedTuple

from hiltest.physics._arguments import (
    INF,
    between,
    finite,
    inside,
    not_negative,
    positive,
    refuse,
    whole,
)

DELAY_NS_PER_M: Final = 5.0
"""One-way delay of bus cable. Source: ISO 11898-2 as quoted in NI's CAN cable table (5 ns/m)."""

_VACUUM_PERMITTIVITY: Final = 8.8541878128e-12
_VACUUM_IMPEDANCE: Final = 376.730313668


def propagation_delay_s(length_m: float, ns_per_m: float = DELAY_NS_PER_M) -> float:
    """One-way delay in seconds. Raises UsageError for a negative length or a delay
    that is not positive. Source: length over velocity.
    """
    return not_negative("length_m", length_m) * positive("ns_per_m", ns_per_m) * 1e-9


def arbitration_delay_s(length_m: float, loop_delay_s: float, ns_per_m: float = DELAY_NS_PER_M) -> float:
    """Time in seconds for a bit to reach the far node and its answer to come back.

    2·(cable delay + transceiver loop delay); it must end before the sample point. Raises UsageError
    for negative values. Source: Bosch CAN specification, propagation segment.
    """
    return 2.0 * (propagation_delay_s(length_m, ns_per_m) + not_negative("loop_delay_s", loop_delay_s))


def sample_margin_s(bit_rate_hz: float, sample_point: float, settled_after_s: float) -> float:
    """Time in seconds between the line being settled and the sample; negative: sampled too early.

    `sample_point` is a fraction of the bit, `settled_after_s` counts from the start of the bit.
    Raises UsageError for a sample point outside 0..1. Source: definition of the sample point.
    """
    inside("sample_point", sample_point, 0.0, 1.0, "give a fraction, 0.875 for 87.5 %")
    if not settled_after_s >= 0.0:
        raise refuse("settled_after_s", settled_after_s, "0 or more (math.inf if it never settles)")
    return sample_point / positive("bit_rate_hz", bit_rate_hz) - settled_after_s


def line_capacitance_f(
    length_m: float, nodes: int, cable_pf_per_m: float = 50.0, node_pf: float = 60.0
) -> float:
    """Capacitance in farad across the pair: cable plus `nodes` transceivers with their connectors.

    Defaults are usual figures (common practice, no source). Raises UsageError for negative values.
    """
    picofarads = not_negative("cable_pf_per_m", cable_pf_per_m) * not_negative("length_m", length_m)
    picofarads += not_negative("node_pf", node_pf) * whole("nodes", nodes, 0)
    return picofarads * 1e-12


def recessive_settling_s(
    resistance_ohm: float, capacitance_f: float, start_v: float = 2.0, settled_v: float = 0.5
) -> float:
    """Seconds for the dominant-to-recessive edge to fall from `start_v` to `settled_v`.

    Nobody drives that edge: capacitance empties through the resistance across the pair, tau = R·C. On
    a missing terminator this becomes longer than a bit. On a long terminated line it is an upper bound
    (the cable is then a line, not a lump). 0 if the start is below the goal; `inf` for an infinite
    resistance. Raises UsageError for values that are not positive. Source: RC discharge.
    """
    if not resistance_ohm > 0.0:
        raise refuse("resistance_ohm", resistance_ohm, "above 0 (math.inf for an open line)")
    not_negative("capacitance_f", capacitance_f)
    positive("settled_v", settled_v)
    if not_negative("start_v", start_v) <= settled_v or capacitance_f == 0.0:
        return 0.0
    return resistance_ohm * capacitance_f * math.log(start_v / settled_v)


def reflection_coefficient(load_ohm: float, impedance_ohm: float = 120.0) -> float:
    """Reflected fraction of a wave at a load: (ZL − Z0)/(ZL + Z0), −1 (short) to +1 (open, `math.inf`).

    Raises UsageError for a negative or NaN load, or an impedance that is not positive.
    Source: transmission line theory, any textbook.
    """
    positive("impedance_ohm", impedance_ohm)
    if not load_ohm >= 0.0:
        raise refuse("load_ohm", load_ohm, "0 or more (math.inf for an open end)")
    return 1.0 if load_ohm == INF else (load_ohm - impedance_ohm) / (load_ohm + impedance_ohm)


def junction_reflection(arms: int) -> float:
    """Reflection at a point where `arms` equal lines meet, seen from one of them: (2 − n)/n.

    −1/3 for a stub on a line (three arms), −0.8 for a star of ten. Raises UsageError below 2 arms.
    Source: `reflection_coefficient` with the other arms in parallel.
    """
    whole("arms", arms, 2)
    return (2.0 - arms) / arms


def ringing_s(round_trip_s: float, decay: float, amplitude_v: float, settled_v: float) -> float:
    """Seconds until a wave that keeps `decay` (0..1) of itself each round trip is below `settled_v`.

    0 if it starts below, `inf` if it never decays. Raises UsageError for negative values or a decay
    outside 0..1. Source: geometric series of reflections.
    """
    not_negative("round_trip_s", round_trip_s)
    between("decay", decay, 0.0, 1.0, "give the product of the two reflection coefficients, without sign")
    positive("settled_v", settled_v)
    if not_negative("amplitude_v", amplitude_v) <= settled_v or round_trip_s == 0.0:
        return 0.0
    if decay == 1.0:
        return INF
    if decay == 0.0:
        return round_trip_s
    return round_trip_s * math.ceil(math.log(settled_v / amplitude_v) / math.log(decay) - 1e-9)


class Wave(NamedTuple):
    """A wave that runs to and fro on the line after an edge.

    It starts at `start`, a fraction of the swing, and keeps `decay` of itself each `round_trip_s`.
    """

    start: float
    decay: float
    round_trip_s: float


def stub_wave(
    length_m: float, *, arms: int = 3, rise_s: float = 50e-9, ns_per_m: float = DELAY_NS_PER_M
) -> Wave:
    """The wave in an open stub of `length_m` after an edge that takes `rise_s`.

    It runs between the open end (+1) and the junction (see `junction_reflection`; give the number of
    arms of a star). An edge slower than the round trip fills the stub while it rises: the wave starts
    at min(1, round trip/rise). Raises UsageError for values that are not physical.
    Engineering estimate, no source.
    """
    round_trip_s = 2.0 * propagation_delay_s(length_m, ns_per_m)
    start = min(1.0, round_trip_s / positive("rise_s", rise_s))
    return Wave(start, abs(junction_reflection(arms)), round_trip_s)


def end_wave(
    length_m: float,
    near_ohm: float,
    far_ohm: float,
    *,
    impedance_ohm: float = 120.0,
    rise_s: float = 0.0,
    ns_per_m: float = DELAY_NS_PER_M,
) -> Wave:
    """The wave between two ends that don't match the line (`math.inf` ohm: no terminator).

    It starts with the far end's reflection, smaller if the edge (`rise_s`) lasts longer than the round
    trip; each round trip keeps the product of both coefficients. Raises UsageError for values that are
    not physical. Source: transmission line theory; the slow edge as in `stub_wave`.
    """
    near = reflection_coefficient(near_ohm, impedance_ohm)
    far = reflection_coefficient(far_ohm, impedance_ohm)
    round_trip_s = 2.0 * propagation_delay_s(length_m, ns_per_m)
    start = abs(far)
    if round_trip_s < not_negative("rise_s", rise_s):
        start *= round_trip_s / rise_s
    return Wave(start, abs(near * far), round_trip_s)


def stub_ringing_s(
    length_m: float,
    *,
    arms: int = 3,
    rise_s: float = 50e-9,
    swing_v: float = 2.0,
    settled_v: float = 0.4,
    ns_per_m: float = DELAY_NS_PER_M,
) -> float:
    """Seconds that an open stub of `length_m` rings after an edge, counted from the edge's start.

    See `stub_wave`; the edge itself (`rise_s`) is included. Compare with `sample_margin_s`. Raises
    UsageError for values that are not physical. Engineering estimate, no source.
    """
    start, decay, round_trip_s = stub_wave(length_m, arms=arms, rise_s=rise_s, ns_per_m=ns_per_m)
    return rise_s + ringing_s(round_trip_s, decay, not_negative("swing_v", swing_v) * start, settled_v)


def end_ringing_s(
    length_m: float,
    near_ohm: float,
    far_ohm: float,
    *,
    impedance_ohm: float = 120.0,
    swing_v: float = 2.0,
    settled_v: float = 0.4,
    ns_per_m: float = DELAY_NS_PER_M,
) -> float:
    """Seconds that a wave runs to and fro between two mismatched ends (`math.inf` ohm: no terminator).

    See `end_wave`, with an edge of no length. `inf` with both ends open: then `recessive_settling_s`
    decides. Raises UsageError for values that are not physical. Source: transmission line theory.
    """
    wave = end_wave(length_m, near_ohm, far_ohm, impedance_ohm=impedance_ohm, ns_per_m=ns_per_m)
    return ringing_s(wave.round_trip_s, wave.decay, not_negative("swing_v", swing_v) * wave.start, settled_v)


def longest_stub_m(rise_s: float, ns_per_m: float = DELAY_NS_PER_M) -> float:
    """Longest stub in metre by the CiA 301 reasoning: a third of the critical length.

    Critical is where the way there and back takes as long as the edge: 5 m, so 1.67 m for a stub, for
    50 ns at 5 ns/m. Others are stricter (`longest_stub_strict_m`). Raises UsageError unless positive.
    Source: CiA 301 V4.2.0 as quoted in the ECSS glossary, "propagation time".
    """
    return positive("rise_s", rise_s) / (2.0 * positive("ns_per_m", ns_per_m) * 1e-9) / 3.0


def longest_stub_strict_m(rise_s: float, ns_per_m: float = DELAY_NS_PER_M) -> float:
    """Longest stub in metre whose round trip is a tenth of the edge; 0.5 m for 50 ns at 5 ns/m.

    Raises UsageError unless positive. Source: rule in the TI THVD2450 data sheet.
    """
    return positive("rise_s", rise_s) / (2.0 * positive("ns_per_m", ns_per_m) * 1e-9) / 10.0


def pair_impedance_ohm(spacing_m: float, diameter_m: float, permittivity: float) -> float:
    """Impedance in ohm of two parallel or twisted wires: 120/sqrt(er) · ln(2 s/d).

    `spacing_m` between centres, `diameter_m` of the metal, relative `permittivity` of all around it.
    Raises UsageError unless the spacing exceeds the diameter and permittivity is at least 1.
    Source: Johnson and Graham, High-Speed Digital Design (1993), p. 186.
    """
    _check_pair(spacing_m, diameter_m, permittivity)
    return 120.0 / math.sqrt(permittivity) * math.log(2.0 * spacing_m / diameter_m)


def twisted_impedance_ohm(
    spacing_m: float, diameter_m: float, permittivity: float, twists_per_m: float
) -> float:
    """Impedance in ohm of a twisted pair in air, with the twist: Lefferson's formula.

    e_eff = 1 + (0.25 + 0.0004·theta²)(er − 1), theta = atan(T·pi·D) in degrees,
    Z0 = 376.73/(pi·sqrt(e_eff)) · acosh(D/d). Raises UsageError as `pair_impedance_ohm`, and for a
    negative twist. Source: Lefferson's formula as posted to IEEE EMC-PSTC, msg19676 (2001).
    """
    _check_pair(spacing_m, diameter_m, permittivity)
    theta = math.degrees(math.atan(not_negative("twists_per_m", twists_per_m) * math.pi * spacing_m))
    effective = 1.0 + (0.25 + 0.0004 * theta * theta) * (permittivity - 1.0)
    return _VACUUM_IMPEDANCE / (math.pi * math.sqrt(effective)) * math.acosh(spacing_m / diameter_m)


def delay_ns_per_m(permittivity: float) -> float:
    """Delay in ns/m of a wave in a dielectric: sqrt(er)/c. Raises UsageError below 1. Source: physics."""
    if not 1.0 <= permittivity < INF:
        raise refuse("permittivity", permittivity, "1 or more, relative to vacuum", "PVC 3 to 5, PE 2.3")
    return math.sqrt(permittivity) / 299_792_458.0 * 1e9


def twist_lengthening(pitch_m: float, spacing_m: float) -> float:
    """Wire per cable length of a twisted pair: sqrt(p² + (pi·s)²)/p. Raises UsageError unless positive.

    Source: geometry of a helix.
    """
    return math.hypot(positive("pitch_m", pitch_m), math.pi * positive("spacing_m", spacing_m)) / pitch_m


def coupled_noise_v(
    *,
    edge_v_per_s: float,
    edge_a_per_s: float,
    shared_length_m: float,
    distance_m: float,
    twists_per_m: float,
    pair_spacing_m: float = 1.6e-3,
    source_spacing_m: float = 2e-3,
    source_diameter_m: float = 0.8e-3,
    line_ohm: float = 60.0,
) -> float:
    """Peak differential noise in volt that a switching load's wires induce in the pair.

    `edge_v_per_s` and `edge_a_per_s` are the steepness of the load's voltage and current,
    `distance_m` from centre to centre, `shared_length_m` how far they run together. Electric:
    line_ohm · C' · length · dV/dt · s/D; magnetic: half of M' · length · dI/dt, because half of it
    appears at each end. The return wire of the load, `source_spacing_m` away, cancels all but
    min(1, spacing/distance) of the magnetic part. A twist leaves half a pitch uncancelled, plus 1 % of
    the rest for uneven lay. Raises UsageError for values that are not physical, or a distance below
    the pair's spacing. Engineering estimate, no source: right to a factor of three at best.
    """
    positive("pair_spacing_m", pair_spacing_m)
    positive("source_diameter_m", source_diameter_m)
    if not max(pair_spacing_m, source_diameter_m) <= distance_m < INF:
        raise refuse("distance_m", distance_m, "at least the pair's spacing and the source wire's diameter")
    length = _uncancelled_m(not_negative("shared_length_m", shared_length_m), twists_per_m)
    farad_per_m = math.pi * _VACUUM_PERMITTIVITY / math.acosh(2.0 * distance_m / source_diameter_m)
    electric = positive("line_ohm", line_ohm) * farad_per_m * abs(finite("edge_v_per_s", edge_v_per_s))
    electric *= length * pair_spacing_m / distance_m
    henry_per_m = 2e-7 * math.log1p(pair_spacing_m / distance_m)
    henry_per_m *= min(1.0, positive("source_spacing_m", source_spacing_m) / distance_m)
    magnetic = 0.5 * henry_per_m * length * abs(finite("edge_a_per_s", edge_a_per_s))
    return electric + magnetic


def _uncancelled_m(length_m: float, twists_per_m: float) -> float:
    if not_negative("twists_per_m", twists_per_m) == 0.0:
        return length_m
    half_pitch_m = min(0.5 / twists_per_m, length_m)
    return half_pitch_m + 0.01 * (length_m - half_pitch_m)


def _check_pair(spacing_m: float, diameter_m: float, permittivity: float) -> None:
    positive("diameter_m", diameter_m)
    if not diameter_m < spacing_m < INF:
        raise refuse("spacing_m", spacing_m, f"more than the diameter, {diameter_m:g} m")
    delay_ns_per_m(permittivity)
