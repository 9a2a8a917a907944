"""Who may be heard on a bus, by the description alone."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hiltest.canbus.accounting import IDS_MAX
from hiltest.catalogue import _bus
from hiltest.description.loading import load_description
from hiltest.description.models import Description
from hiltest.description.senders import senders_on
from hiltest.link import Link

from .doubles import FIXTURES, EventPort


def _description(*names: str, **changes: Any) -> Description:
    """The first scenario with the nodes of all of them on its bus; `changes` to every node."""
    loaded = [load_description(FIXTURES / name).description for name in names]
    nodes = [each.node[0].model_copy(update={"bus": "can", **changes}) for each in loaded]
    return loaded[0].model_copy(update={"node": nodes})


def test_every_protocol_explains_what_its_nodes_send() -> None:
    """CANopen by the node id (CiA 301), a database and layouts by their messages, the planned traffic as it stands."""
    names = ("label_peel.toml", "vent_actuator.toml", "glue_head.toml")
    found = senders_on(_description(*names), "can", FIXTURES)

    assert found.untold == ""
    assert found.node_ids == {5}
    explained = [0x080, 0x085, 0x185, 0x585, 0x705, 0x332, 0x320, 0x7E8]
    assert [can_id for can_id in explained if not found.explain(can_id, False)] == []
    assert not any(found.explain(can_id, False) for can_id in (0x005, 0x3C5, 0x186, 0x100))


def test_an_identifier_of_29_bits_is_another_one() -> None:
    """0x185 of 29 bits is no process data of node 5, and 0x332 of 29 bits no message of the bar."""
    found = senders_on(_description("label_peel.toml", "glue_head.toml"), "can", FIXTURES)
    assert not any(found.explain(can_id, True) for can_id in (0x080, 0x185, 0x332, 0x320))


@pytest.mark.parametrize(
    ("name", "changes", "folder", "why"),
    [
        ("glue_head.toml", {"protocol": "own", "driver": "mine"}, FIXTURES, "a driver of its own"),
        ("glue_head_console.toml", {"message": []}, FIXTURES, "by its console alone"),
        ("vent_actuator.toml", {}, Path("/nowhere"), "vent_actuator.dbc can't be read"),
    ],
)
def test_what_can_not_be_told_is_not_told_as_none(
    name: str, changes: dict[str, Any], folder: Path, why: str
) -> None:
    """The check then has no such line, and a note says why."""
    notes: list[str] = []
    measure: Any = SimpleNamespace(
        description=_description(name, **changes), folder=folder, note=notes.append
    )  # not callable: a measurement would raise
    seen = _bus.Seen.nothing()
    seen.ids[0x3C5, False] = 7

    assert _bus.judge_strangers(measure, seen, "can") == []
    assert why in notes[0]


def test_what_is_heard_is_bounded_and_told_apart_by_format() -> None:
    """The two formats of one number are two senders; more identifiers than anybody describes fill no memory."""
    port = EventPort()
    link = Link(port)
    with _bus.watching(link) as seen:
        for extended in (False, True, True):
            port.arrive(0x185, b"", extended=extended)
        link.run_for(0.1)
        for number in range(IDS_MAX + 100):
            port.arrive(0x1000 + number, b"", extended=True)
        link.run_for(0.1)

    assert (seen.ids[0x185, False], seen.ids[0x185, True]) == (1, 2)
    assert (seen.frames, len(seen.ids)) == (IDS_MAX + 103, IDS_MAX)
    known = senders_on(_description("glue_head.toml"), "can", FIXTURES)
    assert seen.strangers(known)[0] == "0x185 of 29 bits (2 frames)"
