"""An interface of the kernel is set for a check and put back as it was found; without the right, that is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import can
import pytest

from hiltest.canbus import netlink, opening
from hiltest.canbus.kernelinterface import KernelInterface
from hiltest.canbus.netlink import InterfaceSettings, _timing_values, may_set_interfaces
from hiltest.canbus.opening import BusPort, open_port
from hiltest.canbus.preflight import RIGHTS_COMMAND, BitSegments, InterfaceFacts, Wanted
from hiltest.errors import BenchNotOpened, NotPermitted

OWN_BPS = 1_000_000
SEGMENTS = BitSegments(tq=50, prop_seg=7, phase_seg1=7, phase_seg2=5, sjw=2)
FOUND = InterfaceFacts(
    "can0",
    bitrate=OWN_BPS,
    sample_point=0.75,
    segments=SEGMENTS,
    restart_ms=250,
    queue_length=37,
    queue="pfifo_fast",
    state="active",
    settable=True,
)


class Kernel:
    """Facts that settings change as the kernel does: what is None stays."""

    def __init__(self, facts: InterfaceFacts) -> None:
        self.facts = facts
        self.orders: list[InterfaceSettings] = []
        self.refuses = False

    def bring_up(self, _name: str, settings: InterfaceSettings) -> InterfaceFacts:
        if self.refuses:
            raise NotPermitted("can0: no permission for taking it down", "ip link set can0 down")
        self.orders.append(settings)
        self.facts = replace(
            self.facts,
            bitrate=settings.bitrate,
            sample_point=0.875 if settings.segments is None else 0.75,
            segments=settings.segments or SEGMENTS._replace(sjw=1),
            listen_only=settings.listen_only,
        )
        for name in ("restart_ms", "queue_length"):
            value = getattr(settings, name)
            if value is not None:
                self.facts = replace(self.facts, **{name: value})
        return self.facts


class Bus(can.BusABC):
    """A bus that is only opened and closed."""

    def __init__(self, **_: Any) -> None:
        super().__init__("can0")

    def send(self, msg: can.Message, timeout: float | None = None) -> None: ...

    def _recv_internal(self, timeout: float | None) -> tuple[None, bool]:
        return None, True


@pytest.fixture
def kernel(monkeypatch: pytest.MonkeyPatch) -> Kernel:
    found = Kernel(FOUND)
    monkeypatch.setattr(netlink, "bring_up", found.bring_up)
    monkeypatch.setattr(netlink, "read_facts", lambda _: found.facts)
    monkeypatch.setattr(opening, "_open_bus", lambda *_: Bus())
    return found


def port_on(kernel: Kernel, **changes: Any) -> BusPort:
    kernel.facts = replace(kernel.facts, **changes)
    settings = {"name": "can", "interface": "socketcan", "channel": "can0", "options": {}}
    return open_port(SimpleNamespace(**settings, bit_rate_bps=OWN_BPS, sample_point_percent=75.0))


def test_what_a_person_had_set_is_there_again_after_the_run(kernel: Kernel) -> None:
    """Another bit rate and listening only, and closed in the middle of it: every part of the bit and the queue as before."""
    port = port_on(kernel)
    port.reopen(500_000)
    assert (kernel.facts.bitrate, kernel.facts.queue_length, kernel.facts.restart_ms) == (500_000, 37, 250)
    assert port.listen_only(True)
    port.close()
    assert kernel.facts == FOUND


def test_back_at_its_own_bit_rate_the_bit_is_the_same_again(kernel: Kernel) -> None:
    """Sample point and jump width are not left to the kernel's choice."""
    port = port_on(kernel)
    port.reopen(500_000)
    port.reopen(OWN_BPS)
    assert kernel.facts == FOUND
    orders = len(kernel.orders)
    port.close()
    assert len(kernel.orders) == orders, "nothing was left to put back"


def test_an_interface_that_nobody_set_is_not_touched(kernel: Kernel) -> None:
    """Opened and closed: no order to the kernel."""
    port_on(kernel).close()
    assert kernel.orders == []


def test_the_parts_of_a_bit_go_to_the_kernel_without_a_bit_rate() -> None:
    """The kernel refuses both together (drivers/net/can/dev/bittiming.c); without parts the rate and point go."""
    assert _timing_values(InterfaceSettings(OWN_BPS, segments=SEGMENTS)) == SEGMENTS._asdict()
    assert _timing_values(InterfaceSettings(OWN_BPS, 0.75)) == {"bitrate": OWN_BPS, "sample_point": 750}


def test_without_the_right_the_port_stays_open_and_the_error_holds_the_command(kernel: Kernel) -> None:
    """Refused for its reason, and usable at its own bit rate afterwards."""
    port = port_on(kernel, settable=False)
    kernel.refuses = True
    with pytest.raises(NotPermitted, match="can't be set to 500000 bit/s from here: this account") as refused:
        port.reopen(500_000)
    assert refused.value.command == RIGHTS_COMMAND
    assert port.bit_rate_bps == OWN_BPS
    assert port.recv(0.0) is None
    assert not port.listen_only(True)
    port.close()


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"settable": False}, "rights: this account may not set can0"),
        ({"sample_point": 0.875}, "ip link set can0 up type can bitrate 1000000 sample-point 0.750"),
        ({"restart_ms": 0}, "ip link set can0 up type can restart-ms 100"),
        ({"bus_error_reports": False}, "ip link set can0 up type can berr-reporting on"),
        ({"fd": True}, "ip link set can0 up type can fd off"),
        ({"queue_length": 10}, "ip link set can0 txqueuelen 100"),
        ({"state": "passive"}, "in state error-passive"),
    ],
)
def test_what_may_mislead_a_run_is_told_with_its_command(
    kernel: Kernel, changes: dict[str, Any], said: str
) -> None:
    """One setting that a run can live with: the port opens, and says it."""
    (remark,) = port_on(kernel, **{"queue_length": 100, **changes}).remarks
    assert said in remark


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"bitrate": 500_000}, "bitrate 1000000 sample-point 0.750"),
        ({"is_up": False}, "ip link set can0 up"),
        ({"state": "off"}, "ip link set can0 down && ip link set can0 up"),
        ({"one_shot": True}, "one-shot off"),
        ({"listen_only": True}, "listen-only off"),
    ],
)
def test_what_no_run_can_live_with_is_refused_with_its_command(
    kernel: Kernel, changes: dict[str, Any], said: str
) -> None:
    """Nothing is opened on an interface that is down, off, or set for something else."""
    with pytest.raises(BenchNotOpened, match="can0 is not ready") as refused:
        port_on(kernel, **changes)
    assert said in str(refused.value)


def test_a_time_after_bus_off_that_a_person_chose_is_no_remark(kernel: Kernel) -> None:
    """The run needs that the interface comes back, not when."""
    assert port_on(kernel, restart_ms=7, queue_length=100).remarks == ()


def test_an_interface_that_can_not_be_looked_at_is_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without pyroute2 nothing is known of it, and that is a remark."""
    import importlib.util

    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    interface = KernelInterface("can", "can0", OWN_BPS)
    interface.look(Wanted(OWN_BPS))
    assert "pip install 'hiltest[netlink]'" in str(interface.findings[0])


def test_a_virtual_interface_stays_up_when_it_is_asked_to_listen_only(kernel: Kernel) -> None:
    """It has no mode: the kernel is not asked, for that begins with taking the interface down."""
    port = port_on(kernel, kind="vcan", bitrate=None)
    assert not port.listen_only(True)
    port.close()
    assert kernel.orders == []


def test_the_right_is_read_from_the_process_itself(tmp_path: Path) -> None:
    """capabilities(7): bit 12 of the effective set."""
    status = tmp_path / "status"
    for word, may in (("0000000000001000", True), ("0000000000000fff", False), ("000001ffffffffff", True)):
        status.write_text(f"Name:\tx\nCapEff:\t{word}\n")
        assert may_set_interfaces(status) is may
    assert may_set_interfaces(tmp_path / "none") is None
