"""EDS and DCF files as makers write them, put into the form that the reader of the `canopen` package wants.

CiA 306 files are INI files whose section and key names don't depend on case. Makers differ: [1018SUB1], ParameterNAME,
sub-objects in front of their object, doubled sections, comment counts that are wrong, empty numbers. Only the sections of
objects are kept; what the reader would trip over is put right or left out:

- an object without a data type, or with one that is no number, becomes a DOMAIN: it can't be taken for a number;
- an object that has sub-objects is a record, whatever its ObjectType says (unless it is an array);
- CompactSubObj is written out, with the names and values of its [..Name] and [..Value] sections;
- of a doubled section or key the first counts; a sub-object without its object is left out.
"""

from __future__ import annotations

import re

_KEYS = {
    name.lower(): name
    for name in (
        "ParameterName", "ObjectType", "DataType", "AccessType", "DefaultValue", "ParameterValue", "PDOMapping",
        "LowLimit", "HighLimit", "SubNumber", "CompactSubObj", "NrOfEntries", "Factor", "Unit",
    )
}  # fmt: skip
_OBJECT = re.compile(r"([0-9a-f]{1,4})", re.IGNORECASE)
_SUB = re.compile(r"([0-9a-f]{1,4})sub([0-9a-f]{1,2})", re.IGNORECASE)
_NUMBER = re.compile(r"0x[0-9a-f]{1,8}|\d{1,10}", re.IGNORECASE)
_LIST = re.compile(r"([0-9a-f]{1,4})(name|value)", re.IGNORECASE)
ARRAY, RECORD, UNSIGNED8, DOMAIN = 0x8, 0x9, 0x05, 0x0F
COMPACT_MAX = 254
COMPACT_TOTAL_MAX = 20_000
"""Sub-objects that compact arrays of one file may stand for: far more than any device has."""

Section = dict[str, str]


def canonical(text: str) -> str:
    """The object sections of an EDS or DCF text, in the one spelling that the reader knows.

    Raises:
        ValueError: its compact arrays stand for more sub-objects than any device has.
    """
    objects: dict[int, Section] = {}
    subs: dict[tuple[int, int], Section] = {}
    lists: dict[tuple[int, str], Section] = {}
    for title, section in _sections(text):
        if match := _SUB.fullmatch(title):
            subs.setdefault((int(match[1], 16), int(match[2], 16)), section)
        elif match := _LIST.fullmatch(title):
            lists.setdefault((int(match[1], 16), match[2].lower()), section)
        elif match := _OBJECT.fullmatch(title):
            objects.setdefault(int(match[1], 16), section)
    with_subs = {index for index, _ in subs}
    written_out = 0
    for index, section in objects.items():
        count = 0 if index in with_subs else _compact(section)
        written_out += count
        if written_out > COMPACT_TOTAL_MAX:
            raise ValueError(f"its compact arrays stand for more than {COMPACT_TOTAL_MAX} sub-objects")
        if count:
            names, values = lists.get((index, "name"), {}), lists.get((index, "value"), {})
            subs.update(_written_out(index, section, count, names, values))
    lines = ["[DeviceInfo]"]
    with_subs = {index for index, _ in subs}
    for index in sorted(objects):
        lines += _lines(f"{index:04X}", _object(index, objects[index], index in with_subs))
    for index, sub in sorted(subs):
        if index in objects:
            lines += _lines(f"{index:04X}sub{sub:X}", _variable(f"0x{index:04X}:{sub}", subs[index, sub]))
    return "\n".join(lines) + "\n"


def _sections(text: str) -> list[tuple[str, Section]]:
    found: list[tuple[str, Section]] = []
    for raw in text.removeprefix("\ufeff").removeprefix("ï»¿").splitlines():
        line = raw.strip()
        if not line or line[0] in ";#":
            continue
        if line[0] == "[":
            found.append((line[1:].partition("]")[0].strip(), {}))
        elif found and "=" in line:
            key, _, value = line.partition("=")
            key = key.strip()
            found[-1][1].setdefault(_KEYS.get(key.lower(), key), _value(value))
    return found


def _value(text: str) -> str:
    """A value without a comment behind it, and with nothing that could begin a new line."""
    shown = re.split(r"\s;", text, maxsplit=1)[0].strip()
    return "".join(each if each.isprintable() else "?" for each in shown)[:4000]


def _compact(section: Section) -> int:
    """How many sub-objects a compact array stands for; 0 for none."""
    told = section.get("CompactSubObj")
    count = int(told, 0) if told is not None and _is_number(told) else 0
    return count if count <= COMPACT_MAX else 0


def _written_out(
    index: int, section: Section, count: int, names: Section, values: Section
) -> dict[tuple[int, int], Section]:
    """The sub-objects of a compact array (CiA 306): all alike but for name and value."""
    same = {
        key: value
        for key, value in section.items()
        if key not in ("CompactSubObj", "SubNumber", "ObjectType")
    }
    first = {"ParameterName": "Number of entries", "DataType": f"{UNSIGNED8:#06x}", "AccessType": "const"}
    found: dict[tuple[int, int], Section] = {(index, 0): {**first, "DefaultValue": str(count)}}
    for sub in range(1, count + 1):
        name = names.get(str(sub)) or f"{_name(section, f'0x{index:04X}')}{sub}"
        value = {"ParameterValue": values[str(sub)]} if str(sub) in values else {}
        found[index, sub] = {**same, "ParameterName": name, **value}
    return found


def _object(index: int, section: Section, has_subs: bool) -> Section:
    kind = section.get("ObjectType")
    number = int(kind, 0) if kind is not None and _is_number(kind) else None
    if has_subs:
        number = ARRAY if number == ARRAY or _compact(section) else RECORD
    elif number in (ARRAY, RECORD) and "DataType" in section:
        number = None  # an array that tells no sub-object is taken for what its type says
    if number in (ARRAY, RECORD):
        return {"ParameterName": _name(section, f"0x{index:04X}"), "ObjectType": f"{number:#x}"}
    return {**_variable(f"0x{index:04X}", section), "ObjectType": f"{number or 0x7:#x}"}


def _variable(place: str, section: Section) -> Section:
    kept = dict(section)
    kept["ParameterName"] = _name(section, place)
    kept["AccessType"] = section.get("AccessType") or "rw"
    if not _is_number(section.get("DataType")):
        kept["DataType"] = f"{DOMAIN:#06x}"
    if not _is_number(section.get("PDOMapping")):
        kept["PDOMapping"] = "0"
    kept.pop("ObjectType", None)
    return kept


def _name(section: Section, place: str) -> str:
    return section.get("ParameterName") or f"object {place}"


def _is_number(text: str | None) -> bool:
    return text is not None and _NUMBER.fullmatch(text.strip()) is not None


def _lines(title: str, section: Section) -> list[str]:
    return [f"[{title}]", *(f"{key}={value}" for key, value in section.items() if re.fullmatch(r"\w+", key))]
