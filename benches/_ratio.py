"""Two ways to do the same work, timed in turns in one run, and their ratio.

Judged by processor time, in which other programs on the machine do not count; the ratio by wall time is shown beside
it. The best of several turns counts. Each way says how many items one call handles, so that a slow peer may be given
fewer.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from typing import NamedTuple

from hiltest.clock import wall_s


class Way(NamedTuple):
    """`call` handles `items` items; `name` is what stands in the table."""

    name: str
    call: Callable[[], object]
    items: int


class Ratio(NamedTuple):
    title: str
    ours_per_s: float
    peer_per_s: float
    at_least: float

    @property
    def ratio(self) -> float:
        return self.ours_per_s / self.peer_per_s

    @property
    def holds(self) -> bool:
        return self.ratio >= self.at_least


def took(call: Callable[[], object]) -> tuple[float, float]:
    """Processor time (of all threads) and wall time of one call, in s."""
    start_s, used_s = wall_s(), time.process_time()
    call()
    return time.process_time() - used_s, wall_s() - start_s


def compare(title: str, ours: Way, peer: Way, at_least: float, turns: int = 5) -> Ratio:
    """Time both in turns and print one line; `at_least` is the ratio that must hold."""
    best = {ours: [float("inf")] * 2, peer: [float("inf")] * 2}
    for _ in range(turns):
        for way in (ours, peer):
            best[way] = [min(pair) for pair in zip(best[way], took(way.call), strict=True)]
    (ours_s, ours_wall_s), (peer_s, peer_wall_s) = best[ours], best[peer]
    result = Ratio(title, ours.items / ours_s, peer.items / peer_s, at_least)
    verdict = "holds" if result.holds else "MISSED"
    by_wall = ours.items / ours_wall_s / (peer.items / peer_wall_s)
    print(
        f"{title}: {ours.name} {result.ours_per_s:,.0f}/s, {peer.name} {result.peer_per_s:,.0f}/s, "
        f"ratio {result.ratio:.1f} (at least {at_least:g}: {verdict}); by wall time {by_wall:.1f}"
    )
    return result


def finish(results: list[Ratio]) -> None:
    """Exit with 1 if a ratio was missed."""
    sys.exit(0 if all(result.holds for result in results) else 1)
