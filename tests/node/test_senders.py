"""Who may be heard on a bus, by the description alone."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from hiltest.canbus.accounting import IDS_MAX
from hiltest.canbus.frame import Frame
from hiltest.catalogue import _bus
from hiltest.description.eds import stated_cob_ids
from hiltest.description.loading import load_description
from hiltest.description.models import Description
from hiltest.description.senders import emergency_id, senders_on
from hiltest.draft.ask import no_objects
from hiltest.errors import Refused
from hiltest.link import Link
from hiltest.node.objects import Dictionary
from hiltest.node.opening import open_driver
from hiltest.node.telemetry import read_process_data

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


@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("$NODEID+0x80", 0x85),
        ("0x80+$nodeid", 0x85),
        ("0x1F0", 0x1F0),
        ("496 ; decimal", 0x1F0),
        ("0x80000080", 0x8000_0080),
        ("$NODEID-1", None),
        ("9" * 30, None),
        ("", None),
    ],
)
def test_the_numbers_of_a_device_file_are_read_as_makers_write_them(
    tmp_path: Path, written: str, value: int | None
) -> None:
    """CiA 306: a number, or one with $NODEID; nothing is made of anything else."""
    file = tmp_path / "a.eds"
    file.write_text(f"[1013]\nDefaultValue=1\n[1014]\nDefaultValue={written}\n[1200Sub1]\nDefaultValue=7\n")
    found = stated_cob_ids(file, 5)
    assert (found.get((0x1014, 0)), found[0x1200, 1]) == (value, 7)


@pytest.mark.parametrize(
    ("stated", "key"),
    [
        (None, (0x085, False)),
        (0x080, (0x085, False)),  # a file without $NODEID: 0x80 itself is the synchronisation object
        (0x8000_0085, (0x085, False)),
        (0x1F0, (0x1F0, False)),
        (0x2000_0085, (0x085, True)),
    ],
)
def test_where_emergencies_are_sent(stated: int | None, key: tuple[int, bool]) -> None:
    """CiA 301, 0x1014: bit 31 says that there are none, bit 29 that the identifier has 29 bits."""
    assert emergency_id(stated, 5) == key


def _glue_head(folder: Path, *changes: tuple[str, str]) -> Path:
    """The glue head with another EDS."""
    eds = (FIXTURES / "glue_head.eds").read_text(encoding="latin-1")
    for old, new in changes:
        assert eds.count(old) == 1
        eds = eds.replace(old, new)
    (folder / "glue_head.eds").write_text(eds, encoding="latin-1")
    return Path(shutil.copy(FIXTURES / "glue_head.toml", folder))


def test_emergencies_under_another_identifier_are_heard_and_no_strangers(tmp_path: Path) -> None:
    """A node whose EDS has them at 0x1F0: they are decoded there, and the sender is explained."""
    file = _glue_head(tmp_path, ("DefaultValue=$NODEID+0x80\n", "DefaultValue=0x1F0\n"))
    loaded = load_description(file)
    port = EventPort()
    driver = open_driver(Link(port), loaded, "head")
    for can_id in (0x085, 0x1F0):
        driver._on_frame(Frame(can_id, bytes.fromhex("30 50 04 01 00 00 00 00")).at(1))
    assert len(driver.emergencies) == 1
    senders = senders_on(loaded.description, "can", tmp_path)
    assert senders.explain(0x1F0, False)
    assert not senders_on(loaded.description, "can", FIXTURES).explain(0x1F0, False)


@pytest.mark.parametrize(
    ("written", "key", "is_explained"),
    [
        ("0x3C6", (0x3C6, False), True),
        ("0x40000210", (0x210, False), True),  # bit 30: no remote request
        ("0x2ABCDEF0", (0xABCDEF0, True), True),
        ("0x800003C6", (0x3C6, False), False),  # bit 31: this one is off
        ("0x12", (0x012, False), False),  # no process data may be there
        ("0x706", (0x706, False), False),
    ],
)
def test_process_data_is_where_the_file_states_it(
    tmp_path: Path, written: str, key: tuple[int, bool], is_explained: bool
) -> None:
    """CiA 301, 0x1800:1: an identifier that does not end in the node id is the node's all the same."""
    file = _glue_head(tmp_path, ("DefaultValue=$NODEID+0x380\n", f"DefaultValue={written}\n"))
    description = load_description(file).description
    assert senders_on(description, "can", tmp_path).explain(*key) is is_explained
    assert not senders_on(description, "can", FIXTURES).explain(*key)


def test_without_a_file_process_data_is_read_until_one_is_missing() -> None:
    """The first four may have gaps, for CiA 301 predefines them; the fifth and on lie one behind the other."""
    told = {0x1800: 0x185, 0x1803: 0x8000_0485, 0x1804: 0x3C6, 0x1805: 0x2000_0777, 0x1807: 0x222}
    asked: list[int] = []

    def read_bytes(index: int, sub: int, _what: str) -> bytes:
        asked.append(index)
        if sub == 1 and index in told:
            return told[index].to_bytes(4, "little")
        raise Refused("head", "reading", "no object", 0x0602_0000)

    channel: Any = SimpleNamespace(read_bytes=read_bytes)
    found = read_process_data(channel, Dictionary(no_objects(), None))
    assert [each.key for each in found] == [(0x185, False), (0x3C6, False), (0x777, True)]
    assert max(each for each in asked if each < 0x1A00) == 0x1806


def test_another_default_sdo_is_warned_of(tmp_path: Path) -> None:
    """CiA 301 fixes it at 0x600 + id; hiltest asks there, and says so where the file says something else."""
    file = _glue_head(tmp_path, ("DefaultValue=$NODEID+0x600\n", "DefaultValue=$NODEID+0x640\n"))
    (warning,) = load_description(file).warnings
    assert (warning.key, "0x1200:1 is 0x645" in warning.found) == ("node.eds", True)
    assert "0x605, where hiltest asks" in warning.expected
    sloppy = _glue_head(tmp_path, ("DefaultValue=$NODEID+0x600\n", "DefaultValue=0x600\n"))
    assert load_description(sloppy).warnings == ()
