"""Faults of a node's serial console: its wires, its program, and what is induced into it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hiltest.errors import UsageError
from hiltest.simbench.fault_registry import fault

if TYPE_CHECKING:
    from hiltest.simbench.bench import Bench
    from hiltest.simbench.console_shell import ConsolePort

CONSOLE = "console"


def _console(bench: Bench, node: str) -> ConsolePort:
    if node not in bench.consoles:
        raise UsageError(f"node {node!r} has no console on this bench; add a section [console]")
    return bench.consoles[node]


@fault(CONSOLE, "the wire on which the node sends to the console is open", "node")
def console_mute(bench: Bench, target: str, _: float) -> None:
    _console(bench, target).wires.mute = True


@fault(CONSOLE, "the wire on which the node hears the console is open", "node")
def console_deaf(bench: Bench, target: str, _: float) -> None:
    _console(bench, target).wires.deaf = True


@fault(CONSOLE, "the two wires of the console touch: the host hears itself", "node")
def console_loops(bench: Bench, target: str, _: float) -> None:
    wires = _console(bench, target).wires
    wires.touching = wires.mute = True


@fault(CONSOLE, "what the host sends is heard on its own side too, beside the node", "node")
def console_crosstalk(bench: Bench, target: str, _: float) -> None:
    _console(bench, target).wires.touching = True


@fault(
    CONSOLE,
    "the console's wires pick up noise",
    "node",
    unit="share of bytes",
    default=0.02,
    low=0.0,
    high=1.0,
)
def console_garbled(bench: Bench, target: str, value: float) -> None:
    _console(bench, target).wires.garbled = value


@fault(CONSOLE, "a runaway program prints on the console without an end of line", "node")
def console_babbles(bench: Bench, target: str, _: float) -> None:
    _console(bench, target).babble()
