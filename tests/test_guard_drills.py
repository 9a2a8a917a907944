"""What drills may ask of the guard: a narrow way past one limit each, never past the others."""

from __future__ import annotations

import pytest

from hiltest.errors import GateClosed, GuardTripped, Refused, UsageError
from hiltest.guard import ABOVE_CEILING_MAX_K, DRILL_GATES, EXCUSED_MAX_S
from hiltest.node.verbs import OldMove

from .test_guard import EVERY_GATE, Bench

READY = (*EVERY_GATE, "heat.low_setpoint[reservoir]")


def test_a_setpoint_above_the_ceiling_is_taken_back_at_once() -> None:
    """The node is asked once, and told 0 whatever it answered; nothing counts as on afterwards."""
    bench = Bench(READY)
    assert bench.node.ask_above_ceiling("reservoir") is True
    assert [call[:3] for call in bench.driver.calls] == [
        ("set_heater_c", "reservoir", 220.0),
        ("set_heater_c", "reservoir", 0.0),
    ]
    assert bench.guard.energised == frozenset()


def test_a_node_that_refuses_is_told_so_and_switched_off_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Refusing is what is hoped for."""
    bench = Bench(READY)
    sent: list[float] = []

    def refuse(heater: str, setpoint_c: float) -> None:
        sent.append(setpoint_c)
        if setpoint_c > 210.0:
            raise Refused("head", f"setpoint of {heater}", "too high")

    monkeypatch.setattr(bench.driver, "set_heater_c", refuse, raising=False)
    assert bench.node.ask_above_ceiling("reservoir") is False
    assert sent == [220.0, 0.0]


def test_it_needs_a_heater_that_has_shown_its_loop() -> None:
    """Any one gate missing refuses, and nothing reaches the node."""
    for missing in ("heat.low_setpoint[reservoir]", "heat.pulse[reservoir]", "bus.quiet[can]"):
        bench = Bench(tuple(gate for gate in READY if gate != missing))
        with pytest.raises(GateClosed) as caught:
            bench.node.ask_above_ceiling("reservoir")
        assert caught.value.missing == (missing,)
        assert bench.driver.calls == []
    assert set(DRILL_GATES) == {"ask_above_ceiling"}


@pytest.mark.parametrize("above_k", [0.0, -1.0, ABOVE_CEILING_MAX_K + 0.1, float("nan")])
def test_it_asks_for_little_more(above_k: float) -> None:
    """At most 20 K above the ceiling."""
    bench = Bench(READY)
    with pytest.raises(UsageError, match="up to 20 K"):
        bench.node.ask_above_ceiling("reservoir", above_k)
    assert bench.driver.calls == []


def test_the_ceiling_of_the_node_is_only_lowered() -> None:
    """Above the described one it is refused before it reaches the node."""
    bench = Bench(READY)
    bench.node.set_heater_ceiling_c("reservoir", 45.0)
    with pytest.raises(UsageError, match="ceiling"):
        bench.node.set_heater_ceiling_c("reservoir", 211.0)
    with pytest.raises(UsageError, match="ceiling"):
        bench.node.set_heater_ceiling_c("reservoir", float("nan"))
    assert bench.driver.calls == [("set_heater_ceiling_c", "reservoir", 45.0)]


def test_stale_commands_keep_their_gates_and_the_ceiling() -> None:
    """They energise nothing on a sound node, and still nothing is sent that may not be commanded."""
    bench = Bench(tuple(gate for gate in READY if gate != "heat.pulse[reservoir]"))
    with pytest.raises(GateClosed):
        bench.node.send_stale({"nozzle": 0.5}, {"reservoir": 50.0})
    with pytest.raises(UsageError, match="ceiling"):
        bench.node.send_stale({}, {"reservoir": 300.0})
    assert bench.driver.calls == []


def test_old_moves_keep_the_gates_of_moves_and_none_is_long() -> None:
    """Nothing is sent before the driver is set, nor a long move before a small one has been seen to end with its host."""
    small, long = OldMove(800, 0.5), OldMove(16_000, 0.5)
    for missing, move in (("motion.driver_ready[pump]", small), ("safe.move_ends[pump]", long)):
        bench = Bench(tuple(gate for gate in READY if gate != missing))
        with pytest.raises(GateClosed) as caught:
            bench.node.send_stale({}, {}, {"pump": move})
        assert missing in caught.value.missing
        assert bench.driver.calls == []
    bench = Bench(READY)
    bench.node.send_stale({}, {}, {"pump": small})
    assert bench.driver.calls == [("send_stale", {}, {}, {"pump": small})]


def test_the_next_all_off_verifies_what_stale_commands_did() -> None:
    """The guard does not count them as on, but it does not forget them."""
    bench = Bench(READY)
    bench.node.send_stale({"nozzle": 0.5}, {"reservoir": 50.0})
    assert bench.guard.energised == frozenset()
    bench.driver.output = 0.4
    with pytest.raises(Exception, match="still on"):
        bench.guard.all_off("end")


def test_a_silence_is_borne_for_its_time_only() -> None:
    """A node that is excused for 2 s may be silent for 2 s, and trips when it stays silent."""
    bench = Bench(READY)
    bench.node.set_fan("nozzle", 0.5)
    bench.node.excuse("head", 2.0)
    bench.link.run_for(2.9)
    assert bench.guard.tripped is None
    with pytest.raises(GuardTripped, match="no sign of node 'head'"):
        bench.link.run_for(3.0)


def test_a_lost_sensor_is_borne_only_while_excused() -> None:
    """The ceiling and everything else are watched as before."""
    bench = Bench(READY)
    bench.node.excuse("reservoir", 5.0)
    bench.node.set_heater_c("reservoir", 50.0)
    bench.says(0.5, "temperature_c", 25.0)
    bench.says(1.0, "temperature_c", float("nan"))
    bench.says(2.0, "temperature_c", 250.0)
    bench.link.run_for(1.5)
    assert bench.guard.tripped is None
    with pytest.raises(GuardTripped, match="ceiling"):
        bench.link.run_for(1.0)


def test_an_open_input_that_reads_now_and_then_is_no_rise() -> None:
    """What comes between no values is the wires'; the block is where it was when the plug is back."""
    bench = Bench(READY)
    bench.node.excuse("reservoir", 6.0)
    bench.node.set_heater_c("reservoir", 50.0)
    nothing = float("nan")
    for at_s, value in (
        (0.5, 50.0),
        (1.0, nothing),
        (1.5, -20.0),
        (2.0, nothing),
        (2.5, -20.0),
        (4.0, 49.0),
        (5.0, 49.0),
    ):
        bench.says(at_s, "temperature_c", value)
    bench.link.run_for(5.5)
    assert bench.guard.tripped is None


@pytest.mark.parametrize("values", [(25.0, 25.0, 65.0), (float("nan"), 25.0, 25.0, 65.0)])
def test_a_jump_still_counts_with_the_plug_in_and_after_the_drill(values: tuple[float, ...]) -> None:
    """Borne is what reads nothing now and then, while that is borne; every other jump trips as ever."""
    bench = Bench(READY)
    bench.node.excuse("reservoir", 1.4 if len(values) > 3 else 20.0)
    bench.node.set_heater_c("reservoir", 60.0)
    for index, value in enumerate(values):
        bench.says(0.5 + 1.2 * index, "temperature_c", value)
    with pytest.raises(GuardTripped, match="rose by 40"):
        bench.link.run_for(6.0)


@pytest.mark.parametrize("seconds", [0.0, -1.0, EXCUSED_MAX_S + 1.0, float("nan")])
def test_no_drill_silences_the_guard_for_long(seconds: float) -> None:
    """Not at all, or for up to half a minute."""
    with pytest.raises(UsageError, match="up to 30 s"):
        Bench(READY).node.excuse("head", seconds)


def test_a_node_without_power_may_boot() -> None:
    """After has_no_power its boot-up message is no surprise."""
    bench = Bench(READY)
    bench.node.set_fan("nozzle", 0.5)
    bench.node.has_no_power()
    bench.says(0.5, "boot", 0.0, "head")
    bench.link.run_for(1.0)
    assert bench.guard.tripped is None
