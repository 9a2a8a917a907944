"""The benches of one pytest session: one for each fixture description, each with a run of its own.

A process has one bench open at a time: the tests of a bench are run together, and its run is closed before the
next bench is opened.
"""

from __future__ import annotations

import contextlib
import re
import signal
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hiltest.errors import UsageError
from hiltest.settings import Settings

if TYPE_CHECKING:
    from hiltest.description.loading import Loaded
    from hiltest.evidence.model import RunRecord
    from hiltest.session import Run


@dataclass(frozen=True, slots=True)
class Told:
    """How the run on a bench ended, as one process tells another."""

    bench: str
    verdict: str
    reason: str
    folder: str
    has_open_ends: bool
    simulated: bool = False


class Bench:
    """One bench of the session: its settings, and its run once somebody asked for it.

    `name` tells it from others; it stands in the names of the tests when there are several.
    """

    def __init__(self, name: str, settings: Settings, run: Run | None = None) -> None:
        self.name = name
        self.settings = settings
        self.record: RunRecord | None = None
        self.told: list[Told] = []
        self._loaded: Loaded | None = None
        self._run = run

    @property
    def made(self) -> Run | None:
        """The run, if there is one already."""
        return self._run

    @property
    def run(self) -> Run:
        """The run, made when first asked for.

        Raises:
            UsageError: the description can't be used, or the run has ended.
        """
        if self.record is not None:
            raise UsageError(
                f"the run on bench {self.name!r} has ended: its tests must stand together. Something has put the tests "
                "in another order after hiltest; leave that plugin out, or run one bench at a time"
            )
        if self._run is None:
            from hiltest.session import Run, load

            self._run = Run(self.settings, load(self.settings))
        return self._run

    def close(self, ended: str = "") -> None:
        """Switch everything off, judge and write the records, once. `ended` says why it ended early."""
        if self._run is None or self.record is not None:
            return
        run = self._run
        if ended:
            run.ended = ended
        with _undisturbed():
            self.record = run.close()
        folder = "" if run.folder is None else str(run.folder)
        self.told.append(
            Told(
                self.name,
                self.record.verdict,
                self.record.verdict_reason,
                folder,
                bool(run.open_ends()),
                self.record.simulated,
            )
        )


class Benches(Sequence[Bench]):
    """The benches of a session, in the order of the command line; none when hiltest is not in use."""

    def __init__(self, benches: Sequence[Bench] = ()) -> None:
        self._benches = tuple(benches)

    @classmethod
    def from_settings(cls, settings: Sequence[Settings]) -> Benches:
        """A bench for each description, named after its file.

        Raises:
            UsageError: two of them are the same file.
        """
        files = [each.file for each in settings if each.file is not None]
        for path, count in Counter(file.resolve() for file in files).items():
            if count > 1:
                raise UsageError(
                    f"--hil {path} was given {count} times: a bench is tested once in a session. A second board of its "
                    "kind needs a description of its own, with its own channel"
                )
        names = _names(files)
        return cls([Bench(name, each) for name, each in zip(names, settings, strict=True)])

    def __getitem__(self, index: Any) -> Any:
        return self._benches[index]

    def __len__(self) -> int:
        return len(self._benches)

    def __iter__(self) -> Iterator[Bench]:
        return iter(self._benches)

    @property
    def names(self) -> list[str]:
        return [bench.name for bench in self]

    def of(self, item: Any) -> Bench | None:
        """The bench that a test is about: the one in its parameters, or the only one."""
        if len(self) == 1:
            return self._benches[0]
        callspec = getattr(item, "callspec", None)
        name = None if callspec is None else callspec.params.get("hil_bench")
        return next((bench for bench in self if bench.name == name), None)

    def load(self) -> None:
        """Read every description.

        Raises:
            UsageError: one of them can't be used.
        """
        for bench in self:
            _ = bench.run

    def hear(self, told: dict[str, Any]) -> None:
        """Take down what another process tells of a run."""
        said = Told(**told)
        next(bench for bench in self if bench.name == said.bench).told.append(said)

    def tell(self) -> list[dict[str, Any]]:
        """What `hear` takes in another process."""
        return [asdict(told) for bench in self for told in bench.told]

    def group_of(self, bench: Bench) -> str:
        """Benches that share an adapter, a console or an instrument have one name here."""
        groups: dict[str, str] = {}
        for each in self:
            shared = {groups[place] for place in places(each) if place in groups}
            group = min(shared) if shared else each.name
            for place, other in list(groups.items()):
                if other in shared:
                    groups[place] = group
            groups |= dict.fromkeys(places(each) or {f"bench {each.name}"}, group)
        return groups[next(iter(sorted(places(bench))), f"bench {bench.name}")]


BENCHES = pytest.StashKey[Benches]()
"""What is in force. Whoever starts pytest by itself (`hiltest accept`) puts its own in here."""


def places(bench: Bench) -> set[str]:
    """The adapters, consoles and instruments that a bench uses, but those that are simulated."""
    from hiltest.claim import place_of
    from hiltest.session import SIMULATED

    description = bench.run.loaded.description
    found = {place_of(bus.interface, bus.channel) for bus in description.bus if bus.interface != SIMULATED}
    ports = [console.port for console in description.console]
    ports += [meter.port for meter in description.meter]
    ports += [supply.port for supply in description.bench_supply]
    return found | {place_of("", port) for port in ports if not port.startswith(f"{SIMULATED}://")}


def _names(files: Sequence[Path]) -> list[str]:
    """File names without their ending; with their folder where two would be the same."""
    short = [_word(file.stem) for file in files]
    longer = [_word(f"{file.resolve().parent.name}_{file.stem}") for file in files]
    names = [name if short.count(name) == 1 else long for name, long in zip(short, longer, strict=True)]
    for name in names:
        if names.count(name) > 1:
            raise UsageError(f"two descriptions would both be called {name!r}: rename one of the files")
    return names


def _word(text: str) -> str:
    """`text` as it may stand in the name of a test: a dash would end it there."""
    return re.sub(r"[^A-Za-z0-9_.]", "_", text) or "bench"


@contextlib.contextmanager
def _undisturbed() -> Iterator[None]:
    """Another Ctrl-C does not stop what switches off and writes the records."""
    numbers = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
    try:
        old = [signal.signal(number, signal.SIG_IGN) for number in numbers]
    except ValueError:  # not the main thread, which alone gets signals
        yield
        return
    try:
        yield
    finally:
        for number, handler in zip(numbers, old, strict=True):
            signal.signal(number, handler)
