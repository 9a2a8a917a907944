"""What a console node says of its quantities: asked for, printed by itself, or told on the bus."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping

from hiltest.clock import NS_PER_S
from hiltest.console import SerialConsole
from hiltest.description.models import Console, Switch
from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node._consolebus import BusSide
from hiltest.node._consoleroles import ConsoleRoles, Place
from hiltest.node._consoletalk import Talk
from hiltest.node._roletable import Key
from hiltest.node.signals import READINGS
from hiltest.node.verbs import ReadingKind

Report = Callable[[ReadingKind, str, float, int | None, bool], None]
"""Told kind, name, value, bench time in ns (None: now), and whether it was asked for."""


class Reader:
    """Reads the roles of one node."""

    def __init__(
        self,
        node: str,
        settings: Console,
        roles: ConsoleRoles,
        bus: BusSide,
        link: Link,
        talk: Talk,
        console: SerialConsole,
        report: Report,
    ) -> None:
        self._node, self._settings, self._roles, self._bus = node, settings, roles, bus
        self._link, self._talk, self._console, self._report = link, talk, console, report
        self._printed: dict[Place, tuple[str, int]] = {}
        self._by_itself = {
            key: place
            for key, place in roles.reports.items()
            if place.line is None and place.pattern is not None
        }

    def take_printed(self, text: str, t_ns: int) -> None:
        """Take a line that the node printed by itself."""
        for key, place in self._by_itself.items():
            match = None if place.pattern is None else place.pattern.fullmatch(text)
            if match is not None and match[1] is not None:
                self._printed[place] = (match[1], t_ns)
                value = self.told_value(key, place, match[1])
                reading = READINGS.get((key[0], key[2]))
                if reading is not None and value is not None:
                    self._report(reading, key[1], value, t_ns, False)

    def forget(self) -> None:
        """The node began anew: what it printed before is no answer any more."""
        self._printed.clear()

    # --- texts --------------------------------------------------------------------------------------

    def texts(self, places: Mapping[str, Place]) -> dict[str, str]:
        """What the node says of each place, by its name; each different line is sent once.

        Raises:
            NoAnswer: nothing that fits came in time.
            Refused: the node says that it will not.
        """
        found: dict[str, str] = {}
        lines: dict[str, list[str]] = {}
        for name, place in places.items():
            if place.spot is not None:
                value = self._bus.read(place.spot, place.name)
                found[name] = place.spot.signal.name_of(value) or f"{value:.15g}"
            elif place.line is None:
                found[name] = self._wait_printed(place)
            else:
                lines.setdefault(place.line, []).append(name)
        for line, names in lines.items():
            patterns = [pattern for name in names if (pattern := places[name].pattern) is not None]
            for name, match in zip(names, self._talk.ask(line, *patterns), strict=True):
                found[name] = match[1] or ""
        return found

    def _wait_printed(self, place: Place) -> str:
        stale_s = self._settings.stale_s

        def fresh() -> str | None:
            found = self._printed.get(place)
            if found is None or (self._link.now_ns - found[1]) / NS_PER_S > stale_s:
                return None
            return found[0]

        text = self._link.wait_for(fresh, stale_s)
        if text is None:
            assert place.pattern is not None
            asked = f"by itself with a line that fits {place.pattern.pattern!r} ({place.name})"
            raise NoAnswer(self._node, asked, stale_s, self._console.seen())
        return text

    def text(self, place: Place) -> str:
        """What the node says of one place. Raises as `texts` does."""
        return self.texts({"": place})[""]

    def is_on(self, place: Place) -> bool:
        """True if what it says stands for on."""
        return place.is_on(self.text(place))

    # --- numbers ------------------------------------------------------------------------------------

    def value(self, key: Key, verb: str) -> float:
        """A role's number, told to who listens.

        Raises:
            NotOffered: there is no such role.
            Refused: the node says that it has no valid value.
            NoAnswer: no answer that fits, or it holds no number.
        """
        place = self._roles.report(*key, verb)
        text = self.text(place)
        value = self.told_value(key, place, text)
        if value is None:
            raise self.no_number(place, text)
        reading = READINGS.get((key[0], key[2]))
        if reading is not None:
            self._report(reading, key[1], value, None, True)
        if math.isnan(value):
            raise Refused(
                self._node, f"{place.name} ({place.line!r})", f"it says {text!r}: there is no valid value"
            )
        return value

    def told_value(self, key: Key, place: Place, text: str) -> float | None:
        """A text as a number: NaN for no valid value, None for no number at all."""
        if place.is_invalid(text):
            return math.nan
        if key[0] == "switch":
            load = self._roles.load("switch", key[1])
            assert isinstance(load, Switch)
            return float(place.is_on(text) == load.active_high)
        return place.number(text)

    def number(self, place: Place) -> float:
        """The number of one place. Raises NoAnswer if what it says is none."""
        return self.number_in(place, self.text(place))

    def number_in(self, place: Place, text: str) -> float:
        """The number that a text is. Raises NoAnswer if it is none."""
        value = place.number(text)
        if value is None:
            raise self.no_number(place, text)
        return value

    def numbers(self, kind: str, name: str, roles: Iterable[str], verb: str) -> dict[str, float]:
        """The numbers of several roles of one owner."""
        places = {role: self._roles.report(kind, name, role, verb) for role in roles}
        texts = self.texts(places)
        return {role: self.number_in(place, texts[role]) for role, place in places.items()}

    def no_number(self, place: Place, text: str) -> NoAnswer:
        """The error for a text that should be a number."""
        asked = f"{place.line!r} with a number for {place.name}"
        return NoAnswer(self._node, asked, self._settings.answer_s, repr(text))
