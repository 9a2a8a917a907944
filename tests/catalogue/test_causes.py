"""Where to look first: in the order that the measurement gives, on the fault that belongs to each distinction."""

from __future__ import annotations

import math
from itertools import combinations

import pytest

from hiltest.catalogue import _causes
from hiltest.catalogue._cold import WIRES
from hiltest.evidence.model import CheckResult

from . import variants
from .boards import ALONE, FIXTURES, accept
from .files import edited

HERE = variants.HERE


def check_of(name: str, *faults: str, operator: bool = True, **more: object) -> CheckResult:
    record = accept(*faults, operator=operator, only=(name,), **more)  # type: ignore[arg-type]
    return next(check for check in record.checks if check.name == name)


COLD = (
    ("cold.pair[can]", "one_terminator", _causes.PAIR_ONE),
    ("cold.pair[can]", "extra_terminators", _causes.PAIR_MORE),
    ("cold.pair[can]", "no_terminator", _causes.PAIR_NONE),
    ("cold.pair[can]", "can_h_l_short", _causes.PAIR_SHORT),
    ("cold.heater[reservoir]", "heater_open", _causes.HEATER_OPEN),
    ("cold.heater[reservoir]", "heater_shorted", _causes.HEATER_SHORT),
    ("cold.heater[reservoir]", "heater_weak", _causes.HEATER_DOUBLE),
    ("cold.heater[reservoir]", "heater_wrong_voltage", _causes.HEATER_QUARTER),
    ("cold.sensor[board]", "sensor_open[board]", _causes.SENSOR_OPEN),
    ("cold.sensor[board]", "sensor_shorted[board]", _causes.SENSOR_SHORT),
    ("cold.coils[pump]", "coil_open", _causes.COILS_OPEN),
    ("cold.coils[pump]", "coil_open[pump]=1", _causes.COILS_OPEN),
    ("cold.coils[pump]", "coil_shorted", _causes.COILS_SHORTED),
    ("cold.coils[pump]", "coils_crossed", _causes.COILS_CROSSED),
    ("cold.supply[head]", "supply_shorted", _causes.SUPPLY_SHORT),
    ("cold.supply[head]", "heater_stuck_on", _causes.SUPPLY_HEATER),
)


@pytest.mark.parametrize(("name", "fault", "first"), COLD, ids=lambda value: str(value)[:28])
def test_a_resistance_tells_where_to_look(name: str, fault: str, first: str) -> None:
    """The likeliest cause of a reading is the fault that was put in."""
    check = check_of(name, fault)
    assert check.outcome == "failed"
    assert check.look_first[0] == first


def test_what_the_ohmmeter_read_is_known_when_the_power_is_on() -> None:
    """A plug with another sensor's value is exchanged: its reading, far below the room, is no open wire."""
    names = ("cold.sensor[board]", "sense.ambient[board]")
    record = accept("sensors_swapped", only=names)
    first = {each.name: each.look_first[0] for each in record.checks if each.name in names}
    assert first == {names[0]: _causes.SENSOR_EXCHANGED, names[1]: _causes.AMBIENT_EXCHANGED}


@pytest.mark.parametrize(
    ("fault", "operator", "first"),
    [
        ("heater_inverted", True, _causes.AMBIENT_INVERTED),
        ("heater_stuck_on", False, _causes.AMBIENT_STUCK),
    ],
)
def test_a_block_that_rises_by_itself_has_current_and_no_loose_wire(
    fault: str, operator: bool, first: str
) -> None:
    """A switch that read open with the power off comes last; nothing of the sensor's wires is among the causes."""
    name = "sense.ambient[reservoir]"
    record = accept(fault, operator=operator, only=(name,))
    check = next(check for check in record.checks if check.name == name)
    assert check.look_first[0] == first
    assert set(check.look_first[:3]) == set(_causes.rises_by_itself(open_when_cold=operator))
    assert not set(check.look_first) & set(_causes.AMBIENT[3:])


POWERED = (
    ("heat.pulse[reservoir]", "heater_open", _causes.PULSE_OPEN),
    ("heat.pulse[reservoir]", "heater_weak", _causes.PULSE_WEAK),
    ("heat.pulse[reservoir]", "heater_out_of_block", _causes.PULSE_OUT),
    ("heat.pulse[reservoir]", "sensor_half_detached[reservoir]", _causes.PULSE_SEAT),
    ("heat.pulse[reservoir]", "heater_wrong_voltage", _causes.PULSE_STRONG),
    ("fan.tach[nozzle]", "fans_swapped", _causes.FAN_EXCHANGED),
    ("fan.tach[nozzle]", "fan_inverted[nozzle]", _causes.FAN_STUCK),
    ("fan.tach[electronics]", "tach_wrong_pulses[electronics]", _causes.FAN_PULSES),
    ("fan.tach[electronics]", "fan_slow[electronics]", _causes.FAN_SLOW),
    ("motion.direction[pump]", "coil_open", _causes.MOVE_COIL),
    ("motion.direction[pump]", "stepper_reversed", _causes.MOVE_REVERSED),
    ("safe.host_silence[head]", "host_watch_missing", _causes.SILENCE_UNSEEN),
    ("safe.host_silence[head]", "all_off_ignored", _causes.SILENCE_TOLD),
)


@pytest.mark.parametrize(("name", "fault", "first"), POWERED, ids=lambda value: str(value)[:28])
def test_a_powered_check_tells_where_to_look(name: str, fault: str, first: str) -> None:
    """Where nobody measured before: by rise, dip and lag, by speeds, by what the driver and the switch say."""
    check = check_of(name, fault, operator=False)
    assert check.outcome == "failed"
    assert check.look_first[0] == first


def test_heat_that_comes_out_elsewhere_points_at_the_plugs() -> None:
    """With two heaters exchanged the other sensor rises."""
    file = edited(HERE / "two_heaters.toml")
    check = next(
        each
        for each in accept("heaters_swapped", file=file, only=("heat.pulse[left]",)).checks
        if each.name == "heat.pulse[left]"
    )
    assert (check.outcome, check.look_first[0]) == ("failed", _causes.PULSE_EXCHANGED)


SUPPLY = '\n[bench_supply]\nport = "/dev/ttyUSB9"\n'


@pytest.mark.parametrize(
    ("fault", "first"),
    [
        ("fan_open[nozzle]", _causes.FAN_OPEN),
        ("tach_open[nozzle]", _causes.FAN_TACH),
        ("fan_stalled[nozzle]", _causes.FAN_BLOCKED),
    ],
)
def test_a_bench_supply_tells_why_a_fan_shows_no_speed(fault: str, first: str) -> None:
    """By its current: none, the fan's own, or bursts of several times that."""
    file = edited(variants.GLUE_HEAD, ALONE, more=SUPPLY)
    check = check_of("fan.tach[nozzle]", fault, file=file)
    assert check.look_first == [first]


def test_without_a_bench_supply_the_three_causes_stay_and_looking_tells() -> None:
    """Nothing that is measured tells them apart, so none is left out."""
    check = check_of("fan.tach[nozzle]", "fan_stalled[nozzle]", operator=False)
    assert set(check.look_first) == {_causes.FAN_TACH, _causes.FAN_BLOCKED, _causes.FAN_OPEN}


def test_a_weak_pulse_of_an_element_that_measured_right_is_the_sensors_seat() -> None:
    """Ohm's law has cleared the element with the power off; without that, the element comes first."""
    limits = (0.72, 1.35)
    weak = {"share": 0.5, "limits": limits, "is_late": False, "dip_v": 0.2, "another_rose": False}
    assert _causes.pulse(**weak, element_measured=True)[0] == _causes.PULSE_SEAT  # type: ignore[arg-type]
    assert _causes.pulse(**weak, element_measured=False)[0] == _causes.PULSE_WEAK  # type: ignore[arg-type]


def test_a_hot_block_that_nobody_sees_ends_the_run() -> None:
    """The heater drew current and no sensor rose: after "stop, let it cool" nothing more is done with the unit."""
    record = accept("heater_out_of_block", operator=False)
    names = [check.name for check in record.checks]
    later = record.checks[names.index("heat.pulse[reservoir]") + 1 :]
    assert later
    assert {check.outcome for check in later} == {"not run"}
    assert {tuple(check.stopped_by) for check in later} == {("heat.pulse[reservoir]",)}


@pytest.mark.parametrize(
    ("fault", "first"),
    [
        ("duplicate_node_id", _causes.BOARD_TWINS),
        ("wrong_product", _causes.BOARD_WRONG),
        ("wrong_firmware", _causes.BOARD_FIRMWARE),
        ("slow_boot", _causes.BOARD_RESTARTS),
        ("heartbeat_slow", _causes.BOARD_BEAT),
    ],
)
def test_a_board_that_answers_wrongly_tells_what_it_is(fault: str, first: str) -> None:
    """By what of its identity, boot and heartbeat is not as described."""
    check = check_of("bus.enumerate[head]", fault, operator=False)
    assert check.outcome == "failed"
    assert check.look_first[0] == first


def test_silence_on_the_bus_is_not_green_and_enumerate_asks_why() -> None:
    """A heartbeat is described and none comes: no error was seen because nothing was heard."""
    record = accept("no_node", operator=False, only=("bus.enumerate[head]",))
    found = {check.name: check for check in record.checks}
    assert found["bus.quiet[can]"].outcome == "not observable"
    assert found["bus.enumerate[head]"].outcome == "failed"
    assert "no power" in found["bus.enumerate[head]"].look_first[0]
    assert record.verdict == "rejected"


def readings(**joined: float) -> dict[tuple[str, str], float]:
    return {(a, b): joined.get(f"{a}{b}", math.inf) for a, b in combinations(WIRES, 2)}


@pytest.mark.parametrize(
    ("read", "causes"),
    [
        (readings(a1a2=3.3), (_causes.COILS_OPEN,)),
        (readings(a1b1=3.3, a2b2=3.3), (_causes.COILS_CROSSED,)),
        (readings(a1a2=1.5, b1b2=3.3), (_causes.COILS_SHORTED, _causes.COILS_OTHER)),
        (readings(a1a2=6.0, b1b2=3.3), (_causes.COILS_JOINT, _causes.COILS_OTHER)),
        (readings(a1a2=9.0, b1b2=9.1), (_causes.COILS_OTHER, _causes.COILS_JOINT)),
    ],
)
def test_coils(read: dict[tuple[str, str], float], causes: tuple[str, ...]) -> None:
    """Six readings of four wires, each pattern with its cause."""
    assert _causes.coils(read, 2.8, 3.9, 1000.0) == causes


@pytest.mark.parametrize(
    ("ohm", "first"),
    [
        (3.6, _causes.HEATER_QUARTER),
        (7.2, _causes.HEATER_HALF),
        (28.8, _causes.HEATER_DOUBLE),
        (57.6, _causes.HEATER_FOUR),
        (17.5, _causes.HEATER_JOINT),
        (20.0, _causes.HEATER_EXCHANGED),
        (0.3, _causes.HEATER_SHORT),
        (math.inf, _causes.HEATER_OPEN),
    ],
)
def test_an_element_by_the_square_of_its_voltage(ohm: float, first: str) -> None:
    """V²/P: 24 V and 40 W make 14.4 ohm; a quarter is the same power at 12 V, half is 80 W."""
    assert _causes.heater(ohm, 14.4, (20.6,) if ohm == 20.0 else ())[0] == first


def test_a_sensor_that_is_only_warm_is_told_to_rest() -> None:
    """What its own curve calls 50 degC is a machine that was in use; what it calls 86 degC is not."""
    assert _causes.sensor(0.36, False, 50.0)[0] == _causes.SENSOR_WARM
    assert _causes.sensor(0.09, False, 86.0) == (_causes.SENSOR_DECADE, _causes.SENSOR_LEAK)


@pytest.mark.parametrize(
    ("mean_c", "noisy", "missing", "first"),
    [
        (math.nan, False, 1.0, _causes.AMBIENT_OPEN),
        (23.0, False, 0.1, _causes.AMBIENT_LOOSE),
        (23.0, True, 0.0, _causes.AMBIENT_LOOSE),
        (-40.0, False, 0.0, _causes.AMBIENT_OPEN),
        (300.0, False, 0.0, _causes.AMBIENT_SHORT),
        (86.0, False, 0.0, _causes.AMBIENT_TYPE),
        (45.0, False, 0.0, _causes.AMBIENT_WARM),
    ],
)
def test_a_reading_at_rest(mean_c: float, noisy: bool, missing: float, first: str) -> None:
    """Ends of the scale are wires, tens of degrees are parts, and a machine that was in use is warm."""
    assert _causes.ambient(mean_c, (10.0, 35.0), noisy, missing)[0] == first


@pytest.mark.parametrize(
    ("fault", "causes"),
    [
        ("switches_swapped", (_causes.SWITCH_EXCHANGED, _causes.SWITCH_DEAD)),
        ("switch_stuck[level]", (_causes.SWITCH_DEAD,)),
        ("switch_inverted[level]", (_causes.SWITCH_INVERTED,)),
        ("switch_floating[level]", (_causes.SWITCH_FLOATS,)),
        ("switch_bounces[level]", (_causes.SWITCH_RESTLESS,)),
    ],
)
def test_a_switch_tells_where_to_look_by_what_the_hand_changed(fault: str, causes: tuple[str, ...]) -> None:
    """Its own input, another's, or one that nobody touched."""
    assert tuple(check_of("switch.by_hand[level]", fault).look_first) == causes


def test_an_axis_with_an_encoder_tells_a_wrong_way_from_standing_still() -> None:
    """The sign of the encoder is the way it went; a switch that was pressed by hand works."""

    def causes(share: float, **known: bool) -> tuple[str, ...]:
        facts = {
            "let_go_on_return": False,
            "open_load": False,
            "coils_measured": True,
            "switch_pressed": True,
        }
        return _causes.moved_wrong(**(facts | known), encoded_share=share)

    assert causes(-1.0) == (_causes.MOVE_REVERSED,)
    assert causes(1.0) == (_causes.MOVE_SWITCH,)
    assert causes(math.nan) == (_causes.MOVE_REVERSED, _causes.MOVE_NOT)
    assert causes(math.nan, open_load=True)[0] == _causes.MOVE_COIL
    assert _causes.MOVE_SWITCH in causes(math.nan, switch_pressed=False)


def test_every_cause_of_a_page_is_in_some_order() -> None:
    """The page holds the whole list, and no order names a cause that its page lacks."""
    from hiltest.catalogue.registry import find

    assert FIXTURES.is_dir()
    for name, causes in (
        ("cold.pair", _causes.PAIR),
        ("cold.heater", _causes.HEATER),
        ("cold.sensor", _causes.SENSOR),
        ("cold.coils", _causes.COILS),
        ("sense.ambient", _causes.AMBIENT),
        ("heat.pulse", _causes.PULSE),
        ("fan.tach", _causes.FAN),
        ("fan.by_eye", _causes.BY_EYE),
        ("motion.direction", _causes.MOVE),
        ("bus.enumerate", _causes.BOARD),
        ("switch.by_hand", _causes.SWITCH),
        ("safe.emergency_stop", _causes.ESTOP),
        ("cold.supply", _causes.SUPPLY),
        ("sense.supply", _causes.RAIL),
        ("heat.low_setpoint", _causes.LOOP),
        ("lamp.colours", _causes.LAMP),
    ):
        assert find(name).page.causes == causes
        assert len(set(causes)) == len(causes)


def test_an_emergency_stop_that_took_the_power_is_wired_right() -> None:
    """What comes on when it is let go is the firmware's setpoints; a stop that takes nothing is a wire or a contact."""
    assert _causes.emergency_stop(True)[0] == _causes.ESTOP_SETPOINTS
    assert _causes.emergency_stop(False) == (_causes.ESTOP_INPUT, _causes.ESTOP_BRIDGED)


def test_a_host_that_hears_itself_is_told_no_stranger() -> None:
    """Nobody unplugs a board that is not there: the one id too many is the host's own."""
    names = ("nodes not in the description",)
    assert _causes.board(names, hears_itself=True) == (_causes.BOARD_ECHO,)
    assert _causes.board(names) == (_causes.BOARD_STRANGER,)
