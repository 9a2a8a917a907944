"""The page of a check, as text for the terminal. Written from what the check declares."""

from __future__ import annotations

import textwrap

from hiltest import cautions
from hiltest.catalogue.registry import CheckSpec, find
from hiltest.evidence.text import spoken

WIDTH = 96


def page_text(name: str) -> str:
    """The page of the check `name`.

    Raises:
        UsageError: there is no such check.
    """
    spec = find(name)
    page = spec.page
    parts = [spec.name, "=" * len(spec.name), "", _fill(page.purpose), ""]
    caution = cautions.BY_GROUP.get(spec.group)
    parts += ["Hazard", _fill(page.hazard, "  ")]
    if caution:
        parts += [_fill(f"CAUTION: {caution}", "  "), _fill(cautions.GENERAL, "  ")]
    parts += ["", "What is done", _fill(page.method, "  "), "", "Limits, and where they come from"]
    parts += [_item(f"{what} ({source})", "-") for what, source in page.limits]
    parts += ["", "When it fails, look in this order"]
    parts += [_item(cause, f"{number}.") for number, cause in enumerate(page.causes, 1)]
    if spec.only_where:
        parts += ["", "In the catalogue only where", _fill(spec.only_where, "  ")]
    parts += ["", "Before it may run", *_gates(spec)]
    if spec.builds_on:
        parts += ["", "Builds on what these show, so --only takes them along", *_names(spec.builds_on)]
    return "\n".join(parts)


def _gates(spec: CheckSpec) -> list[str]:
    if not spec.gates:
        return ["  nothing: it energises nothing"]
    return _names(spec.gates)


def _names(templates: tuple[str, ...]) -> list[str]:
    return [_item(each.replace("{", "").replace("}", ""), "-") for each in templates]


def _fill(text: str, indent: str = "") -> str:
    return textwrap.fill(
        spoken(text), WIDTH, initial_indent=indent, subsequent_indent=indent, break_on_hyphens=False
    )


def _item(text: str, sign: str) -> str:
    return textwrap.fill(
        spoken(text),
        WIDTH,
        initial_indent=f"  {sign} ",
        subsequent_indent=" " * (3 + len(sign)),
        break_on_hyphens=False,
    )
