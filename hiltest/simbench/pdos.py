"""Process data of a simulated node: mapping, event timers, SYNC, received PDOs (CiA 301)."""

from __future__ import annotations

import struct
from collections.abc import Callable
from contextlib import suppress

from hiltest.simbench import objects
from hiltest.simbench.events import EventQueue, Repeating
from hiltest.simbench.objects import Dictionary, SdoAbort, Value

OFF = 0x8000_0000
RPDO_COMMUNICATION, RPDO_MAPPING = 0x1400, 0x1600
TPDO_COMMUNICATION, TPDO_MAPPING = 0x1800, 0x1A00
MAPPED_MAX = 8
TOO_SHORT_EMERGENCY = 0x8210


class _Pdo:
    """What transmit and receive PDOs share: identifier, type, mapping."""

    def __init__(self, dictionary: Dictionary, communication: int, mapping: int) -> None:
        self.objects = dictionary
        self.communication, self.mapping = communication, mapping
        self._places: list[tuple[int, int]] = []
        dictionary.serve(mapping, 0, write=self._set_count)
        for sub in range(1, MAPPED_MAX + 1):
            dictionary.serve(mapping, sub, write=self._check_entry)
        self.load()

    @property
    def valid(self) -> bool:
        return not self.objects.number(self.communication, 1) & OFF

    @property
    def can_id(self) -> int:
        return self.objects.number(self.communication, 1) & 0x7FF

    @property
    def kind(self) -> int:
        return self.objects.number(self.communication, 2)

    @property
    def length(self) -> int:
        """Bytes of the mapped objects together."""
        return sum(self.objects.entry(*place).size or 0 for place in self._places)

    def load(self) -> None:
        """Take the mapping that is stored."""
        count = self.objects.number(self.mapping, 0)
        self._places = [self._place(sub) for sub in range(1, count + 1)]

    def _place(self, sub: int) -> tuple[int, int]:
        word = self.objects.number(self.mapping, sub)
        return word >> 16, word >> 8 & 0xFF

    def _check_entry(self, value: Value) -> None:
        if not isinstance(value, int) or value == 0:
            return
        if self.objects.number(self.mapping, 0) != 0:
            raise SdoAbort(objects.DEVICE_STATE)
        entry = self.objects.entries.get((value >> 16) << 8 | (value >> 8 & 0xFF))
        if entry is None:
            raise SdoAbort(objects.NO_OBJECT)
        if not entry.mappable or entry.size is None or entry.size * 8 != value & 0xFF:
            raise SdoAbort(objects.NOT_MAPPABLE)

    def _set_count(self, value: Value) -> None:
        count = int(value) if isinstance(value, int) else 0
        if count > MAPPED_MAX:
            raise SdoAbort(objects.TOO_HIGH)
        places = [self._place(sub) for sub in range(1, count + 1)]
        if (0, 0) in places:
            raise SdoAbort(objects.NOT_MAPPABLE)
        if sum(self.objects.entry(*place).size or 0 for place in places) > 8:
            raise SdoAbort(objects.PDO_TOO_LONG)
        self._places = places


class TransmitPdo(_Pdo):
    """One TPDO. It runs in operational only."""

    def __init__(
        self, queue: EventQueue, dictionary: Dictionary, number: int, send: Callable[[int, bytes], None]
    ) -> None:
        super().__init__(dictionary, TPDO_COMMUNICATION + number, TPDO_MAPPING + number)
        self._queue, self._send = queue, send
        self._timer: Repeating | None = None
        self._running = False
        self._syncs = 0
        for sub in (1, 2, 5):
            dictionary.serve(self.communication, sub, write=self._changed)

    def start(self) -> None:
        """The node is operational."""
        self.stop()
        self._running = True
        self._syncs = 0
        period_ms = self.objects.number(self.communication, 5)
        if self.valid and self.kind >= 254 and period_ms:
            self._timer = self._queue.every(period_ms * 1_000_000, self.transmit)

    def stop(self) -> None:
        """The node left operational."""
        self._running = False
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _changed(self, _: Value) -> None:
        if self._running:
            # The value is stored after this call, so look again when it is.
            self._queue.after(0, self._restart)

    def _restart(self) -> None:
        if self._running:
            self.start()

    def sync(self) -> None:
        """A SYNC came."""
        kind = self.kind
        if not self._running or not self.valid or kind > 240:
            return
        self._syncs += 1
        if self._syncs >= max(1, kind):
            self._syncs = 0
            self.transmit()

    def transmit(self) -> None:
        """Send the present values."""
        if self.valid:
            peek = self.objects.peek
            self._send(self.can_id, b"".join([peek(index, sub) for index, sub in self._places]))


class ReceivePdo(_Pdo):
    """One RPDO. A value that SDO would refuse is not taken, the others are."""

    def __init__(self, dictionary: Dictionary, number: int, emergency: Callable[[int], None]) -> None:
        super().__init__(dictionary, RPDO_COMMUNICATION + number, RPDO_MAPPING + number)
        self._emergency = emergency
        self._held: bytes | None = None

    def receive(self, data: bytes) -> None:
        """A frame came."""
        if len(data) < self.length:
            self._emergency(TOO_SHORT_EMERGENCY)
        elif self.kind <= 240:
            self._held = data
        else:
            self._take(data)

    def sync(self) -> None:
        """A SYNC came: take what waits."""
        held, self._held = self._held, None
        if held is not None:
            self._take(held)

    def _take(self, data: bytes) -> None:
        offset = 0
        for index, sub in self._places:
            size = self.objects.entry(index, sub).size or 0
            with suppress(SdoAbort):
                self.objects.write(index, sub, data[offset : offset + size])
            offset += size


def pack_emergency(code: int, register: int, detail: bytes = b"") -> bytes:
    """The 8 bytes of an emergency frame (CiA 301)."""
    return struct.pack("<HB", code, register) + detail[:5].ljust(5, b"\0")
