"""`hiltest number`: give a board that has no node id the id of the description, by LSS (CiA 305)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING

from hiltest.errors import NodeFault, UsageError

if TYPE_CHECKING:
    from hiltest.canbus.frame import Frame
    from hiltest.description.models import Node
    from hiltest.link import Link
    from hiltest.node.lss import LssIdentity
    from hiltest.settings import Settings

LISTEN_S = 1.0
BOOT_UP_ID = 0x700


class NotNumbered(NodeFault):
    """The board was left as it was. The text says why."""


@dataclass(frozen=True, slots=True)
class Numbered:
    """What was done: the board, its id, seconds to its boot-up message (None: none came), boards still without id."""

    node: str
    node_id: int
    identity: LssIdentity
    boot_s: float | None
    left: int

    def text(self) -> str:
        """The same in words, a line each."""
        lines = [f"{self.node}: node id {self.node_id} given and stored; {self.identity}"]
        if self.boot_s is None:
            lines.append(
                "No boot-up message came: switch its supply off and on, and look whether it is there."
            )
        else:
            lines.append(f"It boots under its id: boot-up message after {self.boot_s:.3f} s.")
        if self.left:
            lines.append(f"Still without a node id on this bus: {self.left}.")
        return "\n".join(lines)


def number(settings: Settings, node: str | None = None, board: int | None = None) -> Numbered:
    """Find the board that has no node id on the description's bus and number it.

    Args:
        settings: file, and whether to simulate.
        node: which node of the description; default: the only CANopen node.
        board: serial number (0x1018:4) of the board, where several have no id.

    Raises:
        UsageError: the description has no such node.
        BenchError: the bus can't be opened.
        NotNumbered, NoAnswer, Refused: no such board, another product, the id is in use, or it did not take it.
    """
    from hiltest.canbus.opening import open_port
    from hiltest.claim import Claim
    from hiltest.link import Link
    from hiltest.session import SIMULATED, load

    loaded = load(settings)
    part = _pick(loaded.description.node, node)
    assert part.node_id is not None
    bus = next(each for each in loaded.description.bus if each.name == part.bus)
    claim = None if bus.interface == SIMULATED else Claim(bus.name, bus.interface, bus.channel)
    try:
        link = Link(open_port(bus))
        try:
            return _number(link, part, part.node_id, board)
        finally:
            link.close()
    finally:
        if claim is not None:
            claim.release()


def _pick(nodes: list[Node], name: str | None) -> Node:
    known = [each for each in nodes if each.protocol == "canopen" and each.node_id is not None]
    found = [each for each in known if name in (None, each.name)]
    if len(found) != 1:
        listed = ", ".join(each.name for each in known) or "none"
        what = f"no CANopen node {name!r}" if name else f"{len(found)} CANopen nodes"
        raise UsageError(
            f"the description has {what} with a node_id; say which with --node. It has: {listed}"
        )
    return found[0]


def _number(link: Link, part: Node, node_id: int, board: int | None) -> Numbered:
    from hiltest.node.lss import LssMaster
    from hiltest.node.search import search

    if node_id in search(link, LISTEN_S):
        raise NotNumbered(
            f"node id {node_id} is in use on this bus already; two boards under one id would obey one command. "
            "Unplug that one, or give this node another node_id in the description"
        )
    with LssMaster(link) as master:
        found = master.fast_scan()
        identity = _choose(found, part, board)
        booted: list[float] = []
        started_s = link.now_s
        remove = link.listen(partial(_note_boot, booted, link), {BOOT_UP_ID + node_id})
        try:
            master.number(identity, node_id, part.name)
            link.wait_for(lambda: bool(booted), max(LISTEN_S, 2 * part.boot_max_s))
        finally:
            remove()
    boot_s = booted[0] - started_s if booted else None
    return Numbered(part.name, node_id, identity, boot_s, len(found) - 1)


def _note_boot(booted: list[float], link: Link, frame: Frame) -> None:
    if frame.is_rx and frame.data[:1] == b"\0":
        booted.append(link.now_s)


def _choose(found: list[LssIdentity], part: Node, board: int | None) -> LssIdentity:
    if not found:
        raise NotNumbered(
            "no board without a node id answers on this bus: it has an id already (`hiltest accept` says which), it "
            "knows no LSS (set its switches), or it is not there (power, plug, bit rate)"
        )
    listed = "\n  ".join(map(str, found))
    mine = [
        each
        for each in found
        if part.vendor_id in (None, each.vendor_id)
        and part.product_code in (None, each.product_code)
        and board in (None, each.serial_number)
    ]
    if not mine:
        wanted = "" if part.product_code is None else f" with product 0x{part.product_code:08X}"
        serial = "" if board is None else f" and serial number {board}"
        raise NotNumbered(f"no board{wanted}{serial} is without a node id; these are:\n  {listed}")
    if len(mine) > 1:
        raise NotNumbered(f"{len(mine)} boards have no node id; say which by --board SERIAL:\n  {listed}")
    return mine[0]
