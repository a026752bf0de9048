"""Parquet files: every page of the wanted columns is looked at before one is unpacked.

pyarrow reads in batches of rows, but unpacks each page and each dictionary whole, and a page's size
stands in its own header, not in the file's list of contents. The headers are read here, in Thrift's
compact protocol: numbers in pieces of seven bits, fields with the difference to the number of the
one before. Names and numbers of the fields are those of ``parquet.thrift``. TextCount are read as
numbers of their dictionary: one that stands once in the file may be meant in every row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import product
from pathlib import Path
from typing import IO, Any

from tuneassist.errors import LogError
from tuneassist.reading.cell_parsing import is_text
from tuneassist.reading.source import VALUE_BYTES, check_held, check_unpacked, in_words

_MARK = b"PAR1"
_BUFFER_BYTES = 1 << 20  # read at a time from each column
_TEXT_BYTES = 16  # what pyarrow keeps for each text of a dictionary, besides the text
_COPIES = 2  # of a dictionary: as unpacked, and as the table's own
MOST_PAGES = 200_000
"""Pages of the wanted columns: 10,000,000 rows of 10 channels have some 5,000. [1]"""
MOST_LIST_BYTES = 1 << 25
"""The list of contents at the end of the file: 100 groups of 2,000 columns take 20 MB. [bytes]"""

Batches = Callable[[Sequence[int]], Iterator[Any]]


def open_parquet(path: Path, *, rows: int, name: str) -> tuple[Any, Batches]:
    """Return the schema and what yields batches of some columns.

    Parameters
    ----------
    path
        The file.
    rows
        Rows of a batch. [rows]
    name
        File name, for messages.

    Raises
    ------
    LogError
        When it would unpack to more than a log does.
    pyarrow.ArrowException, ValueError
        When it is damaged.
    """
    from pyarrow import parquet

    _check_list(path, name)
    with parquet.ParquetFile(path) as file:
        schema, said = file.schema_arrow, file.metadata
    names = list(schema.names)
    groups = [said.row_group(i).num_rows for i in range(said.num_row_groups)]
    if min(groups, default=0) < 0:
        raise ValueError("a group of fewer than no rows")
    count = max(said.num_rows, sum(groups))

    def batches(columns: Sequence[int]) -> Iterator[Any]:
        wanted = {names[i] for i in columns}
        unpacked = VALUE_BYTES * count * len(columns)
        check_unpacked(unpacked, path.stat().st_size, name=name)
        _check_pages(path, said, wanted, name)
        texts = [names[i] for i in columns if is_text(schema.field(i).type)]
        with parquet.ParquetFile(
            path, buffer_size=_BUFFER_BYTES, read_dictionary=texts, metadata=said
        ) as read:
            for batch in read.iter_batches(batch_size=rows, columns=sorted(wanted)):
                places = {text: i for i, text in enumerate(batch.schema.names)}
                yield batch.select([places[names[i]] for i in columns])

    return schema, batches


def _check_list(path: Path, name: str) -> None:
    """Refuse a list of contents that is longer than that of any log."""
    with path.open("rb") as file:
        file.seek(-min(8, path.stat().st_size), 2)
        size, mark = int.from_bytes(file.read(4), "little"), file.read()
    if mark == _MARK and MOST_LIST_BYTES < size < path.stat().st_size:
        raise LogError(
            f"the file's list of contents takes {in_words(size)}; at most "
            f"{in_words(MOST_LIST_BYTES)} are read.",
            where=name,
            mend="Write the table in larger groups of rows.",
        )


def _check_pages(path: Path, said: Any, wanted: set[str], name: str) -> None:
    """Go through the pages of some columns and refuse what would take too much memory."""
    paths = [said.schema.column(j).path for j in range(said.num_columns)]
    places = [j for j, text in enumerate(paths) if not wanted.isdisjoint(_beginnings(text))]
    size = path.stat().st_size
    held = dict.fromkeys(places, 0)
    unpacked = pages = 0
    with path.open("rb") as file:
        for i, j in product(range(said.num_row_groups), places):
            dictionary = largest = 0
            for page in _pages(file, said.row_group(i).column(j)):
                _check_page(page, said.row_group(i).num_rows, paths[j], name)
                pages, unpacked = pages + 1, unpacked + page.size
                if page.is_dictionary:
                    dictionary += _COPIES * page.size + _TEXT_BYTES * page.values
                else:
                    largest = max(largest, page.size)
                if pages > MOST_PAGES:
                    raise _too_many(name)
            held[j] = max(held[j], dictionary + largest)
            check_held(sum(held.values()), "one page of each column", name=name)
            check_unpacked(unpacked, size, name=name)


def _beginnings(path: str) -> list[str]:
    """Return the names by which pyarrow finds a column: its own and those of what it is part of."""
    parts = path.split(".")
    return [".".join(parts[: i + 1]) for i in range(len(parts))]


def _pages(file: IO[bytes], chunk: Any) -> Iterator[Page]:
    """Yield the pages of one column of one group, as pyarrow finds them."""
    at, first = chunk.data_page_offset, chunk.dictionary_page_offset
    if first is not None and 0 < first < at:
        at = first
    end = at + chunk.total_compressed_size
    if at < 0 or end < at:
        raise ValueError("a column outside the file")
    seen = 0
    while seen < chunk.num_values and at < end:
        page, at = read_page(file, at, end)
        seen += 0 if page.is_dictionary else page.values
        yield page


def _check_page(page: Page, rows: int, column: str, name: str) -> None:
    if page.values > (page.size if page.is_dictionary else rows):
        raise ValueError("a page of more values than it can hold")
    if page.encoding == SHARED_BEGINNINGS:
        raise LogError(
            "the texts are written by what they share with the one before, which is not read.",
            where=f"{name}, column {column!r}",
            mend="Write the table with plain or dictionary encoding.",
        )


def _too_many(name: str) -> LogError:
    return LogError(
        f"the columns are cut into more than {MOST_PAGES} pages.",
        where=name,
        mend="Write the table in larger groups of rows.",
    )


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
