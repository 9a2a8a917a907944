"""One table of fields: as JSON Schema, as manual, and as what the models do."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from hiltest.description.loading import load_text
from hiltest.description.models import ROLES, Description
from hiltest.description.reference import MANUAL, sections, with_reference
from hiltest.description.schema import json_schema, lookup, rule, schema_text, unit_of
from hiltest.node.incoming import READINGS
from hiltest.node.places import AXIS_ROLES


def _errors(data: object) -> list[str]:
    validator = jsonschema.Draft202012Validator(json_schema())
    return ["/".join(str(step) for step in error.absolute_path) for error in validator.iter_errors(data)]


@pytest.fixture
def glue_head_data(glue_head: Path) -> dict[str, Any]:
    """The glue head as plain data."""
    return tomllib.loads(glue_head.read_text(encoding="utf-8"))


def test_the_schema_is_one() -> None:
    """jsonschema, an implementation of JSON Schema 2020-12 that is not ours, accepts it."""
    jsonschema.Draft202012Validator.check_schema(json_schema())


def test_the_glue_head_is_valid_by_the_schema(glue_head_data: dict[str, Any]) -> None:
    """An editor that checks by the schema marks nothing in the shipped file."""
    assert _errors(glue_head_data) == []


@pytest.mark.parametrize(
    ("section", "key", "value"),
    [
        ("bus", "bit_rate_bps", "1M"),
        ("bus", "unknown", 1),
        ("supply", "voltage_v", 0),
        ("supply", "voltage_v", 61.0),
        ("node", "protocol", "morse"),
        ("node", "name", "Head"),
        ("simulation", "seed", -1),
    ],
)
def test_schema_and_models_refuse_the_same(
    glue_head_data: dict[str, Any], section: str, key: str, value: object
) -> None:
    """What the reader refuses, the editor marks."""
    glue_head_data[section][key] = value
    assert any(error.startswith(section) for error in _errors(glue_head_data))
    with pytest.raises(ValueError, match=key):
        Description.model_validate(glue_head_data)


def test_several_nodes_and_roles_as_text_or_table_are_valid(glue_head_data: dict[str, Any]) -> None:
    """The short ways of writing are in the schema too."""
    glue_head_data["node"] = [glue_head_data["node"], {"name": "tail", "node_id": 6, "eds": "x.eds"}]
    glue_head_data["switch"][0]["roles"]["state"] = {"at": "0x6000:1.0"}
    assert _errors(glue_head_data) == []
    glue_head_data["switch"][0]["roles"]["state"] = 6000
    assert _errors(glue_head_data) == ["switch/0/roles/state"]


def test_units_defaults_and_sources_are_in_the_schema() -> None:
    """An editor can show them beside the field."""
    heater = json_schema()["$defs"]["Heater"]["properties"]
    assert heater["steady_band_k"]["unit"] == "K"
    assert heater["steady_band_k"]["default"] == 2.0
    assert "common practice" in heater["steady_band_k"]["default_source"]
    assert heater["loss_w_k"]["unit"] == "W/K"
    assert json_schema()["$defs"]["Bus"]["properties"]["terminators_ohm"]["default"] == [120.0, 120.0]
    assert heater["power_w"]["description"] == "at the nominal supply voltage"


def test_the_schema_is_the_same_text_every_time() -> None:
    """Two processes with different hash seeds write the same bytes."""
    code = "from hiltest.description.schema import schema_text; print(schema_text())"
    texts = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={"PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
            timeout=60,
        ).stdout
        for seed in ("1", "2")
    }
    assert texts == {schema_text() + "\n"}
    assert json.loads(schema_text()) == json_schema()


def test_a_schema_that_was_changed_by_a_caller_changes_nothing() -> None:
    """Each call returns a dictionary of its own."""
    json_schema()["properties"].clear()
    assert "bus" in json_schema()["properties"]


def test_every_field_says_what_it_means_and_in_which_unit() -> None:
    """No field without words; every number that is a quantity has a unit in its name."""
    rows = [row for section in sections() for row in section.rows]
    assert len(rows) > 130
    assert [f"{row.section} {row.field}" for row in rows if not row.meaning] == []
    bare = {row.field for row in rows if row.rule.startswith(("a number", "a whole number")) and not row.unit}
    identifiers = {"can_id", "host_id", "node_id", "vendor_id", "product_code", "revision", "seed"}
    ratios = {"confidence", "bit_error_probability_max", "start_duty", "gear_ratio", "guard_rise_factor"}
    frames = {
        "at_byte",
        "at_bit",
        "constant",
        "on",
        "stale_periods",
    }  # positions, raw numbers, a count of periods
    assert bare == identifiers | ratios | frames | {"scale", "offset"}


def test_every_limit_with_a_default_has_a_source() -> None:
    """A field whose name says it is a limit, and that has a default, says where that comes from."""
    rows = [row for section in sections() for row in section.rows]
    limits = [row for row in rows if "_max" in row.field or "tolerance_" in row.field]
    assert len(limits) > 12
    without = [f"{row.section} {row.field}" for row in limits if row.default and not row.source]
    assert without == []


@pytest.mark.parametrize(
    ("field", "unit"),
    [
        ("loss_w_k", "W/K"),
        ("heat_capacity_j_k", "J/K"),
        ("power_w", "W"),
        ("beta_k", "K"),
        ("twists_per_m", "1/m"),
        ("length_m", "m"),
        ("travel_mm_per_rev", "mm/rev"),
        ("speed_rev_s", "rev/s"),
        ("window_s", "s"),
        ("bit_rate_bps", "bit/s"),
        ("return_error_max_steps", "full steps"),
        ("gear_ratio", ""),
    ],
)
def test_the_unit_is_the_end_of_the_name(field: str, unit: str) -> None:
    """The longest end counts: _w_k is watt per kelvin, not kelvin."""
    assert unit_of(field) == unit


def test_rules_are_told_in_words() -> None:
    """The same words stand in messages and in the manual."""
    told = {
        ("bus", 0, "bit_rate_bps"): "a whole number from 10000 to 1000000",
        ("supply", "fuse_a"): "a number above 0, at most 60",
        ("bus", 0, "sample_point_percent"): "a number of 50 or more, below 95",
        ("lamp",): "a list of at most 100 tables",
        ("heater", 3, "roles", "duty"): "text in quotes or a table",
    }
    for path, words in told.items():
        schema = lookup(path)
        assert schema is not None
        assert rule(schema) == words


def test_the_manual_is_what_the_models_say() -> None:
    """`python -m hiltest.description.reference` was run after the last change of a field."""
    text = MANUAL.read_text(encoding="utf-8")
    assert with_reference(text) == text
    assert "`bit_rate_bps`" in text


def test_a_manual_without_its_marks_is_refused() -> None:
    """The reference is never silently left out."""
    with pytest.raises(ValueError, match="must hold the lines"):
        with_reference("# something else\n")


def test_the_examples_of_the_manual_are_valid(glue_head: Path) -> None:
    """The smallest description of the manual can be used as it stands."""
    text = MANUAL.read_text(encoding="utf-8")
    blocks = [block.split("```")[0] for block in re.split(r"^```toml.*\n", text, flags=re.MULTILINE)[1:]]
    assert len(blocks) == 3
    loaded = load_text(blocks[0], glue_head.parent)
    assert loaded.warnings == ()
    assert set(tomllib.loads(blocks[1])["heater"]["roles"]) <= set(ROLES["heater"])


def test_the_driver_knows_the_same_roles() -> None:
    """A role that the driver looks for and the description refuses could never be given."""
    assert set(AXIS_ROLES) <= set(ROLES["stepper"])
    assert len(READINGS) > 5
    for kind, role in READINGS:
        assert role in ROLES[kind], (kind, role)
