"""Which object leads to what on the board: the readers and writers of the object dictionary.

The k-th heater, sensor, fan or axis of the board has sub-index k (axes: the next block of indexes), in the
order of the fixture description. Channels without a load answer as a board does with nothing plugged in.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING

from hiltest.simbench import objects
from hiltest.simbench.drive import Axis
from hiltest.simbench.heater_control import NO_VALUE, HeaterChannel
from hiltest.simbench.loads.stepper import VERSION
from hiltest.simbench.objects import SdoAbort, Value

if TYPE_CHECKING:
    from hiltest.simbench.firmware import Firmware

CHANNELS = 4
"""Heaters, sensors and fans that a board has connectors for at least; a larger one has as many as hang on it."""
HANG_KEY, HANG_AFTER_NS = int.from_bytes(b"HANG", "little"), 5_000_000
"""The value that makes it hang on purpose, and the time in which its answer still leaves."""
_STATES = {"active": 0, "warning": 1, "passive": 2, "off": 3}


def serve_objects(firmware: Firmware) -> None:
    """Connect every object that the EDS has to the board."""
    _serve_general(firmware)
    board = firmware.board
    for number in range(1, max(CHANNELS, len(board.sensors), len(board.heaters), len(board.fans)) + 1):
        _serve_sensor(firmware, number)
        _serve_heater(firmware, number)
        _serve_fan(firmware, number)
    _serve_inputs_and_lamps(firmware)
    for number in range(len(board.axes)):
        _serve_axis(firmware, number)


def _number(value: Value) -> int:
    return value if isinstance(value, int) else 0


def _serve_general(firmware: Firmware) -> None:
    serve, board, controller = firmware.objects.serve, firmware.board, firmware.board.controller
    serve(0x1001, 0, read=lambda: firmware.error_register)
    for number in board.identity_override:
        serve(0x1018, number, read=partial(board.identity_override.__getitem__, number))
    serve(0x1018, 4, read=lambda: board.serial_number)
    serve(0x2000, 1, read=lambda: firmware.uptime_ms & 0xFFFF_FFFF)
    serve(0x2000, 2, read=lambda: firmware.reset_cause)
    serve(0x2001, 1, read=lambda: controller.counters.tx)
    serve(0x2001, 2, read=lambda: controller.counters.rx)
    serve(0x2001, 3, read=lambda: firmware.errors_seen)
    serve(0x2001, 4, read=lambda: firmware.burst.skipped)
    serve(0x2001, 5, read=lambda: _STATES[controller.state])
    version = firmware.habits.version
    if version is not None:
        serve(0x100A, 0, read=lambda: version.encode())

    def start_burst(value: Value) -> None:
        if value and firmware.state != 0x05:
            raise SdoAbort(objects.DEVICE_STATE)
        firmware.burst.start(value)

    serve(0x2002, 1, write=start_burst)

    def all_off(value: Value) -> None:
        if value:
            firmware.all_off()

    serve(0x2010, 0, read=lambda: int(board.all_is_off()), write=all_off)

    def hang(value: Value) -> None:
        if value != HANG_KEY:
            raise SdoAbort(objects.BAD_VALUE)
        firmware.queue.after(HANG_AFTER_NS, firmware.hang)

    serve(0x2011, 0, write=hang)


def _energising(firmware: Firmware, act: Callable[[int], None]) -> Callable[[Value], None]:
    """A writer that refuses anything but 0 where outputs may not follow."""

    def write(value: Value) -> None:
        if value != 0 and not firmware.may_energise():
            raise SdoAbort(objects.DEVICE_STATE)
        act(_number(value))

    return write


# --- sensors, heaters, fans ---------------------------------------------------------------------------


def _serve_sensor(firmware: Firmware, number: int) -> None:
    sensors = firmware.board.sensors
    if number <= len(sensors):
        sensor = sensors[number - 1]
        firmware.objects.serve(0x7130, number, read=lambda: sensor.raw)
    else:
        firmware.objects.serve(0x7130, number, read=lambda: NO_VALUE)


def _serve_heater(firmware: Firmware, number: int) -> None:
    serve, heaters = firmware.objects.serve, firmware.board.heaters
    if number > len(heaters):

        def nothing(value: Value) -> None:
            if value != 0:
                raise SdoAbort(objects.HARDWARE)

        serve(0x2100, number, write=nothing)
        serve(0x2101, number, write=nothing)
        return
    heater = heaters[number - 1]
    serve(
        0x2100,
        number,
        read=lambda: heater.setpoint_dc,
        write=_energising(firmware, lambda value: _set_setpoint(heater, value)),
    )
    serve(
        0x2101,
        number,
        read=lambda: round(heater.output * 1000) if heater.pulsing else 0,
        write=_energising(firmware, lambda value: _start_pulse(firmware, heater, value)),
    )
    serve(
        0x2102,
        number,
        read=lambda: heater.pulse_ms,
        write=lambda value: _set_pulse_time(heater, _number(value)),
    )
    serve(0x2103, number, read=lambda: round(heater.output * 1000))
    serve(0x2104, number, read=lambda: heater.status)
    serve(
        0x2105,
        number,
        read=lambda: heater.ceiling_dc,
        write=lambda value: _set_ceiling(heater, _number(value)),
    )


def _set_setpoint(heater: HeaterChannel, value: int) -> None:
    if heater.watches_ceiling and value > heater.ceiling_dc:
        raise SdoAbort(objects.TOO_HIGH)
    if value and heater.latched:
        raise SdoAbort(objects.DEVICE_STATE)
    heater.set_setpoint(value)


def _set_pulse_time(heater: HeaterChannel, milliseconds: int) -> None:
    heater.pulse_ms = milliseconds


def _set_ceiling(heater: HeaterChannel, value: int) -> None:
    if value > heater.built_ceiling_dc:
        raise SdoAbort(objects.TOO_HIGH)
    if value <= 0:
        raise SdoAbort(objects.TOO_LOW)
    heater.ceiling_dc = value


def _start_pulse(firmware: Firmware, heater: HeaterChannel, per_mille: int) -> None:
    if per_mille == 0:
        heater.off()
        return
    if heater.pulse_ms <= 0 or heater.latched:
        raise SdoAbort(objects.DEVICE_STATE)
    milliseconds = heater.pulse_ms
    heater.off()
    heater.host_lost = False
    heater.pulsing = True
    heater.set_output(per_mille / 1000.0)
    number = heater.pulse_number = heater.pulse_number + 1

    def end() -> None:
        if heater.pulsing and heater.pulse_number == number and not firmware.hung:
            heater.off()

    firmware.queue.after(milliseconds * 1_000_000, end)


def _serve_fan(firmware: Firmware, number: int) -> None:
    board = firmware.board
    firmware.objects.serve(0x6401, number + 1, read=lambda: round(board.tach_hz(number - 1) * 10.0))
    firmware.objects.serve(
        0x6411,
        number,
        read=lambda: round(board.fan_command(number - 1) * 1000),
        write=_energising(firmware, lambda value: board.command_fan(number - 1, value / 1000.0)),
    )


def _serve_inputs_and_lamps(firmware: Firmware) -> None:
    board, serve = firmware.board, firmware.objects.serve
    serve(0x6401, 1, read=lambda: min(0xFFFF, board.measure_supply_mv()))
    for byte in range((len(board.inputs) + 7) // 8 or 1):
        serve(0x6000, byte + 1, read=partial(_byte_of, board.input_bits, byte))
    for byte in range((sum(len(lamp.colours) for lamp in board.lamps) + 7) // 8 or 1):
        change = partial(_set_lamp_byte, firmware, byte)
        serve(
            0x6200,
            byte + 1,
            read=partial(_byte_of, lambda: board.lamp_bits, byte),
            write=_energising(firmware, change),
        )


def _byte_of(bits: Callable[[], int], byte: int) -> int:
    """Eight of many inputs or outputs: byte 0 has the first ones (CiA 401)."""
    return bits() >> 8 * byte & 0xFF


def _set_lamp_byte(firmware: Firmware, byte: int, value: int) -> None:
    board, shift = firmware.board, 8 * byte
    board.set_lamps(board.lamp_bits & ~(0xFF << shift) | value << shift)


# --- axes ---------------------------------------------------------------------------------------------


def _serve_axis(firmware: Firmware, number: int) -> None:
    axis = firmware.board.axes[number]
    _serve_driver(firmware, axis, 0x2300 + 0x10 * number)
    serve, shift = firmware.objects.serve, 0x800 * number
    serve(
        0x6040 + shift,
        0,
        read=lambda: axis.controlword,
        write=lambda value: axis.set_controlword(_number(value)),
    )
    serve(0x6041 + shift, 0, read=lambda: axis.statusword)
    serve(0x6060 + shift, 0, write=_only_profile_position)
    serve(0x6061 + shift, 0, read=lambda: 1)
    serve(0x6064 + shift, 0, read=lambda: axis.position)
    serve(0x606C + shift, 0, read=lambda: axis.velocity)

    def set_target(value: Value) -> None:
        axis.target_object = _number(value)

    def set_speed(value: Value) -> None:
        axis.speed_object = _number(value)

    def set_acceleration(value: Value) -> None:
        axis.acceleration_object = _number(value)

    serve(0x607A + shift, 0, read=lambda: axis.target_object, write=set_target)
    serve(0x6081 + shift, 0, read=lambda: axis.speed_object, write=set_speed)
    serve(0x6083 + shift, 0, read=lambda: axis.acceleration_object, write=set_acceleration)


def _only_profile_position(value: Value) -> None:
    if value != 1:
        raise SdoAbort(objects.BAD_VALUE)


def _serve_driver(firmware: Firmware, axis: Axis, index: int) -> None:
    chip, serve = axis.chip, firmware.objects.serve

    def setting(name: str) -> tuple[Callable[[], Value], Callable[[Value], None]]:
        def write(value: Value) -> None:
            if name == "microsteps" and _number(value).bit_count() != 1:
                raise SdoAbort(objects.BAD_VALUE)
            if not chip.write(name, _number(value)):
                raise SdoAbort(objects.HARDWARE)

        return lambda: getattr(chip.settings, name) if chip.answers else 0, write

    for sub, name in ((1, "run_ma"), (2, "hold_ma"), (3, "microsteps")):
        read, write = setting(name)
        serve(index, sub, read, write)
    serve(index, 4, read=chip.flags)
    serve(index, 5, read=lambda: chip.writes if chip.answers else 0)
    serve(index, 6, read=lambda: VERSION if chip.answers else 0)
    serve(index, 7, read=lambda: firmware.board.encoder_counts(axis))
