"""Emergency messages of CANopen nodes in words (CiA 301): error code, error register, the maker's five bytes.

The codes of CiA 301 are a table of classes (first byte) with some codes of their own. Ours says the same as the tables
that public CANopen stacks carry (see tests/outside/test_emergency_codes.py, which names them).
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

_CODES = {
    0x8110: "CAN overrun, objects were lost",
    0x8120: "CAN controller in error passive mode",
    0x8130: "life guard or heartbeat error: somebody it listens for fell silent",
    0x8140: "recovered from bus-off",
    0x8150: "CAN identifier collision",
    0x8210: "PDO not processed, it was too short",
    0x8220: "PDO longer than its mapping",
    0x8230: "multiplexed PDO not processed, no such object",
    0x8240: "SYNC with an unexpected length",
    0x8250: "expected PDO did not come in time",
}
_CLASSES = {
    0x00: "error gone, or no error",
    0x10: "generic error",
    0x20: "current",
    0x21: "current, input side",
    0x22: "current inside the device",
    0x23: "current, output side",
    0x30: "voltage",
    0x31: "voltage, mains or supply",
    0x32: "voltage inside the device",
    0x33: "voltage, output",
    0x40: "temperature",
    0x41: "temperature, ambient",
    0x42: "temperature, device",
    0x50: "device hardware",
    0x60: "device software",
    0x61: "device software, internal",
    0x62: "device software, user's",
    0x63: "device software, data set",
    0x70: "additional modules",
    0x80: "monitoring",
    0x81: "monitoring, communication",
    0x82: "monitoring, protocol",
    0x90: "external error",
    0xF0: "additional functions",
    0xFF: "device specific",
}
REGISTER_BITS = (
    "generic",
    "current",
    "voltage",
    "temperature",
    "communication",
    "device profile",
    "reserved",
    "maker's",
)
"""Bits of the error register 0x1001, from bit 0 on (CiA 301)."""


def meaning(code: int) -> str:
    """What an emergency error code stands for; a code that has no text of its own is told by its class.

    A class that CiA 301 does not list (like 0x71) is told by the one above it (0x70).
    """
    text = _CODES.get(code & 0xFFF0) or _CLASSES.get(code >> 8) or _CLASSES.get(code >> 8 & 0xF0)
    return text or "a class that CiA 301 does not list"


def register_text(register: int) -> str:
    """The bits of an error register by name; "none" if no bit is set."""
    names = [name for bit, name in enumerate(REGISTER_BITS) if register >> bit & 1]
    return ", ".join(names) or "none"


@dataclass(frozen=True, slots=True)
class Emergency:
    """An emergency message: error code, error register and five bytes that the maker defines."""

    code: int
    register: int
    data: bytes
    t_ns: int

    @property
    def is_clear(self) -> bool:
        """True if it says that an error has gone."""
        return self.code >> 8 == 0

    def __str__(self) -> str:
        text = f"0x{self.code:04X} ({meaning(self.code)}), register 0x{self.register:02X} ({register_text(self.register)})"
        return f"{text}, maker's bytes {self.data.hex(' ').upper()}" if any(self.data) else text


def decode_emergency(data: bytes, t_ns: int) -> Emergency | None:
    """The emergency in the data of a frame, or None if it has fewer than three bytes."""
    if len(data) < 3:
        return None
    code, register = struct.unpack_from("<HB", data)
    return Emergency(code, register, bytes(data[3:]), t_ns)
