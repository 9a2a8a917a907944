"""Bit timing: what a controller samples when, what its clock allows, and whether two parties agree.

One bit is 1 + tseg1 + tseg2 time quanta; it is sampled after 1 + tseg1 of them. Formulas as in Bosch, CAN
with Flexible Data-Rate 1.0 (2012), chapter 8; Hartwich and Bassemir, "The Configuration of the CAN Bit
Timing", 6th iCC, Turin 1999; Bosch, TTCAN User's Manual 1.6, 4.2.1.7. Registers, and tolerances of CAN
FD, are python-can's `BitTiming` and `BitTimingFd`; see `BitTime.as_can`.

Fractions are 0..1. Tolerances are relative, 0.01 for 1 %.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from hiltest.errors import UsageError
from hiltest.physics.edges import DELAY_NS_PER_M

if TYPE_CHECKING:
    import can

STRICT_RATE_ERROR = 0.005
"""A rate further off than this is reported as one the clock can't make. Linux would take up to 5 %."""


def default_sample_point(bitrate: int) -> float:
    """The sample point recommended by CiA as Linux applies it (drivers/net/can/dev/calc_bittiming.c)."""
    if bitrate > 800_000:
        return 0.75
    if bitrate > 500_000:
        return 0.80
    return 0.875


class BitTime(NamedTuple):
    """The bit timing of one controller. `sjw` is the (re)synchronisation jump width in quanta."""

    clock_hz: int
    prescaler: int
    tseg1: int
    tseg2: int
    sjw: int = 1

    def check(self) -> BitTime:
        """Return the timing itself if a controller could run it.

        Raises:
            UsageError: a part is below 1, or the jump width above tseg2.
        """
        for name, value in zip(self._fields, self, strict=True):
            if value < 1:
                raise UsageError(f"{name}={value!r} must be 1 or more")
        if self.sjw > self.tseg2:
            raise UsageError(f"sjw={self.sjw} must not be above tseg2={self.tseg2}: it is cut off the phase")
        return self

    @property
    def quanta(self) -> int:
        """Time quanta in a bit."""
        return 1 + self.tseg1 + self.tseg2

    @property
    def quantum_ns(self) -> float:
        return self.prescaler / self.clock_hz * 1e9

    @property
    def bit_ns(self) -> float:
        return self.quanta * self.quantum_ns

    @property
    def bitrate_hz(self) -> float:
        return self.clock_hz / (self.prescaler * self.quanta)

    @property
    def sample_point(self) -> float:
        return (1 + self.tseg1) / self.quanta

    def rate_error(self, bitrate: int) -> float:
        """Relative deviation from the rate asked for, with its sign."""
        divisor = self.prescaler * self.quanta * bitrate
        return (self.clock_hz - divisor) / divisor

    def as_can(self) -> can.BitTiming:
        """The same as python-can's `BitTiming`, for its registers and its interfaces.

        Raises:
            UsageError: outside the classic register limits (prescaler 64, tseg1 16, tseg2 8, sjw 4).
        """
        from can import BitTiming

        try:
            return BitTiming(self.clock_hz, self.prescaler, self.tseg1, self.tseg2, self.sjw)
        except ValueError as problem:
            raise UsageError(f"{self}: outside the classic registers: {problem}") from problem


def from_can(timing: can.BitTiming) -> BitTime:
    """The timing that python-can's `BitTiming` holds."""
    return BitTime(timing.f_clock, timing.brp, timing.tseg1, timing.tseg2, timing.sjw)


# --- what a clock can make --------------------------------------------------------------------------


class Registers(NamedTuple):
    """What the registers of a controller can hold. The default is the classic set (SJA1000, bxCAN-like),
    with at least 8 and at most 25 quanta in a bit (Bosch, chapter 8).
    """

    prescaler_max: int = 64
    tseg1_max: int = 16
    tseg2_max: int = 8
    sjw_max: int = 4
    quanta_min: int = 8
    quanta_max: int = 25


CLASSIC_REGISTERS = Registers()
WIDE_REGISTERS = Registers(256, 256, 128, 128, 8, 385)
"""Nominal phase of a CAN FD controller (limits of python-can's `BitTimingFd`)."""


class Produced(NamedTuple):
    """The nearest that a clock and its registers come to a rate.

    `rate_error` is relative and signed, `rate_error_ppm` the same in ppm; `exact` if it is zero, `usable`
    if it is within `STRICT_RATE_ERROR`. `sample_point_error` is the deviation from the point asked for.
    """

    timing: BitTime
    asked_bitrate: int
    asked_sample_point: float

    @property
    def rate_error(self) -> float:
        return self.timing.rate_error(self.asked_bitrate)

    @property
    def rate_error_ppm(self) -> float:
        return self.rate_error * 1e6

    @property
    def exact(self) -> bool:
        return self.timing.clock_hz == self.timing.prescaler * self.timing.quanta * self.asked_bitrate

    @property
    def usable(self) -> bool:
        return abs(self.rate_error) <= STRICT_RATE_ERROR

    @property
    def sample_point_error(self) -> float:
        return self.timing.sample_point - self.asked_sample_point

    def __str__(self) -> str:
        timing = self.timing
        text = (
            f"{timing.bitrate_hz:,.0f} bit/s from {timing.clock_hz / 1e6:g} MHz / {timing.prescaler} / "
            f"{timing.quanta} quanta, sampled at {timing.sample_point:.1%}"
        )
        return (
            text
            if self.exact
            else f"{text}, {self.rate_error_ppm:+,.0f} ppm off {self.asked_bitrate:,} bit/s"
        )


def produce(
    clock_hz: int,
    bitrate: int,
    sample_point: float | None = None,
    registers: Registers = CLASSIC_REGISTERS,
) -> Produced:
    """The timing nearest to `bitrate`, then to `sample_point` (default: the CiA point), then the finest.

    A rate that the clock does not divide to is answered by the nearest one: look at `rate_error_ppm`. The
    jump width is the largest that the phases and registers allow.

    Raises:
        UsageError: an argument out of range, or no setting of these registers comes within a factor 2.
    """
    if clock_hz <= 0 or bitrate <= 0:
        raise UsageError(f"clock_hz={clock_hz!r}, bitrate={bitrate!r} must be above 0")
    asked = default_sample_point(bitrate) if sample_point is None else sample_point
    if not 0.5 <= asked < 1:
        raise UsageError(f"sample_point={asked!r} must be a fraction from 0.5 to below 1")
    best: tuple[tuple[float, float, int], BitTime] | None = None
    for prescaler in range(1, registers.prescaler_max + 1):
        near = clock_hz / (bitrate * prescaler)
        for quanta in (math.floor(near), math.ceil(near)):
            if not registers.quanta_min <= quanta <= registers.quanta_max:
                continue
            timing = _segments(clock_hz, prescaler, quanta, asked, registers)
            rank = (abs(timing.rate_error(bitrate)), abs(timing.sample_point - asked), prescaler)
            if best is None or rank < best[0]:
                best = rank, timing
    if best is None or best[0][0] > 0.5:
        raise UsageError(
            f"a clock of {clock_hz:,} Hz makes no rate near {bitrate:,} bit/s with prescalers up to "
            f"{registers.prescaler_max} and {registers.quanta_min} to {registers.quanta_max} quanta; "
            "choose another rate or clock"
        )
    return Produced(best[1], bitrate, asked)


def _segments(
    clock_hz: int, prescaler: int, quanta: int, sample_point: float, registers: Registers
) -> BitTime:
    tseg1 = round(sample_point * quanta) - 1
    tseg1 = min(max(tseg1, 1, quanta - 1 - registers.tseg2_max), quanta - 2, registers.tseg1_max)
    tseg2 = quanta - 1 - tseg1
    return BitTime(clock_hz, prescaler, tseg1, tseg2, min(tseg1, tseg2, registers.sjw_max))


# --- propagation and oscillator ---------------------------------------------------------------------


class Propagation(NamedTuple):
    """The way of a bit to the far end and back, against the sample point.

    `needed_ns`: twice the cable and both loop delays. `available_ns`: from the edge, one quantum for the
    synchronisation left aside, to the sample point. `prop_quanta` are reserved for it, `phase1_quanta` are
    left in front of the sample point for resynchronisation.
    """

    needed_ns: float
    available_ns: float
    prop_quanta: int
    phase1_quanta: int

    @property
    def margin_ns(self) -> float:
        """What is left; negative if the answer comes after the sample."""
        return self.available_ns - self.needed_ns

    @property
    def holds(self) -> bool:
        """The answer arrives before the sample, with a quantum left for phase errors."""
        return self.phase1_quanta >= 1


def propagation(
    timing: BitTime,
    cable_m: float,
    loop_delays_ns: tuple[float, float],
    ns_per_m: float = DELAY_NS_PER_M,
) -> Propagation:
    """Budget for `cable_m` between the two farthest nodes; `loop_delays_ns` are theirs (driver + receiver).

    PROP_SEG >= 2 x (bus delay + receiver delay + driver delay) (Bosch, chapter 8), for two nodes of
    different delays: twice the bus plus the loop of either.

    Raises:
        UsageError: a negative length or delay.
    """
    if cable_m < 0 or min(loop_delays_ns) < 0 or ns_per_m <= 0:
        raise UsageError(
            f"cable_m={cable_m!r}, loop_delays_ns={loop_delays_ns!r}, ns_per_m={ns_per_m!r}: "
            "lengths and delays can't be negative"
        )
    timing.check()
    needed = 2 * cable_m * ns_per_m + sum(loop_delays_ns)
    # A whole number of quanta that floats make a little larger is still that number.
    prop = math.ceil(needed / timing.quantum_ns - 1e-9)
    return Propagation(needed, timing.tseg1 * timing.quantum_ns, prop, timing.tseg1 - prop)


def longest_cable_m(
    timing: BitTime, loop_delays_ns: tuple[float, float], ns_per_m: float = DELAY_NS_PER_M
) -> float:
    """Longest cable whose answer still comes a jump width before the sample point; 0 if none does."""
    quanta = timing.check().tseg1 - max(1, timing.sjw)
    return max(0.0, (quanta * timing.quantum_ns - sum(loop_delays_ns)) / (2 * ns_per_m))


class Allowance(NamedTuple):
    """How far each oscillator may be off, relative. `condition_1`: resynchronisation over 10 bits without an
    edge; `condition_2`: the bit after an error flag, 13 bits after the last edge.
    """

    condition_1: float
    condition_2: float

    @property
    def allowed(self) -> float:
        return max(0.0, min(self))


def oscillator_allowance(timing: BitTime, phase1_quanta: int) -> Allowance:
    """df < SJW / (20 NBT) and df < min(PS1, PS2) / (2 (13 NBT - PS2)), in quanta.

    `phase1_quanta` is what of tseg1 is not reserved for propagation: see `propagation`.

    Raises:
        UsageError: more phase than tseg1 holds.
    """
    timing.check()
    if phase1_quanta >= timing.tseg1 + 1:
        raise UsageError(f"phase1_quanta={phase1_quanta!r} must not be above tseg1={timing.tseg1}")
    quanta, phase2 = timing.quanta, timing.tseg2
    return Allowance(timing.sjw / (20 * quanta), min(phase1_quanta, phase2) / (2 * (13 * quanta - phase2)))


def fd_oscillator_allowance(timing: can.BitTimingFd, cable_m: float, loop_delay_ns: float) -> float:
    """The least of the five conditions of CAN FD, relative (python-can's `BitTimingFd`)."""
    return timing.oscillator_tolerance(loop_delay_ns, cable_m) / 100


# --- two parties ------------------------------------------------------------------------------------


class Party(NamedTuple):
    """One end of a bus: its timing, the tolerance of its clock (relative), its transceiver's loop delay."""

    name: str
    timing: BitTime
    clock_tolerance: float
    loop_delay_ns: float


class Agreement(NamedTuple):
    """Whether two parties understand each other, and how much room is left.

    `rate_difference` is the relative distance of their nominal rates; `worst_difference` adds both clock
    tolerances; `allowed_difference` is twice the smaller oscillator allowance. `room` is what is left of
    it. `problems` names what does not hold, with figures; it is empty if they agree.
    """

    rate_difference: float
    worst_difference: float
    allowed_difference: float
    sample_point_difference: float
    propagations: tuple[Propagation, Propagation]
    allowances: tuple[Allowance, Allowance]
    problems: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        return not self.problems

    @property
    def room(self) -> float:
        return self.allowed_difference - self.worst_difference

    @property
    def room_ppm(self) -> float:
        return self.room * 1e6


def agreement(first: Party, second: Party, cable_m: float, ns_per_m: float = DELAY_NS_PER_M) -> Agreement:
    """Compare adapter and node (or any two) over `cable_m` of cable.

    Each may be off the common rate by its allowance, so the two may be apart by twice the smaller one.

    Raises:
        UsageError: a timing, tolerance, length or delay that can't be.
    """
    parties = (first, second)
    if any(not 0 <= party.clock_tolerance < 1 for party in parties):
        raise UsageError(
            f"clock_tolerance={[party.clock_tolerance for party in parties]!r} must be fractions from 0"
        )
    delays = (first.loop_delay_ns, second.loop_delay_ns)
    ways = tuple(propagation(party.timing, cable_m, delays, ns_per_m) for party in parties)
    allowances = tuple(
        oscillator_allowance(party.timing, way.phase1_quanta)
        for party, way in zip(parties, ways, strict=True)
    )
    rates = [party.timing.bitrate_hz for party in parties]
    rate_difference = abs(rates[0] - rates[1]) / min(rates)
    worst = rate_difference + sum(party.clock_tolerance for party in parties)
    allowed = 2 * min(allowance.allowed for allowance in allowances)
    problems = [
        f"{party.name}: the answer over {cable_m:g} m takes {way.needed_ns:.0f} ns, sampled after "
        f"{way.available_ns:.0f} ns"
        for party, way in zip(parties, ways, strict=True)
        if not way.holds
    ]
    if worst > allowed:
        problems.append(
            f"rates of {first.name} ({rates[0]:,.0f} bit/s) and {second.name} ({rates[1]:,.0f} bit/s) may be "
            f"{worst:.2%} apart with their tolerances; {allowed:.2%} is allowed"
        )
    points = [party.timing.sample_point for party in parties]
    return Agreement(
        rate_difference,
        worst,
        allowed,
        abs(points[0] - points[1]),
        (ways[0], ways[1]),
        (allowances[0], allowances[1]),
        tuple(problems),
    )
