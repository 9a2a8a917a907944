"""Several benches in one session: one after the other in one process, or each in a worker of pytest-xdist."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import pytest

import hiltest.evidence.runfolder
import hiltest.node.canopen
import hiltest.simbench.doors.inprocess  # noqa: F401 - a run inside this process must not import numpy anew
from hiltest import cautions
from hiltest.benches import Bench, Benches
from hiltest.catalogue.registry import checks
from hiltest.clock import sleep_s, wall_s
from hiltest.errors import UsageError
from hiltest.settings import Settings
from hiltest.spread import scopes

pytest_plugins = ["pytester"]
checks()

OWN = """
import os, pathlib, time
import pytest

LOG = pathlib.Path(__file__).with_name("log")

@pytest.fixture(autouse=True)
def told(request):
    worker = os.environ.get("PYTEST_XDIST_WORKER", "none")
    with LOG.open("a") as log:  # one short line: whole, whoever else writes
        log.write(f"{worker} {request.node.name} {os.getpid()}\\n")

def test_board(node, measure, hil_bench):
    measure("board", node.read_temperature_c("board"), "degC", low=10, high=40)

def test_two(link, measure, hil_bench):
    link.run_for(0.2)
    measure("length", 5 if hil_bench == "right" else 3, "mm", high=4)

@pytest.mark.hil_bench("left")
def test_left_only(node):
    assert node.name == "head"

@pytest.mark.hil_bench("left")
@pytest.mark.timeout(2, method="signal", func_only=True)
def test_hangs(node):
    while True:
        time.sleep(0.01)

@pytest.mark.parametrize("number", [1, 2])
def test_many(number, can_bus):
    assert can_bus.recv(1.0) is not None

def test_plain():
    pass
"""


def two_benches(folder: Path, fixtures_dir: Path) -> list[str]:
    """Two descriptions of the glue head, and the options that name them."""
    shutil.copy(fixtures_dir / "glue_head.eds", folder / "glue_head.eds")
    for name in ("left", "right"):
        shutil.copy(fixtures_dir / "glue_head.toml", folder / f"{name}.toml")
    return ["--hil", "left.toml", "--hil", "right.toml", "--hil-simulate"]


@dataclass
class Session:
    """What a pytest session in a process of its own has left."""

    status: int
    text: str
    folder: Path

    @property
    def log(self) -> list[list[str]]:
        """(worker, test, process) of each test, in the order in which they ran."""
        return [line.split() for line in (self.folder / "log").read_text().splitlines()]


def session(folder: Path, *arguments: str) -> Session:
    (folder / "log").unlink(missing_ok=True)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PYTEST_")}
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:hypothesispytest", "--strict-markers", "--timeout=200", *arguments],
        cwd=folder, env=environment, capture_output=True, text=True, timeout=250, check=False,
    )  # fmt: skip
    return Session(done.returncode, done.stdout + done.stderr, folder)


@pytest.fixture(scope="module")
def spread(tmp_path_factory: pytest.TempPathFactory, fixtures_dir: Path) -> Session:
    """Two benches, two workers, and all that a CI job gives beside."""
    folder = tmp_path_factory.mktemp("spread")
    (folder / "test_own.py").write_text(OWN)
    benches = two_benches(folder, fixtures_dir)
    units = ["--hil-unit", "SN1", "--hil-unit", "SN2", "--hil-out", "runs", "--junitxml", "junit.xml"]
    return session(folder, *benches, *units, "-n", "2", "test_own.py")


# --- with pytest-xdist ----------------------------------------------------------------------------------


def test_the_cautions_come_once_before_anything_starts(spread: Session) -> None:
    """Whatever was asked for: a worker has no terminal to say them on."""
    told = [line for line in spread.text.splitlines() if line.startswith("caution: ")]
    assert len(told) == len(set(told)) == 1 + len(cautions.BY_GROUP)
    assert spread.text.index("caution: ") < spread.text.index("passed")


def test_each_bench_has_one_worker_and_each_worker_one_bench(spread: Session) -> None:
    """All tests of a bench run in one process, those of the other in the other; nothing is run twice."""
    workers = defaultdict(set)
    for worker, name, process in spread.log:
        for bench in ("left", "right"):
            if f"[{bench}" in name:
                workers[bench].add((worker, process))
    names = [name for _, name, _ in spread.log]

    assert len(workers["left"]) == len(workers["right"]) == 1, spread.text
    assert workers["left"] != workers["right"]
    assert sorted(names) == sorted({
        "test_board[left]", "test_board[right]", "test_two[left]", "test_two[right]", "test_left_only[left]", "test_hangs[left]",
        "test_many[left-1]", "test_many[left-2]", "test_many[right-1]", "test_many[right-2]", "test_plain",
    })  # fmt: skip


def test_header_and_summary_tell_of_each_bench(spread: Session) -> None:
    """What is in force, and how each run ended, told by the workers."""
    for line in (
        "hil[left]: file=left.toml bench=simulated unit=SN1",
        "hil[right]: file=right.toml bench=simulated unit=SN2",
        "hil: 2 bench(es), the tests of each in one worker",
        "left, own tests: 5 of 6 passed, failed: test_own.py::test_hangs[left]",
        "right, own tests: 3 of 4 passed, failed: test_own.py::test_two[right]",
    ):
        assert line in spread.text
    assert spread.status == pytest.ExitCode.TESTS_FAILED
    assert "2 failed, 9 passed" in spread.text
    assert "Timeout" in spread.text


def test_each_bench_has_its_run_folder_and_its_serial_number(spread: Session) -> None:
    """Its own tests and no other are in it."""
    records = {}
    for file in (spread.folder / "runs").glob("*/run.json"):
        record = json.loads(file.read_text())
        records[record["unit"]] = [check["name"].partition("::")[2] for check in record["checks"]]

    assert set(records) == {"SN1", "SN2"}
    assert all("[left" in name for name in records["SN1"])
    assert sorted(records["SN2"]) == [
        "test_board[right]",
        "test_many[right-1]",
        "test_many[right-2]",
        "test_two[right]",
    ]


def test_junit_of_the_session_holds_the_measurements(spread: Session) -> None:
    """They reach the process that writes the file."""
    cases = ET.parse(spread.folder / "junit.xml").getroot().iter("testcase")
    found = {case.get("name"): [each.get("name") for each in case.iter("property")] for case in cases}

    assert found["test_board[left]"] == found["test_board[right]"] == ["board [degC]"]


def test_the_last_failed_test_is_run_again_in_one_process_and_selected_by_k(spread: Session) -> None:
    """Names of tests are the same with workers and without, so --lf and -k find them."""
    again = session(
        spread.folder, "--hil=left.toml", "--hil=right.toml", "--hil-simulate", "--lf", "test_own.py"
    )

    assert [name for _, name, _ in again.log] == ["test_hangs[left]", "test_two[right]"], again.text
    assert again.status == pytest.ExitCode.TESTS_FAILED


def test_x_stops_the_workers_with_complete_records(spread: Session) -> None:
    """The bench that failed is told; -k chose two tests of it."""
    arguments = ["--hil=left.toml", "--hil=right.toml", "--hil-simulate", "--hil-out=runs_x", "-n", "2", "-x"]
    stopped = session(spread.folder, *arguments, "-k", "right and (two or many)", "test_own.py")

    assert "right, own tests: 0 of 1 passed, failed: test_own.py::test_two[right]" in stopped.text, (
        stopped.text
    )
    assert "verdict of left: none, no test of this bench was run to its end" in stopped.text
    assert all("[right" in name for _, name, _ in stopped.log)
    (folder,) = (spread.folder / "runs_x").iterdir()
    assert (folder / "run.json").exists()


HEATS = """
import time

def test_it(node, link):
    node.set_heater_c("reservoir", 50.0)
    link.run_for(1.0)
    assert "heater:reservoir" in link.port.bus.bench.truth.outputs_on()
    print("heats", flush=True)
    open(__file__ + ".on", "w").close()
    while True:
        link.run_for(0.01)
        time.sleep(0.01)
"""


@pytest.mark.parametrize("whom", ["group", "alone"])
def test_ctrl_c_switches_off_in_the_worker_and_its_records_are_complete(
    tmp_path: Path, fixtures_dir: Path, whom: str
) -> None:
    """As a terminal does it, to every process; and as a CI system does it, to the one that it started."""
    (tmp_path / "test_own.py").write_text(HEATS)
    two_benches(tmp_path, fixtures_dir)
    arguments = [
        "--hil=left.toml",
        "--hil-simulate",
        "--hil-out=runs",
        "--hil-release=trying",
        "-n1",
        "test_own.py",
    ]
    words = [
        sys.executable,
        "-m",
        "pytest",
        "-p",
        "no:hypothesispytest",
        "-p",
        "no:cacheprovider",
        *arguments,
    ]
    with subprocess.Popen(
        words,
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    ) as running:
        deadline_s = wall_s() + 120.0
        while not (tmp_path / "test_own.py.on").exists() and wall_s() < deadline_s and running.poll() is None:
            sleep_s(0.1)
        (os.killpg if whom == "group" else os.kill)(running.pid, signal.SIGINT)
        text, _ = running.communicate(timeout=120)
    (folder,) = (tmp_path / "runs").iterdir()
    record = json.loads((folder / "run.json").read_text())
    sent = [line.split()[2] for line in (folder / "bus.log").read_text().splitlines() if line.endswith(" T")]

    assert running.returncode == pytest.ExitCode.INTERRUPTED, text
    assert record["verdict"] == "incomplete"
    (reason,) = (check["reason"] for check in record["checks"])
    assert reason.startswith("interrupted; every output was commanded off")
    assert "000#8005" in sent[-12:], sent[-12:]


# --- in one process -------------------------------------------------------------------------------------


def test_without_workers_one_bench_is_closed_before_the_next_is_opened(
    pytester: pytest.Pytester, fixtures_dir: Path
) -> None:
    """Bench after bench, the catalogue's checks of each before one's own tests of it."""
    two_benches(pytester.path, fixtures_dir)
    pytester.makeini("[pytest]\nhil =\n    left.toml\n    right.toml\nhil_simulate = true\nhil_out = runs\n")
    pytester.makeconftest(
        """
        ENDED = []

        def pytest_hil_verdict(bench, record, folder):
            ENDED.append((bench, [check.name for check in record.checks], folder.is_dir()))
        """
    )
    pytester.makepyfile(
        test_own="""
        import pytest
        from conftest import ENDED

        def test_it(node, hil_bench):
            assert [bench for bench, _, _ in ENDED] == ([] if hil_bench == "left" else ["left"])

        @pytest.mark.hil_bench("right")
        def test_right(link):
            ((bench, checks, has_folder),) = ENDED
            assert (bench, has_folder) == ("left", True)
            assert checks[-2:] == ["bus.enumerate[head]", "test_own.py::test_it[left]"]

        def test_hidden(request):
            request.getfixturevalue("node")
        """
    )
    only = ["--hil-only=bus.quiet", "--hil-only=bus.enumerate"]

    result = pytester.runpytest_inprocess(
        "-p", "no:cacheprovider", "-p", "no:hypothesispytest", "--import-mode=prepend", "--pyargs", "hiltest.catalogue",
        "test_own.py", *only, "-v",
    )  # fmt: skip

    names = [line.split()[0].split("::")[1] for line in result.outlines if "::test" in line and "%]" in line]
    assert result.parseoutcomes()["failed"] == 1, "of several benches, the hidden test names none"
    assert "there are several benches (left, right)" in result.stdout.str()
    first_right = next(number for number, name in enumerate(names) if "[right" in name)
    assert all("[left" in name for name in names[:first_right])
    assert all("[right" in name for name in names[first_right:-1])
    assert names[first_right - 1] == "test_it[left]"
    assert names[-1] == "test_hidden"


# --- who shares a worker --------------------------------------------------------------------------------


def _described(
    folder: Path, name: str, glue_head: Path, channel: str, console: str, interface: str = "slcan"
) -> Path:
    text = glue_head.read_text()
    for old, new in (
        ('interface = "socketcan"', f'interface = "{interface}"'),
        ('channel = "can0"', f'channel = "{channel}"'),
        ('port = "/dev/ttyUSB0"', f'port = "{console}"'),
    ):
        assert old in text
        text = text.replace(old, new, 1)
    file = folder / f"{name}.toml"
    file.write_text(text)
    return file


def test_benches_on_one_adapter_or_one_console_share_a_worker(tmp_path: Path, glue_head: Path) -> None:
    """By whatever name they call it; and so do those in between."""
    (tmp_path / "by_id").symlink_to("/dev/ttyACM1")
    files = [
        _described(tmp_path, "one", glue_head, "/dev/ttyACM1", "/dev/ttyUSB1"),
        _described(tmp_path, "two", glue_head, f"{tmp_path}/by_id", "/dev/ttyUSB2", "hiltest-serial"),
        _described(tmp_path, "three", glue_head, "/dev/ttyACM3@115200", "/dev/ttyUSB2"),
        _described(tmp_path, "apart", glue_head, "/dev/ttyACM4", "/dev/ttyUSB4"),
    ]
    scope_of = scopes(Benches.from_settings([Settings(file=file) for file in files]))
    found = {name: scope_of(f"test_own.py::test_it[{name}-7]") for name in ("one", "two", "three", "apart")}

    assert found["one"] == found["two"] == found["three"] != found["apart"]
    assert scope_of("test_own.py::test_a") != scope_of("test_own.py::test_b")


def test_simulated_benches_share_nothing(glue_head: Path, tmp_path: Path) -> None:
    """Though their files name one adapter."""
    other = shutil.copy(glue_head, tmp_path / "other.toml")
    benches = Benches.from_settings([Settings(file=Path(file), simulate=True) for file in (glue_head, other)])
    scope_of = scopes(benches)

    assert scope_of("a::b[glue_head]") != scope_of("a::b[other]")


def test_one_bench_keeps_everything_in_one_worker() -> None:
    """Nothing in the name of a test tells whether it uses the bench."""
    scope_of = scopes(Benches([Bench("only", Settings())]))
    assert scope_of("a::b") == scope_of("c::d[x]")


def test_names_of_benches_are_told_apart_or_refused(tmp_path: Path) -> None:
    """By the folder, if the files are called the same; a dash would end the name in the brackets."""
    settings = [Settings(file=tmp_path / name) for name in ("a/head.toml", "b/head.toml", "left-arm.toml")]

    assert Benches.from_settings(settings).names == ["a_head", "b_head", "left_arm"]
    with pytest.raises(UsageError, match=r"left-arm\.toml was given 2 times"):
        Benches.from_settings([settings[2], settings[2]])


def test_every_test_in_every_worker_is_refused(pytester: pytest.Pytester, glue_head: Path) -> None:
    """--dist each would drive one bench from two processes."""
    result = pytester.runpytest_inprocess(
        "--hil", str(glue_head), "-n", "2", "--dist", "each", "-p", "no:hypothesispytest"
    )

    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "would command one bench against each other" in result.stderr.str()
