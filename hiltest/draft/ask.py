"""Asking one CANopen node what it is: reads of its objects, nothing else (CiA 301)."""

from __future__ import annotations

from dataclasses import dataclass, field

import canopen

from hiltest.canbus.frame import Frame
from hiltest.clock import NS_PER_S
from hiltest.description.senders import CanId, emergency_id
from hiltest.errors import NodeFault, Refused
from hiltest.link import Link
from hiltest.node.drive import AXIS_OFFSET
from hiltest.node.objects import Dictionary
from hiltest.node.places import AXIS_ROLES
from hiltest.node.profiles import (
    AXES_MAX,
    DECIMAL_DIGITS,
    DIGITAL_INPUTS,
    PROCESS_VALUES,
    profile_indexes,
    profile_text,
)
from hiltest.node.sdo import LinkedNetwork, LinkedNode, SdoChannel
from hiltest.node.telemetry import ProcessData, read_process_data
from hiltest.node.verbs import Identity, Presence

INPUTS = (DIGITAL_INPUTS, DECIMAL_DIGITS, *PROCESS_VALUES)
CHANNELS_MAX = 16
ANSWER_S = 1.0
TRIES = 3


def no_objects() -> canopen.ObjectDictionary:
    """An empty dictionary: nothing is known of the node yet."""
    return canopen.ObjectDictionary()  # type: ignore[no-untyped-call]


@dataclass(slots=True)
class NodeFound:
    """A CANopen node as it was seen. `process_data`: its TPDOs by identifier, as mapped in the node itself. `stated`: where
    else it sends, by its emergency object or its file. `present`: the highest sub-index of each standard object that
    answered.

    `identity` is None when it did not tell vendor, product and revision. CiA 301 leaves the serial number to the maker:
    `has_serial` says whether it was read. A number that was not read is never shown as 0.
    """

    node_id: int
    presence: Presence | None = None
    identity: Identity | None = None
    has_serial: bool = False
    state: str = ""
    device_type: int | None = None
    name: str = ""
    hardware: str = ""
    firmware: str = ""
    heartbeat_ms: int | None = None
    error_register: int | None = None
    process_data: dict[CanId, ProcessData] = field(default_factory=dict)
    stated: set[CanId] = field(default_factory=set)
    readings: dict[tuple[int, int], bytes] = field(default_factory=dict)
    present: dict[int, int] = field(default_factory=dict)
    was_asked: bool = True

    def text(self, heartbeat_s: float | None) -> str:
        """One line of what it is."""
        parts = [f"{self.node_id}:"]
        identity = self.identity
        if identity is None:
            parts.append("does not answer" if self.was_asked else "was not asked who it is")
        else:
            parts.append(
                f"{self.name or 'no name'}, vendor 0x{identity.vendor_id:08X}, product 0x{identity.product_code:08X}, "
                f"revision 0x{identity.revision:08X}, serial number {self.serial_text}"
            )
        if self.device_type is not None:
            parts.append(f"({profile_text(self.device_type)})")
        parts.append(
            f"{self.state}, heartbeat {'none' if heartbeat_s is None else f'every {heartbeat_s:.3f} s'}"
        )
        if self.presence is not None and self.presence.answers > 1:
            parts.append(f"- {self.presence.answers} BOARDS ANSWER UNDER THIS ID")
        return " ".join(parts)

    @property
    def serial_text(self) -> str:
        """The serial number, or that it was not told."""
        return str(self.identity.serial_number) if self.identity and self.has_serial else "not told"


class Reader:
    """Reads objects of one node while it is open."""

    def __init__(self, link: Link, node_id: int) -> None:
        self._network = LinkedNetwork(link)
        remote = LinkedNode(link, node_id, no_objects())
        remote.sdo_channels[0].RESPONSE_TIMEOUT = ANSWER_S
        self._network.add_node(remote)
        self.channel = SdoChannel(
            f"id {node_id}", remote.sdo_channels[0], lambda: None, lambda _mark: "nothing usable"
        )
        self._remove = link.listen(self._take, {0x580 + node_id})

    def _take(self, frame: Frame) -> None:
        if frame.is_rx and not frame.remote:
            self._network.notify(frame.can_id, bytearray(frame.data), frame.t_ns / NS_PER_S)

    def close(self) -> None:
        self._remove()

    def bytes_of(self, index: int, sub: int = 0) -> bytes | None:
        """The bytes of an object; None if the node refuses, or does not answer in three tries."""
        for _ in range(TRIES):
            try:
                return self.channel.read_bytes(index, sub, f"a read of 0x{index:04X}:{sub}")
            except Refused:
                return None
            except NodeFault:
                continue
        return None

    def number(self, index: int, sub: int = 0) -> int | None:
        data = self.bytes_of(index, sub)
        return None if not data else int.from_bytes(data, "little")

    def text(self, index: int) -> str:
        data = self.bytes_of(index) or b""
        shown = data.decode("ascii", errors="replace").rstrip("\0 ")
        return "".join(character if character.isprintable() else "?" for character in shown)[:80]


def ask_node(link: Link, node: NodeFound) -> None:
    """Fill in what the node says of itself."""
    reader = Reader(link, node.node_id)
    try:
        node.device_type = reader.number(0x1000)
        if node.device_type is None:
            return  # CiA 301 makes it mandatory: this one does not answer
        vendor, product, revision = (reader.number(0x1018, sub) for sub in (1, 2, 3))
        if vendor is not None and product is not None and revision is not None:
            serial = reader.number(0x1018, 4)
            node.identity = Identity(vendor, product, revision, serial or 0)
            node.has_serial = serial is not None
        node.name, node.hardware, node.firmware = (reader.text(index) for index in (0x1008, 0x1009, 0x100A))
        node.heartbeat_ms = reader.number(0x1017)
        node.error_register = reader.number(0x1001)
        try:
            found = read_process_data(reader.channel, Dictionary(no_objects(), None))
        except NodeFault:
            found = []
        node.process_data = {each.key: each for each in found}
        node.stated.add(emergency_id(reader.number(0x1014), node.node_id))
        _read_inputs(reader, node)
        _read_profile(reader, node)
    finally:
        reader.close()


def _read_inputs(reader: Reader, node: NodeFound) -> None:
    """What the standard inputs of CiA 401 and CiA 404 read now: it shows what is wired."""
    for index in INPUTS:
        count = reader.number(index, 0)
        if count is not None:
            node.present[index] = min(count, CHANNELS_MAX)
        for sub in range(1, min(count or 0, CHANNELS_MAX) + 1):
            data = reader.bytes_of(index, sub)
            if data is not None:
                node.readings[index, sub] = data


def _read_profile(reader: Reader, node: NodeFound) -> None:
    """Which objects of the profile that its device type names are there; of drives axis by axis, until one is missing."""
    wanted = profile_indexes(node.device_type or 0)
    is_drive = wanted == tuple(AXIS_ROLES.values())
    for axis in range(AXES_MAX if is_drive else 1):
        for index in (index + AXIS_OFFSET * axis for index in wanted):
            if index in node.present:
                continue
            data = reader.bytes_of(index)
            if data:
                count = 0 if is_drive else int.from_bytes(data, "little")
                node.present[index] = min(count, CHANNELS_MAX)
        if AXIS_ROLES["status"] + AXIS_OFFSET * axis not in node.present:
            break
