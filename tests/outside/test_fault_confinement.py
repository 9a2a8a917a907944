"""Fault confinement against the twelve rules of the Bosch text."""

from __future__ import annotations

import pytest

from hiltest.canbus.confinement import (
    BUS_OFF_LIMIT,
    PASSIVE_LIMIT,
    RECOVERY_BITS,
    RULES,
    WARNING_LIMIT,
    ErrorCounters,
)
from hiltest.canbus.frames import ERROR_FRAME_BITS_MAX, ERROR_FRAME_BITS_MIN

# Bosch, CAN with Flexible Data-Rate 1.0 (2012), chapter 7: what each event adds to (TEC, REC).
BOSCH = {
    "rx_error": (0, 1),
    "rx_error_first_dominant": (0, 8),
    "tx_error": (8, 0),
    "tx_ack_error": (0, 0),  # error passive, no dominant bit seen during its passive flag
    "tx_arbitration_stuff_error": (0, 0),
    "tx_flag_error": (8, 0),
    "rx_flag_error": (0, 8),
    "tx_dominant_after_flag": (8, 0),
    "rx_dominant_after_flag": (0, 8),
    "tx_ok": (-1, 0),
    "rx_ok": (0, -1),
}


def test_the_table_is_that_of_the_text() -> None:
    """Every event, and no other."""
    assert {rule.method: (rule.tx_change, rule.rx_change) for rule in RULES} == BOSCH


@pytest.mark.parametrize("method", BOSCH)
def test_the_counters_follow_the_text(method: str) -> None:
    """A passive controller with both counters above 0 and below 128."""
    counters = ErrorCounters(tx=130, rx=50)

    getattr(counters, method)()

    assert (counters.tx - 130, counters.rx - 50) == BOSCH[method]


def test_limits() -> None:
    """Passive at 128 of either, bus off at 256 of TEC; controllers warn at 96 (Microchip CAN documents)."""
    assert (WARNING_LIMIT, PASSIVE_LIMIT, BUS_OFF_LIMIT) == (96, 128, 256)


def test_a_lone_node_stays_passive_for_ever() -> None:
    """Bosch, chapter 7, note on start-up: 16 failed attempts lead to 128, and there it stays."""
    counters = ErrorCounters()
    seen = []

    for _ in range(16):
        counters.tx_ack_error()
        seen.append(counters.tx)
    assert seen == list(range(8, 129, 8))
    for _ in range(10_000):
        counters.tx_ack_error()

    assert (counters.tx, counters.state) == (128, "passive")


def test_an_answer_to_the_passive_flag_counts() -> None:
    """The exception holds only while no dominant bit is seen during the passive flag."""
    counters = ErrorCounters(tx=128)

    counters.tx_ack_error(dominant_in_passive_flag=True)

    assert counters.tx == 136


def test_thirty_two_transmit_errors_lead_to_bus_off() -> None:
    """8 each: 31 make 248, still on the bus; 32 make 256."""
    counters = ErrorCounters()

    for _ in range(31):
        counters.tx_error()
    assert (counters.tx, counters.state) == (248, "passive")
    counters.tx_error()

    assert (counters.tx, counters.state) == (256, "off")


def test_one_failure_in_nine_keeps_the_counter() -> None:
    """+8 and eight times -1; with seven good ones it climbs by 1 a turn."""

    def after(good: int) -> int:
        counters = ErrorCounters(tx=50)
        for _ in range(10):
            counters.tx_error()
            for _ in range(good):
                counters.tx_ok()
        return counters.tx

    assert (after(8), after(7)) == (50, 60)


def test_a_good_reception_brings_a_high_counter_to_119_to_127() -> None:
    """Rule 8: above 127 a value in that range is set."""
    counters = ErrorCounters(rx=135)

    counters.rx_ok()

    assert 119 <= counters.rx <= 127
    assert counters.state != "passive"


@pytest.mark.parametrize(
    ("bitrate", "recovery_ms"),
    [(1_000_000, 1.408), (500_000, 2.816), (250_000, 5.632), (125_000, 11.264)],
)
def test_recovery_takes_128_times_11_bits(bitrate: int, recovery_ms: float) -> None:
    """Rule 12, in time."""
    assert pytest.approx(recovery_ms, abs=1e-9) == RECOVERY_BITS * 1e3 / bitrate

    counters = ErrorCounters(tx=256)
    assert not counters.saw_recessive_sequences(127)
    assert counters.saw_recessive_sequences(1)
    assert (counters.tx, counters.rx, counters.state) == (0, 0, "active")


def test_error_frames_take_14_to_20_bits() -> None:
    """Flag 6 (superposed: up to 12, Bosch CAN 2.0, from memory) and delimiter 8."""
    assert (ERROR_FRAME_BITS_MIN, ERROR_FRAME_BITS_MAX) == (6 + 8, 12 + 8)
