"""How surely a frame of one sender crosses the wire: without a doubt, with a small doubt, or not at all.

"Without a doubt" is the common case, and the one that must be fast: then nothing of the frame needs to be
looked at bit by bit. Everything here leans to the careful side: what is not surely clean is walked.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from random import Random
from typing import TYPE_CHECKING

from hiltest.canbus.bitstream import BitString
from hiltest.simbench.reception import Reception
from hiltest.simbench.walk import Forced

if TYPE_CHECKING:
    from hiltest.simbench.controller import Controller, Timing

DOUBTFUL = 0.02
"""Above this probability of misreading one bit, frames are walked in full."""

# Classes of bits: the level and the level before it. A settled level reads better than one after an edge.
_RECESSIVE_STAYS, _TURNS_RECESSIVE, _DOMINANT_STAYS, _TURNS_DOMINANT = range(4)


@dataclass(frozen=True, slots=True)
class Odds:
    """`clean`: nothing can go wrong. `walk`: only a walk can tell. Else `misread` holds, for each receiver,
    the probability of misreading a bit of each class.
    """

    clean: bool = False
    walk: bool = True
    misread: tuple[tuple[int, tuple[float, float, float, float]], ...] = ()

    def first_misread(self, bits: BitString, bit_ns: float, rng: Random) -> Forced | None:
        """Draw whether, where and for whom the first bit of this frame is misread."""
        classes = _classes(bits)
        counts = [classes.count(number) for number in range(4)]
        log_clean = sum(
            count * math.log1p(-chance)
            for _, chances in self.misread
            for count, chance in zip(counts, chances, strict=True)
        )
        drawn = math.log(1.0 - rng.random())
        if drawn >= log_clean:  # so with probability 1 - exp(log_clean) something is misread
            return self._drawn_at(classes, bit_ns, -drawn)
        return None

    def _drawn_at(self, classes: bytes, bit_ns: float, hazard: float) -> Forced:
        """The bit where the summed hazard reaches what was drawn."""
        for at, kind in enumerate(classes):
            for number, chances in self.misread:
                hazard += math.log1p(-chances[kind])
                if hazard <= 0.0:
                    return Forced(number, at * bit_ns)
        number, _ = self.misread[-1]
        return Forced(number, (len(classes) - 1) * bit_ns)


CLEAN = Odds(clean=True, walk=False)
WALK = Odds()


def odds_of(sender: Controller, others: Sequence[Controller], reception: Reception) -> Odds:
    """What to expect of frames that `sender` sends while `others` take part."""
    if not (sender.self_acknowledging or any(not other.listen_only for other in others)):
        return WALK
    delays = reception.delays_ns
    for other in others:
        there, back = delays[sender._number][other._number], delays[other._number][sender._number]
        if there + back > sender.timing.sample_ns or not in_step(sender.timing, other.timing):
            return WALK
    return _reading_odds(sender, [sender, *others], reception)


def in_step(sender: Timing, receiver: Timing) -> bool:
    """Does the receiver surely stay on the sender's bits?

    Both conditions for the oscillator tolerance of ISO 11898-1, for the two clocks together: ten bits
    between edges must be made up by one jump, and an error flag must still be sampled right, 13 bits on.
    One quantum is given away, for edges are seen on whole quanta.
    """
    apart = abs(receiver.bit_ns / sender.bit_ns - 1.0)
    bit, quantum = receiver.bit_ns, receiver.quantum_ns
    phase2 = receiver.phase2_quanta * quantum
    if apart == 0.0:
        return True
    jump = max(receiver.jump_ns - 0.5 * quantum, 0.5 * quantum)
    return 10.0 * bit * apart <= jump and (13.0 * bit - phase2) * apart <= max(
        phase2 - quantum, 0.5 * quantum
    )


def _reading_odds(sender: Controller, everybody: Sequence[Controller], reception: Reception) -> Odds:
    if not _others_are_heard(sender, everybody, reception):
        return WALK
    alone = 1 << sender._number
    misread = []
    for other in everybody:
        chances = _chances(other, alone, reception)
        if max(chances) > DOUBTFUL:
            return WALK
        if any(chances):
            misread.append((other._number, chances))
    if not misread:
        return CLEAN
    return Odds(clean=False, walk=False, misread=tuple(misread))


def _others_are_heard(sender: Controller, everybody: Sequence[Controller], reception: Reception) -> bool:
    """Acknowledges, arbitration and error flags of the others, alone and all together, reach the sender."""
    together = 0
    for other in everybody:
        together |= 1 << other._number
        alone = reception.dominant(1 << other._number)[sender._number]
        beside = reception.dominant(1 << other._number | 1 << sender._number)[other._number]
        if alone < 1.0 - DOUBTFUL or beside < 1.0 - DOUBTFUL:
            return False
    return all(reception.dominant(together)[other._number] > 1.0 - DOUBTFUL for other in everybody)


def _chances(receiver: Controller, drivers: int, reception: Reception) -> tuple[float, float, float, float]:
    number = receiver._number
    silent, driven = reception.dominant(0)[number], reception.dominant(drivers)[number]
    if not reception.slow_edges:
        return silent, silent, 1.0 - driven, 1.0 - driven
    since = receiver.timing.sample_ns
    falling = reception.dominant_after(number, 0, drivers, since)
    rising = reception.dominant_after(number, drivers, 0, since)
    return silent, falling, 1.0 - driven, 1.0 - rising


_KINDS = bytes.maketrans(
    b"\0\1\2\3", bytes((_DOMINANT_STAYS, _TURNS_RECESSIVE, _TURNS_DOMINANT, _RECESSIVE_STAYS))
)


def _classes(bits: BitString) -> bytes:
    """The class of each bit of a frame."""
    levels = bits.bits
    return bytes(
        level | before << 1 for level, before in zip(levels, b"\1" + levels[:-1], strict=True)
    ).translate(_KINDS)
