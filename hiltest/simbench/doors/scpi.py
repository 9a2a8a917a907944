"""The SCPI doors: a bench meter and a bench supply on TCP ports of this machine (loopback only).

A line in, a line out, as instruments do on their raw socket: `socket://127.0.0.1:PORT` for pyserial,
`TCPIP::127.0.0.1::PORT::SOCKET` for instrument libraries.
"""

from __future__ import annotations

import contextlib
import select
import socket

from hiltest.simbench.events import EventQueue
from hiltest.simbench.instrument import InstrumentSession, ScpiInstrument

LOOPBACK = "127.0.0.1"
READ_BYTES = 4096
BUFFERED_BYTES = 1 << 16
CLIENTS_MAX = 8


class _Client:
    """One connection."""

    def __init__(self, connection: socket.socket, session: InstrumentSession) -> None:
        self.connection = connection
        self.session = session
        self.unsent = bytearray()

    def serve_input(self) -> bool:
        """Pass on what has come; False when the client has hung up."""
        try:
            data = self.connection.recv(READ_BYTES)
        except BlockingIOError:
            return True
        except OSError:
            return False
        if data:
            self.session.write(data)
        return bool(data)

    def serve_output(self) -> bool:
        """Send what the instrument has said; False when the client is gone or does not read."""
        if self.session.waiting:
            self.unsent += self.session.read()
        if not self.unsent:
            return True
        try:
            del self.unsent[: self.connection.send(self.unsent)]
        except BlockingIOError:
            return len(self.unsent) < BUFFERED_BYTES
        except OSError:
            return False
        return True


class ScpiDoor:
    """Serves one instrument on one TCP port. Clients may come and go; all see the same instrument."""

    def __init__(self, name: str, instrument: ScpiInstrument, queue: EventQueue, port: int = 0) -> None:
        self.name = name
        self._instrument = instrument
        self._queue = queue
        self._clients: dict[int, _Client] = {}
        self._listener = socket.create_server((LOOPBACK, port))
        self._listener.setblocking(False)
        self._poll = select.epoll()
        self._poll.register(self._listener, select.EPOLLIN)

    @property
    def path(self) -> str:
        """HOST:PORT."""
        host, port = self._listener.getsockname()
        return f"{host}:{port}"

    @property
    def due_ns(self) -> int | None:
        """Answers are events of the bench: nothing to add."""
        return None

    def fileno(self) -> int:
        """For select(): readable when the listener or any client is."""
        return self._poll.fileno()

    def serve_input(self) -> None:
        """Take new clients, and what the others have sent."""
        for fd, _ in self._poll.poll(0):
            client = self._clients.get(fd)
            if client is None:
                self._welcome()
            elif not client.serve_input():
                self._drop(fd)

    def serve_output(self) -> None:
        """Send what is ready."""
        for fd, client in list(self._clients.items()):
            if not client.serve_output():
                self._drop(fd)

    def close(self) -> None:
        """Hang up on everybody. Closing twice does nothing."""
        for fd in list(self._clients):
            self._drop(fd)
        if not self._poll.closed:
            self._poll.close()
            self._listener.close()

    def _welcome(self) -> None:
        with contextlib.suppress(OSError):
            connection, _ = self._listener.accept()
            if len(self._clients) >= CLIENTS_MAX:
                connection.close()
                return
            connection.setblocking(False)
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            session = InstrumentSession(self._instrument, self._queue)
            self._clients[connection.fileno()] = _Client(connection, session)
            self._poll.register(connection, select.EPOLLIN)

    def _drop(self, fd: int) -> None:
        client = self._clients.pop(fd)
        self._poll.unregister(fd)
        client.connection.close()
