"""SDO block transfer from the client's side (CiA 301): long objects in blocks of up to 127 frames, each block confirmed once.

Written from the published frame layouts (ICP DAS CAN-8x23 user's manual, p. 80 to 97) because the client of the
`canopen` package waits on the wall clock when frames are lost. It is compared with that client frame by frame in
tests/node/test_sdo_block.py. The CRC is that of CiA 301: polynomial 0x1021, start value 0 (CRC-16/XMODEM, check value 0x31C3).
"""

from __future__ import annotations

import binascii
import struct
from collections import deque
from collections.abc import Callable
from typing import Any

from hiltest.canbus.frame import Frame
from hiltest.canbus.fullqueue import QueueFull
from hiltest.errors import NoAnswer, NodeFault, NotSent, Refused
from hiltest.link import Link

SEGMENT_BYTES, BLOCK_SEGMENTS = 7, 127
BYTES_MAX = 16 << 20
"""A node that never says "last segment" fills no memory."""
ANSWER_S = 1.0
REPEATS_MAX = 10
"""Blocks in a row that bring nothing new before the transfer is given up."""
FRAME_BITS = 135
ABORT = 0x80
TIMED_OUT, BAD_COMMAND, BAD_CRC, OUT_OF_MEMORY = 0x0504_0000, 0x0504_0001, 0x0504_0004, 0x0504_0005

_HEAD = struct.Struct("<BHB")


class BlockClient:
    """Block transfers with one node. `reasons` names abort codes; `name` is the node's for messages."""

    def __init__(self, link: Link, name: str, node_id: int, reasons: dict[int, str]) -> None:
        self._link = link
        self._name = name
        self._id = node_id
        self._reasons = reasons
        self._answers: deque[bytes] = deque()

    # --- reading ------------------------------------------------------------------------------------

    def upload(self, index: int, sub: int) -> bytes:
        """Read an object.

        Raises:
            Refused: the node aborted, or began an ordinary upload (no block transfer there: code 0x05040001).
            NoAnswer: it fell silent, or lost frames again and again.
            NodeFault: what came is not what was announced, or its CRC is wrong.
        """
        return bytes(self._transfer(index, sub, f"a block read of 0x{index:04X}:{sub}", self._upload))

    def _upload(self, index: int, sub: int, asked: str) -> bytes:
        request = _HEAD.pack(0xA4, index, sub) + bytes([BLOCK_SEGMENTS, 0, 0, 0])
        answer = self._ask(request, asked)
        if answer[0] & 0xE0 == 0x40 and answer[1:4] == request[1:4]:
            # Some servers know no blocks and begin an ordinary upload instead.
            self._abort(index, sub, BAD_COMMAND)
            raise Refused(self._name, asked, "it begins an ordinary upload: it knows no blocks", BAD_COMMAND)
        self._expect(answer, 0xC0, 0xE0, index, sub, asked)
        size = struct.unpack_from("<I", answer, 4)[0] if answer[0] & 0x02 else None
        has_crc = bool(answer[0] & 0x04)
        self._send(bytes([0xA3]))
        data = self._segments(asked)
        end = self._wait(asked)
        if end[0] & 0xE3 != 0xC1:
            self._give_up(index, sub, BAD_COMMAND, asked, f"its end is command 0x{end[0]:02X}, expected 0xC1")
        data = data[: len(data) - (end[0] >> 2 & 7)]
        if size is not None and size != len(data):
            self._give_up(index, sub, BAD_COMMAND, asked, f"{len(data)} bytes came, {size} were announced")
        crc = struct.unpack_from("<H", end, 1)[0]
        if has_crc and crc != binascii.crc_hqx(data, 0):
            self._give_up(
                index, sub, BAD_CRC, asked, f"the CRC is 0x{crc:04X}, of {len(data)} bytes it must be another"
            )
        self._send(bytes([0xA1]))
        return bytes(data)

    def _segments(self, asked: str) -> bytearray:
        """The segments of all blocks, in order; what was lost is asked for again."""
        data, repeats = bytearray(), 0
        while True:
            taken, is_last = 0, False
            while taken < BLOCK_SEGMENTS:
                segment = self._next_segment(asked if taken == 0 and repeats == 0 else None)
                if segment is None:
                    break
                number = segment[0] & 0x7F
                if number == taken + 1:
                    data += segment[1:8]
                    taken, is_last = number, bool(segment[0] & 0x80)
                if is_last or segment[0] & 0x80 or number == BLOCK_SEGMENTS:
                    break
            repeats = 0 if taken else repeats + 1
            if repeats > REPEATS_MAX or len(data) > BYTES_MAX:
                self._abort(0, 0, OUT_OF_MEMORY if len(data) > BYTES_MAX else TIMED_OUT)
                raise NoAnswer(self._name, asked, ANSWER_S, f"{len(data)} bytes, then nothing new")
            self._answers.clear()
            self._send(bytes([0xA2, taken, BLOCK_SEGMENTS]))
            if is_last:
                return data

    def _next_segment(self, asked: str | None) -> bytes | None:
        answer = self._link.wait_for(self._take, ANSWER_S)
        if answer is None and asked is not None:
            raise NoAnswer(self._name, asked, ANSWER_S)
        if answer is not None and answer[0] == ABORT:
            self._refused(answer, asked or "a block read")
        return answer

    # --- writing ------------------------------------------------------------------------------------

    def download(self, index: int, sub: int, data: bytes) -> None:
        """Write an object. Raises as `upload`."""

        def transfer(index: int, sub: int, asked: str) -> None:
            self._download(index, sub, data, asked)

        self._transfer(index, sub, f"a block write of {len(data)} bytes to 0x{index:04X}:{sub}", transfer)

    def _download(self, index: int, sub: int, data: bytes, asked: str) -> None:
        answer = self._ask(_HEAD.pack(0xC6, index, sub) + struct.pack("<I", len(data)), asked)
        self._expect(answer, 0xA0, 0xE3, index, sub, asked)
        has_crc, block = bool(answer[0] & 0x04), answer[4]
        parts = [data[at : at + SEGMENT_BYTES] for at in range(0, len(data), SEGMENT_BYTES)] or [b""]
        done = repeats = 0
        while done < len(parts):
            if not 1 <= block <= BLOCK_SEGMENTS:
                self._give_up(
                    index,
                    sub,
                    BAD_COMMAND,
                    asked,
                    f"it wants blocks of {block} segments, allowed are 1 to 127",
                )
            sent = parts[done : done + block]
            for number, part in enumerate(sent, 1):
                last = 0x80 if done + number == len(parts) else 0
                self._send_patiently(bytes([number | last]) + part)
            answer = self._wait(asked)
            if answer[0] & 0xE3 != 0xA2 or answer[1] > len(sent):
                told = f"it confirmed with {answer.hex(' ').upper()}, expected A2 and up to {len(sent):02X}"
                self._give_up(index, sub, BAD_COMMAND, asked, told)
            done, block = done + answer[1], answer[2]
            repeats = 0 if answer[1] else repeats + 1
            if repeats > REPEATS_MAX:
                self._give_up(index, sub, TIMED_OUT, asked, "segment 1 of a block is lost again and again")
        unused = SEGMENT_BYTES - len(parts[-1])
        crc = binascii.crc_hqx(data, 0) if has_crc else 0
        answer = self._ask(bytes([0xC1 | unused << 2]) + struct.pack("<H", crc), asked)
        if answer[0] & 0xE3 != 0xA1:
            self._give_up(
                index, sub, BAD_COMMAND, asked, f"its end is command 0x{answer[0]:02X}, expected 0xA1"
            )

    # --- frames -------------------------------------------------------------------------------------

    def _transfer(self, index: int, sub: int, asked: str, transfer: Callable[[int, int, str], Any]) -> Any:
        remove = self._link.listen(self._heard, {0x580 + self._id})
        self._answers.clear()
        try:
            return transfer(index, sub, asked)
        finally:
            remove()

    def _heard(self, frame: Frame) -> None:
        if frame.is_rx and not frame.remote and len(frame.data) == 8:
            self._answers.append(frame.data)

    def _take(self) -> bytes | None:
        return self._answers.popleft() if self._answers else None

    def _send(self, request: bytes) -> None:
        try:
            self._link.send(Frame(0x600 + self._id, request.ljust(8, b"\0")))
        except QueueFull as error:
            raise NotSent(self._name, "a block transfer", error) from error

    def _send_patiently(self, segment: bytes) -> None:
        """A block may be longer than the adapter's queue: let it send before more is given to it."""
        for _ in range(BLOCK_SEGMENTS):
            try:
                self._link.send(Frame(0x600 + self._id, segment.ljust(8, b"\0")))
            except QueueFull:
                self._link.run_for(8 * FRAME_BITS / self._link.port.bit_rate_bps)
            else:
                return
        self._send(segment)

    def _ask(self, request: bytes, asked: str) -> bytes:
        self._answers.clear()
        self._send(request)
        return self._wait(asked)

    def _wait(self, asked: str) -> bytes:
        answer = self._link.wait_for(self._take, ANSWER_S)
        if answer is None:
            self._abort(0, 0, TIMED_OUT)
            raise NoAnswer(self._name, asked, ANSWER_S)
        if answer[0] == ABORT:
            self._refused(answer, asked)
        return answer

    def _expect(self, answer: bytes, command: int, mask: int, index: int, sub: int, asked: str) -> None:
        got, got_index, got_sub = _HEAD.unpack_from(answer)
        if got & mask != command or (got_index, got_sub) != (index, sub):
            self._give_up(index, sub, BAD_COMMAND, asked, f"it answered {answer.hex(' ').upper()}")

    def _refused(self, answer: bytes, asked: str) -> None:
        code = struct.unpack_from("<I", answer, 4)[0]
        raise Refused(
            self._name, asked, self._reasons.get(code, "an abort code that CiA 301 does not list"), code
        )

    def _abort(self, index: int, sub: int, code: int) -> None:
        self._send(_HEAD.pack(ABORT, index, sub) + struct.pack("<I", code))

    def _give_up(self, index: int, sub: int, code: int, asked: str, why: str) -> None:
        self._abort(index, sub, code)
        raise NodeFault(f"node {self._name!r}, {asked}: {why}")
