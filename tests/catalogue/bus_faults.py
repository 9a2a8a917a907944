"""Faults of bus, timing, traffic, identity and adapter, each with the check that must fail; and those that no check
sees, each with the reason and what is left to do by hand.

one table, for the tests (five seeds) and for benches/detection_bus.py (over several seeds).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from hiltest.campaign.unseen import Unseen
from hiltest.evidence.model import CheckResult, RunRecord

from .boards import ALONE, accept
from .files import FIXTURES, edited

QUIET, ENUMERATE, DUPLICATE = "bus.quiet[can]", "bus.enumerate[head]", "bus.duplicate_id[head]"
OBSERVER, LOAD, LATENCY = "bus.observer[can]", "bus.load[can]", "bus.latency[head]"
HEARTBEAT, RECOVERY, MARGIN = "bus.heartbeat[head]", "bus.recovery[can]", "bus.margin[can]"
WITH_LOADS, PAIR, LINES = "bus.with_loads[can]", "cold.pair[can]", "cold.lines[can]"
TIMING, TRAFFIC, LINE = "desk.timing[can]", "desk.traffic[can]", "desk.line[can]"
PULSE, DIRECTION, RETURN = "heat.pulse[reservoir]", "motion.direction[pump]", "motion.return[pump]"


@dataclass(frozen=True)
class Row:
    """`fault` of the simulated bench (or none, or two), `fails` the check that must fail, or end as `outcome`.

    `edit` replaces texts of the description, `before` names checks that must run first though no gate says so, `or_by`
    earlier ones that chance may let find it instead: what depends on one that failed looks no more, or at less. Cold
    checks need the operator, the others do without.
    """

    fault: str
    fails: str
    says: str = ""
    edit: tuple[tuple[str, str], ...] = ()
    outcome: str = "failed"
    before: tuple[str, ...] = ()
    or_by: tuple[str, ...] = ()

    def __str__(self) -> str:
        return self.fault or " ".join(new for _, new in self.edit).strip().replace("\n", " ")


def with_tests(*fields: str) -> tuple[tuple[str, str], ...]:
    """An edit that adds fields to the section [bus]."""
    return (("[bus.load_test]", "\n".join([*fields, "[bus.load_test]"])),)


SHORT = (("duration_s = 4.0", "duration_s = 1.0\nbit_error_probability_max = 1e-5"),)
"""A load test of a quarter of the time: where it is only in the way, or where what it must find is there all the time."""

LONGER_WITH_LOADS = (("[bus.load_test]", "[bus.load_test]\nwith_loads_s = 4.0"),)
"""Where a heater's edges alone have to be met, twenty a second."""

LIGHT = (("utilisation_percent = 50.0", "utilisation_percent = 35.0"),)
"""Where every frame is walked bit by bit and fewer of them do."""

ADAPTER = "[simulation.adapter]\n{}\n\n[simulation]"

NO_COUNTERS = (
    ("transmit_errors = ", "# transmit_errors = "),
    ("receive_errors = ", "# receive_errors = "),
    ("bus_errors = ", "# bus_errors = "),
)
BLIND = (*NO_COUNTERS, ("[simulation]", ADAPTER.format("reports_errors = false")))

STATES_ONLY = (("[simulation]", ADAPTER.format("error_reports_per_s = 0")),)
"""An adapter that tells its state and no single error, as SocketCAN without berr-reporting."""

FD = (
    (
        "[simulation]",
        ADAPTER.format("fd = true\nsends_fd = true\ndata_bit_rate_bps = 2_000_000")
        + "\nnodes_take_fd = true",
    ),
)
"""A bus on which the host sends CAN FD frames that switch their bit rate, and the nodes take them."""

# A start after the first seconds (@...) lets earlier checks pass, so that the later one must find it.
TABLE = (
    # wiring
    Row("can_h_open@2.05", ENUMERATE, "CAN wires open"),
    Row("can_l_open@2.05", ENUMERATE, "CAN wires open"),
    Row("can_unplugged@2.05", ENUMERATE, "Nobody acknowledges"),
    Row("can_swapped", ENUMERATE, "exchanged"),
    Row("can_h_l_short", ENUMERATE, "touch each other"),
    Row("long_stub", QUIET, "error reports"),
    Row("terminator_not_at_end", QUIET, "error reports"),
    Row("star_wiring", QUIET, "error reports"),
    Row("can_h_l_short", PAIR, "shorted"),
    Row("can_h_to_ground", ENUMERATE, "bus-off"),
    Row("can_h_to_ground", LINES, "CAN-H"),
    Row("can_l_to_ground", LINES, "CAN-L touches"),
    Row("can_h_to_supply", QUIET, "error reports"),
    Row("can_l_to_supply", QUIET, "error reports"),
    Row("can_leak", PAIR, "a leak between the wires"),
    Row("no_terminator", QUIET, "no terminator"),
    Row("one_terminator", PAIR, "one terminator is missing"),
    Row("extra_terminators", PAIR, "4 terminators"),
    Row("wrong_terminator", ENUMERATE, "bus-off"),
    Row("long_cable", QUIET, "error reports"),
    Row("can_contact_resistance=200", ENUMERATE, "Nobody acknowledges"),
    Row("noise_bursts", QUIET, "error reports"),
    Row("noise_bursts=2@6.5", LOAD, "errors: "),
    # The noise comes with the motor's edges, and its first trips are short: what they do to the bus is left to chance.
    Row("noise_with_loads", WITH_LOADS, "error", (*SHORT, *LONGER_WITH_LOADS), or_by=(DIRECTION, RETURN)),
    Row("ground_offset", QUIET, "error reports"),
    Row("ground_offset_under_load", PULSE, "error frames"),
    Row("can_breaks_with_motion", RETURN, "error frames"),
    # bit timing
    Row("wrong_bit_rate", QUIET, "500,000 bit/s"),
    Row("wrong_bit_rate=250000@2.05", ENUMERATE, "250,000 bit/s"),
    Row(
        "wrong_bit_rate=1e6",
        QUIET,
        "1,000,000 bit/s",
        (("bit_rate_bps = 1_000_000", "bit_rate_bps = 500_000"),),
    ),
    Row("bus_at_another_rate", QUIET, "500,000 bit/s"),
    Row("oscillator_off=1.3", LOAD, "errors: ", SHORT),
    Row("oscillator_off=-1.5", LOAD, "errors: ", SHORT),
    Row("oscillator_off=2.5", ENUMERATE, "no good frame at any"),
    Row("data_bit_rate_off", ENUMERATE, "Likely: the node does not take the CAN FD frames", FD),
    Row(
        "oscillator_off=1.0",
        MARGIN,
        "room towards later",
        (*with_tests("margin_test = true"), *SHORT, *LIGHT),
    ),
    Row("jump_width_small=-1", ENUMERATE, "error frames"),
    # traffic
    Row("foreign_sender", QUIET, "0x3C5"),
    Row("foreign_sender@3.5", HEARTBEAT, "0x3C5"),
    Row("babbling_device", QUIET, "utilisation at rest"),
    Row("garbage_storm", QUIET, "utilisation at rest"),
    Row("stuck_dominant", QUIET, "stuff"),
    Row("stuck_dominant@8.9", LOAD, "errors: "),
    Row("duplicate_node_id", ENUMERATE, "2 boards"),
    Row("duplicate_node_id@5.6", DUPLICATE, "serial numbers: 2"),
    Row("frames_repeated@6.5", LOAD, "by the node", SHORT),
    Row("adapter_repeats@6.5", LOAD, "by the adapter or its driver", SHORT),
    Row("frames_lost=0.3", ENUMERATE, "answer"),
    Row("frames_lost=0.05@5.6", LATENCY, "requests without an answer"),
    # identity and life
    Row("no_node", ENUMERATE, "Nobody acknowledges"),
    Row("power_reversed", ENUMERATE, "Nobody acknowledges"),
    Row("wrong_node_id", QUIET, "another node id: 9"),
    Row("unconfigured_node", ENUMERATE, "never given a node id"),
    Row("wrong_product", ENUMERATE, "product code"),
    Row("wrong_firmware", ENUMERATE, "1.3.2"),
    Row("stays_in_loader", ENUMERATE, "boot loader"),
    Row("slow_boot", ENUMERATE, "boot time"),
    Row("crashes", LATENCY, "requests without an answer"),
    Row("crashes=9", HEARTBEAT, "restarts"),
    Row("hangs_behind_heartbeat", ENUMERATE, "hangs"),
    Row("hangs_behind_heartbeat@6.5", LOAD, "in the node"),
    Row("heartbeat_slow", ENUMERATE, "heartbeat period"),
    Row("heartbeat_uneven", HEARTBEAT, "jitter"),
    Row("slow_answers", ENUMERATE, "too late to say who it is"),
    Row("slow_answers=0.06", LATENCY, "99%"),
    Row("stays_bus_off", RECOVERY, "stays mute", (*with_tests("recovery_test = true"), *SHORT)),
    # adapter and description
    Row("adapter_hides_errors", OBSERVER, "nobody reported", NO_COUNTERS, "not observable"),
    Row("adapter_listens_only", QUIET, "error reports"),
    Row("adapter_in_self_test", ENUMERATE, "nodes not in the description"),
    # One-shot mode shows where something is to be sent again: noise alone costs no answer.
    Row("adapter_one_shot noise_bursts=200@5.6", LATENCY, "requests without an answer"),
    Row(
        "adapter_clock_off",
        ENUMERATE,
        "Likely: the node does not take what the adapter sends: the adapter's clock",
    ),
    Row("adapter_state_stale", LOAD, "agrees with what it sent and received", SHORT),
    Row("adapter_small_queue", LOAD, "is full", SHORT),
    Row("adapter_loses_frames@6.3", LOAD, "in the host or adapter", SHORT),
    Row("adapter_loses_frames_untold@6.3", LOAD, "frames lost", SHORT),
    Row("adapter_reorders@6.3", LOAD, "out of order", SHORT),
    Row("adapter_slow", LOAD, "frames lost", SHORT),
    Row("adapter_stamps_wrong", LATENCY, "99%"),
    Row("adapter_stamps_coarse", HEARTBEAT, "jitter", SHORT),
    Row("adapter_filter_left", ENUMERATE, "a receive filter"),
    Row("adapter_vanishes", QUIET, "no such device", outcome="error"),
    Row("adapter_sends_fd", ENUMERATE, "Likely: the node does not take the CAN FD frames"),
    Row("adapter_keeps_old_frames", QUIET, "before hiltest asked"),
    Row("no_node", ENUMERATE, "nobody acknowledges, or the bit rate is another", STATES_ONLY),
    Row("can_unplugged@2.05", ENUMERATE, "nobody acknowledges, or the bit rate is another", STATES_ONLY),
    Row("wrong_bit_rate", QUIET, "500,000 bit/s", STATES_ONLY),
    Row("wrong_bit_rate=250000@2.05", ENUMERATE, "250,000 bit/s", STATES_ONLY),
    Row("stays_in_loader", ENUMERATE, "not known whether anybody acknowledges", STATES_ONLY),
    Row("can_h_l_short adapter_restarts", ENUMERATE, "touch each other"),
    Row("", OBSERVER, "nobody reported", BLIND, "not observable"),
    Row("", LATENCY, "99%", (("[simulation]", ADAPTER.format("latency_s = 0.06")),)),
    Row("", TIMING, "bit rate of adapter", with_tests("adapter_clock_hz = 11_059_200")),
    Row(
        "",
        TIMING,
        "room left",
        (('firmware = "1.4.0"', 'can_clock_tolerance_ppm = 20_000.0\nfirmware = "1.4.0"'),),
    ),
    Row("", TRAFFIC, "glue demand", (("deadline_s = 0.004 ", "deadline_s = 0.0003 "),)),
    Row("", LINE, "stub", with_tests("stub_m = 6.0")),
    Row("", LINE, "tail behind a terminator", with_tests("tail_m = 6.0")),
)


def _edited(edit: tuple[tuple[str, str], ...], operator: bool) -> Path:
    """A glue head with texts replaced, in a folder of its own."""
    return edited(FIXTURES / "glue_head.toml", *edit, *(() if operator else (ALONE,)))


def run_row(row: Row, seed: int = 1) -> tuple[RunRecord, CheckResult]:
    """Run what a row needs; the record and the check that it names, or the one that found it before."""
    operator = row.fails in (PAIR, LINES)
    record = accept(
        *row.fault.split(), seed=seed, file=_edited(row.edit, operator), only=(*row.before, row.fails)
    )
    checks = {check.name: check for check in record.checks}
    instead = [checks[name] for name in row.or_by if checks[name].outcome == row.outcome]
    return record, instead[0] if instead else checks[row.fails]


def says_it(row: Row, check: CheckResult) -> bool:
    """The check says something of the fault, in its reason or its notes."""
    return row.says in "\n".join([check.reason, *check.notes])


def run_unseen(unseen: Unseen, seed: int = 1) -> RunRecord:
    """Run the checks of bus, adapter and cold wires on a fault of `UNSEEN`."""
    checks = (PAIR, LINES, QUIET, ENUMERATE, DUPLICATE, LOAD, LATENCY, HEARTBEAT)
    return accept(unseen.fault, seed=seed, only=checks)
