"""junit.xml against the structure that pytest writes, and against the schema that pytest follows.

Sources: pytest (run here as a peer, with `record_property`), and the published schema junit-10.xsd of the
Jenkins project, which pytest's documentation names; its rules are written down below in our own form. In two
places pytest and so we differ from that schema: `properties` inside a test case (the schema knows them in a
suite only), and `error`, which one published copy spells `errors`.
"""

from __future__ import annotations

import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Callable

import pytest

from hiltest.evidence.junit import junit_xml
from hiltest.evidence.model import RunRecord
from tests.evidence.records import HOSTILE, accepted, hostile, incomplete, rejected

# element -> (required attributes, more allowed attributes, allowed children), from junit-10.xsd
SCHEMA: dict[str, tuple[set[str], set[str], set[str]]] = {
    "testsuites": (set(), {"name", "time", "tests", "failures", "errors"}, {"testsuite"}),
    "testsuite": (
        {"name", "tests", "failures", "errors"},
        {
            "group",
            "time",
            "skipped",
            "timestamp",
            "hostname",
            "id",
            "package",
            "file",
            "log",
            "url",
            "version",
        },
        {"testsuite", "properties", "testcase", "system-out", "system-err"},
    ),
    "testcase": (
        {"name"},
        {"time", "classname", "group"},
        {"skipped", "error", "failure", "system-out", "system-err"},
    ),
    "properties": (set(), set(), {"property"}),
    "property": ({"name", "value"}, set(), set()),
    "failure": (set(), {"type", "message"}, set()),
    "error": (set(), {"type", "message"}, set()),
    "skipped": (set(), {"type", "message"}, set()),
    "system-out": (set(), set(), set()),
}
TIME = re.compile(r"(([0-9]{0,3},)*[0-9]{3}|[0-9]{0,3})*(\.[0-9]{0,3})?")
# XML 1.0 (fifth edition), section 2.2, production 2: the characters that a document may hold
NOT_CHAR = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")

RECORDS = [accepted, rejected, incomplete, hostile]

PEER = """
import pytest
def test_pass(record_property):
    record_property("speed", 5)
def test_fail():
    assert 0
@pytest.mark.skip(reason="not today")
def test_skip():
    pass
@pytest.fixture
def broken():
    raise RuntimeError("setup")
def test_error(broken):
    pass
def test_says():
    print("hello\\x07")
"""


@pytest.fixture(scope="module")
def pytest_file(tmp_path_factory: pytest.TempPathFactory) -> ET.Element:
    """What pytest itself writes for a pass, a failure, a skip, an error, a property and output."""
    folder = tmp_path_factory.mktemp("peer")
    (folder / "test_peer.py").write_text(PEER)
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "no:hiltest"]
    command += ["--junitxml=peer.xml", "-o", "junit_logging=all", "--rootdir", str(folder), "-c", "/dev/null"]
    subprocess.run([*command, "test_peer.py"], cwd=folder, capture_output=True, check=False)
    return ET.parse(folder / "peer.xml").getroot()


def check_schema(element: ET.Element) -> None:
    """Fail unless `element` and all below it keep to the schema's rules."""
    required, allowed, children = SCHEMA[element.tag]
    assert required <= element.attrib.keys() <= required | allowed, element.tag
    if "time" in element.attrib:
        assert TIME.fullmatch(element.attrib["time"])
    for child in element:
        if (element.tag, child.tag) != ("testcase", "properties"):
            assert child.tag in children, f"{child.tag} in {element.tag}"
        check_schema(child)


@pytest.mark.parametrize("make", RECORDS)
def test_the_file_keeps_to_the_schema(make: Callable[[], RunRecord]) -> None:
    """Elements, attributes and times are those of junit-10.xsd."""
    check_schema(ET.fromstring(junit_xml(make()).encode()))


@pytest.mark.parametrize("make", RECORDS)
def test_the_structure_is_one_that_pytest_writes(
    make: Callable[[], RunRecord], pytest_file: ET.Element
) -> None:
    """Each element stands where pytest puts it, with no attribute that pytest does not write."""

    def shape(root: ET.Element) -> set[tuple[str, str, str]]:
        pairs = {("", root.tag, name) for name in root.attrib}
        for parent in root.iter():
            for child in parent:
                pairs |= {(parent.tag, child.tag, name) for name in ["", *child.attrib]}
        return pairs

    unusual = shape(ET.fromstring(junit_xml(make()).encode())) - shape(pytest_file)
    # pytest types only its skips, and writes suite properties only when a plugin gives it some
    unusual -= {("testcase", tag, "type") for tag in ("failure", "error")}
    unusual -= {("testsuite", "properties", "")}
    assert unusual == set()


@pytest.mark.parametrize("make", RECORDS)
def test_properties_come_first_as_in_pytest(make: Callable[[], RunRecord], pytest_file: ET.Element) -> None:
    """In a test case the order is properties, outcome, output."""
    for root in (pytest_file, ET.fromstring(junit_xml(make()).encode())):
        for case in root.iter("testcase"):
            tags = [child.tag for child in case]
            assert "properties" not in tags[1:]
            assert sum(tag in ("failure", "error", "skipped") for tag in tags) <= 1


@pytest.mark.parametrize("make", RECORDS)
def test_the_counts_are_those_of_the_cases(make: Callable[[], RunRecord]) -> None:
    """`tests`, `failures`, `errors` and `skipped` of the suite count what is in it."""
    suite = ET.fromstring(junit_xml(make()).encode())[0]

    assert int(suite.attrib["tests"]) == len(suite.findall("testcase"))
    assert int(suite.attrib["failures"]) == len(suite.findall("testcase/failure"))
    assert int(suite.attrib["errors"]) == len(suite.findall("testcase/error"))
    assert int(suite.attrib["skipped"]) == len(suite.findall("testcase/skipped"))


def test_measurements_are_properties() -> None:
    """Value, unit, limits and verdict of a measurement can be read by name."""
    suite = ET.fromstring(junit_xml(rejected()).encode())[0]
    case = suite.find("testcase[@name='fan.tach[electronics]']")
    assert case is not None
    found = {p.attrib["name"]: p.attrib["value"] for p in case.iter("property")}

    assert found["speed at 100 %"] == "0.0"
    assert found["speed at 100 %.unit"] == "rpm"
    assert found["speed at 100 %.low"] == "5100.0"
    assert found["speed at 100 %.verdict"] == "failed"


def test_hostile_text_stays_text() -> None:
    """Control characters are shown by number, markup is text, and no forbidden character is left."""
    text = junit_xml(hostile())

    assert not NOT_CHAR.search(text)
    message = next(ET.fromstring(text.encode()).iter("failure")).attrib["message"]
    assert HOSTILE[0] in message
    assert "#x1B[2J" in message
    assert "a#x00b#x07c#xD800d" in message


def test_an_incomplete_run_is_no_success_to_a_server() -> None:
    """An incomplete run whose checks were only skipped has an error, so a server shows it."""
    record = accepted()
    record.verdict, record.verdict_reason = "incomplete", "stopped by hand"
    record.checks[-1].outcome = "not run"
    suite = ET.fromstring(junit_xml(record).encode())[0]

    assert suite.attrib["errors"] == "1"
    error = suite.find("testcase[@name='verdict']/error")
    assert error is not None
    assert error.attrib["message"] == "incomplete: stopped by hand"
