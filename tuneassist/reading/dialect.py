"""How a text log is laid out: delimiter, decimal sign, and which rows are header, units and data.

Only the head of the file is looked at. Rows of numbers are found first; the header is the row
above them that names most channels, so that lines before it may hold anything.
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence, Set
from dataclasses import dataclass, replace

from tuneassist.channels import channels_called
from tuneassist.errors import LogError
from tuneassist.reading.bounds import MOST_COLUMNS, MOST_HEADER_CHARS, too_wide
from tuneassist.reading.headers import read_heading
from tuneassist.reading.numbers import CLOCK, GROUPED, SIGNED, is_blank, is_number
from tuneassist.units import find_unit

HEAD_LINES = 400
_DELIMITERS = ("\t", ";", ",", "|")
_SETTLED = 3  # rows of numbers that must follow each other to be data
_SHOWN = 100  # cells of a row that are looked at for a better message
_ABOVE = 6  # rows above the data among which the header is looked for

Row = list[str]


@dataclass(frozen=True)
class Layout:
    """What the head of the file tells.

    Parameters
    ----------
    delimiter, decimal
        Between cells, and inside numbers.
    header, data
        Position of the header and of the first row of numbers, counted from 0.
    headers
        Header and unit cell of every named column.
    width
        Cells per row of data.
    """

    delimiter: str
    decimal: str
    header: int
    data: int
    headers: tuple[tuple[str, str], ...]
    width: int


def find_layout(lines: Sequence[str], *, name: str, wanted: Set[str] = frozenset()) -> Layout:
    """Find the layout from the first lines of a file.

    Parameters
    ----------
    lines
        The first lines, without line ends.
    name
        File name, for messages.
    wanted
        Headers that the setup names; a row that holds them is the header.

    Raises
    ------
    LogError
        When there are no columns, no numbers, or no header above the numbers.
    """
    delimiter = _find_delimiter(lines, name=name)
    rows = [split_line(line, delimiter) for line in lines]
    widest = max(map(len, rows), default=0)
    if widest > MOST_COLUMNS:
        raise too_wide(widest, name)
    data = _first_data_row(rows)
    if data is None:
        raise _no_numbers(rows, name)
    width = Counter(len(row) for row in rows[data:] if any(c.strip() for c in row))
    cells = width.most_common(1)[0][0]
    header, unit_row = _find_header(rows, data, cells, name=name, wanted=wanted)
    last_named = header if unit_row is None else unit_row
    while data - 1 > last_named and _is_data(rows[data - 1]):
        data -= 1  # a first row that was cut
    headers = _trim(rows[header])
    units = rows[unit_row] if unit_row is not None else []
    padded = [*units, *[""] * len(headers)]
    if len(headers) > cells or (len(headers) < cells and delimiter == ","):
        _check_width(len(headers), cells, rows[data], name=name, line=data + 1)
    decimal = _find_decimal(rows[data:], delimiter, name=name, first_line=data + 1)
    pairs = tuple((text.strip(), padded[i].strip()) for i, text in enumerate(headers))
    return Layout(delimiter, decimal, header, data, pairs, cells)


def split_line(line: str, delimiter: str) -> Row:
    """Cut one line into cells."""
    try:
        return next(csv.reader([line], delimiter=delimiter), [])
    except csv.Error:  # a cell longer than the csv module takes
        return line.split(delimiter)


def _trim(row: Row) -> Row:
    kept = list(row)
    while kept and not kept[-1].strip():
        kept.pop()
    return kept


def _find_delimiter(lines: Sequence[str], *, name: str) -> str:
    """Take the delimiter that cuts most lines into the same number of cells, two or more."""
    if lines and lines[0].casefold().startswith("sep=") and len(lines[0]) == 5:
        return lines[0][4]
    filled = [line for line in lines if line.strip()]
    best, share = "", 0.0
    for delimiter in _DELIMITERS:
        counts = Counter(len(split_line(line, delimiter)) for line in filled)
        counts.pop(1, None)
        common = counts.most_common(1)
        found = common[0][1] / len(filled) if common else 0.0
        if found > share + 0.02:
            best, share = delimiter, found
    if not best:
        raise LogError(
            "no columns were found: no comma, semicolon or tab cuts the lines into cells.",
            where=name,
            mend="Export the log as CSV with a header row.",
        )
    return best


def _is_data(row: Row) -> bool:
    filled = [cell for cell in row if not is_blank(cell)]
    if not filled:
        return False
    numbers = sum(is_number(cell) or CLOCK.search(cell) is not None for cell in filled)
    return numbers >= 0.5 * len(filled) or (numbers >= 2 and is_number(filled[0]))


def _first_data_row(rows: Sequence[Row]) -> int | None:
    """Find the first of three rows of numbers in a row, or of fewer that end the file."""
    filled = [i for i, row in enumerate(rows) if any(cell.strip() for cell in row)]
    for place, i in enumerate(filled):
        following = filled[place : place + _SETTLED]
        widths = {len(rows[k]) for k in following[:2]}
        if all(_is_data(rows[k]) for k in following) and len(widths) == 1 and len(rows[i]) > 1:
            return i
    last = [i for i in filled if _is_data(rows[i]) and len(rows[i]) > 1]
    return last[0] if last else None


def _names_found(row: Row, wanted: Set[str]) -> int:
    headings = [read_heading(0, cell) for cell in row if len(cell) <= MOST_HEADER_CHARS]
    found = sum(bool(channels_called(heading.words_bare)) for heading in headings)
    found += sum(bool(channels_called(heading.words)) for heading in headings)
    return found + 4 * sum(cell.strip() in wanted for cell in row)


def _unit_share(row: Row) -> float:
    filled = [cell.strip().strip("[](){}<>") for cell in row if cell.strip()]
    return sum(find_unit(cell) is not None for cell in filled) / len(filled) if filled else 0.0


def _find_header(
    rows: Sequence[Row], data: int, width: int, *, name: str, wanted: Set[str]
) -> tuple[int, int | None]:
    above = [i for i in range(data) if len(_trim(rows[i])) > 1][-_ABOVE:]
    fitting = [i for i in above if 2 * len(_trim(rows[i])) >= width] or above[-1:]
    if not fitting:
        raise LogError(
            "there is no header: the first row holds numbers already.",
            where=f"{name}, row {data + 1}",
            mend="Export the log with its column names.",
        )
    scores = {i: _names_found(rows[i], wanted) for i in fitting}
    best = max(scores.values())
    named = [i for i in fitting if scores[i] == best]
    if best == 0 and len(named) > 1:
        named = [i for i in named if _unit_share(rows[i]) < 0.5] or named
        named = named[-1:]
    header = named[0]
    below = [i for i in fitting if i > header and _unit_share(rows[i]) >= 0.5]
    return header, (below[0] if below else None)


def _check_width(names: int, cells: int, row: Row, *, name: str, line: int) -> None:
    if names < cells and not any(cell.strip() for cell in row[names:]):
        return  # trailing delimiters
    mend = "Export the log again; every row needs as many cells as the header."
    if cells > names and cells >= 2 * names - 1:
        mend = "Decimal commas in a comma-separated file? Export with ';' or a decimal point."
    raise LogError(
        f"the header names {names} columns, but the rows hold {cells} cells.",
        where=f"{name}, row {line}",
        mend=mend,
    )


def _find_decimal(rows: Sequence[Row], delimiter: str, *, name: str, first_line: int) -> str:
    """Read the decimal sign off the cells; a comma with three digits alone may be thousands."""
    seen: dict[str, tuple[int, str]] = {}
    for offset, row in enumerate(rows):
        for cell in row:
            word = cell.strip()
            if re.fullmatch(r"[-+]?\d{1,3}(?:\.\d{3})+,\d+", word):
                return ","
            if re.fullmatch(r"[-+]?\d{1,3}(?:,\d{3})+\.\d+", word):
                return "."
            sign = re.fullmatch(r"[-+]?\d*([.,])\d+(?:[eE][-+]?\d+)?", word)
            if sign:
                seen.setdefault(sign[1], (first_line + offset, word))
    if len(seen) == 2 and delimiter != ",":
        raise _mixed(seen["."], seen[","], name)
    return "," if "," in seen and "." not in seen else "."


def _mixed(point: tuple[int, str], comma: tuple[int, str], name: str) -> LogError:
    return LogError(
        f"decimal points and decimal commas are mixed: {point[1]!r} in row {point[0]}, "
        f"{comma[1]!r} in row {comma[0]}.",
        where=name,
        mend="Export the log with one decimal sign.",
    )


def settle_decimal(layout: Layout, data: bytes, *, name: str) -> Layout:
    """Look for decimal commas in all of the first part, where its first lines show none.

    With the engine off the first lines may hold whole numbers only.

    Parameters
    ----------
    layout
        As the first lines tell.
    data
        The first part.
    name
        File name, for messages.

    Raises
    ------
    LogError
        When decimal points and decimal commas are mixed.
    """
    if layout.decimal == "," or (b'"' if layout.delimiter == "," else b",") not in data:
        return layout
    comma = _first_decimal(data, layout, ",", GROUPED)
    point = _first_decimal(data, layout, "[.]", GROUPED if comma else None)
    if comma and point and layout.delimiter != ",":
        raise _mixed(point, comma, name)
    if point or not (comma or _first_decimal(data, layout, ",", None)):
        return layout
    return replace(layout, decimal=",")


def _first_decimal(
    data: bytes, layout: Layout, sign: str, but: str | None
) -> tuple[int, str] | None:
    """Find the first cell that is a number with this decimal sign, and its row."""
    is_quoted = layout.delimiter == "," == sign
    edges = b'"' if is_quoted else b'["\n%s]' % re.escape(layout.delimiter.encode())
    other = b"(?! *%s *%s)" % (but.encode(), edges) if but else b""
    number = SIGNED.replace("([.,])", sign).encode()
    cell = rb"(?<=%s)%s *(%s) *(?=%s)" % (edges, other, number, edges)
    start = 0
    for _ in range(layout.data):
        start = data.find(b"\n", start) + 1
    found = re.compile(cell).search(data, max(start - 1, 0))
    return (data.count(b"\n", 0, found.start()) + 1, found[1].decode()) if found else None


def _no_numbers(rows: Sequence[Row], name: str) -> LogError:
    if any(_names_found(row[:_SHOWN], frozenset()) for row in rows):
        return LogError(
            "there is a header, but no row of numbers below it.",
            where=name,
            mend="Export the log again; it holds no data.",
        )
    return LogError(
        f"no table of numbers was found in the first {len(rows)} lines.",
        where=name,
        mend="Export the log as CSV with a header row.",
    )
