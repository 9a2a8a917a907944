"""Places in a CANopen object dictionary: from the text of a role to bytes and back.

A role says where a number is found: 'index[:sub][.bit]' (CiA 301 indexes, like '0x6401:2' or '0x6000:1.3') or
a parameter name of the EDS ('Supply voltage', 'Analogue inputs.Tach 1'). The type comes from the EDS.
"""

from __future__ import annotations

import difflib
import io
import logging
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import canopen
from canopen.objectdictionary import ODArray, ODRecord, ODVariable, datatypes

from hiltest.description.bounded import eds_text, one_line
from hiltest.errors import DescriptionError, NodeFault, Problem, UsageError
from hiltest.node.edstext import canonical

# What the library would print on standard error about a file is no answer to a person.
logging.getLogger("canopen").addHandler(logging.NullHandler())

_NUMBERED = re.compile(
    r"(0[xX][0-9a-fA-F]{1,4}|\d{1,5})(?::(0[xX][0-9a-fA-F]{1,2}|\d{1,3}))?(?:\.(\d{1,2}))?"
)
_BIT_AT_END = re.compile(r"(.+)\.(\d{1,2})")

# The objects that hiltest uses of its own accord, for nodes without an EDS. Types as in CiA 301 and CiA 402
# (the latter from memory).
_STANDARD_TYPES = {
    0x1000: datatypes.UNSIGNED32,
    0x1001: datatypes.UNSIGNED8,
    0x1008: datatypes.VISIBLE_STRING,
    0x1009: datatypes.VISIBLE_STRING,
    0x100A: datatypes.VISIBLE_STRING,
    0x1017: datatypes.UNSIGNED16,
    0x6040: datatypes.UNSIGNED16,
    0x6041: datatypes.UNSIGNED16,
    0x6060: datatypes.INTEGER8,
    0x6061: datatypes.INTEGER8,
    0x6064: datatypes.INTEGER32,
    0x607A: datatypes.INTEGER32,
    0x6081: datatypes.UNSIGNED32,
    0x6083: datatypes.UNSIGNED32,
}


@dataclass(frozen=True, slots=True)
class Place:
    """One number in the node's object dictionary, or one bit of it. value = raw * scale + offset."""

    index: int
    sub: int
    bit: int | None
    variable: ODVariable
    scale: float = 1.0
    offset: float = 0.0

    def __str__(self) -> str:
        tail = "" if self.bit is None else f".{self.bit}"
        return f"0x{self.index:04X}:{self.sub}{tail}"

    @property
    def is_signed(self) -> bool:
        return self.variable.data_type in datatypes.SIGNED_TYPES

    @property
    def is_float(self) -> bool:
        return self.variable.data_type in datatypes.FLOAT_TYPES

    @property
    def size_bits(self) -> int:
        return len(self.variable)

    def raw(self, data: bytes) -> float:
        """The raw number in the bytes of an answer; of a single bit, 0 or 1.

        Raises:
            NodeFault: the number of bytes is not that of the type.
        """
        if len(data) * 8 != self.size_bits:
            raise NodeFault(
                f"{self} came with {len(data)} bytes ({data.hex(' ').upper()}), expected {self.size_bits // 8} as "
                "the EDS says: the firmware and the EDS do not belong together"
            )
        number = self.variable.decode_raw(data)
        assert isinstance(number, int | float)  # the type was checked when the place was found
        return number if self.bit is None else (int(number) >> self.bit) & 1

    def value_of(self, raw: float) -> float:
        # 700 * 0.001 shall be 0.7 in a report, not 0.7000000000000001: the node counts in far coarser steps.
        return float(f"{raw * self.scale + self.offset:.12g}")

    def is_no_value(self, raw: float) -> bool:
        """True for what stands for "no valid value": the smallest number of a signed type, or NaN."""
        if self.is_float:
            return math.isnan(raw)
        return self.is_signed and raw == -(1 << (self.size_bits - 1))

    def encode(self, value: float, name: str) -> bytes:
        """The bytes to write for `value`.

        Raises:
            UsageError: the value does not fit the type.
        """
        raw = (value - self.offset) / self.scale
        return self.encode_raw(raw if self.is_float else round(raw), name, value)

    def encode_raw(self, raw: float, name: str, value: float | None = None) -> bytes:
        low, high = self.range
        if not low <= raw <= high:
            shown = raw if value is None else value
            raise UsageError(
                f"{name} = {shown:g} does not fit {self}: allowed are {self.value_of(low):g}.."
                f"{self.value_of(high):g}"
            )
        return bytes(self.variable.encode_raw(raw))

    @property
    def range(self) -> tuple[float, float]:
        """Smallest and largest raw number."""
        if self.is_float:
            return -math.inf, math.inf
        bits = self.size_bits
        if self.variable.data_type == datatypes.BOOLEAN:
            return 0, 1
        return (-(1 << (bits - 1)), (1 << (bits - 1)) - 1) if self.is_signed else (0, (1 << bits) - 1)


class Dictionary:
    """The node's object dictionary, from its EDS or DCF file (CiA 306), or the standard's objects alone."""

    def __init__(self, objects: canopen.ObjectDictionary, file: str | None) -> None:
        self.objects = objects
        self.file = file

    def place(self, at: str, scale: float = 1.0, offset: float = 0.0) -> Place:
        """Find the number that a role's text means.

        Raises:
            LookupError: the text says what is wrong and what is near.
        """
        numbered = _NUMBERED.fullmatch(at.strip())
        if numbered:
            index, sub, bit = numbered.groups()
            return self._numbered(
                _number(index), None if sub is None else _number(sub), _int(bit), scale, offset
            )
        return self._named(at.strip(), scale, offset)

    def has(self, index: int, sub: int | None = None) -> bool:
        """True if the dictionary lists the object."""
        if index not in self.objects:
            return False
        return sub is None or self._variable(index, sub) is not None

    def is_domain(self, index: int, sub: int = 0) -> bool:
        """Is the object one of type DOMAIN, whose length only the node knows?"""
        variable = self._variable(index, sub)
        return variable is not None and variable.data_type == datatypes.DOMAIN

    def default(self, index: int, sub: int = 0) -> int | None:
        """The whole number that the file gives an object: a DCF's configured value, else the default; None for none."""
        variable = self._variable(index, sub)
        if variable is None:
            return None
        value = variable.default if variable.value is None else variable.value
        return value if isinstance(value, int) else None

    def standard(self, index: int, sub: int = 0, like: int | None = None) -> Place | None:
        """The place of an object of a standard profile, or None if the node does not list it."""
        variable = self._variable(index, sub)
        if variable is None and self.file is None:
            variable = ODVariable(f"0x{index:04X}", index, sub)
            variable.data_type = _STANDARD_TYPES.get(like or index)
        if variable is None or variable.data_type is None:
            return None
        return Place(index, sub, None, variable)

    def _numbered(self, index: int, sub: int | None, bit: int | None, scale: float, offset: float) -> Place:
        if self.file is None:
            place = self.standard(index, sub or 0)
            if place is None:
                raise LookupError(
                    f"0x{index:04X} is not an object of the standard whose type is known; give the node's eds"
                )
            return self._checked(place.variable, bit, scale, offset)
        entry: Any = self.objects.get(index)
        if entry is None:
            near = min(self.objects, key=lambda known: abs(known - index), default=None)
            hint = "" if near is None else f"; nearest is 0x{near:04X} ({self.objects[near].name!r})"
            raise LookupError(f"no object 0x{index:04X} in {self.file}{hint}")
        if sub is None and isinstance(entry, ODRecord | ODArray):
            raise LookupError(
                f"0x{index:04X} ({entry.name!r}) has sub-indexes {_subs(entry)}; write 0x{index:04X}:1 or so"
            )
        variable = self._variable(index, sub or 0)
        if variable is None:
            subs = _subs(entry) if isinstance(entry, ODRecord | ODArray) else "only 0"
            raise LookupError(f"0x{index:04X} ({entry.name!r}) has no sub-index {sub}; it has {subs}")
        return self._checked(variable, bit, scale, offset)

    def _named(self, name: str, scale: float, offset: float) -> Place:
        variable, bit = self._by_name(name), None
        with_bit = _BIT_AT_END.fullmatch(name)
        if variable is None and with_bit:
            variable, bit = self._by_name(with_bit[1]), int(with_bit[2])
        if variable is None:
            near = difflib.get_close_matches(name, self._names(), n=1)
            hint = f"; did you mean {near[0]!r}?" if near else ""
            raise LookupError(
                f"{name!r} is neither index[:sub][.bit] nor a parameter name of {self.file or 'an EDS'}{hint}"
            )
        return self._checked(variable, bit, scale, offset)

    def _checked(self, variable: ODVariable, bit: int | None, scale: float, offset: float) -> Place:
        kind = variable.data_type
        if kind not in datatypes.NUMBER_TYPES and kind != datatypes.BOOLEAN:
            raise LookupError(
                f"{variable.name!r} (0x{variable.index:04X}:{variable.subindex}) is not a number"
            )
        if bit is not None and bit >= len(variable):
            raise LookupError(f"{variable.name!r} has bits 0..{len(variable) - 1}, not {bit}")
        if scale == 0:
            raise LookupError("scale = 0 would make every value the same; leave it out for 1")
        return Place(variable.index, variable.subindex, bit, variable, scale, offset)

    def _variable(self, index: int, sub: int) -> ODVariable | None:
        entry: Any = self.objects.get(index)
        if isinstance(entry, ODVariable):
            return entry if sub == 0 else None
        if entry is None:
            return None
        # Only what the file lists: an array of the library would make up any other sub-index.
        found = entry.subindices.get(sub)
        return found if isinstance(found, ODVariable) else None

    def _by_name(self, name: str) -> ODVariable | None:
        entry: Any = self.objects.names.get(name)
        if entry is None and "." in name:
            parent, _, child = name.partition(".")
            record: Any = self.objects.names.get(parent)
            entry = getattr(record, "names", {}).get(child)
        return entry if isinstance(entry, ODVariable) else None

    def _names(self) -> list[str]:
        names: list[str] = []
        for entry in self.objects.values():
            if isinstance(entry, ODVariable):
                names.append(entry.name)
            else:
                names += [f"{entry.name}.{child}" for child in entry.names]
        return names


def load_dictionary(path: Path | None, node_id: int, key: str) -> Dictionary:
    """Read an EDS or DCF file (CiA 306). Without a file: an empty dictionary.

    Raises:
        DescriptionError: there is no such file, or it can't be used. `key` says where it was named.
    """
    if path is None:
        return Dictionary(canopen.ObjectDictionary(), None)  # type: ignore[no-untyped-call]

    def bad(found: str, hint: str = "") -> DescriptionError:
        return DescriptionError([Problem(str(path), key, found, "an EDS or DCF file (CiA 306)", None, hint)])

    if path.suffix.lower() not in (".eds", ".dcf"):
        raise bad(f"a file whose name ends in {path.suffix or 'nothing'!r}")
    try:
        content = eds_text(path)
    except OSError as error:
        hint = "The path is relative to the fixture description"
        raise bad(f"a file that can't be read ({error.strerror})", hint) from error
    except ValueError as error:
        raise bad(f"what can't be read as such ({error})", "Is it the right file?") from error
    try:
        text = _NamedText(canonical(content))
        text.name = str(path)
        objects = canopen.import_od(text, node_id)
    except Exception as error:  # the reader lets out whatever went wrong first, of any type
        raise bad(f"what can't be read as such ({type(error).__name__}: {one_line(error)})") from error
    if 0x1000 not in objects or 0x1018 not in objects:
        raise bad("no object 0x1000 or 0x1018", "CiA 301 makes both mandatory")
    for index in objects:
        is_pdo = 0x1400 <= index < 0x1600 or 0x1800 <= index < 0x1A00
        if is_pdo and index + 0x200 not in objects:
            raise bad(f"PDO 0x{index:04X} without its mapping 0x{index + 0x200:04X}")
    return Dictionary(objects, path.name)


class _NamedText(io.StringIO):
    name = ""


def _number(text: str) -> int:
    """Hexadecimal with 0x, else decimal, with zeros in front or not."""
    return int(text, 16 if text[:2] in ("0x", "0X") else 10)


def _int(text: str | None) -> int | None:
    return None if text is None else int(text)


def _subs(entry: ODRecord | ODArray) -> str:
    return ", ".join(str(sub) for sub in sorted(entry.subindices))
