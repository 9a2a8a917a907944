"""Switches while an axis moves: what changes that can't, and which of them no hand has proven. Private to the catalogue."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.errors import NodeFault

if TYPE_CHECKING:
    from hiltest.description.models import Stepper
    from hiltest.guard import GuardedNode
    from hiltest.measure import Measure
    from hiltest.node.verbs import Reading


class Watch:
    """Takes in what nodes say of their switches by themselves, and counts changes while an axis is under way.

    Nothing is asked while it moves: it costs no frame, and a driver that is waiting for the end of a move can't ask. An axis that
    moves away from a switch can let it go but not actuate it; of the switch that it moves towards nothing is said
    here, it may be reached. No other switch may change at all.
    """

    def __init__(self, stepper: Stepper, nodes: Sequence[GuardedNode], measure: Measure) -> None:
        self._stepper, self._measure = stepper, measure
        self._state: dict[str, bool] = {}
        self._speaks: set[str] = set()
        self._looks: Counter[str] = Counter()
        self._changes: Counter[str] = Counter()
        self._behind: str | None = None
        self._ahead: str | None = None
        self._is_moving = False
        for switch in measure.description.switch:
            self._read(switch.name, nodes)
        self._remove = [node.on_reading(self._see) for node in nodes]

    def _read(self, switch: str, nodes: Sequence[GuardedNode]) -> None:
        """Where it stands before anything moves: a node that tells only changes would not say it."""
        for node in nodes:
            if f"read_switch[{switch}]" in node.offers:
                with suppress(NodeFault):
                    self._state[switch] = node.read_switch(switch)

    def end(self) -> None:
        """Listen no more."""
        for remove in self._remove:
            remove()

    @contextmanager
    def moving(self, way: int) -> Iterator[None]:
        """The axis moves far meanwhile, up for a positive `way`, and began clear of the switch that it leaves."""
        ends = (self._stepper.home_switch, self._stepper.end_switch)
        self._behind, self._ahead = ends if way > 0 else ends[::-1]
        self._is_moving = True
        try:
            yield
        finally:
            self._is_moving = False

    def _see(self, reading: Reading) -> None:
        if reading.kind != "switch":
            return
        name, now = reading.name, bool(reading.value)
        before = self._state.get(name)
        self._state[name] = now
        if not reading.asked:
            self._speaks.add(name)
        if not self._is_moving:
            return
        self._looks[name] += 1
        if before in (None, now) or name == self._ahead or (name == self._behind and not now):
            return
        self._changes[name] += 1

    def judge(self, of_axis: bool = False) -> None:
        """No change of what the moves could not reach; what was not seen is named, with the verdict too.

        `of_axis` names the axis, for a check that moves several.
        """
        measure = self._measure
        of = f"of {self._stepper.name} " if of_axis else ""
        told = [
            f"{name} {count} times in {self._looks[name]} looks"
            for name, count in sorted(self._changes.items())
        ]
        unseen = [each.name for each in measure.description.switch if each.name not in self._speaks]
        if self._speaks:
            if told:
                measure.look_first(_causes.SWITCH_WITH_MOTOR)
            measure(
                f"changes of switches that the moves {of}can't reach",
                self._changes.total(),
                "changes",
                high=0,
                note=", ".join(told) or f"{self._looks.total()} looks while the motor ran",
            )
        if unseen:
            measure(
                "switches not watched while the motor ran",
                ", ".join(unseen),
                note="their node said nothing of them by itself meanwhile, and can't be asked while it moves",
            )
            measure.qualify(
                f"nothing was heard of {', '.join(unseen)} while a motor ran: the node says its switches only when it is asked, "
                "or only when they change"
            )


def say_unproven(stepper: Stepper, measure: Measure) -> None:
    """Name the switches at the ends of this axis that no hand has pressed, with the verdict too."""
    names = [name for name in (stepper.home_switch, stepper.end_switch) if name is not None]
    unproven = [name for name in names if not measure.has_passed(f"switch.by_hand[{name}]")]
    if not unproven:
        return
    told = [
        f"{name} ({'seen by small moves only' if name == stepper.home_switch else 'seen by nobody'})"
        for name in unproven
    ]
    measure("switches not proven by hand", ", ".join(told), note="press each by name: switch.by_hand")
    measure.qualify(
        f"long moves of {stepper.name!r} were made between switches not proven by hand: {', '.join(told)}"
    )
