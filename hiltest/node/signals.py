"""The signals driver: the verbs of a node as signals of cyclic messages, laid out by a DBC file.

What is commanded stands in messages that the host sends again and again, with counter and checksum where the
description says so; what is read is what the node last reported, if that is fresh. The cyclic commands are the
host's sign of life. There is no thread: every wait goes through the link.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.clock import NS_PER_S
from hiltest.description.models import DRIVER_FLAGS, Description, Message, Node, Stepper, Switch
from hiltest.description.senders import senders_on
from hiltest.errors import (
    BenchLost,
    DescriptionError,
    NoAnswer,
    NotOffered,
    NotSent,
    Problem,
    Refused,
    UsageError,
)
from hiltest.link import Link
from hiltest.node._codec import Codec
from hiltest.node._feedback import Feedback, rule_of
from hiltest.node._lamp import check_colour
from hiltest.node._listeners import Listeners
from hiltest.node._outgoing import CommandMessage, Outgoing, checksum_byte
from hiltest.node._roletable import Key
from hiltest.node._signalmove import Mover
from hiltest.node._signalroles import SignalRoles, Spot
from hiltest.node._signalsearch import search
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

SETTLE_S = 0.01
"""Time for the node to take a command: what it reported before this has passed may be from before."""
CONFIRM_S = 1.0
"""Time for the node to report what it was commanded."""
REQUEST_TRIES = 3
BREAK_PERIODS = 1.5
"""A heartbeat that is this much late tells that a node which was told to restart does."""

RESET_CAUSES = ("unknown", "power", "brown-out", "watchdog", "command")

# What a role is called as a reading. Other roles are not reported.
READINGS: dict[tuple[str, str], ReadingKind] = {
    ("node", "supply_v"): "supply_v",
    ("sensor", "temperature_c"): "temperature_c",
    ("heater", "output"): "heater_output",
    ("fan", "duty"): "fan_duty",
    ("fan", "tach_hz"): "tach_hz",
    ("stepper", "position"): "position",
    ("switch", "state"): "switch",
}


def find_node(description: Description, name: str) -> Node:
    """The node of this name. Raises UsageError with the known ones."""
    for part in description.node:
        if part.name == name:
            return part
    names = ", ".join(part.name for part in description.node)
    raise UsageError(f"the description has no node {name!r}; it has {names}")


class SignalDriver:
    """One node that speaks in signals, whatever lays them out. Implements `hiltest.node.verbs.NodeDriver`.

    `folder` is where the description lies.

    Raises:
        DescriptionError: a role or a message can't be used; every problem in one go.
    """

    def __init__(
        self, link: Link, description: Description, node: Node, codec: Codec, folder: Path | None = None
    ) -> None:
        self._link = link
        self._folder = folder or Path()
        self._node = node
        self._description = description
        self.name = node.name
        self._codec = codec
        self._roles = SignalRoles(description, node, codec)
        rules = {message.name: message for message in node.message}
        heartbeat = node.heartbeat or ""
        self._check(rules, heartbeat)
        reports, commands = self._roles.reports, self._roles.commands
        from_node = dict.fromkeys([heartbeat, *(spot.message for spot in reports.values())])
        self._feedback = Feedback(
            link, codec, (rule_of(rules, name) for name in from_node), node.stale_periods, self._on_values
        )
        asking = [rule.request for rule in rules.values() if rule.request is not None]
        to_node = dict.fromkeys([*(spot.message for spot in commands.values()), *asking])
        self._outgoing = Outgoing(link, codec, (rule_of(rules, name) for name in to_node), commands.values())
        self._readers: dict[str, list[tuple[Key, Spot]]] = {}
        for key, spot in reports.items():
            self._readers.setdefault(spot.message, []).append((key, spot))
        self._detach: Callable[[], None] | None = None
        self._listeners: Listeners[[Reading]] = Listeners()
        self._unanswered = 0
        self._commanded_ns = -NS_PER_S
        self._product_checked = False
        self._beat_ns: int | None = None
        self._beats_ns: list[int] | None = None
        self._uptime_s: float | None = None
        self._lives = 0
        self._restart_ns: int | None = None

    def _check(self, rules: Mapping[str, Message], heartbeat: str) -> None:
        place = f"node[{self.name}]"
        problems = [
            Problem(place, key, repr(name), "a message of at most 8 bytes, not CAN FD")
            for key, name in [("heartbeat", heartbeat), *(("message", name) for name in rules)]
            if name not in self._codec.messages
        ]
        for name, rule in rules.items():
            if name in self._codec.messages and rule.checksum is not None:
                if rule.checksum not in self._codec.messages[name].signals:
                    problems.append(
                        Problem(place, f"message[{name}].checksum", repr(rule.checksum), "a signal of it")
                    )
                elif checksum_byte(self._codec, name, rule.checksum) is None:
                    problems.append(
                        Problem(
                            place,
                            f"message[{name}].checksum",
                            repr(rule.checksum),
                            "a signal of one whole byte",
                        )
                    )
        both = {spot.message for spot in self._roles.commands.values()}
        both &= {spot.message for spot in self._roles.reports.values()} | {heartbeat}
        problems += [
            Problem(place, "roles", f"message {name!r} both commanded and reported", "messages of one sender",
                    None, "Say in `feedback` where the node reports what is commanded.")
            for name in sorted(both)
        ]  # fmt: skip
        if problems:
            raise DescriptionError(problems)

    # --- attaching ----------------------------------------------------------------------------------

    @property
    def offers(self) -> frozenset[str]:
        verbs = {"search", "identify", "watch_heartbeat", "stop_all"} | self._roles.offers()
        if self._outgoing.is_cyclic:
            verbs |= {"go_silent", "resume", "send_stale"}
            movable = {name for name in self._roles.names("stepper") if f"move[{name}]" in verbs}
            verbs |= {f"send_stale[{name}]" for name in movable if f"enable_driver[{name}]" in verbs}
        return frozenset(verbs)

    @property
    def unanswered(self) -> int:
        """Reads without a fresh value so far, and frames of the node that its counters say were lost."""
        return self._unanswered + self._feedback.lost

    def start(self) -> None:
        """Attach to the link, listen for the node, then send the cyclic commands with every output off.

        May be called again: it then starts the cyclic commands if they are silent.
        """
        if self._detach is None:
            self._detach = self._link.listen(self._feedback.take)
            # Listen before speaking: a node that is still booting acknowledges nothing, and a frame that
            # nobody acknowledges is repeated without end.
            listen_s = self._node.boot_max_s + 2 * self._node.heartbeat_s
            self._link.wait_for(lambda: self._feedback.frames.total() > 0, listen_s)
            self._outgoing.resume()
            self.stop_all()
        self._outgoing.resume()

    def stop(self) -> None:
        """Detach from the link and end the cyclic commands."""
        self._outgoing.fall_silent()
        if self._detach is not None:
            self._detach()
            self._detach = None

    def on_reading(self, listener: Callable[[Reading], None]) -> Callable[[], None]:
        """Call `listener` for each reading; returns what takes it off again."""
        return self._listeners.add(listener)

    def _report(
        self, kind: ReadingKind, name: str, value: float, t_ns: int | None = None, asked: bool = False
    ) -> None:
        reading = Reading(kind, name, value, self._link.now_ns if t_ns is None else t_ns, asked)
        self._listeners(reading)

    # --- what arrives -------------------------------------------------------------------------------

    def _on_values(self, message: str, values: Mapping[str, float], t_ns: int) -> None:
        for key, spot in self._readers.get(message, ()):
            if spot.signal.name not in values:
                continue
            kind, name, role = key
            value = values[spot.signal.name]
            if role == "uptime_s":
                self._on_uptime(spot.value_of(value), t_ns)
            reading = READINGS.get((kind, role))
            if reading is not None:
                self._report(reading, name, self._reported_value(kind, name, spot, value), t_ns)
        if message == self._node.heartbeat:
            self._on_heartbeat(t_ns)

    def _reported_value(self, kind: str, name: str, spot: Spot, value: float) -> float:
        if spot.is_invalid(value):
            return math.nan
        if kind == "switch":
            load = self._roles.load("switch", name)
            assert isinstance(load, Switch)
            return float(spot.is_on(value) == load.active_high)
        return spot.value_of(value)

    def _on_uptime(self, uptime_s: float, t_ns: int) -> None:
        before = self._uptime_s
        if before is not None and uptime_s < before - 0.5 * self._node.heartbeat_s:
            self._begun_anew(t_ns)
        self._uptime_s = uptime_s

    def _on_heartbeat(self, t_ns: int) -> None:
        before, self._beat_ns = self._beat_ns, t_ns
        late_s = 0.0 if before is None else (t_ns - before) / NS_PER_S
        if self._restart_ns is not None and late_s > BREAK_PERIODS * self._node.heartbeat_s:
            self._begun_anew(t_ns)
        elif late_s > self._node.stale_periods * self._node.heartbeat_s:
            self._rest_outputs()  # it was away: nothing of what it was told before holds
        if self._beats_ns is not None:
            self._beats_ns.append(t_ns)
        self._report("heartbeat", self.name, 0.0, t_ns)

    def _begun_anew(self, t_ns: int) -> None:
        """The node was reset: no command from before may switch anything on."""
        self._lives += 1
        self._restart_ns = None
        self._uptime_s = None
        self._product_checked = False
        self._rest_outputs()
        self._report("boot", self.name, 0.0, t_ns)

    # --- reading ------------------------------------------------------------------------------------

    def _read(self, spot: Spot, what: str) -> float:
        """The signal's value, fresh, waited for or asked for.

        Raises:
            NoAnswer: it did not come in time.
        """
        source = self._feedback.sources[spot.message]
        if source.rule.request is not None:
            return self._ask(spot, what)
        stale_s = source.stale_s(spot)
        settled_ns = self._commanded_ns + round(SETTLE_S * NS_PER_S)

        def fresh() -> float | None:
            found = self._feedback.latest(spot)
            if found is None or found[1] < settled_ns:
                return None
            if stale_s is not None and (self._link.now_ns - found[1]) / NS_PER_S > stale_s:
                return None
            return found[0]

        within_s = stale_s if stale_s is not None else self._node.stale_periods * self._node.heartbeat_s
        mark = self._feedback.mark()
        value = self._link.wait_for(fresh, within_s)
        if value is None:
            raise self._no_answer(f"{what} ({spot})", within_s, self._feedback.seen_since(mark))
        return value

    def _ask(self, spot: Spot, what: str) -> float:
        """Send the request of a message and take the answer that matches it."""
        source = self._feedback.sources[spot.message]
        request, wanted = self._request_for(spot)
        within_s = source.stale_s(spot) or self._node.stale_periods * self._node.heartbeat_s
        mark = self._feedback.mark()
        for _ in range(REQUEST_TRIES):
            asked_ns = self._link.now_ns

            def answer(asked_ns: int = asked_ns) -> float | None:
                found = self._feedback.latest(spot)
                if found is None or found[1] <= asked_ns:
                    return None
                return found[0] if self._matches(spot.message, wanted, asked_ns) else None

            self._hand_over(lambda: self._link.send(request.frame()), what)
            value = self._link.wait_for(answer, within_s)
            if value is not None:
                return value
        self._unanswered += REQUEST_TRIES - 1
        raise self._no_answer(f"{what} ({spot})", within_s, self._feedback.seen_since(mark))

    def _request_for(self, spot: Spot) -> tuple[CommandMessage, dict[str, float]]:
        """The request of the spot's message, filled in, and what the answer must have in common with it."""
        rule = self._feedback.sources[spot.message].rule
        request = self._outgoing.messages[rule.request or ""]
        for name in rule.match:
            selector = spot.signal.selector
            if selector is not None and selector[0] == name:
                request.values[name] = float(min(selector[1]))
        return request, {name: request.values[name] for name in rule.match}

    def _matches(self, message: str, wanted: Mapping[str, float], since_ns: int) -> bool:
        info = self._codec.messages[message]
        for name, value in wanted.items():
            spot = Spot(message, info.signals[name], 1.0, 0.0, 1.0)
            found = self._feedback.latest(spot)
            if found is None or found[1] <= since_ns or not spot.signal.same(found[0], value):
                return False
        return True

    def _no_answer(self, asked: str, within_s: float, seen: str) -> NoAnswer:
        self._unanswered += 1
        return NoAnswer(self.name, asked, within_s, seen)

    def _value(self, kind: str, name: str, role: str, verb: str) -> float:
        """A role's value.

        Raises:
            Refused: the node says that it has no valid one.
        """
        spot = self._roles.report(kind, name, role, verb)
        what = role if kind == "node" else f"{role} of {name!r}"
        raw = self._read(spot, what)
        value = self._reported_value(kind, name, spot, raw)
        reading = READINGS.get((kind, role))
        if reading is not None:
            self._report(reading, name, value, asked=True)
        if math.isnan(value):
            said = spot.signal.name_of(raw) or f"{raw:g}"
            raise Refused(
                self.name, f"{what} ({spot})", f"it reports {said}, which stands for no valid value"
            )
        return value

    # --- commanding ---------------------------------------------------------------------------------

    def _command(self, changes: Iterable[tuple[Spot, float]], what: str, energises: bool = False) -> None:
        """Let these signal values stand, and send them now.

        Raises:
            Refused: it would energise a board that is not the expected one.
            NoAnswer: the adapter takes no more frames.
        """
        changes = list(changes)
        spots = [spot for spot, _ in changes]
        if energises:
            self._check_product()
            all_off = self._roles.commands.get(("node", self.name, "all_off"))
            if all_off is not None and not all_off.signal.same(
                self._outgoing.get(all_off), all_off.signal.rest
            ):
                self._outgoing.rest(all_off)
                spots.insert(0, all_off)
        for spot, value in changes:
            self._outgoing.put(spot, value)
        self._hand_over(lambda: self._outgoing.send(spots), what)
        self._commanded_ns = self._link.now_ns

    def _hand_over(self, send: Callable[[], None], what: str) -> None:
        try:
            send()
        except QueueFull as error:
            self._unanswered += 1
            raise NotSent(self.name, what, error) from error

    def _check_product(self) -> None:
        expected, spot = self._node.product_code, self._roles.reports.get(("node", self.name, "product_code"))
        if self._product_checked or expected is None or spot is None:
            return
        found = round(spot.value_of(self._read(spot, "product code")))
        if found != expected:
            raise Refused(
                self.name,
                "to be energised",
                f"its product code is 0x{found:X}, the description says 0x{expected:X}; a board that is not the "
                "expected one is left alone",
            )
        self._product_checked = True

    def _confirm(self, spot: Spot | None, is_so: Callable[[float], bool], asked: str) -> None:
        """Wait until the node reports what was commanded, where it does.

        Raises:
            Refused: it reports something else.
            NoAnswer: it reports nothing.
        """
        if spot is None:
            return
        settled_ns = self._commanded_ns + round(SETTLE_S * NS_PER_S)

        def confirmed() -> bool:
            found = self._feedback.latest(spot)
            return found is not None and found[1] >= settled_ns and is_so(found[0])

        if not self._link.wait_for(confirmed, CONFIRM_S):
            value = self._read(spot, asked)
            said = spot.signal.name_of(value) or f"{spot.value_of(value):g}"
            raise Refused(self.name, asked, f"{spot} still says {said} after {CONFIRM_S:g} s")

    # --- the node itself ----------------------------------------------------------------------------

    def search(self, within_s: float) -> Mapping[int, Presence]:
        """Listen for `within_s`; the node is found under its node id, or 0 if it has none.

        Two boards that send the same messages show as answers at twice the rate, or as two serial numbers. A serial
        number that is told only when asked is asked for.
        Senders that nothing in the description explains are found under their identifiers.
        """
        serial = self._roles.reports.get(("node", self.name, "serial_number"))
        heartbeat = self._feedback.sources[self._node.heartbeat or ""]
        senders = senders_on(self._description, self._node.bus or "", self._folder)
        ask = None
        if serial is not None and self._feedback.sources[serial.message].rule.request is not None:
            ask = partial(self._ask_only, serial)
        return search(self._link, self._node, heartbeat, serial, self._codec, senders, within_s, ask)

    def _ask_only(self, spot: Spot) -> None:
        """Send the request of a message, whoever answers. What the adapter does not take is not asked."""
        request, _ = self._request_for(spot)
        with contextlib.suppress(QueueFull):
            self._link.send(request.frame())

    def identify(self) -> Identity:
        def number(role: str) -> int:
            spot = self._roles.reports.get(("node", self.name, role))
            return 0 if spot is None else round(spot.value_of(self._read(spot, role)))

        parts = [self._text(role) for role in ("firmware", "firmware_minor", "firmware_patch")]
        return Identity(
            number("vendor_id"),
            number("product_code"),
            number("revision"),
            number("serial_number"),
            hardware=self._text("hardware"),
            firmware=".".join(part for part in parts if part),
        )

    def _text(self, role: str) -> str:
        spot = self._roles.reports.get(("node", self.name, role))
        if spot is None:
            return ""
        value = self._read(spot, role)
        return spot.signal.name_of(value) or f"{spot.value_of(value):g}"

    def read_status(self) -> NodeStatus:
        uptime_s = self._value("node", self.name, "uptime_s", "read_status")
        spot = self._roles.report("node", self.name, "reset_cause", "read_status")
        value = self._read(spot, "reset cause")
        said = (spot.signal.name_of(value) or "").lower().replace("_", "-")
        known = {cause.replace("-", ""): cause for cause in RESET_CAUSES}
        if said.replace("-", "") in known:
            return NodeStatus(uptime_s, known[said.replace("-", "")])
        number = round(spot.value_of(value))
        is_known = not spot.signal.names and 0 <= number < len(RESET_CAUSES)
        return NodeStatus(uptime_s, RESET_CAUSES[number] if is_known else "unknown")

    def read_bus_counters(self) -> BusCounters:
        roles = ("transmit_errors", "receive_errors", "bus_errors")
        counts = [round(self._value("node", self.name, role, "read_bus_counters")) for role in roles]
        return BusCounters(*counts)

    def read_supply_v(self) -> float:
        return self._value("node", self.name, "supply_v", "read_supply_v")

    def restart(self, within_s: float) -> float:
        """Command a reset; return seconds from the command to the node's first sign of life after it.

        That is the first heartbeat after a break, or the first message with a smaller uptime. Nothing is sent in
        between: a node that boots acknowledges nothing.

        Raises:
            NoAnswer: its heartbeats went on without a break, or did not come back.
        """
        spot = self._roles.command("node", self.name, "restart", "restart")
        was_silent = self._outgoing.is_silent
        self._rest_outputs()
        self._outgoing.fall_silent()
        mark, lives, started_s = self._feedback.mark(), self._lives, self._link.now_s
        self._restart_ns = self._link.now_ns
        if self._beat_ns is None:
            self._beat_ns = self._restart_ns  # none was heard yet: the break counts from here
        try:
            self._command([(spot, spot.on)], "a reset")
            self._outgoing.rest(spot)
            alive_s = self._link.wait_for(lambda: self._link.now_s if self._lives > lives else None, within_s)
        finally:
            self._outgoing.rest(spot)
            self._restart_ns = None
            if not was_silent:
                self._outgoing.resume()
        if alive_s is None:
            seen = self._feedback.seen_since(mark)
            raise self._no_answer("a reset with a break in its heartbeats", within_s, seen)
        self._feedback.forget()
        return alive_s - started_s

    def watch_heartbeat(self, for_s: float) -> list[float]:
        seen: list[int] = []
        self._beats_ns = seen
        try:
            self._link.run_for(for_s)
        finally:
            self._beats_ns = None
        return [t_ns / NS_PER_S for t_ns in seen]

    def go_silent(self) -> None:
        """Stop the cyclic commands. What was commanded is forgotten: nothing comes back on with `resume`."""
        self._outgoing.fall_silent()
        self._rest_outputs()

    def resume(self) -> None:
        """Send the cyclic commands again, with every output off."""
        self._outgoing.resume()

    def send_burst(self, frames: int, interval_s: float) -> None:
        """Let the node itself send `frames` frames, one every `interval_s`; returns at once."""
        count = self._roles.command("node", self.name, "burst", "send_burst")
        interval = self._roles.command("node", self.name, "burst_interval_s", "send_burst")
        self._command(
            [
                (interval, interval.signal_value(interval_s, "interval of the burst in s")),
                (count, count.signal_value(frames, "frames of the burst")),
            ],
            "a burst",
        )
        self._outgoing.rest(count)  # where it is cyclic, the next frame must not begin it anew

    def read_burst(self) -> int:
        """Frames of the burst that the node has sent."""
        return round(self._value("node", self.name, "burst", "read_burst"))

    # --- sensors, heaters, fans ---------------------------------------------------------------------

    def read_temperature_c(self, sensor: str) -> float:
        """Temperature in degC. Raises Refused when the node says that it has no valid value."""
        return self._value("sensor", sensor, "temperature_c", "read_temperature_c")

    def set_heater_c(self, heater: str, setpoint_c: float) -> None:
        """Closed loop towards `setpoint_c`; waits for the node to report it, where it does.

        Raises:
            Refused: the node reports another setpoint.
        """
        spot = self._roles.command("heater", heater, "setpoint_c", "set_heater_c")
        what = f"setpoint of {heater!r} in degC"
        value = spot.signal_value(setpoint_c, what)
        changes = [(spot, value), *self._resting(("heater", heater, "duty"))]
        self._command(changes, what, energises=setpoint_c > 0)
        if setpoint_c > 0:
            report = self._roles.reports.get(("heater", heater, "setpoint_c"))
            asked = f"{what[:-8]} of {setpoint_c:g} degC"
            self._confirm(report, lambda raw: report is not None and report.signal.same(raw, value), asked)

    def _resting(self, key: Key) -> list[tuple[Spot, float]]:
        spot = self._roles.commands.get(key)
        return [] if spot is None else [(spot, spot.signal.rest)]

    def pulse_heater(self, heater: str, duty: float, seconds: float) -> None:
        """Open loop at `duty`; the node ends it. A pulse begins when its duty leaves rest, so rest goes first."""
        duty_spot = self._roles.command("heater", heater, "duty", "pulse_heater")
        time_spot = self._roles.command("heater", heater, "pulse_s", "pulse_heater")
        _check_fraction(duty, "duty")
        if seconds < 0 or not math.isfinite(seconds):
            raise UsageError(f"seconds={seconds!r} must be a finite time of 0 s or more")
        value = duty_spot.signal_value(duty, f"duty of {heater!r}")
        length = time_spot.signal_value(seconds, f"pulse time of {heater!r} in s")
        rest = [(duty_spot, duty_spot.signal.rest), *self._resting(("heater", heater, "setpoint_c"))]
        self._command(rest, f"rest of {heater!r}", energises=duty > 0)
        if duty > 0:
            self._command([(time_spot, length), (duty_spot, value)], f"pulse of {heater!r}")

    def read_heater_output(self, heater: str) -> float:
        return self._value("heater", heater, "output", "read_heater_output")

    def set_fan(self, fan: str, duty: float) -> None:
        spot = self._roles.command("fan", fan, "duty", "set_fan")
        _check_fraction(duty, "duty")
        what = f"duty of {fan!r}"
        self._command([(spot, spot.signal_value(duty, what))], what, energises=duty > 0)
        self._report("fan_duty", fan, duty, asked=True)

    def read_tach_hz(self, fan: str) -> float:
        return self._value("fan", fan, "tach_hz", "read_tach_hz")

    # --- what only drills ask -----------------------------------------------------------------------

    def set_heater_ceiling_c(self, heater: str, ceiling_c: float) -> None:
        """Set the ceiling that the node itself holds, until its next reset."""
        spot = self._roles.command("heater", heater, "ceiling_c", "set_heater_ceiling_c")
        what = f"ceiling of {heater!r} in degC"
        self._command([(spot, spot.signal_value(ceiling_c, what))], what)

    def read_heater_ceiling_c(self, heater: str) -> float:
        """The ceiling that the node itself says it holds, in degC."""
        return self._value("heater", heater, "ceiling_c", "read_heater_ceiling_c")

    def send_stale(
        self,
        fans: Mapping[str, float],
        heaters_c: Mapping[str, float],
        moves: Mapping[str, OldMove] | None = None,
    ) -> None:
        """Send one frame of each message with these duties, setpoints and moves in it, and wait for nothing.

        The cyclic frames before and after hold every output at rest. Frames that the adapter does not take are left
        out, as a full queue does.
        """
        orders = [
            (spot, spot.signal_value(duty, f"duty of {name!r}"))
            for name, duty in fans.items()
            for spot in [self._roles.command("fan", name, "duty", "send_stale")]
        ]
        orders += [
            (spot, spot.signal_value(setpoint_c, f"setpoint of {name!r} in degC"))
            for name, setpoint_c in heaters_c.items()
            for spot in [self._roles.command("heater", name, "setpoint_c", "send_stale")]
        ]
        for stepper, move in (moves or {}).items():
            orders += self._mover(stepper).orders(
                move.microsteps, self._speed(stepper, move.speed_rev_s), self._last_position(stepper)
            )
        all_off = self._roles.commands.get(("node", self.name, "all_off"))
        if all_off is not None:
            self._outgoing.rest(all_off)
        before = [(spot, self._outgoing.get(spot)) for spot, _ in orders]
        for spot, value in orders:
            self._outgoing.put(spot, value)
        try:
            with contextlib.suppress(QueueFull):
                self._outgoing.send(spot for spot, _ in orders)
        finally:
            for spot, value in before:
                self._outgoing.put(spot, value)
            self._rest_outputs()

    # --- steppers -----------------------------------------------------------------------------------

    def configure_driver(self, stepper: str, run_current_a: float, microsteps: int) -> None:
        """Set run current and microsteps. Waits until the node reports something near, or has had the time."""
        current = self._roles.command("stepper", stepper, "current_a", "configure_driver")
        steps = self._roles.command("stepper", stepper, "microsteps", "configure_driver")
        what = f"settings of {stepper!r}"
        values = [
            (current, current.signal_value(run_current_a, f"run current of {stepper!r} in A")),
            (steps, steps.signal_value(microsteps, f"microsteps of {stepper!r}")),
        ]
        self._command(values, what)
        report = self._roles.reports.get(("stepper", stepper, "microsteps"))
        if report is not None:
            try:
                self._confirm(report, lambda raw: round(report.value_of(raw)) == microsteps, what)
            except Refused:
                return  # what it reports instead is for who asked to judge

    def read_driver(self, stepper: str) -> StepperDriver:
        def read(role: str) -> float | None:
            has = ("stepper", stepper, role) in self._roles.reports
            return self._value("stepper", stepper, role, "read_driver") if has else None

        current_a = self._value("stepper", stepper, "current_a", "read_driver")
        microsteps = round(self._value("stepper", stepper, "microsteps", "read_driver"))
        flags = self._driver_flags(stepper)
        version, writes, hold_a = read("version"), read("writes"), read("hold_current_a")
        # A driver chip that is not there reads as all zeros or all ones.
        answers = version is None or round(version) not in (0x00, 0xFF)
        return StepperDriver(
            reachable=answers and "not_reachable" not in flags,
            current_a=current_a,
            hold_current_a=math.nan if hold_a is None else hold_a,
            microsteps=microsteps,
            flags=flags,
            writes=None if writes is None else round(writes),
        )

    def _driver_flags(self, stepper: str) -> frozenset[str]:
        found: set[str] = set()
        if ("stepper", stepper, "flags") in self._roles.reports:
            word = round(self._value("stepper", stepper, "flags", "read_driver"))
            found |= {name for bit, name in enumerate(DRIVER_FLAGS) if word >> bit & 1}
        for name in DRIVER_FLAGS:
            spot = self._roles.reports.get(("stepper", stepper, f"flag_{name}"))
            if spot is not None:
                found.discard(name)
                if spot.is_on(self._read(spot, f"flag {name} of {stepper!r}")):
                    found.add(name)
        return frozenset(found)

    def enable_driver(self, stepper: str, on: bool) -> None:
        """Put current on the motor or take it off; waits for the node to report it, where it does.

        Raises:
            Refused: the node reports that it does not.
        """
        self._roles.command("stepper", stepper, "enable", "enable_driver")
        self._mover(stepper).enable(on)

    def move(self, stepper: str, microsteps: int, speed_rev_s: float, within_s: float) -> None:
        """Relative move; returns when the node is where it should be and stands.

        Raises:
            Refused: the motor is not enabled.
            NoAnswer: it is not there within `within_s`.
        """
        if f"move[{stepper}]" not in self._roles.offers():
            self._roles.load("stepper", stepper)
            raise NotOffered(self.name, f"move[{stepper}] (roles target or distance, and position)")
        if not (speed_rev_s > 0 and math.isfinite(speed_rev_s)):
            raise UsageError(f"speed_rev_s={speed_rev_s!r} must be more than 0 turns per second")
        if microsteps:
            self._mover(stepper).move(microsteps, self._speed(stepper, speed_rev_s), within_s)

    def _speed(self, stepper: str, speed_rev_s: float) -> float:
        """Microsteps per second."""
        load = self._roles.load("stepper", stepper)
        assert isinstance(load, Stepper)
        return speed_rev_s * load.steps_per_rev * load.microsteps

    def _last_position(self, stepper: str) -> float:
        """Where the motor stood by the last report, in microsteps; 0 before the first, as after a start."""
        spot = self._roles.reports["stepper", stepper, "position"]
        found = self._feedback.latest(spot)
        return 0.0 if found is None else spot.value_of(found[0])

    def _mover(self, stepper: str) -> Mover:
        return Mover(
            self.name,
            stepper,
            self._roles,
            self._link,
            self._outgoing,
            self._read,
            self._command,
            self._confirm,
        )

    def read_encoder(self, stepper: str) -> int:
        return round(self._value("stepper", stepper, "encoder", "read_encoder"))

    def read_position(self, stepper: str) -> int:
        return round(self._value("stepper", stepper, "position", "read_position"))

    # --- switches and lamps -------------------------------------------------------------------------

    def read_switch(self, switch: str) -> bool:
        return bool(self._value("switch", switch, "state", "read_switch"))

    def set_lamp(self, lamp: str, colour: str | None) -> None:
        load, spots = self._roles.lamp(lamp)
        check_colour(self.name, load, spots, colour)
        # Colours may share a signal: all rest first, then the one that shines.
        changes = [(spot, spot.signal.rest) for spot in spots.values()]
        if colour is not None:
            changes.append((spots[colour], spots[colour].on))
        self._command(changes, f"lamp {lamp!r}", energises=colour is not None)

    # --- off ----------------------------------------------------------------------------------------

    def stop_all(self) -> bool:
        """Command every output off, in every message that has one, each twice, waiting for no answer.

        Returns whether each command was handed to the adapter at least once. Never raises anything but BenchLost. Falls
        silent, so that the node's own watch on the host acts, when no frame can be handed to the adapter.
        """
        self._rest_outputs()
        spots = list(self._roles.outputs())
        all_off = self._roles.commands.get(("node", self.name, "all_off"))
        if all_off is not None:
            spots.append(all_off)
        was_sent: dict[tuple[str, int], bool] = {}
        for name in self._roles.messages(spots) * 2:
            for page, frame in enumerate(self._outgoing.messages[name].pages()):
                try:
                    was_sent[name, page] = self._send_now(frame) or was_sent.get((name, page), False)
                except BenchLost as error:
                    self._outgoing.fall_silent()
                    raise BenchLost(
                        f"{error}. Node {self.name!r} could not be commanded off: its own watch on the host's cyclic "
                        "commands is what remains"
                    ) from error
        self._commanded_ns = self._link.now_ns
        if spots and not any(was_sent.values()):
            self._outgoing.fall_silent()
        return all(was_sent.values())

    def _send_now(self, frame: Frame) -> bool:
        for _ in range(2):
            try:
                self._link.send(frame)
            except QueueFull:
                self._link.port.flush()  # what waits there is older than this
            except BenchLost:
                raise
            except Exception:  # a listener of sent frames must not keep an output on
                return True
            else:
                return True
        return False

    def _rest_outputs(self) -> None:
        """Let every output rest in the frames to come."""
        for spot in self._roles.outputs():
            self._outgoing.rest(spot)
        all_off = self._roles.commands.get(("node", self.name, "all_off"))
        if all_off is not None:
            self._outgoing.put(all_off, all_off.on)


class DbcDriver(SignalDriver):
    """One node with protocol "signals": its messages stand in a DBC file.

    `folder` is where the description lies; its `database` is relative to it.

    Raises:
        UsageError: there is no such node, it names no database, or cantools is not installed.
        DescriptionError: the database, a role or a message can't be used.
    """

    def __init__(self, link: Link, description: Description, node: str, folder: Path | None = None) -> None:
        from hiltest.node._dbc import DbcCodec

        part = find_node(description, node)
        if part.database is None:
            raise UsageError(f'node {node!r} has protocol = "signals" and no database; name its DBC file')
        key = f"node[{node}].database"
        codec = DbcCodec((folder or Path()) / part.database, key)
        super().__init__(link, description, part, codec, folder)


def _check_fraction(value: float, name: str) -> None:
    if not 0.0 <= value <= 1.0:
        raise UsageError(f"{name}={value!r} must be 0..1 (a fraction, not percent)")
