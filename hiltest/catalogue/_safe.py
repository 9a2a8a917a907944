"""How the drills energise, take away and look. Private to the catalogue."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from hiltest.errors import GateClosed, NotOffered

if TYPE_CHECKING:
    from hiltest.description.models import Fan, Heater, Node
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.node.verbs import Reading

FAN_DUTY = 0.6


@dataclass(slots=True)
class Energised:
    """What a drill has switched on, and what it has seen of it since."""

    heaters: list[Heater] = field(default_factory=list)
    fans: list[Fan] = field(default_factory=list)
    closed: list[str] = field(default_factory=list)
    last_on_s: dict[str, float] = field(default_factory=dict)
    first_off_s: dict[str, float] = field(default_factory=dict)
    rest_hz: dict[str, float] = field(default_factory=dict)

    def see(self, reading: Reading) -> None:
        """Take in what the node says by itself."""
        if reading.kind == "heater_output":
            key, is_on = f"heater {reading.name}", reading.value > 0
        else:
            return
        at_s = reading.t_ns / 1e9
        if is_on:
            self.last_on_s[key] = at_s
            self.first_off_s.pop(key, None)
        else:
            self.first_off_s.setdefault(key, at_s)


def energise(link: Link, node: GuardedNode, name: str, measure: Measure) -> Energised:
    """Switch on, at a low level, every output whose gates are open."""
    live = Energised()
    for fan in (each for each in measure.description.fan if each.node == name):
        if not measure.has_passed(f"fan.tach[{fan.name}]"):
            live.closed.append(
                f"fan {fan.name}: fan.tach[{fan.name}] has not passed, so its drop could not be seen"
            )
            continue
        try:
            node.set_fan(fan.name, max(FAN_DUTY, fan.start_duty))
            live.fans.append(fan)
        except (GateClosed, NotOffered) as error:
            live.closed.append(f"fan {fan.name}: {error}")
    for heater in (each for each in measure.description.heater if each.node == name):
        try:
            node.set_heater_c(heater.name, heater.low_setpoint_c)
            live.heaters.append(heater)
        except (GateClosed, NotOffered) as error:
            live.closed.append(f"heater {heater.name}: {error}")
    return live


def host_silence(link: Link, node: GuardedNode, part: Node, measure: Measure) -> None:
    """Let the host fall silent with outputs on, then look at them before anything is commanded."""
    live = energise(link, node, part.name, measure)
    if not live.fans and not live.heaters:
        measure.not_observable("no output could be switched on: " + "; ".join(live.closed))
    _watch(link, node, live, 4.0)
    for fan in live.fans:
        live.rest_hz[fan.name] = node.read_tach_hz(fan.name)
        measure(f"fan {fan.name} before", 60 * live.rest_hz[fan.name] / fan.pulses_per_rev, "rpm", low=1.0)
    for heater in live.heaters:
        measure(
            f"heater {heater.name} output before", 100 * node.read_heater_output(heater.name), "%", low=0.1
        )
    if measure.failed:
        measure.fail("an output did not come on, so its drop can't be seen")
    remove = node.on_reading(live.see)
    node.go_silent()
    silent_s = link.now_s
    try:
        link.run_for(part.host_silence_max_s + 0.5)
    finally:
        remove()
        node.resume()
    _judge(link, node, part, measure, live, silent_s)


def _watch(link: Link, node: GuardedNode, live: Energised, for_s: float) -> dict[str, float]:
    """Let time pass with an eye on every heater's sensor; return the last readings by heater."""
    end_s = link.now_s + for_s
    last: dict[str, float] = {}
    while link.now_s < end_s:
        link.run_for(0.25)
        last = {heater.name: node.read_temperature_c(heater.sensor) for heater in live.heaters}
    return last


def _judge(
    link: Link, node: GuardedNode, part: Node, measure: Measure, live: Energised, silent_s: float
) -> None:
    for heater in live.heaters:
        key = f"heater {heater.name}"
        measure(f"{key} output after the silence", 100 * node.read_heater_output(heater.name), "%", high=0.0)
        if key in live.last_on_s:
            measure(
                f"{key} seen on until",
                live.last_on_s[key] - silent_s,
                "s after the host fell silent",
                high=part.host_silence_max_s,
                limit="host_silence_max_s",
            )
    for fan in live.fans:
        hz = node.read_tach_hz(fan.name)
        link.run_for(0.5)
        slower = node.read_tach_hz(fan.name)
        measure(f"fan {fan.name} speed after over before", hz / live.rest_hz[fan.name], "", high=0.9)
        measure.require(f"fan {fan.name} keeps slowing down", slower < hz or slower == 0.0)
    _judge_cooling(link, node, measure, live)
    for line in live.closed:
        measure.note(f"not part of this drill: {line}")


def _judge_cooling(link: Link, node: GuardedNode, measure: Measure, live: Energised) -> None:
    """The block must stop rising: what is believed is the temperature, not the message."""
    if not live.heaters:
        return
    early = _watch(link, node, live, 8.0)  # lag of the sensor: heat that is under way still arrives
    _watch(link, node, live, 6.0)
    for heater in live.heaters:
        change = node.read_temperature_c(heater.sensor) - early[heater.name]
        measure(f"heater {heater.name} temperature change after the drop", change, "K", high=0.8)
