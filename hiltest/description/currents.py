"""What every part of a node draws from the supply: one sum for the file's own check and for the paper checks."""

from __future__ import annotations

from collections.abc import Iterable

from hiltest.description.models import Fan, Heater, Lamp, Load, Stepper

BOARD_A = 0.1
"""What the electronics of a small node draw (common practice, no source)."""
LAMP_A = 0.02


def currents_a(
    loads: Iterable[Load], voltage_v: float, boards: Iterable[str] = ("board",)
) -> dict[str, float]:
    """Current in A of every board and load at `voltage_v`, all on: the sum is what source, fuse and wire must carry.

    Heaters by P = U*I; fans as given; a chopper driver draws power, not current: at standstill the heat of two
    windings, 2*I^2*R, at the supply's voltage.
    """
    found = dict.fromkeys(boards, BOARD_A)
    for load in loads:
        name = f"{type(load).__name__.lower()} {load.name}"
        match load:
            case Heater():
                found[name] = load.power_w / voltage_v
            case Fan():
                found[name] = load.current_a
            case Stepper():
                found[name] = 2 * load.run_current_a**2 * load.phase_ohm / voltage_v
            case Lamp():
                found[name] = LAMP_A
    return found
