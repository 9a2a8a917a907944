"""Which firmware a simulated board runs: the one that speaks what the description says the node speaks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from hiltest.description.dbc import read_messages
from hiltest.description.models import Description, Load, Node
from hiltest.errors import UsageError
from hiltest.simbench.console_firmware import ALIVE_ID, COMMANDS, LAMPS_MAX, ConsoleFirmware
from hiltest.simbench.firmware import Firmware
from hiltest.simbench.messageprogram import MessageProgram
from hiltest.simbench.peel_firmware import PeelFirmware
from hiltest.simbench.signal_firmware import VentFirmware

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.board import Board

Program = Firmware | MessageProgram | ConsoleFirmware


SPOKEN = "vent_actuator.dbc and of label_peel.toml"


def program_for(board: Board) -> Program:
    """A new life of the board's firmware."""
    if _speaks_canopen(board.node):
        return Firmware(board, board.entries(board.settings.node_id), board.habits)
    if board.node.protocol == "console":
        return ConsoleFirmware(board, board.habits)
    return _speaker(board.node)(board, board.habits)


def _speaks_canopen(node: Node) -> bool:
    """Is it simulated as a CANopen node? One with a driver of its own is, if the description names its EDS file."""
    return node.protocol == "canopen" or (node.protocol == "own" and node.eds is not None)


def _speaker(node: Node) -> type[MessageProgram]:
    """The firmware of a node that speaks in messages: the peel bar's if any of its messages is laid out, else the vent's."""
    names = {message.name for message in node.message}
    return PeelFirmware if node.protocol == "frames" and names & set(PeelFirmware.MESSAGES) else VentFirmware


def check_program(bench: Bench, node: Node) -> None:
    """Refuse a node that the bench has no firmware for.

    Raises:
        UsageError: says what there is firmware for.
    """
    if _speaks_canopen(node):
        return
    if node.protocol == "console":
        _check_lines(bench.description, node)
        return
    if node.protocol not in ("signals", "frames"):
        raise UsageError(
            f"node {node.name!r}: the simulated bench has firmware for the protocols 'canopen' and 'console', for 'own' with "
            f"an eds, and for the messages of {SPOKEN}, not for {node.protocol!r}; leave --simulate out"
        )
    spoken, wanted = _messages(bench, node), _speaker(node).MESSAGES
    missing = [name for name, place in wanted.items() if spoken.get(name) != place]
    if missing:
        can_id, length = wanted[missing[0]]
        raise UsageError(
            f"node {node.name!r}: the simulated bench has firmware for the messages of {SPOKEN} alone; this "
            f"node has no {missing[0]} with identifier 0x{can_id:X} and {length} bytes. Leave --simulate "
            "out, or let a process of yours be the node, behind a serial line (hiltest manual drivers_signals_frames)"
        )
    _check_loads(bench.description, node, _speaker(node).LOADS)


def _messages(bench: Bench, node: Node) -> dict[str, tuple[int, int]]:
    """Identifier and length of each message that the description lays out."""
    if node.protocol == "frames":
        return {message.name: (message.can_id or 0, message.length_bytes) for message in node.message}
    try:
        listed = read_messages(bench.folder / (node.database or ""))
    except (OSError, ValueError) as error:
        raise UsageError(f"node {node.name!r}: database {node.database!r} can't be read: {error}") from error
    return {name: (message.can_id, message.length_bytes) for name, message in listed.items()}


def _check_loads(description: Description, node: Node, loads: Mapping[str, int]) -> None:
    for kind, count in loads.items():
        has = sum(load.node == node.name for load in getattr(description, kind))
        if has != count:
            raise UsageError(
                f"node {node.name!r}: the simulated board has {count} {kind}, the description gives it {has}"
            )


def _check_lines(description: Description, node: Node) -> None:
    """The lines that the description sends are those of the simulated firmware, and its heartbeat, too."""
    owners: list[Node | Load] = [node, *(load for load in description.loads if load.node == node.name)]
    lines = [
        line
        for owner in owners
        for role in owner.roles.values()
        for line in (role.send, role.off, role.ask)
        if line is not None
    ]
    lines += [console.alive for console in description.console if console.node == node.name and console.alive]
    unknown = [line for line in lines if line.split()[0] not in COMMANDS]
    if unknown:
        raise UsageError(
            f"node {node.name!r}: the simulated bench has firmware for the lines of glue_head_console.toml alone, and does "
            f"not know {unknown[0]!r}. Leave --simulate out, or put your node's simulation behind a serial port"
        )
    heartbeat = next((message for message in node.message if message.name == node.heartbeat), None)
    if heartbeat is not None and (heartbeat.can_id, heartbeat.length_bytes) != (ALIVE_ID, 8):
        raise UsageError(
            f"node {node.name!r}: the simulated board's heartbeat has identifier 0x{ALIVE_ID:X} and 8 bytes, the one "
            f"described has 0x{heartbeat.can_id or 0:X} and {heartbeat.length_bytes}"
        )
    if sum(lamp.node == node.name for lamp in description.lamp) > LAMPS_MAX:
        raise UsageError(f"node {node.name!r}: the simulated board has one lamp")
