"""Description files that differ from the fixtures by a line or two, made anew for each process."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from functools import cache
from pathlib import Path

from hiltest.campaign.tiers import Bench, Row

HERE = Path(__file__).parent
FIXTURES = HERE.parents[1] / "fixtures"
GLUE_HEAD = FIXTURES / "glue_head.toml"


@cache
def _folder() -> Path:
    folder = Path(tempfile.mkdtemp(prefix="hiltest-variants-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    shutil.copy(FIXTURES / "glue_head.eds", folder)
    return folder


@cache
def variant(name: str, file: Path, *edits: tuple[str, str], more: str = "") -> Path:
    """A copy of `file` called `name`, with each text replaced that must be in it, and `more` at its end."""
    text = file.read_text(encoding="utf-8")
    for old, new in edits:
        assert old in text, f"{file}: {old!r} is not in it any more"
        text = text.replace(old, new)
    path = _folder() / f"{name}.toml"
    path.write_text(text + more, encoding="utf-8")
    return path


ALONE = ("operator = true", "operator = false")


def description(bench: Bench, alone: bool) -> Path:
    """The description file of one of the benches that the tiers name; `alone`: nobody takes part."""
    if bench == "two heaters":
        return variant("two_heaters", HERE / "two_heaters.toml")
    if bench == "blind adapter":
        return variant(
            "blind_adapter",
            GLUE_HEAD,
            ALONE,
            ('bus_errors = "0x2001:3"\n', ""),
            ('transmit_errors = "0x2001:1"\n', ""),
            ('receive_errors = "0x2001:2"\n', ""),
            more="\n[simulation.adapter]\nreports_errors = false\n",
        )
    return variant("alone", GLUE_HEAD, ALONE) if alone else GLUE_HEAD


def of_row(row: Row) -> Path:
    """The description that a row of the tiers is run with: without a person, unless only a person can find it."""
    return description(row.bench, row.alone)
