"""The table of all fields as rows, and as the reference part of the manual.

`python -m hiltest.description.reference` writes it anew into hiltest/docs/describing_a_bench.md.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from hiltest.description.models import ROLES
from hiltest.description.schema import ONE_OR_MANY, Schema, json_schema, resolve, rule


@dataclass(frozen=True, slots=True)
class FieldRow:
    """One field of the description, as the manual shows it. `default` is TOML text, empty when it must be given."""

    section: str
    field: str
    unit: str
    rule: str
    default: str
    source: str
    meaning: str
    required: bool


@dataclass(frozen=True, slots=True)
class SectionRows:
    """One section of the description: its heading as in the file, what it is, and its fields."""

    heading: str
    meaning: str
    required: bool
    rows: tuple[FieldRow, ...]


def sections() -> list[SectionRows]:
    """Return every section with its fields, in the order in which a file is best written."""
    found: list[SectionRows] = []
    required = json_schema()["required"]
    for name, property_schema in json_schema()["properties"].items():
        many = name not in ONE_OR_MANY and property_schema.get("type") == "array"
        heading = f"[[{name}]]" if many else f"[{name}]"
        _add_section(found, heading, property_schema, name in required)
    _add_section(found, "[KIND.roles.ROLE]", {"$ref": "#/$defs/Role"}, False)
    return found


def _add_section(found: list[SectionRows], heading: str, schema: Schema, needed: bool) -> None:
    section = _section_of(schema)
    required = section.get("required", [])
    fields: dict[str, Schema] = section["properties"]
    rows = tuple(_row(heading, field, part, field in required) for field, part in fields.items())
    found.append(SectionRows(heading, str(section.get("description", "")), needed, rows))
    for field, part in fields.items():
        if "$ref" in part or "$ref" in part.get("items", {}):
            inner = heading.strip("[]") + "." + field
            _add_section(found, f"[[{inner}]]" if "items" in part else f"[{inner}]", part, field in required)


def _section_of(schema: Schema) -> Schema:
    """The table that a property is, or holds several of."""
    options = [*schema.get("anyOf", []), schema]
    return next(
        resolve(option.get("items", option)) for option in options if "$ref" in option.get("items", option)
    )


def _row(section: str, field: str, schema: Schema, required: bool) -> FieldRow:
    table = "$ref" in schema
    default = schema.get("default")
    shown = "" if default is None or table else json.dumps(default)
    return FieldRow(
        section=section,
        field=field,
        unit=schema.get("unit", ""),
        rule="a table" if table else rule(schema),
        default=shown,
        source=schema.get("default_source", ""),
        meaning=str(schema.get("description", "")),
        required=required,
    )


BEGIN = "<!-- reference: written by `python -m hiltest.description.reference`, do not edit by hand -->"
END = "<!-- end of the reference -->"


def reference_markdown() -> str:
    """Return the reference part of the manual: one table a section, and the roles."""
    parts = [BEGIN, ""]
    for section in sections():
        parts += [f"### `{section.heading}`", "", _paragraph(section), ""]
        parts += ["| field | unit | allowed | default | meaning |", "| --- | --- | --- | --- | --- |"]
        parts += [_markdown_row(row) for row in section.rows]
        parts += [""]
    parts += ["### Roles", ""]
    for kind, roles in ROLES.items():
        parts += [f"`{kind}`", "", "| role | meaning |", "| --- | --- |"]
        parts += [f"| `{role}` | {meaning} |" for role, meaning in roles.items()]
        parts += [""]
    return "\n".join([*parts, END, ""])


def _paragraph(section: SectionRows) -> str:
    needed = "Must be there." if section.required else "May be left out."
    return " ".join(section.meaning.split()) + " " + needed


def _markdown_row(row: FieldRow) -> str:
    default = "must be given" if row.required else (f"`{row.default}`" if row.default else "")
    source = f". Default from: {row.source}" if row.source else ""
    cells = [f"`{row.field}`", row.unit, row.rule, default, f"{row.meaning}{source}"]
    return "| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |"


MANUAL = Path(__file__).parents[1] / "docs" / "describing_a_bench.md"


def with_reference(text: str) -> str:
    """Return the manual's text with its reference part written anew.

    Raises:
        ValueError: the marks of that part are not in the text.
    """
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"the text must hold the lines {BEGIN!r} and {END!r}")
    return before + reference_markdown().strip("\n") + after


if __name__ == "__main__":
    MANUAL.write_text(with_reference(MANUAL.read_text(encoding="utf-8")), encoding="utf-8")
