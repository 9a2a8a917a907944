"""The bus checks on healthy and on odd benches: what they measure, and when they belong to the catalogue."""

from __future__ import annotations

from collections import Counter
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue import _bus, _load, _margin, _underload
from hiltest.catalogue import bus as bus_checks
from hiltest.catalogue.registry import bind_all
from hiltest.clock import SimulatedClock
from hiltest.description.loading import load_text
from hiltest.errors import NotObservable
from hiltest.evidence.model import CheckResult
from hiltest.measure import Measure
from hiltest.simbench.firmware import Firmware

from .boards import ALONE, accept
from .bus_faults import (
    ADAPTER,
    ENUMERATE,
    HEARTBEAT,
    LATENCY,
    LOAD,
    MARGIN,
    QUIET,
    RECOVERY,
    SHORT,
    WITH_LOADS,
    Row,
    run_row,
    with_tests,
)
from .files import FIXTURES, edited
from .paper import GLUE_HEAD, Nobody


def names(text: str) -> set[str]:
    return {bound.name for bound in bind_all(load_text(text, FIXTURES).description)}


def run(name: str, *faults: str, edit: tuple[tuple[str, str], ...] = ()) -> CheckResult:
    return run_row(Row(" ".join(faults), name, edit=edit))[1]


def found(check: CheckResult, name: str) -> Any:
    return next(each for each in check.measurements if each.name == name)


def test_what_stresses_the_bus_belongs_only_where_it_is_asked_for() -> None:
    """A healthy unit on an adapter that can't do it is not incomplete for want of it."""
    assert not {RECOVERY, MARGIN} & names(GLUE_HEAD)
    both = GLUE_HEAD.replace(*with_tests("recovery_test = true", "margin_test = true")[0])
    assert {RECOVERY, MARGIN} <= names(both)


def test_a_board_without_loads_is_not_loaded_twice() -> None:
    """Where nothing can run, bus.with_loads does not belong to the catalogue."""
    bare = (
        GLUE_HEAD[: GLUE_HEAD.index("[[sensor]]")] + GLUE_HEAD[GLUE_HEAD.index("# --- the simulated bench") :]
    )
    assert LOAD in names(bare)
    assert WITH_LOADS not in names(bare)


def test_latency_says_which_stamps_it_used() -> None:
    """From handing over to the wire's stamp by default: the adapter's latency counts once; with an echo not at all."""
    handed = run(LATENCY)
    echoed = run(LATENCY, edit=(("[simulation]", ADAPTER.format("echo = true")),))
    assert "handing the request to the adapter" in handed.notes[0]
    assert "echo" in echoed.notes[0]
    assert found(handed, "stamp source").value == "simulated (taken at the wire)"
    middle = "answer, 50% within"
    assert found(handed, middle).value - found(echoed, middle).value == pytest.approx(
        0.0005 + 130e-6, abs=2e-4
    )
    assert "confidence" in found(handed, middle).note


def test_heartbeats_keep_their_curve() -> None:
    """40 periods of 0.1 s are watched; every gap is in the report's curve."""
    check = run(HEARTBEAT)
    assert check.outcome == "passed"
    assert 37 <= len(check.curves[0].values) <= 40
    assert found(check, "period, mean").value == pytest.approx(0.1, rel=0.01)


def test_everybody_comes_back_from_bus_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """A healthy node is driven into bus-off, as the bench's truth says, and returns by itself."""
    truth: list[str] = []

    real = Firmware.__init__

    def listening(self: Any, board: Any, *rest: Any, **more: Any) -> None:
        real(self, board, *rest, **more)
        board.controller.on_state(truth.append)

    monkeypatch.setattr(Firmware, "__init__", listening)
    check = run(RECOVERY, edit=with_tests("recovery_test = true"))
    assert check.outcome == "passed", check.reason
    assert "off" in truth
    assert found(check, "first sign of life of head afterwards").value < 1.0


RECOVER = (*with_tests("recovery_test = true"), *SHORT)


def test_a_bus_that_nobody_disturbed_has_not_recovered(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the disturbance does not reach the wire, nodes that are there show nothing, sound or not."""

    def wait(link: Any, _bus: Any, _measure: Any, for_s: float) -> float:
        link.run_for(for_s)
        return for_s

    monkeypatch.setattr(_margin, "_disturb", wait)
    check = run(RECOVERY, "stays_bus_off", edit=RECOVER)
    assert check.outcome == "not observable"
    assert "nobody shows that the frames on the bus were destroyed" in check.reason


def test_errors_after_bus_off_are_seen_by_the_node_where_the_adapter_is_blind() -> None:
    """The adapter's zero is no finding: the node's own count fails the check."""
    check = run(RECOVERY, "noise_bursts=200@8.05", "adapter_hides_errors", edit=RECOVER)
    assert check.outcome == "failed"
    assert "errors once all are back" in check.reason
    assert "nodes counted" in check.reason


def test_a_blind_adapter_is_not_judged_quiet() -> None:
    """Zero error reports of an adapter that tells nothing of itself is noted, and never green."""
    blind, seeing = (found(run(QUIET, fault), "error reports") for fault in ("adapter_hides_errors", ""))
    assert (blind.value, blind.verdict) == (0, "noted")
    assert "tells nothing of errors" in blind.note
    assert (seeing.value, seeing.verdict) == (0, "passed")


def test_the_margin_is_a_curve_over_the_sample_point() -> None:
    """On a sound short bus nothing goes wrong from 50 % to 90 % of the bit."""
    check = run(MARGIN, edit=with_tests("margin_test = true"))
    assert check.outcome == "passed"
    curve = check.curves[0]
    assert (curve.x_name, curve.x_unit) == ("sample point", "%")
    assert curve.t_s == [50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 85.0, 90.0]
    assert set(curve.values) == {0.0}
    assert curve.marks == {"nominal": 75.0}


def test_the_load_runs_again_with_everything_on() -> None:
    """Fans, heater and pump run meanwhile, and everything is off afterwards."""
    truth: dict[str, Any] = {}

    def look(run: Any) -> None:
        truth["on"] = run.opened().link.port.bus.bench.truth.outputs_on()

    record = accept(operator=False, before_close=look)
    check = next(each for each in record.checks if each.name == WITH_LOADS)
    assert check.outcome == "passed"
    told = found(check, "running meanwhile").value
    assert all(word in told for word in ("fan electronics", "fan nozzle", "heater reservoir", "stepper pump"))
    assert found(check, "bits on the bus").value > 500_000
    assert not truth["on"]


@pytest.mark.parametrize(("reached", "verdict"), [(0.44, "noted"), (0.46, "passed")])
def test_a_bus_hardly_loaded_beside_the_loads_is_not_observable(
    monkeypatch: pytest.MonkeyPatch, reached: float, verdict: str
) -> None:
    """As for bus.load: what was not loaded can't be green. 50 % are asked for, and nine tenths of it are enough."""
    result = _load.LoadResult(host_frames=1000, host_bits=130_000, seconds=1.0, utilisation=reached)
    monkeypatch.setattr(_underload, "test", lambda *_: result)
    made = load_text(GLUE_HEAD, FIXTURES)
    measure = Measure(WITH_LOADS, "bus[can]", made, SimulatedClock(), Nobody())
    measure.memory[_bus.observers_key("can")] = [_bus.ADAPTER]
    link: Any = None
    with nullcontext() if verdict == "passed" else pytest.raises(NotObservable, match="loaded to 44 % only"):
        bus_checks.test_with_loads(
            target=made.description.bus[0], link=link, nodes_on_bus=[], known_nodes=[], measure=measure
        )
    judged = next(each for each in measure.measurements if each.name == "utilisation achieved")
    assert judged.verdict == verdict


@pytest.mark.parametrize("motor_ran", [True, False])
def test_fans_alone_are_not_the_loads(motor_ran: bool) -> None:
    """Without heater and motor the bus was not looked at under load; with one of them it was, and what is left out is told."""
    made = load_text(GLUE_HEAD, FIXTURES)
    measure = Measure(WITH_LOADS, "bus[can]", made, SimulatedClock(), Nobody())
    measure.leave_out("heater reservoir: heat.low_setpoint[reservoir] has not passed", "not running")
    if not motor_ran:
        measure.leave_out("stepper pump: motion.return[pump] has not passed", "not running")
    with nullcontext() if motor_ran else pytest.raises(NotObservable, match="no heater and no motor ran"):
        _underload.require_loads(measure, made.description.bus[0])
    assert measure.left_out["heater reservoir"] == "heat.low_setpoint[reservoir] has not passed"


def test_loads_that_may_be_missing_are_not_waited_for() -> None:
    """A node that closes no loop and moves nothing far, as the description allows, is not held up by it for ever."""
    missing = 'may_be_missing = ["heat.low_setpoint", "motion.return[pump]"]'
    made = load_text(GLUE_HEAD.replace('name = "glue head"', f'name = "glue head"\n{missing}', 1), FIXTURES)
    measure = Measure(WITH_LOADS, "bus[can]", made, SimulatedClock(), Nobody())
    for line in ("heater reservoir: not offered", "stepper pump: not offered"):
        measure.leave_out(line, "not running")
    _underload.require_loads(measure, made.description.bus[0])
    assert len(measure.left_out) == 2


def test_a_bus_without_its_loads_is_not_green() -> None:
    """A wrong element keeps heater and motor off; the fans run, no error comes, and yet nothing was shown."""
    file = edited(FIXTURES / "glue_head.toml", *SHORT, ALONE)
    record = accept("heater_wrong_voltage", file=file, only=(WITH_LOADS,))
    check = next(each for each in record.checks if each.name == WITH_LOADS)
    assert check.outcome == "not observable"
    assert "fan nozzle" in str(found(check, "running meanwhile").value)


def test_errors_add_up() -> None:
    """Where nodes counted more than the adapter told, the kinds are of the adapter's count."""
    errors = _bus.Errors(count=3, by_kind=Counter(bit1=2, form=1))
    assert _load.who_told(errors, 0) == "bit1 2, form 1"
    assert _load.who_told(errors, 3) == "bit1 2, form 1, nodes counted 3"
    assert _load.who_told(errors, 4) == "the adapter told 3 (bit1 2, form 1), nodes counted 4"
    assert _load.who_told(_bus.Errors(), 4) == "nodes counted 4"


def test_asked_for_by_itself_it_takes_along_what_makes_its_loads_run() -> None:
    """It never passes idle: what it needs to switch a load on is run before it."""
    record = accept(operator=False, only=(WITH_LOADS,))
    found = {each.name: each for each in record.checks}
    assert found[WITH_LOADS].outcome == "passed"
    assert {found[name].outcome for name in ("fan.tach[nozzle]", "heat.pulse[reservoir]")} == {"passed"}
    running = next(each for each in found[WITH_LOADS].measurements if each.name == "running meanwhile")
    assert "fan nozzle" in str(running.value) or "heater reservoir" in str(running.value)


def test_emergency_messages_stand_in_the_records(tmp_path: Path) -> None:
    """A sensor that opens while the bus is looked at: its emergency is told in words, with time and check, in the check's
    notes, in run.json, and in the report's timeline.
    """
    from hiltest.evidence.codec import record_from_dict, record_to_dict
    from hiltest.evidence.report import render

    record = accept(
        "sensor_open[reservoir]@4.5", operator=False, only=("sense.ambient[reservoir]",), out=tmp_path
    )
    (report,) = [each for each in record.reports if "0x5030" in each.text]
    assert 4.5 <= report.t_s < 5.0
    assert (report.node, report.check.split(".")[0]) == ("head", "bus")
    assert "0x5030 (device hardware), register 0x09 (generic, temperature), maker's bytes 01" in report.text
    check = next(each for each in record.checks if each.name == report.check)
    assert any("0x5030 (device hardware)" in note for note in check.notes)
    again = record_from_dict(record_to_dict(record))
    assert again.reports == record.reports
    page = render(record, None)
    assert "What the nodes reported by themselves" in page
    assert "0x5030 (device hardware)" in page.split("What the nodes reported by themselves")[1]


def test_an_adapter_that_echoes_has_each_frame_counted_once(tmp_path: Path) -> None:
    """Own frames stand once in the log and once in the account of the run, whether the adapter gives them back or not."""
    frames = []
    for echo in ("false", "true"):
        file = edited(FIXTURES / "glue_head.toml", ALONE, more=f"\n[simulation.adapter]\necho = {echo}\n")
        record = accept(file=file, only=(ENUMERATE,), out=tmp_path)
        log = (max(tmp_path.iterdir()) / "bus.log").read_text(encoding="ascii")
        lines = [line for line in log.splitlines() if not line.split()[2].startswith("2000")]  # error frames
        assert len(lines) == record.bus_statistics["can"]["frames"]
        frames.append(sum(line.endswith("T") for line in lines))
    assert frames[0] == frames[1] > 0
