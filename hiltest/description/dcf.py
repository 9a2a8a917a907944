"""What a DCF file (CiA 306) says of one device: its node id and bit rate, in the section [DeviceComissioning] (sic)."""

from __future__ import annotations

import configparser
from pathlib import Path as FilePath
from typing import Any

from hiltest.description.bounded import eds_text
from hiltest.description.files import refusal
from hiltest.description.locating import Path
from hiltest.description.parts import Parts

_SECTION = "devicecomissioning"


def take_node_ids(data: dict[str, Any], folder: FilePath) -> None:
    """Give each node that names a DCF file and no node id the id of that file.

    A file that is not there or can't be read is passed over here: the checks of the files say what is wrong with it.
    """
    for node in _nodes(data):
        if "node_id" not in node:
            node_id, _ = _commissioned(node, folder)
            if node_id is not None:
                node["node_id"] = node_id


def warn_of_contradictions(parts: Parts) -> None:
    """A description and a DCF file that name different node ids or bit rates."""
    rates = {name: bus for bus in _tables(parts.source.data.get("bus")) if (name := bus.get("name", "can"))}
    value = parts.source.data.get("node")
    for number, node in enumerate(_tables(value)):
        node_id, bit_rate_bps = _commissioned(node, parts.folder)
        path: Path = ("node", number)
        if node_id not in (None, node.get("node_id")):
            parts.warn(
                (*path, "node_id"),
                node.get("node_id"),
                f"{node_id}, as {node['eds']} says",
                "Identifiers in a DCF file are those of its node id.",
            )
        bus = rates.get(node.get("bus", "")) or (next(iter(rates.values())) if len(rates) == 1 else {})
        given = bus.get("bit_rate_bps")
        if bit_rate_bps is not None and given not in (None, bit_rate_bps):
            parts.warn(
                (*path, "eds"), f"{bit_rate_bps} bit/s in {node['eds']}", f"bus.bit_rate_bps = {given}"
            )


def _tables(value: Any) -> list[dict[str, Any]]:
    entries = value if isinstance(value, list) else [value]
    return [entry for entry in entries if isinstance(entry, dict)]


def _nodes(data: dict[str, Any]) -> list[dict[str, Any]]:
    return [node for node in _tables(data.get("node")) if node.get("protocol", "canopen") == "canopen"]


def _commissioned(node: dict[str, Any], folder: FilePath) -> tuple[int | None, int | None]:
    """Node id and bit rate in bit/s of a node's DCF file; None for what it does not say."""
    name = node.get("eds")
    if not isinstance(name, str) or not name.lower().endswith(".dcf") or refusal(folder, name):
        return None, None
    file = folder / name
    ini = configparser.RawConfigParser(strict=False, inline_comment_prefixes=(";",))
    try:
        if not file.is_file():
            return None, None
        ini.read_string(eds_text(file))
    except (OSError, ValueError, configparser.Error):
        return None, None
    section = next((each for each in ini.sections() if each.lower() == _SECTION), None)
    if section is None:
        return None, None
    node_id, kbit_s = (
        _number(ini.get(section, "NodeID", fallback="")),
        _number(ini.get(section, "Baudrate", fallback="")),
    )
    return (
        node_id if node_id is not None and 1 <= node_id <= 127 else None,
        None if not kbit_s or kbit_s > 1000 else 1000 * kbit_s,
    )


def _number(text: str) -> int | None:
    try:
        return int(text.strip()[:20], 0)
    except ValueError:
        return None
