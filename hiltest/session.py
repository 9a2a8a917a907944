"""One run for one unit: opens the bench, lends it to the checks, keeps gates, results and the verdict.

The plugin and the command line are thin shells around this.
"""

from __future__ import annotations

import contextlib
import difflib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hiltest.books import BenchClock, Books, Watcher
from hiltest.errors import (
    BenchError,
    BenchLost,
    BenchNotOpened,
    GuardTripped,
    HiltestError,
    UsageError,
)
from hiltest.evidence.model import (
    BUT,
    RUN_ENDED,
    RUN_LOST,
    CheckResult,
    Curve,
    NodeReport,
    Outcome,
    RunRecord,
    Value,
    Verdict,
)
from hiltest.judging import (
    NOTHING_SENT,
    CheckOverran,
    classify,
    outputs_in_words,
    unspoken_in_words,
    where_to_look,
)
from hiltest.measure import (
    LEFT_OUT,
    MEAN_AT_REST,
    QUALIFIED,
    QUALIFIED_UNLESS_REJECTED,
    CheckFailed,
    Measure,
    RunStopped,
)

if TYPE_CHECKING:
    from hiltest.canbus.accounting import BusAccount
    from hiltest.canbus.boundedlog import BoundedLog
    from hiltest.canbus.frame import Frame
    from hiltest.catalogue.registry import BoundCheck, Page
    from hiltest.claim import Claim
    from hiltest.clock import Clock
    from hiltest.console import SerialConsole
    from hiltest.description.loading import Loaded
    from hiltest.guard import Guard, GuardedNode
    from hiltest.link import Link
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiMeter, ScpiSupply
    from hiltest.node.verbs import NodeDriver
    from hiltest.settings import Settings

SIMULATED = "hiltest"
REPORTS_MAX = 500
"""Errors that nodes reported by themselves and that are kept; a node that floods the bus fills no memory."""
OFF_BELOW_V = 1.0
STILL_HOT_S = 1.0
"""For this long a sensor that read above its ceiling is looked at again: one wrong reading ends no run."""
DISPLAY_EVERY_S = 0.5
UTILISATION_EVERY_S = 1.0


def load(settings: Settings) -> Loaded:
    """Read the fixture description that `settings` name, put on the simulated bench when they say so.

    Raises:
        DescriptionError, UsageError: the file or a setting can't be used.
    """
    from hiltest.description.loading import load_description
    from hiltest.meters.operator import read_answers

    if settings.file is None:
        raise UsageError("no fixture description was given; add --hil FILE")
    read_answers(settings.answers)
    loaded = load_description(settings.file)
    if not settings.simulate:
        return loaded
    simulation = loaded.description.simulation
    seed = simulation.seed if settings.seed is None else settings.seed
    faults = [*simulation.faults, *settings.faults]
    overrides: dict[str, Any] = {"simulation.seed": seed, "simulation.faults": faults}
    for bus in loaded.description.bus:
        overrides[f"bus[{bus.name}].interface"] = SIMULATED
        overrides[f"bus[{bus.name}].channel"] = str(loaded.path)
        overrides[f"bus[{bus.name}].options"] = {"bus": bus.name, "seed": seed, "faults": " ".join(faults)}
    for console in loaded.description.console:
        name = f"console[{console.node}]" if len(loaded.description.console) > 1 else "console"
        which = f"?node={console.node}" if len(loaded.description.console) > 1 else ""
        overrides[f"{name}.port"] = f"hiltest://{loaded.path}{which}"
    for section, instrument in (("meter", "meter"), ("bench_supply", "supply")):
        if getattr(loaded.description, section):
            overrides[f"{section}.port"] = f"hiltest://{loaded.path}?instrument={instrument}"
    return load_description(settings.file, overrides)


@dataclass(slots=True)
class _Open:
    """What is open while the bench is."""

    link: Link
    """The link of the first bus; `links` has each by the name of its bus."""
    guard: Guard
    links: dict[str, Link] = field(default_factory=dict)
    nodes: dict[str, GuardedNode] = field(default_factory=dict)
    spoken: bool = False
    consoles: dict[str, SerialConsole] = field(default_factory=dict)
    operator: Operator | None = None
    power: Power | None = None
    meter: ScpiMeter | None = None
    supply: ScpiSupply | None = None
    accounts: dict[str, BusAccount] = field(default_factory=dict)
    close_log: Callable[[], None] = lambda: None
    flush_log: Callable[[], None] = lambda: None
    claims: list[Claim] = field(default_factory=list)
    told: int = 0
    answered: int = 0

    def note_sent(self, _frame: Frame) -> None:
        """From the first word on there may be something on by our doing."""
        self.spoken = True

    def news(self) -> list[str]:
        """What the guard did and the operator said since the last call, for the records."""
        done = [f"guard at {at_s:.3f} s: {text}" for at_s, text in self.guard.records[self.told :]]
        self.told = len(self.guard.records)
        said = [] if self.operator is None else self.operator.records[self.answered :]
        self.answered += len(said)
        told_elsewhere = ("all off: end of", "every gate was released")
        return [line for line in done if not any(words in line for words in told_elsewhere)] + [
            f"asked {question_id}: {question} {answer}" for _, question_id, question, answer in said
        ]


class Run:
    """One execution of checks for one unit.

    Args:
        settings: what is in force.
        loaded: the fixture description.
        watcher: who is told what goes on, or None.
    """

    def __init__(self, settings: Settings, loaded: Loaded, watcher: Watcher | None = None) -> None:
        from hiltest.catalogue.registry import bind_all

        self.settings = settings
        self.loaded = loaded
        self.every = bind_all(loaded.description)
        self.planned: list[BoundCheck] = []
        self.results: dict[str, CheckResult] = {}
        self.memory: dict[str, Any] = {}
        self.folder: Path | None = None
        self.lost: str = ""
        self.stopped_by: str = ""
        self._hot_in: tuple[str, str] | None = None
        """The check in which a sensor passed its ceiling by itself and stayed there, and what it read."""
        self.ended: str = ""
        self._outputs = NOTHING_SENT
        self._outputs_used = ""
        self._outputs_then = ""
        self.not_opened: str = ""
        self.unusable: str = ""
        self._watcher = watcher
        self._books = Books(None, watcher)
        self._open: _Open | None = None
        self._current: tuple[Measure, CheckResult] | None = None
        self._clock = BenchClock()
        self._wall_start_s = 0.0
        self._bus_curves: dict[str, Curve] = {}
        self._date = ""
        self._reports: list[NodeReport] = []
        self._reports_left_out = 0
        self._bus_log: BoundedLog | None = None

    # --- the bench ---------------------------------------------------------------------------------

    @property
    def clock(self) -> Clock:
        """The clock of the bench."""
        return self.opened().link.clock

    def opened(self) -> _Open:
        """Open the bench, once.

        Raises:
            BenchError: it can't be opened, could not be opened before, or was lost.
        """
        if self.lost:
            raise BenchLost(self.lost)
        if self.not_opened:
            raise BenchNotOpened(self.not_opened)
        if self.unusable:
            raise UsageError(self.unusable)
        if self._open is None:
            try:
                self._open = self._open_bench()
            except BenchError as error:
                self.not_opened = str(error)
                raise
            except UsageError as error:
                self.unusable = str(error)
                raise
        return self._open

    def _open_bench(self) -> _Open:
        from hiltest.guard import Guard, GuardedNode
        from hiltest.meters.scpi import ScpiSupply
        from hiltest.node.opening import open_driver

        description = self.loaded.description
        self.start()
        claims: list[Claim] = []
        links: dict[str, Link] = {}
        nodes: dict[str, GuardedNode] = {}
        try:
            self._open_buses(claims, links)
            link = next(iter(links.values()))
            in_catalogue = {bound.name for bound in self.every}
            guard = Guard(link, description, in_catalogue.__contains__)
            if self.settings.release:
                guard.release(self.settings.release)
            opened = _Open(link, guard, links, nodes, claims=claims)
            self._clock.link = link
            self._start_bus_log(opened)
            self._start_accounts(opened)
            for node in description.node:
                driver = open_driver(links[node.bus or ""], self.loaded, node.name)
                guard.watch(driver)
                self._keep_reports(driver)
                opened.nodes[node.name] = GuardedNode(driver, guard)
            if description.bench_supply:
                # Opened with the bench and not when a check asks for it: the guard may need it at any time.
                part = description.bench_supply[0]
                opened.supply = ScpiSupply(link, part.port, part.baud, part.timeout_s, part.settle_s)
                guard.cut_power = self._cut_power
        except HiltestError:
            for opened_node in nodes.values():
                with contextlib.suppress(HiltestError):
                    opened_node.stop()
            _close_all(links, claims)
            raise
        for each in links.values():
            each.listen_sent(opened.note_sent)
        return opened

    def _keep_reports(self, driver: NodeDriver) -> None:
        """Keep what a node reports by itself, with the check that runs then."""
        from hiltest.node.verbs import Reports

        def keep(t_ns: int, text: str) -> None:
            if len(self._reports) >= REPORTS_MAX:
                self._reports_left_out += 1
                return
            check = self._current[1].name if self._current is not None else ""
            self._reports.append(NodeReport(t_ns / 1e9, driver.name, text, check))
            if self._current is not None:
                self._current[0].note(f"node {driver.name!r} at {t_ns / 1e9:.3f} s: {text}")

        if isinstance(driver, Reports):
            driver.on_report(keep)

    def _open_buses(self, claims: list[Claim], links: dict[str, Link]) -> None:
        """Keep other runs off each bus that is not simulated, and open it; all of them share one loop."""
        from hiltest.canbus.opening import open_port
        from hiltest.claim import Claim
        from hiltest.link import Link

        buses = self.loaded.description.bus
        # One by one: what was claimed before another run's bus is found is released again.
        claims.extend(
            Claim(bus.name, bus.interface, bus.channel) for bus in buses if bus.interface != SIMULATED
        )
        first: Link | None = None
        for bus in buses:
            port = open_port(bus, clock=None if first is None else first.clock)
            try:
                links[bus.name] = Link(port, beside=first)
            except HiltestError:
                port.close()
                raise
            first = first or links[bus.name]

    def link(self, bus: str = "") -> Link:
        """The link of a bus; of the first one where none is named."""
        opened = self.opened()
        return opened.links.get(bus, opened.link)

    @property
    def is_begun(self) -> bool:
        """Were the records started?"""
        return bool(self._wall_start_s)

    def start(self) -> None:
        """Start the records, once. The bench is opened later, when a check asks for it."""
        if self._wall_start_s:
            return
        from hiltest.clock import today, wall_s

        now = today()
        self._wall_start_s, self._date = wall_s(), now.isoformat(timespec="seconds")
        if self.settings.out is None:
            return
        from hiltest.evidence.journal import Journal
        from hiltest.evidence.runfolder import keep_description, make_run_folder

        self.folder = make_run_folder(self.settings.out, self.settings.unit, now)
        keep_description(self.folder, self.loaded.description)
        self._books.journal = Journal(self.folder, self._clock)
        self._books.journal.run(self._record(), [bound.name for bound in self.planned])

    def _start_bus_log(self, opened: _Open) -> None:
        if self.folder is None:
            return
        from hiltest.canbus.boundedlog import BoundedLog
        from hiltest.canbus.logfile import LogWriter

        file = self._bus_log = BoundedLog(self.folder / "bus.log")
        for name, link in opened.links.items():
            log = LogWriter(file, channel=name)
            link.listen(_without_echoes(log.write))
            link.listen_sent(log.write)
        opened.close_log, opened.flush_log = file.close, file.flush

    def _start_accounts(self, opened: _Open) -> None:
        from hiltest.canbus.accounting import BusAccount
        from hiltest.clock import RealClock

        for name, link in opened.links.items():
            account = opened.accounts[name] = BusAccount(link.port.bit_rate_bps)
            link.listen(_without_echoes(account.note))
            link.listen_sent(account.note, account.note_many)
            self._watch_utilisation(opened, name, account)
        if self._watcher is not None and isinstance(opened.link.clock, RealClock):
            opened.link.every(DISPLAY_EVERY_S, self._watcher.tick)

    def _watch_utilisation(self, opened: _Open, bus: str, account: BusAccount) -> None:
        """Keep how busy a bus was, second by second, as a curve of the whole run."""
        from hiltest.evidence.model import WHOLE_RUN, Curve

        link, curve = opened.links[bus], Curve(WHOLE_RUN, bus, "%")
        self._bus_curves[bus] = curve
        last_ns, last_busy_ns = link.now_ns, account.busy_ns

        def keep() -> None:
            nonlocal last_ns, last_busy_ns
            account.settle()
            now_ns, busy_ns = link.now_ns, account.busy_ns
            percent = min(100.0, 100.0 * (busy_ns - last_busy_ns) / (now_ns - last_ns))
            last_ns, last_busy_ns = now_ns, busy_ns
            curve.t_s.append(link.now_s)
            curve.values.append(round(percent, 2))
            if self._books.journal is not None:
                self._books.journal.sample(WHOLE_RUN, bus, "%", curve.t_s[-1], curve.values[-1])

        link.every(UTILISATION_EVERY_S, keep, first_after_s=UTILISATION_EVERY_S)

    def _bus_statistics(self) -> dict[str, dict[str, Value]]:
        """What each bus carried during the run, as the host saw it."""
        if self._open is None or self._clock.now_s <= 0:
            return {}
        return {name: self._counted(account) for name, account in self._open.accounts.items()}

    def _counted(self, account: BusAccount) -> dict[str, Value]:
        account.settle()
        counted: dict[str, Value] = {
            "frames": account.frames,
            "bits of frames": account.bits,
            "error reports": account.error_frames,
            "identifiers": len(account.ids),
        }
        if self._clock.now_s > 0.0:  # a run that ended before anybody waited has no mean
            counted["mean utilisation, %"] = round(100 * account.mean_utilisation(self._clock.now_s), 3)
        return counted | {f"errors, {kind}": count for kind, count in sorted(account.errors.items())}

    def node(self, name: str) -> GuardedNode:
        """The guarded node `name`, started: the host's sign of life goes out, its outputs are off."""
        opened = self.opened()
        if name not in opened.nodes:
            raise UsageError(f"no node {name!r} in the description; known: {', '.join(opened.nodes)}")
        opened.spoken = True  # not every node is spoken to over a bus
        opened.nodes[name].start()
        return opened.nodes[name]

    def known_nodes(self, bus: str | None = None) -> list[GuardedNode]:
        """Every node that was enumerated, or those on one bus, started."""
        return [
            self.node(part.name)
            for part in self.loaded.description.node
            if bus in (None, part.bus) and self._has_passed(f"bus.enumerate[{part.name}]")
        ]

    def console(self, node: str = "") -> SerialConsole:
        """The serial console of `node`, opened; the first of the description where no node is named.

        Raises:
            UsageError: the description has no console, or none of this node.
        """
        from hiltest.console import SerialConsole

        opened, parts = self.opened(), self.loaded.description.console
        if not parts:
            raise UsageError("the description has no [console]")
        part = next((each for each in parts if each.node == node), None) if node else parts[0]
        if part is None:
            having = ", ".join(repr(each.node) for each in parts)
            raise UsageError(f"node {node!r} has no [[console]] in the description; there is one of {having}")
        driver = opened.nodes[part.node].driver if part.node in opened.nodes else None
        shared = getattr(driver, "console", None)
        if isinstance(shared, SerialConsole):
            return shared  # a port has one reader: the driver of a node that is commanded over it
        if part.port not in opened.consoles:
            opened.consoles[part.port] = SerialConsole(opened.link, part, part.line_end, part.unsolicited)
        return opened.consoles[part.port]

    def operator(self) -> Operator:
        """Who answers questions: an answers file, the person of a simulated bench, or whoever sits at the terminal."""
        from hiltest.meters.operator import Operator

        opened = self.opened()
        if opened.operator is None:
            opened.operator = Operator(
                opened.link,
                self.settings.answers,
                person=getattr(opened.link.port.bus, "person", None),
                around=getattr(self._watcher, "paused", contextlib.nullcontext),
            )
        return opened.operator

    def meter(self) -> ScpiMeter | None:
        """The bench meter, opened; None where the description has no [meter].

        Raises:
            BenchError: it can't be opened or does not answer.
        """
        from hiltest.meters.scpi import ScpiMeter

        opened = self.opened()
        if opened.meter is None and self.loaded.description.meter:
            part = self.loaded.description.meter[0]
            opened.meter = ScpiMeter(opened.link, part.port, part.baud, part.timeout_s)
        return opened.meter

    def supply(self) -> ScpiSupply | None:
        """The bench supply, opened; None where the description has no [bench_supply]."""
        return self.opened().supply

    def _cut_power(self) -> None:
        """For the guard: the bench supply off, at once."""
        self.power().cut()

    def _confirm_cut(self, measure: Measure) -> None:
        """After the guard cut the power: nothing more is done with this unit; say what the supply shows."""
        self.stopped_by = measure.check
        supply = self.supply()
        if supply is None:
            return
        try:
            self.opened().link.run_for(supply.settle_s)
            supply.errors()
            left_v = supply.read_v()
        except HiltestError as error:
            measure.note(
                f"the bench supply was told to switch off and does not confirm it, CUT IT BY HAND: {error}"
            )
        else:
            still = "" if left_v < OFF_BELOW_V else ": IT IS STILL ON, CUT IT BY HAND"
            measure.note(f"the bench supply was switched off by the guard and shows {left_v:.1f} V{still}")

    def power(self) -> Power:
        """Who switches the bench's power: the bench supply, or the operator."""
        from hiltest.meters.power import Power

        opened = self.opened()
        if opened.power is None:
            opened.power = Power(opened.link, self.operator(), self.supply())
        return opened.power

    @property
    def in_check(self) -> bool:
        """Is a check begun and not concluded?"""
        return self._current is not None

    # --- checks ------------------------------------------------------------------------------------

    def chosen(self) -> list[BoundCheck]:
        """What the setting `only` asks for, and what its gates need, in running order; everything without it.

        Raises:
            UsageError: a name is no check, or no check of this description. Says the nearest known one.
        """
        from hiltest.catalogue.registry import GROUPS, find, with_gates

        wanted = []
        for name in self.settings.only:
            if name in GROUPS:
                wanted += self._of_group(name)
                continue
            spec = find(name)
            matches = [bound for bound in self.every if name in (bound.name, bound.spec.name)]
            if not matches:
                known = ", ".join(bound.name for bound in self.every if bound.spec is spec)
                raise UsageError(
                    f"{name!r} is no check of this description; of {spec.name} there is: {known or 'none'}"
                )
            wanted += matches
        return with_gates(wanted, self.every) if self.settings.only else list(self.every)

    def _of_group(self, group: str) -> list[BoundCheck]:
        found = [bound for bound in self.every if bound.spec.group == group]
        if not found:
            raise UsageError(
                f"--only {group}: this description has nothing that a check of this group is for"
            )
        return found

    def why_not(self, bound: BoundCheck) -> tuple[Outcome, str] | None:
        """Why a check may not run now, or None. Looks at gates and at what the node offers."""
        if self.lost:
            return "not run", RUN_LOST
        if self.stopped_by:
            return "not run", f"{self.stopped_by} stopped the run: nothing more is done with this unit"
        if (self.not_opened or self.unusable) and bound.spec.group != "desk":
            return "not run", "the bench could not be opened"
        if hot := self._too_hot_for(bound):
            return "not run", hot[1]
        if roots := self.stopped_by_gates(bound):
            return "not run", "gate: " + ", ".join(f"{gate} {self._state_of(gate)}" for gate in roots)
        if bound.verbs:
            offers = self.opened().nodes[bound.node].offers
            missing = [verb for verb in bound.verbs if verb not in offers]
            if missing:
                return "not offered", self._with_remedy(bound, missing)
        return None

    def _with_remedy(self, bound: BoundCheck, missing: list[str]) -> str:
        """What the node does not offer, and what to do about it."""
        from hiltest.node import remedies

        description = self.loaded.description
        node = next(each for each in description.node if each.name == bound.node)
        todo = [remedies.remedy(description, node, missing), remedies.or_leave_out(description, bound.name)]
        text = f"node {bound.node!r} does not offer {', '.join(missing)}"
        return ": ".join([text, *(["; ".join(filter(None, todo))] if any(todo) else [])])

    def may_begin(self, bound: BoundCheck) -> bool:
        """Is nothing known that keeps this check from being run? Opens nothing and asks nobody."""
        barred = self.lost or self.stopped_by or self.not_opened or self.unusable
        return not barred and not self._too_hot_for(bound) and not self.stopped_by_gates(bound)

    def _too_hot_for(self, bound: BoundCheck) -> tuple[str, str] | None:
        """The check that tells what is too hot for this one, or is read so, and that in words; None where nothing is.

        The guard would trip in each check that switches something on, and that would be told of what it is about.
        """
        if bound.spec.group in ("desk", "cold"):
            return None
        if self._hot_in is not None:
            check, words = self._hot_in
            return check, f"the guard has tripped in {check}: {words}"
        if bound.spec.group in ("bus", "sense", "switch"):
            return None
        from hiltest.guard.ceilings import ceilings

        for sensor, ceiling in ceilings(self.loaded.description).items():
            name = f"sense.ambient[{sensor}]"
            result = self.results.get(name)
            means = [] if result is None or result.outcome != "failed" else result.measurements
            if any(m.name == MEAN_AT_REST and float(m.value) > ceiling.at_c for m in means):
                return (
                    name,
                    f"{name} failed: it reads above its ceiling ({ceiling.at_c:g} degC), so the guard would trip",
                )
        return None

    @property
    def is_watched(self) -> bool:
        """Does somebody else tell how the run goes?"""
        return self._watcher is not None

    def closed_gates(self, names: Iterable[str]) -> str:
        """Which of these checks have not passed in this run, and why, in words; empty when all have.

        Raises:
            UsageError: there is no such check in this description. Says the nearest known one.
        """
        known = [bound.name for bound in self.every]
        for name in names:
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                hint = f"; did you mean {near[0]!r}?" if near else ""
                raise UsageError(f"{name!r} is no check of this description{hint}")
        return self._closed(names)

    def _closed(self, names: Iterable[str]) -> str:
        closed = [f"{name} {self._state_of(name)}" for name in names if not self._has_passed(name)]
        return "gate: " + ", ".join(closed) if closed else ""

    def _has_passed(self, name: str) -> bool:
        result = self.results.get(name)
        return result is not None and result.outcome == "passed"

    def stopped_by_gates(self, bound: BoundCheck) -> list[str]:
        """The checks at the root of why gates of `bound` are closed, each once; empty when all are open.

        What goes far has one more: no failed check that holds it back, which the guard knows (`Guard.held_back_by`).
        A gate that was not run itself stands for what stopped it. A silent bus is a closed gate for all but the
        checks that find out why it is silent.
        """
        roots: dict[str, None] = {}
        for gate in bound.gates:
            result = self.results.get(gate)
            if result is not None and (
                result.outcome == "passed"
                or (result.outcome == "not observable" and gate in bound.gates_may_not_see)
            ):
                continue
            roots |= dict.fromkeys((result.stopped_by if result is not None else []) or [gate])
        if not roots and bound.spec.goes_far and self._open is not None:
            return list(self._open.guard.held_back_by)
        found = [each for each in self.every if each.name in roots]
        asked = {
            gate for each in found for gate in each.gates_may_not_see
        }  # what a root looked into for others
        return [each.name for each in found if each.name not in asked] or list(roots)

    def _state_of(self, name: str) -> str:
        from hiltest.evidence.findings import gate_words

        result = self.results.get(name)
        return gate_words(None if result is None else result.outcome)

    def begin(self, name: str, part: str, window_s: float | None, page: Page | None = None) -> Measure:
        """Start a check; returns its `measure`."""
        self.start()
        measure = Measure(name, part, self.loaded, self._clock, self._books, self.memory, self._has_passed)
        result = CheckResult(name, "error", started_s=self._clock.now_s)
        if page is not None:
            result.look_first = list(page.causes)
            result.limits = [f"{what} ({source})" for what, source in page.limits]
        self._current = (measure, result)
        if self._open is not None and self._open.spoken:
            self._open.guard.reset()
        if self._books.journal is not None:
            self._books.journal.check(name)
        if self._watcher is not None:
            self._watcher.on_check_start(name, window_s)
        if self.settings.release:
            measure.note(f"every gate is open on the tester's own responsibility: {self.settings.release}")
        return measure

    def arm_window(self, name: str, window_s: float) -> Callable[[], None]:
        """End the check with an error when its window of bench time is over; returns what disarms it."""

        def over() -> None:
            raise CheckOverran(
                f"{name} did not end within its window of {window_s:g} s of bench time; outputs were switched off"
            )

        return (lambda: None) if self._open is None else self._open.link.after(window_s, over).cancel

    def conclude(self, error: BaseException | None) -> CheckResult:
        """End the current check: outputs off first, then its outcome, kept and told."""
        assert self._current is not None
        measure, result = self._current
        self._current = None
        off_error = self._all_off(f"end of {result.name}")
        if self._open is not None and self._open.guard.power_was_cut and not self.stopped_by:
            self._confirm_cut(measure)
        self._tell_of_doubts(measure)
        for line in [] if self._open is None else self._open.news():
            measure.note(line)
        if isinstance(error, GuardTripped) and error.look_first and not self.stopped_by:
            self._look_whether_still_hot(measure)
        if error is None:
            try:
                measure.conclude()
            except CheckFailed as failed:
                error = failed
        if isinstance(error, KeyboardInterrupt):
            self._outputs_then = self._outputs
        result.outcome, result.reason = classify(error or off_error, measure, self._outputs)
        if result.outcome == "not offered":
            from hiltest.node.remedies import or_leave_out

            leave_out = or_leave_out(self.loaded.description, result.name)
            result.reason = "; ".join(filter(None, [result.reason, leave_out]))
        if result.outcome == "passed" and measure.left_out:
            result.reason = "without " + "; ".join(f"{load}: {why}" for load, why in measure.left_out.items())
        result.measurements, result.curves = measure.measurements, measure.curves
        result.notes = measure.notes
        result.look_first = where_to_look(result, measure, error or off_error)
        if result.outcome == "failed":
            from hiltest.catalogue.scales import with_scale

            result.look_first = with_scale(
                self.loaded.description, result.name, result.look_first, measure.failed, error
            )
        self._note_loss(error)
        self._note_loss(off_error)
        if isinstance(error, RunStopped):
            self.stopped_by = result.name
        result.ended_s = self._clock.now_s
        self._keep(result)
        return result

    def _look_whether_still_hot(self, measure: Measure) -> None:
        """After a trip by a sensor that reads too hot by itself: what stays so is told once, and nothing more is powered."""
        opened = self.opened()
        with contextlib.suppress(HiltestError):
            opened.link.run_for(STILL_HOT_S)
        if opened.guard.too_hot:
            self._hot_in = (measure.check, opened.guard.too_hot)

    def _tell_of_doubts(self, measure: Measure) -> None:
        """A heater that nobody could see to be off is told at once and with the verdict; one that still can't be seen ends it."""
        if self._open is None or self.lost:
            return
        guard = self._open.guard
        told = [f"after {measure.check} {text}" for text in guard.seen_late]
        guard.seen_late.clear()
        if guard.doubted and not self.stopped_by:
            self.stopped_by = measure.check
            told.append(
                f"after {measure.check} {guard.doubted}. CUT THE SUPPLY: nothing more was switched on"
            )
        for text in told:
            measure.caution(text, qualifies=True)

    def _note_loss(self, error: BaseException | None) -> None:
        if isinstance(error, BenchLost) and not self.lost:
            self.lost = str(error)

    def skip(self, name: str, outcome: Outcome, reason: str) -> CheckResult:
        """Keep that a check did not run, and why."""
        self.start()
        at_s = self._clock.now_s
        bound = next((each for each in self.every if each.name == name), None)
        result = CheckResult(name, outcome, reason, started_s=at_s, ended_s=at_s)
        if outcome == "not run" and reason.startswith("gate: ") and bound is not None:
            result.stopped_by = self.stopped_by_gates(bound)
        elif outcome == "not run" and bound and (hot := self._too_hot_for(bound)) and reason == hot[1]:
            result.stopped_by = [hot[0]]
        elif outcome == "not run" and self.stopped_by:
            result.stopped_by = [self.stopped_by]
        self._keep(result)
        return result

    def _keep(self, result: CheckResult) -> None:
        self.results[result.name] = result
        if self._open is not None and result.outcome == "passed":
            self._open.guard.passed(result.name)
        elif self._open is not None and result.outcome == "failed":
            self._open.guard.failed(result.name)
        if self._books.journal is not None:
            self._books.journal.result(result)
        if self._watcher is not None:
            self._watcher.on_result(result)

    def _all_off(self, reason: str) -> BaseException | None:
        """Switch every output off; return what went wrong instead of raising it over the check's own error.

        On a bus that nobody was allowed to speak on yet, nothing is sent: nothing can be on by our doing.
        """
        if self._open is None:
            return None
        if not self._open.spoken:
            power = self._open.power
            self._outputs = unspoken_in_words("" if power is None else power.how_it_came_on())
            return None
        if self.lost:
            return None
        guard = self._open.guard
        used = guard.has_energised
        try:
            unverified = guard.all_off(reason)
        except HiltestError as error:
            self._outputs = self._outputs_used = outputs_in_words(used, (), error, guard.not_commanded)
            return error
        missed = guard.not_commanded
        said = outputs_in_words(used, unverified[len(missed) :], None, missed)
        if used:
            self._outputs_used = said
        # Where nothing was used nothing is asked: what was said last of what was used holds.
        self._outputs = said if missed or not self._outputs_used else self._outputs_used
        return None

    def emergency_off(self) -> None:
        """Switch every output off from wherever we are; for signals and time-outs. Never raises."""
        if self._open is not None:
            with contextlib.suppress(Exception):
                self._open.guard.emergency_off()
                self._open.flush_log()  # the process may end without another word

    # --- the end -----------------------------------------------------------------------------------

    def close(self) -> RunRecord:
        """Switch everything off, judge, write the run folder, close the bench."""
        from hiltest.clock import wall_s

        if self._current is not None:
            self.conclude(
                KeyboardInterrupt() if self.ended else BenchError("the run ended in the middle of it")
            )
        bench_s = self._clock.now_s
        if self._open is not None:
            if self._all_off("end of the run") is not None:
                self._outputs_then = self._outputs
            with contextlib.suppress(HiltestError):
                for node in self._open.nodes.values():
                    node.stop()
            bench_s = self._clock.now_s
        self._fill_in_what_did_not_run()
        record = self._record()
        record.bus_statistics = self._bus_statistics()
        record.reports, record.reports_left_out = self._reports, self._reports_left_out
        record.bench_s = bench_s
        record.wall_s = wall_s() - self._wall_start_s if self._wall_start_s else 0.0
        record.verdict, record.verdict_reason = self.verdict()
        if self._books.journal is not None:
            self._books.journal.verdict(record.verdict, record.verdict_reason, bench_s, record.bus_statistics)
            self._books.journal.close()
        if self._open is not None:
            self._open.close_log()
            record.bus_log_left_out = 0 if self._bus_log is None else self._bus_log.left_out
            try:
                for part in (*self._open.consoles.values(), self._open.meter, self._open.supply):
                    if part is not None:
                        part.close()
                _close_all(self._open.links, self._open.claims)
            except (HiltestError, OSError) as error:
                # The verdict stands; a person must know what was left otherwise than it was found.
                if self._watcher is not None:
                    self._watcher.on_note(f"closing the bench: {error}")
            self._clock.link, self._open = None, None
        if self.folder is not None:
            from hiltest.evidence.runfolder import write_run

            write_run(record, self.folder, self.loaded.description)
        return record

    def _fill_in_what_did_not_run(self) -> None:
        why = self.ended or (RUN_LOST if self.lost else RUN_ENDED)
        for bound in self.planned:
            if bound.name not in self.results:
                self.skip(bound.name, "not run", why)

    def verdict(self) -> tuple[Verdict, str]:
        """The verdict about the unit so far, why, and what it must be read with."""
        verdict, reason = self._verdict()
        ended = self._how_it_ended()
        also = [ended] if ended and verdict == "rejected" else []
        told = [
            *self.memory.get(QUALIFIED, ()),
            *self._to_know_of_a_good_one(verdict),
            *self._left_out(verdict),
        ]
        return verdict, BUT.join([reason, *also, *told])

    def _to_know_of_a_good_one(self, verdict: Verdict) -> list[str]:
        """What was not shown, fans that nothing was seen of among it; not where the run as a whole says nothing or no."""
        if verdict == "rejected" or self.lost or self.ended or self.not_opened or self.unusable:
            return []
        from hiltest.catalogue._eye import never_shown

        unshown = never_shown(self.loaded.description, self.results)
        return [*self.memory.get(QUALIFIED_UNLESS_REJECTED, ()), *unshown]

    def _left_out(self, verdict: Verdict) -> list[str]:
        """What had no part in checks that say nothing of it, however they ended, in words.

        Of a rejected unit in drills only, and in what passed all the same.
        """
        found: dict[str, dict[str, str]] = self.memory.get(LEFT_OUT, {})
        told = []
        for load, reasons in found.items():
            checks = [
                each
                for each in reasons
                if verdict != "rejected" or each.startswith("safe.") or self._has_passed(each)
            ]
            if checks:
                more = f" and {len(checks) - 1} more" if len(checks) > 1 else ""
                told.append(f"{checks[0]}{more} ran without {load}: {reasons[checks[0]]}")
        return told

    def _how_it_ended(self) -> str:
        """Why the run ended early and what the outputs did then; empty where it did not end early."""
        return f"{self.ended}: {self._outputs_then or self._outputs}" if self.ended else ""

    def _verdict(self) -> tuple[Verdict, str]:
        """The verdict, and why.

        A failed check rejects. Short of that, everything that the catalogue holds for this description must
        have passed; checks that the description lets be missing may be not offered.
        """
        failed = [result.name for result in self.results.values() if result.outcome == "failed"]
        if self._is_of_own_tests():
            return self._word_of_own_tests(failed)
        if failed:
            return "rejected", f"failed: {', '.join(failed)}"
        why = {
            "the bench could not be opened: ": self.not_opened,
            "the bench can't be used as it is described: ": self.unusable,
            f"{RUN_LOST}: ": self.lost,
            "": self._how_it_ended(),
        }
        for words, reason in why.items():
            if reason:
                return "incomplete", f"{words}{reason}"
        open_ends = [f"{result.name} ({result.outcome})" for result in self.open_ends()]
        left_out = len(self.every) - sum(bound.name in self.results for bound in self.every)
        if not open_ends and not left_out:
            passed = sum(result.outcome == "passed" for result in self.results.values())
            missing = len(self.results) - passed
            if missing:
                return "accepted", f"{passed} checks passed; {missing} not offered, as the description allows"
            return "accepted", f"all {passed} checks passed"
        reasons = [f"not shown: {', '.join(open_ends)}"] if open_ends else []
        if left_out:
            count = len(self.every)
            reasons.append(
                f"{count - left_out} of the catalogue's {count} checks were selected, a verdict needs all"
            )
        return "incomplete", "; ".join(reasons)

    def _is_of_own_tests(self) -> bool:
        return not self.planned and bool(self.results) and not (self.lost or self.not_opened or self.ended)

    def _word_of_own_tests(self, failed: list[str]) -> tuple[Verdict, str]:
        """Tests of the user's own accept no board, however well they went; one that fails does reject it."""
        passed = sum(result.outcome == "passed" for result in self.results.values())
        told = f"own tests: {passed} of {len(self.results)} passed"
        if failed:
            return "rejected", f"{told}, failed: {', '.join(failed)}"
        return "incomplete", f"{told}; no check of the catalogue was run, so this accepts no board"

    def open_ends(self) -> list[CheckResult]:
        """What was selected and shows nothing good: every result but passed, and but not offered where it may be."""
        may_miss = self.loaded.description.fixture.may_be_missing
        return [
            result
            for name, result in self.results.items()
            if result.outcome != "passed"
            and not (result.outcome == "not offered" and (name in may_miss or name.split("[")[0] in may_miss))
        ]

    def _record(self) -> RunRecord:
        simulation = self.loaded.description.simulation
        simulated = any(bus.interface == SIMULATED for bus in self.loaded.description.bus)
        order = {bound.name: number for number, bound in enumerate(self.every)}
        return RunRecord(
            unit=self.settings.unit,
            description=str(self.settings.file),
            fixture=self.loaded.description.fixture.name,
            versions=versions(self.loaded),
            seed=simulation.seed if simulated else None,
            simulated=simulated,
            faults=list(simulation.faults) if simulated else [],
            checks=sorted(self.results.values(), key=lambda result: order.get(result.name, len(order))),
            date=self._date,
            bus_curves=dict(self._bus_curves),
        )


def _without_echoes(take: Callable[[Frame], None]) -> Callable[[Frame], None]:
    """For who is told of every frame when it is handed to the adapter: its echo would be the same frame once more."""

    def heard(frame: Frame) -> None:
        if frame.is_rx:
            take(frame)

    return heard


def _close_all(links: Mapping[str, Link], claims: Iterable[Claim]) -> None:
    """Close every bus and give it free, whatever closing one of them raises."""
    with contextlib.ExitStack() as stack:
        for claim in claims:
            stack.callback(claim.release)
        for link in links.values():
            stack.callback(link.close)


def versions(loaded: Loaded) -> dict[str, str]:
    """What was used: hiltest, Python, python-can, canopen, and the description's hash."""
    import platform
    from importlib.metadata import version

    return {
        "hiltest": version("hiltest"),
        "python": platform.python_version(),
        "python-can": version("python-can"),
        "canopen": version("canopen"),
        "description sha256": loaded.text_hash,
    }
