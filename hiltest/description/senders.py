"""Which identifiers may be heard on a bus: what its nodes send, and the planned traffic.

An identifier is told apart by its format: 0x185 of 11 bits and 0x185 of 29 bits are two (ISO 11898-1).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.description.dbc import read_messages
from hiltest.description.eds import stated_cob_ids

if TYPE_CHECKING:
    from hiltest.description.models import Description, Node

CanId = tuple[int, bool]
"""(identifier, whether it has 29 bits)."""

SYNC_ID = 0x080
_MASTER_END = 0x080
"""Below are commands of a CANopen master (CiA 301), and the host is the only one here."""


_EMERGENCY = 0x080
_IS_OFF, _IS_EXTENDED = 1 << 31, 1 << 29


def emergency_id(stated: int | None, node_id: int) -> CanId:
    """Where a CANopen node sends its emergency messages, by what its file states for 0x1014 (CiA 301).

    0x80 + node id where the file says nothing, or that there are none, or 0x80 alone: a file without $NODEID.
    """
    if stated is None or stated & _IS_OFF or stated & 0x1FFF_FFFF in (0, _EMERGENCY):
        return _EMERGENCY + node_id, False
    if stated & _IS_EXTENDED:
        return stated & 0x1FFF_FFFF, True
    return stated & 0x7FF, False


_TPDO_FIRST, _TPDO_LAST = 0x1800, 0x19FF
_RESTRICTED = (
    *(range(0x081), range(0x101, 0x181), range(0x581, 0x600), range(0x601, 0x680)),
    *(range(0x6E0, 0x700), range(0x701, 0x800)),
)
"""Identifiers that no configurable object may have (CiA 301, restricted CAN-IDs; from memory)."""


def process_data_id(stated: int) -> CanId | None:
    """Where a CANopen node sends a TPDO, by the COB-ID of its 0x1800:1 and on (CiA 301); None if it is off, or where none may be."""
    if stated & _IS_OFF:
        return None
    if stated & _IS_EXTENDED:
        return stated & 0x1FFF_FFFF, True
    can_id = stated & 0x7FF
    return None if any(can_id in each for each in _RESTRICTED) else (can_id, False)


def process_data_ids(stated: dict[tuple[int, int], int]) -> set[CanId]:
    """Identifiers of all TPDOs that a file states (`description.eds.stated_cob_ids`)."""
    found = (
        process_data_id(cob_id) for (index, _), cob_id in stated.items() if _TPDO_FIRST <= index <= _TPDO_LAST
    )
    return {each for each in found if each is not None}


@dataclass(frozen=True, slots=True)
class Senders:
    """Who may be heard on one bus. `ids` are those of messages. `node_ids` are those of CANopen nodes: what has 11 bits
    and ends in one is theirs. `untold` says why it can't be told who else is a stranger; empty where it can.
    """

    ids: frozenset[CanId]
    node_ids: frozenset[int] = frozenset()
    untold: str = ""

    def explain(self, can_id: int, extended: bool) -> bool:
        """True if the description says who sends this."""
        if (can_id, extended) in self.ids:
            return True
        if extended or not self.node_ids or can_id < _MASTER_END:
            return False
        return can_id == SYNC_ID or can_id & 0x7F in self.node_ids


def senders_on(description: Description, bus: str, folder: Path) -> Senders:
    """What the description in `folder` explains on `bus`; never raises, a file that can't be read is `untold`."""
    nodes = [node for node in description.node if node.bus == bus]
    ids: set[CanId] = set()
    untold: list[str] = []
    for node in nodes:
        ids |= {(each.can_id, each.extended) for each in node.message if each.can_id is not None}
        if reason := _untold(node):
            untold.append(reason)
        if node.protocol == "canopen" and node.node_id is not None and node.eds is not None:
            try:
                stated = stated_cob_ids(folder / node.eds, node.node_id)
            except (OSError, ValueError) as error:
                untold.append(f"{node.eds} can't be read ({error})")
            else:
                ids.add(emergency_id(stated.get((0x1014, 0)), node.node_id))
                ids |= process_data_ids(stated)
    databases = [node.database for node in nodes if node.protocol == "signals"]
    for part in description.bus:
        if part.name == bus:
            ids |= {(each.can_id, each.extended) for each in part.traffic}
            databases.append(part.traffic_database)
    for name in dict.fromkeys(filter(None, databases)):
        try:
            ids |= set(_listed(folder / name))
        except (OSError, ValueError) as error:
            untold.append(f"{name} can't be read ({error})")
    node_ids = {node.node_id for node in nodes if node.protocol == "canopen" and node.node_id is not None}
    return Senders(frozenset(ids), frozenset(node_ids), "; ".join(untold))


def messages_of(node: Node, folder: Path) -> frozenset[CanId]:
    """Identifiers of the messages that are described of `node`, its commands among them; never raises, a database that
    can't be read has none.
    """
    found = {(each.can_id, each.extended) for each in node.message if each.can_id is not None}
    if node.protocol == "signals" and node.database is not None:
        names = {each.name for each in node.message}
        try:
            listed = read_messages(folder / node.database)
        except (OSError, ValueError):
            return frozenset(found)
        found |= {(each.can_id, each.extended) for name, each in listed.items() if name in names}
    return frozenset(found)


def _listed(file: Path) -> Iterator[CanId]:
    return ((each.can_id, each.extended) for each in read_messages(file).values())


def _untold(node: Node) -> str:
    if node.protocol == "own":
        return (
            f"node {node.name!r} has a driver of its own, and what it sends stands nowhere in the description"
        )
    if node.protocol == "console" and not node.message:
        return f"node {node.name!r} is described by its console alone, and what it sends on the bus is not"
    return ""
