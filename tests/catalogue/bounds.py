"""What a board with a dangerous fault may get on the way to its verdict: energy, heat, travel, and what may be left on."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from hiltest.campaign.boards import BoardResult
from hiltest.campaign.tiers import Row
from hiltest.description.loading import load_description
from hiltest.description.models import Description, Heater

from . import variants

OVER = 1.3
"""Of the stated power: element, and the supply's tolerance squared."""
IDLE_J = 1.0


def exceeded(row: Row, found: BoardResult) -> list[str]:
    """Which bounds of a tier 1 row the board's hidden truth passes, in words; empty where all hold."""
    description = _description(variants.of_row(row))
    wrong = [
        f"heater {heater.name} got {found.harm.energy_j[heater.name]:.0f} J of {most:.0f} J"
        for heater in description.heater
        if found.harm.energy_j[heater.name] > (most := most_j(row, heater, description))
    ]
    hottest_c = max(heater.low_setpoint_c + heater.overshoot_max_k for heater in description.heater)
    if row.title != "heater stuck on" and found.harm.highest_block_c > hottest_c:
        wrong.append(f"a block reached {found.harm.highest_block_c:.1f} degC of {hottest_c:.1f} degC")
    assert row.small_moves is not None
    wrong += [
        f"axis {stepper.name} went {found.harm.travel_rev[stepper.name]:.2f} turns"
        for stepper in description.stepper
        if found.harm.travel_rev[stepper.name] > row.small_moves * stepper.small_move_rev + 1e-9
    ]
    if left := set(found.harm.left_on) - _only_the_supply_stops(row):
        wrong.append(f"left on: {', '.join(sorted(left))}")
    return wrong


def most_j(row: Row, heater: Heater, description: Description) -> float:
    """Bound of the energy into a heater: pulses, and time on or a ride where the row says why."""
    assert row.pulses is not None
    full_s = row.pulses * row.strength * heater.pulse_s + row.on_s
    ride_j = row.rides * _ride_j(heater, description.simulation.ambient_c)
    return OVER * heater.power_w * full_s + ride_j + IDLE_J


def _ride_j(heater: Heater, room_c: float) -> float:
    """Energy that brings a block from the room to its low setpoint, overshoot and all, and holds it there for as long as
    the check lets it. Heat balance: C (T - T_room) + G (T - T_room) t.
    """
    above_k = heater.low_setpoint_c + heater.overshoot_max_k - room_c
    return above_k * (heater.heat_capacity_j_k + heater.loss_w_k * (heater.window_s + heater.steady_s))


def _only_the_supply_stops(row: Row) -> set[str]:
    """What no command takes away; with a node that hangs no heater is on where nobody can cut the power."""
    if row.title == "heater stuck on":
        return {"heater:reservoir"}
    return {"fan:electronics", "fan:nozzle"} if row.fault == "no_watchdog" else set()


@cache
def _description(file: Path) -> Description:
    return load_description(file).description
