"""Text logs cut by commas, semicolons or tabs, part by part.

A block of nothing but numbers goes to the fast parser, pyarrow's, at once. Where it objects, lines
are measured on the raw bytes, a cut or foreign line is left out by number, and the parser sees the
rest. What it still objects to is read cell by cell in pandas.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Generator, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.cell_parsing import BLANKS, arrow_cells, parse_words
from tuneassist.reading.log import Cells, Dialect, Piece, Wanted
from tuneassist.reading.source import (
    MOST_BLANK_LINES,
    MOST_BLANK_SHARE,
    MOST_LINE_BYTES,
    Source,
    check_headers,
    check_line,
)
from tuneassist.reading.text_layout import (
    HEAD_LINES,
    Layout,
    blocks,
    find_decimal_sign,
    find_layout,
    read_first,
    split_line,
)

MAX_BROKEN_SHARE = 0.05
"""Larger share of rows with too few or too many cells means that the file is damaged. [1]"""
_MAX_BROKEN_ANYWAY = 3  # a power loss or two cost a line each
_HEAD_BYTES = MOST_LINE_BYTES
_MEASURED_BYTES = 1 << 22
_PARSED_BYTES = 1 << 22  # handed to one thread of the parser

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
        layout = find_decimal_sign(layout, self._text.data, name=source.name)
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

    def pieces(self, wanted: Wanted) -> Generator[Piece, None, None]:
        """Read the log from its start: the first part, then block by block."""
        line, blank = self._layout.data, 0
        for body in self._bodies():
            is_first = line == self._layout.data
            piece = self._piece(body, wanted, line, is_first=is_first)
            if is_first:
                yield replace(piece, notes=(*self._text.notes, *piece.notes))
            elif len(piece.lines):
                yield piece
            count = _line_count(body)
            line += count
            blank += 0 if is_first else count - len(piece.lines)
            _check_blank(blank, line, self._source.name)

    def _bodies(self) -> Iterator[bytes]:
        """Yield the text below the header in blocks of whole lines."""
        start = 0
        for _ in range(self._layout.data):
            start = self._text.data.find(b"\n", start) + 1
        yield self._text.data[start:]
        if not self._text.is_whole or self._text.more:
            yield from blocks(self._source, self._text)

    def _piece(self, body: bytes, wanted: Wanted, line: int, *, is_first: bool) -> Piece:
        """Parse a block behind ``line`` lines; one of nothing but numbers is parsed at once."""
        layout, name = self._layout, self._source.name
        if not body.strip():
            return Piece(np.empty(0, dtype=np.int64), {})
        count = _line_count(body)
        cells = {} if wanted.as_text else _parse_numbers(body, layout, wanted.indices, count)
        if cells:
            return Piece(np.arange(line + 1, line + count + 1), cells)
        whole, numbers, dropped, notes = _whole_rows(
            body, layout, name, line=line, is_first=is_first
        )
        cells = _parse(whole, layout, name, numbers, wanted) if len(numbers) else {}
        return Piece(numbers, cells, dropped, notes)


def _line_count(body: bytes) -> int:
    return body.count(b"\n") + (not body.endswith(b"\n"))


def _check_blank(blank: int, lines: int, name: str) -> None:
    """Refuse a text of almost nothing but empty lines."""
    if blank > MOST_BLANK_LINES and blank > MOST_BLANK_SHARE * lines:
        raise LogError(
            f"{blank} of the first {lines} lines are empty.",
            where=name,
            mend="The file is damaged; export the log again.",
        )


_Dropped = tuple[tuple[str, int], ...]


def _whole_rows(
    data: bytes, layout: Layout, name: str, *, line: int, is_first: bool
) -> tuple[bytes, Ints, _Dropped, tuple[str, ...]]:
    """Leave rows with too few or too many cells out, by the lines' numbers."""
    lines = _measure(data, ord(layout.delimiter))
    longest = int(np.argmax(lines.end - lines.start))
    length = int(lines.end[longest] - lines.start[longest])
    check_line(length, name=name, row=line + longest + 1)
    number = np.arange(len(lines.start), dtype=np.int64)
    is_filled = lines.cells > 0
    is_whole = is_filled & (lines.cells == layout.width)
    broken = np.flatnonzero(is_filled & ~is_whole)
    _check_broken(broken, int(is_filled.sum()), lines, layout, name, line=line, is_first=is_first)
    body = _body(data, lines, is_whole)
    notes: tuple[str, ...] = ()
    if len(broken):
        rows = ", ".join(str(line + place + 1) for place in broken[:3])
        more = " and others" if len(broken) > 3 else ""
        notes = (f"Rows without {layout.width} cells were left out: row {rows}{more}.",)
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
    broken: Ints,
    filled: int,
    lines: _Lines,
    layout: Layout,
    name: str,
    *,
    line: int,
    is_first: bool,
) -> None:
    is_few = len(broken) <= max(_MAX_BROKEN_ANYWAY, MAX_BROKEN_SHARE * filled)
    if is_few and (len(broken) < filled or not is_first):  # a last block may be one cut line
        return
    first = int(broken[0])
    raise LogError(
        f"{len(broken)} of {filled} rows do not have {layout.width} cells; the first has "
        f"{lines.cells[first]}.",
        where=f"{name}, row {line + first + 1}",
        mend="The file is damaged, or a cell holds the delimiter without quotes: export it again.",
    )


def _body(data: bytes, lines: _Lines, is_whole: npt.NDArray[np.bool_]) -> bytes:
    """Return the whole rows only; the bytes are not copied line by line when all are whole."""
    if is_whole.all():
        return data
    lengths = np.append(lines.start[1:], len(data)) - lines.start
    codes = np.frombuffer(data, dtype=np.uint8)
    return codes[np.repeat(is_whole, lengths)].tobytes()


def _parse(body: bytes, layout: Layout, name: str, lines: Ints, wanted: Wanted) -> dict[int, Cells]:
    """Parse the wanted columns of whole rows, whatever their cells hold."""
    names = len(layout.headers)
    extra = range(names, layout.width)
    indices = sorted({*wanted.indices, *extra})
    raw = _typed(body, layout, indices, wanted.as_text, len(lines))
    if raw is None:
        raw = _as_text(body, layout, name, lines, indices)
    cells = {i: _cells(column, layout.decimal) for i, column in raw.items()}
    for i in extra:
        if not np.isnan(cells[i].numbers).all() or cells[i].text_count:
            raise LogError(
                f"the header names {names} columns, but rows hold {layout.width} cells.",
                where=name,
                mend="Export the log again; every row needs as many cells as the header.",
            )
    return {i: cells[i] for i in wanted.indices}


def _cells(column: Any, decimal: str) -> Cells:
    if isinstance(column, pd.Series):
        return parse_words(column, decimal)
    return arrow_cells(column, decimal)


def _typed(
    body: bytes, layout: Layout, indices: Sequence[int], as_text: Set[int], rows: int
) -> dict[int, Any] | None:
    """Parse columns by the types that their cells show; None where the parser objects."""
    import pyarrow as pa
    from pyarrow import types

    found = _read_csv(body, layout, indices, dict.fromkeys(as_text, pa.string()), rows)
    if found is None:
        return None
    dates = {i for i, column in found.items() if types.is_temporal(column.type)}
    if dates:  # guessed for this part alone: one bad stamp makes it text elsewhere
        return _typed(body, layout, indices, as_text | dates, rows)
    return found


def _parse_numbers(
    body: bytes, layout: Layout, indices: Sequence[int], rows: int
) -> dict[int, Cells]:
    """Parse a block of nothing but numbers; nothing is returned where it is not that."""
    import pyarrow as pa

    if b'"' in body or layout.width != len(layout.headers):
        return {}
    types = dict.fromkeys(indices, pa.float64())
    found = _read_csv(body, layout, indices, types, rows, is_quoted=False)
    if found is None:
        return {}
    numbers = {i: np.asarray(column.to_numpy(), dtype=float) for i, column in found.items()}
    is_empty = np.ones(rows, dtype=bool)
    for values in numbers.values():
        if not is_empty.any():
            break
        is_empty &= np.isnan(values)
    if is_empty.any():  # a row of delimiters alone is no row
        return {}
    return {i: Cells(values) for i, values in numbers.items()}


def _read_csv(
    body: bytes,
    layout: Layout,
    indices: Sequence[int],
    types: Mapping[int, Any],
    rows: int,
    *,
    is_quoted: bool = True,
) -> dict[int, Any] | None:
    """Parse columns with pyarrow; None where it objects or finds another number of rows."""
    from pyarrow import ArrowInvalid, csv

    names = [f"c{i}" for i in range(layout.width)]
    try:
        table = csv.read_csv(
            _stream(body),
            read_options=csv.ReadOptions(column_names=names, block_size=_PARSED_BYTES),
            parse_options=csv.ParseOptions(
                delimiter=layout.delimiter, quote_char='"' if is_quoted else False
            ),
            convert_options=csv.ConvertOptions(
                include_columns=[names[i] for i in indices],
                column_types={names[i]: kind for i, kind in types.items()},
                null_values=list(BLANKS),
                true_values=["true", "TRUE", "True", "ON", "on"],
                false_values=["false", "FALSE", "False", "OFF", "off"],
                strings_can_be_null=False,
                decimal_point=layout.decimal,
            ),
        )
    except (ArrowInvalid, ValueError):
        return None
    return {i: table.column(names[i]) for i in indices} if table.num_rows == rows else None


def _as_text(
    body: bytes, layout: Layout, name: str, lines: Ints, indices: Sequence[int]
) -> dict[int, Any]:
    """Read every cell as text with pandas, for files that the fast parser objects to."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            frame = pd.read_csv(
                io.BytesIO(body),
                sep=layout.delimiter,
                header=None,
                names=list(range(layout.width)),
                dtype=str,
                keep_default_na=False,
                skip_blank_lines=False,
                encoding_errors="replace",
                index_col=False,
            )
    except (ValueError, pd.errors.ParserError, pd.errors.ParserWarning) as error:
        raise _stray_quote(body, layout, name, lines) from error
    if len(frame) != len(lines):
        raise _stray_quote(body, layout, name, lines)
    return {i: frame[i] for i in indices}


def _stray_quote(body: bytes, layout: Layout, name: str, lines: Ints) -> LogError:
    text = body.decode("utf-8", errors="replace").splitlines()
    quoted = (i for i, line in enumerate(text) if '"' in line)
    odd = (i for i in quoted if len(split_line(text[i], layout.delimiter)) != layout.width)
    first = next(odd, len(lines))
    row = f", row {lines[first]}" if first < len(lines) else ""
    return LogError(
        "a stray quotation mark: the rows cannot be separated.",
        where=f"{name}{row}",
        mend="Export the log again without quotation marks.",
    )


def _stream(body: bytes) -> Any:
    """Hand bytes to the parser in memory of its own.

    Its threads may let go of the stream after it has answered. If that were Python's memory, a
    process that ends just then would be aborted.
    """
    import pyarrow as pa

    memory = pa.allocate_buffer(len(body))
    memoryview(memory).cast("B")[:] = body
    return pa.BufferReader(memory)
