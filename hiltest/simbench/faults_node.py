"""Faults of the node: identity, boot, life, and what its firmware does about safety."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.simbench.boardprogram import CAUSE_WATCHDOG
from hiltest.simbench.fault_places import axis, heater_channel, heater_switch
from hiltest.simbench.fault_registry import fault

if TYPE_CHECKING:
    from hiltest.canbus.frame import Frame
    from hiltest.simbench.bench import Bench

NODE, SAFETY = "node", "safety"


# --- identity and life --------------------------------------------------------------------------------


@fault(NODE, "the node has no power: its plug is out", "node")
def no_node(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].harness.plugged = False


@fault(NODE, "the node has another node id", "node", unit="id", default=9.0, low=1.0, high=127.0)
def wrong_node_id(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].settings.node_id = round(value)


@fault(NODE, "the node was never given a node id", "node")
def unconfigured_node(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].settings.node_id = 0xFF


@fault(
    NODE,
    "a board of another type is fitted",
    "node",
    unit="product code",
    default=float(0x474C32),
    low=0.0,
    high=float(0xFFFFFFFF),
)
def wrong_product(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].identity_override[2] = round(value)


@fault(NODE, "the node runs an older firmware, 1.3.2", "node")
def wrong_firmware(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.version = "1.3.2"


@fault(NODE, "the node stays in its boot loader", "node")
def stays_in_loader(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].stays_in_loader = True


@fault(NODE, "the node boots slowly", "node", unit="s", default=3.0, low=0.2, high=120.0)
def slow_boot(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].boot_s = value


@fault(
    NODE,
    "the program crashes again and again, the watchdog restarts it",
    "node",
    unit="s",
    default=7.0,
    low=0.6,
    high=3600.0,
)
def crashes(bench: Bench, target: str, value: float) -> None:
    board = bench.boards[target]

    def crash() -> None:
        if board.firmware is not None:
            board.reset(CAUSE_WATCHDOG)

    bench.queue.every(round(value * 1e9), crash)


@fault(NODE, "the program hangs while a timer interrupt sends the heartbeat", "node")
def hangs_behind_heartbeat(bench: Bench, target: str, _: float) -> None:
    board = bench.boards[target]
    board.habits.heartbeat_from_timer = True
    board.habits.watchdog = False

    def hang() -> None:
        if board.firmware is not None:
            board.firmware.hang()

    if board.firmware is not None:
        hang()
    else:
        board.on_running.append(hang)


@fault(
    NODE, "the heartbeat comes too slowly", "node", unit="times its period", default=1.5, low=0.1, high=100.0
)
def heartbeat_slow(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].habits.heartbeat_factor = value


@fault(NODE, "the heartbeat comes unevenly", "node", unit="s", default=0.08, low=0.0, high=10.0)
def heartbeat_uneven(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].habits.heartbeat_jitter_s = value


@fault(NODE, "the node answers late", "node", unit="s", default=0.15, low=0.0, high=10.0)
def slow_answers(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].habits.answer_delay_s = value


@fault(
    NODE,
    "the node's driver takes a frame that was sent for one that was not, and sends it once more, now and then",
    "node",
    unit="share",
    default=0.02,
    low=0.0,
    high=1.0,
)
def frames_repeated(bench: Bench, target: str, value: float) -> None:
    controller, rng = bench.boards[target].controller, bench.rng(f"repeats/{target}")
    again: list[object] = []

    def sent(frame: Frame) -> None:
        if frame in again:
            again.remove(frame)
        elif rng.random() < value and controller.send(frame):
            again.append(frame)

    controller.on_sent(sent)


@fault(NODE, "the node does not come back from bus-off", "node")
def stays_bus_off(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.recovers_from_bus_off = False


@fault(NODE, "the settings memory is worn out", "node")
def settings_not_stored(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].settings.works = False


# --- what the firmware does about safety --------------------------------------------------------------


@fault(SAFETY, "the firmware does not watch the host", "node")
def host_watch_missing(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.watches_host = False


@fault(
    SAFETY,
    "the firmware waits too long for a silent host",
    "node",
    unit="times the set time",
    default=10.0,
    low=1.0,
    high=1e4,
)
def host_watch_slow(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].habits.host_watch_factor = value


@fault(SAFETY, "any traffic feeds the watch on the host, not only its heartbeat", "node")
def host_watch_fed_by_any_traffic(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.any_traffic_feeds_watch = True


@fault(SAFETY, "the watch on the host rests while the node's controller is in trouble", "node")
def no_reaction_to_cut_cable(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.watch_needs_working_bus = True


@fault(SAFETY, "after a reset the firmware goes on with the setpoints it had", "node")
def outputs_on_after_reset(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.resumes_setpoints = True


@fault(
    SAFETY,
    "when the power comes back, as after an emergency stop, the firmware goes on with its setpoints",
    "node",
)
def outputs_on_after_power_return(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.resumes_after_power = True


@fault(SAFETY, "the firmware starts by itself and acts on commands before it was started", "node")
def acts_on_old_commands(bench: Bench, target: str, _: float) -> None:
    habits = bench.boards[target].habits
    habits.starts_by_itself = True
    habits.outputs_need_operational = False


@fault(SAFETY, "the firmware does not act on all-off and keeps outputs when it leaves operational", "node")
def all_off_ignored(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.obeys_all_off = False


@fault(SAFETY, "when the host falls silent the firmware lets a motor go on with its move", "node")
def motor_ignores_silence(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.silence_stops_motors = False


@fault(SAFETY, "the firmware puts current on a motor and moves it before it was started", "node")
def old_moves_obeyed(bench: Bench, target: str, _: float) -> None:
    habits = bench.boards[target].habits
    habits.moves_need_start = False
    if bench.boards[target].life == "running":
        for each in bench.boards[target].axes:
            each.operational = True


@fault(
    SAFETY, "the axis has a motion chip of its own, which a reset of the processor does not reach", "stepper"
)
def motion_chip_not_reset(bench: Bench, target: str, _: float) -> None:
    axis(bench, target).has_own_chip = True


@fault(SAFETY, "the watchdog is not enabled", "node")
def no_watchdog(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].habits.watchdog = False


@fault(SAFETY, "the node does not hold its ceiling", "heater")
def ceiling_ignored(bench: Bench, target: str, _: float) -> None:
    heater_channel(bench, target).watches_ceiling = False


@fault(SAFETY, "the node heats on without a valid sensor", "heater")
def sensor_loss_ignored(bench: Bench, target: str, _: float) -> None:
    heater_channel(bench, target).watches_sensor = False


@fault(
    SAFETY, "a trip clears the output that the node reports, and not the timer that drives the gate", "heater"
)
def trip_leaves_gate_on(bench: Bench, target: str, _: float) -> None:
    heater_channel(bench, target).trip_reaches_gate = False


@fault(SAFETY, "a heater starts again by itself when its fault is gone", "heater")
def fault_not_latched(bench: Bench, target: str, _: float) -> None:
    heater_channel(bench, target).latches = False


@fault(
    SAFETY,
    "the heater's gate floats while the processor boots",
    "heater",
    unit="share",
    default=1.0,
    low=0.0,
    high=1.0,
)
def heater_on_while_booting(bench: Bench, target: str, value: float) -> None:
    heater_switch(bench, target).boot_duty = value
