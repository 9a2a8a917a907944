"""Several benches at once with pytest-xdist: one worker a bench, never two on one bus.

All tests of a bench go to one worker, in their order; benches that share an adapter, a console or an instrument
share a worker. Tests that use no bench go to whoever is free. Loaded only when pytest-xdist is in use.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from hiltest.benches import Benches
from hiltest.errors import UsageError

EACH = (
    "--dist each runs every test in every worker: two of them would command one bench against each other. "
    "Leave --dist out: hiltest gives each bench to one worker"
)


def is_worker(config: pytest.Config) -> bool:
    """Is this one of pytest-xdist's workers?"""
    return hasattr(config, "workerinput")


def is_spreading(config: pytest.Config) -> bool:
    """Does this process hand its tests to workers?"""
    return (
        not is_worker(config)
        and config.getoption("dist", "no") != "no"
        and bool(config.getoption("tx", None))
        and not config.option.collectonly
    )


def register(config: pytest.Config, benches: Benches) -> None:
    """Let each bench have one worker, if there are workers.

    Raises:
        UsageError: the way of sharing out that was asked for can't be had with a bench.
    """
    if not benches or not is_spreading(config):
        return
    if config.getoption("dist") == "each":
        raise UsageError(EACH)
    config.pluginmanager.register(Spread(benches), "hiltest-spread")


class Spread:
    """What the process that hands out the tests does."""

    def __init__(self, benches: Benches) -> None:
        self._benches = benches

    def pytest_report_header(self) -> str:
        return f"hil: {len(self._benches)} bench(es), the tests of each in one worker"

    @pytest.hookimpl(tryfirst=True)
    def pytest_xdist_make_scheduler(self, config: pytest.Config, log: Any) -> Any:
        from xdist.scheduler.loadscope import LoadScopeScheduling

        scope_of = scopes(self._benches)

        class BenchScheduling(LoadScopeScheduling):  # type: ignore[misc]
            """Hands out benches, not tests."""

            def _split_scope(self, nodeid: str) -> str:
                return scope_of(nodeid)

        return BenchScheduling(config, log)

    def pytest_testnodedown(self, node: Any, error: object) -> None:
        del error
        for told in getattr(node, "workeroutput", {}).get("hiltest", []):
            self._benches.hear(told)


def scopes(benches: Benches) -> Callable[[str], str]:
    """From the name of a test to what must stay in one worker.

    With one bench nothing in the name tells whether a test uses it, so all stay together.
    """
    if len(benches) == 1:
        return lambda _nodeid: benches[0].name
    groups = {bench.name: benches.group_of(bench) for bench in benches}
    # The plugin's parameter stands first in the brackets.
    pattern = re.compile(r"\[(" + "|".join(map(re.escape, groups)) + r")[-\]]")

    def scope_of(nodeid: str) -> str:
        found = pattern.search(nodeid)
        return f"bench {groups[found[1]]}" if found else nodeid

    return scope_of
