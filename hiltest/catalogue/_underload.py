"""The load test while things run: what switching and motion do to the bus. Private to the catalogue."""

from __future__ import annotations

import contextlib
from functools import partial
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes, _load
from hiltest.catalogue._endswitches import Watch
from hiltest.catalogue._motion import clear_of_home
from hiltest.errors import GateClosed, NoAnswer, NodeFault, NotOffered

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from hiltest.description.models import Bus, Stepper
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

FAN_DUTY = 0.6
HEAT_EVERY_S = 0.25


class Running:
    """What was switched on for the test, and what could not be."""

    def __init__(self, link: Link, nodes: Sequence[GuardedNode], measure: Measure) -> None:
        self.link, self.measure = link, measure
        self.nodes = {node.name: node for node in nodes}
        self.on: list[str] = []
        self.left_out: list[str] = []
        self.steppers: list[Stepper] = []
        self.watches: list[Watch] = []
        self.short: dict[str, str] = {}
        """Axes that came back and met their home switch where they should be clear of it, and which switch."""
        self._off: list[Callable[[], None]] = []

    def switch_on(self) -> None:
        """Everything at a low level whose own checks have passed."""
        description = self.measure.description
        for fan in (each for each in description.fan if each.node in self.nodes):
            node, duty = self.nodes[fan.node or ""], max(FAN_DUTY, fan.start_duty)
            own = "fan.tach" if fan.tells_speed else "fan.by_eye"
            if self._passed(f"fan {fan.name}", f"{own}[{fan.name}]"):
                self._try(f"fan {fan.name}", partial(node.set_fan, fan.name, duty))
                self._off.append(partial(node.set_fan, fan.name, 0.0))
        for heater in (each for each in description.heater if each.node in self.nodes):
            node = self.nodes[heater.node or ""]
            if self._far(f"heater {heater.name}", f"heat.low_setpoint[{heater.name}]", node):
                setpoint = partial(node.set_heater_c, heater.name)
                self._try(f"heater {heater.name}", partial(setpoint, heater.low_setpoint_c))
                self._off.append(partial(setpoint, 0.0))
        for stepper in (each for each in description.stepper if each.node in self.nodes):
            node = self.nodes[stepper.node or ""]
            if self._far(f"stepper {stepper.name}", f"motion.return[{stepper.name}]", node):
                self._try(f"stepper {stepper.name}", partial(node.enable_driver, stepper.name, True))
                self._off.append(partial(node.enable_driver, stepper.name, False))
                self.steppers.append(stepper)

    def _passed(self, what: str, check: str) -> bool:
        if self.measure.has_passed(check):
            return True
        self.left_out.append(f"{what}: {check} has not passed")
        return False

    def _far(self, what: str, check: str, node: GuardedNode) -> bool:
        """As `_passed`, for what moves or heats far: not once a check has failed that holds it back."""
        if not self._passed(what, check):
            return False
        if node.held_back_by:
            self.left_out.append(f"{what}: {', '.join(node.held_back_by)} failed before")
        return not node.held_back_by

    def _try(self, what: str, switch: Callable[[], None]) -> None:
        try:
            switch()
            self.on.append(what)
        except (GateClosed, NotOffered) as error:
            self.left_out.append(f"{what}: {error}")

    def watch_switches(self, known: Sequence[GuardedNode]) -> None:
        """Of each axis that runs: what the `known` nodes say of their switches while it is under way."""
        self.watches = [Watch(stepper, known, self.measure) for stepper in self.steppers]

    def work(self, for_s: float, poll: Callable[[], None]) -> None:
        """Let it run for about `for_s`; motors go out, clear of their home switch first, and come back the same way.

        What meets that switch before it should is moved no further: see `short`.
        """
        if not self.steppers:
            self._wait(for_s, poll)
            return
        each_s = for_s / (2 * len(self.steppers))
        for stepper, watch in zip(self.steppers, self.watches, strict=True):
            node = self.nodes[stepper.node or ""]
            clear = clear_of_home(stepper)
            turns = min(stepper.long_move_rev, each_s * stepper.speed_rev_s)
            microsteps = max(1, round(turns * stepper.steps_per_rev * stepper.microsteps))
            move = partial(
                node.move, stepper.name, speed_rev_s=stepper.speed_rev_s, within_s=2.0 + 3 * each_s
            )
            if clear:
                move(clear)
            for direction in (1, -1):
                poll()
                with watch.moving(direction):
                    move(direction * microsteps)
            if clear and self._came_back_short(stepper, node):
                return  # not a step further in, and no other axis goes far
            if clear:
                move(-clear)

    def _came_back_short(self, stepper: Stepper, node: GuardedNode) -> bool:
        """Is the home switch met where the axis should be clear of it? The rail dips here, and steps get lost."""
        assert stepper.home_switch is not None
        is_short = node.read_switch(stepper.home_switch)
        if is_short:
            self.short[stepper.name] = stepper.home_switch
        return is_short

    def judge_steps(self) -> None:
        """An axis that came back short has lost steps beside the loads."""
        for name, switch in self.short.items():
            self.measure.look_first(*_causes.steps_lost(beside_loads=True))
            self.measure.require(
                f"{name} came back without a lost step",
                False,
                f"steps were lost beside the loads: {switch!r} was met where the axis should be clear of it. It was moved no "
                "further",
            )

    def _wait(self, for_s: float, poll: Callable[[], None]) -> None:
        end_s = self.link.now_s + for_s
        while self.link.now_s < end_s:
            poll()
            self.link.run_for(HEAT_EVERY_S)

    def switch_off(self) -> None:
        """Everything off, whatever some of it says."""
        for watch in self.watches:
            watch.end()
        for off in reversed(self._off):
            with contextlib.suppress(NodeFault):
                off()


def require_loads(measure: Measure, bus: Bus) -> None:
    """Not observable where the bus has heaters or motors and none of them ran: fans alone show nothing of what they do.

    One whose own check the description lets be missing is not waited for.
    """
    description = measure.description
    nodes = {node.name for node in description.node if node.bus == bus.name}
    may_miss = description.fixture.may_be_missing
    heavy = [
        f"{kind} {each.name}"
        for kind, loads, check in (
            ("heater", description.heater, "heat.low_setpoint"),
            ("stepper", description.stepper, "motion.return"),
        )
        for each in loads
        if each.node in nodes and not {check, f"{check}[{each.name}]"} & {*may_miss}
    ]
    left_out = measure.left_out
    if heavy and all(each in left_out for each in heavy):
        measure.not_observable(
            "no heater and no motor ran beside the bus load: "
            + "; ".join(f"{each}: {left_out[each]}" for each in heavy),
            "run with heat.low_setpoint or motion.return of what hangs on this bus",
        )


def test(
    link: Link, bus: Bus, nodes: Sequence[GuardedNode], known: Sequence[GuardedNode], measure: Measure
) -> _load.LoadResult:
    """The load test of `bus` for load_test.with_loads_s, with everything running that may; `known` are nodes of every bus."""
    running = Running(link, nodes, measure)
    trouble = ""
    try:
        running.switch_on()
        if not running.on:
            measure.not_observable(
                "nothing could be switched on beside the bus load: " + "; ".join(running.left_out),
                "run with fan.tach, heat.low_setpoint or motion.return of what hangs on this bus",
            )
        running.watch_switches(known)
        loading = _load.LoadTest(link, bus, nodes, measure)
        loading.begin(bus.load_test.with_loads_s)
        try:
            running.work(bus.load_test.with_loads_s, loading.poll)
        except NoAnswer as error:
            trouble = str(error)
        result = loading.end()
    finally:
        running.switch_off()
    measure("running meanwhile", ", ".join(running.on))
    for line in running.left_out:
        measure.leave_out(line, f"not running: {line}")
    if trouble:
        measure.require("moves ended", False, trouble)
    running.judge_steps()
    for watch in running.watches:
        watch.judge(of_axis=True)
    return result
