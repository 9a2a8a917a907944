"""The SDO client of one node (CiA 301), fed by the link: no thread, no queue that blocks.

The transfer itself is the canopen library's. Ours is what it waits on: `responses` is a queue whose `get`
waits in the link, so the same code runs in real and in simulated time.
"""

from __future__ import annotations

import logging
import queue
import struct
from collections import deque
from collections.abc import Callable
from typing import Any

import canopen
from canopen.sdo.client import SdoClient
from canopen.sdo.constants import REQUEST_ABORTED, REQUEST_DOWNLOAD, REQUEST_UPLOAD, RESPONSE_ABORTED
from canopen.sdo.exceptions import SdoAbortedError, SdoCommunicationError

from hiltest.canbus.frame import STANDARD_ID_MAX, Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.errors import NoAnswer, NodeFault, NotSent, Refused
from hiltest.link import Link
from hiltest.node.objects import Place

# The library logs each time-out as an error; ours are told as exceptions, and a program without logging set up
# would print them between its lines. Who sets logging up still gets them.
logging.getLogger("canopen").addHandler(logging.NullHandler())

SEGMENTS_MAX = 1000
"""A transfer of more segments (7 bytes each) is a node that never says "last one"."""


class LinkedNetwork(canopen.Network):
    """A canopen network that sends through the link. What arrives is given to `notify` by the driver."""

    def __init__(self, link: Link) -> None:
        super().__init__()
        self._link = link

    def send_message(self, can_id: int, data: Any, remote: bool = False) -> None:
        self._link.send(Frame(can_id, bytes(data), extended=can_id > STANDARD_ID_MAX, remote=remote))


class LinkQueue(queue.Queue[bytes]):
    """What the SDO client takes for a queue: `get` lets the link wait."""

    def __init__(self, link: Link) -> None:
        super().__init__()
        self._link = link
        self._items: deque[bytes] = deque()

    def put(self, item: bytes, block: bool = True, timeout: float | None = None) -> None:
        self._items.append(item)

    def empty(self) -> bool:
        return not self._items

    def get(self, block: bool = True, timeout: float | None = None) -> bytes:
        item = self._link.wait_for(self._take, timeout or 0.0)
        if item is None:
            raise queue.Empty
        return item

    def _take(self) -> bytes | None:
        return self._items.popleft() if self._items else None


class LinkedSdoClient(SdoClient):
    """The library's client with a queue that waits in the link, and deaf to answers to other questions."""

    RETRY_DELAY = 0.0  # the library would sleep, on the wall clock

    def __init__(self, link: Link, rx_cobid: int, tx_cobid: int, od: Any) -> None:
        self._link = link
        self._asked: bytes | None = None
        self._segments = 0
        self.strays = 0
        super().__init__(rx_cobid, tx_cobid, od)  # type: ignore[no-untyped-call]

    @property
    def responses(self) -> LinkQueue:
        return self._responses

    @responses.setter
    def responses(self, _library_queue: object) -> None:
        self._responses = LinkQueue(self._link)

    def send_request(self, request: bytes | bytearray) -> None:
        command = request[0] & 0xE0
        if command in (REQUEST_UPLOAD, REQUEST_DOWNLOAD):
            self._asked, self._segments = bytes(request[1:4]), 0
        elif command != REQUEST_ABORTED:
            self._asked = None
            self._segments += 1
            if self._segments > SEGMENTS_MAX:
                raise SdoCommunicationError(f"a transfer without end: more than {SEGMENTS_MAX} segments")
        super().send_request(request)  # type: ignore[no-untyped-call]

    def on_response(self, can_id: int, data: bytes, timestamp: float) -> None:
        # A late answer to something else (a command sent without waiting, another master's question) must
        # not be taken for ours. A segment carries no index, so any answer counts there.
        is_abort_of_anything = bytes(data[:4]) == b"\x80\0\0\0"
        if not data or (self._asked not in (None, bytes(data[1:4])) and not is_abort_of_anything):
            self.strays += 1
            return
        if data[0] == RESPONSE_ABORTED and len(data) < 8:
            data = bytes(data).ljust(8, b"\0")
        self.responses.put(bytes(data))


class LinkedNode(canopen.RemoteNode):
    """The library's remote node with our SDO client in it."""

    def __init__(self, link: Link, node_id: int, objects: canopen.ObjectDictionary) -> None:
        self._link = link
        super().__init__(node_id, objects)

    def add_sdo(self, rx_cobid: int, tx_cobid: int) -> LinkedSdoClient:
        client = LinkedSdoClient(self._link, rx_cobid, tx_cobid, self.object_dictionary)
        self.sdo_channels.append(client)
        return client


class SdoChannel:
    """Reads and writes of one node with hiltest's errors.

    `seen_since` is asked before and after, so that `NoAnswer` can say what came instead.
    """

    def __init__(
        self, name: str, client: LinkedSdoClient, mark: Callable[[], Any], seen_since: Callable[[Any], str]
    ) -> None:
        self._name = name
        self._client = client
        self._mark = mark
        self._seen_since = seen_since
        self.unanswered = 0

    def read_bytes(self, index: int, sub: int, asked: str) -> bytes:
        """Read an object.

        Raises:
            Refused: the node aborted the transfer; `code` is the abort code (CiA 301).
            NoAnswer: nothing usable came within the SDO time limit.
        """
        return bytes(self._transfer(asked, lambda: self._client.upload(index, sub)))

    def write_bytes(self, index: int, sub: int, data: bytes, asked: str) -> None:
        """Write an object. Raises as `read_bytes`."""
        self._transfer(asked, lambda: self._client.download(index, sub, data))

    def read_raw(self, place: Place, what: str) -> float:
        data = self.read_bytes(place.index, place.sub, f"a read of {what} ({place})")
        try:
            return place.raw(data)
        except NodeFault as error:
            raise NodeFault(f"node {self._name!r}, {what}: {error}") from error

    def read(self, place: Place, what: str) -> float:
        return place.value_of(self.read_raw(place, what))

    def write(self, place: Place, value: float, what: str) -> None:
        self.write_bytes(
            place.index, place.sub, place.encode(value, what), f"{what} = {value:g} (write of {place})"
        )

    def write_raw(self, place: Place, raw: float, what: str) -> None:
        self.write_bytes(
            place.index, place.sub, place.encode_raw(raw, what), f"{what} = {raw:g} (write of {place})"
        )

    def _transfer(self, asked: str, transfer: Callable[[], Any]) -> Any:
        mark, waited_s = self._mark(), self._client.RESPONSE_TIMEOUT
        try:
            return transfer()
        except SdoAbortedError as error:
            reason = SdoAbortedError.CODES.get(error.code, "an abort code that CiA 301 does not list")
            raise Refused(self._name, asked, reason, error.code) from error
        except SdoCommunicationError as error:
            text = str(error)
            self.unanswered += 1
            seen = self._seen_since(mark)
            if text != "No SDO response received":
                seen = f"{text}; {seen}"
            raise NoAnswer(self._name, asked, waited_s, seen) from error
        except QueueFull as error:
            self.unanswered += 1
            raise NotSent(self._name, asked, error) from error
        except struct.error as error:
            raise NodeFault(f"node {self._name!r} answered {asked} with too few bytes") from error
