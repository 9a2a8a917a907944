"""The way back from bus-off: 128 sequences of 11 recessive bits (ISO 11898-1).

Every frame and every error frame ends with exactly 11 recessive bits up to the end of its intermission, and
none has 11 in a row before. So the sequences are counted by arithmetic: one per frame, and one per 11 bits
of idle wire.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.simbench.controller import RECOVERY_SEQUENCES
from hiltest.simbench.noise import FAR_NS

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller
    from hiltest.simbench.events import Event
    from hiltest.simbench.wire import Wire

SEQUENCE_BITS = 11


class _Count:
    __slots__ = ("done", "event", "since_ns")

    def __init__(self, since_ns: int) -> None:
        self.done, self.since_ns = 0, since_ns
        self.event: Event | None = None

    def take_idle(self, until_ns: int, sequence_ns: float) -> None:
        """Count the sequences up to a start of frame. Bits are sampled, so a clock that is slow by 1 % sees them too."""
        if self.since_ns <= until_ns:
            self.done += int((until_ns - self.since_ns) / sequence_ns + 0.02)


class Recovery:
    """Counts for every controller that wants to come back."""

    def __init__(self, wire: Wire) -> None:
        self._wire = wire
        self.waiting: dict[Controller, _Count] = {}

    def begin(self, controller: Controller) -> None:
        """Count from now on, or from the end of what is on the wire."""
        wire = self._wire
        count = _Count(FAR_NS if wire.occupied else wire.queue.now_ns)
        self.waiting[controller] = count
        wire.disquiet()
        self._plan(controller, count)

    def drop(self, controller: Controller) -> None:
        """The controller was reset or lost its power."""
        count = self.waiting.pop(controller, None)
        if count is not None and count.event is not None:
            count.event.cancel()

    def frame(self, sof_ns: int, free_ns: int) -> None:
        """A frame or error frame was on the wire from `sof_ns` to `free_ns` (with intermission)."""
        for controller, count in list(self.waiting.items()):
            sequence_ns = SEQUENCE_BITS * controller._bit_ns
            count.take_idle(sof_ns, sequence_ns)
            count.since_ns = round(free_ns - sequence_ns)
            self._plan(controller, count)

    def disturbed(self, sof_ns: int) -> None:
        """The line is not recessive since `sof_ns`: what was idle before counts, and nothing until it is free again."""
        for controller, count in self.waiting.items():
            count.take_idle(sof_ns, SEQUENCE_BITS * controller._bit_ns)
            count.since_ns = FAR_NS
            self._plan(controller, count)

    def _plan(self, controller: Controller, count: _Count) -> None:
        if count.event is not None:
            count.event.cancel()
            count.event = None
        if count.since_ns >= FAR_NS:
            return
        left = max(0, RECOVERY_SEQUENCES - count.done)
        when = round(count.since_ns + left * SEQUENCE_BITS * controller._bit_ns)
        queue = self._wire.queue
        count.event = queue.at(max(when, queue.now_ns), self._check, controller)

    def _check(self, controller: Controller) -> None:
        """Due if nothing came on the wire meanwhile; else the end of that frame plans anew."""
        if not self._wire.occupied:
            self.waiting.pop(controller, None)
            self._wire.readmit(controller)
