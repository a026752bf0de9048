"""The records of a group as they lie in an ASAM MDF 4 file: in pieces, unpacked, told apart.

All declared sizes are held against each other and against the file before anything is read, and
whatever the file declares, a piece at a time is in memory.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from tuneassist.reading.mdf.blocks import Blocks, MdfGroup

PIECE = 1 << 20
"""Read and unpacked at a time. [bytes]"""
MOST_RECORD = 4 << 20
"""Length of a record: half a million channels. [bytes]"""
MOST_TURNED = 64 << 20
"""Size of a block stored column by column, which is unpacked whole; the standard advises 4 MB.
[bytes]"""
FREE_BYTES = 256 << 20
"""Unpacked size of a group's records up to which it is not asked how tightly they are packed.
[bytes]"""
MOST_PACKED = 250
"""Beyond that, how many bytes one packed byte may stand for: noise alone packs worse. [1]"""
FREE_RECORDS = 2_000_000
"""Records that are read however few bytes hold them; beyond, each takes one byte of the file, for
a stamp and one noisy channel take two. [rows]"""

_FED = 64 << 10  # packed bytes handed to the unpacker at a time
Bytes2d = npt.NDArray[np.uint8]
_ZIPPED = struct.Struct("<2sBxIQQ")
_PACKINGS = ("deflate", "zstd", "lz4")  # by the half of the block's number; odd ones are turned
_PLAIN = b"##DT"


@dataclass(frozen=True, slots=True)
class Stored:
    """A block of records.

    Parameters
    ----------
    address, size
        Where it lies in the file. [bytes]
    unpacked
        Its size when unpacked. [bytes]
    packing
        "deflate", "zstd" or "lz4"; empty for a plain one.
    columns
        Length of the records that were stored column by column; 0 where they were not. [bytes]
    """

    address: int
    size: int
    unpacked: int
    packing: str = ""
    columns: int = 0


def stored_blocks(blocks: Blocks, group: MdfGroup) -> list[Stored]:
    """Return the blocks of a group's records, whose declared sizes agree with each other.

    Parameters
    ----------
    blocks
        The file.
    group
        The group.

    Raises
    ------
    LogError
        When they do not, or when the records would fill memory or time without bound.
    """
    found: list[Stored] = []
    on_disk = 0
    for address in _addresses(blocks, group.data):
        one = _stored(blocks, address)
        on_disk += one.size
        if on_disk > blocks.size:
            raise blocks.damaged("its blocks of records overlap")
        found.append(one)
    _check_sizes(blocks, group, sum(one.unpacked for one in found), on_disk)
    return found


def _addresses(blocks: Blocks, first: int) -> Iterator[int]:
    """Follow lists to the blocks of records."""
    if not first:
        return
    kind = blocks.bytes_at(first, 4)
    if kind == b"##HL":
        first = blocks.read(first, b"##HL", links=1).links[0]
        kind = b"##DL"
    if kind in (b"##LD", b"##DV"):
        raise blocks.not_read("this ASAM MDF file stores its records by column, which is not read")
    if kind != b"##DL":
        yield first
        return
    for block in blocks.chain(first, b"##DL", links=1):
        yield from (link for link in block.links[1:] if link)


def _stored(blocks: Blocks, address: int) -> Stored:
    block = blocks.read(address, _PLAIN, b"##DZ", most=_ZIPPED.size)
    if block.kind == _PLAIN:
        return Stored(block.data_address, block.data_length, block.data_length)
    if len(block.data) < _ZIPPED.size:
        raise blocks.damaged(f"the packed block at byte {address} is too short")
    _, how, columns, unpacked, size = _ZIPPED.unpack(block.data)
    if how // 2 >= len(_PACKINGS):
        raise blocks.not_read(f"its records are packed in a way (number {how}) that is not read")
    if size > block.data_length - _ZIPPED.size:
        raise blocks.damaged(f"the packed block at byte {address} ends beyond itself")
    columns = columns if how % 2 else 0
    if how % 2 and not columns:
        raise blocks.damaged(f"the packed block at byte {address} has columns without a length")
    if columns and unpacked > MOST_TURNED:
        raise blocks.not_read(
            f"a packed block of its records unpacks to {unpacked >> 20:,} MB in one piece; up to "
            f"{MOST_TURNED >> 20} MB are read"
        )
    start = block.data_address + _ZIPPED.size
    return Stored(start, size, unpacked, _PACKINGS[how // 2], columns)


def _check_sizes(blocks: Blocks, group: MdfGroup, unpacked: int, on_disk: int) -> None:
    size = group.id_bytes + group.size
    if group.size > MOST_RECORD:
        raise blocks.not_read(f"its records have {group.size:,} bytes; {MOST_RECORD:,} are read")
    if group.records and not group.size:
        raise blocks.damaged(f"{group.records:,} records of no bytes are declared")
    if group.records * size > unpacked:
        raise blocks.damaged(
            f"{group.records:,} records of {size:,} bytes are declared, and {unpacked:,} bytes held"
        )
    if unpacked > max(FREE_BYTES, MOST_PACKED * on_disk):
        raise blocks.damaged(f"{on_disk:,} packed bytes declare {unpacked:,} bytes of records")
    if group.records > max(FREE_RECORDS, on_disk):
        raise blocks.damaged(f"{on_disk:,} packed bytes declare {group.records:,} records")


class _Reads(Protocol):
    def read(self, size: int, /) -> bytes:
        """Return the next bytes; none at the end."""


class _Packed(io.RawIOBase):
    """The packed bytes of a block, from the file piece by piece."""

    def __init__(self, blocks: Blocks, stored: Stored) -> None:
        self._blocks, self._at = blocks, stored.address
        self._end = stored.address + stored.size

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1, /) -> bytes:
        left = self._end - self._at
        count = left if size < 0 else min(size, left)
        data = self._blocks.bytes_at(self._at, count)
        self._at += count
        return data


class _Inflating:
    """Unpacks deflated bytes, never more than asked for."""

    def __init__(self, packed: _Packed) -> None:
        self._packed, self._work = packed, zlib.decompressobj()

    def read(self, size: int, /) -> bytes:
        data = b""
        while not data and not self._work.eof:
            more = self._work.unconsumed_tail or self._packed.read(_FED)
            data = self._work.decompress(more, size)
            if not more and not data:
                break
        return data


def pieces(blocks: Blocks, stored: list[Stored]) -> Iterator[bytes]:
    """Yield the bytes of the records in their order.

    Parameters
    ----------
    blocks
        The file.
    stored
        What `stored_blocks` returned.

    Raises
    ------
    LogError
        When a packed block is damaged or unpacks to another size than it declares.
    """
    for one in stored:
        if one.columns:
            yield _turned(b"".join(_unpacked(blocks, one)), one.columns)
        else:
            yield from _unpacked(blocks, one)


def _unpacked(blocks: Blocks, stored: Stored) -> Iterator[bytes]:
    reader, left = _reader(_Packed(blocks, stored), stored.packing), stored.unpacked
    while True:
        try:
            data = reader.read(PIECE)
        except (OSError, zlib.error) as error:
            raise blocks.damaged("a packed block cannot be unpacked") from error
        if len(data) > left or (left and not data):
            raise blocks.damaged("a packed block unpacks to another size than it declares")
        if not data:
            return
        left -= len(data)
        yield data


def _reader(packed: _Packed, packing: str) -> _Reads:
    if not packing:
        return packed
    if packing == "deflate":
        return _Inflating(packed)
    import pyarrow as pa

    stream: Any = pa.CompressedInputStream(pa.PythonFile(packed, "r"), packing)
    reads: _Reads = stream
    return reads


def _turned(data: bytes, columns: int) -> bytes:
    """Put bytes stored column by column back in the order of the records."""
    lines = len(data) // columns
    whole = lines * columns
    turned = np.frombuffer(data, np.uint8, whole).reshape(columns, lines).T
    return turned.tobytes() + data[whole:]


def read_records(blocks: Blocks, group: MdfGroup) -> Iterator[Bytes2d]:
    """Yield the records of a group, some at a time, all that it declares.

    Parameters
    ----------
    blocks
        The file.
    group
        The group.

    Yields
    ------
    array of shape (n, bytes of a record)
        Without the records' numbers.
    """
    stored = stored_blocks(blocks, group)
    left = group.records
    if not left:
        return
    data = _gathered(pieces(blocks, stored))
    for matrix in _of_one(data, group.size) if not group.id_bytes else _Shared(blocks, group, data):
        yield matrix[:left]
        left -= min(left, len(matrix))
        if not left:
            return
    raise blocks.damaged(f"{left:,} of the {group.records:,} records declared are missing")


def _gathered(data: Iterator[bytes]) -> Iterator[bytes]:
    """Join small pieces, for each that is handed on costs a pass over every channel."""
    held: list[bytes] = []
    count = 0
    for piece in data:
        held.append(piece)
        count += len(piece)
        if count >= PIECE // 2:
            yield b"".join(held)
            held, count = [], 0
    yield b"".join(held)


def _of_one(data: Iterator[bytes], size: int) -> Iterator[Bytes2d]:
    """Cut a stream into records; a piece that ends inside one is joined to the next."""
    rest: list[bytes] = []
    held = 0
    for piece in data:
        rest.append(piece)
        held += len(piece)
        if held >= size:
            joined = b"".join(rest)
            count = held // size
            yield np.frombuffer(joined, np.uint8, count * size).reshape(count, size)
            rest, held = [joined[count * size :]], held - count * size


class _Shared:
    """The records of one group out of a stream that several share."""

    def __init__(self, blocks: Blocks, group: MdfGroup, data: Iterator[bytes]) -> None:
        self._blocks, self._group, self._data = blocks, group, data
        self._format = {1: "<B", 2: "<H", 4: "<I", 8: "<Q"}[group.id_bytes]

    def __iter__(self) -> Iterator[Bytes2d]:
        joined, skip = b"", 0
        for piece in self._data:
            if skip >= len(piece):
                skip -= len(piece)
                continue
            joined += piece[skip:] if skip else piece
            starts, end = self._starts(joined)
            if starts:
                yield self._matrix(joined, starts)
            skip = max(0, end - len(joined))
            joined = joined[end:]

    def _starts(self, data: bytes) -> tuple[list[int], int]:
        """Return where the group's records begin, and where the first one that is cut begins.

        Each record tells where the next begins, so that there is no way but one after the other.
        """
        starts: list[int] = []
        sizes, own, id_bytes = self._group.sizes, self._group.record_id, self._group.id_bytes
        read_id = struct.Struct(self._format).unpack_from
        at, end = 0, len(data)
        while at + id_bytes <= end:
            (number,) = read_id(data, at)
            if number not in sizes:
                raise self._blocks.damaged(f"a record has number {number}, which no group has")
            size = sizes[number]
            if size is None:  # a text, which tells its own length
                if at + id_bytes + 4 > end:
                    break
                at += (
                    id_bytes + 4 + int.from_bytes(data[at + id_bytes : at + id_bytes + 4], "little")
                )
                if at >= end:
                    return starts, at
                continue
            if at + id_bytes + size > end:
                if number != own:  # of no interest: it need not be held
                    return starts, at + id_bytes + size
                break
            if number == own:
                starts.append(at + id_bytes)
            at += id_bytes + size
        return starts, at

    def _matrix(self, data: bytes, starts: list[int]) -> Bytes2d:
        size = self._group.size
        whole = np.frombuffer(data, np.uint8)
        records = np.lib.stride_tricks.sliding_window_view(whole, size)[starts]
        return np.ascontiguousarray(records)
