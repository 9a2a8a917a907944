"""Description files that differ from the fixtures by a line or two, made anew for each process."""

from __future__ import annotations

from pathlib import Path

from hiltest.campaign.tiers import Bench, Row

from .boards import ALONE
from .files import FIXTURES, edited

HERE = Path(__file__).parent
GLUE_HEAD = FIXTURES / "glue_head.toml"


def description(bench: Bench, alone: bool) -> Path:
    """The description file of one of the benches that the tiers name; `alone`: nobody takes part."""
    if bench == "two heaters":
        return edited(HERE / "two_heaters.toml")
    if bench == "blind adapter":
        return edited(
            GLUE_HEAD,
            ALONE,
            ('bus_errors = "0x2001:3"\n', ""),
            ('transmit_errors = "0x2001:1"\n', ""),
            ('receive_errors = "0x2001:2"\n', ""),
            more="\n[simulation.adapter]\nreports_errors = false\n",
        )
    return edited(GLUE_HEAD, ALONE) if alone else GLUE_HEAD


def quick_head(alone: bool = True, more: str = "") -> Path:
    """The glue head without its fans, and watched for a shorter time: for drills that have to do with its heater alone."""
    text = GLUE_HEAD.read_text(encoding="utf-8")
    fans = text[text.index("[[fan]]") : text.index("[[stepper]]")]
    shorter = (
        (fans, ""),
        ("steady_s = 20.0", "steady_s = 5.0\nidle_s = 5.0"),
        ("[simulation]", "[limits]\ndrill_silence_s = 4.0\n\n[simulation]"),
    )
    return edited(GLUE_HEAD, *shorter, *((ALONE,) if alone else ()), more=more)


def motor_head() -> Path:
    """The glue head with its motor alone: no heater, no sensor, no fan."""
    text = GLUE_HEAD.read_text(encoding="utf-8")
    return edited(GLUE_HEAD, (text[text.index("[[sensor]]") : text.index("[[stepper]]")], ""), ALONE)


def of_row(row: Row) -> Path:
    """The description that a row of the tiers is run with: without a person, unless only a person can find it."""
    return description(row.bench, row.alone)
