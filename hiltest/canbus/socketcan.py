"""Many frames a call from a SocketCAN socket into a numpy array, with the kernel's time stamps.

`recvmmsg` takes up to 256 frames in one system call; one call a frame is what limits other ways of reading.
Nothing is converted frame by frame. For talking to a node use python-can's `socketcan` interface; this
receiver listens beside it and accounts for every frame: also the error frames, the frames that other
programs of this machine sent, and, by count, those that the kernel dropped because nobody read in time.

The layouts are those of linux/can.h (struct can_frame, struct canfd_frame), linux/can/raw.h and
Documentation/networking/timestamping.rst. Linux only, 64 bits.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import select
import socket
import sys
from types import TracebackType
from typing import Any, Self

import numpy as np
import numpy.typing as npt

from hiltest.canbus.batch import FD_FRAME_DTYPE, FRAME_DTYPE, Rows
from hiltest.canbus.frame import (
    EXTENDED_ID_MAX,
    FLAG_BITRATE_SWITCH,
    FLAG_ERROR,
    FLAG_ERROR_STATE,
    FLAG_EXTENDED,
    FLAG_FD,
    FLAG_REMOTE,
    FLAG_TX,
    STANDARD_ID_MAX,
)
from hiltest.canbus.stamps import HARDWARE, KERNEL
from hiltest.clock import NS_PER_S, Clock, RealClock, to_ns
from hiltest.errors import BenchLost, BenchNotOpened, UsageError

FRAMES_PER_CALL = 256
CALLS_PER_BATCH = 64

# linux/can.h: flags in the identifier
_EFF, _RTR, _ERR = 0x8000_0000, 0x4000_0000, 0x2000_0000
_ERR_MASK = 0x1FFF_FFFF
# linux/can.h: flags of a struct canfd_frame
_CANFD_BRS, _CANFD_ESI, _CANFD_FDF = 0x01, 0x02, 0x04
# linux/can/raw.h
_SOL_CAN_RAW = 101
_CAN_RAW_ERR_FILTER, _CAN_RAW_FD_FRAMES = 2, 5
# asm-generic/socket.h, linux/net_tstamp.h
_SO_RXQ_OVFL, _SO_TIMESTAMPNS, _SO_TIMESTAMPING, _SO_MEMINFO = 40, 35, 37, 55
_SO_RCVBUFFORCE = 33
_MEMINFO_DROPS = 8
_STAMP_SOFTWARE = 1 << 3 | 1 << 4  # RX_SOFTWARE, SOFTWARE
_STAMP_HARDWARE = 1 << 2 | 1 << 6  # RX_HARDWARE, RAW_HARDWARE
_MSG_DONTWAIT, _MSG_DONTROUTE = 0x40, 0x4

_CONTROL_BYTES = 128

CAN_FRAME = np.dtype(
    {
        "names": ["can_id", "length", "data"],
        "formats": [np.uint32, np.uint8, (np.uint8, (8,))],
        "offsets": [0, 4, 8],
        "itemsize": 16,
    }
)
"""struct can_frame"""

CANFD_FRAME = np.dtype(
    {
        "names": ["can_id", "length", "flags", "data"],
        "formats": [np.uint32, np.uint8, np.uint8, (np.uint8, (64,))],
        "offsets": [0, 4, 5, 8],
        "itemsize": 72,
    }
)
"""struct canfd_frame; a classic frame fills its first 16 bytes."""


def decode_frames(
    raw: bytes | npt.NDArray[np.uint8], t_ns: npt.ArrayLike = 0, sizes: npt.ArrayLike | None = None
) -> Rows:
    """Rows from the bytes that the kernel hands over.

    Args:
        raw: n × 16 bytes (struct can_frame) without `sizes`; with `sizes` n × 72 bytes of which the first
            16 or 72 hold a frame.
        t_ns: Unix nanoseconds, one for all or one for each.
        sizes: bytes that belong to each frame, 16 for a classic one and 72 for CAN FD, shape (n,).

    Returns:
        Array of `FRAME_DTYPE` without `sizes`, of `FD_FRAME_DTYPE` with them.

    Raises:
        UsageError: the number of bytes is no multiple of the frame's.
    """
    source = CAN_FRAME if sizes is None else CANFD_FRAME
    octets = np.frombuffer(raw, np.uint8) if isinstance(raw, bytes) else raw.reshape(-1)
    if len(octets) % source.itemsize:
        raise UsageError(f"{len(octets)} bytes are no whole number of frames of {source.itemsize} bytes")
    frames = octets.view(source)
    rows = np.zeros(len(frames), FRAME_DTYPE if sizes is None else FD_FRAME_DTYPE)
    rows["t_ns"] = t_ns
    rows["length"] = frames["length"]
    rows["data"] = frames["data"]
    rows["flags"] = _flags(frames["can_id"])
    rows["can_id"] = _identifiers(frames["can_id"])
    if sizes is None:
        # Linux never sets more, other programs can.
        np.minimum(rows["length"], 8, out=rows["length"])
    else:
        _mark_fd(rows, frames["flags"], np.asarray(sizes) == CANFD_FRAME.itemsize)
    behind = np.arange(rows["data"].shape[1]) >= rows["length"][:, None]
    rows["data"][behind] = 0
    return rows


def _flags(words: npt.NDArray[np.uint32]) -> npt.NDArray[np.uint8]:
    is_error = (words & _ERR) != 0
    flags = np.where(is_error, FLAG_ERROR, 0).astype(np.uint8)
    flags |= np.where(((words & _EFF) != 0) & ~is_error, FLAG_EXTENDED, 0).astype(np.uint8)
    flags |= np.where(((words & _RTR) != 0) & ~is_error, FLAG_REMOTE, 0).astype(np.uint8)
    return flags


def _identifiers(words: npt.NDArray[np.uint32]) -> npt.NDArray[np.uint32]:
    is_long = (words & (_EFF | _ERR)) != 0
    return words & np.where(is_long, EXTENDED_ID_MAX, STANDARD_ID_MAX).astype(np.uint32)


def _mark_fd(rows: Rows, flags: npt.NDArray[np.uint8], is_fd: npt.NDArray[np.bool_]) -> None:
    for bit, ours in ((_CANFD_BRS, FLAG_BITRATE_SWITCH), (_CANFD_ESI, FLAG_ERROR_STATE)):
        rows["flags"] |= np.where(is_fd & ((flags & bit) != 0), ours, 0).astype(np.uint8)
    rows["flags"] |= np.where(is_fd, FLAG_FD, 0).astype(np.uint8)
    longest = np.where(is_fd, 64, 8).astype(np.uint8)
    np.minimum(rows["length"], longest, out=rows["length"])


# --- the kernel's side ------------------------------------------------------------------------------


class _IoVec(ctypes.Structure):
    _fields_ = (("base", ctypes.c_void_p), ("len", ctypes.c_size_t))


class _MsgHdr(ctypes.Structure):
    _fields_ = (
        ("name", ctypes.c_void_p),
        ("namelen", ctypes.c_uint32),
        ("iov", ctypes.c_void_p),
        ("iovlen", ctypes.c_size_t),
        ("control", ctypes.c_void_p),
        ("controllen", ctypes.c_size_t),
        ("flags", ctypes.c_int),
    )


class _MMsgHdr(ctypes.Structure):
    _fields_ = (("hdr", _MsgHdr), ("len", ctypes.c_uint))


_HEADER = np.dtype(
    {
        "names": ["controllen", "flags", "len"],
        "formats": [np.uint64, np.int32, np.uint32],
        "offsets": [
            _MMsgHdr.hdr.offset + _MsgHdr.controllen.offset,
            _MMsgHdr.hdr.offset + _MsgHdr.flags.offset,
            _MMsgHdr.len.offset,
        ],
        "itemsize": ctypes.sizeof(_MMsgHdr),
    }
)


class ControlData:
    """What came beside the frames of one call: time stamps and the count of dropped frames."""

    def __init__(self, count: int) -> None:
        self.kernel_ns = np.zeros(count, np.int64)
        self.hardware_ns = np.zeros(count, np.int64)
        self.drops = np.full(count, -1, np.int64)


def decode_control(octets: npt.NDArray[np.uint8], lengths: npt.NDArray[np.uint64]) -> ControlData:
    """Read control messages (cmsg(3)), all frames of a call at once.

    `octets` has shape (n, m), m a multiple of 8; row i holds `lengths[i]` bytes of control messages. A stamp
    that is missing is 0, a drop count that is missing -1.
    """
    words = octets.view(np.uint64)
    halves = octets.view(np.uint32)
    result = ControlData(len(octets))
    offset = np.zeros(len(octets), np.int64)
    ends = lengths.astype(np.int64)
    while True:
        rows = np.flatnonzero(offset + 16 <= ends)
        if not len(rows):
            return result
        word = offset[rows] // 8
        size = words[rows, word].astype(np.int64)
        level, kind = halves[rows, 2 * word + 2], halves[rows, 2 * word + 3]
        kind = np.where(level == socket.SOL_SOCKET, kind, 0)
        _take_stamp(result.kernel_ns, words, rows, word + 2, kind == _SO_TIMESTAMPNS)
        _take_stamp(result.kernel_ns, words, rows, word + 2, kind == _SO_TIMESTAMPING)
        # struct scm_timestamping holds three: software, an unused one, raw hardware.
        _take_stamp(result.hardware_ns, words, rows, word + 6, kind == _SO_TIMESTAMPING)
        dropped = kind == _SO_RXQ_OVFL
        result.drops[rows[dropped]] = halves[rows[dropped], 2 * word[dropped] + 4]
        # A broken length must not stand still.
        offset[rows] += np.maximum((size + 7) // 8 * 8, 16)


def _take_stamp(
    target: npt.NDArray[np.int64],
    words: npt.NDArray[np.uint64],
    rows: npt.NDArray[np.intp],
    column: npt.NDArray[np.int64],
    chosen: npt.NDArray[np.bool_],
) -> None:
    if chosen.any():
        at, column = rows[chosen], column[chosen]
        seconds, rest = words[at, column].astype(np.int64), words[at, column + 1].astype(np.int64)
        target[at] = seconds * NS_PER_S + rest


class BatchSocket:
    """A raw CAN socket that is read in batches.

    Args:
        channel: name of the interface, as in `can0`.
        fd: take CAN FD frames as well; the arrays then are of `FD_FRAME_DTYPE`.
        error_frames: have the kernel deliver error frames of all classes.
        hardware_stamps: prefer the adapter's own time stamps where the driver gives any. They run on the
            adapter's clock. Frames without one keep the kernel's; `stamp_source` says what was seen.
        receive_buffer_bytes: room for frames that wait; the kernel doubles it and reckons about 800 bytes for
            a frame: 4 MiB hold half a second of a full 1 Mbit/s bus. From others than root it takes no more
            than /proc/sys/net/core/rmem_max (often 212,992: 25 ms); `receive_buffer_bytes` tells what it gave.
        clock: for the time that `recv_batch` waits; the machine's by default.

    Raises:
        BenchNotOpened: no SocketCAN in this kernel, or no such interface.
    """

    def __init__(
        self,
        channel: str,
        *,
        fd: bool = False,
        error_frames: bool = True,
        hardware_stamps: bool = False,
        receive_buffer_bytes: int = 4 << 20,
        clock: Clock | None = None,
    ) -> None:
        self.channel = channel
        self._clock: Clock = clock or RealClock()
        self._fd = fd
        self._wants_hardware = hardware_stamps
        self._hardware_seen = self._kernel_seen = 0
        self._ancillary_drops = 0
        self._lost: OSError | None = None
        self._buffers = _Buffers(CANFD_FRAME.itemsize if fd else CAN_FRAME.itemsize)
        self._socket = self._open(error_frames, receive_buffer_bytes)
        self._poll = select.poll()
        self._poll.register(self._socket.fileno(), select.POLLIN)

    def _open(self, error_frames: bool, buffer_bytes: int) -> socket.socket:
        if not sys.platform.startswith("linux") or ctypes.sizeof(ctypes.c_void_p) != 8:
            raise BenchNotOpened("BatchSocket needs Linux with 64 bits; use can.Bus here")
        try:
            opened = socket.socket(socket.PF_CAN, socket.SOCK_RAW | socket.SOCK_NONBLOCK, socket.CAN_RAW)
        except OSError as error:
            raise BenchNotOpened(
                f"this kernel has no SocketCAN ({error.strerror}). Load it as root: modprobe can_raw"
            ) from error
        try:
            self._configure(opened, error_frames, buffer_bytes)
            opened.bind((self.channel,))
        except OSError as error:
            opened.close()
            raise BenchNotOpened(
                f"{self.channel} can't be opened: {error.strerror}. `ip link show type can` lists the CAN "
                "interfaces of this machine"
            ) from error
        return opened

    def _configure(self, opened: socket.socket, error_frames: bool, buffer_bytes: int) -> None:
        for option in (_SO_RCVBUFFORCE, socket.SO_RCVBUF):
            # The first is for root and knows no limit.
            with contextlib.suppress(PermissionError):
                opened.setsockopt(socket.SOL_SOCKET, option, buffer_bytes)
                break
        opened.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
        if self._wants_hardware:
            opened.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPING, _STAMP_SOFTWARE | _STAMP_HARDWARE)
        else:
            opened.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)
        if error_frames:
            opened.setsockopt(_SOL_CAN_RAW, _CAN_RAW_ERR_FILTER, _ERR_MASK)
        if self._fd:
            opened.setsockopt(_SOL_CAN_RAW, _CAN_RAW_FD_FRAMES, 1)

    def recv_batch(self, timeout_s: float | None = 0.0) -> Rows:
        """All frames that wait, at most 16,384; error frames are among them.

        Waits at most `timeout_s` for the first one (None: without limit); an empty array if none came.
        `t_ns` is Unix time. FLAG_TX marks frames that a program of this machine sent.

        Raises:
            BenchLost: the interface went down or away.
            UsageError: the socket was closed.
        """
        if self._socket.fileno() < 0:
            raise UsageError(f"the batch socket on {self.channel} was closed: open a new one")
        deadline_ns = None if timeout_s is None else self._clock.now_ns + to_ns(timeout_s, "timeout_s")
        parts: list[Rows] = []
        while len(parts) < CALLS_PER_BATCH:
            # Looking first saves a call while frames come faster than we read.
            count = self._receive()
            if self._lost is not None:
                if parts:
                    break  # what was read goes first
                lost, self._lost = self._lost, None
                raise BenchLost(_why_lost(self.channel, lost)) from lost
            if count:
                parts.append(self._decode(count))
            elif parts or not self._wait(deadline_ns):
                break
            if 0 < count < FRAMES_PER_CALL:
                break
        if len(parts) == 1:
            return parts[0]
        return np.concatenate(parts) if parts else np.zeros(0, FD_FRAME_DTYPE if self._fd else FRAME_DTYPE)

    def _receive(self) -> int:
        if self._lost is None:
            try:
                return self._buffers.receive(self._socket.fileno())
            except OSError as error:
                # The kernel tells this once only.
                self._lost = error
        return 0

    def _wait(self, deadline_ns: int | None) -> bool:
        if deadline_ns is None:
            self._poll.poll()
            return True
        remaining_ns = deadline_ns - self._clock.now_ns
        if remaining_ns <= 0:
            return False
        # Rounded up, so that a rest below 1 ms does not spin.
        self._poll.poll(-(-remaining_ns // 1_000_000))
        return True

    def _decode(self, count: int) -> Rows:
        buffers = self._buffers
        control = decode_control(buffers.control[:count], buffers.headers["controllen"][:count])
        stamps = control.kernel_ns
        if self._wants_hardware:
            has_hardware = control.hardware_ns != 0
            stamps = np.where(has_hardware, control.hardware_ns, control.kernel_ns)
            self._hardware_seen += int(np.count_nonzero(has_hardware))
            self._kernel_seen += int(np.count_nonzero(~has_hardware))
        else:
            self._kernel_seen += count
        self._ancillary_drops = max(self._ancillary_drops, int(control.drops.max()))
        sizes = buffers.headers["len"][:count] if self._fd else None
        rows = decode_frames(buffers.frames[:count], stamps, sizes)
        is_local = (buffers.headers["flags"][:count] & _MSG_DONTROUTE) != 0
        rows["flags"] |= np.where(is_local, FLAG_TX, 0).astype(np.uint8)
        return rows

    @property
    def drops(self) -> int:
        """Frames that the kernel dropped because this socket was full; 0 at opening."""
        # Asked for, the count is of now; beside a frame, of the time when that frame came in.
        with contextlib.suppress(OSError):
            info = self._socket.getsockopt(socket.SOL_SOCKET, _SO_MEMINFO, 36)
            return int(np.frombuffer(info, np.uint32)[_MEMINFO_DROPS])
        return self._ancillary_drops

    @property
    def receive_buffer_bytes(self) -> int:
        """The room that the kernel gave for frames that wait; it counts its own bookkeeping in."""
        return self._socket.getsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF)

    @property
    def stamp_source(self) -> str:
        """Where the time stamps of the frames so far came from, in words for a report."""
        if self._hardware_seen and self._kernel_seen:
            return f"{HARDWARE} ({self._hardware_seen} frames), {KERNEL} ({self._kernel_seen} frames)"
        return HARDWARE if self._hardware_seen else KERNEL

    def fileno(self) -> int:
        """The socket's descriptor, for select()."""
        return self._socket.fileno()

    def close(self) -> None:
        """Close the socket. A second call does nothing."""
        self._socket.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


class _Buffers:
    """Memory for one call of recvmmsg, laid out once."""

    def __init__(self, frame_bytes: int) -> None:
        count = FRAMES_PER_CALL
        self.frames = np.zeros((count, frame_bytes), np.uint8)
        self.control = np.zeros((count, _CONTROL_BYTES), np.uint8)
        self._vectors = (_IoVec * count)()
        self._messages = (_MMsgHdr * count)()
        for index in range(count):
            self._vectors[index].base = self.frames[index].ctypes.data
            self._vectors[index].len = frame_bytes
            header = self._messages[index].hdr
            header.iov = ctypes.addressof(self._vectors[index])
            header.iovlen = 1
            header.control = self.control[index].ctypes.data
        self.headers: npt.NDArray[Any] = np.frombuffer(memoryview(self._messages), _HEADER)
        self._recvmmsg = ctypes.CDLL(None, use_errno=True).recvmmsg
        self._recvmmsg.argtypes = (
            ctypes.c_int,
            ctypes.c_void_p,
            ctypes.c_uint,
            ctypes.c_int,
            ctypes.c_void_p,
        )

    def receive(self, fd: int) -> int:
        """Take what waits, without waiting; the number of frames.

        Raises:
            OSError: the kernel's error, other than "nothing there".
        """
        # The kernel overwrites it with what it used.
        self.headers["controllen"] = _CONTROL_BYTES
        while True:
            count = self._recvmmsg(fd, self._messages, FRAMES_PER_CALL, _MSG_DONTWAIT, None)
            if count >= 0:
                return int(count)
            code = ctypes.get_errno()
            if code == errno.EAGAIN:
                return 0
            if code != errno.EINTR:
                raise OSError(code, os.strerror(code))


def _why_lost(channel: str, error: OSError) -> str:
    if error.errno == errno.ENETDOWN:
        return (
            f"{channel} is down: somebody took it down, or the adapter was unplugged. "
            f"`ip link set {channel} up` brings it back if it is still there"
        )
    return f"{channel} went away: {error.strerror}"
