"""The simulated node's CANopen bytes against published ones, and against the `canopen` package as a peer.

Sources, named at each table: device manuals that print frames, the `canopen` package's own tests (its
examples are credited to canopensolutions.com), and its constants.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from types import SimpleNamespace

import canopen
import canopen.lss
import pytest
from canopen.objectdictionary import ODArray, ODVariable, datatypes
from canopen.profiles.p402 import State402
from canopen.sdo import SdoAbortedError

from hiltest.simbench.drive import DISABLED, ENABLED, FAULT, QUICK_STOP, READY, SWITCHED_ON, Axis
from hiltest.simbench.events import EventQueue
from hiltest.simbench.loads.stepper import DriverChip
from hiltest.simbench.lss_slave import LssSlave
from hiltest.simbench.objects import Dictionary, Entry
from hiltest.simbench.pdos import pack_emergency
from hiltest.simbench.sdo_server import SdoServer

U8, U16, U32, STRING, DOMAIN = 0x05, 0x06, 0x07, 0x09, 0x0F
TINY_NODE = b"Tiny Node - Mega Domains !"


def entry(index: int, sub: int, data_type: int, default: bytes, access: str = "rw") -> Entry:
    return Entry(index, sub, f"object {index:04X}:{sub}", data_type, access, default, False)


def dictionary() -> Dictionary:
    return Dictionary(
        (
            entry(0x1000, 0, U32, bytes.fromhex("92010200"), "ro"),
            entry(0x1008, 0, STRING, TINY_NODE, "const"),
            entry(0x1017, 0, U16, bytes(2)),
            entry(0x1018, 0, U8, b"\x04", "ro"),
            entry(0x1018, 1, U32, bytes.fromhex("04000000"), "ro"),
            entry(0x1400, 0, U8, b"\x02", "ro"),
            entry(0x1400, 2, U8, b"\xfe"),
            entry(0x2000, 0, STRING, b""),
            entry(0x2001, 0, U8, b"", "wo"),
            entry(0x2002, 0, DOMAIN, b""),
        )
    )


def server() -> SdoServer:
    return SdoServer(dictionary())


def talk(sdo: SdoServer, request: str) -> str:
    """One request in hexadecimal, padded to 8 bytes; its one answer."""
    answers = sdo.handle(bytes.fromhex(request).ljust(8, b"\0"))
    assert len(answers) == 1
    return answers[0].hex(" ").upper()


# --- SDO ----------------------------------------------------------------------------------------------

# The canopen package's test/test_sdo.py (node 2, examples credited to canopensolutions.com), and for 0x1000
# the Elmo DS 301 guide, p. 27, which reads 0x00020192.
EXPEDITED = [
    ("40 18 10 01", "43 18 10 01 04 00 00 00"),
    ("40 00 10 00", "43 00 10 00 92 01 02 00"),
    ("2B 17 10 00 A0 0F 00 00", "60 17 10 00 00 00 00 00"),
    ("40 00 14 02", "4F 00 14 02 FE 00 00 00"),
]


@pytest.mark.parametrize(("request_bytes", "answer"), EXPEDITED)
def test_expedited_transfers_answer_with_the_published_bytes(request_bytes: str, answer: str) -> None:
    """Each printed request gets the printed answer."""
    assert talk(server(), request_bytes) == answer


@pytest.mark.parametrize(
    ("size", "command"),
    [(1, 0x4F), (2, 0x4B), (3, 0x47), (4, 0x43)],
)
def test_the_answer_says_how_many_bytes_are_valid(size: int, command: int) -> None:
    """Curtis 3401T manual p. 53 and isel IMD20 p. 82: 4F, 4B, 47, 43 for 1 to 4 bytes."""
    sdo = SdoServer(Dictionary((entry(0x2000, 0, STRING, b"abcd"[:size]),)))
    assert int(talk(sdo, "40 00 20 00")[:2], 16) == command


@pytest.mark.parametrize(("size", "command"), [(1, 0x2F), (2, 0x2B), (3, 0x27), (4, 0x23)])
def test_a_write_takes_the_number_of_bytes_that_it_states(size: int, command: int) -> None:
    """Curtis 3401T manual p. 53: 2F, 2B, 27, 23 write 1 to 4 bytes; the confirmation is 60."""
    objects = Dictionary((entry(0x2000, 0, STRING, b""),))
    answer = talk(SdoServer(objects), f"{command:02X} 00 20 00 61 62 63 64")
    assert (answer, objects.peek(0x2000)) == ("60 00 20 00 00 00 00 00", b"abcd"[:size])


def test_a_write_without_a_size_fills_the_object() -> None:
    """Command 22 (isel IMD20 p. 82, size not given): a 16-bit object takes two bytes."""
    objects = dictionary()
    assert talk(SdoServer(objects), "22 17 10 00 A0 0F 00 00")[:2] == "60"
    assert objects.number(0x1017) == 4000


def test_a_server_that_does_not_indicate_the_size_answers_42() -> None:
    """The canopen package's tests, from canopensolutions.com: 42 00 14 02 FE 00 00 00."""
    sdo = server()
    sdo.indicates_size = False
    assert talk(sdo, "40 00 14 02") == "42 00 14 02 FE 00 00 00"


def test_a_server_that_does_not_pad_answers_five_bytes() -> None:
    """The canopen package's tests: 4F 00 14 02 FE, as some real servers do."""
    sdo = server()
    sdo.pads_answers = False
    assert talk(sdo, "40 00 14 02") == "4F 00 14 02 FE"


SEGMENTED_READ = [
    ("40 08 10 00", "41 08 10 00 1A 00 00 00"),
    ("60", "00 54 69 6E 79 20 4E 6F"),
    ("70", "10 64 65 20 2D 20 4D 65"),
    ("60", "00 67 61 20 44 6F 6D 61"),
    ("70", "15 69 6E 73 20 21 00 00"),
]


def test_a_segmented_read_has_the_published_bytes() -> None:
    """The canopen package's tests: reading 'Tiny Node - Mega Domains !' in four segments."""
    sdo = server()
    assert [talk(sdo, request) for request, _ in SEGMENTED_READ] == [answer for _, answer in SEGMENTED_READ]


SEGMENTED_WRITE = [
    ("21 00 20 00 0D 00 00 00", "60 00 20 00 00 00 00 00"),
    ("00 41 20 6C 6F 6E 67 20", "20 00 00 00 00 00 00 00"),
    ("13 73 74 72 69 6E 67 00", "30 00 00 00 00 00 00 00"),
]


def test_a_segmented_write_has_the_published_bytes() -> None:
    """The canopen package's tests: writing 'A long string' in two segments."""
    objects = dictionary()
    sdo = SdoServer(objects)
    assert [talk(sdo, request) for request, _ in SEGMENTED_WRITE] == [a for _, a in SEGMENTED_WRITE]
    assert objects.peek(0x2000) == b"A long string"


# The canopen package's sdo/constants.py and isel IMD20 p. 82; the frame of 06090011 is printed in the
# package's tests.
ABORTS = [
    ("40 18 10 09", "80 18 10 09 11 00 09 06", "no such sub-index"),
    ("40 34 12 00", "80 34 12 00 00 00 02 06", "no such object"),
    ("40 01 20 00", "80 01 20 00 01 00 01 06", "read of a write-only object"),
    ("23 00 10 00 01 02 03 04", "80 00 10 00 02 00 01 06", "write to a read-only object"),
    ("23 17 10 00 01 02 03 04", "80 17 10 00 12 00 07 06", "too many bytes"),
    ("2F 17 10 00 01", "80 17 10 00 13 00 07 06", "too few bytes"),
    ("60", "80 00 00 00 01 00 04 05", "a segment that nobody asked for"),
    ("E0 00 20 00", "80 00 20 00 01 00 04 05", "a command that does not exist"),
]


@pytest.mark.parametrize(("request_bytes", "answer", "why"), ABORTS, ids=[row[2] for row in ABORTS])
def test_what_can_not_be_done_is_aborted_with_the_standard_code(
    request_bytes: str, answer: str, why: str
) -> None:
    """Each refusal carries the code that CiA 301 gives it."""
    assert talk(server(), request_bytes) == answer, why


def test_a_toggle_that_does_not_alternate_is_aborted() -> None:
    """canopen sdo/constants.py: 0x05030000; the frame names the object of the transfer."""
    sdo = server()
    talk(sdo, "40 08 10 00")
    talk(sdo, "60")
    assert talk(sdo, "60") == "80 08 10 00 00 00 03 05"


class Inline(canopen.Network):
    """A network whose only node answers at once, in the caller's own stack."""

    def __init__(self, answer: Callable[[int, bytes], Iterator[tuple[int, bytes]]]) -> None:
        super().__init__()
        self._answer = answer
        self.sent: list[bytes] = []

    def send_message(self, can_id: int, data: bytes, remote: bool = False) -> None:
        self.sent.append(bytes(data))
        for answer_id, answer in self._answer(can_id, bytes(data)):
            self.notify(answer_id, bytearray(answer), 0.0)


def peer(sdo: SdoServer) -> canopen.RemoteNode:
    """The canopen package's client, wired to the server under test."""

    def answer(can_id: int, data: bytes) -> Iterator[tuple[int, bytes]]:
        if can_id == 0x602:
            for frame in sdo.handle(data):
                yield 0x582, frame

    od = canopen.ObjectDictionary()
    for index, data_type in ((0x1008, datatypes.VISIBLE_STRING), (0x1017, U16), (0x2002, DOMAIN)):
        variable = ODVariable(f"object {index:04X}", index)
        variable.data_type = data_type
        od.add_object(variable)
    identity = ODArray("identity", 0x1018)
    vendor = ODVariable("vendor", 0x1018, 1)
    vendor.data_type = U32
    identity.add_member(vendor)
    od.add_object(identity)
    network = Inline(answer)
    node = canopen.RemoteNode(2, od)
    network.add_node(node)
    return node


def test_the_canopen_client_reads_and_writes_through_the_server() -> None:
    """The client of the canopen package agrees with the server about every kind of short transfer."""
    node = peer(server())
    node.sdo[0x1017].raw = 4000
    assert node.sdo[0x1017].raw == 4000
    assert node.sdo[0x1018][1].raw == 4
    assert node.sdo[0x1008].raw == TINY_NODE.decode()
    with pytest.raises(SdoAbortedError) as refused:
        node.sdo.upload(0x3333, 0)
    assert refused.value.code == 0x0602_0000


@pytest.mark.parametrize("size", [1, 7, 8, 888, 889, 890, 1778, 2000])
def test_the_canopen_client_sends_blocks_and_reads_them_back(size: int) -> None:
    """Block transfer with CRC, around the edges of a segment (7 bytes) and of a block (127 segments)."""
    data = bytes(number * 7 & 0xFF for number in range(size))
    objects = dictionary()
    node = peer(SdoServer(objects))
    with node.sdo[0x2002].open("wb", size=size, block_transfer=True) as stream:
        stream.write(data)
    assert objects.peek(0x2002) == data
    with node.sdo[0x2002].open("rb", block_transfer=True) as stream:
        assert stream.read() == data


def test_a_block_with_a_wrong_crc_is_not_taken() -> None:
    """canopen sdo/constants.py: 0x05040004, CRC error; CRC-16 with polynomial 0x1021 from memory."""
    objects = dictionary()
    sdo = SdoServer(objects)
    assert talk(sdo, "C6 02 20 00 03 00 00 00")[:2] == "A4"
    assert talk(sdo, "81 01 02 03")[:5] == "A2 01"
    assert talk(sdo, "D1 00 00") == "80 02 20 00 04 00 04 05"
    assert objects.peek(0x2002) == b""


# --- LSS ----------------------------------------------------------------------------------------------

IDENTITY = (0x1234_5678, 0x0000_ABCD, 0x0001_0002, 0x0000_002A)


def slave(node_id: int = 0xFF, identity: tuple[int, int, int, int] = IDENTITY) -> LssSlave:
    return LssSlave(identity, node_id, lambda node, rate: True, lambda node: None)


def scan(
    slaves: list[LssSlave], monkeypatch: pytest.MonkeyPatch
) -> tuple[bool, list[int] | None, list[bytes]]:
    """A fast scan by the canopen package's master over some slaves; also the frames that it sent."""

    def answer(can_id: int, data: bytes) -> Iterator[tuple[int, bytes]]:
        if can_id == 0x7E5:
            for one in slaves:
                reply = one.handle(data)
                if reply is not None:
                    yield 0x7E4, reply

    # The master sleeps between frames and waits for answers that don't come: not needed here.
    monkeypatch.setattr(canopen.lss, "time", SimpleNamespace(sleep=lambda seconds: None))
    monkeypatch.setattr(canopen.lss.LssMaster, "RESPONSE_TIMEOUT", 0.0005)
    network = Inline(answer)
    found, lss_id = network.lss.fast_scan()
    return found, lss_id, network.sent


def test_fast_scan_finds_the_identity_in_133_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    """One opener and 32 bits plus a confirmation for each of four numbers: 1 + 4 * 33 (CiA 305 fast scan)."""
    found, lss_id, sent = scan([slave()], monkeypatch)
    assert (found, lss_id) == (True, list(IDENTITY))
    assert len(sent) == 133


def test_the_frames_of_a_fast_scan_are_the_published_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    """The layout is of canopen's lss.py (struct '<BIBBB'): opener, a confirmation, the next part, the last."""
    _, _, sent = scan([slave()], monkeypatch)
    assert sent[0].hex(" ") == "51 00 00 00 00 80 00 00"
    assert sent[33].hex(" ") == "51 78 56 34 12 00 00 01"
    assert sent[34].hex(" ") == "51 00 00 00 00 1f 01 01"
    assert sent[-1].hex(" ") == "51 2a 00 00 00 00 03 00"


def test_of_several_slaves_the_scan_finds_the_lowest(monkeypatch: pytest.MonkeyPatch) -> None:
    """canopen's docstring: 'lowest number'; a 0 branch with any answer wins."""
    lower = (IDENTITY[0], IDENTITY[1], IDENTITY[2], 0x0000_0029)
    _, lss_id, _ = scan([slave(), slave(identity=lower)], monkeypatch)
    assert lss_id == list(lower)


def test_a_slave_with_a_node_id_keeps_out_of_the_scan(monkeypatch: pytest.MonkeyPatch) -> None:
    """Fast scan is for slaves without a node id (from memory)."""
    assert scan([slave(node_id=5)], monkeypatch)[0] is False


@pytest.mark.parametrize(
    ("command", "value"),
    list(zip((0x5A, 0x5B, 0x5C, 0x5D), IDENTITY, strict=True)),
    ids=["vendor", "product", "revision", "serial"],
)
def test_inquiries_are_answered_with_the_same_specifier(command: int, value: int) -> None:
    """TR-Electronic and Festo manuals: 0x5A to 0x5D inquire vendor, product, revision and serial number."""
    one = slave(node_id=5)
    one.handle(bytes([0x04, 1]) + bytes(6))
    answer = one.handle(bytes([command]) + bytes(7))
    assert answer == struct.pack("<BI3x", command, value)


def test_switch_selective_answers_44_only_for_the_whole_identity() -> None:
    """canopen lss.py: 0x40 to 0x43 select, 0x44 answers."""
    one = slave(node_id=5)
    for wrong in (True, False):
        answers = [
            one.handle(struct.pack("<BI3x", 0x40 + part, number ^ (wrong and part == 3)))
            for part, number in enumerate(IDENTITY)
        ]
        assert answers == [None, None, None, None if wrong else b"\x44" + bytes(7)]


def test_identify_and_node_id_use_the_published_specifiers() -> None:
    """canopen lss.py: 0x46 to 0x4B answered 0x4F, 0x4C answered 0x50, 0x5E node id, 0x11 and 0x17 configure."""
    one = slave()
    limits = (*IDENTITY[:2], IDENTITY[2], IDENTITY[2], 0, 0xFFFF_FFFF)
    answers = [one.handle(struct.pack("<BI3x", 0x46 + part, number)) for part, number in enumerate(limits)]
    assert answers[-1] == b"\x4f" + bytes(7)
    assert one.handle(b"\x4c" + bytes(7)) == b"\x50" + bytes(7)
    one.handle(bytes([0x04, 1]) + bytes(6))
    assert one.handle(bytes([0x11, 7]) + bytes(6)) == b"\x11" + bytes(7)
    assert one.handle(bytes([0x11, 200]) + bytes(6)) == b"\x11\x01" + bytes(6)
    assert one.handle(b"\x17" + bytes(7)) == b"\x17" + bytes(7)
    assert one.handle(b"\x5e" + bytes(7)) == b"\x5e\xff" + bytes(6)


# --- CiA 402 ------------------------------------------------------------------------------------------

WORDS = {
    DISABLED: (0x0250, "SWITCH ON DISABLED"),
    READY: (0x0231, "READY TO SWITCH ON"),
    SWITCHED_ON: (0x0233, "SWITCHED ON"),
    ENABLED: (0x0237, "OPERATION ENABLED"),
    QUICK_STOP: (0x0217, "QUICK STOP ACTIVE"),
    FAULT: (0x0218, "FAULT"),
}


class Host:
    """A board that always has its voltage."""

    def __init__(self) -> None:
        self.queue = EventQueue()

    def motor_changed(self) -> None: ...

    def rail_present(self) -> bool:
        return True


def axis() -> Axis:
    host = Host()
    made = Axis(host, DriverChip(host.queue, None), 200, speed=6400)
    made.operational = True
    return made


@pytest.mark.parametrize("state", list(WORDS))
def test_statuswords_decode_to_their_state(state: str) -> None:
    """canopen profiles/p402.py: mask and value of each state; 0x0231, 0x0237, 0x0250, 0x0218 as worked examples."""
    one = axis()
    one.state = state
    word = one.statusword & ~0x0400
    expected, name = WORDS[state]
    assert word == expected
    mask, value = State402.SW_MASK[name]
    assert word & mask == value
    assert [n for n, (m, v) in State402.SW_MASK.items() if word & m == v] == [name]


def test_controlwords_walk_through_the_states() -> None:
    """ni-lab and canopen profiles/p402.py: 06 shutdown, 07 switch on, 0F enable, 02 quick stop, 00 disable, 80 reset."""
    one = axis()
    seen = []
    for word in (0x07, 0x06, 0x07, 0x0F, 0x07, 0x06, 0x0F, 0x00):
        one.set_controlword(word)
        seen.append(one.state)
    assert seen == [DISABLED, READY, SWITCHED_ON, ENABLED, SWITCHED_ON, READY, ENABLED, DISABLED]
    one.fault()
    one.set_controlword(0x0F)
    assert one.state == FAULT
    one.set_controlword(0x80)
    assert one.state == DISABLED


def test_the_package_commands_are_the_ones_that_the_axis_obeys() -> None:
    """canopen profiles/p402.py: the controlword that it sends for a state leads there."""
    one = axis()
    for name in ("READY TO SWITCH ON", "SWITCHED ON", "OPERATION ENABLED"):
        one.set_controlword(State402.CW_COMMANDS_CODE[name])
        mask, value = State402.SW_MASK[name]
        assert one.statusword & mask == value


# --- emergency ----------------------------------------------------------------------------------------


def test_the_emergency_frame_is_read_by_the_canopen_consumer() -> None:
    """canopen emcy.py: code, error register, five bytes of detail."""
    consumer = canopen.emcy.EmcyConsumer()
    consumer.on_emcy(0x85, pack_emergency(0x8130, 0x11, b"\x02"), 1.5)
    (event,) = consumer.log
    assert (event.code, event.register, event.data) == (0x8130, 0x11, b"\x02\0\0\0\0")
