"""The two-wire line against standards, data sheets and worked values."""

from __future__ import annotations

import math

import pytest

from hiltest.physics import line
from hiltest.physics.line import LineNetwork, Tap, Terminator

# With no taps and no wire resistance only the terminators are left.


def bare(*ohms: float, wire_ohm_per_m: float = 0.0, length_m: float = 0.0) -> LineNetwork:
    places = [0.0, length_m, *([length_m / 2.0] * 8)]
    resistors = tuple(Terminator(place, ohm) for place, ohm in zip(places, ohms, strict=False))
    return LineNetwork((), resistors, wire_ohm_per_m=wire_ohm_per_m, length_m=length_m)


@pytest.mark.parametrize(
    ("ohms", "expected"),
    [
        ((120.0, 120.0), 60.0),
        ((100.0, 100.0), 50.0),
        ((130.0, 130.0), 65.0),
        ((108.0, 108.0), 54.0),
        ((132.0, 132.0), 66.0),
        ((120.0,), 120.0),
        ((120.0,) * 3, 40.0),
        ((120.0,) * 4, 30.0),
    ],
)
def test_terminators_in_parallel(ohms: tuple[float, ...], expected: float) -> None:
    """Limits 100 to 130 ohm from the NI sbRIO manual (ISO 11898), 108 to 132 from the ICP DAS manual."""
    assert bare(*ohms).resistance_ohm() == pytest.approx(expected, abs=1e-9)


def test_a_line_without_terminators_is_open() -> None:
    """Ohm's law: nothing between the wires reads infinite."""
    assert bare(length_m=2.0).resistance_ohm() == math.inf


def test_twenty_unpowered_nodes_pull_the_reading_down() -> None:
    """ABB FCAN-01 manual: 20 kohm least differential resistance; twenty across 60 ohm read 56.604 ohm."""
    taps = tuple(Tap(f"n{i}", differential_ohm=20e3, lead_ohm=0.0, leak_ohm=1e12) for i in range(20))
    network = LineNetwork(taps, (Terminator(0.0), Terminator(0.0)), wire_ohm_per_m=0.0)
    assert network.resistance_ohm() == pytest.approx(56.604, abs=1e-3)


@pytest.mark.parametrize(("wire_ohm_per_m", "expected"), [(0.035, 60.692), (0.070, 61.368)])
def test_far_terminator_through_forty_metres(wire_ohm_per_m: float, expected: float) -> None:
    """70 mohm/m (NI cable table, ISO 11898-2) read as loop or as one conductor."""
    network = bare(120.0, 120.0, wire_ohm_per_m=wire_ohm_per_m, length_m=40.0)
    assert network.resistance_ohm() == pytest.approx(expected, abs=1e-3)


def test_driver_levels_lie_in_the_standard_s_windows() -> None:
    """ISO 11898-2: 1.5 to 3.0 V differential (from memory); H 2.75..4.5, L 0.5..2.25 V (ABB AC800F, p. 284)."""
    network = LineNetwork((Tap("a"), Tap("b", 5.0)), (Terminator(0.0), Terminator(5.0)))
    high, low = network.levels_v({"a"})["a"]
    assert 1.5 <= high - low <= 3.0
    assert 2.75 <= high <= 4.5
    assert 0.5 <= low <= 2.25
    recessive = network.differential_v()["b"]
    assert -0.5 <= recessive <= 0.05


def test_receiver_thresholds_are_the_standard_s() -> None:
    """Vector e-learning, CAN Bus Levels; ABB AC800F manual p. 284: above 0.9 dominant, below 0.5 recessive."""
    assert (line.RECESSIVE_BELOW_V, line.DOMINANT_ABOVE_V) == (0.5, 0.9)


def test_common_mode_window_is_the_standard_s() -> None:
    """TI SLOA101B: −2 to +7 V."""
    assert line.common_mode_ok(7.0, -2.0)
    assert not line.common_mode_ok(7.1, 5.0)
    assert not line.common_mode_ok(3.5, 1.5, ground_offset_v=4.0)


@pytest.mark.parametrize(
    ("load_ohm", "expected"),
    [(120, 0.0), (100, -0.090909), (60, -0.333333), (240, 0.333333), (math.inf, 1.0), (0, -1.0)],
)
def test_reflection_coefficients(load_ohm: float, expected: float) -> None:
    """(ZL − Z0)/(ZL + Z0), any textbook on transmission lines."""
    assert line.reflection_coefficient(load_ohm, 120.0) == pytest.approx(expected, abs=1e-6)


def test_a_stub_reflects_a_third() -> None:
    """Two lines in parallel seen from the third: −1/3 (any textbook on transmission lines)."""
    assert line.junction_reflection(3) == pytest.approx(line.reflection_coefficient(60.0, 120.0))
    assert line.junction_reflection(3) == -1.0 / 3.0


def test_impedance_of_a_pair() -> None:
    """Johnson and Graham, High-Speed Digital Design (1993), p. 186, quoted on IPC TechNet."""
    assert line.pair_impedance_ohm(1.2e-3, 0.511e-3, 2.3) == pytest.approx(122.396, abs=1e-3)


@pytest.mark.parametrize(("twists_per_m", "ohm"), [(0.0, 156.07), (33.3, 154.53), (66.7, 150.31)])
def test_impedance_of_a_twisted_pair(twists_per_m: float, ohm: float) -> None:
    """Lefferson's formula, IEEE EMC-PSTC archive msg19676 (2001)."""
    found = line.twisted_impedance_ohm(1.2e-3, 0.511e-3, 2.3, twists_per_m)
    assert found == pytest.approx(ohm, abs=1e-2)


def test_delay_in_polyethylene() -> None:
    """Johnson and Graham p. 186 print 85·sqrt(er) ps/in, which rounds 84.7: 5.0752 against 5.059 ns/m."""
    assert line.delay_ns_per_m(2.3) == pytest.approx(5.059, abs=1e-3)
    assert line.delay_ns_per_m(2.3) == pytest.approx(85.0 * math.sqrt(2.3) / 25.4, rel=4e-3)


def test_two_thirds_of_the_speed_of_light_are_five_nanoseconds_a_metre() -> None:
    """Velocity 0.667 c; NI cable table: 5 ns/m."""
    assert line.delay_ns_per_m(1.0 / 0.667**2) == pytest.approx(line.DELAY_NS_PER_M, abs=2e-3)


def test_twisting_lengthens_the_wire() -> None:
    """Geometry of a helix: 20 mm pitch, 1.2 mm between centres."""
    assert line.twist_lengthening(20e-3, 1.2e-3) == pytest.approx(1.01761, abs=1e-5)


def test_longest_stub_by_cia_301() -> None:
    """CiA 301 V4.2.0 as quoted in the ECSS glossary: 50 ns edge, critical 5 m, stub 1.67 m."""
    assert line.longest_stub_m(50e-9) == pytest.approx(1.67, abs=0.01)


def test_longest_stub_by_the_stricter_rule() -> None:
    """TI THVD2450 data sheet: round trip under a tenth of the rise time, 0.5 m for 50 ns."""
    assert line.longest_stub_strict_m(50e-9) == pytest.approx(0.5, rel=1e-12)


@pytest.mark.parametrize(
    ("length_m", "loop_ns", "expected_ns"), [(40.0, 80.0, 560.0), (25.0, 150.0, 550.0), (10.0, 250.0, 600.0)]
)
def test_arbitration_delay_budgets(length_m: float, loop_ns: float, expected_ns: float) -> None:
    """Propagation budget of the Bosch CAN specification with 5 ns/m: twice cable plus loop delay."""
    assert line.arbitration_delay_s(length_m, loop_ns * 1e-9) == pytest.approx(expected_ns * 1e-9, rel=1e-9)


def test_bosch_worked_propagation_example() -> None:
    """Bosch TTCAN manual 4.2.1.7: driver 50, receiver 30, 40 m line 220 ns make 600 ns."""
    assert line.arbitration_delay_s(40.0, 80e-9, ns_per_m=5.5) == pytest.approx(600e-9, rel=1e-12)


@pytest.mark.parametrize(
    ("awg_ohm_per_m", "expected_v"), [(0.212921, 2.555), (0.084215, 1.011), (0.033309, 0.400)]
)
def test_ground_offset_of_a_thin_return(awg_ohm_per_m: float, expected_v: float) -> None:
    """Ohm's law: 4 A through 3 m of 28, 24 and 20 AWG (ASTM B258, IEC 60028)."""
    assert line.ground_offset_v(4.0, 3.0 * awg_ohm_per_m) == pytest.approx(expected_v, abs=2e-3)


def bounce(round_trips: int, swing_v: float = 2.0) -> list[tuple[float, float]]:
    """Levels at the open end of a branch and on the trunk, by round trips since the driver at the open end let go.

    A bounce diagram, as in any textbook on transmission lines: letting go stops the current swing/(Z0/2), which
    launches a wave of -2 swing into the branch; at the trunk (two lines in parallel) -1/3 of it comes back and 2/3 go
    on, at the open end all of it comes back.
    """
    wave = -2.0 * swing_v
    end = trunk = swing_v
    levels = []
    end += wave
    for _ in range(round_trips):
        trunk += wave * 2.0 / 3.0
        levels.append((end, trunk))
        wave *= -1.0 / 3.0
        end += 2.0 * wave
    return levels


def test_the_wave_left_in_a_branch_is_that_of_a_bounce_diagram() -> None:
    """The envelope that the simulated line works with is the wave at the driver's end, and never below that on the trunk."""
    from hiltest.simbench.reception import Ringing

    trip_ns = 400.0
    ringing = Ringing(1.0, abs(line.junction_reflection(3)), trip_ns)
    for number, (end_v, trunk_v) in enumerate(bounce(6)):
        left_v = 2.0 * ringing.left((number + 0.5) * trip_ns)
        assert abs(end_v) == pytest.approx(left_v, rel=1e-9)
        assert abs(trunk_v) <= left_v
