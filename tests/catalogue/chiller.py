"""The sample chiller's description, made shorter for tests, and spread over two buses."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from .files import FIXTURES, changed, edited, written

CHILLER = FIXTURES / "sample_chiller.toml"


def short(operator: bool = False) -> Path:
    """The description with a load test of 1.5 s and a lower promise: its own length is tested once."""
    return edited(
        CHILLER,
        ("duration_s = 7.0", "duration_s = 1.5\nbit_error_probability_max = 1e-5"),
        ("operator = true ", f"operator = {str(operator).lower()} "),
        name="chiller.toml",
    )


@cache
def on_two_buses() -> Path:
    """Each board on a bus of its own, at its own bit rate, both with node id 16."""
    text = short().read_text(encoding="utf-8")
    before, bus = text.split("[bus]\n", 1)
    bus, after = bus.split("# What the analyser's controller", 1)
    after = after[after.index("# --- the two nodes") :]
    bus = changed(bus, ("traffic_error_interval_s", "# traffic_error_interval_s"))
    chamber = f'[[bus]]\nname = "front"\n{bus}'
    carousel = changed(
        f'[[bus]]\nname = "rear"\n{bus}',
        ('"can0"', '"can1"'),
        ("500_000", "250_000"),
        ("duration_s = 1.5", "duration_s = 3.0"),
    )
    after = changed(
        after,
        ('name = "chamber"\nprotocol', 'name = "chamber"\nbus = "front"\nprotocol'),
        ('name = "carousel"\nprotocol', 'name = "carousel"\nbus = "rear"\nprotocol'),
        ("node_id = 17", "node_id = 16"),
    )
    return written(f"{before}{chamber}\n{carousel}\n{after}", "two_buses.toml")
