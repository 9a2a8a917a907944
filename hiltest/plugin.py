"""The pytest plugin: options, fixtures and hooks. Thin: what a run does is in session.py.

Loading this module must cost a plain pytest run next to nothing, so everything heavy is imported where it
is used, and nothing of it is used unless --hil (or the ini value hil) names a fixture description.
"""

from __future__ import annotations

import contextlib
import inspect
import signal
from collections.abc import Callable, Generator, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import pytest

from hiltest.errors import HiltestError, UsageError
from hiltest.settings import Settings, add_options, resolve

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
CATALOGUE = Path(__file__).parent / "catalogue"
SETTINGS = pytest.StashKey[Settings]()
"""What is in force. Whoever starts pytest by itself (`hiltest accept`) puts a run into the stash as well."""
RUN = pytest.StashKey["Run"]()
BOUND = pytest.StashKey["BoundCheck"]()
RESULT = pytest.StashKey[Any]()
TOLD = pytest.StashKey[bool]()
RECORD = pytest.StashKey[Any]()

NO_CATALOGUE = "the catalogue needs a fixture description: run pytest with --hil FILE"
NO_FILE = (
    "the fixture {name!r} needs a fixture description: run pytest with --hil FILE (add --hil-simulate for the "
    "simulated bench), or set `hil = FILE` in the pytest section of your ini file"
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
)
SPREAD = (
    "one bench can't be driven by several processes: the tests of a session with --hil run in one. Leave out -n "
    "(pytest-xdist), or give -n 0"
)
WALL_MARGIN = 1.5
WALL_EXTRA_S = 20.0
OWN_WINDOW_S = 300.0


# --- settings ------------------------------------------------------------------------------------------


def pytest_addoption(parser: pytest.Parser) -> None:
    add_options(parser)


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "hil_node(name): which node of the description the test is about")
    try:
        config.stash[SETTINGS] = resolve(config)
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None
    if config.stash[SETTINGS].file is not None and _is_spread(config):
        raise pytest.UsageError(SPREAD)


def _is_spread(config: pytest.Config) -> bool:
    """Are the tests handed to several processes (pytest-xdist), or is this one of them?"""
    asked = [config.getoption(name, None) for name in ("numprocesses", "tx")]
    return any(asked) or hasattr(config, "workerinput")


def pytest_report_header(config: pytest.Config) -> str | None:
    settings = config.stash[SETTINGS]
    return settings.header() if settings.file is not None else None


def run_of(config: pytest.Config) -> Run | None:
    """The run of this session, made when first asked for; None when no description was given."""
    if RUN in config.stash:
        return config.stash[RUN]
    settings = config.stash[SETTINGS]
    if settings.file is None:
        return None
    from hiltest.session import Run, load

    try:
        config.stash[RUN] = Run(settings, load(settings))
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None
    return config.stash[RUN]


def _needed(request: pytest.FixtureRequest) -> Run:
    run = run_of(request.config)
    if run is None:
        pytest.fail(NO_FILE.format(name=_asked_for(request)), pytrace=False)
    return run


def _asked_for(request: pytest.FixtureRequest) -> str:
    """The fixture of ours that the test itself names; the one that is being made, if it names none."""
    names = (
        inspect.signature(request.function).parameters if isinstance(request.node, pytest.Function) else ()
    )
    return next((name for name in names if name in FIXTURES), request.fixturename or "hiltest")


# --- collecting the catalogue ----------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """A description that can't be used is told before anything is collected."""
    run_of(session.config)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Module | None:
    if file_path.parent != CATALOGUE or file_path.suffix != ".py" or file_path.name.startswith("_"):
        return None
    if file_path.stem in ("registry", "pages"):
        return None
    if run_of(parent.config) is None:
        raise parent.CollectError(NO_CATALOGUE)
    module: pytest.Module = pytest.Module.from_parent(parent, path=file_path)
    return module


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    spec = getattr(metafunc.function, "__hil_check__", None)
    if spec is None:
        return
    run = run_of(metafunc.config)
    assert run is not None
    bounds = [bound for bound in run.every if bound.spec.name == spec.name]
    metafunc.parametrize("hil_bound", bounds, ids=[bound.target.name for bound in bounds], indirect=True)


def _bound_of(item: pytest.Item) -> BoundCheck | None:
    callspec = getattr(item, "callspec", None)
    bound = None if callspec is None else callspec.params.get("hil_bound")
    return (
        bound if hasattr(bound, "spec") else None
    )  # pytest's "not set" where the description has no such part


def pytest_itemcollected(item: pytest.Item) -> None:
    """Let -k find a check by its name in the catalogue."""
    bound = _bound_of(item)
    if bound is not None:
        item.extra_keyword_matches |= {bound.name, bound.spec.name}


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    run = run_of(config) if config.stash[SETTINGS].file is not None else None
    if run is None:
        return
    own = [item for item in items if not hasattr(getattr(item, "function", None), "__hil_check__")]
    ours = {bound.name: item for item in items if (bound := _bound_of(item)) is not None}
    chosen = _select(run)
    for item in (item for name, item in ours.items() if name not in chosen):
        config.hook.pytest_deselected(items=[item])
    ordered = [ours[bound.name] for bound in run.every if bound.name in ours and bound.name in chosen]
    run.planned = [bound for bound in run.every if bound.name in ours and bound.name in chosen]
    for item in ordered:
        bound = _bound_of(item)
        assert bound is not None
        item.stash[BOUND] = bound
        _limit_wall_time(item, bound.window_s)
    if not _has_own_timeout(config):
        for item in own:
            if "measure" in getattr(item, "fixturenames", ()):
                _limit_wall_time(item, OWN_WINDOW_S)
    items[:] = ordered + own


def _limit_wall_time(item: pytest.Item, window_s: float) -> None:
    """Let pytest-timeout end a test that hangs where no bench time passes."""
    if _has_timeouts(item.config) and item.get_closest_marker("timeout") is None:
        item.add_marker(pytest.mark.timeout(window_s * WALL_MARGIN + WALL_EXTRA_S))


def _has_timeouts(config: pytest.Config) -> bool:
    """Was pytest-timeout left in?"""
    return any(config.pluginmanager.has_plugin(name) for name in ("timeout", "pytest_timeout"))


def _has_own_timeout(config: pytest.Config) -> bool:
    return _has_timeouts(config) and bool(config.getoption("timeout", None) or config.getini("timeout"))


def _select(run: Run) -> set[str]:
    try:
        return {bound.name for bound in run.chosen()}
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None


# --- running one check -----------------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    bound = item.stash.get(BOUND, None)
    run = run_of(item.config) if bound is not None else None
    if bound is None or run is None:
        return
    refused = run.why_not(bound)
    if refused is not None:
        outcome, reason = refused
        item.stash[RESULT] = run.skip(bound.name, outcome, reason)
        pytest.skip(f"{outcome}: {reason}")


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, Any, Any]:
    run = pyfuncitem.config.stash.get(RUN, None)
    measure: Any = pyfuncitem.funcargs.get("measure") if run is not None else None
    if run is None or measure is None:
        return (yield)
    from hiltest.measure import CheckFailed

    bound = pyfuncitem.stash.get(BOUND, None)
    disarm = run.arm_window(measure.check, bound.window_s if bound is not None else OWN_WINDOW_S)
    error: BaseException | None = None
    returned: Any = None
    try:
        returned = yield
    except BaseException as raised:
        error = raised
    finally:
        disarm()
    result = run.conclude(_as_ours(error))
    pyfuncitem.stash[RESULT] = result
    if result.outcome == "passed":
        return returned
    if isinstance(error, KeyboardInterrupt | SystemExit | pytest.exit.Exception | pytest.skip.Exception):
        raise error
    if result.outcome in ("not observable", "not offered"):
        pytest.skip(f"{result.outcome}: {result.reason}")
    if (
        error is None
        or isinstance(error, CheckFailed)
        or (bound is not None and isinstance(error, HiltestError))
    ):
        # What was measured says it all; where in the catalogue it was measured helps nobody at the bench.
        pytest.fail(result.reason, pytrace=False)
    raise error


def _as_ours(error: BaseException | None) -> BaseException | None:
    """pytest's own ways to end a test, as the records know them."""
    from hiltest.errors import StepSkipped
    from hiltest.measure import CheckFailed

    if isinstance(error, pytest.skip.Exception):
        return StepSkipped(str(error))
    if isinstance(error, pytest.fail.Exception):
        return CheckFailed(str(error))
    return error


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Generator[None, Any, Any]:
    report = yield
    run = item.config.stash.get(RUN, None)
    if run is not None and call.when != "teardown":
        _keep_result(run, item, call)
        report.user_properties = list(item.user_properties)
    return report


def _keep_result(run: Run, item: pytest.Item, call: pytest.CallInfo[None]) -> None:
    """Conclude what pytest_pyfunc_call did not see, and let the measurements be properties in junit.xml."""
    bound = item.stash.get(BOUND, None)
    error = None if call.excinfo is None else call.excinfo.value
    if run.in_check and (call.when == "call" or error is not None):
        # A fixture failed, or the test was no plain function.
        item.stash[RESULT] = run.conclude(_as_ours(error))
    elif call.when == "setup" and error is not None and bound is not None and RESULT not in item.stash:
        item.stash[RESULT] = run.skip(bound.name, "error", str(error))
    result = item.stash.get(RESULT, None)
    if result is not None and not item.stash.get(TOLD, False):
        item.stash[TOLD] = True
        item.user_properties += [
            (f"{m.name} [{m.unit}]" if m.unit else m.name, m.value) for m in result.measurements
        ]


@pytest.hookimpl(tryfirst=True, optionalhook=True)
def pytest_timeout_set_timer(item: pytest.Item, settings: Any) -> bool | None:
    """The guard acts before pytest-timeout ends the test or the process."""
    run = item.config.stash.get(RUN, None)
    if run is None:
        return None
    import pytest_timeout

    if settings.method == "signal":

        def on_alarm(_number: int, _frame: Any) -> None:
            run.emergency_off()
            pytest_timeout.timeout_sigalrm(item, settings)

        signal.signal(signal.SIGALRM, on_alarm)
        signal.setitimer(signal.ITIMER_REAL, settings.timeout)

        def cancel() -> None:
            signal.setitimer(signal.ITIMER_REAL, 0)
            signal.signal(signal.SIGALRM, signal.SIG_DFL)

    else:
        import threading

        def on_timer() -> None:
            run.emergency_off()
            pytest_timeout.timeout_timer(item, settings)

        timer = threading.Timer(settings.timeout, on_timer)
        timer.start()
        cancel = timer.cancel
    item.cancel_timeout = cancel  # type: ignore[attr-defined]
    return True


# --- the end ---------------------------------------------------------------------------------------------


def pytest_keyboard_interrupt(excinfo: pytest.ExceptionInfo[BaseException]) -> None:
    del excinfo  # outputs are off by now: the check that was interrupted was concluded first


@pytest.hookimpl(tryfirst=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int | pytest.ExitCode) -> None:
    run = session.config.stash.get(RUN, None)
    if run is None or session.config.option.collectonly:
        return
    if exitstatus == pytest.ExitCode.INTERRUPTED:
        run.ended = "the run was interrupted"
    with _undisturbed():
        record = run.close()
    session.config.stash[RECORD] = record
    if run.open_ends() and exitstatus == pytest.ExitCode.OK:
        # A skipped check must not leave a green session behind.
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


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


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    record = config.stash.get(RECORD, None)
    if record is None:
        return
    terminalreporter.section("hiltest")
    terminalreporter.line(f"verdict: {record.verdict}. {record.verdict_reason}")
    run = config.stash[RUN]
    if run.folder is not None:
        terminalreporter.line(f"records: {run.folder}")


# --- fixtures --------------------------------------------------------------------------------------------


@pytest.fixture
def hil_bound(request: pytest.FixtureRequest) -> BoundCheck:
    """The check of the catalogue that runs now."""
    return request.param  # type: ignore[no-any-return]


@pytest.fixture
def target(hil_bound: BoundCheck) -> Any:
    """The part of the description (bus, node or load) that the check is about."""
    return hil_bound.target


@pytest.fixture
def description(request: pytest.FixtureRequest) -> Description:
    """The fixture description of this session."""
    return _needed(request).loaded.description


@pytest.fixture
def link(request: pytest.FixtureRequest, measure: Measure) -> Link:
    """The loop that owns the bus: everything that waits, waits in it.

    With several buses it is the link of the bus under test, of the node of @hil_node, or of the first bus; each of
    them serves all.
    """
    del measure  # asked for so that the guard stands between every test and the next
    return _or_usage(lambda: _needed(request).link(_bus_of(request)))


@pytest.fixture
def bench_clock(request: pytest.FixtureRequest) -> Clock:
    """The clock of the bench: simulated or real."""
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
    """The node's serial console."""
    del measure
    return _or_usage(_needed(request).console)


@pytest.fixture
def operator(request: pytest.FixtureRequest) -> Operator:
    """Who answers questions: a person at the terminal, or a file with answers."""
    return _or_usage(_needed(request).operator)


@pytest.fixture
def power(request: pytest.FixtureRequest) -> Power:
    """Switches the bench's power, by the bench supply or by asking; knows whether it is on."""
    return _or_usage(_needed(request).power)


@pytest.fixture
def meter(request: pytest.FixtureRequest) -> ScpiMeter | None:
    """The bench meter; None where the description has no [meter]."""
    return _or_usage(_needed(request).meter)


@pytest.fixture
def bench_supply(request: pytest.FixtureRequest) -> ScpiSupply | None:
    """The bench supply; None where the description has no [bench_supply]."""
    return _or_usage(_needed(request).supply)


@pytest.fixture
def measure(request: pytest.FixtureRequest) -> Measure:
    """Records values against limits; see hiltest.measure."""
    run = _needed(request)
    bound = request.node.stash.get(BOUND, None)
    if bound is None:
        return run.begin(request.node.nodeid, "fixture", OWN_WINDOW_S)
    part = f"{bound.spec.per}[{bound.target.name}]"
    return run.begin(bound.name, part, bound.window_s, bound.spec.page.causes)


@pytest.fixture
def node(request: pytest.FixtureRequest, measure: Measure) -> GuardedNode:
    """A node with its verbs, behind the guard: the one under test, the one of @hil_node, or the only one."""
    run = _needed(request)
    bound = request.node.stash.get(BOUND, None)
    name = bound.node if bound is not None else _marked_node(request)
    del measure
    return _or_usage(lambda: run.node(name or run.loaded.description.node[0].name))


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
    return _or_usage(lambda: {part.name: run.node(part.name) for part in run.loaded.description.node})


def _opened(request: pytest.FixtureRequest) -> _Open:
    return _or_usage(_needed(request).opened)


def _or_usage(make: Callable[[], T]) -> T:
    try:
        return make()
    except UsageError as error:
        pytest.fail(str(error), pytrace=False)
