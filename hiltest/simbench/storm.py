"""Frames that are tried over and over, each try like the one before: nobody acknowledges, or the line is dead.

Thousands of such tries a second can go on for as long as a bench runs. Once a try has repeated itself exactly,
and nothing that it counts changes any more, the tries that follow take one entry of the event queue each.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.simbench.station import Happening

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller
    from hiltest.simbench.crossing import Outcome, Setting

SATURATED = 255
"""A receive error counter goes no further: its register has 8 bits."""
ERROR_FRAME_BITS = 14


@dataclass(slots=True)
class Storm:
    """What is repeated: `period_ns` from start of frame to start of frame, the present try began at `sof_ns`."""

    setting: Setting
    outcome: Outcome
    period_ns: int
    sof_ns: int
    senders: list[Controller]
    heads: list[Frame]
    errors_each: int

    def goes_on(self, ready: Sequence[Controller]) -> bool:
        """Do the same stations still want to send the same frames?"""
        return (
            ready == self.senders
            and all(s._queue[0] is head for s, head in zip(self.senders, self.heads, strict=True))
            and all(sender._last_try is None for sender in self.senders)
        )


def is_steady(happenings: Sequence[tuple[float, int, Happening]], stations: Sequence[Controller]) -> bool:
    """Nothing but errors, and none of them counts: acknowledge errors of a passive sender, or receive errors
    of a station whose counter is full.
    """
    return bool(happenings) and all(
        happening.what in ("error", "count", "lost")
        and not happening.tec
        and (not happening.rec or stations[number].counters.rx >= SATURATED)
        for _, number, happening in happenings
    )


def error_frames(happenings: Sequence[tuple[float, int, Happening]], bit_ns: float) -> int:
    """Error frames among these: errors less than the shortest error frame apart belong to one."""
    times = [when for when, _, happening in happenings if happening.what == "error"]
    gaps = [later - earlier for earlier, later in pairwise(times)]
    return bool(times) + sum(gap > ERROR_FRAME_BITS * bit_ns for gap in gaps)
