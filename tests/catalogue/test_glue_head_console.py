"""The glue head whose board is commanded over its console alone: healthy boards are accepted, each fault is found.

The faults are those of the simulated bench, of the console too; the bench's hidden truth is asked what was left on.
"""

from __future__ import annotations

import re
import sys
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from hiltest.console import KEPT_BYTES_MAX, LINE_BYTES_MAX
from hiltest.description.loading import load_description
from hiltest.errors import UsageError
from hiltest.simbench.bench import open_bench
from hiltest.simbench.console_shell import BUFFERED_BYTES

from .boards import accept, outcomes
from .files import FIXTURES, edited
from .rows import Row, judge

HEAD = FIXTURES / "glue_head_console.toml"
ENUMERATE = "bus.enumerate[head]"
FAN = ("fan.tach[electronics]",)
PULSE = ("heat.pulse[reservoir]",)
LOOP = ("heat.low_setpoint[reservoir]",)
DIRECTION = ("motion.direction[pump]",)
RETURN = ("motion.return[pump]",)
CRASH = re.compile(r"\b(?!HiltestError)[A-Z]\w*(?:Error|Exception)\b: ")
EVERYTHING = (*FAN, *PULSE, *DIRECTION, "safe.host_silence[head]")


def short() -> Path:
    """The description without a person and with a short load test; as it stands it is run below."""
    return edited(
        HEAD,
        ("duration_s = 4.0", "duration_s = 0.5\nbit_error_probability_max = 1e-4"),
        ("operator = true ", "operator = false "),
    )


TABLE = (
    # the console itself
    Row("console_mute", ENUMERATE, EVERYTHING, "nothing. Look at both wires"),
    Row("console_deaf", ENUMERATE, EVERYTHING, "'version' with its echo"),
    Row("console_loops", ENUMERATE, EVERYTHING, "a line that fits"),
    Row("console_crosstalk", ENUMERATE, EVERYTHING, "came back twice"),
    Row("console_garbled", ENUMERATE, EVERYTHING, "'version' with"),
    # So little noise that who the board is still comes through: the first check in which it does not says so.
    Row("console_garbled=0.0005", "sense.ambient[board]", (), "without a value"),
    Row("console_babbles", ENUMERATE, EVERYTHING, "some of it is no text"),
    Row("slow_answers=0.8", ENUMERATE, EVERYTHING, "within 0.5 s"),
    # the node
    Row("no_node", ENUMERATE, EVERYTHING, "Nobody acknowledges"),
    Row("wrong_product", ENUMERATE, EVERYTHING, "product code"),
    Row("wrong_firmware", ENUMERATE, EVERYTHING, "1.3.2"),
    Row("duplicate_node_id", ENUMERATE, EVERYTHING, "2 boards"),
    Row("foreign_sender", "bus.quiet[can]", EVERYTHING, "not in the description"),
    Row("heartbeat_slow", ENUMERATE, EVERYTHING, "heartbeat period"),
    Row("hangs_behind_heartbeat", ENUMERATE, EVERYTHING, "'version' with its echo"),
    # what hangs on it
    Row("sensor_open[reservoir]", "sense.ambient[reservoir]", (*PULSE, *LOOP), "without a value"),
    Row("sensor_shorted[reservoir]", "sense.ambient[reservoir]", (*PULSE, *LOOP), "without a value"),
    Row("sensors_swapped", "sense.ambient[reservoir]", (*PULSE, *LOOP), "mean at rest"),
    Row("fan_stalled[electronics]", FAN[0], (), "no pulse"),
    Row("tach_open[nozzle]", "fan.tach[nozzle]", (), "no pulse"),
    Row("heater_open", PULSE[0], LOOP, "heater open"),
    Row("heater_weak", PULSE[0], LOOP, "weak"),
    Row("driver_current_unset", "motion.driver_ready[pump]", (*DIRECTION, *RETURN), "run current"),
    Row("driver_unreachable", "motion.driver_ready[pump]", (*DIRECTION, *RETURN), "reachable"),
    Row("stepper_reversed", DIRECTION[0], RETURN, "wrong way"),
    Row("coil_open", DIRECTION[0], RETURN, "open_load_a"),
    Row("switch_stuck[pump_home]", DIRECTION[0], RETURN, "stayed actuated"),
    Row("lost_steps=0.66", RETURN[0], (), "steps lost"),
    Row("wire_thin", LOOP[0], (), "supply dip"),
    # what its firmware does about safety
    Row("host_watch_missing", "safe.host_silence[head]", LOOP, "host fell silent"),
    Row("host_watch_slow", "safe.host_silence[head]", LOOP, "host fell silent"),
    Row("host_watch_fed_by_any_traffic", "safe.foreign_traffic[head]", LOOP, "host fell silent"),
    Row(
        "no_reaction_to_cut_cable", "safe.bus_cut[head]", (), "bus was cut", beside=(*PULSE, "bus.load[can]")
    ),
    Row("outputs_on_after_reset", "safe.reset[head]", LOOP, "was on"),
    Row("acts_on_old_commands", "safe.old_commands[head]", LOOP, "was on"),
    Row("ceiling_ignored", "safe.over_ceiling[reservoir]", (), "refuses a setpoint above"),
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_the_expected_check_fails_and_nothing_unsafe_was_run(row: Row) -> None:
    """The unit is rejected by the right check; what would have been unsafe says which gate stopped it."""
    judge(row, short())


def test_a_program_that_hangs_for_good_is_found_and_the_person_is_told() -> None:
    """Nobody takes part who could cut the power: no more than a fan is on, and the reason says what to do."""
    record = accept("no_watchdog", file=short(), only=("safe.firmware_hung[head]", *FAN))
    check = next(each for each in record.checks if each.name == "safe.firmware_hung[head]")
    assert (record.verdict, check.outcome) == ("rejected", "failed")
    assert "no watchdog resets the node" in check.reason
    assert "SWITCH THE SUPPLY OFF NOW" in check.reason


def test_the_description_as_it_stands_is_accepted() -> None:
    """With its whole load test and a person; only the check that needs a request on the bus is not offered."""
    record = accept(file=HEAD)
    assert record.verdict == "accepted", record.verdict_reason
    not_passed = {name: outcome for name, outcome in outcomes(record).items() if outcome != "passed"}
    assert not_passed == {"bus.latency[head]": "not offered"}
    assert "1 not offered, as the description allows" in record.verdict_reason
    assert "nothing was heard of pump_home, level while a motor ran" in record.verdict_reason
    for drill in ("safe.old_commands[head]", "safe.power_return[head]", "safe.over_temperature[reservoir]"):
        assert outcomes(record)[drill] == "passed"


def test_another_healthy_board_is_accepted() -> None:
    """Boards differ by their tolerances and their phases against the host."""
    record = accept(file=short(), seed=2)
    assert record.verdict == "accepted", record.verdict_reason


def test_every_check_ends_with_all_off_though_nothing_was_sent_on_the_bus() -> None:
    """Who speaks over the console alone has spoken: what a check leaves on is switched off behind it."""
    said: list[str] = []

    def look(run: Any) -> None:
        said.extend(line.text for line in run.console().lines if line.sent and line.text != "alive")

    accept(file=short(), only=("fan.tach[nozzle]",), before_close=look)
    last_on = max(
        number for number, line in enumerate(said) if line.startswith("fan 2 ") and line != "fan 2 0.000"
    )
    assert "off" in said[last_on:]


# --- a console that goes bad while something is hot ---------------------------------------------------------


@cache
def hot_from_s() -> float:
    """Bench time at which the closed loop of a healthy board has begun."""
    record = accept(file=short(), only=LOOP)
    heating = next(check for check in record.checks if check.name == LOOP[0])
    assert heating.outcome == "passed"
    return heating.started_s + 6.0


@pytest.mark.parametrize("fault", ["console_mute", "console_deaf", "console_babbles", "console_garbled=0.3"])
def test_a_console_that_fails_while_hot_ends_cold(fault: str) -> None:
    """The check fails with a clear error, and what the host can no longer command off goes off by itself, in time."""
    at_s = hot_from_s()
    seen: dict[str, Any] = {}

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        seen["off_s"] = max(
            change.t_s for change in bench.truth.changes() if change.output == "heater:reservoir"
        )
        console = run.console()
        seen["kept"] = sum(len(line.text) for line in console.lines), len(console.unfinished)
        bench.run_for(2.0)
        seen["on"] = bench.truth.outputs_on()

    record = accept(f"{fault}@{at_s}", file=short(), before_close=look, only=LOOP)
    heating = next(check for check in record.checks if check.name == LOOP[0])
    assert record.verdict == "rejected"
    assert heating.outcome == "failed"
    assert heating.started_s < at_s < heating.ended_s
    assert "did not answer" in heating.reason
    assert len(heating.reason) < 3000
    assert 0.0 < seen["off_s"] - at_s < 2.0
    assert not seen["on"]
    assert seen["kept"][0] <= KEPT_BYTES_MAX
    assert seen["kept"][1] < 10_000


def test_a_run_in_megabytes_of_noise_neither_crashes_nor_is_deceived() -> None:
    """A runaway program prints random bytes without an end of line from the 12th second to the end of the whole catalogue.

    The line is a fast one, so that more is poured than is kept. What passes after that needs nothing from the console.
    """
    at_s = 12.0
    seen: dict[str, Any] = {}
    file = edited(short(), ("baud = 115_200", "baud = 460_800"), name="fast.toml")

    def look(run: Any) -> None:
        bench, console = run.opened().link.port.bus.bench, run.console()
        seen["lines"] = console.dropped_lines + len(console.lines)
        seen["dropped"] = console.dropped_lines
        seen["memory"] = sum(sys.getsizeof(line) + sys.getsizeof(line.text) for line in console.lines)
        seen["unfinished"] = len(console.unfinished)
        seen["waiting"] = bench.consoles["head"].waiting
        bench.run_for(2.0)
        seen["on"] = bench.truth.outputs_on()

    record = accept(f"console_babbles@{at_s}", file=file, before_close=look)
    assert record.verdict == "rejected"
    later = [check for check in record.checks if check.ended_s > at_s]
    passed = {check.name for check in later if check.outcome == "passed"}
    assert passed <= {"bus.observer[can]", "bus.heartbeat[head]"}
    assert {"failed", "not run"} <= {check.outcome for check in later}
    assert not [check.reason for check in record.checks if CRASH.search(check.reason)]
    assert seen["lines"] * LINE_BYTES_MAX > 2_000_000, "too little was poured"
    assert seen["dropped"] > 0
    # A character outside the Basic Multilingual Plane makes its line four bytes wide (PEP 393).
    assert seen["memory"] < 4 * KEPT_BYTES_MAX
    assert seen["unfinished"] <= LINE_BYTES_MAX
    assert seen["waiting"] <= BUFFERED_BYTES
    assert sum(len(check.reason) + sum(map(len, check.notes)) for check in record.checks) < 50_000
    assert not seen["on"]


# --- what can't be simulated --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('send = "tach 1"', 'send = "speed 1"', "does not know 'speed 1'"),
        ('alive = "alive"', 'alive = "ping"', "does not know 'ping'"),
        ("can_id = 0x2A5\nlength", "can_id = 0x2A6\nlength", "heartbeat has identifier 0x2A5"),
    ],
)
def test_the_bench_says_which_lines_it_has_firmware_for(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    """Another dialect is another firmware: the error names the line."""
    text = HEAD.read_text(encoding="utf-8")
    assert old in text
    file = tmp_path / HEAD.name
    file.write_text(text.replace(old, new), encoding="utf-8")
    with pytest.raises(UsageError, match=says):
        open_bench(file)


def test_the_description_has_no_warning_but_what_is_meant() -> None:
    """It is the example that others copy."""
    assert load_description(HEAD).warnings == ()
