"""The one table of all fields, as JSON Schema for editors and as rules in words for messages."""

from __future__ import annotations

import copy
import json
from functools import cache
from typing import Any

from pydantic import BaseModel

from hiltest.description.locating import Path
from hiltest.description.models import Description, Section

Schema = dict[str, Any]

# Units by the end of a field's name, longest first where one ends like another.
_UNITS = {
    "_mm_per_rev": "mm/rev",
    "_counts_per_rev": "counts/rev",
    "_per_rev": "1/rev",
    "_per_m": "1/m",
    "_rev_s": "rev/s",
    "_w_k": "W/K",
    "_j_k": "J/K",
    "_percent": "%",
    "_max_steps": "full steps",
    "_rpm": "rpm",
    "_rev": "rev",
    "_bps": "bit/s",
    "_bits": "bit",
    "_bytes": "byte",
    "_frames": "frames",
    "_ppm": "ppm",
    "_ohm": "ohm",
    "_awg": "AWG",
    "_hz": "Hz",
    "_quanta": "quanta",
    "_mm": "mm",
    "_ns": "ns",
    "_v": "V",
    "_a": "A",
    "_w": "W",
    "_c": "degC",
    "_k": "K",
    "_s": "s",
    "_m": "m",
    "baud": "bit/s",
}

ONE_OR_MANY = ("bus", "node", "console", "meter", "bench_supply")


def unit_of(field: str) -> str:
    """Return the unit that the end of a field's name states; empty when it has none."""
    return next((unit for end, unit in _UNITS.items() if field.endswith(end)), "")


@cache
def _built() -> Schema:
    schema: Schema = Description.model_json_schema(mode="validation")
    models = _models(Description)
    for name, section in {**schema["$defs"], "Description": schema}.items():
        section.pop("title", None)
        for field, property_schema in section["properties"].items():
            _complete(models[name], field, property_schema)
    for name in ONE_OR_MANY:
        many = schema["properties"][name]
        about = many.pop("description")
        schema["properties"][name] = {"anyOf": [many["items"], many], "description": about}
    for section in schema["$defs"].values():
        roles = section["properties"].get("roles")
        if roles is not None:
            role = roles["additionalProperties"]
            roles["additionalProperties"] = {"anyOf": [{"type": "string"}, role]}
    head = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "hiltest fixture description",
    }
    return head | schema


def _models(model: type[BaseModel]) -> dict[str, type[BaseModel]]:
    """Every section by name."""
    found: dict[str, type[BaseModel]] = {model.__name__: model}
    waiting: list[type[Section]] = [Section]
    while waiting:
        part = waiting.pop()
        found[part.__name__] = part
        waiting += part.__subclasses__()
    return found


def _complete(model: type[BaseModel], field: str, schema: Schema) -> None:
    """Add what pydantic leaves out: the unit, and defaults that come from a factory."""
    schema.pop("title", None)
    unit = unit_of(field)
    if unit:
        schema["unit"] = unit
    info = model.model_fields[field]
    if info.default_factory is not None:
        default = info.get_default(call_default_factory=True, validated_data={})
        schema["default"] = default.model_dump() if isinstance(default, BaseModel) else default


def json_schema() -> Schema:
    """Return the JSON Schema (draft 2020-12) of a fixture description, as a new dictionary.

    Beside the standard keys, a property may hold `unit` and `default_source` (where a limit's default
    comes from).
    """
    return copy.deepcopy(_built())


def schema_text() -> str:
    """Return the JSON Schema as text; the same version of hiltest always gives the same text."""
    return json.dumps(json_schema(), indent=2, ensure_ascii=False)


def lookup(path: Path) -> Schema | None:
    """Return the schema of the value at `path` (keys and list positions), None when it has none."""
    schema = _built()
    at = schema
    for step in path:
        at = resolve(at)
        if isinstance(step, int):
            at = resolve(_array_of(at))
            found = at.get("items")
        else:
            at = _table_of(at)
            found = at.get("properties", {}).get(step, at.get("additionalProperties"))
        if not isinstance(found, dict):
            return None
        at = found
    return at


def keys_at(path: Path) -> list[str]:
    """Return the keys that the table at `path` may hold; empty when they are free."""
    schema = lookup(path)
    return [] if schema is None else list(_table_of(resolve(schema)).get("properties", {}))


def resolve(schema: Schema) -> Schema:
    target = schema.get("$ref")
    if target is None:
        return schema
    found: Schema = _built()["$defs"][target.rpartition("/")[2]]
    return found


def _options(schema: Schema) -> list[Schema]:
    return [resolve(option) for option in schema.get("anyOf", [schema])]


def _table_of(schema: Schema) -> Schema:
    """The variant of a schema that is a table."""
    return next((o for o in _options(schema) if "properties" in o or "additionalProperties" in o), schema)


def _array_of(schema: Schema) -> Schema:
    return next((o for o in _options(schema) if "items" in o), schema)


def rule(schema: Schema) -> str:
    """Say in words what values a schema allows: 'a number above 0, at most 60'."""
    options = [o for o in _options(schema) if o.get("type") != "null"]
    return " or ".join(dict.fromkeys(_rule_of_one(option) for option in options))


_TYPES = {
    "integer": "a whole number",
    "number": "a number",
    "boolean": "true or false",
    "string": "text in quotes",
    "object": "a table",
    "array": "a list",
}


def _rule_of_one(schema: Schema) -> str:
    if "enum" in schema:
        return "one of " + ", ".join(json.dumps(value) for value in schema["enum"])
    kind = schema.get("type", "")
    if schema.get("pattern", "").startswith("^[A-Za-z_]"):
        return "a name of letters, digits and _, not starting with a digit"
    if "pattern" in schema:
        return "a name of 1 to 40 characters: a to z, 0 to 9 and _, starting with a letter"
    if kind == "array":
        return _list_rule(schema)
    if kind == "string" and "minLength" in schema:
        return f"{schema['minLength']} to {schema['maxLength']} characters of text in quotes"
    return _TYPES.get(kind, "a value") + _range(schema)


def _list_rule(schema: Schema) -> str:
    items = resolve(schema["items"])
    several = "tables" if "properties" in items else f"values, each {rule(items)}"
    least, most = schema.get("minItems"), schema.get("maxItems")
    count = {
        (False, False): "",
        (True, False): f"{least} or more ",
        (False, True): f"at most {most} ",
        (True, True): f"{least} to {most} ",
    }[least is not None, most is not None]
    return f"a list of {count}{several}"


def _range(schema: Schema) -> str:
    low, high = schema.get("minimum"), schema.get("maximum")
    if low is not None and high is not None:
        return f" from {_number(low)} to {_number(high)}"
    words = {"minimum": "of {} or more", "exclusiveMinimum": "above {}"}
    words |= {"maximum": "at most {}", "exclusiveMaximum": "below {}"}
    parts = [text.format(_number(schema[key])) for key, text in words.items() if key in schema]
    return " " + ", ".join(parts) if parts else ""


def _number(value: float) -> str:
    """A number without a needless fraction or exponent."""
    return str(int(value)) if value == int(value) else f"{value:g}"
