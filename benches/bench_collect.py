"""What it costs a plain `pytest --collect-only` that hiltest is installed and not used.

With and without the plugin in turns, and the median of the differences. Judged by processor time: other work on the
machine moves wall time, which is shown as well, by more than what is measured here.
"""

from __future__ import annotations

import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from hiltest.clock import wall_s

PAIRS = 15
AT_MOST_MS = 60.0
COLLECT = (sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider")
WITHOUT = ("-p", "no:hiltest")


def took_ms(folder: Path, *more: str) -> tuple[float, float]:
    """Processor time and wall time of one run."""
    start_s, before = wall_s(), resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run([*COLLECT, *more], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    used_s = after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime
    return 1000 * used_s, 1000 * (wall_s() - start_s)


def median_difference_ms(column: int) -> float:
    """Of one column of the pairs: 0 processor time, 1 wall time."""
    return statistics.median(with_it[column] - without[column] for with_it, without in pairs)


with tempfile.TemporaryDirectory() as name:
    folder = Path(name)
    (folder / "test_plain.py").write_text("def test_plain(): pass\n")
    for options in ((), WITHOUT):  # the first run of each writes bytecode
        took_ms(folder, *options)
    pairs = [(took_ms(folder), took_ms(folder, *WITHOUT)) for _ in range(PAIRS)]

extra_ms = median_difference_ms(0)
verdict = "holds" if extra_ms <= AT_MOST_MS else "MISSED"
print(
    f"pytest --collect-only: with hiltest {statistics.median(p[0][0] for p in pairs):.0f} ms, "
    f"without {statistics.median(p[1][0] for p in pairs):.0f} ms, median of {PAIRS} differences {extra_ms:.0f} ms "
    f"(at most {AT_MOST_MS:g}: {verdict}); by wall time {median_difference_ms(1):.0f} ms"
)
sys.exit(0 if extra_ms <= AT_MOST_MS else 1)
