"""report.html: one file that can be read offline, on a phone and on paper, without any script.

Order: verdict, cautions, what to look at first, what was not judged, the facts of the run, all checks, the
wiring, then group by group every measurement against its limits with its curves.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from importlib import resources
from typing import TYPE_CHECKING

from hiltest import cautions
from hiltest.evidence.chart import axis_title, curve_summary, draw, has_room, limit_bar, margin
from hiltest.evidence.findings import UNJUDGED, Finding, Waiting, findings, waiting
from hiltest.evidence.markup import element, esc, items
from hiltest.evidence.model import BUT, CheckResult, Curve, Measurement, RunRecord
from hiltest.evidence.text import (
    OUTCOME_SYMBOLS,
    VERDICT_SYMBOLS,
    allowed_text,
    measured_text,
    seconds_text,
    spoken,
    value_text,
)
from hiltest.evidence.wiring import wiring

if TYPE_CHECKING:
    from hiltest.description.models import Description

GROUPS = {
    "desk": "Desk: what the description itself shows",
    "cold": "Cold: resistances with the power off",
    "bus": "Bus",
    "sense": "Sensors and supply",
    "fan": "Fans",
    "heat": "Heat",
    "motion": "Motion",
    "switch": "Switches",
    "lamp": "Lamps",
    "safe": "Safe state",
    "own": "Own tests",
}

CAUTION_AT_HEAD = "<strong>Before touching the unit:</strong> hot parts, pinch points, fans that start without warning. {outputs} "
OUTPUTS_OFF = (
    "Outputs were commanded off at the end of the run; take the power off and make sure of it yourself."
)
OUTPUTS_UNKNOWN = "<strong>The run was cut short: outputs may still be on.</strong> Take the power off and make sure of it yourself."
SOURCE_WORDS = {
    "file": "file",
    "default": "default",
    "computed": "default",
    "hook": "hook",
    "test": "the test",
    "none": "",
}
OWN_TESTS_WORDS = {"accepted": "passed", "rejected": "a test failed", "incomplete": "no acceptance"}
CLOSEST = 6
REPORTS_SHOWN = 5
"""Of one check, beside its finding; all of them stand in the timeline."""


DECISION_RULE = (
    "A value passes when it lies within its limits, the limits included (simple acceptance, JCGM 106:2012, 8.2); a value "
    "that is no number fails. Uncertainty is not taken off the limits: they are set wide enough apart for the spread of "
    "good units and of the node's own measuring. Where it is known it stands behind the value, as ± (expanded, k = 2, or "
    "the most that it can be), and a value that is nearer to a limit than that says so. Where a hand-held meter measures a "
    "part, limits are widened by what it may be off, so what fails is really outside (guarded rejection, 8.3)."
)
"""How a value is judged against its limits; stands in each report."""


def render(record: RunRecord, description: Description | None) -> str:
    """Return the report as one HTML file. Without a description the wiring picture is left out."""
    link = _linker(record)
    style = resources.files("hiltest.evidence").joinpath("report.css").read_text(encoding="utf-8")
    body = [
        _head(record),
        _caution(record),
        _look_first(record, link),
        _unjudged(record, link),
        _all_checks(record),
        _reports(record, link),
        _facts(record, description),
        *_groups(record, link),
        _closest(record),
        _footer(record),
    ]
    title = f"{record.unit} {record.verdict}: {record.fixture}"
    return (
        '<!doctype html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n"
        f"<title>{esc(title)}</title>\n<style>\n{style}</style>\n</head>\n<body>\n"
        f"{''.join(part + chr(10) for part in body if part)}</body>\n</html>\n"
    )


Link = Callable[[str], str]


def _anchor(index: int) -> str:
    return f"check-{index + 1}"


_TIED = re.compile(r"(?<=\d) (?=(?:[kM]?Ω|°C|K|V|A|W|s|%)(?:\W|$))")
"""The space between a number and its unit: no line ends there."""


def _linker(record: RunRecord) -> Link:
    """Return what escapes a text and makes the names of checks in it lead to them."""
    places = {esc(check.name): _anchor(i) for i, check in enumerate(record.checks)}
    names = sorted((name for name in places if name), key=len, reverse=True)
    pattern = re.compile("|".join(re.escape(name) for name in names)) if names else None

    def link(text: str) -> str:
        safe = _TIED.sub("\u00a0", esc(spoken(text)))
        if pattern is None:
            return safe
        return pattern.sub(lambda m: f'<a href="#{places[m.group()]}">{m.group()}</a>', safe)

    return link


def tag(outcome: str) -> str:
    """Return an outcome or a verdict of a measurement as a sign and a word."""
    css = "unjudged" if outcome in UNJUDGED else outcome
    sign = next((sign for known, sign in OUTCOME_SYMBOLS.items() if known == outcome), "")
    mark = f'<i aria-hidden="true">{sign}</i>' if sign else ""
    return element("span", f"{mark}{outcome}", f"tag {css}")


def _head(record: RunRecord) -> str:
    sign = VERDICT_SYMBOLS[record.verdict]
    verdict = OWN_TESTS_WORDS[record.verdict] if record.is_of_own_tests else record.verdict
    word = element(
        "p", f'<span aria-hidden="true">{sign}</span> {verdict.upper()}', f"verdict {record.verdict}"
    )
    kind = "Own tests" if record.is_of_own_tests else "Acceptance run"
    bench = "on the simulated bench: no hardware was tested" if record.simulated else "on real hardware"
    reason, *qualified = record.verdict_reason.split(BUT)
    who = (
        element("h1", f"{kind}: {esc(record.fixture)}")
        + element("p", f"Unit {esc(record.unit)}", "unit")
        + (element("p", esc(spoken(reason)), "why lines") if reason else "")
        + "".join(
            element("p", element("strong", f"But {esc(spoken(each))}."), "why lines") for each in qualified
        )
        + element("p", element("span", bench, "bench small"), "why")
    )
    outcomes = [check.outcome for check in record.checks]
    counts = [f"{tag(o)} {outcomes.count(o)}" for o in OUTCOME_SYMBOLS if o in outcomes]
    return element(
        "header", element("div", f"{word}<div>{who}</div>", "head") + items("ul", counts, "counts")
    )


def _caution(record: RunRecord) -> str:
    cut_short = record.is_cut_short or any(check.outcome == "error" for check in record.checks)
    outputs = OUTPUTS_UNKNOWN if cut_short else OUTPUTS_OFF
    if record.is_interrupted:  # what is known of the outputs stands with the verdict
        outputs = f"<strong>{esc(cautions.CUT_SHORT)}</strong>"
    danger = record.take_power_off
    if danger:
        outputs = ""
    usual = element(
        "aside", CAUTION_AT_HEAD.format(outputs=outputs) + esc(cautions.GENERAL), "care", aria_label="Caution"
    )
    if not danger:
        return usual
    alarm = element("aside", element("strong", esc(danger)), "care danger", aria_label="Danger", role="alert")
    return alarm + usual


def _look_first(record: RunRecord, link: Link) -> str:
    found = findings(record)
    title = element("h2", "What to look at first")
    if found:
        cards = [_card(finding, record, link, first=i == 0) for i, finding in enumerate(found)]
        return element("section", title + "".join(cards))
    if record.verdict == "accepted":
        text = "Nothing failed. Where a value came near a limit is shown under “Closest to a limit”."
    else:
        text = "No check failed, but the run is not complete: see what was not judged, and why."
    return element("section", title + element("p", text, "calm"))


def _card(finding: Finding, record: RunRecord, link: Link, *, first: bool) -> str:
    check = finding.check
    name = element("span", link(check.name), "name-of-check")
    parts = [
        element("h3", f"{name} {tag(check.outcome)}"),
        element("p", link(finding.sentence[:1].upper() + finding.sentence[1:]), "found lines"),
    ]
    parts += [element("p", esc(spoken(text)), "lines") for text in finding.beside]
    said = [each for each in record.reports if each.check == check.name]
    if said:
        parts.append(element("p", "What the node reported by itself meanwhile:", "soft"))
        parts.append(items("ul", (f"{each.t_s:.3f} s: {esc(each.text)}" for each in said[:REPORTS_SHOWN])))
    if check.look_first:
        parts.append(element("p", "Likely causes, the likeliest first:", "soft"))
        parts.append(items("ol", (link(cause) for cause in check.look_first)))
    return element("article", "".join(parts), "first" if first else "first later")


def _unjudged(record: RunRecord, link: Link) -> str:
    groups = waiting(record)
    if not groups:
        return ""
    explained = "These checks say nothing about the unit, neither good nor bad."
    return element(
        "section",
        element("h2", "Not judged, and why")
        + element("p", explained, "soft")
        + items("ul", [_waiting(group, link) for group in groups], "unjudged-list"),
    )


def _waiting(group: Waiting, link: Link) -> str:
    """Checks that one and the same thing kept back."""
    names = ", ".join(link(check.name) for check in group.checks)
    many = f"{len(group.checks)} checks " if len(group.checks) > 1 else ""
    why = f"{many}{group.why}"
    return element("p", link(why[0].upper() + why[1:]), "lines") + element("p", names, "soft small lines")


def _all_checks(record: RunRecord) -> str:
    """Every check with its outcome, folded by group: a group in which something went wrong is open."""
    groups: dict[str, list[tuple[int, CheckResult]]] = {}
    for i, check in enumerate(record.checks):
        groups.setdefault(_group_of(check), []).append((i, check))
    folds = "".join(_fold(group, checks) for group, checks in groups.items())
    return element("section", element("h2", "All checks") + element("div", folds, "all"))


def _fold(group: str, checks: list[tuple[int, CheckResult]]) -> str:
    outcomes = [check.outcome for _, check in checks]
    counted = " ".join(
        element("span", f"{tag(each)} {outcomes.count(each)}", "count")
        for each in OUTCOME_SYMBOLS
        if each in outcomes
    )
    title = element("b", esc(GROUPS.get(group, group).partition(":")[0]))
    rows = []
    for i, check in checks:
        css = "unjudged" if check.outcome in UNJUDGED else check.outcome
        sign = element("span", OUTCOME_SYMBOLS[check.outcome], "sign", aria_hidden="true")
        name = element("a", esc(check.name), "name-of-check", href=f"#{_anchor(i)}")
        word = element("span", check.outcome, "word")
        rows.append(f'<li class="{css}">{sign}<span>{name} {word}</span></li>')
    is_open = "open" if {"failed", "error"} & set(outcomes) else ""
    return element(
        "details", element("summary", f"{title} {counted}") + element("ul", "".join(rows)), open=is_open
    )


def _group_of(check: CheckResult) -> str:
    return "own" if "::" in check.name else check.name.partition(".")[0]


def _reports(record: RunRecord, link: Link) -> str:
    """Return what the nodes reported by themselves, in order of time."""
    if not record.reports:
        return ""
    heads = ("Bench time", "Node", "During", "Report")
    head = "".join(f'<th scope="col" role="columnheader">{text}</th>' for text in heads)
    rows = "".join(
        f'<tr role="row"><th scope="row" role="rowheader">{each.t_s:.3f} s</th>{_cell("", esc(each.node))}'
        f"{_cell('', link(each.check) or 'between checks')}{_cell('', esc(each.text))}</tr>"
        for each in record.reports
    )
    text = "Error reports that a node sent unasked. Drills provoke some of them: a host that falls silent is one."
    if record.reports_left_out:
        text += f" {record.reports_left_out} more came and were not kept; bus.log holds their frames."
    table = (
        f'<table role="table" class="told"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table>'
    )
    return element(
        "section", element("h2", "What the nodes reported by themselves") + element("p", text, "soft") + table
    )


def _facts(record: RunRecord, description: Description | None) -> str:
    facts: list[tuple[str, str]] = [
        ("Unit", esc(record.unit)),
        ("Fixture", esc(record.fixture)),
        ("Description", element("code", esc(record.description))),
        ("Date", esc(record.date or "not recorded")),
        ("Bench", "simulated" if record.simulated else "real hardware"),
    ]
    if record.simulated:
        facts.append(("Seed", "none" if record.seed is None else str(record.seed)))
    if record.simulated or record.faults:
        facts.append(("Faults put in", "<br>".join(esc(f) for f in record.faults) or "none"))
    wall = f", {esc(seconds_text(record.wall_s))} of real time" if record.wall_s else ""
    facts.append(("Duration", f"{esc(seconds_text(record.bench_s))} of bench time{wall}"))
    facts.append(
        ("Software", "<br>".join(f"{esc(k)} {esc(v)}" for k, v in record.versions.items()) or "unknown")
    )
    facts.append(("Limits", _limit_sources(record)))
    facts.append(("Decision rule", esc(DECISION_RULE)))
    shown = "".join(f"<dt>{name}</dt><dd>{value}</dd>" for name, value in facts)
    parts = [element("dl", shown, "facts")]
    title = "The run"
    if description is not None:
        used = " This run used the simulated bench instead of the adapter." if record.simulated else ""
        caption = element("figcaption", f"Drawn from the fixture description, not from the wires.{used}")
        parts.append(element("figure", wiring(description) + caption))
        title = "The run and its wiring"
    return element("section", element("h2", title) + element("div", "".join(parts), "beside"))


def _limit_sources(record: RunRecord) -> str:
    judged = [m for check in record.checks for m in check.measurements if m.verdict != "noted"]
    words = {
        "file": "by the description file",
        "default": "by a default",
        "computed": "by a default of the check, computed from the description",
        "hook": "by a hook",
        "test": "by the test itself",
    }
    counted = {text: sum(m.limit_source == source for m in judged) for source, text in words.items()}
    parts = ", ".join(f"{count} {text}" for text, count in counted.items() if count)
    if not judged:
        return "no value was judged"
    return f"of {len(judged)} judged values: {parts}. The source of each default stands below its check."


def _groups(record: RunRecord, link: Link) -> list[str]:
    """Return one section for each group of checks, in the order of the run."""
    grouped: dict[str, list[str]] = {}
    waiting_in: dict[str, list[str]] = {}
    for i, check in enumerate(record.checks):
        group = _group_of(check)
        articles = grouped.setdefault(group, [])
        if check.outcome == "not run" and not check.measurements:
            waiting_in.setdefault(group, []).append(_name_alone(check, _anchor(i)))
        else:
            articles.append(_check(check, _anchor(i), link))
    for group, names in waiting_in.items():
        title = element("h3", f"{tag('not run')} {', '.join(names)}")
        grouped[group].append(element("article", title, "check unjudged"))
    sections = []
    for group, checks in grouped.items():
        title = GROUPS.get(group, group)
        care = _strong_start(cautions.BY_GROUP.get(group, ""))
        statistics = _bus_statistics(record) if group == "bus" else ""
        content = (
            element("h2", esc(title))
            + (element("aside", care, "care", aria_label="Caution") if care else "")
            + "".join(checks)
            + statistics
        )
        sections.append(element("section", content))
    if "bus" not in grouped and record.bus_statistics:
        sections.append(element("section", element("h2", "Bus") + _bus_statistics(record)))
    return sections


def _name_alone(check: CheckResult, anchor: str) -> str:
    return element("span", esc(check.name), "name-of-check", id=anchor)


def _strong_start(caution: str) -> str:
    """Return a caution with its first words, up to the first colon or full stop, made to stand out."""
    return re.sub(r"^([^:.]+[:.])", r"<strong>\1</strong>", esc(caution))


def _check(check: CheckResult, anchor: str, link: Link) -> str:
    css = "unjudged" if check.outcome in UNJUDGED else check.outcome
    took = ""
    if check.outcome not in UNJUDGED and check.ended_s > check.started_s:
        span = (
            f"took {seconds_text(check.ended_s - check.started_s)}, began at {seconds_text(check.started_s)}"
        )
        took = element("span", esc(span), "took")
    parts = [
        element("h3", f"{element('span', esc(check.name), 'name-of-check')} {tag(check.outcome)} {took}")
    ]
    if check.reason and check.outcome != "passed":
        parts.append(element("p", link(check.reason), "lines"))
    if check.measurements:
        parts.append(_table(check.measurements, check.name))
    if check.limits and any(m.verdict != "noted" for m in check.measurements):
        parts.append(element("p", f"Limits: {link('; '.join(check.limits))}.", "soft small lines"))
    parts += [_note(note, link) for note in check.notes]
    drawn = [_figure(curve) for curve in check.curves]
    if any(drawn):
        parts.append(element("div", "".join(drawn), "curves"))
    return element("article", "".join(parts), f"check {css}", id=anchor)


def _note(text: str, link: Link) -> str:
    """A sentence, or a picture in letters whose lines must stay as they are."""
    if "\n" in text:
        return element("pre", esc(spoken(text)), "soft small picture")
    return element("p", link(text), "soft small lines")


def _table(measurements: Iterable[Measurement], of: str) -> str:
    names = ("name", "value", "allowed", "pic", "from", "verdict")
    columns = "".join(f'<col class="c-{name}">' for name in names)
    heads = ("Measurement", "Value", "Allowed", "Value in its limits", "Limit from", "Verdict")
    head = "".join(f'<th scope="col" role="columnheader">{text}</th>' for text in heads)
    rows = "".join(_row(m) for m in measurements)
    # roles are given again because the phone layout takes rows and cells out of the table's display
    return (
        f'<table role="table" aria-label="{esc(f"Measurements of {of}")}"><colgroup>{columns}</colgroup>'
        f'<thead role="rowgroup"><tr role="row">{head}</tr></thead><tbody role="rowgroup">{rows}</tbody></table>'
    )


def _row(m: Measurement) -> str:
    note = f'<br><span class="of">{esc(spoken(m.note))}</span>' if m.note else ""
    cells = [
        f'<th scope="row" role="rowheader">{esc(spoken(m.name))}{note}</th>',
        _cell("value", _TIED.sub("\u00a0", esc(measured_text(m))).replace("± ", "±\u00a0")),
        _cell("allowed", esc(allowed_text(m))),
        _cell("pic", limit_bar(m)),
        _cell("from soft", SOURCE_WORDS[m.limit_source] if m.verdict != "noted" else ""),
        _cell("verdict-of", tag(m.verdict)),
    ]
    return f'<tr role="row" class="{m.verdict}">{"".join(cells)}</tr>'


def _cell(css: str, content: str) -> str:
    return f'<td role="cell" class="{css}">{content}</td>'


def _figure(curve: Curve) -> str:
    picture = draw(curve)
    if not picture:
        return ""
    words = curve_summary(curve).partition(": ")[2].partition(". Lines")[0]
    caption = element("figcaption", f"<b>{esc(axis_title(curve))}</b> · {esc(words)}")
    return element("figure", caption + picture)


def _bus_statistics(record: RunRecord) -> str:
    parts = []
    for bus, numbers in record.bus_statistics.items():
        rows = "".join(
            f'<tr role="row"><th scope="row" role="rowheader">{esc(name)}</th>'
            f"{_cell('value', esc(value_text(value)))}</tr>"
            for name, value in numbers.items()
        )
        curve = record.bus_curves.get(bus)
        parts.append(
            element("h3", f"Bus {esc(bus)} during the whole run")
            + (element("div", _figure(replace(curve, name="utilisation")), "curves") if curve else "")
            + f'<table role="table" class="plain"><tbody role="rowgroup">{rows}</tbody></table>'
        )
    return element("article", "".join(parts), "check") if parts else ""


def _closest(record: RunRecord) -> str:
    """Return the passed values with the least room to a limit, of those whose room means something."""
    room = [
        (share, m)
        for check in record.checks
        for m in check.measurements
        if m.verdict == "passed" and has_room(m) and (share := margin(m)) is not None
    ]
    room.sort(key=lambda pair: pair[0])
    if not room:
        return ""
    text = (
        "Passed, with the least room left. 100 % is the middle of the allowed range (with one limit: zero), "
        "0 % is on the limit. Left out is what has no room by its nature: what is counted one by one, and how long or "
        "how much a check itself took."
    )
    head = "".join(
        f'<th scope="col" role="columnheader">{t}</th>'
        for t in ("Measurement", "Value", "Allowed", "Room left")
    )
    rows = "".join(
        f'<tr role="row"><th scope="row" role="rowheader">{esc(spoken(m.name))}<br>'
        f'<span class="of soft small">{esc(m.check)}</span></th>'
        f"{_cell('value', esc(measured_text(m)))}"
        f"{_cell('allowed', esc(allowed_text(m)))}{_cell('room', f'{share * 100:.0f} %')}</tr>"
        for share, m in room[:CLOSEST]
    )
    table = (
        f'<table role="table"><thead role="rowgroup"><tr role="row">{head}</tr></thead>'
        f'<tbody role="rowgroup">{rows}</tbody></table>'
    )
    return element("section", element("h2", "Closest to a limit") + element("p", text, "soft") + table)


def _footer(record: RunRecord) -> str:
    cut = (
        f" (it grew too long: {record.bus_log_left_out} lines of its middle are left out, as its last line says)"
        if record.bus_log_left_out
        else ""
    )
    text = (
        "This record says what was measured on this bench on this day. It is no certificate of safety. The run folder "
        f"holds every value in run.json and measurements.jsonl, and the frames in bus.log{cut}; "
        "<code>hiltest report DIR</code> draws this page again."
    )
    return element("footer", element("p", text, "soft small"))
