"""Where the quantities of a console node are: lines to send, patterns to read, and what it tells on the bus."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from hiltest.description.commanded import is_told
from hiltest.description.lines import Template, compiled
from hiltest.description.models import Description, Node, Role
from hiltest.errors import DescriptionError, Problem, UsageError
from hiltest.node._codec import Codec
from hiltest.node._roletable import Key, RoleTable
from hiltest.node._signalroles import Spot

# A role whose number another role's line carries along: the verb needs no line of its own for it.
CARRIED = {
    ("heater", "duty"): (("seconds", "milliseconds"), "pulse_s"),
    ("node", "burst"): (("interval_s", "interval_us"), "burst_interval_s"),
}
Pattern = re.Pattern[str]


@dataclass(frozen=True, slots=True, eq=False)
class Place:
    """How one role is commanded or read. `value_of` and `raw_of` are its scale and offset.

    `template` and `off` are lines to send; `line` asks; `pattern` is what an answer's line must fit. With a `pattern`
    and no `line` the node prints it by itself; with a `spot` it tells it on the bus.
    """

    name: str
    scale: float
    offset: float
    on: float | str
    invalid: tuple[float | str, ...]
    template: Template | None = None
    off: str | None = None
    line: str | None = None
    pattern: Pattern | None = None
    spot: Spot | None = None

    def __str__(self) -> str:
        return self.name

    def value_of(self, raw: float) -> float:
        """The role's value."""
        return raw * self.scale + self.offset

    def raw_of(self, value: float) -> float:
        """The number that stands in a line for a value."""
        return (value - self.offset) / self.scale

    def command(self, value: float, **more: float) -> str:
        """The line that commands `value`.

        Raises:
            UsageError: the value is no number that can be sent.
        """
        assert self.template is not None
        if not math.isfinite(value):
            raise UsageError(f"{self.name}={value!r} must be a finite number")
        return self.template.fill({"value": self.raw_of(value), **more})

    def switch(self, on: bool) -> str:
        """The line that switches it on or off."""
        assert self.template is not None
        if on:
            return self.template.fill({"value": self.on})
        return self.off if self.off is not None else self.rest()

    def rest(self) -> str:
        """The line that lets it rest."""
        assert self.template is not None
        if self.off is not None:
            return self.off
        return self.template.fill({**dict.fromkeys(self.template.names, 0.0), "value": self.raw_of(0.0)})

    def is_on(self, text: str) -> bool:
        """True if a text that was read stands for on."""
        return self._same(text, self.on)

    def is_invalid(self, text: str) -> bool:
        """True if it stands for no valid value."""
        return any(self._same(text, each) for each in self.invalid)

    def number(self, text: str) -> float | None:
        """The role's value of a text, None if it is no number."""
        raw = number_of(text)
        return None if raw is None else self.value_of(raw)

    def _same(self, text: str, wanted: float | str) -> bool:
        if isinstance(wanted, str):
            return text == wanted
        raw = number_of(text)
        return raw is not None and raw == wanted


def number_of(text: str) -> float | None:
    """A decimal or hexadecimal number, None if it is neither, or not finite."""
    try:
        value = float(int(text, 16)) if text.lower().startswith(("0x", "-0x")) else float(text)
    except (ValueError, OverflowError):
        return None
    return value if math.isfinite(value) else None


class ConsoleRoles(RoleTable[Place]):
    """The places of a console node's roles. `codec` lays out what it tells on the bus.

    Raises:
        DescriptionError: roles that lead nowhere, all of them in one go.
    """

    def __init__(self, description: Description, node: Node, codec: Codec) -> None:
        super().__init__(description, node)
        self._codec = codec
        self._problems: list[Problem] = []
        for role, at in node.roles.items():
            self._add(("node", node.name, role), at)
        for (kind, name), load in self._loads.items():
            for role, at in load.roles.items():
                self._add((kind, name, role), at)
        if self._problems:
            raise DescriptionError(self._problems)

    def _add(self, key: Key, role: Role) -> None:
        kind, name, role_name = key
        try:
            if is_told(kind, role_name):
                self._add_command(key, role)
            elif role.expect is not None:
                self.reports[key] = self._place(key, role, line=role.send, pattern=compiled(role.expect))
            else:
                self.reports[key] = self._place(key, role, spot=self._spot(role))
        except (ValueError, LookupError) as error:
            where = f"{kind}[{name}].roles.{role_name}"
            self._problems.append(
                Problem(f"node[{self._name}]", where, str(error.args[0]), "a line and a pattern, or a signal")
            )

    def _add_command(self, key: Key, role: Role) -> None:
        if role.ask is not None and role.answer is not None:
            self.reports[key] = self._place(key, role, line=role.ask, pattern=compiled(role.answer))
        if role.send is None:
            return
        pattern = None if role.expect is None else compiled(role.expect)
        place = self._place(key, role, template=Template(role.send), off=role.off, pattern=pattern)
        self.commands[key] = place
        names, carried = CARRIED.get((key[0], key[2]), ((), ""))
        assert place.template is not None
        if any(name in place.template.names for name in names):
            self.commands.setdefault((key[0], key[1], carried), place)

    def _place(
        self,
        key: Key,
        role: Role,
        template: Template | None = None,
        off: str | None = None,
        line: str | None = None,
        pattern: Pattern | None = None,
        spot: Spot | None = None,
    ) -> Place:
        shown = key[2] if key[0] == "node" else f"{key[2]} of {key[1]!r}"
        invalid = tuple(role.invalid)
        return Place(shown, role.scale, role.offset, role.on, invalid, template, off, line, pattern, spot)

    def _spot(self, role: Role) -> Spot:
        message, _, signal = role.at.partition(".")
        info = self._codec.messages.get(message)
        if info is None or signal not in info.signals:
            raise LookupError(role.at)
        found = info.signals[signal]
        on = found.names.get(role.on, 1.0) if isinstance(role.on, str) else role.on
        return Spot(message, found, role.scale, role.offset, on)
