"""Which objects an EDS or DCF file lists: enough to tell a role that leads nowhere.

The format is CiA 306: an INI file whose sections [1018] and [1018sub1] are objects. Types and values are
the driver's business.
"""

from __future__ import annotations

import configparser
import re
from dataclasses import dataclass
from pathlib import Path

from hiltest.description.bounded import eds_text, one_line

COMPACT_TOTAL_MAX = 20_000
"""Sub-objects that compact arrays of one file may stand for: far more than any device has."""

_SECTION = re.compile(r"([0-9A-F]{1,4})(?:SUB([0-9A-F]{1,2}))?", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Objects:
    """The objects of one file: each index with its sub-indices, and the name of every object."""

    subs: dict[int, frozenset[int]]
    names: frozenset[str]

    def has(self, index: int, sub: int | None) -> bool:
        """Whether the object exists; without a sub-index the index alone has to."""
        return index in self.subs and (sub is None or sub in self.subs[index])


def read_objects(file: Path) -> Objects:
    """Read the list of objects.

    Raises:
        OSError, ValueError: it can't be read, asks for more than any device has, is no INI file, or lists no object.
    """
    ini = configparser.ConfigParser(interpolation=None, strict=False, comment_prefixes=(";", "#"))
    try:
        ini.read_string(eds_text(file))
    except configparser.Error as error:
        raise ValueError(one_line(error)) from error
    subs: dict[int, set[int]] = {}
    names: dict[tuple[int, int | None], str] = {}
    written_out = 0
    for title in ini.sections():
        match = _SECTION.fullmatch(title.strip())
        if match is None:
            continue
        index, sub = int(match[1], 16), None if match[2] is None else int(match[2], 16)
        subs.setdefault(index, {0}).add(sub or 0)
        compact = _number(ini[title].get("CompactSubObj"))
        written_out += compact
        if written_out > COMPACT_TOTAL_MAX:
            raise ValueError(f"its compact arrays stand for more than {COMPACT_TOTAL_MAX} sub-objects")
        subs[index].update(range(compact + 1))
        names[index, sub] = ini[title].get("ParameterName", "").strip()
    if not subs:
        raise ValueError("it lists no object")
    return Objects({index: frozenset(found) for index, found in subs.items()}, _spellings(names))


_COB_IDS = {"1014": (0x1014, 0), "1200SUB1": (0x1200, 1), "1200SUB2": (0x1200, 2)}
_TPDO = re.compile(r"1[89][0-9A-F]{2}SUB1")
_KEYS = ("parametervalue", "defaultvalue")
"""What counts first: a DCF's configured value, then the default (CiA 306)."""
_TERM = re.compile(r"(?P<node>\$NODEID)|0X(?P<hex>[0-9A-F]{1,8})|(?P<plain>\d{1,10})")


def stated_cob_ids(file: Path, node_id: int) -> dict[tuple[int, int], int]:
    """The COB-IDs that a file gives the emergency message (0x1014), the default SDO (0x1200:1 and :2) and the process data
    that the device sends (0x1800:1 to 0x19FF:1), as CiA 301 packs them, by index and sub-index; what it leaves out, or
    writes as no number, is not in it.

    Raises:
        OSError, ValueError: it can't be read, or is none that any device has.
    """
    texts: dict[tuple[int, int], dict[str, str]] = {}
    section: dict[str, str] | None = None
    for line in eds_text(file).split("\n"):
        line = line.strip()
        if line.startswith("["):
            title = line.strip("[] ").upper()
            at = (int(title[:4], 16), 1) if _TPDO.fullmatch(title) else _COB_IDS.get(title)
            section = None if at is None else texts.setdefault(at, {})
        elif section is not None and "=" in line:
            key, _, value = line.partition("=")
            section.setdefault(key.strip().lower(), value.partition(";")[0].strip())
    found: dict[tuple[int, int], int] = {}
    for at, entries in texts.items():
        stated = next((entries[key] for key in _KEYS if entries.get(key)), "")
        number = _sum(stated, node_id)
        if number is not None:
            found[at] = number
    return found


def _sum(text: str, node_id: int) -> int | None:
    """A number, or numbers and $NODEID put together by plus signs (CiA 306); None for anything else."""
    total = 0
    for term in text.upper().split("+"):
        match = _TERM.fullmatch(term.strip())
        if match is None:
            return None
        total += node_id if match["node"] else int(match["hex"] or match["plain"], 16 if match["hex"] else 10)
    return total


def _number(text: str | None) -> int:
    """A number of the file, 0 when there is none that can be used."""
    try:
        value = int((text or "0").strip(), 0)
    except ValueError:
        return 0
    return value if 0 <= value <= 254 else 0


def _spellings(names: dict[tuple[int, int | None], str]) -> frozenset[str]:
    """Every name, and sub-objects also as 'Object.Sub-object'."""
    found = {name for name in names.values() if name}
    for (index, sub), name in names.items():
        parent = names.get((index, None))
        if sub is not None and parent and name:
            found.add(f"{parent}.{name}")
    return frozenset(found)
