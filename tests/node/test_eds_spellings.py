"""EDS and DCF files as makers write them, and as nobody should."""

from __future__ import annotations

import contextlib
import random
from pathlib import Path
from time import process_time

import pytest

from hiltest.description.eds import read_objects
from hiltest.errors import DescriptionError
from hiltest.node.edstext import canonical
from hiltest.node.objects import Dictionary, load_dictionary

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.eds"
MANDATORY = "[1000]\nParameterName=Device type\nDataType=0x0007\n[1018]\nParameterName=Identity\n[1018sub1]\nDataType=7\n"


def read(folder: Path, text: str, encoding: str = "latin-1") -> Dictionary:
    file = folder / "a.eds"
    file.write_bytes(text.encode(encoding))
    return load_dictionary(file, 5, "node.eds")


@pytest.mark.parametrize(
    ("text", "place", "bits"),
    [
        ("[2000]\nparametername=Speed\nDATATYPE=0x0006\n", "Speed", 16),
        ("[2000]\r\nParameterName=Speed ; of the pump\r\nDataType=6\r\n", "Speed", 16),
        ("[2000SUB1]\nParameterName=One\nDataType=0x0005\n[2000]\nParameterName=Both\n", "Both.One", 8),
        (
            "[2000]\nParameterName=Both\nObjectType=0x7\n[2000Sub1]\nParameterName=One\nDataType=0x4\n",
            "Both.One",
            32,
        ),
        ("[2000]\nParameterName=List\nObjectType=0x8\nDataType=0x0003\nCompactSubObj=4\n", "0x2000:4", 16),
        ("[ 2000 ]\nParameterName = Speed\nDataType = 0x0006\nPDOMapping =\nObjectType =\n", "0x2000", 16),
        (
            "[2000]\nParameterName=First\nDataType=0x0006\n[2000]\nParameterName=Second\nDataType=0x0005\n",
            "First",
            16,
        ),
        ("[DummyUsage]\nDummy0001=1\n[Comments]\nLines=7\nLine1=x\n[2000]\nDataType=0x0006\n", "0x2000", 16),
        ("[DeviceInfo]\nBaudRate_10=\nNrOfRXPDO=many\n[2000]\nDataType=0x0006\n", "0x2000", 16),
    ],
)
def test_spellings_of_makers_are_read(tmp_path: Path, text: str, place: str, bits: int) -> None:
    """Case, blanks, comments, order, wrong counts: the object is found with its type."""
    assert read(tmp_path, MANDATORY + text).place(place).size_bits == bits


def test_a_byte_order_mark_is_no_part_of_the_file(tmp_path: Path) -> None:
    """Some editors write one."""
    assert read(tmp_path, MANDATORY, "utf-8-sig").has(0x1000)


@pytest.mark.parametrize("head", ["[1005][1005]", "[[1005]]", "[10[05]", " [1005] ;[1006]"])
def test_a_head_of_two_sections_is_refused_by_its_line(tmp_path: Path, head: str) -> None:
    """One reader takes it for the first, another for none of them."""
    with pytest.raises(DescriptionError, match="line 8 is no head of one section"):
        read(tmp_path, MANDATORY + head + "\nParameterName=COB-ID SYNC\nDataType=7\n")


@pytest.mark.parametrize("kind", ["", "DataType=\n", "DataType=number\n", "DataType=0x0FFF\n"])
def test_an_object_without_a_type_is_no_number(tmp_path: Path, kind: str) -> None:
    """It is there, and can't be taken for one."""
    found = read(tmp_path, f"{MANDATORY}[2000]\nParameterName=Odd\n{kind}")
    assert found.has(0x2000)
    with pytest.raises(LookupError, match="not a number"):
        found.place("Odd")


def test_compact_arrays_have_names_and_values(tmp_path: Path) -> None:
    """CiA 306: [..Name] and, in a DCF, [..Value]."""
    found = read(
        tmp_path,
        MANDATORY
        + "[1F81]\nParameterName=Slave assignment\nObjectType=0x8\nDataType=0x0007\nCompactSubObj=127\n"
        "[1F81Value]\nNrOfEntries=1\n2=0x0000030D\n[1F81Name]\nNrOfEntries=1\n2=The pump\n",
    )
    assert found.default(0x1F81, 2) == 0x30D
    assert found.place("Slave assignment.The pump").sub == 2
    assert found.default(0x1F81, 3) is None
    assert found.has(0x1F81, 127)
    assert not found.has(0x1F81, 128)


def test_a_file_that_stands_for_more_than_any_device_is_refused(tmp_path: Path) -> None:
    """Thousands of compact arrays of 254 would fill the memory: both readers stop first."""
    text = MANDATORY + "".join(
        f"[{index:04X}]\nDataType=5\nCompactSubObj=254\n" for index in range(0x2000, 0x9000)
    )
    start = process_time()
    with pytest.raises(DescriptionError, match="20000 sub-objects"):
        read(tmp_path, text)
    with pytest.raises(ValueError, match="20000 sub-objects"):
        read_objects(tmp_path / "a.eds")
    assert process_time() - start < 20


def test_the_reference_file_is_read_as_before(tmp_path: Path) -> None:
    """Putting it into the reader's spelling changes nothing of a file that is spelled so."""
    import canopen

    plain, ours = canopen.import_od(str(GLUE_HEAD), 5), load_dictionary(GLUE_HEAD, 5, "eds").objects
    assert list(plain) == list(ours)
    for index in plain:
        pairs = [(plain[index], ours[index])]
        if hasattr(plain[index], "subindices"):
            assert list(plain[index].subindices) == list(ours[index].subindices)
            pairs = [
                (plain[index].subindices[sub], ours[index].subindices[sub]) for sub in plain[index].subindices
            ]
        for one, other in pairs:
            assert one.name == other.name
            if hasattr(one, "data_type"):
                assert (one.data_type, one.default, one.min, one.max) == (
                    other.data_type,
                    other.default,
                    other.min,
                    other.max,
                )


def mutated(text: str, rng: random.Random) -> str:
    """One to five changes: bytes, lines cut, doubled, exchanged, the end cut off."""
    for _ in range(rng.randrange(1, 6)):
        lines = text.split("\n")
        at = rng.randrange(len(lines))
        kind = rng.randrange(7)
        if kind == 0:
            place = rng.randrange(len(text))
            text = text[:place] + chr(rng.randrange(256)) + text[place + 1 :]
            continue
        if kind == 1:
            text = text[: rng.randrange(len(text) // 2, len(text))]
            continue
        if kind == 2:
            del lines[at]
        elif kind == 3:
            lines.insert(at, lines[rng.randrange(len(lines))])
        elif kind == 4:
            key, _, _ = lines[at].partition("=")
            lines[at] = (
                f"{key}={rng.choice(('', '-1', '0x', '999999999999', '$NODEID+', 'nan', '%s', '[', '0xFFFFFFFF'))}"
            )
        elif kind == 5:
            lines[at] = (
                f"[{rng.choice(('1000', '1A00sub1', '2000SUBFF', 'A0', '1018', '10000', '2100Name', ']'))}]"
            )
        else:
            lines[at] = lines[at].swapcase()
        text = "\n".join(lines)
    return text


def outcome(folder: Path, text: str) -> str:
    """ "" for a dictionary in which places are found or told to be missing, else the words of the refusal."""
    try:
        found = read(folder, text)
    except DescriptionError as error:
        return str(error)
    for at in ("0x7130:1", "0x6040", "0x2100:1", "Supply"):
        with contextlib.suppress(LookupError):
            found.place(at)
    return ""


def test_mutated_files_are_read_or_refused(tmp_path: Path) -> None:
    """120 files with damage: each is a dictionary or a clear error, in bounded time; the seed is fixed."""
    rng = random.Random(4)
    whole = GLUE_HEAD.read_text()
    told: list[str] = []
    for _ in range(120):
        text = mutated(whole, rng)
        start = process_time()
        told.append(outcome(tmp_path, text))
        assert process_time() - start < 5
    assert told.count("") > 60
    assert all("expected an EDS or DCF file (CiA 306)" in each for each in told if each)
    assert any(told)


def test_nothing_of_the_text_is_left_that_could_begin_a_section() -> None:
    """A value stays a value, whatever it holds."""
    assert canonical("[2000]\nParameterName=a\x0b[3000]\x0cb\nDataType=5\n").count("[") == 2 + 1
