"""The frames driver: bytes against bytes written out by hand, and request and reply against a scripted node."""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.canbus.frame import Frame
from hiltest.description.loading import load_text
from hiltest.description.models import Message, Node
from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node.frames import FramesDriver, LayoutCodec
from hiltest.node.opening import open_driver

from .doubles import EventPort


def codec(*fields: dict[str, Any], **message: Any) -> LayoutCodec:
    """A codec with one message called M."""
    described = Message.model_validate({"name": "M", "can_id": 0x123, "field": list(fields), **message})
    return LayoutCodec(Node(name="n", protocol="frames", heartbeat="M", message=[described]))


# --- bytes ------------------------------------------------------------------------------------------------


def test_whole_bytes_of_both_ends() -> None:
    """Little and big endian, signed and not, scaled, as struct packs them."""
    made = codec(
        {"name": "a", "at_byte": 0, "length_bytes": 2, "kind": "signed", "scale": 0.1},
        {"name": "b", "at_byte": 2, "length_bytes": 2, "endian": "big"},
        {"name": "c", "at_byte": 4, "length_bytes": 4, "endian": "big", "kind": "signed"},
    )
    data = made.encode("M", {"a": -12.3, "b": 0xBEEF, "c": -2})
    assert data == struct.pack("<h", -123) + struct.pack(">Hi", 0xBEEF, -2)
    assert made.decode("M", data) == {"a": pytest.approx(-12.3), "b": 0xBEEF, "c": -2}


def test_bits_within_and_across_bytes() -> None:
    """Little-endian bits grow upwards; big-endian ones run down from their highest bit and on in the next byte."""
    made = codec(
        {"name": "low", "at_byte": 0, "at_bit": 0, "length_bits": 3},
        {"name": "flag", "at_byte": 0, "at_bit": 3, "length_bits": 1},
        {"name": "wide", "at_byte": 0, "at_bit": 4, "length_bits": 10},
        {"name": "big", "at_byte": 2, "at_bit": 3, "length_bits": 12, "endian": "big"},
        length_bytes=4,
    )
    values = {"low": 5, "flag": 1, "wide": 0x2A5, "big": 0xABC}
    # low and flag: 1101; wide: 0x5 in the high nibble, then 0x2A in the next six bits; big: 1010 1011 1100 from
    # bit 3 of byte 2 on.
    assert made.encode("M", values) == bytes([0x5D, 0x2A, 0x0A, 0xBC])
    assert made.decode("M", bytes([0x5D, 0x2A, 0x0A, 0xBC])) == values


@given(value=st.floats(width=32, allow_nan=False, allow_infinity=False))
def test_floating_point_of_both_ends(value: float) -> None:
    """IEEE 754 as struct packs it."""
    made = codec(
        {"name": "little", "at_byte": 0, "length_bytes": 4, "kind": "float"},
        {"name": "big", "at_byte": 4, "length_bytes": 4, "kind": "float", "endian": "big"},
    )
    data = made.encode("M", {"little": value, "big": value})
    assert data == struct.pack("<f", value) + struct.pack(">f", value)
    assert made.decode("M", data) == {"little": value, "big": value}


def test_constants_and_the_bits_that_no_field_uses() -> None:
    """A constant is always there; a frame without it is another message; unused bits are as the fill says."""
    made = codec(
        {"name": "head", "at_byte": 0, "length_bytes": 1, "constant": 0x55},
        {"name": "v", "at_byte": 1, "at_bit": 2, "length_bits": 4},
        length_bytes=3,
        fill=1,
    )
    assert made.encode("M", {"v": 0b1010}) == bytes([0x55, 0b11101011, 0xFF])
    assert made.decode("M", bytes([0x55, 0b00101000, 0x00])) == {"head": 0x55, "v": 0b1010}
    assert made.decode("M", bytes([0x56, 0xFF, 0xFF])) is None
    assert made.decode("M", bytes([0x55, 0xFF])) is None


def test_fields_that_are_there_only_on_their_page() -> None:
    """The same bytes are another field when the selector has another count."""
    made = codec(
        {"name": "page", "at_byte": 0, "length_bytes": 1},
        {"name": "serial", "at_byte": 1, "length_bytes": 4, "when": {"page": 1}},
        {"name": "volts", "at_byte": 1, "length_bytes": 2, "scale": 0.001, "when": {"page": 2}},
    )
    assert made.encode("M", {"page": 1, "serial": 0x01020304}) == bytes([1, 4, 3, 2, 1, 0, 0, 0])
    assert made.decode("M", bytes([2, 0xE0, 0x2E, 0, 0, 0, 0, 0])) == {
        "page": 2,
        "volts": pytest.approx(12.0),
    }
    assert made.decode("M", bytes([9, 1, 1, 1, 1, 0, 0, 0])) == {"page": 9}


@given(data=st.binary(max_size=9))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    """No bytes make the codec raise."""
    made = codec(
        {"name": "page", "at_byte": 0, "length_bits": 3},
        {"name": "x", "at_byte": 1, "at_bit": 6, "length_bits": 31, "endian": "big", "kind": "signed"},
        {"name": "f", "at_byte": 4, "length_bytes": 4, "kind": "float", "when": {"page": 3}},
        length_bytes=8,
    )
    found = made.decode("M", data)
    assert (found is None) == (len(data) != 8)


# --- a node -----------------------------------------------------------------------------------------------

DAMPER = """
[fixture]
name = "air damper"
[supply]
voltage_v = 24.0
current_limit_a = 2.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 250_000
length_m = 5.0
[node]
name = "damper"
protocol = "frames"
heartbeat = "Alive"
heartbeat_s = 0.2
[node.roles]
serial_number = "Answer.serial"
supply_v = { at = "Answer.volts", scale = 0.001 }

[[node.message]]
name = "Alive"
can_id = 0x18FF0102
extended = true
length_bytes = 2
period_s = 0.2
counter = "count"
[[node.message.field]]
name = "count"
at_byte = 0
length_bits = 4
[[node.message.field]]
name = "turning"
at_byte = 1
at_bit = 0
length_bits = 1

[[node.message]]
name = "Fan"
can_id = 0x200
length_bytes = 4
period_s = 0.1
counter = "count"
checksum = "sum"
checksum_kind = "xor8"
checksum_prefix = [0x02]
[[node.message.field]]
name = "duty"
at_byte = 0
length_bytes = 2
endian = "big"
scale = 0.001
[[node.message.field]]
name = "count"
at_byte = 2
length_bits = 4
[[node.message.field]]
name = "sum"
at_byte = 3
length_bytes = 1

[[node.message]]
name = "Ask"
can_id = 0x300
length_bytes = 2
[[node.message.field]]
name = "read"
at_byte = 0
length_bytes = 1
constant = 0x52
[[node.message.field]]
name = "what"
at_byte = 1
length_bytes = 1

[[node.message]]
name = "Answer"
can_id = 0x301
length_bytes = 6
request = "Ask"
match = ["what"]
[[node.message.field]]
name = "what"
at_byte = 0
length_bytes = 1
[[node.message.field]]
name = "serial"
at_byte = 2
length_bytes = 4
endian = "big"
when = { what = 1 }
[[node.message.field]]
name = "volts"
at_byte = 2
length_bytes = 2
endian = "big"
when = { what = 2 }

[[fan]]
name = "flap"
full_speed_rpm = 3000.0
roles.duty = "Fan.duty"
"""


class Damper:
    """The node, in bytes written by hand."""

    def __init__(self, port: EventPort) -> None:
        self.port = port
        self.count = 0
        self.deaf = 0
        self.wrong_first = False
        port.hearers.append(self.hear)
        self.beat()

    def beat(self) -> None:
        def due() -> Frame:
            self.beat()
            self.count = (self.count + 1) % 16
            return Frame(0x18FF0102, bytes([0xF0 | self.count, 1]), extended=True)

        self.port.after(0.2, due)

    def hear(self, frame: Frame) -> None:
        if frame.can_id != 0x300 or frame.data[0] != 0x52:
            return
        if self.deaf:
            self.deaf -= 1
            return
        if self.wrong_first:
            self.wrong_first = False
            self.port.arrive(0x301, bytes([7, 0, 9, 9, 9, 9]))
        what = frame.data[1]
        body = struct.pack(">I", 0x00ABCDEF) if what == 1 else struct.pack(">HH", 23_900, 0)
        self.port.arrive(0x301, bytes([what, 0]) + body, 0.002)


@pytest.fixture
def damper() -> tuple[FramesDriver, Damper, EventPort, Link]:
    port = EventPort()
    node = Damper(port)
    link = Link(port)  # type: ignore[arg-type]
    driver = open_driver(link, load_text(DAMPER, Path()).description, "damper")
    assert isinstance(driver, FramesDriver)
    driver.start()
    return driver, node, port, link


Made = tuple[FramesDriver, Damper, EventPort, Link]


def test_commands_carry_counter_and_checksum_as_written_by_hand(damper: Made) -> None:
    """Duty big-endian, a counter of four bits, and the exclusive or over a data id and the other bytes."""
    driver, _, port, link = damper
    driver.set_fan("flap", 0.6)
    link.run_for(0.5)
    frames = port.sent_to(0x200)
    for number, data in enumerate(frames):
        duty = 0 if number < frames.index(next(f for f in frames if f[:2] == b"\x02\x58")) else 600
        head = struct.pack(">HB", duty, number % 16)
        assert data == head + bytes([0x02 ^ head[0] ^ head[1] ^ head[2]])
    assert frames[-1][:2] == struct.pack(">H", 600)


def test_what_is_asked_for_is_answered_by_the_reply_that_matches(damper: Made) -> None:
    """Each page is asked for by itself; a reply to something else is not taken."""
    driver, node, port, _ = damper
    node.wrong_first = True
    assert driver.identify().serial_number == 0x00ABCDEF
    assert driver.read_supply_v() == pytest.approx(23.9)
    assert port.sent_to(0x300) == [bytes([0x52, 1]), bytes([0x52, 2])]


def test_a_request_is_repeated_and_then_given_up(damper: Made) -> None:
    """One lost request costs a second try; a node that never answers is told as such."""
    driver, node, port, _ = damper
    node.deaf = 1
    assert driver.read_supply_v() == pytest.approx(23.9)
    assert driver.unanswered == 0
    node.deaf = 99
    with pytest.raises(NoAnswer, match=r"Answer\.volts"):
        driver.read_supply_v()
    assert driver.unanswered == 3
    assert len(port.sent_to(0x300)) == 5


def test_an_extended_heartbeat_is_a_sign_of_life(damper: Made) -> None:
    """29-bit identifiers are kept apart from short ones."""
    driver, _, port, _ = damper
    port.arrive(0x102, b"\0\0")
    assert len(driver.watch_heartbeat(2.0)) == 10
    assert not {"restart", "read_temperature_c"} & driver.offers
    assert {"go_silent", "set_fan[flap]", "read_supply_v"} <= driver.offers


def test_a_product_that_cannot_be_read_is_not_energised() -> None:
    """Where the description asks for a product, it is asked for before the first output."""
    port = EventPort()
    node = Damper(port)
    text = DAMPER.replace('serial_number = "Answer.serial"', 'product_code = "Answer.serial"').replace(
        'heartbeat = "Alive"', 'heartbeat = "Alive"\nproduct_code = 1'
    )
    link = Link(port)  # type: ignore[arg-type]
    driver = open_driver(link, load_text(text, Path()).description, "damper")
    driver.start()
    with pytest.raises(Refused, match="0xABCDEF"):
        driver.set_fan("flap", 0.5)
    node.deaf = 99
    with pytest.raises(NoAnswer):
        driver.set_fan("flap", 0.5)
    assert all(data[:2] == b"\0\0" for data in port.sent_to(0x200))
