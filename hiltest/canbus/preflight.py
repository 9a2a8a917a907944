"""Is the host ready for a run: the CAN interface or the serial port, before the first frame.

Plain functions over facts. The facts of a network interface come from `netlink.py`, those of a serial
port from the file system; a test makes its own. Each finding says what is wrong, what that would do to a
run, and gives the command that mends it. Commands need the rights of root; they are given without `sudo`.

What the settings do is described in the kernel's Documentation/networking/can.rst and in ip-link(8).
"""

from __future__ import annotations

import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

Level = Literal["error", "warning", "unknown"]
"""error: the run must not start. warning: it may, and can mislead. unknown: this can't be seen from here."""

SAMPLE_POINT_TOLERANCE = 0.015
"""Difference of sample points that is passed over: a quantum of 64. Common practice, no source."""

PLAIN_QUEUES = frozenset({"pfifo_fast", "pfifo", "bfifo", "noqueue"})
"""Queue disciplines that keep the order and report a full queue instead of dropping frames."""

RESTART_MS = 100
"""What is proposed where the interface stays off after a bus-off: longer than any recovery, shorter than a check."""

RIGHTS_COMMAND = (
    'sudo setpriv --reuid="$(id -u)" --regid="$(id -g)" --init-groups --inh-caps=+net_admin '
    '--ambient-caps=+net_admin "$(command -v hiltest)" accept FILE'
)
"""Runs hiltest as the same account with the one right to set network interfaces (capabilities(7), setpriv(1))."""

SERIAL_INTERFACES = frozenset({"slcan", "hiltest-serial"})


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that stands in the way of a run. `topic` is one word, `command` mends it ("" if none can)."""

    topic: str
    level: Level
    text: str
    command: str = ""

    def __str__(self) -> str:
        who = "" if self.command.startswith("sudo ") else " as root"
        tail = f" Mend it{who} with: {self.command}" if self.command else ""
        return f"{self.level}: {self.topic}: {self.text}{tail}"


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the run needs of the interface. None: not checked.

    `bitrate` in bit/s, `sample_point` 0..1, `restart_ms` the time after bus-off in milliseconds (0: the
    interface stays off until somebody restarts it), `queue_length` frames at least. `comes_back`: after bus-off by
    itself, whatever the time. `settable`: the run will set the interface itself, to other bit rates and back.
    """

    bitrate: int
    sample_point: float | None = None
    restart_ms: int | None = None
    comes_back: bool = False
    settable: bool = False
    queue_length: int = 100
    listen_only: bool = False
    fd: bool = False


class BitSegments(NamedTuple):
    """The parts of a bit as struct can_bittiming of linux/can/netlink.h has them: `tq` in nanoseconds, the rest in quanta."""

    tq: int
    prop_seg: int
    phase_seg1: int
    phase_seg2: int
    sjw: int


@dataclass(frozen=True, slots=True)
class InterfaceCounters:
    """What the driver has counted since the interface was made. None: the driver does not count it."""

    rx_frames: int = 0
    tx_frames: int = 0
    rx_errors: int = 0
    tx_errors: int = 0
    rx_overruns: int = 0
    tx_dropped: int = 0
    bus_errors: int | None = None
    error_warnings: int | None = None
    error_passives: int | None = None
    bus_offs: int | None = None
    arbitration_losses: int | None = None
    restarts: int | None = None


@dataclass(frozen=True, slots=True)
class InterfaceFacts:
    """What the kernel says about one network interface. None: it does not say.

    `kind` is the kind of link (`can`, `vcan`, `vxcan`), "" if it is no CAN interface. `state` is active,
    warning, passive, off, stopped or sleeping. `error_counters` is (transmit, receive).
    """

    name: str
    exists: bool = True
    kind: str = "can"
    is_up: bool = True
    bitrate: int | None = None
    sample_point: float | None = None
    segments: BitSegments | None = None
    """Every part of the bit; None: the adapter's firmware makes them."""
    clock_hz: int | None = None
    bitrates: tuple[int, ...] = ()
    """The only bit rates there are, if the driver has a list; else empty."""
    restart_ms: int | None = None
    restart_offered: bool | None = None
    """The driver can come back after bus-off; None: not known (seeing it takes root, and the interface up)."""
    queue_length: int = 10
    queue: str | None = None
    listen_only: bool = False
    loopback: bool = False
    one_shot: bool = False
    presume_ack: bool = False
    fd: bool = False
    bus_error_reports: bool | None = None
    """The driver reports every bus error; None: it has no switch for that."""
    state: str | None = None
    error_counters: tuple[int, int] | None = None
    counters: InterfaceCounters = InterfaceCounters()
    neighbours: tuple[str, ...] = ()
    """CAN interfaces that do exist, for the message when this one does not."""
    settable: bool | None = None
    """This account may set it."""

    @property
    def is_virtual(self) -> bool:
        """True if there are no wires behind it."""
        return self.kind in ("vcan", "vxcan")


def check_interface(facts: InterfaceFacts, wanted: Wanted) -> list[Finding]:
    """Everything that is wrong with a SocketCAN interface, worst first."""
    missing = _check_presence(facts)
    if missing:
        return missing
    if facts.is_virtual:
        findings = [
            Finding(
                "virtual",
                "warning",
                f"{facts.name} is a virtual interface ({facts.kind}): no wires, no bit rate and no errors. "
                "Nothing it shows says anything about a bus.",
            )
        ]
    else:
        findings = [*_check_timing(facts, wanted), *_check_modes(facts, wanted), *_check_state(facts, wanted)]
        if wanted.settable and facts.settable is False:
            findings.append(_no_right(facts.name))
    if not facts.is_up and not any(f.topic == "bitrate" and f.command for f in findings):
        findings.append(
            Finding(
                "down",
                "error",
                f"{facts.name} is down: sending and receiving fail with 'network is down'.",
                f"ip link set {facts.name} up",
            )
        )
    findings += _check_queue(facts, wanted)
    rank = {"error": 0, "warning": 1, "unknown": 2}
    return sorted(findings, key=lambda finding: rank[finding.level])


def _check_presence(facts: InterfaceFacts) -> list[Finding]:
    if not facts.exists:
        there = (
            f"CAN interfaces here: {', '.join(facts.neighbours)}."
            if facts.neighbours
            else (
                "There is no CAN interface here: is the adapter plugged in, and does `dmesg` name a driver?"
            )
        )
        return [Finding("missing", "error", f"no interface {facts.name!r}. {there}")]
    if not facts.kind:
        text = f"{facts.name} is a network interface, but not one for CAN."
        if facts.neighbours:
            text += f" CAN interfaces here: {', '.join(facts.neighbours)}."
        return [Finding("kind", "error", text)]
    return []


def _type_command(name: str, settings: str) -> str:
    """The command that changes settings which the kernel takes only while the interface is down."""
    return f"ip link set {name} down && ip link set {name} up type can {settings}"


def _timing_settings(wanted: Wanted) -> str:
    settings = f"bitrate {wanted.bitrate}"
    if wanted.sample_point is not None:
        settings += f" sample-point {wanted.sample_point:.3f}"
    return settings


def _check_timing(facts: InterfaceFacts, wanted: Wanted) -> list[Finding]:
    command = _type_command(facts.name, _timing_settings(wanted))
    if facts.bitrate is None:
        return [
            Finding(
                "bitrate",
                "error",
                f"{facts.name} has no bit rate yet; the description asks for {wanted.bitrate:,} bit/s.",
                command,
            )
        ]
    findings = []
    if facts.bitrate != wanted.bitrate:
        error_ppm = (facts.bitrate / wanted.bitrate - 1) * 1e6
        text = f"{facts.name} runs at {facts.bitrate:,} bit/s, the description asks for {wanted.bitrate:,}"
        if abs(error_ppm) < 50_000:
            text += f" ({error_ppm:+,.0f} ppm: the adapter's clock may not divide to it)"
        text += ". A host at the wrong bit rate destroys the traffic of everybody else."
        findings.append(Finding("bitrate", "error", text, command))
    if wanted.sample_point is not None:
        findings += _check_sample_point(facts, wanted.sample_point, command)
    return findings


def _check_sample_point(facts: InterfaceFacts, wanted: float, command: str) -> list[Finding]:
    if facts.sample_point is None:
        text = f"{facts.name} does not tell its sample point; the adapter sets it by itself."
        return [Finding("sample-point", "unknown", text)]
    if abs(facts.sample_point - wanted) <= SAMPLE_POINT_TOLERANCE:
        return []
    text = (
        f"{facts.name} samples at {facts.sample_point:.1%} of the bit, the description asks for {wanted:.1%}."
        " On a short bus this rarely shows; on a long one errors come and go."
    )
    return [Finding("sample-point", "warning", text, command)]


def _check_modes(facts: InterfaceFacts, wanted: Wanted) -> list[Finding]:
    name = facts.name
    findings = []
    if facts.listen_only and not wanted.listen_only:
        text = f"{name} is in listen-only mode: nothing is sent, and nobody's frames are acknowledged by it."
        findings.append(Finding("listen-only", "error", text, _type_command(name, "listen-only off")))
    if facts.loopback:
        text = f"{name} is in loopback mode: every frame counts as sent with no node connected."
        findings.append(Finding("loopback", "error", text, _type_command(name, "loopback off")))
    if facts.presume_ack:
        text = f"{name} presumes acknowledgement: every frame counts as sent with no node connected."
        findings.append(Finding("presume-ack", "error", text, _type_command(name, "presume-ack off")))
    if facts.one_shot:
        text = f"{name} is in one-shot mode: a frame that is disturbed once is lost, and never repeated."
        findings.append(Finding("one-shot", "error", text, _type_command(name, "one-shot off")))
    if facts.bus_error_reports is False:
        text = (
            f"{name} does not report single bus errors though it could: 'no errors' would mean nothing before "
            "the controller reaches its warning limit."
        )
        findings.append(Finding("error-reports", "warning", text, _type_command(name, "berr-reporting on")))
    if facts.fd and not wanted.fd:
        text = f"{name} is in CAN FD mode on a classic bus: an FD frame would be destroyed by every node."
        findings.append(Finding("fd", "warning", text, _type_command(name, "fd off")))
    return findings


def _no_right(name: str) -> Finding:
    text = (
        f"this account may not set {name} (that takes CAP_NET_ADMIN). So no bus error can be provoked: bus.observer is not "
        "observable, and what it is a gate for (the load test, everything that energises) is not run. Where a node does "
        "not answer, the adapter can't listen without taking part, nor at other bit rates."
    )
    return Finding("rights", "warning", text, RIGHTS_COMMAND)


def _check_state(facts: InterfaceFacts, wanted: Wanted) -> list[Finding]:
    name = facts.name
    findings = []
    if facts.is_up and facts.state == "off":
        text = f"{name} is bus-off: it takes no part in the bus. Look for a short or a wrong bit rate first."
        findings.append(
            Finding("bus-off", "error", text, f"ip link set {name} down && ip link set {name} up")
        )
    elif facts.is_up and facts.state in ("warning", "passive"):
        counts = (
            "" if facts.error_counters is None else " (transmit {}, receive {})".format(*facts.error_counters)
        )
        text = f"{name} is in state error-{facts.state}{counts} before the run has begun."
        findings.append(Finding("state", "warning", text))
    if wanted.restart_ms is not None and facts.restart_ms != wanted.restart_ms:
        findings.append(_restart_finding(facts, wanted.restart_ms))
    elif wanted.restart_ms is None and wanted.comes_back and not facts.restart_ms:
        findings.append(_restart_finding(facts, RESTART_MS))
    return findings


def _restart_finding(facts: InterfaceFacts, wanted_ms: int) -> Finding:
    name = facts.name
    command = _type_command(name, f"restart-ms {wanted_ms}")
    if facts.restart_offered is False:
        text = f"the driver of {name} has no restart: after a bus-off only taking it down and up helps."
        return Finding("restart", "warning", text)
    if facts.restart_ms is None:
        return Finding("restart", "unknown", f"{name} does not tell what it does after bus-off.")
    if facts.restart_ms == 0:
        text = f"{name} stays off after a bus-off (restart-ms 0); the run asks for {wanted_ms} ms."
    elif wanted_ms == 0:
        text = (
            f"{name} comes back by itself {facts.restart_ms} ms after a bus-off; "
            "the run asks that it stays off, so that a standing fault is seen."
        )
    else:
        text = f"{name} restarts {facts.restart_ms} ms after a bus-off, the run asks for {wanted_ms} ms."
    return Finding("restart", "warning", text, command)


def _check_queue(facts: InterfaceFacts, wanted: Wanted) -> list[Finding]:
    name = facts.name
    findings = []
    if facts.queue_length < wanted.queue_length:
        text = (
            f"{name} queues {facts.queue_length} frames for sending, the run asks for {wanted.queue_length}: "
            "a burst would fail with 'no buffer space available'."
        )
        command = f"ip link set {name} txqueuelen {wanted.queue_length}"
        findings.append(Finding("queue-length", "warning", text, command))
    if facts.is_up and facts.queue is None:
        findings.append(Finding("queue", "unknown", f"{name} does not tell its queue discipline."))
    elif facts.queue is not None and facts.is_up and facts.queue not in PLAIN_QUEUES:
        text = (
            f"{name} sends through the queue discipline {facts.queue}, which may drop frames silently or "
            "change their order. CAN needs a plain first-in first-out queue."
        )
        findings.append(Finding("queue", "error", text, f"tc qdisc replace dev {name} root pfifo_fast"))
    return findings


# --- serial ports -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PortFacts:
    """What the file system says about a serial port."""

    path: str
    exists: bool = True
    is_port: bool = True
    may_open: bool = True
    group: str = ""
    in_group: bool = False
    """The account is a member of `group` (this process may have been started before it was)."""
    neighbours: tuple[str, ...] = ()
    """Serial ports that do exist."""


def read_port_facts(path: str) -> PortFacts:
    """Look at a serial port without opening it (opening resets some boards)."""
    neighbours = tuple(serial_ports())
    try:
        status = Path(path).stat()
    except PermissionError:
        return PortFacts(path, may_open=False, neighbours=neighbours)
    except OSError:
        return PortFacts(path, exists=False, is_port=False, may_open=False, neighbours=neighbours)
    group, in_group = _group_of(status.st_gid)
    return PortFacts(
        path,
        is_port=stat.S_ISCHR(status.st_mode),
        may_open=os.access(path, os.R_OK | os.W_OK),
        group=group,
        in_group=in_group,
        neighbours=neighbours,
    )


def serial_ports() -> list[str]:
    """Paths of the USB serial ports of this machine; the stable names by serial number come first."""
    by_id = sorted(str(path) for path in Path("/dev/serial/by-id").glob("*"))
    return by_id + sorted(str(path) for kind in ("ttyACM*", "ttyUSB*") for path in Path("/dev").glob(kind))


def _group_of(group_id: int) -> tuple[str, bool]:
    # Only here: neither module exists on all systems.
    import grp
    import pwd

    try:
        group = grp.getgrgid(group_id)
        account = pwd.getpwuid(os.getuid())
    except KeyError:
        return str(group_id), group_id in os.getgroups()
    return group.gr_name, account.pw_name in group.gr_mem or account.pw_gid == group_id


def check_port(facts: PortFacts) -> list[Finding]:
    """What stands in the way of opening a serial port."""
    if not facts.exists:
        there = (
            f"Serial ports here: {', '.join(facts.neighbours)}."
            if facts.neighbours
            else ("There is no USB serial port here: is the adapter plugged in, and does `dmesg` show it?")
        )
        return [Finding("missing", "error", f"no port {facts.path!r}. {there}")]
    if not facts.is_port:
        return [Finding("kind", "error", f"{facts.path} is there, but it is no serial port.")]
    if facts.may_open:
        return []
    text = f"no permission to open {facts.path}"
    if not facts.group or facts.group == "root":
        text += "; it belongs to root alone. A udev rule for the adapter can give it to a group."
        return [Finding("permission", "error", text)]
    if facts.in_group:
        text += (
            f", though this account is in the group {facts.group}: log out and in again, so that it counts."
        )
        return [Finding("permission", "error", text)]
    text += f"; the group {facts.group} may. Join it, then log out and in again."
    return [Finding("permission", "error", text, f'usermod -aG {facts.group} "$USER"')]


def check_host(interface: str, channel: str, wanted: Wanted) -> list[Finding]:
    """Look at the host before `can.Bus(interface=..., channel=...)` is opened.

    Raises:
        BenchNotOpened: `interface` is "socketcan" and the kernel could not be asked.
    """
    if interface == "socketcan":
        from hiltest.canbus.netlink import read_facts

        return check_interface(read_facts(channel), wanted)
    if interface in SERIAL_INTERFACES:
        return check_port(read_port_facts(channel.partition("@")[0]))
    return [Finding("interface", "unknown", f"nothing is known about the host's side of {interface!r}.")]


def render(findings: Sequence[Finding]) -> str:
    """The findings as text, one a line; a sentence if there is none."""
    return "\n".join(map(str, findings)) if findings else "the host is ready"
