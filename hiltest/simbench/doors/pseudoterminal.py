"""A pseudo-terminal in raw mode: a serial port for other programs, whose other end we hold."""

from __future__ import annotations

import os
import tty

READ_BYTES = 4096
BUFFERED_BYTES = 1 << 16


class PseudoTerminal:
    """`path` is what a client opens. Clients may come, go and come again.

    Our own hold on the client's side keeps the port alive while nobody has it open, as the port of a USB
    adapter is there without a program.
    """

    def __init__(self) -> None:
        self._fd, self._held_fd = os.openpty()
        tty.setraw(self._held_fd)
        os.set_blocking(self._fd, False)
        self.path = os.ttyname(self._held_fd)
        self._out = bytearray()
        self._closed = False

    def fileno(self) -> int:
        """Our end, for select()."""
        return self._fd

    @property
    def closed(self) -> bool:
        """Was it closed by `close()`?"""
        return self._closed

    @property
    def unsent(self) -> int:
        """Bytes that the client has not fetched yet and the kernel does not buffer."""
        return len(self._out)

    def read(self) -> bytes:
        """What the client has written; empty if nothing."""
        if self._closed:
            return b""
        try:
            return os.read(self._fd, READ_BYTES)
        except (BlockingIOError, OSError):
            return b""  # nothing there, or the client is just closing

    def write(self, data: bytes) -> int:
        """Send bytes to the client. Returns how many were lost, for nobody fetched the earlier ones."""
        lost = max(0, len(self._out) + len(data) - BUFFERED_BYTES)
        self._out += data[: len(data) - lost]
        self.flush()
        return lost

    def flush(self) -> None:
        """Move on what the kernel now has room for."""
        while self._out and not self._closed:
            try:
                count = os.write(self._fd, self._out)
            except OSError:
                return
            del self._out[:count]

    def close(self) -> None:
        """Hang up: a client that has it open gets an error, as if a USB adapter was pulled out."""
        if not self._closed:
            self._closed = True
            os.close(self._held_fd)
            os.close(self._fd)
