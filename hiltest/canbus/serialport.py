"""A serial port as the bus needs it: raw, non-blocking, read in blocks, and honest about an unplugged adapter."""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import struct
import termios
import tty

import can

from hiltest.canbus.preflight import check_port, read_port_facts, render
from hiltest.errors import UsageError

READ_BYTES = 65_536


class PortLost(Exception):
    """The port was there and went away; the text says how it showed."""


class SerialPort:
    """A terminal device in raw mode, non-blocking, read and written in blocks.

    Raises:
        can.CanInitializationError: it can't be opened; the text says what to do.
    """

    def __init__(self, path: str, baudrate: int = 115_200) -> None:
        self.path = path
        speed = getattr(termios, f"B{baudrate}", None)
        if speed is None:
            raise UsageError(f"tty_baudrate={baudrate!r} is no speed of this system's terminals")
        try:
            self.fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        except OSError as error:
            raise can.CanInitializationError(_why_not_opened(path, error), error.errno) from error
        try:
            self._make_raw(speed)
        except termios.error as error:
            os.close(self.fd)
            raise can.CanInitializationError(f"{path} is no serial port: {error.args[-1]}") from error
        self._poll = select.poll()
        self._poll.register(self.fd, select.POLLIN)

    def _make_raw(self, speed: int) -> None:
        tty.setraw(self.fd, termios.TCSANOW)
        settings = termios.tcgetattr(self.fd)
        settings[2] |= termios.CLOCAL | termios.CREAD
        settings[2] &= ~termios.CRTSCTS
        settings[4] = settings[5] = speed
        # VMIN 1: an empty read then means that the port hung up, and nothing else.
        settings[6][termios.VMIN], settings[6][termios.VTIME] = 1, 0
        termios.tcsetattr(self.fd, termios.TCSANOW, settings)
        fcntl.ioctl(self.fd, termios.TIOCEXCL)

    def wait_readable(self, timeout_s: float | None) -> bool:
        """Wait until there is something to read; also true if the port hung up."""
        # Rounded up: poll() counts whole milliseconds, and a rest of 0.4 ms must not spin.
        limit_ms = None if timeout_s is None else max(0, -int(-timeout_s * 1000 // 1))
        return bool(self._poll.poll(limit_ms))

    def read(self) -> bytes:
        """What there is, at most `READ_BYTES`; empty if there is nothing.

        Raises:
            PortLost: the port went away.
        """
        try:
            data = os.read(self.fd, READ_BYTES)
        except BlockingIOError:
            return b""
        except OSError as error:
            raise PortLost(f"reading failed: {error.strerror}") from error
        if not data:
            raise PortLost("it hung up")
        return data

    def write(self, data: bytes) -> int:
        """Write what there is room for and return how many bytes that was.

        Raises:
            PortLost: the port went away.
        """
        try:
            return os.write(self.fd, data)
        except BlockingIOError:
            return 0
        except OSError as error:
            raise PortLost(f"writing failed: {error.strerror}") from error

    def wait_writable(self, timeout_s: float) -> None:
        """Wait for room, at most `timeout_s`."""
        poll = select.poll()
        poll.register(self.fd, select.POLLOUT)
        poll.poll(max(0.0, timeout_s) * 1000)

    def discard_output(self) -> None:
        """Throw away what the port has not sent yet."""
        termios.tcflush(self.fd, termios.TCOFLUSH)

    def close(self) -> None:
        """Give the port back."""
        # A pseudo-terminal that its other side keeps open would stay exclusive.
        with contextlib.suppress(OSError):
            fcntl.ioctl(self.fd, termios.TIOCNXCL)
        os.close(self.fd)


def _why_not_opened(path: str, error: OSError) -> str:
    if error.errno == errno.EBUSY:
        return f"{path} is in use by another program: close that one first"
    findings = check_port(read_port_facts(path))
    return render(findings) if findings else f"{path} can't be opened: {error.strerror}"


class ReadySignal:
    """One descriptor for two things: the port has data, or our queue has frames."""

    def __init__(self, port_fd: int) -> None:
        self._event_fd = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._epoll = select.epoll()
        self._epoll.register(port_fd, select.EPOLLIN)
        self._epoll.register(self._event_fd, select.EPOLLIN)
        self._is_set = False

    def fileno(self) -> int:
        return self._epoll.fileno()

    def set(self, value: bool) -> None:
        if value and not self._is_set:
            os.write(self._event_fd, struct.pack("=Q", 1))
        elif self._is_set and not value:
            os.read(self._event_fd, 8)
        self._is_set = value

    def close(self) -> None:
        self._epoll.close()
        os.close(self._event_fd)
