"""Drills in which a node must refuse or switch off one heater by itself. Private to the catalogue.

What a node says that it applies may come from the very variable that its trip clears, while the gate conducts on. So
two more observers look, which ask no node what it applies: the current of a bench supply, and the block, which must
fall as one does whose heater is off.
"""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING, NoReturn

from hiltest import cautions
from hiltest.catalogue._causes import DIPS_V, TRIP_CLEARS
from hiltest.catalogue._heat import DEAD_TIME_S, PULSE_HIGH, supply_v
from hiltest.catalogue._heatloop import expected_fall_k
from hiltest.catalogue._safe import (
    CURRENT_LEFT_SHARE,
    CURRENT_SEEN_A,
    EVERY_S,
    FALL_SHARE,
    LAGS_WAITED,
    judge_current,
)
from hiltest.catalogue._sense import FEWEST_READS, NOISE_K, mean_of, reads_needed, too_noisy
from hiltest.errors import Refused

if TYPE_CHECKING:
    from hiltest.description.models import Heater
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.scpi import ScpiSupply

WARM_BELOW_K = 5.0
TRIP_S = 1.0
LATCH_S = 3.0
LOOK_EVERY_S = 0.5
DIP_READINGS = 5
MOST_DIP_V, MOST_DIP_SHARE = 2 * DIPS_V, 0.005
"""Ripple, and a fan that comes on because its block is warm, are no heater."""
CEILING_OFF_K = 0.5
"""A ceiling may be read so far off: a node that counts whole degrees rounds."""
WHATEVER = "by the temperature, whatever the node says"


class OneHeater:
    """One heater, and what shows whether it heats, whatever its node says. `supply` may be None.

    Made before the heater is switched on: what flows then is what the others draw.
    """

    def __init__(
        self, link: Link, node: GuardedNode, heater: Heater, measure: Measure, supply: ScpiSupply | None
    ) -> None:
        self.link, self.node, self.heater, self.measure, self.supply = link, node, heater, measure, supply
        self.curve = measure.curve(f"{heater.name} temperature", "degC", setpoint=heater.low_setpoint_c)
        memory, place = measure.memory, (node.name, heater.sensor)
        if why := too_noisy(memory, *place):
            measure.not_observable(
                f"whether heater {heater.name!r} heats: {why}",
                "a quieter sensor: look for pick-up, shield and filter",
            )
        self._averaged = reads_needed(memory, *place)
        """Readings of which a mean is taken, so that noise makes no rise and no fall."""
        self.base_c = math.nan
        self.most_rise_k = NOISE_K
        self.highest_output = 0.0
        self._rest_a = self._on_a = math.nan
        self._rest_v = math.nan
        self._given: list[tuple[float, float]] = []
        if supply is not None:
            self._rest_a = supply.read_a()

    # --- on -----------------------------------------------------------------------------------------

    def read(self) -> float:
        """Temperature in degC; kept on the curve."""
        reading = self.node.read_temperature_c(self.heater.sensor)
        self.curve.add(reading)
        return reading

    def output(self) -> float:
        """What the node says that it applies, 0..1."""
        return self.node.read_heater_output(self.heater.name)

    def warm_and_on(self) -> None:
        """Close the loop and wait until the block is warm and the output on: only that can be seen to go off."""
        heater, measure = self.heater, self.measure
        self._rest_v = self._mean_v()
        self.node.set_heater_c(heater.name, heater.low_setpoint_c)
        warm_c = heater.low_setpoint_c - WARM_BELOW_K
        end_s = self.link.now_s + heater.window_s
        while True:
            reading, output = self.look()
            if (reading >= warm_c and output > 0) or self.link.now_s >= end_s:
                break
            self.link.run_for(EVERY_S)
        measure("temperature before", reading, "degC", low=warm_c)
        measure("output before", 100 * output, "%", low=0.1)
        if measure.failed:
            self.off()
            measure.fail("the heater was not warm and on, so it could not be seen to go off")
        if self.supply is not None:
            self._on_a = self.supply.read_a()

    def look(self) -> tuple[float, float]:
        """Temperature in degC and output (0..1), kept for what the block may still rise by."""
        self.base_c, output = self.read(), self.output()
        self._given.append((self.link.now_s, output))
        return self.base_c, output

    def settle(self) -> None:
        """Take where the block is from a mean, if one reading of its sensor says too little."""
        if self._averaged > FEWEST_READS:
            self.base_c = self._mean_c()

    def must_go_off(self) -> None:
        """From now on: `base_c` is where the block was, and `most_rise_k` by how much it may still rise.

        That is heat which no sensor shows yet: energy over heat capacity, energy from the outputs that were read, at
        PULSE_HIGH times the stated power.
        """
        now_s = self.link.now_s
        since_s = now_s - DEAD_TIME_S - LAGS_WAITED * self.heater.sensor_lag_s
        ends_s = [*(t for t, _ in self._given), now_s + EVERY_S][1:]
        on_s = sum(
            duty * max(0.0, end_s - max(t, since_s))
            for (t, duty), end_s in zip(self._given, ends_s, strict=True)
        )
        self.most_rise_k = PULSE_HIGH * self.heater.power_w * on_s / self.heater.heat_capacity_j_k + NOISE_K

    def off(self) -> None:
        """Command this heater off."""
        self.node.set_heater_c(self.heater.name, 0.0)

    def _mean_v(self) -> float:
        return sum(supply_v(self.node) for _ in range(DIP_READINGS)) / DIP_READINGS

    # --- what is seen -------------------------------------------------------------------------------

    def judge_current(self, what: str) -> None:
        """By the bench supply: what the heater drew must be missing."""
        left = judge_current(self.measure, self.supply, self._rest_a, self._on_a, what)
        if left > CURRENT_LEFT_SHARE:
            self.heats_on(f"{100 * left:.0f} % of its current still flows")

    def judge_no_more_current(self, what: str) -> None:
        """By the bench supply: nothing more flows than before."""
        if self.supply is not None:
            more_a = self.supply.read_a() - self._rest_a
            self.measure(f"more current after {what}, at the bench supply", more_a, "A", high=CURRENT_SEEN_A)

    def judge_dip(self, what: str) -> None:
        """By the node's own supply reading, where it has one: a heater at full power pulls it down.

        It is no proof that nothing flows, but it needs neither the sensor nor what the node says of its output.
        """
        dip_v = self._rest_v - self._mean_v()
        if math.isnan(dip_v):
            return
        most_v = max(MOST_DIP_V, MOST_DIP_SHARE * self.measure.description.supply.voltage_v)
        self.measure(f"supply at the node lower after {what} by", dip_v, "V", high=most_v)
        if dip_v > most_v:
            self.heats_on(f"the supply at the node is {dip_v:.2f} V lower than before it was switched on")

    def judge_no_rise(self, what: str) -> None:
        """For as long as heat needs to reach the sensor the block must not rise beyond noise."""
        before = self._mean_c()
        self.link.run_for(DEAD_TIME_S + self.heater.sensor_lag_s)
        rise = self._mean_c() - before
        self.measure(f"temperature rise after {what}", rise, "K", high=NOISE_K, note=WHATEVER)
        if rise > NOISE_K:
            self.heats_on(f"its block got {rise:.1f} K hotter")

    def _mean_c(self) -> float:
        return mean_of(self.link, self.read, self._averaged)

    def judge_fall(self, what: str, low_s: float) -> None:
        """Watch until the block has fallen, `low_s` seconds at least, with nothing commanded.

        A block that does not fall in the time that an unheated one needs, or rises by more than was under way, ends
        the run. `highest_output` is what the node said meanwhile; an output that comes on again ends the watch.
        """
        room_c = self.measure.memory.get(f"cold {self.heater.name}", math.nan)
        rate_k_s = expected_fall_k(self.heater, self.base_c, room_c, 1.0)
        within_s = low_s
        if rate_k_s > 0:
            lag_s = DEAD_TIME_S + LAGS_WAITED * self.heater.sensor_lag_s
            within_s = max(low_s, lag_s + NOISE_K / (FALL_SHARE * rate_k_s) + self._averaged * LOOK_EVERY_S)
        else:
            self.measure.note(
                f"not judged by the temperature: a block of {self.base_c:.1f} degC does not fall (room {room_c:.1f} degC)"
            )
        # Means are compared with means: against one reading of a noisy sensor, its noise would be a fall.
        start_s, latest, highest_c = self.link.now_s, deque[float](maxlen=self._averaged), -math.inf
        while True:
            self.link.run_for(LOOK_EVERY_S)
            latest.append(self.read())
            self.highest_output = max(self.highest_output, self.output())
            mean, passed_s = sum(latest) / len(latest), self.link.now_s - start_s
            if self.highest_output > 0:
                break
            if len(latest) < self._averaged:
                continue
            highest_c = max(highest_c, mean)
            if passed_s >= within_s:
                break
            has_fallen = highest_c - mean >= NOISE_K and passed_s >= low_s
            if has_fallen or mean - self.base_c > self.most_rise_k:
                break
        if self.highest_output > 0 or not rate_k_s > 0:
            return
        rise_k, fall_k = highest_c - self.base_c, highest_c - mean
        self.measure(f"rise after {what}", rise_k, "K", high=self.most_rise_k, note=WHATEVER)
        self.measure(
            f"fall after {what}",
            fall_k,
            "K",
            low=NOISE_K,
            note=f"in {passed_s:.1f} s of at most {within_s:.1f} s; unheated it falls by {60 * rate_k_s:.1f} K a minute",
            form="course",  # the wait ends as soon as it has fallen by so much
        )
        if rise_k > self.most_rise_k or not fall_k >= NOISE_K:
            does = "got hotter" if mean > self.base_c else "did not fall"
            self.heats_on(f"its block {does}: {self.base_c:.1f} degC, then {mean:.1f} degC")

    def heats_on(self, why: str) -> NoReturn:
        """Command everything off, take the power away where that is possible, and end the run."""
        self.node.stop_all()
        done = cautions.SUPPLY_OFF_NOW
        if self.supply is not None:
            self.supply.switch(False)
            done = cautions.SUPPLY_WAS_SWITCHED_OFF
        self.measure.stop_run(
            f"the node says that heater {self.heater.name!r} is off, and {why}. Every output was commanded off. {done}: "
            "what it says of its output is not what its gate does"
        )


def over_ceiling(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, supply: ScpiSupply | None
) -> None:
    """The node itself refuses a setpoint above the ceiling, whoever asks."""
    one = OneHeater(link, node, heater, measure, supply)
    taken = node.ask_above_ceiling(heater.name)
    link.run_for(0.1)
    measure.require(
        "the node refuses a setpoint above the ceiling", not taken, "taken back at once" if taken else ""
    )
    measure("output afterwards", 100 * one.output(), "%", high=0.0)
    one.judge_no_more_current("it was asked")
    one.judge_no_rise("it was asked")


class OwnCeiling:
    """The ceiling that a node itself holds for one heater, as it was before a drill lowers it.

    `own_c` is what the node said, in degC; None where it can't be read. `known_c` is what is put back: the lowest that is
    known of its own, the heater's and its sensor's.
    """

    def __init__(self, node: GuardedNode, heater: Heater, measure: Measure) -> None:
        self.node, self.heater, self.measure = node, heater, measure
        self.own_c = self._read()
        stated = [each.ceiling_c for each in measure.description.sensor if each.name == heater.sensor]
        known = [heater.ceiling_c, *(each for each in stated if each is not None)]
        self.known_c = min(known) if self.own_c is None else min(self.own_c, heater.ceiling_c)

    def _read(self) -> float | None:
        name = self.heater.name
        if f"read_heater_ceiling_c[{name}]" not in self.node.offers:
            return None
        try:
            return self.node.read_heater_ceiling_c(name)
        except Refused as error:
            self.measure.note(f"the ceiling of heater {name!r} can't be read: {error}")
            return None

    def judge(self) -> None:
        """Against the description, before anything is switched on or changed."""
        heater, measure = self.heater, self.measure
        if self.own_c is None:
            measure.qualify(
                f"the node's own ceiling of heater {heater.name} can't be read (role ceiling_c), so nobody compared it with "
                f"the description's; the drill left it at {self.known_c:g} degC, and a reset brings back its own"
            )
            return
        measure(
            "ceiling of the node itself",
            self.own_c,
            "degC",
            low=heater.low_setpoint_c,
            high=heater.ceiling_c + CEILING_OFF_K,
            limit="ceiling_c",
            note="read before anything was changed",
        )
        if measure.failed:
            measure.fail(
                f"the node says that its own ceiling of heater {heater.name!r} is {self.own_c:g} degC, expected "
                f"{heater.ceiling_c:g} degC (ceiling_c). Nothing was changed. Look at the firmware's setting, then at scale "
                "and place of the role ceiling_c"
            )
        if self.own_c < heater.ceiling_c - CEILING_OFF_K:
            measure.qualify(
                f"the node's own ceiling of heater {heater.name} is {self.own_c:g} degC, below the described "
                f"{heater.ceiling_c:g} degC, and was put back so: correct ceiling_c, or the scale of its role"
            )

    def put_back(self) -> None:
        """Set it to `known_c` again."""
        self.node.set_heater_ceiling_c(self.heater.name, self.known_c)

    def judge_back(self) -> None:
        """Read once more where that is possible: it must be what was put back."""
        if self.own_c is not None:
            self.measure(
                "ceiling of the node itself, put back",
                self.node.read_heater_ceiling_c(self.heater.name),
                "degC",
                low=self.known_c - CEILING_OFF_K,
                high=self.known_c + CEILING_OFF_K,
                note="what it was before",
            )


def over_temperature(
    link: Link, node: GuardedNode, heater: Heater, measure: Measure, supply: ScpiSupply | None
) -> None:
    """With the node's own ceiling lowered below the warm block: off, and off it stays when the ceiling is back."""
    ceiling = OwnCeiling(node, heater, measure)
    ceiling.judge()
    one = OneHeater(link, node, heater, measure, supply)
    one.warm_and_on()
    one.settle()
    one.must_go_off()
    lowered_c = one.base_c - WARM_BELOW_K
    measure("ceiling lowered to", lowered_c, "degC", note=f"the block is at {one.base_c:.1f} degC")
    node.set_heater_ceiling_c(heater.name, lowered_c)
    link.run_for(TRIP_S)
    measure("output above the ceiling", 100 * one.output(), "%", high=0.0)
    if not measure.failed:
        one.judge_current("the trip")
        ceiling.put_back()
        one.judge_fall("the trip", LATCH_S)
        measure(
            "output once the ceiling is back",
            100 * one.highest_output,
            "%",
            high=0.0,
            note="the trip must be latched",
        )
        if one.highest_output > 0 and len(measure.failed) == 1:
            measure.look_first(TRIP_CLEARS)
    one.off()
    ceiling.put_back()
    ceiling.judge_back()
