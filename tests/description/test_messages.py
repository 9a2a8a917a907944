"""What a person reads about a wrong file."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest.description.loading import load_text
from hiltest.description.messages import did_you_mean
from hiltest.errors import DescriptionError, Problem

Problems = Callable[[dict[str, str]], tuple[Problem, ...]]
Only = Callable[[dict[str, str]], Problem]


def _line_of(glue_head: Path, text: str) -> int:
    whole = glue_head.read_text(encoding="utf-8")
    return whole[: whole.index(text)].count("\n") + 1


@pytest.mark.parametrize(
    ("old", "new", "key", "found", "expected", "hint"),
    [
        ("heat_capacity_j_k = 20.0", "heat_capacity_jk = 20.0", "heater[reservoir].heat_capacity_jk",
         "an unknown key", "a key that heater[reservoir] has", "Did you mean 'heat_capacity_j_k'?"),
        ("voltage_v = 24.0", "voltage = 24.0", "supply.voltage", "an unknown key", "a key that supply has",
         "Did you mean 'voltage_v'?"),
        ("power_w = 40.0", "power = 40.0", "heater[reservoir].power", "an unknown key", "a key that heater[reservoir] has",
         "Did you mean 'power_w'?"),
        ("power_w = 40.0", "", "heater[reservoir].power_w", "nothing", "a number above 0", "to [[heater]]."),
        ("[node]", "flux_capacitor = 1\n[node]", "bus.load_test.flux_capacitor", "an unknown key", "a key that bus.load_test has",
         "Known keys: utilisation_percent, duration_s,"),
        ("fuse_a = 5.0", "fuse_a = 5.0\nbit_rate_bps = 1", "supply.bit_rate_bps", "an unknown key", "a key that supply has",
         "It belongs in [bus]."),
        ("bit_rate_bps = 1_000_000", 'bit_rate_bps = "1M"', "bus.bit_rate_bps", '"1M"',
         "a whole number from 10000 to 1000000 (bit/s; nominal bit rate", "without quotes"),
        ("bit_rate_bps = 1_000_000", "bit_rate_bps = 2_000_000", "bus.bit_rate_bps", "2000000",
         "a whole number from 10000 to 1000000", ""),
        ("voltage_v = 24.0", "voltage_v = nan", "supply.voltage_v", "nan", "a number above 0, at most 60 (V;", ""),
        ("voltage_v = 24.0", "voltage_v = -inf", "supply.voltage_v", "-inf", "a number above 0, at most 60 (V;", ""),
        ("voltage_v = 24.0", "voltage_v = true", "supply.voltage_v", "true", "a number above 0", ""),
        ('firmware = "1.4.0"', "firmware = 1.4", "node.firmware", "1.4", "text in quotes", 'Write it in quotes: "1.4".'),
        ("microsteps = 16", "microsteps = 17", "stepper[pump].microsteps", "17", "one of 1, 2, 4, 8, 16,", ""),
        ('pattern = "varied"', 'pattern = "varyed"', "bus.load_test.pattern", '"varyed"', 'one of "varied",',
         "Did you mean 'varied'?"),
        ('name = "pump"', 'name = "Pump"', "stepper[Pump].name", '"Pump"', "a name of 1 to 40 characters", ""),
        ("[120.0, 120.0]", '[120.0, "120"]', "bus.terminators_ohm[2]", '"120"', "a number above 0", "without quotes"),
        ("[120.0, 120.0]", "120.0", "bus.terminators_ohm", "120.0", "a list of at most 8 values", ""),
        ("[[lamp]]", "[lamp]", "lamp", "a table", "a list of at most 100 tables", "Write [[lamp]]"),
        ('roles.state = "0x6000:1.1"', "roles.state = 6000", "switch[level].roles.state", "6000", "text in quotes or a table", ""),
        ("roles.state = \"0x6000:1.1\"", "roles.state = { scale = 2.0 }", "switch[level].roles.state.at", "nothing",
         "where it is found, because the protocol is 'canopen'", "Add `at = ...`"),
        ("length_m = 2.4              # one way", "# one way", "harness.length_m", "nothing",
         "a number above 0, at most 1000 (m; one way)", "Add `length_m = ...` to [harness]."),
        ('vendor_id = 0x00000000', 'vendor_id = 0x1_0000_0000', "node.vendor_id", "4294967296", "a whole number from 0 to 4294967295", ""),
        ('channel = "can0"', 'channel = "can0"\noptions = { a = [1] }', "bus.options.a", "a list of 1 value (1)",
         "text in quotes or a whole number or a number or true or false", ""),
    ],
)  # fmt: skip
def test_a_wrong_value_is_told_in_plain_words(
    only_problem: Only, old: str, new: str, key: str, found: str, expected: str, hint: str
) -> None:
    """Key, what was found, what was expected with its unit, and what to do."""
    problem = only_problem({old: new})
    assert problem.key == key
    assert problem.found == found
    assert problem.expected.startswith(expected)
    assert hint in problem.hint
    assert problem.line is not None


def test_a_missing_section_is_told(only_problem: Only, glue_head: Path) -> None:
    """A whole section that must be there."""
    text = glue_head.read_text(encoding="utf-8")
    start = text.index("[harness]")
    section = text[start : text.index("# --- the bus")]
    problem = only_problem({section: ""})
    assert (problem.key, problem.found) == ("harness", "nothing")
    assert problem.hint == "Add a section [harness]."


def test_several_problems_come_in_one_go_in_the_order_of_the_file(problems_of: Problems) -> None:
    """Wrong keys, wrong values and wrong references are told together."""
    problems = problems_of(
        {
            "voltage_v = 24.0": "voltage = 24.0",
            'eds = "glue_head.eds"': 'eds = "glue_haed.eds"',
            'sensor = "reservoir"': 'sensor = "reservoire"',
            "low_setpoint_c = 50.0": "low_setpoint_c = 500.0",
            'home_switch = "pump_home"': 'home_switch = "pump_hom"',
            "seed = 1": 'seed = "one"',
        }
    )
    assert [problem.key for problem in problems] == [
        "supply.voltage",
        "node.eds",
        "heater[reservoir].sensor",
        "heater[reservoir].low_setpoint_c",
        "stepper[pump].home_switch",
        "simulation.seed",
    ]
    lines = [problem.line or 0 for problem in problems]
    assert lines == sorted(lines)
    assert lines[0] > 0


def test_the_line_is_the_one_of_the_key(only_problem: Only, glue_head: Path) -> None:
    """Also within inline tables and the second of several sections."""
    line = _line_of(glue_head, 'roles.tach_hz = { at = "0x6401:3"')
    problem = only_problem(
        {
            'roles.tach_hz = { at = "0x6401:3", scale = 0.1 }': 'roles.tach_hz = { at = "0x6401:3", scale = "x" }'
        }
    )
    assert problem.line == line
    assert problem.key == "fan[nozzle].roles.tach_hz.scale"


def test_the_text_holds_file_line_key_found_expected_and_hint(problems_of: Problems) -> None:
    """One line a problem, as a person reads it."""
    (problem,) = problems_of({"voltage_v = 24.0": "voltage = 24.0"})
    assert str(problem) == (
        f"<text>:{problem.line}: supply.voltage: found an unknown key, expected a key that supply has. "
        "Did you mean 'voltage_v'?"
    )


def test_many_problems_are_cut_and_it_is_said() -> None:
    """A file of another kind does not fill the screen."""
    with pytest.raises(DescriptionError) as caught:
        load_text("".join(f"key{number} = 1\n" for number in range(300)))
    assert len(caught.value.problems) == 51
    assert "more problems" in caught.value.problems[-1].found


def test_hostile_text_is_shown_without_its_control_characters(problems_of: Problems) -> None:
    """An escape sequence in a file does not reach the terminal, and a long text is cut."""
    problems = problems_of(
        {
            "voltage_v = 24.0": 'voltage_v = "\\u001b[2J\\u0007' + "x" * 500 + '"',
            "[harness]": '"\\u001b[31m" = 1\n[harness]',
            "[console]": "[" + "y" * 300 + "]\n[console]",
        }
    )
    text = "\n".join(str(problem) for problem in problems)
    assert "\x1b" not in text
    assert "\x07" not in text
    assert all(len(str(problem)) < 1200 for problem in problems)
    assert len(problems) == 3


def test_names_that_a_hint_lists_are_shown_without_their_control_characters() -> None:
    """A name may be refused itself, and stands in the hint for another part that needs it."""
    assert did_you_mean("zzz", ["level", "\ufeff\x1b"], "switch") == (
        "Known switches: level, [U+FEFF][U+001B]."
    )
