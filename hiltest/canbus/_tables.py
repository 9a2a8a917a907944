"""Byte tables for bit stuffing and the CRCs of CAN, in plain Python.

Stuffing is a machine of 8 states: (run length 1..4, last bit). A fifth equal bit makes a stuff bit of
the other value, which is itself the first of the next run (ISO 11898-1; Bosch, CAN FD 1.0, ch. 5), so
"run of five" is never a state. A row of `STUFFING[state]` maps a byte to (stuff bits, next row)
and holds its state behind them.
The tables are small on purpose: what a processor keeps near is worth more than fewer steps.
"""

from __future__ import annotations

from typing import Any

CRC15_POLYNOMIAL = 0x4599
"""x^15+x^14+x^10+x^8+x^7+x^4+x^3+1 (CAN in Automation, "CRC in CAN frames")."""
CRC17_POLYNOMIAL = 0x1685B
"""x^17+x^16+x^14+x^13+x^11+x^6+x^4+x^3+x+1, for CAN FD frames of up to 16 data bytes."""
CRC21_POLYNOMIAL = 0x102899
"""x^21+x^20+x^13+x^11+x^7+x^4+x^3+1, for CAN FD frames of 20 data bytes and more."""

START_STATE = 0
"""After the start of frame: a run of one dominant bit."""
STATES = 8

Row = list[Any]
"""256 times (stuff bits, next row), then at STATE the state itself."""
STATE = 256


def stuffing_step(state: int, bit: int) -> tuple[int, int]:
    """Feed one bit: (stuff bits inserted after it, next state)."""
    run, last = (state >> 1) + 1, state & 1
    run = run + 1 if bit == last else 1
    if run == 5:
        return 1, bit ^ 1
    return 0, (run - 1) << 1 | bit


def stuffing_transition(state: int, value: int, width: int) -> tuple[int, int]:
    """Feed the `width` low bits of `value`, most significant first: (stuff bits, next state)."""
    count = 0
    for shift in range(width - 1, -1, -1):
        inserted, state = stuffing_step(state, value >> shift & 1)
        count += inserted
    return count, state


def _stuffing_rows() -> list[Row]:
    # Two nibbles at a time: 128 nibble walks instead of 2048 byte walks at import.
    nibble = [[stuffing_transition(state, value, 4) for value in range(16)] for state in range(STATES)]
    rows: list[Row] = [[] for _ in range(STATES)]
    pairs = [[(count, row) for row in rows] for count in range(3)]
    for state, row in enumerate(rows):
        for high, middle in nibble[state]:
            row += [pairs[high + low][last] for low, last in nibble[middle]]
        row.append(state)
    return rows


def crc_table(polynomial: int, width: int) -> list[int]:
    """The byte table of a CRC without reflection and final xor; `width` is 8 or more."""
    top, mask = 1 << (width - 1), (1 << width) - 1
    table = []
    for byte in range(256):
        register = byte << (width - 8)
        for _ in range(8):
            register = (register << 1) ^ polynomial if register & top else register << 1
        table.append(register & mask)
    return table


STUFFING = _stuffing_rows()
CRC15 = crc_table(CRC15_POLYNOMIAL, 15)
CRC17 = crc_table(CRC17_POLYNOMIAL, 17)
CRC21 = crc_table(CRC21_POLYNOMIAL, 21)


def crc15_tables(count: int) -> list[list[int]]:
    """Tables of a byte with 1, 2, .. `count` zero bytes behind it."""
    tables, last = [], CRC15
    for _ in range(count):
        last = [CRC15[value >> 7] ^ (value << 8 & 0x7FFF) for value in last]
        tables.append(last)
    return tables
