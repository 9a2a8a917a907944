"""Frames that this machine dropped: the kernel's counters, and a port that adds them up and refuses to speak."""

from __future__ import annotations

import socket
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import pytest

from hiltest.canbus import hostloss
from hiltest.canbus.frame import Frame
from hiltest.canbus.opening import BusPort, ListensOnly
from hiltest.errors import BenchNotOpened

RATE = 500_000


@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="SO_MEMINFO is Linux")
def test_what_a_full_socket_dropped_is_counted_by_the_kernel() -> None:
    """Of 3000 datagrams into a small socket exactly those are missing that the kernel says it dropped."""
    with (
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as reader,
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as writer,
    ):
        reader.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        reader.bind(("127.0.0.1", 0))
        reader.setblocking(False)
        assert hostloss.of_socket(reader) == 0
        for number in range(3000):
            writer.sendto(number.to_bytes(16, "little"), reader.getsockname())
        read = 0
        while True:
            try:
                reader.recv(64)
            except BlockingIOError:
                break
            read += 1
        assert 0 < read < 3000
        assert hostloss.of_socket(reader) == 3000 - read


def test_where_nobody_can_be_asked_nothing_was_lost(tmp_path: Path) -> None:
    """No socket, no such interface: zeros, no error."""
    assert hostloss.of_socket(None) == 0
    assert hostloss.of_interface("can9", tmp_path) == hostloss.HostLoss(0, 0)
    hostloss.give_room(None)


def test_an_interface_s_own_counters_are_read(tmp_path: Path) -> None:
    """Drops of the driver, and overruns of the adapter, each from its own file."""
    folder = tmp_path / "can0" / "statistics"
    folder.mkdir(parents=True)
    for name, count in (("rx_dropped", 3), ("rx_over_errors", 5), ("rx_missed_errors", 2)):
        (folder / name).write_text(f"{count}\n")
    assert hostloss.of_interface("can0", tmp_path) == hostloss.HostLoss(dropped=3, overruns=7)


class Quiet(can.BusABC):
    """A bus that keeps what it is given, and takes `listen_only` where `takes` says so."""

    def __init__(self, channel: str = "", listen_only: bool = False, **_: Any) -> None:
        super().__init__(channel)
        self.listen_only = listen_only
        self.sent: list[can.Message] = []

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self.sent.append(msg)

    def _recv_internal(self, timeout: float | None) -> tuple[None, bool]:
        return None, True


def port_of(refuses: bool = False) -> BusPort:
    def open_again(_: int, **options: Any) -> Quiet:
        if refuses and options.get("listen_only"):
            raise BenchNotOpened("not allowed")
        return Quiet(**options)

    return BusPort("can", Quiet(), RATE, open_again)


def test_a_port_that_only_listens_says_nothing() -> None:
    """What would destroy others' frames is refused, by an error of its own, until it takes part again."""
    port = port_of()
    assert port.listen_only(True)
    assert port.bus.listen_only
    with pytest.raises(ListensOnly, match="only listens"):
        port.send(Frame(0x123, b""))
    assert port.bus.sent == []
    assert port.listen_only(False)
    port.send(Frame(0x123, b""))
    assert len(port.bus.sent) == 1


def test_an_adapter_that_may_not_listen_only_is_left_as_it_was() -> None:
    """The answer is no, and the bus is open again and takes part."""
    port = port_of(refuses=True)
    assert not port.listen_only(True)
    assert not port.bus.listen_only
    port.send(Frame(0x123, b""))
    assert len(port.bus.sent) == 1


def test_a_port_adds_up_what_was_lost_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """Socket and driver: drops; adapter: overruns."""
    port = port_of()
    port._use(SimpleNamespace(socket="s", channel="can0", send=None, recv=None))  # type: ignore[arg-type]
    monkeypatch.setattr(hostloss, "of_socket", lambda _: 4)
    monkeypatch.setattr(hostloss, "of_interface", lambda _: hostloss.HostLoss(3, 7))
    assert port.host_loss() == hostloss.HostLoss(7, 7)
