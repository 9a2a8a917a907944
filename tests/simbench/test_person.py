"""A person at the simulated bench: what the hand does and what the eye sees is the bench's physics."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

import pytest

from hiltest.errors import UsageError
from hiltest.meters.operator import parse_quantity
from hiltest.simbench.bench import Bench, close_all_benches, open_bench
from hiltest.simbench.person import shown
from hiltest.simbench.probe import Probes

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
PAIR = "bus.can.h, bus.can.l"


@pytest.fixture(autouse=True)
def _no_bench_left() -> Iterator[None]:
    yield
    close_all_benches()


def cold_bench(*faults: str, seed: int = 1, tolerances: bool = True) -> Bench:
    """A bench with its power off."""
    bench = open_bench(GLUE_HEAD, seed=seed, faults=faults, tolerances=tolerances).bench
    bench.hands.switch_supply(False)
    return bench


def reads_ohm(bench: Bench, places: str) -> float:
    """What the person reads from the meter."""
    answer = bench.person.answer(f"cold.ohm[{places}]", (), "ohm")
    assert answer is not None
    return parse_quantity(answer, "ohm")


# --- the ohmmeter -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("places", "ohm"),
    [
        (PAIR, 60.0),
        ("heater.reservoir.1, heater.reservoir.2", 14.4),
        ("stepper.pump.a1, stepper.pump.a2", 3.2),
        ("stepper.pump.b2, stepper.pump.b1", 3.2),
        ("sensor.board.1, sensor.board.2", 10_000.0 * math.exp(3435.0 * (1 / 296.15 - 1 / 298.15))),
    ],
)
def test_a_healthy_board_reads_what_its_parts_have(places: str, ohm: float) -> None:
    """Two terminators in parallel, V²/P, the label of the motor, the B formula at 23 degC."""
    assert reads_ohm(cold_bench(tolerances=False), places) == pytest.approx(ohm, rel=0.04)


@pytest.mark.parametrize(
    "places",
    [
        "stepper.pump.a1, stepper.pump.b1",
        "stepper.pump.a2, stepper.pump.b2",
        "heater.reservoir.1, sensor.reservoir.1",
        "heater.reservoir.1, ground",
    ],
)
def test_what_is_not_connected_is_open(places: str) -> None:
    """Plugs that are pulled out touch nothing; the coils of a motor do not touch each other."""
    assert math.isinf(reads_ohm(cold_bench(), places))


@pytest.mark.parametrize(
    ("fault", "places", "low", "high"),
    [
        ("one_terminator", PAIR, 115.0, 125.0),
        ("no_terminator", PAIR, 5e3, 50e3),
        ("extra_terminators=3", PAIR, 39.0, 41.0),
        ("can_h_l_short", PAIR, 0.0, 2.0),
        ("can_leak", PAIR, 36.0, 39.0),
        ("can_h_to_ground", "bus.can.h, ground", 0.0, 2.0),
        ("can_h_to_ground", "bus.can.l, ground", 59.0, 63.0),
        ("can_l_to_supply", "bus.can.l, supply", 0.0, 2.0),
        ("supply_shorted", "supply, ground", 0.0, 1.0),
        ("heater_stuck_on", "supply, ground", 12.0, 17.0),
        ("heater_wrong_voltage", "heater.reservoir.1, heater.reservoir.2", 3.0, 4.3),
        ("heater_open", "heater.reservoir.1, heater.reservoir.2", math.inf, math.inf),
        ("coils_crossed", "stepper.pump.a1, stepper.pump.a2", math.inf, math.inf),
        ("coils_crossed", "stepper.pump.a1, stepper.pump.b2", 2.8, 4.0),
        ("coil_open=1", "stepper.pump.b1, stepper.pump.b2", math.inf, math.inf),
        ("coil_shorted", "stepper.pump.a1, stepper.pump.a2", 0.0, 1.0),
        ("sensor_open[board]", "sensor.board.1, sensor.board.2", math.inf, math.inf),
        ("sensor_shorted[board]", "sensor.board.1, sensor.board.2", 0.0, 2.0),
        ("sensors_swapped", "sensor.board.1, sensor.board.2", 90e3, 130e3),
        ("sensor_series_resistance[board]=5000", "sensor.board.1, sensor.board.2", 15e3, 17e3),
    ],
)
def test_a_fault_is_measured_through_its_cause(fault: str, places: str, low: float, high: float) -> None:
    """The network of wires and parts is what is measured, not the fault's name."""
    assert low <= reads_ohm(cold_bench(fault), places) <= high


def test_a_voltage_on_the_line_spoils_the_reading() -> None:
    """An ohmmeter on a powered bus shows nonsense: the recessive level pushes its current about."""
    bench = open_bench(GLUE_HEAD, faults=["can_h_to_ground=1000"]).bench
    powered = reads_ohm(bench, "bus.can.l, ground")
    bench.hands.switch_supply(False)
    assert powered > reads_ohm(bench, "bus.can.l, ground") + 100.0


def test_the_rail_is_felt_only_while_it_is_on() -> None:
    """A line that touches the supply is at the supply's voltage, and at none with the supply off."""
    bench = open_bench(GLUE_HEAD, faults=["can_h_to_supply"]).bench
    line = bench.wires["can"].line
    assert line is not None
    assert line.probe_v(0.0)[0] > 20.0
    bench.hands.switch_supply(False)
    line = bench.wires["can"].line
    assert line is not None
    assert abs(line.probe_v(0.0)[0]) < 3.0
    bench.hands.switch_supply(True)
    assert bench.wires["can"].line.probe_v(0.0)[0] > 20.0  # type: ignore[union-attr]


def test_probes_go_to_places_that_there_are() -> None:
    """A wrong place is named with the right ones; probes that lie on the bench read open."""
    bench = cold_bench()
    with pytest.raises(UsageError, match=r"heater\.tank\.1.*heater\.reservoir\.1"):
        bench.probes.put("heater.tank.1", "ground")
    bench.probes.put("supply", "ground")
    assert math.isfinite(bench.probes.read_ohm())
    bench.probes.lift()
    assert math.isinf(bench.probes.read_ohm())
    assert bench.probes.read_v() == 0.0


def test_meters_differ_by_seed_and_each_repeats_itself() -> None:
    """The same seed reads the same ohm to the last digit; another seed another board with another meter."""
    first, again, other = (reads_ohm_of(seed) for seed in (1, 1, 2))
    assert first == again
    assert first != other


def reads_ohm_of(seed: int) -> float:
    """One reading on a bench of its own."""
    value = reads_ohm(cold_bench(seed=seed), PAIR)
    close_all_benches()
    return value


def test_with_tolerances_off_the_meter_is_nominal() -> None:
    """What is left is the leads."""
    bench = cold_bench(tolerances=False)
    assert Probes(bench, "other")._gain == 1.0


@pytest.mark.parametrize(
    ("ohm", "text"),
    [
        (math.inf, "OL"),
        (59.876, "59.88 ohm"),
        (119.96, "120.0 ohm"),
        (14400.0, "14.4 kohm"),
        (5.1e6, "5.1 Mohm"),
    ],
)
def test_a_reading_is_shown_as_a_meter_shows_it(ohm: float, text: str) -> None:
    """Four digits with a prefix, and OL for open."""
    assert shown(ohm) == text


# --- hands and eyes -------------------------------------------------------------------------------------


def test_the_supply_is_switched_and_its_limit_looked_at() -> None:
    """A bench with a short goes into its limit, is switched off again, and the person says no."""
    bench = open_bench(GLUE_HEAD).bench
    assert bench.person.answer("power.off", (), "") == "yes"
    assert not bench.supply.is_on
    assert bench.person.answer("power.on", (), "") == "yes"
    assert bench.supply.is_on
    bench.inject("supply_shorted")
    bench.person.answer("power.off", (), "")
    assert bench.person.answer("power.on", (), "") == "no"
    assert not bench.supply.is_on


def test_a_switch_is_pressed_for_a_while_after_the_answer() -> None:
    """Free, then down for two seconds, then free again; the one that the machine presses the other way round."""
    bench = open_bench(GLUE_HEAD).bench
    level, home = (bench.boards["head"].contacts[name] for name in ("level", "pump_home"))
    assert bench.person.answer("switch.rest[level]", ("free", "pressed"), "") == "free"
    assert bench.person.answer("switch.rest[pump_home]", ("free", "pressed"), "") == "pressed"
    for name in ("level", "pump_home"):
        assert bench.person.answer(f"switch.press[{name}]", (), "") == "yes"
    seen = []
    for _ in range(4):
        seen.append((level.actuated, home.actuated))
        bench.run_for(1.2)
    assert seen == [(False, True), (True, False), (True, False), (False, True)]


def test_a_stuck_lever_does_not_follow_the_hand() -> None:
    """The person presses and nothing moves."""
    bench = open_bench(GLUE_HEAD, faults=["switch_stuck[level]"]).bench
    bench.person.answer("switch.press[level]", (), "")
    bench.run_for(2.0)
    assert not bench.boards["head"].contacts["level"].actuated


@pytest.mark.parametrize(
    ("fault", "bits", "says"),
    [
        (None, 0b000, "none"),
        (None, 0b010, "green"),
        (None, 0b101, "several"),
        ("lamp_colours_swapped", 0b001, "green"),
        ("lamp_dead", 0b001, "none"),
        ("lamp_colour_dead=3", 0b100, "none"),
    ],
)
def test_the_lamp_is_what_is_lit(fault: str | None, bits: int, says: str) -> None:
    """What a person sees is the light and not the command."""
    bench = open_bench(GLUE_HEAD, faults=[fault] if fault else []).bench
    bench.run_for(1.0)
    bench.boards["head"].set_lamps(bits)
    choices = ("red", "green", "blue", "several", "none")
    assert bench.person.answer("lamp.shows[status]", choices, "") == says
    bench.hands.switch_supply(False)
    assert bench.person.answer("lamp.shows[status]", choices, "") == "none"


def test_a_question_that_is_not_understood_gets_no_answer() -> None:
    """Nothing is guessed, and nothing is said about faults."""
    person = open_bench(GLUE_HEAD, faults=["heater_open"]).bench.person
    for question in ("what.is.wrong", "fault[reservoir]", "cold", "", "lamp.shows[no_such_lamp]"):
        assert person.answer(question, (), "") is None


def test_people_take_their_time() -> None:
    """Seconds for a reading, less for a look; the same seed takes the same time."""
    times = [[cold_bench(seed=3).person.think_s("cold.ohm[x]"), close_all_benches()][0] for _ in range(2)]
    assert times[0] == times[1]
    assert 4.0 <= times[0] <= 9.0
