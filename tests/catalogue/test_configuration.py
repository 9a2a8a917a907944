"""DCF files: node id from the file, contradictions told, and the node compared with the values of its file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hiltest.description.loading import load_description
from hiltest.errors import DescriptionError
from hiltest.evidence.model import CheckResult

from .boards import FIXTURES, accept

CHECK = "bus.configuration[head]"
COMMISSIONING = "\n[DeviceComissioning]\nNodeID={node_id}\nNodeName=head\nBaudrate={rate}\nNetNumber=1\n"
VALUES = {
    "1017": "100",
    "1800sub5": "200",
    "100A": "1.4.0",
    "1018sub2": "0x00474C31",
    "1A00sub1": "0x71300110",
}


def dcf(folder: Path, node_id: str = "5", rate: str = "1000", **changed: str) -> Path:
    """The glue head with a DCF file in place of its EDS, and no node id in the description."""
    text = (FIXTURES / "glue_head.eds").read_text()
    for section, value in {
        **VALUES,
        **{key.removeprefix("_"): each for key, each in changed.items()},
    }.items():
        text, count = re.subn(
            rf"(\[{section}\]\n(?:[^\[\n]*\n)*)", rf"\g<1>ParameterValue={value}\n", text, count=1
        )
        assert count == 1, section
    (folder / "head.dcf").write_text(text + COMMISSIONING.format(node_id=node_id, rate=rate))
    file = folder / "glue_head.toml"
    description = (FIXTURES / "glue_head.toml").read_text().replace('"glue_head.eds"', '"head.dcf"')
    description = description.replace("operator = true", "operator = false").replace("node_id = 5\n", "")
    file.write_text(description)
    return file


def configuration(file: Path) -> CheckResult:
    record = accept(file=file, only=(CHECK,))
    return next(check for check in record.checks if check.name == CHECK)


def test_the_node_id_is_the_files(tmp_path: Path) -> None:
    """Where the description leaves it out; hexadecimal, as some tools write it."""
    loaded = load_description(dcf(tmp_path, node_id="0x05"))
    assert loaded.description.node[0].node_id == 5
    assert not [each for each in loaded.warnings if "DCF" in each.hint or "dcf" in each.expected]


@pytest.mark.parametrize("node_id", ["", "0", "200", "five", "$NODEID"])
def test_a_file_without_a_usable_node_id_gives_none(tmp_path: Path, node_id: str) -> None:
    """Then the description has to say it."""
    with pytest.raises(DescriptionError, match="node_id"):
        load_description(dcf(tmp_path, node_id=node_id))


def test_contradictions_are_warned_of(tmp_path: Path) -> None:
    """Another node id and another bit rate than the description's."""
    file = dcf(tmp_path, node_id="7", rate="500")
    file.write_text(file.read_text().replace('eds = "head.dcf"', 'eds = "head.dcf"\nnode_id = 5'))
    loaded = load_description(file)
    told = [str(each) for each in loaded.warnings]
    assert loaded.description.node[0].node_id == 5
    assert any("node[head].node_id" in each or "node.node_id" in each for each in told)
    assert any("expected 7, as head.dcf says" in each for each in told)
    assert any("500000 bit/s in head.dcf" in each for each in told)


def test_a_node_set_up_as_its_file_says_passes(tmp_path: Path) -> None:
    """Numbers, texts and a mapping are compared."""
    check = configuration(dcf(tmp_path))
    assert check.outcome == "passed", check.reason
    assert check.measurements[0].value == len(VALUES)


def test_a_setting_that_differs_fails_with_its_name(tmp_path: Path) -> None:
    """Object, what it holds, what the file says."""
    check = configuration(dcf(tmp_path, _1017="150", _100A="1.4.1"))
    assert check.outcome == "failed"
    assert "2" in check.reason
    assert "'Producer heartbeat time' (0x1017:0) is 100 (0x64), the file says 150 (0x96)" in check.reason
    assert "'1.4.0', the file says '1.4.1'" in check.reason


def test_an_eds_file_has_no_settings_to_compare() -> None:
    """The check belongs to the catalogue for DCF files only."""
    record = accept(operator=False, only=("bus.enumerate[head]",))
    assert CHECK not in {check.name for check in record.checks}
