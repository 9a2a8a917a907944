"""The guard: gates, limits, all-off. The node is a double that records what reaches it."""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hiltest.canbus.frame import Frame
from hiltest.catalogue.registry import bind_all
from hiltest.clock import SimulatedClock
from hiltest.description.loading import load_description
from hiltest.description.models import Description
from hiltest.errors import BenchLost, GateClosed, GuardTripped, NoAnswer, NodeFault, UsageError
from hiltest.guard import GATES, Guard, GuardedNode
from hiltest.guard.ceilings import ceilings
from hiltest.link import Link
from hiltest.node.verbs import Reading, ReadingKind

DESCRIPTION = load_description(Path(__file__).parents[1] / "fixtures" / "glue_head.toml").description
HEATER = DESCRIPTION.heater[0]
ON_THE_BUS = ("cold.power_on[can]", "bus.quiet[can]", "bus.enumerate[head]", "bus.observer[can]")
HEATED = (*ON_THE_BUS, "cold.heater[reservoir]", "cold.sensor[reservoir]", "sense.supply[head]")
HEATED = (*HEATED, "sense.ambient[reservoir]")
MOVED = (*ON_THE_BUS, "cold.coils[pump]", "switch.by_hand[pump_home]", "motion.driver_ready[pump]")
EVERY_GATE = (
    *HEATED,
    "heat.idle[reservoir]",
    "heat.pulse[reservoir]",
    "safe.host_silence[head]",
    "safe.bus_cut[head]",
    *MOVED,
    "motion.direction[pump]",
)


class QuietPort:
    """A bus in simulated time on which nothing comes by itself."""

    name, bit_rate_bps, bus = "can", 1_000_000, None

    def __init__(self) -> None:
        self.clock = SimulatedClock()
        self.events: list[tuple[int, int, Callable[[], None]]] = []
        self._number = itertools.count()

    def at(self, t_s: float, event: Callable[[], None]) -> None:
        heapq.heappush(self.events, (round(t_s * 1e9), next(self._number), event))

    def recv(self, timeout_s: float) -> Frame | None:
        deadline_ns = self.clock.now_ns + round(timeout_s * 1e9)
        if self.events and self.events[0][0] <= deadline_ns:
            t_ns, _, event = heapq.heappop(self.events)
            self.clock.advance_to(max(t_ns, self.clock.now_ns))
            event()
            return Frame(0x7FF, t_ns=t_ns)
        self.clock.advance_to(deadline_ns)
        return None

    def send(self, frame: Frame) -> None: ...
    def flush(self) -> None: ...
    def close(self) -> None: ...
    def reopen(self, bit_rate_bps: int) -> None: ...
    def state(self) -> str:
        return "active"

    def counters(self) -> None:
        return None


class RecordingNode:
    """A node driver that records verbs; `calls` holds (verb, arguments)."""

    name = "head"
    unanswered = 0
    offers = frozenset({"read_heater_output[reservoir]"})

    def __init__(self, link: Link) -> None:
        self.calls: list[tuple[Any, ...]] = []
        self.output = 0.0
        self.stop_error: Exception | None = None
        self.read_error: Exception | None = None
        self._link = link
        self._listeners: list[Callable[[Reading], None]] = []
        self.pending: list[Reading] = []
        link.listen(lambda _: self._tell())

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        self._listeners.append(listener)
        return lambda: self._listeners.remove(listener)

    def _tell(self) -> None:
        for reading in self.pending:
            for listener in self._listeners:
                listener(reading)
        self.pending.clear()

    def stop_all(self) -> None:
        self.calls.append(("stop_all",))
        if self.stop_error is not None:
            raise self.stop_error

    def read_heater_output(self, heater: str) -> float:
        if self.read_error is not None:
            raise self.read_error
        return self.output

    def restart(self, within_s: float) -> float:
        self._link.run_for(0.3)
        return 0.3

    def __getattr__(self, verb: str) -> Callable[..., None]:
        return lambda *arguments: self.calls.append((verb, *arguments))


class Bench:
    def __init__(self, gates: tuple[str, ...] = EVERY_GATE, description: Description = DESCRIPTION) -> None:
        self.port = QuietPort()
        self.link = Link(self.port)
        self.guard = Guard(self.link, description)
        self.driver = RecordingNode(self.link)
        self.guard.watch(self.driver)
        self.node = GuardedNode(self.driver, self.guard)
        for gate in gates:
            self.guard.passed(gate)

    def says(self, t_s: float, kind: ReadingKind, value: float, name: str = "reservoir") -> None:
        """Let a reading come at bench time `t_s`."""
        reading = Reading(kind, name, value, round(t_s * 1e9), asked=False)
        self.port.at(t_s, lambda: self.driver.pending.append(reading))

    def temperatures(self, curve: Callable[[float], float], until_s: float, every_s: float = 0.1) -> None:
        for number in range(1, round(until_s / every_s) + 1):
            t_s = self.link.now_s + number * every_s
            self.says(t_s, "temperature_c", curve(number * every_s))

    @property
    def sent(self) -> list[str]:
        return [call[0] for call in self.driver.calls]


ENERGISING: dict[str, Callable[[GuardedNode], None]] = {
    "set_lamp": lambda node: node.set_lamp("status", "red"),
    "set_fan": lambda node: node.set_fan("nozzle", 0.5),
    "pulse_heater": lambda node: node.pulse_heater("reservoir", 1.0, 4.0),
    "set_heater_c": lambda node: node.set_heater_c("reservoir", 50.0),
    "enable_driver": lambda node: node.enable_driver("pump", True),
    "move": lambda node: node.move("pump", 800, 1.0, 5.0),
    "long move": lambda node: node.move("pump", 16_000, 1.0, 20.0),
}

GATES_NEEDED = {
    "set_lamp": {"cold.power_on[can]", "bus.enumerate[head]"},
    "set_fan": {*ON_THE_BUS},
    "pulse_heater": {*HEATED, "heat.idle[reservoir]"},
    "set_heater_c": {
        *HEATED,
        "heat.pulse[reservoir]",
        "safe.host_silence[head]",
        "safe.bus_cut[head]",
    },
    "enable_driver": {*MOVED},
    "move": {*MOVED},
    "long move": {
        *MOVED,
        "motion.direction[pump]",
        *(
            f"safe.{drill}[head]"
            for drill in ("host_silence", "foreign_traffic", "bus_cut", "stop", "reset", "old_commands")
        ),
        "safe.emergency_stop[head]",
        "safe.move_ends[pump]",
    },
}


# --- gates --------------------------------------------------------------------------------------------------


def test_every_energising_verb_has_gates() -> None:
    """The table of gates covers exactly the verbs that energise."""
    assert set(GATES) == set(ENERGISING) == set(GATES_NEEDED)


@pytest.mark.parametrize("verb", ENERGISING)
def test_nothing_is_energised_before_its_gates(verb: str) -> None:
    """With any one gate missing the verb raises GateClosed naming it, and nothing reaches the node."""
    for missing in GATES_NEEDED[verb]:
        bench = Bench(tuple(GATES_NEEDED[verb] - {missing}))
        with pytest.raises(GateClosed) as caught:
            ENERGISING[verb](bench.node)
        assert caught.value.missing == (missing,)
        assert bench.driver.calls == []
        assert bench.guard.energised == frozenset()


@pytest.mark.parametrize("verb", ENERGISING)
def test_its_gates_are_enough(verb: str) -> None:
    """With exactly its gates passed a verb goes through and the load counts as on."""
    bench = Bench(tuple(GATES_NEEDED[verb]))
    ENERGISING[verb](bench.node)
    assert len(bench.driver.calls) == 1
    assert len(bench.guard.energised) == 1


HOLD_BACK = (
    "cold.pair[can]",
    "sense.ambient[board]",
    "switch.by_hand[level]",
    "heat.second_point[reservoir]",
    "motion.direction[other]",
    "safe.emergency_stop[head]",
)
HOLD_NOTHING_BACK = ("desk.traffic[can]", "bus.load[can]", "lamp.colours[status]", "fan.tach[nozzle]")
OPEN = tuple(set().union(*GATES_NEEDED.values()))


def test_after_a_dangerous_finding_no_move_is_long() -> None:
    """Whatever part it was for: the long move names the check that failed, small moves and pulses go on."""
    for failed in HOLD_BACK:
        bench = Bench(OPEN)
        bench.guard.failed(failed)
        with pytest.raises(GateClosed) as caught:
            ENERGISING["long move"](bench.node)
        assert caught.value.missing == (failed,)
        assert bench.driver.calls == []
        ENERGISING["move"](bench.node)
        ENERGISING["pulse_heater"](bench.node)
        assert bench.sent == ["move", "pulse_heater"]


def test_small_moves_do_not_add_up_to_a_long_one() -> None:
    """Two of them from where the axis began, either way, back and out again; the third is a long move and says why."""
    bench = Bench(tuple(GATES_NEEDED["move"]))
    for microsteps in (800, 800, -800, -800, -800, -800, 800, 800):
        bench.node.move("pump", microsteps, 1.0, 5.0)
    for _ in range(2):
        bench.node.move("pump", 800, 1.0, 5.0)
    with pytest.raises(GateClosed, match=r"\+0\.75 turns from where it began.*motion\.direction") as caught:
        bench.node.move("pump", 800, 1.0, 5.0)
    assert "safe.move_ends[pump]" in caught.value.missing
    assert len(bench.driver.calls) == 10
    bench.node.move("pump", -800, 1.0, 5.0)
    allowed = Bench(OPEN)
    for _ in range(5):
        allowed.node.move("pump", 800, 1.0, 5.0)


class Unanswered(RecordingNode):
    """Makes `share` of each move, and more of it once it was asked for its counter; never says that it is done."""

    offers = frozenset({"read_position[pump]"})
    share, goes_on = 1.0, 0

    def __init__(self, link: Link) -> None:
        super().__init__(link)
        self.at = 0

    def move(self, _stepper: str, microsteps: int, _speed_rev_s: float, _within_s: float) -> None:
        self.calls.append(("move", microsteps))
        self.at += round(self.share * microsteps)
        raise NoAnswer("head", "move", 0.1)

    def read_position(self, _stepper: str) -> int:
        now, self.at = self.at, self.at + self.goes_on
        return now

    def restart(self, within_s: float) -> float:
        self.at = 0
        return super().restart(within_s)


def unanswered(offers: tuple[str, ...] = ("read_position[pump]",)) -> tuple[Bench, Unanswered]:
    bench = Bench(tuple(GATES_NEEDED["move"]))
    driver = Unanswered(bench.link)
    driver.offers = frozenset(offers)
    bench.guard.watch(driver)
    bench.node = GuardedNode(driver, bench.guard)
    return bench, driver


def tries(bench: Bench, count: int, microsteps: int = 800) -> None:
    """So many moves that end without an answer."""
    for _ in range(count):
        with pytest.raises(NoAnswer):
            bench.node.move("pump", microsteps, 1.0, 0.1)


def test_small_moves_without_an_answer_add_up_too() -> None:
    """The axis goes on: what the counter shows is counted, before the restart of the node that sets it to 0 as well; where
    nobody can read it, or before it was ever read, the whole move."""
    blind, _ = unanswered(offers=())
    seen, _ = unanswered()
    reset, _ = unanswered()
    for bench in (seen, reset):
        bench.node.read_position("pump")
    tries(blind, 2)
    tries(seen, 2)
    for _ in range(2):
        tries(reset, 1)
        reset.node.restart(1.0)
        reset.node.read_position("pump")
    for bench in (blind, seen, reset):
        with pytest.raises(GateClosed, match=r"\+0\.75 turns from where it began"):
            bench.node.move("pump", 800, 1.0, 0.1)


def test_a_move_that_was_ended_counts_as_far_as_it_went() -> None:
    """As drills do it: out, stopped on the way, out again. A fifth of 800 each time leaves room for many; one that nobody
    ended may go on, and counts whole until it is."""
    bench, driver = unanswered()
    driver.share = 0.2
    bench.node.read_position("pump")
    for _ in range(6):
        tries(bench, 1)
        bench.node.stop_all()
    assert bench.node.read_position("pump") == 6 * 160
    with pytest.raises(GateClosed):
        bench.node.move("pump", 800, 1.0, 0.1)
    under_way, driver = unanswered()
    driver.share, driver.goes_on = 0.0, 100
    under_way.node.read_position("pump")
    tries(under_way, 2)
    with pytest.raises(GateClosed):
        under_way.node.move("pump", 800, 1.0, 0.1)
    under_way.node.stop_all()
    tries(under_way, 1)


def test_what_says_nothing_of_heat_or_motion_holds_nothing_back() -> None:
    """A stalled fan, a dark lamp, a slow bus: no reason to keep an axis from its move."""
    bench = Bench(OPEN)
    for failed in HOLD_NOTHING_BACK:
        bench.guard.failed(failed)
    ENERGISING["long move"](bench.node)
    assert bench.sent == ["move"]


def test_only_a_check_of_the_catalogue_holds_back() -> None:
    """A test of the user's own that happens to be called like a group does not."""
    guard = Guard(Link(QuietPort()), DESCRIPTION, {"heat.pulse[reservoir]"}.__contains__)
    guard.failed("heat.py::test_own")
    assert guard.held_back_by == ()
    guard.failed("heat.pulse[reservoir]")
    assert guard.held_back_by == ("heat.pulse[reservoir]",)


@pytest.mark.parametrize("failed", ["", "sense.ambient[board]"])
def test_after_a_dangerous_finding_a_setpoint_stands_no_longer_than_a_pulse(failed: str) -> None:
    """A drill may close the loop for a moment; what stands longer is switched off, and only then."""
    bench = Bench(OPEN)
    if failed:
        bench.guard.failed(failed)
    bench.node.set_heater_c("reservoir", 50.0)
    bench.temperatures(lambda t_s: 23.0, until_s=10.0)
    bench.link.run_for(HEATER.pulse_s - 0.5)
    bench.node.set_heater_c("reservoir", 50.0)  # given again, it has stood since the first
    assert bench.sent == 2 * ["set_heater_c"]
    if not failed:
        bench.link.run_for(5.0)
        assert bench.sent == 2 * ["set_heater_c"]
        return
    with pytest.raises(GuardTripped, match=r"longer than a pulse .* after sense.ambient\[board\] failed"):
        bench.link.run_for(5.0)
    assert bench.sent[2] == "stop_all"
    assert bench.link.now_s < HEATER.pulse_s + 1.0


def test_who_releases_the_gates_releases_this_one_too() -> None:
    """For tests of one's own, on one's own responsibility."""
    bench = Bench()
    bench.guard.failed("heat.pulse[reservoir]")
    bench.guard.release("trying out")
    ENERGISING["long move"](bench.node)
    assert bench.sent == ["move"]


def test_the_groups_that_hands_do_gate_every_verb_that_heats_or_moves() -> None:
    """Power off first, switches by hand first: held at the verb, not only in the order of the checks."""
    for verb in ("pulse_heater", "set_heater_c"):
        assert {"cold.heater[reservoir]", "cold.sensor[reservoir]"} < GATES_NEEDED[verb]
    for verb in ("enable_driver", "move", "long move"):
        assert {"cold.coils[pump]", "switch.by_hand[pump_home]"} < GATES_NEEDED[verb]


@pytest.mark.parametrize("verb", [verb for verb in GATES_NEEDED if verb != "set_lamp"])
def test_nothing_hot_or_moving_without_somebody_who_sees_bus_errors(verb: str) -> None:
    """On a bench that is blind to errors a good bus and a bad one look alike: nothing but a lamp is energised."""
    bench = Bench(tuple(GATES_NEEDED[verb] - {"bus.observer[can]"}))
    with pytest.raises(GateClosed, match=r"bus\.observer"):
        ENERGISING[verb](bench.node)


def test_a_check_that_the_catalogue_does_not_have_is_no_gate() -> None:
    """Where nobody takes part there is no ohmmeter to wait for; everything else is still asked for."""
    alone = {gate for gate in EVERY_GATE if not gate.startswith(("cold.", "switch."))}
    guard = Guard(Link(QuietPort()), DESCRIPTION, alone.__contains__)
    with pytest.raises(GateClosed) as caught:
        guard.permit("move", "pump")
    assert set(caught.value.missing) == {
        "bus.quiet[can]",
        "bus.enumerate[head]",
        "bus.observer[can]",
        "motion.driver_ready[pump]",
    }


def test_no_gate_is_unknown_to_the_catalogue() -> None:
    """Each gate of the table is a check of the glue head, so a name that is misspelt does not stay closed for ever."""
    known = {bound.name for bound in bind_all(DESCRIPTION)}
    assert set().union(*GATES_NEEDED.values()) <= known


def test_no_check_of_the_catalogue_is_shut_out_by_the_guard() -> None:
    """What the guard asks for has had its turn before the first check that uses the verb."""
    bound = {each.name: each for each in bind_all(DESCRIPTION)}
    first_use = {
        "set_fan": "fan.tach[nozzle]",
        "pulse_heater": "heat.pulse[reservoir]",
        "set_heater_c": "safe.reset[head]",
        "enable_driver": "motion.direction[pump]",
        "move": "motion.direction[pump]",
        "long move": "motion.return[pump]",
    }
    for verb, check in first_use.items():
        before = {name for name, each in bound.items() if each.spec.order < bound[check].spec.order}
        assert GATES_NEEDED[verb] <= before, verb


# --- the bench supply ---------------------------------------------------------------------------------------


def test_a_trip_cuts_the_bench_supply_at_once() -> None:
    """Off is commanded first, then the power goes, once, and both are on record."""
    bench = Bench()
    cuts: list[float] = []
    bench.guard.cut_power = lambda: cuts.append(len(bench.driver.calls))
    bench.node.set_heater_c("reservoir", 50.0)
    bench.says(0.2, "temperature_c", 25.0)
    bench.says(0.4, "temperature_c", 230.0)
    for _ in range(3):
        with pytest.raises(GuardTripped, match="ceiling"):
            bench.link.run_for(1.0)
    assert cuts == [2]  # after the setpoint and stop_all
    assert bench.guard.power_was_cut
    assert any("supply was switched off" in text for _, text in bench.guard.records)


def test_a_heater_that_does_not_obey_loses_its_power() -> None:
    """It says that it is still on after every output was commanded off: the supply goes, without a person."""
    bench = Bench()
    cuts: list[str] = []
    bench.guard.cut_power = lambda: cuts.append("cut")
    bench.node.pulse_heater("reservoir", 1.0, 4.0)
    bench.driver.output = 0.4
    with pytest.raises(NodeFault, match=r"still on .* supply was switched off"):
        bench.guard.all_off("end")
    assert cuts == ["cut"]


def test_a_supply_that_is_gone_does_not_hide_the_trip() -> None:
    """The trip is told, and that the supply must be cut by hand."""
    bench = Bench()

    def gone() -> None:
        raise BenchLost("the supply's cable is out")

    bench.guard.cut_power = gone
    bench.node.set_heater_c("reservoir", 50.0)
    bench.says(0.2, "temperature_c", 250.0)
    with pytest.raises(GuardTripped, match="ceiling"):
        bench.link.run_for(1.0)
    assert not bench.guard.power_was_cut
    assert any("by hand" in text for _, text in bench.guard.records)


def test_switching_off_needs_no_gate() -> None:
    """Off is always allowed: with no gate passed, and after the guard has tripped."""
    bench = Bench(gates=())
    bench.guard._tripped = ("too hot", 1.0)
    bench.node.set_heater_c("reservoir", 0.0)
    bench.node.pulse_heater("reservoir", 0.0, 0.0)
    bench.node.set_fan("nozzle", 0.0)
    bench.node.set_lamp("status", None)
    bench.node.enable_driver("pump", False)
    bench.node.stop_all()
    assert len(bench.driver.calls) == 6


def test_gates_are_released_for_a_reason_only() -> None:
    """For tests of one's own every gate opens, and the reason is on record; limits stay."""
    bench = Bench(gates=())
    with pytest.raises(UsageError, match="stated reason"):
        bench.guard.release(" ")
    bench.guard.release("tuning the loop on the bench")
    bench.node.set_heater_c("reservoir", 50.0)
    assert bench.guard.released_because == "tuning the loop on the bench"
    assert any("tuning the loop" in text for _, text in bench.guard.records)
    with pytest.raises(UsageError, match="ceiling"):
        bench.node.set_heater_c("reservoir", 500.0)


def test_loads_that_are_not_described_are_refused() -> None:
    """A load that the description does not have can't be permitted."""
    with pytest.raises(UsageError, match="no fan 'tail'; it has: electronics, nozzle"):
        Bench().node.set_fan("tail", 1.0)


# --- what may be asked -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("setpoint_c", [210.1, math.inf, math.nan])
def test_a_setpoint_above_the_ceiling_never_reaches_the_wire(setpoint_c: float) -> None:
    """The call is refused as the caller's mistake; at the ceiling itself it goes through."""
    bench = Bench()
    with pytest.raises(UsageError, match="setpoint_c="):
        bench.node.set_heater_c("reservoir", setpoint_c)
    assert bench.driver.calls == []
    bench.node.set_heater_c("reservoir", 210.0)
    assert bench.sent == ["set_heater_c"]


def test_a_pulse_is_bounded_by_its_energy() -> None:
    """duty * time * 4 * 40 W / 20 J/K must stay within 40 K: 5 s at full duty, no more (worked by hand)."""
    bench = Bench()
    bench.node.pulse_heater("reservoir", 1.0, 5.0)
    bench.node.pulse_heater("reservoir", 0.5, 10.0)
    with pytest.raises(UsageError, match=r"by 40\.8 K.*At this duty 5\.00 s"):
        bench.node.pulse_heater("reservoir", 1.0, 5.1)
    with pytest.raises(UsageError, match=r"0\.\.1"):
        bench.node.pulse_heater("reservoir", 50, 0.1)
    assert bench.sent == ["pulse_heater", "pulse_heater"]


# --- limits -------------------------------------------------------------------------------------------------------


def assert_trips(bench: Bench, match: str, within_s: float = 30.0) -> float:
    """The guard trips, everything is commanded off, energising is refused until reset; returns when."""
    with pytest.raises(GuardTripped, match=match) as caught:
        bench.link.run_for(within_s)
    assert bench.sent[-1] == "stop_all"
    assert bench.guard.energised == frozenset()
    assert bench.guard.tripped == caught.value.reason
    with pytest.raises(GuardTripped):
        bench.node.set_fan("nozzle", 1.0)
    assert bench.sent[-1] == "stop_all"
    return caught.value.at_s


def test_a_healthy_heat_up_does_not_trip() -> None:
    """2 K/s with half a kelvin of noise, an overshoot of 5 K and heartbeats: nothing happens for 120 s."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    noise = itertools.cycle((0.5, -0.5, 0.2, -0.4))
    bench.temperatures(lambda t_s: min(23 + 2 * t_s, 55) + next(noise), 120.0)
    bench.link.run_for(120.0)
    assert bench.guard.tripped is None
    assert bench.guard.energised == {"heater[reservoir]"}


def test_the_ceiling_trips_also_when_nothing_is_on() -> None:
    """A block above its ceiling is off-limits, whoever heats it."""
    bench = Bench()
    bench.says(1.0, "temperature_c", 209.0)
    bench.says(2.0, "temperature_c", 210.5)
    assert assert_trips(bench, r"210\.5 degC, above the ceiling") == pytest.approx(2.0)


@pytest.mark.parametrize("heats", ["", "heater", "stepper"])
def test_a_block_that_is_hot_by_itself_is_told_by_its_own_causes(heats: str) -> None:
    """With a heater or motor on, what the check knows of it tells more; with none on, it is heat, the sensor, or its scale."""
    bench = Bench()
    bench.says(1.0, "temperature_c", 209.5)
    bench.says(2.0, "temperature_c", 210.5)
    if heats == "stepper":
        bench.node.enable_driver("pump", True)
    if heats == "heater":
        bench.node.set_heater_c("reservoir", 205.0)
    with pytest.raises(GuardTripped) as raised:
        bench.link.run_for(5.0)
    assert bool(raised.value.look_first) is not bool(heats)
    assert bench.guard.too_hot == "sensor 'reservoir' reads 210.5 degC, its ceiling is 210 degC"
    if not heats:
        assert "really hot" in raised.value.look_first[0]
        assert "scale" in raised.value.look_first[1]
    bench.guard.all_off("a test")
    bench.says(bench.link.now_s + 1.0, "temperature_c", 30.0)
    bench.link.run_for(2.0)
    assert bench.guard.too_hot == ""


@pytest.mark.parametrize(
    ("own_c", "on_motor", "at_c", "words"),
    [
        (None, False, 85.0, "controls no heater may have"),
        (None, True, 80.0, "what the case of motor 'pump' may have"),
        (60.0, True, 60.0, "its own ceiling_c"),
        (110.0, False, 110.0, "its own ceiling_c"),
    ],
)
def test_a_sensor_without_a_heater_has_a_ceiling_too(
    own_c: float | None, on_motor: bool, at_c: float, words: str
) -> None:
    """A motor or a board that gets too hot switches everything off, by its own limit or the usual one."""
    sensors = [each.model_copy(update={"ceiling_c": own_c}) for each in DESCRIPTION.sensor]
    pump = DESCRIPTION.stepper[0].model_copy(update={"motor_sensor": "board" if on_motor else None})
    changed = {"sensor": [DESCRIPTION.sensor[0], sensors[1]], "stepper": [pump]}
    bench = Bench(description=DESCRIPTION.model_copy(update=changed))
    bench.node.set_fan("nozzle", 1.0)
    bench.node.set_fan("nozzle", 0.0)
    bench.says(1.0, "temperature_c", at_c - 0.1, "board")
    bench.says(2.0, "temperature_c", at_c + 0.1, "board")
    assert assert_trips(bench, f"{at_c + 0.1:.1f} degC, above .*{words}") == pytest.approx(2.0)
    assert bench.sent == ["set_fan", "set_fan", "stop_all"]


def test_a_wrong_sensor_that_reads_hot_is_left_to_its_own_check_until_something_is_on() -> None:
    """At rest it is told by what it is; once anything was energised, what reads too hot counts as too hot."""
    bench = Bench()
    bench.says(1.0, "temperature_c", 97.0, "board")
    bench.link.run_for(2.0)
    assert bench.guard.tripped is None
    bench.node.set_fan("nozzle", 1.0)
    bench.says(2.5, "temperature_c", 97.0, "board")
    assert_trips(bench, "97.0 degC, above what a sensor that controls no heater may have")


def test_the_lower_ceiling_of_sensor_and_heater_holds() -> None:
    """A sensor's own ceiling does not lift that of its heater, and may lie below it."""
    for own_c, at_c in ((150.0, 150.0), (400.0, HEATER.ceiling_c)):
        sensor = DESCRIPTION.sensor[0].model_copy(update={"ceiling_c": own_c})
        changed = DESCRIPTION.model_copy(update={"sensor": [sensor, *DESCRIPTION.sensor[1:]]})
        assert ceilings(changed)["reservoir"].at_c == at_c


def test_a_setpoint_is_not_exceeded_by_more_than_the_margin() -> None:
    """15 K above a setpoint of 50 degC the guard acts, though the ceiling is far."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.temperatures(lambda t_s: 23 + 2 * t_s, 60.0)
    assert assert_trips(bench, "its setpoint 50 degC") == pytest.approx(21.1, abs=0.2)


def test_a_hot_block_may_cool_to_a_lower_setpoint() -> None:
    """A block at 180 degC that is asked for 50 degC does not trip on the way down, but does on the way up."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.temperatures(lambda t_s: 180 - t_s, 20.0)
    bench.link.run_for(20.0)
    bench.temperatures(lambda t_s: 160 + 3 * t_s, 20.0)
    assert_trips(bench, r"allows 194\.9")


def test_a_pulse_has_its_own_limit() -> None:
    """During and shortly after a pulse the block may rise by pulse_rise_max_k and no more."""
    bench = Bench()
    bench.node.pulse_heater("reservoir", 1.0, 4.0)
    bench.temperatures(lambda t_s: 23 + 4.5 * t_s, 12.0)
    assert_trips(bench, "its pulse")


def test_a_rise_that_the_heater_can_not_cause_trips() -> None:
    """Four times the power shows as 8 K/s: more than 2.5 times what the stated element can."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 200.0)
    bench.temperatures(lambda t_s: 23 + 8 * t_s, 20.0)
    assert assert_trips(bench, "the stated heater can cause") < 5.0


def test_a_strong_element_on_a_limited_supply_trips() -> None:
    """An element of four times the power that the supply's limit holds at three times (6 K/s) is found too."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 200.0)
    bench.temperatures(lambda t_s: 23 + 6 * t_s, 20.0)
    assert assert_trips(bench, "the stated heater can cause") < 9.0


def test_a_jump_of_the_sensor_trips() -> None:
    """A sensor that jumps by 30 K while its heater is on is lost."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 200.0)
    bench.temperatures(lambda t_s: 23.0 if t_s < 5 else 53.0, 20.0)
    assert assert_trips(bench, r"rose by 30\.0 K") == pytest.approx(5.0, abs=0.2)


def test_a_sensor_without_value_trips_while_its_heater_is_on() -> None:
    """NaN is no temperature: with the heater on the guard acts, with it off nothing happens."""
    bench = Bench()
    bench.says(0.5, "temperature_c", math.nan)
    bench.link.run_for(1.0)
    bench.node.set_heater_c("reservoir", 50.0)
    bench.says(1.5, "temperature_c", math.nan)
    assert_trips(bench, "no valid value")


def test_a_silent_node_trips_while_something_is_on() -> None:
    """Without any sign of the node for guard_silence_s everything is commanded off; with all off it is not."""
    bench = Bench()
    bench.link.run_for(10.0)
    bench.node.set_fan("nozzle", 1.0)
    for number in range(1, 10):
        bench.says(10.0 + 0.1 * number, "heartbeat", 5, name="head")
    at_s = assert_trips(bench, r"no sign of node 'head'.*fan\[nozzle\]")
    silence_s = DESCRIPTION.limits.guard_silence_s
    assert 10.9 + silence_s < at_s <= 10.9 + 1.6 * silence_s


def test_a_pause_of_the_host_is_no_silence_of_the_node() -> None:
    """When the host itself was busy for 3 s, what arrived meanwhile is read before the node is called silent."""
    bench = Bench()
    bench.node.set_fan("nozzle", 1.0)
    bench.link.run_for(0.1)
    bench.port.clock.advance_to(3_100_000_000)
    for number in range(200):
        bench.says(0.1 + number * 0.1, "heartbeat", 5, name="head")
    bench.link.run_for(5.0)
    assert bench.guard.tripped is None


def test_a_heater_is_not_left_on_without_a_temperature() -> None:
    """Heartbeats alone do not do: a heater whose temperature nobody hears is switched off."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    for number in range(1, 200):
        bench.says(0.1 * number, "heartbeat", 5, name="head")
    assert assert_trips(bench, "no temperature from sensor") == pytest.approx(5.25, abs=0.5)


def test_a_node_that_restarts_by_itself_trips() -> None:
    """A boot-up message while something is on is a reset that nobody asked for."""
    bench = Bench()
    bench.node.set_fan("nozzle", 1.0)
    bench.says(0.5, "boot", 0.0, name="head")
    assert_trips(bench, "restarted by itself")


def test_a_restart_on_purpose_does_not_trip() -> None:
    """The node may be reset while a fan runs; it counts as off from the command on."""
    bench = Bench()
    bench.node.set_fan("nozzle", 1.0)
    bench.says(0.2, "boot", 0.0, name="head")
    assert bench.node.restart(2.0) == 0.3
    assert bench.guard.energised == frozenset()


def test_a_neighbour_that_gets_hot_trips() -> None:
    """A heater that is off while its sensor climbs with another one's setpoint: the two may be swapped."""
    second = HEATER.model_copy(update={"name": "nozzle", "sensor": "board"})
    bench = Bench()
    bench.guard = Guard(bench.link, DESCRIPTION.model_copy(update={"heater": [HEATER, second]}))
    bench.guard.release("test")
    bench.guard.watch(bench.driver)
    bench.node = GuardedNode(bench.driver, bench.guard)
    bench.node.set_heater_c("reservoir", 50.0)
    for number in range(1, 300):
        bench.says(0.1 * number, "temperature_c", 23.0)
        bench.says(0.1 * number, "temperature_c", 23.0 + 0.2 * number, name="board")
    assert_trips(bench, "may be swapped", within_s=40.0)


def test_a_swallowed_trip_comes_again() -> None:
    """A check that catches the trip and goes on meets it at its next wait, until outputs were commanded off."""
    bench = Bench()
    bench.says(0.1, "temperature_c", 300.0)
    for _ in range(3):
        with pytest.raises(GuardTripped):
            bench.link.run_for(1.0)
    bench.guard.all_off("end of check")
    bench.link.run_for(1.0)
    assert bench.guard.reset() is not None
    assert bench.guard.tripped is None
    bench.node.set_fan("nozzle", 1.0)


def test_a_trip_on_a_lost_bus_tells_both() -> None:
    """When all-off can't be sent, the trip says so."""
    bench = Bench()
    bench.driver.stop_error = BenchLost("unplugged")
    bench.says(0.1, "temperature_c", 300.0)
    with pytest.raises(GuardTripped, match=r"above the ceiling.*then unplugged"):
        bench.link.run_for(1.0)


# --- off -----------------------------------------------------------------------------------------------------------


def test_all_off_commands_and_looks() -> None:
    """After use, all-off is commanded and the heater's output is read back."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    assert bench.guard.all_off("end of check") == ()
    assert bench.sent == ["set_heater_c", "stop_all", "stop_each"]
    assert bench.guard.energised == frozenset()


def test_all_off_without_use_only_commands() -> None:
    """When nothing was on, all-off takes no bench time."""
    bench = Bench()
    bench.guard.all_off("end of check")
    assert bench.sent == ["stop_all"]
    assert bench.link.now_s == 0.0


def test_an_output_that_stays_on_is_told_loudly() -> None:
    """A node that says that its heater is still on: commanded again, then a fault that says to cut the supply."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.driver.output = 0.4
    with pytest.raises(NodeFault, match="SWITCH THE SUPPLY OFF NOW"):
        bench.guard.all_off("end of check")
    assert bench.sent.count("stop_all") == 2


def test_what_can_not_be_verified_is_returned_and_kept() -> None:
    """A node that does not answer after all-off leaves a word for the report."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.driver.read_error = NoAnswer("head", "a read", 0.3)
    assert len(bench.guard.all_off("end of check")) == 1
    assert any("not verified" in text for _, text in bench.guard.records)


def test_a_heater_that_nobody_could_see_to_be_off_is_asked_again() -> None:
    """For its pulse and a second it is commanded off and asked; where that shows it, it is told and the run goes on."""
    bench = Bench()
    bench.node.pulse_heater("reservoir", 1.0, 4.0)
    bench.driver.read_error = NoAnswer("head", "a read", 0.3)
    bench.port.at(4.5, lambda: setattr(bench.driver, "read_error", None))
    assert bench.guard.all_off("end of check") == ()
    assert 4.5 <= bench.link.now_s < 5.0
    assert "could not be seen to be off for 4." in bench.guard.seen_late[0]
    bench.node.set_fan("nozzle", 0.5)


def test_nothing_is_energised_while_nobody_can_see_a_heater_to_be_off() -> None:
    """Not a fan, not a lamp, also once the guard was reset; one more look that shows it off is enough."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.driver.read_error = NoAnswer("head", "a read", 0.3)
    assert len(bench.guard.all_off("end of check")) == 1
    bench.guard.reset()
    bench.driver.calls.clear()
    for verb in ("set_fan", "set_lamp"):
        with pytest.raises(GuardTripped, match=r"heater 'reservoir' was commanded off .* Cut the supply"):
            ENERGISING[verb](bench.node)
    assert bench.sent == []
    bench.driver.read_error = None
    bench.node.set_fan("nozzle", 0.5)
    assert bench.sent == ["set_fan"]


def test_a_heater_without_power_is_in_no_doubt() -> None:
    """Where the node's power was taken on purpose there is nothing to ask."""
    bench = Bench()
    bench.node.set_heater_c("reservoir", 50.0)
    bench.driver.read_error = NoAnswer("head", "a read", 0.3)
    bench.guard.all_off("end of check")
    bench.node.has_no_power()
    bench.node.set_fan("nozzle", 0.5)


def test_all_off_raises_when_the_bus_is_lost() -> None:
    """A lost bus comes out of all-off, after every node was tried."""
    bench = Bench()
    second = RecordingNode(bench.link)
    bench.guard.watch(second)
    bench.driver.stop_error = BenchLost("unplugged")
    with pytest.raises(BenchLost):
        bench.guard.all_off("end of check")
    assert second.calls == [("stop_all",)]


def test_emergency_off_never_raises() -> None:
    """Whatever a driver raises, the others are commanded off, the host falls silent, and the result says so."""
    bench = Bench()
    second = RecordingNode(bench.link)
    bench.guard.watch(second)
    bench.node.set_fan("nozzle", 1.0)
    assert bench.guard.emergency_off() is True
    assert bench.sent[-2:] == ["stop_all", "go_silent"]
    for error in (BenchLost("unplugged"), RuntimeError("driver broke")):
        bench.driver.stop_error = error
        second.calls.clear()
        assert bench.guard.emergency_off() is False
        assert second.calls == [("stop_all",), ("go_silent",)]
    assert bench.guard.energised == frozenset()


def test_emergency_off_inside_itself_and_inside_a_wait() -> None:
    """A second signal during the first changes nothing, and it works while the link waits."""
    bench = Bench()
    nested: list[bool] = []
    stop_all = bench.driver.stop_all

    def interrupted() -> None:
        nested.append(bench.guard.emergency_off())
        stop_all()

    bench.driver.stop_all = interrupted  # type: ignore[method-assign]
    bench.link.after(0.1, lambda: nested.append(bench.guard.emergency_off()))
    bench.link.run_for(0.2)
    assert nested == [False, True]


def test_a_command_whose_answer_is_lost_counts_as_sent() -> None:
    """A heater that may have been switched on is on, as far as the guard goes."""
    bench = Bench()

    def no_answer(heater: str, setpoint_c: float) -> None:
        raise NoAnswer("head", "setpoint", 0.3)

    bench.driver.set_heater_c = no_answer  # type: ignore[attr-defined]
    with pytest.raises(NoAnswer):
        bench.node.set_heater_c("reservoir", 50.0)
    assert bench.guard.energised == {"heater[reservoir]"}


def test_other_verbs_pass_through() -> None:
    """Verbs that energise nothing reach the driver with no gate passed."""
    bench = Bench(gates=())
    bench.node.identify()
    bench.node.read_temperature_c("reservoir")
    bench.node.configure_driver("pump", 0.7, 16)
    bench.node.send_burst(100, 0.01)
    bench.node.go_silent()
    assert bench.sent == ["identify", "read_temperature_c", "configure_driver", "send_burst", "go_silent"]
