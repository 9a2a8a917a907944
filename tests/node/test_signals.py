"""The signals driver against a node that is made of cantools, and against values that cantools encodes."""

from __future__ import annotations

import itertools
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cantools.database
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.description.loading import load_description, load_text
from hiltest.description.models import Description
from hiltest.errors import DescriptionError, NoAnswer, NotOffered, Refused, UsageError
from hiltest.link import Link
from hiltest.node._dbc import DbcCodec
from hiltest.node.opening import open_driver
from hiltest.node.signals import DbcDriver
from hiltest.node.verbs import Reading

from .cantools_node import DBC, CantoolsNode
from .doubles import EventPort

FIXTURES = DBC.parent
VENT = FIXTURES / "vent_actuator.toml"


@dataclass
class Bench:
    """Driver, node and link in simulated time."""

    port: EventPort
    node: CantoolsNode
    link: Link
    driver: DbcDriver
    readings: list[Reading] = field(default_factory=list)

    def of(self, kind: str) -> list[Reading]:
        return [reading for reading in self.readings if reading.kind == kind]


def make(description: Description | None = None, folder: Path = FIXTURES, **node: Any) -> Bench:
    port = EventPort()
    peer = CantoolsNode(port, **node)
    link = Link(port)  # type: ignore[arg-type]
    described = description or load_description(VENT).description
    driver = DbcDriver(link, described, described.node[0].name, folder)
    bench = Bench(port, peer, link, driver)
    driver.on_reading(bench.readings.append)
    return bench


@pytest.fixture
def bench() -> Bench:
    made = make()
    made.driver.start()
    return made


def changed(old: str, new: str) -> Description:
    """The vent actuator's description with one text in it replaced."""
    text = VENT.read_text(encoding="utf-8")
    assert old in text
    return load_text(text.replace(old, new), FIXTURES).description


# --- bytes ------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    fan=st.integers(0, 200),
    setpoint=st.integers(0, 1500),
    duty=st.integers(0, 1000),
    pulse=st.integers(0, 63),
)
def test_the_codec_says_what_cantools_says(fan: int, setpoint: int, duty: int, pulse: int) -> None:
    """Bytes and values agree with cantools' own, for every count of the command message."""
    codec = DbcCodec(DBC, "database")
    message = cantools.database.load_file(str(DBC)).get_message_by_name("Vent_Command")
    values = {
        "AllOff": 1.0,
        "MotorEnable": 0.0,
        "Counter": 9.0,
        "FanDuty": fan * 0.5,
        "HeaterSetpoint": setpoint * 0.1,
        "HeaterDuty": duty * 0.1,
        "PulseTime": pulse * 0.25,
        "Checksum": 0.0,
    }
    data = codec.encode("Vent_Command", values)
    assert data == message.encode(values)
    decoded = codec.decode("Vent_Command", data)
    assert decoded == message.decode(data, decode_choices=False)
    # And by hand, from the layout in the file.
    assert data[1] == fan
    assert int.from_bytes(data[2:4], "little") == setpoint
    assert int.from_bytes(data[4:6], "little") == duty | pulse << 10


def test_where_bits_lie_agrees_with_what_cantools_encodes() -> None:
    """The bits that the codec states for a signal are those that change when cantools encodes all ones there."""
    codec = DbcCodec(DBC, "database")
    database = cantools.database.load_file(str(DBC))
    for message in database.messages:
        for signal in message.signals:
            if signal.is_multiplexer:
                continue  # not every number of it is a page
            mask = 0
            for bit in codec.bits_of(message.name, signal.name):
                mask |= 1 << bit
            raw = {each.name: 0 for each in message.signals}
            for each in message.signals:
                if each.is_multiplexer:
                    raw[each.name] = signal.multiplexer_ids[0]
            base = message.encode(raw, scaling=False, strict=False)
            raw[signal.name] = -1 if signal.is_signed else (1 << signal.length) - 1
            full = message.encode(raw, scaling=False, strict=False)
            seen = int.from_bytes(full, "little") ^ int.from_bytes(base, "little")
            assert seen == mask, signal.name


# --- cyclic commands --------------------------------------------------------------------------------------


def test_nothing_is_sent_before_the_node_was_heard() -> None:
    """A node that still boots acknowledges nothing, so the driver listens first."""
    bench = make()
    bench.node.mute = True
    bench.port.after(0.5, lambda: setattr(bench.node, "mute", False))
    bench.driver.start()
    bench.link.run_for(0.01)
    assert bench.node.heard
    assert bench.node.heard[0][0] > 0.5


def test_commands_go_out_in_their_period_with_a_counter_and_a_checksum(bench: Bench) -> None:
    """Every 100 ms a frame, its counter one more than before, its checksum right (the node checks it)."""
    bench.link.run_for(0.05)
    bench.node.heard.clear()
    bench.link.run_for(2.0)
    for name in ("Vent_Command", "Vent_Move"):
        times = bench.node.times_of(name)
        gaps = [b - a for a, b in itertools.pairwise(times)]
        assert len(times) == 20
        assert all(gap == pytest.approx(0.1, abs=1e-6) for gap in gaps)
        counts = [round(values["Counter"]) for values in bench.node.of(name)]
        assert all((b - a) % 16 == 1 for a, b in itertools.pairwise(counts))
    assert not bench.node.of("Vent_Service"), "what is sent on demand was sent without one"


def test_every_output_rests_until_it_is_asked_for(bench: Bench) -> None:
    """The first frames say all off, with duties, setpoint and motor at rest."""
    bench.link.run_for(0.3)
    for values in bench.node.of("Vent_Command"):
        assert values["AllOff"] == 1
        assert (
            values["FanDuty"]
            == values["HeaterSetpoint"]
            == values["HeaterDuty"]
            == values["MotorEnable"]
            == 0
        )


def test_silence_ends_every_frame_and_forgets_what_was_on(bench: Bench) -> None:
    """A silent host sends nothing at all; when it speaks again, nothing comes back on."""
    bench.driver.set_fan("box", 0.6)
    bench.link.run_for(0.3)
    assert bench.node.of("Vent_Command")[-1]["FanDuty"] == 60
    bench.driver.go_silent()
    bench.link.run_for(0.01)
    bench.node.heard.clear()
    bench.link.run_for(1.0)
    assert not bench.node.heard
    bench.driver.resume()
    bench.link.run_for(0.3)
    commands = bench.node.of("Vent_Command")
    assert len(commands) >= 3
    assert all(values["FanDuty"] == 0 and values["AllOff"] == 1 for values in commands)


def test_stop_all_waits_for_nothing_and_is_said_twice(bench: Bench) -> None:
    """The stop goes out at once, twice, and stands in every frame after it."""
    bench.driver.set_fan("box", 1.0)
    bench.link.run_for(0.25)
    sent = len(bench.port.sent)
    before_s = bench.link.now_s
    bench.driver.stop_all()
    assert bench.link.now_s == before_s
    assert [frame.can_id for frame in bench.port.sent[sent:]].count(0x110) == 2
    bench.node.heard.clear()
    bench.link.run_for(0.5)
    assert all(values["AllOff"] == 1 and values["FanDuty"] == 0 for values in bench.node.of("Vent_Command"))


def test_a_full_queue_is_emptied_for_the_stop(bench: Bench) -> None:
    """What waits in the adapter is older than the stop: it is thrown away."""
    bench.port.is_full = True
    bench.driver.stop_all()
    assert bench.port.flushed == 1
    assert bench.port.sent[-1].data[0] & 1


def test_a_stop_that_no_frame_got_out_of_says_so(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """An adapter that takes nothing, emptied or not: nobody may take that for off. Otherwise it is off."""
    assert bench.driver.stop_all() is True
    monkeypatch.setattr(bench.port, "flush", lambda: None)
    bench.port.is_full = True
    assert bench.driver.stop_all() is False


def test_a_node_that_began_anew_is_not_told_to_go_on(bench: Bench) -> None:
    """A smaller uptime means a reset: outputs rest from the next frame on, and the guard hears of it."""
    bench.driver.set_fan("box", 0.6)
    bench.link.run_for(0.5)
    bench.node.boot()
    bench.link.run_for(1.0)
    assert bench.of("boot")
    assert bench.node.of("Vent_Command")[-1]["FanDuty"] == 0


# --- reading ----------------------------------------------------------------------------------------------


def test_every_verb_of_the_roles_is_offered_and_nothing_else(bench: Bench) -> None:
    """The vent actuator offers all but a lamp and an encoder, which it does not have."""
    offers = bench.driver.offers
    assert {"restart", "go_silent", "read_status", "send_burst", "send_stale", "move[screw]"} <= offers
    assert {"set_heater_c[pad]", "pulse_heater[pad]", "read_tach_hz[box]", "read_switch[open]"} <= offers
    assert not any(verb.startswith(("set_lamp", "read_encoder", "synchronise")) for verb in offers)
    poor = make(changed('restart = { at = "Vent_Service.ResetKey", on = "Reset" }', "")).driver
    assert "restart" not in poor.offers
    with pytest.raises(NotOffered, match="restart"):
        poor.restart(1.0)


def test_identity_comes_from_pages_of_a_multiplexed_message(bench: Bench) -> None:
    """Numbers on three pages of one message, the version from three signals."""
    identity = bench.driver.identify()
    assert (identity.product_code, identity.revision, identity.serial_number) == (0x5641, 0x0102, 4711)
    assert identity.firmware == "2.1.0"


def test_what_is_read_is_fresh(bench: Bench) -> None:
    """A value older than three of its periods is no answer; the error says what came meanwhile."""
    assert bench.driver.read_temperature_c("pad") == pytest.approx(21.5)
    bench.node.messages.clear()
    bench.node.mute = True
    bench.link.run_for(0.25)
    assert bench.driver.read_temperature_c("pad") == pytest.approx(21.5)
    bench.link.run_for(0.1)
    with pytest.raises(NoAnswer, match=r"Vent_Heat\.PadTemperature.*nothing"):
        bench.driver.read_temperature_c("pad")
    assert bench.driver.unanswered == 1


@pytest.mark.parametrize(
    ("fault", "says"), [("frozen", "counter that stands still"), ("broken", "wrong checksum")]
)
def test_a_counter_that_stands_still_and_a_wrong_checksum_say_nothing(
    bench: Bench, fault: str, says: str
) -> None:
    """Such frames are dropped and named, and the node's sign of life ends with them."""
    getattr(bench.node, fault).add("Vent_Status")
    bench.link.run_for(0.7)
    beats = len(bench.of("heartbeat"))
    with pytest.raises(NoAnswer, match=says):
        bench.driver.read_supply_v()
    assert len(bench.of("heartbeat")) == beats
    assert bench.driver.read_temperature_c("pad") == pytest.approx(21.5), "other messages are none the worse"


def test_a_frame_that_the_counter_left_out_is_counted(bench: Bench) -> None:
    """Frames that were sent and never came stand in `unanswered`."""
    bench.link.run_for(0.3)
    assert bench.driver.unanswered == 0
    bench.node._counts["Vent_Status"] = (bench.node._counts["Vent_Status"] + 2) % 16
    bench.link.run_for(0.2)
    assert bench.driver.unanswered == 2


def test_a_value_that_stands_for_none_is_refused_and_reported_as_nan(bench: Bench) -> None:
    """The name in the value table says what is wrong, and the guard sees NaN."""
    bench.node.values["PadTemperature"] = -3276.8
    bench.link.run_for(0.2)
    with pytest.raises(Refused, match="SensorFault"):
        bench.driver.read_temperature_c("pad")
    assert math.isnan(bench.of("temperature_c")[-1].value)


def test_value_tables_name_the_reset_cause_and_the_state_of_a_switch(bench: Bench) -> None:
    """Names count, not numbers: 2 is called BrownOut in this file."""
    bench.node.values |= {"ResetCause": 2, "LowEnd": 1, "HighEnd": 0}
    bench.link.run_for(0.2)
    assert bench.driver.read_status().reset_cause == "brown-out"
    assert bench.driver.read_switch("closed") is True
    assert bench.driver.read_switch("open") is False


def test_a_read_after_a_command_waits_for_what_came_after_it(bench: Bench) -> None:
    """What the node said before the command is not its answer."""
    bench.link.run_for(0.25)
    bench.node.values["FanTach"] = 150.0
    bench.driver.set_fan("box", 1.0)
    assert bench.driver.read_tach_hz("box") == pytest.approx(150.0)


# --- heaters, motors, lamps -------------------------------------------------------------------------------


def test_a_setpoint_that_the_node_does_not_report_was_refused(bench: Bench) -> None:
    """The feedback signal is the node's answer; it must be the same value."""
    with pytest.raises(Refused, match=r"Vent_Heat\.ActiveSetpoint still says 0"):
        bench.driver.set_heater_c("pad", 45.0)

    def obey(name: str, values: dict[str, float]) -> None:
        if name == "Vent_Command":
            bench.node.values["ActiveSetpoint"] = values["HeaterSetpoint"]

    bench.node.on_heard = obey
    bench.driver.set_heater_c("pad", 45.0)
    assert bench.node.of("Vent_Command")[-1]["HeaterSetpoint"] == pytest.approx(45.0)
    assert bench.node.of("Vent_Command")[-1]["AllOff"] == 0


def test_a_pulse_begins_from_rest_and_its_time_goes_with_it(bench: Bench) -> None:
    """A second pulse starts with a frame at rest: a duty that never left would start nothing."""
    bench.driver.pulse_heater("pad", 1.0, 8.0)
    bench.link.run_for(0.35)
    bench.node.heard.clear()
    bench.driver.pulse_heater("pad", 0.5, 4.0)
    bench.link.run_for(0.05)
    duties = [(values["HeaterDuty"], values["PulseTime"]) for values in bench.node.of("Vent_Command")]
    assert duties[0][0] == 0
    assert duties[1] == (50.0, 4.0)


def test_a_value_that_the_signal_cannot_carry_is_not_sent(bench: Bench) -> None:
    """The error names the signal and what it carries."""
    with pytest.raises(UsageError, match=r"'PulseTime', which carries 0 to 15\.75"):
        bench.driver.pulse_heater("pad", 0.2, 20.0)
    with pytest.raises(UsageError, match=r"duty=1\.2 must be 0\.\.1"):
        bench.driver.set_fan("box", 1.2)


def test_another_product_is_not_energised() -> None:
    """A board that is not the described one is left alone, and the error says which it is."""
    bench = make()
    bench.node.values["ProductCode"] = 0x9999
    bench.driver.start()
    with pytest.raises(Refused, match="0x9999"):
        bench.driver.set_fan("box", 0.5)
    assert all(values["FanDuty"] == 0 for values in bench.node.of("Vent_Command"))


class Motor:
    """Moves the node's position to the commanded target, at once or never."""

    def __init__(self, bench: Bench, moves: bool = True) -> None:
        self.bench, self.moves = bench, moves
        self.enabled = False
        bench.node.on_heard = self.hear

    def hear(self, name: str, values: dict[str, float]) -> None:
        node = self.bench.node.values
        if name == "Vent_Command":
            self.enabled = bool(values["MotorEnable"])
            node["MotorEnabled"] = float(self.enabled)
        elif name == "Vent_Move" and self.enabled and self.moves:
            node["Position"] = values["Target"]


def test_a_move_goes_to_an_end_and_waits_for_the_position(bench: Bench) -> None:
    """Relative moves become ends from where the motor stands; enabling first sets the end to where it is."""
    Motor(bench)
    bench.node.values["Position"] = 1000
    bench.link.run_for(0.2)
    bench.driver.enable_driver("screw", True)
    assert bench.node.values["Position"] == 1000, "enabling moved the motor"
    bench.driver.move("screw", -320, 0.5, 3.0)
    assert bench.driver.read_position("screw") == 680
    move = bench.node.of("Vent_Move")[-1]
    assert move["Speed"] == 1600


def test_a_move_that_does_not_end_is_no_answer(bench: Bench) -> None:
    """The error tells where the motor stands."""
    Motor(bench, moves=False)
    bench.driver.enable_driver("screw", True)
    with pytest.raises(NoAnswer, match=r"screw: \+320 microsteps.*position 0, not there"):
        bench.driver.move("screw", 320, 0.5, 1.0)


def test_a_motor_without_current_is_not_moved(bench: Bench) -> None:
    """The node's feedback says that it is off, so the move is refused before it is sent."""
    bench.link.run_for(0.2)
    with pytest.raises(Refused, match=r"Vent_Status\.MotorEnabled says that the motor has no current"):
        bench.driver.move("screw", 320, 0.5, 1.0)
    with pytest.raises(Refused, match="screw enabled"):
        bench.driver.enable_driver("screw", True)


def test_driver_settings_are_sent_on_demand_and_read_back(bench: Bench) -> None:
    """Current and microsteps go in one frame; what the node reports instead is for the check to judge."""

    def obey(name: str, values: dict[str, float]) -> None:
        if name == "Vent_Service" and values["Service"] == 2:
            bench.node.values["RunCurrent"] = values["RunCurrentSet"]
            bench.node.values["Microsteps"] = values["MicrostepsSet"]

    bench.driver.configure_driver("screw", 0.56, 16)
    assert bench.driver.read_driver("screw").microsteps == 8
    bench.node.on_heard = obey
    bench.driver.configure_driver("screw", 0.56, 16)
    driver = bench.driver.read_driver("screw")
    assert (driver.current_a, driver.microsteps, driver.reachable) == (pytest.approx(0.56), 16, True)


# --- restart and search -----------------------------------------------------------------------------------


def test_a_restart_is_timed_to_the_first_sign_of_life(bench: Bench) -> None:
    """The key of the value table goes out, nothing else follows, and the break in the heartbeats is the reset."""

    def obey(name: str, values: dict[str, float]) -> None:
        if name == "Vent_Service" and values.get("ResetKey") == 0xA55A:
            bench.node.boot()

    bench.node.on_heard = obey
    bench.link.run_for(0.55)
    before = len(bench.node.heard)
    took_s = bench.driver.restart(3.0)
    assert 0.4 <= took_s <= 0.55
    assert [name for _, name, _ in bench.node.heard[before:]] == ["Vent_Service"]
    bench.link.run_for(0.3)
    assert bench.node.times_of("Vent_Command")[-1] > bench.link.now_s - 0.11, "the commands go on"


def test_heartbeats_without_a_break_are_no_restart(bench: Bench) -> None:
    """A node that ignores the command is found out."""
    with pytest.raises(NoAnswer, match="a reset with a break in its heartbeats"):
        bench.driver.restart(1.0)


def test_two_boards_show_as_twice_the_rate_and_two_serial_numbers() -> None:
    """One board is one answer; a second with the same messages can't hide."""
    bench = make()
    bench.driver.start()
    (alone,) = bench.driver.search(1.5).values()
    assert (alone.node_id, alone.answers, alone.serial_numbers) == (0, 1, (4711,))
    CantoolsNode(bench.port, serial=4712)
    (both,) = bench.driver.search(1.5).values()
    assert both.answers == 2
    assert set(both.serial_numbers) == {4711, 4712}


def test_a_stranger_is_found_under_its_identifier(bench: Bench) -> None:
    """A sender that neither database nor planned traffic knows is told; the node itself is 0."""
    for number in range(10):
        bench.port.arrive(0x3C5, b"\1", 0.1 * number)
    assert set(bench.driver.search(1.5)) == {0, 0x3C5}


def test_heartbeats_are_those_of_the_heartbeat_message(bench: Bench) -> None:
    """Times come from the status message alone, which has its period."""
    beats = bench.driver.watch_heartbeat(2.0)
    assert len(beats) in (19, 20, 21)
    assert [b - a for a, b in itertools.pairwise(beats)] == pytest.approx([0.1] * (len(beats) - 1))


# --- a database of another kind ---------------------------------------------------------------------------

LAMP_DBC = """VERSION ""
BU_: Host Post
BO_ 256 Post_Set: 2 Host
 SG_ Colour : 0|4@1+ (1,0) [0|15] "" Post
 SG_ Sum : 8|8@1+ (1,0) [0|255] "" Post
BO_ 257 Post_State: 1 Post
 SG_ Alive : 0|8@1+ (1,0) [0|255] "" Host
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 257 100;
VAL_ 256 Colour 0 "Dark" 1 "Red" 2 "Amber" ;
"""
LAMP = """
[fixture]
name = "signal post"
[supply]
voltage_v = 24.0
current_limit_a = 1.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 250_000
length_m = 5.0
[node]
name = "post"
protocol = "signals"
database = "post.dbc"
heartbeat = "Post_State"
[[node.message]]
name = "Post_Set"
period_s = 0.2
checksum = "Sum"
checksum_kind = "sum8_to_zero"
[[lamp]]
name = "post"
colours = ["red", "amber"]
roles.red = { at = "Post_Set.Colour", on = "Red" }
roles.amber = { at = "Post_Set.Colour", on = "Amber" }
"""


def test_colours_may_be_values_of_one_signal(tmp_path: Path) -> None:
    """A lamp of named values, a period from the description, a checksum that makes the sum zero; no all_off."""
    (tmp_path / "post.dbc").write_text(LAMP_DBC)
    database = cantools.database.load_string(LAMP_DBC)
    bench = make(load_text(LAMP, tmp_path).description, tmp_path, database=database, node="Post")
    bench.driver.start()
    bench.driver.set_lamp("post", "amber")
    bench.link.run_for(0.5)
    assert bench.port.sent_to(0x100)[-1] == bytes([2, 0xFE])
    bench.driver.set_lamp("post", None)
    assert bench.port.sent_to(0x100)[-1] == bytes([0, 0])
    assert "restart" not in bench.driver.offers
    assert not bench.driver.search(0.5)[0].serial_numbers


# --- what is wrong ----------------------------------------------------------------------------------------


def test_without_cantools_the_error_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    """The extra is named; nothing else of hiltest needs it."""
    monkeypatch.setitem(sys.modules, "cantools.database", None)
    link = Link(EventPort())  # type: ignore[arg-type]
    with pytest.raises(UsageError, match=r'pip install "hiltest\[dbc\]"'):
        open_driver(link, load_description(VENT), "vent")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('on = "Reset"', 'on = "Restart"', "a name of Vent_Service.ResetKey: Reset"),
        ('checksum = "Checksum"', 'checksum = "Counter"', "a signal of one whole byte"),
        (
            'feedback = "Vent_Heat.ActiveSetpoint"',
            'feedback = "Vent_Command.FanDuty"',
            "both commanded and reported",
        ),
    ],
)
def test_what_the_description_says_of_signals_is_checked_when_the_driver_is_made(
    old: str, new: str, says: str
) -> None:
    """Each mistake is told with its place, before anything is sent."""
    with pytest.raises(DescriptionError, match=says):
        make(changed(old, new))


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: "",
        lambda text: text[: len(text) // 2],
        lambda text: text.replace("BO_ 528", "BO_ 99999999999"),
        lambda text: text.replace("16@1+", "99@1+"),
        lambda text: "\0" * 5000,
    ],
    ids=["empty", "half", "big number", "too long", "zeros"],
)
def test_a_spoilt_database_is_a_clear_error_or_a_correct_read(
    tmp_path: Path, spoil: Callable[[str], str]
) -> None:
    """Nothing of the library's own errors gets through."""
    (tmp_path / "vent_actuator.dbc").write_text(spoil(DBC.read_text()))
    described = load_description(VENT).description
    link = Link(EventPort())  # type: ignore[arg-type]
    with pytest.raises((DescriptionError, UsageError), match="vent"):
        DbcDriver(link, described, "vent", tmp_path)


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """The vent actuator's database with bytes changed, cut out, repeated or put in."""
    data = bytearray(DBC.read_bytes())
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(data) - 1))
        length = draw(st.integers(1, 40))
        kind = draw(st.sampled_from(("set", "cut", "repeat", "insert")))
        if kind == "set":
            data[at] = draw(st.integers(0, 255))
        elif kind == "cut":
            del data[at : at + length]
        elif kind == "repeat":
            data[at:at] = data[at : at + length] * draw(st.integers(1, 5))
        else:
            data[at:at] = draw(
                st.sampled_from((b"9" * length, b"\0", b'"', b";", b"BO_ 1 A: 8 B\n", b"\xff"))
            )
        if not data:
            break
    return bytes(data)


@settings(max_examples=150, deadline=3000)
@given(data=mutated())
def test_any_database_is_read_or_refused(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    """Whatever was done to the file: a codec whose messages encode and decode, or a clear error; never anything else."""
    file = tmp_path_factory.mktemp("mutated") / "x.dbc"
    file.write_bytes(data)
    try:
        codec = DbcCodec(file, "database")
    except DescriptionError:
        return
    for name, info in codec.messages.items():
        assert 0 <= info.length_bytes <= 8
        codec.decode(name, bytes(info.length_bytes))
