"""The CANopen driver against canopen's own LocalNode, in simulated time."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator

import pytest

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import CROSSED, NOBODY
from hiltest.description.loading import load_description, load_text
from hiltest.errors import (
    BenchLost,
    DescriptionError,
    NoAnswer,
    NodeFault,
    NotOffered,
    NotSent,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node.canopen import CanopenDriver
from hiltest.node.opening import open_driver
from hiltest.node.verbs import Reading

from .doubles import FIXTURES, EventPort, LibraryNode

GLUE_HEAD = FIXTURES / "glue_head.toml"
DESCRIPTION = load_description(GLUE_HEAD).description


class Bench:
    """A driver, its link, and the node on the other side."""

    def __init__(self, start: bool = True) -> None:
        self.port = EventPort()
        self.node = LibraryNode(self.port)
        self.link = Link(self.port)
        self.driver = CanopenDriver(self.link, DESCRIPTION, "head", FIXTURES)
        self.readings: list[Reading] = []
        self.driver.on_reading(self.readings.append)
        if start:
            self.driver.start()
            self.link.run_for(0.05)  # off the grid of the heartbeats, so that they can be counted

    def of(self, kind: str, asked: bool | None = None) -> list[Reading]:
        return [each for each in self.readings if each.kind == kind and asked in (None, each.asked)]


@pytest.fixture
def bench() -> Iterator[Bench]:
    made = Bench()
    yield made
    made.driver.stop()


# --- start and stop ---------------------------------------------------------------------------------------


def test_start_makes_the_node_watch_the_host_and_operational(bench: Bench) -> None:
    """Outputs off first, then the host watch (0x1016:1) with the host's id, then NMT start."""
    assert bench.driver.start_problem is None
    assert bench.node.state == 0x05
    assert bench.node.writes[0] == (0x2010, 0, 1)
    watch = next(value for index, sub, value in bench.node.writes if (index, sub) == (0x1016, 1))
    assert watch >> 16 == 127
    host_period_ms = 1000 * DESCRIPTION.bus[0].host_heartbeat_s
    assert 2 * host_period_ms <= watch & 0xFFFF < 1000 * DESCRIPTION.node[0].host_silence_max_s


def test_the_host_shows_life_until_it_is_told_to_be_silent(bench: Bench) -> None:
    """Host heartbeats go out on a 0.1 s grid; go_silent ends them, resume starts them."""
    bench.port.sent.clear()
    bench.link.run_for(1.0)
    beats = [frame for frame in bench.port.sent if frame.can_id == 0x77F]
    assert len(beats) == 10
    assert {frame.data for frame in beats} == {b"\x05"}
    bench.driver.go_silent()
    bench.port.sent.clear()
    bench.link.run_for(1.0)
    assert bench.port.sent == []
    bench.driver.resume()
    bench.link.run_for(0.05)
    assert [frame.can_id for frame in bench.port.sent] == [0x77F]


def test_two_drivers_share_one_host_heartbeat(bench: Bench) -> None:
    """A second node on the bus does not double the host's heartbeat, and one driver's end does not stop it."""
    LibraryNode(bench.port, node_id=6)
    text = (
        GLUE_HEAD.read_text().replace('name = "head"', 'name = "other"').replace("node_id = 5", "node_id = 6")
    )
    other = CanopenDriver(bench.link, load_text(text, FIXTURES).description, "other", FIXTURES)
    other.start()
    bench.port.sent.clear()
    bench.link.run_for(1.0)
    assert len(bench.port.sent_to(0x77F)) == 10
    other.stop()
    bench.port.sent.clear()
    bench.link.run_for(1.0)
    assert len(bench.port.sent_to(0x77F)) == 10


def test_the_driver_listens_before_it_speaks() -> None:
    """Nothing is sent before the node was heard, or could have booted."""
    bench = Bench(start=False)
    bench.driver.start()
    assert bench.port.sent[0].t_ns == pytest.approx(0.1e9, abs=1e6)
    silent = Bench(start=False)
    silent.node.is_dead = True
    silent.driver.start()
    assert silent.port.sent[0].t_ns == pytest.approx(1.2e9, abs=1e6)


def test_a_missing_node_does_not_keep_the_run_from_starting() -> None:
    """With nobody there start() ends in bounded time and says why; the verbs say NoAnswer."""
    bench = Bench(start=False)
    bench.node.is_dead = True
    bench.driver.start()
    assert bench.link.now_s < 2.0
    assert isinstance(bench.driver.start_problem, NoAnswer)
    with pytest.raises(NoAnswer, match="seen meanwhile: nothing"):
        bench.driver.read_supply_v()
    assert bench.driver.unanswered == 2


def test_a_strange_board_is_left_alone() -> None:
    """A board with another product code is neither configured nor made operational."""
    bench = Bench(start=False)
    bench.node.values[0x1018, 2] = 0xBAD
    bench.driver.start()
    assert bench.node.state == 0x7F
    assert 0x01 not in bench.node.commands
    with pytest.raises(Refused, match="0x00000BAD"):
        bench.driver.set_fan("nozzle", 0.5)


def test_a_node_without_host_watch_is_still_tested() -> None:
    """A node that refuses 0x1016 gets operational; the refusal is kept."""
    bench = Bench(start=False)
    bench.node.refuse[0x1016, 1] = 0x06020000
    bench.driver.start()
    assert bench.node.state == 0x05
    assert bench.driver.host_watch_refused is not None
    assert bench.driver.host_watch_refused.code == 0x06020000


def test_starting_again_only_makes_ready(bench: Bench) -> None:
    """A second start() switches nothing off and leaves one heartbeat; after stop_all it makes ready again."""
    bench.driver.set_fan("nozzle", 0.5)
    bench.driver.start()
    assert bench.node.values[0x6411, 2] == 500
    bench.driver.stop_all()
    bench.link.run_for(0.01)
    assert bench.node.state == 0x7F
    bench.driver.start()
    assert bench.node.state == 0x05


def test_a_node_that_dropped_out_is_made_ready_by_the_next_verb(bench: Bench) -> None:
    """A node that went pre-operational by itself gets its host watch and NMT start again, when a verb needs it."""
    bench.driver.set_lamp("status", "green")
    bench.node.state = 0x7F
    bench.node.writes.clear()
    bench.link.run_for(0.2)
    assert bench.node.state == 0x7F
    bench.driver.set_lamp("status", "red")
    assert bench.node.state == 0x05
    assert [index for index, _, _ in bench.node.writes] == [0x1016, 0x6200]
    assert bench.node.writes[-1][2] == 0b001  # its outputs were off by then


# --- identity and status -------------------------------------------------------------------------------------


def test_identify_reads_numbers_and_names(bench: Bench) -> None:
    """Vendor, product, revision and serial come from 0x1018, the names from 0x1008, 0x1009 and 0x100A."""
    found = bench.driver.identify()
    assert (found.product_code, found.revision, found.serial_number) == (0x474C31, 0x10002, 0x1234)
    assert (found.name, found.hardware, found.firmware) == ("GH-1", "B", "1.4.0")


def test_status_and_counters(bench: Bench) -> None:
    """Uptime is scaled to seconds, the reset cause is a word, the counters are the node's."""
    bench.node.values.update({(0x2000, 1): 12_345, (0x2000, 2): 3})
    bench.node.values.update({(0x2001, 1): 8, (0x2001, 2): 9, (0x2001, 3): 42})
    status = bench.driver.read_status()
    assert (status.uptime_s, status.reset_cause) == (pytest.approx(12.345), "watchdog")
    counters = bench.driver.read_bus_counters()
    assert (counters.transmit_errors, counters.receive_errors, counters.errors) == (8, 9, 42)


def test_restart_measures_the_boot(bench: Bench) -> None:
    """The time is from the NMT reset to the boot-up message; the node is made ready by the next verb."""
    assert bench.driver.restart(2.0) == pytest.approx(0.3, abs=0.01)
    assert bench.node.state == 0x7F
    assert [reading.kind for reading in bench.readings if reading.kind == "boot"] == ["boot"]
    bench.driver.set_fan("nozzle", 0.5)
    assert bench.node.state == 0x05


def test_a_node_that_does_not_come_back(bench: Bench) -> None:
    """Without a boot-up message restart() raises NoAnswer after the time allowed."""
    bench.node.is_dead = True
    with pytest.raises(NoAnswer, match="boot-up"):
        bench.driver.restart(1.0)


def test_heartbeats_are_watched(bench: Bench) -> None:
    """The times of the heartbeats of the next second come back, 0.1 s apart."""
    times = bench.driver.watch_heartbeat(1.0)
    assert len(times) == 10
    assert [later - early for early, later in itertools.pairwise(times)] == pytest.approx([0.1] * 9)


# --- values ---------------------------------------------------------------------------------------------------


def test_values_are_scaled(bench: Bench) -> None:
    """Roles give raw numbers their unit, sign included."""
    bench.node.values.update({(0x6401, 1): 24_120, (0x7130, 1): -55, (0x6401, 2): 2000, (0x2103, 1): 125})
    assert bench.driver.read_supply_v() == pytest.approx(24.12)
    assert bench.driver.read_temperature_c("reservoir") == pytest.approx(-5.5)
    assert bench.driver.read_tach_hz("electronics") == pytest.approx(200.0)
    assert bench.driver.read_heater_output("reservoir") == pytest.approx(0.125)


def test_no_valid_temperature_is_not_a_temperature(bench: Bench) -> None:
    """The smallest number of the type is "no valid value": Refused to who asks, NaN to who listens."""
    bench.node.values[0x7130, 1] = -32768
    with pytest.raises(Refused, match="open, shorted or not fitted"):
        bench.driver.read_temperature_c("reservoir")
    assert math.isnan(bench.of("temperature_c")[-1].value)


def test_setpoint_and_pulse_are_written_in_the_nodes_units(bench: Bench) -> None:
    """50 degC is 500 tenths; a pulse writes its time before its duty."""
    bench.driver.set_heater_c("reservoir", 50.0)
    assert bench.node.writes[-1] == (0x2100, 1, 500)
    bench.driver.pulse_heater("reservoir", 1.0, 4.0)
    assert bench.node.writes[-2:] == [(0x2102, 1, 4000), (0x2101, 1, 1000)]


def test_an_abort_is_a_refusal_with_its_text(bench: Bench) -> None:
    """What the node aborts comes out as Refused, with code and meaning."""
    bench.node.refuse[0x2100, 1] = 0x06090031
    with pytest.raises(Refused, match="Value of parameter written too high") as caught:
        bench.driver.set_heater_c("reservoir", 50.0)
    assert caught.value.code == 0x06090031


def test_values_that_do_not_fit_are_refused_before_the_wire(bench: Bench) -> None:
    """A value beyond the type's range, and a duty in percent, are the caller's mistakes."""
    sent = len(bench.port.sent)
    with pytest.raises(UsageError, match="does not fit"):
        bench.driver.set_heater_c("reservoir", 5000.0)
    with pytest.raises(UsageError, match=r"0\.\.1"):
        bench.driver.set_fan("nozzle", 70)
    assert [f for f in bench.port.sent[sent:] if f.can_id == 0x605] == []


def test_switches_follow_their_level(bench: Bench) -> None:
    """A switch is actuated when its bit has the level that the description says."""
    bench.node.values[0x6000, 1] = 0b10
    assert bench.driver.read_switch("level") is True
    assert bench.driver.read_switch("pump_home") is False


def test_a_lamp_shows_one_colour_and_keeps_other_bits(bench: Bench) -> None:
    """Outputs that share a byte are changed bit by bit in our copy; the byte is written once."""
    bench.driver._outputs[0x6200, 1] = 0b1000_0000
    bench.driver.set_lamp("status", "green")
    bench.driver.set_lamp("status", "blue")
    bench.driver.set_lamp("status", None)
    assert [value for index, _, value in bench.node.writes if index == 0x6200] == [0x82, 0x84, 0x80]
    with pytest.raises(UsageError, match="red, green, blue"):
        bench.driver.set_lamp("status", "amber")


def test_names_that_are_not_there(bench: Bench) -> None:
    """A misspelt load is a UsageError with the nearest name; a verb without role is not offered."""
    with pytest.raises(UsageError, match="did you mean 'reservoir'"):
        bench.driver.read_temperature_c("resevoir")
    text = GLUE_HEAD.read_text().replace('roles.tach_hz = { at = "0x6401:2", scale = 0.1 }\n', "", 1)
    driver = CanopenDriver(bench.link, load_text(text, FIXTURES).description, "head", FIXTURES)
    assert "read_tach_hz[nozzle]" in driver.offers
    assert "read_tach_hz[electronics]" not in driver.offers
    with pytest.raises(NotOffered, match="tach_hz"):
        driver.read_tach_hz("electronics")


def test_offers_are_what_roles_and_eds_allow(bench: Bench) -> None:
    """The glue head offers every verb for each of its loads; roles are gone through once, for they are asked for often."""
    assert bench.driver._places.offers is bench.driver._places.offers
    assert bench.driver.offers >= {
        "identify",
        "read_supply_v",
        "send_burst",
        "set_heater_c[reservoir]",
        "pulse_heater[reservoir]",
        "read_temperature_c[board]",
        "set_fan[nozzle]",
        "move[pump]",
        "enable_driver[pump]",
        "read_driver[pump]",
        "read_switch[level]",
        "set_lamp[status]",
    }


def test_a_burst_is_asked_for_with_its_interval_first(bench: Bench) -> None:
    """The write of the count starts the burst, so the interval is written before it."""
    bench.driver.send_burst(100, 0.004)
    assert bench.node.writes[-2:] == [(0x2002, 2, 4000), (0x2002, 1, 100)]
    bench.node.values[0x2002, 3] = 77
    assert bench.driver.read_burst() == 77


# --- motion ----------------------------------------------------------------------------------------------------


def test_a_move_goes_through_the_state_machine(bench: Bench) -> None:
    """Shutdown, switch on, enable; then relative target, new set-point, acknowledge; back when it is there."""
    bench.driver.enable_driver("pump", True)
    bench.node.writes.clear()
    before_s = bench.link.now_s
    bench.driver.move("pump", 800, 2.0, 5.0)
    assert bench.driver.read_position("pump") == 800
    assert bench.link.now_s - before_s >= bench.node.move_s
    values = {index: value for index, _, value in bench.node.writes}
    assert (values[0x607A], values[0x6081]) == (800, 2 * 200 * 16)
    assert [value for index, _, value in bench.node.writes if index == 0x6040] == [0x4F, 0x5F, 0x4F]
    bench.driver.move("pump", -800, 2.0, 5.0)
    assert bench.driver.read_position("pump") == 0


def test_enabling_writes_the_commands_of_the_profile(bench: Bench) -> None:
    """From "switch on disabled" the control words are 6, 7, F, in profile position mode."""
    bench.driver.enable_driver("pump", True)
    assert [value for index, _, value in bench.node.writes if index == 0x6060] == [1]
    assert [value for index, _, value in bench.node.writes if index == 0x6040] == [0x06, 0x07, 0x0F]
    bench.driver.enable_driver("pump", False)
    assert bench.node.drive == 0x40


def test_a_fault_is_reset_once(bench: Bench) -> None:
    """A drive in fault gets one reset edge; if it stays, that is a refusal."""
    bench.node.drive = 0x08
    bench.driver.enable_driver("pump", True)
    assert bench.node.drive == 0x27
    bench.node.drive = 0x08
    bench.node._on_control = lambda word: None  # type: ignore[method-assign]
    with pytest.raises(Refused, match="stays in fault"):
        bench.driver.enable_driver("pump", True)


def test_a_move_of_a_drive_that_is_off_is_refused(bench: Bench) -> None:
    """Without current the drive is not asked to move."""
    with pytest.raises(Refused, match="switch on disabled"):
        bench.driver.move("pump", 100, 1.0, 5.0)
    assert 0x607A not in {index for index, _, _ in bench.node.writes}


def test_a_move_that_never_arrives_ends_by_its_travel(bench: Bench) -> None:
    """The wait ends soon after travel and ramps should be over, long before a generous limit."""
    bench.driver.enable_driver("pump", True)
    bench.node.move_s = 1000.0
    start_s = bench.link.now_s
    with pytest.raises(NoAnswer, match=r"target reached after \+800 microsteps.*position 0"):
        bench.driver.move("pump", 800, 2.0, 500.0)
    assert bench.link.now_s - start_s < 10.0
    start_s = bench.link.now_s
    with pytest.raises(NoAnswer):
        bench.driver.move("pump", 800, 2.0, 0.2)
    assert bench.link.now_s - start_s == pytest.approx(0.2, abs=0.05)


def test_a_fault_while_moving_is_told(bench: Bench) -> None:
    """A drive that drops into fault during a move ends the move as a refusal."""
    bench.driver.enable_driver("pump", True)
    bench.node.move_s = 1000.0

    def fail() -> None:
        bench.node.drive = 0x08

    bench.port.after(0.1, fail)
    with pytest.raises(Refused, match="went into fault"):
        bench.driver.move("pump", 8000, 2.0, 5.0)


def test_the_stepper_driver_reports(bench: Bench) -> None:
    """Currents, microsteps and flags by name; a chip that reads as all ones or zeros is not reachable."""
    bench.node.values.update(
        {(0x2300, n): v for n, v in enumerate((700, 350, 16, 0b100001, 3, 0x21), start=1)}
    )
    found = bench.driver.read_driver("pump")
    assert found.reachable
    assert (found.current_a, found.hold_current_a, found.microsteps, found.writes) == (0.7, 0.35, 16, 3)
    assert found.flags == {"open_load_a", "reset"}
    bench.node.values[0x2300, 6] = 0xFF
    assert not bench.driver.read_driver("pump").reachable
    bench.driver.configure_driver("pump", 0.7, 32)
    assert bench.node.writes[-2:] == [(0x2300, 1, 700), (0x2300, 3, 32)]


# --- what comes unasked ---------------------------------------------------------------------------------------------


def test_process_data_become_readings(bench: Bench) -> None:
    """A TPDO is taken apart by the node's mapping: two temperatures, the supply, the switches."""
    bench.port.arrive(0x185, (-15).to_bytes(2, "little", signed=True) + bytes([0xE8, 0, 0x38, 0x5E, 0b01]))
    bench.readings.clear()
    bench.link.run_for(0.01)
    values = {(each.kind, each.name): each.value for each in bench.readings if not each.asked}
    assert values["temperature_c", "reservoir"] == pytest.approx(-1.5)
    assert values["temperature_c", "board"] == pytest.approx(23.2)
    assert values["supply_v", "head"] == pytest.approx(24.12)
    assert (values["switch", "pump_home"], values["switch", "level"]) == (1.0, 0.0)


def test_a_short_process_data_frame_gives_what_it_holds(bench: Bench) -> None:
    """Fields beyond the end of a frame are left out, nothing is made up."""
    bench.port.arrive(0x185, bytes([1, 0, 2]))
    bench.readings.clear()
    bench.link.run_for(0.01)
    assert [(each.kind, each.name) for each in bench.readings if each.kind != "heartbeat"] == [
        ("temperature_c", "reservoir")
    ]


def test_the_same_number_of_29_bits_is_another_identifier(bench: Bench) -> None:
    """A frame of a stranger is no process data of the node, and no emergency either (ISO 11898-1: two formats)."""
    bench.readings.clear()
    bench.port.arrive(0x185, bytes([1, 0, 2, 0, 3, 0]), extended=True)
    bench.port.arrive(0x085, bytes.fromhex("30 50 04 01 00 00 00 00"), extended=True)
    bench.link.run_for(0.01)
    assert not [each for each in bench.readings if each.kind not in ("heartbeat",)]
    assert not bench.driver.emergencies


def test_a_thousand_emergencies_are_a_short_message(bench: Bench) -> None:
    """Counted by code: the maker's bytes may count up. A message lists few kinds and says that there are more."""
    incoming = bench.driver._incoming
    mark = incoming.mark()
    for number in range(1000):
        same = b"\x30\x50\x04" + number.to_bytes(5, "little")
        other = (0xFF00 + number % 200).to_bytes(2, "little") + same[2:]
        for data in (same, other):
            incoming.take(Frame(0x085, data))
    told = incoming.seen_since(mark)
    assert len(incoming.frames) <= 70
    assert told.startswith("1000 emergency 0x5030")
    assert "more kinds" in told
    assert len(told) < 1000
    assert (
        sum(int(each.split(" ", 1)[0]) for each in told.split(", ") if "emergenc" in each or "kinds" in each)
        == 2000
    )


def test_heartbeats_and_emergencies_are_readings(bench: Bench) -> None:
    """An emergency message is kept decoded and told; a heartbeat carries the node's state."""
    bench.port.arrive(0x085, bytes.fromhex("30 50 04 01 00 00 00 00"))
    bench.link.run_for(0.2)
    assert bench.of("emergency")[0].value == 0x5030
    assert bench.driver.emergencies[0].register == 4
    assert "device hardware" in str(bench.driver.emergencies[0])
    assert bench.of("heartbeat")[-1].value == 5


def test_broken_frames_harm_nobody(bench: Bench) -> None:
    """Empty, short, remote and error frames under the node's identifiers are passed over."""
    for can_id in (0x085, 0x185, 0x585, 0x705):
        bench.port.arrive(can_id, b"")
        bench.port.arrive(can_id, b"\x80" if can_id != 0x705 else b"\x05")
        bench.port.arrive(can_id, b"", remote=True)
    bench.port.arrive(0x85, bytes(8), error=True)
    bench.link.run_for(0.1)
    assert bench.driver.identify().serial_number == 0x1234


def test_what_was_seen_meanwhile_is_told(bench: Bench) -> None:
    """NoAnswer says what came while the answer did not: heartbeats, error frames, emergencies."""

    def deaf(frame: object) -> None:
        return None

    bench.port.hearers[:] = [deaf]
    bench.port.arrive(0x80, bytes(8), error=True, delay_s=0.01)
    bench.port.arrive(0x333, bytes(8), delay_s=0.02)
    with pytest.raises(NoAnswer) as caught:
        bench.driver.read_supply_v()
    assert "heartbeats (operational)" in caught.value.seen
    assert "1 error frames" in caught.value.seen
    assert "1 other frames" in caught.value.seen
    assert caught.value.waited_s == pytest.approx(0.3)


def test_an_assertion_in_a_reading_listener_reaches_the_waiter(bench: Bench) -> None:
    """What a listener of readings raises is not swallowed by the protocol library."""

    def angry(reading: Reading) -> None:
        if reading.kind == "temperature_c":
            raise AssertionError("too hot")

    bench.driver.on_reading(angry)
    bench.port.arrive(0x185, bytes(7))
    with pytest.raises(AssertionError, match="too hot"):
        bench.link.run_for(0.1)


def test_verbs_inside_a_listener_are_refused(bench: Bench) -> None:
    """Asking the node from inside a listener would hang on hardware; it raises here."""
    bench.link.listen(lambda _: bench.driver.read_supply_v())
    with pytest.raises(Exception, match="already waiting"):
        bench.link.run_for(0.2)


# --- search ------------------------------------------------------------------------------------------------------------


def test_search_finds_every_node_without_disturbing(bench: Bench) -> None:
    """Two nodes are found with identity, serial number and heartbeats, in about a second."""
    LibraryNode(bench.port, node_id=17, serial=99)
    start_s = bench.link.now_s
    found = bench.driver.search(1.0)
    assert sorted(found) == [5, 17]
    assert found[17].serial_numbers == (99,)
    assert found[5].identity is not None
    assert found[5].identity.product_code == 0x474C31
    assert (found[5].answers, found[17].answers) == (1, 1)
    assert found[5].heartbeats >= 5
    assert bench.link.now_s - start_s < 1.3
    assert bench.node.state == 0x05


def test_two_boards_under_one_id_are_seen(bench: Bench) -> None:
    """Two answers to one request and two serial numbers betray a duplicate id."""
    LibraryNode(bench.port, node_id=5, serial=99, latency_s=0.0007)
    found = bench.driver.search(1.0)[5]
    assert found.answers == 2
    assert found.serial_numbers == (0x1234, 99)


def test_a_slow_board_is_not_two_boards(bench: Bench) -> None:
    """Answers that come after the next request was sent do not count as a second board."""
    bench.node.network.latency_s = 0.05
    assert bench.driver.search(1.0)[5].answers == 1


def test_answers_to_earlier_questions_are_no_second_board(bench: Bench) -> None:
    """A late answer from before the search is not counted."""
    for _ in range(3):
        bench.port.arrive(0x585, bytes.fromhex("43 18 10 02 31 4C 47 00"), 0.1)
    assert bench.driver.search(1.0)[5].answers == 1


def test_requests_are_paced(bench: Bench) -> None:
    """Asking 127 ids never sends two requests within two frame times."""
    bench.port.sent.clear()
    bench.driver.search(1.0)
    times = [frame.t_ns for frame in bench.port.sent if 0x601 <= frame.can_id <= 0x67F]
    assert len(times) >= 127
    assert min(later - early for early, later in itertools.pairwise(times)) >= 2 * 135_000


def test_search_on_a_dead_bus_finds_nobody() -> None:
    """With a full transmit queue the search ends with what was heard: nothing."""
    bench = Bench(start=False)
    bench.node.is_dead = True
    bench.port.is_full = True
    assert bench.driver.search(1.0) == {}


def test_what_never_left_the_adapter_is_told_as_that(bench: Bench) -> None:
    """Nobody waited for an answer: why nothing went out, and where to look for that."""
    bench.port.is_full = True
    with pytest.raises(NotSent, match=r"nothing went out to node 'head' \(a read of supply_v") as caught:
        bench.driver.read_supply_v()
    assert "error-passive: nobody acknowledges" in str(caught.value)
    assert caught.value.look_first == (NOBODY, CROSSED)


# --- off -----------------------------------------------------------------------------------------------------------------


def test_stop_all_sends_twice_and_waits_for_nothing(bench: Bench) -> None:
    """All-off and NMT pre-operational go out twice, in no bench time; the next verb is not confused."""
    bench.port.sent.clear()
    before_ns = bench.link.now_ns
    bench.driver.stop_all()
    assert bench.link.now_ns == before_ns
    assert [(frame.can_id, frame.data.hex(" ")) for frame in bench.port.sent] == [
        (0x605, "2f 10 20 00 01 00 00 00"),
        (0x000, "80 05"),
    ] * 2
    bench.node.values[0x6401, 1] = 24_000
    assert bench.driver.read_supply_v() == 24.0  # the confirmations of all-off arrive during this read
    assert bench.node.state == 0x7F


def test_stop_each_has_a_command_for_every_output(bench: Bench) -> None:
    """For a node that does not obey its all-off: heater, fans, lamp and motor by their own objects, in no bench time."""
    bench.port.sent.clear()
    before_ns = bench.link.now_ns
    bench.driver.stop_each()
    assert bench.link.now_ns == before_ns
    assert {frame.can_id for frame in bench.port.sent} == {0x605}
    written = {int.from_bytes(frame.data[1:3], "little"): frame.data[4:] for frame in bench.port.sent}
    assert 0x2010 not in written
    assert set(written.values()) == {bytes(4)}
    outputs = {
        each.index for key, each in bench.driver._places if key[2] in ("setpoint_c", "duty", "control")
    }
    assert outputs <= set(written)
    bench.node.values[0x6401, 1] = 24_000
    assert bench.driver.read_supply_v() == 24.0  # the confirmations arrive during this read


def test_stop_all_works_inside_a_listener(bench: Bench) -> None:
    """The guard switches off from where it hears of it."""
    bench.link.listen(lambda _: bench.driver.stop_all(), ids={0x185})
    bench.port.arrive(0x185, bytes(7))
    bench.link.run_for(0.05)
    assert bench.node.state == 0x7F


def test_without_an_all_off_object_each_output_is_switched_off(bench: Bench) -> None:
    """Setpoint, duty, fans, lamp and drive are written one by one when there is no single object for it."""
    text = GLUE_HEAD.read_text().replace('all_off = "0x2010"\n', "")
    driver = CanopenDriver(bench.link, load_text(text, FIXTURES).description, "head", FIXTURES)
    bench.node.writes.clear()
    driver.stop_all()
    bench.link.run_for(0.05)
    written = {(index, sub): value for index, sub, value in bench.node.writes}
    assert written == {
        (0x2100, 1): 0,
        (0x2101, 1): 0,
        (0x6411, 1): 0,
        (0x6411, 2): 0,
        (0x6200, 1): 0,
        (0x6040, 0): 0,
    }


def test_stop_all_clears_a_full_queue_first(bench: Bench) -> None:
    """Old frames that nobody took are thrown away for it."""
    bench.port.is_full = True
    bench.driver.stop_all()
    assert bench.port.flushed == 1
    assert bench.port.sent[-1].data == b"\x80\x05"


def test_stop_all_that_no_frame_got_out_of_says_so(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """An adapter that takes nothing, emptied or not: nobody may take that for off. Otherwise it is off."""
    assert bench.driver.stop_all() is True
    monkeypatch.setattr(bench.port, "flush", lambda: None)
    bench.port.is_full = True
    assert bench.driver.stop_all() is False


def test_stop_all_on_a_lost_bus_says_what_remains(bench: Bench) -> None:
    """Only BenchLost comes out, it names the node's own watch, and the host is silent from then on."""
    bench.port.is_lost = True
    with pytest.raises(BenchLost, match="own watch on the host"):
        bench.driver.stop_all()
    bench.port.is_lost = False
    bench.port.sent.clear()
    bench.link.run_for(0.5)
    assert bench.port.sent_to(0x77F) == []


def test_outputs_are_forgotten_when_the_node_restarts(bench: Bench) -> None:
    """After a reset our copy of the outputs is empty, as the node's is."""
    bench.driver.set_lamp("status", "green")
    bench.driver.restart(2.0)
    bench.driver.set_lamp("status", None)
    assert bench.node.values[0x6200, 1] == 0


# --- opening ---------------------------------------------------------------------------------------------------------------


def test_open_driver_takes_a_loaded_description() -> None:
    """With a loaded description the EDS is found beside the file."""
    driver = open_driver(Link(EventPort()), load_description(GLUE_HEAD), "head")
    assert isinstance(driver, CanopenDriver)


def test_an_own_driver_that_is_not_installed_is_named() -> None:
    """The message names the entry point group, so that the reader knows where it is looked for."""
    node = DESCRIPTION.node[0].model_copy(update={"protocol": "own", "driver": "mine"})
    description = DESCRIPTION.model_copy(update={"node": [node]})
    with pytest.raises(UsageError, match=r"'mine'.*hiltest\.drivers"):
        open_driver(Link(EventPort()), description, "head")
    with pytest.raises(UsageError, match="did you mean 'head'"):
        open_driver(Link(EventPort()), description, "haed")


def test_every_role_that_leads_nowhere_is_named_at_once() -> None:
    """All bad roles come in one error, each with what is near."""
    roles = {**DESCRIPTION.node[0].roles}
    for name, at in (("supply_v", "0x6402:1"), ("uptime_s", "0x2000:9"), ("reset_cause", "No such name")):
        roles[name] = roles[name].model_copy(update={"at": at})
    node = DESCRIPTION.node[0].model_copy(update={"roles": roles})
    description = DESCRIPTION.model_copy(update={"node": [node]})
    with pytest.raises(DescriptionError) as caught:
        CanopenDriver(Link(EventPort()), description, "head", FIXTURES)
    assert len(caught.value.problems) == 3
    assert "nearest is 0x6401" in str(caught.value)
    assert "no sub-index 9" in str(caught.value)


def test_a_firmware_that_does_not_fit_the_eds_is_told(bench: Bench) -> None:
    """An answer of another size than the EDS says is a fault of the node, with both sizes."""
    bench.port.hearers.clear()

    def answer(frame: object) -> None:
        bench.port.arrive(0x585, bytes.fromhex("4F 01 64 01 05 00 00 00"))

    bench.port.hearers.append(answer)  # type: ignore[arg-type]
    with pytest.raises(NodeFault, match="1 bytes"):
        bench.driver.read_supply_v()
