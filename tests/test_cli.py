"""The command `hiltest`: what it prints, what it refuses, and with which exit code."""

from __future__ import annotations

import json
import os
import shlex
import signal
import subprocess
import sys
from collections.abc import Sequence
from importlib.metadata import version
from pathlib import Path

import jsonschema
import pytest
from hiltest.scenarios import names

from hiltest.campaign.unseen import UNSEEN
from hiltest.catalogue.registry import checks
from hiltest.cli import main
from hiltest.evidence.runfolder import read_run
from hiltest.evidence.text import spoken
from hiltest.session import Run, load
from hiltest.settings import Settings

COMMANDS = ("accept", "desk", "bench", "checks", "faults", "explain", "schema", "report", "example")


def command(*arguments: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run hiltest as a program of its own."""
    words = [sys.executable, "-m", "hiltest.cli", *map(str, arguments)]
    return subprocess.run(words, cwd=cwd, capture_output=True, text=True, timeout=120, check=False)


def with_text(file: Path, *changes: tuple[str, str]) -> Path:
    """Change a description; each text must be there once."""
    text = file.read_text()
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    file.write_text(text)
    return file


# --- what there is --------------------------------------------------------------------------------------


def test_help_lists_every_command_and_the_exit_codes(capsys: pytest.CaptureFixture[str]) -> None:
    """A new user sees what there is, and what the exit codes of accept mean."""
    with pytest.raises(SystemExit) as top:
        main(["--help"])
    text = capsys.readouterr().out
    with pytest.raises(SystemExit) as accept:
        main(["accept", "--help"])

    assert top.value.code == accept.value.code == 0
    assert [name for name in COMMANDS if f"    {name} " not in text] == []
    assert "0 accepted, 1 rejected, 2 wrong file" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [[], ["acept"], ["accept"], ["accept", "a.toml", "--sed", "1"]])
def test_a_wrong_command_line_is_2(arguments: Sequence[str], capsys: pytest.CaptureFixture[str]) -> None:
    """argparse says what it expects, on standard error."""
    with pytest.raises(SystemExit) as error:
        main(arguments)

    assert error.value.code == 2
    assert "usage: hiltest" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["accept", "a.toml", "--sim"], "'--sim' is not known here; did you mean --simulate?"),
        (["accept", "a.toml", "--sead=3"], "did you mean --seed?"),
        (["draft", "--chanel", "can0", "--out", "a.toml"], "did you mean --channel?"),
        (["desk", "a.toml", "b.toml"], "'b.toml' is not known here"),
    ],
)
def test_an_option_is_taken_in_full_only(
    arguments: Sequence[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half a word is refused, and the nearest option is named, with the usage of its command."""
    with pytest.raises(SystemExit) as error:
        main(arguments)

    assert error.value.code == 2
    told = capsys.readouterr().err
    assert says in told
    assert f"usage: hiltest {arguments[0]}" in told


@pytest.mark.parametrize(
    ("word", "says"),
    [
        ("acept", "no command 'acept'; did you mean 'accept'? There are: accept,"),
        ("zzz", "'zzz'. There are:"),
    ],
)
def test_a_command_that_is_not_there_names_the_nearest(
    word: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """And all that there are."""
    with pytest.raises(SystemExit) as error:
        main([word, "--simulate"])

    assert error.value.code == 2
    assert says in capsys.readouterr().err


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]) -> None:
    """For whoever reports what they saw."""
    with pytest.raises(SystemExit) as ended:
        main(["--version"])

    assert ended.value.code == 0
    assert capsys.readouterr().out == f"hiltest {version('hiltest')}\n"


def test_a_group_is_explained_and_taken_whole(glue_head: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A newcomer who does not know the names of checks says heat."""
    assert main(["explain", "heat"]) == 0
    told = capsys.readouterr().out
    assert [spec.name for spec in checks() if spec.group == "heat" and spec.name not in told] == []
    assert "CAUTION" in told

    settings = Settings(file=glue_head, simulate=True, only=("sense",))
    names = [bound.name for bound in Run(settings, load(settings)).chosen()]
    assert [name for name in names if name.startswith("sense.")] == [
        "sense.supply[head]",
        "sense.ambient[reservoir]",
        "sense.ambient[board]",
    ]


@pytest.mark.parametrize(("name", "text"), [("checks", "purpose"), ("faults", "about")])
def test_lists_are_one_a_line_or_json(name: str, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    """The name first, and the same names in the same order either way."""
    assert main([name]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert main([name, "--json"]) == 0
    rows = json.loads(capsys.readouterr().out)

    rest = lines.index("") if "" in lines else len(lines)
    assert [line.split()[0] for line in lines[:rest]] == [row["name"] for row in rows]
    assert len(rows) > 10
    assert all(row[text] for row in rows)


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("coil_opn", "'coil_open'"),
        ("coil_open[pomp]", "'pump'"),
        ("coil_open[pump]=7", "must be 0 to 1"),
    ],
)
def test_a_fault_that_can_not_be_is_refused_before_anything_is_begun(
    fault: str, says: str, glue_head: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One line, the nearest known name, exit code 2, and no run folder."""
    out = tmp_path / "runs"
    assert main(["accept", str(glue_head), "--simulate", "--fault", fault, "--out", str(out)]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert says in shown.err
    assert len(shown.err.splitlines()) == 1
    assert not out.exists()


def test_the_faults_stand_by_group_with_how_to_write_them(capsys: pytest.CaptureFixture[str]) -> None:
    """What a fault hits and the value it has without one stand beside its name."""
    main(["faults", "--json"])
    groups = [row["group"] for row in json.loads(capsys.readouterr().out)]
    assert groups == sorted(groups)
    main(["faults"])
    said = capsys.readouterr().out
    line = next(each for each in said.splitlines() if each.startswith("heater_weak "))
    assert line.split()[1] == "[heater]=2"
    listed, _, not_found = said.partition("No check finds these on a whole board:")
    assert "heater_weak" in listed
    for each in UNSEEN:
        assert f"{each.fault}\n  why: {each.reason}\n  by hand: {each.by_hand}" in not_found


def test_the_checks_stand_in_running_order(capsys: pytest.CaptureFixture[str]) -> None:
    """By rising risk: the desk first, the drills last."""
    main(["checks", "--json"])

    listed = [row["name"] for row in json.loads(capsys.readouterr().out)]
    assert listed == [spec.name for spec in checks()]
    assert listed[0].startswith("desk.")
    assert listed[-1].startswith("safe.")


@pytest.mark.parametrize("spec", checks(), ids=lambda spec: spec.name)
def test_every_check_explains_itself(spec, capsys: pytest.CaptureFixture[str]) -> None:
    """Purpose, hazard, limits with their source, and causes in the order to look."""
    assert main(["explain", spec.name]) == 0

    page = "".join(capsys.readouterr().out.split())  # whatever the line breaks
    for part in (
        spec.page.purpose,
        spec.page.hazard,
        spec.page.method,
        *spec.page.causes,
        *spec.page.limits[0],
    ):
        assert "".join(spoken(part).split()) in page


def test_a_part_in_brackets_is_explained_too(capsys: pytest.CaptureFixture[str]) -> None:
    """As it stands in the table of a run."""
    assert main(["explain", "heat.pulse[reservoir]"]) == 0
    assert capsys.readouterr().out.startswith("heat.pulse\n")


def test_an_unknown_check_is_2_with_the_nearest_name(capsys: pytest.CaptureFixture[str]) -> None:
    """On standard error."""
    for name in ("heat.puls", "HEAT.PULSE"):
        assert main(["explain", name]) == 2
        assert "did you mean 'heat.pulse'?" in capsys.readouterr().err


def test_explain_without_a_check_says_where_they_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """Exit code 2."""
    assert main(["explain"]) == 2
    assert "`hiltest checks` lists them" in capsys.readouterr().err


def test_the_schema_describes_the_scenarios(capsys: pytest.CaptureFixture[str], fixtures_dir: Path) -> None:
    """It is a JSON Schema by jsonschema's own check."""
    import tomllib

    assert main(["schema"]) == 0
    schema = json.loads(capsys.readouterr().out)

    jsonschema.validators.validator_for(schema).check_schema(schema)
    jsonschema.validate(tomllib.loads((fixtures_dir / "glue_head.toml").read_text()), schema)


# --- scenarios ------------------------------------------------------------------------------------------


def test_the_scenarios_are_listed(capsys: pytest.CaptureFixture[str]) -> None:
    """One a line."""
    assert main(["example"]) == 0
    assert capsys.readouterr().out.split() == names()


@pytest.mark.parametrize("name", names())
def test_a_scenario_is_written_whole_and_passes_its_desk_checks(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """With every file that it names, to a folder that was not there."""
    folder = tmp_path / "my" / "bench"

    assert main(["example", name, "--out", str(folder)]) == 0
    written = capsys.readouterr().out.split()

    assert sorted(written) == sorted(str(path) for path in folder.iterdir())
    assert main(["desk", str(folder / f"{name}.toml")]) == 0


def test_a_scenario_overwrites_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One file in the way is enough: nothing is written, and what was there stays."""
    mine = tmp_path / "glue_head.eds"
    mine.write_text("mine")

    assert main(["example", "glue_head", "--out", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["glue_head.eds"]
    assert mine.read_text() == "mine"


def test_an_unknown_scenario_is_2_with_the_nearest_name(capsys: pytest.CaptureFixture[str]) -> None:
    """And with all that there are."""
    assert main(["example", "glue_haed"]) == 2
    assert "did you mean 'glue_head'?" in capsys.readouterr().err


def test_a_folder_that_can_not_be_made_is_2(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A file stands where the folder should be."""
    (tmp_path / "file").write_text("")

    assert main(["example", "glue_head", "--out", str(tmp_path / "file" / "x")]) == 2
    assert str(tmp_path / "file") in capsys.readouterr().err


# --- files that are wrong -------------------------------------------------------------------------------


@pytest.mark.parametrize("words", [("accept",), ("accept", "--simulate", "--json"), ("desk",), ("bench",)])
def test_a_wrong_file_is_2_with_all_its_problems(
    words: Sequence[str], glue_head: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """All at once, on standard error, with file, line and key; nothing is run and no folder is made."""
    with_text(glue_head, ("voltage_v = 24.0", "volts = 24.0"), ("node_id = 5\n", "node_id = 500\n"))
    out = ["--out", str(tmp_path / "runs")] if words[0] == "accept" else []

    assert main([words[0], str(glue_head), *words[1:], *out]) == 2
    captured = capsys.readouterr()

    assert captured.out == ""
    assert f"{glue_head}:" in captured.err
    assert [key for key in ("supply.volts", "voltage_v", "node_id") if key not in captured.err] == []
    assert not (tmp_path / "runs").exists()


def test_a_file_that_is_not_there_is_2(capsys: pytest.CaptureFixture[str]) -> None:
    """With its name."""
    assert main(["accept", "nowhere.toml", "--simulate"]) == 2
    assert "nowhere.toml" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--fault", "heater_open"], "add --simulate"),
        (["--seed", "3"], "add --simulate"),
        (["--simulate", "--fault", "heater_opn"], "heater_open"),
        (["--simulate", "--only", "heat.puls"], "did you mean 'heat.pulse'?"),
        (["--simulate", "--only", "fan.tach[left]"], "fan.tach[nozzle]"),
        (["--simulate", "--only", "fan[nozzle]"], "of which there is: fan.tach[nozzle]"),
        (["--simulate", "--only", "heet"], "did you mean 'heat'?"),
        (["--simulate", "--seed", "-1"], "seed"),
        (["--simulate", "--answers", "nowhere.toml", "--only", "cold.pair"], "nowhere.toml"),
    ],
)
def test_what_accept_can_not_use_is_2(
    arguments: Sequence[str], says: str, glue_head: Path, capsys: pytest.CaptureFixture[str], runs_dir: Path
) -> None:
    """Each with what to do."""
    assert main(["accept", str(glue_head), "--out", str(runs_dir), *arguments]) == 2
    assert says in capsys.readouterr().err


def test_a_fault_of_a_part_that_is_not_there_is_2_at_once(
    glue_head: Path, fixtures_dir: Path, runs_dir: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Also one that would come later: one line, and nothing is begun."""
    vent = fixtures_dir / "vent_actuator.toml"
    assert (
        main(["accept", str(vent), "--simulate", "--fault", "console_mute@60", "--out", str(runs_dir)]) == 2
    )

    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.startswith("hiltest: fault console_mute")
    assert captured.err.count("\n") == 1
    assert list(runs_dir.iterdir()) == []


def test_an_adapter_family_that_is_none_is_2(glue_head: Path, runs_dir: Path) -> None:
    """It is the file that is wrong, not the bench that is missing."""
    with_text(glue_head, ('interface = "socketcan"', 'interface = "socketcn"'))

    done = command("accept", glue_head, "--out", runs_dir)

    assert done.returncode == 2, done.stdout
    assert "did you mean 'socketcan'?" in done.stdout


# --- the bench ------------------------------------------------------------------------------------------


def test_a_bench_that_can_not_be_opened_is_3(glue_head: Path, runs_dir: Path) -> None:
    """A serial adapter that is not there: said once, every other check waits, the run folder is complete."""
    with_text(
        glue_head,
        ('interface = "socketcan"', 'interface = "slcan"'),
        ('channel = "can0"', 'channel = "/dev/ttyNONE"'),
    )

    done = command("accept", glue_head, "--out", runs_dir)

    assert done.returncode == 3, done.stdout
    assert done.stderr == ""
    assert "Is the adapter plugged in, the path right" in done.stdout
    (folder,) = runs_dir.iterdir()
    record = read_run(folder)
    outcomes = [check.outcome for check in record.checks]
    assert record.verdict == "incomplete"
    assert "/dev/ttyNONE" in record.verdict_reason
    assert outcomes.count("error") == 1
    assert {check.outcome for check in record.checks if check.name.startswith("desk.")} == {"passed"}
    assert (folder / "report.html").exists()
    assert (folder / "junit.xml").exists()


def test_json_is_run_json_to_the_byte(glue_head: Path, runs_dir: Path) -> None:
    """And nothing else on either stream; the exit code is the verdict's."""
    done = command("accept", glue_head, "--simulate", "--json", "--out", runs_dir, "--only", "bus.quiet")

    (folder,) = runs_dir.iterdir()
    assert done.returncode == 4
    assert done.stdout == (folder / "run.json").read_text()
    assert done.stderr == ""
    assert json.loads(done.stdout)["verdict"] == "incomplete"


def test_a_failed_check_is_1_and_json_says_which(glue_head: Path, runs_dir: Path) -> None:
    """What a person at the bench would find in the table."""
    words = ("--fault", "sensor_open[board]", "--only", "sense.ambient[board]")
    done = command("accept", glue_head, "--simulate", *words, "--json", "--out", runs_dir)

    record = json.loads(done.stdout)
    assert done.returncode == 1
    assert record["verdict"] == "rejected"
    assert record["faults"] == ["sensor_open[board]"]
    failed = [check["name"] for check in record["checks"] if check["outcome"] == "failed"]
    assert set(failed) <= {"cold.sensor[board]", "sense.ambient[board]"}
    assert failed


def test_the_users_own_pytest_settings_change_nothing(
    glue_head: Path, runs_dir: Path, monkeypatch, tmp_path: Path
) -> None:
    """Neither an ini file and a conftest.py in the folder, nor options and plugins in the environment."""
    (tmp_path / "pytest.ini").write_text("[pytest]\naddopts = --nonsense\n")
    (tmp_path / "conftest.py").write_text("raise RuntimeError\n")
    monkeypatch.setenv("PYTEST_ADDOPTS", "--nonsense")
    monkeypatch.setenv("PYTEST_PLUGINS", "nonsense")
    monkeypatch.setenv("PYTEST_DISABLE_PLUGIN_AUTOLOAD", "1")

    done = command("accept", glue_head, "--simulate", "--out", runs_dir, "--only", "bus.quiet", cwd=tmp_path)

    assert (done.returncode, done.stderr) == (4, "")
    assert "bus.quiet[can]: passed" in done.stdout


def test_one_bus_is_used_by_one_run(glue_head: Path, runs_dir: Path) -> None:
    """A second run on the same adapter is refused before it opens anything."""
    from hiltest.claim import Claim

    with_text(glue_head, ('channel = "can0"', 'channel = "vcan-claimed"'))
    claim = Claim("can", "socketcan", "vcan-claimed")
    done = command("accept", glue_head, "--out", runs_dir)
    claim.release()

    assert done.returncode == 3
    assert "in use by another run of hiltest" in done.stdout


def test_desk_needs_no_bench_and_finds_what_paper_shows(glue_head: Path) -> None:
    """0 as it stands, 1 with a pair that is too thin; every value and its limit is printed."""
    good = command("desk", glue_head)
    with_text(glue_head, ("power_awg = 20", "power_awg = 30"))
    thin = command("desk", glue_head)
    as_json = command("desk", glue_head, "--json")

    assert (good.returncode, thin.returncode, as_json.returncode) == (0, 1, 1)
    assert "desk.power_pair[head]: drop of the power pair at 60 °C: 1.8" in good.stdout
    assert "desk.power_pair[head]: failed" in thin.stdout
    rows = {check["name"]: check["outcome"] for check in json.loads(as_json.stdout)["checks"]}
    assert rows["desk.power_pair[head]"] == "failed"
    assert all(name.startswith("desk.") for name in rows)


def test_the_report_of_a_run_is_drawn_again(glue_head: Path, runs_dir: Path, capsys) -> None:
    """Its path is printed; a folder that is no run folder is 2."""
    command("accept", glue_head, "--simulate", "--out", runs_dir, "--only", "bus.quiet")
    (folder,) = runs_dir.iterdir()
    before = (folder / "report.html").read_text()
    (folder / "report.html").unlink()

    assert main(["report", str(folder)]) == 0
    assert capsys.readouterr().out.strip() == str(folder / "report.html")
    assert (folder / "report.html").read_text() == before
    assert main(["report", str(runs_dir)]) == 2
    assert "run folder" in capsys.readouterr().err


def test_bench_tells_its_doors_and_ends_on_sigterm(glue_head: Path) -> None:
    """One `name: place` a line, then ready; what is told last is which outputs are on."""
    words = [sys.executable, "-m", "hiltest.cli", "bench", str(glue_head), "--show-outputs"]
    with subprocess.Popen(words, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        lines = list(iter(lambda: process.stdout.readline().strip(), "ready"))
        exist = [os.path.exists(line.partition(": ")[2]) for line in lines[:2]]  # noqa: PTH110
        process.send_signal(signal.SIGTERM)
        code = process.wait(20)

    assert [line.partition(": ")[0] for line in lines[:2]] == ["adapter", "console"]
    assert exist == [True, True]
    assert code == 0


def test_a_reader_that_has_seen_enough_is_no_error() -> None:
    """`hiltest schema | head -1` ends without a complaint."""
    done = subprocess.run(
        f"{sys.executable} -m hiltest.cli schema | head -c 10; exit ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )

    assert (done.returncode, done.stderr, len(done.stdout)) == (0, "", 10)


@pytest.mark.parametrize("more", [(), ("--json",)], ids=["lines", "json"])
def test_a_reader_that_leaves_changes_no_verdict(
    glue_head: Path, runs_dir: Path, more: tuple[str, ...]
) -> None:
    """`hiltest accept | head` of a bad unit is never 0: the run goes on unseen and its records are complete."""
    words = ["accept", glue_head, "--simulate", "--fault", "heater_open", "--only", "cold.heater", *more]
    accept = shlex.join([sys.executable, "-m", "hiltest.cli", *map(str, words), "--out", str(runs_dir)])
    done = subprocess.run(
        f"{accept} | head -c 1; exit ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )

    assert (done.returncode, done.stderr, len(done.stdout)) == (1, "", 1)
    (folder,) = runs_dir.iterdir()
    assert read_run(folder).verdict == "rejected"
    assert (folder / "run.json").exists()
    assert (folder / "report.html").exists()


def test_a_place_where_nothing_can_be_kept_is_told_before_anything_is_run(
    glue_head: Path, tmp_path: Path
) -> None:
    """No unit is heated for a run that leaves no evidence."""
    (tmp_path / "taken").write_text("a file")
    done = command("accept", glue_head, "--simulate", "--out", tmp_path / "taken" / "runs")

    assert (done.returncode, done.stdout) == (2, "")
    assert "give --out a writable folder" in done.stderr
