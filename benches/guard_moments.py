"""Ends runs at many random moments and looks what became of outputs and journal.

    python benches/guard_moments.py                  200 moments of a run in process, and 6 through the serial-line door
    python benches/guard_moments.py --moments 0 --door 40 --side 4

In process one run goes on in simulated time and is forked at each moment; one half of the moments is drawn from the
whole run, the other from the time in which something is on. Through the door each moment is a bench process and a run in
real time, `--side` of them side by side. Kinds in turn: killed, interrupted, adapter unplugged. The last lines are for
a machine: METRIC name value.
"""

from __future__ import annotations

import argparse
import random
import shutil
import signal
import sys
import tempfile
from collections import Counter
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT))

from tests.process.conftest import make_quick  # noqa: E402 - the path above leads there
from tests.process.moments import KINDS, live_through  # noqa: E402 - the path above leads there
from tests.process.rig import WATCHED_S  # noqa: E402 - the path above leads there
from tests.test_moments import STATED_S, moments  # noqa: E402 - the path above leads there

FIXTURES = ROOT / "fixtures"
DOOR_FIRST_S, DOOR_LAST_S = 10.0, 170.0
"""A quick run over the door takes about so long; moments are drawn from it."""
PRINTING_S = 1.0


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__.splitlines()[0] if __doc__ else None, allow_abbrev=False
    )
    parser.add_argument("--moments", type=int, default=200, help="in process (default 200)")
    parser.add_argument("--door", type=int, default=6, help="through the serial-line door (default 6)")
    parser.add_argument("--side", type=int, default=3, help="of these side by side (default 3)")
    parser.add_argument("--seed", type=int, default=1, help="(default 1)")
    asked = parser.parse_args()
    # A shell starts background jobs with the interrupt ignored, and what they start inherits that.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    bad = 0
    with tempfile.TemporaryDirectory(prefix="hiltest-moments-") as folder:
        if asked.moments:
            bad += _in_process(Path(folder) / "inside", asked.moments, asked.seed)
        if asked.door:
            bad += _through_the_door(Path(folder) / "door", asked.door, asked.side, asked.seed)
    print(f"METRIC guard_moments_bad {bad}")
    return 1 if bad else 0


def _in_process(folder: Path, count: int, seed: int) -> int:
    found: list[dict[str, Any]] = []
    for over, part in (("all", count - count // 2), ("on", count // 2)):
        out = folder / over
        out.mkdir(parents=True)
        found += moments(FIXTURES / "glue_head.toml", out, part, seed, over, timeout_s=3600.0)["moments"]
    bad = [
        each
        for each in found
        if each["on_after"]
        or each["late_s"] > STATED_S
        or each["kept"] < each["measured"]
        or not each["is_whole"]
        or each["verdict"] == "accepted"
    ]
    _tell("in process", [each["kind"] for each in found], sum(bool(each["on_before"]) for each in found))
    for kind in KINDS:
        late = [each["late_s"] for each in found if each["kind"] == kind]
        print(
            f"  {kind}: last output off after {max(late, default=0.0):.4f} s at most, stated {STATED_S:g} s"
        )
    for each in bad:
        print(f"  BAD {each}")
    print(f"METRIC guard_moments_in_process {len(found)}")
    print(f"METRIC guard_moments_in_process_slowest_s {max(each['late_s'] for each in found):.4f}")
    return len(bad)


def _through_the_door(folder: Path, count: int, side: int, seed: int) -> int:
    quick = folder / "glue_head.toml"
    folder.mkdir()
    for file in FIXTURES.glob("glue_head*"):
        shutil.copy(file, folder / file.name)
    make_quick(quick)
    source = random.Random(seed)
    planned = [
        (KINDS[number % len(KINDS)], source.uniform(DOOR_FIRST_S, DOOR_LAST_S), 0) for number in range(count)
    ]
    planned.sort(key=lambda each: each[1])  # those side by side end at about the same time
    found = []
    for first in range(0, count, side):
        for each in live_through(quick, folder / f"from-{first}", planned[first : first + side]):
            found.append(each)
            print(f"  {each}", flush=True)
    bad = [
        each
        for each in found
        if each.on_after
        or each.late_s > WATCHED_S + PRINTING_S
        or each.lost_lines
        or not each.is_whole
        or each.verdict == "accepted"
    ]
    _tell(
        "through the serial-line door", [each.kind for each in found], sum(bool(e.on_before) for e in found)
    )
    slowest_s = max(each.late_s for each in found)
    print(
        f"  last output off after {slowest_s:.2f} s at most, stated {WATCHED_S:g} s (and {PRINTING_S:g} s to be seen)"
    )
    for each in bad:
        print(f"  BAD {each}")
    print(f"METRIC guard_moments_door {len(found)}")
    print(f"METRIC guard_moments_door_slowest_s {slowest_s:.3f}")
    return len(bad)


def _tell(where: str, kinds: list[str], on: int) -> None:
    counted = ", ".join(f"{kind} {number}" for kind, number in sorted(Counter(kinds).items()))
    print(f"{where}: {len(kinds)} moments ({counted}); something was on at {on} of them", flush=True)


if __name__ == "__main__":
    raise SystemExit(main())
