"""Faults of the host's adapter: what it hides, delays, drops, or is set to by mistake."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from hiltest.canbus.frame import Frame
from hiltest.simbench.fault_registry import fault

if TYPE_CHECKING:
    from hiltest.description.models import Node
    from hiltest.simbench.adapter import Adapter
    from hiltest.simbench.bench import Bench

ADAPTER = "adapter"
REORDERING_S = 0.005
"""Only what waits can be overtaken: an adapter that reorders gathers frames for so long."""


@fault(ADAPTER, "the adapter tells the host nothing of errors and states", "bus")
def adapter_hides_errors(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.reports_errors = False

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter's firmware tells each worse state and never that it is over", "bus")
def adapter_state_stale(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.tells_recovery = False

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter was left listening only", "bus")
def adapter_listens_only(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.controller.listen_only = True

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter was left in self-test: it acknowledges its own frames and hears them", "bus")
def adapter_in_self_test(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.controller.self_acknowledging = True

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter was left in one-shot mode: nothing is sent a second time", "bus")
def adapter_one_shot(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.controller.one_shot = True

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter was left in CAN FD mode, what it sends are CAN FD frames", "bus")
def adapter_sends_fd(bench: Bench, target: str, _: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.controller.take_fd(adapter.controller.data_timing)
        adapter.policy.sends_fd = True

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "a filter was left in the adapter: the host sees no identifier from this one on",
    "bus",
    unit="identifier",
    default=1024.0,
    low=1.0,
    high=1024.0,
)
def adapter_filter_left(bench: Bench, target: str, value: float) -> None:
    """A filter is a mask, so that the limit is the next power of two below."""
    limit = 1 << (round(value).bit_length() - 1)

    def change(adapter: Adapter) -> None:
        adapter.controller.set_filters([(0, 0x7FF & ~(limit - 1), None)])

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter hands received frames on in another order now and then",
    "bus",
    unit="share",
    default=0.05,
    low=0.0,
    high=1.0,
)
def adapter_reorders(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.latency_s = max(adapter.policy.latency_s, REORDERING_S)
        adapter.policy.swaps = value

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter loses received frames of a slow host and tells nothing of it",
    "bus",
    unit="frames",
    default=1.0,
    low=1.0,
    high=1e4,
)
def adapter_loses_frames_untold(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.receive_frames = round(value)
        adapter.policy.tells_overrun = False

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter's time stamps are taken by the host's software, in coarse steps",
    "bus",
    unit="s",
    default=0.03,
    low=0.0,
    high=1.0,
)
def adapter_stamps_coarse(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.stamps = "software"
        adapter.policy.stamp_step_s = value

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the driver restarts the adapter after each bus-off, whatever made it",
    "bus",
    unit="s",
    default=0.1,
    low=0.0,
    high=60.0,
)
def adapter_restarts(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.restart_s = value

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter's clock can't make the bit rate",
    "bus",
    unit="%",
    default=2.4,
    low=-40.0,
    high=40.0,
)
def adapter_clock_off(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        controller = adapter.controller
        controller.timing = replace(controller.timing, drift_ppm=value * 1e4)

    bench.with_adapter(target, change)


@fault(
    ADAPTER, "the adapter takes few frames at a time", "bus", unit="frames", default=2.0, low=1.0, high=1e4
)
def adapter_small_queue(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.queue_frames = round(value)

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter keeps few received frames for a slow host",
    "bus",
    unit="frames",
    default=2.0,
    low=1.0,
    high=1e4,
)
def adapter_loses_frames(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.receive_frames = round(value)

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter hands frames on late, as serial-line ones do",
    "bus",
    unit="s",
    default=0.016,
    low=0.0,
    high=1.0,
)
def adapter_slow(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.latency_s = value
        adapter.policy.jitter_s = 0.25 * value

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter's time stamps lie off the host's",
    "bus",
    unit="s",
    default=3600.0,
    low=-1e6,
    high=1e6,
)
def adapter_stamps_wrong(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        adapter.policy.stamp_offset_s = value

    bench.with_adapter(target, change)


@fault(ADAPTER, "the adapter vanishes from the host", "bus")
def adapter_vanishes(bench: Bench, target: str, _: float) -> None:
    bench.with_adapter(target, lambda adapter: adapter.unplug())


@fault(
    ADAPTER,
    "the adapter hands some received frames to the host twice",
    "bus",
    unit="share",
    default=0.02,
    low=0.0,
    high=1.0,
)
def adapter_repeats(bench: Bench, target: str, value: float) -> None:
    def change(adapter: Adapter) -> None:
        rng = bench.rng(f"repeats/{adapter.name}")

        def again(frame: Frame) -> None:
            if rng.random() < value:
                adapter._received(frame)

        adapter.controller.on_frame(again)

    bench.with_adapter(target, change)


@fault(
    ADAPTER,
    "the adapter's memory was not emptied: it hands on frames of an earlier session first",
    "bus",
    unit="frames",
    default=40.0,
    low=1.0,
    high=1e4,
)
def adapter_keeps_old_frames(bench: Bench, target: str, value: float) -> None:
    """What it heard of a board before this one, under the same node ids, up to the moment it was closed."""
    nodes = [node for node in bench.description.node if node.bus == target]
    heard = [frame for node in nodes for frame in _of_another_session(node)]

    def change(adapter: Adapter) -> None:
        for number in range(round(value) if heard else 0):
            adapter._received(heard[number % len(heard)].at(bench.clock.now_ns))

    bench.with_adapter(target, change)


def _of_another_session(node: Node) -> list[Frame]:
    """Of a CANopen node its heartbeat and an answer (upload of 0x1018:4, CiA 301); of another one its messages."""
    if node.protocol == "canopen":
        node_id = node.node_id or 0x7F
        answer = bytes.fromhex("43181004 07000000")
        return [Frame(0x700 + node_id, b"\x05"), Frame(0x580 + node_id, answer)]
    return [Frame(message.can_id, bytes(8)) for message in node.message if message.can_id]
