"""The usual cautions, in one place, so that terminal, report and pages say the same."""

from __future__ import annotations

GENERAL = (
    "Keep the mains side closed, use a supply with a current limit, and wear ESD protection at the board. "
    "Local codes and licensed practice come first; a passed run is evidence about this unit, not a permit."
)

BY_GROUP: dict[str, str] = {
    "cold": (
        "Power off before anything is touched: switch the supply off, wait until capacitors are empty, and see that a "
        "block is cold. Mains parts stay closed. Never plug or unplug a motor under power."
    ),
    "switch": (
        "Hands are in the machine: no motor is energised and no heater is on in this step; a block may still be hot "
        "from before. Keep the switch that removes the power within reach."
    ),
    "fan": "Fans start without warning. Keep fingers, hair and cables out of the blades.",
    "heat": (
        "Hot parts: bare metal above about 50 degC burns skin in seconds. Stay with the machine while it "
        "heats, keep away what burns, know where the supply is switched off, have a fire extinguisher at hand."
    ),
    "motion": (
        "Pinch points: the axis may start without warning and the wrong way. Nobody inside the machine, hands "
        "off, a switch that removes the power within reach. Never plug or unplug a stepper under current."
    ),
    "safe": (
        "These drills take the host away while outputs are on. A stop command over CAN is not an emergency "
        "stop: the switch that removes the power must be within reach."
    ),
}

NOT_LET_GO = (
    "Switch the supply off now, and see for yourself that everything stands still and cools: this unit failed {checks}, so a "
    "command to switch off proves nothing."
)
"""At the end of a run in which outputs did not go off as they should."""

SUPPLY_OFF_NOW = "SWITCH THE SUPPLY OFF NOW"
"""In the reason of a check that found what no command can switch off, where nobody but a person can take the power away."""

SUPPLY_WAS_SWITCHED_OFF = "The bench supply was switched off"
"""The same, where the bench has taken it away."""

CONDUCTS = (
    SUPPLY_OFF_NOW
    + ": {checks} found what no command can switch off. See for yourself that everything stands still and cools, "
    "and leave the supply off until the cause is mended."
)
"""At the end of a run that found an output on with nothing commanded, or a node that can't be told to switch off."""

STAYS_OFF = (
    "Leave the supply off until the cause is mended: {checks} found what no command can switch off, and the bench supply was "
    "switched off. See for yourself that it is, and that everything stands still and cools."
)
"""The same, where the bench has switched its supply off."""

CUT_SHORT = (
    "The run was cut short. Switch the supply off before you touch anything, and see for yourself that everything stands still "
    "and cools."
)
"""At the end of a run that did not come to its own end."""

IN_PROMPTS = frozenset({"cold", "switch"})
"""Groups whose own prompts say the caution, to whoever puts hands there; the others' is shown before the first check."""

EMERGENCY_STOP_PRESS = (
    "Fans turn: reach for the emergency stop, not past the blades. Keep the switch that removes the power within reach "
    "too: it is what helps if the emergency stop does not."
)
EMERGENCY_STOP_RELEASE = "The power comes back as it lets go: fingers out of the blades, hands off the axis and off what may be hot."
HOT_PLUG = (
    "Hot, about {about_c:g} degC or more, and the heater is on: bare metal burns skin in seconds. Hold the plug by its "
    "housing, away from the block, best with a glove, and know where the supply is switched off: without its sensor "
    "a faulty node goes on heating."
)
HOT_PLUG_BACK = (
    "The block is still hot, and a faulty node heats again as soon as the sensor is back. Hold the plug by its housing, "
    "and keep the switch that removes the power within reach."
)


def before(check: str, told: set[str]) -> list[str]:
    """The cautions to show before a check at the bench; `told` keeps the groups whose caution was shown, and grows.

    Before the first check at the bench the one that holds for all, before the first of a group that can hurt its own.
    """
    group = check.partition(".")[0]
    if group == "desk" or group in told:
        return []
    texts = [] if told else [GENERAL]
    told.add(group)
    if group in BY_GROUP and group not in IN_PROMPTS:
        texts.append(BY_GROUP[group])
    return texts
