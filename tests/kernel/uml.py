"""A Linux kernel with CAN, as an ordinary process: no privileges, no hardware.

Debian's package `user-mode-linux` holds a kernel that runs as a process and its modules; `kmod` loads them.
It uses the machine's own files as its root, so the interpreter and the packages of this environment work in
it as they are. `Kernel` boots one; `run` executes Python code in it, `pytest` a selection of tests. Between
the two sides lies a folder: a job is a file in it, and so is its answer.

    with Kernel(folder) as kernel:
        result = kernel.run("import socket; print(socket.if_nameindex())")

Importable by others than the tests beside it: the benches boot the same kernel.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

REPOSITORY = Path(__file__).resolve().parents[2]
AGENT = Path(__file__).with_name("agent.py")
LINUX = "linux.uml"
MODULE_FOLDER = Path("/usr/lib/uml/modules")
MODULES = (
    "net/can/can.ko",
    "net/can/can-raw.ko",
    "drivers/net/can/dev/can-dev.ko",
    "drivers/net/can/vcan.ko",
    "drivers/net/can/vxcan.ko",
    "drivers/net/can/slcan/slcan.ko",
    "net/sched/sch_fq_codel.ko",
)
REQUIRE = "HILTEST_REQUIRE_KERNEL"
"""Set to 1, a missing kernel fails the tests. Else it skips them."""

BOOT_LIMIT_S = 60.0

_INIT = """#!/bin/sh
mount -t proc proc /proc
mount -t sysfs sys /sys
mkdir -p /dev/pts /dev/shm
mount -t devpts devpts /dev/pts
mount -t tmpfs tmpfs /dev/shm
for module in {modules}; do {insmod} {folder}/$(uname -r)/kernel/$module || echo "no module $module"; done
ip link set lo up
cd {repository}
exec {python} -B {agent} {jobs}
"""


class KernelError(Exception):
    """The kernel did not boot, died, or did not answer; the text holds its console."""


@dataclass(frozen=True)
class Result:
    """What a job printed (both streams) and its exit code; the last line of the text says it, too."""

    code: int
    text: str


def missing() -> str:
    """Why no kernel can be booted here; "" if it can."""
    if not sys.platform.startswith("linux"):
        return "user-mode Linux needs Linux"
    if shutil.which(LINUX) is None:
        return "linux.uml is missing: apt install user-mode-linux"
    folders = list(MODULE_FOLDER.glob("*/kernel"))
    if not any((folder / MODULES[0]).exists() for folder in folders):
        return f"no CAN modules under {MODULE_FOLDER}: apt install user-mode-linux"
    for tool, package in (("insmod", "kmod"), ("ip", "iproute2"), ("tc", "iproute2")):
        if _tool(tool) is None:
            return f"{tool} is missing: apt install {package}"
    return ""


def _tool(name: str) -> str | None:
    # Ordinary accounts have no sbin in their path.
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")


class Kernel:
    """One running kernel. `folder` is an empty folder on this machine, for jobs and scratch files.

    Raises:
        KernelError: it did not come up within `boot_limit_s`.
    """

    def __init__(self, folder: Path, memory_mb: int = 512, boot_limit_s: float = BOOT_LIMIT_S) -> None:
        self.folder = folder
        self._jobs = folder / "jobs"
        self._jobs.mkdir(parents=True)
        self._console = folder / "console.txt"
        self._count = 0
        self._process = self._start(memory_mb)
        try:
            self._wait_for(self._jobs / "ready", boot_limit_s, "boot")
        except KernelError:
            self.close()
            raise

    def run(self, code: str, limit_s: float = 60.0) -> Result:
        """Run Python code in the kernel, in a process of its own."""
        return self._job({"kind": "code", "code": code}, limit_s)

    def pytest(self, *arguments: str, limit_s: float = 120.0) -> Result:
        """Run `pytest` with `arguments` in the kernel, from the root of the repository."""
        return self._job({"kind": "pytest", "arguments": list(arguments)}, limit_s)

    def close(self) -> None:
        """Switch the kernel off. A second call does nothing."""
        (self._jobs / "stop").touch()
        with contextlib.suppress(subprocess.TimeoutExpired):
            if self._process.wait(5.0) == 0:
                return
        # Its processes are ours, in a group of their own; a kernel that dies leaves them behind.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(self._process.pid, signal.SIGKILL)
        self._process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _start(self, memory_mb: int) -> subprocess.Popen[bytes]:
        init = self.folder / "init.sh"
        init.write_text(
            _INIT.format(
                modules=" ".join(MODULES),
                insmod=_tool("insmod"),
                folder=MODULE_FOLDER,
                repository=REPOSITORY,
                python=sys.executable,
                agent=AGENT,
                jobs=self._jobs,
            )
        )
        init.chmod(0o755)
        command = [
            LINUX,
            f"mem={memory_mb}M",
            "rootfstype=hostfs",
            "rootflags=/",
            "rw",
            f"init={init}",
            "con=null",
            "con0=null,fd:1",
            f"uml_dir={self.folder}/",
            f"umid=hiltest{os.getpid()}",
            "quiet",
        ]
        with self._console.open("wb") as console:
            return subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=console,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def _job(self, job: dict[str, object], limit_s: float) -> Result:
        self._count += 1
        name = f"{self._count:04d}"
        self._write(self._jobs / f"{name}.job", json.dumps({**job, "limit_s": limit_s}))
        # The agent kills a job at its limit; more than that means that the kernel is gone.
        answer = self._wait_for(self._jobs / f"{name}.done", limit_s + 15.0, f"job {name}")
        text = answer.read_text(errors="replace")
        return Result(int(text.rstrip().rpartition("\n")[2].removeprefix("exit code ")), text)

    @staticmethod
    def _write(path: Path, text: str) -> None:
        draft = path.with_suffix(".draft")
        draft.write_text(text)
        draft.rename(path)

    def _wait_for(self, path: Path, limit_s: float, what: str) -> Path:
        limit = time.monotonic() + limit_s
        while not path.exists():
            if self._process.poll() is not None or time.monotonic() > limit:
                ended = self._process.poll() is not None
                reason = "the kernel ended" if ended else f"no answer within {limit_s:g} s"
                raise KernelError(f"{what}: {reason}; its console:\n{self.console()}")
            time.sleep(0.01)
        return path

    def console(self) -> str:
        """What the kernel printed so far."""
        return self._console.read_text(errors="replace") if self._console.exists() else ""
