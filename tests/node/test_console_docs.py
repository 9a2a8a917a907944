"""The manual's page about console nodes: every example is valid, every name on it exists, its test runs."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

import pytest

import hiltest.docs
from hiltest.cli import main
from hiltest.console import KEPT_BYTES_MAX
from hiltest.description.commanded import COMMANDED, is_told
from hiltest.description.lines import LINE_CHARS_MAX, PLACEHOLDERS
from hiltest.description.loading import load_text
from hiltest.description.models import ROLES, Console, Role
from hiltest.simbench.faults import FAULTS

pytest_plugins = ["pytester"]

PAGE = (Path(hiltest.docs.__file__).parent / "driver_console.md").read_text(encoding="utf-8")
TOML = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
PYTHON = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
AROUND = """
[fixture]
name = "oven"
[supply]
voltage_v = 24.0
current_limit_a = 5.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 500_000
length_m = 1.0
"""


def test_there_are_examples() -> None:
    """A page that lost its code blocks would pass everything below."""
    assert (len(TOML), len(PYTHON)) == (2, 1)


def test_the_examples_together_are_a_description() -> None:
    """Node, messages, console and roles load without a warning."""
    node, _, console = TOML[0].partition("[console]")
    roles, _, loads = TOML[1].partition("[[sensor]]")
    head, _, messages = node.partition("[[node.message]]")
    text = f"{AROUND}{head}{roles}[[node.message]]{messages}[console]{console}[[sensor]]{loads}"
    found = load_text(text)
    assert found.warnings == ()
    assert found.description.console[0].alive == "alive"


def test_every_key_of_the_console_section_is_shown_or_plain() -> None:
    """The section of the page has every key that there is, but those that need no example."""
    shown = tomllib.loads(TOML[0])["console"].keys()
    assert set(Console.model_fields) - shown == {"node", "version_command", "stale_s"}
    assert "`[console] stale_s`, 3 s" in PAGE
    assert Console.model_fields["stale_s"].default == 3.0


def test_the_page_tells_every_commanded_role() -> None:
    """The list is the driver's: all commanded roles but those that only messages have."""
    told = PAGE[PAGE.index("These are commanded:") : PAGE.index("every colour of a lamp")]
    names = set(re.findall(r"`(\w+)`", told))
    only_in_messages = {"burst_interval_s", "start", "acceleration"}
    assert names == set().union(*COMMANDED.values()) - only_in_messages | {"hang"}
    assert all(any(is_told(kind, name) for kind in ROLES) for name in names)


def test_the_page_tells_every_placeholder_and_bound() -> None:
    """Placeholders, lengths and amounts as they are in the code."""
    for names in PLACEHOLDERS.values():
        assert all(f"`{{{name}}}`" in PAGE for name in names)
    assert f"more than {LINE_CHARS_MAX}\ncharacters" in PAGE
    assert f"newest {KEPT_BYTES_MAX // 1_000_000} MB" in PAGE
    for key in ("send", "expect", "off", "ask", "answer", "at", "scale", "on", "invalid"):
        assert key in Role.model_fields
        assert f"`{key}`" in PAGE


def test_the_faults_that_it_names_are_all_there_are() -> None:
    """Every fault of the console, and no other."""
    named = set(re.findall(r"`(console_\w+)`", PAGE))
    assert named == {name for name, fault in FAULTS.items() if fault.group == "console"}


def test_the_checks_that_it_names_exist(capsys: pytest.CaptureFixture[str]) -> None:
    """And so do their pages."""
    for name in sorted(set(re.findall(r"`((?:bus|safe)\.\w+)`", PAGE))):
        assert main(["explain", name]) == 0
    assert "bus.enumerate" in capsys.readouterr().out


def test_the_commands_of_the_page_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The example is listed and written; a check of it is run on the simulated bench."""
    commands = re.findall(r"`hiltest ((?:example|accept|bench|faults)[^`]*)`", PAGE)
    assert [command.split()[0] for command in commands] == ["example", "accept", "faults", "bench"]
    monkeypatch.chdir(tmp_path)
    assert main(["example"]) == 0
    assert "glue_head_console" in capsys.readouterr().out
    assert main(commands[0].split()) == 0
    # The whole of it is run by the tests of the catalogue; here its first checks alone, which is incomplete.
    assert main([*commands[1].split(), "--only", "bus.enumerate[head]"]) == 4
    assert main(commands[2].split()) == 0
    assert "console_mute" in capsys.readouterr().out


def test_the_test_of_the_page_runs(pytester: pytest.Pytester) -> None:
    """As it stands, on the simulated bench."""
    pytester.makepyfile(PYTHON[0])
    assert main(["example", "glue_head_console", "--out", str(pytester.path)]) == 0
    result: Any = pytester.runpytest_subprocess(
        "-p", "no:cacheprovider", "--hil", "glue_head_console.toml", "--hil-simulate"
    )
    result.assert_outcomes(passed=1)
