"""The simulated instruments against a general-purpose instrument library that hiltest does not use, and against the
list of common commands that IEEE 488.2 demands.

PyVISA with PyVISA-py speaks to the raw socket as to any instrument on a LAN.
"""

from __future__ import annotations

import threading
import warnings
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

pyvisa = pytest.importorskip("pyvisa")
pytest.importorskip("pyvisa_py")

from hiltest.simbench.bench import Bench, close_all_benches, open_bench  # noqa: E402
from hiltest.simbench.doors.serve import Server, doors_of  # noqa: E402

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"

MANDATORY = (
    "*CLS",
    "*ESE 1",
    "*ESE?",
    "*ESR?",
    "*IDN?",
    "*OPC",
    "*OPC?",
    "*RST",
    "*SRE 1",
    "*SRE?",
    "*STB?",
    "*TST?",
    "*WAI",
)
"""Common commands that every instrument has: IEEE 488.2 as listed in the Aim-TTi 1908P manual, p. 46, and Hioki's
communication manuals."""


@pytest.fixture(scope="module")
def bench() -> Iterator[Bench]:
    with open_bench(GLUE_HEAD, seed=11) as opened:
        yield opened
    close_all_benches()


@pytest.fixture(scope="module")
def places(bench: Bench) -> Iterator[dict[str, str]]:
    server = Server(bench, doors_of(bench))
    thread = threading.Thread(target=server.run)
    thread.start()
    yield {door.name: door.path for door in server.doors}
    server.stop()
    thread.join(10.0)
    server.close()


def opened(place: str) -> Any:
    """The instrument as PyVISA opens it."""
    host, _, port = place.rpartition(":")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        manager = pyvisa.ResourceManager("@py")
        return manager.open_resource(
            f"TCPIP::{host}::{port}::SOCKET", read_termination="\n", write_termination="\n", timeout=3000
        )


@pytest.mark.parametrize("name", ["meter", "supply"])
def test_every_mandatory_common_command_is_known(places: dict[str, str], name: str) -> None:
    """None of them leaves an error, each query answers, identity has four fields, self-test says 0, complete says 1."""
    instrument = opened(places[name])
    answers = {}
    for command in MANDATORY:
        if command.endswith("?"):
            answers[command] = instrument.query(command)
        else:
            instrument.write(command)
        assert instrument.query("SYST:ERR?") == '0,"No error"', command
    assert len(answers["*IDN?"].split(",")) == 4
    assert answers["*TST?"] == "0"
    assert answers["*OPC?"] == "1"
    assert answers["*ESE?"] == "1"
    assert answers["*SRE?"] == "1"
    instrument.close()


def test_the_supply_is_driven_by_a_stock_client(bench: Bench, places: dict[str, str]) -> None:
    """Output, voltage and the numbers that come back, as an instrument library reads them."""
    supply = opened(places["supply"])
    supply.write("VOLT 23.5")
    supply.write("OUTP ON")
    assert supply.query_ascii_values("MEAS:VOLT?")[0] == pytest.approx(23.5, rel=0.01)
    assert supply.query_ascii_values("VOLT?") == [23.5]
    supply.write("OUTP OFF")
    assert supply.query_ascii_values("OUTP?") == [0.0]
    assert supply.query_ascii_values("MEAS:CURR?")[0] == pytest.approx(0.0, abs=0.01)
    supply.close()


def test_the_meter_is_read_by_a_stock_client(places: dict[str, str]) -> None:
    """Power off, probes placed by the bench's own command: two resistors of 120 ohm in parallel are 60 ohm."""
    supply, meter = opened(places["supply"]), opened(places["meter"])
    supply.write("OUTP OFF;*OPC?")
    assert supply.read() == "1"
    meter.write('ROUT:PROB "bus.can.h","bus.can.l"')
    assert meter.query_ascii_values("MEAS:RES?")[0] == pytest.approx(60.0, rel=0.03)
    supply.close()
    meter.close()
