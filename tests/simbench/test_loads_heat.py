"""Heater blocks, elements and temperature sensors of the simulated bench."""

from __future__ import annotations

import math
import random

import pytest

from hiltest.physics.thermistor import NtcBeta
from hiltest.simbench.heater_control import Conversion, HeaterChannel, SensorReading, Tuning
from hiltest.simbench.loads.heater import Bead, Block, Element, HeaterSwitch
from hiltest.simbench.loads.lag import Lag
from hiltest.simbench.loads.sensor import BoardSpot, SensorElement, SensorInput
from hiltest.simbench.tolerance import Draws, Streams


class Clock:
    """A clock that a test moves."""

    now_ns = 0

    def go(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)


def nominal() -> Draws:
    return Draws(random.Random(1), on=False)


def block(clock: Clock, capacity: float = 20.0, loss: float = 0.12) -> Block:
    return Block(clock, nominal(), heat_capacity_j_k=capacity, loss_w_k=loss, ambient_c=23.0)


# --- the block ----------------------------------------------------------------------------------------


def test_all_electrical_energy_is_found_as_heat() -> None:
    """Without loss a 40 W pulse of 2 s leaves 80 J in 20 J/K: 4 K, however it is looked at."""
    clock = Clock()
    made = block(clock, loss=1e-9)
    clock.go(0.7)
    made.set_watts(40.0)
    for _ in range(40):
        clock.go(0.05)
        made.catch_up()
    made.set_watts(0.0)
    clock.go(60.0)
    made.catch_up()
    assert made.total_energy_j() == pytest.approx(80.0)
    assert made.block_c - 23.0 == pytest.approx(4.0, rel=1e-6)


def test_a_look_at_the_block_changes_nothing() -> None:
    """Two blocks with the same power end alike to the last bit, one looked at often and one never."""
    ends = []
    for looks in (1, 997):
        clock = Clock()
        made = block(clock)
        made.set_watts(40.0)
        for _ in range(looks):
            clock.now_ns += 30_000_000_000 // looks
            made.catch_up()
            made.total_energy_j()
        clock.now_ns = 30_000_000_000
        made.set_watts(10.0)
        clock.go(5.0)
        made.catch_up()
        ends.append((made.block_c, made.element_c))
    assert ends[0] == ends[1]


def test_the_block_settles_where_power_and_loss_agree() -> None:
    """12 W over 0.12 W/K is 100 K above the room."""
    clock = Clock()
    made = block(clock)
    made.element_loss_w_k = 0.0
    made.set_watts(12.0)
    clock.go(3000.0)
    made.catch_up()
    assert made.block_c == pytest.approx(123.0, abs=0.01)


def test_nothing_is_felt_before_the_dead_time() -> None:
    """Dead time 1 s nominal: the block is untouched for one second and then warms."""
    clock = Clock()
    made = block(clock)
    made.set_watts(40.0)
    clock.go(0.98)
    made.catch_up()
    assert made.block_c == 23.0
    clock.go(1.0)
    made.catch_up()
    assert made.block_c > 23.5


def test_a_loose_element_gets_hot_and_leaves_the_block_cold() -> None:
    """At 1 % of its contact the element passes 300 degC while the block stays under 40."""
    clock = Clock()
    made = block(clock)
    made.set_contact(0.01)
    made.set_watts(40.0)
    clock.go(20.0)
    made.catch_up()
    assert made.element_c > 300.0
    assert made.block_c < 40.0


def test_airflow_cools_the_block() -> None:
    """Full airflow loses heat half as fast again."""
    rises = []
    for share in (0.0, 1.0):
        clock = Clock()
        made = block(clock)
        made.set_airflow(share)
        made.set_watts(12.0)
        clock.go(3000.0)
        made.catch_up()
        rises.append(made.block_c - 23.0)
    assert rises[0] / rises[1] == pytest.approx(1.5, rel=0.02)


# --- beads and sensors --------------------------------------------------------------------------------


def test_a_bead_follows_with_its_lag() -> None:
    """After one lag it has made 63.2 % of a step of the block."""
    clock = Clock()
    made = block(clock, capacity=1e6, loss=1e-9)
    bead = Bead(made, 3.0)
    made.block_c = made.element_c = 73.0
    clock.go(3.0)
    assert (bead.now_c() - 23.0) / 50.0 == pytest.approx(1.0 - math.exp(-1.0), rel=1e-3)


def test_a_detached_bead_feels_a_tenth_and_late() -> None:
    """Coupling 0.1: a pulse that warms the block by 4 K moves the bead by less than 0.4 K."""
    clock = Clock()
    made = block(clock)
    bead = Bead(made, 3.0)
    bead.loosen(0.1)
    made.set_watts(40.0)
    clock.go(2.0)
    made.set_watts(0.0)
    highest = 0.0
    for _ in range(60):
        clock.go(0.5)
        highest = max(highest, bead.now_c() - 23.0)
    assert 0.1 < highest < 0.4
    assert made.highest_c > 26.5


def sensor(spot_c: float, **changes: object) -> tuple[SensorInput, SensorElement]:
    class Spot:
        def now_c(self) -> float:
            return spot_c

    part = SensorElement("s", NtcBeta(100_000.0, 3950.0), Spot())
    for name, value in changes.items():
        setattr(part, name, value)
    return SensorInput(part, random.Random(1), nominal(), 4_700.0, 12), part


def mean_c(channel: SensorInput, beta_k: float = 3950.0, pull_up_ohm: float = 4_700.0) -> float:
    """What the firmware shows on average with the constants that it assumes."""
    conversion = Conversion("ntc", 100_000.0, beta_k, pull_up_ohm, 4095)
    shown = [conversion.celsius(channel.code()) for _ in range(400)]
    return sum(value for value in shown if value is not None) / len(shown)


@pytest.mark.parametrize("true_c", [0.0, 25.0, 100.0, 200.0])
def test_a_healthy_sensor_shows_its_temperature(true_c: float) -> None:
    """Within 0.25 K, which holds self-heating of 0.1 K and the size of a count."""
    assert mean_c(sensor(true_c)[0]) == pytest.approx(true_c, abs=0.25)


def test_a_sensor_of_another_beta_is_right_in_the_room_and_wrong_when_hot() -> None:
    """A part of B 3435 read with 3950 shows about 166 degC at 200 (worked out from the beta model)."""
    channel, part = sensor(25.0)
    part.curve = NtcBeta(100_000.0, 3435.0)
    assert mean_c(channel) == pytest.approx(25.0, abs=0.3)
    channel, part = sensor(200.0)
    part.curve = NtcBeta(100_000.0, 3435.0)
    assert mean_c(channel) == pytest.approx(166.0, abs=1.0)


def test_a_wrong_pull_up_reads_low() -> None:
    """2.2 kohm where 4.7 are assumed: the counts go up, so a thermistor seems colder."""
    channel, _ = sensor(200.0)
    channel.pull_up_ohm = 2_200.0
    assert mean_c(channel) == pytest.approx(161.0, abs=2.0)


@pytest.mark.parametrize(
    ("changes", "ratio"),
    [({"is_open": True}, 1.0), ({"shorted_ohm": 0.5}, 0.0)],
    ids=["open", "short"],
)
def test_open_and_short_read_at_the_ends_and_give_no_value(changes: dict[str, object], ratio: float) -> None:
    """A divider reads 1 or 0 then, and the firmware must not make a temperature of it."""
    channel, _ = sensor(25.0, **changes)
    assert channel.code() / channel.full_scale == pytest.approx(ratio, abs=2e-3)
    assert Conversion("ntc", 100_000.0, 3950.0, 4_700.0, 4095).celsius(channel.code()) is None


def test_noise_is_a_few_counts_and_grows_with_switching_current() -> None:
    """1.5 counts a sample at rest, averaged over four; more while a heater is switched."""

    def spread(channel: SensorInput) -> float:
        codes = [channel.code() for _ in range(2000)]
        mean = sum(codes) / len(codes)
        return math.sqrt(sum((code - mean) ** 2 for code in codes) / len(codes))

    quiet, _ = sensor(60.0)
    busy, _ = sensor(60.0)
    busy.disturbance = lambda: 1.0
    assert spread(quiet) == pytest.approx(0.76, rel=0.1)
    assert spread(busy) > 1.4 * spread(quiet)


def test_a_loose_contact_shows_as_jumps_to_cold() -> None:
    """Some readings lie at the open end, the others are right."""
    channel, part = sensor(60.0)
    part.loose_hz = 1.0
    codes = [channel.code() for _ in range(400)]
    lost = sum(code > 4090 for code in codes)
    assert 20 < lost < 80


def test_platinum_is_converted_with_the_standard_curve() -> None:
    """1194.0 ohm of a Pt1000 is 50.0 degC (IEC 60751: 119.40 ohm for a Pt100)."""
    conversion = Conversion("platinum", 1000.0, 0.0, 1000.0, 4095)
    assert conversion.celsius(4095 * 1194.0 / 2194.0) == pytest.approx(50.008, abs=0.001)


def test_the_board_is_a_little_warmer_than_the_room() -> None:
    """1.2 W of its own losses warm the board sensor by about 1 K, with a minute of lag."""
    clock = Clock()
    spot = BoardSpot(clock, nominal(), 23.0)
    spot.set_watts(1.2)
    clock.go(60.0)
    assert spot.now_c() - 23.0 == pytest.approx(1.2 * (1.0 - math.exp(-1.0)), rel=1e-6)


def test_a_lag_aims_anew_from_where_it_is() -> None:
    """Changing the target bends the curve and makes no jump."""
    clock = Clock()
    lag = Lag(clock, 2.0)
    lag.aim(10.0)
    clock.go(2.0)
    before = lag.value()
    lag.aim(0.0)
    assert lag.value() == before == pytest.approx(10.0 * (1.0 - math.exp(-1.0)))


# --- element, switch, control -------------------------------------------------------------------------


def test_an_element_takes_its_rated_power_at_its_rated_voltage() -> None:
    """40 W at 24 V is 14.4 ohm."""
    made = Element("h", nominal(), power_w=40.0, voltage_v=24.0, block=block(Clock()))
    assert made.ohm == pytest.approx(14.4)
    assert HeaterSwitch(made).siemens() == pytest.approx(1 / 14.4)


@pytest.mark.parametrize(
    ("changes", "powered", "share"),
    [
        ({"duty": 0.3}, True, 0.3),
        ({"duty": 0.3}, False, 0.0),
        ({"stuck_duty": 1.0}, False, 1.0),
        ({"inverted": True}, True, 1.0),
        ({"duty": 0.3, "scale": 10.0}, True, 1.0),
    ],
    ids=["healthy", "no logic", "shorted", "inverted", "scale"],
)
def test_what_a_transistor_lets_through(changes: dict[str, object], powered: bool, share: float) -> None:
    """A shorted transistor needs no logic to conduct; a healthy one does."""
    switch = HeaterSwitch(None)
    for name, value in changes.items():
        setattr(switch, name, value)
    assert switch.conducting(powered, booting=False) == share


@pytest.mark.parametrize("setpoint_c", [50.0, 120.0])
def test_the_loop_holds_on_healthy_blocks_of_any_seed(setpoint_c: float) -> None:
    """40 seeds: no overshoot above 2 K in the block, settled within 1.5 K after 100 s."""
    for seed in range(40):
        streams, clock = Streams(seed), Clock()
        made = Block(
            clock, Draws(streams.get("block")), heat_capacity_j_k=20.0, loss_w_k=0.12, ambient_c=23.0
        )
        bead = Bead(made, max(1.5, Draws(streams.get("bead")).normal(3.0, 0.5)))
        channel = SensorInput(
            SensorElement("s", NtcBeta(1e5, 3950.0), bead), streams.get("noise"), nominal(), 4_700.0, 12
        )
        reading = SensorReading(Conversion("ntc", 1e5, 3950.0, 4_700.0, 4095), channel.code)
        ohm = Element("h", Draws(streams.get("h")), power_w=40.0, voltage_v=24.0, block=made).ohm

        def apply(duty: float, made: Block = made, ohm: float = ohm) -> None:
            made.set_watts(23.8**2 / ohm * duty)

        heater = HeaterChannel(1, reading, Tuning.for_block(40.0, 20.0, 0.12), 210.0, apply)
        reading.sample()
        heater.set_setpoint(round(setpoint_c * 10))
        for _ in range(1300):
            clock.go(0.1)
            reading.sample()
            heater.watch()
            heater.control()
        assert made.highest_c < setpoint_c + 2.5, seed
        assert abs(bead.now_c() - setpoint_c) < 1.5, seed


def test_a_large_element_is_rather_too_weak_than_too_strong() -> None:
    """Above 100 W: +5 % and -10 % of the power; up to 100 W 10 % either way (common practice, no source)."""
    power_w: dict[float, list[float]] = {40.0: [], 160.0: []}
    for nominal_w, found in power_w.items():
        for seed in range(600):
            draws = Draws(random.Random(seed))
            made = Element("h", draws, power_w=nominal_w, voltage_v=24.0, block=block(Clock()))
            found.append(24.0**2 / made.ohm / nominal_w)
    assert 0.90 <= min(power_w[160.0]) < 0.92
    assert 1.03 < max(power_w[160.0]) <= 1.05
    assert (
        0.6 < sum(share < 1.0 for share in power_w[160.0]) / 600 < 0.73
    )  # two thirds of the width lie below
    assert 0.90 <= min(power_w[40.0]) < 0.94
    assert (
        1.06 < max(power_w[40.0]) <= 1.12
    )  # a tenth more resistance is 9 % less power, a tenth less is 11 % more
    assert Element("h", nominal(), power_w=160.0, voltage_v=24.0, block=block(Clock())).ohm == pytest.approx(
        3.6
    )
