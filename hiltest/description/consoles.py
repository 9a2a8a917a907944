"""Consoles, and roles whose quantities are reached by lines of text: lines that can be sent, patterns that can fit."""

from __future__ import annotations

from hiltest.description.commanded import is_output, is_told
from hiltest.description.lines import PLACEHOLDERS, Template, compiled
from hiltest.description.locating import Path
from hiltest.description.messages import did_you_mean, found_text
from hiltest.description.models import Console, Node, Role
from hiltest.description.parts import Parts

LINE_KEYS = ("send", "expect", "off", "ask", "answer")


def check_consoles(parts: Parts) -> None:
    """What a console's own lines and patterns are, and that the host's sign of life comes often enough."""
    for path, console in parts.all(Console):
        for key in ("refusal", "unsolicited", "boot", "report"):
            pattern = getattr(console, key)
            if pattern is not None:
                _groups(parts, (*path, key), pattern)
        if console.alive is not None:
            _template(parts, (*path, "alive"), console.alive, ())
            _check_alive(parts, path, console)


def _check_alive(parts: Parts, path: Path, console: Console) -> None:
    name = console.node or parts.only("node")
    for _, node in parts.all(Node):
        if node.name == name and console.alive_s >= node.host_silence_max_s:
            parts.error(
                (*path, "alive_s"),
                f"{console.alive_s:g} s",
                f"less than host_silence_max_s of node {node.name!r}, {node.host_silence_max_s:g} s",
                "The node would switch off between two signs of life of a living host.",
            )


def check_role(parts: Parts, path: Path, kind: str, role: Role) -> None:
    """One role of a node with protocol "console" that has a line or a pattern."""
    name = str(path[-1])
    if is_told(kind, name):
        _check_command(parts, path, kind, name, role)
        _check_read(parts, path, role.ask, role.answer, ("ask", "answer"))
        return
    for key in ("off", "ask", "answer"):
        if getattr(role, key) is not None:
            parts.error(
                (*path, key), "a value", "none, for nothing is commanded here", "Use send and expect."
            )
    if role.expect is None:
        parts.error((*path, "expect"), "nothing", "a regular expression with one group, the value")
        return
    _check_read(parts, path, role.send, role.expect, ("send", "expect"))


def _check_command(parts: Parts, path: Path, kind: str, name: str, role: Role) -> None:
    if role.send is None:
        if role.expect is not None or role.off is not None:
            parts.error((*path, "send"), "nothing", "the line to send", "Or give only ask and answer.")
        elif role.ask is None:
            parts.error(path, "neither send nor ask", "the line to send, or the line to ask, or both")
        return
    template = _template(parts, (*path, "send"), role.send, ("value", *PLACEHOLDERS.get((kind, name), ())))
    if role.off is not None:
        _template(parts, (*path, "off"), role.off, ())
    elif template is not None and is_output(kind, name) and "value" not in template.names:
        parts.error(
            (*path, "off"),
            "nothing",
            "the line that switches it off, because send has no {value} that could be 0",
            "Add `off = ...`.",
        )
    if role.expect is not None:
        groups = _groups(parts, (*path, "expect"), role.expect)
        if groups is not None and groups > 1:
            parts.error((*path, "expect"), f"{groups} groups", "at most one group, the value that was taken")


def _check_read(
    parts: Parts, path: Path, line: str | None, pattern: str | None, keys: tuple[str, str]
) -> None:
    if line is not None:
        _template(parts, (*path, keys[0]), line, ())
        if pattern is None:
            expected = "a regular expression with one group, the value"
            parts.error((*path, keys[1]), "nothing", expected, f"Add `{keys[1]} = ...`.")
    if pattern is not None:
        groups = _groups(parts, (*path, keys[1]), pattern)
        if groups is not None and groups != 1:
            expected = "a regular expression with one group, the value"
            parts.error((*path, keys[1]), f"{groups} groups", expected)


def _template(parts: Parts, path: Path, text: str, known: tuple[str, ...]) -> Template | None:
    try:
        template = Template(text)
    except ValueError as error:
        parts.error(path, found_text(text), str(error))
        return None
    for name in template.names:
        if name not in known:
            hint = did_you_mean(name, list(known), "placeholder") if known else "It has none."
            parts.error(path, f"{{{name}}}", "a placeholder that there is here", hint)
    return template


def _groups(parts: Parts, path: Path, pattern: str) -> int | None:
    """How many groups the pattern has; None, and an error noted, when it can't be used."""
    try:
        return compiled(pattern).groups
    except ValueError as error:
        parts.error(path, found_text(pattern), "a regular expression", str(error))
        return None
