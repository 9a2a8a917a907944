"""The in-process doors of consoles and instruments: pyserial URLs `hiltest://CHANNEL`, in simulated time.

pyserial finds this module by its name once "hiltest.simbench.doors" is in `serial.protocol_handler_packages`:

    serial.protocol_handler_packages.append("hiltest.simbench.doors")
    port = serial.serial_for_url("hiltest://glue_head.toml", timeout=1.0)

CHANNEL is the path of a fixture description, as for the bus; `?node=NAME` picks a console where there are
several. `?instrument=meter` and `?instrument=supply` are the bench's SCPI instruments instead. Waiting lets simulated
time run.
"""

from __future__ import annotations

from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

import serial

from hiltest.clock import to_ns
from hiltest.errors import UsageError
from hiltest.simbench.doors.pump import pumping

SCHEME = "hiltest"


class Serial:
    """Looks like `serial.Serial` where a console needs it: read, read_until, readline, write, in_waiting, timeout.

    `timeout` and `write_timeout` are seconds of bench time; None waits for ever, which ends with
    NothingScheduled if nothing on the bench can ever print.
    """

    def __init__(
        self,
        port: str | None = None,
        baudrate: int = 115_200,
        timeout: float | None = None,
        write_timeout: float | None = None,
        **_: object,
    ) -> None:
        self.portstr = self.port = port
        self.baudrate, self.timeout, self.write_timeout = baudrate, timeout, write_timeout
        self.is_open = False
        self._hold: Any = None
        self._console: Any = None
        self._queue: Any = None

    def __repr__(self) -> str:
        return f"<Serial {self.port!r}, open={self.is_open}>"

    @property
    def name(self) -> str | None:
        """The URL."""
        return self.port

    def open(self) -> None:
        """Open the bench of the URL, or join it.

        Raises:
            serial.SerialException: it is open already, or there is no URL.
            UsageError: the description can't be used, or the node has no console.
        """
        from hiltest.simbench.bench import join_bench

        if self.is_open:
            raise serial.SerialException(f"{self.port}: this port is open already")
        channel, node = split_url(self.port or "")
        instrument = _asked(self.port or "").get("instrument")
        self._hold = join_bench(channel)
        bench = self._hold.bench
        try:
            self._console = bench.console(node) if instrument is None else bench.instrument(instrument)
        except UsageError:
            self._hold.close()
            raise
        self._queue = self._hold.bench.queue
        self.is_open = True

    def close(self) -> None:
        """Close the door. Closing twice does nothing."""
        if self.is_open:
            self.is_open = False
            self._hold.close()

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read without waiting."""
        self._check()
        return int(self._console.waiting)

    def inWaiting(self) -> int:  # noqa: N802 - pyserial's old name, which its users still call
        """Old name of `in_waiting`."""
        return self.in_waiting

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes: fewer when `timeout` seconds of bench time have passed."""
        self._check()
        deadline_ns = self._deadline_ns()
        self._wait(lambda: self._console.waiting < size, deadline_ns)
        return bytes(self._console.read(size))

    def read_all(self) -> bytes:
        """What is there now."""
        self._check()
        return bytes(self._console.read())

    def read_until(self, expected: bytes = b"\n", size: int | None = None) -> bytes:
        """Bytes up to and with `expected`, or `size` bytes, or what came before the timeout."""
        self._check()
        deadline_ns = self._deadline_ns()
        line = bytearray()
        while size is None or len(line) < size:
            if not self._console.waiting:
                self._wait(lambda: not self._console.waiting, deadline_ns)
            byte = self._console.read(1)
            if not byte:
                break
            line += byte
            if line.endswith(expected):
                break
        return bytes(line)

    def readline(self, size: int = -1) -> bytes:
        """A line with its end."""
        return self.read_until(b"\n", None if size < 0 else size)

    def write(self, data: bytes) -> int:
        """Send bytes to the node. Returns how many."""
        self._check()
        self._console.write(bytes(data))
        return len(data)

    def flush(self) -> None:
        """Nothing to wait for: the console takes what it is given."""
        self._check()

    def reset_input_buffer(self) -> None:
        """Throw away what waits to be read."""
        self._check()
        self._console.discard()

    def reset_output_buffer(self) -> None:
        """Nothing waits to be sent."""
        self._check()

    def readable(self) -> bool:
        """Yes."""
        return True

    def writable(self) -> bool:
        """Yes."""
        return True

    def __enter__(self) -> Serial:
        if not self.is_open:
            self.open()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _check(self) -> None:
        if not self.is_open:
            raise serial.PortNotOpenError

    def _deadline_ns(self) -> int | None:
        if self.timeout is None:
            return None
        return int(self._queue.now_ns + to_ns(max(0.0, self.timeout), "timeout"))

    def _wait(self, unfinished: Any, deadline_ns: int | None) -> None:
        """Let time run while `unfinished()`, up to the deadline."""
        if not unfinished() or deadline_ns == self._queue.now_ns:
            return
        with pumping(self._queue):
            self._queue.run_while(unfinished, deadline_ns)


def split_url(url: str) -> tuple[str, str | None]:
    """(channel, node or None) of `hiltest://CHANNEL?node=NAME`.

    Raises:
        UsageError: it is no such URL.
    """
    head, _, rest = url.partition("://")
    if head.lower() != SCHEME or not rest:
        raise UsageError(f"port={url!r}: expected {SCHEME}://PATH-OF-A-FIXTURE-DESCRIPTION")
    return unquote(rest.partition("?")[0]), _asked(url).get("node")


def _asked(url: str) -> dict[str, str]:
    """What stands behind the '?' of a URL."""
    query = url.partition("?")[2]
    return {key: values[0] for key, values in parse_qs(urlsplit(f"//x?{query}").query).items()}


def serial_class_for_url(url: str) -> tuple[str, type[Serial]]:
    """What pyserial calls: the port's name and the class for it."""
    split_url(url)
    return url, Serial
