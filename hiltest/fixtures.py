"""The fixtures of the plugin, for the catalogue and for tests of one's own. What they lend is in session.py."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, TypeVar

import pytest

from hiltest.benches import BENCHES, Bench
from hiltest.errors import UsageError

if TYPE_CHECKING:
    import can

    from hiltest.catalogue.registry import BoundCheck
    from hiltest.clock import Clock
    from hiltest.console import SerialConsole
    from hiltest.description.models import Description
    from hiltest.guard import GuardedNode
    from hiltest.link import Link
    from hiltest.measure import Measure
    from hiltest.meters.operator import Operator
    from hiltest.meters.power import Power
    from hiltest.meters.scpi import ScpiMeter, ScpiSupply
    from hiltest.session import Run, _Open

T = TypeVar("T")
BOUND = pytest.StashKey["BoundCheck"]()
OWN_WINDOW_S = 300.0

NO_FILE = (
    "the fixture {name!r} needs a fixture description: run pytest with --hil FILE (add --hil-simulate for the "
    "simulated bench), or set `hil = FILE` in the pytest section of your ini file"
)
NO_BENCH_NAMED = (
    "there are several benches ({names}) and {nodeid} does not say which it is about. Name a fixture of hiltest among "
    "the arguments of the test function; a unittest class runs with one --hil only"
)
FIXTURES = (
    "node",
    "nodes",
    "measure",
    "can_bus",
    "serial_console",
    "link",
    "operator",
    "power",
    "meter",
    "bench_supply",
    "description",
    "bench_clock",
    "hil_bench",
)


@pytest.fixture
def hil_bound(request: pytest.FixtureRequest) -> BoundCheck:
    """The check of the catalogue that runs now."""
    return request.param  # type: ignore[no-any-return]


@pytest.fixture
def hil_bench(request: pytest.FixtureRequest) -> str:
    """The name of the bench that the test runs on: its description's file name without the ending."""
    return _bench_of(request).name


@pytest.fixture
def target(hil_bound: BoundCheck) -> Any:
    """The part of the description (bus, node or load) that the check is about."""
    return hil_bound.target


@pytest.fixture
def description(request: pytest.FixtureRequest, hil_bench: str) -> Description:
    """The fixture description of this session."""
    del hil_bench
    return _needed(request).loaded.description


@pytest.fixture
def link(request: pytest.FixtureRequest, measure: Measure) -> Link:
    """The loop that owns the bus: everything that waits, waits in it.

    With several buses it is the link of the bus under test, of the node of @hil_node, or of the first bus; each of
    them serves all.
    """
    del measure  # asked for so that the guard stands between every test and the next
    return or_fail(lambda: _needed(request).link(_bus_of(request)))


@pytest.fixture
def bench_clock(request: pytest.FixtureRequest, hil_bench: str) -> Clock:
    """The clock of the bench: simulated or real."""
    del hil_bench
    return _opened(request).link.clock


@pytest.fixture
def can_bus(link: Link) -> Iterator[can.BusABC]:
    """The bus as any python-can program sees it. It shares the link's reader, so no frame is stolen."""
    from hiltest.sharedbus import SharedBus

    bus = SharedBus(link)
    yield bus
    bus.shutdown()


@pytest.fixture
def serial_console(request: pytest.FixtureRequest, measure: Measure) -> SerialConsole:
    """The node's serial console: of the node of @hil_node, or the first one."""
    del measure
    return or_fail(lambda: _needed(request).console(_marked_node(request)))


@pytest.fixture
def operator(request: pytest.FixtureRequest, hil_bench: str) -> Operator:
    """Who answers questions: a person at the terminal, or a file with answers."""
    del hil_bench
    return or_fail(_needed(request).operator)


@pytest.fixture
def power(request: pytest.FixtureRequest, hil_bench: str) -> Power:
    """Switches the bench's power, by the bench supply or by asking; knows whether it is on."""
    del hil_bench
    return or_fail(_needed(request).power)


@pytest.fixture
def meter(request: pytest.FixtureRequest, hil_bench: str) -> ScpiMeter | None:
    """The bench meter; None where the description has no [meter]."""
    del hil_bench
    return or_fail(_needed(request).meter)


@pytest.fixture
def bench_supply(request: pytest.FixtureRequest, hil_bench: str) -> ScpiSupply | None:
    """The bench supply; None where the description has no [bench_supply]."""
    del hil_bench
    return or_fail(_needed(request).supply)


@pytest.fixture
def measure(request: pytest.FixtureRequest, hil_bench: str) -> Measure:
    """Records values against limits; see hiltest.measure."""
    del hil_bench
    run = _needed(request)
    bound = request.node.stash.get(BOUND, None)
    if bound is None:
        made = run.begin(request.node.nodeid, "fixture", OWN_WINDOW_S)
    else:
        part = f"{bound.spec.per}[{bound.target.name}]"
        made = run.begin(bound.name, part, bound.window_s, bound.spec.page)
    made.further_limits = lambda name, unit: request.config.hook.pytest_hil_limits(
        check=made.check, name=name, unit=unit
    )
    return made


@pytest.fixture
def node(request: pytest.FixtureRequest, measure: Measure) -> GuardedNode:
    """A node with its verbs, behind the guard: the one under test, the one of @hil_node, or the only one."""
    run = _needed(request)
    bound = request.node.stash.get(BOUND, None)
    name = bound.node if bound is not None else _marked_node(request)
    del measure
    return or_fail(lambda: run.node(name or run.loaded.description.node[0].name))


def _marked_node(request: pytest.FixtureRequest) -> str:
    """The node that @hil_node names; none without the marker."""
    marker = request.node.get_closest_marker("hil_node")
    if marker is None:
        return ""
    if len(marker.args) != 1 or marker.kwargs:
        pytest.fail(f"{request.node.nodeid}: write the marker as hil_node('name')", pytrace=False)
    return str(marker.args[0])


def _bus_of(request: pytest.FixtureRequest) -> str:
    """The bus that a test is about; none where it says nothing of it."""
    bound = request.node.stash.get(BOUND, None)
    if bound is not None:
        return str(bound.bus)
    node = _marked_node(request)
    parts = _needed(request).loaded.description.node
    return next((part.bus or "" for part in parts if part.name == node), "")


@pytest.fixture
def nodes_on_bus(
    request: pytest.FixtureRequest, hil_bound: BoundCheck, measure: Measure
) -> list[GuardedNode]:
    """Every node on the bus under test, or on the bus of the part under test."""
    del measure
    return _needed(request).known_nodes(hil_bound.bus)


@pytest.fixture
def known_nodes(request: pytest.FixtureRequest, measure: Measure) -> list[GuardedNode]:
    """Every node that was enumerated in this run, on whatever bus."""
    del measure
    return _needed(request).known_nodes()


@pytest.fixture
def nodes(request: pytest.FixtureRequest, measure: Measure) -> dict[str, GuardedNode]:
    """Every node of the description by its name, behind the guard."""
    run = _needed(request)
    del measure
    return or_fail(lambda: {part.name: run.node(part.name) for part in run.loaded.description.node})


def _opened(request: pytest.FixtureRequest) -> _Open:
    return or_fail(_needed(request).opened)


def or_fail(make: Callable[[], T]) -> T:
    try:
        return make()
    except UsageError as error:
        pytest.fail(str(error), pytrace=False)


def _needed(request: pytest.FixtureRequest) -> Run:
    return or_fail(lambda: _bench_of(request).run)


def _bench_of(request: pytest.FixtureRequest) -> Bench:
    benches = request.config.stash[BENCHES]
    if not benches:
        pytest.fail(NO_FILE.format(name=_asked_for(request)), pytrace=False)
    bench = benches.of(request.node)
    if bench is None:
        text = NO_BENCH_NAMED.format(names=", ".join(benches.names), nodeid=request.node.nodeid)
        pytest.fail(text, pytrace=False)
    return bench


def _asked_for(request: pytest.FixtureRequest) -> str:
    """The fixture of ours that the test itself names; the one that is being made, if it names none."""
    names = (
        inspect.signature(request.function).parameters if isinstance(request.node, pytest.Function) else ()
    )
    return next((name for name in names if name in FIXTURES), request.fixturename or "hiltest")
