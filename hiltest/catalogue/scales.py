"""The scale of a role as a cause: what a check reads or commands goes through it, and a wrong one looks like bad hardware."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from hiltest.errors import Refused

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hiltest.description.models import Description
    from hiltest.evidence.model import Measurement

ROLES: dict[str, tuple[str, ...]] = {
    "sense.supply": ("node.supply_v",),
    "sense.ambient": ("sensor.temperature_c",),
    "heat.pulse": ("sensor.temperature_c", "heater.duty", "heater.pulse_s"),
    "heat.low_setpoint": ("sensor.temperature_c", "heater.setpoint_c"),
    "fan.tach": ("fan.tach_hz", "fan.duty"),
    "fan.by_eye": ("fan.duty",),
    "motion.driver_ready": ("stepper.current_a", "stepper.hold_current_a"),
}
"""Checks, and the roles (kind.role) whose scale their readings and commands go through."""

PURE = ("sense.supply", "fan.tach")
"""Checks whose reading is its scale times a count, with nothing that heats or leaks between."""
DECADES = (0.001, 0.01, 0.1, 10.0, 100.0)
VALUE_REFUSED = (0x06090030, 0x06090031, 0x06090032)
"""SDO abort codes for a value outside its range, too high, too low (CiA 301)."""


def on_page(check: str) -> str:
    """The cause as the page of a check tells it; empty where no scale plays a part."""
    roles = ", ".join(role.partition(".")[2] for role in ROLES.get(check, ()))
    return f"the scale of a role in the description: {roles}" if roles else ""


def with_scale(
    description: Description,
    name: str,
    causes: list[str],
    failed: list[Measurement],
    error: BaseException | None = None,
) -> list[str]:
    """The causes of the failed check `name` with the scales of its roles: last, as a rule.

    First where the node refuses a value as out of range, in any check, or where a reading is off by a power of ten. Not
    at all where nothing is read: no scale makes 0 of a count.
    """
    check, _, part = name.partition("[")
    scales = list(_scales(description, check, part.removesuffix("]")))
    cause = f"the scale of the role {' or '.join(scales)}, in the description"
    if isinstance(error, Refused) and error.code in VALUE_REFUSED:
        return [cause if scales else "the scale of that value's role in the description", *causes]
    if not scales:
        return causes
    if check in PURE:
        if any(each.value == 0 and each.low for each in failed):
            return causes
        if any(map(_is_off_by_decades, failed)):
            return [cause, *causes]
    return [*causes, cause] if len(causes) > 1 else causes  # a single one was told by measuring


def _is_off_by_decades(m: Measurement) -> bool:
    if isinstance(m.value, bool | str) or not math.isfinite(m.value) or m.low is None or m.high is None:
        return False
    low, high = m.low, m.high
    return any(low <= m.value * factor <= high for factor in DECADES)


def _scales(description: Description, check: str, part: str) -> Iterator[str]:
    heater = next((each for each in description.heater if each.name == part), None)
    for kind, role in (each.split(".") for each in ROLES.get(check, ())):
        name = heater.sensor if kind == "sensor" and heater and check.startswith("heat.") else part
        owner = next((each for each in getattr(description, kind) if each.name == name), None)
        if owner is not None and role in owner.roles:
            yield f"{role} of {kind} {name!r}"
