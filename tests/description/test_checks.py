"""What must hold between the sections: each rule refuses what it names, and nothing else."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest.description.checks import LENGTH_TABLE_M
from hiltest.description.loading import Loaded, load_description, load_text
from hiltest.errors import DescriptionError, Problem

Change = dict[str, str]
Load = Callable[[Change], Loaded]
Only = Callable[[Change], Problem]
Problems = Callable[[Change], tuple[Problem, ...]]

EDS = 'eds = "glue_head.eds"'
SECOND_NODE = """
[[node]]
name = "tail"
node_id = 6
eds = "glue_head.eds"
"""
LEVEL = 'name = "level"'


@pytest.mark.parametrize(
    ("change", "key", "found", "expected", "hint"),
    [
        # names and references
        ({'name = "board"': 'name = "reservoir"'}, "sensor[reservoir].name", '"reservoir"', "a name that no other sensor has", "in line"),
        ({'name = "nozzle"': 'name = "electronics"'}, "fan[electronics].name", '"electronics"', "a name that no other fan has", "in line"),
        ({'sensor = "reservoir"': 'sensor = "resevoir"'}, "heater[reservoir].sensor", '"resevoir"', "the name of a sensor", "Did you mean 'reservoir'?"),
        ({'home_switch = "pump_home"': 'home_switch = "door"'}, "stepper[pump].home_switch", '"door"', "the name of a switch", "Known switches: level, pump_home."),
        ({'home_switch = "pump_home"': 'home_switch = "pump_home"\nend_switch = "pump_home"'}, "stepper[pump].end_switch", '"pump_home"', "another switch than home_switch", ""),
        ({"wires = 4  ": 'cools = "reservor"\nwires = 4  '}, "fan[electronics].cools", '"reservor"', "the name of a heater", "'reservoir'"),
        ({LEVEL: LEVEL + '\nnode = "haed"'}, "switch[level].node", '"haed"', "the name of a node", "'head'"),
        ({'protocol = "canopen"': 'bus = "cam"'}, "node[head].bus", '"cam"', "the name of a bus", "'can'"),
        ({"baud = 115_200": 'node = "hed"'}, "console.node", '"hed"', "the name of a node", "'head'"),
        ({'note = "hot': 'may_be_missing = ["fan tach"]\nnote = "hot'}, "fixture.may_be_missing[1]", '"fan tach"', "the name of a check", ""),
        ({'note = "hot': 'may_be_missing = ["fan.tach", "fan.tach[nozle]"]\nnote = "hot'}, "fixture.may_be_missing[2]", '"fan.tach[nozle]"', "a check of something in this file", "'nozzle'"),
        # files
        ({EDS: 'eds = "glue_haed.eds"'}, "node[head].eds", '"glue_haed.eds", which is not there', "the path of a .eds or .dcf file", "'glue_head.eds'"),
        ({EDS: 'eds = "/etc/passwd"'}, "node[head].eds", '"/etc/passwd"', "the path of a .eds", "relative to this file"),
        ({EDS: 'eds = "../../x.eds"'}, "node[head].eds", '"../../x.eds"', "the path of a .eds", "leads out of the folder"),
        ({EDS: "eds = 'C:\\x.eds'"}, "node[head].eds", '"C:\\\\x.eds"', "the path of a .eds", "with /"),
        ({EDS: 'eds = "glue_head.toml"'}, "node[head].eds", '"glue_head.toml"', "the path of a .eds", "end with .eds or .dcf"),
        ({EDS: 'eds = "."'}, "node[head].eds", '"."', "the path of a .eds", ""),
        ({EDS: 'eds = "a\\u0000b.eds"'}, "node[head].eds", '"a\\u0000b.eds"', "the path of a .eds", "can't be printed"),
        ({EDS: EDS + '\ndatabase = "head.dbc"'}, "node[head].database", '"head.dbc", which is not there', "the path of a .dbc file", "There is none"),
        # the line
        ({"length_m = 2.4              # from": "length_m = 75.0 # from"}, "bus.length_m", "75 m", "less than 75 m at 1000000 bit/s", "lower the bit rate"),
        ({"sample_point": "adapter_clock_hz = 4_000_000\nsample_point"}, "bus.adapter_clock_hz", "4000000 Hz", "at least 8000000 Hz", ""),
        ({'pattern = "varied"': 'pattern = "planned"'}, "bus.load_test.pattern", '"planned"', "another pattern", "[[bus.traffic]]"),
        # supply
        ({"fuse_a = 5.0": "fuse_a = 1.5"}, "supply.fuse_a", "1.5 A", "more than 2.14 A, all loads on", "board 0.10 A + heater reservoir 1.67 A + fan"),
        # node
        ({"node_id = 5": "node_id = 127"}, "node[head].node_id", "127", "another id than hiltest's own", "bus.host_id"),
        ({"node_id = 5": ""}, "node[head].node_id", "nothing", "a value, because the protocol is 'canopen'", "Add `node_id = ...` to node 'head'."),
        ({EDS: ""}, "node[head].eds", "nothing", "a value, because the protocol is 'canopen'", "Add `eds"),
        ({EDS: EDS + '\ndriver = "mine"'}, "node[head].driver", '"mine"', "no driver class for this protocol", 'protocol = "own"'),
        ({"host_silence_max_s = 1.0": "host_silence_max_s = 0.1"}, "node[head].host_silence_max_s", "0.1 s", "more than the host's heartbeat period, 0.1 s", ""),
        ({"[simulation]": "[limits]\nguard_silence_s = 0.1\n[simulation]"}, "limits.guard_silence_s", "0.1 s", "more than the heartbeat of node 'head'", "healthy"),
        # limits
        ({"[simulation]": "[limits]\nambient_low_c = 40.0\n[simulation]"}, "limits.ambient_low_c", "40 degC to 35 degC", "ambient_low_c below ambient_high_c", ""),
        # sensors
        ({"r25_ohm = 100_000.0": ""}, "sensor[reservoir].r25_ohm", "nothing", "a value, because the kind is 'ntc'", "Add `r25_ohm"),
        ({"beta_k = 3950.0": ""}, "sensor[reservoir].beta_k", "nothing", "a value, because the kind is 'ntc'", ""),
        ({"pull_up_ohm = 10_000.0": ""}, "sensor[board].pull_up_ohm", "nothing", "a value, because the kind is 'ntc'", ""),
        ({"pull_up_ohm = 10_000.0": "pull_up_ohm = 10_000.0\nr0_ohm = 100.0"}, "sensor[board].r0_ohm", "100", "no such key for kind 'ntc'", "platinum"),
        ({'kind = "ntc"\nr25_ohm = 10_000.0\nbeta_k = 3435.0': 'kind = "platinum"'}, "sensor[board].r0_ohm", "nothing", "a value, because the kind is 'platinum'", ""),
        ({"adc_bits = 12\nplace = \"in the": "adc_bits = 12\nceiling_c = 56.0\nplace = \"in the"}, "sensor[reservoir].ceiling_c", "56 degC", "more than 56 degC: the low setpoint of heater 'reservoir'", "healthy"),
        ({"adc_bits = 12\nplace = \"on the": "adc_bits = 12\nceiling_c = 35.0\nplace = \"on the"}, "sensor[board].ceiling_c", "35 degC", "more than 35 degC: the warmest room", "healthy"),
        ({"adc_bits = 12\nplace = \"on the": "adc_bits = 12\nceiling_c = 47.0\nplace = \"on the", "phase_ohm = 3.2": "phase_ohm = 3.2\nmotor_sensor = \"board\""}, "sensor[board].ceiling_c", "47 degC", "more than 47 degC: the warmest room and warm_rise_max_k of 'pump'", "healthy"),
        # heaters
        ({"ceiling_c = 210.0": "ceiling_c = 45.0", "pulse_s = 4.0": "pulse_s = 0.5"}, "heater[reservoir].low_setpoint_c", "50 degC", "below ceiling_c, 45 degC", "or correct ceiling_c"),
        ({"ceiling_c = 210.0": "ceiling_c = 71.0"}, "heater[reservoir].low_setpoint_c", "50 degC", "at most 50 degC", "guard margin 15 K"),
        ({"low_setpoint_c = 50.0": "low_setpoint_c = 34.0"}, "heater[reservoir].low_setpoint_c", "34 degC", "above the warmest room, 35 degC", ""),
        ({"window_s = 60.0": "window_s = 60.0\novershoot_max_k = 15.0"}, "heater[reservoir].overshoot_max_k", "15 K", "less than limits.guard_margin_k, 15 K", "guard would trip"),
        ({"pulse_s = 4.0": "pulse_s = 5.1"}, "heater[reservoir].pulse_s", "5.1 s, which could heat the block by 41 K", "at most 5 s", "four times"),
        ({"pulse_s = 4.0": "pulse_s = 4.9", "ceiling_c = 210.0": "ceiling_c = 72.0"}, "heater[reservoir].pulse_s", "4.9 s", "a pulse that can't reach ceiling_c, 72 degC", "by 39 K"),
        ({"pulse_s = 4.0": "pulse_s = 4.0\npulse_watch_s = 3.0"}, "heater[reservoir].pulse_watch_s", "3 s", "at least pulse_s, 4 s", ""),
        ({"loss_w_k = 0.12": "loss_w_k = 1.0"}, "heater[reservoir].power_w", "40 W", "more than 40.0 W", "can't be reached"),
        ({"window_s = 60.0": "", "power_w = 40.0": "power_w = 10.0"}, "heater[reservoir].window_s", "60 s (default)", "more than 109 s", "correct power_w, 10 W"),
        ({"\npulse_s = 4.0": "\n", "heat_capacity_j_k = 20.0": "heat_capacity_j_k = 0.03"}, "heater[reservoir].pulse_s", "4 s (default), which", "at most 0.0075 s", "heat_capacity_j_k, 0.03 J/K"),
        ({"low_setpoint_c = 50.0": "", "ceiling_c = 210.0": "ceiling_c = 50.0", "pulse_s = 4.0": "pulse_s = 0.5"}, "heater[reservoir].low_setpoint_c", "50 degC (default)", "below ceiling_c, 50 degC", ""),
        ({"window_s = 60.0": "window_s = 20.0"}, "heater[reservoir].window_s", "20 s", "more than 21 s", "correct power_w, 40 W; heat_capacity_j_k, 20 J/K; and loss_w_k, 0.12 W/K"),
        # fans
        ({"wires = 4  ": "duties = [1.0, 0.0]\nwires = 4  "}, "fan[electronics].duties", "[1.0, 0.0]", "duties above 0", ""),
        ({"wires = 4  ": "duties = [1.0, 1.0]\nwires = 4  "}, "fan[electronics].duties", "[1.0, 1.0]", "each duty once", ""),
        ({"wires = 4  ": "start_duty = 0.0\nwires = 4  "}, "fan[electronics].start_duty", "0.0", "a duty above 0", ""),
        ({"wires = 4  ": "wires = 2  "}, "fan[electronics].wires", "2", "3 or 4, because it has the role tach_hz", ""),
        # steppers
        ({"run_current_a = 0.7": "run_current_a = 1.1"}, "stepper[pump].run_current_a", "1.1 A", "at most rated_current_a, 1 A", "overheats"),
        ({"phase_ohm = 3.2": "phase_ohm = 24.3"}, "stepper[pump].phase_ohm", "24.3 ohm, which needs 24.1 V", "less than the supply's 24 V", ""),
        ({"long_move_rev = 5.0": "long_move_rev = 0.25"}, "stepper[pump].small_move_rev", "0.25 rev", "less than long_move_rev, 0.25 rev", ""),
        # roles
        ({"roles.tach_hz": "roles.tahc_hz"}, "fan[electronics].roles.tahc_hz", "an unknown role", "a role of fan[electronics]", "'tach_hz'"),
        ({'roles.red = "0x6200:1.0"': ""}, "lamp[status].roles", "green, blue", "a role for each colour, also for red", "roles.red"),
        ({'"green", "blue"]': '"green", "green", "blue"]'}, "lamp[status].colours", '"red, green, green, blue"', "each colour once", ""),
        ({'reset_cause = "0x2000:2"': 'reset_cause = "0x2000:99"'}, "node[head].roles.reset_cause", '"0x2000:99"', "an object of glue_head.eds", "sub-indices"),
        ({'all_off = "0x2010"': 'all_off = "0x2F10"'}, "node[head].roles.all_off", '"0x2F10"', "an object of glue_head.eds", ""),
        ({'all_off = "0x2010"': 'all_off = "All of"'}, "node[head].roles.all_off", '"All of"', "the name of an object in glue_head.eds", "'All off'"),
        ({'all_off = "0x2010"': 'all_off = "0x2010.64"'}, "node[head].roles.all_off", '"0x2010.64"', "index, sub-index and bit", ""),
        ({'at = "0x2103:1", scale = 0.001': 'at = "0x2103:1", scale = 0.0'}, "heater[reservoir].roles.output.scale", "0", "a scale other than 0", ""),
        ({'flags = "0x2300:4"': 'flags = "0x2300:4"\nencoder = "0x2300:5"', 'writes = "0x2300:5"': ""}, "stepper[pump].encoder_counts_per_rev", "nothing", "a number, because it has the role encoder", ""),
    ],
)  # fmt: skip
def test_what_no_bench_can_be_is_refused(
    only_problem: Only, change: Change, key: str, found: str, expected: str, hint: str
) -> None:
    """One problem, at its key, with what would be right."""
    problem = only_problem(change)
    assert problem.key == key.replace("node[head]", "node")
    assert problem.found.startswith(found)
    assert problem.expected.startswith(expected)
    assert hint in problem.hint
    assert problem.line is not None


@pytest.mark.parametrize(
    ("change", "key", "found", "expected"),
    [
        ({"length_m = 2.4              # from": "length_m = 26.0 # from"}, "bus.length_m", "26 m", "at most 25 m at 1000000 bit/s"),
        ({"signal_awg = 24": "stub_m = 1.6"}, "bus.stub_m", "1.6 m", "at most 1.5 m"),
        ({"[120.0, 120.0]": "[120.0]"}, "bus.terminators_ohm", "120.0 ohm together", "50 to 65 ohm"),
        ({"[120.0, 120.0]": "[120.0, 120.0, 120.0]"}, "bus.terminators_ohm", "40.0 ohm together", "50 to 65 ohm"),
        ({"[120.0, 120.0]": "[]"}, "bus.terminators_ohm", "no terminator", "50 to 65 ohm"),
        ({"bit_rate_bps = 1_000_000": "bit_rate_bps = 900_000"}, "bus.bit_rate_bps", "900000", "a bit rate of CiA 301"),
        ({"duration_s = 4.0": "duration_s = 2.0"}, "bus.load_test.duration_s", "2 s, which shows 3.0e-06 at best", "3 s or more"),
        ({"fuse_a = 5.0": "fuse_a = 12.0", "current_limit_a = 5.0": "current_limit_a = 20.0"}, "supply.fuse_a", "12 A", "at most 11 A, what 20 AWG"),
        ({"fuse_a = 5.0": "", "current_limit_a = 5.0": "current_limit_a = 20.0"}, "supply.current_limit_a", "20 A", "at most 11 A"),
        ({"ambient_c = 23.0": "ambient_c = 40.0"}, "simulation.ambient_c", "40 degC", "10 to 35 degC"),
        ({"window_s = 60.0": "window_s = 60.0\nsteady_band_k = 7.0"}, "heater[reservoir].steady_band_k", "7 K", "at most overshoot_max_k, 6 K"),
        ({"wires = 4  ": "duties = [1.0, 0.2]\nwires = 4  "}, "fan[electronics].duties", "[0.2]", "duties of start_duty (0.3) or more"),
        ({"wires = 4  ": "voltage_v = 48.0\nwires = 4  "}, "fan[electronics].voltage_v", "48 V", "at most the supply's 24 V"),
        ({"home_release_rev = 0.1": "home_release_rev = 0.3"}, "stepper[pump].home_release_rev", "0.3 rev", "less than small_move_rev, 0.25 rev"),
        ({'roles.blue = "0x6200:1.2"': 'roles.blue = "0x6200:1.1"'}, "lamp[status].roles.blue", '"0x6200:1.1"', "a place of its own on the node"),
    ],
)  # fmt: skip
def test_what_is_unwise_is_a_warning(load: Load, change: Change, key: str, found: str, expected: str) -> None:
    """The file can be used, and a person is told what to look at."""
    (warning,) = load(change).warnings
    assert warning.key == key
    assert warning.found.startswith(found)
    assert warning.expected.startswith(expected)
    assert warning.line is not None


@pytest.mark.parametrize(
    "change",
    [
        {"length_m = 2.4              # from": "length_m = 25.0 # from"},
        {"signal_awg = 24": "stub_m = 1.5"},
        {"[120.0, 120.0]": "[100.0, 100.0]"},
        {"[120.0, 120.0]": "[130.0, 130.0]"},
        {"fuse_a = 5.0": "fuse_a = 2.2"},
        {"ceiling_c = 210.0": "ceiling_c = 71.1"},
        {"window_s = 60.0": "window_s = 21.4"},
        {"pulse_s = 4.0": "pulse_s = 5.0"},
        {"run_current_a = 0.7": "run_current_a = 1.0"},
        {"node_id = 5": "node_id = 126"},
        {EDS: 'eds = "./glue_head.eds"'},
        {'all_off = "0x2010"': 'all_off = "All off"'},
        {'reset_cause = "0x2000:2"': 'reset_cause = "0x2000:0x02"'},
        {'note = "hot': 'may_be_missing = ["lamp.colours", "fan.tach[nozzle]"]\nnote = "hot'},
    ],
)
def test_what_is_just_right_is_neither_refused_nor_warned_of(load: Load, change: Change) -> None:
    """Each rule ends where it says."""
    assert load(change).warnings == ()


def _two_nodes(glue_head: Path, second: str = SECOND_NODE) -> str:
    text = glue_head.read_text(encoding="utf-8")
    text = text.replace("[node]\n", "[[node]]\n", 1)
    return text.replace("[console] ", second + "\n[console] ", 1)


def _problems(text: str, folder: Path) -> tuple[Problem, ...]:
    with pytest.raises(DescriptionError) as caught:
        load_text(text, folder)
    return caught.value.problems


def test_with_two_nodes_every_load_says_which(glue_head: Path) -> None:
    """Nothing is attached by guessing."""
    problems = _problems(_two_nodes(glue_head), glue_head.parent)
    assert len(problems) == 10
    assert {(problem.found, problem.expected) for problem in problems} == {
        ("nothing", "the name of a node, because there are 2")
    }
    assert all("head, tail" in problem.hint for problem in problems)


def test_two_nodes_of_one_bus_have_two_ids(glue_head: Path) -> None:
    """The second that takes an id is refused."""
    text = _two_nodes(glue_head, SECOND_NODE.replace("= 6", "= 5"))
    found = {problem.key: problem for problem in _problems(text, glue_head.parent)}
    assert "Node 'head'" in found["node[tail].node_id"].hint


def test_the_sensor_of_a_heater_hangs_on_the_same_node(glue_head: Path) -> None:
    """The node closes the loop itself."""
    text = _two_nodes(glue_head)
    for kind in ("sensor", "heater", "fan", "stepper", "switch", "lamp"):
        text = text.replace(f"[[{kind}]]\n", f'[[{kind}]]\nnode = "head"\n')
    text = text.replace("[console] ", '[console] \nnode = "head"\n')
    assert load_text(text, glue_head.parent).description.heater[0].node == "head"
    text = text.replace('[[sensor]]\nnode = "head"', '[[sensor]]\nnode = "tail"', 1)
    (problem,) = _problems(text, glue_head.parent)
    assert problem.key == "heater[reservoir].sensor"
    assert "node 'tail'" in problem.hint


def test_the_home_switch_of_an_axis_hangs_on_the_same_node(glue_head: Path) -> None:
    """The node that moves the axis reads the switch."""
    text = _two_nodes(glue_head)
    for kind in ("sensor", "heater", "fan", "stepper", "switch", "lamp"):
        text = text.replace(f"[[{kind}]]\n", f'[[{kind}]]\nnode = "head"\n')
    text = text.replace("[console] ", '[console] \nnode = "head"\n')
    text = text.replace('[[switch]]\nnode = "head"', '[[switch]]\nnode = "tail"', 1)
    (problem,) = _problems(text, glue_head.parent)
    assert problem.key == "stepper[pump].home_switch"
    assert "That switch hangs on node 'tail'" in problem.hint


def test_two_buses_have_two_adapters_and_each_node_says_which(glue_head: Path) -> None:
    """Except on the simulated bench, where one channel has every bus."""
    text = glue_head.read_text(encoding="utf-8")
    start, end = text.index("[bus]"), text.index("# --- the node")
    bus = text[start:end].replace("[bus]", "[[bus]]")
    text = (
        text[:start]
        + bus.replace("[[bus]]", '[[bus]]\nname = "a"')
        + bus.replace("[[bus]]", '[[bus]]\nname = "b"')
        + text[end:]
    )
    found = {problem.key: problem for problem in _problems(text, glue_head.parent)}
    assert set(found) == {"bus[b].channel", "node.bus"}
    text = text.replace("[node]\n", '[node]\nbus = "a"\n')
    simulated = {f"bus[{name}].interface": "hiltest" for name in "ab"}
    (glue_head.parent / "two.toml").write_text(text, encoding="utf-8")
    assert len(load_description(glue_head.parent / "two.toml", simulated).description.bus) == 2


@pytest.mark.parametrize(
    ("entries", "key", "hint"),
    [
        ('{ name = "a", can_id = 1, data_bytes = 8, period_s = 0.1 }, { name = "a", can_id = 2, data_bytes = 8, period_s = 0.1 }', "bus.traffic[a].name", "'a' has it too"),
        ('{ name = "a", can_id = 1, data_bytes = 8, period_s = 0.1 }, { name = "b", can_id = 1, data_bytes = 8, period_s = 0.1 }', "bus.traffic[b].can_id", "'a' has it too"),
        ('{ name = "a", can_id = 0x800, data_bytes = 8, period_s = 0.1 }', "bus.traffic[a].can_id", "extended = true"),
        ('{ name = "a", can_id = 1, data_bytes = 8, period_s = 0.1, jitter_s = 0.1 }', "bus.traffic[a].jitter_s", ""),
        ('{ name = "a", can_id = 1, data_bytes = 8, period_s = 0.1, deadline_s = 0.01, jitter_s = 0.02 }', "bus.traffic[a].jitter_s", ""),
    ],
)  # fmt: skip
def test_planned_messages_that_can_not_be_are_refused(
    only_problem: Only, entries: str, key: str, hint: str
) -> None:
    """Names and identifiers once, identifiers that fit, deadlines that can be met."""
    problem = only_problem({"signal_awg = 24": f"traffic = [{entries}]"})
    assert problem.key == key
    assert hint in problem.hint


def test_one_identifier_may_be_short_and_extended(load: Load) -> None:
    """0x100 with 11 and with 29 bits are two identifiers."""
    entries = ", ".join(
        f'{{ name = "{name}", can_id = 0x100, extended = {flag}, data_bytes = 8, period_s = 0.1 }}'
        for name, flag in (("a", "true"), ("b", "false"))
    )
    assert len(load({"signal_awg = 24": f"traffic = [{entries}]"}).description.bus[0].traffic) == 2


CONSOLE = """
[fixture]
name = "bare board"
[supply]
voltage_v = 24.0
current_limit_a = 1.0
[harness]
length_m = 1.0
power_awg = 20
[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 500_000
length_m = 1.0
[node]
protocol = "console"
[console]
port = "/dev/ttyUSB0"
[[sensor]]
name = "board"
kind = "other"
roles.temperature_c = { at = "board", send = "temp", expect = '(\\d+) C' }
"""


def test_a_console_node_needs_a_console_and_patterns_that_work() -> None:
    """What would fail at the first reading fails at the desk."""
    assert load_text(CONSOLE).warnings == ()
    (problem,) = _problems(CONSOLE.replace('[console]\nport = "/dev/ttyUSB0"\n', ""), Path())
    assert problem.key == "node.protocol"
    for pattern, expected in (("(", "a regular expression"), ("x", "a regular expression with one group")):
        (problem,) = _problems(CONSOLE.replace("(\\d+) C", pattern), Path())
        assert problem.key == "sensor[board].roles.temperature_c.expect"
        assert problem.expected.startswith(expected)
    (problem,) = _problems(CONSOLE.replace(", send = \"temp\", expect = '(\\d+) C'", ""), Path())
    assert problem.found == "neither send nor expect"


@pytest.mark.parametrize(
    ("protocol", "key"), [("signals", "node.database"), ("own", "node.driver"), ("canopen", "node.node_id")]
)
def test_each_protocol_needs_its_own(protocol: str, key: str) -> None:
    """What the driver can't do without is asked for."""
    text = CONSOLE.replace('"console"', f'"{protocol}"')
    assert key in [problem.key for problem in _problems(text, Path())]


def test_an_own_driver_may_use_roles_of_its_own() -> None:
    """Its class knows what they mean."""
    text = CONSOLE.replace('protocol = "console"', 'protocol = "own"\ndriver = "mine"')
    text = text.replace("temperature_c", "colour_of_the_sky")
    assert "colour_of_the_sky" in load_text(text).description.sensor[0].roles


def test_an_eds_that_is_none_is_refused(glue_head: Path) -> None:
    """An empty or broken EDS file is found before a bus is opened."""
    eds = glue_head.with_suffix(".eds")
    for content in (b"", b"[", b"[FileInfo]\nFileName=x\n", b"\x00\xff\x80"):
        eds.write_bytes(content)
        with pytest.raises(DescriptionError) as caught:
            load_description(glue_head)
        (problem,) = caught.value.problems
        assert problem.key == "node.eds"
        assert problem.expected == "an EDS file (CiA 306)"


def test_a_link_out_of_the_folder_is_not_followed(
    glue_head: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """What a description names stands in its own folder, also behind a symbolic link."""
    eds = glue_head.with_suffix(".eds")
    elsewhere = tmp_path_factory.mktemp("elsewhere") / "real.eds"
    eds.rename(elsewhere)
    eds.symlink_to(elsewhere)
    with pytest.raises(DescriptionError, match="leads out of the folder"):
        load_description(glue_head)


def test_the_length_table_is_never_beyond_what_the_delay_allows() -> None:
    """Outside check of the CiA 301 table: there and back at 5 ns/m stays within the bit at every rate."""
    for rate, length_m in LENGTH_TABLE_M.items():
        assert 2 * 5e-9 * length_m < 0.875 / rate, rate


def test_the_time_to_the_setpoint_is_that_of_the_step_response(only_problem: Only) -> None:
    """63.2 % of the final rise takes one time constant (step response of a first-order system)."""
    final_k = 40.0 / (1 - math.exp(-1))
    change = {
        "heat_capacity_j_k = 20.0": "heat_capacity_j_k = 1000.0",
        "loss_w_k = 0.12": f"loss_w_k = {40.0 / final_k!r}",
    }
    problem = only_problem(change)
    tau_s = 1000.0 / (40.0 / final_k)
    assert problem.expected == f"more than {tau_s:.0f} s"
