"""The glue head with lines changed: what is found in it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hiltest.description.loading import Loaded, load_text
from hiltest.errors import DescriptionError, Problem

Change = dict[str, str]


@pytest.fixture
def load(glue_head: Path) -> Callable[[Change], Loaded]:
    """Load the glue head after replacing texts; a text that is not there is a mistake of the test.

    Its planned traffic is left out, so that a test can plan its own, or none.
    """
    text = glue_head.read_text(encoding="utf-8")
    start, end = text.index("[[bus.traffic]]"), text.index("# --- the node")
    text = text[:start] + "\n" * text[start:end].count("\n") + text[end:]  # lines keep their numbers

    def load_changed(change: Change) -> Loaded:
        changed = text
        for old, new in change.items():
            assert old in changed, f"{old!r} is not in the glue head"
            changed = changed.replace(old, new, 1)
        return load_text(changed, glue_head.parent)

    return load_changed


@pytest.fixture
def problems_of(load: Callable[[Change], Loaded]) -> Callable[[Change], tuple[Problem, ...]]:
    """The problems of the glue head after replacing texts."""

    def problems_of_changed(change: Change) -> tuple[Problem, ...]:
        with pytest.raises(DescriptionError) as caught:
            load(change)
        return caught.value.problems

    return problems_of_changed


@pytest.fixture
def only_problem(problems_of: Callable[[Change], tuple[Problem, ...]]) -> Callable[[Change], Problem]:
    """The one problem of the glue head after replacing texts."""

    def only(change: Change) -> Problem:
        problems = problems_of(change)
        assert len(problems) == 1, [str(problem) for problem in problems]
        return problems[0]

    return only
