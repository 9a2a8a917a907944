"""The console driver: the verbs of a node whose loads are reached by lines of text alone.

What is commanded is a line to send, what is read is a pattern that a line of the answer must fit. The host's sign of
life is a line, too, sent again and again. On the bus the node is only listened to: its heartbeat, and what it tells
in messages. There is no thread: every wait goes through the link.
"""

from __future__ import annotations

import contextlib
import math
import re
from collections.abc import Callable, Mapping
from functools import partial
from pathlib import Path

from hiltest.console import Line, SerialConsole
from hiltest.description.models import DRIVER_FLAGS, Console, Description, Node, Stepper
from hiltest.errors import BenchLost, NoAnswer, NodeFault, NotOffered, Refused, UsageError
from hiltest.link import Link, Timer
from hiltest.node._consolebus import BusSide
from hiltest.node._consolemove import Mover
from hiltest.node._consoleread import Reader
from hiltest.node._consoleroles import ConsoleRoles, Place
from hiltest.node._consoletalk import Talk
from hiltest.node._lamp import check_colour
from hiltest.node._listeners import Listeners
from hiltest.node._roletable import Key
from hiltest.node.frames import LayoutCodec
from hiltest.node.signals import RESET_CAUSES, find_node
from hiltest.node.verbs import (
    BusCounters,
    Identity,
    NodeStatus,
    OldMove,
    Presence,
    Reading,
    ReadingKind,
    StepperDriver,
)

WATCH_S = 0.5
"""How often a hot heater's sensor is asked for in the background, so that the guard sees it."""

BOOT_AFTER_S = 1.0
"""Time for the banner to end once the node has shown that it lives again."""


class ConsoleDriver:
    """One node with protocol "console". Implements `hiltest.node.verbs.NodeDriver`.

    `folder` is where the description lies: other nodes of the bus may name files.

    Raises:
        UsageError: there is no such node, or its console's port is no port.
        DescriptionError: a role can't be used; every problem in one go.
        BenchNotOpened: the console can't be opened.
    """

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        self._link = link
        self._node = find_node(description, node)
        self.name = self._node.name
        self._settings = _console_of(description, self._node)
        codec = LayoutCodec(self._node)
        self._roles = ConsoleRoles(description, self._node, codec)
        self._sensor_of = {heater.name: heater.sensor for heater in description.heater}
        spots = [place.spot for place in self._roles.reports.values() if place.spot is not None]
        self._bus = BusSide(link, description, self._node, codec, spots, self._on_beat, folder or Path())
        self._boot = None if self._settings.boot is None else re.compile(self._settings.boot)
        self._reported = None if self._settings.report is None else re.compile(self._settings.report)
        self._listeners: Listeners[[Reading]] = Listeners()
        self._report_listeners: Listeners[[int, str]] = Listeners()
        self._timers: list[Timer] = []
        self._hot: set[str] = set()
        self._lives = 0
        self._restarting = False
        self._product_checked = False
        settings = self._settings
        self._console = SerialConsole(link, settings, settings.line_end, settings.unsolicited)
        self._talk = Talk(link, self._console, settings, self.name, self._on_log)
        self._reader = Reader(
            self.name, settings, self._roles, self._bus, link, self._talk, self._console, self._report
        )
        self._is_attached = False

    # --- attaching ----------------------------------------------------------------------------------

    @property
    def console(self) -> SerialConsole:
        """The node's console, for who wants to see what was said."""
        return self._console

    @property
    def offers(self) -> frozenset[str]:
        verbs = {"identify", "stop_all", "send_stale"} | self._roles.offers()
        if self._bus.has_heartbeat:
            verbs |= {"search", "watch_heartbeat"}
        elif self._boot is None:
            verbs.discard("restart")  # nothing would tell when it is back
        if ("node", self.name, "hang") in self._roles.commands and (self._bus.has_heartbeat or self._boot):
            verbs.add("hang")
        if self._settings.alive is not None:
            verbs |= {"go_silent", "resume"}
        for name in self._roles.names("stepper"):
            if all(("stepper", name, role) in self._roles.commands for role in ("enable", "distance")):
                verbs.add(f"send_stale[{name}]")  # a move to an end would need to ask where it stands
        return frozenset(verbs)

    @property
    def unanswered(self) -> int:
        """Lines that stayed without an answer that fits so far."""
        return self._talk.unanswered

    def start(self) -> None:
        """Attach to the link, listen for the node, command every output off, then give signs of life.

        May be called again: it then goes on giving signs of life if they had stopped.
        """
        if not self._is_attached:
            self._is_attached = True
            self._bus.start()
            # Listen before speaking: what is said to a board that is still booting is lost.
            listen_s = self._node.boot_max_s + 2 * self._node.heartbeat_s
            self._link.wait_for(self._is_heard, listen_s)
            self._talk.settle(self._settings.answer_s)
            self.stop_all()
        self.resume()

    def _is_heard(self) -> bool:
        return self._bus.feedback.frames.total() > 0 or self._console.unfinished.endswith(
            self._settings.prompt or "\0"
        )

    def stop(self) -> None:
        """Detach from the link, give no more signs of life, close the port."""
        self.go_silent()
        self._bus.stop()
        self._talk.close()
        self._console.close()
        self._is_attached = False

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._listeners.add(listener)

    def on_report(self, listener: Callable[[int, str], None]) -> Callable[[], None]:
        """Call `listener` with bench time (ns) and text of each line of [console] report; returns what ends it."""
        return self._report_listeners.add(listener)

    def _report(
        self, kind: ReadingKind, name: str, value: float, t_ns: int | None = None, asked: bool = False
    ) -> None:
        reading = Reading(kind, name, value, self._link.now_ns if t_ns is None else t_ns, asked)
        self._listeners(reading)

    # --- what comes by itself -------------------------------------------------------------------------

    def _on_beat(self, t_ns: int, is_new: bool) -> None:
        if is_new:
            self._begun_anew(t_ns)
        self._report("heartbeat", self.name, 0.0, t_ns)

    def _on_log(self, line: Line) -> None:
        text = line.text.removeprefix(self._settings.prompt).strip()
        if self._boot is not None and self._boot.fullmatch(text):
            if not (self._restarting and self._bus.has_heartbeat):  # there its heartbeat tells
                self._begun_anew(line.t_ns)
            return
        if self._reported is not None and self._reported.fullmatch(text):
            self._report_listeners(line.t_ns, text)
        self._reader.take_printed(text, line.t_ns)

    def _begun_anew(self, t_ns: int) -> None:
        """The node was reset: what it said before is no answer any more."""
        self._lives += 1
        self._reader.forget()
        self._hot.clear()
        self._product_checked = False
        self._report("boot", self.name, 0.0, t_ns)

    # --- commanding -----------------------------------------------------------------------------------

    def _tell(self, place: Place, line: str, value: float | None, energises: bool = False) -> None:
        """Send a command's line. Where its answer holds a number, that is what the node took.

        Raises:
            Refused: the node refuses, has taken another value, or is not the board that may be energised.
            NoAnswer: no answer that fits.
        """
        if energises:
            self._check_product()
        # The line for off has an answer of its own.
        wants = [] if place.pattern is None or line == place.off else [place.pattern]
        matches = self._talk.ask(line, *wants)
        if not matches or value is None or not matches[0].re.groups:
            return
        text = matches[0][1] or ""
        taken = place.number(text)
        places = len(text.partition(".")[2])
        slack = 0.51 * abs(place.scale) * 10.0**-places
        if taken is None or abs(taken - value) > slack:
            raise Refused(self.name, f"{line!r}", f"it took {text} for it")

    def _check_product(self) -> None:
        expected = self._node.product_code
        key = ("node", self.name, "product_code")
        if self._product_checked or expected is None or key not in self._roles.reports:
            return
        found = round(self._reader.value(key, "identify"))
        if found != expected:
            raise Refused(
                self.name,
                "to be energised",
                f"its product code is 0x{found:X}, the description says 0x{expected:X}; a board that is not the "
                "expected one is left alone",
            )
        self._product_checked = True

    # --- the node itself --------------------------------------------------------------------------------

    def search(self, within_s: float) -> Mapping[int, Presence]:
        """Listen on the bus for `within_s`; the node is found under its node id, or 0 if it has none.

        Raises:
            NotOffered: it has no heartbeat on the bus.
        """
        self._need_heartbeat("search")
        serial = self._roles.reports.get(("node", self.name, "serial_number"))
        return self._bus.search(within_s, None if serial is None else serial.spot)

    def _need_heartbeat(self, verb: str) -> None:
        if not self._bus.has_heartbeat:
            raise NotOffered(self.name, f"{verb} (no heartbeat of it on the bus in the description)")

    def identify(self) -> Identity:
        """Who it says it is. A node with no role of an identity is asked nothing."""
        roles = ("vendor_id", "product_code", "revision", "serial_number", "hardware", "firmware")
        reports = self._roles.reports
        places = {
            role: reports["node", self.name, role] for role in roles if ("node", self.name, role) in reports
        }
        texts = self._reader.texts(places)

        def number(role: str) -> int:
            return round(self._reader.number_in(places[role], texts[role])) if role in texts else 0

        return Identity(
            number("vendor_id"),
            number("product_code"),
            number("revision"),
            number("serial_number"),
            hardware=texts.get("hardware", ""),
            firmware=texts.get("firmware", ""),
        )

    def read_status(self) -> NodeStatus:
        names = ("uptime_s", "reset_cause")
        places = {role: self._roles.report("node", self.name, role, "read_status") for role in names}
        texts = self._reader.texts(places)
        uptime_s = self._reader.number_in(places["uptime_s"], texts["uptime_s"])
        said = texts["reset_cause"].lower().replace("_", "-").replace(" ", "-")
        if said in RESET_CAUSES:
            return NodeStatus(uptime_s, said)
        value = places["reset_cause"].number(said)
        is_known = value is not None and value.is_integer() and 0 <= value < len(RESET_CAUSES)
        return NodeStatus(uptime_s, RESET_CAUSES[int(value)] if is_known and value is not None else "unknown")

    def read_bus_counters(self) -> BusCounters:
        roles = ("transmit_errors", "receive_errors", "bus_errors")
        found = self._reader.numbers("node", self.name, roles, "read_bus_counters")
        return BusCounters(*(round(found[role]) for role in roles))

    def read_supply_v(self) -> float:
        return self._reader.value(("node", self.name, "supply_v"), "read_supply_v")

    def restart(self, within_s: float) -> float:
        """Command a reset; return seconds from the line to the node's first sign of life after it.

        That is the first heartbeat after a break, or the line of its boot where it has no heartbeat.

        Raises:
            NoAnswer: it went on as if nothing had been said, or did not come back.
        """
        place = self._roles.command("node", self.name, "restart", "restart")
        if "restart" not in self.offers:
            raise NotOffered(self.name, "restart (neither a heartbeat nor [console] boot in the description)")
        was_silent = not self._timers
        self.go_silent()
        mark, lives, started_s = self._bus.feedback.mark(), self._lives, self._link.now_s
        self._bus.expect_restart(True)
        self._restarting = True
        try:
            self._talk.send(place.switch(True))
            alive_s = self._link.wait_for(lambda: self._link.now_s if self._lives > lives else None, within_s)
            self._talk.settle(BOOT_AFTER_S)
        finally:
            self._restarting = False
            self._bus.expect_restart(False)
            if not was_silent:
                self.resume()
        if alive_s is None:
            seen = f"{self._bus.feedback.seen_since(mark)}; on the console {self._console.seen()}"
            raise NoAnswer(
                self.name, f"{place.switch(True)!r} with a break in its signs of life", within_s, seen
            )
        return alive_s - started_s

    def watch_heartbeat(self, for_s: float) -> list[float]:
        self._need_heartbeat("watch_heartbeat")
        return self._bus.watch_heartbeat(for_s)

    def go_silent(self) -> None:
        """Send nothing more by itself: no sign of life, and no question in the background."""
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        self._talk.forget_background()

    def resume(self) -> None:
        """Give signs of life again. Commands nothing."""
        if self._timers:
            return
        self._timers.append(self._link.every(WATCH_S, self._watch_hot))
        alive = self._settings.alive
        if alive is not None:
            period_s = self._settings.alive_s
            send = partial(self._talk.in_background, alive)
            self._timers.append(self._link.every(period_s, send, period_s))
            send()

    def _watch_hot(self) -> None:
        """Ask for the sensor of every heater that may be on, for whoever listens."""
        for heater in self._hot:
            key = ("sensor", self._sensor_of[heater], "temperature_c")
            place = self._roles.reports.get(key)
            if place is None or place.line is None or place.pattern is None:
                continue

            def told(matches: list[re.Match[str]], key: Key = key, place: Place = place) -> None:
                value = self._reader.told_value(key, place, matches[0][1] or "") if matches else None
                if value is not None:
                    self._report("temperature_c", key[1], value, asked=True)

            self._talk.in_background(place.line, place.pattern, on_done=told)

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node itself send `frames` frames, one every `interval_s`; returns at once."""
        place = self._roles.command("node", self.name, "burst", "send_burst")
        line = place.command(frames, interval_s=interval_s, interval_us=interval_s * 1e6)
        self._tell(place, line, frames)

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent."""
        return round(self._reader.value(("node", self.name, "burst"), "read_burst"))

    # --- sensors, heaters, fans -------------------------------------------------------------------------

    def read_temperature_c(self, sensor: str) -> float:
        """Temperature in degC. Raises Refused when the node says that it has no valid value."""
        return self._reader.value(("sensor", sensor, "temperature_c"), "read_temperature_c")

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        """Closed loop towards `setpoint_c`; 0 switches the heater off.

        Raises:
            Refused: the node refuses it, or says that it took another.
        """
        place = self._roles.command("heater", heater, "setpoint_c", "set_heater_c")
        if setpoint_c > 0:
            self._hot.add(heater)
            self._tell(place, place.command(setpoint_c), setpoint_c, energises=True)
        else:
            self._tell(place, place.rest(), None)
            self._hot.discard(heater)

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        """Open loop at `duty` (0..1); the node ends it. Raises as `set_heater_c`."""
        place = self._roles.command("heater", heater, "duty", "pulse_heater")
        time_place = self._roles.command("heater", heater, "pulse_s", "pulse_heater")
        _check_fraction(duty, "duty")
        if seconds < 0 or not math.isfinite(seconds):
            raise UsageError(f"seconds={seconds!r} must be a finite time of 0 s or more")
        if not duty > 0:
            self._tell(place, place.rest(), None)
            return
        self._check_product()
        if time_place is not place:  # the time first: the node must know when to end before it begins
            self._tell(time_place, time_place.command(seconds), seconds)
        self._hot.add(heater)
        self._tell(place, place.command(duty, seconds=seconds, milliseconds=seconds * 1e3), duty)

    def read_heater_output(self, heater: str) -> float:
        return self._reader.value(("heater", heater, "output"), "read_heater_output")

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset."""
        place = self._roles.command("heater", heater, "ceiling_c", "set_heater_ceiling_c")
        self._tell(place, place.command(ceiling_c), ceiling_c)

    def read_heater_ceiling_c(self, heater: str) -> float:
        """The ceiling that the node itself holds now, in degC."""
        return self._reader.value(("heater", heater, "ceiling_c"), "read_heater_ceiling_c")

    def set_fan(self, fan: str, duty: float) -> None:
        place = self._roles.command("fan", fan, "duty", "set_fan")
        _check_fraction(duty, "duty")
        if duty > 0:
            self._tell(place, place.command(duty), duty, energises=True)
        else:
            self._tell(place, place.rest(), None)
        self._report("fan_duty", fan, duty, asked=True)

    def read_tach_hz(self, fan: str) -> float:
        return self._reader.value(("fan", fan, "tach_hz"), "read_tach_hz")

    def send_stale(
        self,
        fans: Mapping[str, float],
        heaters_c: Mapping[str, float],
        moves: Mapping[str, OldMove] | None = None,
    ) -> None:
        """Send duties, setpoints and moves whatever state the node is in, and wait for nothing."""
        orders = [(("fan", name, "duty"), duty) for name, duty in fans.items()]
        orders += [(("heater", name, "setpoint_c"), setpoint_c) for name, setpoint_c in heaters_c.items()]
        for (kind, name, role), value in orders:
            self._talk.send(self._roles.command(kind, name, role, "send_stale").command(value))
        for stepper, move in (moves or {}).items():
            speed = self._speed(stepper, move.speed_rev_s)
            for line in self._mover(stepper).lines(move.microsteps, speed, move.speed_rev_s):
                self._talk.send(line)

    def hang(self) -> None:
        """Make the node's program stand still. What it answers, if it still does, is of no interest."""
        place = self._roles.command("node", self.name, "hang", "hang")
        self._bus.expect_restart(True)
        self._hot.clear()
        self._talk.send(place.switch(True))

    # --- steppers ---------------------------------------------------------------------------------------

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        """Set run current and microsteps. What the driver took is for who asked to read back."""
        current = self._roles.command("stepper", stepper, "current_a", "configure_driver")
        steps = self._roles.command("stepper", stepper, "microsteps", "configure_driver")
        self._tell(current, current.command(run_current_a), None)
        self._tell(steps, steps.command(microsteps), None)

    def read_driver(self, stepper: str) -> StepperDriver:
        self._roles.report("stepper", stepper, "current_a", "read_driver")
        has = self._roles.reports.keys()
        optional = ("version", "writes", "hold_current_a", "flags", "current_a", "microsteps")
        roles = [role for role in optional if ("stepper", stepper, role) in has]
        values = self._reader.numbers("stepper", stepper, roles, "read_driver")
        version, writes = values.get("version"), values.get("writes")
        flags = self._driver_flags(stepper, round(values.get("flags", 0)))
        # A driver chip that is not there reads as all zeros or all ones.
        answers = version is None or round(version) not in (0x00, 0xFF)
        return StepperDriver(
            reachable=answers and "not_reachable" not in flags,
            current_a=values["current_a"],
            hold_current_a=values.get("hold_current_a", math.nan),
            microsteps=round(values["microsteps"]),
            flags=flags,
            writes=None if writes is None else round(writes),
        )

    def _driver_flags(self, stepper: str, word: int) -> frozenset[str]:
        found = {name for bit, name in enumerate(DRIVER_FLAGS) if word >> bit & 1}
        for name in DRIVER_FLAGS:
            place = self._roles.reports.get(("stepper", stepper, f"flag_{name}"))
            if place is not None:
                found.discard(name)
                if self._reader.is_on(place):
                    found.add(name)
        return frozenset(found)

    def enable_driver(self, stepper: str, on: bool) -> None:
        """Put current on the motor or take it off. Raises Refused if the node says that it is not so."""
        self._roles.command("stepper", stepper, "enable", "enable_driver")
        if on:
            self._check_product()
        self._mover(stepper).enable(on)

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move; returns when the node says that the motor stands where it should be.

        Raises:
            Refused: the node refuses it, or the motor is not enabled.
            NoAnswer: it is not there within `within_s`.
        """
        self._roles.load("stepper", stepper)
        if f"move[{stepper}]" not in self.offers:
            raise NotOffered(self.name, f"move[{stepper}] (roles target or distance, and position)")
        if not (speed_rev_s > 0 and math.isfinite(speed_rev_s)):
            raise UsageError(f"speed_rev_s={speed_rev_s!r} must be more than 0 turns per second")
        if microsteps:
            self._check_product()
            self._mover(stepper).move(microsteps, self._speed(stepper, speed_rev_s), speed_rev_s, within_s)

    def _speed(self, stepper: str, speed_rev_s: float) -> float:
        """Microsteps per second."""
        load = self._roles.load("stepper", stepper)
        assert isinstance(load, Stepper)
        return speed_rev_s * load.steps_per_rev * load.microsteps

    def _mover(self, stepper: str) -> Mover:
        reader = self._reader
        return Mover(self.name, stepper, self._roles, self._link, reader.number, self._tell, reader.is_on)

    def read_position(self, stepper: str) -> int:
        return round(self._reader.value(("stepper", stepper, "position"), "read_position"))

    def read_encoder(self, stepper: str) -> int:
        return round(self._reader.value(("stepper", stepper, "encoder"), "read_encoder"))

    # --- switches and lamps -----------------------------------------------------------------------------

    def read_switch(self, switch: str) -> bool:
        return bool(self._reader.value(("switch", switch, "state"), "read_switch"))

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        load, places = self._roles.lamp(lamp)
        check_colour(self.name, load, places, colour)
        if colour is not None:
            self._check_product()
        # Colours may share a line for off: each different one once, then the colour that shines.
        for line, place in {place.switch(False): place for place in places.values()}.items():
            self._tell(place, line, None)
        if colour is not None:
            self._tell(places[colour], places[colour].switch(True), None)

    # --- off --------------------------------------------------------------------------------------------

    def stop_all(self) -> None:
        """Command every output off, each line twice, waiting for no answer, whatever is going on.

        Never raises anything but BenchLost. Then it falls silent, so that the node's own watch on the host acts.
        """
        self._hot.clear()
        all_off = self._roles.commands.get(("node", self.name, "all_off"))
        self._say_now(([all_off.switch(True)] if all_off is not None else self._each_off()) * 2)

    def stop_each(self) -> None:
        """Command every output off by its own line, where `stop_all` is one line for all; as it does otherwise."""
        if ("node", self.name, "all_off") in self._roles.commands:
            self._say_now(self._each_off())

    def _each_off(self) -> list[str]:
        return list(dict.fromkeys(place.rest() for place in self._roles.outputs()))

    def _say_now(self, lines: list[str]) -> None:
        for line in lines:
            try:
                self._talk.send(line)
            except BenchLost as error:
                with contextlib.suppress(NodeFault):
                    self.go_silent()
                raise BenchLost(
                    f"{error}. Node {self.name!r} could not be commanded off: its own watch on the host's signs of life "
                    "is what remains"
                ) from error
            except Exception:  # a listener of what is said must not keep an output on
                continue


def _console_of(description: Description, node: Node) -> Console:
    for console in description.console:
        if console.node == node.name:
            return console
    raise UsageError(f"node {node.name!r} has protocol = 'console' and no [console]; add one with its port")


def _check_fraction(value: float, name: str) -> None:
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"{name}={value!r} must be 0..1 (a fraction, not percent)")
