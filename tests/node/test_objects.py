"""Places in an object dictionary, and EDS files that are not what they should be."""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.errors import DescriptionError, NodeFault, UsageError
from hiltest.node.objects import Dictionary, load_dictionary

from .doubles import FIXTURES


@pytest.fixture(scope="module")
def glue_head() -> Dictionary:
    return load_dictionary(FIXTURES / "glue_head.eds", 5, "node[head].eds")


@pytest.mark.parametrize(
    ("at", "place"),
    [
        ("0x6401:1", "0x6401:1"),
        ("0x6401:0x02", "0x6401:2"),
        ("25601:1", "0x6401:1"),
        ("0x6000:1.3", "0x6000:1.3"),
        ("0x2010", "0x2010:0"),
        (" 0x2010 ", "0x2010:0"),
    ],
)
def test_numbered_places(glue_head: Dictionary, at: str, place: str) -> None:
    """Index, sub-index and bit may be decimal or hexadecimal."""
    assert str(glue_head.place(at)) == place


def test_named_places(glue_head: Dictionary) -> None:
    """A parameter name of the EDS will do, with its record's name before it and a bit after it."""
    variable = glue_head.objects[0x2010].name
    assert glue_head.place(variable).index == 0x2010
    record, member = glue_head.objects[0x1018].name, glue_head.objects[0x1018][4].name
    assert str(glue_head.place(f"{record}.{member}")) == "0x1018:4"
    assert str(glue_head.place(f"{record}.{member}.7")) == "0x1018:4.7"


@pytest.mark.parametrize(
    ("at", "complaint"),
    [
        ("0x6402:1", "nearest is 0x6401"),
        ("0x6401", "has sub-indexes"),
        ("0x6401:99", "no sub-index 99"),
        ("0x6000:1.8", r"bits 0\.\.7"),
        ("0x1008", "not a number"),
        ("Device tipe", "did you mean 'Device type'"),
        ("", "neither"),
    ],
)
def test_places_that_are_not_there(glue_head: Dictionary, at: str, complaint: str) -> None:
    """The message says what is wrong and what is near."""
    with pytest.raises(LookupError, match=complaint):
        glue_head.place(at)


def test_a_scale_of_zero_is_refused(glue_head: Dictionary) -> None:
    """A role that makes every value the same is a mistake."""
    with pytest.raises(LookupError, match="scale = 0"):
        glue_head.place("0x6401:1", scale=0.0)


def test_values_go_there_and_back(glue_head: Dictionary) -> None:
    """Encoding and decoding are inverse within a count, at the ends of the range too."""
    place = glue_head.place("0x2100:1", scale=0.1, offset=-40.0)
    for value in (-40.0, 0.0, 50.0, 3236.7):
        assert place.value_of(place.raw(place.encode(value, "setpoint"))) == pytest.approx(value, abs=0.05)
    with pytest.raises(
        UsageError, match=r"setpoint = 3237 does not fit 0x2100:1: allowed are -3316\.8\.\.3236\.7"
    ):
        place.encode(3237.0, "setpoint")


def test_a_bit_is_read_out_of_its_byte(glue_head: Dictionary) -> None:
    """Bit 3 of 0x08 is 1, of 0xF7 it is 0."""
    place = glue_head.place("0x6000:1.3")
    assert (place.raw(b"\x08"), place.raw(b"\xf7")) == (1, 0)


def test_answers_of_another_size_are_a_fault(glue_head: Dictionary) -> None:
    """Too many or too few bytes mean that firmware and EDS do not belong together."""
    with pytest.raises(NodeFault, match="do not belong together"):
        glue_head.place("0x6401:1").raw(b"\x01")


def test_without_an_eds_the_standards_objects_are_known() -> None:
    """A node without EDS still has the drive objects whose types CiA 402 fixes; others need the file."""
    bare = load_dictionary(None, 5, "node[head].eds")
    position = bare.standard(0x6064 + 0x800, like=0x6064)
    assert position is not None
    assert (position.size_bits, position.is_signed) == (32, True)
    with pytest.raises(LookupError, match="give the node's eds"):
        bare.place("0x2100:1")


@pytest.mark.filterwarnings("ignore:The 'warn' method:DeprecationWarning")
@pytest.mark.parametrize(
    ("name", "content", "complaint"),
    [
        ("a.txt", b"", "name ends in '.txt'"),
        ("a.eds", b"", "0x1000 or 0x1018"),
        ("a.eds", b"\x00\xff\xfe garbage", "0x1000 or 0x1018"),
        ("a.eds", b"[1000]\nParameterName=x\n", "0x1000 or 0x1018"),
        ("a.eds", b"[1018sub1]\nParameterName=x\nDataType=7\nAccessType=ro\n", "0x1000 or 0x1018"),
        ("a.eds", b"[A]\na=1\n" * 2, "0x1000 or 0x1018"),
        ("a.eds", b";" * 4_000_001, "more than 4000000 bytes"),
    ],
)
def test_files_that_are_no_eds(tmp_path: Path, name: str, content: bytes, complaint: str) -> None:
    """Whatever is wrong with the file, the error names file, key and cause, and is of one type."""
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(DescriptionError, match=complaint) as caught:
        load_dictionary(path, 5, "node[head].eds")
    assert caught.value.problems[0].key == "node[head].eds"
    assert caught.value.problems[0].file == str(path)


def test_process_data_without_mapping_is_named(tmp_path: Path) -> None:
    """An EDS that lists a PDO's communication but not its mapping is refused; the library would stumble over it."""
    text = (FIXTURES / "glue_head.eds").read_text().replace("[1A01", "[5A01")
    path = tmp_path / "a.eds"
    path.write_text(text)
    with pytest.raises(DescriptionError, match="0x1801 without its mapping 0x1A01"):
        load_dictionary(path, 5, "eds")


def test_a_missing_eds_is_named(tmp_path: Path) -> None:
    """The message says that the path is relative to the description."""
    with pytest.raises(DescriptionError, match="relative to the fixture description"):
        load_dictionary(tmp_path / "none.eds", 5, "node[head].eds")


def test_names_in_an_office_code_page_are_read(tmp_path: Path) -> None:
    """A degree sign in Latin-1 does not make a file unreadable."""
    text = (FIXTURES / "glue_head.eds").read_text().replace("Product code", "Product code \xb0C", 1)
    path = tmp_path / "a.eds"
    path.write_bytes(text.encode("latin-1"))
    assert load_dictionary(path, 5, "eds").has(0x1018, 2)
