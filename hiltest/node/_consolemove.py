"""Moves of a console node: a line that starts one, then its position and whether it still moves, until it is there."""

from __future__ import annotations

from collections.abc import Callable

from hiltest.errors import NoAnswer, Refused
from hiltest.link import Link
from hiltest.node._consoleroles import ConsoleRoles, Place

POLL_S = 0.02

Read = Callable[[Place], float]
Tell = Callable[[Place, str, float | None], None]
"""Send a command's line; the number is what the answer must hold, if it holds one."""

IsOn = Callable[[Place], bool]


class Mover:
    """One stepper. Positions are microsteps, speeds microsteps per second."""

    def __init__(
        self, node: str, stepper: str, roles: ConsoleRoles, link: Link, read: Read, tell: Tell, is_on: IsOn
    ) -> None:
        self._node, self._stepper, self._roles, self._link = node, stepper, roles, link
        self._read, self._tell, self._is_on = read, tell, is_on

    def _reported(self, role: str) -> Place | None:
        return self._roles.reports.get(("stepper", self._stepper, role))

    def enable(self, on: bool) -> None:
        """Current on or off.

        Raises:
            Refused: the node says that it is not so.
        """
        place = self._roles.command("stepper", self._stepper, "enable", "enable_driver")
        self._tell(place, place.switch(on), None)
        report = self._reported("enable")
        if report is not None and self._is_on(report) is not on:
            asked = f"{self._stepper} {'enabled' if on else 'disabled'}"
            raise Refused(self._node, asked, f"the answer to {report.line!r} still says otherwise")

    def move(self, microsteps: int, speed: float, speed_rev_s: float, within_s: float) -> None:
        """Go by `microsteps`; return when the motor stands there.

        Raises:
            Refused: the node refuses it, or the motor lost its current while moving.
            NoAnswer: it does not get there in time.
        """
        name = self._stepper
        position = self._roles.report("stepper", name, "position", "move")
        self._check_enabled()
        started_s = self._link.now_s
        goal = self._read(position) + microsteps
        self._start(microsteps, goal, speed, speed_rev_s)
        moving = self._reported("moving")
        while True:
            is_moving = moving is not None and self._is_on(moving)
            at = self._read(position)
            if not is_moving and abs(at - goal) < 0.5:
                return
            if self._link.now_s - started_s >= within_s:
                seen = f"position {at:g}, {'moving' if is_moving else 'not there'}"
                raise NoAnswer(self._node, f"{name}: {microsteps:+d} microsteps", within_s, seen)
            self._check_enabled()
            self._link.run_for(POLL_S)

    def lines(self, microsteps: int, speed: float, speed_rev_s: float) -> list[str]:
        """What puts current on the motor and moves it, for who sends it and waits for nothing.

        Raises:
            NotOffered: the node has no line for it.
        """
        name, more = self._stepper, {"speed": speed, "speed_rev_s": speed_rev_s}
        enable = self._roles.command("stepper", name, "enable", "send_stale")
        distance = self._roles.command("stepper", name, "distance", "send_stale")
        speed_place = self._roles.commands.get(("stepper", name, "speed"))
        told = [] if speed_place in (None, distance) else [speed_place.command(speed)]
        return [enable.switch(True), *told, distance.command(float(microsteps), **more)]

    def _start(self, microsteps: int, goal: float, speed: float, speed_rev_s: float) -> None:
        name = self._stepper
        speed_place = self._roles.commands.get(("stepper", name, "speed"))
        if speed_place is not None:
            self._tell(speed_place, speed_place.command(speed), speed)
        more = {"speed": speed, "speed_rev_s": speed_rev_s}
        for role, value in (("target", goal), ("distance", float(microsteps))):
            place = self._roles.commands.get(("stepper", name, role))
            if place is not None:
                self._tell(place, place.command(value, **more), value)
                return

    def _check_enabled(self) -> None:
        report = self._reported("enable")
        if report is not None and not self._is_on(report):
            raise Refused(
                self._node,
                f"a move of {self._stepper}",
                f"the answer to {report.line!r} says that the motor has no current",
            )
