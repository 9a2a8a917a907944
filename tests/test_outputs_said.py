"""What a run that is ended says about its outputs: nothing that is not so, since a hand follows it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from hiltest.errors import NoAnswer
from hiltest.judging import NOTHING_SENT
from hiltest.session import Run, load
from hiltest.settings import Settings

RELEASED = "a test of what is said about the outputs"


@pytest.fixture
def run(glue_head: Path) -> Run:
    settings = Settings(file=glue_head, simulate=True, seed=1, release=RELEASED)
    return Run(settings, load(settings))


def raises(error: BaseException) -> Any:
    def raiser(*_: Any, **__: Any) -> None:
        raise error

    return raiser


def ended(run: Run) -> str:
    run.ended = "interrupted"
    return run.close().verdict_reason


def test_between_checks_what_was_not_confirmed_is_not_forgotten(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The all-off of the end asks nobody, since nothing was used since: it takes nothing back."""
    run.begin("own.heat", "head", None)
    node: Any = run.node("head")
    node.set_heater_c("reservoir", 30.0)
    with monkeypatch.context() as patch:
        patch.setattr(node._driver, "read_heater_output", raises(NoAnswer("head", "its output", 0.3)))
        run.conclude(None)
    assert run.stopped_by == "own.heat"
    run.begin("own.nothing", "head", None)
    run.conclude(None)
    told = ended(run)
    assert "not confirmed: heater 'reservoir'" in told
    assert "after own.heat heater 'reservoir' was commanded off and nobody could see that it is" in told
    assert "CUT THE SUPPLY: nothing more was switched on" in told


@pytest.mark.parametrize("broken", [RuntimeError("driver broke"), False])
def test_a_node_that_no_command_reached_is_named(
    run: Run, monkeypatch: pytest.MonkeyPatch, broken: Exception | bool
) -> None:
    """Whether its driver fails, or the adapter takes nothing: it is not said that every output was commanded off."""
    run.begin("own.fan", "head", None)
    node: Any = run.node("head")
    node.set_fan("nozzle", 0.5)
    with monkeypatch.context() as patch:
        patch.setattr(
            node._driver, "stop_all", raises(broken) if isinstance(broken, Exception) else lambda: broken
        )
        result = run.conclude(KeyboardInterrupt())
    assert "NOT every output was commanded off, cut the supply: node 'head'" in result.reason
    assert any("NOT COMMANDED OFF" in note for note in result.notes)
    assert "NOT every output" in ended(run)


def test_before_a_word_was_sent_the_power_may_be_on(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever was asked to switch it on may have: a heater whose switch is stuck is on then."""
    run.begin("own.power", "head", None)
    monkeypatch.setattr(run.operator(), "ask", raises(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        run.power().on()
    result = run.conclude(KeyboardInterrupt())
    assert "asked to switch the power on" in result.reason
    assert "Switch the power off" in ended(run)


def test_before_a_word_was_sent_and_without_power_nothing_is_on(run: Run) -> None:
    """Where nobody switched anything on, it says so."""
    run.begin("own.nothing", "head", None)
    assert NOTHING_SENT in run.conclude(KeyboardInterrupt()).reason
    assert NOTHING_SENT in ended(run)
