"""Emergency error codes and register bits against public tables.

Sources: the table `cia302-error-codes.h` of the open stack openCANopen (marel-keytech) and the constants of
`CO_Emergency.h` of CANopenNode, which both carry those of CiA 301; the classes again in the `canopen` package's
emcy.py. Register bits: an object listing of 0x1001 as vendors print it. The words are ours, so what is compared is a
word that both must have.
"""

from __future__ import annotations

import pytest
from canopen.emcy import EmcyError

from hiltest.node.emergencies import Emergency, decode_emergency, meaning, register_text

# code, a word of the published text
PUBLISHED = [
    (0x0000, "no error"),
    (0x1000, "generic"),
    (0x2000, "current"),
    (0x2100, "input"),
    (0x2200, "inside"),
    (0x2300, "output"),
    (0x3000, "voltage"),
    (0x3100, "mains"),
    (0x3200, "inside"),
    (0x3300, "output"),
    (0x4000, "temperature"),
    (0x4100, "ambient"),
    (0x4200, "device"),
    (0x5000, "hardware"),
    (0x6000, "software"),
    (0x6100, "internal"),
    (0x6200, "user"),
    (0x6300, "data set"),
    (0x7000, "additional modules"),
    (0x8000, "monitoring"),
    (0x8100, "communication"),
    (0x8110, "overrun"),
    (0x8120, "error passive"),
    (0x8130, "heartbeat"),
    (0x8140, "bus-off"),
    (0x8150, "collision"),
    (0x8200, "protocol"),
    (0x8210, "not processed"),
    (0x8211, "not processed"),
    (0x8220, "longer"),
    (0x8230, "multiplexed"),
    (0x8240, "SYNC"),
    (0x8250, "in time"),
    (0x9000, "external"),
    (0xF000, "additional functions"),
    (0xFF00, "device specific"),
]


@pytest.mark.parametrize(("code", "word"), PUBLISHED, ids=[f"{code:04X}" for code, _ in PUBLISHED])
def test_codes_mean_what_is_published(code: int, word: str) -> None:
    """Each code of the published tables is told by its own words."""
    assert word.lower() in meaning(code).lower()


def test_classes_agree_with_the_canopen_package() -> None:
    """Wherever the package has a description, ours has one of its words; ours also knows the classes that it lacks."""
    for code in range(0, 0x10000, 0x10):
        theirs = EmcyError(code, 0, b"", 0.0).get_desc()
        if theirs in ("", "Error Reset / No Error", "Additional Functions"):
            continue  # the package takes 0xFF and 0xF1 for additional functions
        words = {word.lower().strip("s") for word in theirs.split()}
        ours = {word.strip(",:'s").lower() for word in meaning(code).split()}
        assert words & ours or code in (0x8110, 0x8120, 0x8130, 0x8140, 0x8150) or 0x8210 <= code < 0x8260, (
            f"{code:04X}: {theirs}, {meaning(code)}"
        )


@pytest.mark.parametrize(
    ("bit", "name"),
    list(enumerate(("generic", "current", "voltage", "temperature", "communication", "profile"))),
)
def test_register_bits(bit: int, name: str) -> None:
    """Bit 0 generic, 1 current, 2 voltage, 3 temperature, 4 communication, 5 profile; 7 is the maker's."""
    assert name in register_text(1 << bit)
    assert "maker" in register_text(0x80)
    assert register_text(0) == "none"


def test_a_whole_message_in_words() -> None:
    """Code, register and the maker's bytes all stand in it."""
    found = decode_emergency(bytes.fromhex("30 50 09 01 02 00 00 00"), 5)
    assert found == Emergency(0x5030, 0x09, b"\1\2\0\0\0", 5)
    assert str(found) == (
        "0x5030 (device hardware), register 0x09 (generic, temperature), maker's bytes 01 02 00 00 00"
    )
    assert not found.is_clear
    assert Emergency(0x0000, 0, b"", 0).is_clear


@pytest.mark.parametrize("code", [0x7121, 0xA000, 0xB123])
def test_codes_that_nobody_lists_do_not_pass_for_others(code: int) -> None:
    """A drive's 0x7121 is told by its class; a class that does not exist is told as such."""
    assert ("additional modules" in meaning(code)) == (code >> 12 == 7)
    assert ("does not list" in meaning(code)) == (code >> 12 != 7)
