"""The sample chiller, two boards on one bus: healthy machines are accepted, and each fault is found by the right check.

The faults are those of the simulated bench; the bench's hidden truth is asked what was left on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from hiltest.catalogue._causes import SWITCH_EXCHANGED
from hiltest.errors import GuardTripped

from .boards import accept, outcomes
from .chiller import CHILLER, short

PULSES = ("heat.pulse[fins]", "heat.pulse[lid]")
RING = ("motion.direction[ring]", "motion.return[ring]")
LOOPS = ("heat.low_setpoint[fins]", "heat.low_setpoint[lid]")
EVERYTHING = (*PULSES, *RING, "fan.tach[chamber]", "lamp.colours[status]")


@dataclass(frozen=True)
class Row:
    """A fault, the checks that must fail (the first is asked for `says`), what must not have been run then, and what
    must pass all the same: the other board is no worse for it."""

    fault: str
    fails: tuple[str, ...]
    not_run: tuple[str, ...] = ()
    passes: tuple[str, ...] = ()
    says: str = ""
    operator: bool = False


TABLE = (
    # What two boards can do to each other.
    Row("heaters_swapped[fins+lid]", PULSES, LOOPS[1:], says="sensor 'lid' rose instead"),
    Row("sensors_swapped[fins+lid]", PULSES, LOOPS[1:], says="sensor 'lid' rose instead"),
    Row(
        "no_node[chamber]",
        ("bus.enumerate[chamber]",),
        PULSES,
        ("sense.ambient[lid]",),
        "nothing answers as id 16",
    ),
    Row(
        "no_node[carousel]",
        ("bus.enumerate[carousel]",),
        ("fan.tach[chamber]", *PULSES, *RING),
        ("bus.enumerate[chamber]", "sense.ambient[fins]"),
        "nothing answers as id 17",
    ),
    Row(
        "wrong_node_id[carousel]=16",
        ("bus.enumerate[carousel]", "bus.enumerate[chamber]"),
        (*PULSES, *RING),
        says="Two boards answer under id 16",
    ),
    Row("wrong_node_id[carousel]=18", ("bus.quiet[can]",), (*PULSES, *RING), says="under 18"),
    Row(
        "wrong_node_id[chamber]=17 wrong_node_id[carousel]=16",
        ("bus.enumerate[chamber]", "bus.enumerate[carousel]"),
        (*PULSES, *RING),
        says="product code: 0x53432D32",
    ),
    Row(
        "duplicate_node_id[chamber]",
        ("bus.enumerate[chamber]", "bus.enumerate[carousel]"),
        (*PULSES, *RING),
        says="answers: 2 boards",
    ),
    Row("foreign_sender", ("bus.quiet[can]",), (*PULSES, *RING), says="not in the description"),
    Row(
        "wrong_firmware[carousel]",
        ("bus.enumerate[carousel]",),
        (*RING, *PULSES),
        ("sense.ambient[fins]",),
        "firmware: 1.3.2",
    ),
    Row(
        "heartbeat_slow[chamber]",
        ("bus.enumerate[chamber]",),
        PULSES,
        ("sense.ambient[lid]",),
        "heartbeat period",
    ),
    Row(
        "host_watch_missing[carousel]",
        ("safe.host_silence[carousel]",),
        ("safe.foreign_traffic[carousel]",),
        (*PULSES, "safe.host_silence[chamber]"),
        "host fell silent",
    ),
    Row(
        "host_watch_missing[chamber]",
        ("safe.host_silence[chamber]",),
        ("safe.foreign_traffic[chamber]",),
        (*PULSES, "safe.host_silence[carousel]"),
        "host fell silent",
    ),
    Row(
        "all_off_ignored[chamber]",
        ("safe.host_silence[chamber]",),
        ("safe.stop[chamber]",),
        (*PULSES, "safe.stop[carousel]"),
        "host fell silent",
    ),
    # The loads of one board.
    Row("heater_wrong_voltage[lid]", PULSES[1:], LOOPS[1:], PULSES[:1], "do not power it again"),
    Row("heater_open[fins]", PULSES[:1], (), PULSES[1:], "heater open"),
    Row("sensor_open[lid]", ("sense.ambient[lid]",), PULSES[1:], PULSES[:1], "without a value"),
    Row("sensor_detached[fins]", PULSES[:1], PULSES[1:], (), "OUT OF THE BLOCK"),
    Row("fan_control_open", ("fan.tach[chamber]",), (), RING[:1], "speed at zero duty"),
    Row("fan_stalled", ("fan.tach[chamber]",), (), RING[:1], "no pulse"),
    Row("tach_wrong_pulses", ("fan.tach[chamber]",), says="check pulses_per_rev"),
    Row("ceiling_ignored[lid]", ("safe.over_ceiling[lid]",), says="refuses a setpoint above"),
    # The ring and its encoder, which tells apart what a home switch alone can't.
    Row("driver_current_unset", ("motion.driver_ready[ring]",), RING, says="run current"),
    Row("stepper_reversed", RING[:1], RING[1:], says="exchange the two wires of one coil"),
    Row("encoder_reversed", RING[:1], RING[1:], says="THE ENCODER COUNTS THE OTHER WAY"),
    Row("encoder_open", RING[:1], RING[1:], says="THE ENCODER COUNTS NOTHING"),
    Row("encoder_wrong_lines", RING[:1], RING[1:], says="another number of lines"),
    Row("encoder_slips", RING[1:], passes=RING[:1], says="the encoder's hub slips"),
    Row("coupling_slips", RING[1:], passes=RING[:1], says="NO STEP WAS LOST"),
    Row("wrong_microsteps", RING[:1], RING[1:], says="the driver makes 8 microsteps a step"),
    Row("switch_stuck[ring_home]", RING[:1], RING[1:], says="stayed actuated"),
    # What only the person with the ohmmeter finds on so short a bus.
    Row("one_terminator", ("cold.pair[can]",), EVERYTHING, says="one terminator is missing", operator=True),
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault.replace(" ", "+"))
def test_the_expected_check_fails_and_nothing_unsafe_was_run(row: Row) -> None:
    """The machine is rejected by the right check; what would be unsafe was stopped; the rest passes."""
    truth: dict[str, Any] = {}

    def look(run: Any) -> None:
        bench = run.opened().link.port.bus.bench
        bench.run_for(2.0)
        truth["on"] = bench.truth.outputs_on()

    only = () if row.operator else (*row.fails, *row.not_run, *row.passes)
    record = accept(*row.fault.split(), file=short(row.operator), before_close=look, only=only)
    found = outcomes(record)
    assert record.verdict == "rejected", record.verdict_reason
    for name in row.fails:
        assert found[name] == "failed", f"{name}: {found[name]}; {record.verdict_reason}"
    first = next(check for check in record.checks if check.name == row.fails[0])
    assert row.says in first.reason
    stopped = {name: found[name] for name in row.not_run}
    assert set(stopped.values()) <= {"not run"}, stopped
    passed = {name: found[name] for name in row.passes}
    assert set(passed.values()) <= {"passed"}, passed
    assert not truth["on"], f"left on after the run: {truth['on']}"


def test_the_plugs_of_switches_of_two_boards_are_found_exchanged() -> None:
    """While one lever is pressed the switches of the other board are watched as well, also when asked for alone."""
    name = "switch.by_hand[door]"
    record = accept("switches_swapped[door+ring_home]", file=short(operator=True), only=(name,))
    (check,) = (each for each in record.checks if each.name == name)
    assert check.outcome == "failed"
    assert "ring_home (node carousel) changed instead: plugs exchanged" in check.reason
    assert check.look_first[0] == SWITCH_EXCHANGED


def test_the_table_holds_what_two_boards_can_go_wrong_by() -> None:
    """At least 15 faults, each once."""
    faults = [row.fault for row in TABLE]
    assert len(faults) == len(set(faults)) >= 15


@pytest.mark.parametrize("seed", [2, 3])
def test_a_healthy_chiller_is_accepted(seed: int) -> None:
    """Healthy machines differ by their tolerances and are accepted all the same."""
    record = accept(seed=seed, file=short())
    assert record.verdict == "accepted", record.verdict_reason


def test_the_description_as_it_stands_is_accepted() -> None:
    """With its whole load test and a person: every check of the catalogue that is for it has passed."""
    record = accept(file=CHILLER)
    assert record.verdict == "accepted", record.verdict_reason
    assert set(outcomes(record).values()) == {"passed"}
    assert {"heat.cooling_fan[chamber]", "safe.emergency_stop[chamber]", "bus.with_loads[can]"} <= set(
        outcomes(record)
    )


def test_the_answers_beside_it_answer_every_question() -> None:
    """The script for a rig without a person leaves out nothing that is asked before the power goes on."""
    answers = CHILLER.with_name("sample_chiller.answers.toml")
    only = ("cold.power_on[can]", "switch.by_hand[ring_home]", "switch.by_hand[door]", "lamp.colours[status]")
    found = outcomes(accept(file=short(operator=True), answers=answers, only=only))
    assert "not observable" not in found.values()
    assert found["cold.power_on[can]"] == "passed"


def test_the_matrix_of_heaters_and_sensors_holds_those_of_both_boards() -> None:
    """What each pulse did to each sensor stands in the report, across the boards."""
    record = accept(file=short(), only=PULSES)
    notes = [note for check in record.checks for note in check.notes if "what each heater's pulse" in note]
    assert len(notes) == 1
    for word in ("fins: fins +", "lid: fins +", "air +", "lid +"):
        assert word in notes[0], notes[0]


def test_a_block_of_the_other_board_that_gets_hot_trips_the_guard() -> None:
    """A heater in closed loop whose plug went to the other board's block: the guard sees that sensor rise."""
    seen: dict[str, Any] = {}

    def look(run: Any) -> None:
        opened = run.opened()
        bench = opened.link.port.bus.bench
        opened.guard.reset()
        opened.guard.release("a test of the guard")
        chamber = run.node("chamber")
        run.node("carousel")
        opened.link.run_for(2.0)
        bench.inject("heaters_swapped[fins+lid]")
        # Its own loop sees cold fins and gives all it has; the block that gets hot is the lid.
        chamber.set_heater_c("fins", 48.0)
        with pytest.raises(GuardTripped) as tripped:
            opened.link.run_for(300.0)
        seen["reason"] = str(tripped.value)
        bench.run_for(0.5)
        seen["on"] = bench.truth.outputs_on()
        seen["lid"] = bench.truth.block_c("lid")

    accept(file=short(), only=("bus.enumerate[chamber]", "bus.enumerate[carousel]"), before_close=look)
    assert "lid" in seen["reason"], seen
    assert seen["lid"] < 75.0
    assert not seen["on"]


@pytest.mark.parametrize(("silent", "trips"), [("chamber", False), ("carousel", True)])
def test_the_guard_minds_the_silence_of_the_node_whose_load_is_on(silent: str, trips: bool) -> None:
    """The lid is warm. A chamber without power is no reason to trip; a carousel is, and all nodes are commanded off."""
    seen: dict[str, Any] = {}

    def look(run: Any) -> None:
        opened = run.opened()
        bench = opened.link.port.bus.bench
        opened.guard.reset()
        opened.guard.release("a test of the guard")
        run.node("chamber")
        run.node("carousel").set_heater_c("lid", 40.0)
        opened.link.run_for(2.0)
        bench.inject(f"no_node[{silent}]")
        try:
            opened.link.run_for(4.0)
        except GuardTripped as tripped:
            seen["reason"] = str(tripped)
            bench.run_for(0.3)  # the commands are on their way
        seen["on"] = bench.truth.outputs_on()
        opened.guard.all_off("a test")

    accept(file=short(), only=("bus.enumerate[chamber]", "bus.enumerate[carousel]"), before_close=look)
    if trips:
        assert "no sign of node 'carousel'" in seen["reason"]
        assert not seen["on"]
    else:
        assert "reason" not in seen
        assert seen["on"] == {"carousel/heater:lid"}
