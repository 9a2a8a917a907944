"""An adapter whose transmit queue takes no more: what that means depends on the state of its controller.

A controller that sends without being acknowledged becomes error-passive within 16 attempts, at 8 an attempt, and stays
there (ISO 11898-1, error counters: an acknowledge error of an error-passive transmitter counts no further); one whose
own bits come back wrong goes bus-off and takes nothing from its queue. One that is not error-passive with a full queue,
also while its counter falls through the warning range, does send, slower than frames are handed over, or was never set
running.
"""

from __future__ import annotations

from hiltest.errors import BenchError

NOBODY = (
    "nobody acknowledges: measure the supply at the node's plug, and H to L with the power off (60 ohm); compare the bit "
    "rates of node and adapter"
)
CROSSED = "H and L cut or exchanged on the way: with the power off each wire from end to end"
OFF = (
    "bus-off: H and L touch each other, ground or the supply, or the bit rates differ: with the power off H to L must "
    "read 60 ohm, at rest H and L each about 2.5 V to ground"
)
PACED = (
    "the queue is short or the bus is busy: look at the queue's length (`ip -details link show`: qlen) and at the "
    "utilisation (bus.load)"
)
STOPPED = "the adapter's controller does not run: it was left stopped or listening only; open it again or plug it in anew"
_NOT_PASSIVE = (
    "its controller is not error-passive, so it is not for want of an acknowledgement: frames leave it slower than they "
    "are handed over, or not at all"
)
BY_STATE: dict[str, tuple[str, tuple[str, ...]]] = {
    "off": ("its controller is bus-off, so nothing is taken from the queue", (OFF,)),
    "passive": ("its controller is error-passive: nobody acknowledges what it sends", (NOBODY, CROSSED)),
    "warning": (_NOT_PASSIVE, (PACED, STOPPED)),
    "active": (_NOT_PASSIVE, (PACED, STOPPED)),
}
UNKNOWN = (
    "and the adapter does not tell the state of its controller, so why is open",
    (NOBODY, CROSSED, OFF, STOPPED, PACED),
)


class QueueFull(BenchError):
    """The adapter takes no more frames. `state` is that of its controller, as `Port.state` tells it."""

    def __init__(self, bus: str, state: str = "unknown") -> None:
        self.bus, self.state = bus, state
        why, self.look_first = BY_STATE.get(state, UNKNOWN)
        super().__init__(f"the transmit queue of the adapter on bus {bus!r} is full; {why}")
