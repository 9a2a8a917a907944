"""Read a fixture description: from a TOML file to checked models, or to a list of everything wrong with it.

Nothing in a description is ever executed or looked up anywhere but in the folder beside it. A file that is
too large or nested too deeply is refused before it is read as TOML.
"""

from __future__ import annotations

import hashlib
import re
import stat
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from hiltest.description import schema
from hiltest.description.blanks import blanks
from hiltest.description.checks import cross_check
from hiltest.description.dcf import take_node_ids, warn_of_contradictions
from hiltest.description.locating import DEPTH_MAX, too_deep
from hiltest.description.locating import Path as KeyPath
from hiltest.description.messages import SHOWN_MAX, Source, did_you_mean, from_pydantic, from_toml
from hiltest.description.models import Description, Section
from hiltest.description.parts import DEFAULT_NAMES, Parts
from hiltest.errors import DescriptionError, Problem, UsageError

SIZE_MAX_BYTES = 512 << 10

Origin = Literal["file", "default"]


@dataclass(frozen=True, slots=True)
class DefaultUsed:
    """A limit that the file does not state. `source` says where its default comes from."""

    key: str
    value: float | int
    unit: str
    source: str
    meaning: str


@dataclass(frozen=True, slots=True)
class Loaded:
    """A description that can be used.

    `path` is the file, absolute; `text_hash` the SHA-256 of its bytes in hexadecimal; `warnings` what a
    person should look at before the run, in file order; `overrides` what the caller put over the file.
    """

    description: Description
    path: Path
    text_hash: str
    warnings: tuple[Problem, ...]
    overrides: tuple[tuple[str, Any], ...] = ()

    def source_of(self, key: str) -> Origin:
        """Say whether a value was given ("file") or is a default ("default").

        `key` is spelled as in messages: 'limits.quiet_s', 'heater[reservoir].low_setpoint_c',
        'bus.load_test.duration_s'. Overrides count as given; they are listed in `overrides`.

        Raises:
            UsageError: there is no such key.
        """
        at: Any = self.description
        given = True
        for name, which in _steps(key):
            if not isinstance(at, Section) or name not in type(at).model_fields:
                known = list(type(at).model_fields) if isinstance(at, Section) else []
                raise UsageError(f"{key!r}: no key {name!r}. {did_you_mean(name, known, 'key')}")
            given = given and name in at.model_fields_set
            at = getattr(at, name)
            if isinstance(at, list) and at and isinstance(at[0], Section):
                at = _pick(key, at, which)
        return "file" if given else "default"

    @property
    def defaults_used(self) -> tuple[DefaultUsed, ...]:
        """Every limit that the file leaves to its default, in the order of the sections."""
        found: list[DefaultUsed] = []
        for name in type(self.description).model_fields:
            value = getattr(self.description, name)
            if isinstance(value, Section):
                found += _defaults_of(name, value)
            else:
                for number, part in enumerate(value, 1):
                    which = getattr(part, "name", number)
                    found += _defaults_of(name if len(value) == 1 else f"{name}[{which}]", part)
        return tuple(found)


def origin(section: Section, field: str) -> Origin:
    """Say whether `field` of a section was given or is a default, for who holds the section alone."""
    if field not in type(section).model_fields:
        raise UsageError(f"{type(section).__name__} has no field {field!r}")
    return "file" if field in section.model_fields_set else "default"


def load_description(path: str | Path, overrides: Mapping[str, Any] | None = None) -> Loaded:
    """Read the fixture description at `path`.

    Args:
        path: a TOML file in UTF-8 of at most 512 KiB.
        overrides: values put over those of the file before anything is checked, by key:
            {"bus.interface": "slcan", "simulation.seed": 7, "node[head].boot_max_s": 2.0}.

    Raises:
        DescriptionError: the file can't be used. `problems` holds everything found, in file order.
    """
    place = Path(path)
    raw = _read(place)
    text = _decode(str(path), raw)
    resolved = place.resolve()
    return _load(text, str(path), resolved, hashlib.sha256(raw).hexdigest(), overrides or {})


def load_text(text: str, folder: str | Path = ".", overrides: Mapping[str, Any] | None = None) -> Loaded:
    """As `load_description`, from a text; files that it names are looked for in `folder`."""
    raw = text.encode()
    if len(raw) > SIZE_MAX_BYTES:
        raise _refused("<text>", f"{len(raw)} bytes", _SIZE_RULE)
    place = Path(folder).resolve() / "<text>"
    return _load(text, "<text>", place, hashlib.sha256(raw).hexdigest(), overrides or {})


_SIZE_RULE = f"a fixture description of at most {SIZE_MAX_BYTES} bytes"


def _refused(
    file: str, found: str, expected: str, hint: str = "", line: int | None = None
) -> DescriptionError:
    return DescriptionError([Problem(file, "the file", found, expected, line, hint)])


def _read(place: Path) -> bytes:
    """The bytes of a regular file that is not too large; its size is looked at first."""
    file = str(place)
    try:
        state = place.stat()
    except FileNotFoundError:
        raise _refused(file, "no such file", "a TOML file", _similar_files(place)) from None
    except (OSError, ValueError) as error:
        raise _refused(file, f"a file that can't be opened ({error})", "a TOML file") from error
    if stat.S_ISDIR(state.st_mode):
        inside = sorted(p.name for p in place.glob("*.toml"))[:5]
        hint = f"In it are: {', '.join(inside)}." if inside else ""
        raise _refused(file, "a folder", "a TOML file", hint)
    if not stat.S_ISREG(state.st_mode):
        raise _refused(file, "a device or pipe", "a TOML file")
    if state.st_size > SIZE_MAX_BYTES:
        raise _refused(file, f"{state.st_size} bytes", _SIZE_RULE, "Is it the right file?")
    try:
        with place.open("rb") as stream:
            raw = stream.read(SIZE_MAX_BYTES + 1)
    except OSError as error:
        raise _refused(
            file, f"a file that can't be read ({error.strerror})", "a readable TOML file"
        ) from error
    if len(raw) > SIZE_MAX_BYTES:  # it grew since its size was looked at
        raise _refused(file, f"more than {SIZE_MAX_BYTES} bytes", _SIZE_RULE, "Is it the right file?")
    return raw


def _similar_files(place: Path) -> str:
    folder = place.parent
    files = sorted(folder.glob("*.toml"))[:200] if folder.is_dir() else []
    names = [file.name for file in files if _looks_like_a_description(file)]
    if not names:
        return "`hiltest example` writes one."
    return did_you_mean(place.name, names, "fixture description")


def _looks_like_a_description(file: Path) -> bool:
    try:
        small = file.stat().st_size <= SIZE_MAX_BYTES
        return small and bool(re.search(rb"^\s*\[fixture\]", file.read_bytes(), re.MULTILINE))
    except OSError:
        return False


def _decode(file: str, raw: bytes) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _refused(file, "UTF-16 text", "UTF-8 text", "Save it again as UTF-8.")
    try:
        # A byte order mark is no part of the text: Windows editors write one.
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        found = f"the byte 0x{raw[error.start]:02X}"
        raise _refused(file, found, "UTF-8 text", "Save it again as UTF-8.", line) from error


def _load(text: str, file: str, place: Path, text_hash: str, overrides: Mapping[str, Any]) -> Loaded:
    if not text.strip():
        raise _refused(
            file, "an empty file", "a fixture description", "`hiltest schema` lists what belongs in it."
        )
    source = _parse(text, file)
    _override(source, overrides)
    left = blanks(source)
    if left:  # nothing else can be said of a file that is not filled in yet
        raise DescriptionError(left)
    take_node_ids(source.data, place.parent)
    parts = Parts(source, place.parent)
    description = None
    try:
        description = Description.model_validate(source.data)
    except ValidationError as error:
        parts.problems += from_pydantic(source, error.errors(include_url=False, include_context=False))
    cross_check(parts)
    warn_of_contradictions(parts)
    if parts.problems or description is None:
        raise DescriptionError(_in_file_order(parts.problems, file))
    return Loaded(
        description, place, text_hash, tuple(_in_file_order(parts.warnings, file)), tuple(overrides.items())
    )


def _parse(text: str, file: str) -> Source:
    deep = too_deep(text)
    if deep is not None:
        raise _refused(
            file,
            f"brackets or dots nested {deep.depth} deep",
            f"at most {DEPTH_MAX}",
            "A fixture description needs three.",
            deep.line,
        )
    try:
        data = tomllib.loads(text)
    except ValueError as error:  # tomllib's own error, or an integer too long for Python
        raise DescriptionError([from_toml(file, text, error)]) from error
    return Source(file, text, data)


def _in_file_order(problems: list[Problem], file: str) -> list[Problem]:
    ordered = sorted(problems, key=lambda problem: problem.line or 0)
    if len(ordered) <= SHOWN_MAX:
        return ordered
    left = len(ordered) - SHOWN_MAX
    more = Problem(file, "the file", f"{left} more problems or more", "none", None, "Mend these first.")
    return [*ordered[:SHOWN_MAX], more]


def _steps(key: str) -> list[tuple[str, str | None]]:
    """Split 'heater[reservoir].window_s' into names, each with what stands in its brackets."""
    steps: list[tuple[str, str | None]] = []
    for part in key.split("."):
        name, bracket, rest = part.partition("[")
        if not name or (bracket and not rest.endswith("]")):
            raise UsageError(f"{key!r} is not a key; write it like 'heater[reservoir].window_s'")
        steps.append((name, rest[:-1] if bracket else None))
    return steps


def _pick(key: str, parts: list[Section], which: str | None) -> Section:
    if which is None and len(parts) == 1:
        return parts[0]
    names = [str(getattr(part, "name", number)) for number, part in enumerate(parts, 1)]
    if which in names:
        return parts[names.index(which)]
    raise UsageError(f"{key!r}: say which one. {did_you_mean(which or '', names, 'name')}")


def _defaults_of(key: str, section: Section) -> list[DefaultUsed]:
    found = []
    for name, info in type(section).model_fields.items():
        value = getattr(section, name)
        extra = info.json_schema_extra
        if isinstance(value, Section):
            found += _defaults_of(f"{key}.{name}", value)
        elif isinstance(extra, dict) and "default_source" in extra and name not in section.model_fields_set:
            source, meaning = str(extra["default_source"]), info.description or ""
            found.append(DefaultUsed(f"{key}.{name}", value, schema.unit_of(name), source, meaning))
    return found


def _override(source: Source, overrides: Mapping[str, Any]) -> None:
    """Put the caller's values into the plain data, where the rules of the file then hold for them too."""
    done: set[KeyPath] = set()
    for key, value in overrides.items():
        path: KeyPath = ()
        at: Any = source.data
        *tables, (last, _) = _steps(key)
        for name, which in tables:
            path = (*path, name)
            at = at.setdefault(name, {}) if isinstance(at, dict) else None
            if isinstance(at, list):
                number = _position(key, name, at, which)
                path, at = (*path, number), at[number]
            elif which is not None and isinstance(at, dict):
                _position(key, name, [at], which)
            if not isinstance(at, dict):
                raise UsageError(f"override {key!r}: {source.key(path)} is not a table in {source.file}")
        at[last] = value
        done.add((*path, last))
    source.overridden = frozenset(done)


def _position(key: str, kind: str, entries: list[Any], which: str | None) -> int:
    """Where the entry stands that a key means: by name, by number from 1, or because it is the only one."""
    if which is None and len(entries) == 1:
        return 0
    # A console has no name of its own: it is called by the node that it belongs to.
    name = "node" if kind == "console" else "name"
    names = [
        str(entry.get(name, DEFAULT_NAMES.get(kind, number))) if isinstance(entry, dict) else ""
        for number, entry in enumerate(entries, 1)
    ]
    if which in names:
        return names.index(which)
    raise UsageError(f"override {key!r}: say which one. {did_you_mean(which or '', names, kind)}")
