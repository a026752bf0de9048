"""What the pages of a Parquet file declare, before one is unpacked.

A page is unpacked whole, and its size stands in its own header, not in the file's list of
contents. The headers are read here, in Thrift's compact protocol: numbers in pieces of seven bits,
fields with the difference to the number of the one before. Names and numbers of the fields are
those of ``parquet.thrift``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import IO, Any

_HEAD_BYTES = 1 << 12  # a header has some 50, more where it repeats the highest and lowest text
_MOST_HEAD_BYTES = 1 << 20
_MOST_DEPTH = 8
_DICTIONARY, _WITH_LEVELS = 2, 3  # PageType: DICTIONARY_PAGE, DATA_PAGE_V2
_OF_KIND = {0: 5, 2: 7, 3: 8}  # PageType to the field that tells more
_TRUE, _FALSE, _INT32, _STRUCT = 1, 2, 5, 12
_NUMBERS = (4, _INT32, 6)
_SKIPPED = {3: 1, 7: 8, 8: 0}  # a byte, a double, and bytes that tell their length
_MOST_NUMBER, _MOST_FIELD = 2**31 - 1, 2**15 - 1
SHARED_BEGINNINGS = 7
"""The encoding DELTA_BYTE_ARRAY: texts that begin as the one before does, so that a long one may
cost a byte. [1]"""

Fields = dict[int, Any]


@dataclass(frozen=True)
class Page:
    """One page, by its header.

    Parameters
    ----------
    is_dictionary
        It holds the dictionary of its column.
    size, packed
        Bytes when unpacked, and in the file. [bytes]
    values
        Values that it holds. [1]
    encoding
        Number of their encoding.
    """

    is_dictionary: bool
    size: int
    packed: int
    values: int
    encoding: int


class _Cut(Exception):
    """The header goes on behind the bytes at hand."""


class _Header:
    """Bytes in the compact protocol, read once from their start."""

    def __init__(self, data: bytes) -> None:
        self._data, self.at = data, 0

    def byte(self) -> int:
        if self.at >= len(self._data):
            raise _Cut
        self.at += 1
        return self._data[self.at - 1]

    def _unsigned(self) -> int:
        value = shift = 0
        while True:
            piece = self.byte()
            value |= (piece & 0x7F) << shift
            shift += 7
            if piece < 0x80:
                return value
            if shift > 63:
                raise ValueError("a number without an end")

    def _signed(self) -> int:
        value = self._unsigned()
        return (value >> 1) ^ -(value & 1)

    def struct(self, depth: int = 0) -> Fields:
        """Return the fields of a structure by number."""
        if depth > _MOST_DEPTH:
            raise ValueError("a page header of too many layers")
        found: Fields = {}
        number = 0
        while head := self.byte():
            number = number + (head >> 4) if head >> 4 else self._signed()
            if number in found or not 0 < number <= _MOST_FIELD:
                raise ValueError("a page header whose fields are out of order")
            found[number] = self._value(head & 0x0F, depth)
        return found

    def _value(self, kind: int, depth: int) -> Any:
        """Return a number of 32 bits or a structure; what is neither tells no size."""
        if kind in (_TRUE, _FALSE):
            return None
        if kind in _NUMBERS:
            value = self._signed()
            return value if kind == _INT32 else None
        if kind == _STRUCT:
            return self.struct(depth + 1)
        if kind in _SKIPPED:
            self._skip(_SKIPPED[kind] or self._unsigned())
            return None
        raise ValueError("a page header of an unknown kind")  # lists stand in no page header

    def _skip(self, count: int) -> None:
        self.at += count
        if self.at > len(self._data):
            raise _Cut


def read_page(file: IO[bytes], at: int, end: int) -> tuple[Page, int]:
    """Read the header of the page at a place of a file; returns the next page's place as well.

    Parameters
    ----------
    file
        The file, open in binary.
    at, end
        Where the page begins, and where its column ends. [bytes]

    Raises
    ------
    ValueError
        When there is no page header.
    """
    length = _HEAD_BYTES
    while True:
        file.seek(at)
        header = _Header(file.read(min(length, end - at)))
        try:
            fields = header.struct()
            break
        except _Cut as error:
            if length >= min(end - at, _MOST_HEAD_BYTES):
                raise ValueError("a page header is cut") from error
            length = _MOST_HEAD_BYTES
    page = _page(fields)
    following = at + header.at + page.packed
    if following > end:
        raise ValueError("a page goes beyond its column")
    return page, following


def _page(fields: Fields) -> Page:
    kind = fields.get(1)
    more = fields.get(_OF_KIND.get(kind, 0)) if type(kind) is int else None
    said = more if isinstance(more, dict) else {}
    encoding = said.get(4 if kind == _WITH_LEVELS else 2, 0)
    size, packed, values, encoding = map(
        _count, (fields.get(2), fields.get(3), said.get(1, 0), encoding)
    )
    return Page(kind == _DICTIONARY, size, packed, values, encoding)


def _count(number: object) -> int:
    if not isinstance(number, int) or not 0 <= number <= _MOST_NUMBER:
        raise ValueError("a page without a size")
    return number
