"""Parquet, Arrow and Feather logs, part by part."""

from __future__ import annotations

from collections.abc import Iterator, Set
from contextlib import contextmanager
from typing import Any

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.arrow import arrow_cells, is_readable, longest_text
from tuneassist.reading.bounds import MOST_CELL_BYTES, check_headers
from tuneassist.reading.ipc import Batches, open_ipc
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.numbers import decimal_signs, parse_words
from tuneassist.reading.parquet import open_parquet
from tuneassist.reading.source import Source

_UNIT_KEYS = (b"unit", b"units", b"Unit", b"Units")
_OF_LIBRARIES = (b"pandas", b"ARROW:schema")


class ColumnarParts:
    """A log in columns: the first rows, and the rest batch by batch.

    Units stand in brackets behind a column's name, or under ``unit`` in its field's metadata.
    Columns of moments carry their own unit, whatever their name says.

    Parameters
    ----------
    source
        The file.
    rows
        Rows of the first part. [rows]

    Raises
    ------
    LogError
        When the file is damaged or has no columns.
    """

    def __init__(self, source: Source, *, wanted: Set[str] = frozenset(), rows: int) -> None:
        self._name, self._rows = source.name, rows
        self._kind = "Arrow" if source.kind == "stream" else source.kind.capitalize()
        with self._damage():
            schema, self._count, self._open = _opened(source, rows)
            self._kinds = schema.types
            self._names = [str(name) for name in schema.names]
            self.headers = tuple(
                (name, _unit_of(schema.field(i))) for i, name in enumerate(self._names)
            )
            self.preamble = _said(schema)
        if not self._names:
            raise LogError("the file has no columns.", where=self._name)
        check_headers(self.headers, name=self._name)
        self.dialect = Dialect(encoding=source.kind, header_line=0, data_line=1)
        self._batches: Iterator[Any] = iter(())
        self._decimals: dict[int, str] = {}  # of columns of text that show theirs

    @property
    def is_whole(self) -> bool:
        """Whether the first part is all there is."""
        return self._count <= self._rows

    def first(self, wanted: Wanted) -> Piece:
        """Read the first rows."""
        self._read = [i for i in wanted.indices if is_readable(self._kinds[i])]
        with self._damage():
            self._batches = _even(self._open(self._read), self._rows)
            table = next(self._batches, None) if self._read else None
            if table is None:
                nothing = {i: Cells(np.empty(0)) for i in wanted.indices}
                return Piece(np.empty(0, dtype=np.int64), nothing)
            return self._piece(table, wanted, 0)

    def more(self, wanted: Wanted) -> Iterator[Piece]:
        """Read on behind the first rows."""
        line = self._rows
        while True:
            with self._damage():
                table = next(self._batches, None)
                if table is None:
                    return
                piece = self._piece(table, wanted, line)
            yield piece
            line += len(piece.lines)

    def _piece(self, table: Any, wanted: Wanted, line: int) -> Piece:
        cells = {i: self._cells(i, table.column(place)) for place, i in enumerate(self._read)}
        for i in wanted.indices:
            if i not in cells:
                cells[i] = _no_readings(self._kinds[i], table.num_rows)
        return Piece(np.arange(line + 1, line + table.num_rows + 1), cells)

    def _cells(self, i: int, column: Any) -> Cells:
        """Read a column; its text with the decimal sign that its cells show."""
        self._check_cells(i, column)
        cells = arrow_cells(column, self._decimals.get(i, "."))
        words = cells.words
        if words is None or i in self._decimals or not words.str.contains(",", regex=False).any():
            return cells
        signs = decimal_signs(words)
        if len(signs) == 2:
            raise LogError(
                f"decimal points and decimal commas are mixed: {signs['.']!r} and {signs[',']!r}.",
                where=f"{self._name}, column {self._names[i]!r}",
                mend="Export the log with one decimal sign.",
            )
        if "," not in signs:
            return cells
        self._decimals[i] = ","
        return parse_words(words, ",")

    def _check_cells(self, i: int, column: Any) -> None:
        """Refuse long texts: one that stands once in the file may be meant in every row."""
        longest = max(map(longest_text, column.chunks), default=0)
        if longest > MOST_CELL_BYTES:
            raise LogError(
                f"a cell holds {longest} bytes of text; a reading has at most {MOST_CELL_BYTES}.",
                where=f"{self._name}, column {self._names[i]!r}",
                mend="Export the log with numbers, or name another column under [channels].",
            )

    @contextmanager
    def _damage(self) -> Iterator[None]:
        import pyarrow as pa

        try:
            yield
        except (pa.ArrowException, OSError, ValueError, KeyError) as error:
            if isinstance(error, LogError):
                raise
            words = " ".join(str(error).split())[:120]
            raise LogError(
                f"the {self._kind} file is damaged and cannot be read ({words}).",
                where=self._name,
                mend="Copy or export the log again.",
            ) from error


def _opened(source: Source, rows: int) -> tuple[Any, int, Batches]:
    """Return schema, number of rows, and what yields batches of some columns."""
    if source.kind == "parquet":
        return open_parquet(source.path, rows=rows, name=source.name)
    return open_ipc(source.path, is_file=source.kind == "arrow", name=source.name)


def _even(batches: Iterator[Any], rows: int) -> Iterator[Any]:
    """Join and cut batches to tables of this many rows, so that parts do not hang on the writer."""
    import pyarrow as pa

    held: list[Any] = []
    count = 0
    for batch in batches:
        start = 0
        while start < batch.num_rows:
            piece = batch.slice(start, rows - count)
            held.append(piece)
            count += piece.num_rows
            start += piece.num_rows
            if count == rows:
                yield pa.Table.from_batches(held)
                held, count = [], 0
    if held:
        yield pa.Table.from_batches(held)


def _no_readings(kind: Any, rows: int) -> Cells:
    """Return the cells of a column whose type holds no readings, such as lists, without them."""
    return Cells(np.full(rows, np.nan), text_count=rows, text_example=(0, str(kind)[:40]))


def _unit_of(field: Any) -> str:
    said = field.metadata or {}
    return next((said[key].decode("utf-8", "replace") for key in _UNIT_KEYS if key in said), "")


def _said(schema: Any) -> tuple[str, ...]:
    """Return what the file says about itself."""
    said = schema.metadata or {}
    lines = (
        f"{key.decode('utf-8', 'replace')}: {value.decode('utf-8', 'replace')}"[:2000]
        for key, value in said.items()
        if key not in _OF_LIBRARIES
    )
    return tuple(lines)[:50]
