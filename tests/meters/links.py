"""Links without a bus, for tests of what waits in them."""

from __future__ import annotations

from hiltest.canbus.frame import Frame
from hiltest.clock import RealClock, SimulatedClock, sleep_s
from hiltest.link import Link


class SilentPort:
    """A bus on which nothing ever comes, in real or simulated time."""

    name, bit_rate_bps, bus = "can", 1_000_000, None

    def __init__(self, clock: RealClock | SimulatedClock) -> None:
        self.clock = clock

    def recv(self, timeout_s: float) -> Frame | None:
        if isinstance(self.clock, SimulatedClock):
            self.clock.advance_to(self.clock.now_ns + round(timeout_s * 1e9))
        else:
            sleep_s(timeout_s)
        return None

    def send(self, frame: Frame) -> None: ...
    def flush(self) -> None: ...
    def close(self) -> None: ...
    def reopen(self, bit_rate_bps: int) -> None: ...
    def state(self) -> str:
        return "active"

    def counters(self) -> None:
        return None


def real_link() -> Link:
    """In real time."""
    return Link(SilentPort(RealClock()))  # type: ignore[arg-type]


def simulated_link() -> Link:
    """In simulated time."""
    return Link(SilentPort(SimulatedClock()))  # type: ignore[arg-type]
