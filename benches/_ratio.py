"""Two ways to do the same work, timed in turns in one run, and their ratio.

The best of several turns counts: other work on the machine can only make a turn slower. Each way says
how many items one call handles, so that a slow peer may be given fewer.
"""

from __future__ import annotations

import sys
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


def compare(title: str, ours: Way, peer: Way, at_least: float, turns: int = 5) -> Ratio:
    """Time both in turns and print one line; `at_least` is the ratio that must hold."""
    best = {ours: float("inf"), peer: float("inf")}
    for _ in range(turns):
        for way in (ours, peer):
            start = wall_s()
            way.call()
            best[way] = min(best[way], wall_s() - start)
    result = Ratio(title, ours.items / best[ours], peer.items / best[peer], at_least)
    verdict = "holds" if result.holds else "MISSED"
    print(
        f"{title}: {ours.name} {result.ours_per_s:,.0f}/s, {peer.name} {result.peer_per_s:,.0f}/s, "
        f"ratio {result.ratio:.1f} (at least {at_least:g}: {verdict})"
    )
    return result


def finish(results: list[Ratio]) -> None:
    """Exit with 1 if a ratio was missed."""
    sys.exit(0 if all(result.holds for result in results) else 1)
