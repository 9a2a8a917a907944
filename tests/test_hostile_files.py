"""Wrong, hostile and truncated description, EDS, DCF, DBC and answers files.

Thousands of mutated files: each is refused with a clear error or read rightly, in bounded time and memory, and nothing
in it acts. And single files that once took a reader's time or memory without end. benches/fuzz_files.py goes on for
minutes.
"""

from __future__ import annotations

import gc
import resource
from collections import Counter
from pathlib import Path

import pytest

from hiltest.errors import UsageError
from hiltest.simbench.objects import read_eds

from .hostile_files import Nursery, assert_clear, watched

PER_FILE = {
    "glue_head.toml": 300,
    "sample_chiller.toml": 100,
    "vent_actuator.toml": 250,
    "label_peel.toml": 350,
    "glue_head_console.toml": 300,
    "glue_head.eds": 50,
    "small.eds": 150,
    "small.dcf": 100,
    "vent_actuator.dbc": 200,
    "answers.json": 200,
}
MEMORY_MAX_BYTES = 40_000_000
"""Kept after the files of one name; what one of them may take meanwhile is bounded as it is read."""


@pytest.fixture(scope="module")
def nursery(tmp_path_factory: pytest.TempPathFactory) -> Nursery:
    return Nursery(tmp_path_factory.mktemp("nursery"))


def test_two_thousand_files_are_mutated() -> None:
    assert sum(PER_FILE.values()) == 2000


@pytest.mark.parametrize("name", PER_FILE)
def test_a_mutated_file_is_refused_clearly_or_read_rightly(
    nursery: Nursery, name: str, capfd: pytest.CaptureFixture[str]
) -> None:
    """No other error, nothing printed, nothing done, and next to no memory kept; both outcomes occur."""
    before_bytes = _resident_bytes()
    outcomes: Counter[str] = Counter()
    for number in range(PER_FILE[name]):
        try:
            outcomes[nursery.outcome(name, number)] += 1
        except BaseException as error:
            error.add_note(f"{name}, mutation {number}")
            raise
    grown_bytes = _resident_bytes() - before_bytes

    assert outcomes["read"] > PER_FILE[name] // 20
    assert outcomes.total() - outcomes["read"] > PER_FILE[name] // 4
    assert grown_bytes < MEMORY_MAX_BYTES
    assert capfd.readouterr() == ("", "")


def _resident_bytes() -> int:
    """What the process has in memory now."""
    gc.collect()
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize()


def _dbc(old: bytes, new: bytes, more: bytes = b"") -> tuple[str, bytes, bytes, bytes]:
    return "vent_actuator.dbc", old, new, more


def _eds(old: bytes, new: bytes, more: bytes = b"") -> tuple[str, bytes, bytes, bytes]:
    return "small.eds", old, new, more


BOMBS = {
    "a message of 400 MB": _dbc(b": 8 ", b": 400000000 "),
    "a signal of 400 million bits": _dbc(b"|8@", b"|400000000@"),
    "a signal far away": _dbc(b": 0|", b": 4000000000|"),
    "a comment within": _dbc(b"|8@", b"// \n | // x\n 400000000 @"),
    "a multiplexer of four thousand million pages": _dbc(b"", b"", b"\nSG_MUL_VAL_ 1 a b 0-4000000000;\n"),
    "many pages by many ranges": _dbc(b"", b"", b"\nSG_MUL_VAL_ 1 a b " + b"0-60000, " * 4_000 + b"1-2;\n"),
    "a scale without end": _dbc(b"(1,0)", b"(1e999999999,0)"),
    "a default without end": _dbc(
        b"",
        b"",
        b'\nBA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_DEF_DEF_ "GenMsgCycleTime" 1e99999999;\n',
    ),
    "a text without end": _dbc(b"", b"", b'\nCM_ "' + b'\\"' * 300_000),
    "a scale of nothing": _dbc(b"(1,0)", b"(0,0)"),
    "blanks without end": _eds(b"", b"", b"\n[x]\na" + b" " * 200_000 + b"b\n"),
    "blanks as long as a line": _eds(b"", b"", b"\n[x]\n" + (b"a" + b" " * 1_900 + b"b\n") * 1_500),
    "blanks of many kinds": _eds(b"", b"", b"\n[x]\na" + b"\t \x0b\xa0" * 400 + b"b\n"),
    "arrays of everything": _eds(
        b"",
        b"",
        b"".join(
            b"[%04X]\nParameterName=a\nObjectType=8\nDataType=5\nAccessType=ro\nCompactSubObj=254\n" % n
            for n in range(0x2000, 0x2C00)
        ),
    ),
    "five megabytes": _eds(b"", b"", b";" * 5_000_000),
    "five megabytes of signals": _dbc(b"", b"", b' SG_ x : 0|8@1+ (1,0) [0|0] "" N\n' * 150_000),
    "answers within answers": ("answers.json", b"", b"", b"[" * 100_000),
}


@pytest.mark.parametrize("name", BOMBS)
def test_a_file_that_asks_for_everything_is_refused_at_once(nursery: Nursery, name: str) -> None:
    """Each took minutes, or all memory, or ended a run in the middle."""
    file, old, new, more = BOMBS[name]
    good = nursery.good[file]
    assert old in good
    content = (good.replace(old, new, 1) if old else good) + more if file != "answers.json" else more

    assert nursery.outcome_of(file, content) in ("DescriptionError", "UsageError")


def _go_on_forever() -> None:
    while True:
        pass


def test_what_is_watched_for_is_seen() -> None:
    """The watch itself works: an execution and a hang don't go by."""
    from .hostile_files import Acted, TookTooLong

    with pytest.raises(Acted), watched():
        eval("1 + 1")
    with pytest.raises(TookTooLong), watched(cpu_s=0.1):
        _go_on_forever()


@pytest.mark.parametrize("text", ["", "x" * 50_000, "a\x1b[2J"])
def test_an_unclear_error_is_seen(text: str) -> None:
    with pytest.raises(AssertionError):
        assert_clear(UsageError(text))


def test_a_name_that_is_too_long_for_a_file_is_refused(nursery: Nursery) -> None:
    """The file system's own complaint is not the answer."""
    content = nursery.good["glue_head.toml"].replace(b'"glue_head.eds"', b'"' + b"a" * 3000 + b'.eds"')
    assert nursery.outcome_of("glue_head.toml", content) == "DescriptionError"


def test_two_mutations_differ(nursery: Nursery) -> None:
    """Hardly any two mutated files are the same, so that two thousand are two thousand."""
    from .hostile_files import mutated

    good = nursery.good["vent_actuator.dbc"]
    assert len({mutated(number, good) for number in range(200)}) > 190


def test_a_default_is_as_long_as_its_type(nursery: Nursery) -> None:
    """2 000 000 000 under a type that holds no number is no two thousand million bytes; 1.5 as IEEE 754 writes it."""
    file = nursery.folder / "defaults.eds"
    objects = (
        f"\n[{index}]\nParameterName=a\nObjectType=7\nDataType={kind}\nAccessType=ro\nDefaultValue={value}\n"
        for index, kind, value in (("2FFE", "0x12", "2000000000"), ("2FFF", "0x08", "1.5"))
    )
    file.write_bytes(nursery.good["small.eds"] + "".join(objects).encode())
    with watched():
        entries = {entry.index: entry.default for entry in read_eds(file, 5)}

    assert (entries[0x2FFE], entries[0x2FFF]) == (b"", bytes.fromhex("0000c03f"))


@pytest.mark.parametrize(("sub", "outcome"), [("001", "read"), ("007", "DescriptionError")])
def test_a_sub_index_with_zeros_in_front_is_decimal(nursery: Nursery, sub: str, outcome: str) -> None:
    """Found in the file or told to be missing there, and no number that Python does not like."""
    content = nursery.good["glue_head.toml"]
    assert b'"0x6401:1"' in content
    assert (
        nursery.outcome_of("glue_head.toml", content.replace(b'0x6401:1"', f'0x6401:{sub}"'.encode()))
        == outcome
    )
