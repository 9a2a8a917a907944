"""What a full transmit queue means, by the state of the adapter's controller: on simulated wires that bring it about."""

from __future__ import annotations

from pathlib import Path

import pytest

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import BY_STATE, NOBODY, OFF, PACED, QueueFull
from hiltest.canbus.opening import open_port
from hiltest.description.loading import load_description
from hiltest.link import Link
from hiltest.simbench.bench import open_bench

GLUE_HEAD = Path(__file__).parents[2] / "fixtures" / "glue_head.toml"
FREE_ID = 0x7D0


def filled(*faults: str, wait_s: float = 0.0) -> QueueFull:
    """Send until the adapter takes no more."""
    loaded = load_description(
        GLUE_HEAD, {"bus[can].interface": "hiltest", "bus[can].channel": str(GLUE_HEAD)}
    )
    with open_bench(GLUE_HEAD, faults=faults):
        link = Link(open_port(loaded.description.bus[0]))
        try:
            for _ in range(1000):
                link.send(Frame(FREE_ID, b"12345678"))
                link.run_for(wait_s)
        except QueueFull as full:
            return full
        finally:
            link.close()
    raise AssertionError("the queue took everything")


def test_nobody_acknowledges() -> None:
    """Without a node on the bus the controller is error-passive: an acknowledgement is what is missing."""
    full = filled("no_node", wait_s=0.001)
    assert full.state == "passive"
    assert full.look_first[0] == NOBODY


def test_a_queue_of_two_frames_is_no_dead_bus() -> None:
    """A node that lives acknowledges each frame: they are handed over faster than they go out."""
    full = filled("adapter_small_queue=2")
    assert full.state in ("active", "unknown")
    assert PACED in full.look_first


@pytest.mark.parametrize(("state", "first"), [("off", OFF), ("passive", NOBODY), ("active", PACED)])
def test_each_state_points_somewhere_else(state: str, first: str) -> None:
    """And one that the adapter does not tell leaves all of them open."""
    assert QueueFull("can", state).look_first[0] == first
    unknown = QueueFull("can")
    assert "why is open" in str(unknown)
    assert {cause for _, causes in BY_STATE.values() for cause in causes} <= set(unknown.look_first)
