"""SDO block transfer of the driver: printed frames, the stock client's frames, and lost frames.

Sources: ICP DAS CAN-8x23 user's manual (revision 3.20, 2012): reading the device name in blocks, p. 82 to 84, and
writing 0x1400:2 in blocks, p. 95 to 97; the frames that pages of the manual do not show follow from its layout (p. 90,
91). Check value of the CRC: CRC-16/XMODEM, 0x31C3 for "123456789", catalogue entry as shipped by crccheck. Peer: the
client of the `canopen` package (MIT), whose frames ours must equal for equal transfers.
"""

from __future__ import annotations

import binascii
from collections.abc import Callable
from typing import Any

import canopen
import crccheck
import pytest
from canopen.objectdictionary import ODVariable, datatypes
from canopen.sdo.exceptions import SdoAbortedError

from hiltest.canbus.frame import Frame
from hiltest.errors import NoAnswer, NodeFault, Refused
from hiltest.link import Link
from hiltest.node.sdoblock import BlockClient
from hiltest.simbench.objects import DOMAIN, Dictionary, Entry
from hiltest.simbench.sdo_server import SdoServer

from .doubles import EventPort, ScriptedPort

ASK, ANSWER = 0x601, 0x581


def client(port: Any) -> BlockClient:
    return BlockClient(Link(port), "module", 1, SdoAbortedError.CODES)


def test_a_block_read_with_the_printed_frames() -> None:
    """The module's name, 17 bytes in three segments, without CRC: the manual's steps 3, 4, 7 and 8 are printed."""
    name = bytes.fromhex("43 41 4E 2D 38 34 32") + b"3 CANop" + b"en!"
    port = ScriptedPort(
        ("tx", ASK, "A4 08 10 00 7F 00 00 00"),  # asks for a CRC, which the manual's client does not
        ("rx", ANSWER, "C2 08 10 00 11 00 00 00"),
        ("tx", ASK, "A3 00 00 00 00 00 00 00"),  # step 3
        ("rx", ANSWER, "01 43 41 4E 2D 38 34 32"),  # step 4
        ("rx", ANSWER, "02" + name[7:14].hex()),
        ("rx", ANSWER, "83" + name[14:].hex() + "00 00 00 00"),
        ("tx", ASK, "A2 03 7F 00 00 00 00 00"),
        ("rx", ANSWER, "D1 00 00 00 00 00 00 00"),
        ("tx", ASK, "A1 00 00 00 00 00 00 00"),  # step 8
    )
    assert client(port).upload(0x1008, 0) == name
    port.assert_done()


def test_the_end_of_a_block_read_says_how_many_bytes_count() -> None:
    """Step 7 as printed: D5 leaves 5 of 7 bytes out (the manual's words say 3 are valid; its n is 5, so it is 2)."""
    port = ScriptedPort(
        ("tx", ASK, "A4 08 10 00 7F 00 00 00"),
        ("rx", ANSWER, "C0 08 10 00 00 00 00 00"),
        ("tx", ASK, "A3 00 00 00 00 00 00 00"),
        ("rx", ANSWER, "81 43 41 4E 2D 38 34 32"),
        ("tx", ASK, "A2 01 7F 00 00 00 00 00"),
        ("rx", ANSWER, "D5 00 00 00 00 00 00 00"),  # step 7
        ("tx", ASK, "A1 00 00 00 00 00 00 00"),
    )
    assert client(port).upload(0x1008, 0) == b"CA"
    port.assert_done()


def test_a_block_write_with_the_printed_frames() -> None:
    """One byte to 0x1400:2; answers as printed in steps 2 and 6. Ours states size and offers a CRC: C6 where it has C0."""
    port = ScriptedPort(
        ("tx", ASK, "C6 00 14 02 01 00 00 00"),
        ("rx", ANSWER, "A0 00 14 02 7F 00 00 00"),  # step 2: no CRC
        ("tx", ASK, "81 FE 00 00 00 00 00 00"),
        ("rx", ANSWER, "A2 01 7F 00 00 00 00 00"),
        ("tx", ASK, "D9 00 00 00 00 00 00 00"),  # step 5: six bytes are not used
        ("rx", ANSWER, "A1 00 00 00 00 00 00 00"),  # step 6
    )
    client(port).download(0x1400, 2, b"\xfe")
    port.assert_done()


def test_the_crc_is_the_catalogued_one() -> None:
    """CRC-16/XMODEM."""
    assert binascii.crc_hqx(b"123456789", 0) == 0x31C3 == crccheck.crc.CrcXmodem.calc(b"123456789")


class Server:
    """The simulated bench's server on a bus in simulated time; `loses` says which answers get lost."""

    def __init__(self, data: bytes = b"", loses: Callable[[int, bytes], bool] | None = None) -> None:
        self.port = EventPort()
        self.objects = Dictionary((Entry(0x2002, 0, "data", DOMAIN, "rw", data, False),))
        self.sdo = SdoServer(self.objects)
        self.loses = loses or (lambda number, answer: False)
        self.answers = self.requests = 0
        self.deaf_to: set[int] = set()
        self.port.hearers.append(self._hear)

    def _hear(self, frame: Frame) -> None:
        self.requests += 1
        if frame.can_id != ASK or self.requests in self.deaf_to:
            return
        for number, answer in enumerate(self.sdo.handle(frame.data)):
            self.answers += 1
            if not self.loses(self.answers, answer):
                self.port.arrive(ANSWER, answer, 0.0002 * (number + 1))

    @property
    def sent(self) -> list[str]:
        return [data.hex(" ") for data in self.port.sent_to(ASK)]


def pattern(size: int) -> bytes:
    return bytes(number * 11 & 0xFF for number in range(size))


@pytest.mark.parametrize("size", [1, 7, 8, 889, 890, 3000])
def test_our_frames_are_those_of_the_stock_client(size: int) -> None:
    """Both ways, around the edges of a segment and of a block."""
    data = pattern(size)
    ours = Server()
    block = client(ours.port)
    block.download(0x2002, 0, data)
    assert ours.objects.peek(0x2002) == data
    assert block.upload(0x2002, 0) == data

    server = SdoServer(Dictionary((Entry(0x2002, 0, "data", DOMAIN, "rw", b"", False),)))
    sent: list[str] = []

    class Inline(canopen.Network):
        def send_message(self, can_id: int, frame: Any, remote: bool = False) -> None:
            sent.append(bytes(frame).hex(" "))
            for answer in server.handle(bytes(frame)):
                self.notify(ANSWER, bytearray(answer), 0.0)

    variable = ODVariable("data", 0x2002)
    variable.data_type = datatypes.DOMAIN
    objects = canopen.ObjectDictionary()
    objects.add_object(variable)
    node = canopen.RemoteNode(1, objects)
    Inline().add_node(node)
    with node.sdo[0x2002].open("wb", size=size, block_transfer=True) as stream:
        stream.write(data)
    with node.sdo[0x2002].open("rb", block_transfer=True) as stream:
        assert stream.read() == data
    assert ours.sent == sent


def test_lost_segments_are_asked_for_again() -> None:
    """Every tenth answer is lost: the object still comes whole."""
    data = pattern(2000)
    server = Server(
        data, loses=lambda number, answer: number > 2 and number % 10 == 0 and answer[0] & 0x7F < 0x7F
    )
    assert client(server.port).upload(0x2002, 0) == data


def test_segments_that_the_node_did_not_get_are_sent_again() -> None:
    """The node confirms up to the gap, and the rest follows."""
    server = Server()
    server.deaf_to = {5, 60}
    data = pattern(1500)
    client(server.port).download(0x2002, 0, data)
    assert server.objects.peek(0x2002) == data


def test_a_wrong_crc_is_refused_and_told_to_the_node() -> None:
    """What came is not used."""
    server = Server(pattern(100))
    honest = server.sdo.handle

    def lying(request: bytes) -> list[bytes]:
        return [
            answer[:1] + b"\xde\xad" + answer[3:]
            if answer[0] & 0xE3 == 0xC1 and answer[3:] == bytes(5)
            else answer
            for answer in honest(request)
        ]

    server.sdo.handle = lying  # type: ignore[method-assign]
    with pytest.raises(NodeFault, match="CRC is 0xADDE"):
        client(server.port).upload(0x2002, 0)
    assert server.sent[-1] == "80 02 20 00 04 00 04 05"


def test_a_server_without_block_transfer_refuses() -> None:
    """The stock server (canopen's LocalNode) aborts with 0x05040001, and the code reaches the caller."""
    port = ScriptedPort(
        ("tx", ASK, "A4 08 10 00 7F 00 00 00"),
        ("rx", ANSWER, "80 08 10 00 01 00 04 05"),
    )
    with pytest.raises(Refused) as refused:
        client(port).upload(0x1008, 0)
    assert refused.value.code == 0x0504_0001


def test_silence_ends() -> None:
    """At the beginning, and in the middle of a block."""
    with pytest.raises(NoAnswer):
        client(EventPort()).upload(0x1008, 0)
    server = Server(pattern(500), loses=lambda number, answer: number > 20)
    with pytest.raises(NoAnswer, match=r"nothing new|did not answer"):
        client(server.port).upload(0x2002, 0)


def test_a_node_that_never_ends_is_ended() -> None:
    """Blocks without a last segment stop at the limit, in bounded memory."""
    from hiltest.node import sdoblock

    port = EventPort()

    def hear(frame: Frame) -> None:
        if frame.data[0] == 0xA4:
            port.arrive(ANSWER, bytes.fromhex("C0 02 20 00 00 00 00 00"))
        elif frame.data[0] in (0xA3, 0xA2):
            for number in range(1, 128):
                port.arrive(ANSWER, bytes([number]) + bytes(7), 0.0001 * number)

    port.hearers.append(hear)
    limit, sdoblock.BYTES_MAX = sdoblock.BYTES_MAX, 20_000
    try:
        with pytest.raises(NoAnswer):
            client(port).upload(0x2002, 0)
    finally:
        sdoblock.BYTES_MAX = limit
