"""Every setting in one table: option over ini value over default, resolved in one place, shown in the header."""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.errors import UsageError
from hiltest.settings import SETTINGS, Settings, resolve

pytest_plugins = ["pytester"]


@pytest.fixture
def settings_of(pytester: pytest.Pytester):
    """Resolve what an ini file and a command line say."""

    def made(*arguments: str, ini: str = "") -> Settings:
        pytester.makeini(f"[pytest]\n{ini}")
        found = resolve(pytester.parseconfig("-p", "no:hypothesispytest", *arguments))
        assert len(found) <= 1
        return found[0] if found else Settings()

    return made


def test_every_setting_is_an_option_and_an_ini_value() -> None:
    """The names differ only in their dashes, each has help, and each is a field of what is resolved."""
    assert [setting.ini for setting in SETTINGS] == [
        setting.flag.removeprefix("--").replace("-", "_") for setting in SETTINGS
    ]
    assert {setting.name for setting in SETTINGS} == set(Settings.__slots__)
    assert all(setting.flag.startswith("--hil") and setting.help for setting in SETTINGS)


def test_without_anything_hiltest_is_not_in_use(settings_of) -> None:
    """The defaults: no file."""
    assert settings_of() == Settings()


def test_ini_values_alone_put_no_bench_to_use(settings_of) -> None:
    """A project may keep its settings in its ini file and name the bench on the command line."""
    assert settings_of(ini="hil_simulate = true\nhil_unit = SN1\n").file is None


def test_each_ini_value_is_read_in_its_kind(settings_of, pytester: pytest.Pytester) -> None:
    """Paths start at the ini file, words are split, numbers are numbers."""
    found = settings_of(
        ini="hil = bench/a.toml\nhil_simulate = true\nhil_unit = SN1\nhil_out = runs\nhil_only = fan.tach heat.pulse\n"
        "hil_fault = heater_open\nhil_seed = 3\nhil_answers = a.toml\nhil_release = trying\n"
    )

    assert found == Settings(
        file=pytester.path / "bench/a.toml",
        simulate=True,
        unit="SN1",
        out=pytester.path / "runs",
        only=("fan.tach", "heat.pulse"),
        faults=("heater_open",),
        seed=3,
        answers=pytester.path / "a.toml",
        release="trying",
    )


def test_an_option_wins_over_an_ini_value(settings_of) -> None:
    """For one value and for a list; what is not given stays the ini file's."""
    found = settings_of(
        "--hil-unit=OPT",
        "--hil-only=fan.tach",
        "--hil-seed=0",
        ini="hil = a.toml\nhil_unit = INI\nhil_only = heat.pulse\nhil_seed = 9\nhil_release = trying\n",
    )

    assert (found.unit, found.only, found.seed, found.release) == ("OPT", ("fan.tach",), 0, "trying")


def test_a_path_on_the_command_line_starts_where_the_user_stands(settings_of) -> None:
    """Not at the ini file."""
    assert settings_of("--hil", "bench/a.toml").file == Path("bench/a.toml")


def test_several_descriptions_are_several_benches(pytester: pytest.Pytester) -> None:
    """In the order in which they stand, each with its serial number; the ini value has one a line."""
    pytester.makeini("[pytest]\nhil =\n    left.toml\n    right.toml\nhil_unit =\n    SN 1\n    SN 2\n")

    left, right = resolve(pytester.parseconfig("-p", "no:hypothesispytest"))

    assert (left.file, left.unit) == (pytester.path / "left.toml", "SN 1")
    assert (right.file, right.unit) == (pytester.path / "right.toml", "SN 2")
    assert right.header("right") == f"hil[right]: file={right.file} bench=from the file unit=SN 2"


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--hil=a.toml", "--hil=b.toml", "--hil-unit=SN1"], "2 descriptions (--hil) and 1 serial numbers"),
        (["--hil-simulate"], "--hil-simulate without --hil FILE"),
        (["--hil-only=fan.tach", "--hil-seed=1"], "--hil-only, --hil-seed without --hil FILE"),
        (["--hil-release=why"], "--hil-release without --hil FILE"),
        (["--hil=a.toml", "--hil-fault=heater_open"], "add --hil-simulate"),
        (["--hil=a.toml", "--hil-seed=1.5"], "--hil-seed='1.5' must be a whole number"),
        (["--hil=a.toml", "--hil-seed=-1"], "--hil-seed=-1 must be 0 or more"),
        (["--hil=a.toml", "--hil-release= "], "--hil-release: give the reason"),
    ],
)
def test_a_value_that_can_not_be_used_names_its_option(settings_of, arguments: list[str], says: str) -> None:
    """What was given, and what to do."""
    with pytest.raises(UsageError) as error:
        settings_of(*arguments)

    assert says in str(error.value)


def test_a_wrong_ini_value_names_the_ini_value(settings_of) -> None:
    """Not the option that nobody gave."""
    with pytest.raises(UsageError, match="ini value hil_seed='many' must be a whole number"):
        settings_of(ini="hil = a.toml\nhil_seed = many\n")


def test_the_header_shows_what_is_in_force() -> None:
    """And nothing that is not."""
    plain = Settings(file=Path("a.toml"))
    full = Settings(
        Path("a.toml"), True, "SN1", Path("runs"), ("fan.tach",), ("heater_open",), 3, None, "trying"
    )

    assert plain.header() == "hil: file=a.toml bench=from the file unit=unnamed"
    assert full.header() == (
        "hil: file=a.toml bench=simulated unit=SN1 seed=3 faults=heater_open only=fan.tach out=runs "
        "gates released: trying"
    )
