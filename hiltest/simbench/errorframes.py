"""Error frames as a Linux driver makes them from what a controller tells (linux/can/error.h).

Written from the header for the simulated adapter alone; the harness reads such frames with its own code in
`canbus.frame`, and a test holds both against the header's bytes.
"""

from __future__ import annotations

from typing import Final

from hiltest.canbus.frame import Frame
from hiltest.simbench.controller import BusError, State

CLASS_CONTROLLER: Final = 0x004
CLASS_PROTOCOL: Final = 0x008
CLASS_ACK: Final = 0x020
CLASS_BUS_OFF: Final = 0x040
CLASS_BUS_ERROR: Final = 0x080
CLASS_RESTARTED: Final = 0x100
CLASS_COUNTERS: Final = 0x200

_PROTOCOL = {"form": 0x02, "stuff": 0x04, "bit0": 0x08, "bit1": 0x10, "crc": 0x00, "ack": 0x00}
_ON_TX = 0x80
_LOCATIONS = {
    "sof": 0x03,
    "id": 0x02,
    "srr": 0x04,
    "ide": 0x05,
    "id_extension": 0x0F,
    "rtr": 0x0C,
    "r0": 0x09,
    "r1": 0x0D,
    "dlc": 0x0B,
    "data": 0x0A,
    "crc": 0x08,
    "crc_delimiter": 0x18,
    "ack": 0x19,
    "ack_delimiter": 0x1B,
    "eof": 0x1A,
    "intermission": 0x12,
}
_RX_OVERFLOW, _ACTIVE = 0x01, 0x40
_WARNING, _PASSIVE = (0x08, 0x04), (0x20, 0x10)  # (transmit, receive)


def bus_error_frame(error: BusError) -> Frame:
    """A bus error: class, kind, place, direction, counters."""
    error_class = CLASS_PROTOCOL | CLASS_BUS_ERROR | CLASS_COUNTERS
    data = bytearray(8)
    data[2] = _PROTOCOL[error.kind] | (_ON_TX if error.on_tx else 0)
    data[3] = _LOCATIONS.get(error.field, 0)
    if error.kind == "ack":
        error_class |= CLASS_ACK
    elif error.kind == "crc":
        data[3] = _LOCATIONS["crc"]
    data[6], data[7] = min(error.tec, 255), min(error.rec, 255)
    return Frame(error_class, bytes(data), error=True)


def state_frame(state: State, tx: int, rx: int) -> Frame:
    """A change of the controller's state."""
    data = bytearray(8)
    data[6], data[7] = min(tx, 255), min(rx, 255)
    if state == "off":
        return Frame(CLASS_BUS_OFF | CLASS_COUNTERS, bytes(data), error=True)
    if state == "active":
        data[1] = _ACTIVE
    else:
        on_tx, on_rx = _WARNING if state == "warning" else _PASSIVE
        data[1] = on_tx if tx >= rx else on_rx
    return Frame(CLASS_CONTROLLER | CLASS_COUNTERS, bytes(data), error=True)


def overflow_frame() -> Frame:
    """The host was too slow: frames were lost behind this place."""
    return Frame(CLASS_CONTROLLER, bytes((0, _RX_OVERFLOW, 0, 0, 0, 0, 0, 0)), error=True)


def restarted_frame() -> Frame:
    """The controller was restarted after bus-off."""
    return Frame(CLASS_RESTARTED, bytes(8), error=True)
