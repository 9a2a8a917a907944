"""Frames of every kind for property tests, with content that stuffs heavily as often as not."""

from __future__ import annotations

import random

from hypothesis import strategies as st

from hiltest.canbus.frame import ERR_ACK, ERR_BUS_ERROR, ERR_PROTOCOL, FD_LENGTHS, Frame

_HEAVY = (0x00, 0xFF, 0x3C, 0xF0, 0x0F, 0x1E, 0xE1, 0x78)


def _payload(sizes: st.SearchStrategy[int]) -> st.SearchStrategy[bytes]:
    return sizes.flatmap(
        lambda size: (
            st.binary(min_size=size, max_size=size)
            | st.lists(st.sampled_from(_HEAVY), min_size=size, max_size=size).map(bytes)
        )
    )


def _ids(bits: int) -> st.SearchStrategy[int]:
    top = (1 << bits) - 1
    return st.integers(0, top) | st.sampled_from((0, top, 0x78, 0x0F, top & 0x15555555))


def _ids_and_kinds() -> st.SearchStrategy[tuple[int, bool]]:
    return st.booleans().flatmap(lambda extended: st.tuples(_ids(29 if extended else 11), st.just(extended)))


def data_frames() -> st.SearchStrategy[Frame]:
    parts = st.tuples(_ids_and_kinds(), _payload(st.integers(0, 8)))
    return parts.map(lambda p: Frame(p[0][0], p[1], p[0][1]))


def remote_frames() -> st.SearchStrategy[Frame]:
    parts = st.tuples(_ids_and_kinds(), st.integers(0, 8))
    return parts.map(lambda p: Frame(p[0][0], b"", p[0][1], remote=True, remote_dlc=p[1]))


def fd_frames() -> st.SearchStrategy[Frame]:
    parts = st.tuples(_ids_and_kinds(), _payload(st.sampled_from(FD_LENGTHS)), st.booleans(), st.booleans())
    return parts.map(lambda p: Frame(p[0][0], p[1], p[0][1], fd=True, bitrate_switch=p[2], error_state=p[3]))


def frames() -> st.SearchStrategy[Frame]:
    """Any frame a bus could carry."""
    return data_frames() | remote_frames() | fd_frames()


def mixed(count: int, seed: int = 1, errors: bool = False) -> list[Frame]:
    """A fixed long row of frames of every kind, stamped 0..900 us apart."""
    rng = random.Random(seed)
    out, t_ns = [], 0
    for _ in range(count):
        t_ns += rng.randrange(900) * 1000
        extended = rng.random() < 0.5
        can_id = rng.getrandbits(29 if extended else 11) & rng.choice((-1, 0x33, 0xF0F))
        kind = rng.random()
        if errors and kind < 0.05:
            data = bytes(
                (0, rng.choice((0, 8, 0x30)), rng.choice((0, 2, 4)), rng.choice((0, 8, 0x19)), 0, 0, 9, 1)
            )
            error_class = ERR_BUS_ERROR | rng.choice((0, ERR_ACK, ERR_PROTOCOL, 0x04, 0x40))
            out.append(Frame(error_class, data, error=True, t_ns=t_ns))
        elif kind < 0.15:
            out.append(Frame(can_id, extended=extended, remote=True, t_ns=t_ns, remote_dlc=rng.randrange(9)))
        elif kind < 0.3:
            size = rng.choice(FD_LENGTHS)
            data = rng.choice((rng.randbytes(size), bytes(size), b"\x3c" * size))
            out.append(Frame(can_id, data, extended, fd=True, bitrate_switch=rng.random() < 0.5, t_ns=t_ns))
        else:
            size = rng.randrange(9)
            data = rng.choice((rng.randbytes(size), bytes(size), b"\x3c" * size))
            out.append(Frame(can_id, data, extended, t_ns=t_ns, is_rx=rng.random() < 0.8))
    return out
