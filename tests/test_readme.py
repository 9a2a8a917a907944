"""README's commands and its example of one's own tests run as they are written."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BIN = ".venv/bin/"
FAULT = "heater_open"


def blocks(language: str) -> list[str]:
    """The fenced blocks of one language."""
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


SHELL = [line for block in blocks("sh") for line in block.splitlines()]
SET_UP = [line for line in SHELL if "-m venv" in line]
COMMANDS = [line for line in SHELL if line not in SET_UP]
NAMED = ("hiltest faults", "hiltest manual")
"""Commands that README names in a sentence."""
IN_TEXT = [line for line in re.findall(r"(?<!`)`((?:hiltest|pytest) [^`]+)`", README) if line not in NAMED]


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a command of README in a checkout, with this environment in place of README's .venv."""
    words = shlex.split(line)
    program = Path(sys.executable).parent / words[0].removeprefix(BIN)
    return subprocess.run(
        [str(program), *words[1:]], cwd=folder, capture_output=True, text=True, timeout=280, check=False
    )


@pytest.fixture
def checkout(tmp_path: Path, fixtures_dir: Path) -> Path:
    """A folder that holds what the commands of README use of the repository."""
    (tmp_path / "fixtures").symlink_to(fixtures_dir)
    return tmp_path


# --- nothing is left out --------------------------------------------------------------------------------


def test_the_two_set_up_commands_are_those_that_ci_runs() -> None:
    """To the letter: .ci/run executes them on a clean copy of the checkout."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    in_ci = re.findall(r'^README_\w+="(.*)"$', script, re.MULTILINE)

    assert len(SET_UP) == 2
    assert set(SET_UP) == set(in_ci)


def test_every_command_of_readme_is_run_below() -> None:
    """A command that is added to README needs a test here."""
    assert [
        f"{BIN}hiltest faults",
        f"{BIN}hiltest accept fixtures/glue_head.toml --simulate --fault {FAULT}",
        f"{BIN}hiltest explain cold.heater",
        f"{BIN}pytest test_my_head.py --hil fixtures/glue_head.toml --hil-simulate",
    ] == COMMANDS
    assert IN_TEXT == [
        "hiltest example glue_head --out mybench",
        "hiltest schema",
        "hiltest desk mybench/glue_head.toml",
        "hiltest accept mybench/glue_head.toml --serial SN0001",
        "hiltest report DIR",
        "pytest --pyargs hiltest.catalogue --hil FILE",
        "hiltest bench fixtures/glue_head.toml",
    ]


@pytest.mark.parametrize("line", NAMED)
def test_what_readme_only_names_is_a_command(line: str, checkout: Path) -> None:
    """And it stands there."""
    assert f"`{line}`" in README
    assert run(line, checkout).returncode == 0


# --- the first minute -----------------------------------------------------------------------------------


def test_the_fault_of_the_first_minute_fails_the_right_check(checkout: Path) -> None:
    """It is in the list, the check that README names fails and explains itself, and nothing was heated."""
    faults, accept, explain = (run(line, checkout) for line in COMMANDS[:3])
    (report,) = checkout.glob("runs/*/report.html")

    assert faults.returncode == explain.returncode == 0
    assert FAULT in [line.split()[0] for line in faults.stdout.splitlines() if line]
    assert accept.returncode == 1
    assert "cold.heater[reservoir]: failed" in accept.stdout
    assert "heat.pulse[reservoir]: not run (gate: cold.heater[reservoir] failed" in accept.stdout
    assert "heat.low_setpoint[reservoir]: not run" in accept.stdout
    assert f"report: {report.relative_to(checkout)}" in accept.stdout
    assert explain.stdout.startswith("cold.heater\n")


def test_without_an_operator_the_first_pulse_finds_it(checkout: Path, glue_head: Path) -> None:
    """As README says in brackets."""
    text = glue_head.read_text()
    assert text.count("operator = true") == 1
    glue_head.write_text(text.replace("operator = true", "operator = false"))
    only = "--only heat.low_setpoint"

    done = run(f"hiltest accept {glue_head} --simulate --fault {FAULT} {only}", checkout)

    assert done.returncode == 1
    assert "heat.pulse[reservoir]: failed" in done.stdout
    assert "heat.low_setpoint[reservoir]: not run" in done.stdout


# --- your own bench -------------------------------------------------------------------------------------


def test_the_steps_to_ones_own_bench(checkout: Path) -> None:
    """An example, its schema, its paper checks, and a run that says what is missing: this machine has no can0."""
    example, schema, desk, accept = (run(line, checkout) for line in IN_TEXT[:4])
    (folder,) = (checkout / "runs").iterdir()
    report = run(f"hiltest report {folder}", checkout)

    assert [each.returncode for each in (example, schema, desk, accept, report)] == [0, 0, 0, 3, 0]
    assert "SN0001" in folder.name
    assert "can0" in accept.stdout


def test_the_run_folder_holds_what_readme_says(checkout: Path) -> None:
    """Every file that stands in the paragraph on what a run leaves behind."""
    run("hiltest accept fixtures/glue_head.toml --simulate --only bus.quiet", checkout)
    (folder,) = (checkout / "runs").iterdir()
    section = README.split("## What a run leaves behind")[1].split("##")[0]
    named = set(re.findall(r"`([\w.]+\.\w+)`", section))

    assert named == {"report.html", "run.json", "measurements.jsonl", "bus.log", "junit.xml"}
    assert named <= {path.name for path in folder.iterdir()}


# --- one's own tests ------------------------------------------------------------------------------------


def test_the_example_of_ones_own_tests_runs_as_written(checkout: Path) -> None:
    """The block is the file, the command is the command, and both tests pass."""
    (block,) = blocks("python")
    name = block.splitlines()[0].removeprefix("# ")
    (checkout / name).write_text(block)

    done = run(COMMANDS[3], checkout)

    assert done.returncode == 0, done.stdout
    assert "2 passed" in done.stdout
    assert "hil: file=fixtures/glue_head.toml bench=simulated" in done.stdout


def test_the_fixtures_in_the_table_are_there() -> None:
    """And each of the plugin's that is for users stands in the table."""
    from hiltest import plugin

    section = README.split("| fixture | is |")[1].split("\n\n")[0]
    named = {
        name
        for row in section.splitlines()
        for name in re.findall(r"`(\w+)`", row.split("|")[1] if "|" in row else "")
    }

    assert named - set(plugin.FIXTURES) == set()
    assert set(plugin.FIXTURES) - named == {"power", "meter", "bench_supply"}


def test_the_catalogue_runs_under_plain_pytest(checkout: Path) -> None:
    """With FILE in its place; one check here, for the sake of time."""
    line = IN_TEXT[5].replace("FILE", "fixtures/glue_head.toml")

    done = run(f"{line} --hil-simulate --hil-only bus.quiet -p no:cacheprovider", checkout)

    assert done.returncode == 0, done.stdout
    assert re.search(r"[1-9]\d* passed", done.stdout)


# --- the bench as a device ------------------------------------------------------------------------------


def test_the_doors_are_those_that_readme_shows(checkout: Path) -> None:
    """The same names in the same order, and places of the same kind."""
    shown = [line for line in blocks("text")[-1].splitlines() if line]
    words = [str(Path(sys.executable).parent / "hiltest"), *shlex.split(IN_TEXT[6])[1:]]
    with subprocess.Popen(words, cwd=checkout, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        printed = [process.stdout.readline().strip() for _ in shown]
        process.terminate()

    assert [re.sub(r"\d+$", "N", line) for line in printed] == [re.sub(r"\d+$", "N", line) for line in shown]
    assert process.returncode == 0


def test_the_python_can_line_opens_the_bench(checkout: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The expression of README, evaluated as it stands there."""
    import can  # noqa: F401 - the expression names it

    (expression,) = re.findall(r"`(can\.Bus\(.*?\))`", README, re.DOTALL)
    monkeypatch.chdir(checkout)
    with eval(" ".join(expression.split())) as bus:
        message = bus.recv(5.0)

    assert message is not None
