"""The catalogue as data: names, order, gates, pages."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hiltest import cautions
from hiltest.catalogue.pages import page_text
from hiltest.catalogue.registry import GROUPS, BoundCheck, always, bind_all, checks, find, with_gates
from hiltest.description.loading import load_description
from hiltest.errors import UsageError
from hiltest.evidence.text import spoken

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"


@pytest.fixture(scope="module")
def every() -> list[BoundCheck]:
    return bind_all(load_description(GLUE_HEAD).description)


def test_every_check_has_a_whole_page() -> None:
    """A page without purpose, hazard, method, sourced limits and ordered causes helps nobody."""
    for spec in checks():
        page = spec.page
        assert spec.group in GROUPS
        assert all(len(text) > 20 for text in (page.purpose, page.method)), spec.name
        assert page.hazard
        assert page.limits, spec.name
        assert all(limit and source for limit, source in page.limits), spec.name
        assert page.causes, spec.name
        assert spec.name in page_text(spec.name)


def test_no_page_shows_a_name_in_braces() -> None:
    """What was to be filled in was filled in."""
    for spec in checks():
        page = spec.page
        told = (
            page.purpose,
            page.hazard,
            page.method,
            *page.causes,
            *(word for limit in page.limits for word in limit),
        )
        assert not [text for text in told if "{" in text], spec.name


def test_groups_that_can_hurt_show_a_caution() -> None:
    """Heat, motion and drills carry their caution and point to local codes."""
    for name in ("heat.pulse", "motion.direction", "safe.host_silence"):
        text = " ".join(page_text(name).split())
        assert spoken(cautions.BY_GROUP[name.split(".")[0]]) in text
        assert "Local codes" in text


def test_no_check_stands_before_one_of_its_gates(every: list[BoundCheck]) -> None:
    """Running order respects every gate, so that no gate can be closed by order alone."""
    seen: set[str] = set()
    names = {bound.name for bound in every}
    for bound in every:
        for gate in bound.gates:
            assert gate in names, f"{bound.name} waits for {gate}, which does not exist"
            assert gate in seen, f"{bound.name} runs before its gate {gate}"
        seen.add(bound.name)


def test_what_gets_hot_needs_its_own_sensor_and_a_pulse(every: list[BoundCheck]) -> None:
    """The closed loop waits for the pulse, and the pulse for the sensor on the same block."""
    gates = {bound.name: bound.gates for bound in every}
    assert "heat.pulse[reservoir]" in gates["heat.low_setpoint[reservoir]"]
    assert "sense.ambient[reservoir]" in gates["heat.pulse[reservoir]"]
    assert "motion.driver_ready[pump]" in gates["motion.direction[pump]"]


def test_a_selection_takes_its_gates_along(every: list[BoundCheck]) -> None:
    """Asking for the setpoint runs all that it depends on, in order (a drill too, with a fan on), and nothing else."""
    wanted = [bound for bound in every if bound.name == "heat.low_setpoint[reservoir]"]
    names = [bound.name for bound in with_gates(wanted, every)]
    assert names[-1] == "heat.low_setpoint[reservoir]"
    assert {"bus.quiet[can]", "bus.enumerate[head]", "heat.pulse[reservoir]"} <= set(names)
    assert {"safe.host_silence[head]", "fan.tach[electronics]"} <= set(names)
    assert not any(name.startswith(("lamp.", "motion.", "bus.load")) for name in names)


def test_a_selection_takes_along_what_it_builds_on(every: list[BoundCheck]) -> None:
    """A drill asked for alone gets the checks without which nothing would be on, and could be seen to drop."""
    for drill in ("safe.power_return[head]", "safe.emergency_stop[head]", "safe.host_silence[head]"):
        names = [bound.name for bound in with_gates([each for each in every if each.name == drill], every)]
        assert {"fan.tach[electronics]", "fan.tach[nozzle]", "heat.pulse[reservoir]"} <= set(names), drill


def test_what_a_check_builds_on_comes_before_it(every: list[BoundCheck]) -> None:
    """Running order has it done by then; each name is one of this description, if it is for one."""
    place = {bound.name: at for at, bound in enumerate(every)}
    for bound in every:
        for name in bound.builds_on:
            assert place[name] < place[bound.name], f"{bound.name} builds on {name}"


def test_each_condition_is_told_on_the_page() -> None:
    """A check that a description may have no use for says for which it is."""
    for spec in checks():
        assert bool(spec.only_where) is (spec.when is not always), spec.name
        assert ("In the catalogue only where" in page_text(spec.name)) is bool(spec.only_where), spec.name


def test_an_unknown_name_is_met_with_the_nearest_one() -> None:
    """A typing error costs one look."""
    with pytest.raises(UsageError, match=re.escape("did you mean 'fan.tach'")):
        find("fan.tack")


def test_every_drill_states_a_time() -> None:
    """A limit in seconds with its default, and where it comes from."""
    for spec in checks():
        if spec.group == "safe":
            assert any(re.search(r"\d s\b", limit) for limit, _ in spec.page.limits), spec.name
            for limit, _ in spec.page.limits:
                for name in re.findall(r"(?:node|limits)\.(\w+_s)\b", limit):
                    assert re.search(rf"{name}, [\d.]+ s", limit), (spec.name, limit)
