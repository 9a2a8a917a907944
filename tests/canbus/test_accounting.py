from __future__ import annotations

import random
from collections import Counter

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from hiltest.canbus import frames
from hiltest.canbus.accounting import ERROR_REPORT_BITS, IDS_MAX, BusAccount, Gap, SequenceCheck
from hiltest.canbus.batch import FD_FRAME_DTYPE, KnownRows, to_frames, to_rows
from hiltest.canbus.frame import Frame
from hiltest.errors import UsageError

from .traffic import mixed

MS = 1_000_000


def everything(account: BusAccount) -> dict[str, object]:
    account._window_now()  # in the form that single frames leave it in
    found = {name: value for name, value in vars(account).items() if name not in ("ids", "_known")}
    return {**found, "ids": {key: repr(entry) for key, entry in account.ids.items()}}


@pytest.mark.parametrize("seed", range(4))
def test_a_batch_adds_up_to_what_its_frames_add_up_to(seed: int) -> None:
    """Whatever the size of the batches, late stamps and error frames among them."""
    rng = random.Random(seed)
    some = mixed(4000, seed, errors=True)
    some = [frame.at(frame.t_ns - 2 * MS) if rng.random() < 0.01 else frame for frame in some]
    single, batched = (BusAccount(1_000_000, 4_000_000, window_s=0.02) for _ in range(2))

    for frame in some:
        single.add(frame)
    rows = to_rows(some, FD_FRAME_DTYPE)
    while len(rows):
        size = rng.choice((1, 2, 50, 1000))
        batched.add_rows(rows[:size])
        rows = rows[size:]

    assert everything(batched) == everything(single)
    assert batched.utilisation() == single.utilisation()
    assert single.out_of_order > 0
    assert single.error_frames > 0


@pytest.mark.parametrize("few", [10, 3000])
def test_what_is_noted_and_settled_adds_up_too(few: int) -> None:
    """Frame by frame with their own stamps, and many with one."""
    rng = random.Random(few)
    some = mixed(4000, 3, errors=True)
    single, noted = (BusAccount(1_000_000, 4_000_000, window_s=0.02) for _ in range(2))
    while some:
        batch, some = some[: (size := rng.randrange(1, few))], some[size:]
        together = rng.random() < 0.5
        for frame in batch:
            single.add(frame.at(batch[0].t_ns) if together else frame)
        if together:
            noted.note_many(batch, batch[0].t_ns)
        else:
            for frame in batch:
                noted.note(frame)
        if rng.random() < 0.2:
            noted.settle()
    noted.settle()

    assert everything(noted) == everything(single)


def test_rows_of_frames_that_come_again_are_those_of_the_frames() -> None:
    """The same objects again, equal ones, and more than are kept."""
    rng = random.Random(5)
    known = KnownRows(most=200)
    pool = mixed(150, 5, errors=True)
    for turn in range(40):
        fresh = mixed(rng.randrange(120), 100 + turn)
        frames = [*rng.choices(pool, k=300), *fresh, *(frame.at(7) for frame in fresh[:3])]

        assert to_frames(known.rows(frames)) == to_frames(to_rows(frames, FD_FRAME_DTYPE))


def test_single_frames_and_batches_may_be_mixed() -> None:
    """A host may poll in batches and still add an echo of its own."""
    some = mixed(600, 9)
    single, both = BusAccount(500_000, 2_000_000), BusAccount(500_000, 2_000_000)
    for frame in some:
        single.add(frame)

    both.add_rows(to_rows(some[:200], FD_FRAME_DTYPE))
    for frame in some[200:400]:
        both.add(frame)
    both.add_rows(to_rows(some[400:], FD_FRAME_DTYPE))

    assert everything(both) == everything(single)


def test_bits_are_exact() -> None:
    """Every frame counts its own stuff bits and the intermission."""
    account = BusAccount(125_000)
    sent = [Frame(0x000, bytes(8), t_ns=i * 10 * MS) for i in range(3)]
    for frame in sent:
        account.add(frame)

    assert account.bits == 3 * frames.length_bits(sent[0]) == 3 * 127
    assert account.busy_ns == 3 * 127 * 8000


def test_a_bus_sent_back_to_back_is_full() -> None:
    """Frames whose intermissions touch make a utilisation of exactly 1."""
    account = BusAccount(1_000_000, window_s=0.01)
    t_ns = 0
    for i in range(500):
        frame = Frame(i, bytes([i & 0xFF] * 8))
        t_ns += frames.duration_ns(frame, 1_000_000)
        account.add(frame.at(t_ns))

    assert account.utilisation() == 1.0
    assert account.peak_utilisation == 1.0
    assert account.mean_utilisation() == 1.0


def test_utilisation_is_that_of_the_window() -> None:
    """A burst leaves the window as time goes on, by the part of a frame."""
    account = BusAccount(125_000, window_s=0.01)
    frame = Frame(0x555, b"\xaa" * 8)  # 112 bits, 0.896 ms
    account.add(frame.at(1 * MS))
    account.add(frame.at(2 * MS))

    assert account.utilisation(2 * MS) == pytest.approx(2 * 0.896 / 10)
    assert account.utilisation(11 * MS) == pytest.approx(0.896 / 10)
    assert account.utilisation(11_500_000) == pytest.approx(0.5 / 10)
    assert account.utilisation(12 * MS) == 0.0
    assert account.peak_utilisation == pytest.approx(2 * 0.896 / 10)
    assert account.mean_utilisation(duration_s=0.1) == pytest.approx(2 * 0.896 / 100)


def test_an_account_of_nothing_is_empty() -> None:
    """No division by the length of no time."""
    account = BusAccount(500_000)

    assert (account.utilisation(), account.mean_utilisation(), account.span_ns) == (0.0, 0.0, 0)
    assert account.longest_gap_s(1) is None
    account.add_rows(to_rows([]))
    assert account.first_ns is None


def test_gaps_are_kept_per_identifier() -> None:
    """A standard and an extended identifier of the same number are two."""
    account = BusAccount(500_000)
    for t_ms in (0, 10, 20, 45, 50):
        account.add(Frame(0x701, b"\x05", t_ns=t_ms * MS))
    account.add(Frame(0x701, b"\x05", extended=True, t_ns=50 * MS))

    entry = account.ids[0x701, False]
    assert (entry.frames, entry.shortest_gap_ns, entry.longest_gap_ns) == (5, 5 * MS, 25 * MS)
    assert entry.mean_gap_ns == 12.5 * MS
    assert account.ids[0x701, True].longest_gap_ns is None
    assert account.longest_gap_s(0x701) == 0.025
    assert account.longest_gap_s(0x701, until_ns=100 * MS) == 0.05


def test_errors_are_counted_by_kind_and_cost_time() -> None:
    """An error on the wires takes an error frame's time; a report of the host takes none."""
    account = BusAccount(1_000_000)
    account.add(Frame(0xA8, bytes((0, 0, 0, 0x19, 0, 0, 0, 0)), error=True))
    account.add(Frame(0x88, bytes((0, 0, 4, 0, 0, 0, 0, 0)), error=True))
    account.add(Frame(0x04, bytes((0, 0x01, 0, 0, 0, 0, 0, 0)), error=True))
    account.add(Frame(0x04, bytes((0, 0x08, 0, 0, 0, 0, 0, 0)), error=True))

    assert account.errors == Counter({"ack": 1, "stuff": 1, "rx-overflow": 1})
    assert account.states == Counter({"warning": 1})
    assert (account.reports, account.error_frames, account.frames) == (4, 2, 0)
    assert account.busy_ns == 2 * ERROR_REPORT_BITS * 1000


def test_remote_frames_carry_no_bytes() -> None:
    """The length that a remote frame asks for is not payload, singly or in a batch."""
    frame = Frame(0x701, remote=True, remote_dlc=8)
    single, batched = BusAccount(500_000), BusAccount(500_000)

    single.add(frame)
    batched.add_rows(to_rows([frame]))

    assert single.ids[0x701, False].data_bytes == batched.ids[0x701, False].data_bytes == 0


@pytest.mark.parametrize(
    "call",
    [
        lambda: BusAccount(0),
        lambda: BusAccount(500_000, data_bitrate=-1),
        lambda: BusAccount(500_000, window_s=0.0),
        lambda: BusAccount(500_000, window_s=float("nan")),
        lambda: BusAccount(500_000).mean_utilisation(duration_s=0.0),
        lambda: BusAccount(500_000).add(Frame(1, b"", fd=True, bitrate_switch=True)),
        lambda: BusAccount(500_000).add_arrays(*[np.zeros(n, np.uint8) for n in (1, 1, 1, 1, 2)]),
        lambda: SequenceCheck(2),
        lambda: SequenceCheck(16).add(16),
        lambda: SequenceCheck(16).add_all([3, 17]),
    ],
)
def test_what_makes_no_sense_is_refused(call: object) -> None:
    """Rates, windows, columns and counters."""
    with pytest.raises(UsageError):
        call()  # type: ignore[operator]


# --- sequence counters ------------------------------------------------------------------------------


def checked(counters: list[int], modulus: int = 256) -> SequenceCheck:
    check = SequenceCheck(modulus)
    for counter in counters:
        check.add(counter)
    return check


@pytest.mark.parametrize(
    ("counters", "lost", "duplicated", "reordered"),
    [
        ([0, 1, 2, 3], 0, 0, 0),
        ([254, 255, 0, 1], 0, 0, 0),
        ([5, 6, 9, 10], 2, 0, 0),
        ([254, 1, 2], 2, 0, 0),
        ([1, 2, 2, 3], 0, 1, 0),
        ([1, 2, 3, 1, 4], 0, 1, 0),
        ([1, 3, 2, 4], 0, 0, 1),
        ([1, 5, 3, 6], 2, 0, 1),
        ([1, 5, 3, 3, 6], 2, 1, 1),
        ([1, 4, 3, 2, 5], 0, 0, 2),
        ([255, 1, 0, 2], 0, 0, 1),
        ([], 0, 0, 0),
    ],
)
def test_losses_are_told_apart(counters: list[int], lost: int, duplicated: int, reordered: int) -> None:
    """Lost, repeated and reordered, over the wrap as well."""
    check = checked(counters)

    assert (check.lost, check.duplicated, check.reordered) == (lost, duplicated, reordered)
    assert check.received == len(counters)


def test_a_gap_says_which_and_where() -> None:
    """The missing values and the place in the stream."""
    assert checked([254, 255, 3, 4]).gaps == [Gap(first=0, last=2, index=2)]


@given(st.lists(st.sampled_from((1,) * 12 + (0, 2, 3, 5, -1, -2)), max_size=120), st.integers(1, 40))
def test_many_counters_at_once_are_the_same_counters(steps: list[int], size: int) -> None:
    """Batches find what single steps find."""
    counters = (np.cumsum([3, *steps]) % 16).tolist()
    single, batched = checked(counters, 16), SequenceCheck(16)

    for at in range(0, len(counters), size):
        batched.add_all(counters[at : at + size])

    assert vars(batched) == vars(single)


@given(st.data())
def test_frames_that_went_missing_are_counted(data: st.DataObject) -> None:
    """Any set of frames taken out of a stream of 2000, but for its ends and for half a turn together."""
    gone = data.draw(st.sets(st.integers(1, 1998), max_size=60))
    counters = [i % 256 for i in range(2000) if i not in gone]

    assert checked(counters).lost == len(gone)


def test_a_wide_counter_costs_no_memory() -> None:
    """A leap of a billion is one gap."""
    check = checked([0, 1_000_000_000, 5, 1_000_000_001], modulus=1 << 32)

    assert (check.lost, check.reordered) == (999_999_998, 1)


@pytest.mark.parametrize("batch", [1, 1000, 10_000])
def test_garbage_takes_no_memory_without_end(batch: int) -> None:
    """The first identifiers are kept one by one, all others in the totals; frame by frame or in batches."""
    frames = [Frame(7919 * n % (1 << 29), bytes(n % 9), True, t_ns=n * 200_000) for n in range(10_000)]
    account = BusAccount(1_000_000)
    if batch == 1:
        for frame in frames:
            account.add(frame)
    else:
        for start in range(0, len(frames), batch):
            account.add_rows(to_rows(frames[start : start + batch]))

    assert (account.frames, len(account.ids), account.other_frames) == (10_000, IDS_MAX, 10_000 - IDS_MAX)
    assert set(account.ids) == {(frame.can_id, True) for frame in frames[:IDS_MAX]}
    assert sum(entry.frames for entry in account.ids.values()) == IDS_MAX
