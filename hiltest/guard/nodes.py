"""The verbs of a node behind the guard: the only door to what gets hot or moves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING

from hiltest.description.models import Heater, Stepper
from hiltest.errors import (
    NodeFault,
    NotOffered,
    Refused,
    UsageError,
)
from hiltest.node.verbs import (
    BusCounters,
    Configured,
    Drills,
    Hangs,
    HasEncoder,
    Identity,
    NodeDriver,
    NodeStatus,
    NumbersItsBurst,
    OldMove,
    Presence,
    Reading,
    ReadsCeiling,
    StepperDriver,
    Synchronises,
)

if TYPE_CHECKING:
    from hiltest.guard.watch import Guard

ABOVE_CEILING_MAX_K = 20.0
"""How far above its ceiling a drill may ask a heater to go; the node is expected to refuse."""


class GuardedNode:
    """A node's verbs behind the guard: the same as `verbs.NodeDriver`, but nothing energises unasked.

    Verbs that energise raise, besides what the driver raises, `GateClosed` or `GuardTripped`, and `UsageError` for
    a setpoint above the ceiling or a pulse that is too long. Switching off is always allowed.
    """

    def __init__(self, driver: NodeDriver, guard: Guard) -> None:
        self._driver = driver
        self._guard = guard
        self.name = driver.name

    @property
    def driver(self) -> NodeDriver:
        """The driver without the guard. Whoever energises through it has no protection."""
        return self._driver

    @property
    def offers(self) -> frozenset[str]:
        """Verbs this node has, as 'verb' or 'verb[load]'."""
        return self._driver.offers

    @property
    def unanswered(self) -> int:
        """Requests that stayed without an answer so far."""
        return self._driver.unanswered

    @property
    def held_back_by(self) -> tuple[str, ...]:
        """Failed checks after which no move is longer than a small one and no setpoint stands longer than a pulse."""
        return self._guard.held_back_by

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        """Closed loop towards `setpoint_c`. 0 switches the heater off.

        Once a check has failed that holds it back (`held_back_by`), the guard trips where it stands longer than a pulse.
        """
        self._guard.check_setpoint(heater, setpoint_c)
        if setpoint_c > 0:
            self._guard.permit("set_heater_c", heater)
            # Before it is sent: a command whose answer is lost may still have been carried out.
            self._guard.note_setpoint(heater, setpoint_c)
            self._driver.set_heater_c(heater, setpoint_c)
        else:
            self._driver.set_heater_c(heater, setpoint_c)
            self._guard.note_off("heater", heater)

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        """Open loop at `duty` (0..1); the node itself ends it after `seconds`."""
        self._guard.check_pulse(heater, duty, seconds)
        if duty > 0 and seconds > 0:
            self._guard.permit("pulse_heater", heater)
            self._guard.note_pulse(heater, seconds)
            self._driver.pulse_heater(heater, duty, seconds)
        else:
            self._driver.pulse_heater(heater, duty, seconds)
            self._guard.note_off("heater", heater)

    def set_fan(self, fan: str, duty: float) -> None:
        """Run a fan at `duty` (0..1); 0 switches it off."""
        self._switch("set_fan", "fan", fan, duty > 0, partial(self._driver.set_fan, fan, duty))

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        """Show one colour of the lamp, or none."""
        is_on = colour is not None
        self._switch("set_lamp", "lamp", lamp, is_on, partial(self._driver.set_lamp, lamp, colour))

    def enable_driver(self, stepper: str, on: bool) -> None:
        """Put current on the motor, or take it off."""
        send = partial(self._driver.enable_driver, stepper, on)
        self._switch("enable_driver", "stepper", stepper, on, send)

    def _switch(self, verb: str, kind: str, name: str, on: bool, send: Callable[[], None]) -> None:
        if on:
            self._guard.permit(verb, name)
            self._guard.note_on(kind, name)
            send()
        else:
            send()
            self._guard.note_off(kind, name)

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move; returns when the node says it is done. Raises NoAnswer when it does not.

        Longer than small_move_rev, or further than two of these from where the axis began, it has more gates, and is refused
        once a check has failed: see `held_back_by`.
        """
        turns, way = self._turns(stepper, microsteps), self._guard.way(stepper)
        self._look_how_far(stepper)
        self._guard.permit("move", stepper, travel_rev=turns)
        self._guard.note_on("stepper", stepper)
        try:
            self._driver.move(stepper, microsteps, speed_rev_s, within_s)
        except BaseException:
            way.unanswered(turns)  # the axis may go on: how far, its counter shows before the next move
            raise
        way.moved(turns)

    def _look_how_far(self, stepper: str) -> None:
        """How far a move went that ended without an answer; where nobody can see that, it counts as made to its end."""
        way = self._guard.way(stepper)
        if not way.is_open:
            return
        if f"read_position[{stepper}]" in self.offers:
            with suppress(NodeFault):
                self.read_position(stepper)
                way.settle()
                return
        way.count_whole()

    def _turns(self, stepper: str, microsteps: int) -> float:
        """Turns of the motor, with their sign."""
        load = self._guard.load("stepper", stepper)
        assert isinstance(load, Stepper)
        return microsteps / (load.steps_per_rev * load.microsteps)

    def restart(self, within_s: float) -> float:
        """Reset the node; return seconds from the command to its first sign of life. All outputs end off."""
        axes = self._guard.axes_of(self.name)
        for stepper in axes:
            self._look_how_far(stepper)
        self._guard.note_node_off(self.name)
        for stepper in axes:
            self._guard.way(stepper).restarted()
        return self._driver.restart(within_s)

    # --- for drills: what a careless, late or dead host would do --------------------------------------

    def ask_above_ceiling(self, heater: str, above_k: float = 10.0) -> bool:
        """Ask the node for a setpoint above the heater's ceiling; True if the node took it.

        The only setpoint that passes the guard's own ceiling. It is taken back at once, whatever the node answered,
        and it needs a heater that has shown its pulse and its closed loop.

        Raises:
            UsageError: `above_k` is not 0 to 20 K.
        """
        load = self._guard.load("heater", heater)
        assert isinstance(load, Heater)
        if not 0.0 < above_k <= ABOVE_CEILING_MAX_K:
            raise UsageError(f"above_k={above_k!r} must be more than 0 and up to {ABOVE_CEILING_MAX_K:g} K")
        self._guard.permit("ask_above_ceiling", heater)
        self._guard.note_setpoint(heater, load.ceiling_c)
        try:
            self._driver.set_heater_c(heater, load.ceiling_c + above_k)
        except Refused:
            return False
        finally:
            self._driver.set_heater_c(heater, 0.0)
            self._guard.note_off("heater", heater)
        return True

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset; never above the described one.

        Raises:
            UsageError: it is above the heater's ceiling.
            NotOffered: the node has no such setting.
        """
        load = self._guard.load("heater", heater)
        assert isinstance(load, Heater)
        if not ceiling_c <= load.ceiling_c:
            raise UsageError(
                f"ceiling_c={ceiling_c!r}: the ceiling of heater {heater!r} is {load.ceiling_c:g}"
            )
        self._drills("set_heater_ceiling_c").set_heater_ceiling_c(heater, ceiling_c)

    def send_stale(
        self,
        fans: Mapping[str, float],
        heaters_c: Mapping[str, float],
        moves: Mapping[str, OldMove] | None = None,
    ) -> None:
        """Send commands as a host that missed the node's reset: a sound node does not follow them.

        Never waits, so a timer may call it while the node is down; what nobody acknowledges stays in the adapter's
        queue. The same gates as for fans, setpoints and moves hold. The guard does not count these loads as on, so whoever
        sends watches the outputs and calls `stop_all` when one comes on.

        Raises:
            NotOffered: the driver can't do this.
        """
        drills = self._drills("send_stale")
        for fan in fans:
            self._guard.permit("set_fan", fan)
        for heater, setpoint_c in heaters_c.items():
            self._guard.check_setpoint(heater, setpoint_c)
            self._guard.permit("set_heater_c", heater)
        for stepper, move in (moves or {}).items():
            self._guard.permit("move", stepper, travel_rev=self._turns(stepper, move.microsteps))
        self._guard.note_maybe_on(name for name, setpoint_c in heaters_c.items() if setpoint_c > 0)
        if moves:
            drills.send_stale(fans, heaters_c, moves)
        else:  # a driver of somebody else's may know of no moves
            drills.send_stale(fans, heaters_c)

    def hang(self, seconds: float) -> None:
        """Let the node's program stand still; the guard bears its silence and its restart for `seconds`.

        Nothing on the bus can switch its outputs off meanwhile: whoever calls this has put on no more than may stay on
        for ever.

        Raises:
            GateClosed: the node has not shown that it drops its outputs when the host falls silent.
            NotOffered: the node can't do this.
        """
        if not isinstance(self._driver, Hangs) or "hang" not in self.offers:
            raise NotOffered(self.name, "hang")
        self._guard.permit_node("hang", self.name)
        self._guard.excuse(self.name, seconds)
        self._guard.note_node_off(self.name)
        self._guard.note_maybe_on()
        self._driver.hang()

    def excuse(self, name: str, seconds: float) -> None:
        """Let the guard bear that this node, or the sensor `name`, is silent for a drill; see `Guard.excuse`."""
        self._guard.excuse(name, seconds)

    def has_no_power(self) -> None:
        """Tell the guard that the node's power was taken away on purpose, so that its loads are off and it may boot."""
        for stepper in self._guard.axes_of(self.name):
            way = self._guard.way(stepper)
            way.count_whole()
            way.restarted()
        self._guard.note_no_power(self.name)

    def _drills(self, verb: str) -> Drills:
        if not isinstance(self._driver, Drills):
            raise NotOffered(self.name, verb)
        return self._driver

    # Nothing below energises.

    def read_encoder(self, stepper: str) -> int:
        """The counter of a stepper's encoder. Raises NotOffered where the node has none."""
        if not isinstance(self._driver, HasEncoder):
            raise NotOffered(self.name, f"read_encoder[{stepper}]")
        return self._driver.read_encoder(stepper)

    def start(self) -> None:
        """Attach to the link, start the host's sign of life, leave every output off."""
        self._driver.start()

    def stop(self) -> None:
        """Detach from the link."""
        self._driver.stop()

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._driver.on_reading(listener)

    def search(self, within_s: float) -> Mapping[int, Presence]:
        """Look for every node of this protocol on the bus, disturbing none."""
        return self._driver.search(within_s)

    def identify(self) -> Identity:
        """Who the node says it is."""
        return self._driver.identify()

    def read_status(self) -> NodeStatus:
        """Time since reset, and its cause."""
        return self._driver.read_status()

    def read_bus_counters(self) -> BusCounters:
        """The node's own CAN error counters."""
        return self._driver.read_bus_counters()

    def watch_heartbeat(self, for_s: float) -> list[float]:
        """Bench times (s) of the node's heartbeats during the next `for_s` seconds."""
        return self._driver.watch_heartbeat(for_s)

    def go_silent(self) -> None:
        """Stop everything the host sends by itself, as if it had died."""
        self._driver.go_silent()

    def resume(self) -> None:
        """Start the host's sign of life again. Commands nothing."""
        self._driver.resume()

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node send `frames` frames, one every `interval_s`; returns at once."""
        self._driver.send_burst(frames, interval_s)

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent so far."""
        return self._driver.read_burst()

    def burst_ids(self) -> frozenset[int]:
        """Identifiers of the frames of a burst, if the node numbers them; else none."""
        return self._driver.burst_ids() if isinstance(self._driver, NumbersItsBurst) else frozenset()

    def send_hard_burst(self, frames: int, interval_s: float) -> None:
        """A burst with few edges to synchronise on. Raises NotOffered where the node has no such data."""
        if not isinstance(self._driver, NumbersItsBurst):
            raise NotOffered(self.name, "send_hard_burst")
        self._driver.send_hard_burst(frames, interval_s)

    def synchronise(self) -> None:
        """Make the nodes send what they send on a common signal. Raises NotOffered where there is none."""
        if not isinstance(self._driver, Synchronises):
            raise NotOffered(self.name, "synchronise")
        self._driver.synchronise()

    def compare_configuration(self) -> tuple[int, list[str]]:
        """How many settings are known, and each that differs. Raises NotOffered where none is known."""
        if not isinstance(self._driver, Configured):
            raise NotOffered(self.name, "compare_configuration")
        return self._driver.compare_configuration()

    def read_supply_v(self) -> float:
        """Supply voltage at the node."""
        return self._driver.read_supply_v()

    def read_temperature_c(self, sensor: str) -> float:
        """Temperature in degC; raises Refused when the node has no valid value."""
        return self._driver.read_temperature_c(sensor)

    def read_heater_output(self, heater: str) -> float:
        """Duty (0..1) that the node applies at this moment."""
        return self._driver.read_heater_output(heater)

    def read_heater_ceiling_c(self, heater: str) -> float:
        """The ceiling that the node itself holds now, in degC. Raises NotOffered where it can't be read."""
        if not isinstance(self._driver, ReadsCeiling):
            raise NotOffered(self.name, f"read_heater_ceiling_c[{heater}]")
        return self._driver.read_heater_ceiling_c(heater)

    def read_tach_hz(self, fan: str) -> float:
        """Tach pulses per second."""
        return self._driver.read_tach_hz(fan)

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        """Set run current (A RMS per phase) and microsteps of the stepper driver."""
        self._driver.configure_driver(stepper, run_current_a, microsteps)

    def read_driver(self, stepper: str) -> StepperDriver:
        """What the stepper driver reports."""
        return self._driver.read_driver(stepper)

    def read_position(self, stepper: str) -> int:
        """The node's step counter, in microsteps."""
        counter = self._driver.read_position(stepper)
        self._guard.way(stepper).read(self._turns(stepper, counter))
        return counter

    def read_switch(self, switch: str) -> bool:
        """True when the switch is actuated."""
        return self._driver.read_switch(switch)

    def stop_all(self) -> None:
        """Command every output off by the quickest way. Never waits for an answer."""
        was_told = self._driver.stop_all() is not False
        self._guard.note_node_off(self.name)
        if was_told:
            self._guard.note_stopped(self.name)
