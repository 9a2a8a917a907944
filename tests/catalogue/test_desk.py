"""What is computed from the description alone: bit timing and planned traffic."""

from __future__ import annotations

import builtins
import random
import re
import shutil
from pathlib import Path
from typing import Any

import pytest

from hiltest.catalogue import _load, _traffic
from hiltest.description.loading import load_text
from hiltest.errors import DescriptionError, UsageError

from .paper import FIXTURES, GLUE_HEAD, desk, failed, value, without_traffic

PAIR, TIMING, TRAFFIC = "desk.power_pair[head]", "desk.timing[can]", "desk.traffic[can]"
LENGTH = "length_m = 2.4              # from end"


def edited(*pairs: tuple[str, str]) -> str:
    text = GLUE_HEAD
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def test_the_glue_head_passes_both() -> None:
    """What is shipped holds, with figures and a picture to show."""
    timing, traffic = desk(TIMING, GLUE_HEAD), desk(TRAFFIC, GLUE_HEAD)
    assert failed(timing) == failed(traffic) == []
    assert value(timing, "longest bus at this timing") > 2.4
    assert any("##" in note and "glue demand" in note for note in traffic.notes)


def test_the_current_is_told_load_by_load() -> None:
    """What is written of the currents adds up to the current, so that nobody looks for a load that was forgotten."""
    found = desk("desk.power_pair[head]", GLUE_HEAD)
    (total,) = (each for each in found.measurements if each.name == "current with every load on")
    shares = [float(each) for each in re.findall(r"(\d+\.\d+) A", total.note)]
    assert len(shares) == 6
    assert sum(shares) == pytest.approx(float(total.value), abs=0.005 * len(shares))
    assert "fan nozzle 0.10 A" in total.note


@pytest.mark.parametrize(
    ("old", "key", "values"),
    [
        ("power_awg = 20", "power_awg", (0, 9, 11, 19, 29, 30)),
        ("fuse_a = 5.0", "fuse_a", (2.2, 60.0)),
        ("sample_point_percent = 75.0", "sample_point_percent", (50.0, 94.9)),
    ],
)
def test_what_a_description_may_say_is_computed(old: str, key: str, values: tuple[float, ...]) -> None:
    """A value that the file takes is judged, never an error in the middle of a run."""
    for value_given in values:
        for check in (PAIR, TIMING):
            assert desk(check, edited((old, f"{key} = {value_given}"))).measurements


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("power_awg = 20", "power_awg = 31", "a whole number from 0 to 30"),
        ("fuse_a = 5.0", "fuse_a = 61.0", "at most 60"),
        ("sample_point_percent = 75.0", "sample_point_percent = 49.9", "of 50 or more, below 95"),
    ],
)
def test_what_no_table_knows_is_refused_with_its_place(old: str, new: str, expected: str) -> None:
    """Found when the file is read, with the key."""
    with pytest.raises(DescriptionError, match=expected):
        load_text(edited((old, new)), FIXTURES)


@pytest.mark.parametrize(
    ("length_m", "says"),
    [
        ("2.4", "the rule of the trade binds"),
        ("30.0", "the computed drop binds"),
        ("900.0", "no gauge in the table; the computed drop binds"),
    ],
)
def test_it_is_said_which_gauge_binds(length_m: str, says: str) -> None:
    """20 AWG for a heater is common practice, no source; over a long pair the drop needs more, at last more than there is."""
    found = desk(PAIR, edited(("length_m = 2.4              # one way", f"length_m = {length_m}")))
    (gauge,) = (each for each in found.measurements if each.name == "gauge of the power pair")
    assert says in gauge.note


LASTING = "current of a short that may last"


@pytest.mark.parametrize(("limit_a", "fails"), [(30.0, [LASTING]), (11.1, [LASTING]), (11.0, [])])
def test_a_pair_without_a_fuse_bears_what_the_supply_gives(limit_a: float, fails: list[str]) -> None:
    """20 AWG bears 11 A (chassis column of the Handbook of Electronic Tables and Formulas): nothing else ends a short."""
    fuse = re.search(r"fuse_a = .*\n", GLUE_HEAD)
    assert fuse
    found = desk(PAIR, edited((fuse.group(), ""), ("current_limit_a = 5.0", f"current_limit_a = {limit_a}")))
    assert failed(found) == fails
    (lasting,) = (each for each in found.measurements if each.name == LASTING)
    assert ("a fuse of 2.85 A to 11 A, or the supply's limit set to 11 A or less" in lasting.note) == (
        limit_a == 30.0
    )


@pytest.mark.parametrize(
    ("fuse_a", "limit_a", "length_m", "fails"),
    [
        (10.0, 18.0, 2.4, [LASTING]),
        (9.0, 18.0, 2.4, []),
        (10.0, 20.0, 2.4, []),
        (10.0, 11.0, 2.4, []),
        (6.0, 30.0, 40.0, [LASTING]),
        (5.0, 30.0, 40.0, []),
    ],
)
def test_a_fuse_that_may_stay_whole_must_leave_the_wire_cold(
    fuse_a: float, limit_a: float, length_m: float, fails: list[str]
) -> None:
    """UL 248-14: from 200 % on it opens within 2 min, at 135 % only within an hour. 20 AWG bears 11 A; 40 m of it, there and
    back, have 2.7 ohm, so that a short at the far end draws 9 A and one on the way up to 30 A.
    """
    found = desk(
        PAIR,
        edited(
            ("fuse_a = 5.0", f"fuse_a = {fuse_a}"),
            ("current_limit_a = 5.0", f"current_limit_a = {limit_a}"),
            ("length_m = 2.4 ", f"length_m = {length_m} "),
        ),
    )
    assert [each for each in failed(found) if not each.startswith("drop")] == fails
    if fails:
        assert "may stay whole" in found.failed[-1].note
        assert "thicker wire" in found.failed[-1].note


def test_a_clock_that_does_not_divide_is_told_in_ppm() -> None:
    """11.0592 MHz makes no 1 Mbit/s: the nearest is 5 % off (11 quanta of one clock: +5,382 ppm), and that is said."""
    measure = desk(
        TIMING,
        edited(
            (
                "length_m = 2.4              # from end",
                "adapter_clock_hz = 11_059_200\nlength_m = 2.4 # from end",
            )
        ),
    )
    assert value(measure, "bit rate of adapter, off by") == pytest.approx(
        11_059_200 / 11 / 1e6 * 1e6 - 1e6, abs=1
    )
    assert "bit rate of adapter, off by" in failed(measure)


def test_a_clock_that_divides_is_exact() -> None:
    """48 MHz, the clock of many USB adapters, makes 1 Mbit/s exactly."""
    measure = desk(
        TIMING,
        edited(
            (
                "length_m = 2.4              # from end",
                "adapter_clock_hz = 48_000_000\nlength_m = 2.4 # from end",
            )
        ),
    )
    assert value(measure, "bit rate of adapter, off by") == 0.0
    assert failed(measure) == []


def test_an_rc_oscillator_in_the_node_leaves_no_room() -> None:
    """2 % off is more than any timing allows (1.58 % at best, Bosch chapter 8)."""
    measure = desk(
        TIMING, edited(('firmware = "1.4.0" ', 'can_clock_tolerance_ppm = 20_000.0\nfirmware = "1.4.0" '))
    )
    assert failed(measure) == ["clocks of adapter and head, room left"]
    assert any("may be" in note and "apart" in note for note in measure.notes)


def test_without_a_jump_width_the_least_is_reckoned_with() -> None:
    """Clocks 0.3 % off each: with one quantum of 20 they may be 0.5 % apart (SJW / (20 NBT) each, Bosch chapter 8), with
    four 1.2 %: then the error flag limits, 3 of 14 quanta being left before the sample by 534 ns of way. A jump longer than phase segment 2 is none.
    """
    clocks = (
        (LENGTH, "adapter_clock_tolerance_ppm = 3000.0\n" + LENGTH),
        ('firmware = "1.4.0" ', 'can_clock_tolerance_ppm = 3000.0\nfirmware = "1.4.0" '),
    )
    room = "clocks of adapter and head, room left"
    unsaid = desk(TIMING, edited(*clocks))
    assert failed(unsaid) == [room]
    assert value(unsaid, room) == pytest.approx(5000 - 6000)
    told = next(each for each in unsaid.measurements if each.name == "jump width of head")
    assert (told.value, told.note) == (1, "not given, so the least is reckoned with")
    both = (
        (LENGTH, "adapter_jump_quanta = 4\n" + LENGTH),
        ('firmware = "1.4.0" ', 'jump_quanta = {}\nfirmware = "1.4.0" '),
    )
    wide = desk(TIMING, edited(*clocks, both[0], (both[1][0], both[1][1].format(4))))
    assert failed(wide) == []
    assert value(wide, room) == pytest.approx(1e6 * 2 * 3 / (2 * (13 * 20 - 5)) - 6000)
    too_wide = desk(TIMING, edited((both[1][0], both[1][1].format(6))))
    assert failed(too_wide) == ["jump width of head"]


def test_sample_points_apart_are_found() -> None:
    """Two defaults, 75 % and 87.5 %, are no agreement."""
    measure = desk(
        TIMING, edited(('firmware = "1.4.0" ', 'sample_point_percent = 87.5\nfirmware = "1.4.0" '))
    )
    assert "sample points of adapter and head, apart by" in failed(measure)


def test_a_cable_too_long_for_the_sample_point_is_found() -> None:
    """40 m and two slow transceivers answer after 910 ns; a bit of 1 us is sampled after 750 ns."""
    measure = desk(TIMING, edited(("length_m = 2.4              # from end", "length_m = 40.0 # from end")))
    assert value(measure, "way from adapter to head and back, against the sample of adapter") == 910.0
    assert len([name for name in failed(measure) if name.startswith("way from adapter")]) == 2


@pytest.mark.parametrize(
    ("twists", "apart", "outcome"),
    [
        ("twists_per_m = 40.0", "", "not judged"),
        ("twists_per_m = 40.0", "load_wires_distance_m = 0.0027", "passed"),
        ("twists_per_m = 0.0", "load_wires_distance_m = 0.005", "may disturb"),
        ("twists_per_m = 0.0", "load_wires_distance_m = 0.002", "may disturb"),
        ("twists_per_m = 0.0", "load_wires_distance_m = 0.0016", "failed"),
        ("", "load_wires_distance_m = 0.0027", "not judged"),
    ],
)
def test_a_straight_pair_in_one_bundle_with_the_loads_is_found(twists: str, apart: str, outcome: str) -> None:
    """Judged only where the description says how the wires lie. 2.4 m beside a heater that switches 24 V and its current in
    200 ns, by the formulas of physics/edges.py: 1.6 V where the wires touch, 1.3 V at 2 mm, a third of a volt at 5 mm,
    hundredths with a twist. They are right to a factor of 3, so only from 1.5 V on a pulse is above 0.5 V for certain.
    """
    found = desk("desk.line[can]", edited(("twists_per_m = 40.0", f"{twists}\n{apart}")))
    label = "pulse that a load's edge makes in the pair"
    (pulse,) = (each for each in found.measurements if each.name == label)
    assert failed(found) == ([label] if outcome == "failed" else [])
    assert ("not judged" in pulse.note) == (outcome == "not judged") == (pulse.verdict == "noted")
    assert ("may disturb" in pulse.note) == (outcome == "may disturb")
    assert "by heater reservoir" in pulse.note or "20 mm" in pulse.note


def test_a_message_that_can_come_too_late_is_named() -> None:
    """A deadline of 0.3 ms is shorter than error, blocking and transfer together; the others still hold."""
    measure = desk(TRAFFIC, edited(("deadline_s = 0.004 ", "deadline_s = 0.0003 ")))
    assert failed(measure) == ["worst response of glue demand", "messages that may miss their deadline"]
    late = next(each for each in measure.measurements if each.name.startswith("messages that may"))
    assert late.note == "glue demand"
    assert any(
        "MISSED" in line for note in measure.notes for line in note.splitlines() if "glue demand" in line
    )


def test_too_much_traffic_has_no_bound() -> None:
    """Ten times the traffic of a slow bus is more than all of its time."""
    measure = desk(TRAFFIC, edited(("bit_rate_bps = 1_000_000", "bit_rate_bps = 20_000")))
    assert "utilisation by the planned traffic, at worst" in failed(measure)
    assert value(measure, "worst response of heartbeat of the gantry") == float("inf")


def test_the_trade_floor_is_shown_beside_what_the_deadlines_need() -> None:
    """Without the 1 ms deadline and errors a slower bus would do; the floor of the trade is then what binds."""
    text = edited(("deadline_s = 0.001", "deadline_s = 0.01"), ("traffic_error_interval_s = 0.05", "# "))
    lowest = next(
        each for each in desk(TRAFFIC, text).measurements if each.name.startswith("lowest standard bit rate")
    )
    assert isinstance(lowest.value, float)
    assert lowest.value < 500.0
    assert "500 kbit/s" in lowest.note
    assert "trade's floor binds" in lowest.note


def test_without_planned_traffic_nothing_is_judged() -> None:
    """No plan is no failure; it is said."""
    measure = desk(TRAFFIC, without_traffic())
    assert [each.verdict for each in measure.measurements] == ["noted", "noted"]
    assert "no traffic is planned" in measure.notes[0]
    assert "500 kbit/s" in (measure.measurements[1].note or "")


DBC = """VERSION ""
NS_ :
BS_:
BU_: gantry head
BO_ 261 Demand: 8 gantry
 SG_ amount : 0|16@1+ (1,0) [0|0] "" head
BO_ 2566844672 Wide: 8 head
 SG_ value : 0|16@1+ (1,0) [0|0] "" gantry
BO_ 389 Rare: 4 head
 SG_ value2 : 0|16@1+ (1,0) [0|0] "" gantry
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 261 10;
BA_ "GenMsgCycleTime" BO_ 2566844672 20;
"""


FORMATS = (
    '"StandardCAN","ExtendedCAN",' + ",".join(['"reserved"'] * 12) + ',"StandardCAN_FD","ExtendedCAN_FD";'
)


@pytest.fixture
def with_database(tmp_path: Path) -> Path:
    for name in ("glue_head.eds",):
        shutil.copy(FIXTURES / name, tmp_path)
    (tmp_path / "plan.dbc").write_text(DBC, encoding="utf-8")
    return tmp_path


def database_text() -> str:
    return without_traffic(edited(("traffic_error_interval_s = 0.05", 'traffic_database = "plan.dbc"\n# ')))


def test_traffic_is_read_from_a_database(with_database: Path) -> None:
    """Cycle times of a DBC file are periods; 29-bit identifiers count their longer frames; the rest is named."""
    measure = desk(TRAFFIC, database_text(), with_database)
    assert value(measure, "planned messages") == 2
    share = 100 * (135 / 10_000 + 160 / 20_000)  # worst-case bits over microseconds at 1 Mbit/s
    assert value(measure, "utilisation by the planned traffic, at worst") == pytest.approx(share)
    assert any("Rare" in note for note in measure.notes)


def test_can_fd_messages_are_named_and_left_out(with_database: Path) -> None:
    """By their length or by their frame format; the classic ones are computed all the same."""
    text = (
        DBC.replace("389 Rare: 4", "389 Rare: 64").replace(
            "BA_DEF_DEF_", 'BA_DEF_ BO_ "VFrameFormat" ENUM ' + FORMATS + "\nBA_DEF_DEF_"
        )
        + 'BA_ "GenMsgCycleTime" BO_ 389 50;\nBA_ "VFrameFormat" BO_ 2566844672 15;\n'
    )
    (with_database / "plan.dbc").write_text(text, encoding="utf-8")
    measure = desk(TRAFFIC, database_text(), with_database)
    assert value(measure, "planned messages") == 1
    note = next(note for note in measure.notes if "CAN FD" in note)
    assert "Rare" in note
    assert "Wide" in note


def test_planned_load_without_a_planned_period_is_refused(with_database: Path) -> None:
    """At loading: which file, why, and what to do. The arithmetic itself refuses too, and does not fall over."""
    planned = database_text().replace('pattern = "varied"', 'pattern = "planned"')
    assert load_text(planned, with_database).description.bus[0].load_test.pattern == "planned"
    text = "\n".join(line for line in DBC.splitlines() if not line.startswith("BA_ "))
    (with_database / "plan.dbc").write_text(text + "\n", encoding="utf-8")
    with pytest.raises(DescriptionError, match="no cycle time") as caught:
        load_text(planned, with_database)
    assert "plan.dbc" in str(caught.value)
    assert "[[bus.traffic]]" in str(caught.value)
    bus = load_text(database_text(), with_database).description.bus[0]
    with pytest.raises(UsageError, match="no classic message with a period"):
        _load.planned_frames(bus, with_database, [(0x790, False)], random.Random(1))


def test_without_the_library_the_message_says_what_to_install(
    with_database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """cantools is optional; who names a DBC file is told how to get it."""
    real = builtins.__import__

    def without(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("cantools"):
            raise ImportError(name)
        return real(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match="hiltest\\[dbc\\]"):
        _traffic.from_database(with_database / "plan.dbc")


def test_a_file_that_is_no_database_is_refused(tmp_path: Path) -> None:
    """The message names the file."""
    (tmp_path / "bad.dbc").write_text("BO_ what", encoding="utf-8")
    with pytest.raises(UsageError, match=r"bad\.dbc"):
        _traffic.from_database(tmp_path / "bad.dbc")
