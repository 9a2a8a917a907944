"""The serial-line door: a pseudo-terminal behind which sits the bench's adapter, speaking slcan.

python-can's `slcan` interface and the Linux kernel's line discipline 17 talk to it as to a USB adapter. The
bit rate that a client sets is the real bit rate of a real controller on the bench: a wrong one disturbs.
"""

from __future__ import annotations

from hiltest.canbus.frame import Frame
from hiltest.errors import BenchLost
from hiltest.simbench.adapter import Adapter, QueueFull
from hiltest.simbench.controller import Timing
from hiltest.simbench.doors import slcanline
from hiltest.simbench.doors.pseudoterminal import PseudoTerminal
from hiltest.simbench.doors.slcanline import SlcanLine

UNSENT_BYTES = 2048
"""Frames stay in the adapter's own queue while more than this waits in front of the client."""


class SlcanDoor:
    """Serves one adapter on one pseudo-terminal.

    `reports`: also send state and error lines. Clients that do not know them must skip lines they do not
    know; python-can's and the Linux driver do.
    """

    name = "adapter"

    def __init__(
        self, adapter: Adapter, *, reports: bool = True, answers_sends: bool = True, serial: str = "1000"
    ) -> None:
        self.adapter = adapter
        self.terminal = PseudoTerminal()
        self.serial = serial
        self.line = SlcanLine(self, reports=reports, answers_sends=answers_sends)
        self._error_seen = False
        self._lost_before = 0
        adapter.close_channel()  # until a client says O, as on a real adapter

    @property
    def path(self) -> str:
        """What a client opens."""
        return self.terminal.path

    # --- for the loop that serves the doors ---------------------------------------------------------

    def fileno(self) -> int:
        """For select()."""
        return self.terminal.fileno()

    def serve_input(self) -> None:
        """Read what the client has written and do it."""
        data = self.terminal.read()
        if data:
            self.terminal.write(self.line.feed(data))

    def serve_output(self) -> None:
        """Send what has become ready; hang up if the adapter was unplugged."""
        terminal = self.terminal
        if terminal.closed:
            return
        if not self.adapter.connected:
            self.close()
            return
        terminal.flush()
        while terminal.unsent < UNSENT_BYTES:
            frames = self.adapter.take_many(64)
            if not frames:
                return
            terminal.write(b"".join(map(self._report, frames)))

    @property
    def due_ns(self) -> int | None:
        """When output becomes ready, in bench time."""
        return None if self.terminal.closed else self.adapter.next_ready_ns

    def close(self) -> None:
        """Hang up."""
        self.terminal.close()

    def _report(self, frame: Frame) -> bytes:
        if frame.error:
            self._error_seen = True
        return self.line.report(frame)

    # --- the adapter's side of the protocol ---------------------------------------------------------

    def set_timing(self, timing: Timing) -> None:
        """A bit rate was chosen while the channel is closed."""
        self.adapter.controller.timing = timing

    def open_channel(self, *, listen_only: bool) -> None:
        """O or L."""
        self.adapter.discard_received()
        self._error_seen = False
        self.adapter.open_channel(listen_only=listen_only)

    def close_channel(self) -> None:
        """C."""
        self.adapter.close_channel()
        self.adapter.discard_received()

    def send(self, frame: Frame) -> bool:
        """t, T, r, R: False if there is no room."""
        try:
            self.adapter.send(frame)
        except (QueueFull, BenchLost):
            return False
        return True

    def flags(self) -> int:
        """The answer to F; reading it clears what it remembers."""
        adapter = self.adapter
        flags = 0
        if adapter.waiting_to_send >= adapter.policy.queue_frames:
            flags |= slcanline.TX_FULL
        if adapter.lost_in_host > self._lost_before:
            flags |= slcanline.RX_FULL | slcanline.OVERRUN
            self._lost_before = adapter.lost_in_host
        state = adapter.state
        if state != "active":
            flags |= slcanline.WARNING
        if state in ("passive", "off"):
            flags |= slcanline.PASSIVE
        if self._error_seen:
            flags |= slcanline.BUS_ERROR
            self._error_seen = False
        return flags
