"""Where the quantities of a node that speaks in signals are: what is commanded where, and reported where."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass

from hiltest.description.commanded import is_commanded
from hiltest.description.models import Description, Node, Role
from hiltest.errors import DescriptionError, Problem
from hiltest.node._codec import Codec, SignalInfo
from hiltest.node._roletable import Key, RoleTable


@dataclass(frozen=True, slots=True)
class Spot:
    """A signal of a message, and how its value becomes that of a role. `on` and `invalid` are signal values."""

    message: str
    signal: SignalInfo
    scale: float
    offset: float
    on: float
    invalid: tuple[float, ...] = ()

    def __str__(self) -> str:
        return f"{self.message}.{self.signal.name}"

    def value_of(self, signal_value: float) -> float:
        """The role's value."""
        return signal_value * self.scale + self.offset

    def signal_value(self, value: float, what: str) -> float:
        """The signal's value for a role's value. Raises UsageError when the signal can't carry it."""
        return self.signal.check((value - self.offset) / self.scale, what)

    def is_on(self, signal_value: float) -> bool:
        return self.signal.same(signal_value, self.on)

    def is_invalid(self, signal_value: float) -> bool:
        """True if this value stands for none."""
        return any(self.signal.same(signal_value, each) for each in self.invalid)


class SignalRoles(RoleTable[Spot]):
    """The spots of one node's roles.

    Raises:
        DescriptionError: roles that lead nowhere, all of them in one go.
    """

    def __init__(self, description: Description, node: Node, codec: Codec) -> None:
        super().__init__(description, node)
        self._codec = codec
        self._problems: list[Problem] = []
        for role, at in node.roles.items():
            self._add("node", node.name, role, at)
        for (kind, name), load in self._loads.items():
            for role, at in load.roles.items():
                self._add(kind, name, role, at)
        if self._problems:
            raise DescriptionError(self._problems)

    def _add(self, kind: str, name: str, role: str, at: Role) -> None:
        key = (kind, name, role)
        commanded = is_commanded(kind, role)
        where = f"{kind}[{name}].roles.{role}"
        if commanded and at.at != at.feedback:
            self._put(self.commands, key, at, at.at, where)
        feedback = at.feedback if commanded else at.at
        if feedback is not None:
            self._put(self.reports, key, at, feedback, where)

    def _put(self, spots: dict[Key, Spot], key: Key, role: Role, at: str, where: str) -> None:
        message, _, signal = at.partition(".")
        info = self._codec.messages.get(message)
        if info is None or signal not in info.signals:
            known = [
                f"{name}.{each}" for name, other in self._codec.messages.items() for each in other.signals
            ]
            near = difflib.get_close_matches(at, known, n=1)
            hint = f"Did you mean {near[0]!r}?" if near else ""
            self._problems.append(
                Problem(f"node[{self._name}]", where, repr(at), "a signal of a classic message", None, hint)
            )
            return
        found = info.signals[signal]
        try:
            on = _number(found, role.on)
            invalid = tuple(_number(found, each) for each in role.invalid)
        except LookupError as error:
            names = ", ".join(found.names) or "no names"
            self._problems.append(
                Problem(f"node[{self._name}]", where, repr(error.args[0]), f"a name of {at}: {names}", None)
            )
            return
        spots[key] = Spot(message, found, role.scale, role.offset, on, invalid)

    def messages(self, spots: Iterable[Spot]) -> list[str]:
        """Names of the messages of these spots, each once, in order."""
        return list(dict.fromkeys(spot.message for spot in spots))


def _number(signal: SignalInfo, value: float | str) -> float:
    if isinstance(value, str):
        if value not in signal.names:
            raise LookupError(value)
        return signal.names[value]
    return float(value)
