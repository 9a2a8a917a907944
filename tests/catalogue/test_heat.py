"""Heat: what a pulse tells apart, the matrix of two heaters, and what is estimated from the curves."""

from __future__ import annotations

from typing import Any

import pytest

from hiltest.campaign.boards import BoardOrder, run_board
from hiltest.catalogue import _causes, _heat, _heatloop
from hiltest.description.loading import load_description
from hiltest.physics.thermal import peak_rise_k

from . import variants
from .boards import accept
from .files import FIXTURES, edited

RESERVOIR = load_description(FIXTURES / "glue_head.toml").description.heater[0]
PULSE, LOOP = ("heat.pulse[reservoir]",), ("heat.low_setpoint[reservoir]",)


def check(name: str, *faults: str, only: tuple[str, ...], seed: int = 4) -> Any:
    record = accept(*faults, seed=seed, operator=False, only=only)
    return next(each for each in record.checks if each.name == name)


def measured(found: Any) -> dict[str, Any]:
    return {m.name: m for m in found.measurements}


# --- the pulse ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("heater_weak[reservoir]=2", "weak and in time"),
        ("sensor_half_detached[reservoir]=0.3", "weak and late"),
        ("heater_open[reservoir]", "does not dip: heater open"),
        ("sensor_detached[reservoir]", "OUT OF THE BLOCK"),
        ("heater_slow[reservoir]", "lag of the sensor"),
        ("heater_wrong_voltage[reservoir]=2", "another voltage or power"),
    ],
)
def test_a_pulse_tells_causes_apart(fault: str, says: str) -> None:
    """Size, lag and supply dip of one pulse name what to look at first."""
    found = check("heat.pulse[reservoir]", fault, only=PULSE)
    assert found.outcome == "failed"
    assert says in found.reason


def test_a_pulse_that_the_node_took_for_a_shorter_one_is_no_open_element() -> None:
    """The element measured right with the power off: the scale of the pulse's roles comes before it, and no time is claimed.

    The drill that then runs without the heater says so on its own line.
    """
    wrong = ('"0x2102:1", scale = 0.001', '"0x2102:1", scale = 0.1')
    only = ("heat.pulse[reservoir]", "safe.host_silence[head]")
    record = accept(file=edited(FIXTURES / "glue_head.toml", wrong), only=only)
    found = {each.name: each for each in record.checks}
    pulse = found[only[0]]
    assert pulse.outcome == "failed"
    assert "was asked for" in pulse.reason
    assert "was on for" not in pulse.reason
    assert "the roles duty and pulse_s" in pulse.reason
    assert pulse.look_first[:2] == [_causes.PULSE_ASKED, _causes.PULSE_OPEN]
    drill = found[only[1]]
    assert drill.outcome == "passed"
    assert drill.reason.startswith("without heater reservoir: heat.pulse")


@pytest.mark.parametrize("seed", [1, 4, 9])
def test_the_lag_of_a_healthy_sensor_is_about_its_own(seed: int) -> None:
    """The simulated bead has a lag of 3 s +- 0.5 s; half a peak's time gives it back within 1.5 s."""
    found = measured(check("heat.pulse[reservoir]", only=PULSE, seed=seed))
    assert found["lag of the sensor"].value == pytest.approx(3.0, abs=2.0)
    assert found["rise over expected"].value == pytest.approx(1.0, abs=0.15)


def test_half_of_the_peak_is_where_the_model_says() -> None:
    """The closed form on the way up agrees with the two lags of physics.thermal, whose loss hardly counts there."""
    at_s = _heat._half_time_s(RESERVOIR, 3.0)
    steps, dt = 40_000, 0.001
    block = bead = 0.0
    rises = []
    for step in range(steps):
        power = RESERVOIR.power_w if step * dt < RESERVOIR.pulse_s else 0.0
        block += dt * (power - RESERVOIR.loss_w_k * block) / RESERVOIR.heat_capacity_j_k
        bead += dt * (block - bead) / 3.0
        rises.append(bead)
    peak = max(rises)
    assert peak == pytest.approx(
        peak_rise_k(40.0, RESERVOIR.pulse_s, RESERVOIR.heat_capacity_j_k, RESERVOIR.loss_w_k, 3.0), rel=1e-3
    )
    half_s = next(index * dt for index, value in enumerate(rises) if value >= 0.5 * peak)
    assert at_s == pytest.approx(half_s, abs=0.35)


@pytest.mark.parametrize("fault", ["heaters_swapped[left+right]", "sensors_swapped[left+right]"])
def test_exchanged_plugs_of_two_zones_are_named(fault: str) -> None:
    """Each heater's pulse moves the other's sensor: the reason names it, and no loop is closed."""
    found = run_board(BoardOrder(variants.description("two heaters", True), 4, (fault,)))
    assert {"heat.pulse[left]", "heat.pulse[right]"} <= set(found.failed)
    assert (
        found.outcomes["heat.low_setpoint[left]"] == found.outcomes["heat.low_setpoint[right]"] == "not run"
    )


def test_two_healthy_zones_give_a_matrix_and_are_accepted() -> None:
    """The last pulse notes what each heater did to each sensor, and a fan that cools a block is not taken for another."""
    from hiltest.campaign.runner import run_catalogue
    from hiltest.settings import Settings

    file = variants.description("two heaters", True)
    record = run_catalogue(Settings(file=file, simulate=True, seed=4))
    assert record.verdict == "accepted", record.verdict_reason
    found = {each.name: each for each in record.checks}
    assert any("left: left +" in note and "right: left" in note for note in found["heat.pulse[right]"].notes)
    gain = measured(found["heat.cooling_fan[blower]"])["the block cools faster with the fan by"]
    assert 15.0 <= gain.value <= 90.0  # the simulated fan adds half of the loss


@pytest.mark.parametrize(("faults", "outcome"), [((), "passed"), (("fan_ignores_heater",), "failed")])
def test_a_fan_that_must_follow_its_heater_does_so(faults: tuple[str, ...], outcome: str) -> None:
    """With follows_above_c nothing is commanded while the block gets hot, and the fan must turn all the same."""
    follows = ('cools = "left"', 'cools = "left"\nfollows_above_c = 45.0')
    file = edited(variants.HERE / "two_heaters.toml", follows)
    found = run_board(BoardOrder(file, 4, faults))
    assert found.outcomes["heat.cooling_fan[blower]"] == outcome, found.reason
    assert (found.verdict == "accepted") == (outcome == "passed"), found.reason


# --- the loop -------------------------------------------------------------------------------------------------


def test_power_and_time_constant_are_estimated_with_their_uncertainty() -> None:
    """Both lie within what the simulated board can have: 40 W +- 10 % and 20 J/K over 0.12 W/K +- 25 %."""
    found = measured(check("heat.low_setpoint[reservoir]", only=LOOP))
    assert found["heating power, estimated"].value == pytest.approx(40.0, rel=0.15)
    assert 0.5 < found["heating power, estimated"].uncertainty < 4.0
    assert found["time constant of the block, estimated"].value == pytest.approx(167.0, rel=0.35)
    assert found["time constant of the block, estimated"].uncertainty > 0.0


def test_the_fall_of_an_unheated_block_is_newtons() -> None:
    """27 K above the room, tau 166.7 s: 14 s take 2.18 K. Worked by hand."""
    assert _heatloop.expected_fall_k(RESERVOIR, 50.0, 23.0, 14.0) == pytest.approx(2.176, abs=0.01)
    assert _heatloop.expected_fall_k(RESERVOIR, 22.0, 23.0, 14.0) == 0.0


def test_the_loop_waits_for_the_drills() -> None:
    """No setpoint is given to a node that has not shown that it drops its outputs."""
    record = accept("host_watch_missing", operator=False, seed=4)
    loop = next(each for each in record.checks if each.name == "heat.low_setpoint[reservoir]")
    assert loop.outcome == "not run"
    assert "safe.host_silence[head]" in loop.reason


# --- the second point -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("fault", ["sensor_reads_low[reservoir]", "sensor_wrong_beta[reservoir]"])
def test_a_wrong_curve_shows_at_the_second_point(fault: str) -> None:
    """Right in the cold room, right at the pulse; the thermometer on the warm block tells."""
    record = accept(fault, seed=4, only=("heat.second_point[reservoir]",))
    failed = [each.name for each in record.checks if each.outcome == "failed"]
    assert failed == ["heat.second_point[reservoir]"]


def test_a_distance_at_the_second_point_is_carried_to_the_ceiling() -> None:
    """B 3435 fitted where 3950 is believed: 50 degC shown are 54.3 degC, 210 degC shown are about 259 degC (beta formula)."""
    notes: dict[str, float] = {}

    class Kept:
        description = load_description(FIXTURES / "glue_head.toml").description

        def __call__(self, name: str, value: float, unit: str, note: str = "") -> None:
            notes[name] = value

    told_c = 1.0 / (1.0 / 298.15 + 3950.0 / 3435.0 * _heatloop._inverse(50.0)) - 273.15
    _heatloop._extrapolate(RESERVOIR, Kept(), 50.0, told_c)  # type: ignore[arg-type]
    assert told_c == pytest.approx(54.1, abs=0.2)
    assert notes["true temperature when 210 degC are shown"] == pytest.approx(259.6, abs=1.0)
