"""The SCPI instruments of the simulated bench: by themselves, over TCP, and in process."""

from __future__ import annotations

import contextlib
import math
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from hiltest.canbus.opening import open_port
from hiltest.description.loading import load_description
from hiltest.errors import UsageError
from hiltest.link import Link
from hiltest.meters.scpi import InstrumentError, ScpiMeter, ScpiSupply
from hiltest.simbench.bench import Bench, close_all_benches, open_bench
from hiltest.simbench.doors.scpi import ScpiDoor
from hiltest.simbench.doors.serve import Server, doors_of
from hiltest.simbench.instrument import ScpiInstrument, header_pattern

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"


@pytest.fixture(autouse=True)
def _no_bench_left() -> Iterator[None]:
    yield
    close_all_benches()


@pytest.fixture
def bench() -> Bench:
    return open_bench(GLUE_HEAD, seed=7).bench


def linked(interface: str, channel: str) -> Link:
    """A link on the glue head's bus, at another adapter."""
    overrides = {"bus.interface": interface, "bus.channel": channel}
    return Link(open_port(load_description(GLUE_HEAD, overrides).description.bus[0]))


def ask(instrument: ScpiInstrument, message: str) -> str | None:
    """What the instrument says to a line."""
    return instrument.execute(message)[0]


# --- the language -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("header", "is_known"),
    [
        ("MEAS:RES?", True),
        ("MEASure:SCALar:RESistance?", True),
        (":meas:scal:res?", True),
        ("MEASURE:RES?", True),
        ("MEASU:RES?", False),
        ("MEAS:RES", False),
        ("MEAS:SCAL?", False),
        ("MEAS:RES:RES?", False),
    ],
)
def test_headers_are_known_in_short_and_long_form_and_in_no_other(header: str, is_known: bool) -> None:
    """SCPI: the short form or the whole word, upper or lower case; nodes in brackets may be left out."""
    assert bool(header_pattern("MEASure[:SCALar]:RESistance?").fullmatch(header)) is is_known


def test_the_error_queue_is_first_in_first_out_and_tells_when_it_runs_over(bench: Bench) -> None:
    """Unknown, out of range, missing, too many; after the twentieth the last place says overflow."""
    supply = bench.instruments["supply"]
    for message in ("NONSENSE", "VOLT 1000", "VOLT", "OUTP ON,OFF", "OUTP MAYBE", "VOLT much"):
        assert ask(supply, message) is None
    codes = [int(str(ask(supply, "SYST:ERR?")).partition(",")[0]) for _ in range(7)]
    assert codes == [-113, -222, -109, -108, -224, -104, 0]
    for _ in range(30):
        ask(supply, "NONSENSE")
    codes = [int(str(ask(supply, "SYST:ERR?")).partition(",")[0]) for _ in range(21)]
    assert codes == [-113] * 19 + [-350, 0]


def test_status_registers_follow_488(bench: Bench) -> None:
    """Power on at first; a command error sets bit 5; *ESR? clears; enabled bits reach the status byte."""
    meter = bench.instruments["meter"]
    assert ask(meter, "*ESR?") == "128"
    assert ask(meter, "*ESR?") == "0"
    ask(meter, "*ESE 32")
    ask(meter, "*SRE 36")
    assert ask(meter, "*STB?") == "0"
    ask(meter, "NONSENSE")
    assert ask(meter, "*STB?") == str(0x04 | 0x20 | 0x40)
    assert ask(meter, "*ESR?") == "32"
    ask(meter, "*CLS")
    assert ask(meter, "*STB?") == "0"
    ask(meter, "*OPC")
    assert ask(meter, "*ESR?;*ESE?;*SRE?") == "1;32;36"
    ask(meter, "*SRE 256")
    assert str(ask(meter, "SYST:ERR?")).startswith("-222")


def test_a_header_after_a_semicolon_starts_where_the_last_one_stood(bench: Bench) -> None:
    """`MEAS:VOLT?;CURR?` measures both; a colon starts again at the root."""
    supply = bench.instruments["supply"]
    both = str(ask(supply, "MEAS:VOLT?;CURR?")).split(";")
    assert float(both[0]) == pytest.approx(bench.supply.terminal_v, rel=0.01)
    assert len(both) == 2
    assert ask(supply, "MEAS:VOLT?;OUTP?") is not None
    assert str(ask(supply, "SYST:ERR?")).startswith("-113")
    assert str(ask(supply, "MEAS:VOLT?;:OUTP?")).endswith(";1")
    assert ask(supply, "SYST:ERR?") == '0,"No error"'


# --- what they do -----------------------------------------------------------------------------------------


def test_the_meter_reads_between_its_probes(bench: Bench) -> None:
    """Probes that touch nothing read infinity; a place that isn't there is refused."""
    bench.hands.switch_supply(False)
    meter = bench.instruments["meter"]
    assert ask(meter, "MEAS:RES?") == "+9.90000000E+37"
    assert ask(meter, "ROUT:PROB?") == '"",""'
    ask(meter, 'ROUT:PROB "bus.can.h","bus.can.l"')
    assert ask(meter, "ROUT:PROB?") == '"bus.can.h","bus.can.l"'
    assert float(str(ask(meter, "MEAS:RES?"))) == pytest.approx(60.0, abs=2.0)
    ask(meter, 'ROUT:PROB "nowhere","ground"')
    assert str(ask(meter, "SYST:ERR?")).startswith("-224")


def test_the_meter_reads_the_rail(bench: Bench) -> None:
    """Probes on the power pair: the supply's voltage, with the sign of the probes."""
    meter = bench.instruments["meter"]
    ask(meter, 'ROUT:PROB "supply","ground"')
    assert float(str(ask(meter, "MEAS:VOLT:DC?"))) == pytest.approx(24.0, rel=0.05)
    ask(meter, "ROUT:PROB 'ground','supply'")
    assert float(str(ask(meter, "MEAS:VOLT?"))) == pytest.approx(-24.0, rel=0.05)


def test_the_supply_is_switched_set_and_read(bench: Bench) -> None:
    """The board feels what the front panel does, and the meters show what the board takes."""
    supply = bench.instruments["supply"]
    bench.run_for(1.0)
    assert 0.02 < float(str(ask(supply, "MEAS:CURR?"))) < 0.5
    assert bench.boards["head"].logic_on
    ask(supply, "OUTP OFF")
    assert ask(supply, "OUTP?") == "0"
    assert not bench.boards["head"].logic_on
    assert abs(float(str(ask(supply, "MEAS:VOLT?;:MEAS:CURR?")).split(";")[0])) < 0.01
    ask(supply, "VOLT 20.5;CURR 1.5")
    assert float(str(ask(supply, "VOLT?"))) == 20.5
    assert float(str(ask(supply, "SOUR:CURR:LEV?"))) == 1.5
    ask(supply, "OUTP 1")
    bench.run_for(1.0)
    assert bench.boards["head"].rail_v == pytest.approx(20.5, rel=0.02)
    ask(supply, "*RST")
    assert ask(supply, "OUTP?") == "0"


# --- the TCP door -------------------------------------------------------------------------------------------


@contextlib.contextmanager
def served(bench: Bench) -> Iterator[dict[str, str]]:
    """A bench behind its doors, paced to the wall clock in a thread; yields where they are."""
    server = Server(bench, doors_of(bench))
    thread = threading.Thread(target=server.run)
    thread.start()
    try:
        yield {door.name: door.path for door in server.doors}
    finally:
        server.stop()
        thread.join(10.0)
        server.close()
    assert not thread.is_alive()


def connect(place: str) -> socket.socket:
    """A plain socket to HOST:PORT."""
    host, _, port = place.rpartition(":")
    return socket.create_connection((host, int(port)), timeout=5.0)


def line_of(connection: socket.socket) -> str:
    """The next line that comes, and nothing behind it."""
    data = b""
    while not data.endswith(b"\n"):
        byte = connection.recv(1)
        assert byte, f"closed after {data!r}"
        data += byte
    return data.decode().strip()


def test_meter_and_supply_have_a_port_each_on_this_machine_only(bench: Bench) -> None:
    """Loopback, and nothing else; a line in, a line out."""
    with served(bench) as places:
        assert places["meter"].startswith("127.0.0.1:")
        assert places["supply"].startswith("127.0.0.1:")
        assert places["meter"] != places["supply"]
        with connect(places["meter"]) as meter, connect(places["supply"]) as supply:
            meter.sendall(b"*ID")
            meter.sendall(b"N?\r\nSYST:VERS?\n")
            supply.sendall(b"*IDN?\n")
            assert line_of(meter) == "hiltest,simulated bench meter,0007,1.0"
            assert line_of(meter) == "1999.0"
            assert "simulated bench supply" in line_of(supply)


def test_clients_come_and_go_and_share_the_instrument(bench: Bench) -> None:
    """What one client sets the next one finds; too many are turned away and the others go on."""
    with served(bench) as places:
        with connect(places["supply"]) as first:
            first.sendall(b"VOLT 22\n*OPC?\n")
            assert line_of(first) == "1"
        clients = [connect(places["supply"]) for _ in range(8)]
        for client in clients:
            client.sendall(b"VOLT?\n")
            assert float(line_of(client)) == 22.0
        with connect(places["supply"]) as ninth:
            assert ninth.recv(10) == b""
        clients[0].sendall(b"VOLT?\n")
        assert float(line_of(clients[0])) == 22.0
        for client in clients:
            client.close()


def test_a_line_that_never_ends_is_thrown_away(bench: Bench) -> None:
    """No client fills the memory; the instrument notes an overrun (-363) and goes on."""
    with served(bench) as places, connect(places["meter"]) as meter:
        meter.sendall(b"x" * 20_000)
        meter.sendall(b"\n*CLS\nNONSENSE\nSYST:ERR?\n")
        assert line_of(meter).startswith("-113")


def test_a_door_closes_for_good(bench: Bench) -> None:
    """After close nobody gets in, and closing again does nothing."""
    door = ScpiDoor("meter", bench.instruments["meter"], bench.queue)
    place = door.path
    door.close()
    door.close()
    with pytest.raises(ConnectionRefusedError):
        connect(place)


def test_the_librarys_own_client_over_tcp(bench: Bench) -> None:
    """Switch, read and refuse through `socket://`, in real time, with the loop going on."""
    link = linked("virtual", "scpi")
    with served(bench) as places:
        supply = ScpiSupply(link, f"socket://{places['supply']}")
        supply.switch(False)
        assert supply.read_v() == pytest.approx(0.0, abs=0.01)
        supply.switch(True)
        assert supply.read_v() == pytest.approx(24.0, rel=0.05)
        with pytest.raises(InstrumentError, match="-222"):
            supply.set_limit_a(1e6)
        supply.close()
    link.close()


# --- in process -------------------------------------------------------------------------------------------


def test_in_process_the_instruments_answer_in_simulated_time() -> None:
    """`hiltest://FILE?instrument=meter` is the bench's meter; a reading takes 20 ms of bench time and no real time."""
    link = linked("hiltest", str(GLUE_HEAD))
    bench = link.port.bus.bench  # type: ignore[union-attr]
    meter = ScpiMeter(link, f"hiltest://{GLUE_HEAD}?instrument=meter")
    supply = ScpiSupply(link, f"hiltest://{GLUE_HEAD}?instrument=supply")
    supply.switch(False)
    assert not bench.supply.is_on
    bench.person.answer("cold.probes[bus.can.h, bus.can.l]", (), "")
    started_s = link.now_s
    assert meter.read_ohm() == pytest.approx(60.0, abs=2.0)
    assert 0.02 <= link.now_s - started_s < 0.2
    bench.probes.lift()
    assert math.isinf(meter.read_ohm())
    with pytest.raises(UsageError, match="oscilloscope"):
        ScpiMeter(link, f"hiltest://{GLUE_HEAD}?instrument=oscilloscope")
    link.close()
