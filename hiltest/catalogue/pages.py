"""The page of a check, as text for the terminal. Written from what the check declares."""

from __future__ import annotations

import textwrap

from hiltest import cautions
from hiltest.catalogue import scales
from hiltest.catalogue.registry import GROUPS, CheckSpec, find, of_group
from hiltest.evidence.text import spoken
from hiltest.guard import HELD_BACK_BY

WIDTH = 96


def page_text(name: str) -> str:
    """The page of the check `name`, or what each check of the group `name` is for.

    Raises:
        UsageError: there is no such check or group.
    """
    if name in GROUPS:
        return _group_text(name)
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
    causes = [*page.causes, *filter(None, [scales.on_page(spec.name)])]
    parts += [_item(cause, f"{number}.") for number, cause in enumerate(causes, 1)]
    if spec.only_where:
        parts += ["", "In the catalogue only where", _fill(spec.only_where, "  ")]
    parts += ["", "Before it may run", *_gates(spec)]
    if spec.builds_on:
        parts += ["", "Builds on what these show, so --only takes them along", *_names(spec.builds_on)]
    return "\n".join(parts)


def _group_text(group: str) -> str:
    listed = of_group(group)
    wide = max(len(spec.name) for spec in listed)
    lines = [
        textwrap.fill(
            spoken(f"{spec.name:<{wide}}  {spec.page.purpose}"),
            WIDTH,
            initial_indent="  ",
            subsequent_indent=" " * (wide + 4),
            break_on_hyphens=False,
        )
        for spec in listed
    ]
    title = f"{group}: {GROUPS[group]}"
    caution = cautions.BY_GROUP.get(group)
    told = ["", _fill(f"CAUTION: {caution}")] if caution else []
    return "\n".join(
        [title, "=" * len(title), *told, "", *lines, "", f"Each in full: hiltest explain {listed[0].name}"]
    )


def _gates(spec: CheckSpec) -> list[str]:
    if not spec.gates:
        return ["  nothing: it energises nothing"]
    if not spec.goes_far:
        return _names(spec.gates)
    groups = ", ".join(HELD_BACK_BY)
    return [*_names(spec.gates), _item(f"no check of {groups} has failed, whatever part it was for", "-")]


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
