"""The blocks of an ASAM MDF 4 file, and the groups and channels that they describe.

A block has a name of four signs, its length, links to other blocks (their places in the file) and
data of its own. The file says all of it, so that none of it is believed: a block lies inside the
file and is no longer than its kind may be, chains end, and only so many blocks are read. What a
text says is shown and compared, never evaluated.

A group is a table of records of one length; a channel says where in the record its value stands.
Several groups may share a stream of records, each of which then carries its group's number.
"""

from __future__ import annotations

import html
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import BinaryIO

from tuneassist.errors import LogError

MOST_BLOCKS = 2_000_000
"""Blocks read of one file, those seen again included: so many take some seconds. [1]"""
MOST_BYTES = 16 << 20
"""Size of a block that holds no records: a list of two million places. [bytes]"""
MOST_WORDS = 120
"""Length of the file's own words in a message. [characters]"""
_HEAD = struct.Struct("<4s4xQQ")
_TEXTS = (b"##TX", b"##MD")


@dataclass(frozen=True)
class Block:
    """One block.

    Parameters
    ----------
    kind
        Its name, as ``b"##DG"``.
    address
        Its place in the file. [bytes]
    length
        Its size, head and links included. [bytes]
    links
        Places of other blocks; 0 where there is none. [bytes]
    data
        What follows the links, as far as it was read.
    """

    kind: bytes
    address: int
    length: int
    links: tuple[int, ...]
    data: bytes

    @property
    def data_address(self) -> int:
        """Where the data begin. [bytes]"""
        return self.address + _HEAD.size + 8 * len(self.links)

    @property
    def data_length(self) -> int:
        """Declared size of the data. [bytes]"""
        return self.length - _HEAD.size - 8 * len(self.links)


class Blocks:
    """The blocks of one file.

    Parameters
    ----------
    stream
        The open file.
    name
        Its name, for messages.
    """

    def __init__(self, stream: BinaryIO, name: str) -> None:
        self._stream, self.name = stream, name
        self.size = stream.seek(0, 2)
        self._count = 0

    def damaged(self, words: str) -> LogError:
        """Return the error of a file that contradicts itself."""
        return LogError(
            f"the ASAM MDF file is damaged and cannot be read ({words[:MOST_WORDS]}).",
            where=self.name,
            mend="Copy or export the log again.",
        )

    def not_read(self, words: str) -> LogError:
        """Return the error of a file that uses what this package does not read."""
        return LogError(f"{words}.", where=self.name, mend="Export the log as CSV.")

    def bytes_at(self, address: int, count: int) -> bytes:
        """Read bytes that must be there."""
        if address < 0 or count < 0 or address + count > self.size:
            raise self.damaged(f"a block at byte {address} ends beyond the file")
        try:
            self._stream.seek(address)
            data = self._stream.read(count)
        except OSError as error:
            raise LogError(f"the file cannot be read ({error}).", where=self.name) from error
        if len(data) != count:
            raise self.damaged(f"it ends inside the block at byte {address}")
        return data

    def read(self, address: int, *kinds: bytes, links: int = 0, most: int = MOST_BYTES) -> Block:
        """Read a block.

        Parameters
        ----------
        address
            Its place. [bytes]
        kinds
            What it may be.
        links
            So many links it has at least. [1]
        most
            Data to read of it at most. [bytes]
        """
        kind, length, count = self._head(address)
        if kind not in kinds:
            wanted = " or ".join(one.decode() for one in kinds)
            raise self.damaged(f"the block at byte {address} is no {wanted} but {kind!a}")
        if count < links:
            raise self.damaged(f"the {kind.decode()} block at byte {address} has too few links")
        size = min(length - _HEAD.size - 8 * count, most)
        if 8 * count + size > MOST_BYTES:
            raise self.damaged(f"the {kind.decode()} block at byte {address} is too large")
        body = self.bytes_at(address + _HEAD.size, 8 * count + size)
        places = struct.unpack_from(f"<{count}Q", body)
        return Block(kind, address, length, places, body[8 * count :])

    def _head(self, address: int) -> tuple[bytes, int, int]:
        self._count += 1
        if self._count > MOST_BLOCKS:
            raise self.not_read(f"the ASAM MDF file has more than {MOST_BLOCKS:,} blocks to read")
        kind, length, count = _HEAD.unpack(self.bytes_at(address, _HEAD.size))
        if address + length > self.size:
            raise self.damaged(f"a block at byte {address} ends beyond the file")
        if 8 * count > length - _HEAD.size:
            raise self.damaged(f"the block at byte {address} has more links than it has room for")
        return kind, length, count

    def chain(self, first: int, kind: bytes, *, links: int) -> Iterator[Block]:
        """Read blocks each of which names the next by its first link."""
        seen: set[int] = set()
        while first:
            if first in seen:
                raise self.damaged("its blocks link to each other in a loop")
            seen.add(first)
            block = self.read(first, kind, links=links)
            yield block
            first = block.links[0]

    def text(self, address: int, most: int) -> str:
        """Read a text, or the plain words of a marked-up one; empty where there is none.

        Parameters
        ----------
        address
            Its place, 0 for none. [bytes]
        most
            Bytes of it that are read. [bytes]
        """
        if not address:
            return ""
        block = self.read(address, *_TEXTS, most=most)
        words = block.data.split(b"\0", 1)[0].decode("utf-8", "replace")
        return (_plain(words) if block.kind == b"##MD" else words).strip()


def _plain(words: str) -> str:
    """Return what stands in the first ``<TX>``; no parser of XML, which would expand entities."""
    if not words.lstrip().startswith("<"):
        return words
    start = words.find(">", words.find("<TX")) + 1 if "<TX" in words else 0
    end = words.find("</TX>", start)
    return html.unescape(words[start:end]) if start and end > 0 else ""


MOST_CHANNELS = 50_000
"""Channels of a file; the largest control units offer some ten thousand. [1]"""
MOST_DEPTH = 8
"""Structures of channels inside each other. [1]"""
MOST_NAME = 1024
"""Length of a name or a unit that is read. [bytes]"""
MOST_SAID = 64 << 10
"""Length of what the file says about itself that is read. [bytes]"""

VALUE, TEXTS, MASTER, VIRTUAL_MASTER, VIRTUAL = 0, 1, 2, 3, 6
"""Kinds of channels: in the record, outside it, the stamps, stamps by count, value by count."""
_HEADER_AT = 64
_IS_TEXTS, _HAS_MASTER_ELSEWHERE = 1, 1 << 3  # bits of a group's flags
_GROUP = struct.Struct("<QQHH4xII")
_CHANNEL = struct.Struct("<BBBBIIII")


@dataclass(frozen=True)
class MdfChannel:
    """A channel.

    Parameters
    ----------
    name, unit
        As written in the file.
    kind
        One of `VALUE` and so on.
    counts_in
        What a master counts in: 0 unsaid, 1 time, 2 angle, 3 distance, 4 index.
    data_type
        How the value is coded, 0 to 17 by the standard.
    bit_offset, byte_offset, bit_count
        Where in the record it stands.
    flags
        Bit 0: no value is valid; bit 1: a bit of each record tells whether it is.
    invalid_bit
        Which bit of the record's invalidation bytes.
    conversion
        Place of the conversion in the file; 0 for none. [bytes]
    is_array
        Whether it has several values per record.
    is_structure
        Whether it only holds other channels together.
    """

    name: str
    unit: str
    kind: int
    counts_in: int
    data_type: int
    bit_offset: int
    byte_offset: int
    bit_count: int
    flags: int
    invalid_bit: int
    conversion: int
    is_array: bool
    is_structure: bool


@dataclass(frozen=True)
class MdfGroup:
    """A group of channels that are logged together.

    Parameters
    ----------
    channels
        In the order of the file.
    records
        How many it declares. [1]
    record_id
        Its number in a shared stream.
    data_bytes, invalid_bytes
        Length of a record, and of what tells which values are invalid. [bytes]
    data
        Place of its records in the file; 0 for none. [bytes]
    id_bytes
        Length of the number before each record; 0 in a stream of its own. [bytes]
    is_texts
        Whether it only holds texts of varying length, which belong to another group's channel.
    sizes
        Number to length of the records in a shared stream; None where each tells its own. [bytes]
    """

    channels: tuple[MdfChannel, ...]
    records: int
    record_id: int
    data_bytes: int
    invalid_bytes: int
    data: int
    id_bytes: int
    is_texts: bool
    sizes: Mapping[int, int | None]

    @property
    def size(self) -> int:
        """Length of a record without its number. [bytes]"""
        return self.data_bytes + self.invalid_bytes

    @property
    def master(self) -> int | None:
        """Position of the channel with the stamps."""
        found = (i for i, c in enumerate(self.channels) if c.kind in (MASTER, VIRTUAL_MASTER))
        return next(found, None)


def read_groups(blocks: Blocks) -> tuple[list[MdfGroup], str]:
    """Return the groups of a file, and what it says about itself.

    Parameters
    ----------
    blocks
        The file.

    Raises
    ------
    LogError
        When its blocks contradict each other, or are too many.
    """
    header = blocks.read(_HEADER_AT, b"##HD", links=6)
    found: list[MdfGroup] = []
    count = 0
    for block in blocks.chain(header.links[0], b"##DG", links=4):
        id_bytes = block.data[0] if block.data else 0
        if id_bytes not in (0, 1, 2, 4, 8):
            raise blocks.damaged(f"records are numbered by {id_bytes} bytes")
        groups: list[MdfGroup] = []
        for one in blocks.chain(block.links[1], b"##CG", links=6):
            groups.append(_group(blocks, one, block.links[2], id_bytes, MOST_CHANNELS - count))
            count += len(groups[-1].channels)
        if len(groups) > 1 and not id_bytes:
            raise blocks.damaged("groups share their records, and these have no numbers")
        sizes = {one.record_id: None if one.is_texts else one.size for one in groups}
        found += [replace(group, sizes=sizes) for group in groups]
    return found, blocks.text(header.links[5], MOST_SAID)


def _group(blocks: Blocks, block: Block, data: int, id_bytes: int, most: int) -> MdfGroup:
    if len(block.data) < _GROUP.size:
        raise blocks.damaged(f"the ##CG block at byte {block.address} is too short")
    record_id, records, flags, _, data_bytes, invalid_bytes = _GROUP.unpack_from(block.data)
    if flags & _HAS_MASTER_ELSEWHERE:
        raise blocks.not_read("this ASAM MDF file stores its records by column, which is not read")
    return MdfGroup(
        channels=tuple(_channels(blocks, block.links[1], most)),
        records=records,
        record_id=record_id,
        data_bytes=data_bytes,
        invalid_bytes=invalid_bytes,
        data=data,
        id_bytes=id_bytes,
        is_texts=bool(flags & _IS_TEXTS),
        sizes={},
    )


def _channels(blocks: Blocks, first: int, most: int, depth: int = 0) -> Iterator[MdfChannel]:
    """Read channels, each followed by those that it is a structure of."""
    if depth > MOST_DEPTH:
        raise blocks.not_read(f"channels of it are structures nested deeper than {MOST_DEPTH}")
    left = most
    for block in blocks.chain(first, b"##CN", links=8):
        parts = block.links[1] if len(block.links) > 1 else 0
        is_structure = bool(parts) and blocks.bytes_at(parts, 4) == b"##CN"
        inner = list(_channels(blocks, parts, left, depth + 1)) if is_structure else []
        left -= 1 + len(inner)
        if left < 0:
            raise blocks.not_read(f"the ASAM MDF file has more than {MOST_CHANNELS:,} channels")
        yield _channel(blocks, block, bool(parts), is_structure)
        yield from inner


def _channel(blocks: Blocks, block: Block, has_parts: bool, is_structure: bool) -> MdfChannel:
    if len(block.data) < _CHANNEL.size:
        raise blocks.damaged(f"the ##CN block at byte {block.address} is too short")
    kind, counts_in, data_type, bit_offset, byte_offset, bit_count, flags, invalid_bit = (
        _CHANNEL.unpack_from(block.data)
    )
    links = block.links
    return MdfChannel(
        name=blocks.text(links[2], MOST_NAME),
        unit=_unit(blocks, links[6], links[4]),
        kind=kind,
        counts_in=counts_in,
        data_type=data_type,
        bit_offset=bit_offset,
        byte_offset=byte_offset,
        bit_count=bit_count,
        flags=flags,
        invalid_bit=invalid_bit,
        conversion=links[4],
        is_array=has_parts and not is_structure,
        is_structure=is_structure,
    )


def _unit(blocks: Blocks, own: int, conversion: int) -> str:
    """Return the channel's unit, or the one that only its conversion holds."""
    unit = blocks.text(own, MOST_NAME)
    if unit or not conversion:
        return unit
    block = blocks.read(conversion, b"##CC", links=4, most=0)
    return blocks.text(block.links[1], MOST_NAME)
