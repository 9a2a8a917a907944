"""Device profiles of CANopen nodes: recognised by the device type (0x1000), and a mapping of roles proposed.

Low 16 bits of the device type name the profile, the upper ones say what of it there is (CiA 301). Indexes:
CiA 401 generic I/O: 0x6000 inputs, 0x6200 outputs, 0x6401 and 0x6411 analogue (bits 16 to 19 of the device type: digital
inputs, digital outputs, analogue inputs, analogue outputs; Festo CPX-FB14 manual, p. 89). CiA 402 drives: 0x6040 and on,
the next axis at +0x800. CiA 404 measuring and control: process values 0x6130 (float), 0x7130 (16 bits), 0x9130 (32 bits)
with decimal digits in 0x6132 (Axiomatic AX130511 manual, p. 74; esd CAN-CBX-THERMO manual, p. 92).

Objects of the maker (0x2000 and on) have no standard: they are proposed where their name in the EDS sounds like a role.
A proposal is never more than that: a person decides. Where there is no EDS, what the node answered of its profile's indexes
is proposed. What is found at the indexes of another profile than the device type names says so: boards exist that are
several things in one.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from canopen.objectdictionary import ODVariable, datatypes

from hiltest.node.drive import AXIS_OFFSET
from hiltest.node.objects import Dictionary
from hiltest.node.places import AXIS_OPTIONAL, AXIS_ROLES

AXES_MAX = 8
DIGITAL_INPUTS, DIGITAL_OUTPUTS, ANALOGUE_INPUTS, ANALOGUE_OUTPUTS = 0x6000, 0x6200, 0x6401, 0x6411
PROCESS_VALUES = (0x6130, 0x7130, 0x9130)
DECIMAL_DIGITS = 0x6132

_PROFILES = {
    401: "CiA 401, generic input and output",
    402: "CiA 402, drives and motion control",
    404: "CiA 404, measuring and closed-loop control",
}
_OTHERS = {
    403: "CiA 403, human machine interfaces",
    405: "CiA 405, IEC 61131-3 programmable devices",
    406: "CiA 406, encoders",
    408: "CiA 408, hydraulic drives and valves",
    410: "CiA 410, inclinometers",
    418: "CiA 418, battery modules",
    419: "CiA 419, battery chargers",
}
"""Names of the trade, from memory; nothing is proposed for these beyond names that sound like roles."""

_PARTS = {
    401: ("digital inputs", "digital outputs", "analogue inputs", "analogue outputs"),
    404: (
        "digital inputs",
        "analogue inputs",
        "digital outputs",
        "analogue outputs",
        "controllers",
        "alarms",
    ),
}
"""Bits from 16 on. Of 404: the first two by the Axiomatic AX030301 manual, p. 15 (0x00030194), the others from memory."""


@dataclass(frozen=True, slots=True)
class ProposedRole:
    """A role and its object. `scale` is None where nothing says what a count is worth."""

    role: str
    at: str
    scale: float | None
    why: str


@dataclass(slots=True)
class ProposedLoad:
    """A load that the dictionary hints at: kind, number on the node from 1, roles."""

    kind: str
    number: int
    roles: dict[str, ProposedRole] = field(default_factory=dict)
    note: str = ""


@dataclass(slots=True)
class Proposal:
    """What the device type and the dictionary suggest. `inputs` and `outputs` are bytes of digital signals, of which
    nothing says what hangs on them; `left` are objects for which nothing was proposed.
    """

    profile: str
    node: dict[str, ProposedRole] = field(default_factory=dict)
    loads: list[ProposedLoad] = field(default_factory=list)
    inputs: list[str] = field(default_factory=list)
    outputs: list[str] = field(default_factory=list)
    left: list[str] = field(default_factory=list)


Load = Callable[[str, int], dict[str, ProposedRole]]
"""The roles of the load of a kind and number; made when it is first asked for."""


def profile_number(device_type: int) -> int:
    """The profile that a device type (0x1000) names; 0 for none."""
    return device_type & 0xFFFF


def profile_text(device_type: int) -> str:
    """A device type in words: profile and what of it there is."""
    number = profile_number(device_type)
    if number == 0:
        return "no standard profile"
    name = _PROFILES.get(number) or _OTHERS.get(number) or f"profile {number}, which hiltest does not know"
    parts = [part for bit, part in enumerate(_PARTS.get(number, ())) if device_type >> (16 + bit) & 1]
    return f"{name}: {', '.join(parts)}" if parts else name


# Words by which a name sounds like a role; the first that fits counts. They are matched against
# "name of the object / name of the sub-object".
_KINDS = (
    ("heater", r"heat"),
    ("fan", r"\bfans?\b|blower|tacho"),
    ("stepper", r"stepper|\baxis\b|motor"),
    ("sensor", r"temperature|sensor|thermistor"),
    ("node", r""),
)
_ROLES: dict[str, tuple[tuple[str, str], ...]] = {
    "heater": (
        ("setpoint_c", r"set ?-?point|target"),
        ("pulse_s", r"pulse|duration"),
        ("ceiling_c", r"ceiling|limit|maximum"),
        ("status", r"status|state"),
        ("output", r"output|actual"),
        ("duty", r"duty|power"),
    ),
    "fan": (("tach_hz", r"tach|speed|rpm"), ("duty", r"duty|pwm|output")),
    "stepper": (
        ("hold_current_a", r"hold(ing)? current|standstill current"),
        ("current_a", r"run(ning)? current|motor current"),
        ("microsteps", r"micro ?-?step"),
        ("flags", r"flags"),
        ("writes", r"write counter|writes"),
        ("version", r"version"),
        ("encoder", r"encoder"),
    ),
    "sensor": (("temperature_c", r"temperature|process value"),),
    "node": (
        ("supply_v", r"supply|input voltage|bus voltage"),
        ("uptime_s", r"up ?-?time|time since"),
        ("reset_cause", r"reset cause|cause of reset"),
        ("transmit_errors", r"transmit error|tx error"),
        ("receive_errors", r"receive error|rx error"),
        ("bus_errors", r"errors seen|bus errors|can errors"),
        ("all_off", r"all off|everything off"),
        ("hang", r"\bhang\b"),
        ("burst", r"burst / .*frames"),
    ),
}
_ONLY_ONCE = {
    "flags",
    "status",
    "writes",
    "version",
    "encoder",
    "microsteps",
    "reset_cause",
    "all_off",
    "hang",
    "burst",
}
_COUNTS = {"bus_errors", "transmit_errors", "receive_errors"}
_UNITS = {"m": 1e-3, "c": 1e-2, "d": 0.1, "": 1.0, "k": 1e3}
_UNIT_AT_END = re.compile(r"[\[(](?P<prefix>[mcdk]?)(?P<unit>V|A|s|Hz|degC|°C|%|°)[\])]?\s*$")
_NUMBER_AT_END = re.compile(r"(\d{1,3})\s*(?:[\[(].*)?$")


def propose(device_type: int | None, dictionary: Dictionary) -> Proposal:
    """Propose roles from the device type and from what the dictionary lists. Without a dictionary: nothing."""
    text = (
        "unknown: the node does not tell its device type"
        if device_type is None
        else profile_text(device_type)
    )
    proposal = Proposal(text)
    loads: dict[tuple[str, int], ProposedLoad] = {}

    def load(kind: str, number: int) -> dict[str, ProposedRole]:
        return loads.setdefault((kind, number), ProposedLoad(kind, number)).roles

    profile = None if device_type is None else profile_number(device_type)
    used = set(_axes(dictionary, load)) | set(_process_values(dictionary, load))
    _note_others(loads.values(), profile)
    for parent, variable in _variables(dictionary):
        index = variable.index
        if index in used or index == DECIMAL_DIGITS:
            continue
        if index in (DIGITAL_INPUTS, DIGITAL_OUTPUTS):
            bits = proposal.inputs if index == DIGITAL_INPUTS else proposal.outputs
            bits.append(_at(variable, dictionary))
            continue
        if index >= 0x6000 and index not in (ANALOGUE_INPUTS, ANALOGUE_OUTPUTS):
            continue
        found = _by_name(parent, variable)
        if found is None:
            proposal.left.append(
                f"{_at(variable, dictionary)} {parent} / {variable.name}".replace(" / / ", " / ")
            )
            continue
        kind, role, number = found
        roles = proposal.node if kind == "node" else load(kind, number)
        roles.setdefault(role, _role(role, variable, dictionary, f"{parent} / {variable.name}"))
    if "burst" in proposal.node:
        burst = proposal.node["burst"]
        proposal.node["burst"] = ProposedRole("burst", burst.at.partition(":")[0], 1.0, burst.why)
    order = [kind for kind, _ in _KINDS]
    proposal.loads = sorted(
        (each for each in loads.values() if _is_enough(each)),
        key=lambda each: (order.index(each.kind), each.number),
    )
    return proposal


def profile_indexes(device_type: int) -> tuple[int, ...]:
    """The indexes at which the profile of a device type has what can be proposed; none for a profile without.

    Of drives those of the first axis: the next ones stand `AXIS_OFFSET` further on.
    """
    return {
        401: (DIGITAL_INPUTS, DIGITAL_OUTPUTS, ANALOGUE_INPUTS, ANALOGUE_OUTPUTS),
        402: tuple(AXIS_ROLES.values()),
        404: (*PROCESS_VALUES, DECIMAL_DIGITS),
    }.get(profile_number(device_type), ())


def propose_by_index(device_type: int | None, present: Mapping[int, int]) -> Proposal:
    """Propose from indexes alone, for a node without an EDS: `present` has the highest sub-index of each that answered."""
    proposal = Proposal(
        "unknown: the node does not tell its device type"
        if device_type is None
        else profile_text(device_type)
    )
    loads: list[ProposedLoad] = []
    for axis in range(AXES_MAX):
        places = {role: index + AXIS_OFFSET * axis for role, index in AXIS_ROLES.items()}
        if all(index in present for role, index in places.items() if role not in AXIS_OPTIONAL):
            roles = {
                role: ProposedRole(role, f"0x{index:04X}", 1.0, "CiA 402")
                for role, index in places.items()
                if index in present
            }
            loads.append(ProposedLoad("stepper", axis + 1, roles))
    sensors: dict[int, ProposedLoad] = {}
    for index in PROCESS_VALUES:
        for sub in range(1, present.get(index, 0) + 1):
            scale = 1.0 if index == PROCESS_VALUES[0] else None
            role = ProposedRole("temperature_c", f"0x{index:04X}:{sub}", scale, "CiA 404, a process value")
            sensors.setdefault(sub, ProposedLoad("sensor", sub, {"temperature_c": role}))
    proposal.loads = [*loads, *(sensors[sub] for sub in sorted(sensors))]
    _note_others(proposal.loads, None if device_type is None else profile_number(device_type))
    for index, places_of in ((DIGITAL_INPUTS, proposal.inputs), (DIGITAL_OUTPUTS, proposal.outputs)):
        places_of += [f"0x{index:04X}:{sub}" for sub in range(1, present.get(index, 0) + 1)]
    for index, what in ((ANALOGUE_INPUTS, "analogue input"), (ANALOGUE_OUTPUTS, "analogue output")):
        subs = range(1, present.get(index, 0) + 1)
        proposal.left += [f"0x{index:04X}:{sub} CiA 401, {what} {sub}" for sub in subs]
    return proposal


_PROFILE_OF = {"stepper": 402, "sensor": 404}


def _note_others(loads: Iterable[ProposedLoad], profile: int | None) -> None:
    """What stands at the indexes of another profile than the device type names says so."""
    for load in loads:
        of = _PROFILE_OF.get(load.kind)
        if of is not None and profile not in (None, of):
            named = f"CiA {profile}" if profile in _PROFILES else "no profile that has them"
            load.note = (
                f"At the indexes of CiA {of}, while the device type names {named}: compare with the manual."
            )


def _is_enough(load: ProposedLoad) -> bool:
    """Is there what a load can't do without?"""
    needed = {"heater": {"setpoint_c"}, "fan": {"duty"}, "sensor": {"temperature_c"}, "stepper": {"control"}}
    return needed[load.kind] <= set(load.roles)


def _axes(dictionary: Dictionary, load: Load) -> Iterator[int]:
    """Axes of CiA 402; their objects need no role in the description, and the indexes of all of them."""
    for axis in range(AXES_MAX):
        places = {role: index + AXIS_OFFSET * axis for role, index in AXIS_ROLES.items()}
        if all(dictionary.has(index) for role, index in places.items() if role not in AXIS_OPTIONAL):
            roles = load("stepper", axis + 1)
            for role, index in places.items():
                if dictionary.has(index):
                    roles[role] = ProposedRole(role, f"0x{index:04X}", 1.0, "CiA 402")
        yield from range(0x6000 + AXIS_OFFSET * axis + 0x3F, 0x6000 + AXIS_OFFSET * axis + 0x100)


def _process_values(dictionary: Dictionary, load: Load) -> Iterator[int]:
    for index in PROCESS_VALUES:
        for parent, variable in _variables(dictionary, index):
            digits = dictionary.default(DECIMAL_DIGITS, variable.subindex)
            is_float = variable.data_type in datatypes.FLOAT_TYPES
            scale = 1.0 if is_float else None if digits is None else float(f"{10.0**-digits:g}")
            why = f"CiA 404, {parent} / {variable.name}" + (
                "" if is_float or digits is None else ", by 0x6132"
            )
            role = ProposedRole("temperature_c", _at(variable, dictionary), scale, why)
            load("sensor", variable.subindex or 1).setdefault("temperature_c", role)
        yield index


def _variables(dictionary: Dictionary, only: int | None = None) -> Iterator[tuple[str, ODVariable]]:
    """Every number from 0x2000 on, with the name of its object; counts of sub-objects left out."""
    for index in sorted(dictionary.objects):
        if index < 0x2000 or only not in (None, index):
            continue
        entry = dictionary.objects[index]
        if isinstance(entry, ODVariable):
            yield "", entry
            continue
        for sub in sorted(entry.subindices):
            variable = entry.subindices[sub]
            if sub and variable.data_type in datatypes.NUMBER_TYPES:
                yield entry.name, variable


def _at(variable: ODVariable, dictionary: Dictionary) -> str:
    entry = dictionary.objects[variable.index]
    return f"0x{variable.index:04X}" + ("" if isinstance(entry, ODVariable) else f":{variable.subindex}")


def _by_name(parent: str, variable: ODVariable) -> tuple[str, str, int] | None:
    """Kind, role and number that the names sound like."""
    text = f"{parent} / {variable.name}".lower()
    for kind, kind_words in _KINDS:
        if not re.search(kind_words, text):
            continue
        for role, words in _ROLES[kind]:
            if re.search(words, text):
                return kind, role, _number_of(parent, variable)
    return None


def _number_of(parent: str, variable: ODVariable) -> int:
    for name in (variable.name, parent):
        match = _NUMBER_AT_END.search(name)
        if match:
            return int(match[1])
    return 1


def _role(role: str, variable: ODVariable, dictionary: Dictionary, why: str) -> ProposedRole:
    return ProposedRole(role, _at(variable, dictionary), _scale(role, variable), why.removeprefix(" / "))


def _scale(role: str, variable: ODVariable) -> float | None:
    """What a count is worth: counts and bits are what they are; else by the unit or factor that the file states."""
    if role in _ONLY_ONCE or role in _COUNTS:
        return 1.0
    if variable.data_type in datatypes.FLOAT_TYPES:
        return 1.0
    if variable.factor not in (1, 1.0):
        return float(variable.factor)
    match = _UNIT_AT_END.search(variable.name) or _UNIT_AT_END.search(
        f"[{variable.unit}]" if variable.unit else ""
    )
    if match is None:
        return None
    return 0.01 if match["unit"] == "%" else _UNITS[match["prefix"]]
