"""How a CAN controller turns bits into frames and errors, one bit at a time (ISO 11898-1).

A `Station` is a controller during a `Walk`: it is given the level that it samples in each of its own bit
times and says what it sends in the next one. It knows nothing of time, other stations or the line.
Error confinement follows the twelve rules of the Bosch CAN specification, chapter "fault confinement".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from hiltest.canbus.bitstream import BitString
from hiltest.canbus.frame import Frame
from hiltest.simbench.fdstation import FdReader

DOMINANT, RECESSIVE = 0, 1

FLAG_BITS = 6
DELIMITER_BITS = 8
INTERMISSION_BITS = 3
SUSPEND_BITS = 8
INTEGRATION_BITS = 11
EOF_BITS = 7

_CRC15 = 0x4599
_IDE_AT, _STANDARD_FDF_AT, _EXTENDED_FDF_AT = 14, 15, 34
_STANDARD_HEADER, _EXTENDED_HEADER = 19, 39


class Happening(NamedTuple):
    """What a station did or noticed: `what` is "sent", "received", "error", "count", "lost" or "dropped"."""

    what: str
    frame: Frame | None = None
    kind: str = ""
    field: str = ""
    bit: int = -1
    on_tx: bool = False
    tec: int = 0
    rec: int = 0
    """Steps of the counters (not their values)."""


class Station:
    """The bit-by-bit part of one controller.

    After each `on_bit(level)`, `next_out` is what it sends in its next bit. `tell` is given each
    `Happening` at once.
    """

    __slots__ = (
        "_at", "_bits", "_crc", "_done", "_fast_end", "_last", "_n", "_next_mark", "_overloading", "_reader", "_region",
        "_run", "_sending", "_tail", "_unanswered", "_was_sender", "_word", "bits", "fast", "fd", "listen_only",
        "next_out", "on_bit", "one_shot", "rec", "self_ack", "state", "tec", "tell",
    )  # fmt: skip

    def __init__(self, tell: Callable[[Happening], None], *, tec: int, rec: int) -> None:
        self.tell = tell
        self.tec, self.rec = tec, rec
        self.listen_only = self.self_ack = self.one_shot = self.fd = False
        self.fast = False
        """Do the next bits run at the data bit rate of a CAN FD frame?"""
        self._reader: FdReader | None = None
        self._fast_end = 0
        self.bits: BitString | None = None
        """The frame that this station wants to send, if any."""
        self.next_out = RECESSIVE
        self._bits = b""
        self._sending = self._was_sender = self._overloading = self._unanswered = False
        self._at = self._n = self._run = self._last = self._word = self._crc = 0
        self._region = self._next_mark = self._tail = self._done = 0
        self.state = "idle"
        self.on_bit: Callable[[int], None] = self._idle

    # --- where it may start -------------------------------------------------------------------------

    def start_sending(self) -> None:
        """Send the start of frame in the next bit."""
        assert self.bits is not None
        self._become_sender(0)

    def start_waiting(self, bits_to_idle: int, *, integrating: bool) -> None:
        """Be in an error delimiter, an intermission or a passive flag that is `bits_to_idle` from idle."""
        left = bits_to_idle
        if integrating:
            self._enter("integrating", self._integrate, max(0, INTEGRATION_BITS - left))
        elif left <= INTERMISSION_BITS:
            self._enter("intermission", self._intermission, INTERMISSION_BITS - left)
        elif left <= INTERMISSION_BITS + DELIMITER_BITS:
            self._enter("delimiter", self._delimiter, INTERMISSION_BITS + DELIMITER_BITS - left)
        else:
            self._enter("passive flag", self._passive_flag, 0)
            self._run = max(0, INTERMISSION_BITS + DELIMITER_BITS + FLAG_BITS - left)
            self._last = RECESSIVE

    def start_off(self) -> None:
        """Be in bus-off: deaf."""
        self._enter("off", self._deaf, 0)

    @property
    def passive(self) -> bool:
        """Error passive, by its counters."""
        return self.tec >= 128 or self.rec >= 128

    @property
    def resting(self) -> bool:
        """True while nothing of its own keeps the wire from becoming idle."""
        return self.state in _RESTING

    @property
    def bits_to_idle(self) -> int:
        """Recessive bits that it still waits for before it takes part again, if it is resting."""
        left = 0
        if self.state == "intermission":
            left = INTERMISSION_BITS - self._done
        elif self.state == "delimiter":
            left = INTERMISSION_BITS + DELIMITER_BITS - self._done
        elif self.state == "passive flag":
            left = INTERMISSION_BITS + DELIMITER_BITS + FLAG_BITS - self._run
        elif self.state == "integrating":
            left = INTEGRATION_BITS - self._done
        return left

    @property
    def suspend_left(self) -> int:
        """Bits that it must let pass before it may send, though the wire is free."""
        return SUSPEND_BITS - self._done if self.state == "suspended" else 0

    @property
    def hard_sync(self) -> bool:
        """True while an edge starts the bit time anew instead of moving it (ISO 11898-1)."""
        state = self.state
        return state in ("idle", "suspended", "integrating") or (state == "intermission" and self._done >= 1)

    # --- between frames ----------------------------------------------------------------------------

    def _enter(self, state: str, handler: Callable[[int], None], done: int = 0) -> None:
        self.state, self.on_bit, self._done = state, handler, done

    def _become_idle(self) -> None:
        self._was_sender = self._sending = False
        self._enter("idle", self._idle)

    def _idle(self, level: int) -> None:
        if level == DOMINANT:
            self._start_of_frame()

    def _start_of_frame(self) -> None:
        """Somebody sent a start of frame: take it for the own one if a frame waits."""
        self._was_sender = False
        if self.bits is not None:
            self._become_sender(1)
        else:
            self._become_receiver()
            self._receive(DOMINANT)

    def _intermission(self, level: int) -> None:
        self._done += 1
        if level == DOMINANT:
            if self._done < INTERMISSION_BITS:
                self._overload()
            else:
                self._start_of_frame()
        elif self._done == INTERMISSION_BITS:
            if self._was_sender and self.passive:
                self._was_sender = False
                self._enter("suspended", self._suspended)
            else:
                self._become_idle()

    def _suspended(self, level: int) -> None:
        self._done += 1
        if level == DOMINANT:
            self._become_receiver()
            self._receive(DOMINANT)
        elif self._done == SUSPEND_BITS:
            self._become_idle()

    def _integrate(self, level: int) -> None:
        self._done = self._done + 1 if level == RECESSIVE else 0
        if self._done >= INTEGRATION_BITS:
            self._become_idle()

    def _deaf(self, level: int) -> None:
        pass

    # --- sending -----------------------------------------------------------------------------------

    def _become_sender(self, at: int) -> None:
        assert self.bits is not None
        self._bits, self._fast_end = self.bits.bits, self.bits.fast_end
        self._sending, self._at = True, at
        self.next_out = self._bits[at]
        self._enter("sending", self._send)

    def _send(self, level: int) -> None:
        at, sent = self._at, self._bits[self._at]
        if level == sent:
            if at + 10 - 1 == len(self._bits) and not self.self_ack:  # its slot stayed recessive
                self._fail("ack")
                return
        elif at + 9 != len(self._bits):
            self._sees_other(at, sent)
            return
        self._at = at = at + 1
        if self._fast_end:
            self.fast = self.bits is not None and self.bits.fast_start <= at < self._fast_end
        if at < len(self._bits):
            self.next_out = self._bits[at]
        else:
            self._has_sent()

    def _sees_other(self, at: int, sent: int) -> None:
        """The level differs from what was sent, and this is not the acknowledge slot."""
        assert self.bits is not None
        if sent == DOMINANT:
            self._fail("bit0")
        elif 0 < at < self.bits.arbitration_end:
            if at in self.bits.stuff_positions:
                self._fail("stuff", counted=False)
            else:
                self._lose_arbitration(at)
        else:
            self._fail("form" if at >= len(self._bits) - 10 else "bit1")

    def _lose_arbitration(self, at: int) -> None:
        self.tell(Happening("lost", bit=at))
        self._give_up()
        sent = self._bits[:at]
        self._become_receiver()
        for level in sent:
            self._receive(level)
        self._receive(DOMINANT)

    def _give_up(self) -> None:
        """In one-shot mode there is no second try."""
        if self.one_shot and self.bits is not None:
            self.tell(Happening("dropped", self.bits.frame))
            self.bits = None

    def _has_sent(self) -> None:
        self.tec = max(0, self.tec - 1)
        assert self.bits is not None
        self.tell(Happening("sent", self.bits.frame))
        self.bits = None
        self._sending, self._was_sender = False, True
        self.next_out = RECESSIVE
        self._enter("intermission", self._intermission)

    # --- receiving ---------------------------------------------------------------------------------

    def _become_receiver(self) -> None:
        self._sending = self._was_sender = False
        self._n = self._run = self._word = self._crc = self._at = self._tail = self._region = 0
        self._last, self._reader, self.fast = RECESSIVE, None, False
        self._next_mark = _IDE_AT
        self.next_out = RECESSIVE
        self._enter("receiving", self._receive)

    def _receive(self, level: int) -> None:
        """A bit of the stuffed part: start of frame to the end of the CRC sequence."""
        self._at += 1
        if self._run == 5:
            if level == self._last:
                self._fail("stuff")
                return
            self._last, self._run = level, 1
        else:
            if level == self._last:
                self._run += 1
            else:
                self._last, self._run = level, 1
            self._n = n = self._n + 1
            self._word = self._word << 1 | level
            crc = self._crc
            self._crc = (crc << 1 ^ (_CRC15 if crc >> 14 ^ level else 0)) & 0x7FFF
            if n == self._next_mark:
                self._header(level)
                if self.on_bit != self._receive:
                    return
        if self._n == self._region and self._run < 5:
            self.on_bit = self._receive_tail

    def _header(self, level: int) -> None:
        n = self._n
        if n == _IDE_AT:
            self._next_mark = _EXTENDED_FDF_AT if level else _STANDARD_FDF_AT
        elif n in (_STANDARD_FDF_AT, _EXTENDED_FDF_AT):
            if level and self.fd:
                self._become_fd_reader()
                return
            if level:
                # A CAN FD frame: bits follow that a classic controller can't make sense of.
                self._fail("form")
                return
            self._next_mark = _STANDARD_HEADER if n == _STANDARD_FDF_AT else _EXTENDED_HEADER
        else:
            remote = self._word >> 6 & 1
            size = 0 if remote else min(self._word & 0xF, 8)
            self._region = n + 8 * size + 15

    def _become_fd_reader(self) -> None:
        plain = [self._word >> shift & 1 for shift in range(self._n - 1, -1, -1)]
        self._reader = FdReader(plain, self._last, self._run)
        self.on_bit = self._receive_fd

    def _receive_fd(self, level: int) -> None:
        """A bit of a CAN FD frame, from behind FDF to the end of the CRC sequence."""
        reader = self._reader
        assert reader is not None
        self._at += 1
        happened = reader.take(level)
        self.fast = reader.fast
        if happened == "end":
            self._crc = 0 if reader.crc_ok else 1
            self.on_bit = self._receive_tail
        elif happened:
            self._fail(happened)

    def _receive_tail(self, level: int) -> None:
        """CRC delimiter, acknowledge slot and delimiter, end of frame."""
        self._at += 1
        self._tail = place = self._tail + 1
        if place == 1:
            self.fast = False
            if level == DOMINANT:
                self._fail("form")
            elif self._crc == 0 and not self.listen_only:
                self.next_out = DOMINANT
        elif place == 2:
            self.next_out = RECESSIVE
        elif place == 3:
            if level == DOMINANT:
                self._fail("form")
            elif self._crc:
                self._fail("crc")
        elif place < 3 + EOF_BITS:
            if level == DOMINANT:
                self._fail("form")
            elif place == 2 + EOF_BITS:  # a receiver takes the frame at the last but one bit
                self._has_received()
        elif level == DOMINANT:
            self._overload()
        else:
            self._enter("intermission", self._intermission)

    def _has_received(self) -> None:
        if not self.listen_only:
            self.rec = 127 if self.rec > 127 else max(0, self.rec - 1)
        self.tell(Happening("received", self._frame()))

    def _frame(self) -> Frame:
        if self._reader is not None and self._reader.frame is not None:
            return self._reader.frame
        word, n = self._word >> 15, self._n - 15
        extended = n > 38 and bool(word >> (n - _IDE_AT) & 1)
        header = _EXTENDED_HEADER if extended else _STANDARD_HEADER
        payload = n - header
        head = word >> payload
        dlc, remote = min(head & 0xF, 8), bool(head >> 6 & 1)
        data = (word & ((1 << payload) - 1)).to_bytes(payload // 8, "big")
        can_id = head >> 7 & 0x7FF
        if extended:
            can_id = (head >> 27 & 0x7FF) << 18 | head >> 7 & 0x3FFFF
        return Frame(can_id, data, extended, remote, remote_dlc=dlc if remote else 0)

    # --- errors ------------------------------------------------------------------------------------

    def _fail(self, kind: str, *, counted: bool = True) -> None:
        """An error was seen: count it and send an error flag from the next bit on."""
        on_tx, field, bit = (
            self._sending or (self._was_sender and self.state in _AFTER),
            self._field(),
            self._place(),
        )
        passive = self.passive
        tec = rec = 0
        if not self.listen_only:
            if on_tx:
                # An error passive sender that nobody acknowledges does not count it, unless somebody
                # answers its flag (see _passive_flag).
                tec = 8 if counted and not (kind == "ack" and passive) else 0
            else:
                rec = 1
        self._count(tec, rec)
        self.tell(Happening("error", None, kind, field, bit, on_tx, tec, rec))
        if self._sending:
            self._give_up()
        self._was_sender, self._sending, self.fast = on_tx, False, False
        if self.tec >= 256:
            self._go_off()
        elif passive or self.listen_only:
            self._start_passive_flag(unanswered=kind == "ack")
        else:
            self._start_active_flag()

    def _count(self, tec: int, rec: int) -> None:
        self.tec += tec
        self.rec = min(self.rec + rec, 255)

    def _also(self, tec_or_rec: int) -> None:
        """One more step of the counter, on account of what follows an error."""
        if self.listen_only:
            return
        tec, rec = (tec_or_rec, 0) if self._was_sender else (0, tec_or_rec)
        self._count(tec, rec)
        self.tell(Happening("count", tec=tec, rec=rec, on_tx=self._was_sender))
        if self.tec >= 256:
            self._go_off()

    def _go_off(self) -> None:
        self.bits = None
        self.next_out = RECESSIVE
        self.start_off()

    def _start_active_flag(self, *, overload: bool = False) -> None:
        self._overloading = overload
        self.next_out = DOMINANT
        self._enter("active flag", self._active_flag)

    def _overload(self) -> None:
        """Somebody is not ready, or sees another end of frame: two overload frames may follow in a row."""
        if self.listen_only:
            self._start_passive_flag()
            return
        self._start_active_flag(overload=True)

    def _active_flag(self, level: int) -> None:
        if level == RECESSIVE:
            self._also(8)
            if self.state == "off":
                return
            self.tell(Happening("error", None, "bit0", "error flag", -1, self._was_sender))
            if self.passive:
                self._start_passive_flag()
            else:
                self._start_active_flag()
            return
        self._done += 1
        if self._done == FLAG_BITS:
            self.next_out = RECESSIVE
            self._enter("after flag", self._after_flag)

    def _start_passive_flag(self, *, unanswered: bool = False) -> None:
        self.next_out = RECESSIVE
        self._overloading, self._unanswered = False, unanswered
        self._run, self._last = 0, -1
        self._enter("passive flag", self._passive_flag)

    def _passive_flag(self, level: int) -> None:
        """Six equal bits, of either kind, end it."""
        if level == DOMINANT and self._unanswered:
            self._unanswered = False
            self._also(8)
            if self.state == "off":
                return
        self._run = self._run + 1 if level == self._last else 1
        self._last = level
        if self._run == FLAG_BITS:
            self._enter("after flag", self._after_flag)

    def _after_flag(self, level: int) -> None:
        """Wait for the first recessive bit, which is the first of the delimiter."""
        if level == RECESSIVE:
            self._enter("delimiter", self._delimiter, 1)
            return
        self._done += 1
        if self._done == 1 and not self._was_sender and not self._overloading:
            self._also(8)  # the other stations still send flags: this one's was first
        elif self._done % 8 == 0:
            self._also(8)

    def _delimiter(self, level: int) -> None:
        self._done += 1
        if level == DOMINANT:
            if self._done < DELIMITER_BITS:
                self._fail("form")
            else:
                self._overload()
        elif self._done == DELIMITER_BITS:
            self._enter("intermission", self._intermission)

    # --- words for an error ------------------------------------------------------------------------

    def _place(self) -> int:
        if self.state == "sending":
            return self._at
        return self._at - 1 if self.state == "receiving" else -1

    def _field(self) -> str:
        if self.state == "sending":
            assert self.bits is not None
            return self.bits.field_at(self._at)
        if self.state == "receiving":
            return self._receiving_field()
        return {"delimiter": "delimiter", "intermission": "intermission"}.get(self.state, "error flag")

    def _receiving_field(self) -> str:
        if self._tail:
            return ("crc_delimiter", "ack", "ack_delimiter", "eof")[min(self._tail, 4) - 1]
        if self._reader is not None:
            return "crc" if self._reader.in_crc else "data"
        n = self._n
        extended = self._next_mark in (_EXTENDED_FDF_AT, _EXTENDED_HEADER)
        header = _EXTENDED_LAYOUT if extended else _STANDARD_LAYOUT
        for end, name in header:
            if n <= end:
                return name
        return "crc" if self._region and n > self._region - 15 else "data"


_RESTING = frozenset({"idle", "intermission", "suspended", "integrating", "delimiter", "passive flag", "off"})
_AFTER = frozenset({"active flag", "passive flag", "after flag", "delimiter"})

_STANDARD_LAYOUT = ((1, "sof"), (12, "id"), (13, "rtr"), (14, "ide"), (15, "r0"), (19, "dlc"))
_EXTENDED_LAYOUT = (
    (1, "sof"),
    (12, "id"),
    (13, "srr"),
    (14, "ide"),
    (32, "id_extension"),
    (33, "rtr"),
    (34, "r1"),
    (35, "r0"),
    (39, "dlc"),
)
