"""What a fixture description may say: every section, field, unit, default and role, documented once.

The same texts serve `hiltest schema`, the messages about a wrong file, and the manual. Units stand in the
field names. A limit's default names its source in `json_schema_extra["default_source"]`.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator


class Section(BaseModel):
    """Base of all sections: strict types, unknown keys refused, no NaN or infinity, read-only."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


def limit(default: Any, source: str, description: str, **rules: Any) -> Any:
    """Declare a limit: a field with a default whose source is stated."""
    return Field(default, description=description, json_schema_extra={"default_source": source}, **rules)


COMMON = "common practice, no source"
OURS = "chosen for hiltest"

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$", description="lower case, digits and _")]
SignalName = Annotated[
    str,
    Field(pattern=r"^[A-Za-z_]\w{0,127}$", description="letters, digits and _, not starting with a digit"),
]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]


class Role(Section):
    """Where in the node's protocol a quantity is found, and how its raw number becomes a value.

    value = raw * scale + offset.
    """

    at: str = Field(
        "",
        description=(
            "canopen: index[:sub][.bit], like '0x6401:2' or '0x6000:1.3', or a parameter name of the EDS; "
            "signals and frames: 'Message.Signal'; console: the same for what the node tells on the bus, left out for "
            "what has send or expect; own: what the driver class says"
        ),
    )
    scale: float = Field(
        1.0, description="value of one raw count; signals and frames: of one unit of the signal's own value"
    )
    offset: float = Field(0.0, description="value at raw 0")
    feedback: str | None = Field(
        None,
        description="signals, frames: 'Message.Signal' in which the node reports what at commands, in the same unit",
    )
    on: float | str = Field(
        1.0,
        description=(
            "signals, frames: what stands for on, a number or a name of the value table; console: the number or text"
        ),
    )
    invalid: list[float | str] = Field(
        default_factory=list,
        max_length=16,
        description=(
            "signals, frames: numbers or names of the value table that stand for no valid value; console: numbers or texts"
        ),
    )
    send: str | None = Field(
        None,
        max_length=200,
        description="console: the line to send, with {placeholders}; of what is only read, the line that asks",
    )
    expect: str | None = Field(
        None,
        max_length=500,
        description=(
            "console: regular expression that a whole line of the answer must fit; its one group is the value (a command's "
            "may have none). Without send: of a line that the node prints by itself"
        ),
    )
    off: str | None = Field(
        None,
        max_length=200,
        description="console: the line that switches it off, where send has no {value} that could be 0",
    )
    ask: str | None = Field(
        None, max_length=200, description="console: the line that asks for what send commands"
    )
    answer: str | None = Field(
        None, max_length=500, description="console: as expect, with one group, for the answer to ask"
    )


# What hiltest itself reads and writes of each kind; the names are the keys of its `roles` table.
# A node with protocol "own" may use more. A lamp has one role for each of its colours instead.
# A CANopen stepper needs the first eight only where its objects are not those of CiA 402.
DRIVE_ROLES = {
    "control": "CiA 402 controlword",
    "status": "CiA 402 statusword",
    "mode": "mode of operation",
    "mode_shown": "mode of operation in force",
    "target": "end of the next move, microsteps",
    "speed": "speed of a move, microsteps per second",
    "acceleration": "ramp of a move, microsteps per second squared",
    "position": "step counter, microsteps",
}
DRIVER_FLAGS = (
    "open_load_a",
    "open_load_b",
    "short",
    "over_temperature_warning",
    "over_temperature",
    "reset",
    "not_reachable",
)
# Nodes with protocol "signals" or "frames" have no objects of a profile: these say the same in messages.
IDENTITY_ROLES = {
    "vendor_id": "signals, frames, console: maker of the board",
    "product_code": "signals, frames, console: type of the board",
    "revision": "signals, frames, console: its revision",
    "serial_number": "signals, frames, console: its serial number",
    "hardware": "signals, frames, console: hardware version, a number or its name in the value table",
    "firmware": "signals, frames, console: firmware version, a number or its name in the value table",
    "firmware_minor": "signals, frames: second part of the version, where firmware is the first",
    "firmware_patch": "signals, frames: third part of the version",
}
MESSAGE_MOVE_ROLES = {
    "enable": "signals, frames, console: on puts current on the motor",
    "distance": "signals, frames, console: length of the next move, microsteps, where target is not its end",
    "start": "signals, frames: number that changes with every move",
    "moving": "signals, frames, console: on while the motor moves",
}
HANG_KEY = 0x474E4148
"""'HANG', lowest byte first: no other value makes a node stand still."""

ROLES: dict[str, dict[str, str]] = {
    "node": {
        "supply_v": "voltage at the node, V",
        "uptime_s": "time since reset, s",
        "reset_cause": "0 unknown, 1 power, 2 brown-out, 3 watchdog, 4 command",
        "bus_errors": "errors that the node's CAN controller has seen",
        "transmit_errors": "transmit error counter",
        "receive_errors": "receive error counter",
        "all_off": "writing 1 switches every output off",
        "hang": f"writing 0x{HANG_KEY:08X} makes its program stand still, for the drill of its watchdog; console: the line that does",
        "burst": "record that makes the node send frames; signals, frames, console: how many, its feedback how many were sent",
        "burst_interval_s": "signals, frames: time between two frames of the burst, s",
        "restart": "signals, frames, console: on resets the node",
        **IDENTITY_ROLES,
    },
    "sensor": {"temperature_c": "temperature, degC"},
    "heater": {
        "setpoint_c": "closed-loop setpoint, degC",
        "duty": "open-loop duty, 0..1",
        "pulse_s": "how long an open-loop duty lasts, s",
        "output": "duty that is applied now, 0..1",
        "status": "bit 0 on, 1 sensor fault, 2 over ceiling, 3 host lost",
        "ceiling_c": "the node's own ceiling, degC; by feedback, or ask and answer, or a readable object, it is read before a drill",
    },
    "fan": {"duty": "duty, 0..1", "tach_hz": "tach pulses per second, Hz"},
    "stepper": {
        "current_a": "run current, A RMS",
        "hold_current_a": "hold current, A RMS",
        "microsteps": "microsteps per full step",
        "flags": "bits from 0 on: " + ", ".join(DRIVER_FLAGS),
        **{f"flag_{name}": f"{name} by itself, where it is no bit of flags" for name in DRIVER_FLAGS},
        "writes": "counter of writes to the driver",
        "version": "version of the driver chip",
        "encoder": "encoder counter",
        **DRIVE_ROLES,
        **MESSAGE_MOVE_ROLES,
    },
    "switch": {"state": "the raw bit"},
}


def _role(value: Any) -> Any:
    return {"at": value} if isinstance(value, str) else value


Roles = dict[str, Annotated[Role, BeforeValidator(_role)]]


class Fixture(Section):
    """What this fixture is, and what counts as accepted."""

    name: str = Field(min_length=1, max_length=80, description="what is tested, for the head of the report")
    note: str = Field("", description="a sentence for the report")
    operator: bool = Field(
        False,
        description=(
            "true: a person (or an answers file) takes part, and what only a person can do or see must be shown for "
            "'accepted': resistances with the power off, every switch by hand, every colour of a lamp"
        ),
    )
    may_be_missing: list[str] = Field(
        default_factory=list,
        description="checks (group.name or group.name[load]) that may be not offered for 'accepted'",
    )


class Supply(Section):
    """The source that feeds the bench."""

    voltage_v: float = Field(gt=0, le=60, description="nominal voltage at the source's terminals")
    tolerance_percent: float = limit(
        5.0,
        "IEC 60038 leaves extra-low voltages to the maker; 5 % is " + COMMON,
        "allowed deviation at rest",
        gt=0,
        le=20,
    )
    current_limit_a: float = Field(gt=0, le=100, description="what the source can give")
    fuse_a: float | None = Field(None, gt=0, le=60, description="fuse in the power pair; leave out if none")
    rest_current_max_a: float | None = Field(
        None,
        gt=0,
        le=100,
        description="highest current of the whole bench with nothing commanded, for cold.power_on with a [bench_supply]; by "
        "default reckoned from boards and loads, and half of the smallest heater",
    )


class LoadTest(Section):
    """How the bus is loaded to show that it carries frames without errors."""

    utilisation_percent: float = Field(50.0, gt=0, le=95, description="target share of bus time in use")
    duration_s: float = Field(6.0, gt=0, le=86400, description="how long to send")
    pattern: Literal["varied", "random", "longest_stuffing", "sparse_edges", "planned", "mixed_ids"] = Field(
        "varied",
        description=(
            "varied: half random, half hard; longest_stuffing and sparse_edges are hardest on clocks; planned: "
            "lengths and shares of the planned traffic; mixed_ids: identifiers around the node's own, where all nodes speak CANopen"
        ),
    )
    sequential: bool = Field(
        False, description="true: stop as soon as the verdict is certain, and say so in the report"
    )
    with_loads_s: float = Field(
        1.5, ge=0.2, le=86400, description="how long to send while heater, fans and motors run"
    )
    confidence: float = Field(0.95, gt=0.5, lt=1, description="confidence of the stated upper bound")
    bit_error_probability_max: float = limit(
        2e-6, OURS, "upper bound that must be shown for the error probability of a bit", gt=0, lt=1
    )


class PlannedMessage(Section):
    """A message that the finished machine will send."""

    name: str = Field(min_length=1, max_length=80, description="for the table of messages")
    can_id: int = Field(ge=0, le=0x1FFFFFFF, description="identifier; 11 bits unless extended")
    extended: bool = Field(False, description="true: 29-bit identifier")
    data_bytes: int = Field(ge=0, le=8, description="length of the data field")
    period_s: float = Field(gt=0, le=86400, description="shortest time between two of them")
    deadline_s: float | None = Field(None, gt=0, le=86400, description="default: the period")
    jitter_s: float = Field(0.0, ge=0, le=86400, description="how late it may be queued")
    sender: str = Field("", description="who sends it, for the table")


class Bus(Section):
    """One CAN bus and the adapter that reaches it."""

    name: Name = Field("can", description="what the other sections call this bus")
    interface: str = Field(
        description="python-can's name of the adapter family, like 'socketcan' or 'hiltest-serial'"
    )
    channel: str = Field(description="python-can's channel, like 'can0' or '/dev/ttyACM0'")
    options: dict[str, str | int | float | bool] = Field(
        default_factory=dict, description="more keyword arguments for python-can's Bus"
    )
    bit_rate_bps: int = Field(ge=10_000, le=1_000_000, description="nominal bit rate in bit/s")
    sample_point_percent: float = Field(75.0, ge=50, lt=95, description="of the adapter and the nodes")
    adapter_clock_hz: int | None = Field(None, gt=0, description="clock of the adapter's CAN controller")
    adapter_clock_tolerance_ppm: float = limit(
        100.0, f"crystal with ageing; {COMMON}", "how far the adapter's clock may be off", ge=0, le=50_000
    )
    adapter_jump_quanta: int | None = Field(
        None,
        ge=1,
        le=128,
        description="jump width of the adapter's controller in time quanta; left out: 1 is reckoned with",
    )
    transceiver_delay_ns: float = Field(
        255.0,
        ge=0,
        le=5000,
        description="loop delay of one transceiver, driver and receiver; 255 ns is the worst of common parts",
    )
    length_m: float = Field(gt=0, le=10_000, description="from end to end")
    stub_m: float = Field(0.0, ge=0, le=500, description="longest branch off the line")
    tail_m: float = Field(
        0.0, ge=0, le=500, description="longest piece of line that goes on behind a terminator"
    )
    terminators_ohm: list[Annotated[float, Field(gt=0, le=1e6)]] = Field(
        default_factory=lambda: [120.0, 120.0], max_length=8, description="every resistor between H and L"
    )
    twists_per_m: float | None = Field(None, ge=0, le=500, description="turns of the pair per metre")
    load_wires_distance_m: float = limit(
        0.02,
        COMMON,
        "from the pair to the nearest wire that switches a load, centre to centre",
        ge=0.0016,
        le=10,
    )
    load_wires_beside_m: float | None = Field(
        None,
        ge=0,
        le=10_000,
        description="how far such wires run beside the pair; left out: as far as the shorter of pair and power pair",
    )
    signal_awg: int = Field(24, ge=0, le=40, description="gauge of the pair")
    host_id: int = Field(127, ge=1, le=127, description="node id under which hiltest sends its heartbeat")
    host_heartbeat_s: float = Field(0.1, gt=0, le=10, description="period of the host's heartbeat")
    load_test: LoadTest = Field(
        default_factory=LoadTest, description="how the bus is loaded to count its errors"
    )
    traffic: list[PlannedMessage] = Field(
        default_factory=list, max_length=2000, description="what the finished machine will send"
    )
    traffic_database: str | None = Field(
        None, description="DBC file with more of it, by its cycle times; relative to this file"
    )
    traffic_error_interval_s: float | None = Field(
        None, gt=0, le=86400, description="the planned traffic must bear one bus error in this time"
    )
    recovery_test: bool = Field(
        False, description="true: drive the bus into bus-off once, on purpose, and see everybody come back"
    )
    margin_test: bool = Field(
        False, description="true: move the adapter's sample point to find the width of the clean window"
    )


class Harness(Section):
    """The power pair from the source to the node."""

    length_m: float = Field(gt=0, le=1000, description="one way")
    power_awg: int = Field(ge=0, le=30, description="gauge of plus and minus")
    contact_ohm: float = Field(0.02, ge=0, le=1, description="all contacts of the loop together")
    drop_max_percent: float = limit(5.0, COMMON, "voltage drop allowed with every load on", gt=0, le=30)


class MessageField(Section):
    """Where one value lies in the bytes of a message that the description itself lays out."""

    name: SignalName = Field(description="stands in roles as 'Message.Field'")
    at_byte: int = Field(ge=0, le=7, description="its first byte, from 0")
    at_bit: int | None = Field(
        None,
        ge=0,
        le=7,
        description=(
            "bit of that byte, 0 the lowest; little: of its lowest bit (default 0); big: of its highest (default 7)"
        ),
    )
    length_bits: int | None = Field(None, ge=1, le=64, description="give this or length_bytes")
    length_bytes: int | None = Field(None, ge=1, le=8, description="give this or length_bits")
    endian: Literal["little", "big"] = Field("little", description="which end of the value comes first")
    kind: Literal["unsigned", "signed", "float"] = Field(
        "unsigned", description="how its bits are read; float: IEEE 754 with 32 or 64 bits"
    )
    scale: float = Field(1.0, description="value of one count")
    offset: float = Field(0.0, description="value at count 0")
    constant: int | None = Field(
        None, description="always this count; a received frame without it is another"
    )
    names: dict[SignalName, int] = Field(default_factory=dict, description="value table: names of counts")
    when: dict[SignalName, int] = Field(
        default_factory=dict, max_length=1, description="it is there only when another field has this count"
    )


class Message(Section):
    """A message of a node with protocol "signals" (its layout is in the DBC file) or "frames" (it is here).

    Who sends it follows from the roles: the host sends what is commanded, the node the rest.
    """

    name: SignalName = Field(description="signals: as in the DBC file")
    period_s: float | None = Field(
        None,
        gt=0,
        le=60,
        description="time between two of it; leave out what is sent on demand. signals: default from GenMsgCycleTime",
    )
    counter: SignalName | None = Field(None, description="the signal that counts up by 1 with every sending")
    checksum: SignalName | None = Field(None, description="the signal with the checksum, one whole byte")
    checksum_kind: Literal["sum8", "sum8_to_zero", "xor8", "crc8_smbus", "crc8_sae_j1850", "crc8_autosar"] = (
        Field("sum8", description="over all bytes but its own; sum8_to_zero makes the sum of all bytes 0")
    )
    checksum_prefix: list[Annotated[int, Field(ge=0, le=255)]] = Field(
        default_factory=list, max_length=16, description="bytes reckoned in before the data, like a data id"
    )
    request: SignalName | None = Field(None, description="the host's message that asks for this one")
    match: list[SignalName] = Field(
        default_factory=list,
        max_length=8,
        description="fields that the answer has in common with its request",
    )
    can_id: int | None = Field(None, ge=0, le=0x1FFFFFFF, description="frames: identifier")
    extended: bool = Field(False, description="frames: 29-bit identifier")
    length_bytes: int = Field(8, ge=0, le=8, description="frames: length of the data")
    fill: Literal[0, 1] = Field(0, description="frames: bits that no field uses")
    field: list[MessageField] = Field(
        default_factory=list, max_length=64, description="frames: what lies where"
    )


class Node(Section):
    """One board on the bus."""

    name: Name = Field("node", description="what the other sections call this node")
    bus: Name | None = Field(None, description="default: the only bus")
    protocol: Literal["canopen", "signals", "frames", "console", "own"] = Field(
        "canopen",
        description=(
            "how it is spoken to; canopen: CiA 301; signals: messages of a DBC file; frames: messages laid out here; "
            "console: lines of text; own: a driver class of yours"
        ),
    )
    node_id: int | None = Field(
        None, ge=1, le=127, description="CANopen node id; default: the one that a DCF file states"
    )
    eds: str | None = Field(None, description="EDS or DCF file (CiA 306), relative to this file")
    database: str | None = Field(None, description="DBC file, relative to this file")
    driver: str | None = Field(None, description="name in the entry point group hiltest.drivers")
    vendor_id: int | None = Field(
        None, ge=0, le=0xFFFFFFFF, description="vendor that the node must report (CANopen: 0x1018:1)"
    )
    product_code: int | None = Field(
        None, ge=0, le=0xFFFFFFFF, description="product that it must report (CANopen: 0x1018:2)"
    )
    revision: int | None = Field(
        None, ge=0, le=0xFFFFFFFF, description="revision that it must report (CANopen: 0x1018:3)"
    )
    firmware: str | None = Field(None, description="the version that must be on the board")
    can_clock_hz: int | None = Field(None, gt=0, description="clock of the node's CAN controller")
    can_clock_tolerance_ppm: float = limit(
        100.0, f"crystal with ageing; {COMMON}", "how far that clock may be off", ge=0, le=50_000
    )
    sample_point_percent: float | None = Field(
        None, ge=50, lt=95, description="where the node samples a bit; default: as its bus says"
    )
    jump_quanta: int | None = Field(
        None,
        ge=1,
        le=128,
        description="jump width of the node's CAN controller in time quanta; left out: 1 is reckoned with",
    )
    answer_max_s: float = limit(
        0.05,
        "USB adapters answer within 5 ms, rarely 30 ms; " + COMMON,
        "99th percentile of its answers",
        gt=0,
        le=60,
    )
    boot_max_s: float = limit(1.5, COMMON, "from reset to the boot-up message", gt=0, le=60)
    heartbeat_s: float = Field(0.1, gt=0, le=10, description="period that the node must keep")
    heartbeat_tolerance_percent: float = limit(
        10.0, OURS, "allowed deviation of the mean period", gt=0, le=50
    )
    host_silence_max_s: float = limit(
        1.0, COMMON, "outputs must be off this long after the host fell silent", gt=0, le=60
    )
    stop_max_s: float = limit(
        0.5, COMMON, "outputs must be off this long after the stop command", gt=0, le=60
    )
    watchdog_max_s: float = limit(
        1.0,
        "hardware watchdogs are set to 0.1 s to 1 s; " + COMMON,
        "a node whose program hangs must be reset by its watchdog this soon",
        gt=0,
        le=10,
    )
    emergency_stop: bool = Field(
        False, description="there is a switch that takes the power off the outputs, whatever software does"
    )
    heartbeat: SignalName | None = Field(
        None,
        description="signals, frames, console: the cyclic message that is its sign of life, every heartbeat_s",
    )
    stale_periods: float = limit(
        3.0,
        COMMON,
        "signals, frames, console: what was told in a message longer ago than this many of its periods, and than 0.1 s, "
        "is no answer",
        ge=1,
        le=100,
    )
    message: list[Message] = Field(
        default_factory=list,
        max_length=200,
        description="signals: what the DBC file can't say of a message; frames, console: every message",
    )
    roles: Roles = Field(
        default_factory=dict,
        description="where the node's own quantities are found",
    )


class Console(Section):
    """The node's serial console."""

    port: str = Field(description="device or pyserial URL")
    node: Name | None = Field(None, description="default: the only node")
    baud: int = Field(115_200, ge=300, le=4_000_000, description="bits per second on the serial line")
    prompt: str = Field("> ", description="what the node prints when it waits for a line")
    version_command: str | None = Field(None, description="the line that makes it print its version")
    line_end: Literal["\n", "\r", "\r\n"] = Field("\n", description="what ends a line that is sent")
    echo: bool = Field(True, description="the node sends back what is typed")
    answer_s: float = Field(1.0, gt=0, le=60, description="how long an answer may take")
    refusal: str = Field(
        r"(?i)(err|error|refused|unknown|invalid)\b.*",
        max_length=500,
        description="regular expression for a line by which the node says that it will not",
    )
    unsolicited: str = Field(
        r"\s*[\[(]\s*\d[\d.:]*\s*[\])].*",
        max_length=500,
        description="regular expression for a line that comes by itself and is no answer, like '[12.345] fan: on'",
    )
    boot: str | None = Field(
        None, max_length=500, description="regular expression for a line that the node prints when it starts"
    )
    report: str | None = Field(
        None,
        max_length=500,
        description="regular expression for a line that comes by itself and belongs into the report, like an error",
    )
    stale_s: float = Field(
        3.0, gt=0, le=600, description="what the node printed by itself longer ago than this is no answer"
    )
    alive: str | None = Field(
        None,
        max_length=200,
        description="the host's sign of life: a line that is sent again and again, and without which the node switches off",
    )
    alive_s: float = Field(0.2, gt=0, le=60, description="time between two of them")


class Meter(Section):
    """A bench meter that is read by SCPI. The operator places the probes and types no number."""

    port: str = Field(description="device or pyserial URL, like '/dev/ttyUSB1' or 'socket://10.0.0.7:5025'")
    baud: int = Field(9600, ge=300, le=4_000_000, description="bits per second, if it is a serial port")
    timeout_s: float = Field(3.0, gt=0, le=60, description="how long an answer may take")


class BenchSupply(Meter):
    """A bench supply that is switched and read by SCPI. Without it the operator switches the power."""

    settle_s: float = Field(
        1.0, gt=0, le=60, description="from switching off until nothing is charged any more"
    )


class Load(Section):
    """What hangs on a node."""

    name: Name = Field(description="stands in the names of its checks; lower case, digits and _")
    node: Name | None = Field(None, description="the node it hangs on; default: the only node")
    roles: Roles = Field(default_factory=dict, description="where its quantities are found on the node")


MOTOR_CEILING_C, BOARD_CEILING_C = 80.0, 85.0
"""What the guard lets a motor's case and a board reach where the description does not say."""


class Sensor(Load):
    """A temperature sensor. roles: temperature_c."""

    kind: Literal["ntc", "platinum", "other"] = Field(
        "ntc", description="ntc: B-value thermistor; platinum: IEC 60751; other: the node does the sum"
    )
    r25_ohm: float | None = Field(None, gt=0, description="ntc: resistance at 25 degC")
    beta_k: float | None = Field(None, gt=500, lt=8000, description="ntc: B value")
    r0_ohm: float | None = Field(None, gt=0, description="platinum: resistance at 0 degC")
    pull_up_ohm: float | None = Field(None, gt=0, description="divider resistor to the reference")
    adc_bits: int = Field(12, ge=8, le=24, description="resolution of the converter that reads it")
    noise_max_k: float = limit(0.5, COMMON, "standard deviation at rest", gt=0, le=20)
    ceiling_c: float | None = limit(
        None,
        f"makers of steppers allow {MOTOR_CEILING_C:g} degC and more at the case, parts of the industrial range end at "
        f"{BOARD_CEILING_C:g} degC; " + COMMON,
        "never above this; the guard trips, for a sensor of no heater once anything was on. Left out: the ceiling_c of the heater that it controls; as motor_sensor "
        f"{MOTOR_CEILING_C:g} degC; any other {BOARD_CEILING_C:g} degC",
        gt=30,
        le=850,
    )
    place: str = Field("", description="where it sits, for the report")


class Heater(Load):
    """A heater with the sensor that controls it. roles: setpoint_c, duty, pulse_s, output, status."""

    sensor: Name = Field(description="the sensor on the same block")
    power_w: float = Field(gt=0, le=5000, description="at the nominal supply voltage")
    power_tolerance_percent: float = limit(
        10.0, "trade value for cartridge heaters up to 100 W; " + COMMON, "of the element", gt=0, le=50
    )
    heat_capacity_j_k: float = Field(gt=0, le=1e6, description="of the block: mass times specific heat")
    loss_w_k: float = Field(0.1, gt=0, le=1000, description="heat lost per kelvin above ambient")
    ceiling_c: float = Field(gt=30, le=600, description="never above this; the guard trips")
    low_setpoint_c: float = limit(50.0, COMMON, "first closed-loop setpoint", gt=25, le=200)
    window_s: float = limit(60.0, OURS, "time to reach the low setpoint", gt=1, le=7200)
    overshoot_max_k: float = limit(6.0, COMMON, "above the setpoint", gt=0, le=50)
    steady_band_k: float = limit(2.0, COMMON, "largest distance from the setpoint once settled", gt=0, le=20)
    steady_s: float = Field(20.0, gt=1, le=3600, description="how long it must stay in the band")
    idle_s: float = Field(
        30.0, gt=1, le=3600, description="how long the block is watched with the heater off, before any pulse"
    )
    pulse_s: float = Field(4.0, gt=0.1, le=30, description="length of the first, bounded pulse")
    pulse_rise_max_k: float = limit(
        40.0,
        OURS,
        "block temperature rise that the pulse may cause at worst (an element of four times the power)",
        gt=1,
        le=100,
    )
    pulse_watch_s: float = Field(25.0, gt=1, le=600, description="how long the peak is waited for")
    sensor_lag_s: float = Field(
        3.0,
        gt=0,
        le=600,
        description="of the sensor in its bore; 2 s to 6 s is usual for a bead that sits well",
    )
    sensor_lag_max_s: float = limit(
        9.0,
        OURS,
        "sensor lag and dead time, as the pulse shows them, above which the contact is bad",
        gt=0,
        le=600,
    )
    second_point_max_k: float = limit(
        2.5,
        "error budget of 1 % thermistors at 50 degC is under 1 K, a contact thermometer adds 1 K; " + COMMON,
        "the sensor against an independent thermometer on the hot block",
        gt=0,
        le=50,
    )


class Fan(Load):
    """A fan. roles: duty, tach_hz."""

    voltage_v: float | None = Field(None, gt=0, le=60, description="default: the supply's")
    current_a: float = Field(0.1, gt=0, le=20, description="running current at full speed")
    full_speed_rpm: float = Field(gt=0, le=100_000, description="at duty 1 and its rated voltage")
    speed_scatter_max_percent: float = limit(
        3.0,
        OURS + "; the edges of a turn are some percent unequal, whole turns are not",
        "standard deviation of the speed's reading while the fan runs at one speed, of its mean",
        gt=0,
        le=100,
    )
    speed_tolerance_percent: float = limit(
        15.0, "makers state 10 % to 15 % at full speed; " + COMMON, "at full speed", gt=0, le=50
    )
    pulses_per_rev: int = limit(
        2,
        "Intel, 4-Wire PWM Controlled Fans Specification rev 1.3, 2005, p. 9",
        "tach pulses per turn",
        ge=1,
        le=12,
    )
    wires: Literal[2, 3, 4] = Field(
        4,
        description="2: no tach, a person looks at it (fan.by_eye); 3: supply is switched; 4: own control wire",
    )
    duties: list[Fraction] = Field(
        default_factory=lambda: [1.0, 0.7, 0.4],
        min_length=1,
        max_length=10,
        description="at which the tach is read, in this order",
    )
    start_duty: Fraction = Field(0.3, description="lowest duty at which it must start")
    spin_up_max_s: float = limit(5.0, COMMON, "from rest to full speed", gt=0, le=60)
    stop_max_s: float = limit(8.0, COMMON, "from full speed to rest", gt=0, le=120)
    cools: Name | None = Field(None, description="heater whose block this fan blows on")
    cooling_gain_percent: float = limit(
        15.0,
        OURS,
        "cools: the block must cool at least this much faster with the fan than without",
        gt=0,
        le=1000,
    )
    follows_above_c: float | None = Field(
        None, gt=20, le=600, description="cools: the node itself must run the fan while the block is hotter"
    )

    @property
    def tells_speed(self) -> bool:
        """Has it a tachometer that the node reads? Of a load without roles (a driver of one's own) its wires say it."""
        return self.wires != 2 and (not self.roles or "tach_hz" in self.roles)


class Stepper(Load):
    """A stepper motor with its driver. roles: as CiA 402 by default, and current_a, hold_current_a,
    microsteps, flags, writes, version, encoder."""

    steps_per_rev: int = Field(200, ge=4, le=1000, description="full steps per motor turn")
    microsteps: Literal[1, 2, 4, 8, 16, 32, 64, 128, 256] = Field(
        16, description="per full step, as the driver must be set"
    )
    rated_current_a: float = Field(gt=0, le=20, description="motor's rating per phase, RMS")
    run_current_a: float = Field(gt=0, le=20, description="what the driver must be set to, RMS")
    phase_ohm: float = Field(2.0, gt=0, le=1000, description="resistance of one winding")
    phase_tolerance_percent: float = limit(
        10.0, "makers state 10 % for phase resistance; " + COMMON, "of phase_ohm", gt=0, le=50
    )
    travel_mm_per_rev: float | None = Field(None, gt=0, description="of the driven part per motor turn")
    gear_ratio: float = Field(1.0, gt=0, le=10_000, description="motor turns per output turn")
    speed_rev_s: float = Field(1.0, gt=0, le=100, description="working speed of the motor")
    small_move_rev: float = Field(0.25, gt=0, le=2, description="first move, motor turns")
    long_move_rev: float = Field(5.0, gt=0, le=1000, description="move for lost steps, motor turns")
    home_switch: Name | None = Field(None, description="the switch that stands at the low end")
    end_switch: Name | None = Field(None, description="the switch that stands at the high end")
    home_release_rev: float = Field(
        0.1, gt=0, le=5, description="motor turns from the parked position until the home switch lets go"
    )
    encoder_counts_per_rev: int | None = Field(
        None, gt=0, le=10_000_000, description="edges counted per motor turn; leave out if none"
    )
    return_error_max_steps: float = limit(
        2.0,
        "a step error of 5 % is not cumulative; two full steps are lost steps; " + COMMON,
        "full steps between leaving and meeting the switch again",
        gt=0,
        le=50,
    )
    motor_sensor: Name | None = Field(
        None, description="the sensor on the motor's case, if there is one; read by the same node"
    )
    warm_s: float = Field(
        120.0, gt=10, le=3600, description="how long the motor runs while its sensor is watched"
    )
    warm_rise_max_k: float = limit(
        12.0,
        "80 K at rated current and a time constant of a quarter of an hour or more make up to 10 K in two minutes; "
        + COMMON,
        "rise of motor_sensor in warm_s",
        gt=0,
        le=100,
    )
    play_max_steps: float = limit(
        8.0,
        OURS + "; a lever's own hysteresis is a step or two",
        "full steps between where the home switch lets go upwards and where it is met downwards: play of belt, coupling "
        "or screw, and the switch's hysteresis",
        gt=0,
        le=1000,
    )
    axis: str = Field("", description="what moves, for the cautions")


class Switch(Load):
    """A switch. roles: state."""

    contact: Literal["normally_open", "normally_closed"] = Field(
        "normally_closed", description="normally_closed shows a broken wire as actuated"
    )
    active_high: bool = Field(True, description="the raw bit is 1 when the switch is actuated")
    settle_max_s: float = limit(
        0.05,
        "contacts bounce for milliseconds, inputs are debounced for 10 ms to 20 ms; " + COMMON,
        "from the first to the last change when it is pressed or let go",
        gt=0,
        le=10,
    )
    place: str = Field("", description="where it sits, for the report")


class Lamp(Load):
    """A status lamp. roles: one per colour, named like the colour."""

    colours: list[Name] = Field(
        default_factory=lambda: ["red", "green", "blue"],
        min_length=1,
        max_length=8,
        description="that it can show; each needs a role of the same name",
    )


class Limits(Section):
    """Limits that belong to no single load."""

    ambient_low_c: float = limit(10.0, COMMON, "coldest room in which the run may start", ge=-40, le=60)
    ambient_high_c: float = limit(35.0, COMMON, "warmest room in which the run may start", ge=-40, le=60)
    sensor_agreement_k: float = limit(
        5.0,
        "error budget of 1 % NTCs is under 1 K at 25 degC; 3 K to 5 K is " + COMMON,
        "all sensors at rest",
        gt=0,
        le=30,
    )
    line_to_rail_min_ohm: float = limit(
        2000.0,
        "unpowered transceivers leave tens of kiloohms; a chafed wire leaves ohms; " + COMMON,
        "power off, CAN-H and CAN-L each to ground and to the supply",
        gt=0,
        le=1e9,
    )
    heater_insulation_min_ohm: float = limit(
        1e6,
        "a dry element leaves tens of megohms; a damaged or damp one less than one; " + COMMON,
        "power off, each element to the metal of its block",
        gt=0,
        le=1e9,
    )
    supply_to_ground_min_ohm: float = limit(
        200.0,
        "the inputs of a board leave kiloohms; a short, or a heater whose switch failed closed, leaves ohms; "
        + COMMON,
        "power off, plus to minus of the power pair once its capacitors are charged by the meter",
        gt=0,
        le=1e9,
    )
    drill_silence_s: float = limit(
        10.0,
        OURS,
        "no output may come on by itself for this long after a reset, a stop or the return of power",
        gt=0.5,
        le=600,
    )
    quiet_s: float = Field(2.0, gt=0, le=600, description="how long the idle bus is watched for errors")
    guard_margin_k: float = Field(15.0, gt=0, le=100, description="above the setpoint before the guard trips")
    guard_silence_s: float = Field(1.0, gt=0, le=60, description="without a sign of the node while energised")
    guard_rise_factor: float = Field(
        2.5, gt=1, le=10, description="measured rate of rise over the one that the heater can cause"
    )


class SimulatedAdapter(Section):
    """What the simulated bench's adapter is like."""

    reports_errors: bool = Field(True, description="hands error frames to the program, or hides them")
    echo: bool = Field(False, description="hands the program its own frames once they were sent")
    queue_frames: int = Field(64, ge=1, le=10_000, description="frames that wait to be sent")
    latency_s: float = Field(0.0005, ge=0, le=1, description="between the wire and the program, each way")
    jitter_s: float = Field(0.0, ge=0, le=1, description="what comes on top of it by chance, on average")
    stamps: Literal["hardware", "software"] = Field(
        "hardware", description="frames get their time stamps at the wire, or when the host gets them"
    )
    stamp_step_s: float = Field(
        0.0, ge=0, le=1, description="resolution of time stamps; they are rounded down"
    )
    stamp_offset_s: float = Field(
        0.0, ge=-1e6, le=1e6, description="how far the zero of its time stamps lies off the host's"
    )
    receive_frames: int = Field(
        8192, ge=1, le=1_000_000, description="frames that wait for a slow program before some are lost"
    )
    overrun: Literal["drops_new", "drops_old"] = Field(
        "drops_new", description="which frames are lost then: those that come, or those that wait longest"
    )
    tells_overrun: bool = Field(
        True, description="hands the program an error frame that says so, unless it hides errors"
    )
    error_reports_per_s: float = Field(
        1000.0,
        ge=0,
        le=1e6,
        description="bus errors that it tells at most; adapters limit them, so that a storm does not drown the host; 0: "
        "states alone, as SocketCAN without berr-reporting",
    )

    restart_s: float | None = Field(
        None,
        ge=0,
        le=60,
        description="after bus-off it comes back by itself after this time; left out: never",
    )
    self_acknowledging: bool = Field(
        False,
        description="self-test mode: it acknowledges its own frames and hands them to the program as received",
    )
    fd: bool = Field(
        False, description="its controller takes CAN FD frames; else it destroys or refuses them"
    )
    sends_fd: bool = Field(
        False, description="sends the program's frames in CAN FD format, as where FD was left on; needs fd"
    )
    data_bit_rate_bps: int | None = Field(
        None,
        ge=10_000,
        le=8_000_000,
        description="CAN FD frames that it sends switch to this rate; left out: none do",
    )


class Simulation(Section):
    """The simulated bench."""

    seed: int = Field(1, ge=0, le=2**63 - 1, description="the same seed gives the same bench, to the byte")
    tolerances: bool = Field(True, description="let the healthy board vary as real ones do, by seed")
    ambient_c: float = Field(23.0, ge=-20, le=60, description="temperature of the simulated room")
    nodes_take_fd: bool = Field(
        False, description="the nodes' controllers take CAN FD frames, with the data phase of the adapter's"
    )
    faults: list[str] = Field(
        default_factory=list, description="name[target]=value@start_s, as in `hiltest faults`"
    )
    adapter: SimulatedAdapter = Field(
        default_factory=SimulatedAdapter, description="what the simulated adapter is like"
    )


def _one_or_many(value: Any) -> Any:
    return [value] if isinstance(value, dict) else value


class Description(Section):
    """A whole fixture description."""

    fixture: Fixture = Field(description="what is tested")
    supply: Supply = Field(description="the source that feeds the bench")
    bus: Annotated[list[Bus], BeforeValidator(_one_or_many)] = Field(
        min_length=1, max_length=8, description="the CAN bus; [[bus]] if there are several"
    )
    harness: Harness = Field(description="the power pair")
    node: Annotated[list[Node], BeforeValidator(_one_or_many)] = Field(
        min_length=1, max_length=127, description="the board under test; [[node]] if there are several"
    )
    console: Annotated[list[Console], BeforeValidator(_one_or_many)] = Field(
        default_factory=list, max_length=16, description="serial console; [[console]] if there are several"
    )
    meter: Annotated[list[Meter], BeforeValidator(_one_or_many)] = Field(
        default_factory=list, max_length=1, description="bench meter; without it the operator reads one"
    )
    bench_supply: Annotated[list[BenchSupply], BeforeValidator(_one_or_many)] = Field(
        default_factory=list, max_length=1, description="bench supply that can be switched and read"
    )
    sensor: list[Sensor] = Field(default_factory=list, max_length=200, description="temperature sensors")
    heater: list[Heater] = Field(default_factory=list, max_length=100, description="heaters")
    fan: list[Fan] = Field(default_factory=list, max_length=100, description="fans")
    stepper: list[Stepper] = Field(default_factory=list, max_length=100, description="stepper motors")
    switch: list[Switch] = Field(default_factory=list, max_length=200, description="switches")
    lamp: list[Lamp] = Field(default_factory=list, max_length=100, description="lamps")
    limits: Limits = Field(default_factory=Limits, description="limits that belong to no single load")
    simulation: Simulation = Field(default_factory=Simulation, description="the simulated bench")

    @model_validator(mode="after")
    def _fill_in_the_only_one(self) -> Description:
        """Give loads the only node, nodes the only bus and consoles the only node, so nobody else must."""
        bus = self.bus[0].name if len(self.bus) == 1 else None
        node = self.node[0].name if len(self.node) == 1 else None
        for part in self.node:
            if part.bus is None and bus is not None:
                object.__setattr__(part, "bus", bus)
        attached: list[Load | Console] = [*self.loads, *self.console]
        for load in attached:
            if load.node is None and node is not None:
                object.__setattr__(load, "node", node)
        return self

    @property
    def loads(self) -> list[Load]:
        """Every load, in file order of the kinds."""
        return [*self.sensor, *self.heater, *self.fan, *self.stepper, *self.switch, *self.lamp]
