"""Controllers: timing, counters against the rules, filters, queue, and the bit-by-bit state machine alone."""

import random

import pytest

from hiltest.canbus.confinement import ErrorCounters
from hiltest.canbus.frame import Frame
from hiltest.canbus.frames import frame_bits
from hiltest.errors import UsageError
from hiltest.simbench.controller import Controller, Counters, Timing
from hiltest.simbench.events import EventQueue
from hiltest.simbench.odds import in_step
from hiltest.simbench.station import Station
from hiltest.simbench.wire import Wire


def pair(**options):
    """A wire with two stations that have joined."""
    queue = EventQueue()
    wire = Wire(queue, random.Random(1))
    first = Controller(wire, "a", Timing(1_000_000), **options)
    second = Controller(wire, "b", Timing(1_000_000))
    queue.run_until(100_000)
    return queue, first, second


# --- timing -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("timing", "bit_ns", "sample_ns", "jump_ns"),
    [
        (Timing(1_000_000, 0.75, 20), 1000, 750, 100),
        (Timing(500_000, 0.875, 16), 2000, 1750, 125),
        (Timing(125_000, 0.75, 16, 1), 8000, 6000, 500),
        (Timing(1_000_000, 0.75, 20, drift_ppm=-10_000), 1010.101, 757.576, 101.010),
    ],
)
def test_timing_in_nanoseconds(timing, bit_ns, sample_ns, jump_ns):
    """Bit, sample point on a whole quantum, and half of phase segment 2 as jump width."""
    assert timing.bit_ns == pytest.approx(bit_ns, abs=0.01)
    assert timing.sample_ns == pytest.approx(sample_ns, abs=0.01)
    assert timing.jump_ns == pytest.approx(jump_ns, abs=0.01)


@pytest.mark.parametrize(
    "wrong",
    [{"bit_rate_bps": 2_000_000}, {"sample_point": 75}, {"quanta": 2}, {"drift_ppm": 600_000}],
)
def test_impossible_timing_is_refused(wrong):
    """What no classic controller does is a wrong call."""
    with pytest.raises(UsageError, match=next(iter(wrong))):
        Timing(**({"bit_rate_bps": 500_000} | wrong))


@pytest.mark.parametrize(("percent_apart", "fits"), [(0.02, True), (0.3, True), (1.5, False), (50.0, False)])
def test_two_clocks_are_in_step_within_their_allowance_only(percent_apart, fits):
    """The careful side: what is not surely in step is simulated bit by bit."""
    assert in_step(Timing(500_000), Timing(500_000, drift_ppm=percent_apart * 1e4)) is fits


# --- counters -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("tx", [0, 95, 96, 127, 128, 255, 256])
@pytest.mark.parametrize("rx", [0, 95, 96, 127, 128, 255])
def test_states_agree_with_the_rules_that_the_harness_judges_by(tx, rx):
    """Two implementations of the same rules, written apart, say the same of every pair of counters."""
    assert Counters(tx, rx).state == ErrorCounters(tx, rx).state


def lone_tries(count, on_bit):
    """Counters of a sender after so many tries; `on_bit(sent)` is the level it samples."""
    station = Station(lambda happening: None, tec=0, rec=0)
    for _ in range(count):
        station.bits = frame_bits(Frame(0x123, b"\x55"))
        station.start_sending()
        for _ in range(200):
            station.on_bit(on_bit(station.next_out))
            if station.state in ("idle", "off"):
                break
        if station.state == "off":
            break
    return station.tec, station.rec


@pytest.mark.parametrize("count", [1, 15, 16, 17, 40])
def test_missing_acknowledges_count_as_the_rules_say(count):
    """8 each up to 128, where an error passive sender stops counting (Bosch, rule 3, first exception)."""
    rules = ErrorCounters()
    for _ in range(count):
        rules.tx_ack_error()

    assert lone_tries(count, lambda sent: sent) == (rules.tx, rules.rx)


def test_a_sender_that_can_not_drive_counts_its_flag_bits_too():
    """Bit errors in an active error flag are errors of their own (rule 4): off after fewer than 32 tries."""
    tec, _ = lone_tries(32, lambda sent: 1)

    assert tec >= 256


# --- the state machine --------------------------------------------------------------------------------


def listen(levels, **options):
    """What a receiver makes of these levels: happenings, and what it drove."""
    happenings = []
    station = Station(happenings.append, tec=0, rec=0)
    for name, value in options.items():
        setattr(station, name, value)
    driven = []
    for level in levels:
        driven.append(station.next_out)
        station.on_bit(min(level, station.next_out))
    return happenings, driven, station


FRAMES = [
    Frame(0x123, bytes(range(8))),
    Frame(0x000, bytes(8)),
    Frame(0x7FF, b"\xff" * 3),
    Frame(0x1FFFFFFF, b"\x00\xff", extended=True),
    Frame(0x00000001, b"", extended=True),
    Frame(0x321, remote=True, remote_dlc=4),
    Frame(0x321, extended=True, remote=True, remote_dlc=2),
]


@pytest.mark.parametrize("frame", FRAMES, ids=repr)
def test_a_receiver_reads_what_the_bits_of_a_frame_say(frame):
    """Every kind of classic frame is read back, and acknowledged in its slot only."""
    bits = frame_bits(frame)

    happenings, driven, _ = listen(list(bits.bits) + [1] * 20)

    assert [(happening.what, happening.frame) for happening in happenings] == [("received", frame)]
    assert [at for at, level in enumerate(driven) if level == 0] == [bits.field("ack").start]


@pytest.mark.parametrize("frame", FRAMES[:4], ids=repr)
def test_one_wrong_bit_anywhere_up_to_the_end_is_an_error(frame):
    """A flip in any bit from the identifier to the last but one of the end of frame spoils the frame."""
    bits = frame_bits(frame, acknowledged=True)
    slot = bits.field("ack").start
    for at in range(1, len(bits) - 1):
        if at == slot:
            continue
        levels = list(bits.bits)
        levels[at] ^= 1
        happenings, _, station = listen(levels + [1] * 40)
        frames = [happening.frame for happening in happenings if happening.what == "received"]
        assert frame not in frames, at
        assert station.rec > 0, at


@pytest.mark.parametrize(
    ("field", "kind"),
    [("crc_delimiter", "form"), ("ack_delimiter", "form"), ("eof", "form"), ("crc", "crc"), ("data", "crc")],
)
def test_the_kind_of_an_error_names_the_check_that_found_it(field, kind):
    """Form where the level is fixed, CRC where only the checksum can tell (data without long runs)."""
    bits = frame_bits(Frame(0x2AA, b"\x55\xaa\x35"), acknowledged=True)
    at = bits.field(field).start + (1 if field in ("crc", "data") else 0)
    levels = list(bits.bits)
    levels[at] ^= 1

    happenings, _, _ = listen(levels + [1] * 40)

    assert happenings[0].kind == kind
    expected = {"crc": "ack_delimiter", "data": "ack_delimiter"}.get(field, field)
    assert happenings[0].field == expected


def test_six_equal_bits_are_a_stuff_error_at_the_sixth():
    """Bosch, chapter 6.1: at the bit time of the sixth consecutive equal level."""
    happenings, driven, _ = listen([0] * 6 + [1] * 20)

    assert (happenings[0].kind, happenings[0].bit) == ("stuff", 5)
    assert driven[6:12] == [0] * 6


def test_an_error_passive_receiver_sends_no_dominant_flag():
    """Its error flag is six recessive bits."""
    station = Station(lambda happening: None, tec=0, rec=130)
    out = []
    for level in [0] * 6 + [1] * 20:
        station.on_bit(level)
        out.append(station.next_out)

    assert set(out) == {1}
    assert station.state == "idle"


def test_a_listening_station_drives_nothing_and_counts_nothing():
    """Neither acknowledge nor error flag."""
    frame = FRAMES[0]
    _, driven, _ = listen(list(frame_bits(frame).bits) + [1] * 20, listen_only=True)
    assert set(driven) == {1}

    _, driven, station = listen([0] * 6 + [1] * 20, listen_only=True)
    assert set(driven) == {1}
    assert station.rec == 0


def test_dominant_in_the_last_bit_of_the_frame_is_an_overload_and_the_frame_counts():
    """A receiver takes a frame at the last but one bit: here a sender would repeat it, and it comes twice."""
    levels = list(frame_bits(FRAMES[0], acknowledged=True).bits)
    levels[-1] = 0

    happenings, driven, station = listen(levels + [1] * 40)

    assert [happening.what for happening in happenings] == ["received"]
    assert driven[len(levels) : len(levels) + 6] == [0] * 6
    assert station.rec == 0


# --- queue, filters, modes ----------------------------------------------------------------------------


def test_a_full_queue_refuses_and_a_flush_empties_it():
    """`send` says whether the frame was taken."""
    _, a, _ = pair(queue_frames=2)

    assert [a.send(Frame(k)) for k in range(3)] == [True, True, False]
    a.flush()
    assert a.free_space == 2


def test_filters_hide_frames_from_the_program_but_not_from_the_acknowledge():
    """Masks and kinds as a controller's acceptance filter; the sender sees its frames acknowledged."""
    queue, a, b = pair()
    got, sent = [], []
    b.on_frame(got.append)
    a.on_sent(sent.append)
    b.set_filters([(0x120, 0x7F0, False), (0x12345, 0x1FFFFFFF, True)])
    frames = [Frame(0x123), Frame(0x133), Frame(0x123, extended=True), Frame(0x12345, extended=True)]
    for frame in frames:
        a.send(frame)

    queue.run_until(5_000_000)

    assert got == [frames[0], frames[3]]
    assert len(sent) == 4


def test_a_listener_can_be_removed():
    """The function that registration returns ends it."""
    queue, a, b = pair()
    got = []
    stop = b.on_frame(got.append)
    a.send(Frame(1))
    queue.run_until(1_000_000)
    stop()
    a.send(Frame(2))
    queue.run_until(2_000_000)

    assert got == [Frame(1)]


def test_power_off_loses_the_queue_and_the_counters():
    """A controller is as new after power comes back, and joins after 11 recessive bits."""
    queue, a, b = pair()
    got, dropped = [], []
    b.on_frame(got.append)
    a.on_dropped(dropped.append)
    a.counters.tx = 100
    b.listen_only = True
    a.send(Frame(0x10))
    a.set_power(False)
    assert dropped == [Frame(0x10)]
    assert (a.waiting, a.counters.tx, a.send(Frame(1))) == (0, 0, False)

    b.listen_only = False
    a.set_power(True)
    start = queue.now_ns
    a.send(Frame(0x11))
    queue.run_until(start + 1_000_000)

    assert got == [Frame(0x11)]
    assert got[0].t_ns >= start + 11_000


def test_setting_another_timing_starts_the_controller_anew():
    """A new bit rate needs a new joining."""
    queue, a, b = pair()
    got = []
    b.on_frame(got.append)
    for station in (a, b):
        station.timing = Timing(500_000)
    queue.run_until(queue.now_ns + 100_000)
    start = queue.now_ns
    a.send(Frame(0x2AA))

    queue.run_until(queue.now_ns + 1_000_000)

    assert got[0].t_ns - start == len(frame_bits(Frame(0x2AA))) * 2000


def test_two_controllers_of_one_name_are_refused():
    """Taps on the line go by name."""
    _, a, _ = pair()

    with pytest.raises(UsageError, match="another name"):
        Controller(a.wire, "b", Timing(1_000_000))
