"""CAN FD on the simulated wire: who reads such frames, who destroys them, and what another data phase does."""

from __future__ import annotations

import random

import pytest

from hiltest.canbus._reference import fd_bits
from hiltest.canbus.frame import FD_LENGTHS, Frame
from hiltest.canbus.frames import duration_ns
from hiltest.errors import UsageError
from hiltest.simbench.controller import Controller, Timing
from hiltest.simbench.events import EventQueue
from hiltest.simbench.fdstation import FdReader
from hiltest.simbench.wire import Wire

NOMINAL = Timing(1_000_000)
TWICE = NOMINAL.in_data_phase(2_000_000)
MS = 1_000_000


class Bus:
    """Stations by name, what they heard and which errors they saw."""

    def __init__(self) -> None:
        self.queue = EventQueue()
        self.wire = Wire(self.queue, random.Random(1))
        self.heard: list[tuple[str, Frame, int]] = []
        self.errors: list[tuple[str, str, str, int]] = []

    def add(self, name: str, **options: object) -> Controller:
        station = Controller(self.wire, name, NOMINAL, **options)  # type: ignore[arg-type]
        station.on_frame(lambda frame: self.heard.append((name, frame, self.queue.now_ns)))
        station.on_error(lambda error: self.errors.append((name, error.kind, error.field, error.bit)))
        self.run(MS)
        return station

    def run(self, ns: int) -> None:
        self.queue.run_until(self.queue.now_ns + ns)


def random_frame(rng: random.Random) -> Frame:
    extended = rng.random() < 0.5
    data = rng.choice((rng.randbytes, bytes))(rng.choice(FD_LENGTHS))
    can_id = rng.getrandbits(29 if extended else 11)
    return Frame(
        can_id, data, extended, fd=True, bitrate_switch=rng.random() < 0.5, error_state=rng.random() < 0.2
    )


def read(bits: list[int], extended: bool) -> tuple[str, FdReader]:
    """Feed the bits of a whole frame behind FDF; without stuff bits before it, as a station does."""
    plain: list[int] = []
    last, run, at = -1, 0, 0
    while len(plain) < (34 if extended else 15):
        level = bits[at]
        at += 1
        if run == 5:
            last, run = level, 1
            continue
        run, last = (run + 1 if level == last else 1), level
        plain.append(level)
    reader = FdReader(plain, last, run)
    for level in bits[at:]:
        happened = reader.take(level)
        if happened:
            return happened, reader
    return "", reader


def test_the_reader_takes_what_the_plain_encoder_sends() -> None:
    """Random frames of all lengths, bits from the slow encoder that reads as the standard (`canbus._reference`)."""
    rng = random.Random(2)
    for _ in range(150):
        frame = random_frame(rng)
        happened, reader = read(fd_bits(frame), frame.extended)
        assert happened == "end"
        assert reader.crc_ok
        assert reader.frame == frame
        assert reader.frame.error_state == frame.error_state


def test_one_wrong_bit_is_an_error_or_a_wrong_crc() -> None:
    """Any bit from the data length to the end of the CRC."""
    rng = random.Random(3)
    for _ in range(150):
        frame = random_frame(rng)
        bits = fd_bits(frame)
        at = rng.randrange(len(bits) - 10 - 22, len(bits) - 10)
        bits[at] ^= 1
        happened, reader = read(bits, frame.extended)
        assert happened in ("stuff", "form", "") or not reader.crc_ok, (frame, at)


@pytest.mark.parametrize("switch", [False, True])
def test_bit_by_bit_and_at_once_are_the_same(switch: bool) -> None:
    """A walk (a third station in one-shot mode and a loser of the arbitration force it) brings the frame, without an
    error, in the time that the lengths say.
    """
    frame = Frame(0x100, bytes(range(24)), fd=True, bitrate_switch=switch)
    wanted_ns = duration_ns(frame, 1_000_000, 2_000_000, intermission=False)
    ends: list[int] = []
    for walked in (False, True):
        bus = Bus()
        one, other = (bus.add(name, fd=True, data_timing=TWICE) for name in ("one", "other"))
        one.on_sent(lambda _, queue=bus.queue: ends.append(queue.now_ns))
        start = bus.queue.now_ns
        if walked:
            bus.add("third", fd=True, data_timing=TWICE).one_shot = True
            bus.run(MS)
            start = bus.queue.now_ns
            bus.wire._hold = True  # both are there before anything is decided
            other.send(Frame(0x200, b"x"))
            one.send(frame)
            bus.wire._hold = False
            bus.wire._arrange()
        else:
            one.send(frame)
        bus.run(2 * MS)
        assert bus.errors == []
        assert ("other", frame) in [(name, got) for name, got, _ in bus.heard]
        ends[-1] -= start
    assert ends[0] == wanted_ns
    assert ends[1] == pytest.approx(wanted_ns, abs=1000)  # told at the sample of the last bit


def test_a_classic_station_answers_fdf_with_a_form_error() -> None:
    """FDF stands at bit 14 of a frame of 11 bits without stuff bits before it (ISO 11898-1, base format)."""
    bus = Bus()
    host = bus.add("host", fd=True)
    bus.add("old")
    host.send(Frame(0x2AA, b"\x55", fd=True))
    bus.run(MS // 5)
    assert ("old", "form", "r0", 14) in bus.errors
    assert host.counters.tx >= 8
    assert bus.heard == []
    host.flush()
    bus.run(5 * MS)
    bus.errors.clear()
    host.send(Frame(0x2AA, b"\x55"))
    bus.run(MS)
    assert bus.errors == []
    assert [name for name, _, _ in bus.heard] == ["old"]


def test_an_fd_station_beside_a_classic_one_does_not_save_the_frame() -> None:
    """One that can't read it is enough, until its counters make it error passive: then its flag destroys nothing."""
    bus = Bus()
    host = bus.add("host", fd=True)
    bus.add("new", fd=True)
    bus.add("old")
    host.send(Frame(0x2AA, b"\x55", fd=True))
    bus.run(MS // 5)
    assert bus.heard == []
    bus.run(5 * MS)
    assert [name for name, _, _ in bus.heard] == ["new"]
    assert bus.wire.stations[2].state == "passive"


@pytest.mark.parametrize("other_bps", [1_000_000, 4_000_000])
def test_another_data_phase_fails_behind_the_bit_rate_switch(other_bps: int) -> None:
    """Frames without a switch pass; with one the first error lies behind BRS (bit 16) and is stuff, form or CRC."""
    bus = Bus()
    host = bus.add("host", fd=True, data_timing=TWICE)
    bus.add("node", fd=True, data_timing=NOMINAL.in_data_phase(other_bps))
    host.send(Frame(0x2AA, bytes(range(8)), fd=True))
    bus.run(MS)
    assert [name for name, _, _ in bus.heard] == ["node"]
    assert bus.errors == []
    host.send(Frame(0x2AA, bytes(range(8)), fd=True, bitrate_switch=True))
    bus.run(MS // 2)
    name, kind, field, bit = next(error for error in bus.errors if error[0] == "node")
    assert kind in ("stuff", "form", "crc")
    assert bit > 16, (name, field)
    assert len(bus.heard) == 1


def test_a_data_phase_has_its_own_limits() -> None:
    """8 Mbit/s behind the switch, 1 Mbit/s before it."""
    with pytest.raises(UsageError, match="8 Mbit/s"):
        NOMINAL.in_data_phase(9_000_000)
    with pytest.raises(UsageError, match="1 Mbit/s"):
        Timing(2_000_000)
