"""The commands of the manual's Linux page that can run without hardware, to the letter, in a kernel of its own.

What is left needs hardware, and is listed: a command of the page that stands in neither list fails.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from hiltest.docs import page

RUN = (
    "dmesg | tail",
    "ip -brief link show",
    "sudo ip link set can0 txqueuelen 100",
    "ip -details -statistics link show can0",
    "sudo ip link add dev vcan0 type vcan",
    "sudo ip link set vcan0 up",
)
"""Run here; can0 is the interface of an adapter double."""

NEEDS_HARDWARE = {
    "sudo modprobe vcan": "a machine's own kernel: in this one the module is loaded before",
    "ls -l /dev/serial/by-id": "a USB adapter",
    "sudo ip link set can0 down && sudo ip link set can0 up type can bitrate 1000000 sample-point 0.750": "a driver "
    "that can set its sample point; without it the same is run by test_slcan.py",
    "sudo ip link set can0 down && sudo ip link set can0 up type can restart-ms 100": "a driver that restarts",
    "sudo ip link set can0 down && sudo ip link set can0 up type can berr-reporting on": "a driver that reports errors",
    'sudo usermod -aG dialout "$USER"': "an account of a person",
}
"""And what each needs. The command with setpriv is run by test_accept.py; hiltest's own need a bench."""


def hardware_lines() -> list[str]:
    blocks = re.findall(r"(?ms)^```sh hardware\n(.*?)^```", page("linux"))
    return [line for block in blocks for line in block.splitlines() if line.strip()]


def test_every_command_of_the_page_is_run_or_needs_hardware() -> None:
    """Nothing is left out by oversight, and neither list names what the page does not."""
    lines = [line for line in hardware_lines() if not re.search(r"hiltest|\.venv", line)]
    assert sorted(lines) == sorted([*RUN, *NEEDS_HARDWARE])


def test_the_commands_of_the_page_run_in_their_order(adapter: Any) -> None:
    """Each ends with 0, and the interfaces are as the page says behind them."""
    subprocess.run(f"ip link set {adapter.name} type can bitrate 1000000", shell=True, check=True)
    try:
        for line in RUN:
            command = (
                line.replace("sudo ", "")
                .replace("can0 ", f"{adapter.name} ")
                .replace("link show can0", f"link show {adapter.name}")
            )
            command = command.replace(f"v{adapter.name} ", "vcan0 ")
            done = subprocess.run(command, shell=True, capture_output=True, text=True, check=False)
            assert done.returncode == 0, f"{command}: {done.stdout}{done.stderr}"
            if "details" in command:
                assert "bitrate 1000000" in done.stdout
                assert "qlen 100" in done.stdout
        shown = subprocess.run(
            "ip -brief link show vcan0", shell=True, capture_output=True, text=True, check=True
        )
        assert "UP" in shown.stdout
    finally:
        subprocess.run("ip link del vcan0", shell=True, check=False)


def test_the_program_of_the_page_tells_what_to_mend(adapter: Any) -> None:
    """It looks at the interface as it stands: down and without a rate, it gives the command of step 4a."""
    (program,) = re.findall(r"(?ms)^```python\n(from hiltest\.canbus\.preflight.*?)^```", page("linux"))
    done = subprocess.run(
        [sys.executable, "-c", program.replace('"can0"', f'"{adapter.name}"')],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert f"ip link set {adapter.name}" in done.stdout
    assert "1000000" in done.stdout


def test_the_command_of_the_readme_brings_the_interface_up(adapter: Any) -> None:
    """Less its `restart-ms`, which the driver here does not have."""
    text = (Path(__file__).parents[3] / "README.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"`(sudo ip link set can0 type can [^`]*)`", text)
    assert " restart-ms 100" in command
    command = command.replace("sudo ", "").replace(" restart-ms 100", "").replace("can0", adapter.name)
    subprocess.run(command, shell=True, check=True)
    shown = subprocess.run(
        ["ip", "-details", "link", "show", adapter.name], capture_output=True, text=True, check=True
    )
    assert "bitrate 1000000" in shown.stdout
    assert ",UP" in shown.stdout
    subprocess.run(["ip", "link", "set", adapter.name, "down"], check=True)
