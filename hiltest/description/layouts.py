"""Messages of nodes that speak in signals: each field within its message, none over another, every name there."""

from __future__ import annotations

from collections.abc import Iterator

from hiltest.description import files
from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import Message, MessageField, Node
from hiltest.description.parts import Parts

PROTOCOLS = ("signals", "frames")
"""Protocols whose roles name signals of messages."""

LAID_OUT = ("frames", "console")
"""Protocols whose messages the description itself lays out. A console node's are what it tells on the bus."""


def width_of(field: MessageField) -> int:
    """Length of a field in bits; 0 when it states none."""
    return field.length_bits or 8 * (field.length_bytes or 0)


def bits_of(field: MessageField) -> list[int]:
    """The bits of the message that a field takes, its highest first; bit k of byte n has number 8 n + k.

    Little-endian fields grow from their lowest bit to higher bits and bytes; big-endian ones run from their highest
    bit down, and on at bit 7 of the next byte (as in DBC files).
    """
    width = width_of(field)
    if field.endian == "little":
        low = 8 * field.at_byte + (field.at_bit or 0)
        return list(range(low + width - 1, low - 1, -1))
    from_top = 8 * field.at_byte + 7 - (7 if field.at_bit is None else field.at_bit)
    return [8 * (n // 8) + 7 - n % 8 for n in range(from_top, from_top + width)]


def signals_of(parts: Parts, node: Node) -> dict[str, set[str]] | None:
    """Signals of each message that a node's roles may name; None when its database can't be read."""
    if node.protocol in LAID_OUT:
        return {message.name: {field.name for field in message.field} for message in node.message}
    listed = files.messages_of(parts, node)
    return None if listed is None else {name: message.signals for name, message in listed.items()}


def check_messages(parts: Parts) -> None:
    """Every message of every node, and the one that is its sign of life."""
    for path, node in parts.all(Node):
        if node.protocol not in (*PROTOCOLS, "console"):
            _check_none(parts, path, node)
            continue
        known = signals_of(parts, node)
        if known is None:
            continue  # the file itself was reported
        if node.heartbeat is not None and node.heartbeat not in known:
            hint = did_you_mean(node.heartbeat, sorted(known), "message")
            parts.error((*path, "heartbeat"), found_text(node.heartbeat), "the name of a message", hint)
        _check_names(parts, path, node)
        for number, message in enumerate(node.message):
            _check_message(parts, (*path, "message", number), node, message, known)


def _check_none(parts: Parts, path: Path, node: Node) -> None:
    for key in ("heartbeat", "message"):
        if getattr(node, key):
            parts.error(
                (*path, key),
                "a value",
                f"none, because the protocol is {node.protocol!r}",
                'Messages belong to the protocols "signals", "frames" and "console".',
            )


def _check_names(parts: Parts, path: Path, node: Node) -> None:
    names: set[str] = set()
    for number, message in enumerate(node.message):
        if message.name in names:
            at = (*path, "message", number, "name")
            parts.error(at, found_text(message.name), "each message once")
        names.add(message.name)
    for number, message in enumerate(node.message):
        twins = [other for other in node.message[:number] if _same_frame(message, other)]
        if twins:
            parts.error(
                (*path, "message", number, "can_id"),
                f"0x{message.can_id:X}, as in {twins[0].name!r}",
                "an identifier of its own",
                "Or a constant field in the same place with another count.",
            )


def _same_frame(one: Message, other: Message) -> bool:
    """True if a received frame could be either."""
    if one.can_id is None or (one.can_id, one.extended) != (other.can_id, other.extended):
        return False
    return not any(
        a.constant is not None
        and b.constant is not None
        and bits_of(a) == bits_of(b)
        and a.constant != b.constant
        for a in one.field
        for b in other.field
    )


def _check_message(
    parts: Parts, path: Path, node: Node, message: Message, known: dict[str, set[str]]
) -> None:
    if message.name not in known:
        hint = did_you_mean(message.name, sorted(known), "message")
        parts.error((*path, "name"), found_text(message.name), f"a message of {node.database}", hint)
        return
    own = known[message.name]
    for key in ("counter", "checksum"):
        _check_known(parts, (*path, key), getattr(message, key), own, "signal")
    if message.request is not None:
        _check_known(parts, (*path, "request"), message.request, set(known), "message")
        shared = own & known.get(message.request, own)
        for name in message.match:
            _check_known(parts, (*path, "match"), name, shared, "signal of both messages")
    elif message.match:
        parts.error((*path, "match"), "a list", "a request beside it", "Add `request = ...`.")
    if node.protocol in LAID_OUT:
        _check_layout(parts, path, message)
    else:
        for key in ("can_id", "field"):
            if getattr(message, key):
                parts.error((*path, key), "a value", f"none, for {node.database} says it", "Remove it.")


def _check_known(parts: Parts, path: Path, name: str | None, known: set[str], kind: str) -> None:
    if name is not None and name not in known:
        hint = did_you_mean(name, sorted(known), "name") if known else ""
        parts.error(path, found_text(name), f"the name of a {kind}", hint)


def _check_layout(parts: Parts, path: Path, message: Message) -> None:
    """What only a layout in this file can get wrong."""
    if message.can_id is None:
        parts.error((*path, "can_id"), "nothing", "an identifier", "Add `can_id = ...`.")
    elif message.can_id > 0x7FF and not message.extended:
        parts.error((*path, "can_id"), f"0x{message.can_id:X}", "at most 0x7FF", "Or add `extended = true`.")
    taken: list[tuple[MessageField, set[int]]] = []
    for number, field in enumerate(message.field):
        at = (*path, "field", number)
        problems = list(_wrong_with(message, field))
        for key, found, expected in problems:
            parts.error((*at, key), found, expected)
        bits = set(bits_of(field))
        for other, others in taken:
            if other.name == field.name and not _apart(field, other):
                parts.error((*at, "name"), found_text(field.name), "each field once")
            elif bits & others and not _apart(field, other):
                parts.error((*at, "at_byte"), f"bits of {other.name!r} too", "bits that no other field has")
        taken.append((field, bits))
    checksum = next((field for field in message.field if field.name == message.checksum), None)
    if checksum is not None and (width_of(checksum) != 8 or min(bits_of(checksum)) % 8):
        parts.error((*path, "checksum"), f"{width_of(checksum)} bits", "a field of one whole byte")


def _wrong_with(message: Message, field: MessageField) -> Iterator[tuple[str, str, str]]:
    """Key, what was found, what was expected."""
    width = width_of(field)
    if (field.length_bits is None) == (field.length_bytes is None):
        yield "length_bits", "neither or both", "one of length_bits and length_bytes"
        return
    if max(bits_of(field)) >= 8 * message.length_bytes:
        yield (
            "at_byte",
            f"{width} bits that end behind the message",
            f"bits within {message.length_bytes} bytes",
        )
    if width > 64:
        yield "length_bits", f"{width}", "at most 64 bits"
    if field.scale == 0:
        yield "scale", "0", "a scale other than 0"
    if field.kind == "float" and width not in (32, 64):
        yield "kind", f"float with {width} bits", "32 or 64 bits"
    low, high = (-(1 << width - 1), 1 << width - 1) if field.kind == "signed" else (0, 1 << width)
    for key, count in [("constant", field.constant), *(("names", count) for count in field.names.values())]:
        if count is not None and not low <= count < high:
            yield key, f"{count}", f"a count that {width} bits hold"
    names = {other.name: other for other in message.field if other is not field}
    for name in field.when:
        selector = names.get(name)
        if selector is None or selector.when or selector.kind == "float":
            yield "when", found_text(name), "a whole-number field of this message that is always there"


def _apart(one: MessageField, other: MessageField) -> bool:
    """True if the two are never in the message together."""
    return any(name in other.when and other.when[name] != count for name, count in one.when.items())
