"""Files that a description names: beside it or in a folder below it, and there."""

from __future__ import annotations

from pathlib import Path as FilePath
from pathlib import PureWindowsPath

from hiltest.description.dbc import ListedMessage, read_messages
from hiltest.description.eds import Objects, read_objects, stated_cob_ids
from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import Bus, Node
from hiltest.description.parts import Parts

_ENDINGS = {"eds": (".eds", ".dcf"), "database": (".dbc",), "traffic_database": (".dbc",)}


def check_files(parts: Parts) -> None:
    """Every EDS, DCF and DBC file exists within the folder of the description."""
    for path, part in [*parts.all(Node), *parts.all(Bus)]:
        for key, endings in _ENDINGS.items():
            name = getattr(part, key, None)
            if name is None:
                continue
            at = (*path, key)
            wrong = _wrong_with(parts.folder, name, endings)
            if wrong is not None:
                kinds = " or ".join(endings)
                expected = f"the path of a {kinds} file in the folder of this description or below"
                parts.error(at, wrong[0], expected, wrong[1])
            elif key == "eds":
                if name not in parts.objects:
                    _read_eds(parts, at, name)
                if name in parts.objects and isinstance(part, Node) and part.node_id is not None:
                    _check_sdo(parts, at, name, part.node_id)
            elif key != "eds" and name not in parts.databases:
                _read_database(parts, at, name)


def objects_of(parts: Parts, node: Node) -> Objects | None:
    """The objects of a node's EDS file, None when it has none that can be used."""
    return None if node.eds is None else parts.objects.get(node.eds)


def _read_eds(parts: Parts, path: Path, name: str) -> None:
    try:
        parts.objects[name] = read_objects(parts.folder / name)
    except (OSError, ValueError) as error:
        parts.error(path, f"{found_text(name)}, which can't be used", "an EDS file (CiA 306)", f"{error}.")


def _check_sdo(parts: Parts, path: Path, name: str, node_id: int) -> None:
    """hiltest asks by the default SDO, whose identifiers CiA 301 fixes: a file that names others is not followed."""
    stated = stated_cob_ids(parts.folder / name, node_id)
    for sub, base, who in ((1, 0x600, "asks"), (2, 0x580, "listens for answers")):
        found = stated.get((0x1200, sub))
        if found not in (None, base, base + node_id):  # the base alone is a file without $NODEID
            parts.warn(
                path,
                f"{found_text(name)}, in which 0x1200:{sub} is 0x{found:X}",
                f"0x{base + node_id:X}, where hiltest {who}: the default SDO of node {node_id} (CiA 301)",
                "A board that has its first SDO elsewhere does not answer hiltest.",
            )


def messages_of(parts: Parts, node: Node) -> dict[str, ListedMessage] | None:
    """The messages of a node's DBC file, None when it has none that can be used."""
    return None if node.database is None else parts.databases.get(node.database)


def _read_database(parts: Parts, path: Path, name: str) -> None:
    try:
        parts.databases[name] = read_messages(parts.folder / name)
    except (OSError, ValueError) as error:
        parts.error(path, f"{found_text(name)}, which can't be used", "a DBC file", f"{error}.")


def _wrong_with(folder: FilePath, name: str, endings: tuple[str, ...]) -> tuple[str, str] | None:
    """What was found and what to do, None when the file can be used."""
    shown = found_text(name)
    if reason := refusal(folder, name):
        return shown, reason
    file = folder / name
    if not name.lower().endswith(endings):
        return shown, f"Its name must end with {' or '.join(endings)}."
    if not file.is_file():
        near = sorted(p.name for p in folder.iterdir() if p.name.lower().endswith(endings))
        hint = did_you_mean(name, near, "file") if near else f"There is none in {folder}."
        return f"{shown}, which is not there", hint
    return None


def refusal(folder: FilePath, name: str) -> str:
    """Why this path may not be used; empty when it may.

    The folder of a description is copied and kept as a whole, so it must hold all that it names.
    """
    if not name.strip() or not name.isprintable():
        return "It holds no name, or characters that can't be printed."
    if "\\" in name or PureWindowsPath(name).is_absolute() or PureWindowsPath(name).drive:
        return "Write folders with /, relative to this file."
    if FilePath(name).is_absolute():
        return "Write it relative to this file."
    try:
        inside = (folder / name).resolve().is_relative_to(folder.resolve())
        (folder / name).is_file()
    except (OSError, RuntimeError):
        return "It can't be followed."
    return "" if inside else "It leads out of the folder of this description: copy the file beside it."
