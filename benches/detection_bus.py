"""How surely the catalogue finds the faults of bus, timing, traffic, identity and adapter: each over several seeds.

A seed is another healthy board with other tolerances, noise and phases, and the fault put into it. The table is
that of tests/catalogue/bus_faults.py. Beside it healthy boards run through the same checks: false alarms count too.
About half a minute of processor time a seed; the faults are shared out over the processors.

    python benches/detection_bus.py             # 5 seeds
    python benches/detection_bus.py --seeds 1 --only oscillator
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

REPOSITORY = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(REPOSITORY))

from hiltest.campaign.unseen import BUS  # noqa: E402
from tests.catalogue import bus_faults  # noqa: E402 - tests are no installed package
from tests.catalogue.boards import accept  # noqa: E402

HEALTHY = (
    bus_faults.QUIET,
    bus_faults.ENUMERATE,
    bus_faults.DUPLICATE,
    bus_faults.LOAD,
    bus_faults.LATENCY,
    bus_faults.HEARTBEAT,
)


@dataclass(frozen=True)
class Found:
    """One board: was it as the table says, outcome and words, and if not, what happened."""

    as_expected: bool
    instead: str = ""


def try_row(job: tuple[int, int]) -> Found:
    """Row number and seed to what was found. Row -1 is a healthy board."""
    number, seed = job
    if number < 0:
        record = accept(seed=seed, operator=False, only=HEALTHY)
        bad = [f"{check.name}: {check.reason}" for check in record.checks if check.outcome == "failed"]
        return Found(not bad, "; ".join(bad))
    row = bus_faults.TABLE[number]
    record, check = bus_faults.run_row(row, seed)
    if check.outcome != row.outcome:
        others = [each.name for each in record.checks if each.outcome == "failed"]
        return Found(False, f"seed {seed}: {check.outcome}; failed instead: {', '.join(others) or 'nothing'}")
    if not bus_faults.says_it(row, check):
        return Found(False, f"seed {seed}: {check.outcome} without a word of {row.says!r}: {check.reason}")
    return Found(True)


def _results(rows: list[int], seeds: range, processes: int) -> Iterator[tuple[int, list[Found]]]:
    jobs = [(number, seed) for number in rows for seed in seeds]
    with ExitStack() as stack:
        if processes > 1:
            results = stack.enter_context(ProcessPoolExecutor(processes)).map(try_row, jobs)
        else:
            results = map(try_row, jobs)
        for number in rows:
            yield number, [next(results) for _ in seeds]


def main() -> int:
    """Run the table; exit code 1 if a fault was missed by its check or a healthy board failed."""
    parser = argparse.ArgumentParser(
        description="detection of bus faults over several seeds", allow_abbrev=False
    )
    parser.add_argument("--seeds", type=int, default=5)
    parser.add_argument("--only", default="", help="rows whose name holds this")
    parser.add_argument("--processes", type=int, default=2)
    options = parser.parse_args()
    rows = [-1, *(n for n, row in enumerate(bus_faults.TABLE) if options.only in str(row))]
    seeds = range(1, options.seeds + 1)
    missed = 0
    for number, found in _results(rows, seeds, options.processes):
        row = None if number < 0 else bus_faults.TABLE[number]
        name, check = ("healthy board", "no false alarm") if row is None else (str(row), row.fails)
        hits = sum(each.as_expected for each in found)
        missed += len(found) - hits
        print(f"{hits}/{len(found)}  {name[:60]:<60}  {check}", flush=True)
        for each in found:
            if not each.as_expected:
                print(f"       {each.instead}")
    for unseen in BUS:
        print(f"none  {unseen.fault:<60}  no check: {unseen.reason}")
        print(f"       by hand: {unseen.by_hand}")
    print(f"{missed} of {len(rows) * len(seeds)} boards not as expected")
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
