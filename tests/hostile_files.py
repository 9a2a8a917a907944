"""Wrong, hostile and truncated files, made from good ones by a number; and what reading one of them comes to.

Every mutated file must be refused with a clear error, or read rightly, in bounded time, and nothing in it may act.
"""

from __future__ import annotations

import random
import re
import resource
import shutil
import signal
import sys
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from hiltest.catalogue._traffic import from_database
from hiltest.description.dbc import read_messages
from hiltest.description.eds import read_objects, stated_cob_ids
from hiltest.description.loading import load_description
from hiltest.description.models import Section
from hiltest.description.senders import process_data_ids
from hiltest.draft.files import Fits, _read_device
from hiltest.errors import DescriptionError, UsageError
from hiltest.meters.operator import read_answers
from hiltest.node._dbc import DbcCodec
from hiltest.node.objects import load_dictionary
from hiltest.simbench.objects import read_eds

FIXTURES = Path(__file__).resolve().parents[1] / "fixtures"
CPU_MAX_S = 10
"""Processor time for one file. The slowest takes a fraction of a second on an idle machine."""
MEMORY_MAX_BYTES = 400_000_000
"""More than the process had before, while one file is read."""
TEXT_MAX = 40_000

NUMBERS = (
    "0", "-1", "-0", "1", "255", "256", "65536", "4294967296", "400000000", "1e308", "1e999", "1e99999999", "-1e-400",
    "nan", "inf", "-inf", "0x", "0xFFFFFFFFFFFFFFFFFF", "0b1", "1_000", "007", "0.1", "1e5", "9" * 50, "9" * 5000,
    "0x" + "F" * 1500, "½", "٣",
)  # fmt: skip
TEXTS = (
    "", " ", "\x00", "\x1b[2J\x1b]0;owned\x07", "${HOME}", "$NODEID", "%(x)s", "{{7*7}}", "`id`", "../../../etc/passwd",
    "__import__('os').system('touch pwned')", "!!python/object/apply:os.system ['id']", "'; DROP TABLE x; --", "\u202e",
    "\ufeff", "\ud7ff\U0001f600", "<script>alert(1)</script>", "a" * 3000, "[", "]", "{", "}", "=", '"', "'''", '"""',
    "\\", "#", "//", ";", "\r", "\n\n\n", "(" * 200, "(a+)+$", "a{1000000000}", "(" * 4000 + ")" * 4000, "\t" * 400,
    "[" * 3000, "{a=" * 600, "a." * 600, "\\u0000", "\\x00", "SG_ x : 0|400000000@1+ (1,0) [0|0] \"\" N",
    "BO_ 5 y: 400000000 N", "SG_MUL_VAL_ 5 a b 0-4000000000;", "// BO_ 1", "[1018sub1]", "[25FFName]\nNrOfEntries=99999999",
    "CompactSubObj=0xFFFFFFFF", "[Comments]\nLines=4000000000\nLine1=x", "[[heater]]", "[node]", "[node.roles.x]",
)  # fmt: skip

Mutation = Callable[[random.Random, bytes], bytes]


# --- mutations ---------------------------------------------------------------------------------------------


def _span(rng: random.Random, content: bytes, most: int = 200) -> tuple[int, int]:
    start = rng.randrange(len(content) + 1)
    return start, min(len(content), start + rng.randrange(1, most))


def flip_bits(rng: random.Random, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(rng.choice((1, 1, 2, 8, 64)) if changed else 0):
        changed[rng.randrange(len(changed))] ^= 1 << rng.randrange(8)
    return bytes(changed)


def truncate(rng: random.Random, content: bytes) -> bytes:
    return content[: rng.randrange(len(content) + 1)]


def behead(rng: random.Random, content: bytes) -> bytes:
    return content[rng.randrange(len(content) + 1) :]


def cut_out(rng: random.Random, content: bytes) -> bytes:
    start, end = _span(rng, content)
    return content[:start] + content[end:]


def repeat(rng: random.Random, content: bytes) -> bytes:
    start, end = _span(rng, content)
    return content[:end] + content[start:end] * rng.choice((1, 2, 50, 1000)) + content[end:]


def insert_bytes(rng: random.Random, content: bytes) -> bytes:
    at = rng.randrange(len(content) + 1)
    piece = rng.choice((rng.randbytes(rng.randrange(1, 40)), b"\x00" * 9, b"\xff" * 9, b"\xc3", b" " * 3000))
    return content[:at] + piece + content[at:]


def recode(rng: random.Random, content: bytes) -> bytes:
    text = content.decode("latin-1")
    return rng.choice(
        (
            text.encode("utf-16"),
            text.encode("utf-32-be"),
            b"\xef\xbb\xbf" + content,
            text.replace("\n", "\r\n").encode("latin-1"),
            text.replace("\n", "\r").encode("latin-1"),
            text.replace("\n", " ").encode("latin-1"),
            content.replace(b" ", b"\xa0"),
        )
    )


def lines_about(rng: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    here, there = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(4)
    if what == 0:
        del lines[here]
    elif what == 1:
        lines.insert(there, lines[here])
    elif what == 2:
        lines[here], lines[there] = lines[there], lines[here]
    else:
        lines[here] = lines[here] * rng.choice((2, 100, 3000))
    return b"\n".join(lines)


def another_number(rng: random.Random, content: bytes) -> bytes:
    return _replace_one(rng, content, rb"(?<![\w.])[+-]?(?:0x[0-9A-Fa-f]+|\d+\.?\d*)", rng.choice(NUMBERS))


def another_text(rng: random.Random, content: bytes) -> bytes:
    pattern = rng.choice((rb'"[^"\n]*"', rb"\w+", rb"(?<==)[^\n]*", rb"(?m)^[^\n]*$"))
    return _replace_one(rng, content, pattern, rng.choice(TEXTS))


def quoted_text(rng: random.Random, content: bytes) -> bytes:
    """Hostile text that is still a text of the file."""
    text = rng.choice(TEXTS).replace("\\", "").replace('"', "").replace("\n", "").replace("\r", "")
    return _replace_one(rng, content, rb'"[^"\n]*"', f'"{text}"')


def another_word(rng: random.Random, content: bytes) -> bytes:
    words = re.findall(rb"\w+", content)
    return _replace_one(rng, content, rb"\w+", (rng.choice(words) if words else b"x").decode("latin-1"))


def _replace_one(rng: random.Random, content: bytes, pattern: bytes, by: str) -> bytes:
    matches = list(re.finditer(pattern, content))
    if not matches:
        return content + by.encode("utf-8", "surrogatepass")
    match = rng.choice(matches)
    return content[: match.start()] + by.encode("utf-8", "surrogatepass") + content[match.end() :]


MUTATIONS: tuple[Mutation, ...] = (
    flip_bits, truncate, behead, cut_out, repeat, insert_bytes, recode, lines_about, lines_about, another_number,
    another_number, another_number, another_text, another_text, quoted_text, quoted_text, another_word, another_word,
)  # fmt: skip


def mutated(number: int, content: bytes) -> bytes:
    """The mutated file with this number: one mutation, or a few on top of each other."""
    rng = random.Random(number)
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        content = rng.choice(MUTATIONS)(rng, content)
    return content


# --- reading -----------------------------------------------------------------------------------------------


class TookTooLong(BaseException):
    """Not an Exception: a reader that catches everything does not catch this."""


class Acted(BaseException):
    """Something in a file made the reader do something."""


_ACTS = {
    "os.system", "os.exec", "os.posix_spawn", "os.spawn", "os.fork", "subprocess.Popen", "pty.spawn", "exec", "compile",
    "socket.connect", "os.remove", "os.rename", "os.mkdir", "shutil.rmtree", "os.putenv",
}  # fmt: skip
_watching: list[bool] = [False]
_hooked: list[bool] = []


def _audit(event: str, arguments: tuple[Any, ...]) -> None:
    if not _watching[0] or (event == "exec" and getattr(arguments[0], "co_filename", "").endswith(".py")):
        return  # a module that is imported late
    writes = event == "open" and isinstance(arguments[1], str) and set(arguments[1]) & set("wax+")
    if writes or event in _ACTS:
        raise Acted(f"{event}: {arguments!r}"[:300])


@contextmanager
def watched(cpu_s: float = CPU_MAX_S) -> Iterator[None]:
    """Nothing may act, and no file may take longer than its processor time."""
    if not _hooked:
        sys.addaudithook(_audit)
        _hooked.append(True)

    def over(_number: int, _frame: Any) -> None:
        raise TookTooLong

    old = signal.signal(signal.SIGVTALRM, over)
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    pages = int(Path("/proc/self/statm").read_text().split()[0])
    resource.setrlimit(resource.RLIMIT_AS, (pages * resource.getpagesize() + MEMORY_MAX_BYTES, hard))
    signal.setitimer(signal.ITIMER_VIRTUAL, cpu_s)
    _watching[0] = True
    try:
        yield
    finally:
        _watching[0] = False
        resource.setrlimit(resource.RLIMIT_AS, (soft, hard))
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, old)


def assert_clear(error: UsageError) -> None:
    """Says something, in words that can be shown, and not without end; and is not the end of all memory."""
    cause: BaseException | None = error
    while cause is not None:
        assert not isinstance(cause, MemoryError), "took all memory"
        cause = cause.__cause__ or cause.__context__
    text = str(error)
    assert text.strip()
    assert len(text) < TEXT_MAX, f"{len(text)} characters: {text[:300]}"
    strange = [c for c in text if c != "\n" and not c.isprintable()]
    assert not strange, f"{strange!r} in {text[:600]!r}"
    if isinstance(error, DescriptionError):
        assert error.problems
        for problem in error.problems:
            assert problem.file, text
            assert problem.key, text
            assert problem.found, text
            assert problem.expected, text


def read_description(file: Path) -> None:
    loaded = load_description(file)
    data = tomllib.loads(file.read_bytes().decode("utf-8-sig"))
    _same(loaded.description, data, "")


def _same(model: Section, data: dict[str, Any], at: str) -> None:
    """Every number, text and truth value of the file is that of the model."""
    for key, given in data.items():
        value = getattr(model, key)
        pairs = [(value, given)]
        if isinstance(value, list | tuple) and value and isinstance(value[0], Section):
            pairs = list(zip(value, given if isinstance(given, list) else [given], strict=True))
        for each, plain in pairs:
            if isinstance(each, Section) and isinstance(plain, dict):
                _same(each, plain, f"{at}{key}.")
            elif isinstance(plain, int | float | bool | str) and not isinstance(each, Section | dict | list):
                assert each == plain, f"{at}{key}: {each!r} from {plain!r}"


def read_object_dictionary(file: Path) -> None:
    """The list for the description, the driver's dictionary and the simulated node's agree on what there is."""
    errors, found = [], []
    for reader in (
        lambda: set(read_objects(file).subs),
        lambda: {index for index in load_dictionary(file, 5, "node.eds").objects if index > 7},
        lambda: {entry.index for entry in read_eds(file, 5) if entry.index > 7},
    ):
        try:
            found.append(reader())
        except ValueError as error:  # of read_objects, put into a Problem by who calls it
            errors.append(UsageError(str(error)))
        except UsageError as error:
            errors.append(error)
    try:
        stated = process_data_ids(stated_cob_ids(file, 5))
        assert all(
            0x80 < can_id < (1 << 29 if extended else 0x700) or extended for can_id, extended in stated
        )
    except ValueError as error:
        errors.append(UsageError(str(error)))
    _read_device(file, Fits())  # of a draft: what it can't read it notes
    for error in errors:
        assert_clear(error)
    if len(found) == 3:
        assert found[1] <= found[0], f"not listed: {sorted(found[1] - found[0])[:5]}"
        assert found[2] <= found[1]
    if errors:
        raise errors[0]


def read_database(file: Path) -> None:
    """The list for the description and the driver's codec agree on identifiers."""
    errors: list[UsageError] = []
    listed, codec = None, None
    try:
        listed = read_messages(file)
    except ValueError as error:
        errors.append(UsageError(str(error)))
    try:
        codec = DbcCodec(file, "node.database")
        for name, message in codec.messages.items():
            if any(signal.selector for signal in message.signals.values()):
                continue  # which page is sent, the driver says
            data = codec.encode(name, {signal.name: signal.rest for signal in message.signals.values()})
            assert len(data) == message.length_bytes
            codec.decode(name, data)
    except UsageError as error:
        errors.append(error)
    try:
        from_database(file)
    except UsageError as error:
        errors.append(error)
    for error in errors:
        assert_clear(error)
    if listed is not None and codec is not None:
        for name in set(listed) & set(codec.messages):
            assert listed[name].can_id == codec.messages[name].can_id, name
    if errors:
        raise errors[0]


READERS: dict[str, Callable[[Path], object]] = {
    ".toml": read_description,
    ".eds": read_object_dictionary,
    ".dcf": read_object_dictionary,
    ".dbc": read_database,
    ".json": read_answers,
}


class Nursery:
    """A folder with the good files in it, and the mutated ones beside them, one at a time."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        for file in FIXTURES.iterdir():
            if file.suffix in READERS:
                shutil.copy(file, folder / file.name)
        small = (FIXTURES / "glue_head.eds").read_text(encoding="latin-1").split("\n[6000]")[0]
        (folder / "small.eds").write_text(small, encoding="latin-1")
        (folder / "small.dcf").write_text(small.replace("DefaultValue", "ParameterValue"), encoding="latin-1")
        (folder / "answers.json").write_text('{"cold.pair[can]": "60 ohm", "lamp.red": ["yes", "no"]}')
        names = sorted(file.name for file in folder.iterdir() if not file.name.endswith(".answers.toml"))
        self.good = {name: (folder / name).read_bytes() for name in names}
        for name in names:  # what a reader imports when first used is imported now; and they are good
            READERS[Path(name).suffix](folder / name)
        self._first_complaint()

    def _first_complaint(self) -> None:
        """What is made ready for messages when the first is written is ready now."""
        file = self.folder / "wrong.toml"
        file.write_text("[supply]\nvoltage = 1\n")
        try:
            read_description(file)
        except UsageError as error:
            assert_clear(error)

    def outcome(self, name: str, number: int) -> str:
        """Read mutation `number` of the file `name`: "read", or the kind of error."""
        return self.outcome_of(name, mutated(number, self.good[name]))

    def outcome_of(self, name: str, content: bytes) -> str:
        file = self.folder / f"mutated_{name}"
        file.write_bytes(content)
        with watched():
            try:
                READERS[file.suffix](file)
            except UsageError as error:
                assert_clear(error)
                return type(error).__name__
        return "read"
