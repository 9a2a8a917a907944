"""Files that a description names: beside it or in a folder below it, and there."""

from __future__ import annotations

from pathlib import Path as FilePath
from pathlib import PureWindowsPath

from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import Node
from hiltest.description.parts import Parts

FILE_MAX_BYTES = 16 << 20

_ENDINGS = {"eds": (".eds", ".dcf"), "database": (".dbc",)}


def check_files(parts: Parts) -> None:
    """Every EDS, DCF and DBC file exists within the folder of the description."""
    for path, node in parts.all(Node):
        for key, endings in _ENDINGS.items():
            name = getattr(node, key)
            if name is not None:
                _check_file(parts, (*path, key), name, endings)


def _check_file(parts: Parts, path: Path, name: str, endings: tuple[str, ...]) -> None:
    kinds = " or ".join(endings)
    expected = f"the path of a {kinds} file in the folder of this description or below"
    if reason := _refusal(parts.folder, name):
        parts.error(path, found_text(name), expected, reason)
        return
    file = parts.folder / name
    if not name.lower().endswith(endings):
        parts.error(path, found_text(name), expected, f"Its name must end with {kinds}.")
    elif not file.is_file():
        near = sorted(p.name for p in parts.folder.iterdir() if p.name.lower().endswith(endings))
        hint = did_you_mean(name, near, f"{kinds} file") if near else f"There is none in {parts.folder}."
        parts.error(path, f"{found_text(name)}, which is not there", expected, hint)
    elif file.stat().st_size > FILE_MAX_BYTES:
        parts.error(
            path, f"{found_text(name)}, {file.stat().st_size} bytes", f"at most {FILE_MAX_BYTES} bytes"
        )


def _refusal(folder: FilePath, name: str) -> str:
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
    except (OSError, RuntimeError):
        return "It can't be followed."
    return "" if inside else "It leads out of the folder of this description: copy the file beside it."
