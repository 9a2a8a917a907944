"""The LSS slave, where published bytes don't reach (see tests/outside for those)."""

from __future__ import annotations

import struct

import pytest

from hiltest.simbench.lss_slave import LssSlave

IDENTITY = (1, 2, 3, 4)


class Desk:
    """A slave with a record of what it stored and took."""

    def __init__(self, node_id: int = 5, works: bool = True) -> None:
        self.stored: list[tuple[int, int | None]] = []
        self.taken: list[int] = []
        self.works = works
        self.slave = LssSlave(IDENTITY, node_id, self._store, self.taken.append)

    def _store(self, node_id: int, rate: int | None) -> bool:
        self.stored.append((node_id, rate))
        return self.works

    def ask(self, *data: int) -> bytes | None:
        return self.slave.handle(bytes(data).ljust(8, b"\0"))


@pytest.mark.parametrize("command", [0x11, 0x13, 0x17, 0x5A, 0x5E])
def test_a_waiting_slave_answers_no_configuration(command: int) -> None:
    """Only the slave that was switched to configuration does."""
    assert Desk().ask(command, 7) is None


def test_a_new_id_is_taken_when_the_state_is_left() -> None:
    """Not before, and not if it is the old one."""
    desk = Desk()
    desk.ask(0x04, 1)
    desk.ask(0x11, 9)
    assert desk.taken == []
    desk.ask(0x04, 0)
    assert desk.taken == [9]
    same = Desk()
    same.ask(0x04, 1)
    same.ask(0x11, 5)
    same.ask(0x04, 0)
    assert same.taken == []


@pytest.mark.parametrize(("works", "answer"), [(True, 0), (False, 2)])
def test_storing_reports_whether_it_worked(works: bool, answer: int) -> None:
    """A worn memory answers 2 (storage access error, from memory of CiA 305)."""
    desk = Desk(works=works)
    desk.ask(0x04, 1)
    desk.ask(0x11, 9)
    desk.ask(0x13, 0, 2)
    assert desk.ask(0x17) == bytes([0x17, answer]) + bytes(6)
    assert desk.stored == [(9, 500_000)]


@pytest.mark.parametrize("fields", [(1, 2), (0, 5), (0, 9)])
def test_a_bit_timing_that_is_not_offered_is_refused(fields: tuple[int, int]) -> None:
    """Another table, or an index without a rate."""
    desk = Desk()
    desk.ask(0x04, 1)
    assert desk.ask(0x13, *fields) == bytes([0x13, 1]) + bytes(6)


@pytest.mark.parametrize("part", range(6))
def test_identify_needs_every_field_in_range(part: int) -> None:
    """Vendor and product exactly, revision and serial within their limits."""
    limits = [1, 2, 3, 3, 4, 4]
    limits[part] += 1 if part in (0, 1, 2, 4) else -1
    desk = Desk()
    answers = [desk.slave.handle(struct.pack("<BI3x", 0x46 + n, value)) for n, value in enumerate(limits)]
    assert answers[-1] is None


def test_a_frame_of_another_length_is_ignored() -> None:
    """CiA 305: 8 bytes."""
    assert Desk().slave.handle(b"\x04\x01") is None
