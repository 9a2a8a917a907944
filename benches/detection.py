"""What the catalogue finds and what it lets pass: two tables with exact confidence bounds.

    python benches/detection.py                        small: 10 healthy boards, 1 seed a fault of tier 1
    python benches/detection.py --healthy 1000 --seeds 50 --tiers 1 2 3 --store detection.jsonl

A faulty board's run ends at its first failed check, which settles its verdict (--whole goes on to the end). Boards are
taken in rounds, one seed of every fault and a share of the healthy ones at a time, so that a campaign that is
interrupted (Ctrl-C, SIGTERM) has seen a little of everything; it then prints what it has. With --store it goes on where
it was stopped, as long as hiltest has not changed. The last lines are for a machine: METRIC name value.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))

from catalogue import bounds, variants

from hiltest.campaign.boards import BoardOrder, Store, run_boards
from hiltest.campaign.detection import Count, detection_table, healthy_table
from hiltest.campaign.tiers import TIER_1, TIER_2, TIER_3, Row
from hiltest.campaign.unseen import UNSEEN

TIERS = {1: TIER_1, 2: TIER_2, 3: TIER_3}
FIRST_SEED = 1000
"""Seeds of healthy boards begin here, apart from those that the tests use."""


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        description=__doc__.splitlines()[0] if __doc__ else None, allow_abbrev=False
    )
    parser.add_argument("--healthy", type=int, default=10, help="how many healthy boards (default 10)")
    parser.add_argument("--seeds", type=int, default=1, help="boards for each fault (default 1)")
    parser.add_argument("--tiers", type=int, nargs="*", default=[1], choices=(1, 2, 3), help="default: 1")
    parser.add_argument("--only", default="", help="faults whose name holds this text")
    parser.add_argument("--whole", action="store_true", help="go on after the first failed check")
    parser.add_argument("--workers", type=int, default=2, help="processes (default 2)")
    parser.add_argument("--store", type=Path, help="file that keeps results, to go on later")
    return parser.parse_args()


def main() -> int:
    asked = arguments()
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    rows = [row for tier in asked.tiers for row in TIERS[tier] if asked.only in row.name]
    healthy, counts = Count("healthy"), {row.name: Count(row.name) for row in rows}
    passed: list[str] = []
    try:
        _run(asked, rows, healthy, counts, passed)
    except KeyboardInterrupt:
        print("interrupted: the tables show what was reached", file=sys.stderr)
    if healthy.boards:
        print(healthy_table(healthy))
        print(f"METRIC healthy_accepted {healthy.accepted}")
        print(f"METRIC healthy_boards {healthy.boards}")
    reached = [each for each in counts.values() if each.boards]
    if reached:
        print()
        print(detection_table(reached))
        print(f"METRIC faults {len(reached)}")
        print(f"METRIC fault_boards {sum(each.boards for each in reached)}")
        print(f"METRIC fault_boards_accepted {sum(each.accepted for each in reached)}")
        blind = {row.name for row in rows if not row.fault}
        print(
            f"METRIC fault_boards_incomplete {sum(each.incomplete for each in reached if each.name not in blind)}"
        )
        print(f"METRIC blind_adapter_boards_incomplete {sum(counts[name].incomplete for name in blind)}")
        print(f"METRIC bounds_passed {len(passed)}")
    print("\nNo check sees these; do by hand what stands below each.")
    for entry in UNSEEN:
        print(f"  {entry.fault}\n    why: {entry.reason}\n    by hand: {entry.by_hand}")
    return 0


def _run(
    asked: argparse.Namespace, rows: list[Row], healthy: Count, counts: dict[str, Count], passed: list[str]
) -> None:
    """Count every board; `passed` gets each bound of a tier 1 row that a board passed."""
    by_name = {row.name: row for row in rows}
    store = Store(asked.store) if asked.store else None
    for faulty, sound in _rounds(asked, rows):
        names = {order.key: name for name, order in faulty}
        orders = [order for _, order in faulty]
        for result in run_boards(orders, workers=asked.workers, store=store, until_failed=not asked.whole):
            name = names[result.order.key]
            counts[name].add(result)
            if result.is_accepted:
                print(f"  {name} seed {result.order.seed}: ACCEPTED", file=sys.stderr, flush=True)
            if by_name[name].tier == 1:
                for told in bounds.exceeded(by_name[name], result):
                    print(f"  {name} seed {result.order.seed}: BOUND: {told}", file=sys.stderr, flush=True)
                    passed.append(told)
        for result in run_boards(sound, workers=asked.workers, store=store):
            healthy.add(result)
            if not result.is_accepted:
                what = f"{result.verdict}, {result.reason}"
                print(f"  healthy seed {result.order.seed}: {what}", file=sys.stderr, flush=True)


def _rounds(
    asked: argparse.Namespace, rows: list[Row]
) -> Iterator[tuple[list[tuple[str, BoardOrder]], list[BoardOrder]]]:
    """One seed of every fault, and as many healthy boards as come to a round."""
    rounds = max(asked.seeds if rows else 1, 1)
    for number in range(rounds):
        faulty = [
            (
                row.name,
                BoardOrder(variants.of_row(row).resolve(), number + 1, (row.fault,) if row.fault else ()),
            )
            for row in rows
        ]
        first, last = (asked.healthy * each // rounds for each in (number, number + 1))
        sound = [BoardOrder(variants.GLUE_HEAD.resolve(), FIRST_SEED + each) for each in range(first, last)]
        yield faulty, sound


if __name__ == "__main__":
    raise SystemExit(main())
