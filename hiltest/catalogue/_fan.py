"""How the fan checks drive a fan. Private to the catalogue."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hiltest.description.models import Fan
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure

EVERY_S = 0.1
STOPPED_RPM = 60.0


class Rig:
    """One fan under test, and the others that must stay still."""

    def __init__(
        self, link: Link, node: GuardedNode, fan: Fan, others: Sequence[Fan], measure: Measure
    ) -> None:
        self.link, self.node, self.fan, self.others, self.measure = link, node, fan, others, measure
        self.speed = measure.curve(f"{fan.name} speed", "rpm", full_speed=fan.full_speed_rpm)
        self.duty = measure.curve(f"{fan.name} duty", "%")
        self.others_turned: set[str] = set()

    def rpm(self) -> float:
        """Read the speed now and keep it on the curve."""
        rpm = 60.0 * self.node.read_tach_hz(self.fan.name) / self.fan.pulses_per_rev
        self.speed.add(rpm)
        return rpm

    def command(self, duty: float) -> None:
        """Set the duty and keep it on the curve."""
        self.node.set_fan(self.fan.name, duty)
        self.duty.add(100.0 * duty)

    def band_at_full(self) -> tuple[float, float]:
        """Good speeds at full duty, in rpm. The supply's tolerance moves the speed too."""
        allowed = self.fan.full_speed_rpm * self.fan.speed_tolerance_percent / 100
        return self.fan.full_speed_rpm - allowed, self.fan.full_speed_rpm + allowed

    def _watch_others(self) -> None:
        for other in self.others:
            if 60.0 * self.node.read_tach_hz(other.name) / other.pulses_per_rev > STOPPED_RPM:
                self.others_turned.add(other.name)

    def stop(self, first: bool = False) -> None:
        """Command off and wait for rest."""
        self.command(0.0)
        start_s = self.link.now_s
        while (rpm := self.rpm()) > STOPPED_RPM and self.link.now_s - start_s < self.fan.stop_max_s:
            self.link.run_for(EVERY_S)
        name = "speed at rest before the test" if first else "time to stop"
        if first or rpm > STOPPED_RPM:
            self.measure("speed at zero duty", rpm, "rpm", high=STOPPED_RPM, note=name)
        if not first:
            self.measure(name, self.link.now_s - start_s, "s", high=self.fan.stop_max_s, limit="stop_max_s")

    def _settle(self, within_s: float) -> tuple[float, list[tuple[float, float]]]:
        """Wait until five readings agree within 2 %; return their mean and all (t, rpm)."""
        start_s = self.link.now_s
        seen: list[tuple[float, float]] = []
        while self.link.now_s - start_s < within_s:
            self.link.run_for(EVERY_S)
            seen.append((self.link.now_s - start_s, self.rpm()))
            last = [rpm for _, rpm in seen[-5:]]
            mean = sum(last) / len(last)
            if len(seen) >= 8 and mean > 0 and max(last) - min(last) <= max(0.02 * mean, 30.0):
                break
        last = [rpm for _, rpm in seen[-5:]]
        return sum(last) / len(last), seen

    def spin_up(self) -> float:
        """Full duty from rest; return the speed it holds, in rpm."""
        self.command(1.0)
        full_rpm, seen = self._settle(self.fan.spin_up_max_s + 2.0)
        reached = [t_s for t_s, rpm in seen if rpm >= 0.9 * full_rpm] if full_rpm > 0 else []
        self._watch_others()
        if reached:
            self.measure(
                "time to 90 % of full speed",
                reached[0],
                "s",
                high=self.fan.spin_up_max_s,
                limit="spin_up_max_s",
            )
        return full_rpm

    def sweep(self, full_rpm: float) -> list[tuple[float, float]]:
        """Every duty of the description, downwards; return (duty, rpm) with full duty first."""
        speeds = [(1.0, full_rpm)]
        for duty in sorted((duty for duty in self.fan.duties if duty < 1.0), reverse=True):
            self.command(duty)
            rpm, _ = self._settle(self.fan.spin_up_max_s)
            self.measure(f"speed at {duty:.0%} duty", rpm, "rpm", low=1.0, high=1.05 * full_rpm)
            speeds.append((duty, rpm))
            self._watch_others()
        return speeds

    def start_low(self) -> None:
        """From rest at the lowest duty at which it must start."""
        self.command(self.fan.start_duty)
        rpm, _ = self._settle(self.fan.spin_up_max_s)
        self.measure(f"speed from rest at {self.fan.start_duty:.0%} duty", rpm, "rpm", low=STOPPED_RPM)
        self.command(0.0)


def rises(speeds: Sequence[tuple[float, float]]) -> bool:
    """True when every lower duty gives a speed at least 3 % lower."""
    ordered = sorted(speeds)
    return all(b[1] > 1.03 * a[1] for a, b in itertools.pairwise(ordered))


def as_text(speeds: Sequence[tuple[float, float]]) -> str:
    """Duty and speed, for a note."""
    return ", ".join(f"{duty:.0%}: {rpm:.0f} rpm" for duty, rpm in speeds)


def ratio_hint(rpm: float, fan: Fan) -> str:
    """Say so when the speed is off by a clean ratio, which points at the pulses per turn."""
    from hiltest.physics.tach import clean_ratio

    ratio = clean_ratio(rpm, fan.full_speed_rpm) if rpm > 0 else None
    if ratio is None or ratio == 1:
        return ""
    return f"{ratio} times the nominal speed: check pulses_per_rev ({fan.pulses_per_rev})"
