"""What a person who knows the glue head fills into its draft."""

from __future__ import annotations

import re
from pathlib import Path

GONE = ("heater_2", "fan_3", "fan_4", "stepper_2")
"""Channels that the board has and on which nothing hangs."""

VALUES: dict[tuple[str, str], str] = {
    ("fixture", "name"): '"glue head, drafted"',
    ("supply", "voltage_v"): "24.0",
    ("supply", "current_limit_a"): "5.0",
    ("harness", "length_m"): "2.4",
    ("harness", "power_awg"): "20",
    ("bus", "length_m"): "2.4",
    ("heater_1", "sensor"): '"sensor_1"',
    ("heater_1", "power_w"): "40.0",
    ("heater_1", "heat_capacity_j_k"): "20.0",
    ("heater_1", "ceiling_c"): "210.0",
    ("fan_1", "full_speed_rpm"): "6000.0",
    ("fan_2", "full_speed_rpm"): "9000.0",
    ("stepper_1", "rated_current_a"): "1.0",
    ("stepper_1", "run_current_a"): "0.7",
    ("stepper_1", "microsteps"): "16",
}
SCALES = {
    "uptime_s": "0.001",
    "supply_v": "0.001",
    "setpoint_c": "0.1",
    "duty": "0.001",
    "pulse_s": "0.001",
    "output": "0.001",
    "ceiling_c": "0.1",
    "tach_hz": "0.1",
    "current_a": "0.001",
    "hold_current_a": "0.001",
}
MORE = {
    "heater_1": "loss_w_k = 0.12",
    "fan_1": "current_a = 0.12",
    "stepper_1": 'phase_ohm = 3.2\ngear_ratio = 5.0\nspeed_rev_s = 2.0\nhome_switch = "pump_home"',
    "sensor_1": 'kind = "ntc"\nr25_ohm = 100_000.0\nbeta_k = 3950.0\npull_up_ohm = 4_700.0',
    "sensor_2": 'kind = "ntc"\nr25_ohm = 10_000.0\nbeta_k = 3435.0\npull_up_ohm = 10_000.0',
}
SWITCHES = """
[[switch]]
name = "pump_home"
contact = "normally_closed"
roles.state = "0x6000:1.0"

[[switch]]
name = "level"
contact = "normally_open"
roles.state = "0x6000:1.1"

[[lamp]]
name = "status"
colours = ["red", "green", "blue"]
roles.red = "0x6200:1.0"
roles.green = "0x6200:1.1"
roles.blue = "0x6200:1.2"
"""


def fill(file: Path) -> None:
    """Fill in every blank of the glue head's draft, take out what is not fitted, add what the bus does not show."""
    text = file.read_text(encoding="utf-8")
    for name in GONE:
        text, count = re.subn(
            rf'\[\[\w+\]\]\nname = "{name}"\n.*?\n(?=\n|\[\[)', "", text, count=1, flags=re.DOTALL
        )
        assert count == 1, name
    lines, section = [], ""
    for line in text.splitlines():
        header = re.match(r"\[(\w+)\]", line)
        named = re.match(r'name = "(\w+)"', line)
        section = header[1] if header else section
        section = named[1] if named else section
        filled = _filled(line, section)
        if filled is not None:
            lines.append(filled)
        if named and section in MORE:
            lines.append(MORE[section])
    file.write_text("\n".join(lines) + "\n" + SWITCHES, encoding="utf-8")


def _filled(line: str, section: str) -> str | None:
    key = re.match(r"(?:roles\.)?(\w+) =", line)
    if key is None or '"<fill in>"' not in line:
        return line
    if "scale = " in line:
        return line.replace('"<fill in>"', SCALES[key[1]])
    if (section, key[1]) in VALUES:
        return line.replace('"<fill in>"', VALUES[section, key[1]])
    assert key[1] == "kind", line
    return None  # stands among MORE


SIGNALS = {
    "voltage_v": "12.0",
    "current_limit_a": "4.0",
    "length_m": "3.0",
    "power_awg": "18",
}
SHORT = """
[bus.load_test]
duration_s = 3.0
bit_error_probability_max = 3e-5
"""


def fill_signals(text: str) -> str:
    """The draft of the vent actuator with its blanks filled in, and a load test that is short and promises less."""
    for key, value in SIGNALS.items():
        text = re.sub(rf'(?m)^{key} = "<fill in>"', f"{key} = {value}", text, count=1)
    text = text.replace(
        '[fixture]\nname = "<fill in>"',
        '[fixture]\nname = "vent, drafted"\nmay_be_missing = ["bus.latency", "safe.firmware_hung"]',
    )
    text = text.replace('[node]\nname = "<fill in>"', '[node]\nname = "vent"')
    text = text.replace('length_m = "<fill in>"', "length_m = 80.0")  # the bus: the second of the two
    return text + SHORT
