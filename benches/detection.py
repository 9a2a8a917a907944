"""What the catalogue finds and what it lets pass: two tables with exact confidence bounds.

    python benches/detection.py                        small: 10 healthy boards, 1 seed a fault of tier 1
    python benches/detection.py --healthy 1000 --seeds 50 --tiers 1 2 3 --store detection.jsonl

With --store the campaign goes on where it was stopped, as long as hiltest has not changed. The last lines are for a
machine: METRIC name value.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from catalogue import variants

from hiltest.campaign.boards import BoardOrder, Store, boards, run_boards
from hiltest.campaign.detection import Count, count, detection_table, healthy_table
from hiltest.campaign.tiers import TIER_1, TIER_2, TIER_3, UNSEEN, Row

TIERS = {1: TIER_1, 2: TIER_2, 3: TIER_3}
FIRST_SEED = 1000
"""Seeds of healthy boards begin here, apart from those that the tests use."""


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("--healthy", type=int, default=10, help="how many healthy boards (default 10)")
    parser.add_argument("--seeds", type=int, default=1, help="boards for each fault (default 1)")
    parser.add_argument("--tiers", type=int, nargs="*", default=[1], choices=(1, 2, 3), help="default: 1")
    parser.add_argument("--only", default="", help="faults whose name holds this text")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--store", type=Path, help="file that keeps results, to go on later")
    return parser.parse_args()


def main() -> int:
    asked = arguments()
    store = Store(asked.store) if asked.store else None
    healthy = count("healthy", _healthy(asked, store)) if asked.healthy else None
    rows = [row for tier in asked.tiers for row in TIERS[tier] if asked.only in row.name]
    counts = [_of_row(row, asked, store) for row in rows]
    if healthy is not None:
        print(healthy_table(healthy))
        print(f"METRIC healthy_accepted {healthy.accepted}")
        print(f"METRIC healthy_boards {healthy.boards}")
    if counts:
        print()
        print(detection_table(counts))
        print(f"METRIC faults {len(counts)}")
        print(f"METRIC fault_boards_accepted {sum(each.accepted for each in counts)}")
    print("\nNo check sees these; do by hand what stands below each.")
    for entry in UNSEEN:
        print(f"  {entry.fault}\n    why: {entry.reason}\n    by hand: {entry.by_hand}")
    return 0


def _healthy(asked: argparse.Namespace, store: Store | None):  # type: ignore[no-untyped-def]
    seeds = range(FIRST_SEED, FIRST_SEED + asked.healthy)
    for result in boards(seeds, variants.GLUE_HEAD, workers=asked.workers, store=store):
        if not result.is_accepted:
            print(f"  healthy seed {result.order.seed}: {result.verdict}, {result.reason}", file=sys.stderr)
        yield result


def _of_row(row: Row, asked: argparse.Namespace, store: Store | None) -> Count:
    faults = (row.fault,) if row.fault else ()
    orders = [BoardOrder(variants.of_row(row), seed, faults) for seed in range(1, asked.seeds + 1)]
    counted = Count(row.name)
    for result in run_boards(orders, workers=asked.workers, store=store):
        counted.add(result)
        if result.is_accepted:
            print(f"  {row.name} seed {result.order.seed}: ACCEPTED", file=sys.stderr)
    return counted


if __name__ == "__main__":
    raise SystemExit(main())
