"""Planned traffic: utilisation, worst-case response times, and the bit rate that holds all deadlines.

The revised analysis of Davis, Burns, Bril and Lukkien, "Controller Area Network (CAN) schedulability
analysis: Refuted, revisited and revised", Real-Time Systems 35:239-272, 2007: a message is blocked by the
longest frame of lower priority, and every instance within its busy period is looked at. Errors are taken
as in Tindell and Burns 1994: one at a stated least distance, each costing 31 bits and one frame again.

Everything is counted in whole numbers: 1 / (10^9 x bit rate) of a second is the unit, in which a bit is
10^9 and a nanosecond is the bit rate. No result depends on rounding.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

from hiltest.canbus.frame import Frame, arbitration_key
from hiltest.canbus.frames import INTERMISSION_BITS, worst_case_bits
from hiltest.clock import to_ns
from hiltest.errors import UsageError

STANDARD_BITRATES = (10_000, 20_000, 50_000, 125_000, 250_000, 500_000, 800_000, 1_000_000)
"""CiA 301 rates, bit/s."""

ERROR_RECOVERY_BITS = 31
"""Longest time from the detection of an error to the next start of frame (Bosch CAN 2.0 part B; from
memory)."""

_BIT = 1_000_000_000
_STEPS_MAX = 10_000
"""Iterations for one message. Only a utilisation within a fraction of a percent of 1 comes near it."""


@dataclass(frozen=True, slots=True)
class PlannedMessage:
    """One message of the plan: times in seconds. `deadline_s` defaults to the period.

    `jitter_s` is how late after its period's begin it may be queued, `data_length` 0..8 bytes (of a remote
    frame: the length asked for).
    """

    name: str
    can_id: int
    period_s: float
    data_length: int = 8
    extended: bool = False
    remote: bool = False
    deadline_s: float | None = None
    jitter_s: float = 0.0

    @property
    def limit_s(self) -> float:
        return self.period_s if self.deadline_s is None else self.deadline_s

    @property
    def bits(self) -> int:
        """Worst-case length with intermission."""
        return worst_case_bits(self.data_length, self.extended, remote=self.remote)


@dataclass(frozen=True, slots=True)
class ErrorModel:
    """At most one error every `interval_s` seconds, after a burst of `burst` of them at the worst moment."""

    interval_s: float
    burst: int = 0


@dataclass(frozen=True, slots=True)
class Options:
    """How to count.

    `to_end_of_frame`: a response ends with the end of frame; else with the intermission behind it (as in
    Davis et al. 2007). `least_blocking_bits`: blocking of a message without one of lower priority; 3 counts
    the intermission of a frame just sent (as in the reprinted benchmark of Tindell, Burns and Wellings).
    """

    to_end_of_frame: bool = False
    least_blocking_bits: int = 0
    errors: ErrorModel | None = None


@dataclass(frozen=True, slots=True)
class Response:
    """What becomes of one message. Times in seconds.

    `response_s` is None if no finite bound exists or none was found; `reason` then says why. `instances`
    is how many instances the busy period holds, `worst_instance` which of them (from 0) is the slowest.
    `holds`: the deadline is met in the worst case, compared exactly.
    """

    message: PlannedMessage
    bits: int
    utilisation: float
    response_s: float | None
    busy_period_s: float | None
    instances: int
    worst_instance: int
    holds: bool
    reason: str = ""

    def __str__(self) -> str:
        limit = f"deadline {self.message.limit_s * 1e3:g} ms"
        if self.response_s is None:
            return f"{self.message.name}: unschedulable, {self.reason} ({limit})"
        verdict = "holds" if self.holds else "MISSED"
        return f"{self.message.name}: {self.response_s * 1e3:.3f} ms, {limit} {verdict}"


@dataclass(frozen=True, slots=True)
class Analysis:
    """The whole plan at one bit rate; `responses` from highest to lowest priority."""

    bitrate: int
    utilisation: float
    responses: tuple[Response, ...]

    @property
    def schedulable(self) -> bool:
        """Every message meets its deadline in the worst case."""
        return all(response.holds for response in self.responses)

    @property
    def missed(self) -> tuple[Response, ...]:
        """Messages that may miss their deadline, most important first."""
        return tuple(response for response in self.responses if not response.holds)

    def of(self, name: str) -> Response:
        """The response of the message `name`."""
        for response in self.responses:
            if response.message.name == name:
                return response
        raise UsageError(f"no message {name!r}; known: {', '.join(r.message.name for r in self.responses)}")


def by_priority(messages: Iterable[PlannedMessage]) -> list[PlannedMessage]:
    """The messages as arbitration sorts them: standard before extended of the same 11 leading bits.

    Raises:
        UsageError: two messages that arbitration can't tell apart, or an identifier that can't be.
    """
    ranked = sorted(((_key(message), message) for message in messages), key=lambda pair: pair[0])
    for (low, one), (high, other) in itertools.pairwise(ranked):
        if low == high:
            raise UsageError(
                f"messages {one.name!r} and {other.name!r} have the same identifier 0x{one.can_id:X}: "
                "two senders of one identifier disturb each other; give each its own"
            )
    return [message for _, message in ranked]


def _key(message: PlannedMessage) -> int:
    frame = Frame(
        message.can_id,
        b"",
        message.extended,
        message.remote,
        remote_dlc=message.data_length if message.remote else 0,
    )
    return arbitration_key(frame.check())


@dataclass(frozen=True, slots=True)
class _Task:
    """A message in units: length, period, deadline, jitter."""

    length: int
    period: int
    deadline: int
    jitter: int


def analyse(messages: Iterable[PlannedMessage], bitrate: int, options: Options = Options()) -> Analysis:
    """Worst-case response time of every message at `bitrate` (bit/s).

    Raises:
        UsageError: a message, rate or option that can't be; says which.
    """
    if bitrate <= 0:
        raise UsageError(f"bitrate={bitrate!r} must be above 0 bit/s")
    if options.least_blocking_bits < 0:
        raise UsageError(f"least_blocking_bits={options.least_blocking_bits!r} must be 0 or more")
    ordered = by_priority(messages)
    tasks = [_task(message, bitrate) for message in ordered]
    errors = _errors(options.errors, bitrate)
    responses = tuple(
        _respond(ordered, tasks, index, bitrate, options, errors) for index in range(len(ordered))
    )
    return Analysis(bitrate, sum(response.utilisation for response in responses), responses)


def lowest_bitrate(
    messages: Sequence[PlannedMessage],
    options: Options = Options(),
    bitrates: Sequence[int] = STANDARD_BITRATES,
) -> Analysis | None:
    """The analysis at the lowest of `bitrates` that holds all deadlines; None if none does."""
    for bitrate in sorted(bitrates):
        found = analyse(messages, bitrate, options)
        if found.schedulable:
            return found
    return None


def _task(message: PlannedMessage, bitrate: int) -> _Task:
    times = {
        "period_s": to_ns(message.period_s, f"{message.name}: period_s"),
        "deadline_s": to_ns(message.limit_s, f"{message.name}: deadline_s"),
    }
    for name, value in times.items():
        if value == 0:
            raise UsageError(f"message {message.name!r}: {name} must be above 0 s")
    jitter = to_ns(message.jitter_s, f"{message.name}: jitter_s")
    return _Task(
        message.bits * _BIT, times["period_s"] * bitrate, times["deadline_s"] * bitrate, jitter * bitrate
    )


def _errors(model: ErrorModel | None, bitrate: int) -> tuple[int, int] | None:
    """(interval in units, burst), or None without errors."""
    if model is None:
        return None
    interval = to_ns(model.interval_s, "errors: interval_s")
    if interval == 0 or model.burst < 0:
        raise UsageError(f"{model!r}: interval_s must be above 0 s and burst 0 or more")
    return interval * bitrate, model.burst


def _respond(
    ordered: list[PlannedMessage],
    tasks: list[_Task],
    index: int,
    bitrate: int,
    options: Options,
    errors: tuple[int, int] | None,
) -> Response:
    message, task = ordered[index], tasks[index]
    share = task.length / task.period
    search = _Search(tasks, index, options.least_blocking_bits * _BIT, errors)
    worst, busy, instances, slowest, reason = search.run()
    if worst is not None and options.to_end_of_frame:
        worst -= INTERMISSION_BITS * _BIT
    unit_s = 1 / (_BIT * bitrate)
    return Response(
        message,
        message.bits,
        share,
        None if worst is None else worst * unit_s,
        None if busy is None else busy * unit_s,
        instances,
        slowest,
        worst is not None and worst <= task.deadline,
        reason,
    )


class _Search:
    """The two recurrences for one message. All times in units."""

    def __init__(self, tasks: list[_Task], index: int, least_blocking: int, errors: tuple[int, int] | None):
        self.task = tasks[index]
        self.higher = tasks[:index]
        self.same_or_higher = tasks[: index + 1]
        self.blocking = max([least_blocking, *(lower.length for lower in tasks[index + 1 :])])
        self.errors = errors
        self.error_cost = ERROR_RECOVERY_BITS * _BIT + max(task.length for task in self.same_or_higher)
        self.steps = 0

    def run(self) -> tuple[int | None, int | None, int, int, str]:
        """(worst response, busy period, instances in it, which is worst, reason if there is none)."""
        if not self._is_finite():
            return None, None, 0, 0, "the bus is asked for all of its time or more"
        busy = self._fixed_point(self.blocking + self.task.length, self._busy)
        if busy is None:
            return None, None, 0, 0, f"no bound found in {_STEPS_MAX} steps: utilisation is too near to 100 %"
        task = self.task
        instances = -(-(busy + task.jitter) // task.period)
        worst, slowest, queued = -1, 0, self.blocking
        for number in range(instances):
            base = self.blocking + number * task.length
            # An instance waits at least as long as the one before it and its frame.
            found = self._fixed_point(max(base, queued), partial(self._start, base))
            if found is None:
                return None, busy, instances, 0, f"no bound found in {_STEPS_MAX} steps"
            response = task.jitter + found - number * task.period + task.length
            if response > worst:
                worst, slowest = response, number
            queued = found + task.length
        return worst, busy, instances, slowest, ""

    def _is_finite(self) -> bool:
        """Demand of this and higher priorities, errors counted, stays below the whole bus: exactly."""
        # sum(length / period) < 1 without fractions of floats
        numerator, denominator = 0, 1
        shares = [(task.length, task.period) for task in self.same_or_higher]
        if self.errors is not None:
            shares.append((self.error_cost, self.errors[0]))
        for length, period in shares:
            numerator, denominator = numerator * period + length * denominator, denominator * period
        return numerator < denominator

    def _busy(self, length: int) -> int:
        total = self.blocking + self._error_time(length)
        for task in self.same_or_higher:
            total += -(-(length + task.jitter) // task.period) * task.length
        return total

    def _start(self, base: int, wait: int) -> int:
        """Blocking and earlier instances, then frames of higher priority and errors before this one starts."""
        total = base + self._error_time(wait + self.task.length)
        for task in self.higher:
            total += -(-(wait + task.jitter + _BIT) // task.period) * task.length
        return total

    def _error_time(self, length: int) -> int:
        if self.errors is None:
            return 0
        interval, burst = self.errors
        return (burst + -(-length // interval)) * self.error_cost

    def _fixed_point(self, start: int, function: Callable[[int], int]) -> int | None:
        value = start
        while self.steps < _STEPS_MAX:
            self.steps += 1
            found = function(value)
            if found == value:
                return value
            value = found
        return None
