"""`hiltest accept` at a terminal, in real time: a person answers, a meter is read, a supply is switched.

The bench is the simulated one in a process of its own, behind its doors; nothing here is in simulated time.
"""

from __future__ import annotations

import os
import pty
import re
import select
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from hiltest.clock import sleep_s, wall_s

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
PLACES = {
    "CAN-H": "bus.can.h",
    "CAN-L": "bus.can.l",
    "ground": "ground",
    "supply plus": "supply",
    "supply minus": "ground",
}
PROMPT = re.compile(r"Probes on ([\w \-]+) and ([\w \-]+?)(?: \(|\.)[^\[]*\[y/n/skip\] $")
LONGER_THAN_A_REDRAW_S = 0.7


@pytest.fixture
def doors() -> Iterator[dict[str, str]]:
    program = f"from hiltest.simbench.doors.serve import serve; raise SystemExit(serve({str(GLUE_HEAD)!r}))"
    process = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    places: dict[str, str] = {}
    for line in process.stdout:
        if line.strip() == "ready":
            break
        name, _, place = line.strip().partition(": ")
        places[name] = place
    yield places
    process.send_signal(signal.SIGTERM)
    process.wait(10)
    process.stdout.close()


def description(doors: dict[str, str], folder: Path) -> Path:
    """The glue head on these doors."""
    for file in GLUE_HEAD.parent.glob("glue_head*"):
        (folder / file.name).write_bytes(file.read_bytes())
    instruments = (
        f'[meter]\nport = "socket://{doors["meter"]}"\n'
        f'[bench_supply]\nport = "socket://{doors["supply"]}"\nsettle_s = 0.2\n'
    )
    text = GLUE_HEAD.read_text().replace("# --- the bus", f"{instruments}\n# --- the bus", 1)
    text = text.replace('"socketcan"', '"slcan"').replace('"can0"', f'"{doors["adapter"]}"')
    path = folder / GLUE_HEAD.name
    path.write_text(text)
    return path


class Terminal:
    """A person's terminal with a program in it."""

    def __init__(self, *command: str) -> None:
        self.shown = ""
        self._pid, self._fd = pty.fork()
        if self._pid == 0:
            os.environ["TERM"] = "xterm"
            os.execv(command[0], command)

    def read(self, for_s: float) -> bool:
        """Take what is shown; False when the program has ended."""
        ready, _, _ = select.select([self._fd], [], [], for_s)
        if not ready:
            return True
        try:
            data = os.read(self._fd, 65536)
        except OSError:  # Linux says so when the last one has closed a pseudo-terminal
            return False
        self.shown += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", data.decode(errors="replace")).replace("\r", "")
        return bool(data)

    def type(self, text: str) -> None:
        os.write(self._fd, f"{text}\n".encode())

    def ended(self) -> int:
        return os.waitstatus_to_exitcode(os.waitpid(self._pid, 0)[1])


def test_a_person_is_asked_while_the_display_keeps_off(doors: dict[str, str], tmp_path: Path) -> None:
    """Caution and picture before the question, nonsense asked again, nothing drawn over what is typed.

    The reading comes from the meter between the probes that the person has placed, and the supply is switched.
    """
    hiltest = (sys.executable, "-m", "hiltest.cli", "accept", str(description(doors, tmp_path)))
    terminal = Terminal(*hiltest, "--only", "cold.power_on[can]", "--out", str(tmp_path / "runs"))
    host, _, port = doors["meter"].rpartition(":")
    answered, deadline_s = 0, wall_s() + 120.0
    with socket.create_connection((host, int(port))) as hand:
        while terminal.read(0.2) and wall_s() < deadline_s:
            asked = PROMPT.search(terminal.shown)
            if asked is None:
                continue
            hand.sendall(f'ROUT:PROB "{PLACES[asked[1]]}","{PLACES[asked[2]]}"\n'.encode())
            sleep_s(0.1)
            if answered == 0:
                sleep_s(LONGER_THAN_A_REDRAW_S)
                terminal.read(0.0)
                assert PROMPT.search(terminal.shown), "something was drawn over the question"
                terminal.type("perhaps")
                while "neither yes nor no" not in terminal.shown:
                    assert terminal.read(5.0)
                while not PROMPT.search(terminal.shown):
                    assert terminal.read(5.0)
            terminal.type("y")
            answered += 1
            while PROMPT.search(terminal.shown):
                assert terminal.read(5.0)
    assert terminal.ended() == 4, terminal.shown[-3000:]  # a part of the catalogue is never accepted
    assert answered == 6
    assert "CAUTION: Power off before anything is touched" in terminal.shown
    assert "| ohm |" in terminal.shown
    for name in ("cold.pair[can]", "cold.lines[can]", "cold.supply[head]", "cold.power_on[can]"):
        assert re.search(rf"passed +{re.escape(name)}", terminal.shown), name
    (report,) = (tmp_path / "runs").glob("*/report.html")
    assert '<pre class="soft small picture">' in report.read_text()
