"""Descriptions that differ from the scenarios by a line or two, made anew for each process, with their files beside them."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"


@cache
def edited(file: Path, *edits: tuple[str, str], more: str = "", name: str = "") -> Path:
    """A copy of `file`, called `name`, with each text replaced that must be in it, and `more` at its end."""
    text = changed(file.read_text(encoding="utf-8"), *edits)
    return written(text + more, name or file.name)


def changed(text: str, *edits: tuple[str, str]) -> str:
    """The text with each text of `edits` replaced, wherever it is; it must be there."""
    for old, new in edits:
        assert old in text, f"{old!r} is not in it any more"
        text = text.replace(old, new)
    return text


def written(text: str, name: str) -> Path:
    """The text as a description, in a folder of its own that holds what the scenarios name."""
    folder = Path(tempfile.mkdtemp(prefix="hiltest-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    for each in FIXTURES.iterdir():
        if each.suffix in (".eds", ".dbc") or each.name.endswith(".answers.toml"):
            shutil.copy(each, folder)
    (folder / name).write_text(text, encoding="utf-8")
    return folder / name
