"""junit.xml, in the structure that pytest writes, so that any continuous integration server reads it.

`testsuites` > `testsuite` > `testcase`, and in a test case `properties` first, then at most one of `failure`,
`error` and `skipped`, then `system-out`. Each measurement is a group of properties: `name`, `name.unit`,
`name.low`, `name.high` and `name.verdict`.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

from hiltest.evidence.codec import measurement_to_dict
from hiltest.evidence.findings import UNJUDGED
from hiltest.evidence.model import CheckResult, Measurement, Outcome, RunRecord

_NOT_XML = re.compile("[^\t\n\r\x20-\x7e\x80-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

_TAGS: dict[Outcome, str] = {
    "failed": "failure",
    "error": "error",
    "not run": "skipped",
    "not offered": "skipped",
    "not observable": "skipped",
}


def junit_xml(record: RunRecord) -> str:
    """Return the whole file as text.

    An incomplete run without a failed check gets one more test case, `verdict`, with an error: servers take
    skipped tests for a good result, and an incomplete run is none.
    """
    cases = [_case(check) for check in record.checks]
    outcomes = [check.outcome for check in record.checks]
    errors = outcomes.count("error")
    if record.verdict == "incomplete" and not errors and "failed" not in outcomes:
        cases.append(_verdict_case(record))
        errors += 1
    suite = ET.Element(
        "testsuite",
        name="hiltest",
        errors=str(errors),
        failures=str(outcomes.count("failed")),
        skipped=str(sum(outcome in UNJUDGED for outcome in outcomes)),
        tests=str(len(cases)),
        time=_seconds(record.bench_s),
    )
    if record.date:
        suite.set("timestamp", _xml(record.date))
    suite.append(_properties(_head(record)))
    suite.extend(cases)
    root = ET.Element("testsuites", name=_xml(f"hiltest: {record.fixture}"))
    root.append(suite)
    ET.indent(root)
    return f'<?xml version="1.0" encoding="utf-8"?>\n{ET.tostring(root, encoding="unicode")}\n'


def _head(record: RunRecord) -> list[tuple[str, str]]:
    head = [
        ("verdict", record.verdict),
        ("verdict_reason", record.verdict_reason),
        ("unit", record.unit),
        ("fixture", record.fixture),
        ("description", record.description),
        ("simulated", str(record.simulated).lower()),
    ]
    if record.seed is not None:
        head.append(("seed", str(record.seed)))
    head += [("fault", fault) for fault in record.faults]
    return head + [(f"version.{name}", version) for name, version in record.versions.items()]


def _case(check: CheckResult) -> ET.Element:
    case = ET.Element(
        "testcase",
        classname=_xml(f"hiltest.{check.name.partition('.')[0]}"),
        name=_xml(check.name),
        time=_seconds(check.ended_s - check.started_s),
    )
    properties = [pair for m in check.measurements for pair in _measured(m)]
    if properties:
        case.append(_properties(properties))
    if tag := _TAGS.get(check.outcome):
        said = ET.SubElement(case, tag, type=f"hiltest.{check.outcome}", message=_xml(check.reason))
        said.text = _xml("\n".join([check.reason, *_causes(check)]))
    if check.notes:
        ET.SubElement(case, "system-out").text = _xml("\n".join(check.notes))
    return case


def _causes(check: CheckResult) -> list[str]:
    if not check.look_first:
        return []
    return ["Look first at:", *(f"{n}. {cause}" for n, cause in enumerate(check.look_first, start=1))]


def _measured(m: Measurement) -> list[tuple[str, str]]:
    data = measurement_to_dict(m)
    parts = [(m.name, data["value"])]
    parts += [(f"{m.name}.{key}", data[key]) for key in ("unit", "low", "high", "verdict")]
    return [(name, _plain(value)) for name, value in parts if value not in (None, "")]


def _plain(value: object) -> str:
    return str(value).lower() if isinstance(value, bool) else str(value)


def _verdict_case(record: RunRecord) -> ET.Element:
    case = ET.Element("testcase", classname="hiltest.run", name="verdict", time="0.000")
    message = _xml(f"incomplete: {record.verdict_reason}")
    ET.SubElement(case, "error", type="hiltest.incomplete", message=message).text = message
    return case


def _properties(pairs: list[tuple[str, str]]) -> ET.Element:
    properties = ET.Element("properties")
    for name, value in pairs:
        ET.SubElement(properties, "property", name=_xml(name), value=_xml(value))
    return properties


def _seconds(seconds: float) -> str:
    return f"{max(0.0, seconds):.3f}"


def _xml(text: str) -> str:
    """Show characters that XML 1.0 can't hold by number (`#x07`), as pytest does."""
    return _NOT_XML.sub(lambda match: f"#x{ord(match.group()):02X}", text)
