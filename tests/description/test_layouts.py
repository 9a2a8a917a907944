"""Descriptions of nodes that speak in signals: what can't be is told, with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.description.dbc import read_messages
from hiltest.description.layouts import bits_of
from hiltest.description.loading import load_description, load_text
from hiltest.description.models import MessageField
from hiltest.errors import DescriptionError

FIXTURES = Path(__file__).parents[2] / "fixtures"
VENT = (FIXTURES / "vent_actuator.toml").read_text(encoding="utf-8")

FRAMES = """
[fixture]
name = "probe"
[supply]
voltage_v = 12.0
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
name = "probe"
protocol = "frames"
heartbeat = "State"
roles.supply_v = "State.volts"
[[node.message]]
name = "State"
can_id = 0x101
length_bytes = 4
period_s = 0.1
counter = "count"
checksum = "sum"
[[node.message.field]]
name = "volts"
at_byte = 0
length_bytes = 2
[[node.message.field]]
name = "count"
at_byte = 2
length_bits = 4
[[node.message.field]]
name = "sum"
at_byte = 3
length_bytes = 1
[[node.message]]
name = "Other"
can_id = 0x102
"""


def problems(text: str) -> str:
    with pytest.raises(DescriptionError) as caught:
        load_text(text, FIXTURES)
    return str(caught.value)


def test_the_vent_actuator_has_no_warning() -> None:
    """The scenario is as clean as a description should be."""
    assert load_description(FIXTURES / "vent_actuator.toml").warnings == ()


def test_a_layout_in_the_file_is_taken() -> None:
    """The smallest node with frames."""
    assert load_text(FRAMES, FIXTURES).description.node[0].message[0].field[1].length_bits == 4


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("Vent_Heat.FanTach", "Vent_Heat.FanTac", "Did you mean 'FanTach'"),
        ("Vent_Heat.FanTach", "Vent_Heats.FanTach", "Did you mean 'Vent_Heat'"),
        ("Vent_Heat.FanTach", "FanTach", "'Message.Signal' of vent_actuator.dbc"),
        ('"Vent_Heat.ActiveSetpoint"', '"Vent_Heat.Setpoint"', "roles.setpoint_c"),
        ('heartbeat = "Vent_Status" ', 'heartbeat = "Vent_State" ', "Did you mean 'Vent_Status'"),
        ('name = "Vent_Move"', 'name = "Vent_Mov"', "Did you mean 'Vent_Move'"),
        ('counter = "Counter"', 'counter = "Count"', "Did you mean 'Counter'"),
        ('name = "Vent_Move"\n', 'name = "Vent_Move"\ncan_id = 5\n', "for vent_actuator.dbc says it"),
        ('name = "Vent_Move"', 'name = "Vent_Command"', "each message once"),
        ('database = "vent_actuator.dbc" ', 'database = "glue_head.eds" ', "must end with .dbc"),
        (
            'protocol = "signals"',
            'protocol = "canopen"',
            'belong to the protocols "signals", "frames" and "console"',
        ),
        ('heartbeat = "Vent_Status" ', "", "node.heartbeat: found nothing"),
    ],
)
def test_signals_that_lead_nowhere_are_told(old: str, new: str, says: str) -> None:
    """Each mistake by itself, with what is near."""
    assert old in VENT
    assert says in problems(VENT.replace(old, new, 1))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("can_id = 0x101\n", "", "an identifier"),
        ("can_id = 0x101", "can_id = 0x1101", "at most 0x7FF"),
        ("can_id = 0x102", "can_id = 0x101", "as in 'State'"),
        ("at_byte = 2\nlength_bits = 4", "at_byte = 1\nlength_bits = 4", "bits of 'volts' too"),
        ("at_byte = 2\nlength_bits = 4", "at_byte = 7\nlength_bits = 4", "bits within 4 bytes"),
        ("length_bits = 4", "length_bits = 4\nlength_bytes = 1", "one of length_bits and length_bytes"),
        ("length_bits = 4", "length_bits = 4\nconstant = 16", "a count that 4 bits hold"),
        ("length_bits = 4", 'length_bits = 4\nkind = "float"', "32 or 64 bits"),
        ("length_bits = 4", "length_bits = 4\nscale = 0.0", "a scale other than 0"),
        ("length_bits = 4", "length_bits = 4\nwhen = { page = 1 }", "always there"),
        ('name = "count"', 'name = "volts"', "each field once"),
        ('checksum = "sum"', 'checksum = "count"', "a field of one whole byte"),
        ('counter = "count"', 'request = "Ask"', "the name of a message"),
        ('counter = "count"', 'match = ["count"]', "a request beside it"),
        ('"State.volts"', '"State.amps"', "a signal of message 'State'"),
    ],
)
def test_layouts_that_cannot_be_are_told(old: str, new: str, says: str) -> None:
    """Each mistake by itself."""
    assert old in FRAMES
    assert says in problems(FRAMES.replace(old, new, 1))


def test_fields_of_different_pages_may_share_bits() -> None:
    """Overlap is a mistake only where both can be there."""
    page = '[[node.message.field]]\nname = "{}"\nat_byte = 1\nlength_bytes = 2\nwhen = {{ page = {} }}\n'
    selector = '[[node.message.field]]\nname = "page"\nat_byte = 0\nlength_bytes = 1\n'
    assert load_text(FRAMES + selector + page.format("a", 1) + page.format("b", 2), FIXTURES)
    assert "bits of 'a' too" in problems(FRAMES + selector + page.format("a", 1) + page.format("b", 1))


def test_bits_run_as_in_dbc_files() -> None:
    """Little end first grows from the lowest bit; big end first runs down from the highest."""
    little = MessageField(name="x", at_byte=0, at_bit=6, length_bits=4)
    big = MessageField(name="x", at_byte=0, at_bit=1, length_bits=4, endian="big")
    assert bits_of(little) == [9, 8, 7, 6]
    assert bits_of(big) == [1, 0, 15, 14]


def test_a_dbc_file_is_listed_without_reading_more_than_names(tmp_path: Path) -> None:
    """Identifiers with the extended bit, multiplexed signals, signals that no message carries."""
    file = tmp_path / "x.dbc"
    file.write_text(
        'VERSION ""\nBO_ 2566844926 Eec1: 8 Engine\n SG_ Page M : 0|4@1+ (1,0) [0|0] "" X\n'
        ' SG_ Speed m1 : 24|16@1+ (0.125,0) [0|0] "rpm" X\n'
        "BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX\n"
        ' SG_ Lost : 0|8@1+ (1,0) [0|0] "" X\n'
    )
    found = read_messages(file)
    assert set(found) == {"Eec1"}
    assert (found["Eec1"].can_id, found["Eec1"].extended) == (0x18FEF1FE, True)
    assert found["Eec1"].signals == {"Page", "Speed"}
