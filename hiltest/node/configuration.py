"""Does a node hold what its DCF file says? A DCF (CiA 306) gives objects a ParameterValue: how this device is set up."""

from __future__ import annotations

from collections.abc import Iterator

from canopen.objectdictionary import ODVariable, datatypes

from hiltest.errors import Refused
from hiltest.node.objects import Dictionary
from hiltest.node.sdo import SdoChannel

NOT_COMPARED = frozenset({0x1001, 0x1003, 0x1016})
"""What changes by itself, and the watch on the host (0x1016), which hiltest sets itself."""
SERIAL_NUMBER = (0x1018, 4)


def configured(dictionary: Dictionary) -> list[ODVariable]:
    """The objects that the file gives a value and that can be read back."""
    return [
        variable
        for variable in _variables(dictionary)
        if variable.value is not None
        and variable.index not in NOT_COMPARED
        and variable.access_type != "wo"
        and not ((variable.index, variable.subindex) == SERIAL_NUMBER and not variable.value)
    ]


def differences(channel: SdoChannel, dictionary: Dictionary) -> Iterator[str]:
    """Each object that holds something else than the file says, in words.

    Raises:
        NoAnswer: the node does not answer.
    """
    for variable in configured(dictionary):
        place = f"0x{variable.index:04X}:{variable.subindex}"
        what = f"{variable.name!r} ({place})"
        try:
            data = channel.read_bytes(variable.index, variable.subindex, f"a read of {what}")
        except Refused as refused:
            yield f"{what} can't be read: {refused.reason}; the file says {_shown(variable.value)}"
            continue
        found = _value(variable, data)
        if found != _wanted(variable):
            yield f"{what} is {_shown(found)}, the file says {_shown(variable.value)}"


def _variables(dictionary: Dictionary) -> Iterator[ODVariable]:
    for index in sorted(dictionary.objects):
        entry = dictionary.objects[index]
        if isinstance(entry, ODVariable):
            yield entry
        else:
            yield from (entry.subindices[sub] for sub in sorted(entry.subindices))


def _value(variable: ODVariable, data: bytes) -> object:
    if variable.data_type in datatypes.NUMBER_TYPES and len(data) * 8 != len(variable):
        return data
    value = variable.decode_raw(data)
    return value.rstrip("\0") if isinstance(value, str) else value


def _wanted(variable: ODVariable) -> object:
    """The file's value as the node would send it: a REAL32 has fewer digits than the text."""
    value = variable.value
    if variable.data_type in datatypes.FLOAT_TYPES and isinstance(value, int | float):
        return variable.decode_raw(variable.encode_raw(value))
    return value.rstrip("\0") if isinstance(value, str) else value


def _shown(value: object) -> str:
    if isinstance(value, int) and not isinstance(value, bool):
        return f"{value} (0x{value:X})" if value > 9 else str(value)
    return repr(value)[:60]
