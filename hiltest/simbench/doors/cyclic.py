"""Cyclic sending in bench time, with the interface of python-can's own tasks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

import can
from can.broadcastmanager import (
    LimitedDurationCyclicSendTaskABC,
    ModifiableCyclicTaskABC,
    RestartableCyclicTaskABC,
)

from hiltest.clock import to_ns
from hiltest.simbench.events import Repeating

if TYPE_CHECKING:
    from hiltest.simbench.doors.inprocess import HiltestBus


class BenchCyclicTask(LimitedDurationCyclicSendTaskABC, ModifiableCyclicTaskABC, RestartableCyclicTaskABC):
    """Sends one message after the other on a fixed grid of bench time, the first at once.

    A frame that finds the adapter's queue full is not sent, as with a real adapter; `missed` counts them.
    """

    def __init__(
        self,
        bus: HiltestBus,
        messages: Sequence[can.Message] | can.Message,
        period: float,
        duration: float | None,
        modifier_callback: Callable[[can.Message], None] | None,
    ) -> None:
        super().__init__(messages, period, duration)
        # Callers go on editing their messages: the task keeps its own.
        self.messages = tuple(_copied(message) for message in self.messages)
        self.missed = 0
        self._bus = bus
        self._modify = modifier_callback
        self._repeating: Repeating | None = None
        self._end_ns = 0
        self._turn = 0

    def start(self) -> None:
        """Begin with the first message, now."""
        if self._repeating is not None:
            return
        queue = self._bus.bench.queue
        if self.duration is not None:
            self._end_ns = queue.now_ns + to_ns(self.duration, "duration")
        self._turn = 0
        self._repeating = queue.every(to_ns(self.period, "period"), self._send_next, first_after_ns=0)

    def stop(self) -> None:
        """Send no more."""
        if self._repeating is not None:
            self._repeating.cancel()
            self._repeating = None

    def _send_next(self) -> None:
        bus = self._bus
        if self.duration is not None and bus.bench.queue.now_ns >= self._end_ns:
            self.stop()
            return
        message = self.messages[self._turn % len(self.messages)]
        self._turn += 1
        if self._modify is not None:
            self._modify(message)
        try:
            bus.send(message)
        except can.CanOperationError:
            self.missed += 1


def _copied(message: can.Message) -> can.Message:
    return can.Message(
        timestamp=message.timestamp,
        arbitration_id=message.arbitration_id,
        is_extended_id=message.is_extended_id,
        is_remote_frame=message.is_remote_frame,
        is_error_frame=message.is_error_frame,
        channel=message.channel,
        dlc=message.dlc,
        data=bytearray(message.data),
        is_fd=message.is_fd,
        is_rx=message.is_rx,
        bitrate_switch=message.bitrate_switch,
        error_state_indicator=message.error_state_indicator,
    )
