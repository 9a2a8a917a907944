from __future__ import annotations

import subprocess
import sys

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.canbus.timing import (
    CLASSIC_REGISTERS,
    WIDE_REGISTERS,
    BitTime,
    Party,
    agreement,
    from_can,
    longest_cable_m,
    oscillator_allowance,
    produce,
    propagation,
)
from hiltest.errors import UsageError

SHORT_BUS = BitTime(8_000_000, 1, 5, 2, 1)  # 1 Mbit/s, sampled at 75 %


def test_loading_bit_timing_does_not_load_python_can() -> None:
    """The desk checks need no adapter library until registers are asked for."""
    code = "import sys, hiltest.canbus.timing; print('can' in sys.modules)"

    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)

    assert found.stdout.strip() == "False"


def test_a_timing_survives_the_way_through_python_can() -> None:
    """Both hold the same five numbers."""
    assert from_can(SHORT_BUS.as_can()) == SHORT_BUS
    assert SHORT_BUS.as_can() == can.BitTiming(8_000_000, 1, 5, 2, 1)


@pytest.mark.parametrize(
    ("timing", "words"),
    [
        (BitTime(8_000_000, 0, 5, 2), "prescaler=0"),
        (BitTime(8_000_000, 1, 5, 0), "tseg2=0"),
        (BitTime(8_000_000, 1, 5, 2, 3), "sjw=3 must not be above tseg2=2"),
    ],
)
def test_a_timing_that_cannot_run_is_refused(timing: BitTime, words: str) -> None:
    """The part at fault is named."""
    with pytest.raises(UsageError, match=words):
        timing.check()


def test_a_clock_that_does_not_divide_is_reported_in_ppm() -> None:
    """20 MHz to 800 kbit/s is exact with 25 quanta; 10 MHz can only make 12 or 13 of 12.5; a 44 MHz
    crystal in place of 40 MHz is 10 % off.
    """
    assert produce(20_000_000, 800_000).exact

    off = produce(10_000_000, 800_000)
    assert off.timing.quanta == 13
    assert off.rate_error_ppm == pytest.approx((12.5 / 13 - 1) * 1e6)
    assert not off.exact
    assert not off.usable
    assert "-38,462 ppm off 800,000 bit/s" in str(off)

    wrong_crystal = produce(40_000_000, 1_000_000).timing._replace(clock_hz=44_000_000)
    assert wrong_crystal.rate_error(1_000_000) == pytest.approx(0.1)


def test_wide_registers_make_what_narrow_ones_do_not() -> None:
    """More quanta come nearer to a rate and to its sample point."""
    narrow = produce(80_000_000, 83_333, registers=CLASSIC_REGISTERS)
    wide = produce(80_000_000, 83_333, registers=WIDE_REGISTERS)

    assert abs(wide.rate_error) <= abs(narrow.rate_error)
    assert abs(wide.sample_point_error) < 0.002


def test_nothing_near_the_rate_is_refused() -> None:
    """A clock of 1 MHz makes no 1 Mbit/s, one of 80 MHz no 10 kbit/s with a prescaler of 64."""
    with pytest.raises(UsageError, match="no rate near 1,000,000"):
        produce(1_000_000, 1_000_000)
    with pytest.raises(UsageError, match="prescalers up to 64"):
        produce(80_000_000, 10_000)


@pytest.mark.parametrize(
    "arguments", [(0, 500_000), (8_000_000, 0), (8_000_000, 500_000, 0.4), (8_000_000, 500_000, 1.0)]
)
def test_arguments_out_of_range_are_refused(arguments: tuple[float, ...]) -> None:
    """Rates above 0, sample points from one half."""
    with pytest.raises(UsageError):
        produce(*arguments)  # type: ignore[arg-type]


@given(st.integers(1_000_000, 100_000_000), st.integers(20_000, 1_000_000), st.floats(0.5, 0.95))
def test_what_is_produced_fits_the_registers(clock_hz: int, bitrate: int, sample_point: float) -> None:
    """Any clock and rate: the answer can be written to the controller, or there is none."""
    try:
        found = produce(clock_hz, bitrate, sample_point)
    except UsageError:
        return
    timing = found.timing.check()

    assert 1 <= timing.prescaler <= 64
    assert 2 <= timing.tseg1 + timing.tseg2 <= 24
    assert timing.tseg1 <= 16
    assert timing.tseg2 <= 8
    assert 1 <= timing.sjw <= min(4, timing.tseg1, timing.tseg2)


def test_no_divider_is_nearer() -> None:
    """Every pair of prescaler and quanta was tried."""
    for clock_hz, bitrate in ((44_000_000, 1_000_000), (10_000_000, 800_000), (33_333_333, 250_000)):
        found = produce(clock_hz, bitrate)
        best = min(
            abs(clock_hz / (prescaler * quanta) - bitrate)
            for prescaler in range(1, 65)
            for quanta in range(8, 26)
        )

        assert abs(found.timing.bitrate_hz - bitrate) == pytest.approx(best)


def test_a_late_answer_does_not_hold() -> None:
    """1 Mbit/s at 75 % with 250 ns loops: fine at 2 m, too late at 40 m."""
    near = propagation(SHORT_BUS, 2.0, (250.0, 250.0))
    far = propagation(SHORT_BUS, 40.0, (250.0, 250.0))

    assert near.needed_ns == pytest.approx(520.0)
    assert near.margin_ns == pytest.approx(105.0)
    assert not near.holds  # no quantum left for phase errors
    assert propagation(SHORT_BUS, 2.0, (200.0, 200.0)).holds
    assert far.margin_ns < 0
    assert not far.holds


def test_unlike_transceivers_add_up() -> None:
    """The way there and back passes the loop of either node once."""
    assert propagation(SHORT_BUS, 10.0, (100.0, 200.0)).needed_ns == pytest.approx(2 * 50 + 300)


def test_the_longest_cable_just_holds() -> None:
    """A little longer leaves less than the jump width in front of the sample point."""
    delays = (80.0, 80.0)
    length = longest_cable_m(SHORT_BUS, delays)

    assert length == pytest.approx((4 * 125 - 160) / 10)
    assert propagation(SHORT_BUS, length, delays).phase1_quanta == 1
    assert propagation(SHORT_BUS, length + 0.1, delays).phase1_quanta == 0
    assert longest_cable_m(SHORT_BUS, (400.0, 400.0)) == 0.0


def test_lengths_and_phases_that_cannot_be_are_refused() -> None:
    """Negative cable, and more phase than the segment holds."""
    with pytest.raises(UsageError, match="cable_m=-1"):
        propagation(SHORT_BUS, -1.0, (80.0, 80.0))
    with pytest.raises(UsageError, match="phase1_quanta=6"):
        oscillator_allowance(SHORT_BUS, 6)


def party(name: str, clock_hz: int = 8_000_000, tolerance: float = 50e-6) -> Party:
    return Party(name, SHORT_BUS._replace(clock_hz=clock_hz), tolerance, 80.0)


def test_crystals_agree_with_room_to_spare() -> None:
    """Two of 50 ppm on 2.4 m: the room is the allowance less 100 ppm."""
    found = agreement(party("adapter"), party("node"), 2.4)

    assert found.agrees
    assert found.rate_difference == 0
    assert found.worst_difference == pytest.approx(100e-6)
    assert found.room == pytest.approx(found.allowed_difference - 100e-6)
    assert found.room_ppm == pytest.approx(found.room * 1e6)


def test_a_wrong_crystal_is_named_with_both_rates() -> None:
    """44 MHz in place of 40 MHz: 10 % apart."""
    found = agreement(party("adapter"), party("node", clock_hz=8_800_000), 2.4)

    assert not found.agrees
    assert found.room < 0
    assert "adapter (1,000,000 bit/s) and node (1,100,000 bit/s) may be 10.01% apart" in found.problems[0]


def test_a_ceramic_resonator_uses_the_room_up() -> None:
    """1.5 % is beyond what 1 Mbit/s allows, 0.3 % is not."""
    assert agreement(party("adapter"), party("node", tolerance=0.003), 2.4).agrees
    assert not agreement(party("adapter"), party("node", tolerance=0.015), 2.4).agrees


def test_sample_points_are_compared() -> None:
    """75 % and 87.5 % are 12.5 points apart."""
    late = Party("node", BitTime(16_000_000, 1, 13, 2, 1), 50e-6, 80.0)

    found = agreement(party("adapter"), late, 2.4)

    assert found.sample_point_difference == pytest.approx(0.125)


def test_a_cable_too_long_is_named_for_the_party_that_samples_too_early() -> None:
    """The message has both times."""
    late = Party("node", BitTime(16_000_000, 1, 13, 2, 1), 50e-6, 80.0)

    found = agreement(party("adapter"), late, 50.0)

    assert [p.split(":")[0] for p in found.problems if "answer" in p] == ["adapter"]
    assert "takes 660 ns, sampled after 625 ns" in found.problems[0]


def test_tolerances_are_fractions() -> None:
    """A percentage would be taken for a hundred times as much."""
    with pytest.raises(UsageError, match="clock_tolerance"):
        agreement(party("adapter", tolerance=-1e-6), party("node"), 1.0)
