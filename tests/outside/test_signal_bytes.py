"""Signals of DBC files and checksums of messages, against worked examples and a general-purpose CRC library."""

from __future__ import annotations

import crccheck.crc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.node._checksum import checksum
from hiltest.node._dbc import DbcCodec
from hiltest.simbench.signal_firmware import crc8_j1850

# The message of the introduction to cantools (README, file motohawk.dbc): big-endian signals of 12, 6 and 1 bits.
MOTOHAWK = """VERSION "1.0"
BU_: PCM1 FOO
BO_ 496 ExampleMessage: 8 PCM1
 SG_ Temperature : 0|12@0- (0.01,250) [229.52|270.47] "degK" PCM1,FOO
 SG_ AverageRadius : 6|6@0+ (0.1,0) [0|5] "m" Vector__XXX
 SG_ Enable : 7|1@0+ (1,0) [0|0] "-" Vector__XXX
VAL_ 496 Enable 0 "Disabled" 1 "Enabled" ;
"""


@pytest.fixture(scope="module")
def motohawk(tmp_path_factory: pytest.TempPathFactory) -> DbcCodec:
    file = tmp_path_factory.mktemp("dbc") / "motohawk.dbc"
    file.write_text(MOTOHAWK)
    return DbcCodec(file, "database")


def test_the_worked_example_of_the_library_is_encoded(motohawk: DbcCodec) -> None:
    """250.1 K, 3.2 m, enabled are C0 01 40 00 00 00 00 00, as cantools documents (README, "Example usage")."""
    values = {"Temperature": 250.1, "AverageRadius": 3.2, "Enable": 1.0}
    assert motohawk.encode("ExampleMessage", values) == bytes.fromhex("C001400000000000")


def test_the_worked_example_of_the_library_is_decoded(motohawk: DbcCodec) -> None:
    """C0 06 E0 00 .. are 250.55 K, 3.2 m, enabled (same place)."""
    found = motohawk.decode("ExampleMessage", bytes.fromhex("C006E00000000000"))
    assert found == {"Temperature": pytest.approx(250.55), "AverageRadius": pytest.approx(3.2), "Enable": 1.0}
    assert motohawk.messages["ExampleMessage"].signals["Enable"].name_of(1.0) == "Enabled"


# Check values over the ASCII digits 1 to 9, as the catalogue of parametrised CRC algorithms (RevEng) lists them.
@pytest.mark.parametrize(
    ("kind", "check"), [("crc8_smbus", 0xF4), ("crc8_sae_j1850", 0x4B), ("crc8_autosar", 0xDF)]
)
def test_published_check_values_of_the_crcs(kind: str, check: int) -> None:
    """CRC-8/SMBUS 0xF4, CRC-8/SAE-J1850 0x4B, CRC-8/AUTOSAR 0xDF."""
    assert checksum(kind, b"123456789") == check


@given(data=st.binary(max_size=24))
def test_the_crcs_agree_with_a_library(data: bytes) -> None:
    """crccheck, for any bytes; the simulated firmware's own too."""
    assert checksum("crc8_smbus", data) == crccheck.crc.Crc8Smbus.calc(data)
    assert checksum("crc8_sae_j1850", data) == crccheck.crc.Crc8SaeJ1850.calc(data)
    assert checksum("crc8_autosar", data) == crccheck.crc.Crc8Autosar.calc(data)
    assert crc8_j1850(data) == crccheck.crc.Crc8SaeJ1850.calc(data)


@given(data=st.binary(max_size=24))
def test_the_sums_are_what_they_are_called(data: bytes) -> None:
    """A sum to zero makes the whole sum zero; an exclusive or cancels itself (definitions)."""
    assert (sum(data) - checksum("sum8", data)) % 256 == 0
    assert (sum(data) + checksum("sum8_to_zero", data)) % 256 == 0
    assert checksum("xor8", data + bytes([checksum("xor8", data)])) == 0
