"""A person at the simulated bench: does by hand what a question asks for, and says what is seen.

A person knows the bench and not the checks: what is asked comes as the id of a question, what is answered comes
from the meter in the hand, the lever of a switch, the light of a lamp or the front of the supply. An answer takes
bench time, as people do.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from hiltest.clock import NS_PER_S
from hiltest.simbench.probe import Probes

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench

_ASKED = re.compile(r"(?P<what>[\w.]+)(?:\[(?P<target>[^\]]*)\])?")

PRESS_AFTER_S, HOLD_S = 1.0, 2.0
LIT_ABOVE_V = 1.0
TURNS_ABOVE_RPM = 20.0
"""Slower blades look as if they stood, to somebody who looks for a moment (common practice, no source)."""

Answer = Callable[[str, Sequence[str]], str | None]


class Person:
    """One person. `probes` are those of the meter in the hand or on the bench."""

    def __init__(self, bench: Bench, probes: Probes) -> None:
        self._bench = bench
        self.probes = probes
        self._rng = bench.rng("person")
        self._answers: dict[str, Answer] = {
            "power.off": self._switch_off,
            "power.on": self._switch_on,
            "cold.ohm": self._read_ohm,
            "cold.probes": self._put_probes,
            "switch.rest": self._look_at_switch,
            "switch.press": self._press,
            "switch.pressed": lambda _target, _choices: "yes",
            "lamp.shows": self._look_at_lamp,
            "fan.turns": self._look_at_fan,
            "fan.another": self._look_for_another_fan,
            "heat.thermometer": self._read_thermometer,
            "safe.sensor.pull": self._pull_sensor,
            "safe.sensor.back": self._put_sensor_back,
            "safe.estop.press": self._press_emergency_stop,
            "safe.estop.release": self._release_emergency_stop,
        }

    def think_s(self, question_id: str) -> float:
        """Bench time that this person takes for a question, in s."""
        return self._rng.uniform(4.0, 9.0) if question_id.startswith("cold.") else self._rng.uniform(1.5, 3.0)

    def answer(self, question_id: str, choices: Sequence[str], unit: str) -> str | None:
        """Do what is asked and say what is seen; None when it is not understood. `unit` is left to the meter."""
        del unit
        match = _ASKED.fullmatch(question_id)
        act = self._answers.get(match["what"]) if match is not None else None
        return None if match is None or act is None else act(match["target"] or "", choices)

    # --- what a person can do ------------------------------------------------------------------------

    def _switch_off(self, _target: str, _choices: Sequence[str]) -> str:
        self._bench.hands.switch_supply(False)
        return "yes"

    def _switch_on(self, _target: str, _choices: Sequence[str]) -> str:
        """Switch on with an eye on the supply's current limit."""
        self._bench.hands.switch_supply(True)
        if not self._bench.supply.in_limit:
            return "yes"
        self._bench.hands.switch_supply(False)
        return "no"

    def _put_probes(self, target: str, _choices: Sequence[str]) -> str:
        one, _, other = target.partition(",")
        self.probes.put(one.strip(), other.strip())
        return "yes"

    def _read_ohm(self, target: str, choices: Sequence[str]) -> str:
        self._put_probes(target, choices)
        return shown(self.probes.read_ohm())

    def _look_at_switch(self, target: str, _choices: Sequence[str]) -> str:
        return "pressed" if self._lever(target) else "free"

    def _press(self, target: str, _choices: Sequence[str]) -> str:
        """Say yes; then press the switch for a while, or free it if the machine stands on it."""
        before = self._lever(target)
        for after_s, on in ((PRESS_AFTER_S, not before), (PRESS_AFTER_S + HOLD_S, before)):
            self._bench.queue.after(round(after_s * NS_PER_S), self._bench.hands.press, target, on)
        return "yes"

    def _lever(self, switch: str) -> bool:
        """Is the lever down, as one can see?"""
        return any(
            board.contacts[switch].actuated
            for board in self._bench.boards.values()
            if switch in board.contacts
        )

    def _read_thermometer(self, target: str, _choices: Sequence[str]) -> str:
        """Hold a thermometer against a heater's block; its contact and its own error are worth some tenths."""
        return f"{self._bench.truth.block_c(target) + self._rng.gauss(0.0, 0.3):.1f} degC"

    def _pull_sensor(self, target: str, _choices: Sequence[str]) -> str:
        """Say yes, then pull the plug."""
        self._bench.queue.after(round(PRESS_AFTER_S * NS_PER_S), self._bench.hands.unplug_sensor, target)
        return "yes"

    def _put_sensor_back(self, target: str, _choices: Sequence[str]) -> str:
        self._bench.hands.unplug_sensor(target, False)
        return "yes"

    def _press_emergency_stop(self, _target: str, _choices: Sequence[str]) -> str:
        """Say yes, then press it."""
        self._bench.queue.after(round(PRESS_AFTER_S * NS_PER_S), self._bench.hands.press_emergency_stop)
        return "yes"

    def _release_emergency_stop(self, _target: str, _choices: Sequence[str]) -> str:
        self._bench.hands.press_emergency_stop(False)
        return "yes"

    def _look_at_lamp(self, target: str, _choices: Sequence[str]) -> str | None:
        for board in self._bench.boards.values():
            for lamp in board.lamps:
                if lamp.name == target:
                    lit = sorted(lamp.shows()) if board.rail_v > LIT_ABOVE_V else []
                    return "several" if len(lit) > 1 else lit[0] if lit else "none"
        return None

    def _look_at_fan(self, target: str, _choices: Sequence[str]) -> str:
        motor = self._bench.truth.fan(target)
        if motor.rpm() > TURNS_ABOVE_RPM:
            return "turns"
        return "jerks" if motor.jerks() else "still"

    def _look_for_another_fan(self, target: str, _choices: Sequence[str]) -> str:
        motors = [channel.motor for board in self._bench.boards.values() for channel in board.fans]
        turning = [each for each in motors if each and each.name != target and each.rpm() > TURNS_ABOVE_RPM]
        return "yes" if turning else "no"


def shown(ohm: float) -> str:
    """A resistance as a meter of four digits shows it."""
    if math.isinf(ohm):
        return "OL"
    for factor, prefix in ((1e6, "M"), (1e3, "k")):
        if ohm >= factor:
            return f"{ohm / factor:.4g} {prefix}ohm"
    return f"{ohm:.2f} ohm" if ohm < 100.0 else f"{ohm:.1f} ohm"
