"""Makes boards of any size: an EDS file with as many channels as are asked for, and a description that uses them all.

The objects are those of the message dictionary (`hiltest/docs/message_dictionary.md`). Used by the tests, and by the
bench that measures how the time of a run grows with the number of loads.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

U8, U16, U32, I8, I16, I32, TEXT = "0x0005", "0x0006", "0x0007", "0x0002", "0x0003", "0x0004", "0x0009"
"""Data types of CiA 301: UNSIGNED8, 16, 32, INTEGER8, 16, 32, VISIBLE_STRING."""
PDO_BYTES = 8


@dataclass(frozen=True)
class Board:
    """How many channels of each kind a board has; `name` and `product_code` identify it."""

    name: str
    product_code: int
    heaters: int = 0
    sensors: int = 0
    fans: int = 0
    axes: int = 0
    switches: int = 0
    lamp_bits: int = 0
    revision: int = 0x0001_0000
    firmware: str = "1.4.0"
    description: str = "a generated board"
    file: str = ""


@dataclass(frozen=True)
class _Sub:
    name: str
    kind: str
    default: str = "0"
    access: str = "ro"
    mapped: bool = False
    low: int | None = None
    high: int | None = None


_Object = _Sub | tuple[str, dict[int, _Sub]]


def eds_text(board: Board) -> str:
    """The EDS file (CiA 306) of a board."""
    objects = dict(sorted(_objects(board).items()))
    mandatory = [0x1000, 0x1001, 0x1018]
    maker = [index for index in objects if 0x2000 <= index < 0x6000]
    optional = [index for index in objects if index not in mandatory and index not in maker]
    parts = [_head(board, objects)]
    for title, indexes in (("Mandatory", mandatory), ("Optional", optional), ("Manufacturer", maker)):
        lines = [f"[{title}Objects]", f"SupportedObjects={len(indexes)}"]
        parts.append("\n".join(lines + [f"{n}=0x{index:04X}" for n, index in enumerate(indexes, 1)]))
    for index, thing in objects.items():
        parts += _sections(index, thing)
    return "\n\n".join(parts) + "\n"


def _head(board: Board, objects: dict[int, _Object]) -> str:
    rates = "\n".join(f"BaudRate_{rate}=1" for rate in (10, 20, 50, 125, 250, 500, 800, 1000))
    sent = sum(0x1800 <= index < 0x1A00 for index in objects)
    dummies = "\n".join(f"Dummy000{n}=0" for n in range(1, 8))
    return f"""[FileInfo]
FileName={board.file or board.name.lower() + ".eds"}
FileVersion=1
FileRevision=1
EDSVersion=4.0
Description={board.description}
CreationTime=09:00AM
CreationDate=01-15-2025
CreatedBy=the hiltest developers
ModificationTime=09:00AM
ModificationDate=01-15-2025
ModifiedBy=the hiltest developers

[DeviceInfo]
VendorName=none (invented board)
VendorNumber=0x00000000
ProductName={board.name}
ProductNumber=0x{board.product_code:08X}
RevisionNumber=0x{board.revision:08X}
OrderCode={board.name}-A
{rates}
SimpleBootUpMaster=0
SimpleBootUpSlave=1
Granularity=8
DynamicChannelsSupported=0
GroupMessaging=0
NrOfRXPDO=1
NrOfTXPDO={sent}
LSS_Supported=1

[DummyUsage]
{dummies}

[Comments]
Lines=2
Line1=Every object is explained in the message dictionary of hiltest.
Line2=Outputs follow only in NMT operational."""


def _sections(index: int, thing: _Object) -> Iterator[str]:
    if isinstance(thing, _Sub):
        yield _section(f"{index:04X}", thing)
        return
    name, subs = thing
    kind = "0x8" if _is_array(subs) else "0x9"
    yield f"[{index:04X}]\nParameterName={name}\nObjectType={kind}\nSubNumber={len(subs)}"
    for sub, entry in subs.items():
        yield _section(f"{index:04X}sub{sub:X}", entry)


def _is_array(subs: dict[int, _Sub]) -> bool:
    return len({entry.kind for sub, entry in subs.items() if sub}) == 1 and 0x1000 not in subs


def _section(place: str, entry: _Sub) -> str:
    lines = [f"[{place}]", f"ParameterName={entry.name}", "ObjectType=0x7", f"DataType={entry.kind}"]
    lines.append(f"AccessType={entry.access}")
    lines += [] if entry.low is None else [f"LowLimit={entry.low}"]
    lines += [] if entry.high is None else [f"HighLimit={entry.high}"]
    return "\n".join([*lines, f"DefaultValue={entry.default}", f"PDOMapping={int(entry.mapped)}"])


def _listed(name: str, entries: Sequence[_Sub]) -> _Object:
    return name, {0: _Sub("Highest sub-index", U8, str(len(entries))), **dict(enumerate(entries, 1))}


def _each(name: str, count: int, entry: _Sub) -> _Object:
    """An array with one entry for each channel; '{n}' in the entry's name is its number."""
    made = [
        _Sub(
            entry.name.format(n=n),
            entry.kind,
            entry.default,
            entry.access,
            entry.mapped,
            entry.low,
            entry.high,
        )
        for n in range(1, count + 1)
    ]
    return _listed(name, made)


def _objects(board: Board) -> dict[int, _Object]:
    found: dict[int, _Object] = {**_communication(board), **_general()}
    found |= _heat(board)
    if board.switches:
        count = (board.switches + 7) // 8
        found[0x6000] = _each("Read input 8 bit", count, _Sub("Inputs of byte {n}", U8, mapped=True))
    if board.lamp_bits:
        found[0x6200] = _each(
            "Write output 8 bit",
            (board.lamp_bits + 7) // 8,
            _Sub("Outputs of byte {n}", U8, "0", "rww", True),
        )
    analogue = 1 + board.fans
    found[0x6401] = _each(
        "Read analogue input 16 bit", analogue, _Sub("Analogue input {n}", U16, mapped=True)
    )
    if board.fans:
        duty = _Sub("Duty of fan {n}", U16, "0", "rww", True, 0, 1000)
        found[0x6411] = _each("Write analogue output 16 bit", board.fans, duty)
    for number in range(board.axes):
        found |= _axis(number)
    return found | _process_data(found)


def _general() -> dict[int, _Object]:
    counters = ("Transmit error counter", "Receive error counter", "Bus errors", "Burst frames not sent")
    burst = [
        _Sub("Frames to send", U32, "0", "rw"),
        _Sub("Interval", U32, "1000", "rw", False, 0, 10_000_000),
        _Sub("Sent", U32),
        _Sub("First identifier", U32, "$NODEID+0x480", "rw", False, 1, 2047),
        _Sub("Pattern", U8, "0", "rw", False, 0, 2),
        _Sub("Identifiers", U8, "1", "rw", False, 1, 16),
    ]
    return {
        0x2000: _listed("Node", [_Sub("Uptime", U32, mapped=True), _Sub("Reset cause", U8)]),
        0x2001: _listed("Bus counters", [*(_Sub(name, U32) for name in counters), _Sub("Bus state", U8)]),
        0x2002: _listed("Burst", burst),
        0x2010: _Sub("All off", U8, "0", "rw", True, 0, 1),
        0x2011: _Sub("Hang on purpose", U32, "0", "wo"),
    }


def _heat(board: Board) -> dict[int, _Object]:
    found: dict[int, _Object] = {}
    if board.heaters:
        count = board.heaters
        found[0x2100] = _each("Heater setpoint", count, _Sub("Setpoint of heater {n}", I16, "0", "rww", True))
        duty = _Sub("Duty of heater {n}", U16, "0", "rw", False, 0, 1000)
        found[0x2101] = _each("Heater open-loop duty", count, duty)
        length = _Sub("Pulse of heater {n}", U32, "0", "rw", False, 0, 30_000)
        found[0x2102] = _each("Heater pulse length", count, length)
        found[0x2103] = _each("Heater output", count, _Sub("Output of heater {n}", U16, mapped=True))
        found[0x2104] = _each("Heater status", count, _Sub("Status of heater {n}", U8, mapped=True))
        found[0x2105] = _each("Heater ceiling", count, _Sub("Ceiling of heater {n}", I16, "0", "rw"))
    if board.sensors:
        digits = _Sub("Decimal digits of sensor {n}", U8, "1")
        found[0x6132] = _each("Decimal digits of process value", board.sensors, digits)
        found[0x7130] = _each("Process value", board.sensors, _Sub("Value of sensor {n}", I16, mapped=True))
    return found


def _axis(number: int) -> dict[int, _Object]:
    """A CiA 402 axis at +0x800 for each number, and its driver chip."""
    shift, at = 0x800 * number, f"of axis {number + 1}"
    chip = [
        _Sub("Run current", U16, "300", "rw", False, 0, 5000),
        _Sub("Hold current", U16, "150", "rw", False, 0, 5000),
        _Sub("Microsteps", U16, "8", "rw", False, 1, 256),
        _Sub("Flags", U8),
        _Sub("Write counter", U8),
        _Sub("Version", U8),
        _Sub("Encoder", I32, mapped=True),
    ]
    return {
        0x2300 + 0x10 * number: _listed(f"Stepper driver {at}", chip),
        0x6040 + shift: _Sub(f"Controlword {at}", U16, "0", "rww", True),
        0x6041 + shift: _Sub(f"Statusword {at}", U16, mapped=True),
        0x6060 + shift: _Sub(f"Modes of operation {at}", I8, "1", "rw"),
        0x6061 + shift: _Sub(f"Modes of operation display {at}", I8, "1", mapped=True),
        0x6064 + shift: _Sub(f"Position actual value {at}", I32, mapped=True),
        0x606C + shift: _Sub(f"Velocity actual value {at}", I32, mapped=True),
        0x607A + shift: _Sub(f"Target position {at}", I32, "0", "rww", True),
        0x6081 + shift: _Sub(f"Profile velocity {at}", U32, "6400", "rww", True, 1, 1_000_000),
        0x6083 + shift: _Sub(f"Profile acceleration {at}", U32, "64000", "rw", False, 1, 100_000_000),
    }


def _communication(board: Board) -> dict[int, _Object]:
    errors = [_Sub(f"Error {n}", U32) for n in range(1, 9)]
    history = _listed("Pre-defined error field", errors)
    assert isinstance(history, tuple)
    history[1][0] = _Sub("Number of errors", U8, "0", "rw")
    identity = [
        _Sub("Vendor-ID", U32, "0x00000000"),
        _Sub("Product code", U32, f"0x{board.product_code:08X}"),
        _Sub("Revision number", U32, f"0x{board.revision:08X}"),
        _Sub("Serial number", U32),
    ]
    sdo = [
        _Sub("COB-ID client to server", U32, "$NODEID+0x600"),
        _Sub("COB-ID server to client", U32, "$NODEID+0x580"),
    ]
    received = [_Sub("COB-ID used by RPDO 1", U32, "$NODEID+0x80000200", "rw")]
    return {
        0x1000: _Sub("Device type", U32, "0x00000000"),
        0x1001: _Sub("Error register", U8, mapped=True),
        0x1003: history,
        0x1005: _Sub("COB-ID SYNC message", U32, "0x80", "rw"),
        0x1008: _Sub("Manufacturer device name", TEXT, board.name),
        0x1009: _Sub("Manufacturer hardware version", TEXT, "A"),
        0x100A: _Sub("Manufacturer software version", TEXT, board.firmware),
        0x1014: _Sub("COB-ID emergency message", U32, "$NODEID+0x80", "rw"),
        0x1016: _listed("Consumer heartbeat time", [_Sub("Consumer 1", U32, "0", "rw")]),
        0x1017: _Sub("Producer heartbeat time", U16, "100", "rw"),
        0x1018: _listed("Identity object", identity),
        0x1200: _listed("SDO server parameter", sdo),
        0x1400: _listed("RPDO 1 communication", [*received, _Sub("Transmission type", U8, "0xFF", "rw")]),
        0x1600: _mapping("RPDO 1 mapping", []),
    }


def _mapping(name: str, words: Sequence[int]) -> _Object:
    entries = {0: _Sub("Number of mapped objects", U8, str(len(words)), "rw")}
    for sub in range(1, 9):
        word = words[sub - 1] if sub <= len(words) else 0
        entries[sub] = _Sub(f"Mapped object {sub}", U32, f"0x{word:08X}", "rw")
    return name, entries


_SIZE = {U8: 1, U16: 2, U32: 4, I8: 1, I16: 2, I32: 4}
TOLD = (0x7130, 0x2103, 0x6401, 0x6000)
TPDOS = 3
"""A node of this firmware has three TPDOs; what does not fit is asked for."""


def _process_data(objects: dict[int, _Object]) -> dict[int, _Object]:
    """TPDO 1 to 3 with temperatures, heater outputs, tachometers, supply and inputs, as many as fit."""
    groups: list[list[int]] = [[]]
    for index in TOLD:
        thing = objects.get(index)
        if not isinstance(thing, tuple):
            continue
        for sub, entry in thing[1].items():
            if sub == 0:
                continue
            size = _SIZE[entry.kind]
            if sum(word & 0xFF for word in groups[-1]) // 8 + size > PDO_BYTES:
                groups.append([])
            groups[-1].append(index << 16 | sub << 8 | 8 * size)
    found: dict[int, _Object] = {}
    for number in range(TPDOS):
        words = groups[number] if number < len(groups) else []
        valid = 0x180 + 0x100 * number
        base = f"0x{valid:03X}" if words else f"0x{0x8000_0000 | valid:08X}"
        found[0x1800 + number] = (
            f"TPDO {number + 1} communication parameter",
            {
                0: _Sub("Highest sub-index", U8, "5"),
                1: _Sub(f"COB-ID used by TPDO {number + 1}", U32, f"$NODEID+{base}", "rw"),
                2: _Sub("Transmission type", U8, "0xFF", "rw"),
                3: _Sub("Inhibit time", U16, "0", "rw"),
                5: _Sub("Event timer", U16, "200", "rw"),
            },
        )
        found[0x1A00 + number] = _mapping(f"TPDO {number + 1} mapping", words)
    return found


def write_eds(board: Board, folder: Path) -> Path:
    """Write the EDS file of a board to `folder`; return its path."""
    path = folder / (board.file or f"{board.name.lower()}.eds")
    path.write_text(eds_text(board), encoding="ascii")
    return path


# --- a description that uses all of it --------------------------------------------------------------------


def board_with(heaters: int, fans: int, steppers: int, switches: int) -> Board:
    """A board with that many loads, and a sensor for each heater."""
    return Board(
        "ML-1",
        0x4D4C_2D31,
        heaters=heaters,
        sensors=max(1, heaters),
        fans=fans,
        axes=steppers,
        switches=switches,
    )


def description_text(board: Board, operator: bool = True) -> str:
    """A description with every load of a board. The first switches are the home switches of its axes.

    With `operator` somebody takes part: each heater, sensor and coil is measured with the power off, and each switch
    pressed. The load test and the time that a heater must hold its setpoint are short, and promise accordingly little.
    """
    assert board.switches >= board.axes, "each axis needs a home switch"
    parts = [
        _FRAME.format(
            eds=board.file or f"{board.name.lower()}.eds",
            product=board.product_code,
            board=board,
            operator=str(operator).lower(),
        )
    ]
    parts += [_SENSOR.format(n=n) for n in range(1, board.sensors + 1)]
    parts += [_HEATER.format(n=n) for n in range(1, board.heaters + 1)]
    parts += [_FAN.format(n=n, tach=n + 1) for n in range(1, board.fans + 1)]
    for n in range(1, board.axes + 1):
        parts.append(_STEPPER.format(n=n, chip=0x2300 + 0x10 * (n - 1)))
    for n in range(1, board.switches + 1):
        contact = "normally_closed" if n <= board.axes else "normally_open"
        parts.append(_SWITCH.format(n=n, byte=1 + (n - 1) // 8, bit=(n - 1) % 8, contact=contact))
    return "\n".join(parts)


def write_description(board: Board, folder: Path, operator: bool = True) -> Path:
    """Write the description of a board and its EDS file to `folder`; return the description's path."""
    folder.mkdir(parents=True, exist_ok=True)
    write_eds(board, folder)
    path = folder / f"{board.name.lower()}.toml"
    path.write_text(description_text(board, operator), encoding="utf-8")
    return path


_FRAME = """[fixture]
name = "many loads"
operator = {operator}

[supply]
voltage_v = 24.0
current_limit_a = 40.0

[harness]
length_m = 0.5
power_awg = 10

[bus]
interface = "socketcan"
channel = "can0"
bit_rate_bps = 1_000_000
length_m = 1.0
[bus.load_test]
duration_s = 1.0
bit_error_probability_max = 1e-5

[node]
name = "board"
node_id = 5
eds = "{eds}"
product_code = {product}
firmware = "{board.firmware}"
[node.roles]
supply_v = {{ at = "0x6401:1", scale = 0.001 }}
uptime_s = {{ at = "0x2000:1", scale = 0.001 }}
reset_cause = "0x2000:2"
transmit_errors = "0x2001:1"
receive_errors = "0x2001:2"
bus_errors = "0x2001:3"
all_off = "0x2010"
hang = "0x2011"
burst = "0x2002"
"""
_SENSOR = """[[sensor]]
name = "s{n}"
kind = "ntc"
r25_ohm = 10_000.0
beta_k = 3435.0
pull_up_ohm = 10_000.0
roles.temperature_c = {{ at = "0x7130:{n}", scale = 0.1 }}
"""
_HEATER = """[[heater]]
name = "h{n}"
sensor = "s{n}"
power_w = 24.0
heat_capacity_j_k = 20.0
loss_w_k = 0.12
ceiling_c = 120.0
steady_s = 5.0
[heater.roles]
setpoint_c = {{ at = "0x2100:{n}", scale = 0.1 }}
duty = {{ at = "0x2101:{n}", scale = 0.001 }}
pulse_s = {{ at = "0x2102:{n}", scale = 0.001 }}
output = {{ at = "0x2103:{n}", scale = 0.001 }}
status = "0x2104:{n}"
ceiling_c = {{ at = "0x2105:{n}", scale = 0.1 }}
"""
_FAN = """[[fan]]
name = "f{n}"
full_speed_rpm = 6000.0
roles.duty = {{ at = "0x6411:{n}", scale = 0.001 }}
roles.tach_hz = {{ at = "0x6401:{tach}", scale = 0.1 }}
"""
_STEPPER = """[[stepper]]
name = "m{n}"
rated_current_a = 1.0
run_current_a = 0.7
phase_ohm = 3.2
speed_rev_s = 2.0
home_switch = "w{n}"
[stepper.roles]
current_a = {{ at = "0x{chip:04X}:1", scale = 0.001 }}
hold_current_a = {{ at = "0x{chip:04X}:2", scale = 0.001 }}
microsteps = "0x{chip:04X}:3"
flags = "0x{chip:04X}:4"
writes = "0x{chip:04X}:5"
version = "0x{chip:04X}:6"
"""
_SWITCH = """[[switch]]
name = "w{n}"
contact = "{contact}"
roles.state = "0x6000:{byte}.{bit}"
"""
