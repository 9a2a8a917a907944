"""Byte-level conversations, as published, with a port that plays the other side from a script.

Sources: the SDO transfers with node 2 are those of the tests in the source package of the `canopen` library
(MIT), which credits canopensolutions.com for them; control bytes of expedited transfers are also in the Curtis
3401T manual p. 53 and isel IMD20 p. 82; NMT commands, boot-up and heartbeat states in the Datalogic AMT58 manual
p. 26, Inovance MD38CAN2 and EAO 09-series manual p. 51; drive states in `profiles/p402.py` of `canopen`.
"""

from __future__ import annotations

from typing import Any

import canopen
import pytest
from canopen.objectdictionary import ODRecord, ODVariable, datatypes

from hiltest.errors import NoAnswer, NodeFault, Refused
from hiltest.link import Link
from hiltest.node.drive import drive_state
from hiltest.node.emergencies import decode_emergency
from hiltest.node.sdo import LinkedNetwork, LinkedNode, SdoChannel
from hiltest.node.telemetry import STATES, Field, ProcessData

from .doubles import ScriptedPort

ASK, ANSWER = 0x602, 0x582


def channel_over(*conversation: tuple[str, int, str]) -> Any:
    """A port that plays `conversation`, and the SDO channel to node 2 over it.

    The object dictionary holds one RPDO with its transmission type (UNSIGNED8) at 0x1400:2.
    """
    port = ScriptedPort(*conversation)
    link = Link(port)
    objects = canopen.ObjectDictionary()
    for index in (0x1400, 0x1600):
        objects.add_object(ODRecord(f"object {index:04X}", index))
    kind = ODVariable("transmission type", 0x1400, 2)
    kind.data_type = datatypes.UNSIGNED8
    objects[0x1400].add_member(kind)
    network = LinkedNetwork(link)
    node = LinkedNode(link, 2, objects)
    network.add_node(node)
    link.listen(lambda frame: network.notify(frame.can_id, bytearray(frame.data), 0.0))
    return port, SdoChannel("two", node.sdo_channels[0], lambda: None, lambda _: "what was seen")


def test_expedited_read() -> None:
    """The vendor id of node 2 is 4."""
    port, channel = channel_over(
        ("tx", ASK, "40 18 10 01 00 00 00 00"), ("rx", ANSWER, "43 18 10 01 04 00 00 00")
    )
    assert channel.read_bytes(0x1018, 1, "vendor") == b"\x04\0\0\0"
    port.assert_done()


def test_a_short_answer_is_read() -> None:
    """An answer of five bytes, as some nodes send it, gives its one byte of data."""
    port, channel = channel_over(("tx", ASK, "40 00 14 02 00 00 00 00"), ("rx", ANSWER, "4F 00 14 02 FE"))
    assert channel.read_bytes(0x1400, 2, "type") == b"\xfe"
    port.assert_done()


def test_the_size_comes_from_the_dictionary_when_it_is_not_told() -> None:
    """With control byte 0x42 the object's type says that one byte of four is meant."""
    port, channel = channel_over(
        ("tx", ASK, "40 00 14 02 00 00 00 00"), ("rx", ANSWER, "42 00 14 02 FE 00 00 00")
    )
    assert channel.read_bytes(0x1400, 2, "type") == b"\xfe"
    port.assert_done()


def test_expedited_write() -> None:
    """The heartbeat period becomes 4000 ms."""
    port, channel = channel_over(
        ("tx", ASK, "2B 17 10 00 A0 0F 00 00"), ("rx", ANSWER, "60 17 10 00 00 00 00 00")
    )
    channel.write_bytes(0x1017, 0, (4000).to_bytes(2, "little"), "heartbeat")
    port.assert_done()


@pytest.mark.parametrize(("size", "control"), [(1, "2F"), (2, "2B"), (3, "27"), (4, "23")])
def test_the_control_byte_tells_the_size(size: int, control: str) -> None:
    """One to four bytes are written with 2F, 2B, 27 and 23."""
    data = bytes(range(1, size + 1))
    request = f"{control} 00 20 05 {data.ljust(4, bytes(1)).hex(' ')}"
    port, channel = channel_over(("tx", ASK, request), ("rx", ANSWER, "60 00 20 05 00 00 00 00"))
    channel.write_bytes(0x2000, 5, data, "something")
    port.assert_done()


def test_segmented_read() -> None:
    """A name of 26 characters comes in four segments with the toggle bit alternating."""
    port, channel = channel_over(
        ("tx", ASK, "40 08 10 00 00 00 00 00"),
        ("rx", ANSWER, "41 08 10 00 1A 00 00 00"),
        ("tx", ASK, "60 00 00 00 00 00 00 00"),
        ("rx", ANSWER, "00 54 69 6E 79 20 4E 6F"),
        ("tx", ASK, "70 00 00 00 00 00 00 00"),
        ("rx", ANSWER, "10 64 65 20 2D 20 4D 65"),
        ("tx", ASK, "60 00 00 00 00 00 00 00"),
        ("rx", ANSWER, "00 67 61 20 44 6F 6D 61"),
        ("tx", ASK, "70 00 00 00 00 00 00 00"),
        ("rx", ANSWER, "15 69 6E 73 20 21 00 00"),
    )
    assert channel.read_bytes(0x1008, 0, "name") == b"Tiny Node - Mega Domains !"
    port.assert_done()


def test_segmented_write() -> None:
    """A string of 13 characters goes out in two segments, the last one marked."""
    port, channel = channel_over(
        ("tx", ASK, "21 00 20 00 0D 00 00 00"),
        ("rx", ANSWER, "60 00 20 00 00 00 00 00"),
        ("tx", ASK, "00 41 20 6C 6F 6E 67 20"),
        ("rx", ANSWER, "20 00 20 00 00 00 00 00"),
        ("tx", ASK, "13 73 74 72 69 6E 67 00"),
        ("rx", ANSWER, "30 00 20 00 00 00 00 00"),
    )
    channel.write_bytes(0x2000, 0, b"A long string", "text")
    port.assert_done()


@pytest.mark.parametrize(
    ("code", "text"),
    [
        ("11 00 09 06", "Subindex does not exist"),
        ("00 00 02 06", "Object does not exist"),
        ("31 00 09 06", "Value of parameter written too high"),
        ("22 00 00 08", "because of the present device state"),
        ("02 00 01 06", "write a read only object"),
    ],
)
def test_aborts_are_refusals_with_code_and_text(code: str, text: str) -> None:
    """Each abort code of CiA 301 comes out with its number and its meaning; nothing more is sent."""
    port, channel = channel_over(
        ("tx", ASK, "40 18 10 01 00 00 00 00"), ("rx", ANSWER, f"80 18 10 01 {code}")
    )
    with pytest.raises(Refused, match=text) as caught:
        channel.read_bytes(0x1018, 1, "vendor")
    assert caught.value.code == int.from_bytes(bytes.fromhex(code), "little")
    port.assert_done()


def test_an_aborted_write_is_not_sent_again() -> None:
    """A refused write is one request; nothing follows when objects are thrown away later."""
    port, channel = channel_over(
        ("tx", ASK, "2B 17 10 00 A0 0F 00 00"), ("rx", ANSWER, "80 17 10 00 02 00 01 06")
    )
    with pytest.raises(Refused):
        channel.write_bytes(0x1017, 0, (4000).to_bytes(2, "little"), "heartbeat")
    del channel
    port.assert_done()


def test_silence_ends_after_the_time_limit() -> None:
    """Without an answer the client gives up after 0.3 s and says so on the wire (abort 0x05040000)."""
    port, channel = channel_over(
        ("tx", ASK, "40 18 10 01 00 00 00 00"), ("tx", ASK, "80 00 00 00 00 00 04 05")
    )
    with pytest.raises(NoAnswer, match="what was seen") as caught:
        channel.read_bytes(0x1018, 1, "vendor")
    assert port.clock.now_ns == 300_000_000
    assert caught.value.waited_s == 0.3
    assert channel.unanswered == 1
    port.assert_done()


def test_answers_to_something_else_are_passed_over() -> None:
    """A late confirmation of another object does not become the answer; the right one after it does."""
    port, channel = channel_over(
        ("tx", ASK, "40 18 10 01 00 00 00 00"),
        ("rx", ANSWER, "60 10 20 00 00 00 00 00"),
        ("rx", ANSWER, ""),
        ("rx", ANSWER, "43 18 10 01 04 00 00 00"),
    )
    assert channel.read_bytes(0x1018, 1, "vendor") == b"\x04\0\0\0"
    port.assert_done()


def test_a_transfer_without_end_is_given_up() -> None:
    """A node that never marks its last segment does not hold the host for ever."""

    class Endless(ScriptedPort):
        def send(self, frame: Any) -> None:
            command = frame.data[0]
            if command == 0x40:
                self.arrive(ANSWER, bytes.fromhex("41 08 10 00 00 00 00 00"))
            elif command != 0x80:
                self.arrive(ANSWER, bytes([command & 0x10]) + b"forever")

    port, channel = channel_over()
    port.__class__ = Endless
    with pytest.raises(NoAnswer, match="without end"):
        channel.read_bytes(0x1008, 0, "name")
    assert port.clock.now_s < 1.0


def test_too_few_bytes_are_a_fault_of_the_node() -> None:
    """An answer cut off inside its header is told as such."""
    _, channel = channel_over(("tx", ASK, "40 18 10 01 00 00 00 00"), ("rx", ANSWER, "80 00 00 00"))
    with pytest.raises(NodeFault):
        channel.read_bytes(0x1018, 1, "vendor")


@pytest.mark.parametrize(
    ("word", "state"),
    [
        (0x0237, "operation enabled"),
        (0x0250, "switch on disabled"),
        (0x0218, "fault"),
        (0x0231, "ready to switch on"),
        (0x0233, "switched on"),
        (0x0217, "quick stop active"),
        (0x021F, "fault reaction active"),
        (0x0000, "not ready to switch on"),
    ],
)
def test_status_words_decode(word: int, state: str) -> None:
    """Masks and values as in `profiles/p402.py` of `canopen`, other bits set at will."""
    assert drive_state(word) == state


def test_nmt_states_have_their_numbers() -> None:
    """Heartbeat bytes 00, 04, 05 and 7F."""
    assert STATES == {0: "boot-up", 4: "stopped", 5: "operational", 0x7F: "pre-operational"}


def test_an_emergency_is_taken_apart() -> None:
    """Code, register and five bytes of the maker; fewer than three bytes are no emergency (CiA 301)."""
    found = decode_emergency(bytes.fromhex("30 81 11 01 02 03 04 05"), 7)
    assert found is not None
    assert (found.code, found.register, found.data, found.t_ns) == (0x8130, 0x11, bytes([1, 2, 3, 4, 5]), 7)
    assert "heartbeat" in str(found)
    assert decode_emergency(b"\x30\x81", 0) is None


@pytest.mark.parametrize(
    ("bits", "raw", "value"),
    [(4, 0b1000, -8), (4, 0b0111, 7), (16, 0x8000, -32768), (16, 0xFFFF, -1), (32, 0x80000000, -(2**31))],
)
def test_signed_fields_of_any_width(bits: int, raw: int, value: int) -> None:
    """Two's complement holds at the extremes of each width, also where it is no whole byte."""
    field = Field(0x2000, 1, 3, bits, is_signed=True)
    assert field.raw(raw << 3 | 0b101) == value


def test_fields_follow_each_other_from_the_lowest_bit() -> None:
    """A bit, seven bits and a 16-bit number share three bytes; a float stands by itself."""
    pdo = ProcessData(
        0x185, (Field(1, 0, 0, 1), Field(2, 0, 1, 7), Field(3, 0, 8, 16), Field(4, 0, 24, 32, is_float=True))
    )
    values = [raw for _, raw in pdo.decode(bytes([0b1010_1011, 0x34, 0x12]) + bytes.fromhex("0000C03F"))]
    assert values == [1, 0b1010101, 0x1234, 1.5]
