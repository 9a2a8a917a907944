from __future__ import annotations

import pytest

from hiltest.canbus.confinement import RECOVERY_BITS, RULES, ErrorCounters, Rule


def test_every_rule_has_its_method() -> None:
    """The table and the counters are the same twelve rules."""
    assert all(callable(getattr(ErrorCounters, rule.method)) for rule in RULES)


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: f"{rule.number} {rule.method}")
def test_each_event_changes_the_counters_by_its_rule(rule: Rule) -> None:
    """From counters at which every rule applies; the first exception needs a passive transmitter."""
    start = 140 if rule.method == "tx_ack_error" else 20
    counters = ErrorCounters(tx=start, rx=20)

    getattr(counters, rule.method)()

    assert (counters.tx - start, counters.rx - 20) == (rule.tx_change, rule.rx_change)


def test_counters_do_not_fall_below_zero() -> None:
    """Success at zero stays at zero."""
    counters = ErrorCounters()

    counters.tx_ok()
    counters.rx_ok()

    assert (counters.tx, counters.rx) == (0, 0)


@pytest.mark.parametrize(
    ("tx", "rx", "state"),
    [
        (0, 0, "active"),
        (95, 95, "active"),
        (96, 0, "warning"),
        (0, 96, "warning"),
        (127, 127, "warning"),
        (128, 0, "passive"),
        (0, 128, "passive"),
        (255, 0, "passive"),
        (256, 0, "off"),
    ],
)
def test_states_follow_from_the_counters(tx: int, rx: int, state: str) -> None:
    """Warning at 96, passive at 128, off at 256 of the transmit counter."""
    assert ErrorCounters(tx, rx).state == state


def test_states_are_left_as_the_counters_fall() -> None:
    """127 of both is active again; 95 is out of the warning."""
    counters = ErrorCounters(tx=128)

    counters.tx_ok()
    assert counters.state == "warning"
    for _ in range(32):
        counters.tx_ok()
    assert (counters.tx, counters.state) == (95, "active")


def test_a_receiver_never_goes_off() -> None:
    """However many errors it sees."""
    counters = ErrorCounters()

    for _ in range(1000):
        counters.rx_error()
        counters.rx_error_first_dominant()

    assert (counters.rx, counters.state) == (255, "passive")


def test_nothing_counts_while_off() -> None:
    """A controller that is off takes no part."""
    counters = ErrorCounters(tx=256)

    for event in (counters.tx_error, counters.tx_ok, counters.rx_ok, counters.rx_error):
        event()

    assert (counters.tx, counters.rx, counters.state) == (256, 0, "off")


def test_recovery_takes_all_of_its_sequences() -> None:
    """127 times 11 recessive bits are not enough, whether they come one by one or together."""
    counters = ErrorCounters(tx=256)
    assert counters.recovery_bits_left == RECOVERY_BITS

    assert not counters.saw_recessive_sequences(100)
    assert not any(counters.saw_recessive_sequences() for _ in range(27))
    assert (counters.state, counters.recovery_bits_left) == ("off", 11)
    assert counters.saw_recessive_sequences()

    assert (counters.tx, counters.rx, counters.state, counters.recovery_bits_left) == (0, 0, "active", 0)


def test_recovery_starts_anew_each_time() -> None:
    """Sequences seen during an earlier recovery do not shorten the next."""
    counters = ErrorCounters(tx=256)
    counters.saw_recessive_sequences(127)
    counters.reset()
    for _ in range(32):
        counters.tx_error()

    assert counters.recovery_bits_left == RECOVERY_BITS


def test_sequences_mean_nothing_to_a_controller_on_the_bus() -> None:
    """An idle bus is no recovery."""
    counters = ErrorCounters(tx=200)

    assert not counters.saw_recessive_sequences(1000)
    assert counters.tx == 200


def test_counters_print_what_they_hold() -> None:
    """A log line of the bench shows both and the state."""
    assert repr(ErrorCounters(100, 3)) == "<ErrorCounters tx 100 rx 3, warning>"
