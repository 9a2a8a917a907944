"""The label peel bar, a node that speaks in frames of its own: healthy boards are accepted, and each fault is found.

The faults are those of the simulated bench; the bench's hidden truth is asked what was left on.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.catalogue._bus import LOAD_IDS, load_ids
from hiltest.description.loading import load_description, load_text
from hiltest.errors import UsageError
from hiltest.simbench.bench import open_bench

from .boards import accept, outcomes
from .files import FIXTURES, changed, edited
from .rows import Row, judge

PEEL = FIXTURES / "label_peel.toml"
ENUMERATE = "bus.enumerate[bar]"
FAN, PULSE, LOOP = "fan.tach[pad]", "heat.pulse[edge]", "heat.low_setpoint[edge]"
READY, DIRECTION, RETURN = "motion.driver_ready[arm]", "motion.direction[arm]", "motion.return[arm]"
EVERYTHING = (FAN, PULSE, DIRECTION)


def alone() -> Path:
    """The description without a person, and with a short load test where one is a gate."""
    return edited(
        PEEL,
        ("operator = true ", "operator = false "),
        ("duration_s = 7.0", "duration_s = 0.5\nbit_error_probability_max = 1e-4"),
    )


TABLE = (
    Row("no_node", ENUMERATE, EVERYTHING, "Nobody acknowledges"),
    Row("duplicate_node_id", ENUMERATE, EVERYTHING, "2 boards"),
    Row("foreign_sender", "bus.quiet[can]", EVERYTHING, "not in the description"),
    Row("wrong_product", ENUMERATE, EVERYTHING, "product code"),
    Row("wrong_firmware", ENUMERATE, EVERYTHING, "firmware: 1.3.2"),
    Row("hangs_behind_heartbeat", ENUMERATE, EVERYTHING),
    Row("slow_answers", "bus.latency[bar]", (), "answer, 99% within"),
    Row("sensor_open", "sense.ambient[edge]", (PULSE,), "without a value"),
    Row("fan_stalled", FAN, (), "no pulse"),
    Row("heater_open", PULSE, (), "heater open"),
    Row("driver_current_unset", READY, (DIRECTION,), "run current"),
    Row("stepper_reversed", DIRECTION, (RETURN,), "wrong way"),
    Row("lost_steps=0.7", RETURN, (), "steps lost"),
    # By the fan alone: it slows down from its kick, and must not be taken for one that was switched off.
    Row(
        "host_watch_missing", "safe.host_silence[bar]", (), "fan pad speed after the host fell silent", (FAN,)
    ),
    Row("ceiling_ignored", "safe.over_ceiling[edge]", (), "refuses a setpoint above"),
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_the_expected_check_fails_and_nothing_unsafe_was_run(row: Row) -> None:
    """The unit is rejected by the right check; what would have been unsafe says which gate stopped it."""
    judge(row, alone())


def test_the_description_as_it_stands_is_accepted() -> None:
    """With its whole load test and a person; answers are timed, and only the drill that needs a test build is missing."""
    record = accept(file=PEEL, seed=2)
    assert record.verdict == "accepted", record.verdict_reason
    not_passed = {name: outcome for name, outcome in outcomes(record).items() if outcome != "passed"}
    assert not_passed == {"safe.firmware_hung[bar]": "not offered"}
    assert outcomes(record)["bus.latency[bar]"] == "passed"


def test_the_description_has_no_warning() -> None:
    """It is the example that others copy; no database stands beside it."""
    loaded = load_description(PEEL)
    assert loaded.warnings == ()
    assert loaded.description.node[0].database is None


def test_the_bench_says_which_frames_it_has_firmware_for(tmp_path: Path) -> None:
    """Another identifier is another board: the error names the message."""
    text = changed(
        PEEL.read_text(encoding="utf-8"), ("can_id = 0x332\nlength_bytes", "can_id = 0x333\nlength_bytes")
    )
    (tmp_path / PEEL.name).write_text(text, encoding="utf-8")
    with pytest.raises(UsageError, match="no Peel_Answer with identifier 0x332"):
        open_bench(tmp_path / PEEL.name)


def test_the_traffic_of_a_test_has_no_identifier_of_a_node() -> None:
    """Random data under the identifier of a command would be one: messages laid out here and in a database are left out."""
    peel = load_description(PEEL).description
    assert set(LOAD_IDS) - set(load_ids(peel, "can", FIXTURES)) == {0x7D0}
    text = (FIXTURES / "vent_actuator.toml").read_text(encoding="utf-8")
    database = (FIXTURES / "vent_actuator.dbc").read_text(encoding="utf-8")
    vent = load_text(text, FIXTURES).description
    assert load_ids(vent, "can", FIXTURES) == list(LOAD_IDS)
    moved = edited(FIXTURES / "vent_actuator.toml")
    (moved.parent / "vent_actuator.dbc").write_text(changed(database, ("BO_ 2024 ", "BO_ 1953 ")))
    assert set(LOAD_IDS) - set(load_ids(vent, "can", moved.parent)) == {0x7A1}
