"""Every fault of the simulated bench on a whole board, one seed, until the first check fails: is it found, and by what?

The table is that of tests/catalogue/every_fault.py. A board with a fault that some check is expected to find must not be
accepted; one with a fault of the list of what no check finds is expected to be. A few seconds of processor time a fault.

    python benches/every_fault.py               # all of them, seed 1
    python benches/every_fault.py --only supply # those whose name holds this
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from hiltest.campaign.boards import BoardOrder, run_board  # noqa: E402
from tests.catalogue.every_fault import FOUND_BY, LISTED, NEEDS, bench_of  # noqa: E402


def main() -> int:
    """Exit code 1 if a board was accepted that should not be, or the other way round."""
    parser = argparse.ArgumentParser(description="every fault on a whole board", allow_abbrev=False)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="faults whose name holds this")
    options = parser.parse_args()
    otherwise = 0
    for fault in sorted(FOUND_BY.keys() | LISTED):
        if options.only not in fault:
            continue
        if fault in NEEDS:
            print(f"not run   {fault:<32} {NEEDS[fault]}", flush=True)
            continue
        found = run_board(BoardOrder(bench_of(fault), options.seed, (fault,)), until_failed=True)
        is_expected = found.is_accepted == (fault in LISTED)
        otherwise += not is_expected
        by = ", ".join(found.failed) or found.reason
        expected = FOUND_BY.get(fault, "nothing")
        mark = "" if is_expected else "OTHERWISE "
        print(f"{mark}{found.verdict:<9} {fault:<32} by {by}; expected {expected}", flush=True)
    print(f"METRIC faults_otherwise {otherwise}")
    return 1 if otherwise else 0


if __name__ == "__main__":
    sys.exit(main())
