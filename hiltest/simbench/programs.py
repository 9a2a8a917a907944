"""Which firmware a simulated board runs: the one that speaks what the description says the node speaks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.description.dbc import read_messages
from hiltest.description.models import Description, Node
from hiltest.errors import UsageError
from hiltest.simbench.firmware import Firmware
from hiltest.simbench.signal_firmware import LOADS, MESSAGES, VentFirmware

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board

Program = Firmware | VentFirmware


def program_for(board: Board) -> Program:
    """A new life of the board's firmware."""
    if _speaks_canopen(board.node):
        return Firmware(board, board.entries(board.settings.node_id), board.habits)
    return VentFirmware(board, board.habits)


def _speaks_canopen(node: Node) -> bool:
    """Is it simulated as a CANopen node? One with a driver of its own is, if the description names its EDS file."""
    return node.protocol == "canopen" or (node.protocol == "own" and node.eds is not None)


def check_program(bench: Bench, node: Node) -> None:
    """Refuse a node that the bench has no firmware for.

    Raises:
        UsageError: says what there is firmware for.
    """
    if _speaks_canopen(node):
        return
    if node.protocol not in ("signals", "frames"):
        raise UsageError(
            f"node {node.name!r}: the simulated bench has firmware for protocol 'canopen', for 'own' with an eds, and for "
            f"the messages of vent_actuator.dbc, not for {node.protocol!r}; leave --simulate out"
        )
    spoken = _messages(bench, node)
    missing = [name for name, place in MESSAGES.items() if spoken.get(name) != place]
    if missing:
        raise UsageError(
            f"node {node.name!r}: the simulated bench has firmware for the messages of vent_actuator.dbc alone; this "
            f"node has no {missing[0]} with identifier 0x{MESSAGES[missing[0]][0]:X} and 8 bytes. Leave --simulate "
            "out, or simulate your node behind one of the bench's doors"
        )
    _check_loads(bench.description, node)


def _messages(bench: Bench, node: Node) -> dict[str, tuple[int, int]]:
    """Identifier and length of each message that the description lays out."""
    if node.protocol == "frames":
        return {message.name: (message.can_id or 0, message.length_bytes) for message in node.message}
    try:
        listed = read_messages(bench.folder / (node.database or ""))
    except (OSError, ValueError) as error:
        raise UsageError(f"node {node.name!r}: database {node.database!r} can't be read: {error}") from error
    return {name: (message.can_id, message.length_bytes) for name, message in listed.items()}


def _check_loads(description: Description, node: Node) -> None:
    for kind, count in LOADS.items():
        has = sum(load.node == node.name for load in getattr(description, kind))
        if has != count:
            raise UsageError(
                f"node {node.name!r}: the simulated vent actuator has {count} {kind}, the description gives it {has}"
            )
