"""Fault confinement: the error counters of a CAN controller and the states they lead to.

Rules 1 to 12 of Bosch, "CAN with Flexible Data-Rate" 1.0 (2012), chapter 7, which are those of
ISO 11898-1. `RULES` holds them as data; `ErrorCounters` applies them.
"""

from __future__ import annotations

from typing import NamedTuple

WARNING_LIMIT = 96
"""A heavily disturbed bus: above about 96 (Bosch, chapter 7, note); controllers report it at 96."""
PASSIVE_LIMIT = 128
BUS_OFF_LIMIT = 256
RX_COUNT_AFTER_PASSIVE = 127
"""A good reception above 127 sets a value between 119 and 127: ours is the slowest way back."""
RX_COUNT_MAX = 255
"""Common practice, no source: receive error counters are registers of 8 bits."""

RECOVERY_SEQUENCES = 128
RECESSIVE_SEQUENCE_BITS = 11
RECOVERY_BITS = RECOVERY_SEQUENCES * RECESSIVE_SEQUENCE_BITS
"""Bits of an idle bus that bring a bus-off controller back: 1408."""


class Rule(NamedTuple):
    """What one event does to the counters. `method` is the method of `ErrorCounters` for it."""

    number: str
    event: str
    tx_change: int
    rx_change: int
    method: str


RULES = (
    Rule("1", "a receiver detects an error", 0, 1, "rx_error"),
    Rule("2", "dominant as the first bit after the own error flag, receiver", 0, 8, "rx_error_first_dominant"),
    Rule("3", "a transmitter sends an error flag", 8, 0, "tx_error"),
    Rule("3, exception 1", "acknowledge error of a passive transmitter, no dominant in its flag", 0, 0, "tx_ack_error"),
    Rule("3, exception 2", "stuff error in arbitration, sent recessive, seen dominant", 0, 0, "tx_arbitration_stuff_error"),
    Rule("4", "bit error while a transmitter sends an active error or overload flag", 8, 0, "tx_flag_error"),
    Rule("5", "bit error while a receiver sends an active error or overload flag", 0, 8, "rx_flag_error"),
    Rule("6", "too many dominant bits after a flag, transmitter, each 8", 8, 0, "tx_dominant_after_flag"),
    Rule("6", "too many dominant bits after a flag, receiver, each 8", 0, 8, "rx_dominant_after_flag"),
    Rule("7", "successful transmission", -1, 0, "tx_ok"),
    Rule("8", "successful reception", 0, -1, "rx_ok"),
)  # fmt: skip
"""Rules 9 to 12 are the states: see `ErrorCounters.state`."""


class ErrorCounters:
    """Transmit and receive error counters of one controller.

    `state` is active, warning, passive or off; warning is still error active. It is kept up to date by
    every method, so that reading it costs nothing. In state off no event counts until the controller has
    seen 128 times 11 recessive bits (`saw_recessive_sequences`) or is restarted (`reset`).

    The error that makes a controller passive still sends an active flag: ask `state` before the event.
    """

    __slots__ = ("_sequences", "rx", "state", "tx")

    def __init__(self, tx: int = 0, rx: int = 0) -> None:
        self.tx = tx
        self.rx = rx
        self._sequences = 0
        self.state = "active"
        self._judge()

    def __repr__(self) -> str:
        return f"<ErrorCounters tx {self.tx} rx {self.rx}, {self.state}>"

    def _judge(self) -> None:
        tx, rx = self.tx, self.rx
        if tx >= BUS_OFF_LIMIT:
            self.state = "off"
            self._sequences = 0
        elif tx >= PASSIVE_LIMIT or rx >= PASSIVE_LIMIT:
            self.state = "passive"
        elif tx >= WARNING_LIMIT or rx >= WARNING_LIMIT:
            self.state = "warning"
        else:
            self.state = "active"

    def _add(self, tx: int, rx: int) -> None:
        if self.state == "off":
            return
        self.tx += tx
        self.rx = min(self.rx + rx, RX_COUNT_MAX)
        self._judge()

    def rx_error(self) -> None:
        """Rule 1: a receiver detected an error (not a bit error in its own active flag)."""
        self._add(0, 1)

    def rx_error_first_dominant(self) -> None:
        """Rule 2: a receiver saw a dominant bit right after its error flag. Comes on top of rule 1."""
        self._add(0, 8)

    def tx_error(self) -> None:
        """Rule 3: a transmitter sent an error flag."""
        self._add(8, 0)

    def tx_ack_error(self, dominant_in_passive_flag: bool = False) -> None:
        """Rule 3 and its first exception: nobody acknowledged.

        A passive transmitter that sees no dominant bit while it sends its passive flag does not count: a
        lone node so stays passive for ever and never goes off.
        """
        if self.state == "passive" and not dominant_in_passive_flag:
            return
        self._add(8, 0)

    def tx_arbitration_stuff_error(self) -> None:
        """Rule 3, second exception: a stuff bit of the arbitration field, sent recessive and seen dominant,
        counts nothing.
        """

    def tx_flag_error(self) -> None:
        """Rule 4: a transmitter saw a bit error in its active error or overload flag."""
        self._add(8, 0)

    def rx_flag_error(self) -> None:
        """Rule 5: a receiver saw a bit error in its active error or overload flag."""
        self._add(0, 8)

    def tx_dominant_after_flag(self) -> None:
        """Rule 6: the 14th dominant bit after an active flag began (8th after a passive one), and each
        further 8.
        """
        self._add(8, 0)

    def rx_dominant_after_flag(self) -> None:
        """Rule 6 for a receiver."""
        self._add(0, 8)

    def tx_ok(self) -> None:
        """Rule 7: a frame was sent and acknowledged."""
        if self.tx and self.state != "off":
            self.tx -= 1
            if self.state != "active":
                self._judge()

    def rx_ok(self) -> None:
        """Rule 8: a frame was received without error up to the acknowledge slot, and acknowledged."""
        if self.rx and self.state != "off":
            self.rx = self.rx - 1 if self.rx < PASSIVE_LIMIT else RX_COUNT_AFTER_PASSIVE
            if self.state != "active":
                self._judge()

    def saw_recessive_sequences(self, count: int = 1) -> bool:
        """Rule 12: a controller in state off saw `count` times 11 recessive bits in a row.

        Returns True when these were the last of the 128 and the controller is active again.
        """
        if self.state != "off":
            return False
        self._sequences += count
        if self._sequences < RECOVERY_SEQUENCES:
            return False
        self.reset()
        return True

    @property
    def recovery_bits_left(self) -> int:
        """Bits of an idle bus until a controller in state off is back; 0 in any other state."""
        if self.state != "off":
            return 0
        return (RECOVERY_SEQUENCES - self._sequences) * RECESSIVE_SEQUENCE_BITS

    def reset(self) -> None:
        """Both counters 0, state active: after recovery, or when the host restarts the controller."""
        self.tx = self.rx = self._sequences = 0
        self.state = "active"
