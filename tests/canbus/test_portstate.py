"""What a port says of its adapter's state, and what of that the controller has said."""

from __future__ import annotations

from typing import Any

import can
import pytest

from hiltest.canbus.opening import BusPort


class Silent(can.BusABC):
    """A bus of python-can that neither sends nor hears."""

    def __init__(self) -> None:
        super().__init__(channel="none")

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        raise NotImplementedError

    def _recv_internal(self, timeout: float | None) -> tuple[None, bool]:
        return None, True


class Asks(Silent):
    """Its state is read from the controller."""

    answer = can.BusState.ACTIVE

    @property  # type: ignore[misc]
    def state(self) -> can.BusState:
        return self.answer


class Mirrors(Silent):
    """Its state is the mode that was set, as with several families of python-can 4."""

    mode = can.BusState.ACTIVE

    @property
    def state(self) -> can.BusState:
        return self.mode

    @state.setter
    def state(self, new_state: can.BusState) -> None:
        self.mode = new_state


@pytest.mark.parametrize(
    ("kind", "value", "said"),
    [
        (Silent, None, "unknown"),
        (Asks, can.BusState.ACTIVE, "active"),
        (Asks, can.BusState.PASSIVE, "passive"),
        (Asks, can.BusState.ERROR, "off"),
        (Mirrors, can.BusState.ACTIVE, "unknown"),
        (Mirrors, can.BusState.PASSIVE, "unknown"),
        (Mirrors, can.BusState.ERROR, "off"),
    ],
)
def test_a_mode_that_was_set_is_no_word_of_the_controller(kind: type[Silent], value: Any, said: str) -> None:
    """An adapter that gives back its mode tells nothing of errors, and zero reports of it are no finding."""
    bus = kind()
    if isinstance(bus, Asks):
        bus.answer = value
    elif isinstance(bus, Mirrors):
        bus.mode = value
    port = BusPort("can", bus, 500_000, lambda *_, **__: bus)
    assert port.state() == said
    port.close()
