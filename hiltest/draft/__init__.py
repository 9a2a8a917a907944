"""`hiltest draft`: from a live bus to a commented description with blanks to fill in.

Listens first, and without taking part where the adapter can. Then it asks: identities, device types, process data
mappings. It reads and never writes an object, starts nothing and commands nothing, so nothing is energised.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.claim import Claim
    from hiltest.draft.look import Look

SIMULATED = "hiltest"


@dataclass(frozen=True, slots=True)
class Order:
    """What to look at and where to write.

    `interface`, `channel` and `options` are python-can's; `bit_rate_bps` None: find it by listening. `folders` are
    searched for EDS, DCF and DBC files. `only_listen`: send nothing at all.
    """

    interface: str
    channel: str
    out: Path
    bit_rate_bps: int | None = None
    options: dict[str, Any] = field(default_factory=dict)
    folders: tuple[Path, ...] = ()
    only_listen: bool = False
    replace: bool = False


def simulated(
    file: Path, faults: tuple[str, ...] = (), seed: int | None = None
) -> tuple[str, dict[str, Any]]:
    """Channel and options of the simulated bench of a description."""
    options: dict[str, Any] = {"faults": " ".join(faults)} if faults else {}
    if seed is not None:
        options["seed"] = seed
    return str(file.resolve()), options


def draft(order: Order) -> list[str]:
    """Look at the bus and write the description; returns lines that say what was found.

    Raises:
        UsageError: the out file is there already, or a folder is none.
        BenchError: the bus can't be opened, or nobody is heard on it.
    """
    from hiltest.description.blanks import BLANK
    from hiltest.draft.files import Files
    from hiltest.draft.look import look
    from hiltest.draft.text import description_text

    if order.out.exists() and not order.replace:
        raise UsageError(f"{order.out} is there already; give another name, or --replace to write over it")
    for folder in order.folders:
        if not folder.is_dir():
            raise UsageError(f"{folder} is no folder; --files names a folder with EDS, DCF and DBC files")
    order.out.parent.mkdir(parents=True, exist_ok=True)
    files = Files((order.out.parent, *order.folders))
    claim = _claim(order)
    try:
        seen: Look = look(order)
    finally:
        if claim is not None:
            claim.release()
    fits = files.fit(seen)
    copied = files.bring(fits, order.out.parent)
    text = description_text(order, seen, fits)
    order.out.write_text(text, encoding="utf-8")
    blanks = sum(f'"{BLANK}"' in each for each in text.splitlines() if not each.startswith("#"))
    lines = [*seen.lines(), *(f"copied beside it: {path}" for path in copied)]
    lines.append(
        f"written: {order.out}, with {blanks} blanks to fill in (`hiltest desk {order.out}` lists them)"
    )
    return lines


def _claim(order: Order) -> Claim | None:
    from hiltest.claim import Claim

    return None if order.interface == SIMULATED else Claim("can", order.interface, order.channel)
