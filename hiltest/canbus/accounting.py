"""What a bus carried: utilisation in exact bits, frames and gaps per identifier, errors by kind, losses.

`BusAccount` takes frames one at a time or in batches and gives the same answer either way.
`SequenceCheck` tells lost, repeated and reordered frames apart by the counter that they carry.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter, deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import repeat
from typing import TYPE_CHECKING

from hiltest.canbus.frame import (
    ERR_ACK,
    ERR_BUS_ERROR,
    ERR_PROTOCOL,
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_EXTENDED,
    FLAG_REMOTE,
    NS_PER_S,
    Frame,
    describe_error,
)
from hiltest.canbus.frames import (
    ERROR_FRAME_BITS_MAX,
    INTERMISSION_BITS,
    duration_ns,
    length_bits,
    worst_case_bits,
)
from hiltest.errors import UsageError

if TYPE_CHECKING:
    from hiltest.canbus.batch import KnownRows, Rows
    from hiltest.canbus.framearrays import Array

ERROR_REPORT_BITS = ERROR_FRAME_BITS_MAX + INTERMISSION_BITS
"""Bits charged for an error on the bus: 23, the longest error frame with intermission. The part of a frame
that the error cut short is not known to a host and not charged."""

_BUS_ERROR_CLASSES = ERR_PROTOCOL | ERR_ACK | ERR_BUS_ERROR

WAITING_MAX = 8_192
"""Frames that are noted before they are counted in one go."""
FEW = 64
"""Fewer are counted one by one: an array costs some tens of microseconds whatever it holds."""
IDS_MAX = 4_096
"""Identifiers that are accounted for one by one: twice as many as there are standard ones. On a bus of garbage every
frame may bring another of the 536 870 912 extended ones."""

_LATER = 1 << 62
_CLASSIC_BITS_MAX = worst_case_bits(8, extended=True)

Key = tuple[int, bool]
"""(identifier, extended)."""


class IdAccount:
    """One identifier's traffic. Gaps are between the time stamps of its frames, in nanoseconds; they are
    None for fewer than two frames.
    """

    __slots__ = ("_longest_ns", "_shortest_ns", "bits", "data_bytes", "first_ns", "frames", "last_ns")

    def __init__(self, first_ns: int) -> None:
        self.frames = 0
        self.bits = 0
        self.data_bytes = 0
        self.first_ns = self.last_ns = first_ns
        self._shortest_ns, self._longest_ns = _LATER, -_LATER

    def __repr__(self) -> str:
        return f"<IdAccount {self.frames} frames, {self.bits} bits, gaps {self.shortest_gap_ns}..{self.longest_gap_ns} ns>"

    @property
    def shortest_gap_ns(self) -> int | None:
        return self._shortest_ns if self.frames > 1 else None

    @property
    def longest_gap_ns(self) -> int | None:
        return self._longest_ns if self.frames > 1 else None

    @property
    def mean_gap_ns(self) -> float | None:
        return (self.last_ns - self.first_ns) / (self.frames - 1) if self.frames > 1 else None

    def _take_gaps(self, shortest_ns: int, longest_ns: int) -> None:
        self._shortest_ns = min(self._shortest_ns, shortest_ns)
        self._longest_ns = max(self._longest_ns, longest_ns)


class BusAccount:
    """Adds up everything seen on one bus.

    `bitrate` and `data_bitrate` (CAN FD with bit rate switch) in bit/s; `window_s` is the length of the
    sliding window of `utilisation` and `peak_utilisation`. A time stamp is taken as the end of its frame:
    the frame and the 3 bits that must follow it are busy time that ends there. Frames come in order of
    time; one that is stamped before its predecessor is counted, and counted in `out_of_order`.

    Raises:
        UsageError: a rate or window that can't be.
    """

    def __init__(self, bitrate: int, data_bitrate: int | None = None, window_s: float = 1.0) -> None:
        if bitrate <= 0 or (data_bitrate is not None and data_bitrate <= 0):
            raise UsageError(f"bitrate={bitrate!r}, data_bitrate={data_bitrate!r} must be above 0 bit/s")
        if not (math.isfinite(window_s) and window_s > 0):
            raise UsageError(f"window_s={window_s!r} must be a finite time above 0 s")
        self.bitrate, self.data_bitrate = bitrate, data_bitrate
        self.window_ns = round(window_s * NS_PER_S)
        self.frames = 0
        """Data and remote frames."""
        self.bits = 0
        """Bits of these frames, stuff bits and intermission counted."""
        self.error_frames = 0
        """Errors on the wires (reports of states or of the host's own trouble are not counted here)."""
        self.reports = 0
        """All error frames that the adapter gave."""
        self.errors: Counter[str] = Counter()
        """By kind, as named by `frame.describe_error`."""
        self.states: Counter[str] = Counter()
        """Controller states reported: active, warning, passive, bus-off."""
        self.ids: dict[Key, IdAccount] = {}
        """The first IDS_MAX identifiers seen."""
        self.other_frames = 0
        """Frames of further identifiers, which are counted in the totals only."""
        self.first_ns: int | None = None
        self.last_ns: int | None = None
        self.out_of_order = 0
        self.busy_ns = 0
        """Time the bus was busy, error frames included."""
        self.peak_utilisation = 0.0
        self._busy_of = [
            (2 * bits * NS_PER_S + bitrate) // (2 * bitrate) for bits in range(_CLASSIC_BITS_MAX + 1)
        ]
        self._window: deque[tuple[int, int]] = deque()  # (end, busy), nanoseconds
        self._window_columns: tuple[Array, Array] | None = None  # the same behind a batch, until one looks
        self._window_busy_ns = 0
        # What was noted: stamps of all; frames that came alone, with their places, and frames that came together.
        self._stamps: list[int] = []
        self._alone: list[Frame] = []
        self._places: list[int] = []
        self._together: list[Frame] = []
        self._known: KnownRows | None = None

    # --- taking in ---

    def note(self, frame: Frame) -> None:
        """Take one frame or error frame; it counts from the next `settle` on. In great numbers a fraction of the
        work of `add`.
        """
        stamps = self._stamps
        self._alone.append(frame)
        self._places.append(len(stamps))
        stamps.append(frame.t_ns)
        if len(stamps) >= WAITING_MAX:
            self.settle()

    def note_many(self, frames: Sequence[Frame], t_ns: int) -> None:
        """As `note`, for frames that all count as of `t_ns`, whatever their own stamps are."""
        self._together += frames
        self._stamps += repeat(t_ns, len(frames))
        if len(self._stamps) >= WAITING_MAX:
            self.settle()

    def settle(self) -> None:
        """Count what was noted.

        Raises:
            UsageError: a frame no bus could carry.
        """
        stamps, alone, places, together = self._stamps, self._alone, self._places, self._together
        if not stamps:
            return
        self._stamps, self._alone, self._places, self._together = [], [], [], []
        if len(stamps) < FEW:
            several, single = iter(together), dict(zip(places, alone, strict=True))
            for place, t_ns in enumerate(stamps):
                self.add((single.get(place) or next(several)).at(t_ns))
            return
        import numpy as np

        from hiltest.canbus.batch import FD_FRAME_DTYPE, KnownRows, to_rows

        rows = np.empty(len(stamps), FD_FRAME_DTYPE)
        came_together = np.ones(len(stamps), bool)
        came_together[places] = False
        if together:
            self._known = self._known or KnownRows()
            rows[came_together] = self._known.rows(together)
        if alone:
            rows[places] = to_rows(alone, FD_FRAME_DTYPE)
        rows["t_ns"] = stamps
        self.add_rows(rows)

    def add(self, frame: Frame) -> None:
        """Count one frame or error frame.

        Raises:
            UsageError: a frame no bus could carry.
        """
        can_id, data, extended, _, error, fd, _, t_ns = frame[:8]
        if error:
            self._add_report(frame)
            return
        bits = length_bits(frame)
        busy = duration_ns(frame, self.bitrate, self.data_bitrate) if fd else self._busy_of[bits]
        self.frames += 1
        self.bits += bits
        try:
            entry = self.ids[can_id, extended]
        except KeyError:
            if len(self.ids) >= IDS_MAX:
                self.other_frames += 1
                self._take_time(t_ns, busy)
                return
            entry = self.ids[can_id, extended] = IdAccount(t_ns)
        else:
            gap = t_ns - entry.last_ns
            if gap < entry._shortest_ns:
                entry._shortest_ns = gap
            if gap > entry._longest_ns:
                entry._longest_ns = gap
        entry.frames += 1
        entry.bits += bits
        entry.data_bytes += len(data)
        entry.last_ns = t_ns
        self._take_time(t_ns, busy)

    def _add_report(self, frame: Frame) -> None:
        report = describe_error(frame)
        self.reports += 1
        self.errors.update(report.kinds)
        if report.state:
            self.states[report.state] += 1
        busy = 0
        if report.is_bus_error:
            self.error_frames += 1
            busy = round(ERROR_REPORT_BITS * NS_PER_S / self.bitrate)
        self._take_time(frame.t_ns, busy)

    def _take_time(self, t_ns: int, busy_ns: int) -> None:
        last = self.last_ns
        if last is None:
            self.first_ns = t_ns - busy_ns
        elif t_ns < last:
            self.out_of_order += 1
            t_ns = last
        self.last_ns = t_ns
        if not busy_ns:
            return
        self.busy_ns += busy_ns
        window = self._window_now()
        window.append((t_ns, busy_ns))
        self._window_busy_ns += busy_ns
        start = t_ns - self.window_ns
        while window[0][0] <= start:
            self._window_busy_ns -= window.popleft()[1]
        # The oldest frame may reach out of the window.
        end, busy = window[0]
        inside = self._window_busy_ns - max(0, start - (end - busy))
        value = inside / self.window_ns
        if value > self.peak_utilisation:
            self.peak_utilisation = min(1.0, value)

    def add_rows(self, rows: Rows) -> None:
        """Count a batch in the row form of the batch receivers."""
        self.add_arrays(rows["can_id"], rows["flags"], rows["length"], rows["data"], rows["t_ns"])

    def add_arrays(self, ids: Array, flags: Array, lengths: Array, data: Array, t_ns: Array) -> None:
        """Count a batch: columns as in `framearrays`, `t_ns` int64 (n,), in order of time.

        Raises:
            UsageError: a row that no bus could carry, or columns of different length.
        """
        import numpy as np

        from hiltest.canbus.framearrays import durations_ns, lengths_bits

        sizes = {len(column) for column in (ids, flags, lengths, data, t_ns)}
        if len(sizes) != 1:
            raise UsageError(f"columns of different length: {sorted(sizes)}; all must hold n rows")
        if not len(ids):
            return
        bits = lengths_bits(ids, flags, lengths, data).astype(np.int64)
        if self.data_bitrate is None and not np.any(flags & FLAG_BITRATE_SWITCH):
            busy = (2 * bits * NS_PER_S + self.bitrate) // (2 * self.bitrate)
        else:
            busy = durations_ns(ids, flags, lengths, data, self.bitrate, self.data_bitrate)
        is_error = flags & FLAG_ERROR != 0
        if is_error.any():
            busy[is_error] = self._take_reports(ids[is_error], data[is_error])
            good = ~is_error
            self._take_ids(ids[good], flags[good], lengths[good], bits[good], t_ns[good])
        else:
            self._take_ids(ids, flags, lengths, bits, t_ns)
        self._take_times(t_ns, busy)

    def _take_reports(self, classes: Array, data: Array) -> list[int]:
        busy_ns = round(ERROR_REPORT_BITS * NS_PER_S / self.bitrate)
        out = []
        known: dict[tuple[int, bytes], tuple[tuple[str, ...], str | None, bool]] = {}
        for error_class, row in zip(classes.tolist(), data, strict=True):
            payload = row[:8].tobytes()
            found = known.get((error_class, payload))
            if found is None:
                report = describe_error(Frame(error_class, payload, error=True))
                found = known[error_class, payload] = (report.kinds, report.state, report.is_bus_error)
            kinds, state, on_bus = found
            self.errors.update(kinds)
            if state:
                self.states[state] += 1
            self.error_frames += on_bus
            out.append(busy_ns if on_bus else 0)
        self.reports += len(out)
        return out

    def _take_ids(self, ids: Array, flags: Array, lengths: Array, bits: Array, t_ns: Array) -> None:
        import numpy as np

        if not len(ids):
            return
        self.frames += len(ids)
        self.bits += int(bits.sum())
        key = ids.astype(np.int64) << 1 | flags & FLAG_EXTENDED
        if key.max() < 1 << 16:
            key = key.astype(np.uint16)  # sorts by radix
        order = np.argsort(key, kind="stable")
        key, times = key[order], t_ns[order]
        starts = np.flatnonzero(np.concatenate(([True], key[1:] != key[:-1])))
        ends = np.append(starts[1:], len(key))
        carried = np.where(flags & FLAG_REMOTE, 0, lengths)[order]
        bit_sums = np.add.reduceat(bits[order], starts)
        byte_sums = np.add.reduceat(carried.astype(np.int64), starts)
        gaps = np.diff(times, prepend=times[0])
        # The first of each identifier has its gap to the batch before; take it out of the extremes.
        low, high = gaps.copy(), gaps
        low[starts], high[starts] = np.iinfo(np.int64).max, np.iinfo(np.int64).min
        lows, highs = np.minimum.reduceat(low, starts), np.maximum.reduceat(high, starts)
        columns = (
            key[starts],
            starts,
            ends,
            bit_sums,
            byte_sums,
            lows,
            highs,
            times[starts],
            times[ends - 1],
        )
        rows = list(zip(*(column.tolist() for column in columns), strict=True))
        if len(self.ids) + len(starts) > IDS_MAX:  # those that came first are kept, as one at a time
            rows.sort(key=lambda row: row[7])
        for value, start, end, n_bits, n_bytes, shortest, longest, first, last in rows:
            name = (value >> 1, bool(value & 1))
            entry = self.ids.get(name)
            if entry is None and len(self.ids) >= IDS_MAX:
                self.other_frames += end - start
                continue
            if entry is None:
                entry = self.ids[name] = IdAccount(first)
            else:
                entry._take_gaps(first - entry.last_ns, first - entry.last_ns)
            if end - start > 1:
                entry._take_gaps(shortest, longest)
            entry.frames += end - start
            entry.bits += n_bits
            entry.data_bytes += n_bytes
            entry.last_ns = last

    def _take_times(self, t_ns: Array, busy: Array) -> None:
        import numpy as np

        if self.last_ns is None:
            self.first_ns = int(t_ns[0]) - int(busy[0])
        else:
            t_ns = np.concatenate(([self.last_ns], t_ns))
            busy = np.concatenate(([0], busy))
        ends = np.maximum.accumulate(t_ns)
        # A frame is late if it is stamped before the latest before it, as in `_take_time`.
        self.out_of_order += int(np.count_nonzero(t_ns[1:] < ends[:-1]))
        self.last_ns = int(ends[-1])
        self.busy_ns += int(busy.sum())
        counted = busy > 0
        ends, busy = ends[counted], busy[counted].astype(np.int64)
        if not len(ends):
            return
        held = self._window_columns
        if held is None:
            held = tuple(np.array(column, np.int64) for column in zip(*self._window, strict=True))  # type: ignore[assignment]
        old = 0
        if held:
            old = len(held[0])
            ends, busy = np.concatenate((held[0], ends)), np.concatenate((held[1], busy))
        total = np.concatenate(([0], np.cumsum(busy)))
        starts = ends - self.window_ns
        first = np.searchsorted(ends, starts, side="right")
        inside = total[1:] - total[first] - np.maximum(0, starts - (ends[first] - busy[first]))
        if len(inside) > old:
            self.peak_utilisation = max(
                self.peak_utilisation, min(1.0, float(inside[old:].max()) / self.window_ns)
            )
        keep = int(first[-1])
        self._window_columns = ends[keep:], busy[keep:]
        self._window_busy_ns = int(busy[keep:].sum())

    def _window_now(self) -> deque[tuple[int, int]]:
        """Ends and durations of what is in the window."""
        if self._window_columns is not None:
            ends, busy = self._window_columns
            self._window = deque(zip(ends.tolist(), busy.tolist(), strict=True))
            self._window_columns = None
        return self._window

    # --- answers ---

    def utilisation(self, now_ns: int | None = None) -> float:
        """Busy share (0..1) of the window that ends at `now_ns`, by default at the last frame."""
        if self.last_ns is None:
            return 0.0
        start = (self.last_ns if now_ns is None else max(now_ns, self.last_ns)) - self.window_ns
        busy = 0
        for end, length in reversed(self._window_now()):
            if end <= start:
                break
            busy += length - max(0, start - (end - length))
        return min(1.0, busy / self.window_ns)

    def mean_utilisation(self, duration_s: float | None = None) -> float:
        """Busy share (0..1) of `duration_s`, by default from the first bit seen to the last."""
        if duration_s is None:
            span = self.span_ns
        elif duration_s > 0:
            span = round(duration_s * NS_PER_S)
        else:
            raise UsageError(f"duration_s={duration_s!r} must be above 0 s")
        return self.busy_ns / span if span else 0.0

    @property
    def span_ns(self) -> int:
        """From the first bit seen to the last, nanoseconds."""
        if self.first_ns is None or self.last_ns is None:
            return 0
        return self.last_ns - self.first_ns

    def longest_gap_s(self, can_id: int, extended: bool = False, until_ns: int | None = None) -> float | None:
        """Longest silence of an identifier; with `until_ns`, the silence after its last frame counts too.

        None if the identifier was not seen (or only once, without `until_ns`).
        """
        entry = self.ids.get((can_id, extended))
        if entry is None:
            return None
        gaps = [] if entry.longest_gap_ns is None else [entry.longest_gap_ns]
        if until_ns is not None:
            gaps.append(until_ns - entry.last_ns)
        return max(gaps) / NS_PER_S if gaps else None


@dataclass(frozen=True, slots=True)
class Gap:
    """Counter values that did not come: `first` up to and with `last` (modulo the counter), seen missing
    before the frame number `index` of the stream.
    """

    first: int
    last: int
    index: int


class SequenceCheck:
    """Finds lost, repeated and reordered frames by a counter that rises by one and wraps at `modulus`.

    A step forward of less than half the modulus leaves the values between as missing; one that comes later
    is counted as `reordered` and is not lost. A value that is neither ahead nor missing is `duplicated`.
    What is still missing is `lost`. A gap of half the modulus or more can't be told from a repetition: take
    a counter that is wide enough for the longest outage.

    Raises:
        UsageError: a modulus below 4, or a counter value outside 0..modulus - 1.
    """

    def __init__(self, modulus: int = 256) -> None:
        if modulus < 4:
            raise UsageError(f"modulus={modulus!r} must be 4 or more, else no direction can be told")
        self.modulus = modulus
        self.received = 0
        self.lost = 0
        self.duplicated = 0
        self.reordered = 0
        self.gaps: list[Gap] = []
        self._last: int | None = None
        self._missing: deque[tuple[int, int]] = deque()  # (first, count), unwrapped, oldest first
        self._position = 0  # the newest value, unwrapped

    def add(self, counter: int) -> None:
        """Take the counter of the next frame."""
        if not 0 <= counter < self.modulus:
            raise UsageError(f"counter={counter!r} must be within 0..{self.modulus - 1}")
        self.received += 1
        if self._last is None:
            self._last, self._position = counter, counter
            return
        step = (counter - self._last) % self.modulus
        if step == 1:
            self._last = counter
            self._position += 1
        elif step and step < (self.modulus + 1) // 2:
            self._skip(step - 1, counter)
        else:
            self._take_old(self._position - (-step % self.modulus))

    def _skip(self, missing: int, counter: int) -> None:
        first = self._position + 1
        self.lost += missing
        self.gaps.append(Gap(first % self.modulus, (counter - 1) % self.modulus, self.received - 1))
        self._missing.append((first, missing))
        self._position += missing + 1
        self._last = counter
        # Older than half the modulus: the same number would now mean a newer frame.
        horizon = self._position - self.modulus // 2
        while self._missing and sum(self._missing[0]) <= horizon:
            self._missing.popleft()

    def _take_old(self, value: int) -> None:
        for index, (first, count) in enumerate(self._missing):
            if first <= value < first + count:
                self.lost -= 1
                self.reordered += 1
                pieces = [(first, value - first), (value + 1, first + count - value - 1)]
                del self._missing[index]
                for piece in reversed(pieces):
                    if piece[1]:
                        self._missing.insert(index, piece)
                return
        self.duplicated += 1

    def add_all(self, counters: Iterable[int]) -> None:
        """Take many counters in order; numpy arrays are taken in one step where nothing is amiss."""
        import numpy as np

        values = np.asarray(counters if hasattr(counters, "__len__") else list(counters), np.int64)
        if not len(values):
            return
        if values.min() < 0 or values.max() >= self.modulus:
            raise UsageError(
                f"counters must be within 0..{self.modulus - 1}; found {values.min()}..{values.max()}"
            )
        # Rows that follow their predecessor regularly need no look of their own.
        irregular = np.flatnonzero(np.diff(values) % self.modulus != 1) + 1
        bounds = [0, *irregular.tolist(), len(values)]
        for start, end in itertools.pairwise(bounds):
            at = start
            while at < end:
                self.add(int(values[at]))
                at += 1
                if self._last == values[at - 1] and at < end:
                    run = end - at  # in step: the rest of the run is regular
                    self.received += run
                    self._position += run
                    self._last = int(values[end - 1])
                    break
