"""Which messages and signals a DBC file lists: enough to tell a role that leads nowhere.

Layouts, scaling and value tables are the driver's business. Only the lines BO_ and SG_ are read, and of the attributes the
cycle times of messages.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from pathlib import Path

from hiltest.description.bounded import dbc_text

_MESSAGE = re.compile(r"^\s*BO_\s+(\d{1,10})\s+(\w{1,128})\s*:\s*(\d{1,4})\s+(\w{1,128})")
_SIGNAL = re.compile(r"^\s*SG_\s+(\w{1,128})(?:\s+(?:M|m\d{1,6}M?))?\s*:\s")
_CYCLE = re.compile(r'^\s*BA_\s+"GenMsgCycleTime"\s+BO_\s+(\d{1,10})\s+(\d{1,12})\b')
_ANY_CYCLE = re.compile(r'^\s*BA_DEF_DEF_\s+"GenMsgCycleTime"\s+(\d{1,12})\b')
"""The attribute that the trade's tools write cycle times in ms into (common practice, no source)."""

CLASSIC_BYTES_MAX = 8
"""What a classic frame carries (ISO 11898-1); longer messages are CAN FD."""
EXTENDED_BIT = 0x8000_0000
NOT_SENT = 0xC000_0000
"""The identifier of the message that holds signals which no message carries."""


@dataclass(slots=True)
class ListedMessage:
    """One message: identifier (29 bits if `extended`), length in bytes, names of its signals, period (0: none is given)."""

    can_id: int
    extended: bool
    length_bytes: int
    signals: set[str] = field(default_factory=set)
    cycle_ms: int = 0


def read_messages(file: Path) -> dict[str, ListedMessage]:
    """Read the list of messages by name.

    Raises:
        OSError, ValueError: it can't be read, asks for too much, or lists no message.
    """
    found: dict[str, ListedMessage] = {}
    cycles, any_cycle = dict[int, int](), 0
    current: ListedMessage | None = None
    for line in dbc_text(file).split("\n"):
        if match := _MESSAGE.match(line):
            number = int(match[1])
            current = ListedMessage(number & 0x1FFF_FFFF, bool(number & EXTENDED_BIT), int(match[3]))
            if number != NOT_SENT:
                found[match[2]] = current
        elif current is not None and (match := _SIGNAL.match(line)):
            current.signals.add(match[1])
        elif match := _CYCLE.match(line):
            cycles[int(match[1])] = int(match[2])
        elif match := _ANY_CYCLE.match(line):
            any_cycle = int(match[1])
    if not found:
        raise ValueError("it lists no message (no line BO_)")
    for each in found.values():
        number = each.can_id | (EXTENDED_BIT if each.extended else 0)
        each.cycle_ms = cycles.get(number, any_cycle)
    return found
