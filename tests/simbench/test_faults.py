"""The faults of the simulated bench: written down, found, and each visible in what it changes physically."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hiltest.canbus.frame import Frame
from hiltest.description.models import Description
from hiltest.errors import BenchLost, UsageError
from hiltest.simbench import faults as listed
from hiltest.simbench.adapter import Adapter
from hiltest.simbench.bench import Bench
from hiltest.simbench.faults import FAULTS, FaultOrder, parse_fault, targets

from .world import Host, bench, configure_axis, glue_head, move, running, two_heaters, with_encoder

SIMBENCH = Path(listed.__file__).parent


# --- how a fault is written ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "order"),
    [
        ("heater_open", FaultOrder("heater_open")),
        ("heater_weak[reservoir]=3@2.5", FaultOrder("heater_weak", "reservoir", 3.0, 2.5)),
        ("noise_bursts=50", FaultOrder("noise_bursts", None, 50.0)),
        ("sensor_open@7", FaultOrder("sensor_open", None, None, 7.0)),
        ("sensors_swapped[board+reservoir]", FaultOrder("sensors_swapped", "board+reservoir")),
    ],
)
def test_a_fault_is_written_in_one_way_and_printed_back(text: str, order: FaultOrder) -> None:
    """name[target]=value@start_s, all but the name may be left out."""
    assert parse_fault(text) == order
    assert str(order) == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("heater_opne", "did you mean 'heater_open'"),
        ("heater_open=3", "takes no value"),
        ("heater_weak=0.2", "must be 1 to 100"),
        ("heater_weak=lots", "not a finite number"),
        ("heater_weak@-1", "0 or more"),
        ("heater weak", "write it as"),
    ],
)
def test_what_is_written_wrongly_is_refused_with_the_way_out(text: str, says: str) -> None:
    """Unknown names get the nearest known one."""
    with pytest.raises(UsageError, match=re.escape(says)):
        parse_fault(text)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("heater_open[reservoar]", "did you mean 'reservoir'"),
        ("heaters_swapped", "needs two"),
        ("sensors_swapped[board+board]", "two different"),
        ("sensors_swapped[board+bord]", "did you mean 'board'"),
    ],
)
def test_a_target_that_is_not_there_is_refused(text: str, says: str) -> None:
    """The error names the nearest load of that kind."""
    with pytest.raises(UsageError, match=re.escape(says)):
        bench(text)


def test_the_list_is_complete_and_says_what_each_fault_is() -> None:
    """At least 90 faults; each has a text, a group and a unit if it takes a value."""
    assert len(FAULTS) >= 90
    for kind in FAULTS.values():
        assert kind.about[0].islower() or kind.about.startswith("CAN"), kind.name
        assert len(kind.about) > 15, kind.name
        assert bool(kind.unit) == kind.takes_value, kind.name
    assert len({kind.about for kind in FAULTS.values()}) == len(FAULTS)


LOADS = ("supply", "heater", "sensor", "fan", "motion", "switch", "lamp", "safety")


def test_loads_and_safety_can_break_in_many_ways() -> None:
    """At least 70 faults of supply, heater, sensor, fan, stepper, switch, lamp and safety behaviour, in each some."""
    counted = {group: [name for name, each in FAULTS.items() if each.group == group] for group in LOADS}
    assert sum(map(len, counted.values())) >= 70
    assert all(len(names) >= 3 for names in counted.values())


def test_no_fault_knows_a_check() -> None:
    """A fault acts on the world: its modules import nothing of the tests they must not talk to."""
    for path in SIMBENCH.rglob("*.py"):
        for forbidden in ("hiltest.catalogue", "hiltest.guard", "hiltest.node", "hiltest.measure"):
            assert f"import {forbidden}" not in path.read_text()
            assert f"from {forbidden}" not in path.read_text()


def _description(name: str) -> Description | None:
    if name.startswith("encoder_"):
        return with_encoder()
    return two_heaters() if FAULTS[name].pairs else None


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_every_fault_can_happen_at_the_start_and_later(name: str) -> None:
    """Injected before power and at 1.5 s, with a host that works: the bench goes on, no exception."""
    description = _description(name)
    if FAULTS[name].pairs and description is not None and not _has_pair(name, description):
        description = None
    # A bus in trouble is worked out bit by bit, which takes its time.
    seconds = 0.1 if FAULTS[name].group.startswith("bus") else 1.5
    if FAULTS[name].group == "adapter":
        _works_with_its_adapter(name)
        return
    made = bench(name, description=description)
    host = Host(made)
    made.run_for(0.6 + seconds)
    host.write(0x2100, 1, 500, 2)
    later, host = running(f"{name}@1.5", description=description)
    host.write(0x2100, 1, 500, 2)
    configure_axis(host)
    move(host, 800, max(0.0, 1.45 - later.now_s) + seconds)
    assert [str(order) for order in later.faults] == [f"{name}@1.5"]


def _works_with_its_adapter(name: str) -> None:
    """These need the real adapter: before it is there, and while it is."""
    made = bench(name)
    made.adapter()
    made.run_for(0.7)
    later = bench(f"{name}@0.8")
    later.adapter()
    later.run_for(1.0)


def _has_pair(name: str, description: Description) -> bool:
    return len(getattr(description, FAULTS[name].target)) >= 2


def test_a_fault_waits_for_its_time() -> None:
    """heater_open@3: power before, none after."""
    made, host = running("heater_open@3")
    host.write(0x2100, 1, 1000, 2)
    made.run_for(1.0)
    assert made.truth.heater_w("reservoir") > 30.0
    made.run_for(1.5)
    assert made.truth.heater_w("reservoir") == 0.0


def test_targets_are_the_names_of_the_description() -> None:
    """What `hiltest faults` may show for a bench."""
    made = bench()
    assert targets(made, "sensor") == ["reservoir", "board"]
    assert targets(made, "node") == ["head"]


# --- bus and node -------------------------------------------------------------------------------------


def heartbeats(made: Bench, host: Host, seconds: float = 1.0, can_id: int = 0x705) -> int:
    before = len(host.of(can_id))
    made.run_for(seconds)
    return len(host.of(can_id)) - before


@pytest.mark.parametrize(
    "name", ["no_node", "can_unplugged", "can_swapped", "can_h_l_short", "stays_in_loader", "power_reversed"]
)
def test_the_node_is_not_heard(name: str) -> None:
    """No heartbeat comes, from the start on and when it happens later."""
    made, host = running(name)
    assert heartbeats(made, host) == 0
    made, host = running(f"{name}@3")
    made.run_for(3.0)
    if name != "stays_in_loader":
        assert heartbeats(made, host) == 0


@pytest.mark.parametrize("name", ["wrong_bit_rate", "can_h_open", "can_l_open", "stuck_dominant"])
def test_the_bus_is_full_of_errors(name: str) -> None:
    """The host's controller sees errors that a healthy bus never shows."""
    made, host = running(name)
    made.run_for(1.0)
    assert len(host.errors) > 10


def test_a_healthy_bus_shows_no_error() -> None:
    """The reference for the tests above: 20 heartbeats, not one error."""
    made, host = running()
    host.errors.clear()
    assert heartbeats(made, host, 2.0) == 20
    assert host.errors == []


def test_a_second_board_answers_under_the_same_id() -> None:
    """Twice the heartbeats, two serial numbers, and a command that moves both."""
    made, host = running("duplicate_node_id")
    assert heartbeats(made, host, 2.0) >= 38
    serials = {board.serial_number for board in made.boards.values()}
    assert len(serials) == 2
    host.send(0x605, bytes.fromhex("2311640100000000"))
    host.write(0x2100, 1, 500, 2)
    made.run_for(1.0)
    assert {"head/heater:reservoir", "head_2/heater:reservoir"} <= {
        name if "/" in name else f"head/{name}" for name in made.truth.outputs_on()
    }


def test_noise_makes_errors_at_about_its_rate() -> None:
    """20 bursts a second hit some of the frames; the bus goes on."""
    made, host = running("noise_bursts=200")
    host.errors.clear()
    assert heartbeats(made, host, 5.0) > 40
    assert len(host.errors) > 3


def test_the_identity_faults_show_where_they_should() -> None:
    """Node id, firmware version, boot time."""
    made, host = running("wrong_node_id=9")
    assert heartbeats(made, host) == 0
    assert heartbeats(made, host, can_id=0x709) == 10
    _, host = running("wrong_firmware")
    assert host.sdo("40 0A 10 00")[:1] == b"\x41"
    made = bench("slow_boot=3")
    host = Host(made)
    made.run_for(4.0)
    assert host.of(0x705)[0].t_ns > 3.0e9


def test_a_crashing_node_boots_again_and_again() -> None:
    """Reset cause 3 (watchdog), uptime never long."""
    made, host = running("crashes=2")
    made.run_for(9.5)
    assert [frame.data for frame in host.of(0x705)].count(b"\x00") >= 4
    assert host.read(0x2000, 2) == 3


def test_a_hung_program_keeps_its_heartbeat_and_answers_nothing() -> None:
    """The heartbeat comes from a timer; SDO is dead."""
    made, host = running("hangs_behind_heartbeat@2")
    made.run_for(2.0)
    assert heartbeats(made, host) == 10
    assert host.sdo("4000100000000000") == b""


# --- adapter ------------------------------------------------------------------------------------------


def adapter_of(*faults: str) -> tuple[Bench, Adapter]:
    """The real adapter of a bench, with the node running and some heartbeats received."""
    made = bench(*faults)
    adapter = made.adapter()
    made.run_for(1.0)
    return made, adapter


def received(made: Bench, adapter: Adapter, seconds: float = 1.0) -> list[Frame]:
    adapter.discard_received()
    made.run_for(seconds)
    return adapter.take_many()


def test_an_adapter_that_hides_errors_shows_none_though_there_are_some() -> None:
    """The node is cut off in the middle of its life: an honest adapter reports that nobody acknowledges."""
    for fault, told in ((), True), (("adapter_hides_errors",), False):
        made, adapter = adapter_of(*fault)
        made.hands.unplug_can()
        adapter.send(Frame(0x123, b"1"))
        seen = received(made, adapter, 0.2)
        assert any(frame.error for frame in seen) == told
        assert adapter.controller.counters.tx >= 128


def test_a_listening_adapter_acknowledges_nothing() -> None:
    """The node's controller is alone, becomes passive and repeats its frame."""
    made, _ = adapter_of("adapter_listens_only")
    assert made.boards["head"].controller.state == "passive"


def test_an_adapter_in_self_test_needs_nobody() -> None:
    """With the node absent every frame is sent all the same, and comes back as received."""
    made, adapter = adapter_of("adapter_in_self_test", "no_node")
    adapter.send(Frame(0x123, b"1"))
    assert [frame.can_id for frame in received(made, adapter, 0.1)] == [0x123]
    assert adapter.controller.counters.tx == 0


def test_a_one_shot_adapter_gives_up_what_nobody_acknowledged() -> None:
    """With the node absent one try is made and no second."""
    for fault, waiting in ((), 1), (("adapter_one_shot",), 0):
        made, adapter = adapter_of("no_node", *fault)
        adapter.send(Frame(0x123, b"1"))
        made.run_for(0.1)
        assert adapter.controller.waiting == waiting


def test_the_small_faults_of_an_adapter_are_in_its_policy() -> None:
    """Queue, receive queue, latency, stamps, clock."""
    made, adapter = adapter_of(
        "adapter_small_queue",
        "adapter_loses_frames",
        "adapter_slow",
        "adapter_stamps_wrong",
        "adapter_clock_off",
    )
    policy = adapter.policy
    assert (policy.queue_frames, policy.receive_frames, policy.stamp_offset_s) == (2, 2, 3600.0)
    assert policy.latency_s == 0.016
    assert adapter.controller.timing.drift_ppm == 24_000.0
    assert made.now_s == 1.0


def test_an_adapter_that_vanishes_is_lost_to_the_host() -> None:
    """Every call says so."""
    made, adapter = adapter_of("adapter_vanishes@1.5")
    adapter.send(Frame(0x123, b"1"))
    made.run_for(1.0)
    with pytest.raises(BenchLost, match="gone"):
        adapter.send(Frame(0x123, b"1"))


# --- supply -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "low", "high"),
    [
        ("", 23.0, 24.4),
        ("wire_thin", 18.0, 22.9),
        ("power_contact_bad", 20.0, 22.9),
        ("supply_low", 18.0, 20.6),
        ("supply_high", 26.5, 28.0),
    ],
)
def test_the_rail_under_the_heater(fault: str, low: float, high: float) -> None:
    """Voltage at the board while the heater takes its full current."""
    made, host = running(*([fault] if fault else []))
    host.write(0x2100, 1, 500, 2)
    made.run_for(1.0)
    assert low < made.boards["head"].rail_v < high


@pytest.mark.parametrize(
    ("fault", "cause"),
    [("brown_out", 2), ("supply_weak=0.3", 2), ("power_contact_bad=60", 2), ("heater_shorted", 1)],
)
def test_the_node_browns_out_when_the_heater_starts(fault: str, cause: int) -> None:
    """Boot-up again right after the command, heater off; a dead short even looks like a power cycle."""
    made, host = running(fault)
    host.write(0x2100, 1, 500, 2)
    made.run_for(1.5)
    assert [frame.data for frame in host.of(0x705)].count(b"\x00") >= 2
    assert host.read(0x2000, 2) == cause
    assert made.truth.heater_w("reservoir") == 0.0


def test_without_a_rail_the_logic_lives_and_nothing_moves_or_warms() -> None:
    """Logic fed over another plug: the bus works, supply reads nothing, driver and heater are dead."""
    made, host = running("rail_missing")
    assert heartbeats(made, host) == 10
    assert host.read(0x6401, 1) < 500
    assert host.read(0x2300, 4) == 64
    assert host.write(0x2100, 1, 500, 2) == 0
    host.write(0x6411, 1, 1000, 2)
    made.run_for(3.0)
    assert made.truth.energy_j("reservoir") == 0.0
    assert host.read(0x6401, 2) == 0
    assert made.truth.outputs_on() == frozenset()


def test_a_power_cycle_is_told_from_a_brown_out() -> None:
    """Reset cause 1 after the supply was switched off and on."""
    made, host = running()
    made.hands.switch_supply(False)
    made.run_for(0.5)
    made.hands.switch_supply(True)
    made.run_for(1.0)
    assert host.read(0x2000, 2) == 1


# --- heat ---------------------------------------------------------------------------------------------


def pulse(made: Bench, host: Host) -> tuple[float, float, float]:
    """A 2 s pulse at full duty: peak rise shown, peak rise of the block, energy."""
    start_dc, start_c = host.read_signed(0x7130, 1), made.truth.block_c("reservoir")
    host.write(0x2102, 1, 2000, 2)
    host.write(0x2101, 1, 1000, 2)
    shown = []
    for _ in range(50):
        made.run_for(0.5)
        shown.append(host.read_signed(0x7130, 1))
    rise = (max(shown) - start_dc) / 10.0
    return rise, made.truth.highest_block_c() - start_c, made.truth.energy_j("reservoir")


@pytest.mark.parametrize(
    ("fault", "shown_k", "block_k", "energy_j"),
    [
        ("", (3.0, 4.8), (3.2, 4.6), (65, 90)),
        ("heater_open", (-0.5, 0.6), (-0.1, 0.1), (0, 0.1)),
        ("heater_weak", (1.3, 2.6), (1.6, 2.4), (30, 48)),
        ("heater_wrong_voltage", (7.0, 12.0), (7.0, 12.0), (160, 230)),
        ("sensor_detached", (-0.3, 0.9), (3.2, 4.6), (65, 90)),
        ("sensor_half_detached", (0.9, 2.6), (3.2, 4.6), (65, 90)),
        ("heater_out_of_block", (-0.3, 1.0), (-0.1, 0.8), (65, 90)),
    ],
)
def test_what_a_short_pulse_tells(
    fault: str, shown_k: tuple[float, float], block_k: tuple[float, float], energy_j: tuple[float, float]
) -> None:
    """Rise shown, true rise and energy separate the faults (worked out for 80 J into 20 J/K).

    The element for half the voltage would take 160 W; the supply gives 5 A, which makes 90 W of it.
    """
    made, host = running(*([fault] if fault else []))
    shown, true_k, joules = pulse(made, host)
    assert shown_k[0] <= shown <= shown_k[1]
    assert block_k[0] <= true_k <= block_k[1]
    assert energy_j[0] <= joules <= energy_j[1]


def test_a_shorted_transistor_heats_without_a_command() -> None:
    """Full power with setpoint 0, also before the node has booted."""
    made, host = running("heater_stuck_on")
    assert made.truth.heater_w("reservoir") > 35.0
    assert host.read(0x2103, 1) == 0
    made.run_for(10.0)
    assert made.truth.block_c("reservoir") > 35.0


def test_swapped_heaters_warm_the_other_block() -> None:
    """Command left, and the right one gets warm."""
    made, host = running("heaters_swapped", description=two_heaters())
    host.write(0x2102, 1, 2000, 2)
    host.write(0x2101, 1, 1000, 2)
    made.run_for(8.0)
    assert made.truth.block_c("right") > 26.0
    assert made.truth.block_c("left") < 23.2


@pytest.mark.parametrize(
    ("fault", "low", "high"),
    [
        ("", 22.0, 24.5),
        ("sensor_open", -3276.8, -3276.8),
        ("sensor_shorted", -3276.8, -3276.8),
        ("sensors_swapped", 80.0, 100.0),
        ("sensor_wrong_nominal", 75.0, 100.0),
        ("sensor_wrong_beta", 21.5, 24.5),
        ("sensor_reads_low", 21.5, 24.5),
        ("sensor_wrong_pull_up", 3.0, 12.0),
        ("sensor_leak", 32.0, 45.0),
        ("sensor_series_resistance", 21.5, 24.5),
    ],
)
def test_what_a_cold_sensor_shows(fault: str, low: float, high: float) -> None:
    """At 23 degC in the room. A wrong curve is not visible there."""
    _, host = running(*([fault] if fault else []))
    assert low <= host.read_signed(0x7130, 1) / 10.0 <= high


@pytest.mark.parametrize("fault", ["sensor_wrong_beta", "sensor_reads_low"])
def test_a_wrong_curve_overheats_the_block(fault: str) -> None:
    """The display reaches 150 degC while the block is more than 10 K hotter."""
    made, host = running(fault)
    host.write(0x2100, 1, 1500, 2)
    made.run_for(200.0)
    assert host.read_signed(0x7130, 1) / 10.0 == pytest.approx(150.0, abs=3.0)
    assert made.truth.block_c("reservoir") > 160.0


def test_a_frozen_sensor_has_no_noise_and_a_noisy_one_has_more() -> None:
    """Ten readings: all alike, or spread by kelvins."""
    for fault, low, high in (
        ("sensor_frozen", 0, 0),
        ("sensor_noisy", 15, 400),
        ("sensor_loose_contact", 50, 40_000),
    ):
        made, host = running(fault)
        shown = []
        for _ in range(60):
            made.run_for(0.1)
            shown.append(host.read_signed(0x7130, 1))
        assert low <= max(shown) - min(shown) <= high, fault


# --- fans ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "duty", "low_hz", "high_hz"),
    [
        ("", 1000, 180, 220),
        ("fan_stalled", 1000, 0, 0),
        ("fan_open", 1000, 0, 0),
        ("tach_open", 1000, 0, 0),
        ("fan_control_open", 400, 180, 220),
        ("fan_inverted", 900, 0, 80),
        ("fan_stuck_on", 0, 180, 220),
        ("fan_slow", 1000, 90, 135),
        ("tach_wrong_pulses", 1000, 360, 440),
        ("tach_counts_noise", 1000, 280, 360),
        ("fan_starts_late", 300, 0, 0),
        ("fan_lazy=60", 1000, 5, 60),
    ],
)
def test_what_the_tach_says(fault: str, duty: int, low_hz: float, high_hz: float) -> None:
    """Five seconds after the command. The nominal fan makes 200 Hz at full speed."""
    made, host = running(*([fault] if fault else []))
    host.write(0x6411, 1, duty, 2)
    made.run_for(5.0)
    assert low_hz <= host.read(0x6401, 2) / 10.0 <= high_hz


def test_swapped_fans_answer_on_the_other_tach() -> None:
    """Command the first, and the second turns."""
    made, host = running("fans_swapped")
    host.write(0x6411, 1, 1000, 2)
    made.run_for(4.0)
    assert made.truth.fan("nozzle").rpm() > 8000.0
    assert made.truth.fan("electronics").rpm() == 0.0


# --- motion, switches, lamp ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "low", "high", "home"),
    [
        ("", 0.249, 0.251, 0),
        ("stepper_reversed", -0.3, -0.1, 1),
        ("coil_open", -0.2, 0.2, None),
        ("coils_crossed", 0.0, 0.0, 1),
        ("stepper_blocked", 0.0, 0.0, 1),
        ("wrong_microsteps", 0.45, 0.55, 0),
        ("driver_current_unset", 0.45, 0.55, 0),
        ("driver_enable_inverted", 0.0, 0.0, 1),
        ("backlash", 0.19, 0.23, 0),
    ],
)
def test_where_a_quarter_turn_leads(fault: str, low: float, high: float, home: int | None) -> None:
    """True position and home switch after 800 microsteps away from the parked position."""
    made, host = running(*([fault] if fault else []))
    configure_axis(host)
    move(host, 800, 1.5)
    assert host.read_signed(0x6064) == 800
    assert low <= made.truth.position_rev("pump") <= high
    assert home in (None, host.read(0x6000, 1) & 1)


def test_lost_steps_leave_the_axis_short() -> None:
    """Five turns out and back: the counter is at 0, the mechanism is not."""
    made, host = running("lost_steps")
    configure_axis(host)
    move(host, 16_000, 4.0)
    assert 5.0 - made.truth.position_rev("pump") > 0.05
    move(host, -16_000, 4.0)
    assert host.read_signed(0x6064) == 0


@pytest.mark.parametrize(
    ("fault", "out", "home_again"),
    [
        ("", 2000, 0),
        ("encoder_reversed", -2000, 0),
        ("encoder_open", 0, 0),
        ("encoder_wrong_lines=2", 4000, 0),
        ("encoder_slips=0.1", 1800, -200),
        ("coupling_slips=0.1", 2000, 0),
        ("stepper_reversed", -300, 1700),
    ],
)
def test_what_an_encoder_counts_over_one_turn_out_and_back(fault: str, out: int, home_again: int) -> None:
    """2000 counts a turn of the motor's shaft, whatever the step counter says and whatever hangs behind the shaft."""
    _, host = running(*([fault] if fault else []), description=with_encoder())
    configure_axis(host)
    move(host, 3200, 2.0)
    assert host.read_signed(0x6064) == 3200
    assert host.read_signed(0x2300, 7) == pytest.approx(out, abs=60 if fault == "stepper_reversed" else 3)
    move(host, -3200, 2.0)
    assert host.read_signed(0x6064) == 0
    assert host.read_signed(0x2300, 7) == pytest.approx(
        home_again, abs=60 if fault == "stepper_reversed" else 3
    )


def test_a_coupling_that_slips_leaves_the_axis_behind_its_motor() -> None:
    """A tenth of the way out is lost, and the axis comes back short of where it was: against its stop."""
    made, host = running("coupling_slips=0.1", description=with_encoder())
    configure_axis(host)
    move(host, 3200, 2.0)
    assert made.truth.position_rev("pump") == pytest.approx(0.9, abs=0.01)
    move(host, -3200, 2.0)
    assert made.truth.position_rev("pump") == pytest.approx(-0.1, abs=0.01)
    move(host, 9600, 6.0)
    move(host, -9600, 6.0)
    assert -0.19 < made.truth.position_rev("pump") < -0.11


def test_an_encoder_fault_needs_an_encoder() -> None:
    """A bench without one refuses, and says which field describes it."""
    with pytest.raises(UsageError, match="encoder_counts_per_rev"):
        bench("encoder_open")


def test_an_axis_without_a_brake_falls_when_its_current_goes() -> None:
    """Held while the driver is on, down at the stop a moment after it is off."""
    made, host = running("axis_drops")
    configure_axis(host)
    move(host, 3200, 1.5)
    assert made.truth.position_rev("pump") == pytest.approx(1.0, abs=0.2)
    host.write(0x6040, 0, 0, 2)
    made.run_for(3.0)
    assert made.truth.position_rev("pump") < -0.1


@pytest.mark.parametrize(
    ("fault", "flags"),
    [
        ("coil_open", 1),
        ("coil_open=1", 2),
        ("coils_crossed", 3),
        ("driver_unreachable", 64),
        ("driver_current_unset", 32),
    ],
)
def test_what_the_driver_reports(fault: str, flags: int) -> None:
    """Flags after configuration and a slow move."""
    _, host = running(fault)
    configure_axis(host)
    host.write(0x6081, 0, 1600, 4)
    move(host, 1600, 2.0)
    assert host.read(0x2300, 4) == flags


def test_a_driver_that_forgets_is_back_at_its_defaults_after_a_move() -> None:
    """Run current 300 mA and the reset flag."""
    _, host = running("driver_forgets")
    configure_axis(host)
    assert host.read(0x2300, 1) == 700
    move(host, 800, 1.0)
    assert host.read(0x2300, 1) == 300
    assert host.read(0x2300, 4) & 0x20


@pytest.mark.parametrize(
    ("fault", "idle", "pressed"),
    [
        ("", 0, 1),
        ("switch_stuck[level]", 0, 0),
        ("switch_wire_open[level]", 0, 0),
        ("switch_never_triggers[level]", 0, 0),
        ("switch_welded[level]", 1, 1),
        ("switch_inverted[level]", 1, 0),
    ],
)
def test_what_the_level_switch_shows(fault: str, idle: int, pressed: int) -> None:
    """Bit 1, free and pressed by hand. It is a normally open one."""
    made, host = running(*([fault] if fault else []))
    seen = []
    for on in (False, True):
        made.hands.press("level", on)
        made.run_for(0.2)
        seen.append(host.read(0x6000, 1) >> 1 & 1)
    assert seen == [idle, pressed]


def test_swapped_switches_answer_for_each_other() -> None:
    """Pressing the level switch moves the home switch's bit; types differ, so both look odd."""
    made, host = running("switches_swapped")
    before = host.read(0x6000, 1)
    made.hands.press("level")
    made.run_for(0.2)
    assert before ^ host.read(0x6000, 1) == 0b01


@pytest.mark.parametrize(
    ("fault", "seen"),
    [("", {"red"}), ("lamp_dead", set()), ("lamp_colour_dead=1", set()), ("lamp_colours_swapped", {"green"})],
)
def test_what_a_person_sees_when_red_is_commanded(fault: str, seen: set[str]) -> None:
    """Bit 0 of 0x6200."""
    made, host = running(*([fault] if fault else []))
    host.write(0x6200, 1, 1, 1)
    assert made.truth.lamp("status").shows() == seen


# --- safety -------------------------------------------------------------------------------------------


def heating(*faults: str) -> tuple[Bench, Host]:
    """A bench that heats towards 60 degC."""
    made, host = running(*faults)
    host.write(0x2100, 1, 600, 2)
    made.run_for(1.0)
    assert made.truth.heater_w("reservoir") > 30.0
    return made, host


@pytest.mark.parametrize(
    ("fault", "stays"), [("", False), ("host_watch_missing", True), ("host_watch_slow", True)]
)
def test_the_heater_after_the_host_died(fault: str, stays: bool) -> None:
    """Two seconds after the last heartbeat."""
    made, host = heating(*([fault] if fault else []))
    host.alive = False
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == stays


def test_a_watch_fed_by_any_traffic_is_fooled_by_foreign_frames() -> None:
    """It passes the plain drill and fails the one with traffic."""
    for traffic, stays in ((False, False), (True, True)):
        made, host = heating("host_watch_fed_by_any_traffic")
        host.alive = False
        if traffic:
            made.queue.every(50_000_000, lambda host=host: host.send(0x123, "00"))
        made.run_for(2.0)
        assert ("heater:reservoir" in made.truth.outputs_on()) == stays


@pytest.mark.parametrize(("fault", "stays"), [("", False), ("no_reaction_to_cut_cable", True)])
def test_the_heater_after_the_cable_was_cut(fault: str, stays: bool) -> None:
    """A watch that rests while the controller is passive never trips; a sound one does."""
    made, _ = heating(*([fault] if fault else []))
    made.hands.unplug_can()
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == stays


@pytest.mark.parametrize(("fault", "heats"), [("", False), ("outputs_on_after_reset", True)])
def test_the_heater_after_a_reset(fault: str, heats: bool) -> None:
    """Nobody commands anything after the reset."""
    made, host = heating(*([fault] if fault else []))
    host.nmt(0x81)
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == heats


@pytest.mark.parametrize(("fault", "heats"), [("", False), ("acts_on_old_commands", True)])
def test_commands_that_come_while_power_returns(fault: str, heats: bool) -> None:
    """The host sends its process data all the time; power goes and comes. Nobody starts the node."""
    made, host = heating(*([fault] if fault else []))
    made.queue.every(50_000_000, lambda: host.send(0x205, bytes.fromhex("58020000000000")))
    made.hands.switch_supply(False)
    made.run_for(1.0)
    made.hands.switch_supply(True)
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == heats


@pytest.mark.parametrize(("fault", "stays"), [("", False), ("all_off_ignored", True)])
def test_the_heater_after_all_off(fault: str, stays: bool) -> None:
    """0x2010 and leaving operational."""
    made, host = heating(*([fault] if fault else []))
    host.write(0x2010, 0, 1, 1)
    host.nmt(0x80)
    made.run_for(0.2)
    assert ("heater:reservoir" in made.truth.outputs_on()) == stays


@pytest.mark.parametrize(("fault", "stays"), [("", False), ("no_watchdog", True)])
def test_the_heater_after_the_program_hung(fault: str, stays: bool) -> None:
    """The console's hang command; a watchdog resets the node within a second."""
    made, host = heating(*([fault] if fault else []))
    made.console().write(b"hang\r")
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == stays
    assert (host.read(0x2000, 2) == 3) != stays


@pytest.mark.parametrize(
    ("fault", "stays"), [("", False), ("sensor_loss_ignored", True), ("fault_not_latched", False)]
)
def test_the_heater_after_the_sensor_was_lost(fault: str, stays: bool) -> None:
    """Open for two seconds."""
    made, _ = heating(*([fault] if fault else []))
    made.inject("sensor_open")
    made.run_for(2.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == stays


@pytest.mark.parametrize(("fault", "heats"), [("", False), ("fault_not_latched", True)])
def test_a_fault_that_heals_does_not_start_the_heater_again(fault: str, heats: bool) -> None:
    """The wire is back: a sound node stays off until it is told."""
    made, _ = heating(*([fault] if fault else []))
    made.inject("sensor_open")
    made.run_for(1.0)
    part = made.boards["head"].sensor_inputs[0].element
    assert part is not None
    part.is_open = False
    made.run_for(1.0)
    assert ("heater:reservoir" in made.truth.outputs_on()) == heats


def test_a_ceiling_that_is_ignored_lets_the_block_run_over_it() -> None:
    """The setpoint above the lowered ceiling is even taken."""
    made, host = running("ceiling_ignored")
    host.write(0x2105, 1, 400, 2)
    assert host.write(0x2100, 1, 600, 2) == 0
    made.run_for(60.0)
    assert made.truth.block_c("reservoir") > 55.0


def test_a_floating_gate_heats_while_the_processor_boots() -> None:
    """Some joules come before the node has said boot-up, none after."""
    made = bench("heater_on_while_booting")
    Host(made)
    made.run_for(2.0)
    joules = made.truth.energy_j("reservoir")
    assert 5.0 < joules < 40.0
    made.run_for(5.0)
    assert made.truth.energy_j("reservoir") == joules


@pytest.mark.parametrize(
    ("branch_m", "bit_rate_bps", "disturbed"),
    [(6, 1_000_000, False), (25, 1_000_000, False), (40, 1_000_000, True), (40, 250_000, False)],
)
def test_a_long_branch_disturbs_from_where_its_wave_lasts_until_the_sample(
    branch_m: int, bit_rate_bps: int, disturbed: bool
) -> None:
    """(750 - 140) ns / 20 ns/m = 31 m at 1 Mbit/s and 75 %; four times as much at 250 kbit/s. At 6 m only the guideline is broken."""
    description = glue_head()
    buses = [each.model_copy(update={"bit_rate_bps": bit_rate_bps}) for each in description.bus]
    made, _ = running(f"long_stub={branch_m}", description=description.model_copy(update={"bus": buses}))
    made.run_for(1.0)
    assert (made.wires["can"].error_frames > 0) == disturbed
