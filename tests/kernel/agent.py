"""The first process of the user-mode kernel: takes jobs from a folder and runs each in a child of its own.

What most jobs import is imported once, here; a child then starts in no time. Not imported by anything:
`uml.py` starts it inside the kernel.
"""

from __future__ import annotations

import contextlib
import faulthandler
import json
import os
import signal
import sys
import time
import traceback
from pathlib import Path

import can  # noqa: F401
import numpy  # noqa: F401 (imported for the children)
import pytest

# Loading these plugins takes this kernel seconds, and one process needs neither.
PYTEST = ("-p", "no:cacheprovider", "-p", "no:xdist", "-p", "no:hypothesispytest")


def main(folder: Path) -> None:
    """Serve jobs until the file `stop` appears, then switch the kernel off."""
    (folder / "ready").touch()
    while not (folder / "stop").exists():
        jobs = sorted(folder.glob("*.job"))
        for job in jobs:
            serve(job)
        if not jobs:
            time.sleep(0.02)
    os.sync()
    Path("/proc/sysrq-trigger").write_text("o")
    time.sleep(60)


def serve(job: Path) -> None:
    """Run one job and leave its answer: what it printed, and its exit code on the last line."""
    output = job.with_suffix(".out")
    order = json.loads(job.read_text())
    child = os.fork()
    if child == 0:
        os._exit(run(order, output))
    with contextlib.suppress(OSError):
        os.setpgid(child, child)  # a child that is slow to start may not have done it when its time is up
    code = wait(child, order["limit_s"])
    job.unlink()
    with output.open("a") as stream:
        stream.write(f"\nexit code {code}\n")
        stream.flush()
        os.fsync(stream.fileno())
    output.rename(job.with_suffix(".done"))


def run(order: dict[str, object], output: Path) -> int:
    """Do the work, in the child. Returns the exit code."""
    os.setpgid(0, 0)
    stream = output.open("w", buffering=1)
    os.dup2(stream.fileno(), 1)
    os.dup2(stream.fileno(), 2)
    sys.stdout = sys.stderr = stream
    faulthandler.enable(stream)
    try:
        if order["kind"] == "pytest":
            arguments = [str(argument) for argument in order["arguments"]]  # type: ignore[attr-defined]
            code = int(pytest.main([*PYTEST, *arguments]))
        else:
            exec(compile(str(order["code"]), "<job>", "exec"), {"__name__": "__main__"})
            code = 0
    except SystemExit as stop:
        code = stop.code if isinstance(stop.code, int) else 1
    except BaseException:
        traceback.print_exc()
        code = 1
    stream.flush()
    return code


def wait(child: int, limit_s: float) -> int:
    """The exit code of a child; -9 if it had to be killed at its limit."""
    limit = time.monotonic() + limit_s
    while True:
        pid, status = os.waitpid(child, os.WNOHANG)
        if pid:
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > limit:
            with contextlib.suppress(ProcessLookupError):
                os.killpg(child, signal.SIGKILL)
            return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        time.sleep(0.005)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
