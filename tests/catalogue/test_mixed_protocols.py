"""One machine of three boards on one bus: CANopen, frames of its own, and lines of text. One description, one run."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

from .boards import accept, outcomes
from .files import FIXTURES, changed, written

NODES = ("head", "bar", "valve")


def _blocks(name: str) -> list[str]:
    """A scenario cut at the heads of its tables."""
    text = (FIXTURES / name).read_text(encoding="utf-8")
    return re.split(r"(?m)^(?=\[)", text)


def _taken(name: str, node: str, *wanted: str) -> str:
    """The node of a scenario, called `node`, with its messages and console, and those loads whose head is in `wanted`."""
    found, keep = [], False
    for block in _blocks(name):
        head = block.split("]", 1)[0].lstrip("[")
        if "." not in head or head == "node.message":
            load = re.search(r'^name = "(\w+)"', block, re.M)
            keep = (
                head in ("node", "node.message", "console") or f"{head} {load[1] if load else ''}" in wanted
            )
        if not keep:
            continue
        if head == "node":
            block = re.sub(
                r'^name = ".*"', f'name = "{node}"', block.replace("[node]", "[[node]]"), flags=re.M
            )
        elif "." not in head:
            block = block.replace("[console]", "[[console]]")
            block = block.replace("\n", f'\nnode = "{node}"\n', 1)
        found.append(block)
    return "".join(found)


@cache
def mixed() -> Path:
    """The board of the glue head with a sensor and a fan, the whole label peel bar, and a valve board with a console."""
    heads = r"\[(fixture|supply|harness|bus|bus\.load_test|simulation)\]"
    frame = "".join(block for block in _blocks("label_peel.toml") if re.match(heads, block))
    frame = changed(
        frame,
        ("operator = true ", "operator = false "),
        ("duration_s = 7.0", "duration_s = 1.0\nbit_error_probability_max = 2e-5"),
        ('["safe.firmware_hung"]', '["safe.firmware_hung[bar]", "bus.latency[valve]"]'),
        ("current_limit_a = 3.0", "current_limit_a = 8.0"),
        ("fuse_a = 3.0", "fuse_a = 8.0"),
    )
    frame = changed(frame, ("duration_s = 1.0", "with_loads_s = 0.5\nduration_s = 1.0"))
    bar = _taken(
        "label_peel.toml",
        "bar",
        "sensor edge",
        "heater edge",
        "fan pad",
        "stepper arm",
        "switch arm_back",
        "lamp ready",
    )
    bar = changed(bar, ("steady_s = 20.0", "steady_s = 5.0"))
    head = _taken("glue_head.toml", "head", "sensor reservoir", "fan electronics")
    valve = _taken("glue_head_console.toml", "valve", "sensor reservoir", "fan electronics")
    valve = changed(
        valve,
        ('"/dev/ttyUSB0"', '"/dev/ttyUSB1"'),
        ('name = "reservoir"', 'name = "coil"'),
        ('name = "electronics"', 'name = "box"'),
    )
    return written(f"{frame}\n{head}\n{bar}\n{valve}", "mixed.toml")


def test_three_boards_of_three_protocols_on_one_bus_are_accepted() -> None:
    """Each is found, and nobody takes another's frames for a stranger's; every board has its loads and its drills."""
    record = accept(file=mixed())
    assert record.verdict == "accepted", record.verdict_reason
    found = outcomes(record)
    not_passed = {name: outcome for name, outcome in found.items() if outcome != "passed"}
    assert not_passed == {"bus.latency[valve]": "not offered", "safe.firmware_hung[bar]": "not offered"}
    for node in NODES:
        for check in ("bus.enumerate", "bus.heartbeat", "safe.host_silence", "safe.stop", "safe.reset"):
            assert found[f"{check}[{node}]"] == "passed"
    assert {
        "heat.low_setpoint[edge]",
        "fan.tach[box]",
        "motion.return[arm]",
    } <= set(found)


def test_a_fault_of_one_board_is_no_fault_of_the_others() -> None:
    """The fan of the board with the console stands still: its check fails, those of the other two protocols pass."""
    fans = ("fan.tach[electronics]", "fan.tach[pad]", "fan.tach[box]")
    found = outcomes(accept("fan_stalled[box]", file=mixed(), only=fans))
    assert [found[fan] for fan in fans] == ["passed", "passed", "failed"]


def test_a_stranger_among_boards_of_three_protocols_is_seen() -> None:
    """What all of them send, and what is planned, is explained; nothing else is."""
    (check,) = accept("foreign_sender", file=mixed(), only=("bus.quiet[can]",)).checks
    assert check.outcome == "failed"
    assert "senders not in the description: 1 id," in check.reason
    assert "0x3C5" in check.reason
