"""The pytest plugin: options, fixtures and hooks. Thin: what a run does is in session.py.

Loading this module must cost a plain pytest run next to nothing, so everything heavy is imported where it
is used, and nothing of it is used unless --hil (or the ini value hil) names a fixture description.
"""

from __future__ import annotations

import signal
from collections.abc import Generator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from hiltest import spread
from hiltest.benches import BENCHES, Bench, Benches
from hiltest.errors import GateClosed, HiltestError, UsageError
from hiltest.fixtures import (  # noqa: F401 - pytest finds the fixtures in this module
    BOUND,
    FIXTURES,
    OWN_WINDOW_S,
    bench_clock,
    bench_supply,
    can_bus,
    description,
    hil_bench,
    hil_bound,
    known_nodes,
    link,
    measure,
    meter,
    node,
    nodes,
    nodes_on_bus,
    operator,
    or_fail,
    power,
    serial_console,
    target,
)
from hiltest.settings import add_options, resolve

if TYPE_CHECKING:
    from hiltest.catalogue.registry import BoundCheck
    from hiltest.evidence.model import Outcome
    from hiltest.session import Run

CATALOGUE = Path(__file__).parent / "catalogue"
RESULT = pytest.StashKey[Any]()
TOLD = pytest.StashKey[bool]()
CAUTIONED = pytest.StashKey[set[str]]()
"""Groups of checks whose caution was shown."""

NO_CATALOGUE = "the catalogue needs a fixture description: run pytest with --hil FILE"
RELEASE_HINT = (
    'In a session of your own tests: --hil-release "why" opens the gates on your own responsibility, and the records '
    "show the reason; or run the catalogue before, with the marker hil_needs on the test."
)
MARKERS = (
    "hil_node(name): which node of the description the test is about",
    "hil_bench(*names): of several benches, run the test on these only",
    "hil_needs(*checks): run the test only after these checks of the catalogue have passed in the same run",
)
WALL_MARGIN = 1.5
WALL_EXTRA_S = 20.0


# --- settings ------------------------------------------------------------------------------------------


def pytest_addoption(parser: pytest.Parser) -> None:
    add_options(parser)


def pytest_addhooks(pluginmanager: pytest.PytestPluginManager) -> None:
    from hiltest import hookspecs

    pluginmanager.add_hookspecs(hookspecs)


def pytest_configure(config: pytest.Config) -> None:
    for marker in MARKERS:
        config.addinivalue_line("markers", marker)
    config.stash[CAUTIONED] = set()
    try:
        config.stash[BENCHES] = Benches.from_settings(resolve(config))
        spread.register(config, config.stash[BENCHES])
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None


def pytest_report_header(config: pytest.Config) -> list[str]:
    benches = config.stash[BENCHES]
    lines = [bench.settings.header(bench.name if len(benches) > 1 else "") for bench in benches]
    if lines and spread.is_spreading(config):  # a worker has no terminal, and only it knows what will run
        from hiltest import cautions
        from hiltest.evidence.text import spoken

        lines += [f"caution: {spoken(text)}" for text in (cautions.GENERAL, *cautions.BY_GROUP.values())]
    return lines


def _load(config: pytest.Config) -> Benches:
    """Every bench of this session, its description read."""
    benches = config.stash[BENCHES]
    try:
        benches.load()
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None
    return benches


def _refuse_unusable_faults(bench: Bench) -> None:
    if not bench.settings.faults:
        return
    from hiltest.simbench.bench import refuse_unusable

    loaded = bench.run.loaded
    try:
        refuse_unusable(loaded.description, loaded.path.parent, bench.settings.faults)
    except UsageError as error:
        raise pytest.UsageError(str(error)) from None


def _run_of(item: pytest.Item) -> Run | None:
    """The run that a test belongs to, if it was made."""
    bench = item.config.stash[BENCHES].of(item)
    return None if bench is None or bench.record is not None else bench.made


# --- collecting the catalogue ----------------------------------------------------------------------------


@pytest.hookimpl(tryfirst=True)
def pytest_collection(session: pytest.Session) -> None:
    """A description or a simulated fault that can't be used is told before anything is collected."""
    unmade = [bench for bench in session.config.stash[BENCHES] if bench.made is None]
    _load(session.config)
    for bench in unmade:
        _refuse_unusable_faults(bench)


def pytest_collect_file(file_path: Path, parent: pytest.Collector) -> pytest.Module | None:
    if file_path.parent != CATALOGUE or file_path.suffix != ".py" or file_path.name.startswith("_"):
        return None
    if file_path.stem in ("registry", "pages"):
        return None
    if not parent.config.stash[BENCHES]:
        raise parent.CollectError(NO_CATALOGUE)
    module: pytest.Module = pytest.Module.from_parent(parent, path=file_path)
    return module


@pytest.hookimpl(tryfirst=True)  # so that the bench stands first in the names of tests
def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    spec = getattr(metafunc.function, "__hil_check__", None)
    if spec is None:
        _spread_over_benches(metafunc)
        return
    benches = _load(metafunc.config)
    found = [
        (bench.name, bound) for bench in benches for bound in bench.run.every if bound.spec.name == spec.name
    ]
    if len(benches) == 1:
        bounds = [bound for _, bound in found]
        metafunc.parametrize("hil_bound", bounds, ids=[bound.target.name for bound in bounds], indirect=True)
    else:
        ids = [f"{name}-{bound.target.name}" for name, bound in found]
        metafunc.parametrize(("hil_bench", "hil_bound"), found, ids=ids, indirect=True)


def _spread_over_benches(metafunc: pytest.Metafunc) -> None:
    """A test of one's own that uses a bench runs once on each, or on those that its marker names."""
    marker = metafunc.definition.get_closest_marker("hil_bench")
    benches = metafunc.config.stash[BENCHES]
    if "hil_bench" in metafunc.fixturenames and len(benches) > 1:
        names = [name for name in benches.names if marker is None or name in marker.args]
        metafunc.parametrize("hil_bench", names, ids=names, indirect=True)


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
    benches = config.stash[BENCHES]
    if not benches:
        return
    chosen = _select(_load(config))
    ordered: list[pytest.Item] = []
    for bench in benches:
        of_bench = [item for item in items if benches.of(item) is bench]
        ours = {bound.name: item for item in of_bench if (bound := _bound_of(item)) is not None}
        for item in (item for name, item in ours.items() if name not in chosen[bench.name]):
            config.hook.pytest_deselected(items=[item])
        planned = [
            bound for bound in bench.run.every if bound.name in ours and bound.name in chosen[bench.name]
        ]
        bench.run.planned = planned
        for bound in planned:
            ours[bound.name].stash[BOUND] = bound
            _limit_wall_time(ours[bound.name], bound.window_s)
        ordered += [ours[bound.name] for bound in planned]
        ordered += [item for item in of_bench if not _is_of_catalogue(item)]
    own = [item for item in items if benches.of(item) is None and not _is_of_catalogue(item)]
    if not _has_own_timeout(config):
        for item in ordered:
            if BOUND not in item.stash and "measure" in getattr(item, "fixturenames", ()):
                _limit_wall_time(item, OWN_WINDOW_S)
    items[:] = ordered + own


def _is_of_catalogue(item: pytest.Item) -> bool:
    return hasattr(getattr(item, "function", None), "__hil_check__")


def _limit_wall_time(item: pytest.Item, window_s: float) -> None:
    """Let pytest-timeout end a test that hangs where no bench time passes."""
    if _has_timeouts(item.config) and item.get_closest_marker("timeout") is None:
        item.add_marker(pytest.mark.timeout(window_s * WALL_MARGIN + WALL_EXTRA_S))


def _has_timeouts(config: pytest.Config) -> bool:
    """Was pytest-timeout left in?"""
    return any(config.pluginmanager.has_plugin(name) for name in ("timeout", "pytest_timeout"))


def _has_own_timeout(config: pytest.Config) -> bool:
    return _has_timeouts(config) and bool(config.getoption("timeout", None) or config.getini("timeout"))


def _select(benches: Benches) -> dict[str, set[str]]:
    """The checks to run on each bench. One that is asked for must be known to one of them."""
    chosen: dict[str, set[str]] = {}
    for bench in benches:
        try:
            chosen[bench.name] = {bound.name for bound in bench.run.chosen()}
        except UsageError as error:
            unknown = error
            chosen[bench.name] = set()
    if not any(chosen.values()):
        raise pytest.UsageError(str(unknown)) from None
    return chosen


# --- running one check -----------------------------------------------------------------------------------


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item: pytest.Item, nextitem: pytest.Item | None) -> Generator[None, Any, Any]:
    """Cautions come before what they are about. One bench is open at a time: the run ends before another is opened."""
    _caution_before(item)
    returned = yield
    benches = item.config.stash[BENCHES]
    bench, following = benches.of(item), None if nextitem is None else benches.of(nextitem)
    if bench is not None and following is not None and following is not bench:
        _close(item.config, bench)
    return returned


def _caution_before(item: pytest.Item) -> None:
    """Say what can hurt before the first check of a group that can, unless `hiltest accept` says it by its own display."""
    bound, run = item.stash.get(BOUND, None), _run_of(item)
    reporter = item.config.pluginmanager.getplugin("terminalreporter")
    if bound is None or run is None or run.is_watched or reporter is None or not run.may_begin(bound):
        return
    from hiltest import cautions
    from hiltest.evidence.text import spoken

    for text in cautions.before(bound.name, item.config.stash[CAUTIONED]):
        reporter.ensure_newline()
        reporter.write_line(f"caution: {spoken(text)}", yellow=True)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    bench = item.config.stash[BENCHES].of(item)
    if bench is None:
        return
    bound = item.stash.get(BOUND, None)
    refused: tuple[Outcome, str] | None
    if bound is not None:
        # Not item.ihook: the conftest.py of the user does not lie beside the catalogue.
        reason = item.config.hook.pytest_hil_skip(
            check=bound.name, target=bound.target, description=bench.run.loaded.description
        )
        refused = ("not run", str(reason)) if reason else bench.run.why_not(bound)
    else:
        refused = _why_not_own(item, bench)
    if refused is not None:
        outcome, reason = refused
        item.stash[RESULT] = bench.run.skip(item.nodeid if bound is None else bound.name, outcome, reason)
        pytest.skip(f"{outcome}: {reason}")


def _why_not_own(item: pytest.Item, bench: Bench) -> tuple[Outcome, str] | None:
    """Why the markers of a test of one's own keep it from being run, or None."""
    only = item.get_closest_marker("hil_bench")
    if only is not None and bench.name not in only.args:
        pytest.skip(
            f"for bench {' or '.join(map(repr, only.args)) or '(none named)'}; this is {bench.name!r}"
        )
    needed = [name for marker in item.iter_markers("hil_needs") for name in marker.args]
    closed = or_fail(lambda: bench.run.closed_gates(needed)) if needed else ""
    return ("not run", closed) if closed else None


@pytest.hookimpl(wrapper=True)
def pytest_pyfunc_call(pyfuncitem: pytest.Function) -> Generator[None, Any, Any]:
    run = _run_of(pyfuncitem)
    asked: Any = pyfuncitem.funcargs.get("measure") if run is not None else None
    if run is None or asked is None:
        return (yield)
    from hiltest.measure import CheckFailed

    bound = pyfuncitem.stash.get(BOUND, None)
    disarm = run.arm_window(asked.check, bound.window_s if bound is not None else OWN_WINDOW_S)
    error: BaseException | None = None
    returned: Any = None
    try:
        returned = yield
    except BaseException as raised:
        error = raised
    finally:
        disarm()
    if bound is None and isinstance(error, GateClosed):
        error.args = (f"{error} {RELEASE_HINT}",)
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
    run = _run_of(item)
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
    run = _run_of(item)
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
    config = session.config
    benches = config.stash[BENCHES]
    if not benches or config.option.collectonly:
        return
    if not spread.is_spreading(config):
        for bench in benches:
            # Another worker may have the bench; of several, none of its tests may have been selected.
            is_alone = len(benches) == 1 and not spread.is_worker(config)
            if bench.made is not None and (bench.made.is_begun or is_alone):
                _close(config, bench, ended=exitstatus == pytest.ExitCode.INTERRUPTED)
    if spread.is_worker(config):
        config.workeroutput["hiltest"] = benches.tell()  # type: ignore[attr-defined]
    if exitstatus == pytest.ExitCode.OK and any(
        told.has_open_ends for bench in benches for told in bench.told
    ):
        # A skipped check must not leave a green session behind.
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def _close(config: pytest.Config, bench: Bench, ended: bool = False) -> None:
    from hiltest.evidence.model import RUN_INTERRUPTED

    if bench.record is not None or bench.made is None:
        return
    bench.close(RUN_INTERRUPTED if ended else "")
    config.hook.pytest_hil_verdict(bench=bench.name, record=bench.record, folder=bench.made.folder)


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    benches = config.stash[BENCHES]
    if not benches or config.option.collectonly:
        return
    terminalreporter.section("hiltest")
    for bench in benches:
        of_bench = f" of {bench.name}" if len(benches) > 1 else ""
        if not bench.told:
            terminalreporter.line(f"verdict{of_bench}: none, no test of this bench was run to its end")
        for told in bench.told:
            if told.reason.startswith("own tests"):  # without the catalogue there is no verdict about a board
                terminalreporter.line(f"{bench.name}, {told.reason}" if of_bench else told.reason)
            else:
                where = ", on the simulated bench" if told.simulated else ""
                terminalreporter.line(f"verdict{of_bench}: {told.verdict}{where}. {told.reason}")
            if told.folder:
                terminalreporter.line(f"records{of_bench}: {told.folder}")
