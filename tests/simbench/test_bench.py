"""The bench as a whole: same seed same bytes, power, wires, who holds it, and what it costs."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from hiltest.clock import wall_s
from hiltest.description.loading import load_text
from hiltest.errors import UsageError
from hiltest.simbench.bench import Bench, close_all_benches, join_bench, open_bench
from hiltest.simbench.loads.heater import Block
from hiltest.simbench.supply import Draw, Harness, Supply
from hiltest.simbench.tolerance import Draws, Streams

from .world import FIXTURES, TWO_HEATERS, Host, bench, configure_axis, move, running, two_heaters


@pytest.fixture(autouse=True)
def _no_bench_is_left_open() -> Iterator[None]:
    yield
    close_all_benches()


def story(seed: int, *faults: str, tolerances: bool = True) -> str:
    """Everything that a host hears while it heats, blows and moves, as a hash."""
    made, host = running(*faults, seed=seed, tolerances=tolerances)
    host.write(0x2100, 1, 500, 2)
    host.write(0x6411, 1, 600, 2)
    configure_axis(host)
    move(host, 1600, 1.0)
    made.run_for(5.0)
    heard = "\n".join(f"{frame.t_ns} {frame!r}" for frame in host.heard)
    return hashlib.sha256(heard.encode()).hexdigest()


# --- repeatable ---------------------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes() -> None:
    """Every frame and every time stamp, also with noise on the line."""
    assert story(7) == story(7)
    assert story(7, "noise_bursts=50") == story(7, "noise_bursts=50")


def test_another_seed_is_another_board() -> None:
    """Tolerances and noise differ by seed."""
    assert len({story(seed) for seed in (1, 2, 3)}) == 3


def test_without_tolerances_parts_are_nominal() -> None:
    """Element, curve and supply as described; noise stays, because no bench is without it."""
    made = bench(seed=3, tolerances=False)
    assert made.boards["head"].switches[0].element is not None
    assert made.boards["head"].switches[0].element.ohm == pytest.approx(14.4)
    assert made.truth.fan("nozzle").full_speed_rpm == 9000.0
    assert story(3, tolerances=False) != story(4, tolerances=False)


def test_streams_by_name_don_t_disturb_each_other() -> None:
    """Drawing from one stream changes no other, and names that are alike are unrelated."""
    one, two = Streams(1), Streams(1)
    for _ in range(100):
        one.get("a").random()
    assert one.get("b").random() == two.get("b").random()
    assert two.get("a1").random() != two.get("a2").random()


def test_draws_stay_within_three_deviations() -> None:
    """A sorted part is never further off."""
    draws = Draws(Streams(1).get("x"))
    values = [draws.normal(10.0, 1.0) for _ in range(5000)]
    assert 6.9 < min(values) < 8.0 < 12.0 < max(values) < 13.1
    assert sum(values) / len(values) == pytest.approx(10.0, abs=0.05)


def test_a_look_at_the_truth_changes_nothing() -> None:
    """The same run with and without looks ends in the same bytes."""
    heard = []
    for looks in (False, True):
        made, host = running(seed=5)
        host.write(0x2100, 1, 500, 2)
        for _ in range(40):
            made.run_for(0.25)
            if looks:
                made.truth.block_c("reservoir")
                made.truth.energy_j("reservoir")
                made.truth.outputs_on()
                made.truth.position_rev("pump")
        heard.append([(frame.t_ns, frame.data) for frame in host.heard])
    assert heard[0] == heard[1]


# --- power --------------------------------------------------------------------------------------------


class Load:
    """A board without anything but its currents."""

    def __init__(self, on: float, mean: float, amps: float, ohm: float) -> None:
        self.taken = Draw(on, mean, amps)
        self.harness = Harness(Draws(Streams(1).get("h"), False), awg=20, length_m=1e-9, contact_ohm=0.0)
        self.harness.contact_ohm = ohm
        self.volts = (0.0, 0.0)

    def draw(self) -> Draw:
        return self.taken

    def feed(self, low_v: float, mean_v: float) -> None:
        self.volts = (low_v, mean_v)


def supply(*loads: Load, limit_a: float = 100.0) -> Supply:
    made = Supply(Draws(Streams(1).get("s"), False), voltage_v=24.0, current_limit_a=limit_a)
    made.set_v, made.inner_ohm = 24.0, 0.0
    made.consumers += loads
    made.settle()
    return made


def test_a_resistive_load_divides_the_voltage() -> None:
    """14.4 ohm behind 0.6 ohm: 24 * 14.4 / 15."""
    load = Load(1 / 14.4, 1 / 14.4, 0.0, 0.6)
    supply(load)
    assert load.volts[1] == pytest.approx(24.0 * 14.4 / 15.0)


def test_the_pulsed_heater_pulls_deeper_than_its_mean() -> None:
    """At half duty the rail dips fully while it conducts; the mean lies between."""
    load = Load(1 / 14.4, 0.5 / 14.4, 0.0, 0.6)
    supply(load)
    assert load.volts[0] == pytest.approx(23.04)
    assert 23.04 < load.volts[1] < 24.0


def test_a_current_load_drops_its_current_times_the_wire() -> None:
    """2 A over 0.5 ohm is 1 V."""
    load = Load(0.0, 0.0, 2.0, 0.5)
    supply(load)
    assert load.volts[1] == pytest.approx(23.0)


def test_the_source_folds_back_at_its_limit() -> None:
    """1 A into 14.4 ohm are 14.4 V, wherever the source was set."""
    load = Load(1 / 14.4, 1 / 14.4, 0.0, 0.0)
    made = supply(load, limit_a=1.0)
    assert load.volts[1] == pytest.approx(14.4)
    assert made.current_a == 1.0
    assert made.in_limit


def test_two_boards_share_the_source_but_not_their_wires() -> None:
    """The one without load of its own sees no drop of the other's wire."""
    busy, idle = Load(1 / 14.4, 1 / 14.4, 0.0, 0.6), Load(0.0, 0.0, 0.0, 0.6)
    supply(busy, idle)
    assert busy.volts[1] == pytest.approx(23.04)
    assert idle.volts[1] == pytest.approx(24.0)


@pytest.mark.parametrize("change", ["unplug", "reverse", "switch off"])
def test_without_voltage_the_board_is_dead(change: str) -> None:
    """No frames, no power in the heater, no console."""
    made, host = running()
    host.write(0x2100, 1, 500, 2)
    made.run_for(0.5)
    board = made.boards["head"]
    if change == "unplug":
        made.hands.unplug_power()
    elif change == "reverse":
        board.harness.reversed = True
        made.supply.settle()
    else:
        made.hands.switch_supply(False)
    before = len(host.heard)
    made.run_for(1.0)
    assert len(host.heard) == before
    assert made.truth.heater_w("reservoir") == 0.0
    assert board.life == "off"
    assert not board.controller.powered


def test_a_board_boots_within_its_time_for_any_seed() -> None:
    """0.2 to 0.6 s from power to boot-up."""
    for seed in range(20):
        made = bench(seed=seed)
        host = Host(made)
        made.run_for(0.7)
        assert len(host.of(0x705)) >= 1, seed


# --- the record of truth ------------------------------------------------------------------------------


def test_every_change_of_an_output_is_recorded() -> None:
    """On and off with their times."""
    made, host = running()
    host.write(0x6200, 1, 1, 1)
    on_s = made.now_s
    made.run_for(1.0)
    host.write(0x6200, 1, 0, 1)
    changes = made.truth.changes()
    assert [(change.output, change.on) for change in changes] == [
        ("lamp:status", True),
        ("lamp:status", False),
    ]
    assert changes[0].t_s == pytest.approx(on_s, abs=0.01)
    assert made.truth.last_off_s("lamp:status") == changes[1].t_s


def test_truth_refuses_what_is_not_there() -> None:
    """The error names what there is."""
    with pytest.raises(UsageError, match="'reservoir'"):
        bench().truth.block("reservoar")


def test_airflow_of_a_fan_that_cools_reaches_the_block() -> None:
    """`cools` in the description couples fan and block."""
    text = TWO_HEATERS + '\n[[fan]]\nname = "blower"\nfull_speed_rpm = 5000.0\ncools = "left"\n'
    made = Bench(load_text(text, FIXTURES).description, folder=FIXTURES, seed=1)
    host = Host(made).start()
    host.write(0x6411, 1, 1000, 2)
    made.run_for(1.0)
    left: Block = made.truth.block("left")
    assert left.airflow > 0.9
    assert made.truth.block("right").airflow == 0.0


# --- who holds it -------------------------------------------------------------------------------------


def test_a_channel_is_opened_once_and_joined_by_others() -> None:
    """The last one that closes ends it; afterwards a new bench starts at time zero."""
    path = FIXTURES / "glue_head.toml"
    first = open_bench(path, seed=4)
    second = join_bench(path)
    assert second.bench is first.bench
    first.bench.run_for(1.0)
    first.close()
    assert join_bench(path).bench is second.bench
    close_all_benches()
    with join_bench(path) as third:
        assert third is not second.bench
        assert third.now_s == 0.0


def test_closing_the_last_hold_forgets_the_bench() -> None:
    """Closing twice counts once."""
    path = FIXTURES / "glue_head.toml"
    one, two = open_bench(path), join_bench(path)
    bench_before = one.bench
    one.close()
    one.close()
    with join_bench(path) as still:
        assert still is bench_before
    two.close()
    with join_bench(path) as new:
        assert new is not bench_before


def test_opening_twice_or_joining_with_other_settings_is_refused() -> None:
    """The error says what to do."""
    path = FIXTURES / "glue_head.toml"
    with open_bench(path, seed=4, faults=["heater_open"]):
        with pytest.raises(UsageError, match="open already"):
            open_bench(path)
        with pytest.raises(UsageError, match="seed=4"):
            join_bench(path, seed=5)
        with pytest.raises(UsageError, match="open without"):
            join_bench(path, faults=["tach_open"])
        join_bench(path, seed=4, faults=["heater_open"]).close()


def test_a_node_of_another_protocol_is_refused() -> None:
    """The bench does not pretend to have a firmware for it."""
    described = two_heaters()
    other = described.node[0].model_copy(update={"protocol": "own", "eds": None})
    with pytest.raises(UsageError, match="not for 'own'"):
        Bench(described.model_copy(update={"node": [other]}), folder=FIXTURES)


def test_an_eds_that_is_not_there_is_named_at_once(tmp_path: Path) -> None:
    """When the bench is built, not when the node boots."""
    with pytest.raises(UsageError, match=r"glue_head\.eds"):
        Bench(two_heaters(), folder=tmp_path)


# --- what it costs ------------------------------------------------------------------------------------


def test_two_minutes_of_an_idle_bench_cost_little() -> None:
    """Heartbeats, process data and control loops of 120 s: about 0.3 s here, and well under 3 s anywhere."""
    made, _ = running()
    start_s = wall_s()
    made.run_for(120.0)
    assert wall_s() - start_s < 3.0
