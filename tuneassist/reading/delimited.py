"""Text logs cut by commas, semicolons or tabs, as a `Table`.

Lines are measured on the raw bytes first, so that a cut or foreign line is left out by number
before the fast parser sees the rest. The parser is pyarrow's; a column with words in it is then
read cell by cell in pandas.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from tuneassist.errors import LogError
from tuneassist.reading.dialect import HEAD_LINES, Layout, find_layout, split_line
from tuneassist.reading.log import Cells, Dialect, Table
from tuneassist.reading.numbers import BLANKS, parse_words
from tuneassist.reading.source import Source, decode

MAX_BROKEN_SHARE = 0.05
"""Larger share of rows with too few or too many cells means that the file is damaged. [1]"""
_MAX_BROKEN_ANYWAY = 3  # a power loss or two cost a line each
_HEAD_BYTES = 1 << 20

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class _Lines:
    """Where each line starts and ends, and how many cells it has; 0 cells is a blank line."""

    start: Ints
    end: Ints
    cells: Ints


def read_delimited(source: Source, *, wanted: Set[str] = frozenset()) -> Table:
    """Read a text log's layout and prepare its columns.

    Parameters
    ----------
    source
        The file.
    wanted
        Headers that the setup names.

    Raises
    ------
    LogError
        When the file is no text, has no table, or too many of its rows are broken.
    """
    text = decode(source)
    head = text.data[:_HEAD_BYTES].decode("utf-8", errors="replace").split("\n")[:HEAD_LINES]
    layout = find_layout(head, name=source.name, wanted=wanted)
    lines = _measure(text.data, ord(layout.delimiter))
    number = np.arange(len(lines.start), dtype=np.int64)
    is_filled = (number >= layout.data) & (lines.cells > 0)
    is_whole = is_filled & (lines.cells == layout.width)
    broken = np.flatnonzero(is_filled & ~is_whole)
    _check_broken(broken, int(is_filled.sum()), lines, layout, source.name)
    body = _body(text.data, lines, is_whole, layout.data)
    columns = _Columns(body, layout, source.name, number[is_whole] + 1)
    dropped = (("row cut short or with too many cells", len(broken)),) if len(broken) else ()
    notes = list(text.notes)
    if len(broken):
        rows = ", ".join(str(line + 1) for line in broken[:3])
        more = " and others" if len(broken) > 3 else ""
        notes.append(f"Rows without {layout.width} cells were left out: row {rows}{more}.")
    dialect = Dialect(
        text.encoding, layout.delimiter, layout.decimal, layout.header + 1, layout.data + 1
    )
    return Table(layout.headers, columns.lines, columns.fetch, dialect, dropped, tuple(notes))


def _measure(data: bytes, delimiter: int) -> _Lines:
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


def _check_broken(broken: Ints, filled: int, lines: _Lines, layout: Layout, name: str) -> None:
    if len(broken) <= max(_MAX_BROKEN_ANYWAY, MAX_BROKEN_SHARE * filled) and len(broken) < filled:
        return
    first = int(broken[0])
    raise LogError(
        f"{len(broken)} of {filled} rows have not {layout.width} cells; the first has "
        f"{lines.cells[first]}.",
        where=f"{name}, row {first + 1}",
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

    def fetch(self, indices: Sequence[int]) -> Mapping[int, Cells]:
        """Parse the columns at these positions."""
        names = len(self._layout.headers)
        extra = range(names, self._layout.width)
        wanted = sorted({*indices, *extra})
        raw = self._parse(wanted)
        cells = {i: self._cells(raw[i]) for i in wanted}
        for i in extra:
            if not np.isnan(cells[i].numbers).all() or cells[i].text_count:
                raise LogError(
                    f"the header names {names} columns, but rows hold {self._layout.width} cells.",
                    where=self._name,
                    mend="Export the log again; every row needs as many cells as the header.",
                )
        return {i: cells[i] for i in indices}

    def _parse(self, wanted: Sequence[int]) -> dict[int, Any]:
        from pyarrow import ArrowInvalid, csv

        names = [f"c{i}" for i in range(self._layout.width)]
        try:
            table = csv.read_csv(
                io.BytesIO(self._body),
                read_options=csv.ReadOptions(column_names=names, block_size=1 << 22),
                parse_options=csv.ParseOptions(delimiter=self._layout.delimiter),
                convert_options=csv.ConvertOptions(
                    include_columns=[f"c{i}" for i in wanted],
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
        import pyarrow as pa
        from pyarrow import compute

        kind = column.type
        if pa.types.is_integer(kind) or pa.types.is_floating(kind) or pa.types.is_null(kind):
            return Cells(np.asarray(compute.cast(column, pa.float64()).to_numpy(), dtype=float))
        if pa.types.is_boolean(kind):
            as_int = compute.cast(column, pa.int8())
            return Cells(np.asarray(compute.cast(as_int, pa.float64()).to_numpy(), dtype=float))
        words = compute.cast(column, pa.string()).to_pandas()
        return parse_words(words.astype(str).where(words.notna(), ""), self._layout.decimal)
