"""How the fan checks drive a fan. Private to the catalogue."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Sequence
from typing import TYPE_CHECKING

from hiltest.catalogue import _causes
from hiltest.errors import NotOffered

if TYPE_CHECKING:
    from hiltest.description.models import Fan
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply

EVERY_S = 0.1
STOPPED_RPM = 60.0
CURRENT_FOR_S = 5.0
"""How long the current of a fan without speed is watched: longer than the pause between the tries of a blocked one
(common practice, no source)."""
SCATTER_READINGS = 12
NOT_STEADY = "it did not yet hold one speed when the time was up"


class Rig:
    """One fan under test, and the others that must stay still."""

    def __init__(
        self,
        link: Link,
        node: GuardedNode,
        fan: Fan,
        others: Sequence[Fan],
        measure: Measure,
        supply: ScpiSupply | None = None,
    ) -> None:
        self.link, self.node, self.fan, self.others, self.measure = link, node, fan, others, measure
        self.supply = supply
        self.rest_a = math.nan
        self.rest_rpm = 0.0
        self.start_rpm = math.nan
        self.is_steady = True
        """Did it come to hold one speed at full duty, in the time that it had?"""
        self.speed = measure.curve(f"{fan.name} speed", "rpm", full_speed=fan.full_speed_rpm)
        self.duty = measure.curve(f"{fan.name} duty", "%")
        self.others_turned: set[str] = set()
        self.turned_before: set[str] = set()

    def rpm(self) -> float:
        """Read the speed now and keep it on the curve."""
        rpm = self._rpm_of(self.fan)
        self.speed.add(rpm)
        return rpm

    def _rpm_of(self, fan: Fan) -> float:
        return 60.0 * self.node.read_tach_hz(fan.name) / fan.pulses_per_rev

    def command(self, duty: float) -> None:
        """Set the duty and keep it on the curve."""
        self.node.set_fan(self.fan.name, duty)
        self.duty.add(100.0 * duty)

    def band_at_full(self) -> tuple[float, float]:
        """Good speeds at full duty, in rpm, at the supply that the node measures: speed goes with voltage.

        Where sense.supply has not passed, supply or reading may be wrong: what fits the nominal voltage is good as well.
        """
        rated_v = self.measure.description.supply.voltage_v
        shares = [self._supply_v(rated_v) / rated_v]
        if not self.is_supply_right:
            shares.append(1.0)
        tolerance = self.fan.speed_tolerance_percent / 100
        full_rpm = self.fan.full_speed_rpm
        return full_rpm * min(shares) * (1 - tolerance), full_rpm * max(shares) * (1 + tolerance)

    @property
    def is_supply_right(self) -> bool:
        """Was the node's supply, as it reads it, found right in this run?"""
        return self.measure.has_passed(f"sense.supply[{self.node.name}]")

    def _supply_v(self, rated_v: float) -> float:
        try:
            return self.node.read_supply_v()
        except NotOffered:
            return rated_v

    def _turning(self) -> set[str]:
        return {other.name for other in self.others if self._rpm_of(other) > STOPPED_RPM}

    def _watch_others(self) -> None:
        self.others_turned |= self._turning() - self.turned_before

    def rest(self) -> None:
        """Command off and wait until this fan and the others stand, as long as each may take.

        What turned a moment ago is not at rest yet: an earlier check leaves its fan running down.
        """
        self.command(0.0)
        longest_s = max(fan.stop_max_s for fan in (self.fan, *self.others))
        start_s = self.link.now_s
        while (rpm := self.rpm()) > STOPPED_RPM or self._turning():
            if self.link.now_s - start_s >= longest_s:
                break
            self.link.run_for(EVERY_S)
        self.measure("speed at zero duty", rpm, "rpm", high=STOPPED_RPM, note="before the test")
        self.rest_rpm = rpm
        if self.supply is not None:
            self.rest_a = self.supply.read_a()
        self.turned_before = self._turning()
        if self.turned_before:
            self.measure.note(
                f"turned before this test, with nothing commanded: {', '.join(self.turned_before)}"
            )

    def stop(self) -> None:
        """Command off and time the way to rest."""
        self.command(0.0)
        start_s = self.link.now_s
        while (rpm := self.rpm()) > STOPPED_RPM and self.link.now_s - start_s < self.fan.stop_max_s:
            self.link.run_for(EVERY_S)
        stopped_s = self.link.now_s - start_s if rpm <= STOPPED_RPM else math.nan
        self.measure(
            "time to stop",
            stopped_s,
            "s",
            high=self.fan.stop_max_s,
            limit="stop_max_s",
            note="" if rpm <= STOPPED_RPM else f"still {rpm:.0f} rpm after {self.fan.stop_max_s:g} s",
        )

    def _settle(self, within_s: float, share: float = 0.01) -> tuple[float, list[tuple[float, float]]]:
        """Wait until half a second of readings agrees with the half second before within `share`.

        Returns the mean of the last half second and all (t, rpm). Comparing means and not extremes keeps a slow
        fan from being read on its way: what is left to go is at most about three times `share`.
        """
        start_s = self.link.now_s
        seen: list[tuple[float, float]] = []
        while self.link.now_s - start_s < within_s:
            self.link.run_for(EVERY_S)
            seen.append((self.link.now_s - start_s, self.rpm()))
            if len(seen) >= 10:
                last, before = _mean(seen[-5:]), _mean(seen[-10:-5])
                if last > 0 and abs(last - before) <= max(share * last, 15.0):
                    break
        return _mean(seen[-5:]), seen

    def spin_up(self) -> float:
        """Full duty from rest; return the speed it holds, in rpm."""
        self.command(1.0)
        limit_s = self.fan.spin_up_max_s + 2.0
        full_rpm, seen = self._settle(limit_s, 0.005)
        self.is_steady = full_rpm <= 0 or seen[-1][0] < limit_s
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

    def scatter(self, full_rpm: float) -> None:
        """At one speed the reading must hold still: single pulses of unequal length, or noise on the wire, scatter."""
        if full_rpm <= 0:
            return
        readings = []
        for _ in range(SCATTER_READINGS):
            self.link.run_for(EVERY_S)
            readings.append(self.rpm())
        self.measure(
            "scatter of the speed's reading",
            100 * statistics.stdev(readings) / statistics.fmean(readings) if any(readings) else math.nan,
            "%",
            high=self.fan.speed_scatter_max_percent,
            limit="speed_scatter_max_percent",
            note=f"standard deviation of {SCATTER_READINGS} readings at full speed",
        )

    def sweep(self, full_rpm: float) -> list[tuple[float, float]]:
        """Every duty of the description, downwards; return (duty, rpm) with full duty first."""
        speeds = [(1.0, full_rpm)]
        over_duty = self.measure.curve(
            f"{self.fan.name} speed over duty", "rpm", full_speed=self.fan.full_speed_rpm
        )
        over_duty.curve.x_name, over_duty.curve.x_unit = "duty", "%"
        over_duty.add(full_rpm, 100.0)
        for duty in sorted((duty for duty in self.fan.duties if duty < 1.0), reverse=True):
            self.command(duty)
            rpm, _ = self._settle(self.fan.spin_up_max_s)
            self.measure(f"speed at {duty:.0%} duty", rpm, "rpm", low=1.0, high=1.05 * full_rpm)
            speeds.append((duty, rpm))
            over_duty.add(rpm, 100.0 * duty)
            self._watch_others()
        return speeds

    def start_low(self) -> None:
        """From rest at the lowest duty at which it must start."""
        self.command(self.fan.start_duty)
        rpm, _ = self._settle(self.fan.spin_up_max_s)
        self.measure(f"speed from rest at {self.fan.start_duty:.0%} duty", rpm, "rpm", low=STOPPED_RPM)
        self.start_rpm = rpm

    def back_up(self, speeds: Sequence[tuple[float, float]]) -> None:
        """The duties of the sweep again, upwards: the same speeds, whichever way they are reached."""
        for duty, down_rpm in sorted(speeds):
            if self.fan.start_duty < duty < 1.0 and down_rpm > 0:
                self.command(duty)
                rpm, _ = self._settle(self.fan.spin_up_max_s)
                ratio = rpm / down_rpm
                self.measure(
                    f"speed at {duty:.0%} duty, upwards over downwards", ratio, "", low=0.9, high=1.1
                )
        self.command(0.0)

    def _current_a(self) -> list[float]:
        """What the bench supply gives more than at rest, for a while; empty where there is none."""
        if self.supply is None:
            return []
        amps, end_s = [], self.link.now_s + CURRENT_FOR_S
        while self.link.now_s < end_s:
            amps.append(self.supply.read_a() - self.rest_a)
            self.link.run_for(EVERY_S)
        return amps

    def why_no_speed(self) -> None:
        """Say where to look when the tachometer shows nothing at full duty; the fan is still commanded on."""
        amps = self._current_a()
        if amps:
            self.measure("supply current more than at rest, lowest", min(amps), "A")
            self.measure("supply current more than at rest, highest", max(amps), "A")
        self.measure.look_first(
            *_causes.fan_without_speed(
                amps, self.fan.current_a, bool(self.others_turned), self.rest_rpm > STOPPED_RPM
            )
        )

    def ratio_hint(self, rpm: float) -> str:
        """Say so when the speed is off by a clean ratio, which points at the pulses per turn; only of a speed that it holds."""
        from hiltest.physics.tach import clean_ratio

        ratio = clean_ratio(rpm, self.fan.full_speed_rpm) if rpm > 0 and self.is_steady else None
        if ratio is None or ratio == 1:
            return ""
        return (
            f"{ratio} times the nominal speed: look at the fan's data sheet, then check pulses_per_rev "
            f"({self.fan.pulses_per_rev}); where the sheet agrees with it, the tach wire picks up noise"
        )

    def why_otherwise(self, speeds: Sequence[tuple[float, float]]) -> None:
        """Say where to look if one of the speeds (duty, rpm) is not good."""
        full_rpm = speeds[0][1]
        low, high = self.band_at_full()
        is_good = low <= full_rpm <= high
        as_another = not is_good and any(
            low * each.full_speed_rpm < full_rpm * self.fan.full_speed_rpm < high * each.full_speed_rpm
            for each in self.others
        )
        self.measure.look_first(
            *_causes.fan(
                turned_at_rest=self.rest_rpm > STOPPED_RPM,
                off_by_ratio=bool(self.ratio_hint(full_rpm)),
                is_steady=self.is_steady,
                is_slow=full_rpm < low,
                is_flat=len(speeds) > 1 and min(rpm for _, rpm in speeds) > 0.9 * full_rpm,
                another_turned=bool(self.others_turned) or as_another,
                started_low=math.isnan(self.start_rpm) or self.start_rpm >= STOPPED_RPM,
            )
        )


def _mean(seen: Sequence[tuple[float, float]]) -> float:
    return sum(rpm for _, rpm in seen) / len(seen) if seen else 0.0


def rises(speeds: Sequence[tuple[float, float]]) -> bool:
    """True when every lower duty gives a speed at least 3 % lower."""
    ordered = sorted(speeds)
    return all(b[1] > 1.03 * a[1] for a, b in itertools.pairwise(ordered))


def as_text(speeds: Sequence[tuple[float, float]]) -> str:
    """Duty and speed, for a note."""
    return ", ".join(f"{duty:.0%}: {rpm:.0f} rpm" for duty, rpm in speeds)
