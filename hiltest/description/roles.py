"""Roles: known by name, spelled as the node's protocol wants, and no place of the node used twice."""

from __future__ import annotations

import re
from collections.abc import Iterator

from hiltest.description import commanded, consoles, files, layouts
from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import ROLES, Fan, Lamp, Load, Node, Role, Stepper
from hiltest.description.parts import Parts

_OBJECT = re.compile(
    r"(0x[0-9A-Fa-f]{4})(?::(\d{1,3}|0x[0-9A-Fa-f]{1,2}))?(?:\.(?:[0-9]|[1-5][0-9]|6[0-3]))?"
)
_SIGNAL = re.compile(r"[A-Za-z_]\w*\.[A-Za-z_]\w*")


def check_roles(parts: Parts) -> None:
    """Names, spelling and double use of roles."""
    places: dict[tuple[str, str], str] = {}
    for kind, path, node, named in _owners(parts):
        if node is None or node.protocol == "own":
            continue
        for name, role in named.roles.items():
            at = (*path, "roles", name)
            _check_name(parts, at, name, _known_roles(kind, named))
            _check_role(parts, at, kind, node, role)
            _check_place(parts, at, node, role, places)
    for path, lamp in parts.all(Lamp):
        _check_colours(parts, path, lamp)
    for path, fan in parts.all(Fan):
        if fan.wires == 2 and "tach_hz" in fan.roles:
            parts.error(
                (*path, "wires"), 2, "3 or 4, because it has the role tach_hz", "Two wires carry no tach."
            )
    for path, stepper in parts.all(Stepper):
        if "encoder" in stepper.roles and stepper.encoder_counts_per_rev is None:
            parts.error(
                (*path, "encoder_counts_per_rev"),
                "nothing",
                "a number, because it has the role encoder",
                "Add `encoder_counts_per_rev = ...`.",
            )


def _owners(parts: Parts) -> Iterator[tuple[str, Path, Node | None, Node | Load]]:
    for path, node in parts.all(Node):
        yield "node", path, node, node
    for path, load in parts.loads():
        yield str(path[0]), path, parts.node_of(load), load


def _known_roles(kind: str, owner: Node | Load) -> list[str]:
    return list(owner.colours) if isinstance(owner, Lamp) else list(ROLES[kind])


def _check_name(parts: Parts, path: Path, name: str, known: list[str]) -> None:
    if name not in known:
        owner = parts.source.key(path[:-2])
        parts.error(path, "an unknown role", f"a role of {owner}", did_you_mean(name, known, "role"))


def _check_role(parts: Parts, path: Path, kind: str, node: Node, role: Role) -> None:
    if role.scale == 0:
        parts.error((*path, "scale"), "0", "a scale other than 0", "Every raw value would read the same.")
    if node.protocol == "console":
        _check_console_role(parts, path, kind, node, role)
        return
    if not role.at:
        expected = f"where it is found, because the protocol is {node.protocol!r}"
        parts.error((*path, "at"), "nothing", expected, "Add `at = ...`.")
        return
    for key in consoles.LINE_KEYS:
        if getattr(role, key) is not None:
            parts.error((*path, key), "a value", "none, for lines of text belong to the protocol 'console'")
    if node.protocol == "canopen":
        _check_object(parts, path, node, role)
    if node.protocol in layouts.PROTOCOLS:
        for at in (role.at, role.feedback):
            if at is not None:
                _check_signal(parts, path, node, at)


def _check_object(parts: Parts, path: Path, node: Node, role: Role) -> None:
    """Spelled as an object of the node's EDS, and there."""
    match = _OBJECT.fullmatch(role.at)
    if match is None and role.at.lower().startswith("0x"):
        parts.error(path, found_text(role.at), "index, sub-index and bit, like '0x6401:2' or '0x6000:1.3'")
        return
    objects = files.objects_of(parts, node)
    if objects is None:
        return  # the file itself was reported
    if match is None:
        if role.at not in objects.names:
            hint = did_you_mean(role.at, sorted(objects.names), "object")
            parts.error(path, found_text(role.at), f"the name of an object in {node.eds}", hint)
        return
    index, sub = int(match[1], 16), None if match[2] is None else _number(match[2])
    if not objects.has(index, sub):
        known = ", ".join(str(n) for n in sorted(objects.subs.get(index, ())))
        hint = f"It has 0x{index:04X} with the sub-indices {known}." if known else ""
        parts.error(path, found_text(role.at), f"an object of {node.eds}", hint)


def _number(text: str) -> int:
    """Hexadecimal with 0x, else decimal, with zeros in front or not."""
    return int(text, 16 if text[:2] in ("0x", "0X") else 10)


def _check_signal(parts: Parts, path: Path, node: Node, at: str) -> None:
    """Spelled as a signal of the node's messages, and there."""
    where = node.database if node.protocol == "signals" else "the messages of this node"
    if not _SIGNAL.fullmatch(at):
        parts.error(path, found_text(at), f"'Message.Signal' of {where}")
        return
    known = layouts.signals_of(parts, node)
    if known is None:
        return  # the file itself was reported
    message, signal = at.split(".")
    if message not in known:
        hint = did_you_mean(message, sorted(known), "message")
        parts.error(path, found_text(at), f"a message of {where}", hint)
    elif signal not in known[message]:
        hint = did_you_mean(signal, sorted(known[message]), "signal")
        parts.error(path, found_text(at), f"a signal of message {message!r}", hint)


def _check_console_role(parts: Parts, path: Path, kind: str, node: Node, role: Role) -> None:
    """By lines of text, or told by the node in a message on the bus."""
    if any(getattr(role, key) is not None for key in consoles.LINE_KEYS):
        consoles.check_role(parts, path, kind, role)
    elif not role.at or not node.message:
        parts.error(path, "neither send nor expect", "the line to send, or what to expect, or both")
    elif commanded.is_told(kind, str(path[-1])):
        parts.error(path, found_text(role.at), "a line to send, for commands go over the console")
    else:
        _check_signal(parts, path, node, role.at)


def _check_place(
    parts: Parts, path: Path, node: Node, role: Role, places: dict[tuple[str, str], str]
) -> None:
    """Two roles at one place are nearly always a copied line that was not edited."""
    if node.protocol == "console":
        return
    key = parts.source.key(path)
    # Colours of a lamp, or states of a switch, may be values of one signal.
    at = f"{role.at}={role.on}" if node.protocol in layouts.PROTOCOLS else role.at
    other = places.setdefault((node.name, at.lower()), key)
    if other != key:
        parts.warn(path, found_text(role.at), "a place of its own on the node", f"{other} is there too.")


def _check_colours(parts: Parts, path: Path, lamp: Lamp) -> None:
    if len(set(lamp.colours)) != len(lamp.colours):
        parts.error((*path, "colours"), found_text(", ".join(lamp.colours)), "each colour once")
    node = parts.node_of(lamp)
    missing = [colour for colour in lamp.colours if colour not in lamp.roles]
    if missing and node is not None and node.protocol != "own":
        parts.error(
            (*path, "roles"),
            "nothing" if not lamp.roles else ", ".join(lamp.roles),
            f"a role for each colour, also for {', '.join(missing)}",
            f"Add `roles.{missing[0]} = ...`.",
        )
