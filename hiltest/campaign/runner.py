"""The catalogue without pytest around it: for campaigns over many simulated boards, where start-up counts.

The same functions, gates, guard and records as under pytest; only the collecting and reporting are left out.
"""

from __future__ import annotations

import importlib
import inspect
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.catalogue.registry import BoundCheck
    from hiltest.evidence.model import RunRecord
    from hiltest.measure import Measure
    from hiltest.session import Run
    from hiltest.settings import Settings


def run_catalogue(
    settings: Settings,
    before_close: Callable[[Run], None] | None = None,
    only: Sequence[str] = (),
    until_failed: bool = False,
) -> RunRecord:
    """Run the checks of the catalogue for one unit.

    Args:
        settings: as the plugin takes them.
        before_close: called with the run when all checks are done and the bench is still open.
        only: run these checks (group.name[load]) and what their gates need; default: every check. The verdict
            of such a run is at best incomplete.
        until_failed: stop after the first check that fails: the unit is rejected, whatever the others would say.

    Raises:
        UsageError: the description or a setting can't be used, or a name in `only` is no check of it.
    """
    from hiltest.session import Run, load

    run = Run(settings, load(settings))
    run.planned = _chosen(run.every, only)
    try:
        for bound in run.planned:
            run_one(run, bound)
            if until_failed and run.results[bound.name].outcome == "failed":
                run.ended = f"{bound.name} failed, and nothing after it was asked for"
                break
        if before_close is not None:
            before_close(run)
    finally:
        record = run.close()
    return record


def _chosen(every: list[BoundCheck], only: Sequence[str]) -> list[BoundCheck]:
    if not only:
        return list(every)
    from hiltest.catalogue.registry import with_gates

    known = {bound.name: bound for bound in every}
    unknown = [name for name in only if name not in known]
    if unknown:
        raise UsageError(f"only={unknown}: no such check for this description; it has {', '.join(known)}")
    return with_gates([known[name] for name in only], every)


def run_one(run: Run, bound: BoundCheck) -> None:
    """Run one check of `run`, or keep why it may not run."""
    refused = run.why_not(bound)
    if refused is not None:
        run.skip(bound.name, *refused)
        return
    function = getattr(importlib.import_module(bound.spec.module), bound.spec.function)
    part = f"{bound.spec.per}[{bound.target.name}]"
    error: BaseException | None = None
    disarm: Callable[[], None] = lambda: None  # noqa: E731 - replaced below, once the bench is open
    measure = run.begin(bound.name, part, bound.window_s, bound.spec.page)
    try:
        arguments = {
            name: _argument(run, bound, measure, name) for name in inspect.signature(function).parameters
        }
        disarm = run.arm_window(bound.name, bound.window_s)
        function(**arguments)
    except Exception as raised:
        error = raised
    finally:
        disarm()
    run.conclude(error)


def _argument(run: Run, bound: BoundCheck, measure: Measure, name: str) -> Any:
    """What pytest would give as the fixture `name`."""
    makers: dict[str, Callable[[], Any]] = {
        "target": lambda: bound.target,
        "measure": lambda: measure,
        "description": lambda: run.loaded.description,
        "link": lambda: run.link(bound.bus),
        "node": lambda: run.node(bound.node),
        "nodes_on_bus": lambda: run.known_nodes(bound.bus),
        "known_nodes": run.known_nodes,
        "operator": run.operator,
        "power": run.power,
        "meter": run.meter,
        "bench_supply": run.supply,
        "serial_console": run.console,
    }
    if name not in makers:
        raise UsageError(f"{bound.name} asks for {name!r}, which the runner does not have")
    return makers[name]()
