"""How far an axis may be from where it began: small moves add up, and one without an answer may still have been made."""

from __future__ import annotations

from dataclasses import dataclass

TOLERANCE_REV = 0.01
"""A counter may be read so far off: rounding, and the microstep under way."""


@dataclass(slots=True)
class Way:
    """One axis, in motor turns with their sign.

    `out_rev` is where it was last known to be, seen from where it began. `up_rev` (0 or more) and `down_rev` (0 or less) are
    moves that ended without an answer, as far as nobody has seen them made: the axis may make them yet. `counter_rev` is the
    node's own counter at `out_rev`, None while nobody knows it.
    """

    out_rev: float = 0.0
    up_rev: float = 0.0
    down_rev: float = 0.0
    counter_rev: float | None = None
    ended: bool = False
    anew: bool = False

    @property
    def is_open(self) -> bool:
        """Is there a move of which nobody knows how far it went?"""
        return bool(self.up_rev or self.down_rev)

    def reach_rev(self, travel_rev: float = 0.0) -> float:
        """Farthest from where it began that it may be after `travel_rev` more."""
        ends = (self.out_rev + self.up_rev + travel_rev, self.out_rev + self.down_rev + travel_rev)
        return max(ends, key=abs)

    def leads_out(self, travel_rev: float, limit_rev: float) -> bool:
        """Would `travel_rev` lead further out than now, and beyond `limit_rev`?"""
        ends = (self.out_rev + self.up_rev, self.out_rev + self.down_rev)
        return any(abs(end) < abs(end + travel_rev) > limit_rev for end in ends)

    def moved(self, travel_rev: float) -> None:
        """A move that the node answered as done: what came before it is over, too."""
        if self.is_open:
            self.unanswered(travel_rev)
            self.ended = True
            return
        self.out_rev += travel_rev
        if self.counter_rev is not None:
            self.counter_rev += travel_rev

    def unanswered(self, travel_rev: float) -> None:
        """A move of which nobody knows whether and how far it was made."""
        self.ended = False
        if travel_rev > 0:
            self.up_rev += travel_rev
        else:
            self.down_rev += travel_rev

    def read(self, counter_rev: float) -> None:
        """The node's counter, whoever asked for it: it shows how far moves without an answer went."""
        before, self.counter_rev = self.counter_rev, counter_rev
        if not self.is_open:
            return
        if before is None:
            self.count_whole()
            return
        made_rev = counter_rev - before
        if self.anew:
            made_rev, self.anew = min(made_rev, counter_rev, key=abs), False
        if not self.down_rev - TOLERANCE_REV <= made_rev <= self.up_rev + TOLERANCE_REV:
            self.count_whole()  # a counter that jumped shows nothing
            return
        self.out_rev += made_rev
        if made_rev > 0:
            self.up_rev = max(0.0, self.up_rev - made_rev)
        else:
            self.down_rev = min(0.0, self.down_rev - made_rev)

    def settle(self) -> None:
        """Nothing is under way any more, if it was ended, and the counter was read since."""
        if self.ended:
            self.up_rev = self.down_rev = 0.0
            self.ended = False

    def count_whole(self) -> None:
        """Nobody can see how far: as if it had been made to its end."""
        self.out_rev = self.reach_rev()
        self.up_rev = self.down_rev = 0.0
        self.ended = self.anew = False

    def restarted(self) -> None:
        """The node was reset: its counter may begin anew, and a move is over."""
        if self.is_open:
            self.ended = self.anew = True
        else:
            self.counter_rev = None
