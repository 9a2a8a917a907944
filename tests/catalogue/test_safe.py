"""Drills: each finds its own fault by the output, bounded in energy, and passes on a sound node."""

from __future__ import annotations

import math
import re
from functools import cache
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any, cast
from unittest.mock import Mock

import pytest

from hiltest.catalogue import _hands, _safe
from hiltest.catalogue._powerless import Fall, RailWatch, Return
from hiltest.catalogue._safe import MOTORS_EVERY, Live
from hiltest.catalogue.registry import bind_all
from hiltest.description.loading import load_description
from hiltest.errors import BenchLost, GuardTripped, NoAnswer, NotOffered, NotSent, Refused
from hiltest.meters import operator
from hiltest.node.canopen import CanopenDriver
from hiltest.node.verbs import NodeStatus, Reading
from hiltest.simbench import board
from hiltest.simbench.hands import Hands
from hiltest.simbench.person import Person

from . import variants
from .boards import accept
from .files import edited

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

SUPPLY = '\n[bench_supply]\nport = "/dev/ttyUSB9"\n'
READY = ("heat.pulse[reservoir]", "fan.tach[electronics]", "fan.tach[nozzle]")
PULSE_J = 160.0
OWN_CEILING = 'ceiling_c = { at = "0x2105:1", scale = 0.1 }'


def drill(name: str, *faults: str, operator: bool = False, seed: int = 4, more: tuple[str, ...] = ()) -> Any:
    """The check `name` after what it needs, and the energy that the bench says went into the heater."""
    energy: list[float] = []

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        energy.append(bench.truth.energy_j("reservoir"))
        bench.run_for(2.0)
        assert not bench.truth.outputs_on()

    record = accept(*faults, seed=seed, operator=operator, only=(*READY, *more, name), before_close=look)
    return next(each for each in record.checks if each.name == name), energy[0]


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> dict[str, str]:
    """What was put before each question, by its id."""
    kept: dict[str, str] = {}
    ask = operator.Operator._ask

    def noting(self: Any, asked: Any, read: Any) -> Any:
        kept[asked.question_id] = asked.show
        return ask(self, asked, read)

    monkeypatch.setattr(operator.Operator, "_ask", noting)
    return kept


SHORT = (
    ("safe.host_silence[head]", "host_watch_missing", "output after the host fell silent"),
    ("safe.host_silence[head]", "host_watch_slow", "output after the host fell silent"),
    ("safe.foreign_traffic[head]", "host_watch_fed_by_any_traffic", "output after the host fell silent"),
    ("safe.bus_cut[head]", "no_reaction_to_cut_cable", "output after the bus was cut"),
    ("safe.reset[head]", "outputs_on_after_reset", "was on"),
    ("safe.old_commands[head]", "acts_on_old_commands", "was on"),
)


@pytest.mark.parametrize(("name", "fault", "says"), SHORT, ids=lambda value: value)
def test_each_drill_finds_its_fault_within_a_pulse(name: str, fault: str, says: str) -> None:
    """The reason names the output, and no drill adds more than one pulse to the first one."""
    found, energy_j = drill(name, fault)
    assert found.outcome == "failed", found.reason
    assert says in found.reason
    before_it = [
        "safe.host_silence[head]",
        "safe.foreign_traffic[head]",
        "safe.bus_cut[head]",
        "safe.stop[head]",
    ]
    assert energy_j <= PULSE_J * 1.3 * (2 + 0.5 * len(before_it))


def test_a_sound_node_passes_each_drill() -> None:
    """And every drill has looked at heater, fans and temperature, or at what came on by itself."""
    names = {name for name, _, _ in SHORT} | {"safe.stop[head]"}
    record = accept(seed=4, operator=False, only=(*READY, *names))
    drills = [each for each in record.checks if each.name in names]
    assert [(each.name, each.reason) for each in drills if each.outcome != "passed"] == []
    for found in drills:
        told = " ".join(m.name for m in found.measurements)
        assert "nothing came on by itself" in told or "temperature rise" in told, found.name
        assert "not part of this drill" in [m.value for m in found.measurements if m.name == "motor pump"]


def test_a_silent_message_is_not_believed() -> None:
    """A firmware that neither obeys nor leaves its outputs is found by the first drill that takes something away."""
    record = accept("all_off_ignored", seed=4, operator=False)
    assert record.verdict == "rejected"
    assert next(c for c in record.checks if c.name == "heat.low_setpoint[reservoir]").outcome == "not run"


def quick(name: str, *faults: str, operator: bool = False, supply: bool = False) -> tuple[Any, Any, set[str]]:
    """The check `name` on a head without fans, the whole record, and what was on a second after the run."""
    on: set[str] = set()

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(1.0)
        on.update(bench.truth.outputs_on())
        assert bench.truth.block_c("reservoir") < 70.0

    file = variants.quick_head(alone=not operator, more=SUPPLY if supply else "")
    record = accept(*faults, seed=4, file=file, only=(name,), before_close=look)
    return next(each for each in record.checks if each.name == name), record, on


@pytest.mark.parametrize(
    ("name", "fault", "says"),
    [
        ("safe.over_ceiling[reservoir]", "ceiling_ignored[reservoir]", "taken back at once"),
        ("safe.over_temperature[reservoir]", "ceiling_ignored[reservoir]", "output above the ceiling"),
        ("safe.over_temperature[reservoir]", "fault_not_latched[reservoir]", "must be latched"),
    ],
)
def test_the_node_itself_holds_its_ceiling(name: str, fault: str, says: str) -> None:
    """A limit that only the host holds, or a trip that clears by itself, fails."""
    found, _, _ = quick(name, fault)
    assert found.outcome == "failed"
    assert says in found.reason


def _board(run: Any) -> Any:
    return run.opened().link.port.bus.bench.boards["head"]


@pytest.mark.parametrize(
    ("own_c", "scale", "outcome", "left_c", "says"),
    [
        (180.0, 0.1, "passed", 180.0, "own ceiling of heater reservoir is 180 degC, below the described 210 degC"),
        (210.0, 0.2, "failed", 210.0, "is 420 degC, expected 210 degC (ceiling_c). Nothing was changed"),
    ],
)  # fmt: skip
def test_the_nodes_own_ceiling_is_read_compared_and_put_back(
    own_c: float, scale: float, outcome: str, left_c: float, says: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Never raised; one above the description's, or a role of a wrong scale, is found before anything is changed."""
    build = board.HeaterChannel
    monkeypatch.setattr(board, "HeaterChannel", lambda n, r, t, _ceiling_c, a: build(n, r, t, own_c, a))
    left: list[int] = []
    head = edited(variants.quick_head(alone=True), (OWN_CEILING, OWN_CEILING.replace("0.1", str(scale))))
    record = accept(
        seed=4,
        file=head,
        operator=True,
        only=("safe.over_temperature[reservoir]",),
        before_close=lambda run: left.append(_board(run).heaters[0].ceiling_dc),
    )
    found = next(each for each in record.checks if each.name == "safe.over_temperature[reservoir]")
    assert (found.outcome, left) == (outcome, [round(10 * left_c)])
    assert says in found.reason or says in record.verdict_reason


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("sensor_loss_ignored[reservoir]", "stayed on without a sensor"),
        ("fault_not_latched[reservoir]", "must be latched"),
    ],
)
def test_a_heater_without_its_sensor_goes_off_and_stays_off(
    fault: str, says: str, shown: dict[str, str]
) -> None:
    """The person pulls the plug while the loop is closed, warned of the heat, and puts it back."""
    found, _, _ = quick("safe.sensor_lost[reservoir]", fault, operator=True)
    before = {m.name: m.value for m in found.measurements}
    assert before["output before"] > 0, "a heater that is off can't be seen to go off"
    assert before["temperature before"] >= 45.0, "5 K below the low setpoint"
    assert shown["safe.sensor.pull[reservoir]"].startswith("CAUTION: Hot, about 50 degC or more")
    assert "still hot" in shown.get("safe.sensor.back[reservoir]", "never put back, still hot")
    assert found.outcome == "failed"
    assert says in found.reason


PULLED = "safe.sensor_lost[reservoir]"


@pytest.mark.parametrize("seed", [4, 8])
def test_noise_that_a_sensor_may_have_is_no_heat(seed: int) -> None:
    """Up to 0.48 K, of the 0.5 K that are allowed; the open input reads anything, now and then a temperature."""
    names = ("heat.idle[reservoir]", "safe.over_ceiling[reservoir]", PULLED)
    record = accept("sensor_noisy[reservoir]=6", seed=seed, file=variants.quick_head(alone=False), only=names)
    noise = next(each for each in record.checks if each.name == "sense.ambient[reservoir]")
    (scatter,) = (float(m.value) for m in noise.measurements if m.name == "standard deviation")
    assert 0.3 < scatter <= 0.5
    assert {each.name: each.outcome for each in record.checks if each.name in names} == dict.fromkeys(
        names, "passed"
    )


@pytest.mark.parametrize(
    ("slow_at", "outcome", "says"),
    [("safe.sensor.pull", "passed", ""), ("safe.sensor.back", "not observable", "not back within 20 s")],
)
def test_a_person_may_be_slow(slow_at: str, outcome: str, says: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who thinks for a minute before the plug is pulled spoils nothing; without a sensor the loop does not stand for long."""
    think_s = Person.think_s
    monkeypatch.setattr(
        Person, "think_s", lambda self, asked: 60.0 if asked.startswith(slow_at) else think_s(self, asked)
    )
    found, record, on = quick(PULLED, operator=True)
    assert found.outcome == outcome, found.reason
    assert says in found.reason
    assert record.verdict != "rejected"
    assert on == set()


LIES = "trip_leaves_gate_on[reservoir]"
TRIP, LOST = "safe.over_temperature[reservoir]", "safe.sensor_lost[reservoir]"


@pytest.mark.parametrize(
    ("name", "how", "by", "says"),
    [
        (TRIP, {}, "rise after the trip", "its block got hotter"),
        (TRIP, {"supply": True}, "current left after the trip, share of that", "of its current still flows"),
        (
            LOST,
            {"operator": True},
            "supply at the node lower after the sensor was lost by",
            "V lower than before",
        ),
    ],
)
def test_an_output_that_is_only_said_to_be_off_is_found(
    name: str, how: dict[str, bool], by: str, says: str
) -> None:
    """The trip clears what the node reports and not its gate: the block, the bench supply or the rail tell, and the run ends."""
    found, record, on = quick(name, LIES, **how)
    assert found.outcome == "failed", found.reason
    assert says in found.reason
    told = {m.name: m for m in found.measurements}
    assert told[by].verdict == "failed"
    said = told.get("output above the ceiling", told.get("output off after the sensor was lost"))
    assert (said.verdict, said.value <= 0.25) == ("passed", True), (
        "at most one look later the node says that it is off"
    )
    assert (record.verdict, on) == ("rejected", set())


MOVES = (
    ("", ""),
    ("motor_ignores_silence", "after the host fell silent"),
    ("old_moves_obeyed", "moved by old moves"),
)


@pytest.mark.parametrize(("fault", "says"), MOVES, ids=lambda value: value)
def test_a_move_under_way_ends_with_its_host_and_old_moves_are_not_carried_out(fault: str, says: str) -> None:
    """No axis goes further than small moves, and no long one follows; a sound node lets its motor go in time."""
    travel: list[float] = []

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(1.0)
        travel.append(bench.truth.travel_rev("pump"))
        assert not bench.truth.outputs_on()

    file = variants.quick_head(more=SUPPLY)
    record = accept(
        *([fault] if fault else []), seed=4, file=file, only=("safe.move_ends[pump]",), before_close=look
    )
    found = next(each for each in record.checks if each.name == "safe.move_ends[pump]")
    assert found.outcome == ("failed" if fault else "passed"), found.reason
    assert says in found.reason
    told = [m.verdict for m in found.measurements if m.name.startswith("current left after the host")]
    assert told == ["failed" if fault == "motor_ignores_silence" else "passed"], (
        "the bench supply looks as well"
    )
    assert travel[0] <= (3 if fault else 5) * 0.25 + 1e-9, "small_move_rev is 0.25"


MOTOR_ALONE = (
    ("host_watch_fed_by_any_traffic", "on a busy bus"),
    ("no_reaction_to_cut_cable", "after the bus was cut"),
    ("acts_on_old_commands", "moved by old moves after the reset"),
    ("motion_chip_not_reset", "still going 0 s after the reset"),
)


@pytest.mark.parametrize(("fault", "says"), MOTOR_ALONE, ids=lambda value: value)
def test_a_node_with_a_motor_alone_is_drilled_with_its_motor(fault: str, says: str) -> None:
    """What other outputs show elsewhere shows here with a small move under way, and in time."""
    record = accept(fault, seed=4, file=variants.motor_head(), only=("safe.move_ends[pump]",))
    found = next(each for each in record.checks if each.name == "safe.move_ends[pump]")
    assert found.outcome == "failed"
    assert says in found.reason


def test_a_sound_node_with_a_motor_alone_is_accepted() -> None:
    """It has nothing that could be seen to drop but its motor, and no drill waits for more."""
    record = accept(seed=4, file=variants.motor_head())
    assert record.verdict == "accepted", record.verdict_reason
    names = {each.name for each in record.checks}
    assert {"safe.move_ends[pump]", "motion.return[pump]"} <= names
    assert not names & {"safe.stop[head]", "safe.old_commands[head]"}
    drill = next(each for each in record.checks if each.name == "safe.move_ends[pump]")
    under_way = {m.name for m in drill.measurements if m.name.startswith("under way when")}
    assert len(under_way) == 5, "silence, stop, reset, silence on a busy bus, a cut bus"


def test_a_fan_that_tells_no_speed_does_not_keep_a_motor_from_being_drilled() -> None:
    """What motors alone can show is drilled with them; that the fan had no part stands with the verdict."""
    fan = """may_be_missing = ["fan.tach[box]"]\n"""
    load = """[[fan]]\nname = "box"\nwires = 2\nfull_speed_rpm = 4000\nroles.duty = { at = "0x6411:2", scale = 0.001 }\n\n"""
    file = edited(
        variants.motor_head(), ("[fixture]\n", f"[fixture]\n{fan}"), ("[[stepper]]", f"{load}[[stepper]]")
    )
    record = accept(seed=4, file=file)
    names = {each.name for each in record.checks}
    assert not names & {"safe.host_silence[head]", "safe.old_commands[head]"}
    drill = next(each for each in record.checks if each.name == "safe.move_ends[pump]")
    assert drill.outcome == "passed", drill.reason
    assert "fan box: it tells no speed" in drill.reason
    assert "ran without fan box" in record.verdict_reason
    assert record.verdict == "accepted", record.verdict_reason


def test_a_noisy_sensor_is_not_taken_for_a_heater_that_conducts() -> None:
    """Its block is left out, and that is said; nobody is told to switch the supply off."""
    record = accept("sensor_noisy[reservoir]", seed=4, only=(*READY, "safe.old_commands[head]"))
    found = {each.name: each for each in record.checks}
    assert found["sense.ambient[reservoir]"].outcome == "failed"
    assert found["safe.old_commands[head]"].outcome == "passed", found["safe.old_commands[head]"].reason
    assert "its sensor scatters by" in found["safe.old_commands[head]"].reason
    assert "with nothing commanded" not in record.verdict_reason


def moved(*edits: tuple[str, str], file: Path | None = None, fault: str = "") -> tuple[Any, Any]:
    """The drill of a small move under way, of a head with its motor alone or another, and the whole record."""
    file = edited(file or variants.motor_head(), *edits)
    record = accept(*([fault] if fault else []), seed=4, file=file, only=("safe.move_ends[pump]",))
    return next(each for each in record.checks if each.name == "safe.move_ends[pump]"), record


OFF_IN = "host_silence_max_s = 1.0 "
BEATS = ("bit_rate_bps", "host_heartbeat_s = 0.02\nbit_rate_bps")


@pytest.mark.parametrize("limit_s", [0.05, 0.15])
def test_a_motor_that_goes_on_is_seen_where_the_limit_is_shorter_than_a_look(limit_s: float) -> None:
    """A move of four times the limit alone would be at its own end before anybody looks: none is taken for one that was ended."""
    short = (OFF_IN, f"host_silence_max_s = {limit_s} ")
    found, _ = moved(short, BEATS, fault="motor_ignores_silence")
    assert found.outcome == "failed", found.reason
    assert "went on after the host fell silent by" in found.reason
    sound, _ = moved((OFF_IN, f"stop_max_s = {limit_s}\n{short[1]}"), BEATS)
    assert sound.outcome == "passed", sound.reason


def test_a_silence_of_minutes_fits_into_the_time_that_a_drill_has() -> None:
    """How long nothing is commanded is part of the window, and so is each limit of the node that a move waits for."""
    sound, _ = moved(("[simulation]", "[limits]\ndrill_silence_s = 300.0\n\n[simulation]"))
    assert sound.outcome == "passed", sound.reason
    longest = {"host_silence_max_s": 60.0, "stop_max_s": 60.0, "boot_max_s": 60.0}
    loaded = load_description(variants.quick_head()).description
    node = loaded.node[0].model_copy(update=longest)
    limits = loaded.limits.model_copy(update={"drill_silence_s": 600.0})
    slow = loaded.model_copy(update={"node": [node], "limits": limits})
    window_s = {bound.name: bound.window_s for bound in bind_all(slow)}
    assert window_s["safe.move_ends[pump]"] > 600.0 + 3 * 60.0 + 60.0 + 4 * 60.0
    assert window_s["safe.stop[head]"] > 600.0 + 60.0
    assert window_s["safe.old_commands[head]"] > 1.25 * 600.0 + 60.0 + 4 * 60.0


def test_a_driver_that_cannot_send_old_moves_is_not_taken_for_a_node_that_refuses_them(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """With motors alone nothing else sends old commands: no verdict. Elsewhere other loads showed it: the verdict says it."""
    offers = CanopenDriver.offers.fget
    assert offers is not None
    without = property(lambda self: frozenset(v for v in offers(self) if not v.startswith("send_stale[")))
    monkeypatch.setattr(CanopenDriver, "offers", without)
    found, record = moved(fault="acts_on_old_commands")
    assert found.outcome == "not observable", found.reason
    assert "old moves of 'pump' was not tried" in found.reason
    assert "safe.move_ends[pump] (not observable)" in record.verdict_reason
    found, record = moved(file=variants.quick_head())
    assert found.outcome == "passed", found.reason
    assert "whether old moves of 'pump' are carried out was not tried" in record.verdict_reason


@pytest.mark.parametrize(
    ("counts", "anew", "says"),
    [
        ((800, 800, 800), True, ""),
        ((800, 0, 0), True, ""),
        ((800, 0, 0), False, "(-800 microsteps)"),
        ((800, 840, 840), True, "(+40 microsteps)"),
        ((0, 40, 40), True, "(+40 microsteps)"),
        ((800, 800, 0), True, "(-800 microsteps)"),
        ((40, 0, 1), True, "(+1 microsteps)"),
    ],
    ids=lambda value: str(value),
)
def test_a_motor_is_looked_at_from_where_it_stood_before_the_drill(
    counts: tuple[int, ...], anew: bool, says: str
) -> None:
    """A counter may begin anew at 0 with a reset, once: later a motor that goes to 0 by itself has moved."""
    told = iter(counts)
    description = load_description(variants.motor_head()).description
    node = SimpleNamespace(offers={"read_position[pump]"}, read_position=lambda _name: next(told))
    measure = SimpleNamespace(description=description)
    live = Live(Mock(), cast("Any", node), description.node[0], cast("Any", measure), counts_anew=anew)
    found = [live._what_moves(1 + look * MOTORS_EVERY) for look in range(len(counts) - 1)]
    assert ("".join(found)).endswith(says)
    assert bool(says) is any(found)


SILENT = ("safe.old_commands[head]", "safe.over_ceiling[reservoir]", "safe.power_return[head]")


def silent(*faults: str) -> Any:
    only = (*SILENT, "safe.move_ends[pump]")
    return accept(*faults, seed=4, file=variants.quick_head(more=SUPPLY), only=only)


@cache
def starts() -> dict[str, float]:
    """When each of these drills has looked at a sound node at rest, in s of bench time."""
    found = [each for each in silent().checks if each.name in SILENT]
    assert [each.outcome for each in found] == ["passed"] * len(SILENT)
    return {each.name: each.started_s + 0.1 for each in found}


@pytest.mark.parametrize("name", SILENT)
def test_a_gate_that_conducts_while_the_node_says_nothing_is_on_is_found(name: str) -> None:
    """A transistor shorts during the drill: the node reports its command, 0, and the block tells, and the bench supply."""
    record = silent(f"heater_stuck_on[reservoir]@{starts()[name]:.3f}")
    found = next(each for each in record.checks if each.name == name)
    assert found.outcome == "failed", found.reason
    # After the power was away the short silence of this file ends as the block gets to 3 K, where a run is stopped.
    assert ("temperature rise" if name == SILENT[2] else "hotter") in found.reason
    failed = {m.name for m in found.measurements if m.verdict == "failed"}
    assert any("temperature rise" in each for each in failed), failed
    assert any("more current" in each for each in failed) or name != SILENT[1], failed
    assert record.verdict == "rejected"


def test_old_moves_that_are_carried_out_when_the_power_returns_are_found() -> None:
    """They are sent into the boot; the first look at the step counter tells, after one small move at most."""
    record = silent(f"old_moves_obeyed@{starts()[SILENT[2]]:.3f}")
    found = next(each for each in record.checks if each.name == SILENT[2])
    assert found.outcome == "failed"
    told = re.search(r"motor 'pump' moved \(([+-]\d+) microsteps\) 0\.\d s into the silence", found.reason)
    assert told is not None, found.reason
    assert 16 < abs(int(told[1])) <= 0.25 * 3200, "more than a full step, no more than small_move_rev"


def test_an_emergency_stop_that_takes_no_power_is_found() -> None:
    """The rail is watched, not the message."""
    found, _ = drill("safe.emergency_stop[head]", "emergency_stop_dead", operator=True)
    assert found.outcome == "failed"
    assert "kept their power" in found.reason


def test_a_failed_fan_does_not_keep_the_emergency_stop_from_being_pressed() -> None:
    """With nothing on, as on a node without a fan: the rail is seen to fall, and the verdict says what was not looked at."""
    name = "safe.emergency_stop[head]"
    stalled = ("fan_stalled[nozzle]", "fan_stalled[electronics]")
    record = accept(*stalled, seed=4, operator=True, only=(*READY, name))
    found = next(each for each in record.checks if each.name == name)
    assert found.outcome == "passed", found.reason
    on = next(m for m in found.measurements if m.name == "on when it was pressed")
    assert (on.value, on.note) == ("nothing", "no fan could be run")
    assert "not whether what was on starts again" in record.verdict_reason
    off = next(m for m in found.measurements if m.name == "without power while it was pressed")
    assert (off.value, off.note) == ("yes", "it said that it has booted")


class _Pressed:
    """A node in the hands of somebody: what it says of its rail over time, or raises; it talks by itself until `silent_s`."""

    name = "head"

    def __init__(
        self, rail: Callable[[float], float], silent_s: float = math.inf, has_rail: bool = True
    ) -> None:
        self.rail, self.silent_s, self.now_s = rail, silent_s, 0.0
        self.offers = frozenset({"read_supply_v"} if has_rail else ())
        self.hears: list[Any] = []

    def run_for(self, seconds: float) -> None:
        self.now_s += seconds
        if self.now_s < self.silent_s:
            for each in self.hears:
                each(Reading("heartbeat", "head", 5.0, 0, asked=False))

    def on_reading(self, listener: Any) -> Any:
        self.hears.append(listener)
        return self.hears.clear

    def read_supply_v(self) -> float:
        if not self.offers:
            raise NotOffered("head", "read_supply_v")
        if self.now_s > self.silent_s:
            self.run_for(0.3)
            raise NoAnswer("head", "supply_v", 0.3)
        return self.rail(self.now_s)

    def fall(self) -> Fall:
        node: Any = self
        watch = RailWatch(node, node, 3.0)
        self.run_for(1.0)
        try:
            return watch.await_fall()
        finally:
            watch.close()


def _once(bad: Exception | float) -> Callable[[float], float]:
    """24 V all the time, but for one look at 4 s."""
    spent: list[float] = []

    def volts(now_s: float) -> float:
        if now_s < 4.0 or spent:
            return 24.0
        spent.append(now_s)
        if isinstance(bad, Exception):
            raise bad
        return bad

    return volts


LOST = (
    NoAnswer("head", "supply_v", 0.3),
    Refused("head", "supply_v", "busy"),
    NotSent("head", "supply_v", BenchLost("the adapter's queue is full")),
    0.0,
)


@pytest.mark.parametrize("bad", LOST, ids=lambda each: type(each).__name__)
def test_one_look_that_went_wrong_is_no_fallen_rail(bad: Exception | float) -> None:
    """An emergency stop without effect, and one frame lost as it is pressed."""
    node = _Pressed(_once(bad))
    assert node.fall().how == "stayed"
    assert not node.hears


def test_a_guard_that_trips_meanwhile_is_no_fallen_rail() -> None:
    """It is told as what it is."""
    with pytest.raises(GuardTripped):
        _Pressed(_once(GuardTripped("block at 90 degC", 4.0))).fall()


def test_a_rail_that_nobody_could_read_any_more_is_neither_up_nor_down() -> None:
    """The node talks on and no longer answers."""

    def volts(now_s: float) -> float:
        if now_s > 4.0:
            raise NoAnswer("head", "supply_v", 0.3)
        return 24.0

    assert _Pressed(volts).fall().how == "unseen"


def test_an_emergency_stop_that_nobody_could_look_at_is_no_verdict_on_it() -> None:
    """No word of the rail: a node that falls silent shows that its power went, one that talks on shows nothing."""
    fell = _Pressed(lambda _: 24.0, silent_s=3.0, has_rail=False).fall()
    assert (fell.how, math.isnan(fell.fall_s)) == ("silence", True)
    assert fell.after_s < 2.0
    stays = _Pressed(lambda _: 24.0, has_rail=False)
    assert stays.fall().how == "unseen"
    assert not stays.hears


def test_a_rail_that_takes_long_to_fall_fails_however_long_the_person_took() -> None:
    """Timed from its first dip, on a node that is fed apart and on one that dies with its rail."""
    quick = _Pressed(lambda now_s: 24.0 if now_s < 18.0 else 0.3).fall()
    assert (quick.how, quick.fall_s) == ("rail", 0.0)
    assert 16.0 < quick.after_s < 18.0

    def sags(now_s: float) -> float:
        return 24.0 - 1.3 * max(0.0, now_s - 5.0)

    for slow, how in ((_Pressed(sags).fall(), "rail"), (_Pressed(sags, silent_s=17.0).fall(), "silence")):
        assert slow.how == how
        assert slow.after_s == pytest.approx(5.0, abs=0.3), "5 % are gone 0.9 s later; the answer came at 1 s"
        measured = Mock()
        _hands._judge_fall(Mock(), measured, slow)
        (name, value, unit), limits = measured.call_args
        assert (name, unit) == ("the rail's fall, from its first dip on", "s")
        assert value > 10.0 > limits["high"]


@pytest.mark.parametrize(
    ("boots", "up_s", "protocol", "is_proven"),
    [
        (True, math.nan, "canopen", True),
        (False, 4.0, "canopen", True),
        (False, 300.0, "canopen", False),
        (False, math.nan, "canopen", False),
        (False, math.nan, "signals", None),
    ],
)
def test_only_a_node_that_began_anew_was_without_power(
    boots: bool, up_s: float, protocol: str, is_proven: bool | None
) -> None:
    """Its boot, or its uptime, since the power was asked for; where it tells neither nothing is claimed."""
    node: Any = _Pressed(lambda _: 24.0)
    node.offers = frozenset() if math.isnan(up_s) else frozenset({"read_status"})
    node.read_status = lambda: NodeStatus(up_s, "power")
    back = Return(node, node, cast("Any", SimpleNamespace(protocol=protocol)))
    node.run_for(5.0)
    if boots:
        node.hears[0](Reading("boot", "head", 0.0, 0, asked=False))
    assert back.proof()[0] is is_proven


def test_where_nobody_could_look_the_emergency_stop_is_let_go_again(
    shown: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not observable, with what to measure by hand, and the rest of the run has its power."""
    monkeypatch.setattr(RailWatch, "await_fall", lambda _: Fall("unseen", note="says nothing of the voltage"))
    found, _ = drill("safe.emergency_stop[head]", operator=True)
    assert found.outcome == "not observable"
    assert "says nothing of the voltage" in found.reason
    assert "safe.estop.release[head]" in shown


def test_a_node_that_goes_on_when_the_emergency_stop_is_let_go_is_found(shown: dict[str, str]) -> None:
    """Letting it go gives the power back and must start nothing: no drill before this one switches the power."""
    found, _ = drill("safe.emergency_stop[head]", "outputs_on_after_power_return", operator=True)
    assert found.outcome == "failed"
    assert "was on" in found.reason
    assert shown["safe.estop.press[head]"].startswith("CAUTION: Fans turn")
    assert shown["safe.estop.release[head]"].startswith("CAUTION: The power comes back")


@pytest.mark.parametrize(
    ("name", "asked"),
    [
        ("safe.power_return[head]", "power.on"),
        ("safe.emergency_stop[head]", "safe.estop.release"),
    ],
)
def test_nothing_stays_on_while_a_person_thinks(
    name: str, asked: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The power is back, and the answer takes a minute: what comes on by itself is seen and switched off at once."""
    think_s, answer = Person.think_s, Person.answer
    times: list[str] = []

    def acts_first(self: Person, question: str) -> float:
        times.append(question)
        if not question.startswith(asked) or (asked == "power.on" and times.count(asked) < 2):
            return think_s(self, question)
        answer(self, question, (), "")
        return 60.0

    monkeypatch.setattr(Person, "think_s", acts_first)
    found, energy_j = drill(name, "outputs_on_after_power_return", operator=True)
    assert found.outcome == "failed", found.reason
    assert "came on by itself" in found.reason
    assert energy_j < 10.0 * 40.0, "of 60 s at full power, or at the duty of the drill"


def test_power_returns_under_a_stream_of_commands() -> None:
    """A sound node stays off; one that acts before it is started is caught by the drill before, which needs no hands."""
    found, _ = drill("safe.power_return[head]", operator=True)
    assert found.outcome == "passed", found.reason
    assert next(m for m in found.measurements if m.name.startswith("commands sent")).value > 50
    off = next(m for m in found.measurements if m.name == "without power meanwhile")
    assert (off.value, off.note) == ("yes", "it said that it has booted")
    other, _ = drill("safe.power_return[head]", "acts_on_old_commands", operator=True)
    assert other.outcome == "not run"
    assert "safe.old_commands[head] failed" in other.reason


def test_hands_that_take_no_power_away_make_no_drill_green(monkeypatch: pytest.MonkeyPatch) -> None:
    """A dead emergency stop with a silence that was the bus's, and then a supply's switch without effect."""

    def silence(_: Any) -> Fall:
        monkeypatch.setattr(Hands, "switch_supply", lambda _self, _on: None)
        return Fall("silence", 1.0, 0.0, "the node fell silent, for 3.1 s")

    monkeypatch.setattr(RailWatch, "await_fall", silence)
    names = ("safe.emergency_stop[head]", "safe.power_return[head]")
    record = accept("emergency_stop_dead", seed=4, only=(*READY, *names))
    stop, power = (next(each for each in record.checks if each.name == name) for name in names)
    assert (stop.outcome, power.outcome) == ("not observable", "not observable")
    assert "nothing shows that it was without power: it is up for" in stop.reason
    assert "was not seen to go away: it went on talking" in power.reason
    assert record.verdict == "incomplete"


def test_drills_for_hands_are_not_there_without_a_person() -> None:
    """Nobody waits for somebody who is not there; what can't be done is listed by name instead."""
    record = accept(seed=4, operator=False, only=("safe.stop[head]", "heat.pulse[reservoir]"))
    names = {each.name.split("[")[0] for each in record.checks}
    assert not names & {"safe.sensor_lost", "safe.emergency_stop", "safe.power_return", "heat.second_point"}


def test_no_loop_is_closed_on_a_node_that_no_cut_bus_was_seen_to_stop(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """An adapter that can't leave the bus leaves open what the node does without it: no setpoint is given, not for a moment."""
    monkeypatch.setattr(_safe, "leave_bus", lambda *_: 7)
    warmest: list[float] = []
    record = accept(
        seed=4,
        file=variants.quick_head(),
        only=("safe.reset[head]", "heat.low_setpoint[reservoir]"),
        before_close=lambda run: warmest.append(run.opened().link.port.bus.bench.truth.block_c("reservoir")),
    )
    checks = {check.name: check for check in record.checks}
    assert checks["safe.bus_cut[head]"].outcome == "not observable"
    assert checks["heat.low_setpoint[reservoir]"].outcome == "not run"
    assert "safe.bus_cut[head]" in checks["heat.low_setpoint[reservoir]"].reason
    assert "safe.bus_cut[head]" in checks["safe.reset[head]"].reason
    assert record.verdict == "incomplete"
    assert warmest[0] < 40.0
