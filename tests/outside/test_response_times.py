"""Worst-case response times against published examples."""

from __future__ import annotations

import pytest

from hiltest.canbus.response import (
    Analysis,
    Options,
    PlannedMessage,
    analyse,
    by_priority,
    lowest_bitrate,
)

# Tindell and Burns 1994; Tindell, Burns, Wellings, Control Eng. Practice 3(8):1163-1169, 1995: the SAE
# benchmark reduced to 17 messages, as reprinted by Punnekkat, Hansson, Norstroem, RTAS 2000. Lengths,
# periods and response times from memory.
SAE_BYTES = (1, 2, 1, 2, 1, 2, 6, 1, 2, 2, 1, 4, 1, 1, 3, 1, 1)
SAE_PERIODS_MS = (1000, 5, 5, 5, 5, 5, 10, 10, 10, 10, 100, 100, 100, 100, 1000, 1000, 1000)
SAE_MS = {
    125_000: (
        1.416, 2.016, 2.536, 3.136, 3.656, 4.256, 5.016, 8.376, 8.976, 9.576, 10.096, 19.096, 19.616,
        20.136, 28.976, 29.496, 29.520,
    ),
    # The same recurrence at other rates: computed independently, not published.
    250_000: (
        0.708, 1.008, 1.268, 1.568, 1.828, 2.128, 2.508, 2.768, 3.068, 3.368, 3.628, 3.968, 4.228,
        4.488, 4.748, 5.008, 5.020,
    ),
    500_000: (
        0.354, 0.504, 0.634, 0.784, 0.914, 1.064, 1.254, 1.384, 1.534, 1.684, 1.814, 1.984, 2.114,
        2.244, 2.374, 2.504, 2.510,
    ),
}  # fmt: skip
SAE_COUNTING = Options(to_end_of_frame=True, least_blocking_bits=3)


def sae() -> list[PlannedMessage]:
    rows = zip(SAE_BYTES, SAE_PERIODS_MS, strict=True)
    return [PlannedMessage(f"m{i}", 0x100 + i, period / 1000, size) for i, (size, period) in enumerate(rows)]


def responses_ms(found: Analysis) -> list[float]:
    return [round((r.response_s or -1) * 1e3, 6) for r in found.responses]


def test_a_second_instance_can_be_the_slowest() -> None:
    """Davis et al. 2007, Table 1 (from memory): A, B, C of 125 bits at 125 kbit/s. The first instance of C
    takes 3.0 ms and looks schedulable, its second takes 3.5 ms and misses 3.25 ms.
    """
    plan = [
        PlannedMessage("A", 1, 2.5e-3, 7, deadline_s=2.5e-3),
        PlannedMessage("B", 2, 3.5e-3, 7, deadline_s=3.25e-3),
        PlannedMessage("C", 3, 3.5e-3, 7, deadline_s=3.25e-3),
    ]

    found = analyse(plan, 125_000)

    assert [r.bits for r in found.responses] == [125, 125, 125]
    assert responses_ms(found) == [2.0, 3.0, 3.5]
    slowest = found.of("C")
    assert (slowest.worst_instance, slowest.holds) == (1, False)
    assert slowest.busy_period_s == pytest.approx(7.0e-3, abs=1e-12)
    assert found.utilisation == pytest.approx(0.971429, abs=1e-6)
    assert [r.message.name for r in found.missed] == ["C"]


def test_five_messages_at_500_kbit() -> None:
    """A public lecture post, "CAN bandwidth and worst-case delay calculation" (2026), after Tindell and
    Davis: prints 420 us for A, 1230 us for D and E, load 13.9 %.
    """
    plan = [
        PlannedMessage("A", 1, 10e-3, 2),
        PlannedMessage("B", 2, 5e-3, 8),
        PlannedMessage("C", 3, 5e-3, 8),
        PlannedMessage("D", 4, 20e-3, 8),
        PlannedMessage("E", 5, 100e-3, 8),
    ]

    found = analyse(plan, 500_000)

    assert responses_ms(found) == [0.42, 0.69, 0.96, 1.23, 1.23]
    assert found.utilisation == pytest.approx(0.1392, abs=1e-9)
    assert found.schedulable


@pytest.mark.parametrize("bitrate", sorted(SAE_MS))
def test_the_reduced_sae_benchmark(bitrate: int) -> None:
    """All 17 response times, to the end of the frame."""
    found = analyse(sae(), bitrate, SAE_COUNTING)

    assert responses_ms(found) == list(SAE_MS[bitrate])


def test_the_load_of_the_reduced_sae_benchmark() -> None:
    """U = 0.8574 at 125 kbit/s (as above)."""
    assert analyse(sae(), 125_000).utilisation == pytest.approx(0.8574, abs=1e-4)


def test_more_than_the_bus_has_is_unschedulable() -> None:
    """A public implementation's test: ten 8-byte messages each 1 ms at 125 kbit/s, load 1080 %."""
    plan = [PlannedMessage(f"m{i}", i, 1e-3) for i in range(10)]

    found = analyse(plan, 125_000)

    assert found.utilisation == pytest.approx(10.8)
    assert not found.schedulable
    assert all(r.response_s is None and "all of its time" in r.reason for r in found.responses)
    assert "unschedulable" in str(found.responses[0])


def test_one_message_alone_takes_its_own_time() -> None:
    """The same test: one 8-byte message at 500 kbit/s answers in 0.270 ms, blocked by nothing."""
    found = analyse([PlannedMessage("only", 0x100, 10e-3)], 500_000)

    assert responses_ms(found) == [0.27]


def test_mixed_identifiers_sort_as_on_the_bus() -> None:
    """The same test: a standard frame beats an extended one with the same 11 leading bits."""
    ids = [(0x123, False), (0x0CF00400, True), (0x033, False), (0x00CC0001, True)]
    plan = [PlannedMessage(hex(i), i, 1.0, extended=extended) for i, extended in ids]

    assert [m.can_id for m in by_priority(plan)] == [0x033, 0x00CC0001, 0x123, 0x0CF00400]


def test_load_of_twelve_messages() -> None:
    """The lecture post: twelve 8-byte frames each 1 ms at 1 Mbit/s are 162 %, each 4 ms 40.5 %."""

    def load(period_s: float) -> float:
        return analyse([PlannedMessage(f"m{i}", i, period_s) for i in range(12)], 1_000_000).utilisation

    assert load(1e-3) == pytest.approx(1.62, rel=1e-9)
    assert load(4e-3) == pytest.approx(0.405, rel=1e-9)


def test_the_sae_benchmark_needs_125_kbit() -> None:
    """Its load of 0.8574 at 125 kbit/s (as above) is 2.14 at 50 kbit/s, the next lower standard rate."""
    found = lowest_bitrate(sae(), SAE_COUNTING)

    assert found is not None
    assert found.bitrate == 125_000
    assert not analyse(sae(), 50_000, SAE_COUNTING).schedulable
