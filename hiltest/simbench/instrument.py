"""Bench meter and bench supply of the simulated bench, as they answer in SCPI.

IEEE 488.2 common commands and status, a SCPI-99 error queue (`SYSTem:ERRor?`), headers in short and long form,
compound messages with ';'. The meter's probes are placed by hand; for programs without hands there is one command of
our own, `ROUTe:PROBe "bus.can.h","bus.can.l"` (`ROUTe:PROBe?` tells where they are).

Error numbers and the writing of infinity are those of SCPI-99 volumes 1 and 2 (from memory).
"""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable
from typing import TYPE_CHECKING

from hiltest.clock import NS_PER_S
from hiltest.errors import UsageError
from hiltest.simbench.events import EventQueue
from hiltest.simbench.probe import Probes

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench

Handler = Callable[[list[str]], str | None]

NO_ERROR = '0,"No error"'
TEXTS = {
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -113: "Undefined header",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
}
QUEUE_MAX = 20
INPUT_MAX = 4096
INFINITY = "+9.90000000E+37"
OPERATION_COMPLETE, DEVICE_ERROR, EXECUTION_ERROR, COMMAND_ERROR, POWER_ON = 0x01, 0x08, 0x10, 0x20, 0x80
ERROR_QUEUE_BIT, ESR_BIT, SERVICE_BIT = 0x04, 0x20, 0x40
ANSWER_S, MEASURING_S = 0.002, 0.020

_OPTIONAL = re.compile(r"\[([^\]]*)\]")
_NODE = re.compile(r"([A-Z]+)([a-z]*)")


class ScpiError(Exception):
    """A command that the instrument refuses."""

    def __init__(self, code: int) -> None:
        self.code = code
        super().__init__(f"{code},{TEXTS[code]}")


def header_pattern(header: str) -> re.Pattern[str]:
    """What matches a header in short and long form; [:NODE] may be left out: 'MEASure[:SCALar]:RESistance?'."""
    text = re.escape(header).replace(r"\[", "[").replace(r"\]", "]")
    text = _OPTIONAL.sub(r"(?:\1)?", text)
    text = _NODE.sub(lambda node: f"{node[1]}(?:{node[2]})?" if node[2] else node[1], text)
    return re.compile(f":?{text}", re.IGNORECASE)


class ScpiInstrument:
    """What all instruments have: identity, status registers, error queue, and a table of commands."""

    def __init__(self, model: str, serial: str) -> None:
        self._identity = f"hiltest,{model},{serial},1.0"
        self._errors: deque[int] = deque()
        self._esr, self._ese, self._sre = POWER_ON, 0, 0
        self._commands: list[tuple[re.Pattern[str], Handler, int, float]] = []
        self.add("*CLS", self._clear)
        self.add("*ESE", self._set_ese, 1)
        self.add("*ESE?", lambda _: str(self._ese))
        self.add("*ESR?", self._read_esr)
        self.add("*IDN?", lambda _: self._identity)
        self.add("*OPC", self._complete)
        self.add("*OPC?", lambda _: "1")
        self.add("*RST", self._reset)
        self.add("*SRE", self._set_sre, 1)
        self.add("*SRE?", lambda _: str(self._sre))
        self.add("*STB?", lambda _: str(self._status()))
        self.add("*TST?", lambda _: "0")
        self.add("*WAI", lambda _: None)
        self.add("SYSTem:ERRor[:NEXT]?", lambda _: self._next_error())
        self.add("SYSTem:VERSion?", lambda _: "1999.0")

    def add(self, header: str, handler: Handler, arguments: int = 0, takes_s: float = ANSWER_S) -> None:
        """Let the instrument know a command with this many arguments."""
        self._commands.append((header_pattern(header), handler, arguments, takes_s))

    def execute(self, message: str) -> tuple[str | None, float]:
        """Run one line, which may hold several commands; its answer if it has one, and how long it took in s.

        A header after ';' starts where the one before it stands in the tree, unless ':' or '*' begins it.
        """
        answers: list[str] = []
        path, took_s = "", 0.0
        for unit in _split(message, ";"):
            header, _, rest = unit.strip().partition(" ")
            if not header:
                continue
            if header[0] not in ":*":
                header = path + header
            if header[0] != "*":
                path = header.rpartition(":")[0] + ":" if ":" in header.lstrip(":") else ""
            arguments = [part.strip() for part in _split(rest, ",")] if rest.strip() else []
            answer, unit_s = self._run(header, arguments)
            took_s += unit_s
            if answer is not None:
                answers.append(answer)
        return (";".join(answers) if answers else None), took_s

    def fail(self, code: int) -> None:
        """Note an error: in the queue, and as a bit of the event status register."""
        if len(self._errors) >= QUEUE_MAX:
            self._errors[-1] = -350
        else:
            self._errors.append(code)
        kinds = {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR}
        self._esr |= kinds[abs(code) // 100]

    def reset(self) -> None:
        """What *RST does besides; the common part has nothing to set."""

    def _run(self, header: str, arguments: list[str]) -> tuple[str | None, float]:
        for pattern, handler, count, takes_s in self._commands:
            if pattern.fullmatch(header):
                try:
                    if len(arguments) != count:
                        raise ScpiError(-109 if len(arguments) < count else -108)
                    return handler(arguments), takes_s
                except ScpiError as error:
                    self.fail(error.code)
                    return None, takes_s
        self.fail(-113)
        return None, ANSWER_S

    # --- IEEE 488.2 -----------------------------------------------------------------------------------

    def _clear(self, _: list[str]) -> None:
        self._errors.clear()
        self._esr = 0

    def _complete(self, _: list[str]) -> None:
        self._esr |= OPERATION_COMPLETE

    def _reset(self, _: list[str]) -> None:
        self.reset()

    def _set_ese(self, arguments: list[str]) -> None:
        self._ese = _whole(arguments[0], 255)

    def _set_sre(self, arguments: list[str]) -> None:
        self._sre = _whole(arguments[0], 255) & ~SERVICE_BIT

    def _read_esr(self, _: list[str]) -> str:
        value, self._esr = self._esr, 0
        return str(value)

    def _status(self) -> int:
        status = ERROR_QUEUE_BIT * bool(self._errors) | ESR_BIT * bool(self._esr & self._ese)
        return status | SERVICE_BIT * bool(status & self._sre)

    def _next_error(self) -> str:
        if not self._errors:
            return NO_ERROR
        code = self._errors.popleft()
        return f'{code},"{TEXTS[code]}"'


class BenchMeter(ScpiInstrument):
    """A multimeter with two probes."""

    def __init__(self, probes: Probes, serial: str) -> None:
        super().__init__("simulated bench meter", serial)
        self._probes = probes
        self.add("MEASure[:SCALar]:RESistance?", self._read_ohm, takes_s=MEASURING_S)
        self.add("MEASure[:SCALar]:VOLTage[:DC]?", self._read_v, takes_s=MEASURING_S)
        self.add("ROUTe:PROBe", self._put, 2)
        self.add("ROUTe:PROBe?", self._where)

    def reset(self) -> None:
        """Nothing that is set stays: the probes are where the hand has put them."""

    def _read_ohm(self, _: list[str]) -> str:
        return number(self._probes.read_ohm())

    def _read_v(self, _: list[str]) -> str:
        return number(self._probes.read_v())

    def _put(self, arguments: list[str]) -> None:
        try:
            self._probes.put(*(text.strip("\"'") for text in arguments))
        except UsageError:
            raise ScpiError(-224) from None

    def _where(self, _: list[str]) -> str:
        places = self._probes.places
        return '"",""' if places is None else ",".join(f'"{place}"' for place in places)


class FrontPanel(ScpiInstrument):
    """The bench supply: output, voltage, current limit, and what its meters show."""

    def __init__(self, bench: Bench, serial: str) -> None:
        super().__init__("simulated bench supply", serial)
        self._supply = bench.supply
        self._rng = bench.rng("supply-meters")
        self._most_v, self._most_a = 1.25 * bench.supply.nominal_v, bench.supply.limit_a
        level = "[:LEVel][:IMMediate][:AMPLitude]"
        self.add("OUTPut[:STATe]", self._switch, 1)
        self.add("OUTPut[:STATe]?", lambda _: str(int(self._supply.is_on)))
        self.add(f"[SOURce:]VOLTage{level}", self._set_v, 1)
        self.add(f"[SOURce:]VOLTage{level}?", lambda _: number(self._supply.set_v))
        self.add(f"[SOURce:]CURRent{level}", self._set_a, 1)
        self.add(f"[SOURce:]CURRent{level}?", lambda _: number(self._supply.limit_a))
        self.add("MEASure[:SCALar]:VOLTage[:DC]?", self._read_v, takes_s=MEASURING_S)
        self.add("MEASure[:SCALar]:CURRent[:DC]?", self._read_a, takes_s=MEASURING_S)

    def reset(self) -> None:
        """Output off, as after *RST."""
        self._supply.switch_on(False)

    def _switch(self, arguments: list[str]) -> None:
        word = arguments[0].upper()
        if word not in ("ON", "OFF", "1", "0"):
            raise ScpiError(-224)
        self._supply.switch_on(word in ("ON", "1"))

    def _set_v(self, arguments: list[str]) -> None:
        self._supply.set_voltage(_real(arguments[0], self._most_v))

    def _set_a(self, arguments: list[str]) -> None:
        self._supply.set_limit(_real(arguments[0], self._most_a))

    def _read_v(self, _: list[str]) -> str:
        return number(self._supply.terminal_v * (1.0 + self._rng.gauss(0.0, 2e-4)))

    def _read_a(self, _: list[str]) -> str:
        self._supply.settle()  # what loads draw by themselves changes with time: a blocked fan's tries
        amps = self._supply.current_a if self._supply.is_on else 0.0
        return number(amps * (1.0 + self._rng.gauss(0.0, 1e-3)) + self._rng.gauss(0.0, 5e-4))


class InstrumentSession:
    """One program's connection to an instrument: bytes in, bytes out, an answer after the time it takes."""

    def __init__(self, instrument: ScpiInstrument, queue: EventQueue) -> None:
        self._instrument = instrument
        self._queue = queue
        self._typed = bytearray()
        self._out = bytearray()
        self._free_ns = 0

    @property
    def waiting(self) -> int:
        """Bytes that can be read now."""
        return len(self._out)

    def read(self, most: int = 1 << 16) -> bytes:
        """Take up to `most` bytes of the answers."""
        data = bytes(self._out[:most])
        del self._out[:most]
        return data

    def discard(self) -> None:
        """Throw away what waits to be read."""
        self._out.clear()

    def write(self, data: bytes) -> None:
        """Give the instrument bytes; every line is run."""
        self._typed += data
        while b"\n" in self._typed:
            line, _, self._typed = self._typed.partition(b"\n")
            answer, took_s = self._instrument.execute(line.decode("ascii", errors="replace").strip())
            self._free_ns = max(self._free_ns, self._queue.now_ns) + round(took_s * NS_PER_S)
            if answer is not None:
                self._queue.at(self._free_ns, self._out.extend, answer.encode("ascii") + b"\n")
        if len(self._typed) > INPUT_MAX:
            self._typed.clear()
            self._instrument.fail(-363)


def number(value: float) -> str:
    """A number as SCPI instruments write it (NR3); infinity is 9.9E+37."""
    if math.isinf(value):
        return INFINITY if value > 0 else "-" + INFINITY[1:]
    return f"{value:+.8E}"


def _whole(text: str, most: int) -> int:
    value = _real(text, most)
    return round(value)


def _real(text: str, most: float) -> float:
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(-104) from None
    if not 0.0 <= value <= most:
        raise ScpiError(-222)
    return value


def _split(text: str, mark: str) -> list[str]:
    """Split at `mark` outside of quotes."""
    return re.findall(rf"(?:\"[^\"]*\"|'[^']*'|[^{mark}\"'])+", text)
