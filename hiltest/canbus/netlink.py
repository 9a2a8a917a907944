"""Bring a CAN interface of the Linux kernel up, take it down, and read what the kernel knows about it.

Needs pyroute2 (`pip install hiltest[netlink]`); changing an interface needs root or CAP_NET_ADMIN, reading
does not. The settings are those of ip-link(8); the kernel's Documentation/networking/can.rst describes them.
"""

from __future__ import annotations

import errno
import os
import socket
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from hiltest.canbus.preflight import PLAIN_QUEUES, BitSegments, InterfaceCounters, InterfaceFacts
from hiltest.errors import BenchError, BenchNotOpened, NotPermitted, UsageError

_ARPHRD_CAN = 280  # linux/if_arp.h
_IFF_UP = 1
# linux/rtnetlink.h, linux/netlink.h, linux/if_link.h, linux/can/netlink.h
_RTM_NEWLINK, _NLM_F_REQUEST, _NLM_F_ACK = 16, 0x1, 0x4
_IFLA_LINKINFO, _IFLA_INFO_KIND, _IFLA_INFO_DATA, _IFLA_CAN_RESTART = 18, 1, 2, 7
_TC_ROOT = 0xFFFF_FFFF  # TC_H_ROOT in linux/pkt_sched.h
_CAP_NET_ADMIN = 12  # linux/capability.h
_STATES = {
    "ERROR_ACTIVE": "active",
    "ERROR_WARNING": "warning",
    "ERROR_PASSIVE": "passive",
    "BUS_OFF": "off",
    "STOPPED": "stopped",
    "SLEEPING": "sleeping",
}


@dataclass(frozen=True, slots=True)
class InterfaceSettings:
    """How an interface is to be brought up. None: left as it is.

    `bitrate` in bit/s, `sample_point` 0..1, `restart_ms` milliseconds after bus-off (0: stay off),
    `queue_length` in frames. `queue` is set if the interface has none of the plain queues.
    `report_bus_errors` asks the driver to report every bus error, where it offers that: without, some
    drivers report changes of state only.
    """

    bitrate: int | None
    sample_point: float | None = None
    segments: BitSegments | None = None
    """In place of bit rate and sample point: every part of the bit, as `InterfaceFacts.segments` told it."""
    restart_ms: int | None = None
    queue_length: int | None = 100
    listen_only: bool = False
    loopback: bool = False
    one_shot: bool = False
    report_bus_errors: bool = True
    queue: str | None = "pfifo_fast"

    def __post_init__(self) -> None:
        if self.bitrate is not None and not 1_000 <= self.bitrate <= 1_000_000:
            raise UsageError(f"bitrate={self.bitrate!r} must be 1,000..1,000,000 bit/s")
        if self.sample_point is not None and not 0 < self.sample_point < 1:
            raise UsageError(f"sample_point={self.sample_point!r} must lie between 0 and 1, as in 0.8")
        if self.sample_point is not None and self.bitrate is None:
            raise UsageError("sample_point needs a bitrate beside it")
        for name in ("restart_ms", "queue_length"):
            value = getattr(self, name)
            if value is not None and value < 0:
                raise UsageError(f"{name}={value!r} must be 0 or more")


def read_facts(name: str) -> InterfaceFacts:
    """What the kernel says about the network interface `name`; `exists` is False if there is none.

    Raises:
        BenchNotOpened: pyroute2 is missing, or this is no Linux.
    """
    with _route() as route:
        return _facts(route, name)


def may_set_interfaces(status: Path = Path("/proc/self/status")) -> bool | None:
    """May this process set network interfaces (the capability CAP_NET_ADMIN)? None: the kernel does not say."""
    try:
        words = dict(line.split(":", 1) for line in status.read_text().splitlines() if ":" in line)
        return bool(int(words["CapEff"], 16) >> _CAP_NET_ADMIN & 1)
    except (OSError, KeyError, ValueError):
        return None


def bring_up(name: str, settings: InterfaceSettings) -> InterfaceFacts:
    """Take the interface down, set it, bring it up, and return what the kernel then says about it.

    Raises:
        BenchNotOpened: no such interface, no permission, or the driver could not start.
        BenchError: the driver does not offer a setting; `str()` says which and what it offers.
    """
    with _route() as route:
        before = _present(route, name)
        index = _index(route, name)
        command = f"ip link set {name} down && {_command(name, settings)}"
        _set_down(route, index, before, settings, command)
        with _explaining(name, f"restart-ms {settings.restart_ms}", command):
            if settings.restart_ms is not None and settings.restart_ms != before.restart_ms:
                route.link("set", index=index, kind="can", can_restart_ms=settings.restart_ms)
        with _explaining(name, f"txqueuelen {settings.queue_length}", command):
            if settings.queue_length is not None:
                route.link("set", index=index, txqlen=settings.queue_length)
        with _explaining(name, "bringing it up", command):
            route.link("set", index=index, state="up")
        facts = _facts(route, name)
        if settings.queue is not None and facts.queue not in PLAIN_QUEUES:
            _set_queue(route, name, index, settings.queue)
        return _facts(route, name)


def take_down(name: str, settings: InterfaceSettings | None = None) -> None:
    """Take the interface down; of `settings` bit rate and modes are set then, and stay for whoever brings it up.

    Raises:
        BenchNotOpened: no such interface, or no permission.
        BenchError: the driver does not offer a setting.
    """
    with _route() as route:
        before, index = _present(route, name), _index(route, name)
        command = f"ip link set {name} down"
        if settings is not None:
            _set_down(route, index, before, settings, command)
            return
        with _explaining(name, "taking it down", command):
            route.link("set", index=index, state="down")


def restart(name: str) -> None:
    """Bring the interface back after bus-off by hand. Needs restart-ms 0 and the state bus-off.

    Raises:
        BenchNotOpened: no such interface, or no permission.
        BenchError: the driver has no restart (then only down and up helps), or it is not bus-off.
    """
    with _route() as route:
        _present(route, name)
        code = _ask_restart(_index(route, name))
        if code == errno.EBUSY:
            raise BenchError(f"{name} is not bus-off: there is nothing to restart")
        if code:
            what = "a restart after bus-off"
            raise _explained(code, os.strerror(code), name, what, f"ip link set {name} type can restart")


def set_queue(name: str, kind: str = "pfifo_fast") -> None:
    """Give the interface another queue discipline, a plain one by default.

    Raises:
        BenchNotOpened: no such interface, or no permission.
        BenchError: the kernel has no such discipline.
    """
    with _route() as route:
        _present(route, name)
        _set_queue(route, name, _index(route, name), kind)


# --- reading ----------------------------------------------------------------------------------------


@contextmanager
def _route() -> Iterator[Any]:
    try:
        from pyroute2 import IPRoute
    except ImportError as error:
        raise BenchNotOpened(
            "looking at SocketCAN interfaces needs pyroute2: pip install 'hiltest[netlink]'"
        ) from error
    try:
        route = IPRoute()
    except OSError as error:
        raise BenchNotOpened(f"this kernel has no netlink: {error}") from error
    with route:
        yield route


def _index(route: Any, name: str) -> int:
    return int(route.link_lookup(ifname=name)[0])


def _present(route: Any, name: str) -> InterfaceFacts:
    facts = _facts(route, name)
    if not facts.exists:
        others = ", ".join(facts.neighbours) or "none"
        raise BenchNotOpened(f"no interface {name!r}; CAN interfaces here: {others}")
    if not facts.kind:
        raise BenchNotOpened(f"{name} is no CAN interface; CAN interfaces here: {facts.neighbours or 'none'}")
    return facts


def _facts(route: Any, name: str) -> InterfaceFacts:
    links = list(route.get_links())
    neighbours = tuple(
        str(link.get_attr("IFLA_IFNAME"))
        for link in links
        if link["ifi_type"] == _ARPHRD_CAN and link.get_attr("IFLA_IFNAME") != name
    )
    for link in links:
        if link.get_attr("IFLA_IFNAME") == name:
            return _facts_of(name, link, neighbours)
    return InterfaceFacts(name, exists=False, kind="", is_up=False, neighbours=neighbours)


def _facts_of(name: str, link: Any, neighbours: tuple[str, ...]) -> InterfaceFacts:
    is_up = bool(link["flags"] & _IFF_UP)
    info = link.get_attr("IFLA_LINKINFO")
    kind = ""
    if link["ifi_type"] == _ARPHRD_CAN:
        kind = str((info and info.get_attr("IFLA_INFO_KIND")) or "can")
    details = info.get_attr("IFLA_INFO_DATA") if info and kind == "can" else None
    return InterfaceFacts(
        name,
        kind=kind,
        is_up=is_up,
        queue_length=int(link.get_attr("IFLA_TXQLEN") or 0),
        # A link that is down has no queue yet: the kernel says noop.
        queue=link.get_attr("IFLA_QDISC") if is_up else None,
        counters=_counters(link, info),
        neighbours=neighbours,
        settable=may_set_interfaces(),
        **({} if details is None else _can_facts(link, details)),
    )


def _can_facts(link: Any, details: Any) -> dict[str, Any]:
    is_up = bool(link["flags"] & _IFF_UP)
    state = _STATES.get(str(details.get_attr("IFLA_CAN_STATE")))
    timing = details.get_attr("IFLA_CAN_BITTIMING") or {}
    modes = details.get_attr("IFLA_CAN_CTRLMODE") or {}
    on = {name for name, value in modes.items() if value == "on"}
    pair = details.get_attr("IFLA_CAN_BERR_COUNTER")
    restart_ms = details.get_attr("IFLA_CAN_RESTART_MS")
    return {
        "bitrate": timing.get("bitrate") or None,
        # Permille; 0 if the adapter's firmware chooses it.
        "sample_point": timing["sample_point"] / 1000 if timing.get("sample_point") else None,
        "segments": _segments(timing),
        "clock_hz": details.get_attr("IFLA_CAN_CLOCK") or None,
        "bitrates": tuple(details.get_attr("IFLA_CAN_BITRATE_CONST") or ()),
        "restart_ms": restart_ms,
        "restart_offered": None
        if restart_ms is None
        else _offers_restart(link["index"], is_up, restart_ms, state),
        "listen_only": "listenonly" in on,
        "loopback": "loopback" in on,
        "one_shot": "one_shot" in on,
        "presume_ack": "presume_ack" in on,
        "fd": "fd" in on,
        "bus_error_reports": _reports_bus_errors(details, on),
        "state": state,
        "error_counters": None if pair is None else (int(pair["txerr"]), int(pair["rxerr"])),
    }


def _segments(timing: Any) -> BitSegments | None:
    if not timing.get("tq"):
        return None  # the adapter's firmware makes the timing
    return BitSegments(*(int(timing[name]) for name in ("tq", "prop_seg", "phase_seg1", "phase_seg2", "sjw")))


def _offers_restart(index: int, is_up: bool, restart_ms: int, state: str | None) -> bool | None:
    """True if the driver can come back after bus-off; None if that can't be seen now, or by this account.

    There is nothing to read that says so, only a refusal tells: a restart is asked for that the kernel refuses
    as "busy" because the bus is not off, and as "not supported" if there is none. This is done in state active
    only, from which no controller gets to bus-off between the two calls (that takes 20 failed frames, 0.5 ms
    at 1 Mbit/s).
    """
    if restart_ms:
        return True
    if not is_up or state != "active":
        return None
    return {0: True, errno.EBUSY: True, errno.EOPNOTSUPP: False}.get(_ask_restart(index))


def _ask_restart(index: int) -> int:
    """Ask for a restart after bus-off; 0, or the error number with which the kernel refused.

    By hand: pyroute2 0.9 sends this attribute without its value, which the kernel takes for malformed.
    """

    def attribute(kind: int, payload: bytes) -> bytes:
        return (struct.pack("=HH", 4 + len(payload), kind) + payload).ljust(
            (len(payload) + 7) // 4 * 4, b"\0"
        )

    settings = attribute(_IFLA_CAN_RESTART, struct.pack("=I", 1))
    info = attribute(_IFLA_INFO_KIND, b"can\0") + attribute(_IFLA_INFO_DATA, settings)
    body = struct.pack("=BxHiII", socket.AF_UNSPEC, 0, index, 0, 0) + attribute(_IFLA_LINKINFO, info)
    head = struct.pack("=IHHII", 16 + len(body), _RTM_NEWLINK, _NLM_F_REQUEST | _NLM_F_ACK, 1, 0)
    with socket.socket(socket.AF_NETLINK, socket.SOCK_RAW, socket.NETLINK_ROUTE) as channel:
        channel.settimeout(5.0)
        channel.sendto(head + body, (0, 0))
        answer = channel.recv(8192)
    # struct nlmsgerr behind the header: a negative error number, 0 for done.
    return -int(struct.unpack_from("=i", answer, 16)[0])


def _reports_bus_errors(details: Any, on: set[str]) -> bool | None:
    if "berr_reporting" in on:
        return True
    extension = details.get_attr("IFLA_CAN_CTRLMODE_EXT")
    supported = extension.get_attr("IFLA_CAN_CTRLMODE_SUPPORTED") if extension else None
    return False if supported and supported.get("berr_reporting") == "yes" else None


def _counters(link: Any, info: Any) -> InterfaceCounters:
    stats = link.get_attr("IFLA_STATS64") or {}
    counts: dict[str, int] = {}
    raw = info.get_attr("IFLA_INFO_XSTATS") if info else None
    if isinstance(raw, str):
        # struct can_device_stats of linux/can/netlink.h
        names = (
            "bus_errors",
            "error_warnings",
            "error_passives",
            "bus_offs",
            "arbitration_losses",
            "restarts",
        )
        counts = dict(zip(names, struct.unpack_from("=6I", bytes.fromhex(raw.replace(":", ""))), strict=True))
    return InterfaceCounters(
        rx_frames=stats.get("rx_packets", 0),
        tx_frames=stats.get("tx_packets", 0),
        rx_errors=stats.get("rx_errors", 0),
        tx_errors=stats.get("tx_errors", 0),
        rx_overruns=stats.get("rx_over_errors", 0),
        tx_dropped=stats.get("tx_dropped", 0),
        **counts,
    )


# --- changing ---------------------------------------------------------------------------------------


def _command(name: str, settings: InterfaceSettings) -> str:
    """What a person would type for `settings`."""
    words = [f"ip link set {name} up"]
    if settings.queue_length is not None:
        words.append(f"txqueuelen {settings.queue_length}")
    if settings.bitrate is not None:
        words.append(f"type can bitrate {settings.bitrate}")
        if settings.sample_point is not None:
            words.append(f"sample-point {settings.sample_point:.3f}")
        if settings.restart_ms is not None:
            words.append(f"restart-ms {settings.restart_ms}")
        words += [f"{mode.replace('_', '-')} on" for mode in _MODES if getattr(settings, mode)]
    return " ".join(words)


_MODES = {"listen_only": "listenonly", "loopback": "loopback", "one_shot": "one_shot"}


def _timing_values(settings: InterfaceSettings) -> dict[str, int | None]:
    """Fields of struct can_bittiming: the kernel takes a bit rate, or the parts of the bit, and not both."""
    if settings.segments is not None:
        return dict(settings.segments._asdict())
    timing = {"bitrate": settings.bitrate}
    if settings.sample_point is not None:
        timing["sample_point"] = round(settings.sample_point * 1000)
    return timing


def _set_timing(
    route: Any, index: int, before: InterfaceFacts, settings: InterfaceSettings, command: str
) -> None:
    if settings.bitrate is None:
        return
    if before.is_virtual:
        raise UsageError(f"{before.name} is a virtual interface ({before.kind}): give bitrate=None")
    timing = _timing_values(settings)
    rates = f" (the driver offers {', '.join(f'{r:,}' for r in before.bitrates)})" if before.bitrates else ""
    with _explaining(before.name, f"the bit rate {settings.bitrate:,}{rates}", command):
        route.link("set", index=index, kind="can", can_bittiming=timing)


def _set_down(
    route: Any, index: int, before: InterfaceFacts, settings: InterfaceSettings, command: str
) -> None:
    """Take it down and set what the kernel takes only then."""
    with _explaining(before.name, "taking it down", command):
        route.link("set", index=index, state="down")
    _set_timing(route, index, before, settings, command)
    _set_modes(route, index, before, settings, command)


def _set_modes(
    route: Any, index: int, before: InterfaceFacts, settings: InterfaceSettings, command: str
) -> None:
    if before.is_virtual:
        return
    # One by one: the error then names the mode. Off is taken by every driver.
    for field, mode in _MODES.items():
        wanted = getattr(settings, field)
        if wanted != getattr(before, field):
            with _explaining(before.name, f"{field.replace('_', '-')} mode", command):
                value = "on" if wanted else "off"
                route.link("set", index=index, kind="can", can_ctrlmode={mode: value})
    if settings.report_bus_errors and before.bus_error_reports is False:
        with _explaining(before.name, "bus error reports", command):
            route.link("set", index=index, kind="can", can_ctrlmode={"berr_reporting": "on"})


def _set_queue(route: Any, name: str, index: int, kind: str) -> None:
    command = f"tc qdisc replace dev {name} root {kind}"
    with _explaining(name, f"the queue discipline {kind}", command):
        route.tc("replace", kind=kind, index=index, parent=_TC_ROOT)


@contextmanager
def _explaining(name: str, what: str, command: str) -> Iterator[None]:
    """Turn an error of the kernel into one of ours that says what was asked and what to do."""
    from pyroute2.netlink.exceptions import NetlinkError

    try:
        yield
    except NetlinkError as error:
        said = str(error.args[1]) if len(error.args) > 1 else str(error)
        raise _explained(error.code, said, name, what, command) from error


def _explained(code: int, said: str, name: str, what: str, command: str) -> BenchError:
    if code in (errno.EPERM, errno.EACCES):
        return NotPermitted(f"{name}: no permission for {what}. Run once as root: {command}", command)
    if code == errno.ENODEV:
        return BenchNotOpened(f"{name} went away during {what}: was the adapter unplugged?")
    if code == errno.ETIMEDOUT:
        return BenchNotOpened(f"{name}: the adapter took no command during {what}; is it alive?")
    if code == errno.EOPNOTSUPP:
        return BenchError(f"{name}: the driver does not offer {what}; leave it out, or use another adapter")
    if code in (errno.EINVAL, errno.ERANGE, errno.EDOM):
        return BenchError(f"{name}: the driver can't do {what}: {said}")
    return BenchNotOpened(f"{name}: {what} failed: {said} (error {code})")
