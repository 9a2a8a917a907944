"""The error tree: who is to blame is the type, what happened is data, what to do is the text."""

from __future__ import annotations

import pickle

import pytest

from hiltest import errors
from hiltest.errors import (
    BenchError,
    DescriptionError,
    GateClosed,
    GuardTripped,
    HiltestError,
    NoAnswer,
    NodeFault,
    NotObservable,
    NotOffered,
    Problem,
    Refused,
    Unjudged,
    UsageError,
)

BRANCHES = (UsageError, BenchError, NodeFault, Unjudged)


def every_error() -> list[type[HiltestError]]:
    found = [value for value in vars(errors).values() if isinstance(value, type)]
    return [value for value in found if issubclass(value, HiltestError)]


@pytest.mark.parametrize("kind", every_error())
def test_every_error_is_in_exactly_one_branch(kind: type[HiltestError]) -> None:
    """A wrong call, a broken bench, a bad node and "no verdict" are never the same type."""
    branches = [branch for branch in BRANCHES if issubclass(kind, branch)]
    assert len(branches) == (0 if kind is HiltestError else 1)


@pytest.mark.parametrize("kind", every_error())
def test_every_error_is_drawn_in_the_tree(kind: type[HiltestError]) -> None:
    """The drawing at the top of the module names every error that there is."""
    assert f" {kind.__name__} " in f" {errors.__doc__} ".replace("\n", " ")


def test_errors_carry_their_data() -> None:
    """Programs read attributes and never the text."""
    refused = Refused("head", "a write", "value too high", 0x06090031)
    assert (refused.node, refused.code) == ("head", 0x06090031)
    assert "0x06090031" in str(refused)
    silent = NoAnswer("head", "a read of 0x1000:0", 0.3, "2 heartbeats")
    assert (silent.waited_s, silent.seen) == (0.3, "2 heartbeats")
    tripped = GuardTripped("too hot", 12.5)
    assert (tripped.reason, tripped.at_s) == ("too hot", 12.5)
    assert "t=12.500 s" in str(tripped)
    assert NotOffered("head", "set_lamp[status]").capability == "set_lamp[status]"


def test_a_closed_gate_says_what_to_run_first() -> None:
    """The message names the verb, the load and every check that is missing."""
    error = GateClosed("set_heater_c", "reservoir", ["heat.pulse[reservoir]", "bus.quiet[can]"])
    assert error.missing == ("heat.pulse[reservoir]", "bus.quiet[can]")
    assert all(part in str(error) for part in ("set_heater_c", "'reservoir'", "heat.pulse[reservoir]"))


def test_not_observable_says_what_would_do() -> None:
    """What is missing and what would help both stand in the text."""
    assert str(NotObservable("no meter", "a meter")) == "no meter; to observe it: a meter"
    assert str(NotObservable("no meter")) == "no meter"


def test_a_bad_description_lists_every_problem_with_its_place() -> None:
    """One error holds all problems, each with file, line, key, found, expected and a hint."""
    problems = [
        Problem("a.toml", "bus.bit_rate_bps", "'fast'", "a number", 7, "Write 500_000"),
        Problem("a.toml", "node.node_id", "200", "1..127"),
    ]
    error = DescriptionError(problems)
    assert error.problems == tuple(problems)
    text = str(error)
    assert text.startswith("2 problems")
    assert "a.toml:7: bus.bit_rate_bps: found 'fast', expected a number. Write 500_000" in text
    assert "a.toml: node.node_id: found 200, expected 1..127" in text
    assert str(DescriptionError(problems[:1])).startswith("1 problem in")


def test_problems_can_be_sent_to_another_process() -> None:
    """Problems are plain data: they survive pickling, as parallel test runs need it."""
    problem = Problem("a.toml", "node", "nothing", "a node")
    assert pickle.loads(pickle.dumps(problem)) == problem
