"""Faults of the supply and the power pair."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.simbench.fault_registry import fault

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench

SUPPLY = "supply"


@fault(SUPPLY, "the power pair is too thin", "node", unit="AWG", default=30.0, low=0.0, high=40.0)
def wire_thin(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].harness.awg = round(value)


@fault(SUPPLY, "the power pair is too long", "node", unit="m", default=30.0, low=0.1, high=1000.0)
def wire_long(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].harness.length_m = value


@fault(SUPPLY, "a bad contact in the power pair", "node", unit="ohm", default=1.5, low=0.0, high=1000.0)
def power_contact_bad(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].harness.contact_ohm = value


@fault(
    SUPPLY,
    "a contact in the power pair that gets worse while current flows",
    "node",
    unit="ohm/min",
    default=4.0,
    low=0.0,
    high=100.0,
)
def power_contact_heats(bench: Bench, target: str, value: float) -> None:
    board = bench.boards[target]

    def worsen() -> None:
        draw = board.draw()
        if draw.on_siemens * board.low_rail_v + draw.amps > 0.8:
            board.harness.contact_ohm += value / 120.0
            bench.supply.settle()

    bench.queue.every(500_000_000, worsen)


@fault(SUPPLY, "the board's supply input is shorted", "node", unit="ohm", default=0.3, low=0.001, high=1e4)
def supply_shorted(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].short_ohm = value


@fault(SUPPLY, "the power pair is open while the logic is fed over another plug", "node")
def rail_missing(bench: Bench, target: str, _: float) -> None:
    board = bench.boards[target]
    board.logic_fed_elsewhere = True
    board.harness.plugged = False


@fault(SUPPLY, "plus and minus are swapped", "node")
def power_reversed(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].harness.reversed = True


@fault(SUPPLY, "the supply gives too little voltage", "bench", unit="share", default=0.85, low=0.1, high=1.0)
def supply_low(bench: Bench, _: str, value: float) -> None:
    bench.supply.set_v = bench.supply.nominal_v * value


@fault(SUPPLY, "the supply gives too much voltage", "bench", unit="share", default=1.15, low=1.0, high=2.0)
def supply_high(bench: Bench, _: str, value: float) -> None:
    bench.supply.set_v = bench.supply.nominal_v * value


@fault(SUPPLY, "the supply can't give the current", "bench", unit="A", default=0.8, low=0.01, high=100.0)
def supply_weak(bench: Bench, _: str, value: float) -> None:
    bench.supply.limit_a = value


@fault(SUPPLY, "ripple on the supply", "bench", unit="V", default=3.0, low=0.0, high=20.0)
def supply_ripple(bench: Bench, _: str, value: float) -> None:
    bench.supply.ripple_v = value


@fault(SUPPLY, "the board's bulk capacitor is missing, each step of current resets it", "node")
def brown_out(bench: Bench, target: str, _: float) -> None:
    bench.boards[target].bulk_missing = True


@fault(
    SUPPLY, "the node measures its supply wrongly", "node", unit="factor", default=0.85, low=0.1, high=10.0
)
def supply_reading_wrong(bench: Bench, target: str, value: float) -> None:
    bench.boards[target].supply_gain *= value


@fault(SUPPLY, "the emergency stop is wired to nothing that takes power away", "bench")
def emergency_stop_dead(bench: Bench, _: str, __: float) -> None:
    bench.hands.emergency_stop_works = False
