"""The sections of loads that a device profile and the names of an EDS suggest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from hiltest.description.blanks import BLANK
from hiltest.errors import DescriptionError
from hiltest.node.objects import load_dictionary
from hiltest.node.places import AXIS_ROLES
from hiltest.node.profiles import (
    DECIMAL_DIGITS,
    DIGITAL_INPUTS,
    PROCESS_VALUES,
    Proposal,
    ProposedLoad,
    ProposedRole,
    propose,
    propose_by_index,
)

if TYPE_CHECKING:
    from hiltest.draft.ask import NodeFound

_FIELDS: dict[str, tuple[tuple[str, str], ...]] = {
    "sensor": (("kind", "ntc, platinum, or other where the node does the sum"),),
    "heater": (
        ("sensor", "name of the sensor on the same block"),
        ("power_w", "at the nominal supply voltage"),
        ("heat_capacity_j_k", "of the block: mass times specific heat (aluminium 0.9 J/(g K))"),
        ("ceiling_c", "never above this: the guard trips"),
    ),
    "fan": (("full_speed_rpm", "at duty 1 and its rated voltage"),),
    "stepper": (
        ("rated_current_a", "RMS per phase, from the motor's label"),
        ("run_current_a", "what the driver must be set to, RMS"),
        ("microsteps", "per full step, as the driver must be set"),
    ),
}
_MORE: dict[str, tuple[str, ...]] = {
    "sensor": (
        "# r25_ohm = 100_000.0      # ntc: at 25 degC",
        "# beta_k = 3950.0          # ntc: B value",
        "# r0_ohm = 1000.0          # platinum: at 0 degC",
        "# pull_up_ohm = 4_700.0    # the other half of the divider",
    ),
    "heater": ("# low_setpoint_c = 50.0    # first setpoint in closed loop; this is the default",),
    "fan": ("# wires = 4                # 2: no tach; 3: supply is switched; 4: own control wire",),
    "stepper": (
        "# phase_ohm = 2.0          # resistance of one winding",
        '# home_switch = "..."      # the switch at the low end',
        "# gear_ratio = 1.0",
        "# encoder_counts_per_rev = 4000  # if it has an encoder; then also the role encoder",
    ),
}
_SCALES = {
    "temperature_c": "degC",
    "setpoint_c": "degC",
    "ceiling_c": "degC",
    "duty": "1 = full",
    "output": "1 = full",
    "pulse_s": "s",
    "uptime_s": "s",
    "supply_v": "V",
    "tach_hz": "Hz",
    "current_a": "A",
    "hold_current_a": "A",
}


_NO_FILE = """\
# Without an EDS or DCF file nothing is known of the maker's own objects: add it, and draft again. What follows answered at
# the indexes of its profile.
"""


def load_sections(node: NodeFound, prefix: str, eds: Path | None) -> tuple[str, list[str]]:
    """The node's roles, and a section for each load that the device type and the EDS suggest.

    `prefix` is the node's name where there are several, which loads then carry.
    """
    roles = ""
    if eds is None:
        roles = _NO_FILE
        proposal = propose_by_index(node.device_type, node.present)
    else:
        try:
            proposal = propose(node.device_type, load_dictionary(eds, node.node_id, "eds"))
        except DescriptionError as error:
            roles = f"# The file can't be used: {' '.join(str(error).split())[:200]}\n{_NO_FILE}"
            proposal = propose_by_index(node.device_type, node.present)
    roles += f"# device type 0x{node.device_type or 0:08X}: {proposal.profile}\n"
    if proposal.node:
        roles += "\n[node.roles]                # by their names in the EDS: compare each with the manual\n"
        roles += "".join(_role_line(role, "") for role in proposal.node.values())
    blocks = [_load(node, prefix, load) for load in proposal.loads]
    return roles, [*blocks, *_digital(node, prefix, proposal), _left(proposal)]


def _load(node: NodeFound, prefix: str, load: ProposedLoad) -> str:
    name = f"{prefix}_{load.kind}_{load.number}" if prefix else f"{load.kind}_{load.number}"
    text = f"# {load.note}\n" if load.note else ""
    text += f'[[{load.kind}]]\nname = "{name}"\n' + (f'node = "{prefix}"\n' if prefix else "")
    for key, about in _FIELDS[load.kind]:
        told = f'{key} = "{BLANK}"'
        text += f"{told:<26}  # {about}\n"
    text += "".join(f"{each}\n" for each in _MORE[load.kind])
    is_stepper = load.kind == "stepper"
    if is_stepper:
        text += f"# Axis {load.number} of CiA 402: control word, target and position need no role.\n"
    reading = None
    for role in load.roles.values():
        if is_stepper and role.role in AXIS_ROLES:
            continue
        reading = reading or _reading(node, role)
        before = "# " if role.role == "encoder" else ""
        text += before + _role_line(_with_node_digits(node, role), "roles.")
    if reading is not None and reading[0] is None:
        head = "# It reads no valid value now: nothing seems to be fitted here.\n"
        return head + "".join(f"# {each.removeprefix('# ')}\n" for each in text.splitlines())
    return text + (f"# it reads {reading[0]:g} degC now\n" if reading is not None else "")


def _with_node_digits(node: NodeFound, role: ProposedRole) -> ProposedRole:
    """The node's own decimal digits win over the EDS's default."""
    place = _place(role.at)
    digits = node.readings.get((DECIMAL_DIGITS, place[1]))
    if place[0] not in PROCESS_VALUES[1:] or not digits:
        return role
    return ProposedRole(
        role.role, role.at, float(f"{10.0 ** -digits[0]:g}"), "CiA 404, digits as the node says (0x6132)"
    )


def _place(at: str) -> tuple[int, int]:
    index, _, sub = at.partition(":")
    return int(index, 16), int(sub or "0", 0)


def _reading(node: NodeFound, role: ProposedRole) -> tuple[float | None] | None:
    """What a temperature reads now; (None,) for no valid value, None where it was not read."""
    index, sub = _place(role.at)
    data = node.readings.get((index, sub))
    if data is None or index not in PROCESS_VALUES[1:]:
        return None
    raw = int.from_bytes(data, "little", signed=True)
    if raw == -(1 << (8 * len(data) - 1)):
        return (None,)
    scale = _with_node_digits(node, role).scale
    return None if scale is None else (raw * scale,)


def _role_line(role: ProposedRole, before: str) -> str:
    if role.scale == 1.0:
        value = f'"{role.at}"'
    else:
        scale = f'"{BLANK}"' if role.scale is None else f"{role.scale:g}"
        value = f'{{ at = "{role.at}", scale = {scale} }}'
    unit = _SCALES.get(role.role)
    per = f"; scale: {unit} per count" if role.scale is None and unit else ""
    why = "".join(each if each.isprintable() else "?" for each in role.why)[:90]
    return f"{before}{role.role} = {value}  # {why}{per}\n"


def _digital(node: NodeFound, prefix: str, proposal: Proposal) -> list[str]:
    """Bits of which nothing says what hangs on them: as comments."""
    owner = f'# node = "{prefix}"\n' if prefix else ""
    blocks = []
    for at in proposal.inputs:
        index, sub = _place(at)
        data = node.readings.get((DIGITAL_INPUTS, sub)) if index == DIGITAL_INPUTS else None
        now = f"; its bits read 0b{data[0]:08b} now" if data else ""
        blocks.append(
            f"# Digital inputs {at} (CiA 401){now}. One section for each switch that is wired:\n"
            f'# [[switch]]\n# name = "..."\n{owner}# contact = "normally_closed"\n'
            f'# active_high = true\n# roles.state = "{at}.0"    # bits .0 to .7\n'
        )
    outputs = [
        f"# Digital outputs {at} (CiA 401). A status lamp takes one bit a colour:\n"
        f'# [[lamp]]\n# name = "..."\n{owner}# colours = ["red"]\n# roles.red = "{at}.0"    # bits .0 to .7\n'
        for at in proposal.outputs
    ]
    return blocks + outputs


def _left(proposal: Proposal) -> str:
    if not proposal.left:
        return ""
    names = "".join(
        f"#   {''.join(c if c.isprintable() else '?' for c in each)[:100]}\n" for each in proposal.left[:100]
    )
    return f"# Objects of the maker for which no role was guessed:\n{names}"
