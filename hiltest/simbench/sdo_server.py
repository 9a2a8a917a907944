"""The SDO server of a simulated node: expedited, segmented and block transfers, written from CiA 301.

It is the second, independent implementation: no code is shared with the client side. Each request of 8
bytes gives a list of answers of 8 bytes. The layout of the frames is of CiA 301, checked byte for byte in
tests/outside; block transfer (CRC-16 with polynomial 0x1021) is from memory and checked against the
`canopen` package's client.
"""

from __future__ import annotations

import binascii
import struct
from dataclasses import dataclass, field

from hiltest.simbench import objects
from hiltest.simbench.objects import Dictionary, SdoAbort

_HEAD = struct.Struct("<BHB")
SEGMENT_BYTES = 7
BLOCK_SEGMENTS = 127


@dataclass(slots=True)
class _Transfer:
    """What is under way: `kind` is upload, download, block-upload, block-download or block-end."""

    kind: str
    index: int
    sub: int
    data: bytes = b""
    toggle: int = 0
    size: int | None = None
    offset: int = 0
    block: list[bytes] = field(default_factory=list)
    segments: int = BLOCK_SEGMENTS
    expected: int = 1
    with_crc: bool = False
    finished: bool = False


class SdoServer:
    """Serves one client. `indicates_size` and `pads_answers` are habits that real servers differ in."""

    def __init__(self, dictionary: Dictionary) -> None:
        self._objects = dictionary
        self._transfer: _Transfer | None = None
        self.indicates_size = True
        self.pads_answers = True

    def reset(self) -> None:
        """Forget a transfer that is under way."""
        self._transfer = None

    def handle(self, request: bytes) -> list[bytes]:
        """Answers to one request. Requests that are not 8 bytes long are not SDO and get none."""
        if len(request) != 8:
            return []
        transfer = self._transfer
        if transfer is not None and transfer.kind == "block-download" and request[0] != 0x80:
            return self._guarded(self._block_segment, request, transfer)
        service = request[0] >> 5
        if service == 4:
            self._transfer = None
            return []
        handler = {
            0: self._download_segment,
            1: self._start_download,
            2: self._start_upload,
            3: self._upload_segment,
            5: self._block_upload,
            6: self._block_download,
        }.get(service)
        if handler is None:
            return [self._abort(request, objects.BAD_COMMAND)]
        return self._guarded(handler, request, transfer)

    def _guarded(self, handler: object, request: bytes, transfer: _Transfer | None) -> list[bytes]:
        try:
            answers: list[bytes] = handler(request, transfer)  # type: ignore[operator]
        except SdoAbort as refusal:
            return [self._abort(request, refusal.code)]
        return answers

    def _abort(self, request: bytes, code: int) -> bytes:
        transfer, self._transfer = self._transfer, None
        segment = request[0] >> 5 in (0, 3) or (transfer is not None and transfer.kind.startswith("block"))
        if segment and transfer is not None:
            place = struct.pack("<HB", transfer.index, transfer.sub)
        else:
            place = request[1:4]
        return b"\x80" + place + struct.pack("<I", code)

    # --- upload: the client reads -----------------------------------------------------------------

    def _start_upload(self, request: bytes, _: _Transfer | None) -> list[bytes]:
        self._transfer = None
        _, index, sub = _HEAD.unpack_from(request)
        data = self._objects.read(index, sub)
        if 0 < len(data) <= 4:
            command = 0x43 | (4 - len(data)) << 2 if self.indicates_size else 0x42
            body = data.ljust(4, b"\0") if self.pads_answers else data
            return [_HEAD.pack(command, index, sub) + body]
        self._transfer = _Transfer("upload", index, sub, data)
        if self.indicates_size:
            return [_HEAD.pack(0x41, index, sub) + struct.pack("<I", len(data))]
        return [_HEAD.pack(0x40, index, sub) + bytes(4)]

    def _upload_segment(self, request: bytes, transfer: _Transfer | None) -> list[bytes]:
        if transfer is None or transfer.kind != "upload":
            raise SdoAbort(objects.BAD_COMMAND)
        toggle = request[0] & 0x10
        if toggle != transfer.toggle:
            raise SdoAbort(objects.TOGGLE)
        part = transfer.data[transfer.offset : transfer.offset + SEGMENT_BYTES]
        transfer.offset += len(part)
        transfer.toggle ^= 0x10
        last = transfer.offset >= len(transfer.data)
        if last:
            self._transfer = None
        command = toggle | (SEGMENT_BYTES - len(part)) << 1 | last
        return [bytes([command]) + part.ljust(SEGMENT_BYTES, b"\0")]

    # --- download: the client writes --------------------------------------------------------------

    def _start_download(self, request: bytes, _: _Transfer | None) -> list[bytes]:
        self._transfer = None
        command, index, sub = _HEAD.unpack_from(request)
        entry = self._objects.entry(index, sub)
        if not entry.writable:
            raise SdoAbort(objects.READ_ONLY)
        if command & 0x02:
            if command & 0x01:
                data = request[4 : 8 - (command >> 2 & 3)]
            else:
                # No size given: as long as the object is, all four bytes if that is open.
                data = request[4 : 4 + min(entry.size or 4, 4)]
            self._objects.write(index, sub, data)
        else:
            size = struct.unpack_from("<I", request, 4)[0] if command & 0x01 else None
            if size is not None and entry.size is not None and size != entry.size:
                raise SdoAbort(objects.TOO_LONG if size > entry.size else objects.TOO_SHORT)
            self._transfer = _Transfer("download", index, sub, size=size)
        return [_HEAD.pack(0x60, index, sub) + bytes(4)]

    def _download_segment(self, request: bytes, transfer: _Transfer | None) -> list[bytes]:
        if transfer is None or transfer.kind != "download":
            raise SdoAbort(objects.BAD_COMMAND)
        command = request[0]
        toggle = command & 0x10
        if toggle != transfer.toggle:
            raise SdoAbort(objects.TOGGLE)
        transfer.data += request[1 : 8 - (command >> 1 & 7)]
        transfer.toggle ^= 0x10
        if transfer.size is not None and len(transfer.data) > transfer.size:
            raise SdoAbort(objects.TOO_LONG)
        if command & 0x01:
            if transfer.size is not None and len(transfer.data) != transfer.size:
                raise SdoAbort(objects.TOO_SHORT)
            self._objects.write(transfer.index, transfer.sub, transfer.data)
            self._transfer = None
        return [bytes([0x20 | toggle]) + bytes(7)]

    # --- block upload -----------------------------------------------------------------------------

    def _block_upload(self, request: bytes, transfer: _Transfer | None) -> list[bytes]:
        step = request[0] & 0x03
        if step == 0:
            return self._start_block_upload(request)
        if transfer is None or transfer.kind != "block-upload":
            raise SdoAbort(objects.BAD_COMMAND)
        if step == 3:
            return self._next_block(transfer)
        if step == 2:
            return self._block_acknowledged(request, transfer)
        self._transfer = None  # step 1: the client confirmed the end
        return []

    def _start_block_upload(self, request: bytes) -> list[bytes]:
        self._transfer = None
        command, index, sub = _HEAD.unpack_from(request)
        data = self._objects.read(index, sub)
        segments = request[4]
        if not 1 <= segments <= BLOCK_SEGMENTS:
            raise SdoAbort(objects.BAD_BLOCK_SIZE)
        self._transfer = _Transfer(
            "block-upload", index, sub, data, segments=segments, with_crc=bool(command & 0x04)
        )
        return [_HEAD.pack(0xC6, index, sub) + struct.pack("<I", len(data))]

    def _next_block(self, transfer: _Transfer) -> list[bytes]:
        frames = []
        rest = transfer.data[transfer.offset :]
        for number in range(1, transfer.segments + 1):
            part = rest[(number - 1) * SEGMENT_BYTES : number * SEGMENT_BYTES]
            last = number * SEGMENT_BYTES >= len(rest)
            frames.append(bytes([number | 0x80 * last]) + part.ljust(SEGMENT_BYTES, b"\0"))
            if last:
                break
        return frames

    def _block_acknowledged(self, request: bytes, transfer: _Transfer) -> list[bytes]:
        taken, segments = request[1], request[2]
        if taken > transfer.segments:
            raise SdoAbort(objects.BAD_SEQUENCE)
        if not 1 <= segments <= BLOCK_SEGMENTS:
            raise SdoAbort(objects.BAD_BLOCK_SIZE)
        transfer.offset = min(len(transfer.data), transfer.offset + taken * SEGMENT_BYTES)
        transfer.segments = segments
        if transfer.offset < len(transfer.data):
            return self._next_block(transfer)
        unused = -len(transfer.data) % SEGMENT_BYTES if transfer.data else SEGMENT_BYTES
        crc = binascii.crc_hqx(transfer.data, 0) if transfer.with_crc else 0
        return [bytes([0xC1 | unused << 2]) + struct.pack("<H", crc) + bytes(5)]

    # --- block download ---------------------------------------------------------------------------

    def _block_download(self, request: bytes, transfer: _Transfer | None) -> list[bytes]:
        if request[0] & 0x01:
            if transfer is None or transfer.kind != "block-end":
                raise SdoAbort(objects.BAD_COMMAND)
            return self._end_block_download(request, transfer)
        self._transfer = None
        command, index, sub = _HEAD.unpack_from(request)
        if not self._objects.entry(index, sub).writable:
            raise SdoAbort(objects.READ_ONLY)
        size = struct.unpack_from("<I", request, 4)[0] if command & 0x02 else None
        self._transfer = _Transfer("block-download", index, sub, size=size, with_crc=bool(command & 0x04))
        return [_HEAD.pack(0xA4, index, sub) + bytes([BLOCK_SEGMENTS, 0, 0, 0])]

    def _block_segment(self, request: bytes, transfer: _Transfer) -> list[bytes]:
        number, last = request[0] & 0x7F, bool(request[0] & 0x80)
        if number == transfer.expected:
            transfer.block.append(request[1:])
            transfer.expected += 1
            transfer.finished = last
        if not last and number < BLOCK_SEGMENTS:
            return []
        taken = transfer.expected - 1
        transfer.data += b"".join(transfer.block)
        transfer.block.clear()
        transfer.expected = 1
        if transfer.finished:
            transfer.kind = "block-end"
        return [bytes([0xA2, taken, BLOCK_SEGMENTS]) + bytes(5)]

    def _end_block_download(self, request: bytes, transfer: _Transfer) -> list[bytes]:
        unused = request[0] >> 2 & 7
        data = transfer.data[: len(transfer.data) - unused]
        if transfer.size is not None and len(data) != transfer.size:
            raise SdoAbort(objects.TOO_LONG if len(data) > transfer.size else objects.TOO_SHORT)
        if transfer.with_crc and binascii.crc_hqx(data, 0) != struct.unpack_from("<H", request, 1)[0]:
            raise SdoAbort(objects.BAD_CRC)
        self._objects.write(transfer.index, transfer.sub, data)
        self._transfer = None
        return [b"\xa1" + bytes(7)]
