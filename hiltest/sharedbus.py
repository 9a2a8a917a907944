"""The link's bus as a python-can bus, for programs that want one.

A second reader on one adapter would steal frames from the first. So this bus reads what the link read, and
its waits are the link's waits: heartbeats, the guard and the records go on.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

import can

from hiltest.canbus.frame import Frame, from_message, to_message
from hiltest.clock import NS_PER_S

if TYPE_CHECKING:
    from hiltest.link import Link

KEPT_FRAMES = 100_000
FOR_EVER_S = 3600.0


class SharedBus(can.BusABC):
    """A python-can bus over a link. Frames received since it was made are kept, the newest KEPT_FRAMES."""

    def __init__(self, link: Link, can_filters: can.typechecking.CanFilters | None = None) -> None:
        self._link = link
        self._frames: deque[Frame] = deque(maxlen=KEPT_FRAMES)
        self._remove = link.listen(self._take)
        self.channel_info = f"{link.port.name} through hiltest's link"
        super().__init__(channel=link.port.name, can_filters=can_filters)

    def _take(self, frame: Frame) -> None:
        if frame.is_rx:
            self._frames.append(frame)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Send through the link. `timeout` is not used: the link never blocks on a send."""
        del timeout
        self._link.send(from_message(msg))

    def recv(self, timeout: float | None = None) -> can.Message | None:
        """The next frame that passes the filters, or None after `timeout` seconds of bench time.

        None waits for up to an hour of bench time: a wait without any limit would hide a hang.
        """
        limit_s = FOR_EVER_S if timeout is None else timeout
        deadline_ns = self._link.now_ns + round(limit_s * NS_PER_S)
        while True:
            left_s = max(0, deadline_ns - self._link.now_ns) / NS_PER_S
            frame = self._link.wait_for(self._next, left_s)
            if frame is None:
                return None
            message = to_message(frame, channel=self._link.port.name)
            if self._matches_filters(message):
                return message

    def _next(self) -> Frame | None:
        return self._frames.popleft() if self._frames else None

    def _send_periodic_internal(self, *_args: object, **_options: object) -> can.CyclicSendTaskABC:
        raise NotImplementedError(
            "python-can's cyclic tasks run in a thread of their own; use link.every(period_s, action) instead"
        )

    def shutdown(self) -> None:
        """Stop listening. The adapter stays open: it is the link's."""
        self._remove()
        super().shutdown()
