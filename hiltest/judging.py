"""How a check ended, from what it raised and measured; and where to look then."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from hiltest.errors import (
    BenchError,
    BenchLost,
    GuardTripped,
    HiltestError,
    NoAnswer,
    NodeFault,
    NotOffered,
    NotSent,
    Unjudged,
)
from hiltest.evidence.model import INTERRUPTED
from hiltest.measure import CheckFailed

if TYPE_CHECKING:
    from hiltest.evidence.model import CheckResult, Outcome
    from hiltest.measure import Measure

ANSWER_MISSING = (
    "an answer did not come, which says nothing about what was to be measured: look at the bus first (bus.load, "
    "bus.latency), then at what keeps the node busy"
)


ANSWER_RESTARTED = (
    "if it came as something was switched on, the supply breaks in and the node restarts: watch its voltage while the load "
    "comes on; a thin power pair, a bad contact, a missing capacitor"
)


class CheckOverran(BenchError):
    """A check took longer than its window of bench time."""


def outputs_in_words(
    used: bool, unverified: Sequence[str], error: BaseException | None, not_commanded: Sequence[str] = ()
) -> str:
    """What was done about the outputs, and what the nodes said to it.

    `used`: something had been switched on since the last time. `unverified` is what could not be read back;
    `not_commanded` names the nodes that no command reached; `error` is what went wrong.
    """
    if isinstance(error, BenchLost):
        return "the adapter was gone, so no command to switch off got out; what is left is the nodes' own watch on the host"
    if error is not None:
        return "; ".join([*_missed(not_commanded), str(error)])
    if not_commanded:
        return "; not confirmed: ".join(["; ".join(_missed(not_commanded)), *unverified])
    if unverified:
        return f"every output was commanded off; not confirmed: {'; '.join(unverified)}"
    if used:
        return (
            "every output was commanded off, and no heater says that it is on; fans and motors are not asked"
        )
    return "every output was commanded off; nothing had been switched on since the last time"


def _missed(not_commanded: Sequence[str]) -> list[str]:
    if not not_commanded:
        return []
    return [f"NOT every output was commanded off, cut the supply: {'; '.join(not_commanded)}"]


NOTHING_SENT = "nothing had been sent to a node, so nothing is on by this run"


def unspoken_in_words(power: str) -> str:
    """As `outputs_in_words`, before anything was sent to a node. `power`: how it came on, in words; empty where it did not."""
    if not power:
        return NOTHING_SENT
    return f"nothing had been sent to a node, but {power}: what has a switch that is stuck is on with it. Switch the power off"


def classify(
    error: BaseException | None, measure: Measure, outputs: str = "outputs were commanded off"
) -> tuple[Outcome, str]:
    """The outcome of a check from how it ended; `outputs` says what was done about them when it did.

    A node that answers wrongly fails; a bench that breaks is an error; what could not be seen is neither.
    """
    if error is None:
        return "passed", ""
    from hiltest.evidence.text import sentence

    failures = "; ".join(sentence(each) for each in measure.failed)
    text = str(error)
    if isinstance(error, CheckFailed | AssertionError | NodeFault):
        return "failed", f"{text} [{failures}]" if failures and failures not in text else text
    if isinstance(error, NotOffered):
        return ("failed", failures) if failures else ("not offered", text)
    if isinstance(error, Unjudged):
        return ("failed", failures) if failures else ("not observable", text)
    if isinstance(error, KeyboardInterrupt):
        return "error", f"{INTERRUPTED}; {outputs}"
    if failures:
        return "failed", f"{failures}; then {type(error).__name__}: {text}"
    return "error", text if isinstance(error, HiltestError) else f"{type(error).__name__}: {text}"


def where_to_look(result: CheckResult, measure: Measure, error: BaseException | None) -> list[str]:
    """By what was measured; else the error's own, since a bench that breaks says nothing of the check's matter."""
    if result.outcome == "passed":
        return []
    known = error.look_first if isinstance(error, HiltestError) else ()
    if isinstance(error, NotSent) or (result.outcome == "error" and not isinstance(error, CheckOverran)):
        return list(known)
    if isinstance(error, GuardTripped) and known:  # it says nothing of what this check is about
        return [*known, *(measure.causes if measure.failed else ())]
    if measure.causes:
        return measure.causes
    if isinstance(error, NoAnswer):  # what the page of another matter says would be beside the point
        return [
            ANSWER_MISSING,
            *(result.look_first if result.name.startswith("bus.") else [ANSWER_RESTARTED]),
        ]
    return result.look_first
