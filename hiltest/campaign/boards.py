"""Many simulated boards through the whole catalogue: one after the other, or in a few processes.

What comes back of each board is its verdict and, from the bench's hidden truth, what was really done to it: energy
into each heater, the hottest block, travel of each axis, and what was left on.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import asdict, dataclass, field, replace
from functools import cache
from hashlib import sha256
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hiltest.errors import BenchError, UsageError

if TYPE_CHECKING:
    from hiltest.evidence.model import RunRecord
    from hiltest.session import Run

AFTERWARDS_S = 2.0
"""Bench time after the last check, before it is looked what is still on: longer than any watch on the host."""


@dataclass(frozen=True, slots=True)
class BoardOrder:
    """Which board: description, seed and faults; `answers` is a script in place of the simulated person."""

    file: Path
    seed: int
    faults: tuple[str, ...] = ()
    answers: Path | None = None

    @property
    def key(self) -> str:
        """Names this board among all others, for a store."""
        answers = "" if self.answers is None else _text_hash(self.answers)
        return f"{_described_hash(self.file)} {self.seed} {' '.join(self.faults)} {answers}"


@dataclass(frozen=True, slots=True)
class Harm:
    """What was really done to a board. Energies in joule by heater, travel in motor turns by stepper."""

    energy_j: dict[str, float] = field(default_factory=dict)
    highest_block_c: float = 0.0
    travel_rev: dict[str, float] = field(default_factory=dict)
    stop_hits: dict[str, int] = field(default_factory=dict)
    left_on: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class BoardResult:
    """One board's run: the verdict, what each check came to, why it failed, and what was done to the board."""

    order: BoardOrder
    verdict: str
    reason: str
    outcomes: dict[str, str]
    reasons: dict[str, str]
    harm: Harm
    bench_s: float
    wall_s: float

    @property
    def failed(self) -> list[str]:
        """Names of the checks that failed, in running order."""
        return [name for name, outcome in self.outcomes.items() if outcome == "failed"]

    @property
    def is_accepted(self) -> bool:
        return self.verdict == "accepted"


def run_board(order: BoardOrder, until_failed: bool = False) -> BoardResult:
    """Run the whole catalogue on one simulated board; with `until_failed` only until a check fails.

    Raises:
        UsageError: the description or a fault can't be used.
    """
    from hiltest.campaign.runner import run_catalogue
    from hiltest.settings import Settings

    found: list[Harm] = []
    settings = Settings(
        file=order.file, simulate=True, seed=order.seed, faults=order.faults, answers=order.answers
    )
    record = run_catalogue(settings, lambda run: found.append(_look(run)), until_failed=until_failed)
    return _result(order, record, found[0] if found else Harm())


def _result(order: BoardOrder, record: RunRecord, harm: Harm) -> BoardResult:
    outcomes: dict[str, str] = {check.name: check.outcome for check in record.checks}
    reasons = {check.name: check.reason for check in record.checks if check.outcome == "failed"}
    return BoardResult(
        order, record.verdict, record.verdict_reason, outcomes, reasons, harm, record.bench_s, record.wall_s
    )


def _look(run: Run) -> Harm:
    """Ask the bench's hidden truth, a while after the last check."""
    if run.lost or run.not_opened:
        return Harm()
    bench = getattr(run.opened().link.port.bus, "bench", None)
    if bench is None:
        raise UsageError("a campaign needs the simulated bench in this process; this bus has none behind it")
    bench.run_for(AFTERWARDS_S)
    truth, described = bench.truth, bench.description
    return Harm(
        energy_j={heater.name: truth.energy_j(heater.name) for heater in described.heater},
        highest_block_c=truth.highest_block_c(),
        travel_rev={stepper.name: truth.travel_rev(stepper.name) for stepper in described.stepper},
        stop_hits={stepper.name: truth.stop_hits(stepper.name) for stepper in described.stepper},
        left_on=tuple(sorted(truth.outputs_on())),
    )


def boards(
    seeds: Iterable[int],
    file: Path,
    faults: Sequence[str] = (),
    *,
    answers: Path | None = None,
    workers: int = 2,
    store: Store | None = None,
) -> Iterator[BoardResult]:
    """Run one board for each seed; results come as they are ready.

    Args:
        seeds: one board each.
        file: the fixture description.
        faults: the same for every board, as `name[target]=value@start_s`.
        answers: a script in place of the simulated person.
        workers: processes; 0 runs them here, one after the other.
        store: what is in there is not run again; what is new is added.
    """
    orders = [BoardOrder(file.resolve(), seed, tuple(faults), answers) for seed in seeds]
    yield from run_boards(orders, workers=workers, store=store)


def run_boards(
    orders: Sequence[BoardOrder],
    *,
    workers: int = 2,
    store: Store | None = None,
    until_failed: bool = False,
) -> Iterator[BoardResult]:
    """As `boards`, for any mixture of boards; see `run_board` for `until_failed`."""
    left = []
    for order in orders:
        kept = store.get(order, until_failed) if store is not None else None
        if kept is not None:
            # It was kept with where its description lay then, which may be a folder that is gone.
            yield replace(kept, order=order)
        else:
            left.append(order)
    for result in _run_in(left, workers, until_failed):
        if store is not None:
            store.add(result, until_failed)
        yield result


def _run_in(orders: Sequence[BoardOrder], workers: int, until_failed: bool) -> Iterator[BoardResult]:
    if workers <= 0 or len(orders) < 2:
        for order in orders:
            yield run_board(order, until_failed)
        return
    # Each process starts clean: a fork would share this process's open bench and random streams.
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        waiting = [pool.submit(run_board, order, until_failed) for order in orders]
        try:
            for future in as_completed(waiting):
                yield future.result()
        except BrokenProcessPool as error:
            raise BenchError(
                "a process of the campaign was ended from outside (memory, a signal). With a store, what is done is kept: "
                "start it again, with fewer workers if memory was short"
            ) from error
        finally:
            for future in waiting:
                future.cancel()


class Store:
    """Results in a file, one JSON object a line, so that a long campaign goes on where it was stopped.

    Lines that another version of hiltest wrote, or that belong to another text of a description, of a file beside it or of
    the answers, are passed over. A run that ended at its first failed check is never given for a whole one.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._code = code_hash()
        self._kept: dict[str, BoardResult] = {}
        text = path.read_text(encoding="utf-8") if path.exists() else ""
        self._ends_whole = text == "" or text.endswith("\n")
        for line in text.splitlines():
            self._take(line)

    def _take(self, line: str) -> None:
        try:
            content: dict[str, Any] = json.loads(line)
        except ValueError:
            return  # the last line of a campaign that was killed
        key, code = content.pop("key"), content.pop("code")
        if code == self._code:
            self._kept[key] = _decode(content)

    def get(self, order: BoardOrder, until_failed: bool = False) -> BoardResult | None:
        """What is known of this board, or None."""
        return self._kept.get(_key(order, until_failed))

    def add(self, result: BoardResult, until_failed: bool = False) -> None:
        """Keep a result, in the file at once."""
        key = _key(result.order, until_failed)
        self._kept[key] = result
        content = asdict(result) | {"code": self._code, "key": key}
        with self._path.open("a", encoding="utf-8") as file:
            begin = "" if self._ends_whole else "\n"
            file.write(begin + json.dumps(content, default=str) + "\n")
        self._ends_whole = True

    def __len__(self) -> int:
        return len(self._kept)


def _decode(content: dict[str, Any]) -> BoardResult:
    order = content.pop("order")
    answers = order["answers"]
    board = BoardOrder(
        Path(order["file"]), order["seed"], tuple(order["faults"]), None if answers is None else Path(answers)
    )
    harm = content.pop("harm")
    harm["left_on"] = tuple(harm["left_on"])
    return BoardResult(order=board, harm=Harm(**harm), **content)


def _key(order: BoardOrder, until_failed: bool) -> str:
    return f"{order.key} until failed" if until_failed else order.key


BESIDE = (".eds", ".dcf", ".dbc")
"""Files that a description names lie beside it."""


@cache
def _described_hash(file: Path) -> str:
    """Of a description and of every file beside it that it may name."""
    total = sha256(file.read_bytes())
    for each in sorted(file.parent.iterdir()):
        if each.suffix.lower() in BESIDE:
            total.update(each.name.encode() + each.read_bytes())
    return total.hexdigest()[:16]


@cache
def _text_hash(file: Path) -> str:
    return sha256(file.read_bytes()).hexdigest()[:16]


@cache
def code_hash() -> str:
    """Hash over every module of hiltest: another one means that results may differ."""
    root = Path(__file__).parents[1]
    total = sha256()
    for path in sorted(root.rglob("*.py")):
        total.update(path.relative_to(root).as_posix().encode())
        total.update(path.read_bytes())
    return total.hexdigest()[:16]
