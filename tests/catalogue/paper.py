"""Desk checks on an edited glue head, for tests. No bench is opened."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from hiltest.catalogue.registry import bind_all
from hiltest.clock import SimulatedClock
from hiltest.description.loading import load_text
from hiltest.evidence.model import Curve, Measurement
from hiltest.measure import Measure

FIXTURES = Path(__file__).parents[2] / "fixtures"
GLUE_HEAD = (FIXTURES / "glue_head.toml").read_text(encoding="utf-8")


class Nobody:
    """Keeps nothing."""

    def measurement(self, measurement: Measurement) -> None: ...
    def sample(self, curve: Curve, t_s: float, value: float) -> None: ...
    def mark(self, curve: Curve, name: str, t_s: float) -> None: ...
    def note(self, check: str, text: str) -> None: ...
    def caution(self, check: str, text: str) -> None: ...


def without_traffic(text: str = GLUE_HEAD) -> str:
    """The glue head with no planned traffic."""
    return text[: text.index("[[bus.traffic]]")] + text[text.index("# --- the node") :]


def desk(name: str, text: str, folder: Path = FIXTURES) -> Measure:
    """Run a desk check on a description; returns its measure, not concluded."""
    loaded = load_text(text, folder)
    bound = next(each for each in bind_all(loaded.description) if each.name == name)
    part = f"{bound.spec.per}[{bound.target.name}]"
    measure = Measure(bound.name, part, loaded, SimulatedClock(), Nobody())
    function: Callable[..., None] = getattr(
        __import__(bound.spec.module, fromlist=["_"]), bound.spec.function
    )
    function(target=bound.target, measure=measure)
    return measure


def value(measure: Measure, name: str) -> float:
    """What was measured under `name`."""
    found = next(each.value for each in measure.measurements if each.name == name)
    assert isinstance(found, int | float), found
    return found


def failed(measure: Measure) -> list[str]:
    """Names of the measurements that failed."""
    return [each.name for each in measure.failed]
