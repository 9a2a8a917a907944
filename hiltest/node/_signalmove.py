"""Moves of a node that speaks in signals: an end or a distance to go, a position that is reported."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node._outgoing import Outgoing
from hiltest.node._signalroles import SignalRoles, Spot

POLL_S = 0.01

Read = Callable[[Spot, str], float]
Command = Callable[[Iterable[tuple[Spot, float]], str, bool], None]
Confirm = Callable[[Spot | None, Callable[[float], bool], str], None]


class Mover:
    """One stepper. Positions are microsteps, speeds microsteps per second."""

    def __init__(
        self,
        node: str,
        stepper: str,
        roles: SignalRoles,
        link: Link,
        outgoing: Outgoing,
        read: Read,
        command: Command,
        confirm: Confirm,
    ) -> None:
        self._node, self._stepper = node, stepper
        self._roles, self._link, self._outgoing = roles, link, outgoing
        self._read, self._command, self._confirm = read, command, confirm

    def _to_node(self, role: str) -> Spot | None:
        return self._roles.commands.get(("stepper", self._stepper, role))

    def _from_node(self, role: str) -> Spot | None:
        return self._roles.reports.get(("stepper", self._stepper, role))

    def enable(self, on: bool) -> None:
        """Current on or off. The end of the last move is first set to where the motor stands: it must not run off."""
        enable, target, position = (
            self._to_node("enable"),
            self._to_node("target"),
            self._from_node("position"),
        )
        assert enable is not None
        changes: list[tuple[Spot, float]] = []
        if on and target is not None and position is not None:
            here = position.value_of(self._read(position, f"position of {self._stepper!r}"))
            changes.append((target, target.signal_value(here, f"target of {self._stepper!r}")))
        changes.append((enable, enable.on if on else enable.signal.rest))
        asked = f"{self._stepper} {'enabled' if on else 'disabled'}"
        self._command(changes, asked, on)
        report = self._from_node("enable")
        self._confirm(report, lambda raw: report is not None and report.is_on(raw) is on, asked)

    def move(self, microsteps: int, speed: float, within_s: float) -> None:
        """Go by `microsteps`; return when the motor stands there.

        Raises:
            Refused: the motor is not enabled, or left that state while moving.
            NoAnswer: it does not get there in time.
        """
        name, position = self._stepper, self._from_node("position")
        assert position is not None
        self._check_enabled(f"a move of {name}")
        started_s = self._link.now_s
        here = position.value_of(self._read(position, f"position of {name!r}"))
        goal = here + microsteps
        self._command(self._order(microsteps, goal, speed), f"a move of {name!r}", True)
        self._confirm_start()
        moving = self._from_node("moving")
        while True:
            at = position.value_of(self._read(position, f"position of {name!r}"))
            is_moving = moving is not None and moving.is_on(self._read(moving, f"motion of {name!r}"))
            if not is_moving and abs(at - goal) < 0.5:
                return
            if self._link.now_s - started_s >= within_s:
                seen = f"position {at:g}, {'moving' if is_moving else 'not there'}"
                raise NoAnswer(self._node, f"{name}: {microsteps:+d} microsteps", within_s, seen)
            self._check_enabled(f"a move of {name}")
            self._link.run_for(POLL_S)

    def orders(self, microsteps: int, speed: float, at: float) -> list[tuple[Spot, float]]:
        """What puts current on the motor and moves it from `at`, for who sends it and waits for nothing."""
        enable = self._to_node("enable")
        first = [] if enable is None else [(enable, enable.on)]
        return [*first, *self._order(microsteps, at + microsteps, speed)]

    def _order(self, microsteps: int, goal: float, speed: float) -> list[tuple[Spot, float]]:
        name = self._stepper
        changes: list[tuple[Spot, float]] = []
        speed_spot = self._to_node("speed")
        if speed_spot is not None:
            changes.append((speed_spot, speed_spot.signal_value(speed, f"speed of {name!r}")))
        target, distance = self._to_node("target"), self._to_node("distance")
        if target is not None:
            changes.append((target, target.signal_value(goal, f"target of {name!r}")))
        elif distance is not None:
            changes.append((distance, distance.signal_value(microsteps, f"distance of {name!r}")))
        start = self._to_node("start")
        if start is not None:
            number = self._outgoing.get(start) + (start.signal.step or 1.0)
            changes.append((start, start.signal.low if number > start.signal.high else number))
        return changes

    def _confirm_start(self) -> None:
        start, echo = self._to_node("start"), self._from_node("start")
        if start is None or echo is None:
            return
        number = self._outgoing.get(start)
        self._confirm(
            echo, lambda raw: echo.signal.same(raw, number), f"move number {number:g} of {self._stepper}"
        )

    def _check_enabled(self, asked: str) -> None:
        report = self._from_node("enable")
        if report is not None and not report.is_on(self._read(report, f"enable of {self._stepper!r}")):
            raise Refused(self._node, asked, f"{report} says that the motor has no current")
