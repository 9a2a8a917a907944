"""What the program of every simulated board has, whatever protocol it speaks: its life, its watchdog, its bus troubles."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from hiltest.simbench.controller import State

if TYPE_CHECKING:
    from hiltest.simbench.board import Board

CAUSE_UNKNOWN, CAUSE_POWER, CAUSE_BROWN_OUT, CAUSE_WATCHDOG, CAUSE_COMMAND = range(5)

OVER_VOLTAGE_SHARE = 1.25
BUS_OFF_PAUSE_NS = 100_000_000
WATCHDOG_NS = 500_000_000


@dataclass(slots=True)
class Habits:
    """Decisions of the firmware. The defaults are those of a sound one."""

    watches_host: bool = True
    host_watch_factor: float = 1.0
    any_traffic_feeds_watch: bool = False
    watch_needs_working_bus: bool = False
    outputs_need_operational: bool = True
    resumes_setpoints: bool = False
    resumes_after_power: bool = False
    starts_by_itself: bool = False
    obeys_all_off: bool = True
    silence_stops_motors: bool = True
    moves_need_start: bool = True
    recovers_from_bus_off: bool = True
    watchdog: bool = True
    heartbeat_from_timer: bool = False
    heartbeat_factor: float = 1.0
    heartbeat_jitter_s: float = 0.0003
    answer_delay_s: float = 0.0
    sends_boot_up: bool = True
    loses_frames: float = 0.0
    fans_follow_heat: bool = True
    version: str | None = None

    def resumes(self, reset_cause: int) -> bool:
        """Does it go on with the setpoints it had, after a start for this cause?"""
        return self.resumes_setpoints or (self.resumes_after_power and reset_cause == CAUSE_POWER)


class BoardProgram:
    """The program of one board. It lives from power-up to power-down; a reset makes a new one."""

    def __init__(self, board: Board, habits: Habits) -> None:
        self.board = board
        self.habits = habits
        self.queue = board.queue
        self.reset_cause = CAUSE_UNKNOWN
        self.errors_seen = 0
        self.hung = False
        self._rng = board.rng("firmware")
        self._started_ns = self.queue.now_ns

    def begin(self, cause: int, *, armed_axes: bool = False) -> None:
        """The application starts, for this cause; with `armed_axes` its axes need no start command of the bus."""
        self.reset_cause = cause
        self._started_ns = self.queue.now_ns
        if armed_axes:
            for axis in self.board.axes:
                axis.operational = True

    @property
    def uptime_ms(self) -> int:
        """Milliseconds since the application started."""
        return (self.queue.now_ns - self._started_ns) // 1_000_000

    def stand_still(self) -> None:
        """It hangs from now on. Its watchdog, if there is one, resets the board."""
        self.hung = True
        if self.habits.watchdog:
            self.queue.after(WATCHDOG_NS, self._watchdog_bites)

    def _watchdog_bites(self) -> None:
        if self.hung and self.board.firmware is self:
            self.board.reset(CAUSE_WATCHDOG)

    # --- the bus's own troubles -----------------------------------------------------------------------

    def bus_error(self) -> None:
        """The controller saw an error."""
        self.errors_seen += 1

    def bus_state(self, state: State) -> None:
        """The controller changed its state."""
        if state == "off":
            self.end_sending()
            if self.habits.recovers_from_bus_off:
                self.queue.after(BUS_OFF_PAUSE_NS, self._restart_controller)

    def _restart_controller(self) -> None:
        if self.board.firmware is self and self.board.controller.restart():
            self.is_back_on_the_bus()

    def end_sending(self) -> None:
        """Called when the controller went off the bus: nothing more is to be sent of what was under way."""
        raise NotImplementedError

    def is_back_on_the_bus(self) -> None:
        """Called when the controller was restarted."""
