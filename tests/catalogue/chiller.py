"""The sample chiller's description, made shorter for tests, and spread over two buses."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from .boards import FIXTURES

CHILLER = FIXTURES / "sample_chiller.toml"


def _written(text: str, name: str) -> Path:
    """The text as a description with the chiller's EDS files beside it."""
    folder = Path(tempfile.mkdtemp(prefix="hiltest-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for eds in FIXTURES.glob("sample_chiller.*.eds"):
        shutil.copy(eds, folder)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name


def _changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text, f"{old!r} is not in the sample chiller any more"
        text = text.replace(old, new)
    return text


@cache
def short(operator: bool = False) -> Path:
    """The description with a load test of 1.5 s and a lower promise: its own length is tested once."""
    text = _changed(
        CHILLER.read_text(encoding="utf-8"),
        ("duration_s = 7.0", "duration_s = 1.5\nbit_error_probability_max = 1e-5"),
        ("operator = true ", f"operator = {str(operator).lower()} "),
    )
    return _written(text, "chiller.toml")


@cache
def on_two_buses() -> Path:
    """Each board on a bus of its own, at its own bit rate, both with node id 16."""
    text = short().read_text(encoding="utf-8")
    before, bus = text.split("[bus]\n", 1)
    bus, after = bus.split("# What the analyser's controller", 1)
    after = after[after.index("# --- the two nodes") :]
    bus = _changed(bus, ("traffic_error_interval_s", "# traffic_error_interval_s"))
    chamber = f'[[bus]]\nname = "front"\n{bus}'
    carousel = _changed(
        f'[[bus]]\nname = "rear"\n{bus}',
        ('"can0"', '"can1"'),
        ("500_000", "250_000"),
        ("duration_s = 1.5", "duration_s = 3.0"),
    )
    after = _changed(
        after,
        ('name = "chamber"\nprotocol', 'name = "chamber"\nbus = "front"\nprotocol'),
        ('name = "carousel"\nprotocol', 'name = "carousel"\nbus = "rear"\nprotocol'),
        ("node_id = 17", "node_id = 16"),
    )
    return _written(f"{before}{chamber}\n{carousel}\n{after}", "two_buses.toml")
