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
        hazard="A thin pair gets hot, starves the heater and resets the node in the middle of a move.",
        method="Current of every load of the node at once; drop over the loop of length, gauge and contacts at "
        "20 degC and at 60 degC; fuse against load, wire and a short at the far end.",
        limits=(
            ("drop up to harness.drop_max_percent", "3 % to 5 % is common practice, no source"),
            (
                "current up to the chassis column of the wire table",
                "Handbook of Electronic Tables and Formulas",
            ),
            (
                "fuse carries the load and protects the wire",
                "UL 248-14; comparison with the wire: common practice",
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
        purpose="Length, stubs, terminators and twist of the pair fit the bit rate.",
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
        ),
        causes=(
            "a terminator missing, or a third one inside a node or the adapter",
            "too long for the bit rate: lower the bit rate or shorten the run",
            "node hung on a long branch: lead the line through it",
        ),
    ),
)
def test_line(target: Bus, measure: Measure) -> None:
    """Terminators, length, stub, twist."""
    from hiltest.catalogue import _desk

    _desk.line(measure, target)
