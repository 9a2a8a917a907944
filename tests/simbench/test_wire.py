"""The wire: durations, arbitration, what goes wrong on it, and what every station makes of that."""

import random
from dataclasses import replace
from itertools import accumulate, pairwise

import pytest

from hiltest.canbus.frame import Frame
from hiltest.canbus.frames import length_bits
from hiltest.physics.line import Leak, LineNetwork, Tap, Terminator
from hiltest.simbench.controller import Controller, Timing
from hiltest.simbench.events import EventQueue
from hiltest.simbench.reception import Cabling
from hiltest.simbench.wire import Wire

BIT_NS = 1000
FAST = Timing(1_000_000)
JOINED_NS = 100_000
MS = 1_000_000


class Bus:
    """A wire with stations that note what they are told."""

    def __init__(self, *names, timing=FAST, line=None, cabling=None, seed=1):
        self.queue = EventQueue()
        self.wire = Wire(self.queue, random.Random(seed), line=line, cabling=cabling)
        self.heard = []
        self.errors = []
        self.states = []
        self.sent = []
        self.stations = {}
        for name in names:
            self.add(name, timing)
        self.queue.run_until(JOINED_NS)

    def add(self, name, timing=FAST, **options):
        station = Controller(self.wire, name, timing, **options)
        station.on_frame(lambda frame: self.heard.append((name, frame, self.queue.now_ns)))
        station.on_sent(lambda frame: self.sent.append((name, frame, self.queue.now_ns)))
        station.on_error(lambda error: self.errors.append((name, error)))
        station.on_state(lambda state: self.states.append((name, state, self.queue.now_ns)))
        self.stations[name] = station
        return station

    def __getitem__(self, name):
        return self.stations[name]

    def run(self, ns):
        self.queue.run_until(self.queue.now_ns + ns)

    def kinds(self, name):
        return {error.kind for who, error in self.errors if who == name}


def pair_line(*names, length_m=2.4, ohms=(120.0, 120.0), **changes):
    """A terminated pair with its taps spread evenly."""
    step = length_m / max(1, len(names) - 1)
    taps = tuple(Tap(name, k * step) for k, name in enumerate(names))
    terminators = tuple(Terminator(at, ohm) for at, ohm in zip((0.0, length_m), ohms, strict=False))
    return LineNetwork(taps, terminators, length_m=length_m, **changes)


# --- frames that go well ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "frame",
    [
        Frame(0x123, bytes(range(8))),
        Frame(0x000, bytes(8)),
        Frame(0x7FF, b""),
        Frame(0x12345678, b"\xff" * 8, extended=True),
        Frame(0x123, b"", remote=True, remote_dlc=8),
    ],
    ids=repr,
)
def test_a_frame_takes_exactly_its_bits(frame):
    """From start to end of frame, stuff bits counted; the wire is free three bits later."""
    bus = Bus("a", "b", "c")
    start = bus.queue.now_ns
    bits = length_bits(frame, intermission=False)

    bus["a"].send(frame)
    bus.run(1 * MS)

    assert [(who, got) for who, got, _ in bus.heard] == [("b", frame), ("c", frame)]
    assert {at for _, _, at in bus.heard} == {start + bits * BIT_NS}
    assert bus.heard[0][1].t_ns == start + bits * BIT_NS
    assert bus.wire.busy_ns == (bits + 3) * BIT_NS


def test_saturating_stations_fill_the_bus_without_a_gap():
    """Back to back frames are their own lengths apart: busy all the time, and all are delivered."""
    bus = Bus("a", "b", "c")
    for name in "ab":
        for number in range(32):
            bus[name].send(Frame(0x100 + ord(name), bytes([number]) * 8))
    total = sum(
        length_bits(Frame(0x100 + ord(name), bytes([number]) * 8)) for name in "ab" for number in range(32)
    )

    bus.run(total * BIT_NS)

    assert bus.wire.frames == 64
    assert bus.wire.busy_ns == total * BIT_NS
    assert sum(who == "c" for who, _, _ in bus.heard) == 64


def test_frames_alike_but_for_their_format_keep_their_own_lengths_and_order():
    """An empty data frame, a remote frame and a 29-bit frame of one number, each time they come again."""
    kinds = [
        Frame(0x020, b""),
        Frame(0x020, b"", remote=True),
        Frame(0x020, b"", remote=True, remote_dlc=8),
        Frame(0x020, b"", extended=True),
        Frame(0x020, b"", extended=True, remote=True, remote_dlc=4),
    ]
    assert len({length_bits(frame) for frame in kinds}) > 2
    frames = kinds + kinds[::-1] + kinds
    bus = Bus("a", "b")

    start = bus.queue.now_ns
    bus["a"].send_many(frames)
    bus.run(3 * MS)

    heard = [got for who, got, _ in bus.heard if who == "b"]
    assert heard == frames
    ends = list(accumulate([length_bits(frame) * BIT_NS for frame in frames], initial=start))[1:]
    assert [got.t_ns + 3 * BIT_NS for got in heard] == ends


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (Frame(0x100, b"x"), Frame(0x101, b"x")),
        (Frame(0x123, b"x"), Frame(0x123, b"", remote=True, remote_dlc=1)),
        (Frame(0x123, b"x"), Frame(0x123 << 18, b"x", extended=True)),
        (Frame(0x123, b"", remote=True), Frame(0x123 << 18 | 1, b"", extended=True)),
        (Frame(0x1000, b"x", extended=True), Frame(0x1001, b"x", extended=True)),
    ],
    ids=["lower id", "data before remote", "standard before extended", "even remote", "extended"],
)
def test_arbitration_is_won_by_the_dominant_bit(first, second):
    """Both start together; the winner is not delayed, the loser follows right after (ISO 11898-1)."""
    bus = Bus("a", "b", "c")

    bus["a"].send(second)
    bus["b"].send(first)
    bus.run(1 * MS)

    assert [frame for who, frame, _ in bus.heard if who == "c"] == [first, second]
    gap = bus.heard[-1][2] - bus.heard[0][2]
    assert gap == length_bits(second) * BIT_NS
    assert bus.errors == []


def test_a_frame_queued_in_the_intermission_takes_part_in_the_next_arbitration():
    """Priority counts up to the start of frame, not up to the end of the frame before."""
    bus = Bus("a", "b", "c")
    bus["a"].send(Frame(0x300, b"1"))
    bus["a"].send(Frame(0x301, b"2"))
    end = bus.queue.now_ns + length_bits(Frame(0x300, b"1"), False) * BIT_NS
    bus.queue.at(end + 2 * BIT_NS, bus["b"].send, Frame(0x010, b"!"))

    bus.run(1 * MS)

    assert [frame.can_id for who, frame, _ in bus.heard if who == "c"] == [0x300, 0x010, 0x301]


def test_a_frame_is_a_fifo_behind_its_own_station_even_if_it_is_urgent():
    """Priority inversion: a first-in-first-out queue holds back the urgent frame, a sorted one does not."""
    order = {}
    for by_priority in (False, True):
        bus = Bus("b")
        bus.add("a", by_priority=by_priority)
        bus.run(1 * MS)
        for can_id in (0x500, 0x501, 0x001):
            bus["a"].send(Frame(can_id))
        bus.run(1 * MS)
        order[by_priority] = [frame.can_id for _, frame, _ in bus.heard]

    assert order[False] == [0x500, 0x501, 0x001]
    assert order[True] == [0x001, 0x500, 0x501]


# --- nobody acknowledges ------------------------------------------------------------------------------


def test_a_lone_station_becomes_passive_after_16_tries_and_never_goes_off():
    """Bosch CAN specification, fault confinement, rule 3, first exception: TEC stops at 128, REC stays 0."""
    bus = Bus("a")
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(1000 * MS)

    counters = bus["a"].counters
    assert (counters.tx, counters.rx, bus["a"].state) == (128, 0, "passive")
    assert [state for _, state, _ in bus.states] == ["warning", "passive"]
    assert bus.kinds("a") == {"ack"}
    assert [error.tec for _, error in bus.errors[:16]] == list(range(8, 129, 8))
    assert {error.field for _, error in bus.errors} == {"ack"}
    assert bus.sent == []


def test_the_retry_rate_of_a_lone_station_is_that_of_frame_flag_delimiter_and_suspension():
    """Passive: frame up to the acknowledge slot, 6 + 8 bits, intermission 3, suspension 8."""
    bus = Bus("a")
    frame = Frame(0x123, bytes(range(8)))
    bus["a"].send(frame)
    bus.run(10 * MS)
    before = len(bus.errors)

    bus.run(100 * MS)

    up_to_slot = length_bits(frame, False) - 8
    bits = up_to_slot + 6 + 8 + 3 + 8
    assert len(bus.errors) - before == pytest.approx(100 * MS / (bits * BIT_NS), abs=1)
    times = [error.t_ns for _, error in bus.errors[-5:]]
    assert {later - earlier for earlier, later in pairwise(times)} == {bits * BIT_NS}


def test_a_station_that_comes_up_during_the_storm_ends_it():
    """The waiting frame arrives once, then the wire is silent; the sender's counter goes down by one."""
    bus = Bus("a")
    frame = Frame(0x123, b"now")
    bus["a"].send(frame)
    bus.run(50 * MS)

    bus.add("b")
    bus.run(50 * MS)

    assert [(who, got) for who, got, _ in bus.heard] == [("b", frame)]
    assert bus["a"].counters.tx == 127
    assert bus["a"].waiting == 0


def test_flushing_ends_the_storm():
    """What was thrown away is not tried again."""
    bus = Bus("a")
    bus["a"].send(Frame(0x123, b"x"))
    bus.run(50 * MS)

    bus["a"].flush()
    bus.run(1 * MS)
    count = len(bus.errors)
    bus.run(10 * MS)

    assert len(bus.errors) == count


def test_a_listener_does_not_acknowledge():
    """In listen-only mode a station hears the tries but neither acknowledges nor counts."""
    bus = Bus("a", "b")
    bus["b"].listen_only = True
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(20 * MS)

    assert bus["a"].counters.tx == 128
    assert (bus["b"].counters.tx, bus["b"].counters.rx) == (0, 0)
    assert bus.sent == []


def test_self_acknowledging_takes_silence_for_an_acknowledge():
    """Self-test mode: every frame is "sent" with nobody there, and comes back as received."""
    bus = Bus("a")
    bus["a"].self_acknowledging = True
    frame = Frame(0x123, b"x")
    bus["a"].send(frame)

    bus.run(10 * MS)

    assert [got for _, got, _ in bus.sent] == [frame]
    assert [(who, got) for who, got, _ in bus.heard] == [("a", frame)]
    assert bus["a"].counters.tx == 0


def test_one_shot_gives_up_after_one_try():
    """No second try, so one error and a queue that is empty."""
    bus = Bus("a")
    dropped = []
    bus["a"].on_dropped(dropped.append)
    bus["a"].one_shot = True
    bus["a"].send(Frame(0x123, b"x"))

    bus.run(10 * MS)

    assert len(bus.errors) == 1
    assert dropped == [Frame(0x123, b"x")]
    assert bus["a"].waiting == 0


def test_one_shot_gives_up_a_lost_arbitration():
    """The loser's frame is gone without any error (that is the danger of the mode)."""
    bus = Bus("a", "b", "c")
    bus["b"].one_shot = True
    bus["a"].send(Frame(0x100, b"x"))
    bus["b"].send(Frame(0x200, b"x"))

    bus.run(10 * MS)

    assert [frame.can_id for who, frame, _ in bus.heard if who == "c"] == [0x100]
    assert bus.errors == []


@pytest.mark.parametrize("case", ["lone", "no terminator"])
def test_the_short_way_through_a_storm_counts_what_the_long_way_counts(case, monkeypatch):
    """Errors told, error frames, busy time and counters are the same, whether a steady storm is cut short or not."""

    def run():
        bus = Bus("a") if case == "lone" else Bus("a", "b", line=pair_line("a", "b", ohms=()))
        bus["a"].send(Frame(0x123, bytes(range(8))))
        bus.run(60 * MS)
        counters = [(station.counters.tx, station.counters.rx) for station in bus.stations.values()]
        told = sorted((error.t_ns, who, error) for who, error in bus.errors if error.t_ns < 55 * MS)
        return bus, counters, told

    short, short_counters, short_told = run()
    monkeypatch.setattr("hiltest.simbench.crossing.is_steady", lambda *_: False)
    long, long_counters, long_told = run()

    assert short_told == long_told
    assert short_counters == long_counters
    assert short.wire.error_frames == pytest.approx(long.wire.error_frames, abs=2)
    assert short.wire.busy_ns == pytest.approx(long.wire.busy_ns, abs=300_000)


@pytest.mark.parametrize("seed", range(8))
def test_many_tries_in_one_go_are_as_many_single_ones(seed, monkeypatch):
    """A listener that wants one error a millisecond, and frames, flushes and a second station at odd times."""

    def run():
        choose = random.Random(seed)
        bus = Bus("a")
        told = []

        def next_told_ns():
            return told[-1].t_ns + MS if told else 0

        def take(error):
            if error.t_ns >= next_told_ns():
                told.append(error)

        bus["a"]._error_calls = (take,)
        bus["a"].told_from = next_told_ns
        bus["a"].send(Frame(0x123, b"first"))
        bus.run(30 * MS)
        looks = []
        for _ in range(40):
            what = choose.choice(("send", "flush", "look", "wait"))
            if what == "send":
                bus["a"].send(Frame(choose.randrange(0x800), bytes(choose.randrange(9))))
            elif what == "flush":
                bus["a"].flush()
            elif what == "look":
                looks.append((bus.queue.now_ns, bus.wire.error_frames, bus.wire.busy_ns, bus.wire.occupied))
            bus.run(choose.randrange(1, 4 * MS))
        bus["a"].send(Frame(0x7F, b"last"))
        bus.run(20 * MS)
        tries = bus.wire.error_frames
        bus.add("b")
        bus.run(20 * MS)
        return told, looks, tries, [(who, got, at) for who, got, at in bus.heard], bus["a"].counters.tx

    at_once = run()
    monkeypatch.setattr("hiltest.simbench.storm.Storm.tries_until", lambda *_: 1)
    assert at_once == run()
    assert len(at_once[0]) > 50


@pytest.mark.parametrize("seed", range(6))
def test_frames_that_land_one_after_the_other_land_as_those_that_take_the_heap(seed, monkeypatch):
    """Batches of three stations, answers from inside what is told, power, flushes, noise and looks at odd times."""

    def run():
        choose = random.Random(seed)
        bus = Bus("a", "b", "c", seed=seed)
        answers = iter(range(1, 1000))

        def answer(frame):
            if frame.can_id & 0x0F == 0:
                bus["c"].send(Frame(0x050, bytes([next(answers) & 0xFF])))
            if frame.can_id & 0x1F == 3:
                bus["b"].flush()

        bus["c"].on_frame(answer)
        looks, ticks = [], []
        bus.queue.every(370_000, lambda: ticks.append((bus.queue.now_ns, bus.wire.frames, bus.wire.occupied)))
        for _ in range(30):
            name = choose.choice("abc")
            what = choose.choice(("batch", "batch", "batch", "flush", "power", "noise", "look"))
            if what == "batch":
                frames = [
                    Frame(choose.randrange(0x800), choose.randbytes(choose.randrange(9))) for _ in range(12)
                ]
                bus[name].send_many(frames)
            elif what == "flush":
                bus[name].flush()
            elif what == "power":
                bus[name].set_power(False)
                bus.queue.after(choose.randrange(MS), bus[name].set_power, True)
            elif what == "noise":
                bus.wire.set_noise(choose.choice((0.0, 300.0)), 5e-6)
            looks.append((bus.wire.frames, bus.wire.busy_ns, bus.wire.error_frames, bus.wire.occupied))
            bus.run(choose.randrange(1, 3 * MS))
        return looks, ticks, bus.heard, bus.sent, [(who, *error) for who, error in bus.errors], bus.states

    passed = 0
    pass_to = EventQueue.pass_to

    def counted(queue, when_ns):
        nonlocal passed
        passed += (may := pass_to(queue, when_ns))
        return may

    monkeypatch.setattr(EventQueue, "pass_to", counted)
    at_once = run()
    monkeypatch.setattr(EventQueue, "pass_to", lambda *_: False)

    assert at_once == run()
    assert passed > 20


# --- two with one identifier --------------------------------------------------------------------------


def test_one_identifier_with_different_data_ends_in_bit_errors():
    """Neither loses the arbitration: the recessive data bit that is seen dominant is an error of its sender."""
    bus = Bus("a", "b", "c")
    bus["a"].send(Frame(0x705, b"\x7f"))
    bus["b"].send(Frame(0x705, b"\x05"))

    bus.run(1 * MS)

    first = bus.errors[0][1]
    assert (bus.errors[0][0], first.kind, first.field, first.on_tx) == ("a", "bit1", "data", True)
    assert bus.wire.error_frames >= 1
    assert bus["c"].counters.rx > 0 or any(who == "c" for who, _ in bus.errors)


def test_one_identifier_with_equal_data_goes_unnoticed():
    """Two stations that send the very same frame at the same time are one to everybody."""
    bus = Bus("a", "b", "c")
    frame = Frame(0x705, b"\x05")
    bus["a"].send(frame)
    bus["b"].send(frame)

    bus.run(1 * MS)

    assert [got for who, got, _ in bus.heard if who == "c"] == [frame]
    assert {who for who, _, _ in bus.sent} == {"a", "b"}
    assert bus.errors == []


# --- the line -----------------------------------------------------------------------------------------


def test_a_sound_line_changes_nothing():
    """The same frames at the same times with copper as without."""
    frames = [Frame(0x100 + k, bytes([k]) * 8) for k in range(8)]
    heard = []
    for line in (None, pair_line("a", "b", "c")):
        bus = Bus("a", "b", "c", line=line)
        for frame in frames:
            bus["a"].send(frame)
        bus.run(10 * MS)
        assert bus.errors == []
        heard.append(bus.heard)

    assert heard[0] == heard[1]


def test_a_short_between_h_and_l_sends_the_sender_off_within_32_tries_of_26_bits():
    """No bit can be made dominant: bit0 from the start of frame on, bus-off within 832 bits."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(lambda line: replace(line, leaks=(Leak("H", "L", 1.0, 0.5),)))
    start = bus.queue.now_ns
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(10 * MS)

    assert bus["a"].state == "off"
    off_at = next(at for who, state, at in bus.states if (who, state) == ("a", "off"))
    assert off_at - start <= 26 * 32 * BIT_NS
    assert bus.errors[0][1].kind == "bit0"
    assert bus.errors[0][1].field == "sof"
    assert (bus["b"].counters.rx, bus.heard) == (0, [])


@pytest.mark.parametrize("leak", [Leak("H", "GND", 1.0, 0.5), Leak("L", "SUPPLY", 1.0, 0.5)], ids=repr)
def test_h_to_ground_and_l_to_supply_end_all_communication(leak):
    """The published table of single line faults: these two lose all communication."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(lambda line: replace(line, leaks=(leak,)))
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(50 * MS)

    assert bus.heard == []
    assert bus["a"].state in ("off", "passive")


def test_l_to_ground_lets_traffic_go_on():
    """The same table: H still swings, so a message test passes and only a voltmeter tells."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(lambda line: replace(line, leaks=(Leak("L", "GND", 1.0, 0.1),)))
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(50 * MS)

    assert len(bus.heard) == 1


def test_a_cut_pair_at_one_station_is_silence():
    """Both wires open at b: pure acknowledge errors from the first frame, then passive for ever."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(
        lambda line: replace(
            line, taps=tuple(replace(t, open_h=True, open_l=True) if t.name == "b" else t for t in line.taps)
        )
    )
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(50 * MS)

    assert bus.kinds("a") == {"ack"}
    assert (bus["a"].counters.tx, bus["a"].counters.rx) == (128, 0)
    assert bus["b"].counters.rx == 0


def test_swapped_h_and_l_at_one_station_is_silence_to_its_receiver():
    """A swapped receiver sees -2 V as recessive: the sender is alone, with acknowledge errors only."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(
        lambda line: replace(
            line, taps=tuple(replace(t, swapped=True) if t.name == "b" else t for t in line.taps)
        )
    )
    bus["a"].send(Frame(0x123, bytes(8)))

    bus.run(50 * MS)

    assert bus.kinds("a") == {"ack"}
    assert bus.heard == []


def test_one_terminator_missing_on_a_short_line_shows_no_error():
    """The fault that only an ohmmeter finds: the swing rises, nothing fails on 2.4 m."""
    bus = Bus("a", "b", line=pair_line("a", "b", ohms=(120.0,)))
    for k in range(20):
        bus["a"].send(Frame(0x100 + k, bytes([k]) * 8))

    bus.run(20 * MS)

    assert bus.errors == []
    assert len(bus.heard) == 20


def test_no_terminator_at_all_disturbs_at_1_mbit_and_not_at_50_kbit():
    """The recessive edge needs microseconds to fall: longer than a bit at 1 Mbit/s."""
    for rate, fails in ((1_000_000, True), (50_000, False)):
        bus = Bus("a", "b", timing=Timing(rate), line=pair_line("a", "b", ohms=()))
        bus.run(2 * MS)
        bus["a"].send(Frame(0x123, bytes(range(8))))
        bus.run(100 * MS)
        assert bool(bus.errors) is fails, rate
        assert (len(bus.heard) == 1) is not fails, rate


def test_a_line_too_long_for_the_bit_rate_loses_the_acknowledge():
    """The answer comes back after the sample point: there and back 2 x (5 ns/m x length + loop delay)."""
    for length_m, fails in ((10.0, False), (120.0, True)):
        bus = Bus("a", "b", line=pair_line("a", "b", length_m=length_m))
        bus["a"].send(Frame(0x123, b"x"))
        bus.run(5 * MS)
        assert bool(bus.errors) is fails, length_m


def test_a_later_sample_point_cures_a_line_that_is_just_too_long():
    """80 m at 1 Mbit/s: 75 % is too early, 90 % is not."""
    for sample_point, fails in ((0.75, True), (0.95, False)):
        timing = Timing(1_000_000, sample_point)
        bus = Bus("a", "b", timing=timing, line=pair_line("a", "b", length_m=60.0))
        bus["a"].send(Frame(0x123, b"x"))
        bus.run(5 * MS)
        assert bool(bus.errors) is fails, sample_point


def test_a_station_whose_ground_lies_9_v_off_is_out_of_its_neighbours_range():
    """Common mode outside -2 to +7 V (ISO 11898-2): what the other receiver says then means nothing."""
    line = pair_line("a", "b")
    off = replace(line, taps=(line.taps[0], replace(line.taps[1], ground_v=9.0)))
    bus = Bus("a", "b", line=off)
    bus["b"].send(Frame(0x123, bytes(range(8))))

    bus.run(20 * MS)

    assert bus.heard == []
    assert bus.kinds("a")


def test_a_line_that_breaks_in_the_middle_of_a_frame_destroys_that_frame():
    """A change of the line acts on the bits that are on the wire."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus["a"].send(Frame(0x123, bytes(8)))
    short = Leak("H", "L", 1.0, 0.0)
    bus.queue.after(50_000, bus.wire.change_line, lambda line: replace(line, leaks=(short,)))
    bus.queue.after(300_000, bus.wire.change_line, lambda line: replace(line, leaks=()))

    bus.run(60_000)
    assert bus.errors[0][1].kind == "bit0"
    assert bus.errors[0][1].t_ns - JOINED_NS == pytest.approx(50_000, abs=6_000)
    bus.run(5 * MS)

    assert len(bus.heard) == 1


def test_marginal_levels_misread_now_and_then_by_their_probability():
    """Noise on the level makes rare single errors: retried frames, all delivered in the end."""
    bus = Bus("a", "b", line=pair_line("a", "b"), cabling=Cabling(noise_v=0.19))
    frames = [Frame(0x100 + k % 16, bytes([k % 256]) * 8) for k in range(400)]
    for k, frame in enumerate(frames):
        bus.queue.at(bus.queue.now_ns + k * 200_000, bus["a"].send, frame)

    bus.run(400 * 200_000 + 50 * MS)

    assert 5 < len({error.t_ns for _, error in bus.errors}) < 400
    assert len(bus.heard) >= 400


# --- noise --------------------------------------------------------------------------------------------


def test_noise_bursts_cost_error_frames_and_delivery_still_succeeds():
    """Every frame arrives, some only after retries; the receivers count errors."""
    bus = Bus("a", "b")
    bus.wire.set_noise(rate_per_s=400, length_s=20e-6)
    for k in range(200):
        bus.queue.at(bus.queue.now_ns + k * 500_000, bus["a"].send, Frame(0x123, bytes([k]) * 8))

    bus.run(150 * MS)

    received = [frame.data[0] for who, frame, _ in bus.heard if who == "b"]
    assert set(received) == set(range(200))
    assert 10 < bus.wire.error_frames < 80


def test_noise_on_an_idle_wire_is_seen_too():
    """A burst looks like a start of frame that nobody sent."""
    bus = Bus("a", "b")
    bus.wire.set_noise(rate_per_s=200, length_s=20e-6)

    bus.run(200 * MS)

    assert bus.wire.error_frames > 10
    assert bus["a"].counters.rx > 0


def test_the_same_seed_makes_the_same_noise():
    """Two runs with one seed are equal to the nanosecond; another seed is another run."""

    def run(seed):
        bus = Bus("a", "b", seed=seed)
        bus.wire.set_noise(rate_per_s=500, length_s=10e-6)
        for k in range(50):
            bus.queue.at(bus.queue.now_ns + k * 500_000, bus["a"].send, Frame(0x123, bytes([k]) * 8))
        bus.run(50 * MS)
        return bus.heard, bus.errors

    assert run(3) == run(3)
    assert run(3) != run(4)


# --- bit rates ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [500_000, 250_000, 125_000, 800_000])
def test_a_station_at_another_bit_rate_and_the_sender_both_see_errors(rate):
    """The odd one sees stuff or form errors, the sender more than missing acknowledges at first."""
    bus = Bus("a")
    bus.add("odd", Timing(rate))
    bus.run(2 * MS)
    for k in range(5):
        bus["a"].send(Frame(0x123 + k, bytes(range(8))))

    bus.run(50 * MS)

    assert bus["odd"].counters.rx > 0
    assert bus.kinds("odd") & {"stuff", "form", "crc"}
    assert bus["a"].state in ("passive", "off")
    assert bus.kinds("a") - {"ack"}
    assert bus.heard == []


def test_an_odd_station_destroys_the_frames_of_the_others_while_it_is_active():
    """Three stations: the two that agree are disturbed by the third, whose own counters end it."""
    bus = Bus("a", "b")
    bus.add("odd", Timing(500_000))
    bus.run(2 * MS)
    for k in range(40):
        bus.queue.at(bus.queue.now_ns + k * 400_000, bus["a"].send, Frame(0x123, bytes([k]) * 8))

    bus.run(100 * MS)

    assert bus["odd"].state == "passive"
    assert {who for who, _ in bus.errors} == {"a", "b", "odd"}
    assert {frame.data[0] for who, frame, _ in bus.heard if who == "b"} == set(range(40))


def test_a_listener_at_the_wrong_rate_only_sees_errors_and_disturbs_nobody():
    """Listen-only at another rate: errors there, none for the others."""
    bus = Bus("a", "b")
    odd = bus.add("odd", Timing(500_000))
    odd.listen_only = True
    bus.run(2 * MS)
    for k in range(20):
        bus.queue.at(bus.queue.now_ns + k * 400_000, bus["a"].send, Frame(0x123, bytes([k]) * 8))

    bus.run(20 * MS)

    assert {who for who, _ in bus.errors} == {"odd"}
    assert {who for who, _, _ in bus.heard} == {"b"}
    assert (odd.counters.tx, odd.counters.rx) == (0, 0)


@pytest.mark.parametrize(("ppm", "fails"), [(100, False), (3_000, False), (25_000, True)])
def test_clocks_apart_fail_only_beyond_the_allowance(ppm, fails):
    """Data 0x3C gives the sparsest edges, one in ten bits: 2.5 % adds up to a quarter of a bit."""
    bus = Bus("a")
    bus.add("b", Timing(1_000_000, drift_ppm=ppm))
    bus.run(2 * MS)
    bus["a"].send(Frame(0x000, b"\x3c" * 8))

    bus.run(10 * MS)

    assert bool(bus.errors) is fails


def test_a_small_jump_width_lowers_the_allowance():
    """Clocks 0.8 % apart: half of phase segment 2 makes up for it, one of 40 quanta does not."""
    outcome = {}
    for jump in (5, 1):
        bus = Bus("a")
        bus.add("b", Timing(1_000_000, 0.75, 40, jump, drift_ppm=8_000))
        bus.run(2 * MS)
        bus["a"].send(Frame(0x000, b"\x3c" * 8))
        bus.run(10 * MS)
        outcome[jump] = bool(bus.errors)

    assert outcome == {5: False, 1: True}


# --- power and recovery -------------------------------------------------------------------------------


def test_losing_power_in_the_middle_of_a_frame_cuts_it_short():
    """The others see the rest recessive: a stuff error, and no frame."""
    bus = Bus("a", "b", "c")
    bus["a"].send(Frame(0x123, bytes(8)))
    bus.queue.after(40_000, bus["a"].set_power, False)

    bus.run(1 * MS)

    assert bus.heard == []
    assert bus.kinds("b") == {"stuff"}
    assert not bus["a"].send(Frame(1))


def test_losing_the_only_receiver_in_the_middle_of_a_frame_loses_the_acknowledge():
    """The frame that was on its way is not acknowledged any more."""
    bus = Bus("a", "b")
    bus["a"].send(Frame(0x123, bytes(8)))
    bus.queue.after(40_000, bus["b"].set_power, False)

    bus.run(150_000)

    assert bus.kinds("a") == {"ack"}
    assert bus.sent == []


def test_recovery_takes_128_times_11_recessive_bits():
    """1408 bits of an idle wire at 1 Mbit/s, then both counters are 0 (Bosch, rule 12)."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(lambda line: replace(line, leaks=(Leak("H", "L", 1.0, 0.0),)))
    bus["a"].send(Frame(0x123, bytes(8)))
    bus.run(5 * MS)
    assert bus["a"].state == "off"
    bus.wire.change_line(lambda line: replace(line, leaks=()))
    bus["a"].flush()
    bus.run(1 * MS)
    start = bus.queue.now_ns

    assert bus["a"].restart()
    bus.run(5 * MS)

    who, state, at = bus.states[-1]
    assert (who, state) == ("a", "active")
    assert at - start == 1408 * BIT_NS
    assert (bus["a"].counters.tx, bus["a"].counters.rx) == (0, 0)


def test_recovery_on_a_busy_wire_counts_one_sequence_for_each_frame():
    """Frames back to back hold one run of 11 recessive bits each, so recovery takes about 128 frames."""
    bus = Bus("a", "b", "c", line=pair_line("a", "b", "c"))
    bus.wire.change_line(lambda line: replace(line, leaks=(Leak("H", "L", 1.0, 0.0),)))
    bus["a"].send(Frame(0x123, bytes(8)))
    bus.run(5 * MS)
    bus.wire.change_line(lambda line: replace(line, leaks=()))
    bus["a"].flush()
    bus["b"].on_sent(lambda frame: bus["b"].send(frame))
    bus["b"].send(Frame(0x200, bytes(range(8))))
    bus.run(2 * MS)
    frames = bus.wire.frames

    bus["a"].restart()
    while bus["a"].state == "off":
        bus.run(100_000)

    assert 126 <= bus.wire.frames - frames <= 130


def test_without_a_restart_a_station_stays_off():
    """Nobody comes back by itself unless told to."""
    bus = Bus("a", "b", line=pair_line("a", "b"))
    bus.wire.change_line(lambda line: replace(line, leaks=(Leak("H", "L", 1.0, 0.0),)))
    bus["a"].send(Frame(0x123, bytes(8)))
    bus.run(5 * MS)
    bus.wire.change_line(lambda line: replace(line, leaks=()))

    bus.run(1000 * MS)

    assert bus["a"].state == "off"
    assert not bus["a"].send(Frame(1))


def test_a_stuck_output_stops_the_traffic_while_it_lasts():
    """Dominant for 2 ms: receivers count up, and afterwards the waiting frame goes out."""
    bus = Bus("a", "b", "c")
    bus["c"].hold_dominant(2 * MS)
    bus.queue.after(100_000, bus["a"].send, Frame(0x123, b"x"))

    bus.run(1 * MS)
    assert bus.heard == []
    assert bus["b"].counters.rx > 8
    bus.run(20 * MS)

    assert [got for who, got, _ in bus.heard if who == "b"] == [Frame(0x123, b"x")]


# --- what stations count ------------------------------------------------------------------------------


def test_a_good_frame_takes_one_off_the_counters():
    """Eight good frames make up for one failed one, on both sides."""
    bus = Bus("a", "b")
    bus["a"].counters.tx = 8
    bus["b"].counters.rx = 135
    bus.wire.changed()

    bus["a"].send(Frame(0x123, b"x"))
    bus.run(1 * MS)

    assert bus["a"].counters.tx == 7
    assert 119 <= bus["b"].counters.rx <= 127


def test_an_error_passive_sender_waits_eight_more_bits():
    """Suspend transmission: its next frame starts 11 bits after the one before, not 3."""
    bus = Bus("a", "b")
    bus["a"].counters.tx = 160
    bus["a"]._refresh_state()
    bus.wire.changed()
    for k in range(2):
        bus["a"].send(Frame(0x123, bytes([k])))

    bus.run(1 * MS)

    gap = bus.heard[1][2] - bus.heard[0][2]
    assert gap == (length_bits(Frame(0x123, b"\x01"), False) + 3 + 8) * BIT_NS


def test_a_can_fd_frame_is_destroyed_by_a_classic_station_and_passes_without_one():
    """The FDF bit is a form error to a controller that does not know it."""
    fd = Frame(0x123, bytes(12), fd=True)
    bus = Bus()
    for name in "ab":
        bus.add(name, fd=True)
    bus.run(1 * MS)
    bus["a"].send(fd)
    bus.run(1 * MS)
    assert [got for _, got, _ in bus.heard] == [fd]

    bus.add("old")
    bus.run(1 * MS)
    bus["a"].send(fd)
    bus.run(5 * MS)

    assert bus["a"].counters.tx > 0
    assert "form" in bus.kinds("old")


def test_a_node_at_twice_the_rate_can_fall_in_step_with_overload_frames_for_ever() -> None:
    """Neither side counts: a dominant bit in the last bit of a delimiter is answered by an overload frame (condition 3),
    and a stuff bit of the arbitration field that is sent recessive and seen dominant is exception 2 of rule 3 (Bosch,
    CAN 2.0, overload frame and fault confinement). Both stay error active, no frame comes through, and all that the
    slower one is told is its first error.
    """
    queue = EventQueue()
    wire = Wire(queue, random.Random(1))
    slow = Controller(wire, "slow", Timing(500_000))
    fast = Controller(wire, "fast", Timing(1_000_000))
    told: dict[str, list[tuple[str, str, int, int]]] = {"slow": [], "fast": []}
    for station in (slow, fast):
        station.on_error(lambda e, of=told[station.name]: of.append((e.kind, e.field, e.tec, e.rec)))
    queue.run_until(1_000_000)
    fast.send(Frame(0x705, b"\5"))
    queue.run_until(60_000_000)
    assert wire.frames == 0
    assert len(told["slow"]) == 1
    assert set(told["fast"][2:]) == {("stuff", "id", 8, 0)}
    assert len(told["fast"]) > 1000
    assert (slow.state, fast.state) == ("active", "active")
