"""Why does the node not answer: each branch of the questions, on the fault that belongs to it."""

from __future__ import annotations

import shutil
from collections import Counter
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from hiltest.canbus.opening import BusPort
from hiltest.catalogue import _bus, _why
from hiltest.description.loading import load_description
from hiltest.evidence.model import CheckResult

from .boards import accept, without_operator
from .files import FIXTURES
from .paper import GLUE_HEAD

ENUMERATE, QUIET = "bus.enumerate[head]", "bus.quiet[can]"


@dataclass(frozen=True)
class Row:
    """`first` stands in the likeliest cause, `steps` in what was found on the way, `also` among the causes."""

    fault: str
    fails: str
    first: str
    steps: str
    next: str = ""
    also: tuple[str, ...] = ()


# Faults that start at 2.05 s let the bus be quiet at first, which saves the time of a storm.
TABLE = (
    Row("no_node", ENUMERATE, "no power", "Nobody acknowledges", "lamp"),
    Row(
        "can_unplugged@2.05",
        ENUMERATE,
        "no power",
        "Nobody acknowledges",
        also=("CAN wires open", "exchanged"),
    ),
    Row(
        "can_h_open@2.05",
        ENUMERATE,
        "no power",
        "Nobody acknowledges",
        also=("CAN wires open", "the node's own pin", "H to L (cold.pair) may read 60 ohm all the same"),
    ),
    Row("can_swapped", ENUMERATE, "exchanged", "bit0", "from end to end"),
    Row("can_h_l_short", ENUMERATE, "touch each other", "bus-off", "0 to 5 ohm"),
    Row("wrong_bit_rate", QUIET, "500,000 bit/s", "good frames at 500,000", "same bit rate"),
    Row("wrong_bit_rate=250000@2.05", ENUMERATE, "250,000 bit/s", "good frames at 250,000"),
    Row("no_terminator", QUIET, "no terminator", "no good frame at any", "over 1 kohm"),
    Row("stays_in_loader", ENUMERATE, "boot loader", "somebody acknowledges", "console"),
    Row(
        "unconfigured_node",
        ENUMERATE,
        "never given a node id",
        "somebody acknowledges",
        "`hiltest number FILE`",
    ),
    Row("hangs_behind_heartbeat", ENUMERATE, "hangs", "Node 5 is alive"),
    Row("wrong_node_id", QUIET, "another node id: 9", "but under 9"),
)


def failed_check(fault: str, name: str, **options: Any) -> CheckResult:
    record = accept(fault, operator=False, only=(ENUMERATE,), **options)
    return next(check for check in record.checks if check.name == name)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.fault)
def test_the_likeliest_cause_is_the_fault(row: Row) -> None:
    """The check fails, names the cause first, says what was found and what to measure next."""
    check = failed_check(row.fault, row.fails)
    assert check.outcome == "failed"
    told = next(note for note in check.notes if "Likely causes" in note)
    assert all(cause in told for cause in row.also)
    steps, causes = told.split("Likely causes, in the order in which to look:\n")
    first = causes.splitlines()[0]
    assert row.first in first, told
    assert row.steps in steps, told
    assert row.next in first.split("Next: ")[1], told
    assert row.first in check.reason
    assert check.ended_s - check.started_s < 12.0


def test_what_looks_the_same_from_the_bus_is_told_as_one_or_the_other() -> None:
    """Where nobody acknowledges, a node without power and an open wire at it are one picture."""
    reason = failed_check("no_node", ENUMERATE).reason

    assert (
        "Likely: the node has no power: plug, fuse, polarity, or one or both CAN wires open at the node"
        in reason
    )


def test_messages_of_the_node_are_not_taken_for_somebody_elses() -> None:
    """A node that speaks in messages runs as soon as the host is silent, and takes no CAN FD frame: no word of a loader."""
    file = without_operator(FIXTURES / "label_peel.toml")
    record = accept("adapter_sends_fd", file=file, only=("bus.enumerate[bar]",))
    check = record.checks[-1]
    told = next(note for note in check.notes if "Likely causes" in note)
    assert "is alive: its messages run (0x330, 0x331" in told
    assert "A remote frame does" in told
    assert "loader" not in told
    assert "the CAN FD frames that the adapter sends" in check.reason


def test_a_board_without_an_id_is_found_beside_others_that_run() -> None:
    """Two boards, one of them new: its check says so, and how to number it."""
    record = accept(
        "unconfigured_node[chamber]",
        file=FIXTURES / "sample_chiller.toml",
        only=("bus.enumerate[chamber]",),
    )
    check = next(each for each in record.checks if each.name == "bus.enumerate[chamber]")
    assert check.outcome == "failed"
    assert "never given a node id" in check.reason
    assert any("Asked who has no node id" in note and "`hiltest number FILE`" in note for note in check.notes)


def test_a_bus_that_is_alive_is_not_disturbed() -> None:
    """While a node that hangs keeps its heartbeat, the questions cause not one error frame."""
    truth: dict[str, int] = {}

    def look(run: Any) -> None:
        truth["errors"] = run.opened().link.port.bus.bench.wires["can"].error_frames

    check = failed_check("hangs_behind_heartbeat", ENUMERATE, before_close=look)
    assert check.outcome == "failed"
    assert truth["errors"] == 0


class Truth:
    """What those on a bus went through, the adapter left out: errors, the highest transmit counter, the last state."""

    def __init__(self) -> None:
        self.errors = self.frames = 0
        self.highest: dict[str, int] = {}
        self.ends: dict[str, str] = {}

    def watch(self, bench: Any) -> None:
        """From now on; `look` at the end."""
        for station in bench.wires["can"].stations:
            if station.name != "adapter":
                self.highest[station.name] = 0
                station.on_error(partial(self._note, station.name))

    def _note(self, name: str, error: Any) -> None:
        self.errors += 1
        self.highest[name] = max(self.highest[name], error.tec)

    def look(self, run: Any) -> None:
        """Before the run closes its bench."""
        wire = run.opened().link.port.bus.bench.wires["can"]
        self.frames = wire.frames
        self.ends = {station.name: station.state for station in wire.stations}


@pytest.fixture
def truth(monkeypatch: pytest.MonkeyPatch) -> Truth:
    """Watches every bench that a fault is put into."""
    from hiltest.simbench.faults import FAULTS

    found, fault = Truth(), FAULTS["bus_at_another_rate"]

    def apply(bench: Any, target: str, value: float) -> None:
        fault.apply(bench, target, value)
        found.watch(bench)

    monkeypatch.setitem(FAULTS, "bus_at_another_rate", replace(fault, apply=apply))
    return found


def test_a_machine_that_runs_at_another_bit_rate_is_hardly_disturbed(truth: Truth) -> None:
    """The adapter steps back at the first error it is told of: nobody comes near the warning limit of 96, all go on."""
    check = failed_check("bus_at_another_rate", QUIET, before_close=truth.look)
    assert check.outcome == "failed"
    assert "500,000 bit/s" in check.reason
    assert any("takes no part" in note for note in check.notes)
    others = {name for name in truth.highest if name.startswith("talker")}
    assert len(others) == 2
    assert all(count < 96 for count in truth.highest.values()), truth.highest
    assert all(truth.ends[name] == "active" for name in others)
    assert truth.errors <= 3 * 8, "three stations, eight frames destroyed at most"
    assert truth.frames > 50


def test_where_several_nodes_are_described_it_is_not_disturbed_at_all(truth: Truth, tmp_path: Path) -> None:
    """They acknowledge each other, so the adapter listens first: not one error frame of its making."""
    file = two_nodes(tmp_path)
    check = failed_check("bus_at_another_rate", QUIET, file=file, before_close=truth.look)
    assert check.outcome == "failed"
    assert "500,000 bit/s" in check.reason
    assert truth.errors == 0
    assert truth.frames > 50


def test_several_nodes_at_the_right_rate_are_joined_after_their_first_frame(tmp_path: Path) -> None:
    """Listening first costs a sound bus nothing: the heartbeats of both are heard all the time."""
    truth = Truth()
    record = accept(operator=False, file=two_nodes(tmp_path), only=(QUIET,), before_close=truth.look)
    check = next(check for check in record.checks if check.name == QUIET)
    assert check.outcome == "passed", check.reason
    assert set(truth.ends.values()) <= {"active", "warning"}
    heard = next(each.value for each in check.measurements if each.name == "frames seen")
    assert heard >= 2 * 2.0 / 0.1 - 4


def two_nodes(folder: Path) -> Path:
    """A description with two bare nodes on one bus."""
    shutil.copy(FIXTURES / "glue_head.eds", folder)
    text = GLUE_HEAD[: GLUE_HEAD.index("[console]")].replace("[node]\n", "[[node]]\n", 1)
    text += '[[node]]\nname = "second"\nnode_id = 6\neds = "glue_head.eds"\n[simulation]\nseed = 1\n'
    file = folder / "glue_head.toml"
    file.write_text(text, encoding="utf-8")
    return file


class _Port:
    """An adapter that can't listen without taking part."""

    def state(self) -> str:
        return "active"


class _Link:
    port = _Port()

    def reopen(self, bit_rate_bps: int) -> None:
        raise AssertionError("nothing is reopened where the adapter can't listen only")


def test_without_listen_only_no_other_bit_rate_is_tried() -> None:
    """An adapter that would disturb the bus by listening at a wrong rate is left alone, and that is said."""
    bus = load_description(FIXTURES / "glue_head.toml").description.bus[0]
    seen = _bus.Seen(2.0, 0, Counter(), 50, "stuff 50", [])
    diagnosis = _why.why_unheard(_Link(), bus, seen)  # type: ignore[arg-type]
    assert diagnosis.bit_rate_found_bps is None
    assert "can't listen without taking part" in diagnosis.text()
    assert "no terminator" in diagnosis.causes[0].what


@pytest.mark.parametrize(
    ("can", "fault", "calls", "how"),
    [
        (True, "no_node", [True, False], "Listened 1 s without taking part: 0 good frames"),
        (False, "no_node", [True], "this adapter can't listen without taking part, so it acknowledged"),
        (True, "hangs_behind_heartbeat", [], "acknowledging the one node that was heard before"),
    ],
)
def test_the_adapter_listens_without_taking_part_where_it_can(
    monkeypatch: pytest.MonkeyPatch, can: bool, fault: str, calls: list[bool], how: str
) -> None:
    """Before anything was heard it does not even acknowledge, and where it can't but do so that is said; a lone node that
    was heard before keeps its acknowledge.
    """
    real, asked, sent = BusPort.listen_only, list[bool](), list[bool]()

    def listen_only(self: BusPort, on: bool) -> bool:
        asked.append(on)
        return can and real(self, on)

    def send(self: Any, frame: Any) -> None:
        sent.append(bool(asked) and asked[-1] and can)
        send_frame(self, frame)

    send_frame = BusPort.send
    monkeypatch.setattr(BusPort, "listen_only", listen_only)
    monkeypatch.setattr(BusPort, "send", send)
    check = failed_check(fault, ENUMERATE)
    assert asked == calls
    assert not any(sent), "nothing is sent while it only listens"
    assert any(how in note for note in check.notes), check.notes


def test_an_adapter_that_hides_errors_gives_no_false_comfort(tmp_path: Path) -> None:
    """Silence with an adapter that reports nothing is told as unknown, not as acknowledged."""
    for each in FIXTURES.glob("glue_head*"):
        shutil.copy(each, tmp_path)
    file = tmp_path / "glue_head.toml"
    text = file.read_text(encoding="utf-8") + "\n[simulation.adapter]\nreports_errors = false\n"
    file.write_text(text, encoding="utf-8")
    check = failed_check("no_node", ENUMERATE, file=file)
    assert check.outcome == "failed"
    assert "reports no errors" in check.notes[-1].splitlines()[3]
