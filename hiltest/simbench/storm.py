"""Frames that are tried over and over, each try like the one before: nobody acknowledges, or the line is dead.

Thousands of such tries a second can go on for as long as a bench runs. Once a try has repeated itself exactly,
and nothing that it counts changes any more, the tries that follow take one entry of the event queue: up to what
happens next on the bench, and up to the next error that somebody wants to be told.
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
    """What is repeated: `period_ns` from start of frame to start of frame, the present try began at `sof_ns`.

    `tries` of them are taken in one go. `told` are the errors of one try that somebody listens to, as (ns after
    the start of frame, number of the station, what happened).
    """

    setting: Setting
    outcome: Outcome
    period_ns: int
    sof_ns: int
    senders: list[Controller]
    heads: list[Frame]
    errors_each: int
    told: Sequence[tuple[int, int, Happening]]
    tries: int = 1

    def goes_on(self, ready: Sequence[Controller]) -> bool:
        """Do the same stations still want to send the same frames?"""
        return (
            ready == self.senders
            and all(s._queue[0] is head for s, head in zip(self.senders, self.heads, strict=True))
            and all(sender._last_try is None for sender in self.senders)
        )

    def tries_until(self, until_ns: int) -> int:
        """How many tries are over by then, at least the present one."""
        return max(1, (until_ns - self.sof_ns) // self.period_ns)

    def tries_to_tell(self, stations: Sequence[Controller]) -> int | None:
        """The number of the first try whose errors somebody wants to be told; None if nobody ever does."""
        first: int | None = None
        for after_ns, number, _ in self.told:
            wanted_ns = stations[number].next_told_ns()
            if wanted_ns is not None:
                tries = 1 + max(0, -((self.sof_ns + after_ns - wanted_ns) // self.period_ns))
                first = tries if first is None else min(first, tries)
        return first


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
