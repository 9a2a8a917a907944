"""Two benches behind two adapters, in real time, at once: each has one worker of pytest-xdist and no other run."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from .conftest import make_quick
from .rig import bench_process, on_real_ports

OWN = """
import os
import pathlib
import pytest
from hiltest.claim import Claim
from hiltest.errors import BenchNotOpened

def test_reads(node, link, description, hil_bench):
    pathlib.Path(f"{hil_bench}.seen").write_text(os.environ["PYTEST_XDIST_WORKER"])
    both = [pathlib.Path("left_real.seen"), pathlib.Path("right_real.seen")]
    assert link.wait_for(lambda: all(file.exists() for file in both), 60.0), "the other bench never ran beside this"
    assert 10 < node.read_temperature_c("board") < 40
    bus = description.bus[0]
    with pytest.raises(BenchNotOpened, match="in use by another run"):
        Claim(bus.name, bus.interface, bus.channel)
"""


def test_two_benches_run_at_once_each_claimed_by_its_worker(tmp_path: Path, fixtures_dir: Path) -> None:
    """Each waits for the other, the workers differ, and nobody else gets an adapter meanwhile."""
    quick = []
    for name in ("left", "right"):
        (tmp_path / name).mkdir()
        for file in fixtures_dir.glob("glue_head*"):
            shutil.copy(file, tmp_path / name / file.name)
        quick.append(make_quick(tmp_path / name / "glue_head.toml"))
    (tmp_path / "test_own.py").write_text(OWN)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    with bench_process(quick[0]) as left, bench_process(quick[1]) as right:
        files = [on_real_ports(file, bench.places) for file, bench in zip(quick, (left, right), strict=True)]
        benches = [f"--hil={file}" for file in files]
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", *benches, "-n2", "test_own.py"],
            cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=200, check=False,
        )  # fmt: skip

    assert done.returncode == pytest.ExitCode.OK, done.stdout + done.stderr
    assert {(tmp_path / f"{name}_real.seen").read_text() for name in ("left", "right")} == {"gw0", "gw1"}
