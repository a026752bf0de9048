"""Parquet, Arrow and Feather logs part by part; Arrow files are checked before they are unpacked.

A file of Arrow's is a stream between two marks, with a list of its messages behind. It is read as
the stream, so that every message that is used has been looked at: what each declares of rows and
sizes is read by the layout of Arrow's ``Message.fbs``, flat tables whose fields are found through
a list of places. Offsets inside a column may be forged: a batch is validated in full before
anything else touches it.
"""

from __future__ import annotations

import os
import struct
from collections.abc import Callable, Generator, Iterator, Sequence, Set
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tuneassist.errors import LogError
from tuneassist.reading.cell_parsing import (
    arrow_cells,
    decimal_signs,
    is_readable,
    longest_text,
    parse_words,
)
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.parquet import open_parquet
from tuneassist.reading.source import (
    MOST_CELL_BYTES,
    VALUE_BYTES,
    Source,
    check_headers,
    check_held,
    check_row_count,
    check_unpacked,
)

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
            schema, self._open = _opened(source, rows)
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
        self._decimals: dict[int, str] = {}  # of columns of text that show theirs

    def pieces(self, wanted: Wanted) -> Generator[Piece, None, None]:
        """Read the log from its start, some rows at a time."""
        readable = [i for i in wanted.indices if is_readable(self._kinds[i])]
        tables = _even(self._open(readable), self._rows) if readable else iter(())
        line = 0
        while True:
            with self._damage():
                table = next(tables, None)
                piece = None if table is None else self._piece(table, readable, wanted, line)
            if piece is None:
                break
            yield piece
            line += len(piece.lines)
        if not line:
            nothing = {i: Cells(np.empty(0)) for i in wanted.indices}
            yield Piece(np.empty(0, dtype=np.int64), nothing)

    def _piece(self, table: Any, readable: Sequence[int], wanted: Wanted, line: int) -> Piece:
        cells = {i: self._cells(i, table.column(place)) for place, i in enumerate(readable)}
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


def _opened(source: Source, rows: int) -> tuple[Any, Batches]:
    """Return the schema and what yields batches of some columns."""
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


MARK = b"ARROW1"
_ALIGNED, _MOST_PADDING = 8, 64  # writers align the first message to this
MOST_MESSAGES = 200_000
"""Batches of one file: a log of a day that is written once a second has 86,400. [1]"""

Batches = Callable[[Sequence[int]], Iterator[Any]]


def open_ipc(path: Path, *, is_file: bool, name: str) -> tuple[Any, Batches]:
    """Return the schema and what yields batches of some columns.

    Parameters
    ----------
    path
        The file.
    is_file
        It has the marks of a file around the stream.
    name
        File name, for messages.

    Raises
    ------
    LogError
        When it would unpack to more than a log does.
    pyarrow.ArrowException, ValueError
        When it is damaged.
    """
    import pyarrow as pa

    start = _start(path) if is_file else 0
    size = path.stat().st_size
    with _mapped(path, start) as file, pa.ipc.open_stream(file) as stream:
        schema = stream.schema
    count = _checked(path, start, size, name)

    def batches(columns: Sequence[int]) -> Iterator[Any]:
        check_unpacked(VALUE_BYTES * count * len(columns), size, name=name)
        options = pa.ipc.IpcReadOptions(included_fields=sorted(columns), use_threads=False)
        with (
            _mapped(path, start) as file,
            pa.ipc.open_stream(file, options=options) as stream,
        ):
            for batch in stream:
                batch.validate(full=True)
                yield batch

    return schema, batches


def _mapped(path: Path, start: int) -> Any:
    import pyarrow as pa

    file = pa.memory_map(str(path))
    file.seek(start)
    return file


def _start(path: Path) -> int:
    """Return where the stream inside a file begins: behind the mark and the zeros that pad it."""
    with path.open("rb") as file:
        head = file.read(_MOST_PADDING + _ALIGNED)[len(MARK) :]
        file.seek(-min(len(MARK), path.stat().st_size), os.SEEK_END)
        if file.read() != MARK:
            raise ValueError("its end is missing")
    padding = len(head) - len(head.lstrip(b"\0"))
    return (len(MARK) + padding) // _ALIGNED * _ALIGNED


def _checked(path: Path, start: int, size: int, name: str) -> int:
    """Go through all messages without unpacking them; returns the number of rows.

    A dictionary is gone through again with every batch that refers to it, and joined again with
    every addition to it.
    """
    rows, unpacked = 0, 0
    dictionaries: dict[int, int] = {}
    for said in _messages(path, start, name):
        own = said.size
        if said.dictionary is None:
            rows += said.rows
            check_row_count(rows, name=name)
        else:
            known = dictionaries.get(said.dictionary, 0) if said.is_delta else 0
            dictionaries[said.dictionary] = known + said.size
            own = 0
        held = own + sum(dictionaries.values())
        unpacked += held
        if said.is_packed:
            check_held(held, "a batch", name=name)
        check_unpacked(unpacked, size, name=name)
    return rows


def _messages(path: Path, start: int, name: str) -> Iterator[Declared]:
    import pyarrow as pa

    with _mapped(path, start) as file:
        reader = pa.ipc.MessageReader.open_stream(file)
        for count, message in enumerate(reader):
            if count > MOST_MESSAGES:
                raise LogError(
                    f"the table is cut into more than {MOST_MESSAGES} batches.",
                    where=name,
                    mend="Write it in batches of at least 1,000 rows.",
                )
            try:
                said = declared(message)
            except struct.error as error:
                raise ValueError("a message is cut") from error
            if said is not None:
                yield said


_DICTIONARY, _BATCH = 2, 3  # MessageHeader of Message.fbs
_UNPACKED = -1  # a buffer's length where a packing did not pay


@dataclass(frozen=True)
class Declared:
    """What one message says of itself.

    Parameters
    ----------
    rows
        Rows of the batch. [rows]
    size
        What its buffers come to, unpacked. [bytes]
    is_packed
        They are packed, so that memory is taken for all of them.
    dictionary
        Number of the dictionary that it carries; None for a batch of the table.
    is_delta
        It adds to that dictionary.
    """

    rows: int
    size: int
    is_packed: bool
    dictionary: int | None = None
    is_delta: bool = False


class _Flat:
    """A flat table at a place of a message."""

    def __init__(self, data: memoryview, at: int) -> None:
        self._data, self._at = data, at
        self._fields = at - self._one("<i", at)

    def _one(self, form: str, at: int) -> int:
        if at < 0:
            raise ValueError("a place before the message")
        return int(struct.unpack_from(form, self._data, at)[0])

    def _place(self, field: int) -> int:
        """Return where a field is, 0 where it is left out."""
        entry = 4 + 2 * field
        if entry >= self._one("<H", self._fields):
            return 0
        offset = self._one("<H", self._fields + entry)
        return self._at + offset if offset else 0

    def number(self, field: int, form: str) -> int:
        at = self._place(field)
        return self._one(form, at) if at else 0

    def table(self, field: int) -> _Flat | None:
        at = self._place(field)
        return _Flat(self._data, at + self._one("<I", at)) if at else None

    def pairs(self, field: int) -> list[tuple[int, int]]:
        """Return a list of pairs of long integers."""
        at = self._place(field)
        if not at:
            return []
        start = at + self._one("<I", at)
        count = self._one("<I", start)
        body = self._data[start + 4 : start + 4 + 16 * count]
        return list(struct.iter_unpack("<qq", body))


def declared(message: Any) -> Declared | None:
    """Read what a message declares; None where it carries no rows.

    Parameters
    ----------
    message
        A ``pyarrow.ipc.Message``.

    Raises
    ------
    ValueError
        When a size is negative or lies outside the message.
    struct.error
        When the message is cut.
    """
    data = memoryview(message.metadata).cast("B")
    said = _Flat(data, struct.unpack_from("<I", data)[0])
    kind, header = said.number(1, "<B"), said.table(2)
    if kind not in (_DICTIONARY, _BATCH) or header is None:
        return None
    batch = header.table(1) if kind == _DICTIONARY else header
    if batch is None:
        return None
    is_packed = batch.table(3) is not None
    body = memoryview(b"") if message.body is None else memoryview(message.body).cast("B")
    size = sum(_size(body, *place, is_packed=is_packed) for place in batch.pairs(2))
    rows = batch.number(0, "<q")
    if rows < 0:
        raise ValueError(f"a batch of {rows} rows")
    if kind == _BATCH:
        return Declared(rows, size, is_packed)
    return Declared(rows, size, is_packed, header.number(0, "<q"), bool(header.number(2, "<B")))


def _size(body: memoryview, offset: int, length: int, *, is_packed: bool) -> int:
    """Return what a buffer comes to; a packed one begins with it."""
    if offset < 0 or length < 0 or offset + length > len(body):
        raise ValueError("a buffer outside its message")
    if not is_packed or not length:
        return length
    size = int(struct.unpack_from("<q", body, offset)[0])
    if size < _UNPACKED:
        raise ValueError(f"a buffer of {size} bytes")
    return length - 8 if size == _UNPACKED else size
