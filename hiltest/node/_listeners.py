"""Who wants to be told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Generic, ParamSpec

P = ParamSpec("P")


class Listeners(Generic[P]):
    """Functions that are called one after the other; one may take itself off while it is called."""

    def __init__(self) -> None:
        self._all: list[Callable[P, object]] = []

    def add(self, listener: Callable[P, object]) -> Callable[[], None]:
        """Call `listener` from now on; returns what takes it off again, which may be called twice."""
        self._all.append(listener)

        def remove() -> None:
            if listener in self._all:
                self._all.remove(listener)

        return remove

    def __call__(self, *args: P.args, **kwargs: P.kwargs) -> None:
        """Tell all of them."""
        for listener in tuple(self._all):
            listener(*args, **kwargs)
