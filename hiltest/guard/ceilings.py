"""The temperature that no sensor of a description may pass, whatever heats it."""

from __future__ import annotations

from typing import NamedTuple

from hiltest.description.models import BOARD_CEILING_C, MOTOR_CEILING_C, Description, Sensor

HOT_BY_ITSELF = (
    "is it really hot? Switch the supply off, then hold a thermometer against it: with no heater commanded on, only a switch "
    "that conducts by itself heats it",
    "it is cold: the scale of the sensor's role (temperature_c), or another kind of sensor, pull-up or table than described",
    "it is cold: the sensor itself, or its plug: wires shorted, or plugs of two sensors exchanged",
)
"""Where to look when a sensor reads above its ceiling while no heater and no motor is on."""


class Ceiling(NamedTuple):
    """A temperature in degC, and in words whose it is."""

    at_c: float
    whose: str


def ceilings(description: Description) -> dict[str, Ceiling]:
    """The ceiling of every sensor by its name.

    A sensor's own `ceiling_c` and that of the heater it controls both hold, so the lower one counts. A sensor with
    neither has the usual ceiling of a motor's case, or else of a board.
    """
    return {sensor.name: _ceiling(description, sensor) for sensor in description.sensor}


def _ceiling(description: Description, sensor: Sensor) -> Ceiling:
    found = [
        Ceiling(heater.ceiling_c, f"the ceiling of heater {heater.name!r} ({heater.ceiling_c:g} degC)")
        for heater in description.heater
        if heater.sensor == sensor.name
    ]
    if sensor.ceiling_c is not None:
        found.append(Ceiling(sensor.ceiling_c, f"its own ceiling_c ({sensor.ceiling_c:g} degC)"))
    return min(found) if found else _usual(description, sensor)


def _usual(description: Description, sensor: Sensor) -> Ceiling:
    motor = next((each.name for each in description.stepper if each.motor_sensor == sensor.name), None)
    if motor is not None:
        return Ceiling(
            MOTOR_CEILING_C, f"what the case of motor {motor!r} may have ({MOTOR_CEILING_C:g} degC)"
        )
    return Ceiling(
        BOARD_CEILING_C,
        f"what a sensor that controls no heater may have ({BOARD_CEILING_C:g} degC; give it a ceiling_c if it sits on "
        "something that may be hotter)",
    )
