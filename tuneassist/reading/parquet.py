"""Parquet files: every page of the wanted columns is looked at before one is unpacked.

pyarrow reads in batches of rows, but unpacks each page and each dictionary whole. Texts are read
as numbers of their dictionary: one that stands once in the file may be meant in every row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import product
from pathlib import Path
from typing import IO, Any

from tuneassist.errors import LogError
from tuneassist.reading.arrow import is_text
from tuneassist.reading.bounds import VALUE_BYTES, check_held, check_unpacked, in_words
from tuneassist.reading.pages import SHARED_BEGINNINGS, Page, read_page

_MARK = b"PAR1"
_BUFFER_BYTES = 1 << 20  # read at a time from each column
_TEXT_BYTES = 16  # what pyarrow keeps for each text of a dictionary, besides the text
_COPIES = 2  # of a dictionary: as unpacked, and as the table's own
MOST_PAGES = 200_000
"""Pages of the wanted columns: 10,000,000 rows of 10 channels have some 5,000. [1]"""
MOST_LIST_BYTES = 1 << 25
"""The list of contents at the end of the file: 100 groups of 2,000 columns take 20 MB. [bytes]"""

Batches = Callable[[Sequence[int]], Iterator[Any]]


def open_parquet(path: Path, *, rows: int, name: str) -> tuple[Any, int, Batches]:
    """Return schema, number of rows, and what yields batches of some columns.

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

    return schema, count, batches


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
