"""The console door: a pseudo-terminal that is the serial console of a node."""

from __future__ import annotations

from typing import Protocol

from hiltest.simbench.doors.pseudoterminal import PseudoTerminal


class ConsoleEnd(Protocol):
    """The host's end of a node's console, as the bench offers it."""

    @property
    def waiting(self) -> int: ...
    def read(self, most: int = ...) -> bytes: ...
    def write(self, data: bytes) -> None: ...
    def discard(self) -> None: ...


class ConsoleDoor:
    """Serves one console on one pseudo-terminal. What nobody reads is lost after 64 KiB."""

    name = "console"

    def __init__(self, console: ConsoleEnd) -> None:
        self._console = console
        self.terminal = PseudoTerminal()

    @property
    def path(self) -> str:
        """What a client opens."""
        return self.terminal.path

    @property
    def due_ns(self) -> int | None:
        """Console output is an event of the bench: nothing to add."""
        return None

    def fileno(self) -> int:
        """For select()."""
        return self.terminal.fileno()

    def serve_input(self) -> None:
        """Pass on what was typed."""
        data = self.terminal.read()
        if data:
            self._console.write(data)

    def serve_output(self) -> None:
        """Pass on what the node has printed."""
        self.terminal.flush()
        if self._console.waiting:
            self.terminal.write(self._console.read())

    def close(self) -> None:
        """Hang up."""
        self.terminal.close()
