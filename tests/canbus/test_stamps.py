"""Where time stamps come from: told for every adapter family, as python-can's own source has it."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import pytest
from can.interfaces import BACKENDS

from hiltest.canbus.opening import BusPort
from hiltest.canbus.stamps import BY_ADAPTER, BY_HOST, BY_KERNEL, HARDWARE, HOST, KERNEL, UNKNOWN, source_of

OURS = {"hiltest", "hiltest-serial"}
READS_OWN_CLOCK = re.compile(r"(timestamp|time_stamp) ?= ?(.* else )?(time\.)?time\(\)")


def source_text(interface: str) -> str:
    """The source of a family, without importing it: makers' libraries are not here."""
    spec = importlib.util.find_spec(BACKENDS[interface][0])
    assert spec is not None
    assert spec.origin is not None
    file = Path(spec.origin)
    files = file.parent.rglob("*.py") if file.name == "__init__.py" else [file]
    return "\n".join(each.read_text(encoding="utf-8") for each in files)


@pytest.mark.parametrize("interface", sorted(BY_HOST | BY_ADAPTER))
def test_who_reads_the_clock_is_what_python_can_does(interface: str) -> None:
    """A family with host stamps reads the machine's clock beside each frame, one with the adapter's stamps does not."""
    assert bool(READS_OWN_CLOCK.search(source_text(interface))) == (interface in BY_HOST)


def test_socketcan_asks_for_the_kernel_s_software_stamp() -> None:
    """SO_TIMESTAMPNS, and not the adapter's clock."""
    text = source_text("socketcan")
    assert "SO_TIMESTAMPNS" in text
    assert "SO_TIMESTAMPING" not in text


def test_every_family_has_an_answer() -> None:
    """In one group at most; the rest is unknown, and says so."""
    assert not BY_HOST & BY_ADAPTER | BY_HOST & BY_KERNEL | BY_ADAPTER & BY_KERNEL
    assert set(BACKENDS) - OURS - BY_HOST - BY_ADAPTER - BY_KERNEL == {"cantact", "serial", "socketcand"}
    assert [source_of(each) for each in ("slcan", "socketcan", "pcan", "socketcand")] == [
        HOST,
        KERNEL,
        HARDWARE,
        UNKNOWN,
    ]


def test_an_adapter_that_gives_no_stamp_has_the_host_s() -> None:
    """Whatever its family promises: python-can marks a missing stamp by 0."""
    answers = [can.Message(timestamp=1000.0), can.Message(timestamp=0.0)]
    bus: Any = SimpleNamespace(recv=lambda _timeout_s: answers.pop(0), send=None)
    port = BusPort("can", bus, 500_000, lambda *_: bus, interface="pcan")
    assert port.recv(0.0) is not None
    assert port.stamp_source == HARDWARE
    assert port.recv(0.0) is not None
    assert port.stamp_source == HOST


def test_a_bus_that_knows_better_is_believed() -> None:
    """Ours say it themselves."""
    bus: Any = SimpleNamespace(recv=None, send=None, stamp_source="simulated (taken at the wire)")
    assert BusPort("can", bus, 500_000, lambda *_: bus).stamp_source.startswith("simulated")
