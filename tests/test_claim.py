"""One run on one bus at a time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from hiltest.claim import Claim
from hiltest.errors import BenchNotOpened

CLAIMING = "from hiltest.claim import Claim; claim = Claim('can', 'slcan', '/dev/ttyTEST'); print('held', flush=True)"


def test_a_claimed_bus_is_refused_until_it_is_released() -> None:
    """The second run is told what to do; another bus is free all the while."""
    first = Claim("can", "slcan", "/dev/ttyTEST1")
    with pytest.raises(BenchNotOpened, match="in use by another run of hiltest"):
        Claim("can", "slcan", "/dev/ttyTEST1")
    Claim("can", "slcan", "/dev/ttyTEST2").release()
    first.release()
    first.release()

    Claim("can", "slcan", "/dev/ttyTEST1").release()


def test_two_paths_to_one_device_are_one_bus(tmp_path: Path) -> None:
    """As /dev/serial/by-id leads to /dev/ttyACM0."""
    (tmp_path / "ttyACM0").write_text("")
    (tmp_path / "by-id").symlink_to("ttyACM0")
    claim = Claim("can", "slcan", str(tmp_path / "ttyACM0"))

    with pytest.raises(BenchNotOpened):
        Claim("can", "slcan", str(tmp_path / "by-id"))
    claim.release()


def test_a_process_that_is_killed_leaves_no_claim_behind() -> None:
    """While it lives it holds the bus; the next run after its end gets it."""
    program = f"{CLAIMING}; input()"
    with subprocess.Popen(
        [sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "held\n"
        with pytest.raises(BenchNotOpened):
            Claim("can", "slcan", "/dev/ttyTEST")
        other.kill()

    Claim("can", "slcan", "/dev/ttyTEST").release()


def test_a_serial_port_is_one_bus_whatever_speaks_on_it() -> None:
    """Another family, or the bit rate of the line behind the path, makes no other bus of it."""
    claim = Claim("can", "slcan", "/dev/ttyTEST@115200")

    with pytest.raises(BenchNotOpened):
        Claim("can", "hiltest-serial", "/dev/ttyTEST")
    claim.release()
