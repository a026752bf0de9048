"""Parquet, Arrow and Feather logs, part by part."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Set
from contextlib import contextmanager
from typing import Any

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.arrow import arrow_cells
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.numbers import decimal_signs, parse_words
from tuneassist.reading.source import Source

_UNIT_KEYS = (b"unit", b"units", b"Unit", b"Units")
_OF_LIBRARIES = (b"pandas", b"ARROW:schema")

Batches = Callable[[list[str]], Iterator[Any]]


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
            self._names = [str(name) for name in schema.names]
            self.headers = tuple(
                (name, _unit_of(schema.field(i))) for i, name in enumerate(self._names)
            )
            self.preamble = _said(schema)
        if not self._names:
            raise LogError("the file has no columns.", where=self._name)
        self.dialect = Dialect(encoding=source.kind, header_line=0, data_line=1)
        self._batches: Iterator[Any] = iter(())
        self._decimals: dict[int, str] = {}  # of columns of text that show theirs

    @property
    def is_whole(self) -> bool:
        """Whether the first part is all there is."""
        return self._count <= self._rows

    def first(self, wanted: Wanted) -> Piece:
        """Read the first rows."""
        names = sorted({self._names[i] for i in wanted.indices})
        with self._damage():
            self._batches = _even(self._open(names), self._rows)
            table = next(self._batches, None)
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
        places = {name: i for i, name in enumerate(table.schema.names)}
        cells = {i: self._cells(i, table.column(places[self._names[i]])) for i in wanted.indices}
        return Piece(np.arange(line + 1, line + table.num_rows + 1), cells)

    def _cells(self, i: int, column: Any) -> Cells:
        """Read a column; its text with the decimal sign that its cells show."""
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
    import pyarrow as pa

    path = str(source.path)
    if source.kind == "parquet":
        from pyarrow import parquet

        file = parquet.ParquetFile(path, buffer_size=1 << 20)
        return (
            file.schema_arrow,
            file.metadata.num_rows,
            lambda names: file.iter_batches(batch_size=rows, columns=names),
        )
    if source.kind == "arrow":  # Feather of version 2 is the same
        arrow = pa.ipc.open_file(pa.memory_map(path))
        batches = range(arrow.num_record_batches)
        count = sum(arrow.get_batch(i).num_rows for i in batches)
        return (
            arrow.schema,
            count,
            lambda names: (arrow.get_batch(i).select(names) for i in batches),
        )
    return _opened_stream(path)


def _opened_stream(path: str) -> tuple[Any, int, Batches]:
    """Read a stream of batches, whose length only its end tells: it is gone through twice."""
    import pyarrow as pa

    with pa.ipc.open_stream(pa.memory_map(path)) as counted:
        count = sum(batch.num_rows for batch in counted)

    def batches(names: list[str]) -> Iterator[Any]:
        with pa.ipc.open_stream(pa.memory_map(path)) as stream:
            for batch in stream:
                yield batch.select(names)

    with pa.ipc.open_stream(pa.memory_map(path)) as stream:
        return stream.schema, count, batches


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
