"""Interfaces for the tests that run inside the kernel: virtual ones, and can0 over the slcan driver."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import struct
import subprocess
import termios
import threading
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

N_SLCAN = 17  # linux/tty.h


def shell(command: str) -> str:
    """Run a command line; its output. Fails the test if the command fails."""
    done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
    return done.stdout


def interfaces() -> set[str]:
    """Names of the network interfaces."""
    return {path.name for path in Path("/sys/class/net").iterdir()}


class SlcanAdapter:
    """An adapter double behind the kernel's slcan driver: the driver makes `name` of it.

    It reads all the time, as an adapter does: the driver waits for its commands to be taken.
    """

    def __init__(self) -> None:
        before = interfaces()
        self.master, slave = pty.openpty()
        tty.setraw(self.master)
        tty.setraw(slave)
        self._slave = slave
        fcntl.ioctl(slave, termios.TIOCSETD, struct.pack("i", N_SLCAN))
        (self.name,) = interfaces() - before
        self._text = b""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        while not self._stop.is_set():
            if select.select([self.master], [], [], 0.02)[0]:
                self._text += os.read(self.master, 4096)

    @property
    def lines(self) -> list[str]:
        """What the kernel wrote so far."""
        return self._text.decode().split("\r")[:-1]

    def say(self, text: bytes) -> None:
        """Bytes from the adapter."""
        os.write(self.master, text)

    def wait_for(self, line: str) -> None:
        """Wait until the kernel wrote `line`."""
        limit = time.monotonic() + 3
        while line not in self.lines:
            assert time.monotonic() < limit, f"{line!r} never came: {self.lines}"
            time.sleep(0.01)

    def close(self) -> None:
        """Unplug it."""
        self._stop.set()
        self._thread.join()
        os.close(self._slave)
        os.close(self.master)


@pytest.fixture
def adapter() -> Iterator[SlcanAdapter]:
    """An adapter whose interface is there and down."""
    double = SlcanAdapter()
    yield double
    double.close()


@pytest.fixture
def vcan() -> Iterator[str]:
    """The name of a virtual interface that is up."""
    shell("ip link add vtest type vcan && ip link set vtest up")
    yield "vtest"
    shell("ip link del vtest")
