"""The two-wire line: what receivers, voltmeters and ohmmeters see with every wiring fault."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hiltest.errors import UsageError
from hiltest.physics import line
from hiltest.physics.line import Cut, Leak, LineNetwork, Tap, Terminator

HOST, MIDDLE, FAR = Tap("host"), Tap("middle", 3.0), Tap("far", 6.0)
HEALTHY = LineNetwork((HOST, MIDDLE, FAR), (Terminator(0.0), Terminator(6.0)))


def dominant_at(volts: float) -> bool:
    return volts > line.DOMINANT_ABOVE_V


def recessive_at(volts: float) -> bool:
    return volts < line.RECESSIVE_BELOW_V


def test_a_healthy_line_reads_sixty_ohms_and_swings_two_volts() -> None:
    """The figures that every practitioner knows."""
    assert HEALTHY.resistance_ohm() == pytest.approx(60.0, abs=0.5)
    for driving in ("host", "middle", "far"):
        seen = HEALTHY.differential_v({driving})
        assert all(volts == pytest.approx(2.0, abs=0.05) for volts in seen.values())
    assert all(abs(volts) < 1e-6 for volts in HEALTHY.differential_v().values())
    high, low = HEALTHY.probe_v(2.0)
    assert (high, low) == pytest.approx((2.5, 2.5), abs=1e-6)
    assert HEALTHY.probe_v(2.0, {"host"}) == pytest.approx((3.5, 1.5), abs=0.02)


def test_a_missing_terminator_doubles_the_reading_and_lifts_the_swing() -> None:
    """120 ohm and 2.6 V: more signal, which is why nobody notices."""
    network = replace(HEALTHY, terminators=(Terminator(0.0),))
    assert network.resistance_ohm() == pytest.approx(120.0, abs=1.5)
    assert network.differential_v({"host"})["far"] == pytest.approx(2.6, abs=0.03)


def test_no_terminator_leaves_the_input_resistances() -> None:
    """Three nodes of 30 kohm in parallel."""
    assert replace(HEALTHY, terminators=()).resistance_ohm() == pytest.approx(10e3, rel=0.01)


def test_a_third_terminator_lowers_the_swing_but_not_below_the_receivers() -> None:
    """40 ohm and about 1.6 V, still a working bus."""
    network = replace(HEALTHY, terminators=(*HEALTHY.terminators, Terminator(3.0)))
    assert network.resistance_ohm() == pytest.approx(40.0, abs=0.5)
    assert 1.4 < network.differential_v({"host"})["far"] < 1.75


def test_a_twelve_ohm_terminator_kills_the_bus() -> None:
    """10.9 ohm, and the swing no longer reaches the dominant threshold."""
    network = replace(HEALTHY, terminators=(Terminator(0.0, 120.0), Terminator(0.0, 12.0)))
    assert network.resistance_ohm() == pytest.approx(10.9, abs=0.1)
    assert not dominant_at(network.differential_v({"host"})["far"])


def test_a_swapped_node_hears_silence_and_speaks_recessive() -> None:
    """The resistance is healthy; only the sign gives it away."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, swapped=True)))
    assert network.resistance_ohm() == pytest.approx(60.0, abs=0.5)
    assert network.differential_v({"host"})["far"] == pytest.approx(-2.0, abs=0.05)
    assert network.differential_v({"far"})["host"] == pytest.approx(-2.0, abs=0.05)
    assert network.differential_v({"far"})["far"] == pytest.approx(2.0, abs=0.05)


def test_a_swapped_node_cancels_the_others() -> None:
    """Both dominant at once: nobody sees a dominant bit, so the host gets a bit error."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, swapped=True)))
    seen = network.differential_v({"host", "far"})
    assert recessive_at(seen["host"])
    assert recessive_at(seen["middle"])


def test_a_node_with_one_open_wire_hears_half_and_is_not_heard() -> None:
    """Its floating pin sits at its own bias: about 1 V where 2 V is sent, and its own bits reach nobody."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, open_h=True)))
    assert network.differential_v({"host"})["far"] == pytest.approx(1.0, abs=0.05)
    assert recessive_at(network.differential_v({"far"})["host"])
    assert dominant_at(network.differential_v({"far"})["far"])


def test_an_unplugged_node_takes_its_own_terminator_along() -> None:
    """60 ohm with the node, 120 without."""
    network = LineNetwork((HOST, replace(FAR, terminator_ohm=120.0)), (Terminator(0.0),))
    assert network.resistance_ohm() == pytest.approx(60.0, abs=0.7)
    assert network.resistance_ohm(without=("far",)) == pytest.approx(120.0, abs=1.0)
    cut_off = replace(network, taps=(HOST, replace(FAR, terminator_ohm=120.0, open_h=True, open_l=True)))
    assert cut_off.resistance_ohm() == pytest.approx(120.0, abs=1.0)


def test_a_cut_trunk_shows_at_both_ends() -> None:
    """Each half keeps its own resistor, and bits don't pass."""
    network = replace(HEALTHY, cuts=(Cut("H", 4.0),))
    assert network.resistance_ohm(position_m=0.0) == pytest.approx(120.0, abs=1.5)
    assert network.resistance_ohm(position_m=6.0) == pytest.approx(120.0, abs=1.5)
    seen = network.differential_v({"host"})
    assert dominant_at(seen["middle"])
    assert seen["far"] != pytest.approx(2.0, abs=0.5)


def test_a_cut_lies_just_beyond_its_position() -> None:
    """What sits at the place of the cut stays on the near side."""
    network = replace(HEALTHY, cuts=(Cut("H", 3.0), Cut("L", 3.0)))
    seen = network.differential_v({"host"})
    assert dominant_at(seen["middle"])
    assert recessive_at(seen["far"])


@pytest.mark.parametrize(
    ("leak", "idle"),
    [
        (Leak("H", "L"), (2.5, 2.5)),
        (Leak("H", "GND"), (0.0, 0.0)),
        (Leak("L", "SUPPLY"), (24.0, 24.0)),
    ],
    ids=["H-L", "H-ground", "L-supply"],
)
def test_shorts_that_silence_the_bus_and_their_idle_levels(leak: Leak, idle: tuple[float, float]) -> None:
    """No dominant level gets through, and the idle voltage tells which short it is."""
    network = replace(HEALTHY, leaks=(leak,))
    assert not any(dominant_at(volts) for volts in network.differential_v({"host"}).values())
    assert network.probe_v(0.0) == pytest.approx(idle, abs=0.4)


def test_l_to_ground_still_talks() -> None:
    """The treacherous one: H swings alone, traffic goes on, only the idle level is wrong."""
    network = replace(HEALTHY, leaks=(Leak("L", "GND"),))
    assert all(dominant_at(volts) for volts in network.differential_v({"host"}).values())
    assert network.probe_v(0.0) == pytest.approx((0.0, 0.0), abs=0.1)
    assert network.resistance_ohm("L", "GND") == 0.0


def test_h_to_a_twelve_volt_supply_talks_with_l_above_five_volts() -> None:
    """The driver of L limits its current, so the terminators keep L high."""
    network = replace(HEALTHY, leaks=(Leak("H", "SUPPLY"),), supply_v=12.0)
    high, low = network.levels_v({"host"})["host"]
    assert high == pytest.approx(12.0, abs=0.01)
    assert low > 5.0
    assert dominant_at(high - low)


def test_h_to_a_24_volt_supply_leaves_the_common_mode_range() -> None:
    """The receiver is not promised to work there."""
    network = replace(HEALTHY, leaks=(Leak("H", "SUPPLY"),))
    assert not line.common_mode_ok(*network.levels_v()["far"])


def test_drivers_never_work_against_their_diodes() -> None:
    """H held up at 24 V through 10 ohm: only the 100 mA that L's leg allows flow, none into H's leg."""
    network = replace(HEALTHY, leaks=(Leak("H", "SUPPLY", ohm=10.0),))
    high, low = network.levels_v({"host"})["host"]
    # The receivers draw another 8 mA through the leak.
    assert high == pytest.approx(24.0 - 10.0 * 0.1, abs=0.1)
    assert low == pytest.approx(high - 60.0 * 0.1, abs=0.3)


def test_a_leak_reads_between_the_clean_steps() -> None:
    """100 ohm across 60 is 37.5."""
    network = replace(HEALTHY, leaks=(Leak("H", "L", ohm=100.0),))
    assert network.resistance_ohm() == pytest.approx(37.5, abs=0.3)


def test_an_ohmmeter_finds_the_distance_of_a_short() -> None:
    """Loop resistance from either end adds up to the whole loop: halve the cable to locate it."""
    network = LineNetwork((), leaks=(Leak("H", "L", 2.0),), length_m=10.0, wire_ohm_per_m=0.1)
    assert network.resistance_ohm(position_m=0.0) == pytest.approx(0.4)
    assert network.resistance_ohm(position_m=10.0) == pytest.approx(1.6)


def test_healthy_lines_are_far_from_ground_and_supply() -> None:
    """Above a megohm to ground, and open to the rail."""
    assert HEALTHY.resistance_ohm("H", "GND") > 1e6
    assert HEALTHY.resistance_ohm("H", "SUPPLY") == math.inf
    assert HEALTHY.resistance_ohm("SUPPLY", "GND") == math.inf
    assert replace(HEALTHY, supply_to_ground_ohm=500.0).resistance_ohm("SUPPLY", "GND") == pytest.approx(
        500.0
    )


def test_an_unpowered_node_does_not_disturb_the_others() -> None:
    """Its bias floats; the line keeps its levels."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, powered=False)))
    assert network.differential_v({"host"})["middle"] == pytest.approx(2.0, abs=0.05)
    assert network.probe_v(0.0) == pytest.approx((2.5, 2.5), abs=0.01)


def test_an_unpowered_node_cannot_drive() -> None:
    """Without supply no dominant bit, whoever asks."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, powered=False)))
    assert all(recessive_at(volts) for volts in network.differential_v({"far"}).values())


def test_a_node_cut_off_and_unpowered_reads_zero() -> None:
    """Its pins hang on nothing: 0 V, not an error."""
    ghost = replace(FAR, powered=False, open_h=True, open_l=True)
    network = replace(HEALTHY, taps=(HOST, MIDDLE, ghost))
    assert network.levels_v({"host"})["far"] == pytest.approx((0.0, 0.0), abs=1e-9)


def test_ground_offset_moves_the_common_mode_and_not_the_difference() -> None:
    """A receiver 3 V below sees both lines 3 V up."""
    network = replace(HEALTHY, taps=(HOST, MIDDLE, replace(FAR, ground_v=-3.0)))
    high, low = network.levels_v({"host"})["far"]
    assert high - low == pytest.approx(2.0, abs=0.05)
    assert low == pytest.approx(1.5 + 3.0, abs=0.1)


def test_asking_again_returns_the_kept_answer() -> None:
    """The same mapping, and it can't be written to."""
    first = HEALTHY.differential_v(frozenset({"host"}))
    assert HEALTHY.differential_v(frozenset({"host"})) is first
    with pytest.raises(TypeError):
        first["host"] = 0.0
    changed = replace(HEALTHY, terminators=())
    assert changed.differential_v({"host"})["host"] != first["host"]


def test_a_far_receiver_sees_less_than_a_near_one() -> None:
    """Wire resistance takes its share; the better when the line is long."""
    network = LineNetwork((HOST, Tap("end", 100.0)), (Terminator(0.0), Terminator(100.0)))
    seen = network.differential_v({"host"})
    assert seen["end"] < seen["host"] - 0.1


taps = st.builds(
    lambda place, swapped, open_h, open_l, powered: (place, swapped, open_h, open_l, powered),
    st.integers(0, 5),
    st.booleans(),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
leaks = st.builds(
    lambda pair, place, ohm: Leak(pair[0], pair[1], float(place), ohm),
    st.sampled_from([("H", "L"), ("H", "GND"), ("L", "GND"), ("H", "SUPPLY"), ("L", "SUPPLY")]),
    st.integers(0, 5),
    st.sampled_from([0.0, 0.5, 30.0, 1e3, 1e6]),
)
cuts = st.builds(
    lambda conductor, place: Cut(conductor, float(place)), st.sampled_from(["H", "L"]), st.integers(0, 5)
)


@given(
    st.lists(taps, min_size=1, max_size=4), st.lists(leaks, max_size=2), st.lists(cuts, max_size=2), st.data()
)
@settings(deadline=None, max_examples=150)
def test_any_heap_of_faults_has_a_solution_within_the_rails(
    shapes: list[tuple[int, bool, bool, bool, bool]],
    faults: list[Leak],
    broken: list[Cut],
    data: st.DataObject,
) -> None:
    """No combination of faults breaks the solver or invents a voltage beyond the supplies."""
    nodes = tuple(
        Tap(f"n{i}", float(place), swapped=s, open_h=h, open_l=lo, powered=p)
        for i, (place, s, h, lo, p) in enumerate(shapes)
    )
    network = LineNetwork(
        nodes, (Terminator(0.0), Terminator(5.0)), tuple(broken), tuple(faults), length_m=5.0
    )
    driving = data.draw(st.frozensets(st.sampled_from([tap.name for tap in nodes])))
    for high, low in network.levels_v(driving).values():
        assert -1e-6 <= high <= 24.0 + 1e-6
        assert -1e-6 <= low <= 24.0 + 1e-6
    assert network.resistance_ohm() >= 0.0


def test_a_supply_shorted_to_ground_through_the_line_collapses() -> None:
    """Ground wins, in whichever order the two leaks are named."""
    leaks = (Leak("H", "SUPPLY"), Leak("H", "GND"))
    for order in (leaks, leaks[::-1]):
        network = replace(HEALTHY, leaks=order)
        assert network.probe_v(0.0) == pytest.approx((0.0, 0.0), abs=0.1)
        assert network.resistance_ohm("SUPPLY", "GND") == 0.0


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: LineNetwork((HOST, HOST)), "different name"),
        (lambda: replace(HEALTHY, length_m=5.0), "at most the length, 5"),
        (lambda: replace(HEALTHY, wire_ohm_per_m=-1.0), "wire_ohm_per_m=-1.0"),
        (lambda: replace(HEALTHY, supply_to_ground_ohm=0.0), "supply_to_ground_ohm=0.0"),
        (lambda: Tap("a", -1.0), "position_m=-1.0"),
        (lambda: Tap("a", driver_ohm=math.nan), "driver_ohm=nan"),
        (lambda: Tap("a", drop_v=3.0), "drop_v=3.0"),
        (lambda: Terminator(0.0, 0.0), "ohm=0.0"),
        (lambda: Cut("X", 0.0), "conductor='X'"),
        (lambda: Leak("H", "H"), "other='H'"),
        (lambda: Leak("GND", "SUPPLY"), "other='SUPPLY'"),
        (lambda: HEALTHY.differential_v({"nobody"}), "host, middle, far"),
        (lambda: HEALTHY.resistance_ohm("H", "H"), "other='H'"),
        (lambda: HEALTHY.resistance_ohm("H", "L", 7.0), "6 m long"),
        (lambda: HEALTHY.probe_v(-1.0), "position_m=-1.0"),
    ],
)
def test_impossible_lines_are_refused(make: object, words: str) -> None:
    """What was given and what is allowed stand in the message."""
    with pytest.raises(UsageError) as caught:
        make()
    assert words in str(caught.value)


def test_misreading_follows_the_normal_tail() -> None:
    """One sigma of margin is misread 15.87 % of the time, either kind of bit."""
    assert line.misread_probability(0.9, 0.2, dominant=True) == pytest.approx(0.158655, abs=1e-6)
    assert line.misread_probability(0.5, 0.2, dominant=False) == pytest.approx(0.158655, abs=1e-6)
    assert line.misread_probability(2.0, 0.1, dominant=True) == pytest.approx(6.1e-39, rel=0.01)


def test_without_noise_a_bit_is_right_or_wrong() -> None:
    """A step at the threshold of this receiver."""
    assert line.misread_probability(2.0, 0.0, dominant=True) == 0.0
    assert line.misread_probability(0.6, 0.0, dominant=True) == 1.0
    assert line.misread_probability(0.6, 0.0, dominant=False) == 0.0
    assert line.misread_probability(0.7, 0.0, dominant=True) == 0.5
    assert line.misread_probability(0.6, 0.0, dominant=True, threshold_v=0.55) == 0.0


@given(st.floats(-3.0, 5.0), st.floats(0.0, 2.0), st.floats(0.5, 0.9))
@settings(deadline=None)
def test_a_bit_is_one_kind_or_the_other(level_v: float, sigma_v: float, threshold_v: float) -> None:
    """Both probabilities add to 1."""
    one = line.misread_probability(level_v, sigma_v, dominant=True, threshold_v=threshold_v)
    other = line.misread_probability(level_v, sigma_v, dominant=False, threshold_v=threshold_v)
    assert one + other == pytest.approx(1.0, abs=1e-12)


def test_thresholds_no_receiver_may_have_are_refused() -> None:
    """0.5 to 0.9 V is what the standard leaves."""
    for threshold_v in (0.4, 1.0, math.nan):
        with pytest.raises(UsageError, match="threshold_v="):
            line.misread_probability(2.0, 0.1, dominant=True, threshold_v=threshold_v)
    with pytest.raises(UsageError, match="noise_sigma_v="):
        line.misread_probability(2.0, -0.1, dominant=True)
    with pytest.raises(UsageError, match="level_v="):
        line.misread_probability(math.nan, 0.1, dominant=True)
