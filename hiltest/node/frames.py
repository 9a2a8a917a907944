"""The frames driver: a node whose messages the description itself lays out, for firmware without a database file.

The bytes are built and taken apart by `construct`; all above them is the signals driver.
"""

from __future__ import annotations

import struct
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import construct

from hiltest.description.layouts import bits_of, width_of
from hiltest.description.models import Description, Message, MessageField, Node
from hiltest.link import Link
from hiltest.node._codec import MessageInfo, SignalInfo
from hiltest.node.signals import SignalDriver, find_node

_FLOATS = {32: ">f", 64: ">d"}


class FramesDriver(SignalDriver):
    """One node with protocol "frames". Implements `hiltest.node.verbs.NodeDriver`.

    Raises:
        UsageError: there is no such node.
        DescriptionError: a role or a message can't be used; every problem in one go.
    """

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        part = find_node(description, node)
        super().__init__(link, description, part, LayoutCodec(part), folder)


class LayoutCodec:
    """Messages as `[[node.message]]` lays them out."""

    def __init__(self, node: Node) -> None:
        self._layouts = {message.name: _Layout(message) for message in node.message}
        self.messages: Mapping[str, MessageInfo] = {
            name: layout.info for name, layout in self._layouts.items()
        }

    def encode(self, message: str, values: Mapping[str, float]) -> bytes:
        """Bytes of a message; see `Codec.encode`."""
        return self._layouts[message].encode(values)

    def decode(self, message: str, data: bytes) -> dict[str, float] | None:
        """Values of the signals that are present; None if these bytes are not that message."""
        return self._layouts[message].decode(data)

    def bits_of(self, message: str, signal: str) -> list[int]:
        """The bits that a signal takes, as 8 * byte + bit."""
        return bits_of(self._layouts[message].fields[signal])


class _Layout:
    """One message: fields that are always there, and those of each page."""

    def __init__(self, message: Message) -> None:
        self.message = message
        self.fields = {field.name: field for field in message.field}
        self._always = [field for field in message.field if not field.when]
        self._shapes: dict[tuple[str, ...], _Shape] = {}
        self.info = MessageInfo(
            message.name,
            message.can_id or 0,
            message.extended,
            message.length_bytes,
            {field.name: _signal(field) for field in message.field},
            message.period_s,
        )

    def encode(self, values: Mapping[str, float]) -> bytes:
        counts = {field.name: _count(field, values) for field in self._always}
        fields = [*self._always, *self._page(counts)]
        counts |= {field.name: _count(field, values) for field in fields}
        return self._shape(fields).build(counts)

    def decode(self, data: bytes) -> dict[str, float] | None:
        if len(data) != self.message.length_bytes:
            return None
        fields = self._always
        counts = self._shape(fields).parse(data)
        page = list(self._page(counts))
        if page:
            fields = [*fields, *page]
            counts = self._shape(fields).parse(data)
        if any(field.constant is not None and counts[field.name] != field.constant for field in fields):
            return None
        return {field.name: _value(field, counts[field.name]) for field in fields}

    def _page(self, counts: Mapping[str, int]) -> Iterable[MessageField]:
        for field in self.fields.values():
            if field.when and all(counts.get(name) == count for name, count in field.when.items()):
                yield field

    def _shape(self, fields: Iterable[MessageField]) -> _Shape:
        key = tuple(field.name for field in fields)
        if key not in self._shapes:
            self._shapes[key] = _Shape(self.message, [self.fields[name] for name in key])
        return self._shapes[key]


class _Shape:
    """Fields that are there together, as two constructs over the same bytes: one for each end first.

    Read from the highest bit of the first byte on, big-endian fields are runs of bits; read from the highest bit of
    the last byte back, little-endian ones are.
    """

    def __init__(self, message: Message, fields: list[MessageField]) -> None:
        size = message.length_bytes
        self._size = size
        self._big = _bit_struct(size, [(_from_front(f), f) for f in fields if f.endian == "big"])
        self._little = _bit_struct(size, [(_from_back(f, size), f) for f in fields if f.endian == "little"])
        self._has_big = any(field.endian == "big" for field in fields)
        self._has_little = any(field.endian == "little" for field in fields)
        used = {bit for field in fields for bit in bits_of(field)}
        free = sum(1 << bit for bit in range(8 * size) if bit not in used) if message.fill else 0
        self._fill = free.to_bytes(size, "little")

    def build(self, counts: Mapping[str, int]) -> bytes:
        big = self._big.build(counts)
        little = self._little.build(counts)[::-1]
        return bytes(a | b | c for a, b, c in zip(big, little, self._fill, strict=True))

    def parse(self, data: bytes) -> dict[str, int]:
        found: dict[str, Any] = {}
        if self._has_big:
            found |= self._big.parse(data)
        if self._has_little:
            found |= self._little.parse(data[::-1])
        return {name: count for name, count in found.items() if isinstance(count, int)}


def _from_front(field: MessageField) -> int:
    """Bits before the field, from the highest bit of byte 0."""
    top = bits_of(field)[0]
    return 8 * (top // 8) + 7 - top % 8


def _from_back(field: MessageField, size: int) -> int:
    """Bits before the field, from the highest bit of the last byte back."""
    return 8 * size - 1 - bits_of(field)[0]


def _bit_struct(size: int, placed: list[tuple[int, MessageField]]) -> Any:
    parts: list[Any] = []
    at = 0
    for start, field in sorted(placed, key=lambda item: item[0]):
        if start > at:
            parts.append(construct.Padding(start - at))
        width = width_of(field)
        parts.append(field.name / construct.BitsInteger(width, signed=field.kind == "signed"))
        at = start + width
    if at < 8 * size:
        parts.append(construct.Padding(8 * size - at))
    return construct.BitStruct(*parts)


def _count(field: MessageField, values: Mapping[str, float]) -> int:
    """What stands in the field's bits for its value."""
    if field.constant is not None:
        return field.constant
    raw = (values.get(field.name, field.offset) - field.offset) / field.scale
    if field.kind == "float":
        form = _FLOATS[width_of(field)]
        return int.from_bytes(struct.pack(form, raw), "big")
    return round(raw)


def _value(field: MessageField, count: int) -> float:
    raw: float = count
    if field.kind == "float":
        width = width_of(field)
        (raw,) = struct.unpack(_FLOATS[width], count.to_bytes(width // 8, "big"))
    return raw * field.scale + field.offset


def _signal(field: MessageField) -> SignalInfo:
    width, scale, offset = width_of(field), field.scale, field.offset
    first = -(1 << width - 1) if field.kind == "signed" else 0
    ends = [count * scale + offset for count in (first, first + (1 << width) - 1)]
    if field.kind == "float":
        ends = [float("-inf"), float("inf")]
    selector = next(((name, frozenset({count})) for name, count in field.when.items()), None)
    return SignalInfo(
        field.name,
        0.0 if field.kind == "float" else scale,
        offset if field.constant is None else field.constant * scale + offset,
        min(ends),
        max(ends),
        names={name: count * scale + offset for name, count in field.names.items()},
        selector=selector,
    )
