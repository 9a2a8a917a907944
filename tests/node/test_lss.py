"""The LSS master: against the simulated bench's slaves, frame by frame against the stock master, and over a bench."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import canopen
import pytest

from hiltest import numbering
from hiltest.canbus.frame import Frame
from hiltest.cli import main
from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node.lss import LssIdentity, LssMaster
from hiltest.settings import Settings
from hiltest.simbench.lss_slave import LssSlave

from .doubles import EventPort

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
LOW = LssIdentity(0x1234_5678, 0xABCD, 0x0001_0002, 0x2A)
HIGH = LssIdentity(0x1234_5678, 0xABCD, 0x0001_0002, 0xFFFF_FFF0)


class Slaves:
    """LSS slaves of the simulated bench on a bus in simulated time."""

    def __init__(self, *identities: LssIdentity, node_id: int = 0xFF, works: bool = True) -> None:
        self.port = EventPort()
        self.stored: list[int] = []
        self.taken: list[tuple[LssSlave, int]] = []
        self.late_s = 0.0
        self.slaves = [self._slave(each, node_id, works) for each in identities]
        self.port.hearers.append(self._hear)
        self.link = Link(self.port)

    def _slave(self, identity: LssIdentity, node_id: int, works: bool) -> LssSlave:
        def store(new: int, rate: int | None) -> bool:
            self.stored.append(new)
            return works

        def configured(new: int) -> None:
            self.taken.append((slave, new))
            slave.node_id = new

        slave = LssSlave(identity.numbers, node_id, store, configured)
        return slave

    def _hear(self, frame: Frame) -> None:
        if frame.can_id == 0x7E5:
            for slave in self.slaves:
                answer = slave.handle(frame.data)
                if answer is not None:
                    self.port.arrive(0x7E4, answer, 0.0003 + self.late_s)

    @property
    def sent(self) -> list[str]:
        return [data.hex(" ") for data in self.port.sent_to(0x7E5)]


def test_every_node_without_an_id_is_found_and_waits_again() -> None:
    """Two of them, one after the other; afterwards neither is left in its configuration state."""
    bus = Slaves(LOW, HIGH)
    with LssMaster(bus.link) as master:
        assert master.anybody_without_id()
        assert master.fast_scan() == [LOW, HIGH]
    assert not any(slave.configuring for slave in bus.slaves)
    assert bus.taken == []


def test_nobody_is_found_where_everybody_has_an_id() -> None:
    """A node with an id takes no part in a fast scan (CiA 305)."""
    bus = Slaves(LOW, node_id=5)
    with LssMaster(bus.link) as master:
        assert not master.anybody_without_id()
        assert master.fast_scan() == []


def test_the_frames_are_those_of_the_stock_master(monkeypatch: pytest.MonkeyPatch) -> None:
    """The canopen package's master sends the same 133 frames for the same slave, byte for byte."""
    ours = Slaves(LOW)
    with LssMaster(ours.link) as master:
        master.fast_scan()
    one = Slaves(LOW).slaves[0]

    sent: list[str] = []

    class Inline(canopen.Network):
        def send_message(self, can_id: int, data: Any, remote: bool = False) -> None:
            sent.append(bytes(data).hex(" "))
            answer = one.handle(bytes(data))
            if answer is not None:
                self.notify(0x7E4, bytearray(answer), 0.0)

    monkeypatch.setattr(canopen.lss, "time", SimpleNamespace(sleep=lambda seconds: None))
    monkeypatch.setattr(canopen.lss.LssMaster, "RESPONSE_TIMEOUT", 0.0005)
    network = Inline()
    assert network.lss.fast_scan() == (True, list(LOW.numbers))
    assert len(sent) == 133
    first_scan = [frame for frame in ours.sent if frame.startswith("51")][:133]
    assert first_scan == sent


def test_the_published_frames_are_sent() -> None:
    """Opener, start of the product code, confirmation of the vendor: device manuals and canopen's lss.py."""
    bus = Slaves(LOW)
    with LssMaster(bus.link) as master:
        master.fast_scan()
    scan = [frame for frame in bus.sent if frame.startswith("51")]
    assert scan[0] == "51 00 00 00 00 80 00 00"
    assert scan[33] == "51 78 56 34 12 00 00 01"
    assert scan[34] == "51 00 00 00 00 1f 01 01"


def test_slow_answers_are_met_with_patience() -> None:
    """A slave that needs 60 ms for each answer is misread at first, and then found."""
    bus = Slaves(LOW)
    bus.late_s = 0.06
    with LssMaster(bus.link) as master:
        assert master.fast_scan() == [LOW]


def test_a_node_is_numbered_by_its_identity_alone() -> None:
    """The other one keeps waiting; the id is stored."""
    bus = Slaves(LOW, HIGH)
    with LssMaster(bus.link) as master:
        master.number(HIGH, 9, "head")
    assert bus.taken == [(bus.slaves[1], 9)]
    assert bus.stored == [9]
    orders = [frame for frame in bus.sent if frame[:2] in ("11", "17", "40", "43")]
    assert orders == [
        "40 78 56 34 12 00 00 00",
        "43 f0 ff ff ff 00 00 00",
        "11 09 00 00 00 00 00 00",
        "17 00 00 00 00 00 00 00",
    ]


def test_nobody_of_that_identity() -> None:
    """No answer is told with the identity that was asked for."""
    bus = Slaves(LOW)
    with LssMaster(bus.link) as master, pytest.raises(NoAnswer, match="4294967280"):
        master.number(HIGH, 9, "head")
    assert bus.taken == []


def test_an_id_that_can_not_be_stored_is_taken_back() -> None:
    """Else the node would be gone after the next power cycle, under an id that nobody remembers."""
    bus = Slaves(LOW, works=False)
    with LssMaster(bus.link) as master, pytest.raises(Refused, match="memory can't be written"):
        master.number(LOW, 9, "head")
    assert bus.slaves[0].node_id == 0xFF
    assert bus.taken == []


@pytest.fixture
def unnumbered() -> list[str]:
    return ["number", str(GLUE_HEAD), "--simulate", "--fault", "unconfigured_node"]


def test_a_board_on_the_bench_is_numbered_and_boots(
    unnumbered: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """The command finds it, gives it the id of the description, and sees its boot-up message."""
    assert main(unnumbered) == 0
    said = capsys.readouterr().out
    assert "node id 5 given and stored; vendor 0x00000000, product 0x00474C31" in said
    assert "boot-up message after 0.0" in said


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--fault", "wrong_product"], "no board with product 0x00474C31 is without a node id"),
        (["--board", "7"], "serial number 7 is without a node id"),
        (["--fault", "settings_not_stored"], "memory can't be written"),
        (["--node", "tail"], "no CANopen node 'tail'"),
    ],
)
def test_what_does_not_fit_is_left_alone(
    unnumbered: list[str], capsys: pytest.CaptureFixture[str], more: list[str], words: str
) -> None:
    """Another product, another serial number, a worn memory, a name that is none: said, and nothing numbered."""
    assert main([*unnumbered, *more]) in (2, 4)
    assert words in capsys.readouterr().err


def test_a_board_with_an_id_is_not_numbered(capsys: pytest.CaptureFixture[str]) -> None:
    """Its id is in use, which is said."""
    assert main(["number", str(GLUE_HEAD), "--simulate"]) == 4
    assert "node id 5 is in use" in capsys.readouterr().err


def test_what_was_done_is_returned_as_data() -> None:
    """For programs that number many boards."""
    done = numbering.number(Settings(file=GLUE_HEAD, simulate=True, faults=("unconfigured_node",)))
    assert (done.node_id, done.left, done.identity.product_code) == (5, 0, 0x0047_4C31)
    assert done.boot_s is not None
