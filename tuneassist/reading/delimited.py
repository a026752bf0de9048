"""Text logs cut by commas, semicolons or tabs, as a `Table`.

Lines are measured on the raw bytes first, so that a cut or foreign line is left out by number
before the fast parser sees the rest. The parser is pyarrow's; a column with words in it is then
read cell by cell in pandas. Of a long file the later blocks go to the parser at once, and are
measured only where it objects.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.cells import BLANKS, arrow_cells, parse_words
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.source import (
    MOST_BLANK_LINES,
    MOST_BLANK_SHARE,
    MOST_LINE_BYTES,
    Source,
    check_headers,
    check_line,
)
from tuneassist.reading.text import (
    HEAD_LINES,
    Layout,
    blocks,
    find_layout,
    read_first,
    settle_decimal,
    split_line,
)

MAX_BROKEN_SHARE = 0.05
"""Larger share of rows with too few or too many cells means that the file is damaged. [1]"""
_MAX_BROKEN_ANYWAY = 3  # a power loss or two cost a line each
_HEAD_BYTES = MOST_LINE_BYTES
_MEASURED_BYTES = 1 << 22

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Lines:
    """Where each line starts and ends, and how many cells it has; 0 cells is a blank line."""

    start: Ints
    end: Ints
    cells: Ints


class DelimitedParts:
    """A text log as tables: the first part, and the rest block by block.

    Parameters
    ----------
    source
        The file, open at its start.
    wanted
        Headers that the setup names.
    rows
        Lines of the first part. [lines]

    Raises
    ------
    LogError
        When the file is no text, has no table, or too many of its rows are broken.
    """

    def __init__(self, source: Source, *, wanted: Set[str] = frozenset(), rows: int) -> None:
        self._source = source
        self._text = read_first(source, rows=rows + HEAD_LINES)
        head = self._text.data[:_HEAD_BYTES].decode("utf-8", errors="replace").split("\n")
        layout = find_layout(head[:HEAD_LINES], name=source.name, wanted=wanted)
        self._text = self._text.cut(layout.data + rows)
        layout = settle_decimal(layout, self._text.data, name=source.name)
        self._layout = layout
        check_headers(layout.headers, name=source.name)
        self.headers = layout.headers
        self.preamble = tuple(line[:2000] for line in head[: layout.header][:50])
        self.dialect = Dialect(
            self._text.encoding,
            layout.delimiter,
            layout.decimal,
            layout.header + 1,
            layout.data + 1,
        )

    @property
    def is_whole(self) -> bool:
        """Whether the first part is all there is."""
        return self._text.is_whole and not self._text.more

    def first(self, wanted: Wanted) -> Piece:
        """Read the first part, every line measured."""
        text, layout, name = self._text, self._layout, self._source.name
        body, numbers, dropped, notes = _whole_rows(text.data, layout, name, line=0)
        cells = _Columns(body, layout, name, numbers).fetch(wanted)
        return Piece(numbers, cells, dropped, (*text.notes, *notes))

    def more(self, wanted: Wanted) -> Iterator[Piece]:
        """Read on behind the first part."""
        if self.is_whole:
            return
        layout, name = replace(self._layout, data=0), self._source.name
        line = self._text.data.count(b"\n")
        filled = line
        for body in blocks(self._source, self._text):
            count = body.count(b"\n") + (not body.endswith(b"\n"))
            is_blank = not body.strip()
            quick = (
                {}
                if wanted.as_text or is_blank
                else _read_quickly(body, layout, wanted.indices, count)
            )
            if quick:
                filled += count
                yield Piece(np.arange(line + 1, line + count + 1), quick)
            elif not is_blank:
                whole, numbers, dropped, _ = _whole_rows(body, layout, name, line=line)
                filled += len(numbers)
                if len(numbers):
                    cells = _Columns(whole, layout, name, numbers).fetch(wanted)
                    yield Piece(numbers, cells, dropped)
            line += count
            _check_blank(line - filled, line, name)


def _check_blank(blank: int, lines: int, name: str) -> None:
    """Refuse a text that is hardly more than line ends."""
    if blank > MOST_BLANK_LINES and blank > MOST_BLANK_SHARE * lines:
        raise LogError(
            f"{blank} of the first {lines} lines hold no row.",
            where=name,
            mend="The file is damaged; export the log again.",
        )


_Dropped = tuple[tuple[str, int], ...]


def _whole_rows(
    data: bytes, layout: Layout, name: str, *, line: int
) -> tuple[bytes, Ints, _Dropped, list[str]]:
    """Leave rows with too few or too many cells out, by the lines' numbers."""
    lines = _measure(data, ord(layout.delimiter))
    longest = int(np.argmax(lines.end - lines.start))
    length = int(lines.end[longest] - lines.start[longest])
    check_line(length, name=name, row=line + longest + 1)
    number = np.arange(len(lines.start), dtype=np.int64)
    is_filled = (number >= layout.data) & (lines.cells > 0)
    is_whole = is_filled & (lines.cells == layout.width)
    broken = np.flatnonzero(is_filled & ~is_whole)
    _check_broken(broken, int(is_filled.sum()), lines, layout, name, line=line)
    body = _body(data, lines, is_whole, layout.data)
    notes = []
    if len(broken):
        rows = ", ".join(str(line + place + 1) for place in broken[:3])
        more = " and others" if len(broken) > 3 else ""
        notes.append(f"Rows without {layout.width} cells were left out: row {rows}{more}.")
    dropped = (("row cut short or with too many cells", len(broken)),) if len(broken) else ()
    return body, number[is_whole] + (line + 1), dropped, notes


def _measure(data: bytes, delimiter: int) -> _Lines:
    """Count the cells of every line, piece by piece, so that memory does not grow with them."""
    found: list[_Lines] = []
    start = 0
    while start < len(data) or not found:
        end = data.find(b"\n", start + _MEASURED_BYTES) + 1 or len(data)
        piece = _measure_piece(data[start:end], delimiter)
        found.append(_Lines(piece.start + start, piece.end + start, piece.cells))
        start = end
    return _Lines(
        *(
            np.concatenate([getattr(part, key) for part in found])
            for key in ("start", "end", "cells")
        )
    )


def _measure_piece(data: bytes, delimiter: int) -> _Lines:
    """Count the cells of every line; delimiters inside quotes do not count."""
    codes = np.frombuffer(data, dtype=np.uint8)
    end = np.flatnonzero(codes == 10)
    if not len(end) or end[-1] != len(codes) - 1:
        end = np.append(end, len(codes))
    start = np.concatenate([[0], end[:-1] + 1]).astype(np.int64)
    cuts = np.flatnonzero(codes == delimiter)
    quotes = np.flatnonzero(codes == 34)
    if len(quotes) and len(cuts):
        line = np.searchsorted(end, cuts)
        before = np.searchsorted(quotes, cuts) - np.searchsorted(quotes, start)[line]
        cuts = cuts[before % 2 == 0]
    count = np.diff(np.searchsorted(cuts, end), prepend=0)
    blanks = np.flatnonzero((codes == 32) | (codes == 9) | (codes == delimiter))
    nothing = np.diff(np.searchsorted(blanks, end), prepend=0)
    return _Lines(start, end.astype(np.int64), np.where(nothing == end - start, 0, count + 1))


def _check_broken(
    broken: Ints, filled: int, lines: _Lines, layout: Layout, name: str, *, line: int
) -> None:
    is_few = len(broken) <= max(_MAX_BROKEN_ANYWAY, MAX_BROKEN_SHARE * filled)
    if is_few and (len(broken) < filled or line > 0):  # a last block may be one cut line
        return
    first = int(broken[0])
    raise LogError(
        f"{len(broken)} of {filled} rows have not {layout.width} cells; the first has "
        f"{lines.cells[first]}.",
        where=f"{name}, row {line + first + 1}",
        mend="The file is damaged, or a cell holds the delimiter without quotes: export it again.",
    )


def _body(data: bytes, lines: _Lines, is_whole: npt.NDArray[np.bool_], first: int) -> bytes:
    """Return the whole rows only; the bytes are not copied line by line when all are whole."""
    if is_whole[first:].all():
        return data[lines.start[first] :]
    lengths = np.append(lines.start[1:], len(data)) - lines.start
    codes = np.frombuffer(data, dtype=np.uint8)
    return codes[np.repeat(is_whole, lengths)].tobytes()


class _Columns:
    """The columns of one text log, parsed when asked for."""

    def __init__(self, body: bytes, layout: Layout, name: str, lines: Ints) -> None:
        self._body, self._layout, self._name = body, layout, name
        self.lines = lines

    def fetch(self, columns: Wanted) -> Mapping[int, Cells]:
        """Parse the columns wanted."""
        names = len(self._layout.headers)
        extra = range(names, self._layout.width)
        wanted = sorted({*columns.indices, *extra})
        raw = self._parse(wanted, columns.as_text)
        cells = {i: self._cells(raw[i]) for i in wanted}
        for i in extra:
            if not np.isnan(cells[i].numbers).all() or cells[i].text_count:
                raise LogError(
                    f"the header names {names} columns, but rows hold {self._layout.width} cells.",
                    where=self._name,
                    mend="Export the log again; every row needs as many cells as the header.",
                )
        return {i: cells[i] for i in columns.indices}

    def _parse(self, wanted: Sequence[int], as_text: Set[int]) -> dict[int, Any]:
        import pyarrow as pa
        from pyarrow import ArrowInvalid, csv, types

        names = [f"c{i}" for i in range(self._layout.width)]
        try:
            table = csv.read_csv(
                _stream(self._body),
                read_options=csv.ReadOptions(column_names=names, block_size=1 << 22),
                parse_options=csv.ParseOptions(delimiter=self._layout.delimiter),
                convert_options=csv.ConvertOptions(
                    include_columns=[f"c{i}" for i in wanted],
                    column_types={f"c{i}": pa.string() for i in as_text},
                    null_values=list(BLANKS),
                    true_values=["true", "TRUE", "True", "ON", "on"],
                    false_values=["false", "FALSE", "False", "OFF", "off"],
                    strings_can_be_null=False,
                    decimal_point=self._layout.decimal,
                ),
            )
        except (ArrowInvalid, ValueError):
            return self._parse_slowly(wanted)
        if table.num_rows != len(self.lines):
            return self._parse_slowly(wanted)
        dates = {i for i in wanted if types.is_temporal(table.column(f"c{i}").type)}
        if dates:  # guessed for this part alone: one bad stamp makes it text elsewhere
            return self._parse(wanted, as_text | dates)
        return {i: table.column(f"c{i}") for i in wanted}

    def _parse_slowly(self, wanted: Sequence[int]) -> dict[int, Any]:
        """Read every cell as text, for files that the fast parser objects to."""
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error", pd.errors.ParserWarning)
                frame = pd.read_csv(
                    io.BytesIO(self._body),
                    sep=self._layout.delimiter,
                    header=None,
                    names=list(range(self._layout.width)),
                    dtype=str,
                    keep_default_na=False,
                    skip_blank_lines=False,
                    encoding_errors="replace",
                    index_col=False,
                )
        except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning) as error:
            raise self._broken_quotes() from error
        if len(frame) != len(self.lines):
            raise self._broken_quotes()
        return {i: frame[i] for i in wanted}

    def _broken_quotes(self) -> LogError:
        text = self._body.decode("utf-8", errors="replace").splitlines()
        quoted = (i for i, line in enumerate(text) if '"' in line)
        width = self._layout.width
        odd = (i for i in quoted if len(split_line(text[i], self._layout.delimiter)) != width)
        first = next(odd, len(self.lines))
        row = f", row {self.lines[first]}" if first < len(self.lines) else ""
        return LogError(
            "the rows cannot be told apart; a quotation mark stands where none belongs.",
            where=f"{self._name}{row}",
            mend="Export the log again without quotation marks.",
        )

    def _cells(self, column: Any) -> Cells:
        if isinstance(column, pd.Series):
            return parse_words(column, self._layout.decimal)
        return arrow_cells(column, self._layout.decimal)


def _stream(body: bytes) -> Any:
    """Hand bytes to the parser in memory of its own.

    Its threads may let go of the stream after it has answered. If that were Python's memory, a
    process that ends just then would be aborted.
    """
    import pyarrow as pa

    memory = pa.allocate_buffer(len(body))
    memoryview(memory).cast("B")[:] = body
    return pa.BufferReader(memory)


def _read_quickly(
    body: bytes, layout: Layout, indices: Sequence[int], count: int
) -> dict[int, Cells]:
    """Parse a block of nothing but numbers; nothing is returned where it is not that."""
    import pyarrow as pa
    from pyarrow import csv

    if b'"' in body or layout.width != len(layout.headers):
        return {}
    names = [f"c{i}" for i in range(layout.width)]
    kept = [names[i] for i in indices]
    try:
        table = csv.read_csv(
            _stream(body),
            read_options=csv.ReadOptions(column_names=names, block_size=1 << 20),
            parse_options=csv.ParseOptions(delimiter=layout.delimiter, quote_char=False),
            convert_options=csv.ConvertOptions(
                include_columns=kept,
                column_types=dict.fromkeys(kept, pa.float64()),
                null_values=list(BLANKS),
                decimal_point=layout.decimal,
            ),
        )
    except (pa.ArrowInvalid, ValueError):
        return {}
    if table.num_rows != count:
        return {}
    return {i: Cells(np.asarray(table.column(f"c{i}").to_numpy(), dtype=float)) for i in indices}
