"""The arithmetic of desk.timing: what a bit looks like at both ends. Private to the catalogue."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.canbus import timing
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Node
    from hiltest.measure import Measure

ASSUMED_QUANTA = 20
"""Quanta of a bit where no clock is given: what controllers with 40 or 80 MHz are commonly set to."""
SAMPLE_POINT_MAX_PERCENT = 5.0
JUMP_ASSUMED = 1
"""Jump width in quanta where none is given: the least that a controller has (ISO 11898-1), and what many drivers set
(common practice, no source).
"""


def bit_timing(measure: Measure, bus: Bus) -> None:
    """Sample point, clocks and propagation of the adapter and of every node on `bus`."""
    adapter = _party(
        measure,
        bus,
        "adapter",
        bus.adapter_clock_hz,
        bus.adapter_clock_tolerance_ppm,
        bus.sample_point_percent,
        "adapter_clock_hz",
        bus.adapter_jump_quanta,
    )
    _shown(measure, bus, adapter)
    for node in (each for each in measure.description.node if each.bus == bus.name):
        point = bus.sample_point_percent if node.sample_point_percent is None else node.sample_point_percent
        party = _party(
            measure,
            bus,
            node.name,
            node.can_clock_hz,
            node.can_clock_tolerance_ppm,
            point,
            f"can_clock_hz of node {node.name!r}",
            node.jump_quanta,
        )
        _agree(measure, bus, adapter, party, node)


def _party(
    measure: Measure,
    bus: Bus,
    name: str,
    clock_hz: int | None,
    tolerance_ppm: float,
    point_percent: float,
    field: str,
    jump_quanta: int | None,
) -> timing.Party:
    """One end with the timing that its clock can make."""
    asked = point_percent / 100
    if clock_hz is None:
        measure.note(
            f"{name}: {field} is not given, so {ASSUMED_QUANTA} quanta of an exact clock are assumed; what it "
            "really makes can't be computed"
        )
        made = timing.produce(
            ASSUMED_QUANTA * bus.bit_rate_bps, bus.bit_rate_bps, asked, timing.WIDE_REGISTERS
        )
    else:
        made = _produced(clock_hz, bus.bit_rate_bps, asked)
        measure(
            f"bit rate of {name}, off by",
            made.rate_error_ppm,
            "ppm",
            low=-1e6 * timing.STRICT_RATE_ERROR,
            high=1e6 * timing.STRICT_RATE_ERROR,
            note=str(_with_jump(made, JUMP_ASSUMED if jump_quanta is None else jump_quanta)),
        )
    measure(
        f"sample point of {name}, off the one asked for by",
        100 * abs(made.sample_point_error),
        "%",
        high=SAMPLE_POINT_MAX_PERCENT,
        note=f"{made.timing.sample_point:.1%} of the bit, {point_percent:g} % asked for",
    )
    jump = JUMP_ASSUMED if jump_quanta is None else jump_quanta
    measure(
        f"jump width of {name}",
        jump,
        "quanta",
        high=made.timing.tseg2,
        note="not given, so the least is reckoned with" if jump_quanta is None else "",
    )
    made = _with_jump(made, jump)
    return timing.Party(name, made.timing, tolerance_ppm * 1e-6, bus.transceiver_delay_ns)


def _with_jump(made: timing.Produced, jump_quanta: int) -> timing.Produced:
    """The same timing with another jump width; one longer than phase segment 2 is cut to it (it is judged by itself)."""
    return made._replace(timing=made.timing._replace(sjw=min(jump_quanta, made.timing.tseg2)))


def _produced(clock_hz: int, bit_rate_bps: int, sample_point: float) -> timing.Produced:
    """The nearest with classic registers; with those of a CAN FD controller where they come nearer."""
    found = []
    for registers in (timing.CLASSIC_REGISTERS, timing.WIDE_REGISTERS):
        try:
            found.append(timing.produce(clock_hz, bit_rate_bps, sample_point, registers))
        except UsageError as error:
            problem = error
    if not found:
        raise problem
    return min(found, key=lambda made: abs(made.rate_error))


def _shown(measure: Measure, bus: Bus, adapter: timing.Party) -> None:
    recommended = timing.default_sample_point(bus.bit_rate_bps)
    measure(
        "sample point",
        bus.sample_point_percent,
        "%",
        note=f"CiA recommends {recommended:.1%} at this bit rate; the same at both ends matters more",
    )
    delays = (bus.transceiver_delay_ns, bus.transceiver_delay_ns)
    one_quantum = adapter.timing._replace(sjw=1)
    measure(
        "longest bus at this timing",
        timing.longest_cable_m(one_quantum, delays),
        "m",
        note=f"5 ns/m, two transceivers of {bus.transceiver_delay_ns:g} ns, one quantum to spare; the guideline of "
        "desk.line reckons with 210 ns a device (from memory), so the shorter of the two holds",
    )


def _agree(measure: Measure, bus: Bus, adapter: timing.Party, party: timing.Party, node: Node) -> None:
    """Adapter and one node against each other."""
    found = timing.agreement(adapter, party, bus.length_m)
    for way, end in zip(found.propagations, (adapter, party), strict=True):
        measure(
            f"way from adapter to {node.name} and back, against the sample of {end.name}",
            way.needed_ns,
            "ns",
            high=way.available_ns - end.timing.quantum_ns,
            note=f"{bus.length_m:g} m and both transceivers; sampled after {way.available_ns:.0f} ns",
        )
    for allowance, end in zip(found.allowances, (adapter, party), strict=True):
        measure(
            f"clock of {end.name} may be off by",
            100 * allowance.allowed,
            "%",
            note=f"resynchronising {allowance.condition_1:.2%}, after an error flag {allowance.condition_2:.2%}",
        )
    measure(
        f"clocks of adapter and {node.name}, room left",
        found.room_ppm,
        "ppm",
        low=0.0,
        note=f"may be {found.worst_difference * 1e6:.0f} ppm apart, {found.allowed_difference * 1e6:.0f} ppm are allowed",
    )
    measure(
        f"sample points of adapter and {node.name}, apart by",
        100 * found.sample_point_difference,
        "%",
        high=SAMPLE_POINT_MAX_PERCENT,
    )
    for problem in found.problems:
        measure.note(problem)
