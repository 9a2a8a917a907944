"""Reading a description: what comes back, and what is refused before it is read."""

from __future__ import annotations

import builtins
import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest.description.loading import SIZE_MAX_BYTES, Loaded, load_description, load_text, origin
from hiltest.errors import DescriptionError, Problem, UsageError


def _only(path: Path) -> Problem:
    with pytest.raises(DescriptionError) as caught:
        load_description(path)
    (problem,) = caught.value.problems
    return problem


def test_the_scenarios_load_without_a_warning(fixtures_dir: Path) -> None:
    """Every description that hiltest ships is right and wise."""
    files = [file for file in sorted(fixtures_dir.glob("*.toml")) if ".answers" not in file.name]
    assert "glue_head.toml" in [file.name for file in files]
    for file in files:
        assert load_description(file).warnings == (), file.name


def test_what_is_loaded_says_where_it_came_from(glue_head: Path) -> None:
    """Path, hash and models are those of the file."""
    loaded = load_description(str(glue_head))
    assert loaded.path == glue_head.resolve()
    assert loaded.text_hash == hashlib.sha256(glue_head.read_bytes()).hexdigest()
    assert loaded.description.fixture.name == "glue head"
    assert loaded.description.heater[0].node == "head"
    assert loaded.description.node[0].bus == "can"


@pytest.mark.parametrize(
    ("key", "source"),
    [
        ("heater[reservoir].low_setpoint_c", "file"),
        ("heater[reservoir].overshoot_max_k", "default"),
        ("heater.overshoot_max_k", "default"),
        ("fan[nozzle].full_speed_rpm", "file"),
        ("bus.load_test.duration_s", "file"),
        ("bus[can].load_test.confidence", "default"),
        ("limits.ambient_low_c", "default"),
        ("simulation.adapter.echo", "default"),
        ("supply.tolerance_percent", "file"),
    ],
)
def test_a_value_from_the_file_is_told_apart_from_a_default(glue_head: Path, key: str, source: str) -> None:
    """The report can say which limits somebody wrote down."""
    assert load_description(glue_head).source_of(key) == source


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("heater[reservoir].low_setpoint", "low_setpoint_c"),
        ("heater[reservor].window_s", "reservoir"),
        ("fan.full_speed_rpm", "nozzle"),
        ("heater[reservoir", "not a key"),
        ("limits.quiet_s.more", "no key 'more'"),
    ],
)
def test_the_source_of_what_is_not_there_is_a_wrong_call(glue_head: Path, key: str, hint: str) -> None:
    """A misspelled key is never answered with 'default'."""
    with pytest.raises(UsageError, match=hint):
        load_description(glue_head).source_of(key)


def test_a_section_alone_knows_its_defaults_too(glue_head: Path) -> None:
    """Who holds only the heater can ask as well."""
    heater = load_description(glue_head).description.heater[0]
    assert origin(heater, "window_s") == "file"
    assert origin(heater, "steady_band_k") == "default"
    with pytest.raises(UsageError, match="windows"):
        origin(heater, "windows")


def test_defaults_in_use_are_listed_with_their_source(glue_head: Path) -> None:
    """Each default limit comes with value, unit and source; stated ones are not among them."""
    used = {default.key: default for default in load_description(glue_head).defaults_used}
    band = used["heater.steady_band_k"]
    assert (band.value, band.unit) == (2.0, "K")
    assert "common practice" in band.source
    assert "heater.window_s" not in used
    assert "fan[nozzle].spin_up_max_s" in used
    assert all(default.source and default.meaning for default in used.values())


def test_overrides_are_checked_like_the_file_and_kept(glue_head: Path) -> None:
    """A command line can change the bench without changing the file."""
    given = {
        "bus[can].interface": "slcan",
        "bus.channel": "/dev/pts/3",
        "heater[reservoir].window_s": 90.0,
        "limits.quiet_s": 4.0,
        "console.port": "/dev/pts/4",
    }
    loaded = load_description(glue_head, given)
    description = loaded.description
    assert (description.bus[0].interface, description.bus[0].channel) == ("slcan", "/dev/pts/3")
    assert description.heater[0].window_s == 90.0
    assert description.limits.quiet_s == 4.0
    assert dict(loaded.overrides) == given
    assert loaded.source_of("limits.quiet_s") == "file"


def test_a_wrong_override_is_told_apart_from_the_file(glue_head: Path) -> None:
    """The message does not point at a line that says something else."""
    with pytest.raises(DescriptionError) as caught:
        load_description(glue_head, {"bus.bit_rate_bps": 5})
    (problem,) = caught.value.problems
    assert problem.line is None
    assert problem.key == "bus.bit_rate_bps"
    assert "given beside the file" in problem.found


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("fan.wires", "nozzle"),
        ("fan[nozle].wires", "nozzle"),
        ("bus[cam].channel", "can"),
        ("supply.", "not a key"),
    ],
)
def test_an_override_that_leads_nowhere_is_a_wrong_call(glue_head: Path, key: str, hint: str) -> None:
    """An override never changes something else than was meant."""
    with pytest.raises(UsageError, match=hint):
        load_description(glue_head, {key: 3})


def test_a_missing_file_is_refused_with_its_neighbours(glue_head: Path) -> None:
    """A typing error in the name shows the right one."""
    problem = _only(glue_head.with_name("glue_haed.toml"))
    assert problem.found == "no such file"
    assert "glue_head.toml" in problem.hint


def test_a_missing_file_is_not_met_with_files_of_another_kind(tmp_path: Path) -> None:
    """A pyproject.toml is no description; where none is, the command that writes one is named."""
    (tmp_path / "pyproject.toml").write_text("[project]\nname = 'mine'\n")
    assert _only(tmp_path / "bench.toml").hint == "`hiltest example` writes one."
    (tmp_path / "zzzz.toml").write_text("# mine\n[fixture]\nname = 'oven'\n")
    assert _only(tmp_path / "bench.toml").hint == "Known fixture descriptions: zzzz.toml."


def test_a_folder_is_refused_with_what_is_in_it(glue_head: Path) -> None:
    """A folder is no description, and the descriptions in it are named."""
    problem = _only(glue_head.parent)
    assert problem.found == "a folder"
    assert "glue_head.toml" in problem.hint


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    """Reading from a pipe that nobody writes to would hang."""
    pipe = tmp_path / "pipe.toml"
    os.mkfifo(pipe)
    assert _only(pipe).found == "a device or pipe"


@pytest.mark.parametrize(
    ("raw", "found", "line"),
    [
        (b"", "an empty file", None),
        (b" \n\t\n", "an empty file", None),
        (b"\xff\xfe[\x00", "UTF-16 text", None),
        (b"[fixture]\nname = 'sm\xf8rbr\xf8d'\n", "the byte 0xF8", 2),
        (b"[fixture]\nname = \n", '"name ="', 2),
        (b"[fixture]\n[fixture]\n", '"[fixture]"', 2),
        (b"[fixture]\nname = 'x\n", '"name = \'x"', 2),
        (b"a = '''x\n\n", "\"a = '''x\"", 1),
        (b"a = [1,\n", "the end of the file", 2),
        (b"a = " + b"9" * 5000, "", None),
        (b"[a]\nb = 2026-02-31\n", "", None),
        (b"\x00\x01\x7f", "", 1),
    ],
)
def test_what_is_not_a_toml_text_is_refused_where_it_goes_wrong(
    tmp_path: Path, raw: bytes, found: str, line: int | None
) -> None:
    """One problem, with the line where there is one, and no traceback of the reader."""
    file = tmp_path / "wrong.toml"
    file.write_bytes(raw)
    problem = _only(file)
    assert problem.file == str(file)
    assert problem.found.startswith(found)
    assert problem.line == line or not found


def test_a_byte_order_mark_is_no_part_of_the_text(glue_head: Path) -> None:
    """Editors that write one can be used."""
    glue_head.write_bytes(b"\xef\xbb\xbf" + glue_head.read_bytes())
    assert load_description(glue_head).description.fixture.name == "glue head"


def test_windows_line_ends_keep_the_line_numbers(glue_head: Path) -> None:
    """A file with CR LF is read, and its lines are counted once."""
    text = glue_head.read_text(encoding="utf-8").replace("fuse_a = 5.0", "fuse = 5.0")
    line = text[: text.index("fuse = ")].count("\n") + 1
    glue_head.write_bytes(text.replace("\n", "\r\n").encode())
    assert _only(glue_head).line == line


def _seconds(action: Callable[[], object]) -> float:
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def test_a_10_mb_file_is_refused_by_its_size_alone(tmp_path: Path) -> None:
    """It is not even read."""
    file = tmp_path / "large.toml"
    file.write_bytes(b"#" * 10_000_000)
    assert _seconds(lambda: _only(file)) < 0.5
    assert _only(file).found == "10000000 bytes"


@pytest.mark.parametrize(
    "text",
    [
        "x = " + "[" * 500_000,
        "x = " + "[" * 250_000 + "]" * 250_000,
        "x = " + "{a=" * 150_000,
        "a" + ".a" * 250_000 + " = 1",
        "[" + "a." * 250_000 + "a]",
        "x = '''" + "[" * 100 + "'''\ny = " + "[" * 5000,
    ],
)
def test_a_deeply_nested_file_is_refused_quickly(text: str) -> None:
    """Neither the stack nor the patience of the person runs out."""
    with pytest.raises(DescriptionError) as caught:
        load_text(text)
    assert "nested" in caught.value.problems[0].found
    assert caught.value.problems[0].line is not None

    def refused() -> None:
        with pytest.raises(DescriptionError):
            load_text(text)

    assert _seconds(refused) < 2.0


@pytest.mark.parametrize(
    "text",
    [
        "".join(f"k{number} = {number}\n" for number in range(35_000)),
        "[[sensor]]\n" * 45_000,
        '"' + '\\"' * 250_000,
        '"""\\"' * 100_000,
        "'''" * 150_000,
        "x = [" + "1," * 250_000 + "]",
        "[bus]\nterminators_ohm = [" + "'a'," * 120_000 + "]",
    ],
)
def test_a_large_file_of_nonsense_is_refused_in_seconds(text: str) -> None:
    """The number of problems told is bounded, and so is the time to tell them."""
    assert len(text) < SIZE_MAX_BYTES

    def refused() -> None:
        with pytest.raises(DescriptionError) as caught:
            load_text(text)
        assert 1 <= len(caught.value.problems) <= 51

    assert _seconds(refused) < 60.0


def test_reading_a_file_executes_nothing(glue_head: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Texts that look like code, tags or templates stay texts."""
    hostile = "!!python/object/apply:os.system ['touch pwned'] ${HOME} {{7*7}} `id` __import__('os')"
    text = glue_head.read_text(encoding="utf-8")
    text = text.replace('note = "hot-melt', f'note = "{hostile}', 1)
    glue_head.write_text(text, encoding="utf-8")

    def never(*args: object, **kwargs: object) -> None:
        raise AssertionError("something was executed")

    monkeypatch.setattr(builtins, "eval", never)
    monkeypatch.setattr(os, "system", never)
    assert load_description(glue_head).description.fixture.note.startswith(hostile)


def test_a_description_can_not_be_changed_once_read(load: Callable[[dict[str, str]], Loaded]) -> None:
    """What was checked stays what it was."""
    description = load({}).description
    with pytest.raises(ValueError, match="frozen"):
        description.supply.voltage_v = 48.0  # type: ignore[misc]


def test_a_decimal_comma_is_told_to_be_a_point(tmp_path: Path) -> None:
    """Half of the world writes one; the number is given back as TOML wants it."""
    path = tmp_path / "comma.toml"
    path.write_text("[supply]\nvoltage_v = 24,0  # nominal\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match=r"comma.toml:2.*write 24\.0"):
        load_description(path)
