"""Device types and process values against manuals of devices.

Sources: Festo CPX-FB14 manual, p. 89 (CiA 401: bit 16 digital inputs, 17 digital outputs, 18 analogue inputs, 19 analogue
outputs; example 00 03 91 01). Elmo DS 301 guide, p. 27 (0x00020192, a drive). Axiomatic AX030301 manual, p. 15
(0x00030194 of CiA 404: digital and analogue inputs). Axiomatic AX130511 manual, p. 74 (0x6132: 1.230 is 1230 with 3
digits) and esd CAN-CBX-THERMO manual, p. 92 (0x9130 = 123456 with 3 digits is 123.456).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.node.objects import Dictionary, load_dictionary
from hiltest.node.profiles import Proposal, profile_text, propose

HEAD = """[FileInfo]
FileName=one.eds
[DeviceInfo]
VendorNumber=0x1
ProductNumber=0x2
[MandatoryObjects]
SupportedObjects=2
1=0x1000
2=0x1018
[1000]
ParameterName=Device type
ObjectType=0x7
DataType=0x0007
AccessType=ro
DefaultValue={device_type:#010x}
[1018]
ParameterName=Identity
ObjectType=0x9
SubNumber=2
[1018sub0]
ParameterName=Highest sub-index
DataType=0x0005
AccessType=ro
DefaultValue=1
[1018sub1]
ParameterName=Vendor
DataType=0x0007
AccessType=ro
"""


def array(index: int, name: str, data_type: int, subs: dict[str, str], access: str = "ro") -> str:
    """An array of an EDS: names of its sub-objects, with their default values."""
    text = f"[{index:X}]\nParameterName={name}\nObjectType=0x8\nSubNumber={len(subs) + 1}\n"
    text += f"[{index:X}sub0]\nParameterName=Number of entries\nDataType=0x0005\nAccessType=ro\nDefaultValue={len(subs)}\n"
    for number, (sub, default) in enumerate(subs.items(), 1):
        text += (
            f"[{index:X}sub{number:X}]\nParameterName={sub}\nDataType={data_type:#06x}\nAccessType={access}\n"
        )
        text += f"DefaultValue={default}\n" if default else ""
    return text


def read(folder: Path, device_type: int, *parts: str) -> Dictionary:
    file = folder / "one.eds"
    file.write_text(HEAD.format(device_type=device_type) + "".join(parts))
    return load_dictionary(file, 5, "eds")


def roles(proposal: Proposal) -> dict[str, tuple[str, float | None]]:
    return {
        f"{load.kind} {load.number} {role.role}": (role.at, role.scale)
        for load in proposal.loads
        for role in load.roles.values()
    }


@pytest.mark.parametrize(
    ("device_type", "words"),
    [
        (0x0003_0191, "CiA 401, generic input and output: digital inputs, digital outputs"),
        (
            0x000F_0191,
            "CiA 401, generic input and output: digital inputs, digital outputs, analogue inputs, analogue outputs",
        ),
        (0x0002_0192, "CiA 402, drives and motion control"),
        (0x0003_0194, "CiA 404, measuring and closed-loop control: digital inputs, analogue inputs"),
        (0x0000_0000, "no standard profile"),
    ],
)
def test_device_types_as_manuals_print_them(device_type: int, words: str) -> None:
    """Profile in the low 16 bits, parts of it above."""
    assert profile_text(device_type) == words


def test_an_unknown_profile_is_not_given_a_name() -> None:
    """A number that nobody knows stays a number."""
    assert "4711" in profile_text(4711)


def test_16_bit_process_values_scale_by_their_digits(tmp_path: Path) -> None:
    """CiA 404, Axiomatic: 1230 with three digits is 1.230."""
    dictionary = read(
        tmp_path,
        0x0002_0194,
        array(0x6132, "AI decimal digits PV", 0x05, {"AI1": "3", "AI2": "1"}, "rw"),
        array(0x7130, "AI input PV", 0x03, {"AI1 PV": "", "AI2 PV": ""}),
    )
    found = roles(propose(0x0002_0194, dictionary))
    assert found == {
        "sensor 1 temperature_c": ("0x7130:1", 0.001),
        "sensor 2 temperature_c": ("0x7130:2", 0.1),
    }
    place = dictionary.place("0x7130:1", scale=0.001)
    assert place.value_of(place.raw((1230).to_bytes(2, "little"))) == pytest.approx(1.230)


def test_32_bit_and_float_process_values(tmp_path: Path) -> None:
    """esd: 123456 in 0x9130 with three digits is 123.456; a float in 0x6130 is its own value."""
    digits = array(0x6132, "AI decimal digits PV", 0x05, {"AI1": "3"}, "rw")
    long = read(tmp_path, 0x0002_0194, digits, array(0x9130, "AI input PV", 0x04, {"PV 1": ""}))
    found = roles(propose(0x0002_0194, long))
    assert found == {"sensor 1 temperature_c": ("0x9130:1", 0.001)}
    place = long.place("0x9130:1", scale=0.001)
    assert place.value_of(place.raw((123_456).to_bytes(4, "little"))) == pytest.approx(123.456)
    floating = read(tmp_path, 0x0002_0194, array(0x6130, "AI input PV", 0x08, {"PV 1": ""}))
    assert roles(propose(0x0002_0194, floating)) == {"sensor 1 temperature_c": ("0x6130:1", 1.0)}


def test_values_without_digits_have_no_scale(tmp_path: Path) -> None:
    """Nothing says what a count is worth: a blank, not a guess."""
    dictionary = read(tmp_path, 0x0002_0194, array(0x7130, "AI input PV", 0x03, {"PV 1": ""}))
    assert roles(propose(0x0002_0194, dictionary)) == {"sensor 1 temperature_c": ("0x7130:1", None)}


def test_axes_of_a_drive_stand_800_apart(tmp_path: Path) -> None:
    """CiA 402: 0x6040 for the first axis, 0x6840 for the second; one without a target position is no axis for moves."""

    def axis(offset: int, without: int | None = None) -> str:
        objects = {0x6040: 6, 0x6041: 6, 0x6060: 2, 0x6064: 4, 0x607A: 4, 0x6081: 7}
        return "".join(
            f"[{index + offset:X}]\nParameterName=o{index:X}\nObjectType=0x7\nDataType={kind:#06x}\nAccessType=rw\n"
            for index, kind in objects.items()
            if index != without
        )

    dictionary = read(tmp_path, 0x0002_0192, axis(0), axis(0x800), axis(0x1000, without=0x607A))
    found = roles(propose(0x0002_0192, dictionary))
    assert found["stepper 1 control"][0] == "0x6040"
    assert found["stepper 2 target"][0] == "0x687A"
    assert not [key for key in found if key.startswith("stepper 3")]


def test_inputs_and_outputs_of_generic_modules_are_told_and_not_guessed(tmp_path: Path) -> None:
    """CiA 401: what hangs on a bit nobody can know; analogue channels go by their names, units by their brackets."""
    dictionary = read(
        tmp_path,
        0x000F_0191,
        array(0x6000, "Read input 8 bit", 0x05, {"DI 1 to 8": "", "DI 9 to 16": ""}),
        array(0x6200, "Write output 8 bit", 0x05, {"DO 1 to 8": ""}, "rw"),
        array(
            0x6401,
            "Read analogue input 16 bit",
            0x03,
            {"Supply [mV]": "", "Fan 1 tacho (Hz)": "", "AI 3": ""},
        ),
        array(0x6411, "Write analogue output 16 bit", 0x03, {"Fan 1 duty [%]": "", "AO 2": ""}, "rw"),
    )
    proposal = propose(0x000F_0191, dictionary)
    assert (proposal.inputs, proposal.outputs) == (["0x6000:1", "0x6000:2"], ["0x6200:1"])
    assert (proposal.node["supply_v"].at, proposal.node["supply_v"].scale) == ("0x6401:1", 0.001)
    assert roles(proposal) == {"fan 1 tach_hz": ("0x6401:2", 1.0), "fan 1 duty": ("0x6411:1", 0.01)}
    assert [each.split()[0] for each in proposal.left] == ["0x6401:3", "0x6411:2"]


def test_compact_arrays_are_read(tmp_path: Path) -> None:
    """CiA 306 CompactSubObj: an array told in one section."""
    dictionary = read(
        tmp_path,
        0x0002_0194,
        "[7130]\nParameterName=AI input PV\nObjectType=0x8\nDataType=0x0003\nAccessType=ro\nCompactSubObj=4\n",
    )
    assert dictionary.place("0x7130:4").size_bits == 16
