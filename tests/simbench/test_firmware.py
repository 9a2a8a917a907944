"""The CANopen firmware of the simulated node, seen from the bus."""

from __future__ import annotations

import itertools
import re
import struct

import pytest

from hiltest.simbench.burst import burst_data
from hiltest.simbench.objects import read_eds

from .world import FIXTURES, Host, bench, configure_axis, move, running

DICTIONARY = FIXTURES.parent / "hiltest" / "docs" / "message_dictionary.md"

DEVICE_STATE, TOO_HIGH, TOO_LOW = 0x0800_0022, 0x0609_0031, 0x0609_0032


# --- life ---------------------------------------------------------------------------------------------


def test_the_node_says_boot_up_and_then_keeps_its_heartbeat() -> None:
    """CiA 301: one 0x705 with 0, then 0x7F (pre-operational) each 100 ms."""
    b = bench()
    host = Host(b)
    b.run_for(2.0)
    beats = host.of(0x705)
    assert beats[0].data == b"\x00"
    assert 0.2e9 < beats[0].t_ns < 0.7e9
    assert {beat.data for beat in beats[1:]} == {b"\x7f"}
    gaps = [b.t_ns - a.t_ns for a, b in itertools.pairwise(beats[1:])]
    assert all(0.099e9 < gap < 0.101e9 for gap in gaps)


@pytest.mark.parametrize(("command", "state"), [(0x01, 0x05), (0x02, 0x04), (0x80, 0x7F)])
def test_nmt_commands_lead_to_their_states(command: int, state: int) -> None:
    """CiA 301: start, stop, pre-operational show in the next heartbeat."""
    b, host = running()
    host.nmt(command)
    b.run_for(0.2)
    assert host.of(0x705)[-1].data == bytes([state])


def test_an_nmt_command_for_another_node_is_not_obeyed() -> None:
    """A command names its node."""
    b, host = running()
    host.nmt(0x02, node=6)
    b.run_for(0.2)
    assert host.of(0x705)[-1].data == b"\x05"


def test_a_stopped_node_does_not_serve_sdo() -> None:
    """CiA 301: in stopped only NMT and the heartbeat work."""
    _, host = running()
    host.nmt(0x02)
    assert host.sdo("4000100000000000") == b""


def test_reset_node_restarts_with_every_output_off_and_says_why() -> None:
    """NMT 0x81: boot-up again, reset cause 4, uptime anew, setpoint gone."""
    b, host = running()
    host.write(0x2100, 1, 500, 2)
    b.run_for(1.0)
    assert b.truth.heater_w("reservoir") > 30.0
    host.nmt(0x81)
    assert b.truth.outputs_on() == frozenset()
    b.run_for(1.0)
    assert [beat.data for beat in host.of(0x705)].count(b"\x00") == 2
    assert host.read(0x2000, 2) == 4
    assert host.read(0x2000, 1) < 1100
    assert host.read(0x2100, 1) == 0


def test_reset_communication_restores_communication_objects_only() -> None:
    """NMT 0x82: heartbeat time back to its default, boot-up again, uptime goes on."""
    b, host = running()
    host.write(0x1017, 0, 50, 2)
    assert host.read(0x1017) == 50
    host.nmt(0x82)
    b.run_for(0.5)
    assert [beat.data for beat in host.of(0x705)].count(b"\x00") == 2
    assert host.read(0x1017) == 100
    assert host.read(0x2000, 1) > 1000


def test_the_heartbeat_follows_its_object_and_stops_at_zero() -> None:
    """0x1017 sets the period in ms; 0 switches it off."""
    b, host = running()
    host.write(0x1017, 0, 20, 2)
    before = len(host.of(0x705))
    b.run_for(1.0)
    assert 48 <= len(host.of(0x705)) - before <= 52
    host.write(0x1017, 0, 0, 2)
    before = len(host.of(0x705))
    b.run_for(1.0)
    assert len(host.of(0x705)) == before


# --- the watch on the host ----------------------------------------------------------------------------


def test_outputs_drop_when_the_host_falls_silent() -> None:
    """0x1016: 500 ms after the last heartbeat everything is off, with emergency 0x8130, pre-operational."""
    b, host = running()
    host.write(0x2100, 1, 500, 2)
    host.write(0x6411, 1, 1000, 2)
    b.run_for(1.0)
    host.alive = False
    last_s = host.bench.now_s
    b.run_for(1.0)
    assert b.truth.outputs_on() == frozenset()
    off_s = b.truth.last_off_s("heater:reservoir")
    assert off_s is not None
    assert 0.35 < off_s - last_s < 0.52
    assert host.of(0x085)[-1].data[:2] == b"\x30\x81"
    assert host.of(0x705)[-1].data == b"\x7f"
    assert host.read(0x2104, 1) & 8


def test_supervision_starts_with_the_first_heartbeat_only() -> None:
    """CiA 301: a host that never sent a heartbeat is not missed."""
    b = bench()
    host = Host(b, heartbeat=False).start()
    b.run_for(3.0)
    assert host.of(0x085) == []
    assert host.of(0x705)[-1].data == b"\x05"


def test_the_watch_takes_its_time_from_the_object() -> None:
    """A written time of 200 ms is kept; another host's heartbeat does not feed it."""
    b, host = running()
    host.write(0x1016, 1, 0x007F_00C8, 4)
    b.run_for(0.3)
    host.alive = False
    b.queue.every(50_000_000, lambda: host.send(0x77E, "05"))
    b.run_for(0.4)
    assert host.of(0x085)[-1].data[:2] == b"\x30\x81"


# --- outputs ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("index", "value", "size"),
    [(0x2100, 500, 2), (0x6411, 1000, 2), (0x6200, 1, 1)],
    ids=["heater", "fan", "lamp"],
)
def test_nothing_is_switched_on_outside_operational(index: int, value: int, size: int) -> None:
    """A command that is not 0 is refused with 0x08000022 before NMT start."""
    b = bench()
    host = Host(b)
    b.run_for(1.0)
    assert host.write(index, 1, value, size) == DEVICE_STATE
    assert b.truth.outputs_on() == frozenset()


@pytest.mark.parametrize("command", [0x02, 0x80, 0x81, 0x82], ids=["stop", "pre", "reset", "reset comm"])
def test_every_output_is_off_after_leaving_operational(command: int) -> None:
    """Heater, fan, lamp and motor lose their current at once."""
    b, host = running()
    configure_axis(host)
    host.write(0x2100, 1, 500, 2)
    host.write(0x6411, 2, 700, 2)
    host.write(0x6200, 1, 2, 1)
    b.run_for(0.3)
    assert b.truth.outputs_on() == {"heater:reservoir", "fan:nozzle", "lamp:status", "motor:pump"}
    host.nmt(command)
    assert b.truth.outputs_on() == frozenset()


def test_all_off_switches_everything_off_and_reads_back() -> None:
    """0x2010: reads 0 while something is on, 1 after all is off."""
    b, host = running()
    host.write(0x2100, 1, 500, 2)
    host.write(0x6411, 1, 500, 2)
    assert host.read(0x2010) == 0
    assert host.write(0x2010, 0, 1, 1) == 0
    assert b.truth.outputs_on() == frozenset()
    assert host.read(0x2010) == 1


def test_setpoints_beyond_the_limits_are_refused() -> None:
    """Above the ceiling 0x06090031, below zero 0x06090032; the ceiling can be lowered but not raised."""
    _, host = running()
    assert host.write(0x2100, 1, 2101, 2) == TOO_HIGH
    assert host.write(0x2100, 1, -1, 2) == TOO_LOW
    assert host.write(0x2105, 1, 2200, 2) == TOO_HIGH
    assert host.write(0x2105, 1, 450, 2) == 0
    assert host.write(0x2100, 1, 500, 2) == TOO_HIGH


def test_a_pulse_needs_its_time_and_ends_by_itself() -> None:
    """0x2101 without 0x2102 is refused; with it the node ends the pulse, and the next needs its time anew."""
    b, host = running()
    assert host.write(0x2101, 1, 1000, 2) == DEVICE_STATE
    assert host.write(0x2102, 1, 2000, 2) == 0
    assert host.write(0x2101, 1, 1000, 2) == 0
    b.run_for(1.0)
    assert host.read(0x2103, 1) == 1000
    b.run_for(5.0)
    assert host.read(0x2103, 1) == 0
    assert 60.0 < b.truth.energy_j("reservoir") < 100.0
    assert host.write(0x2101, 1, 1000, 2) == DEVICE_STATE


def test_a_heater_reaches_its_setpoint_without_much_overshoot() -> None:
    """50 degC within 30 s, at most 2 K above, then steady within 1 K."""
    b, host = running()
    host.write(0x2100, 1, 500, 2)
    shown = []
    for _ in range(60):
        b.run_for(1.0)
        shown.append(host.read(0x7130, 1) / 10.0)
    assert max(shown[:30]) > 48.0
    assert max(shown) < 52.0
    assert max(abs(value - 50.0) for value in shown[40:]) < 1.0


def test_the_ceiling_trips_and_stays_latched_until_it_is_taken_back() -> None:
    """Above the ceiling: off, emergency 0x4210, refused until 0 is written in the cold."""
    b, host = running()
    host.write(0x2100, 1, 600, 2)
    b.run_for(40.0)
    host.write(0x2105, 1, 450, 2)
    b.run_for(0.5)
    assert b.truth.heater_w("reservoir") == 0.0
    assert host.of(0x085)[-1].data[:2] == b"\x10\x42"
    assert host.read(0x2104, 1) & 4
    host.write(0x2105, 1, 2100, 2)
    assert host.write(0x2100, 1, 500, 2) == DEVICE_STATE
    assert host.write(0x2100, 1, 0, 2) == 0
    assert host.write(0x2100, 1, 500, 2) == 0


def test_a_lost_sensor_stops_its_heater() -> None:
    """Open while hot: off within 0.4 s, emergency 0x5030, no valid value, latched."""
    b, host = running()
    host.write(0x2100, 1, 500, 2)
    b.run_for(10.0)
    b.inject("sensor_open[reservoir]")
    opened_s = b.now_s
    b.run_for(0.5)
    off_s = b.truth.last_off_s("heater:reservoir")
    assert off_s is not None
    assert off_s - opened_s < 0.4
    assert host.of(0x085)[-1].data[:2] == b"\x30\x50"
    assert host.read(0x7130, 1) == 0x8000
    assert host.read(0x2104, 1) & 2
    assert host.write(0x2100, 1, 500, 2) == DEVICE_STATE


# --- process data -------------------------------------------------------------------------------------


def test_tpdos_run_in_operational_only_and_carry_what_the_dictionary_says() -> None:
    """TPDO 1: temperatures, supply, inputs. The parked axis presses its home switch."""
    b, host = running()
    b.run_for(1.05)
    frames = host.of(0x185)
    assert 5 <= len(frames) <= 6  # event timer 200 ms
    first, second, supply_mv, inputs = struct.unpack("<hhHB", frames[-1].data)
    assert 200 < first < 260
    assert 200 < second < 280
    assert 22_800 < supply_mv < 25_200
    assert inputs == 0b01
    host.nmt(0x80)
    before = len(host.of(0x185))
    b.run_for(1.0)
    assert len(host.of(0x185)) == before


def test_a_tpdo_can_be_sent_on_sync() -> None:
    """Transmission type 2: every second SYNC, and no event timer."""
    b, host = running()
    assert host.write(0x1800, 2, 2, 1) == 0
    b.run_for(0.1)
    before = len(host.of(0x185))
    for _ in range(6):
        host.send(0x080, b"")
        b.run_for(0.01)
    b.run_for(1.0)
    assert len(host.of(0x185)) - before == 3


def test_the_rpdo_commands_heater_fans_and_lamp() -> None:
    """RPDO 1 in operational; outside it changes nothing."""
    b, host = running()
    host.send(0x205, struct.pack("<hHHB", 500, 1000, 300, 0b010))
    b.run_for(0.3)
    assert b.truth.outputs_on() == {"heater:reservoir", "fan:electronics", "fan:nozzle", "lamp:status"}
    assert b.truth.lamp("status").shows() == {"green"}
    host.nmt(0x80)
    host.send(0x205, struct.pack("<hHHB", 500, 1000, 300, 0b010))
    b.run_for(0.3)
    assert b.truth.outputs_on() == frozenset()


def test_a_pdo_that_is_too_short_is_reported() -> None:
    """Emergency 0x8210, nothing taken."""
    b, host = running()
    host.send(0x205, struct.pack("<h", 500))
    b.run_for(0.1)
    assert host.of(0x085)[-1].data[:2] == b"\x10\x82"
    assert b.truth.outputs_on() == frozenset()


def test_a_mapping_is_changed_as_cia_301_says() -> None:
    """Count to 0, entries, count: then the frame carries the new object. Nonsense is refused."""
    b, host = running()
    assert host.write(0x1A00, 1, 0x7130_0110, 4) == DEVICE_STATE
    assert host.write(0x1A00, 0, 0, 1) == 0
    assert host.write(0x1A00, 1, 0x1008_0020, 4) == 0x0604_0041
    assert host.write(0x1A00, 1, 0x9999_0010, 4) == 0x0602_0000
    assert host.write(0x1A00, 1, 0x6064_0020, 4) == 0
    assert host.write(0x1A00, 2, 0x606C_0020, 4) == 0
    assert host.write(0x1A00, 3, 0x2103_0110, 4) == 0
    assert host.write(0x1A00, 0, 3, 1) == 0x0604_0042
    assert host.write(0x1A00, 0, 2, 1) == 0
    b.run_for(0.2)
    assert len(host.of(0x185)[-1].data) == 8


# --- burst, counters, errors --------------------------------------------------------------------------


@pytest.mark.parametrize("interval_us", [0, 500])
def test_a_burst_sends_what_was_asked_for(interval_us: int) -> None:
    """Each frame once, in order, with the documented content, from the first identifier on."""
    b, host = running()
    host.write(0x2002, 2, interval_us, 4)
    host.write(0x2002, 6, 2, 1)
    assert host.write(0x2002, 1, 100, 4) == 0
    b.run_for(0.2)
    frames = [frame for frame in host.heard if frame.can_id in (0x485, 0x486)]
    assert [frame.data for frame in frames] == [burst_data(number, 0) for number in range(100)]
    assert [frame.can_id for frame in frames[:3]] == [0x485, 0x486, 0x485]
    assert host.read(0x2002, 3) == 100
    gap_ns = (frames[-1].t_ns - frames[0].t_ns) / 99
    assert gap_ns < 140_000 if interval_us == 0 else abs(gap_ns - 500_000) < 10_000


def test_a_burst_needs_operational_and_ends_with_it() -> None:
    """Refused in pre-operational; stopped by NMT."""
    b, host = running()
    host.write(0x2002, 1, 1_000_000, 4)
    b.run_for(0.1)
    host.nmt(0x80)
    b.run_for(0.05)
    before = len(host.of(0x485))
    b.run_for(0.2)
    assert len(host.of(0x485)) == before
    assert host.write(0x2002, 1, 10, 4) == DEVICE_STATE


def test_error_counters_are_the_controllers_own() -> None:
    """0x2001: zero on a quiet bus; errors are counted while noise hits the line."""
    b, host = running()
    assert [host.read(0x2001, sub) for sub in (1, 2, 3, 5)] == [0, 0, 0, 0]
    b.inject("noise_bursts=200")
    b.run_for(2.0)
    b.wires["can"].set_noise(0.0, 0.0)
    b.run_for(0.2)
    assert host.read(0x2001, 3) > 3


def test_the_error_history_keeps_the_newest_first_and_is_cleared_by_zero() -> None:
    """0x1003: code at sub-index 1, count at 0; only 0 may be written there."""
    b, host = running()
    b.inject("sensor_open[board]")
    b.run_for(0.5)
    assert host.read(0x1003, 0) == 1
    assert host.read(0x1003, 1) == 0x5030
    assert host.read(0x1001) & 0x08
    assert host.write(0x1003, 0, 1, 1) == TOO_HIGH
    assert host.write(0x1003, 0, 0, 1) == 0
    assert host.read(0x1003, 0) == 0


# --- axis ---------------------------------------------------------------------------------------------


def test_a_counted_move_turns_the_motor_as_far_and_back() -> None:
    """A quarter turn is 800 microsteps; position and mechanism agree, and both come back."""
    b, host = running()
    configure_axis(host)
    move(host, 800, 1.0)
    assert host.read_signed(0x6064) == 800
    assert b.truth.position_rev("pump") == pytest.approx(0.25, abs=1e-6)
    assert host.read(0x6000, 1) & 1 == 0
    move(host, -800, 1.0)
    assert host.read_signed(0x6064) == 0
    assert b.truth.position_rev("pump") == pytest.approx(0.0, abs=1e-6)
    assert host.read(0x6000, 1) & 1 == 1


def test_the_setpoint_handshake_shows_in_the_statusword() -> None:
    """Bit 12 rises with the new set-point and falls with it; bit 10 is back when the move is done."""
    b, host = running()
    configure_axis(host)
    host.write(0x607A, 0, 3200, 4)
    host.write(0x6040, 0, 0x5F, 2)
    assert host.read(0x6041) & 0x1400 == 0x1000
    host.write(0x6040, 0, 0x4F, 2)
    assert host.read(0x6041) & 0x1400 == 0
    assert host.read_signed(0x606C) > 0
    b.run_for(2.0)
    assert host.read(0x6041) & 0x1400 == 0x0400


def test_the_speed_is_that_of_the_profile() -> None:
    """One turn of 3200 microsteps at 3200/s with 32000/s2 takes 1.1 s."""
    b, host = running()
    configure_axis(host)
    host.write(0x6081, 0, 3200, 4)
    host.write(0x6083, 0, 32_000, 4)
    move(host, 3200, 0.9)
    assert host.read_signed(0x6064) < 3200
    assert host.read_signed(0x606C) == 3200
    b.run_for(0.3)
    assert host.read_signed(0x6064) == 3200


def test_quick_stop_and_halt_bring_the_axis_to_a_stand() -> None:
    """Halt keeps the axis enabled, quick stop ends in switch-on disabled; both stop short of the target."""
    for word, state in ((0x010F, 0x27), (0x0002, 0x40)):
        b, host = running()
        configure_axis(host)
        move(host, 32_000, 0.5)
        host.write(0x6040, 0, word, 2)
        b.run_for(1.0)
        stood = host.read_signed(0x6064)
        assert 0 < stood < 10_000
        b.run_for(0.5)
        assert host.read_signed(0x6064) == stood
        assert host.read(0x6041) & 0x4F == state & 0x4F
        assert b.truth.position_rev("pump") == pytest.approx(stood / 3200, abs=1e-3)


def test_the_driver_has_its_power_on_defaults_until_it_is_written() -> None:
    """300 mA, 8 microsteps, reset flag; after writing: values, write counter, flag gone."""
    _, host = running()
    assert [host.read(0x2300, sub) for sub in (1, 2, 3, 4, 5)] == [300, 150, 8, 0x20, 0]
    host.write(0x2300, 1, 700, 2)
    host.write(0x2300, 3, 16, 2)
    assert [host.read(0x2300, sub) for sub in (1, 3, 4, 5)] == [700, 16, 0, 2]
    assert host.write(0x2300, 3, 12, 2) == 0x0609_0030


def test_operation_is_not_enabled_outside_operational() -> None:
    """The state machine stops at switched on, without current in the coils."""
    b = bench()
    host = Host(b)
    b.run_for(1.0)
    configure_axis(host)
    assert host.read(0x6041) & 0x6F == 0x23
    assert b.truth.outputs_on() == frozenset()


# --- LSS on the bus -----------------------------------------------------------------------------------


def test_an_unconfigured_node_takes_an_id_by_lss_and_boots() -> None:
    """No heartbeat before; after configure, store and leaving the state it joins, also after a power cycle."""
    b = bench("unconfigured_node")
    host = Host(b)
    b.run_for(1.0)
    assert host.of(0x705) == []

    def lss(data: str) -> None:
        host.send(0x7E5, bytes.fromhex(data).ljust(8, b"\0"))
        b.run_for(0.005)

    lss("0401")
    lss("1109")
    lss("17")
    lss("0400")
    assert [frame.data[0] for frame in host.of(0x7E4)] == [0x11, 0x17]
    b.run_for(0.5)
    assert host.of(0x709)[0].data == b"\x00"
    assert host.read(0x1018, 2, node=9) == 0x474C31
    b.hands.switch_supply(False)
    b.run_for(0.5)
    b.hands.switch_supply(True)
    b.run_for(1.0)
    assert host.of(0x709)[-1].t_ns > (b.now_s - 0.2) * 1e9


# --- the files ----------------------------------------------------------------------------------------


def test_the_eds_loads_in_the_canopen_package_without_a_word(caplog: pytest.LogCaptureFixture) -> None:
    """No warning, no error, all lists of objects complete."""
    from canopen.objectdictionary import import_od

    od = import_od(str(FIXTURES / "glue_head.eds"), 5)
    assert caplog.records == []
    assert od[0x1018][2].default == 0x474C31
    text = (FIXTURES / "glue_head.eds").read_text()
    listed = {int(n, 16) for n in re.findall(r"^\d+=0x([0-9A-F]{4})$", text, re.M)}
    assert listed == set(od.indices)
    for index, count in re.findall(
        r"^\[([0-9A-F]{4})\]\nParameterName=.*\nObjectType=0x[89]\nSubNumber=(\d+)", text, re.M
    ):
        assert len(re.findall(rf"^\[{index}sub", text, re.M)) == int(count)


_TYPES = {0x02: "I8", 0x03: "I16", 0x04: "I32", 0x05: "U8", 0x06: "U16", 0x07: "U32", 0x09: "string"}


def test_the_message_dictionary_lists_exactly_the_objects_of_the_eds() -> None:
    """Index, sub-index, name, type and access agree, and every object has a meaning and a source."""
    rows = re.findall(
        r"^\| 0x([0-9A-F]{4}) \| (\d+) \| ([^|]+) \| (\S+) \| (\S+) \| ([^|]*) \| ([^|]+) \| ([^|]+) \|$",
        DICTIONARY.read_text(),
        re.M,
    )
    told = [(int(index, 16), int(sub), name, kind, access) for index, sub, name, kind, access, *_ in rows]
    eds = [
        (entry.index, entry.sub, entry.name, _TYPES[entry.data_type], entry.access)
        for entry in read_eds(FIXTURES / "glue_head.eds", 5)
    ]
    assert sorted(told) == sorted(eds)
    for row in rows:
        assert row[6].strip(), row
        assert re.fullmatch(r"ours|CiA \d+(, from memory)?", row[7]), row


def test_every_emergency_code_of_the_firmware_is_in_the_message_dictionary() -> None:
    """A code that the node sends is explained."""
    from hiltest.simbench import firmware

    text = DICTIONARY.read_text()
    codes = [value for name, value in vars(firmware).items() if name.startswith("EMERGENCY_")]
    assert len(codes) >= 6
    assert [f"0x{code:04X}" for code in codes if f"| 0x{code:04X} |" not in text] == []
