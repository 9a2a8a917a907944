"""The pytest plugin as its users meet it: each test writes a test file and runs pytest on it."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path

import pytest

import hiltest.evidence.runfolder
import hiltest.node.canopen
import hiltest.session
import hiltest.simbench.doors.inprocess  # noqa: F401 - see below
from hiltest import cautions
from hiltest.catalogue.registry import checks
from hiltest.plugin import FIXTURES

pytest_plugins = ["pytester"]

# A run inside this process forgets afterwards what it imported, and numpy can't be imported twice: so all of it is
# here before the first run.
checks()

Run = Callable[..., pytest.RunResult]


@pytest.fixture
def run(pytester: pytest.Pytester, glue_head: Path) -> Run:
    """Run pytest on a test file, with the glue head on the simulated bench unless told otherwise."""

    def run_it(source: str = "", *arguments: str, hil: bool = True, apart: bool = False) -> pytest.RunResult:
        if source:
            pytester.makepyfile(test_own=source)
        bench = ["--hil", str(glue_head), "--hil-simulate"] if hil else []
        start = pytester.runpytest_subprocess if apart else pytester.runpytest_inprocess
        # hypothesis imports itself anew in each run inside this process, which costs seconds and is not the point.
        quiet = ("-p", "no:cacheprovider", "-p", "no:hypothesispytest")
        return start(*quiet, "--rootdir=.", *bench, *arguments)

    return run_it


def said(result: pytest.RunResult) -> str:
    """What pytest printed."""
    return result.stdout.str() + result.stderr.str()


def record_in(runs: Path) -> dict:
    """run.json of the only run in `runs`."""
    (folder,) = runs.iterdir()
    return json.loads((folder / "run.json").read_text())


# --- without a description ------------------------------------------------------------------------------


@pytest.mark.parametrize("name", FIXTURES)
def test_a_fixture_without_a_description_names_the_option_to_give(run: Run, name: str) -> None:
    """The test that asked for it fails at once, with the fixture's name and the option, and without a traceback."""
    result = run(f"def test_it({name}): pass", hil=False)

    result.assert_outcomes(errors=1)
    assert f"the fixture {name!r} needs a fixture description: run pytest with --hil FILE" in said(result)
    assert "plugin.py" not in said(result)


def test_the_catalogue_without_a_description_says_so(run: Run) -> None:
    """Collecting it fails with a sentence, not with a traceback."""
    result = run("", "--pyargs", "hiltest.catalogue", hil=False)

    assert result.ret == pytest.ExitCode.INTERRUPTED
    assert "the catalogue needs a fixture description: run pytest with --hil FILE" in said(result)
    assert "Traceback" not in said(result)


def test_a_plain_session_is_left_alone(run: Run) -> None:
    """No header, no summary, no changed exit code where hiltest is installed and not used."""
    result = run("def test_it(): pass", hil=False)

    result.assert_outcomes(passed=1)
    assert result.ret == 0
    assert "hil" not in said(result).replace("hiltest", "").replace(str(Path.cwd()), "")
    assert "verdict" not in said(result)


# --- settings -------------------------------------------------------------------------------------------


def test_an_option_wins_over_the_ini_value_and_the_header_shows_what_is_in_force(
    run: Run, pytester: pytest.Pytester, glue_head: Path
) -> None:
    """Each setting stands in the ini file; the unit is given on the command line too. Paths are the ini file's."""
    glue_head.rename(pytester.path / "head.toml")
    glue_head.with_suffix(".eds").rename(pytester.path / "glue_head.eds")
    pytester.makeini("[pytest]\nhil = head.toml\nhil_simulate = true\nhil_unit = FROM_INI\nhil_seed = 7\n")

    result = run("def test_it(description): assert description.fixture.name", "--hil-unit", "SN7", hil=False)

    result.assert_outcomes(passed=1)
    result.stdout.fnmatch_lines(["hil: file=*head.toml bench=simulated unit=SN7 seed=7"])


def test_a_file_that_is_not_there_is_told_before_anything_is_collected(run: Run) -> None:
    """A usage error, with the path; no traceback and no test."""
    result = run("def test_it(): pass", "--hil", "nowhere.toml", hil=False)

    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "nowhere.toml" in said(result)
    assert "Traceback" not in said(result)
    assert "passed" not in said(result)


def test_a_wrong_file_is_told_with_every_problem(run: Run, glue_head: Path) -> None:
    """Line, key and what was expected, for each of them."""
    text = glue_head.read_text()
    glue_head.write_text(
        text.replace("voltage_v = 24.0", "volts = 24.0").replace("node_id = 5", "node_id = 500")
    )

    result = run("def test_it(): pass")

    assert result.ret == pytest.ExitCode.USAGE_ERROR
    assert "supply.volts" in said(result)
    assert "voltage_v" in said(result)
    assert "node_id" in said(result)


# --- the catalogue under plain pytest -------------------------------------------------------------------


def test_only_brings_along_what_its_gates_need(run: Run) -> None:
    """In running order, and nothing else."""
    result = run(
        "", "--pyargs", "hiltest.catalogue", "--hil-only", "sense.ambient[board]", "--collect-only", "-q"
    )

    names = [line.split("::")[1] for line in result.outlines if "::" in line]
    assert names[-1] == "test_ambient[board]"
    assert "test_quiet[can]" in names
    assert names.index("test_quiet[can]") < names.index("test_enumerate[head]")
    assert not [name for name in names if name.startswith(("test_pulse", "test_tach", "test_direction"))]


def test_an_unknown_check_is_a_usage_error_with_the_nearest_name(run: Run) -> None:
    """Also where the check is known and the part is not."""
    wrong = run("", "--pyargs", "hiltest.catalogue", "--hil-only", "heat.low_setpiont")
    no_part = run("", "--pyargs", "hiltest.catalogue", "--hil-only", "fan.tach[left]")

    assert wrong.ret == no_part.ret == pytest.ExitCode.USAGE_ERROR
    assert "did you mean 'heat.low_setpoint'?" in said(wrong)
    assert "fan.tach[nozzle]" in said(no_part)


def test_k_finds_a_check_by_its_name_and_its_gates_are_missed(run: Run) -> None:
    """What -k leaves out has not passed: the check is skipped, says which gate, and the session is not green."""
    result = run("", "--pyargs", "hiltest.catalogue", "-k", "fan.tach", "-rs")

    assert result.ret == pytest.ExitCode.TESTS_FAILED
    result.assert_outcomes(skipped=2, deselected=result.parseoutcomes()["deselected"])
    assert "gate: bus.enumerate[head] was not run" in said(result)
    assert "caution: " not in said(result), "nothing starts"


def test_collect_only_leaves_no_run_folder(run: Run, runs_dir: Path) -> None:
    """Nothing ran."""
    result = run("def test_it(node): pass", "--collect-only", "--hil-out", str(runs_dir))

    assert result.ret == 0
    assert list(runs_dir.iterdir()) == []
    assert "verdict" not in said(result)


def test_a_selected_part_of_the_catalogue_passes_but_is_no_verdict(run: Run, runs_dir: Path) -> None:
    """pytest's own exit code is 0, and the summary says that a verdict needs all checks; cautions come before what they are about."""
    only = ("bus.quiet", "fan.tach[electronics]")
    words = [word for name in only for word in ("--hil-only", name)]
    result = run("", "--pyargs", "hiltest.catalogue", *words, "--hil-out", str(runs_dir), "-v")
    printed = said(result)

    assert result.ret == 0
    result.stdout.fnmatch_lines(
        ["verdict: incomplete, on the simulated bench.*checks were selected, a verdict needs all"]
    )
    assert record_in(runs_dir)["verdict"] == "incomplete"
    assert printed.index(f"caution: {cautions.GENERAL}") < printed.index("test_quiet[can]")
    assert printed.index(f"caution: {cautions.BY_GROUP['fan']}") < printed.index("test_tach[electronics]")
    assert printed.count("caution: ") == 2


def test_junitxml_holds_the_measurements_as_properties(run: Run, pytester: pytest.Pytester) -> None:
    """Those of the catalogue and of one's own tests, with their units."""
    source = 'def test_it(measure): measure("length", 3.5, "mm", low=3, high=4)'

    run(
        source,
        "test_own.py",
        "--pyargs",
        "hiltest.catalogue",
        "--hil-only",
        "bus.quiet",
        "--junitxml",
        "out.xml",
    )

    cases = {case.get("name"): case for case in ET.parse(pytester.path / "out.xml").iter("testcase")}
    found = {
        name: {p.get("name"): p.get("value") for p in case.iter("property")} for name, case in cases.items()
    }
    assert found["test_it"] == {"length [mm]": "3.5"}
    assert found["test_quiet[can]"]["error reports [errors]"] == "0"


# --- one's own tests ------------------------------------------------------------------------------------


def test_every_fixture_serves_a_test_of_ones_own(run: Run, pytester: pytest.Pytester, runs_dir: Path) -> None:
    """Verbs, a python-can bus, the console, questions, the clock: all on the simulated bench, in one session."""
    answers = pytester.makefile(".toml", answers='"ready" = true\n')
    source = """
        import can

        def test_node(node, measure, bench_clock, link):
            start_s = bench_clock.now_s
            link.run_for(2.0)
            assert bench_clock.now_s - start_s > 1.999
            measure("board", node.read_temperature_c("board"), "degC", low=10, high=40)

        def test_bus(can_bus):
            assert isinstance(can_bus, can.BusABC)
            can_bus.send(can.Message(arbitration_id=0x605, data=bytes.fromhex("4018100200000000"), is_extended_id=False))
            answers = iter(lambda: can_bus.recv(1.0), None)
            answer = next(a for a in answers if a.arbitration_id == 0x585 and a.data[1:4] == b"\\x18\\x10\\x02")
            assert answer.data[4:] == (0x00474C31).to_bytes(4, "little")

        def test_console(serial_console):
            assert any("1.4.0" in line for line in serial_console.read_version())

        def test_operator(operator):
            assert operator.ask("ready", "Ready?") is True

        def test_description(description):
            assert description.fixture.name == "glue head"
    """
    result = run(source, "--hil-answers", str(answers), "--hil-out", str(runs_dir))

    result.assert_outcomes(passed=5)
    assert result.ret == 0, "tests of one's own that pass leave a green session"
    checks = {check["name"]: check["outcome"] for check in record_in(runs_dir)["checks"]}
    assert checks["test_own.py::test_node"] == "passed"
    result.stdout.fnmatch_lines(
        ["own tests: * passed; no check of the catalogue was run, so this accepts no board"]
    )


def test_nothing_is_energised_before_the_gates_passed(run: Run) -> None:
    """In a session of one's own tests no gate has: the verb refuses, names the checks, and the option to give."""
    result = run('def test_it(node): node.set_fan("nozzle", 0.5)')

    result.assert_outcomes(failed=1)
    assert (
        "set_fan on 'nozzle' was refused: cold.power_on[can], bus.quiet[can], bus.enumerate[head], bus.observer[can]"
        in said(result)
    )
    assert '--hil-release "why"' in said(result)


def test_gates_are_released_for_a_reason_and_the_records_show_it(run: Run, runs_dir: Path) -> None:
    """The fan turns, is off again for the next test, and header, record and report hold the reason."""
    source = """
        def test_it_turns(node, link):
            node.set_fan("nozzle", 0.5)
            link.run_for(5.0)
            assert node.read_tach_hz("nozzle") > 50

        def test_it_is_off_again(node, link):
            link.run_for(20.0)
            assert node.read_tach_hz("nozzle") == 0
    """
    result = run(source, "--hil-release", "fan duct is guarded", "--hil-out", str(runs_dir))

    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(["hil: * gates released: fan duct is guarded"])
    notes = [note for check in record_in(runs_dir)["checks"] for note in check["notes"]]
    assert sum("fan duct is guarded" in note for note in notes) == 2
    assert "fan duct is guarded" in next(runs_dir.glob("*/report.html")).read_text()


def test_a_ceiling_holds_even_with_the_gates_released(run: Run) -> None:
    """A setpoint above it never leaves the host."""
    result = run('def test_it(node): node.set_heater_c("reservoir", 260.0)', "--hil-release", "trying")

    result.assert_outcomes(failed=1)
    assert "above its ceiling_c=210" in said(result)


def test_a_failed_measurement_shows_value_and_limits_and_no_traceback(run: Run) -> None:
    """One line with what was found and what was expected is all that is needed."""
    source = """
        def test_it(measure):
            measure("length", 4.25, "mm", low=3, high=4)
            measure("width", 2.0, "mm", low=1, high=3)
    """
    result = run(source)

    result.assert_outcomes(failed=1)
    assert "length: 4.25 mm, allowed: 3 to 4 mm" in said(result)
    # pytest warns of a package that this process had imported before; that is not ours to say
    shown = re.split(" hiltest =| warnings summary =", said(result).split("FAILURES")[1])[0].splitlines()
    assert len(shown) == 4, shown  # the ends of two rules, the sentence, and what begins the next part
    assert "length" in shown[2]


def test_a_failed_assertion_of_ones_own_keeps_its_traceback(run: Run, runs_dir: Path) -> None:
    """pytest's view of the assertion stays, and the record says failed."""
    source = """
        def test_it(measure):
            length = 3
            assert length == 4
    """
    result = run(source, "--hil-out", str(runs_dir))

    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines([">*assert length == 4", "E*assert 3 == 4"])
    assert record_in(runs_dir)["checks"][0]["outcome"] == "failed"


@pytest.mark.parametrize(
    ("body", "outcome"),
    [
        ('pytest.fail("by hand")', "failed"),
        ('measure.fail("by hand")', "failed"),
        ('raise RuntimeError("by hand")', "error"),
        ('pytest.skip("by hand")', "not observable"),
        ('measure.not_observable("by hand")', "not observable"),
    ],
)
def test_each_way_to_end_a_test_reaches_the_records(
    run: Run, runs_dir: Path, body: str, outcome: str
) -> None:
    """With its reason; and none of them leaves a green session behind."""
    source = f"import pytest\ndef test_it(measure):\n    {body}\n"

    result = run(source, "--hil-out", str(runs_dir))

    (check,) = record_in(runs_dir)["checks"]
    assert result.ret == pytest.ExitCode.TESTS_FAILED
    assert check["outcome"] == outcome
    assert "by hand" in check["reason"]


def test_a_fixture_of_ones_own_that_fails_is_kept_too(run: Run, runs_dir: Path) -> None:
    """After `measure` was made, the test counts as begun: it ends as an error, outputs off."""
    source = """
        import pytest

        @pytest.fixture
        def broken(node):
            raise RuntimeError("no jig")

        def test_it(broken): pass
    """
    result = run(source, "--hil-out", str(runs_dir))

    result.assert_outcomes(errors=1)
    (check,) = record_in(runs_dir)["checks"]
    assert (check["outcome"], "no jig" in check["reason"]) == ("error", True)


def test_a_test_case_class_is_recorded(run: Run, runs_dir: Path) -> None:
    """unittest's classes are run another way; the guard and the records see them all the same."""
    source = """
        import unittest
        import pytest

        class TestIt(unittest.TestCase):
            @pytest.fixture(autouse=True)
            def _hil(self, measure):
                self.measure = measure

            def test_good(self):
                self.measure("length", 3.5, "mm", low=3, high=4)

            def test_bad(self):
                self.assertEqual(3, 4)
    """
    result = run(source, "--hil-out", str(runs_dir))

    result.assert_outcomes(passed=1, failed=1)
    found = {check["name"].split("::")[-1]: check["outcome"] for check in record_in(runs_dir)["checks"]}
    assert found == {"test_good": "passed", "test_bad": "failed"}


def test_x_stops_at_the_first_failure_with_complete_records(run: Run, runs_dir: Path) -> None:
    """The second test is not run; every file is there."""
    source = """
        def test_first(measure): measure("length", 5, "mm", high=4)
        def test_second(measure): pass
    """
    result = run(source, "-x", "--hil-out", str(runs_dir))

    result.assert_outcomes(failed=1)
    (folder,) = runs_dir.iterdir()
    assert {"run.json", "junit.xml", "report.html", "measurements.jsonl"} <= {
        p.name for p in folder.iterdir()
    }
    assert [check["name"] for check in record_in(runs_dir)["checks"]] == ["test_own.py::test_first"]


def test_the_marker_says_which_node_a_test_is_about(run: Run) -> None:
    """A name that is not in the description is told with those that are; a marker without a name too."""
    source = """
        import pytest

        @pytest.mark.hil_node("head")
        def test_right(node): assert node.name == "head"

        @pytest.mark.hil_node("tail")
        def test_wrong(node): pass

        @pytest.mark.hil_node
        def test_bare(node): pass
    """
    result = run(source, "--strict-markers")

    result.assert_outcomes(passed=1, errors=2)
    assert "no node 'tail' in the description; known: head" in said(result)
    assert "write the marker as hil_node('name')" in said(result)


def test_a_test_that_needs_a_check_runs_after_it_or_says_why_not(run: Run) -> None:
    """In one session with the catalogue: after the checks, and skipped with the state of what is missing."""
    source = """
        import pytest

        @pytest.mark.hil_needs("bus.enumerate[head]", "bus.quiet[can]")
        def test_fan(node, link):
            node.set_fan("nozzle", 0.5)
            link.run_for(5.0)
            assert node.read_tach_hz("nozzle") > 50

        @pytest.mark.hil_needs("heat.low_setpoint[reservoir]")
        def test_hot(node): assert False, "not reached"

        @pytest.mark.hil_needs("bus.enumarate[head]")
        def test_typo(node): assert False, "not reached"

        @pytest.mark.hil_bench("left")
        def test_elsewhere(node): assert False, "not reached"
    """
    only = ("--hil-only=bus.enumerate", "--hil-only=bus.quiet")
    result = run(source, "--pyargs", "hiltest.catalogue", "test_own.py", "--strict-markers", "-rs", *only)

    outcomes = result.parseoutcomes()
    assert (outcomes["skipped"], outcomes["errors"]) == (2, 1), said(result)
    assert "not run: gate: heat.low_setpoint[reservoir] was not run" in said(result)
    assert (
        "'bus.enumarate[head]' is no check of this description; did you mean 'bus.enumerate[head]'?"
        in said(result)
    )
    assert "for bench 'left'; this is 'glue_head'" in said(result)
    assert result.ret == pytest.ExitCode.TESTS_FAILED


def test_a_hook_makes_limits_tighter_and_never_wider(
    run: Run, runs_dir: Path, pytester: pytest.Pytester
) -> None:
    """Both limits of a call and of the hooks hold; the records say where the limit came from."""
    pytester.makeconftest(
        """
        def pytest_hil_limits(check, name, unit):
            assert check.endswith("test_it")
            return {"length": (None, 3.5), "width": (0.0, 99.0), "depth": (1.0, None)}.get(name)
        """
    )
    source = """
        def test_it(measure):
            measure("length", 3.7, "mm", low=3, high=4)
            measure("width", 5.0, "mm", low=1, high=3)
            measure("depth", 2.0, "mm")
            measure("height", 2.0, "mm")
    """
    result = run(source, "--hil-out", str(runs_dir))

    result.assert_outcomes(failed=1)
    (check,) = record_in(runs_dir)["checks"]
    found = {m["name"]: (m["low"], m["high"], m["verdict"], m["limit_source"]) for m in check["measurements"]}
    assert found == {
        "length": (3, 3.5, "failed", "hook"),
        "width": (1, 3, "failed", "test"),
        "depth": (1.0, None, "passed", "hook"),
        "height": (None, None, "noted", "none"),
    }
    assert "2 by a hook, 1 by the test itself" in next(runs_dir.glob("*/report.html")).read_text()


def test_a_hook_skips_a_check_with_its_reason(run: Run, pytester: pytest.Pytester) -> None:
    """It counts as not run: what it is a gate for is not run either."""
    pytester.makeconftest(
        """
        def pytest_hil_skip(check, target, description):
            if check == "bus.quiet[can]":
                assert target.bit_rate_bps == 1_000_000 and description.fixture.name == "glue head"
                return "the analyser is on this bus today"
        """
    )
    source = "def test_own(): pass"  # pytest reads the conftest.py beside what stands on its command line
    result = run(source, "--pyargs", "hiltest.catalogue", "test_own.py", "-rs", "--hil-only=bus.enumerate")

    assert "not run: the analyser is on this bus today" in said(result)
    assert "gate: bus.quiet[can] was not run" in said(result)
    assert result.ret == pytest.ExitCode.TESTS_FAILED


def test_a_raw_frame_is_followed_by_all_off(run: Run) -> None:
    """Whoever speaks through can_bus may have switched something on: the guard switches off after the test."""
    source = """
        import can

        def say(bus, can_id, text):
            bus.send(can.Message(arbitration_id=can_id, data=bytes.fromhex(text), is_extended_id=False))
            bus.recv(0.1)

        def test_on(can_bus, link):
            say(can_bus, 0x000, "0105")  # network management: operational
            say(can_bus, 0x605, "2B114101E8030000")  # analogue output 1, a fan
            say(can_bus, 0x605, "2B116401E8030000")
            link.run_for(1.0)
            assert "fan:electronics" in link.port.bus.bench.truth.outputs_on()

        def test_off_again(link):
            link.run_for(0.2)
            assert link.port.bus.bench.truth.outputs_on() == frozenset()
    """
    run(source).assert_outcomes(passed=2)


# --- what hangs -----------------------------------------------------------------------------------------

HANGS = """
    import time
    import pytest

    @pytest.mark.timeout(2, method="{method}", func_only=True)
    def test_it(node, link):
        node.set_heater_c("reservoir", 50.0)
        link.run_for(1.0)
        bench = link.port.bus.bench
        assert "heater:reservoir" in bench.truth.outputs_on()
        try:
            while True:
                time.sleep(0.01)
        finally:
            bench.run_for(0.05)
            print("ON AFTERWARDS:", sorted(bench.truth.outputs_on()))
"""


def test_the_guard_acts_before_a_time_out_ends_a_test(run: Run, runs_dir: Path) -> None:
    """A test that hangs in pure Python: the heater is commanded off while it still hangs."""
    result = run(
        HANGS.format(method="signal"), "--hil-release", "trying", "--hil-out", str(runs_dir), apart=True
    )

    result.assert_outcomes(failed=1)
    assert "ON AFTERWARDS: []" in said(result)
    assert "Timeout" in record_in(runs_dir)["checks"][0]["reason"]


def test_the_guard_acts_before_a_time_out_ends_the_process(
    run: Run, runs_dir: Path, pytester: pytest.Pytester
) -> None:
    """With the thread method nothing runs afterwards; the frames that switch off are the last in the bus log."""
    result = run(
        HANGS.format(method="thread"), "--hil-release", "trying", "--hil-out", str(runs_dir), apart=True
    )

    assert result.ret != 0
    (folder,) = runs_dir.iterdir()
    assert not (folder / "run.json").exists()
    assert "Timeout" in said(result)
    sent = [line.split()[2] for line in (folder / "bus.log").read_text().splitlines() if line.endswith(" T")]
    assert "000#8005" in sent[-8:], sent[-8:]
