"""The codec of a DBC file, through cantools' database (the extra `dbc`)."""

from __future__ import annotations

import logging
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hiltest.description.bounded import dbc_text, one_line
from hiltest.errors import DescriptionError, Problem, UsageError
from hiltest.node._codec import MessageInfo, SignalInfo, present

if TYPE_CHECKING:
    from cantools.database.can.database import Database
    from cantools.database.can.message import Message
    from cantools.database.can.signal import Signal


# What the library would print on standard error about a file is no answer to a person.
logging.getLogger("cantools").addHandler(logging.NullHandler())


class DbcCodec:
    """Messages of one DBC file, as far as they fit a classic frame.

    `key` says where the description names the file, for messages.

    Raises:
        UsageError: cantools is not installed.
        DescriptionError: the file can't be used.
    """

    def __init__(self, file: Path, key: str) -> None:
        self._messages: dict[str, Message] = {
            message.name: message
            for message in _load(file, key).messages
            if message.length <= 8 and not message.is_fd
        }
        for message in self._messages.values():
            _check_scales(message, file, key)
        self.messages: Mapping[str, MessageInfo] = {
            name: _info(message) for name, message in self._messages.items()
        }

    def encode(self, message: str, values: Mapping[str, float]) -> bytes:
        """Bytes of a message; see `Codec.encode`."""
        wanted = {signal.name: values[signal.name] for signal in present(self.messages[message], values)}
        return bytes(self._messages[message].encode(wanted, scaling=True, strict=False))

    def decode(self, message: str, data: bytes) -> dict[str, float] | None:
        """Values of the signals that are present; None if these bytes are not that message."""
        from cantools.database.errors import DecodeError

        described = self._messages[message]
        if len(data) != described.length:
            return None
        try:
            found = described.decode(data, decode_choices=False, scaling=True)
        except DecodeError:  # a page that the file does not know
            return None
        assert isinstance(found, dict)
        return {name: float(value) for name, value in found.items() if isinstance(value, int | float)}

    def bits_of(self, message: str, signal: str) -> list[int]:
        """The bits that a signal takes, as 8 * byte + bit."""
        described = self._messages[message].get_signal_by_name(signal)
        if described.byte_order == "little_endian":
            return list(range(described.start, described.start + described.length))
        from_top = 8 * (described.start // 8) + 7 - described.start % 8
        return [8 * (n // 8) + 7 - n % 8 for n in range(from_top, from_top + described.length)]


def _load(file: Path, key: str) -> Database:
    try:
        from cantools.database import Database
    except ImportError as error:
        raise UsageError(
            f"{key} = {file.name!r}: reading DBC files needs the package cantools; "
            'install it with `pip install "hiltest[dbc]"`'
        ) from error
    database = Database()
    try:
        database.add_dbc_string(dbc_text(file))
    except Exception as error:  # a damaged file reaches code of the library that expects a sound one
        found = f"a file that can't be read as DBC: {one_line(error)}"
        raise DescriptionError([Problem(file.name, key, found, "a DBC file")]) from error
    return database


def _check_scales(message: Message, file: Path, key: str) -> None:
    """Every signal has a scale that a value can be divided by, and a range that holds a value."""
    for signal in message.signals:
        name = f"signal {message.name}.{signal.name}"
        numbers = [signal.scale, signal.offset, signal.minimum or 0, signal.maximum or 0]
        if not signal.scale or not all(map(_is_usable, numbers)):
            scale, offset = one_line(signal.scale, 20), one_line(signal.offset, 20)
            found = f"{name} with scale {scale}, offset {offset}"
            expected = "a scale other than 0, and numbers that are finite"
            raise DescriptionError([Problem(file.name, key, found, expected)])
        low, high = _range(signal)
        if low > high:
            expected = f"a range with a value that its {signal.length} bits can hold"
            raise DescriptionError([Problem(file.name, key, f"{name} from {low:g} to {high:g}", expected)])


def _is_usable(number: float) -> bool:
    try:
        return math.isfinite(float(number))
    except OverflowError:  # a whole number beyond every float
        return False


def _info(message: Message) -> MessageInfo:
    signals = {signal.name: _signal(signal) for signal in message.signals}
    period_s = message.cycle_time / 1000 if message.cycle_time else None
    return MessageInfo(
        message.name, message.frame_id, message.is_extended_frame, message.length, signals, period_s
    )


def _signal(signal: Signal) -> SignalInfo:
    step, offset = float(signal.scale), float(signal.offset)
    low, high = _range(signal)
    rest = offset + step * (signal.raw_initial or 0)
    names = {str(name): count * step + offset for count, name in (signal.choices or {}).items()}
    selector = None
    if signal.multiplexer_ids and signal.multiplexer_signal:
        selector = (signal.multiplexer_signal, frozenset(signal.multiplexer_ids))
    rest = min(max(rest, low), high)
    return SignalInfo(
        signal.name, 0.0 if signal.is_float else step, rest, low, high, names=names, selector=selector
    )


def _range(signal: Any) -> tuple[float, float]:
    """What the bits hold, and within that what the file allows."""
    if signal.is_float:
        low, high = -math.inf, math.inf
    else:
        counts = 1 << signal.length
        first = -counts // 2 if signal.is_signed else 0
        ends = [count * signal.scale + signal.offset for count in (first, first + counts - 1)]
        low, high = min(ends), max(ends)
    if signal.minimum is not None:
        low = max(low, float(signal.minimum))
    if signal.maximum is not None:
        high = min(high, float(signal.maximum))
    return float(low), float(high)
