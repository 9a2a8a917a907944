"""Checksums of messages: sums, exclusive or, and 8-bit CRCs of which the parameters are published.

CRC-8/SMBUS: System Management Bus 3.1; CRC-8/SAE-J1850: SAE J1850; CRC-8/AUTOSAR: AUTOSAR CRC library, polynomial
0x2F. Parameters as the catalogue of parametrised CRC algorithms of the RevEng project lists them.
"""

from __future__ import annotations

from functools import cache, reduce
from operator import xor

# Polynomial, first value, value to exclusive-or at the end.
CRCS = {
    "crc8_smbus": (0x07, 0x00, 0x00),
    "crc8_sae_j1850": (0x1D, 0xFF, 0xFF),
    "crc8_autosar": (0x2F, 0xFF, 0xFF),
}


@cache
def _table(polynomial: int) -> tuple[int, ...]:
    table = []
    for byte in range(256):
        for _ in range(8):
            byte = byte << 1 ^ (polynomial if byte & 0x80 else 0)
        table.append(byte & 0xFF)
    return tuple(table)


def checksum(kind: str, data: bytes) -> int:
    """The checksum of `data`, 0..255. `kind` is one that the description allows."""
    if kind == "sum8":
        return sum(data) & 0xFF
    if kind == "sum8_to_zero":
        return -sum(data) & 0xFF
    if kind == "xor8":
        return reduce(xor, data, 0)
    polynomial, first, last = CRCS[kind]
    table = _table(polynomial)
    return reduce(lambda crc, byte: table[crc ^ byte], data, first) ^ last
