"""Ten minutes of wrong, hostile and truncated files: what became of each kind, the slowest, and the memory it took.

    nice python benches/fuzz_files.py [MINUTES] [FIRST NUMBER]

The same mutations as in tests/test_hostile_files.py, from another first number on. Ends with 1 and the file's number
when an outcome is neither a clear error nor a right reading.
"""

from __future__ import annotations

import itertools
import resource
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from hiltest.clock import wall_s
from tests.hostile_files import Nursery

MINUTES, FIRST = 10.0, 100_000
MEMORY_MAX_MB = 1_000


def cpu_s() -> float:
    """Processor time of this process."""
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def main(minutes: float, first: int) -> int:
    outcomes: dict[str, Counter[str]] = {}
    slowest = (0.0, "none")
    with tempfile.TemporaryDirectory() as folder:
        nursery = Nursery(Path(folder))
        start_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        end_s = wall_s() + 60 * minutes
        for number, name in ((number, name) for number in itertools.count(first) for name in nursery.good):
            if wall_s() > end_s:
                break
            begun_s = cpu_s()
            try:
                outcome = nursery.outcome(name, number)
            except KeyboardInterrupt:
                break
            except BaseException:
                traceback.print_exc()
                print(f"{name}, mutation {number}: neither a clear error nor a right reading")
                return 1
            outcomes.setdefault(name, Counter())[outcome] += 1
            slowest = max(slowest, (cpu_s() - begun_s, f"{name}, mutation {number}"))
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    for name, counted in outcomes.items():
        print(f"{name:<28} {counted.total():>6}  " + ", ".join(f"{k} {n}" for k, n in counted.most_common()))
    total = sum(counted.total() for counted in outcomes.values())
    print(f"{total} files in {minutes:g} minutes, each refused clearly or read rightly; nothing acted")
    print(f"slowest: {slowest[0]:.2f} s of processor time ({slowest[1]})")
    print(f"peak memory: {peak_mb:.0f} MB ({start_mb:.0f} MB before the first)")
    return 0 if peak_mb < MEMORY_MAX_MB else 1


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(main(float(given[0]) if given else MINUTES, int(given[1]) if given[1:] else FIRST))
