"""No bench at all: what follows from the description by computation."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.catalogue.registry import Page, check

if TYPE_CHECKING:
    from hiltest.description.models import Bus, Node
    from hiltest.measure import Measure


@check(
    "desk.power_pair",
    per="node",
    order=10,
    window_s=5.0,
    page=Page(
        purpose="The power pair carries the loads that the description declares, and the fuse protects it.",
        hazard="A thin pair gets hot, starves the heater and resets the node in the middle of a move. A short that nothing ends "
        "burns the wire.",
        method="Current of every load of the node at once; drop over the loop of length, gauge and contacts at "
        "20 degC and at 60 degC; fuse against load, wire and a short at the far end; the highest current of a short that "
        "neither fuse nor the supply's limit ends, against the wire.",
        limits=(
            ("drop up to harness.drop_max_percent", "3 % to 5 % is common practice, no source"),
            (
                "current up to the chassis column of the wire table (10 to 30 AWG; an odd gauge counts as the next thinner even one, a "
                "thicker one as 10 AWG)",
                "Handbook of Electronic Tables and Formulas",
            ),
            (
                "fuse carries the load and protects the wire",
                "UL 248-14; comparison with the wire: common practice",
            ),
            (
                "current of a short that may last up to the chassis column: without a fuse supply.current_limit_a; with one whose "
                "far short draws less than twice its rating, the lower of that limit and twice the rating",
                "UL 248-14: opens within 2 min at 200 % (4 min above 30 A), within 1 h at 135 %; comparison with the wire: common practice",
            ),
            (
                "gauge at least 20 AWG with a heater, 18 AWG from 60 W on",
                "common practice, no source; shown beside the computed drop, not judged",
            ),
        ),
        causes=(
            "wire thinner than needed: take the gauge that the note names",
            "the run is long: feed the head from a nearer source",
            "fuse too large for the wire, or too small for the load",
            "no fuse, or one that the supply's limit keeps whole, with a limit above what the wire bears: set the limit lower, or "
            "fit the fuse that the note names",
        ),
    ),
)
def test_power_pair(target: Node, measure: Measure) -> None:
    """Current, drop, fuse."""
    from hiltest.catalogue import _desk

    _desk.power_pair(measure, target)


@check(
    "desk.line",
    per="bus",
    order=20,
    window_s=5.0,
    page=Page(
        purpose="Length, stubs and terminators of the pair fit the bit rate, its twist the wires that lie beside it.",
        hazard="None.",
        method="The description's figures against the tables of the trade and against the edge of the signal.",
        limits=(
            (
                "terminators in parallel 50 ohm to 65 ohm",
                "ISO 11898-2 by way of maker's manuals: 100 to 130 ohm each",
            ),
            (
                "length up to the table for the bit rate",
                "CiA 301 guideline: 25 m at 1 Mbit/s to 5000 m at 10 kbit/s",
            ),
            (
                "stub up to a third of the critical length of a 50 ns edge, 1.67 m",
                "CiA 301 reasoning, by way of the ECSS glossary",
            ),
            ("about one twist per inch, 40 per metre", "common practice, no source; shown, not judged"),
            (
                "pulse of one load's edge in the pair up to 1.5 V; from 0.17 V on it may disturb",
                "ISO 11898-2: below 0.5 V a receiver surely reads recessive; the pulse is an estimate, right to a factor of 3, "
                "judged where twists_per_m and load_wires_distance_m are stated",
            ),
        ),
        causes=(
            "a terminator missing, or a third one inside a node or the adapter",
            "too long for the bit rate: lower the bit rate or shorten the run",
            "node hung on a long branch: lead the line through it",
            "the pair lies straight in one bundle with motor or heater wires: twist it, lead it apart",
        ),
    ),
)
def test_line(target: Bus, measure: Measure) -> None:
    """Terminators, length, stub, twist."""
    from hiltest.catalogue import _desk

    _desk.line(measure, target)


@check(
    "desk.timing",
    per="bus",
    order=30,
    window_s=5.0,
    page=Page(
        purpose="Adapter and nodes cut a bit alike, and their clocks and the cable leave room.",
        hazard="None. A bus without room works in the office and loses frames when it is warm.",
        method="From clock, bit rate and sample point the nearest timing that each controller can make is computed; "
        "cable and transceivers against the sample point; both clocks against the oscillator allowance. Where no "
        "clock is given, an exact one is assumed, and where no jump width is given, one quantum; the notes say so.",
        limits=(
            (
                "bit rate within 0.5 % of the one asked for",
                "chosen for hiltest; Linux takes up to 5 % (calc_bittiming.c)",
            ),
            (
                "sample points within 5 % of the bit of what was asked, and of each other",
                "chosen for hiltest",
            ),
            (
                "twice the cable and both transceivers before the sample, a quantum to spare",
                "Bosch, CAN with Flexible Data-Rate 1.0, chapter 8",
            ),
            (
                "the jump width fits into phase segment 2",
                "ISO 11898-1: a controller cuts it off there",
            ),
            (
                "both clocks together within the oscillator allowance",
                "Bosch, chapter 8: df < SJW/(20 NBT) and df < min(PS1, PS2)/(2 (13 NBT - PS2))",
            ),
        ),
        causes=(
            "the adapter's clock does not divide to this bit rate: another bit rate or adapter",
            "different defaults at both ends: set the same sample point in both",
            "a jump width of one quantum, assumed or real: set it wider in node and adapter, and say so in the description "
            "(jump_quanta, adapter_jump_quanta)",
            "a resonator or RC oscillator in the node: fit a crystal, or lower the bit rate",
            "cable too long for the sample point: sample later, or lower the bit rate",
        ),
    ),
)
def test_timing(target: Bus, measure: Measure) -> None:
    """Clocks, sample points and propagation."""
    from hiltest.catalogue import _timing

    _timing.bit_timing(measure, target)


@check(
    "desk.traffic",
    per="bus",
    order=40,
    window_s=5.0,
    page=Page(
        purpose="Everything that the finished machine will send arrives before its deadline, also at the worst moment.",
        hazard="A stop command that waits behind other traffic comes late.",
        method="The planned messages of the description ([[bus.traffic]] or traffic_database) are taken at their "
        "longest (every stuff bit); the worst-case response time of each follows from blocking by one frame of lower "
        "priority and from every frame of higher priority. With traffic_error_interval_s, errors and repetitions are "
        "reckoned with. CAN FD messages and those without a cycle time are named and left out. Without planned traffic nothing is judged.",
        limits=(
            (
                "worst response up to the deadline, by default the period",
                "Davis, Burns, Bril and Lukkien, Real-Time Systems 35, 2007",
            ),
            ("utilisation below 100 %; 30 % is comfortable, 70 % alarms", "common practice, no source"),
            (
                "500 kbit/s for such heads, beside what the deadlines need",
                "common practice, no source; shown, not judged",
            ),
        ),
        causes=(
            "too many or too fast messages for this bit rate: slower periods, or a higher bit rate",
            "an urgent message with a high identifier: give it a lower one",
            "deadline shorter than one frame of lower priority takes",
        ),
    ),
)
def test_traffic(target: Bus, measure: Measure) -> None:
    """Utilisation, response times, lowest bit rate."""
    from hiltest.catalogue import _traffic

    _traffic.analyse(measure, target)
