"""The report says what happened, to everybody, and nothing from outside acts in it."""

from __future__ import annotations

import html.parser
import itertools
import math
import re
import sys
import tomllib
from collections.abc import Callable
from dataclasses import replace

import pytest

from hiltest import cautions
from hiltest.description.models import Description
from hiltest.evidence.chart import MAX_POINTS, decimate, draw, limit_bar, margin, ticks
from hiltest.evidence.codec import measurement_from_dict, measurement_to_dict
from hiltest.evidence.model import CheckResult, Curve, NodeReport, RunRecord
from hiltest.evidence.report import render
from hiltest.evidence.text import clean, limits_text, number, value_text
from hiltest.evidence.wiring import wiring

from .records import (
    GLUE_HEAD,
    HOSTILE,
    TACH_CAUSES,
    accepted,
    description,
    hostile,
    incomplete,
    measured,
    rejected,
)

RECORDS = [accepted, rejected, incomplete, hostile]
Make = Callable[[], RunRecord]
VOID = {"meta", "br", "col", "link", "img"}


class Page(html.parser.HTMLParser):
    """Elements of a page with their attributes, its text, and whether every element is closed."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        assert len(dict(attrs)) == len(attrs), f"an attribute is given twice in {tag}"
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.mark.parametrize("make", RECORDS)
def test_the_page_is_well_formed(make: Make) -> None:
    """Every element is closed in order, ids are unique, and every link inside the page leads somewhere."""
    page = Page(render(make(), description()))

    assert page.open == []
    ids = [attrs["id"] for _, attrs in page.tags if "id" in attrs]
    assert len(set(ids)) == len(ids)
    targets = {attrs["href"] for tag, attrs in page.tags if tag == "a"}
    assert targets <= {f"#{name}" for name in ids}
    assert targets


@pytest.mark.parametrize("make", RECORDS)
def test_nothing_from_outside_acts(make: Make) -> None:
    """There is no script, no handler, no address and no foreign element, whatever the texts are."""
    text = render(make(), description())
    page = Page(text)

    known = {
        "html",
        "head",
        "meta",
        "title",
        "style",
        "body",
        "header",
        "aside",
        "section",
        "article",
        "details",
        "summary",
        "footer",
    }
    known |= {
        "h1",
        "h2",
        "h3",
        "p",
        "div",
        "span",
        "strong",
        "i",
        "b",
        "br",
        "ul",
        "ol",
        "li",
        "dl",
        "dt",
        "dd",
        "a",
        "code",
        "figure",
        "figcaption",
    }
    known |= {
        "table",
        "colgroup",
        "col",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "svg",
        "desc",
        "g",
        "rect",
        "line",
        "path",
        "circle",
        "text",
    }
    assert {tag for tag, _ in page.tags} <= known
    for tag, attrs in page.tags:
        assert not any(name.startswith("on") or name in ("src", "style", "srcdoc") for name in attrs), tag
    assert "http://" not in text
    assert "https://" not in text
    assert "url(" not in text
    assert "@import" not in text
    assert text.count("<style>") == text.count("</style>") == 1


def test_hostile_text_is_shown_as_text() -> None:
    """What came from outside can be read in full, with control characters by number."""
    page = Page(render(hostile(), description()))

    for piece in HOSTILE:
        assert re.sub(r"\s+", " ", clean(piece)) in page.text
    assert "[U+001B][2J" in page.text
    assert "[U+202E]gnp.exe" in page.text
    assert not re.search("[\x00-\x08\x0b-\x1f\x7f\u202e\ud800]", render(hostile(), description()))


def test_hostile_names_in_a_description_are_escaped() -> None:
    """Free text of the fixture description is text in the picture."""
    text = GLUE_HEAD.read_text().replace('"the dosing piston"', "'<script>x</script>'")
    text = text.replace('name = "glue head"', "name = '\"><svg onload=x>'").replace('"can0"', "'<b>'")
    svg = wiring(Description.model_validate(tomllib.loads(text)))

    assert "<script" not in svg
    assert "<svg onload" not in svg
    assert "&lt;b&gt;" in svg


@pytest.mark.parametrize(("make", "word"), [(accepted, "ACCEPTED"), (rejected, "REJECTED")])
def test_the_verdict_is_the_first_thing_said(make: Make, word: str) -> None:
    """The verdict is a word, before everything else of the page."""
    text = Page(render(make(), description())).text

    assert word in text.split("Acceptance run")[0]


def test_where_to_look_first_comes_with_value_limits_and_causes_in_order() -> None:
    """The first failed check is named with what was measured, what was allowed, and the likely causes."""
    text = Page(render(rejected(), description())).text
    first = text.split("What to look at first")[1].split("Not judged, and why")[0]

    assert "No tach pulse was seen at any duty" in first
    assert "speed at 100 %: 0 rpm, allowed: 5 100 to 6 900 rpm" in first
    places = [first.index(cause) for cause in TACH_CAUSES]
    assert places == sorted(places)


def test_what_was_not_run_names_its_gate_and_leads_to_it() -> None:
    """A check that was not run says which check stopped it, as a link."""
    text = render(rejected(), description())
    section = text.split("Not judged, and why")[1].split("</section>")[0]

    assert "motion.return[pump]" in section
    assert re.search(r'gate closed: <a href="#check-7">fan\.tach\[electronics\]</a>', section)


@pytest.mark.parametrize("make", RECORDS)
def test_no_state_is_shown_by_colour_alone_and_unjudged_is_never_green(make: Make) -> None:
    """Each mark holds its word, and a check without a verdict never has the style of a passed one."""
    text = render(make(), description())

    for css, content in re.findall(r'<span class="tag ([a-z ]+)">(.*?)</span>', text):
        word = re.sub(r"<[^>]+>.</i>|<[^>]+>", "", content)
        assert word in ("passed", "failed", "error", "not run", "not offered", "not observable", "noted")
        assert (css == "passed") == (word == "passed")
        assert (css == "unjudged") == word.startswith("not ")
    for css, word in re.findall(r'<li class="(\w+)">.*?<span class="word">(.*?)</span>', text):
        assert (css == "passed") == (word == "passed")


@pytest.mark.parametrize("make", RECORDS)
def test_pictures_and_tables_can_be_heard(make: Make) -> None:
    """Each picture has a title, each table heads, and headings do not skip a level."""
    text = render(make(), description())
    page = Page(text)

    pictures = re.findall(r"<svg.*?</svg>", text, flags=re.DOTALL)
    assert pictures
    assert all('role="img"' in p and re.search(r"<title>[^<]+</title>", p) for p in pictures)
    for table in re.findall(r"<table.*?</table>", text, flags=re.DOTALL):
        assert 'scope="row"' in table
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h\d", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after <= before + 1 for before, after in itertools.pairwise(levels))


@pytest.mark.parametrize("make", [accepted, rejected, incomplete])
def test_cautions_stand_at_the_head_and_with_heat_motion_and_fans(make: Make) -> None:
    """The usual cautions are given where somebody is about to touch something."""
    text = Page(render(make(), description())).text

    head = text.split("What to look at first")[0]
    for words in (
        "hot parts",
        "pinch points",
        "fans that start without warning",
        "mains side",
        "Local codes",
    ):
        assert words in head
    # Behind its title in the list of all checks comes that of the group's own section.
    assert "burns skin" in text.split(" Heat ", 2)[2]
    assert "Pinch points" in text.split(" Motion ", 2)[2]
    assert "start without warning" in text.split(" Fans ", 2)[2]


def test_a_run_that_was_cut_short_warns_that_outputs_may_be_on() -> None:
    """Only a run that came to its end says that outputs were commanded off."""
    cut_short = Page(render(incomplete(), description())).text

    assert "outputs may still be on" in cut_short
    assert "Outputs were commanded off" not in cut_short
    assert "Outputs were commanded off" in Page(render(accepted(), description())).text


@pytest.mark.parametrize(
    ("found", "says"),
    [
        (cautions.SUPPLY_OFF_NOW, "SWITCH THE SUPPLY OFF NOW: a found what no command can switch off"),
        (cautions.SUPPLY_WAS_SWITCHED_OFF, "Leave the supply off until the cause is mended: a found"),
    ],
)
def test_what_no_command_can_switch_off_is_said_before_all_else(found: str, says: str) -> None:
    """Above the usual caution, in a box of its own, and nothing beside it tells that off was commanded."""
    record = accepted()
    record.verdict = "rejected"
    record.checks.insert(
        0, CheckResult("a", "failed", f"the block got hotter. {found}: no software stops it")
    )
    page = render(record, description())

    box = page.index('class="care danger"')
    assert box < page.index("Before touching the unit") < page.index("What to look at first")
    assert says in page[box : box + 400]
    assert "Outputs were commanded off" not in page


def test_the_decision_rule_is_stated() -> None:
    """Beside the limits, in every report; tests/test_measure.py holds that it is the one that judges."""
    text = Page(render(accepted(), None)).text
    assert "Decision rule" in text
    assert "simple acceptance" in text


def test_an_uncertainty_stands_behind_its_value() -> None:
    """In the table, with the digits that it deserves, and what it means in the decision rule."""
    record = accepted()
    kept = record.checks[0].measurements
    kept[:] = [replace(measured("a.b[c]", "element", 14.6123, "ohm", 12.8, 16.6), uncertainty=0.59123)]
    text = Page(render(record, None)).text

    assert measurement_from_dict("a.b[c]", measurement_to_dict(kept[0])) == kept[0]
    assert "14.61 ± 0.59 Ω" in text
    assert "stands behind the value, as ±" in text
    assert 'class="off"' in limit_bar(kept[0])
    assert 'class="off"' not in limit_bar(replace(kept[0], uncertainty=None))


def test_the_origin_of_each_limit_is_said() -> None:
    """Limits from the file and defaults can be told apart, row by row and in sum."""
    text = Page(render(accepted(), description())).text

    assert "8 by the description file" in text
    assert re.search(r"boot time 0\.421 s at most 1 s .{0,60}file ✓ passed", text)
    assert re.search(r"noise 0\.083 K at most 1 K .{0,60}default ✓ passed", text)


def test_a_simulated_run_says_so_beside_the_verdict() -> None:
    """Nobody takes an acceptance on the simulated bench for one of a board."""
    assert "no hardware was tested" in Page(render(accepted(), None)).text.split("What to look at")[0]
    assert "no hardware was tested" not in Page(render(incomplete(), None)).text


def test_the_report_is_of_modest_size() -> None:
    """A run with long curves gives less than 300 kB."""
    record = accepted()
    for check in record.checks:
        for curve in check.curves:
            curve.t_s = [n / 100 for n in range(20_000)]
            curve.values = [math.sin(n / 50) for n in range(20_000)]

    assert len(render(record, description()).encode()) < 300_000


def test_an_empty_run_still_gives_a_page() -> None:
    """No check, no description and no versions is no error."""
    record = RunRecord("", "", "", {}, None, False)

    assert "INCOMPLETE" in Page(render(record, None)).text


def test_the_report_needs_no_heavy_library() -> None:
    """Neither a plotting library nor a template engine is loaded for it."""
    render(accepted(), description())

    assert not {"matplotlib", "jinja2", "PIL"} & sys.modules.keys()


@pytest.mark.parametrize("count", [1, 2, 599, 600, 601, 1000, 25_000])
def test_decimation_keeps_ends_order_and_every_peak(count: int) -> None:
    """At most 600 points are left, with single high and low points wherever they are."""
    points = [(float(n), math.sin(n / 40)) for n in range(count)]
    if count > 10:
        points[count // 3] = (float(count // 3), 99.0)
        points[count // 2] = (float(count // 2), -99.0)
    kept = decimate(points)

    assert len(kept) <= MAX_POINTS
    assert kept == sorted(set(kept))
    assert (kept[0], kept[-1]) == (points[0], points[-1])
    assert set(kept) <= set(points)
    assert max(y for _, y in kept) == max(y for _, y in points)
    assert min(y for _, y in kept) == min(y for _, y in points)


@pytest.mark.parametrize("span", [(0.0, 1.0), (23.4, 56.0), (-1e-7, 3e-7), (0.0, 98_765.0), (99.99, 100.01)])
def test_ticks_are_round_and_inside(span: tuple[float, float]) -> None:
    """Two to seven ticks lie inside the axis, at round steps."""
    marks = ticks(*span)

    assert 2 <= len(marks) <= 7
    assert span[0] - 1e-9 <= marks[0]
    assert marks[-1] <= span[1] * (1 + 1e-9)
    step = marks[1] - marks[0]
    assert round(step / 10 ** math.floor(math.log10(step) + 1e-9), 6) in (1.0, 2.0, 5.0)


def test_a_curve_has_axes_units_and_named_lines() -> None:
    """Units, limit lines and moments can be read in the picture."""
    curve = Curve(
        "heat.x[y]", "temperature", "degC", [0.0, 1.0], [20.0, 50.0], {"setpoint": 50.0}, {"end": 0.5}
    )
    svg = draw(curve)

    for words in ("bench time, s", "setpoint 50", "end", "lowest 20 °C, highest 50 °C"):
        assert words in svg


@pytest.mark.parametrize("values", [[], [math.nan], [1.0], [2.0, 2.0], [math.inf, 1.0, math.nan, 2.0]])
def test_a_curve_with_holes_is_no_error(values: list[float]) -> None:
    """Missing values leave a gap; none at all leaves no picture."""
    svg = draw(Curve("a.b[c]", "x", "K", [float(n) for n in range(len(values))], values))

    assert bool(svg) == any(math.isfinite(v) for v in values)
    assert "nan" not in svg
    assert "inf" not in svg


def test_a_failed_value_has_another_shape_in_its_bar() -> None:
    """A cross is outside, a dot is inside; a value without limits has no bar."""
    assert "<circle" in limit_bar(measured("a", "x", 5.0, "K", 0.0, 10.0))
    outside = limit_bar(measured("a", "x", 50.0, "K", 0.0, 10.0))
    assert 'class="out"' in outside
    assert "<circle" not in outside
    assert limit_bar(measured("a", "x", 5.0)) == ""


@pytest.mark.parametrize(
    ("value", "low", "high", "room"),
    [(5.0, 0.0, 10.0, 1.0), (10.0, 0.0, 10.0, 0.0), (12.5, 0.0, 10.0, -0.5), (1.0, None, 4.0, 0.75)],
)
def test_room_to_the_limit(value: float, low: float | None, high: float, room: float) -> None:
    """The middle of the range is 1, a limit is 0, outside is below."""
    assert margin(measured("a", "x", value, "", low, high)) == pytest.approx(room)


def test_the_checks_are_folded_by_group_and_what_went_wrong_is_open() -> None:
    """A phone shows ten lines in place of fifty, and what failed without a touch; each check is still there."""
    record = rejected()
    folds = re.findall(r"<details( open=\"open\")?>(.*?)</details>", render(record, None), re.DOTALL)
    assert sum(text.count("<li") for _, text in folds) == len(record.checks)
    for is_open, text in folds:
        went_wrong = 'class="failed"' in text or 'class="error"' in text
        assert bool(is_open) is went_wrong
    assert any(is_open for is_open, _ in folds)


def test_what_has_no_room_by_its_nature_is_not_close_to_a_limit() -> None:
    """One serial number of at most one, and ten seconds watched of at least ten, are no near misses."""
    record = accepted()
    count = measured("a", "serial numbers", 1, "", None, 1.0)
    course = replace(measured("a", "nothing came on for", 10.1, "s", 9.9, None), form="course")
    near = measured("a", "lag", 0.98, "s", None, 1.0)
    record.checks = [CheckResult("a", "passed", measurements=[count, course, near])]
    shown = render(record, None).partition("Closest to a limit</h2>")[2]
    assert "lag" in shown
    assert "serial numbers" not in shown
    assert "nothing came on" not in shown


def test_what_the_verdict_must_be_read_with_stands_in_the_head() -> None:
    """On a line of its own, and it stands out."""
    record = accepted()
    record.verdict_reason = "all 2 checks passed; but bus errors were not observable on the adapter"
    head = render(record, None).partition("</header>")[0]
    assert "<strong>But bus errors were not observable on the adapter.</strong>" in head


def test_a_value_beyond_a_limit_never_reads_like_the_limit() -> None:
    """50.0004 against 50 is shown with the digits that tell them apart."""
    assert value_text(50.0004, "degC", None, 50.0) == "50.0004 °C"
    assert value_text(50.0, "degC", None, 50.0) == "50 °C"


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0, "0"),
        (1_000_000, "1\u202f000\u202f000"),
        (0.10004, "0.1"),
        (999.96, "1\u202f000"),
        (9.991e-7, "9.991·10⁻⁷"),
    ],
)
def test_numbers_read_well(value: float, text: str) -> None:
    """Four digits that count, thousands apart, small numbers as powers of ten."""
    assert number(value) == text


def test_limits_read_as_words() -> None:
    """Each kind of limit has its own words."""
    assert limits_text(1.0, 2.0, "ohm") == "1 to 2 Ω"
    assert limits_text(None, 0.5, "s") == "at most 0.5 s"
    assert limits_text(3.0, None) == "at least 3"
    assert limits_text(4.0, 4.0) == "exactly 4"
    assert limits_text(None, None) == "no limit"


def test_two_nodes_and_two_buses_are_all_drawn() -> None:
    """Every bus, node and load of a larger fixture is in the picture."""
    data = tomllib.loads(GLUE_HEAD.read_text())
    data["bus"] = [{**data["bus"], "name": "can"}, {**data["bus"], "name": "side", "terminators_ohm": []}]
    node = data["node"]
    data["node"] = [{**node, "bus": "can"}, {**node, "name": "tail", "node_id": 6, "bus": "side"}]
    data["console"]["node"] = "head"
    for kind in ("sensor", "heater", "fan", "stepper", "switch", "lamp"):
        for load in data[kind]:
            load["node"] = "head"
    data["lamp"].append({"name": "beacon", "node": "tail"})
    svg = wiring(Description.model_validate(data))

    for words in (
        "of bus can",
        "of bus side",
        "Node head",
        "Node tail",
        "lamp beacon",
        "120 Ω",
        "terminators none",
    ):
        assert words in svg


def test_the_simulated_bench_is_named_in_the_picture() -> None:
    """A run on the simulated bench shows no adapter and no port that were not used."""
    text = GLUE_HEAD.read_text().replace('"socketcan"', '"hiltest"').replace('"can0"', '"/long/path.toml"')
    svg = wiring(Description.model_validate(tomllib.loads(text.replace("/dev/ttyUSB0", "hiltest:///long"))))

    assert "simulated bench" in svg
    assert "console simulated" in svg
    assert "/long" not in svg


def test_a_check_of_an_unknown_group_is_shown() -> None:
    """A user's own group has its own section."""
    record = accepted()
    record.checks.append(CheckResult("mine.own[x]", "passed"))

    assert "mine.own[x]" in Page(render(record, None)).text


def test_what_a_node_reported_stands_beside_the_finding_and_on_a_timeline() -> None:
    """An emergency during a failed check is shown on its card; all of them in order of time, and what was left out."""
    record = rejected()
    failed = next(check for check in record.checks if check.outcome == "failed")
    record.reports = [
        NodeReport(1.5, "head", "emergency 0x8130 (heartbeat error)", "bus.quiet[can]"),
        NodeReport(2.25, "head", "emergency 0x5030 (device hardware) <b>", failed.name),
    ]
    record.reports_left_out = 7
    page = render(record, None)
    words = " ".join(Page(page).words)
    card = page.split("What to look at first")[1].split("</article>")[0]
    assert "What the node reported by itself meanwhile" in card
    assert "2.250 s: emergency 0x5030 (device hardware) &lt;b&gt;" in card
    assert "0x8130" not in card
    timeline = words.split("What the nodes reported by themselves")[1]
    assert timeline.index("1.500 s") < timeline.index("2.250 s")
    assert "7 more came" in timeline
    assert "What the nodes reported by themselves" not in render(rejected(), None)
