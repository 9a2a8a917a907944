"""The way back from bus-off while somebody else keeps trying: every clock within its tolerance gets there."""

from __future__ import annotations

from dataclasses import replace

import pytest

from hiltest.canbus.frame import Frame
from hiltest.simbench.bench import Bench

from .world import FIXTURES, glue_head


@pytest.mark.parametrize("drift_ppm", [-100.0, -20.0, 0.0, 20.0, 100.0])
def test_a_node_comes_back_while_the_host_retries_without_end(drift_ppm: float) -> None:
    """Each failed try leaves 11 recessive bits by the host's clock, which a node with a slow clock counts all the same.

    128 sequences (ISO 11898-1) of tries of about 0.1 ms each, after the firmware's pause of 0.1 s.
    """
    bench = Bench(glue_head(), folder=FIXTURES, tolerances=False)
    bench.run_for(1.0)
    node, host = bench.boards["head"].controller, bench.adapter()
    node.timing = replace(node.timing, drift_ppm=drift_ppm)
    bench.run_for(0.2)
    _fall_off(bench)
    bench.run_for(0.095)
    host.send(Frame(0x77F, b"\x05"))
    bench.run_for(0.3)
    assert node.state == "active"
    assert host.state in ("active", "warning")


def _fall_off(bench: Bench) -> None:
    """Short the line until the node has given up, then mend it."""
    from hiltest.simbench.fault_registry import parse_fault
    from hiltest.simbench.faults import apply_fault

    node, wire = bench.boards["head"].controller, bench.wires["can"]
    sound = wire.line
    apply_fault(bench, parse_fault("can_h_l_short"))
    while node.state != "off":
        bench.run_for(0.001)
    bench.adapter().change_bit_rate(1_000_000)
    assert sound is not None
    wire.change_line(lambda _: sound)
