"""The examples in the manual's page about signals and frames can be used as they stand."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, get_args

import pytest

import hiltest.docs
from hiltest.description.commanded import COMMANDED
from hiltest.description.layouts import bits_of
from hiltest.description.models import ROLES, Message, Node, Role
from hiltest.node.frames import LayoutCodec

PAGE = (Path(hiltest.docs.__file__).parent / "drivers_signals_frames.md").read_text(encoding="utf-8")
BLOCKS = [tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)]


def _messages() -> list[Any]:
    return [
        message for block in BLOCKS for message in _nodes(block) for message in message.get("message", [])
    ]


def _nodes(block: dict[str, Any]) -> list[dict[str, Any]]:
    node = block.get("node", {})
    return [node] if isinstance(node, dict) else node


def test_there_are_examples() -> None:
    """A page that lost its code blocks would pass everything below."""
    assert len(BLOCKS) >= 5
    assert len(_messages()) >= 4


def test_the_node_and_its_roles_are_valid() -> None:
    """Keys and roles of the examples exist."""
    node = Node.model_validate(next(node for block in BLOCKS for node in _nodes(block) if "database" in node))
    assert node.heartbeat == "Gate_State"
    for block in BLOCKS:
        for kind, names in ROLES.items():
            parts = block.get(kind, [])
            for part in parts if isinstance(parts, list) else [parts]:
                for name, role in part.get("roles", {}).items():
                    assert name in names
                    Role.model_validate({"at": role} if isinstance(role, str) else role)


@pytest.mark.parametrize("message", _messages(), ids=lambda message: message["name"])
def test_every_message_is_valid_and_can_be_sent(message: dict[str, Any]) -> None:
    """Layouts of the page make bytes of the length that they state."""
    described = Message.model_validate(message)
    for field in described.field:
        assert max(bits_of(field)) < 8 * described.length_bytes
    if described.field:
        node = Node(protocol="frames", heartbeat=described.name, message=[described])
        assert len(LayoutCodec(node).encode(described.name, {})) == described.length_bytes


def test_the_page_tells_every_commanded_role_and_every_checksum() -> None:
    """The lists of the page are those of the driver."""
    told = PAGE[PAGE.index("These are commanded:") : PAGE.index("every colour of a lamp")]
    assert set(re.findall(r"`(\w+)`", told)) == set().union(*COMMANDED.values())
    kinds = get_args(Message.model_fields["checksum_kind"].annotation)
    assert len(kinds) == 6
    assert all(f"`{kind}`" in PAGE for kind in kinds)
