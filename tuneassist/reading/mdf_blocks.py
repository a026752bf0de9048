"""The blocks of an ASAM MDF 4 file: each is read by its declared size, checked before it is read.

A block has a name of four signs, its length, links to other blocks (their places in the file) and
data of its own. The file says all of it, so that none of it is believed: a block lies inside the
file and is no longer than its kind may be, chains end, and only so many blocks are read. What a
text says is shown and compared, never evaluated.
"""

from __future__ import annotations

import html
import struct
from collections.abc import Iterator
from dataclasses import dataclass
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
                raise self.damaged("its blocks follow each other in a circle")
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
