"""Bench meter and bench supply by SCPI, over a serial port or a TCP socket, without ever blocking the loop.

The transport is pyserial, which opens a device, `socket://HOST:PORT` and any other of its URLs, and reads without
waiting. The usual instrument libraries wait inside their read for as long as the instrument takes; for that long no
heartbeat would be sent and no reading watched, and nodes would rightly switch off. So the words are spoken here:
IEEE 488.2 (`*CLS`, `*IDN?`), SCPI-99 (`SYSTem:ERRor?`, `MEASure`, `OUTPut`), one line at a time. After every command
the instrument is asked for its errors, so a command that it does not know is never taken for done.
"""

from __future__ import annotations

import math
from typing import Any

from hiltest.errors import BenchError, BenchLost, BenchNotOpened, UsageError
from hiltest.link import Link

POLL_S = 0.005
DOORS = "hiltest.simbench.doors"
INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37
"""How SCPI writes infinity (a meter's overload) and NaN. Source: SCPI-99 volume 1, numeric formats (from memory)."""
ERRORS_MAX = 32
ANSWER_BYTES_MAX = 65_536


class InstrumentError(BenchError):
    """The instrument refused a command. `code` and `text` are its own, from its error queue."""

    def __init__(self, port: str, command: str, code: int, text: str) -> None:
        self.port, self.command, self.code, self.text = port, command, code, text
        super().__init__(f"instrument {port!r} answered {command!r} with error {code}, {text!r}")


class Instrument:
    """One SCPI instrument. Cleared and identified when it is opened; `identity` is what it said.

    Args:
        link: where it waits.
        port: device or pyserial URL.
        baud: bits per second, if it is a serial port.
        timeout_s: how long an answer may take.

    Raises:
        BenchNotOpened: there is no such port.
        UsageError: the port is no device and no pyserial URL.
        BenchError: the instrument does not answer.
    """

    def __init__(self, link: Link, port: str, baud: int = 9600, timeout_s: float = 3.0) -> None:
        self._link = link
        self.port = port
        self._timeout_s = timeout_s
        self._received = bytearray()
        self._serial = _open(port, baud)
        try:
            self._send("*CLS")
            self.identity = self.query("*IDN?")
        except BenchError:
            self.close()
            raise

    def write(self, command: str) -> None:
        """Send a command that has no answer, and see that the instrument took it.

        Raises:
            InstrumentError: the instrument refused it.
            BenchError, BenchLost: it does not answer, or it is gone.
        """
        self._send(command)
        self._check(command)

    def query(self, command: str) -> str:
        """Send a query; return its answer.

        Raises as `write` does. A query that the instrument does not know has no answer; then its error is told.
        """
        self._send(command)
        answer = self._answer()
        if answer is None:
            self._check(command)
            raise BenchError(f"instrument {self.port!r} did not answer {command!r} in {self._timeout_s:g} s")
        self._check(command)
        return answer

    def number(self, command: str) -> float:
        """A query whose answer is a number; infinity and NaN as SCPI writes them."""
        answer = self.query(command)
        try:
            value = float(answer)
        except ValueError:
            raise BenchError(
                f"instrument {self.port!r} answered {command!r} with {answer!r}, expected a number"
            ) from None
        if math.isclose(value, NOT_A_NUMBER, rel_tol=1e-6):
            return math.nan
        return math.copysign(math.inf, value) if abs(value) >= INFINITY * (1 - 1e-6) else value

    def errors(self) -> list[tuple[int, str]]:
        """Empty the instrument's error queue; oldest first.

        Raises:
            BenchError: it does not answer.
        """
        found: list[tuple[int, str]] = []
        for _ in range(ERRORS_MAX):
            self._send("SYST:ERR?")
            answer = self._answer()
            if answer is None:
                raise BenchError(f"instrument {self.port!r} did not answer in {self._timeout_s:g} s")
            code, _, text = answer.partition(",")
            try:
                number = int(code)
            except ValueError:
                raise BenchError(
                    f'instrument {self.port!r} answered SYST:ERR? with {answer!r}, expected CODE,"text"'
                ) from None
            if number == 0:
                break
            found.append((number, text.strip().strip('"')))
        return found

    def close(self) -> None:
        """Close the port. May be called twice."""
        try:
            self._serial.close()
        except OSError:
            return  # it is gone; there is nothing left to close

    # --- inside -------------------------------------------------------------------------------------

    def _check(self, command: str) -> None:
        errors = self.errors()
        if errors:
            raise InstrumentError(self.port, command, *errors[0])

    def _send(self, command: str) -> None:
        if "\n" in command:
            raise UsageError(f"command {command!r}: one line at a time")
        self._received.clear()
        try:
            # What a late answer left behind must not be taken for the next one.
            while self._serial.in_waiting:
                self._serial.read(4096)
            self._serial.write(command.encode("ascii") + b"\n")
        except (OSError, TypeError, ValueError) as error:  # pyserial's errors are OSErrors
            raise self._lost(error) from error

    def _answer(self) -> str | None:
        """The next line, or None when none came in time. The loop goes on meanwhile."""
        lost: list[Exception] = []

        def poll() -> None:
            try:
                self._received.extend(self._serial.read(4096))
            except (OSError, TypeError, ValueError) as error:
                lost.append(error)

        def is_there() -> bool:
            return bool(lost) or b"\n" in self._received or len(self._received) > ANSWER_BYTES_MAX

        stop = self._link.add_source(poll, POLL_S)
        try:
            arrived = self._link.wait_for(is_there, self._timeout_s)
        finally:
            stop()
        if lost:
            raise self._lost(lost[0])
        if not arrived:
            return None
        line = bytes(self._received).partition(b"\n")[0]
        return line.decode("ascii", errors="replace").strip()

    def _lost(self, error: Exception) -> BenchLost:
        return BenchLost(f"instrument {self.port!r} is gone: {error}")


class ScpiMeter(Instrument):
    """A bench multimeter."""

    def read_ohm(self) -> float:
        """Resistance between its probes; `math.inf` for open (overload)."""
        return self.number("MEAS:RES?")

    def read_v(self) -> float:
        """Direct voltage between its probes."""
        return self.number("MEAS:VOLT:DC?")


class ScpiSupply(Instrument):
    """A bench supply: switched, set and read. `settle_s` is how long its output takes to fall."""

    def __init__(
        self, link: Link, port: str, baud: int = 9600, timeout_s: float = 3.0, settle_s: float = 1.0
    ) -> None:
        super().__init__(link, port, baud, timeout_s)
        self.settle_s = settle_s

    def switch(self, on: bool) -> None:
        """Switch the output, and see that it is so.

        Raises:
            BenchError: the supply says otherwise.
        """
        self.write("OUTP ON" if on else "OUTP OFF")
        if self.is_on() != on:
            raise BenchError(f"supply {self.port!r} was switched {'on' if on else 'off'} and says otherwise")

    def cut(self) -> None:
        """Send the command that switches the output off and wait for nothing: for whoever must not wait.

        Raises:
            BenchLost: the supply is gone.
        """
        self._send("OUTP OFF")

    def is_on(self) -> bool:
        """Is the output on, as the supply says?"""
        return self.number("OUTP?") != 0.0

    def set_v(self, volts: float) -> None:
        """Set the voltage."""
        self.write(f"VOLT {volts:.4f}")

    def set_limit_a(self, amperes: float) -> None:
        """Set the current limit."""
        self.write(f"CURR {amperes:.4f}")

    def read_limit_a(self) -> float:
        """The current limit that is set."""
        return self.number("CURR?")

    def read_v(self) -> float:
        """Voltage at its terminals."""
        return self.number("MEAS:VOLT?")

    def read_a(self) -> float:
        """Current out of its terminals."""
        return self.number("MEAS:CURR?")


def _open(port: str, baud: int) -> Any:
    import serial

    if DOORS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(DOORS)
    try:
        return serial.serial_for_url(port, baudrate=baud, timeout=0, write_timeout=1.0)
    except ValueError as error:
        raise UsageError(
            f"instrument port={port!r}, baud={baud}: {error}. Give a device like /dev/ttyUSB1 or a pyserial URL like "
            "socket://10.0.0.7:5025"
        ) from error
    except OSError as error:
        raise BenchNotOpened(
            f"instrument {port!r} could not be opened: {error}. Is it switched on, the address right, and may you open "
            "it?"
        ) from error
