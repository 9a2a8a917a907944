"""What the loads of a bench do to its CAN line: ground, pulses, and how surely a bit is read."""

from __future__ import annotations

import pytest

from hiltest.canbus.frame import Frame
from hiltest.description.loading import load_text
from hiltest.physics.line import COMMON_MODE_V, LineNetwork
from hiltest.simbench.bench import Bench
from hiltest.simbench.controller import Controller
from hiltest.simbench.coupling import GROUND_STEP_V, board_ground_v
from hiltest.simbench.crossing import Crossing
from hiltest.simbench.loads.heater import HeaterSwitch
from hiltest.simbench.reception import CERTAIN, SENSELESS
from hiltest.simbench.wire import Wire

from .world import FIXTURES, Host, bench, configure_axis, running

AWG20_OHM_PER_M = 0.03331
"""At 20 degC. Source: ASTM B258 handbook table (33.31 mohm/m, from memory)."""


def line_of(made: Bench) -> LineNetwork:
    line = made.wires["can"].line
    assert line is not None
    return line


def ground_v(made: Bench) -> float:
    return next(tap.ground_v for tap in line_of(made).taps if tap.name == "head")


def with_everything_on(*faults: str, seed: int = 1) -> tuple[Bench, Host]:
    """Heater and fans switched at half duty, the stepper's coils under current: the most that switches at once."""
    made, host = running(*faults, seed=seed)
    for fan in made.boards["head"].fans:
        fan.duty = 0.5
    heater(made).duty = 0.5
    configure_axis(host)
    made.supply.settle()
    return made, host


def heater(made: Bench) -> HeaterSwitch:
    return made.boards["head"].switches[0]


def chances(made: Bench) -> dict[str, tuple[float, float]]:
    """For each station: the probability of misreading a recessive, and the other's dominant bit."""
    wire = made.wires["can"]
    silent = wire.reception.dominant(0)
    found = {}
    for station in wire.stations:
        other = next(each for each in wire.stations if each is not station)
        driven = wire.reception.dominant(1 << wire.stations.index(other))
        at = wire.stations.index(station)
        found[station.name] = (silent[at], 1.0 - driven[at])
    return found


# --- a healthy bench ----------------------------------------------------------------------------------


def test_the_ground_rises_by_the_return_current_through_its_wire() -> None:
    """2.4 m of AWG 20 and half of the 20 mohm contacts, by Ohm's law; the line follows in steps of 50 mV."""
    made = bench(tolerances=False)
    Host(made).start()
    assert ground_v(made) == 0.0
    heater(made).duty = 1.0
    made.boards["head"].loads_changed()
    amps = made.supply.current_a
    expected_v = amps * (2.4 * AWG20_OHM_PER_M + 0.5 * made.boards["head"].harness.contact_ohm)
    assert board_ground_v(made.boards["head"]) == pytest.approx(expected_v, rel=0.01)
    assert 0.1 < ground_v(made) == pytest.approx(expected_v, abs=0.75 * GROUND_STEP_V)
    made.boards["head"].all_off()
    heater(made).duty = 0.0
    made.boards["head"].loads_changed()
    assert ground_v(made) == 0.0


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_healthy_bench_reads_every_bit_right_and_with_room(seed: int) -> None:
    """With all that switches at once: pulses below 1 mV where ISO 11898-2 leaves 500 mV (recessive 0 V, threshold from
    0.5 V), ground off by less than 0.3 V where the common mode leaves 3.5 V (3.5 V on CAN-H against 7 V).
    """
    made, _ = with_everything_on(seed=seed)
    wire = made.wires["can"]
    assert len(wire.cabling.switching) == 4
    assert 0.0 < max(pulse.peak_v for pulse in wire.reception.pulses) < 1e-3
    assert 0.05 < ground_v(made) < 0.3
    pins = [
        v for driver in wire.stations for both in line_of(made).levels_v([driver.name]).values() for v in both
    ]
    assert min(pins) > COMMON_MODE_V[0] + 3.0
    assert max(pins) < COMMON_MODE_V[1] - 3.0
    assert chances(made) == {"adapter": (0.0, 0.0), "head": (0.0, 0.0)}
    assert not wire.doubtful


def test_pulses_come_and_go_with_what_switches() -> None:
    """Full duty and none are direct current; coils chop as long as they are under current."""
    made, _ = with_everything_on()
    wire, board = made.wires["can"], made.boards["head"]
    assert len(wire.reception.pulses) == 4
    heater(made).duty = 1.0
    for fan in board.fans:
        fan.duty = 1.0
    made.supply.settle()
    assert len(wire.reception.pulses) == 1
    board.axes[0].off()
    made.supply.settle()
    assert wire.reception.pulses == ()


def test_distance_and_shared_length_come_from_the_description() -> None:
    """Nearer and longer is more; not beside any load wire is none."""

    def peak_v(*fields: str) -> float:
        text = (FIXTURES / "glue_head.toml").read_text(encoding="utf-8")
        text = text.replace("signal_awg = 24", "\n".join(["signal_awg = 24", *fields]))
        made = Bench(load_text(text, FIXTURES).description, folder=FIXTURES)
        made.run_for(1.0)
        heater(made).duty = 0.5
        made.supply.settle()
        return max(pulse.peak_v for pulse in made.wires["can"].reception.pulses)

    plain = peak_v()
    assert peak_v("load_wires_distance_m = 0.005") > 5.0 * plain
    assert peak_v("load_wires_beside_m = 1.0") < plain
    assert peak_v("load_wires_beside_m = 0.0") == 0.0


def test_the_line_is_worked_out_once_for_each_state_of_the_loads(monkeypatch: pytest.MonkeyPatch) -> None:
    """A heater that goes on and off again and again costs a look-up, and a frame under way is not walked bit by bit."""
    made, host = running()
    made.run_for(1.0)
    begun: list[object] = []
    run = Crossing._run
    monkeypatch.setattr(Crossing, "_run", lambda *each: (begun.append(each), run(*each))[-1])
    wire, board = made.wires["can"], made.boards["head"]
    flips = 0
    for _ in range(20):
        host.send(0x3C0, bytes(8))
        made.run_for(50e-6)  # in the middle of the frame
        flips += wire.occupied
        heater(made).duty = 1.0 - heater(made).duty
        board.loads_changed()
        made.run_for(0.01)
    assert flips == 20
    assert begun == []
    assert len(wire._receptions) <= 4
    assert len(host.errors) == 0


# --- faults through their causes ----------------------------------------------------------------------


def test_an_untwisted_pair_in_the_bundle_misreads_some_bits_while_loads_switch() -> None:
    """Per receiver, by its own threshold; without loads there is nothing to hear."""
    made, _ = running("noise_with_loads")
    assert chances(made) == {"adapter": (0.0, 0.0), "head": (0.0, 0.0)}
    made, _ = with_everything_on("noise_with_loads")
    found = chances(made)
    assert CERTAIN < found["adapter"][0] < 1e-3
    assert found["head"][0] > CERTAIN
    thresholds = {station.name: station.threshold_v for station in made.wires["can"].stations}
    lower = min(thresholds, key=lambda name: thresholds[name])
    assert found[lower][0] == max(each[0] for each in found.values())


@pytest.mark.parametrize(("fault", "most_v"), [("pair_untwisted", 0.1), ("pair_beside_load_wires", 0.05)])
def test_twist_or_distance_alone_is_enough(fault: str, most_v: float) -> None:
    """More noise than on a sound line, and still less than a fifth of the margin."""
    made, _ = with_everything_on(fault)
    peak_v = max(pulse.peak_v for pulse in made.wires["can"].reception.pulses)
    assert 1e-3 < peak_v < most_v
    assert chances(made) == {"adapter": (0.0, 0.0), "head": (0.0, 0.0)}


def test_a_thin_return_wire_takes_the_node_out_of_the_common_mode() -> None:
    """6 ohm carry the heater's current: the rail sinks, the ground rises by more than the 3.5 V of ISO 11898-2."""
    made = bench("ground_offset_under_load", tolerances=False)
    Host(made).start()
    board = made.boards["head"]
    assert chances(made)["adapter"] == (0.0, 0.0)
    heater(made).duty = 1.0
    board.loads_changed()
    # 14.4 ohm of heater behind 6 ohm and the pair: Ohm's law.
    loop_ohm = 14.4 + 6.0 + 2 * 2.4 * AWG20_OHM_PER_M + board.harness.contact_ohm
    assert ground_v(made) == pytest.approx(6.0 * made.supply.set_v / loop_ohm, abs=0.5)
    assert ground_v(made) > 3.5
    assert board.rail_v < 18.0
    assert chances(made)["adapter"][1] == 1.0 - SENSELESS
    made = bench("ground_offset_under_load=1", tolerances=False)
    Host(made).start()
    heater(made).duty = 1.0
    made.boards["head"].loads_changed()
    assert 1.0 < ground_v(made) < 3.5
    assert chances(made)["adapter"] == (0.0, 0.0)


def test_a_thin_power_pair_shifts_the_ground_too() -> None:
    """28 AWG, 3 m, 4 A make 2.55 V; here 30 AWG over 2.4 m (0.339 ohm/m, ASTM B258, from memory)."""
    made = bench("wire_thin", tolerances=False)
    Host(made).start()
    heater(made).duty = 1.0
    made.boards["head"].loads_changed()
    assert ground_v(made) == pytest.approx(made.supply.current_a * 2.4 * 0.339, abs=0.1)


def test_a_frame_under_way_feels_a_ground_that_leaves_the_range() -> None:
    """The heater goes on in the middle of a frame of the host: the node misreads what is left of it."""
    made, host = running("ground_offset_under_load=20")
    made.run_for(1.0)
    wire: Wire = made.wires["can"]
    host.errors.clear()
    sent: list[Frame] = []
    controller: Controller = host.controller
    controller.on_sent(sent.append)
    host.send(0x3C0, bytes(8))
    made.run_for(40e-6)
    assert wire.occupied
    heater(made).duty = 1.0
    made.boards["head"].loads_changed()
    made.run_for(300e-6)
    assert sent == []
    assert host.errors
