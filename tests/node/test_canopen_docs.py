"""The examples in the manual's page about CANopen nodes run as they stand."""

from __future__ import annotations

import re
import shlex
import tomllib
from pathlib import Path
from typing import Any

import pytest

import hiltest.docs
from hiltest.canbus.opening import open_port
from hiltest.cli import _parser, main
from hiltest.description.blanks import BLANK
from hiltest.description.loading import load_description, load_text
from hiltest.description.models import ROLES, Fan, Node, Switch
from hiltest.errors import DescriptionError
from hiltest.guard import Guard, GuardedNode
from hiltest.link import Link
from hiltest.node.emergencies import decode_emergency
from hiltest.node.opening import open_driver

PAGE = (Path(hiltest.docs.__file__).parent / "driver_canopen.md").read_text(encoding="utf-8")
GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"


def blocks(kind: str) -> list[str]:
    found = re.findall(rf"```{kind}\n(.*?)```", PAGE, re.DOTALL)
    assert found, kind
    return found


def test_the_sections_are_valid() -> None:
    """Keys and roles of the TOML examples exist."""
    parts: dict[str, Any] = {"node": {}}
    for text in blocks("toml"):
        for key, value in tomllib.loads(text).items():
            parts[key] = {**parts[key], **value} if key == "node" else value
    node = Node.model_validate(parts["node"])
    assert (node.node_id, node.eds) == (12, "valve_block.eds")
    assert set(node.roles) <= set(ROLES["node"])
    assert set(Fan.model_validate(parts["fan"][0]).roles) == {"duty", "tach_hz"}
    assert Switch.model_validate(parts["switch"][0]).roles["state"].at == "0x6000:1.3"


def test_a_role_by_name_is_the_object_that_the_page_says() -> None:
    """'CAN controller.Errors seen' is 0x2001:3 of the glue head."""
    text = GLUE_HEAD.read_text().replace(
        'bus_errors = "0x2001:3"', 'bus_errors = "CAN controller.Errors seen"'
    )
    assert "Errors seen" in text
    loaded = load_text(text, GLUE_HEAD.parent, {"bus.interface": "hiltest", "bus.channel": str(GLUE_HEAD)})
    link = Link(open_port(loaded.description.bus[0]))
    try:
        driver = open_driver(link, loaded, "head")
        assert "read_bus_counters" in driver.offers
        link.run_for(1.0)
        driver.start()
        assert driver.read_bus_counters().errors >= 0
    finally:
        link.close()


def test_the_commands_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """In the order of the page, in an empty folder; the draft has its blanks."""
    monkeypatch.chdir(tmp_path)
    commands = [line for text in blocks("sh") for line in text.splitlines()]
    assert len(commands) >= 3
    for command in commands:
        words = shlex.split(command)
        assert words[0] == "hiltest"
        assert main(words[1:]) == 0, (command, capsys.readouterr().err)
    with pytest.raises(DescriptionError, match="voltage_v"):
        load_description("drafted/head.toml")


def test_the_commands_for_hardware_are_commands() -> None:
    """They can't run here, but the command line takes them."""
    commands = [line for text in blocks("text") for line in text.splitlines() if line.startswith("hiltest ")]
    assert len(commands) >= 3
    for command in commands:
        _parser().parse_args(shlex.split(command)[1:])


def test_the_python_example_runs() -> None:
    """On the simulated bench, with the node of the fixture `node`."""
    loaded = load_description(GLUE_HEAD, {"bus.interface": "hiltest", "bus.channel": str(GLUE_HEAD)})
    link = Link(open_port(loaded.description.bus[0]))
    try:
        node = GuardedNode(open_driver(link, loaded, "head"), Guard(link, loaded.description))
        link.run_for(1.0)
        node.start()
        (text,) = blocks("python")
        found: dict[str, Any] = {"node": node}
        exec(text, found)
        assert found["serial_number"] == node.identify().serial_number
        assert found["firmware"] == b"1.4.0"
        assert node.watch_heartbeat(0.45)
    finally:
        link.close()


def test_the_messages_on_the_page_are_those_that_come(tmp_path: Path) -> None:
    """The emergency in words, and the refusal of a blank."""
    told = decode_emergency(bytes.fromhex("30 50 09 01 00 00 00 00"), 0)
    assert f"emergency {told}" in PAGE
    file = tmp_path / "head.toml"
    file.write_text("\n" * 17 + f'[supply]\nvoltage_v = "{BLANK}"\n')
    with pytest.raises(DescriptionError) as refused:
        load_description(file)
    assert str(refused.value.problems[0]).removeprefix(f"{tmp_path}/") in PAGE
