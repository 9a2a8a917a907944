"""The manual can be followed: each page's files are written, its commands and programs run, in the order of the page.

A fenced block of a page is
- `sh`: commands that are run in the page's folder; `# exit N` behind one is its exit code, 0 without;
- `sh hardware`: commands that need an adapter or the rights of root; they are checked, and not run;
- `python`: a program that is run; `toml`: read as TOML;
- any language with `file=NAME`: a file of that name. A pyproject.toml with entry points counts as installed;
- `text`, or no language: what something prints.
"""

from __future__ import annotations

import ast
import importlib.util
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from dataclasses import dataclass, replace
from importlib.metadata import entry_points
from pathlib import Path

import can
import pytest

from hiltest.canbus.opening import channel_for
from hiltest.canbus.preflight import (
    InterfaceFacts,
    PortFacts,
    Wanted,
    check_interface,
    check_port,
)
from hiltest.cli import _parser, main
from hiltest.description.models import Bus
from hiltest.docs import FOLDER, INDEX, page, pages

ALL = [INDEX, *pages()]
RUNS = {"hiltest": ["-m", "hiltest.cli"], "pytest": ["-m", "pytest", "-p", "no:hypothesispytest"]}
MAY_LOOK = {"dmesg", "ip", "ls", "tail", "python3", ".venv/bin/pip"}
"""What a page may tell its reader to type that changes nothing on a bus."""

RUN_ELSEWHERE = {
    "driver = node.driver\n": "tests/node/test_canopen_docs.py",
    "from hiltest.canbus.accounting import BusAccount\n": "tests/kernel/inside/test_vcan.py",
    "def test_the_banner_names_the_reset_cause(": "tests/node/test_console_docs.py",
}
"""How blocks begin that need a fixture of hiltest; the file whose tests run them."""


@dataclass(frozen=True)
class Block:
    """A fenced block: its language, what stands behind that, and its text."""

    language: str
    info: str
    text: str

    @property
    def file(self) -> str:
        return self.info.removeprefix("file=") if self.info.startswith("file=") else ""


def blocks(name: str) -> list[Block]:
    found = re.findall(r"^```(\w*) ?([^\n]*)\n(.*?)^```$", page(name), re.DOTALL | re.MULTILINE)
    return [Block(*each) for each in found]


def commands(name: str, info: str = "") -> list[str]:
    """The lines of a page's shell blocks of one kind."""
    return [
        line
        for each in blocks(name)
        if (each.language, each.info) == ("sh", info)
        for line in each.text.splitlines()
    ]


# --- followed -------------------------------------------------------------------------------------------


def write(block: Block, folder: Path) -> None:
    (folder / block.file).write_text(block.text)
    if block.file == "pyproject.toml":
        project = tomllib.loads(block.text)["project"]
        info = folder / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
        info.mkdir()
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n"
        )
        lines = [
            line
            for group, points in project["entry-points"].items()
            for line in (f"[{group}]", *(f"{key} = {value}" for key, value in points.items()))
        ]
        (info / "entry_points.txt").write_text("\n".join(lines) + "\n")


def run(words: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "CAN_"))
    }
    environment["PYTHONPATH"] = str(folder)
    return subprocess.run(
        words, cwd=folder, env=environment, capture_output=True, text=True, timeout=250, check=False
    )


def follow(block: Block, folder: Path) -> None:
    """Do what a reader does with a block."""
    if block.file:
        write(block, folder)
    elif any(block.text.startswith(start) for start in RUN_ELSEWHERE):
        return
    elif block.language == "python":
        done = run([sys.executable, "-c", block.text], folder)
        assert done.returncode == 0, f"{block.text}\n{done.stdout}{done.stderr}"
    elif block.language == "sh" and not block.info:
        for line in block.text.splitlines():
            told = re.search(r"# exit (\d)$", line)
            program, *words = shlex.split(line, comments=True)
            if program == "cp":
                shutil.copy(*(folder / word for word in words))
                continue
            done = run([sys.executable, *RUNS[program], *words], folder)
            wanted = int(told[1]) if told else 0
            assert done.returncode == wanted, f"{line}: exit {done.returncode}\n{done.stdout}{done.stderr}"


@pytest.mark.parametrize("name", ALL)
def test_a_page_can_be_followed(name: str, tmp_path: Path, fixtures_dir: Path) -> None:
    """From top to bottom, in one folder."""
    found = blocks(name)
    assert {each.language for each in found} <= {"sh", "python", "toml", "ini", "text", ""}, name
    if not any("hiltest example" in line for line in commands(name)):
        for file in fixtures_dir.glob("*.*"):
            shutil.copy(file, tmp_path / file.name)
    for each in found:
        follow(each, tmp_path)


@pytest.mark.parametrize("name", ALL)
def test_what_a_page_shows_of_toml_can_be_read(name: str) -> None:
    """Also what is only a part of a description."""
    for each in blocks(name):
        if each.language == "toml":
            tomllib.loads(each.text)


@pytest.mark.parametrize("name", ALL)
def test_commands_within_sentences_are_commands(name: str) -> None:
    """Their options exist; names in capitals stand for something."""
    text = re.sub(r"^```.*?^```$", "", page(name), flags=re.DOTALL | re.MULTILINE)
    for line in re.findall(r"(?<!`)`(hiltest [^`]+)`", text):
        parse(" ".join(line.split()))


def parse(line: str) -> None:
    """Let the command line's parser read it; the names of pages, checks and examples must be there."""
    words = shlex.split(line.partition(" >")[0])[1:]
    if len(words) == 1:
        words.append("--help")  # only named
    if "--help" in words:
        with pytest.raises(SystemExit) as ended:
            _parser().parse_args(words)
        assert ended.value.code == 0, f"{line}: is no command"
        return
    options = _parser().parse_args(words)
    if options.command == "manual" and options.page != "PAGE":
        assert page(options.page)


def test_what_is_run_elsewhere_is_there() -> None:
    """The block is on a page, and the test file runs the blocks of that page."""
    for start, file in RUN_ELSEWHERE.items():
        (name,) = [name for name in ALL for each in blocks(name) if each.text.startswith(start)]
        text = (Path(__file__).resolve().parents[1] / file).read_text(encoding="utf-8")
        assert f"{name}.md" in text
        assert "python" in text


# --- not run, and yet checked ---------------------------------------------------------------------------

FACTS = InterfaceFacts(
    "can0", bitrate=1_000_000, sample_point=0.75, restart_ms=100, queue_length=100, state="active"
)
WANTED = Wanted(1_000_000, sample_point=0.75, restart_ms=100)


def commands_of_the_preflight() -> set[str]:
    """What hiltest itself tells to type for an interface that is not ready, and for a port that may not be opened."""
    unready = [
        replace(FACTS, bitrate=None, is_up=False),
        replace(FACTS, restart_ms=0),
        replace(FACTS, bus_error_reports=False),
        replace(FACTS, queue_length=10),
        replace(FACTS, is_up=False),
        replace(FACTS, state="off"),
        replace(FACTS, queue="fq_codel"),
    ]
    found = [finding.command for facts in unready for finding in check_interface(facts, WANTED)]
    no_right = check_interface(replace(FACTS, settable=False), replace(WANTED, settable=True))
    found += [finding.command.replace("sudo ", "") for finding in no_right]
    found += [
        finding.command for finding in check_port(PortFacts("/dev/ttyACM0", may_open=False, group="dialout"))
    ]
    return {command for command in found if command}


VIRTUAL = {"modprobe vcan", "ip link add dev vcan0 type vcan", "ip link set vcan0 up"}
"""The kernel's Documentation/networking/can.rst and ip-link(8)."""


@pytest.mark.parametrize("name", [name for name in ALL if commands(name, "hardware")])
def test_commands_that_need_hardware_are_those_of_the_preflight(name: str) -> None:
    """To the letter where they change something; else they only look, or are commands of hiltest."""
    known = commands_of_the_preflight() | VIRTUAL
    for line in commands(name, "hardware"):
        assert subprocess.run(["bash", "-n", "-c", line], check=False).returncode == 0, line
        if "sudo" in line:
            assert line.replace("sudo ", "") in known, f"{line}: not one of {sorted(known)}"
        elif line.startswith("hiltest "):
            parse(line)
        else:
            programs = {shlex.split(part)[0] for part in line.split("|")}
            assert programs <= MAY_LOOK, line


def test_the_preflight_has_nothing_to_say_after_the_commands_of_the_page() -> None:
    """What the page brings about is what a run asks for."""
    assert check_interface(replace(FACTS, queue="pfifo_fast", bus_error_reports=True), WANTED) == []


def arguments_of(interface: str) -> set[str]:
    """Names of the arguments that python-can's class of a family takes, from its source: makers' libraries are not here."""
    module, name = can.interfaces.BACKENDS[interface]
    spec = importlib.util.find_spec(module)
    assert spec is not None
    assert spec.origin is not None
    for file in [Path(spec.origin), *Path(spec.origin).parent.rglob("*.py")]:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ClassDef) and node.name == name:
                (init,) = [each for each in node.body if getattr(each, "name", "") == "__init__"]
                assert isinstance(init, ast.FunctionDef)
                names = {each.arg for each in (*init.args.args, *init.args.kwonlyargs)}
                documented = set(re.findall(r":param (?:\S+ )?(\w+):", ast.get_docstring(init) or ""))
                return names | documented
    raise AssertionError(f"no class {name} in {module}")


def test_the_families_of_the_page_take_what_it_gives_them() -> None:
    """Each block is a [bus] that the description takes, of a family that python-can has, with arguments of its class."""
    described = [tomllib.loads(each.text)["bus"] for each in blocks("adapters") if each.language == "toml"]
    table = re.findall(r"^\| (`.*?) \|", page("adapters"), re.MULTILINE)
    named = {name for row in table for name in re.findall(r"`([\w-]+)`", row)}

    assert len(described) >= 8
    for bus in described:
        Bus.model_validate({"name": "can", **bus})
        assert bus["interface"] in named
        taken = arguments_of(bus["interface"])
        assert set(bus.get("options", {})) <= taken, (bus["interface"], sorted(taken))
    assert named <= set(can.VALID_INTERFACES)
    # Those of other packages that happen to be installed are not the page's.
    own = set(can.interfaces.BACKENDS) - {
        each.name for each in entry_points(group="can.interface") if not each.value.startswith("hiltest.")
    }
    assert own - named == set(), "families that the table leaves out"
    assert own - {bus["interface"] for bus in described} == set(), "families without an example"


def test_a_family_that_counts_its_channels_gets_a_number() -> None:
    """The channel is text in a description; the family hands it to a C function as it comes."""
    assert channel_for("neousys", "1") == 1
    assert channel_for("pcan", "PCAN_USBBUS1") == "PCAN_USBBUS1"
    assert channel_for("socketcan", "0") == "0"


# --- whole ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ALL)
def test_links_lead_somewhere(name: str) -> None:
    """Pages beside this one."""
    for link in re.findall(r"\]\(([\w./-]+\.md)\)", page(name)):
        assert (FOLDER / link).is_file(), link


def test_every_page_stands_in_the_index() -> None:
    """And the index in nothing but itself."""
    assert set(re.findall(r"\]\((\w+)\.md\)", page())) == set(pages())


def test_the_command_prints_a_page(capsys: pytest.CaptureFixture[str]) -> None:
    """The index without a name; a name that is not there is told with the nearest."""
    assert main(["manual"]) == 0
    assert capsys.readouterr().out.startswith("# The manual")
    assert main(["manual", "own-tests"]) == 0
    assert capsys.readouterr().out.startswith("# Your own tests")
    assert main(["manual", "adaptors"]) == 2
    assert "did you mean 'adapters'?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("word", "pages_meant"),
    [
        ("wiring", "'wiring_and_safety'"),
        ("Safty", "'wiring_and_safety'"),
        ("bench", "'describing_a_bench'"),
        ("report.md", "'reading_a_report'"),
        ("drivers", "'drivers_own' or 'drivers_signals_frames'"),
        ("markers", "'own_tests'"),
    ],
)
def test_half_a_name_of_a_page_is_enough_for_a_hint(
    word: str, pages_meant: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A word of its name, nearly so, or a word of a heading; all pages are listed behind it."""
    assert main(["manual", word]) == 2
    told = capsys.readouterr().err
    assert f"; did you mean {pages_meant}? There are: adapters, " in told, told


def test_the_page_on_own_tests_tells_everything_that_the_plugin_has() -> None:
    """Each fixture, option, marker and hook."""
    from hiltest import hookspecs
    from hiltest.plugin import FIXTURES, MARKERS
    from hiltest.settings import SETTINGS

    told = set(re.findall(r"`-*(\w[\w-]*)", page("own_tests")))
    hooks = {name for name in vars(hookspecs) if name.startswith("pytest_hil")}
    missing = {*FIXTURES, *hooks, *(marker.partition("(")[0] for marker in MARKERS)} | {
        setting.flag.removeprefix("--") for setting in SETTINGS
    }
    assert missing - told == set()


def test_the_page_on_reports_tells_every_outcome_and_exit_code() -> None:
    """As the program has them."""
    from typing import get_args

    from hiltest import accept
    from hiltest.evidence.model import Outcome

    rows = re.findall(r"^\| ([^|]+?) \|", page("reading_a_report"), re.MULTILINE)
    assert set(get_args(Outcome)) <= set(rows)
    codes = {accept.ACCEPTED, accept.REJECTED, accept.WRONG_USE, accept.NO_BENCH, accept.INCOMPLETE}
    assert {str(code) for code in codes} <= set(rows)
