"""Every setting of the plugin in one table: command-line option, ini value, default and help text.

An option on the command line wins over an ini value, which wins over the default. `resolve` is the only
place that decides; the pytest header shows what is in force. Several descriptions make several benches, each
with its settings. Imports nothing heavy.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import pytest

from hiltest.errors import UsageError


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting. `kind` is how the text of an ini value is read."""

    name: str
    flag: str
    help: str
    kind: Literal["text", "flag", "number", "words", "path", "lines", "paths"] = "text"
    default: Any = None
    metavar: str = ""

    @property
    def ini(self) -> str:
        """Name of the ini value."""
        return self.flag.removeprefix("--").replace("-", "_")


SETTINGS: tuple[Setting, ...] = (
    Setting(
        "file",
        "--hil",
        "fixture description (TOML) of the bench (again for another bench; ini: one a line)",
        "paths",
        (),
        metavar="FILE",
    ),
    Setting("simulate", "--hil-simulate", "use the simulated bench in place of the real one", "flag", False),
    Setting(
        "unit",
        "--hil-unit",
        "serial number of the unit under test (with several benches: one each, in the same order)",
        "lines",
        (),
        metavar="SN",
    ),
    Setting(
        "out",
        "--hil-out",
        "folder in which the run folder is made; without it none is",
        "path",
        metavar="DIR",
    ),
    Setting(
        "only",
        "--hil-only",
        "run only this check and its gates (may be given again)",
        "words",
        (),
        metavar="CHECK",
    ),
    Setting(
        "faults",
        "--hil-fault",
        "simulated bench: inject this fault (may be given again)",
        "words",
        (),
        metavar="FAULT",
    ),
    Setting("seed", "--hil-seed", "simulated bench: seed, in place of the file's", "number", metavar="N"),
    Setting(
        "answers", "--hil-answers", "file with the operator's answers (TOML or JSON)", "path", metavar="FILE"
    ),
    Setting(
        "release",
        "--hil-release",
        "open every gate for own tests, for this reason, which the records show",
        metavar="REASON",
    ),
)


LISTS = ("words", "lines", "paths")
"""Kinds of settings that may be given again."""


@dataclass(frozen=True, slots=True)
class Settings:
    """What is in force for one bench of this session. `file` is None where there is no bench."""

    file: Path | None = None
    simulate: bool = False
    unit: str = "unnamed"
    out: Path | None = None
    only: tuple[str, ...] = field(default=())
    faults: tuple[str, ...] = field(default=())
    seed: int | None = None
    answers: Path | None = None
    release: str | None = None

    def header(self, name: str = "") -> str:
        """One line for the pytest header; `name` tells the bench from others."""
        bench = "simulated" if self.simulate else "from the file"
        parts = [f"file={self.file}", f"bench={bench}", f"unit={self.unit}"]
        if self.simulate:
            parts.append(f"seed={'from the file' if self.seed is None else self.seed}")
        if self.faults:
            parts.append(f"faults={' '.join(self.faults)}")
        if self.only:
            parts.append(f"only={' '.join(self.only)}")
        if self.out is not None:
            parts.append(f"out={self.out}")
        if self.release:
            parts.append(f"gates released: {self.release}")
        return (f"hil[{name}]: " if name else "hil: ") + " ".join(parts)


def add_options(parser: pytest.Parser) -> None:
    """Declare every setting as an option and as an ini value."""
    group = parser.getgroup("hil", "hiltest: acceptance tests on real or simulated hardware")
    for setting in SETTINGS:
        dest = f"hil_{setting.name}"
        text = f"{setting.help} (ini: {setting.ini})"
        if setting.kind == "flag":
            group.addoption(setting.flag, action="store_true", default=None, dest=dest, help=text)
        elif setting.kind in LISTS:
            group.addoption(
                setting.flag, action="append", default=None, dest=dest, help=text, metavar=setting.metavar
            )
        else:
            group.addoption(setting.flag, default=None, dest=dest, help=text, metavar=setting.metavar)
        ini_type: Any = {"flag": "bool", "words": "args", "lines": "linelist", "paths": "linelist"}.get(
            setting.kind, "string"
        )
        parser.addini(setting.ini, setting.help, type=ini_type, default=None)


def _read(setting: Setting, config: pytest.Config) -> Any:
    given = config.getoption(f"hil_{setting.name}")
    source = setting.flag
    from_ini = given is None
    if from_ini:
        given, source = config.getini(setting.ini), f"ini value {setting.ini}"
    if given is None or given == "" or given == []:
        return setting.default
    if setting.kind == "number":
        try:
            return int(given)
        except ValueError:
            raise UsageError(f"{source}={given!r} must be a whole number of 0 or more") from None
    if setting.kind in ("words", "lines"):
        return tuple(given)
    if setting.kind == "path":
        return _place(given, from_ini, config)
    if setting.kind == "paths":
        return tuple(_place(each, from_ini, config) for each in given)
    return given


def _place(given: str, from_ini: bool, config: pytest.Config) -> Path:
    base = config.rootpath if from_ini and not Path(given).is_absolute() else Path()
    return base / given


def resolve(config: pytest.Config) -> tuple[Settings, ...]:
    """What is in force, one for each bench: option, else ini value, else default. Empty when hiltest is not in use.

    Raises:
        UsageError: a value that can't be used; the text names the option or ini value.
    """
    values = {setting.name: _read(setting, config) for setting in SETTINGS}
    files, units = values.pop("file"), values.pop("unit")
    if not files:
        given = [s.flag for s in SETTINGS if config.getoption(f"hil_{s.name}") is not None]
        if given:
            raise UsageError(f"{', '.join(given)} without --hil FILE: there is no bench to use it on")
        return ()  # ini values alone put no bench to use
    if units and len(units) != len(files):
        raise UsageError(
            f"there are {len(files)} descriptions (--hil) and {len(units)} serial numbers (--hil-unit): give one serial "
            "number for each description, in the same order"
        )
    if values["faults"] and not values["simulate"]:
        raise UsageError("--hil-fault injects into the simulated bench only: add --hil-simulate")
    if values["seed"] is not None and values["seed"] < 0:
        raise UsageError(f"--hil-seed={values['seed']} must be 0 or more")
    if values["release"] is not None and not values["release"].strip():
        raise UsageError("--hil-release: give the reason for opening every gate; it goes into the report")
    named = zip(files, units or (Settings().unit,) * len(files), strict=True)
    return tuple(Settings(file=file, unit=unit, **values) for file, unit in named)
