"""Every error that hiltest raises on purpose.

    HiltestError
    ├── UsageError            a wrong file, argument or call: the person at the keyboard mends it
    │   └── DescriptionError  a fixture description that can't be used (holds all problems found)
    ├── BenchError            the bench: could not be opened, was lost, or can't do what was asked
    │   ├── BenchNotOpened    no adapter, no port
    │   │   └── NotPermitted  this account may not do that
    │   ├── BenchLost         it was there and went away (unplugged, bus-off without a way back)
    │   ├── NothingScheduled  simulated time has no event left to wait for
    │   └── GateClosed        something would be energised before its gates passed
    ├── NodeFault             a verdict about the node: it answered wrongly, late or not at all
    │   ├── NoAnswer          no answer within the time allowed
    │   │   └── NotSent       what was to be asked never left the host
    │   ├── Refused           the node answered that it will not
    │   └── GuardTripped      the guard forced every output off
    └── Unjudged              no verdict is possible; never printed as green
        ├── NotObservable     the bench can't see what the check must see
        ├── NotOffered        this node does not have what the check needs
        └── StepSkipped       a person said "skip"

A broken bench, a wrong call and a bad node are never the same type. Errors carry their data as
attributes; programs read those and never the text. The text says what was found, what was expected,
when and where, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class HiltestError(Exception):
    """Base of all errors that hiltest raises on purpose. `look_first` says where, likeliest first, if it can be told."""

    look_first: tuple[str, ...] = ()


class UsageError(HiltestError):
    """A file, an argument or a call that can't be used as it stands."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing that is wrong in a file: where, what was found, what was expected, what to do."""

    file: str
    key: str
    found: str
    expected: str
    line: int | None = None
    hint: str = ""

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        text = f"{place}: {self.key}: found {self.found}, expected {self.expected}"
        return f"{text}. {self.hint}" if self.hint else text


class DescriptionError(UsageError):
    """A fixture description that can't be used. `problems` holds everything found, in file order."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        head = "1 problem" if count == 1 else f"{count} problems"
        super().__init__(
            "\n".join([f"{head} in the fixture description:", *(f"  {p}" for p in self.problems)])
        )


class BenchError(HiltestError):
    """The bench could not be opened, was lost, or can't do what was asked of it."""


class BenchNotOpened(BenchError):
    """No adapter, no port, or no permission."""


class NotPermitted(BenchNotOpened):
    """This account may not do that. `command` is what a person types so that it may; "" if that is not known."""

    def __init__(self, text: str, command: str = "") -> None:
        self.command = command
        super().__init__(text)


class BenchLost(BenchError):
    """The bench was there and went away: an adapter, a console's port or an instrument."""

    look_first = (
        "its plug, cable, or a hub on the way: put it in again and look whether the system lists it",
        "its own supply, or a port that was switched off (overload, power saving)",
        "somebody else took the interface down or opened the port: run nothing beside it",
        "interference from a motor or relay that resets it: lead its cable another way",
    )


class NothingScheduled(BenchError):
    """Simulated time has nothing left that could end a wait without a limit."""


class GateClosed(BenchError):
    """Something would be energised before its gates passed.

    `verb` is what was asked, `load` on what, `missing` the checks that have not passed.
    """

    def __init__(self, verb: str, load: str, missing: Sequence[str]) -> None:
        self.verb, self.load, self.missing = verb, load, tuple(missing)
        gates = ", ".join(self.missing)
        super().__init__(
            f"{verb} on {load!r} was refused: {gates} has not passed in this run. "
            "Run these checks first; nothing is energised before they pass."
        )


class NodeFault(HiltestError):
    """A verdict about the node."""


class NoAnswer(NodeFault):
    """The node did not answer in time. `asked` is the request, `waited_s` the time allowed."""

    def __init__(self, node: str, asked: str, waited_s: float, seen: str = "nothing") -> None:
        self.node, self.asked, self.waited_s, self.seen = node, asked, waited_s, seen
        super().__init__(
            f"node {node!r} did not answer {asked} within {waited_s:g} s; seen meanwhile: {seen}"
        )


class NotSent(NoAnswer):
    """What was to be said to the node never left the host; `why` says what keeps it, and brings where to look."""

    def __init__(self, node: str, asked: str, why: HiltestError) -> None:
        super().__init__(node, asked, 0.0, str(why))
        self.args = (f"nothing went out to node {node!r} ({asked}): {why}",)
        self.look_first = why.look_first


class Refused(NodeFault):
    """The node answered that it will not. `code` is the protocol's own code, if there is one."""

    def __init__(self, node: str, asked: str, reason: str, code: int | None = None) -> None:
        self.node, self.asked, self.reason, self.code = node, asked, reason, code
        shown = "" if code is None else f" (code 0x{code:08X})"
        super().__init__(f"node {node!r} refused {asked}: {reason}{shown}")


class GuardTripped(NodeFault):
    """The guard forced every output off. `reason` says which limit, `at_s` when in bench time.

    `look_first` is for a limit that what was done can't have passed: then it says nothing of the matter of the check that ran.
    """

    def __init__(self, reason: str, at_s: float, look_first: tuple[str, ...] = ()) -> None:
        self.reason, self.at_s, self.look_first = reason, at_s, look_first
        super().__init__(f"guard tripped at t={at_s:.3f} s: {reason}. Every output was commanded off.")


class Unjudged(HiltestError):
    """No verdict is possible. The run is incomplete; this is never printed as green."""


class NotObservable(Unjudged):
    """The bench can't see what the check must see. `why` says what is missing, `need` what would do."""

    def __init__(self, why: str, need: str = "") -> None:
        self.why, self.need = why, need
        super().__init__(f"{why}; to observe it: {need}" if need else why)


class NotOffered(Unjudged):
    """This node does not have what the check needs. `capability` is the verb or role that is missing."""

    def __init__(self, node: str, capability: str) -> None:
        self.node, self.capability = node, capability
        super().__init__(f"node {node!r} does not offer {capability}")


class StepSkipped(Unjudged):
    """A person said "skip" to a step."""
