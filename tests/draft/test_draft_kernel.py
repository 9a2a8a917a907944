"""`hiltest draft` over SocketCAN: listening first, the bit rate by ear, and the interface left as it was found.

The kernel is a double at the seam where hiltest asks and sets it (`canbus/netlink.py`); behind it lies the simulated bench.
The same way on a real kernel stands in tests/kernel/.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import can
import pytest

from hiltest.canbus import netlink, opening
from hiltest.canbus.frame import Frame
from hiltest.canbus.netlink import InterfaceSettings
from hiltest.canbus.preflight import InterfaceFacts
from hiltest.clock import Clock
from hiltest.draft import Order, draft, look
from hiltest.errors import BenchError, BenchNotOpened, NotPermitted
from hiltest.simbench.bench import Bench, open_bench

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
FOUND = InterfaceFacts(
    "can0",
    bitrate=1_000_000,
    sample_point=0.75,
    restart_ms=100,
    queue="pfifo_fast",
    state="active",
    settable=True,
)


class SocketBus(can.BusABC):
    """The simulated adapter as a socket shows it: bit rate and mode are the interface's, and can't be changed here."""

    def __init__(self, bit_rate_bps: int, listen_only: bool) -> None:
        self._inner: Any = can.Bus(interface="hiltest", channel=str(GLUE_HEAD), bitrate=bit_rate_bps)
        self._inner.adapter.controller.listen_only = listen_only
        self._inner.adapter.discard_received()
        super().__init__("can0")

    @property
    def clock(self) -> Clock:
        return self._inner.clock  # type: ignore[no-any-return]

    def recv_frame(self, timeout_s: float) -> Frame | None:
        return self._inner.recv_frame(timeout_s)  # type: ignore[no-any-return]

    def send_frame(self, frame: Frame) -> None:
        self._inner.send_frame(frame)

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self._inner.send(msg, timeout)

    def shutdown(self) -> None:
        self._inner.shutdown()
        super().shutdown()


class Kernel:
    """Facts that settings change, and what was asked of it: (bit rate, listening only, up)."""

    def __init__(self) -> None:
        self.facts = FOUND
        self.orders: list[tuple[int | None, bool, bool]] = []
        self.opened: list[tuple[int, bool]] = []
        self.can_listen_only = True

    def bring_up(self, _name: str, settings: InterfaceSettings) -> InterfaceFacts:
        return self._set(settings, is_up=True)

    def take_down(self, _name: str, settings: InterfaceSettings | None = None) -> None:
        assert settings is not None
        self._set(settings, is_up=False)

    def _set(self, settings: InterfaceSettings, is_up: bool) -> InterfaceFacts:
        if not self.facts.settable:
            raise NotPermitted("can0: no permission for taking it down", "ip link set can0 down")
        self.orders.append((settings.bitrate, settings.listen_only, is_up))
        bit_rate_bps = settings.bitrate or self.facts.bitrate
        if settings.listen_only and not self.can_listen_only:
            self.facts = replace(self.facts, is_up=False, bitrate=bit_rate_bps)
            raise BenchError("can0: the driver does not offer listen-only mode")
        point = settings.sample_point or (0.875 if settings.bitrate else self.facts.sample_point)
        self.facts = replace(
            self.facts,
            bitrate=bit_rate_bps,
            sample_point=point,
            listen_only=settings.listen_only,
            is_up=is_up,
        )
        return self.facts

    def open_bus(self, *_: Any) -> SocketBus:
        assert self.facts.is_up
        assert self.facts.bitrate is not None
        self.opened.append((self.facts.bitrate, self.facts.listen_only))
        return SocketBus(self.facts.bitrate, self.facts.listen_only)


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    made = Kernel()
    monkeypatch.setattr(netlink, "bring_up", made.bring_up)
    monkeypatch.setattr(netlink, "take_down", made.take_down)
    monkeypatch.setattr(netlink, "read_facts", lambda _: made.facts)
    monkeypatch.setattr(opening, "_open_bus", made.open_bus)
    return made


@pytest.fixture
def slower() -> Iterator[Bench]:
    """A bench whose board runs at half the bit rate that the interface is set to."""
    with open_bench(GLUE_HEAD, faults=["wrong_bit_rate=500000"]) as bench:
        bench.run_for(2.0)
        yield bench


def order(out: Path, **changes: Any) -> Order:
    return Order("socketcan", "can0", out, **changes)


def test_the_rate_of_the_bus_is_heard_before_anybody_takes_part(
    kernel: Kernel, slower: Bench, tmp_path: Path
) -> None:
    """The interface is set to a wrong rate: it listens from the first moment on, and takes part at the right one."""
    text = _drafted(tmp_path)
    assert re.search(r"bit_rate_bps = 500000 +# good frames were heard at it, without taking part", text)
    assert "node_id = 5" in text
    assert kernel.opened[0] == (1_000_000, True)
    assert [each for each in kernel.opened if not each[1]] == [(500_000, False)], (
        "it took part at the right rate only"
    )
    assert kernel.facts == FOUND, "the interface is as it was found"
    assert slower.adapter().controller.counters.tx == 0


def test_without_the_right_the_draft_says_that_it_took_part(kernel: Kernel, tmp_path: Path) -> None:
    """At the interface's own rate, which nobody has looked for; nothing was asked of the kernel."""
    kernel.facts = replace(FOUND, settable=False)
    with open_bench(GLUE_HEAD):
        said = draft(order(tmp_path / "a.toml"))
    text = (tmp_path / "a.toml").read_text()
    assert (
        "# can0 is set to it in the kernel, and not looked for: this account may not set the interface"
        in text
    )
    assert "# listened taking part" in text
    assert any(line.startswith("listened taking part") for line in said)
    assert kernel.orders == []


def test_an_interface_that_is_down_is_brought_up_listening_and_is_down_again(
    kernel: Kernel, tmp_path: Path
) -> None:
    """Nobody has given it a bit rate yet: the first that it gets is one to listen at."""
    kernel.facts = replace(FOUND, is_up=False, bitrate=None, sample_point=None, queue=None)
    with open_bench(GLUE_HEAD):
        text = _drafted(tmp_path)
    assert re.search(r"bit_rate_bps = 1000000 +# good frames were heard", text)
    assert kernel.orders[0] == (1_000_000, True, True)
    assert kernel.orders[-1] == (None, False, False)
    assert (kernel.facts.is_up, kernel.facts.listen_only) == (False, False)


def test_a_driver_that_can_not_listen_only_is_said_to(kernel: Kernel, tmp_path: Path) -> None:
    """Then the rate that a person had set counts, and that it was not looked for stands in the draft."""
    kernel.can_listen_only = False
    with open_bench(GLUE_HEAD):
        text = _drafted(tmp_path)
    assert "not looked for:" in text
    assert "does not offer listen-only mode" in text
    assert (kernel.facts.is_up, kernel.facts.bitrate, kernel.facts.listen_only) == (True, 1_000_000, False)


@pytest.mark.parametrize(
    ("settable", "why"), [(True, "does not offer listen-only mode"), (False, "this account may not set")]
)
def test_with_a_rate_given_too_it_says_why_it_takes_part(
    kernel: Kernel, tmp_path: Path, settable: bool, why: str
) -> None:
    """Whoever gives a rate is told all the same that nobody listened first, and why."""
    kernel.can_listen_only = False
    kernel.facts = replace(FOUND, settable=settable)
    with open_bench(GLUE_HEAD):
        draft(order(tmp_path / "a.toml", bit_rate_bps=1_000_000))
    text = " ".join((tmp_path / "a.toml").read_text().replace("\n#", "").split())
    assert re.search(rf"(given|set to it in the kernel), and not (listened|looked) for: [^;]*{why}", text)
    assert "listened taking part" in text


def test_where_nobody_speaks_the_rate_that_was_set_counts(kernel: Kernel, tmp_path: Path) -> None:
    """A board without a node id is silent; it is asked at the rate that a person gave the interface."""
    with open_bench(GLUE_HEAD, faults=["unconfigured_node"]):
        text = _drafted(tmp_path)
    assert "can0 is set to it in the kernel; nobody was heard at any of 9 bit rates" in text
    assert "serial number 4970445" in text
    assert kernel.facts == FOUND


def test_an_interface_that_is_down_and_may_not_be_set_says_what_to_do(kernel: Kernel) -> None:
    """The right, or the command for root."""
    kernel.facts = replace(FOUND, is_up=False, settable=False)
    with pytest.raises(BenchNotOpened, match=r"CAP_NET_ADMIN.*ip link set can0 up type can bitrate BPS"):
        look.look(order(Path("unused")))


def _drafted(folder: Path) -> str:
    draft(order(folder / "a.toml"))
    return (folder / "a.toml").read_text(encoding="utf-8")
