"""Looks over the blocks of an MDF4 file before any of its data is read: loops, sizes, what it unpacks to.

Block layout after ASAM MDF 4.1 (associated standard "Measurement Data Format"; from memory): an id of four
letters that begins with ##, four bytes reserved, length and number of links as unsigned 64-bit numbers, the
links, then what the block holds.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from engine.logs.errors import LogError

HEADER = struct.Struct("<4s4xQQ")
GROUP = struct.Struct("<QQHH4xII")
PACKED = struct.Struct("<2sBxIQQ")
HEAD_AT = 64
MOST_LINKS = 200_000
MOST_BLOCKS = 1_000_000
VARIABLE_LENGTH = 1
RECORD_ID_BYTES = (0, 1, 2, 4, 8)
LONGEST_RECORD = 2**24
DEFLATE, DEFLATE_TRANSPOSED = 0, 1
DATA = frozenset({b"##DT", b"##DV", b"##SD", b"##RD", b"##RV", b"##RI", b"##DI"})
LISTS = frozenset({b"##DL", b"##LD"})


@dataclass(frozen=True)
class Block:
    """A block: its id, its links, and where what it holds begins and ends."""

    kind: bytes
    links: tuple[int, ...]
    begin: int
    end: int


def check_mdf4(path: Path, most_bytes: int) -> None:
    """Raise `LogError` for an MDF4 file with loops, blocks beyond its end, or more data than is taken.

    Packed data is unpacked once, without keeping it, since the size that a block declares need not be true.
    """
    with path.open("rb") as stream:
        _Walk(stream, path.stat().st_size, most_bytes).all()


class _Walk:
    def __init__(self, stream: BinaryIO, size: int, most_bytes: int) -> None:
        self._stream, self._size, self._most_bytes = stream, size, most_bytes
        self._seen: set[int] = set()
        self._blocks = self._unpacked = 0

    def all(self) -> None:
        head = self._block(HEAD_AT, (b"##HD",))
        for start in head.links[1:5]:
            self._chain(start)
        at = head.links[0] if head.links else 0
        while at:
            group = self._once(at, (b"##DG",))
            before = self._unpacked
            self._data(_link(group, 2))
            declared = self._channel_groups(_link(group, 1), self._record_id_bytes(group))
            if declared > self._unpacked - before:
                had = self._unpacked - before
                raise _damaged(f"its groups declare {declared} bytes of samples, but it has {had}")
            at = _link(group, 0)

    def _record_id_bytes(self, group: Block) -> int:
        return self._read(group.begin, 1)[0]

    def _channel_groups(self, at: int, id_bytes: int) -> int:
        declared = 0
        if id_bytes not in RECORD_ID_BYTES:
            raise _damaged(f"its records are numbered with {id_bytes} bytes")
        while at:
            group = self._once(at, (b"##CG",))
            _, cycles, flags, _, data, invalid = GROUP.unpack(self._read(group.begin, GROUP.size))
            if data + invalid > LONGEST_RECORD:
                raise _damaged(f"a record of it is {data + invalid} bytes long")
            if not flags & VARIABLE_LENGTH:
                declared += cycles * (data + invalid + id_bytes)
            if cycles > self._most_bytes:
                raise LogError("too_large", f"the file declares {cycles} samples of a channel")
            self._channels(_link(group, 1))
            at = _link(group, 0)
        return declared

    def _channels(self, first: int) -> None:
        waiting = [first]
        while waiting:
            at = waiting.pop()
            if not at:
                continue
            channel = self._once(at, (b"##CN", b"##CA", b"##CL", b"##CU", b"##CV"))
            if channel.kind == b"##CN":
                waiting += [_link(channel, 0), _link(channel, 1)]
                self._conversion(_link(channel, 4), ())
                self._signal_data(_link(channel, 5))
            else:
                waiting.append(_link(channel, 0))

    def _conversion(self, at: int, above: tuple[int, ...]) -> None:
        if not at or self._kind(at) != b"##CC":
            return
        if at in above or len(above) > 20:
            raise _damaged("a conversion rests on itself")
        block = self._block(at, (b"##CC",))
        for link in block.links[3:]:
            self._conversion(link, (*above, at))

    def _signal_data(self, at: int) -> None:
        if at and self._kind(at) in (DATA | LISTS | {b"##DZ", b"##HL"}):
            self._data(at)

    def _chain(self, at: int) -> None:
        while at:
            at = _link(self._once(at, ()), 0)

    def _data(self, at: int) -> None:
        if not at:
            return
        if self._kind(at) == b"##HL":
            at = _link(self._once(at, (b"##HL",)), 0)
        while at and self._kind(at) in LISTS:
            block = self._once(at, ())
            for link in block.links[1:]:
                if link:
                    self._data_block(link)
            at = _link(block, 0)
        if at:
            self._data_block(at)

    def _data_block(self, at: int) -> None:
        block = self._block(at, (*DATA, b"##DZ"))
        if block.kind == b"##DZ":
            self._unpacked += self._packed(block)
        else:
            self._unpacked += block.end - block.begin
        if self._unpacked > self._most_bytes:
            raise LogError(
                "too_large", f"the file unpacks to more than the {self._most_bytes} bytes that are taken"
            )

    def _packed(self, block: Block) -> int:
        _, method, _, declared, length = PACKED.unpack(self._read(block.begin, PACKED.size))
        begin = block.begin + PACKED.size
        if method not in (DEFLATE, DEFLATE_TRANSPOSED):
            raise LogError("format_not_read", "the data of the file is packed otherwise than by deflate")
        if begin + length > block.end:
            raise _damaged("a packed block is cut off")
        if self._unpacked + declared > self._most_bytes:
            return int(declared)
        found = self._unpacked_size(begin, begin + length, declared)
        if found != declared:
            raise _damaged(f"a packed block declares {declared} bytes and holds others")
        return int(declared)

    def _unpacked_size(self, begin: int, end: int, most: int) -> int:
        """Return to how many bytes a block unpacks, or one more than `most`."""
        unpack, found, at = zlib.decompressobj(), 0, begin
        try:
            while at < end and not unpack.eof:
                piece = self._read(at, min(end - at, 1 << 20))
                at += len(piece)
                while piece and found <= most:
                    found += len(unpack.decompress(piece, 1 << 22))
                    piece = unpack.unconsumed_tail
                if found > most:
                    return most + 1
            return found + len(unpack.flush())
        except zlib.error as error:
            raise _damaged("a packed block cannot be unpacked") from error

    def _once(self, at: int, kinds: tuple[bytes, ...]) -> Block:
        if at in self._seen:
            raise _damaged("its blocks run in a loop")
        self._seen.add(at)
        return self._block(at, kinds)

    def _kind(self, at: int) -> bytes:
        return self._read(at, 4)

    def _block(self, at: int, kinds: tuple[bytes, ...]) -> Block:
        self._blocks += 1
        if self._blocks > MOST_BLOCKS:
            raise LogError("too_large", f"the file has more than {MOST_BLOCKS} blocks")
        kind, length, links = HEADER.unpack(self._read(at, HEADER.size))
        if kinds and kind not in kinds:
            raise _damaged(f"a block of another kind stands where {kinds[0].decode()} should")
        begin = at + HEADER.size + 8 * links
        if links > MOST_LINKS or begin > at + length or at + length > self._size:
            raise _damaged("a block reaches beyond the end of the file or of itself")
        found = struct.unpack(f"<{links}Q", self._read(at + HEADER.size, 8 * links))
        return Block(kind, found, begin, at + length)

    def _read(self, at: int, count: int) -> bytes:
        if at < HEAD_AT or at + count > self._size:
            raise _damaged("it points beyond its end, as when it was cut off")
        self._stream.seek(at)
        return self._stream.read(count)


def _link(block: Block, number: int) -> int:
    return block.links[number] if number < len(block.links) else 0


def _damaged(why: str) -> LogError:
    return LogError("damaged", f"the MDF4 file is damaged: {why}")
